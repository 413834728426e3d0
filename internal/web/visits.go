package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

const (
	pathVisits    = "/candidates/:id/visits"
	pathDayPlan   = "/candidates/:id/visits/days/:day"
	pathCalendar  = "/candidates/:id/visits/calendar.ics"
	pathCalendar1 = "/candidates/:id/visits/:visit/calendar.ics"
	pathAllVisits = "/visits"
)

// visitReaders lists the roles that see when a candidate comes, and where.
var visitReaders = []journey.Role{journey.Coordinator, journey.Clinician, journey.Advocate}

func (s *server) visitRoutes() []route {
	coordinator := []journey.Role{journey.Coordinator}
	return []route{
		{method: http.MethodGet, path: pathVisits, roles: visitReaders, handler: s.visitsPage},
		{method: http.MethodPost, path: pathVisits, roles: checkers, handler: s.changeVisit},
		{method: http.MethodGet, path: pathDayPlan, roles: visitReaders, handler: s.dayPlan},
		{method: http.MethodGet, path: pathCalendar, roles: coordinator, handler: s.calendarFile},
		{method: http.MethodGet, path: pathCalendar1, roles: coordinator, handler: s.calendarFile},
		{method: http.MethodGet, path: pathAllVisits, roles: checkers, handler: s.allVisits},
	}
}

// visitsModel is what is planned for a candidate before the operation.
type visitsModel struct {
	Name, Home, Zone string
	// Paused says that visits stand while the candidate is on hold.
	Paused string
	Booked []bookedModel
	// Former are those that took place or did not.
	Former   []bookedModel
	Days     []option
	Calendar string
	MayPlan  bool
	// Sentence and Proposal are what the planner proposes; Reason why it proposes nothing.
	Sentence, Reason string
	Proposal         []proposalModel
	// Forms are those to fill in: to plan one, or to change the one that was chosen.
	Forms []form
	// Changing is the visit that the forms are about.
	Changing string
	// Own says whether the candidate can see the visits by a link, LinkForms what can be
	// done about that.
	Own       string
	LinkForms []form
}

// bookedModel is one visit.
type bookedModel struct {
	ID, Day, Times, Place, With, What, Instructions string
	Status, Changes                                 string
	Overdue                                         bool
	// Preparation is what the protocol has the candidate mind.
	Preparation      []protocol.Preparation
	Warnings         []string
	Change, Calendar string
}

// proposalModel is one visit that the planner proposes.
type proposalModel struct {
	Day, Kind, What, Perhaps, Plan string
	// Planned says that everything of it is planned already.
	Planned bool
}

// plannedWords is what is said of a visit in words, and why it was last changed.
type plannedWords struct {
	command.VisitPlan
	Reason string
}

// wordsOf folds the entries about planned visits.
func wordsOf(entries []record.Entry) map[string]plannedWords {
	all, n := map[string]plannedWords{}, 0
	for _, e := range entries {
		switch e.Kind {
		case journey.PlanAppointment:
			var body command.PlanAppointment
			read(e, &body)
			n++
			all[fmt.Sprintf("planned-%d", n)] = plannedWords{VisitPlan: body.VisitPlan}
		case journey.MoveAppointment:
			var body command.MoveAppointment
			read(e, &body)
			all[body.Appointment] = plannedWords{body.VisitPlan, body.Reason}
		case journey.CancelAppointment:
			var body command.CancelAppointment
			read(e, &body)
			w := all[body.Appointment]
			w.Reason = body.Reason
			all[body.Appointment] = w
		case journey.CloseAppointment:
			var body command.CloseAppointment
			read(e, &body)
			w := all[body.Appointment]
			w.Reason = body.Note
			all[body.Appointment] = w
		}
	}
	return all
}

func (s *server) plannedWordsOf(ctx context.Context, candidate string) (map[string]plannedWords, error) {
	entries, err := s.Store.EntriesOf(ctx, candidate, journey.AppointmentKinds()...)
	if err != nil {
		return nil, err
	}
	return wordsOf(entries), nil
}

