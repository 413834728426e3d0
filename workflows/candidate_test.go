package workflows_test

import (
	"context"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.temporal.io/sdk/log"
	"go.temporal.io/sdk/testsuite"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/walk"
	"candidacy/workflows"
)

// morning is a Monday, 9:00 in the programme's zone.
var morning = time.Date(2025, time.January, 6, 9, 0, 0, 0, protocoltest.Brief().Zone())

// silent publishes nothing: what is published has tests of its own.
type silent struct{}

func (silent) Publish(activities.Snapshot) ([]record.Resource, error) { return nil, nil }

// bench is the time-skipping environment with the real activity on a real
// store: the clock jumps, everything else is as it runs.
type bench struct {
	t         *testing.T
	env       *testsuite.TestWorkflowEnvironment
	store     *record.Store
	protocol  *protocol.Protocol
	candidate string
	walk      *walk.Walk
	// outcomes are the answers to the commands, in their order.
	outcomes []outcome
}

type outcome struct {
	kind    journey.Kind
	receipt workflows.Receipt
	err     error
}

func newBench(t *testing.T) *bench {
	t.Helper()
	return newBenchOn(t, protocoltest.Brief())
}

func newBenchOn(t *testing.T, p *protocol.Protocol) *bench {
	t.Helper()
	var suite testsuite.WorkflowTestSuite
	suite.SetLogger(log.NewStructuredLogger(slog.New(slog.DiscardHandler)))
	b := &bench{t: t, env: suite.NewTestWorkflowEnvironment(), protocol: p, candidate: uuid.NewString(), walk: walk.New(1, morning)}
	b.env.SetStartTime(morning)
	b.env.SetTestTimeout(time.Minute)
	var err error
	b.store, err = record.Open(t.Context(), filepath.Join(t.TempDir(), "records.db"), b.env.Now)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.store.Close(); err != nil {
			t.Error(err)
		}
	})
	if err := b.store.KeepProtocol(t.Context(), b.protocol.Version, b.protocol.Digest(), b.protocol.Source()); err != nil {
		t.Fatal(err)
	}
	for id, role := range map[string]journey.Role{
		walk.Advocate: journey.Advocate, walk.Surgeon: journey.Clinician, walk.Coordinator: journey.Coordinator,
		"acc-other-advocate": journey.Advocate, "acc-recipient-side": journey.Advocate,
	} {
		if _, err := b.store.AddAccount(t.Context(), id, id, id, role, "a password for a test"); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.store.AddToRecipientTeam(t.Context(), walk.Recipient, "acc-recipient-side"); err != nil {
		t.Fatal(err)
	}
	b.env.RegisterWorkflow(workflows.Candidate)
	b.env.RegisterActivity(&activities.Activities{
		Store: b.store, Protocols: protocol.NewRegistry(b.store.Protocol, b.protocol), Publisher: silent{},
	})
	return b
}

// send schedules the walk's steps, each at its time.
func (b *bench) send() {
	for i, step := range b.walk.Steps() {
		b.env.RegisterDelayedCallback(func() { b.give(i, step) }, step.At.Sub(morning)+time.Duration(i)*time.Second)
	}
}

