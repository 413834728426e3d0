package planner_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/journey"
	"candidacy/internal/planner"
)

func compute(t rapid.TB, r planner.Request) planner.Plan {
	t.Helper()
	plan, err := planner.Compute(r)
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

func find(t testing.TB, plan planner.Plan, id string) planner.TaskPlan {
	t.Helper()
	for _, task := range plan.Tasks {
		if task.ID == id {
			return task
		}
	}
	t.Fatalf("no task %s", id)
	return planner.TaskPlan{}
}

// evaluation is a small evaluation with everything that plans are about.
func evaluation() planner.Request {
	return planner.Request{
		Today: today, CoolingOffDays: 14,
		Tasks: []planner.Task{
			{ID: "bloodGroup1", LeadDays: 1, Visit: "laboratory", Gate: planner.Committee},
			{ID: "bloodGroup2", LeadDays: 1, Visit: "laboratory", Gate: planner.Committee, Apart: []planner.Spacing{{Task: "bloodGroup1", Days: 1}}},
			{ID: "creatinine", LeadDays: 1, Visit: "laboratory", Gate: planner.Committee, AlsoAtOperation: true, ValidityDays: 90, DoneOn: "2025-12-20"},
			{ID: "angiography", LeadDays: 3, Visit: "radiology", Gate: planner.Committee, ValidityDays: 365, Needs: []string{"creatinine"}},
			{ID: "psychology", LeadDays: 10, Visit: "clinic", Gate: planner.Committee, ValidityDays: 180},
			{ID: "review", LeadDays: 2, Gate: planner.Committee, Needs: []string{"psychology", "angiography"}},
			{ID: "infections", LeadDays: 3, Visit: "laboratory", Gate: planner.Operation, WindowDays: 28},
			{ID: "crossmatch", LeadDays: 2, Visit: "laboratory", Gate: planner.Operation, WindowDays: 7, Needs: []string{"bloodGroup2"}},
		},
	}
}

func TestEvaluation(t *testing.T) {
	plan := compute(t, evaluation())
	if !plan.Feasible || plan.Committee != on(12) || plan.Operation != on(26) || !plan.Exact {
		t.Fatalf("got %+v", plan)
	}
	if plan.EarliestCommittee != on(12) || plan.EarliestOperation != on(26) {
		t.Errorf("earliest: %s, %s", plan.EarliestCommittee, plan.EarliestOperation)
	}
	var chain []string
	for _, step := range plan.Chain {
		chain = append(chain, step.Task)
	}
	if want := []string{"psychology", "review", ""}; !slices.Equal(chain, want) {
		t.Errorf("chain %q, want %q", chain, want)
	}
	// The creatinine on record is valid until 20 March, day 18: for the
	// committee on day 12, not for the operation on day 26.
	creatinine := find(t, plan, "creatinine")
	if creatinine.State != planner.Repeated || creatinine.ValidUntil != on(18) || plan.Repeats != 1 || len(creatinine.Do) != 1 {
		t.Errorf("got %+v, %d repeats", creatinine, plan.Repeats)
	}
	want := "repeat on 2026-03-02: the result on record is valid until 2026-03-20, and the operation is on 2026-03-28; today"
	if creatinine.Reason != want || find(t, plan, "psychology").Reason != "do on 2026-03-02: today" {
		t.Errorf("reasons %q (not %q), %q", creatinine.Reason, want, find(t, plan, "psychology").Reason)
	}
	if plan.First[0].Task != "psychology" || plan.First[0].SlackDays != 0 || plan.First[0].On != today {
		t.Errorf("first %+v", plan.First)
	}
	if plan.First[1].SlackDays == 0 || plan.First[1].Text != "can wait until "+string(plan.First[1].Latest) {
		t.Errorf("second %+v", plan.First[1])
	}
	// Laboratory: one blood group, the other one, and the crossmatch with the
	// tests that have to be recent. Radiology and clinic once each.
	if len(plan.Visits) != 5 || plan.VisitsAtLeast > 5 {
		t.Errorf("%d visits, at least %d: %+v", len(plan.Visits), plan.VisitsAtLeast, plan.Visits)
	}
	verify(t, evaluation(), plan)
}

func TestAskedDays(t *testing.T) {
	r := evaluation()
	r.Operation = on(25)
	plan := compute(t, r)
	answer := plan.OperationAnswer
	if plan.Feasible || answer.Feasible || answer.Next != on(26) || plan.EarliestOperation != on(26) || plan.CommitteeAnswer != nil {
		t.Fatalf("day before the earliest: %+v", answer)
	}
	last := answer.Chain[len(answer.Chain)-1]
	if answer.Chain[0].Task != "psychology" || last.Text != "cooling-off of 14 days after the committee" || last.From != on(12) || last.To != on(26) {
		t.Errorf("chain %+v", answer.Chain)
	}
	r.Operation = on(26)
	if plan = compute(t, r); !plan.Feasible || !plan.OperationAnswer.Feasible || plan.OperationAnswer.Chain != nil {
		t.Errorf("earliest day: %+v", plan.OperationAnswer)
	}
	r.Operation = ""
	r.Committee = on(11)
	if plan = compute(t, r); plan.Feasible || plan.CommitteeAnswer.Next != on(12) || plan.CommitteeAnswer.Chain[0].Task != "psychology" {
		t.Errorf("committee before the earliest: %+v", plan.CommitteeAnswer)
	}
	r.Committee = on(20)
	if plan = compute(t, r); !plan.Feasible || plan.Committee != on(20) || plan.Operation != on(34) || plan.EarliestOperation != on(26) {
		t.Errorf("committee on day 20: %+v", plan)
	}
	r.Committee, r.Operation = on(-3), ""
	if plan = compute(t, r); plan.Feasible || plan.Committee != on(12) {
		t.Errorf("committee in the past: %+v", plan.CommitteeAnswer)
	}
}

// TestGapAfterExpiry has a day that is possible, later days that are not,
// because a result on record expires, and days after its repeat that are.
func TestGapAfterExpiry(t *testing.T) {
	r := planner.Request{Today: today, Tasks: []planner.Task{
		{ID: "slow", LeadDays: 30, Gate: planner.Operation, ValidityDays: 60, DoneOn: on(-50)},
	}}
	for day, next := range map[int]int{0: 0, 10: 10, 11: 30, 29: 30, 30: 30, 31: 31} {
		r.Operation = on(day)
		plan := compute(t, r)
		if plan.Operation != on(next) || plan.Feasible != (day == next) || plan.EarliestOperation != today {
			t.Errorf("day %d: got %s", day, plan.Operation)
		}
		slow := find(t, plan, "slow")
		if want := map[bool]planner.State{true: planner.OnRecord, false: planner.Repeated}[day <= 10]; slow.State != want {
			t.Errorf("day %d: %+v", day, slow)
		}
		if next > 10 && day < 30 && (len(plan.OperationAnswer.Chain) != 1 || plan.OperationAnswer.Chain[0].Task != "slow") {
			t.Errorf("day %d: chain %+v", day, plan.OperationAnswer.Chain)
		}
	}
}

// TestSecondTime has a result for the committee that does not last until the
// operation, and a later committee on which it does.
func TestSecondTime(t *testing.T) {
	r := planner.Request{Today: today, CoolingOffDays: 10, Operation: on(40), Tasks: []planner.Task{
		{ID: "blood", LeadDays: 1, Visit: "laboratory", Gate: planner.Committee, AlsoAtOperation: true, ValidityDays: 20},
	}}
	plan := compute(t, r)
	if plan.Repeats != 0 || plan.Committee != on(21) || plan.EarliestCommittee != on(1) {
		t.Errorf("committee %s, %d repeats", plan.Committee, plan.Repeats)
	}
	r.Committee = on(20)
	plan = compute(t, r)
	blood := find(t, plan, "blood")
	if plan.Repeats != 1 || len(blood.Do) != 2 || blood.Do[0].Repeat || !blood.Do[1].Repeat || blood.Do[1].On != on(20) {
		t.Fatalf("committee on day 20: %+v", blood)
	}
	want := "repeat on 2026-03-22: the result for the committee is valid until 2026-03-22, and the operation is on 2026-04-11; " +
		"the first day on which it is valid until the operation on 2026-04-11"
	if blood.Reason != want {
		t.Errorf("reason %q, want %q", blood.Reason, want)
	}
	if !reflect.DeepEqual(blood.Do[0].For, []planner.Gate{planner.Committee}) || !reflect.DeepEqual(blood.Do[1].For, []planner.Gate{planner.Operation}) {
		t.Errorf("for %v and %v", blood.Do[0].For, blood.Do[1].For)
	}
}

// TestCommitteeHeld plans what is left after the committee, with what it did
// not have but a task for the operation needs.
func TestCommitteeHeld(t *testing.T) {
	r := planner.Request{Today: today, CommitteeHeld: on(-5), CoolingOffDays: 14, Tasks: []planner.Task{
		{ID: "done", Gate: planner.Committee, DoneOn: on(-20), ValidityDays: 15},
		{ID: "missed", LeadDays: 3, Gate: planner.Committee, ValidityDays: 1000},
		{ID: "unused", LeadDays: 300, Gate: planner.Committee},
		{ID: "after", LeadDays: 8, Gate: planner.Operation, Needs: []string{"missed", "done"}},
	}}
	plan := compute(t, r)
	if plan.Operation != on(11) || plan.Committee != on(-5) {
		t.Errorf("committee %s, operation %s", plan.Committee, plan.Operation)
	}
	for id, want := range map[string]planner.State{"done": planner.Settled, "missed": planner.Planned, "unused": planner.Settled, "after": planner.Planned} {
		if got := find(t, plan, id); got.State != want {
			t.Errorf("%s: %+v", id, got)
		}
	}
	r.Tasks[1].DoneOn, r.Tasks[3].DoneOn = on(-1), today
	if plan = compute(t, r); plan.Operation != on(9) { // 14 days after the committee
		t.Errorf("with everything done: %s", plan.Operation)
	}
}

func TestErrors(t *testing.T) {
	task := func(change func(*planner.Task)) []planner.Task {
		t := planner.Task{ID: "a", LeadDays: 1, Gate: planner.Committee}
		change(&t)
		return []planner.Task{t, {ID: "b", LeadDays: 4, Gate: planner.Committee, Needs: []string{"a"}}}
	}
	for _, c := range []struct {
		name    string
		request planner.Request
		want    planner.Error
		text    string
	}{
		{"no today", planner.Request{}, planner.Error{Code: planner.Missing, Field: "today"}, "planner: today: a day is needed"},
		{"bad today", planner.Request{Today: "2026-02-30"}, planner.Error{Code: planner.NotADate, Field: "today"}, ""},
		{"bad operation", planner.Request{Today: today, Operation: "soon"}, planner.Error{Code: planner.NotADate, Field: "operation"}, ""},
		{"far operation", planner.Request{Today: today, Operation: "2226-03-02"}, planner.Error{Code: planner.OutOfRange, Field: "operation"}, ""},
		{"long ago", planner.Request{Today: today, CommitteeHeld: "1826-03-02"}, planner.Error{Code: planner.OutOfRange, Field: "committeeHeld"}, ""},
		{"held tomorrow", planner.Request{Today: today, CommitteeHeld: on(1)}, planner.Error{Code: planner.InTheFuture, Field: "committeeHeld"}, ""},
		{"held and asked", planner.Request{Today: today, CommitteeHeld: today, Committee: today}, planner.Error{Code: planner.NotAccepted, Field: "committee"}, ""},
		{"cooling", planner.Request{Today: today, CoolingOffDays: -1}, planner.Error{Code: planner.OutOfRange, Field: "coolingOffDays"}, ""},
		{"no id", planner.Request{Tasks: task(func(t *planner.Task) { t.ID = "" })}, planner.Error{Code: planner.Missing, Field: "id"}, ""},
		{"gate", planner.Request{Tasks: task(func(t *planner.Task) { t.Gate = "x" })}, planner.Error{Code: planner.NotAccepted, Task: "a", Field: "gate"}, ""},
		{"lead", planner.Request{Tasks: task(func(t *planner.Task) { t.LeadDays = -1 })}, planner.Error{Code: planner.OutOfRange, Task: "a", Field: "leadDays"}, ""},
		{"long lead", planner.Request{Tasks: task(func(t *planner.Task) { t.LeadDays = 36501 })}, planner.Error{Code: planner.OutOfRange, Task: "a", Field: "leadDays"}, ""},
		{"validity", planner.Request{Tasks: task(func(t *planner.Task) { t.ValidityDays = -1 })}, planner.Error{Code: planner.OutOfRange, Task: "a", Field: "validityDays"}, ""},
		{"window", planner.Request{Tasks: task(func(t *planner.Task) { t.WindowDays = -1 })}, planner.Error{Code: planner.OutOfRange, Task: "a", Field: "windowDays"}, ""},
		{"apart 0", planner.Request{Tasks: task(func(t *planner.Task) { t.Apart = []planner.Spacing{{Task: "b"}} })}, planner.Error{Code: planner.OutOfRange, Task: "a", Field: "apart"}, ""},
		{"not before", planner.Request{Tasks: task(func(t *planner.Task) { t.NotBefore = "x" })}, planner.Error{Code: planner.NotADate, Task: "a", Field: "notBefore"}, ""},
		{"done tomorrow", planner.Request{Tasks: task(func(t *planner.Task) { t.DoneOn = on(1) })}, planner.Error{Code: planner.InTheFuture, Task: "a", Field: "doneOn"}, ""},
		{"done long ago", planner.Request{Tasks: task(func(t *planner.Task) { t.DoneOn = "1800-01-01" })}, planner.Error{Code: planner.OutOfRange, Task: "a", Field: "doneOn"}, ""},
		{"duplicate", planner.Request{Tasks: task(func(t *planner.Task) { t.ID = "b" })}, planner.Error{Code: planner.Duplicate, Task: "b", Field: "id"}, ""},
		{"unknown", planner.Request{Tasks: task(func(t *planner.Task) { t.Needs = []string{"c"} })}, planner.Error{Code: planner.Unknown, Task: "a", Field: "needs", Other: "c"}, "planner: task a: needs: no such task: c"},
		{"apart unknown", planner.Request{Tasks: task(func(t *planner.Task) { t.Apart = []planner.Spacing{{"c", 1}} })}, planner.Error{Code: planner.Unknown, Task: "a", Field: "apart", Other: "c"}, ""},
		{"apart itself", planner.Request{Tasks: task(func(t *planner.Task) { t.Apart = []planner.Spacing{{"a", 1}} })}, planner.Error{Code: planner.Itself, Task: "a", Field: "apart"}, ""},
		{"cycle", planner.Request{Tasks: task(func(t *planner.Task) { t.Needs = []string{"b"} })}, planner.Error{Code: planner.Cycle, Task: "a", Field: "needs", Path: []string{"a", "b"}},
			"planner: task a: needs: the tasks wait for each other: a -> b -> a"},
		{"needs itself", planner.Request{Tasks: task(func(t *planner.Task) { t.Needs = []string{"a"} })}, planner.Error{Code: planner.Cycle, Task: "a", Field: "needs", Path: []string{"a"}}, ""},
		{"too short", planner.Request{Tasks: task(func(t *planner.Task) { t.ValidityDays = 4 })}, planner.Error{Code: planner.Impossible, Task: "a", Field: "validityDays", Other: "b"}, ""},
		{"too narrow", planner.Request{Tasks: task(func(t *planner.Task) { t.ValidityDays, t.WindowDays = 5, 4 })}, planner.Error{Code: planner.Impossible, Task: "a", Field: "windowDays", Other: "b"}, ""},
		{"own lead", planner.Request{Tasks: []planner.Task{{ID: "a", LeadDays: 2, WindowDays: 1, Gate: planner.Operation}}}, planner.Error{Code: planner.Impossible, Task: "a", Field: "windowDays"}, ""},
		{"apart too far", planner.Request{Tasks: []planner.Task{{ID: "a", ValidityDays: 3, Gate: planner.Operation}, {ID: "b", WindowDays: 3, Gate: planner.Operation, Apart: []planner.Spacing{{"a", 4}}}}},
			planner.Error{Code: planner.Impossible, Task: "a", Field: "apart", Other: "b"}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.request.Tasks != nil {
				c.request.Today = today
			}
			_, err := planner.Compute(c.request)
			var got *planner.Error
			if !errors.As(err, &got) {
				t.Fatalf("got %v", err)
			}
			if got.Code != c.want.Code || got.Task != c.want.Task || got.Field != c.want.Field || got.Other != c.want.Other || !slices.Equal(got.Path, c.want.Path) {
				t.Errorf("got %+v, want %+v", got, c.want)
			}
			if c.text != "" && got.Error() != c.text {
				t.Errorf("text %q, want %q", got.Error(), c.text)
			}
		})
	}
	fits := planner.Request{Today: today, Tasks: task(func(t *planner.Task) { t.ValidityDays = 5 })}
	compute(t, fits) // 1 + 4 days: just long enough
}

