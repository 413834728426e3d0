package journey

import (
	"cmp"
	"fmt"
	"slices"
)

// checkRecord checks how an operation ended. Which side was removed is never
// refused for differing from the plan: what happened has to go on record.
func checkRecord(_ Rules, _ State, c Command) *Refusal {
	switch {
	case c.Outcome != Removed && c.Outcome != StoppedNotRemoved:
		return invalid("outcome", "say how the operation ended", string(Removed), string(StoppedNotRemoved))
	case c.Outcome == Removed && !validSide(c.Side):
		return invalid("side", "name the side that was removed", string(Left), string(Right))
	case c.Outcome == StoppedNotRemoved && c.Fate != "":
		return invalid("kidney.fate", "no kidney was removed, so it has no fate")
	case c.Fate != "" && !slices.Contains(Fates, c.Fate):
		return invalid("kidney.fate", "not a fate of a kidney", Words(Fates)...)
	}
	return nil
}

// checkAmendment wants a reason: what is on record stays there, and the new
// entry says why another stands in its place.
func checkAmendment(rules Rules, s State, c Command) *Refusal {
	if !c.Reasoned {
		return invalid("reason", "an amendment needs a reason")
	}
	return checkRecord(rules, s, c)
}

// checkComplication wants a day between the operation and today.
func checkComplication(_ Rules, s State, c Command) *Refusal {
	switch {
	case c.On == "":
		return invalid("on", "name the day of the complication")
	case c.On.Before(s.Operated):
		return invalid("on", fmt.Sprintf("before the day of the operation, %s", s.Operated))
	case c.Today.Before(c.On):
		return invalid("on", "in the future")
	}
	return nil
}

// reoperate takes over what an amendment says of the outcome. A kidney that
// turns out to have been removed owes the follow-up of any other; visits that
// were recorded stay in either case.
func (s *State) reoperate(rules Rules, e Event) {
	if s.Outcome == e.Outcome {
		return
	}
	s.Outcome = e.Outcome
	s.Visits = slices.DeleteFunc(s.Visits, func(v Visit) bool { return !v.Settled() })
	if e.Outcome != Removed {
		return
	}
	s.oweVisits(rules, e.Today)
}

// oweVisits adds the visits of a donor that are not there yet. One who died owes
// none.
func (s *State) oweVisits(rules Rules, today Date) {
	for _, rule := range rules.Visits {
		if rule.RepeatsEvery != 0 || slices.ContainsFunc(s.Visits, func(v Visit) bool { return v.ID == rule.ID }) {
			continue
		}
		visit := visitOf(rule, s.Operated)
		if s.Died != "" {
			visit.Status = VisitNotOwed
		}
		s.Visits = append(s.Visits, visit)
	}
	s.extend(rules, today)
	slices.SortStableFunc(s.Visits, func(a, b Visit) int { return cmp.Compare(a.Target, b.Target) })
}
