package web

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/clinical"
	"candidacy/internal/clinical/pressure"
	ucum "candidacy/internal/clinical/units"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/monitoring"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

const (
	pathAmbulatory = "/candidates/:id/worksheets/ambulatory-pressure"
	// mostUpload bounds a request that brings a file, which itself is held to
	// monitoring.MaxBytes.
	mostUpload = monitoring.MaxBytes + 64<<10

	readingCode   = "ambulatory-reading"
	attemptedCode = "ambulatory-attempted"
	systolicCode  = "8480-6"
	diastolicCode = "8462-4"

	// fileSystem names the results that were read from a file: the digest of the file
	// and the line.
	fileSystem = "https://candidacy.example/NamingSystem/source-file"
)

func ambulatoryLink(candidate string) string {
	return strings.Replace(pathAmbulatory, ":id", candidate, 1)
}

// ambulatoryModel is the page of an ambulatory monitoring.
type ambulatoryModel struct {
	Name, Link, Action string
	Key, Digest, Seen  string
	Upload             field
	Told               string
	Fields             []field
	Sample             [][]string
	SampleColumns      []string
	Read               *monitorLive
	// Files are those on record, and Waiting those of which nothing is.
	Files, Waiting []option
	Closed         string
	Recorded       bool
	Confirm        []field
}

// monitorLive is what a file comes to.
type monitorLive struct {
	Means      []meanRow
	Why        string
	Finding    string
	Dip        string
	Beside     string
	Picture    template.HTML
	Checks     []checkLine
	Unreadable []string
	Leftout    []string
	Facts      []fact
	Flags      []flagModel
	Source     string
}

type meanRow struct{ Period, Mean, Spread, Readings, Threshold string }

// monitored is a file as it was read.
type monitored struct {
	rows      []monitoring.Row
	readings  []pressure.AmbulatoryReading
	of        []monitoring.Row
	attempted int
	leftout   []string
	bad       []string
	out       pressure.Ambulatory
	err       error
}

// evaluate judges the readings of a file by the clock of the protocol's zone, as the
// assessment does with results on record.
func evaluateMonitor(rows []monitoring.Row, zone *time.Location) monitored {
	m := monitored{rows: rows}
	for _, row := range rows {
		if row.Kind == monitoring.Unreadable {
			m.bad = append(m.bad, fmt.Sprintf("Line %d: %s.", row.Line, row.Problem))
		}
		m.attempted++
		if row.Kind != monitoring.Reading {
			continue
		}
		reading := readingOf(row)
		period, err := pressure.PeriodOfHour(row.At.In(zone).Hour())
		if err == nil {
			err = reading.Plausible()
		}
		if err != nil {
			m.leftout = append(m.leftout, fmt.Sprintf("Line %d, %s/%s: %s", row.Line, row.Systolic, row.Diastolic, errorWord(err)))
			continue
		}
		m.readings = append(m.readings, pressure.AmbulatoryReading{Reading: reading, Period: period})
		m.of = append(m.of, row)
	}
	m.out, m.err = pressure.AmbulatoryMeans(m.readings, m.attempted)
	return m
}

func readingOf(row monitoring.Row) pressure.Reading {
	number := func(text string) ucum.Quantity {
		value, _ := strconv.ParseFloat(text, 64)
		return ucum.Quantity{Value: value, Unit: ucum.MmHg}
	}
	return pressure.Reading{Systolic: number(row.Systolic), Diastolic: number(row.Diastolic)}
}

// span are the times of the first and the last line that can be read.
func (m monitored) span() (first, last time.Time) {
	for _, row := range m.rows {
		if row.Kind == monitoring.Unreadable {
			continue
		}
		if first.IsZero() || row.At.Before(first) {
			first = row.At
		}
		if row.At.After(last) {
			last = row.At
		}
	}
	return first, last
}

// gap is the longest time between two readings that count.
func (m monitored) gap() (longest time.Duration, from time.Time) {
	times := make([]time.Time, len(m.of))
	for i, row := range m.of {
		times[i] = row.At
	}
	slices.SortFunc(times, time.Time.Compare)
	for i := 1; i < len(times); i++ {
		if between := times[i].Sub(times[i-1]); between > longest {
			longest, from = between, times[i-1]
		}
	}
	return longest, from
}

