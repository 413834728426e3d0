package glycaemia

import (
	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// HbA1cInput is a glycated haemoglobin with the conditions in which it says
// nothing about glucose.
type HbA1cInput struct {
	HbA1c       clinical.Measurement `json:"hba1c,omitzero" jsonschema:"glycated haemoglobin in % (NGSP) or mmol/mol (IFCC)"`
	Variant     clinical.Answer      `json:"variant,omitempty" jsonschema:"yes or no: is a haemoglobin variant known? Empty when not recorded"`
	Transfusion clinical.Answer      `json:"transfusion,omitempty" jsonschema:"yes or no: were red cells transfused recently? Empty when not recorded"`
	Anaemia     clinical.Answer      `json:"anaemia,omitempty" jsonschema:"yes or no: is there anaemia? Empty when not recorded"`
	Pregnancy   clinical.Answer      `json:"pregnancy,omitempty" jsonschema:"yes or no: is the candidate pregnant? Empty when not recorded"`
}

type question struct {
	field  string
	answer clinical.Answer
}

func (in HbA1cInput) conditions() []question {
	return []question{
		{"haemoglobin variant", in.Variant},
		{"recent transfusion", in.Transfusion},
		{"anaemia", in.Anaemia},
	}
}

// HbA1cClass returns the class of HbA1c: in % by 5.7 and 6.5, in mmol/mol by 39
// and 48. With a haemoglobin variant, a recent transfusion, anaemia or pregnancy
// HbA1c is not valid: a *clinical.Error with the code QualityRefused, or
// NotValidInPregnancy. A condition that was not recorded is a warning and a
// reason of weight not-known. It also returns a *clinical.Error for an HbA1c
// that is missing, not a positive number, in another unit or typical of another
// unit. Source: American Diabetes Association, Diabetes Care.
func HbA1cClass(in HbA1cInput) (clinical.Conclusion, error) {
	if err := notPregnant(in.Pregnancy, "HbA1c is not valid in pregnancy"); err != nil {
		return clinical.Conclusion{}, err
	}
	for _, q := range in.conditions() {
		if err := clinical.CheckAnswer(q.field, q.answer); err != nil {
			return clinical.Conclusion{}, err
		}
		if q.answer == clinical.Yes {
			return clinical.Conclusion{}, &clinical.Error{
				Code: clinical.QualityRefused, Field: q.field,
				Message: "HbA1c is not valid in this condition; use glucose",
			}
		}
	}
	c := clinical.Conclusion{Question: "class of HbA1c", Rule: "hba1c-ada", Source: source}
	if err := classify(&c, "HbA1c", units.HbA1c, in.HbA1c, hba1cLimits()); err != nil {
		return clinical.Conclusion{}, err
	}
	for _, q := range append(in.conditions(), question{"pregnancy", in.Pregnancy}) {
		c.AddChoice(q.field, string(q.answer))
		if q.answer == clinical.NotRecorded {
			c.AddReason(clinical.NotKnown, "", q.field+" was not recorded; HbA1c would not be valid with it")
			c.Warn(ConditionNotRecorded, "%s was not recorded; HbA1c would not be valid with it", q.field)
		}
	}
	return c, nil
}

// NGSP returns HbA1c in %, by 0.09148 x mmol/mol + 2.152. It returns a
// *clinical.Error for an HbA1c that is missing, not a positive number, in
// another unit or typical of another unit. Source: NGSP.
func NGSP(hba1c clinical.Measurement) (clinical.Result, error) {
	return convertHbA1c(hba1c, units.Percent)
}

// IFCC returns HbA1c in mmol/mol, by the exact inverse of the equation of NGSP.
// It returns a *clinical.Error as NGSP does. Source: NGSP.
func IFCC(hba1c clinical.Measurement) (clinical.Result, error) {
	return convertHbA1c(hba1c, units.MmolPerMol)
}

func convertHbA1c(hba1c clinical.Measurement, unit string) (clinical.Result, error) {
	value, err := hba1c.In("HbA1c", units.HbA1c, unit)
	if err != nil {
		return clinical.Result{}, err
	}
	r := clinical.Result{
		Value:    units.Quantity{Value: value, Unit: unit},
		Equation: "hba1c-ngsp-ifcc",
		Source:   "NGSP: % = 0.09148 x mmol/mol + 2.152, and its exact inverse",
	}
	r.AddInput("HbA1c", hba1c)
	return r, nil
}
