package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"candidacy/internal/api"
	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/record"
)

const (
	pathCommittee     = "/committee"
	pathMeeting       = "/committee/:meeting"
	pathMeetingItem   = "/committee/:meeting/candidates/:id"
	pathMinutes       = "/committee/:meeting/minutes"
	pathSummary       = "/candidates/:id/committee"
	pathLetters       = "/candidates/:id/letters"
	pathLetter        = "/candidates/:id/letters/:letter"
	shownNotReady     = 50
	shownPastMeetings = 30
)

// planners plan meetings; the room is open to all who attend.
var planners = []journey.Role{journey.Coordinator, journey.CommitteeRole}

func (s *server) committeeRoutes() []route {
	return []route{
		{method: http.MethodGet, path: pathCommittee, roles: writers, handler: s.committee},
		{method: http.MethodPost, path: pathCommittee, roles: planners, handler: s.planMeeting},
		{method: http.MethodGet, path: pathMeeting, roles: writers, handler: s.meeting},
		{method: http.MethodPost, path: pathMeeting, roles: planners, handler: s.changeMeeting},
		{method: http.MethodGet, path: pathMinutes, roles: writers, handler: s.minutes},
		{method: http.MethodGet, path: pathMeetingItem, roles: writers, handler: s.meetingItem},
		{method: http.MethodPost, path: pathMeetingItem, roles: writers, handler: s.changeItem},
		{method: http.MethodGet, path: pathSummary, roles: writers, handler: s.summaryPage},
		{method: http.MethodGet, path: pathLetters, roles: letterWriters, handler: s.letters},
		{method: http.MethodPost, path: pathLetters, roles: letterWriters, handler: s.sendLetter},
		{method: http.MethodGet, path: pathLetter, roles: letterWriters, handler: s.letter},
	}
}

// committeeModel is the first page of the committee's room.
type committeeModel struct {
	Next         *meetingModel
	Coming, Past []meetingRow
	More         int
	Ready        []readyRow
	NotReady     []readyRow
	MoreNotReady int
	Plan         *form
}

type meetingRow struct{ Link, When, Place, Chair, What string }

// readyRow is a candidate for an agenda, or why they are not.
type readyRow struct {
	Name, Link, Since string
	On                string
	Open              int
	Why               []string
	More              int
}

// meetingModel is one meeting.
type meetingModel struct {
	ID, Link, Title string
	Facts           []fact
	CalledOff       bool
	Signed          bool
	Items           []itemRow
	Present         []fact
	Minutes         string
	Forms           []form
}

// itemRow is one candidate of an agenda.
type itemRow struct {
	Number     int
	Name, Link string
	Hidden     bool
	State      string
	// Mine is what the viewer still has to do.
	Mine []string
	Open int
}

// committee shows the next meeting, what is open in it, and what else there is.
func (s *server) committee(c echo.Context) error { return s.showCommittee(c, http.StatusOK, nil, nil) }

func (s *server) showCommittee(c echo.Context, status int, values url.Values, problems []problem) error {
	account, _ := signedIn(c)
	v, ctx := s.viewer(account), c.Request().Context()
	today := s.today(s.Current.Zone())
	all, err := s.Store.Meetings(ctx)
	if err != nil {
		return err
	}
	people, err := s.people(ctx)
	if err != nil {
		return err
	}
	m := committeeModel{}
	var next *meeting.Meeting
	for i := len(all) - 1; i >= 0; i-- { // the earliest first
		each := all[i]
		row := meetingRow{Link: meetingLink(each.ID), When: meetingDay(each), Place: each.Plan.Place, Chair: personWord(people, each.Plan.Chair), What: meetingWord(each)}
		if each.Minutes == nil && !each.Plan.CalledOff && !each.Plan.On.Before(today) {
			if next == nil {
				next = &all[i]
			}
			m.Coming = append(m.Coming, row)
			continue
		}
		m.Past = append(m.Past, row)
	}
	slices.Reverse(m.Past)
	m.Past, _ = split(m.Past, shownPastMeetings)
	m.More = max(len(all)-len(m.Coming)-len(m.Past), 0)
	if next != nil {
		model, err := s.meetingModel(ctx, v, *next, people)
		if err != nil {
			return err
		}
		m.Next = &model
	}
	if err := s.readiness(ctx, v, all, &m); err != nil {
		return err
	}
	p := page{Title: "Committee"}
	if slices.Contains(planners, v.Role) {
		f, err := s.planForm(ctx, meeting.Meeting{})
		if err != nil {
			return err
		}
		f.Title, f.Action, f.Button = "Plan a meeting", pathCommittee, "Plan the meeting"
		if problems != nil {
			f.fill(values, problems)
			f.Open = true
			p.Title, p.Errors = "Error: Committee", f.summary("Nothing was recorded. Check what is entered", problems)
		}
		m.Plan = &f
	}
	p.Body = m
	return s.render(c, status, "committee", p)
}

