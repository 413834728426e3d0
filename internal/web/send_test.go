package web

import (
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"candidacy/internal/record"
)

// TestHTMX holds the vendored file to what the npm package htmx.org 2.0.11 holds as
// dist/htmx.min.js, and what it is told to be readable.
func TestHTMX(t *testing.T) {
	const published = "d6fdc75f204e6bdefa99b69bf1e6d4ac69b8a364f77929f45c13476b4000f717"
	file, err := assetFiles.ReadFile("assets/htmx.min.js")
	must(t, err)
	if sum := sha256.Sum256(file); hex.EncodeToString(sum[:]) != published {
		t.Errorf("htmx.min.js is another file: %x", sum)
	}
	var config map[string]any
	must(t, json.Unmarshal([]byte(htmxConfig), &config))
	for name, want := range map[string]any{
		"allowEval": false, "allowScriptTags": false, "includeIndicatorStyles": false, "selfRequestsOnly": true, "historyEnabled": false,
	} {
		if config[name] != want {
			t.Errorf("%s is %v", name, config[name])
		}
		if !strings.Contains(string(file), name) {
			t.Errorf("htmx knows no %s", name)
		}
	}
}

func TestPacked(t *testing.T) {
	for header, want := range map[string]bool{
		"": false, "gzip": true, "br, gzip;q=0.5": true, "deflate, GZIP": true, "gzip;q=0": false, "gzip; q=0": false, "identity": false,
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Header.Set("Accept-Encoding", header)
		if takesGzip(r) != want {
			t.Errorf("%q: %v", header, !want)
		}
	}
	text := strings.Repeat("A line of a page. ", 500)
	for range 2 { // the second with a packer that was used before
		small, err := packed([]byte(text))
		must(t, err)
		r, err := gzip.NewReader(strings.NewReader(string(small)))
		must(t, err)
		back, err := io.ReadAll(r)
		must(t, err)
		if string(back) != text || len(small) > 200 {
			t.Errorf("%d bytes became %d", len(text), len(small))
		}
	}
}

// testSend asks for the same page again, and sends forms with and without success.
func testSend(t *testing.T, w *world, id string) {
	b := w.as("audi")
	first := b.get("/")
	tag := first.header.Get("ETag")
	if tag == "" {
		t.Fatal("the board has no tag")
	}
	again := func(tag string) answer {
		r, err := http.NewRequest(http.MethodGet, w.site.URL+"/", nil)
		must(t, err)
		r.Header.Set("If-None-Match", tag)
		return b.do(r, nil)
	}
	end := func() int64 {
		list, err := w.store.Accesses(context.Background(), record.AccessQuery{Limit: 1})
		must(t, err)
		return list[0].Seq
	}
	before := end()
	if got := again(tag); got.status != http.StatusNotModified || got.body != "" {
		t.Errorf("an unchanged page: %d", got.status)
	}
	if end() != before {
		t.Error("an answer that tells nothing is on record")
	}
	if got := again(`W/"0"`); got.status != http.StatusOK || end() != before+1 {
		t.Errorf("a changed page: %d", got.status)
	}

	// A script that is signed out gets no page in the place of a part of one.
	r, err := http.NewRequest(http.MethodGet, w.site.URL+"/candidates/"+id, nil)
	must(t, err)
	r.Header.Set(headerHTMX, "true")
	if got := w.browser().do(r, nil); got.status != http.StatusUnauthorized || got.header.Get("Location") != "/sign-in?next=%2Fcandidates%2F"+id {
		t.Errorf("a signed-out script: %d, %s", got.status, got.header.Get("Location"))
	}
	if got := w.browser().post("/candidates/"+id+"/hold", url.Values{}); got.header.Get("Location") != "/sign-in?next=%2Fcandidates%2F"+id+"&unsent=yes" {
		t.Errorf("a signed-out form leads to %s", got.header.Get("Location"))
	}

	const number = "0123456789abcdef0123456789abcdef"
	cora := w.as("cora")
	done := func(path, number string, more url.Values) string {
		values := url.Values{"draft": {number}, "key": {newKey()}}
		for k, v := range more {
			values[k] = v
		}
		for _, cookie := range cora.post(path, values).header.Values("Set-Cookie") {
			if rest, ok := strings.CutPrefix(cookie, cookieDone+"="); ok {
				value, _, _ := strings.Cut(rest, ";")
				return value
			}
		}
		return ""
	}
	if got := done("/candidates/"+id+"/present-to-committee", number, nil); got != "" {
		t.Errorf("a refused form is acknowledged: %q", got)
	}
	if got := done("/", number, nil); got != number {
		t.Errorf("a form that was carried out is not acknowledged: %q", got)
	}
	if got := done("/", "x; Path=/y", nil); got != "" {
		t.Errorf("a number that is none is sent back: %q", got)
	}
}
