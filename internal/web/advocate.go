package web

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

const (
	pathAdvocate = "/advocate"
	pathRoom     = "/candidates/:id/advocate"
	pathOwnNotes = "/candidates/:id/advocate/notes"
	pathWitness  = "/candidates/:id/advocate/withdrawal"

	// advocateRows bounds one page of an advocate's own candidates.
	advocateRows = 50
	// contactDays is after how many days without contact the page asks for one. A choice
	// of ours; no source says how often.
	contactDays = 30
)

func roomLink(candidate string) string { return "/candidates/" + candidate + "/advocate" }

func (s *server) advocateRoutes() []route {
	advocate := []journey.Role{journey.Advocate}
	return []route{
		{method: http.MethodGet, path: pathAdvocate, roles: advocate, handler: s.advocatePage},
		{method: http.MethodGet, path: pathRoom, roles: advocate, handler: s.roomPage},
		{method: http.MethodPost, path: pathRoom, roles: advocate, handler: s.room},
		{method: http.MethodGet, path: pathOwnNotes, roles: advocate, handler: s.ownNotesPage},
		{method: http.MethodPost, path: pathOwnNotes, roles: advocate, handler: s.ownNotes},
		{method: http.MethodGet, path: pathWitness, roles: advocate, handler: s.witnessPage},
		{method: http.MethodPost, path: pathWitness, roles: advocate, handler: s.witness},
		{method: http.MethodGet, path: pathStatement, roles: stating, handler: s.statement},
	}
}

// advocateModel is the page on which an advocate sees how their people stand.
type advocateModel struct {
	Sentence string
	Rows     []advocateRow
	Before   *pageLink
	After    *pageLink
	// Operated are those whose operation has begun.
	Operated []advocateRow
}

// advocateRow is one candidate, and what their advocate owes them.
type advocateRow struct {
	Name, Identifier, Home, Link string
	Stage                        journey.Stage
	Days                         string
	standingBy
	// What and To are the one thing to do now.
	What, To string
	Pause    *form
	Closed   string

	stop, referred journey.Date
}

// standingBy is how an advocate stands with a candidate.
type standingBy struct {
	// Contact is the last contact on record, and Long that it was long ago.
	Contact string
	Long    bool
	last    journey.Date
	// Done of All duties count now.
	Done, All int
	// Untold are the disclosures that are open, of those that apply, and Asked the
	// questions without an answer.
	Untold, Disclosures, Asked int
	// Told are the signs that were told in confidence or found by the evaluator.
	Told []toldSign
	// Stop is when the candidate asked to stop.
	Stop      string
	Positions []positionModel
}

// toldSign is a raised flag of what is confidential.
type toldSign struct {
	Title string
	Mark  template.HTML
}

// positionModel is one review of the advocate's.
type positionModel struct {
	Title, Given, By, Link string
	Needed, Late           bool
}

// ownRoom reports whether the viewer is the candidate's own advocate. What opens a
// candidate in an emergency opens nothing of this.
func ownRoom(v *viewer, c record.Candidate) bool {
	return v.Role == journey.Advocate && c.State.Advocate == v.ID
}

// ownCandidate is the candidate of the request, if the viewer is their own advocate.
func (s *server) ownCandidate(c echo.Context) (scene, error) {
	account, _ := signedIn(c)
	v, ctx := s.viewer(account), c.Request().Context()
	found, err := s.Store.Candidate(ctx, c.Param("id"))
	if err == nil && !ownRoom(v, found) || errors.Is(err, record.ErrNotFound) {
		return scene{}, errNotFound
	}
	if err != nil {
		return scene{}, err
	}
	if found, err = s.find(ctx, v, found.ID); err != nil {
		return scene{}, err
	}
	return s.scene(ctx, v, found, "")
}