// readiness lists who is before the committee, and of the others in evaluation why
// they are not.
func (s *server) readiness(ctx context.Context, v *viewer, meetings []meeting.Meeting, m *committeeModel) error {
	for _, stage := range []journey.Stage{journey.Committee, journey.Evaluation} {
		list, err := s.visible(ctx, v, record.Filter{Stage: stage})
		if err != nil {
			return err
		}
		var rows []readyRow
		for _, c := range list {
			row := readyRow{Name: v.name(c), Link: summaryLink(c.ID), Since: dayWord(c.State.Since)}
			if stage == journey.Committee {
				for _, each := range meetings {
					if i, ok := each.Item(c.ID); ok && each.Minutes == nil && !each.Plan.CalledOff && i.Decided == "" {
						row.On = meetingDay(each)
					}
				}
				rows = append(rows, row)
				continue
			}
			p, err := s.Protocols.Get(ctx, c.Protocol)
			if err != nil {
				return err
			}
			row.Why = standingOf(p, v, c).Outstanding
			if len(row.Why) == 0 {
				row.Why = []string{"Ready to be presented"}
			}
			row.Open = len(row.Why)
			if over := len(row.Why) - 3; over > 0 {
				row.Why, row.More = row.Why[:3], over
			}
			rows = append(rows, row)
		}
		slices.SortStableFunc(rows, func(a, b readyRow) int { return cmp.Or(cmp.Compare(a.Open, b.Open), cmp.Compare(a.Name, b.Name)) })
		if stage == journey.Committee {
			m.Ready = rows
			continue
		}
		var rest []readyRow
		m.NotReady, rest = split(rows, shownNotReady)
		m.MoreNotReady = len(rest)
	}
	return nil
}

func meetingLink(id string) string { return pathCommittee + "/" + id }

func itemLink(meeting, candidate string) string {
	return meetingLink(meeting) + "/candidates/" + candidate
}

func meetingDay(m meeting.Meeting) string {
	return strings.TrimSuffix(dayWord(m.Plan.On)+", "+m.Plan.Time, ", ")
}

// meetingWord says where a meeting stands.
func meetingWord(m meeting.Meeting) string {
	listed, decided := 0, 0
	for _, i := range m.Items {
		if i.Listed {
			listed++
		}
		if i.Listed && i.Decided != "" {
			decided++
		}
	}
	switch {
	case m.Plan.CalledOff:
		return "Called off"
	case m.Minutes != nil:
		return fmt.Sprintf("%d of %s decided, minutes signed", decided, plural(listed, "candidate"))
	case decided > 0:
		return fmt.Sprintf("%d of %s decided, minutes open", decided, plural(listed, "candidate"))
	default:
		return plural(listed, "candidate") + " on the agenda"
	}
}

// theMeeting finds the meeting that a request names.
func (s *server) theMeeting(c echo.Context) (meeting.Meeting, error) {
	id := c.Param("meeting")
	if parsed, err := uuid.Parse(id); err != nil || parsed.String() != id {
		return meeting.Meeting{}, errNotFound
	}
	m, err := s.Store.Meeting(c.Request().Context(), id)
	if errors.Is(err, record.ErrNotFound) {
		return m, errNotFound
	}
	return m, err
}

// meeting shows one meeting.
func (s *server) meeting(c echo.Context) error {
	m, err := s.theMeeting(c)
	if err != nil {
		return err
	}
	return s.showMeeting(c, http.StatusOK, m, "", nil, "", nil)
}