// give stages the body as the dispatcher does and sends the Update.
func (b *bench) give(i int, step walk.Step) {
	id := "step-" + string(step.Kind) + "-" + uuid.NewSHA1(uuid.NameSpaceOID, []byte{byte(i)}).String()
	body, hash, err := command.Canonical(step.Kind, step.Actor, step.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	if _, err := b.store.Stage(context.Background(), b.candidate, id, hash, body); err != nil {
		b.t.Fatal(err)
	}
	c := journey.Command{
		ID: id, Candidate: b.candidate, Kind: step.Kind, Actor: step.Actor, Role: step.Role,
		At: b.env.Now(), Today: journey.DateOf(b.env.Now(), b.protocol.Zone()),
	}
	step.Body.Code(&c)
	b.env.UpdateWorkflow(string(step.Kind), id, &answer{bench: b, kind: step.Kind}, c)
}

// answer receives what an Update answers.
type answer struct {
	bench *bench
	kind  journey.Kind
}

func (a *answer) Accept() {}

func (a *answer) Reject(err error) {
	a.bench.outcomes = append(a.bench.outcomes, outcome{kind: a.kind, err: err})
}

func (a *answer) Complete(value any, err error) {
	receipt, _ := value.(workflows.Receipt)
	a.bench.outcomes = append(a.bench.outcomes, outcome{a.kind, receipt, err})
}

// run plays everything and returns the state on record, after checking that
// the chain holds and that the record's state is the fold of its events.
func (b *bench) run() journey.State {
	b.t.Helper()
	b.send()
	b.env.ExecuteWorkflow(workflows.Candidate, workflows.Input{Rules: b.protocol.Rules()})
	return b.recorded()
}

func (b *bench) recorded() journey.State {
	b.t.Helper()
	ctx := context.Background()
	if _, err := b.store.Verify(ctx); err != nil {
		b.t.Fatal(err)
	}
	r, err := b.store.Resumable(ctx, b.candidate)
	if err != nil {
		b.t.Fatal(err)
	}
	events, err := b.store.Events(ctx, b.candidate)
	if err != nil {
		b.t.Fatal(err)
	}
	folded := journey.Fold(b.protocol.Rules(), events)
	if got, want := encode(b.t, r.State), encode(b.t, folded); got != want {
		b.t.Fatalf("the stored state is not the fold of the events\n got %s\nwant %s", got, want)
	}
	return r.State
}

func (b *bench) accepted() {
	b.t.Helper()
	if len(b.outcomes) != len(b.walk.Steps()) {
		b.t.Errorf("%d commands were answered, want %d", len(b.outcomes), len(b.walk.Steps()))
	}
	for i, o := range b.outcomes {
		if o.err != nil {
			b.t.Errorf("step %d, %s: %v", i, o.kind, o.err)
		}
	}
}

// refused returns the refusal of the last command.
func (b *bench) refused() *journey.Refusal {
	b.t.Helper()
	last := b.outcomes[len(b.outcomes)-1]
	refusal := activities.Refused(last.err)
	if refusal == nil {
		b.t.Fatalf("%s was answered %v, want a refusal", last.kind, last.err)
	}
	return refusal
}

func TestWholeJourney(t *testing.T) {
	b := newBench(t)
	b.walk.Whole()
	state := b.run()
	b.accepted()
	if err := b.env.GetWorkflowError(); err != nil || !b.env.IsWorkflowCompleted() {
		t.Fatalf("completed %v, error %v", b.env.IsWorkflowCompleted(), err)
	}
	if state.Stage != journey.Closed {
		t.Errorf("stage %s, want closed", state.Stage)
	}
	for _, v := range state.Visits {
		if v.Status != journey.VisitDone {
			t.Errorf("visit %s is %s", v.ID, v.Status)
		}
	}
	// Each window opened by its own timer, recorded at its own time.
	opened := map[string]journey.Date{}
	for _, n := range state.Notices {
		if n.Deadline == journey.VisitOpens {
			opened[n.Subject] = n.On
		}
	}
	operation := b.walk.Day(walk.OperationDay)
	for id, want := range map[string]journey.Date{
		"week-1": operation.AddDays(7 - 3), "month-6": operation.AddMonths(6).AddDays(-60),
		"year-1": operation.AddMonths(12).AddDays(-60), "year-2": operation.AddMonths(24).AddDays(-60),
	} {
		if opened[id] != want {
			t.Errorf("window of %s opened on %s, want %s", id, opened[id], want)
		}
	}
}

// TestExits ends or pauses the journey wherever it may be ended or paused.
func TestExits(t *testing.T) {
	c := journey.Coordinator
	plain := func() command.Body { return &command.Plain{} }
	reasoned := func() command.Body { return &command.Reasoned{Reason: walk.Secret} }
	upTo := map[journey.Stage]func(*walk.Walk){
		journey.Referral: func(w *walk.Walk) { w.Refer() },
		journey.Screening: func(w *walk.Walk) {
			w.Refer().Add(w.At(1, 0), journey.BeginScreening, walk.Coordinator, c, &command.BeginScreening{ContactConsent: true, DuplicateChecked: true})
		},
		journey.Evaluation: func(w *walk.Walk) { w.Refer().Screen().Evaluate() },
		journey.Committee:  func(w *walk.Walk) { w.Refer().Screen().Evaluate().Present() },
		journey.Approved:   func(w *walk.Walk) { w.Refer().Screen().Evaluate().Present().Approve() },
		journey.Scheduled:  func(w *walk.Walk) { w.Refer().Screen().Evaluate().Present().Approve().Schedule() },
	}
	for stage, prepare := range upTo {
		for _, exit := range []struct {
			name  string
			kind  journey.Kind
			role  journey.Role
			body  func() command.Body
			stage journey.Stage
			ends  bool
		}{
			{"withdraw", journey.Withdraw, journey.Advocate, plain, journey.Withdrawn, true},
			{"decline", journey.Decline, declines(stage), reasoned, journey.Declined, true},
			{"hold", journey.Hold, c, plain, journey.OnHold, false},
		} {
			if stage == journey.Committee && exit.kind == journey.Decline {
				// There the decision itself declines.
				exit.kind = journey.RecordDecision
				exit.body = func() command.Body {
					return &command.RecordDecision{Outcome: journey.DeclineCandidate, Seats: walk.Seats, Reason: walk.Secret}
				}
			}
			t.Run(string(stage)+"/"+exit.name, func(t *testing.T) {
				b := newBench(t)
				prepare(b.walk)
				last := b.walk.Steps()[len(b.walk.Steps())-1].At
				b.walk.Add(last.Add(time.Hour), exit.kind, "acc-somebody", exit.role, exit.body())
				if !exit.ends {
					// A run that is only paused is looked at and cancelled.
					b.env.RegisterDelayedCallback(b.env.CancelWorkflow, last.Add(2*time.Hour).Sub(morning))
				}
				state := b.run()
				b.accepted()
				if state.Stage != exit.stage {
					t.Errorf("stage %s, want %s", state.Stage, exit.stage)
				}
				if exit.ends && b.env.GetWorkflowError() != nil {
					t.Errorf("the run ended with %v", b.env.GetWorkflowError())
				}
				if state.Planned != "" {
					t.Errorf("a planned date is left: %s", state.Planned)
				}
			})
		}
	}
}

func declines(stage journey.Stage) journey.Role {
	if stage == journey.Referral || stage == journey.Screening {
		return journey.Coordinator
	}
	return journey.CommitteeRole
}

func TestHoldAndResume(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen().Evaluate().Present().Approve().Schedule()
	w.Add(w.At(41, 0), journey.Hold, walk.Coordinator, journey.Coordinator, &command.Plain{})
	w.Add(w.At(50, 0), journey.Resume, walk.Coordinator, journey.Coordinator, &command.Plain{})
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, w.At(51, 0).Sub(morning))
	state := b.run()
	b.accepted()
	// The date is given up with the hold: it returns to approved.
	if state.Stage != journey.Approved || state.Planned != "" {
		t.Errorf("stage %s planned %q, want approved without a date", state.Stage, state.Planned)
	}
}

