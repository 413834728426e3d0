package web

import (
	"cmp"
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/clinical"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

const pathResults = "/candidates/:id/results"

// How much of one quantity is shown before somebody asks for all of it.
const (
	trendRows  = 8
	drawnMost  = 60
	wordedMost = 60
)

// worksheetCodes are numbers that only go into a computation, which has a page of its
// own with a picture: over months they are no course of anything.
var worksheetCodes = []string{"iohexol-dose", "iohexol-concentration", "ambulatory-reading", "ambulatory-attempted"}

// trendsModel is the page of a candidate's results over time.
type trendsModel struct {
	Name, Home string
	// Shows are the links that narrow the page.
	Shows  []trendShow
	Groups []trendGroup
	// Only is the title of the one quantity that is shown with all of its values.
	Only     string
	Protocol string
	Worded   []wordedRow
	More     int
	Empty    string
}

type trendShow struct {
	Label, Link string
	Count       int
	Current     bool
}

type trendGroup struct {
	Title, ID string
	Trends    []trendModel
	band      journey.Band
}

// trendModel is one quantity.
type trendModel struct {
	ID, Title, Sentence, Rule string
	Mark                      template.HTML
	Picture                   template.HTML
	Uncertainty, Validity     string
	// Unit and Method are those of all rows, where they have one in common.
	Unit, Method string
	Rows         []trendRow
	// Doubt says that some row has an interval.
	Doubt bool
	More  int
	All   string
	band  journey.Band
}

// trendRow is one value; Left says why no rule reads it.
type trendRow struct {
	When, Value, Converted, Interval, Left string
	Mark                                   template.HTML
	About                                  string
	unit, method                           string
}

// wordedRow is a finding that is no number.
type wordedRow struct {
	Title, Value, When, Before string
	Mark                       template.HTML
	band                       journey.Band
}

func resultsLink(candidate, key string) string {
	link := strings.Replace(pathResults, ":id", candidate, 1)
	if key != "" {
		link += "?" + url.Values{"of": {key}}.Encode()
	}
	return link
}

// resultsPage shows a candidate's results over time.
func (s *server) resultsPage(c echo.Context) error {
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	m, err := trendsOf(sc, c.QueryParam("domain"), c.QueryParam("show"), c.QueryParam("of"))
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "results", page{Title: "Results of " + m.Name, Body: m})
}

// course is what of the candidate's quantities the viewer may see over time.
func (s scene) trends() []protocol.Trend {
	list := s.viewer.reader().Trends(s.protocol, activities.PersonOf(s.candidate), s.results, s.entries, s.candidate.State.Operated, s.today)
	return slices.DeleteFunc(list, func(t protocol.Trend) bool {
		panel, _, _ := strings.Cut(t.Key, "/")
		return slices.Contains(worksheetCodes, panel) || len(t.Points) < 2 && len(t.Rules) == 0
	})
}

// shownFlags are the flags on record as the viewer may see them.
func (s scene) shownFlags() ([]protocol.Flag, error) {
	var flags []protocol.Flag
	if err := json.Unmarshal(s.candidate.Flags, &flags); err != nil {
		return nil, fmt.Errorf("the stored flags are unreadable: %w", err)
	}
	return s.viewer.reader().Flags(s.protocol, flags), nil
}

// bandRank puts what needs somebody first.
func bandRank(b journey.Band) int {
	return slices.Index([]journey.Band{journey.Excludes, journey.Discussion, journey.CannotDecide, journey.Meets, ""}, b)
}

// standingBand is the band that the flags on record say of a quantity.
func standingBand(t protocol.Trend, flags []protocol.Flag) (band journey.Band, absolute bool) {
	for _, rule := range t.Rules {
		for _, f := range flags {
			if f.ID == rule.ID && (band == "" || f.Band.Graver(band)) {
				band, absolute = f.Band, f.Absolute && f.Band == journey.Excludes
			}
		}
	}
	return band, absolute
}

