package web

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"candidacy/activities"
	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/renal"
	ucum "candidacy/internal/clinical/units"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// plasmaWorksheet is the worksheet of a plasma clearance of iohexol.
const plasmaWorksheet record.Worksheet = "plasma-clearance"

// The codes of the results that a study is recorded as.
const (
	doseCode          = "iohexol-dose"
	concentrationCode = "iohexol-concentration"
	besideCode        = "iohexol-extravasation"
	residualCode      = "iohexol-residual-measured"
	heightCode        = "8302-2"
	weightCode        = "29463-7"
	// measuredGFRKey is what the assessment derives from them.
	measuredGFRKey = "gfr-plasma-clearance"
)

// The ways to know the dose.
const (
	byVolume   = "volume"
	byWeighing = "weighing"
	byAmount   = "amount"
)

// doseFields are the fields that belong to each way.
var doseFields = map[string][]string{
	byVolume: {"solution", "drawn_ml", "left_ml"}, byWeighing: {"solution", "full_g", "empty_g", "density"}, byAmount: {"drawn_mg", "left_mg"},
}

// Rows of samples: as many as are filled and two more, within limits.
const (
	fewestRows = 6
	mostRows   = 20
)

// plasmaStudy is a worksheet as it was typed, read as far as it can be.
type plasmaStudy struct {
	// id is the start of the identifiers of its results.
	id     string
	values url.Values
	zone   *time.Location

	// wrong are fields that can't be read, missing those that a result needs still.
	wrong, missing []problem

	began, middle time.Time
	dose          json.Number
	method        string
	samples       []plasmaSample
	sizes         []sizeRead
	study         renal.PlasmaStudy
}

type plasmaSample struct {
	row     int
	minutes float64
	at      time.Time
	value   json.Number
	unit    string
}

type sizeRead struct {
	name, code, unit string
	value            json.Number
	// kept says that the value is on record already.
	kept bool
}

// readPlasma reads a worksheet. On record is what results say of the candidate's size.
func readPlasma(p *protocol.Protocol, v url.Values, onRecord func(code string, day journey.Date) (result.Result, bool)) *plasmaStudy {
	s := &plasmaStudy{id: v.Get("study"), values: v, zone: p.Zone()}
	s.readTimes()
	s.readDose()
	switch answer := v.Get("extravasation"); answer {
	case "yes", "no":
		s.study.Extravasation = clinical.Answer(answer)
	default:
		s.lacks("extravasation", "Answer whether marker went beside the vein.")
	}
	s.readSize(onRecord)
	s.readSamples()
	return s
}

func (s *plasmaStudy) is(field, text string) {
	s.wrong = append(s.wrong, problem{Text: text, Field: field})
}
func (s *plasmaStudy) lacks(field, text string) {
	s.missing = append(s.missing, problem{Text: text, Field: field})
}

// number reads a decimal. Empty is no number, and no mistake either.
func (s *plasmaStudy) number(field string) (value float64, text json.Number, given bool) {
	typed := strings.TrimSpace(s.values.Get(field))
	if typed == "" {
		return 0, "", false
	}
	value, ok := decimalOf(typed)
	if !ok {
		s.is(field, "This is not a number with a point for decimals.")
		return 0, "", false
	}
	return value, json.Number(typed), true
}

// decimalOf reads a decimal as forms take it.
func decimalOf(typed string) (float64, bool) {
	if !json.Valid([]byte(typed)) || strings.ContainsAny(typed, `"{[tfn`) {
		return 0, false
	}
	value, err := strconv.ParseFloat(typed, 64)
	return value, err == nil && !math.IsInf(value, 0)
}

// day is the day of the study, and the zero date while it is not known.
func (s *plasmaStudy) day() journey.Date {
	day, err := journey.ParseDate(s.values.Get("day"))
	if err != nil {
		return ""
	}
	return day
}

func (s *plasmaStudy) clock(field string) (time.Time, bool) {
	text, day := s.values.Get(field), s.day()
	if text == "" || day == "" {
		return time.Time{}, false
	}
	written, ok := instant(string(day), text, s.zone)
	at, err := time.Parse(time.RFC3339, written)
	if !ok || err != nil {
		s.is(field, "There is no such time on that day.")
		return time.Time{}, false
	}
	return at, true
}

