package meeting

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"candidacy/internal/journey"
)

// planners may plan a meeting, set its agenda and say who is there.
var planners = []journey.Role{journey.Coordinator, journey.CommitteeRole}

// Attending are the roles whose people may be at a meeting.
var Attending = []journey.Role{journey.Coordinator, journey.Clinician, journey.Advocate, journey.CommitteeRole}

// longest bounds a text, in bytes.
const longest = 20_000

// Check decides whether somebody may make the change. It returns nil or a
// *journey.Refusal. The rules are those of the candidate that it is about; other
// changes have none.
func Check(m Meeting, c Change, actor string, role journey.Role, rules Rules) error {
	if refusal := check(m, c, actor, role, rules); refusal != nil {
		return refusal
	}
	return nil
}

func check(m Meeting, c Change, actor string, role journey.Role, rules Rules) *journey.Refusal {
	if len(c.Text) > longest || strings.ContainsFunc(c.Text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t' }) {
		return invalid("text", fmt.Sprintf("longer than %d bytes, or with a control character", longest))
	}
	switch {
	case m.Seq == 0 && c.Kind != Planned:
		return &journey.Refusal{Code: journey.NotFound, Message: "there is no such meeting"}
	case c.Kind == Amended:
		return checkAmendment(m, c, role)
	case m.Minutes != nil:
		return blocked(c, "minutes-signed", "the minutes are signed; what has to be said is added to them")
	case m.Plan.CalledOff && c.Kind != Planned:
		return blocked(c, "called-off", "the meeting is called off")
	}
	switch c.Kind {
	case Planned:
		return checkPlan(m, c, role)
	case Agenda:
		return checkAgenda(m, c, role)
	case Attended:
		return checkAttendance(m, c, role)
	case Signed:
		return checkSignature(m, c, actor, role)
	case Declared, Voted, Closed, Decided:
		i, ok := m.Item(c.Candidate)
		if !ok {
			return invalid("candidate", "not on the agenda")
		}
		return checkItem(m, i, c, actor, role, rules)
	}
	return invalid("kind", "no such change", journey.Words(Kinds)...)
}

func checkPlan(m Meeting, c Change, role journey.Role) *journey.Refusal {
	switch {
	case !slices.Contains(planners, role):
		return forbidden(c, role)
	case c.Seen != m.PlanSeq:
		return changed("the plan of the meeting")
	case c.Plan == nil:
		return invalid("on", "missing")
	case c.Plan.Chair == "":
		return invalid("chair", "name who chairs the meeting")
	case len(c.Plan.Place) > 200:
		return invalid("place", "longer than 200 bytes")
	}
	if _, err := journey.ParseDate(string(c.Plan.On)); err != nil {
		return invalid("on", "not a calendar date", "YYYY-MM-DD")
	}
	if _, err := time.Parse("15:04", c.Plan.Time); c.Plan.Time != "" && err != nil {
		return invalid("time", "not a time of the day", "HH:MM")
	}
	return nil
}

func checkAgenda(m Meeting, c Change, role journey.Role) *journey.Refusal {
	switch {
	case !slices.Contains(planners, role):
		return forbidden(c, role)
	case c.Seen != m.AgendaSeq:
		return changed("the agenda")
	case len(c.Agenda) > 100:
		return invalid("agenda", "more than 100 candidates")
	}
	for n, candidate := range c.Agenda {
		if candidate == "" || slices.Contains(c.Agenda[:n], candidate) {
			return invalid("agenda", "a candidate is named twice, or not at all")
		}
	}
	for _, i := range m.Items {
		if i.Listed && len(i.Votes)+len(i.Declarations) > 0 && !slices.Contains(c.Agenda, i.Candidate) {
			return blocked(c, "item-begun", "a candidate stays on the agenda once somebody has declared or voted")
		}
	}
	return nil
}

