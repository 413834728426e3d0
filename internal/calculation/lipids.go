package calculation

import (
	"encoding/json"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/lipids"
)

// nonHDLInput is the part of a profile that non-HDL cholesterol takes.
type nonHDLInput struct {
	Total clinical.Measurement `json:"total" jsonschema:"total cholesterol in mg/dL or mmol/L"`
	HDL   clinical.Measurement `json:"hdl" jsonschema:"HDL cholesterol in mg/dL or mmol/L"`
}

func lipidCalculations() []Calculation {
	names := map[string]string{"total cholesterol": "total", "HDL cholesterol": "hdl"}
	return []Calculation{
		define(Calculation{
			ID: "ldl-friedewald", Topic: Lipids, Title: "LDL cholesterol by the equation of Friedewald",
			Source:  "Friedewald (from memory)",
			Example: json.RawMessage(`{"total": "200 mg/dL", "hdl": "50 mg/dL", "triglyceride": "150 mg/dL", "fasting": "yes"}`),
			names:   names,
		}, func(in lipids.Profile) (Outcome, error) {
			r, err := lipids.LDLFriedewald(in)
			return values(err, number("LDL cholesterol", r, 0))
		}),
		define(Calculation{
			ID: "non-hdl-cholesterol", Topic: Lipids, Title: "Non-HDL cholesterol",
			Source:  "total minus HDL cholesterol",
			Example: json.RawMessage(`{"total": "200 mg/dL", "hdl": "50 mg/dL"}`),
			names:   names,
		}, func(in nonHDLInput) (Outcome, error) {
			r, err := lipids.NonHDL(lipids.Profile{Total: in.Total, HDL: in.HDL})
			return values(err, number("non-HDL cholesterol", r, 0))
		}),
	}
}
