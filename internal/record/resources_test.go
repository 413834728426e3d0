package record_test

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

func (b *bench) publish(t *testing.T, candidate, command string, resources ...record.Resource) {
	t.Helper()
	kind := journey.RecordResults
	if command == "refer" {
		kind = journey.Refer
	}
	b.mustGive(t, candidate, command, kind, func(d *record.Draft) { d.Resources = resources })
}

func TestPublishedVersions(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		start := b.clock.now()
		first := patient("p-1", "Zephyrwick")
		first.Meta = `"profile":["https://example.org/p"]`
		b.publish(t, "cand-a", "refer", first)
		b.clock.advance(time.Hour)
		b.publish(t, "cand-a", "same", first)
		p, err := b.Resource(ctx, "Patient", "p-1")
		if err != nil || p.Version != 1 || !p.UpdatedAt.Equal(start) {
			t.Fatalf("unchanged content makes version %d of %s, %v", p.Version, p.UpdatedAt, err)
		}
		want := `{"meta":{"versionId":"1","lastUpdated":"2026-03-02T08:30:00.123Z","profile":["https://example.org/p"]},` + string(first.Body[1:])
		if string(p.Body) != want {
			t.Errorf("published\n%s\nwant\n%s", p.Body, want)
		}
		changed := patient("p-1", "Oakfield")
		b.publish(t, "cand-a", "changed", changed)
		p, err = b.Resource(ctx, "Patient", "p-1")
		if err != nil || p.Version != 2 || !p.UpdatedAt.Equal(b.clock.now()) || !json.Valid(p.Body) {
			t.Fatalf("changed content makes version %d of %s, %v", p.Version, p.UpdatedAt, err)
		}
		// The index follows the content: the old name finds nobody any more.
		for family, n := range map[string]int{"zephyrwick": 0, "oakfield": 1} {
			q := record.Query{Type: "Patient", Conditions: []record.Condition{{Param: "family", Any: []record.Match{{Op: "=", Value: family}}}}}
			if got, err := b.Count(ctx, q); err != nil || got != n {
				t.Errorf("%s finds %d, %v, want %d", family, got, err, n)
			}
		}
		for version, family := range map[int64]string{1: "Zephyrwick", 2: "Oakfield"} {
			p, err := b.ResourceVersion(ctx, "Patient", "p-1", version)
			if err != nil || p.Version != version || !strings.Contains(string(p.Body), family) {
				t.Errorf("version %d is %s, %v", version, p.Body, err)
			}
		}
		_, errA := b.ResourceVersion(ctx, "Patient", "p-1", 3)
		_, errB := b.Resource(ctx, "Observation", "p-1")
		for _, err := range []error{errA, errB} {
			if !errors.Is(err, record.ErrNotFound) {
				t.Errorf("nothing is answered %v", err)
			}
		}
		// Going back to former content is a new version.
		b.publish(t, "cand-a", "back", first)
		if p, err := b.Resource(ctx, "Patient", "p-1"); err != nil || p.Version != 3 {
			t.Errorf("version %d, %v, want 3", p.Version, err)
		}
		b.publish(t, "cand-a", "blank", record.Resource{Type: "Group", ID: "g", Body: []byte("\n {\"resourceType\":\"Group\"}\n")})
		if p, err := b.Resource(ctx, "Group", "g"); err != nil || !json.Valid(p.Body) {
			t.Errorf("a body that begins with a blank is published as %s, %v", p.Body, err)
		}
	})
}

