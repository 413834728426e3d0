// Package lipids computes non-HDL cholesterol and an estimate of LDL cholesterol
// from a lipid profile. It holds no risk score and no bands.
package lipids

import (
	"fmt"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Profile is a lipid profile of one blood sample.
type Profile struct {
	Total        clinical.Measurement `json:"total,omitzero" jsonschema:"total cholesterol in mg/dL or mmol/L"`
	HDL          clinical.Measurement `json:"hdl,omitzero" jsonschema:"HDL cholesterol in mg/dL or mmol/L"`
	Triglyceride clinical.Measurement `json:"triglyceride,omitzero" jsonschema:"triglyceride in mg/dL or mmol/L; needed for LDL only"`
	Fasting      clinical.Answer      `json:"fasting,omitempty" jsonschema:"yes or no: was the candidate fasting when the sample was taken? Required for LDL"`
}

// Friedewald's equation in mg/dL: cholesterol in VLDL is a fifth of the
// triglyceride, which holds below 400 mg/dL only. From memory.
const (
	triglyceridePerVLDL      = 5
	triglycerideLimitMgPerDL = 400
)

// Values outside these limits in mg/dL are a slip of entry. Common practice, no
// published source.
const (
	lowestCholesterol, highestCholesterol   = 10, 2000
	lowestTriglyceride, highestTriglyceride = 10, 15000
)

// decimalsShown is that of mg/dL. Common practice, no published source.
const decimalsShown = 0

// NonHDL returns total minus HDL cholesterol in mg/dL; mmol/L is among the
// steps. It returns a *clinical.Error for a cholesterol that is missing, not a
// positive number, in another unit or typical of another unit, outside 10 to 2000
// mg/dL, and when the result would not be positive. Source: arithmetic.
func NonHDL(p Profile) (clinical.Result, error) {
	nonHDL, err := p.nonHDL()
	if err != nil {
		return clinical.Result{}, err
	}
	r := clinical.Result{
		Value:    units.Quantity{Value: nonHDL, Unit: units.MgPerDL},
		Equation: "non-hdl-cholesterol",
		Source:   "total minus HDL cholesterol",
	}
	p.describe(&r)
	err = p.addMmolPerL(&r, "non-HDL cholesterol")
	return r, err
}

// LDLFriedewald returns LDL cholesterol in mg/dL, estimated as total cholesterol
// - HDL cholesterol - triglyceride / 5; mmol/L is among the steps. It returns a
// *clinical.Error as NonHDL does, for a triglyceride outside 10 to 15 000 mg/dL, when the question whether the sample was
// fasting is not answered, with the code QualityRefused when it was not fasting
// or the triglyceride is 400 mg/dL or more, and when the result would not be
// positive: LDL has to be measured then. Source: Friedewald, from memory.
func LDLFriedewald(p Profile) (clinical.Result, error) {
	if err := p.checkFasting(); err != nil {
		return clinical.Result{}, err
	}
	nonHDL, err := p.nonHDL()
	if err != nil {
		return clinical.Result{}, err
	}
	triglyceride, err := p.Triglyceride.Within("triglyceride", units.Triglyceride, lowestTriglyceride, highestTriglyceride, units.MgPerDL)
	if err != nil {
		return clinical.Result{}, err
	}
	if triglyceride >= triglycerideLimitMgPerDL {
		return clinical.Result{}, &clinical.Error{
			Code: clinical.QualityRefused, Field: "triglyceride",
			Message:  "the equation does not hold at this triglyceride; LDL has to be measured",
			Accepted: []string{fmt.Sprintf("below %d mg/dL", triglycerideLimitMgPerDL)},
		}
	}
	vldl := triglyceride / triglyceridePerVLDL
	ldl := nonHDL - vldl
	if ldl <= 0 {
		return clinical.Result{}, &clinical.Error{
			Code: clinical.NotPositive, Field: "LDL cholesterol",
			Message: "the equation gives no positive value; check the profile, LDL has to be measured",
		}
	}
	r := clinical.Result{
		Value:    units.Quantity{Value: ldl, Unit: units.MgPerDL},
		Equation: "ldl-friedewald",
		Source:   "Friedewald (from memory): total - HDL - triglyceride / 5 in mg/dL",
	}
	p.describe(&r)
	r.AddInput("triglyceride", p.Triglyceride)
	r.AddChoice("fasting", string(p.Fasting))
	r.AddStep("non-HDL cholesterol", nonHDL, units.MgPerDL)
	r.AddStep("cholesterol in VLDL", vldl, units.MgPerDL)
	if clinical.NearThreshold(triglyceride, clinical.AtLeast, triglycerideLimitMgPerDL, decimalsShown) {
		r.Warn(clinical.NearThresholdWarning, "the triglyceride is shown as %s mg/dL but is below that limit", clinical.Display(triglyceride, decimalsShown))
	}
	err = p.addMmolPerL(&r, "LDL cholesterol")
	return r, err
}

func (p Profile) checkFasting() error {
	if err := clinical.CheckAnswer("fasting", p.Fasting); err != nil {
		return err
	}
	switch p.Fasting {
	case clinical.NotRecorded:
		return &clinical.Error{
			Code: clinical.Missing, Field: "fasting", Message: "it must be recorded whether the candidate was fasting",
			Accepted: []string{string(clinical.Yes), string(clinical.No)},
		}
	case clinical.No:
		return &clinical.Error{
			Code: clinical.QualityRefused, Field: "fasting",
			Message: "the equation holds for a fasting sample only; repeat it fasting or measure LDL",
		}
	}
	return nil
}

// nonHDL returns the difference in mg/dL.
func (p Profile) nonHDL() (float64, error) {
	total, err := p.Total.Within("total cholesterol", units.Cholesterol, lowestCholesterol, highestCholesterol, units.MgPerDL)
	if err != nil {
		return 0, err
	}
	hdl, err := p.HDL.Within("HDL cholesterol", units.Cholesterol, lowestCholesterol, highestCholesterol, units.MgPerDL)
	if err != nil {
		return 0, err
	}
	if hdl >= total {
		return 0, &clinical.Error{
			Code: clinical.NotPositive, Field: "HDL cholesterol",
			Message: "the HDL cholesterol must be below the total cholesterol",
		}
	}
	return total - hdl, nil
}

func (p Profile) describe(r *clinical.Result) {
	r.AddInput("total cholesterol", p.Total)
	r.AddInput("HDL cholesterol", p.HDL)
}

// addMmolPerL adds the value in mmol/L by the factor of the total cholesterol: a
// computed part may be lower than is plausible for one that was measured.
func (p Profile) addMmolPerL(r *clinical.Result, text string) error {
	mgPerDL, err := p.Total.Within("total cholesterol", units.Cholesterol, lowestCholesterol, highestCholesterol, units.MgPerDL)
	if err != nil {
		return err
	}
	mmolPerL, err := p.Total.In("total cholesterol", units.Cholesterol, units.MmolPerL)
	r.AddStep(text, r.Value.Value*mmolPerL/mgPerDL, units.MmolPerL)
	return err
}
