package journey

import "slices"

// Duty is one duty of the advocate that was done: a line of the checklist of their
// review, ticked at the time.
type Duty struct {
	ID string `json:"id"`
	// By is the advocate, and On the day on which it was done.
	By string `json:"by"`
	On Date   `json:"on"`
}

// Duty returns a duty that was done.
func (s State) Duty(id string) (Duty, bool) {
	i := slices.IndexFunc(s.Duties, func(d Duty) bool { return d.ID == id })
	if i < 0 {
		return Duty{}, false
	}
	return s.Duties[i], true
}

// DutyDone reports whether a line of the advocate's checklist counts as done on a day:
// the candidate's present advocate did it, no longer ago than the review that it
// belongs to would be valid.
func DutyDone(rules Rules, s State, requirement, id string, today Date) bool {
	rule, ok := rules.With(s.Imposed).Requirement(requirement)
	return ok && s.dutyDone(rule, id, today)
}

func (s State) dutyDone(rule RequirementRule, id string, today Date) bool {
	d, ok := s.Duty(id)
	if !ok || !rule.ByAdvocate || d.By != s.Advocate {
		return false
	}
	until := validUntil(rule, d.On)
	return until == "" || !until.Before(today)
}

// ofAdvocate reports whether an item is on the checklist of a review by the advocate.
func ofAdvocate(rules Rules, id string) bool {
	return slices.ContainsFunc(rules.Requirements, func(rule RequirementRule) bool {
		return rule.ByAdvocate && slices.ContainsFunc(rule.Items, func(item Item) bool { return item.ID == id })
	})
}

func checkDuties(rules Rules, s State, c Command) *Refusal {
	switch {
	case s.Advocate != c.Actor:
		return &Refusal{Code: Forbidden, Message: "the duties are confirmed by the candidate's own advocate"}
	case len(c.Items) == 0:
		return invalid("duties", "name at least one duty")
	case c.Verdict != VerdictMet && c.Verdict != VerdictNotMet:
		return invalid("verdict", "not a verdict", string(VerdictMet), string(VerdictNotMet))
	case c.Verdict == VerdictMet && c.Today.Before(c.On):
		return invalid("on", "the day on which it was done is not ahead")
	case c.Verdict == VerdictNotMet && !c.Reasoned:
		return invalid("reason", "say why it is taken back")
	}
	for _, id := range c.Items {
		if !ofAdvocate(rules, id) {
			return invalid("duties", "the protocol has no such duty of the advocate")
		}
		if _, done := s.Duty(id); !done && c.Verdict == VerdictNotMet {
			return blocked(c.Kind, []Reason{{"duty-done", "", id + " is not confirmed, so there is nothing to take back"}})
		}
	}
	return nil
}

// confirmDuties keeps the newest day of each duty, or takes it back.
func (s *State) confirmDuties(e Event) {
	for _, id := range e.Items {
		s.Duties = slices.DeleteFunc(s.Duties, func(d Duty) bool { return d.ID == id })
		if e.Verdict == VerdictMet {
			on := e.On
			if on == "" {
				on = e.Today
			}
			s.Duties = append(s.Duties, Duty{ID: id, By: e.Actor, On: on})
		}
	}
}

// carryDuties leaves out what the rules before or after a move do not know as a duty.
func (s *State) carryDuties(old, to Rules) {
	s.Duties = slices.DeleteFunc(slices.Clone(s.Duties), func(d Duty) bool { return !ofAdvocate(old, d.ID) || !ofAdvocate(to, d.ID) })
	if len(s.Duties) == 0 {
		s.Duties = nil
	}
}
