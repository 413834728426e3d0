package record_test

import (
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

func TestAccountsAndPasswords(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		const password = "correct horse battery staple"
		a, err := b.AddAccount(ctx, "acc-1", "maren", "Maren Oakfield", journey.Coordinator, password)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := b.AddAccount(ctx, "acc-2", "maren", "Another", journey.Clinician, "x"); err == nil || !strings.Contains(err.Error(), `"maren" is taken`) {
			t.Errorf("a username twice is answered %v", err)
		}
		if _, err := b.AddAccount(ctx, "acc-1", "other", "Another", journey.Clinician, "x"); err == nil {
			t.Error("an id is given twice")
		}
		if _, err := b.AddAccount(ctx, "acc-0", "aurel", "Aurel Hollins", journey.CommitteeRole, password); err != nil {
			t.Fatal(err)
		}
		list, err := b.Accounts(ctx)
		if err != nil || len(list) != 2 || list[0].Username != "aurel" || list[1].ID != "acc-1" {
			t.Errorf("accounts are %+v, %v", list, err)
		}
		if got, err := b.Account(ctx, "acc-1"); err != nil || got != a {
			t.Errorf("the account is %+v, %v, want %+v", got, err, a)
		}
		if _, err := b.Account(ctx, "nobody"); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("nobody is answered %v", err)
		}
		for _, tt := range []struct {
			name, username, password string
			want                     bool
		}{
			{"right", "maren", password, true}, {"wrong", "maren", password + " ", false}, {"empty", "maren", "", false},
			{"of somebody unknown", "nobody", password, false}, {"of nobody", "", "", false},
			{"of the decoy", "nobody", "no account has this password", false},
			{"with another case of the name", "Maren", password, false},
		} {
			got, ok, err := b.CheckPassword(ctx, tt.username, tt.password)
			if err != nil || ok != tt.want || (got.ID == "acc-1") != tt.want {
				t.Errorf("the password %s: %+v, %t, %v", tt.name, got, ok, err)
			}
		}
		// The same password is stored differently for each, and never as it is.
		rows := map[string]bool{}
		for _, id := range []string{"acc-1", "acc-0"} {
			var stored string
			if err := b.raw(t).QueryRowContext(ctx, "SELECT password FROM account WHERE id = $1", id).Scan(&stored); err != nil {
				t.Fatal(err)
			}
			rows[stored] = true
			if strings.Contains(stored, "horse") {
				t.Error("a password is stored as it is")
			}
		}
		if len(rows) != 2 {
			t.Error("two passwords have one salt")
		}
		if _, err := b.raw(t).ExecContext(ctx, "UPDATE account SET password = 'x' WHERE id = 'acc-1'"); err != nil {
			t.Fatal(err)
		}
		if _, ok, err := b.CheckPassword(ctx, "maren", password); err == nil || ok {
			t.Errorf("an unreadable password is answered %t, %v", ok, err)
		}
	})
}

func TestExpiredSessionsArePurged(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		if _, err := b.AddAccount(ctx, "acc-1", "maren", "Maren Oakfield", journey.Coordinator, "a password"); err != nil {
			t.Fatal(err)
		}
		secrets := map[time.Duration]string{}
		for _, lifetime := range []time.Duration{time.Hour, time.Hour + time.Microsecond, 2 * time.Hour} {
			secret, err := b.StartSession(ctx, "acc-1", lifetime)
			if err != nil {
				t.Fatal(err)
			}
			secrets[lifetime] = secret
		}
		db := b.raw(t)
		for _, step := range []struct{ advance, left time.Duration }{{0, 3}, {time.Hour, 2}, {0, 2}, {time.Microsecond, 1}, {time.Hour, 0}} {
			b.clock.advance(step.advance)
			if err := b.PurgeSessions(ctx); err != nil {
				t.Fatal(err)
			}
			var n time.Duration
			if err := db.QueryRowContext(ctx, "SELECT COUNT(*) FROM session").Scan(&n); err != nil || n != step.left {
				t.Errorf("%d sessions are left, %v, want %d", n, err, step.left)
			}
			live := time.Duration(0)
			for _, secret := range secrets {
				if _, err := b.SessionAccount(ctx, secret); err == nil {
					live++
				}
			}
			if live != step.left {
				t.Errorf("%d sessions are alive, want %d", live, step.left)
			}
		}
	})
}

