package web

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/clinical"
	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// followUpModel is the section of a donor's page.
type followUpModel struct {
	Lost   string
	Died   string
	Next   string
	Visits []visitModel
	Older  []visitModel
	Kidney *kidneyModel
}

// visitModel is one follow-up visit.
type visitModel struct {
	Title, Window, Target string
	Status                string
	Detail                []string
	Late, Ahead           bool
	// Due is the contact that waits for an attempt.
	Due      string
	Forms    []formModel
	Contacts []string
}

// formModel is one form of a visit.
type formModel struct {
	Title   string
	Have    int
	Of      int
	Excused bool
	Missing []string
	Items   []fact
}

// kidneyModel is how the kidney does, as a picture and as what it is made from.
type kidneyModel struct {
	Picture  template.HTML
	Points   []pointModel
	Expected string
	Source   string
	Flags    []afterFlag
}

type pointModel struct{ On, When, Creatinine, Value, Note string }

// afterFlag is a flag after the operation.
type afterFlag struct {
	Title                 string
	Mark                  template.HTML
	Value, Compared, Rule string
	When, Reason, Source  string
	Near                  bool
	Notes                 []string
	Inputs                []inputModel
	ID                    string
}

// shownVisits is how many visits are shown at once. The rest is one press away.
const shownVisits = 6

var setWords = map[followup.Set]string{
	followup.Clinical: "Clinical form", followup.Laboratory: "Laboratory form", followup.Further: "Also asked for",
}

var visitReasonWords = map[journey.VisitReason]string{
	journey.ReasonMoved: "Moved away", journey.ReasonRefused: "Refused", journey.ReasonNoAnswer: "No answer",
	journey.ReasonDied: "Died", journey.ReasonAbroad: "Abroad",
}

var channelWords = map[journey.Channel]string{
	"letter": "Letter", "message": "Message", "call": "Call", "backup-contact": "Backup contact",
	"family-doctor": "Family doctor", "home-kit": "Kit sent home", "in-person": "In person",
}

var contactWords = map[journey.Outcome]string{
	journey.Reached: "Reached", journey.NoAnswer: "No answer", journey.WrongAddress: "Wrong address or number",
	journey.ContactRefused: "Refused", journey.ContactMoved: "Moved away", journey.FamilyDoctorAnswered: "The family doctor answered",
}

// followUpOf makes the section of a donor's page, nil for who had no operation.
func (s *server) followUpOf(sc scene, results []result.Result, entries []record.Entry) *followUpModel {
	c := sc.candidate
	if c.State.Operated == "" || c.State.Outcome != journey.Removed {
		return nil
	}
	p := sc.protocol
	m := &followUpModel{Died: dayWord(followup.Died(c.State, results))}
	if since, lost := c.State.Lost(p.Rules()); lost {
		m.Lost = p.VisitTitle(since.ID)
	}
	if next := followup.NextStep(p, c.State); next != nil && !c.State.Stage.Ended() {
		m.Next = fmt.Sprintf("%s, for %s, on %s", next.Title, lower(p.VisitTitle(next.Visit)), dayWord(next.On))
	}
	for _, v := range followup.Visits(p, s.Current, c.State, results, sc.today) {
		m.Visits = append(m.Visits, visitOf(p, v))
	}
	if n := len(m.Visits); n > shownVisits {
		m.Older, m.Visits = m.Visits[:n-shownVisits], m.Visits[n-shownVisits:]
	}
	seen := sc.viewer.reader().Results(p, results, entries)
	m.Kidney = kidneyOf(s.Current, followup.KidneyOf(s.Current, activities.PersonOf(c), seen, c.State.Operated, sc.today), c.State.Operated)
	return m
}

