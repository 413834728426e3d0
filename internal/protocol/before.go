package protocol

import (
	"slices"

	"candidacy/internal/journey"
)

// BeforeOperation is what leads from the plan of an operation to its beginning:
// days on which the record says what is lacking, and two checks by two people
// each. Birth date, identifier, both blood types and the side are lines of both
// checks; the protocol adds further ones.
type BeforeOperation struct {
	ReadinessDays []int `yaml:"readiness_days" doc:"days before the planned operation on which the record says what is lacking"`
	// VerificationDays is how old the verification may be on the planned day.
	VerificationDays int         `yaml:"verification_days" doc:"the first check is made within so many days before the operation; 0 or nothing: none is wanted"`
	Verification     []CheckLine `yaml:"verification" doc:"further lines of the first check"`
	LastCheck        []CheckLine `yaml:"last_check" doc:"further lines of the last check before incision"`
	Source           string      `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// CheckLine is one line that each of two people reads back.
type CheckLine struct {
	ID    string `yaml:"id"`
	Title string `yaml:"title"`
	// Compare says what the line is compared with.
	Compare Comparison `yaml:"compare"`
	// From is where it is read.
	From    string `yaml:"from" doc:"where the line is read, such as the signed consent"`
	Source  string `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
	Differs string `yaml:"differs" doc:"where countries or sites differ"`
}

// Comparison is what a line of a check is compared with.
type Comparison string

// The comparisons. CompareAnswer is with nothing on record: the line is answered
// yes, and no is a mismatch.
const (
	CompareBirthDate       Comparison = "birth-date"
	CompareIdentifier      Comparison = "identifier"
	CompareBloodTypeFirst  Comparison = "blood-type-first"
	CompareBloodTypeSecond Comparison = "blood-type-second"
	CompareBloodGroup      Comparison = "blood-group"
	CompareRecipient       Comparison = "recipient"
	CompareRecipientGroup  Comparison = "recipient-blood-group"
	CompareCompatibility   Comparison = "compatibility"
	CompareSide            Comparison = "side"
	CompareArteries        Comparison = "arteries"
	CompareInForce         Comparison = "in-force"
	CompareAnswer          Comparison = "answer"
)

// added are the comparisons of the lines that a protocol adds.
var added = []Comparison{
	CompareBloodGroup, CompareRecipient, CompareRecipientGroup, CompareCompatibility, CompareSide, CompareArteries,
	CompareInForce, CompareAnswer,
}

// recipient are the comparisons that need the recipient's blood group on record.
var recipient = []Comparison{CompareRecipient, CompareRecipientGroup, CompareCompatibility}

// always are the lines that no protocol leaves out.
var always = []CheckLine{
	{ID: string(CompareBirthDate), Compare: CompareBirthDate, Title: "Birth date", From: "the wristband"},
	{ID: string(CompareIdentifier), Compare: CompareIdentifier, Title: "Identifier", From: "the wristband"},
	{ID: string(CompareBloodTypeFirst), Compare: CompareBloodTypeFirst, Title: "Blood type, first sample", From: "the first laboratory report"},
	{ID: string(CompareBloodTypeSecond), Compare: CompareBloodTypeSecond, Title: "Blood type, second sample", From: "the second laboratory report"},
	{ID: string(CompareSide), Compare: CompareSide, Title: "Side", From: "the committee's decision"},
}

// CheckLines are the lines of a check, nil for another kind of command.
func (p *Protocol) CheckLines(kind journey.Kind) []CheckLine {
	switch kind {
	case journey.ConfirmVerification:
		return slices.Concat(always, p.BeforeOperation.Verification)
	case journey.ConfirmLastCheck:
		return slices.Concat(always, p.BeforeOperation.LastCheck)
	default:
		return nil
	}
}

// recipientTyped reports whether a check compares with the recipient.
func (b BeforeOperation) recipientTyped() bool {
	return slices.ContainsFunc(slices.Concat(b.Verification, b.LastCheck), func(l CheckLine) bool {
		return slices.Contains(recipient, l.Compare)
	})
}

func (p *Protocol) checkBeforeOperation(fail func(string, ...any)) {
	b := p.BeforeOperation
	for i, days := range b.ReadinessDays {
		if days < 0 || days > 365 || slices.Contains(b.ReadinessDays[:i], days) {
			fail("before_operation.readiness_days: %d is not accepted; accepted: different days, 0 to 365", days)
		}
	}
	if b.VerificationDays < 0 || b.VerificationDays > 365 {
		fail("before_operation.verification_days: accepted: 0 to 365")
	}
	if len(b.Verification) > 0 && b.VerificationDays == 0 {
		fail("before_operation.verification: lines without verification_days, so that none is made")
	}
	if (len(b.ReadinessDays) > 0 || b.VerificationDays > 0) && b.Source == "" {
		fail("before_operation.source: missing")
	}
	for _, check := range []struct {
		part  string
		lines []CheckLine
	}{{"verification", b.Verification}, {"last_check", b.LastCheck}} {
		for i, l := range check.lines {
			at := "before_operation." + check.part + "." + l.ID
			same := func(o CheckLine) bool { return o.ID == l.ID }
			if !identifier.MatchString(l.ID) || slices.ContainsFunc(check.lines[:i], same) || slices.ContainsFunc(always, same) {
				fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
			}
			if !slices.Contains(added, l.Compare) {
				fail("%s.compare: accepted: %v", at, added)
			}
			if l.Title == "" || l.From == "" || l.Source == "" {
				fail("%s: title, from and source are needed", at)
			}
		}
	}
}
