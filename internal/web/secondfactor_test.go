package web

import (
	"bytes"
	"context"
	"image/png"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"net/http/httptest"

	"github.com/labstack/echo/v4"
	"github.com/pquerna/otp"
	"github.com/pquerna/otp/totp"

	"candidacy/internal/engine"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
)

// newLockedDoor is the pages with keys to seal secrets with.
func newLockedDoor(t *testing.T, change func(*Deps)) *world {
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
	deps := Deps{
		Store: w.store, Protocols: protocol.NewRegistry(w.store.Protocol, w.protocol), Current: w.protocol, Now: w.clock.now, Sealer: engine.NewKeyring(),
	}
	if change != nil {
		change(&deps)
	}
	e := echo.New()
	must(t, Register(e, deps))
	w.site = httptest.NewServer(e)
	t.Cleanup(w.site.Close)
	return w
}

var (
	shownSecret = regexp.MustCompile(`<code id="secret">([A-Z2-7-]+)</code>`)
	shownCodes  = regexp.MustCompile(`<li><code>([A-Z2-7-]{19})</code></li>`)
)

// app is an authenticator app: the library's own, which the pages don't ask.
func app(t *testing.T, w *world, secret string) string {
	t.Helper()
	code, err := totp.GenerateCodeCustom(secret, w.clock.now(), totp.ValidateOpts{Period: 30, Digits: otp.DigitsSix, Algorithm: otp.AlgorithmSHA1})
	must(t, err)
	return code
}

// enrol sets up a second factor and returns its secret and recovery codes.
func enrol(t *testing.T, w *world, b *browser) (secret string, codes []string) {
	t.Helper()
	b.post("/account/second-factor", url.Values{"do": {"begin"}})
	page := b.get("/account/second-factor")
	found := shownSecret.FindStringSubmatch(page.body)
	if found == nil {
		t.Fatalf("no secret is shown: %d", page.status)
	}
	secret = strings.ReplaceAll(found[1], "-", "")
	got := b.post("/account/second-factor", url.Values{"do": {"confirm"}, "code": {app(t, w, secret)}})
	for _, code := range shownCodes.FindAllStringSubmatch(got.body, -1) {
		codes = append(codes, code[1])
	}
	if got.status != http.StatusOK || len(codes) != 10 {
		t.Fatalf("confirmed: %d with %d codes", got.status, len(codes))
	}
	return secret, codes
}

