package glycaemia

import (
	"errors"
	"fmt"
	"slices"

	"candidacy/internal/clinical"
)

// OverallInput is all that was measured of glycaemia. At least one result is
// required.
type OverallInput struct {
	Fasting   []FastingInput   `json:"fasting,omitempty" jsonschema:"fasting plasma glucose values"`
	Tolerance []ToleranceInput `json:"tolerance,omitempty" jsonschema:"75 g tolerance tests"`
	HbA1c     []HbA1cInput     `json:"hba1c,omitempty" jsonschema:"glycated haemoglobin values"`
	Symptoms  clinical.Answer  `json:"symptoms,omitempty" jsonschema:"yes or no: are there symptoms of diabetes? Empty when not recorded"`
}

// The answers of Overall beside Normal and Prediabetes.
const (
	// DiabetesConfirmed: two results lie in the range of diabetes, or one with
	// symptoms.
	DiabetesConfirmed = "diabetes-confirmed"
	// DiabetesUnconfirmed: one result lies in the range of diabetes; a second is
	// needed.
	DiabetesUnconfirmed = "diabetes-unconfirmed"
)

// resultsToConfirm: without symptoms diabetes needs two abnormal results.
// Source: American Diabetes Association, Diabetes Care.
const resultsToConfirm = 2

// Overall returns the worst class of all results, each another measurement: normal, prediabetes,
// diabetes-unconfirmed or diabetes-confirmed. Diabetes is confirmed by two
// results in its range, or by one when there are symptoms; when symptoms were
// not recorded one result does not confirm it. Each result is a reason. One that
// is not valid, because of pregnancy, another condition or food, is listed as
// such and not counted.
//
// It returns a *clinical.Error when nothing was measured, with the code TooFew
// when no result is valid, and for anything else that the function of one result
// returns an error for. Source: American Diabetes Association, Diabetes Care.
func Overall(in OverallInput) (clinical.Conclusion, error) {
	if err := clinical.CheckAnswer("symptoms", in.Symptoms); err != nil {
		return clinical.Conclusion{}, err
	}
	if len(in.Fasting)+len(in.Tolerance)+len(in.HbA1c) == 0 {
		return clinical.Conclusion{}, &clinical.Error{
			Code: clinical.Missing, Field: "results", Message: "at least one result is required",
			Accepted: []string{"fasting glucose", "75 g tolerance test", "HbA1c"},
		}
	}
	c := clinical.Conclusion{Question: "glycaemia", Rule: "glycaemia-ada", Source: source}
	var found []finding
	add := func(name string, one clinical.Conclusion, err error) error {
		var e *clinical.Error
		switch {
		case err == nil:
			c.Inputs = append(c.Inputs, one.Inputs...)
			c.Warnings = append(c.Warnings, one.Warnings...)
			found = append(found, finding{class: Class(one.Answer), text: name + ": " + one.Answer, reasons: one.Reasons})
		case errors.As(err, &e) && (e.Code == clinical.QualityRefused || e.Code == clinical.NotValidInPregnancy):
			found = append(found, finding{text: name + " is not counted: " + e.Error()})
			c.Warn(ResultNotCounted, "%s is not counted: %v", name, e)
		default:
			return err
		}
		return nil
	}
	for i, one := range in.Fasting {
		result, err := FastingGlucose(one)
		if err := add(fmt.Sprintf("fasting glucose %d", i+1), result, err); err != nil {
			return clinical.Conclusion{}, err
		}
	}
	for i, one := range in.Tolerance {
		result, err := ToleranceGlucose(one)
		if err := add(fmt.Sprintf("tolerance test %d", i+1), result, err); err != nil {
			return clinical.Conclusion{}, err
		}
	}
	for i, one := range in.HbA1c {
		result, err := HbA1cClass(one)
		if err := add(fmt.Sprintf("HbA1c %d", i+1), result, err); err != nil {
			return clinical.Conclusion{}, err
		}
	}
	c.AddChoice("symptoms", string(in.Symptoms))

	worst := slices.MaxFunc(found, func(a, b finding) int { return a.rank() - b.rank() }).class
	if worst == "" {
		return clinical.Conclusion{}, &clinical.Error{
			Code: clinical.TooFew, Field: "results", Message: "none of the results is valid; repeat the measurement",
		}
	}
	abnormal := 0
	for _, f := range found {
		switch f.class {
		case "":
			c.AddReason(clinical.Neutral, source, f.text)
		case worst:
			abnormal++
			c.AddReason(clinical.Decides, source, f.text)
		default:
			c.AddReason(clinical.Opposes, source, f.text)
		}
		for _, r := range f.reasons {
			if r.Weight == clinical.NotKnown {
				c.Reasons = append(c.Reasons, r)
			}
		}
	}
	c.Answer = string(worst)
	if worst == Diabetes {
		confirm(&c, abnormal, in.Symptoms)
	}
	return c, nil
}

// finding is one result in Overall. It has no class when it is not counted.
type finding struct {
	class   Class
	text    string
	reasons []clinical.Reason
}

// rank orders by class, one that is not counted first.
func (f finding) rank() int { return slices.Index(Classes(), f.class) }

// confirm says whether diabetes is confirmed by the results in its range.
func confirm(c *clinical.Conclusion, inRange int, symptoms clinical.Answer) {
	switch {
	case inRange >= resultsToConfirm:
		c.Answer = DiabetesConfirmed
		c.AddReason(clinical.Decides, source, fmt.Sprintf("%d results are in the range of diabetes", inRange))
	case symptoms == clinical.Yes:
		c.Answer = DiabetesConfirmed
		c.AddReason(clinical.Decides, source, "there are symptoms, so one result in the range of diabetes is enough")
	default:
		c.Answer = DiabetesUnconfirmed
		c.AddReason(clinical.Decides, source, fmt.Sprintf("one result is in the range of diabetes; without symptoms %d are needed", resultsToConfirm))
	}
	if symptoms == clinical.NotRecorded {
		c.AddReason(clinical.NotKnown, source, "symptoms of diabetes were not recorded")
		c.Warn(SymptomsNotRecorded, "symptoms of diabetes were not recorded; without them %d results are needed", resultsToConfirm)
	}
}
