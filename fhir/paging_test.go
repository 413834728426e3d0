package fhir

import (
	"fmt"
	"maps"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/labstack/echo/v4"
	"pgregory.net/rapid"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/record"
)

// ticking is a store whose clock goes on by a second each time it is asked, and
// the server on it.
func ticking(t *testing.T) (*record.Store, *echo.Echo, func(time.Duration)) {
	now := testNow
	clock := func() time.Time {
		now = now.Add(time.Second)
		return now
	}
	store, err := record.Open(t.Context(), filepath.Join(t.TempDir(), "records.db"), clock)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	e := echo.New()
	Register(e.Group("/fhir"), store, Options{BaseURL: func(*http.Request) string { return testBase }, Now: clock})
	return store, e, func(d time.Duration) { now = now.Add(d) }
}

func personCalled(t interface{ Fatal(...any) }, id, family, born string) record.Resource {
	p := r4.Patient{Id: &id, Name: []r4.HumanName{{Family: &family}}, BirthDate: &born}
	var x index
	x.text("family", family)
	x.text("name", family)
	x.date("birthdate", &born)
	r, err := publish(typePatient, id, "", p, x)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestPagesUnderWrites plays reads of page after page with writes between them,
// in every order that chance finds: whatever is there all the time is found
// exactly once, however it is sorted and whatever its place becomes.
func TestPagesUnderWrites(t *testing.T) {
	store, e, _ := ticking(t)
	run := 0
	rapid.Check(t, func(t *rapid.T) {
		run++
		prefix := fmt.Sprintf("run%dx", run)
		standing := map[string]bool{} // whether it has matched all the time
		matches := map[string]bool{}
		created := 0
		letter := rapid.StringMatching(`[a-e]`)
		write := func(id, family string) {
			born := fmt.Sprintf("19%02d-01-01", rapid.IntRange(50, 59).Draw(t, "year"))
			if err := store.PublishProgramme(t.Context(), []record.Resource{personCalled(t, id, family, born)}); err != nil {
				t.Fatal(err)
			}
		}
		create := func() string {
			created++
			// Ids come in no order.
			id := fmt.Sprintf("%s-%02d-%d", letter.Draw(t, "id"), created, run)
			write(id, prefix+letter.Draw(t, "family"))
			matches[id] = true
			return id
		}
		for range rapid.IntRange(0, 12).Draw(t, "people") {
			standing[create()] = true
		}
		sort := rapid.SampledFrom([]string{"", "family", "-family", "_lastUpdated", "-_lastUpdated", "_id", "-_id", "birthdate,-family", "-birthdate"}).Draw(t, "sort")
		target := fmt.Sprintf("/fhir/Patient?family=%s&_count=%d", prefix, rapid.IntRange(1, 4).Draw(t, "count"))
		if sort != "" {
			target += "&_sort=" + sort
		}
		var seen []string
		quiet := true
		for pages := 0; target != ""; pages++ {
			if pages > 60 {
				t.Fatal("the pages do not end")
			}
			a := bundleOf(tester{t}, target, ask(e, "GET", target, ""))
			for _, name := range a.names("match") {
				seen = append(seen, strings.TrimPrefix(name, "Patient/"))
			}
			target = a.link("next")
			for range rapid.IntRange(0, 3).Draw(t, "writes") {
				quiet = false
				some := slices.Sorted(maps.Keys(matches))
				switch what := rapid.IntRange(0, 3).Draw(t, "what"); {
				case what == 0 || len(some) == 0:
					create()
				case what == 1: // goes out of what is looked for
					id := rapid.SampledFrom(some).Draw(t, "gone")
					write(id, "elsewhere")
					delete(matches, id)
					delete(standing, id)
				default: // takes another place
					write(rapid.SampledFrom(some).Draw(t, "moved"), prefix+letter.Draw(t, "to"))
				}
			}
		}
		once := map[string]bool{}
		for _, id := range seen {
			if once[id] {
				t.Errorf("%s is found twice: %v", id, seen)
			}
			once[id] = true
		}
		for id := range standing {
			if !once[id] {
				t.Errorf("%s is not found: %v", id, seen)
			}
		}
		if quiet && len(seen) != len(standing) {
			t.Errorf("%d found of %d", len(seen), len(standing))
		}
	})
}

// tester lets helpers of tests fail a property.
type tester struct{ *rapid.T }

func (tester) Helper() {}

// The same for histories: what was there at the first page is found once, in
// order, and what is added meanwhile is not found before it.
func TestHistoryPagesUnderWrites(t *testing.T) {
	store, e, _ := ticking(t)
	rapid.Check(t, func(t *rapid.T) {
		start := time.Time{}
		write := func() {
			id := rapid.SampledFrom([]string{"h-a", "h-b", "h-c"}).Draw(t, "id")
			family := rapid.StringMatching(`[a-z]{3}`).Draw(t, "family")
			if err := store.PublishProgramme(t.Context(), []record.Resource{personCalled(t, id, family, "1960-01-01")}); err != nil {
				t.Fatal(err)
			}
			if start.IsZero() {
				p, err := store.Resource(t.Context(), typePatient, id)
				if err != nil {
					t.Fatal(err)
				}
				start = p.UpdatedAt
			}
		}
		for range rapid.IntRange(1, 6).Draw(t, "versions") {
			write()
		}
		before, err := store.CountHistory(t.Context(), record.HistoryQuery{Of: map[string][]record.Query{typePatient: nil}, Since: start}, 0)
		if err != nil {
			t.Fatal(err)
		}
		target := fmt.Sprintf("/fhir/Patient/_history?_count=%d&_since=%s", rapid.IntRange(1, 9).Draw(t, "count"), start.UTC().Format(instantLayout))
		var seen []string
		for target != "" {
			a := bundleOf(tester{t}, target, ask(e, "GET", target, ""))
			for _, entry := range a.Entry {
				seen = append(seen, entry.Response.LastModified+" "+text(entry.Resource["id"])+" "+entry.Response.Etag)
			}
			target = a.link("next")
			for range rapid.IntRange(0, 2).Draw(t, "writes") {
				write()
			}
		}
		if len(seen) != before || !slices.IsSortedFunc(seen, func(a, b string) int { return strings.Compare(b[:24], a[:24]) }) {
			t.Errorf("%d of %d, or out of order: %v", len(seen), before, seen)
		}
		slices.Sort(seen)
		if len(slices.Compact(seen)) != before {
			t.Error("a version is found twice")
		}
	})
}

// The pages of a sorted search are kept for an hour, and then are gone.
func TestSortedPagesExpire(t *testing.T) {
	store, e, advance := ticking(t)
	for i := range 5 {
		if err := store.PublishProgramme(t.Context(), []record.Resource{personCalled(t, fmt.Sprintf("p%d", i), fmt.Sprintf("Name%d", i), "1960-01-01")}); err != nil {
			t.Fatal(err)
		}
	}
	next := get(t, e, "/fhir/Patient?_sort=-family&_count=2").link("next")
	advance(orderLife - time.Minute)
	if a := get(t, e, next); len(a.Entry) != 2 || text(a.Entry[0].Resource["id"]) != "p2" {
		t.Errorf("%v", a.names("match"))
	}
	// Asking again gives the same page.
	if a := get(t, e, next); len(a.Entry) != 2 || text(a.Entry[0].Resource["id"]) != "p2" {
		t.Errorf("%v", a.names("match"))
	}
	advance(2 * time.Minute)
	if w := ask(e, "GET", next, ""); w.Code != http.StatusGone || !strings.Contains(w.Body.String(), "search again") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	// The next search forgets it.
	get(t, e, "/fhir/Patient?_sort=family&_count=2")
	if _, err := store.FirstOfOrder(t.Context(), "x"); err == nil {
		t.Error("an order that is none is kept")
	}
}
