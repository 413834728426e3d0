package protocol

import (
	"cmp"
	"errors"
	"maps"
	"slices"
	"strconv"
	"strings"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/renal"
	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// Trend is one measured or computed quantity over time.
type Trend struct {
	// Key is the code of a reported quantity, panel/part of a part of a panel, or the
	// key of a computed value.
	Key    string
	Title  string
	Domain string
	// Requirement is the one that the quantity answers, empty without one.
	Requirement string
	Computed    bool
	// Unit is that of the numbers of all points, in UCUM.
	Unit string
	// Decimals is how the rule shows it, -1 where no rule reads it.
	Decimals int
	// Rules read the quantity and may concern the candidate.
	Rules []*FlagRule
	// Points come in order of time.
	Points []TrendPoint
}

// TrendPoint is one value of a trend.
type TrendPoint struct {
	Day                     journey.Date
	Effective, EffectiveEnd string
	// Value is as it was reported, in ReportedUnit, or computed and unrounded.
	Value, ReportedUnit string
	// Number is the value in the unit of the trend, if Placed. It is not rounded.
	Number float64
	Placed bool
	// Comparator makes the number a limit.
	Comparator string
	// Method tells series apart that are not to be compared as one.
	Method string
	// Interval is in the unit of the trend; without one the uncertainty is not stated.
	Interval *Interval
	// Band is the gravest that the rules say of the value, whatever its age; empty
	// without a rule, or where it can't be placed.
	Band journey.Band
	// Left says why no rule reads the value, empty where rules may.
	Left string
	// After says that the value is of the time after the operation: no rule of the
	// evaluation judges it, and it is not compared with one before.
	After bool
	// Result is the id of a reported one, with its version.
	Result  string
	Version int
	Inputs  []Input
}

// Series names what a line may join: one method, in one unit as it was reported, on one
// side of the operation.
func (t TrendPoint) Series() string {
	side := "before"
	if t.After {
		side = "after"
	}
	return t.ReportedUnit + "\x00" + t.Method + "\x00" + side
}

// steadyDays is the first week after the operation, in which what is computed from
// creatinine says nothing: it is not in steady state. Common practice, no published
// source.
const steadyDays = 7

// unsteady are the computed values that stand on creatinine in steady state.
var unsteady = []string{"egfr-creatinine", "creatinine-clearance", "clearance-difference"}

// untrended are the computed values that are no quantities of their own over time.
var untrended = []string{"age", "age-at-operation", "path", "sex", "recipient-known", "abo-group", flagsForDiscussion}

// trendTitles name the computed values that no rule has to name.
var trendTitles = map[string]string{
	"bmi": "Body mass index", "egfr-creatinine": "Estimated GFR from creatinine", "gfr-plasma-clearance": "Measured GFR by plasma clearance",
	"creatinine-clearance": "Creatinine clearance", "clearance-difference": "Difference of estimate and clearance",
	"office-systolic": "Office systolic pressure, mean", "office-diastolic": "Office diastolic pressure, mean",
	"ambulatory-day-systolic": "Ambulatory systolic pressure, day mean", "ambulatory-day-diastolic": "Ambulatory diastolic pressure, day mean",
	"ambulatory-night-systolic": "Ambulatory systolic pressure, night mean", "ambulatory-night-diastolic": "Ambulatory diastolic pressure, night mean",
	"ambulatory-24h-systolic": "Ambulatory systolic pressure, 24-hour mean", "ambulatory-24h-diastolic": "Ambulatory diastolic pressure, 24-hour mean",
	"acr-mg-per-g": "Albumin-to-creatinine ratio", "acr-mg-per-mmol": "Albumin-to-creatinine ratio, molar",
	"albumin-excretion": "Albumin excretion in 24 hours", "haematuria-samples": "Urine samples with red cells",
}

// Course is what trends are made of.
type Course struct {
	Person  Person
	Results []result.Result
	// Shown are the results whose own values somebody may see, and Replaced those that
	// were corrected since, as they were before.
	Shown, Replaced []result.Result
	Today           journey.Date
	// Operated is the day of the operation, empty before it.
	Operated journey.Date
	// HidesFlag and HidesCode leave rules and values out.
	HidesFlag, HidesCode func(string) bool
}

// Trends are the quantities on record up to a day, each with every value. A computed
// one has a point for each day on which its results changed, computed by the same code
// from what had been collected by then. Rules see unrounded numbers.
func (p *Protocol) Trends(c Course) []Trend {
	now := p.begin(c.Person, historyOf(c.Results), c.Today)
	w := trendWork{assessment: now, course: c, at: map[string]int{}}
	for i := range c.Shown {
		w.reported(&c.Shown[i], "")
	}
	for i := range c.Replaced {
		w.reported(&c.Replaced[i], "replaced by a correction")
	}
	told := w.computed()
	w.trends = slices.DeleteFunc(w.trends, func(t Trend) bool {
		if panel, part, _ := strings.Cut(t.Key, "/"); c.HidesCode(panel) || c.HidesCode(part) {
			return true
		}
		// Under a name of its own the quantity is there with its rule.
		return !t.Computed && len(t.Rules) == 0 && !slices.ContainsFunc(t.Points, func(point TrendPoint) bool { return !told[point.Result] })
	})
	for i := range w.trends {
		w.trends[i].finish(p, c.Operated)
	}
	return w.trends
}

type trendWork struct {
	*assessment
	course Course
	trends []Trend
	at     map[string]int
}

// trend is the one of a key, which may be new.
func (w *trendWork) trend(key string, codes ...string) *Trend {
	i, ok := w.at[key]
	if !ok {
		i = len(w.trends)
		w.at[key] = i
		t := Trend{Key: key, Decimals: -1, Title: trendTitles[key]}
		for r := range w.protocol.Flags {
			rule := &w.protocol.Flags[r]
			if rule.Coded || w.course.HidesFlag(rule.ID) || !slices.Contains(strings.Fields(rule.Of), key) ||
				rule.condition != nil && w.known().answer(rule.condition).holds == journey.HoldsNo {
				continue
			}
			t.Rules = append(t.Rules, rule)
		}
		if len(t.Rules) > 0 {
			t.Requirement, t.Title, t.Decimals = t.Rules[0].Requirement, t.Rules[0].Title, t.Rules[0].Decimals
		} else {
			t.Requirement = w.protocol.answered(codes)
		}
		if r, ok := w.protocol.Find(t.Requirement); ok {
			t.Domain = r.Domain
		}
		w.trends = append(w.trends, t)
	}
	return &w.trends[i]
}

// answered is the first requirement that results of one of the codes are for.
func (p *Protocol) answered(codes []string) string {
	for i := range p.Requirements {
		r := &p.Requirements[i]
		for _, set := range slices.Concat(r.LOINC, r.Local) {
			if slices.ContainsFunc(set, func(code string) bool { return slices.Contains(codes, code) }) {
				return r.ID
			}
		}
	}
	return ""
}

// reported adds a result, whatever its status, with why no rule reads it.
func (w *trendWork) reported(r *result.Result, left string) {
	point := TrendPoint{
		Day: journey.Date(r.CollectedOn), Effective: r.Effective, EffectiveEnd: r.EffectiveEnd, Method: r.Method, Result: r.ID, Version: r.Version,
		Left: left,
	}
	if left == "" && !r.Status.Usable() {
		point.Left = strings.ReplaceAll(string(r.Status), "-", " ")
	}
	add := func(key, title, category string, q result.Quantity, codes ...string) {
		t := w.trend(key, codes...)
		if t.Title == "" {
			t.Title = title
		}
		if t.Domain == "" {
			t.Domain = category
		}
		each := point
		each.Value, each.ReportedUnit, each.Comparator = q.Comparator+q.Value.String(), q.Unit, q.Comparator
		var err error
		each.Number, err = q.Float()
		each.Placed = err == nil
		t.Points = append(t.Points, each)
	}
	title := func(c result.Coding) string {
		o, _ := w.protocol.Observation(c.Code)
		return cmp.Or(o.Title, c.Display, c.Code)
	}
	if q := r.Value.Quantity; q != nil {
		add(r.Code.Code, title(r.Code), r.Category, *q, r.Code.Code)
	}
	for _, c := range r.Components {
		if q := c.Value.Quantity; q != nil {
			add(r.Code.Code+"/"+c.Code.Code, title(r.Code)+": "+title(c.Code), r.Category, *q, r.Code.Code)
		}
	}
}

// computed adds what follows from the results of each day, and tells which results
// have another name there.
func (w *trendWork) computed() (told map[string]bool) {
	results := w.course.Results
	told = map[string]bool{}
	keys := slices.DeleteFunc(slices.Sorted(maps.Keys(derivedKeys)), func(key string) bool { return slices.Contains(untrended, key) })
	days := map[string]bool{}
	for i := range results {
		r := &results[i]
		if r.Status.Usable() && slices.ContainsFunc(keys, func(key string) bool { return slices.Contains(derivedKeys[key], r.Code.Code) }) {
			days[r.CollectedOn] = true
		}
	}
	last := map[string]string{}
	for _, day := range slices.Sorted(maps.Keys(days)) {
		then := w.protocol.begin(w.course.Person, w.history.until(day), journey.Date(day))
		for _, key := range keys {
			v := then.at(key).value
			if v == nil || v.err != nil && !errors.Is(v.err, errLimit) || v.coded()+v.word != "" || v.fingerprint() == last[key] {
				continue
			}
			last[key] = v.fingerprint()
			t := w.trend(key, derivedKeys[key]...)
			t.Computed = true
			point := TrendPoint{
				Day: v.date, Effective: string(v.date), Value: v.comparator + strconv.FormatFloat(v.number, 'g', -1, 64), ReportedUnit: v.unit, Number: v.number,
				Placed: true, Comparator: v.comparator, Method: v.equation, Interval: v.interval, Inputs: v.inputs,
			}
			if v.reported != nil {
				told[v.reported.ID] = true
				point.Result, point.Version, point.Effective, point.Method = v.reported.ID, v.reported.Version, v.reported.Effective, v.reported.Method
			}
			if key == "egfr-creatinine" {
				a := renal.CKDEPICreatinine2021Accuracy
				low, high := a.Measured(v.number)
				point.Interval = &Interval{Low: low, High: high, Coverage: a.Share, Method: a.Source}
			}
			t.Points = append(t.Points, point)
		}
	}
	return told
}

// finish brings the points into order and one unit, and says their bands.
func (t *Trend) finish(p *Protocol, operated journey.Date) {
	slices.SortStableFunc(t.Points, func(a, b TrendPoint) int {
		return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Effective, b.Effective), cmp.Compare(a.Result, b.Result))
	})
	t.Unit = t.Points[len(t.Points)-1].ReportedUnit
	factors := map[string]float64{}
	if len(t.Rules) > 0 {
		t.Unit, factors = t.Rules[0].Unit, t.Rules[0].factors
	} else if o, ok := p.Observation(t.Key); ok && len(o.Factors) == len(o.Units) {
		if to := slices.Index(o.Units, t.Unit); to >= 0 {
			for i, unit := range o.Units {
				factors[unit] = o.Factors[to] / o.Factors[i]
			}
		}
	}
	for i := range t.Points {
		point := &t.Points[i]
		if operated != "" && !point.Day.Before(operated) {
			point.After = true
			if operated.DaysUntil(point.Day) <= steadyDays && point.Left == "" && slices.Contains(unsteady, t.Key) {
				point.Left = "within a week of the operation, not in steady state"
			}
		}
		factor := factors[point.ReportedUnit]
		if point.ReportedUnit == t.Unit {
			factor = 1
		}
		if factor == 0 {
			point.Placed, point.Interval = false, nil
			continue
		}
		point.Number *= factor
		if point.Interval != nil && factor != 1 {
			scaled := *point.Interval
			scaled.Low, scaled.High = scaled.Low*factor, scaled.High*factor
			point.Interval = &scaled
		}
		if point.Left == "" && point.Placed && !point.After {
			point.Band = t.bandOf(point)
		}
	}
}

// bandOf is the gravest band that the rules say of a point.
func (t *Trend) bandOf(point *TrendPoint) (band journey.Band) {
	for _, rule := range t.Rules {
		if rule.Unit != t.Unit {
			continue
		}
		v := value{number: point.Number, unit: t.Unit, comparator: point.Comparator}
		if point.Comparator != "" {
			v.err = errLimit
		}
		if is := rule.place(&v); band == "" || is.band.Graver(band) {
			band = is.band
		}
	}
	return band
}

// BandAt is the gravest band of a number in the unit of the trend.
func (t *Trend) BandAt(number float64) journey.Band {
	return t.bandOf(&TrendPoint{Number: number})
}

// Thresholds are where the bands of the rules change, in order.
func (t *Trend) Thresholds() []float64 {
	var list []float64
	for _, rule := range t.Rules {
		if rule.Unit != t.Unit {
			continue
		}
		for _, b := range rule.Bands {
			list = append(list, b.threshold)
		}
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// Display is a number of the trend as it is shown, or as it is where no rule says how.
func (t *Trend) Display(number float64) string {
	if t.Decimals < 0 {
		return strconv.FormatFloat(number, 'g', 6, 64)
	}
	return clinical.Display(number, t.Decimals)
}
