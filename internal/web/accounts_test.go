package web

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// newDoors is newDoor with an administrator and a clinician beside the coordinator.
func newDoors(t *testing.T) *world {
	t.Helper()
	w := newDoor(t, false)
	for _, a := range staff {
		if a.id != "cora" {
			_, err := w.store.AddAccount(context.Background(), a.id, a.id, a.name, a.role, password)
			must(t, err)
		}
	}
	return w
}

var shownPassword = regexp.MustCompile(`<code id="password">([A-Z2-7]{26})</code>`)

func TestAccounts(t *testing.T) {
	w := newDoors(t)
	ctx := context.Background()
	admin := w.as("admi")
	admin.get("/accounts").has(t, "Cora Lindqvist", "Coordinator", "Adva Rosengren", "Add an account")

	// A new account, with what may be wrong about it first.
	add := url.Values{"do": {"add"}, "key": {"k-1"}, "username": {"Nora.B"}, "name": {"Nora Bellweather"}, "role": {"clinician"}, "email": {"nora@example.org"}}
	for _, c := range []struct{ name, value, says string }{
		{"username", "n", "2 to 64"}, {"username", "cora", "another account"}, {"username", "nora b", "2 to 64"}, {"name", " ", "enter a name"},
		{"role", "king", "choose one"}, {"email", "nora", "an address alone"}, {"email", "N <n@example.org>", "an address alone"},
	} {
		wrong := url.Values{}
		for name, value := range add {
			wrong[name] = value
		}
		wrong.Set(c.name, c.value)
		got := admin.post("/accounts", wrong)
		if got.status != http.StatusUnprocessableEntity || !strings.Contains(got.body, c.says) || !strings.Contains(got.body, `href="#add-`+c.name) {
			t.Errorf("%s %q: %d", c.name, c.value, got.status)
		}
	}
	got := admin.post("/accounts", add)
	found := shownPassword.FindStringSubmatch(got.body)
	if got.status != http.StatusOK || found == nil {
		t.Fatalf("the password is not shown: %d", got.status)
	}
	first := found[1]
	again := admin.post("/accounts", add)
	if again.status != http.StatusSeeOther || strings.Contains(again.body, first) {
		t.Errorf("the form once more: %d", again.status)
	}
	list, err := w.store.Accounts(ctx)
	must(t, err)
	if len(list) != len(staff)+1 {
		t.Errorf("there are %d accounts", len(list))
	}
	nora, err := w.store.AccountByName(ctx, "nora.b")
	must(t, err)
	if nora.Role != journey.Clinician || nora.Email != "nora@example.org" || !nora.MustChange {
		t.Errorf("the account is %+v", nora)
	}

	// Whoever signs in with a password that somebody else knows changes it first.
	b := w.browser()
	if got := b.post("/sign-in", url.Values{"username": {"nora.b"}, "password": {first}}); got.status != http.StatusSeeOther {
		t.Fatalf("sign in: %d", got.status)
	}
	for _, path := range []string{"/", "/reports"} {
		if got := b.get(path); got.header.Get("Location") != "/account" {
			t.Errorf("%s leads to %q", path, got.header.Get("Location"))
		}
	}
	b.get("/account").has(t, "Somebody else knows the password")
	const chosen = "seven grey herons"
	change := url.Values{"do": {"own-password"}, "present": {first}, "password": {chosen}, "again": {chosen}}
	for _, c := range []struct {
		name, value string
		status      int
	}{{"present", "wrong", 403}, {"password", "short", 422}, {"again", "seven grey heron", 422}, {"password", "nora.b nora.b", 422}, {"password", first, 422}} {
		wrong := url.Values{}
		for name, value := range change {
			wrong[name] = value
		}
		wrong.Set(c.name, c.value)
		got := b.post("/account", wrong)
		if got.status != c.status || strings.Contains(got.body, first) || strings.Contains(got.body, chosen) {
			t.Errorf("%s %q: %d, want %d", c.name, c.value, got.status, c.status)
		}
	}
	before := secretOf(t, b)
	if got := b.post("/account", change); got.status != http.StatusSeeOther {
		t.Fatalf("the new password: %d", got.status)
	}
	if secretOf(t, b) == before {
		t.Error("the session is the same after the password was changed")
	}
	if got := b.get("/"); got.status != http.StatusOK {
		t.Errorf("after the change: %d", got.status)
	}

	// Another role ends sessions, and what is done is on the page.
	path := "/accounts?account=" + nora.ID
	do := func(what string, more ...string) answer {
		values := url.Values{"do": {what}, "account": {nora.ID}}
		for i := 0; i < len(more); i += 2 {
			values.Set(more[i], more[i+1])
		}
		return admin.post("/accounts", values)
	}
	admin.get(path).has(t, "An unknown program", "Added, clinician", "Password changed by its owner", "Nora Bellweather, clinician")
	if got := do("role", "role", "auditor"); got.status != http.StatusSeeOther || b.get("/").status != http.StatusSeeOther {
		t.Errorf("the role: %d, and the session goes on", got.status)
	}
	admin.get(path).has(t, "Role changed: auditor, formerly clinician", "Admira Kovac, administrator")
	for _, c := range []struct{ do, field, value, says string }{
		{"email", "email", "", "none, formerly nora@example.org"}, {"name", "name", "Nora B.", "Name changed: Nora B., formerly Nora Bellweather"},
		{"disable", "", "", "Disabled"}, {"enable", "", "", "Enabled"}, {"end-sessions", "", "", "Sessions ended"},
	} {
		if got := do(c.do, c.field, c.value); got.status != http.StatusSeeOther {
			t.Errorf("%s: %d", c.do, got.status)
		}
		admin.get(path).has(t, c.says)
	}
	second := shownPassword.FindStringSubmatch(do("password").body)
	if second == nil || second[1] == first {
		t.Error("there is no new password")
	}
	if _, ok, err := w.store.CheckPassword(ctx, "nora.b", chosen); ok || err != nil {
		t.Errorf("the former password is good: %v", err)
	}
	admin.get(path).lacks(t, second[1])

	// Nobody puts themselves out, and nobody else gets in.
	for _, what := range []string{"disable", "role", "password", "end-sessions", "no-second-factor"} {
		if got := admin.post("/accounts", url.Values{"do": {what}, "account": {"admi"}, "role": {"auditor"}}); got.status != http.StatusForbidden {
			t.Errorf("%s of one's own: %d", what, got.status)
		}
		if got := admin.post("/accounts", url.Values{"do": {what}, "account": {"none"}, "role": {"auditor"}}); got.status != http.StatusNotFound {
			t.Errorf("%s of nobody: %d", what, got.status)
		}
	}
	if got := w.as("cora").post("/accounts", url.Values{"do": {"role"}, "account": {"cora"}, "role": {"administrator"}}); got.status != http.StatusForbidden {
		t.Errorf("a coordinator: %d", got.status)
	}
	v, err := w.store.Verify(ctx)
	if err != nil || v.AccountChanges < len(staff)+9 {
		t.Errorf("%+v, %v", v, err)
	}
}

