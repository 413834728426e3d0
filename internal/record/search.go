package record

import (
	"context"
	"fmt"
	"math/bits"
	"slices"
	"strconv"
	"strings"
)

// Query selects current resources of one type.
type Query struct {
	Type string
	// Candidates restricts to resources of any of these candidates. An empty list
	// that is not nil selects nothing; so does one of IDs.
	Candidates []string
	IDs        []string
	// Updated restricts when the current version was published: one span of each
	// list must hold it.
	Updated    [][]Span
	Conditions []Condition
	// Any are lists of queries of the same type: of each list, one at least must
	// select the resource.
	Any [][]Query
	// Joint says the same as two of the conditions together.
	Joint *Joint `json:",omitempty"`
	// After and Limit are the page of Search, in the order of ids.
	After string
	Limit int
}

// Joint is a condition that says the same as those at two places of a list. It is
// looked up in place of them where few resources meet it.
type Joint struct {
	Condition
	Of [2]int
}

// Span is a range of instants as InstantText writes them, from From and before
// To. The empty text is no bound.
type Span struct{ From, To string }

// Condition is one criterion. The alternatives of Any are joined by OR; the
// conditions of a query by AND.
type Condition struct {
	// Param names the index rows that are compared.
	Param string
	Any   []Match
	// Long names the rows of those values, repeated, that cover much.
	Long string
	// To selects resources that point, under Param, to one that this query
	// selects; From those that one which this query selects points to under
	// Param. Where Param is empty, it is the candidate's own resource that is
	// pointed to. Any is of no account then.
	To   *Query
	From *Query
	// Not selects the resources that have no such value.
	Not bool
	// Selective says that few resources match, so that they are looked up
	// rather than each resource being asked.
	Selective bool
}

// Match compares an index value. Op is "=", "<", "<=", ">", ">=", "prefix",
// "contains", Within or OfSystem.
type Match struct {
	Op     string
	Value  string
	System string
	// AnySystem ignores the system, which "=" and Within compare otherwise.
	AnySystem bool
	// Bounds are what Within compares with.
	Bounds Bounds
	// ShortFrom is where what Within selects starts at the earliest, unless it is
	// long.
	ShortFrom string
}

const (
	// Within is the comparison of what an index value covers with bounds.
	Within = "within"
	// OfSystem compares the system alone, whatever the value.
	OfSystem = "system"
)

// Bounds hold index values that start at From or after it and before To, and that
// end after EndFrom and at EndTo or before it. The empty text is no bound.
type Bounds struct{ From, To, EndFrom, EndTo string }

// Sort is one key of an order.
type Sort struct {
	// Param is the parameter by whose least value, or greatest if Descending, is
	// sorted; Updated the time of the current version instead, ID the id. What
	// has no value comes last.
	Param      string
	Updated    bool
	ID         bool
	Descending bool
	// But leaves out index rows of this system.
	But string
}

// operators are the comparisons that SQL has a sign for.
var operators = []string{"=", "<", "<=", ">", ">="}

// statement is SQL being written. Only fixed text and placeholders enter it.
type statement struct {
	strings.Builder
	args    []any
	aliases int
	err     error
	// single ends a subquery of which one row is enough.
	single string
}

func (s *Store) statement() *statement {
	b := &statement{}
	if s.postgres() {
		// It keeps PostgreSQL from reading all rows of a parameter at once, which a
		// plan that is made without the values does.
		b.single = " OFFSET 0"
	}
	return b
}

func (s *statement) arg(v any) string {
	s.args = append(s.args, v)
	return "$" + strconv.Itoa(len(s.args))
}

func (s *statement) add(parts ...string) {
	for _, p := range parts {
		s.WriteString(p)
	}
}

// alias names one more table of the statement.
func (s *statement) alias(letter string) string {
	s.aliases++
	return letter + strconv.Itoa(s.aliases)
}

func (s *statement) fail(err error) {
	if s.err == nil {
		s.err = err
	}
}

// in restricts a column to a list. An empty list selects nothing: a stand-in
// value for it would make SQLite walk the whole table.
func (s *statement) in(column string, values []string) {
	switch len(values) {
	case 0:
		s.add("1 = 0")
	case 1:
		s.add(column, " = ", s.arg(values[0]))
	default:
		s.add(column, " IN (")
		// Of few lengths, so that few statements are prepared.
		length := 1 << bits.Len(uint(len(values)-1))
		for i := range length {
			if i > 0 {
				s.add(", ")
			}
			s.add(s.arg(values[min(i, len(values)-1)]))
		}
		s.add(")")
	}
}