// readTimes finds the middle of the injection, from which samples are timed.
func (s *plasmaStudy) readTimes() {
	switch {
	case s.values.Get("day") == "":
		s.lacks("day", "Enter the day of the study.")
	case s.day() == "":
		s.is("day", "Not a calendar date; accepted: a date as year-month-day.")
	}
	began, ok := s.clock("began")
	if s.values.Get("began") == "" {
		s.lacks("began", "Enter when the injection began.")
	}
	if !ok {
		return
	}
	s.began, s.middle = began, began
	ended, ok := s.clock("ended")
	switch {
	case !ok:
	case ended.Before(began):
		s.is("ended", "The injection ends before it begins.")
	default:
		s.middle = began.Add(ended.Sub(began) / 2)
	}
}

// readDose finds the marker given, less what stayed in the syringe.
func (s *plasmaStudy) readDose() {
	way := s.values.Get("dose_by")
	if doseFields[way] == nil {
		s.lacks("dose_by", "Choose how the dose is known.")
		return
	}
	for other, fields := range doseFields {
		for _, field := range fields {
			if other != way && field != "solution" && strings.TrimSpace(s.values.Get(field)) != "" {
				s.is(field, "Not used for this way to know the dose. Clear it, or choose the other way.")
			}
		}
	}
	numbers, complete := map[string]float64{}, true
	var parts []string
	for _, field := range doseFields[way] {
		if field == "solution" {
			if solution := s.values.Get(field); solution != "" {
				parts = append(parts, solution)
			}
			continue
		}
		value, text, given := s.number(field)
		if !given {
			complete = false
			if strings.TrimSpace(s.values.Get(field)) == "" {
				s.lacks(field, doseLacks[field])
			}
			continue
		}
		if value < 0 {
			s.is(field, "This is less than nothing.")
			complete = false
		}
		numbers[field] = value
		parts = append(parts, doseWords[field]+" "+text.String()+" "+doseUnits[field])
	}
	if !complete {
		return
	}
	given, field, err := doseOf(way, renal.IohexolSolution(s.values.Get("solution")), numbers)
	if err != nil {
		s.is(field, errorWord(err))
		return
	}
	// Binary noise is no part of a dose: a millionth of a milligram is kept.
	s.dose = json.Number(strconv.FormatFloat(clinical.Round(given, 6), 'f', -1, 64))
	value, _ := s.dose.Float64()
	s.study.Dose = clinical.NewMeasurement(value, ucum.Mg)
	s.study.SyringeResidualMeasured = clinical.Yes
	s.method = "by " + way + ": " + strings.Join(parts, ", ")
}

var (
	doseWords = map[string]string{"drawn_ml": "drawn up", "left_ml": "left", "full_g": "full syringe", "empty_g": "syringe after", "density": "density", "drawn_mg": "drawn up", "left_mg": "left"}
	// doseLacks asks for what is missing.
	doseLacks = map[string]string{
		"drawn_ml": "Enter the volume drawn up.", "left_ml": "Enter the volume left in the syringe, 0 where nothing was.", "full_g": "Enter the weight of the full syringe.",
		"empty_g": "Enter the weight of the syringe afterwards.", "density": "Enter the density.", "drawn_mg": "Enter the amount drawn up.", "left_mg": "Enter the amount left, 0 where nothing was.",
	}
	doseUnits = map[string]string{"drawn_ml": "mL", "left_ml": "mL", "full_g": "g", "empty_g": "g", "density": "g/mL", "drawn_mg": "mg", "left_mg": "mg"}
)

// doseOf returns the dose in mg, or what is wrong with which field.
func doseOf(way string, solution renal.IohexolSolution, n map[string]float64) (mg float64, field string, err error) {
	in := renal.IohexolDoseInput{Solution: solution}
	switch way {
	case byAmount:
		if n["left_mg"] >= n["drawn_mg"] {
			return 0, "left_mg", errors.New("as much is left as was drawn up")
		}
		given := n["drawn_mg"] - n["left_mg"]
		return given, "drawn_mg", clinical.CheckRange("dose", given, renal.LowestDoseMg, renal.HighestDoseMg, ucum.Mg)
	case byVolume:
		if n["left_ml"] >= n["drawn_ml"] {
			return 0, "left_ml", errors.New("as much is left as was drawn up")
		}
		in.Volume = clinical.NewMeasurement(n["drawn_ml"]-n["left_ml"], ucum.ML)
	default:
		in.FullSyringe, in.EmptySyringe = clinical.NewMeasurement(n["full_g"], ucum.Gram), clinical.NewMeasurement(n["empty_g"], ucum.Gram)
		in.Density = clinical.NewMeasurement(n["density"], ucum.GramPerML)
	}
	r, err := renal.IohexolDose(in)
	var fault *clinical.Error
	if errors.As(err, &fault) {
		field = map[string]string{
			"solution": "solution", "full syringe": "full_g", "empty syringe": "empty_g", "density": "density",
		}[fault.Field]
		if field == "" {
			field = doseFields[way][1]
		}
	}
	return r.Value.Value, field, err
}

