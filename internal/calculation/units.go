package calculation

import (
	"encoding/json"
	"slices"
	"strconv"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

type conversionInput struct {
	Analyte  units.Analyte        `json:"analyte" jsonschema:"what was measured; it decides the factor"`
	Quantity clinical.Measurement `json:"quantity" jsonschema:"the quantity as reported"`
	To       string               `json:"to" jsonschema:"the UCUM code of the unit asked for"`
}

func unitCalculations() []Calculation {
	return []Calculation{
		define(Calculation{
			ID: "convert-units", Topic: Units, Title: "A quantity in another unit",
			Source:  "definitions of the units; molar factors of the project, such as 88.42 for creatinine",
			Example: json.RawMessage(`{"analyte": "serum creatinine", "quantity": "80 umol/L", "to": "mg/dL"}`),
		}, convert),
	}
}

func convert(in conversionInput) (Outcome, error) {
	if accepted := units.Accepted(in.Analyte); !slices.Contains(accepted, in.To) {
		return Outcome{}, &clinical.Error{Code: clinical.UnknownUnit, Field: "to", Message: "the unit is not one of those of the analyte", Accepted: accepted}
	}
	value, err := in.Quantity.In("quantity", in.Analyte, in.To)
	if err != nil {
		return Outcome{}, err
	}
	r := clinical.Result{
		Value:    units.Quantity{Value: value, Unit: in.To},
		Equation: "unit-conversion",
		Source:   "definitions of the units and the factor of the analyte",
	}
	r.AddChoice("analyte", string(in.Analyte))
	r.AddInput("quantity", in.Quantity)
	return Outcome{Values: []Value{{Name: string(in.Analyte), Shown: significant(value, shownDigits), Result: r}}}, nil
}

// A converted quantity is shown with four significant digits; an unrounded one
// with seven, more than any input has.
const shownDigits, unroundedDigits = 4, 7

// significant writes a value with a number of significant digits, without an
// exponent.
func significant(value float64, digits int) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(value, 'g', digits, 64), 64)
	if err != nil {
		rounded = value
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}
