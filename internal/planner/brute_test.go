package planner_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/journey"
	"candidacy/internal/planner"
)

const today = journey.Date("2026-03-02")

func on(day int) journey.Date { return today.AddDays(day) }

// spacings says whether generated tasks are kept apart.
type spacings bool

// requests generates small requests. Tasks need only tasks before them, so
// there is no cycle; windows may still be impossible.
func requests(most int, apart spacings) *rapid.Generator[planner.Request] {
	return rapid.Custom(func(t *rapid.T) planner.Request {
		return build(most, apart, func(least, most int) int { return rapid.IntRange(least, most).Draw(t, "days") })
	})
}

// build makes a request out of numbers.
func build(most int, apart spacings, small func(least, most int) int) planner.Request {
	sometimes := func(of int) bool { return small(0, of-1) == 0 }
	r := planner.Request{Today: today, CoolingOffDays: small(0, 3)}
	for i := range small(1, most) {
		task := planner.Task{
			ID: fmt.Sprintf("t%d", i), LeadDays: small(0, 2), Gate: planner.Gates()[small(0, 1)],
			AlsoAtOperation: sometimes(2), Visit: []string{"", "a", "b", "a"}[small(0, 3)],
		}
		if sometimes(2) {
			task.ValidityDays = small(1, 7)
		}
		if sometimes(5) {
			task.WindowDays = small(1, 6)
		}
		if sometimes(4) {
			task.NotBefore = on(small(-1, 4))
		}
		if sometimes(3) {
			task.DoneOn = on(-small(0, 4))
		}
		for k := range i {
			if sometimes(4) {
				task.Needs = append(task.Needs, fmt.Sprintf("t%d", k))
			}
			if bool(apart) && sometimes(4) {
				task.Apart = append(task.Apart, planner.Spacing{Task: fmt.Sprintf("t%d", k), Days: small(1, 3)})
			}
		}
		r.Tasks = append(r.Tasks, task)
	}
	return r
}

// brute knows the rules as written in the package comment, and tries every
// day for every task.
type brute struct {
	r             planner.Request
	n             int
	lead, age     []int
	release, done []int
	file          []bool
	first, second []bool
	needs         [][]int
	ahead         [][]bool // the tasks needed, directly or not
	apart         [][3]int
	dropped       []bool

	c, s, cool int
	x1, x2     []int // -1: not done
	best       *score
}

type score struct{ repeats, c, visits int }

func newBrute(r planner.Request) *brute {
	n := len(r.Tasks)
	b := &brute{r: r, n: n, cool: r.CoolingOffDays}
	at := map[string]int{}
	for i, t := range r.Tasks {
		at[t.ID] = i
	}
	for i, t := range r.Tasks {
		age := 1 << 30
		if t.ValidityDays > 0 {
			age = t.ValidityDays
		}
		if t.WindowDays > 0 {
			age = min(age, t.WindowDays)
		}
		release := 0
		if t.NotBefore != "" {
			release = max(0, today.DaysUntil(t.NotBefore))
		}
		b.lead, b.age, b.release = append(b.lead, t.LeadDays), append(b.age, age), append(b.release, release)
		b.file, b.done = append(b.file, t.DoneOn != ""), append(b.done, today.DaysUntil(t.DoneOn))
		b.first = append(b.first, t.Gate == planner.Committee)
		b.second = append(b.second, t.Gate == planner.Operation || t.AlsoAtOperation)
		var needs []int
		for _, id := range t.Needs {
			needs = append(needs, at[id])
		}
		b.needs = append(b.needs, needs)
		ahead := make([]bool, n)
		clash := slices.ContainsFunc(r.Tasks, func(o planner.Task) bool {
			return slices.ContainsFunc(slices.Concat(t.Apart, o.Apart), func(s planner.Spacing) bool {
				with := s.Task
				if with == t.ID {
					with = o.ID
				}
				other := r.Tasks[at[with]]
				x, y := today.DaysUntil(t.DoneOn), today.DaysUntil(other.DoneOn)
				return other.DoneOn != "" && (s.Task == t.ID || slices.Contains(t.Apart, s)) && max(x, y)-min(x, y) < s.Days
			})
		})
		if t.DoneOn != "" && age == 1<<30 && !clash {
			needs = nil // it is never done
		}
		for _, k := range needs {
			ahead[k] = true
			for w := range k {
				ahead[w] = ahead[w] || b.ahead[k][w]
			}
		}
		b.ahead = append(b.ahead, ahead)
		for _, s := range t.Apart {
			b.apart = append(b.apart, [3]int{i, at[s.Task], s.Days})
		}
	}
	for i := n - 1; i >= 0; i-- {
		for _, k := range b.needs[i] {
			b.first[k] = b.first[k] || b.first[i]
		}
	}
	b.x1, b.x2, b.dropped = make([]int, n), make([]int, n), make([]bool, n)
	return b
}