// errorWord says what a formula does not accept.
func errorWord(err error) string {
	var fault *clinical.Error
	if !errors.As(err, &fault) {
		return capital(err.Error()) + "."
	}
	text := fault.Message
	if len(fault.Accepted) > 0 {
		words := make([]string, len(fault.Accepted))
		for i, a := range fault.Accepted {
			words[i] = unitWord(a)
		}
		text += "; accepted: " + strings.Join(words, ", ")
	}
	return capital(text) + "."
}

func (s *plasmaStudy) readSize(onRecord func(string, journey.Date) (result.Result, bool)) {
	for _, each := range []struct {
		name, code, unit string
		into             *clinical.Measurement
	}{{"height", heightCode, "cm", &s.study.Size.Height}, {"weight", weightCode, "kg", &s.study.Size.Weight}} {
		value, text, given := s.number(each.name)
		if !given {
			if strings.TrimSpace(s.values.Get(each.name)) == "" {
				s.lacks(each.name, "Enter the "+each.name+" of the day of the study.")
			}
			continue
		}
		*each.into = clinical.NewMeasurement(value, each.unit)
		read := sizeRead{name: each.name, code: each.code, unit: each.unit, value: text}
		if r, ok := onRecord(each.code, s.day()); ok && r.Value.Quantity != nil && r.Value.Quantity.Unit == each.unit {
			known, err := r.Value.Quantity.Float()
			read.kept = err == nil && known == value
		}
		s.sizes = append(s.sizes, read)
	}
	if len(s.sizes) < 2 {
		return
	}
	if _, err := body.SurfaceArea("", s.study.Size); err != nil {
		field := "weight"
		var fault *clinical.Error
		if errors.As(err, &fault) && strings.Contains(fault.Field, "height") {
			field = "height"
		}
		s.is(field, errorWord(err))
	}
}

// rowField names a field of a row.
func rowField(part string, row int) string { return part + "-" + strconv.Itoa(row) }

var clockTime = regexp.MustCompile(`^([01]?\d|2[0-3]):[0-5]\d$`)

func (s *plasmaStudy) readSamples() {
	for row := 1; row <= mostRows; row++ {
		when, typed := strings.TrimSpace(s.values.Get(rowField("time", row))), strings.TrimSpace(s.values.Get(rowField("value", row)))
		switch {
		case when == "" && typed == "":
			continue
		case when == "":
			s.is(rowField("time", row), "Enter the time of this sample, or clear its concentration.")
			continue
		case typed == "":
			s.is(rowField("value", row), "Enter the concentration, or clear the time of this sample.")
			continue
		}
		sample := plasmaSample{row: row, unit: s.values.Get(rowField("unit", row))}
		ok := s.timed(&sample, when)
		value, text, given := s.number(rowField("value", row))
		if !ok || !given {
			continue
		}
		sample.value = text
		measured := renal.Sample{
			Time:          clinical.NewMeasurement(sample.minutes, ucum.Minute),
			Concentration: clinical.NewMeasurement(value, sample.unit),
		}
		if err := renal.Iohexol.CheckSample(measured); err != nil {
			field := rowField("value", row)
			var fault *clinical.Error
			if errors.As(err, &fault) && strings.HasSuffix(fault.Field, "time") {
				field = rowField("time", row)
			}
			s.is(field, errorWord(err))
			continue
		}
		if i := slices.IndexFunc(s.samples, func(other plasmaSample) bool { return other.minutes == sample.minutes }); i >= 0 {
			s.is(rowField("time", row), fmt.Sprintf("Sample %d has the same time.", s.samples[i].row))
			continue
		}
		s.samples = append(s.samples, sample)
	}
	slices.SortStableFunc(s.samples, func(a, b plasmaSample) int { return cmp.Compare(a.minutes, b.minutes) })
	for _, sample := range s.samples {
		value, _ := sample.value.Float64()
		s.study.Samples = append(s.study.Samples, renal.Sample{
			Time: clinical.NewMeasurement(sample.minutes, ucum.Minute), Concentration: clinical.NewMeasurement(value, sample.unit),
		})
	}
	if len(s.samples) == 0 {
		s.lacks(rowField("time", 1), "Enter the samples.")
	}
}

