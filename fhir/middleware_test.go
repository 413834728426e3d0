package fhir

import (
	"compress/gzip"
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
)

// behind is the endpoint as the program mounts it: with what stands in front of
// authentication, which here wants any token at all.
func behind(t *testing.T) *echo.Echo {
	e := echo.New()
	token := func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			if c.Request().Header.Get(echo.HeaderAuthorization) == "" {
				return WriteOutcome(c, http.StatusUnauthorized, "login", "send a token")
			}
			return next(c)
		}
	}
	Register(e.Group("/fhir", append(Middleware(), token)...), seeded(t), Options{BaseURL: func(*http.Request) string { return testBase }})
	return e
}

func TestMiddleware(t *testing.T) {
	e := behind(t)
	const obs = "/fhir/Observation"
	authorized := []string{"Authorization", "Bearer x", "Origin", "https://app.example"}
	with := func(more ...string) []string { return append(slices.Clone(authorized), more...) }

	// Scripts of any origin may ask, once they have shown a token.
	w := ask(e, "OPTIONS", obs, "", "Origin", "https://app.example", "Access-Control-Request-Method", "GET", "Access-Control-Request-Headers", "authorization")
	if h := w.Header(); w.Code != 204 || h.Get("Access-Control-Allow-Origin") != "*" || !strings.Contains(h.Get("Access-Control-Allow-Headers"), "Authorization") ||
		!strings.Contains(h.Get("Access-Control-Allow-Methods"), "GET") || h.Get("Access-Control-Allow-Credentials") != "" {
		t.Errorf("preflight: %d %v", w.Code, w.Header())
	}
	for _, headers := range [][]string{authorized, {"Origin", "https://app.example"}} {
		w = ask(e, "GET", obs+"?_count=1", "", headers...)
		h := w.Header()
		if h.Get("Access-Control-Allow-Origin") != "*" {
			t.Errorf("%d: %v", w.Code, h)
		}
		for _, name := range []string{"ETag", "Location", "Content-Location", "Last-Modified", "X-Request-Id"} {
			if !strings.Contains(strings.ToLower(h.Get("Access-Control-Expose-Headers")), strings.ToLower(name)) {
				t.Errorf("%s is not exposed: %v", name, h)
			}
		}
	}
	if w.Code != 401 || !strings.Contains(w.Body.String(), `"login"`) {
		t.Errorf("without a token: %d %s", w.Code, w.Body)
	}

	// Every answer names its request.
	id := uuid.NewString()
	if got := ask(e, "GET", obs, "", with("X-Request-Id", id)...).Header().Get("X-Request-Id"); got != id {
		t.Errorf("request %s is answered as %s", id, got)
	}
	for _, other := range []string{"", "Jane Roe", strings.Repeat("a", 5000)} {
		got := ask(e, "GET", "/fhir/Nonsense", "", with("X-Request-Id", other)...).Header().Get("X-Request-Id")
		if _, err := uuid.Parse(got); err != nil {
			t.Errorf("request %.20q is answered as %q", other, got)
		}
	}

	// What is worth it is compressed for whoever asks.
	plain := ask(e, "GET", obs, "", authorized...)
	packed := ask(e, "GET", obs, "", with("Accept-Encoding", "gzip")...)
	if packed.Header().Get("Content-Encoding") != "gzip" || packed.Body.Len() >= plain.Body.Len()/2 || !strings.Contains(strings.Join(packed.Header().Values("Vary"), ","), "Accept-Encoding") {
		t.Errorf("%d of %d bytes, %v", packed.Body.Len(), plain.Body.Len(), packed.Header())
	}
	r, err := gzip.NewReader(packed.Body)
	if err != nil {
		t.Fatal(err)
	}
	if body, err := io.ReadAll(r); err != nil || string(body) != plain.Body.String() {
		t.Errorf("unpacked: %v %.200s", err, body)
	}
	for target, headers := range map[string][]string{
		obs + "?_count=0": with("Accept-Encoding", "gzip"), obs: authorized, "/fhir/Nonsense": with("Accept-Encoding", "gzip"),
	} {
		if got := ask(e, "GET", target, "", headers...).Header().Get("Content-Encoding"); got != "" {
			t.Errorf("%s is %s", target, got)
		}
	}
	// A copy that is still current has no body to compress.
	etag := ask(e, "GET", "/fhir/Patient/"+candidateA, "", authorized...).Header().Get("ETag")
	if w := ask(e, "GET", "/fhir/Patient/"+candidateA, "", with("Accept-Encoding", "gzip", "If-None-Match", etag)...); w.Code != 304 || w.Body.Len() > 0 {
		t.Errorf("%d %q", w.Code, w.Body)
	}
}
