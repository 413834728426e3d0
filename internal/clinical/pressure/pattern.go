package pressure

import (
	"fmt"

	"candidacy/internal/clinical"
)

// PatternInput is what the pattern of office and ambulatory pressure follows
// from.
type PatternInput struct {
	Office  Reading         `json:"office,omitzero" jsonschema:"mean office pressure in mm[Hg], from two readings on two occasions"`
	Day     Reading         `json:"day,omitzero" jsonschema:"mean ambulatory pressure by day in mm[Hg]"`
	Treated clinical.Answer `json:"treated,omitempty" jsonschema:"yes or no: does the candidate take medicines for blood pressure? Required"`
}

// The answers of Pattern.
const (
	// NormalPattern: neither mean reaches its threshold.
	NormalPattern = "normal"
	// WhiteCoat: the office mean reaches its threshold, the day mean does not.
	WhiteCoat = "white-coat"
	// Masked: the day mean reaches its threshold, the office mean does not.
	Masked = "masked"
	// Sustained: both means reach their thresholds.
	Sustained = "sustained"
	// TreatedNoPattern: under treatment the patterns are not named.
	TreatedNoPattern = "treated-no-pattern"
)

const patternSource = "ACC/AHA guideline 2017"

// Pattern compares the mean office pressure with the mean ambulatory pressure by
// day, each with the threshold of the office target. The patterns are defined
// without treatment only: under treatment the answer is treated-no-pattern, and
// the reasons still tell which threshold is reached.
//
// It returns a *clinical.Error for a mean that is missing, in another unit or
// outside 60 to 260 systolic or 30 to 160 diastolic, for a diastolic not below
// the systolic, when the question about treatment is not answered, and for a
// target that is not one of Targets. Source: ACC/AHA guideline of 2017.
func Pattern(in PatternInput, target Target) (clinical.Conclusion, error) {
	thresholds, err := target.Thresholds()
	if err != nil {
		return clinical.Conclusion{}, err
	}
	if err := clinical.CheckAnswer("treated", in.Treated); err != nil {
		return clinical.Conclusion{}, err
	}
	if in.Treated == clinical.NotRecorded {
		return clinical.Conclusion{}, &clinical.Error{
			Code: clinical.Missing, Field: "treated", Message: "it must be recorded whether the pressure is treated",
			Accepted: []string{string(clinical.Yes), string(clinical.No)},
		}
	}
	c := clinical.Conclusion{
		Question: "pattern of office and ambulatory pressure", Rule: "pressure-pattern-acc-aha-2017", Source: patternSource,
	}
	weight := clinical.Decides
	if in.Treated == clinical.Yes {
		weight = clinical.Neutral
	}
	office, err := compare(&c, "office mean", in.Office, thresholds.Office, weight)
	if err != nil {
		return clinical.Conclusion{}, err
	}
	day, err := compare(&c, "day mean", in.Day, thresholds.Day, weight)
	if err != nil {
		return clinical.Conclusion{}, err
	}
	c.AddChoice("treated", string(in.Treated))
	c.AddChoice("target", string(target))
	switch {
	case in.Treated == clinical.Yes:
		c.Answer = TreatedNoPattern
		c.AddReason(clinical.Decides, patternSource, "the pressure is treated; the patterns are defined without treatment only")
	case office && day:
		c.Answer = Sustained
	case office:
		c.Answer = WhiteCoat
	case day:
		c.Answer = Masked
	default:
		c.Answer = NormalPattern
	}
	return c, nil
}

// compare tells whether a mean reaches its threshold, and lists it.
func compare(c *clinical.Conclusion, field string, r Reading, threshold Pair, weight clinical.Weight) (bool, error) {
	systolic, diastolic, err := r.values(field)
	if err != nil {
		return false, err
	}
	if err := checkPair(field, systolic, diastolic); err != nil {
		return false, err
	}
	c.AddInput(field+" systolic", r.measurement(r.Systolic))
	c.AddInput(field+" diastolic", r.measurement(r.Diastolic))
	reached := threshold.reachedBy(systolic, diastolic)
	verb := "is below"
	if reached {
		verb = "reaches"
	}
	c.AddReason(weight, patternSource, fmt.Sprintf("the %s %s %g/%g mm[Hg]", field, verb, threshold.Systolic, threshold.Diastolic))
	for _, v := range []struct{ value, threshold float64 }{{systolic, threshold.Systolic}, {diastolic, threshold.Diastolic}} {
		if clinical.NearThreshold(v.value, clinical.AtLeast, v.threshold, 0) {
			c.Warn(clinical.NearThresholdWarning, "the %s is shown as %s mm[Hg] but is below the threshold of %g", field, clinical.Display(v.value, 0), v.threshold)
		}
	}
	return reached, nil
}