func TestSessionsAndTokensExpire(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		if _, err := b.AddAccount(ctx, "acc-1", "maren", "Maren Oakfield", journey.Coordinator, "a password"); err != nil {
			t.Fatal(err)
		}
		session, err := b.StartSession(ctx, "acc-1", time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		bound, err := b.IssueToken(ctx, journey.Coordinator, "acc-1", time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		free, err := b.IssueToken(ctx, journey.EHR, "", 2*time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		check := func(when string, sessionLives, boundLives, freeLives bool) {
			t.Helper()
			a, err := b.SessionAccount(ctx, session)
			if sessionLives != (err == nil && a.ID == "acc-1") || !sessionLives && !errors.Is(err, record.ErrNotFound) {
				t.Errorf("%s the session is of %+v, %v", when, a, err)
			}
			w, err := b.TokenBearer(ctx, bound)
			if boundLives != (err == nil && w.Actor == "acc-1" && w.Role == journey.Coordinator) || !boundLives && !errors.Is(err, record.ErrNotFound) {
				t.Errorf("%s the bound token is of %+v, %v", when, w, err)
			}
			w, err = b.TokenBearer(ctx, free)
			if freeLives != (err == nil && strings.HasPrefix(w.Actor, "token-") && w.Role == journey.EHR) || !freeLives && !errors.Is(err, record.ErrNotFound) {
				t.Errorf("%s the free token is of %+v, %v", when, w, err)
			}
		}
		check("at once", true, true, true)
		b.clock.advance(time.Hour - time.Microsecond)
		check("just before its end", true, true, true)
		b.clock.advance(time.Microsecond)
		check("at its end", false, false, true)
		b.clock.advance(time.Hour)
		check("later", false, false, false)

		another, err := b.StartSession(ctx, "acc-1", time.Hour)
		if err != nil || another == session {
			t.Fatalf("a second session is %q, %v", another, err)
		}
		if err := b.EndSession(ctx, another); err != nil {
			t.Fatal(err)
		}
		if _, err := b.SessionAccount(ctx, another); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("an ended session is answered %v", err)
		}
		for _, wrong := range []string{"", "x", session + "x", strings.ToUpper(session)} {
			if _, err := b.SessionAccount(ctx, wrong); !errors.Is(err, record.ErrNotFound) {
				t.Errorf("the session %q is answered %v", wrong, err)
			}
			if _, err := b.TokenBearer(ctx, wrong); !errors.Is(err, record.ErrNotFound) {
				t.Errorf("the token %q is answered %v", wrong, err)
			}
		}
		if _, err := b.StartSession(ctx, "nobody", time.Hour); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("a session of nobody is answered %v", err)
		}
		// Only digests are stored: the file gives nobody a way in.
		var n int
		if err := b.raw(t).QueryRowContext(ctx, "SELECT COUNT(*) FROM token WHERE digest = $1 OR id = $1", bound).Scan(&n); err != nil || n != 0 {
			t.Errorf("the token itself is stored %d times, %v", n, err)
		}
	})
}

// guarded is one account with every way in: a password, a session and a token.
type guarded struct {
	*bench
	password, session, token string
}

func guard(t *testing.T, b *bench) *guarded {
	t.Helper()
	g := &guarded{bench: b, password: "a first password"}
	if _, err := b.AddAccount(t.Context(), "acc-1", "maren", "Maren Oakfield", journey.Coordinator, g.password); err != nil {
		t.Fatal(err)
	}
	g.signIn(t)
	var err error
	if g.token, err = b.IssueToken(t.Context(), journey.Coordinator, "acc-1", 24*time.Hour); err != nil {
		t.Fatal(err)
	}
	return g
}

