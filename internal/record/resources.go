package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Published is one version of a FHIR resource as it is served.
type Published struct {
	Type      string
	ID        string
	Version   int64
	UpdatedAt time.Time
	Body      []byte
	// Candidate is whom the resource is about; it is empty in what is of the
	// programme.
	Candidate string
}

func scanPublished(row scanner, more ...any) (Published, error) {
	var p Published
	var updated string
	if err := row.Scan(append([]any{&p.Type, &p.ID, &p.Version, &updated, &p.Body, &p.Candidate}, more...)...); err != nil {
		return p, err
	}
	var err error
	p.UpdatedAt, err = parseInstant(updated)
	return p, err
}

// Resource returns the current version of a resource, ErrNotFound, or ErrDeleted
// where there is none any more.
func (s *Store) Resource(ctx context.Context, typ, id string) (Published, error) {
	p, err := scanPublished(s.kept.queryRow(ctx, "SELECT type, id, version, updated_at, body, candidate_id FROM resource WHERE type = $1 AND id = $2", typ, id))
	if errors.Is(err, sql.ErrNoRows) {
		return p, s.absent(ctx, typ, id)
	}
	if err != nil {
		return p, fmt.Errorf("read the resource: %w", err)
	}
	return p, nil
}

// ErrDeleted says that there was a resource, or a version of it, and it is not
// served any more.
var ErrDeleted = errors.New("deleted")

// absent tells a resource that was deleted from one that never was.
func (s *Store) absent(ctx context.Context, typ, id string) error {
	var n int
	err := s.kept.queryRow(ctx, "SELECT COUNT(*) FROM (SELECT 1 FROM resource_version WHERE type = $1 AND id = $2 LIMIT 1) any_version", typ, id).Scan(&n)
	switch {
	case err != nil:
		return fmt.Errorf("read the resource: %w", err)
	case n > 0:
		return ErrDeleted
	default:
		return ErrNotFound
	}
}

// ResourceVersion returns one version of a resource, ErrNotFound, or ErrDeleted
// where it is the end of the resource or was sealed by a later one.
func (s *Store) ResourceVersion(ctx context.Context, typ, id string, version int64) (Published, error) {
	var servedFrom int64
	p, err := scanPublished(s.kept.queryRow(ctx, `SELECT v.type, v.id, v.version, v.updated_at, v.body, COALESCE(r.candidate_id, ''), COALESCE(r.served_from, 1)
		FROM resource_version v LEFT JOIN resource r ON r.type = v.type AND r.id = v.id WHERE v.type = $1 AND v.id = $2 AND v.version = $3`, typ, id, version), &servedFrom)
	if errors.Is(err, sql.ErrNoRows) {
		return p, ErrNotFound
	}
	if err != nil {
		return p, fmt.Errorf("read the resource version: %w", err)
	}
	if len(p.Body) == 0 || version < servedFrom {
		return Published{}, ErrDeleted
	}
	return p, nil
}

// EachResource calls fn for every current resource, by type and id.
func (s *Store) EachResource(ctx context.Context, fn func(Published) error) error {
	return s.eachPublished(ctx, fn, "read resources", "SELECT type, id, version, updated_at, body, candidate_id FROM resource ORDER BY type, id")
}

// EachVersion calls fn for every version of every resource of a candidate, by
// type, id and version.
func (s *Store) EachVersion(ctx context.Context, candidate string, fn func(Published) error) error {
	return s.eachPublished(ctx, fn, "read resource versions", `SELECT v.type, v.id, v.version, v.updated_at, v.body, r.candidate_id
		FROM resource r JOIN resource_version v ON v.type = r.type AND v.id = r.id
		WHERE r.candidate_id = $1 ORDER BY v.type, v.id, v.version`, candidate)
}

// eachPublished calls fn for what a query finds as it comes, until fn returns an error.
func (s *Store) eachPublished(ctx context.Context, fn func(Published) error, what, query string, args ...any) error {
	scan := func(row scanner) (Published, error) { return scanPublished(row) }
	for p, err := range each(ctx, s.read, what, scan, query, args...) {
		if err != nil {
			return err
		}
		if err := fn(p); err != nil {
			return err
		}
	}
	return nil
}
