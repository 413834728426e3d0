package calculation

import (
	"encoding/json"
	"slices"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/renal"
)

type creatinineInput struct {
	SerumCreatinine clinical.Measurement `json:"serumCreatinine" jsonschema:"serum creatinine in mg/dL or umol/L, by an assay traceable to IDMS"`
	renal.Subject
}

type cystatinInput struct {
	CystatinC clinical.Measurement `json:"cystatinC" jsonschema:"cystatin C in mg/L, by an assay traceable to ERM-DA471/IFCC"`
	renal.Subject
}

type creatinineCystatinInput struct {
	SerumCreatinine clinical.Measurement `json:"serumCreatinine" jsonschema:"serum creatinine in mg/dL or umol/L, by an assay traceable to IDMS"`
	CystatinC       clinical.Measurement `json:"cystatinC" jsonschema:"cystatin C in mg/L, by an assay traceable to ERM-DA471/IFCC"`
	renal.Subject
}

type afterDonationInput struct {
	GFR      clinical.Measurement `json:"gfr" jsonschema:"GFR before donation, measured or estimated, in mL/min/{1.73_m2}"`
	Recovery *renal.Recovery      `json:"recovery,omitempty" jsonschema:"fractions that the site expects to remain after about a year; those of the project when left out"`
}

type creatinineAfterInput struct {
	creatinineInput
	Recovery *renal.Recovery `json:"recovery,omitempty" jsonschema:"fractions that the site expects to remain after about a year; those of the project when left out"`
}

type splitInput struct {
	GFR          clinical.Measurement `json:"gfr" jsonschema:"GFR before donation, measured or estimated, in mL/min/{1.73_m2}"`
	Remaining    clinical.Measurement `json:"remaining" jsonschema:"part of the function that the remaining kidney has now, in %"`
	Compensation *renal.Compensation  `json:"compensation,omitempty" jsonschema:"factor by which the remaining kidney adapts, 1 to 2; that of the project when left out"`
}

type agreementInput struct {
	Methods []renal.MethodResult  `json:"methods" jsonschema:"the GFR of one candidate by two or more methods"`
	Rules   *renal.AgreementRules `json:"rules,omitempty" jsonschema:"differences up to which methods agree; those of the project when left out"`
}

type followUpInput struct {
	renal.FollowUpInput
	Rules *renal.FollowUpRules `json:"rules,omitempty" jsonschema:"limits of the programme; those of the project when left out"`
}

// estimates shows one estimate, or both where no sex was recorded.
func estimates(s renal.Subject, estimate func(renal.Subject) (renal.Estimate, error)) (Outcome, error) {
	list, err := s.ForEachSex(estimate)
	var shown []Value
	for _, e := range list {
		name := "estimated GFR"
		if len(list) > 1 {
			i := slices.IndexFunc(e.Inputs, func(in clinical.Input) bool { return in.Name == "sex" })
			name += " with the coefficients for " + e.Inputs[i].Choice
		}
		shown = append(shown, number(name, e.Result, 0))
	}
	return values(err, shown...)
}

// orDefault returns what a site chose, or the default of the project.
func orDefault[T any](chosen *T, byDefault func() T) T {
	if chosen == nil {
		return byDefault()
	}
	return *chosen
}

