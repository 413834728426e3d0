package record_test

import (
	"fmt"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// TestTracesComeOnce reads the trail in pages of every size, with entries that were
// recorded at one moment.
func TestTracesComeOnce(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		for _, candidate := range []string{"0a1b-x", "0a2c-y"} {
			b.refer(t, candidate, 9)
		}
		var total int
		if err := b.raw(t).QueryRowContext(ctx, "SELECT COUNT(*) FROM entry").Scan(&total); err != nil {
			t.Fatal(err)
		}
		for size := 1; size <= total+1; size++ {
			seen := map[string]bool{}
			q := record.TraceQuery{Limit: size}
			for {
				list, err := b.Traces(ctx, q)
				if err != nil {
					t.Fatal(err)
				}
				for _, each := range list {
					key := fmt.Sprint(each.Candidate, each.Seq)
					if seen[key] {
						t.Fatalf("%s comes twice by %d", key, size)
					}
					seen[key] = true
				}
				if len(list) < size {
					break
				}
				q.After = &list[len(list)-1]
			}
			if len(seen) != total {
				t.Fatalf("%d of %d entries by %d", len(seen), total, size)
			}
		}
		for _, c := range []struct {
			query record.TraceQuery
			some  bool
		}{
			{record.TraceQuery{Candidate: "0a1b-x"}, true}, {record.TraceQuery{Candidate: "none"}, false}, {record.TraceQuery{Actor: "nobody"}, false},
			{record.TraceQuery{Kind: journey.Refer}, true}, {record.TraceQuery{Kind: journey.Close}, false},
			{record.TraceQuery{From: b.clock.now().Add(time.Hour)}, false}, {record.TraceQuery{To: b.clock.now().Add(time.Hour)}, true},
		} {
			c.query.Limit = 100
			list, err := b.Traces(ctx, c.query)
			if err != nil || (len(list) > 0) != c.some {
				t.Errorf("%+v: %d, %v", c.query, len(list), err)
			}
		}
		for prefix, want := range map[string]int{"0a1b": 1, "0a": 2, "0a1b-x": 1, "0b": 0} {
			if got, err := b.CandidatesLike(ctx, prefix); err != nil || len(got) != want {
				t.Errorf("%s: %v, %v", prefix, got, err)
			}
		}
	})
}
