package web

import (
	"context"
	"database/sql"
	"fmt"
	"net/http"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"net/http/httptest"

	"github.com/labstack/echo/v4"
	_ "modernc.org/sqlite" // to change what is on record behind the program's back

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
)

var olderLink = regexp.MustCompile(`<a href="([^"]+)" rel="next">Older</a>`)

// testAuditTrail looks at the trail of a world with two candidates.
func testAuditTrail(t *testing.T, w *world, id, other string) {
	b := w.as("audi")
	number, otherNumber := strings.ToUpper(short(id)), strings.ToUpper(short(other))
	all := b.get("/audit")
	all.has(t, number, otherNumber, "Results recorded", "Advocate assigned", "Cora Lindqvist, coordinator", "Clement Oduya, clinician")
	// No name, no number of the hospital and no value.
	looks := b.get("/audit?show=looks")
	looks.has(t, number, "Looked at one candidate", "Signed in, or tried to", "Refused (404)", "Refused (403)", "Adva Rosengren, advocate")
	for _, page := range []answer{all, looks, b.get("/audit?show=accounts")} {
		page.lacks(t, "Fjellgren", "Okonedo", "WEB-0001", "1979-05-02", "mg/dL", "R-771", "uncle", password)
	}
	b.get("/audit?show=accounts").has(t, "Added, coordinator", "Account of Cora Lindqvist", "The program, programme")

	only := b.get("/audit?candidate=" + strings.ToLower(number))
	only.has(t, number, "candidate "+number)
	only.lacks(t, ">"+otherNumber+"<")
	b.get("/audit?kind=record-results").lacks(t, "<div>Advocate assigned</div>", "<div>Referred</div>")
	b.get("/audit?who=clem").lacks(t, "<div>Cora Lindqvist, coordinator</div>")
	b.get("/audit?show=looks&who=adva&kind=view").lacks(t, "<div>Looked at a list</div>", "<div>Cora Lindqvist, coordinator</div>")
	b.get("/audit?until=2026-07-19").has(t, "Nothing is on record.")
	b.get("/audit?from=2026-07-20&until=2026-07-20").has(t, "Referred")
	b.get("/audit?from=2030-01-01&show=looks").has(t, "Nobody looked.")
	turned := b.get("/audit?from=2026-07-21&until=2026-07-20")
	wantStatus(t, "days the wrong way round", turned, http.StatusUnprocessableEntity)
	turned.has(t, "not before “From”")
	for path, says := range map[string]string{
		"/audit?candidate=nobody": "as it stands on the page", "/audit?candidate=ffffffff": "no candidate with this number", "/audit?until=today": "year-month-day", "/audit?show=all": "one of the lists",
	} {
		if got := b.get(path); got.status != http.StatusUnprocessableEntity || !strings.Contains(got.body, says) {
			t.Errorf("%s: %d", path, got.status)
		}
	}
	for _, path := range []string{"/audit?after=x", "/audit?after=x|y|z", "/audit?show=looks&after=-1"} {
		if got := b.get(path); got.status != http.StatusNotFound {
			t.Errorf("%s: %d", path, got.status)
		}
	}

	// Page by page every row comes once.
	for range 2*auditRows + 7 {
		must(t, w.store.LogAccess(context.Background(), record.Access{Interaction: record.AccessView, Actor: "many", Status: 200, Candidates: []string{id}}))
	}
	row := regexp.MustCompile(`<div class="digest">(\d+) [0-9a-f]{12}</div>`)
	seen, pages := map[string]int{}, 0
	for path := "/audit?show=looks&who=many"; path != ""; pages++ {
		page := b.get(path)
		for _, found := range row.FindAllStringSubmatch(page.body, -1) {
			seen[found[1]]++
		}
		path = ""
		if next := olderLink.FindStringSubmatch(page.body); next != nil {
			path = strings.ReplaceAll(next[1], "&amp;", "&")
		}
	}
	if pages != 3 || len(seen) != 2*auditRows+7 {
		t.Errorf("%d pages with %d rows", pages, len(seen))
	}

	v, err := w.store.Verify(context.Background())
	must(t, err)
	proof := b.get("/audit?verify=yes")
	proof.has(t, "Every chain holds", fmt.Sprint(v.Entries))
	if !regexp.MustCompile(`<code>[0-9a-f]{64}</code>`).MatchString(proof.body) {
		t.Error("the digest is not shown")
	}
}

// TestAuditTrailShowsABrokenChain changes an account behind the back of its chain.
func TestAuditTrailShowsABrokenChain(t *testing.T) {
	ctx := context.Background()
	file := filepath.Join(t.TempDir(), "records.db")
	w := &world{t: t, clock: &clock{at: time.Date(2026, 7, 20, 7, 0, 0, 0, time.UTC)}, protocol: protocoltest.Brief()}
	var err error
	w.store, err = record.Open(ctx, file, w.clock.now)
	must(t, err)
	t.Cleanup(func() { must(t, w.store.Close()) })
	_, err = w.store.AddAccount(ctx, "audi", "audi", "Audie Nakamura", journey.Auditor, password)
	must(t, err)
	e := echo.New()
	must(t, Register(e, Deps{Store: w.store, Protocols: protocol.NewRegistry(w.store.Protocol, w.protocol), Current: w.protocol, Now: w.clock.now}))
	w.site = httptest.NewServer(e)
	t.Cleanup(w.site.Close)
	b := w.as("audi")
	b.get("/audit?verify=yes").has(t, "Every chain holds")
	db, err := sql.Open("sqlite", file)
	must(t, err)
	_, err = db.ExecContext(ctx, "UPDATE account SET role = 'administrator' WHERE id = 'audi'")
	must(t, err)
	_, err = db.ExecContext(ctx, "UPDATE account SET role = 'auditor', name = 'Somebody else' WHERE id = 'audi'")
	must(t, err)
	must(t, db.Close())
	got := b.get("/audit?verify=yes")
	got.has(t, "A chain is broken", "Account audi, row 1", "differs from what its last change made of it")
	got.lacks(t, "Every chain holds")
}
