package api

import (
	"slices"
	"strings"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// Reader is who looks at a candidate. What is kept from a reader is decided by
// its methods alone, for the API and for the pages alike.
type Reader struct {
	ID   string
	Role journey.Role
	// Emergency says that the reader, of the care team, has the candidate open in an
	// emergency: what was told in confidence is not kept from them then.
	Emergency bool
}

// readerOf is the reader that a token speaks for.
func readerOf(b record.Bearer) Reader { return Reader{ID: b.Actor, Role: b.Role} }

var (
	// careTeam may read the words that those who look after a candidate write to
	// each other.
	careTeam = []journey.Role{journey.Coordinator, journey.Clinician, journey.Advocate, journey.CommitteeRole}
	// confidants may read private words as well: a candidate must be able to
	// speak freely, and those who judge must be able to say why.
	confidants = []journey.Role{journey.Clinician, journey.Advocate, journey.CommitteeRole}
	// withdrawalKeepers may read what was noted when a candidate stopped.
	withdrawalKeepers = []journey.Role{journey.Coordinator, journey.Advocate}

	// seesGroups may read the recipient's blood group, which they compare with.
	seesGroups = []journey.Role{journey.Coordinator, journey.Clinician}

	privateReasons = []journey.Kind{journey.AssignAdvocate, journey.RecordDecision, journey.CancelOperation, journey.Decline, journey.Hold, journey.ConfirmDuties}
	guardedDomains = []string{"psychosocial", "advocate"}
	freeText       = []string{"reason", "note", "findings"}
)

// SeesName reports whether the reader may see who a candidate is. Quality work
// needs the facts and not the person.
func (r Reader) SeesName() bool { return slices.Contains(careTeam, r.Role) }

// SeesRecipient reports whether the reader may see the recipient's reference.
func (r Reader) SeesRecipient() bool { return r.Role == journey.Coordinator }

// ReadsCare reports whether the reader may read the care team's words.
func (r Reader) ReadsCare() bool { return slices.Contains(careTeam, r.Role) }

// readsPrivate reports whether the reader may read the private words of the
// author, who may always read their own.
func (r Reader) readsPrivate(author string) bool {
	return r.confidant() || r.ReadsCare() && r.ID != "" && r.ID == author
}

// ReadsPrivate reports whether the reader may read the private words of the
// author.
func (r Reader) ReadsPrivate(author string) bool { return r.readsPrivate(author) }

// Withheld lists the members of an entry's body that hold words, or a position,
// that are not for the reader. The requirements are those that the entry is
// about.
func (r Reader) Withheld(p *protocol.Protocol, kind journey.Kind, author string, requirements ...string) []string {
	var list []string
	if !r.ReadsCare() {
		list = append(list, freeText...)
		list = append(list, "medicines", "percent", "model") // as they were written
		list = append(list, "conditions", "question", "answer", "words", "votes", "structured", "place", "with", "instructions")
	}
	switch {
	case kind == journey.RecordReview && r.hidesReviews(p, requirements, author):
		list = append(list, "position", "findings", "structured")
	case kind == journey.RecordReview && r.hidesFindings(p, requirements, author):
		list = append(list, "structured")
	case (kind == journey.AskToStop || kind == journey.SettleStopWish) && !slices.Contains(withdrawalKeepers, r.Role):
		list = append(list, "words", "reason")
	case kind == journey.Withdraw && !slices.Contains(withdrawalKeepers, r.Role):
		list = append(list, "note", "reason", "witness")
	case slices.Contains(privateReasons, kind) && !r.readsPrivate(author):
		list = append(list, "reason", "cause", "votes")
	case kind == journey.RecordWords && !r.readsPrivate(author):
		list = append(list, "words")
	case kind == journey.RecordRecipient && !slices.Contains(seesGroups, r.Role):
		list = append(list, "recipient", "samples", "anti_a_titre", "incompatible", "reason")
	case kind == journey.RecordRecipient && !r.SeesRecipient():
		list = append(list, "recipient")
	case kind == journey.SignResults && r.hidesVerdict(p, requirements, author):
		list = append(list, "verdict", "reason", "evidence", "until")
	case kind == journey.WaiveRequirement && r.hidesVerdict(p, requirements, author):
		list = append(list, "reason")
	}
	return list
}

// hidesFindings reports whether a review has structured findings that are told in
// confidence and not for the reader: then all of them are kept, since which are
// missing would tell.
func (r Reader) hidesFindings(p *protocol.Protocol, requirements []string, author string) bool {
	return !r.readsPrivate(author) && slices.ContainsFunc(requirements, func(id string) bool {
		form, ok := p.ReviewForm(id)
		return ok && form.Confidential()
	})
}

// hidesReview reports whether the reader may not see what the review of a
// requirement came to.
func (r Reader) hidesReview(p *protocol.Protocol, requirement, author string) bool {
	return guarded(p, requirement) && !r.readsPrivate(author)
}

// hidesReviews is hidesReview of any of the requirements of one entry. An entry
// that names none is hidden.
func (r Reader) hidesReviews(p *protocol.Protocol, requirements []string, author string) bool {
	return len(requirements) == 0 && !r.readsPrivate(author) ||
		slices.ContainsFunc(requirements, func(id string) bool { return r.hidesReview(p, id, author) })
}

// guarded reports whether a review is the psychosocial evaluator's or the
// advocate's. One that the protocol does not know is taken for guarded.
func guarded(p *protocol.Protocol, requirement string) bool {
	rule, known := p.Find(requirement)
	return !known || rule.Evidence == journey.ByReview && (rule.ByAdvocate || slices.Contains(guardedDomains, rule.Domain))
}

// Requirement is the state of a requirement as the reader may see it: without a
// position that is kept from them, and without the status that would tell it, or
// would tell of a confidential result. The last value says that the status was
// replaced.
func (r Reader) Requirement(p *protocol.Protocol, state journey.Requirement) (journey.Requirement, bool) {
	if r.HidesFinding(p, state.ID) {
		return unjudged(state)
	}
	if !r.hidesReview(p, state.ID, state.SignedBy) {
		return state, false
	}
	state.Position = ""
	if state.Status != journey.NotMet {
		return state, false
	}
	state.Status = journey.NeedsReview
	return state, true
}

// unjudged is a requirement without what was found. A result that waits for a
// signature, one with a flag, and one that is not met look the same.
func unjudged(state journey.Requirement) (journey.Requirement, bool) {
	state.Evidence = ""
	if state.Awaiting != nil && !state.Awaiting.Waiver {
		state.Awaiting = nil // only an exclusion asks for two signatures
	}
	switch state.Status {
	case journey.Resulted, journey.NeedsReview, journey.NotMet:
		state.Status, state.SignedBy, state.SignedOn, state.ValidUntil = journey.NeedsReview, "", "", ""
		return state, true
	default:
		return state, false
	}
}

// BasisRequirement is Requirement for one that a decision stood on.
func (r Reader) BasisRequirement(p *protocol.Protocol, b activities.BasisRequirement) (activities.BasisRequirement, bool) {
	seen, replaced := r.Requirement(p, journey.Requirement{
		ID: b.ID, Status: b.Status, SignedBy: b.SignedBy, SignedOn: b.SignedOn, ValidUntil: b.ValidUntil, Position: b.Position, Awaiting: b.Awaiting,
	})
	b.Status, b.Position, b.Awaiting = seen.Status, seen.Position, seen.Awaiting
	b.SignedBy, b.SignedOn, b.ValidUntil = seen.SignedBy, seen.SignedOn, seen.ValidUntil
	return b, replaced
}

// ByClinicians is said of a requirement whose status is kept from the reader.
const ByClinicians = "needs attention by the clinicians"

// Refusal is a refusal as the reader may see it.
func (r Reader) Refusal(p *protocol.Protocol, state journey.State, refusal *journey.Refusal) *journey.Refusal {
	shown := *refusal
	shown.Reasons = nil
	for _, reason := range refusal.Reasons {
		reason = r.reason(p, state, reason)
		if !slices.Contains(shown.Reasons, reason) {
			shown.Reasons = append(shown.Reasons, reason)
		}
	}
	return &shown
}

// reason is one reason of a refusal as the reader may see it. Those of flags that
// are kept from the reader are all the same.
func (r Reader) reason(p *protocol.Protocol, state journey.State, reason journey.Reason) journey.Reason {
	flag, _, _ := strings.Cut(reason.Message, " ")
	if flagRules[reason.Rule] && hasFlag(p, flag) && r.hidesFlag(p, flag) {
		return journey.Reason{Rule: reason.Rule, Message: "a finding " + ByClinicians}
	}
	if requirement, ok := state.Find(reason.Requirement); ok {
		if _, replaced := r.Requirement(p, requirement); replaced {
			reason.Message = reason.Requirement + " " + ByClinicians
		}
	}
	return reason
}

// flagRules are the rules of a refusal whose reasons begin with the id of a flag.
var flagRules = map[string]bool{"absolute-exclusion": true, "flag-reviewed": true}
