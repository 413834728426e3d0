package workflows_test

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.temporal.io/sdk/log"
	"go.temporal.io/sdk/testsuite"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/walk"
	"candidacy/testdata/protocols"
	"candidacy/workflows"
)

// span is a time of one engine: from when it starts until it is lost with all it
// knows. What people give between two engines waits for the next one.
type span struct{ from, until time.Time }

// act is something that happens at a time.
type act struct {
	at time.Time
	do func()
}

// relive runs the acts through several engines, each of which starts from the
// record.
func (b *bench) relive(spans []span, acts []act) {
	b.t.Helper()
	slices.SortStableFunc(acts, func(a, b act) int { return a.at.Compare(b.at) })
	for n, s := range spans {
		var suite testsuite.WorkflowTestSuite
		suite.SetLogger(log.NewStructuredLogger(slog.New(slog.DiscardHandler)))
		b.env = suite.NewTestWorkflowEnvironment()
		b.env.SetStartTime(s.from)
		b.env.SetTestTimeout(time.Minute)
		b.env.RegisterWorkflow(workflows.Candidate)
		b.env.RegisterActivity(&activities.Activities{
			Store: b.store, Protocols: protocol.NewRegistry(b.store.Protocol, b.protocol), Publisher: silent{},
		})
		later := time.Duration(0)
		for len(acts) > 0 && acts[0].at.Before(s.until) {
			// Those that waited come one after the other, in their order.
			later = max(later+time.Second, acts[0].at.Sub(s.from))
			b.env.RegisterDelayedCallback(acts[0].do, later)
			acts = acts[1:]
		}
		b.env.RegisterDelayedCallback(b.env.CancelWorkflow, max(s.until.Sub(s.from), later+time.Second))
		in := workflows.Input{Rules: b.protocol.Rules()}
		if n > 0 {
			r, err := b.store.Resumable(b.t.Context(), b.candidate)
			if err != nil {
				b.t.Fatal(err)
			}
			if r.State.Stage.Ended() {
				break
			}
			in.State, in.Next = r.State, r.Next
		}
		b.env.ExecuteWorkflow(workflows.Candidate, in)
		b.recorded()
	}
}

// zones have no, one or another change of the clocks, by an hour or by half of one,
// and offsets that are no whole hours.
var zones = []string{"Europe/Stockholm", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "Pacific/Apia", "UTC"}

// TestLives plays 200 lives of five years, in several time zones, through the real
// workflow on a real record, with a clock that jumps and an engine that is lost
// several times in each. Visits and clocks pass on the days that the policy says,
// once each.
func TestLives(t *testing.T) {
	lives := uint64(200)
	if testing.Short() {
		lives = 20
	}
	var operated, complications atomic.Int64
	t.Run("in", func(t *testing.T) {
		for seed := range lives {
			t.Run(fmt.Sprint(seed), func(t *testing.T) {
				t.Parallel()
				removed, complicated := relive(t, seed)
				if removed {
					operated.Add(1)
				}
				if complicated {
					complications.Add(1)
				}
			})
		}
	})
	// Lives that stop before the operation prove little.
	if n := operated.Load(); n < int64(lives)*7/10 {
		t.Errorf("%d of %d lives came to the operation", n, lives)
	}
	if complications.Load() == 0 {
		t.Error("no life has a complication")
	}
}

// inZone is the brief protocol of a programme elsewhere.
func inZone(t *testing.T, zone string) *protocol.Protocol {
	t.Helper()
	p, err := protocol.Parse([]byte(strings.Replace(protocols.Brief, "time_zone: Europe/Stockholm", "time_zone: "+zone, 1)))
	if err != nil || p.TimeZone != zone {
		t.Fatalf("a programme in %s: %v", zone, err)
	}
	return p
}

