package journey

import (
	"cmp"
	"slices"
)

// ByProtocol is the cause of a change of plan that no fact brought about: the
// requirement is in one version of the protocol and not in the other.
const ByProtocol = "protocol"

// RulesAfter returns the rules that stand after an event: a move brings its own.
func RulesAfter(rules Rules, e Event) Rules {
	if e.Rules != nil {
		return *e.Rules
	}
	return rules
}

// checkMove refuses a move that would change nothing, so that a repeated one
// leaves a single entry.
func checkMove(rules Rules, _ State, c Command) *Refusal {
	switch c.Version {
	case "":
		return invalid("version", "name the version of the protocol to move to")
	case rules.Version:
		return &Refusal{Code: Conflict, Field: "version", Message: "version: the candidate is on protocol version " + c.Version + " already"}
	}
	return nil
}

// move folds a move to another version of the protocol. Deadlines that have
// passed by the new windows fire with it, so that none is left behind.
func move(rules Rules, s State, e Event) State {
	if e.Rules == nil {
		s.Seq, s.AsOf = e.Seq, e.Today
		return s
	}
	s = Rebase(rules, *e.Rules, s, e)
	for _, d := range e.Fired {
		s.fire(*e.Rules, d)
	}
	return s
}

// Rebase puts a candidate's state on other rules. The event holds what the
// results on record mean by them.
//
// What was signed, given or waived stays where the requirement is still there
// and is met by the same kind of evidence, unless the new rules would not have
// taken it: another signer, other results, a flag that the signer did not see.
// Its validity counts anew from the day of collection or signature. A decision
// stays, with its own dates: the committee decided on what it had before it.
func Rebase(old, to Rules, s State, e Event) State {
	before := s
	s = s.clone()
	s.Seq, s.AsOf = e.Seq, e.Today
	if a := e.Assessment; a != nil {
		s.Flags, s.Conditions, s.BloodType = slices.Clone(a.Flags), slices.Clone(a.Conditions), a.BloodType
	}
	changed := s.BloodType != before.BloodType || !slices.Equal(s.Flags, before.Flags)
	s.Requirements = nil
	for _, rule := range to.Requirements {
		b := basis{old: old, rule: rule, event: e}
		b.was, b.known = before.Find(rule.ID)
		b.former, _ = old.Requirement(rule.ID)
		r := s.rebased(before, b)
		changed = changed || rule.Evidence == ByResult && r.Evidence != b.was.Evidence
		s.Requirements = append(s.Requirements, r)
	}
	s.carryImposed(before)
	s.carryDuties(old, to)
	// What two people confirmed no longer stands on the same results.
	if changed && s.Stage.BeforeOperation() {
		s.unconfirm()
	}
	s.rebaseVisits(to, e.Today)
	return s
}

// basis is what the state of one requirement is carried over from.
type basis struct {
	old Rules
	// rule is the new one; former and was are the old rule and its state.
	rule, former RequirementRule
	was          Requirement
	known        bool
	event        Event
}

// rebased is the state of one requirement by the new rules. The flags and
// conditions of s are those of the new rules already.
func (s *State) rebased(before State, b basis) Requirement {
	switch {
	case !s.Stage.BeforeOperation() && b.known:
		// What the operation stood on is no question any more.
		return b.was
	case !s.Stage.BeforeOperation():
		return Requirement{ID: b.rule.ID, Status: NotApplicable}
	case b.rule.Evidence == ByResult:
		return s.rebasedResult(before, b)
	}
	open := s.opened(b)
	if !b.known || b.former.Evidence != b.rule.Evidence {
		if b.rule.Evidence == ByAssignment {
			return s.assigned(before, b, open)
		}
		return open
	}
	r := b.was
	switch r.Status {
	case Waived:
		if b.rule.NoWaiver || b.alone() {
			return open
		}
		return r
	case Met, NotMet, Expired:
		if s.retaken(before, b) {
			return open
		}
		r.ValidUntil = validUntil(b.rule, r.Collected)
		r.Status = Met
		if r.Position == Objects {
			r.Status = NotMet
		}
		if r.ValidUntil != "" && r.ValidUntil.Before(b.event.Today) {
			r.Status = Expired
		}
		return r
	default:
		return open
	}
}

// retaken reports whether a consent or a review has to be given anew, because
// the new rules would not have taken it as it was given.
func (s *State) retaken(before State, b basis) bool {
	switch {
	case b.was.SignedBy == "":
		return true
	case b.rule.Sided && !b.former.Sided:
		return true
	case (b.was.Position == "" || b.was.Position == Supports) && s.unasked(before, b):
		return true
	case b.rule.Evidence == ByReview && b.rule.Signer != b.former.Signer:
		return true
	case b.rule.ByAdvocate && b.was.SignedBy != s.Advocate:
		return true
	case b.rule.Evidence == ByReview && b.was.Position != Objects:
		// The reviewer has not seen a flag that the new rules raise.
		return slices.ContainsFunc(s.FlagsOf(b.rule.ID), func(now Flag) bool {
			return now.Band != Meets && !slices.ContainsFunc(before.FlagsOf(b.rule.ID), func(f Flag) bool {
				return f.ID == now.ID && f.Band == now.Band && f.Absolute == now.Absolute
			})
		})
	}
	return false
}

// unasked reports whether the new rules want a line confirmed that was not
// asked for when the consent or the review was given.
func (s *State) unasked(before State, b basis) bool {
	return slices.ContainsFunc(b.rule.Items, func(item Item) bool {
		if item.Conditional && s.Holds(item.ID) == HoldsNo {
			return false
		}
		return !slices.ContainsFunc(b.former.Items, func(was Item) bool {
			return was.ID == item.ID && !(was.Conditional && before.Holds(was.ID) == HoldsNo)
		})
	})
}