func trendsOf(sc scene, domain, show, only string) (trendsModel, error) {
	flags, err := sc.shownFlags()
	if err != nil {
		return trendsModel{}, err
	}
	home := resultsLink(sc.candidate.ID, "")
	m := trendsModel{
		Name: sc.viewer.name(sc.candidate), Home: "/candidates/" + sc.candidate.ID, Protocol: sc.protocol.Title + ", version " + sc.protocol.Version,
	}
	counts, flagged, all := map[string]int{}, 0, 0
	for _, t := range sc.trends() {
		band, absolute := standingBand(t, flags)
		calls := band != "" && band != journey.Meets
		counts[t.Domain]++
		all++
		if calls {
			flagged++
		}
		switch {
		case only != "" && t.Key != only, domain != "" && t.Domain != domain, show == "flagged" && !calls:
			continue
		case only != "":
			m.Only = t.Title
		}
		i := slices.IndexFunc(m.Groups, func(g trendGroup) bool { return g.ID == t.Domain })
		if i < 0 {
			i = len(m.Groups)
			m.Groups = append(m.Groups, trendGroup{Title: domainWord(t.Domain), ID: t.Domain, band: journey.Meets})
		}
		if calls && bandRank(band) < bandRank(m.Groups[i].band) {
			m.Groups[i].band = band
		}
		m.Groups[i].Trends = append(m.Groups[i].Trends, trendOf(sc, t, band, absolute, only != ""))
	}
	for i := range m.Groups {
		slices.SortStableFunc(m.Groups[i].Trends, func(a, b trendModel) int {
			return cmp.Or(bandRank(a.band)-bandRank(b.band), strings.Compare(a.Title, b.Title))
		})
	}
	slices.SortStableFunc(m.Groups, func(a, b trendGroup) int {
		return cmp.Or(bandRank(a.band)-bandRank(b.band), strings.Compare(a.Title, b.Title))
	})
	m.Shows = append(m.Shows, trendShow{"All", home, all, domain == "" && show == "" && only == ""})
	m.Shows = append(m.Shows, trendShow{"With a flag", home + "?show=flagged", flagged, show == "flagged"})
	names := make([]string, 0, len(counts))
	for name := range counts {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		m.Shows = append(m.Shows, trendShow{domainWord(name), home + "?" + url.Values{"domain": {name}}.Encode(), counts[name], name == domain})
	}
	switch {
	case len(m.Groups) == 0 && only != "":
		return m, errNotFound
	case len(m.Groups) == 0 && all > 0:
		m.Empty = "No quantity of this kind is on record."
	case all == 0:
		m.Empty = "No quantity with a rule, and none with two values, is on record yet."
	}
	if only == "" && domain == "" {
		m.Worded, m.More = wordedOf(sc, flags, show == "flagged")
	}
	return m, nil
}

func domainWord(domain string) string { return capital(strings.ReplaceAll(domain, "-", " ")) }

func trendOf(sc scene, t protocol.Trend, band journey.Band, absolute, whole bool) trendModel {
	m := trendModel{ID: anchor(t.Key), Title: t.Title, Sentence: changeSentence(t), All: resultsLink(sc.candidate.ID, t.Key), band: band}
	if band != "" {
		m.Mark = bandMark(band, absolute)
	}
	var rules []string
	for _, rule := range t.Rules {
		if text := thresholds(*rule); !slices.Contains(rules, text) {
			rules = append(rules, text)
		}
	}
	m.Rule = strings.Join(rules, " ")
	m.Uncertainty = uncertaintyWord(t)
	marks := timeMarks(sc, t)
	for _, mark := range marks {
		if mark.lapses {
			m.Validity = mark.Word + " " + dayWord(mark.Day) + "."
		}
	}
	drawn := t
	if len(drawn.Points) > drawnMost && !whole {
		drawn.Points = drawn.Points[len(drawn.Points)-drawnMost:]
	}
	m.Picture = trendPicture(drawn, marks, m.Sentence)
	for _, point := range slices.Backward(t.Points) {
		if !whole && len(m.Rows) == trendRows {
			m.More = len(t.Points) - trendRows
			break
		}
		row := trendRowOf(sc, t, point)
		m.Rows, m.Doubt = append(m.Rows, row), m.Doubt || row.Interval != ""
	}
	m.share()
	return m
}

// share says once what all rows have in common, and otherwise in each.
func (m *trendModel) share() {
	same := func(of func(trendRow) string) bool {
		return !slices.ContainsFunc(m.Rows, func(r trendRow) bool { return of(r) != of(m.Rows[0]) })
	}
	if same(func(r trendRow) string { return r.unit }) {
		m.Unit = m.Rows[0].unit
	} else {
		for i := range m.Rows {
			m.Rows[i].Value = strings.TrimSpace(m.Rows[i].Value + " " + m.Rows[i].unit)
		}
	}
	if same(func(r trendRow) string { return r.method }) {
		m.Method = m.Rows[0].method
		return
	}
	for i := range m.Rows {
		if r := &m.Rows[i]; r.method != "" {
			r.About = strings.TrimPrefix(r.About+"; "+r.method, "; ")
		}
	}
}

