package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Published is one version of a FHIR resource as it is served.
type Published struct {
	Type      string
	ID        string
	Version   int64
	UpdatedAt time.Time
	Body      []byte
	// Candidate is whom the resource is about.
	Candidate string
}

func scanPublished(row scanner) (Published, error) {
	var p Published
	var updated string
	if err := row.Scan(&p.Type, &p.ID, &p.Version, &updated, &p.Body, &p.Candidate); err != nil {
		return p, err
	}
	var err error
	p.UpdatedAt, err = parseInstant(updated)
	return p, err
}

// Resource returns the current version of a resource, or ErrNotFound.
func (s *Store) Resource(ctx context.Context, typ, id string) (Published, error) {
	p, err := scanPublished(s.kept.queryRow(ctx, "SELECT type, id, version, updated_at, body, candidate_id FROM resource WHERE type = $1 AND id = $2", typ, id))
	if errors.Is(err, sql.ErrNoRows) {
		return p, ErrNotFound
	}
	if err != nil {
		return p, fmt.Errorf("read the resource: %w", err)
	}
	return p, nil
}

// ResourceVersion returns one version of a resource, or ErrNotFound.
func (s *Store) ResourceVersion(ctx context.Context, typ, id string, version int64) (Published, error) {
	p, err := scanPublished(s.kept.queryRow(ctx, `SELECT v.type, v.id, v.version, v.updated_at, v.body, r.candidate_id
		FROM resource_version v JOIN resource r ON r.type = v.type AND r.id = v.id WHERE v.type = $1 AND v.id = $2 AND v.version = $3`, typ, id, version))
	if errors.Is(err, sql.ErrNoRows) {
		return p, ErrNotFound
	}
	if err != nil {
		return p, fmt.Errorf("read the resource version: %w", err)
	}
	return p, nil
}

// Condition is one search criterion. Its alternatives are joined by OR; the
// conditions of a query by AND.
type Condition struct {
	Param string
	Any   []Match
	// Not selects the resources that have no such value.
	Not bool
	// Selective says that few resources match, so that they are looked up
	// rather than each resource being asked.
	Selective bool
}

// Match compares an index value. Op is "=", "<", "<=", ">", ">=", "prefix",
// "contains" or Within.
type Match struct {
	Op     string
	Value  string
	System string
	// AnySystem ignores the system, which "=" and Within compare otherwise.
	AnySystem bool
	// Bounds are what Within compares with.
	Bounds Bounds
}

// Within is the comparison of what an index value covers with bounds.
const Within = "within"

// Bounds hold index values that start at From or after it and before To, and that
// end after EndFrom and at EndTo or before it. The empty text is no bound.
type Bounds struct{ From, To, EndFrom, EndTo string }

// Query selects current resources of one type, in id order.
type Query struct {
	Type string
	// Candidates restricts to resources of any of these candidates.
	Candidates []string
	IDs        []string
	Updated    []Match
	Conditions []Condition
	After      string
	Limit      int
}

// operators are the comparisons that SQL has a sign for.
var operators = []string{"=", "<", "<=", ">", ">="}

// where builds the condition shared by Search and Count. Only fixed text and
// placeholders enter the SQL.
func (q Query) where() (string, []any, error) {
	var b strings.Builder
	var args []any
	arg := func(v any) string {
		args = append(args, v)
		return fmt.Sprintf("$%d", len(args))
	}
	// An empty list selects nothing. A stand-in value for it would make SQLite
	// walk the whole table.
	list := func(column string, values []string) string {
		if len(values) == 0 {
			return "1 = 0"
		}
		marks := make([]string, len(values))
		for i, v := range values {
			marks[i] = arg(v)
		}
		return column + " IN (" + strings.Join(marks, ", ") + ")"
	}
	fmt.Fprintf(&b, " FROM resource r WHERE r.type = %s", arg(q.Type))
	if q.Candidates != nil {
		b.WriteString(" AND " + list("r.candidate_id", q.Candidates))
	}
	if q.IDs != nil {
		b.WriteString(" AND " + list("r.id", q.IDs))
	}
	for _, m := range q.Updated {
		if !slices.Contains(operators, m.Op) {
			return "", nil, fmt.Errorf("search: there is no comparison %q", m.Op)
		}
		fmt.Fprintf(&b, " AND r.updated_at %s %s", m.Op, arg(m.Value))
	}
	for _, c := range q.Conditions {
		if len(c.Any) == 0 {
			// None of no alternatives holds.
			if !c.Not {
				b.WriteString(" AND 1 = 0")
			}
			continue
		}
		b.WriteString(" AND ")
		if c.Not {
			b.WriteString("NOT ")
		}
		if c.Selective {
			fmt.Fprintf(&b, "r.id IN (SELECT x.id FROM resource_index x WHERE x.type = %s AND x.param = %s AND (", arg(q.Type), arg(c.Param))
		} else {
			fmt.Fprintf(&b, "EXISTS (SELECT 1 FROM resource_index x WHERE x.type = r.type AND x.id = r.id AND x.param = %s AND (", arg(c.Param))
		}
		for i, m := range c.Any {
			if i > 0 {
				b.WriteString(" OR ")
			}
			text, err := m.sql(arg)
			if err != nil {
				return "", nil, err
			}
			b.WriteString(text)
		}
		b.WriteString("))")
	}
	return b.String(), args, nil
}

