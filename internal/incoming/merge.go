package incoming

import (
	"context"
	"errors"
	"slices"

	"candidacy/internal/reading"
	"candidacy/internal/record"
)

// merge carries out that several numbers are one person's: all of them find the
// candidate who has one. It is held when they are those of two candidates, or
// when what else is said of the person does not agree; of people who are no
// candidates there is nothing to be done.
func (w *work) merge(ctx context.Context, i int, g reading.Group) error {
	decided, p := w.decision(i), &w.parts[i]
	// Any of the numbers finds, and agrees with, the candidate.
	all := g
	all.Identifiers = slices.Concat(g.Identifiers, g.Merged)
	p.Issues = slices.Clone(g.Issues)
	found, err := w.q.find(ctx, all.Identifiers)
	switch {
	case err != nil:
		return err
	case decided.Candidate != "":
		p.Candidate = decided.Candidate
	case len(found) == 0 && len(p.Issues) == 0:
		p.State = Applied
		return nil
	default:
		c, issues, err := w.q.match(ctx, w.m.Actor, all)
		if err != nil {
			return err
		}
		p.Candidate, p.Issues = c.ID, append(p.Issues, issues...)
	}
	if len(p.Issues) > 0 {
		p.State = w.open(p.Issues)
		return nil
	}
	for _, each := range []struct {
		kind string
		list []reading.Identifier
	}{{record.IdentifierMerged, g.Merged}, {record.IdentifierAlias, g.Identifiers}} {
		for _, id := range each.list {
			if id.System == "" {
				continue
			}
			err := w.q.store.AddIdentifier(ctx, record.FurtherIdentifier{
				Identifier: id.Subject(), Candidate: p.Candidate, Kind: each.kind, Reason: "merged by message " + w.m.ID, RecordedBy: w.m.Actor,
			})
			if errors.Is(err, record.ErrIdentifierTaken) {
				p.Issues = append(p.Issues, reading.Issue{
					Kind: reading.SeveralCandidates, Location: g.Place, Problem: "the identifiers are those of different candidates",
				})
				p.State = w.open(p.Issues)
				return nil
			}
			if err != nil {
				return err
			}
		}
	}
	p.State = Applied
	return nil
}
