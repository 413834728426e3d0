package workflows_test

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/walk"
)

// nextVersion is a later version of the tests' protocol: a lower glucose limit,
// a shorter window for the creatinine, one review more and later visits.
func nextVersion(t *testing.T) *protocol.Protocol {
	t.Helper()
	text := strings.NewReplacer(
		`version: "`+protocoltest.Brief().Version+`"`, "version: next-1\napproved_by: Committee of the tests\napproved_on: 2025-01-02",
		"fasting_glucose >= 100 ", "fasting_glucose >= 85 ",
		"\nrequirements:\n", `
requirements:
  - id: dental-review
    title: Review of the teeth
    domain: history
    gate: operation
    evidence: review
    signer: clinician
    source: invented for this test
`, "hold_days: 183", "hold_days: 90",
	).Replace(protocoltest.Brief().Source())
	p, err := protocol.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (b *bench) keep(p *protocol.Protocol) {
	b.t.Helper()
	if err := b.store.KeepProtocol(b.t.Context(), p.Version, p.Digest(), p.Source()); err != nil {
		b.t.Fatal(err)
	}
}

// TestMove moves a candidate in the middle of the evaluation. What the workflow
// does afterwards follows the new rules, and the record and the fold agree.
func TestMove(t *testing.T) {
	b := newBench(t)
	next := nextVersion(t)
	b.keep(next)
	w := b.walk
	w.Refer().Screen().Evaluate()
	admin := func(day int, version string) {
		w.Add(w.At(day, 1), journey.MoveProtocol, "acc-admin", journey.Administrator, &command.MoveProtocol{Version: version, Reason: walk.Secret})
	}
	admin(29, "next-1")
	// By the new rules the tolerance test is needed: nothing goes to the committee.
	w.Add(w.At(30, 0), journey.PresentToCommittee, walk.Coordinator, journey.Coordinator, &command.Plain{})
	admin(31, "next-1")
	w.Add(w.At(32, 0), journey.Hold, walk.Coordinator, journey.Coordinator, &command.Plain{})
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, 200*24*time.Hour)
	state := b.run()
	for i, o := range b.outcomes {
		switch refusal := activities.Refused(o.err); {
		case o.kind == journey.PresentToCommittee:
			if refusal == nil || !slices.ContainsFunc(refusal.Reasons, func(r journey.Reason) bool { return r.Requirement == "glucose-tolerance" }) {
				t.Errorf("presenting is answered %v", o.err)
			}
		case o.kind == journey.MoveProtocol && i > len(w.Steps())-4:
			if refusal == nil || refusal.Code != journey.Conflict || !strings.Contains(refusal.Message, "next-1 already") {
				t.Errorf("a second move is answered %v", o.err)
			}
		case o.err != nil:
			t.Errorf("%s: %v", o.kind, o.err)
		}
	}
	if !state.Applies("glucose-tolerance") || !state.Applies("dental-review") {
		t.Errorf("the plan did not change: %+v", state.Requirements)
	}
	if r, _ := state.Find("creatinine"); r.Status != journey.Met {
		t.Errorf("a signature is lost: %+v", r)
	}
	held := slices.ContainsFunc(state.Notices, func(n journey.Notice) bool {
		return n.Deadline == journey.HoldReviewDue && n.On == w.Day(32).AddDays(91)
	})
	if !held {
		t.Errorf("the hold did not come due by the new timer: %+v", state.Notices)
	}
	r, err := b.store.Resumable(t.Context(), b.candidate)
	if err != nil || r.Protocol != "next-1" {
		t.Errorf("pinned to %s, error %v", r.Protocol, err)
	}
	entry := b.entry(journey.MoveProtocol)
	event, err := entry.Decode()
	if err != nil {
		t.Fatal(err)
	}
	want := []journey.PlanChange{
		{Requirement: "dental-review", Applies: true, Causes: []string{journey.ByProtocol}},
		{Requirement: "glucose-tolerance", Applies: true, Causes: []string{"fasting_glucose", "glycated_haemoglobin"}},
	}
	if encode(t, event.Plan) != encode(t, want) {
		t.Errorf("the plan is recorded as %s", encode(t, event.Plan))
	}
	var body activities.Move
	if err := json.Unmarshal(entry.Body, &body); err != nil || body.From != b.protocol.Version || body.Digest != next.Digest() || body.Reason != walk.Secret {
		t.Errorf("the entry says %s, error %v", entry.Body, err)
	}
	if contains(entry.Event, walk.Secret) {
		t.Error("the reason is in the event")
	}
}

