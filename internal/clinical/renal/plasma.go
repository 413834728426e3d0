package renal

import (
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/units"
)

// PlasmaStudy is what every method of a plasma clearance needs. Fields marked
// optional may be left at their zero value; every other missing field is an
// error or, where the documentation of the method says so, a warning.
type PlasmaStudy struct {
	Marker Marker `json:"marker,omitempty" jsonschema:"marker given; iohexol when left out"`
	// Dose is the marker given, after subtracting what stayed in the syringe.
	Dose clinical.Measurement `json:"dose" jsonschema:"marker given, less what stayed in the syringe: iohexol in mg, g or ug, a radioactive marker as count rate in /min or /s"`
	// NominalDose is the dose that was planned. Optional.
	NominalDose clinical.Measurement `json:"nominalDose,omitzero" jsonschema:"dose that was planned, in the unit of the dose"`
	// SyringeResidualMeasured tells whether the remainder in the syringe was
	// measured and subtracted.
	SyringeResidualMeasured clinical.Answer `json:"syringeResidualMeasured,omitempty" jsonschema:"was the remainder in the syringe measured and subtracted"`
	// Extravasation is the operator's answer to whether marker went beside the
	// vein. It has to be answered.
	Extravasation clinical.Answer `json:"extravasation" jsonschema:"did marker go beside the vein"`
	// Samples are the plasma samples in order of time.
	Samples []Sample `json:"samples" jsonschema:"plasma samples in order of time"`
	// Size is the height and weight on the day of the study.
	Size body.Size `json:"size" jsonschema:"height and weight on the day of the study"`
	// SurfaceArea is the site's formula for the body surface area.
	SurfaceArea body.SurfaceAreaFormula `json:"surfaceArea,omitempty" jsonschema:"formula for the body surface area; Du Bois when left out"`
	// Estimated is the estimate from creatinine and cystatin C that the
	// measurement is compared with. Optional.
	Estimated clinical.Measurement `json:"estimated,omitzero" jsonschema:"estimated GFR to compare with, in mL/min/{1.73_m2}"`
	// MarkerQuestions are the answers asked before the marker is given.
	MarkerQuestions MarkerQuestions `json:"markerQuestions,omitzero" jsonschema:"questions asked before the marker is given"`
	// Uncertainty of the inputs. Optional: without it there is no interval.
	Uncertainty *PlasmaUncertainty `json:"uncertainty,omitempty" jsonschema:"standard uncertainties of the inputs; without them there is no interval"`
}

// MarkerQuestions are the questions asked before a marker is given.
type MarkerQuestions struct {
	IodineAllergy  clinical.Answer `json:"iodineAllergy,omitempty" jsonschema:"is there an allergy to iodine"`
	ThyroidDisease clinical.Answer `json:"thyroidDisease,omitempty" jsonschema:"is there a thyroid disease"`
	Pregnancy      clinical.Answer `json:"pregnancy,omitempty" jsonschema:"is the candidate pregnant"`
	// RecentContrast: contrast medium within the last 7 days.
	RecentContrast clinical.Answer `json:"recentContrast,omitempty" jsonschema:"was contrast medium given within the last 7 days"`
}

// SlopeInterceptInput is a study evaluated by the slope-intercept method. The
// samples before 120 min are not fitted.
type SlopeInterceptInput struct {
	PlasmaStudy
	// Correction is the site's correction for the early curve.
	Correction Correction `json:"correction,omitempty" jsonschema:"correction for the early curve with its order of operations; brochner-mortensen-1972 when left out"`
}

// SlopeInterceptGFR is a GFR measured by the slope-intercept method. Its Value
// is the corrected, BSA-normalised clearance.
type SlopeInterceptGFR struct {
	MeasuredGFR
	// Uncorrected is the one-compartment clearance in mL/min.
	Uncorrected AbsoluteGFR `json:"uncorrected"`
	// VolumeOfDistribution is the dose over C0 in mL.
	VolumeOfDistribution float64 `json:"volumeOfDistribution"`
	// Fit is the line through the late samples.
	Fit SlopeFit `json:"fit"`
}

