package meeting_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/meeting"
)

// room plays a meeting by the checks alone.
type room struct {
	*testing.T
	m     meeting.Meeting
	rules meeting.Rules
	at    time.Time
	log   []meeting.Entry
}

var roles = map[string]journey.Role{
	"chair": journey.CommitteeRole, "una": journey.CommitteeRole, "neph": journey.Clinician, "surg": journey.Clinician,
	"advo": journey.Advocate, "cora": journey.Coordinator, "audi": journey.Auditor,
}

func newRoom(t *testing.T) *room {
	r := &room{T: t, at: time.Date(2026, 3, 2, 13, 0, 0, 0, time.UTC), rules: meeting.Rules{
		Members: []journey.Role{journey.CommitteeRole, journey.Clinician}, Quorum: 3, Seats: []string{"nephrologist", "surgeon", "advocate"},
		Reached: func(votes, of int) bool { return 2*votes > of },
	}}
	r.do("cora", meeting.Change{Kind: meeting.Planned, Plan: &meeting.Plan{On: "2026-03-02", Time: "13:00", Place: "Room 4", Chair: "chair"}})
	r.do("cora", meeting.Change{Kind: meeting.Agenda, Agenda: []string{"cand-a", "cand-b"}})
	r.do("chair", meeting.Change{Kind: meeting.Attended, Attended: everybody()})
	return r
}

func everybody() []meeting.Attendee {
	return []meeting.Attendee{
		{Account: "chair", Role: journey.CommitteeRole}, {Account: "una", Role: journey.CommitteeRole},
		{Account: "neph", Role: journey.Clinician, Seat: "nephrologist"}, {Account: "surg", Role: journey.Clinician, Seat: "surgeon"},
		{Account: "advo", Role: journey.Advocate, Seat: "advocate"}, {Account: "cora", Role: journey.Coordinator},
	}
}

func (r *room) try(actor string, c meeting.Change) error {
	if err := meeting.Check(r.m, c, actor, roles[actor], r.rules); err != nil {
		return err
	}
	e := meeting.Entry{Meeting: "m", Seq: r.m.Seq + 1, At: r.at, Actor: actor, Role: roles[actor], Change: c}
	r.log = append(r.log, e)
	r.m = meeting.Apply(r.m, e)
	return nil
}

func (r *room) do(actor string, c meeting.Change) {
	r.Helper()
	if err := r.try(actor, c); err != nil {
		r.Fatalf("%s %s: %v", actor, c.Kind, err)
	}
}

// refused gives a change that has to be refused by a rule or with a code.
func (r *room) refused(actor string, c meeting.Change, want string) {
	r.Helper()
	var refusal *journey.Refusal
	err := r.try(actor, c)
	if !errors.As(err, &refusal) {
		r.Errorf("%s %s was accepted: %v", actor, c.Kind, err)
		return
	}
	if string(refusal.Code) != want && refusal.Field != want && !slices.ContainsFunc(refusal.Reasons, func(reason journey.Reason) bool { return reason.Rule == want }) {
		r.Errorf("%s %s: %v, want %s", actor, c.Kind, err, want)
	}
}

func (r *room) item() meeting.Item {
	i, _ := r.m.Item("cand-a")
	return i
}

func (r *room) vote(actor string, choice meeting.Choice) {
	r.Helper()
	if _, declared := r.item().Conflicted(actor); !declared {
		r.do(actor, meeting.Change{Kind: meeting.Declared, Candidate: "cand-a"})
	}
	last, _ := r.item().Last(actor)
	r.do(actor, meeting.Change{Kind: meeting.Voted, Candidate: "cand-a", Choice: choice, Text: "because", Seen: last.Seq})
}

func (r *room) closeVote(actor string) meeting.Change {
	return meeting.Change{Kind: meeting.Closed, Candidate: "cand-a", Seen: r.item().Seq}
}

func (r *room) decide(outcome journey.Outcome) meeting.Change {
	return meeting.Change{Kind: meeting.Decided, Candidate: "cand-a", Outcome: outcome, Seen: r.item().Seq, Entry: 12}
}

