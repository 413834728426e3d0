package command

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
	"unicode"

	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// Referral is the body of refer. It is the only command that names a person;
// the name goes to the identity table and to no entry.
type Referral struct {
	Given      string            `json:"given"`
	Family     string            `json:"family"`
	BirthDate  journey.Date      `json:"birth_date"`
	Sex        string            `json:"sex"`
	Identifier result.Identifier `json:"identifier"`
	// Path is direct, paired or nondirected.
	Path string `json:"path"`
	// Recipient is an opaque reference to the intended recipient.
	Recipient string `json:"recipient,omitempty"`
	// DistinctFrom are candidates on record who might be the same person and, as
	// whoever refers has found, are not; DistinctReason says why.
	DistinctFrom   []string `json:"distinct_from,omitempty"`
	DistinctReason string   `json:"distinct_reason,omitempty"`
}

// Check implements Body.
func (b *Referral) Check(f *Faults) {
	f.name("given", b.Given)
	f.name("family", b.Family)
	f.date("birth_date", b.BirthDate, true)
	f.oneOf("sex", b.Sex, true, "female", "male", "other", "unknown")
	f.text("identifier.system", b.Identifier.System, true)
	f.text("identifier.value", b.Identifier.Value, true)
	if strings.ContainsAny(b.Identifier.System, " \t\n") {
		f.Add("identifier.system", "not a URI", "an absolute URI without spaces")
	}
	f.oneOf("path", b.Path, true, "direct", "paired", "nondirected")
	switch {
	case b.Path == "direct" && b.Recipient == "":
		f.Add("recipient", "missing: a directed donation has an intended recipient")
	case b.Recipient != "" && !opaque.MatchString(b.Recipient):
		f.Add("recipient", "not an opaque reference", "1 to 40 letters, digits, dots, hyphens")
	}
	f.ids("distinct_from", b.DistinctFrom)
	f.text("distinct_reason", b.DistinctReason, len(b.DistinctFrom) > 0)
	if b.DistinctReason != "" && len(b.DistinctFrom) == 0 {
		f.Add("distinct_reason", "there is nobody whom it is about", "a reason beside distinct_from")
	}
}

func (f *Faults) name(field, value string) {
	const longest = 100
	f.text(field, value, true)
	switch {
	case len(value) > longest:
		f.Add(field, fmt.Sprintf("longer than %d bytes", longest))
	case strings.TrimSpace(value) != "" && !strings.ContainsFunc(value, unicode.IsLetter):
		f.Add(field, "not a name: it has no letter", "a name as it is written in the person's documents")
	}
}

// Code implements Body.
func (b *Referral) Code(*journey.Command) {}

// BeginScreening is the body of begin-screening.
type BeginScreening struct {
	// ContactConsent says that the candidate made contact and wishes to go on.
	ContactConsent bool `json:"contact_consent"`
	// DuplicateChecked says that nobody else on record is the same person.
	DuplicateChecked bool `json:"duplicate_checked"`
}

// Check implements Body.
func (b *BeginScreening) Check(f *Faults) {
	if !b.ContactConsent {
		f.Add("contact_consent", "the candidate's own wish to be contacted is needed", "true")
	}
	if !b.DuplicateChecked {
		f.Add("duplicate_checked", "look for the same person on record first", "true")
	}
}

// Code implements Body.
func (b *BeginScreening) Code(*journey.Command) {}

// AssignAdvocate is the body of assign-advocate.
type AssignAdvocate struct {
	// Advocate is the id of the advocate's account.
	Advocate string `json:"advocate"`
	Reason   string `json:"reason,omitempty"`
}

// Check implements Body.
func (b *AssignAdvocate) Check(f *Faults) {
	f.id("advocate", b.Advocate)
	f.text("reason", b.Reason, false)
}

// Code implements Body.
func (b *AssignAdvocate) Code(c *journey.Command) {
	c.Person, c.Reasoned = coded(b.Advocate), given(b.Reason)
}

