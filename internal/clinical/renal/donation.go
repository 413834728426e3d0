package renal

import (
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Recovery is the fraction of the GFR before donation that is expected about a
// year after it, with the range in which it usually lies.
type Recovery struct {
	Low, Expected, High float64
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

// BeforeDonation is the GFR of a candidate, measured or estimated, with the
// date and the reference of the observation, both optional.
type BeforeDonation struct {
	GFR  NormalisedGFR
	Date string
	Ref  string
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

// ExpectedGFRAfterDonation returns the GFR expected about a year after donation
// in mL/min/{1.73_m2}, with its range: the GFR before donation times the
// fractions of recovery. It is an average of groups, not a prediction for a
// person. It returns a *clinical.Error for a GFR outside 5 to 250 and for
// fractions that are not in order. Source: see DefaultRecovery.
func ExpectedGFRAfterDonation(before BeforeDonation, recovery Recovery) (AfterDonation, error) {
	if err := checkPositive("GFR before donation", float64(before.GFR)); err != nil {
		return AfterDonation{}, err
	}
	if err := clinical.CheckRange("GFR before donation", float64(before.GFR), lowestGFR, highestGFR, units.MLPerMinPer173M2); err != nil {
		return AfterDonation{}, err
	}
	if err := recovery.check(); err != nil {
		return AfterDonation{}, err
	}
	after := AfterDonation{
		GFR:  before.GFR * NormalisedGFR(recovery.Expected),
		Low:  before.GFR * NormalisedGFR(recovery.Low),
		High: before.GFR * NormalisedGFR(recovery.High),
	}
	after.Result = clinical.Result{
		Value:    after.GFR.Quantity(),
		Equation: "gfr-after-donation-fraction",
		Source:   "GFR before donation times the fraction that remains after about a year",
	}
	after.AddInput("GFR before donation", clinical.Measurement{Quantity: before.GFR.Quantity(), Date: before.Date, Ref: before.Ref})
	recovery.describe(&after.Result)
	after.AddStep("lower end of the range", float64(after.Low), units.MLPerMinPer173M2)
	after.AddStep("upper end of the range", float64(after.High), units.MLPerMinPer173M2)
	return after, nil
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
	kappa, alpha := kappaMale, -0.302
	if sex == clinical.Female {
		kappa, alpha = kappaFemale, -0.241
	}
	ratio := float64(gfr / ckdepiCreatinine2021(kappa, age, sex))
	if ratio <= 1 {
		return kappa * math.Pow(ratio, 1/-1.200)
	}
	return kappa * math.Pow(ratio, 1/alpha)
}
