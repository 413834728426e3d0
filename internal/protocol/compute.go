package protocol

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/pressure"
	"candidacy/internal/clinical/renal"
	"candidacy/internal/clinical/units"
	"candidacy/internal/clinical/urine"
	"candidacy/internal/journey"
)

// compute derives every value that the results allow.
func (a *assessment) compute() {
	a.age()
	a.words()
	a.massIndex()
	a.officePressure()
	a.ambulatoryPressure()
	a.estimatedGFR()
	a.plasmaClearance()
	a.creatinineClearance()
	a.clearanceDifference()
	a.haematuriaSamples()
	a.albuminExcretion()
}

// derive offers a computed value to the rules and to readers. With an error the
// rules learn why there is none, and readers get nothing.
func (a *assessment) derive(d Derived, from []*charted, r clinical.Result, err error) {
	v := value{err: err, derived: d.Key, equation: r.Equation, evidence: make([]string, 0, len(from))}
	v.inputs, v.warnings = slices.Grow(v.inputs, len(r.Inputs)), slices.Grow(v.warnings, len(r.Warnings))
	for _, each := range from {
		v.evidence = append(v.evidence, each.evidence)
		if day := journey.Date(each.CollectedOn); v.date.Before(day) {
			v.date = day
		}
	}
	for _, in := range r.Inputs {
		v.inputs = append(v.inputs, inputFrom(in))
	}
	for _, w := range r.Warnings {
		v.warnings = append(v.warnings, w.Message)
	}
	v.number, v.unit, v.interval = r.Value.Value, r.Value.Unit, intervalOf(r.Interval)
	if err == nil {
		d.Interval = v.interval
		d.Value = strconv.FormatFloat(r.Value.Value, 'f', -1, 64)
		d.Unit, d.Equation, d.Source = r.Value.Unit, r.Equation, r.Source
		d.Inputs, d.Warnings = v.inputs, v.warnings
		if d.Effective == "" {
			d.Effective = from[len(from)-1].Effective
		}
		a.derived = append(a.derived, d)
	} else {
		for _, each := range from {
			if each.Value.Quantity != nil {
				v.inputs = append(v.inputs, inputOf(each, ""))
			}
		}
	}
	a.at(d.Key).value = &v
}

func intervalOf(i *clinical.Interval) *Interval {
	if i == nil {
		return nil
	}
	return &Interval{Low: i.Low, High: i.High, Coverage: i.Coverage, Method: i.Method}
}

func inputFrom(in clinical.Input) Input {
	out := Input{Name: in.Name, Date: in.Measurement.Date, Result: in.Measurement.Ref}
	if in.Choice != "" {
		out.Value = in.Choice
		return out
	}
	out.Value, out.Unit = strconv.FormatFloat(in.Measurement.Value, 'g', -1, 64), in.Measurement.Unit
	return out
}

// ageOn is the age in completed years on the day of a sample.
func (a *assessment) ageOn(day string) int { return journey.Date(day).WholeYears(a.person.BirthDate) }

func (a *assessment) sex() clinical.Sex { return clinical.Sex(a.person.Sex) }

func (a *assessment) age() {
	a.at("age").value = a.ageValue(a.today)
	// A screening depends on the age at which the operation is planned.
	on := a.today
	if on.Before(a.person.Planned) {
		on = a.person.Planned
	}
	a.at("age-at-operation").value = a.ageValue(on)
}

func (a *assessment) ageValue(on journey.Date) *value {
	years := on.WholeYears(a.person.BirthDate)
	v := &value{number: float64(years), unit: units.Year, date: a.today, equation: "completed-years"}
	if years < 0 {
		v.err = errors.New("the birth date is not before today")
	}
	// The age is the evidence: a birthday that changes the band is a change.
	v.evidence = []string{"age " + strconv.Itoa(years)}
	return v
}

// words offers what is known of a candidate without a result.
func (a *assessment) words() {
	if a.person.Sex != "" {
		a.at("sex").value = &value{word: a.person.Sex, date: a.today}
	}
	if a.person.Path == "" {
		return
	}
	a.at("path").value = &value{word: a.person.Path, date: a.today}
	known := clinical.No
	if a.person.RecipientKnown {
		known = clinical.Yes
	}
	a.at("recipient-known").value = &value{answer: string(known), date: a.today}
}