func TestLimits(t *testing.T) {
	samples := func(n int) planner.Request { // each apart from the next
		r := planner.Request{Today: today}
		for i := range n {
			task := planner.Task{ID: fmt.Sprint(i), Gate: planner.Committee}
			if i > 0 {
				task.Apart = []planner.Spacing{{Task: fmt.Sprint(i - 1), Days: 2}}
			}
			r.Tasks = append(r.Tasks, task)
		}
		return r
	}
	if plan := compute(t, samples(7)); !plan.Exact || plan.Operation != on(2) {
		t.Errorf("six pairs: %s, exact %t", plan.Operation, plan.Exact)
	}
	if plan := compute(t, samples(8)); plan.Exact || on(6).Before(plan.Operation) {
		t.Errorf("seven pairs: %s, exact %t", plan.Operation, plan.Exact)
	}
	chain := planner.Request{Today: today}
	for i := range 100 {
		task := planner.Task{ID: fmt.Sprintf("t%02d", i), LeadDays: 36_500, Gate: planner.Operation}
		if i > 0 {
			task.Needs = []string{chain.Tasks[i-1].ID}
		}
		chain.Tasks = append(chain.Tasks, task)
	}
	_, err := planner.Compute(chain)
	var got *planner.Error
	if !errors.As(err, &got) || got.Code != planner.OutOfRange || got.Field != "tasks" {
		t.Errorf("ten thousand years: %v", err)
	}
	chain.Tasks = chain.Tasks[:28]
	compute(t, chain)
}

