package population

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// account is somebody who works at the invented programme.
type account struct {
	id   string
	role journey.Role
}

// The people of the programme.
var (
	coordinator     = account{"acc-pop-coordinator", journey.Coordinator}
	nephrologist    = account{"acc-pop-nephrologist", journey.Clinician}
	surgeon         = account{"acc-pop-surgeon", journey.Clinician}
	psychologist    = account{"acc-pop-psychologist", journey.Clinician}
	advocate        = account{"acc-pop-advocate", journey.Advocate}
	secondAdvocate  = account{"acc-pop-advocate-2", journey.Advocate}
	committee       = account{"acc-pop-committee", journey.CommitteeRole}
	administrator   = account{"acc-pop-administrator", journey.Administrator}
	recipientSide   = account{"acc-pop-recipient-side", journey.Advocate}
	staff           = []account{coordinator, nephrologist, surgeon, psychologist, advocate, secondAdvocate, committee, administrator, recipientSide}
	clinicians      = []account{nephrologist, surgeon, psychologist}
	coordinatorsToo = []account{coordinator, coordinator, coordinator, nephrologist, surgeon}
)

// Programme is where journeys are played, one after the other: a record store
// with its own clock. It is not safe for concurrent use.
type Programme struct {
	Store *record.Store
	// Protocols are the versions that candidates are referred on, and moved to
	// where somebody approved them.
	Protocols []*protocol.Protocol

	// told says what is told in confidence by every version.
	told       *protocol.Protocol
	dispatcher *dispatch.Dispatcher
	engine     *inline
	now        time.Time
}

// Open opens a store at a location, as record.Open does, and employs the people
// of the programme. Publisher makes what is published. What the first protocol calls
// confidential, all of them do.
func Open(ctx context.Context, location string, publisher activities.Publisher, protocols ...*protocol.Protocol) (*Programme, error) {
	p := &Programme{Protocols: protocols, told: protocols[0], now: time.Date(2026, time.January, 5, 9, 0, 0, 0, time.UTC)}
	store, err := record.Open(ctx, location, func() time.Time { return p.now })
	if err != nil {
		return nil, err
	}
	p.Store = store
	if err := p.furnish(ctx); err != nil {
		return nil, errors.Join(err, store.Close())
	}
	registry := protocol.NewRegistry(store.Protocol, protocols...)
	p.engine = &inline{activities: &activities.Activities{Store: store, Protocols: registry, Publisher: publisher}}
	p.dispatcher = &dispatch.Dispatcher{
		Store: store, Client: p.engine, Protocols: registry, Now: func() time.Time { return p.now },
	}
	return p, nil
}

// Close closes the store.
func (p *Programme) Close() error { return p.Store.Close() }

func (p *Programme) furnish(ctx context.Context) error {
	for _, one := range p.Protocols {
		if err := p.Store.KeepProtocol(ctx, one.Version, one.Digest(), one.Source()); err != nil {
			return err
		}
	}
	known, err := p.Store.Accounts(ctx)
	if err != nil || len(known) > 0 {
		return err
	}
	for _, a := range staff {
		if _, err := p.Store.AddAccount(ctx, a.id, a.id, a.id, a.role, "a password for a test"); err != nil {
			return err
		}
	}
	return nil
}

// Step is one command as it was given.
type Step struct {
	At time.Time
	// Timers says that the engine was there until then, so that every deadline
	// passed at its own time; otherwise they are recorded with the command.
	Timers bool
	// Protocol is the version of a referral.
	Protocol string
	Kind     journey.Kind
	Actor    string
	Role     journey.Role
	Body     command.Body
	// Refused is why it was not carried out, empty where it was.
	Refused string
}

// give gives a step and returns the receipt. A refusal comes back as such; any
// other error is a fault of the system.
func (p *Programme) give(ctx context.Context, candidate, key string, s Step) (dispatch.Receipt, *refusal, error) {
	if s.Timers && candidate != "" {
		if err := p.elapse(ctx, candidate, s.At); err != nil {
			return dispatch.Receipt{}, nil, err
		}
	}
	p.now = s.At
	for _, one := range p.Protocols {
		if s.Kind == journey.Refer && one.Version == s.Protocol {
			p.dispatcher.Current = one
		}
	}
	receipt, err := p.dispatcher.Submit(ctx, dispatch.Request{
		Candidate: candidate, Key: key, Kind: s.Kind, Actor: s.Actor, Role: s.Role, Body: s.Body,
	})
	if err == nil {
		return receipt, nil, nil
	}
	var invalid *command.Invalid
	var refused *journey.Refusal
	switch {
	case errors.As(err, &invalid):
		return receipt, &refusal{why: err.Error()}, nil
	case errors.As(err, &refused) && !strings.Contains(refused.Message, "can't be published"):
		return receipt, &refusal{why: err.Error(), reasons: refused.Reasons}, nil
	default:
		return receipt, nil, err
	}
}