// bloodGroup offers the ABO group, once all samples agree on it.
func (a *assessment) bloodGroup() {
	if len(a.samples) == 0 {
		return
	}
	first, last := a.samples[0], a.samples[len(a.samples)-1]
	group, _, _ := strings.Cut(first.Type, " ")
	if group != "" && !slices.ContainsFunc(a.samples, func(s BloodSample) bool { return s.Type != first.Type }) {
		a.at("abo-group").value = &value{word: group, date: journey.Date(last.day)}
	}
}

// clearanceDifference compares the two ways to the filtration rate, which are in
// one unit.
func (a *assessment) clearanceDifference() {
	estimate, clearance := a.at("egfr-creatinine").value, a.at("creatinine-clearance").value
	if estimate == nil || clearance == nil {
		return
	}
	v := &value{
		unit: clearance.unit, date: clearance.date, equation: "absolute-difference",
		inputs: slices.Concat(estimate.inputs, clearance.inputs), evidence: slices.Concat(estimate.evidence, clearance.evidence),
		err: cmp.Or(estimate.err, clearance.err),
	}
	if estimate.unit != clearance.unit && v.err == nil {
		v.err = errors.New("the estimate and the clearance are in different units")
	}
	v.number = math.Abs(estimate.number - clearance.number)
	a.at("clearance-difference").value = v
}

// haematuriaSamples counts, among the urine samples of the last three days with
// one, those with more red cells than the laboratory's limit: one asks for
// repeats and two persist. Source: KDIGO 2017, chapter 7 (from memory).
func (a *assessment) haematuriaSamples() {
	const weighed = 3
	limit := urine.DefaultHaematuriaRule().LaboratoryLimit
	v := &value{unit: units.One, equation: "haematuria-2-of-3-kdigo-2017"}
	above := map[string]bool{}
	var days []string
	for _, r := range a.all("13945-1") {
		if !slices.Contains(days, r.CollectedOn) {
			if len(days) == weighed {
				break
			}
			days = append(days, r.CollectedOn)
		}
		if r.Value.Quantity == nil {
			v.err = errNotNumber
			continue
		}
		number, err := exactly(*r.Value.Quantity)
		if err != nil {
			v.err = err
			continue
		}
		above[r.CollectedOn] = above[r.CollectedOn] || number > limit
		v.evidence = append(v.evidence, r.evidence)
		v.inputs = append(v.inputs, inputOf(r, ""))
	}
	if len(days) == 0 {
		return
	}
	v.date = journey.Date(days[0])
	for _, day := range days {
		if above[day] {
			v.number++
		}
	}
	a.at("haematuria-samples").value = v
}

// weightDays is how far a weight may lie from the day of a measurement that is
// indexed with it; common practice, no published source. An adult's height
// doesn't change.
const weightDays = 183

// size returns the height and the weight that were taken nearest to the day.
func (a *assessment) size(day string) (body.Size, []*charted, error) {
	var size body.Size
	var used []*charted
	for _, part := range []struct {
		code, name string
		within     int
		into       *clinical.Measurement
	}{{"8302-2", "height", 0, &size.Height}, {"29463-7", "weight", weightDays, &size.Weight}} {
		r, days, ok := a.nearest(part.code, day)
		if !ok || part.within > 0 && days > part.within {
			return size, used, fmt.Errorf("%s: no result near the day of the measurement", part.name)
		}
		m, err := measurement(r)
		if err != nil {
			return size, used, fmt.Errorf("%s: %w", part.name, err)
		}
		*part.into = m
		used = append(used, r)
	}
	return size, used, nil
}

// nearest returns the result of the code that lies nearest to a day, of two as
// near the newer, and how many days lie between.
func (a *assessment) nearest(code, day string) (*charted, int, bool) {
	var best *charted
	days, found := 0, false
	for _, r := range a.all(code) {
		between := journey.Date(r.CollectedOn).DaysUntil(journey.Date(day))
		if between < 0 {
			between = -between
		}
		if !found || between < days {
			best, days, found = r, between, true
		}
	}
	return best, days, found
}

