package urine

import (
	"fmt"
	"math"
	"strings"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Bands are two limits that part a value into three bands: below Lower, from
// Lower to Upper, both included, and above Upper.
type Bands struct {
	Lower float64 `json:"lower" jsonschema:"lowest value of the middle band"`
	Upper float64 `json:"upper" jsonschema:"highest value of the middle band"`
}

// Limits are the limits of a programme for albumin and protein in urine.
type Limits struct {
	RatioMgPerG         Bands `json:"ratioMgPerG" jsonschema:"limits of the albumin-to-creatinine ratio in mg/g"`
	RatioMgPerMmol      Bands `json:"ratioMgPerMmol" jsonschema:"limits of the albumin-to-creatinine ratio in mg/mmol"`
	AlbuminMgPer24Hours Bands `json:"albuminMgPer24Hours" jsonschema:"limits of the albumin excretion in mg/(24.h)"`
	ProteinMgPer24Hours Bands `json:"proteinMgPer24Hours" jsonschema:"limits of the protein excretion in mg/(24.h)"`
}

// DefaultLimits returns the limits of published guidelines. Ratio: A1 to A3 of
// KDIGO CKD, from memory. Albumin: KDIGO 2017; its upper limit from a summary,
// its lower from memory. Protein: abstract of an Australian guideline of 2010.
func DefaultLimits() Limits {
	return Limits{
		RatioMgPerG:         Bands{30, 300},
		RatioMgPerMmol:      Bands{3, 30},
		AlbuminMgPer24Hours: Bands{30, 100},
		ProteinMgPer24Hours: Bands{150, 300},
	}
}

// The categories of the albumin-to-creatinine ratio.
const (
	A1 = "A1"
	A2 = "A2"
	A3 = "A3"
)

// The bands of an excretion. They tell where it lies and decide nothing.
const (
	Acceptable     = "acceptable"
	Individualised = "individualised"
	AboveUpper     = "above-upper-limit"
)

// The sources of the default limits.
const (
	ratioSource   = "KDIGO CKD (from memory)"
	albuminSource = "KDIGO 2017 (the lower limit from memory)"
	proteinSource = "Australian guideline 2010 (abstract)"
)

// AlbuminCreatinineCategory returns the category A1, A2 or A3 of an
// albumin-to-creatinine ratio. It is classified in the unit of the laboratory,
// mg/g or mg/mmol, because the limits of the two are rounded and not equal. From
// A2 on it has to be confirmed by a timed collection. It returns a
// *clinical.Error for a ratio that is missing, not a positive number or in
// another unit, and for limits that are not in order.
func AlbuminCreatinineCategory(ratio clinical.Measurement, limits Limits) (clinical.Conclusion, error) {
	l := banded{
		question: "category of the albumin-to-creatinine ratio", field: "albumin-to-creatinine ratio", rule: "acr-category-kdigo", source: ratioSource,
		analyte: units.AlbuminCreatinineRatio, unit: units.MgPerG, bands: limits.RatioMgPerG, answers: [3]string{A1, A2, A3},
	}
	if strings.HasPrefix(ratio.Unit, units.MgPerMmol) {
		// The limits are whole numbers of one digit, so one decimal is shown.
		l.unit, l.bands, l.decimals = units.MgPerMmol, limits.RatioMgPerMmol, 1
	}
	c, err := l.classify(ratio)
	if err != nil {
		return clinical.Conclusion{}, err
	}
	if c.Answer != A1 {
		c.AddReason(clinical.Neutral, ratioSource, "a ratio of a spot sample has to be confirmed by the albumin excretion in a timed collection")
	}
	return c, nil
}

// AlbuminExcretionBand returns the band of an albumin excretion: by default
// acceptable below 30 mg/(24.h), individualised to 100 and above-upper-limit
// beyond. It returns a *clinical.Error for an excretion that is missing, not a
// positive number or in another unit, and for limits that are not in order.
func AlbuminExcretionBand(excretion clinical.Measurement, limits Limits) (clinical.Conclusion, error) {
	return banded{
		question: "band of the albumin excretion", field: "albumin excretion", rule: "albumin-excretion-band-kdigo-2017", source: albuminSource,
		analyte: units.AlbuminExcretionRate, unit: units.MgPer24Hours, bands: limits.AlbuminMgPer24Hours,
		answers: [3]string{Acceptable, Individualised, AboveUpper},
	}.classify(excretion)
}

// ProteinExcretionBand returns the band of a protein excretion: by default
// acceptable below 150 mg/(24.h), individualised to 300 and above-upper-limit
// beyond. It returns a *clinical.Error as AlbuminExcretionBand does.
func ProteinExcretionBand(excretion clinical.Measurement, limits Limits) (clinical.Conclusion, error) {
	return banded{
		question: "band of the protein excretion", field: "protein excretion", rule: "protein-excretion-band-2010", source: proteinSource,
		analyte: units.ProteinExcretionRate, unit: units.MgPer24Hours, bands: limits.ProteinMgPer24Hours,
		answers: [3]string{Acceptable, Individualised, AboveUpper},
	}.classify(excretion)
}

// banded is one quantity with what is needed to find its band.
type banded struct {
	question, field, rule, source string
	analyte                       units.Analyte
	unit                          string
	bands                         Bands
	answers                       [3]string
	decimals                      int
}

func (b banded) classify(m clinical.Measurement) (clinical.Conclusion, error) {
	if !(b.bands.Lower > 0 && b.bands.Upper > b.bands.Lower) || math.IsInf(b.bands.Upper, 1) {
		return clinical.Conclusion{}, &clinical.Error{
			Code: clinical.WrongOrder, Field: "limits of the " + b.field,
			Message: "the limits must be positive, finite and the lower below the upper",
		}
	}
	value, err := m.In(b.field, b.analyte, b.unit)
	if err != nil {
		return clinical.Conclusion{}, err
	}
	lower := fmt.Sprintf("%g %s", b.bands.Lower, b.unit)
	upper := fmt.Sprintf("%g %s", b.bands.Upper, b.unit)
	c := clinical.Conclusion{Question: b.question, Rule: b.rule, Source: b.source}
	c.AddInput(b.field, m)
	switch {
	case value > b.bands.Upper:
		c.Answer = b.answers[2]
		c.AddReason(clinical.Decides, b.source, b.field+" is more than "+upper)
	case value >= b.bands.Lower:
		c.Answer = b.answers[1]
		c.AddReason(clinical.Decides, b.source, b.field+" is at least "+lower+" and at most "+upper)
	default:
		c.Answer = b.answers[0]
		c.AddReason(clinical.Decides, b.source, b.field+" is below "+lower)
	}
	if clinical.NearThreshold(value, clinical.AtLeast, b.bands.Lower, b.decimals) || clinical.NearThreshold(value, clinical.MoreThan, b.bands.Upper, b.decimals) {
		c.Warn(clinical.NearThresholdWarning, "%s is shown as %s %s, on another side of a limit than it lies", b.field, clinical.Display(value, b.decimals), b.unit)
	}
	return c, nil
}
