package journey

import (
	"cmp"
	"fmt"
	"slices"
)

// LadderStep is one step of the ladder of contacts of a follow-up visit, counted
// in days from its target. No two steps are on one day.
type LadderStep struct {
	ID   string `json:"id"`
	Days int    `json:"days"`
}

// LostRule says when a donor counts as lost to follow-up.
type LostRule struct {
	// Visits is how many visits in a row went by without contact; 0 means that
	// nobody counts as lost.
	Visits int `json:"visits,omitempty"`
	// Contact lists the outcomes of an attempt that are contact.
	Contact []Outcome `json:"contact,omitempty"`
}

// Contact is one attempt to reach the donor, in codes. What was said is in the
// record store.
type Contact struct {
	On      Date    `json:"on"`
	Channel Channel `json:"channel"`
	Outcome Outcome `json:"outcome"`
}

// Channel is the way in which somebody was contacted.
type Channel string

// Channels lists the ways of contact.
var Channels = []Channel{"letter", "message", "call", "backup-contact", "family-doctor", "home-kit", "in-person"}

// ContactOutcomes lists what may come of an attempt.
var ContactOutcomes = []Outcome{Reached, NoAnswer, WrongAddress, ContactRefused, ContactMoved, FamilyDoctorAnswered}

// VisitReason says why a visit did not take place.
type VisitReason string

// The reasons. Source: the codes asked for when a window closes, requirements 8.5.
const (
	ReasonMoved    VisitReason = "moved"
	ReasonRefused  VisitReason = "refused"
	ReasonNoAnswer VisitReason = "no-answer"
	ReasonDied     VisitReason = "died"
	ReasonAbroad   VisitReason = "abroad"
)

// VisitReasons lists them.
var VisitReasons = []VisitReason{ReasonMoved, ReasonRefused, ReasonNoAnswer, ReasonDied, ReasonAbroad}

// RuleID is the id of the rule that the visit follows. A repeated visit has one
// of its own beside it.
func (v Visit) RuleID() string { return cmp.Or(v.Rule, v.ID) }

// Repeats reports whether the visit is one of a row that goes on.
func (v Visit) Repeats() bool { return v.Rule != "" }

// Seen reports whether the visit took place.
func (v Visit) Seen() bool { return v.Status == VisitDone || v.Status == VisitDoneLate }

// RepeatedID is the id of the repetition of a visit so many months after the
// operation.
func RepeatedID(rule string, months int) string { return fmt.Sprintf("%s-m%d", rule, months) }

// StepSubject is the subject of the deadline of a step.
func StepSubject(visit, step string) string { return visit + "/" + step }

// LadderOf lists the steps that stand for a visit: none once it is settled or was
// refused, and a single offer where the donor's last word was a refusal.
func (s State) LadderOf(rules Rules, v Visit) []LadderStep {
	if v.Settled() || v.Refused != "" || v.InRecovery || s.Died != "" {
		return nil
	}
	if s.refuses() {
		return rules.Ladder[:min(1, len(rules.Ladder))]
	}
	return rules.Ladder
}

// refuses reports whether the donor's last word, in a contact or by coming to a
// visit, was a refusal.
func (s State) refuses() bool {
	var last Date
	refused := false
	hear := func(on Date, no bool) {
		if !on.Before(last) {
			last, refused = on, no
		}
	}
	for _, v := range s.Visits {
		for _, c := range v.Contacts {
			if c.Outcome == ContactRefused || c.Outcome == Reached {
				hear(c.On, c.Outcome == ContactRefused)
			}
		}
		switch {
		case v.Seen():
			hear(v.On, false)
		case v.Reason == ReasonRefused && v.On != "":
			hear(v.On, true)
		}
	}
	return refused
}

// Lost returns the visit with which the donor became lost to follow-up, and
// whether they are. It follows from the visits: any later contact finds them.
func (s State) Lost(rules Rules) (Visit, bool) {
	if rules.Lost.Visits == 0 || s.Died != "" {
		return Visit{}, false
	}
	var since Visit
	silent := 0
	for _, v := range s.Visits {
		switch {
		case v.heard(rules.Lost):
			silent = 0
		case v.Settled() && !v.InRecovery:
			if silent++; silent == rules.Lost.Visits {
				since = v
			}
		}
	}
	return since, silent >= rules.Lost.Visits
}

// heard reports whether there was contact with or about the donor.
func (v Visit) heard(rule LostRule) bool {
	return v.Seen() || v.Reason == ReasonRefused || slices.ContainsFunc(v.Contacts, func(c Contact) bool {
		return slices.Contains(rule.Contact, c.Outcome)
	})
}

