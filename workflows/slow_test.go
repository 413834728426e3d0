package workflows_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/mock"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/workflows"
)

// TestASlowReferralKeepsItsRun commits the referral only after the time that a
// run waits for one: the journey goes on, and its deadlines fire.
func TestASlowReferralKeepsItsRun(t *testing.T) {
	b := newBench(t)
	b.walk.Refer()
	commit := (&activities.Activities{Store: b.store, Protocols: protocol.NewRegistry(b.store.Protocol, b.protocol), Publisher: silent{}}).Commit
	referral := mock.MatchedBy(func(in activities.CommitInput) bool { return in.Command.Kind == journey.Refer })
	b.env.OnActivity("Commit", mock.Anything, referral).After(70 * time.Second).Return(
		func(ctx context.Context, in activities.CommitInput) (activities.Committed, error) {
			return commit(ctx, in)
		})
	b.env.OnActivity("Commit", mock.Anything, mock.Anything).Return(
		func(ctx context.Context, in activities.CommitInput) (activities.Committed, error) {
			return commit(ctx, in)
		})
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, b.walk.At(20, 0).Sub(morning))
	b.send()
	b.env.ExecuteWorkflow(workflows.Candidate, workflows.Input{Rules: b.protocol.Rules()})
	b.accepted()
	if state := b.recorded(); !noticed(state, journey.FirstReplyDue, b.walk.Day(4)) {
		t.Errorf("the first deadline did not fire: %+v", state.Notices)
	}
}