// where writes what selects the row r of resource, without the cursor. The
// condition at the place skip is left to the caller.
func (s *statement) where(q Query, r string, skip int) {
	s.add(r, ".type = ", s.arg(q.Type))
	if q.Candidates != nil {
		s.add(" AND ")
		s.in(r+".candidate_id", q.Candidates)
	}
	if q.IDs != nil {
		s.add(" AND ")
		s.in(r+".id", q.IDs)
	}
	for _, spans := range q.Updated {
		s.add(" AND ")
		s.updated(r, spans)
	}
	for i, c := range q.Conditions {
		if i != skip {
			s.add(" AND ")
			s.condition(q.Type, c, r)
		}
	}
	for _, alternatives := range q.Any {
		if len(alternatives) == 0 {
			s.add(" AND 1 = 0")
			continue
		}
		s.add(" AND (")
		for i, alternative := range alternatives {
			if alternative.Type != q.Type {
				s.fail(fmt.Errorf("search: an alternative selects %s among %s", alternative.Type, q.Type))
			}
			if i > 0 {
				s.add(" OR ")
			}
			s.add("(")
			s.where(alternative, r, -1)
			s.add(")")
		}
		s.add(")")
	}
}

func (s *statement) updated(r string, spans []Span) {
	if len(spans) == 0 {
		s.add("1 = 0")
		return
	}
	s.add("(")
	for i, span := range spans {
		if i > 0 {
			s.add(" OR ")
		}
		switch {
		case span.From != "" && span.To != "":
			s.add("(", r, ".updated_at >= ", s.arg(span.From), " AND ", r, ".updated_at < ", s.arg(span.To), ")")
		case span.From != "":
			s.add(r, ".updated_at >= ", s.arg(span.From))
		case span.To != "":
			s.add(r, ".updated_at < ", s.arg(span.To))
		default:
			s.add("1 = 1")
		}
	}
	s.add(")")
}

func (s *statement) condition(typ string, c Condition, r string) {
	if c.Not {
		s.add("NOT ")
	}
	x := s.alias("x")
	switch {
	case c.To != nil && c.Param == "":
		t := s.alias("t")
		s.add(r, ".candidate_id IN (SELECT ", t, ".id FROM resource ", t, " WHERE ")
		s.where(*c.To, t, -1)
		s.add(")")
	case c.To != nil:
		t := s.alias("t")
		s.add("EXISTS (SELECT 1 FROM resource_index ", x, " WHERE ", x, ".type = ", s.arg(typ), " AND ", x, ".id = ", r, ".id AND ", x, ".param = ", s.arg(c.Param),
			" AND ", x, ".system = ", s.arg(c.To.Type), " AND ", x, ".value IN (SELECT ", t, ".id FROM resource ", t, " WHERE ")
		s.where(*c.To, t, -1)
		s.add(")", s.single, ")")
	case c.From != nil && c.Param == "":
		t := s.alias("t")
		s.add(r, ".id IN (SELECT ", t, ".candidate_id FROM resource ", t, " WHERE ")
		s.where(*c.From, t, -1)
		s.add(")")
	case c.From != nil:
		t := s.alias("t")
		s.add(r, ".id IN (SELECT ", x, ".value FROM resource_index ", x, " JOIN resource ", t, " ON ", t, ".type = ", x, ".type AND ", t, ".id = ", x, ".id WHERE ",
			x, ".type = ", s.arg(c.From.Type), " AND ", x, ".param = ", s.arg(c.Param), " AND ", x, ".system = ", s.arg(typ), " AND ")
		s.where(*c.From, t, -1)
		s.add(")")
	case len(c.Any) == 0:
		s.add("1 = 0")
	case c.Selective:
		s.add(r, ".id IN (")
		s.lookUp(x+".id", typ, c, x)
		s.add(")")
	default:
		s.add("EXISTS (SELECT 1 FROM resource_index ", x, " WHERE ", x, ".id = ", r, ".id AND ")
		s.rows(typ, c, x)
		s.add(s.single, ")")
	}
}

