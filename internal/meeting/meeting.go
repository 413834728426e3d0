// Package meeting holds the meetings of the selection committee: what is planned,
// who was there, who declared a conflict of interest, who voted how, and what was
// signed in the end. A meeting is the fold of its changes, none of which is ever
// taken back. It is pure: no I/O and no clock.
//
// A meeting decides nothing of a candidate. Its votes are what a decision stands
// on, which is a command of the candidate like any other.
package meeting

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"candidacy/internal/journey"
)

// Kind names a change of a meeting.
type Kind string

// The changes.
const (
	Planned  Kind = "plan"
	Agenda   Kind = "agenda"
	Attended Kind = "attendance"
	Declared Kind = "declare"
	Voted    Kind = "vote"
	Closed   Kind = "close"
	Decided  Kind = "decide"
	Signed   Kind = "sign"
	Amended  Kind = "amend"
)

// Kinds lists the changes that people make to a meeting. A decision is recorded
// with the candidate, and Decided with it.
var Kinds = []Kind{Planned, Agenda, Attended, Declared, Voted, Closed, Signed, Amended}

// Choice is a vote.
type Choice string

// The votes.
const (
	Approve        Choice = "approve"
	WithConditions Choice = "approve-with-conditions"
	Defer          Choice = "defer"
	Decline        Choice = "decline"
)

// Choices lists the votes.
var Choices = []Choice{Approve, WithConditions, Defer, Decline}

// Plan is when and where a meeting is, and who chairs it.
type Plan struct {
	On    journey.Date `json:"on"`
	Time  string       `json:"time,omitempty"`
	Place string       `json:"place,omitempty"`
	Chair string       `json:"chair"`
	// CalledOff says that it does not take place.
	CalledOff bool `json:"called_off,omitempty"`
}

// Attendee is one person who was there, with the seat of the quorum that they took.
type Attendee struct {
	Account string       `json:"account"`
	Role    journey.Role `json:"role"`
	Seat    string       `json:"seat,omitempty"`
}

// Change is one change of a meeting.
type Change struct {
	Kind Kind `json:"kind"`
	// Seen is the number of the last change, of what is changed, that whoever makes
	// this one has seen: 0 where there was none. Another one meanwhile refuses it.
	Seen int64 `json:"seen"`

	Plan      *Plan      `json:"plan,omitempty"`
	Agenda    []string   `json:"agenda,omitempty"`
	Attended  []Attendee `json:"attended,omitempty"`
	Candidate string     `json:"candidate,omitempty"`
	// Conflict is declared, or that there is none.
	Conflict bool   `json:"conflict,omitempty"`
	Choice   Choice `json:"choice,omitempty"`
	// Text is the reason of a vote or a conflict, the free part of the minutes, or
	// an amendment.
	Text    string          `json:"text,omitempty"`
	Outcome journey.Outcome `json:"outcome,omitempty"`
	// Entry is the number of the candidate's entry that holds the decision.
	Entry int64 `json:"entry,omitempty"`
	// Digest is of the minutes that were signed.
	Digest string `json:"digest,omitempty"`
	// Excluded are those who are there and care for the recipient, when a vote is
	// closed.
	Excluded []string `json:"excluded,omitempty"`
}

// Entry is a change on record.
type Entry struct {
	Meeting string
	Seq     int64
	At      time.Time
	Actor   string
	Role    journey.Role
	Change
	Hash string
}

// Candidates are those whom the change is about; an agenda is about all of its own.
func (c Change) Candidates() []string {
	if c.Candidate == "" {
		return c.Agenda
	}
	return []string{c.Candidate}
}

// Vote is one vote as it was given. Of those of one person the last counts.
type Vote struct {
	Seq    int64        `json:"seq"`
	By     string       `json:"by"`
	Role   journey.Role `json:"role"`
	At     time.Time    `json:"at"`
	Choice Choice       `json:"choice"`
	Reason string       `json:"reason,omitempty"`
}

// Declaration says whether somebody has a conflict of interest with a candidate.
type Declaration struct {
	Seq      int64     `json:"seq"`
	By       string    `json:"by"`
	At       time.Time `json:"at"`
	Conflict bool      `json:"conflict"`
	Reason   string    `json:"reason,omitempty"`
}