func visitOf(p *protocol.Protocol, v followup.Visit) visitModel {
	m := visitModel{
		Title: v.Title, Window: dayWord(v.Opens) + " to " + dayWord(v.Closes), Target: dayWord(v.Target),
		Status: known(visitWords, v.Status), Late: v.Late,
	}
	if v.On != "" {
		m.Detail = append(m.Detail, dayWord(v.On))
	}
	if v.Reason != "" {
		m.Detail = append(m.Detail, known(visitReasonWords, v.Reason))
	} else if v.Refused != "" {
		m.Detail = append(m.Detail, "refused on "+dayWord(v.Refused)+", no more contacts for it")
	}
	if v.Status == journey.VisitMissed && v.Reason == "" {
		m.Detail = append(m.Detail, "a reason is asked for")
	}
	if due := followup.Due(p, v.Visit); due != nil {
		m.Due = due.Title + ", since " + dayWord(due.On)
	}
	m.Ahead = v.Status == journey.VisitAhead
	for _, f := range v.Forms {
		if m.Ahead {
			break // nobody can have answered yet
		}
		form := formModel{Title: known(setWords, f.Set), Of: len(f.Items), Excused: f.Excused}
		for _, item := range f.Items {
			if item.On == "" {
				form.Missing = append(form.Missing, item.Title)
				continue
			}
			form.Have++
			form.Items = append(form.Items, fact{item.Title, dayWord(item.On)})
		}
		m.Forms = append(m.Forms, form)
	}
	for _, c := range v.Contacts {
		m.Contacts = append(m.Contacts, fmt.Sprintf("%s: %s, %s", dayWord(c.On), lower(known(channelWords, c.Channel)), lower(known(contactWords, c.Outcome))))
	}
	return m
}

func kidneyOf(p *protocol.Protocol, k followup.Kidney, operated journey.Date) *kidneyModel {
	if len(k.Before)+len(k.After)+len(k.Flags) == 0 {
		return nil
	}
	m := &kidneyModel{Picture: trend(p, k, operated)}
	add := func(list []followup.Point, when string) {
		for _, point := range list {
			row := pointModel{On: dayWord(point.On), When: when, Creatinine: point.Creatinine}
			if q, unit, ok := strings.Cut(point.Creatinine, " "); ok {
				row.Creatinine = q + " " + unitWord(unit)
			}
			switch {
			case point.Err != nil:
				row.Note = "Cannot be computed: " + point.Err.Error()
			default:
				row.Value = clinical.Display(point.GFR, 0)
			}
			if point.Early {
				row.Note = joined(row.Note, "first week, not in steady state")
			}
			m.Points = append(m.Points, row)
		}
	}
	add(k.Before, "before")
	add(k.After, "after")
	slices.Reverse(m.Points)
	if e := k.Expected; e != nil {
		m.Expected = fmt.Sprintf("Expected about a year after the operation: %s, usually %s to %s mL/min/1.73 m². This is an average of groups, not of this person.",
			clinical.Display(float64(e.GFR), 0), clinical.Display(float64(e.Low), 0), clinical.Display(float64(e.High), 0))
		m.Source = e.Source
	} else if k.Unexpected != "" {
		m.Expected = "What is expected can't be said: " + k.Unexpected + "."
	}
	// What asks for something stands on top.
	order := map[journey.Band]int{journey.Discussion: 0, journey.CannotDecide: 1, journey.Meets: 2}
	flags := slices.SortedStableFunc(slices.Values(k.Flags), func(a, b protocol.Flag) int { return order[a.Band] - order[b.Band] })
	for _, f := range flags {
		flag := afterFlag{
			ID: f.ID, Title: f.Title, Mark: bandMark(f.Band, false), Value: strings.TrimSpace(f.Shown + " " + unitWord(f.Unit)), Rule: ruleWord(f),
			When: dayWord(f.Date), Reason: f.Reason, Source: f.Source, Near: f.Near, Notes: f.Warnings, Inputs: inputs(p, f.Inputs),
		}
		if f.Shown == "" {
			flag.Value = ""
		} else if f.Value != f.Shown {
			flag.Compared = f.Value
		}
		m.Flags = append(m.Flags, flag)
	}
	return m
}

// programmeModel is the model of the page of everybody's follow-up.
type programmeModel struct {
	AsOf     string
	Protocol string
	Shows    []showCount
	Measures []measureModel
	People   *peopleModel
	Due      []donorRow
	Late     []donorRow
	Lost     []donorRow
	More     int
	Empty    bool
}

// measureModel is one share.
type measureModel struct {
	Visit, Cohort, Form    string
	Closed                 int
	Complete, Incomplete   countLink
	Pending                countLink
	Share, Threshold, Mark string
	Met, Known             bool
	Forecast               string
	Source                 string
}

// countLink is a number that leads to the people behind it.
type countLink struct {
	N    int
	Link string
}

// peopleModel is who is behind one number.
type peopleModel struct {
	Title string
	Rows  []donorRow
	More  int
}

