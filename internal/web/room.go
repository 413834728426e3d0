package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// The things that can be done in the room.
const (
	doDuties   = "duties"
	doTakeBack = "take-back"
	doPause    = "pause"
)

// roomModel is the room of one candidate and their advocate.
type roomModel struct {
	Name, Number, Home, Link string
	Stage                    journey.Stage
	Days                     string
	standingBy
	What, To string
	// Pause is the form that stops everything, and Closed says why there is none.
	Pause  *form
	Closed string
	// Words are what the candidate wrote who asked to stop.
	Words, Settle string
	Duties        []dutyModel
	Tick, Back    *form
	Disclosed     []disclosureModel
	Questions     []questionModel
	Summary       string
	// Notes says how many of the viewer's notes there are, without their text.
	Notes    string
	NotesAt  string
	Note     *form
	Withdraw string
	// Statement leads to what outsiders are told, once the journey has ended.
	Statement string
}

// dutyModel is one line of the advocate's checklist.
type dutyModel struct {
	Title, Done, Source string
	// Over says that it was done too long ago.
	Over bool
}

func doField(do string) field { return field{Name: "do", Type: "hidden", Value: do} }

// unpausable says why a candidate can't be paused now, and is empty where they can.
func unpausable(sc scene) string {
	state := sc.candidate.State
	switch {
	case slices.Contains(journey.Allowed(state.Stage, journey.Advocate), journey.Hold):
		return ""
	case state.Stage == journey.OnHold:
		return "Paused since " + dayWord(state.Since) + ". Nothing goes on until a coordinator resumes it. It can then be paused again."
	case state.Stage == journey.Deferred:
		return "The committee has put it off, and there is no pause of it: nothing goes on until a coordinator takes it up again. From then on it can be paused at once. The candidate can stop now."
	case state.Stage == journey.Operation:
		return "The operation has begun. Nothing here can stop it any more: speak to the surgeon or the anaesthetist at once."
	case state.Stage.Ended():
		return "The journey has ended."
	default:
		return "The operation is over: there is nothing to pause."
	}
}

// pauseForm is what stops everything: a kind of reason, and words that nobody else reads.
func pauseForm(sc scene, id string) form {
	f := form{
		ID: id, Action: roomLink(sc.candidate.ID), Title: "Pause at once", Button: "Pause now", Key: newKey(), Grave: true,
		Hint: "Everything stands still from this moment until a coordinator resumes it. Outside it says no more than that the evaluation is on hold.",
	}
	switch state := sc.candidate.State; {
	case state.Planned == sc.today:
		f.Hint += " The operation is planned for today, and the day is given up. Tell the theatre as well: this reaches nobody by itself."
	case state.Planned != "":
		f.Hint += " The planned day, " + dayWord(state.Planned) + ", is given up."
	}
	options := []option{{"", "Choose"}}
	for _, cause := range command.PauseCauses {
		options = append(options, option{cause, pauseWords[cause]})
	}
	f.Fields = []field{
		doField(doPause),
		{Name: "cause", Label: "Kind of reason", Type: "select", Options: options, Hint: "For clinicians, the committee and you. Coordinators do not see it."},
		{Name: "private", Label: "Private reason", Type: "textarea", Optional: true, Hint: "Kept among your own notes. Nobody else reads it."},
	}
	f.fill(nil, nil)
	return f
}

// roomPage shows the room.
func (s *server) roomPage(c echo.Context) error {
	sc, err := s.ownCandidate(c)
	if err != nil {
		return err
	}
	m, err := s.roomOf(c.Request().Context(), sc, "", nil, nil)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "room", page{Title: "Advocate's room: " + m.Name, Body: m, Notice: roomNotice(c.QueryParam("done"))})
}

func roomNotice(word string) string {
	switch word {
	case doDuties:
		return "The duties are recorded."
	case doTakeBack:
		return "That is taken back."
	case doPause:
		return "Everything is paused. A coordinator can resume it."
	case "note":
		return "The note is kept. Nobody else reads it."
	case ended:
		return doneEnded
	default:
		return ""
	}
}