func given(text string) bool { return strings.TrimSpace(text) != "" }

// RecordConsent is the body of record-consent.
type RecordConsent struct {
	// Requirement is one consent; Requirements are several given together.
	Requirement  string   `json:"requirement,omitempty"`
	Requirements []string `json:"requirements,omitempty"`
	// Disclosures are what the candidate was told; of those in TeachBack the
	// candidate gave back the meaning in own words.
	Disclosures []string     `json:"disclosures,omitempty"`
	TeachBack   []string     `json:"teach_back,omitempty"`
	Side        journey.Side `json:"side,omitempty"`
	Note        string       `json:"note,omitempty"`
}

// Check implements Body.
func (b *RecordConsent) Check(f *Faults) {
	f.oneOrSeveral(b.Requirement, b.Requirements)
	f.ids("disclosures", b.Disclosures)
	for i, id := range b.TeachBack {
		if !slices.Contains(b.Disclosures, id) {
			f.Add(fmt.Sprintf("teach_back[%d]", i), "not among the disclosures")
		}
	}
	f.side("side", b.Side, false)
	f.text("note", b.Note, false)
}

// oneOrSeveral checks the requirements of a command that is about one or more.
func (f *Faults) oneOrSeveral(one string, several []string) {
	if len(several) == 0 {
		f.id("requirement", one)
		return
	}
	if one != "" {
		f.Add("requirement", "not together with requirements")
	}
	f.ids("requirements", several)
}

// Code implements Body.
func (b *RecordConsent) Code(c *journey.Command) {
	c.Requirement, c.Side = coded(b.Requirement), coded(b.Side)
	c.Requirements, c.Items = codedAll(b.Requirements), codedAll(b.Disclosures)
}

func (f *Faults) side(field string, side journey.Side, required bool) {
	f.oneOf(field, string(side), required, string(journey.Left), string(journey.Right))
}

// SignResults is the body of sign-results.
type SignResults struct {
	Requirements []string        `json:"requirements"`
	Verdict      journey.Verdict `json:"verdict"`
	Reason       string          `json:"reason,omitempty"`
	// Until ends the acceptance before the results expire.
	Until journey.Date `json:"until,omitempty"`
	// Evidence is, for each requirement, the fingerprint of the results that the
	// signer looked at. With it a signature can't fall on results that changed
	// meanwhile.
	Evidence map[string]string `json:"evidence,omitempty"`
}

// Check implements Body.
func (b *SignResults) Check(f *Faults) {
	if len(b.Requirements) == 0 {
		f.Add("requirements", "missing")
	}
	f.ids("requirements", b.Requirements)
	if len(b.Evidence) > 0 {
		for i, id := range b.Requirements {
			if b.Evidence[id] == "" {
				f.Add(fmt.Sprintf("evidence.%s", id), "missing: name the evidence of every requirement or of none")
			} else {
				f.id(fmt.Sprintf("evidence[%d]", i), b.Evidence[id])
			}
		}
	}
	f.oneOf("verdict", string(b.Verdict), true, string(journey.VerdictMet), string(journey.VerdictNotMet))
	f.date("until", b.Until, false)
	f.text("reason", b.Reason, false)
}

// Code implements Body.
func (b *SignResults) Code(c *journey.Command) {
	c.Requirements, c.Verdict, c.Reasoned = codedAll(b.Requirements), coded(b.Verdict), given(b.Reason)
	c.On = codedDate(b.Until)
	if len(b.Evidence) > 0 {
		for _, id := range b.Requirements {
			c.Seen = append(c.Seen, b.Evidence[id])
		}
		c.Seen = codedAll(c.Seen)
	}
}

// RecordReview is the body of record-review.
type RecordReview struct {
	// Requirement is one review; Requirements are several with one position.
	Requirement  string           `json:"requirement,omitempty"`
	Requirements []string         `json:"requirements,omitempty"`
	Position     journey.Position `json:"position"`
	Findings     string           `json:"findings,omitempty"`
	// Duties are those that the advocate has done.
	Duties []string `json:"duties,omitempty"`
	// Structured are findings that the protocol asks for by their codes.
	Structured []ReviewAnswer `json:"structured,omitempty"`
}

