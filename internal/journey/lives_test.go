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

// What is expected of the lives below is worked out in reckoning_test.go.

// life is one invented candidate, their commands in the order of time, and the
// reckoning of what passes.
type life struct {
	*reporting
	*reckoning
	t     *testing.T
	dice  *rand.Rand
	start time.Time
	todo  []act
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

// newLife is an approved candidate in a random zone on a random day.
func newLife(t *testing.T, seed uint64) *life {
	dice := rand.New(rand.NewPCG(seed, 2026))
	zones := []string{"Europe/Stockholm", "America/New_York", "Australia/Lord_Howe", "America/Santiago", "Asia/Kathmandu", "Africa/Cairo", "Pacific/Apia"}
	zone, err := time.LoadLocation(zones[dice.IntN(len(zones))])
	if err != nil {
		t.Fatal(err)
	}
	day := walk.Plus("2025-01-01", 0, dice.IntN(1500))
	if seed%5 == 0 { // some are operated on near a leap day
		day = walk.Plus("2028-02-29", 0, -dice.IntN(29))
	}
	p := &player{rules: smallRules(), today: journey.Date(day)}
	p.must(journey.Refer, journey.Coordinator, "coordinator", nil)
	p.to(journey.Approved)
	r := &reporting{rules: p.rules, zone: zone, state: p.state, events: slices.Clone(p.events)}
	l := &life{reporting: r, reckoning: approvedOn(day, zone), t: t, dice: dice, start: walk.Midnight(day, zone).Add(15 * time.Hour)}
	l.now = l.start
	return l
}

// must gives a command that has to be accepted.
func (l *life) must(kind journey.Kind, fill func(*journey.Command)) {
	l.t.Helper()
	l.try(true, kind, fill)
}

// try gives a command and compares what became of it with the policy.
func (l *life) try(accepted bool, kind journey.Kind, fill func(*journey.Command)) {
	l.t.Helper()
	var c journey.Command
	err := l.give(kind, func(command *journey.Command) { fill(command); c = *command })
	if accepted != (err == nil) {
		l.t.Fatalf("%s of %s%s with %s %s for %q at %s: accepted should be %t, got %v", kind, c.Visit, c.Report, c.Outcome, c.ReasonCode, c.On, l.now, accepted, err)
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
				l.state = journey.Fold(smallRules(), l.events)
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
		if until.Before(next.at) {
			break
		}
		l.now = next.at
		l.reckon(l.now)
		next.do()
	}
	l.now = until
	l.reckon(until)
	l.timer(l.t)
	l.compare(until)
}

func (l *life) compare(until time.Time) {
	l.t.Helper()
	var want, got []string
	for _, p := range l.passes {
		want = append(want, p.String())
	}
	for _, x := range l.clocks {
		want = append(want, x.fired(until)...)
	}
	var last journey.Date
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
			if d.On.Before(last) {
				l.t.Errorf("%s of %s stands after what passed on %s", what, d.On, last)
			}
			last = d.On
		}
		if e.Today.Before(last) {
			l.t.Errorf("%s on %s stands after what passed on %s", e.Kind, e.Today, last)
		}
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(want, got) {
		l.t.Errorf("in %s from %s on passed too much\n%v\nand too little\n%v", l.zone, l.start, without(got, want), without(want, got))
	}
	if folded := journey.Fold(smallRules(), l.events); encode(folded) != encode(l.state) {
		l.t.Errorf("the state is not the fold of the record\n%s\n%s", encode(l.state), encode(folded))
	}
}

// without is what is left of a list when each of the others has taken away one.
func without(list, others []string) []string {
	list = slices.Clone(list)
	for _, other := range others {
		if i := slices.Index(list, other); i >= 0 {
			list = slices.Delete(list, i, i+1)
		}
	}
	return list
}

// schedule plans the operation, or moves it.
func (l *life) schedule(day string) {
	if l.held {
		l.must(journey.Resume, func(*journey.Command) {})
		l.resume()
	}
	l.must(journey.Schedule, func(c *journey.Command) { c.On = journey.Date(day) })
	l.planFor(day)
}

