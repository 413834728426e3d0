// Package result holds one clinical observation as it was reported: exact text
// of the number, unit, code, time and source. It does no computation and knows
// no rules; package protocol reads results to assess a candidate.
package result

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"
)

// Status is the FHIR R4 observation status.
type Status string

// The statuses. Only final, amended and corrected results are used by rules.
const (
	Registered     Status = "registered"
	Preliminary    Status = "preliminary"
	Final          Status = "final"
	Amended        Status = "amended"
	Corrected      Status = "corrected"
	Cancelled      Status = "cancelled"
	EnteredInError Status = "entered-in-error"
	Unknown        Status = "unknown"
)

// Statuses lists what a result's status may be.
var Statuses = []Status{Registered, Preliminary, Final, Amended, Corrected, Cancelled, EnteredInError, Unknown}

// Usable reports whether rules may run on a result of this status.
func (s Status) Usable() bool { return s == Final || s == Amended || s == Corrected }

// Coding is a code of a code system with the words that came with it.
type Coding struct {
	System  string `json:"system,omitempty"`
	Code    string `json:"code,omitempty"`
	Display string `json:"display,omitempty"`
}

// Confidentiality is how closely a result is to be kept, as its source labels it: a
// code of HL7 v3-Confidentiality. Nothing less than restricted is kept here.
type Confidentiality string

// The labels.
const (
	Restricted     Confidentiality = "R"
	VeryRestricted Confidentiality = "V"
)

// Quantity is a number with its UCUM unit. The number is kept as text: a
// result of 1.10 must not become 1.1.
type Quantity struct {
	Value      json.Number `json:"value"`
	Unit       string      `json:"unit"`
	Comparator string      `json:"comparator,omitempty"`
}

// Float returns the number for computing.
func (q Quantity) Float() (float64, error) {
	v, err := strconv.ParseFloat(q.Value.String(), 64)
	if err != nil {
		return 0, fmt.Errorf("value is not a decimal number")
	}
	return v, nil
}

// Value is exactly one of a quantity, a coding or a text.
type Value struct {
	Quantity *Quantity `json:"quantity,omitempty"`
	Coding   *Coding   `json:"coding,omitempty"`
	Text     string    `json:"text,omitempty"`
}

// Component is a part of a panel, such as the systolic pressure.
type Component struct {
	Code  Coding `json:"code"`
	Value Value  `json:"value"`
}

// Identifier is the source's own id of the result.
type Identifier struct {
	System string `json:"system"`
	Value  string `json:"value"`
}

// CandidateSource is the system of the identifiers of what a candidate answered by
// themselves: nobody of the staff has verified it.
const CandidateSource = "https://candidacy.example/source/candidate"

// BySelf reports whether the candidate reported the result by themselves.
func (r Result) BySelf() bool { return r.Identifier.System == CandidateSource }

// namespace makes ids of results from their source's identifier, so that a
// repeated message cannot make a second result.
var namespace = uuid.MustParse("6d7f6a1e-5a0b-4a39-9c1c-0f6f3c8f7b11")

// IDOf is the id of the result that a source knows by an identifier.
func IDOf(i Identifier) string {
	return uuid.NewSHA1(namespace, []byte(i.System+"\x00"+i.Value)).String()
}

// ReferenceRange is what the laboratory calls usual, in its own numbers. At
// least one member is set.
type ReferenceRange struct {
	Low  *Quantity `json:"low,omitempty"`
	High *Quantity `json:"high,omitempty"`
	// Text is the range in words, where it is no pair of numbers or came so.
	Text string `json:"text,omitempty"`
}

// Interpretations lists the codes of HL7 v3-ObservationInterpretation (2018-08-12,
// as R4 has it) that a laboratory may put on a value. They are passed on; no
// rule reads them.
var Interpretations = []string{
	"A", "AA", "AC", "B", "CAR", "Carrier", "D", "DET", "E", "EX", "EXP", "H", "H>", "HH", "HM", "HU", "HX",
	"I", "IE", "IND", "L", "L<", "LL", "LU", "LX", "MS", "N", "NCL", "ND", "NEG", "NR", "NS", "OBX",
	"POS", "QCF", "R", "RR", "S", "SDD", "SYN-R", "SYN-S", "TOX", "U", "UNE", "VS", "W", "WR", "<", ">",
}

