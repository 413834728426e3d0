package record_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// asking makes a draft ask for a notice to each addressee.
func asking(b *bench, to ...string) func(*record.Draft) {
	return func(d *record.Draft) {
		for _, addressee := range to {
			d.Notices = append(d.Notices, record.Notice{
				Seq: d.Event.Seq, Deadline: journey.ScreeningDue, Addressee: addressee, Protocol: "1", Text: "waits", DueAt: b.clock.now(),
			})
		}
	}
}

func claim(t *testing.T, b *bench, name string, limit int) []record.Notice {
	t.Helper()
	list, err := b.ClaimNotices(t.Context(), name, b.clock.now().Add(10*time.Minute), limit)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func listed(t *testing.T, b *bench, state record.NoticeState) []record.Notice {
	t.Helper()
	list, err := b.Notices(t.Context(), state, 1000)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// TestNoticesAreWrittenWithTheirEntry: together or not at all, and once.
func TestNoticesAreWrittenWithTheirEntry(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.refer(t, "cand-a", 1)
		broken := func(d *record.Draft) {
			asking(b, "coordinator")(d)
			d.Resources = []record.Resource{{Type: "Patient", ID: "x", Body: []byte("no JSON")}}
		}
		if _, err := b.give("cand-a", "one", journey.Elapse, broken); err == nil {
			t.Fatal("a broken resource was published")
		}
		if list := listed(t, b, ""); len(list) != 0 {
			t.Fatalf("the entry is not there and its notice is: %+v", list)
		}
		// One that the draft asks for twice is one.
		b.mustGive(t, "cand-a", "one", journey.Elapse, asking(b, "coordinator", "candidate", "coordinator"))
		b.mustGive(t, "cand-a", "one", journey.Elapse, asking(b, "coordinator", "candidate"))
		list := listed(t, b, record.NoticeQueued)
		if len(list) != 2 {
			t.Fatalf("%d notices, want 2", len(list))
		}
		for _, n := range list {
			if n.Candidate != "cand-a" || n.Seq != 2 || n.Deadline != journey.ScreeningDue || n.Text != "waits" || n.Protocol != "1" ||
				!n.CreatedAt.Equal(b.clock.now()) || !n.DueAt.Equal(b.clock.now()) || n.Attempts != 0 || len(n.ID) != 32 {
				t.Errorf("the notice holds %+v", n)
			}
		}
		// The next entry has notices of its own.
		b.mustGive(t, "cand-a", "two", journey.Elapse, asking(b, "coordinator"))
		if list := listed(t, b, ""); len(list) != 3 {
			t.Errorf("%d notices, want 3", len(list))
		}
	})
}

func TestClaimsKeepProcessesApart(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.refer(t, "cand-a", 1)
		b.mustGive(t, "cand-a", "later", journey.Elapse, func(d *record.Draft) {
			asking(b, "clinician")(d)
			d.Notices[0].DueAt = b.clock.now().Add(time.Hour)
		})
		b.mustGive(t, "cand-a", "now", journey.Elapse, asking(b, "coordinator", "candidate", "committee"))
		// Nothing is sent before its time.
		first := claim(t, b, "first", 2)
		second := claim(t, b, "second", 10)
		if len(first) != 2 || len(second) != 1 || len(claim(t, b, "third", 10)) != 0 {
			t.Fatalf("claimed %d and %d, want 2 and 1", len(first), len(second))
		}
		// What a process lets go of, another gets at once.
		if err := b.ReleaseNotices(ctx, "second"); err != nil {
			t.Fatal(err)
		}
		if again := claim(t, b, "third", 10); len(again) != 1 || again[0].ID != second[0].ID {
			t.Errorf("after the release %+v is claimed", again)
		}
		// What it settles nobody gets.
		if err := b.SettleNotice(ctx, first[0].ID, record.NoticeSent, "", 1); err != nil {
			t.Fatal(err)
		}
		// What a dead one kept is free when its lease ends.
		b.clock.advance(10 * time.Minute)
		after := claim(t, b, "heir", 10)
		if len(after) != 2 || !slices.ContainsFunc(after, func(n record.Notice) bool { return n.ID == first[1].ID }) {
			t.Fatalf("after the lease %+v is claimed", after)
		}
		// The dead one comes back and can't put off what is another's.
		if err := b.PostponeNotice(ctx, first[1].ID, "first", "late", 9, b.clock.now().Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
		if err := b.PostponeNotice(ctx, second[0].ID, "heir", "smtp-451", 1, b.clock.now().Add(time.Minute)); err != nil {
			t.Fatal(err)
		}
		for _, n := range listed(t, b, record.NoticeQueued) {
			switch n.ID {
			case first[1].ID:
				if n.Attempts != 0 || n.Error != "" {
					t.Errorf("a lost claim wrote %+v", n)
				}
			case second[0].ID:
				if n.Attempts != 1 || n.Error != "smtp-451" || !n.DueAt.Equal(b.clock.now().Add(time.Minute)) {
					t.Errorf("put off is %+v", n)
				}
			}
		}
		if got := claim(t, b, "x", 10); len(got) != 0 {
			t.Errorf("put off and claimed at once: %+v", got)
		}
		b.clock.advance(time.Minute)
		if got := claim(t, b, "x", 10); len(got) != 1 || got[0].ID != second[0].ID {
			t.Errorf("after the pause %+v is claimed", got)
		}
	})
}