func TestDeferAndReturn(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen().Evaluate().Present()
	w.Add(w.At(35, 0), journey.RecordDecision, walk.Committee, journey.CommitteeRole, &command.RecordDecision{
		Outcome: journey.Defer, ReReviewOn: w.Day(100), Seats: walk.Seats, Reason: walk.Secret,
	})
	w.Add(w.At(101, 0), journey.Resume, walk.Coordinator, journey.Coordinator, &command.Plain{})
	w.Add(w.At(102, 0), journey.PresentToCommittee, walk.Coordinator, journey.Coordinator, &command.Plain{})
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, w.At(103, 0).Sub(morning))
	state := b.run()
	b.accepted()
	if state.Stage != journey.Committee {
		t.Errorf("stage %s, want committee", state.Stage)
	}
	if !noticed(state, journey.DeferralReviewDue, w.Day(100)) {
		t.Error("the re-review was not noticed on its day")
	}
}

func noticed(s journey.State, kind journey.DeadlineKind, on journey.Date) bool {
	for _, n := range s.Notices {
		if n.Deadline == kind && n.On == on {
			return true
		}
	}
	return false
}

// TestDeadlinesFireOnce lets a year pass without a word.
func TestDeadlinesFireOnce(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen().Evaluate().Present().Approve()
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, w.At(500, 0).Sub(morning))
	state := b.run()
	b.accepted()
	if state.Stage != journey.Evaluation || state.Decision != nil {
		t.Errorf("stage %s, decision %v: the approval did not lapse", state.Stage, state.Decision)
	}
	counts := map[journey.Notice]int{}
	for _, n := range state.Notices {
		counts[n]++
		if counts[n] > 1 {
			t.Errorf("%s %s fired twice on %s", n.Deadline, n.Subject, n.On)
		}
	}
	if r, _ := state.Find("creatinine"); r.Status != journey.Expired {
		t.Errorf("creatinine is %s, want expired", r.Status)
	}
	if r, _ := state.Find("abo-first"); r.Status != journey.Met {
		t.Errorf("blood type is %s: it does not expire", r.Status)
	}
	if !noticed(state, journey.ApprovalLapses, w.Day(35).AddMonths(6).AddDays(1)) {
		t.Error("the approval did not lapse on its day")
	}
}

