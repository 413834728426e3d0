// Package workflows holds the Candidate workflow: one durable run per person,
// from referral to the end of follow-up. It decides what is next, what is late
// and what expires, from ids, codes, dates and bands alone. Values, names and
// free text stay in the record store, behind the one activity that commits a
// command.
package workflows

import (
	"slices"
	"time"

	"go.temporal.io/sdk/temporal"
	"go.temporal.io/sdk/workflow"

	"candidacy/activities"
	"candidacy/internal/journey"
)

const (
	// TaskQueue is where candidate workflows and their activities run.
	TaskQueue = "candidate"
	// StateQuery answers the workflow's journey.State.
	StateQuery = "state"

	// commitTimeout bounds one attempt at writing a command.
	commitTimeout = time.Minute
	// commitHeartbeat is how long a candidate waits after a crash in the middle
	// of one.
	commitHeartbeat = 5 * time.Second
	// referralTimeout ends a run whose referral was refused.
	referralTimeout = time.Minute
)

// WorkflowID names the run of a candidate. The candidate's id is random, so
// the name says nothing about the person.
func WorkflowID(candidate string) string { return "candidate/" + candidate }

// Input starts a run: empty but for the rules when a candidate is referred,
// and with the state when a run continues or is rebuilt from the record.
type Input struct {
	Rules journey.Rules     `json:"rules"`
	State journey.State     `json:"state"`
	Next  *journey.Upcoming `json:"next,omitempty"`
}

// Receipt answers a command: what is on record now.
type Receipt struct {
	Seq   int64         `json:"seq"`
	Stage journey.Stage `json:"stage"`
}

// candidate is the whole state of one run.
type candidate struct {
	Input
	mutex workflow.Mutex
}

// Candidate drives one candidate. Every command is an Update with a validator;
// between commands the run sleeps until the earliest deadline.
func Candidate(ctx workflow.Context, in Input) error {
	c := &candidate{Input: in, mutex: workflow.NewMutex(ctx)}
	if err := c.register(ctx); err != nil {
		return err
	}
	return c.run(ctx)
}

// register sets the handlers before anything blocks.
func (c *candidate) register(ctx workflow.Context) error {
	if err := workflow.SetQueryHandler(ctx, StateQuery, func() (journey.State, error) { return c.State, nil }); err != nil {
		return err
	}
	kinds := append(slices.Concat(journey.Kinds(), journey.OwnKinds()), journey.Refer, journey.EndBackEntry)
	for _, kind := range kinds {
		if err := workflow.SetUpdateHandlerWithOptions(ctx, string(kind), c.handle, workflow.UpdateHandlerOptions{Validator: c.validate}); err != nil {
			return err
		}
	}
	return nil
}

// validate refuses a command that is not allowed now, before it enters the
// history. While another command is under way nobody knows yet what is allowed:
// after a crash the record may be ahead until that command's activity has been
// tried again. The handler waits for it and checks then.
func (c *candidate) validate(_ workflow.Context, command journey.Command) error {
	if c.mutex.IsLocked() {
		return nil
	}
	return c.check(command)
}

// check asks what is allowed once everything that passed before the command
// has been recorded, which its commit does first.
func (c *candidate) check(command journey.Command) error {
	state := c.State
	if state.Stage != "" {
		_, state = journey.Passed(c.Rules, state, command.Given())
	}
	return activities.Refuse(journey.Check(c.Rules, state, command))
}

// handle carries a command out. Handlers interleave while they wait, so one
// command at a time holds the candidate and the rules are checked again.
func (c *candidate) handle(ctx workflow.Context, command journey.Command) (Receipt, error) {
	if err := c.mutex.Lock(ctx); err != nil {
		return Receipt{}, err
	}
	defer c.mutex.Unlock()
	if err := c.check(command); err != nil {
		return Receipt{}, err
	}
	if err := c.commit(ctx, command); err != nil {
		return Receipt{}, err
	}
	return Receipt{Seq: c.State.Seq, Stage: c.State.Stage}, nil
}

