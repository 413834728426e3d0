package record_test

import (
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// TestProtocolOfACandidate: a move pins the candidate to another stored version,
// and nothing but a move does.
func TestProtocolOfACandidate(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		if err := b.KeepProtocol(ctx, "2", "digest of two", "text of two"); err != nil {
			t.Fatal(err)
		}
		err := b.KeepProtocol(ctx, "2", "digest of another", "another text")
		if err == nil || !strings.Contains(err.Error(), "of digest digest of two; this one has digest digest of another") {
			t.Errorf("another text is answered %v", err)
		}
		b.refer(t, "cand-a", 1)
		b.refer(t, "cand-b", 1)
		b.mustGive(t, "cand-b", "leave", journey.Withdraw, nil)
		b.mustGive(t, "cand-a", "move", journey.MoveProtocol, func(d *record.Draft) { d.Protocol = "2" })
		b.mustGive(t, "cand-a", "screen", journey.BeginScreening, nil)
		r, err := b.Resumable(ctx, "cand-a")
		if err != nil || r.Protocol != "2" {
			t.Errorf("pinned to %q, %v", r.Protocol, err)
		}
		if _, err := b.give("cand-a", "nowhere", journey.MoveProtocol, func(d *record.Draft) { d.Protocol = "3" }); err == nil {
			t.Error("a candidate is moved to a protocol that is not there")
		}
		list, err := b.Protocols(ctx)
		if err != nil || len(list) != 2 {
			t.Fatalf("got %+v, %v", list, err)
		}
		open := map[string]int{}
		for _, p := range list {
			open[p.Version] = p.Open
			if p.StoredAt.IsZero() || p.Digest == "" {
				t.Errorf("got %+v", p)
			}
		}
		if open["1"] != 0 || open["2"] != 1 {
			t.Errorf("open candidates by version: %v", open)
		}
		if _, err := b.Store.Verify(ctx); err != nil {
			t.Error(err)
		}
	})
}
