package record

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Resource is one FHIR resource to publish, without its meta element.
type Resource struct {
	Type string
	ID   string
	// Body is the JSON object without "meta".
	Body []byte
	// Meta holds further members of meta, such as `"profile":["..."]`.
	Meta  string
	Index []Index
	// Memo is what the publisher wants to know again of the resource without
	// reading its body.
	Memo string
	// Seal says that the versions before this one are not served any more.
	Seal bool
	// Kept says that the resource stands as it was published: it is not made again.
	Kept bool
	// Version is set on what was read back: the version that stands. Digest is
	// what its content is, set there and by Digested.
	Version int64
	Digest  string

	// indexed is the digest of the search values that stand.
	indexed string
}

// Digested returns the resource with the digest of its content, which is complete.
func (r Resource) Digested() Resource {
	r.Digest = r.content()
	return r
}

// content is the digest of what a version of the resource would say.
func (r Resource) content() string {
	if r.Digest != "" {
		return r.Digest
	}
	h := sha256.New()
	h.Write([]byte(r.Meta + "\n"))
	h.Write(r.Body)
	return hex.EncodeToString(h.Sum(nil))
}

// VersionAfter is the version under which the resource stands once it is
// published after what was read back: another one only if its content changed.
func (r Resource) VersionAfter(before Resource) int64 {
	if before.Digest == r.content() {
		return before.Version
	}
	return before.Version + 1
}

// Index is one search value of a resource. With an End it covers everything from
// the value to before the end, in the order of bytes.
type Index struct {
	Param  string
	System string
	Value  string
	End    string
}

func (i Index) compare(other Index) int {
	return cmp.Or(cmp.Compare(i.Param, other.Param), cmp.Compare(i.Value, other.Value), cmp.Compare(i.System, other.System), cmp.Compare(i.End, other.End))
}

// indexDigest is a digest of search values, whatever their order and repetition:
// it only tells whether they are what stands.
func indexDigest(index []Index) string {
	if len(index) == 0 {
		return "-"
	}
	rows := slices.Clone(index)
	slices.SortFunc(rows, Index.compare)
	text := make([]byte, 0, 128*len(rows))
	for _, row := range slices.Compact(rows) {
		for _, part := range []string{row.Param, row.Value, row.System, row.End} {
			text = append(append(text, part...), 0)
		}
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:16])
}

// withMeta puts the meta element in front of the body. What is published
// can't be taken back, so a body that is not a JSON object is an error.
func withMeta(r Resource, version int64, now time.Time) (string, error) {
	rest, isObject := bytes.CutPrefix(bytes.TrimLeft(r.Body, " \t\r\n"), []byte("{"))
	if !isObject || bytes.HasPrefix(bytes.TrimLeft(rest, " \t\r\n"), []byte("}")) || !json.Valid(r.Body) {
		return "", fmt.Errorf("publish a resource: the body of %s/%s is not a JSON object with members", r.Type, r.ID)
	}
	if bytes.Contains(r.Body, []byte(`"meta"`)) {
		var object struct{ Meta json.RawMessage }
		if err := json.Unmarshal(r.Body, &object); err != nil || object.Meta != nil {
			return "", fmt.Errorf("publish a resource: the body of %s/%s has a meta element of its own", r.Type, r.ID)
		}
	}
	var b strings.Builder
	b.Grow(len(rest) + len(r.Meta) + len(`{"meta":{"versionId":"1234","lastUpdated":"2006-01-02T15:04:05.000Z",},`))
	b.WriteString(`{"meta":{"versionId":"` + strconv.FormatInt(version, 10) + `","lastUpdated":"` + now.UTC().Format("2006-01-02T15:04:05.000Z") + `"`)
	if r.Meta != "" {
		if !json.Valid([]byte("{" + r.Meta + "}")) {
			return "", fmt.Errorf("publish a resource: the meta element of %s/%s is not valid JSON", r.Type, r.ID)
		}
		b.WriteString("," + r.Meta)
	}
	b.WriteString("},")
	b.Write(rest)
	return b.String(), nil
}

// usuallyPublished is how many resources a candidate has in the middle of a journey.
const usuallyPublished = 64

