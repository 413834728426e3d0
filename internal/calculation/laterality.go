package calculation

import (
	"encoding/json"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/laterality"
)

type volumesInput struct {
	Left  clinical.Measurement `json:"left" jsonschema:"volume of the left kidney in mL or cm3"`
	Right clinical.Measurement `json:"right" jsonschema:"volume of the right kidney in mL or cm3"`
}

type lateralityInput struct {
	laterality.Input
	Rules *laterality.Rules `json:"rules,omitempty" jsonschema:"choices of the programme; those of the project when left out"`
}

func lateralityCalculations() []Calculation {
	return []Calculation{
		define(Calculation{
			ID: "kidney-volume", Topic: Laterality, Title: "Kidney volume by the ellipsoid",
			Source:  "volume of an ellipsoid",
			Example: json.RawMessage(`{"length": "11 cm", "width": "5.5 cm", "thickness": "5 cm"}`),
		}, func(in laterality.Axes) (Outcome, error) {
			r, err := laterality.EllipsoidVolume(in)
			return values(err, number("kidney volume", r, 0))
		}),
		define(Calculation{
			ID: "split-from-volumes", Topic: Laterality, Title: "Split of the two kidneys by volume",
			Source:  "share of the sum of both volumes",
			Example: json.RawMessage(`{"left": "168 mL", "right": "152 mL"}`),
			names:   map[string]string{"left volume": "left", "right volume": "right"},
		}, func(in volumesInput) (Outcome, error) {
			s, err := laterality.SplitFromVolumes(in.Left, in.Right)
			return values(err, number("share of the left kidney", s.Result, 1))
		}),
		define(Calculation{
			ID: "split-from-scintigraphy", Topic: Laterality, Title: "Split of the two kidneys by scintigraphy",
			Source:  "geometric mean of two views; Weinberger, Case Rep Nephrol Urol 2014 (abstract)",
			Example: json.RawMessage(`{"leftAnterior": 41000, "leftPosterior": 62000, "rightAnterior": 38000, "rightPosterior": 60000}`),
		}, func(in laterality.Counts) (Outcome, error) {
			s, err := laterality.SplitFromScintigraphy(in)
			return values(err, number("share of the left kidney", s.Result, 1))
		}),
		define(Calculation{
			ID: "laterality", Topic: Laterality, Title: "Which kidney would be donated, with the reasons",
			Source: "common practice, no published source",
			Example: json.RawMessage(`{
				"left": {"split": "51 %", "stones": 0, "cysts": "none", "otherLesion": "no", "preExisting": "no", "arteries": 1, "veins": 1, "ureters": 1, "earlyBranching": "no"},
				"right": {"split": "49 %", "stones": 0, "cysts": "none", "otherLesion": "no", "preExisting": "no", "arteries": 2, "veins": 1, "ureters": 1, "earlyBranching": "no"},
				"splitMethod": "geometric-mean", "gfr": "100 mL/min/{1.73_m2}"
			}`),
			names: map[string]string{"left split function": "left.split", "right split function": "right.split"},
		}, func(in lateralityInput) (Outcome, error) {
			s, err := laterality.Suggest(in.Input, orDefault(in.Rules, laterality.DefaultRules))
			outcome, err := conclusions(err, s.Conclusion)
			if s.Split != nil {
				outcome.Values = append(outcome.Values, number("share of the left kidney, as used", s.Split.Result, 1))
			}
			for _, r := range s.Remaining {
				outcome.Values = append(outcome.Values, number("GFR that would remain after donating the "+string(r.Donated)+" kidney, without compensation", r.Result, 0))
			}
			return outcome, err
		}),
	}
}
