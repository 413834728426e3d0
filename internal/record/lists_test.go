package record_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// TestNotes appends notes, one of them twice, and corrections of what there is and is not.
func TestNotes(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.refer(t, "cand-a", 1)
		b.refer(t, "cand-b", 1)
		add := func(key string, n record.Note) (int64, error) {
			n.Author, n.Role, n.Kind = "cora", journey.Coordinator, "call"
			return b.AddNote(t.Context(), key, n)
		}
		for _, c := range []struct {
			key  string
			note record.Note
			want int64
			err  error
		}{
			{"k1", record.Note{Candidate: "cand-a", Text: "one"}, 1, nil},
			{"k2", record.Note{Candidate: "cand-a", Text: "two", Corrects: 1}, 2, nil},
			{"k1", record.Note{Candidate: "cand-a", Text: "one"}, 1, nil},
			{"k1", record.Note{Candidate: "cand-b", Text: "of another"}, 1, nil},
			{"k3", record.Note{Candidate: "cand-a", Text: "x", Corrects: 3}, 0, record.ErrNoNote},
			{"k4", record.Note{Candidate: "cand-b", Text: "x", Corrects: 2}, 0, record.ErrNoNote},
		} {
			if got, err := add(c.key, c.note); !errors.Is(err, c.err) || err == nil && got != c.want {
				t.Errorf("%+v: %d, %v", c, got, err)
			}
		}
		list, err := b.Notes(t.Context(), "cand-a")
		if err != nil || len(list) != 2 || list[0].Text != "two" || list[0].Corrects != 1 || list[1].Text != "one" || !list[1].At.Equal(b.clock.now()) {
			t.Errorf("the notes are %+v, %v", list, err)
		}
	})
}

// TestBoardViews keeps, replaces and removes views.
func TestBoardViews(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		for _, id := range []string{"cora", "clem"} {
			if _, err := b.AddAccount(t.Context(), id, id, id, journey.Coordinator, "a long word for tests"); err != nil {
				t.Fatal(err)
			}
		}
		save := func(account, name, query string) string {
			t.Helper()
			id, err := b.SaveBoardView(t.Context(), record.BoardView{Account: account, Name: name, Query: query})
			if err != nil {
				t.Fatal(err)
			}
			return id
		}
		first := save("cora", "Mine", "stage=committee")
		if again := save("cora", "Mine", "stage=approved"); again != first {
			t.Errorf("the same name is %s and %s", first, again)
		}
		if other := save("clem", "Mine", "sort=name"); other == first {
			t.Error("two accounts have one view")
		}
		if v, err := b.BoardView(t.Context(), first); err != nil || v.Query != "stage=approved" || v.Account != "cora" {
			t.Errorf("the view is %+v, %v", v, err)
		}
		if err := b.RemoveBoardView(t.Context(), "clem", first); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("somebody else's view: %v", err)
		}
		for i := 1; i < record.MostBoardViews; i++ {
			save("cora", fmt.Sprint("View ", i), "sort=name")
		}
		if _, err := b.SaveBoardView(t.Context(), record.BoardView{Account: "cora", Name: "One more", Query: "q"}); !errors.Is(err, record.ErrTooManyViews) {
			t.Errorf("one too many: %v", err)
		}
		save("cora", "Mine", "stage=screening") // one that there is may still change
		if err := b.RemoveBoardView(t.Context(), "cora", first); err != nil {
			t.Error(err)
		}
		if _, err := b.BoardView(t.Context(), first); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("a removed view: %v", err)
		}
	})
}

// TestHeads tells of every candidate where the record stands and what they are called.
func TestHeads(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.refer(t, "cand-a", 1)
		b.refer(t, "cand-b", 3)
		heads, err := b.Heads(t.Context())
		seqs := map[string]int64{}
		for _, h := range heads {
			seqs[h.ID] = h.Seq
		}
		if err != nil || len(heads) != 2 || seqs["cand-a"] != 1 || seqs["cand-b"] != 3 {
			t.Errorf("the heads are %+v, %v", heads, err)
		}
		called := 0
		if err := b.Calls(t.Context(), func(c record.Called) {
			if c.Candidate != "" && c.Family != "" {
				called++
			}
		}); err != nil || called != 2 {
			t.Errorf("%d are called something, %v", called, err)
		}
		list, err := b.CandidatesOf(t.Context(), []string{"cand-b", "nobody", "cand-a"})
		var ids []string
		for _, c := range list {
			ids = append(ids, c.ID)
		}
		slices.Sort(ids)
		if err != nil || !slices.Equal(ids, []string{"cand-a", "cand-b"}) {
			t.Errorf("read %v, %v", ids, err)
		}
	})
}
