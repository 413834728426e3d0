package urine

import (
	"math"
	"testing"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
)

func TestProteinExcretion(t *testing.T) {
	tests := []struct {
		volume, hours, protein float64
		unit                   string
		want                   float64
	}{
		{1500, 24, 80, "mg/L", 120},
		{1500, 24, 8, "mg/dL", 120},
		{2000, 24, 0.1, "g/L", 200},
		{2500, 22, 40, "mg/L", 109.0909},
	}
	for _, tt := range tests {
		r, err := ProteinExcretion(collection(tt.volume, "mL", tt.hours, "h"), clinical.NewMeasurement(tt.protein, tt.unit))
		if err != nil || math.Abs(r.Value.Value-tt.want) > 5e-5 || r.Value.Unit != "mg/(24.h)" || len(r.Inputs) != 3 || r.Equation == "" || r.Source == "" {
			t.Errorf("%v: got %+v, %v", tt, r, err)
		}
	}
}

// TestAlbuminExcretionExamples has the check values of calculations 6 and 17.
func TestAlbuminExcretionExamples(t *testing.T) {
	for _, tt := range [][4]float64{{8, 1800, 24, 14.40}, {25, 2000, 24, 50}, {40, 2500, 22, 109.0909}} {
		r, err := AlbuminExcretion(collection(tt[1], "mL", tt[2], "h"), clinical.NewMeasurement(tt[0], "mg/L"))
		if err != nil || math.Abs(r.Value.Value-tt[3]) > 5e-5 || math.Abs(r.Steps[0].Value.Value*1.44-tt[3]) > 5e-5 {
			t.Errorf("%v: got %v, %v", tt, r, err)
		}
	}
}

func TestProteinToCreatinine(t *testing.T) {
	tests := []struct {
		creatinine float64
		unit       string
		want       float64
		wantUnit   string
	}{
		{100, "mg/dL", 120, "mg/g"},
		{10, "mmol/L", 12, "mg/mmol"},
	}
	for _, tt := range tests {
		r, err := ProteinToCreatinine(clinical.NewMeasurement(120, "mg/L"), clinical.NewMeasurement(tt.creatinine, tt.unit))
		if err != nil || math.Abs(r.Value.Value-tt.want) > 1e-12 || r.Value.Unit != tt.wantUnit || len(r.Inputs) != 2 || r.Equation == "" || r.Source == "" {
			t.Errorf("got %+v, %v, want %g %s", r, err, tt.want, tt.wantUnit)
		}
	}
}

// TestLimitsOfEntry has both sides of every limit in collection.go.
func TestLimitsOfEntry(t *testing.T) {
	day := collection(1500, "mL", 24, "h")
	creatinine, albumin := clinical.NewMeasurement(100, "mg/dL"), clinical.NewMeasurement(10, "mg/L")
	withVolume := func(v float64) error { _, _, err := collection(v, "mL", 24, "h").Values(); return err }
	withHours := func(v float64) error { _, _, err := collection(1500, "mL", v, "h").Values(); return err }
	withCreatinine := func(v float64) error {
		_, err := AlbuminToCreatinine(albumin, clinical.NewMeasurement(v, "mg/dL"))
		return err
	}
	withAlbumin := func(v float64) error {
		_, err := AlbuminExcretion(day, clinical.NewMeasurement(v, "mg/L"))
		return err
	}
	withProtein := func(v float64) error {
		_, err := ProteinExcretion(day, clinical.NewMeasurement(v, "mg/L"))
		return err
	}
	tests := []struct {
		field  string
		with   func(float64) error
		passes []float64
		fails  []float64
	}{
		{"urine volume", withVolume, []float64{50, 20000}, []float64{49.9, 20001}},
		{"collection duration", withHours, []float64{4, 72}, []float64{3.99, 72.1}},
		{"urine creatinine", withCreatinine, []float64{2, 2.01, 500}, []float64{0.1, 501}},
		{"urine albumin", withAlbumin, []float64{0.1, 20000}, []float64{0.0999, 20001}},
		{"urine protein", withProtein, []float64{1, 50000}, []float64{0.999, 50001}},
	}
	for _, tt := range tests {
		for _, v := range tt.passes {
			if err := tt.with(v); err != nil {
				t.Errorf("%s %g: %v", tt.field, v, err)
			}
		}
		for _, v := range tt.fails {
			wantError(t, tt.with(v), clinical.OutOfRange, tt.field)
		}
	}
	_, err := ProteinExcretion(Collection{}, albumin)
	wantError(t, err, clinical.Missing, "urine volume")
	_, err = ProteinToCreatinine(clinical.Measurement{}, creatinine)
	wantError(t, err, clinical.Missing, "urine protein")
	_, err = ProteinToCreatinine(clinical.NewMeasurement(10, "mg/L"), clinical.Measurement{})
	wantError(t, err, clinical.Missing, "urine creatinine")
}

