// Package record is the append-only truth: every acknowledged command is an
// entry in a hash chain of its candidate, written in one transaction with the
// projections that lists, pages and the FHIR endpoint read.
//
// It runs on SQLite and PostgreSQL with the same SQL. It decides nothing about
// the process or about results; callers hand it drafts.
package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
	_ "github.com/jackc/pgx/v5/stdlib" // the PostgreSQL driver
	"github.com/pressly/goose/v3"
	_ "modernc.org/sqlite" // the SQLite driver, the same one the engine uses
)

// ErrNotFound says that there is no such row.
var ErrNotFound = errors.New("not found")

// Store is the record store. It is safe for concurrent use.
type Store struct {
	write *sql.DB
	read  *sql.DB
	// kept are the prepared reads of published resources and of tokens, and writes
	// the prepared statements of commits.
	kept   *statements
	writes *statements
	now    func() time.Time
	// access writes the access log.
	access accessWriter
	// watched is whether anybody has subscribed, as far as this process knows. Only
	// on SQLite, where no other process adds a subscription, is it trusted.
	watched atomic.Int32
}

// The values of Store.watched.
const (
	watchedUnknown int32 = iota
	watchedByNobody
	watchedBySomebody
)

// Open opens the store, creating and migrating it as needed. The location is a
// file path for SQLite or a postgres:// URL. Now stamps when things were
// recorded.
func Open(ctx context.Context, location string, now func() time.Time) (*Store, error) {
	s, err := open(ctx, location, now)
	if err != nil {
		return nil, err
	}
	if err := s.beginAccountChains(ctx); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

func open(ctx context.Context, location string, now func() time.Time) (*Store, error) {
	if strings.HasPrefix(location, "postgres://") || strings.HasPrefix(location, "postgresql://") {
		return openPostgres(ctx, location, now)
	}
	return openSQLite(ctx, location, now)
}

func openSQLite(ctx context.Context, path string, now func() time.Time) (*Store, error) {
	dsn := func(pragmas ...string) string {
		query := url.Values{"_txlock": {"immediate"}}
		// The busy timeout comes first, so that the others wait for a lock too.
		for _, p := range append([]string{"busy_timeout(10000)", "journal_mode(wal)", "synchronous(full)", "foreign_keys(1)"}, pragmas...) {
			query.Add("_pragma", p)
		}
		return "file:" + (&url.URL{Path: path}).EscapedPath() + "?" + query.Encode()
	}
	// A command writes a little on many pages: they stay at hand, and go to the file
	// once for many commands.
	write, err := sql.Open("sqlite", dsn("cache_size(-16384)", "wal_autocheckpoint(4000)"))
	if err != nil {
		return nil, fmt.Errorf("open the record store: %w", err)
	}
	write.SetMaxOpenConns(1)
	if err := migrate(ctx, write, goose.DialectSQLite3); err != nil {
		return nil, errors.Join(err, write.Close())
	}
	// A reader keeps pages at hand: an EHR reads far more than anybody writes.
	read, err := sql.Open("sqlite", dsn("query_only(1)", "cache_size(-16384)", "mmap_size(268435456)"))
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open the record store for reading: %w", err), write.Close())
	}
	read.SetMaxOpenConns(8)
	read.SetMaxIdleConns(8)
	return &Store{write: write, read: read, kept: newStatements(read, true), writes: newStatements(write, true), now: now}, nil
}

func openPostgres(ctx context.Context, dsn string, now func() time.Time) (*Store, error) {
	db, err := sql.Open("pgx", dsn)
	if err != nil {
		return nil, fmt.Errorf("open the record store: %w", err)
	}
	db.SetMaxOpenConns(16)
	db.SetMaxIdleConns(16)
	if err := migrate(ctx, db, goose.DialectPostgres); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return &Store{write: db, read: db, kept: newStatements(db, false), writes: newStatements(db, false), now: now}, nil
}