func (s *server) showMeeting(c echo.Context, status int, m meeting.Meeting, act string, values url.Values, title string, problems []problem) error {
	account, _ := signedIn(c)
	v, ctx := s.viewer(account), c.Request().Context()
	people, err := s.people(ctx)
	if err != nil {
		return err
	}
	model, err := s.meetingModel(ctx, v, m, people)
	if err != nil {
		return err
	}
	p := page{Title: model.Title}
	if model.Forms, err = s.meetingForms(ctx, v, m); err != nil {
		return err
	}
	for i := range model.Forms {
		if f := &model.Forms[i]; f.ID == act {
			f.fill(values, problems)
			f.Open = true
			p.Title, p.Errors = "Error: "+model.Title, f.summary(title, problems)
		}
	}
	if problems != nil && p.Errors == nil {
		p.Errors = &summary{Title: title, Items: problems}
		for i := range p.Errors.Items {
			p.Errors.Items[i].Field = ""
		}
	}
	if done := c.QueryParam("done"); done != "" {
		p.Notice = "Recorded."
	}
	p.Body = model
	return s.render(c, status, "meeting", p)
}

func (s *server) meetingModel(ctx context.Context, v *viewer, m meeting.Meeting, people map[string]string) (meetingModel, error) {
	model := meetingModel{
		ID: m.ID, Link: meetingLink(m.ID), Title: "Meeting on " + dayWord(m.Plan.On), CalledOff: m.Plan.CalledOff, Signed: m.Minutes != nil,
		Minutes: meetingLink(m.ID) + "/minutes",
		Facts:   []fact{{"When", meetingDay(m)}, {"Where", or(m.Plan.Place, "Not said")}, {"Chair", personWord(people, m.Plan.Chair)}, {"Standing", meetingWord(m)}},
	}
	for n, candidate := range m.Agenda {
		item, _ := m.Item(candidate)
		row := itemRow{Number: n + 1, State: itemWord(item), Link: itemLink(m.ID, candidate)}
		found, err := s.find(ctx, v, candidate)
		switch {
		case errors.Is(err, errNotFound):
			row.Hidden, row.Name = true, "A candidate who is not shown to you"
		case err != nil:
			return model, err
		default:
			row.Name = v.name(found)
			rules, err := s.votingRules(ctx, found)
			if err != nil {
				return model, err
			}
			row.Mine = toDo(v, m, item, rules)
			if item.ClosedBy == "" && len(item.Votes) > 0 {
				count := meeting.CountOf(m, item, rules)
				row.State = fmt.Sprintf("%d of %d have voted", len(count.Votes), len(count.Members))
			}
			entries, err := s.Store.EntriesOf(ctx, candidate, journey.AskQuestion, journey.AnswerQuestion)
			if err != nil {
				return model, err
			}
			for _, q := range questionsOf(entries) {
				if len(q.Answers) == 0 {
					row.Open++
				}
			}
		}
		model.Items = append(model.Items, row)
	}
	for _, a := range m.Attendance {
		seat := capital(roleWord(a.Role))
		if a.Seat != "" {
			seat = seatTitle(s.Current, a.Seat)
		}
		model.Present = append(model.Present, fact{personWord(people, a.Account), seat})
	}
	return model, nil
}

// votingRules are those of the protocol that the candidate is on.
func (s *server) votingRules(ctx context.Context, c record.Candidate) (meeting.Rules, error) {
	p, err := s.Protocols.Get(ctx, c.Protocol)
	if err != nil {
		return meeting.Rules{}, err
	}
	return api.VotingRules(ctx, s.Store, p, c)
}

func itemWord(i meeting.Item) string {
	switch {
	case i.Decided != "":
		return known(outcomeWords, i.Decided)
	case i.ClosedBy != "":
		return "Vote closed, decision to be recorded"
	case len(i.Votes) > 0:
		return "Voting"
	default:
		return "Not yet voted on"
	}
}

// toDo is what the viewer still has to do about a candidate in a meeting.
func toDo(v *viewer, m meeting.Meeting, i meeting.Item, rules meeting.Rules) []string {
	if m.Minutes != nil || m.Plan.CalledOff {
		return nil
	}
	_, present := m.Present(v.ID)
	conflict, declared := i.Conflicted(v.ID)
	_, voted := i.Last(v.ID)
	member := slices.Contains(rules.Members, v.Role)
	var list []string
	switch {
	case i.Decided != "":
	case i.ClosedBy != "":
		if v.Role == journey.CommitteeRole && present && !conflict {
			list = append(list, "Record the decision")
		}
	default:
		if present && !declared {
			list = append(list, "Declare whether you have a conflict of interest")
		}
		if present && member && declared && !conflict && !voted {
			list = append(list, "Vote")
		}
		if m.Plan.Chair == v.ID && v.Role == journey.CommitteeRole && len(meeting.CountOf(m, i, rules).Lacking) == 0 {
			list = append(list, "Close the vote")
		}
	}
	return list
}

