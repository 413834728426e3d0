package journey_test

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"candidacy/internal/journey"
)

// reporting gives commands to a donor as an activity commits them: what passed
// before a command is recorded first, each at its instant.
type reporting struct {
	rules  journey.Rules
	zone   *time.Location
	state  journey.State
	events []journey.Event
	now    time.Time
}

// newReporting is a donor on the day after the operation, at noon.
func newReporting(t failer, zone *time.Location) *reporting {
	t.Helper()
	p := newPlayer().to(journey.Recovery)
	return &reporting{
		rules: p.rules, zone: zone, state: p.state, events: slices.Clone(p.events),
		now: p.today.AddDays(1).Start(zone).Add(12 * time.Hour),
	}
}

func (r *reporting) record(e journey.Event) {
	r.state = journey.Apply(r.rules, r.state, e)
	r.events = append(r.events, e)
}

// elapse records what has passed, as activities.elapsed does.
func (r *reporting) elapse(by journey.Moment) {
	events, after := journey.Passed(r.rules, r.state, by)
	for _, e := range events {
		e.At = e.Fired[0].Time(r.zone)
		r.events = append(r.events, e)
	}
	r.state = after
}

func (r *reporting) command(kind journey.Kind, fill func(*journey.Command)) journey.Command {
	c := journey.Command{
		ID: fmt.Sprint(len(r.events)), Candidate: "cand", Kind: kind, Role: journey.Coordinator, Actor: "coordinator",
		At: r.now, Today: journey.DateOf(r.now, r.zone),
	}
	fill(&c)
	return c
}

// give carries a command out, and returns its refusal instead.
func (r *reporting) give(kind journey.Kind, fill func(*journey.Command)) error {
	c := r.command(kind, fill)
	_, after := journey.Passed(r.rules, r.state, c.Given())
	if err := journey.Check(r.rules, after, c); err != nil {
		return err
	}
	r.elapse(c.Given())
	r.record(journey.Event{Command: c, Seq: r.state.Seq + 1, Clocks: journey.Clocks(r.rules, r.state, c, r.zone)})
	return nil
}

// timer fires everything that is due by now, one timer after the other.
func (r *reporting) timer(t failer) {
	t.Helper()
	for {
		due := journey.NextDue(r.rules, r.state, r.zone)
		if due == nil || r.now.Before(due.At) {
			return
		}
		c := journey.Command{Candidate: "cand", Kind: journey.Elapse, Role: journey.System, Actor: "timer", At: due.At, Today: due.On, On: due.On}
		if err := journey.Check(r.rules, r.state, c); err != nil {
			t.Fatalf("the timer of %+v: %v", due, err)
		}
		before := len(r.events)
		r.elapse(c.Given())
		if len(r.events) != before+1 {
			t.Fatalf("the timer of %+v made %d entries", due, len(r.events)-before)
		}
	}
}

func (r *reporting) report(event string, aware time.Time) error {
	return r.give(journey.ReportEvent, func(c *journey.Command) {
		c.Event, c.On, c.Moment, c.Person = event, journey.DateOf(aware, r.zone), journey.InstantOf(aware), "ward"
	})
}

func (r *reporting) close(id string, at time.Time) error {
	return r.give(journey.CloseReport, func(c *journey.Command) { c.Report, c.Moment = id, journey.InstantOf(at) })
}

func (r *reporting) retract(id string) error {
	return r.give(journey.RetractReport, func(c *journey.Command) { c.Report, c.Reasoned = id, true })
}

// fired lists what has passed at an instant, as "kind subject at".
func (r *reporting) fired() []string {
	var list []string
	for _, e := range r.events {
		for _, d := range e.Fired {
			if d.At != "" {
				list = append(list, fmt.Sprint(d.Kind, " ", d.Subject, " ", journey.InstantOf(e.At)))
			}
		}
	}
	return list
}

