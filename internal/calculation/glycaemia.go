package calculation

import (
	"encoding/json"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/glycaemia"
)

// ada is the source of the tables.
const ada = "American Diabetes Association, Diabetes Care"

type hba1cInput struct {
	HbA1c clinical.Measurement `json:"hba1c" jsonschema:"glycated haemoglobin in % (NGSP) or mmol/mol (IFCC)"`
}

func glycaemiaCalculations() []Calculation {
	hba1c := map[string]string{"HbA1c": "hba1c", "haemoglobin variant": "variant", "recent transfusion": "transfusion"}
	return []Calculation{
		define(Calculation{
			ID: "fasting-glucose", Topic: Glycaemia, Title: "Class of fasting plasma glucose", Source: ada,
			Example: json.RawMessage(`{"glucose": "110 mg/dL", "fasting": "yes", "pregnancy": "no"}`),
			names:   map[string]string{"fasting glucose": "glucose"},
		}, func(in glycaemia.FastingInput) (Outcome, error) {
			c, err := glycaemia.FastingGlucose(in)
			return conclusions(err, c)
		}),
		define(Calculation{
			ID: "glucose-tolerance", Topic: Glycaemia, Title: "Class of the 75 g oral glucose tolerance test", Source: ada,
			Example: json.RawMessage(`{"glucose": "7.2 mmol/L", "dose": "75 g", "time": "2 h", "pregnancy": "no"}`),
			names:   map[string]string{"glucose # h after # g": "glucose", "glucose dose": "dose", "time after the drink": "time"},
		}, func(in glycaemia.ToleranceInput) (Outcome, error) {
			c, err := glycaemia.ToleranceGlucose(in)
			return conclusions(err, c)
		}),
		define(Calculation{
			ID: "hba1c-class", Topic: Glycaemia, Title: "Class of HbA1c", Source: ada,
			Example: json.RawMessage(`{"hba1c": "6.5 %", "variant": "no", "transfusion": "no", "anaemia": "no", "pregnancy": "no"}`),
			names:   hba1c,
		}, func(in glycaemia.HbA1cInput) (Outcome, error) {
			c, err := glycaemia.HbA1cClass(in)
			return conclusions(err, c)
		}),
		define(Calculation{
			ID: "glycaemia-overall", Topic: Glycaemia, Title: "Class of all glucose and HbA1c results together", Source: ada,
			Example: json.RawMessage(`{
				"fasting": [{"glucose": "128 mg/dL", "fasting": "yes", "pregnancy": "no"}],
				"hba1c": [{"hba1c": "6.6 %", "variant": "no", "transfusion": "no", "anaemia": "no", "pregnancy": "no"}],
				"symptoms": "no"
			}`),
		}, func(in glycaemia.OverallInput) (Outcome, error) {
			c, err := glycaemia.Overall(in)
			return conclusions(err, c)
		}),
		define(Calculation{
			ID: "hba1c-to-ngsp", Topic: Glycaemia, Title: "HbA1c in % (NGSP)", Source: "NGSP",
			Example: json.RawMessage(`{"hba1c": "48 mmol/mol"}`),
			names:   hba1c,
		}, func(in hba1cInput) (Outcome, error) {
			r, err := glycaemia.NGSP(in.HbA1c)
			return values(err, number("HbA1c", r, 1))
		}),
		define(Calculation{
			ID: "hba1c-to-ifcc", Topic: Glycaemia, Title: "HbA1c in mmol/mol (IFCC)", Source: "NGSP",
			Example: json.RawMessage(`{"hba1c": "6.5 %"}`),
			names:   hba1c,
		}, func(in hba1cInput) (Outcome, error) {
			r, err := glycaemia.IFCC(in.HbA1c)
			return values(err, number("HbA1c", r, 0))
		}),
	}
}