// people fills a store with resources whose index values try every operator.
func people(t *testing.T, b *bench) {
	t.Helper()
	for i, p := range []struct{ family, born, system, code string }{
		{"anders", "1980-01-01", "urn:a", "x"},
		{"andersson", "1980-06-15", "urn:b", "x"},
		{"ångström", "1990-01-01", "urn:a", "y"},
		{"o'neil", "2000-12-31", "", "x"},
		{"and", "1970-01-01", "urn:a", "z"},
		{"zé-100%_", "1985-05-05", "urn:a", "w"},
	} {
		id := fmt.Sprintf("p-%d", i+1)
		candidate := fmt.Sprintf("cand-%d", i+1)
		r := patient(id, p.family)
		r.Index = []record.Index{
			{Param: "family", Value: p.family}, {Param: "birthdate", Value: p.born}, {Param: "identifier", System: p.system, Value: p.code},
			// The same row twice is one row.
			{Param: "identifier", System: p.system, Value: p.code},
		}
		b.publish(t, candidate, "refer", r, record.Resource{
			Type: "Observation", ID: "o-" + id, Body: []byte(`{"resourceType":"Observation"}`), Index: []record.Index{{Param: "family", Value: "anders"}},
		})
		b.clock.advance(time.Minute)
	}
}

