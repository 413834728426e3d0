package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"candidacy/internal/journey"
)

// EntriesOf returns the candidate's entries of some kinds from the beginning, as
// they stand before the command.
func (t *Tx) EntriesOf(kinds ...journey.Kind) ([]Entry, error) {
	return entriesOf(t.ctx, t.tx, t.candidate, kinds)
}

// Last returns the candidate's last entry as it stands before the command.
func (t *Tx) Last() (Entry, error) {
	e, err := scanEntry(t.tx.QueryRowContext(t.ctx, "SELECT "+entryColumns+" FROM entry WHERE candidate_id = $1 ORDER BY seq DESC LIMIT 1", t.candidate))
	if errors.Is(err, sql.ErrNoRows) {
		return e, ErrNotFound
	}
	if err != nil {
		return e, fmt.Errorf("read the last entry: %w", err)
	}
	return e, nil
}

// EntriesOf returns a candidate's entries of some kinds from the beginning.
func (s *Store) EntriesOf(ctx context.Context, candidate string, kinds ...journey.Kind) ([]Entry, error) {
	return entriesOf(ctx, s.read, candidate, kinds)
}

func entriesOf(ctx context.Context, q queryer, candidate string, kinds []journey.Kind) ([]Entry, error) {
	var b statement
	b.add("SELECT ", entryColumns, " FROM entry WHERE candidate_id = ", b.arg(candidate), " AND ")
	b.in("kind", plain(kinds))
	b.add(" ORDER BY seq")
	return collect(ctx, q, "read entries", scanEntry, b.String(), b.args...)
}