// ReviewAnswer is one structured finding of a review: a choice or words.
type ReviewAnswer struct {
	// Requirement is the review that asks for it.
	Requirement string `json:"requirement"`
	Code        string `json:"code"`
	Choice      string `json:"choice,omitempty"`
	Text        string `json:"text,omitempty"`
}

// Check implements Body.
func (b *RecordReview) Check(f *Faults) {
	f.oneOrSeveral(b.Requirement, b.Requirements)
	f.ids("duties", b.Duties)
	const most = 100
	if len(b.Structured) > most {
		f.Add("structured", fmt.Sprintf("more than %d", most))
		return
	}
	for i, a := range b.Structured {
		at := fmt.Sprintf("structured[%d].", i)
		f.id(at+"requirement", a.Requirement)
		f.id(at+"code", a.Code)
		if a.Requirement != b.Requirement && !slices.Contains(b.Requirements, a.Requirement) {
			f.Add(at+"requirement", "not among the reviews given")
		}
		if a.Choice != "" {
			f.id(at+"choice", a.Choice)
		}
		f.text(at+"text", a.Text, false)
		if (a.Choice == "") == !given(a.Text) {
			f.Add(at+"choice", "exactly one is needed", "choice", "text")
		}
		if slices.ContainsFunc(b.Structured[:i], func(o ReviewAnswer) bool { return o.Requirement == a.Requirement && o.Code == a.Code }) {
			f.Add(at+"code", "given twice")
		}
	}
	f.oneOf("position", string(b.Position), true, string(journey.Supports), string(journey.Concerns), string(journey.Objects))
	f.text("findings", b.Findings, false)
}

// Code implements Body.
func (b *RecordReview) Code(c *journey.Command) {
	c.Requirement, c.Position, c.Reasoned = coded(b.Requirement), coded(b.Position), given(b.Findings)
	c.Requirements, c.Items = codedAll(b.Requirements), codedAll(b.Duties)
}

// WaiveRequirement is the body of waive-requirement.
type WaiveRequirement struct {
	Requirement string       `json:"requirement"`
	Until       journey.Date `json:"until"`
	Reason      string       `json:"reason"`
}

// Check implements Body.
func (b *WaiveRequirement) Check(f *Faults) {
	f.id("requirement", b.Requirement)
	f.date("until", b.Until, true)
	f.text("reason", b.Reason, true)
}

// Code implements Body.
func (b *WaiveRequirement) Code(c *journey.Command) {
	c.Requirement, c.On, c.Reasoned = coded(b.Requirement), codedDate(b.Until), given(b.Reason)
}

// RecordDecision is the body of record-decision.
type RecordDecision struct {
	Outcome journey.Outcome `json:"outcome"`
	Side    journey.Side    `json:"side,omitempty"`
	// ReReviewOn is the day a deferral comes back.
	ReReviewOn journey.Date `json:"re_review_on,omitempty"`
	// Seats are the quorum seats present.
	Seats []string `json:"seats"`
	// Reason is kept private.
	Reason string `json:"reason,omitempty"`
	// Conditions are those of an approval.
	Conditions []Condition `json:"conditions,omitempty"`
	// Meeting is the meeting that voted on it, and Seen the number of its last entry
	// about the candidate that whoever records the decision looked at.
	Meeting string `json:"meeting,omitempty"`
	Seen    int64  `json:"seen,omitempty"`
}