// verify checks a plan against the rules, without the planner's help.
func verify(t rapid.TB, r planner.Request, plan planner.Plan) {
	t.Helper()
	b := newBrute(r)
	b.c, b.s = today.DaysUntil(plan.Committee), today.DaysUntil(plan.Operation)
	if b.s < b.c+b.cool || b.s < 0 {
		t.Fatalf("committee on day %d, operation on day %d", b.c, b.s)
	}
	planned := map[string]planner.TaskPlan{}
	for _, task := range plan.Tasks {
		planned[task.ID] = task
	}
	repeats, doings, times := 0, 0, map[string]bool{}
	for i, task := range r.Tasks {
		b.x1[i], b.x2[i] = -1, -1
		if slices.ContainsFunc(planned[task.ID].Do, func(d planner.Doing) bool { return d.Repeat }) != (planned[task.ID].State == planner.Repeated) {
			t.Fatalf("%s: %+v", task.ID, planned[task.ID])
		}
		for _, do := range planned[task.ID].Do {
			day := today.DaysUntil(do.On)
			if do.For[0] == planner.Committee {
				b.x1[i] = day
			} else {
				b.x2[i] = day
			}
			if day < b.release[i] || today.DaysUntil(do.Result) != day+b.lead[i] || do.On.Before(do.Earliest) || do.Latest.Before(do.On) {
				t.Fatalf("%s: %+v", task.ID, do)
			}
			if do.Repeat {
				repeats++
			}
			if task.Visit != "" {
				times[fmt.Sprint(do.On, task.Visit)] = true
				doings++
			}
		}
	}
	if repeats != plan.Repeats || len(times) != len(plan.Visits) || len(plan.Visits) > doings {
		t.Fatalf("%d repeats and %d visits, not %d and %d", repeats, len(times), plan.Repeats, len(plan.Visits))
	}
	listed := 0
	for _, v := range plan.Visits {
		listed += len(v.Tasks)
		if !times[fmt.Sprint(v.On, v.Kind)] {
			t.Fatalf("visit %+v", v)
		}
	}
	if listed != doings {
		t.Fatalf("%d tasks in visits, not %d", listed, doings)
	}
	// Records that do not count for being too close are those repeated anyway.
	for i, task := range r.Tasks {
		if b.x1[i] >= 0 && b.record(i, b.c) || b.x2[i] >= 0 && b.x1[i] < 0 && b.record(i, b.s) {
			if len(r.Tasks[i].Apart) == 0 && len(b.apart) == 0 {
				t.Fatalf("%s is repeated without need", task.ID)
			}
			b.dropped[i] = true
		}
	}
	for i, task := range r.Tasks {
		for _, operation := range []bool{false, true} {
			of, at := b.first, b.c
			if operation {
				of, at = b.second, b.s
			}
			if !of[i] {
				continue
			}
			day, there := b.counting(i, operation)
			onRecord := b.record(i, at)
			if !onRecord && (day < 0 || there > at || day < at-b.age[i]) {
				t.Fatalf("%s: done on day %d, result on day %d, needed on day %d", task.ID, day, there, at)
			}
		}
		for _, k := range b.needs[i] {
			if b.x1[i] >= 0 {
				if _, there := b.counting(k, false); there > b.x1[i] {
					t.Fatalf("%s starts before the result of %s", task.ID, r.Tasks[k].ID)
				}
			}
			if b.x2[i] >= 0 {
				if _, there := b.counting(k, true); there > b.x2[i] {
					t.Fatalf("%s starts before the result of %s", task.ID, r.Tasks[k].ID)
				}
			}
		}
	}
	if len(b.apart) > 0 && !b.spaced() {
		t.Fatalf("tasks are too close to each other")
	}
}

