package system_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/system"
	"candidacy/internal/walk"
	"candidacy/workflows"
)

// begin is a Monday, 9:00 in the programme's zone.
var begin = time.Date(2025, time.March, 3, 9, 0, 0, 0, protocoltest.Brief().Zone())

func open(tb testing.TB, dir string) *system.System {
	tb.Helper()
	sys, err := system.Open(tb.Context(), system.Options{DataDir: dir, Protocol: protocoltest.Brief()})
	if err != nil {
		tb.Fatal(err)
	}
	return sys
}

func closed(tb testing.TB, sys *system.System) {
	tb.Helper()
	if err := sys.Close(); err != nil {
		tb.Error(err)
	}
}

func employ(tb testing.TB, sys *system.System) {
	tb.Helper()
	if err := walk.Employ(tb.Context(), sys.Store); err != nil {
		tb.Fatal(err)
	}
}

func play(tb testing.TB, p *walk.Player, name string, steps []walk.Step) string {
	tb.Helper()
	candidate, err := p.Play(tb.Context(), name, steps)
	if err != nil {
		tb.Fatal(err)
	}
	return candidate
}

// TestHistoriesStayBounded gives one candidate so many commands that the real
// engine asks for a new run, and checks that nothing is lost or done twice on
// the way: the engine forgets Update ids there, the record does not.
func TestHistoriesStayBounded(t *testing.T) {
	sys := open(t, t.TempDir())
	defer closed(t, sys)
	employ(t, sys)
	p := walk.NewPlayer(sys.Dispatcher)
	candidate := play(t, p, "long", walk.New(1, begin).Refer().Screen().Steps())
	first := runID(t, sys, candidate)
	step := func(i int) walk.Step {
		s := walk.Step{At: begin.AddDate(0, 0, 4).Add(time.Duration(i) * time.Second), Kind: journey.Hold, Actor: walk.Coordinator, Role: journey.Coordinator, Body: &command.Plain{}}
		if i%2 == 1 {
			s.Kind = journey.Resume
		}
		return s
	}
	const most = 4000
	given := 0
	for ; given < most && runID(t, sys, candidate) == first; given++ {
		if _, err := p.Give(t.Context(), candidate, fmt.Sprintf("again/%d", given), step(given)); err != nil {
			t.Fatalf("command %d: %v", given, err)
		}
	}
	if given == most {
		t.Fatalf("still the first run after %d commands", most)
	}
	t.Logf("a new run after %d commands", given)
	// The first key again, in a run that has never seen it.
	receipt, err := p.Give(t.Context(), candidate, "again/0", step(0))
	if err != nil || !receipt.Repeated {
		t.Errorf("a command of the first run was answered %+v, %v", receipt, err)
	}
	if _, err := p.Give(t.Context(), candidate, "after", step(given)); err != nil {
		t.Error(err)
	}
	compare(t, sys, candidate)
	events, err := sys.Store.Events(t.Context(), candidate)
	if err != nil {
		t.Fatal(err)
	}
	if want := 5 + given + 1; len(events) != want {
		t.Errorf("%d entries, want %d", len(events), want)
	}
}

func runID(t *testing.T, sys *system.System, candidate string) string {
	t.Helper()
	d, err := sys.Client.DescribeWorkflowExecution(t.Context(), workflows.WorkflowID(candidate), "")
	if err != nil {
		t.Fatal(err)
	}
	return d.GetWorkflowExecutionInfo().GetExecution().GetRunId()
}

// compare checks that the workflow remembers what the record says.
func compare(t *testing.T, sys *system.System, candidate string) {
	t.Helper()
	value, err := sys.Client.QueryWorkflow(t.Context(), workflows.WorkflowID(candidate), "", workflows.StateQuery)
	if err != nil {
		t.Fatal(err)
	}
	var state journey.State
	if err := value.Get(&state); err != nil {
		t.Fatal(err)
	}
	r, err := sys.Store.Resumable(t.Context(), candidate)
	if err != nil {
		t.Fatal(err)
	}
	got, _ := json.Marshal(state)
	want, _ := json.Marshal(r.State)
	if string(got) != string(want) {
		t.Errorf("the workflow remembers\n%s\nthe record says\n%s", got, want)
	}
}

