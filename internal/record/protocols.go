package record

import (
	"context"
	"fmt"
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
	rows, err := s.read.QueryContext(ctx, `SELECT p.version, p.digest, p.stored_at,
		(SELECT COUNT(*) FROM candidate c WHERE c.protocol = p.version AND c.open = 1)
		FROM protocol p ORDER BY p.stored_at DESC, p.version DESC`)
	if err != nil {
		return nil, fmt.Errorf("list the protocols: %w", err)
	}
	defer rows.Close()
	var list []Protocol
	for rows.Next() {
		var p Protocol
		var stored string
		if err := rows.Scan(&p.Version, &p.Digest, &stored, &p.Open); err != nil {
			return nil, fmt.Errorf("list the protocols: %w", err)
		}
		if p.StoredAt, err = parseInstant(stored); err != nil {
			return nil, fmt.Errorf("list the protocols: %w", err)
		}
		list = append(list, p)
	}
	return list, rows.Err()
}
