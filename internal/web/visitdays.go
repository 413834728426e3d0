package web

import (
	"context"
	"net/http"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	ics "candidacy/internal/calendar"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// appointmentSummary is what a calendar shows: nothing of what it is for.
const appointmentSummary = "Hospital appointment"

// calendarFile gives one visit of a candidate, or all of them, as an iCalendar file.
func (s *server) calendarFile(c echo.Context) error {
	account, _ := signedIn(c)
	ctx, v := c.Request().Context(), s.viewer(account)
	found, err := s.find(ctx, v, c.Param("id"))
	if err != nil {
		return err
	}
	words, err := s.plannedWordsOf(ctx, found.ID)
	if err != nil {
		return err
	}
	events := calendarOf(found, words, c.Param("visit"))
	if len(events) == 0 {
		return errNotFound
	}
	return s.sendCalendar(c, events)
}

// calendarOf are the visits of a candidate as events, or the one that is named.
func calendarOf(found record.Candidate, words map[string]plannedWords, only string) []ics.Event {
	var events []ics.Event
	for _, a := range found.State.Appointments {
		if only != "" && only != a.ID {
			continue
		}
		events = append(events, ics.Event{
			UID: ics.UID(found.ID, a.ID), Sequence: a.Revision - 1, Starts: a.Starts.Time(), Ends: a.Ends.Time(),
			Summary: appointmentSummary, Place: words[a.ID].Place, Cancelled: a.Status == journey.AppointmentCancelled,
		})
	}
	return events
}

func (s *server) sendCalendar(c echo.Context, events []ics.Event) error {
	c.Response().Header().Set(echo.HeaderContentDisposition, `attachment; filename="appointments.ics"`)
	return c.Blob(http.StatusOK, ics.MediaType, []byte(ics.File(events, s.Now())))
}

// dayPlanModel is a paper for the candidate: when, where and what to mind, and nothing of
// why.
type dayPlanModel struct {
	Name, Home, Day, Zone string
	Visits                []bookedModel
	Contacts              []protocol.Contact
}

func (s *server) dayPlan(c echo.Context) error {
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	found, v := sc.candidate, sc.viewer
	words := wordsOf(sc.entries)
	people, err := s.people(c.Request().Context())
	if err != nil {
		return err
	}
	day := journey.Date(c.Param("day"))
	m := &dayPlanModel{Name: v.name(found), Home: "/candidates/" + found.ID + "/visits", Zone: sc.protocol.Zone().String(), Contacts: sc.protocol.Contacts}
	for _, a := range found.State.Booked() {
		if a.On == day {
			row := s.bookedOf(sc, a, words[a.ID], people)
			row.What = ""
			m.Visits = append(m.Visits, row)
		}
	}
	if len(m.Visits) == 0 {
		return errNotFound
	}
	m.Day = day.Start(utc).Weekday().String() + ", " + dayWord(day)
	return s.render(c, http.StatusOK, "day-plan", page{Title: "Day plan", Body: m})
}

const (
	// visitDays is how far ahead the list of all visits looks.
	visitDays = 14
	// mostVisits bounds the list.
	mostVisits = 400
)

var utc = time.UTC

// allVisitsModel is who comes when.
type allVisitsModel struct {
	Title, Sentence string
	// Day is set on the list of one day.
	Day     string
	From    journey.Date
	Overdue []comingModel
	Days    []comingDay
	Before  string
	After   string
}

// bookedTable and comingTable are such tables with their captions.
type bookedTable struct {
	Caption string
	Rows    []bookedModel
}

type comingTable struct {
	Caption, Link string
	Rows          []comingModel
}

type comingDay struct {
	Title, Link string
	Rows        []comingModel
}

// comingModel is one visit in the list of everybody's.
type comingModel struct {
	bookedModel
	Name, Identifier, Home string
	Paused                 bool
}

// coming is a visit with whose it is.
type coming struct {
	candidate string
	journey.Appointment
}

// allVisits lists who comes in the next two weeks, or on one day, and of whom nobody has
// said yet whether they came.
func (s *server) allVisits(c echo.Context) error {
	account, _ := signedIn(c)
	ctx, v := c.Request().Context(), s.viewer(account)
	keys, err := s.indexed(ctx, v)
	if err != nil {
		return err
	}
	today := s.today(s.Current.Zone())
	m := allVisitsModel{Title: "Visits", From: today}
	length := visitDays
	if d, err := journey.ParseDate(c.QueryParam("from")); err == nil {
		m.From = d
	}
	if d, err := journey.ParseDate(c.QueryParam("day")); err == nil {
		m.From, length = d, 1
		m.Day = d.Start(utc).Weekday().String() + ", " + dayWord(d)
		m.Title = "Visits on " + m.Day
	}
	until := m.From.AddDays(length)
	var list, overdue []coming
	for _, k := range keys {
		for _, a := range k.booked {
			switch {
			case !a.On.Before(m.From) && a.On.Before(until):
				list = append(list, coming{k.id, a})
			case a.On.Before(today) && m.Day == "":
				overdue = append(overdue, coming{k.id, a})
			}
		}
	}
	if m.Day == "" {
		m.Before, m.After = pathAllVisits+"?from="+string(m.From.AddDays(-visitDays)), pathAllVisits+"?from="+string(until)
	}
	m.Sentence = plural(len(list), "visit") + " planned"
	if m.Day == "" {
		m.Sentence += " from " + dayWord(m.From) + " to " + dayWord(until.AddDays(-1))
	}
	rows, err := s.comingOf(ctx, v, append(overdue, list...), today)
	if err != nil {
		return err
	}
	for _, r := range rows {
		if r.on.Before(m.From) || !r.on.Before(until) {
			m.Overdue = append(m.Overdue, r.comingModel)
			continue
		}
		title := weekdayWord(r.on)
		if n := len(m.Days); n == 0 || m.Days[n-1].Title != title {
			d := comingDay{Title: title}
			if m.Day == "" {
				d.Link = pathAllVisits + "?day=" + string(r.on)
			}
			m.Days = append(m.Days, d)
		}
		d := &m.Days[len(m.Days)-1]
		d.Rows = append(d.Rows, r.comingModel)
	}
	return s.render(c, http.StatusOK, "all-visits", page{Title: m.Title, Body: m})
}

type comingRow struct {
	comingModel
	on journey.Date
}

// comingOf reads who comes, and where.
func (s *server) comingOf(ctx context.Context, v *viewer, list []coming, today journey.Date) ([]comingRow, error) {
	slices.SortStableFunc(list, func(a, b coming) int { return a.Compare(b.Appointment) })
	list = list[:min(len(list), mostVisits)]
	var ids []string
	for _, a := range list {
		if !slices.Contains(ids, a.candidate) {
			ids = append(ids, a.candidate)
		}
	}
	candidates, err := s.shown(ctx, v, ids)
	if err != nil {
		return nil, err
	}
	people, err := s.people(ctx)
	if err != nil {
		return nil, err
	}
	byID, words := map[string]record.Candidate{}, map[string]map[string]plannedWords{}
	for _, c := range candidates {
		byID[c.ID] = c
		if words[c.ID], err = s.plannedWordsOf(ctx, c.ID); err != nil {
			return nil, err
		}
	}
	var rows []comingRow
	for _, a := range list {
		c, ok := byID[a.candidate]
		if !ok {
			continue
		}
		p, err := s.Protocols.Get(ctx, c.Protocol)
		if err != nil {
			return nil, err
		}
		sc := scene{protocol: p.WithConditions(c.State.Imposed, nil), viewer: v, candidate: c, today: today}
		rows = append(rows, comingRow{comingModel{
			bookedModel: s.bookedOf(sc, a.Appointment, words[c.ID][a.ID], people), Name: v.name(c), Identifier: v.identifier(c),
			Home: "/candidates/" + c.ID + "/visits", Paused: c.State.Stage == journey.OnHold,
		}, a.On})
	}
	return rows, nil
}