// rows selects the index rows x that meet the condition.
func (s *statement) rows(typ string, c Condition, x string) {
	s.add(x, ".type = ", s.arg(typ), " AND ", x, ".param = ", s.arg(c.Param), " AND (")
	for i, m := range c.Any {
		if i > 0 {
			s.add(" OR ")
		}
		s.match(m, x)
	}
	s.add(")")
}

// lookUp selects a column of the index rows x that meet the condition, going by
// their values. Each alternative is a SELECT of its own: SQLite would read every
// row of a parameter for the sake of two of its values.
func (s *statement) lookUp(column, typ string, c Condition, x string) {
	one := func(param string, m Match) {
		s.add("SELECT ", column, " FROM resource_index ", x, " WHERE ", x, ".type = ", s.arg(typ), " AND ", x, ".param = ", s.arg(param), " AND ")
		s.match(m, x)
	}
	for i, m := range c.Any {
		if i > 0 {
			s.add(" UNION ALL ")
		}
		if c.Long != "" && m.ShortFrom != "" {
			one(c.Long, m)
			s.add(" UNION ALL ")
			m.Bounds.From = max(m.Bounds.From, m.ShortFrom)
		}
		one(c.Param, m)
	}
}

// likely escapes what has a meaning in a pattern of LIKE.
var likely = strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`)

// match compares the index row x.
func (s *statement) match(m Match, x string) {
	first := true
	compare := func(column, op, value string) {
		if !first {
			s.add(" AND ")
		}
		first = false
		s.add(x, ".", column, " ", op, " ", s.arg(value))
	}
	s.add("(")
	switch {
	case m.Op == "prefix":
		compare("value", ">=", m.Value)
		compare("value", "<", m.Value+"\U0010FFFF")
	case m.Op == "contains":
		compare("value", "LIKE", "%"+likely.Replace(m.Value)+"%")
		s.add(` ESCAPE '\'`)
	case m.Op == OfSystem:
		compare("system", "=", m.System)
	case m.Op == Within:
		for _, bound := range []struct{ column, op, value string }{
			{"value", ">=", m.Bounds.From}, {"value", "<", m.Bounds.To}, {"upto", ">", m.Bounds.EndFrom}, {"upto", "<=", m.Bounds.EndTo},
		} {
			if bound.value != "" {
				compare(bound.column, bound.op, bound.value)
			}
		}
	case !slices.Contains(operators, m.Op):
		s.fail(fmt.Errorf("search: there is no comparison %q", m.Op))
	default:
		compare("value", m.Op, m.Value)
	}
	if (m.Op == "=" || m.Op == Within) && !m.AnySystem {
		compare("system", "=", m.System)
	}
	if first {
		s.add("1 = 1")
	}
	s.add(")")
}

// plan is the way in which a query is carried out.
type plan struct {
	// lead is the condition whose index rows are walked, in the order of ids; -1
	// walks the resources.
	lead int
	// sift says that few resources are left by an index that has another order,
	// and then sorted.
	sift bool
}

// fewRows is how many index rows a page looks up rather than asking each
// resource; manyRows is that of a count, which has to see all.
const (
	fewRows  = 1000
	manyRows = 2000
)

// plan finds a way that doesn't ask every resource of the type. Databases plan
// by what they think they know of the values, and SQLite knows nothing.
func (s *Store) plan(ctx context.Context, q *Query, few int) (plan, error) {
	p := plan{lead: -1}
	if joined, err := s.join(ctx, q); err != nil || joined {
		return p, err
	}
	q.Conditions = slices.Clone(q.Conditions)
	if err := s.resolve(ctx, q); err != nil {
		return p, err
	}
	if q.Candidates != nil || q.IDs != nil {
		// The index of types and ids would be walked for the sake of the order.
		p.sift = q.IDs == nil && len(q.Candidates) > 1
		return p, nil
	}
	for i, c := range q.Conditions {
		if c.Selective && !c.Not {
			return p, nil
		}
		if c.walkable() && p.lead < 0 {
			p.lead = i
		}
	}
	for i, c := range q.Conditions {
		// The index does not go by systems.
		if i == p.lead || c.Not || c.To != nil || c.From != nil || len(c.Any) == 0 || c.Any[0].Op == OfSystem {
			continue
		}
		rare, err := s.rarer(ctx, few, func(b *statement) { b.lookUp("1", q.Type, c, "x") })
		if err != nil {
			return p, err
		}
		if rare {
			q.Conditions[i].Selective, p.lead = true, -1
			return p, nil
		}
	}
	for _, spans := range q.Updated {
		rare, err := s.rarer(ctx, few, func(b *statement) {
			b.add("SELECT 1 FROM resource x WHERE x.type = ", b.arg(q.Type), " AND ")
			b.updated("x", spans)
		})
		if err != nil {
			return p, err
		}
		if rare {
			return plan{lead: -1, sift: true}, nil
		}
	}
	return p, nil
}