func (g *guarded) signIn(t *testing.T) {
	t.Helper()
	var err error
	if g.session, err = g.StartSession(t.Context(), "acc-1", 24*time.Hour); err != nil {
		t.Fatal(err)
	}
}

// check says which of the ways in are open.
func (g *guarded) check(t *testing.T, when string, password, session, token bool) {
	t.Helper()
	a, ok, err := g.CheckPassword(t.Context(), "maren", g.password)
	if err != nil || ok != password || (a.ID == "acc-1") != password {
		t.Errorf("%s the password is answered %+v, %t, %v", when, a, ok, err)
	}
	a, err = g.SessionAccount(t.Context(), g.session)
	if session != (err == nil && a.ID == "acc-1") || !session && !errors.Is(err, record.ErrNotFound) {
		t.Errorf("%s the session is of %+v, %v", when, a, err)
	}
	w, err := g.TokenBearer(t.Context(), g.token)
	if token != (err == nil && w.Actor == "acc-1" && w.Role == journey.Coordinator) || !token && (!errors.Is(err, record.ErrNotFound) || w != record.Bearer{}) {
		t.Errorf("%s the token is of %+v, %v", when, w, err)
	}
}

func TestDisabledAccounts(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		g := guard(t, b)
		if _, err := b.AddAccount(ctx, "acc-2", "aurel", "Aurel Hollins", journey.Auditor, "another password"); err != nil {
			t.Fatal(err)
		}
		others, err := b.StartSession(ctx, "acc-2", 24*time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		since := func() (at string) {
			t.Helper()
			if err := b.raw(t).QueryRowContext(ctx, "SELECT disabled_at FROM account WHERE id = 'acc-1'").Scan(&at); err != nil {
				t.Fatal(err)
			}
			return at
		}
		g.check(t, "at first", true, true, true)
		if err := b.DisableAccount(ctx, "acc-1"); err != nil {
			t.Fatal(err)
		}
		g.check(t, "disabled,", false, false, false)
		if a, err := b.Account(ctx, "acc-1"); err != nil || !a.Disabled {
			t.Errorf("the account is %+v, %v", a, err)
		}
		if list, err := b.Accounts(ctx); err != nil || len(list) != 2 || list[0].Disabled || !list[1].Disabled {
			t.Errorf("the accounts are %+v, %v", list, err)
		}
		if _, err := b.StartSession(ctx, "acc-1", time.Hour); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("a session of a disabled account is answered %v", err)
		}
		if a, err := b.SessionAccount(ctx, others); err != nil || a.ID != "acc-2" {
			t.Errorf("the session of somebody else is of %+v, %v", a, err)
		}
		// Once more changes nothing, the instant included.
		first := since()
		b.clock.advance(time.Minute)
		if err := b.DisableAccount(ctx, "acc-1"); err != nil || since() != first || first == "" {
			t.Errorf("disabled again: %v, since %q and %q", err, first, since())
		}
		for range 2 {
			if err := b.EnableAccount(ctx, "acc-1"); err != nil {
				t.Fatal(err)
			}
			g.check(t, "enabled,", true, false, true)
		}
		g.signIn(t)
		g.check(t, "signed in again,", true, true, true)
		// The session itself is asked too, not only forgotten.
		if _, err := b.raw(t).ExecContext(ctx, "UPDATE account SET disabled_at = 'then' WHERE id = 'acc-1'"); err != nil {
			t.Fatal(err)
		}
		g.check(t, "disabled from outside,", false, false, false)
		for _, change := range []func() error{
			func() error { return b.DisableAccount(ctx, "nobody") }, func() error { return b.EnableAccount(ctx, "nobody") },
			func() error { return b.SetPassword(ctx, "nobody", "a password") },
		} {
			if err := change(); !errors.Is(err, record.ErrNotFound) {
				t.Errorf("nobody is answered %v", err)
			}
		}
	})
}