func (b *bench) entry(kind journey.Kind) record.Entry {
	b.t.Helper()
	entries, err := b.store.Entries(context.Background(), b.candidate)
	if err != nil {
		b.t.Fatal(err)
	}
	i := slices.IndexFunc(entries, func(e record.Entry) bool { return e.Kind == kind })
	if i < 0 {
		b.t.Fatalf("there is no entry of %s", kind)
	}
	return entries[i]
}

// TestMoveAfterTheOperation lets the visits follow the new version.
func TestMoveAfterTheOperation(t *testing.T) {
	b := newBench(t)
	text := strings.Replace(nextVersion(t).Source(), "after_months: 6", "after_months: 9", 1)
	next, err := protocol.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	b.keep(next)
	w := b.walk
	w.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate()
	w.Add(w.At(walk.OperationDay+2, 0), journey.MoveProtocol, "acc-admin", journey.Administrator, &command.MoveProtocol{Version: "next-1"})
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, (walk.OperationDay+240)*24*time.Hour)
	state := b.run()
	b.accepted()
	operation := w.Day(walk.OperationDay)
	i := slices.IndexFunc(state.Visits, func(v journey.Visit) bool { return v.Target == operation.AddMonths(9) })
	if i < 0 || state.Visits[i].Status != journey.VisitOpen {
		t.Errorf("got %+v", state.Visits)
	}
	if state.Applies("dental-review") {
		t.Error("a review is asked for after the operation")
	}
}

// TestCommitBehindAMove: a workflow that is still on the old version, as after an
// engine restored from a copy, is told of the new one.
func TestCommitBehindAMove(t *testing.T) {
	b := newBench(t)
	next := nextVersion(t)
	b.keep(next)
	b.walk.Refer().Screen()
	w := b.walk
	w.Add(w.At(5, 0), journey.MoveProtocol, "acc-admin", journey.Administrator, &command.MoveProtocol{Version: "next-1"})
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, 6*24*time.Hour)
	state := b.run()
	b.accepted()
	a := &activities.Activities{Store: b.store, Protocols: protocol.NewRegistry(b.store.Protocol, b.protocol), Publisher: silent{}}
	at := w.At(7, 0)
	commit := func(id string, kind journey.Kind, role journey.Role, body command.Body) (activities.Committed, error) {
		raw, hash, err := command.Canonical(kind, "acc", body)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := b.store.Stage(t.Context(), b.candidate, id, hash, raw); err != nil {
			t.Fatal(err)
		}
		c := journey.Command{ID: id, Candidate: b.candidate, Kind: kind, Actor: "acc", Role: role, At: at, Today: journey.DateOf(at, b.protocol.Zone())}
		body.Code(&c)
		return a.Commit(t.Context(), activities.CommitInput{Command: c, Protocol: b.protocol.Version, Seq: state.Seq - 1})
	}
	done, err := commit("late", journey.Hold, journey.Coordinator, &command.Plain{})
	if err != nil || done.State == nil || done.Rules == nil || done.Rules.Version != "next-1" || done.State.Stage != journey.OnHold {
		t.Fatalf("got %+v, error %v", done, err)
	}
	// Asked again, the answer comes from the record and names the rules too.
	again, err := commit("late", journey.Hold, journey.Coordinator, &command.Plain{})
	if err != nil || again.Rules == nil || encode(t, again.State) != encode(t, done.State) {
		t.Errorf("got %+v, error %v", again, err)
	}
	if _, err := commit("nowhere", journey.MoveProtocol, journey.Administrator, &command.MoveProtocol{Version: "none"}); activities.Refused(err) == nil {
		t.Errorf("a move to a version that is not stored is answered %v", err)
	}
	if _, err := commit("back", journey.MoveProtocol, journey.Administrator, &command.MoveProtocol{Version: b.protocol.Version}); activities.Refused(err) == nil {
		t.Errorf("a move to a version that nobody approved is answered %v", err)
	}
	other, err := protocol.Parse([]byte(strings.Replace(next.Source(), "version: next-1", "version: next-2", 1)))
	if err != nil {
		t.Fatal(err)
	}
	b.keep(other)
	if done, err = commit("on", journey.MoveProtocol, journey.Administrator, &command.MoveProtocol{Version: "next-2"}); err != nil || done.Rules.Version != "next-2" {
		t.Errorf("got %+v, error %v", done, err)
	}
	b.recorded()
}