// Check implements Body.
func (b *RecordDecision) Check(f *Faults) {
	f.oneOf("outcome", string(b.Outcome), true, string(journey.Approve), string(journey.Defer), string(journey.DeclineCandidate))
	f.side("side", b.Side, b.Outcome == journey.Approve)
	f.date("re_review_on", b.ReReviewOn, b.Outcome == journey.Defer)
	f.ids("seats", b.Seats)
	f.text("reason", b.Reason, b.Outcome != journey.Approve)
	checkConditions(f, b.Conditions)
	if b.Meeting != "" {
		f.id("meeting", b.Meeting)
	}
	if (b.Seen > 0) != (b.Meeting != "") {
		f.Add("seen", "goes with the meeting, as the number of its entry that was seen")
	}
}

// Code implements Body.
func (b *RecordDecision) Code(c *journey.Command) {
	c.Outcome, c.Side, c.On = coded(b.Outcome), coded(b.Side), codedDate(b.ReReviewOn)
	c.Seats, c.Reasoned = codedAll(b.Seats), given(b.Reason)
	c.Meeting, c.Imposes = coded(b.Meeting), impositions(b.Conditions)
}

// Schedule is the body of schedule-operation, which also moves a date.
type Schedule struct {
	Date journey.Date `json:"date"`
	// Approach and Side are those that the theatre is booked for.
	Approach journey.Approach `json:"approach,omitempty"`
	Side     journey.Side     `json:"side,omitempty"`
	// Team are the accounts of those who operate and look after the candidate.
	Team []TeamMember `json:"team,omitempty"`
	Note string       `json:"note,omitempty"`
}

// TeamMember is one person of the team of an operation.
type TeamMember struct {
	Part    string `json:"part"`
	Account string `json:"account"`
}

// TeamParts lists what people do in an operation.
var TeamParts = []string{"surgeon", "assistant", "anaesthetist", "nurse", "coordinator"}

// Check implements Body.
func (b *Schedule) Check(f *Faults) {
	f.date("date", b.Date, true)
	f.approach("approach", b.Approach)
	f.side("side", b.Side, false)
	for i, m := range b.Team {
		f.oneOf(fmt.Sprintf("team[%d].part", i), m.Part, true, TeamParts...)
		f.id(fmt.Sprintf("team[%d].account", i), m.Account)
		if slices.Contains(b.Team[:i], m) {
			f.Add(fmt.Sprintf("team[%d]", i), "given twice")
		}
	}
	f.text("note", b.Note, false)
}

func (f *Faults) approach(field string, approach journey.Approach) {
	f.oneOf(field, string(approach), false, Approaches...)
}

// Code implements Body.
func (b *Schedule) Code(c *journey.Command) {
	c.On, c.Approach, c.Side = codedDate(b.Date), coded(b.Approach), coded(b.Side)
}

// CancelOperation is the body of cancel-operation. All of it is private.
type CancelOperation struct {
	Reason string `json:"reason"`
	// Cause is the kind of reason, for the programme's measures.
	Cause string `json:"cause,omitempty"`
	// Told says how the candidate was told, ToldOn when.
	Told   string       `json:"told,omitempty"`
	ToldOn journey.Date `json:"told_on,omitempty"`
	// Counselling says that it was offered.
	Counselling bool `json:"counselling,omitempty"`
}

// CancellationCauses lists the kinds of reason of a cancellation.
var CancellationCauses = []string{
	"candidate-ill", "candidate-choice", "abnormal-result", "expired-test", "crossmatch", "recipient-ill", "recipient-died",
	"other-kidney", "staff-or-theatre", "logistics", "other",
}

// CancellationTold lists how a candidate is told.
var CancellationTold = []string{"in-person", "by-phone", "not-yet"}

// Check implements Body.
func (b *CancelOperation) Check(f *Faults) {
	f.text("reason", b.Reason, true)
	f.oneOf("cause", b.Cause, false, CancellationCauses...)
	f.oneOf("told", b.Told, false, CancellationTold...)
	f.date("told_on", b.ToldOn, false)
	if b.ToldOn != "" && (b.Told == "" || b.Told == "not-yet") {
		f.Add("told_on", "given, though the candidate is not said to have been told")
	}
}

