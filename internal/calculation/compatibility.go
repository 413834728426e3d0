package calculation

import (
	"encoding/json"

	"candidacy/internal/clinical/compatibility"
)

type aboInput struct {
	compatibility.ABOInput
	Rules *compatibility.ABORules `json:"rules,omitempty" jsonschema:"choices of the programme; those of the project when left out"`
}

type crossmatchInput struct {
	compatibility.CrossmatchInput
	Rules *compatibility.CrossmatchRules `json:"rules,omitempty" jsonschema:"choices of the programme; those of the project when left out"`
}

func compatibilityCalculations() []Calculation {
	names := map[string]string{
		"recipient anti-A titre":                "antiATitre",
		"donor sample # specimen":               "donor[#].ref",
		"donor sample # time of collection":     "donor[#].collected",
		"recipient sample # specimen":           "recipient[#].ref",
		"recipient sample # time of collection": "recipient[#].collected",
		"donor sample # group":                  "donor[#].group",
		"donor sample # subtype":                "donor[#].subtype",
		"recipient sample # group":              "recipient[#].group",
		"recipient sample # subtype":            "recipient[#].subtype",
		"donor antigen #":                       "donor.antigens[#]",
		"recipient antigen #":                   "recipient.antigens[#]",
		"unacceptable antigen #":                "unacceptable[#]",
	}
	return []Calculation{
		define(Calculation{
			ID: "abo-compatibility", Topic: Compatibility, Title: "ABO compatibility of a donor candidate and a recipient",
			Source: "antigens of the ABO system; OPTN policy 14.5 and 3.3 (from memory)",
			Example: json.RawMessage(`{
				"donor": [
					{"group": "O", "ref": "specimen-1", "collected": "2026-02-03T08:30:00Z"},
					{"group": "O", "ref": "specimen-2", "collected": "2026-02-10T08:30:00Z"}
				],
				"recipient": [
					{"group": "A", "ref": "specimen-3", "collected": "2026-02-03T09:30:00Z"},
					{"group": "A", "ref": "specimen-4", "collected": "2026-02-10T09:30:00Z"}
				]
			}`),
			names: names,
		}, func(in aboInput) (Outcome, error) {
			r, err := compatibility.ABO(in.ABOInput, orDefault(in.Rules, compatibility.DefaultABORules))
			return conclusions(err, r.Conclusion)
		}),
		define(Calculation{
			ID: "hla-mismatch", Topic: Compatibility, Title: "HLA mismatches of a donor candidate and a recipient",
			Source: "common practice, no published source; names: Marsh, Tissue Antigens 2010;75:291 (from memory)",
			Example: json.RawMessage(`{
				"donor": {"antigens": ["A1", "A2", "B7", "B8", "DR3", "DR4"]},
				"recipient": {"antigens": ["A1", "A3", "B7", "B44", "DR4", "DR15"]}
			}`),
			names: names,
		}, func(in compatibility.MismatchInput) (Outcome, error) {
			r, err := compatibility.Mismatch(in)
			return conclusions(err, r.Conclusion)
		}),
		define(Calculation{
			ID: "virtual-crossmatch", Topic: Compatibility, Title: "Virtual crossmatch",
			Source: "common practice, no published source; names: Marsh, Tissue Antigens 2010;75:291 (from memory)",
			Example: json.RawMessage(`{
				"donor": {"antigens": ["A2", "B7", "DR4", "DQ8"]}, "unacceptable": ["B7", "DQ2"], "serumAge": "30 d"
			}`),
			names: names,
		}, func(in crossmatchInput) (Outcome, error) {
			r, err := compatibility.VirtualCrossmatch(in.CrossmatchInput, orDefault(in.Rules, compatibility.DefaultCrossmatchRules))
			return conclusions(err, r.Conclusion)
		}),
	}
}
