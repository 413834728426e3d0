package renal

import (
	"fmt"
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Sample is one plasma sample. Time is measured from the middle of the
// injection.
type Sample struct {
	Time          clinical.Measurement
	Concentration clinical.Measurement
}

// SlopeFit is the least-squares line of the logarithm of the concentration on
// time: C(t) = C0 exp(-k t).
type SlopeFit struct {
	// Samples is the number of samples fitted.
	Samples int `json:"samples"`
	// C0 is the concentration extrapolated to time zero, in ug/mL.
	C0 float64 `json:"c0"`
	// K is the rate constant in 1/min.
	K float64 `json:"k"`
	// HalfLife is ln 2 / K in min.
	HalfLife float64 `json:"halfLife"`
	// RSquared is the coefficient of determination of ln C on t. Two samples
	// always lie on a line, so with two it is nil.
	RSquared *float64 `json:"rSquared,omitempty"`
	// LargestResidual is the largest deviation of a measured concentration from
	// the fitted one, as a fraction of the fitted one.
	LargestResidual float64 `json:"largestResidual"`
}

// Limits of entry. They only catch slips such as a wrong unit; common practice,
// no published source.
const (
	lowestSampleMinutes, highestSampleMinutes   = 1, 2880
	lowestIohexolUgPerML, highestIohexolUgPerML = 0.5, 5000
	lowestDoseMg, highestDoseMg                 = 100, 20000
	toleratedRise                               = 1.02
	fewestSamples                               = 2
	fewestSamplesForResiduals                   = 3
)

// Clearance returns the one-compartment clearance in mL/min of a dose in mg:
// dose times k over C0.
func (f SlopeFit) Clearance(doseMg float64) (AbsoluteGFR, error) {
	if err := checkPositive("dose", doseMg); err != nil {
		return 0, err
	}
	clearance := doseMg * 1000 * f.K / f.C0
	if err := checkPositive("clearance", clearance); err != nil {
		return 0, err
	}
	return AbsoluteGFR(clearance), nil
}

// FitSlope fits samples by ordinary least squares of ln C on t. It does the
// arithmetic and checks that the data are in order; the quality of the fit is
// judged by PlasmaClearance.
//
// It returns a *clinical.Error for fewer than two samples, a time outside 1 to
// 2880 min, a concentration outside 0.5 to 5000 ug/mL, times that do not
// increase, a concentration more than 2 % above the one before it, and a slope
// that does not fall. Source: BNMS guidance of 2018 (from memory) for the
// method; the checks are arithmetic.
func FitSlope(samples []Sample) (SlopeFit, error) {
	points, err := pointsOf(samples)
	if err != nil {
		return SlopeFit{}, err
	}
	return fitSlope(points)
}

type point struct{ minutes, concentration float64 }

// pointsOf converts the samples and checks that time increases.
func pointsOf(samples []Sample) ([]point, error) {
	points := make([]point, 0, len(samples))
	for i, s := range samples {
		field := fmt.Sprintf("sample %d", i+1)
		minutes, err := s.Time.Within(field+" time", units.Duration, lowestSampleMinutes, highestSampleMinutes, units.Minute)
		if err != nil {
			return nil, err
		}
		concentration, err := s.Concentration.Within(field+" concentration", units.PlasmaIohexol, lowestIohexolUgPerML, highestIohexolUgPerML, units.UgPerML)
		if err != nil {
			return nil, err
		}
		if i > 0 && minutes <= points[i-1].minutes {
			return nil, &clinical.Error{
				Code: clinical.WrongOrder, Field: field + " time",
				Message: "times must increase from sample to sample",
			}
		}
		points = append(points, point{minutes, concentration})
	}
	return points, nil
}

func fitSlope(points []point) (SlopeFit, error) {
	if len(points) < fewestSamples {
		return SlopeFit{}, &clinical.Error{
			Code: clinical.TooFew, Field: "samples",
			Message: "the slope needs late samples", Accepted: []string{"2 or more, better 3"},
		}
	}
	for i := 1; i < len(points); i++ {
		if points[i].concentration > points[i-1].concentration*toleratedRise {
			return SlopeFit{}, &clinical.Error{
				Code: clinical.WrongOrder, Field: "samples",
				Message: "a concentration is more than 2 % above the one before it; concentrations must fall",
			}
		}
	}
	n := float64(len(points))
	var meanT, meanY float64
	for _, p := range points {
		meanT += p.minutes / n
		meanY += math.Log(p.concentration) / n
	}
	var tt, ty, yy float64
	for _, p := range points {
		t, y := p.minutes-meanT, math.Log(p.concentration)-meanY
		tt += t * t
		ty += t * y
		yy += y * y
	}
	slope := ty / tt
	fit := SlopeFit{Samples: len(points), K: -slope, C0: math.Exp(meanY - slope*meanT), HalfLife: math.Ln2 / -slope}
	if !(fit.K > 0) || math.IsInf(fit.C0, 0) || math.IsInf(fit.HalfLife, 0) {
		return SlopeFit{}, &clinical.Error{
			Code: clinical.QualityRefused, Field: "samples",
			Message: "the concentrations do not fall along a line of ln C on time",
		}
	}
	if len(points) >= fewestSamplesForResiduals {
		r2 := ty * ty / (tt * yy)
		fit.RSquared = &r2
	}
	for _, p := range points {
		fitted := fit.C0 * math.Exp(-fit.K*p.minutes)
		fit.LargestResidual = math.Max(fit.LargestResidual, math.Abs(p.concentration/fitted-1))
	}
	return fit, nil
}