// join puts the joint condition of a query in place of those that it joins, if that
// leaves little.
func (s *Store) join(ctx context.Context, q *Query) (bool, error) {
	if q.Joint == nil || q.Candidates != nil || q.IDs != nil {
		return false, nil
	}
	c := q.Joint.Condition
	few, err := s.rarer(ctx, manyRows, func(b *statement) { b.lookUp("1", q.Type, c, "x") })
	if err != nil || !few {
		return false, err
	}
	c.Selective = true
	conditions := []Condition{c}
	for i, other := range q.Conditions {
		if i != q.Joint.Of[0] && i != q.Joint.Of[1] {
			conditions = append(conditions, other)
		}
	}
	q.Conditions, q.Joint = conditions, nil
	return true, nil
}

// resolve looks up what the links of a query lead to and, where that is little,
// puts it in place of the link.
func (s *Store) resolve(ctx context.Context, q *Query) error {
	kept := q.Conditions[:0]
	for _, c := range q.Conditions {
		target := c.To
		if target == nil {
			target = c.From
		}
		if target == nil || c.Not {
			kept = append(kept, c)
			continue
		}
		inner := *target
		p, err := s.plan(ctx, &inner, fewRows)
		if err != nil {
			return err
		}
		b := s.statement()
		switch {
		case c.To != nil:
			b.add("SELECT r.id")
			p.from(b, inner)
		case c.Param == "":
			b.add("SELECT DISTINCT r.candidate_id")
			p.from(b, inner)
		default:
			b.add("SELECT DISTINCT l.value FROM resource_index l WHERE l.type = ", b.arg(inner.Type), " AND l.param = ", b.arg(c.Param),
				" AND l.system = ", b.arg(q.Type), " AND l.id IN (SELECT r.id")
			p.from(b, inner)
			b.add(")")
		}
		b.add(" LIMIT ", strconv.Itoa(fewLinks))
		ids, err := s.ids(ctx, b)
		if err != nil {
			return err
		}
		switch {
		case len(ids) == fewLinks:
			kept = append(kept, c)
		case c.From != nil:
			q.IDs = narrow(q.IDs, ids)
		case c.Param == "":
			q.Candidates = narrow(q.Candidates, ids)
		default:
			found := Condition{Param: c.Param}
			for _, id := range ids {
				found.Any = append(found.Any, Match{Op: "=", Value: id, System: c.To.Type})
			}
			kept = append(kept, found)
		}
	}
	q.Conditions = kept
	return nil
}

// fewLinks is how many resources a link may lead to so that they are named.
const fewLinks = 100

// narrow keeps what both lists hold, each value once; a nil list is no
// restriction yet.
func narrow(list, values []string) []string {
	kept := []string{}
	for _, v := range values {
		if (list == nil || slices.Contains(list, v)) && !slices.Contains(kept, v) {
			kept = append(kept, v)
		}
	}
	return kept
}

// walkable conditions are met by index rows that stand in the order of ids.
func (c Condition) walkable() bool {
	return !c.Not && c.To == nil && c.From == nil && len(c.Any) == 1 && c.Any[0].Op == "="
}

// rarer reports whether a query finds less than a limit.
func (s *Store) rarer(ctx context.Context, limit int, query func(*statement)) (bool, error) {
	b := s.statement()
	b.add("SELECT COUNT(*) FROM (")
	query(b)
	b.add(" LIMIT ", strconv.Itoa(limit), ") found")
	n, err := s.number(ctx, b)
	return n < limit, err
}