func (b *brute) record(i, at int) bool { return b.file[i] && !b.dropped[i] && b.done[i] >= at-b.age[i] }

// counting returns the day of the result that counts at a milestone, and the
// first day on which it is there.
func (b *brute) counting(i int, operation bool) (day, there int) {
	if operation && b.second[i] {
		if b.record(i, b.s) {
			return b.done[i], b.done[i]
		}
		if b.x2[i] >= 0 {
			return b.x2[i], b.x2[i] + b.lead[i]
		}
		return b.x1[i], b.x1[i] + b.lead[i]
	}
	if b.record(i, b.c) {
		return b.done[i], b.done[i]
	}
	return b.x1[i], b.x1[i] + b.lead[i]
}

func (b *brute) spaced() bool {
	far := func(x, y, d int) bool { return x-y >= d || y-x >= d }
	for _, p := range b.apart {
		i, j, d := p[0], p[1], p[2]
		common := false
		for _, operation := range []bool{false, true} {
			of := b.first
			if operation {
				of = b.second
			}
			if of[i] && of[j] {
				common = true
				x, _ := b.counting(i, operation)
				y, _ := b.counting(j, operation)
				if !far(x, y, d) {
					return false
				}
				// Tasks to be done keep the order of needs, but a second time
				// comes after what is done once.
				if b.ahead[i][j] && x < y && b.todo(i, operation) && b.todo(j, operation) &&
					!(operation && b.x2[j] >= 0 && b.x2[i] < 0) {
					return false
				}
			}
		}
		if common {
			continue
		}
		if !b.first[i] {
			i, j = j, i
		}
		x, _ := b.counting(i, false)
		y, _ := b.counting(j, true)
		switch recorded := b.record(j, b.s); {
		case !recorded && !(y-x >= d), recorded && b.record(i, b.c) && !far(x, y, d):
			return false
		case !b.record(i, b.c) && b.file[j] && x < b.done[j]+d:
			return false
		}
	}
	return true
}

// todo reports whether the result that counts is still to come.
func (b *brute) todo(i int, operation bool) bool {
	if operation {
		return !b.record(i, b.s)
	}
	return !b.record(i, b.c)
}

// plan tries every day for task i and those after it.
func (b *brute) plan(i, repeats int, visits []int) {
	if b.best != nil {
		if repeats > b.best.repeats || repeats == b.best.repeats && (b.c > b.best.c || b.c == b.best.c && len(visits) >= b.best.visits) {
			return
		}
	}
	if i == b.n {
		if b.spaced() {
			b.best = &score{repeats, b.c, len(visits)}
		}
		return
	}
	visit := func(visits []int, day int) []int {
		kind := b.r.Tasks[i].Visit
		if kind == "" {
			return visits
		}
		v := day*256 + int(kind[0])
		if slices.Contains(visits, v) {
			return visits
		}
		return append(slices.Clone(visits), v)
	}
	again := 0
	if b.file[i] {
		again = 1
	}
	second := func(repeats, again int, visits []int) {
		b.x2[i] = -1
		lasts := b.record(i, b.s) || b.x1[i] >= 0 && b.x1[i] >= b.s-b.age[i]
		if !b.second[i] || lasts {
			b.plan(i+1, repeats, visits)
			// To keep it apart, it may be done again all the same.
			if !b.second[i] || b.x1[i] < 0 || len(b.apart) == 0 {
				return
			}
		}
		for day := max(b.release[i], b.s-b.age[i], b.x1[i]+1); day+b.lead[i] <= b.s; day++ {
			ready := true
			for _, k := range b.needs[i] {
				_, there := b.counting(k, true)
				ready = ready && there <= day
			}
			if ready {
				b.x2[i] = day
				b.plan(i+1, repeats+again, visit(visits, day))
			}
		}
		b.x2[i] = -1
	}
	b.x1[i] = -1
	if !b.first[i] || b.record(i, b.c) {
		a := again
		second(repeats, a, visits)
		return
	}
	for day := max(b.release[i], b.c-b.age[i]); day+b.lead[i] <= b.c; day++ {
		ready := true
		for _, k := range b.needs[i] {
			_, there := b.counting(k, false)
			ready = ready && there <= day
		}
		if ready {
			b.x1[i] = day
			second(repeats+again, 1, visit(visits, day))
		}
	}
	b.x1[i] = -1
}

