package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"

	"candidacy/internal/journey"
)

// ErrKeyReused says that an idempotency key was used with another body.
var ErrKeyReused = errors.New("the idempotency key was used with another body")

// Staging is what became of a command that was to be staged.
type Staging struct {
	// Attempt is the same for every repetition of a waiting command, and another
	// once a command was refused and is tried again.
	Attempt string
	// Done is the event of a command that is on record already.
	Done *journey.Event
}

// Stage keeps a command's body until the workflow commits it. When the same
// command is on record already its event is returned instead; the same id with
// another hash is ErrKeyReused.
func (s *Store) Stage(ctx context.Context, candidate, command, hash string, body json.RawMessage) (Staging, error) {
	var staging Staging
	err := s.inSession(ctx, func(tx executor) error {
		staging = Staging{}
		if err := s.lock(ctx, tx, candidate); err != nil {
			return err
		}
		entry, err := entryByCommand(ctx, tx, candidate, command)
		switch {
		case err == nil && entry.CommandHash != hash:
			return ErrKeyReused
		case err == nil:
			event, err := entry.Decode()
			staging.Done = &event
			return err
		case !errors.Is(err, ErrNotFound):
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO staged (candidate_id, command_id, command_hash, attempt, body, received_at)
			VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT DO NOTHING`,
			candidate, command, hash, uuid.NewString(), string(body), instant(s.now())); err != nil {
			return fmt.Errorf("stage the command: %w", err)
		}
		var stored string
		if err := tx.QueryRowContext(ctx, "SELECT command_hash, attempt FROM staged WHERE candidate_id = $1 AND command_id = $2",
			candidate, command).Scan(&stored, &staging.Attempt); err != nil {
			return fmt.Errorf("stage the command: %w", err)
		}
		if stored != hash {
			return ErrKeyReused
		}
		return nil
	})
	return staging, err
}

// Unstage forgets an attempt at a command that was refused, so that its key may
// be used again.
func (s *Store) Unstage(ctx context.Context, candidate, command, attempt string) error {
	return s.inSession(ctx, func(tx executor) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM staged WHERE candidate_id = $1 AND command_id = $2 AND attempt = $3",
			candidate, command, attempt); err != nil {
			return fmt.Errorf("forget the staged command: %w", err)
		}
		return nil
	})
}

// PurgeStaged forgets commands staged before an instant: nobody waits for them
// any more, and none of them was acknowledged.
func (s *Store) PurgeStaged(ctx context.Context, before time.Time) (int64, error) {
	var n int64
	err := s.inSession(ctx, func(tx executor) error {
		res, err := tx.ExecContext(ctx, "DELETE FROM staged WHERE received_at < $1", instant(before))
		if err != nil {
			return fmt.Errorf("purge staged commands: %w", err)
		}
		n, err = res.RowsAffected()
		return err
	})
	return n, err
}

func entryByCommand(ctx context.Context, q queryer, candidate, command string) (Entry, error) {
	e, err := scanEntry(q.QueryRowContext(ctx, "SELECT "+entryColumns+" FROM entry WHERE candidate_id = $1 AND command_id = $2", candidate, command))
	if errors.Is(err, sql.ErrNoRows) {
		return e, ErrNotFound
	}
	if err != nil {
		return e, fmt.Errorf("read the entry: %w", err)
	}
	return e, nil
}

// EntryByCommand finds the entry of a command.
func (s *Store) EntryByCommand(ctx context.Context, candidate, command string) (Entry, error) {
	return entryByCommand(ctx, s.read, candidate, command)
}
