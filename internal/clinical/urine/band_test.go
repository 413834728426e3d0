package urine

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

type bandFunc func(clinical.Measurement, Limits) (clinical.Conclusion, error)

func TestBands(t *testing.T) {
	tests := []struct {
		name   string
		band   bandFunc
		value  float64
		unit   string
		answer string
		reason string
		near   bool
	}{
		{"A1", AlbuminCreatinineCategory, 29.4, "mg/g", A1, "albumin-to-creatinine ratio is below 30 mg/g", false},
		{"A1 shown as 30", AlbuminCreatinineCategory, 29.6, "mg/g{creat}", A1, "albumin-to-creatinine ratio is below 30 mg/g", true},
		{"lowest A2", AlbuminCreatinineCategory, 30, "mg/g", A2, "albumin-to-creatinine ratio is at least 30 mg/g and at most 300 mg/g", false},
		{"highest A2", AlbuminCreatinineCategory, 300, "mg/g", A2, "", false},
		{"A3 shown as 300", AlbuminCreatinineCategory, 300.4, "mg/g", A3, "albumin-to-creatinine ratio is more than 300 mg/g", true},
		{"A3", AlbuminCreatinineCategory, 301, "mg/g", A3, "", false},
		{"A1 in SI", AlbuminCreatinineCategory, 2.94, "mg/mmol", A1, "albumin-to-creatinine ratio is below 3 mg/mmol", false},
		{"A1 shown as 3.0", AlbuminCreatinineCategory, 2.98, "mg/mmol{creat}", A1, "", true},
		{"lowest A2 in SI is below 30 mg/g", AlbuminCreatinineCategory, 3, "mg/mmol", A2, "", false},
		{"highest A2 in SI", AlbuminCreatinineCategory, 30, "mg/mmol", A2, "", false},
		{"A3 in SI is below 300 mg/g", AlbuminCreatinineCategory, 30.06, "mg/mmol", A3, "albumin-to-creatinine ratio is more than 30 mg/mmol", false},
		{"albumin below", AlbuminExcretionBand, 29.4, "mg/(24.h)", Acceptable, "albumin excretion is below 30 mg/(24.h)", false},
		{"albumin below, shown as 30", AlbuminExcretionBand, 29.6, "mg/d", Acceptable, "", true},
		{"albumin at the lower limit", AlbuminExcretionBand, 30, "mg/(24.h)", Individualised, "albumin excretion is at least 30 mg/(24.h) and at most 100 mg/(24.h)", false},
		{"albumin at the upper limit", AlbuminExcretionBand, 100, "mg/(24.h)", Individualised, "", false},
		{"albumin above, shown as 100", AlbuminExcretionBand, 100.4, "mg/(24.h)", AboveUpper, "albumin excretion is more than 100 mg/(24.h)", true},
		{"albumin above", AlbuminExcretionBand, 100.6, "mg/(24.h)", AboveUpper, "", false},
		{"albumin in ug/min", AlbuminExcretionBand, 20.8, "ug/min", Acceptable, "", true},
		{"protein below", ProteinExcretionBand, 149.4, "mg/(24.h)", Acceptable, "protein excretion is below 150 mg/(24.h)", false},
		{"protein at the lower limit", ProteinExcretionBand, 0.15, "g/(24.h)", Individualised, "", false},
		{"protein at the upper limit", ProteinExcretionBand, 300, "mg/d", Individualised, "protein excretion is at least 150 mg/(24.h) and at most 300 mg/(24.h)", false},
		{"protein above", ProteinExcretionBand, 300.6, "mg/(24.h)", AboveUpper, "protein excretion is more than 300 mg/(24.h)", false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := tt.band(clinical.NewMeasurement(tt.value, tt.unit), DefaultLimits())
			if err != nil {
				t.Fatal(err)
			}
			if c.Answer != tt.answer || c.HasWarning(clinical.NearThresholdWarning) != tt.near {
				t.Errorf("got %s with %v, want %s, near %t", c.Answer, c.Warnings, tt.answer, tt.near)
			}
			if c.Reasons[0].Weight != clinical.Decides || c.Reasons[0].Source == "" || tt.reason != "" && c.Reasons[0].Text != tt.reason {
				t.Errorf("the reasons are %v", c.Reasons)
			}
			if toConfirm := c.Answer == A2 || c.Answer == A3; toConfirm != (len(c.Reasons) == 2) {
				t.Errorf("the reasons are %v", c.Reasons)
			}
			if c.Question == "" || c.Rule == "" || c.Source == "" || len(c.Inputs) != 1 {
				t.Errorf("incomplete: %+v", c)
			}
		})
	}
}

func TestBandsRefuse(t *testing.T) {
	fields := map[string]struct {
		band bandFunc
		unit string
		set  func(*Limits, Bands)
	}{
		"albumin-to-creatinine ratio": {AlbuminCreatinineCategory, "mg/g", func(l *Limits, b Bands) { l.RatioMgPerG = b }},
		"albumin excretion":           {AlbuminExcretionBand, "mg/(24.h)", func(l *Limits, b Bands) { l.AlbuminMgPer24Hours = b }},
		"protein excretion":           {ProteinExcretionBand, "mg/(24.h)", func(l *Limits, b Bands) { l.ProteinMgPer24Hours = b }},
	}
	for field, f := range fields {
		for _, tt := range []struct {
			m    clinical.Measurement
			code clinical.Code
		}{
			{clinical.Measurement{}, clinical.Missing},
			{clinical.NewMeasurement(math.NaN(), f.unit), clinical.NotFinite},
			{clinical.NewMeasurement(0, f.unit), clinical.NotPositive},
			{clinical.NewMeasurement(10, "mg/L"), clinical.UnknownUnit},
		} {
			_, err := f.band(tt.m, DefaultLimits())
			wantError(t, err, tt.code, field)
		}
		for _, b := range []Bands{{}, {30, 30}, {30, 20}, {0, 30}, {-1, 30}, {math.NaN(), 30}, {30, math.NaN()}, {30, math.Inf(1)}} {
			limits := DefaultLimits()
			f.set(&limits, b)
			_, err := f.band(clinical.NewMeasurement(10, f.unit), limits)
			wantError(t, err, clinical.WrongOrder, "limits of the "+field)
		}
	}
	limits := DefaultLimits()
	limits.RatioMgPerMmol = Bands{}
	_, err := AlbuminCreatinineCategory(clinical.NewMeasurement(10, "mg/mmol"), limits)
	wantError(t, err, clinical.WrongOrder, "limits of the albumin-to-creatinine ratio")
}

// TestMoreAlbuminIsNoBetterBand uses limits of a site.
func TestMoreAlbuminIsNoBetterBand(t *testing.T) {
	rank := map[string]int{Acceptable: 0, Individualised: 1, AboveUpper: 2}
	rapid.Check(t, func(t *rapid.T) {
		lower := rapid.Float64Range(1, 500).Draw(t, "lower")
		limits := Limits{AlbuminMgPer24Hours: Bands{lower, lower + rapid.Float64Range(1, 500).Draw(t, "width")}}
		value := rapid.Float64Range(0.1, 1500).Draw(t, "value")
		of := func(v float64) int {
			c, err := AlbuminExcretionBand(clinical.NewMeasurement(v, "mg/(24.h)"), limits)
			if err != nil {
				t.Fatal(err)
			}
			return rank[c.Answer]
		}
		if more := value + rapid.Float64Range(0, 500).Draw(t, "more"); of(more) < of(value) {
			t.Fatalf("%g is better than %g", more, value)
		}
	})
}
