package calculation

import (
	"encoding/json"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/medicines"
)

type nsaidInput struct {
	medicines.NSAIDInput
	Rules *medicines.NSAIDRules `json:"rules,omitempty" jsonschema:"choices of the programme; those of the project when left out"`
}

type paracetamolInput struct {
	medicines.ParacetamolInput
	Rules *medicines.ParacetamolRules `json:"rules,omitempty" jsonschema:"choices of the programme; those of the project when left out"`
}

func medicineCalculations() []Calculation {
	return []Calculation{
		define(Calculation{
			ID: "nsaid-check", Topic: Medicines, Title: "Whether a list of medicines holds an NSAID",
			Source:  "common practice, no published source; WHO ATC index, from memory",
			Example: json.RawMessage(`{"medicines": [{"atc": "N02BE01"}, {"atc": "M01AE01"}], "listComplete": "yes"}`),
			names:   map[string]string{"medicine # ATC code": "medicines[#].atc"},
		}, func(in nsaidInput) (Outcome, error) {
			c, err := medicines.FindNSAID(in.NSAIDInput, orDefault(in.Rules, medicines.DefaultNSAIDRules))
			outcome, err := conclusions(err, c.Conclusion)
			if c.Aspirin != nil {
				outcome.Values = append(outcome.Values, number("aspirin of all medicines a day", *c.Aspirin, 0))
			}
			return outcome, err
		}),
		define(Calculation{
			ID: "paracetamol-total", Topic: Medicines, Title: "Largest amount of paracetamol in any 24 hours",
			Source: "common practice, no published source",
			Example: json.RawMessage(`{
				"products": [{"atc": "N02BE01", "strength": "500 mg", "plan": {"start": 0, "every": 360, "times": 8, "count": 2}}],
				"weight": "70 kg", "liverDisease": "no", "nextDose": "1 g"
			}`),
			names: map[string]string{"product # ATC code": "products[#].atc"},
		}, paracetamolTotal),
	}
}

func paracetamolTotal(in paracetamolInput) (Outcome, error) {
	p, err := medicines.Paracetamol(in.ParacetamolInput, orDefault(in.Rules, medicines.DefaultParacetamolRules))
	if err != nil {
		return Outcome{}, err
	}
	capName := "cap"
	if !p.CapKnown {
		capName = "cap, unless the lower cap holds"
	}
	o := Outcome{
		Values:      []Value{number("largest amount in 24 h", p.Result, 1), number(capName, p.Cap, 3)},
		Conclusions: []clinical.Conclusion{p.Conclusion},
	}
	if p.Remaining != nil {
		o.Values = append(o.Values, number("remaining after the last intake", *p.Remaining, 3))
	}
	if p.NextAllowed != nil {
		o.Values = append(o.Values, number("earliest time of the further dose after the common start", *p.NextAllowed, 0))
	}
	return o, nil
}
