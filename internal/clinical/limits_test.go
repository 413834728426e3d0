package clinical_test

import (
	"errors"
	"math"
	"slices"
	"strings"
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

func TestCheckChoice(t *testing.T) {
	type fruit string
	for _, tt := range []struct {
		choice   fruit
		accepted []fruit
		code     clinical.Code // empty when it is accepted
	}{
		{"apple", []fruit{"apple", "pear"}, ""},
		{"pear", []fruit{"apple", "pear"}, ""},
		{"", []fruit{"apple", "pear"}, clinical.Missing},
		{"", []fruit{"apple", "pear", ""}, ""},
		{"plum", []fruit{"apple", "pear"}, clinical.UnknownChoice},
		{"plum", []fruit{"apple", "", "pear"}, clinical.UnknownChoice},
	} {
		given := slices.Clone(tt.accepted)
		err := clinical.CheckChoice("fruit", tt.choice, tt.accepted)
		var e *clinical.Error
		switch {
		case tt.code == "" && err == nil:
		case errors.As(err, &e) && e.Code == tt.code && e.Field == "fruit" && e.Message != "" && slices.Equal(e.Accepted, []string{"apple", "pear"}):
			if strings.Contains(e.Error(), "plum") {
				t.Errorf("the error repeats the choice: %v", e)
			}
		default:
			t.Errorf("%q of %q: got %v, want %q", tt.choice, tt.accepted, err, tt.code)
		}
		if !slices.Equal(given, tt.accepted) {
			t.Errorf("the accepted words became %q", tt.accepted)
		}
	}
}

func TestDisplayBeside(t *testing.T) {
	for _, tt := range []struct {
		value, threshold float64
		decimals         int
		want             string
	}{
		{39.7, 40, 0, "39.7"}, {40.4, 40, 0, "40.4"}, {40, 40, 0, "40"}, {45, 40, 0, "45"}, {10.03, 10, 1, "10.03"}, {9.96, 10, 1, "9.96"},
		{-5.04, -5, 1, "-5.04"}, {0.3002, 0.3, 2, "0.3002"}, {1.604, 1.6, 2, "1.604"}, {0.25, 0.3, 1, "0.25"}, {0.24, 0.3, 1, "0.2"},
		{math.Nextafter(1, 2), 1, 0, "1.000000000000000"},
		// A difference in the last bits only is shown once all decimals are used.
		{math.Nextafter(10, 11), 10, 1, "10.000000000000002"},
	} {
		if got := clinical.DisplayBeside(tt.value, tt.threshold, tt.decimals); got != tt.want {
			t.Errorf("%v beside %v: got %s, want %s", tt.value, tt.threshold, got, tt.want)
		}
	}
}
