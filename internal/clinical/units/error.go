package units

import "strings"

// Code classifies why a quantity was not converted.
type Code string

// The codes of a conversion error.
const (
	// UnknownAnalyte means that no units are defined for the analyte.
	UnknownAnalyte Code = "unknown-analyte"
	// UnknownUnit means that the unit is missing or not accepted.
	UnknownUnit Code = "unknown-unit"
	// NotFinite means that the value is NaN or infinite.
	NotFinite Code = "not-finite"
	// NotPositive means that the value is zero or negative.
	NotPositive Code = "not-positive"
	// ProbableUnitError means that the value is typical of another unit.
	ProbableUnitError Code = "probable-unit-error"
)

// Error says why a quantity was not converted. Its text holds fixed words and
// accepted unit codes only: what was sent is not repeated, because a wrong
// field may hold anything, an identifier included.
type Error struct {
	Code     Code
	Analyte  Analyte
	Message  string
	Accepted []string
}

// Error renders the error in one line.
func (e *Error) Error() string {
	if len(e.Accepted) == 0 {
		return e.Message
	}
	return e.Message + "; accepted: " + strings.Join(e.Accepted, ", ")
}
