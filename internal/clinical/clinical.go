// Package clinical holds what the formulas of a living-donor kidney evaluation
// share: measurements with their provenance, results that can be audited, one
// typed error, rounding for display, and the comparison of a displayed value
// with a threshold.
//
// The formulas live in packages by topic: body, renal, urine and pressure. All
// of them are pure. They read no clock and no files, keep no state, and put no
// default in place of a missing, infinite, zero or negative input: they return
// an *Error instead. They compute; whether a candidate may donate is decided by
// people.
package clinical

import (
	"errors"
	"fmt"
	"slices"

	"candidacy/internal/clinical/units"
)

// Measurement is a quantity with where it came from. Date is the date of
// collection as recorded, of any precision, and Ref the id of the observation;
// both are optional and are carried into the result unchanged.
type Measurement struct {
	units.Quantity
	Date string `json:"date,omitempty"`
	Ref  string `json:"ref,omitempty"`
}

// NewMeasurement returns a measurement without date and reference.
func NewMeasurement(value float64, unit string) Measurement {
	return Measurement{Quantity: units.Quantity{Value: value, Unit: unit}}
}

// Given reports whether the measurement holds anything. Formulas use it for
// inputs that they document as optional.
func (m Measurement) Given() bool { return m.Quantity != units.Quantity{} }

// In returns the value of the measurement in another unit. The field names the
// measurement in the *Error that is returned when it is missing, not a finite
// positive number, or not convertible.
func (m Measurement) In(field string, analyte units.Analyte, unit string) (float64, error) {
	if !m.Given() {
		return 0, &Error{
			Code: Missing, Field: field,
			Message: "a value with its unit is required", Accepted: units.Accepted(analyte),
		}
	}
	q, err := units.Convert(analyte, m.Quantity, unit)
	if err != nil {
		return 0, fromUnits(field, err)
	}
	return q.Value, nil
}

// Within returns the value of the measurement in a unit after checking that it
// lies between low and high, both included. Outside them the error has the code
// OutOfRange.
func (m Measurement) Within(field string, analyte units.Analyte, low, high float64, unit string) (float64, error) {
	value, err := m.In(field, analyte, unit)
	if err != nil {
		return 0, err
	}
	if err := CheckRange(field, value, low, high, unit); err != nil {
		return 0, err
	}
	return value, nil
}

// CheckRange returns an *Error unless value lies between low and high, both
// included. NaN lies nowhere.
func CheckRange(field string, value, low, high float64, unit string) error {
	if value >= low && value <= high {
		return nil
	}
	return &Error{
		Code: OutOfRange, Field: field,
		Message:  "the value is outside the plausible range",
		Accepted: []string{fmt.Sprintf("%g to %g %s", low, high, unit)},
	}
}

func fromUnits(field string, err error) error {
	var u *units.Error
	if !errors.As(err, &u) {
		return err
	}
	return &Error{Code: Code(u.Code), Field: field, Message: u.Message, Accepted: u.Accepted, cause: u}
}

// Input is one fact that a result was computed from, as it was reported: a
// measurement, or a choice such as the sex or the answer to a question.
type Input struct {
	Name        string      `json:"name"`
	Measurement Measurement `json:"measurement,omitzero"`
	Choice      string      `json:"choice,omitempty"`
}

// Step is one intermediate value of a calculation, unrounded.
type Step struct {
	Text  string         `json:"text"`
	Value units.Quantity `json:"value"`
}

// WarningCode names a warning.
type WarningCode string

// Warning says that a result exists but needs a second look.
type Warning struct {
	Code    WarningCode `json:"code"`
	Message string      `json:"message"`
}

// Result is a computed value with all that is needed to check it later. The
// value is unrounded: round it for display only. Equation is the id of the
// equation with the year of its publication, Source the publication.
type Result struct {
	Value    units.Quantity `json:"value"`
	Interval *Interval      `json:"interval,omitempty"`
	Equation string         `json:"equation"`
	Source   string         `json:"source"`
	Inputs   []Input        `json:"inputs"`
	Steps    []Step         `json:"steps,omitempty"`
	Warnings []Warning      `json:"warnings,omitempty"`
}

// Interval is the interval in which the quantity lies with the probability
// Coverage, given the stated uncertainties of the inputs. All but Coverage and
// CoverageFactor are in the unit of the value; the interval is the value plus
// and minus CoverageFactor times StandardUncertainty. Contributions add up in
// squares.
type Interval struct {
	Low                 float64        `json:"low"`
	High                float64        `json:"high"`
	StandardUncertainty float64        `json:"standardUncertainty"`
	CoverageFactor      float64        `json:"coverageFactor"`
	Coverage            float64        `json:"coverage"`
	Method              string         `json:"method"`
	Contributions       []Contribution `json:"contributions"`
}

