package followup

import (
	"errors"
	"slices"
	"strconv"
	"strings"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/renal"
	"candidacy/internal/clinical/units"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// Point is the estimated GFR of one day, or why there is none.
type Point struct {
	On         journey.Date
	Creatinine string
	GFR        float64
	// Early says that the day is in the first week after the operation, when
	// creatinine is not in steady state.
	Early bool
	Err   error

	input    protocol.Input
	measured clinical.Measurement
}

// Kidney is how the kidneys did before the operation and the remaining one since.
type Kidney struct {
	// Before are the estimates before the operation, After those after it. A
	// result of the day of the operation is of neither.
	Before, After []Point
	// Expected is what is expected of the newest estimate before it, nil without
	// one, and Unexpected why.
	Expected   *renal.AfterDonation
	Unexpected string
	// Flags are raised by the programme's limits. They answer no requirement.
	Flags []protocol.Flag
}

// steadyDays is the first week, in which an estimate is not judged. Common
// practice, no published source; renal.AfterDonationCourse holds the same.
const steadyDays = 7

// The observations that are read.
var (
	creatinineCodes = []string{"2160-0", "14682-9"}
	albuminCodes    = []string{"9318-7", "14959-1"}
	pressureCodes   = []string{"85354-9"}
	a1cCodes        = []string{"4548-4"}
)

// KidneyOf computes the course from the results on record up to a day. The limits
// are those of the present protocol: it is the programme that watches, whatever
// the donor was assessed by. Nothing of it reaches the assessment before the
// operation.
func KidneyOf(p *protocol.Protocol, person protocol.Person, results []result.Result, operated, today journey.Date) Kidney {
	var k Kidney
	if operated == "" {
		return k
	}
	usable := slices.DeleteFunc(slices.Clone(results), func(r result.Result) bool {
		return !r.Status.Usable() || today.Before(journey.Date(r.CollectedOn))
	})
	slices.SortFunc(usable, byDay)
	for _, r := range usable {
		day := journey.Date(r.CollectedOn)
		if !slices.Contains(creatinineCodes, r.Code.Code) || day == operated {
			continue
		}
		point := estimate(person, r)
		point.Early = operated.Before(day) && operated.DaysUntil(day) <= steadyDays
		if day.Before(operated) {
			k.Before = newestOfDay(k.Before, point)
		} else {
			k.After = newestOfDay(k.After, point)
		}
	}
	rules := p.AfterDonation
	if rules == nil {
		return k
	}
	k.expect(*rules)
	after := slices.DeleteFunc(usable, func(r result.Result) bool { return !operated.Before(journey.Date(r.CollectedOn)) })
	k.judge(*rules, operated, after)
	return k
}

// newestOfDay adds a point; of one day the last counts.
func newestOfDay(list []Point, p Point) []Point {
	if n := len(list); n > 0 && list[n-1].On == p.On {
		list[n-1] = p
		return list
	}
	return append(list, p)
}

func estimate(person protocol.Person, r result.Result) Point {
	point := Point{On: journey.Date(r.CollectedOn)}
	if r.Value.Quantity == nil {
		point.Err = errNotNumber
		return point
	}
	q := *r.Value.Quantity
	point.Creatinine = q.Comparator + q.Value.String() + " " + q.Unit
	point.input = inputOf("creatinine", r)
	point.measured, point.Err = measurement(r)
	if point.Err != nil {
		return point
	}
	e, err := renal.CKDEPICreatinine2021(point.measured, renal.Subject{
		Age: point.On.WholeYears(person.BirthDate), Sex: clinical.Sex(person.Sex),
	})
	point.Err = err
	if err == nil {
		point.GFR = e.Value.Value
	}
	return point
}

var (
	errNotNumber = errors.New("the result is no number")
	errLimit     = errors.New("the result is a limit and no number")
)

func measurement(r result.Result) (clinical.Measurement, error) {
	q := r.Value.Quantity
	switch {
	case q == nil:
		return clinical.Measurement{}, errNotNumber
	case q.Comparator != "":
		return clinical.Measurement{}, errLimit
	}
	number, err := q.Float()
	return clinical.Measurement{Quantity: units.Quantity{Value: number, Unit: q.Unit}, Date: r.Effective, Ref: r.ID}, err
}

func inputOf(name string, r result.Result) protocol.Input {
	q := r.Value.Quantity
	return protocol.Input{Name: name, Value: q.Comparator + q.Value.String(), Unit: q.Unit, Date: r.Effective, Result: r.ID}
}

// expect works out the range that is expected about a year after the operation.
func (k *Kidney) expect(rules protocol.AfterDonation) {
	if len(k.Before) == 0 {
		k.Unexpected = "no creatinine from before the operation is on record"
		return
	}
	before := k.Before[len(k.Before)-1]
	err := before.Err
	if err == nil {
		var expected renal.AfterDonation
		if expected, err = renal.ExpectedGFRAfterDonation(clinical.NewMeasurement(before.GFR, units.MLPerMinPer173M2), rules.Recovery()); err == nil {
			expected.Source = rules.SourceOfExpected
			k.Expected = &expected
			return
		}
	}
	k.Unexpected = err.Error()
}

// limit is one rule with the value that is held against it.
type limit struct {
	id, title, unit string
	bound           clinical.Bound
	threshold       float64
	// below says that the flag is raised under the threshold, and not from it on.
	below    bool
	decimals int
}

// flag holds a value against a limit, or says why it can't.
func (l limit) flag(rules protocol.AfterDonation, on journey.Date, value float64, err error, inputs []protocol.Input) protocol.Flag {
	if inputs == nil {
		inputs = []protocol.Input{}
	}
	sign := string(l.bound)
	if l.below {
		sign = "<"
	}
	f := protocol.Flag{
		ID: l.id, Title: l.title, Band: journey.Meets, Unit: l.unit, Source: rules.Source, Date: on, Inputs: inputs,
		Threshold: strings.TrimSpace("needs discussion when " + sign + " " + strconv.FormatFloat(l.threshold, 'g', -1, 64) + " " + unitText(l.unit)),
	}
	if err != nil {
		f.Band, f.Reason = journey.CannotDecide, err.Error()
		return f
	}
	f.Value, f.Shown = strconv.FormatFloat(value, 'f', -1, 64), clinical.DisplayBeside(value, l.threshold, l.decimals)
	reaches := value >= l.threshold
	if l.bound == clinical.MoreThan {
		reaches = value > l.threshold
	}
	if reaches != l.below {
		f.Band = journey.Discussion
	}
	f.Near = clinical.NearThreshold(value, l.bound, l.threshold, l.decimals)
	return f
}

func unitText(unit string) string {
	if unit == units.One {
		return ""
	}
	return unit
}

// PerYear is the unit of a change of the estimated GFR.
const PerYear = units.MLPerMinPer173M2 + "/a"

// judge raises the flags. Without a result there is none; one that can't be judged
// says so.
func (k *Kidney) judge(rules protocol.AfterDonation, operated journey.Date, after []result.Result) {
	if n := len(k.After); n > 0 {
		k.judgeCourse(rules, operated)
	}
	if r, ok := newest(after, albuminCodes); ok {
		l := limit{id: "after-albuminuria", title: "Albumin-to-creatinine ratio after donation", unit: units.MgPerG, bound: clinical.AtLeast, threshold: rules.AlbuminMgPerG, decimals: 0}
		k.Flags = append(k.Flags, l.albumin(rules, r))
	}
	k.judgePressure(rules, after)
	if r, ok := newest(after, a1cCodes); ok {
		l := limit{id: "after-haemoglobin-a1c", title: "Glycated haemoglobin after donation", unit: units.Percent, bound: clinical.AtLeast, threshold: rules.HaemoglobinA1c, decimals: 1}
		m, err := measurement(r)
		var inputs []protocol.Input
		if r.Value.Quantity != nil {
			inputs = append(inputs, inputOf("glycated haemoglobin", r))
		}
		k.Flags = append(k.Flags, l.flag(rules, journey.Date(r.CollectedOn), m.Value, err, inputs))
	}
}

// judgeCourse holds the estimates against renal.AfterDonationCourse, one flag for
// each of its limits.
func (k *Kidney) judgeCourse(rules protocol.AfterDonation, operated journey.Date) {
	last := k.After[len(k.After)-1]
	err := last.Err
	var in renal.FollowUpInput
	var inputs []protocol.Input
	for _, p := range k.After {
		if p.Err != nil {
			continue // the table beside the picture says why
		}
		in.Visits = append(in.Visits, renal.Visit{
			Since:      clinical.NewMeasurement(float64(operated.DaysUntil(p.On)), units.Day),
			GFR:        clinical.NewMeasurement(p.GFR, units.MLPerMinPer173M2),
			Creatinine: p.measured,
		})
		inputs = append(inputs, p.input)
	}
	var baseline error
	compared := slices.Clone(inputs[max(len(inputs)-1, 0):])
	switch n := len(k.Before); {
	case n == 0:
		baseline = errors.New("no creatinine from before the operation is on record")
	case k.Before[n-1].Err != nil:
		baseline = k.Before[n-1].Err
	default:
		in.Baseline = k.Before[n-1].measured
		before := k.Before[n-1].input
		before.Name = "creatinine before the operation"
		compared = append(compared, before)
	}
	var course renal.FollowUp
	if err == nil {
		course, err = renal.AfterDonationCourse(in, rules.Course())
	}
	if err == nil && course.Answer == renal.FollowUpTooEarly {
		err = errors.New("in the first week after donation creatinine is not in steady state")
	}
	low := limit{id: "after-egfr", title: "Estimated GFR after donation", unit: units.MLPerMinPer173M2, bound: clinical.AtLeast, threshold: rules.LowGFR, below: true}
	k.Flags = append(k.Flags, equation(low.flag(rules, last.On, last.GFR, err, inputs[max(len(inputs)-1, 0):])))

	fall := limit{id: "after-egfr-fall", title: "Fall of the estimated GFR a year, once it is below " + strconv.FormatFloat(rules.DecliningGFR, 'g', -1, 64), unit: PerYear, bound: clinical.MoreThan, threshold: rules.DeclinePerYear, decimals: 1}
	k.Flags = append(k.Flags, equation(k.fallFlag(fall, rules, last, course, err, inputs)))

	ratio := limit{id: "after-creatinine-ratio", title: "Creatinine over that before donation", unit: units.One, bound: clinical.MoreThan, threshold: rules.CreatinineRatio, decimals: 2}
	value, ratioErr := 0.0, err
	if ratioErr == nil {
		ratioErr = baseline
	}
	if ratioErr == nil {
		value, ratioErr = over(last.measured, in.Baseline)
	}
	k.Flags = append(k.Flags, ratio.flag(rules, last.On, value, ratioErr, compared))
}

func equation(f protocol.Flag) protocol.Flag {
	f.Equation = "ckdepi-cr-2021"
	return f
}

// fallFlag takes the steeper of the fall over all visits and that since the visit
// before. An estimate that is not low needs no trend.
func (k *Kidney) fallFlag(l limit, rules protocol.AfterDonation, last Point, course renal.FollowUp, err error, inputs []protocol.Input) protocol.Flag {
	if err != nil {
		return l.flag(rules, last.On, 0, err, inputs)
	}
	known, fall := false, 0.0
	for _, change := range []*float64{course.ChangePerYear, course.ChangeSinceLast} {
		if change != nil && (!known || -*change > fall) {
			known, fall = true, -*change
		}
	}
	low := last.GFR < rules.DecliningGFR
	switch {
	case !known, low && fall <= rules.DeclinePerYear && course.ChangePerYear == nil:
		f := l.flag(rules, last.On, 0, errors.New("the change a year is not known: two visits a year apart after the first half year are needed"), inputs)
		if !low {
			f.Band, f.Reason = journey.Meets, ""
			f.Warnings = []string{"the estimate is not low, so that its trend decides nothing yet"}
		}
		return f
	case !low:
		f := l.flag(rules, last.On, fall, nil, inputs)
		f.Band, f.Near = journey.Meets, false
		return f
	}
	return l.flag(rules, last.On, fall, nil, inputs)
}

// over is the ratio of two creatinines, in whatever units they are.
func over(newest, baseline clinical.Measurement) (float64, error) {
	a, err := newest.In("creatinine", units.SerumCreatinine, units.MgPerDL)
	if err != nil {
		return 0, err
	}
	b, err := baseline.In("creatinine before the operation", units.SerumCreatinine, units.MgPerDL)
	if err != nil {
		return 0, err
	}
	return a / b, nil
}

// albumin converts the ratio, and judges a limit such as "<5" where it leaves
// nothing open.
func (l limit) albumin(rules protocol.AfterDonation, r result.Result) protocol.Flag {
	on := journey.Date(r.CollectedOn)
	q := r.Value.Quantity
	if q == nil {
		return l.flag(rules, on, 0, errNotNumber, nil)
	}
	inputs := []protocol.Input{inputOf("albumin-to-creatinine ratio", r)}
	number, err := q.Float()
	if err != nil {
		return l.flag(rules, on, 0, err, inputs)
	}
	ratio, err := units.Convert(units.AlbuminCreatinineRatio, units.Quantity{Value: number, Unit: q.Unit}, units.MgPerG)
	decided := ratio.Value <= l.threshold && strings.HasPrefix(q.Comparator, "<") && (q.Comparator == "<" || ratio.Value < l.threshold) ||
		ratio.Value >= l.threshold && strings.HasPrefix(q.Comparator, ">")
	switch {
	case err != nil, q.Comparator == "":
		return l.flag(rules, on, ratio.Value, err, inputs)
	case !decided:
		return l.flag(rules, on, 0, errLimit, inputs)
	}
	f := l.flag(rules, on, ratio.Value, nil, inputs)
	f.Value, f.Shown, f.Near = q.Comparator+f.Value, q.Comparator+f.Shown, false
	f.Band = journey.Meets
	if strings.HasPrefix(q.Comparator, ">") {
		f.Band = journey.Discussion
	}
	return f
}

// judgePressure takes the mean of the readings of the newest day with one. Common
// practice, no published source.
func (k *Kidney) judgePressure(rules protocol.AfterDonation, after []result.Result) {
	r, ok := newest(after, pressureCodes)
	if !ok {
		return
	}
	for _, part := range []struct {
		code, id, title string
		threshold       float64
	}{
		{"8480-6", "after-systolic", "Systolic pressure after donation", rules.Systolic},
		{"8462-4", "after-diastolic", "Diastolic pressure after donation", rules.Diastolic},
	} {
		l := limit{id: part.id, title: part.title, unit: units.MmHg, bound: clinical.AtLeast, threshold: part.threshold}
		var sum float64
		var inputs []protocol.Input
		var err error
		for _, each := range after {
			if each.Code.Code != r.Code.Code || each.CollectedOn != r.CollectedOn {
				continue
			}
			c, _ := each.Component(part.code)
			each.Value = c.Value
			m, problem := measurement(each)
			if problem == nil && m.Unit != units.MmHg {
				problem = errors.New("the pressure is not in " + units.MmHg)
			}
			if problem != nil {
				err = problem
				continue
			}
			sum += m.Value
			inputs = append(inputs, inputOf(strings.ToLower(part.title[:1])+part.title[1:], each))
		}
		k.Flags = append(k.Flags, l.flag(rules, journey.Date(r.CollectedOn), sum/float64(max(len(inputs), 1)), err, inputs))
	}
}

// newest is the last of the results with one of the codes.
func newest(sorted []result.Result, codes []string) (result.Result, bool) {
	for _, r := range slices.Backward(sorted) {
		if slices.Contains(codes, r.Code.Code) {
			return r, true
		}
	}
	return result.Result{}, false
}