// TestLimitsOfCompleteness has both sides of the creatinine a kg and of the
// ratio to the expected excretion. In each pair the other check passes.
func TestLimitsOfCompleteness(t *testing.T) {
	size := func(kg float64) body.Size {
		return body.Size{Height: clinical.NewMeasurement(172, "cm"), Weight: clinical.NewMeasurement(kg, "kg")}
	}
	// Expected: 1571.19 mg for a man of 80 kg and 50 years.
	const expected = 1571.19
	tests := []struct {
		sex       clinical.Sex
		kg        float64
		age       int
		excretion float64 // mg/(24.h)
		perKg     bool
		ratio     bool
	}{
		{clinical.Male, 80, 60, 15 * 80.1, true, true},
		{clinical.Male, 80, 60, 15 * 79.9, false, true},
		{clinical.Male, 60, 20, 28 * 59.9, true, true},
		{clinical.Male, 60, 20, 28 * 60.1, false, true},
		{clinical.Female, 80, 50, 11 * 80.1, true, true},
		{clinical.Female, 80, 50, 11 * 79.9, false, true},
		{clinical.Female, 50, 20, 22 * 49.9, true, true},
		{clinical.Female, 50, 20, 22 * 50.1, false, true},
		{clinical.Male, 80, 50, 0.701 * expected, false, true},
		{clinical.Male, 80, 50, 1.299 * expected, true, true},
		{clinical.Male, 80, 50, 1.301 * expected, true, false},
	}
	for _, tt := range tests {
		c, err := CreatinineExcretion(collection(1000, "mL", 24, "h"), clinical.NewMeasurement(tt.excretion/10, "mg/dL"), size(tt.kg), tt.age, tt.sex)
		if err != nil || c.PerKgPlausible != tt.perKg || c.RatioPlausible != tt.ratio || (len(c.Warnings) == 0) != (tt.perKg && tt.ratio) {
			t.Errorf("%v: %+v, %v", tt, c, err)
		}
	}
	// 0.7 of the expected excretion is still 15.3 mg/kg at 68 kg and 40 years.
	for _, tt := range []struct {
		ratio     float64
		plausible bool
	}{{0.701, true}, {0.699, false}} {
		c, err := CreatinineExcretion(collection(1000, "mL", 24, "h"), clinical.NewMeasurement(tt.ratio*1482.97/10, "mg/dL"), man, 40, clinical.Male)
		if err != nil || !c.PerKgPlausible || c.RatioPlausible != tt.plausible {
			t.Errorf("%v: %+v, %v", tt, c, err)
		}
	}
}

// TestExpectedCreatinineExcretion has the check values of calculations 4.
func TestExpectedCreatinineExcretion(t *testing.T) {
	big := body.Size{Height: clinical.NewMeasurement(185, "cm"), Weight: clinical.NewMeasurement(92, "kg")}
	tests := []struct {
		size body.Size
		age  int
		sex  clinical.Sex
		want float64
	}{
		{man, 40, clinical.Male, 1482.970},
		{woman, 62, clinical.Female, 792.2300},
		{big, 50, clinical.Male, 1721.310},
	}
	for _, tt := range tests {
		r, err := ExpectedCreatinineExcretion(tt.size, tt.age, tt.sex)
		if err != nil || math.Abs(r.Value.Value-tt.want) > 5e-4 {
			t.Errorf("got %v, %v, want %g", r.Value, err, tt.want)
		}
	}
	// 95 mg/dL in 1650 mL of 23 h, calculations 4, row 3.
	c, err := CreatinineExcretion(collection(1650, "mL", 1380, "min"), clinical.NewMeasurement(95, "mg/dL"), big, 50, clinical.Male)
	if err != nil || math.Abs(c.Value.Value-1635.652) > 5e-4 || math.Abs(c.PerKg-17.779) > 5e-4 || math.Abs(c.Ratio-0.95024) > 5e-6 {
		t.Errorf("got %+v, %v", c, err)
	}
}