func (a *assessment) massIndex() {
	weight, weighed := a.newest("29463-7")
	height, measured := a.newest("8302-2")
	if !weighed || !measured {
		return
	}
	// Whichever of the two came first: an adult's height does not change.
	size, used, err := a.size(max(weight.CollectedOn, height.CollectedOn))
	if err != nil {
		used = []*charted{height, weight}
	}
	var r clinical.Result
	if err == nil {
		r, err = body.MassIndex(size)
	}
	a.derive(Derived{Key: "bmi", Title: "Body mass index", LOINC: "39156-5", Category: "vital-signs"}, used, r, err)
}

// readings makes pressures from panels.
func readings(panels []*charted) ([]pressure.Reading, error) {
	list := make([]pressure.Reading, 0, len(panels))
	for _, p := range panels {
		systolic, err := componentOf(p, "8480-6")
		if err != nil {
			return nil, err
		}
		diastolic, err := componentOf(p, "8462-4")
		if err != nil {
			return nil, err
		}
		list = append(list, pressure.Reading{Systolic: systolic, Diastolic: diastolic, Date: p.Effective, Ref: p.ID})
	}
	return list, nil
}

func componentOf(panel *charted, code string) (units.Quantity, error) {
	c, ok := panel.Component(code)
	if !ok || c.Value.Quantity == nil {
		return units.Quantity{}, fmt.Errorf("a pressure lacks its component %s", code)
	}
	number, err := exactly(*c.Value.Quantity)
	return units.Quantity{Value: number, Unit: c.Value.Quantity.Unit}, err
}

// pressurePair derives a mean pressure: both parts for the rules, and one panel
// for readers.
func (a *assessment) pressurePair(key, title string, from []*charted, mean pressure.Mean, err error) {
	systolic := Derived{Key: key + "-systolic", Title: title, Category: "vital-signs"}
	before := len(a.derived)
	a.derive(systolic, from, mean.Systolic, err)
	a.derive(Derived{Key: key + "-diastolic", Title: title, Category: "vital-signs"}, from, mean.Diastolic, err)
	if err != nil {
		return
	}
	pair := a.derived[before : before+2]
	panel := pair[0]
	panel.Key, panel.LOINC, panel.Value, panel.Unit = key+"-mean", "85354-9", "", ""
	panel.Components = []DerivedComponent{
		{LOINC: "8480-6", Title: "Systolic blood pressure", Value: pair[0].Value, Unit: pair[0].Unit},
		{LOINC: "8462-4", Title: "Diastolic blood pressure", Value: pair[1].Value, Unit: pair[1].Unit},
	}
	a.derived = append(a.derived[:before], panel)
	for _, part := range []string{systolic.Key, key + "-diastolic"} {
		a.at(part).value.derived = panel.Key
	}
}

// officePressure takes the readings of one day as one sitting.
func (a *assessment) officePressure() {
	panels := oldestFirst(a.all("85354-9"))
	if len(panels) == 0 {
		return
	}
	// The evaluation's year: older readings say nothing of the candidate now.
	newest := journey.Date(panels[len(panels)-1].CollectedOn)
	panels = slices.DeleteFunc(panels, func(r *charted) bool {
		return journey.Date(r.CollectedOn).DaysUntil(newest) > 365
	})
	list, err := readings(panels)
	var office pressure.Office
	if err == nil {
		var sittings []pressure.Sitting
		for i, r := range list {
			if i == 0 || panels[i].CollectedOn != panels[i-1].CollectedOn {
				sittings = append(sittings, pressure.Sitting{})
			}
			last := &sittings[len(sittings)-1]
			last.Readings = append(last.Readings, r)
		}
		office, err = pressure.OfficeMean(sittings)
		if err == nil && office.Class == pressure.Unclassified {
			err = errors.New("two readings on each of two occasions are needed")
		}
	}
	a.pressurePair("office", "Office blood pressure, mean", panels, office.Mean, err)
}