// anchor is a key as the id of an element.
func anchor(key string) string {
	return "of-" + strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '_'
	}, strings.ToLower(key))
}

func trendRowOf(sc scene, t protocol.Trend, point protocol.TrendPoint) trendRow {
	row := trendRow{When: spanWord(point.Effective, point.EffectiveEnd, sc.protocol.Zone()), Left: point.Left}
	value := point.Value
	if t.Computed && point.Result == "" {
		value = t.Display(point.Number)
	}
	row.Value = value
	switch {
	case !point.Placed:
		row.Converted = "in another unit, not drawn"
	case point.ReportedUnit != t.Unit:
		row.Converted = strings.TrimSpace(point.Comparator + t.Display(point.Number) + " " + unitWord(t.Unit))
	}
	if point.Interval != nil {
		row.Interval = t.Display(point.Interval.Low) + " to " + t.Display(point.Interval.High)
	}
	if point.Band != "" {
		row.Mark = bandMark(point.Band, false)
	}
	var about []string
	if point.Version > 1 {
		about = append(about, fmt.Sprintf("version %d", point.Version))
	}
	row.About = strings.Join(about, "; ")
	row.unit, row.method = unitWord(point.ReportedUnit), point.Method
	return row
}

// uncertaintyWord says where the drawn intervals come from, or that nobody states any.
func uncertaintyWord(t protocol.Trend) string {
	var list []string
	for _, point := range t.Points {
		if i := point.Interval; i != nil {
			text := clinical.Display(100*i.Coverage, 0) + " % interval: " + i.Method
			if t.Key == "egfr-creatinine" {
				text = clinical.Display(100*i.Coverage, 0) + " % of estimates lie within 30 % of the measured GFR; the bars show where it then lies. " + i.Method
			}
			if !slices.Contains(list, text) {
				list = append(list, text)
			}
		}
	}
	if list == nil {
		return "Uncertainty not stated."
	}
	return strings.Join(list, "; ") + "."
}

// changing are the points that a change may be told from.
func changing(t protocol.Trend) []protocol.TrendPoint {
	return slices.DeleteFunc(slices.Clone(t.Points), func(p protocol.TrendPoint) bool { return !p.Placed || p.Left != "" || p.Comparator != "" })
}

// changeSentence says what changed, in the numbers that people read.
func changeSentence(t protocol.Trend) string {
	list := changing(t)
	if len(list) == 0 {
		return "No number that a rule may read."
	}
	now := list[len(list)-1]
	shown := strings.TrimSpace(t.Display(now.Number) + " " + unitWord(t.Unit))
	text := shown + " on " + dayWord(now.Day)
	list = slices.DeleteFunc(list, func(p protocol.TrendPoint) bool { return p.Series() != now.Series() })
	if n := len(list); n > 1 {
		first := list[0]
		from, over := t.Display(first.Number), overWord(first.Day.DaysUntil(now.Day))
		switch {
		case from == t.Display(now.Number):
			text = shown + ", as at first, " + over
		case first.Number < now.Number:
			text = "Rose from " + from + " to " + shown + " " + over
		default:
			text = "Fell from " + from + " to " + shown + " " + over
		}
		if n > 2 {
			text += "; before it " + t.Display(list[n-2].Number)
		}
		if a, b := first.Interval, now.Interval; a != nil && b != nil && t.Key != "egfr-creatinine" && a.Low <= b.High && b.Low <= a.High && from != t.Display(now.Number) {
			text += ", with intervals that overlap"
		}
	}
	if now.After {
		return text + ", after the operation."
	}
	nearest, found := 0.0, false
	for _, threshold := range t.Thresholds() {
		if !found || math.Abs(threshold-now.Number) < math.Abs(nearest-now.Number) {
			nearest, found = threshold, true
		}
	}
	if found {
		text += "; nearest threshold " + tickWord(nearest)
	}
	return text + "."
}

// overWord is a number of days as people say it.
func overWord(days int) string {
	switch {
	case days == 0:
		return "on the same day"
	case days < 28:
		return "in " + plural(days, "day")
	case days < 60:
		return "in " + plural((days+3)/7, "week")
	case days < 730:
		return "in " + plural(int(math.Round(float64(days)/30.44)), "month")
	default:
		return "in " + plural(int(math.Round(float64(days)/365.25)), "year")
	}
}

