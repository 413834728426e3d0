package units

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestConvert(t *testing.T) {
	tests := []struct {
		analyte Analyte
		value   float64
		from    string
		to      string
		want    float64
	}{
		{SerumCreatinine, 1, MgPerDL, UmolPerL, 88.42},
		{SerumCreatinine, 88.42, UmolPerL, MgPerDL, 1},
		{UrineCreatinine, 100, MgPerDL, MmolPerL, 8.842},
		{UrineAlbumin, 3, MgPerDL, MgPerL, 30},
		{UrineAlbumin, 30, UgPerML, MgPerL, 30},
		{AlbuminExcretionRate, 20, UgPerMin, MgPer24Hours, 28.8},
		{AlbuminExcretionRate, 30, "mg/d", MgPer24Hours, 30},
		{AlbuminCreatinineRatio, 30, "mg/g{creat}", "mg/mmol{creat}", 30 / 8.84},
		{IohexolDose, 3235, Mg, Ug, 3235000},
		{PlasmaIohexol, 65.3, MgPerL, UgPerML, 65.3},
		{UrineVolume, 1.5, L, ML, 1500},
		{Duration, 24, Hour, Minute, 1440},
		{Duration, 1, Day, Hour, 24},
		{Height, 1.72, Metre, Centimetre, 172},
		{Height, 70, Inch, Centimetre, 177.8},
		{Weight, 150, Pound, Kilogram, 68.0388555},
	}
	for _, tt := range tests {
		got, err := Convert(tt.analyte, Quantity{tt.value, tt.from}, tt.to)
		if err != nil {
			t.Errorf("%s %g %s: %v", tt.analyte, tt.value, tt.from, err)
			continue
		}
		if math.Abs(got.Value-tt.want) > 1e-12*tt.want || got.Unit != tt.to {
			t.Errorf("%s: %g %s is %g %s, want %g %s", tt.analyte, tt.value, tt.from, got.Value, got.Unit, tt.want, tt.to)
		}
	}
}

func TestConvertRefuses(t *testing.T) {
	tests := []struct {
		name    string
		analyte Analyte
		q       Quantity
		to      string
		code    Code
	}{
		{"unknown analyte", "hair colour", Quantity{1, MgPerDL}, MgPerDL, UnknownAnalyte},
		{"no unit", SerumCreatinine, Quantity{1, ""}, MgPerDL, UnknownUnit},
		{"spelling is not UCUM", SerumCreatinine, Quantity{88, "µmol/L"}, MgPerDL, UnknownUnit},
		{"unit of another analyte", Height, Quantity{70, Kilogram}, Centimetre, UnknownUnit},
		{"target of another analyte", Height, Quantity{170, Centimetre}, Kilogram, UnknownUnit},
		{"absolute is not normalised", AbsoluteGFR, Quantity{90, MLPerMin}, MLPerMinPer173M2, UnknownUnit},
		{"NaN", Weight, Quantity{math.NaN(), Kilogram}, Kilogram, NotFinite},
		{"infinite", Weight, Quantity{math.Inf(1), Kilogram}, Kilogram, NotFinite},
		{"minus infinite", Weight, Quantity{math.Inf(-1), Kilogram}, Kilogram, NotFinite},
		{"zero", Weight, Quantity{0, Kilogram}, Kilogram, NotPositive},
		{"negative", Weight, Quantity{-70, Kilogram}, Kilogram, NotPositive},
		{"overflow", UrineVolume, Quantity{math.MaxFloat64, L}, ML, NotFinite},
		{"underflow", UrineVolume, Quantity{math.SmallestNonzeroFloat64, ML}, L, NotPositive},
		{"umol/L typed as mg/dL", SerumCreatinine, Quantity{88, MgPerDL}, UmolPerL, ProbableUnitError},
		{"lowest guarded mg/dL", SerumCreatinine, Quantity{20, MgPerDL}, MgPerDL, ProbableUnitError},
		{"mg/dL typed as umol/L", SerumCreatinine, Quantity{0.9, UmolPerL}, MgPerDL, ProbableUnitError},
		{"highest guarded umol/L", SerumCreatinine, Quantity{15, UmolPerL}, UmolPerL, ProbableUnitError},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Convert(tt.analyte, tt.q, tt.to)
			var e *Error
			if !errors.As(err, &e) || e.Code != tt.code {
				t.Fatalf("got %v, want the code %s", err, tt.code)
			}
			if tt.code == UnknownUnit && !slices.Equal(e.Accepted, Accepted(tt.analyte)) {
				t.Errorf("the error lists %v, want %v", e.Accepted, Accepted(tt.analyte))
			}
		})
	}
}

func TestEveryAnalyteHasACanonicalUnit(t *testing.T) {
	for _, a := range Analytes() {
		if Canonical(a) == "" || Accepted(a)[0] != Canonical(a) {
			t.Errorf("%s has no canonical unit", a)
		}
	}
	if Canonical("hair colour") != "" || Accepted("hair colour") != nil {
		t.Error("an unknown analyte has units")
	}
}

// TestRoundTrip converts to any other unit and back.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		analyte := rapid.SampledFrom(Analytes()).Draw(t, "analyte")
		from := rapid.SampledFrom(Accepted(analyte)).Draw(t, "from")
		to := rapid.SampledFrom(Accepted(analyte)).Draw(t, "to")
		low, high := 1e-6, 1e6
		if analyte == SerumCreatinine {
			// Outside these values a creatinine is refused as a wrong unit.
			low, high = 0.2, 15
			if from == UmolPerL {
				low, high = 18, 1300
			}
		}
		start := Quantity{rapid.Float64Range(low, high).Draw(t, "value"), from}
		there, err := Convert(analyte, start, to)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Convert(analyte, there, from)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(back.Value-start.Value) > 1e-14*start.Value || back.Unit != from {
			t.Fatalf("%v became %v and then %v", start, there, back)
		}
	})
}

func FuzzConvert(f *testing.F) {
	f.Add(string(SerumCreatinine), 1.0, MgPerDL, UmolPerL)
	f.Add(string(SerumCreatinine), 88.0, MgPerDL, MgPerDL)
	f.Add(string(Duration), math.Inf(1), Hour, Minute)
	f.Add(string(AlbuminCreatinineRatio), math.NaN(), MgPerG, MgPerMmol)
	f.Add(string(UrineVolume), math.MaxFloat64, L, ML)
	f.Add("", -1.0, "", "")
	f.Fuzz(func(t *testing.T, analyte string, value float64, from, to string) {
		got, err := Convert(Analyte(analyte), Quantity{value, from}, to)
		var e *Error
		switch {
		case err != nil && !errors.As(err, &e):
			t.Errorf("the error %v has another type", err)
		case err != nil && (e.Code == "" || e.Error() == ""):
			t.Errorf("the error %#v says nothing", e)
		case err == nil && (math.IsNaN(got.Value) || math.IsInf(got.Value, 0) || got.Value <= 0):
			t.Errorf("%s: %g %s became %g %s", analyte, value, from, got.Value, to)
		}
	})
}
