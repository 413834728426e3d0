package record_test

import (
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

func TestEmergencyAccesses(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.refer(t, "cand-a", 1)
		start := b.clock.now()
		// Some at once: the chain has one end.
		var all sync.WaitGroup
		errs := make([]error, 6)
		for i := range errs {
			all.Go(func() {
				_, errs[i] = b.OpenInEmergency(ctx, record.Emergency{Candidate: "cand-a", Actor: "acc-1", Role: journey.Advocate, Reason: "Nobody else can be reached."}, time.Hour)
			})
		}
		all.Wait()
		if err := errors.Join(errs...); err != nil {
			t.Fatal(err)
		}
		before, err := b.Verify(ctx)
		if err != nil || before.Emergencies != len(errs) {
			t.Fatalf("%+v, %v", before, err)
		}
		for _, c := range []struct {
			query record.EmergencyQuery
			want  int
		}{
			{record.EmergencyQuery{}, 6}, {record.EmergencyQuery{Candidate: "cand-a", Actor: "acc-1"}, 6}, {record.EmergencyQuery{Candidate: "cand-b"}, 0}, {record.EmergencyQuery{Actor: "acc-2"}, 0},
			{record.EmergencyQuery{OpenAt: b.clock.now()}, 6}, {record.EmergencyQuery{OpenAt: start.Add(3 * time.Hour)}, 0}, {record.EmergencyQuery{OpenAt: start.Add(-time.Second)}, 0},
			{record.EmergencyQuery{To: start}, 0}, {record.EmergencyQuery{From: start.Add(-time.Hour)}, 6},
		} {
			list, err := b.Emergencies(ctx, c.query)
			if err != nil || len(list) != c.want {
				t.Errorf("%+v: %d, %v, want %d", c.query, len(list), err, c.want)
			}
			if !slices.IsSortedFunc(list, func(x, y record.Emergency) int { return int(y.Seq - x.Seq) }) {
				t.Error("the newest is not the first")
			}
		}
		db := b.raw(t)
		for _, statement := range []string{"UPDATE emergency_access SET reason = 'x'", "DELETE FROM emergency_access"} {
			if _, err := db.ExecContext(ctx, statement); err == nil || !strings.Contains(err.Error(), "append-only") {
				t.Errorf("%s: %v", statement, err)
			}
		}
		for _, drop := range []string{"DROP TRIGGER emergency_access_no_update", "DROP TRIGGER emergency_access_no_delete", "DROP TRIGGER emergency_access_append_only ON emergency_access"} {
			_, _ = db.ExecContext(ctx, drop) // each is of one database
		}
		if _, err := db.ExecContext(ctx, "DELETE FROM emergency_access WHERE seq = 6"); err != nil {
			t.Fatal(err)
		}
		// A cut tail shows in the digest that was kept outside, and a change at once.
		if after, err := b.Verify(ctx); err != nil || after.Digest == before.Digest {
			t.Errorf("%+v, %v", after, err)
		}
		if _, err := db.ExecContext(ctx, "UPDATE emergency_access SET actor = 'acc-2' WHERE seq = 3"); err != nil {
			t.Fatal(err)
		}
		_, err = b.Verify(ctx)
		var broken *record.BrokenChain
		if !errors.As(err, &broken) || broken.Chain != "emergency accesses" || broken.Seq != 3 {
			t.Errorf("%v", err)
		}
	})
}
