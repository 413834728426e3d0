package record

import (
	"context"
	"fmt"
)

// EachVersion calls fn for every version of every resource of a candidate, by
// type, id and version.
func (s *Store) EachVersion(ctx context.Context, candidate string, fn func(Published) error) error {
	rows, err := s.read.QueryContext(ctx, `SELECT v.type, v.id, v.version, v.updated_at, v.body, r.candidate_id
		FROM resource r JOIN resource_version v ON v.type = r.type AND v.id = r.id
		WHERE r.candidate_id = $1 ORDER BY v.type, v.id, v.version`, candidate)
	if err != nil {
		return fmt.Errorf("read resource versions: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		p, err := scanPublished(rows)
		if err != nil {
			return fmt.Errorf("read resource versions: %w", err)
		}
		if err := fn(p); err != nil {
			return err
		}
	}
	return rows.Err()
}
