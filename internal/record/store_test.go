package record_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

func TestProtocolsAreKept(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		for range 2 {
			if err := b.KeepProtocol(ctx, "2", "digest of two", "text of two"); err != nil {
				t.Fatal(err)
			}
		}
		if err := b.KeepProtocol(ctx, "2", "digest of another", "another text"); err == nil || !strings.Contains(err.Error(), "give the changed protocol a new version") {
			t.Errorf("a changed text is answered %v", err)
		}
		if source, err := b.Protocol(ctx, "2"); err != nil || source != "text of two" {
			t.Errorf("kept is %q, %v", source, err)
		}
		if _, err := b.Protocol(ctx, "3"); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("an unknown version is answered %v", err)
		}
		// A candidate can't stand on a protocol that is not kept.
		if _, err := b.give("cand-a", "refer", journey.Refer, func(d *record.Draft) { d.Refer.Protocol = "3" }); err == nil {
			t.Error("a candidate is pinned to a protocol that is not there")
		}
	})
}

func TestSettings(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		if v, err := b.Setting(t.Context(), "x"); v != "" || err != nil {
			t.Errorf("unset is %q, %v", v, err)
		}
		for _, want := range []string{"one", "two", ""} {
			if err := b.SetSetting(t.Context(), "x", want); err != nil {
				t.Fatal(err)
			}
			if v, err := b.Setting(t.Context(), "x"); v != want || err != nil {
				t.Errorf("set is %q, %v, want %q", v, err, want)
			}
		}
	})
}

// TestOpenedAgain: what was written is there, migrations that ran do not run
// again, and the chain goes on.
func TestOpenedAgain(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.refer(t, "cand-a", 3)
		before, err := b.Verify(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		again := *b
		again.Store = open(t, b.location, b.clock)
		if after, err := again.Verify(t.Context()); err != nil || after != before {
			t.Errorf("opened again: %+v, %v, want %+v", after, err, before)
		}
		again.mustGive(t, "cand-a", "one more", journey.RecordResults, nil)
		// Both see one store.
		if v, err := b.Verify(t.Context()); err != nil || v.Entries != 4 {
			t.Errorf("%+v, %v", v, err)
		}
		var n int
		if err := b.raw(t).QueryRowContext(t.Context(), "SELECT COUNT(DISTINCT version_id) - COUNT(*) FROM goose_db_version").Scan(&n); err != nil || n != 0 {
			t.Errorf("a migration ran twice: %d, %v", n, err)
		}
	})
}

// TestTwoProcessesStartAtOnce on a PostgreSQL schema that is empty.
func TestTwoProcessesStartAtOnce(t *testing.T) {
	dsn := schema(t, postgresDSN(t))
	var wait sync.WaitGroup
	for range 4 {
		wait.Go(func() {
			s, err := record.Open(t.Context(), dsn, newClock().now)
			if err != nil {
				t.Error(err)
				return
			}
			if err := s.Close(); err != nil {
				t.Error(err)
			}
		})
	}
	wait.Wait()
}

func TestSnapshot(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.refer(t, "cand-a", 3)
		path := filepath.Join(t.TempDir(), "it's a copy, 100%.db")
		err := b.Snapshot(t.Context(), path)
		if b.postgres {
			if err == nil || !strings.Contains(err.Error(), "its own tools") {
				t.Errorf("PostgreSQL is copied with %v", err)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		want, err := b.Verify(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		// The copy is of its moment.
		b.mustGive(t, "cand-a", "later", journey.RecordResults, nil)
		copied := open(t, path, b.clock)
		if got, err := copied.Verify(t.Context()); err != nil || got != want {
			t.Errorf("the copy verifies %+v, %v, want %+v", got, err, want)
		}
		if err := b.Snapshot(t.Context(), path); err == nil {
			t.Error("a file that is there is written over")
		}
		if info, err := os.Stat(path); err != nil || info.Size() == 0 {
			t.Errorf("the copy is %v, %v", info, err)
		}
	})
}

func TestPlacesThatCannotBeOpened(t *testing.T) {
	dir := t.TempDir()
	text := filepath.Join(dir, "notes.txt")
	if err := os.WriteFile(text, []byte(strings.Repeat("this is no database ", 100)), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, location := range []string{
		filepath.Join(dir, "no", "such", "folder", "records.db"), text,
		"postgres://nobody@127.0.0.1:1/none?connect_timeout=1", "postgresql://%zz",
	} {
		if s, err := record.Open(t.Context(), location, newClock().now); err == nil {
			t.Errorf("%s was opened", location)
			_ = s.Close()
		}
	}
	// Signs that mean something in a URL are only letters in a file's name.
	odd := filepath.Join(dir, "a #1 & b? 100%.db")
	open(t, odd, newClock())
	if _, err := os.Stat(odd); err != nil {
		t.Errorf("the file has another name: %v", err)
	}
}
