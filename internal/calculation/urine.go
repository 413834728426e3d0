package calculation

import (
	"encoding/json"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/urine"
)

type creatinineExcretionInput struct {
	Collection      urine.Collection     `json:"collection" jsonschema:"the timed urine collection"`
	UrineCreatinine clinical.Measurement `json:"urineCreatinine" jsonschema:"creatinine of the collection in mg/dL or mmol/L"`
	expectedExcretionInput
}

type expectedExcretionInput struct {
	Size body.Size    `json:"size" jsonschema:"height and weight"`
	Age  int          `json:"age" jsonschema:"completed years at the date of the collection"`
	Sex  clinical.Sex `json:"sex" jsonschema:"the sex used by the equation"`
}

type albuminExcretionInput struct {
	Collection   urine.Collection     `json:"collection" jsonschema:"the timed urine collection"`
	UrineAlbumin clinical.Measurement `json:"urineAlbumin" jsonschema:"albumin of the collection in mg/L, ug/mL or mg/dL"`
}

type albuminCreatinineInput struct {
	UrineAlbumin    clinical.Measurement `json:"urineAlbumin" jsonschema:"albumin in mg/L, ug/mL or mg/dL"`
	UrineCreatinine clinical.Measurement `json:"urineCreatinine" jsonschema:"creatinine of the same sample: in mg/dL for a ratio in mg/g, in mmol/L for one in mg/mmol"`
}

type proteinExcretionInput struct {
	Collection   urine.Collection     `json:"collection" jsonschema:"the timed urine collection"`
	UrineProtein clinical.Measurement `json:"urineProtein" jsonschema:"protein of the collection in mg/L, mg/dL or g/L"`
}

type proteinCreatinineInput struct {
	UrineProtein    clinical.Measurement `json:"urineProtein" jsonschema:"protein in mg/L, mg/dL or g/L"`
	UrineCreatinine clinical.Measurement `json:"urineCreatinine" jsonschema:"creatinine of the same sample: in mg/dL for a ratio in mg/g, in mmol/L for one in mg/mmol"`
}

type ratioBandInput struct {
	Ratio  clinical.Measurement `json:"ratio" jsonschema:"albumin-to-creatinine ratio in the unit of the laboratory, mg/g or mg/mmol"`
	Limits *urine.Limits        `json:"limits,omitempty" jsonschema:"limits of the programme; those of the project when left out"`
}

type excretionBandInput struct {
	Excretion clinical.Measurement `json:"excretion" jsonschema:"excretion in mg/(24.h) or mg/d; albumin also in ug/min, protein also in g/(24.h) or g/d"`
	Limits    *urine.Limits        `json:"limits,omitempty" jsonschema:"limits of the programme; those of the project when left out"`
}

type haematuriaInput struct {
	Samples []urine.ErythrocyteSample `json:"samples" jsonschema:"urine samples in order of time"`
	Rule    *urine.HaematuriaRule     `json:"rule,omitempty" jsonschema:"the limit of the laboratory; that of the project when left out"`
}