// TestRulesThatMayNotBeSkipped drives each rule of safety to its refusal.
func TestRulesThatMayNotBeSkipped(t *testing.T) {
	approve := &command.RecordDecision{Outcome: journey.Approve, Side: journey.Left, Seats: walk.Seats}
	without := func(w *walk.Walk, requirement string) *walk.Walk {
		kept := walk.New(w.Number, w.Start)
		for _, step := range w.Steps() {
			if review, ok := step.Body.(*command.RecordReview); ok && review.Requirement == requirement {
				continue
			}
			kept.Add(step.At, step.Kind, step.Actor, step.Role, step.Body)
		}
		return kept
	}
	for _, c := range []struct {
		name string
		walk func(w *walk.Walk) *walk.Walk
		rule string
	}{
		{"no decision without the advocate's review", func(w *walk.Walk) *walk.Walk {
			return without(w.Refer().Screen().Evaluate(), "advocate-review-final").Present()
		}, "requirement-in-force"},
		{"no decision without the psychosocial review", func(w *walk.Walk) *walk.Walk {
			return without(w.Refer().Screen().Evaluate(), "psychosocial-evaluation").Present()
		}, "requirement-in-force"},
		{"the advocate's objection blocks approval", func(w *walk.Walk) *walk.Walk {
			w = without(w.Refer().Screen().Evaluate(), "advocate-review-final")
			w.Add(w.At(28, 0), journey.RecordReview, walk.Advocate, journey.Advocate, &command.RecordReview{
				Requirement: "advocate-review-final", Position: journey.Objects, Findings: walk.Secret,
			})
			return w.Present().Approve()
		}, "requirement-in-force"},
		{"an expired result blocks approval", func(w *walk.Walk) *walk.Walk {
			w.Refer().Screen().Evaluate().Present()
			return w.Add(w.At(210, 0), journey.RecordDecision, walk.Committee, journey.CommitteeRole, approve)
		}, "requirement-in-force"},
		{"a flagged result that nobody reviewed blocks approval", func(w *walk.Walk) *walk.Walk {
			w.Refer().Screen().Evaluate().Present()
			w.Add(w.At(31, 0), journey.RecordResults, walk.Coordinator, journey.Coordinator, &command.RecordResults{Results: []command.Result{
				w.Quantity("1558-6", "112", "mg/dL", w.At(31, -1)),
			}})
			return w.Add(w.At(35, 0), journey.RecordDecision, walk.Committee, journey.CommitteeRole, approve)
		}, "flag-reviewed"},
		{"no decision without a quorum", func(w *walk.Walk) *walk.Walk {
			w.Refer().Screen().Evaluate().Present()
			return w.Add(w.At(35, 0), journey.RecordDecision, walk.Committee, journey.CommitteeRole, &command.RecordDecision{
				Outcome: journey.Approve, Side: journey.Left, Seats: walk.Seats[:3],
			})
		}, "quorum"},
		{"the advocate is not of the recipient's team", func(w *walk.Walk) *walk.Walk {
			w.Refer()
			return w.Add(w.At(1, 0), journey.AssignAdvocate, walk.Coordinator, journey.Coordinator, &command.AssignAdvocate{Advocate: "acc-recipient-side"})
		}, "advocate-independent"},
		{"one blood-type sample is not enough for a date", func(w *walk.Walk) *walk.Walk {
			return oneSample(w, nil).Schedule()
		}, "blood-type-twice"},
		{"two tubes of one draw are one sample", func(w *walk.Walk) *walk.Walk {
			return oneSample(w, func(at time.Time) command.Result { return w.BloodType(at, "ACC-OTHER", "O positive") }).Schedule()
		}, "blood-type-twice"},
		{"samples that disagree stop the date", func(w *walk.Walk) *walk.Walk {
			return oneSample(w, func(at time.Time) command.Result { return w.BloodType(at.Add(26*time.Hour), "ACC-OTHER", "A positive") }).Schedule()
		}, "blood-type-agrees"},
		{"the last check needs two people", func(w *walk.Walk) *walk.Walk {
			w.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare()
			w.Add(w.At(walk.OperationDay, 0), journey.ConfirmLastCheck, walk.Surgeon, journey.Clinician, w.LastCheck())
			return w.Add(w.At(walk.OperationDay, 0), journey.ConfirmLastCheck, walk.Surgeon, journey.Clinician, w.LastCheck())
		}, "two-people"},
		{"no operation after a mismatch", func(w *walk.Walk) *walk.Walk {
			w.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare()
			wrong := w.LastCheck()
			wrong.Side = journey.Right
			w.Add(w.At(walk.OperationDay, 0), journey.ConfirmLastCheck, walk.Surgeon, journey.Clinician, wrong)
			return w.Add(w.At(walk.OperationDay, 0), journey.ConfirmLastCheck, walk.Nephrologist, journey.Clinician, w.LastCheck())
		}, "last-check-stopped"},
		{"no operation on a stale infection test", func(w *walk.Walk) *walk.Walk {
			w.Refer().Screen().Evaluate().Present().Approve().Schedule()
			w.Add(w.At(42, 0), journey.RecordResults, walk.Coordinator, journey.Coordinator, w.InfectionResults(walk.OperationDay-29))
			w.Add(w.At(walk.OperationDay, 0), journey.ConfirmLastCheck, walk.Surgeon, journey.Clinician, w.LastCheck())
			w.Add(w.At(walk.OperationDay, 0), journey.ConfirmLastCheck, walk.Nephrologist, journey.Clinician, w.LastCheck())
			return w.Add(w.At(walk.OperationDay, 1), journey.BeginOperation, walk.Surgeon, journey.Clinician, &command.Plain{})
		}, "requirement-in-force"},
		{"cooling off before the operation", func(w *walk.Walk) *walk.Walk {
			w.Refer().Screen().Evaluate().Present().Approve()
			return w.Add(w.At(36, 0), journey.Schedule, walk.Coordinator, journey.Coordinator, &command.Schedule{Date: w.Day(41)})
		}, "cooling-off"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t)
			b.walk = c.walk(b.walk)
			last := b.walk.Steps()[len(b.walk.Steps())-1].At
			b.env.RegisterDelayedCallback(b.env.CancelWorkflow, last.Add(time.Hour).Sub(morning))
			b.run()
			for i, o := range b.outcomes[:len(b.outcomes)-1] {
				if o.err != nil {
					t.Errorf("step %d, %s: %v", i, o.kind, o.err)
				}
			}
			refusal := b.refused()
			for _, reason := range refusal.Reasons {
				if reason.Rule == c.rule {
					return
				}
			}
			t.Errorf("refused with %v, want the rule %s", refusal, c.rule)
		})
	}
}