// Item is one candidate of the agenda.
type Item struct {
	Candidate string `json:"candidate"`
	// Listed says that they are on the agenda now.
	Listed bool `json:"listed"`
	// Seq is the number of the last change about the candidate.
	Seq          int64         `json:"seq"`
	Declarations []Declaration `json:"declarations,omitempty"`
	Votes        []Vote        `json:"votes,omitempty"`
	ClosedBy     string        `json:"closed_by,omitempty"`
	ClosedAt     time.Time     `json:"closed_at,omitzero"`
	// Attended are those who were there when the vote was closed.
	Attended []Attendee `json:"attended,omitempty"`
	// Excluded are those of them who care for the recipient.
	Excluded []string `json:"excluded,omitempty"`
	// Decided is what was recorded with the candidate, in the entry of that number.
	Decided   journey.Outcome `json:"decided,omitempty"`
	DecidedBy string          `json:"decided_by,omitempty"`
	Entry     int64           `json:"entry,omitempty"`
}

// Note is a text with who wrote it.
type Note struct {
	By   string    `json:"by"`
	At   time.Time `json:"at"`
	Text string    `json:"text"`
}

// Meeting is everything that stands of a meeting.
type Meeting struct {
	ID   string `json:"id"`
	Seq  int64  `json:"seq"`
	Plan Plan   `json:"plan"`
	// PlanSeq, AgendaSeq and AttendanceSeq are the numbers of the last change of
	// each.
	PlanSeq       int64      `json:"plan_seq"`
	AgendaSeq     int64      `json:"agenda_seq,omitempty"`
	AttendanceSeq int64      `json:"attendance_seq,omitempty"`
	Agenda        []string   `json:"agenda,omitempty"`
	Attendance    []Attendee `json:"attendance,omitempty"`
	Items         []Item     `json:"items,omitempty"`
	// Minutes are the free part of the minutes with who signed them.
	Minutes    *Note  `json:"minutes,omitempty"`
	Digest     string `json:"digest,omitempty"`
	Amendments []Note `json:"amendments,omitempty"`
}

// Apply folds one change into the meeting. It never fails: Check has been passed.
func Apply(m Meeting, e Entry) Meeting {
	m.ID, m.Seq = e.Meeting, e.Seq
	m.Items = slices.Clone(m.Items)
	switch e.Kind {
	case Planned:
		m.Plan, m.PlanSeq = *e.Plan, e.Seq
	case Agenda:
		m.Agenda, m.AgendaSeq = slices.Clone(e.Agenda), e.Seq
		for _, candidate := range e.Agenda {
			m.item(candidate)
		}
		for i := range m.Items {
			m.Items[i].Listed = slices.Contains(e.Agenda, m.Items[i].Candidate)
		}
	case Attended:
		m.Attendance, m.AttendanceSeq = slices.Clone(e.Attended), e.Seq
	case Declared:
		i := m.item(e.Candidate)
		i.Seq = e.Seq
		i.Declarations = append(slices.Clip(i.Declarations), Declaration{Seq: e.Seq, By: e.Actor, At: e.At, Conflict: e.Conflict, Reason: e.Text})
	case Voted:
		i := m.item(e.Candidate)
		i.Seq = e.Seq
		i.Votes = append(slices.Clip(i.Votes), Vote{Seq: e.Seq, By: e.Actor, Role: e.Role, At: e.At, Choice: e.Choice, Reason: e.Text})
	case Closed:
		i := m.item(e.Candidate)
		i.Seq, i.ClosedBy, i.ClosedAt, i.Attended, i.Excluded = e.Seq, e.Actor, e.At, m.Attendance, e.Excluded
	case Decided:
		i := m.item(e.Candidate)
		i.Seq, i.Decided, i.DecidedBy, i.Entry = e.Seq, e.Outcome, e.Actor, e.Entry
	case Signed:
		m.Minutes, m.Digest = &Note{By: e.Actor, At: e.At, Text: e.Text}, e.Digest
	case Amended:
		m.Amendments = append(slices.Clip(m.Amendments), Note{By: e.Actor, At: e.At, Text: e.Text})
	}
	return m
}

// item is the item of a candidate, made when there is none. The list was cloned.
func (m *Meeting) item(candidate string) *Item {
	for i := range m.Items {
		if m.Items[i].Candidate == candidate {
			return &m.Items[i]
		}
	}
	m.Items = append(m.Items, Item{Candidate: candidate})
	return &m.Items[len(m.Items)-1]
}

// Item returns the item of a candidate on the agenda.
func (m Meeting) Item(candidate string) (Item, bool) {
	for _, i := range m.Items {
		if i.Candidate == candidate && i.Listed {
			return i, true
		}
	}
	return Item{}, false
}

// Present reports whether somebody is there, and how.
func (m Meeting) Present(account string) (Attendee, bool) {
	for _, a := range m.Attendance {
		if a.Account == account {
			return a, true
		}
	}
	return Attendee{}, false
}

