package journey_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/walk"
)

// What is expected of the lives below is worked out from the policy in words, with
// none of the code under test: a validity ends after the day of collection plus its
// days, a visit's window reaches a number of days before and after its target, and
// what passes on a day passes in its first moment in the programme's zone.

// passing is one thing that should pass by itself at a time.
type passing struct {
	what string
	at   time.Time
}

func (p passing) String() string { return p.what + " " + p.at.UTC().Format(time.RFC3339) }

// life is one invented candidate, their commands in the order of time, and what is
// expected to pass.
type life struct {
	*reporting
	t     *testing.T
	dice  *rand.Rand
	start time.Time
	todo  []act
	want  []passing
	// settled is when what is expected was made needless, by a visit that was
	// recorded, and ended is when nothing is owed any more.
	settled map[string]time.Time
	ended   time.Time
	clocks  []*expectation
}

type act struct {
	at time.Time
	do func()
}

func (l *life) later(at time.Time, do func()) { l.todo = append(l.todo, act{at, do}) }

func (l *life) chance(percent int) bool { return l.dice.IntN(100) < percent }

// between is a random second of the hours from one to another.
func (l *life) between(from, to time.Time) time.Time {
	return from.Add(time.Duration(l.dice.Int64N(int64(to.Sub(from)/time.Second)+1)) * time.Second)
}

// end says that nothing passes after now.
func (l *life) end() { l.ended = l.now }

// newLife is an approved candidate in a random zone on a random day.
func newLife(t *testing.T, seed uint64) *life {
	dice := rand.New(rand.NewPCG(seed, 2026))
	zones := []string{"Europe/Stockholm", "America/New_York", "Australia/Lord_Howe", "America/Santiago", "Asia/Kathmandu", "Africa/Cairo", "Pacific/Apia"}
	zone, err := time.LoadLocation(zones[dice.IntN(len(zones))])
	if err != nil {
		t.Fatal(err)
	}
	day := journey.Date(walk.Plus("2025-01-01", 0, dice.IntN(1500)))
	if seed%5 == 0 { // some are operated on near a leap day
		day = journey.Date(walk.Plus("2028-02-29", 0, -dice.IntN(29)))
	}
	p := &player{rules: lifeRules(), today: day}
	p.must(journey.Refer, journey.Coordinator, "coordinator", nil)
	p.to(journey.Approved)
	r := &reporting{rules: p.rules, zone: zone, state: p.state, events: slices.Clone(p.events)}
	l := &life{reporting: r, t: t, dice: dice, start: walk.Midnight(string(day), zone).Add(15 * time.Hour), settled: map[string]time.Time{}}
	l.now = l.start
	return l
}

// must gives a command that has to be accepted.
func (l *life) must(kind journey.Kind, fill func(*journey.Command)) {
	l.t.Helper()
	if err := l.give(kind, fill); err != nil {
		l.t.Fatalf("%s at %s: %v", kind, l.now, err)
	}
}

// live carries everything out in the order of time, with an engine that runs, or
// is away, or loses all but the record, and looks at what passed.
func (l *life) live(until time.Time) {
	l.t.Helper()
	for range 30 {
		l.later(l.between(l.start, until), func() {
			switch l.dice.IntN(3) {
			case 0:
				l.state = journey.Fold(lifeRules(), l.events)
			case 1:
				var again journey.State
				if err := json.Unmarshal([]byte(encode(l.state)), &again); err != nil {
					l.t.Fatal(err)
				}
				l.state = again
			}
			if l.chance(70) {
				l.timer(l.t)
			}
		})
	}
	for len(l.todo) > 0 {
		slices.SortStableFunc(l.todo, func(a, b act) int { return a.at.Compare(b.at) })
		next := l.todo[0]
		l.todo = l.todo[1:]
		l.now = next.at
		next.do()
	}
	l.now = until
	l.timer(l.t)
	l.compare(until)
}

// lasts reports whether something that passes at a time does so before an end.
func lasts(at, end time.Time) bool { return end.IsZero() || !end.Before(at) }