// Published returns what stands of the candidate's resources: their versions,
// digests and memos. Body reads the rest.
func (t *Tx) Published() ([]Resource, error) {
	if t.standing != nil {
		return t.standing, nil
	}
	list := make([]Resource, 0, usuallyPublished)
	for r, err := range each(t.ctx, t.tx, "read the published resources", into(func(row scanner, r *Resource) error {
		return row.Scan(&r.Type, &r.ID, &r.Version, &r.Digest, &r.indexed, &r.Memo)
	}), `SELECT type, id, version, digest, indexed, memo FROM resource_standing
		WHERE candidate_id = $1 ORDER BY type, id`, t.candidate) {
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	t.standing = list
	return list, nil
}

// Body returns the current body of a published resource, with its meta element.
func (t *Tx) Body(typ, id string) ([]byte, error) {
	var body []byte
	err := t.tx.QueryRowContext(t.ctx, "SELECT body FROM resource WHERE type = $1 AND id = $2", typ, id).Scan(&body)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, ErrNotFound
	}
	if err != nil {
		return nil, fmt.Errorf("read a published resource: %w", err)
	}
	return body, nil
}

// PublishedVersion returns the version of the candidate's resource that stands; 0
// when there is none.
func (t *Tx) PublishedVersion(typ, id string) (int64, error) {
	list, err := t.Published()
	if err != nil {
		return 0, err
	}
	for _, r := range list {
		if r.Type == typ && r.ID == id {
			return r.Version, nil
		}
	}
	return 0, nil
}

// Republish publishes a candidate's resources without a command.
func (s *Store) Republish(ctx context.Context, candidate string, build func(*Tx) ([]Resource, error)) error {
	return s.inSession(ctx, func(tx executor) error {
		if err := s.lock(ctx, tx, candidate); err != nil {
			return err
		}
		t := &Tx{store: s, ctx: ctx, tx: tx, candidate: candidate, now: s.now(), again: true}
		resources, err := build(t)
		if err != nil {
			return err
		}
		return t.publish(resources)
	})
}

type resourceKey struct{ typ, id string }

// publish writes new versions of the resources whose content changed, and the
// search values of those where these changed.
func (t *Tx) publish(resources []Resource) error {
	if len(resources) == 0 {
		return nil
	}
	standing, err := t.Published()
	if err != nil {
		return err
	}
	before := make(map[resourceKey]int, len(standing))
	for i := range standing {
		before[resourceKey{standing[i].Type, standing[i].ID}] = i
	}
	var p publication
	seen := make(map[resourceKey]bool, len(resources))
	for i := range resources {
		r := &resources[i]
		key := resourceKey{r.Type, r.ID}
		if seen[key] {
			return fmt.Errorf("publish a resource: %s/%s is given twice", r.Type, r.ID)
		}
		seen[key] = true
		if r.Kept {
			continue
		}
		var stands Resource
		if i, ok := before[key]; ok {
			stands = standing[i]
		}
		if err := p.add(t, *r, stands); err != nil {
			return err
		}
	}
	if err := p.write(t); err != nil {
		return err
	}
	return t.tell(p.changed)
}

// publication is what the resources of one command change, by table.
type publication struct {
	current, versions, standing, added, dropped rows
	sealed                                      []Resource
	// changed are the ids of the resources that have a new version, by type.
	changed map[string][]string
}

// add compares a resource with what stands of it.
func (p *publication) add(t *Tx, r, before Resource) error {
	version, indexed := r.VersionAfter(before), indexDigest(r.Index)
	if version != before.Version {
		body, err := withMeta(r, version, t.now)
		if err != nil {
			return err
		}
		at := instant(t.now)
		servedFrom := int64(1)
		if r.Seal {
			servedFrom = version
		}
		p.current.add(r.Type, r.ID, version, t.candidate, at, r.content(), body, servedFrom)
		p.versions.add(r.Type, r.ID, version, at, body)
		if p.changed == nil {
			p.changed = map[string][]string{}
		}
		p.changed[r.Type] = append(p.changed[r.Type], r.ID)
	} else if t.again && r.Seal {
		p.sealed = append(p.sealed, Resource{Type: r.Type, ID: r.ID, Version: version})
	}
	if version == before.Version && indexed == before.indexed && r.Memo == before.Memo {
		return nil
	}
	p.standing.add(t.candidate, r.Type, r.ID, version, r.content(), indexed, r.Memo)
	if indexed == before.indexed {
		return nil
	}
	stand := map[Index]bool{}
	if before.Version > 0 {
		var err error
		if stand, err = t.indexOf(r); err != nil {
			return err
		}
	}
	for _, i := range r.Index {
		added, known := stand[i]
		if !known {
			p.added.add(r.Type, r.ID, i.Param, i.Value, i.System, i.End)
		}
		if !added {
			stand[i] = true
		}
	}
	for i, wanted := range stand {
		if !wanted {
			p.dropped.add(r.Type, i.Param, i.Value, r.ID, i.System, i.End)
		}
	}
	return nil
}

