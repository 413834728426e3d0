package record_test

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// TestAccountChangesAreOnRecord: each change is one row with who made it, and what
// changes nothing is none.
func TestAccountChangesAreOnRecord(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := record.As(t.Context(), "acc-9", journey.Administrator)
		must := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		_, err := b.AddAccount(t.Context(), "acc-1", "maren", "Maren Oakfield", journey.Coordinator, "a first password")
		must(err)
		link := record.Link{Issuer: "https://id.example", Email: "maren@example.org"}
		for range 2 { // the second time most of it changes nothing
			b.clock.advance(time.Second)
			must(b.SetRole(ctx, "acc-1", journey.Clinician))
			must(b.SetEmail(ctx, "acc-1", "maren@example.org"))
			must(b.SetName(ctx, "acc-1", "Maren O."))
			must(b.SetLink(ctx, "acc-1", link))
			must(b.SetFirstPassword(ctx, "acc-1", "a second password"))
		}
		must(b.DisableAccount(ctx, "acc-1"))
		must(b.EnableAccount(ctx, "acc-1"))
		must(b.EndSessions(ctx, "acc-1"))
		must(b.SetOwnPassword(record.As(t.Context(), "acc-1", journey.Clinician), "acc-1", "a third password"))
		list, err := b.AccountChanges(ctx, record.ChangesQuery{Of: "acc-1"})
		must(err)
		var kinds []record.AccountChangeKind
		for _, c := range slices.Backward(list) {
			kinds = append(kinds, c.Kind)
			if strings.Contains(string(c.State), "second password") || strings.Contains(string(c.State), "$") {
				t.Errorf("a change holds a password: %s", c.State)
			}
		}
		want := []record.AccountChangeKind{
			record.AccountAdded, record.AccountRole, record.AccountEmail, record.AccountRenamed, record.AccountLinked, record.AccountPassword,
			record.AccountPassword, record.AccountDisabled, record.AccountEnabled, record.AccountSessions, record.AccountOwnPassword,
		}
		if !slices.Equal(kinds, want) {
			t.Errorf("the changes are %v, want %v", kinds, want)
		}
		var state record.AccountState
		must(json.Unmarshal(list[0].State, &state))
		if state.Username != "maren" || state.Role != journey.Clinician || state.Link == nil || *state.Link != link || state.MustChange || list[0].Actor != "acc-1" {
			t.Errorf("the last change is %+v of %+v", list[0], state)
		}
		if first := list[len(list)-1]; first.Actor != record.ByProgram || first.Role != journey.System {
			t.Errorf("the first change is by %s, %s", first.Actor, first.Role)
		}
		by, err := b.AccountChanges(ctx, record.ChangesQuery{Actor: "acc-9", From: b.clock.now(), Limit: 3})
		if err != nil || len(by) != 3 || by[0].Kind != record.AccountSessions {
			t.Errorf("by acc-9 there are %+v, %v", by, err)
		}
		v, err := b.Verify(ctx)
		if err != nil || v.AccountChanges != len(want) {
			t.Errorf("%+v, %v", v, err)
		}
	})
}

func TestVerifyNamesABadAccount(t *testing.T) {
	for name, c := range map[string]struct {
		statement string
		seq       int64
		problem   string
	}{
		"who":                   {"UPDATE account_change SET actor = 'somebody' WHERE seq = 1", 1, "changed"},
		"a change":              {"DELETE FROM account_change WHERE seq = 1", 1, "missing"},
		"the last change":       {"DELETE FROM account_change WHERE seq = 2", 1, "not the one"},
		"the role":              {"UPDATE account SET role = 'administrator'", 2, "differs"},
		"the second factor":     {"UPDATE account SET second_factor = 1", 2, "differs"},
		"an account from aside": {"INSERT INTO account (id, username, name, role, password, created_at) VALUES ('acc-0', 'x', 'x', 'auditor', 'x', 'x')", 1, "missing"},
	} {
		t.Run(strings.ReplaceAll(name, " ", "-"), func(t *testing.T) {
			onEach(t, func(t *testing.T, b *bench) {
				ctx := t.Context()
				if _, err := b.AddAccount(ctx, "acc-1", "maren", "Maren", journey.Coordinator, "a first password"); err != nil {
					t.Fatal(err)
				}
				if err := b.SetEmail(ctx, "acc-1", "m@example.org"); err != nil {
					t.Fatal(err)
				}
				db := b.raw(t)
				if !strings.Contains(c.statement, " account ") {
					if _, err := db.ExecContext(ctx, c.statement); err == nil || !strings.Contains(err.Error(), "append-only") {
						t.Errorf("%s: %v", c.statement, err)
					}
					for _, drop := range []string{"DROP TRIGGER account_change_no_update", "DROP TRIGGER account_change_no_delete", "DROP TRIGGER account_change_append_only ON account_change"} {
						_, _ = db.ExecContext(ctx, drop) // each is of one database
					}
				}
				if _, err := db.ExecContext(ctx, c.statement); err != nil {
					t.Fatal(err)
				}
				_, err := b.Verify(ctx)
				var broken *record.BrokenChain
				if !errors.As(err, &broken) || !strings.HasPrefix(broken.Chain, "account acc-") || broken.Seq != c.seq || !strings.Contains(broken.Problem, c.problem) {
					t.Errorf("got %v, want row %d: %s", err, c.seq, c.problem)
				}
			})
		})
	}
}