// ambulatoryPressure computes the means of the newest monitoring. Readings of
// an earlier one say nothing of the candidate now.
func (a *assessment) ambulatoryPressure() {
	panels := oldestFirst(a.all("ambulatory-reading"))
	if len(panels) == 0 {
		return
	}
	newest := panels[len(panels)-1]
	panels = slices.DeleteFunc(panels, func(r *charted) bool { return !sameMonitoring(r, newest) })
	attempted, ok := a.newest("ambulatory-attempted")
	ok = ok && sameMonitoring(attempted, newest)
	var monitored pressure.Ambulatory
	list, err := readings(panels)
	used := panels
	switch {
	case err != nil:
	case !ok:
		err = errors.New("the number of readings attempted is needed")
	default:
		used = append(slices.Clone(panels), attempted)
		monitored, err = a.ambulatoryMeans(list, attempted)
	}
	a.pressurePair("ambulatory-day", "Ambulatory blood pressure, day mean", used, monitored.Day, err)
	a.pressurePair("ambulatory-night", "Ambulatory blood pressure, night mean", used, monitored.Night, err)
	a.pressurePair("ambulatory-24h", "Ambulatory blood pressure, 24-hour mean", used, monitored.Whole, err)
}

// monitoringHours bounds how long one monitoring lasts.
const monitoringHours = 48

// sameMonitoring reports whether a result lies close enough to the newest
// reading to belong to its monitoring. What has no time of day is kept by its
// day, for the computation to refuse.
func sameMonitoring(r, newest *charted) bool {
	at, errA := r.EffectiveAt()
	last, errB := newest.EffectiveAt()
	if errA != nil || errB != nil {
		days := journey.Date(r.CollectedOn).DaysUntil(journey.Date(newest.CollectedOn))
		return -1 <= days && days <= 1
	}
	return last.Sub(at).Abs() <= monitoringHours*time.Hour
}

func (a *assessment) ambulatoryMeans(list []pressure.Reading, attempted *charted) (pressure.Ambulatory, error) {
	m, err := measurement(attempted)
	if err != nil {
		return pressure.Ambulatory{}, err
	}
	var timed []pressure.AmbulatoryReading
	for _, r := range list {
		at, err := time.Parse(time.RFC3339, r.Date)
		if err != nil {
			return pressure.Ambulatory{}, errors.New("an ambulatory reading has no time of day")
		}
		period, err := pressure.PeriodOfHour(at.In(a.protocol.zone).Hour())
		if err != nil {
			return pressure.Ambulatory{}, err
		}
		timed = append(timed, pressure.AmbulatoryReading{Reading: r, Period: period})
	}
	return pressure.AmbulatoryMeans(timed, int(m.Quantity.Value))
}

func oldestFirst(list []*charted) []*charted {
	slices.Reverse(list)
	return list
}

func (a *assessment) estimatedGFR() {
	r, ok := a.newest("2160-0", "14682-9")
	if !ok {
		return
	}
	m, err := measurement(r)
	var estimate renal.Estimate
	if err == nil {
		estimate, err = renal.CKDEPICreatinine2021(m, renal.Subject{Age: a.ageOn(r.CollectedOn), Sex: a.sex()})
	}
	a.derive(Derived{
		Key: "egfr-creatinine", Title: "Estimated GFR from creatinine (CKD-EPI 2021)", LOINC: "98979-8", Category: "laboratory",
	}, []*charted{r}, estimate.Result, err)
}

// plasmaClearance uses the newest dose and the samples that follow it.
func (a *assessment) plasmaClearance() {
	dose, ok := a.newest("iohexol-dose")
	if !ok {
		return
	}
	used := []*charted{dose}
	methods := a.protocol.Methods
	study := methods.plasma(renal.PlasmaStudy{})
	var measured clinical.Result
	err := a.clearanceStudy(dose, &study, &used)
	switch {
	case err != nil:
	case methods.PlasmaClearance == TwoCompartment:
		var g renal.TwoCompartmentGFR
		g, err = renal.TwoCompartment(study)
		measured = g.Result
	default:
		var g renal.SlopeInterceptGFR
		g, err = renal.SlopeIntercept(renal.SlopeInterceptInput{PlasmaStudy: study, Correction: renal.Correction(methods.PlasmaCorrection)})
		measured = g.Result
	}
	a.derive(Derived{
		Key: "gfr-plasma-clearance", Title: "Measured GFR by plasma clearance of iohexol", Local: "gfr-plasma-clearance",
		Category: "laboratory", Effective: dose.Effective, EffectiveEnd: used[len(used)-1].Effective,
	}, used, measured, err)
}

