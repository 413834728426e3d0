// Package followup says of donors what is on record of each follow-up visit, how
// complete the forms of the programme are, and how the remaining kidney does. It
// is pure: everything follows from the protocol, the state, the results and a day.
package followup

import (
	"cmp"
	"slices"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// Set is one form of a visit.
type Set string

// The sets. The first two are measured apart, as the policy does (OPTN policy
// 18.5, from memory); the third is asked for and not counted.
const (
	Clinical   Set = "clinical"
	Laboratory Set = "laboratory"
	Further    Set = "further"
)

// Item is one thing that a visit asks for.
type Item struct {
	Title string
	// Code is the first observation that answers it.
	Code string
	// On is the day of the newest answer in the window, empty without one.
	On journey.Date
}

// Form is one set of a visit.
type Form struct {
	Set   Set
	Items []Item
	// Excused says that the donor died before the window closed: a death that is
	// reported makes the forms complete from then on.
	Excused bool
}

// Complete reports whether every item is on record. Some of them is not.
func (f Form) Complete() bool { return f.Excused || len(f.Missing()) == 0 }

// Missing lists the items without an answer.
func (f Form) Missing() []Item {
	return slices.DeleteFunc(slices.Clone(f.Items), func(i Item) bool { return i.On != "" })
}

// Visit is a visit with what is on record of it.
type Visit struct {
	journey.Visit
	Title string
	Rule  protocol.Visit
	Forms []Form
	// Late says that the target has passed and the visit or a counted form is
	// missing as of the day.
	Late bool
	// owed says that something is missing and still expected.
	owed bool
}

func (v Visit) late(today journey.Date) bool { return v.owed && v.Target.Before(today) }

// Form returns one of the forms; a visit that asks for nothing of the set has none.
func (v Visit) Form(set Set) (Form, bool) {
	i := slices.IndexFunc(v.Forms, func(f Form) bool { return f.Set == set })
	if i < 0 {
		return Form{}, false
	}
	return v.Forms[i], true
}

// Complete reports whether every form that counts is complete. A visit without
// such forms is when it is settled.
func (v Visit) Complete() bool {
	counted := 0
	for _, f := range v.Forms {
		if f.Set != Further {
			counted++
			if !f.Complete() {
				return false
			}
		}
	}
	return counted > 0 || v.Settled()
}

// Complete looks for every item of a visit's rule among the results. An item is
// answered by a result of one of its observations that is final, amended or
// corrected and was collected within the window: the day of the sample counts, and
// not that of its entry.
func Complete(p *protocol.Protocol, rule protocol.Visit, window journey.Visit, results []result.Result, death journey.Date) []Form {
	excused := death != "" && !window.Closes.Before(death)
	var forms []Form
	for _, set := range []struct {
		set   Set
		items [][]string
	}{{Clinical, rule.Clinical}, {Laboratory, rule.Laboratory}, {Further, rule.Further}} {
		if len(set.items) == 0 {
			continue
		}
		f := Form{Set: set.set, Excused: excused}
		for _, codes := range set.items {
			f.Items = append(f.Items, Item{Title: p.ItemTitle(codes), Code: codes[0], On: answered(codes, window, results)})
		}
		forms = append(forms, f)
	}
	return forms
}

func answered(codes []string, window journey.Visit, results []result.Result) journey.Date {
	var on journey.Date
	for i := range results {
		r := &results[i]
		day := journey.Date(r.CollectedOn)
		if r.Status.Usable() && slices.Contains(codes, r.Code.Code) && !day.Before(window.Opens) && !window.Closes.Before(day) {
			on = max(on, day)
		}
	}
	return on
}

// aliveCode is the question whose answer no reports a death, answeredNo is that
// answer in SNOMED CT.
const (
	aliveCode  = "followup-alive"
	answeredNo = "373067005"
)

// Died is the day of a donor's death as far as it is on record: in the reason of a
// visit, or as the day of the answer that they are not alive.
func Died(s journey.State, results []result.Result) journey.Date {
	died := s.Died
	for i := range results {
		r := &results[i]
		if r.Code.Code == aliveCode && r.Status.Usable() && r.Value.Coding != nil && r.Value.Coding.Code == answeredNo {
			if day := journey.Date(r.CollectedOn); died == "" || day.Before(died) {
				died = day
			}
		}
	}
	return died
}

// Visits says what is on record of each visit of a donor. The programme's present
// protocol fills in what that of the donor does not say: what a visit asks for is
// the programme's question, and not one of what the donor was assessed by.
func Visits(own, present *protocol.Protocol, s journey.State, results []result.Result, today journey.Date) []Visit {
	death := Died(s, results)
	list := make([]Visit, 0, len(s.Visits))
	for _, v := range s.Visits {
		rule := ruleOf(own, present, v.ID)
		each := Visit{Visit: v, Title: own.VisitTitle(v.ID), Rule: rule}
		from := own
		if len(itemsOf(own, v.ID)) == 0 {
			from = present
		}
		each.Forms = Complete(from, rule, v, results, death)
		excused := death != "" && !v.Closes.Before(death)
		each.owed = !excused && !s.Stage.Ended() && !each.Complete()
		each.Late = each.late(today)
		list = append(list, each)
	}
	return list
}

func itemsOf(p *protocol.Protocol, id string) [][]string {
	rule, _, _ := p.VisitRule(id)
	return slices.Concat(rule.Clinical, rule.Laboratory, rule.Further)
}

// ruleOf is the rule of the donor's protocol, or the present one's where that
// names no items.
func ruleOf(own, present *protocol.Protocol, id string) protocol.Visit {
	rule, _, known := own.VisitRule(id)
	if known && len(itemsOf(own, id)) > 0 {
		return rule
	}
	if now, _, ok := present.VisitRule(id); ok {
		return now
	}
	return rule
}

// Step is the next contact that is due for a donor.
type Step struct {
	Visit string
	protocol.LadderStep
	On journey.Date
}

// NextStep returns the next step of the ladder that stands, nil when none does.
func NextStep(p *protocol.Protocol, s journey.State) *Step {
	var next *Step
	for _, d := range journey.Deadlines(p.Rules(), s) {
		if d.Kind != journey.ContactDue || next != nil && !d.On.Before(next.On) {
			continue
		}
		if visit, step, ok := p.Step(d.Subject); ok {
			next = &Step{Visit: visit, LadderStep: step, On: d.On}
		}
	}
	return next
}

// Due returns the last step whose day has come for an open visit and after which
// no attempt was made, nil when none waits.
func Due(p *protocol.Protocol, v journey.Visit) *Step {
	if v.Settled() || v.Ladder == "" || v.Refused != "" {
		return nil
	}
	i := slices.IndexFunc(p.Ladder, func(s protocol.LadderStep) bool { return v.Target.AddDays(s.Days) == v.Ladder })
	tried := slices.ContainsFunc(v.Contacts, func(c journey.Contact) bool { return !c.On.Before(v.Ladder) })
	if i < 0 || tried {
		return nil
	}
	return &Step{Visit: v.ID, LadderStep: p.Ladder[i], On: v.Ladder}
}

// byDay orders results by their day, and those of one day by their time and id.
func byDay(a, b result.Result) int {
	return cmp.Or(cmp.Compare(a.CollectedOn, b.CollectedOn), cmp.Compare(a.Effective, b.Effective), cmp.Compare(a.ID, b.ID))
}