// indexOf reads the search values that stand of a resource. None of them is wanted
// yet.
func (t *Tx) indexOf(r Resource) (map[Index]bool, error) {
	stand := map[Index]bool{}
	for i, err := range each(t.ctx, t.tx, "read the search values of a resource", into(func(row scanner, i *Index) error {
		return row.Scan(&i.Param, &i.Value, &i.System, &i.End)
	}), "SELECT param, value, system, upto FROM resource_index WHERE type = $1 AND id = $2", r.Type, r.ID) {
		if err != nil {
			return nil, err
		}
		stand[i] = false
	}
	return stand, nil
}

func (p *publication) write(t *Tx) error {
	for _, row := range p.dropped {
		if _, err := t.tx.ExecContext(t.ctx, `DELETE FROM resource_index WHERE type = $1 AND param = $2 AND value = $3 AND id = $4
			AND system = $5 AND upto = $6`, row...); err != nil {
			return fmt.Errorf("index a resource: %w", err)
		}
	}
	for _, r := range p.sealed { // which a former version of the software did not do
		if _, err := t.tx.ExecContext(t.ctx, "UPDATE resource SET served_from = $3 WHERE type = $1 AND id = $2 AND served_from < $3", r.Type, r.ID, r.Version); err != nil {
			return fmt.Errorf("publish a resource: %w", err)
		}
	}
	for _, each := range []struct {
		what, into, conflict string
		rows                 rows
	}{
		{
			"publish a resource", "resource (type, id, version, candidate_id, updated_at, digest, body, served_from)",
			`ON CONFLICT (type, id) DO UPDATE SET version = excluded.version, updated_at = excluded.updated_at,
			digest = excluded.digest, body = excluded.body,
			served_from = CASE WHEN excluded.served_from > resource.served_from THEN excluded.served_from ELSE resource.served_from END`, p.current,
		},
		{"publish a resource version", "resource_version (type, id, version, updated_at, body)", "", p.versions},
		{
			"publish a resource", "resource_standing (candidate_id, type, id, version, digest, indexed, memo)",
			`ON CONFLICT (candidate_id, type, id) DO UPDATE SET version = excluded.version, digest = excluded.digest,
			indexed = excluded.indexed, memo = excluded.memo`, p.standing,
		},
		{"index a resource", "resource_index (type, id, param, value, system, upto)", "", p.added},
	} {
		if err := each.rows.insert(t, each.into, each.conflict); err != nil {
			return fmt.Errorf("%s: %w", each.what, err)
		}
	}
	return nil
}

// rows are the values of rows of one table.
type rows [][]any

func (r *rows) add(values ...any) { *r = append(*r, values) }

// atOnce are the numbers of rows that one statement inserts: few, so that each
// statement is prepared once.
var atOnce = []int{32, 8, 1}

// insert inserts the rows, many with one statement. On SQLite a statement that may
// have to undo some of its rows keeps what it changes aside, on disk if that is
// much. One that changes a single row does not, and neither does one that leaves
// its rows to the transaction, which fails with it.
func (r rows) insert(t *Tx, into, conflict string) error {
	_, sqlite := t.tx.(*session)
	sizes := atOnce
	if sqlite && conflict != "" {
		sizes = []int{1}
	}
	for len(r) > 0 {
		n := sizes[slices.IndexFunc(sizes, func(n int) bool { return n <= len(r) })]
		args := r[0]
		if n > 1 {
			args = slices.Concat(r[:n]...)
		}
		if _, err := t.tx.ExecContext(t.ctx, insertText(into, conflict, n, len(r[0]), sqlite), args...); err != nil {
			return err
		}
		r = r[n:]
	}
	return nil
}

// insertText is the statement that inserts n rows of some columns. PostgreSQL
// numbers the values; the driver of SQLite looks for each number among all of them.
func insertText(into, conflict string, n, columns int, sqlite bool) string {
	var b strings.Builder
	b.WriteString("INSERT ")
	if sqlite && conflict == "" {
		b.WriteString("OR FAIL ")
	}
	b.WriteString("INTO " + into + " VALUES ")
	for i := range n {
		for c := range columns {
			switch {
			case c > 0:
				b.WriteString(", ")
			case i > 0:
				b.WriteString(", (")
			default:
				b.WriteString("(")
			}
			if sqlite {
				b.WriteString("?")
			} else {
				b.WriteString("$" + strconv.Itoa(i*columns+c+1))
			}
		}
		b.WriteString(")")
	}
	return b.String() + " " + conflict
}
