package web

import (
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
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/clinical"
	"candidacy/internal/clinical/renal"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

const pathPlasma = "/candidates/:id/worksheets/plasma-clearance"

func plasmaLink(candidate string) string {
	return strings.Replace(pathPlasma, ":id", candidate, 1)
}

// plasmaModel is the worksheet of a plasma clearance.
type plasmaModel struct {
	Name, Link, Action string
	Key                string
	Groups             []fieldGroup
	Rows               []sampleRow
	RowCount           int
	Hidden             []field
	Live               plasmaLive
	// Draft says when what is shown was typed, if it is not recorded.
	Draft string
	// Correcting says which study is corrected.
	Correcting string
	Studies    []studyModel
	Method     string
	Closed     string
	Refused    *field
}

type fieldGroup struct {
	Title, Hint string
	Fields      []field
}

type sampleRow struct {
	N                 int
	Time, Value, Unit field
}

// studyModel is a study on record.
type studyModel struct{ Day, Dose, Samples, Link string }

// plasmaLive is what is computed from what is typed.
type plasmaLive struct {
	Wrong, Missing   []problem
	Value, Interval  string
	Absolute         string
	Why              string
	Beside           string
	Curve, Residuals template.HTML
	Samples          []liveSample
	Checks           []checkLine
	Facts            []fact
	Source           string
	// Beneath are the fields of the rows, whose messages are put in place while
	// somebody types.
	Beneath []field
}

type liveSample struct{ Minutes, Concentration, Model, Residual, Fitted string }

type checkLine struct {
	Title, Found, Limit, Source string
	Mark                        template.HTML
}

// verdictMarks show a verdict as a shape and a word.
var verdictMarks = map[renal.QualityVerdict]template.HTML{
	renal.QualityPasses:    mark("band-meets", "disc", "In order"),
	renal.QualityWarns:     mark("band-needs-discussion", "triangle", "Look at it"),
	renal.QualityRefuses:   mark("band-excludes", "square", "No result"),
	renal.QualityNotJudged: mark("band-none", "bar", "Not judged"),
}

// worksheetScene finds the candidate for somebody who may record results.
func (s *server) worksheetScene(c echo.Context) (scene, error) {
	sc, err := s.sceneOf(c)
	if err == nil && !journey.MayGive(sc.viewer.Role, journey.RecordResults) {
		err = &failure{Status: http.StatusForbidden, Message: "The role " + roleWord(sc.viewer.Role) + " may not do this."}
	}
	return sc, err
}

// worksheets are the pages that a candidate's page leads to.
func (s scene) worksheets() []option {
	var list []option
	if state, ok := s.candidate.State.Find(sideReview); ok && state.Status != journey.NotApplicable {
		list = append(list, option{reviewLink(s.candidate.ID, sideReview), "Side selection"})
	}
	if s.closed() != "" || !journey.MayGive(s.viewer.Role, journey.RecordResults) {
		return list
	}
	if _, ok := s.protocol.Observation(doseCode); ok {
		list = append(list, option{plasmaLink(s.candidate.ID), "Plasma clearance worksheet"})
	}
	if _, ok := s.protocol.Observation(readingCode); ok {
		list = append(list, option{ambulatoryLink(s.candidate.ID), "Ambulatory pressure file"})
	}
	return list
}

// worksheetFor is the worksheet that serves a requirement, if one does.
func worksheetFor(s scene, r protocol.Requirement) string {
	for _, set := range r.Local {
		if slices.Contains(set, doseCode) {
			return plasmaLink(s.candidate.ID)
		}
		if slices.Contains(set, readingCode) {
			return ambulatoryLink(s.candidate.ID)
		}
	}
	return ""
}

// closed says why nothing can be recorded now.
func (s scene) closed() string {
	if slices.Contains(journey.Allowed(s.candidate.State.Stage, s.viewer.Role), journey.RecordResults) {
		return ""
	}
	return "In the stage " + stageWord(s.candidate.State.Stage) + " no results are recorded."
}

// plasmaPage shows the worksheet: what was typed and not recorded, a study on record
// to be corrected, or an empty one.
func (s *server) plasmaPage(c echo.Context) error {
	sc, err := s.worksheetScene(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	var values url.Values
	drafted := ""
	draft, err := s.Store.WorksheetDraft(ctx, sc.candidate.ID, sc.viewer.ID, plasmaWorksheet)
	switch study := c.QueryParam("study"); {
	case err != nil && !errors.Is(err, record.ErrNotFound):
		return err
	case study != "":
		known := studyResults(sc.results, study)
		if known == nil {
			return errNotFound
		}
		values = studyValues(sc, study, known)
	case err == nil:
		if values, err = url.ParseQuery(draft.Body); err != nil {
			return fmt.Errorf("read the draft: %w", err)
		}
		drafted = draft.ChangedAt.In(sc.protocol.Zone()).Format("2 Jan 2006, 15:04")
	default:
		values = newStudy(sc)
	}
	m := s.plasmaModel(sc, values, nil)
	m.Draft = drafted
	p := page{Title: "Plasma clearance: " + m.Name, Body: m}
	switch c.QueryParam("done") {
	case "recorded":
		p.Notice = "The study is recorded. It waits to be signed on the candidate's page."
	case "discarded":
		p.Notice = "What was typed is discarded."
	}
	if wrong := m.Live.Wrong; len(wrong) > 0 && c.QueryParam("computed") != "" {
		p.Title, p.Errors = "Error: "+p.Title, m.summary("What is typed can't be read in full. It is kept, and nothing is recorded", wrong)
	}
	return s.render(c, http.StatusOK, "plasma", p)
}

// plasmaFields are the fields that a worksheet consists of; nothing else is kept.
func plasmaFields() []string {
	list := []string{"study", "seen", "rows", "day", "began", "ended", "dose_by", "extravasation", "height", "weight"}
	for _, fields := range []string{byVolume, byWeighing, byAmount} {
		list = append(list, doseFields[fields]...)
	}
	for row := 1; row <= mostRows; row++ {
		list = append(list, rowField("time", row), rowField("value", row), rowField("unit", row))
	}
	return list
}

// newStudy is an empty worksheet with what is on record of the body size.
func newStudy(sc scene) url.Values {
	v := url.Values{"study": {newKey()}, "day": {string(sc.today)}, "dose_by": {byVolume}, "solution": {string(renal.Iohexol300)}}
	for _, each := range []struct{ name, code, unit string }{{"height", heightCode, "cm"}, {"weight", weightCode, "kg"}} {
		if r, ok := nearest(sc.results, each.code, sc.today); ok && r.Value.Quantity != nil && r.Value.Quantity.Unit == each.unit {
			v.Set(each.name, r.Value.Quantity.Value.String())
		}
	}
	return v
}

// weightDays is how long a weight counts for another day's measurement; the
// assessment uses none from further away.
const weightDays = 183

// nearest is the usable result of a code that lies nearest to a day.
func nearest(results []result.Result, code string, day journey.Date) (result.Result, bool) {
	var best result.Result
	days, found := 0, false
	for _, r := range results {
		if r.Code.Code != code || !r.Status.Usable() {
			continue
		}
		between := max(journey.Date(r.CollectedOn).DaysUntil(day), day.DaysUntil(journey.Date(r.CollectedOn)))
		if code == weightCode && between > weightDays {
			continue
		}
		if !found || between <= days {
			best, days, found = r, between, true
		}
	}
	return best, found
}

// studyResults are the results of a study that was recorded here, by their parts.
func studyResults(results []result.Result, study string) map[string]result.Result {
	var known map[string]result.Result
	for _, r := range results {
		part, ok := strings.CutPrefix(r.Identifier.Value, study+"/")
		if r.Identifier.System != typedSystem || !ok || study == "" {
			continue
		}
		if known == nil {
			known = map[string]result.Result{}
		}
		known[part] = r
	}
	if _, ok := known[dosePart]; !ok {
		return nil
	}
	return known
}

// studyValues fill the worksheet from what is on record.
func studyValues(sc scene, study string, known map[string]result.Result) url.Values {
	v := newStudy(sc)
	v.Set("study", study)
	zone := sc.protocol.Zone()
	dose := known[dosePart]
	middle, _ := dose.EffectiveAt()
	v.Set("day", string(journey.DateOf(middle, zone)))
	v.Set("began", middle.In(zone).Format("15:04"))
	readMethod(v, dose)
	if r, ok := known[besidePart]; ok && r.Value.Coding != nil {
		v.Set("extravasation", map[string]string{"373066001": "yes", "373067005": "no"}[r.Value.Coding.Code])
	}
	seen := map[string]int{}
	for part, r := range known {
		seen[part] = r.Version
		if row, ok := strings.CutPrefix(part, samplePart); ok && r.Status.Usable() && r.Value.Quantity != nil {
			n, _ := strconv.Atoi(row)
			at, _ := r.EffectiveAt()
			v.Set(rowField("time", n), strconv.FormatFloat(at.Sub(middle).Minutes(), 'f', -1, 64))
			v.Set(rowField("value", n), r.Value.Quantity.Value.String())
			v.Set(rowField("unit", n), r.Value.Quantity.Unit)
		}
	}
	for name, code := range map[string]string{"height": heightCode, "weight": weightCode} {
		if r, ok := known[name]; ok && r.Value.Quantity != nil {
			v.Set(name, r.Value.Quantity.Value.String())
		} else if r, ok := nearest(sc.results, code, journey.Date(v.Get("day"))); ok && r.Value.Quantity != nil {
			v.Set(name, r.Value.Quantity.Value.String())
		}
	}
	text, _ := json.Marshal(seen)
	v.Set("seen", string(text))
	return v
}

// readMethod fills in how the dose was known from what the record says of it.
func readMethod(v url.Values, dose result.Result) {
	for _, fields := range doseFields {
		for _, field := range fields {
			v.Del(field)
		}
	}
	way, rest, ok := strings.Cut(strings.TrimPrefix(dose.Method, "by "), ": ")
	parts, injected, told := strings.Cut(rest, "; injected ")
	if !ok || !told || doseFields[way] == nil {
		v.Set("dose_by", byAmount)
		v.Set("drawn_mg", dose.Value.Quantity.Value.String())
		v.Set("left_mg", "0")
		return
	}
	v.Set("dose_by", way)
	for part := range strings.SplitSeq(parts, ", ") {
		for _, field := range doseFields[way] {
			if text, ok := strings.CutPrefix(part, doseWords[field]+" "); ok && field != "solution" {
				v.Set(field, strings.TrimSuffix(text, " "+doseUnits[field]))
			}
		}
		if slices.Contains(renal.IohexolSolutions(), renal.IohexolSolution(part)) {
			v.Set("solution", part)
		}
	}
	began, ended, _ := strings.Cut(strings.TrimSuffix(injected, ", timed from the middle"), " to ")
	v.Set("began", began)
	v.Set("ended", ended)
}

// plasma takes what is typed: it is kept as a draft, computed, and recorded when that
// is asked for.
func (s *server) plasma(c echo.Context) error {
	sc, err := s.worksheetScene(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	sent, values := c.Request().PostForm, url.Values{}
	for _, name := range plasmaFields() {
		if text := sent.Get(name); text != "" {
			values.Set(name, text)
		}
	}
	do := sent.Get("do")
	switch {
	case do == "discard":
		if err := s.Store.DropWorksheet(ctx, sc.candidate.ID, sc.viewer.ID, plasmaWorksheet); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, plasmaLink(sc.candidate.ID)+"?done=discarded")
	case values.Get("study") == "" || len(values.Get("study")) > 40:
		values.Set("study", newKey())
	}
	if do == "rows" {
		values.Set("rows", strconv.Itoa(rowsOf(values)+4))
	}
	if err := s.Store.KeepWorksheet(ctx, record.WorksheetDraft{
		Candidate: sc.candidate.ID, Account: sc.viewer.ID, Worksheet: plasmaWorksheet, Body: values.Encode(),
	}); err != nil {
		return err
	}
	if do == "record" {
		return s.recordPlasma(ctx, c, sc, values, sent)
	}
	if c.Request().Header.Get("HX-Request") == "true" {
		m := s.plasmaModel(sc, values, nil)
		for _, row := range m.Rows {
			m.Live.Beneath = append(m.Live.Beneath, row.Time, row.Value)
		}
		return s.renderPart(c, "plasma", "plasma-live", m.Live)
	}
	return c.Redirect(http.StatusSeeOther, plasmaLink(sc.candidate.ID)+"?computed=yes")
}

// recordPlasma records the study by one command, or shows what stands against it.
func (s *server) recordPlasma(ctx context.Context, c echo.Context, sc scene, values, sent url.Values) error {
	study := readPlasma(sc.protocol, values, sc.onRecord)
	problems := append(slices.Clone(study.wrong), study.missing...)
	status, title := http.StatusUnprocessableEntity, "Nothing was recorded. What is typed is kept"
	key := newKey()
	var list []command.Result
	if len(problems) == 0 {
		if evaluated := sc.protocol.EvaluatePlasma(study.with(sc)); evaluated.Err != nil && sent.Get("refused") != "yes" {
			problems = append(problems, problem{Field: "refused", Text: "No measured GFR follows from this study. Look at the checks, or say below that it is recorded all the same."})
		}
	}
	if len(problems) == 0 {
		list = changes(study.results(sc.protocol), values.Get("seen"), sc.results, study.id, sc.viewer.now)
	}
	if len(problems) == 0 && len(list) == 0 { // the same form again
		return s.plasmaRecorded(ctx, c, sc)
	}
	if len(problems) == 0 {
		sentKey := sent.Get("key")
		err := s.give(ctx, sc.viewer.Account, sc.candidate.ID, sentKey, journey.RecordResults, &command.RecordResults{Results: list})
		if err == nil {
			return s.plasmaRecorded(ctx, c, sc)
		}
		var keep, ok bool
		if status, title, problems, keep, ok = refused(sc.protocol, err, func(string) string { return "" }); !ok {
			return err
		}
		if keep {
			key = sentKey
		}
	}
	m := s.plasmaModel(sc, values, problems)
	m.Key = key
	m.Draft = sc.viewer.now.In(sc.protocol.Zone()).Format("2 Jan 2006, 15:04")
	return s.render(c, status, "plasma", page{Title: "Error: Plasma clearance: " + m.Name, Body: m, Errors: m.summary(title, problems)})
}

func (s *server) plasmaRecorded(ctx context.Context, c echo.Context, sc scene) error {
	if err := s.Store.DropWorksheet(ctx, sc.candidate.ID, sc.viewer.ID, plasmaWorksheet); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, plasmaLink(sc.candidate.ID)+"?done=recorded")
}

// changes are the results that differ from what is on record, each with the version
// that the worksheet was filled in from.
func changes(made []command.Result, seenText string, results []result.Result, study string, now time.Time) []command.Result {
	seen := map[string]int{}
	if seenText != "" {
		_ = json.Unmarshal([]byte(seenText), &seen) // without it the versions don't agree, and nothing is recorded
	}
	known := studyResults(results, study)
	issued := now.UTC().Format(time.RFC3339)
	var list []command.Result
	add := func(part string, r command.Result) {
		version := seen[part]
		r.Issued, r.Replaces = issued, &version
		list = append(list, r)
	}
	var parts []string
	for _, r := range made {
		part := strings.TrimPrefix(r.Identifier.Value, study+"/")
		parts = append(parts, part)
		if before, ok := known[part]; ok {
			if sameReport(before, r) {
				continue
			}
			r.Status = result.Corrected
		}
		add(part, r)
	}
	for _, r := range results {
		part, ok := strings.CutPrefix(r.Identifier.Value, study+"/")
		if _, mine := known[part]; !ok || !mine || !strings.HasPrefix(part, samplePart) || slices.Contains(parts, part) || !r.Status.Usable() {
			continue
		}
		// A row that was taken away was no sample of this study.
		add(part, command.Result{
			Identifier: r.Identifier, Status: result.EnteredInError, Category: r.Category, Code: r.Code, Effective: r.Effective,
			Quantity: r.Value.Quantity, Coded: r.Value.Coding, Method: r.Method,
		})
	}
	return list
}

func sameReport(before result.Result, r command.Result) bool {
	if !before.Status.Usable() || before.Effective != r.Effective || before.Method != r.Method {
		return false
	}
	if q, was := r.Quantity, before.Value.Quantity; q != nil && was != nil {
		return *q == *was
	}
	return r.Coded != nil && before.Value.Coding != nil && r.Coded.Code == before.Value.Coding.Code
}

func (s scene) onRecord(code string, day journey.Date) (result.Result, bool) {
	if day == "" {
		return result.Result{}, false
	}
	return nearest(s.results, code, day)
}

// with is the study with the estimate that it is compared with.
func (s *plasmaStudy) with(sc scene) renal.PlasmaStudy {
	study := s.study
	study.Estimated = estimate(sc.protocol.Assess(activities.PersonOf(sc.candidate), sc.results, sc.today))
	return study
}

func rowsOf(v url.Values) int {
	asked, _ := strconv.Atoi(v.Get("rows"))
	filled := 0
	for row := 1; row <= mostRows; row++ {
		if v.Get(rowField("time", row))+v.Get(rowField("value", row)) != "" {
			filled = row
		}
	}
	return min(max(asked, filled+2, fewestRows), mostRows)
}

// plasmaID starts the ids of the worksheet's fields.
const plasmaID = "plasma"

func (s *server) plasmaModel(sc scene, v url.Values, problems []problem) plasmaModel {
	study := readPlasma(sc.protocol, v, sc.onRecord)
	if problems == nil {
		problems = study.wrong
	}
	m := plasmaModel{
		Name: sc.viewer.name(sc.candidate), Link: "/candidates/" + sc.candidate.ID, Action: plasmaLink(sc.candidate.ID), Key: newKey(),
		Method: methodWord(sc.protocol.Methods), Closed: sc.closed(), Live: live(sc, study),
	}
	solutions := []option{{"", "Choose"}}
	for _, solution := range renal.IohexolSolutions() {
		solutions = append(solutions, option{string(solution), string(solution)})
	}
	zone := sc.protocol.Zone().String()
	m.Groups = []fieldGroup{
		{"Injection", "Times are in the programme's time zone, " + zone + ". Samples are timed from the middle of the injection.", []field{
			{Name: "day", Label: "Day of the study", Type: "date"},
			{Name: "began", Label: "Injection began", Type: "time"},
			{Name: "ended", Label: "Injection ended", Type: "time", Optional: true, Hint: "Empty: it took no time."},
			{Name: "extravasation", Label: "Did marker go beside the vein?", Type: "select", Options: []option{{"", "Choose"}, {"no", "No"}, {"yes", "Yes"}}},
		}},
		{"Dose", "Fill in the fields of one way.", []field{
			{Name: "dose_by", Label: "The dose is known by", Type: "select", Options: []option{{byVolume, "Volume"}, {byWeighing, "Weighing the syringe"}, {byAmount, "Amount of iohexol"}}},
			{Name: "solution", Label: "Solution of iohexol", Type: "select", Options: solutions},
			{Name: "drawn_ml", Label: "Volume: drawn up, mL", Type: "decimal"}, {Name: "left_ml", Label: "Volume: left in the syringe, mL", Type: "decimal"},
			{Name: "full_g", Label: "Weighing: full syringe, g", Type: "decimal"}, {Name: "empty_g", Label: "Weighing: syringe after, g", Type: "decimal"}, {Name: "density", Label: "Weighing: density, g/mL", Type: "decimal"},
			{Name: "drawn_mg", Label: "Amount: drawn up, mg", Type: "decimal"}, {Name: "left_mg", Label: "Amount: left in the syringe, mg", Type: "decimal"},
		}},
		{"Body size", "On the day of the study. What is on record is filled in; another value is recorded with the study.", []field{
			{Name: "height", Label: "Height, cm", Type: "decimal"}, {Name: "weight", Label: "Weight, kg", Type: "decimal"},
		}},
	}
	fill := func(f *field) {
		f.ID, f.Value = plasmaID+"-"+f.Name, v.Get(f.Name)
		for _, p := range problems {
			if p.Field == f.Name {
				f.Error = join(f.Error, p.Text)
			}
		}
	}
	for i := range m.Groups {
		for j := range m.Groups[i].Fields {
			fill(&m.Groups[i].Fields[j])
		}
	}
	var unitOptions []option
	if o, ok := sc.protocol.Observation(concentrationCode); ok {
		for _, unit := range o.Units {
			unitOptions = append(unitOptions, option{unit, unitWord(unit)})
		}
	}
	m.RowCount = rowsOf(v)
	for n := 1; n <= m.RowCount; n++ {
		row := sampleRow{
			N: n, Time: field{Name: rowField("time", n), Label: "Time", Type: "text"}, Value: field{Name: rowField("value", n), Label: "Concentration", Type: "decimal"},
			Unit: field{Name: rowField("unit", n), Label: "Unit", Type: "select", Options: unitOptions},
		}
		fill(&row.Time)
		fill(&row.Value)
		fill(&row.Unit)
		m.Rows = append(m.Rows, row)
	}
	m.Hidden = []field{{Name: "study", Type: "hidden", Value: v.Get("study")}, {Name: "seen", Type: "hidden", Value: v.Get("seen")}}
	if m.Live.Why != "" && study.known() {
		f := field{Name: "refused", Label: "Record the study although no measured GFR follows from it", Type: "checkbox"}
		fill(&f)
		f.Value = ""
		m.Refused = &f
	}
	for _, r := range slices.Backward(sc.results) {
		id, ok := strings.CutSuffix(r.Identifier.Value, "/"+dosePart)
		if r.Code.Code != doseCode || r.Identifier.System != typedSystem || !ok || !r.Status.Usable() {
			continue
		}
		samples := 0
		for part, of := range studyResults(sc.results, id) {
			if strings.HasPrefix(part, samplePart) && of.Status.Usable() {
				samples++
			}
		}
		row := studyModel{Day: whenWord(r.Effective, sc.protocol.Zone()), Dose: valueWord(r.Value), Samples: plural(samples, "sample"), Link: m.Action + "?study=" + url.QueryEscape(id)}
		if id == v.Get("study") {
			m.Correcting = row.Day
		}
		m.Studies = append(m.Studies, row)
	}
	// While somebody types, what is wrong is told beside the result alone.
	labels := m.labels()
	for i, p := range m.Live.Wrong {
		m.Live.Wrong[i].Text = named(labels, p)
	}
	return m
}

// named begins what is wrong with the name of its field.
func named(labels map[string]string, p problem) string {
	if label := labels[p.Field]; label != "" && !strings.HasPrefix(p.Text, label) {
		return label + ": " + lower(p.Text)
	}
	return p.Text
}

// labels are the names of the fields by which they are found in a list.
func (m *plasmaModel) labels() map[string]string {
	named := map[string]string{"refused": ""}
	for _, g := range m.Groups {
		for _, f := range g.Fields {
			named[f.Name] = f.Label
		}
	}
	for _, row := range m.Rows {
		named[row.Time.Name], named[row.Value.Name], named[row.Unit.Name] = fmt.Sprintf("Sample %d, time", row.N), fmt.Sprintf("Sample %d, concentration", row.N), fmt.Sprintf("Sample %d, unit", row.N)
	}
	return named
}

// summary links what is wrong to its fields.
func (m *plasmaModel) summary(title string, problems []problem) *summary {
	s := &summary{Title: title}
	labels := m.labels()
	for _, p := range problems {
		p.Text = named(labels, p)
		if _, known := labels[p.Field]; known {
			p.Field = plasmaID + "-" + p.Field
		} else {
			p.Field = plasmaID
		}
		s.Items = append(s.Items, p)
	}
	return s
}

// live computes what the worksheet shows beside what is typed.
func live(sc scene, study *plasmaStudy) plasmaLive {
	evaluated := sc.protocol.EvaluatePlasma(study.with(sc))
	l := plasmaLive{
		Wrong: slices.Clone(study.wrong), Missing: study.missing, Curve: plasmaCurve(evaluated), Residuals: plasmaResiduals(evaluated),
	}
	for _, check := range evaluated.Checks {
		l.Checks = append(l.Checks, checkLine{check.Title, check.Found, check.Limit, check.Source, verdictMarks[check.Verdict]})
	}
	for _, sample := range evaluated.Samples {
		row := liveSample{Minutes: clinical.Display(sample.Minutes, 1), Concentration: strconv.FormatFloat(sample.Concentration, 'f', -1, 64), Fitted: "left out"}
		if sample.Fitted {
			row.Fitted = "fitted"
		}
		if sample.Model > 0 {
			row.Model = clinical.Display(sample.Model, 1)
			if sample.Fitted {
				row.Residual = signed(100*sample.Residual) + " %"
			}
		}
		l.Samples = append(l.Samples, row)
	}
	if study.dose != "" {
		l.Facts = append(l.Facts, fact{"Dose given", rounded(study.dose.String()) + " mg"})
	}
	if !study.middle.IsZero() {
		l.Facts = append(l.Facts, fact{"Middle of the injection", study.middle.In(study.zone).Format("15:04:05")})
	}
	switch {
	case !study.known():
		// A number without one of its samples would be another number.
		return l
	case evaluated.Err != nil:
		l.Why = errorWord(evaluated.Err)
		return l
	}
	g := evaluated.GFR
	l.Value = clinical.Display(float64(g.Normalised), 1) + " mL/min/1.73 m²"
	l.Absolute = clinical.Display(float64(g.Absolute), 1) + " mL/min"
	if g.Interval != nil {
		l.Interval = "95 % interval " + clinical.Display(g.Interval.Low, 1) + " to " + clinical.Display(g.Interval.High, 1)
	}
	l.Source = g.Equation + "; " + g.Source
	l.Beside = elsewhere(sc, study, float64(g.Normalised))
	return l
}

// elsewhere says where what is on record makes the candidate's page show another number
// than the worksheet does.
func elsewhere(sc scene, study *plasmaStudy, shown float64) string {
	derived, ok := measuredAs(sc, study.results(sc.protocol))
	if !ok {
		return "With what else is on record no measured GFR follows: look for samples or answers of the same days."
	}
	value, err := strconv.ParseFloat(derived.Value, 64)
	if err != nil || clinical.Display(value, 6) == clinical.Display(shown, 6) {
		return ""
	}
	return "The candidate's page will go on showing " + clinical.Display(value, 1) + " mL/min/1.73 m², from the study of " +
		whenWord(derived.Effective, sc.protocol.Zone()) + " and what is on record for it."
}

// methodWord says by which method the protocol measures.
func methodWord(m protocol.Methods) string {
	if m.PlasmaClearance == protocol.TwoCompartment {
		return "Two compartments: early and late samples, dose over the area under two exponentials."
	}
	return "Slope and intercept: samples from 120 min on, " + correctionWords[renal.Correction(or(m.PlasmaCorrection, string(renal.BrochnerMortensen1972)))] + "."
}

var correctionWords = map[renal.Correction]string{
	renal.BrochnerMortensen1972: "the clearance per 1.73 m² corrected as by Brøchner-Mortensen (1972)", renal.BrochnerMortensen1972Absolute: "the absolute clearance corrected as by Brøchner-Mortensen (1972)",
	renal.Fleming2007: "corrected as by Fleming (2007)", renal.Jodal2009: "corrected as by Jodal and Brøchner-Mortensen (2009)", renal.Ng2011: "corrected as by Ng (2011)",
}