func TestOwnSessions(t *testing.T) {
	w := newDoors(t)
	here, there, third := w.as("cora"), w.as("cora"), w.as("cora")
	list, err := w.store.Sessions(context.Background(), "cora")
	must(t, err)
	if len(list) != 3 {
		t.Fatalf("%d sessions", len(list))
	}
	_, other, err := w.store.SessionOf(context.Background(), secretOf(t, there))
	must(t, err)
	here.get("/account").has(t, other.ID, "This one: sign out", "End all but this one")
	// Of somebody else's sessions none ends.
	w.as("clem").post("/account", url.Values{"do": {"end-session"}, "session": {other.ID}})
	if got := there.get("/account"); got.status != http.StatusOK {
		t.Errorf("somebody else ended the session: %d", got.status)
	}
	here.post("/account", url.Values{"do": {"end-session"}, "session": {other.ID}})
	if got := there.get("/account"); got.status != http.StatusSeeOther {
		t.Errorf("an ended session: %d", got.status)
	}
	here.post("/account", url.Values{"do": {"end-others"}})
	if got := third.get("/account"); got.status != http.StatusSeeOther {
		t.Errorf("another session: %d", got.status)
	}
	if got := here.get("/account"); got.status != http.StatusOK {
		t.Errorf("this session: %d", got.status)
	}
	// Attempts at the present password are limited, as those to sign in are.
	wrong := url.Values{"do": {"own-password"}, "present": {"wrong"}, "password": {"seven grey herons"}, "again": {"seven grey herons"}}
	for range attemptLimit {
		here.post("/account", wrong)
	}
	wrong.Set("present", password)
	if got := here.post("/account", wrong); got.status != http.StatusTooManyRequests || got.header.Get("Retry-After") == "" {
		t.Errorf("after too many attempts: %d", got.status)
	}
	w.clock.add(attemptWindow + time.Second)
	if got := here.post("/account", wrong); got.status != http.StatusSeeOther {
		t.Errorf("later: %d", got.status)
	}
	changes, err := w.store.AccountChanges(context.Background(), record.ChangesQuery{Of: "cora"})
	must(t, err)
	if len(changes) != 2 || changes[0].Kind != record.AccountOwnPassword || changes[0].Actor != "cora" {
		t.Errorf("%+v", changes)
	}
}
