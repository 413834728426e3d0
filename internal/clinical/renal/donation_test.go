package renal

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

func TestExpectedGFRAfterDonationRefuses(t *testing.T) {
	tests := []struct {
		name     string
		gfr      float64
		recovery Recovery
		code     clinical.Code
		field    string
	}{
		{"NaN", math.NaN(), DefaultRecovery(), clinical.NotFinite, "GFR before donation"},
		{"infinite", math.Inf(1), DefaultRecovery(), clinical.NotFinite, "GFR before donation"},
		{"zero", 0, DefaultRecovery(), clinical.NotPositive, "GFR before donation"},
		{"negative", -90, DefaultRecovery(), clinical.NotPositive, "GFR before donation"},
		{"not plausible", 251, DefaultRecovery(), clinical.OutOfRange, "GFR before donation"},
		{"no fractions", 90, Recovery{}, clinical.OutOfRange, "recovery"},
		{"fractions not in order", 90, Recovery{Low: 0.7, Expected: 0.65, High: 0.68}, clinical.OutOfRange, "recovery"},
		{"percent", 90, Recovery{Low: 65, Expected: 68, High: 70}, clinical.OutOfRange, "recovery"},
		{"NaN fraction", 90, Recovery{Low: 0.65, Expected: math.NaN(), High: 0.7}, clinical.OutOfRange, "recovery"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := ExpectedGFRAfterDonation(estimated(tt.gfr), tt.recovery)
			wantError(t, err, tt.code, tt.field)
		})
	}
}

func TestExpectedCreatinineAfterDonationRefuses(t *testing.T) {
	man := Subject{Age: 45, Sex: clinical.Male}
	_, err := ExpectedCreatinineAfterDonation(mgPerDL(90), man, DefaultRecovery())
	wantError(t, err, clinical.ProbableUnitError, "serum creatinine")
	_, err = ExpectedCreatinineAfterDonation(mgPerDL(0.9), Subject{Age: 45}, DefaultRecovery())
	wantError(t, err, clinical.Missing, "sex")
	_, err = ExpectedCreatinineAfterDonation(mgPerDL(0.9), man, Recovery{})
	wantError(t, err, clinical.OutOfRange, "recovery")
}

// TestExpectedCreatinineIsTheInverse puts the expected creatinine back into the
// equation, on both sides of the knot.
func TestExpectedCreatinineIsTheInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSubject(t)
		creatinine := mgPerDL(rapid.Float64Range(0.2, 3).Draw(t, "creatinine"))
		before, err := CKDEPICreatinine2021(creatinine, s)
		if err != nil {
			t.Fatal(err)
		}
		after, err := ExpectedCreatinineAfterDonation(creatinine, s, DefaultRecovery())
		if err != nil {
			t.Fatal(err)
		}
		again, err := CKDEPICreatinine2021(mgPerDL(after.Value.Value), s)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(again.GFR/before.GFR)-0.68) > 1e-12 || after.Low >= after.Value.Value || after.High <= after.Value.Value {
			t.Fatalf("%g becomes %+v and %g", before.GFR, after, again.GFR)
		}
	})
}