// Contribution is what the uncertainty of one kind of input adds.
type Contribution struct {
	Name                string  `json:"name"`
	StandardUncertainty float64 `json:"standardUncertainty"`
}

// Spans reports whether the interval reaches to both sides of a threshold, so
// that the measurement does not settle on which side the quantity lies.
func (i Interval) Spans(threshold float64) bool {
	return i.Low < threshold && threshold <= i.High
}

// Conclusion is a coded answer to a question of which the answer is no number: a
// class, a compatibility, a side. It is never bare: Reasons lists everything
// that was weighed, in the order of the rule, also what did not decide. Rule is
// the id of the rule with the year of its publication, Source the publication.
type Conclusion struct {
	Question string    `json:"question"`
	Answer   string    `json:"answer"`
	Reasons  []Reason  `json:"reasons"`
	Rule     string    `json:"rule"`
	Source   string    `json:"source"`
	Inputs   []Input   `json:"inputs"`
	Warnings []Warning `json:"warnings,omitempty"`
}

// Reason is one consideration of a conclusion. Weight tells what it did to the
// answer.
type Reason struct {
	Text   string `json:"text"`
	Weight Weight `json:"weight"`
	Source string `json:"source,omitempty"`
}

// Weight tells what a reason did to the answer of a conclusion.
type Weight string

// The weights of a reason.
const (
	// Decides: the answer follows from this reason.
	Decides Weight = "decides"
	// Supports: the reason points the same way as the answer.
	Supports Weight = "supports"
	// Opposes: the reason points another way than the answer.
	Opposes Weight = "opposes"
	// Neutral: the reason was looked at and points nowhere.
	Neutral Weight = "neutral"
	// NotKnown: the fact was not recorded, so it could not be weighed.
	NotKnown Weight = "not-known"
)

// AddReason records a consideration.
func (c *Conclusion) AddReason(weight Weight, source, text string) {
	c.Reasons = append(c.Reasons, Reason{Text: text, Weight: weight, Source: source})
}

// AddInput records a measurement that the conclusion stands on.
func (c *Conclusion) AddInput(name string, m Measurement) {
	c.Inputs = append(c.Inputs, Input{Name: name, Measurement: m})
}

// AddChoice records a coded fact that the conclusion stands on; one that was not
// recorded is left out.
func (c *Conclusion) AddChoice(name, choice string) {
	if choice != "" {
		c.Inputs = append(c.Inputs, Input{Name: name, Choice: choice})
	}
}

// Warn adds a warning; the message is formatted as by fmt.Sprintf.
func (c *Conclusion) Warn(code WarningCode, format string, args ...any) {
	c.Warnings = append(c.Warnings, Warning{Code: code, Message: fmt.Sprintf(format, args...)})
}

// HasWarning reports whether the conclusion carries a warning of that code.
func (c Conclusion) HasWarning(code WarningCode) bool { return hasWarning(c.Warnings, code) }

// AddInput records a measurement that the result was computed from.
func (r *Result) AddInput(name string, m Measurement) {
	r.Inputs = append(r.Inputs, Input{Name: name, Measurement: m})
}

// AddChoice records a coded fact that the result was computed from; one that
// was not recorded is left out.
func (r *Result) AddChoice(name, choice string) {
	if choice != "" {
		r.Inputs = append(r.Inputs, Input{Name: name, Choice: choice})
	}
}

// AddStep records an intermediate value.
func (r *Result) AddStep(text string, value float64, unit string) {
	r.Steps = append(r.Steps, Step{Text: text, Value: units.Quantity{Value: value, Unit: unit}})
}

// Warn adds a warning; the message is formatted as by fmt.Sprintf.
func (r *Result) Warn(code WarningCode, format string, args ...any) {
	r.Warnings = append(r.Warnings, Warning{Code: code, Message: fmt.Sprintf(format, args...)})
}

// HasWarning reports whether the result carries a warning of that code.
func (r Result) HasWarning(code WarningCode) bool { return hasWarning(r.Warnings, code) }

func hasWarning(list []Warning, code WarningCode) bool {
	return slices.ContainsFunc(list, func(w Warning) bool { return w.Code == code })
}
