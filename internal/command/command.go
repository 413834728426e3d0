// Package command defines what people and interfaces may ask for: the body of
// each command as it is sent, with its own checks, and the coded part of it that
// the process may know. It decides nothing about stages; package journey does.
package command

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"

	"candidacy/internal/journey"
)

// Body is the body of one kind of command.
type Body interface {
	// Check reports every field that is missing or wrong.
	Check(*Faults)
	// Code copies into the command what the process may know: codes, dates and
	// ids, never a value, a name or free text.
	Code(*journey.Command)
}

// bodies makes an empty body for each kind.
var bodies = map[journey.Kind]func() Body{
	journey.Refer:               func() Body { return &Referral{} },
	journey.BeginScreening:      func() Body { return &BeginScreening{} },
	journey.AssignAdvocate:      func() Body { return &AssignAdvocate{} },
	journey.RecordConsent:       func() Body { return &RecordConsent{} },
	journey.BeginEvaluation:     func() Body { return &Plain{} },
	journey.RecordResults:       func() Body { return &RecordResults{} },
	journey.SignResults:         func() Body { return &SignResults{} },
	journey.RecordReview:        func() Body { return &RecordReview{} },
	journey.WaiveRequirement:    func() Body { return &WaiveRequirement{} },
	journey.PresentToCommittee:  func() Body { return &Plain{} },
	journey.RecordDecision:      func() Body { return &RecordDecision{} },
	journey.Schedule:            func() Body { return &Schedule{} },
	journey.CancelOperation:     func() Body { return &CancelOperation{} },
	journey.RecordRecipient:     func() Body { return &RecordRecipient{} },
	journey.ConfirmVerification: func() Body { return &LastCheck{} },
	journey.ConfirmLastCheck:    func() Body { return &LastCheck{} },
	journey.ResolveLastCheck:    func() Body { return &Reasoned{} },
	journey.BeginOperation:      func() Body { return &Plain{} },
	journey.RecordOperation:     func() Body { return &RecordOperation{} },
	journey.AmendOperation:      func() Body { return &AmendOperation{} },
	journey.RecordComplication:  func() Body { return &RecordComplication{} },
	journey.CompleteRecovery:    func() Body { return &Plain{} },
	journey.RecordVisit:         func() Body { return &RecordVisit{} },
	journey.RecordContact:       func() Body { return &RecordContact{} },
	journey.Close:               func() Body { return &Plain{} },
	journey.Withdraw:            func() Body { return &Withdrawal{} },
	journey.Hold:                func() Body { return &Hold{} },
	journey.Resume:              func() Body { return &Plain{} },
	journey.Decline:             func() Body { return &Reasoned{} },
	journey.MoveProtocol:        func() Body { return &MoveProtocol{} },
	journey.RecordStay:          func() Body { return &RecordStay{} },
	journey.RecordMedicines:     func() Body { return &RecordMedicines{} },
	journey.RecordRisk:          func() Body { return &RecordRisk{} },
	journey.GiveDonorLink:       func() Body { return &GiveDonorLink{} },
	journey.RevokeDonorLink:     func() Body { return &Plain{} },
	journey.ReportEvent:         func() Body { return &ReportEvent{} },
	journey.CloseReport:         func() Body { return &CloseReport{} },
	journey.RetractReport:       func() Body { return &RetractReport{} },
	journey.RecordDeath:         func() Body { return &RecordDeath{} },

	journey.GiveQuestionnaire:   func() Body { return &GiveQuestionnaire{} },
	journey.RevokeQuestionnaire: func() Body { return &Plain{} },
	journey.AnswerQuestionnaire: func() Body { return &AnswerQuestionnaire{} },
	journey.AskToStop:           func() Body { return &AskToStop{} },
	journey.SettleStopWish:      func() Body { return &Reasoned{} },

	journey.PlanAppointment:   func() Body { return &PlanAppointment{} },
	journey.MoveAppointment:   func() Body { return &MoveAppointment{} },
	journey.CancelAppointment: func() Body { return &CancelAppointment{} },
	journey.CloseAppointment:  func() Body { return &CloseAppointment{} },

	journey.RecordContactDetails: func() Body { return &ContactDetails{} },
	journey.AskQuestion:          func() Body { return &AskQuestion{} },
	journey.AnswerQuestion:       func() Body { return &AnswerQuestion{} },
	journey.RecordWords:          func() Body { return &RecordWords{} },
	journey.ConfirmDuties:        func() Body { return &ConfirmDuties{} },
}

