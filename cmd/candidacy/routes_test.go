package main

import (
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/system"
)

// openRoutes are answered to everybody. Anything else is refused to whoever shows no
// token and is not signed in: a new route is either guarded or listed here.
var openRoutes = []string{
	"GET /healthz", "GET /readyz",
	"GET /api/openapi.yaml", "GET /api/protocol.schema.json",
	"GET /fhir/metadata", "GET /fhir/.well-known/smart-configuration", "GET /.well-known/smart-configuration",
	"POST /auth/token", // asks for a signed assertion
	"GET /sign-in", "POST /sign-in", "GET /sign-in/code", "POST /sign-in/code", "GET /sign-in/provider", "GET /sign-in/provider/back",
	"GET /assets/:name", "GET /my/:secret", "POST /my/:secret", "POST /my/:secret/close", "GET /my/:secret/stop", "POST /my/:secret/stop", "GET /my/:secret/stopped",
	"GET /my/:secret/calendar.ics", "GET /my/:secret/visits/:visit/calendar.ics",
	"GET /questions/:secret", "POST /questions/:secret", "GET /questions/:secret/:page", "POST /questions/:secret/:page",
}

// placeholder is what a route leaves open.
var placeholder = regexp.MustCompile(`[:*][A-Za-z]*`)

// TestEveryRouteIsGuarded asks every route that the program serves, as everybody and as
// nobody, with a token and with the token's role alone deciding.
func TestEveryRouteIsGuarded(t *testing.T) {
	sys, err := system.Open(t.Context(), system.Options{DataDir: t.TempDir(), Protocol: protocoltest.Brief()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := sys.Close(); err != nil {
			t.Error(err)
		}
	})
	handler, err := routes(sys, site{publicURL: "http://127.0.0.1"}, slog.New(slog.NewTextHandler(io.Discard, nil)), nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	tokens := map[journey.Role]string{"": ""}
	for _, role := range journey.Roles {
		if tokens[role], err = sys.Store.IssueToken(t.Context(), role, "", time.Hour); err != nil {
			t.Fatal(err)
		}
	}
	open := map[string]bool{}
	for _, r := range handler.(*echo.Echo).Routes() {
		method := strings.ToUpper(r.Method)
		if method != r.Method || method == "ECHO_ROUTE_NOT_FOUND" || r.Method == "echo_route_not_found" {
			continue
		}
		name := r.Method + " " + r.Path
		path := placeholder.ReplaceAllString(r.Path, "00000000-0000-4000-8000-000000000000")
		for role, token := range tokens {
			req := httptest.NewRequestWithContext(t.Context(), r.Method, path, strings.NewReader("?"))
			req.RemoteAddr = "192.0.2.1:1234"
			if token != "" {
				req.Header.Set("Authorization", "Bearer "+token)
			}
			rec := httptest.NewRecorder()
			handler.ServeHTTP(rec, req)
			status := rec.Code
			if status == http.StatusMethodNotAllowed {
				continue
			}
			if slices.Contains(openRoutes, strings.Replace(name, "HEAD ", "GET ", 1)) {
				open[strings.Replace(name, "HEAD ", "GET ", 1)] = true
				if status == http.StatusUnauthorized && !strings.HasPrefix(path, "/auth") || status == http.StatusForbidden {
					t.Errorf("%s as %q: %d, though it is open to everybody", name, role, status)
				}
				continue
			}
			switch {
			case strings.HasPrefix(path, "/fhir"):
				reads := role == journey.EHR || role == journey.Laboratory || role == journey.Auditor && strings.HasPrefix(path, "/fhir/AuditEvent")
				switch {
				case role == "" && status != http.StatusUnauthorized, role != "" && !reads && status != http.StatusForbidden, reads && status == http.StatusUnauthorized:
					t.Errorf("%s as %q: %d", name, role, status)
				}
				if role == "" && rec.Header().Get("WWW-Authenticate") != "Bearer" {
					t.Errorf("%s does not say how to authenticate", name)
				}
			case strings.HasPrefix(path, "/api"):
				// Who may do what is a table of its own, beside the API.
				if role == "" && status != http.StatusUnauthorized || (role == journey.EHR || role == "") && status < 400 {
					t.Errorf("%s as %q: %d", name, role, status)
				}
			default:
				// A token opens no page.
				if at := rec.Header().Get("Location"); status != http.StatusNotFound && (status != http.StatusSeeOther || !strings.HasPrefix(at, "/sign-in")) {
					t.Errorf("%s as %q: %d to %q", name, role, status, at)
				}
			}
		}
	}
	for _, name := range openRoutes {
		if !open[name] {
			t.Errorf("%s is listed and not served", name)
		}
	}
}
