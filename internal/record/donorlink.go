package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// The link to a candidate's own page is the same before the operation and after it, when
// the candidate is a donor. The names here are of the time when it was made after it alone.

// LinkChange revokes what links to the own page there are, and gives a new one when it has
// a digest.
type LinkChange struct {
	// Digest is what the link's secret is recognised by.
	Digest    string
	ExpiresAt time.Time
}

func changeLink(ctx context.Context, tx executor, candidate string, c LinkChange, now time.Time) error {
	if _, err := tx.ExecContext(ctx, "DELETE FROM donor_visit WHERE digest IN (SELECT digest FROM donor_link WHERE candidate_id = $1)", candidate); err != nil {
		return fmt.Errorf("forget the visits of the own page: %w", err)
	}
	if _, err := tx.ExecContext(ctx, "UPDATE donor_link SET revoked_at = $2 WHERE candidate_id = $1 AND revoked_at = ''", candidate, instant(now)); err != nil {
		return fmt.Errorf("revoke the donor's link: %w", err)
	}
	if c.Digest == "" {
		return nil
	}
	if _, err := tx.ExecContext(ctx, "INSERT INTO donor_link (digest, candidate_id, created_at, expires_at) VALUES ($1, $2, $3, $4)",
		c.Digest, candidate, instant(now), instant(c.ExpiresAt)); err != nil {
		return fmt.Errorf("store the donor's link: %w", err)
	}
	return nil
}

// LinkTaken reports whether a link has been recognised by the digest before.
func (t *Tx) LinkTaken(digest string) (bool, error) {
	var one int
	err := t.tx.QueryRowContext(t.ctx, "SELECT 1 FROM donor_link WHERE digest = $1", digest).Scan(&one)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("look for the donor's link: %w", err)
	}
	return true, nil
}

// OwnLinked reports whether a link to the own page is the candidate's and open.
func (t *Tx) OwnLinked(digest string) (bool, error) {
	var n int
	if err := t.tx.QueryRowContext(t.ctx, "SELECT COUNT(*) FROM donor_link WHERE digest = $1 AND candidate_id = $2 AND revoked_at = '' AND expires_at > $3",
		digest, t.candidate, instant(t.now)).Scan(&n); err != nil {
		return false, fmt.Errorf("read the link to the own page: %w", err)
	}
	return n > 0, nil
}

// NewDonorSecret makes the secret of a link, of 256 random bits, with what it is
// recognised by. The secret is stored nowhere.
func NewDonorSecret() (text, digest string) { return secret("") }

// DonorDigest is what a secret is recognised by.
func DonorDigest(secret string) string { return secretDigest(secret) }

// LinkedCandidate returns the candidate whose own page a secret opens: while the
// link is neither revoked nor over, and the journey has not ended. It is
// ErrNotFound otherwise, whatever the reason.
func (s *Store) LinkedCandidate(ctx context.Context, secret string) (Candidate, error) {
	return s.linked(ctx, "", secretDigest(secret), instant(s.now()))
}

// BeginOwnVisit lets a browser in which the date of birth was given go on without it for
// a time.
func (s *Store) BeginOwnVisit(ctx context.Context, link string, lifetime time.Duration) (string, error) {
	return s.beginVisit(ctx, "donor_visit", link, lifetime)
}

// EndOwnVisit ends that at once. There need not be one.
func (s *Store) EndOwnVisit(ctx context.Context, link, visit string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM donor_visit WHERE visit = $1 AND digest = $2", secretDigest(visit), secretDigest(link)); err != nil {
			return fmt.Errorf("end the visit: %w", err)
		}
		return nil
	})
}

// OwnVisit is LinkedCandidate for a browser in which the date of birth was given.
func (s *Store) OwnVisit(ctx context.Context, link, visit string) (Candidate, error) {
	return s.linked(ctx, " AND EXISTS (SELECT 1 FROM donor_visit v WHERE v.digest = l.digest AND v.visit = $3 AND v.expires_at > $2)",
		secretDigest(link), instant(s.now()), secretDigest(visit))
}

func (s *Store) linked(ctx context.Context, more string, arguments ...any) (Candidate, error) {
	c, err := scanCandidate(s.read.QueryRowContext(ctx, "SELECT "+candidateColumns+candidateFrom+`JOIN donor_link l ON l.candidate_id = c.id
		WHERE l.digest = $1 AND l.revoked_at = '' AND l.expires_at > $2 AND c.open = 1`+more, arguments...))
	if errors.Is(err, sql.ErrNoRows) {
		return Candidate{}, ErrNotFound
	}
	if err != nil {
		return Candidate{}, fmt.Errorf("read the donor's link: %w", err)
	}
	return c, nil
}