func urineCalculations() []Calculation {
	collection := map[string]string{"urine volume": "collection.volume"}
	return []Calculation{
		define(Calculation{
			ID: "creatinine-excretion", Topic: Urine, Title: "Creatinine excretion with the completeness of the collection",
			Source: "concentration times volume over time; Ix, Clin J Am Soc Nephrol 2011;6:184",
			Example: json.RawMessage(`{
				"collection": {"volume": "1650 mL", "duration": "1380 min"}, "urineCreatinine": "95 mg/dL",
				"size": {"height": "185 cm", "weight": "92 kg"}, "age": 50, "sex": "male"
			}`),
			names: collection,
		}, func(in creatinineExcretionInput) (Outcome, error) {
			c, err := urine.CreatinineExcretion(in.Collection, in.UrineCreatinine, in.Size, in.Age, in.Sex)
			return values(err, number("creatinine excretion", c.Result, 0))
		}),
		define(Calculation{
			ID: "expected-creatinine-excretion", Topic: Urine, Title: "Expected creatinine excretion (Ix 2011)",
			Source:  "Ix, Clin J Am Soc Nephrol 2011;6:184, without the race term",
			Example: json.RawMessage(`{"size": {"height": "160 cm", "weight": "54 kg"}, "age": 62, "sex": "female"}`),
		}, func(in expectedExcretionInput) (Outcome, error) {
			r, err := urine.ExpectedCreatinineExcretion(in.Size, in.Age, in.Sex)
			return values(err, number("expected creatinine excretion", r, 0))
		}),
		define(Calculation{
			ID: "albumin-excretion", Topic: Urine, Title: "Albumin excretion in 24 hours",
			Source:  "concentration times volume over time",
			Example: json.RawMessage(`{"collection": {"volume": "2.5 L", "duration": "22 h"}, "urineAlbumin": "40 mg/L"}`),
			names:   collection,
		}, func(in albuminExcretionInput) (Outcome, error) {
			r, err := urine.AlbuminExcretion(in.Collection, in.UrineAlbumin)
			return values(err, number("albumin excretion", r, 1))
		}),
		define(Calculation{
			ID: "albumin-creatinine-ratio", Topic: Urine, Title: "Albumin-to-creatinine ratio of one sample",
			Source:  "ratio of the two concentrations",
			Example: json.RawMessage(`{"urineAlbumin": "12 mg/L", "urineCreatinine": "80 mg/dL"}`),
		}, func(in albuminCreatinineInput) (Outcome, error) {
			r, err := urine.AlbuminToCreatinine(in.UrineAlbumin, in.UrineCreatinine)
			return values(err, number("albumin-to-creatinine ratio", r, 1))
		}),
		define(Calculation{
			ID: "albumin-creatinine-category", Topic: Urine, Title: "Category of the albumin-to-creatinine ratio",
			Source:  "KDIGO CKD (from memory)",
			Example: json.RawMessage(`{"ratio": "30 mg/g"}`),
			names:   map[string]string{"albumin-to-creatinine ratio": "ratio", "limits of the albumin-to-creatinine ratio": "limits"},
		}, func(in ratioBandInput) (Outcome, error) {
			c, err := urine.AlbuminCreatinineCategory(in.Ratio, orDefault(in.Limits, urine.DefaultLimits))
			return conclusions(err, c)
		}),
		define(Calculation{
			ID: "albumin-excretion-band", Topic: Urine, Title: "Band of the albumin excretion",
			Source:  "KDIGO 2017 (the lower limit from memory)",
			Example: json.RawMessage(`{"excretion": "109.1 mg/(24.h)"}`),
			names:   map[string]string{"albumin excretion": "excretion", "limits of the albumin excretion": "limits"},
		}, func(in excretionBandInput) (Outcome, error) {
			c, err := urine.AlbuminExcretionBand(in.Excretion, orDefault(in.Limits, urine.DefaultLimits))
			return conclusions(err, c)
		}),
		define(Calculation{
			ID: "protein-excretion", Topic: Urine, Title: "Protein excretion in 24 hours",
			Source:  "concentration times volume over time",
			Example: json.RawMessage(`{"collection": {"volume": "2 L", "duration": "24 h"}, "urineProtein": "60 mg/L"}`),
			names:   collection,
		}, func(in proteinExcretionInput) (Outcome, error) {
			r, err := urine.ProteinExcretion(in.Collection, in.UrineProtein)
			return values(err, number("protein excretion", r, 0))
		}),
		define(Calculation{
			ID: "protein-creatinine-ratio", Topic: Urine, Title: "Protein-to-creatinine ratio of one sample",
			Source:  "ratio of the two concentrations",
			Example: json.RawMessage(`{"urineProtein": "60 mg/L", "urineCreatinine": "80 mg/dL"}`),
		}, func(in proteinCreatinineInput) (Outcome, error) {
			r, err := urine.ProteinToCreatinine(in.UrineProtein, in.UrineCreatinine)
			return values(err, number("protein-to-creatinine ratio", r, 0))
		}),
		define(Calculation{
			ID: "protein-excretion-band", Topic: Urine, Title: "Band of the protein excretion",
			Source:  "Australian guideline 2010 (abstract)",
			Example: json.RawMessage(`{"excretion": "120 mg/(24.h)"}`),
			names:   map[string]string{"protein excretion": "excretion", "limits of the protein excretion": "limits"},
		}, func(in excretionBandInput) (Outcome, error) {
			c, err := urine.ProteinExcretionBand(in.Excretion, orDefault(in.Limits, urine.DefaultLimits))
			return conclusions(err, c)
		}),
		define(Calculation{
			ID: "haematuria", Topic: Urine, Title: "Whether red cells in urine persist",
			Source: "KDIGO 2017, chapter 7 (from memory)",
			Example: json.RawMessage(`{"samples": [
				{"cells": "4 /[HPF]", "menstruation": "no", "exercise": "no", "infection": "no"},
				{"cells": "5 /[HPF]", "menstruation": "no", "exercise": "no", "infection": "no"},
				{"cells": "1 /[HPF]", "menstruation": "no", "exercise": "no", "infection": "no"}
			]}`),
			names: map[string]string{"sample # red cells": "samples[#].cells"},
		}, func(in haematuriaInput) (Outcome, error) {
			c, err := urine.Haematuria(in.Samples, orDefault(in.Rule, urine.DefaultHaematuriaRule))
			return conclusions(err, c)
		}),
	}
}