// The acts of the forms of a meeting, each the id of its form.
const (
	actPlan, actAgenda, actAttendance = "plan", "agenda", "attendance"
	actSign, actAmend                 = "sign", "amend"
	actDeclare, actVote, actClose     = "declare", "vote", "close"
	actDecide                         = "decide"
)

// meetingForm is a form of a meeting. Seen is the number of the change that it was
// made from.
func meetingForm(act, action, title, button string, seen int64, fields ...field) form {
	f := form{ID: act, Action: action, Title: title, Button: button, Key: newKey()}
	f.Fields = append([]field{
		{Name: "act", Type: "hidden", Value: act}, {Name: "seen", Type: "hidden", Value: strconv.FormatInt(seen, 10)},
	}, fields...)
	f.fill(nil, nil)
	return f
}

func (s *server) planForm(ctx context.Context, m meeting.Meeting) (form, error) {
	accounts, err := s.Store.Accounts(ctx)
	if err != nil {
		return form{}, err
	}
	chair := field{Name: "chair", Label: "Chair", Type: "select", Value: m.Plan.Chair, Options: []option{{"", "Choose"}}}
	for _, a := range accounts {
		if a.Role == journey.CommitteeRole && (!a.Disabled || a.ID == m.Plan.Chair) {
			chair.Options = append(chair.Options, option{a.ID, a.Name})
		}
	}
	fields := []field{
		{Name: "on", Label: "Day", Type: "date", Value: string(m.Plan.On)},
		{Name: "time", Label: "Time", Type: "time", Value: m.Plan.Time, Optional: true},
		{Name: "place", Label: "Place", Type: "text", Value: m.Plan.Place, Optional: true, Complete: "off"},
		chair,
	}
	if m.Seq > 0 {
		off := field{Name: "called_off", Label: "The meeting is called off", Type: "checkbox"}
		if m.Plan.CalledOff {
			off.Checked = []string{"yes"}
		}
		fields = append(fields, off)
	}
	return meetingForm(actPlan, meetingLink(m.ID), "Change day, place or chair", "Change the plan", m.PlanSeq, fields...), nil
}

// meetingForms are those that the viewer may fill in.
func (s *server) meetingForms(ctx context.Context, v *viewer, m meeting.Meeting) ([]form, error) {
	if !slices.Contains(planners, v.Role) {
		return nil, nil
	}
	link := meetingLink(m.ID)
	if m.Minutes != nil {
		return []form{meetingForm(actAmend, link, "Add to the minutes", "Add", m.Seq,
			field{Name: "text", Label: "What has to be said", Type: "textarea", Hint: "The signed minutes stay as they are; this is printed after them with your name."})}, nil
	}
	plan, err := s.planForm(ctx, m)
	if err != nil {
		return nil, err
	}
	if m.Plan.CalledOff {
		return []form{plan}, nil
	}
	agenda, err := s.agendaForm(ctx, v, m)
	if err != nil {
		return nil, err
	}
	attendance, err := s.attendanceForm(ctx, m)
	if err != nil {
		return nil, err
	}
	forms := []form{agenda, attendance, plan}
	if v.Role == journey.CommitteeRole && m.Plan.Chair == v.ID {
		sign := meetingForm(actSign, link, "Sign the minutes", "Sign the minutes", m.Seq,
			field{Name: "text", Label: "What else was said", Type: "textarea", Optional: true, Hint: "Everything that is on record is in the minutes already."})
		sign.Hint = "Once signed they can't be changed. What has to be said later is added."
		sign.Grave = true
		forms = append(forms, sign)
	}
	return forms, nil
}

const orderPrefix = "order-"

// agendaForm asks for the place of each candidate who is before the committee.
func (s *server) agendaForm(ctx context.Context, v *viewer, m meeting.Meeting) (form, error) {
	list, err := s.visible(ctx, v, record.Filter{Stage: journey.Committee})
	if err != nil {
		return form{}, err
	}
	for _, id := range m.Agenda {
		if slices.ContainsFunc(list, func(c record.Candidate) bool { return c.ID == id }) {
			continue
		}
		switch found, err := s.find(ctx, v, id); {
		case errors.Is(err, errNotFound):
		case err != nil:
			return form{}, err
		default:
			list = append(list, found)
		}
	}
	place := func(id string) int { return slices.Index(m.Agenda, id) }
	slices.SortStableFunc(list, func(a, b record.Candidate) int {
		if x, y := place(a.ID), place(b.ID); (x < 0) != (y < 0) {
			return cmp.Compare(y, x)
		} else if x != y {
			return cmp.Compare(x, y)
		}
		return cmp.Compare(v.name(a), v.name(b))
	})
	var fields []field
	for _, c := range list {
		f := field{Name: orderPrefix + c.ID, Label: v.name(c), Type: "whole", Optional: true}
		if n := place(c.ID); n >= 0 {
			f.Value = strconv.Itoa(n + 1)
		}
		fields = append(fields, f)
	}
	f := meetingForm(actAgenda, meetingLink(m.ID), "Set the agenda", "Set the agenda", m.AgendaSeq, fields...)
	f.Hint = "Give each candidate a place, such as 1, 2, 3. Whoever has none is not on the agenda."
	if len(fields) == 0 {
		f.Empty = "Nobody is before the committee."
	}
	return f, nil
}