// refusal is why a command was not carried out.
type refusal struct {
	why     string
	reasons []journey.Reason
}

// elapse lets every deadline up to an instant pass at its own time.
func (p *Programme) elapse(ctx context.Context, candidate string, until time.Time) error {
	for {
		known, err := p.Store.Resumable(ctx, candidate)
		if err != nil {
			return err
		}
		if known.Next == nil || known.Next.At.After(until) || known.State.Stage.Ended() {
			return nil
		}
		p.now = known.Next.At
		if _, err := p.engine.commit(ctx, journey.Command{
			ID: activities.ElapseID(known.State.Seq + 1), Candidate: candidate, Kind: journey.Elapse, Actor: "timer", Role: journey.System,
			At: known.Next.At, Today: known.Next.On, On: known.Next.On,
		}, ""); err != nil {
			return fmt.Errorf("let %s of %s pass: %w", known.Next.Kind, known.Next.On, err)
		}
	}
}

// Replay gives steps as they are, those of one candidate. Most that depended on
// a step that is not among them are refused.
func (p *Programme) Replay(ctx context.Context, name string, steps []Step) (Journey, error) {
	j := Journey{Reached: map[string]int{}}
	for i, s := range steps {
		receipt, refused, err := p.give(ctx, j.Candidate, fmt.Sprintf("%s/%d", name, i), s)
		if err != nil {
			return j, fmt.Errorf("%s: %w", s.Kind, err)
		}
		if s.Refused = ""; refused != nil {
			s.Refused = refused.why
		} else {
			j.Candidate = receipt.Candidate
		}
		j.Steps = append(j.Steps, s)
		if j.Candidate == "" {
			return j, nil // without a referral there is nobody
		}
	}
	known, err := p.Store.Resumable(ctx, j.Candidate)
	j.State, j.Protocol = known.State, known.Protocol
	return j, err
}

// Journey is what became of one invented person.
type Journey struct {
	Seed      uint64
	Candidate string
	// Protocol is the version at the end.
	Protocol string
	Steps    []Step
	State    journey.State
	// Reached counts what the journey came by: stages, states of requirements and
	// of visits, bands of flags.
	Reached map[string]int
}

// note counts what a state shows.
func (j *Journey) note(before, after journey.State) {
	if before.Stage != after.Stage {
		j.Reached["stage "+string(after.Stage)]++
		if after.Stage.Ended() {
			j.Reached[fmt.Sprintf("from %s to %s", before.Stage, after.Stage)]++
		}
	}
	for _, r := range after.Requirements {
		if was, _ := before.Find(r.ID); was.Status != r.Status {
			j.Reached["requirement "+string(r.Status)]++
		}
		if r.Awaiting != nil {
			j.Reached["requirement awaiting a second signature"]++
		}
	}
	for _, v := range after.Visits {
		if !slices.ContainsFunc(before.Visits, func(was journey.Visit) bool { return was.ID == v.ID && was.Status == v.Status }) {
			j.Reached["visit "+string(v.Status)]++
		}
	}
	for _, f := range after.Flags {
		if !slices.Contains(before.Flags, f) {
			j.Reached["flag "+string(f.Band)]++
		}
	}
	for _, r := range after.Reports {
		if !slices.ContainsFunc(before.Reports, func(was journey.Report) bool { return was.ID == r.ID }) {
			j.Reached["event "+r.Event]++
		}
	}
	if after.LastCheck.Stopped && !before.LastCheck.Stopped || after.Verification.Stopped && !before.Verification.Stopped {
		j.Reached["check stopped"]++
	}
	if before.Outcome != after.Outcome {
		j.Reached["operation "+string(after.Outcome)]++
	}
	if before.Died == "" && after.Died != "" {
		j.Reached["death of a donor"]++
	}
}
