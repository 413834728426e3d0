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

// DeleteProgramme ends a resource of the programme. Its versions stay, and one
// more marks the end.
func (s *Store) DeleteProgramme(ctx context.Context, typ, id string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if err := s.lock(ctx, tx, programme); err != nil {
			return err
		}
		before, owner, err := standing(ctx, tx, typ, id)
		switch {
		case err != nil:
			return err
		case before.Version == 0:
			return ErrNotFound
		case owner != programme:
			return fmt.Errorf("delete for the programme: %s/%s is of a candidate", typ, id)
		case before.Digest == "":
			return ErrDeleted
		}
		for _, text := range []string{"DELETE FROM resource WHERE type = $1 AND id = $2", "DELETE FROM resource_index WHERE type = $1 AND id = $2"} {
			if _, err := tx.ExecContext(ctx, text, typ, id); err != nil {
				return fmt.Errorf("delete a resource: %w", err)
			}
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO resource_version (type, id, version, updated_at, body) VALUES ($1, $2, $3, $4, '')",
			typ, id, before.Version+1, instant(s.now())); err != nil {
			return fmt.Errorf("delete a resource: %w", err)
		}
		return nil
	})
}

// standing is the version and digest of a resource, and whose it is; version 0
// when there never was one. A deleted one has no digest.
func standing(ctx context.Context, tx *sql.Tx, typ, id string) (r Resource, owner string, err error) {
	err = tx.QueryRowContext(ctx, "SELECT version, digest, candidate_id FROM resource WHERE type = $1 AND id = $2", typ, id).
		Scan(&r.Version, &r.Digest, &owner)
	if errors.Is(err, sql.ErrNoRows) {
		err = tx.QueryRowContext(ctx, "SELECT COALESCE(MAX(version), 0) FROM resource_version WHERE type = $1 AND id = $2", typ, id).Scan(&r.Version)
	}
	if err != nil {
		return r, "", fmt.Errorf("read the published resource: %w", err)
	}
	return r, owner, nil
}