// TestManyProcessesClaim: each notice goes to one of those who ask at once.
func TestManyProcessesClaim(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		const candidates, each, processes = 5, 8, 6
		for i := range candidates {
			id := fmt.Sprintf("cand-%d", i)
			b.refer(t, id, 1)
			for n := range each {
				b.mustGive(t, id, fmt.Sprintf("elapse-%d", n), journey.Elapse, asking(b, "coordinator"))
			}
		}
		var mu sync.Mutex
		owners := map[string]string{}
		var wait sync.WaitGroup
		for i := range processes {
			wait.Go(func() {
				name := fmt.Sprintf("process-%d", i)
				for {
					list, err := b.ClaimNotices(t.Context(), name, b.clock.now().Add(time.Hour), 3)
					if err != nil {
						t.Error(err)
						return
					}
					if len(list) == 0 {
						return
					}
					mu.Lock()
					for _, n := range list {
						if other := owners[n.ID]; other != "" {
							t.Errorf("%s got %s, which %s has", name, n.ID, other)
						}
						owners[n.ID] = name
					}
					mu.Unlock()
				}
			})
		}
		wait.Wait()
		if len(owners) != candidates*each {
			t.Errorf("%d claimed, want %d", len(owners), candidates*each)
		}
	})
}

// TestWhatEndsDropsItsNotices alike, however it ends.
func TestWhatEndsDropsItsNotices(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		rows := map[journey.Kind]string{}
		ends := []journey.Kind{journey.Withdraw, journey.Decline, journey.Close}
		for i := range ends {
			id := fmt.Sprintf("cand-%d", i)
			b.refer(t, id, 1)
			b.mustGive(t, id, "elapse", journey.Elapse, asking(b, "coordinator", "candidate", "committee"))
		}
		claimed := claim(t, b, "x", 100)
		for _, n := range claimed {
			switch n.Addressee {
			case "committee":
				if err := b.SettleNotice(ctx, n.ID, record.NoticeSent, "", 1); err != nil {
					t.Fatal(err)
				}
			case "coordinator":
				if err := b.SettleNotice(ctx, n.ID, record.NoticeFailed, "smtp-550", 1); err != nil {
					t.Fatal(err)
				}
			}
		}
		for i, kind := range ends {
			id := fmt.Sprintf("cand-%d", i)
			b.mustGive(t, id, "end", kind, nil)
			var seen []string
			for _, n := range listed(t, b, "") {
				if n.Candidate == id {
					seen = append(seen, fmt.Sprint(n.Addressee, n.State, n.Error, n.SettledAt))
				}
			}
			slices.Sort(seen)
			rows[kind] = strings.Join(seen, "\n")
		}
		if rows[journey.Withdraw] != rows[journey.Decline] || rows[journey.Withdraw] != rows[journey.Close] {
			t.Errorf("the ends differ:\n%v", rows)
		}
		counts, err := b.CountNotices(ctx)
		if err != nil || counts[record.NoticeDropped] != 6 || counts[record.NoticeSent] != 3 || counts[record.NoticeQueued]+counts[record.NoticeFailed] != 0 {
			t.Errorf("counted %v, %v", counts, err)
		}
	})
}

