package activities_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

const telling = `
notices:
  - {of: first-reply-due, to: [coordinator, candidate], text: waits, from_hour: 7, source: test}
  - {of: screening-due, to: [coordinator], text: waits, source: test}
notice_texts:
  - {id: waits, subject: Something waits, body: Something waits.}
`

// publisher publishes nothing, and fails when it is told to.
type publisher struct{ broken bool }

func (p *publisher) Publish(activities.Snapshot) ([]record.Resource, error) {
	if p.broken {
		return nil, errors.New("broken")
	}
	return nil, nil
}

// bench gives commands straight to the activity, by a clock of its own.
type bench struct {
	*testing.T
	store     *record.Store
	commit    *activities.Activities
	publisher *publisher
	protocol  *protocol.Protocol
	at        time.Time
	given     int
}

func newBench(t *testing.T) *bench {
	t.Helper()
	// A Friday before the clocks change in the programme's zone.
	b := &bench{T: t, at: time.Date(2026, 10, 23, 8, 0, 0, 0, time.UTC), publisher: &publisher{}}
	var err error
	if b.protocol, err = protocol.Parse([]byte(protocoltest.Brief().Source() + telling)); err != nil {
		t.Fatal(err)
	}
	b.store, err = record.Open(t.Context(), filepath.Join(t.TempDir(), "records.db"), func() time.Time { return b.at })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.store.Close() })
	if err := b.store.KeepProtocol(t.Context(), b.protocol.Version, b.protocol.Digest(), b.protocol.Source()); err != nil {
		t.Fatal(err)
	}
	b.commit = &activities.Activities{Store: b.store, Protocols: protocol.NewRegistry(b.store.Protocol, b.protocol), Publisher: b.publisher}
	return b
}

func (b *bench) try(kind journey.Kind, body command.Body, change func(*journey.Command)) (activities.Committed, error) {
	b.Helper()
	b.given++
	c := journey.Command{
		ID: fmt.Sprint("command-", b.given), Candidate: "cand-a", Kind: kind, Actor: "cora", Role: journey.Coordinator,
		At: b.at, Today: journey.DateOf(b.at, b.protocol.Zone()),
	}
	if change != nil {
		change(&c)
	}
	if body != nil {
		raw, hash, err := command.Canonical(kind, c.Actor, body)
		if err != nil {
			b.Fatal(err)
		}
		body.Code(&c)
		if _, err := b.store.Stage(b.Context(), c.Candidate, c.ID, hash, raw); err != nil {
			b.Fatal(err)
		}
	}
	state, err := b.store.Resumable(b.Context(), c.Candidate)
	if err != nil && !errors.Is(err, record.ErrNotFound) {
		b.Fatal(err)
	}
	return b.commit.Commit(b.Context(), activities.CommitInput{Command: c, Protocol: b.protocol.Version, Seq: state.State.Seq})
}

func (b *bench) give(kind journey.Kind, body command.Body, change func(*journey.Command)) activities.Committed {
	b.Helper()
	out, err := b.try(kind, body, change)
	if err != nil {
		b.Fatal(err)
	}
	return out
}

func (b *bench) refer(backEntry bool) {
	b.Helper()
	b.give(journey.Refer, &command.Referral{
		Given: "Quillon", Family: "Zephyrwick", BirthDate: "1981-03-14", Sex: "female", Path: "nondirected",
		Identifier: result.Identifier{System: "urn:oid:1.2.3", Value: "M-1"},
	}, func(c *journey.Command) { c.BackEntry = backEntry })
}

// elapse fires what passed by a day, as the workflow's timer does.
func (b *bench) elapse(day journey.Date) (activities.Committed, error) {
	b.Helper()
	b.at = day.Start(b.protocol.Zone())
	state, err := b.store.Resumable(b.Context(), "cand-a")
	if err != nil {
		b.Fatal(err)
	}
	return b.try(journey.Elapse, nil, func(c *journey.Command) {
		c.ID, c.Actor, c.Role, c.On = activities.ElapseID(state.State.Seq+1), "timer", journey.System, day
	})
}

func (b *bench) notices() string {
	b.Helper()
	list, err := b.store.Notices(b.Context(), "", 100)
	if err != nil {
		b.Fatal(err)
	}
	var lines []string
	for _, n := range list {
		lines = append(lines, fmt.Sprintf("%d %s %s %s %s", n.Seq, n.Deadline, n.Addressee, n.State, n.DueAt.Format(time.RFC3339)))
	}
	slices.Sort(lines)
	return strings.Join(lines, "\n")
}

// firstReply is the day after three working days from Friday, 23 October.
const firstReply = journey.Date("2026-10-29")

