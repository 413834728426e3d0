package web

import (
	"context"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/record"
)

// fillers stand for what routes leave open. A route that leaves something else open
// fails until it is named here.
func fillers(id string) map[string]string {
	return map[string]string{
		":id": id, ":kind": "hold", ":check": "confirm-verification", ":name": "none.css", ":secret": "no-secret", ":message": "m-none", ":part": "0", ":document": "0",
		":meeting": "00000000-0000-4000-8000-000000000000", ":letter": "1", ":page": "why", ":requirement": "surgery-review", ":visit": "planned-1", ":day": "2026-07-20",
	}
}

var leftOpen = regexp.MustCompile(`:[a-z]+`)

// pathOf is a route's path for one candidate.
func pathOf(t *testing.T, path, id string) string {
	t.Helper()
	known := fillers(id)
	return leftOpen.ReplaceAllStringFunc(path, func(name string) string {
		value, ok := known[name]
		if !ok {
			t.Errorf("%s leaves %s open: name a value for it", path, name)
		}
		return value
	})
}

// testCandidateLooks opens every route below a candidate as everybody: each answer has
// its row, which names the candidate if anything of them was shown.
func testCandidateLooks(t *testing.T, w *world, id string) {
	ctx := context.Background()
	shown := 0
	for _, username := range []string{"cora", "clem", "adva", "adil", "comm", "audi", "edna", "admi", ""} {
		b := w.browser()
		if username != "" {
			b = w.as(username)
		}
		for _, r := range (&server{}).routes() {
			if r.method != http.MethodGet || !strings.HasPrefix(r.path, pathCandidate) {
				continue
			}
			path := pathOf(t, r.path, id)
			before, err := w.store.Accesses(ctx, record.AccessQuery{Limit: 1})
			must(t, err)
			got := b.get(path)
			rows, err := w.store.Accesses(ctx, record.AccessQuery{After: before[0].Seq, Limit: 10})
			must(t, err)
			if len(rows) != 1 {
				t.Errorf("%s as %q: %d rows", r.path, username, len(rows))
				continue
			}
			row := rows[0]
			if row.Actor != username || row.Status != got.status || row.Type != "Patient" || row.ID != id {
				t.Errorf("%s as %q: %d is logged as %+v", r.path, username, got.status, row)
			}
			if got.status == http.StatusOK {
				shown++
				if !slices.Equal(row.Candidates, []string{id}) {
					t.Errorf("%s as %q shows the candidate and names %v", r.path, username, row.Candidates)
				}
			}
		}
	}
	if shown < 8 {
		t.Errorf("only %d answers showed the candidate", shown)
	}
}

// testEveryHeader asks every route as everybody: whatever the answer is, nothing keeps
// it, frames it, or runs in it what is not the program's own.
func testEveryHeader(t *testing.T, w *world, id string) {
	for _, username := range []string{"cora", "audi", "admi", ""} {
		b := w.browser()
		if username != "" {
			b = w.as(username)
		}
		for _, r := range (&server{}).routes() {
			if r.path == pathSignOut {
				continue
			}
			got := b.do(http.NewRequest(r.method, w.site.URL+pathOf(t, r.path, id), nil))
			csp := got.header.Get("Content-Security-Policy")
			for _, want := range []string{"default-src 'self'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'"} {
				if !strings.Contains(csp, want) {
					t.Errorf("%s %s as %q: the policy lacks %s", r.method, r.path, username, want)
				}
			}
			if strings.Contains(csp, "unsafe") || strings.Contains(csp, "http:") || strings.Contains(csp, "data:") || strings.Contains(csp, "*") {
				t.Errorf("%s %s: the policy is %s", r.method, r.path, csp)
			}
			for name, want := range map[string]string{
				"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "Cross-Origin-Opener-Policy": "same-origin",
			} {
				if got.header.Get(name) != want {
					t.Errorf("%s %s as %q: %s is %q", r.method, r.path, username, name, got.header.Get(name))
				}
			}
		}
	}
}

// testEveryForm sends every form from another site, with the cookies of somebody who
// may send it: none is accepted.
func testEveryForm(t *testing.T, w *world, id string) {
	for _, username := range []string{"cora", "comm", "admi", ""} {
		b := w.browser()
		if username != "" {
			b = w.as(username)
		}
		before := candidateState(t, w, id).Seq
		for _, r := range (&server{}).routes() {
			if r.method != http.MethodPost {
				continue
			}
			for name, header := range map[string]http.Header{"fetch metadata": {"Sec-Fetch-Site": {"cross-site"}}, "a sibling": {"Sec-Fetch-Site": {"same-site"}}, "origin": {"Origin": {"https://elsewhere.example"}}} {
				req, err := http.NewRequest(r.method, w.site.URL+pathOf(t, r.path, id), strings.NewReader("key=x&note=y&do=disable"))
				must(t, err)
				req.Header = header.Clone()
				req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
				if got := b.do(req, nil); got.status != http.StatusForbidden {
					t.Errorf("%s, %s as %q: %d", name, r.path, username, got.status)
				}
			}
		}
		if after := candidateState(t, w, id).Seq; after != before {
			t.Errorf("a form from elsewhere changed the record as %q", username)
		}
	}
}
