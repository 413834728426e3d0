package lipids

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

func profile(total, hdl, triglyceride float64) Profile {
	return Profile{
		Total: clinical.NewMeasurement(total, "mg/dL"), HDL: clinical.NewMeasurement(hdl, "mg/dL"),
		Triglyceride: clinical.NewMeasurement(triglyceride, "mg/dL"), Fasting: clinical.Yes,
	}
}

func stepOf(t *testing.T, r clinical.Result, text, unit string) float64 {
	t.Helper()
	for _, s := range r.Steps {
		if s.Text == text && s.Value.Unit == unit {
			return s.Value.Value
		}
	}
	t.Fatalf("no step %q in %s among %v", text, unit, r.Steps)
	return 0
}

// TestLDLFriedewald has the check value of calculations 10: 200, 50 and 150 give
// 120.0 mg/dL.
func TestLDLFriedewald(t *testing.T) {
	tests := []struct {
		total, hdl, triglyceride float64
		want                     float64
		near                     bool
	}{
		{200, 50, 150, 120, false},
		{180, 60, 50, 110, false},
		{300, 40, 399.4, 180.12, false},
		{300, 40, 399.6, 180.08, true},
		{80, 30, 246, 0.8, false},
	}
	for _, tt := range tests {
		r, err := LDLFriedewald(profile(tt.total, tt.hdl, tt.triglyceride))
		if err != nil {
			t.Errorf("%v: %v", tt, err)
			continue
		}
		if math.Abs(r.Value.Value-tt.want) > 1e-12 || r.Value.Unit != "mg/dL" || r.HasWarning(clinical.NearThresholdWarning) != tt.near {
			t.Errorf("%v: got %v with %v", tt, r.Value, r.Warnings)
		}
		if got := stepOf(t, r, "LDL cholesterol", "mmol/L"); math.Abs(got-tt.want/38.67) > 1e-12 {
			t.Errorf("%v: got %g mmol/L", tt, got)
		}
		if len(r.Inputs) != 4 || r.Equation == "" || r.Source == "" {
			t.Errorf("%v: incomplete: %+v", tt, r)
		}
	}
	r, err := LDLFriedewald(profile(200, 50, 150))
	if err != nil || stepOf(t, r, "non-HDL cholesterol", "mg/dL") != 150 || stepOf(t, r, "cholesterol in VLDL", "mg/dL") != 30 {
		t.Errorf("got the steps %v, %v", r.Steps, err)
	}
}

func TestNonHDL(t *testing.T) {
	p := profile(200, 50, 0)
	p.Triglyceride, p.Fasting = clinical.Measurement{}, ""
	r, err := NonHDL(p)
	if err != nil || r.Value != (units.Quantity{Value: 150, Unit: "mg/dL"}) || len(r.Inputs) != 2 || r.Equation == "" || r.Source == "" {
		t.Errorf("got %+v, %v", r, err)
	}
	if got := stepOf(t, r, "non-HDL cholesterol", "mmol/L"); math.Abs(got-150/38.67) > 1e-12 {
		t.Errorf("got %g mmol/L", got)
	}
}

