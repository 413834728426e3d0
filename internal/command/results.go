package command

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// LOINC is the code system of a result's code when none is given.
const LOINC = "http://loinc.org"

// RecordResults is the body of record-results: everything that one message or
// one person reports at once.
type RecordResults struct {
	Results []Result `json:"results"`
	// Message is the id of the incoming message that the results came in, and Sent
	// when its sender made it (RFC 3339). A report that does not say when it was
	// issued is put in order by it.
	Message string `json:"message,omitempty"`
	Sent    string `json:"sent,omitempty"`
	// Accepted is set once a person has let in what stands against the order of
	// reports.
	Accepted *Acceptance `json:"accepted,omitempty"`
}

// Acceptance says who let in a report that a rule of the record stood against,
// and why.
type Acceptance struct {
	// By is the id of an account; whoever gives the command when it is empty.
	By     string `json:"by,omitempty"`
	Reason string `json:"reason"`
}

// The rules of the record that a report can go against. A refusal names them in
// its reasons.
const (
	// RuleStatus: what is final doesn't become preliminary, and what was entered
	// in error doesn't return.
	RuleStatus = "result-status"
	// RuleOwner: a result belongs to one candidate.
	RuleOwner = "result-owner"
	// RuleVersion: the sender has to know the version that it replaces.
	RuleVersion = "result-version"
)

// Result is one reported observation.
type Result struct {
	Identifier   result.Identifier  `json:"identifier"`
	Status       result.Status      `json:"status"`
	Category     string             `json:"category,omitempty"`
	Code         result.Coding      `json:"code"`
	Quantity     *result.Quantity   `json:"quantity,omitempty"`
	Coded        *result.Coding     `json:"coded,omitempty"`
	Text         string             `json:"text,omitempty"`
	Components   []result.Component `json:"components,omitempty"`
	Effective    string             `json:"effective"`
	EffectiveEnd string             `json:"effective_end,omitempty"`
	Issued       string             `json:"issued,omitempty"`
	Specimen     string             `json:"specimen,omitempty"`
	BodySite     string             `json:"body_site,omitempty"`
	Method       string             `json:"method,omitempty"`

	SpecimenType   *result.Coding         `json:"specimen_type,omitempty"`
	ReferenceRange *result.ReferenceRange `json:"reference_range,omitempty"`
	Interpretation []string               `json:"interpretation,omitempty"`
	Performer      string                 `json:"performer,omitempty"`
	Order          string                 `json:"order,omitempty"`
	Report         *result.Report         `json:"report,omitempty"`
	Members        []result.Identifier    `json:"members,omitempty"`
	Note           string                 `json:"note,omitempty"`
	// Confidentiality is the label of the source: R, or V for what the protocol
	// keeps in confidence.
	Confidentiality result.Confidentiality `json:"confidentiality,omitempty"`

	// IfVersion is the version of the published Observation that the report
	// replaces: it is refused when another one stands.
	IfVersion int64 `json:"if_version,omitempty"`
	// Replaces is the version of the result on record that the report was made from,
	// 0 where there was none: it is refused when another one stands.
	Replaces *int `json:"replaces,omitempty"`
	// OnlyNew leaves a result alone that is on record already.
	OnlyNew bool `json:"only_new,omitempty"`
}

// maxResults bounds one command.
const maxResults = 500

// Check implements Body.
func (b *RecordResults) Check(f *Faults) {
	switch {
	case len(b.Results) == 0:
		f.Add("results", "missing")
	case len(b.Results) > maxResults:
		f.Add("results", fmt.Sprintf("more than %d in one command", maxResults))
	}
	seen := map[result.Identifier]bool{}
	for i := range b.Results {
		r := &b.Results[i]
		r.check(f, fmt.Sprintf("results[%d].", i))
		if r.Identifier.System == result.CandidateSource {
			f.Add(fmt.Sprintf("results[%d].identifier.system", i), "kept for what candidates answer by themselves")
		}
		if seen[r.Identifier] && r.Identifier.Value != "" {
			f.Add(fmt.Sprintf("results[%d].identifier", i), "the same result twice in one command")
		}
		seen[r.Identifier] = true
	}
	f.text("message", b.Message, false)
	checkTime(f, "sent", b.Sent, false)
	if b.Accepted != nil {
		if b.Accepted.By != "" {
			f.id("accepted.by", b.Accepted.By)
		}
		f.text("accepted.reason", b.Accepted.Reason, true)
	}
}

var decimal = regexp.MustCompile(`^-?(0|[1-9]\d*)(\.\d+)?([eE][+-]?\d+)?$`)

