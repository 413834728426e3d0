package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"candidacy/internal/journey"
)

// AdvocateNote is what an independent living donor advocate wrote down for themselves.
type AdvocateNote struct {
	Candidate string
	// Seq counts the notes of a candidate from 1, whoever wrote them. Key is unique
	// among them, and chosen by whoever writes.
	Seq    int64
	Key    string
	At     time.Time
	Author string
	// Contact is how the author met the candidate on the day On; both are empty for a
	// note of no contact.
	Contact string
	On      journey.Date
	// Sealed is the text, sealed by whoever keeps it here.
	Sealed string
	// Corrects is the note that this one puts right, 0 for none.
	Corrects int64
}

// AddAdvocateNote appends a note, once for each key of a candidate, and returns its
// number. It is ErrNoNote where it would correct one that its author did not write, or
// where the key is that of somebody else's note.
func (s *Store) AddAdvocateNote(ctx context.Context, n AdvocateNote) (int64, error) {
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		// One candidate's notes are written one after another.
		if err := s.lock(ctx, tx, n.Candidate); err != nil {
			return err
		}
		var author string
		err := tx.QueryRowContext(ctx, "SELECT seq, author FROM advocate_note WHERE candidate_id = $1 AND note_key = $2", n.Candidate, n.Key).Scan(&n.Seq, &author)
		switch {
		case err == nil && author != n.Author:
			return ErrNoNote
		case err == nil || !errors.Is(err, sql.ErrNoRows):
			return err
		}
		if n.Corrects != 0 {
			var own int
			if err := tx.QueryRowContext(ctx, "SELECT COUNT(*) FROM advocate_note WHERE candidate_id = $1 AND seq = $2 AND author = $3", n.Candidate, n.Corrects, n.Author).Scan(&own); err != nil {
				return err
			}
			if own == 0 {
				return ErrNoNote
			}
		}
		if n.Seq, err = lastOf(ctx, tx, "advocate_note", n.Candidate); err != nil {
			return err
		}
		n.Seq++
		_, err = tx.ExecContext(ctx, `INSERT INTO advocate_note (candidate_id, seq, note_key, at, author, contact, contact_on, sealed, corrects)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`, n.Candidate, n.Seq, n.Key, instant(s.now()), n.Author, n.Contact, string(n.On), n.Sealed, n.Corrects)
		return err
	})
	if err != nil && !errors.Is(err, ErrNoNote) {
		err = fmt.Errorf("write the advocate's note: %w", err)
	}
	return n.Seq, err
}

// AdvocateNotes lists the notes about a candidate that an account may read, the newest
// first: its own, and those that their author handed over to it, and none at all unless
// it is the candidate's present advocate.
func (s *Store) AdvocateNotes(ctx context.Context, candidate, reader string) ([]AdvocateNote, error) {
	return collect(ctx, s.read, "read the advocate's notes", into(func(row scanner, n *AdvocateNote) error {
		return row.Scan(&n.Candidate, &n.Seq, &n.Key, moment{&n.At}, &n.Author, &n.Contact, &n.On, &n.Sealed, &n.Corrects)
	}), `SELECT n.candidate_id, n.seq, n.note_key, n.at, n.author, n.contact, n.contact_on, n.sealed, n.corrects
		FROM advocate_note n JOIN candidate c ON c.id = n.candidate_id
		WHERE n.candidate_id = $1 AND c.advocate = $2 AND (n.author = $2 OR EXISTS (
			SELECT 1 FROM advocate_handover h WHERE h.candidate_id = n.candidate_id AND h.author = n.author AND h.successor = $2 AND h.notes >= n.seq
				AND h.seq = (SELECT MAX(l.seq) FROM advocate_handover l WHERE l.candidate_id = h.candidate_id AND l.author = h.author)))
		ORDER BY n.seq DESC`, candidate, reader)
}

// AdvocateContacts returns, for each candidate of whom an account wrote notes, the last
// day on which it met them according to these.
func (s *Store) AdvocateContacts(ctx context.Context, author string) (map[string]journey.Date, error) {
	return pairs[string, journey.Date](ctx, s.read, "read when candidates were met",
		"SELECT candidate_id, MAX(contact_on) FROM advocate_note WHERE author = $1 GROUP BY candidate_id", author)
}

// Handover says to whom an author handed their notes about a candidate over.
type Handover struct {
	At time.Time
	// Successor is an account, empty where it was taken back, and Notes the last note
	// that it may read.
	Successor string
	Notes     int64
}

// HandOverNotes lets a successor read what an author has written about a candidate so
// far, in place of anybody before; an empty one takes that back. The successor reads it
// once they are the candidate's advocate.
func (s *Store) HandOverNotes(ctx context.Context, candidate, author, successor string) error {
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, candidate); err != nil {
			return err
		}
		seq, err := lastOf(ctx, tx, "advocate_handover", candidate)
		if err != nil {
			return err
		}
		var notes int64
		if successor != "" {
			if notes, err = lastOf(ctx, tx, "advocate_note", candidate); err != nil {
				return err
			}
		}
		_, err = tx.ExecContext(ctx, "INSERT INTO advocate_handover (candidate_id, seq, at, author, successor, notes) VALUES ($1, $2, $3, $4, $5, $6)",
			candidate, seq+1, instant(s.now()), author, successor, notes)
		return err
	})
	if err != nil {
		return fmt.Errorf("hand the notes over: %w", err)
	}
	return nil
}

// HandoverOf returns the newest handing over of an author's notes, which is empty where
// there is none.
func (s *Store) HandoverOf(ctx context.Context, candidate, author string) (Handover, error) {
	var h Handover
	var at string
	err := s.read.QueryRowContext(ctx, `SELECT at, successor, notes FROM advocate_handover
		WHERE candidate_id = $1 AND author = $2 ORDER BY seq DESC LIMIT 1`, candidate, author).Scan(&at, &h.Successor, &h.Notes)
	if errors.Is(err, sql.ErrNoRows) {
		return h, nil
	}
	if err == nil {
		h.At, err = parseInstant(at)
	}
	if err != nil {
		return h, fmt.Errorf("read to whom the notes were handed over: %w", err)
	}
	return h, nil
}