// The warnings of a plasma clearance.
const (
	// TwoSamplesOnly: with two samples an error in one cannot be seen.
	TwoSamplesOnly clinical.WarningCode = "two-samples-only"
	// EarlySampleNotFitted: a sample before 120 min was left out of the fit.
	EarlySampleNotFitted clinical.WarningCode = "early-sample-not-fitted"
	// LastSampleLate: the last sample is after 300 min, not needed at this GFR.
	LastSampleLate clinical.WarningCode = "last-sample-late"
	// SampleSpanShort: the samples fitted span less than 90 min.
	SampleSpanShort clinical.WarningCode = "sample-span-short"
	// LateSampleNeeded: the estimate is under 30, which needs a 24 h sample.
	LateSampleNeeded clinical.WarningCode = "late-sample-needed"
	// CorrelationLow: r squared is under 0.985.
	CorrelationLow clinical.WarningCode = "correlation-low"
	// ResidualLarge: a sample is more than 5 % off the fitted curve.
	ResidualLarge clinical.WarningCode = "residual-large"
	// HalfLifeUnusual: the half-life is outside 50 to 250 min.
	HalfLifeUnusual clinical.WarningCode = "half-life-unusual"
	// VolumeUnusual: the volume of distribution is outside 0.10 to 0.30 L/kg.
	VolumeUnusual clinical.WarningCode = "volume-unusual"
	// VolumeUnusualForSurface: the volume is more than 25 % away from the one
	// expected for the body surface.
	VolumeUnusualForSurface clinical.WarningCode = "volume-unusual-for-surface"
	// DoseUncertain: the syringe residual was not recorded as measured.
	DoseUncertain clinical.WarningCode = "dose-uncertain"
	// DoseNotNominal: the dose given is more than 10 % away from the planned.
	DoseNotNominal clinical.WarningCode = "dose-not-nominal"
	// EstimateDisagrees: measured and estimated GFR differ by more than 30 %.
	EstimateDisagrees clinical.WarningCode = "estimate-disagrees"
	// EstimateNotCompared: no estimate was given to compare with.
	EstimateNotCompared clinical.WarningCode = "estimate-not-compared"
	// MarkerCaution: a question about the marker was answered with yes.
	MarkerCaution clinical.WarningCode = "marker-caution"
	// MarkerQuestionNotRecorded: a question about the marker has no answer.
	MarkerQuestionNotRecorded clinical.WarningCode = "marker-question-not-recorded"
)

// Limits of the quality checks.
const (
	// Times in min; from memory: BNMS guidance of 2018.
	firstLateMinutes, lastUsefulMinutes = 120, 300
	shortestSpanMinutes                 = 90
	normalGFR, lowGFR                   = 60, 30
	// From memory: BNMS correlation limit; whether of r or of r squared is not
	// settled, so it is applied to r squared, the stricter, and only warns.
	lowestRSquared = 0.985
	// Common practice, no published source, for all that follow but the last.
	refusedResidual, doubtfulResidual       = 0.10, 0.05
	refusedShortHalfLife, shortHalfLife     = 40, 50
	refusedLongHalfLife, longHalfLife       = 600, 250
	lowestVolumePerKgL, highestVolumePerKgL = 0.10, 0.30
	largestDoseDeviation                    = 0.10
	largestEstimateDeviation                = 0.30
	// From memory and unverified: volume in mL expected by BNMS for a surface
	// in m2, within 25 %. It only warns.
	bnmsVolumePerM2, bnmsVolumeOffset = 8116.6, -28.2
	largestVolumeDeviation            = 0.25
)

// checked is a study whose inputs are in order, in the units of the fit.
type checked struct {
	study PlasmaStudy
	// amount and nominal are in the unit that the concentrations have in 1 mL;
	// nominal and estimated are zero when they were not given.
	amount, nominal float64
	estimated       NormalisedGFR
	surface         clinical.Result
	weightKg        float64
	points          []point
}

func (s PlasmaStudy) check() (checked, error) {
	c := checked{study: s}
	err := s.Marker.check()
	if err != nil {
		return checked{}, err
	}
	if c.amount, err = s.Marker.amount("dose", s.Dose); err != nil {
		return checked{}, err
	}
	if s.NominalDose.Given() {
		if c.nominal, err = s.Marker.amount("nominal dose", s.NominalDose); err != nil {
			return checked{}, err
		}
	}
	if err := s.checkAnswers(); err != nil {
		return checked{}, err
	}
	if s.Estimated.Given() {
		value, err := s.Estimated.Within("estimated GFR", units.NormalisedGFR, lowestGFR, highestGFR, units.MLPerMinPer173M2)
		if err != nil {
			return checked{}, err
		}
		c.estimated = NormalisedGFR(value)
	}
	if c.surface, err = body.SurfaceArea(s.SurfaceArea, s.Size); err != nil {
		return checked{}, err
	}
	if c.weightKg, err = s.Size.Kilograms(); err != nil {
		return checked{}, err
	}
	c.points, err = s.Marker.pointsOf(s.Samples)
	return c, err
}

