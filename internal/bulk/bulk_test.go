package bulk_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	mathrand "math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"candidacy/internal/bulk"
	"candidacy/internal/record"
)

var now = time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC)

func clock() time.Time { return now }

func open(t *testing.T, location string) *record.Store {
	t.Helper()
	store, err := record.Open(t.Context(), location, clock)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	return store
}

// onPostgres opens a store in a schema of its own.
func onPostgres(t *testing.T) *record.Store {
	t.Helper()
	dsn := os.Getenv("CANDIDACY_TEST_POSTGRES")
	if dsn == "" {
		const message = "CANDIDACY_TEST_POSTGRES is not set: not tested on PostgreSQL"
		if strings.Contains(os.Getenv("CANDIDACY_REQUIRE"), "postgres") {
			t.Fatal(message)
		}
		t.Skip(message)
	}
	db, err := sql.Open("pgx", dsn)
	if err != nil {
		t.Fatal(err)
	}
	name := "test_" + strings.ToLower(rand.Text())
	if _, err := db.ExecContext(t.Context(), "CREATE SCHEMA "+name); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_, err := db.ExecContext(context.Background(), "DROP SCHEMA "+name+" CASCADE")
		if err := errors.Join(err, db.Close()); err != nil {
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
	return open(t, u.String())
}

// onEach runs a test with each vault on each database that it is for.
func onEach(t *testing.T, test func(t *testing.T, store *record.Store, vault bulk.Vault)) {
	t.Run("folder", func(t *testing.T) {
		dir := t.TempDir()
		test(t, open(t, filepath.Join(dir, "records.db")), bulk.Folder(filepath.Join(dir, "exports")))
	})
	t.Run("sqlite", func(t *testing.T) {
		store := open(t, filepath.Join(t.TempDir(), "records.db"))
		test(t, store, bulk.Database{Store: store})
	})
	t.Run("postgres", func(t *testing.T) {
		store := onPostgres(t)
		test(t, store, bulk.Database{Store: store})
	})
}

func fill(t *testing.T, store *record.Store, n int) {
	t.Helper()
	chance := mathrand.New(mathrand.NewPCG(1, 2))
	var list []record.Resource
	for i := range n {
		typ := []string{"Patient", "Observation", "Observation", "Condition"}[i%4]
		id := fmt.Sprintf("%s-%d", strings.ToLower(typ), i)
		note := strings.Repeat(string(rune('a'+chance.IntN(26))), chance.IntN(300))
		body := fmt.Sprintf(`{"resourceType":%q,"id":%q,"text":"%x%s"}`, typ, id, chance.Uint64(), note)
		if i%10 == 0 {
			body = strings.Replace(body, ",", ",\n ", 1)
		}
		list = append(list, record.Resource{Type: typ, ID: id, Body: []byte(body)})
	}
	if err := store.PublishProgramme(t.Context(), list); err != nil {
		t.Fatal(err)
	}
}

var scans = []record.Scan{{Types: []string{"Patient"}}, {Types: []string{"Observation", "Condition"}, Most: true}}

// TestExportInChunks: whatever the sizes of chunks and files, each file is read
// from anywhere, plain and packed, and all of them hold every resource once.
func TestExportInChunks(t *testing.T) {
	onEach(t, func(t *testing.T, store *record.Store, vault bulk.Vault) {
		const resources = 400
		fill(t, store, resources)
		for _, sizes := range []bulk.Sizes{{Chunk: 1, File: 1}, {Chunk: 700, File: 5000}, {Chunk: 5000, File: 5000}, bulk.DefaultSizes} {
			policy := bulk.DefaultPolicy
			policy.Sizes = sizes
			r := &bulk.Runner{
				Store: store, Vault: vault, Policy: policy, Now: clock, Log: slog.New(slog.DiscardHandler),
				Plan: func(record.Export) (bulk.Plan, error) { return bulk.Plan{Scans: scans}, nil },
			}
			id, err := r.Start(t.Context(), record.Export{Spec: []byte("{}")})
			if err != nil {
				t.Fatal(err)
			}
			if did, err := r.Once(t.Context()); !did || err != nil {
				t.Fatal(did, err)
			}
			e, err := store.Export(t.Context(), id)
			if err != nil || e.State != record.ExportComplete || e.Done != resources {
				t.Fatalf("%+v %v", e, err)
			}
			files, err := store.ExportFiles(t.Context(), id)
			if err != nil {
				t.Fatal(err)
			}
			seen := map[string]bool{}
			for _, f := range files {
				plain := read(t, vault, e.Claim, f, false)
				packed := read(t, vault, e.Claim, f, true)
				zip, err := gzip.NewReader(bytes.NewReader(packed))
				if err != nil {
					t.Fatal(err)
				}
				if unpacked, err := io.ReadAll(zip); err != nil || !bytes.Equal(unpacked, plain) {
					t.Errorf("%s: packed and plain differ: %v", f.Name, err)
				}
				lines := bytes.Split(bytes.TrimSuffix(plain, []byte("\n")), []byte("\n"))
				if int64(len(lines)) != f.Resources {
					t.Errorf("%s has %d lines, not %d", f.Name, len(lines), f.Resources)
				}
				for _, line := range lines {
					seen[string(line)] = true
				}
				if size := int64(len(plain)); size > sizes.File+int64(sizes.Chunk)+2000 {
					t.Errorf("%s has %d bytes", f.Name, size)
				}
			}
			if len(seen) != resources {
				t.Errorf("%+v: %d resources in %d files", sizes, len(seen), len(files))
			}
			if err := r.Cancel(t.Context(), e); err != nil {
				t.Fatal(err)
			}
			content := bulk.Open(t.Context(), vault, e.Claim, files[0], false)
			if _, err := content.Read(make([]byte, 1)); !errors.Is(err, record.ErrNotFound) || !errors.Is(content.Err(), record.ErrNotFound) {
				t.Errorf("a file that is gone: %v", err)
			}
		}
		if claims, err := vault.Claims(t.Context()); err != nil || len(claims) > 0 {
			t.Errorf("claims %v %v", claims, err)
		}
	})
}

// read reads a file whole, checks that any part of it is the same, and returns it.
func read(t *testing.T, vault bulk.Vault, claim string, f record.ExportFile, packed bool) []byte {
	t.Helper()
	content := bulk.Open(t.Context(), vault, claim, f, packed)
	whole, err := io.ReadAll(content)
	if err != nil || int64(len(whole)) != content.Size() || content.Err() != nil {
		t.Fatalf("%s: %d bytes of %d: %v", f.Name, len(whole), content.Size(), err)
	}
	if len(f.Chunks) > 50 {
		return whole // iotest reads every byte by itself
	}
	// A test of the standard library for readers that seek.
	if err := iotest.TestReader(bulk.Open(t.Context(), vault, claim, f, packed), whole); err != nil {
		t.Errorf("%s: %v", f.Name, err)
	}
	return whole
}

// TestDamageIsNoticed: a chunk that is not what was written is not sent.
func TestDamageIsNoticed(t *testing.T) {
	dir := t.TempDir()
	store, vault := open(t, filepath.Join(dir, "records.db")), bulk.Folder(filepath.Join(dir, "exports"))
	fill(t, store, 100)
	r := &bulk.Runner{
		Store: store, Vault: vault, Policy: bulk.DefaultPolicy, Now: clock, Log: slog.New(slog.DiscardHandler),
		Plan: func(record.Export) (bulk.Plan, error) { return bulk.Plan{Scans: scans[:1]}, nil },
	}
	id, err := r.Start(t.Context(), record.Export{Spec: []byte("{}")})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.Once(t.Context()); err != nil {
		t.Fatal(err)
	}
	e, err := store.Export(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	files, err := store.ExportFiles(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(string(vault), e.Claim, "0.gz")
	kept, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	damaged := bytes.Clone(kept)
	damaged[len(damaged)/2] ^= 1
	for name, raw := range map[string][]byte{"changed": damaged, "cut": kept[:len(kept)-5], "empty": nil} {
		if err := os.WriteFile(path, raw, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := io.ReadAll(bulk.Open(t.Context(), vault, e.Claim, files[0], false)); err == nil {
			t.Errorf("%s: nothing was noticed", name)
		}
	}
}

func TestToFolderLeavesNothingHalf(t *testing.T) {
	dir := t.TempDir()
	store := open(t, filepath.Join(dir, "records.db"))
	fill(t, store, 2000)
	out := filepath.Join(dir, "out")
	ctx, cancel := context.WithCancel(t.Context())
	if _, err := bulk.ToFolder(ctx, store, scans, out, func(int64, int64) { cancel() }); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	for _, name := range []string{out, out + ".part"} {
		if _, err := os.Stat(name); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s is there: %v", name, err)
		}
	}
	var told []int64
	if err := os.Mkdir(out, 0o755); err != nil { // an empty folder may be there
		t.Fatal(err)
	}
	c, err := bulk.ToFolder(t.Context(), store, scans, out, func(done, total int64) { told = append(told, done, total) })
	if err != nil || len(c.Output) != 3 || !c.TransactionTime.Equal(now) {
		t.Fatalf("%+v %v", c, err)
	}
	if n := len(told); n < 4 || told[n-2] != 2000 || told[n-1] != 2000 {
		t.Errorf("told %v", told)
	}
}
