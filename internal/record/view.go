package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"candidacy/internal/journey"
)

// publishing is the advisory lock of PostgreSQL that whoever publishes shares,
// from before it takes its instant until it has committed, and that a View holds
// alone while it begins.
const publishing = 0x63616e64 // an arbitrary number of ours

// View is the published resources as they stood at one moment. It keeps a
// connection, and on SQLite the write-ahead log from being cut short, until it
// is closed.
type View struct {
	// At is that moment, in whole milliseconds: everything published before it is
	// in the view, and nothing that is not in the view carries an earlier time.
	At time.Time
	tx *sql.Tx
}

// View begins one. Writers wait for as long as the transactions that are under
// way take, so that no later commit carries a time from before it.
func (s *Store) View(ctx context.Context) (*View, error) {
	v, err := s.view(ctx)
	if err != nil {
		if v != nil {
			err = errors.Join(err, v.Close())
		}
		return nil, fmt.Errorf("take a snapshot: %w", err)
	}
	return v, nil
}

func (s *Store) view(ctx context.Context) (v *View, err error) {
	// On SQLite a writing transaction is alone anyway.
	alone, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, alone.Rollback()) }()
	options := &sql.TxOptions{ReadOnly: true}
	if s.postgres() {
		if _, err := alone.ExecContext(ctx, "SELECT pg_advisory_xact_lock($1)", publishing); err != nil {
			return nil, err
		}
		options.Isolation = sql.LevelRepeatableRead
	}
	at := s.now().UTC().Truncate(time.Millisecond)
	tx, err := s.read.BeginTx(ctx, options)
	if err != nil {
		return nil, err
	}
	// A transaction sees the store as it is when it first reads.
	var n int
	return &View{At: at, tx: tx}, tx.QueryRowContext(ctx, "SELECT COUNT(*) FROM setting").Scan(&n)
}

// Close ends the view. It has ended by itself if its context has.
func (v *View) Close() error {
	err := v.tx.Rollback()
	if err == nil || errors.Is(err, sql.ErrTxDone) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return nil
	}
	return fmt.Errorf("end a snapshot: %w", err)
}

// Scan selects current resources. What is left empty restricts nothing, but for
// the types.
type Scan struct {
	// Types are those that are selected; one, where there are queries.
	Types []string
	// Most says that the types are most of what there is, so that the store is
	// read from end to end.
	Most bool
	// Any are lists of queries: of each list, a resource has to meet one at least.
	// Their cursors and limits count for nothing.
	Any [][]Query
	// Since and Until bound when the resource was last published: from the one,
	// before the other.
	Since, Until time.Time
	// OfCandidates leaves out what belongs to no candidate, and Stages what
	// belongs to candidates in other stages.
	OfCandidates bool
	Stages       []journey.Stage
	// Candidates restricts to what belongs to these; nil does not.
	Candidates []string
}

// from writes the table and what selects its row r.
func (sc Scan) from(b *statement) {
	typ := "r.type"
	if sc.Most {
		typ = "(r.type || '')" // no index, which would lead back and forth through the whole table
	}
	b.add(" FROM resource r WHERE ")
	b.in(typ, sc.Types)
	if !sc.Since.IsZero() {
		b.add(" AND r.updated_at >= ", b.arg(instant(sc.Since)))
	}
	if !sc.Until.IsZero() {
		b.add(" AND r.updated_at < ", b.arg(instant(sc.Until)))
	}
	if sc.OfCandidates {
		b.add(" AND r.candidate_id <> ", b.arg(programme))
	}
	if sc.Stages != nil {
		b.add(" AND r.candidate_id IN (SELECT c.id FROM candidate c WHERE ")
		b.in("c.stage", plain(sc.Stages))
		b.add(")")
	}
	if sc.Candidates != nil {
		b.add(" AND ")
		b.in("r.candidate_id", sc.Candidates)
	}
	if len(sc.Any) > 0 {
		if len(sc.Types) != 1 {
			b.fail(errors.New("queries are of one type"))
			return
		}
		b.add(" AND ")
		b.where(Query{Type: sc.Types[0], Any: sc.Any}, "r", -1)
	}
}

// Each calls fn for every resource of the scan, once each, in no set order. The
// body is good until fn returns. It reads as it goes: nothing is collected.
func (v *View) Each(ctx context.Context, sc Scan, fn func(typ string, body []byte) error) error {
	var b statement
	b.add("SELECT r.type, r.body")
	sc.from(&b)
	if b.err != nil {
		return fmt.Errorf("read a snapshot: %w", b.err)
	}
	rows, err := v.tx.QueryContext(ctx, b.String(), b.args...)
	if err != nil {
		return fmt.Errorf("read a snapshot: %w", err)
	}
	defer rows.Close()
	// Of the few types there are, none is made a string for each row.
	names := map[string]string{}
	var typ, body sql.RawBytes
	for rows.Next() {
		if err := rows.Scan(&typ, &body); err != nil {
			return fmt.Errorf("read a snapshot: %w", err)
		}
		name, ok := names[string(typ)]
		if !ok {
			name = string(typ)
			names[name] = name
		}
		if err := fn(name, body); err != nil {
			return err
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("read a snapshot: %w", err)
	}
	return nil
}

// Count counts what the scans select together.
func (v *View) Count(ctx context.Context, scans []Scan) (int64, error) {
	var total int64
	for _, sc := range scans {
		sc.Most = false // an index is enough
		var b statement
		b.add("SELECT COUNT(*)")
		sc.from(&b)
		if b.err != nil {
			return 0, fmt.Errorf("count a snapshot: %w", b.err)
		}
		var n int64
		if err := v.tx.QueryRowContext(ctx, b.String(), b.args...).Scan(&n); err != nil {
			return 0, fmt.Errorf("count a snapshot: %w", err)
		}
		total += n
	}
	return total, nil
}

// Deleted are the resources of the types that ended from the one instant and
// before the other, if that is not zero, and that have not come back.
func (v *View) Deleted(ctx context.Context, types []string, since, until time.Time) ([]Key, error) {
	var b statement
	b.add("SELECT DISTINCT v.type, v.id FROM resource_version v WHERE v.body = '' AND v.updated_at >= ", b.arg(instant(since)))
	if !until.IsZero() {
		b.add(" AND v.updated_at < ", b.arg(instant(until)))
	}
	b.add(" AND ")
	b.in("v.type", types)
	b.add(" AND NOT EXISTS (SELECT 1 FROM resource r WHERE r.type = v.type AND r.id = v.id) ORDER BY v.type, v.id")
	return collect(ctx, v.tx, "read what was deleted", into(scanKey), b.String(), b.args...)
}