func stockholm(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Stockholm")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

func ok(t failer, err error) {
	t.Helper()
	if err != nil {
		t.Fatalf("refused: %v", err)
	}
}

// TestAClockWarnsAndPasses: 24, 48 and 72 hours after the first awareness
// (requirements 8.4 and 9.3), and nothing a second before.
func TestAClockWarnsAndPasses(t *testing.T) {
	r := newReporting(t, stockholm(t))
	aware := r.now.Add(-time.Hour)
	ok(t, r.report("dialysis", aware))
	id := r.state.Reports[0].ID
	for hours := range 80 {
		at := aware.Add(time.Duration(hours+1) * time.Hour)
		r.now = at.Add(-time.Second)
		r.timer(t)
		before := r.fired()
		r.now = at
		r.timer(t)
		want := 0
		if h := hours + 1; h == 24 || h == 48 || h == 72 {
			want = 1
		}
		if got := len(r.fired()) - len(before); got != want {
			t.Errorf("%d hours after: %d passed, want %d: %v", hours+1, got, want, r.fired())
		}
	}
	report := r.state.Reports[0]
	if in, known := report.InTime(journey.InstantOf(r.now)); !report.Passed || in || !known {
		t.Errorf("after 80 hours: %+v", report)
	}
	ok(t, r.close(id, r.now))
	if in, known := r.state.Reports[0].InTime(journey.InstantOf(r.now)); in || !known {
		t.Error("a late report is in time")
	}
}

// TestTheLimitItself: a report in the very second of the limit is in time, and one
// a second after is not.
func TestTheLimitItself(t *testing.T) {
	for after, want := range map[time.Duration]bool{0: true, time.Second: false, -time.Second: true} {
		r := newReporting(t, stockholm(t))
		aware := r.now
		ok(t, r.report("dialysis", aware))
		r.now = aware.Add(100 * time.Hour)
		ok(t, r.close(r.state.Reports[0].ID, aware.Add(72*time.Hour+after)))
		if in, known := r.state.Reports[0].InTime(journey.InstantOf(r.now)); in != want || !known {
			t.Errorf("%s after the limit: in time %t", after, in)
		}
	}
}

// TestAClockStartedLate gives one warning for all that have passed, and passes at
// once when its limit has.
func TestAClockStartedLate(t *testing.T) {
	for _, tt := range []struct {
		hours int
		want  []string
	}{
		{30, []string{"report-due-soon 1s", "report-due-soon 48h", "report-due 72h"}},
		{50, []string{"report-due-soon 1s", "report-due 72h"}},
		{72, []string{"report-due 1s"}},
		{500, []string{"report-due 1s"}},
	} {
		r := newReporting(t, stockholm(t))
		r.now = r.now.AddDate(0, 2, 0)
		r.timer(t)
		started, aware := r.now, r.now.Add(-time.Duration(tt.hours)*time.Hour)
		ok(t, r.report("dialysis", aware))
		id := r.state.Reports[0].ID
		r.now = r.now.AddDate(0, 0, 10)
		r.timer(t)
		var want []string
		for _, w := range tt.want {
			var kind, after string
			if _, err := fmt.Sscan(w, &kind, &after); err != nil {
				t.Fatal(err)
			}
			d, err := time.ParseDuration(after)
			if err != nil {
				t.Fatal(err)
			}
			at := aware.Add(d)
			if after == "1s" {
				at = started.Add(d)
			}
			want = append(want, fmt.Sprint(kind, " ", id, " ", journey.InstantOf(at)))
		}
		if got := r.fired(); !slices.Equal(got, want) {
			t.Errorf("%d hours late: got %v, want %v", tt.hours, got, want)
		}
		if limit := journey.InstantOf(aware.Add(72 * time.Hour)); r.state.Reports[0].Limit != limit {
			t.Errorf("%d hours late: the limit is %s, want %s", tt.hours, r.state.Reports[0].Limit, limit)
		}
	}
}

// TestReportsRefused names the field of each mistake.
func TestReportsRefused(t *testing.T) {
	zone := stockholm(t)
	fresh := func() *reporting {
		r := newReporting(t, zone)
		ok(t, r.report("dialysis", r.now))
		return r
	}
	good := func(r *reporting, c *journey.Command) {
		c.Event, c.On, c.Moment, c.Person = "infection", c.Today, journey.InstantOf(r.now), "ward"
		c.Report, c.Reasoned = r.state.Reports[0].ID, true
	}
	for name, tt := range map[string]struct {
		kind  journey.Kind
		spoil func(*reporting, *journey.Command)
		field string
		rule  string
	}{
		"no event":            {journey.ReportEvent, func(_ *reporting, c *journey.Command) { c.Event = "" }, "event", ""},
		"another event":       {journey.ReportEvent, func(_ *reporting, c *journey.Command) { c.Event = "stolen" }, "event", ""},
		"no day":              {journey.ReportEvent, func(_ *reporting, c *journey.Command) { c.On = "" }, "happened_on", ""},
		"tomorrow":            {journey.ReportEvent, func(_ *reporting, c *journey.Command) { c.On = c.Today.AddDays(1) }, "happened_on", ""},
		"before operation":    {journey.ReportEvent, func(r *reporting, c *journey.Command) { c.On = r.state.Operated.AddDays(-1) }, "happened_on", ""},
		"no moment":           {journey.ReportEvent, func(_ *reporting, c *journey.Command) { c.Moment = "" }, "aware_at", ""},
		"known in a second":   {journey.ReportEvent, func(r *reporting, c *journey.Command) { c.Moment = journey.InstantOf(r.now.Add(time.Second)) }, "aware_at", ""},
		"known to nobody":     {journey.ReportEvent, func(_ *reporting, c *journey.Command) { c.Person = "" }, "known_to", ""},
		"twice":               {journey.ReportEvent, func(_ *reporting, c *journey.Command) { c.Event = "dialysis" }, "", "reported-once"},
		"no report":           {journey.CloseReport, func(_ *reporting, c *journey.Command) { c.Report = "" }, "report", ""},
		"another report":      {journey.CloseReport, func(_ *reporting, c *journey.Command) { c.Report = "report-999" }, "report", ""},
		"reported never":      {journey.CloseReport, func(_ *reporting, c *journey.Command) { c.Moment = "" }, "reported_at", ""},
		"reported before":     {journey.CloseReport, func(r *reporting, c *journey.Command) { c.Moment = journey.InstantOf(r.now.Add(-time.Second)) }, "reported_at", ""},
		"reported in future":  {journey.CloseReport, func(r *reporting, c *journey.Command) { c.Moment = journey.InstantOf(r.now.Add(time.Second)) }, "reported_at", ""},
		"retracts nothing":    {journey.RetractReport, func(_ *reporting, c *journey.Command) { c.Report = "report-1" }, "report", ""},
		"retracts unreasoned": {journey.RetractReport, func(_ *reporting, c *journey.Command) { c.Reasoned = false }, "reason", ""},
	} {
		r := fresh()
		if err := r.give(tt.kind, func(c *journey.Command) { good(r, c) }); err != nil {
			t.Fatalf("%s: the unspoilt command: %v", name, err)
		}
		r = fresh()
		err := r.give(tt.kind, func(c *journey.Command) { good(r, c); tt.spoil(r, c) })
		var refusal *journey.Refusal
		if !errors.As(err, &refusal) || refusal.Field != tt.field || tt.rule != "" && refusal.Reasons[0].Rule != tt.rule {
			t.Errorf("%s: %v", name, err)
		}
	}
	// What is closed or retracted is not closed again.
	for _, settle := range []func(*reporting, string) error{
		func(r *reporting, id string) error { return r.close(id, r.now) }, (*reporting).retract,
	} {
		r := fresh()
		ok(t, settle(r, r.state.Reports[0].ID))
		if err := r.close(r.state.Reports[0].ID, r.now); err == nil {
			t.Error("a settled report is closed again")
		}
	}
}

// TestADonorDies: the visits ahead are not owed any more, and the journey is over
// once the death is reported.
func TestADonorDies(t *testing.T) {
	r := newReporting(t, stockholm(t))
	ok(t, r.report("death", r.now))
	id := r.state.Reports[0].ID
	for _, v := range r.state.Visits {
		if v.Status != journey.VisitNotOwed {
			t.Errorf("%s is %s", v.ID, v.Status)
		}
	}
	if err := r.give(journey.RecordVisit, func(c *journey.Command) { c.Visit, c.Outcome = "week-1", journey.Seen }); err == nil {
		t.Error("a visit of a dead donor is recorded")
	}
	r.now = r.now.AddDate(3, 0, 0)
	r.timer(t)
	if n := len(r.fired()); n != 3 || r.state.Stage != journey.Recovery {
		t.Errorf("%v fired, in %s", r.fired(), r.state.Stage)
	}
	if len(journey.Deadlines(r.rules, r.state)) > 0 {
		t.Errorf("a dead donor owes %+v", journey.Deadlines(r.rules, r.state))
	}
	ok(t, r.close(id, r.now))
	if r.state.Stage != journey.Closed {
		t.Errorf("after the report: %s", r.state.Stage)
	}
}

// TestADeathByMistake gives the visits back as their windows allow.
func TestADeathByMistake(t *testing.T) {
	r := newReporting(t, stockholm(t))
	before := r.state.Visits
	ok(t, r.report("death", r.now))
	r.now = r.state.Operated.AddMonths(6).Start(r.zone)
	r.timer(t)
	ok(t, r.retract(r.state.Reports[0].ID))
	var got []journey.VisitStatus
	for _, v := range r.state.Visits {
		got = append(got, v.Status)
	}
	if want := []journey.VisitStatus{journey.VisitMissed, journey.VisitOpen, journey.VisitAhead}; !slices.Equal(got, want) || r.state.Died != "" {
		t.Errorf("the visits are %v, want %v; before %+v", got, want, before)
	}
	if open := r.state.OpenReports(); len(open) > 0 {
		t.Errorf("a retracted death is to be reported: %+v", open)
	}
	ok(t, r.report("death", r.now))
}

// TestADeathInTheOperation waits for the record of the operation too.
func TestADeathInTheOperation(t *testing.T) {
	p := newPlayer().to(journey.Operation)
	r := &reporting{rules: p.rules, zone: time.UTC, state: p.state, events: p.events, now: p.today.Start(time.UTC).Add(20 * time.Hour)}
	ok(t, r.report("death", r.now))
	ok(t, r.close(r.state.Reports[0].ID, r.now))
	if r.state.Stage != journey.Operation {
		t.Errorf("the operation is not on record, and the stage is %s", r.state.Stage)
	}
	ok(t, r.give(journey.RecordOperation, func(c *journey.Command) {
		c.Role, c.Outcome, c.Side = journey.Clinician, journey.Removed, journey.Left
	}))
	if r.state.Stage != journey.Closed || slices.ContainsFunc(r.state.Visits, func(v journey.Visit) bool { return v.Status != journey.VisitNotOwed }) {
		t.Errorf("after the operation: %s, %+v", r.state.Stage, r.state.Visits)
	}
}

// TestWithinTwoYears: the second anniversary is the last day, also of an operation
// on a leap day.
func TestWithinTwoYears(t *testing.T) {
	for _, tt := range []struct {
		operated, happened journey.Date
		owed               bool
	}{
		{"2026-03-10", "2028-03-10", true}, {"2026-03-10", "2028-03-11", false}, {"2028-02-29", "2030-02-28", true}, {"2028-02-29", "2030-03-01", false},
	} {
		at := tt.happened.Start(time.UTC).Add(9 * time.Hour)
		clocks := journey.Clocks(smallRules(), journey.State{Operated: tt.operated}, journey.Command{
			Kind: journey.ReportEvent, Event: "death", At: at, Today: tt.happened, On: tt.happened, Moment: journey.InstantOf(at),
		}, time.UTC)
		if len(clocks) != 1 || clocks[0].NotOwed == tt.owed || (clocks[0].Limit != "") != tt.owed {
			t.Errorf("%s after %s: %+v", tt.happened, tt.operated, clocks)
		}
	}
}

// TestTheOperationStartsAClock where it ended in what has to be reported.
func TestTheOperationStartsAClock(t *testing.T) {
	for _, tt := range []struct {
		outcome journey.Outcome
		fate    journey.Fate
		want    []string
	}{
		{journey.Removed, journey.FateImplanted, nil}, {journey.Removed, "", nil}, {journey.StoppedNotRemoved, "", []string{"stopped"}},
		{journey.Removed, journey.FateNotImplanted, []string{"not-implanted"}},
	} {
		p := newPlayer().to(journey.Operation)
		r := &reporting{rules: p.rules, zone: time.UTC, state: p.state, now: p.today.Start(time.UTC).Add(20 * time.Hour)}
		ok(t, r.give(journey.RecordOperation, func(c *journey.Command) {
			c.Role, c.Actor, c.Outcome, c.Side, c.Fate = journey.Clinician, "surgeon", tt.outcome, journey.Left, tt.fate
		}))
		var got []string
		for _, report := range r.state.Reports {
			got = append(got, report.Event)
			if report.KnownTo != "surgeon" || report.Aware != journey.InstantOf(r.now) || report.Happened != r.state.Operated {
				t.Errorf("the clock of %s: %+v", tt.outcome, report)
			}
		}
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s, %q: clocks %v, want %v", tt.outcome, tt.fate, got, tt.want)
		}
		// What is known already is not known a second time.
		again := r.command(journey.AmendOperation, func(c *journey.Command) { c.Outcome, c.Fate = tt.outcome, cmp.Or(tt.fate, journey.FateUnknown) })
		if clocks := journey.Clocks(r.rules, r.state, again, time.UTC); len(clocks) > 0 {
			t.Errorf("%s, %q: clocks again: %+v", tt.outcome, tt.fate, clocks)
		}
	}
}

