package web

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/api"
	"candidacy/internal/audit"
	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/measures"
)

// The measures of the programme in numbers that name nobody, as a page and as files.
const (
	pathMeasures     = "/measures"
	pathMeasuresCSV  = "/measures.csv"
	pathMeasuresXLSX = "/measures.xlsx"
	pathMeasured     = "/measures/people"
)

// measurers see the measures in numbers: also the administrator, who sees no candidate.
func measurers() []journey.Role { return append(api.Measured(), journey.Administrator) }

// measuresModel is how the programme does, as charts.
type measuresModel struct {
	From, Until, Protocol string
	// Protocols are the versions to choose from, for whoever may narrow the cohort.
	Protocols []option
	MayNarrow bool
	Narrowed  bool
	AsOf      string
	// Smallest is the smallest number of people that is told here, and Passed the
	// smallest that the files tell.
	Smallest, Passed int
	Referred         string
	Sheets           []sheetModel
	CSV, XLSX        string
	// People leads to the people behind the numbers, for whoever sees candidates.
	People string
	Empty  bool
}

// sheetModel is one measure: a sentence, a drawing and a table.
type sheetModel struct {
	ID, Title, Sentence, Definition string
	Picture                         template.HTML
	Legend                          []legendLine
	Of                              string
	Head                            []string
	Rows                            []sheetRow
}

type legendLine struct{ Class, Text string }

type sheetRow struct {
	Title string
	Total bool
	Cells []sheetCell
}

type sheetCell struct {
	Label, Text string
	// None says that there is no such number.
	None bool
}

// measured is the report as one viewer may see it, with what was asked.
type measured struct {
	measures.Report
	asked     measures.Asked
	mayNarrow bool
	versions  []string
	// passed is the smallest number of people that a file tells.
	passed int
}

// measuredFor makes the report that a request asks for. The administrator, who may not
// know one candidate from another, gets the whole programme alone: whoever subtracts two
// cohorts may find one person. On the page nothing is hidden from whoever sees each of
// these people anyway; a file is passed on, to others.
func (s *server) measuredFor(c echo.Context, passedOn bool) (measured, error) {
	account, _ := signedIn(c)
	ctx, v := c.Request().Context(), s.viewer(account)
	m := measured{mayNarrow: slices.Contains(readers, v.Role)}
	m.asked = measures.Asked{
		Smallest: s.Current.SmallestCell(), Apart: m.mayNarrow, Confidant: v.reader().ReadsPrivate(""),
		Today: s.today(s.Current.Zone()), Now: journey.InstantOf(s.Now()),
	}
	if m.asked.Smallest == 0 {
		m.asked.Smallest = measures.SmallestCell
	}
	m.passed = m.asked.Smallest
	if m.mayNarrow && !passedOn {
		m.asked.Smallest = 1
	}
	if m.mayNarrow {
		m.asked.From, m.asked.Until = journey.Date(c.QueryParam("from")), journey.Date(c.QueryParam("until"))
		if err := period(m.asked.From, m.asked.Until); err != nil {
			return m, err
		}
		m.asked.Protocol = c.QueryParam("protocol")
	}
	audit.Everybody(ctx)
	people, donors, err := s.counted(ctx, v, m.asked.Today)
	if err != nil {
		return m, err
	}
	in := map[string]bool{}
	for _, p := range people {
		if !slices.Contains(m.versions, p.Protocol()) {
			m.versions = append(m.versions, p.Protocol())
		}
		in[p.ID()] = m.asked.In(p)
	}
	slices.Sort(m.versions)
	if m.asked.Protocol != "" && !slices.Contains(m.versions, m.asked.Protocol) {
		return m, errNotFound
	}
	donors = slices.DeleteFunc(donors, func(d followup.Donor) bool { return !in[d.ID] })
	m.Report = measures.ReportOf(people, followup.Programme(s.Current, donors, m.asked.Today), m.asked)
	for i := range m.Tables {
		for j := range m.Tables[i].Rows {
			row := &m.Tables[i].Rows[j]
			switch {
			case row.Stage != "":
				row.Title = stageWord(row.Stage)
			case row.Title == "":
				row.Title = capital(strings.ReplaceAll(row.ID, "-", " "))
			}
		}
	}
	return m, nil
}