// ladder lists the deadlines of the steps of all visits.
func (s State) ladder(rules Rules) []Deadline {
	if len(rules.Ladder) == 0 || s.Operated == "" {
		return nil
	}
	var list []Deadline
	for _, v := range s.Visits {
		for _, step := range s.LadderOf(rules, v) {
			// A step after the window is none: the visit is missed by then.
			if on := v.Target.AddDays(step.Days); max(v.Ladder, s.Operated).Before(on) && !v.Closes.Before(on) {
				list = append(list, Deadline{Kind: ContactDue, Subject: StepSubject(v.ID, step.ID), On: on})
			}
		}
	}
	return list
}

// climb notes that the steps up to the day of a deadline have passed.
func (s *State) climb(rules Rules, d Deadline) {
	for i := range s.Visits {
		for _, step := range rules.Ladder {
			if v := &s.Visits[i]; StepSubject(v.ID, step.ID) == d.Subject && v.Ladder.Before(d.On) {
				v.Ladder = d.On
			}
		}
	}
}

// passOver leaves out the steps up to a day that did not stand on their own day,
// as after a refusal: they are not made up for.
func (v *Visit) passOver(rules Rules, until Date) {
	for _, step := range rules.Ladder {
		if on := v.Target.AddDays(step.Days); !v.Settled() && !v.InRecovery && !until.Before(on) {
			v.Ladder = max(v.Ladder, on)
		}
	}
}

func (s *State) passOver(rules Rules, until Date) {
	for i := range s.Visits {
		s.Visits[i].passOver(rules, until)
	}
}

// extend adds the next visit of each row once nothing else is to come. Windows
// that closed before the day are passed over.
func (s *State) extend(rules Rules, today Date) {
	if s.Outcome != Removed || s.Died != "" || s.Stage.Ended() ||
		slices.ContainsFunc(s.Visits, func(v Visit) bool { return !v.Settled() }) {
		return
	}
	for _, rule := range rules.Visits {
		if rule.RepeatsEvery <= 0 {
			continue
		}
		for months := rule.AfterMonths; rule.repeatsAt(months); months += rule.RepeatsEvery {
			v := repeatedVisit(rule, s.Operated, months)
			if v.Closes == "" {
				break // past the end of the calendar
			}
			if v.Closes.Before(today) || slices.ContainsFunc(s.Visits, func(w Visit) bool { return w.ID == v.ID }) {
				continue
			}
			s.Visits = append(s.Visits, v.from(rules, today))
			break
		}
	}
}

// longestMonths bounds a row of visits for life: nobody is followed for longer.
const longestMonths = 120 * 12

func (rule VisitRule) repeatsAt(months int) bool {
	return months <= longestMonths && (rule.RepeatsUntil == 0 || months <= 12*rule.RepeatsUntil)
}

func repeatedVisit(rule VisitRule, operated Date, months int) Visit {
	id := rule.ID
	rule.AfterMonths = months
	v := visitOf(rule, operated)
	v.ID, v.Rule, v.Months = RepeatedID(id, months), id, months
	return v
}

// from is a visit that comes into being on a day, with the status of that day;
// steps of the ladder before it are not made up for.
func (v Visit) from(rules Rules, today Date) Visit {
	v.Status = v.statusOn(today)
	v.passOver(rules, today.AddDays(-1))
	return v
}

// visit records how a visit went. Whether it was in time is judged by its own
// day, and not by that of the entry.
func (s *State) visit(rules Rules, e Event) {
	day := cmp.Or(e.On, e.Today)
	for i := range s.Visits {
		v := &s.Visits[i]
		if v.ID != e.Visit {
			continue
		}
		v.On, v.Reason = day, e.ReasonCode
		switch {
		case e.Outcome == NotReached && v.Status == VisitMissed:
		case e.Outcome == NotReached:
			v.Status = VisitNotReached
		case v.Closes.Before(day):
			v.Status = VisitDoneLate
		default:
			v.Status = VisitDone
		}
	}
	switch {
	case e.ReasonCode == ReasonDied && !s.deathReported():
		s.die(day)
	case e.Outcome == Seen && s.Died != "" && s.Died.Before(day):
		s.revive(rules, e.Today)
	}
	s.passOver(rules, e.Today)
	s.extend(rules, e.Today)
}

// revive takes back a death that was recorded by mistake: the windows stand where
// they would without it, also that of the visit it was recorded with.
func (s *State) revive(rules Rules, today Date) {
	s.Died = ""
	for i := range s.Visits {
		v := &s.Visits[i]
		if v.Status == VisitNotOwed || v.Reason == ReasonDied {
			v.Status, v.On, v.Reason = v.statusOn(today), "", ""
			v.passOver(rules, today.AddDays(-1))
		}
	}
}

