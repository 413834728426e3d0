package web

import (
	"context"
	"database/sql"
	"encoding/json"
	"flag"
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

var benchCandidates = flag.Int("candidates", 10_000, "how many candidates the benchmarks of lists have")

// emptyStore opens a store in a file of its own, with a protocol and one coordinator.
func emptyStore(b *testing.B, p *protocol.Protocol, now func() time.Time) (store *record.Store, file string) {
	b.Helper()
	ctx := context.Background()
	file = filepath.Join(b.TempDir(), "records.db")
	store, err := record.Open(ctx, file, now)
	must(b, err)
	b.Cleanup(func() { _ = store.Close() })
	must(b, store.KeepProtocol(ctx, p.Version, p.Digest(), p.Source()))
	_, err = store.AddAccount(ctx, "cora", "cora", "Cora Lindqvist", journey.Coordinator, password)
	must(b, err)
	return store, file
}

// crowd fills a store with invented people in all stages before the operation.
func crowd(b *testing.B, n int) (*record.Store, *protocol.Protocol, func() time.Time) {
	b.Helper()
	p, ctx := protocol.Default(), context.Background()
	now := func() time.Time { return time.Date(2026, 7, 20, 7, 0, 0, 0, time.UTC) }
	store, file := emptyStore(b, p, now)
	stages := []journey.Stage{journey.Referral, journey.Screening, journey.Evaluation, journey.Committee, journey.Approved, journey.Scheduled, journey.OnHold, journey.Closed}
	const played = 200 // the others are copies of them with other names
	for i := range min(n, played) {
		since := journey.Date("2026-07-20").AddDays(-i % 200)
		id := fmt.Sprintf("%08x-0000-4000-8000-000000000000", i)
		event := journey.Event{Command: journey.Command{Kind: journey.Refer, ID: "c", Candidate: id, Today: since, At: now()}, Seq: 1}
		s := journey.Begin(p.Rules(), event)
		s.Stage, s.Since, s.Seq = stages[i%len(stages)], since, 1
		for j := range s.Requirements {
			if r := &s.Requirements[j]; (i+j)%3 > 0 && r.Status != journey.NotApplicable {
				r.Status, r.Evidence, r.Collected, r.ValidUntil = journey.Met, "e", since, since.AddDays(60+j*5)
			}
		}
		if s.Stage == journey.Approved || s.Stage == journey.Scheduled {
			s.Decision = &journey.Decision{Outcome: journey.Approve, On: since, Expires: since.AddDays(365)}
		}
		if s.Stage == journey.Scheduled {
			s.Planned = journey.Date("2026-07-20").AddDays(i % 90)
		}
		_, err := store.Append(ctx, id, "c", func(*record.Tx) (record.Draft, error) {
			return record.Draft{
				Event: event, State: s, Body: json.RawMessage("{}"), Next: journey.NextDue(p.Rules(), s, p.Zone()),
				Refer: &record.Referral{Protocol: p.Version, Path: "direct", Recipient: fmt.Sprint("R-", i), On: since, Identity: record.Identity{
					Given: fmt.Sprint("Given", i%97), Family: fmt.Sprint("Family", i%1009), BirthDate: "1980-01-01", Sex: "female",
					Identifier: result.Identifier{System: "urn:synthetic", Value: fmt.Sprint("SYN-", i)},
				}},
			}, nil
		})
		must(b, err)
	}
	db, err := sql.Open("sqlite", "file:"+file+"?_pragma=busy_timeout(10000)")
	must(b, err)
	defer db.Close()
	for done := played; done < n; done += played {
		for _, statement := range []string{
			`INSERT INTO candidate (id, protocol, path, recipient, stage, open, worst_band, seq, head, referred_on, next_kind, next_subject, next_on, next_at, state, flags, updated_at, advocate)
				SELECT printf('%08x', $1 + rowid) || substr(id, 9), protocol, path, recipient, stage, open, worst_band, seq, head, referred_on, next_kind, next_subject, next_on, next_at, state, flags, updated_at, advocate
				FROM candidate ORDER BY rowid LIMIT 200`,
			`INSERT INTO identity (candidate_id, given, family, birth_date, sex, identifier_system, identifier_value)
				SELECT printf('%08x', $1 + rowid) || substr(candidate_id, 9), given, 'Family' || (($1 + rowid) % 1009), date('1950-01-01', '+' || ((($1 + rowid) * 7) % 18250) || ' days'), sex, identifier_system, 'SYN-' || ($1 + rowid)
				FROM identity ORDER BY rowid LIMIT 200`,
		} {
			_, err := db.Exec(statement, 0x100000+done)
			must(b, err)
		}
	}
	return store, p, now
}

// populate fills a store with n invented people with all of their entries and results.
func populate(b *testing.B, n int) (*record.Store, *protocol.Protocol, func() time.Time) {
	b.Helper()
	p := protocol.Default()
	now := func() time.Time { return time.Date(2027, 6, 30, 7, 0, 0, 0, time.UTC) }
	store, file := emptyStore(b, p, now)
	const played = 200 // the others are copies of them
	v := invent(b, store, p, "2027-06-30")
	for i := range min(n, played) {
		v.person(v.today.AddDays(-(i*900)/played - 3))
	}
	db, err := sql.Open("sqlite", "file:"+file+"?_pragma=busy_timeout(10000)&_pragma=synchronous(off)")
	must(b, err)
	defer db.Close()
	for done := played; done < n; done += played {
		for _, statement := range []string{
			`INSERT INTO candidate (id, protocol, path, recipient, stage, open, worst_band, seq, head, referred_on, next_kind, next_subject, next_on, next_at, state, flags, updated_at, advocate)
				SELECT $1 || substr(id, 5), protocol, path, recipient, stage, open, worst_band, seq, head, referred_on, next_kind, next_subject, next_on, next_at, state, flags, updated_at, advocate
				FROM candidate WHERE id < '00001'`,
			`INSERT INTO identity (candidate_id, given, family, birth_date, sex, identifier_system, identifier_value)
				SELECT $1 || substr(candidate_id, 5), given, family, birth_date, sex, identifier_system, $1 || identifier_value FROM identity WHERE candidate_id < '00001'`,
			`INSERT INTO entry (candidate_id, seq, command_id, command_hash, kind, actor, role, occurred_at, recorded_at, body, event, prev_hash, hash)
				SELECT $1 || substr(candidate_id, 5), seq, command_id, command_hash, kind, actor, role, occurred_at, recorded_at, body, event, prev_hash, hash FROM entry WHERE candidate_id < '00001'`,
			`INSERT INTO result (candidate_id, id, version, current, seq, identifier_system, identifier_value, code, status, collected_on, body)
				SELECT $1 || substr(candidate_id, 5), $1 || id, version, current, seq, identifier_system, $1 || identifier_value, code, status, collected_on, body FROM result WHERE candidate_id < '00001'`,
		} {
			_, err := db.Exec(statement, fmt.Sprintf("%04x", done/played))
			must(b, err)
		}
	}
	return store, p, now
}

// reader serves the pages afresh, as after a start, and returns how a coordinator reads
// one: what comes is so many bytes.
func reader(b *testing.B, store *record.Store, p *protocol.Protocol, now func() time.Time) func(path string) int {
	b.Helper()
	e := echo.New()
	must(b, Register(e, Deps{Store: store, Protocols: protocol.NewRegistry(store.Protocol, p), Current: p, Now: now}))
	secret, err := store.StartSession(context.Background(), "cora", time.Hour)
	must(b, err)
	return func(path string) int {
		r := httptest.NewRequest(http.MethodGet, path, nil)
		r.AddCookie(&http.Cookie{Name: "candidacy", Value: secret})
		r.Header.Set("Accept-Encoding", "gzip")
		w := httptest.NewRecorder()
		e.ServeHTTP(w, r)
		if w.Code != http.StatusOK {
			b.Fatalf("%s: %d %s", path, w.Code, w.Body)
		}
		return w.Body.Len()
	}
}

// BenchmarkProgramme renders what is made of everybody, against the query that says who
// has changed.
func BenchmarkProgramme(b *testing.B) {
	store, p, now := populate(b, *benchCandidates)
	b.Run("first", func(b *testing.B) { // after a start
		for range b.N {
			reader(b, store, p, now)("/measures")
		}
	})
	get := reader(b, store, p, now)
	get("/measures")
	for _, path := range []string{"/measures", "/measures.csv", "/measures.xlsx", "/measures/people", "/follow-up"} {
		b.Run(path, func(b *testing.B) {
			for range b.N {
				get(path)
			}
		})
	}
	b.Run("raw heads", func(b *testing.B) {
		for range b.N {
			if _, err := store.Heads(context.Background()); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// BenchmarkLists renders the lists of a programme against the query of the rows that
// they show.
func BenchmarkLists(b *testing.B) {
	store, p, now := crowd(b, *benchCandidates)
	b.Run("first", func(b *testing.B) { // after a start, or the first of a day
		for range b.N {
			reader(b, store, p, now)("/")
		}
	})
	get := reader(b, store, p, now)
	get("/")
	for name, path := range map[string]string{"board": "/", "board by name": "/?sort=name", "board of a stage": "/?stage=evaluation&sort=band", "today": "/today", "last page": "/?page=999"} {
		b.Run(name, func(b *testing.B) {
			size := 0
			for range b.N {
				size = get(path)
			}
			b.ReportMetric(float64(size), "bytes")
		})
	}
	b.Run("raw query", func(b *testing.B) {
		for range b.N {
			if _, err := store.List(context.Background(), record.Filter{OpenOnly: true}, "", boardRows); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("raw heads", func(b *testing.B) {
		for range b.N {
			if _, err := store.Heads(context.Background()); err != nil {
				b.Fatal(err)
			}
		}
	})
}
