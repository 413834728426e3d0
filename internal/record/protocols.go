package record

import (
	"context"
	"time"
)

// Protocol is a stored version of the programme's protocol.
type Protocol struct {
	Version  string
	Digest   string
	StoredAt time.Time
	// Open counts the candidates on it whose journey has not ended.
	Open int
}

// Protocols lists the stored versions, the newest first.
func (s *Store) Protocols(ctx context.Context) ([]Protocol, error) {
	return collect(ctx, s.read, "list the protocols", into(func(row scanner, p *Protocol) error {
		return row.Scan(&p.Version, &p.Digest, moment{&p.StoredAt}, &p.Open)
	}), `SELECT p.version, p.digest, p.stored_at,
		(SELECT COUNT(*) FROM candidate c WHERE c.protocol = p.version AND c.open = 1)
		FROM protocol p ORDER BY p.stored_at DESC, p.version DESC`)
}