func (l *life) compare(until time.Time) {
	l.t.Helper()
	var want, got []string
	for _, w := range l.want {
		if lasts(w.at, l.ended) && lasts(w.at, l.settled[w.what]) && lasts(w.at, until) {
			want = append(want, w.String())
		}
	}
	for _, x := range l.clocks {
		want = append(want, x.fired(until)...)
	}
	last := time.Time{}
	for _, e := range l.events {
		for _, d := range e.Fired {
			what := string(d.Kind)
			if d.Subject != "" {
				what += " " + d.Subject
			}
			got = append(got, passing{what, e.At}.String())
			if d.At == "" && !e.At.Equal(walk.Midnight(string(d.On), l.zone)) {
				l.t.Errorf("%s of %s passed at %s in %s", what, d.On, e.At, l.zone)
			}
		}
		if len(e.Fired) > 0 {
			if e.At.Before(last) {
				l.t.Errorf("what passed at %s stands after what passed at %s", e.At, last)
			}
			last = e.At
		}
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(want, got) {
		l.t.Errorf("in %s from %s on passed\n%v\nwant\n%v", l.zone, l.start, got, want)
	}
	if folded := journey.Fold(lifeRules(), l.events); encode(folded) != encode(l.state) {
		l.t.Errorf("the state is not the fold of the record\n%s\n%s", encode(l.state), encode(folded))
	}
}

// operate moves the day of the operation about and then operates, or withdraws on
// its morning. It returns the day, empty after a withdrawal.
func (l *life) operate() (day string) {
	start := l.start.In(l.zone).Format(time.DateOnly)
	day = walk.Plus(start, 0, 6+l.dice.IntN(22))
	first := day
	if l.chance(50) {
		first = walk.Plus(start, 0, 6+l.dice.IntN(22))
	}
	schedule := func(day string) func() {
		return func() { l.must(journey.Schedule, func(c *journey.Command) { c.On = journey.Date(day) }) }
	}
	l.later(l.start.Add(time.Hour), schedule(first))
	l.later(l.between(l.start.Add(2*time.Hour), l.start.Add(72*time.Hour)), schedule(day))
	morning := walk.Midnight(day, l.zone).Add(6 * time.Hour)
	withdraws := l.chance(20)
	l.later(morning, func() {
		l.must(journey.RecordConsent, func(c *journey.Command) { c.Requirement, c.Side = "consent-donation", journey.Left })
		for _, who := range []string{"surgeon", "clinician"} {
			l.must(journey.ConfirmLastCheck, func(c *journey.Command) { c.Role, c.Actor = journey.Clinician, who })
		}
		if withdraws {
			l.must(journey.Withdraw, func(*journey.Command) {})
		} else {
			l.must(journey.BeginOperation, func(c *journey.Command) { c.Role = journey.Clinician })
		}
	})
	if withdraws {
		return ""
	}
	return day
}

// wait lets an approval and the results that it stands on run out, with or without
// a day for the operation, until the candidate withdraws or dies, or for ever.
func (l *life) wait() {
	start := l.start.In(l.zone).Format(time.DateOnly)
	for id, days := range map[string]int{
		"creatinine": 100, "acr": 365, "hiv": 28, "history": 365, "psychosocial": 365, "advocate-final": 183, "consent-evaluation": 365,
	} {
		l.want = append(l.want, passing{"requirement-expires " + id, walk.Midnight(walk.Plus(start, 0, days+1), l.zone)})
	}
	lapses := walk.Plus(walk.Plus(start, 3, 0), 0, 1)
	l.want = append(l.want, passing{"approval-lapses", walk.Midnight(lapses, l.zone)},
		// The evaluation begins again, and has 60 days.
		passing{"evaluation-due", walk.Midnight(walk.Plus(lapses, 0, 61), l.zone)})
	if l.chance(50) {
		l.later(l.start.Add(time.Hour), func() {
			l.must(journey.Schedule, func(c *journey.Command) { c.On = c.Today.AddDays(20) })
		})
	}
	kind := []journey.Kind{journey.Withdraw, journey.RecordDeath, ""}[l.dice.IntN(3)]
	if kind == "" {
		return
	}
	l.later(l.between(l.start.Add(2*time.Hour), l.start.AddDate(1, 6, 0)), func() {
		l.must(kind, func(c *journey.Command) { c.On = c.Today })
		l.end()
	})
}

// follow is what comes after an operation on a day: five years with visits kept,
// missed or late, events to be reported, and perhaps a death.
func (l *life) follow(day string) {
	recorded := walk.Midnight(day, l.zone).Add(11 * time.Hour)
	l.later(recorded, func() {
		l.must(journey.RecordOperation, func(c *journey.Command) {
			c.Role, c.Outcome, c.Side, c.Fate = journey.Clinician, journey.Removed, journey.Left, journey.FateImplanted
			if l.chance(10) {
				c.Fate = journey.FateNotImplanted
				l.clocks = append(l.clocks, &expectation{id: fmt.Sprintf("report-%d", l.state.Seq+1), aware: l.now, started: l.now, warn: []int{24, 48}, due: 72})
			}
		})
	})
	for _, v := range []struct {
		id                        string
		months, days, open, close int
	}{{"week-1", 0, 7, 3, 7}, {"month-6", 6, 0, 60, 60}, {"year-1", 12, 0, 60, 60}} {
		target := walk.Plus(walk.Plus(day, v.months, 0), 0, v.days)
		opens := walk.Midnight(walk.Plus(target, 0, -v.open), l.zone)
		closes := walk.Midnight(walk.Plus(target, 0, v.close+1), l.zone)
		record := func(outcome journey.Outcome) func() {
			return func() {
				if l.give(journey.RecordVisit, func(c *journey.Command) { c.Visit, c.Outcome = v.id, outcome }) == nil {
					l.settled["visit-closes "+v.id] = l.now
				}
			}
		}
		switch l.dice.IntN(5) {
		case 0: // missed
		case 1:
			l.later(l.between(closes, closes.AddDate(0, 3, 0)), record(journey.Seen))
		case 2:
			l.later(l.between(opens, closes.Add(-time.Second)), record(journey.NotReached))
		case 3: // the first and the last second of the window
			l.later([]time.Time{opens, closes.Add(-time.Second)}[l.dice.IntN(2)], record(journey.Seen))
		default:
			l.later(l.between(opens, closes.Add(-time.Second)), record(journey.Seen))
		}
		l.later(opens.Add(-time.Second), func() {
			if l.give(journey.RecordVisit, func(c *journey.Command) { c.Visit, c.Outcome = v.id, journey.Seen }) == nil {
				l.t.Errorf("%s is recorded before %s", v.id, opens)
			}
		})
		l.want = append(l.want, passing{"visit-opens " + v.id, opens}, passing{"visit-closes " + v.id, closes})
	}
	l.later(walk.Midnight(walk.Plus(day, 1, 15), l.zone), func() { _ = l.give(journey.CompleteRecovery, func(*journey.Command) {}) })
	for range l.dice.IntN(4) {
		l.later(l.between(recorded.Add(time.Minute), recorded.AddDate(1, 11, 0)), func() { l.happens([]string{"dialysis", "infection"}[l.dice.IntN(2)]) })
	}
	if l.chance(20) {
		l.later(l.between(recorded.Add(time.Minute), recorded.AddDate(1, 11, 0)), func() { l.happens("death") })
	}
	if l.chance(50) {
		l.later(recorded.AddDate(4, 0, 0), func() {
			if l.give(journey.Close, func(*journey.Command) {}) == nil {
				l.end()
			}
		})
	}
}

// happens reports an event that was known up to three days ago, and closes it some
// time later.
func (l *life) happens(event string) {
	aware := l.now.Add(-time.Duration(l.dice.IntN(72*3600)) * time.Second)
	if aware.In(l.zone).Format(time.DateOnly) < string(l.state.Operated) {
		aware = l.now
	}
	if l.report(event, aware) != nil {
		return
	}
	x := &expectation{id: l.state.Reports[len(l.state.Reports)-1].ID, aware: aware, started: l.now, warn: []int{24, 48}, due: 72}
	if event == "infection" {
		x.warn, x.due = []int{24}, 168
	}
	l.clocks = append(l.clocks, x)
	if event == "death" {
		l.end()
	}
	if l.chance(80) {
		l.later(l.between(l.now, l.now.Add(200*time.Hour)), func() {
			if l.close(x.id, l.now) == nil {
				x.ended = l.now
			}
		})
	}
}

// TestLives plays 200 lives over five years. Every window opens and closes in the
// first moment of its day, every result and approval ends on its day, and every
// clock runs to the second, across leap days, clock changes, moved dates, missed
// visits, deaths, withdrawals on the morning of the operation, and crashes.
func TestLives(t *testing.T) {
	kinds := map[journey.DeadlineKind]int{}
	stages := map[journey.Stage]int{}
	for seed := range uint64(200) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			l := newLife(t, seed)
			until := l.start.AddDate(5, 0, 0)
			if l.chance(25) {
				l.wait()
			} else if day := l.operate(); day != "" {
				l.follow(day)
			}
			l.live(until)
			for _, e := range l.events {
				for _, d := range e.Fired {
					kinds[d.Kind]++
				}
			}
			stages[l.state.Stage]++
		})
	}
	for _, kind := range []journey.DeadlineKind{
		journey.RequirementExpires, journey.ApprovalLapses, journey.EvaluationDue, journey.VisitOpens, journey.VisitCloses,
		journey.ReportDue, journey.ReportDue.Soon(),
	} {
		if kinds[kind] == 0 {
			t.Errorf("in no life passed %s", kind)
		}
	}
	for _, stage := range []journey.Stage{journey.Withdrawn, journey.Deceased, journey.Closed, journey.FollowUp} {
		if stages[stage] == 0 {
			t.Errorf("no life ended in %s", stage)
		}
	}
}

// lifeRules are those that the reckoning by hand knows: without the ladder of
// contacts and the visits that repeat.
func lifeRules() journey.Rules {
	rules := smallRules()
	rules.Ladder = nil
	rules.Visits = slices.DeleteFunc(rules.Visits, func(v journey.VisitRule) bool { return v.RepeatsEvery > 0 })
	return rules
}