func TestFailedNoticesAreTriedAgainOrSetAside(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.refer(t, "cand-a", 1)
		b.mustGive(t, "cand-a", "elapse", journey.Elapse, asking(b, "coordinator", "clinician", "committee"))
		ids := map[string]string{}
		for _, n := range claim(t, b, "x", 100) {
			ids[n.Addressee] = n.ID
		}
		for _, to := range []string{"coordinator", "clinician"} {
			if err := b.SettleNotice(ctx, ids[to], record.NoticeFailed, "smtp-550", 1); err != nil {
				t.Fatal(err)
			}
		}
		// What has not failed is not theirs.
		if n, err := b.RetryNotices(ctx, []string{ids["coordinator"], ids["committee"], "unknown"}); n != 1 || err != nil {
			t.Errorf("tried again %d, %v", n, err)
		}
		if n, err := b.SetAsideNotices(ctx, []string{ids["clinician"], ids["coordinator"]}); n != 1 || err != nil {
			t.Errorf("set aside %d, %v", n, err)
		}
		got := map[string]record.Notice{}
		for _, n := range listed(t, b, "") {
			got[n.Addressee] = n
		}
		if n := got["coordinator"]; n.State != record.NoticeQueued || n.Attempts != 0 || !n.SettledAt.IsZero() {
			t.Errorf("tried again is %+v", n)
		}
		if n := got["clinician"]; n.State != record.NoticeDropped || n.Error != record.DroppedAside {
			t.Errorf("set aside is %+v", n)
		}
		if again := claim(t, b, "y", 100); len(again) != 1 || again[0].ID != ids["coordinator"] {
			t.Errorf("claimed %+v", again)
		}
	})
}

// TestContactDetailsAreInNoEntry: they stand beside the identity only.
func TestContactDetailsAreInNoEntry(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.refer(t, "cand-a", 1)
		if c, err := b.Candidate(ctx, "cand-a"); err != nil || c.Contact != (record.Contact{}) {
			t.Errorf("before anybody asked: %+v, %v", c.Contact, err)
		}
		want := record.Contact{Email: "quillon@mail.example", Phone: "+46 8 5550100", Permission: "given"}
		b.mustGive(t, "cand-a", "contact", journey.RecordContactDetails, func(d *record.Draft) {
			d.Contact, d.Body = &want, json.RawMessage(`{"email":true}`)
		})
		b.mustGive(t, "cand-a", "other", journey.RecordResults, nil)
		if c, err := b.Candidate(ctx, "cand-a"); err != nil || c.Contact != want {
			t.Errorf("read back %+v, %v", c.Contact, err)
		}
		for _, column := range []string{"body", "event"} {
			var n int
			query := "SELECT COUNT(*) FROM entry WHERE " + column + " LIKE '%mail.example%' OR " + column + " LIKE '%5550100%'"
			if err := b.raw(t).QueryRowContext(ctx, query).Scan(&n); err != nil || n != 0 {
				t.Errorf("an entry's %s holds contact details: %d, %v", column, n, err)
			}
		}
	})
}

func TestWhoCanBeReached(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		for _, a := range []struct {
			id    string
			role  journey.Role
			email string
		}{
			{"a-1", journey.Coordinator, "one@example.org"}, {"a-2", journey.Coordinator, ""}, {"a-3", journey.Coordinator, "three@example.org"},
			{"a-4", journey.Coordinator, "four@example.org"}, {"a-5", journey.Clinician, "five@example.org"},
		} {
			if _, err := b.AddAccount(ctx, a.id, a.id, a.id, a.role, "a long password"); err != nil {
				t.Fatal(err)
			}
			if err := b.SetEmail(ctx, a.id, a.email); err != nil {
				t.Fatal(err)
			}
		}
		if err := b.SetEmail(ctx, "nobody", "x@example.org"); err == nil {
			t.Error("an address was given to nobody")
		}
		if err := b.DisableAccount(ctx, "a-3"); err != nil {
			t.Fatal(err)
		}
		if err := b.AddToRecipientTeam(ctx, "R-1", "a-4"); err != nil {
			t.Fatal(err)
		}
		for recipient, want := range map[string]string{"R-1": "a-1", "R-2": "a-1 a-4", "": "a-1 a-4"} {
			accounts, err := b.Reachable(ctx, journey.Coordinator, recipient)
			if err != nil {
				t.Fatal(err)
			}
			var ids []string
			for _, a := range accounts {
				ids = append(ids, a.ID)
			}
			if got := strings.Join(ids, " "); got != want {
				t.Errorf("for recipient %q: %s, want %s", recipient, got, want)
			}
		}
	})
}
