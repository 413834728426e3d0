package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// PublishProgramme publishes resources that belong to the programme and to no
// candidate, such as its organisation or a questionnaire, in one transaction.
// Those whose content is what stands get no new version.
func (s *Store) PublishProgramme(ctx context.Context, resources []Resource) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, programme); err != nil {
			return err
		}
		now := s.now()
		for _, r := range resources {
			before, owner, err := standing(ctx, tx, r.Type, r.ID)
			if err != nil {
				return err
			}
			if before.Version > 0 && owner != programme {
				return fmt.Errorf("publish for the programme: %s/%s is of a candidate", r.Type, r.ID)
			}
			if err := publish(ctx, tx, programme, r, before, now); err != nil {
				return err
			}
		}
		return nil
	})
}

// programme stands in place of the candidate in what belongs to none.
const programme = ""

// standing is the version and digest of a resource, and whose it is; version 0
// when there is none.
func standing(ctx context.Context, tx *sql.Tx, typ, id string) (r Resource, owner string, err error) {
	err = tx.QueryRowContext(ctx, "SELECT version, digest, candidate_id FROM resource WHERE type = $1 AND id = $2", typ, id).
		Scan(&r.Version, &r.Digest, &owner)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return r, "", fmt.Errorf("read the published resource: %w", err)
	}
	return r, owner, nil
}
