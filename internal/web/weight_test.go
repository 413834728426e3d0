package web

import (
	"io"
	"net/http"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// mostSent is what a page may send on its first load with everything that it loads, in
// bytes as they are sent.
const mostSent = 150_000

// testWeight opens pages as a browser does that knows nothing yet, and counts what is
// sent. What a page loads is named in the page itself, so that all of it is asked for at
// once: nothing waits for more than one round trip after the page.
func testWeight(t *testing.T, w *world, id string) {
	asset := map[string]int{}
	sent := func(b *browser, path string) (int, string) {
		t.Helper()
		r, err := http.NewRequest(http.MethodGet, w.site.URL+path, nil)
		must(t, err)
		r.Header.Set("Accept-Encoding", "gzip") // asked for by hand, it is not unpacked
		res, err := b.http.Do(r)
		must(t, err)
		raw, err := io.ReadAll(res.Body)
		must(t, err)
		must(t, res.Body.Close())
		if res.StatusCode != http.StatusOK {
			t.Fatalf("%s: %d", path, res.StatusCode)
		}
		if len(raw) > leastPacked && res.Header.Get("Content-Encoding") != "gzip" {
			t.Errorf("%s is not packed", path)
		}
		return len(raw), b.get(path).body
	}
	cora := w.as("cora")
	for _, page := range []struct {
		b    *browser
		path string
	}{
		{w.browser(), "/sign-in"}, {cora, "/today"}, {cora, "/"}, {cora, "/?show=all&sort=name"}, {cora, "/candidates/new"}, {cora, "/candidates/" + id},
		{w.as("clem"), "/candidates/" + id}, {w.as("clem"), "/candidates/" + id + "/results"}, {cora, "/reports"}, {cora, "/follow-up"}, {cora, "/measures"}, {cora, "/measures/people"}, {w.as("admi"), "/measures"}, {cora, "/incoming"}, {cora, "/notices"},
		{w.as("admi"), "/protocols"}, {w.as("admi"), "/clients"},
	} {
		total, body := sent(page.b, page.path)
		root, err := html.Parse(strings.NewReader(body))
		must(t, err)
		for n := range root.Descendants() {
			for _, a := range n.Attr {
				if n.Type != html.ElementNode || n.Data != "script" && n.Data != "link" && n.Data != "img" || a.Key != "src" && a.Key != "href" {
					continue
				}
				if !strings.HasPrefix(a.Val, "/assets/") {
					t.Errorf("%s loads %s", page.path, a.Val)
					continue
				}
				if asset[a.Val] == 0 {
					size, text := sent(page.b, a.Val)
					if asset[a.Val] = size; strings.Contains(text, "@import") || strings.Contains(text, "import(") {
						t.Errorf("%s loads more", a.Val)
					}
				}
				total += asset[a.Val]
			}
		}
		if total > mostSent || total < 10_000 {
			t.Errorf("%s sends %d bytes, at most %d", page.path, total, mostSent)
		}
		t.Logf("%s: %d bytes", page.path, total)
	}
}
