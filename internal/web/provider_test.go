package web

import (
	"context"
	"crypto/tls"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/engine"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/signin"
	"candidacy/internal/signin/issuer"
)

// newProvided is the pages with an identity provider that runs.
func newProvided(t *testing.T, change func(*Deps)) (*world, *issuer.Issuer) {
	t.Helper()
	ctx := context.Background()
	w := &world{t: t, clock: &clock{at: time.Date(2026, 7, 20, 7, 0, 0, 0, time.UTC)}, protocol: protocoltest.Brief()}
	var err error
	w.store, err = record.Open(ctx, filepath.Join(t.TempDir(), "records.db"), w.clock.now)
	must(t, err)
	t.Cleanup(func() { must(t, w.store.Close()) })
	for _, a := range staff {
		_, err := w.store.AddAccount(ctx, a.id, a.id, a.name, a.role, password)
		must(t, err)
	}
	id, err := issuer.New("candidacy", "a shared word", w.clock.now)
	must(t, err)
	t.Cleanup(id.Close)
	e := echo.New()
	w.site = httptest.NewServer(e)
	t.Cleanup(w.site.Close)
	provider, err := signin.NewProvider(signin.ProviderOptions{
		Issuer: id.URL, ClientID: "candidacy", ClientSecret: "a shared word", Name: "Hospital sign-in", Redirect: w.site.URL + ProviderRedirect, Now: w.clock.now,
	})
	must(t, err)
	deps := Deps{
		Store: w.store, Protocols: protocol.NewRegistry(w.store.Protocol, w.protocol), Current: w.protocol, Now: w.clock.now,
		Sealer: engine.NewKeyring(), Provider: provider,
	}
	if change != nil {
		change(&deps)
	}
	must(t, Register(e, deps))
	return w, id
}

// away goes to the provider and returns with what it came back.
func away(t *testing.T, b *browser, from string) string {
	t.Helper()
	got := b.get(from)
	if got.status != http.StatusSeeOther {
		t.Fatalf("%s: %d", from, got.status)
	}
	there := b.do(http.NewRequest(http.MethodGet, got.header.Get("Location"), nil))
	back, err := url.Parse(there.header.Get("Location"))
	must(t, err)
	return back.RequestURI()
}

func TestProvider(t *testing.T) {
	w, id := newProvided(t, nil)
	ctx := context.Background()
	person := map[string]any{"sub": "u-1", "email": "Cora.L@Example.org", "email_verified": true}
	id.SignsIn(person, nil)
	w.browser().get("/sign-in?next=%2Fcandidates%2Fnew").has(t, "Sign in with Hospital sign-in", `href="/sign-in/provider?next=%2Fcandidates%2Fnew"`)
	come := func() (*browser, answer) {
		t.Helper()
		b := w.browser()
		return b, b.get(away(t, b, "/sign-in/provider?next=%2Fcandidates%2Fnew"))
	}
	in := func(b *browser, got answer, to string) {
		t.Helper()
		if got.header.Get("Location") != to || secretOf(t, b) == "" {
			t.Errorf("%d to %q, want %q", got.status, got.header.Get("Location"), to)
		}
	}
	out := func(b *browser, got answer, says string) {
		t.Helper()
		if got.status != http.StatusForbidden || secretOf(t, b) != "" || !strings.Contains(got.body, says) {
			t.Errorf("%d, want to be kept out with %q", got.status, says)
		}
	}

	// Nobody is let in who was not linked, whatever their username or address here.
	must(t, w.store.SetEmail(ctx, "cora", "cora.l@example.org"))
	b, got := come()
	out(b, got, "no account here is linked to you")
	admin := w.as("admi")
	for _, c := range []struct{ email, subject, says string }{
		{"", "", "enter the address"}, {"cora", "", "an address alone"}, {"a@example.org", "x", "one of the two"}, {"", strings.Repeat("x", 256), "255"},
	} {
		got := admin.post("/accounts", url.Values{"do": {"link"}, "account": {"cora"}, "link_email": {c.email}, "link_subject": {c.subject}})
		if got.status != http.StatusUnprocessableEntity || !strings.Contains(strings.ToLower(got.body), strings.ToLower(c.says)) {
			t.Errorf("%+v: %d", c, got.status)
		}
	}
	link := url.Values{"do": {"link"}, "account": {"cora"}, "link_email": {"cora.l@example.org"}}
	if got := admin.post("/accounts", link); got.status != http.StatusSeeOther {
		t.Fatalf("the link: %d", got.status)
	}
	link.Set("account", "clem")
	if got := admin.post("/accounts", link); got.status != http.StatusUnprocessableEntity {
		t.Errorf("a second account for the same person: %d", got.status)
	}
	id.SignsIn(person, func(c map[string]any) { c["email_verified"] = false })
	b, got = come()
	out(b, got, "no account here")
	id.SignsIn(person, nil)
	b, got = come()
	in(b, got, "/candidates/new")
	admin.get("/accounts?account=cora").has(t, "Linked to the identity provider: cora.l@example.org", "signed it in for the first time")
	// The address is worth nothing any more once the subject is known.
	id.SignsIn(map[string]any{"sub": "u-2", "email": "cora.l@example.org", "email_verified": true}, nil)
	b, got = come()
	out(b, got, "no account here")
	id.SignsIn(person, nil)

	// What comes back is looked at once, and in the browser that went.
	b = w.browser()
	back := away(t, b, "/sign-in/provider")
	other := w.browser()
	out(other, other.get(back), "begun in another browser")
	in(b, b.get(back), "/today")
	again := w.browser()
	out(again, again.get(back), "begun in another browser")
	if got := b.get(back); got.status != http.StatusForbidden {
		t.Errorf("the same answer again: %d", got.status)
	}
	// A victim's browser does not take an attacker's answer.
	victim := w.browser()
	away(t, victim, "/sign-in/provider")
	attacker := w.browser()
	out(victim, victim.get(away(t, attacker, "/sign-in/provider")), "was not accepted")
	late := w.browser()
	back = away(t, late, "/sign-in/provider")
	w.clock.add(providerLife)
	out(late, late.get(back), "took too long")
	for says, change := range map[string]func(map[string]any){
		"nonce": func(c map[string]any) { c["nonce"] = "x" }, "audience": func(c map[string]any) { c["aud"] = "other" },
		"time": func(c map[string]any) { c["exp"] = w.clock.now().Unix() - 1 },
	} {
		id.SignsIn(person, change)
		b, got = come()
		out(b, got, "was not accepted")
		if strings.Contains(got.body, says) {
			t.Errorf("the page tells what was wrong: %s", says)
		}
	}
	id.SignsIn(nil, nil)
	b, got = come()
	out(b, got, "was not accepted")
	id.SignsIn(person, nil)
	if got := w.browser().get("/sign-in/provider?next=%2F%2Fevil.example"); got.status != http.StatusSeeOther {
		t.Errorf("another way back: %d", got.status)
	}

	// One's own second factor is asked for, unless the provider asked for one.
	b, got = come()
	in(b, got, "/candidates/new")
	_, codes := enrol(t, w, b)
	b, got = come()
	if got.header.Get("Location") != "/sign-in/code" || secretOf(t, b) != "" {
		t.Errorf("with a second factor here: %d to %q", got.status, got.header.Get("Location"))
	}
	in(b, b.post("/sign-in/code", url.Values{"code": {codes[0]}}), "/candidates/new")
	id.SignsIn(person, func(c map[string]any) { c["amr"] = []string{"pwd", "otp", "mfa"} })
	b, got = come()
	in(b, got, "/candidates/new")

	// Signing in is in the access log, with who was let in and nobody else.
	rows, err := w.store.Accesses(ctx, record.AccessQuery{Interactions: []string{record.AccessSignIn}, Limit: 2})
	must(t, err)
	if len(rows) != 2 || rows[0].Actor != "cora" || rows[0].Status != http.StatusSeeOther {
		t.Errorf("%+v", rows)
	}
	rows, err = w.store.Accesses(ctx, record.AccessQuery{Interactions: []string{record.AccessSignIn}, Statuses: [][2]int{{403, 404}}, Limit: 50})
	must(t, err)
	for _, row := range rows {
		if row.Actor != "" && row.Actor != "cora" || len(row.Candidates) > 0 {
			t.Errorf("%+v", row)
		}
	}

	must(t, w.store.DisableAccount(ctx, "cora"))
	b, got = come()
	out(b, got, "no account here")
	must(t, w.store.EnableAccount(ctx, "cora"))
	if got := w.as("admi").post("/accounts", url.Values{"do": {"unlink"}, "account": {"cora"}}); got.header.Get("Location") != "/accounts?account=cora&done=unlink" {
		t.Errorf("unlink: %d", got.status)
	}
	b, got = come()
	out(b, got, "no account here")
	_, err = w.store.Verify(ctx)
	must(t, err)
}