// TestNoSessionSlipsPast: whoever signs in while the account is disabled is out
// afterwards, also once the account is enabled again.
func TestNoSessionSlipsPast(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		guard(t, b)
		for range 20 {
			var wait sync.WaitGroup
			secrets := make([]string, 4)
			for i := range secrets {
				wait.Go(func() {
					secret, err := b.StartSession(ctx, "acc-1", time.Hour)
					if err != nil && !errors.Is(err, record.ErrNotFound) {
						t.Error(err)
					}
					secrets[i] = secret
				})
			}
			wait.Go(func() {
				if err := b.DisableAccount(ctx, "acc-1"); err != nil {
					t.Error(err)
				}
			})
			wait.Wait()
			if err := b.EnableAccount(ctx, "acc-1"); err != nil {
				t.Fatal(err)
			}
			for _, secret := range secrets {
				if a, err := b.SessionAccount(ctx, secret); !errors.Is(err, record.ErrNotFound) {
					t.Fatalf("a session is of %+v, %v", a, err)
				}
			}
		}
	})
}

func TestPasswordsAreReplaced(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		g := guard(t, b)
		if err := b.SetPassword(ctx, "acc-1", "a second password"); err != nil {
			t.Fatal(err)
		}
		g.check(t, "with the former password,", false, false, true)
		g.password = "a second password"
		g.signIn(t)
		g.check(t, "with the new password,", true, true, true)
		// A new password does not enable an account.
		if err := b.DisableAccount(ctx, "acc-1"); err != nil {
			t.Fatal(err)
		}
		if err := b.SetPassword(ctx, "acc-1", g.password); err != nil {
			t.Fatal(err)
		}
		g.check(t, "disabled, with a new password,", false, false, false)
	})
}

func TestSessionsOfAnAccountEnd(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		g := guard(t, b)
		first := g.session
		g.signIn(t)
		if err := b.EndSessions(ctx, "nobody"); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("nobody is answered %v", err)
		}
		g.check(t, "before,", true, true, true)
		if err := b.EndSessions(ctx, "acc-1"); err != nil {
			t.Fatal(err)
		}
		g.check(t, "after,", true, false, true)
		g.session = first
		g.check(t, "after, with the first session,", true, false, true)
		g.signIn(t)
		g.check(t, "signed in again,", true, true, true)
	})
}

func TestTokensFollowTheirAccount(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		g := guard(t, b)
		db := b.raw(t)
		for _, step := range []struct {
			when, statement string
			open            bool
		}{
			{"with another role of the account", "UPDATE account SET role = 'auditor' WHERE id = 'acc-1'", false},
			{"with the former role again", "UPDATE account SET role = 'coordinator' WHERE id = 'acc-1'", true},
			{"without sessions", "DELETE FROM session", true},
			{"without the account", "DELETE FROM account WHERE id = 'acc-1'", false},
		} {
			if _, err := db.ExecContext(ctx, step.statement); err != nil {
				t.Fatal(err)
			}
			if w, err := b.TokenBearer(ctx, g.token); (err == nil) != step.open || !step.open && !errors.Is(err, record.ErrNotFound) {
				t.Errorf("%s the token is of %+v, %v", step.when, w, err)
			}
		}
		for account, open := range map[string]bool{"nobody": false, record.IntakeActor: true} {
			token, err := b.IssueToken(ctx, journey.Coordinator, account, time.Hour)
			if err != nil {
				t.Fatal(err)
			}
			if w, err := b.TokenBearer(ctx, token); open != (err == nil && w.Actor == account) || !open && !errors.Is(err, record.ErrNotFound) {
				t.Errorf("the token of %s is of %+v, %v", account, w, err)
			}
		}
	})
}

