package record_test

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/record"
)

// TestMeetingsAreKept: changes are chained, nothing of them can be changed, and a
// meeting that differs from what they make of it is found.
func TestMeetingsAreKept(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		allow := func(meeting.Meeting, *meeting.Change) error { return nil }
		change := func(id string, c meeting.Change) meeting.Meeting {
			t.Helper()
			m, err := b.ChangeMeeting(ctx, id, "acc-1", journey.CommitteeRole, c, allow)
			if err != nil {
				t.Fatal(err)
			}
			return m
		}
		change("one", meeting.Change{Kind: meeting.Planned, Plan: &meeting.Plan{On: "2026-03-02", Chair: "acc-1"}})
		change("two", meeting.Change{Kind: meeting.Planned, Plan: &meeting.Plan{On: "2026-03-09", Chair: "acc-1"}})
		want := change("one", meeting.Change{Kind: meeting.Agenda, Agenda: []string{"cand-a"}})
		refused := errors.New("refused")
		if _, err := b.ChangeMeeting(ctx, "one", "acc-1", journey.CommitteeRole, meeting.Change{Kind: meeting.Agenda}, func(m meeting.Meeting, _ *meeting.Change) error {
			if m.Seq != 2 {
				t.Errorf("asked about change %d", m.Seq)
			}
			return refused
		}); !errors.Is(err, refused) {
			t.Errorf("got %v", err)
		}
		got, err := b.Meeting(ctx, "one")
		if err != nil || fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%+v, want %+v (%v)", got, want, err)
		}
		if _, err := b.Meeting(ctx, "three"); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("got %v", err)
		}
		list, err := b.Meetings(ctx)
		if err != nil || len(list) != 2 || list[0].ID != "two" {
			t.Errorf("%+v, %v", list, err)
		}
		entries, err := b.MeetingEntries(ctx, "one")
		if err != nil || len(entries) != 2 || entries[1].Actor != "acc-1" || entries[1].Kind != meeting.Agenda {
			t.Errorf("%+v, %v", entries, err)
		}
		v, err := b.Verify(ctx)
		if err != nil || v.MeetingChanges != 3 {
			t.Fatalf("%+v, %v", v, err)
		}
		raw := b.raw(t)
		for _, statement := range []string{"UPDATE meeting_entry SET actor = 'x'", "DELETE FROM meeting_entry"} {
			if _, err := raw.ExecContext(ctx, statement); err == nil {
				t.Errorf("%s was carried out", statement)
			}
		}
		if _, err := raw.ExecContext(ctx, `UPDATE meeting SET state = '{"id":"one","seq":2}' WHERE id = 'one'`); err != nil {
			t.Fatal(err)
		}
		if _, err := b.Verify(ctx); err == nil || !strings.Contains(err.Error(), "meeting one") {
			t.Errorf("a meeting that was changed beside its entries: %v", err)
		}
	})
}

// TestTwoChangeAMeetingAtOnce: of many who change the same from the same page one
// is carried out.
func TestTwoChangeAMeetingAtOnce(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		plan := meeting.Change{Kind: meeting.Planned, Plan: &meeting.Plan{On: "2026-03-02", Chair: "acc-1"}}
		var done, conflicts atomic.Int64
		var all sync.WaitGroup
		for n := range 8 {
			all.Go(func() {
				_, err := b.ChangeMeeting(t.Context(), "one", fmt.Sprint("acc-", n), journey.CommitteeRole, plan, func(m meeting.Meeting, c *meeting.Change) error {
					return meeting.Check(m, *c, "acc-1", journey.CommitteeRole, meeting.Rules{})
				})
				var refusal *journey.Refusal
				switch {
				case err == nil:
					done.Add(1)
				case errors.As(err, &refusal) && refusal.Code == journey.Conflict:
					conflicts.Add(1)
				default:
					t.Error(err)
				}
			})
		}
		all.Wait()
		if done.Load() != 1 || conflicts.Load() != 7 {
			t.Errorf("%d carried out, %d told that it has changed", done.Load(), conflicts.Load())
		}
	})
}

func TestLettersAreKept(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.refer(t, "cand-a", 1)
		letter := record.Letter{Candidate: "cand-a", By: "acc-1", Role: journey.Coordinator, Kind: "approval", Title: "t", Text: "Dear you.", On: "2026-03-02", Channel: "post"}
		first, err := b.KeepLetter(ctx, letter, 0)
		if err != nil || first.Seq != 1 {
			t.Fatalf("%+v, %v", first, err)
		}
		if _, err := b.KeepLetter(ctx, letter, 0); !errors.Is(err, record.ErrChanged) {
			t.Errorf("a letter by somebody who has not seen the first: %v", err)
		}
		if _, err := b.KeepLetter(ctx, letter, 1); err != nil {
			t.Fatal(err)
		}
		list, err := b.Letters(ctx, "cand-a")
		if err != nil || len(list) != 2 || list[0] != first {
			t.Errorf("%+v, want %+v first (%v)", list, first, err)
		}
		if v, err := b.Verify(ctx); err != nil || v.Letters != 2 {
			t.Errorf("%+v, %v", v, err)
		}
		if _, err := b.raw(t).ExecContext(ctx, "UPDATE letter SET body = '{}'"); err == nil {
			t.Error("a letter was changed")
		}
	})
}
