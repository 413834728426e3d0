package renal

import (
	"math"
	"testing"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/urine"
)

func timedUrine() CreatinineClearanceInput {
	return CreatinineClearanceInput{
		Collection: urine.Collection{
			Volume: clinical.NewMeasurement(1500, "mL"), Duration: clinical.NewMeasurement(24, "h"),
		},
		UrineCreatinine: mgPerDL(110),
		SerumCreatinine: []clinical.Measurement{mgPerDL(0.9)},
		Size:            body.Size{Height: clinical.NewMeasurement(172, "cm"), Weight: clinical.NewMeasurement(68, "kg")},
		Age:             40, Sex: clinical.Male,
	}
}

func TestUrinaryCreatinineClearanceRefuses(t *testing.T) {
	tests := []struct {
		name   string
		change func(*CreatinineClearanceInput)
		code   clinical.Code
		field  string
	}{
		{"no serum", func(in *CreatinineClearanceInput) { in.SerumCreatinine = nil }, clinical.Missing, "serum creatinine"},
		{"three serum values", func(in *CreatinineClearanceInput) {
			in.SerumCreatinine = []clinical.Measurement{mgPerDL(1), mgPerDL(1), mgPerDL(1)}
		}, clinical.Missing, "serum creatinine"},
		{"serum zero", func(in *CreatinineClearanceInput) { in.SerumCreatinine[0] = mgPerDL(0) }, clinical.NotPositive, "serum creatinine"},
		{"serum unit", func(in *CreatinineClearanceInput) { in.SerumCreatinine[0] = mgPerDL(80) }, clinical.ProbableUnitError, "serum creatinine"},
		{"urine NaN", func(in *CreatinineClearanceInput) { in.UrineCreatinine = mgPerDL(math.NaN()) }, clinical.NotFinite, "urine creatinine"},
		{"urine unit", func(in *CreatinineClearanceInput) { in.UrineCreatinine = mgPerL(1100) }, clinical.UnknownUnit, "urine creatinine"},
		{"short", func(in *CreatinineClearanceInput) {
			in.Collection.Duration = clinical.NewMeasurement(2, "h")
		}, clinical.OutOfRange, "collection duration"},
		{"no volume", func(in *CreatinineClearanceInput) { in.Collection.Volume = clinical.Measurement{} }, clinical.Missing, "urine volume"},
		{"no sex", func(in *CreatinineClearanceInput) { in.Sex = "" }, clinical.Missing, "sex"},
		{"child", func(in *CreatinineClearanceInput) { in.Age = 12 }, clinical.NotValidAge, "age"},
		{"no size", func(in *CreatinineClearanceInput) { in.Size = body.Size{} }, clinical.Missing, "height"},
		{"surface formula", func(in *CreatinineClearanceInput) { in.SurfaceArea = "x" }, clinical.UnknownChoice, "surface area formula"},
		{"half of the urine lost", func(in *CreatinineClearanceInput) {
			in.Collection.Volume = clinical.NewMeasurement(750, "mL")
		}, clinical.QualityRefused, "urine collection"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := timedUrine()
			tt.change(&in)
			_, err := UrinaryCreatinineClearance(in)
			wantError(t, err, tt.code, tt.field)
		})
	}
}

func TestUrinaryCreatinineClearanceAveragesSerum(t *testing.T) {
	one, err := UrinaryCreatinineClearance(timedUrine())
	if err != nil {
		t.Fatal(err)
	}
	in := timedUrine()
	in.SerumCreatinine = []clinical.Measurement{mgPerDL(0.8), mgPerDL(1.0)}
	two, err := UrinaryCreatinineClearance(in)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(float64(one.Absolute-two.Absolute)) > 1e-9 {
		t.Errorf("%g and %g", one.Absolute, two.Absolute)
	}
	wantWarnings(t, one.Result, nil)
}

func TestUrinaryCreatinineClearanceInSIUnits(t *testing.T) {
	in := timedUrine()
	in.SerumCreatinine = []clinical.Measurement{clinical.NewMeasurement(0.9*88.42, "umol/L")}
	in.UrineCreatinine = clinical.NewMeasurement(110*0.08842, "mmol/L")
	in.Collection.Volume = clinical.NewMeasurement(1.5, "L")
	c, err := UrinaryCreatinineClearance(in)
	if err != nil || math.Abs(float64(c.Absolute)-127.3148) > 1e-4 {
		t.Errorf("got %g, %v", c.Absolute, err)
	}
}
