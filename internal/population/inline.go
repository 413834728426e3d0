package population

import (
	"context"
	"errors"
	"fmt"

	"go.temporal.io/sdk/client"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/workflows"
)

// inline carries out Updates at once, in place of an engine with a worker. What
// it knows of a run is what is on record.
type inline struct {
	client.Client // nothing else of it is called
	activities    *activities.Activities
}

// start is a run that is started with its first Update.
type start struct {
	client.WithStartWorkflowOperation // nobody asks for the run
	input                             workflows.Input
}

// NewWithStartWorkflowOperation keeps what the run is started with.
func (e *inline) NewWithStartWorkflowOperation(_ client.StartWorkflowOptions, _ any, args ...any) client.WithStartWorkflowOperation {
	input, _ := args[0].(workflows.Input)
	return start{input: input}
}

// UpdateWithStartWorkflow carries out the first Update of a run.
func (e *inline) UpdateWithStartWorkflow(ctx context.Context, o client.UpdateWithStartWorkflowOptions) (client.WorkflowUpdateHandle, error) {
	run, ok := o.StartWorkflowOperation.(start)
	if !ok {
		return nil, errors.New("a run is started in another way")
	}
	return e.update(ctx, o.UpdateOptions, run.input.Rules.Version)
}

// UpdateWorkflow carries out an Update.
func (e *inline) UpdateWorkflow(ctx context.Context, o client.UpdateWorkflowOptions) (client.WorkflowUpdateHandle, error) {
	return e.update(ctx, o, "")
}

func (e *inline) update(ctx context.Context, o client.UpdateWorkflowOptions, version string) (client.WorkflowUpdateHandle, error) {
	command, ok := o.Args[0].(journey.Command)
	if !ok {
		return nil, fmt.Errorf("%s was not given a command", o.UpdateName)
	}
	receipt, err := e.commit(ctx, command, version)
	return &answer{receipt: receipt, err: err}, nil
}

// commit commits a command as the workflow does, which knows the version and the
// number of the last entry by itself.
func (e *inline) commit(ctx context.Context, c journey.Command, version string) (workflows.Receipt, error) {
	known, err := e.activities.Store.Resumable(ctx, c.Candidate)
	switch {
	case err == nil:
		version = known.Protocol
	case !errors.Is(err, record.ErrNotFound):
		return workflows.Receipt{}, err
	}
	committed, err := e.activities.Commit(ctx, activities.CommitInput{Command: c, Protocol: version, Seq: known.State.Seq})
	if err != nil {
		return workflows.Receipt{}, err
	}
	if known, err = e.activities.Store.Resumable(ctx, c.Candidate); err != nil {
		return workflows.Receipt{}, err
	}
	if n := len(committed.Events); n == 0 || committed.Events[n-1].Seq != known.State.Seq {
		return workflows.Receipt{}, fmt.Errorf("%s: what was committed is not what is on record", c.Kind)
	}
	return workflows.Receipt{Seq: known.State.Seq, Stage: known.State.Stage}, nil
}

// answer is an Update that has been carried out, or refused.
type answer struct {
	client.WorkflowUpdateHandle // nobody asks for its names
	receipt                     workflows.Receipt
	err                         error
}

// Get returns what the Update answers.
func (a *answer) Get(_ context.Context, into any) error {
	if receipt, ok := into.(*workflows.Receipt); ok {
		*receipt = a.receipt
	}
	return a.err
}
