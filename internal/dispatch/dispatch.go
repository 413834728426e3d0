// Package dispatch hands a command to its candidate's workflow: it checks the
// body, stages it in the record store, sends one Update and waits for it. Web
// pages, the JSON API, intake and the demonstration data all come through here,
// so that there is one way in.
package dispatch

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	enums "go.temporal.io/api/enums/v1"
	"go.temporal.io/api/serviceerror"
	"go.temporal.io/sdk/client"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/workflows"
)

// Dispatcher sends commands. It is safe for concurrent use.
type Dispatcher struct {
	Store     *record.Store
	Client    client.Client
	Protocols *protocol.Registry
	// Current is the protocol that new candidates are pinned to.
	Current *protocol.Protocol
	// Now is the clock.
	Now func() time.Time
	// BackEntry starts journeys whose timers wait until they are let go.
	BackEntry bool
}

// Request is one command as it arrives.
type Request struct {
	// Candidate is empty for a referral, which makes the id.
	Candidate string
	// Key is the client's idempotency key.
	Key   string
	Kind  journey.Kind
	Actor string
	Role  journey.Role
	Body  command.Body
}

// Receipt is the answer to a command that is on record.
type Receipt struct {
	Candidate string        `json:"candidate"`
	Seq       int64         `json:"seq"`
	Stage     journey.Stage `json:"stage"`
	// Repeated says that the same command was on record already.
	Repeated bool `json:"repeated,omitempty"`
}

// Pending says that a command was handed over but not answered in time. It may
// still be carried out: asking again with the same key tells.
type Pending struct{ Candidate, Command string }

// Error says what to do.
func (p *Pending) Error() string {
	return "the command is still being carried out; send it again with the same idempotency key to learn the outcome"
}

// maxKey bounds an idempotency key.
const maxKey = 200

var candidateNamespace = uuid.MustParse("0b6a6d62-8d4b-4f0e-9d2c-5a8e3e2b9c44")

// commandID makes the Update id from the client's key. The engine keeps ids in
// the clear, and a key may hold anything.
func commandID(key string) string {
	sum := sha256.Sum256([]byte("command\n" + key))
	return "c-" + hex.EncodeToString(sum[:16])
}

// ReferralID is the id of the candidate whom a referral makes: the same for the same
// actor and key, so that one that is sent twice makes one candidate.
func ReferralID(actor, key string) string {
	return uuid.NewSHA1(candidateNamespace, []byte(actor+"\n"+key)).String()
}

// Submit carries a command out, exactly once for each key. The error is a
// *command.Invalid, a *journey.Refusal, a *Pending, or a fault of the system.
func (d *Dispatcher) Submit(ctx context.Context, r Request) (Receipt, error) {
	if r.Key == "" || len(r.Key) > maxKey {
		return Receipt{}, &command.Invalid{Faults: []command.Fault{{
			Field: "Idempotency-Key", Problem: "missing or too long", Accepted: []string{fmt.Sprintf("1 to %d characters that are new for each command", maxKey)},
		}}}
	}
	if !journey.MayGive(r.Role, r.Kind) {
		return Receipt{}, &journey.Refusal{Code: journey.Forbidden, Message: fmt.Sprintf("the role %s may not give the command %s", r.Role, r.Kind)}
	}
	if err := command.Validate(r.Body); err != nil {
		return Receipt{}, err
	}
	p := d.Current
	if r.Kind == journey.Refer {
		r.Candidate = ReferralID(r.Actor, r.Key)
	} else {
		var err error
		if p, err = d.protocolOf(ctx, r.Candidate); err != nil {
			return Receipt{}, err
		}
	}
	if move, ok := r.Body.(*command.MoveProtocol); ok {
		if err := d.stored(ctx, move.Version); err != nil {
			return Receipt{}, err
		}
	}
	at := d.Now()
	if err := complete(p, r.Body, at); err != nil {
		return Receipt{}, err
	}
	if err := d.reportable(ctx, p, r.Body); err != nil {
		return Receipt{}, err
	}
	if results, ok := r.Body.(*command.RecordResults); ok && results.Accepted != nil && results.Accepted.By == "" {
		results.Accepted.By = r.Actor
	}
	body, hash, err := command.Canonical(r.Kind, r.Actor, r.Body)
	if err != nil {
		return Receipt{}, err
	}
	c := journey.Command{
		ID: commandID(r.Key), Candidate: r.Candidate, Kind: r.Kind, Actor: r.Actor, Role: r.Role,
		At: at, Today: journey.DateOf(at, p.Zone()), BackEntry: d.BackEntry && r.Kind == journey.Refer,
	}
	r.Body.Code(&c)
	return d.deliver(ctx, c, body, hash, p.Rules())
}