// advocatePage answers how the viewer's people stand, and what each is owed.
func (s *server) advocatePage(c echo.Context) error {
	account, _ := signedIn(c)
	ctx, v := c.Request().Context(), s.viewer(account)
	all, err := s.visible(ctx, v, record.Filter{OpenOnly: true})
	if err != nil {
		return err
	}
	met, err := s.Store.AdvocateContacts(ctx, v.ID)
	if err != nil {
		return err
	}
	before := slices.DeleteFunc(slices.Clone(all), func(c record.Candidate) bool { return !c.State.Stage.BeforeOperation() })
	var rows []advocateRow
	for _, each := range before {
		row, err := s.advocateRowOf(ctx, v, each, met[each.ID])
		if err != nil {
			return err
		}
		rows = append(rows, row)
	}
	// Who asked to stop comes first, then who was not met for the longest time.
	slices.SortFunc(rows, func(a, b advocateRow) int {
		return cmp.Or(days(a.stop, b.stop), cmp.Compare(a.last, b.last), cmp.Compare(a.referred, b.referred), cmp.Compare(a.Link, b.Link))
	})
	m := advocateModel{Sentence: "No candidate is assigned to you."}
	if n := len(before); n > 0 {
		m.Sentence = plural(n, "candidate") + " before the operation stand with you."
		if n == 1 {
			m.Sentence = "1 candidate before the operation stands with you."
		}
		if stops := len(slices.DeleteFunc(slices.Clone(before), func(c record.Candidate) bool { return c.State.StopWished == "" })); stops > 0 {
			m.Sentence += fmt.Sprintf(" %d asked to stop.", stops)
		}
	}
	number, _ := strconv.Atoi(c.QueryParam("page"))
	pages := max(1, (len(before)+advocateRows-1)/advocateRows)
	number = min(max(number, 1), pages)
	link := func(n int) *pageLink {
		return &pageLink{linkOf(pathAdvocate, url.Values{"page": {strconv.Itoa(n)}}), n}
	}
	if number > 1 {
		m.Before = link(number - 1)
	}
	if number < pages {
		m.After = link(number + 1)
	}
	m.Rows = rows[(number-1)*advocateRows : min(number*advocateRows, len(rows))]
	for _, each := range all {
		if !each.State.Stage.BeforeOperation() {
			m.Operated = append(m.Operated, advocateRow{Name: v.name(each), Home: "/candidates/" + each.ID, Link: roomLink(each.ID), Stage: each.State.Stage})
		}
	}
	return s.render(c, http.StatusOK, "advocate", page{Title: "My candidates", Body: m})
}

func (s *server) advocateRowOf(ctx context.Context, v *viewer, c record.Candidate, met journey.Date) (advocateRow, error) {
	p, err := s.Protocols.Get(ctx, c.Protocol)
	if err != nil {
		return advocateRow{}, err
	}
	sc := scene{protocol: p, viewer: v, candidate: c, today: s.today(p.Zone())}
	if sc.entries, err = s.Store.Entries(ctx, c.ID); err != nil {
		return advocateRow{}, err
	}
	sc.protocol = p.WithConditions(c.State.Imposed, nil)
	row := advocateRow{
		Name: v.name(c), Identifier: v.identifier(c), Home: "/candidates/" + c.ID, Link: roomLink(c.ID),
		Stage: c.State.Stage, Days: "since " + dayWord(c.State.Since), stop: c.State.StopWished, referred: c.ReferredOn,
	}
	if row.standingBy, err = standBy(sc, met); err != nil {
		return row, err
	}
	row.What, row.To = row.next(sc)
	if row.Closed = unpausable(sc); row.Closed == "" {
		f := pauseForm(sc, "pause-"+short(c.ID))
		row.Pause = &f
	}
	return row, nil
}

// standBy works out how the candidate's own advocate stands with them. Met is the last
// contact according to the advocate's own notes.
func standBy(sc scene, met journey.Date) (standingBy, error) {
	state := sc.candidate.State
	m := standingBy{Stop: dayWord(state.StopWished)}
	if m.last = lastContact(sc, met); m.last == "" {
		m.Contact, m.Long = "None on record", true
	} else {
		n := m.last.DaysUntil(sc.today)
		m.Contact, m.Long = dayWord(m.last)+", "+daysAgo(n), n > contactDays
	}
	done := dutiesDone(sc)
	for _, item := range ownDuties(sc) {
		m.All++
		if d, ok := done[item.ID]; ok && !d.over {
			m.Done++
		}
	}
	for _, d := range disclosuresOf(sc, nil) {
		switch {
		case d.Told != "":
			m.Disclosures++
		case !d.Later:
			m.Disclosures++
			m.Untold++
		}
	}
	for _, q := range questionsOf(sc.entries) {
		if len(q.Answers) == 0 {
			m.Asked++
		}
	}
	var flags []protocol.Flag
	if err := json.Unmarshal(sc.candidate.Flags, &flags); err != nil {
		return m, fmt.Errorf("the stored flags are unreadable: %w", err)
	}
	for _, f := range flags {
		if toldInConfidence(sc.protocol, f) {
			m.Told = append(m.Told, toldSign{f.Title, bandMark(f.Band, f.Absolute)})
		}
	}
	for _, r := range reviews(sc) {
		if r.ByAdvocate {
			if position, applies := positionOf(sc, r); applies {
				m.Positions = append(m.Positions, position)
			}
		}
	}
	return m, nil
}

// toldInConfidence reports whether a flag is raised of what was told in confidence, or found, about
// the candidate's freedom and their mind.
func toldInConfidence(p *protocol.Protocol, f protocol.Flag) bool {
	r, ok := p.Find(f.Requirement)
	return ok && (f.Band == journey.Discussion || f.Band == journey.Excludes) && p.ConfidentialFlag(f.ID) && slices.Contains([]string{"psychosocial", "advocate"}, r.Domain)
}

