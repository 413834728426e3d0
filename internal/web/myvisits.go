package web

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// What an own page shows before the operation: the visits that are still to come, as a
// calendar file too, what was moved or called off of them, and the private way to stop.

const (
	pathMyStop      = "/my/:secret/stop"
	pathMyStopped   = "/my/:secret/stopped"
	pathMyCalendar  = "/my/:secret/calendar.ics"
	pathMyCalendar1 = "/my/:secret/visits/:visit/calendar.ics"
)

// What it says, in the same plain words as the rest of the page.
const (
	myVisitsTitle = "Your visits"
	myNone        = "No visit is planned right now. Call us if you think that there should be one."
	myClock       = "All times are by the clock at the hospital."
	myWhere       = "Where"
	myWith        = "Who you meet"
	myWhat        = "What we do"
	myMind        = "Before you come"
	myMoved       = "We moved this visit on %s. Before that it was on %s, at %s."
	myChanged     = "We changed this visit on %s. Please read it again."
	myOff         = "Called off"
	myOffText     = "You do not have to come to these."
	myAll         = "Put all visits in my calendar"
	myFile        = "Put this visit in my calendar"
	myFileOff     = "Take this visit out of my calendar"
	myFileNote    = "Your calendar will say when and where. It will not say why. If we change a visit, get the file once more."
	myStopHint    = "You do not have to say why. We tell only your coordinator and your advocate."
	myReturn      = "Go back to your page"
)

// myWork says in plain words what is done at a visit, by the kind that a requirement's
// visit has in the protocol. The requirements' own titles are words of the trade, and may
// tell somebody who looks over a shoulder more than they should know.
var myWork = map[string]string{
	"blood": "Blood tests", "urine": "Urine tests", "imaging": "Pictures of the inside of your body", "clearance": "A test of how well your kidneys work",
	"tolerance-test": "A test of how your body uses sugar", "monitoring": "We fit a monitor for your blood pressure", "cardiology": "A check of your heart",
	"lung": "A check of your lungs", "surgery": "A talk with the surgeon", "advocate": "A talk with your advocate", "clinic": "A check-up and a talk",
	"psychosocial": "A talk about you and your life", "screening": "A first talk", "admission": "Checks right before the operation",
}

// myOtherWork is what any other visit is for.
const myOtherWork = "A check-up or a talk"

// myVisit is one visit as the candidate reads it.
type myVisit struct {
	ID, Day, Times, Place, With string
	What, Mind                  []string
	// Changed says that and how it was changed since it was planned.
	Changed  string
	Calendar string
}

// formerly is what a visit was before its last change.
type formerly struct {
	on    journey.Date
	times string
	place string
}

// visitChanges folds the entries about planned visits to when each was last changed, and
// what it was before it last got another time or place.
func visitChanges(p *protocol.Protocol, entries []record.Entry) (changed map[string]journey.Date, was map[string]formerly, err error) {
	changed, was = map[string]journey.Date{}, map[string]formerly{}
	now, n := map[string]formerly{}, 0
	for _, e := range entries {
		if !slices.Contains(journey.AppointmentKinds(), e.Kind) {
			continue
		}
		event, err := e.Decode()
		if err != nil {
			return nil, nil, err
		}
		at := formerly{event.On, timesWord(journey.Appointment{Starts: event.Moment, Ends: event.Ends}, p), ""}
		id := event.Visit
		switch e.Kind {
		case journey.PlanAppointment:
			var body command.PlanAppointment
			read(e, &body)
			n++
			id, at.place = fmt.Sprintf("planned-%d", n), body.Place
			now[id] = at
			continue
		case journey.MoveAppointment:
			var body command.MoveAppointment
			read(e, &body)
			if at.place = body.Place; at != now[id] {
				was[id], now[id] = now[id], at
			}
		}
		changed[id] = event.Today
	}
	return changed, was, nil
}

