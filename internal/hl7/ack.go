package hl7

import (
	"cmp"
	"strconv"
	"strings"
	"time"
)

// Outcome is what became of a message.
type Outcome int

// The outcomes.
const (
	// Accepted: the message is on disk, and is dealt with or waits for a person.
	Accepted Outcome = iota
	// Failed: the content has faults; sending it again unchanged does not help.
	Failed
	// Rejected: the message is not of a kind or a sender that is taken here.
	Rejected
	// Unavailable: nothing is on disk; the same message may be sent again.
	Unavailable
)

// Answer is what an acknowledgement says.
type Answer struct {
	Outcome Outcome
	Faults  []Fault
	// ControlID is that of the acknowledgement, unique to it; a commit
	// acknowledgement adds a letter. At is its time, with a zone.
	ControlID string
	At        time.Time
}

// The acknowledgement conditions of MSH-15 and MSH-16, HL7 table 0155.
const (
	ackAlways    = "AL"
	ackNever     = "NE"
	ackOnError   = "ER"
	ackOnSuccess = "SU"
)

// Acknowledge returns the answers to a message, each a message of its own: one
// in original mode (AA, AE or AR). In enhanced mode, which a value in MSH-15 or
// MSH-16 asks for, it is the commit acknowledgement (CA, CE or CR), then the
// application's, each if the sender's condition wants it.
func Acknowledge(h Header, a Answer) [][]byte {
	if h.AcceptAck == "" && h.ApplicationAck == "" {
		return [][]byte{h.acknowledgement(a, application(a.Outcome), "")}
	}
	var list [][]byte
	// What is on disk is committed, whatever the application makes of it.
	commit, committed := "CA", true
	switch a.Outcome {
	case Rejected:
		commit, committed = "CR", false
	case Unavailable:
		commit, committed = "CE", false
	}
	if wanted(h.AcceptAck, committed) {
		list = append(list, h.acknowledgement(a, commit, "C"))
	}
	if wanted(h.ApplicationAck, a.Outcome == Accepted) {
		list = append(list, h.acknowledgement(a, application(a.Outcome), ""))
	}
	return list
}

// application is the code of HL7 table 0008 for an outcome in original mode.
func application(o Outcome) string {
	switch o {
	case Accepted:
		return "AA"
	case Failed:
		return "AE"
	}
	return "AR"
}

func wanted(condition string, success bool) bool {
	switch condition {
	case ackOnError:
		return !success
	case ackOnSuccess:
		return success
	case "", ackNever:
		return false
	}
	return true
}

// acknowledgement writes MSH, MSA and ERR, with the delimiters and in the
// character set of the message that it answers.
func (h Header) acknowledgement(a Answer, code, suffix string) []byte {
	d := h.Delimiters
	var b strings.Builder
	segment := func(fields ...string) {
		for len(fields) > 2 && fields[len(fields)-1] == "" {
			fields = fields[:len(fields)-1]
		}
		b.WriteString(strings.Join(fields, string(rune(d.Field))) + "\r")
	}
	kind := "ACK"
	switch {
	case h.Event != "" && h.version() >= 231:
		kind = d.components("ACK", h.Event, "ACK")
	case h.Event != "":
		kind = d.components("ACK", h.Event)
	}
	mode := ""
	if h.AcceptAck != "" || h.ApplicationAck != "" {
		mode = ackNever // Nobody has to acknowledge an acknowledgement.
	}
	segment("MSH", d.characters(), h.ReceivingApplication, h.ReceivingFacility, h.Application, h.Facility,
		a.At.Format("20060102150405-0700"), "", kind, a.ControlID+suffix, cmp.Or(h.Processing, "P"), cmp.Or(h.Version, "2.5.1"),
		"", "", mode, mode, "", h.Charset)
	problem := ""
	// MSA-3 was withdrawn in 2.7, and from 2.5 the ERR segment says it.
	if len(a.Faults) > 0 && h.version() < 250 {
		problem = d.Escaped(a.Faults[0].text())
	}
	segment("MSA", code, h.ControlID, problem)
	switch {
	case len(a.Faults) == 0:
	case h.version() < 250:
		list := make([]string, len(a.Faults))
		for i, f := range a.Faults {
			coded := strings.Join([]string{string(f.Code), words[f.Code], "HL70357"}, d.sub())
			l := f.Location
			list[i] = d.components(l.Segment, number(l.Sequence), number(l.Field), coded)
		}
		if d.Repetition == 0 {
			list = list[:1]
		}
		segment("ERR", strings.Join(list, string(rune(d.Repetition))))
	default:
		for _, f := range a.Faults {
			l := f.Location
			place := strings.TrimRight(d.components(l.Segment, number(l.Sequence), number(l.Field), number(l.Repetition),
				number(l.Component), number(l.Subcomponent)), string(rune(d.Component)))
			segment("ERR", "", place, d.components(string(f.Code), words[f.Code], "HL70357"),
				string(cmp.Or(f.Severity, SeverityError)), "", "", "", d.Escaped(f.text()))
		}
	}
	return []byte(b.String())
}

func (d Delimiters) components(parts ...string) string {
	return strings.Join(parts, string(rune(d.Component)))
}

// sub separates subcomponents, or words where the message has none.
func (d Delimiters) sub() string {
	if d.Subcomponent == 0 {
		return " "
	}
	return string(rune(d.Subcomponent))
}

func number(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

// version is MSH-12 as a number: 231 for 2.3.1. What can't be read counts as new.
func (h Header) version() int {
	parts := strings.Split(h.Version, ".")
	value := 0
	for i := range 3 {
		digit := 0
		if i < len(parts) {
			n, err := strconv.Atoi(parts[i])
			if err != nil || n < 0 || n > 9 {
				return 999
			}
			digit = n
		}
		value = value*10 + digit
	}
	return value
}
