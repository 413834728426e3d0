package units

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestConvert pins every factor. Values with few digits are the check values and
// factors of the formula reference, sections 10, 16 and 17.
func TestConvert(t *testing.T) {
	tested := map[Analyte]bool{}
	for _, tt := range []struct {
		analyte Analyte
		value   float64
		from    string
		to      string
		want    float64
		within  float64
	}{
		{SerumCreatinine, 1, MgPerDL, UmolPerL, 88.42, 1e-12},
		{SerumCreatinine, 88.42, UmolPerL, MgPerDL, 1, 1e-12},
		{SerumCreatinine, 60, UmolPerL, MgPerDL, 0.6785795, 5e-8},
		{SerumCreatinine, 80, UmolPerL, MgPerDL, 0.9047727, 5e-8},
		{SerumCreatinine, 106.1, UmolPerL, MgPerDL, 1.199955, 5e-7},
		{UrineCreatinine, 100, MgPerDL, MmolPerL, 8.842, 1e-12},
		{UrineUrea, 1000, MgPerDL, MmolPerL, 166.51, 5e-3},
		{CystatinC, 1, MgPerL, MgPerL, 1, 0},
		{Glucose, 100, MgPerDL, MmolPerL, 5.550622, 5e-7},
		{Glucose, 126, MgPerDL, MmolPerL, 6.993783, 5e-7},
		{Glucose, 140, MgPerDL, MmolPerL, 7.770870, 5e-7},
		{Glucose, 200, MgPerDL, MmolPerL, 11.10124, 5e-6},
		{HbA1c, 5.7, Percent, MmolPerMol, 38.78443, 5e-6},
		{HbA1c, 6.5, Percent, MmolPerMol, 47.52951, 5e-6},
		{HbA1c, 7.0, Percent, MmolPerMol, 52.99519, 5e-6},
		{HbA1c, 48, MmolPerMol, Percent, 6.543040, 5e-7},
		{HbA1c, 53, MmolPerMol, Percent, 7.000440, 5e-7},
		{Cholesterol, 200, MgPerDL, MmolPerL, 5.171968, 5e-7},
		{Cholesterol, 130, MgPerDL, MmolPerL, 3.361779, 5e-7},
		{Cholesterol, 40, MgPerDL, MmolPerL, 1.034394, 5e-7},
		{Triglyceride, 150, MgPerDL, MmolPerL, 1.693576, 5e-7},
		{Triglyceride, 200, MgPerDL, MmolPerL, 2.258101, 5e-7},
		{Urea, 100, MgPerDL, MmolPerL, 16.651, 5e-4},
		{UreaNitrogen, 100, MgPerDL, MmolPerL, 35.696, 5e-4},
		{Urate, 10, MgPerDL, UmolPerL, 594.8, 5e-2},
		{Calcium, 10, MgPerDL, MmolPerL, 2.4951, 5e-5},
		{Phosphate, 10, MgPerDL, MmolPerL, 3.2285, 5e-5},
		{Magnesium, 10, MgPerDL, MmolPerL, 4.1144, 5e-5},
		{Sodium, 140, MeqPerL, MmolPerL, 140, 0},
		{Potassium, 4, MeqPerL, MmolPerL, 4, 0},
		{Chloride, 100, MeqPerL, MmolPerL, 100, 0},
		{Bicarbonate, 25, MeqPerL, MmolPerL, 25, 0},
		{Bilirubin, 1, MgPerDL, UmolPerL, 17.104, 5e-4},
		{SerumAlbumin, 4.2, GramPerDL, GramPerL, 42, 1e-13},
		{LiverEnzyme, 30, UnitPerL, UnitPerL, 30, 0},
		{Haemoglobin, 14, GramPerDL, GramPerL, 140, 1e-13},
		{Leukocytes, 6.1, ThousandPerUL, BillionPerL, 6.1, 0},
		{Platelets, 250, BillionPerL, ThousandPerUL, 250, 0},
		{INR, 1.1, INRUnit, INRUnit, 1.1, 0},
		{ClottingTime, 12, Second, Second, 12, 0},
		{ParathyroidHormone, 40, NgPerL, PgPerML, 40, 0},
		{VitaminD, 30, NgPerML, NmolPerL, 74.88, 5e-3},
		{TSH, 2, MicroIUPerML, MilliIUPerL, 2, 0},
		{PSA, 1, UgPerL, NgPerML, 1, 0},
		{HCG, 3, MilliIUPerML, IUPerL, 3, 0},
		{UrineAlbumin, 3, MgPerDL, MgPerL, 30, 0},
		{UrineAlbumin, 30, UgPerML, MgPerL, 30, 0},
		{UrineProtein, 12, MgPerDL, MgPerL, 120, 0},
		{UrineProtein, 0.12, GramPerL, MgPerL, 120, 1e-13},
		{UrineErythrocytes, 2, PerHighField, PerHighField, 2, 0},
		{UrineErythrocytes, 0, PerHighField, PerHighField, 0, 0},
		{UrineLeukocytes, 0, PerHighField, PerHighField, 0, 0},
		{AlbuminExcretionRate, 20, UgPerMin, MgPer24Hours, 28.8, 1e-14},
		{AlbuminExcretionRate, 14.4, MgPer24Hours, UgPerMin, 10, 1e-14},
		{AlbuminExcretionRate, 30, "mg/d", MgPer24Hours, 30, 0},
		{ProteinExcretionRate, 0.15, GramPer24Hours, MgPer24Hours, 150, 0},
		{ProteinExcretionRate, 150, "mg/d", "g/d", 0.15, 0},
		{AlbuminCreatinineRatio, 10, MgPerG, MgPerMmol, 1.131222, 5e-7},
		{AlbuminCreatinineRatio, 30, MgPerG, MgPerMmol, 3.393665, 5e-7},
		{AlbuminCreatinineRatio, 300, "mg/g{creat}", "mg/mmol{creat}", 33.93665, 5e-6},
		{AlbuminCreatinineRatio, 3, MgPerMmol, MgPerG, 26.52, 1e-13},
		{AlbuminCreatinineRatio, 30, MgPerMmol, MgPerG, 265.2, 1e-13},
		{ProteinCreatinineRatio, 50, "mg/mmol{creat}", "mg/g{creat}", 442, 1e-13},
		{CreatinineExcretion, 1.65, GramPer24Hours, MgPer24Hours, 1650, 0},
		{CreatinineExcretion, 1000, "mg/d", "mmol/d", 8.842, 1e-13},
		{CalciumExcretion, 100, MgPer24Hours, MmolPer24Hours, 2.4951, 5e-5},
		{OxalateExcretion, 88.02, "mg/d", "mmol/d", 1, 0},
		{CitrateExcretion, 189.10, MgPer24Hours, MmolPer24Hours, 1, 0},
		{UrateExcretion, 1000, MgPer24Hours, MmolPer24Hours, 5.948, 5e-4},
		{SodiumExcretion, 100, "meq/d", MgPer24Hours, 2299, 1e-12},
		{IohexolDose, 3235, Mg, Ug, 3235000, 1e-9},
		{PlasmaIohexol, 65.3, MgPerL, UgPerML, 65.3, 0},
		{MarkerActivity, 3, MBq, KBq, 3000, 0},
		{PlasmaActivity, 0.002, MBqPerML, KBqPerML, 2, 0},
		{CountRate, 2, PerSecond, PerMinute, 120, 0},
		{PlasmaCountRate, 90, PerMinutePerML, PerSecondPerML, 1.5, 0},
		{UrineVolume, 1.5, L, ML, 1500, 0},
		{MedicineDose, 4, Gram, Mg, 4000, 0},
		{Density, 1.34, GramPerML, GramPerML, 1.34, 0},
		{Duration, 24, Hour, Minute, 1440, 0},
		{Duration, 1, Day, Hour, 24, 0},
		{Height, 1.72, Metre, Centimetre, 172, 0},
		{Height, 70, Inch, Centimetre, 177.8, 1e-13},
		{Weight, 150, Pound, Kilogram, 68.0388555, 1e-13},
		{WaistCircumference, 40, Inch, Centimetre, 101.6, 1e-13},
		{BodySurfaceArea, 1.73, SquareMetre, SquareMetre, 1.73, 0},
		{BodyMassIndex, 24, KgPerM2, KgPerM2, 24, 0},
		{BloodPressure, 120, MmHg, MmHg, 120, 0},
		{AbsoluteGFR, 100, MLPerMin, MLPerMin, 100, 0},
		{NormalisedGFR, 90, MLPerMinPer173M2, MLPerMinPer173M2, 90, 0},
		{KidneyLength, 110, Millimetre, Centimetre, 11, 0},
		{KidneyVolume, 150, CubicCentimetre, ML, 150, 0},
		{LesionSize, 1.2, Centimetre, Millimetre, 12, 0},
		{SplitFunction, 52.5, Percent, Percent, 52.5, 0},
		{Proportion, 0.05, One, Percent, 5, 0},
		{Ratio, 1.2, One, One, 1.2, 0},
	} {
		tested[tt.analyte] = true
		got, err := Convert(tt.analyte, Quantity{tt.value, tt.from}, tt.to)
		if err != nil {
			t.Errorf("%s %g %s: %v", tt.analyte, tt.value, tt.from, err)
			continue
		}
		if math.Abs(got.Value-tt.want) > tt.within || got.Unit != tt.to {
			t.Errorf("%s: %g %s is %.10g %s, want %.10g %s", tt.analyte, tt.value, tt.from, got.Value, got.Unit, tt.want, tt.to)
		}
	}
	for _, a := range Analytes() {
		if !tested[a] {
			t.Errorf("%s is not tested", a)
		}
	}
}