// from writes the tables and conditions of a query, and returns the column of
// the id to go by.
func (p plan) from(b *statement, q Query) (id string) {
	if p.lead < 0 {
		b.add(" FROM resource r WHERE ")
		b.where(q, "r", -1)
		if p.sift {
			return "(r.id || '')" // not the index of ids
		}
		return "r.id"
	}
	// SQLite takes the tables of a CROSS JOIN in the order in which they stand.
	b.add(" FROM resource_index d CROSS JOIN resource r WHERE ")
	b.rows(q.Type, q.Conditions[p.lead], "d")
	b.add(" AND r.type = d.type AND r.id = d.id AND ")
	b.where(q, "r", p.lead)
	return "d.id"
}

// repeats reports whether a resource may be found twice: a code may stand under
// two systems.
func (p plan) repeats(q Query) bool { return p.lead >= 0 && q.Conditions[p.lead].Any[0].AnySystem }

// Search returns at most Limit resources after the cursor in the order of their
// ids, with type, id, body and candidate: their version and time are in the body,
// and a row costs by its columns.
func (s *Store) Search(ctx context.Context, q Query) ([]Published, error) {
	p, err := s.plan(ctx, &q, fewRows)
	if err != nil {
		return nil, err
	}
	var list []Published
	for wanted := q.Limit; ; {
		n, err := s.search(ctx, p, q, &list)
		if err != nil || n < q.Limit || len(list) == wanted {
			return list, err
		}
		// What was found twice has taken the place of something.
		q.After, q.Limit = list[len(list)-1].ID, wanted-len(list)
	}
}

// search appends one page and returns the number of rows that it was found in.
func (s *Store) search(ctx context.Context, p plan, q Query, list *[]Published) (int, error) {
	b := s.statement()
	b.add("SELECT r.id, r.body, r.candidate_id")
	id := p.from(b, q)
	// The limit is written out: SQLite plans by the value of a bound one, and so
	// prepares the statement anew for every search.
	b.add(" AND ", id, " > ", b.arg(q.After), " ORDER BY ", id, " LIMIT ", strconv.Itoa(q.Limit))
	if b.err != nil {
		return 0, b.err
	}
	n := 0
	for found, err := range each(ctx, s.kept, "search", into(func(row scanner, found *Published) error {
		found.Type = q.Type
		return row.Scan(&found.ID, &found.Body, &found.Candidate)
	}), b.String(), b.args...) {
		if err != nil {
			return 0, err
		}
		if last := len(*list) - 1; last < 0 || (*list)[last].ID != found.ID {
			*list = append(*list, found)
		}
		n++
	}
	return n, nil
}

// Count counts what a query selects, whatever its page.
func (s *Store) Count(ctx context.Context, q Query) (int, error) {
	p, err := s.plan(ctx, &q, manyRows)
	if err != nil {
		return 0, err
	}
	return s.count(ctx, p, q)
}

// CountCheaply is Count, but reports false where many rows would have to be seen
// for it.
func (s *Store) CountCheaply(ctx context.Context, q Query) (int, bool, error) {
	p, err := s.plan(ctx, &q, manyRows)
	if err != nil {
		return 0, false, err
	}
	if cheap, err := s.cheap(ctx, p, q); err != nil || !cheap {
		return 0, false, err
	}
	n, err := s.count(ctx, p, q)
	return n, true, err
}

// cheap reports whether no more than manyRows have to be seen.
func (s *Store) cheap(ctx context.Context, p plan, q Query) (bool, error) {
	if q.Candidates != nil || q.IDs != nil || p.sift || slices.ContainsFunc(q.Conditions, func(c Condition) bool { return c.Selective }) {
		return true, nil
	}
	return s.rarer(ctx, manyRows, func(b *statement) {
		if p.lead >= 0 {
			b.lookUp("1", q.Type, q.Conditions[p.lead], "x")
			return
		}
		b.add("SELECT 1 FROM resource x WHERE x.type = ", b.arg(q.Type))
	})
}

func (s *Store) count(ctx context.Context, p plan, q Query) (int, error) {
	b := s.statement()
	b.add("SELECT COUNT(*) FROM (SELECT ")
	if p.repeats(q) {
		b.add("DISTINCT ")
	}
	b.add("r.id")
	p.from(b, q)
	b.add(") found")
	return s.number(ctx, b)
}

func (s *Store) number(ctx context.Context, b *statement) (int, error) {
	if b.err != nil {
		return 0, b.err
	}
	var n int
	if err := s.kept.queryRow(ctx, b.String(), b.args...).Scan(&n); err != nil {
		return 0, fmt.Errorf("count: %w", err)
	}
	return n, nil
}

