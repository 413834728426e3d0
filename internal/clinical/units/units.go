// Package units holds quantities with UCUM unit codes and converts between the
// units in which one analyte is reported.
//
// A conversion always names the analyte, because the factor between a mass and
// a molar unit depends on the molecule. The package refuses what it does not
// know and never guesses: a value that is typical of another unit is an error.
// It does not parse text, judge whether a value is healthy, or convert one
// analyte into another. It is a table of the accepted units, not a general UCUM
// library; see table.go.
package units

import "math"

// Quantity is a number with its UCUM unit code.
type Quantity struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Analytes lists every analyte that can be converted.
func Analytes() []Analyte {
	list := make([]Analyte, 0, len(table))
	for i := range table {
		list = append(list, table[i].analyte)
	}
	return list
}

// Accepted lists the UCUM codes accepted for an analyte, the canonical unit
// first. It is empty for an unknown analyte.
func Accepted(analyte Analyte) []string {
	known := lookUp(analyte)
	if known == nil {
		return nil
	}
	codes := make([]string, 0, len(known.units))
	for _, d := range known.units {
		codes = append(codes, d.unit)
	}
	return codes
}

// Canonical returns the unit in which the project computes with an analyte. It
// is empty for an unknown analyte.
func Canonical(analyte Analyte) string {
	if known := lookUp(analyte); known != nil {
		return known.units[0].unit
	}
	return ""
}

// Convert expresses a quantity of an analyte in another accepted unit.
//
// It returns an *Error when the analyte is unknown, when either unit is not
// accepted for it, when the value is NaN, infinite, zero or negative (a count of
// cells may be zero), when the result is not representable, and with the code
// ProbableUnitError when the value is not plausible in its unit but would be in
// another one, such as a serum creatinine of 88 mg/dL or 0.9 umol/L. Such a
// value is never converted silently. A valid quantity is converted without
// allocating.
func Convert(analyte Analyte, q Quantity, to string) (Quantity, error) {
	known := lookUp(analyte)
	if known == nil {
		return Quantity{}, &Error{Code: UnknownAnalyte, Message: "the analyte is not known"}
	}
	from, ok := known.find(q.Unit)
	if !ok {
		return Quantity{}, &Error{
			Code: UnknownUnit, Analyte: analyte,
			Message: "the unit is missing or not accepted for " + string(analyte), Accepted: Accepted(analyte),
		}
	}
	target, ok := known.find(to)
	if !ok {
		return Quantity{}, &Error{
			Code: UnknownUnit, Analyte: analyte,
			Message: "the unit asked for is not accepted for " + string(analyte), Accepted: Accepted(analyte),
		}
	}
	if err := known.checkValue(q.Value); err != nil {
		return Quantity{}, err
	}
	if err := known.checkUnitFits(from, q.Value); err != nil {
		return Quantity{}, err
	}
	if from.scale == target.scale {
		return Quantity{Value: q.Value, Unit: to}, nil
	}
	value := target.fromCanonical(from.toCanonical(q.Value))
	if err := known.checkValue(value); err != nil {
		return Quantity{}, err
	}
	return Quantity{Value: value, Unit: to}, nil
}

// scale relates a unit to the canonical unit of its analyte: canonical value =
// perUnit times value plus offset.
type scale struct{ perUnit, offset float64 }

func (s scale) toCanonical(value float64) float64 { return value*s.perUnit + s.offset }

func (s scale) fromCanonical(value float64) float64 { return (value - s.offset) / s.perUnit }

// definition is one accepted unit.
type definition struct {
	unit string
	scale
}

// definitions are the accepted units of an analyte, the canonical one first.
type definitions []definition

// in begins the units of an analyte: the first is the canonical unit, the others
// have the same numbers under another code.
func in(codes ...string) definitions { return definitions(nil).and(1, codes...) }

// and adds units of which one is worth perUnit canonical units.
func (d definitions) and(perUnit float64, codes ...string) definitions {
	for _, code := range codes {
		d = append(d, definition{code, scale{perUnit: perUnit}})
	}
	return d
}

// entry is what is known of the units of one analyte.
type entry struct {
	analyte Analyte
	units   definitions
	// low and high bound what is plausible, in the canonical unit. Both are zero
	// where the accepted units cannot be told apart by the number.
	low, high float64
	// zero tells that a value of zero is a result, as in a count.
	zero bool
}

func lookUp(analyte Analyte) *entry {
	for i := range table {
		if table[i].analyte == analyte {
			return &table[i]
		}
	}
	return nil
}

func (e *entry) find(unit string) (definition, bool) {
	for _, d := range e.units {
		if d.unit == unit {
			return d, true
		}
	}
	return definition{}, false
}

func (e *entry) checkValue(value float64) error {
	switch {
	case math.IsNaN(value) || math.IsInf(value, 0):
		return &Error{Code: NotFinite, Analyte: e.analyte, Message: "the value is not a finite number"}
	case e.zero && value == 0:
		return nil
	case value <= 0 && e.zero:
		return &Error{Code: NotPositive, Analyte: e.analyte, Message: "the value must not be negative"}
	case value <= 0:
		return &Error{Code: NotPositive, Analyte: e.analyte, Message: "the value must be greater than zero"}
	}
	return nil
}

func (e *entry) plausible(canonical float64) bool { return canonical >= e.low && canonical <= e.high }

// checkUnitFits refuses a value that is not plausible as given, but would be if
// its unit were another accepted one. A value that is plausible in no unit is
// left to the limits of the formula, and one that is plausible in its unit
// passes, however abnormal it is.
func (e *entry) checkUnitFits(given definition, value float64) error {
	if e.high == 0 || e.plausible(given.toCanonical(value)) {
		return nil
	}
	for _, other := range e.units {
		if other.scale != given.scale && e.plausible(other.toCanonical(value)) {
			return &Error{
				Code: ProbableUnitError, Analyte: e.analyte,
				Message:  "the value is given in " + given.unit + " but is typical of " + other.unit + "; check the unit with the laboratory",
				Accepted: Accepted(e.analyte),
			}
		}
	}
	return nil
}