// TestAccountsFromBefore: accounts that are older than their chains get a beginning,
// once.
func TestAccountsFromBefore(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		for _, statement := range []string{
			"INSERT INTO account (id, username, name, role, password, created_at) VALUES ('acc-1', 'maren', 'Maren', 'auditor', 'x', 'x')",
			"DELETE FROM setting WHERE name = 'accounts-chained'",
		} {
			if _, err := b.raw(t).ExecContext(ctx, statement); err != nil {
				t.Fatal(err)
			}
		}
		for range 2 {
			s, err := record.Open(ctx, b.location, b.clock.now)
			if err != nil {
				t.Fatal(err)
			}
			v, err := s.Verify(ctx)
			if err != nil || v.AccountChanges != 1 {
				t.Errorf("%+v, %v", v, err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
		}
	})
}

func TestSessionsEndUnused(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		if _, err := b.AddAccount(ctx, "acc-1", "maren", "Maren", journey.Coordinator, "a first password"); err != nil {
			t.Fatal(err)
		}
		begin := func(agent string) string {
			t.Helper()
			secret, err := b.BeginSession(ctx, record.NewSession{Account: "acc-1", Life: 3 * time.Hour, Idle: time.Hour, Agent: agent, Strong: true})
			if err != nil {
				t.Fatal(err)
			}
			return secret
		}
		live := func(secret string) bool {
			t.Helper()
			_, n, err := b.SessionOf(ctx, secret)
			if err != nil && !errors.Is(err, record.ErrNotFound) {
				t.Fatal(err)
			}
			return err == nil && n.Strong
		}
		used, unused := begin("Firefox on Linux"), begin("Safari on a phone")
		for i := range 4 {
			b.clock.advance(time.Hour - time.Microsecond)
			if want := i < 3; live(used) != want {
				t.Errorf("after %d hours the used session is live: %t", i+1, !want)
			}
			if err := b.TouchSession(ctx, used, time.Hour); err != nil {
				t.Fatal(err)
			}
			if want := i < 1; live(unused) != want {
				t.Errorf("after %d hours the unused session is live: %t", i+1, !want)
			}
		}
		one, two, three := begin("a"), begin("b"), begin("c")
		list, err := b.Sessions(ctx, "acc-1")
		if err != nil || len(list) != 3 || list[0].ExpiresAt.Sub(list[0].StartedAt) != 3*time.Hour {
			t.Fatalf("%+v, %v", list, err)
		}
		_, n, err := b.SessionOf(ctx, one)
		if err != nil || n.Agent != "a" || len(n.ID) != 16 || strings.Contains(one, n.ID) {
			t.Errorf("%+v, %v", n, err)
		}
		if err := b.EndOwnSession(ctx, "acc-2", n.ID); err != nil || !live(one) {
			t.Errorf("somebody else ended the session: %v", err)
		}
		if err := b.EndOwnSession(ctx, "acc-1", n.ID); err != nil || live(one) {
			t.Errorf("the session is live: %v", err)
		}
		if err := b.EndOtherSessions(ctx, "acc-1", two); err != nil || !live(two) || live(three) {
			t.Errorf("the other sessions: %v", err)
		}
	})
}

func TestStepsAreTakenOnce(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		secret, err := b.BeginStep(ctx, record.SignInStep{Kind: "code", Account: "acc-1", Data: "{}"}, time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := b.TakeStep(ctx, "provider", secret); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("a step of another kind: %v", err)
		}
		if step, err := b.Step(ctx, "code", secret); err != nil || step.Account != "acc-1" {
			t.Errorf("%+v, %v", step, err)
		}
		taken := make([]bool, 8)
		var all sync.WaitGroup
		for i := range taken {
			all.Go(func() {
				_, err := b.TakeStep(ctx, "code", secret)
				taken[i] = err == nil
			})
		}
		all.Wait()
		if n := len(slices.DeleteFunc(taken, func(t bool) bool { return !t })); n != 1 {
			t.Errorf("the step was taken %d times", n)
		}
		late, err := b.BeginStep(ctx, record.SignInStep{Kind: "code"}, time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		b.clock.advance(time.Minute)
		if _, err := b.TakeStep(ctx, "code", late); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("a late step: %v", err)
		}
	})
}