// donorRow is one donor with a visit.
type donorRow struct {
	Link, Name, Identifier string
	Visit, Target, Closes  string
	Left                   string
	Past                   bool
	Note                   string
	closes                 journey.Date
	id                     string
}

// shownDonors bounds each list of the page.
const shownDonors = 200

// whoWords are the numbers of a share that lead to people.
var whoWords = []option{{"complete", "complete"}, {"incomplete", "not complete"}, {"pending", "with the window still to close"}}

// followUps shows who is due, late and lost, and how complete the forms are.
func (s *server) followUps(c echo.Context) error {
	account, _ := signedIn(c)
	v := s.viewer(account)
	ctx := c.Request().Context()
	today := s.today(s.Current.Zone())
	list, err := s.peopleOf(ctx, v)
	if err != nil {
		return err
	}
	m := programmeModel{AsOf: dayWord(today), Protocol: s.Current.Title + ", version " + s.Current.Version}
	var donors []followup.Donor
	for _, p := range list {
		if p.donor != nil {
			donor := p.donor.On(today)
			donors = append(donors, donor)
			m.add(p, donor, today)
		}
	}
	m.Empty = len(donors) == 0
	for _, measure := range followup.Programme(s.Current, donors, today) {
		m.Measures = append(m.Measures, measureOf(measure))
		if who := asked(c.QueryParams(), measure); who != "" {
			m.People = people(measure, who, donors, today)
		}
	}
	m.Shows = []showCount{
		{Title: counted(len(m.Due), "visit is open", "visits are open"), Hint: "The window has opened and the visit is not recorded.", Count: len(m.Due), Link: "#due"},
		{Title: counted(len(m.Late), "visit is late", "visits are late"), Hint: "The target has passed, and the visit or a form is missing.", Count: len(m.Late), Link: "#late"},
		{Title: counted(len(m.Lost), "donor is lost", "donors are lost"), Hint: "Without contact for the number of visits that the protocol names.", Count: len(m.Lost), Link: "#lost"},
	}
	for _, list := range []*[]donorRow{&m.Due, &m.Late, &m.Lost} {
		slices.SortStableFunc(*list, func(a, b donorRow) int { return strings.Compare(string(a.closes), string(b.closes)) })
		if over := len(*list) - shownDonors; over > 0 {
			m.More, *list = m.More+over, (*list)[:shownDonors]
		}
	}
	if err := s.nameDonors(ctx, v, &m); err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "followup", page{Title: "Follow-up", Body: m})
}

