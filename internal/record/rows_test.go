package record

import (
	"context"
	"database/sql"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// one opens a database with one connection: a query that is not ended keeps it, and the
// next one waits for ever.
func one(t *testing.T) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(t.TempDir(), "rows.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	db.SetMaxOpenConns(1)
	return db
}

// free fails the test where the only connection is not to be had.
func free(t *testing.T, db *sql.DB) {
	t.Helper()
	if n := db.Stats().InUse; n != 0 {
		t.Fatalf("%d connections are in use after the rows were read", n)
	}
}

const letters3 = "SELECT column1 FROM (VALUES ('a'), ('b'), ('c'))"

func TestRowsAreReadInOrderAndTheQueryEnds(t *testing.T) {
	db := one(t)
	list, err := texts(t.Context(), db, "read letters", letters3)
	if want := []string{"a", "b", "c"}; err != nil || !slices.Equal(list, want) {
		t.Errorf("got %q, %v", list, err)
	}
	free(t, db)
	set, err := textSet(t.Context(), db, "read letters", letters3)
	if err != nil || len(set) != 3 || !set["a"] || !set["b"] || !set["c"] {
		t.Errorf("the set is %v, %v", set, err)
	}
	free(t, db)
	by, err := pairs[string, int](t.Context(), db, "count letters", "SELECT column1, column2 FROM (VALUES ('a', 1), ('b', 2))")
	if err != nil || len(by) != 2 || by["a"] != 1 || by["b"] != 2 {
		t.Errorf("the pairs are %v, %v", by, err)
	}
	free(t, db)
	for text, err := range each(t.Context(), db, "read letters", into(scanText), letters3) {
		if err != nil {
			t.Fatal(err)
		}
		if text == "b" {
			break
		}
	}
	free(t, db)
	func() {
		defer func() { _ = recover() }()
		for range each(t.Context(), db, "read letters", into(scanText), letters3) {
			panic("in the middle")
		}
	}()
	free(t, db)
}

func TestNoRows(t *testing.T) {
	db := one(t)
	const none = "SELECT 'a', 'b' WHERE 1 = 0"
	list, err := texts(t.Context(), db, "read", none)
	if err != nil || list != nil {
		t.Errorf("the list is %#v, %v", list, err)
	}
	set, err := textSet(t.Context(), db, "read", none)
	if err != nil || set == nil || len(set) != 0 {
		t.Errorf("the set is %#v, %v", set, err)
	}
	by, err := pairs[string, string](t.Context(), db, "read", none)
	if err != nil || by == nil || len(by) != 0 {
		t.Errorf("the pairs are %#v, %v", by, err)
	}
	free(t, db)
}

// TestRowsThatFail: whatever fails, at whatever time, comes out as one error that says
// what was read, and no half of a list beside it.
func TestRowsThatFail(t *testing.T) {
	db := one(t)
	cancelled, cancel := context.WithCancel(t.Context())
	cancel()
	unread := errors.New("no letter")
	scan := func(row scanner) (string, error) {
		text, err := into(scanText)(row)
		if text == "b" {
			err = unread
		}
		return text, err
	}
	for _, c := range []struct {
		name  string
		ctx   context.Context
		query string
		wants error
		text  string
		seen  int // rows that are given before the error
	}{
		{"the query", t.Context(), "SELECT letter FROM nowhere", nil, "no such table", 0},
		{"the context", cancelled, letters3, context.Canceled, "", 0},
		{"a scan of ours", t.Context(), letters3, unread, "", 1},
		{"a scan", t.Context(), "SELECT column1 FROM (VALUES ('a'), (NULL))", nil, "converting NULL", 1},
		// SQLite meets the second text when it is asked for the second row.
		{"a later row", t.Context(), "SELECT json(column1) FROM (VALUES ('[]'), ('['))", nil, "malformed JSON", 1},
	} {
		list, err := collect(c.ctx, db, "read letters", scan, c.query)
		if list != nil || err == nil || !strings.HasPrefix(err.Error(), "read letters: ") || !strings.Contains(err.Error(), c.text) ||
			c.wants != nil && !errors.Is(err, c.wants) {
			t.Errorf("%s: %q, %v", c.name, list, err)
		}
		free(t, db)
		seen, failures := 0, 0
		for _, err := range each(c.ctx, db, "read letters", scan, c.query) {
			if err != nil {
				failures++
				continue
			}
			seen++
		}
		if seen != c.seen || failures != 1 {
			t.Errorf("%s: %d rows and %d errors", c.name, seen, failures)
		}
		free(t, db)
	}
	const half = "SELECT column1, column1 FROM (VALUES ('a'), (NULL))"
	if by, err := pairs[string, string](t.Context(), db, "read letters", half); by != nil || err == nil {
		t.Errorf("the pairs are %v, %v", by, err)
	}
	if set, err := textSet(t.Context(), db, "read letters", "SELECT column1 FROM (VALUES ('a'), (NULL))"); set != nil || err == nil {
		t.Errorf("the set is %v, %v", set, err)
	}
	// What was read of the row stands beside the error.
	for text, err := range each(t.Context(), db, "read letters", scan, "SELECT 'b'") {
		if text != "b" || !errors.Is(err, unread) {
			t.Errorf("%q, %v", text, err)
		}
	}
}

func TestMoment(t *testing.T) {
	db := one(t)
	want := time.Date(2026, 2, 3, 4, 5, 6, 789000, time.UTC)
	read := func(query string, args ...any) (at time.Time, err error) {
		err = db.QueryRowContext(t.Context(), query, args...).Scan(moment{&at})
		return at, err
	}
	if at, err := read("SELECT $1", instant(want)); err != nil || !at.Equal(want) {
		t.Errorf("%v, %v", at, err)
	}
	if at, err := read("SELECT CAST($1 AS BLOB)", instant(want)); err != nil || !at.Equal(want) {
		t.Errorf("as bytes: %v, %v", at, err)
	}
	if at, err := read("SELECT ''"); err != nil || !at.IsZero() {
		t.Errorf("the empty text: %v, %v", at, err)
	}
	for _, query := range []string{"SELECT 'yesterday'", "SELECT NULL", "SELECT 7"} {
		if at, err := read(query); !errors.Is(err, errMalformed) || !at.IsZero() {
			t.Errorf("%s: %v, %v", query, at, err)
		}
	}
}