func checkAttendance(m Meeting, c Change, role journey.Role) *journey.Refusal {
	if !slices.Contains(planners, role) {
		return forbidden(c, role)
	}
	if c.Seen != m.AttendanceSeq {
		return changed("the attendance")
	}
	for n, a := range c.Attended {
		if slices.ContainsFunc(c.Attended[:n], func(b Attendee) bool { return a.Account == b.Account }) {
			return invalid("attended", "somebody is named twice")
		}
		if a.Seat != "" && slices.ContainsFunc(c.Attended[:n], func(b Attendee) bool { return a.Seat == b.Seat }) {
			return invalid("attended", "a seat is taken by two people")
		}
		if !slices.Contains(Attending, a.Role) {
			return invalid("attended", "the role "+string(a.Role)+" does not attend", journey.Words(Attending)...)
		}
		// The advocate's seat is the advocate's, and nobody's else.
		if a.Seat == advocateSeat && a.Role != journey.Advocate || a.Role == journey.Advocate && a.Seat != "" && a.Seat != advocateSeat {
			return invalid("attended", "the seat of the advocate is taken by an advocate, who takes no other")
		}
	}
	for _, was := range m.Attendance {
		if slices.ContainsFunc(c.Attended, func(a Attendee) bool { return a.Account == was.Account }) {
			continue
		}
		for _, i := range m.Items {
			if _, voted := i.Last(was.Account); voted && i.ClosedBy == "" {
				return blocked(c, "has-voted", "somebody has voted in a vote that is open, and stays until it is closed")
			}
		}
	}
	return nil
}

// advocateSeat is the seat of the independent living donor advocate, where the
// protocol has one of this name.
const advocateSeat = "advocate"

func checkItem(m Meeting, i Item, c Change, actor string, role journey.Role, rules Rules) *journey.Refusal {
	attendee, present := m.Present(actor)
	member := slices.Contains(rules.Members, role)
	if c.Kind == Declared || c.Kind == Voted {
		switch {
		case !present:
			return blocked(c, "present", "you are not among those who are there")
		case i.ClosedBy != "":
			return blocked(c, "vote-closed", "the vote is closed")
		}
	}
	conflict, declared := i.Conflicted(actor)
	if slices.Contains(rules.Excluded, actor) {
		return blocked(c, "conflict-of-interest", "you care for the recipient")
	}
	switch c.Kind {
	case Declared:
		if c.Seen != lastDeclaration(i, actor) {
			return changed("your declaration")
		}
		if c.Conflict && strings.TrimSpace(c.Text) == "" {
			return invalid("text", "say in a few words what the conflict is")
		}
	case Voted:
		last, voted := i.Last(actor)
		switch {
		case !member || attendee.Role != role:
			return &journey.Refusal{Code: journey.Forbidden, Message: "the role " + string(role) + " does not vote"}
		case !declared:
			return blocked(c, "declaration", "declare first whether you have a conflict of interest")
		case conflict:
			return blocked(c, "conflict-of-interest", "you have declared a conflict of interest")
		case !slices.Contains(Choices, c.Choice):
			return invalid("choice", "choose one of the votes", journey.Words(Choices)...)
		case c.Choice != Approve && strings.TrimSpace(c.Text) == "":
			return invalid("text", "this vote needs its reason")
		case c.Seen != last.Seq && voted:
			return &journey.Refusal{Code: journey.Conflict, Message: "you have voted already; look at your vote before you change it"}
		case c.Seen != last.Seq:
			return changed("your vote")
		case voted && last.Choice == c.Choice && last.Reason == c.Text:
			return &journey.Refusal{Code: journey.Conflict, Message: "you have given this vote already"}
		}
	case Closed:
		switch {
		case role != journey.CommitteeRole || m.Plan.Chair != actor:
			return &journey.Refusal{Code: journey.Forbidden, Message: "the chair of the meeting closes a vote"}
		case i.ClosedBy != "":
			return &journey.Refusal{Code: journey.Conflict, Message: "the vote is closed already"}
		case c.Seen != i.Seq:
			return changed("what is on record of the candidate in this meeting")
		case conflict:
			return blocked(c, "conflict-of-interest", "the chair has declared a conflict of interest; another chairs this candidate")
		}
		if lacking := CountOf(m, i, rules).Lacking; len(lacking) > 0 {
			return &journey.Refusal{Code: journey.Blocked, Message: string(c.Kind) + " is blocked", Reasons: lacking}
		}
	case Decided:
		return checkDecided(m, i, c, actor, rules)
	}
	return nil
}

