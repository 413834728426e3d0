package web

import (
	"cmp"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// boardRows bounds one page of the board.
const boardRows = 100

// boardModel is the model of the board.
type boardModel struct {
	Filter  boardFilter
	Stages  []stageCount
	Shows   []showCount
	Options []option
	Rows    []boardRow
	Found   int
	From    int
	To      int
	Before  *pageLink
	After   *pageLink
	Names   bool
	MayNew  bool
	Empty   string
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
	Stage journey.Stage
	Text  string
	Show  string
	page  int
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

	overdue journey.Date
	due     journey.Date
}

// entry is a candidate with what the board needs to know of it.
type boardEntry struct {
	candidate record.Candidate
	standing  standing
	attention bool
	today     journey.Date
	next      *journey.Deadline
}

func (e boardEntry) in(show string) bool {
	ended := e.candidate.State.Stage.Ended()
	switch show {
	case showAttention:
		return e.attention
	case showMine:
		return len(e.standing.Needs) > 0
	case showStuck:
		return len(e.standing.Stuck) > 0
	case showExpiring:
		return len(e.standing.Expiring) > 0
	case showEnded:
		return ended
	case showAll:
		return true
	default:
		return !ended
	}
}

// board answers who needs something, who is stuck and what expires.
func (s *server) board(c echo.Context) error {
	query := c.QueryParams()
	query.Del("q") // a name has no place in an address
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
	account, _ := signedIn(c)
	v := s.viewer(account)
	ctx := c.Request().Context()
	candidates, err := s.visible(ctx, v, record.Filter{OpenOnly: filter.openOnly()})
	if err != nil {
		return err
	}
	var entries []boardEntry
	for _, candidate := range candidates {
		p, err := s.Protocols.Get(ctx, candidate.Protocol)
		if err != nil {
			return err
		}
		p = p.WithConditions(candidate.State.Imposed, nil)
		e := boardEntry{candidate: candidate, standing: standingOf(p, v, candidate), today: s.today(p.Zone())}
		e.next = nextDeadline(p, candidate)
		e.attention = !candidate.State.Stage.Ended() && e.standing.attention(e.next, e.today)
		entries = append(entries, e)
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
	model.count(entries)
	var rows []boardRow
	for _, e := range entries {
		if !filter.matches(v, e) {
			continue
		}
		p, err := s.Protocols.Get(ctx, e.candidate.Protocol)
		if err != nil {
			return err
		}
		p = p.WithConditions(e.candidate.State.Imposed, nil)
		row := rowOf(v, e)
		if next := e.next; next != nil {
			row.Next = deadlineText(p, e.candidate.State, *next)
		}
		rows = append(rows, row)
	}
	slices.SortStableFunc(rows, byUrgency)
	model.paginate(rows, filter.page)
	if len(candidates) == 0 && filter.openOnly() { // perhaps all have ended
		if candidates, err = s.visible(ctx, v, record.Filter{}); err != nil {
			return err
		}
	}
	switch {
	case len(rows) > 0:
	case len(candidates) == 0 && v.Role == journey.Advocate:
		model.Empty = "No candidate is assigned to you."
	case len(candidates) == 0:
		model.Empty = "There is no candidate yet."
	default:
		model.Empty = "No candidate matches. Clear the filter to see everyone."
	}
	return s.render(c, http.StatusOK, "board", page{Title: "Candidates", Body: model})
}

func readFilter(values url.Values) boardFilter {
	f := boardFilter{
		Stage: journey.Stage(values.Get("stage")), Text: strings.TrimSpace(values.Get("q")), Show: values.Get("show"),
	}
	f.page, _ = strconv.Atoi(values.Get("page"))
	if !slices.Contains(journey.Stages, f.Stage) {
		f.Stage = ""
	}
	if !slices.ContainsFunc(showWords, func(o option) bool { return o.Value == f.Show }) {
		f.Show = showOpen
	}
	return f
}

// openOnly reports whether no journey that has ended can match. What the board
// counts is open too.
func (f boardFilter) openOnly() bool {
	if f.Stage != "" {
		return !f.Stage.Ended()
	}
	return f.Show != showEnded && f.Show != showAll
}

func (f boardFilter) matches(v *viewer, e boardEntry) bool {
	show := f.Show
	if f.Stage.Ended() && show == showOpen {
		show = showAll // the stage says what is wanted
	}
	if f.Stage != "" && e.candidate.State.Stage != f.Stage || !e.in(show) {
		return false
	}
	// An auditor, who sees no names, can't find any by trying.
	text := v.name(e.candidate) + " " + v.identifier(e.candidate)
	if v.knowsIdentity() {
		text += " " + e.candidate.Identity.Given + " " + e.candidate.Identity.Family
	}
	for _, word := range strings.Fields(strings.ToLower(f.Text)) {
		if !strings.Contains(strings.ToLower(text), word) {
			return false
		}
	}
	return true
}

// link is the address of a page of the board. It never holds the text.
func (f boardFilter) link(page int) string {
	query := url.Values{}
	if f.Stage != "" {
		query.Set("stage", string(f.Stage))
	}
	if f.Show != "" {
		query.Set("show", f.Show)
	}
	if page > 1 {
		query.Set("page", strconv.Itoa(page))
	}
	if len(query) == 0 {
		return pathBoard
	}
	return pathBoard + "?" + query.Encode()
}

func (m *boardModel) count(entries []boardEntry) {
	counts := map[journey.Stage]int{}
	most := 0
	for _, e := range entries {
		stage := e.candidate.State.Stage
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
			if e.in(show.value) && !e.candidate.State.Stage.Ended() {
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
		Clocks: st.Clocks, overdue: st.OverdueSince, due: "9999-12-31",
	}
	// What the viewer has to report is among what waits for them.
	row.Told = slices.ContainsFunc(st.Needs, reports)
	row.More = row.Count - len(row.Outstanding)
	if st.Assessed {
		row.Band = bandMark(c.WorstBand, false)
	}
	if e.next != nil && !c.State.Stage.Ended() {
		day := lastDay(*e.next)
		row.due, row.NextDay = day, dayWord(day)
		row.NextLeft, row.Late = leftWord(e.today, day)
		if row.Late && row.overdue == "" {
			row.overdue = day
		}
	}
	if c.State.Planned != "" && c.State.Stage.BeforeOperation() {
		row.Planned = dayWord(c.State.Planned)
		row.PlannedLeft, _ = leftWord(e.today, c.State.Planned)
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

// byUrgency puts what has to be reported first, then what is overdue, the longest
// overdue on top, and then what is due soonest.
func byUrgency(a, b boardRow) int {
	if first := cmp.Compare(a.clock(), b.clock()); first != 0 {
		return first
	}
	if (a.overdue == "") != (b.overdue == "") {
		if a.overdue != "" {
			return -1
		}
		return 1
	}
	return cmp.Or(cmp.Compare(a.overdue, b.overdue), cmp.Compare(a.due, b.due), cmp.Compare(a.Name, b.Name))
}

func (m *boardModel) paginate(rows []boardRow, number int) {
	m.Found = len(rows)
	pages := max(1, (len(rows)+boardRows-1)/boardRows)
	number = min(max(number, 1), pages)
	from := (number - 1) * boardRows
	to := min(from+boardRows, len(rows))
	m.Rows = rows[from:to]
	m.From, m.To = from+1, to
	if number > 1 {
		m.Before = &pageLink{m.Filter.link(number - 1), number - 1}
	}
	if number < pages {
		m.After = &pageLink{m.Filter.link(number + 1), number + 1}
	}
}
