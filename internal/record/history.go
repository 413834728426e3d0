package record

import (
	"context"
	"maps"
	"slices"
	"strconv"
	"time"
)

// Version is one version of a resource in its history.
type Version struct {
	Published
	// Deleted marks the end of a resource; such a version has no body.
	Deleted bool
}

// Place is where a page of a history ended.
type Place struct {
	UpdatedAt time.Time
	Key
	Version int64
}

// HistoryQuery selects versions, the newest first.
type HistoryQuery struct {
	// Of are the types, each with the queries of which one must select the
	// resource as it stands; none of them is no restriction.
	Of map[string][]Query
	// ID is the one resource, where there is one type.
	ID string
	// Since leaves out what was published before it.
	Since time.Time
	// AtFrom and AtTo are what the version must have been current in, if they
	// are set: from the one and before the other.
	AtFrom, AtTo time.Time
	// After is the last version of the page before.
	After *Place
	Limit int
}

// of writes the versions of one type that the query selects, without the page.
func (q HistoryQuery) of(b *statement, typ string) {
	b.add(" FROM resource_version v WHERE v.type = ", b.arg(typ))
	if within := q.Of[typ]; len(within) > 0 {
		r := b.alias("r")
		b.add(" AND v.id IN (SELECT ", r, ".id FROM resource ", r, " WHERE ")
		b.where(Query{Type: typ, Any: [][]Query{within}}, r, -1)
		b.add(")")
	}
	b.add(" AND v.version >= COALESCE((SELECT s.served_from FROM resource s WHERE s.type = v.type AND s.id = v.id), 1)")
	if q.ID != "" {
		b.add(" AND v.id = ", b.arg(q.ID))
	}
	if !q.Since.IsZero() {
		b.add(" AND v.updated_at >= ", b.arg(instant(q.Since)))
	}
	if !q.AtTo.IsZero() {
		b.add(" AND v.updated_at < ", b.arg(instant(q.AtTo)),
			" AND NOT EXISTS (SELECT 1 FROM resource_version n WHERE n.type = v.type AND n.id = v.id AND n.version > v.version AND n.updated_at <= ",
			b.arg(instant(q.AtFrom)), ")")
	}
}

// after goes on behind the last version of the page before.
func (q HistoryQuery) after(b *statement, typ string) {
	a := q.After
	switch {
	case a == nil:
	case typ < a.Type: // comes later in the same instant
		b.add(" AND v.updated_at <= ", b.arg(instant(a.UpdatedAt)))
	case typ > a.Type:
		b.add(" AND v.updated_at < ", b.arg(instant(a.UpdatedAt)))
	default:
		b.add(" AND (v.updated_at, v.id, v.version) < (", b.arg(instant(a.UpdatedAt)), ", ", b.arg(a.ID), ", ", b.arg(a.Version), ")")
	}
}

// History returns one page of versions. Those that a later version sealed are
// not among them.
func (s *Store) History(ctx context.Context, q HistoryQuery) ([]Version, error) {
	if len(q.Of) == 0 {
		return nil, nil
	}
	// Each type is read in its own order, no further than the page, and the bodies
	// of what is on it at the end.
	b := s.statement()
	b.add("SELECT b.type, b.id, b.version, b.updated_at, b.body, COALESCE((SELECT c.candidate_id FROM resource c WHERE c.type = b.type AND c.id = b.id), '') FROM (")
	for i, typ := range slices.Sorted(maps.Keys(q.Of)) {
		if i > 0 {
			b.add(" UNION ALL ")
		}
		b.add("SELECT * FROM (SELECT v.type, v.id, v.version, v.updated_at")
		q.of(b, typ)
		q.after(b, typ)
		b.add(" ORDER BY v.updated_at DESC, v.id DESC, v.version DESC LIMIT ", strconv.Itoa(q.Limit), ") ", b.alias("t"))
	}
	b.add(") p JOIN resource_version b ON b.type = p.type AND b.id = p.id AND b.version = p.version",
		" ORDER BY p.updated_at DESC, p.type DESC, p.id DESC, p.version DESC LIMIT ", strconv.Itoa(q.Limit))
	if b.err != nil {
		return nil, b.err
	}
	return collect(ctx, s.kept, "read the history", func(row scanner) (Version, error) {
		p, err := scanPublished(row)
		return Version{Published: p, Deleted: len(p.Body) == 0}, err
	}, b.String(), b.args...)
}

// CountHistory counts the versions of a history, no further than to most; 0 is
// no limit.
func (s *Store) CountHistory(ctx context.Context, q HistoryQuery, most int) (int, error) {
	if len(q.Of) == 0 {
		return 0, nil
	}
	b := s.statement()
	b.add("SELECT COUNT(*) FROM (")
	for i, typ := range slices.Sorted(maps.Keys(q.Of)) {
		if i > 0 {
			b.add(" UNION ALL ")
		}
		b.add("SELECT 1")
		q.of(b, typ)
	}
	if most > 0 {
		b.add(" LIMIT ", strconv.Itoa(most))
	}
	b.add(") found")
	return s.number(ctx, b)
}