func (r *Result) check(f *Faults, at string) {
	f.text(at+"identifier.system", r.Identifier.System, true)
	f.text(at+"identifier.value", r.Identifier.Value, true)
	if r.IfVersion < 0 {
		f.Add(at+"if_version", "not a version")
	}
	if r.Replaces != nil && *r.Replaces < 0 {
		f.Add(at+"replaces", "not a version")
	}
	statuses := make([]string, len(result.Statuses))
	for i, s := range result.Statuses {
		statuses[i] = string(s)
	}
	f.oneOf(at+"status", string(r.Status), true, statuses...)
	f.oneOf(at+"category", r.Category, false, "laboratory", "vital-signs", "imaging", "procedure", "exam", "survey", "social-history")
	checkCoding(f, at+"code", r.Code, true)
	f.text(at+"specimen", r.Specimen, false)
	f.text(at+"body_site", r.BodySite, false)
	f.text(at+"method", r.Method, false)
	values := 0
	if r.Quantity != nil {
		values++
		checkQuantity(f, at+"quantity", *r.Quantity)
	}
	if r.Coded != nil {
		values++
		if r.Coded.Code == "" && r.Coded.Display == "" {
			f.Add(at+"coded", "needs a code or a display text")
		}
		checkCoding(f, at+"coded", *r.Coded, false)
	}
	if r.Text != "" {
		values++
		f.text(at+"text", r.Text, false)
	}
	if len(r.Components) > 0 {
		values++
	}
	if len(r.Members) > 0 {
		values++
	}
	if values != 1 && r.Status.Usable() {
		f.Add(at+"value", "exactly one is needed", "quantity", "coded", "text", "components", "members")
	}
	r.checkReported(f, at)
	for i, c := range r.Components {
		field := fmt.Sprintf("%scomponents[%d]", at, i)
		checkCoding(f, field+".code", c.Code, true)
		values := 0
		if c.Value.Quantity != nil {
			values++
			checkQuantity(f, field+".value.quantity", *c.Value.Quantity)
		}
		if c.Value.Coding != nil {
			values++
			checkCoding(f, field+".value.coding", *c.Value.Coding, false)
		}
		if c.Value.Text != "" {
			values++
			f.text(field+".value.text", c.Value.Text, false)
		}
		if values != 1 {
			f.Add(field+".value", "exactly one is needed", "quantity", "coding", "text")
		}
	}
	checkTime(f, at+"effective", r.Effective, true)
	checkTime(f, at+"effective_end", r.EffectiveEnd, false)
	checkTime(f, at+"issued", r.Issued, false)
	if r.EffectiveEnd != "" {
		start, errA := time.Parse(time.RFC3339, r.Effective)
		end, errB := time.Parse(time.RFC3339, r.EffectiveEnd)
		if errA == nil && errB == nil && !start.Before(end) {
			f.Add(at+"effective_end", "not after the start of the collection")
		}
	}
}

// checkReported checks what a laboratory reports beside the value.
func (r *Result) checkReported(f *Faults, at string) {
	const most = 200
	if r.SpecimenType != nil {
		checkCoding(f, at+"specimen_type", *r.SpecimenType, true)
	}
	f.text(at+"performer", r.Performer, false)
	f.text(at+"order", r.Order, false)
	f.text(at+"note", r.Note, false)
	if c := r.Confidentiality; c != "" && c != result.Restricted && c != result.VeryRestricted {
		f.Add(at+"confidentiality", "not a label", string(result.Restricted), string(result.VeryRestricted))
	}
	if limits := r.ReferenceRange; limits != nil {
		if limits.Low == nil && limits.High == nil && limits.Text == "" {
			f.Add(at+"reference_range", "nothing is given", "low", "high", "text")
		}
		checkLimit(f, at+"reference_range.low", limits.Low)
		checkLimit(f, at+"reference_range.high", limits.High)
		f.text(at+"reference_range.text", limits.Text, false)
	}
	if len(r.Interpretation) > most {
		f.Add(at+"interpretation", fmt.Sprintf("more than %d", most))
		return
	}
	for i, code := range r.Interpretation {
		f.oneOf(fmt.Sprintf("%sinterpretation[%d]", at, i), code, true, result.Interpretations...)
	}
	if len(r.Members) > most {
		f.Add(at+"members", fmt.Sprintf("more than %d", most))
		return
	}
	for i, member := range r.Members {
		field := fmt.Sprintf("%smembers[%d]", at, i)
		f.text(field+".system", member.System, true)
		f.text(field+".value", member.Value, true)
		if member == r.Identifier {
			f.Add(field, "the panel itself")
		}
	}
	if report := r.Report; report != nil {
		f.text(at+"report.identifier.system", report.Identifier.System, true)
		f.text(at+"report.identifier.value", report.Identifier.Value, true)
		if report.Code != (result.Coding{}) {
			checkCoding(f, at+"report.code", report.Code, true)
		}
		statuses := make([]string, len(result.ReportStatuses))
		for i, s := range result.ReportStatuses {
			statuses[i] = string(s)
		}
		f.oneOf(at+"report.status", string(report.Status), false, statuses...)
		if report.Category != "" && !tableCode.MatchString(report.Category) {
			f.Add(at+"report.category", "not a code of HL7 table 0074", "LAB", "RAD", "PAT")
		}
		checkTime(f, at+"report.issued", report.Issued, false)
		f.text(at+"report.conclusion", report.Conclusion, false)
	}
}

