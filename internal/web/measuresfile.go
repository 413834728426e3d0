package web

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/xuri/excelize/v2"

	"candidacy/internal/clinical"
	"candidacy/internal/journey"
	"candidacy/internal/measures"
)

// fact of a file about itself. Day and At are dates, the one without a time.
type fileFact struct {
	Label, Text string
	Day         journey.Date
	At          time.Time
	Number      int
}

// about is what a file says of itself: whoever finds it has nothing else.
func (s *server) about(m measured) []fileFact {
	a := m.asked
	facts := []fileFact{
		{Label: "Programme", Text: s.Current.Title},
		{Label: "Made at", At: s.Now().In(s.Current.Zone())},
		{Label: "Time zone", Text: s.Current.Zone().String()},
		{Label: "Referred from", Day: a.From},
		{Label: "Referred until", Day: a.Until},
		{Label: "Protocol of the candidates", Text: orAll(a.Protocol)},
		{Label: "Protocol of the targets", Text: s.Current.Version},
		{Label: "Smallest number that is told", Number: a.Smallest},
		{Label: "Hidden", Text: fmt.Sprintf("Numbers from 1 to %d are hidden, and others so that these do not follow by subtraction. Whoever passes on several files whose cohorts overlap gives away what is hidden in each.", a.Smallest-1)},
	}
	if a.Smallest <= 1 {
		facts[len(facts)-1].Text = "Nothing"
	}
	if s.Demo {
		facts = append(facts, fileFact{Label: "Data", Text: "Synthetic demonstration data. Nobody here is real."})
	}
	for _, t := range m.Tables {
		facts = append(facts, fileFact{Label: t.Title, Text: t.Definition})
	}
	return facts
}

func orAll(text string) string {
	if text == "" {
		return "all"
	}
	return text
}

func (f fileFact) text() string {
	switch {
	case f.Day != "":
		return string(f.Day)
	case !f.At.IsZero():
		return f.At.Format(time.RFC3339)
	case f.Number != 0:
		return strconv.Itoa(f.Number)
	default:
		return f.Text
	}
}

// measuresCSV gives the measures as one long table (RFC 4180): a line for each number,
// with what it is in front of it.
func (s *server) measuresCSV(c echo.Context) error {
	m, err := s.measuredFor(c, true)
	if err != nil {
		return err
	}
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	w.UseCRLF = true
	write := func(fields ...string) {
		for i := range fields {
			fields[i] = unformula(fields[i])
		}
		_ = w.Write(fields) // a buffer takes everything
	}
	write("measure", "title", "row", "row_title", "column", "column_title", "told", "value", "unit")
	for _, f := range s.about(m) {
		write("about", "About this file", "", f.Label, "", "", "", f.text(), "")
	}
	for _, t := range m.Tables {
		for _, row := range t.Rows {
			for i, cell := range row.Cells {
				column := t.Columns[i]
				write(t.ID, t.Title, row.ID, row.Title, column.ID, column.Title, string(cell.Told), exported(column, cell), unitOf(column))
			}
		}
	}
	w.Flush()
	return s.giveFile(c, m, "text/csv; charset=utf-8", "csv", out.Bytes())
}

// exported is the number of a cell for a file, empty where none is told.
func exported(c measures.Column, cell measures.Cell) string {
	switch {
	case cell.Told == measures.ToldNone, cell.Told == measures.ToldHidden, cell.Told == measures.ToldNotReached:
		return ""
	case c.Kind == measures.Words:
		return cell.Text
	case c.Kind == measures.Percents:
		return clinical.Display(cell.Number, 2)
	default:
		return strconv.FormatFloat(cell.Number, 'f', -1, 64)
	}
}

func unitOf(c measures.Column) string {
	switch c.Kind {
	case measures.Percents:
		return "%"
	case measures.Days:
		return "d"
	default:
		return ""
	}
}

// unformula keeps a spreadsheet from taking a text for a formula: where it begins as one
// (OWASP, CSV injection), an apostrophe stands before it.
func unformula(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r\n", rune(text[0])) {
		return "'" + text
	}
	return text
}

// sheetNames are short: a workbook allows 31 characters.
var sheetNames = map[string]string{
	"flow": "Referral to donation", "stages": "Time in each stage", "approval": "Approval to operation", "stops": "Where candidates stop",
	"against": "Against the declined", "overdue": "On the way, overdue", "followup": "Follow-up complete", "events": "Events in time",
}

const sheetAbout = "About"

// measuresXLSX gives the measures as a workbook with a sheet for each.
func (s *server) measuresXLSX(c echo.Context) error {
	m, err := s.measuredFor(c, true)
	if err != nil {
		return err
	}
	raw, err := workbook(s.about(m), m.Tables)
	if err != nil {
		return fmt.Errorf("make the workbook: %w", err)
	}
	return s.giveFile(c, m, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "xlsx", raw)
}

