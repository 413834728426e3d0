package record

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"time"
)

// Worksheet names a page that computes from what is typed, before anything of it is
// recorded.
type Worksheet string

// draftLife is how long a draft is kept that nobody touches.
const draftLife = 30 * 24 * time.Hour

// WorksheetDraft is what one account has typed into a worksheet about a candidate.
type WorksheetDraft struct {
	Candidate string
	Account   string
	Worksheet Worksheet
	// Body is the form as it was sent, URL-encoded.
	Body      string
	ChangedAt time.Time
}

// KeepWorksheet keeps what is typed in place of what was typed before, and drops the
// drafts that nobody has touched for thirty days.
func (s *Store) KeepWorksheet(ctx context.Context, d WorksheetDraft) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM worksheet_draft WHERE changed_at < $1", instant(s.now().Add(-draftLife))); err != nil {
			return fmt.Errorf("drop old drafts: %w", err)
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO worksheet_draft (candidate_id, account_id, worksheet, body, changed_at) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (candidate_id, account_id, worksheet) DO UPDATE SET body = excluded.body, changed_at = excluded.changed_at`,
			d.Candidate, d.Account, string(d.Worksheet), d.Body, instant(s.now())); err != nil {
			return fmt.Errorf("keep the draft: %w", err)
		}
		return nil
	})
}

// WorksheetDraft returns what the account has typed, or ErrNotFound.
func (s *Store) WorksheetDraft(ctx context.Context, candidate, account string, worksheet Worksheet) (WorksheetDraft, error) {
	d := WorksheetDraft{Candidate: candidate, Account: account, Worksheet: worksheet}
	var changed string
	err := s.read.QueryRowContext(ctx, "SELECT body, changed_at FROM worksheet_draft WHERE candidate_id = $1 AND account_id = $2 AND worksheet = $3",
		candidate, account, string(worksheet)).Scan(&d.Body, &changed)
	if errors.Is(err, sql.ErrNoRows) {
		return d, ErrNotFound
	}
	if err == nil {
		d.ChangedAt, err = parseInstant(changed)
	}
	if err != nil {
		return d, fmt.Errorf("read the draft: %w", err)
	}
	return d, nil
}

// DropWorksheet drops what the account has typed, if there is any.
func (s *Store) DropWorksheet(ctx context.Context, candidate, account string, worksheet Worksheet) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM worksheet_draft WHERE candidate_id = $1 AND account_id = $2 AND worksheet = $3",
			candidate, account, string(worksheet)); err != nil {
			return fmt.Errorf("drop the draft: %w", err)
		}
		return nil
	})
}

// SourceFile is a file that results are read from, as it came.
type SourceFile struct {
	// Digest is the SHA-256 of the bytes, in hexadecimal.
	Digest     string
	Candidate  string
	Kind       string
	Data       []byte
	ReceivedAt time.Time
	ReceivedBy string
}

// ErrOtherCandidate says that a file is on record as another candidate's.
var ErrOtherCandidate = errors.New("the file is another candidate's")

// KeepSourceFile keeps a file under its digest. The same file again changes nothing;
// one that is another candidate's is ErrOtherCandidate.
func (s *Store) KeepSourceFile(ctx context.Context, f SourceFile) (SourceFile, error) {
	sum := sha256.Sum256(f.Data)
	f.Digest, f.ReceivedAt = hex.EncodeToString(sum[:]), s.now()
	err := s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `INSERT INTO source_file (digest, candidate_id, kind, data, received_at, received_by) VALUES ($1, $2, $3, $4, $5, $6)
			ON CONFLICT (digest) DO NOTHING`, f.Digest, f.Candidate, f.Kind, f.Data, instant(f.ReceivedAt), f.ReceivedBy); err != nil {
			return fmt.Errorf("keep the file: %w", err)
		}
		var owner string
		if err := tx.QueryRowContext(ctx, "SELECT candidate_id FROM source_file WHERE digest = $1", f.Digest).Scan(&owner); err != nil {
			return fmt.Errorf("keep the file: %w", err)
		}
		if owner != f.Candidate {
			return ErrOtherCandidate
		}
		return nil
	})
	return f, err
}

// SourceFiles lists a candidate's files of a kind without their bytes, the newest first.
func (s *Store) SourceFiles(ctx context.Context, candidate, kind string) ([]SourceFile, error) {
	return collect(ctx, s.read, "list the files", into(func(row scanner, f *SourceFile) error {
		f.Candidate, f.Kind = candidate, kind
		return row.Scan(&f.Digest, moment{&f.ReceivedAt}, &f.ReceivedBy)
	}), `SELECT digest, received_at, received_by FROM source_file
		WHERE candidate_id = $1 AND kind = $2 ORDER BY received_at DESC, digest`, candidate, kind)
}

// SourceFile returns a candidate's file by its digest, or ErrNotFound.
func (s *Store) SourceFile(ctx context.Context, candidate, digest string) (SourceFile, error) {
	f := SourceFile{Digest: digest, Candidate: candidate}
	var received string
	err := s.read.QueryRowContext(ctx, "SELECT kind, data, received_at, received_by FROM source_file WHERE candidate_id = $1 AND digest = $2", candidate, digest).
		Scan(&f.Kind, &f.Data, &received, &f.ReceivedBy)
	if errors.Is(err, sql.ErrNoRows) {
		return f, ErrNotFound
	}
	if err == nil {
		f.ReceivedAt, err = parseInstant(received)
	}
	if err != nil {
		return f, fmt.Errorf("read the file: %w", err)
	}
	return f, nil
}
