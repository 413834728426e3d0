package record_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"candidacy/internal/record"
)

func TestExports(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		start := func(client string) string {
			t.Helper()
			id, err := b.CreateExport(ctx, record.Export{Client: client, Request: "https://x/fhir/$export", Spec: json.RawMessage(`{"level":"system"}`)}, 2)
			if err != nil {
				t.Fatal(err)
			}
			return id
		}
		get := func(id string) record.Export {
			t.Helper()
			e, err := b.Export(ctx, id)
			if err != nil {
				t.Fatal(err)
			}
			return e
		}
		wrong := func(err, want error) {
			t.Helper()
			if !errors.Is(err, want) {
				t.Errorf("got %v, want %v", err, want)
			}
		}
		first := start("a")
		b.clock.advance(time.Second)
		second := start("a")
		if _, err := b.CreateExport(ctx, record.Export{Client: "a"}, 2); !errors.Is(err, record.ErrTooMany) {
			t.Error(err)
		}
		b.clock.advance(time.Second)
		start("b")
		if e := get(first); first == second || e.State != record.ExportQueued || e.Client != "a" || string(e.Spec) != `{"level":"system"}` || !e.CreatedAt.Equal(b.clock.now().Add(-2*time.Second)) {
			t.Errorf("%+v", e)
		}
		_, err := b.Export(ctx, "none")
		wrong(err, record.ErrNotFound)

		e, err := b.ClaimExport(ctx, "c1", b.clock.now().Add(time.Minute))
		if err != nil || e.ID != first || e.State != record.ExportRunning || e.Attempts != 1 || e.Claim != "c1" {
			t.Fatalf("%+v %v", e, err)
		}
		if e, err := b.ClaimExport(ctx, "c2", b.clock.now().Add(time.Minute)); err != nil || e.ID != second {
			t.Fatalf("%+v %v", e, err)
		}
		b.clock.advance(30 * time.Second)
		if err := b.KeepExport(ctx, "c1", b.clock.now().Add(time.Minute), 7, 10); err != nil {
			t.Fatal(err)
		}
		b.clock.advance(30 * time.Second)
		// The second was left alone for too long, and the third never begun.
		if e, err := b.ClaimExport(ctx, "c3", b.clock.now().Add(time.Minute)); err != nil || e.ID != second || e.Attempts != 2 {
			t.Fatalf("%+v %v", e, err)
		}
		wrong(b.KeepExport(ctx, "c2", b.clock.now().Add(time.Minute), 1, 1), record.ErrNotFound)
		wrong(b.FailExport(ctx, "c2", "x", b.clock.now()), record.ErrNotFound)
		if e := get(first); e.Done != 7 || e.Total != 10 {
			t.Errorf("%+v", e)
		}
		files := []record.ExportFile{
			{Name: "Patient.1.ndjson", Section: "output", Type: "Patient", Resources: 3, Chunks: []record.ExportChunk{{100, 10}, {50, 5}}},
			{Name: "Observation.1.ndjson", Position: 1, Section: "output", Type: "Observation", Resources: 1, Chunks: []record.ExportChunk{{9, 2}}},
		}
		done := get(first)
		done.TakenAt, done.ExpiresAt, done.Done = b.clock.now(), b.clock.now().Add(time.Hour), 4
		none, err := b.ExportFiles(ctx, first)
		if err != nil || len(none) > 0 {
			t.Error(none, err)
		}
		if err := b.FinishExport(ctx, done, files); err != nil {
			t.Fatal(err)
		}
		wrong(b.FinishExport(ctx, done, files), record.ErrNotFound)
		if got, err := b.ExportFiles(ctx, first); err != nil || !reflect.DeepEqual(got, files) {
			t.Errorf("%+v %v", got, err)
		}
		if got, err := b.ExportFile(ctx, first, "Observation.1.ndjson"); err != nil || !reflect.DeepEqual(got, files[1]) {
			t.Errorf("%+v %v", got, err)
		}
		_, err = b.ExportFile(ctx, second, "Observation.1.ndjson")
		wrong(err, record.ErrNotFound)
		if e := get(first); e.State != record.ExportComplete || e.Done != 4 || !e.ExpiresAt.Equal(done.ExpiresAt) || !e.TakenAt.Equal(done.TakenAt) || !e.FinishedAt.Equal(b.clock.now()) {
			t.Errorf("%+v", e)
		}

		for i := range 3 {
			if err := b.PutChunk(ctx, "c1", 0, i, []byte{byte(i), 0xff, 0}); err != nil {
				t.Fatal(err)
			}
		}
		if err := b.PutChunk(ctx, "c0", 0, 0, []byte("x")); err != nil {
			t.Fatal(err)
		}
		if data, err := b.Chunk(ctx, "c1", 0, 2); err != nil || !bytes.Equal(data, []byte{2, 0xff, 0}) {
			t.Errorf("%v %v", data, err)
		}
		claims, err := b.ChunkClaims(ctx)
		if slices.Sort(claims); err != nil || !slices.Equal(claims, []string{"c0", "c1"}) {
			t.Errorf("%v %v", claims, err)
		}
		if needed, err := b.ExportClaims(ctx); err != nil || !reflect.DeepEqual(needed, map[string]bool{"c1": true, "c3": true}) {
			t.Errorf("%v %v", needed, err)
		}
		if err := b.DropChunks(ctx, "c1"); err != nil {
			t.Fatal(err)
		}
		_, err = b.Chunk(ctx, "c1", 0, 2)
		wrong(err, record.ErrNotFound)

		// A release that is nobody's fault does not count, another does.
		if err := b.ReleaseExport(ctx, "c3", "", false); err != nil || get(second).Attempts != 1 {
			t.Error(err, get(second).Attempts)
		}
		if e, err := b.ClaimExport(ctx, "c4", b.clock.now().Add(time.Minute)); err != nil || e.ID != second {
			t.Fatal(e, err)
		}
		if err := b.ReleaseExport(ctx, "c4", "store", true); err != nil || get(second).Attempts != 2 || get(second).Error != "store" {
			t.Error(err, get(second))
		}
		if e, err := b.ClaimExport(ctx, "c5", b.clock.now().Add(time.Minute)); err != nil || e.ID != second {
			t.Fatal(e, err)
		}
		if err := b.ReleaseExports(ctx); err != nil {
			t.Fatal(err)
		}
		if e, err := b.ClaimExport(ctx, "c6", b.clock.now().Add(time.Minute)); err != nil || e.ID != second {
			t.Fatal(e, err)
		}
		if err := b.FailExport(ctx, "c6", "interrupted", b.clock.now().Add(time.Minute)); err != nil || get(second).State != record.ExportFailed {
			t.Error(err, get(second))
		}
		b.clock.advance(time.Minute)
		if err := b.ExpireExports(ctx); err != nil || get(second).State != record.ExportExpired || get(first).State != record.ExportComplete {
			t.Error(err, get(first), get(second))
		}
		if err := b.CancelExport(ctx, first); err != nil || get(first).State != record.ExportCancelled {
			t.Error(err, get(first))
		}
		wrong(b.CancelExport(ctx, first), record.ErrNotFound)
		wrong(b.CancelExport(ctx, second), record.ErrNotFound)
		if list, err := b.Exports(ctx, 2); err != nil || len(list) != 2 {
			t.Errorf("%v %v", list, err)
		}
	})
}

