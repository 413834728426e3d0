package record_test

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// someAccess is a row as a read through FHIR makes it.
func someAccess(i int) record.Access {
	candidate := fmt.Sprintf("%08x-6f3e-4a56-9a51-3f6f3c1d7a01", uint32(i)*2654435761)
	return record.Access{
		Actor: "4be1f7a0-8a4f-4e0e-9a0a-6c8b4f2f9d11", Role: journey.EHR, Credential: "token-0123456789ab", Interaction: "read",
		Type: "Patient", ID: candidate, Candidates: []string{candidate}, Status: 200,
		Request: "9b2f6f52-62a5-4d7c-a1f8-2a3d8f0c3f10", Address: "127.0.0.1",
	}
}

// BenchmarkLogAccess is what a durable row costs, alone and while many write.
func BenchmarkLogAccess(b *testing.B) {
	for _, clients := range []int{1, 8, 64, 256} {
		b.Run(fmt.Sprintf("clients=%d", clients), func(b *testing.B) {
			store, err := record.Open(b.Context(), filepath.Join(b.TempDir(), "records.db"), time.Now)
			if err != nil {
				b.Fatal(err)
			}
			defer store.Close()
			together(b, clients, func(i int) error { return store.LogAccess(b.Context(), someAccess(i)) })
		})
	}
}

// together runs the benchmark's iterations on so many goroutines at a time.
func together(b *testing.B, clients int, do func(i int) error) {
	b.Helper()
	next, failed := make(chan int), make(chan error, clients)
	for range clients {
		go func() {
			var first error
			for i := range next {
				if err := do(i); err != nil && first == nil {
					first = err
				}
			}
			failed <- first
		}()
	}
	b.ResetTimer()
	for i := range b.N {
		next <- i
	}
	close(next)
	for range clients {
		if err := <-failed; err != nil {
			b.Error(err)
		}
	}
}