// oneSample walks to the approval with one blood-type sample, and another as
// told. Only the second sample's requirement is left unsigned.
func oneSample(w *walk.Walk, another func(at time.Time) command.Result) *walk.Walk {
	w.Refer().Screen().Evaluate()
	kept := walk.New(w.Number, w.Start)
	for _, step := range w.Steps() {
		switch body := step.Body.(type) {
		case *command.RecordResults:
			var results []command.Result
			var first *command.Result
			for _, r := range body.Results {
				if r.Code.Code == "882-1" {
					if first != nil {
						continue
					}
					first = &r
				}
				results = append(results, r)
			}
			if another != nil {
				at, err := time.Parse(time.RFC3339, first.Effective)
				if err != nil {
					panic(err)
				}
				second := another(at)
				second.Identifier.Value += "-second"
				results = append(results, second)
			}
			body.Results = results
		case *command.SignResults:
			var requirements []string
			for _, id := range body.Requirements {
				if id != "abo-second" {
					requirements = append(requirements, id)
				}
			}
			body.Requirements = requirements
		}
		kept.Add(step.At, step.Kind, step.Actor, step.Role, step.Body)
	}
	return kept.Present().Approve()
}

// TestIllegalTransitionsSayWhatIsAllowed sends commands where they don't exist.
func TestIllegalTransitionsSayWhatIsAllowed(t *testing.T) {
	b := newBench(t)
	b.walk.Refer()
	b.walk.Add(b.walk.At(0, 1), journey.PresentToCommittee, walk.Coordinator, journey.Coordinator, &command.Plain{})
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, b.walk.At(0, 2).Sub(morning))
	b.run()
	refusal := b.refused()
	if refusal.Code != journey.NotAllowed || len(refusal.Allowed) == 0 {
		t.Fatalf("refused with %+v, want what is allowed now", refusal)
	}
	if text := refusal.Error(); !strings.Contains(text, "allowed now: begin-screening") {
		t.Errorf("the message %q does not say what is allowed", text)
	}
}

