package record_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// BenchmarkAppendSubscribed measures commits that publish three new versions each,
// with nobody subscribed and with many who are. What a commit costs on a disk is
// mostly the disk's.
func BenchmarkAppendSubscribed(b *testing.B) {
	for _, subscriptions := range []int{0, 1, 20} {
		b.Run(fmt.Sprint(subscriptions), func(b *testing.B) {
			dir, err := os.MkdirTemp("/dev/shm", "candidacy-append") // memory, where there is any
			if err != nil {
				dir = b.TempDir()
			}
			defer os.RemoveAll(dir)
			clock := newClock()
			store, err := record.Open(b.Context(), filepath.Join(dir, "records.db"), clock.now)
			if err != nil {
				b.Fatal(err)
			}
			defer store.Close()
			if err := store.KeepProtocol(b.Context(), "1", "digest", "source"); err != nil {
				b.Fatal(err)
			}
			for range subscriptions {
				if _, err := store.AddSubscription(b.Context(), record.Subscription{
					Client: "ehr", Status: record.SubscriptionRequested, Query: about("Observation", "red"), Contact: []byte("[]"),
				}, subscriptions); err != nil {
					b.Fatal(err)
				}
			}
			i := 0
			for b.Loop() {
				kind := journey.RecordResults
				if i == 0 {
					kind = journey.Refer
				}
				i++
				command := fmt.Sprintf("c-%d", i)
				if _, err := store.Append(context.Background(), "cand", command, func(tx *record.Tx) (record.Draft, error) {
					d, err := draft(tx, "cand", command, kind)
					published("a", command, "Observation", "Patient", "Condition")(&d)
					return d, err
				}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