func (c checked) surfaceM2() float64 { return c.surface.Value.Value }

// late returns the points from 120 min on.
func (c checked) late() []point {
	for i, p := range c.points {
		if p.minutes >= firstLateMinutes {
			return c.points[i:]
		}
	}
	return nil
}

// SlopeIntercept returns the measured GFR from late plasma concentrations of a
// marker: a line through ln C of the samples from 120 min on, and clearance as
// dose times slope over intercept, which is corrected for the early curve and
// normalised to 1.73 m2 in the order that the correction names. The results are
// in mL/min/{1.73_m2} and in mL/min. With stated uncertainties there is an
// interval of 95 %.
//
// It refuses with a *clinical.Error: what FitSlope refuses; fewer than two
// samples from 120 min on; extravasation, or no answer to it; three or more
// samples of which one is more than 10 % off the line; a half-life under 40 or
// over 600 min; an uncorrected clearance above 200 mL/min/{1.73_m2}; a dose
// of iohexol outside 100 to 20 000 mg. All other checks are warnings.
//
// Source: BNMS guidance of 2018 for the method (from memory), and that of the
// correction.
func SlopeIntercept(in SlopeInterceptInput) (SlopeInterceptGFR, error) {
	study, err := in.check()
	if err != nil {
		return SlopeInterceptGFR{}, err
	}
	late := study.late()
	if err := checkFalling(late); err != nil {
		return SlopeInterceptGFR{}, err
	}
	fit, err := fitSlope(late)
	if err != nil {
		return SlopeInterceptGFR{}, err
	}
	if fit.Samples >= fewestSamplesForResiduals {
		if err := checkResidual(fit.LargestResidual); err != nil {
			return SlopeInterceptGFR{}, err
		}
	}
	if err := checkHalfLife(fit.HalfLife); err != nil {
		return SlopeInterceptGFR{}, err
	}
	uncorrected, err := fit.Clearance(study.amount)
	if err != nil {
		return SlopeInterceptGFR{}, err
	}
	absolute, normalised, err := Correct(in.Correction, uncorrected, study.surfaceM2())
	if err != nil {
		return SlopeInterceptGFR{}, err
	}

	correction := in.Correction.orDefault()
	g := SlopeInterceptGFR{
		MeasuredGFR: newMeasuredGFR(absolute, normalised,
			string(in.Marker.orDefault())+"-slope-intercept-"+string(correction),
			"slope-intercept method; "+correction.source()),
		Uncorrected: uncorrected, VolumeOfDistribution: study.amount / fit.C0, Fit: fit,
	}
	study.describe(&g.Result)
	g.addSteps(study)
	study.warnAboutLateSamples(&g.Result, late)
	if len(late) < len(study.points) {
		g.Warn(EarlySampleNotFitted, "%d sample(s) before %d min were not fitted", len(study.points)-len(late), firstLateMinutes)
	}
	if len(late) < fewestSamplesForResiduals {
		g.Warn(TwoSamplesOnly, "only two late samples: an error in one of them cannot be seen")
	}
	if r2 := fit.RSquared; r2 != nil && *r2 < lowestRSquared {
		g.Warn(CorrelationLow, "r squared is %s, under %g", clinical.Display(*r2, 3), lowestRSquared)
	}
	if fit.Samples >= fewestSamplesForResiduals {
		warnAboutResidual(&g.Result, fit.LargestResidual)
	}
	warnAboutHalfLife(&g.Result, fit.HalfLife)
	study.warnAboutVolume(&g.Result, g.VolumeOfDistribution)
	expected := bnmsVolumePerM2*study.surfaceM2() + bnmsVolumeOffset
	if math.Abs(g.VolumeOfDistribution/expected-1) > largestVolumeDeviation {
		g.Warn(VolumeUnusualForSurface, "the volume of distribution is more than 25 %% away from the one expected for the body surface")
	}
	study.warn(&g.Result, normalised)
	err = study.interval(&g.Result, late, fit.Scatter, func(amount float64, points []point) (float64, error) {
		fit, err := fitSlope(points)
		if err != nil {
			return 0, err
		}
		uncorrected, err := fit.Clearance(amount)
		if err != nil {
			return 0, err
		}
		_, normalised, err := Correct(in.Correction, uncorrected, study.surfaceM2())
		return float64(normalised), err
	})
	return g, err
}