func planOf(t *rapid.T, most int, apart spacings) (planner.Request, planner.Plan) {
	r := requests(most, apart).Draw(t, "request")
	if rapid.Bool().Draw(t, "asked") {
		r.Operation = on(rapid.IntRange(0, 20).Draw(t, "operation"))
	}
	plan, err := planner.Compute(r)
	if err != nil {
		t.Skip("not possible")
	}
	return r, plan
}

func TestPlansKeepTheRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, plan := planOf(t, 25, spacings(rapid.IntRange(0, 3).Draw(t, "apart") == 0))
		verify(t, r, plan)
		if r.Operation != "" && plan.Feasible != (plan.Operation == r.Operation) {
			t.Fatalf("asked for %s, got %s", r.Operation, plan.Operation)
		}
	})
}

func TestLaterOperation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, plan := planOf(t, 15, false)
		later := r
		later.Operation = plan.Operation.AddDays(rapid.IntRange(1, 10).Draw(t, "later"))
		moved := compute(t, later)
		if moved.Feasible {
			return
		}
		for _, task := range plan.Tasks {
			if task.ValidUntil != "" && task.ValidUntil.Before(later.Operation) {
				return // a result on record expires
			}
		}
		t.Fatalf("possible on %s, but not on %s", plan.Operation, later.Operation)
	})
}