func TestVoting(t *testing.T) {
	r := newRoom(t)
	ballot := meeting.Change{Kind: meeting.Voted, Candidate: "cand-a", Choice: meeting.Approve}
	r.refused("una", ballot, "declaration")
	r.refused("audi", ballot, "present")
	r.refused("advo", ballot, "forbidden")
	r.refused("cora", ballot, "forbidden")
	r.refused("una", meeting.Change{Kind: meeting.Voted, Candidate: "cand-z", Choice: meeting.Approve}, "candidate")
	r.do("una", meeting.Change{Kind: meeting.Declared, Candidate: "cand-a"})
	r.refused("una", meeting.Change{Kind: meeting.Voted, Candidate: "cand-a", Choice: "perhaps"}, "choice")
	r.refused("una", meeting.Change{Kind: meeting.Voted, Candidate: "cand-a", Choice: meeting.Decline}, "text")
	r.do("una", ballot)
	// The same again, from a page that does not show the vote or from one that does.
	r.refused("una", ballot, "conflict")
	seen := ballot
	seen.Seen = r.item().Votes[0].Seq
	r.refused("una", seen, "conflict")
	r.vote("una", meeting.Defer)
	if i := r.item(); len(i.Votes) != 2 {
		t.Errorf("the vote before is not kept: %+v", i.Votes)
	}
	r.refused("chair", r.closeVote("chair"), "votes")
	r.vote("neph", meeting.Approve)
	r.vote("surg", meeting.Approve)
	r.refused("una", r.closeVote("una"), "forbidden")
	stale := r.closeVote("chair")
	stale.Seen--
	r.refused("chair", stale, "conflict")
	r.refused("chair", r.decide(journey.Approve), "vote-open")
	first := r.closeVote("chair")
	r.do("chair", first)
	// Two close at once: the second is told.
	r.refused("chair", first, "conflict")
	r.refused("una", meeting.Change{Kind: meeting.Voted, Candidate: "cand-a", Choice: meeting.Approve, Seen: r.item().Votes[1].Seq}, "vote-closed")
	r.refused("una", meeting.Change{Kind: meeting.Declared, Candidate: "cand-a", Conflict: true, Text: "late", Seen: 4}, "vote-closed")
	r.refused("chair", r.decide(journey.DeclineCandidate), "votes")
	r.refused("chair", r.decide(journey.Defer), "votes")
	r.do("chair", r.decide(journey.Approve))
	r.refused("chair", r.decide(journey.Approve), "conflict")
	// Who goes later changes nothing of what was counted.
	before := meeting.CountOf(r.m, r.item(), r.rules)
	r.do("chair", meeting.Change{Kind: meeting.Attended, Attended: everybody()[:2], Seen: r.m.AttendanceSeq})
	if after := meeting.CountOf(r.m, r.item(), r.rules); fmt.Sprint(after.Votes, after.Seats) != fmt.Sprint(before.Votes, before.Seats) {
		t.Errorf("%+v became %+v", before, after)
	}
}

// TestConflictOfInterest: whoever has one leaves the count, with their seat and
// with a vote that they gave before.
func TestConflictOfInterest(t *testing.T) {
	r := newRoom(t)
	for _, who := range []string{"una", "neph", "surg"} {
		r.vote(who, meeting.Approve)
	}
	r.refused("surg", meeting.Change{Kind: meeting.Declared, Candidate: "cand-a", Conflict: true, Seen: declaration(r, "surg")}, "text")
	r.refused("surg", meeting.Change{Kind: meeting.Declared, Candidate: "cand-a", Conflict: true, Text: "a cousin"}, "conflict")
	r.do("surg", meeting.Change{Kind: meeting.Declared, Candidate: "cand-a", Conflict: true, Text: "a cousin", Seen: declaration(r, "surg")})
	last, _ := r.item().Last("surg")
	r.refused("surg", meeting.Change{Kind: meeting.Voted, Candidate: "cand-a", Choice: meeting.Defer, Text: "x", Seen: last.Seq}, "conflict-of-interest")
	count := meeting.CountOf(r.m, r.item(), r.rules)
	if len(count.Votes) != 2 || slices.Contains(count.Seats, "surgeon") {
		t.Errorf("%+v", count)
	}
	r.refused("chair", r.closeVote("chair"), "quorum")
	// The other candidate is none of it.
	other, _ := r.m.Item("cand-b")
	if count := meeting.CountOf(r.m, other, r.rules); !slices.Contains(count.Seats, "surgeon") {
		t.Errorf("%+v", count)
	}
	r.do("surg", meeting.Change{Kind: meeting.Declared, Candidate: "cand-a", Seen: declaration(r, "surg")})
	r.do("chair", meeting.Change{Kind: meeting.Declared, Candidate: "cand-a", Conflict: true, Text: "a neighbour"})
	r.refused("chair", r.closeVote("chair"), "conflict-of-interest")
}

func declaration(r *room, who string) int64 {
	var seq int64
	for _, d := range r.item().Declarations {
		if d.By == who {
			seq = d.Seq
		}
	}
	return seq
}