// interval adds the interval of the result where uncertainties were stated.
func (c checked) interval(r *clinical.Result, points []point, scatter float64, gfr func(amount float64, points []point) (float64, error)) error {
	if c.study.Uncertainty == nil {
		r.Warn(UncertaintyNotStated, "the uncertainties of dose, times and concentrations were not stated, so there is no interval")
		return nil
	}
	return c.study.Uncertainty.interval(r, c.amount, points, scatter, gfr)
}

func (s PlasmaStudy) questions() []question {
	return append([]question{
		{"syringe residual measured", s.SyringeResidualMeasured},
		{"extravasation", s.Extravasation},
	}, s.MarkerQuestions.answers()...)
}

func (q MarkerQuestions) answers() []question {
	return []question{
		{"iodine allergy", q.IodineAllergy},
		{"thyroid disease", q.ThyroidDisease},
		{"pregnancy", q.Pregnancy},
		{"contrast medium within 7 days", q.RecentContrast},
	}
}

func (s PlasmaStudy) checkAnswers() error {
	for _, q := range s.questions() {
		if err := clinical.CheckAnswer(q.name, q.answer); err != nil {
			return err
		}
	}
	switch s.Extravasation {
	case clinical.NotRecorded:
		return &clinical.Error{
			Code: clinical.Missing, Field: "extravasation", Message: "the operator has to answer whether marker went beside the vein",
			Accepted: []string{string(clinical.Yes), string(clinical.No)},
		}
	case clinical.Yes:
		return &clinical.Error{
			Code: clinical.QualityRefused, Field: "extravasation",
			Message: "marker beside the vein makes the clearance falsely high; repeat the study",
		}
	}
	return nil
}

func checkResidual(largest float64) error {
	if largest <= refusedResidual {
		return nil
	}
	return &clinical.Error{
		Code: clinical.QualityRefused, Field: "samples",
		Message:  "a sample is " + clinical.DisplayBeside(largest*100, 100*refusedResidual, 1) + " % off the fitted curve",
		Accepted: []string{"up to 10 %"},
	}
}

func checkHalfLife(minutes float64) error {
	if minutes >= refusedShortHalfLife && minutes <= refusedLongHalfLife {
		return nil
	}
	limit := float64(refusedShortHalfLife)
	if minutes > limit {
		limit = refusedLongHalfLife
	}
	return &clinical.Error{
		Code: clinical.QualityRefused, Field: "half-life",
		Message:  "a half-life of " + clinical.DisplayBeside(minutes, limit, 0) + " min is not plausible",
		Accepted: []string{"40 to 600 min"},
	}
}

// surfaceAreaFormula names the choice of the formula among the inputs of what is
// indexed with the body surface.
const surfaceAreaFormula = "body surface area formula"

func (c checked) describe(r *clinical.Result) {
	s := c.study
	r.AddChoice("marker", string(s.Marker.orDefault()))
	r.AddInput("dose", s.Dose)
	if s.NominalDose.Given() {
		r.AddInput("nominal dose", s.NominalDose)
	}
	for _, each := range s.Samples {
		r.AddInput("sample time", each.Time)
		r.AddInput("sample concentration", each.Concentration)
	}
	for _, q := range s.questions() {
		r.AddChoice(q.name, string(q.answer))
	}
	if s.Estimated.Given() {
		r.AddInput("estimated GFR", s.Estimated)
	}
	r.Inputs = append(r.Inputs, c.surface.Inputs...)
	r.AddChoice(surfaceAreaFormula, c.surface.Equation)
	r.Warnings = append(r.Warnings, c.surface.Warnings...)
}

func (c checked) addSurface(r *clinical.Result) {
	r.AddStep("body surface area ("+c.surface.Equation+")", c.surfaceM2(), units.SquareMetre)
}

