package fhir

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/record"
)

const benchCandidates = 10_000

// benchStore is built once for all benchmarks and removed by TestMain.
var benchStore struct {
	once  sync.Once
	dir   string
	store *record.Store
}

func TestMain(m *testing.M) {
	code := m.Run()
	if benchStore.store != nil {
		if err := benchStore.store.Close(); err != nil {
			code = 1
		}
	}
	if benchStore.dir != "" {
		if err := os.RemoveAll(benchStore.dir); err != nil {
			code = 1
		}
	}
	os.Exit(code)
}

func benchID(i int) string {
	return fmt.Sprintf("%08x-6f3e-4a56-9a51-3f6f3c1d7a01", i*2654435761%(1<<32))
}

func tenThousand(b *testing.B) *record.Store {
	benchStore.once.Do(func() {
		dir, err := os.MkdirTemp("", "candidacy-fhir")
		if err != nil {
			b.Fatal(err)
		}
		benchStore.dir = dir
		benchStore.store = openStore(b, dir)
		for i := range benchCandidates {
			s := testSnapshot(benchID(i))
			s.Results = s.Results[:6]
			for j := range s.Results {
				s.Results[j].ID = fmt.Sprintf("%08x-0000-4000-8000-%012d", i, j)
				s.Results[j].Identifier.Value = s.Results[j].ID
			}
			s.Report.Flags, s.Report.Derived = nil, nil
			s.Referral.Identity.Identifier.Value = s.Candidate
			commit(b, benchStore.store, s, 1, mustPublish(b, s))
		}
	})
	if benchStore.store == nil {
		b.Skip("the store could not be built")
	}
	return benchStore.store
}

// fetch reads one answer to its end.
func fetch(b *testing.B, client *http.Client, url string) []byte {
	res, err := client.Get(url)
	if err != nil {
		b.Fatal(err)
	}
	body, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		b.Fatalf("%d %v", res.StatusCode, err)
	}
	if err := res.Body.Close(); err != nil {
		b.Fatal(err)
	}
	return body
}

// compare measures requests over HTTP on loopback, and the same number of
// requests to a handler that has the same bytes in memory. Both are asked in
// turn, so that whatever else the machine does touches both alike.
func compare(b *testing.B, path func(i int) string) {
	store := tenThousand(b)
	e := echo.New()
	Register(e.Group("/fhir"), store, Options{BaseURL: func(*http.Request) string { return testBase }})
	served := httptest.NewServer(e)
	defer served.Close()
	client := served.Client()
	body := fetch(b, client, served.URL+path(0))
	memory := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", contentType)
		if _, err := w.Write(body); err != nil {
			b.Error(err)
		}
	}))
	defer memory.Close()

	var ours, theirs time.Duration
	i := 0
	for b.Loop() {
		i++
		target := path(i)
		start := time.Now()
		fetch(b, client, served.URL+target)
		middle := time.Now()
		fetch(b, client, memory.URL+target)
		ours += middle.Sub(start)
		theirs += time.Since(middle)
	}
	b.ReportMetric(float64(ours.Nanoseconds())/float64(i), "served-ns/op")
	b.ReportMetric(float64(theirs.Nanoseconds())/float64(i), "memory-ns/op")
	b.ReportMetric(float64(ours)/float64(theirs), "ratio")
	b.ReportMetric(float64(len(body)), "bytes")
}

func BenchmarkRead(b *testing.B) {
	compare(b, func(i int) string { return "/fhir/Patient/" + benchID(i*7919%benchCandidates) })
}

func BenchmarkSearchByPatient(b *testing.B) {
	compare(b, func(i int) string {
		return "/fhir/Observation?patient=" + benchID(i*7919%benchCandidates) + "&category=laboratory"
	})
}
