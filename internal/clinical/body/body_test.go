package body

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

func size(height float64, heightUnit string, weight float64, weightUnit string) Size {
	return Size{clinical.NewMeasurement(height, heightUnit), clinical.NewMeasurement(weight, weightUnit)}
}

func TestBadInput(t *testing.T) {
	tests := []struct {
		name  string
		size  Size
		field string
		code  clinical.Code
	}{
		{"nothing", Size{}, "height", clinical.Missing},
		{"no weight", Size{Height: clinical.NewMeasurement(170, "cm")}, "weight", clinical.Missing},
		{"NaN", size(math.NaN(), "cm", 70, "kg"), "height", clinical.NotFinite},
		{"infinite", size(170, "cm", math.Inf(1), "kg"), "weight", clinical.NotFinite},
		{"zero", size(0, "cm", 70, "kg"), "height", clinical.NotPositive},
		{"negative", size(170, "cm", -70, "kg"), "weight", clinical.NotPositive},
		{"unknown unit", size(170, "cm", 70, "stone"), "weight", clinical.UnknownUnit},
		{"metres typed as cm", size(1.7, "cm", 70, "kg"), "height", clinical.ProbableUnitError},
		{"cm typed as metres", size(170, "m", 70, "kg"), "height", clinical.ProbableUnitError},
		{"too small", size(119.9, "cm", 70, "kg"), "height", clinical.OutOfRange},
		{"too tall", size(230.1, "cm", 70, "kg"), "height", clinical.OutOfRange},
		{"too light", size(170, "cm", 29.9, "kg"), "weight", clinical.OutOfRange},
		{"too heavy", size(170, "cm", 250.1, "kg"), "weight", clinical.OutOfRange},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, massErr := MassIndex(tt.size)
			_, surfaceErr := SurfaceArea(DuBois, tt.size)
			_, weightErr := tt.size.Kilograms()
			for _, err := range []error{massErr, surfaceErr, weightErr} {
				var e *clinical.Error
				if !errors.As(err, &e) || e.Code != tt.code || e.Field != tt.field {
					t.Errorf("got %v, want the code %s for %s", err, tt.code, tt.field)
				}
			}
		})
	}
}

// TestWorkedValues checks every formula with the values of the reference,
// section 1, which are printed with seven digits.
func TestWorkedValues(t *testing.T) {
	tests := []struct {
		height, weight                    float64
		index, duBois, mosteller, haycock float64
	}{
		{170, 70, 24.22145, 1.809708, 1.818119, 1.825677},
		{182, 95.5, 28.83106, 2.169799, 2.197284, 2.216759},
		{155, 50.2, 20.89490, 1.469454, 1.470166, 1.471859},
		{168, 110, 38.97392, 2.174240, 2.265686, 2.317149},
	}
	for _, tt := range tests {
		s := size(tt.height, "cm", tt.weight, "kg")
		check := func(r clinical.Result, err error, unit string, want float64) {
			t.Helper()
			if err != nil || r.Value.Unit != unit || math.Abs(r.Value.Value/want-1) > 5e-7 {
				t.Errorf("%g cm, %g kg: got %v of %s, %v, want %g", tt.height, tt.weight, r.Value, r.Equation, err, want)
			}
		}
		r, err := MassIndex(s)
		check(r, err, "kg/m2", tt.index)
		r, err = SurfaceArea(DuBois, s)
		check(r, err, "m2", tt.duBois)
		r, err = SurfaceArea(Mosteller, s)
		check(r, err, "m2", tt.mosteller)
		r, err = SurfaceArea(Haycock, s)
		check(r, err, "m2", tt.haycock)
	}
}

// TestLimitsAreIncluded computes at each limit of the program and just outside
// it.
func TestLimitsAreIncluded(t *testing.T) {
	tests := []struct {
		height, weight float64
		accepted       bool
	}{
		{120, 70, true}, {119.999, 70, false},
		{230, 70, true}, {230.001, 70, false},
		{170, 30, true}, {170, 29.999, false},
		{170, 250, true}, {170, 250.001, false},
	}
	for _, tt := range tests {
		if _, err := MassIndex(size(tt.height, "cm", tt.weight, "kg")); (err == nil) != tt.accepted {
			t.Errorf("%g cm, %g kg: got %v, want accepted %t", tt.height, tt.weight, err, tt.accepted)
		}
	}
}

func TestUnknownFormula(t *testing.T) {
	_, err := SurfaceArea("bsa-boyd-1935", size(170, "cm", 70, "kg"))
	var e *clinical.Error
	if !errors.As(err, &e) || e.Code != clinical.UnknownChoice || len(e.Accepted) != len(SurfaceAreaFormulas()) {
		t.Errorf("got %v", err)
	}
}

func TestDefaultFormulaIsRecorded(t *testing.T) {
	r, err := SurfaceArea("", size(170, "cm", 70, "kg"))
	if err != nil || r.Equation != string(DuBois) {
		t.Errorf("got %q, %v", r.Equation, err)
	}
}

func TestWarnings(t *testing.T) {
	tests := []struct {
		size Size
		code clinical.WarningCode
		want bool
	}{
		{size(139.9, "cm", 60, "kg"), UnusualHeight, true},
		{size(140, "cm", 60, "kg"), UnusualHeight, false},
		{size(210, "cm", 90, "kg"), UnusualHeight, false},
		{size(210.1, "cm", 90, "kg"), UnusualHeight, true},
		{size(160, "cm", 40, "kg"), UnusualWeight, false},
		{size(160, "cm", 39.9, "kg"), UnusualWeight, true},
		{size(200, "cm", 160, "kg"), UnusualWeight, false},
		{size(200, "cm", 160.1, "kg"), UnusualWeight, true},
		{size(168, "cm", 110, "kg"), SurfaceAreaFormulasDiverge, true},
		{size(200, "cm", 140, "kg"), SurfaceAreaFormulasDiverge, true},
		{size(200, "cm", 139.9, "kg"), SurfaceAreaFormulasDiverge, false},
	}
	for _, tt := range tests {
		r, err := SurfaceArea(Mosteller, tt.size)
		if err != nil {
			t.Fatal(err)
		}
		if got := r.HasWarning(tt.code); got != tt.want {
			t.Errorf("%v: warning %s is %t, want %t", tt.size, tt.code, got, tt.want)
		}
	}
}

// TestUnitsOfEntryDoNotMatter enters the same person in metric and in US units.
func TestUnitsOfEntryDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		height := rapid.Float64Range(121, 229).Draw(t, "height")
		weight := rapid.Float64Range(31, 249).Draw(t, "weight")
		metric, err := MassIndex(size(height, "cm", weight, "kg"))
		if err != nil {
			t.Fatal(err)
		}
		us, err := MassIndex(size(height/2.54, "[in_i]", weight/0.45359237, "[lb_av]"))
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(metric.Value.Value-us.Value.Value) > 1e-10 {
			t.Fatalf("%g and %g", metric.Value.Value, us.Value.Value)
		}
	})
}
