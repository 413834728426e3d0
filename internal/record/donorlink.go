package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// LinkChange revokes what links to the donor's own page there are, and gives a
// new one when it has a digest.
type LinkChange struct {
	// Digest is what the link's secret is recognised by.
	Digest    string
	ExpiresAt time.Time
}

func changeLink(ctx context.Context, tx executor, candidate string, c LinkChange, now time.Time) error {
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

// NewDonorSecret makes the secret of a link, of 256 random bits, with what it is
// recognised by. The secret is stored nowhere.
func NewDonorSecret() (text, digest string) { return secret("") }

// DonorDigest is what a secret is recognised by.
func DonorDigest(secret string) string { return secretDigest(secret) }

// LinkedCandidate returns the candidate whose own page a secret opens: while the
// link is neither revoked nor over, and the journey has not ended. It is
// ErrNotFound otherwise, whatever the reason.
func (s *Store) LinkedCandidate(ctx context.Context, secret string) (Candidate, error) {
	c, err := scanCandidate(s.read.QueryRowContext(ctx, "SELECT "+candidateColumns+candidateFrom+`JOIN donor_link l ON l.candidate_id = c.id
		WHERE l.digest = $1 AND l.revoked_at = '' AND l.expires_at > $2 AND c.open = 1`, secretDigest(secret), instant(s.now())))
	if errors.Is(err, sql.ErrNoRows) {
		return Candidate{}, ErrNotFound
	}
	if err != nil {
		return Candidate{}, fmt.Errorf("read the donor's link: %w", err)
	}
	return c, nil
}
