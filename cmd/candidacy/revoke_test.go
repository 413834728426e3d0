package main

import (
	"bytes"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/system"
)

// look opens the records of a folder as they are now.
func look(t *testing.T, data string, fn func(*record.Store)) {
	t.Helper()
	store, err := system.OpenStore(t.Context(), system.Options{DataDir: data, Log: slog.New(slog.DiscardHandler), Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	fn(store)
	if err := store.Close(); err != nil {
		t.Error(err)
	}
}

// runWith is run with something on standard input.
func runWith(t *testing.T, input string, args ...string) (string, error) {
	t.Helper()
	var out, errs bytes.Buffer
	cmd := program(&out, &errs)
	cmd.SetIn(strings.NewReader(input))
	cmd.SetArgs(args)
	err := cmd.ExecuteContext(t.Context())
	return out.String(), err
}

// field returns what follows the word at the start of a line.
func field(t *testing.T, out, word string) string {
	t.Helper()
	for line := range strings.Lines(out) {
		if value, ok := strings.CutPrefix(line, word+" "); ok {
			return strings.TrimSpace(value)
		}
	}
	t.Fatalf("no %s in\n%s", word, out)
	return ""
}

func TestRevokeAccount(t *testing.T) {
	data := t.TempDir()
	out := mustRun(t, "account", "add", "--data", data, "--username", "maren", "--role", "coordinator")
	id, password := field(t, out, "account"), field(t, out, "password")
	token := strings.TrimSpace(mustRun(t, "token", "issue", "--data", data, "--role", "coordinator", "--account", "maren"))
	var session string
	signIn := func() {
		t.Helper()
		look(t, data, func(store *record.Store) {
			var err error
			if session, err = store.StartSession(t.Context(), id, time.Hour); err != nil {
				t.Fatal(err)
			}
		})
	}
	check := func(when string, passwordGood, sessionGood, tokenGood bool) {
		t.Helper()
		look(t, data, func(store *record.Store) {
			if _, ok, err := store.CheckPassword(t.Context(), "maren", password); err != nil || ok != passwordGood {
				t.Errorf("%s the password is answered %t, %v", when, ok, err)
			}
			if _, err := store.SessionAccount(t.Context(), session); (err == nil) != sessionGood {
				t.Errorf("%s the session is answered %v", when, err)
			}
			if _, err := store.TokenBearer(t.Context(), token); (err == nil) != tokenGood {
				t.Errorf("%s the token is answered %v", when, err)
			}
		})
	}
	listed := func(state string) {
		t.Helper()
		if out, want := mustRun(t, "account", "list", "--data", data), id+"\tmaren\tcoordinator\tmaren\t"+state+"\t\n"; out != want {
			t.Errorf("the list is %q, want %q", out, want)
		}
	}
	signIn()
	check("at first", true, true, true)
	listed("enabled")
	if out := mustRun(t, "account", "disable", "--data", data, "--username", "maren"); !strings.Contains(out, id) || !strings.Contains(out, "disabled") {
		t.Errorf("disable said %q", out)
	}
	check("disabled,", false, false, false)
	listed("disabled")
	if _, err := run(t, "token", "issue", "--data", data, "--role", "coordinator", "--account", "maren"); err == nil || !strings.Contains(err.Error(), "--account: maren is disabled") {
		t.Errorf("a token for a disabled account is answered %v", err)
	}
	if out := mustRun(t, "account", "enable", "--data", data, "--username", "maren"); !strings.Contains(out, id) || !strings.Contains(out, "enabled") {
		t.Errorf("enable said %q", out)
	}
	check("enabled,", true, false, true)
	listed("enabled")

	signIn()
	out = mustRun(t, "account", "password", "--data", data, "--username", "maren")
	check("with the former password", false, false, true)
	if field(t, out, "account") != id || field(t, out, "username") != "maren" || field(t, out, "password") == password {
		t.Errorf("password said %q", out)
	}
	password = field(t, out, "password")
	signIn()
	check("with the printed password", true, true, true)

	for _, short := range []string{"", "\n", "elevenchars\n", "ööööööööööö\n"} {
		out, err := runWith(t, short, "account", "password", "--data", data, "--username", "maren", "--password-stdin")
		if err == nil || !strings.Contains(err.Error(), "--password-stdin") || out != "" {
			t.Errorf("the password %q is answered %v %q", short, err, out)
		}
		if _, err := runWith(t, short, "account", "add", "--data", data, "--username", "aurel", "--role", "auditor", "--password-stdin"); err == nil || !strings.Contains(err.Error(), "--password-stdin") {
			t.Errorf("a first password %q is answered %v", short, err)
		}
	}
	check("after refused passwords", true, true, true)
	const typed = " twelve chars"
	out, err := runWith(t, typed+"\r\n", "account", "password", "--data", data, "--username", "maren", "--password-stdin")
	if err != nil || strings.Contains(out, "password") || strings.Contains(out, typed) {
		t.Errorf("a typed password is answered %v %q", err, out)
	}
	check("with the printed password, replaced,", false, false, true)
	password = typed
	check("with the typed password", true, false, true)
}

func TestRevokeToken(t *testing.T) {
	data := t.TempDir()
	s := hire(t, data)
	rows := func() map[string][]string {
		t.Helper()
		out := mustRun(t, "token", "list", "--data", data)
		byRole := map[string][]string{}
		for line := range strings.Lines(out) {
			row := strings.Split(strings.TrimSpace(line), "\t")
			if len(row) != 5 {
				t.Fatalf("a row is %q", line)
			}
			byRole[row[1]] = row
		}
		for role, token := range s.tokens {
			if strings.Contains(out, token) || strings.Contains(out, strings.TrimPrefix(token, "cdy_")) {
				t.Errorf("the list shows the token of %s", role)
			}
		}
		return byRole
	}
	before := rows()
	if len(before) != len(journey.Roles) {
		t.Fatalf("%d tokens are listed, want %d", len(before), len(journey.Roles))
	}
	for role, row := range before {
		want := "-"
		if role == string(journey.Advocate) {
			want = "test-advocate"
		}
		issued, errA := time.Parse(time.RFC3339, row[3])
		expires, errB := time.Parse(time.RFC3339, row[4])
		if err := errors.Join(errA, errB); err != nil || row[2] != want || expires.Sub(issued) != 30*24*time.Hour {
			t.Errorf("the token of %s is listed as %q, %v", role, row, err)
		}
	}
	for _, role := range []journey.Role{journey.EHR, journey.Advocate} {
		id := before[string(role)][0]
		if out := mustRun(t, "token", "revoke", id, "--data", data); out != "token "+id+" revoked\n" {
			t.Errorf("revoke said %q", out)
		}
	}
	after := rows()
	look(t, data, func(store *record.Store) {
		for role, token := range s.tokens {
			revoked := role == journey.EHR || role == journey.Advocate
			if _, err := store.TokenBearer(t.Context(), token); revoked != errors.Is(err, record.ErrNotFound) || !revoked && err != nil {
				t.Errorf("the token of %s is answered %v", role, err)
			}
			if _, listed := after[string(role)]; listed == revoked {
				t.Errorf("the token of %s is listed: %t", role, listed)
			}
		}
	})
	for _, unknown := range []string{before[string(journey.EHR)][0], s.tokens[journey.Auditor], "nothing", ""} {
		_, err := run(t, "token", "revoke", unknown, "--data", data)
		if err == nil || !strings.Contains(err.Error(), "token list") || unknown != "" && strings.Contains(err.Error(), unknown) {
			t.Errorf("revoking %q is answered %v", unknown, err)
		}
	}
	mustRun(t, "token", "issue", "--data", data, "--role", "ehr", "--days", "366")
	if expires, err := time.Parse(time.RFC3339, rows()["ehr"][4]); err != nil || time.Until(expires) < 365*24*time.Hour {
		t.Errorf("the longest token expires %s, %v", expires, err)
	}
}

func TestRevokeRecipientTeam(t *testing.T) {
	data := t.TempDir()
	s := hire(t, data)
	team := []string{"account", "recipient-team", "--data", data, "--username", "test-advocate", "--recipient"}
	on := func(want ...string) {
		t.Helper()
		look(t, data, func(store *record.Store) {
			got, err := store.RecipientsOf(t.Context(), s.advocate)
			if err != nil || len(got) != len(want) {
				t.Errorf("the recipients are %v, %v, want %v", got, err, want)
			}
			for _, recipient := range want {
				if !got[recipient] {
					t.Errorf("the recipients are %v, want %v", got, want)
				}
			}
		})
	}
	mustRun(t, append(team, "R-1")...)
	mustRun(t, append(team, "R-2")...)
	on("R-1", "R-2")
	mustRun(t, append(team, "R-1", "--remove")...)
	on("R-2")
	for _, recipient := range []string{"R-1", "R-3"} {
		if _, err := run(t, append(team, recipient, "--remove")...); err == nil || !strings.Contains(err.Error(), "--recipient") {
			t.Errorf("removing from %s is answered %v", recipient, err)
		}
	}
	on("R-2")
}

func TestRevokeBadCommandLines(t *testing.T) {
	data := t.TempDir()
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"account", "disable"}, "--username: missing"},
		{[]string{"account", "enable", "--username", " "}, "--username: missing"},
		{[]string{"account", "disable", "--username", "nobody"}, "--username: not found"},
		{[]string{"account", "enable", "--username", "nobody"}, "--username: not found"},
		{[]string{"account", "password", "--username", "nobody"}, "--username: not found"},
		{[]string{"account", "password"}, "--username: missing"},
		{[]string{"account", "recipient-team", "--username", "nobody", "--remove"}, "--recipient: missing"},
		{[]string{"account", "recipient-team", "--username", "nobody", "--recipient", "R-1", "--remove"}, "--username: not found"},
		{[]string{"token", "issue", "--role", "ehr", "--days", "367"}, "--days: from 1 to 366"},
		{[]string{"token", "issue", "--role", "ehr", "--days", "-1"}, "--days: from 1 to 366"},
		{[]string{"token", "revoke"}, "accepts 1 arg"},
		{[]string{"token", "list", "more"}, "unknown command"},
	} {
		out, err := run(t, append(c.args, "--data", data)...)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q\n%s", strings.Join(c.args, " "), err, c.want, out)
		}
	}
}

