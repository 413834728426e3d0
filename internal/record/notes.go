package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"candidacy/internal/journey"
)

// Note is what somebody who looks after a candidate wrote down beside the record.
type Note struct {
	Candidate string
	// Seq counts the notes of a candidate from 1.
	Seq    int64
	At     time.Time
	Author string
	Role   journey.Role
	Kind   string
	Text   string
	// Corrects is the note that this one puts right, 0 for none.
	Corrects int64
}

// ErrNoNote says that there is no such note to correct.
var ErrNoNote = errors.New("there is no such note")

// AddNote appends a note, once for each key of a candidate, and returns its number. It is
// ErrNoNote where it would correct one that there is not.
func (s *Store) AddNote(ctx context.Context, key string, n Note) (int64, error) {
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		// One candidate's notes are written one after another.
		if err := s.lock(ctx, tx, n.Candidate); err != nil {
			return err
		}
		err := tx.QueryRowContext(ctx, "SELECT seq FROM candidate_note WHERE candidate_id = $1 AND note_key = $2", n.Candidate, key).Scan(&n.Seq)
		if err == nil || !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		last, err := lastOf(ctx, tx, "candidate_note", n.Candidate)
		if err != nil {
			return err
		}
		if n.Corrects < 0 || n.Corrects > last {
			return ErrNoNote
		}
		n.Seq = last + 1
		_, err = tx.ExecContext(ctx, `INSERT INTO candidate_note (candidate_id, seq, note_key, at, author, role, kind, text, corrects)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`, n.Candidate, n.Seq, key, instant(s.now()), n.Author, string(n.Role), n.Kind, n.Text, n.Corrects)
		return err
	})
	if err != nil && !errors.Is(err, ErrNoNote) {
		err = fmt.Errorf("write the note: %w", err)
	}
	return n.Seq, err
}

// lastOf is the number of the last row of a candidate in one of our tables.
func lastOf(ctx context.Context, tx *sql.Tx, table, candidate string) (int64, error) {
	var last int64
	err := tx.QueryRowContext(ctx, "SELECT COALESCE(MAX(seq), 0) FROM "+table+" WHERE candidate_id = $1", candidate).Scan(&last) //nolint:gosec // table is one of ours
	return last, err
}

// Notes lists a candidate's notes, the newest first.
func (s *Store) Notes(ctx context.Context, candidate string) ([]Note, error) {
	return collect(ctx, s.read, "read the notes", into(func(row scanner, n *Note) error {
		return row.Scan(&n.Candidate, &n.Seq, moment{&n.At}, &n.Author, &n.Role, &n.Kind, &n.Text, &n.Corrects)
	}), `SELECT candidate_id, seq, at, author, role, kind, text, corrects
		FROM candidate_note WHERE candidate_id = $1 ORDER BY seq DESC`, candidate)
}