var appointmentWords = map[journey.AppointmentStatus]string{
	journey.AppointmentBooked: "Planned", journey.AppointmentFulfilled: "Took place",
	journey.AppointmentNoShow: "The candidate did not come", journey.AppointmentCancelled: "Called off",
}

// timesWord is from when to when a visit is, by the clock of the programme.
func timesWord(a journey.Appointment, p *protocol.Protocol) string {
	zone := p.Zone()
	return a.Starts.Time().In(zone).Format("15:04") + " to " + a.Ends.Time().In(zone).Format("15:04")
}

func (s *server) bookedOf(sc scene, a journey.Appointment, w plannedWords, people map[string]string) bookedModel {
	home := "/candidates/" + sc.candidate.ID + "/visits"
	m := bookedModel{
		ID: a.ID, Day: weekdayWord(a.On), Times: timesWord(a, sc.protocol), Place: w.Place, With: w.With, Instructions: w.Instructions,
		Status: known(appointmentWords, a.Status), Overdue: a.Status == journey.AppointmentBooked && a.On.Before(sc.today),
	}
	if name, ok := people[w.With]; ok {
		m.With = name
	}
	var titles []string
	for _, id := range a.Requirements {
		titles = append(titles, titleOf(sc.protocol, id))
	}
	m.What = strings.Join(titles, "; ")
	m.Preparation = sc.protocol.Preparations(a.Requirements)
	if a.Revision > 1 {
		m.Changes = plural(a.Revision-1, "change") + ", see the history"
	}
	if a.Status != journey.AppointmentBooked {
		m.Changes = w.Reason
	}
	if sc.viewer.Role == journey.Coordinator {
		m.Calendar = home + "/" + a.ID + "/calendar.ics"
	}
	if slices.Contains(checkers, sc.viewer.Role) && a.Status != journey.AppointmentCancelled && !sc.candidate.State.Stage.Ended() {
		m.Change = home + "?change=" + a.ID + "#change"
	}
	return m
}

// weekdayWord is a day with its name.
func weekdayWord(d journey.Date) string {
	return d.Start(utc).Weekday().String()[:3] + " " + dayWord(d)
}

// visitsPage shows what is planned for a candidate, and what the planner proposes.
func (s *server) visitsPage(c echo.Context) error {
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	m, err := s.visitsModelOf(c.Request().Context(), sc, c.QueryParams())
	if err != nil {
		return err
	}
	p := page{Title: "Visits: " + m.Name, Body: m}
	if c.QueryParam("done") == "visit" {
		p.Notice = "It is recorded. Give the candidate the new calendar file."
		if _, open := ownLink(sc); open {
			p.Notice = "It is recorded. The candidate's own page shows it; nobody is told by itself."
		}
	}
	return s.render(c, http.StatusOK, "visits", p)
}

func (s *server) visitsModelOf(ctx context.Context, sc scene, query url.Values) (*visitsModel, error) {
	c, state := sc.candidate, sc.candidate.State
	people, err := s.people(ctx)
	if err != nil {
		return nil, err
	}
	words := wordsOf(sc.entries)
	home := "/candidates/" + c.ID
	m := &visitsModel{Name: sc.viewer.name(c), Home: home, Zone: sc.protocol.Zone().String()}
	allowed := journey.Allowed(state.Stage, sc.viewer.Role)
	m.MayPlan = slices.Contains(allowed, journey.PlanAppointment)
	booked := state.Booked()
	warnings := visitWarnings(sc.protocol, state, booked)
	for _, a := range booked {
		row := s.bookedOf(sc, a, words[a.ID], people)
		if !row.Overdue { // what is past can't be planned better
			row.Warnings = warnings[a.ID]
		}
		m.Booked = append(m.Booked, row)
		day := option{home + "/visits/days/" + string(a.On), row.Day}
		if !a.On.Before(sc.today) && !slices.Contains(m.Days, day) {
			m.Days = append(m.Days, day)
		}
	}
	for _, a := range slices.Backward(state.Appointments) {
		if a.Status != journey.AppointmentBooked {
			m.Former = append(m.Former, s.bookedOf(sc, a, words[a.ID], people))
		}
	}
	if state.Stage == journey.OnHold && len(booked) > 0 {
		m.Paused = fmt.Sprintf("The candidate is on hold, and %s still planned. Call off what will not be.", plural(len(booked), "visit"))
	}
	if len(booked) > 0 && sc.viewer.Role == journey.Coordinator {
		m.Calendar = home + "/visits/calendar.ics"
	}
	if !state.Stage.Ended() {
		m.Own, _ = ownLink(sc)
		m.LinkForms = linkForms(sc)
	}
	m.propose(sc, booked)
	if a, ok := state.Appointment(query.Get("change")); ok && a.Status != journey.AppointmentCancelled {
		m.Changing = a.ID
		m.Forms = changeForms(sc, a, words[a.ID], allowed)
	}
	if m.MayPlan && m.Changing == "" {
		var proposed journey.Date
		var tasks []string
		if n, err := strconv.Atoi(query.Get("plan")); err == nil {
			proposed, tasks = proposedVisit(sc, n)
		}
		m.Forms = append(m.Forms, planForm(sc, proposed, tasks))
	}
	return m, nil
}