// visits adds those that are still to come and, of those that were called off, what would
// have been.
func (m *myModel) visits(p *protocol.Protocol, c record.Candidate, entries []record.Entry, people map[string]string, base string, now time.Time) error {
	words := wordsOf(entries)
	changed, was, err := visitChanges(p, entries)
	if err != nil {
		return err
	}
	if m.Before {
		m.Title = myVisitsTitle
	}
	list := slices.Clone(c.State.Appointments)
	slices.SortStableFunc(list, journey.Appointment.Compare)
	for _, a := range list {
		if !a.Ends.Time().After(now) {
			continue
		}
		w := words[a.ID]
		v := myVisit{ID: a.ID, Day: myWeekday(a.On), Times: timesWord(a, p), Place: w.Place, Calendar: base + "/visits/" + a.ID + "/calendar.ics"}
		switch a.Status {
		case journey.AppointmentCancelled:
			m.Off = append(m.Off, v)
			continue
		case journey.AppointmentBooked:
		default:
			continue
		}
		if v.With = w.With; people[w.With] != "" {
			v.With = people[w.With]
		}
		v.What = plainWork(p, a.Requirements)
		if w.Instructions != "" {
			v.Mind = append(v.Mind, w.Instructions)
		}
		for _, mind := range p.Preparations(a.Requirements) {
			v.Mind = append(v.Mind, strings.TrimSpace(mind.Text))
		}
		if on := changed[a.ID]; on != "" {
			v.Changed = fmt.Sprintf(myChanged, myDay(on))
			if before, moved := was[a.ID]; moved {
				v.Changed = fmt.Sprintf(myMoved, myDay(on), myWeekday(before.on)+", "+before.times, before.place)
			}
		}
		m.Visits = append(m.Visits, v)
	}
	if len(m.Visits) > 0 {
		m.Calendar = base + "/calendar.ics"
	}
	return nil
}

// plainWork says what is done for requirements, each kind of work once.
func plainWork(p *protocol.Protocol, requirements []string) []string {
	var list []string
	other := false
	for _, id := range requirements {
		r, _ := p.Find(id)
		word, known := myWork[r.Visit]
		if !known {
			other = true
		} else if !slices.Contains(list, word) {
			list = append(list, word)
		}
	}
	if other {
		list = append(list, myOtherWork)
	}
	return list
}

// myWeekday is a day with its name, in full.
func myWeekday(d journey.Date) string {
	return d.Start(utc).Weekday().String() + ", " + myDay(d)
}

// myCalendar gives the visits as a calendar file: the same that the coordinator has.
func (s *server) myCalendar(c echo.Context) error {
	found, ok, err := s.mine(c)
	if err != nil {
		return err
	}
	if !ok {
		return s.toMine(c)
	}
	words, err := s.plannedWordsOf(c.Request().Context(), found.ID)
	if err != nil {
		return err
	}
	events := calendarOf(found, words, c.Param("visit"))
	if len(events) == 0 {
		return s.toMine(c)
	}
	return s.sendCalendar(c, events)
}

// myStopPage is where the candidate says in private that they want to stop, and myStopped
// what they read then.
func (s *server) myStopPage(c echo.Context) error {
	return s.beforeOperation(c, myModel{Page: "stop", Title: stopTitle, Key: newKey()})
}

func (s *server) myStopped(c echo.Context) error {
	return s.beforeOperation(c, myModel{Page: "stopped", Title: stoppedTitle})
}

// beforeOperation shows a page to a candidate who may still stop.
func (s *server) beforeOperation(c echo.Context, m myModel) error {
	found, ok, err := s.mine(c)
	if err != nil {
		return err
	}
	if !ok || !found.State.Stage.BeforeOperation() {
		return s.toMine(c)
	}
	return s.showMy(c, http.StatusOK, m)
}

// myStop passes the wish on.
func (s *server) myStop(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	found, ok, err := s.mine(c)
	if err != nil {
		return err
	}
	if !ok || !found.State.Stage.BeforeOperation() {
		return s.toMine(c)
	}
	wish, status, err := s.passOn(c, found.ID, record.DonorDigest(c.Param("secret")))
	if err != nil {
		return err
	}
	if wish.Problem != "" {
		return s.showMy(c, status, myModel{Page: "stop", Title: stopTitle, Written: wish.Written, Key: wish.Key, Problem: wish.Problem})
	}
	return c.Redirect(http.StatusSeeOther, myBase(c.Param("secret"))+"/stopped")
}

// ownLink says whether the candidate has an open link to the own page: since when, and
// until when.
func ownLink(sc scene) (text string, open bool) {
	state := sc.candidate.State
	switch {
	case state.DonorLink == "":
		return "No link is open", false
	case state.DonorLink.Before(sc.today):
		return "The link was good until " + dayWord(state.DonorLink), false
	}
	since := ""
	for _, e := range slices.Backward(sc.entries) {
		if e.Kind == journey.GiveDonorLink {
			since = " since " + dayWord(journey.DateOf(e.OccurredAt, sc.protocol.Zone()))
			break
		}
	}
	return "Link" + since + ", good until " + dayWord(state.DonorLink), true
}

// linkForms are what a coordinator can do about the link now.
func linkForms(sc scene) []form {
	var list []form
	for _, kind := range journey.Allowed(sc.candidate.State.Stage, sc.viewer.Role) {
		if kind != journey.GiveDonorLink && kind != journey.RevokeDonorLink {
			continue
		}
		if f := makeForm(sc, kind); f.Empty == "" {
			list = append(list, f)
		}
	}
	return list
}
