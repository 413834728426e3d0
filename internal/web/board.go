package web

import (
	"context"
	"html/template"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// boardRows bounds one page of the board.
const boardRows = 50

// boardModel is the model of the board.
type boardModel struct {
	Filter  boardFilter
	Stages  []stageCount
	Shows   []showCount
	Options []option
	// Bands and Advocates are what the list can be narrowed to besides.
	Bands, Advocates, Orders []option
	Columns                  []boardColumn
	// Order says in words how the list is ordered.
	Order  string
	Views  viewsModel
	Rows   []boardRow
	Found  int
	From   int
	To     int
	Before *pageLink
	After  *pageLink
	Names  bool
	MayNew bool
	Empty  string
	// Mail says that messages are not getting through.
	Mail string
	// Incoming says that messages of laboratories wait for a person.
	Incoming string
	// Emergencies are candidates whom somebody opened in an emergency lately.
	Emergencies []emergencyRow
}

// pageLink leads to another page of the list. A search has no link: what was
// searched for may be a name, and stays out of every address.
type pageLink struct {
	Link string
	Page int
}

// boardFilter is what the board is narrowed to.
type boardFilter struct {
	Stage    journey.Stage
	Text     string
	Show     string
	Band     journey.Band
	Advocate string
	// Sort is the column, and Down turns its order.
	Sort string
	Down bool
	page int
	// view is the name of the kept view that it is from.
	view string
}

// boardColumn is one heading of the table.
type boardColumn struct {
	Title, Link string
	// Sorted is the value of aria-sort.
	Sorted string
}

// What the board can be narrowed to beside a stage.
const (
	showOpen      = ""
	showAttention = "attention"
	showMine      = "mine"
	showStuck     = "stuck"
	showExpiring  = "expiring"
	showEnded     = "ended"
	showAll       = "all"
)

var showWords = []option{
	{showOpen, "Everyone still on the way"}, {showAttention, "Needs attention"}, {showMine, "Waits for me"},
	{showStuck, "Stuck"}, {showExpiring, "Expires before the planned day"}, {showEnded, "Ended"}, {showAll, "Everyone"},
}

// stageCount is one stage of the strip on top.
type stageCount struct {
	Stage   journey.Stage
	Count   int
	Most    int
	Link    string
	Current bool
}

// showCount is one of the questions that the board answers first.
type showCount struct {
	Title   string
	Hint    string
	Count   int
	Link    string
	Current bool
}

// boardRow is one candidate on the board.
type boardRow struct {
	Link        string
	Name        string
	Identifier  string
	Stage       journey.Stage
	Days        string
	Band        template.HTML
	Needs       []need
	Outstanding []string
	More        int
	Count       int
	Stuck       []string
	Next        string
	NextDay     string
	NextLeft    string
	Late        bool
	Planned     string
	PlannedLeft string
	Expiring    []string

	// Clocks are events that are still to be reported, the nearest limit first.
	Clocks []clockModel
	// Told says that they are among the needs.
	Told bool

	overdue, due, next, planned journey.Date
}

// entry is a candidate with what the board needs to know of it.
type boardEntry struct {
	candidate record.Candidate
	standing  standing
	today     journey.Date
	next      *journey.Deadline
}

// board answers who needs something, who is stuck and what expires.
func (s *server) board(c echo.Context) error {
	query := c.QueryParams()
	query.Del("q") // a name has no place in an address
	if id := query.Get("view"); id != "" {
		f, err := s.viewFilter(c.Request().Context(), id, query)
		if err != nil {
			return err
		}
		return s.showBoard(c, f)
	}
	return s.showBoard(c, readFilter(query))
}

// search is the board narrowed to a name or an identifier. It is sent, and not
// asked for by an address, so that no name is left in a log or a history.
func (s *server) search(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	return s.showBoard(c, readFilter(c.Request().PostForm))
}

func (s *server) showBoard(c echo.Context, filter boardFilter) error {
	return s.showBoardAs(c, http.StatusOK, filter, nil, filter.view)
}

// showBoardAs shows the board with what is wrong with the name of a view.
func (s *server) showBoardAs(c echo.Context, status int, filter boardFilter, wrong *summary, name string) error {
	account, _ := signedIn(c)
	v := s.viewer(account)
	ctx := c.Request().Context()
	keys, err := s.indexed(ctx, v)
	if err != nil {
		return err
	}
	model := boardModel{Filter: filter, Options: showWords, Names: v.knowsIdentity(), MayNew: v.Role == journey.Coordinator}
	if model.Mail, err = s.mailTrouble(ctx, v); err != nil {
		return err
	}
	if model.Emergencies, err = s.emergencyNews(ctx, v); err != nil {
		return err
	}
	if model.Incoming, err = s.incomingTrouble(ctx, v); err != nil {
		return err
	}
	if err := s.boardChoices(ctx, v, &model); err != nil {
		return err
	}
	model.Views.Name = name
	if wrong != nil {
		model.Views.Error = wrong.Items[0].Text
	}
	model.count(keys)
	list, err := s.found(ctx, v, keys, filter)
	if err != nil {
		return err
	}
	list = model.paginate(list, filter.page)
	if model.Rows, err = s.boardRowsOf(ctx, v, list); err != nil {
		return err
	}
	switch {
	case len(model.Rows) > 0:
	case len(keys) == 0 && v.Role == journey.Advocate:
		model.Empty = "No candidate is assigned to you."
	case len(keys) == 0:
		model.Empty = "There is no candidate yet."
	default:
		model.Empty = "No candidate matches. Clear the filter to see everyone."
	}
	title := "Candidates"
	if wrong != nil {
		title = "Error: " + title
	}
	return s.render(c, status, "board", page{Title: title, Body: model, Errors: wrong})
}

// boardRowsOf reads the candidates that the page shows.
func (s *server) boardRowsOf(ctx context.Context, v *viewer, keys []*boardKey) ([]boardRow, error) {
	candidates, err := s.shown(ctx, v, idsOf(keys))
	if err != nil {
		return nil, err
	}
	var rows []boardRow
	for _, c := range candidates {
		p, err := s.Protocols.Get(ctx, c.Protocol)
		if err != nil {
			return nil, err
		}
		p = p.WithConditions(c.State.Imposed, nil)
		e := boardEntry{candidate: c, standing: standingOf(p, v, c), today: s.today(p.Zone()), next: nextDeadline(p, c)}
		row := rowOf(v, e)
		if e.next != nil {
			row.Next = deadlineText(p, c.State, *e.next)
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// boardChoices fills in what the list can be narrowed to and ordered by.
func (s *server) boardChoices(ctx context.Context, v *viewer, m *boardModel) error {
	m.Bands = []option{{"", "Any"}}
	for _, band := range []journey.Band{journey.Excludes, journey.CannotDecide, journey.Discussion, journey.Meets} {
		m.Bands = append(m.Bands, option{string(band), bandWord(band)})
	}
	if v.Role != journey.Advocate {
		accounts, err := s.Store.Accounts(ctx)
		if err != nil {
			return err
		}
		m.Advocates = []option{{"", "Any"}}
		for _, a := range accounts {
			if a.Role == journey.Advocate && (!a.Disabled || a.ID == m.Filter.Advocate) {
				m.Advocates = append(m.Advocates, option{a.ID, a.Name})
			}
		}
	}
	for _, o := range boardSorts {
		m.Orders = append(m.Orders, option{o.Value, o.Label})
		if o.Value == m.Filter.Sort {
			m.Order = lower(o.Label)
			if o.Value == "" {
				m.Order = "the most urgent first"
			} else {
				m.Order = "by " + m.Order
				if m.Filter.Down {
					m.Order += ", turned round"
				}
			}
		}
	}
	for _, name := range []string{"name", "stage", "band", "outstanding", "next", "planned"} {
		i := slices.IndexFunc(boardSorts, func(o boardSort) bool { return o.Value == name })
		f := m.Filter
		f.Sort, f.Down = name, m.Filter.Sort == name && !m.Filter.Down
		column := boardColumn{Title: boardSorts[i].Label, Link: f.link(1)}
		if m.Filter.Sort == name {
			column.Sorted = "ascending"
			if m.Filter.Down {
				column.Sorted = "descending"
			}
		}
		m.Columns = append(m.Columns, column)
	}
	var err error
	m.Views, err = s.viewsModel(ctx, v, m.Filter)
	return err
}

func readFilter(values url.Values) boardFilter {
	f := boardFilter{
		Stage: journey.Stage(values.Get("stage")), Text: strings.TrimSpace(values.Get("q")), Show: values.Get("show"), Band: journey.Band(values.Get("band")),
		Sort: values.Get("sort"), Down: values.Get("order") == "down",
	}
	f.page, _ = strconv.Atoi(values.Get("page"))
	if !slices.Contains(journey.Stages, f.Stage) {
		f.Stage = ""
	}
	if !slices.ContainsFunc(showWords, func(o option) bool { return o.Value == f.Show }) {
		f.Show = showOpen
	}
	if _, ok := bandWords[f.Band]; !ok {
		f.Band = ""
	}
	if !slices.ContainsFunc(boardSorts, func(o boardSort) bool { return o.Value == f.Sort }) {
		f.Sort = ""
	}
	if a := values.Get("advocate"); accountShape.MatchString(a) {
		f.Advocate = a
	}
	return f
}

// accountShape is what an id of an account looks like. Anything else may be a name.
var accountShape = regexp.MustCompile(`^[a-zA-Z0-9-]{1,64}$`)

// values are the filter as an address holds it. They never hold the text.
func (f boardFilter) values() url.Values {
	query := url.Values{}
	for name, value := range map[string]string{
		"stage": string(f.Stage), "show": f.Show, "band": string(f.Band), "advocate": f.Advocate, "sort": f.Sort,
	} {
		if value != "" {
			query.Set(name, value)
		}
	}
	if f.Down {
		query.Set("order", "down")
	}
	return query
}

// Kept lists the filter for the hidden fields of a form that asks for a text or a page.
func (f boardFilter) Kept() []fact {
	var list []fact
	values := f.values()
	for _, name := range slices.Sorted(maps.Keys(values)) {
		list = append(list, fact{name, values.Get(name)})
	}
	return list
}

// Narrowed reports whether anything is left out or turned.
func (f boardFilter) Narrowed() bool { return len(f.values()) > 0 || f.Text != "" }

// link is the address of a page of the board. It never holds the text.
func (f boardFilter) link(page int) string {
	query := f.values()
	if page > 1 {
		query.Set("page", strconv.Itoa(page))
	}
	return linkOf(pathBoard, query)
}

func (m *boardModel) count(entries []*boardKey) {
	counts := map[journey.Stage]int{}
	most := 0
	for _, e := range entries {
		stage := e.stage
		counts[stage]++
		if !stage.Ended() {
			most = max(most, counts[stage])
		}
	}
	for _, stage := range journey.Stages {
		if stage.Ended() {
			continue
		}
		m.Stages = append(m.Stages, stageCount{
			Stage: stage, Count: counts[stage], Most: most, Link: boardFilter{Stage: stage}.link(1), Current: m.Filter.Stage == stage,
		})
	}
	for _, show := range []struct{ value, one, many, hint string }{
		{showMine, "waits for you", "wait for you", "Your role can move them on now."},
		{showStuck, "is stuck", "are stuck", "Overdue, in conflict, or not met."},
		{showExpiring, "has something that expires too early", "have something that expires too early", "Not valid any more on the planned day."},
	} {
		n := 0
		for _, e := range entries {
			if e.in(show.value) && !e.stage.Ended() {
				n++
			}
		}
		title := show.many
		if n == 1 {
			title = show.one
		}
		m.Shows = append(m.Shows, showCount{
			Title: title, Hint: show.hint, Count: n, Link: boardFilter{Show: show.value}.link(1), Current: m.Filter.Show == show.value,
		})
	}
}

func rowOf(v *viewer, e boardEntry) boardRow {
	c, st := e.candidate, e.standing
	row := boardRow{
		Link: "/candidates/" + c.ID, Name: v.name(c), Identifier: v.identifier(c), Stage: c.State.Stage,
		Days: plural(c.State.Since.DaysUntil(e.today), "day"), Band: noBand(), Needs: st.Needs, Stuck: st.Stuck,
		Count: len(st.Outstanding), Outstanding: st.Outstanding[:min(2, len(st.Outstanding))], Expiring: st.Expiring,
		Clocks: st.Clocks, overdue: st.OverdueSince, due: never,
	}
	// What the viewer has to report is among what waits for them.
	row.Told = slices.ContainsFunc(st.Needs, reports)
	row.More = row.Count - len(row.Outstanding)
	if st.Assessed {
		row.Band = bandMark(c.WorstBand, false)
	}
	if e.next != nil && !c.State.Stage.Ended() {
		day := lastDay(*e.next)
		row.due, row.next, row.NextDay = day, day, dayWord(day)
		row.NextLeft, row.Late = leftWord(e.today, day)
		if row.Late && row.overdue == "" {
			row.overdue = day
		}
	}
	if c.State.Planned != "" && c.State.Stage.BeforeOperation() {
		row.Planned = dayWord(c.State.Planned)
		row.PlannedLeft, _ = leftWord(e.today, c.State.Planned)
		row.planned = c.State.Planned
		row.due = min(row.due, c.State.Planned)
	}
	return row
}

// clock is the nearest limit of what is to be reported.
func (r boardRow) clock() journey.Instant {
	if len(r.Clocks) == 0 {
		return "~~" // after those without a limit
	}
	return r.Clocks[0].limit
}

// paginate returns the part of the list that the page shows.
func (m *boardModel) paginate(rows []*boardKey, number int) []*boardKey {
	m.Found = len(rows)
	pages := max(1, (len(rows)+boardRows-1)/boardRows)
	number = min(max(number, 1), pages)
	from := (number - 1) * boardRows
	to := min(from+boardRows, len(rows))
	m.From, m.To = from+1, to
	if number > 1 {
		m.Before = &pageLink{m.Filter.link(number - 1), number - 1}
	}
	if number < pages {
		m.After = &pageLink{m.Filter.link(number + 1), number + 1}
	}
	return rows[from:to]
}
