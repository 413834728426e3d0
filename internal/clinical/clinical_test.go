package clinical_test

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

func TestDisplay(t *testing.T) {
	tests := []struct {
		value    float64
		decimals int
		want     string
	}{
		{2.5, 0, "3"},
		{-2.5, 0, "-3"},
		{0.5, 0, "1"},
		{89.5, 0, "90"},
		{89.49999, 0, "89"},
		{1.005, 2, "1.01"},
		{-1.005, 2, "-1.01"},
		{24.22145, 1, "24.2"},
		{1.115, 2, "1.12"},
		{-0.04, 1, "0.0"},
		{0, 0, "0"},
		{130, 0, "130"},
		{100, 2, "100.00"},
		{1e21, 0, "1000000000000000000000"},
		{5e-324, 3, "0.000"},
		{7, -1, "7"},
		{math.NaN(), 1, "NaN"},
		{math.Inf(1), 1, "+Inf"},
	}
	for _, tt := range tests {
		if got := clinical.Display(tt.value, tt.decimals); got != tt.want {
			t.Errorf("Display(%g, %d) = %q, want %q", tt.value, tt.decimals, got, tt.want)
		}
	}
}

func TestRound(t *testing.T) {
	for value, want := range map[float64]float64{1.005: 1.01, 2.345: 2.35, -2.345: -2.35, 89.996: 90} {
		if got := clinical.Round(value, 2); got != want {
			t.Errorf("Round(%g, 2) = %g, want %g", value, got, want)
		}
	}
	if !math.IsNaN(clinical.Round(math.NaN(), 2)) {
		t.Error("Round of NaN is not NaN")
	}
	if got := clinical.Round(math.MaxFloat64, 1); got != math.MaxFloat64 {
		t.Errorf("Round of the largest number is %g", got)
	}
}

func TestNearThreshold(t *testing.T) {
	tests := []struct {
		value     float64
		bound     clinical.Bound
		threshold float64
		decimals  int
		want      bool
	}{
		{89.6, clinical.AtLeast, 90, 0, true},
		{89.4, clinical.AtLeast, 90, 0, false},
		{90, clinical.AtLeast, 90, 0, false},
		{90.4, clinical.AtLeast, 90, 0, false},
		{129.9, clinical.AtLeast, 130, 0, true},
		{129.9, clinical.AtLeast, 130, 1, false},
		{100.3, clinical.MoreThan, 100, 0, true},
		{100, clinical.MoreThan, 100, 0, false},
		{99.7, clinical.MoreThan, 100, 0, false},
		{100.6, clinical.MoreThan, 100, 0, false},
	}
	for _, tt := range tests {
		if got := clinical.NearThreshold(tt.value, tt.bound, tt.threshold, tt.decimals); got != tt.want {
			t.Errorf("NearThreshold(%g, %s, %g, %d) = %t, want %t", tt.value, tt.bound, tt.threshold, tt.decimals, got, tt.want)
		}
	}
}

func TestMeasurementErrorsSayWhatIsAccepted(t *testing.T) {
	tests := []struct {
		name string
		m    clinical.Measurement
		code clinical.Code
	}{
		{"missing", clinical.Measurement{Date: "2026-02-03"}, clinical.Missing},
		{"no unit", clinical.NewMeasurement(0.9, ""), clinical.UnknownUnit},
		{"other unit", clinical.NewMeasurement(0.9, "mmol/L"), clinical.UnknownUnit},
		{"wrong unit", clinical.NewMeasurement(88, "mg/dL"), clinical.ProbableUnitError},
		{"NaN", clinical.NewMeasurement(math.NaN(), "mg/dL"), clinical.NotFinite},
		{"zero", clinical.NewMeasurement(0, "mg/dL"), clinical.NotPositive},
		{"out of range", clinical.NewMeasurement(16, "mg/dL"), clinical.OutOfRange},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := tt.m.Within("serum creatinine", units.SerumCreatinine, 0.2, 15, units.MgPerDL)
			var e *clinical.Error
			if !errors.As(err, &e) || e.Code != tt.code {
				t.Fatalf("got %v, want the code %s", err, tt.code)
			}
			if e.Field != "serum creatinine" || !strings.HasPrefix(e.Error(), "serum creatinine: ") {
				t.Errorf("the text %q does not begin with the field", e.Error())
			}
			if tt.code == clinical.UnknownUnit && !strings.Contains(e.Error(), "accepted: mg/dL, umol/L") {
				t.Errorf("the text %q does not list the units", e.Error())
			}
		})
	}
}

// TestErrorsRepeatNothingTyped puts an identifier in every free field.
func TestErrorsRepeatNothingTyped(t *testing.T) {
	const secret = "MRN-4711"
	m := clinical.Measurement{Quantity: units.Quantity{Value: 1, Unit: secret}, Date: secret, Ref: secret}
	_, inErr := m.In("height", units.Height, units.Centimetre)
	_, analyteErr := units.Convert(units.Analyte(secret), m.Quantity, secret)
	for _, err := range []error{
		inErr, analyteErr,
		clinical.CheckSex("sex", clinical.Sex(secret)),
		clinical.CheckAnswer("pregnancy", clinical.Answer(secret)),
	} {
		if err == nil || strings.Contains(err.Error(), secret) {
			t.Errorf("the error %v repeats what was typed, or is missing", err)
		}
	}
	var cause *units.Error
	if !errors.As(inErr, &cause) || cause.Code != units.UnknownUnit {
		t.Errorf("the cause of %v is not a units error", inErr)
	}
}

func TestCheckAge(t *testing.T) {
	for age, valid := range map[int]bool{-1: false, 0: false, 17: false, 18: true, 120: true, 121: false} {
		if err := clinical.CheckAge("age", age); (err == nil) != valid {
			t.Errorf("CheckAge(%d) = %v, want valid %t", age, err, valid)
		}
	}
}

func TestCheckRangeRefusesNaN(t *testing.T) {
	if clinical.CheckRange("x", math.NaN(), 0, 1, "1") == nil {
		t.Error("NaN is within a range")
	}
}

func TestResultAsJSON(t *testing.T) {
	r := clinical.Result{Value: units.Quantity{Value: 91.5, Unit: "mL/min/{1.73_m2}"}, Equation: "ckdepi-cr-2021", Source: "Inker 2021"}
	r.AddInput("serum creatinine", clinical.Measurement{Quantity: units.Quantity{Value: 1, Unit: "mg/dL"}, Date: "2026-02-03", Ref: "obs-1"})
	r.AddChoice("sex", string(clinical.Male))
	r.AddChoice("pregnancy", string(clinical.NotRecorded))
	got, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	want := `{"value":{"value":91.5,"unit":"mL/min/{1.73_m2}"},"equation":"ckdepi-cr-2021","source":"Inker 2021","inputs":[` +
		`{"name":"serum creatinine","measurement":{"value":1,"unit":"mg/dL","date":"2026-02-03","ref":"obs-1"}},{"name":"sex","choice":"male"}]}`
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}