// Conflicted reports whether somebody's last declaration is a conflict, and
// whether they made one at all.
func (i Item) Conflicted(account string) (conflict, declared bool) {
	for _, d := range i.Declarations {
		if d.By == account {
			conflict, declared = d.Conflict, true
		}
	}
	return conflict, declared
}

// Last is somebody's vote as it stands.
func (i Item) Last(account string) (Vote, bool) {
	for n := len(i.Votes) - 1; n >= 0; n-- {
		if i.Votes[n].By == account {
			return i.Votes[n], true
		}
	}
	return Vote{}, false
}

// Rules are how a committee votes by the protocol of one candidate.
type Rules struct {
	Members   []journey.Role
	Quorum    int
	Seats     []string
	Reached   func(votes, of int) bool
	TwoPeople bool
	// Excluded are the accounts that care for the recipient of the candidate: a
	// conflict of interest that nobody has to declare.
	Excluded []string
}

// Count is what the votes on a candidate come to.
type Count struct {
	// Members are there without a conflict of interest and may vote, and Seats are
	// those that are taken by people without one.
	Members, Seats []string
	// Votes are those that count, in the order in which they were first given.
	Votes []Vote
	// Of has how many there are of each.
	Of map[Choice]int
	// Lacking says why there is no quorum, empty when there is one.
	Lacking []journey.Reason
	// Outcomes are the decisions that the votes allow.
	Outcomes []journey.Outcome
	// MustCondition means that an approval has conditions: without the votes that
	// ask for them it would not be one.
	MustCondition bool
}

// CountOf counts the votes of a candidate. Votes of people who declared a conflict,
// or who are not there, don't count.
func CountOf(m Meeting, i Item, rules Rules) Count {
	c := Count{Of: map[Choice]int{}}
	there, excluded := m.Attendance, rules.Excluded
	if i.ClosedBy != "" {
		there, excluded = i.Attended, i.Excluded
	}
	for _, a := range there {
		if conflict, _ := i.Conflicted(a.Account); conflict || slices.Contains(excluded, a.Account) {
			continue
		}
		if a.Seat != "" && !slices.Contains(c.Seats, a.Seat) {
			c.Seats = append(c.Seats, a.Seat)
		}
		if !slices.Contains(rules.Members, a.Role) {
			continue
		}
		c.Members = append(c.Members, a.Account)
		if v, ok := i.Last(a.Account); ok {
			c.Votes = append(c.Votes, v)
			c.Of[v.Choice]++
		}
	}
	slices.SortFunc(c.Votes, func(a, b Vote) int { return int(a.Seq - b.Seq) })
	if n := len(c.Members); n < rules.Quorum {
		c.Lacking = append(c.Lacking, journey.Reason{Rule: "quorum", Message: fmt.Sprintf("no quorum: %d of %d members are there without a conflict of interest", n, rules.Quorum)})
	}
	for _, seat := range rules.Seats {
		if !slices.Contains(c.Seats, seat) {
			c.Lacking = append(c.Lacking, journey.Reason{Rule: "quorum", Message: "no quorum: " + seat + " is not present"})
		}
	}
	if n := len(c.Votes); n < rules.Quorum {
		c.Lacking = append(c.Lacking, journey.Reason{Rule: "votes", Message: fmt.Sprintf("%d of the %d votes that are needed are given", n, rules.Quorum)})
	}
	of := len(c.Votes)
	if rules.Reached(c.Of[Approve]+c.Of[WithConditions], of) {
		c.Outcomes = append(c.Outcomes, journey.Approve)
		c.MustCondition = !rules.Reached(c.Of[Approve], of)
	}
	if rules.Reached(c.Of[Decline], of) {
		c.Outcomes = append(c.Outcomes, journey.DeclineCandidate)
	}
	// Where nothing else has its majority, the committee has not made up its mind.
	if len(c.Outcomes) == 0 {
		c.Outcomes = []journey.Outcome{journey.Defer}
	}
	return c
}

// Digest is the SHA-256 of all that minutes are made of: the meeting as it stands
// and their free part, in the form of JSON.
func Digest(m Meeting, text string) (string, error) {
	m.Minutes, m.Digest, m.Amendments = nil, "", nil
	raw, err := json.Marshal(struct {
		Meeting Meeting `json:"meeting"`
		Text    string  `json:"text"`
	}{m, text})
	if err != nil {
		return "", fmt.Errorf("encode the minutes: %w", err)
	}
	sum := sha256.Sum256(raw)
	return hex.EncodeToString(sum[:]), nil
}
