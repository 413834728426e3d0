package web

import (
	"context"
	"fmt"
	"html"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/measures"
)

// measuredModel is how the programme does, person by person.
type measuredModel struct {
	From, Until string
	Groups      []measureGroup
	People      *measuredPeople
	FollowUp    string
	Empty       bool
}

type measureGroup struct {
	ID, Title string
	Rows      []measureRow
}

// measureRow is one measure with its numbers, each of which leads to people.
type measureRow struct {
	Title, Denominator, Numerator, Dated string
	// Share and Picture are of a measure that counts somebody.
	Share       string
	Picture     template.HTML
	Are, Others numberLink
	Of          numberLink
	// Spread says how the values of a time or a size lie.
	Spread string
	Timed  bool
}

type numberLink struct {
	N    int
	Link string
	Says string
}

type measuredPeople struct {
	Title string
	Rows  []measuredRow
	More  int
	Back  string
}

type measuredRow struct{ Name, Link, Stage, Value string }

var groupWords = map[measures.Group]string{
	measures.Flow: "Who goes on", measures.Waiting: "How long it takes", measures.Planning: "Planned operations",
	measures.Operations: "Operations", measures.Reports: "Reports",
}

// shownMeasured bounds a list of people.
const shownMeasured = 200

// measuredPage shows how the programme does in a period, and the people behind one
// number.
func (s *server) measuredPage(c echo.Context) error {
	account, _ := signedIn(c)
	v := s.viewer(account)
	ctx := c.Request().Context()
	from, until := journey.Date(c.QueryParam("from")), journey.Date(c.QueryParam("until"))
	if err := period(from, until); err != nil {
		return err
	}
	list, err := s.peopleOf(ctx, v)
	if err != nil {
		return err
	}
	people := make([]*measures.Person, len(list))
	for i, p := range list {
		people[i] = p.person
	}
	m := measuredModel{From: string(from), Until: string(until), Empty: len(people) == 0, FollowUp: pathFollowUp}
	found := measures.Of(people, from, until)
	for _, group := range measures.Groups {
		g := measureGroup{ID: string(group), Title: known(groupWords, group)}
		for _, each := range found {
			if each.Group == group {
				g.Rows = append(g.Rows, measureRowOf(each, from, until))
			}
		}
		m.Groups = append(m.Groups, g)
	}
	if id := c.QueryParam("measure"); id != "" {
		i := slices.IndexFunc(found, func(each measures.Measure) bool { return each.ID == id })
		if i < 0 {
			return errNotFound
		}
		if m.People, err = s.measured(ctx, v, found[i], c.QueryParam("who")); err != nil {
			return err
		}
		m.People.Back = measureLink(from, until, "", "")
	}
	return s.render(c, http.StatusOK, "measured", page{Title: "Measures, person by person", Body: m})
}

func measureLink(from, until journey.Date, measure, who string) string {
	query := url.Values{}
	for name, value := range map[string]string{"from": string(from), "until": string(until), "measure": measure, "who": who} {
		if value != "" {
			query.Set(name, value)
		}
	}
	link := pathMeasured
	if len(query) > 0 {
		link += "?" + query.Encode()
	}
	if measure != "" {
		link += "#people"
	}
	return link
}

// The people behind the numbers of a measure.
const (
	whoAre    = "are"
	whoOthers = "others"
	whoAll    = "all"
)