// solve returns the best score for a day of the operation, or nil.
func (b *brute) solve(s int) *score {
	b.best, b.s = nil, s
	for mask := range 1 << b.n {
		fine := true
		for i := range b.n {
			b.dropped[i] = mask>>i&1 == 1
			clash := slices.ContainsFunc(b.apart, func(p [3]int) bool {
				x, y := b.done[p[0]], b.done[p[1]]
				return (p[0] == i || p[1] == i) && b.file[p[0]] && b.file[p[1]] && max(x, y)-min(x, y) < p[2]
			})
			fine = fine && (!b.dropped[i] || clash)
		}
		for b.c = 0; fine && b.c <= s-b.cool; b.c++ {
			b.plan(0, 0, nil)
		}
	}
	return b.best
}

// tally compares plans with the best.
type tally struct{ refused, checked, exact, days, repeats, committee, visits, proven int }

func (c *tally) compare(t rapid.TB, r planner.Request) {
	plan, err := planner.Compute(r)
	if err != nil {
		c.refused++
		return
	}
	s := today.DaysUntil(plan.Operation)
	if s > 12 {
		return
	}
	exact := plan.Exact
	if exact {
		c.exact++
	}
	b := newBrute(r)
	c.checked++
	for earlier := range s {
		if found := b.solve(earlier); found != nil {
			if exact {
				t.Fatalf("operation on day %d, but day %d is possible: %+v", s, earlier, *found)
			}
			return
		}
	}
	c.days++
	best := b.solve(s)
	if best == nil {
		t.Fatalf("day %d is not possible", s)
	}
	got := score{plan.Repeats, today.DaysUntil(plan.Committee), len(plan.Visits)}
	if got.repeats < best.repeats {
		t.Fatalf("operation on day %d: got %+v, best %+v", s, got, *best)
	}
	if exact && (got.repeats != best.repeats || got.c != best.c) {
		t.Fatalf("operation on day %d: got %+v, best %+v", s, got, *best)
	}
	if got.repeats != best.repeats {
		return
	}
	c.repeats++
	if got.c != best.c {
		return
	}
	c.committee++
	if got.visits < best.visits || exact && plan.VisitsAtLeast > best.visits {
		t.Fatalf("visits: got %d of at least %d, best %d", got.visits, plan.VisitsAtLeast, best.visits)
	}
	if got.visits == best.visits {
		c.visits++
	}
	if got.visits == plan.VisitsAtLeast {
		c.proven++
	}
}

// plain makes the tasks kept apart count at the same milestones and never
// expire.
func plain(r planner.Request) planner.Request {
	apart := map[string]bool{}
	for _, t := range r.Tasks {
		for _, s := range t.Apart {
			apart[t.ID], apart[s.Task] = true, true
		}
	}
	for i := range r.Tasks {
		if t := &r.Tasks[i]; apart[t.ID] {
			t.ValidityDays, t.WindowDays, t.Gate, t.AlsoAtOperation = 0, 0, planner.Committee, true
		}
	}
	return r
}

// TestAgainstEveryDay compares plans of a few tasks with the best of all
// plans. The operation, the repeats and the committee have to be the best ones
// whenever the plan says so; it logs how often they and the visits are.
func TestAgainstEveryDay(t *testing.T) {
	for _, c := range []struct {
		name  string
		most  int
		apart spacings
		of    func(planner.Request) planner.Request
	}{
		{"not kept apart", 6, false, plain},
		{"kept apart, simple", 5, true, plain},
		{"kept apart, any", 5, true, func(r planner.Request) planner.Request { return r }},
	} {
		t.Run(c.name, func(t *testing.T) {
			var all tally
			rapid.Check(t, func(t *rapid.T) { all.compare(t, c.of(requests(c.most, c.apart).Draw(t, "request"))) })
			for seed := range uint64(3000) { // evenly spread numbers, which rapid avoids
				random := rand.New(rand.NewPCG(seed, 1))
				all.compare(t, c.of(build(c.most, c.apart, func(least, most int) int { return least + random.IntN(most-least+1) })))
			}
			t.Logf("%+v", all)
			if all.visits*100 < all.checked*95 {
				t.Errorf("too few plans with the fewest visits")
			}
		})
	}
}