// studyHours bounds how long after the dose a sample belongs to its study.
const studyHours = 48

func (a *assessment) clearanceStudy(dose *charted, in *renal.PlasmaStudy, used *[]*charted) error {
	given, err := dose.EffectiveAt()
	if err != nil {
		return err
	}
	if in.Dose, err = measurement(dose); err != nil {
		return err
	}
	size, sized, err := a.size(dose.CollectedOn)
	if err != nil {
		return err
	}
	in.Size = size
	if answer, ok := a.newest(extravasationCode); ok && answer.CollectedOn == dose.CollectedOn && answer.Value.Coding != nil {
		in.Extravasation = answers[answer.Value.Coding.Code]
		sized = append(sized, answer)
	}
	if answer, ok := a.newest(residualCode); ok && answer.CollectedOn == dose.CollectedOn && answer.Value.Coding != nil {
		in.SyringeResidualMeasured = answers[answer.Value.Coding.Code]
		sized = append(sized, answer)
	}
	if v := a.at("egfr-creatinine").value; v != nil && v.err == nil {
		in.Estimated = clinical.NewMeasurement(v.number, v.unit)
	}
	samples := oldestFirst(a.all("iohexol-concentration"))
	for _, s := range samples {
		at, err := s.EffectiveAt()
		if err != nil {
			return err
		}
		minutes := at.Sub(given).Minutes()
		if minutes <= 0 || minutes > studyHours*60 {
			continue
		}
		m, err := measurement(s)
		if err != nil {
			return err
		}
		in.Samples = append(in.Samples, renal.Sample{
			Time:          clinical.Measurement{Quantity: units.Quantity{Value: minutes, Unit: units.Minute}, Date: s.Effective, Ref: s.ID},
			Concentration: m,
		})
		sized = append(sized, s)
	}
	slices.SortStableFunc(in.Samples, func(x, y renal.Sample) int {
		return cmp.Compare(x.Time.Quantity.Value, y.Time.Quantity.Value)
	})
	*used = append(*used, sized...)
	return nil
}

// answers reads the SNOMED CT answers yes and no (373066001, 373067005).
var answers = map[string]clinical.Answer{"373066001": clinical.Yes, "373067005": clinical.No}

// collection pairs a urine concentration with the volume of the same
// collection.
func (a *assessment) collection(concentration *charted) (urine.Collection, *charted, error) {
	var c urine.Collection
	for _, volume := range a.all("3167-4") {
		if volume.Effective != concentration.Effective || volume.EffectiveEnd != concentration.EffectiveEnd {
			continue
		}
		start, err := volume.EffectiveAt()
		if err != nil {
			return c, volume, err
		}
		end, err := time.Parse(time.RFC3339, volume.EffectiveEnd)
		if err != nil {
			return c, volume, errors.New("the collection has no end")
		}
		if c.Volume, err = measurement(volume); err != nil {
			return c, volume, err
		}
		c.Duration = clinical.Measurement{
			Quantity: units.Quantity{Value: end.Sub(start).Hours(), Unit: units.Hour}, Date: volume.Effective, Ref: volume.ID,
		}
		return c, volume, nil
	}
	return c, nil, errors.New("there is no urine volume of the same collection")
}

// newestTimed returns the newest result of a timed collection; a spot sample
// after it says nothing of an excretion. Without a collection it is the newest.
func (a *assessment) newestTimed(code string) (*charted, bool) {
	for _, r := range a.all(code) {
		if r.EffectiveEnd != "" {
			return r, true
		}
	}
	return a.newest(code)
}

