package renal

import (
	"math"

	"candidacy/internal/clinical"
)

// SlopeFit is the least-squares line of the logarithm of the concentration on
// time: C(t) = C0 exp(-k t).
type SlopeFit struct {
	// Samples is the number of samples fitted.
	Samples int `json:"samples"`
	// C0 is the concentration extrapolated to time zero, in the unit of the
	// samples (ug/mL of iohexol).
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
	// Scatter is the standard deviation of ln C about the line, with two degrees
	// of freedom less than samples; close to the coefficient of variation of one
	// concentration. With two samples it is zero.
	Scatter float64 `json:"scatter"`
}

// The numbers of samples of a fit, and the tolerance of their order.
const (
	fewestSamples             = 2
	fewestSamplesForResiduals = 3
	// Common practice, no published source.
	toleratedRise = 1.02
)

// Clearance returns the one-compartment clearance in mL/min of an amount of
// marker: amount times k over C0. The amount has to be in the unit that the
// concentrations have in 1 mL (ug of iohexol for ug/mL). It returns a
// *clinical.Error when the amount or the clearance is not a finite positive
// number.
func (f SlopeFit) Clearance(amount float64) (AbsoluteGFR, error) {
	if err := checkPositive("dose", amount); err != nil {
		return 0, err
	}
	clearance := amount * f.K / f.C0
	if err := checkPositive("clearance", clearance); err != nil {
		return 0, err
	}
	return AbsoluteGFR(clearance), nil
}

// FitSlope fits samples of iohexol by ordinary least squares of ln C on t. It
// does the arithmetic and checks that the data are in order; the quality of the
// fit is judged by SlopeIntercept.
//
// It returns a *clinical.Error for fewer than two samples, a time outside 1 to
// 2880 min, a concentration outside 0.5 to 5000 ug/mL, times that do not
// increase, a concentration more than 2 % above the one before it, and a slope
// that does not fall. Source: BNMS guidance of 2018 (from memory) for the
// method; the checks are arithmetic.
func FitSlope(samples []Sample) (SlopeFit, error) {
	points, err := Iohexol.pointsOf(samples)
	if err != nil {
		return SlopeFit{}, err
	}
	if err := checkFalling(points); err != nil {
		return SlopeFit{}, err
	}
	return fitSlope(points)
}

// checkFalling refuses too few points to fit and a concentration that rises.
func checkFalling(points []point) error {
	if len(points) < fewestSamples {
		return &clinical.Error{
			Code: clinical.TooFew, Field: "samples",
			Message: "the slope needs samples from 120 min on", Accepted: []string{"2 or more, better 3"},
		}
	}
	for i := 1; i < len(points); i++ {
		if points[i].concentration > points[i-1].concentration*toleratedRise {
			return &clinical.Error{
				Code: clinical.WrongOrder, Field: "samples",
				Message: "a concentration is more than 2 % above the one before it; concentrations must fall",
			}
		}
	}
	return nil
}

func fitSlope(points []point) (SlopeFit, error) {
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
	var squares float64
	for _, p := range points {
		fitted := fit.C0 * math.Exp(-fit.K*p.minutes)
		fit.LargestResidual = math.Max(fit.LargestResidual, math.Abs(p.concentration/fitted-1))
		off := math.Log(p.concentration / fitted)
		squares += off * off
	}
	if free := len(points) - fewestSamples; free > 0 {
		fit.Scatter = math.Sqrt(squares / float64(free))
	}
	return fit, nil
}