// ReportStatus is the FHIR R4 status of a diagnostic report.
type ReportStatus string

// ReportStatuses lists what a report's status may be.
var ReportStatuses = []ReportStatus{
	"registered", "partial", "preliminary", "final", "amended", "corrected", "appended", "cancelled", "entered-in-error", "unknown",
}

// Report names the diagnostic report that a result came in. All results of one
// report carry the same; the newest of them tells how the report stands.
type Report struct {
	Identifier Identifier   `json:"identifier"`
	Code       Coding       `json:"code,omitzero"`
	Status     ReportStatus `json:"status,omitempty"`
	// Category is a code of HL7 table 0074, such as LAB, RAD or PAT.
	Category string `json:"category,omitempty"`
	// Issued is when this version of the report was released (RFC 3339).
	Issued string `json:"issued,omitempty"`
	// Conclusion is free text. It stays in the record and is never published.
	Conclusion string `json:"conclusion,omitempty"`
}

// Result is one observation.
type Result struct {
	// ID is ours, and the id of the FHIR Observation.
	ID         string      `json:"id"`
	Identifier Identifier  `json:"identifier"`
	Status     Status      `json:"status"`
	Category   string      `json:"category"`
	Code       Coding      `json:"code"`
	Value      Value       `json:"value"`
	Components []Component `json:"components,omitempty"`
	// Effective is when the sample was taken or the measurement made, as
	// received (RFC 3339 or YYYY-MM-DD); EffectiveEnd ends a collection.
	Effective    string `json:"effective"`
	EffectiveEnd string `json:"effective_end,omitempty"`
	Issued       string `json:"issued,omitempty"`
	// CollectedOn is the calendar day of Effective in the programme's zone.
	CollectedOn string `json:"collected_on"`
	// Specimen is the accession of the specimen.
	Specimen string `json:"specimen,omitempty"`
	BodySite string `json:"body_site,omitempty"`
	Method   string `json:"method,omitempty"`
	// SpecimenType says what the specimen is, such as a code of HL7 table 0487.
	SpecimenType   *Coding         `json:"specimen_type,omitempty"`
	ReferenceRange *ReferenceRange `json:"reference_range,omitempty"`
	// Interpretation holds codes of Interpretations.
	Interpretation []string `json:"interpretation,omitempty"`
	// Performer is the name of the laboratory or department.
	Performer string `json:"performer,omitempty"`
	// Order is the placer's number of the order that the result answers.
	Order  string  `json:"order,omitempty"`
	Report *Report `json:"report,omitempty"`
	// Members are the results that a panel consists of, by their source's ids. A
	// panel has no value of its own.
	Members []Identifier `json:"members,omitempty"`
	// Note is what the laboratory wrote beside the value. It is free text, which
	// may name people: it stays in the record and is never published.
	Note string `json:"note,omitempty"`
	// Confidentiality is the label of the source, if there is one.
	Confidentiality Confidentiality `json:"confidentiality,omitempty"`
	// Reported is when the sender made the message that the report came in, where
	// it says so (RFC 3339).
	Reported string `json:"reported,omitempty"`
	// Accepted says that a person let the report in against the order of reports.
	Accepted bool `json:"accepted,omitempty"`
	// Version counts the reports of this result, corrections included.
	Version int `json:"version"`
}

// EffectiveAt returns the instant of Effective. A date without a time has no
// instant: it is an error, never midnight.
func (r Result) EffectiveAt() (time.Time, error) {
	t, err := time.Parse(time.RFC3339, r.Effective)
	if err != nil {
		return time.Time{}, fmt.Errorf("the time of %s is a date without a time of day", r.Code.Code)
	}
	return t, nil
}

// Component finds a component by its code.
func (r Result) Component(code string) (Component, bool) {
	i := slices.IndexFunc(r.Components, func(c Component) bool { return c.Code.Code == code })
	if i < 0 {
		return Component{}, false
	}
	return r.Components[i], true
}
