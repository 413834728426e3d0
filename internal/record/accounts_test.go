package record_test

import (
	"errors"
	"strings"
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
		bound, err := b.IssueToken(ctx, journey.Clinician, "acc-1", time.Hour)
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
			if boundLives != (err == nil && w == record.Bearer{Actor: "acc-1", Role: journey.Clinician}) || !boundLives && !errors.Is(err, record.ErrNotFound) {
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
		if _, err := b.StartSession(ctx, "nobody", time.Hour); err == nil {
			t.Error("a session of nobody is started")
		}
		// Only digests are stored: the file gives nobody a way in.
		var n int
		if err := b.raw(t).QueryRowContext(ctx, "SELECT COUNT(*) FROM token WHERE digest = $1 OR id = $1", bound).Scan(&n); err != nil || n != 0 {
			t.Errorf("the token itself is stored %d times, %v", n, err)
		}
	})
}