// stir moves or cancels the plan, or holds the candidate, or goes on. A new day
// for the operation is one that the approval reaches.
func (l *life) stir(latest string) {
	switch step := l.dice.IntN(4); {
	case l.over:
	case step == 0 && l.plan != "":
		l.must(journey.CancelOperation, func(c *journey.Command) { c.Reasoned = true })
		l.cancel()
	case step == 1 && !l.held:
		l.must(journey.Hold, func(*journey.Command) {})
		l.hold()
	case step == 2 && l.held:
		l.must(journey.Resume, func(*journey.Command) {})
		l.resume()
	case step == 3 && !l.lapsed:
		// Five days are for cooling off.
		if day := walk.Plus(l.day, 0, 5+l.dice.IntN(60)); day <= latest {
			l.schedule(day)
		}
	}
}

// operate moves the day of the operation about, cancels it and holds the
// candidate, and then operates, or withdraws on the morning. It returns the day,
// empty after a withdrawal.
func (l *life) operate() string {
	// Results for the operation are valid for 28 days.
	day := walk.Plus(l.day, 0, 8+l.dice.IntN(20))
	first := walk.Plus(l.day, 0, 6+l.dice.IntN(22))
	if l.chance(50) {
		first = day
	}
	l.later(l.start.Add(time.Hour), func() { l.schedule(first) })
	eve := walk.Midnight(walk.Plus(day, 0, -1), l.zone)
	for range l.dice.IntN(6) {
		l.later(l.between(l.start.Add(2*time.Hour), eve), func() { l.stir(day) })
	}
	l.later(l.between(eve, eve.Add(20*time.Hour)), func() { l.schedule(day) })
	withdraws := l.chance(20)
	l.later(walk.Midnight(day, l.zone).Add(6*time.Hour), func() {
		l.must(journey.RecordConsent, func(c *journey.Command) { c.Requirement, c.Side = "consent-donation", journey.Left })
		for _, who := range []string{"surgeon", "clinician"} {
			l.must(journey.ConfirmLastCheck, func(c *journey.Command) { c.Role, c.Actor = journey.Clinician, who })
		}
		if withdraws {
			l.must(journey.Withdraw, func(*journey.Command) {})
			l.over = true
		} else {
			l.must(journey.BeginOperation, func(c *journey.Command) { c.Role = journey.Clinician })
			l.begin()
		}
	})
	if withdraws {
		return ""
	}
	return day
}

// wait lets an approval and the results that it stands on run out, with days for
// the operation that come and go, until the candidate withdraws or dies, or for
// ever.
func (l *life) wait() {
	latest := walk.Plus(l.day, 3, 0)
	for range l.dice.IntN(10) {
		until := l.start.AddDate(0, 3, 0)
		if l.chance(20) {
			until = l.start.AddDate(1, 0, 0)
		}
		l.later(l.between(l.start.Add(time.Hour), until), func() { l.stir(latest) })
	}
	kind := []journey.Kind{journey.Withdraw, journey.RecordDeath, ""}[l.dice.IntN(3)]
	if kind == "" {
		return
	}
	l.later(l.between(l.start.Add(2*time.Hour), l.start.AddDate(1, 6, 0)), func() {
		l.must(kind, func(c *journey.Command) { c.On = c.Today })
		l.over = true
	})
}