// commit writes a command and takes over what it changed.
func (c *candidate) commit(ctx workflow.Context, command journey.Command) error {
	ctx = workflow.WithActivityOptions(ctx, workflow.ActivityOptions{
		StartToCloseTimeout: commitTimeout, HeartbeatTimeout: commitHeartbeat,
		RetryPolicy: &temporal.RetryPolicy{
			InitialInterval: 100 * time.Millisecond, BackoffCoefficient: 2, MaximumInterval: 30 * time.Second,
		},
	})
	var a *activities.Activities
	var done activities.Committed
	in := activities.CommitInput{Command: command, Protocol: c.Rules.Version, Seq: c.State.Seq}
	if err := workflow.ExecuteActivity(ctx, a.Commit, in).Get(ctx, &done); err != nil {
		if refusal := activities.Refused(err); refusal != nil {
			return activities.Refuse(refusal)
		}
		return err
	}
	if done.State != nil {
		// The record is ahead, as after an engine restored from a copy.
		c.State = *done.State
		if done.Rules != nil {
			c.Rules = *done.Rules
		}
	} else {
		for _, event := range done.Events {
			c.State = journey.Apply(c.Rules, c.State, event)
			c.Rules = journey.RulesAfter(c.Rules, event)
		}
	}
	c.Next = done.Next
	return nil
}

// elapse records the deadlines of the earliest due day.
func (c *candidate) elapse(ctx workflow.Context) error {
	due := *c.Next
	return c.commit(ctx, journey.Command{
		ID:        activities.ElapseID(c.State.Seq + 1),
		Candidate: c.State.Candidate, Kind: journey.Elapse,
		Actor: "timer", Role: journey.System, At: due.At, Today: due.On, On: due.On,
	})
}

// run sleeps until the earliest deadline, over and over, until the journey
// ends or the history grows long.
func (c *candidate) run(ctx workflow.Context) error {
	referred, err := workflow.AwaitWithTimeout(ctx, referralTimeout, func() bool { return c.State.Stage != "" })
	if err != nil {
		return err
	}
	if !referred {
		// A referral may still be under way, when its commit takes that long.
		if err := c.drain(ctx); err != nil || c.State.Stage == "" {
			return err
		}
	}
	for !c.State.Stage.Ended() {
		if workflow.GetInfo(ctx).GetContinueAsNewSuggested() {
			return c.continueAsNew(ctx)
		}
		if err := c.sleep(ctx); err != nil {
			return err
		}
	}
	return c.drain(ctx)
}

// sleep waits for the earliest deadline and records it, or returns as soon as
// something else changed what to wait for.
func (c *candidate) sleep(ctx workflow.Context) error {
	next := c.Next
	changed := func() bool {
		return !same(c.Next, next) || c.State.Stage.Ended() || workflow.GetInfo(ctx).GetContinueAsNewSuggested()
	}
	// A journey entered after the fact does not run by the clock.
	if next == nil || c.State.BackEntry {
		return workflow.Await(ctx, func() bool { return changed() || (next != nil && !c.State.BackEntry) })
	}
	if wait := next.At.Sub(workflow.Now(ctx)); wait > 0 {
		woken, err := workflow.AwaitWithTimeout(ctx, wait, changed)
		if err != nil || woken {
			return err
		}
	}
	if err := c.mutex.Lock(ctx); err != nil {
		return err
	}
	defer c.mutex.Unlock()
	if !same(c.Next, next) || c.State.Stage.Ended() {
		return nil
	}
	return c.elapse(ctx)
}

func same(a, b *journey.Upcoming) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.Deadline == b.Deadline && a.At.Equal(b.At)
}

// continueAsNew hands the state to a fresh run once no command is under way.
func (c *candidate) continueAsNew(ctx workflow.Context) error {
	if err := c.drain(ctx); err != nil {
		return err
	}
	// An Update must not complete in the task that continues as new
	// (temporalio/temporal#6375), so this takes a task of its own.
	if err := workflow.Sleep(ctx, time.Millisecond); err != nil {
		return err
	}
	if err := c.drain(ctx); err != nil {
		return err
	}
	if c.State.Stage.Ended() {
		return nil
	}
	return workflow.NewContinueAsNewError(ctx, Candidate, c.Input)
}

func (c *candidate) drain(ctx workflow.Context) error {
	return workflow.Await(ctx, func() bool { return workflow.AllHandlersFinished(ctx) })
}