// TestACommandFindsALostRun ends a run behind the program's back: the next
// command starts it again from the record.
func TestACommandFindsALostRun(t *testing.T) {
	sys := open(t, t.TempDir())
	defer closed(t, sys)
	employ(t, sys)
	p := walk.NewPlayer(sys.Dispatcher)
	w := walk.New(1, begin).Refer().Screen()
	candidate := play(t, p, "lost", w.Steps())
	if err := sys.Client.TerminateWorkflow(t.Context(), workflows.WorkflowID(candidate), "", "a test"); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Give(t.Context(), candidate, "after", walk.Step{At: w.At(5, 0), Kind: journey.Hold, Actor: walk.Coordinator, Role: journey.Coordinator, Body: &command.Plain{}}); err != nil {
		t.Fatal(err)
	}
	compare(t, sys, candidate)
}

// TestAnEndedJourneyTakesNoCommand asks something of a withdrawn candidate.
func TestAnEndedJourneyTakesNoCommand(t *testing.T) {
	sys := open(t, t.TempDir())
	defer closed(t, sys)
	employ(t, sys)
	p := walk.NewPlayer(sys.Dispatcher)
	w := walk.New(1, begin).Refer()
	w.Add(w.At(1, 0), journey.Withdraw, walk.Coordinator, journey.Coordinator, &command.Plain{Note: walk.Secret})
	candidate := play(t, p, "ended", w.Steps())
	_, err := p.Give(t.Context(), candidate, "after", walk.Step{At: w.At(2, 0), Kind: journey.BeginScreening, Actor: walk.Coordinator, Role: journey.Coordinator, Body: &command.BeginScreening{ContactConsent: true, DuplicateChecked: true}})
	refusal, ok := err.(*journey.Refusal) //nolint:errorlint // Submit returns it as it is
	if !ok || refusal.Code != journey.NotAllowed {
		t.Errorf("answered %v, want that nothing is allowed", err)
	}
	// The same withdrawal again is the same withdrawal.
	receipt, err := p.Give(t.Context(), candidate, "ended/1", w.Steps()[1])
	if err != nil || !receipt.Repeated {
		t.Errorf("the repeated withdrawal was answered %+v, %v", receipt, err)
	}
}

// TestARefusedKeyMayBeUsedAgain corrects a command that was refused only when
// it was to be written: neither the engine nor the record holds on to the
// refusal.
func TestARefusedKeyMayBeUsedAgain(t *testing.T) {
	sys := open(t, t.TempDir())
	defer closed(t, sys)
	employ(t, sys)
	if err := sys.Store.AddToRecipientTeam(t.Context(), walk.Recipient, walk.Advocate); err != nil {
		t.Fatal(err)
	}
	if _, err := sys.Store.AddAccount(t.Context(), "acc-independent", "independent", "Independent", journey.Advocate, "a password for a test"); err != nil {
		t.Fatal(err)
	}
	p := walk.NewPlayer(sys.Dispatcher)
	w := walk.New(1, begin).Refer()
	candidate := play(t, p, "key", w.Steps())
	assign := func(advocate string) (dispatch.Receipt, error) {
		return p.Give(t.Context(), candidate, "assign", walk.Step{
			At: w.At(1, 0), Kind: journey.AssignAdvocate, Actor: walk.Coordinator, Role: journey.Coordinator, Body: &command.AssignAdvocate{Advocate: advocate},
		})
	}
	if _, err := assign(walk.Advocate); err == nil {
		t.Fatal("a member of the recipient's team was assigned")
	}
	if _, err := assign("acc-independent"); err != nil {
		t.Errorf("the corrected command was refused: %v", err)
	}
	if _, err := assign(walk.Advocate); err == nil {
		t.Error("a key on record was used for another body")
	}
	if receipt, err := assign("acc-independent"); err != nil || !receipt.Repeated {
		t.Errorf("the repeated command was answered %+v, %v", receipt, err)
	}
	compare(t, sys, candidate)
}