func TestProviderWithSecondFactorForAll(t *testing.T) {
	w, id := newProvided(t, func(d *Deps) { d.RequireSecondFactor = true })
	must(t, w.store.SetLink(context.Background(), "clem", record.Link{Issuer: id.URL, Subject: "u-9"}))
	for _, c := range []struct {
		methods []string
		leads   string
	}{{nil, "/account/second-factor"}, {[]string{"pwd"}, "/account/second-factor"}, {[]string{"mfa"}, ""}} {
		id.SignsIn(map[string]any{"sub": "u-9", "amr": c.methods}, nil)
		b := w.browser()
		b.get(away(t, b, "/sign-in/provider"))
		if got := b.get("/measures"); got.header.Get("Location") != c.leads {
			t.Errorf("%v leads to %q, want %q", c.methods, got.header.Get("Location"), c.leads)
		}
	}
	id.Break(true)
	w2, id2 := newProvided(t, nil)
	id2.Break(true)
	if got := w2.browser().get("/sign-in/provider"); got.status != http.StatusBadGateway || !strings.Contains(got.body, "does not answer now") {
		t.Errorf("a provider that is away: %d", got.status)
	}
}

// TestCookiesOverTLS: with the prefix, a browser takes the cookies from this host and
// by https alone (RFC 6265bis, 4.1.3.2).
func TestCookiesOverTLS(t *testing.T) {
	w, id := newProvided(t, func(d *Deps) { d.Secure = true })
	secure := httptest.NewUnstartedServer(w.site.Config.Handler)
	secure.TLS = &tls.Config{MinVersion: tls.VersionTLS12}
	secure.StartTLS()
	t.Cleanup(secure.Close)
	id.SignsIn(map[string]any{"sub": "u-1"}, nil)
	for _, path := range []string{"/sign-in/provider"} {
		res, err := func() (*http.Response, error) {
			client := secure.Client()
			client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
			return client.Get(secure.URL + path)
		}()
		must(t, err)
		must(t, res.Body.Close())
		for _, c := range res.Cookies() {
			if !strings.HasPrefix(c.Name, "__Host-") || !c.Secure || !c.HttpOnly || c.Path != "/" || c.Domain != "" || c.SameSite != http.SameSiteLaxMode {
				t.Errorf("%s: %+v", path, c)
			}
		}
		if len(res.Cookies()) != 1 {
			t.Errorf("%d cookies", len(res.Cookies()))
		}
	}
}