func (g *SlopeInterceptGFR) addSteps(c checked) {
	g.AddStep("concentration at time zero", g.Fit.C0, c.study.Marker.unitOfConcentration())
	g.AddStep("rate constant", g.Fit.K, units.PerMinute)
	g.AddStep("half-life", g.Fit.HalfLife, units.Minute)
	if g.Fit.RSquared != nil {
		g.AddStep("r squared of ln C on time", *g.Fit.RSquared, units.One)
		g.AddStep("largest residual", g.Fit.LargestResidual*100, units.Percent)
	}
	g.AddStep("volume of distribution", g.VolumeOfDistribution, units.ML)
	c.addSurface(&g.Result)
	g.AddStep("uncorrected clearance", float64(g.Uncorrected), units.MLPerMin)
	g.AddStep("uncorrected clearance, normalised", float64(g.Uncorrected.normalise(c.surfaceM2())), units.MLPerMinPer173M2)
	g.AddStep("corrected clearance", float64(g.Absolute), units.MLPerMin)
	g.AddStep("corrected clearance, normalised", float64(g.Normalised), units.MLPerMinPer173M2)
}

// warnAboutLateSamples: the late samples must not be empty.
func (c checked) warnAboutLateSamples(r *clinical.Result, late []point) {
	first, last := late[0].minutes, late[len(late)-1].minutes
	known := c.estimated > 0
	if last > lastUsefulMinutes && (!known || c.estimated >= normalGFR) {
		r.Warn(LastSampleLate, "the last sample is after %d min", lastUsefulMinutes)
	}
	if last-first < shortestSpanMinutes {
		r.Warn(SampleSpanShort, "the late samples span less than %d min", shortestSpanMinutes)
	}
	if known && c.estimated < lowGFR {
		r.Warn(LateSampleNeeded, "an estimate under %d needs a sample at 24 h; this is outside the range of donor candidates", lowGFR)
	}
}

func warnAboutResidual(r *clinical.Result, largest float64) {
	if largest > doubtfulResidual {
		r.Warn(ResidualLarge, "a sample is %s %% off the fitted curve", clinical.DisplayBeside(largest*100, 100*doubtfulResidual, 1))
	}
}

func warnAboutHalfLife(r *clinical.Result, minutes float64) {
	if minutes < shortHalfLife || minutes > longHalfLife {
		r.Warn(HalfLifeUnusual, "the half-life is outside %d to %d min", shortHalfLife, longHalfLife)
	}
}

func (c checked) warnAboutVolume(r *clinical.Result, volumeML float64) {
	litresPerKg := volumeML / 1000 / c.weightKg
	if litresPerKg < lowestVolumePerKgL || litresPerKg > highestVolumePerKgL {
		limit := lowestVolumePerKgL
		if litresPerKg > limit {
			limit = highestVolumePerKgL
		}
		r.Warn(VolumeUnusual, "the volume of distribution is %s L/kg, outside %.2f to %.2f; if it is too high, think of marker beside the vein", clinical.DisplayBeside(litresPerKg, limit, 2), lowestVolumePerKgL, highestVolumePerKgL)
	}
}

// warn adds what every method warns about: the dose, the questions before the
// marker, and the comparison with the estimate.
func (c checked) warn(r *clinical.Result, measured NormalisedGFR) {
	if c.study.SyringeResidualMeasured != clinical.Yes {
		r.Warn(DoseUncertain, "the remainder in the syringe is not recorded as measured")
	}
	if c.nominal > 0 && math.Abs(c.amount/c.nominal-1) > largestDoseDeviation {
		r.Warn(DoseNotNominal, "the dose given is more than 10 %% away from the planned dose")
	}
	for _, q := range c.study.MarkerQuestions.answers() {
		switch q.answer {
		case clinical.Yes:
			r.Warn(MarkerCaution, "%s was answered with yes", q.name)
		case clinical.NotRecorded:
			r.Warn(MarkerQuestionNotRecorded, "%s was not recorded", q.name)
		}
	}
	if c.estimated == 0 {
		r.Warn(EstimateNotCompared, "no estimate from creatinine and cystatin C was given to compare with")
		return
	}
	if math.Abs(float64(measured-c.estimated))/float64(measured) > largestEstimateDeviation {
		r.Warn(EstimateDisagrees, "measured and estimated GFR differ by more than 30 %%; review both")
	}
}
