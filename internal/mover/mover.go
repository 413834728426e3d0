// Package mover moves open candidates to another version of the protocol: it
// shows first what that does to each of them, and then gives one command per
// candidate. The record of who is on which version is all that it goes by, so a
// move that was interrupted goes on where it stopped.
package mover

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// Plan says who is to be moved.
type Plan struct {
	// To is the version that candidates are moved to.
	To *protocol.Protocol
	// From narrows the move to candidates on one version; empty, all others.
	From string
}

// Change is what a move does to one candidate. It names nobody.
type Change struct {
	Candidate string        `json:"candidate"`
	Stage     journey.Stage `json:"stage"`
	From      string        `json:"from"`
	// Seq is the number of the candidate's last entry.
	Seq int64 `json:"seq"`
	// Gained and Lost are requirements that apply from then on, or no longer.
	Gained []string `json:"gained,omitempty"`
	Lost   []string `json:"lost,omitempty"`
	// Again are requirements that are in force and will not be.
	Again []string `json:"again,omitempty"`
	// Flags are those whose band changes.
	Flags []protocol.FlagChange `json:"flags,omitempty"`
	// Fired are deadlines that have passed by the new windows.
	Fired []journey.Deadline `json:"fired,omitempty"`
}

// None reports whether the move changes nothing but the version.
func (c Change) None() bool {
	return len(c.Gained)+len(c.Lost)+len(c.Again)+len(c.Flags)+len(c.Fired) == 0
}

// Preview calls fn with what the move does to each open candidate after an id,
// in the order of the ids, until fn returns false.
func Preview(ctx context.Context, store *record.Store, protocols *protocol.Registry, p Plan, after string, now time.Time, fn func(Change) (bool, error)) error {
	const page = 200
	for {
		list, err := store.List(ctx, record.Filter{OpenOnly: true}, after, page)
		if err != nil {
			return err
		}
		for _, c := range list {
			after = c.ID
			if c.Protocol == p.To.Version || p.From != "" && c.Protocol != p.From {
				continue
			}
			change, err := changeOf(ctx, store, protocols, p.To, c, now)
			if err != nil {
				return err
			}
			if more, err := fn(change); err != nil || !more {
				return err
			}
		}
		if len(list) < page {
			return nil
		}
	}
}

// changeOf does what the commit of the move will do, without writing it.
func changeOf(ctx context.Context, store *record.Store, protocols *protocol.Registry, to *protocol.Protocol, c record.Candidate, now time.Time) (Change, error) {
	change := Change{Candidate: c.ID, Stage: c.State.Stage, From: c.Protocol, Seq: c.State.Seq}
	from, err := protocols.Get(ctx, c.Protocol)
	if err != nil {
		return change, err
	}
	results, err := store.Results(ctx, c.ID)
	if err != nil {
		return change, err
	}
	today := journey.DateOf(now, from.Zone())
	_, state := journey.Passed(from.Rules(), c.State, journey.Moment{On: today, At: journey.InstantOf(now)})
	report := activities.Eligibility(to, activities.PersonOf(c), results, state.Operated, today)
	e := activities.Moved(from, to, state, journey.Event{
		Command: journey.Command{Candidate: c.ID, Kind: journey.MoveProtocol, Version: to.Version, At: now, Today: today}, Seq: state.Seq + 1,
	}, report)
	next := journey.Apply(from.Rules(), state, e)
	for _, r := range next.Requirements {
		before, known := state.Find(r.ID)
		switch applied := known && before.Status != journey.NotApplicable; {
		case r.Status != journey.NotApplicable && !applied:
			change.Gained = append(change.Gained, r.ID)
		case r.Status == journey.NotApplicable && applied:
			change.Lost = append(change.Lost, r.ID)
		case known && before.InForce(today) && !r.InForce(today):
			change.Again = append(change.Again, r.ID)
		}
	}
	for _, r := range state.Requirements {
		if _, kept := next.Find(r.ID); !kept && r.Status != journey.NotApplicable {
			change.Lost = append(change.Lost, r.ID)
		}
	}
	change.Flags, change.Fired = protocol.BandChanges(state.Flags, next.Flags), e.Fired
	return change, nil
}

// Waiting counts the open candidates that a move would take.
func Waiting(ctx context.Context, store *record.Store, p Plan) (int, error) {
	versions, err := store.Protocols(ctx)
	if err != nil {
		return 0, err
	}
	n := 0
	for _, v := range versions {
		if v.Version != p.To.Version && (p.From == "" || v.Version == p.From) {
			n += v.Open
		}
	}
	return n, nil
}

// Key is the idempotency key of one candidate's move. It is the same as long as
// nothing else happened to the candidate, for whoever moves with one reason.
func Key(to string, c Change, who, reason string) string {
	sum := sha256.Sum256([]byte(who + "\n" + reason))
	return fmt.Sprintf("move-%s-%s-%d-%s", to, c.Candidate, c.Seq, hex.EncodeToString(sum[:8]))
}

// Give moves one candidate in the name of an administrator.
func Give(ctx context.Context, d *dispatch.Dispatcher, to string, c Change, actor, reason string) error {
	_, err := d.Submit(ctx, dispatch.Request{
		Candidate: c.Candidate, Key: Key(to, c, actor, reason), Kind: journey.MoveProtocol,
		Actor: actor, Role: journey.Administrator, Body: &command.MoveProtocol{Version: to, Reason: reason},
	})
	if already(err) {
		return nil
	}
	return err
}

// already reports whether the candidate is on the version by another command,
// such as one whose answer was lost.
func already(err error) bool {
	var refusal *journey.Refusal
	return errors.As(err, &refusal) && refusal.Code == journey.Conflict && refusal.Field == "version"
}

// Adopt stores a protocol that somebody answers for. A stored text never
// changes: another one under the same version is refused.
func Adopt(ctx context.Context, store *record.Store, p *protocol.Protocol) error {
	if !command.IsVersion(p.Version) {
		return fmt.Errorf("version: %q can't be named in a command; accepted: 1 to 40 letters, digits, dots, underscores and hyphens", p.Version)
	}
	// That the days are days is checked with the rest of the text.
	if p.ApprovedBy == "" {
		return errors.New("approved_by: missing; name who approved this version for the programme")
	}
	return store.KeepProtocol(ctx, p.Version, p.Digest(), p.Source())
}
