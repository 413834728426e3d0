package calculation

import (
	"encoding/json"

	"candidacy/internal/clinical/body"
)

type surfaceAreaInput struct {
	Formula body.SurfaceAreaFormula `json:"formula,omitzero" jsonschema:"the formula of the site; Du Bois when left out"`
	body.Size
}

func bodyCalculations() []Calculation {
	return []Calculation{
		define(Calculation{
			ID: "bmi", Topic: Body, Title: "Body mass index",
			Source:  "weight over the square of height (Quetelet; Keys, J Chronic Dis 1972, from memory)",
			Example: json.RawMessage(`{"height": "170 cm", "weight": "70 kg"}`),
		}, func(in body.Size) (Outcome, error) {
			r, err := body.MassIndex(in)
			return values(err, number("body mass index", r, 1))
		}),
		define(Calculation{
			ID: "body-surface-area", Topic: Body, Title: "Body surface area",
			Source:  "Du Bois and Du Bois, Arch Intern Med 1916; Mosteller, N Engl J Med 1987; Haycock, J Pediatr 1978",
			Example: json.RawMessage(`{"height": "168 cm", "weight": {"value": 110, "unit": "kg", "date": "2026-02-03"}}`),
		}, func(in surfaceAreaInput) (Outcome, error) {
			r, err := body.SurfaceArea(in.Formula, in.Size)
			return values(err, number("body surface area", r, 2))
		}),
	}
}