// TestDeadlinesAskForNotices: written with the entry, once, and due at the hour
// that the protocol names: 7 in Stockholm is 6 in winter time.
func TestDeadlinesAskForNotices(t *testing.T) {
	b := newBench(t)
	b.refer(false)
	b.publisher.broken = true
	// It goes on from the record, which has nothing of it.
	if out, err := b.elapse(firstReply); err != nil || len(out.Events) > 0 {
		t.Fatalf("a broken resource was published: %+v, %v", out, err)
	}
	if got := b.notices(); got != "" {
		t.Fatalf("the entry is not there and its notices are:\n%s", got)
	}
	b.publisher.broken = false
	for range 2 { // the engine asks again when an answer was lost
		if _, err := b.elapse(firstReply); err != nil {
			t.Fatal(err)
		}
	}
	const want = "2 first-reply-due candidate queued 2026-10-29T06:00:00Z\n2 first-reply-due coordinator queued 2026-10-29T06:00:00Z"
	if got := b.notices(); got != want {
		t.Errorf("the outbox holds\n%s\nwant\n%s", got, want)
	}
}

// TestACommandBringsWhatPassedBefore: the timer was late, and the command that
// came first wrote the entry of the deadline with its notices.
func TestACommandBringsWhatPassedBefore(t *testing.T) {
	b := newBench(t)
	b.refer(false)
	b.at = time.Date(2026, 11, 2, 9, 0, 0, 0, time.UTC)
	b.give(journey.BeginScreening, &command.BeginScreening{ContactConsent: true, DuplicateChecked: true}, nil)
	if got := b.notices(); strings.Count(got, "\n") != 1 || !strings.HasPrefix(got, "2 first-reply-due candidate queued 2026-10-29T06:00:00Z") {
		t.Errorf("the outbox holds\n%s", got)
	}
	if _, err := b.elapse(firstReply.AddDays(60)); err != nil {
		t.Fatal(err)
	}
	if got := b.notices(); !strings.Contains(got, "4 screening-due coordinator queued 2026-11-16T23:00:00Z") {
		t.Errorf("the outbox holds\n%s", got)
	}
}

// TestAnEndLeavesNothingWaiting, and asks for nothing more: what passed before a
// withdrawal that comes late is told to nobody.
func TestAnEndLeavesNothingWaiting(t *testing.T) {
	for _, kind := range []journey.Kind{journey.Withdraw, journey.Decline} {
		b := newBench(t)
		b.refer(false)
		if _, err := b.elapse(firstReply); err != nil {
			t.Fatal(err)
		}
		b.at = b.at.Add(time.Hour)
		var body command.Body = &command.Plain{}
		if kind == journey.Decline {
			body = &command.Reasoned{Reason: "told in private"}
		}
		b.give(kind, body, nil)
		const want = "2 first-reply-due candidate dropped 2026-10-29T06:00:00Z\n2 first-reply-due coordinator dropped 2026-10-29T06:00:00Z"
		if got := b.notices(); got != want {
			t.Errorf("after %s the outbox holds\n%s", kind, got)
		}
		late := newBench(t)
		late.refer(false)
		late.at = late.at.AddDate(0, 1, 0)
		late.give(kind, body, nil)
		if got := late.notices(); got != "" {
			t.Errorf("%s asked for\n%s", kind, got)
		}
	}
}

// TestWhatPassedLongAgoIsToldToNobody: a journey that is entered after the fact.
func TestWhatPassedLongAgoIsToldToNobody(t *testing.T) {
	b := newBench(t)
	b.refer(true)
	b.at = b.at.AddDate(0, 1, 0)
	b.give(journey.BeginScreening, &command.BeginScreening{ContactConsent: true, DuplicateChecked: true}, nil)
	if got := b.notices(); got != "" {
		t.Errorf("the outbox holds\n%s", got)
	}
}

// TestContactDetailsLeaveTheEntry: they are where the identity is, and the entry
// says only that there are some.
func TestContactDetailsLeaveTheEntry(t *testing.T) {
	b := newBench(t)
	b.refer(false)
	out := b.give(journey.RecordContactDetails, &command.ContactDetails{
		Email: "quillon@mail.example", Phone: "+46 8 5550100", EmailPermission: command.PermissionGiven,
	}, nil)
	c, err := b.store.Candidate(context.Background(), "cand-a")
	if err != nil || c.Contact != (record.Contact{Email: "quillon@mail.example", Phone: "+46 8 5550100", Permission: "given"}) {
		t.Errorf("kept is %+v, %v", c.Contact, err)
	}
	entries, err := b.store.Entries(t.Context(), "cand-a")
	if err != nil {
		t.Fatal(err)
	}
	last := entries[len(entries)-1]
	if string(last.Body) != `{"email":true,"phone":true,"email_permission":"given"}` {
		t.Errorf("the entry's body is %s", last.Body)
	}
	coded, err := json.Marshal(out)
	if err != nil || strings.Contains(string(coded)+string(last.Event), "mail.example") || strings.Contains(string(coded), "5550100") {
		t.Errorf("the process knows the details: %s, %v", coded, err)
	}
	if c.State.Stage != journey.Referral || c.State.Since != "2026-10-23" {
		t.Errorf("the state changed to %+v", c.State)
	}
}