// counted are the people whom the viewer's numbers are made of, and the donors among
// them: nobody whose recipient the viewer cares for.
func (s *server) counted(ctx context.Context, v *viewer, today journey.Date) ([]*measures.Person, []followup.Donor, error) {
	list, err := s.peopleOf(ctx, v)
	if err != nil {
		return nil, nil, err
	}
	people := make([]*measures.Person, len(list))
	var donors []followup.Donor
	for i, p := range list {
		people[i] = p.person
		if p.donor != nil {
			donors = append(donors, p.donor.On(today))
		}
	}
	return people, donors, nil
}

// period refuses days between which nobody can have been referred.
func period(from, until journey.Date) error {
	if err := api.Period(from, until); err != nil {
		return &failure{Status: http.StatusUnprocessableEntity, Message: "A period goes from one calendar date to another, such as 2026-01-01. Either may be left out."}
	}
	if from != "" && until != "" && until.Before(from) {
		return &failure{Status: http.StatusUnprocessableEntity, Message: fmt.Sprintf("“Referred until”, %s, is before “Referred from”, %s. Go back and change one of them.", dayWord(until), dayWord(from))}
	}
	return nil
}

// measures shows how the programme does.
func (s *server) measures(c echo.Context) error {
	report, err := s.measuredFor(c, false)
	if err != nil {
		return err
	}
	a := report.asked
	m := measuresModel{
		From: string(a.From), Until: string(a.Until), Protocol: a.Protocol, MayNarrow: report.mayNarrow,
		Narrowed: a.From != "" || a.Until != "" || a.Protocol != "", AsOf: dayWord(a.Today), Smallest: a.Smallest, Passed: report.passed,
		Referred: measures.Column{Kind: measures.Counts}.Shown(report.Referred), Empty: report.Referred.Known() && report.Referred.Number == 0,
		CSV: measuresLink(pathMeasuresCSV, a), XLSX: measuresLink(pathMeasuresXLSX, a),
	}
	if report.mayNarrow {
		m.People = pathMeasured
		m.Protocols = []option{{"", "All versions"}}
		for _, version := range report.versions {
			m.Protocols = append(m.Protocols, option{version, version})
		}
	}
	for _, t := range report.Tables {
		m.Sheets = append(m.Sheets, sheetOf(t))
	}
	return s.render(c, http.StatusOK, "measures", page{Title: "Measures", Body: m})
}

func measuresLink(path string, a measures.Asked) string {
	query := url.Values{}
	for name, value := range map[string]string{"from": string(a.From), "until": string(a.Until), "protocol": a.Protocol} {
		if value != "" {
			query.Set(name, value)
		}
	}
	return linkOf(path, query)
}

func sheetOf(t measures.Table) sheetModel {
	m := sheetModel{ID: t.ID, Title: t.Title, Definition: t.Definition, Of: t.Of, Sentence: sentenceOf(t)}
	m.Picture, m.Legend = pictureOf(t, m.Sentence)
	for _, column := range t.Columns {
		m.Head = append(m.Head, headOf(column))
	}
	for _, row := range t.Rows {
		r := sheetRow{Title: row.Title, Total: row.ID == measures.TotalRow}
		for i, cell := range row.Cells {
			text := t.Columns[i].Shown(cell)
			r.Cells = append(r.Cells, sheetCell{Label: m.Head[i], Text: text, None: text == ""})
		}
		m.Rows = append(m.Rows, r)
	}
	return m
}

// headOf is the heading of a column with its unit.
func headOf(c measures.Column) string {
	switch c.Kind {
	case measures.Days:
		return c.Title + ", days"
	case measures.Percents:
		return c.Title + ", %"
	default:
		return c.Title
	}
}

// told finds a number of a table as text, empty where it is not told.
func told(t measures.Table, row, column string) string {
	r, ok := t.Row(row)
	if !ok {
		return ""
	}
	cell := t.Cell(r, column)
	if !cell.Known() {
		return ""
	}
	i := slices.IndexFunc(t.Columns, func(c measures.Column) bool { return c.ID == column })
	return t.Columns[i].Shown(cell)
}

// most finds the row, other than the total, with the largest number of a column.
func most(t measures.Table, column string) (measures.Row, bool) {
	var best measures.Row
	found, largest := false, 0.0
	for _, row := range t.Rows {
		if cell := t.Cell(row, column); row.ID != measures.TotalRow && row.ID != "none" && cell.Known() && cell.Number > largest {
			best, found, largest = row, true, cell.Number
		}
	}
	return best, found
}

const fewWords = "There are too few people to tell."

