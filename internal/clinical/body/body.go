// Package body computes the body mass index and the body surface area of an
// adult from height and weight. It does not estimate ideal or lean weight.
package body

import (
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Size is a height and a weight, measured on the same occasion.
type Size struct {
	Height clinical.Measurement `json:"height" jsonschema:"standing height in cm, m or [in_i]"`
	Weight clinical.Measurement `json:"weight" jsonschema:"body weight in kg or [lb_av]"`
}

// Limits of the program. Outside the refused limits there is no result, outside
// the usual limits there is a warning. Common practice, no published source.
const (
	lowestHeightCm, highestHeightCm           = 120, 230
	lowestWeightKg, highestWeightKg           = 30, 250
	usualLowestHeightCm, usualHighestHeightCm = 140, 210
	usualLowestWeightKg, usualHighestWeightKg = 40, 160
	divergenceBMI                             = 35
)

// The warnings of this package.
const (
	// UnusualHeight: the height is outside 140 to 210 cm.
	UnusualHeight clinical.WarningCode = "unusual-height"
	// UnusualWeight: the weight is outside 40 to 160 kg.
	UnusualWeight clinical.WarningCode = "unusual-weight"
	// SurfaceAreaFormulasDiverge: the BMI is 35 kg/m2 or more, where the
	// formulas differ by more than 4 %.
	SurfaceAreaFormulasDiverge clinical.WarningCode = "surface-area-formulas-diverge"
)

// centimetresAndKilograms returns the checked height in cm and weight in kg.
func (s Size) centimetresAndKilograms() (height, weight float64, err error) {
	height, err = s.Height.Within("height", units.Height, lowestHeightCm, highestHeightCm, units.Centimetre)
	if err != nil {
		return 0, 0, err
	}
	weight, err = s.Weight.Within("weight", units.Weight, lowestWeightKg, highestWeightKg, units.Kilogram)
	return height, weight, err
}

// Kilograms returns the weight in kg. It returns a *clinical.Error when the
// weight is missing, not convertible, or outside 30 to 250 kg.
func (s Size) Kilograms() (float64, error) {
	_, weight, err := s.centimetresAndKilograms()
	return weight, err
}

// Centimetres returns the height in cm. It returns a *clinical.Error when the
// height or the weight is missing, not convertible, or outside the limits.
func (s Size) Centimetres() (float64, error) {
	height, _, err := s.centimetresAndKilograms()
	return height, err
}

func (s Size) describe(r *clinical.Result, height, weight float64) {
	r.AddInput("height", s.Height)
	r.AddInput("weight", s.Weight)
	if height < usualLowestHeightCm || height > usualHighestHeightCm {
		r.Warn(UnusualHeight, "height is outside %d to %d cm; check the entry", usualLowestHeightCm, usualHighestHeightCm)
	}
	if weight < usualLowestWeightKg || weight > usualHighestWeightKg {
		r.Warn(UnusualWeight, "weight is outside %d to %d kg; check the entry", usualLowestWeightKg, usualHighestWeightKg)
	}
}

// MassIndex returns the body mass index in kg/m2, weight over height squared.
// It returns a *clinical.Error for a height outside 120 to 230 cm or a weight
// outside 30 to 250 kg. Source: Quetelet's index; Keys, J Chronic Dis 1972
// (from memory).
func MassIndex(s Size) (clinical.Result, error) {
	height, weight, err := s.centimetresAndKilograms()
	if err != nil {
		return clinical.Result{}, err
	}
	r := clinical.Result{
		Value:    units.Quantity{Value: massIndex(height, weight), Unit: units.KgPerM2},
		Equation: "bmi-quetelet-1972",
		Source:   "weight in kg over the square of height in m",
	}
	s.describe(&r, height, weight)
	return r, nil
}

func massIndex(heightCm, weightKg float64) float64 {
	metres := heightCm / 100
	return weightKg / (metres * metres)
}

// SurfaceAreaFormula is the id of a formula for the body surface area. A site
// chooses one and does not mix them within a candidate. The zero value is the
// default of the project, Du Bois, the usual choice for indexing adult GFR.
type SurfaceAreaFormula string

// The formulas for the body surface area.
const (
	DuBois    SurfaceAreaFormula = "bsa-dubois-1916"
	Mosteller SurfaceAreaFormula = "bsa-mosteller-1987"
	Haycock   SurfaceAreaFormula = "bsa-haycock-1978"
)

// SurfaceAreaFormulas lists the formulas, the default first.
func SurfaceAreaFormulas() []SurfaceAreaFormula {
	return []SurfaceAreaFormula{DuBois, Mosteller, Haycock}
}

// SurfaceArea returns the body surface area in m2. It returns a *clinical.Error
// for an unknown formula, a height outside 120 to 230 cm or a weight outside 30
// to 250 kg. From a BMI of 35 it warns that the formulas diverge, so that the
// absolute clearance is shown beside the indexed one. The source is that of the
// formula chosen; the coefficients were read in compilations of these papers.
func SurfaceArea(formula SurfaceAreaFormula, s Size) (clinical.Result, error) {
	height, weight, err := s.centimetresAndKilograms()
	if err != nil {
		return clinical.Result{}, err
	}
	if formula == "" {
		formula = DuBois
	}
	source := formula.source()
	if source == "" {
		return clinical.Result{}, &clinical.Error{
			Code: clinical.UnknownChoice, Field: "surface area formula", Message: "the formula is not known",
			Accepted: clinical.Words(SurfaceAreaFormulas()),
		}
	}
	r := clinical.Result{
		Value:    units.Quantity{Value: formula.squareMetres(height, weight), Unit: units.SquareMetre},
		Equation: string(formula),
		Source:   source,
	}
	s.describe(&r, height, weight)
	if massIndex(height, weight) >= divergenceBMI {
		r.Warn(SurfaceAreaFormulasDiverge, "from a BMI of %d kg/m2 the surface area formulas differ by more than 4 %%; show the absolute value beside the normalised one", divergenceBMI)
	}
	return r, nil
}

// source names the publication of a formula; it is empty for one that is not
// known.
func (f SurfaceAreaFormula) source() string {
	switch f {
	case DuBois:
		return "Du Bois and Du Bois, Arch Intern Med 1916"
	case Mosteller:
		return "Mosteller, N Engl J Med 1987"
	case Haycock:
		return "Haycock, J Pediatr 1978"
	}
	return ""
}

// squareMetres computes a formula that is known.
func (f SurfaceAreaFormula) squareMetres(heightCm, weightKg float64) float64 {
	switch f {
	case Mosteller:
		// Mosteller, N Engl J Med 1987.
		return math.Sqrt(heightCm * weightKg / 3600)
	case Haycock:
		// Haycock, J Pediatr 1978.
		return 0.024265 * math.Pow(weightKg, 0.5378) * math.Pow(heightCm, 0.3964)
	default:
		// Du Bois and Du Bois, Arch Intern Med 1916.
		return 0.007184 * math.Pow(weightKg, 0.425) * math.Pow(heightCm, 0.725)
	}
}