// Limits that warn; common practice, no published source.
const (
	longestGap  = 2 * time.Hour
	shortestDay = 23 * time.Hour
)

// checks are the quality checks of a monitoring.
func (m monitored) checks(zone *time.Location) []checkLine {
	ok, warn, refuse := mark("band-meets", "disc", "In order"), mark("band-needs-discussion", "triangle", "Look at it"), mark("band-excludes", "square", "No result")
	var list []checkLine
	add := func(title string, verdict template.HTML, found, limit, source string) {
		list = append(list, checkLine{title, found, limit, source, verdict})
	}
	const esh, practice = "ESH position paper on ambulatory monitoring (from memory)", "common practice, no published source"
	day, night := 0, 0
	for _, r := range m.readings {
		if r.Period == pressure.DayTime {
			day++
		} else {
			night++
		}
	}
	judge := func(good bool) template.HTML {
		if good {
			return ok
		}
		return refuse
	}
	share := 0.0
	if m.attempted > 0 {
		share = 100 * float64(len(m.readings)) / float64(m.attempted)
	}
	add("Valid readings", judge(m.attempted > 0 && len(m.readings)*100 >= pressure.FewestValidPercent*m.attempted),
		fmt.Sprintf("%d of %d attempted, %s %%", len(m.readings), m.attempted, clinical.DisplayBeside(share, pressure.FewestValidPercent, 0)), fmt.Sprintf("%d %% or more", pressure.FewestValidPercent), esh)
	add("Valid readings by day", judge(day >= pressure.FewestDay), strconv.Itoa(day), fmt.Sprintf("%d or more, 07:00 to 23:00", pressure.FewestDay), esh)
	add("Valid readings by night", judge(night >= pressure.FewestNight), strconv.Itoa(night), fmt.Sprintf("%d or more, 23:00 to 07:00", pressure.FewestNight), esh)
	verdict, found := ok, "none"
	if len(m.leftout) > 0 {
		verdict, found = warn, plural(len(m.leftout), "reading")+" left out"
	}
	add("Implausible pairs", verdict, found, "60 to 260 over 30 to 160 mmHg, the diastolic below the systolic", practice)
	if longest, from := m.gap(); longest > 0 {
		verdict = ok
		if longest > longestGap {
			verdict = warn
		}
		add("Longest gap between valid readings", verdict, durationWord(longest)+" from "+from.In(zone).Format("15:04"), "up to 2 h", practice)
	}
	first, last := m.span()
	verdict = ok
	if last.Sub(first) < shortestDay {
		verdict = warn
	}
	add("Time monitored", verdict, durationWord(last.Sub(first)), "a day and a night: 23 h or more", practice)
	return list
}