// sentenceOf says what a table shows, by the numbers that it tells.
func sentenceOf(t measures.Table) string {
	switch t.ID {
	case "flow":
		all, approved, donated := told(t, "referral", "reached"), told(t, "approved", "reached"), told(t, "donated", "reached")
		if all == "" || approved == "" || donated == "" {
			return fewWords
		}
		return fmt.Sprintf("Of %s referred, %s were approved so far and %s have donated.", all, approved, donated)
	case "stages":
		if median := told(t, string(journey.Evaluation), "median"); median != "" {
			text := fmt.Sprintf("Half leave the evaluation within %s days", median)
			if ninetieth := told(t, string(journey.Evaluation), "ninetieth"); ninetieth != "" {
				text += fmt.Sprintf(", nine in ten within %s", ninetieth)
			}
			return text + "."
		}
		if row, ok := most(t, "median"); ok {
			return fmt.Sprintf("The longest is %s: half leave it within %s days.", lower(row.Title), told(t, row.ID, "median"))
		}
		return fewWords
	case "approval":
		if median := told(t, measures.TotalRow, "median"); median != "" {
			return fmt.Sprintf("Half of the operations began within %s days of the approval, nine in ten within %s.", median, told(t, measures.TotalRow, "ninetieth"))
		}
		return fewWords
	case "stops":
		all := told(t, measures.TotalRow, "all")
		if all == "" {
			return fewWords
		}
		text := fmt.Sprintf("%s ended without a donation", plural2(all, "journey", "journeys"))
		if row, ok := most(t, "all"); ok {
			text += fmt.Sprintf(", most often at the step %s (%s)", lower(row.Title), told(t, row.ID, "all"))
		}
		return text + "."
	case "against":
		all := told(t, measures.TotalRow, "people")
		row, ok := most(t, "people")
		if all == "" || !ok {
			return fewWords
		}
		return fmt.Sprintf("Of %s declined, %s had something against them in one area most often: %s.", all, told(t, row.ID, "people"), lower(row.Title))
	case "followup":
		reached, missed, open := 0, 0, 0
		for _, row := range t.Rows {
			switch cell := t.Cell(row, "reached"); {
			case !cell.Known():
				open++
			case cell.Text == "yes":
				reached++
			default:
				missed++
			}
		}
		if reached+missed == 0 {
			return "Of no visit can it be told yet whether its target is reached."
		}
		text := fmt.Sprintf("%d of %d forms reach their target", reached, reached+missed)
		if open > 0 {
			text += fmt.Sprintf("; of %d it can't be told", open)
		}
		return text + "."
	case "events":
		in, late, overdue := told(t, "in-time", "events"), told(t, "late", "events"), told(t, "overdue", "events")
		switch {
		case told(t, measures.TotalRow, "events") == "0":
			return "No event had to be reported."
		case in == "" || late == "" || overdue == "":
			return "There are too few events to tell."
		default:
			return fmt.Sprintf("%s were reported in time, %s late, and %s are past their limit.", plural2(in, "event", "events"), late, overdue)
		}
	case "overdue":
		all, overdue := told(t, measures.TotalRow, "people"), told(t, measures.TotalRow, "overdue")
		if all == "" || overdue == "" {
			return fewWords
		}
		text := fmt.Sprintf("%s of %s on the way are overdue", overdue, all)
		if row, ok := most(t, "overdue"); ok {
			text += fmt.Sprintf(", most of them in the stage %s (%s)", lower(row.Title), told(t, row.ID, "overdue"))
		}
		return text + "."
	default:
		return ""
	}
}

// plural2 is a number in text with its word.
func plural2(n, one, many string) string {
	if n == "1" {
		return n + " " + one
	}
	return n + " " + many
}

