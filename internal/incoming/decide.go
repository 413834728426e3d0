package incoming

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/reading"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// Act is what a person can do with a message that is held or refused.
type Act string

// The acts.
const (
	// Assign says whom a part of the message is about.
	Assign Act = "assign"
	// Again reads and matches the message anew, after a mapping or a protocol was
	// changed or a candidate referred.
	Again Act = "apply-again"
	// Accept lets in what stands against the order of reports.
	Accept Act = "accept"
	// Rest carries out what was understood, without what was not.
	Rest Act = "take-rest"
	// TakeBack marks the results that the sender reported of a wrong person as
	// entered in error, on whosever record they are.
	TakeBack Act = "take-back"
	// SetAside ends the matter without any of it on record.
	SetAside Act = "set-aside"
)

// Acts lists what can be done.
var Acts = []Act{Assign, Again, Accept, Rest, TakeBack, SetAside}

// Decision is what a person decided on one group of a message.
type Decision struct {
	Group int `json:"group"`
	// Candidate is whom the person says the group is about.
	Candidate string `json:"candidate,omitempty"`
	Accept    bool   `json:"accept,omitempty"`
	Rest      bool   `json:"rest,omitempty"`
	TakeBack  bool   `json:"take_back,omitempty"`
	// By is the account, and Reason why.
	By     string `json:"by"`
	Reason string `json:"reason"`
}

// Deed is what a person asks for.
type Deed struct {
	Message string
	// Revision is that of the message as the person saw it.
	Revision int64
	// Key is the idempotency key.
	Key string
	Act Act
	// Group is the index of the group, where the act is about one.
	Group int
	// Candidate is whom the group is assigned to, and BirthDate that person's date
	// of birth, as whoever assigns has compared it.
	Candidate string
	BirthDate journey.Date
	// Alias is a number of the group that is recorded as the candidate's, of one
	// of the kinds of record.IdentifierKinds.
	Alias     *result.Identifier
	AliasKind string
	Reason    string
	Actor     string
	Role      journey.Role
}

// deciders are the roles that may decide.
var deciders = []journey.Role{journey.Coordinator}

// Decide records what a person did with a message and carries out what follows.
// The error is a *command.Invalid, a *journey.Refusal, record.ErrNotFound, or a
// fault of the system.
func (q *Queue) Decide(ctx context.Context, d Deed) (Outcome, error) {
	if !slices.Contains(deciders, d.Role) {
		return Outcome{}, &journey.Refusal{Code: journey.Forbidden, Message: fmt.Sprintf("the role %s may not decide on messages", d.Role)}
	}
	m, err := q.store.Incoming(ctx, d.Message)
	if err != nil {
		return Outcome{}, err
	}
	if acts, err := q.store.IncomingActs(ctx, m.ID); err != nil {
		return Outcome{}, err
	} else if slices.ContainsFunc(acts, func(a record.IncomingAct) bool { return a.Key == d.Key }) {
		return OutcomeOf(m, true)
	}
	if err := q.allowed(ctx, m, d); err != nil {
		return Outcome{}, err
	}
	decisions, parts, state, err := decided(m, d)
	if err != nil {
		return Outcome{}, err
	}
	detail, err := json.Marshal(map[string]any{"group": d.Group, "candidate": d.Candidate, "alias": d.Alias})
	if err != nil {
		return Outcome{}, fmt.Errorf("encode what was decided: %w", err)
	}
	var alias *record.FurtherIdentifier
	if d.Alias != nil {
		alias = &record.FurtherIdentifier{Identifier: *d.Alias, Candidate: d.Candidate, Kind: d.AliasKind, Reason: d.Reason, RecordedBy: d.Actor}
	}
	act := record.IncomingAct{Key: d.Key, Actor: d.Actor, Role: d.Role, Kind: string(d.Act), Reason: d.Reason, Detail: detail}
	err = q.store.DecideIncoming(ctx, m.ID, d.Revision, act, state, decisions, parts, alias)
	switch {
	case errors.Is(err, record.ErrChanged):
		return Outcome{}, changedMeanwhile()
	case errors.Is(err, record.ErrIdentifierTaken):
		return Outcome{}, &journey.Refusal{Code: journey.Conflict, Field: "alias", Message: "alias: another candidate on record has it"}
	case err != nil:
		return Outcome{}, err
	}
	if state == Received {
		if err := q.CarryOut(ctx, m.ID); err != nil {
			q.trouble(ctx, m.ID, err)
		}
	}
	return q.Outcome(ctx, m.ID)
}

