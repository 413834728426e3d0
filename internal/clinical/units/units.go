// Package units holds quantities with UCUM unit codes and converts between the
// units in which one analyte is reported.
//
// A conversion always names the analyte, because the factor between a mass and
// a molar unit depends on the molecule. The package refuses what it does not
// know and never guesses: a value that is typical of another unit is an error.
// It does not parse text, judge whether a value is healthy, or convert one
// analyte into another.
package units

import (
	"math"
	"slices"
)

// Quantity is a number with its UCUM unit code.
type Quantity struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// UCUM codes of the units in which this project computes and stores results.
const (
	MgPerDL          = "mg/dL"
	UmolPerL         = "umol/L"
	MmolPerL         = "mmol/L"
	MgPerL           = "mg/L"
	UgPerML          = "ug/mL"
	MgPer24Hours     = "mg/(24.h)"
	UgPerMin         = "ug/min"
	MgPerG           = "mg/g"
	MgPerMmol        = "mg/mmol"
	Mg               = "mg"
	Ug               = "ug"
	ML               = "mL"
	L                = "L"
	Minute           = "min"
	PerMinute        = "/min"
	Hour             = "h"
	Day              = "d"
	Year             = "a"
	Centimetre       = "cm"
	Metre            = "m"
	Inch             = "[in_i]"
	Kilogram         = "kg"
	Pound            = "[lb_av]"
	SquareMetre      = "m2"
	KgPerM2          = "kg/m2"
	MmHg             = "mm[Hg]"
	MLPerMin         = "mL/min"
	MLPerMinPer173M2 = "mL/min/{1.73_m2}"
	Percent          = "%"
	One              = "1"
)

const (
	mgPerDay            = "mg/d"
	mgPerGCreatinine    = "mg/g{creat}"
	mgPerMmolCreatinine = "mg/mmol{creat}"
)

// CreatinineUmolPerLPerMgPerDL is the one factor of the project between serum
// creatinine in umol/L and in mg/dL. Most laboratories use 88.4, and the molar
// mass from standard atomic weights (C4H7N3O, 113.120 g/mol) gives 88.402. The
// difference is 0.023 %, at most 0.03 % of an estimated GFR, so it cannot show
// at whole mL/min except on a rounding edge.
const CreatinineUmolPerLPerMgPerDL = 88.42

// ACRMgPerGPerMgPerMmol is the factor between an albumin-to-creatinine ratio
// in mg/g and in mg/mmol (KDIGO and NKF texts; from the creatinine factor
// 88.4). The rounded limits 3 and 30 mg/mmol are not equal to 30 and 300 mg/g,
// so a ratio is to be classified in the unit the laboratory reported.
const ACRMgPerGPerMgPerMmol = 8.84

// Analyte names what was measured; it decides which units are accepted.
type Analyte string

// The analytes that can be converted.
const (
	SerumCreatinine        Analyte = "serum creatinine"
	UrineCreatinine        Analyte = "urine creatinine"
	CystatinC              Analyte = "cystatin C"
	UrineAlbumin           Analyte = "urine albumin"
	AlbuminExcretionRate   Analyte = "albumin excretion rate"
	AlbuminCreatinineRatio Analyte = "albumin-to-creatinine ratio"
	IohexolDose            Analyte = "iohexol dose"
	PlasmaIohexol          Analyte = "plasma iohexol"
	UrineVolume            Analyte = "urine volume"
	Duration               Analyte = "duration"
	Height                 Analyte = "height"
	Weight                 Analyte = "weight"
	BodySurfaceArea        Analyte = "body surface area"
	BodyMassIndex          Analyte = "body mass index"
	BloodPressure          Analyte = "blood pressure"
	AbsoluteGFR            Analyte = "absolute GFR"
	NormalisedGFR          Analyte = "BSA-normalised GFR"
)

// definition is one accepted unit; a value times perUnit is the value in the
// first unit of the analyte. Factors without a named constant are exact by
// definition: 1.44 is 1440 min a day over 1000 ug a mg, an inch is 2.54 cm and
// an avoirdupois pound 0.45359237 kg.
type definition struct {
	unit    string
	perUnit float64
}

// definitions lists the accepted units of an analyte, the canonical one first.
// An unknown analyte has none.
func definitions(analyte Analyte) []definition {
	switch analyte {
	case SerumCreatinine:
		return []definition{{MgPerDL, 1}, {UmolPerL, 1 / CreatinineUmolPerLPerMgPerDL}}
	case UrineCreatinine:
		return []definition{{MgPerDL, 1}, {MmolPerL, 1000 / CreatinineUmolPerLPerMgPerDL}}
	case CystatinC:
		return []definition{{MgPerL, 1}}
	case UrineAlbumin:
		return []definition{{MgPerL, 1}, {UgPerML, 1}, {MgPerDL, 10}}
	case AlbuminExcretionRate:
		return []definition{{MgPer24Hours, 1}, {mgPerDay, 1}, {UgPerMin, 1.44}}
	case AlbuminCreatinineRatio:
		return []definition{
			{MgPerG, 1}, {mgPerGCreatinine, 1},
			{MgPerMmol, ACRMgPerGPerMgPerMmol}, {mgPerMmolCreatinine, ACRMgPerGPerMgPerMmol},
		}
	case IohexolDose:
		return []definition{{Mg, 1}, {Ug, 0.001}}
	case PlasmaIohexol:
		return []definition{{UgPerML, 1}, {MgPerL, 1}}
	case UrineVolume:
		return []definition{{ML, 1}, {L, 1000}}
	case Duration:
		return []definition{{Minute, 1}, {Hour, 60}, {Day, 1440}}
	case Height:
		return []definition{{Centimetre, 1}, {Metre, 100}, {Inch, 2.54}}
	case Weight:
		return []definition{{Kilogram, 1}, {Pound, 0.45359237}}
	case BodySurfaceArea:
		return []definition{{SquareMetre, 1}}
	case BodyMassIndex:
		return []definition{{KgPerM2, 1}}
	case BloodPressure:
		return []definition{{MmHg, 1}}
	case AbsoluteGFR:
		return []definition{{MLPerMin, 1}}
	case NormalisedGFR:
		return []definition{{MLPerMinPer173M2, 1}}
	default:
		return nil
	}
}