func TestSecondFactor(t *testing.T) {
	w := newLockedDoor(t, nil)
	ctx := context.Background()
	b, elsewhere := w.as("cora"), w.as("cora")
	b.get("/account").has(t, "None. ")
	b.get("/account/second-factor").lacks(t, `id="secret"`)
	b.post("/account/second-factor", url.Values{"do": {"begin"}})
	page := b.get("/account/second-factor")
	secret := strings.ReplaceAll(shownSecret.FindStringSubmatch(page.body)[1], "-", "")
	picture := b.get("/account/second-factor.png")
	drawn, err := png.Decode(bytes.NewReader([]byte(picture.body)))
	if err != nil || drawn.Bounds().Dx() < 200 || picture.header.Get("Content-Type") != "image/png" || picture.header.Get("Cache-Control") != "no-store" {
		t.Errorf("the picture: %d, %v", picture.status, err)
	}
	// What is stored opens for nobody without the keys, and nothing counts before a code.
	f, err := w.store.SecondFactor(ctx, "cora")
	must(t, err)
	if strings.Contains(f.Pending, secret) || f.Secret != "" {
		t.Errorf("%+v", f)
	}
	if got := b.post("/account/second-factor", url.Values{"do": {"confirm"}, "code": {"000000"}}); got.status != http.StatusForbidden {
		t.Errorf("a wrong code: %d", got.status)
	}
	before := secretOf(t, b)
	got := b.post("/account/second-factor", url.Values{"do": {"confirm"}, "code": {app(t, w, secret)}})
	var codes []string
	for _, code := range shownCodes.FindAllStringSubmatch(got.body, -1) {
		codes = append(codes, code[1])
	}
	if got.status != http.StatusOK || len(codes) != 10 || secretOf(t, b) == before {
		t.Fatalf("confirmed: %d, %d codes", got.status, len(codes))
	}
	if got := elsewhere.get("/account"); got.status != http.StatusSeeOther {
		t.Errorf("a session from before: %d", got.status)
	}
	if got := b.get("/account/second-factor.png"); got.status != http.StatusNotFound {
		t.Errorf("the picture afterwards: %d", got.status)
	}
	b.get("/account/second-factor").lacks(t, secret, codes[0])

	// The password alone lets nobody in.
	begin := func() *browser {
		t.Helper()
		b := w.browser()
		got := b.post("/sign-in", url.Values{"username": {"cora"}, "password": {password}, "next": {"/candidates/new"}})
		if got.header.Get("Location") != "/sign-in/code" || secretOf(t, b) != "" {
			t.Fatalf("after the password: %d to %q", got.status, got.header.Get("Location"))
		}
		if got := b.get("/account"); got.header.Get("Location") != "/sign-in?next=%2Faccount" {
			t.Errorf("a page after the password alone: %d", got.status)
		}
		return b
	}
	enter := func(b *browser, code string) answer {
		t.Helper()
		return b.post("/sign-in/code", url.Values{"code": {code}})
	}
	used := app(t, w, secret)
	b = begin()
	if got := enter(b, used); got.status != http.StatusForbidden {
		t.Errorf("the code that confirmed it, once more: %d", got.status)
	}
	w.clock.add(31 * time.Second)
	code := app(t, w, secret)
	if got := enter(b, code); got.header.Get("Location") != "/candidates/new" || secretOf(t, b) == "" {
		t.Errorf("a good code: %d to %q", got.status, got.header.Get("Location"))
	}
	// The same step, and the same code, are worth nothing a second time.
	if got := enter(b, code); got.header.Get("Location") != "/sign-in" {
		t.Errorf("the step once more: %d", got.status)
	}
	if got := enter(begin(), code); got.status != http.StatusForbidden {
		t.Errorf("the code once more: %d", got.status)
	}
	// A recovery code does too, once.
	b = begin()
	if got := enter(b, strings.ToLower(codes[3])); got.status != http.StatusSeeOther || secretOf(t, b) == "" {
		t.Errorf("a recovery code: %d", got.status)
	}
	if got := enter(begin(), codes[3]); got.status != http.StatusForbidden {
		t.Errorf("the recovery code once more: %d", got.status)
	}
	b.get("/account").has(t, "9 recovery codes left")
	// A step waits for five minutes.
	late := begin()
	w.clock.add(stepLife)
	if got := enter(late, app(t, w, secret)); got.header.Get("Location") != "/sign-in" {
		t.Errorf("a late code: %d to %q", got.status, got.header.Get("Location"))
	}
	// Guessing is limited by account, whatever browser guesses.
	w.clock.add(attemptWindow)
	for range attemptLimit {
		if got := enter(begin(), "000000"); got.status != http.StatusForbidden {
			t.Errorf("a guess: %d", got.status)
		}
	}
	if got := enter(begin(), app(t, w, secret)); got.status != http.StatusTooManyRequests || got.header.Get("Retry-After") == "" {
		t.Errorf("after too many guesses: %d", got.status)
	}
	w.clock.add(attemptWindow + time.Second)

	// Changes of it ask for a code.
	b = begin()
	enter(b, app(t, w, secret))
	for _, do := range []string{"begin", "codes", "remove"} {
		if got := b.post("/account/second-factor", url.Values{"do": {do}, "code": {"000000"}}); got.status != http.StatusForbidden {
			t.Errorf("%s without a code: %d", do, got.status)
		}
	}
	got = b.post("/account/second-factor", url.Values{"do": {"codes"}, "code": {codes[0]}})
	fresh := shownCodes.FindAllStringSubmatch(got.body, -1)
	if len(fresh) != 10 {
		t.Errorf("new codes: %d", got.status)
	}
	if got := enter(begin(), codes[1]); got.status != http.StatusForbidden {
		t.Errorf("a former recovery code: %d", got.status)
	}
	if got := b.post("/account/second-factor", url.Values{"do": {"remove"}, "code": {fresh[0][1]}}); got.header.Get("Location") != "/account/second-factor?done=remove" {
		t.Errorf("remove: %d", got.status)
	}
	if got := b.get("/account"); got.status != http.StatusOK {
		t.Errorf("after it was removed: %d", got.status)
	}
	w.as("cora")

	// An administrator takes it away for whoever lost the telephone.
	enrol(t, w, b)
	admin := w.as("admi")
	admin.get("/accounts?account=cora").has(t, "Second factor set up", "Recovery code used", "Cora Lindqvist, coordinator")
	if got := admin.post("/accounts", url.Values{"do": {"no-second-factor"}, "account": {"cora"}}); got.status != http.StatusSeeOther {
		t.Errorf("the administrator: %d", got.status)
	}
	if got := b.get("/account"); got.status != http.StatusSeeOther {
		t.Errorf("a session after that: %d", got.status)
	}
	w.as("cora")
	_, err = w.store.Verify(ctx)
	must(t, err)
}

func TestSecondFactorForAll(t *testing.T) {
	w := newLockedDoor(t, func(d *Deps) { d.RequireSecondFactor = true })
	b := w.as("clem")
	for _, path := range []string{"/", "/reports", "/measures"} {
		if got := b.get(path); got.header.Get("Location") != "/account/second-factor" {
			t.Errorf("%s leads to %q", path, got.header.Get("Location"))
		}
	}
	if got := b.post("/", url.Values{"q": {"x"}}); got.header.Get("Location") != "/account/second-factor" {
		t.Errorf("a search: %d", got.status)
	}
	b.get("/account/second-factor").has(t, "asks everybody for a second factor")
	secret, _ := enrol(t, w, b)
	if got := b.get("/"); got.status != http.StatusOK {
		t.Errorf("afterwards: %d", got.status)
	}
	// Removed, it is asked for again.
	w.clock.add(time.Minute)
	b.post("/account/second-factor", url.Values{"do": {"remove"}, "code": {app(t, w, secret)}})
	if got := b.get("/"); got.header.Get("Location") != "/account/second-factor" {
		t.Errorf("without it: %d", got.status)
	}
}