func TestSearch(t *testing.T) {
	start := newClock().now()
	stamp := func(minutes int) string {
		return start.Add(time.Duration(minutes) * time.Minute).UTC().Format("2006-01-02T15:04:05.000000Z")
	}
	one := func(param, op, value string) record.Condition {
		return record.Condition{Param: param, Any: []record.Match{{Op: op, Value: value, AnySystem: true}}}
	}
	onEach(t, func(t *testing.T, b *bench) {
		people(t, b)
		for _, tt := range []struct {
			name string
			q    record.Query
			want string
		}{
			{"all", record.Query{}, "p-1 p-2 p-3 p-4 p-5 p-6"},
			{"equal", record.Query{Conditions: []record.Condition{one("family", "=", "anders")}}, "p-1"},
			{"prefix", record.Query{Conditions: []record.Condition{one("family", "prefix", "ander")}}, "p-1 p-2"},
			{"prefix that is a whole value", record.Query{Conditions: []record.Condition{one("family", "prefix", "and")}}, "p-1 p-2 p-5"},
			{"prefix beyond ASCII", record.Query{Conditions: []record.Condition{one("family", "prefix", "å")}}, "p-3"},
			{"prefix with a quote", record.Query{Conditions: []record.Condition{one("family", "prefix", "o'")}}, "p-4"},
			{"a pattern is no pattern", record.Query{Conditions: []record.Condition{one("family", "prefix", "%")}}, ""},
			{"empty prefix", record.Query{Conditions: []record.Condition{one("family", "prefix", "")}}, "p-1 p-2 p-3 p-4 p-5 p-6"},
			{"less", record.Query{Conditions: []record.Condition{one("birthdate", "<", "1980-01-01")}}, "p-5"},
			{"at most", record.Query{Conditions: []record.Condition{one("birthdate", "<=", "1980-01-01")}}, "p-1 p-5"},
			{"more", record.Query{Conditions: []record.Condition{one("birthdate", ">", "1990-01-01")}}, "p-4"},
			{"at least", record.Query{Conditions: []record.Condition{one("birthdate", ">=", "1990-01-01")}}, "p-3 p-4"},
			{"between", record.Query{Conditions: []record.Condition{one("birthdate", ">=", "1980-01-01"), one("birthdate", "<", "1981-01-01")}}, "p-1 p-2"},
			{"token of a system", record.Query{Conditions: []record.Condition{{Param: "identifier", Any: []record.Match{{Op: "=", System: "urn:a", Value: "x"}}}}}, "p-1"},
			{"token of any system", record.Query{Conditions: []record.Condition{one("identifier", "=", "x")}}, "p-1 p-2 p-4"},
			{"token of no system", record.Query{Conditions: []record.Condition{{Param: "identifier", Any: []record.Match{{Op: "=", Value: "x"}}}}}, "p-4"},
			{"alternatives", record.Query{Conditions: []record.Condition{{Param: "family", Any: []record.Match{{Op: "=", Value: "and"}, {Op: "prefix", Value: "o"}}}}}, "p-4 p-5"},
			{"no alternatives", record.Query{Conditions: []record.Condition{{Param: "family"}}}, ""},
			{"conditions together", record.Query{Conditions: []record.Condition{one("family", "prefix", "and"), one("identifier", "=", "z")}}, "p-5"},
			{"a parameter that is none", record.Query{Conditions: []record.Condition{one("shoe", "=", "x")}}, ""},
			{"of candidates", record.Query{Candidates: []string{"cand-2", "cand-4", "nobody"}}, "p-2 p-4"},
			{"of no candidates", record.Query{Candidates: []string{}}, ""},
			{"ids", record.Query{IDs: []string{"p-6", "p-1", "o-p-2"}}, "p-1 p-6"},
			{"no ids", record.Query{IDs: []string{}}, ""},
			{"updated since", record.Query{Updated: [][]record.Span{{{From: stamp(4)}}}}, "p-5 p-6"},
			{"updated before and after", record.Query{Updated: [][]record.Span{{{From: stamp(1)}}, {{To: stamp(3)}}}}, "p-2 p-3"},
			{"updated in either", record.Query{Updated: [][]record.Span{{{From: stamp(3), To: stamp(4)}, {To: stamp(1)}}}}, "p-1 p-4"},
			{"updated earlier", record.Query{Updated: [][]record.Span{{{To: stamp(1)}}}}, "p-1"},
			{"after a cursor", record.Query{After: "p-4"}, "p-5 p-6"},
			{"limited", record.Query{After: "p-1", Limit: 2}, "p-2 p-3"},
			{"a value that is SQL", record.Query{Conditions: []record.Condition{one("family", "=", "x' OR '1'='1")}}, ""},
		} {
			tt.q.Type = "Patient"
			if tt.q.Limit == 0 {
				tt.q.Limit = 100
			}
			list, err := b.Search(t.Context(), tt.q)
			if err != nil {
				t.Errorf("%s: %v", tt.name, err)
				continue
			}
			var ids []string
			for _, p := range list {
				ids = append(ids, p.ID)
				if p.Type != "Patient" || !json.Valid(p.Body) {
					t.Errorf("%s: found %+v", tt.name, p)
				}
			}
			if got := strings.Join(ids, " "); got != tt.want {
				t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
			}
			// Looking them up by the index finds the same.
			selective := tt.q
			selective.Conditions = slices.Clone(tt.q.Conditions)
			for i := range selective.Conditions {
				selective.Conditions[i].Selective = true
			}
			if same, err := b.Search(t.Context(), selective); err != nil || encode(t, same) != encode(t, list) {
				t.Errorf("%s: looked up by the index %d, %v, want %d", tt.name, len(same), err, len(list))
			}
			// Counting takes no notice of cursor and limit.
			tt.q.After, tt.q.Limit = "", 100
			all, err := b.Search(t.Context(), tt.q)
			if err != nil {
				t.Fatal(err)
			}
			if n, err := b.Count(t.Context(), tt.q); err != nil || n != len(all) {
				t.Errorf("%s: counted %d, %v, want %d", tt.name, n, err, len(all))
			}
		}
		for _, q := range []record.Query{
			{Type: "Patient", Conditions: []record.Condition{one("family", "LIKE", "x")}},
			{Type: "Patient", Conditions: []record.Condition{one("family", "", "x")}},
		} {
			_, errA := b.Search(t.Context(), q)
			_, errB := b.Count(t.Context(), q)
			if errA == nil || errB == nil {
				t.Errorf("a comparison that is none is answered %v and %v", errA, errB)
			}
		}
		var seen []string
		if err := b.EachResource(t.Context(), func(p record.Published) error { seen = append(seen, p.Type+"/"+p.ID); return nil }); err != nil {
			t.Fatal(err)
		}
		if len(seen) != 12 || seen[0] != "Observation/o-p-1" || seen[11] != "Patient/p-6" {
			t.Errorf("each resource gives %v", seen)
		}
		stop := errors.New("enough")
		if err := b.EachResource(t.Context(), func(record.Published) error { return stop }); !errors.Is(err, stop) {
			t.Errorf("a reader that stops is answered %v", err)
		}
	})
}