func TestRefuses(t *testing.T) {
	tests := []struct {
		name    string
		change  func(*Profile)
		code    clinical.Code
		field   string
		ldlOnly bool
	}{
		{"no total", func(p *Profile) { p.Total = clinical.Measurement{} }, clinical.Missing, "total cholesterol", false},
		{"no HDL", func(p *Profile) { p.HDL = clinical.Measurement{} }, clinical.Missing, "HDL cholesterol", false},
		{"NaN", func(p *Profile) { p.Total.Value = math.NaN() }, clinical.NotFinite, "total cholesterol", false},
		{"negative", func(p *Profile) { p.HDL.Value = -1 }, clinical.NotPositive, "HDL cholesterol", false},
		{"mmol/L typed as mg/dL", func(p *Profile) { p.Total.Value = 5.2 }, clinical.ProbableUnitError, "total cholesterol", false},
		{"unit of triglyceride", func(p *Profile) { p.HDL.Unit = "g/L" }, clinical.UnknownUnit, "HDL cholesterol", false},
		{"HDL as high as the total", func(p *Profile) { p.HDL.Value = 200 }, clinical.NotPositive, "HDL cholesterol", false},
		{"no triglyceride", func(p *Profile) { p.Triglyceride = clinical.Measurement{} }, clinical.Missing, "triglyceride", true},
		{"fasting not answered", func(p *Profile) { p.Fasting = "" }, clinical.Missing, "fasting", true},
		{"unknown answer", func(p *Profile) { p.Fasting = "nearly" }, clinical.UnknownChoice, "fasting", true},
		{"after a meal", func(p *Profile) { p.Fasting = clinical.No }, clinical.QualityRefused, "fasting", true},
		{"triglyceride at the limit", func(p *Profile) { p.Total.Value, p.Triglyceride.Value = 300, 400 }, clinical.QualityRefused, "triglyceride", true},
		{"the same in mmol/L", func(p *Profile) {
			p.Total.Value, p.Triglyceride = 300, clinical.NewMeasurement(4.5163, "mmol/L")
		}, clinical.QualityRefused, "triglyceride", true},
		{"no LDL left", func(p *Profile) { p.Total.Value, p.Triglyceride.Value = 80, 150 }, clinical.NotPositive, "LDL cholesterol", true},
		{"less than no LDL", func(p *Profile) { p.Total.Value, p.Triglyceride.Value = 80, 300 }, clinical.NotPositive, "LDL cholesterol", true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := profile(200, 50, 150)
			tt.change(&p)
			_, ldlErr := LDLFriedewald(p)
			_, nonHDLErr := NonHDL(p)
			for i, err := range []error{ldlErr, nonHDLErr} {
				if nonHDL := i == 1; tt.ldlOnly && nonHDL {
					if err != nil {
						t.Errorf("non-HDL: %v", err)
					}
					continue
				}
				var e *clinical.Error
				if !errors.As(err, &e) || e.Code != tt.code || e.Field != tt.field {
					t.Errorf("got %v, want the code %s for %s", err, tt.code, tt.field)
				}
			}
		})
	}
	_, err := LDLFriedewald(profile(300, 40, 400))
	if err == nil || !strings.Contains(err.Error(), "below 400 mg/dL") {
		t.Errorf("the text %v does not name the limit", err)
	}
}

func TestLimitsOfEntry(t *testing.T) {
	for _, tt := range []struct {
		total, hdl, triglyceride float64
		field                    string
	}{
		{2000, 50, 150, ""}, {2010, 50, 150, "total cholesterol"}, {200, 10.05, 150, ""}, {200, 0.01, 150, "HDL cholesterol"},
		{200, 50, 10.05, ""}, {200, 50, 0.01, "triglyceride"}, {200, 50, 15000, "triglyceride"}, {200, 50, 15100, "triglyceride"},
	} {
		_, err := LDLFriedewald(profile(tt.total, tt.hdl, tt.triglyceride))
		var e *clinical.Error
		if errors.As(err, &e); tt.field == "" && err != nil || tt.field != "" && (e == nil || e.Field != tt.field) {
			t.Errorf("%+v: got %v", tt, err)
		}
	}
	for triglyceride, code := range map[float64]clinical.Code{15000: clinical.QualityRefused, 15100: clinical.OutOfRange} {
		_, err := LDLFriedewald(profile(200, 50, triglyceride))
		var e *clinical.Error
		if !errors.As(err, &e) || e.Code != code {
			t.Errorf("a triglyceride of %g: got %v", triglyceride, err)
		}
	}
}

// TestUnitsDoNotMatter gives the same profile in mmol/L.
func TestUnitsDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hdl := rapid.Float64Range(20, 100).Draw(t, "hdl")
		triglyceride := rapid.Float64Range(40, 399).Draw(t, "triglyceride")
		total := hdl + triglyceride/5 + rapid.Float64Range(1, 300).Draw(t, "ldl")
		p := profile(total, hdl, triglyceride)
		conventional, err := LDLFriedewald(p)
		if err != nil {
			t.Fatal(err)
		}
		p.Total = clinical.NewMeasurement(total/38.67, "mmol/L")
		p.HDL = clinical.NewMeasurement(hdl/38.67, "mmol/L")
		p.Triglyceride = clinical.NewMeasurement(triglyceride/88.57, "mmol/L")
		si, err := LDLFriedewald(p)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(si.Value.Value-conventional.Value.Value) > 1e-9 {
			t.Fatalf("%v and %v", conventional.Value, si.Value)
		}
	})
}