// follow is what comes after an operation on a day: five years with visits kept,
// missed or late, attempts to reach the donor, events to be reported, and perhaps
// a death, or a mistaken one.
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
		l.owe()
	})
	for _, v := range policyVisits(day) {
		opens := walk.Midnight(v.opens, l.zone)
		closes := walk.Midnight(walk.Plus(v.last, 0, 1), l.zone)
		record := func(outcome journey.Outcome, reason journey.VisitReason) func() {
			return func() { l.record(v.id, outcome, reason, l.day) }
		}
		switch l.dice.IntN(6) {
		case 0: // missed
		case 1:
			l.later(l.between(closes, closes.AddDate(0, 6, 0)), record(journey.Seen, ""))
		case 2:
			l.later(l.between(opens, closes.Add(-time.Second)), record(journey.NotReached, l.reason()))
		case 3: // the first and the last second of the window
			l.later([]time.Time{opens, closes.Add(-time.Second)}[l.dice.IntN(2)], record(journey.Seen, ""))
		case 4: // entered later, with its own day, or with the reason why there was none
			at := l.between(closes, closes.AddDate(0, 6, 0))
			if l.chance(50) {
				l.later(at, record(journey.NotReached, l.reason()))
			} else {
				seen := l.between(opens, closes.Add(-time.Second)).In(l.zone).Format(time.DateOnly)
				l.later(at, func() { l.record(v.id, journey.Seen, "", seen) })
			}
		default:
			l.later(l.between(opens, closes.Add(-time.Second)), record(journey.Seen, ""))
		}
		if opens := opens.Add(-time.Second); recorded.Before(opens) {
			l.later(opens, record(journey.Seen, ""))
		}
	}
	l.later(walk.Midnight(walk.Plus(day, 1, 15), l.zone), func() {
		if !l.over {
			l.must(journey.CompleteRecovery, func(*journey.Command) {})
		}
	})
	for range l.dice.IntN(15) {
		l.later(l.between(recorded.Add(time.Minute), recorded.AddDate(5, 0, 0)), l.contact)
	}
	for range l.dice.IntN(4) {
		l.later(l.between(recorded.Add(time.Minute), recorded.AddDate(1, 11, 0)), func() { l.happens([]string{"dialysis", "infection"}[l.dice.IntN(2)]) })
	}
	if l.chance(20) {
		l.later(l.between(recorded.Add(time.Minute), recorded.AddDate(1, 11, 0)), func() { l.happens("death") })
	}
	for range l.dice.IntN(3) {
		// Learned of in the course of follow-up, on whatever visit.
		l.later(l.between(recorded.Add(time.Minute), recorded.AddDate(3, 0, 0)), func() {
			died := max(l.operated, walk.Plus(l.day, 0, -l.dice.IntN(20)))
			l.record(l.visits[l.dice.IntN(len(l.visits))].id, journey.NotReached, journey.ReasonDied, died)
		})
	}
	if l.chance(50) {
		l.later(recorded.AddDate(4, 0, 0), func() {
			l.try(l.closable(), journey.Close, func(*journey.Command) {})
			l.over = l.over || l.closable()
		})
	}
}

// reason is why a visit did not take place, or none.
func (l *life) reason() journey.VisitReason {
	return []journey.VisitReason{"", journey.ReasonMoved, journey.ReasonRefused, journey.ReasonNoAnswer, journey.ReasonAbroad}[l.dice.IntN(5)]
}

// record gives a visit on a day, or the reason why there was none.
func (l *life) record(id string, outcome journey.Outcome, reason journey.VisitReason, day string) {
	l.t.Helper()
	says := outcome == journey.Seen || reason == journey.ReasonRefused
	if v := l.find(id); says && v != nil && l.spoken(day, v) {
		return
	}
	accepted := l.recordable(id, outcome, reason, day)
	l.try(accepted, journey.RecordVisit, func(c *journey.Command) {
		c.Visit, c.Outcome, c.ReasonCode, c.On = id, outcome, reason, journey.Date(day)
	})
	switch {
	case !accepted:
	case reason != journey.ReasonDied:
		l.recorded(id, outcome, reason, day)
	default:
		clock := &expectation{id: fmt.Sprintf("report-%d", l.state.Seq), aware: l.now, started: l.now, warn: []int{24, 48}, due: 72, death: true}
		if l.recordedDeath(id, day, clock); l.running(clock) {
			l.perhapsEnd(clock)
		}
	}
}

// contact tries to reach the donor, mostly for the visit that comes next.
func (l *life) contact() {
	l.t.Helper()
	v := l.visits[l.dice.IntN(len(l.visits))]
	if next := l.nextVisit(); next != nil && l.chance(70) {
		v = next
	}
	outcomes := []journey.Outcome{journey.NoAnswer, journey.ContactRefused, journey.ContactRefused, journey.Reached, journey.WrongAddress}
	outcome := outcomes[l.dice.IntN(len(outcomes))]
	day := l.day
	if l.chance(30) { // entered some days later
		day = max(l.operated, walk.Plus(day, 0, -l.dice.IntN(30)))
	}
	if l.spoken(day, nil) {
		return
	}
	accepted := l.contactable(v)
	l.try(accepted, journey.RecordContact, func(c *journey.Command) {
		c.Visit, c.Channel, c.Outcome, c.On = v.id, "call", outcome, journey.Date(day)
	})
	if accepted {
		l.contacted(v, outcome, day)
	}
}

