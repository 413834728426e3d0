package clinical

import (
	"slices"
	"strings"
)

// Code classifies why a formula returned no result.
type Code string

// The codes of an error. Those of package units keep their text here.
const (
	// Missing means that a required input was not given.
	Missing Code = "missing"
	// UnknownUnit means that the unit is missing or not accepted for the field.
	UnknownUnit Code = "unknown-unit"
	// ProbableUnitError means that the value is typical of another unit.
	ProbableUnitError Code = "probable-unit-error"
	// NotFinite means that the value is NaN or infinite.
	NotFinite Code = "not-finite"
	// NotPositive means that the value is zero or negative.
	NotPositive Code = "not-positive"
	// OutOfRange means that the value is outside the plausible range.
	OutOfRange Code = "out-of-range"
	// UnknownChoice means that the field does not hold one of its fixed words.
	UnknownChoice Code = "unknown-choice"
	// NotValidAge means that the equation does not hold at that age.
	NotValidAge Code = "not-valid-age"
	// NotValidInPregnancy means that the equation does not hold in pregnancy.
	NotValidInPregnancy Code = "not-valid-in-pregnancy"
	// WrongOrder means that times or concentrations are not in order.
	WrongOrder Code = "wrong-order"
	// TooFew means that there are too few readings or samples.
	TooFew Code = "too-few"
	// QualityRefused means that a quality check of the method failed.
	QualityRefused Code = "quality-refused"
)

// Error is the one error of the formulas. Field names the input in the words of
// the formula. The text says what was wrong and what is accepted; it never
// repeats a reference, a date or what was typed, so that it may be shown and
// logged.
type Error struct {
	Code     Code     `json:"code"`
	Field    string   `json:"field"`
	Message  string   `json:"message"`
	Accepted []string `json:"accepted,omitempty"`
	cause    error
}

// Error renders the error in one line.
func (e *Error) Error() string {
	text := e.Field + ": " + e.Message
	if len(e.Accepted) > 0 {
		text += "; accepted: " + strings.Join(e.Accepted, ", ")
	}
	return text
}

// Words returns the values of a choice as the texts that an error lists.
func Words[T ~string](choices []T) []string {
	words := make([]string, len(choices))
	for i, choice := range choices {
		words[i] = string(choice)
	}
	return words
}

// CheckChoice returns an *Error unless choice is one of the accepted words. An
// empty choice is Missing, unless accepted holds the empty word, and another one
// UnknownChoice. The error lists the accepted words, the empty one left out.
func CheckChoice[T ~string](field string, choice T, accepted []T) error {
	if slices.Contains(accepted, choice) {
		return nil
	}
	e := &Error{Code: UnknownChoice, Field: field, Message: "the choice is not known"}
	if choice == "" {
		e.Code, e.Message = Missing, "a choice is required"
	}
	e.Accepted = Words(slices.DeleteFunc(slices.Clone(accepted), func(word T) bool { return word == "" }))
	return e
}

// Unwrap returns the error of package units behind this one, if any.
func (e *Error) Unwrap() error { return e.cause }