func durationWord(d time.Duration) string {
	d = d.Round(time.Minute)
	return fmt.Sprintf("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
}

// results are what a file is recorded as.
func (m monitored) results(p *protocol.Protocol, digest string) []command.Result {
	zone := p.Zone()
	made := func(code, part, effective, method string) (command.Result, bool) {
		o, ok := p.Observation(code)
		r := command.Result{
			Identifier: result.Identifier{System: fileSystem, Value: digest + "/" + part}, Status: result.Final, Category: o.Category,
			Code: result.Coding{System: protocol.LocalSystem, Code: o.Code, Display: o.Title}, Effective: effective, Method: method,
		}
		return r, ok
	}
	first, last := m.span()
	var list []command.Result
	if r, ok := made(attemptedCode, "attempted", first.In(zone).Format(time.RFC3339), "counted in the file with the SHA-256 "+digest); ok {
		if last.After(first) {
			r.EffectiveEnd = last.In(zone).Format(time.RFC3339)
		}
		r.Quantity = &result.Quantity{Value: json.Number(strconv.Itoa(m.attempted)), Unit: "1"}
		list = append(list, r)
	}
	for _, row := range m.of {
		line := strconv.Itoa(row.Line)
		r, ok := made(readingCode, line, row.At.In(zone).Format(time.RFC3339), "line "+line+" of the file with the SHA-256 "+digest)
		if !ok {
			continue
		}
		for _, part := range []struct{ code, text string }{{systolicCode, row.Systolic}, {diastolicCode, row.Diastolic}} {
			o, _ := p.Observation(part.code)
			r.Components = append(r.Components, result.Component{
				Code:  result.Coding{System: command.LOINC, Code: part.code, Display: o.Title},
				Value: result.Value{Quantity: &result.Quantity{Value: json.Number(part.text), Unit: ucum.MmHg}},
			})
		}
		list = append(list, r)
	}
	return list
}

// fileResults are the results on record that were read from a file.
func fileResults(results []result.Result, digest string) []result.Result {
	var list []result.Result
	for _, r := range results {
		if r.Identifier.System == fileSystem && strings.HasPrefix(r.Identifier.Value, digest+"/") {
			list = append(list, r)
		}
	}
	return list
}

// seenOf stands for the versions of results: another one tells that they changed.
func seenOf(results []result.Result) string {
	if len(results) == 0 {
		return ""
	}
	sum := sha256.New()
	for _, r := range results {
		fmt.Fprintf(sum, "%s %d\n", r.Identifier.Value, r.Version)
	}
	return hex.EncodeToString(sum.Sum(nil)[:8])
}

// fileChanges are the results of a file that differ from what is on record of it.
func fileChanges(made []command.Result, known []result.Result, now time.Time) []command.Result {
	issued := now.UTC().Format(time.RFC3339)
	var list []command.Result
	for _, r := range made {
		version := 0
		if i := slices.IndexFunc(known, func(k result.Result) bool { return k.Identifier == r.Identifier }); i >= 0 {
			version = known[i].Version
			same := r
			same.Issued = known[i].Issued
			same.Status = known[i].Status
			if known[i].Status.Usable() && command.SameContent(known[i], resultOf(same, known[i])) {
				continue
			}
			r.Status = result.Corrected
		}
		r.Issued, r.Replaces = issued, &version
		list = append(list, r)
	}
	for _, k := range known {
		if !k.Status.Usable() || slices.ContainsFunc(made, func(r command.Result) bool { return r.Identifier == k.Identifier }) {
			continue
		}
		version := k.Version
		list = append(list, command.Result{
			Identifier: k.Identifier, Status: result.EnteredInError, Category: k.Category, Code: k.Code, Effective: k.Effective, EffectiveEnd: k.EffectiveEnd,
			Quantity: k.Value.Quantity, Components: k.Components, Method: k.Method, Issued: issued, Replaces: &version,
		})
	}
	return list
}

// resultOf is a report as it would stand in place of what is on record.
func resultOf(r command.Result, known result.Result) result.Result {
	out := r.Record(known.ID, known.Version, time.UTC)
	out.CollectedOn, out.Reported, out.Accepted = known.CollectedOn, known.Reported, known.Accepted
	return out
}

// ambulatoryPage shows where a file is brought in, or what one comes to.
func (s *server) ambulatoryPage(c echo.Context) error {
	sc, err := s.worksheetScene(c)
	if err != nil {
		return err
	}
	p := page{}
	digest := c.QueryParam("file")
	if c.QueryParam("done") == "recorded" {
		p.Notice = "The readings are recorded. They wait to be signed on the candidate's page."
	}
	return s.showAmbulatory(c, http.StatusOK, p, sc, digest, nil, nil)
}

// showAmbulatory renders the page; without settings, those that a file seems to have.
func (s *server) showAmbulatory(c echo.Context, status int, p page, sc scene, digest string, v url.Values, problems []problem) error {
	m, err := s.ambulatoryModel(c.Request().Context(), sc, digest, v, problems)
	if err != nil {
		return err
	}
	p.Title, p.Body = "Ambulatory pressure: "+m.Name, m
	if len(problems) > 0 {
		title := "Nothing was recorded"
		p.Title = "Error: " + p.Title
		if digest == "" {
			title = "The file was not taken"
		}
		p.Errors = &summary{Title: title}
		for _, each := range problems {
			for _, f := range append(append([]field{m.Upload}, m.Fields...), m.Confirm...) {
				if f.Name == each.Field {
					each.Field, each.Text = f.ID, f.Label+": "+lower(each.Text)
					break
				}
			}
			p.Errors.Items = append(p.Errors.Items, each)
		}
	}
	return s.render(c, status, "ambulatory", p)
}

// ambulatory takes a file, reads it anew, or records what it comes to.
func (s *server) ambulatory(c echo.Context) error {
	sc, err := s.worksheetScene(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	if strings.HasPrefix(c.Request().Header.Get(echo.HeaderContentType), "multipart/form-data") {
		return s.uploadAmbulatory(ctx, c, sc)
	}
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	v := c.Request().PostForm
	digest := v.Get("file")
	if v.Get("do") != "record" {
		return s.showAmbulatory(c, http.StatusOK, page{}, sc, digest, v, nil)
	}
	return s.recordAmbulatory(ctx, c, sc, digest, v)
}

func (s *server) uploadAmbulatory(ctx context.Context, c echo.Context, sc scene) error {
	refuse := func(text string) error {
		return s.showAmbulatory(c, http.StatusUnprocessableEntity, page{}, sc, "", nil, []problem{{Field: "csv", Text: text}})
	}
	if c.Request().ContentLength > mostUpload {
		return refuse("The file is larger than 1 MiB.")
	}
	if err := c.Request().ParseMultipartForm(mostUpload); err != nil {
		return s.formFault(err)
	}
	file, _, err := c.Request().FormFile("csv")
	if errors.Is(err, http.ErrMissingFile) {
		return refuse("Choose a file.")
	}
	if err != nil {
		return s.formFault(err)
	}
	data, err := io.ReadAll(io.LimitReader(file, monitoring.MaxBytes+1))
	if err = errors.Join(err, file.Close()); err != nil {
		return fmt.Errorf("read the file: %w", err)
	}
	var fault *monitoring.Fault
	if _, _, err := monitoring.Detect(data); errors.As(err, &fault) {
		return refuse(fault.Problem)
	} else if err != nil {
		return err
	}
	kept, err := s.Store.KeepSourceFile(ctx, record.SourceFile{Candidate: sc.candidate.ID, Kind: monitoring.FileKind, Data: data, ReceivedBy: sc.viewer.ID})
	if errors.Is(err, record.ErrOtherCandidate) {
		// Whose it is, is not told.
		return refuse("This file can't be recorded for this candidate: the same file is on record elsewhere. Make sure whose readings it holds.")
	}
	if err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, ambulatoryLink(sc.candidate.ID)+"?file="+kept.Digest)
}

func (s *server) recordAmbulatory(ctx context.Context, c echo.Context, sc scene, digest string, v url.Values) error {
	file, err := s.Store.SourceFile(ctx, sc.candidate.ID, digest)
	if errors.Is(err, record.ErrNotFound) {
		return errNotFound
	}
	if err != nil {
		return err
	}
	settings := settingsOf(v)
	var problems []problem
	for field, text := range settings.Check() {
		problems = append(problems, problem{Text: text, Field: field})
	}
	slices.SortFunc(problems, func(a, b problem) int { return strings.Compare(a.Field, b.Field) })
	status := http.StatusUnprocessableEntity
	var list []command.Result
	known := fileResults(sc.results, digest)
	if len(problems) == 0 {
		rows, err := monitoring.Read(file.Data, settings, sc.protocol.Zone())
		var fault *monitoring.Fault
		switch {
		case errors.As(err, &fault):
			problems = append(problems, problem{Text: fault.Problem})
		case err != nil:
			return err
		default:
			m := evaluateMonitor(rows, sc.protocol.Zone())
			if len(m.bad) > 0 && v.Get("unreadable") != "yes" {
				problems = append(problems, problem{Field: "unreadable", Text: plural(len(m.bad), "line") + " can't be read. Choose other columns, or say that they count as failed attempts."})
			}
			if m.err != nil && v.Get("refused") != "yes" {
				problems = append(problems, problem{Field: "refused", Text: "No means follow. " + errorWord(m.err)})
			}
			if len(m.of) == 0 {
				problems = append(problems, problem{Text: "There is no reading to record."})
			}
			list = fileChanges(m.results(sc.protocol, digest), known, sc.viewer.now)
		}
	}
	if len(problems) == 0 && v.Get("seen") != seenOf(known) {
		if len(list) == 0 { // the same form again
			return c.Redirect(http.StatusSeeOther, ambulatoryLink(sc.candidate.ID)+"?done=recorded&file="+digest)
		}
		status = http.StatusConflict
		problems = append(problems, problem{Text: "What is on record of this file has changed since you looked at it. Look at it again, then record it."})
	}
	if len(problems) == 0 && len(list) > 0 {
		var ok bool
		if err := s.give(ctx, sc.viewer.Account, sc.candidate.ID, v.Get("key"), journey.RecordResults, &command.RecordResults{Results: list}); err != nil {
			if status, _, problems, _, ok = refused(sc.protocol, err, func(string) string { return "" }); !ok {
				return err
			}
		}
	}
	if len(problems) > 0 {
		return s.showAmbulatory(c, status, page{}, sc, digest, v, problems)
	}
	return c.Redirect(http.StatusSeeOther, ambulatoryLink(sc.candidate.ID)+"?done=recorded&file="+digest)
}

// settingsOf reads the settings that a form names.
func settingsOf(v url.Values) monitoring.Settings {
	number := func(name string) int {
		n, _ := strconv.Atoi(v.Get(name))
		return min(max(n, 0), monitoring.MaxLines)
	}
	delimiter := v.Get("delimiter")
	if delimiter == "tab" {
		delimiter = "\t"
	}
	return monitoring.Settings{
		Delimiter: delimiter, DecimalComma: v.Get("decimal") == "comma", Order: v.Get("order"), Header: number("header"),
		Date: number("date"), Clock: number("clock"), Systolic: number("systolic"), Diastolic: number("diastolic"), Day: v.Get("first_day"),
	}
}

func valuesOf(s monitoring.Settings) url.Values {
	delimiter, decimal := s.Delimiter, "point"
	if delimiter == "\t" {
		delimiter = "tab"
	}
	if s.DecimalComma {
		decimal = "comma"
	}
	return url.Values{
		"delimiter": {delimiter}, "decimal": {decimal}, "order": {s.Order}, "header": {strconv.Itoa(s.Header)}, "date": {strconv.Itoa(s.Date)}, "clock": {strconv.Itoa(s.Clock)},
		"systolic": {strconv.Itoa(s.Systolic)}, "diastolic": {strconv.Itoa(s.Diastolic)}, "first_day": {s.Day},
	}
}

var orderWords = map[string]string{monitoring.YearFirst: "Year, month, day", monitoring.DayFirst: "Day, month, year", monitoring.MonthFirst: "Month, day, year"}

const ambulatoryID = "ambulatory"

func (s *server) ambulatoryModel(ctx context.Context, sc scene, digest string, v url.Values, problems []problem) (ambulatoryModel, error) {
	m := ambulatoryModel{
		Name: sc.viewer.name(sc.candidate), Link: "/candidates/" + sc.candidate.ID, Action: ambulatoryLink(sc.candidate.ID), Key: newKey(), Digest: digest, Closed: sc.closed(),
		Upload: field{Name: "csv", ID: ambulatoryID + "-csv", Label: "File of the monitor", Hint: "CSV or text, up to 1 MiB, as the monitor's program exports it."},
	}
	fill := func(f *field) {
		f.ID = ambulatoryID + "-" + f.Name
		for _, p := range problems {
			if p.Field == f.Name {
				f.Error = join(f.Error, p.Text)
			}
		}
	}
	fill(&m.Upload)
	for _, each := range slices.Backward(sc.results) {
		if id, ok := strings.CutSuffix(each.Identifier.Value, "/attempted"); ok && each.Identifier.System == fileSystem && each.Status.Usable() {
			m.Files = append(m.Files, option{m.Action + "?file=" + id, whenWord(each.Effective, sc.protocol.Zone()) + ", " + valueWord(each.Value) + " readings attempted"})
		}
	}
	if digest == "" {
		err := s.unrecorded(ctx, sc, &m)
		return m, err
	}
	file, err := s.Store.SourceFile(ctx, sc.candidate.ID, digest)
	if errors.Is(err, record.ErrNotFound) || err == nil && file.Kind != monitoring.FileKind {
		return m, errNotFound
	}
	if err != nil {
		return m, err
	}
	found, told, err := monitoring.Detect(file.Data)
	if err != nil {
		return m, err
	}
	m.Told = capital(strings.Join(told, "; ")) + "."
	if v == nil {
		v = valuesOf(found)
	}
	settings := settingsOf(v)
	known := fileResults(sc.results, digest)
	m.Seen, m.Recorded = seenOf(known), len(known) > 0
	m.ask(file.Data, settings, v, problems, fill)
	if len(settings.Check()) > 0 {
		return m, nil
	}
	rows, err := monitoring.Read(file.Data, settings, sc.protocol.Zone())
	var fault *monitoring.Fault
	if errors.As(err, &fault) {
		m.Read = &monitorLive{Why: fault.Problem}
		return m, nil
	}
	if err != nil {
		return m, err
	}
	read := evaluateMonitor(rows, sc.protocol.Zone())
	m.Read = monitorOf(sc, read, digest)
	if len(read.bad) > 0 {
		m.Confirm = append(m.Confirm, field{Name: "unreadable", Type: "checkbox", Label: "Count lines that can't be read as failed attempts (" + plural(len(read.bad), "line") + ")"})
	}
	if read.err != nil {
		m.Confirm = append(m.Confirm, field{Name: "refused", Type: "checkbox", Label: "Record the readings although no means follow from them"})
	}
	for i := range m.Confirm {
		fill(&m.Confirm[i])
		m.Confirm[i].Checked = v[m.Confirm[i].Name]
	}
	return m, nil
}

// unrecorded lists the files that were brought in and of which nothing is on record.
func (s *server) unrecorded(ctx context.Context, sc scene, m *ambulatoryModel) error {
	files, err := s.Store.SourceFiles(ctx, sc.candidate.ID, monitoring.FileKind)
	if err != nil {
		return err
	}
	people, err := s.people(ctx)
	if err != nil {
		return err
	}
	for _, f := range files {
		if len(fileResults(sc.results, f.Digest)) == 0 {
			m.Waiting = append(m.Waiting, option{m.Action + "?file=" + f.Digest, clockWord(f.ReceivedAt, sc.protocol.Zone()) + ", brought in by " + personWord(people, f.ReceivedBy)})
		}
	}
	return nil
}

// ask makes the questions of how a file is read, with the start of the file.
func (m *ambulatoryModel) ask(data []byte, s monitoring.Settings, v url.Values, problems []problem, fill func(*field)) {
	table, err := monitoring.TableOf(data, s)
	columns := []option{{"0", "None"}}
	if err == nil {
		m.SampleColumns = table.Columns
		for i, name := range table.Columns {
			columns = append(columns, option{strconv.Itoa(i + 1), name})
		}
		for _, line := range table.Lines[:min(len(table.Lines), 3)] {
			row := []string{strconv.Itoa(line.Number)}
			for i := range table.Columns {
				if i < len(line.Cells) {
					row = append(row, line.Cells[i])
				} else {
					row = append(row, "")
				}
			}
			m.Sample = append(m.Sample, row)
		}
	}
	orders := []option{{"", "Choose"}}
	for _, order := range monitoring.Orders {
		orders = append(orders, option{order, orderWords[order]})
	}
	m.Fields = []field{
		{Name: "delimiter", Label: "Columns are parted by", Type: "select", Options: []option{{";", "Semicolon"}, {",", "Comma"}, {"tab", "Tabulator"}}},
		{Name: "decimal", Label: "Before decimals stands a", Type: "select", Options: []option{{"point", "Point"}, {"comma", "Comma"}}},
		{Name: "header", Label: "Line with the names of the columns", Type: "whole", Hint: "0 where there is none. What stands before it is not read."},
		{Name: "date", Label: "Date", Type: "select", Options: columns}, {Name: "clock", Label: "Time of day", Type: "select", Options: columns, Hint: "The same column, where it holds both."},
		{Name: "order", Label: "Order of a date", Type: "select", Options: orders},
		{Name: "systolic", Label: "Systolic pressure", Type: "select", Options: columns}, {Name: "diastolic", Label: "Diastolic pressure", Type: "select", Options: columns},
		{Name: "first_day", Label: "Day of the first reading", Type: "date", Optional: true, Hint: "For a file without dates."},
	}
	wrong := s.Check()
	for i := range m.Fields {
		f := &m.Fields[i]
		fill(f)
		f.Value = v.Get(f.Name)
		if text := wrong[f.Name]; text != "" && f.Error == "" {
			f.Error = text
		}
	}
}

// monitorOf is what a file comes to.
func monitorOf(sc scene, read monitored, digest string) *monitorLive {
	zone := sc.protocol.Zone()
	l := &monitorLive{Checks: read.checks(zone), Unreadable: read.bad, Leftout: read.leftout, Picture: monitorPicture(read, zone)}
	first, last := read.span()
	l.Facts = []fact{{"From", first.In(zone).Format("2 Jan 2006, 15:04")}, {"To", last.In(zone).Format("2 Jan 2006, 15:04")}, {"Zone", zone.String()}}
	if read.err != nil {
		l.Why = errorWord(read.err)
		return l
	}
	thresholds, err := pressure.DefaultTarget().Thresholds()
	if err != nil {
		l.Why = errorWord(err)
		return l
	}
	for _, each := range []struct {
		name      string
		mean      pressure.Mean
		period    pressure.Period
		threshold pressure.Pair
	}{{"24 hours", read.out.Whole, "", thresholds.Whole}, {"Day", read.out.Day, pressure.DayTime, thresholds.Day}, {"Night", read.out.Night, pressure.NightTime, thresholds.Night}} {
		row := meanRow{
			Period: each.name, Mean: clinical.Display(each.mean.Systolic.Value.Value, 1) + " / " + clinical.Display(each.mean.Diastolic.Value.Value, 1) + " mmHg",
			Threshold: fmt.Sprintf("%g/%g", each.threshold.Systolic, each.threshold.Diastolic),
		}
		if spread, err := pressure.SpreadOf(read.readings, each.period); err == nil {
			row.Readings = strconv.Itoa(spread.Readings)
			row.Spread = fmt.Sprintf("SD %s / %s; standard error %s / %s", clinical.Display(spread.SystolicSD, 1), clinical.Display(spread.DiastolicSD, 1),
				clinical.Display(spread.SystolicStdErr, 1), clinical.Display(spread.DiastolicStdErr, 1))
		}
		l.Means = append(l.Means, row)
	}
	l.Finding = map[pressure.AmbulatoryFinding]string{
		pressure.BelowThresholds: "No mean reaches its threshold.", pressure.Hypertensive: "The 24-hour or the day mean reaches its threshold.",
		pressure.NightOnly: "Only the night mean reaches its threshold, which is of uncertain meaning.",
	}[read.out.Finding]
	l.Dip = clinical.DisplayBeside(read.out.Dip, 10, 1) + " % lower by night"
	if read.out.Dip < 0 {
		l.Dip = clinical.Display(-read.out.Dip, 1) + " % higher by night"
	}
	l.Source = read.out.Day.Systolic.Equation + "; " + read.out.Day.Systolic.Source
	l.Flags, l.Beside = monitorFlags(sc, read, digest)
	return l
}

// monitorFlags are the flags that the protocol would raise with the readings on record,
// and where what else is on record makes the means others.
func monitorFlags(sc scene, read monitored, digest string) (flags []flagModel, elsewhere string) {
	list := slices.DeleteFunc(slices.Clone(sc.results), func(r result.Result) bool {
		return r.Identifier.System == fileSystem && strings.HasPrefix(r.Identifier.Value, digest+"/")
	})
	for _, r := range read.results(sc.protocol, digest) {
		list = append(list, r.Record(result.IDOf(r.Identifier), 1, sc.protocol.Zone()))
	}
	report := sc.protocol.Assess(activities.PersonOf(sc.candidate), list, sc.today)
	var about []protocol.Flag
	for _, f := range report.Flags {
		if rule, ok := flagRule(sc.protocol, f.ID); ok && strings.HasPrefix(rule.Of, "ambulatory-") {
			about = append(about, f)
		}
	}
	want := read.out.Day.Systolic.Value.Value
	i := slices.IndexFunc(report.Derived, func(d protocol.Derived) bool { return d.Key == "ambulatory-day-mean" })
	switch {
	case i < 0:
		elsewhere = "With what else is on record no means follow: look for readings of another monitoring within two days."
	default:
		if got, err := strconv.ParseFloat(report.Derived[i].Components[0].Value, 64); err != nil || clinical.Display(got, 6) != clinical.Display(want, 6) {
			elsewhere = "The candidate's page will show other means: a newer monitoring is on record, or one within two days of this."
		}
	}
	return flagModels(sc.protocol, sc.candidate.State, about), elsewhere
}
