package planner

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"candidacy/internal/journey"
)

// describe writes the plan down.
func (m *model) describe(earliestC, earliestS int, best result) Plan {
	s := best.schedule
	plan := Plan{
		Feasible: true, Committee: m.date(s.c), Operation: m.date(s.s),
		EarliestCommittee: m.date(earliestC), EarliestOperation: m.date(earliestS),
		First: []Start{}, Visits: []Visit{}, Tasks: make([]TaskPlan, 0, len(m.tasks)),
		Repeats: s.repeats, VisitsAtLeast: best.atLeast, Exact: best.exact,
	}
	committee, operation := best.chains()
	plan.Chain = operation
	if asked := m.request.Committee; asked != "" {
		plan.CommitteeAnswer = &Answer{Asked: asked, Feasible: asked == plan.Committee, Next: plan.Committee}
		if !plan.CommitteeAnswer.Feasible {
			plan.Feasible, plan.CommitteeAnswer.Chain = false, committee
		}
	}
	if asked := m.request.Operation; asked != "" {
		plan.OperationAnswer = &Answer{Asked: asked, Feasible: asked == plan.Operation, Next: plan.Operation}
		if !plan.OperationAnswer.Feasible {
			plan.Feasible, plan.OperationAnswer.Chain = false, operation
		}
	}
	for v := range m.tasks {
		plan.Tasks = append(plan.Tasks, s.describeTask(v))
	}
	slices.SortFunc(plan.Tasks, func(a, b TaskPlan) int { return strings.Compare(a.ID, b.ID) })
	plan.Visits, plan.VisitDays = s.describeVisits()
	for _, node := range s.visits.order {
		if s.low[node] == 0 {
			plan.First = append(plan.First, s.describeStart(node))
		}
	}
	slices.SortStableFunc(plan.First, func(a, b Start) int {
		return cmp.Or(a.SlackDays-b.SlackDays, strings.Compare(a.Task, b.Task))
	})
	return plan
}

func (s *schedule) task(node int) int { return node % len(s.tasks) }

func (s *schedule) describeStart(node int) Start {
	start := Start{
		Task: s.id(s.task(node)), On: s.date(s.visits.day[node]), Latest: s.date(s.high[node]),
		SlackDays: s.high[node],
	}
	if start.SlackDays == 0 {
		start.Text = "critical: a later day moves the committee or the operation, or needs a repeat"
	} else {
		start.Text = fmt.Sprintf("can wait until %s", start.Latest)
	}
	return start
}

// describeVisits lists the visits and counts their days.
func (s *schedule) describeVisits() ([]Visit, int) {
	nodes := slices.DeleteFunc(slices.Clone(s.visits.order), func(node int) bool { return s.kind[s.task(node)] == none })
	slices.SortStableFunc(nodes, func(a, b int) int {
		return cmp.Or(s.visits.day[a]-s.visits.day[b], s.kind[s.task(a)]-s.kind[s.task(b)])
	})
	visits, days := make([]Visit, 0, s.visits.count), 0
	for i, node := range nodes {
		v := s.task(node)
		on := s.visits.day[node]
		newDay := i == 0 || s.visits.day[nodes[i-1]] != on
		if newDay {
			days++
		}
		if newDay || s.kind[s.task(nodes[i-1])] != s.kind[v] {
			visits = append(visits, Visit{On: s.date(on), Kind: s.kinds[s.kind[v]]})
		}
		last := &visits[len(visits)-1]
		last.Tasks = append(last.Tasks, s.id(v))
	}
	return visits, days
}

func (s *schedule) describeTask(v int) TaskPlan {
	plan := TaskPlan{ID: s.id(v)}
	if s.onFile[v] {
		plan.ValidUntil = s.until(v, s.done[v])
	}
	repeats := false
	for _, node := range []int{v, v + len(s.tasks)} {
		if s.on[node] {
			plan.Do = append(plan.Do, s.describeDoing(v, node))
			repeats = repeats || plan.Do[len(plan.Do)-1].Repeat
		}
	}
	slices.SortStableFunc(plan.Do, func(a, b Doing) int { return strings.Compare(string(a.On), string(b.On)) })
	switch {
	case repeats:
		plan.State = Repeated
		plan.Reason = plan.Do[len(plan.Do)-1].Reason
		for _, do := range plan.Do {
			if do.Repeat {
				plan.Reason = fmt.Sprintf("repeat on %s: %s", do.On, do.Reason)
				break
			}
		}
	case len(plan.Do) > 0:
		plan.State = Planned
		plan.Reason = fmt.Sprintf("do on %s: %s", plan.Do[0].On, plan.Do[0].Reason)
	case s.onFile[v] && (s.second[v] || !s.held):
		plan.State, plan.Reason = OnRecord, "on record, does not expire"
		if plan.ValidUntil != "" {
			plan.Reason = fmt.Sprintf("on record, valid until %s", plan.ValidUntil)
		}
	default:
		plan.State, plan.Reason = Settled, "the committee has met"
	}
	return plan
}

// until is the last day on which a result is not too old.
func (s *schedule) until(v, done int) journey.Date {
	if !s.expires(v) {
		return ""
	}
	return s.date(done + s.age[v])
}