func TestTokensAreListedAndRevoked(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		if list, err := b.Tokens(ctx); err != nil || len(list) != 0 {
			t.Errorf("at first there are %+v, %v", list, err)
		}
		g := guard(t, b)
		begin := b.clock.now()
		b.clock.advance(time.Minute)
		free, err := b.IssueToken(ctx, journey.EHR, "", time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		w, err := b.TokenBearer(ctx, free)
		if err != nil {
			t.Fatal(err)
		}
		list, err := b.Tokens(ctx)
		if err != nil || len(list) != 2 {
			t.Fatalf("the tokens are %+v, %v", list, err)
		}
		later := begin.Add(time.Minute)
		for i, want := range []record.Token{
			{ID: list[0].ID, Role: journey.Coordinator, Account: "acc-1", CreatedAt: begin, ExpiresAt: begin.Add(24 * time.Hour)},
			{ID: w.Actor, Role: journey.EHR, CreatedAt: later, ExpiresAt: later.Add(time.Hour)},
		} {
			got := list[i]
			if got.ID != want.ID || got.Role != want.Role || got.Account != want.Account || !got.CreatedAt.Equal(want.CreatedAt) || !got.ExpiresAt.Equal(want.ExpiresAt) {
				t.Errorf("token %d is %+v, want %+v", i, got, want)
			}
		}
		if err := b.RevokeToken(ctx, list[0].ID); err != nil {
			t.Fatal(err)
		}
		g.check(t, "with the token revoked,", true, true, false)
		if _, err := b.TokenBearer(ctx, free); err != nil {
			t.Errorf("another token is answered %v", err)
		}
		for _, unknown := range []string{list[0].ID, "", "nothing", free, "%"} {
			if err := b.RevokeToken(ctx, unknown); !errors.Is(err, record.ErrNotFound) {
				t.Errorf("revoking %q is answered %v", unknown, err)
			}
		}
		if list, err := b.Tokens(ctx); err != nil || len(list) != 1 || list[0].ID != w.Actor {
			t.Errorf("left are %+v, %v", list, err)
		}
		b.clock.advance(time.Hour)
		if list, err := b.Tokens(ctx); err != nil || len(list) != 0 {
			t.Errorf("expired are %+v, %v", list, err)
		}
		if err := b.RevokeToken(ctx, w.Actor); err != nil {
			t.Errorf("an expired token is revoked with %v", err)
		}
		if _, err := b.IssueToken(ctx, journey.EHR, "", time.Hour); err != nil {
			t.Fatal(err)
		}
		if _, err := b.raw(t).ExecContext(ctx, "UPDATE token SET created_at = 'some day'"); err != nil {
			t.Fatal(err)
		}
		if list, err := b.Tokens(ctx); err == nil {
			t.Errorf("a malformed instant is read as %+v", list)
		}
	})
}

func TestRecipientTeamsAreLeft(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		guard(t, b)
		for _, recipient := range []string{"R-1", "R-2"} {
			if err := b.AddToRecipientTeam(ctx, recipient, "acc-1"); err != nil {
				t.Fatal(err)
			}
		}
		for _, wrong := range [][2]string{{"R-3", "acc-1"}, {"R-1", "nobody"}, {"", ""}} {
			if err := b.RemoveFromRecipientTeam(ctx, wrong[0], wrong[1]); !errors.Is(err, record.ErrNotFound) {
				t.Errorf("removing %v is answered %v", wrong, err)
			}
		}
		if err := b.RemoveFromRecipientTeam(ctx, "R-1", "acc-1"); err != nil {
			t.Fatal(err)
		}
		if err := b.RemoveFromRecipientTeam(ctx, "R-1", "acc-1"); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("removing twice is answered %v", err)
		}
		if got, err := b.RecipientsOf(ctx, "acc-1"); err != nil || len(got) != 1 || !got["R-2"] {
			t.Errorf("the recipients are %v, %v", got, err)
		}
	})
}

func TestAClosedStoreRevokesNothing(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		s, err := record.Open(ctx, b.location, b.clock.now)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		_, tokens := s.Tokens(ctx)
		for _, err := range []error{
			tokens, s.DisableAccount(ctx, "x"), s.EnableAccount(ctx, "x"), s.SetPassword(ctx, "x", "y"), s.EndSessions(ctx, "x"),
			s.RevokeToken(ctx, "x"), s.RemoveFromRecipientTeam(ctx, "x", "y"),
		} {
			if err == nil || errors.Is(err, record.ErrNotFound) {
				t.Errorf("a closed store answers %v", err)
			}
		}
	})
}