func changedMeanwhile() error {
	return &journey.Refusal{Code: journey.Conflict, Message: "somebody else has dealt with the message meanwhile; look at it again"}
}

// maxKey bounds an idempotency key.
const maxKey = 200

// allowed refuses a deed that is incomplete or does not fit the message.
func (q *Queue) allowed(ctx context.Context, m record.Incoming, d Deed) error {
	var faults command.Faults
	if d.Key == "" || len(d.Key) > maxKey {
		faults.Add("Idempotency-Key", "missing or too long")
	}
	if !slices.Contains(Acts, d.Act) {
		faults.Add("act", "no such act", journey.Words(Acts)...)
		return faults.Err()
	}
	if strings.TrimSpace(d.Reason) == "" {
		faults.Add("reason", "missing")
	} else if len(d.Reason) > 2000 {
		faults.Add("reason", "longer than 2000 bytes")
	}
	if d.Revision != m.Revision {
		return changedMeanwhile()
	}
	reopen := d.Act == Again && m.State == Settled
	if !m.State.Open() && !reopen {
		return &journey.Refusal{Code: journey.NotAllowed, Message: "the message does not wait for a person"}
	}
	message, err := q.Read(m)
	var unreadable *reading.Unreadable
	if errors.As(err, &unreadable) && d.Act != Again && d.Act != SetAside {
		faults.Add("act", "the message can't be read", string(Again), string(SetAside))
		return faults.Err()
	}
	var group reading.Group
	if d.Act != Again && d.Act != SetAside {
		if d.Group < 0 || d.Group >= len(message.Groups) {
			faults.Add("group", "the message has no such part")
			return faults.Err()
		}
		group = message.Groups[d.Group]
	}
	if d.Act == Assign {
		if err := q.assignable(ctx, &faults, d, group); err != nil {
			return err
		}
	} else if d.Alias != nil {
		faults.Add("alias", "only where the message is assigned")
	}
	return faults.Err()
}

// assignable checks whom a group is assigned to.
func (q *Queue) assignable(ctx context.Context, faults *command.Faults, d Deed, group reading.Group) error {
	c, err := q.store.Candidate(ctx, d.Candidate)
	if errors.Is(err, record.ErrNotFound) {
		faults.Add("candidate", "there is no such candidate")
		return nil
	}
	if err != nil {
		return err
	}
	conflict, err := q.store.OnRecipientTeam(ctx, c.Recipient, d.Actor)
	if err != nil {
		return err
	}
	if conflict {
		faults.Add("candidate", "there is no such candidate")
		return nil
	}
	if d.BirthDate != c.Identity.BirthDate {
		faults.Add("birth_date", "not the date of birth of this candidate", "the date on record, as compared with the message")
	}
	if d.Alias == nil {
		return nil
	}
	if !slices.Contains(record.IdentifierKinds, d.AliasKind) {
		faults.Add("alias_kind", "not accepted", record.IdentifierKinds...)
	}
	if d.Alias.System == "" || d.Alias.System == PatientID || !slices.ContainsFunc(group.Identifiers, func(i reading.Identifier) bool { return i.Subject() == *d.Alias }) {
		faults.Add("alias", "not a number of this part of the message")
	}
	return nil
}

// decided is what the message is once the deed is done.
func decided(m record.Incoming, d Deed) (decisions, parts json.RawMessage, state State, err error) {
	var list []Decision
	var became []Part
	if err := errors.Join(json.Unmarshal(orList(m.Decisions), &list), json.Unmarshal(orList(m.Parts), &became)); err != nil {
		return nil, nil, "", fmt.Errorf("what became of a message is unreadable: %w", err)
	}
	state = Received
	each := Decision{Group: d.Group, By: d.Actor, Reason: d.Reason}
	switch d.Act {
	case Assign:
		each.Candidate = d.Candidate
		list = append(list, each)
	case Accept:
		each.Accept = true
		list = append(list, each)
	case Rest:
		each.Rest = true
		list = append(list, each)
	case TakeBack:
		each.TakeBack = true
		list = append(list, each)
	case SetAside:
		state = Settled
		for i := range became {
			if became[i].State != Applied {
				became[i].State = Settled
			}
		}
	case Again:
		for i := range became {
			if became[i].State == Settled {
				became[i].State = Held
			}
		}
	}
	if decisions, err = json.Marshal(list); err != nil {
		return nil, nil, "", fmt.Errorf("encode what was decided: %w", err)
	}
	if parts, err = json.Marshal(became); err != nil {
		return nil, nil, "", fmt.Errorf("encode what became of a message: %w", err)
	}
	return decisions, parts, state, nil
}
