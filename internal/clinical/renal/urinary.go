package renal

import (
	"fmt"
	"slices"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/units"
	"candidacy/internal/clinical/urine"
)

// CreatinineClearanceInput is a timed urine collection with the serum
// creatinine drawn within it.
type CreatinineClearanceInput struct {
	Collection      urine.Collection     `json:"collection" jsonschema:"volume and real duration of the collection"`
	UrineCreatinine clinical.Measurement `json:"urineCreatinine" jsonschema:"creatinine in the collection, in mg/dL or mmol/L"`
	// SerumCreatinine holds one value drawn during the collection, or those of
	// its start and end, which are averaged.
	SerumCreatinine []clinical.Measurement  `json:"serumCreatinine" jsonschema:"one serum creatinine drawn during the collection, or those of its start and end, in mg/dL or umol/L"`
	Size            body.Size               `json:"size" jsonschema:"height and weight"`
	SurfaceArea     body.SurfaceAreaFormula `json:"surfaceArea,omitempty" jsonschema:"formula for the body surface area; Du Bois when left out"`
	// Age is in completed years at the date of the collection.
	Age int          `json:"age" jsonschema:"age in completed years at the date of the collection"`
	Sex clinical.Sex `json:"sex" jsonschema:"sex used by the checks of completeness"`
	// Urea adds the clearance of urea. Optional.
	Urea *UreaInput `json:"urea,omitempty" jsonschema:"urea in the same collection and in serum, for the mean of both clearances"`
	// Uncertainty of the inputs. Optional: without it there is no interval.
	Uncertainty *UrineUncertainty `json:"uncertainty,omitempty" jsonschema:"standard uncertainties of the inputs; without them there is no interval"`
}

// UreaInput is the urea of the same collection and in serum drawn within it.
type UreaInput struct {
	Urine clinical.Measurement `json:"urine" jsonschema:"urea in the collection, in mg/dL or mmol/L"`
	Serum clinical.Measurement `json:"serum" jsonschema:"urea in serum, in mg/dL or mmol/L"`
}

// CreatinineClearance is the clearance of creatinine into urine. Its Value is
// the BSA-normalised clearance.
type CreatinineClearance struct {
	MeasuredGFR
	// Completeness tells whether the collection looks complete.
	Completeness urine.Completeness `json:"completeness"`
	// Urea is the absolute clearance of urea, and MeanWithUrea the mean of both
	// for 1.73 m2; zero when no urea was given.
	Urea         AbsoluteGFR   `json:"urea,omitzero"`
	MeanWithUrea NormalisedGFR `json:"meanWithUrea,omitzero"`
}

// Concentrations of urea outside these limits are a slip of entry. Common
// practice, no published source.
const (
	lowestSerumUreaMgPerDL, highestSerumUreaMgPerDL = 6, 400
	lowestUrineUreaMgPerDL, highestUrineUreaMgPerDL = 50, 8000
)

