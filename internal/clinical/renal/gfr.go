// Package renal computes the glomerular filtration rate (GFR) of an adult: the
// CKD-EPI estimates; the measured clearance of a marker from plasma by two
// compartments, by slope and intercept or by one sample, with the interval that
// the uncertainty of the inputs leaves; the clearance of creatinine and urea
// into a timed urine collection; whether the methods agree; and what is expected
// and seen after donation.
//
// The Value of every GFR result is normalised to 1.73 m2 of body surface,
// because thresholds are stated for that value; the absolute one has its own
// type and cannot be mistaken for it. The package holds no thresholds for
// donation, no post-test probabilities and no predicted risk.
package renal

import (
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// standardSurfaceAreaM2 is the body surface, in m2, to which GFR is normalised.
const standardSurfaceAreaM2 = 1.73

// AbsoluteGFR is a GFR of the whole person in mL/min.
type AbsoluteGFR float64

// NormalisedGFR is a GFR for 1.73 m2 of body surface, in mL/min/{1.73_m2}.
type NormalisedGFR float64

// MeasuredGFR is a measured GFR. Its Value is the BSA-normalised one.
type MeasuredGFR struct {
	clinical.Result
	// Normalised is the GFR for 1.73 m2.
	Normalised NormalisedGFR `json:"normalised"`
	// Absolute is the GFR in mL/min.
	Absolute AbsoluteGFR `json:"absolute"`
}

func newMeasuredGFR(absolute AbsoluteGFR, normalised NormalisedGFR, equation, source string) MeasuredGFR {
	return MeasuredGFR{
		Result:     clinical.Result{Value: normalised.Quantity(), Equation: equation, Source: source},
		Normalised: normalised, Absolute: absolute,
	}
}

// Quantity returns the value with its unit, mL/min.
func (g AbsoluteGFR) Quantity() units.Quantity {
	return units.Quantity{Value: float64(g), Unit: units.MLPerMin}
}

// Quantity returns the value with its unit, mL/min/{1.73_m2}.
func (g NormalisedGFR) Quantity() units.Quantity {
	return units.Quantity{Value: float64(g), Unit: units.MLPerMinPer173M2}
}

// Normalise returns the GFR for 1.73 m2, given the body surface area in m2. It
// returns a *clinical.Error when either is not a finite positive number.
func (g AbsoluteGFR) Normalise(surfaceAreaM2 float64) (NormalisedGFR, error) {
	if err := checkPositive("GFR", float64(g)); err != nil {
		return 0, err
	}
	if err := checkPositive("body surface area", surfaceAreaM2); err != nil {
		return 0, err
	}
	return g.normalise(surfaceAreaM2), nil
}

// Absolute returns the GFR in mL/min, given the body surface area in m2. It
// returns a *clinical.Error when either is not a finite positive number.
func (g NormalisedGFR) Absolute(surfaceAreaM2 float64) (AbsoluteGFR, error) {
	if err := checkPositive("GFR", float64(g)); err != nil {
		return 0, err
	}
	if err := checkPositive("body surface area", surfaceAreaM2); err != nil {
		return 0, err
	}
	return g.absolute(surfaceAreaM2), nil
}

func (g AbsoluteGFR) normalise(surfaceAreaM2 float64) NormalisedGFR {
	return NormalisedGFR(float64(g) * standardSurfaceAreaM2 / surfaceAreaM2)
}

func (g NormalisedGFR) absolute(surfaceAreaM2 float64) AbsoluteGFR {
	return AbsoluteGFR(float64(g) * surfaceAreaM2 / standardSurfaceAreaM2)
}

func checkPositive(field string, value float64) error {
	switch {
	case math.IsNaN(value) || math.IsInf(value, 0):
		return &clinical.Error{Code: clinical.NotFinite, Field: field, Message: "the value is not a finite number"}
	case value <= 0:
		return &clinical.Error{Code: clinical.NotPositive, Field: field, Message: "the value must be greater than zero"}
	}
	return nil
}