// happens reports an event that was known up to three days ago, and closes it some
// time later.
func (l *life) happens(event string) {
	aware := l.now.Add(-time.Duration(l.dice.IntN(72*3600)) * time.Second)
	if aware.In(l.zone).Format(time.DateOnly) < l.operated {
		aware = l.now
	}
	if l.report(event, aware) != nil {
		return
	}
	x := &expectation{id: fmt.Sprintf("report-%d", l.state.Seq), aware: aware, started: l.now, warn: []int{24, 48}, due: 72, death: event == "death"}
	if event == "infection" {
		x.warn, x.due = []int{24}, 168
	}
	l.clocks = append(l.clocks, x)
	if x.death {
		l.die(aware.In(l.zone).Format(time.DateOnly))
	}
	l.perhapsEnd(x)
}

// perhapsEnd reports an event to the authority some time later, or takes it back,
// a mistaken death within some years.
func (l *life) perhapsEnd(x *expectation) {
	switch dice := l.dice.IntN(10); {
	case dice < 5:
		l.later(l.between(l.now, l.now.Add(200*time.Hour)), func() {
			if l.running(x) {
				ok(l.t, l.close(x.id, l.now))
				x.ended = l.now
				l.conclude()
			}
		})
	case dice < 8:
		until := l.now.Add(200 * time.Hour)
		if x.death {
			until = l.now.AddDate(1+l.dice.IntN(3), 0, 0)
		}
		l.later(l.between(l.now, until), func() {
			if l.over {
				return
			}
			ok(l.t, l.retract(x.id))
			x.ended = l.now
			if x.death {
				l.revive()
			}
			l.conclude()
		})
	}
}

// TestLives plays 200 lives over five years. Every window opens and closes in the
// first moment of its day, every step of the ladder of contacts, every result and
// approval passes on its day, and every clock runs to the second, across leap
// days, clock changes, moved and cancelled dates, refusals, missed visits, deaths
// and mistaken ones, withdrawals on the morning of the operation, and crashes.
func TestLives(t *testing.T) {
	kinds := map[journey.DeadlineKind]int{}
	commands := map[journey.Kind]int{}
	stages := map[journey.Stage]int{}
	visits := map[string]int{}
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
				commands[e.Kind]++
				for _, d := range e.Fired {
					kinds[d.Kind]++
				}
			}
			for _, v := range l.state.Visits {
				visits[v.ID]++
			}
			stages[l.state.Stage]++
		})
	}
	if testing.Verbose() {
		t.Log(kinds, commands, stages, visits)
	}
	for _, kind := range []journey.DeadlineKind{
		journey.RequirementExpires, journey.ApprovalLapses, journey.EvaluationDue, journey.HoldReviewDue, journey.NewDateDue, journey.Readiness,
		journey.VisitOpens, journey.VisitCloses, journey.ContactDue, journey.ReportDue, journey.ReportDue.Soon(),
	} {
		if kinds[kind] == 0 {
			t.Errorf("in no life passed %s", kind)
		}
	}
	for _, kind := range []journey.Kind{journey.CancelOperation, journey.Hold, journey.Resume, journey.Withdraw, journey.RecordContact, journey.CloseReport, journey.RetractReport} {
		if commands[kind] == 0 {
			t.Errorf("in no life was %s", kind)
		}
	}
	for _, stage := range []journey.Stage{journey.Withdrawn, journey.Deceased, journey.Closed, journey.FollowUp} {
		if stages[stage] == 0 {
			t.Errorf("no life ended in %s", stage)
		}
	}
	for _, id := range []string{"yearly-m24", "yearly-m36", "yearly-m48", "yearly-m60"} {
		if visits[id] == 0 {
			t.Errorf("no life had the visit %s", id)
		}
	}
}
