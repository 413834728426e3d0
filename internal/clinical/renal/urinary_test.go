package renal

import (
	"errors"
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
		{"serum zero", func(in *CreatinineClearanceInput) { in.SerumCreatinine[0] = mgPerDL(0) }, clinical.NotPositive, "serum creatinine 1"},
		{"serum unit", func(in *CreatinineClearanceInput) { in.SerumCreatinine[0] = mgPerDL(80) }, clinical.ProbableUnitError, "serum creatinine 1"},
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
	wantWarnings(t, one.Result, []clinical.WarningCode{UncertaintyNotStated})
	if one.Interval != nil {
		t.Errorf("got the interval %+v without uncertainties", one.Interval)
	}
}

// TestClearanceOfUrea: worked values of the two clearances and their mean.
func TestClearanceOfUrea(t *testing.T) {
	in := timedUrine()
	// 70 mL/min of urea: 700 mg/dL x 1500 mL / (10.4167 mg/dL x 1440 min).
	in.Urea = &UreaInput{Urine: clinical.NewMeasurement(700, "mg/dL"), Serum: clinical.NewMeasurement(700*1500/(70*1440.), "mg/dL")}
	c, err := UrinaryCreatinineClearance(in)
	if err != nil {
		t.Fatal(err)
	}
	want := AbsoluteGFR((127.31481481481482 + 70) / 2)
	if math.Abs(float64(c.Urea)-70) > 1e-9 || math.Abs(float64(c.MeanWithUrea-want.normalise(1.802772))) > 1e-4 {
		t.Errorf("got %g and %g", c.Urea, c.MeanWithUrea)
	}
	for _, tt := range []struct {
		urine, serum float64
		field        string
	}{{49, 30, "urine urea"}, {50, 30, ""}, {8000, 400, ""}, {8001, 30, "urine urea"}, {700, 5.97, "serum urea"}, {700, 6, ""}, {700, 400, ""}, {700, 401, "serum urea"}} {
		in.Urea = &UreaInput{Urine: clinical.NewMeasurement(tt.urine, "mg/dL"), Serum: clinical.NewMeasurement(tt.serum, "mg/dL")}
		_, err := UrinaryCreatinineClearance(in)
		var e *clinical.Error
		if errors.As(err, &e) != (tt.field != "") || e != nil && e.Field != tt.field {
			t.Errorf("urea %g and %g: got %v, want the field %q", tt.urine, tt.serum, err, tt.field)
		}
	}
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

// TestPlausibleClearance: what no kidneys filter is refused, and a serum
// creatinine that moved during the collection is told.
func TestPlausibleClearance(t *testing.T) {
	at := func(serum ...float64) (CreatinineClearance, error) {
		in := timedUrine()
		in.SerumCreatinine = nil
		for _, v := range serum {
			in.SerumCreatinine = append(in.SerumCreatinine, mgPerDL(v))
		}
		return UrinaryCreatinineClearance(in)
	}
	// 110 mg/dL, 1500 mL and 1440 min in 1.8028 m2 are 109.958 over the serum.
	for serum, ok := range map[float64]bool{0.4385: false, 0.4405: true, 15: true} {
		_, err := at(serum)
		if ok && err != nil {
			t.Errorf("a serum of %g: %v", serum, err)
		} else if !ok {
			wantError(t, err, clinical.OutOfRange, "creatinine clearance")
		}
	}
	for last, moved := range map[float64]bool{1.198: false, 1.202: true} {
		for _, pair := range [][]float64{{1, last}, {last, 1}} {
			c, err := at(pair...)
			if err != nil || c.HasWarning(CreatinineNotSteady) != moved {
				t.Errorf("%v: got %v, %v", pair, c.Warnings, err)
			}
		}
	}
}

// TestTwoSerumValuesAreBetterThanOne: their errors do not go together.
func TestTwoSerumValuesAreBetterThanOne(t *testing.T) {
	in := timedUrine()
	in.Uncertainty = &UrineUncertainty{Concentration: clinical.NewMeasurement(4, "%"), Volume: clinical.NewMeasurement(1, "%"), Time: clinical.NewMeasurement(1, "min")}
	in.SerumCreatinine = []clinical.Measurement{mgPerDL(0.9), mgPerDL(0.9)}
	c, err := UrinaryCreatinineClearance(in)
	if err != nil {
		t.Fatal(err)
	}
	want := 0.04 * math.Sqrt(1+0.5) * float64(c.Normalised)
	if got := c.Interval.Contributions[0].StandardUncertainty; math.Abs(got/want-1) > 2e-3 {
		t.Errorf("got %g, want %g", got, want)
	}
	// No interval reaches below zero.
	in.SerumCreatinine = in.SerumCreatinine[:1]
	in.Collection.Volume, in.Collection.Duration = clinical.NewMeasurement(250, "mL"), clinical.NewMeasurement(4, "h")
	in.Uncertainty = &UrineUncertainty{Concentration: clinical.NewMeasurement(30, "%"), Volume: clinical.NewMeasurement(30, "%"), Time: clinical.NewMeasurement(60, "min")}
	if c, err = UrinaryCreatinineClearance(in); err != nil || c.Interval.Low != 0 {
		t.Errorf("got %+v, %v", c.Interval, err)
	}
}