// timeMark is a day that matters to a quantity.
type timeMark struct {
	Day    journey.Date
	Word   string
	lapses bool
}

// operationWord stands at the day of an operation that took place.
const operationWord = "operation"

// timeMarks are the day on which what is on record lapses, and the operation.
func timeMarks(sc scene, t protocol.Trend) []timeMark {
	var marks []timeMark
	state := sc.candidate.State
	if r, ok := state.Find(t.Requirement); ok && state.Stage.BeforeOperation() {
		if seen, _ := sc.viewer.reader().Requirement(sc.protocol, r); seen.ValidUntil != "" && seen.Status != journey.NotApplicable {
			word := "valid until"
			if seen.ValidUntil.Before(sc.today) {
				word = "lapsed after"
			}
			marks = append(marks, timeMark{seen.ValidUntil, word, true})
		}
	}
	switch {
	case state.Operated != "":
		marks = append(marks, timeMark{state.Operated, operationWord, false})
	case state.Planned != "":
		marks = append(marks, timeMark{state.Planned, "planned", false})
	}
	return marks
}

// wordedOf are the newest findings that are no numbers, those with a flag first.
func wordedOf(sc scene, flags []protocol.Flag, flagged bool) (rows []wordedRow, more int) {
	at := map[string]int{}
	for _, r := range newestFirst(sc.viewer.reader().Results(sc.protocol, sc.results, sc.entries)) {
		if r.Value.Quantity != nil || len(r.Components) > 0 || len(r.Members) > 0 || !r.Status.Usable() {
			continue
		}
		word := valueWord(r.Value)
		if r.Value.Coding == nil {
			word = "in words, on the candidate's page"
		}
		if i, ok := at[r.Code.Code]; ok {
			if i >= 0 && word != rows[i].Value && rows[i].Before == "" {
				rows[i].Before = "before: " + word + ", " + dayWord(journey.Date(r.CollectedOn))
			}
			continue
		}
		o, _ := sc.protocol.Observation(r.Code.Code)
		row := wordedRow{Title: cmp.Or(o.Title, r.Code.Display, r.Code.Code), Value: word, When: whenWord(r.Effective, sc.protocol.Zone())}
		for _, rule := range sc.protocol.Flags {
			if !rule.Coded || !slices.Contains(strings.Fields(rule.Of), r.Code.Code) {
				continue
			}
			for _, f := range flags {
				if f.ID == rule.ID && (row.band == "" || f.Band.Graver(row.band)) {
					row.band, row.Mark = f.Band, bandMark(f.Band, f.Absolute && f.Band == journey.Excludes)
				}
			}
		}
		if flagged && (row.band == "" || row.band == journey.Meets) {
			at[r.Code.Code] = -1
			continue
		}
		at[r.Code.Code] = len(rows)
		rows = append(rows, row)
	}
	slices.SortStableFunc(rows, func(a, b wordedRow) int { return bandRank(a.band) - bandRank(b.band) })
	shown, rest := split(rows, wordedMost)
	return shown, len(rest)
}

// addTrends puts the small pictures beside the newest results of the candidate's page.
func (m *candidateModel) addTrends(sc scene, derived []protocol.Derived, shown []result.Result) {
	trends := map[string]protocol.Trend{}
	for _, t := range sc.trends() {
		trends[t.Key] = t
	}
	put := func(row *valueModel, keys ...string) {
		for _, key := range keys {
			if t, ok := trends[key]; ok {
				row.Spark, row.Trend = sparkline(t), resultsLink(sc.candidate.ID, key)
				delete(trends, key)
				return
			}
		}
	}
	for i, d := range derived {
		put(&m.Derived[i], d.Key, strings.TrimSuffix(d.Key, "-mean")+"-systolic")
	}
	of := map[string][]string{"9318-7": {"acr-mg-per-g", "acr-mg-per-mmol"}, "14959-1": {"acr-mg-per-mmol", "acr-mg-per-g"}, "14956-7": {"albumin-excretion"}}
	for i, r := range shown {
		rows := m.Reported
		if i >= len(rows) {
			i, rows = i-len(rows), m.Older
		}
		keys := append([]string{r.Code.Code}, of[r.Code.Code]...)
		for _, part := range r.Components {
			keys = append(keys, r.Code.Code+"/"+part.Code.Code)
		}
		put(&rows[i], keys...)
	}
}