func (s *server) giveFile(c echo.Context, m measured, media, ending string, raw []byte) error {
	c.Response().Header().Set(echo.HeaderContentDisposition, fmt.Sprintf(`attachment; filename="measures-%s.%s"`, m.asked.Today, ending))
	c.Response().Header().Set("X-Content-Type-Options", "nosniff")
	return c.Blob(http.StatusOK, media, raw)
}

// book is a workbook that is being made. The first error stays.
type book struct {
	*excelize.File
	styles map[string]int
	err    error
}

func (b *book) note(err error) {
	if b.err == nil {
		b.err = err
	}
}

// style is a cell's style by its number format.
func (b *book) style(format string, bold bool) int {
	key := fmt.Sprint(bold, format)
	if id, ok := b.styles[key]; ok {
		return id
	}
	style := &excelize.Style{Font: &excelize.Font{Bold: bold}, Alignment: &excelize.Alignment{Vertical: "top", WrapText: bold || format == ""}}
	if format != "" {
		style.CustomNumFmt = &format
	}
	id, err := b.NewStyle(style)
	b.note(err)
	b.styles[key] = id
	return id
}

func (b *book) set(sheet string, column, row int, value any, format string, bold bool) {
	cell, err := excelize.CoordinatesToCellName(column, row)
	b.note(err)
	b.note(b.SetCellValue(sheet, cell, value))
	b.note(b.SetCellStyle(sheet, cell, cell, b.style(format, bold)))
}

// head writes the first row and keeps it in sight.
func (b *book) head(sheet string, titles ...string) {
	for i, title := range titles {
		b.set(sheet, i+1, 1, title, "", true)
	}
	b.note(b.SetPanes(sheet, &excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}))
	last, err := excelize.ColumnNumberToName(max(len(titles), 2))
	b.note(err)
	b.note(b.SetColWidth(sheet, "A", "A", 34))
	b.note(b.SetColWidth(sheet, "B", last, 18))
}

// workbook makes a workbook: what it is about, and a sheet for each table.
func workbook(about []fileFact, tables []measures.Table) ([]byte, error) {
	b := &book{File: excelize.NewFile(), styles: map[string]int{}}
	defer b.Close()
	b.note(b.SetSheetName("Sheet1", sheetAbout))
	b.note(b.SetDocProps(&excelize.DocProperties{Title: "Measures of the programme", Creator: "Candidacy"}))
	b.head(sheetAbout, "What", "Value")
	b.note(b.SetColWidth(sheetAbout, "B", "B", 90))
	for i, f := range about {
		row := i + 2
		b.set(sheetAbout, 1, row, f.Label, "", false)
		switch {
		case f.Day != "":
			day, err := time.Parse(time.DateOnly, string(f.Day))
			b.note(err)
			b.set(sheetAbout, 2, row, day, "yyyy-mm-dd", false)
		case !f.At.IsZero():
			// A workbook knows no zones: it says the time that the clock on the wall did.
			at := f.At
			b.set(sheetAbout, 2, row, time.Date(at.Year(), at.Month(), at.Day(), at.Hour(), at.Minute(), at.Second(), 0, time.UTC), "yyyy-mm-dd hh:mm:ss", false)
		case f.Number != 0:
			b.set(sheetAbout, 2, row, f.Number, "0", false)
		default:
			b.set(sheetAbout, 2, row, f.Text, "", false)
		}
	}
	for _, t := range tables {
		sheet := sheetNames[t.ID]
		_, err := b.NewSheet(sheet)
		b.note(err)
		titles := []string{t.Of}
		for _, column := range t.Columns {
			titles = append(titles, headOf(column))
		}
		b.head(sheet, titles...)
		for i, row := range t.Rows {
			b.set(sheet, 1, i+2, row.Title, "", row.ID == measures.TotalRow)
			for j, cell := range row.Cells {
				b.cell(sheet, j+2, i+2, t.Columns[j], cell, row.ID == measures.TotalRow)
			}
		}
	}
	if b.err != nil {
		return nil, b.err
	}
	var out bytes.Buffer
	err := b.Write(&out)
	return out.Bytes(), err
}

// cell writes one cell: a number stays a number, also where it is a bound.
func (b *book) cell(sheet string, column, row int, c measures.Column, cell measures.Cell, bold bool) {
	format := map[measures.Kind]string{measures.Counts: "0", measures.Days: "0.0", measures.Percents: "0.0"}[c.Kind]
	switch cell.Told {
	case measures.ToldNone:
	case measures.ToldHidden, measures.ToldNotReached:
		b.set(sheet, column, row, string(cell.Told), "", bold)
	case measures.ToldAtLeast, measures.ToldAtMost:
		b.set(sheet, column, row, cell.Number, `"`+string(cell.Told)+` "`+format, bold)
	default:
		if c.Kind == measures.Words {
			b.set(sheet, column, row, cell.Text, "", bold)
			return
		}
		b.set(sheet, column, row, cell.Number, format, bold)
	}
}