// TestAnExportIsClaimedOnce: by however many processes that ask at once.
func TestAnExportIsClaimedOnce(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		const jobs = 5
		for range jobs {
			if _, err := b.CreateExport(t.Context(), record.Export{Client: "a", Spec: json.RawMessage("{}")}, jobs); err != nil {
				t.Fatal(err)
			}
		}
		other := open(t, b.location, b.clock)
		var mu sync.Mutex
		taken := map[string]int{}
		var group sync.WaitGroup
		for i := range 4 {
			store := []*record.Store{b.Store, other}[i%2]
			group.Go(func() {
				for n := 0; ; n++ {
					e, err := store.ClaimExport(t.Context(), fmt.Sprintf("claim-%d-%d", i, n), b.clock.now().Add(time.Minute))
					if errors.Is(err, record.ErrNotFound) {
						return
					}
					if err != nil {
						t.Error(err)
						return
					}
					mu.Lock()
					taken[e.ID]++
					mu.Unlock()
				}
			})
		}
		group.Wait()
		// On PostgreSQL a claim that meets another finds nothing, and asks again
		// later.
		for {
			e, err := b.ClaimExport(t.Context(), "last", b.clock.now().Add(time.Minute))
			if errors.Is(err, record.ErrNotFound) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			taken[e.ID]++
		}
		if len(taken) != jobs {
			t.Errorf("%d of %d exports were claimed", len(taken), jobs)
		}
		for id, n := range taken {
			if n != 1 {
				t.Errorf("%s was claimed %d times", id, n)
			}
		}
	})
}