// Order returns the ids of at most limit resources that a query selects, sorted
// by the keys. The page of the query is of no account.
func (s *Store) Order(ctx context.Context, q Query, keys []Sort, limit int) ([]string, error) {
	p, err := s.plan(ctx, &q, fewRows)
	if err != nil {
		return nil, err
	}
	p.lead = -1 // its order is another
	b := s.statement()
	var order []string
	b.add("SELECT o.id FROM (SELECT r.id, r.updated_at")
	for i, key := range keys {
		direction := ""
		if key.Descending {
			direction = " DESC"
		}
		switch {
		case key.ID:
			order = append(order, "o.id"+direction)
			continue
		case key.Updated:
			order = append(order, "o.updated_at"+direction)
			continue
		}
		extreme := "MIN"
		if key.Descending {
			extreme = "MAX"
		}
		name := "k" + strconv.Itoa(i)
		b.add(", (SELECT ", extreme, "(x.value) FROM resource_index x WHERE x.type = r.type AND x.id = r.id AND x.param = ", b.arg(key.Param), " AND x.value <> ''")
		if key.But != "" {
			b.add(" AND x.system <> ", b.arg(key.But))
		}
		b.add(") AS ", name)
		order = append(order, "o."+name+direction+" NULLS LAST")
	}
	p.from(b, q)
	b.add(") o ORDER BY ", strings.Join(append(order, "o.id"), ", "), " LIMIT ", strconv.Itoa(limit))
	return s.ids(ctx, b)
}

func (s *Store) ids(ctx context.Context, b *statement) ([]string, error) {
	if b.err != nil {
		return nil, b.err
	}
	return texts(ctx, s.kept, "search", b.String(), b.args...)
}

// Key names a resource.
type Key struct{ Type, ID string }

func scanKey(row scanner, k *Key) error { return row.Scan(&k.Type, &k.ID) }

// SearchAll returns at most limit resources of a candidate that any of the
// queries selects, after the cursor in the order of types and ids. There is at
// most one query for a type, and the candidates, cursors and limits of the
// queries are of no account.
func (s *Store) SearchAll(ctx context.Context, candidate string, queries []Query, after Key, limit int) ([]Published, error) {
	b := s.statement()
	b.add("SELECT r.type, r.id, r.body")
	b.compartment(candidate, queries)
	b.add(" AND (r.type, r.id) > (", b.arg(after.Type), ", ", b.arg(after.ID), ") ORDER BY r.type, r.id LIMIT ", strconv.Itoa(limit))
	if b.err != nil {
		return nil, b.err
	}
	return collect(ctx, s.kept, "search", into(func(row scanner, p *Published) error {
		p.Candidate = candidate
		return row.Scan(&p.Type, &p.ID, &p.Body)
	}), b.String(), b.args...)
}

// CountAll counts what SearchAll finds.
func (s *Store) CountAll(ctx context.Context, candidate string, queries []Query) (int, error) {
	b := s.statement()
	b.add("SELECT COUNT(*)")
	b.compartment(candidate, queries)
	return s.number(ctx, b)
}

func (s *statement) compartment(candidate string, queries []Query) {
	s.add(" FROM resource r WHERE r.candidate_id = ", s.arg(candidate), " AND (")
	var whole []string
	for _, q := range queries {
		if len(q.Updated) == 0 && len(q.Conditions) == 0 && len(q.Any) == 0 && q.IDs == nil {
			whole = append(whole, q.Type)
			continue
		}
		q.Candidates = nil
		s.add("(")
		s.where(q, "r", -1)
		s.add(") OR ")
	}
	s.in("r.type", whole)
	s.add(")")
}

// References are the resources that those of a type point to under a parameter.
func (s *Store) References(ctx context.Context, typ, param string, ids []string) ([]Key, error) {
	b := s.statement()
	b.add("SELECT DISTINCT x.system, x.value FROM resource_index x WHERE x.type = ", b.arg(typ), " AND ")
	b.in("x.id", ids)
	b.add(" AND x.param = ", b.arg(param), " AND x.system <> '' ORDER BY x.system, x.value")
	return collect(ctx, s.kept, "search", into(scanKey), b.String(), b.args...)
}