// Close closes the store.
func (s *Store) Close() error {
	s.kept.close()
	s.access.close()
	s.writes.close()
	err := s.write.Close()
	if s.read != s.write {
		err = errors.Join(err, s.read.Close())
	}
	return err
}

// Ping reports whether the store answers.
func (s *Store) Ping(ctx context.Context) error {
	var one int
	if err := s.read.QueryRowContext(ctx, "SELECT 1").Scan(&one); err != nil {
		return fmt.Errorf("the record store does not answer: %w", err)
	}
	return nil
}

// instantLayout has fixed digits, so that text order is time order.
const instantLayout = "2006-01-02T15:04:05.000000Z"

func instant(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(instantLayout)
}

func parseInstant(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(instantLayout, text)
	if err != nil {
		return time.Time{}, fmt.Errorf("%w: %w", errMalformed, err)
	}
	return t, nil
}

var errMalformed = errors.New("a stored instant is malformed")

// postgres reports whether the store is on PostgreSQL, which needs no second
// pool for readers.
func (s *Store) postgres() bool { return s.read == s.write }

// Shared reports whether other processes may work on the store at the same time.
func (s *Store) Shared() bool { return s.postgres() }

// lock makes the transaction the only writer of a candidate until it ends. On
// SQLite a writing transaction is the only one anyway; on PostgreSQL many
// writers would otherwise meet at the unique key and lose, again and again. It
// also shares the lock of those who publish, which a View takes alone.
func (s *Store) lock(ctx context.Context, tx executor, candidate string) error {
	if !s.postgres() {
		return nil
	}
	if _, err := tx.ExecContext(ctx, "SELECT pg_advisory_xact_lock(hashtextextended($1, 0)), pg_advisory_xact_lock_shared($2)", candidate, publishing); err != nil {
		return fmt.Errorf("wait for the candidate: %w", err)
	}
	return nil
}

// inTx runs fn in one writing transaction. A clash with another writer, which
// only PostgreSQL can have, runs it again.
func (s *Store) inTx(ctx context.Context, fn func(*sql.Tx) error) error {
	const attempts = 10
	for attempt := 1; ; attempt++ {
		err := s.tryTx(ctx, fn)
		if err == nil || !clash(err) || attempt == attempts {
			return err
		}
	}
}

func (s *Store) tryTx(ctx context.Context, fn func(*sql.Tx) error) error {
	tx, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	// A panic must not keep the connection: on SQLite it is the only writer.
	panicked := true
	defer func() {
		if panicked {
			_ = tx.Rollback()
		}
	}()
	err = fn(tx)
	panicked = false
	if err != nil {
		return errors.Join(err, tx.Rollback())
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	return nil
}

// clash reports a PostgreSQL unique violation, serialization failure or
// deadlock: another writer was there first.
func clash(err error) bool {
	var pg *pgconn.PgError
	if !errors.As(err, &pg) {
		return false
	}
	return pg.Code == "23505" || pg.Code == "40001" || pg.Code == "40P01"
}

// Setting reads a stored setting; the empty string when there is none.
func (s *Store) Setting(ctx context.Context, name string) (string, error) {
	var value string
	err := s.read.QueryRowContext(ctx, "SELECT value FROM setting WHERE name = $1", name).Scan(&value)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("read setting %s: %w", name, err)
	}
	return value, nil
}

// SetSetting stores a setting.
func (s *Store) SetSetting(ctx context.Context, name, value string) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO setting (name, value) VALUES ($1, $2)
			ON CONFLICT (name) DO UPDATE SET value = excluded.value`, name, value)
		if err != nil {
			return fmt.Errorf("store setting %s: %w", name, err)
		}
		return nil
	})
}

// Snapshot copies a SQLite store to a new file while it is in use.
func (s *Store) Snapshot(ctx context.Context, path string) error {
	if s.postgres() {
		return errors.New("back up PostgreSQL with its own tools")
	}
	if _, err := s.write.ExecContext(ctx, "VACUUM INTO $1", path); err != nil {
		return fmt.Errorf("copy the record store: %w", err)
	}
	return nil
}