// UrinaryCreatinineClearance returns the clearance of creatinine from a timed
// urine collection: concentration in urine times volume over concentration in
// serum times the real duration, in mL/min/{1.73_m2} and in mL/min. Creatinine
// is also secreted by the tubules, so it overestimates GFR (Garg, Kidney360
// 2021); urea is reabsorbed, and with it the mean of both clearances is among
// the steps (common practice). With stated uncertainties there is an interval of
// 95 %.
//
// It returns a *clinical.Error for an invalid collection or concentration, for
// no or more than two serum values, for a clearance outside 5 to 250
// mL/min/{1.73_m2}, and with the code QualityRefused when both checks of
// completeness fail (see urine.CreatinineExcretion). Source:
// definition of clearance.
func UrinaryCreatinineClearance(in CreatinineClearanceInput) (CreatinineClearance, error) {
	if n := len(in.SerumCreatinine); n == 0 || n > 2 {
		return CreatinineClearance{}, &clinical.Error{
			Code: clinical.Missing, Field: "serum creatinine",
			Message:  "the serum creatinine of the collection is required",
			Accepted: []string{"one value drawn during the collection", "the values of its start and end"},
		}
	}
	var serum []float64
	for i, m := range in.SerumCreatinine {
		value, err := creatinineOf(fmt.Sprintf("serum creatinine %d", i+1), m)
		if err != nil {
			return CreatinineClearance{}, err
		}
		serum = append(serum, value)
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

	absolute := AbsoluteGFR(timedClearance(concentration, volume, meanOf(serum), minutes))
	normalised := absolute.normalise(surface.Value.Value)
	if err := clinical.CheckRange("creatinine clearance", float64(normalised), lowestGFR, highestGFR, units.MLPerMinPer173M2); err != nil {
		return CreatinineClearance{}, err
	}
	c := CreatinineClearance{
		MeasuredGFR: newMeasuredGFR(absolute, normalised, "creatinine-clearance-timed-urine",
			"urine concentration times volume over serum concentration times time"),
		Completeness: completeness,
	}
	for _, m := range in.SerumCreatinine {
		c.AddInput("serum creatinine", m)
	}
	c.Inputs = append(c.Inputs, completeness.Inputs...)
	c.AddInput("height", in.Size.Height)
	c.AddChoice(surfaceAreaFormula, surface.Equation)
	c.Warnings = append(c.Warnings, completeness.Warnings...)
	c.Warnings = append(c.Warnings, surface.Warnings...)
	c.Steps = append(c.Steps, completeness.Steps...)
	c.AddStep("creatinine excretion", completeness.Value.Value, completeness.Value.Unit)
	c.AddStep("body surface area ("+surface.Equation+")", surface.Value.Value, surface.Value.Unit)
	c.AddStep("clearance", float64(absolute), units.MLPerMin)
	if low, high := slices.Min(serum), slices.Max(serum); high > low*largestSerumRise {
		c.Warn(CreatinineNotSteady, "the serum creatinine differs by more than 20 %% between the start and the end of the collection; repeat when stable")
	}
	if in.Urea != nil {
		if err := c.addUrea(*in.Urea, volume, minutes, surface.Value.Value); err != nil {
			return CreatinineClearance{}, err
		}
	}
	if in.Uncertainty == nil {
		c.Warn(UncertaintyNotStated, "the uncertainties of volume, time and concentrations were not stated, so there is no interval")
		return c, nil
	}
	x := append([]float64{inUrine: concentration, inVolume: volume, inMinutes: minutes}, serum...)
	err = in.Uncertainty.interval(&c.Result, x, surface.Value.Value)
	return c, err
}

// largestSerumRise: a serum creatinine that differs by more during a collection
// is not in steady state. Common practice, no published source.
const largestSerumRise = 1.2

func meanOf(values []float64) float64 {
	var sum float64
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}

// timedClearance returns mL/min: both concentrations in the same unit, the
// volume in mL, the duration in min.
func timedClearance(urine, volume, serum, minutes float64) float64 {
	return urine * volume / (serum * minutes)
}

func (c *CreatinineClearance) addUrea(in UreaInput, volume, minutes, surfaceM2 float64) error {
	urine, err := in.Urine.Within("urine urea", units.UrineUrea, lowestUrineUreaMgPerDL, highestUrineUreaMgPerDL, units.MgPerDL)
	if err != nil {
		return err
	}
	serum, err := in.Serum.Within("serum urea", units.Urea, lowestSerumUreaMgPerDL, highestSerumUreaMgPerDL, units.MgPerDL)
	if err != nil {
		return err
	}
	c.Urea = AbsoluteGFR(timedClearance(urine, volume, serum, minutes))
	mean := (c.Absolute + c.Urea) / 2
	c.MeanWithUrea = mean.normalise(surfaceM2)
	c.AddInput("urine urea", in.Urine)
	c.AddInput("serum urea", in.Serum)
	c.AddStep("clearance of urea", float64(c.Urea), units.MLPerMin)
	c.AddStep("mean of the clearances of creatinine and urea", float64(mean), units.MLPerMin)
	c.AddStep("mean of the clearances of creatinine and urea, normalised", float64(c.MeanWithUrea), units.MLPerMinPer173M2)
	return nil
}

// The places of the inputs of a urinary clearance; the concentrations in serum
// follow.
const (
	inUrine = iota
	inVolume
	inMinutes
	inSerum
)

// interval adds the interval of a urinary clearance with the inputs x.
func (u UrineUncertainty) interval(r *clinical.Result, x []float64, surfaceM2 float64) error {
	concentration, volume, minutes, err := u.values()
	if err != nil {
		return err
	}
	r.AddInput("uncertainty of the concentration", u.Concentration)
	r.AddInput("uncertainty of the volume", u.Volume)
	r.AddInput("uncertainty of the time", u.Time)
	concentrations := []int{inUrine}
	for i := inSerum; i < len(x); i++ {
		concentrations = append(concentrations, i)
	}
	interval, err := propagate(func(x []float64) (float64, error) {
		return float64(AbsoluteGFR(timedClearance(x[inUrine], x[inVolume], meanOf(x[inSerum:]), x[inMinutes])).normalise(surfaceM2)), nil
	}, x, []uncertain{
		{"concentration", concentrations, proportional(concentration)},
		{"volume", []int{inVolume}, proportional(volume)},
		{"time", []int{inMinutes}, constant(minutes)},
	})
	setInterval(r, interval, err)
	return nil
}
