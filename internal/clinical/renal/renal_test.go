package renal

import (
	"errors"
	"math"
	"slices"
	"testing"

	"candidacy/internal/clinical"
)

func wantError(t *testing.T, err error, code clinical.Code, field string) {
	t.Helper()
	var e *clinical.Error
	if !errors.As(err, &e) || e.Code != code || e.Field != field {
		t.Errorf("got %v, want the code %s for %s", err, code, field)
	}
}

// wantWarnings compares the codes in their order.
func wantWarnings(t *testing.T, r clinical.Result, want []clinical.WarningCode) {
	t.Helper()
	var got []clinical.WarningCode
	for _, w := range r.Warnings {
		got = append(got, w.Code)
		if w.Message == "" {
			t.Errorf("the warning %s has no message", w.Code)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("got the warnings %v, want %v", got, want)
	}
}

func TestNormaliseAndBack(t *testing.T) {
	normalised, err := AbsoluteGFR(100).Normalise(2)
	if err != nil || normalised != 86.5 {
		t.Errorf("got %g, %v", normalised, err)
	}
	absolute, err := normalised.Absolute(2)
	if err != nil || absolute != 100 {
		t.Errorf("got %g, %v", absolute, err)
	}
	for _, bad := range []float64{math.NaN(), math.Inf(1), 0, -1} {
		if _, err := AbsoluteGFR(100).Normalise(bad); err == nil {
			t.Errorf("a surface of %g is accepted", bad)
		}
		if _, err := AbsoluteGFR(bad).Normalise(1.73); err == nil {
			t.Errorf("an absolute GFR of %g is accepted", bad)
		}
		if _, err := NormalisedGFR(100).Absolute(bad); err == nil {
			t.Errorf("a surface of %g is accepted", bad)
		}
		if _, err := NormalisedGFR(bad).Absolute(1.73); err == nil {
			t.Errorf("a normalised GFR of %g is accepted", bad)
		}
	}
}