// TestADeathBeforeTheOperation ends the journey wherever it stands.
func TestADeathBeforeTheOperation(t *testing.T) {
	for _, stage := range []journey.Stage{journey.Referral, journey.Evaluation, journey.Scheduled} {
		p := newPlayer().to(stage)
		c := p.command(journey.RecordDeath, journey.Clinician, "clinician")
		for _, on := range []journey.Date{"", p.today.AddDays(1)} {
			if c.On = on; journey.Check(p.rules, p.state, c) == nil {
				t.Errorf("a death on %q is taken", on)
			}
		}
		p.must(journey.RecordDeath, journey.Clinician, "clinician", func(c *journey.Command) { c.On = p.today })
		if p.state.Stage != journey.Deceased || p.state.Planned != "" || len(journey.Deadlines(p.rules, p.state)) > 0 {
			t.Errorf("%s: %+v", stage, p.state)
		}
	}
	p := newPlayer().to(journey.Recovery)
	if err := journey.Check(p.rules, p.state, p.command(journey.RecordDeath, journey.Clinician, "clinician")); err == nil {
		t.Error("a donor's death has no clock")
	}
}

// TestReportTally counts in hours that were worked out by hand.
func TestReportTally(t *testing.T) {
	limit := func(at journey.Instant) journey.Clock { return journey.Clock{Limit: at} }
	s := journey.State{Reports: []journey.Report{
		{Clock: limit("2026-03-04T12:00:00Z")}, // overdue
		{Clock: limit("2026-03-06T12:00:00Z")}, // open
		{Clock: limit("2026-03-05T12:00:00Z")}, // open, in its last second
		{},                                     // open without a limit
		{Clock: limit("2026-03-04T12:00:00Z"), Reported: "2026-03-04T12:00:00Z"}, // in time
		{Clock: limit("2026-03-04T12:00:00Z"), Reported: "2026-03-04T12:00:01Z"}, // late
		{Reported: "2026-03-04T12:00:01Z"},                                       // without a limit
		{Clock: limit("2026-03-01T12:00:00Z"), RetractedBy: "somebody"},          // counts nowhere
		{Clock: journey.Clock{NotOwed: true}},                                    // counts nowhere
	}}
	var got journey.ReportTally
	got.Add(s, "2026-03-05T12:00:00Z")
	if want := (journey.ReportTally{Open: 4, Overdue: 1, InTime: 1, Late: 1, Unlimited: 1}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// expectation is what a clock should do, worked out from the policy and not from
// the code: when it was started, and when nobody waits for it any more.
type expectation struct {
	id                    string
	aware, started, ended time.Time
	warn                  []int
	due                   int
	death                 bool
}

func (x expectation) fired(now time.Time) []string {
	var list []string
	add := func(kind string, at time.Time) {
		if x.ended.IsZero() && !now.Before(at) || !x.ended.IsZero() && !x.ended.Before(at) {
			list = append(list, fmt.Sprint(kind, " ", x.id, " ", at.UTC().Format("2006-01-02T15:04:05Z")))
		}
	}
	hours := func(n int) time.Time { return x.aware.Add(time.Duration(n) * time.Hour) }
	next := x.started.Add(time.Second)
	missed := false
	for _, n := range x.warn {
		if at := hours(n); x.started.Before(at) {
			add("report-due-soon", at)
		} else {
			missed = true
		}
	}
	if due := hours(x.due); x.started.Before(due) {
		if missed {
			add("report-due-soon", next)
		}
		add("report-due", due)
	} else {
		add("report-due", next)
	}
	return list
}

// TestClocksForgetNothing plays random events, reports and retractions in zones
// whose clocks change by an hour, by half of one and at midnight, with timers that
// run and timers that do not, and starts again from the record in between. Every
// clock passes at its instants, once, in order.
func TestClocksForgetNothing(t *testing.T) {
	policy := map[string][]int{"dialysis": {24, 48, 72}, "infection": {24, 168}, "death": {24, 48, 72}}
	passed := 0
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom([]string{"Europe/Stockholm", "America/New_York", "Australia/Lord_Howe", "America/Santiago", "Asia/Kathmandu"}).Draw(t, "zone")
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		r := newReporting(t, zone)
		var clocks []*expectation
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			r.now = r.now.Add(time.Duration(rapid.IntRange(1, 60*3600).Draw(t, "seconds")) * time.Second)
			switch rapid.IntRange(0, 5).Draw(t, "step") {
			case 0, 1:
				event := rapid.SampledFrom([]string{"dialysis", "dialysis", "infection", "infection", "death"}).Draw(t, "event")
				aware := r.now.Add(-time.Duration(rapid.IntRange(0, 90*3600).Draw(t, "ago")) * time.Second)
				if r.report(event, aware) != nil {
					continue
				}
				hours := policy[event]
				last := len(hours) - 1
				clocks = append(clocks, &expectation{
					id: r.state.Reports[len(r.state.Reports)-1].ID, aware: aware, started: r.now, warn: hours[:last], due: hours[last],
				})
			case 2:
				if len(clocks) == 0 {
					continue
				}
				x := rapid.SampledFrom(clocks).Draw(t, "clock")
				if rapid.Bool().Draw(t, "close") && r.close(x.id, r.now) == nil || r.retract(x.id) == nil && x.ended.IsZero() {
					x.ended = r.now
				}
			case 3: // a crash: everything but the record is lost
				r.state = journey.Fold(smallRules(), r.events)
			default:
				r.timer(t)
			}
			if folded := journey.Fold(smallRules(), r.events); encode(folded) != encode(r.state) {
				t.Fatalf("the state is not the fold of the record\n%s\n%s", encode(r.state), encode(folded))
			}
		}
		r.now = r.now.AddDate(0, 0, 20)
		r.timer(t)
		var want []string
		for _, x := range clocks {
			want = append(want, x.fired(r.now)...)
		}
		got := r.fired()
		passed += len(got)
		at := ""
		for _, line := range got {
			if when := line[len(line)-20:]; when < at {
				t.Fatalf("out of order: %v", got)
			} else {
				at = when
			}
		}
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Fatalf("in %s passed\n%v, want\n%v", name, got, want)
		}
		for i := 1; i < len(r.events); i++ {
			if r.events[i].At.Before(r.events[i-1].At) && r.events[i].Kind == journey.Elapse && r.events[i].Fired[0].At != "" {
				t.Fatalf("entry %d is older than the one before it", i)
			}
		}
	})
	if passed == 0 {
		t.Error("no clock ever passed")
	}
}