func TestMoreTasks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := requests(12, false).Draw(t, "request")
		plan, err := planner.Compute(r)
		if err != nil || len(r.Tasks) < 2 {
			t.Skip("not possible")
		}
		fewer := r
		fewer.Tasks = r.Tasks[:len(r.Tasks)-1] // nothing needs the last one
		if before := compute(t, fewer); plan.EarliestOperation.Before(before.EarliestOperation) || plan.EarliestCommittee.Before(before.EarliestCommittee) {
			t.Fatalf("with a task more: %s instead of %s", plan.EarliestOperation, before.EarliestOperation)
		}
	})
}

// TestDone plans again once everything planned is done.
func TestDone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, plan := planOf(t, 20, spacings(rapid.IntRange(0, 3).Draw(t, "apart") == 0))
		done := r
		done.Today, done.CommitteeHeld, done.Operation = plan.Operation, plan.Committee, plan.Operation
		done.Tasks = slices.Clone(r.Tasks)
		for i := range done.Tasks {
			for _, task := range plan.Tasks {
				if task.ID == done.Tasks[i].ID && len(task.Do) > 0 {
					done.Tasks[i].DoneOn = task.Do[len(task.Do)-1].On
				}
			}
		}
		again := compute(t, done)
		if !again.Feasible || len(again.Visits) > 0 || again.Repeats > 0 || len(again.First) > 0 {
			t.Fatalf("still to do: %+v", again)
		}
	})
}

func TestOrderOfTasksDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, plan := planOf(t, 15, true)
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		shuffled := r
		shuffled.Tasks = slices.Clone(r.Tasks)
		random.Shuffle(len(shuffled.Tasks), reflect.Swapper(shuffled.Tasks))
		a, _ := json.Marshal(plan)
		b, _ := json.Marshal(compute(t, shuffled))
		if string(a) != string(b) {
			t.Fatalf("%s\n%s", a, b)
		}
	})
}

func TestNothingToDo(t *testing.T) {
	plan := compute(t, planner.Request{Today: today, CoolingOffDays: 5})
	if !plan.Feasible || plan.Committee != today || plan.Operation != on(5) || len(plan.Visits) != 0 {
		t.Errorf("got %+v", plan)
	}
}

// protocol is a realistic request: groups of tests that end in reviews, a
// third on record, windows, and two samples on separate days.
func protocol(tasks int, seed uint64) planner.Request {
	random := rand.New(rand.NewPCG(seed, 7))
	r := planner.Request{Today: today, CoolingOffDays: 14}
	kinds := []string{"laboratory", "laboratory", "radiology", "cardiology", "clinic"}
	for i := range tasks {
		task := planner.Task{ID: fmt.Sprintf("task%03d", i), LeadDays: random.IntN(10), Gate: planner.Committee, Visit: kinds[random.IntN(len(kinds))]}
		switch random.IntN(6) {
		case 0:
			task.Gate, task.WindowDays = planner.Operation, 28+random.IntN(30)
		case 1:
			task.ValidityDays, task.AlsoAtOperation = 30+random.IntN(60), true
		default:
			task.ValidityDays, task.AlsoAtOperation = 90+random.IntN(275), random.IntN(2) == 0
		}
		if random.IntN(3) == 0 {
			task.DoneOn = journey.Date(today).AddDays(-random.IntN(120))
		}
		if random.IntN(10) == 0 {
			task.NotBefore = today.AddDays(random.IntN(30))
		}
		if i%8 == 7 { // a review of papers
			task = planner.Task{ID: task.ID, LeadDays: 2, Gate: planner.Committee}
			for k := i - 7; k < i; k++ {
				if r.Tasks[k].Gate == planner.Committee {
					task.Needs = append(task.Needs, r.Tasks[k].ID)
				}
			}
		} else if i > 0 && random.IntN(3) == 0 {
			if k := i - 1 - random.IntN(min(i, 4)); r.Tasks[k].Gate == planner.Committee {
				task.Needs = append(task.Needs, r.Tasks[k].ID)
			}
		}
		if i == 5 {
			task.ValidityDays, task.WindowDays, task.DoneOn = 0, 0, ""
			task.Apart = []planner.Spacing{{Task: "task000", Days: 1}}
		}
		r.Tasks = append(r.Tasks, task)
	}
	return r
}

