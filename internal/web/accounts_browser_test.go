package web

import (
	"context"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"candidacy/internal/record"
)

// TestBrowserAccounts takes an administrator, a new colleague and an auditor through
// their pages, in both colour schemes, on a phone and on paper.
func TestBrowserAccounts(t *testing.T) {
	program := chromium(t)
	w, id := newProvided(t, func(d *Deps) { d.Demo = true })
	id.SignsIn(map[string]any{"sub": "u-1"}, nil)
	s := newScreen(t, program, w.site.URL)
	look := func(name string) {
		t.Helper()
		s.check(name)
		s.narrow(name)
	}
	s.open("/sign-in")
	look("sign-in-provider")

	// By keyboard alone: the new account's form is filled in and sent with Enter.
	s.signIn("admi")
	s.open("/accounts")
	eval[chromedp.Void](s, `document.getElementById("add-username").focus()`)
	must(t, chromedp.Do(s.ctx, chromedp.KeyEvent("nora.b\tNora Bellweather\tclin\tnora@example.org")))
	_, err := chromedp.RunResponse(s.ctx, chromedp.KeyEvent("\r"))
	must(t, err)
	look("first-password")
	first := s.text("#password")
	if len(first) != 26 {
		t.Fatalf("the password is %q", s.text("main"))
	}
	_, err = chromedp.RunResponse(s.ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector("main p:last-child a").click()`))
	must(t, err)
	if role := s.text("main dl"); !strings.Contains(role, "Clinician") {
		t.Errorf("the account is %s", role)
	}
	s.send("role-role")
	if s.text(".notice") == "" {
		t.Error("the role was not accepted")
	}

	// The colleague changes the password and sets up a second factor.
	_, err = chromedp.RunResponse(s.ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector(".who").requestSubmit()`))
	must(t, err)
	s.open("/sign-in")
	s.set("username", "nora.b")
	s.set("password", first)
	s.send("username")
	look("account-first")
	s.set("own-password-present", first)
	s.set("own-password-password", "short")
	s.set("own-password-again", "short")
	if _, problem := s.send("own-password-present"); !strings.Contains(problem, "shorter than 12") {
		t.Errorf("a short password: %q", problem)
	}
	look("account-errors")
	s.set("own-password-present", first)
	s.set("own-password-password", "seven grey herons")
	s.set("own-password-again", "seven grey herons")
	if notice, problem := s.send("own-password-present"); notice == "" {
		t.Fatalf("the new password: %s", problem)
	}
	s.open("/account/second-factor")
	begin := chromedp.Evaluate[chromedp.Void](`document.querySelector("#begin form").requestSubmit()`)
	_, err = chromedp.RunResponse(s.ctx, begin)
	must(t, err)
	if !eval[bool](s, `document.querySelector(".factor img").naturalWidth > 200`) {
		t.Error("the picture is not there")
	}
	secret := strings.ReplaceAll(s.text("#secret"), "-", "")
	s.set("confirm-code", app(t, w, secret))
	s.send("confirm-code")
	look("recovery-codes")
	codes := s.text(".codes")
	if strings.Count(codes, "\n") < 9 {
		t.Errorf("the codes are %q", codes)
	}
	s.open("/account/second-factor")
	look("second-factor-set")
	_, err = chromedp.RunResponse(s.ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector(".who").requestSubmit()`))
	must(t, err)
	s.open("/sign-in")
	s.set("username", "nora.b")
	s.set("password", "seven grey herons")
	s.send("username")
	s.set("code-code", "000000")
	if _, problem := s.send("code-code"); !strings.Contains(problem, "wrong") {
		t.Errorf("a wrong code: %q", problem)
	}

	// The auditor searches, verifies and prints; the advocate's way in an emergency.
	for range 3 {
		must(t, w.store.LogAccess(context.Background(), record.Access{Interaction: record.AccessView, Actor: "cora", Role: "coordinator", Status: 200, Type: "Patient", Candidates: []string{"7b3f2a10-0000-4000-8000-000000000000"}, Address: "192.0.2.7"}))
	}
	s.signIn("audi")
	s.open("/audit?show=looks&verify=yes")
	if !strings.Contains(s.text("main"), "Every chain holds") {
		t.Errorf("the trail says %s", s.text("main"))
	}
	s.colours("print", "light")
	s.shot("audit-print")
	s.colours("", "light")
	s.open("/audit?show=accounts")
	look("audit-accounts")
	s.signIn("adil")
	s.open("/emergency")
	s.send("emergency-number")
	look("emergency-errors")
}