// alone reports whether the new rules want a second signature that the former
// did not ask for.
func (b basis) alone() bool { return b.rule.SecondSignature && !b.former.SecondSignature }

// assigned takes the assignment of the advocate over to a requirement of
// another name: it can't be given again in every stage.
func (s *State) assigned(before State, b basis, open Requirement) Requirement {
	for _, rule := range b.old.Requirements {
		r, _ := before.Find(rule.ID)
		if rule.Evidence != ByAssignment || r.Status != Met || s.Advocate == "" {
			continue
		}
		r.ID, r.ValidUntil = b.rule.ID, validUntil(b.rule, r.Collected)
		if r.ValidUntil != "" && r.ValidUntil.Before(b.event.Today) {
			r.Status = Expired
		}
		return r
	}
	return open
}

// rebasedResult is the state of a requirement that results meet.
func (s *State) rebasedResult(before State, b basis) Requirement {
	r := b.was
	var finding Finding
	if b.event.Assessment != nil {
		i := slices.IndexFunc(b.event.Assessment.Findings, func(f Finding) bool { return f.Requirement == b.rule.ID })
		if i >= 0 {
			finding = b.event.Assessment.Findings[i]
		}
	}
	same := b.known && b.former.Evidence == ByResult && r.Evidence == finding.Evidence &&
		!raised(s.FlagsOf(b.rule.ID), before.FlagsOf(b.rule.ID))
	if same && r.Status == Waived && !b.rule.NoWaiver && !b.alone() {
		return r
	}
	if finding.Evidence == "" {
		return s.opened(b)
	}
	fresh := s.resulted(b.rule, finding.Evidence, finding.Collected, b.event.Today)
	signed := same && b.rule.Signer == b.former.Signer && (r.Status == Met || r.Status == NotMet) &&
		!(r.Status == Met && b.alone() && Worst(s.FlagsOf(b.rule.ID)) == Excludes)
	switch {
	case !signed && !s.applies(&b.rule):
		// Results that nobody asked for are no task.
		return Requirement{ID: b.rule.ID, Status: NotApplicable}
	case !signed && same && r.Status == Expired && fresh.Status == Expired:
		r.ValidUntil = fresh.ValidUntil
		return r
	case !signed:
		if same && b.former.SecondSignature && b.rule.SecondSignature && b.rule.Signer == b.former.Signer {
			fresh.Awaiting = r.Awaiting
		}
		return fresh
	}
	until := fresh.ValidUntil
	if was := r.ValidUntil; was != validUntil(b.former, r.Collected) && (until == "" || was.Before(until)) {
		// They were accepted for a shorter time.
		until = was
	}
	r.Collected, r.ValidUntil = fresh.Collected, until
	if fresh.Status == Expired {
		r.Status = Expired
	}
	return r
}

// raised reports whether a flag stands now that did not stand before in the same
// band: nobody has signed for it.
func raised(now, before []Flag) bool {
	return slices.ContainsFunc(now, func(f Flag) bool { return f.Band != Meets && !slices.Contains(before, f) })
}

// opened is the state of a requirement without anything that meets it.
func (s *State) opened(b basis) Requirement {
	r := Requirement{ID: b.rule.ID, Status: s.unmet(b.rule)}
	waits := func(status Status) bool { return status == Due || status == NotDue }
	switch {
	case b.known && b.was.Evidence == "" && waits(b.was.Status) && waits(r.Status) && b.former.Gate == b.rule.Gate:
		r.Status = b.was.Status
	case r.Status == NotDue && s.Decision != nil && s.Decision.Outcome == Approve:
		// On hold after an approval it is due as well.
		r.Status = Due
	}
	if first := b.was.Awaiting; first != nil && first.Waiver && b.known && b.rule.SecondSignature && !b.rule.NoWaiver {
		r.Awaiting = first
	}
	return r
}

// rebaseVisits gives visits that are still to come their new windows. What is
// settled stays, and so does what is known of the others. A visit whose window
// had closed before the rule came is none.
func (s *State) rebaseVisits(to Rules, today Date) {
	if s.Outcome != Removed || s.Died != "" {
		return
	}
	former := s.Visits
	s.Visits = slices.DeleteFunc(slices.Clone(former), func(v Visit) bool { return !v.Settled() })
	for _, rule := range to.Visits {
		if rule.RepeatsEvery == 0 {
			s.rebaseVisit(to, former, visitOf(rule, s.Operated), today)
			continue
		}
		for _, was := range former {
			if was.Rule == rule.ID && was.Months >= rule.AfterMonths && rule.repeatsAt(was.Months) {
				s.rebaseVisit(to, former, repeatedVisit(rule, s.Operated, was.Months), today)
			}
		}
	}
	s.extend(to, today)
	slices.SortStableFunc(s.Visits, func(a, b Visit) int { return cmp.Compare(a.Target, b.Target) })
}

func (s *State) rebaseVisit(to Rules, former []Visit, v Visit, today Date) {
	is := func(w Visit) bool { return w.ID == v.ID }
	if slices.ContainsFunc(s.Visits, is) {
		return
	}
	i := slices.IndexFunc(former, is)
	if v.Closes.Before(today) && i < 0 {
		return
	}
	v = v.from(to, today)
	if i >= 0 {
		was := former[i]
		v.Contacts, v.Refused, v.Ladder = was.Contacts, was.Refused, max(v.Ladder, was.Ladder)
	}
	if v.Status == VisitMissed && v.Refused != "" {
		v.Reason = ReasonRefused
	}
	s.Visits = append(s.Visits, v)
}