// Code implements Body.
func (b *CancelOperation) Code(c *journey.Command) { c.Reasoned = given(b.Reason) }

// RecordRecipient is the body of record-recipient: what a check compares with.
// It names nobody.
type RecordRecipient struct {
	// Recipient is the opaque reference to the intended recipient.
	Recipient string `json:"recipient"`
	// Samples are the recipient's blood groups, of two separate draws or more.
	Samples []RecipientSample `json:"samples"`
	// AntiATitre is the reciprocal titre, for a donor with the weak antigen A.
	AntiATitre int `json:"anti_a_titre,omitempty"`
	// Incompatible says that the programme means to donate across the groups, by
	// a protocol of its own.
	Incompatible bool   `json:"incompatible,omitempty"`
	Reason       string `json:"reason,omitempty"`
}

// RecipientSample is the group of one specimen.
type RecipientSample struct {
	Group    string `json:"group"`
	Specimen string `json:"specimen"`
	// Collected is RFC 3339 with its offset.
	Collected string `json:"collected"`
}

// Check implements Body.
func (b *RecordRecipient) Check(f *Faults) {
	if !opaque.MatchString(b.Recipient) {
		f.Add("recipient", "not an opaque reference", "1 to 40 letters, digits, dots, hyphens")
	}
	if len(b.Samples) < 2 {
		f.Add("samples", "two or more samples of separate draws are needed")
	}
	for i, s := range b.Samples {
		at := fmt.Sprintf("samples[%d].", i)
		f.oneOf(at+"group", s.Group, true, "O", "A", "B", "AB")
		f.text(at+"specimen", s.Specimen, true)
		if _, err := time.Parse(time.RFC3339, s.Collected); err != nil {
			f.Add(at+"collected", "not a time", "RFC 3339 with its offset, such as 2026-02-03T08:30:00Z")
		}
	}
	if b.AntiATitre < 0 {
		f.Add("anti_a_titre", "not a titre", "the reciprocal, such as 8 for 1:8")
	}
	f.text("reason", b.Reason, b.Incompatible)
}

// Code implements Body.
func (b *RecordRecipient) Code(c *journey.Command) { c.Reasoned = given(b.Reason) }

// LastCheck is the body of confirm-verification and confirm-last-check: values
// read back from the wristband and the source documents, typed and not ticked.
type LastCheck struct {
	BirthDate       journey.Date `json:"birth_date"`
	Identifier      string       `json:"identifier"`
	BloodTypeFirst  string       `json:"blood_type_first"`
	BloodTypeSecond string       `json:"blood_type_second"`
	Side            journey.Side `json:"side"`
	// Readings are the lines that the protocol adds, by their ids.
	Readings map[string]string `json:"readings,omitempty"`
}

// Check implements Body.
func (b *LastCheck) Check(f *Faults) {
	for _, id := range slices.Sorted(maps.Keys(b.Readings)) {
		f.id("readings", id)
		f.text("readings."+id, b.Readings[id], true)
	}
	f.date("birth_date", b.BirthDate, true)
	f.text("identifier", b.Identifier, true)
	f.text("blood_type_first", b.BloodTypeFirst, true)
	f.text("blood_type_second", b.BloodTypeSecond, true)
	f.side("side", b.Side, true)
}

// Code implements Body.
func (b *LastCheck) Code(*journey.Command) {}

// Plain is the body of a command that needs nothing but may carry a note.
type Plain struct {
	Note string `json:"note,omitempty"`
}

// Check implements Body.
func (b *Plain) Check(f *Faults) { f.text("note", b.Note, false) }

// Code implements Body.
func (b *Plain) Code(*journey.Command) {}

// Reasoned is the body of a command that needs a reason.
type Reasoned struct {
	Reason string `json:"reason"`
}

// Check implements Body.
func (b *Reasoned) Check(f *Faults) { f.text("reason", b.Reason, true) }

// Code implements Body.
func (b *Reasoned) Code(c *journey.Command) { c.Reasoned = given(b.Reason) }