// TestRevokeSaysWhen: an operator must know how late a revocation may be.
func TestRevokeSaysWhen(t *testing.T) {
	for _, command := range [][]string{{"token", "revoke"}, {"account", "disable"}} {
		if out := mustRun(t, append(command, "--help")...); !strings.Contains(out, "within 30 seconds") {
			t.Errorf("the help of %v is\n%s", command, out)
		}
	}
}

func TestRemoveSecondFactor(t *testing.T) {
	data := t.TempDir()
	id := field(t, mustRun(t, "account", "add", "--data", data, "--username", "maren", "--role", "coordinator"), "account")
	says := func(want string, more ...string) {
		t.Helper()
		args := append([]string{"account", "second-factor", "--data", data, "--username", "maren"}, more...)
		if out := mustRun(t, args...); field(t, out, "account") != id || !strings.Contains(out, "second factor "+want+"\n") {
			t.Errorf("%v said %q, want %q", args, out, want)
		}
	}
	says("none")
	look(t, data, func(store *record.Store) {
		if err := errors.Join(store.BeginSecondFactor(t.Context(), id, "sealed"), store.ConfirmSecondFactor(t.Context(), id, "sealed", 1, []string{"a", "b"})); err != nil {
			t.Fatal(err)
		}
	})
	says("set up, 2 recovery codes left")
	says("removed", "--remove")
	says("none")
	look(t, data, func(store *record.Store) {
		changes, err := store.AccountChanges(t.Context(), record.ChangesQuery{Of: id})
		if err != nil || len(changes) != 3 || changes[0].Kind != record.AccountNoFactor || !strings.HasPrefix(changes[0].Actor, "os-account") {
			t.Errorf("%+v, %v", changes, err)
		}
	})
}
