package clinical_test

import (
	"math"
	"testing"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// TestRangeIncludesItsLimits checks at each limit and at the next number beside
// it.
func TestRangeIncludesItsLimits(t *testing.T) {
	const low, high = 0.2, 15.0
	for value, accepted := range map[float64]bool{
		low: true, math.Nextafter(low, 0): false,
		high: true, math.Nextafter(high, 16): false,
	} {
		err := clinical.CheckRange("serum creatinine", value, low, high, units.MgPerDL)
		if (err == nil) != accepted {
			t.Errorf("CheckRange(%v) = %v, want accepted %t", value, err, accepted)
		}
		got, err := clinical.NewMeasurement(value, "mg/dL").Within("serum creatinine", units.SerumCreatinine, low, high, units.MgPerDL)
		if (err == nil) != accepted || (accepted && got != value) {
			t.Errorf("Within(%v) = %v, %v, want accepted %t", value, got, err, accepted)
		}
	}
}

// TestIntervalSpansItsUpperEnd: a threshold is met from the threshold on, so an
// interval that begins at it lies on one side, and one that ends at it does not.
func TestIntervalSpansItsUpperEnd(t *testing.T) {
	i := clinical.Interval{Low: 85, High: 95}
	for threshold, want := range map[float64]bool{
		85: false, math.Nextafter(85, 90): true, 90: true,
		95: true, math.Nextafter(95, 100): false, 80: false,
	} {
		if got := i.Spans(threshold); got != want {
			t.Errorf("85 to 95 spans %v: got %t", threshold, got)
		}
	}
}

func TestDisplayOfWhatIsNotFinite(t *testing.T) {
	for value, want := range map[float64]string{math.Inf(1): "+Inf", math.Inf(-1): "-Inf"} {
		if got := clinical.Display(value, 1); got != want {
			t.Errorf("Display(%v) = %q, want %q", value, got, want)
		}
		if got := clinical.Round(value, 1); got != value {
			t.Errorf("Round(%v) = %v", value, got)
		}
	}
}

func TestErrorListsWhatIsAccepted(t *testing.T) {
	for want, accepted := range map[string][]string{
		"sex: wrong":                       nil,
		"sex: wrong; accepted: a":          {"a"},
		"sex: wrong; accepted: a, b and c": {"a", "b and c"},
	} {
		err := &clinical.Error{Code: clinical.UnknownChoice, Field: "sex", Message: "wrong", Accepted: accepted}
		if got := err.Error(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