func (s *schedule) describeDoing(v, node int) Doing {
	n := len(s.tasks)
	day := s.visits.day[node]
	do := Doing{
		On: s.date(day), Result: s.date(day + s.lead[v]), ValidUntil: s.until(v, day),
		Earliest: s.date(s.low[node]), Latest: s.date(s.high[node]), SlackDays: s.high[node] - s.low[node],
	}
	if node < n {
		do.For = append(do.For, Committee)
	}
	if node >= n || s.merged[v] {
		do.For = append(do.For, Operation)
	}
	do.Reason = s.whyOn(node)
	if why := s.whyAgain(v, node); why != "" {
		do.Repeat, do.Reason = true, why+"; "+do.Reason
	}
	return do
}

// whyAgain says why the result that there is, or will be, does not do; empty
// if there is none.
func (s *schedule) whyAgain(v, node int) string {
	name, at := "committee", s.c
	if node >= len(s.tasks) {
		name, at = "operation", s.s
		if s.on[v] {
			return fmt.Sprintf("the result for the committee is valid until %s, and the operation is on %s",
				s.until(v, s.visits.day[v]), s.date(at))
		}
	}
	switch {
	case !s.onFile[v]:
		return ""
	case s.done[v] < at-s.age[v]:
		return fmt.Sprintf("the result on record is valid until %s, and the %s is on %s", s.until(v, s.done[v]), name, s.date(at))
	}
	for _, p := range s.pairs {
		if p.records && (p.first == v || p.second == v) {
			return fmt.Sprintf("the result on record was done too close to that of %s", s.id(p.first+p.second-v))
		}
	}
	return ""
}

// whyOn says what determines the planned day.
func (s *schedule) whyOn(node int) string {
	v, day := s.task(node), s.visits.day[node]
	if text, _ := s.binding(node, day, s.visits.day); text != "" {
		return text
	}
	if s.expires(v) {
		switch day {
		case s.s - s.age[v]:
			return fmt.Sprintf("the first day on which it is valid until the operation on %s", s.date(s.s))
		case s.c - s.age[v]:
			return fmt.Sprintf("the first day on which it is valid until the committee on %s", s.date(s.c))
		}
	}
	for _, other := range s.visits.order {
		if w := s.task(other); other != node && s.kind[w] == s.kind[v] && s.kind[v] != none && s.visits.day[other] == day {
			return fmt.Sprintf("shares the visit with %s", s.id(w))
		}
	}
	return "as early as the other tasks allow"
}

// binding says which arc or first day leads to the day of a node, and from
// which node, if any. The text is empty if none does.
func (s *schedule) binding(node, day int, days []int) (text string, source int) {
	v := s.task(node)
	source = none
	s.into(node, func(from, length int) {
		if text != "" || from != none && days[from]+length != day {
			return
		}
		if from == none {
			if length == day && length > 0 {
				text = "kept apart from a result on record"
			}
			return
		}
		source = from
		text = fmt.Sprintf("after %s", s.id(s.task(from)))
		if length != s.lead[s.task(from)] || !slices.Contains(s.needs[v], s.task(from)) {
			text = fmt.Sprintf("kept apart from %s", s.id(s.task(from)))
		}
	})
	switch {
	case day == 0:
		return "today", none
	case text == "" && s.release[v] == day:
		return fmt.Sprintf("not before %s", s.date(day)), none
	}
	return text, source
}

// chains returns what determines the committee and the operation, as early as
// the days asked for allow.
func (r result) chains() (committee, operation []Step) {
	s := r.arrange(r.all, r.taken)
	if !s.soonest(r.minC, r.minS, r.request.Committee != "") {
		return nil, nil
	}
	n := len(s.tasks)
	s.forward(false, false)
	committee = s.ending(0, s.c, s.low)
	if s.request.CommitteeHeld == "" && committee == nil {
		text := "today"
		if r.minC == s.c && r.minC > 0 {
			text = "the day asked for"
		}
		committee = []Step{{From: s.date(s.c), To: s.date(s.c), Text: "committee: " + text}}
	}
	s.forward(false, true)
	s.forward(true, false)
	if operation = s.ending(n, s.s, s.low); operation != nil {
		if head := operation[0]; strings.HasPrefix(head.Text, withinCommittee) {
			operation = slices.Concat(committee, operation)
		}
		return committee, operation
	}
	if s.s != s.c+s.cool {
		return committee, nil
	}
	operation = append(slices.Clone(committee), Step{From: s.date(s.c), To: s.date(s.s),
		Text: fmt.Sprintf("cooling-off of %d days after the committee", s.cool)})
	return committee, operation
}

const withinCommittee = "not earlier, to be valid at the committee"

// ending returns the chain of tasks that ends on the day, or nil.
func (s *schedule) ending(shift, day int, low []int) []Step {
	n := len(s.tasks)
	for _, v := range s.order {
		node := v + shift
		if !s.on[node] || low[node]+s.lead[v] != day {
			continue
		}
		var steps []Step
		for node != none {
			v = s.task(node)
			text, source := s.binding(node, low[node], low)
			if text == "" && node < n {
				text = withinCommittee
			}
			if s.onFile[v] {
				if why := s.whyTooOld(v, node); why != "" {
					text += "; " + why
				}
			}
			steps = append(steps, Step{Task: s.id(v), From: s.date(low[node]), To: s.date(low[node] + s.lead[v]), Text: text})
			node = source
		}
		slices.Reverse(steps)
		return steps
	}
	return nil
}

// whyTooOld is whyAgain for a schedule without planned days.
func (s *schedule) whyTooOld(v, node int) string {
	if node >= len(s.tasks) && s.on[v] {
		return ""
	}
	return s.whyAgain(v, node)
}
