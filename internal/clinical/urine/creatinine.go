package urine

import (
	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/units"
)

// CollectionCompletenessDoubtful is the warning that one of the two checks of
// completeness failed.
const CollectionCompletenessDoubtful clinical.WarningCode = "collection-completeness-doubtful"

// Limits of a complete collection.
const (
	// Creatinine excreted a day for each kg of body weight, mg/kg: 20 to 25 in
	// men and 15 to 20 in women (pharmacotherapy text), widened for flagging by
	// common practice, no published source.
	lowestPerKgMale, highestPerKgMale     = 15, 28
	lowestPerKgFemale, highestPerKgFemale = 11, 22
	// Measured over expected excretion: common practice, no published source.
	lowestRatio, highestRatio = 0.7, 1.3
)

// Completeness is the creatinine excreted in 24 h, in mg/(24.h), with the two
// checks of a complete collection.
type Completeness struct {
	clinical.Result
	// PerKg is the excretion in mg for each kg of body weight a day.
	PerKg float64 `json:"perKg"`
	// PerKgPlausible tells whether PerKg lies within the limits for the sex.
	PerKgPlausible bool `json:"perKgPlausible"`
	// Ratio is the measured over the expected excretion.
	Ratio float64 `json:"ratio"`
	// RatioPlausible tells whether Ratio lies within 0.7 to 1.3.
	RatioPlausible bool `json:"ratioPlausible"`
}

// ExpectedCreatinineExcretion returns the expected creatinine excretion in
// mg/(24.h) from weight, age and sex. The race term of the publication is not
// used. It returns a *clinical.Error for a size, age or sex that is missing or
// outside the limits. Source: Ix, Clin J Am Soc Nephrol 2011;6:184, read in a
// summary.
func ExpectedCreatinineExcretion(s body.Size, age int, sex clinical.Sex) (clinical.Result, error) {
	weight, err := s.Kilograms()
	if err != nil {
		return clinical.Result{}, err
	}
	if err := clinical.CheckAge("age", age); err != nil {
		return clinical.Result{}, err
	}
	if err := clinical.CheckSex("sex", sex); err != nil {
		return clinical.Result{}, err
	}
	// Ix, Clin J Am Soc Nephrol 2011;6:184.
	expected := 879.89 + 12.51*weight - 6.19*float64(age)
	if sex == clinical.Female {
		expected -= 379.42
	}
	r := clinical.Result{
		Value:    units.Quantity{Value: expected, Unit: units.MgPer24Hours},
		Equation: "creatinine-excretion-ix-2011",
		Source:   "Ix, Clin J Am Soc Nephrol 2011;6:184, without the race term",
	}
	r.AddInput("weight", s.Weight)
	r.AddInput("age", clinical.NewMeasurement(float64(age), units.Year))
	r.AddChoice("sex", string(sex))
	return r, nil
}

// CreatinineExcretion returns the creatinine excreted in 24 h, in mg/(24.h), and
// whether the collection looks complete: by mg for each kg of the actual body
// weight, and by the ratio to the excretion expected by Ix 2011. One failing
// check is a warning; both failing is a *clinical.Error with the code
// QualityRefused that states both numbers.
func CreatinineExcretion(c Collection, creatinine clinical.Measurement, s body.Size, age int, sex clinical.Sex) (Completeness, error) {
	volume, minutes, err := c.Values()
	if err != nil {
		return Completeness{}, err
	}
	concentration, err := CreatinineMgPerDL(creatinine)
	if err != nil {
		return Completeness{}, err
	}
	expected, err := ExpectedCreatinineExcretion(s, age, sex)
	if err != nil {
		return Completeness{}, err
	}
	weight, err := s.Kilograms()
	if err != nil {
		return Completeness{}, err
	}
	excretion := concentration / 100 * volume * 1440 / minutes
	lowest, highest := float64(lowestPerKgMale), float64(highestPerKgMale)
	if sex == clinical.Female {
		lowest, highest = lowestPerKgFemale, highestPerKgFemale
	}
	perKg, ratio := excretion/weight, excretion/expected.Value.Value
	done := Completeness{
		Result: clinical.Result{
			Value:    units.Quantity{Value: excretion, Unit: units.MgPer24Hours},
			Equation: "creatinine-excretion-24h",
			Source:   "concentration times volume over time; expected excretion by " + expected.Source,
		},
		PerKg: perKg, PerKgPlausible: perKg >= lowest && perKg <= highest,
		Ratio: ratio, RatioPlausible: ratio >= lowestRatio && ratio <= highestRatio,
	}
	if !done.PerKgPlausible && !done.RatioPlausible {
		return Completeness{}, &clinical.Error{
			Code: clinical.QualityRefused, Field: "urine collection",
			Message: "the collection is not complete or not timed correctly: " +
				clinical.Display(perKg, 1) + " mg/kg creatinine a day and " +
				clinical.Display(ratio, 2) + " of the expected excretion",
			Accepted: []string{
				clinical.Display(lowest, 0) + " to " + clinical.Display(highest, 0) + " mg/kg a day",
				clinical.Display(lowestRatio, 1) + " to " + clinical.Display(highestRatio, 1) + " of the expected excretion",
			},
		}
	}
	c.describe(&done.Result)
	done.AddInput("urine creatinine", creatinine)
	done.Inputs = append(done.Inputs, expected.Inputs...)
	done.AddStep("creatinine excretion for each kg of body weight", perKg, "mg/kg/(24.h)")
	done.AddStep("expected creatinine excretion", expected.Value.Value, units.MgPer24Hours)
	done.AddStep("measured over expected creatinine excretion", ratio, units.One)
	if !done.PerKgPlausible {
		done.Warn(CollectionCompletenessDoubtful, "%s mg/kg creatinine a day is outside %g to %g", clinical.Display(perKg, 1), lowest, highest)
	}
	if !done.RatioPlausible {
		done.Warn(CollectionCompletenessDoubtful, "the creatinine excretion is %s of the expected, outside %g to %g", clinical.Display(ratio, 2), lowestRatio, highestRatio)
	}
	return done, nil
}