// agendaOf reads the places. Candidates who are hidden from the viewer keep theirs
// as well as they can.
func agendaOf(m meeting.Meeting, v url.Values, shown []field) ([]string, []problem) {
	type placed struct {
		id string
		at float64
	}
	var list []placed
	var problems []problem
	for i, id := range m.Agenda {
		if !slices.ContainsFunc(shown, func(f field) bool { return f.Name == orderPrefix+id }) {
			list = append(list, placed{id, float64(i + 1)})
		}
	}
	for _, f := range shown {
		id, ok := strings.CutPrefix(f.Name, orderPrefix)
		text := strings.TrimSpace(v.Get(f.Name))
		if !ok || text == "" {
			continue
		}
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > 1000 {
			problems = append(problems, problem{Text: "A place is a whole number from 1 on.", Field: f.Name})
			continue
		}
		list = append(list, placed{id, float64(n)})
	}
	slices.SortStableFunc(list, func(a, b placed) int { return cmp.Compare(a.at, b.at) })
	agenda := make([]string, len(list))
	for i, p := range list {
		agenda[i] = p.id
	}
	return agenda, problems
}

const (
	whoPrefix = "who-"
	isThere   = "there"
)

func (s *server) attendanceForm(ctx context.Context, m meeting.Meeting) (form, error) {
	accounts, err := s.Store.Accounts(ctx)
	if err != nil {
		return form{}, err
	}
	var fields []field
	for _, a := range accounts {
		was, present := m.Present(a.ID)
		if !slices.Contains(meeting.Attending, a.Role) || a.Disabled && !present {
			continue
		}
		f := field{Name: whoPrefix + a.ID, Label: a.Name + ", " + roleWord(a.Role), Type: "select", Optional: true, Options: []option{{"", "Not there"}, {isThere, "There"}}}
		for _, seat := range s.Current.Quorum {
			if (seat.ID == string(journey.Advocate)) == (a.Role == journey.Advocate) {
				f.Options = append(f.Options, option{isThere + ":" + seat.ID, "There, as " + lower(seat.Title)})
			}
		}
		if present {
			f.Value = isThere
			if was.Seat != "" {
				f.Value += ":" + was.Seat
			}
		}
		fields = append(fields, f)
	}
	f := meetingForm(actAttendance, meetingLink(m.ID), "Say who is there", "Record the attendance", m.AttendanceSeq, fields...)
	f.Hint = "A seat of the quorum is taken by one person. Members vote under their own sign-in; the advocate and the coordinator speak and do not vote."
	return f, nil
}

func attendanceOf(accounts []record.Account, v url.Values) []meeting.Attendee {
	var list []meeting.Attendee
	for _, a := range accounts {
		there, seat, _ := strings.Cut(v.Get(whoPrefix+a.ID), ":")
		if there == isThere {
			list = append(list, meeting.Attendee{Account: a.ID, Role: a.Role, Seat: seat})
		}
	}
	return list
}

// planMeeting plans another meeting.
func (s *server) planMeeting(c echo.Context) error {
	account, _ := signedIn(c)
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	values := c.Request().PostForm
	// The key makes the id: the same form sent twice plans one meeting.
	id := api.MeetingID(account.ID, values.Get("key"))
	ctx := c.Request().Context()
	if _, err := s.Store.Meeting(ctx, id); err == nil {
		return c.Redirect(http.StatusSeeOther, meetingLink(id)+"?done=plan")
	}
	_, err := s.change(ctx, account, id, meeting.Change{Kind: meeting.Planned, Plan: planOf(values)})
	if err != nil {
		status, _, problems, ok := meetingProblems(err)
		if !ok {
			return err
		}
		return s.showCommittee(c, status, values, problems)
	}
	return c.Redirect(http.StatusSeeOther, meetingLink(id)+"?done=plan")
}