// Check finds what is wrong with a body by itself and by the candidate's protocol,
// the present one for no candidate. It carries nothing out.
func (d *Dispatcher) Check(ctx context.Context, candidate string, body command.Body) error {
	if err := command.Validate(body); err != nil {
		return err
	}
	p := d.Current
	if candidate != "" {
		var err error
		if p, err = d.protocolOf(ctx, candidate); err != nil {
			return err
		}
	}
	return complete(p, body, d.Now())
}

// complete fills in what a report leaves to be understood, and checks.
func complete(p *protocol.Protocol, body command.Body, now time.Time) error {
	if results, ok := body.(*command.RecordResults); ok {
		p.Complete(results.Results)
	}
	var faults command.Faults
	if command.PlaceVisit(&faults, body, p.Zone()); faults.Err() != nil {
		return faults.Err()
	}
	return check(p, body, now)
}

// oldestYears is more than the age of anybody known to have lived, except one: a birth date
// before it has a mistyped year.
const oldestYears = 120

// check applies the protocol's own expectations to what is reported.
func check(p *protocol.Protocol, body command.Body, now time.Time) error {
	var faults command.Faults
	switch body := body.(type) {
	case *command.Referral:
		if !body.BirthDate.Before(journey.DateOf(now, p.Zone())) {
			faults.Add("birth_date", "not in the past")
		} else if oldest := journey.DateOf(now.AddDate(-oldestYears, 0, 0), p.Zone()); body.BirthDate.Before(oldest) {
			faults.Add("birth_date", "more than 120 years ago", string(oldest)+" or later")
		}
	case *command.RecordResults:
		body.Future(&faults, now, p.Zone())
		p.CheckResults(&faults, body.Results)
	case *command.AnswerQuestionnaire:
		p.CheckAnswers(&faults, body, journey.DateOf(now, p.Zone()))
	case *command.GiveQuestionnaire:
		if _, known := p.Questionnaire(body.Questionnaire); !known {
			var accepted []string
			for _, q := range p.Questionnaires {
				accepted = append(accepted, q.ID)
			}
			faults.Add("questionnaire", "there is no such questionnaire", accepted...)
		}
	case *command.RecordComplication:
		body.Late(&faults, journey.DateOf(now, p.Zone()))
		p.CheckComplication(&faults, body.Complication)
	}
	return faults.Err()
}

// stored refuses a protocol version that the store does not have, or that nobody
// answers for.
func (d *Dispatcher) stored(ctx context.Context, version string) error {
	p, err := d.Protocols.Get(ctx, version)
	switch {
	case err == nil && p.ApprovedBy == "":
		return &command.Invalid{Faults: []command.Fault{{Field: "version", Problem: "nobody approved this version", Accepted: []string{"a version whose text has approved_by and approved_on"}}}}
	case !errors.Is(err, record.ErrNotFound):
		return err
	}
	list, err := d.Store.Protocols(ctx)
	if err != nil {
		return err
	}
	var accepted []string
	for _, p := range list {
		accepted = append(accepted, p.Version)
	}
	return &command.Invalid{Faults: []command.Fault{{Field: "version", Problem: "no such protocol version is stored", Accepted: accepted}}}
}

// protocolOf returns the protocol that a candidate is pinned to.
func (d *Dispatcher) protocolOf(ctx context.Context, candidate string) (*protocol.Protocol, error) {
	version, err := d.Store.Pinned(ctx, candidate)
	if errors.Is(err, record.ErrNotFound) {
		return nil, &journey.Refusal{Code: journey.NotFound, Message: "there is no such candidate"}
	}
	if err != nil {
		return nil, err
	}
	return d.Protocols.Get(ctx, version)
}

// deliver stages the body, sends the Update and answers from the record.
func (d *Dispatcher) deliver(ctx context.Context, c journey.Command, body json.RawMessage, hash string, rules journey.Rules) (Receipt, error) {
	staging, err := d.Store.Stage(ctx, c.Candidate, c.ID, hash, body)
	switch {
	case errors.Is(err, record.ErrKeyReused):
		return Receipt{}, &journey.Refusal{Code: journey.Conflict, Field: "Idempotency-Key", Message: "Idempotency-Key: it was used for another command"}
	case err != nil:
		return Receipt{}, err
	case staging.Done != nil:
		return d.repeated(ctx, *staging.Done)
	}
	// The engine remembers refusals too: a new attempt is a new Update.
	receipt, err := d.update(ctx, c, c.ID+"/"+staging.Attempt, rules)
	if err == nil {
		return Receipt{Candidate: c.Candidate, Seq: receipt.Seq, Stage: receipt.Stage}, nil
	}
	if refusal := activities.Refused(err); refusal != nil {
		// Another attempt may have put it on record meanwhile.
		if entry, err := d.Store.EntryByCommand(ctx, c.Candidate, c.ID); err == nil && entry.CommandHash == hash {
			event, err := entry.Decode()
			if err != nil {
				return Receipt{}, err
			}
			return d.repeated(ctx, event)
		}
		if err := d.Store.Unstage(context.WithoutCancel(ctx), c.Candidate, c.ID, staging.Attempt); err != nil {
			return Receipt{}, err
		}
		return Receipt{}, refusal
	}
	var late *client.WorkflowUpdateServiceTimeoutOrCanceledError
	if errors.As(err, &late) || ctx.Err() != nil {
		return Receipt{}, &Pending{Candidate: c.Candidate, Command: c.ID}
	}
	return Receipt{}, err
}

