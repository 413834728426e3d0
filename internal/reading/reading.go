// Package reading says what a reader of a format makes of one message: the
// people whom it is about, by their identifiers, and what is reported of each.
// It holds types only; readers of HL7 v2 and of FHIR fill them, and package
// incoming keeps, matches and carries out.
package reading

import (
	"strings"

	"candidacy/internal/command"
	"candidacy/internal/result"
)

// Reader reads one format. It is pure: the same input gives the same message.
// It never guesses: what a person has to decide is an Issue of the group. The
// error is a *Unreadable.
type Reader interface {
	Read(Input) (Message, error)
}

// Input is one message as it arrived.
type Input struct {
	// Raw are its bytes, unchanged.
	Raw []byte
	// Sender is the id of the sender that the channel found; empty when nobody
	// knows it.
	Sender string
	// Request is what came beside the bytes, such as the method, address and
	// conditions of an HTTP request. Most formats have none.
	Request string
}

// Message is what was understood.
type Message struct {
	// Sent is when the sender made the message, RFC 3339; empty when it does not
	// say. It puts reports of one result in order that don't say when they were
	// issued.
	Sent string
	// Separate says that every result stands alone, to be carried out or not by
	// itself. Otherwise all that is said of a person is carried out or nothing.
	Separate bool
	// Groups are the people, in the order of the message.
	Groups []Group
}

// Group is what a message says of one person.
type Group struct {
	// Place is where the person stands in the message.
	Place string
	// Identifiers are those of the person. Only they find a candidate.
	Identifiers []Identifier
	// Merged are numbers that the sender says are the person's as well, in a message
	// that reports nothing else: from now on they find the same candidate.
	Merged []Identifier
	// Person is what else is said of the person: it is held against the candidate
	// who was found, and never finds one.
	Person Person
	// Orders are the numbers of the orders that the results answer.
	Orders []Order
	// Results are in the order of the message; Places says of each where it stands.
	Results []command.Result
	Places  []string
	// WrongPatient has indexes of results that the sender takes back because they
	// were another person's.
	WrongPatient []int
	// Nothing says that the message reports nothing of the person that is kept on
	// record, as of an order that is only registered.
	Nothing bool
	// Documents are what else the message holds of the person. They go on no record:
	// people read them.
	Documents []Document
	// Issues keep the group from being carried out before a person has decided.
	Issues []Issue
}

// Document is a text, a picture or the like that a message holds or points to.
type Document struct {
	// Place is where it stands, Title what the sender calls it.
	Place, Title string
	// Type is the media type that the sender states; empty when it is none that is
	// known here.
	Type string
	// Data is the document; nil when it stands elsewhere. Pointer says where, in the
	// sender's words: nothing here follows it.
	Data    []byte
	Pointer string
}

// Identifier is a number that an authority gave to a person.
type Identifier struct {
	// System is the URI of the authority; empty when it is not known.
	System string `json:"system,omitempty"`
	Value  string `json:"value"`
	// Authority is what the message calls the authority.
	Authority string `json:"authority,omitempty"`
	// Type is a code of HL7 table 0203, such as MR; empty when it is not said.
	Type string `json:"type,omitempty"`
}

// Person are facts to verify by, as far as the message gives them.
type Person struct {
	Family string `json:"family,omitempty"`
	Given  string `json:"given,omitempty"`
	// BirthDate is YYYY-MM-DD, or shorter where less is known.
	BirthDate string `json:"birth_date,omitempty"`
	// Sex is what the message says: a code of HL7 table 0001 or of FHIR.
	Sex string `json:"sex,omitempty"`
}

// Order are the numbers that both sides gave to one order.
type Order struct {
	Placer       string `json:"placer,omitempty"`
	PlacerSystem string `json:"placer_system,omitempty"`
	Filler       string `json:"filler,omitempty"`
	FillerSystem string `json:"filler_system,omitempty"`
}