// New returns an empty body for the kind.
func New(kind journey.Kind) (Body, bool) {
	make, ok := bodies[kind]
	if !ok {
		return nil, false
	}
	return make(), true
}

// MaxBytes bounds the body of a command.
const MaxBytes = 1 << 20

// Decode reads and checks the body of a command. Unknown fields, trailing text
// and malformed JSON are errors; every fault is a *Invalid.
func Decode(kind journey.Kind, raw []byte) (Body, error) {
	body, ok := New(kind)
	if !ok {
		return nil, &Invalid{Faults: []Fault{{Field: "kind", Problem: "there is no such command", Accepted: kindNames()}}}
	}
	if err := Strict(raw, body); err != nil {
		return nil, err
	}
	return body, Validate(body)
}

// Validate runs the body's own checks.
func Validate(body Body) error {
	var faults Faults
	body.Check(&faults)
	return faults.Err()
}

func kindNames() []string {
	names := []string{string(journey.Refer)}
	for _, kind := range journey.Kinds() {
		names = append(names, string(kind))
	}
	return names
}

// Strict decodes exactly one JSON object into the target.
func Strict(raw []byte, target any) error {
	fault := func(field, problem string) error {
		return &Invalid{Malformed: true, Faults: []Fault{{Field: field, Problem: problem}}}
	}
	if len(raw) > MaxBytes {
		return fault("body", fmt.Sprintf("larger than %d bytes", MaxBytes))
	}
	if !utf8.Valid(raw) {
		return fault("body", "not UTF-8 text")
	}
	if len(bytes.TrimSpace(raw)) == 0 {
		raw = []byte("{}")
	}
	decoder := json.NewDecoder(bytes.NewReader(raw))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(target); err != nil {
		var mistyped *json.UnmarshalTypeError
		var syntax *json.SyntaxError
		var invalid *Invalid
		switch {
		case errors.As(err, &invalid):
			return invalid
		case errors.As(err, &mistyped) && mistyped.Field != "":
			return fault(mistyped.Field, fmt.Sprintf("a JSON %s is not accepted here", mistyped.Value))
		case errors.As(err, &syntax):
			return fault("body", fmt.Sprintf("not valid JSON at byte %d", syntax.Offset))
		case errors.Is(err, io.ErrUnexpectedEOF):
			return fault("body", "the JSON ends too early")
		}
		if name, ok := strings.CutPrefix(err.Error(), "json: unknown field "); ok {
			return fault(strings.Trim(name, `"`), "no such field")
		}
		return fault("body", "not the JSON object that is expected")
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return fault("body", "text after the JSON object")
	}
	if bytes.TrimSpace(raw)[0] != '{' {
		return fault("body", "not the JSON object that is expected")
	}
	if field, repeated := Repeated(raw); repeated {
		return fault(field, "given twice")
	}
	return nil
}

// Repeated names a member that a valid JSON text gives twice in one object,
// small and capital letters being one: decoding would keep the last of them
// without a word.
func Repeated(raw []byte) (field string, repeated bool) {
	decoder := json.NewDecoder(bytes.NewReader(raw))
	decoder.UseNumber()
	// level is one object or array that is open.
	type level struct {
		object bool
		// names are the members so far; name is the one whose value comes next.
		names map[string]bool
		name  string
		value bool
		next  int
	}
	var open []level
	path := func() string {
		var b strings.Builder
		for _, l := range open {
			switch {
			case !l.object:
				fmt.Fprintf(&b, "[%d]", l.next)
			case b.Len() == 0:
				b.WriteString(l.name)
			default:
				b.WriteString("." + l.name)
			}
		}
		return b.String()
	}
	done := func() {
		if len(open) > 0 {
			open[len(open)-1].value = false
			open[len(open)-1].next++
		}
	}
	for {
		token, err := decoder.Token()
		if err != nil {
			return "", false
		}
		if n := len(open); n > 0 && open[n-1].object && !open[n-1].value {
			if name, ok := token.(string); ok {
				l := &open[n-1]
				l.name, l.value = name, true
				folded := strings.ToLower(name)
				if l.names[folded] {
					return path(), true
				}
				l.names[folded] = true
				continue
			}
		}
		switch token {
		case json.Delim('{'):
			open = append(open, level{object: true, names: map[string]bool{}})
		case json.Delim('['):
			open = append(open, level{})
		case json.Delim('}'), json.Delim(']'):
			open = open[:len(open)-1]
			done()
		default:
			done()
		}
	}
}

