package api

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/access"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// planners may plan meetings.
var planners = []journey.Role{journey.Coordinator, journey.CommitteeRole}

// MeetingID is the id of a meeting that somebody plans under an idempotency key:
// the same request twice plans one meeting. Without a key it is new.
func MeetingID(actor, key string) string {
	if key == "" {
		return record.NewMeetingID()
	}
	return uuid.NewSHA1(meetingNames, []byte(actor+"\x00"+key)).String()
}

// meetingNames is the namespace of ids of meetings.
var meetingNames = uuid.MustParse("0f6d0a3e-6f6c-4ed5-8d4e-3c1f0a2b9c55")

// VotingRules are how the committee votes on a candidate.
func VotingRules(ctx context.Context, store *record.Store, p *protocol.Protocol, c record.Candidate) (meeting.Rules, error) {
	team, err := store.RecipientTeam(ctx, c.Recipient)
	return activities.VotingRules(p, team), err
}

// ChangeMeeting makes one change of a meeting in the name of somebody, by the
// rules for the candidate that it is about, if any. Whether they may see that
// candidate was asked before. A change that is refused is a *journey.Refusal.
func ChangeMeeting(ctx context.Context, store *record.Store, rules meeting.Rules, id, actor string, role journey.Role, change meeting.Change) (meeting.Meeting, error) {
	if change.Kind == meeting.Planned && change.Plan != nil && change.Plan.Chair != "" {
		chair, err := store.Account(ctx, change.Plan.Chair)
		if isNotFound(err) || err == nil && (chair.Role != journey.CommitteeRole || chair.Disabled) {
			return meeting.Meeting{}, &journey.Refusal{Code: journey.Invalid, Field: "chair", Message: "chair: not an account of the selection committee"}
		}
		if err != nil {
			return meeting.Meeting{}, err
		}
	}
	for i, a := range change.Attended {
		account, err := store.Account(ctx, a.Account)
		if isNotFound(err) {
			return meeting.Meeting{}, &journey.Refusal{Code: journey.Invalid, Field: "attended", Message: "attended: there is no such account"}
		}
		if err != nil {
			return meeting.Meeting{}, err
		}
		change.Attended[i].Role = account.Role
	}
	return store.ChangeMeeting(ctx, id, actor, role, change, func(m meeting.Meeting, c *meeting.Change) error {
		c.Digest, c.Outcome, c.Entry, c.Excluded = "", "", 0, nil
		if c.Kind == meeting.Closed {
			for _, a := range m.Attendance {
				if slices.Contains(rules.Excluded, a.Account) {
					c.Excluded = append(c.Excluded, a.Account)
				}
			}
		}
		if c.Kind == meeting.Decided {
			return &journey.Refusal{Code: journey.Invalid, Field: "kind", Message: "kind: a decision is recorded with the candidate"}
		}
		if c.Kind == meeting.Signed {
			digest, err := meeting.Digest(m, c.Text)
			if err != nil {
				return err
			}
			c.Digest = digest
		}
		return meeting.Check(m, *c, actor, role, rules)
	})
}

// Meeting is a meeting as the reader may see it. How others vote is shown to nobody
// before the vote is closed: whoever has voted may still change it, and would be
// led by the others. Reasons are private words, and what is about a candidate who
// is not shown to the reader is left out.
func (r Reader) Meeting(m meeting.Meeting, sees func(candidate string) bool) meeting.Meeting {
	m.Agenda = slices.DeleteFunc(slices.Clone(m.Agenda), func(id string) bool { return !sees(id) })
	items := m.Items
	m.Items = nil
	for _, i := range items {
		if !sees(i.Candidate) {
			continue
		}
		votes, declarations := i.Votes, i.Declarations
		i.Votes, i.Declarations, i.Excluded = nil, nil, nil
		for _, v := range votes {
			if i.ClosedBy == "" && v.By != r.ID {
				continue
			}
			if !r.readsPrivate(v.By) {
				v.Reason = ""
			}
			i.Votes = append(i.Votes, v)
		}
		for _, d := range declarations {
			if !r.readsPrivate(d.By) {
				d.Reason = ""
			}
			i.Declarations = append(i.Declarations, d)
		}
		m.Items = append(m.Items, i)
	}
	return m
}

// shownMeeting is a meeting as the bearer may see it.
func (s *server) shownMeeting(c echo.Context, m meeting.Meeting) (meeting.Meeting, error) {
	seen := map[string]bool{}
	for _, i := range m.Items {
		found, err := s.Store.Candidate(c.Request().Context(), i.Candidate)
		if _, err = s.shownTo(c, found, err); err == nil {
			seen[i.Candidate] = true
			continue
		}
		var refusal *journey.Refusal
		if !errors.As(err, &refusal) {
			return m, err
		}
	}
	m = readerOf(access.From(c)).Meeting(m, func(id string) bool { return seen[id] })
	m.Items, m.Agenda, m.Attendance = orEmpty(m.Items), orEmpty(m.Agenda), orEmpty(m.Attendance)
	return m, nil
}

