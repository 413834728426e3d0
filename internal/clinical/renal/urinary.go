package renal

import (
	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/units"
	"candidacy/internal/clinical/urine"
)

// CreatinineClearanceInput is a timed urine collection with the serum
// creatinine drawn within it.
type CreatinineClearanceInput struct {
	Collection      urine.Collection
	UrineCreatinine clinical.Measurement
	// SerumCreatinine holds one value drawn during the collection, or those of
	// its start and end, which are averaged.
	SerumCreatinine []clinical.Measurement
	Size            body.Size
	SurfaceArea     body.SurfaceAreaFormula
	// Age is in completed years at the date of the collection.
	Age int
	Sex clinical.Sex
}

// CreatinineClearance is the clearance of creatinine into urine. Its Value is
// the BSA-normalised clearance.
type CreatinineClearance struct {
	clinical.Result
	// Normalised is the clearance for 1.73 m2.
	Normalised NormalisedGFR `json:"normalised"`
	// Absolute is the clearance in mL/min.
	Absolute AbsoluteGFR `json:"absolute"`
	// Completeness tells whether the collection looks complete.
	Completeness urine.Completeness `json:"completeness"`
}

// UrinaryCreatinineClearance returns the clearance of creatinine from a timed
// urine collection: concentration in urine times volume over concentration in
// serum times the real duration, in mL/min/{1.73_m2} and in mL/min. Creatinine
// is also secreted by the tubules, so it overestimates GFR (Garg, Kidney360
// 2021).
//
// It returns a *clinical.Error for an invalid collection or concentration, for
// no or more than two serum values, and with the code QualityRefused when both
// checks of completeness fail (see urine.CreatinineExcretion). Source:
// definition of clearance.
func UrinaryCreatinineClearance(in CreatinineClearanceInput) (CreatinineClearance, error) {
	if n := len(in.SerumCreatinine); n == 0 || n > 2 {
		return CreatinineClearance{}, &clinical.Error{
			Code: clinical.Missing, Field: "serum creatinine",
			Message:  "the serum creatinine of the collection is required",
			Accepted: []string{"one value drawn during the collection", "the values of its start and end"},
		}
	}
	var serum float64
	for _, m := range in.SerumCreatinine {
		value, err := creatinineMgPerDL(m)
		if err != nil {
			return CreatinineClearance{}, err
		}
		serum += value / float64(len(in.SerumCreatinine))
	}
	volume, minutes, err := in.Collection.Values()
	if err != nil {
		return CreatinineClearance{}, err
	}
	concentration, err := urine.CreatinineMgPerDL(in.UrineCreatinine)
	if err != nil {
		return CreatinineClearance{}, err
	}
	completeness, err := urine.CreatinineExcretion(in.Collection, in.UrineCreatinine, in.Size, in.Age, in.Sex)
	if err != nil {
		return CreatinineClearance{}, err
	}
	surface, err := body.SurfaceArea(in.SurfaceArea, in.Size)
	if err != nil {
		return CreatinineClearance{}, err
	}

	absolute := AbsoluteGFR(concentration * volume / (serum * minutes))
	normalised := absolute.normalise(surface.Value.Value)
	c := CreatinineClearance{
		Result: clinical.Result{
			Value:    normalised.Quantity(),
			Equation: "creatinine-clearance-timed-urine",
			Source:   "urine concentration times volume over serum concentration times time",
		},
		Normalised: normalised, Absolute: absolute, Completeness: completeness,
	}
	for _, m := range in.SerumCreatinine {
		c.AddInput("serum creatinine", m)
	}
	c.Inputs = append(c.Inputs, completeness.Inputs...)
	c.AddInput("height", in.Size.Height)
	c.Warnings = append(c.Warnings, completeness.Warnings...)
	c.Warnings = append(c.Warnings, surface.Warnings...)
	c.Steps = append(c.Steps, completeness.Steps...)
	c.AddStep("creatinine excretion", completeness.Value.Value, completeness.Value.Unit)
	c.AddStep("body surface area ("+surface.Equation+")", surface.Value.Value, surface.Value.Unit)
	c.AddStep("clearance", float64(absolute), units.MLPerMin)
	return c, nil
}
