package calculation

import (
	"encoding/json"
	"fmt"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/perioperative"
)

type eventsInput struct {
	Events []perioperative.Event `json:"events" jsonschema:"the deviations from the normal course of one operation, with how each was treated"`
}

type limitsInput struct {
	OperationDate string                `json:"operationDate" jsonschema:"date of the operation as yyyy-mm-dd"`
	Limits        []perioperative.Limit `json:"limits,omitempty" jsonschema:"limits of the programme; those of the project when left out"`
}

func perioperativeCalculations() []Calculation {
	return []Calculation{
		define(Calculation{
			ID: "clavien-dindo", Topic: Perioperative, Title: "Grade of complications by Clavien and Dindo",
			Source: "Dindo, Ann Surg 2004",
			Example: json.RawMessage(`{"events": [{
				"otherDrugs": "yes", "transfusion": "no", "parenteralNutrition": "no", "intervention": "without-general-anaesthesia",
				"intensiveCare": "no", "organFailure": "none", "dialysis": "no", "death": "no", "disabilityAtDischarge": "no"
			}]}`),
		}, func(in eventsInput) (Outcome, error) {
			g, err := perioperative.GradeClavienDindo(in.Events)
			return conclusions(err, g.Conclusion)
		}),
		define(Calculation{
			ID: "limits-after-operation", Topic: Perioperative, Title: "When the limits after the operation end",
			Source:  "common practice, no published source",
			Example: json.RawMessage(`{"operationDate": "2025-01-10"}`),
		}, limitsAfterOperation),
	}
}

func limitsAfterOperation(in limitsInput) (Outcome, error) {
	list := in.Limits
	if list == nil {
		list = perioperative.DefaultLimits()
	}
	l, err := perioperative.LimitsAfterOperation(in.OperationDate, list)
	if err != nil {
		return Outcome{}, err
	}
	o := Outcome{Cautions: []string{"The surgeon's clearance counts, not the date alone."}}
	for _, end := range l.Ends {
		c := clinical.Conclusion{
			Question: "end of the limit: " + end.Name, Answer: end.Ends, Rule: l.Rule, Source: end.Source,
		}
		c.AddChoice("operation date", l.OperationDate)
		c.AddReason(clinical.Decides, end.Source, fmt.Sprintf("%d whole weeks after the day of the operation, which is day 0", end.Weeks))
		o.Conclusions = append(o.Conclusions, c)
	}
	return o, nil
}