func checkLimit(f *Faults, at string, q *result.Quantity) {
	if q == nil {
		return
	}
	checkQuantity(f, at, *q)
	if q.Comparator != "" {
		f.Add(at+".comparator", "not accepted in a limit")
	}
}

// tableCode is the form of the codes of HL7 table 0074.
var tableCode = regexp.MustCompile(`^[A-Z]{2,4}$`)

func checkCoding(f *Faults, at string, c result.Coding, required bool) {
	f.text(at+".system", c.System, false)
	f.text(at+".code", c.Code, required)
	f.text(at+".display", c.Display, false)
}

func checkQuantity(f *Faults, at string, q result.Quantity) {
	if !decimal.MatchString(q.Value.String()) {
		f.Add(at+".value", "not a decimal number")
	} else if _, err := q.Float(); err != nil {
		f.Add(at+".value", "too large for a number")
	}
	if q.Unit == "" {
		f.Add(at+".unit", "missing", "a UCUM unit")
	}
	f.text(at+".unit", q.Unit, false)
	f.oneOf(at+".comparator", q.Comparator, false, "<", "<=", ">=", ">")
}

// instant is the form of a FHIR instant: time.Parse takes also hours of one
// digit and a comma, which no reader of FHIR does.
var instant = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?(Z|[+-](0\d|1[0-3]):[0-5]\d|[+-]14:00)$`)

func checkTime(f *Faults, field, text string, required bool) {
	if text == "" {
		if required {
			f.Add(field, "missing", "RFC 3339 with a zone", "YYYY-MM-DD")
		}
		return
	}
	// Years of nobody's lifetime are a program's empty value.
	const earliest, latest = 1900, 9000
	at, err := time.Parse(time.RFC3339, text)
	if err != nil || !instant.MatchString(text) {
		at, err = time.Parse(time.DateOnly, text)
		if _, wrong := journey.ParseDate(text); wrong != nil {
			err = wrong
		}
	}
	if err == nil && at.UTC().Year() >= earliest && at.UTC().Year() <= latest {
		return
	}
	f.Add(field, "not a time", "RFC 3339 with a zone", "YYYY-MM-DD")
}

// Code implements Body. What the results say is for the assessment.
func (b *RecordResults) Code(*journey.Command) {}

// Future reports the results that claim to be of a time after now: a result
// of the future is a mistake, whatever it says.
func (b *RecordResults) Future(f *Faults, now time.Time, zone *time.Location) {
	for i, r := range b.Results {
		for field, text := range map[string]string{"effective": r.Effective, "effective_end": r.EffectiveEnd} {
			if text == "" {
				continue
			}
			at, err := time.Parse(time.RFC3339, text)
			if err != nil {
				at = journey.Date(text).Start(zone)
			}
			if at.After(now) {
				f.Add(fmt.Sprintf("results[%d].%s", i, field), "in the future")
			}
		}
	}
	slices.SortFunc(f.list, func(a, b Fault) int {
		switch {
		case a.Field < b.Field:
			return -1
		case a.Field > b.Field:
			return 1
		}
		return 0
	})
}

// Record makes the result that is stored: same text, with the calendar day of
// collection in the programme's zone.
func (r Result) Record(id string, version int, zone *time.Location) result.Result {
	out := result.Result{
		ID: id, Identifier: r.Identifier, Status: r.Status, Category: r.Category, Code: r.Code,
		Value:      result.Value{Quantity: r.Quantity, Coding: r.Coded, Text: r.Text},
		Components: r.Components, Effective: r.Effective, EffectiveEnd: r.EffectiveEnd, Issued: r.Issued,
		Specimen: r.Specimen, BodySite: r.BodySite, Method: r.Method, Version: version,
		SpecimenType: r.SpecimenType, ReferenceRange: r.ReferenceRange, Interpretation: r.Interpretation,
		Performer: r.Performer, Order: r.Order, Report: r.Report, Members: r.Members, Note: r.Note, Confidentiality: r.Confidentiality,
	}
	if out.Code.System == "" {
		out.Code.System = LOINC
	}
	if out.Category == "" {
		out.Category = "laboratory"
	}
	out.CollectedOn = r.Effective
	if at, err := time.Parse(time.RFC3339, r.Effective); err == nil {
		out.CollectedOn = string(journey.DateOf(at, zone))
	}
	return out
}

// SameContent reports whether two reports of a result say the same, whenever they
// were made.
func SameContent(a, b result.Result) bool {
	a.Version, b.Version = 0, 0
	a.Reported, b.Reported, a.Accepted, b.Accepted = "", "", false, false
	x, errA := json.Marshal(a)
	y, errB := json.Marshal(b)
	return errA == nil && errB == nil && string(x) == string(y)
}
