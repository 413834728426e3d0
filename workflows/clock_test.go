package workflows_test

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"testing"
	"time"

	"go.temporal.io/sdk/log"
	"go.temporal.io/sdk/testsuite"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/walk"
	"candidacy/workflows"
)

// report adds an event that is recorded at a time and was known an hour before.
func report(w *walk.Walk, event string, at time.Time) (aware time.Time) {
	aware = at.Add(-time.Hour)
	w.Add(at, journey.ReportEvent, walk.Coordinator, journey.Coordinator, &command.ReportEvent{
		Event: event, HappenedOn: journey.Date(aware.Format(time.DateOnly)), AwareAt: aware.Format(time.RFC3339), KnownTo: "ward", Note: walk.Secret,
	})
	return aware
}

// closeReport stops the clock of the first report at a time.
func (b *bench) closeReport(at time.Time) {
	b.env.RegisterDelayedCallback(func() {
		r, err := b.store.Resumable(context.Background(), b.candidate)
		if err != nil || len(r.State.Reports) == 0 {
			b.t.Errorf("no report to close: %v", err)
			return
		}
		b.walk.Add(at, journey.CloseReport, walk.Coordinator, journey.Coordinator, &command.CloseReport{
			Report: r.State.Reports[0].ID, ReportedAt: at.Format(time.RFC3339), Reference: "SR-1", Note: walk.Secret,
		})
		steps := b.walk.Steps()
		b.give(len(steps)-1, steps[len(steps)-1])
	}, at.Sub(morning))
}

// firings lists what passed at an instant: what, and the instants at which it
// occurred and was recorded.
func (b *bench) firings() []string {
	b.t.Helper()
	entries, err := b.store.Entries(context.Background(), b.candidate)
	if err != nil {
		b.t.Fatal(err)
	}
	var list []string
	for _, e := range entries {
		event, err := e.Decode()
		if err != nil {
			b.t.Fatal(err)
		}
		for _, d := range event.Fired {
			if d.At != "" {
				list = append(list, fmt.Sprint(d.Kind, " ", e.OccurredAt.UTC().Format(time.RFC3339), " ", e.RecordedAt.UTC().Format(time.RFC3339)))
			}
		}
	}
	return list
}

// passing is what firings lists of a clock that ran to its end.
func passing(aware time.Time) []string {
	var list []string
	for _, hours := range []int{24, 48, 72} {
		kind := "report-due-soon"
		if hours == 72 {
			kind = "report-due"
		}
		at := aware.Add(time.Duration(hours) * time.Hour).UTC().Format(time.RFC3339)
		list = append(list, kind+" "+at+" "+at)
	}
	return list
}

// TestClocks lets the engine's timers run by a clock that jumps: a warning after
// 24 and 48 hours and the limit after 72, each in its very second, across the
// beginning of summer time (30 March 2025 in the programme's zone).
func TestClocks(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate()
	known := time.Date(2025, time.March, 29, 14, 0, 0, 0, b.protocol.Zone())
	if !w.At(walk.OperationDay, 5).Before(known) {
		t.Fatalf("the operation of the walk is on %s", w.At(walk.OperationDay, 0))
	}
	aware := report(w, "dialysis", known)
	b.closeReport(known.Add(80 * time.Hour))
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, known.Add(100*time.Hour).Sub(morning))
	state := b.run()
	b.accepted()
	if got, want := b.firings(), passing(aware); !slices.Equal(got, want) {
		t.Errorf("passed %v\nwant   %v", got, want)
	}
	if r := state.Reports[0]; r.Open() || !r.Passed {
		t.Errorf("at the end: %+v", r)
	}
}

// TestAStoppedOperationStartsItsClock, and no journey ends before it is reported.
func TestAStoppedOperationStartsItsClock(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate()
	operation := w.Steps()[len(w.Steps())-1]
	operation.Body = &command.RecordOperation{Outcome: journey.StoppedNotRemoved, Note: walk.Secret}
	w.Steps()[len(w.Steps())-1] = operation
	w.Add(operation.At.Add(60*time.Hour), journey.CompleteRecovery, walk.Coordinator, journey.Coordinator, &command.Plain{})
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, operation.At.Add(90*time.Hour).Sub(morning))
	state := b.run()
	refusal := b.refused()
	if refusal.Code != journey.Blocked || refusal.Reasons[0].Rule != "report-closed" {
		t.Errorf("the recovery is completed: %v", refusal)
	}
	if r := state.Reports[0]; r.Event != "operation-stopped" || r.KnownTo != walk.Surgeon || !r.Passed || len(b.firings()) != 3 {
		t.Errorf("%+v: %v", r, b.firings())
	}
}

// TestADeathEndsTheRun once it is reported, with nothing more owed.
func TestADeathEndsTheRun(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate()
	at := w.At(walk.OperationDay+20, 0)
	report(w, "death", at)
	b.closeReport(at.Add(30 * time.Hour))
	state := b.run()
	b.accepted()
	if err := b.env.GetWorkflowError(); err != nil || !b.env.IsWorkflowCompleted() || state.Stage != journey.Closed {
		t.Errorf("in %s, completed %t, %v", state.Stage, b.env.IsWorkflowCompleted(), err)
	}
	if got := b.firings(); len(got) != 1 {
		t.Errorf("passed: %v", got)
	}
	for _, v := range state.Visits {
		if v.Status != journey.VisitNotOwed && v.Status != journey.VisitMissed {
			t.Errorf("%s is %s", v.ID, v.Status)
		}
	}
}

// TestAClockSurvivesACrash loses the engine between the first warning and the
// second, and starts the run again from the record after that one: nothing is
// forgotten and nothing comes twice, not even when the engine tries again what was
// committed before the crash.
func TestAClockSurvivesACrash(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate()
	at := w.At(walk.OperationDay+20, 0)
	aware := report(w, "dialysis", at)
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, aware.Add(30*time.Hour).Sub(morning))
	b.run()
	if n := len(b.firings()); n != 1 {
		t.Fatalf("before the crash passed: %v", b.firings())
	}
	warned := b.entry(journey.Elapse)
	event, err := warned.Decode()
	if err != nil {
		t.Fatal(err)
	}
	engine := &activities.Activities{Store: b.store, Protocols: protocol.NewRegistry(b.store.Protocol, b.protocol), Publisher: silent{}}
	if _, err := engine.Commit(t.Context(), activities.CommitInput{Command: event.Command, Protocol: b.protocol.Version, Seq: event.Seq - 1}); err != nil {
		t.Fatal(err)
	}

	known, err := b.store.Resumable(t.Context(), b.candidate)
	if err != nil {
		t.Fatal(err)
	}
	var suite testsuite.WorkflowTestSuite
	suite.SetLogger(log.NewStructuredLogger(slog.New(slog.DiscardHandler)))
	b.env = suite.NewTestWorkflowEnvironment()
	b.env.SetStartTime(aware.Add(60 * time.Hour))
	b.env.RegisterWorkflow(workflows.Candidate)
	b.env.RegisterActivity(engine)
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, 20*time.Hour)
	b.env.ExecuteWorkflow(workflows.Candidate, workflows.Input{Rules: b.protocol.Rules(), State: known.State, Next: known.Next})
	b.recorded()
	var got, want []string
	for _, line := range b.firings() {
		got = append(got, line[:len(line)-len(" 2025-03-29T13:00:00Z")])
	}
	for _, line := range passing(aware) {
		want = append(want, line[:len(line)-len(" 2025-03-29T13:00:00Z")])
	}
	if !slices.Equal(got, want) {
		t.Errorf("passed %v\nwant   %v", got, want)
	}
}