// TestARepeatedUpdateIsOneEntry sends the same command twice under one id, in
// a new run that does not remember it.
func TestARepeatedUpdateIsOneEntry(t *testing.T) {
	b := newBench(t)
	b.walk.Refer().Screen()
	b.env.SetContinueAsNewSuggested(false)
	first := b.walk.Steps()[1]
	b.env.RegisterDelayedCallback(func() { b.give(1, first) }, b.walk.At(5, 0).Sub(morning))
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, b.walk.At(6, 0).Sub(morning))
	b.run()
	entries, err := b.store.Entries(t.Context(), b.candidate)
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[journey.Kind]int{}
	for _, e := range entries {
		kinds[e.Kind]++
	}
	if kinds[journey.BeginScreening] != 1 {
		t.Errorf("begin-screening is on record %d times", kinds[journey.BeginScreening])
	}
}

func TestContinueAsNewCarriesTheState(t *testing.T) {
	b := newBench(t)
	b.walk.Refer().Screen()
	b.env.RegisterDelayedCallback(func() { b.env.SetContinueAsNewSuggested(true) }, b.walk.At(10, 0).Sub(morning))
	state := b.run()
	b.accepted()
	err := b.env.GetWorkflowError()
	if err == nil || !strings.Contains(err.Error(), "continue as new") {
		t.Fatalf("the run ended with %v, want continue as new", err)
	}
	if state.Stage != journey.Evaluation {
		t.Errorf("stage %s", state.Stage)
	}
}

func TestARefusedReferralLeavesNoRun(t *testing.T) {
	b := newBench(t)
	b.env.RegisterDelayedCallback(func() {
		step := walk.New(1, morning).Refer().Steps()[0]
		step.Role = journey.Clinician
		b.give(0, step)
	}, time.Second)
	b.env.ExecuteWorkflow(workflows.Candidate, workflows.Input{Rules: b.protocol.Rules()})
	if !b.env.IsWorkflowCompleted() || b.env.GetWorkflowError() != nil {
		t.Errorf("completed %v, error %v", b.env.IsWorkflowCompleted(), b.env.GetWorkflowError())
	}
	if refusal := b.refused(); refusal.Code != journey.Forbidden {
		t.Errorf("refused with %v", refusal)
	}
}