func kidneyCalculations() []Calculation {
	study := map[string]string{
		"estimated GFR":                    "estimated",
		"uncertainty of the concentration": "uncertainty.concentration",
		"uncertainty of the dose":          "uncertainty.dose",
		"uncertainty of the time":          "uncertainty.time",
	}
	return []Calculation{
		define(Calculation{
			ID: "egfr-creatinine", Topic: Kidney, Title: "Estimated GFR from serum creatinine (CKD-EPI 2021)",
			Source:  "Inker, N Engl J Med 2021;385:1737",
			Example: json.RawMessage(`{"serumCreatinine": {"value": 1.0, "unit": "mg/dL", "date": "2026-02-03", "ref": "obs-1"}, "age": 50, "sex": "male", "conditions": {"pregnancy": "no"}}`),
		}, func(in creatinineInput) (Outcome, error) {
			return estimates(in.Subject, func(s renal.Subject) (renal.Estimate, error) {
				return renal.CKDEPICreatinine2021(in.SerumCreatinine, s)
			})
		}),
		define(Calculation{
			ID: "egfr-cystatin-c", Topic: Kidney, Title: "Estimated GFR from cystatin C (CKD-EPI 2012)",
			Source:  "Inker, N Engl J Med 2012;367:20",
			Example: json.RawMessage(`{"cystatinC": "0.7 mg/L", "age": 40, "sex": "female", "conditions": {"pregnancy": "no"}}`),
		}, func(in cystatinInput) (Outcome, error) {
			return estimates(in.Subject, func(s renal.Subject) (renal.Estimate, error) {
				return renal.CKDEPICystatinC2012(in.CystatinC, s)
			})
		}),
		define(Calculation{
			ID: "egfr-creatinine-cystatin-c", Topic: Kidney, Title: "Estimated GFR from creatinine and cystatin C (CKD-EPI 2021)",
			Source:  "Inker, N Engl J Med 2021;385:1737",
			Example: json.RawMessage(`{"serumCreatinine": "0.85 mg/dL", "cystatinC": "0.95 mg/L", "age": 62, "sex": "female", "conditions": {"pregnancy": "no", "bodyMassIndex": "24.2 kg/m2"}}`),
		}, func(in creatinineCystatinInput) (Outcome, error) {
			return estimates(in.Subject, func(s renal.Subject) (renal.Estimate, error) {
				return renal.CKDEPICreatinineCystatinC2021(in.SerumCreatinine, in.CystatinC, s)
			})
		}),
		define(Calculation{
			ID: "gfr-plasma-slope-intercept", Topic: Kidney, Title: "Measured GFR by plasma clearance, slope-intercept method",
			Source: "BNMS guidance of 2018 (from memory); the correction chosen",
			Example: json.RawMessage(`{
				"dose": "3235 mg", "syringeResidualMeasured": "yes", "extravasation": "no",
				"samples": [
					{"time": "120 min", "concentration": "127.4 ug/mL"},
					{"time": "180 min", "concentration": "91.2 ug/mL"},
					{"time": "240 min", "concentration": "65.3 ug/mL"}
				],
				"size": {"height": "172 cm", "weight": "68 kg"},
				"uncertainty": {"concentration": "2 %", "dose": "2 %", "time": "1 min"}
			}`),
			names: study,
		}, func(in renal.SlopeInterceptInput) (Outcome, error) {
			g, err := renal.SlopeIntercept(in)
			return values(err, number("measured GFR", g.Result, 0))
		}),
		define(Calculation{
			ID: "gfr-plasma-two-compartment", Topic: Kidney, Title: "Measured GFR by plasma clearance, two compartments",
			Source: "definition of clearance; weights and area after Schwartz, Kidney Int 2006",
			Example: json.RawMessage(`{
				"dose": "3235 mg", "syringeResidualMeasured": "yes", "extravasation": "no",
				"samples": [
					{"time": "10 min", "concentration": "313.73 ug/mL"},
					{"time": "20 min", "concentration": "255.59 ug/mL"},
					{"time": "40 min", "concentration": "187.19 ug/mL"},
					{"time": "60 min", "concentration": "150.71 ug/mL"},
					{"time": "120 min", "concentration": "99.15 ug/mL"},
					{"time": "180 min", "concentration": "70.66 ug/mL"},
					{"time": "240 min", "concentration": "50.76 ug/mL"},
					{"time": "300 min", "concentration": "36.49 ug/mL"}
				],
				"size": {"height": "172 cm", "weight": "68 kg"}
			}`),
			names: study,
		}, func(in renal.PlasmaStudy) (Outcome, error) {
			g, err := renal.TwoCompartment(in)
			return values(err, number("measured GFR", g.Result, 0))
		}),
		define(Calculation{
			ID: "gfr-plasma-single-sample", Topic: Kidney, Title: "Measured GFR by plasma clearance, one sample",
			Source: "Jacobsson, Clin Physiol 1983;3:297 (from memory); Ebert, Kidney Int 2024",
			Example: json.RawMessage(`{
				"dose": "3235 mg", "syringeResidualMeasured": "yes", "extravasation": "no",
				"samples": [{"time": "240 min", "concentration": "65.3 ug/mL"}],
				"size": {"height": "172 cm", "weight": "68 kg"}, "volume": "granerus", "age": 40, "sex": "male"
			}`),
			names: study,
		}, func(in renal.SingleSampleInput) (Outcome, error) {
			g, err := renal.SingleSample(in)
			return values(err, number("measured GFR", g.Result, 0))
		}),
		define(Calculation{
			ID: "iohexol-dose", Topic: Kidney, Title: "Dose of iohexol by volume or by weighing",
			Source:  "content of the solutions from open-source code after Ebert, Kidney Int 2024",
			Example: json.RawMessage(`{"solution": "300 mgI/mL", "volume": "5 mL"}`),
		}, func(in renal.IohexolDoseInput) (Outcome, error) {
			r, err := renal.IohexolDose(in)
			return values(err, number("dose of iohexol", r, 0))
		}),
		define(Calculation{
			ID: "tracer-net-count-rate", Topic: Kidney, Title: "Net count rate of a radioactive marker at the reference time",
			Source:  "law of radioactive decay; half-lives from memory (nuclear data tables)",
			Example: json.RawMessage(`{"marker": "99mTc-DTPA", "gross": "1100 /min/mL", "background": "100 /min/mL", "after": "3 h"}`),
			names:   map[string]string{"gross count rate": "gross", "background count rate": "background", "time of the count": "after"},
		}, func(in renal.CountInput) (Outcome, error) {
			r, err := renal.NetCountRate(in)
			return values(err, number("net count rate", r, 0))
		}),
		define(Calculation{
			ID: "tracer-dose-from-standard", Topic: Kidney, Title: "Dose of a radioactive marker from a counted standard",
			Source:  "ratio of weighed parts of one solution; common practice, no published source",
			Example: json.RawMessage(`{"netRate": "52000 /s/mL", "dilution": "1000 mL", "injected": "4.95 g", "inStandard": "0.99 g"}`),
			names: map[string]string{
				"net count rate of the standard": "netRate", "dilution volume": "dilution",
				"mass injected": "injected", "mass in the standard": "inStandard",
			},
		}, func(in renal.StandardInput) (Outcome, error) {
			r, err := renal.DoseFromStandard(in)
			return values(err, number("dose", r, 0))
		}),
		define(Calculation{
			ID: "creatinine-clearance", Topic: Kidney, Title: "Creatinine clearance from a timed urine collection",
			Source: "definition of clearance; expected excretion by Ix, Clin J Am Soc Nephrol 2011;6:184",
			Example: json.RawMessage(`{
				"collection": {"volume": "1500 mL", "duration": "24 h"}, "urineCreatinine": "110 mg/dL",
				"serumCreatinine": ["0.9 mg/dL"], "size": {"height": "172 cm", "weight": "68 kg"}, "age": 40, "sex": "male",
				"urea": {"urine": "1200 mg/dL", "serum": "28 mg/dL"},
				"uncertainty": {"concentration": "3 %", "volume": "5 %", "time": "10 min"}
			}`),
			names: map[string]string{
				"urine volume":                     "collection.volume",
				"urine urea":                       "urea.urine",
				"serum urea":                       "urea.serum",
				"uncertainty of the concentration": "uncertainty.concentration",
				"uncertainty of the volume":        "uncertainty.volume",
				"uncertainty of the time":          "uncertainty.time",
			},
		}, func(in renal.CreatinineClearanceInput) (Outcome, error) {
			c, err := renal.UrinaryCreatinineClearance(in)
			return values(err, number("creatinine clearance", c.Result, 0))
		}),
		define(Calculation{
			ID: "gfr-after-donation", Topic: Kidney, Title: "GFR expected about a year after donation",
			Source:  "fraction that remains: 0.68, range 0.65 to 0.70, from reports of 2019 to 2025",
			Example: json.RawMessage(`{"gfr": "105 mL/min/{1.73_m2}"}`),
			names:   map[string]string{"GFR before donation": "gfr"},
		}, func(in afterDonationInput) (Outcome, error) {
			a, err := renal.ExpectedGFRAfterDonation(in.GFR, orDefault(in.Recovery, renal.DefaultRecovery))
			return values(err, number("GFR expected after donation", a.Result, 0))
		}),
		define(Calculation{
			ID: "gfr-after-donation-split", Topic: Kidney, Title: "GFR expected after donation from the function of the remaining kidney",
			Source:  "common practice, no published source",
			Example: json.RawMessage(`{"gfr": "105 mL/min/{1.73_m2}", "remaining": "48 %"}`),
			names:   map[string]string{"GFR before donation": "gfr", "part of the remaining kidney": "remaining"},
		}, func(in splitInput) (Outcome, error) {
			r, err := renal.ExpectedGFRFromSplit(in.GFR, in.Remaining, orDefault(in.Compensation, renal.DefaultCompensation))
			return values(err, number("GFR expected after donation", r, 0))
		}),
		define(Calculation{
			ID: "creatinine-after-donation", Topic: Kidney, Title: "Serum creatinine expected about a year after donation",
			Source:  "inversion of Inker, N Engl J Med 2021;385:1737",
			Example: json.RawMessage(`{"serumCreatinine": "0.9 mg/dL", "age": 45, "sex": "male", "conditions": {"pregnancy": "no"}, "recovery": {"low": 0.65, "expected": 0.68, "high": 0.7}}`),
		}, func(in creatinineAfterInput) (Outcome, error) {
			a, err := renal.ExpectedCreatinineAfterDonation(in.SerumCreatinine, in.Subject, orDefault(in.Recovery, renal.DefaultRecovery))
			return values(err, number("serum creatinine expected after donation", a.Result, 2))
		}),
		define(Calculation{
			ID: "gfr-method-agreement", Topic: Kidney, Title: "Comparison of the GFR by several methods",
			Source: "common practice, no published source",
			Example: json.RawMessage(`{"methods": [
				{"name": "iohexol", "kind": "plasma-clearance", "gfr": "96 mL/min/{1.73_m2}", "standardUncertainty": "3 mL/min/{1.73_m2}"},
				{"name": "ckdepi-cr-2021", "kind": "estimated", "gfr": "92 mL/min/{1.73_m2}"}
			]}`),
		}, func(in agreementInput) (Outcome, error) {
			a, err := renal.Agree(in.Methods, orDefault(in.Rules, renal.DefaultAgreementRules))
			return conclusions(err, a.Conclusion)
		}),
		define(Calculation{
			ID: "gfr-follow-up", Topic: Kidney, Title: "Course of the GFR after donation",
			Source: "common practice, no published source",
			Example: json.RawMessage(`{"baseline": "0.9 mg/dL", "visits": [
				{"since": "183 d", "gfr": "64 mL/min/{1.73_m2}", "creatinine": "1.25 mg/dL"},
				{"since": "365 d", "gfr": "66 mL/min/{1.73_m2}", "creatinine": "1.2 mg/dL"},
				{"since": "731 d", "gfr": "65 mL/min/{1.73_m2}", "creatinine": "1.22 mg/dL"}
			]}`),
			names: map[string]string{"visit # time": "visits[#].since", "baseline creatinine": "baseline"},
		}, func(in followUpInput) (Outcome, error) {
			f, err := renal.AfterDonationCourse(in.FollowUpInput, orDefault(in.Rules, renal.DefaultFollowUpRules))
			return conclusions(err, f.Conclusion)
		}),
	}
}
