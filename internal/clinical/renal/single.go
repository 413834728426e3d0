package renal

import (
	"math"
	"slices"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// SingleSampleEquation is the id of an equation for the clearance from one
// sample. The zero value is JacobssonEKFC.
type SingleSampleEquation string

// The equations for one sample. Jacobsson1983 uses a constant quoted from
// memory; do not choose it before it is compared with the paper.
const (
	JacobssonEKFC SingleSampleEquation = "jacobsson-ekfc-2024"
	Jacobsson1983 SingleSampleEquation = "jacobsson-1983"
)

// SingleSampleEquations lists the equations, the default first.
func SingleSampleEquations() []SingleSampleEquation {
	return []SingleSampleEquation{JacobssonEKFC, Jacobsson1983}
}

func (e SingleSampleEquation) orDefault() SingleSampleEquation {
	if e == "" {
		return JacobssonEKFC
	}
	return e
}

// VolumeEquation is the id of an equation for the extracellular volume. It has
// to be chosen.
type VolumeEquation string

// The equations for the extracellular volume, both as in open-source code for
// iohexol GFR after the EKFC recommendations (Ebert, Kidney Int 2024).
const (
	Granerus   VolumeEquation = "granerus"
	Faucon2022 VolumeEquation = "faucon-2022"
)

// VolumeEquations lists the equations.
func VolumeEquations() []VolumeEquation { return []VolumeEquation{Granerus, Faucon2022} }

// SingleSampleInput is a study with one sample.
type SingleSampleInput struct {
	PlasmaStudy
	Equation SingleSampleEquation `json:"equation,omitempty" jsonschema:"equation; jacobsson-ekfc-2024 when left out"`
	Volume   VolumeEquation       `json:"volume" jsonschema:"equation for the extracellular volume"`
	// Age is in completed years at the date of the study.
	Age int          `json:"age" jsonschema:"age in completed years at the date of the study"`
	Sex clinical.Sex `json:"sex" jsonschema:"sex used by the equation"`
	// DecisionLimits are the thresholds in mL/min/{1.73_m2} near which one
	// sample is not enough. Optional.
	DecisionLimits []float64 `json:"decisionLimits,omitempty" jsonschema:"thresholds in mL/min/{1.73_m2} near which one sample is not enough"`
}

// SingleSampleGFR is a GFR measured with one sample. Its Value is the
// BSA-normalised clearance.
type SingleSampleGFR struct {
	MeasuredGFR
	// VolumeOfDistribution is the extracellular volume that was assumed, in mL.
	VolumeOfDistribution float64 `json:"volumeOfDistribution"`
}

// The warnings of a single sample.
const (
	// SingleSampleFallback: one sample can't show an error in itself.
	SingleSampleFallback clinical.WarningCode = "single-sample-fallback"
	// NearDecisionLimit: the value lies within 10 of a threshold.
	NearDecisionLimit clinical.WarningCode = "near-decision-limit"
	// SampleTimeUnusual: the sample is after 300 min.
	SampleTimeUnusual clinical.WarningCode = "sample-time-unusual"
)

// Limits of a single sample.
const (
	// Common practice, no published source.
	tooNearDecisionLimit = 10
	// The clearances in mL/min between which the equation is solved. The volume
	// term of JacobssonEKFC has no real value above 204.
	lowestSingle, highestSingle = 1, 200
	// A bisection of 1 to 200 is exact in float64 after fewer halvings.
	halvings = 100
)

// SingleSample returns the measured GFR from one plasma concentration of a
// marker and an assumed extracellular volume, by the equation of Jacobsson, in
// mL/min/{1.73_m2} and in mL/min. It is a fallback: an error in the one sample,
// its time or the volume cannot be seen, and within 10 of a threshold it must
// not be the only measurement.
//
// It refuses with a *clinical.Error: not exactly one sample; a sample before
// 120 min; extravasation, or no answer to it; an unknown equation or volume; an
// age under 18, a sex that is neither female nor male; and a concentration for
// which no clearance from 1 to 200 mL/min solves the equation. Sources:
// Jacobsson, Clin Physiol 1983;3:297 (its constant from memory), and Ebert,
// Kidney Int 2024, as in open-source code.
func SingleSample(in SingleSampleInput) (SingleSampleGFR, error) {
	study, err := in.check()
	if err != nil {
		return SingleSampleGFR{}, err
	}
	if len(study.points) != 1 {
		return SingleSampleGFR{}, &clinical.Error{Code: clinical.TooFew, Field: "samples", Message: "the method takes one sample", Accepted: []string{"exactly 1"}}
	}
	sample := study.points[0]
	if sample.minutes < firstLateMinutes {
		return SingleSampleGFR{}, &clinical.Error{
			Code: clinical.OutOfRange, Field: "sample 1 time", Message: "the marker is not yet distributed", Accepted: []string{"120 min or later"},
		}
	}
	volume, source, err := in.extracellularVolume(study)
	if err != nil {
		return SingleSampleGFR{}, err
	}
	equation := in.Equation.orDefault()
	clearance, err := equation.solve(study.amount, volume, sample)
	if err != nil {
		return SingleSampleGFR{}, err
	}
	absolute := AbsoluteGFR(clearance)
	normalised := absolute.normalise(study.surfaceM2())
	g := SingleSampleGFR{
		MeasuredGFR: newMeasuredGFR(absolute, normalised,
			string(in.Marker.orDefault())+"-"+string(equation), equation.source()+"; volume: "+source),
		VolumeOfDistribution: volume,
	}
	study.describe(&g.Result)
	g.AddInput("age", clinical.NewMeasurement(float64(in.Age), units.Year))
	g.AddChoice("sex", string(in.Sex))
	g.AddStep("extracellular volume ("+string(in.Volume)+")", volume, units.ML)
	g.AddStep("factor for the incomplete mixing", mixing(clearance), units.One)
	study.addSurface(&g.Result)
	g.AddStep("clearance", clearance, units.MLPerMin)
	g.AddStep("clearance, normalised", float64(normalised), units.MLPerMinPer173M2)
	g.Warn(SingleSampleFallback, "one sample cannot show an error in itself, its time or the assumed volume; prefer a method with more samples")
	for _, limit := range in.DecisionLimits {
		if math.Abs(float64(normalised)-limit) <= tooNearDecisionLimit {
			g.Warn(NearDecisionLimit, "the value lies within %d of the threshold of %g; one sample must not be the only measurement", tooNearDecisionLimit, limit)
		}
	}
	if sample.minutes > lastUsefulMinutes {
		g.Warn(SampleTimeUnusual, "the sample is after %d min", lastUsefulMinutes)
	}
	study.warn(&g.Result, normalised)
	err = study.interval(&g.Result, study.points, 0, func(amount float64, points []point) (float64, error) {
		clearance, err := equation.solve(amount, volume, points[0])
		return float64(AbsoluteGFR(clearance).normalise(study.surfaceM2())), err
	})
	return g, err
}

// extracellularVolume returns the volume in mL with its source.
func (in SingleSampleInput) extracellularVolume(study checked) (volumeML float64, source string, err error) {
	if err := clinical.CheckAge("age", in.Age); err != nil {
		return 0, "", err
	}
	if err := clinical.CheckSex("sex", in.Sex); err != nil {
		return 0, "", err
	}
	weight := study.weightKg
	switch in.Volume {
	case Granerus:
		// Granerus, as in open-source code after Ebert, Kidney Int 2024.
		if in.Sex == clinical.Female {
			volumeML = 95*weight + 6170
		} else {
			volumeML = 166*weight + 2490
		}
		return volumeML, "Granerus, as in open-source code after Ebert, Kidney Int 2024", nil
	case Faucon2022:
		height, err := in.Size.Centimetres()
		if err != nil {
			return 0, "", err
		}
		// Faucon, Kidney Int Rep 2022, as in the same code.
		litres := 0.1393*weight + 0.0455*height + 0.0125*float64(in.Age)
		if in.Sex == clinical.Female {
			litres -= 3.3407
		} else {
			litres -= 2.6631
		}
		return 1000 * litres, "Faucon, Kidney Int Rep 2022, as in open-source code after Ebert, Kidney Int 2024", nil
	}
	return 0, "", &clinical.Error{
		Code: clinical.UnknownChoice, Field: "volume equation", Message: "the equation for the extracellular volume is missing or not known",
		Accepted: clinical.Words(VolumeEquations()),
	}
}

func (e SingleSampleEquation) source() string {
	if e == Jacobsson1983 {
		return "Jacobsson, Clin Physiol 1983;3:297 (constant from memory)"
	}
	return "Jacobsson, as in the EKFC recommendations (Ebert, Kidney Int 2024), read in open-source code"
}

// mixing is the factor of Jacobsson for the incomplete mixing in the volume, by
// the clearance in mL/min: open-source code after Ebert, Kidney Int 2024.
func mixing(clearance float64) float64 { return 0.991 - 0.00122*clearance }

// clearance returns the right-hand side of the equation in mL/min.
func (e SingleSampleEquation) clearance(assumed, amount, volumeML float64, s point) float64 {
	m := mixing(assumed)
	numerator := math.Log(amount * m / (volumeML * s.concentration))
	if e == Jacobsson1983 {
		// 0.0016 from memory: Jacobsson, Clin Physiol 1983;3:297.
		return numerator / (s.minutes*m/volumeML + 0.0016)
	}
	// Open-source code after Ebert, Kidney Int 2024.
	r := 0.495 * (1 + math.Sqrt(1-0.0049*assumed))
	return numerator / (s.minutes*m/volumeML - math.Log(r)/assumed)
}

// Clearance returns the clearance in mL/min for an amount of marker, a volume in
// mL, and the concentration at a time in min. The amount has to be in the unit
// that the concentration has in 1 mL (ug of iohexol for ug/mL). It returns a
// *clinical.Error for an input that is not a finite positive number, an unknown
// equation, and when no clearance from 1 to 200 mL/min solves the equation.
func (e SingleSampleEquation) Clearance(amount, volumeML, minutes, concentration float64) (AbsoluteGFR, error) {
	for _, each := range []struct {
		field string
		value float64
	}{{"dose", amount}, {"volume", volumeML}, {"sample 1 time", minutes}, {"sample 1 concentration", concentration}} {
		if err := checkPositive(each.field, each.value); err != nil {
			return 0, err
		}
	}
	clearance, err := e.orDefault().solve(amount, volumeML, point{minutes, concentration})
	return AbsoluteGFR(clearance), err
}

// solve finds the clearance in mL/min that both sides of the equation have.
func (e SingleSampleEquation) solve(amount, volumeML float64, s point) (float64, error) {
	if !slices.Contains(SingleSampleEquations(), e) {
		return 0, &clinical.Error{
			Code: clinical.UnknownChoice, Field: "equation", Message: "the equation is not known",
			Accepted: clinical.Words(SingleSampleEquations()),
		}
	}
	excess := func(clearance float64) float64 { return e.clearance(clearance, amount, volumeML, s) - clearance }
	low, high := float64(lowestSingle), float64(highestSingle)
	if !(excess(low) >= 0) || !(excess(high) <= 0) {
		return 0, &clinical.Error{
			Code: clinical.QualityRefused, Field: "sample 1 concentration",
			Message:  "no plausible clearance explains the concentration with the dose, the time and the volume",
			Accepted: []string{"a concentration for which the clearance is 1 to 200 mL/min"},
		}
	}
	for range halvings {
		middle := (low + high) / 2
		if excess(middle) >= 0 {
			low = middle
		} else {
			high = middle
		}
	}
	return low, nil
}