// pictureOf draws a table, with what its shapes mean.
func pictureOf(t measures.Table, description string) (template.HTML, []legendLine) {
	c := chart{ID: t.ID, Title: t.Title, Description: description + " The table has every number."}
	number := func(row measures.Row, column string) float64 {
		if cell := t.Cell(row, column); cell.Known() || cell.Told == measures.ToldAtLeast || cell.Told == measures.ToldAtMost {
			return cell.Number
		}
		return 0
	}
	shown := func(row measures.Row, column string) string {
		i := slices.IndexFunc(t.Columns, func(c measures.Column) bool { return c.ID == column })
		return t.Columns[i].Shown(row.Cells[i])
	}
	var legend []legendLine
	switch t.ID {
	case "flow":
		legend = []legendLine{{"chart-main", "went on, or donated"}, {"chart-soft", "still here"}, {"chart-gone", "ended here"}}
		for i, row := range t.Rows {
			open, ended := number(row, "open"), number(row, "ended")
			bars := []chartBar{{number(row, "reached"), "chart-whole"}}
			if on := (number(row, "reached") - open - ended); t.Cell(row, "open").Told != measures.ToldHidden && t.Cell(row, "ended").Told != measures.ToldHidden && on >= 0 {
				bars = []chartBar{{on, "chart-main"}, {open, "chart-soft"}, {ended, "chart-gone"}}
			} else if i == 0 || len(legend) == 3 {
				legend = append(legend, legendLine{"chart-whole", "came to it; the parts are hidden"})
			}
			c.Rows = append(c.Rows, chartRow{Label: row.Title, Value: shown(row, "reached"), Bars: bars})
			c.Most = max(c.Most, number(row, "reached"))
		}
	case "stages", "approval":
		c.Unit = "days"
		legend = []legendLine{{"chart-half", "the middle half"}, {"chart-median", "half are over"}, {"chart-range", "up to nine in ten"}}
		for _, row := range t.Rows {
			box := chartBox{}
			for _, each := range []struct {
				column string
				to     *float64
			}{{"lower", &box.Lower}, {"median", &box.Median}, {"upper", &box.Upper}, {"ninetieth", &box.Ninetieth}} {
				*each.to = number(row, each.column)
				if t.Cell(row, each.column).Told == measures.ToldNotReached {
					*each.to = math.Inf(1)
				} else {
					c.Most = max(c.Most, *each.to)
				}
			}
			r := chartRow{Label: row.Title, Value: "half within " + shown(row, "median"), Box: &box}
			switch cell := t.Cell(row, "median"); cell.Told {
			case measures.ToldIt:
				r.Value += " days"
			case measures.ToldNotReached:
				r.Value = "fewer than half are over"
			default:
				r.Box, r.Value = nil, cmp.Or(shown(row, "median"), "nobody yet")
			}
			c.Rows = append(c.Rows, r)
		}
	case "stops":
		for _, row := range t.Rows {
			if row.ID != measures.TotalRow {
				c.Rows = append(c.Rows, chartRow{Label: "Last step: " + lower(row.Title), Value: shown(row, "all"), Bars: []chartBar{{number(row, "all"), "chart-main"}}})
				c.Most = max(c.Most, number(row, "all"))
			}
		}
		if total, ok := t.Row(measures.TotalRow); ok && len(t.Columns) > 1 {
			legend = []legendLine{{"chart-main", "by the last step"}, {"chart-soft", "by how it ended"}}
			for _, column := range t.Columns[1:] {
				c.Rows = append(c.Rows, chartRow{Label: column.Title, Value: shown(total, column.ID), Bars: []chartBar{{number(total, column.ID), "chart-soft"}}})
				c.Most = max(c.Most, number(total, column.ID))
			}
		}
	case "against", "events":
		for _, row := range t.Rows {
			if row.ID != measures.TotalRow {
				n := number(row, t.Columns[0].ID)
				c.Rows = append(c.Rows, chartRow{Label: row.Title, Value: shown(row, t.Columns[0].ID), Bars: []chartBar{{n, "chart-main"}}})
				c.Most = max(c.Most, n)
			}
		}
	case "followup":
		c.Most, c.Unit = 100, "%"
		legend = []legendLine{{"chart-main", "complete"}, {"chart-target", "target"}}
		for _, row := range t.Rows {
			share := t.Cell(row, "share")
			c.Rows = append(c.Rows, chartRow{
				Label: row.Title, Value: cmp.Or(shown(row, "share"), "no window has closed"), Target: number(row, "target"),
				Bars: []chartBar{{number(row, "share"), "chart-main"}}, Bound: share.Told == measures.ToldAtLeast || share.Told == measures.ToldAtMost,
			})
		}
	case "overdue":
		legend = []legendLine{{"chart-late", "overdue"}, {"chart-soft", "in time, or hidden"}}
		for _, row := range t.Rows {
			if row.ID == measures.TotalRow {
				continue
			}
			all, late := number(row, "people"), number(row, "overdue")
			value := shown(row, "people")
			if value != "0" && value != "hidden" {
				value = shown(row, "overdue") + " of " + value
			}
			c.Rows = append(c.Rows, chartRow{Label: row.Title, Value: value, Bars: []chartBar{{late, "chart-late"}, {max(all-late, 0), "chart-soft"}}})
			c.Most = max(c.Most, all)
		}
	}
	return c.svg(), legend
}