// meetingList is the answer to GET /meetings.
type meetingList struct {
	Meetings []meeting.Meeting `json:"meetings"`
}

// meetings answers GET /meetings.
func (s *server) meetings(c echo.Context) error {
	all, err := s.Store.Meetings(c.Request().Context())
	if err != nil {
		return err
	}
	list := meetingList{Meetings: []meeting.Meeting{}}
	for _, m := range all {
		shown, err := s.shownMeeting(c, m)
		if err != nil {
			return err
		}
		list.Meetings = append(list.Meetings, shown)
	}
	return reply(c, http.StatusOK, list)
}

func (s *server) theMeeting(c echo.Context) (meeting.Meeting, error) {
	m, err := s.Store.Meeting(c.Request().Context(), c.Param("id"))
	if isNotFound(err) {
		return m, &journey.Refusal{Code: journey.NotFound, Message: "there is no such meeting"}
	}
	return m, err
}

// meeting answers GET /meetings/{id}.
func (s *server) meeting(c echo.Context) error {
	m, err := s.theMeeting(c)
	if err != nil {
		return err
	}
	if m, err = s.shownMeeting(c, m); err != nil {
		return err
	}
	return reply(c, http.StatusOK, m)
}

// planMeeting answers POST /meetings.
func (s *server) planMeeting(c echo.Context) error {
	change, err := readChange(c)
	if err != nil {
		return err
	}
	if change.Kind != meeting.Planned {
		return &command.Invalid{Faults: []command.Fault{{Field: "kind", Problem: "a meeting begins with its plan", Accepted: []string{string(meeting.Planned)}}}}
	}
	id := MeetingID(access.From(c).Actor, c.Request().Header.Get(keyHeader))
	if known, err := s.Store.Meeting(c.Request().Context(), id); err == nil {
		return s.changed(c, known, http.StatusOK)
	}
	m, err := ChangeMeeting(c.Request().Context(), s.Store, meeting.Rules{}, id, access.From(c).Actor, access.From(c).Role, change)
	if err != nil {
		return err
	}
	c.Response().Header().Set(echo.HeaderLocation, c.Path()+"/"+id)
	return s.changed(c, m, http.StatusCreated)
}

func (s *server) changed(c echo.Context, m meeting.Meeting, status int) error {
	m, err := s.shownMeeting(c, m)
	if err != nil {
		return err
	}
	return reply(c, status, m)
}

// changeMeeting answers POST /meetings/{id}/changes.
func (s *server) changeMeeting(c echo.Context) error {
	change, err := readChange(c)
	if err != nil {
		return err
	}
	m, err := s.theMeeting(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	var rules meeting.Rules
	if change.Candidate != "" {
		found, err := s.Store.Candidate(ctx, change.Candidate)
		if found, err = s.shownTo(c, found, err); err != nil {
			return err
		}
		p, err := s.Protocols.Get(ctx, found.Protocol)
		if err != nil {
			return err
		}
		if rules, err = VotingRules(ctx, s.Store, p, found); err != nil {
			return err
		}
	}
	for _, id := range change.Agenda {
		found, err := s.Store.Candidate(ctx, id)
		if _, err = s.shownTo(c, found, err); err != nil && !slices.Contains(m.Agenda, id) {
			return err
		}
	}
	if m, err = ChangeMeeting(ctx, s.Store, rules, m.ID, access.From(c).Actor, access.From(c).Role, change); err != nil {
		return err
	}
	return s.changed(c, m, http.StatusOK)
}

// sentChange is the body of a change as it is sent: without what only the software
// says.
type sentChange struct {
	Kind      meeting.Kind       `json:"kind"`
	Seen      int64              `json:"seen"`
	Plan      *meeting.Plan      `json:"plan,omitempty"`
	Agenda    []string           `json:"agenda,omitempty"`
	Attended  []meeting.Attendee `json:"attended,omitempty"`
	Candidate string             `json:"candidate,omitempty"`
	Conflict  bool               `json:"conflict,omitempty"`
	Choice    meeting.Choice     `json:"choice,omitempty"`
	Text      string             `json:"text,omitempty"`
}

func readChange(c echo.Context) (meeting.Change, error) {
	raw, err := readBody(c, echo.MIMEApplicationJSON)
	if err != nil {
		return meeting.Change{}, err
	}
	var sent sentChange
	if err := command.Strict(raw, &sent); err != nil {
		return meeting.Change{}, err
	}
	if !slices.Contains(meeting.Kinds, sent.Kind) {
		return meeting.Change{}, &command.Invalid{Faults: []command.Fault{{Field: "kind", Problem: "no such change", Accepted: journey.Words(meeting.Kinds)}}}
	}
	var again meeting.Change
	text, err := json.Marshal(sent)
	if err == nil {
		err = json.Unmarshal(text, &again)
	}
	again.Text = strings.TrimSpace(again.Text)
	return again, err
}