// relive plays one life, and reports whether it came to the operation and had a
// complication.
func relive(t *testing.T, seed uint64) (removed, complicated bool) {
	t.Helper()
	dice := rand.New(rand.NewPCG(seed, 5))
	b := newBenchOn(t, inZone(t, zones[seed%uint64(len(zones))]))
	zone := b.protocol.Zone()
	// The operation falls on days from 2025 to 2028, in one life on 29 February.
	start := time.Date(morning.Year(), morning.Month(), morning.Day()+dice.IntN(1200), 9, 0, 0, 0, zone)
	if seed == 0 {
		start = time.Date(2028, time.February, 29-walk.OperationDay, 9, 0, 0, 0, zone)
	}
	until := start.AddDate(5, 0, 0)
	w := walk.New(1, start)
	b.walk = w
	w.Refer().Screen().Evaluate().Present().Approve().Schedule()
	// The day is moved away and back.
	w.Add(w.At(walk.OperationDay-12, 3), journey.Schedule, walk.Coordinator, journey.Coordinator, &command.Schedule{Date: w.Day(walk.OperationDay + 1)})
	w.Add(w.At(walk.OperationDay-11, 3), journey.Schedule, walk.Coordinator, journey.Coordinator, &command.Schedule{Date: w.Day(walk.OperationDay)})
	w.Prepare()
	withdraws := seed%6 == 5
	if withdraws {
		w.Add(w.At(walk.OperationDay, -2), journey.Withdraw, walk.Advocate, journey.Advocate, &command.Plain{Note: walk.Secret})
	} else {
		w.Operate()
	}
	var acts []act
	for i, step := range w.Steps() {
		acts = append(acts, act{step.At.Add(time.Duration(i) * time.Second), func() { b.give(i, step) }})
	}
	// give adds a step that may be refused.
	give := func(at time.Time, kind journey.Kind, body func() command.Body) {
		acts = append(acts, act{at, func() {
			w.Add(b.env.Now(), kind, walk.Coordinator, journey.Coordinator, body())
			steps := w.Steps()
			b.give(len(steps)-1, steps[len(steps)-1])
		}})
	}
	between := func(from, to time.Time) time.Time {
		return from.Add(time.Duration(dice.Int64N(int64(to.Sub(from)/time.Second))) * time.Second)
	}
	operated := string(w.Day(walk.OperationDay))
	recorded := w.At(walk.OperationDay, 5)
	if !withdraws {
		windows := windowsAfter(operated, zone)
		for _, id := range slices.Sorted(maps.Keys(windows)) {
			opens, closes := windows[id][0], windows[id][1]
			if dice.IntN(3) > 0 {
				give(between(opens, closes.AddDate(0, 1, 0)), journey.RecordVisit, func() command.Body {
					return &command.RecordVisit{Visit: id, Outcome: journey.Seen, Note: walk.Secret}
				})
			}
		}
		for range dice.IntN(3) {
			at := between(recorded.AddDate(0, 0, 1), recorded.AddDate(1, 10, 0))
			give(at, journey.ReportEvent, func() command.Body { return eventOf("dialysis", b.env.Now()) })
			give(at.Add(time.Duration(10+dice.IntN(100))*time.Hour), journey.CloseReport, b.firstOpen)
		}
		if dice.IntN(2) == 0 {
			acts = append(acts, act{between(recorded.AddDate(0, 0, 1), recorded.AddDate(0, 3, 0)), func() {
				w.Add(b.env.Now(), journey.RecordComplication, walk.Surgeon, journey.Clinician, &command.RecordComplication{
					Complication: command.OtherComplication, Date: journey.DateOf(b.env.Now(), zone), Note: walk.Secret,
					Treatment: command.Treatment{OtherDrugs: "yes", Intervention: "none"},
				})
				steps := w.Steps()
				b.give(len(steps)-1, steps[len(steps)-1])
			}})
		}
		if seed%4 == 1 {
			give(between(recorded.AddDate(0, 0, 1), recorded.AddDate(1, 10, 0)), journey.ReportEvent, func() command.Body { return eventOf("death", b.env.Now()) })
		}
	}
	spans := []span{{from: start}}
	for at := start; ; {
		at = between(at.AddDate(0, 0, 40), at.AddDate(1, 3, 0))
		if !at.Before(until.AddDate(0, -1, 0)) {
			break
		}
		spans[len(spans)-1].until = at
		at = at.Add(time.Duration(dice.IntN(20*24)) * time.Hour)
		spans = append(spans, span{from: at})
	}
	spans[len(spans)-1].until = until
	b.relive(spans, acts)
	return b.checkLife(withdraws)
}

// windowsAfter are the windows of the brief protocol's visits after an operation:
// when each opens, and the instant after its last day.
func windowsAfter(operated string, zone *time.Location) map[string][2]time.Time {
	windows := map[string][2]time.Time{}
	for _, v := range []struct {
		id                        string
		months, days, open, close int
	}{{"week-1", 0, 7, 3, 7}, {"month-6", 6, 0, 60, 60}, {"year-1", 12, 0, 60, 60}, {"year-2", 24, 0, 60, 60}} {
		target := walk.Plus(walk.Plus(operated, v.months, 0), 0, v.days)
		windows[v.id] = [2]time.Time{
			walk.Midnight(walk.Plus(target, 0, -v.open), zone), walk.Midnight(walk.Plus(target, 0, v.close+1), zone),
		}
	}
	return windows
}