// roomOf is the model of the room. The form that was sent is shown with what was entered.
func (s *server) roomOf(ctx context.Context, sc scene, do string, values url.Values, problems []problem) (*roomModel, error) {
	state, id := sc.candidate.State, sc.candidate.ID
	people, err := s.people(ctx)
	if err != nil {
		return nil, err
	}
	notes, err := s.Store.AdvocateNotes(ctx, id, sc.viewer.ID)
	if err != nil {
		return nil, err
	}
	var met journey.Date
	for _, n := range notes {
		if n.Author == sc.viewer.ID && met.Before(n.On) {
			met = n.On
		}
	}
	m := &roomModel{
		Name: sc.viewer.name(sc.candidate), Number: sc.viewer.identifier(sc.candidate), Home: "/candidates/" + id, Link: roomLink(id),
		Stage: state.Stage, Days: "since " + dayWord(state.Since), Summary: summaryLink(id), NotesAt: roomLink(id) + "/notes",
	}
	if m.standingBy, err = standBy(sc, met); err != nil {
		return nil, err
	}
	m.Disclosed, m.Questions = disclosuresOf(sc, people), askedOf(sc, people)
	if !state.Stage.Ended() {
		m.What, m.To = m.next(sc)
	}
	filled := func(f form, of string) *form {
		f.fill(nil, nil)
		if do == of {
			f.fill(values, problems)
			f.Open = true
		}
		return &f
	}
	if m.Closed = unpausable(sc); m.Closed == "" || do == doPause {
		m.Pause = filled(pauseForm(sc, "pause"), doPause)
	}
	if state.StopWished != "" {
		m.Settle = m.Home + "#" + string(journey.SettleStopWish)
		for _, e := range slices.Backward(sc.entries) {
			if e.Kind == journey.AskToStop {
				var body activities.StopWish
				read(e, &body)
				m.Words = body.Words
				break
			}
		}
	}
	m.duties(sc, people, filled)
	m.Notes = "None yet"
	if n := len(notes); n > 0 {
		m.Notes = plural(n, "note") + ", the last of " + dayWord(journey.DateOf(notes[0].At, sc.protocol.Zone()))
	}
	m.Note = filled(ownNoteForm(sc, nil), doNote)
	allowed := journey.Allowed(state.Stage, journey.Advocate)
	if slices.Contains(allowed, journey.Withdraw) {
		m.Withdraw = roomLink(id) + "/withdrawal"
	}
	if stated(state) {
		m.Statement = statementLink(id)
	}
	return m, nil
}

// duties adds the checklist with its forms.
func (m *roomModel) duties(sc scene, people map[string]string, filled func(form, string) *form) {
	state := sc.candidate.State
	var done []option
	all := dutiesDone(sc)
	for _, item := range ownDuties(sc) {
		row := dutyModel{Title: item.Title, Source: item.Source}
		if d, ok := all[item.ID]; ok {
			row.Done, row.Over = dayWord(d.On)+", "+personWord(people, d.By), d.over
		}
		if _, ticked := state.Duty(item.ID); ticked {
			done = append(done, option{item.ID, item.Title})
		}
		m.Duties = append(m.Duties, row)
	}
	if !slices.Contains(journey.Allowed(state.Stage, journey.Advocate), journey.ConfirmDuties) {
		return
	}
	if dutiesAction.Empty(sc) == "" {
		m.Tick = filled(form{
			ID: "tick", Action: m.Link, Title: dutiesAction.Title, Hint: dutiesAction.Hint, Button: dutiesAction.Button, Key: newKey(),
			Fields: append([]field{doField(doDuties)}, dutiesAction.Fields(sc)...),
		}, doDuties)
	}
	if len(done) > 0 {
		m.Back = filled(form{
			ID: doTakeBack, Action: m.Link, Title: "Take back what was ticked by mistake", Button: "Take back", Key: newKey(),
			Hint: "A review that you have given stands until you give another.",
			Fields: []field{
				doField(doTakeBack), {Name: "duties", Label: "Not done", Type: "checkboxes", Options: done}, reasonField("Reason", "Private: read by clinicians, the advocate and the committee."),
			},
		}, doTakeBack)
	}
}

// askedOf are the questions on record, those without an answer first.
func askedOf(sc scene, people map[string]string) []questionModel {
	var list []questionModel
	for _, q := range questionsOf(sc.entries) {
		row := questionModel{Text: q.Text, Asked: personWord(people, q.By) + ", " + dayWord(journey.Date(q.When)), Open: len(q.Answers) == 0}
		for _, a := range q.Answers {
			row.Answers = append(row.Answers, answerShown{a.Text, personWord(people, a.By) + ", " + dayWord(journey.Date(a.When))})
		}
		list = append(list, row)
	}
	slices.SortStableFunc(list, func(a, b questionModel) int {
		switch {
		case a.Open == b.Open:
			return 0
		case a.Open:
			return -1
		default:
			return 1
		}
	})
	return list
}

