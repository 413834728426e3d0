package renal

import (
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/units"
)

// PlasmaClearanceInput is a slope-intercept study with iohexol. Fields marked
// optional may be left at their zero value; every other missing field is an
// error or, where the documentation of PlasmaClearance says so, a warning.
type PlasmaClearanceInput struct {
	// Dose is the iohexol given, in mg, after subtracting what stayed in the
	// syringe.
	Dose clinical.Measurement
	// NominalDose is the dose that was planned. Optional.
	NominalDose clinical.Measurement
	// SyringeResidualMeasured tells whether the remainder in the syringe was
	// measured and subtracted.
	SyringeResidualMeasured clinical.Answer
	// Extravasation is the operator's answer to whether marker went beside the
	// vein. It has to be answered.
	Extravasation clinical.Answer
	// Samples are the plasma samples in order of time. Those before 120 min are
	// not fitted.
	Samples []Sample
	// Size is the height and weight on the day of the study.
	Size body.Size
	// SurfaceArea is the site's formula for the body surface area.
	SurfaceArea body.SurfaceAreaFormula
	// Correction is the site's correction for the early curve.
	Correction Correction
	// Estimated is the estimate from creatinine and cystatin C that the
	// measurement is compared with. Optional.
	Estimated NormalisedGFR
	// MarkerQuestions are the answers asked before the marker is given.
	MarkerQuestions MarkerQuestions
}

// MarkerQuestions are the questions asked before iohexol is given.
type MarkerQuestions struct {
	IodineAllergy  clinical.Answer
	ThyroidDisease clinical.Answer
	Pregnancy      clinical.Answer
	// RecentContrast: contrast medium within the last 7 days.
	RecentContrast clinical.Answer
}