func TestSecondFactorIsUsedOnce(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		if _, err := b.AddAccount(ctx, "acc-1", "maren", "Maren", journey.Coordinator, "a first password"); err != nil {
			t.Fatal(err)
		}
		if err := b.UseStep(ctx, "acc-1", 5); !errors.Is(err, record.ErrReplayed) {
			t.Errorf("a code without a second factor: %v", err)
		}
		if err := b.BeginSecondFactor(ctx, "acc-1", "sealed"); err != nil {
			t.Fatal(err)
		}
		if a, err := b.Account(ctx, "acc-1"); err != nil || a.SecondFactor {
			t.Errorf("a pending secret counts: %+v, %v", a, err)
		}
		if err := b.ConfirmSecondFactor(ctx, "acc-1", "another", 7, nil); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("another secret is confirmed: %v", err)
		}
		session, err := b.StartSession(ctx, "acc-1", time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		if err := b.ConfirmSecondFactor(ctx, "acc-1", "sealed", 7, []string{"one", "two"}); err != nil {
			t.Fatal(err)
		}
		if _, err := b.SessionAccount(ctx, session); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("a session from before the second factor: %v", err)
		}
		f, err := b.SecondFactor(ctx, "acc-1")
		if err != nil || f != (record.SecondFactor{Secret: "sealed", LastStep: 7, Codes: 2}) {
			t.Errorf("%+v, %v", f, err)
		}
		for _, c := range []struct {
			step int64
			good bool
		}{{7, false}, {6, false}, {8, true}, {8, false}, {9, true}} {
			if err := b.UseStep(ctx, "acc-1", c.step); (err == nil) != c.good || !c.good && !errors.Is(err, record.ErrReplayed) {
				t.Errorf("step %d: %v", c.step, err)
			}
		}
		for _, c := range []struct {
			code string
			good bool
		}{{"three", false}, {"one", true}, {"one", false}, {"two", true}} {
			if err := b.UseRecoveryCode(ctx, "acc-1", c.code); (err == nil) != c.good || !c.good && !errors.Is(err, record.ErrNotFound) {
				t.Errorf("code %s: %v", c.code, err)
			}
		}
		if err := b.ReplaceRecoveryCodes(ctx, "acc-1", []string{"four"}); err != nil || b.UseRecoveryCode(ctx, "acc-1", "four") != nil {
			t.Errorf("new codes: %v", err)
		}
		if err := b.RemoveSecondFactor(ctx, "acc-1"); err != nil {
			t.Fatal(err)
		}
		if a, err := b.Account(ctx, "acc-1"); err != nil || a.SecondFactor {
			t.Errorf("%+v, %v", a, err)
		}
		if _, err := b.Verify(ctx); err != nil {
			t.Error(err)
		}
	})
}

func TestLinksNameOnePerson(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		const issuer, address = "https://id.example", "maren@example.org"
		for _, id := range []string{"acc-1", "acc-2"} {
			if _, err := b.AddAccount(ctx, id, id, id, journey.Coordinator, "a first password"); err != nil {
				t.Fatal(err)
			}
		}
		find := func(issuer, subject, email string) string {
			t.Helper()
			a, err := b.AccountLinkedTo(ctx, issuer, subject, email)
			if err != nil && !errors.Is(err, record.ErrNotFound) {
				t.Fatal(err)
			}
			return a.ID
		}
		if got := find(issuer, "s-1", address) + find(issuer, "", "") + find("", "", ""); got != "" {
			t.Errorf("without a link there is %s", got)
		}
		if err := b.SetLink(ctx, "acc-1", record.Link{Issuer: issuer, Email: address}); err != nil {
			t.Fatal(err)
		}
		if err := b.SetLink(ctx, "acc-2", record.Link{Issuer: issuer, Email: address}); !errors.Is(err, record.ErrLinked) {
			t.Errorf("a second link: %v", err)
		}
		for _, c := range []struct{ issuer, subject, email, want string }{
			{"https://other.example", "s-1", address, ""}, {issuer, "s-1", "", ""}, {issuer, "s-1", address, "acc-1"},
			{issuer, "s-1", "", "acc-1"}, {issuer, "s-2", address, ""}, // the address was given to somebody else
		} {
			if got := find(c.issuer, c.subject, c.email); got != c.want {
				t.Errorf("%+v finds %q", c, got)
			}
		}
		if err := b.DisableAccount(ctx, "acc-1"); err != nil || find(issuer, "s-1", address) != "" {
			t.Errorf("a disabled account is found: %v", err)
		}
		if _, err := b.Verify(ctx); err != nil {
			t.Error(err)
		}
	})
}