// Issue is one thing that can't be understood or that a person has to decide.
// It is in fixed words, and never holds a value or a name.
type Issue struct {
	Kind Kind `json:"kind"`
	// Location is where it stands: a FHIRPath expression, or a segment and field
	// such as "OBX[3]-5.1".
	Location string `json:"location,omitempty"`
	// Code is that of the format's own table: an issue type of FHIR, or HL7 table
	// 0357.
	Code     string   `json:"code,omitempty"`
	Problem  string   `json:"problem"`
	Accepted []string `json:"accepted,omitempty"`
}

// Error renders the issue in one line.
func (i Issue) Error() string {
	text := i.Problem
	if i.Location != "" {
		text = i.Location + ": " + text
	}
	if len(i.Accepted) > 0 {
		text += " (accepted: " + strings.Join(i.Accepted, ", ") + ")"
	}
	return text
}

// Kind classifies an issue for whoever has to deal with it.
type Kind string

// The kinds that a reader finds.
const (
	// NotUnderstood: the form is wrong or something needed is missing.
	NotUnderstood   Kind = "not-understood"
	UnmappedCode    Kind = "unmapped-code"
	UnmappedUnit    Kind = "unmapped-unit"
	UnmappedAnswer  Kind = "unmapped-answer"
	UnreadableValue Kind = "unreadable-value"
	UnknownStatus   Kind = "unknown-status"
	NoTime          Kind = "no-collection-time"
	NoAuthority     Kind = "no-identifier-authority"
	// NotSupported: it is understood, but nothing here can be done with it.
	NotSupported Kind = "not-supported"
)

// The kinds that come up when a message is matched and carried out.
const (
	// ControlReused: the sender gave this control id to another message.
	ControlReused Kind = "control-id-reused"
	// NoCandidate: nobody on record has the identifier.
	NoCandidate Kind = "no-candidate"
	// SeveralCandidates: the identifiers are those of different candidates.
	SeveralCandidates Kind = "several-candidates"
	// IdentifierDiffers: one identifier is the candidate's, and another number of
	// the same authority is not.
	IdentifierDiffers Kind = "identifier-differs"
	NameDiffers       Kind = "name-differs"
	BirthDateDiffers  Kind = "birth-date-differs"
	// OrderDiffers: the order is known, and is another candidate's.
	OrderDiffers Kind = "order-differs"
	// NotNow: the candidate's journey has ended, or takes no results yet.
	NotNow Kind = "not-now"
	// NotAccepted: the protocol doesn't take the value or its unit.
	NotAccepted Kind = "not-accepted"
	// StatusConflict: what is final doesn't become preliminary, and what was
	// taken back doesn't return by itself.
	StatusConflict Kind = "status-conflict"
	// OtherOwner: another candidate's result has the identifier.
	OtherOwner Kind = "result-of-another"
	// WrongPatient: the sender says that it reported another person's result.
	WrongPatient Kind = "wrong-patient"
	// VersionConflict: what is on record is not the version that the sender knows.
	VersionConflict Kind = "version-conflict"
	// NoPrecondition: an update has to say which version it replaces.
	NoPrecondition Kind = "precondition-required"
	// RuleRefused: another rule of the process stands against it.
	RuleRefused Kind = "refused-by-rule"
)

// Unreadable says that a message as a whole can't be understood.
type Unreadable struct {
	// Rejected says that sending the same again can never help: the interface is
	// set up wrongly, as with a type or version of messages that is not taken.
	Rejected bool
	Issues   []Issue
}

// Error names each place and what is wrong there.
func (u *Unreadable) Error() string {
	texts := make([]string, len(u.Issues))
	for i, issue := range u.Issues {
		texts[i] = issue.Error()
	}
	return strings.Join(texts, "; ")
}

// PatientID is the system of an identifier that is the id of a Patient of this
// server, which is what a reference names.
const PatientID = "candidacy:patient"

// Subject is the identifier as it is kept of a candidate.
func (i Identifier) Subject() result.Identifier {
	return result.Identifier{System: i.System, Value: i.Value}
}