// TestNGSPAgreesWithThePublishedRoundedEquation compares the exact inverse with
// the equation that the IFCC prints, 10.93 x NGSP - 23.5.
func TestNGSPAgreesWithThePublishedRoundedEquation(t *testing.T) {
	for percent := 4.0; percent <= 14; percent += 0.1 {
		got, err := Convert(HbA1c, Quantity{percent, Percent}, MmolPerMol)
		if err != nil || math.Abs(got.Value-(10.93*percent-23.5)) > 0.05 {
			t.Errorf("%.1f %% is %v, %v", percent, got, err)
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
		{"a negative count", UrineErythrocytes, Quantity{-1, PerHighField}, PerHighField, NotPositive},
		{"a count that is no number", UrineErythrocytes, Quantity{math.NaN(), PerHighField}, PerHighField, NotFinite},
		{"below what the equation can give", HbA1c, Quantity{2.1, Percent}, MmolPerMol, NotPositive},
		{"overflow", UrineVolume, Quantity{math.MaxFloat64, L}, ML, NotFinite},
		{"underflow", UrineVolume, Quantity{math.SmallestNonzeroFloat64, ML}, L, NotPositive},
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

// TestProbableUnitErrors has both sides of each plausible range. Where a limit
// of the range can be seen only through the other unit, the pair is in that
// unit.
func TestProbableUnitErrors(t *testing.T) {
	tested := map[Analyte]bool{}
	for _, tt := range []struct {
		analyte  Analyte
		unit     string
		passes   []float64
		question []float64
		typical  string
	}{
		{SerumCreatinine, MgPerDL, []float64{0.2, 0.9, 17, 17.6, 1504}, []float64{17.7, 20, 88, 1503}, UmolPerL},
		{SerumCreatinine, UmolPerL, []float64{17.01, 18, 80, 1503, 5000}, []float64{0.2, 0.9, 17}, MgPerDL},
		{UrineCreatinine, MgPerDL, []float64{2, 110, 500, 0.176}, []float64{0.177, 1.99}, MmolPerL},
		{UrineCreatinine, MmolPerL, []float64{0.177, 9.7, 44.2, 501}, []float64{44.3, 110, 500}, MgPerDL},
		{Glucose, MgPerDL, []float64{20, 95, 1100}, []float64{1.2, 5.5, 19.9}, MmolPerL},
		{Glucose, MmolPerL, []float64{1.2, 5.5, 61, 1101}, []float64{61.1, 95, 1100}, MgPerDL},
		{HbA1c, Percent, []float64{3, 5.7, 20, 195.2}, []float64{20.1, 39, 195}, MmolPerMol},
		{HbA1c, MmolPerMol, []float64{9.3, 20.01, 39, 195}, []float64{3, 5.7, 9.2}, Percent},
		{Cholesterol, MgPerDL, []float64{10, 40, 1000, 0.25}, []float64{0.26, 1.3, 5.2, 9.9}, MmolPerL},
		{Cholesterol, MmolPerL, []float64{0.26, 5.2, 25.8, 1001}, []float64{25.9, 40, 200, 1000}, MgPerDL},
		{Triglyceride, MgPerDL, []float64{10, 150, 10000, 0.112}, []float64{0.113, 1.7, 9.9}, MmolPerL},
		{Triglyceride, MmolPerL, []float64{0.113, 1.7, 112.9, 10001}, []float64{113, 150, 10000}, MgPerDL},
		{Urea, MgPerDL, []float64{6, 30, 600, 0.99}, []float64{1, 5.9}, MmolPerL},
		{Urea, MmolPerL, []float64{1, 5, 99.9, 601}, []float64{100, 600}, MgPerDL},
		{Urate, MgPerDL, []float64{0.2, 5, 40}, []float64{40.1, 300, 2379}, UmolPerL},
		{Urate, UmolPerL, []float64{11.9, 300, 2379}, []float64{0.2, 5, 11.8}, MgPerDL},
		{Calcium, MgPerDL, []float64{4, 9.5, 24, 0.99}, []float64{1, 2.4, 3.99}, MmolPerL},
		{Calcium, MmolPerL, []float64{1, 2.4, 5.98, 24.1}, []float64{5.99, 9.5, 24}, MgPerDL},
		{Bilirubin, MgPerDL, []float64{0.05, 1, 50}, []float64{50.1, 60, 855}, UmolPerL},
		{Bilirubin, UmolPerL, []float64{0.86, 15, 855, 0.0499}, []float64{0.05, 0.5, 0.85}, MgPerDL},
		{SerumAlbumin, GramPerDL, []float64{0.6, 4.2, 8, 81}, []float64{8.05, 42, 80}, GramPerL},
		{SerumAlbumin, GramPerL, []float64{6, 42, 80, 0.59}, []float64{0.6, 4.2, 5.99}, GramPerDL},
		{Haemoglobin, GramPerDL, []float64{2, 14, 25, 251}, []float64{25.1, 140, 250}, GramPerL},
		{Haemoglobin, GramPerL, []float64{20, 140, 250, 1.99}, []float64{2, 14, 19.9}, GramPerDL},
		{Height, Centimetre, []float64{100, 172, 260, 39.3, 103}, []float64{1, 1.72, 2.6}, Metre},
		{Height, Centimetre, []float64{39.3}, []float64{39.4, 70, 99.9}, Inch},
		{Height, Metre, []float64{1, 1.72, 2.6, 260.1}, []float64{100, 172, 260}, Centimetre},
		{Height, Inch, []float64{39.4, 68, 102.3}, []float64{102.4, 172, 260}, Centimetre},
		{Weight, Kilogram, []float64{30, 70, 350, 29.9}, []float64{350.1, 400, 771}, Pound},
		{Weight, Pound, []float64{66.2, 154, 771}, []float64{30, 60, 66.1}, Kilogram},
	} {
		tested[tt.analyte] = true
		for _, value := range tt.passes {
			got, err := Convert(tt.analyte, Quantity{value, tt.unit}, tt.unit)
			if err != nil || got != (Quantity{value, tt.unit}) {
				t.Errorf("%s %g %s: got %v, %v", tt.analyte, value, tt.unit, got, err)
			}
		}
		for _, value := range tt.question {
			_, err := Convert(tt.analyte, Quantity{value, tt.unit}, Canonical(tt.analyte))
			var e *Error
			if !errors.As(err, &e) || e.Code != ProbableUnitError {
				t.Errorf("%s %g %s is not questioned: %v", tt.analyte, value, tt.unit, err)
				continue
			}
			want := "given in " + tt.unit + " but is typical of " + tt.typical + "; check the unit with the laboratory"
			if !strings.Contains(e.Error(), want) || !slices.Equal(e.Accepted, Accepted(tt.analyte)) {
				t.Errorf("%s %g %s: the text is %q", tt.analyte, value, tt.unit, e.Error())
			}
		}
	}
	for i := range table {
		e := &table[i]
		if e.high != 0 && !tested[e.analyte] {
			t.Errorf("the range of %s is not tested", e.analyte)
		}
	}
}

func TestTheTableIsInOrder(t *testing.T) {
	seen := map[Analyte]bool{}
	for _, a := range Analytes() {
		if seen[a] {
			t.Errorf("%s is defined twice", a)
		}
		seen[a] = true
		codes := Accepted(a)
		if Canonical(a) == "" || codes[0] != Canonical(a) {
			t.Errorf("%s has no canonical unit", a)
		}
		for i, code := range codes {
			if slices.Contains(codes[:i], code) {
				t.Errorf("%s accepts %s twice", a, code)
			}
		}
	}
	if Canonical("hair colour") != "" || Accepted("hair colour") != nil {
		t.Error("an unknown analyte has units")
	}
}

// TestRoundTrip converts to each other unit and back. Where a range says what is
// plausible, the value lies within it: others may be refused as a wrong unit.
func TestRoundTrip(t *testing.T) {
	for i := range table {
		e := &table[i]
		for _, from := range e.units {
			for _, to := range e.units {
				low, high := 1e-6, 1e6
				if e.high != 0 {
					const inside = 1 + 1e-9
					low, high = from.fromCanonical(e.low*inside), from.fromCanonical(e.high/inside)
				}
				// A difference loses the digits that the minuend has in excess.
				tolerance := 1e-14
				if from.offset != to.offset {
					tolerance = 1e-13
				}
				rapid.Check(t, func(t *rapid.T) {
					start := Quantity{rapid.Float64Range(low, high).Draw(t, "value"), from.unit}
					there, err := Convert(e.analyte, start, to.unit)
					if err != nil {
						t.Fatal(err)
					}
					back, err := Convert(e.analyte, there, from.unit)
					if err != nil {
						t.Fatal(err)
					}
					if math.Abs(back.Value-start.Value) > tolerance*start.Value || back.Unit != from.unit {
						t.Fatalf("%s: %v became %v and then %v", e.analyte, start, there, back)
					}
				})
			}
		}
	}
}

func TestConvertingAllocatesNothing(t *testing.T) {
	for _, c := range conversions {
		if n := testing.AllocsPerRun(100, func() { sink, _ = Convert(c.analyte, c.q, c.to) }); n != 0 {
			t.Errorf("%s: %g allocations", c.analyte, n)
		}
	}
}

var (
	sink        Quantity
	conversions = []struct {
		analyte Analyte
		q       Quantity
		to      string
	}{
		{SerumCreatinine, Quantity{80, UmolPerL}, MgPerDL},
		{HbA1c, Quantity{39, MmolPerMol}, Percent},
		{Ratio, Quantity{1, One}, One},
	}
)

func BenchmarkConvert(b *testing.B) {
	for _, c := range conversions {
		b.Run(string(c.analyte), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				sink, _ = Convert(c.analyte, c.q, c.to)
			}
		})
	}
}

func FuzzConvert(f *testing.F) {
	f.Add(string(SerumCreatinine), 1.0, MgPerDL, UmolPerL)
	f.Add(string(SerumCreatinine), 88.0, MgPerDL, MgPerDL)
	f.Add(string(Duration), math.Inf(1), Hour, Minute)
	f.Add(string(AlbuminCreatinineRatio), math.NaN(), MgPerG, MgPerMmol)
	f.Add(string(UrineVolume), math.MaxFloat64, L, ML)
	f.Add(string(UrineErythrocytes), 0.0, PerHighField, PerHighField)
	f.Add("", -1.0, "", "")
	f.Fuzz(func(t *testing.T, analyte string, value float64, from, to string) {
		got, err := Convert(Analyte(analyte), Quantity{value, from}, to)
		var e *Error
		switch {
		case err != nil && !errors.As(err, &e):
			t.Errorf("the error %v has another type", err)
		case err != nil && (e.Code == "" || e.Error() == ""):
			t.Errorf("the error %#v says nothing", e)
		case err == nil && (math.IsNaN(got.Value) || math.IsInf(got.Value, 0) || got.Value < 0 || got.Value == 0 && value != 0):
			t.Errorf("%s: %g %s became %g %s", analyte, value, from, got.Value, to)
		}
	})
}