// timed reads the time of a sample: minutes after the middle of the injection, or a
// time of day.
func (s *plasmaStudy) timed(sample *plasmaSample, when string) bool {
	field := rowField("time", sample.row)
	if !clockTime.MatchString(when) {
		minutes, ok := decimalOf(when)
		switch {
		case !ok:
			s.is(field, "Neither minutes after the middle of the injection, such as 120, nor a time of day, such as 10:35.")
			return false
		case minutes <= 0:
			s.is(field, "Not after the middle of the injection.")
			return false
		}
		// To the nanosecond: what is recorded is a time.
		sample.minutes = minutes
		if !s.middle.IsZero() && minutes < 1e6 {
			sample.at = s.middle.Add(time.Duration(math.Round(minutes * float64(time.Minute))))
			sample.minutes = sample.at.Sub(s.middle).Minutes()
		}
		return true
	}
	if s.middle.IsZero() {
		s.is(field, "A time of day needs the day of the study and when the injection began.")
		return false
	}
	if len(when) == len("9:05") {
		when = "0" + when
	}
	written, ok := instant(string(s.day()), when, s.zone)
	at, err := time.Parse(time.RFC3339, written)
	switch {
	case !ok || err != nil:
		s.is(field, "There is no such time on that day.")
	case !at.After(s.middle):
		s.is(field, "Not after the middle of the injection. Write minutes for a sample of the next day.")
	default:
		sample.at, sample.minutes = at, at.Sub(s.middle).Minutes()
		return true
	}
	return false
}

// known reports whether everything that a result stands on is there and can be read.
func (s *plasmaStudy) known() bool { return len(s.wrong) == 0 && len(s.missing) == 0 }

// parts are the names of the study's results, without the samples.
const (
	dosePart   = "dose"
	besidePart = "beside"
	leftPart   = "residual"
	samplePart = "sample-"
)

// results are what the study is recorded as.
func (s *plasmaStudy) results(p *protocol.Protocol) []command.Result {
	middle := s.middle.Format(time.RFC3339Nano)
	made := func(part, code, effective string) (command.Result, bool) {
		o, ok := p.Observation(code)
		r := command.Result{
			Identifier: result.Identifier{System: typedSystem, Value: s.id + "/" + part}, Status: result.Final, Category: o.Category,
			Code: result.Coding{System: command.LOINC, Code: o.Code, Display: o.Title}, Effective: effective,
		}
		if o.Local {
			r.Code.System = protocol.LocalSystem
		}
		return r, ok
	}
	var list []command.Result
	quantity := func(part, code, effective, method string, value json.Number, unit string) {
		if r, ok := made(part, code, effective); ok {
			r.Quantity, r.Method = &result.Quantity{Value: value, Unit: unit}, method
			list = append(list, r)
		}
	}
	coded := func(part, code string, yes bool) {
		o, _ := p.Observation(code)
		if r, ok := made(part, code, middle); ok {
			answer := o.Answers()[0]
			if yes {
				answer = o.Answers()[1]
			}
			r.Coded = &answer
			list = append(list, r)
		}
	}
	injected := "; injected " + s.values.Get("began")
	if ended := s.values.Get("ended"); ended != "" {
		injected += " to " + ended + ", timed from the middle"
	}
	quantity(dosePart, doseCode, middle, s.method+injected, s.dose, ucum.Mg)
	coded(leftPart, residualCode, true)
	coded(besidePart, besideCode, s.study.Extravasation == clinical.Yes)
	for _, size := range s.sizes {
		if !size.kept {
			quantity(size.name, size.code, middle, "", size.value, size.unit)
		}
	}
	for _, sample := range s.samples {
		quantity(samplePart+strconv.Itoa(sample.row), concentrationCode, sample.at.Format(time.RFC3339Nano), "", sample.value, sample.unit)
	}
	return list
}

// estimate is the estimated GFR that a measured one is compared with.
func estimate(report protocol.Report) clinical.Measurement {
	for _, d := range report.Derived {
		if d.Key == "egfr-creatinine" {
			if value, err := strconv.ParseFloat(d.Value, 64); err == nil {
				return clinical.NewMeasurement(value, d.Unit)
			}
		}
	}
	return clinical.Measurement{}
}

// measuredAs is the measured GFR that would be on record with further results, as
// the candidate's page would show it.
func measuredAs(sc scene, further []command.Result) (protocol.Derived, bool) {
	list := slices.Clone(sc.results)
	for _, r := range further {
		id := result.IDOf(r.Identifier)
		list = slices.DeleteFunc(list, func(known result.Result) bool { return known.ID == id })
		list = append(list, r.Record(id, 1, sc.protocol.Zone()))
	}
	report := sc.protocol.Assess(activities.PersonOf(sc.candidate), list, sc.today)
	i := slices.IndexFunc(report.Derived, func(d protocol.Derived) bool { return d.Key == measuredGFRKey })
	if i < 0 {
		return protocol.Derived{}, false
	}
	return report.Derived[i], true
}