// Analytes lists every analyte that can be converted.
func Analytes() []Analyte {
	return []Analyte{
		SerumCreatinine, UrineCreatinine, CystatinC, UrineAlbumin,
		AlbuminExcretionRate, AlbuminCreatinineRatio, IohexolDose,
		PlasmaIohexol, UrineVolume, Duration, Height, Weight, BodySurfaceArea,
		BodyMassIndex, BloodPressure, AbsoluteGFR, NormalisedGFR,
	}
}

// Accepted lists the UCUM codes accepted for an analyte, the canonical unit
// first. It is empty for an unknown analyte.
func Accepted(analyte Analyte) []string {
	var codes []string
	for _, d := range definitions(analyte) {
		codes = append(codes, d.unit)
	}
	return codes
}

// Canonical returns the unit in which the project computes with an analyte. It
// is empty for an unknown analyte.
func Canonical(analyte Analyte) string {
	if d := definitions(analyte); len(d) > 0 {
		return d[0].unit
	}
	return ""
}

// Convert expresses a quantity of an analyte in another accepted unit.
//
// It returns an *Error when the analyte is unknown, when either unit is not
// accepted for it, when the value is NaN, infinite, zero or negative, when the
// result is not representable, and when the value is typical of another unit
// (serum creatinine of 20 or more in mg/dL, or of 15 or less in umol/L).
func Convert(analyte Analyte, q Quantity, to string) (Quantity, error) {
	known := definitions(analyte)
	if len(known) == 0 {
		return Quantity{}, &Error{Code: UnknownAnalyte, Message: "the analyte is not known"}
	}
	from, ok := find(known, q.Unit)
	if !ok {
		return Quantity{}, &Error{
			Code: UnknownUnit, Analyte: analyte,
			Message: "the unit is missing or not accepted for " + string(analyte), Accepted: Accepted(analyte),
		}
	}
	target, ok := find(known, to)
	if !ok {
		return Quantity{}, &Error{
			Code: UnknownUnit, Analyte: analyte,
			Message: "the unit asked for is not accepted for " + string(analyte), Accepted: Accepted(analyte),
		}
	}
	if err := checkValue(analyte, q.Value); err != nil {
		return Quantity{}, err
	}
	if err := checkUnitFits(analyte, q); err != nil {
		return Quantity{}, err
	}
	if from.perUnit == target.perUnit {
		return Quantity{Value: q.Value, Unit: to}, nil
	}
	value := q.Value * from.perUnit / target.perUnit
	if err := checkValue(analyte, value); err != nil {
		return Quantity{}, err
	}
	return Quantity{Value: value, Unit: to}, nil
}

func find(known []definition, unit string) (definition, bool) {
	i := slices.IndexFunc(known, func(d definition) bool { return d.unit == unit })
	if i < 0 {
		return definition{}, false
	}
	return known[i], true
}

func checkValue(analyte Analyte, value float64) error {
	switch {
	case math.IsNaN(value) || math.IsInf(value, 0):
		return &Error{Code: NotFinite, Analyte: analyte, Message: "the value is not a finite number"}
	case value <= 0:
		return &Error{Code: NotPositive, Analyte: analyte, Message: "the value must be greater than zero"}
	}
	return nil
}

// checkUnitFits refuses a serum creatinine whose number is typical of the other
// unit. No adult has 20 mg/dL (1768 umol/L) or 15 umol/L (0.17 mg/dL) while
// being evaluated as a donor, whereas 88 typed with mg/dL is a common slip.
// Limits: common practice, no published source.
func checkUnitFits(analyte Analyte, q Quantity) error {
	if analyte != SerumCreatinine {
		return nil
	}
	typicalOf := ""
	switch {
	case q.Unit == MgPerDL && q.Value >= 20:
		typicalOf = UmolPerL
	case q.Unit == UmolPerL && q.Value <= 15:
		typicalOf = MgPerDL
	default:
		return nil
	}
	return &Error{
		Code: ProbableUnitError, Analyte: analyte,
		Message:  "the value is given in " + q.Unit + " but is typical of " + typicalOf + "; check the unit with the laboratory",
		Accepted: Accepted(analyte),
	}
}