func eventOf(event string, at time.Time) command.Body {
	return &command.ReportEvent{
		Event: event, HappenedOn: journey.Date(at.Format(time.DateOnly)), AwareAt: at.Format(time.RFC3339), KnownTo: "ward", Note: walk.Secret,
	}
}

// firstOpen closes the first report that is open, and is refused without one.
func (b *bench) firstOpen() command.Body {
	r, err := b.store.Resumable(context.Background(), b.candidate)
	if err != nil {
		b.t.Error(err)
	}
	body := &command.CloseReport{Report: "none", ReportedAt: b.env.Now().Format(time.RFC3339)}
	for _, report := range r.State.OpenReports() {
		body.Report = report.ID
	}
	return body
}

// checkLife reads the record from its beginning to its end: what was given, in the
// order of entries, says what should have passed.
func (b *bench) checkLife(withdrew bool) (removed, complicated bool) {
	b.t.Helper()
	entries, err := b.store.Entries(context.Background(), b.candidate)
	if err != nil {
		b.t.Fatal(err)
	}
	var last time.Time
	var got []string
	// Where the engine was lost over the move back, the operation is a day later.
	operated := ""
	visited, died, closed := map[string]time.Time{}, time.Time{}, time.Time{}
	type clock struct{ aware, ended time.Time }
	clocks := map[string]*clock{}
	for _, e := range entries {
		event, err := e.Decode()
		if err != nil {
			b.t.Fatal(err)
		}
		switch e.Kind {
		case journey.BeginOperation:
			operated = string(event.Today)
		case journey.RecordOperation:
			removed = true
		case journey.RecordComplication:
			complicated = true
		case journey.RecordVisit:
			if visited[event.Visit].IsZero() {
				visited[event.Visit] = e.OccurredAt
			}
		case journey.ReportEvent:
			clocks[fmt.Sprintf("report-%d", e.Seq)] = &clock{aware: event.Moment.Time()}
			if event.Event == "death" {
				died = e.OccurredAt
			}
		case journey.CloseReport:
			clocks[event.Report].ended = e.OccurredAt
		case journey.Withdraw:
			closed = e.OccurredAt
		}
		for _, d := range event.Fired {
			want := walk.Midnight(string(d.On), b.protocol.Zone())
			if d.At != "" {
				want = d.At.Time()
			}
			if !e.OccurredAt.Equal(want) || e.OccurredAt.Before(last) {
				b.t.Errorf("%s %s of %s %s passed at %s", d.Kind, d.Subject, d.On, d.At, e.OccurredAt)
			}
			last = e.OccurredAt
			if !closed.IsZero() {
				b.t.Errorf("%s passed after the end", d.Kind)
			}
			switch d.Kind {
			case journey.VisitOpens, journey.VisitCloses, journey.ReportDue, journey.ReportDue.Soon():
				got = append(got, fmt.Sprint(d.Kind, " ", d.Subject, " ", e.OccurredAt.UTC().Format(time.RFC3339)))
			}
		}
	}
	var want []string
	expect := func(kind journey.DeadlineKind, subject string, at time.Time, ends ...time.Time) {
		for _, end := range ends {
			if !end.IsZero() && end.Before(at) {
				return
			}
		}
		want = append(want, fmt.Sprint(kind, " ", subject, " ", at.UTC().Format(time.RFC3339)))
	}
	var windows map[string][2]time.Time
	// Where the engine was lost over the day of the operation, what waited for the
	// next one was refused: nobody operates on yesterday's check.
	if removed {
		windows = windowsAfter(operated, b.protocol.Zone())
	}
	for id, w := range windows {
		expect(journey.VisitOpens, id, w[0], died)
		expect(journey.VisitCloses, id, w[1], died, visited[id])
	}
	for id, c := range clocks {
		for _, hours := range []int{24, 48} {
			expect(journey.ReportDue.Soon(), id, c.aware.Add(time.Duration(hours)*time.Hour), c.ended)
		}
		expect(journey.ReportDue, id, c.aware.Add(72*time.Hour), c.ended)
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		b.t.Errorf("operated on %s, withdrew %t, died %s: passed\n%v\nwant\n%v", operated, withdrew, died, got, want)
	}
	return removed, complicated
}