func counted(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

func (m *programmeModel) add(p *tallied, d followup.Donor, today journey.Date) {
	for _, visit := range d.Visits {
		row := donorOf(d.ID, visit, today)
		if title := p.due[visit.ID]; title != "" {
			row.Note = title
		} else if visit.Refused != "" {
			row.Note = "Refused"
		}
		if visit.Status == journey.VisitOpen && !p.ended {
			m.Due = append(m.Due, row)
		}
		if visit.Late {
			late := row
			late.Note = lacking(visit)
			m.Late = append(m.Late, late)
		}
		if p.lost == visit.ID && !p.ended {
			m.Lost = append(m.Lost, row)
		}
	}
}

// nameDonors reads those whom the page shows.
func (s *server) nameDonors(ctx context.Context, v *viewer, m *programmeModel) error {
	lists := [][]donorRow{m.Due, m.Late, m.Lost}
	if m.People != nil {
		lists = append(lists, m.People.Rows)
	}
	var ids []string
	seen := map[string]bool{}
	for _, row := range slices.Concat(lists...) {
		if !seen[row.id] {
			seen[row.id] = true
			ids = append(ids, row.id)
		}
	}
	people, err := s.shown(ctx, v, ids)
	if err != nil {
		return err
	}
	known := make(map[string]record.Candidate, len(people))
	for _, c := range people {
		known[c.ID] = c
	}
	named := func(list []donorRow) []donorRow {
		list = slices.DeleteFunc(list, func(row donorRow) bool { _, ok := known[row.id]; return !ok })
		for i := range list {
			c := known[list[i].id]
			list[i].Name, list[i].Identifier = v.name(c), v.identifier(c)
		}
		return list
	}
	m.Due, m.Late, m.Lost = named(m.Due), named(m.Late), named(m.Lost)
	if m.People != nil {
		m.People.Rows = named(m.People.Rows)
	}
	return nil
}

// lacking says what a late visit still lacks.
func lacking(v followup.Visit) string {
	var list []string
	if !v.Settled() {
		list = append(list, "the visit")
	}
	for _, f := range v.Forms {
		if n := len(f.Missing()); f.Set != followup.Further && n > 0 {
			list = append(list, fmt.Sprintf("%s of the %s", plural(n, "item"), lower(known(setWords, f.Set))))
		}
	}
	return "Missing: " + strings.Join(list, ", ")
}

func donorOf(id string, visit followup.Visit, today journey.Date) donorRow {
	row := donorRow{
		id: id, Link: "/candidates/" + id + "#follow-up",
		Visit: visit.Title, Target: dayWord(visit.Target), Closes: dayWord(visit.Closes), closes: visit.Closes,
	}
	row.Left, row.Past = leftWord(today, visit.Closes)
	return row
}

func measureOf(m followup.Measure) measureModel {
	row := measureModel{
		Visit: m.Title, Cohort: "from " + dayWord(m.Cohort.From), Form: known(setWords, m.Set), Closed: m.Closed, Met: m.Met(),
		Complete: countOf(m, "complete", m.Complete), Incomplete: countOf(m, "incomplete", m.Incomplete), Pending: countOf(m, "pending", m.Pending),
		Threshold: fmt.Sprintf("%g %%", m.Threshold), Source: m.Cohort.Source,
	}
	if m.Cohort.Until != "" {
		row.Cohort += " to " + dayWord(m.Cohort.Until)
	}
	if percent, ok := m.Percent(); ok {
		row.Known = true
		row.Share = clinical.DisplayBeside(percent, m.Threshold, 0) + " %"
	}
	switch f := m.Forecast; {
	case row.Met:
		row.Forecast = "Reached"
	case !f.Possible:
		row.Forecast = "Not reached, whatever the windows now known bring"
	case f.Needed == 0:
		row.Forecast = fmt.Sprintf("Reached on %s with what is on record", dayWord(f.By))
	default:
		row.Forecast = fmt.Sprintf("%s by %s to reach %s", plural(f.Needed, "more complete form"), dayWord(f.By), row.Threshold)
	}
	return row
}

func countOf(m followup.Measure, who string, ids []string) countLink {
	query := url.Values{"visit": {m.Visit}, "form": {string(m.Set)}, "from": {string(m.Cohort.From)}, "who": {who}}
	return countLink{len(ids), pathFollowUp + "?" + query.Encode() + "#people"}
}

// asked returns which number of a share the address asks for, empty for none.
func asked(query url.Values, m followup.Measure) string {
	if query.Get("visit") != m.Visit || query.Get("form") != string(m.Set) || query.Get("from") != string(m.Cohort.From) {
		return ""
	}
	who := query.Get("who")
	if !slices.ContainsFunc(whoWords, func(o option) bool { return o.Value == who }) {
		return ""
	}
	return who
}

func people(m followup.Measure, who string, donors []followup.Donor, today journey.Date) *peopleModel {
	ids := map[string][]string{"complete": m.Complete, "incomplete": m.Incomplete, "pending": m.Pending}[who]
	i := slices.IndexFunc(whoWords, func(o option) bool { return o.Value == who })
	list := &peopleModel{Title: fmt.Sprintf("%s, %s: %s", m.Title, lower(setWords[m.Set]), whoWords[i].Label)}
	for _, d := range donors {
		if !slices.Contains(ids, d.ID) {
			continue
		}
		for _, visit := range d.Visits {
			if visit.ID != m.Visit {
				continue
			}
			row := donorOf(d.ID, visit, today)
			if form, ok := visit.Form(m.Set); ok {
				row.Note = missingWord(form)
			}
			list.Rows = append(list.Rows, row)
		}
	}
	slices.SortStableFunc(list.Rows, func(a, b donorRow) int { return strings.Compare(string(a.closes), string(b.closes)) })
	if over := len(list.Rows) - shownDonors; over > 0 {
		list.More, list.Rows = over, list.Rows[:shownDonors]
	}
	return list
}

func missingWord(f followup.Form) string {
	missing := f.Missing()
	switch {
	case f.Excused:
		return "Died before the window closed"
	case len(missing) == 0:
		return "Complete"
	}
	titles := make([]string, len(missing))
	for i, item := range missing {
		titles[i] = item.Title
	}
	return "Missing: " + strings.Join(titles, ", ")
}
