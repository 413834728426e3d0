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
	return s.inSession(ctx, func(tx executor) error {
		if err := s.lock(ctx, tx, programme); err != nil {
			return err
		}
		for _, r := range resources {
			var owner string
			err := tx.QueryRowContext(ctx, "SELECT candidate_id FROM resource WHERE type = $1 AND id = $2", r.Type, r.ID).Scan(&owner)
			if err != nil && !errors.Is(err, sql.ErrNoRows) {
				return fmt.Errorf("read the published resource: %w", err)
			}
			if owner != programme {
				return fmt.Errorf("publish for the programme: %s/%s is of a candidate", r.Type, r.ID)
			}
		}
		t := &Tx{store: s, ctx: ctx, tx: tx, candidate: programme, now: s.now()}
		return t.publish(resources)
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
		var version int64
		var digest, owner string
		err := tx.QueryRowContext(ctx, `SELECT version, digest, candidate_id FROM resource_standing WHERE type = $1 AND id = $2
			ORDER BY candidate_id LIMIT 1`, typ, id).Scan(&version, &digest, &owner)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return ErrNotFound
		case err != nil:
			return fmt.Errorf("read the published resource: %w", err)
		case owner != programme:
			return fmt.Errorf("delete for the programme: %s/%s is of a candidate", typ, id)
		case digest == "":
			return ErrDeleted
		}
		version++
		if _, err := tx.ExecContext(ctx, "INSERT INTO resource_version (type, id, version, updated_at, body) VALUES ($1, $2, $3, $4, '')",
			typ, id, version, instant(s.now())); err != nil {
			return fmt.Errorf("delete a resource: %w", err)
		}
		// What is published under the id again goes on counting its versions.
		if _, err := tx.ExecContext(ctx, `UPDATE resource_standing SET version = $3, digest = '', indexed = ''
			WHERE candidate_id = '' AND type = $1 AND id = $2`, typ, id, version); err != nil {
			return fmt.Errorf("delete a resource: %w", err)
		}
		for _, text := range []string{"DELETE FROM resource WHERE type = $1 AND id = $2", "DELETE FROM resource_index WHERE type = $1 AND id = $2"} {
			if _, err := tx.ExecContext(ctx, text, typ, id); err != nil {
				return fmt.Errorf("delete a resource: %w", err)
			}
		}
		return nil
	})
}