// TestPrefixesInALocaleOfWords: a site's database sorts as its country does,
// and there hyphens and accents do not count as bytes do. What is found must
// not depend on it.
func TestPrefixesInALocaleOfWords(t *testing.T) {
	dsn := postgresDSN(t)
	db, err := sql.Open("pgx", dsn)
	if err != nil {
		t.Fatal(err)
	}
	name := "test_" + strings.ToLower(rand.Text())
	if _, err := db.ExecContext(t.Context(), "CREATE DATABASE "+name+" TEMPLATE template0 LOCALE_PROVIDER icu ICU_LOCALE 'en-US'"); err != nil {
		t.Skip("the server makes no database with another locale: ", err)
	}
	t.Cleanup(func() {
		if _, err := db.ExecContext(context.Background(), "DROP DATABASE "+name); err != nil {
			t.Error(err)
		}
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	u, err := url.Parse(dsn)
	if err != nil {
		t.Fatal(err)
	}
	u.Path = "/" + name
	b := &bench{location: u.String(), postgres: true, clock: newClock()}
	b.Store = open(t, b.location, b.clock)
	if err := b.KeepProtocol(t.Context(), "1", "digest", "source"); err != nil {
		t.Fatal(err)
	}
	values := []string{"a-b", "ab", "a b", "ac", "B", "å", "z", "2026-03-02", "20260302", "co-op", "coop"}
	for i, v := range values {
		r := patient(fmt.Sprintf("p-%02d", i), "x")
		r.Index = []record.Index{{Param: "family", Value: v}}
		b.publish(t, fmt.Sprintf("cand-%02d", i), "refer", r)
	}
	for _, prefix := range []string{"a", "a-", "B", "å", "2026-", "co-", "z"} {
		want := 0
		for _, v := range values {
			if strings.HasPrefix(v, prefix) {
				want++
			}
		}
		q := record.Query{Type: "Patient", Conditions: []record.Condition{{Param: "family", Any: []record.Match{{Op: "prefix", Value: prefix}}}}}
		if n, err := b.Count(t.Context(), q); err != nil || n != want {
			t.Errorf("%q is the beginning of %d values, %v, want %d", prefix, n, err, want)
		}
	}
	q := record.Query{Type: "Patient", Conditions: []record.Condition{{Param: "family", Any: []record.Match{{Op: "<", Value: "a"}}}}}
	if n, err := b.Count(t.Context(), q); err != nil || n != 3 {
		t.Errorf("%d values are less than a, %v, want 3", n, err)
	}
}

// TestManyShapesOfSearch goes beyond the prepared reads that are kept, from
// many readers at once.
func TestManyShapesOfSearch(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		people(t, b)
		var wait sync.WaitGroup
		for range 4 {
			wait.Go(func() {
				for n := range 230 {
					q := record.Query{Type: "Patient", IDs: append(make([]string, n), "p-1", "p-2"), Limit: 10}
					list, err := b.Search(t.Context(), q)
					if err != nil || len(list) != 2 {
						t.Errorf("with %d ids: %d, %v", n+2, len(list), err)
						return
					}
				}
			})
		}
		wait.Wait()
	})
}

// A row that is in the way among many that one statement inserts: nothing of the
// command is written, not the rows before it either, and the store goes on.
func TestOneRowInTheWay(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.publish(t, "cand-a", "refer", patient("p", "Zephyrwick"))
		b.tamper(t, "INSERT INTO resource_version (type, id, version, updated_at, body) VALUES ('Patient', 'p-5', 1, '', '{}')")
		var many []record.Resource
		for i := range 12 {
			many = append(many, patient(fmt.Sprintf("p-%d", i), "Oakfield"))
		}
		before := b.counts(t)
		for _, command := range []string{"first", "again"} { // the second time by statements that are kept
			if _, err := b.give("cand-a", command, journey.RecordResults, func(d *record.Draft) { d.Resources = many }); err == nil {
				t.Fatal("a version was published that there is already")
			}
		}
		if after := b.counts(t); after != before {
			t.Errorf("before %s\nafter  %s", before, after)
		}
		b.publish(t, "cand-a", "others", many[6:]...)
		if _, err := b.Verify(t.Context()); err != nil {
			t.Error(err)
		}
	})
}