// Canonical encodes the body in a fixed order and returns its hash, bound to
// who asked for what.
func Canonical(kind journey.Kind, actor string, body Body) (json.RawMessage, string, error) {
	raw, err := json.Marshal(body)
	if err != nil {
		return nil, "", fmt.Errorf("encode the command: %w", err)
	}
	sum := sha256.Sum256([]byte(string(kind) + "\n" + actor + "\n" + string(raw)))
	return raw, hex.EncodeToString(sum[:]), nil
}

// Fault is one field that is missing or wrong.
type Fault struct {
	Field    string   `json:"field"`
	Problem  string   `json:"problem"`
	Accepted []string `json:"accepted,omitempty"`
}

// Faults collects what is wrong with a body.
type Faults struct{ list []Fault }

// Add records a fault.
func (f *Faults) Add(field, problem string, accepted ...string) {
	f.list = append(f.list, Fault{Field: field, Problem: problem, Accepted: accepted})
}

// Err returns nil or an *Invalid.
func (f *Faults) Err() error {
	if len(f.list) == 0 {
		return nil
	}
	return &Invalid{Faults: f.list}
}

// Invalid lists every fault of a body.
type Invalid struct {
	Faults []Fault
	// Malformed says that the body could not be read at all.
	Malformed bool
}

// Error names each field, what is wrong with it and what is accepted.
func (i *Invalid) Error() string {
	parts := make([]string, len(i.Faults))
	for n, fault := range i.Faults {
		parts[n] = fault.Field + ": " + fault.Problem
		if len(fault.Accepted) > 0 {
			parts[n] += " (accepted: " + strings.Join(fault.Accepted, ", ") + ")"
		}
	}
	return strings.Join(parts, "; ")
}

// maxText bounds a free text.
const maxText = 10_000

func (f *Faults) text(field, value string, required bool) {
	switch {
	case required && strings.TrimSpace(value) == "":
		f.Add(field, "missing")
	case len(value) > maxText:
		f.Add(field, fmt.Sprintf("longer than %d bytes", maxText))
	case strings.ContainsFunc(value, unprintable):
		f.Add(field, "holds a control character")
	}
}

// unprintable finds what no page can show and what PostgreSQL can't store.
func unprintable(r rune) bool {
	return unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t'
}

// opaque is the form of an id: it can't hold a sentence.
var opaque = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,39}$`)

// id checks a required id of something that the process knows.
func (f *Faults) id(field, value string) {
	switch {
	case value == "":
		f.Add(field, "missing")
	case !opaque.MatchString(value):
		f.Add(field, "not an id", "1 to 40 letters, digits, dots, hyphens")
	}
}

// ids checks a list of ids.
func (f *Faults) ids(field string, values []string) {
	const most = 100
	if len(values) > most {
		f.Add(field, fmt.Sprintf("more than %d", most))
		return
	}
	for i, v := range values {
		f.id(fmt.Sprintf("%s[%d]", field, i), v)
	}
}

// coded lets through only what has the form of an id, whether or not the body
// was checked: nothing else may reach the process.
func coded[T ~string](value T) T {
	if !opaque.MatchString(string(value)) {
		return ""
	}
	return value
}

func codedAll(values []string) []string {
	var list []string
	for _, v := range values {
		list = append(list, coded(v))
	}
	return list
}

func codedDate(value journey.Date) journey.Date {
	if d, err := journey.ParseDate(string(value)); err == nil {
		return d
	}
	return ""
}

func (f *Faults) date(field string, value journey.Date, required bool) {
	if value == "" {
		if required {
			f.Add(field, "missing", "YYYY-MM-DD")
		}
		return
	}
	if _, err := journey.ParseDate(string(value)); err != nil {
		f.Add(field, "not a calendar date", "YYYY-MM-DD")
	}
}

func (f *Faults) oneOf(field, value string, required bool, accepted ...string) {
	if value == "" && !required {
		return
	}
	for _, a := range accepted {
		if a == value {
			return
		}
	}
	problem := "not accepted"
	if value == "" {
		problem = "missing"
	}
	f.Add(field, problem, accepted...)
}