// propose adds the planner's visits.
func (m *visitsModel) propose(sc scene, booked []journey.Appointment) {
	o := order(sc)
	if o == nil {
		m.Reason = "The planner proposes nothing: everything is done, or what is left can't be put in an order."
		return
	}
	m.Sentence = o.Sentence
	plan, err := sc.protocol.Order(sc.candidate.State, sc.today)
	if err != nil {
		return
	}
	for i, v := range plan.Visits {
		row := proposalModel{Day: o.Visits[i].When, Kind: o.Visits[i].Kind, What: o.Visits[i].Tasks, Perhaps: o.Visits[i].Perhaps, Planned: true}
		for _, task := range v.Tasks {
			if row.What != "" && perhaps(sc, task) {
				continue
			}
			id, _ := protocol.Planned(task)
			row.Planned = row.Planned && slices.ContainsFunc(booked, func(a journey.Appointment) bool { return slices.Contains(a.Requirements, id) })
		}
		if m.MayPlan && row.What != "" {
			row.Plan = m.Home + "/visits?plan=" + strconv.Itoa(i+1) + "#visit"
		}
		m.Proposal = append(m.Proposal, row)
	}
}

// proposedVisit is the visit of that number in the planner's order.
func proposedVisit(sc scene, n int) (journey.Date, []string) {
	plan, err := sc.protocol.Order(sc.candidate.State, sc.today)
	if err != nil || n < 1 || n > len(plan.Visits) {
		return "", nil
	}
	var ids []string
	for _, task := range plan.Visits[n-1].Tasks {
		if perhaps(sc, task) {
			continue
		}
		if id, _ := protocol.Planned(task); !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	return plan.Visits[n-1].On, ids
}

// appointmentFields ask when and where a visit is, and what for.
func appointmentFields(sc scene, w command.VisitPlan, a journey.Appointment) []field {
	zone := sc.protocol.Zone()
	clock := func(i journey.Instant) string {
		if i == "" {
			return ""
		}
		return i.Time().In(zone).Format("15:04")
	}
	what := field{Name: "requirements", Label: "What is done", Type: "checkboxes", Checked: a.Requirements}
	for _, r := range sc.candidate.State.Requirements {
		if r.Status == journey.NotApplicable || r.InForce(sc.today) && !slices.Contains(a.Requirements, r.ID) {
			continue
		}
		what.Options = append(what.Options, option{r.ID, titleOf(sc.protocol, r.ID)})
	}
	return []field{
		{Name: "day", Label: "Day", Type: "date", Value: string(a.On)},
		{Name: "from", Label: "From", Type: "time", Value: clock(a.Starts), Hint: "In the programme's time zone, " + zone.String() + "."},
		{Name: "to", Label: "To", Type: "time", Value: clock(a.Ends)},
		{Name: "place", Label: "Place", Type: "text", Value: w.Place, Complete: "off", Hint: "It stands in the candidate's calendar, which others may see: an entrance or a floor, not the name of a clinic."},
		{Name: "with", Label: "With", Type: "text", Value: w.With, Complete: "off", Optional: true, Hint: "Who sees the candidate, or where to report."},
		{Name: "instructions", Label: "What to mind before it", Type: "textarea", Value: w.Instructions, Optional: true, Hint: "For the day plan on paper, in plain words: where to park, what to bring. What the protocol says of the work below is printed as well. It is in no calendar file."},
		what,
	}
}

func visitForm(sc scene, do, title, button string, fields []field) form {
	f := form{
		ID: "visit", Action: "/candidates/" + sc.candidate.ID + "/visits", Title: title, Button: button, Key: newKey(),
		Fields: append([]field{{Name: "do", Type: "hidden", Value: do}}, fields...),
	}
	if do != "plan" {
		f.ID = do
	}
	f.fill(nil, nil)
	return f
}

func planForm(sc scene, day journey.Date, requirements []string) form {
	return visitForm(sc, "plan", "Plan a visit", "Plan the visit", appointmentFields(sc, command.VisitPlan{}, journey.Appointment{On: day, Requirements: requirements}))
}

// changeForms are what can be done about a visit now.
func changeForms(sc scene, a journey.Appointment, w plannedWords, allowed []journey.Kind) []form {
	seen := func(fields ...field) []field {
		return append([]field{
			{Name: "appointment", Type: "hidden", Value: a.ID}, {Name: "revision", Type: "hidden", Value: strconv.Itoa(a.Revision)},
		}, fields...)
	}
	var list []form
	if slices.Contains(allowed, journey.CloseAppointment) && !sc.today.Before(a.On) {
		outcome := field{Name: "outcome", Label: "Did the candidate come?", Type: "radio", Options: []option{{string(journey.Attended), "Yes, it took place"}, {string(journey.NotAttended), "No"}}}
		list = append(list, visitForm(sc, "close", "Say whether it took place", "Record it", seen(outcome, noteField())))
	}
	if a.Status != journey.AppointmentBooked {
		return list
	}
	if slices.Contains(allowed, journey.MoveAppointment) {
		fields := append(appointmentFields(sc, w.VisitPlan, a), field{Name: "reason", Label: "Reason", Type: "text", Optional: true, Complete: "off"})
		list = append(list, visitForm(sc, "move", "Move or change it", "Keep the change", seen(fields...)))
	}
	if slices.Contains(allowed, journey.CancelAppointment) {
		f := visitForm(sc, "cancel", "Call it off", "Call the visit off", seen(field{Name: "reason", Label: "Reason", Type: "textarea"}))
		f.Grave = true
		list = append(list, f)
	}
	return list
}

// visitKinds are what a form asks for.
var visitKinds = map[string]journey.Kind{
	"plan": journey.PlanAppointment, "move": journey.MoveAppointment, "cancel": journey.CancelAppointment, "close": journey.CloseAppointment,
}

// visitBody reads a form about a visit.
func visitBody(sc scene, v url.Values) (command.Body, []problem) {
	id := v.Get("appointment")
	revision, _ := strconv.Atoi(v.Get("revision"))
	switch v.Get("do") {
	case "cancel":
		return &command.CancelAppointment{Appointment: id, Revision: revision, Reason: strings.TrimSpace(v.Get("reason"))}, nil
	case "close":
		return &command.CloseAppointment{Appointment: id, Revision: revision, Outcome: journey.Outcome(v.Get("outcome")), Note: strings.TrimSpace(v.Get("note"))}, nil
	}
	plan := command.VisitPlan{
		Requirements: v["requirements"], Place: strings.TrimSpace(v.Get("place")), With: strings.TrimSpace(v.Get("with")), Instructions: strings.TrimSpace(v.Get("instructions")),
	}
	var problems []problem
	if !journeyDate(v.Get("day")) {
		problems = append(problems, problem{Text: "This is missing or not a calendar date.", Field: "day"})
	}
	moment := func(name string) string {
		if v.Get(name) == "" {
			problems = append(problems, problem{Text: "This is missing.", Field: name})
			return ""
		}
		if !journeyDate(v.Get("day")) {
			return ""
		}
		at, ok := instant(v.Get("day"), v.Get(name), sc.protocol.Zone())
		if _, err := time.Parse("15:04", v.Get(name)); err != nil {
			problems = append(problems, problem{Text: "Not a time of day; accepted: hours and minutes, such as 09:30.", Field: name})
		} else if !ok {
			problems = append(problems, problem{Text: "There is no such time on that day.", Field: name})
		}
		return at
	}
	plan.StartsAt, plan.EndsAt = moment("from"), moment("to")
	if v.Get("do") == "move" {
		return &command.MoveAppointment{Appointment: id, Revision: revision, VisitPlan: plan, Reason: strings.TrimSpace(v.Get("reason"))}, problems
	}
	return &command.PlanAppointment{VisitPlan: plan}, problems
}

func visitField(name string) string {
	name, _, _ = strings.Cut(name, "[")
	switch name {
	case "starts_at":
		return "day"
	case "ends_at":
		return "to"
	}
	return name
}

// changeVisit plans a visit, moves it, calls it off or says what became of it.
func (s *server) changeVisit(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	account, _ := signedIn(c)
	ctx, v, values := c.Request().Context(), s.viewer(account), c.Request().PostForm
	kind, ok := visitKinds[values.Get("do")]
	if !ok {
		return &failure{Status: http.StatusUnprocessableEntity, Message: "The form does not say what is to be done."}
	}
	if !journey.MayGive(v.Role, kind) {
		return &failure{Status: http.StatusForbidden, Message: "The role " + roleWord(v.Role) + " may not do this."}
	}
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	key := values.Get("key")
	body, problems := visitBody(sc, values)
	status, title := http.StatusUnprocessableEntity, "Nothing was recorded. Check what is entered"
	if len(problems) > 0 {
		problems = append(problems, remaining(body, problems, func(name string) string {
			if name == "starts_at" { // what is wrong with the time is told, and the day may be right
				return "from"
			}
			return visitField(name)
		})...)
	} else {
		err = s.give(ctx, v.Account, sc.candidate.ID, key, kind, body)
		if err == nil {
			return c.Redirect(http.StatusSeeOther, "/candidates/"+sc.candidate.ID+"/visits?done=visit")
		}
		var refusal *journey.Refusal
		if errors.As(err, &refusal) && refusal.Code == journey.NotFound && refusal.Field == "appointment" {
			return errNotFound
		}
		var keep bool
		if status, title, problems, keep, ok = refused(sc.protocol, err, visitField); !ok {
			return err
		}
		if !keep {
			key = newKey()
		}
	}
	// What is on record may have changed since the form was made.
	if sc, err = s.sceneOf(c); err != nil {
		return err
	}
	query := url.Values{}
	if id := values.Get("appointment"); id != "" {
		query.Set("change", id)
	}
	m, err := s.visitsModelOf(ctx, sc, query)
	if err != nil {
		return err
	}
	p := page{Title: "Error: Visits: " + m.Name, Body: m, Errors: &summary{Title: title, Items: problems}}
	for i := range m.Forms {
		f := &m.Forms[i]
		if f.Fields[0].Value == values.Get("do") {
			f.fill(values, problems)
			f.Key = key
			p.Errors = f.summary(title, problems)
		}
	}
	return s.render(c, status, "visits", p)
}

// appointment says what an entry about a planned visit holds.
func (m *entryModel) appointment(sc scene, e record.Entry, event journey.Event, add func(label, value string), words func(label, member, value string)) {
	if event.Moment != "" {
		add("When", weekdayWord(event.On)+", "+timesWord(journey.Appointment{Starts: event.Moment, Ends: event.Ends}, sc.protocol))
		add("What is done", titlesOf(sc.protocol, event.Requirements))
	}
	if event.Visit != "" {
		add("Visit", strings.TrimPrefix(event.Visit, "planned-"))
	}
	if event.Outcome != "" {
		status := journey.AppointmentFulfilled
		if event.Outcome == journey.NotAttended {
			status = journey.AppointmentNoShow
		}
		add("Outcome", known(appointmentWords, status))
	}
	for _, w := range wordsOf([]record.Entry{e}) {
		words("Where", "place", w.Place)
		words("With", "with", w.With)
		words("To mind", "instructions", w.Instructions)
		words("Reason", "reason", w.Reason)
	}
}