// contact keeps an attempt. A refusal stands for the rest of that visit, until
// the donor is reached after all.
func (s *State) contact(rules Rules, e Event) {
	for i := range s.Visits {
		v := &s.Visits[i]
		if v.ID != e.Visit {
			continue
		}
		on := cmp.Or(e.On, e.Today)
		v.Contacts = append(slices.Clone(v.Contacts), Contact{On: on, Channel: e.Channel, Outcome: e.Outcome})
		v.Refused = v.refusal()
	}
	s.passOver(rules, e.Today)
}

// refusal is the day on which the donor refused the visit, unless they were
// reached after it. An attempt may be entered after a later one.
func (v Visit) refusal() Date {
	var last Contact
	for _, c := range v.Contacts {
		if (c.Outcome == ContactRefused || c.Outcome == Reached) && !c.On.Before(last.On) {
			last = c
		}
	}
	if last.Outcome != ContactRefused {
		return ""
	}
	return last.On
}

// findVisit returns the visit that a command names.
func findVisit(s State, c Command) (Visit, *Refusal) {
	i := slices.IndexFunc(s.Visits, func(v Visit) bool { return v.ID == c.Visit })
	if i >= 0 {
		return s.Visits[i], nil
	}
	var accepted []string
	for _, v := range s.Visits {
		accepted = append(accepted, v.ID)
	}
	return Visit{}, invalid("visit", "no such visit", accepted...)
}

// dayOf checks the day that a command of follow-up is about.
func dayOf(s State, c Command) (Date, *Refusal) {
	day := cmp.Or(c.On, c.Today)
	switch {
	case c.Today.Before(day):
		return "", invalid("on", "the day is not after today")
	case day.Before(s.Operated):
		return "", invalid("on", "the day is not before the operation")
	}
	return day, nil
}

func checkVisit(_ Rules, s State, c Command) *Refusal {
	visit, refusal := findVisit(s, c)
	if refusal != nil {
		return refusal
	}
	if c.Outcome != Seen && c.Outcome != NotReached {
		return invalid("outcome", "say how the visit went", string(Seen), string(NotReached))
	}
	if c.ReasonCode != "" && (c.Outcome != NotReached || !slices.Contains(VisitReasons, c.ReasonCode)) {
		return invalid("reason_code", "a reason goes with the outcome not-reached", Words(VisitReasons)...)
	}
	day, refusal := dayOf(s, c)
	switch {
	case refusal != nil:
		return refusal
	case (visit.Status == VisitNotOwed || c.Outcome == Seen && s.Died.Before(day)) && s.deathReported():
		return blocked(c.Kind, []Reason{{"visit-owed", "", visit.ID + " is not owed any more"}})
	case visit.Seen():
		return blocked(c.Kind, []Reason{{"visit-done", "", visit.ID + " is already recorded"}})
	case c.ReasonCode == ReasonDied:
		// A death is known when it is known, whatever window is open.
		return nil
	case day.Before(visit.Opens):
		return blocked(c.Kind, []Reason{{"visit-open", "", fmt.Sprintf("the window of %s opens on %s", visit.ID, visit.Opens)}})
	case visit.Status == VisitMissed && c.Outcome == NotReached && c.ReasonCode == "":
		return blocked(c.Kind, []Reason{{"visit-missed", "", "the window of " + visit.ID + " has closed: name the reason"}})
	}
	return nil
}

func checkContact(_ Rules, s State, c Command) *Refusal {
	visit, refusal := findVisit(s, c)
	if refusal != nil {
		return refusal
	}
	if !slices.Contains(Channels, c.Channel) {
		return invalid("channel", "say in which way", Words(Channels)...)
	}
	if !slices.Contains(ContactOutcomes, c.Outcome) {
		return invalid("outcome", "say what came of it", Words(ContactOutcomes)...)
	}
	if _, refusal := dayOf(s, c); refusal != nil {
		return refusal
	}
	if visit.Seen() {
		return blocked(c.Kind, []Reason{{"visit-done", "", visit.ID + " is already recorded"}})
	}
	// Whoever is contacted between two windows is asked about the next visit.
	if i := slices.IndexFunc(s.Visits, func(v Visit) bool { return !v.Settled() }); visit.Status == VisitAhead && s.Visits[i].ID != visit.ID {
		return blocked(c.Kind, []Reason{{"visit-next", "", s.Visits[i].ID + " comes first"}})
	}
	return nil
}