// likely escapes what has a meaning in a pattern of LIKE.
var likely = strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`)

// sql is the comparison with the row x of the index.
func (m Match) sql(arg func(any) string) (string, error) {
	var parts []string
	compare := func(column, op, value string) {
		parts = append(parts, column+" "+op+" "+arg(value))
	}
	switch {
	case m.Op == "prefix":
		compare("x.value", ">=", m.Value)
		compare("x.value", "<", m.Value+"\U0010FFFF")
	case m.Op == "contains":
		parts = append(parts, "x.value LIKE "+arg("%"+likely.Replace(m.Value)+"%")+` ESCAPE '\'`)
	case m.Op == Within:
		for _, bound := range []struct{ column, op, value string }{
			{"x.value", ">=", m.Bounds.From}, {"x.value", "<", m.Bounds.To}, {"x.upto", ">", m.Bounds.EndFrom}, {"x.upto", "<=", m.Bounds.EndTo},
		} {
			if bound.value != "" {
				compare(bound.column, bound.op, bound.value)
			}
		}
	case !slices.Contains(operators, m.Op):
		return "", fmt.Errorf("search: there is no comparison %q", m.Op)
	default:
		compare("x.value", m.Op, m.Value)
	}
	if (m.Op == "=" || m.Op == Within) && !m.AnySystem {
		compare("x.system", "=", m.System)
	}
	if parts == nil {
		return "1 = 1", nil
	}
	return "(" + strings.Join(parts, " AND ") + ")", nil
}

// Search returns at most Limit resources after the cursor, with type, id, body and
// candidate: their version and time are in the body, and a row costs by its columns.
func (s *Store) Search(ctx context.Context, q Query) ([]Published, error) {
	where, args, err := q.where()
	if err != nil {
		return nil, err
	}
	args = append(args, q.After)
	// The limit is written out: SQLite plans by the value of a bound one, and so
	// prepares the statement anew for every search.
	query := fmt.Sprintf("SELECT r.id, r.body, r.candidate_id%s AND r.id > $%d ORDER BY r.id LIMIT %d", where, len(args), q.Limit)
	rows, err := s.kept.query(ctx, query, args...)
	if err != nil {
		return nil, fmt.Errorf("search: %w", err)
	}
	defer rows.Close()
	var list []Published
	for rows.Next() {
		p := Published{Type: q.Type}
		if err := rows.Scan(&p.ID, &p.Body, &p.Candidate); err != nil {
			return nil, fmt.Errorf("search: %w", err)
		}
		list = append(list, p)
	}
	return list, rows.Err()
}

// Count counts what a query selects, whatever its cursor and limit.
func (s *Store) Count(ctx context.Context, q Query) (int, error) {
	where, args, err := q.where()
	if err != nil {
		return 0, err
	}
	var n int
	if err := s.kept.queryRow(ctx, "SELECT COUNT(*)"+where, args...).Scan(&n); err != nil {
		return 0, fmt.Errorf("count: %w", err)
	}
	return n, nil
}

// EachResource calls fn for every current resource, by type and id.
func (s *Store) EachResource(ctx context.Context, fn func(Published) error) error {
	rows, err := s.read.QueryContext(ctx, "SELECT type, id, version, updated_at, body, candidate_id FROM resource ORDER BY type, id")
	if err != nil {
		return fmt.Errorf("read resources: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		p, err := scanPublished(rows)
		if err != nil {
			return fmt.Errorf("read resources: %w", err)
		}
		if err := fn(p); err != nil {
			return err
		}
	}
	return rows.Err()
}