func checkDecided(m Meeting, i Item, c Change, actor string, rules Rules) *journey.Refusal {
	count := CountOf(m, i, rules)
	var reasons []journey.Reason
	add := func(rule, message string) { reasons = append(reasons, journey.Reason{Rule: rule, Message: message}) }
	_, present := m.Present(actor)
	conflict, _ := i.Conflicted(actor)
	switch {
	case i.Decided != "":
		return &journey.Refusal{Code: journey.Conflict, Message: "the decision of this meeting is recorded already"}
	case c.Seen != i.Seq:
		return changed("what is on record of the candidate in this meeting")
	case !present:
		add("present", "whoever records the decision was there")
	case conflict:
		add("conflict-of-interest", "whoever records the decision has no conflict of interest")
	case i.ClosedBy == "":
		add("vote-open", "the chair has not closed the vote")
	case rules.TwoPeople && actor == i.ClosedBy:
		add("two-people", "another person records the decision than the one who closed the vote")
	}
	reasons = append(reasons, count.Lacking...)
	if c.Outcome != "" && !slices.Contains(count.Outcomes, c.Outcome) {
		add("votes", fmt.Sprintf("the votes are for another decision: %s", strings.Join(journey.Words(count.Outcomes), ", ")))
	}
	if len(reasons) > 0 {
		return &journey.Refusal{Code: journey.Blocked, Message: string(journey.RecordDecision) + " is blocked", Reasons: reasons}
	}
	return nil
}

func lastDeclaration(i Item, account string) int64 {
	for n := len(i.Declarations) - 1; n >= 0; n-- {
		if i.Declarations[n].By == account {
			return i.Declarations[n].Seq
		}
	}
	return 0
}

func checkSignature(m Meeting, c Change, actor string, role journey.Role) *journey.Refusal {
	switch {
	case role != journey.CommitteeRole || m.Plan.Chair != actor:
		return &journey.Refusal{Code: journey.Forbidden, Message: "the chair of the meeting signs the minutes"}
	case c.Seen != m.Seq:
		return changed("the meeting")
	case m.AttendanceSeq == 0:
		return blocked(c, "attendance", "say first who was there")
	}
	// A candidate may have withdrawn in the middle of it.
	for _, i := range m.Items {
		if i.Listed && i.Decided == "" && len(i.Votes) > 0 && strings.TrimSpace(c.Text) == "" {
			return invalid("text", "a vote has begun and no decision is recorded; say why, or go on with it")
		}
	}
	return nil
}

func checkAmendment(m Meeting, c Change, role journey.Role) *journey.Refusal {
	switch {
	case !slices.Contains(planners, role):
		return forbidden(c, role)
	case m.Minutes == nil:
		return blocked(c, "minutes-signed", "the minutes are not signed yet")
	case strings.TrimSpace(c.Text) == "":
		return invalid("text", "missing")
	}
	return nil
}

func invalid(field, message string, accepted ...string) *journey.Refusal {
	return &journey.Refusal{Code: journey.Invalid, Field: field, Message: field + ": " + message, Accepted: accepted}
}

func blocked(c Change, rule, message string) *journey.Refusal {
	return &journey.Refusal{Code: journey.Blocked, Message: string(c.Kind) + " is blocked", Reasons: []journey.Reason{{Rule: rule, Message: message}}}
}

func forbidden(c Change, role journey.Role) *journey.Refusal {
	return &journey.Refusal{Code: journey.Forbidden, Message: fmt.Sprintf("the role %s may not do this: %s", role, c.Kind)}
}

func changed(what string) *journey.Refusal {
	return &journey.Refusal{Code: journey.Conflict, Message: what + " has changed since it was shown; look at it again"}
}