// TestCareForTheRecipient: whoever cares for the recipient neither votes nor
// counts, declared or not, and stays out of what was counted then.
func TestCareForTheRecipient(t *testing.T) {
	r := newRoom(t)
	for _, who := range []string{"chair", "una", "neph"} {
		r.vote(who, meeting.Approve)
	}
	r.rules.Excluded = []string{"surg"}
	r.refused("surg", meeting.Change{Kind: meeting.Declared, Candidate: "cand-a"}, "conflict-of-interest")
	r.refused("chair", r.closeVote("chair"), "quorum")
	r.rules.Excluded = []string{"una"}
	r.refused("chair", r.closeVote("chair"), "votes")
	r.vote("surg", meeting.Approve)
	closing := r.closeVote("chair")
	closing.Excluded = r.rules.Excluded
	r.do("chair", closing)
	r.rules.Excluded = nil // they care for others now
	if count := meeting.CountOf(r.m, r.item(), r.rules); len(count.Votes) != 3 || slices.Contains(count.Members, "una") {
		t.Errorf("%+v", count)
	}
}

// TestOutcomes counts by hand what each combination of votes allows.
func TestOutcomes(t *testing.T) {
	const a, c, d, n = meeting.Approve, meeting.WithConditions, meeting.Defer, meeting.Decline
	for _, tt := range []struct {
		votes [4]meeting.Choice
		want  journey.Outcome
		must  bool
	}{
		{[4]meeting.Choice{a, a, a, n}, journey.Approve, false},
		{[4]meeting.Choice{a, a, c, n}, journey.Approve, true},
		{[4]meeting.Choice{c, c, c, d}, journey.Approve, true},
		{[4]meeting.Choice{a, a, n, n}, journey.Defer, false},
		{[4]meeting.Choice{a, c, d, d}, journey.Defer, false},
		{[4]meeting.Choice{n, n, n, a}, journey.DeclineCandidate, false},
		{[4]meeting.Choice{d, d, d, a}, journey.Defer, false},
	} {
		r := newRoom(t)
		for i, who := range []string{"chair", "una", "neph", "surg"} {
			r.vote(who, tt.votes[i])
		}
		count := meeting.CountOf(r.m, r.item(), r.rules)
		if len(count.Outcomes) != 1 || count.Outcomes[0] != tt.want || count.MustCondition != tt.must || len(count.Lacking) > 0 {
			t.Errorf("%v: %+v", tt.votes, count)
		}
	}
}

func TestQuorumNamesWhatLacks(t *testing.T) {
	r := newRoom(t)
	r.do("cora", meeting.Change{Kind: meeting.Attended, Attended: everybody()[:3], Seen: r.m.AttendanceSeq})
	for _, who := range []string{"chair", "una", "neph"} {
		r.vote(who, meeting.Approve)
	}
	var messages []string
	for _, reason := range meeting.CountOf(r.m, r.item(), r.rules).Lacking {
		messages = append(messages, reason.Message)
	}
	if want := []string{"no quorum: surgeon is not present", "no quorum: advocate is not present"}; !slices.Equal(messages, want) {
		t.Errorf("%q", messages)
	}
	r.refused("chair", r.closeVote("chair"), "quorum")
}

func TestPlanAgendaAttendance(t *testing.T) {
	r := newRoom(t)
	r.refused("neph", meeting.Change{Kind: meeting.Agenda, Agenda: []string{"cand-a"}, Seen: r.m.AgendaSeq}, "forbidden")
	r.refused("cora", meeting.Change{Kind: meeting.Agenda, Agenda: []string{"cand-a"}}, "conflict")
	r.refused("cora", meeting.Change{Kind: meeting.Agenda, Agenda: []string{"cand-a", "cand-a"}, Seen: r.m.AgendaSeq}, "agenda")
	r.refused("cora", meeting.Change{Kind: meeting.Planned, Plan: &meeting.Plan{On: "2026-02-30", Chair: "chair"}, Seen: r.m.PlanSeq}, "on")
	r.refused("cora", meeting.Change{Kind: meeting.Planned, Plan: &meeting.Plan{On: "2026-03-02"}, Seen: r.m.PlanSeq}, "chair")
	r.refused("cora", meeting.Change{Kind: meeting.Planned, Plan: &meeting.Plan{On: "2026-03-02", Time: "1 pm", Chair: "chair"}, Seen: r.m.PlanSeq}, "time")
	r.refused("cora", meeting.Change{Kind: meeting.Planned, Plan: &meeting.Plan{On: "2026-03-02", Chair: "chair"}}, "conflict")
	wrong := func(change func([]meeting.Attendee)) meeting.Change {
		list := everybody()
		change(list)
		return meeting.Change{Kind: meeting.Attended, Attended: list, Seen: r.m.AttendanceSeq}
	}
	r.refused("cora", wrong(func(l []meeting.Attendee) { l[0].Account = "una" }), "attended")
	r.refused("cora", wrong(func(l []meeting.Attendee) { l[0].Seat = "surgeon" }), "attended")
	r.refused("cora", wrong(func(l []meeting.Attendee) { l[3].Seat = ""; l[4].Seat = "surgeon" }), "attended")
	r.refused("cora", wrong(func(l []meeting.Attendee) { l[4].Seat = ""; l[0].Seat = "advocate" }), "attended")
	r.refused("cora", wrong(func(l []meeting.Attendee) { l[0].Role = journey.Auditor }), "attended")
	r.vote("una", meeting.Approve)
	r.refused("cora", meeting.Change{Kind: meeting.Agenda, Agenda: []string{"cand-b"}, Seen: r.m.AgendaSeq}, "item-begun")
	r.refused("cora", wrong(func(l []meeting.Attendee) { l[1].Account = "another" }), "has-voted")
	r.do("cora", meeting.Change{Kind: meeting.Agenda, Agenda: []string{"cand-b", "cand-a"}, Seen: r.m.AgendaSeq})
	r.do("cora", meeting.Change{Kind: meeting.Agenda, Agenda: []string{"cand-a"}, Seen: r.m.AgendaSeq})
	if _, ok := r.m.Item("cand-b"); ok {
		t.Error("who was taken off is on the agenda")
	}
	r.do("chair", meeting.Change{Kind: meeting.Planned, Plan: &meeting.Plan{On: "2026-03-02", Chair: "chair", CalledOff: true}, Seen: r.m.PlanSeq})
	r.refused("una", meeting.Change{Kind: meeting.Declared, Candidate: "cand-a", Seen: declaration(r, "una")}, "called-off")
}

