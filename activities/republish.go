package activities

import (
	"context"
	"fmt"

	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/record"
)

// Republish publishes a candidate's resources as this version of the software
// makes them of what is on record: those of types that were not published before,
// those whose form is another now, and the search values of all. It writes no
// entry, and where nothing differs nothing at all.
func (a *Activities) Republish(ctx context.Context, candidate string) error {
	r, err := a.Store.Resumable(ctx, candidate)
	if err != nil {
		return fmt.Errorf("read the candidate: %w", err)
	}
	p, err := a.Protocols.Get(ctx, r.Protocol)
	if err != nil {
		return err
	}
	return a.Store.Republish(ctx, candidate, func(tx *record.Tx) ([]record.Resource, error) {
		state, pinned, err := tx.Standing()
		if err != nil {
			return nil, err
		}
		if pinned != p.Version { // moved meanwhile, and published by that
			return nil, nil
		}
		last, err := tx.Last()
		if err != nil {
			return nil, err
		}
		// Nothing is published of a day that no command has looked at.
		today := journey.DateOf(last.OccurredAt, p.Zone())
		c := commit{tx: tx, from: p, protocol: p, command: journey.Command{Candidate: candidate, Today: today}, state: state}
		if c.referral, err = tx.Referral(); err != nil {
			return nil, err
		}
		if c.results, err = tx.Results(); err != nil {
			return nil, err
		}
		if state.Operated != "" {
			entries, err := tx.EntriesOf(operation.Kinds...)
			if err != nil {
				return nil, err
			}
			if c.course, err = operation.Of(entries); err != nil {
				return nil, err
			}
		}
		c.assess()
		snapshot, err := c.snapshot(state)
		if err != nil {
			return nil, err
		}
		return a.Publisher.Publish(snapshot)
	})
}

// snapshot is what is published once the candidate's state is as given.
func (c *commit) snapshot(next journey.State) (Snapshot, error) {
	s := Snapshot{
		Candidate: c.command.Candidate, Referral: c.referral, Protocol: c.protocol.WithConditions(next.Imposed, nil), State: next,
		Results: c.results, Report: c.report, Operation: c.course, Today: c.command.Today, Moved: c.protocol.Version != c.from.Version,
		Read: c.tx.Body, Referred: c.referred, Now: c.tx.Now(),
		Entry: Entry{Kind: c.command.Kind, Role: c.command.Role, At: c.command.At},
	}
	var err error
	if s.Previous, err = c.tx.Published(); err != nil {
		return s, err
	}
	err = c.aftercare(&s)
	return s, err
}

// referred tells in which role the candidate was referred.
func (c *commit) referred() (journey.Role, error) {
	entries, err := c.tx.EntriesOf(journey.Refer)
	if err != nil || len(entries) == 0 {
		return "", err
	}
	return entries[0].Role, nil
}