// MeasuredGFR is a GFR measured by the clearance of a marker from plasma. Its
// Value is the corrected, BSA-normalised clearance.
type MeasuredGFR struct {
	clinical.Result
	// Normalised is the corrected clearance for 1.73 m2.
	Normalised NormalisedGFR `json:"normalised"`
	// Absolute is the corrected clearance in mL/min.
	Absolute AbsoluteGFR `json:"absolute"`
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
	// ResidualLarge: a sample is more than 5 % off the fitted line.
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

// PlasmaClearance returns the measured GFR from the plasma concentrations of
// iohexol: a line through ln C of the samples from 120 min on, clearance as
// dose times slope over intercept, normalised to 1.73 m2 and then corrected for
// the early curve. Corrected results are in mL/min/{1.73_m2} and in mL/min.
//
// It refuses with a *clinical.Error: what FitSlope refuses; fewer than two
// samples from 120 min on; extravasation, or no answer to it; three or more
// samples of which one is more than 10 % off the line; a half-life under 40 or
// over 600 min; an uncorrected clearance above 200 mL/min/{1.73_m2}; a dose
// outside 100 to 20 000 mg. All other checks are warnings.
//
// Source: BNMS guidance of 2018 for the order of operations (from memory), and
// that of the correction.
func PlasmaClearance(in PlasmaClearanceInput) (MeasuredGFR, error) {
	dose, nominal, err := in.doses()
	if err != nil {
		return MeasuredGFR{}, err
	}
	if err := in.checkAnswers(); err != nil {
		return MeasuredGFR{}, err
	}
	surface, err := body.SurfaceArea(in.SurfaceArea, in.Size)
	if err != nil {
		return MeasuredGFR{}, err
	}
	weight, err := in.Size.Kilograms()
	if err != nil {
		return MeasuredGFR{}, err
	}
	points, err := pointsOf(in.Samples)
	if err != nil {
		return MeasuredGFR{}, err
	}
	late := lateSamples(points)
	fit, err := fitSlope(late)
	if err != nil {
		return MeasuredGFR{}, err
	}
	if err := fit.checkQuality(); err != nil {
		return MeasuredGFR{}, err
	}
	uncorrected, err := fit.Clearance(dose)
	if err != nil {
		return MeasuredGFR{}, err
	}
	absolute, normalised, err := Correct(in.Correction, uncorrected, surface.Value.Value)
	if err != nil {
		return MeasuredGFR{}, err
	}

	correction := in.Correction.orDefault()
	g := MeasuredGFR{
		Result: clinical.Result{
			Value:    normalised.Quantity(),
			Equation: "iohexol-slope-intercept-" + string(correction),
			Source:   "slope-intercept method; " + correction.source(),
		},
		Normalised: normalised, Absolute: absolute, Uncorrected: uncorrected,
		VolumeOfDistribution: dose * 1000 / fit.C0, Fit: fit,
	}
	in.describe(&g.Result)
	g.Inputs = append(g.Inputs, surface.Inputs...)
	g.Warnings = append(g.Warnings, surface.Warnings...)
	g.addSteps(surface)
	in.warnAboutSamples(&g.Result, points, late)
	g.warnAboutFit()
	g.warnAboutVolume(weight, surface.Value.Value)
	in.warnAboutDose(&g.Result, dose, nominal)
	in.warnAboutMarker(&g.Result)
	in.compareWithEstimate(&g.Result, normalised)
	return g, nil
}

func lateSamples(points []point) []point {
	for i, p := range points {
		if p.minutes >= firstLateMinutes {
			return points[i:]
		}
	}
	return nil
}

func (in PlasmaClearanceInput) doses() (dose, nominal float64, err error) {
	dose, err = in.Dose.Within("dose", units.IohexolDose, lowestDoseMg, highestDoseMg, units.Mg)
	if err != nil || !in.NominalDose.Given() {
		return dose, 0, err
	}
	nominal, err = in.NominalDose.Within("nominal dose", units.IohexolDose, lowestDoseMg, highestDoseMg, units.Mg)
	return dose, nominal, err
}

func (in PlasmaClearanceInput) questions() []question {
	return append([]question{
		{"syringe residual measured", in.SyringeResidualMeasured},
		{"extravasation", in.Extravasation},
	}, in.MarkerQuestions.answers()...)
}

func (q MarkerQuestions) answers() []question {
	return []question{
		{"iodine allergy", q.IodineAllergy},
		{"thyroid disease", q.ThyroidDisease},
		{"pregnancy", q.Pregnancy},
		{"contrast medium within 7 days", q.RecentContrast},
	}
}

func (in PlasmaClearanceInput) checkAnswers() error {
	for _, q := range in.questions() {
		if err := clinical.CheckAnswer(q.name, q.answer); err != nil {
			return err
		}
	}
	switch in.Extravasation {
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
	// Zero means that no estimate was given.
	if in.Estimated != 0 {
		return checkPositive("estimated GFR", float64(in.Estimated))
	}
	return nil
}

func (f SlopeFit) checkQuality() error {
	if f.Samples >= fewestSamplesForResiduals && f.LargestResidual > refusedResidual {
		return &clinical.Error{
			Code: clinical.QualityRefused, Field: "samples",
			Message:  "a sample is " + clinical.Display(f.LargestResidual*100, 1) + " % off the fitted line",
			Accepted: []string{"up to 10 %"},
		}
	}
	if f.HalfLife < refusedShortHalfLife || f.HalfLife > refusedLongHalfLife {
		return &clinical.Error{
			Code: clinical.QualityRefused, Field: "half-life",
			Message:  "a half-life of " + clinical.Display(f.HalfLife, 0) + " min is not plausible",
			Accepted: []string{"40 to 600 min"},
		}
	}
	return nil
}

func (in PlasmaClearanceInput) describe(r *clinical.Result) {
	r.AddInput("dose", in.Dose)
	if in.NominalDose.Given() {
		r.AddInput("nominal dose", in.NominalDose)
	}
	for _, s := range in.Samples {
		r.AddInput("sample time", s.Time)
		r.AddInput("sample concentration", s.Concentration)
	}
	for _, q := range in.questions() {
		r.AddChoice(q.name, string(q.answer))
	}
	if in.Estimated != 0 {
		r.AddInput("estimated GFR", clinical.Measurement{Quantity: in.Estimated.Quantity()})
	}
}

func (g *MeasuredGFR) addSteps(surface clinical.Result) {
	g.AddStep("concentration at time zero", g.Fit.C0, units.UgPerML)
	g.AddStep("rate constant", g.Fit.K, units.PerMinute)
	g.AddStep("half-life", g.Fit.HalfLife, units.Minute)
	if g.Fit.RSquared != nil {
		g.AddStep("r squared of ln C on time", *g.Fit.RSquared, units.One)
		g.AddStep("largest residual", g.Fit.LargestResidual*100, units.Percent)
	}
	g.AddStep("volume of distribution", g.VolumeOfDistribution, units.ML)
	g.AddStep("body surface area ("+surface.Equation+")", surface.Value.Value, surface.Value.Unit)
	g.AddStep("uncorrected clearance", float64(g.Uncorrected), units.MLPerMin)
	g.AddStep("uncorrected clearance, normalised", float64(g.Uncorrected.normalise(surface.Value.Value)), units.MLPerMinPer173M2)
	g.AddStep("corrected clearance", float64(g.Absolute), units.MLPerMin)
	g.AddStep("corrected clearance, normalised", float64(g.Normalised), units.MLPerMinPer173M2)
}

func (in PlasmaClearanceInput) warnAboutSamples(r *clinical.Result, all, late []point) {
	if len(late) < len(all) {
		r.Warn(EarlySampleNotFitted, "%d sample(s) before %d min were not fitted", len(all)-len(late), firstLateMinutes)
	}
	if len(late) < fewestSamplesForResiduals {
		r.Warn(TwoSamplesOnly, "only two late samples: an error in one of them cannot be seen")
	}
	first, last := late[0].minutes, late[len(late)-1].minutes
	known := in.Estimated != 0
	if last > lastUsefulMinutes && (!known || in.Estimated >= normalGFR) {
		r.Warn(LastSampleLate, "the last sample is after %d min", lastUsefulMinutes)
	}
	if last-first < shortestSpanMinutes {
		r.Warn(SampleSpanShort, "the late samples span less than %d min", shortestSpanMinutes)
	}
	if known && in.Estimated < lowGFR {
		r.Warn(LateSampleNeeded, "an estimate under %d needs a sample at 24 h; this is outside the range of donor candidates", lowGFR)
	}
}

func (g *MeasuredGFR) warnAboutFit() {
	if r2 := g.Fit.RSquared; r2 != nil && *r2 < lowestRSquared {
		g.Warn(CorrelationLow, "r squared is %s, under %g", clinical.Display(*r2, 3), lowestRSquared)
	}
	if g.Fit.Samples >= fewestSamplesForResiduals && g.Fit.LargestResidual > doubtfulResidual {
		g.Warn(ResidualLarge, "a sample is %s %% off the fitted line", clinical.Display(g.Fit.LargestResidual*100, 1))
	}
	if g.Fit.HalfLife < shortHalfLife || g.Fit.HalfLife > longHalfLife {
		g.Warn(HalfLifeUnusual, "the half-life is outside %d to %d min", shortHalfLife, longHalfLife)
	}
}

func (g *MeasuredGFR) warnAboutVolume(weightKg, surfaceAreaM2 float64) {
	litresPerKg := g.VolumeOfDistribution / 1000 / weightKg
	if litresPerKg < lowestVolumePerKgL || litresPerKg > highestVolumePerKgL {
		g.Warn(VolumeUnusual, "the volume of distribution is %s L/kg, outside %.2f to %.2f; if it is too high, think of marker beside the vein", clinical.Display(litresPerKg, 2), lowestVolumePerKgL, highestVolumePerKgL)
	}
	expected := bnmsVolumePerM2*surfaceAreaM2 + bnmsVolumeOffset
	if math.Abs(g.VolumeOfDistribution/expected-1) > largestVolumeDeviation {
		g.Warn(VolumeUnusualForSurface, "the volume of distribution is more than 25 %% away from the one expected for the body surface")
	}
}

func (in PlasmaClearanceInput) warnAboutDose(r *clinical.Result, dose, nominal float64) {
	if in.SyringeResidualMeasured != clinical.Yes {
		r.Warn(DoseUncertain, "the remainder in the syringe is not recorded as measured")
	}
	if nominal > 0 && math.Abs(dose/nominal-1) > largestDoseDeviation {
		r.Warn(DoseNotNominal, "the dose given is more than 10 %% away from the planned dose")
	}
}

func (in PlasmaClearanceInput) warnAboutMarker(r *clinical.Result) {
	for _, q := range in.MarkerQuestions.answers() {
		switch q.answer {
		case clinical.Yes:
			r.Warn(MarkerCaution, "%s was answered with yes", q.name)
		case clinical.NotRecorded:
			r.Warn(MarkerQuestionNotRecorded, "%s was not recorded", q.name)
		}
	}
}

func (in PlasmaClearanceInput) compareWithEstimate(r *clinical.Result, measured NormalisedGFR) {
	if in.Estimated == 0 {
		r.Warn(EstimateNotCompared, "no estimate from creatinine and cystatin C was given to compare with")
		return
	}
	if math.Abs(float64(measured-in.Estimated))/float64(measured) > largestEstimateDeviation {
		r.Warn(EstimateDisagrees, "measured and estimated GFR differ by more than 30 %%; review both")
	}
}