func (a *assessment) creatinineClearance() {
	concentration, ok := a.newestTimed("2161-8")
	if !ok {
		return
	}
	used := []*charted{concentration}
	var cleared renal.CreatinineClearance
	in, err := a.clearanceInput(concentration, &used)
	if err == nil {
		cleared, err = renal.UrinaryCreatinineClearance(in)
	}
	a.derive(Derived{
		Key: "creatinine-clearance", Title: "Creatinine clearance in 24-hour urine, for 1.73 m2", LOINC: "12195-4",
		Category: "laboratory", Effective: concentration.Effective, EffectiveEnd: concentration.EffectiveEnd,
	}, used, cleared.Result, err)
}

func (a *assessment) clearanceInput(concentration *charted, used *[]*charted) (renal.CreatinineClearanceInput, error) {
	in := renal.CreatinineClearanceInput{
		SurfaceArea: body.SurfaceAreaFormula(a.protocol.Methods.BodySurfaceArea),
		Age:         a.ageOn(concentration.CollectedOn), Sex: a.sex(),
		Uncertainty: a.protocol.Methods.UrineUncertainty.clinical(),
	}
	collection, volume, err := a.collection(concentration)
	if err != nil {
		return in, err
	}
	*used = append(*used, volume)
	in.Collection = collection
	if in.UrineCreatinine, err = measurement(concentration); err != nil {
		return in, err
	}
	var sized []*charted
	if in.Size, sized, err = a.size(concentration.CollectedOn); err != nil {
		return in, err
	}
	*used = append(*used, sized...)
	serum, ok := a.serumDuring(volume)
	if !ok {
		return in, errors.New("there is no serum creatinine drawn within a day of the collection")
	}
	m, err := measurement(serum)
	if err != nil {
		return in, err
	}
	*used = append(*used, serum)
	in.SerumCreatinine = []clinical.Measurement{m}
	return in, nil
}

// serumDuring finds the serum creatinine that goes with a collection: drawn
// within it, or on the day it began or ended.
func (a *assessment) serumDuring(volume *charted) (*charted, bool) {
	end, err := time.Parse(time.RFC3339, volume.EffectiveEnd)
	if err != nil {
		return nil, false
	}
	last := string(journey.DateOf(end, a.protocol.zone))
	for _, r := range a.newestFirst {
		if r.Code.Code != "2160-0" && r.Code.Code != "14682-9" {
			continue
		}
		if r.CollectedOn >= volume.CollectedOn && r.CollectedOn <= last {
			return r, true
		}
	}
	return nil, false
}

// albuminExcretion takes the newer of a reported excretion and one computed
// from the albumin of a timed collection.
func (a *assessment) albuminExcretion() {
	reported, isReported := a.newest("14956-7")
	concentration, isTimed := a.newestTimed("14957-5")
	if isTimed && concentration.EffectiveEnd == "" {
		// A spot sample is no excretion. Beside a volume it could be taken for
		// one, and then has to be said not to be.
		_, isTimed = a.newest("3167-4")
	}
	switch {
	case isTimed && (!isReported || reported.CollectedOn < concentration.CollectedOn):
		used := []*charted{concentration}
		collection, volume, err := a.collection(concentration)
		var r clinical.Result
		if err == nil {
			used = append(used, volume)
			var m clinical.Measurement
			if m, err = measurement(concentration); err == nil {
				r, err = urine.AlbuminExcretion(collection, m)
			}
		}
		a.derive(Derived{
			Key: "albumin-excretion", Title: "Albumin excretion in 24 hours", LOINC: "14956-7", Category: "laboratory",
			Effective: concentration.Effective, EffectiveEnd: concentration.EffectiveEnd,
		}, used, r, err)
	case isReported:
		var v value
		if r := a.at("14956-7").value; r != nil {
			v = *r
		}
		if v.err == nil {
			q, err := units.Convert(units.AlbuminExcretionRate, units.Quantity{Value: v.number, Unit: v.unit}, units.MgPer24Hours)
			v.number, v.unit, v.err = q.Value, q.Unit, err
		}
		a.at("albumin-excretion").value = &v
	}
}
