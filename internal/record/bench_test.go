package record_test

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// bench is a store of its own with a clock that only the test moves.
type bench struct {
	*record.Store
	location string
	postgres bool
	clock    *clock
}

type clock struct{ at atomic.Pointer[time.Time] }

func newClock() *clock {
	c := &clock{}
	at := time.Date(2026, 3, 2, 8, 30, 0, 123_456_000, time.UTC)
	c.at.Store(&at)
	return c
}

func (c *clock) now() time.Time { return *c.at.Load() }

func (c *clock) advance(d time.Duration) {
	at := c.now().Add(d)
	c.at.Store(&at)
}

// postgresDSN is where the tests may make schemas, empty when nowhere.
func postgresDSN(t *testing.T) string {
	t.Helper()
	dsn := os.Getenv("CANDIDACY_TEST_POSTGRES")
	if dsn == "" {
		const message = "CANDIDACY_TEST_POSTGRES is not set: not tested on PostgreSQL"
		if strings.Contains(os.Getenv("CANDIDACY_REQUIRE"), "postgres") {
			t.Fatal(message)
		}
		t.Skip(message)
	}
	return dsn
}

// schema makes an empty schema and returns the DSN that works in it alone.
func schema(t *testing.T, dsn string) string {
	t.Helper()
	db, err := sql.Open("pgx", dsn)
	if err != nil {
		t.Fatal(err)
	}
	name := "test_" + strings.ToLower(rand.Text())
	if _, err := db.ExecContext(t.Context(), "CREATE SCHEMA "+name); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		// The test's own context is over by now.
		if _, err := db.ExecContext(context.Background(), "DROP SCHEMA "+name+" CASCADE"); err != nil {
			t.Error(err)
		}
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	u, err := url.Parse(dsn)
	if err != nil {
		t.Fatal(err)
	}
	q := u.Query()
	q.Set("options", "-c search_path="+name)
	u.RawQuery = strings.ReplaceAll(q.Encode(), "+", "%20")
	return u.String()
}

// open opens the store at a location and closes it with the test.
func open(t *testing.T, location string, c *clock) *record.Store {
	t.Helper()
	s, err := record.Open(t.Context(), location, c.now)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// onEach runs a test on a fresh store of each kind.
func onEach(t *testing.T, test func(t *testing.T, b *bench)) {
	t.Helper()
	run := func(t *testing.T, location string, postgres bool) {
		b := &bench{location: location, postgres: postgres, clock: newClock()}
		b.Store = open(t, location, b.clock)
		if err := b.KeepProtocol(t.Context(), "1", "digest", "source"); err != nil {
			t.Fatal(err)
		}
		test(t, b)
	}
	t.Run("sqlite", func(t *testing.T) { run(t, filepath.Join(t.TempDir(), "records.db"), false) })
	t.Run("postgres", func(t *testing.T) { run(t, schema(t, postgresDSN(t)), true) })
}

// raw is a second connection that knows nothing of the store's rules.
func (b *bench) raw(t *testing.T) *sql.DB {
	t.Helper()
	driver, dsn := "sqlite", "file:"+b.location+"?_pragma=busy_timeout(10000)"
	if b.postgres {
		driver, dsn = "pgx", b.location
	}
	db, err := sql.Open(driver, dsn)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	return db
}

// tamper drops the triggers and changes rows behind the store's back.
func (b *bench) tamper(t *testing.T, statements ...string) {
	t.Helper()
	db := b.raw(t)
	triggers := []string{"DROP TRIGGER entry_no_update", "DROP TRIGGER entry_no_delete"}
	if b.postgres {
		triggers = []string{"DROP TRIGGER entry_append_only ON entry"}
	}
	for _, s := range append(triggers, statements...) {
		if _, err := db.ExecContext(t.Context(), s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
}

func rules() journey.Rules {
	return journey.Rules{Version: "1", Requirements: []journey.RequirementRule{
		{ID: "creatinine", Gate: journey.ForCommittee, Evidence: journey.ByResult, Signer: journey.Clinician, ValidDays: 183},
	}, Timers: journey.Timers{FirstReplyDays: 3, ScreeningDays: 14, HoldDays: 90}}
}

func identifier(value string) result.Identifier {
	return result.Identifier{System: "urn:oid:1.2.3", Value: value}
}

// draft makes what the activity makes: the event, the state that follows and
// the next deadline.
func draft(tx *record.Tx, candidate, command string, kind journey.Kind) (record.Draft, error) {
	state, err := tx.State()
	if err != nil {
		return record.Draft{}, err
	}
	e := journey.Event{Seq: state.Seq + 1, Command: journey.Command{
		ID: command, Candidate: candidate, Kind: kind, Actor: "acc-1", Role: journey.Coordinator,
		At: time.Date(2026, 3, 2, 9, 0, int(state.Seq), 0, time.UTC), Today: "2026-03-02",
	}}
	next := journey.Apply(rules(), state, e)
	d := record.Draft{
		Event: e, Body: json.RawMessage(`{"note":"` + command + `"}`), CommandHash: "hash of " + command,
		State: next, Next: journey.NextDue(rules(), next, time.UTC), Flags: json.RawMessage(`[{"id":"bmi"}]`),
	}
	if kind == journey.Refer {
		d.Refer = &record.Referral{Protocol: "1", Path: "direct", Recipient: "R-1", Identity: record.Identity{
			Given: "Quillon", Family: "Zephyrwick", BirthDate: "1981-03-14", Sex: "female", Identifier: identifier(candidate),
		}}
	}
	return d, nil
}

// give appends a command whose draft may be changed first.
func (b *bench) give(candidate, command string, kind journey.Kind, change func(*record.Draft)) (journey.Event, error) {
	return b.Append(context.Background(), candidate, command, func(tx *record.Tx) (record.Draft, error) {
		d, err := draft(tx, candidate, command, kind)
		if err == nil && change != nil {
			change(&d)
		}
		return d, err
	})
}

func (b *bench) mustGive(t *testing.T, candidate, command string, kind journey.Kind, change func(*record.Draft)) journey.Event {
	t.Helper()
	e, err := b.give(candidate, command, kind, change)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// refer begins a candidate and adds further entries.
func (b *bench) refer(t *testing.T, candidate string, entries int) {
	t.Helper()
	b.mustGive(t, candidate, "refer", journey.Refer, nil)
	for i := 1; i < entries; i++ {
		b.mustGive(t, candidate, fmt.Sprintf("command-%d", i), journey.RecordResults, nil)
	}
}

func encode(t *testing.T, v any) string {
	t.Helper()
	raw, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}