// TestLargeProtocols reports how many visits plans have above the bound.
func TestLargeProtocols(t *testing.T) {
	planned, equal, visits, atLeast := 0, 0, 0, 0
	for seed := range uint64(100) {
		r := protocol(100, seed)
		if seed%2 == 1 {
			r.Operation = on(150)
		}
		plan, err := planner.Compute(r)
		if err != nil {
			continue
		}
		verify(t, r, plan)
		planned++
		visits += len(plan.Visits)
		atLeast += plan.VisitsAtLeast
		if len(plan.Visits) == plan.VisitsAtLeast {
			equal++
		}
	}
	t.Logf("%d plans, %d visits, at least %d; %d plans are certainly the best", planned, visits, atLeast, equal)
	if planned < 50 || visits*10 > atLeast*13 {
		t.Errorf("too many visits")
	}
}

func BenchmarkCompute(b *testing.B) {
	for _, tasks := range []int{10, 30, 100, 300} {
		for _, asked := range []int{0, 150} {
			b.Run(fmt.Sprintf("tasks=%d/asked=%d", tasks, asked), func(b *testing.B) {
				var all []planner.Request
				for seed := uint64(0); len(all) < 10; seed++ {
					r := protocol(tasks, seed)
					if asked > 0 {
						r.Operation = on(asked)
					}
					if _, err := planner.Compute(r); err == nil {
						all = append(all, r)
					}
				}
				b.ReportAllocs()
				i := 0
				for b.Loop() {
					if _, err := planner.Compute(all[i%len(all)]); err != nil {
						b.Fatal(err)
					}
					i++
				}
			})
		}
	}
}