func planOf(v url.Values) *meeting.Plan {
	return &meeting.Plan{
		On: journey.Date(v.Get("on")), Time: strings.TrimSpace(v.Get("time")), Place: strings.TrimSpace(v.Get("place")), Chair: v.Get("chair"),
		CalledOff: v.Has("called_off"),
	}
}

// change makes one change of a meeting in the name of somebody.
func (s *server) change(ctx context.Context, account record.Account, id string, change meeting.Change) (meeting.Meeting, error) {
	var rules meeting.Rules
	if change.Candidate != "" {
		found, err := s.find(ctx, s.viewer(account), change.Candidate)
		if err != nil {
			return meeting.Meeting{}, err
		}
		if rules, err = s.votingRules(ctx, found); err != nil {
			return meeting.Meeting{}, err
		}
	}
	return api.ChangeMeeting(ctx, s.Store, rules, id, account.ID, account.Role, change)
}

// meetingProblems are what stands against a change, in words.
func meetingProblems(err error) (status int, title string, problems []problem, ok bool) {
	var refusal *journey.Refusal
	if !errors.As(err, &refusal) {
		return 0, "", nil, false
	}
	title = "Nothing was recorded"
	for _, reason := range refusal.Reasons {
		problems = append(problems, problem{Text: capital(reason.Message) + "."})
	}
	if len(problems) == 0 {
		text := refusal.Message
		if refusal.Field != "" {
			text = strings.TrimPrefix(text, refusal.Field+": ")
		}
		if text == "missing" {
			text = "this is missing"
		}
		problems = []problem{{Text: capital(text) + ".", Field: refusal.Field}}
	}
	switch refusal.Code {
	case journey.Conflict:
		title = "Nothing was recorded: it has changed since it was shown to you"
	case journey.Invalid:
		title = "Nothing was recorded. Check what is entered"
	case journey.Blocked:
		title = "Nothing was recorded: this is not possible yet"
	}
	return statusOf(refusal.Code), title, problems, true
}

// changeMeeting carries out a form on the page of a meeting.
func (s *server) changeMeeting(c echo.Context) error {
	account, _ := signedIn(c)
	m, err := s.theMeeting(c)
	if err != nil {
		return err
	}
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	values, ctx := c.Request().PostForm, c.Request().Context()
	act := values.Get("act")
	change := meeting.Change{Seen: seen(values)}
	var problems []problem
	switch act {
	case actPlan:
		change.Kind, change.Plan = meeting.Planned, planOf(values)
	case actAgenda:
		f, err := s.agendaForm(ctx, s.viewer(account), m)
		if err != nil {
			return err
		}
		change.Kind = meeting.Agenda
		change.Agenda, problems = agendaOf(m, values, f.Fields)
	case actAttendance:
		accounts, err := s.Store.Accounts(ctx)
		if err != nil {
			return err
		}
		change.Kind, change.Attended = meeting.Attended, attendanceOf(accounts, values)
	case actSign:
		change.Kind, change.Text = meeting.Signed, strings.TrimSpace(values.Get("text"))
	case actAmend:
		change.Kind, change.Text = meeting.Amended, strings.TrimSpace(values.Get("text"))
	default:
		return &failure{Status: http.StatusUnprocessableEntity, Message: "The form does not say what is to be done."}
	}
	if len(problems) > 0 {
		return s.showMeeting(c, http.StatusUnprocessableEntity, m, act, values, "Nothing was recorded. Check what is entered", problems)
	}
	if _, err = s.change(ctx, account, m.ID, change); err != nil {
		status, title, problems, ok := meetingProblems(err)
		if !ok {
			return err
		}
		if m, err = s.Store.Meeting(ctx, m.ID); err != nil {
			return err
		}
		return s.showMeeting(c, status, m, act, values, title, problems)
	}
	to := meetingLink(m.ID)
	if act == actSign || act == actAmend {
		to += "/minutes"
	}
	return c.Redirect(http.StatusSeeOther, to+"?done="+act)
}

// seen is the number of the change that a form was made from. Without one it was
// made from none, which no change that has one before it accepts.
func seen(v url.Values) int64 {
	n, err := strconv.ParseInt(v.Get("seen"), 10, 64)
	if err != nil {
		return 0
	}
	return n
}

func clockWord(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	return t.In(zone).Format("2 Jan 2006, 15:04")
}