func measureRowOf(m measures.Measure, from, until journey.Date) measureRow {
	link := func(who, says string, n int) numberLink {
		return numberLink{n, measureLink(from, until, m.ID, who), says + ": " + m.Title}
	}
	row := measureRow{
		Title: m.Title, Denominator: capital(m.Denominator), Numerator: capital(m.Numerator), Dated: m.Dated,
		Of: link(whoAll, "counted", len(m.Of)), Timed: !m.Share(),
	}
	if m.Spread != nil {
		row.Spread = fmt.Sprintf("median %s, half from %s to %s, nine in ten up to %s",
			sized(m.Spread.Median, m.Unit), sized(m.Spread.Lower, ""), sized(m.Spread.Upper, m.Unit), sized(m.Spread.Ninetieth, m.Unit))
		row.Picture = spreadSVG(*m.Spread)
	}
	if share, ok := m.Percent(); ok {
		row.Share = strconv.FormatFloat(share, 'f', 0, 64) + " %"
		row.Picture = shareSVG(share)
	}
	row.Are, row.Others = link(whoAre, "true", len(m.Are)), link(whoOthers, "not true", len(m.Of)-len(m.Are))
	return row
}

// sized is a time or a size for reading.
func sized(value float64, unit string) string {
	text := strconv.FormatFloat(value, 'f', -1, 64)
	if value != float64(int(value)) {
		text = strconv.FormatFloat(value, 'f', 1, 64)
	}
	switch unit {
	case "d":
		if text == "1" {
			return "1 day"
		}
		return text + " days"
	case "":
		return text
	default:
		return text + " " + unitWord(unit)
	}
}

// The pictures are 120 by 12 units; the words beside them say the same.
const pictureWidth = 120

func shareSVG(percent float64) template.HTML {
	return template.HTML(fmt.Sprintf(`<svg class="share" viewBox="0 0 %d 12" aria-hidden="true" focusable="false"><rect class="track" x=".5" y="1.5" width="%d" height="9"/><rect class="part" x=".5" y="1.5" width="%.1f" height="9"/></svg>`, //nolint:gosec // numbers only
		pictureWidth, pictureWidth-1, percent*(pictureWidth-1)/100))
}

// spreadSVG draws the range, the middle half and the median.
func spreadSVG(s measures.Spread) template.HTML {
	low, high := slices.Min(s.Values), slices.Max(s.Values)
	x := func(value float64) float64 {
		if high <= low {
			return pictureWidth / 2
		}
		return 2 + (value-low)*(pictureWidth-4)/(high-low)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="spread" viewBox="0 0 %d 12" role="img" aria-label="%s">`, pictureWidth,
		html.EscapeString(fmt.Sprintf("From %s to %s", sized(low, ""), sized(high, ""))))
	fmt.Fprintf(&b, `<path class="range" d="M%.1f 6H%.1f"/><rect class="half" x="%.1f" y="2" width="%.1f" height="8"/><path class="median" d="M%.1f 1V11"/></svg>`,
		x(low), x(high), x(s.Lower), max(x(s.Upper)-x(s.Lower), 1), x(s.Median))
	return template.HTML(b.String()) //nolint:gosec // every part is escaped or a number
}

// measured lists the people behind a number.
func (s *server) measured(ctx context.Context, v *viewer, m measures.Measure, who string) (*measuredPeople, error) {
	list := &measuredPeople{Title: m.Title + ": " + m.Denominator}
	are := map[string]bool{}
	for _, id := range m.Are {
		are[id] = true
	}
	counts := func(string) bool { return true }
	switch who {
	case whoAre:
		list.Title += "; " + m.Numerator
		counts = func(id string) bool { return are[id] }
	case whoOthers:
		list.Title += "; not: " + m.Numerator
		counts = func(id string) bool { return !are[id] }
	}
	var ids []string
	values := map[string]string{}
	for i, id := range m.Of {
		if !counts(id) {
			continue
		}
		ids = append(ids, id)
		if m.Spread != nil {
			values[id] = sized(m.Spread.Values[i], m.Unit)
		}
	}
	if over := len(ids) - shownMeasured; over > 0 {
		list.More, ids = over, ids[:shownMeasured]
	}
	candidates, err := s.shown(ctx, v, ids)
	if err != nil {
		return nil, err
	}
	for _, c := range candidates {
		list.Rows = append(list.Rows, measuredRow{Name: v.name(c), Link: "/candidates/" + c.ID, Stage: stageWord(c.State.Stage), Value: values[c.ID]})
	}
	return list, nil
}
