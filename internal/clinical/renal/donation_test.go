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

// TestFractionsOfRecovery: 90, 105 and 120 before donation, worked by hand, and
// the limits of what is accepted.
func TestFractionsOfRecovery(t *testing.T) {
	for before, want := range map[float64][3]float64{90: {58.5, 61.2, 63}, 105: {68.25, 71.4, 73.5}, 120: {78, 81.6, 84}} {
		after, err := ExpectedGFRAfterDonation(estimated(before), DefaultRecovery())
		got := [3]float64{float64(after.Low), float64(after.GFR), float64(after.High)}
		for i := range want {
			if err != nil || math.Abs(got[i]-want[i]) > 1e-9 {
				t.Errorf("%g: got %v, %v, want %v", before, got, err, want)
			}
		}
	}
	for high, ok := range map[float64]bool{1: true, 1.005: false} {
		_, err := ExpectedGFRAfterDonation(estimated(90), Recovery{Low: 0.65, Expected: 0.68, High: high})
		if (err == nil) != ok {
			t.Errorf("a fraction of %g: got %v", high, err)
		}
	}
	for gfr, ok := range map[float64]bool{4.97: false, 5: true, 250: true, 251: false} {
		if _, err := ExpectedGFRAfterDonation(estimated(gfr), DefaultRecovery()); (err == nil) != ok {
			t.Errorf("a GFR of %g: got %v", gfr, err)
		}
	}
}

// TestInverseNearTheKnot: close to the knot the side matters.
func TestInverseNearTheKnot(t *testing.T) {
	for _, sex := range clinical.Sexes() {
		kappa, _, _ := coefficientsCreatinine(sex)
		for _, factor := range []float64{0.995, 0.9999, 1, 1.0001, 1.005} {
			gfr := ckdepiCreatinine2021(kappa, 50, sex) * NormalisedGFR(factor)
			if back := ckdepiCreatinine2021(creatinineAt(gfr, 50, sex), 50, sex); math.Abs(float64(back/gfr)-1) > 1e-12 {
				t.Errorf("%s, factor %g: %g becomes %g", sex, factor, gfr, back)
			}
		}
	}
}
