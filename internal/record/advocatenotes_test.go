package record_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// TestAdvocateNotes: an author reads their own notes while they are the advocate, and a
// successor those that were handed over to them.
func TestAdvocateNotes(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.refer(t, "cand-a", 1)
		b.refer(t, "cand-b", 1)
		assigned := 0
		assign := func(candidate, advocate string) {
			t.Helper()
			assigned++
			b.mustGive(t, candidate, fmt.Sprint("assign ", assigned), journey.AssignAdvocate, func(d *record.Draft) { d.State.Advocate = advocate })
		}
		write := func(candidate, author, key string, corrects int64) (int64, error) {
			return b.AddAdvocateNote(ctx, record.AdvocateNote{
				Candidate: candidate, Key: key, Author: author, Contact: "call", On: "2026-03-02", Sealed: "sealed " + key, Corrects: corrects,
			})
		}
		mustWrite := func(candidate, author, key string, corrects, want int64) {
			t.Helper()
			if n, err := write(candidate, author, key, corrects); err != nil || n != want {
				t.Fatalf("note %s is %d: %v", key, n, err)
			}
		}
		reads := func(candidate, reader string, want ...int64) {
			t.Helper()
			list, err := b.AdvocateNotes(ctx, candidate, reader)
			if err != nil {
				t.Fatal(err)
			}
			var got []int64
			for _, n := range list {
				got = append(got, n.Seq)
			}
			if !slices.Equal(got, want) {
				t.Errorf("%s reads %v of %s, want %v", reader, got, candidate, want)
			}
		}
		handOver := func(author, successor string) {
			t.Helper()
			if err := b.HandOverNotes(ctx, "cand-a", author, successor); err != nil {
				t.Fatal(err)
			}
		}
		assign("cand-a", "adva")
		assign("cand-b", "adva")
		mustWrite("cand-a", "adva", "one", 0, 1)
		mustWrite("cand-a", "adva", "two", 1, 2)
		mustWrite("cand-a", "adva", "two", 1, 2) // sent twice
		mustWrite("cand-b", "adva", "one", 0, 1) // another candidate's
		for _, wrong := range []struct {
			author, key string
			corrects    int64
		}{{"adva", "three", 3}, {"adil", "three", 1}, {"adil", "one", 0}} {
			if _, err := write("cand-a", wrong.author, wrong.key, wrong.corrects); !errors.Is(err, record.ErrNoNote) {
				t.Errorf("%+v is taken: %v", wrong, err)
			}
		}
		reads("cand-a", "adva", 2, 1)
		reads("cand-a", "adil")
		list, err := b.AdvocateNotes(ctx, "cand-a", "adva")
		if n := list[0]; err != nil || n.Sealed != "sealed two" || n.Key != "two" || n.Corrects != 1 || n.Contact != "call" || n.On != "2026-03-02" || n.At.IsZero() || n.Author != "adva" {
			t.Errorf("read back as %+v: %v", n, err)
		}
		met, err := b.AdvocateContacts(ctx, "adva")
		if err != nil || len(met) != 2 || met["cand-a"] != "2026-03-02" {
			t.Errorf("met on %v: %v", met, err)
		}

		// Whom it is handed over to reads it once they are the advocate, and only what
		// was written by then.
		handOver("adva", "adil")
		mustWrite("cand-a", "adva", "three", 0, 3)
		reads("cand-a", "adil")
		assign("cand-a", "adil")
		reads("cand-a", "adil", 2, 1)
		reads("cand-a", "adva")
		reads("cand-b", "adil")
		mustWrite("cand-a", "adil", "four", 0, 4)
		reads("cand-a", "adil", 4, 2, 1)
		h, err := b.HandoverOf(ctx, "cand-a", "adva")
		if err != nil || h.Successor != "adil" || h.Notes != 2 || h.At.IsZero() {
			t.Errorf("handed over as %+v: %v", h, err)
		}

		// It goes no further by itself, and the newest word of the author counts.
		handOver("adil", "alma")
		assign("cand-a", "alma")
		reads("cand-a", "alma", 4)
		handOver("adil", "")
		reads("cand-a", "alma")
		assign("cand-a", "adva")
		reads("cand-a", "adva", 3, 2, 1)
		handOver("adva", "alma")
		assign("cand-a", "adil")
		reads("cand-a", "adil", 4)

		db := b.raw(t)
		for _, table := range []string{"advocate_note", "advocate_handover"} {
			for _, statement := range []string{"UPDATE " + table + " SET author = 'nobody'", "DELETE FROM " + table} {
				if _, err := db.ExecContext(ctx, statement); err == nil {
					t.Errorf("%s is accepted", statement)
				}
			}
		}
	})
}