// TestMinutes: they are signed once all that was begun is done, and frozen then;
// amendments are added.
func TestMinutes(t *testing.T) {
	r := newRoom(t)
	r.refused("chair", meeting.Change{Kind: meeting.Amended, Text: "x"}, "minutes-signed")
	for _, who := range []string{"una", "neph", "surg"} {
		r.vote(who, meeting.Approve)
	}
	sign := func() meeting.Change {
		digest, err := meeting.Digest(r.m, "All agreed.")
		if err != nil {
			t.Fatal(err)
		}
		return meeting.Change{Kind: meeting.Signed, Text: "All agreed.", Seen: r.m.Seq, Digest: digest}
	}
	silent := sign()
	silent.Text = ""
	r.refused("chair", silent, "text")
	r.do("chair", r.closeVote("chair"))
	silent.Seen = r.m.Seq
	r.refused("chair", silent, "text")
	r.do("una", r.decide(journey.Approve))
	r.refused("una", sign(), "forbidden")
	stale := sign()
	stale.Seen--
	r.refused("chair", stale, "conflict")
	before := r.m
	r.do("chair", sign())
	for _, c := range []meeting.Change{
		sign(), {Kind: meeting.Agenda, Seen: r.m.AgendaSeq}, {Kind: meeting.Attended, Seen: r.m.AttendanceSeq},
		{Kind: meeting.Planned, Plan: &r.m.Plan, Seen: r.m.PlanSeq}, {Kind: meeting.Declared, Candidate: "cand-b"},
	} {
		r.refused("chair", c, "minutes-signed")
	}
	r.refused("neph", meeting.Change{Kind: meeting.Amended, Text: "x"}, "forbidden")
	r.refused("cora", meeting.Change{Kind: meeting.Amended, Text: " "}, "text")
	r.do("cora", meeting.Change{Kind: meeting.Amended, Text: "The time was 13:10."})
	again, err := meeting.Digest(before, "All agreed.")
	if err != nil || again != r.m.Digest || len(r.m.Amendments) != 1 {
		t.Errorf("digest %s, want %s (%v)", again, r.m.Digest, err)
	}
	// It is of all that they are made of.
	before.Attendance = before.Attendance[:3]
	if other, _ := meeting.Digest(before, "All agreed."); other == again {
		t.Error("another attendance has the same digest")
	}
	var folded meeting.Meeting
	for _, e := range r.log {
		folded = meeting.Apply(folded, e)
	}
	want, _ := json.Marshal(r.m)
	if got, _ := json.Marshal(folded); string(got) != string(want) {
		t.Error("the fold of the changes is another meeting")
	}
}

// TestTwoPeople: where the protocol wants it, whoever closed the vote does not
// record the decision.
func TestTwoPeople(t *testing.T) {
	r := newRoom(t)
	r.rules.TwoPeople = true
	for _, who := range []string{"una", "neph", "surg"} {
		r.vote(who, meeting.Approve)
	}
	r.do("chair", r.closeVote("chair"))
	r.refused("chair", r.decide(journey.Approve), "two-people")
	r.do("una", r.decide(journey.Approve))
}
