package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strconv"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// longCourse gives the first candidate of a store n results of five years.
func longCourse(b *testing.B, store *record.Store, n int) string {
	b.Helper()
	ctx := context.Background()
	list, err := store.List(ctx, record.Filter{}, "", 1)
	if err != nil {
		b.Fatal(err)
	}
	c := list[0]
	kinds := []struct {
		code, unit string
		from       float64
	}{{"2160-0", "mg/dL", .7}, {"4548-4", "%", 5.2}, {"9318-7", "mg/g", 9}, {"29463-7", "kg", 71}, {"8302-2", "cm", 168}, {"1558-6", "mg/dL", 91}, {"718-7", "g/dL", 13.1}, {"2823-3", "mmol/L", 4.1}}
	var results []result.Result
	for i := range n {
		k := kinds[i%len(kinds)]
		day := journey.Date("2021-07-01").AddDays(i * 1800 / n)
		id := result.Identifier{System: "urn:synthetic", Value: strconv.Itoa(i)}
		value := k.from * (1 + float64(i%17)/200)
		if k.code == "8302-2" {
			value = k.from
		}
		results = append(results, result.Result{
			ID: result.IDOf(id), Identifier: id, Status: result.Final, Category: "laboratory", Code: result.Coding{System: protocol.LOINCSystem, Code: k.code},
			Value:     result.Value{Quantity: &result.Quantity{Value: json.Number(strconv.FormatFloat(value, 'f', 2, 64)), Unit: k.unit}},
			Effective: string(day), CollectedOn: string(day), Version: 1,
		})
	}
	state := c.State
	state.Seq++
	if _, err := store.Append(ctx, c.ID, "results", func(*record.Tx) (record.Draft, error) {
		event := journey.Event{Command: journey.Command{Kind: journey.RecordResults, ID: "results", Candidate: c.ID, Today: "2026-07-20", At: time.Date(2026, 7, 20, 7, 0, 0, 0, time.UTC)}, Seq: c.State.Seq + 1}
		return record.Draft{Event: event, State: state, Body: json.RawMessage("{}"), Flags: json.RawMessage("[]"), Results: results}, nil
	}); err != nil {
		b.Fatal(err)
	}
	return c.ID
}

// BenchmarkResults renders a candidate's results over time against the query of the rows
// that they are.
func BenchmarkResults(b *testing.B) {
	for _, n := range []int{40, 200, 1000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			store, p, now := crowd(b, 1)
			id := longCourse(b, store, n)
			e := echo.New()
			if err := Register(e, Deps{Store: store, Protocols: protocol.NewRegistry(store.Protocol, p), Current: p, Now: now}); err != nil {
				b.Fatal(err)
			}
			secret, err := store.StartSession(context.Background(), "cora", time.Hour)
			if err != nil {
				b.Fatal(err)
			}
			for _, path := range []string{"/results", ""} {
				b.Run("page"+path, func(b *testing.B) {
					size := 0
					for range b.N {
						r := httptest.NewRequest(http.MethodGet, "/candidates/"+id+path, nil)
						r.AddCookie(&http.Cookie{Name: "candidacy", Value: secret})
						r.Header.Set("Accept-Encoding", "gzip")
						w := httptest.NewRecorder()
						e.ServeHTTP(w, r)
						if w.Code != http.StatusOK {
							b.Fatalf("%d %s", w.Code, w.Body)
						}
						size = w.Body.Len()
					}
					b.ReportMetric(float64(size), "bytes")
				})
			}
			b.Run("raw query", func(b *testing.B) {
				for range b.N {
					if list, err := store.Results(context.Background(), id); err != nil || len(list) != n {
						b.Fatal(len(list), err)
					}
				}
			})
		})
	}
}
