package hl7

import (
	"fmt"
	"strconv"
	"strings"
)

// Code is an error code of HL7 table 0357.
type Code string

// The codes of table 0357 that are used here.
const (
	SegmentSequence        Code = "100"
	RequiredFieldMissing   Code = "101"
	DataType               Code = "102"
	TableValueNotFound     Code = "103"
	UnsupportedMessage     Code = "200"
	UnsupportedEvent       Code = "201"
	UnsupportedProcessing  Code = "202"
	UnsupportedVersion     Code = "203"
	UnknownKeyIdentifier   Code = "204"
	DuplicateKeyIdentifier Code = "205"
	InternalError          Code = "207"
)

// words are the texts of table 0357.
var words = map[Code]string{
	SegmentSequence: "Segment sequence error", RequiredFieldMissing: "Required field missing", DataType: "Data type error",
	TableValueNotFound: "Table value not found", UnsupportedMessage: "Unsupported message type", UnsupportedEvent: "Unsupported event code",
	UnsupportedProcessing: "Unsupported processing id", UnsupportedVersion: "Unsupported version id",
	UnknownKeyIdentifier: "Unknown key identifier", DuplicateKeyIdentifier: "Duplicate key identifier",
	InternalError: "Application internal error",
}

// Known reports whether the code is one of those.
func (c Code) Known() bool { return words[c] != "" }

// Severity is a code of HL7 table 0516.
type Severity string

// The severities.
const (
	SeverityError   Severity = "E"
	SeverityWarning Severity = "W"
	SeverityInfo    Severity = "I"
)

// Location is a place in a message, by the numbers of the standard. Zero stands
// for no more than what is named before it.
type Location struct {
	Segment string
	// Sequence counts the segments of that name from 1.
	Sequence                                   int
	Field, Repetition, Component, Subcomponent int
}

// String renders the place, such as OBX[2]-5.1 or PID-3[2].4.1.
func (l Location) String() string {
	var b strings.Builder
	b.WriteString(l.Segment)
	if l.Sequence > 1 {
		fmt.Fprintf(&b, "[%d]", l.Sequence)
	}
	if l.Field > 0 {
		fmt.Fprintf(&b, "-%d", l.Field)
	}
	if l.Repetition > 1 {
		fmt.Fprintf(&b, "[%d]", l.Repetition)
	}
	if l.Component > 0 {
		fmt.Fprintf(&b, ".%d", l.Component)
	}
	if l.Subcomponent > 0 {
		fmt.Fprintf(&b, ".%d", l.Subcomponent)
	}
	return b.String()
}

// ParseLocation reads what [Location.String] wrote.
func ParseLocation(text string) (Location, error) {
	segment, rest, _ := strings.Cut(text, "-")
	var l Location
	var err error
	if l.Segment, l.Sequence, err = indexed(segment); err != nil || l.Segment == "" {
		return Location{}, fmt.Errorf("not a place in a message: %q", text)
	}
	if rest == "" {
		return l, nil
	}
	parts := strings.Split(rest, ".")
	field, repetition, err := indexed(parts[0])
	if err == nil {
		l.Field, err = strconv.Atoi(field)
	}
	l.Repetition = repetition
	for i, to := range []*int{&l.Component, &l.Subcomponent} {
		if err == nil && i+1 < len(parts) {
			*to, err = strconv.Atoi(parts[i+1])
		}
	}
	if err != nil || len(parts) > 3 {
		return Location{}, fmt.Errorf("not a place in a message: %q", text)
	}
	return l, nil
}

// indexed takes an index such as [2] off the end; without one it is 1.
func indexed(text string) (name string, index int, err error) {
	name, inside, found := strings.Cut(text, "[")
	if !found {
		return name, 1, nil
	}
	digits, closed := strings.CutSuffix(inside, "]")
	index, err = strconv.Atoi(digits)
	if err != nil || !closed || index < 1 {
		return "", 0, fmt.Errorf("not an index")
	}
	return name, index, nil
}

// Fault is one mistake in a message. Its texts are fixed words: never what was
// sent, which may name somebody.
type Fault struct {
	Location Location
	Code     Code
	// Severity is an error where it is empty.
	Severity Severity
	Problem  string
	Accepted []string
}

// text is the problem with what would be accepted.
func (f Fault) text() string {
	if len(f.Accepted) == 0 {
		return f.Problem
	}
	return f.Problem + "; accepted: " + strings.Join(f.Accepted, ", ")
}

// Error renders the fault in one line.
func (f Fault) Error() string { return f.Location.String() + ": " + f.text() }

// Invalid says what is wrong with a message.
type Invalid struct {
	Faults []Fault
	// Rejected says that the content was not looked at: the message is of a type,
	// a version or a sender that is not taken here.
	Rejected bool
}

// Error lists the faults.
func (i *Invalid) Error() string {
	list := make([]string, len(i.Faults))
	for n, f := range i.Faults {
		list[n] = f.Error()
	}
	return strings.Join(list, "; ")
}