func (d *Dispatcher) repeated(ctx context.Context, event journey.Event) (Receipt, error) {
	current, err := d.Store.Resumable(ctx, event.Candidate)
	if err != nil {
		return Receipt{}, err
	}
	return Receipt{Candidate: event.Candidate, Seq: event.Seq, Stage: current.State.Stage, Repeated: true}, nil
}

// update sends one Update. When the engine does not know the run, it is
// started from the record: the engine's memory is disposable.
func (d *Dispatcher) update(ctx context.Context, c journey.Command, updateID string, rules journey.Rules) (workflows.Receipt, error) {
	if c.Kind == journey.Refer {
		return d.updateWithStart(ctx, c, updateID, workflows.Input{Rules: rules})
	}
	receipt, err := wait(d.Client.UpdateWorkflow(ctx, options(c, updateID)))(ctx)
	var gone *serviceerror.NotFound
	if !errors.As(err, &gone) {
		return receipt, err
	}
	known, err := d.Store.Resumable(ctx, c.Candidate)
	if err != nil {
		return receipt, err
	}
	if known.State.Stage.Ended() {
		return receipt, ended(rules, known.State, c)
	}
	if known.Protocol != rules.Version {
		// The candidate was moved meanwhile.
		p, err := d.Protocols.Get(ctx, known.Protocol)
		if err != nil {
			return receipt, err
		}
		rules = p.Rules()
	}
	return d.updateWithStart(ctx, c, updateID, workflows.Input{Rules: rules, State: known.State, Next: known.Next})
}

// ended refuses a command to a journey that is over.
func ended(rules journey.Rules, state journey.State, c journey.Command) error {
	if err := journey.Check(rules, state, c); err != nil {
		return err
	}
	return &journey.Refusal{Code: journey.NotAllowed, Message: "the journey has ended"}
}

func options(c journey.Command, updateID string) client.UpdateWorkflowOptions {
	return client.UpdateWorkflowOptions{
		WorkflowID: workflows.WorkflowID(c.Candidate), UpdateID: updateID, UpdateName: string(c.Kind),
		Args: []any{c}, WaitForStage: client.WorkflowUpdateStageCompleted,
	}
}

func (d *Dispatcher) updateWithStart(ctx context.Context, c journey.Command, updateID string, in workflows.Input) (workflows.Receipt, error) {
	start := d.Client.NewWithStartWorkflowOperation(client.StartWorkflowOptions{
		ID: workflows.WorkflowID(c.Candidate), TaskQueue: workflows.TaskQueue,
		WorkflowIDConflictPolicy: enums.WORKFLOW_ID_CONFLICT_POLICY_USE_EXISTING,
	}, workflows.Candidate, in)
	return wait(d.Client.UpdateWithStartWorkflow(ctx, client.UpdateWithStartWorkflowOptions{
		StartWorkflowOperation: start, UpdateOptions: options(c, updateID),
	}))(ctx)
}

// wait returns what an Update answers.
func wait(handle client.WorkflowUpdateHandle, err error) func(context.Context) (workflows.Receipt, error) {
	return func(ctx context.Context) (workflows.Receipt, error) {
		var receipt workflows.Receipt
		if err != nil {
			return receipt, err
		}
		err := handle.Get(ctx, &receipt)
		return receipt, err
	}
}

// Resume starts the run of one candidate from the record. A run that exists is
// left alone.
func Resume(ctx context.Context, c client.Client, rules journey.Rules, r record.Resumable) error {
	_, err := c.ExecuteWorkflow(ctx, client.StartWorkflowOptions{
		ID: workflows.WorkflowID(r.ID), TaskQueue: workflows.TaskQueue,
		WorkflowIDConflictPolicy: enums.WORKFLOW_ID_CONFLICT_POLICY_USE_EXISTING,
	}, workflows.Candidate, workflows.Input{Rules: rules, State: r.State, Next: r.Next})
	if err != nil {
		return fmt.Errorf("start the run of candidate %s: %w", r.ID, err)
	}
	return nil
}

// EndBackEntry lets a journey that was entered after the fact run by the clock.
func (d *Dispatcher) EndBackEntry(ctx context.Context, candidate string) error {
	p, err := d.protocolOf(ctx, candidate)
	if err != nil {
		return err
	}
	at := d.Now()
	c := journey.Command{
		ID: commandID("end-back-entry " + candidate), Candidate: candidate, Kind: journey.EndBackEntry,
		Actor: "programme", Role: journey.System, At: at, Today: journey.DateOf(at, p.Zone()),
	}
	_, err = d.update(ctx, c, c.ID, p.Rules())
	return err
}