// room carries out what a form of the room asks for.
func (s *server) room(c echo.Context) error {
	sc, err := s.ownCandidate(c)
	if err != nil {
		return err
	}
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	ctx, values := c.Request().Context(), c.Request().PostForm
	do, key := values.Get("do"), values.Get("key")
	kind := journey.ConfirmDuties
	var body command.Body
	var faults []problem
	switch do {
	case doDuties:
		body = &command.ConfirmDuties{Duties: values["duties"], Verdict: journey.VerdictMet, On: journey.Date(values.Get("on"))}
	case doTakeBack:
		body = &command.ConfirmDuties{Duties: values["duties"], Verdict: journey.VerdictNotMet, Reason: values.Get("reason")}
	case doPause:
		kind, body = journey.Hold, &command.Hold{Cause: values.Get("cause")}
		if values.Get("cause") == "" {
			faults = append(faults, problem{Text: "This is missing.", Field: "cause"})
		}
		if text := strings.TrimSpace(values.Get("private")); text != "" {
			if fault := s.noteFault(text); fault != "" {
				faults = append(faults, problem{Text: fault, Field: "private"})
			}
		}
	default:
		return &failure{Status: http.StatusUnprocessableEntity, Message: "Say what is to be done: tick duties, take one back, or pause."}
	}
	given := s.carryOut(ctx, sc, key, kind, body, faults)
	if given.err != nil {
		return given.err
	}
	if len(given.problems) == 0 {
		if text := strings.TrimSpace(values.Get("private")); do == doPause && text != "" {
			// The pause comes first. Sent once more after a fault, the form pauses nothing
			// again and keeps the note.
			if err := s.keepOwnNote(ctx, sc, "pause "+key, record.AdvocateNote{}, "Why I paused: "+text); err != nil {
				return err
			}
		}
		return c.Redirect(http.StatusSeeOther, roomLink(sc.candidate.ID)+"?done="+do)
	}
	m, err := s.roomOf(ctx, sc, do, values, given.problems)
	if err != nil {
		return err
	}
	p := page{Title: "Error: Advocate's room", Body: m, Errors: &summary{Title: given.title, Items: given.problems}}
	for _, f := range []*form{m.Tick, m.Back, m.Pause} {
		if f != nil && f.Open {
			p.Errors = f.summary(given.title, given.problems)
			if given.keep {
				f.Key = key
			}
		}
	}
	return s.render(c, given.status, "room", p)
}

// outcome is what became of a command: problems to show, or none.
type outcome struct {
	status   int
	title    string
	problems []problem
	// keep says that the idempotency key stays.
	keep bool
	err  error
}

// carryOut gives a command in the viewer's name, unless there are faults already.
func (s *server) carryOut(ctx context.Context, sc scene, key string, kind journey.Kind, body command.Body, faults []problem) outcome {
	if len(faults) > 0 {
		faults = append(faults, remaining(body, faults, plainField)...)
		return outcome{status: http.StatusUnprocessableEntity, title: "Nothing was recorded. Check what is entered", problems: faults}
	}
	err := s.give(ctx, sc.viewer.Account, sc.candidate.ID, key, kind, body)
	if err == nil {
		return outcome{}
	}
	var refusal *journey.Refusal
	if errors.As(err, &refusal) {
		now, failed := s.find(ctx, sc.viewer, sc.candidate.ID)
		if failed != nil {
			return outcome{err: failed}
		}
		err = sc.viewer.reader().Refusal(sc.protocol, now.State, refusal)
	}
	var o outcome
	var ok bool
	if o.status, o.title, o.problems, o.keep, ok = refused(sc.protocol, err, func(name string) string {
		name, _, _ = strings.Cut(name, "[")
		return name
	}); !ok {
		return outcome{err: err}
	}
	return o
}

func noteNumber(text string) (int64, bool) {
	if text == "" {
		return 0, true
	}
	n, err := strconv.ParseInt(text, 10, 64)
	return n, err == nil && n > 0
}
