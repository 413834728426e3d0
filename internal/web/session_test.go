package web

import (
	"context"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"net/http/httptest"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
)

// newDoor is the pages without an engine: enough for signing in.
func newDoor(t *testing.T, secure bool) *world {
	t.Helper()
	ctx := context.Background()
	w := &world{t: t, clock: &clock{at: time.Date(2026, 7, 20, 7, 0, 0, 0, time.UTC)}, protocol: protocoltest.Brief()}
	var err error
	w.store, err = record.Open(ctx, filepath.Join(t.TempDir(), "records.db"), w.clock.now)
	must(t, err)
	t.Cleanup(func() { must(t, w.store.Close()) })
	_, err = w.store.AddAccount(ctx, "cora", "cora", "Cora Lindqvist", journey.Coordinator, password)
	must(t, err)
	e := echo.New()
	must(t, Register(e, Deps{
		Store: w.store, Protocols: protocol.NewRegistry(w.store.Protocol, w.protocol), Current: w.protocol, Now: w.clock.now, Secure: secure,
		SignIns: []SignIn{{"cora", journey.Coordinator, "never shown outside the demonstration"}},
	}))
	w.site = httptest.NewServer(e)
	t.Cleanup(w.site.Close)
	return w
}

func secretOf(t *testing.T, b *browser) string {
	t.Helper()
	site, err := url.Parse(b.w.site.URL)
	must(t, err)
	for _, c := range b.http.Jar.Cookies(site) {
		if c.Name == "candidacy" {
			return c.Value
		}
	}
	return ""
}

func TestSessions(t *testing.T) {
	w := newDoor(t, false)
	site, err := url.Parse(w.site.URL)
	must(t, err)

	// A planted secret is worth nothing, before and after signing in.
	b := w.browser()
	b.http.Jar.SetCookies(site, []*http.Cookie{{Name: "candidacy", Value: "planted", Path: "/"}})
	if got := b.get("/"); got.status != http.StatusSeeOther {
		t.Errorf("a planted secret: %d", got.status)
	}
	b.post("/sign-in", url.Values{"username": {"cora"}, "password": {password}})
	first := secretOf(t, b)
	if first == "planted" || first == "" {
		t.Fatalf("the secret after signing in is %q", first)
	}

	// Signing in again makes a new secret and ends the old one.
	b.post("/sign-in", url.Values{"username": {"cora"}, "password": {password}})
	second := secretOf(t, b)
	if second == first {
		t.Error("the secret is the same after signing in again")
	}
	old := w.browser()
	old.http.Jar.SetCookies(site, []*http.Cookie{{Name: "candidacy", Value: first, Path: "/"}})
	if got := old.get("/"); got.status != http.StatusSeeOther {
		t.Errorf("the old secret: %d", got.status)
	}

	// Signing out ends it on the server and not only in the browser.
	if got := b.post("/sign-out", nil); got.status != http.StatusSeeOther {
		t.Errorf("sign out: %d", got.status)
	}
	b.http.Jar.SetCookies(site, []*http.Cookie{{Name: "candidacy", Value: second, Path: "/"}})
	if got := b.get("/"); got.status != http.StatusSeeOther {
		t.Errorf("the secret after signing out: %d", got.status)
	}

	// A session ends by the clock: unused after an hour, used after ten.
	b = w.as("cora")
	w.clock.add(sessionIdle - time.Second)
	if got := b.get("/"); got.status != http.StatusOK {
		t.Errorf("just before it was unused for too long: %d", got.status)
	}
	w.clock.add(sessionIdle)
	if got := b.get("/"); got.status != http.StatusSeeOther {
		t.Errorf("unused: %d", got.status)
	}
	b = w.as("cora")
	for left := sessionLife - time.Second; left > 0; left -= sessionIdle / 2 {
		w.clock.add(min(left, sessionIdle/2))
		if got := b.get("/"); got.status != http.StatusOK {
			t.Errorf("%s before the end: %d", left, got.status)
		}
	}
	w.clock.add(2 * time.Second)
	if got := b.get("/"); got.status != http.StatusSeeOther {
		t.Errorf("after the end: %d", got.status)
	}
	w.browser().get("/sign-in").lacks(t, "never shown outside the demonstration", "Synthetic")
}

// TestAnOpenPageDoesNotKeepItsSession: what a page asks for by itself is no use of a
// session.
func TestAnOpenPageDoesNotKeepItsSession(t *testing.T) {
	w := newDoor(t, false)
	b := w.as("cora")
	poll := func() answer {
		r, err := http.NewRequest(http.MethodGet, w.site.URL+"/account", nil)
		must(t, err)
		r.Header.Set("Sec-Fetch-Mode", "cors")
		return b.do(r, nil)
	}
	w.clock.add(sessionIdle - time.Second)
	if got := poll(); got.status != http.StatusOK {
		t.Errorf("a live session: %d", got.status)
	}
	w.clock.add(time.Second)
	if got := poll(); got.status != http.StatusSeeOther {
		t.Errorf("the page kept its session alive: %d", got.status)
	}
}

func TestCookie(t *testing.T) {
	for _, secure := range []bool{false, true} {
		got := newDoor(t, secure).browser().post("/sign-in", url.Values{"username": {"cora"}, "password": {password}})
		cookie := got.header.Get("Set-Cookie")
		for _, want := range []string{"HttpOnly", "SameSite=Lax", "Path=/"} {
			if !strings.Contains(cookie, want) {
				t.Errorf("the cookie lacks %s: %s", want, cookie)
			}
		}
		if secure != strings.Contains(cookie, "Secure") || secure != strings.HasPrefix(cookie, "__Host-") {
			t.Errorf("secure %v: %s", secure, cookie)
		}
	}
}

func TestSignInLimit(t *testing.T) {
	w := newDoor(t, false)
	b := w.browser()
	wrong := url.Values{"username": {"cora"}, "password": {"wrong"}, "next": {"https://evil.example/"}}
	for i := range attemptLimit {
		got := b.post("/sign-in", wrong)
		if got.status != http.StatusForbidden {
			t.Fatalf("attempt %d: %d", i+1, got.status)
		}
		got.lacks(t, "evil.example", `value="wrong"`)
	}
	right := url.Values{"username": {"cora"}, "password": {password}, "next": {"//evil.example"}}
	got := b.post("/sign-in", right)
	if got.status != http.StatusTooManyRequests || got.header.Get("Retry-After") == "" {
		t.Errorf("the sixth attempt: %d", got.status)
	}
	got.has(t, "Too many attempts to sign in", "Wait 15 minutes")
	w.clock.add(attemptWindow + time.Second)
	got = b.post("/sign-in", right)
	if got.status != http.StatusSeeOther || got.header.Get("Location") != "/today" {
		t.Errorf("after the window: %d %s", got.status, got.header.Get("Location"))
	}
	got = w.browser().post("/sign-in", url.Values{"username": {"nobody"}, "password": {"wrong"}})
	got.has(t, "The username or the password is wrong.")
}
