package renal

import (
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Recovery is the fraction of the GFR before donation that is expected about a
// year after it, with the range in which it usually lies.
type Recovery struct {
	Low      float64 `json:"low" jsonschema:"fraction of the GFR that remains, low end"`
	Expected float64 `json:"expected" jsonschema:"fraction of the GFR that remains"`
	High     float64 `json:"high" jsonschema:"fraction of the GFR that remains, high end"`
}

// DefaultRecovery returns the fractions of the project: 0.68, range 0.65 to
// 0.70. Support: recovery at one year median 70.0 % (interquartile range 64.8
// to 75.5; Glasgow, 2025, abstract), mean reduction 25 % (Tel Aviv, 2000 to
// 2019, abstract), eGFR 99.2 to 64.3 at once (Lee, Korean J Transplant 2020).
func DefaultRecovery() Recovery { return Recovery{Low: 0.65, Expected: 0.68, High: 0.70} }

func (r Recovery) check() error {
	if r.Low > 0 && r.Low <= r.Expected && r.Expected <= r.High && r.High <= 1 {
		return nil
	}
	return &clinical.Error{
		Code: clinical.OutOfRange, Field: "recovery", Message: "the fractions must be ordered",
		Accepted: []string{"0 < low <= expected <= high <= 1"},
	}
}

// AfterDonation is the GFR expected about a year after donation.
type AfterDonation struct {
	clinical.Result
	GFR  NormalisedGFR `json:"gfr"`
	Low  NormalisedGFR `json:"low"`
	High NormalisedGFR `json:"high"`
}

// GFR before donation outside these limits is a slip of entry. Common practice,
// no published source.
const lowestGFR, highestGFR = 5, 250

// gfrBefore returns the GFR before donation, measured or estimated.
func gfrBefore(m clinical.Measurement) (NormalisedGFR, error) {
	value, err := m.Within("GFR before donation", units.NormalisedGFR, lowestGFR, highestGFR, units.MLPerMinPer173M2)
	return NormalisedGFR(value), err
}

// ExpectedGFRAfterDonation returns the GFR expected about a year after donation
// in mL/min/{1.73_m2}, with its range: the GFR before donation times the
// fractions of recovery. It is an average of groups, not a prediction for a
// person. It returns a *clinical.Error for a GFR outside 5 to 250 and for
// fractions that are not in order. Source: see DefaultRecovery.
func ExpectedGFRAfterDonation(before clinical.Measurement, recovery Recovery) (AfterDonation, error) {
	gfr, err := gfrBefore(before)
	if err != nil {
		return AfterDonation{}, err
	}
	if err := recovery.check(); err != nil {
		return AfterDonation{}, err
	}
	after := AfterDonation{
		GFR:  gfr * NormalisedGFR(recovery.Expected),
		Low:  gfr * NormalisedGFR(recovery.Low),
		High: gfr * NormalisedGFR(recovery.High),
	}
	after.Result = clinical.Result{
		Value:    after.GFR.Quantity(),
		Equation: "gfr-after-donation-fraction",
		Source:   "GFR before donation times the fraction that remains after about a year",
	}
	after.AddInput("GFR before donation", before)
	recovery.describe(&after.Result)
	after.AddStep("lower end of the range", float64(after.Low), units.MLPerMinPer173M2)
	after.AddStep("upper end of the range", float64(after.High), units.MLPerMinPer173M2)
	return after, nil
}

// Compensation is the factor by which the remaining kidney adapts within about a
// year. DefaultCompensation is common practice, no published source.
type Compensation float64

// DefaultCompensation returns 1.30.
func DefaultCompensation() Compensation { return 1.30 }

// The lowest compensation is 1, no adaptation. A part of the function outside its
// limits in % is a slip, such as a fraction. Common practice, no published source.
const (
	highestCompensation     = 2
	lowestPart, highestPart = 10, 90
)

// ExpectedGFRFromSplit returns the GFR expected about a year after donation in
// mL/min/{1.73_m2} from the part of the function that the remaining kidney has
// now, in %, and its compensation. It returns a *clinical.Error for a GFR
// outside 5 to 250, a part outside 10 to 90 %, a compensation outside 1 to 2, and
// when one kidney would do more than both did. Common practice, no published source.
func ExpectedGFRFromSplit(before, remaining clinical.Measurement, compensation Compensation) (clinical.Result, error) {
	gfr, err := gfrBefore(before)
	if err != nil {
		return clinical.Result{}, err
	}
	percent, err := remaining.Within("part of the remaining kidney", units.Proportion, lowestPart, highestPart, units.Percent)
	if err != nil {
		return clinical.Result{}, err
	}
	if err := clinical.CheckRange("compensation", float64(compensation), 1, highestCompensation, units.One); err != nil {
		return clinical.Result{}, err
	}
	if percent*float64(compensation) > 100 {
		return clinical.Result{}, &clinical.Error{
			Code: clinical.OutOfRange, Field: "compensation", Message: "one kidney would do more than both did",
			Accepted: []string{"a part times compensation of up to 100 %"},
		}
	}
	alone := gfr * NormalisedGFR(percent/100)
	r := clinical.Result{
		Value:    (alone * NormalisedGFR(compensation)).Quantity(),
		Equation: "gfr-after-donation-split",
		Source:   "part of the remaining kidney times its compensation; common practice, no published source",
	}
	r.AddInput("GFR before donation", before)
	r.AddInput("part of the remaining kidney", remaining)
	r.AddInput("compensation", clinical.NewMeasurement(float64(compensation), units.One))
	r.AddStep("GFR of the remaining kidney before compensation", float64(alone), units.MLPerMinPer173M2)
	return r, nil
}

func (r Recovery) describe(result *clinical.Result) {
	result.AddInput("fraction that remains", clinical.NewMeasurement(r.Expected, units.One))
	result.AddInput("fraction that remains, low", clinical.NewMeasurement(r.Low, units.One))
	result.AddInput("fraction that remains, high", clinical.NewMeasurement(r.High, units.One))
}

// CreatinineAfterDonation is the serum creatinine in mg/dL expected about a year
// after donation. Low goes with the high end of the recovery.
type CreatinineAfterDonation struct {
	clinical.Result
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// ExpectedCreatinineAfterDonation returns the serum creatinine in mg/dL at which
// the CKD-EPI 2021 creatinine equation, at the same age, gives the estimate
// before donation times the fraction of recovery. Its errors are those of
// CKDEPICreatinine2021, and fractions that are not in order. Source: inversion
// of Inker, N Engl J Med 2021;385:1737; see DefaultRecovery for the fractions.
func ExpectedCreatinineAfterDonation(creatinine clinical.Measurement, s Subject, recovery Recovery) (CreatinineAfterDonation, error) {
	before, err := CKDEPICreatinine2021(creatinine, s)
	if err != nil {
		return CreatinineAfterDonation{}, err
	}
	if err := recovery.check(); err != nil {
		return CreatinineAfterDonation{}, err
	}
	at := func(fraction float64) float64 {
		return creatinineAt(before.GFR*NormalisedGFR(fraction), s.Age, s.Sex)
	}
	after := CreatinineAfterDonation{
		Result: clinical.Result{
			Value:    units.Quantity{Value: at(recovery.Expected), Unit: units.MgPerDL},
			Equation: "creatinine-after-donation-ckdepi-cr-2021",
			Source:   "inversion of " + inker2021,
			Inputs:   before.Inputs,
			Warnings: before.Warnings,
		},
		Low:  at(recovery.High),
		High: at(recovery.Low),
	}
	recovery.describe(&after.Result)
	after.AddStep("estimated GFR before donation", float64(before.GFR), units.MLPerMinPer173M2)
	after.AddStep("lower end of the range", after.Low, units.MgPerDL)
	after.AddStep("upper end of the range", after.High, units.MgPerDL)
	return after, nil
}

// creatinineAt inverts ckdepiCreatinine2021 in mg/dL. The equation falls
// steadily, so the side of the knot follows from the estimate at the knot.
func creatinineAt(gfr NormalisedGFR, age int, sex clinical.Sex) float64 {
	kappa, alpha, _ := coefficientsCreatinine(sex)
	ratio := float64(gfr / ckdepiCreatinine2021(kappa, age, sex))
	if ratio <= 1 {
		return kappa * math.Pow(ratio, 1/aboveCreatinine)
	}
	return kappa * math.Pow(ratio, 1/alpha)
}