// next is the one thing to do now.
func (m standingBy) next(sc scene) (what, to string) {
	home, room := "/candidates/"+sc.candidate.ID, roomLink(sc.candidate.ID)
	needed := slices.IndexFunc(m.Positions, func(p positionModel) bool { return p.Needed })
	switch {
	case m.Stop != "":
		return "Talk in private about stopping", room + "#stop"
	case m.Long:
		return "Get in touch, and note it", room + "#own-note"
	case m.Done < m.All:
		return "Tick what you have done", room + "#tick"
	case needed >= 0 && m.Positions[needed].Link != "":
		return "Give your position", m.Positions[needed].Link
	case m.Asked > 0:
		return "See the open questions", summaryLink(sc.candidate.ID)
	case m.Untold > 0:
		return "See what the candidate was not told yet", room + "#disclosures"
	default:
		return "Look at the record", home
	}
}

// lastContact is the last day on which the advocate was in touch with the candidate: a
// note of theirs that says so, or what they recorded that takes a talk.
func lastContact(sc scene, met journey.Date) journey.Date {
	last := met
	note := func(on journey.Date) {
		if last.Before(on) {
			last = on
		}
	}
	for _, e := range sc.entries {
		if e.Actor != sc.viewer.ID {
			continue
		}
		switch e.Kind {
		case journey.RecordWords, journey.SettleStopWish:
			note(journey.DateOf(e.OccurredAt, sc.protocol.Zone()))
		case journey.RecordReview, journey.ConfirmDuties:
			// Of a talk before; the day of a duty is that of the talk.
			var body command.ConfirmDuties
			read(e, &body)
			if body.On == "" {
				body.On = journey.DateOf(e.OccurredAt, sc.protocol.Zone())
			}
			note(body.On)
		}
	}
	return last
}

// positionOf is how one of the advocate's reviews stands.
func positionOf(sc scene, r protocol.Requirement) (positionModel, bool) {
	state, ok := sc.candidate.State.Find(r.ID)
	if !ok || state.Status == journey.NotApplicable {
		return positionModel{}, false
	}
	m := positionModel{Title: r.Title}
	if slices.Contains(journey.Allowed(sc.candidate.State.Stage, journey.Advocate), journey.RecordReview) {
		m.Link = "/candidates/" + sc.candidate.ID + "#" + string(journey.RecordReview)
		if _, form := sc.protocol.ReviewForm(r.ID); form {
			m.Link = reviewLink(sc.candidate.ID, r.ID)
		}
	}
	if state.Position != "" {
		m.Given = capital(known(positionWords, state.Position)) + ", " + dayWord(state.SignedOn)
	}
	before := sc.candidate.State.Stage.BeforeOperation()
	m.Needed = before && !state.InForce(sc.today) && state.Status != journey.NotMet && state.Status != journey.NotDue
	switch due := journey.StageDue(sc.protocol.Rules(), sc.candidate.State); {
	case !before:
	case m.Needed && due != nil && slices.Contains([]journey.Stage{journey.Evaluation, journey.Committee}, sc.candidate.State.Stage):
		m.By, m.Late = "needed by "+dayWord(lastDay(*due)), lastDay(*due).Before(sc.today)
	case m.Needed:
		m.By = "needed before the committee decides"
	case sc.candidate.State.Planned != "" && state.ValidUntil != "" && state.ValidUntil.Before(sc.candidate.State.Planned):
		m.By, m.Late = "valid until "+dayWord(state.ValidUntil)+", before the planned day", true
	case state.ValidUntil != "" && state.InForce(sc.today):
		m.By = "valid until " + dayWord(state.ValidUntil)
	}
	return m, true
}

// disclosureModel is one thing that the candidate has to be told.
type disclosureModel struct {
	Title, Told, Source string
	Back                bool
	// Later says that its consent is not due yet.
	Later bool
}

// disclosuresOf are the disclosures that apply to the candidate, the open ones first.
func disclosuresOf(sc scene, people map[string]string) []disclosureModel {
	type given struct {
		when, by string
		back     bool
	}
	found := map[string]given{}
	for _, e := range sc.entries {
		if e.Kind != journey.RecordConsent {
			continue
		}
		var body command.RecordConsent
		read(e, &body)
		for _, id := range body.Disclosures {
			found[id] = given{dayWord(journey.DateOf(e.OccurredAt, sc.protocol.Zone())), personWord(people, e.Actor), slices.Contains(body.TeachBack, id)}
		}
	}
	var list []disclosureModel
	for _, item := range sc.protocol.Disclosures {
		state, ok := sc.candidate.State.Find(item.Requirement)
		if !ok || state.Status == journey.NotApplicable || item.When != "" && sc.candidate.State.Holds(item.ID) == journey.HoldsNo {
			continue
		}
		d := disclosureModel{Title: item.Title, Source: titleOf(sc.protocol, item.Requirement), Later: state.Status == journey.NotDue}
		if g, ok := found[item.ID]; ok {
			d.Told, d.Back = strings.Join([]string{g.when, g.by}, ", "), g.back
		}
		list = append(list, d)
	}
	slices.SortStableFunc(list, func(a, b disclosureModel) int { return cmp.Compare(min(len(a.Told), 1), min(len(b.Told), 1)) })
	return list
}

func daysAgo(n int) string {
	if n <= 0 {
		return "today"
	}
	return plural(n, "day") + " ago"
}
