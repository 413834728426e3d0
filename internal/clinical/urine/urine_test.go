package urine

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
)

func collection(volume float64, volumeUnit string, duration float64, durationUnit string) Collection {
	return Collection{clinical.NewMeasurement(volume, volumeUnit), clinical.NewMeasurement(duration, durationUnit)}
}

var (
	woman = body.Size{Height: clinical.NewMeasurement(160, "cm"), Weight: clinical.NewMeasurement(54, "kg")}
	man   = body.Size{Height: clinical.NewMeasurement(172, "cm"), Weight: clinical.NewMeasurement(68, "kg")}
)

func wantError(t *testing.T, err error, code clinical.Code, field string) {
	t.Helper()
	var e *clinical.Error
	if !errors.As(err, &e) || e.Code != code || e.Field != field {
		t.Errorf("got %v, want the code %s for %s", err, code, field)
	}
}

func TestBadCollection(t *testing.T) {
	tests := []struct {
		name       string
		collection Collection
		field      string
		code       clinical.Code
	}{
		{"nothing", Collection{}, "urine volume", clinical.Missing},
		{"no duration", Collection{Volume: clinical.NewMeasurement(1500, "mL")}, "collection duration", clinical.Missing},
		{"NaN volume", collection(math.NaN(), "mL", 24, "h"), "urine volume", clinical.NotFinite},
		{"zero volume", collection(0, "mL", 24, "h"), "urine volume", clinical.NotPositive},
		{"negative duration", collection(1500, "mL", -24, "h"), "collection duration", clinical.NotPositive},
		{"infinite duration", collection(1500, "mL", math.Inf(1), "h"), "collection duration", clinical.NotFinite},
		{"litres typed as mL", collection(1.5, "mL", 24, "h"), "urine volume", clinical.OutOfRange},
		{"mL typed as litres", collection(1500, "L", 24, "h"), "urine volume", clinical.OutOfRange},
		{"under 4 h", collection(500, "mL", 3.9, "h"), "collection duration", clinical.OutOfRange},
		{"minutes typed as hours", collection(1500, "mL", 1440, "h"), "collection duration", clinical.OutOfRange},
		{"unknown unit", collection(1500, "ml", 24, "h"), "urine volume", clinical.UnknownUnit},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, _, err := tt.collection.Values()
			wantError(t, err, tt.code, tt.field)
			_, err = AlbuminExcretion(tt.collection, clinical.NewMeasurement(10, "mg/L"))
			wantError(t, err, tt.code, tt.field)
			_, err = CreatinineExcretion(tt.collection, clinical.NewMeasurement(110, "mg/dL"), man, 40, clinical.Male)
			wantError(t, err, tt.code, tt.field)
		})
	}
}

func TestBadConcentrations(t *testing.T) {
	day := collection(1500, "mL", 24, "h")
	tests := []struct {
		value float64
		unit  string
		code  clinical.Code
	}{
		{math.NaN(), "mg/L", clinical.NotFinite},
		{math.Inf(1), "mg/L", clinical.NotFinite},
		{0, "mg/L", clinical.NotPositive},
		{-3, "mg/L", clinical.NotPositive},
		{0.05, "mg/L", clinical.OutOfRange},
		{1e300, "mg/L", clinical.OutOfRange},
		{10, "g/L", clinical.UnknownUnit},
	}
	for _, tt := range tests {
		_, err := AlbuminExcretion(day, clinical.NewMeasurement(tt.value, tt.unit))
		wantError(t, err, tt.code, "urine albumin")
		_, err = AlbuminToCreatinine(clinical.NewMeasurement(tt.value, tt.unit), clinical.NewMeasurement(100, "mg/dL"))
		wantError(t, err, tt.code, "urine albumin")
	}
	for _, tt := range []struct {
		value float64
		unit  string
		code  clinical.Code
	}{
		{math.NaN(), "mg/dL", clinical.NotFinite},
		{0, "mg/dL", clinical.NotPositive},
		{-1, "mmol/L", clinical.NotPositive},
		{1, "mg/dL", clinical.ProbableUnitError},
		{80, "mmol/L", clinical.ProbableUnitError},
		{0.1, "mg/dL", clinical.OutOfRange},
		{1100, "mg/dL", clinical.OutOfRange},
		{110, "umol/L", clinical.UnknownUnit},
	} {
		_, err := CreatinineExcretion(day, clinical.NewMeasurement(tt.value, tt.unit), man, 40, clinical.Male)
		wantError(t, err, tt.code, "urine creatinine")
		_, err = AlbuminToCreatinine(clinical.NewMeasurement(10, "mg/L"), clinical.NewMeasurement(tt.value, tt.unit))
		wantError(t, err, tt.code, "urine creatinine")
	}
	creatinine := clinical.NewMeasurement(110, "mg/dL")
	_, err := CreatinineExcretion(day, creatinine, man, 17, clinical.Male)
	wantError(t, err, clinical.NotValidAge, "age")
	_, err = CreatinineExcretion(day, creatinine, man, 40, "")
	wantError(t, err, clinical.Missing, "sex")
	_, err = CreatinineExcretion(day, creatinine, body.Size{}, 40, clinical.Male)
	wantError(t, err, clinical.Missing, "height")
}

func TestDurationWarnings(t *testing.T) {
	tests := []struct {
		hours float64
		want  clinical.WarningCode
	}{
		{4, DurationNot24Hours}, {19.9, DurationNot24Hours}, {20, DurationUnusual}, {21.9, DurationUnusual},
		{22, ""}, {24, ""}, {26, ""}, {26.1, DurationUnusual}, {28, DurationUnusual}, {28.1, DurationNot24Hours},
	}
	for _, tt := range tests {
		r, err := AlbuminExcretion(collection(1500, "mL", tt.hours, "h"), clinical.NewMeasurement(10, "mg/L"))
		if err != nil {
			t.Fatal(err)
		}
		for _, code := range []clinical.WarningCode{DurationNot24Hours, DurationUnusual} {
			if r.HasWarning(code) != (code == tt.want) {
				t.Errorf("%g h: warnings %v, want %q", tt.hours, r.Warnings, tt.want)
			}
		}
	}
}

func TestCompleteness(t *testing.T) {
	creatinine := func(v float64) clinical.Measurement { return clinical.NewMeasurement(v, "mg/dL") }

	complete, err := CreatinineExcretion(collection(1500, "mL", 1440, "min"), creatinine(110), man, 40, clinical.Male)
	if err != nil || !complete.PerKgPlausible || !complete.RatioPlausible || len(complete.Warnings) != 0 {
		t.Errorf("a complete collection: %+v, %v", complete, err)
	}

	// 24.1 mg/kg and 1.64 of the expected: both checks fail.
	_, err = CreatinineExcretion(collection(2100, "mL", 1440, "min"), creatinine(62), woman, 62, clinical.Female)
	wantError(t, err, clinical.QualityRefused, "urine collection")
	for _, part := range []string{"24.1 mg/kg", "1.64 of the expected", "11 to 22", "0.7 to 1.3"} {
		if err != nil && !strings.Contains(err.Error(), part) {
			t.Errorf("the text %q lacks %q", err, part)
		}
	}

	// 14.7 mg/kg is too little for a man, 0.72 of the expected is still enough:
	// 1000 mg over 68 kg and 1390 mg (55 a).
	doubtful, err := CreatinineExcretion(collection(1000, "mL", 24, "h"), creatinine(100), man, 55, clinical.Male)
	if err != nil || doubtful.PerKgPlausible || !doubtful.RatioPlausible || !doubtful.HasWarning(CollectionCompletenessDoubtful) {
		t.Errorf("a doubtful collection: %+v, %v", doubtful, err)
	}

	// 21.1 mg/kg is plausible for a woman, 1.36 of the expected is not.
	doubtful, err = CreatinineExcretion(collection(1140, "mL", 24, "h"), creatinine(100), woman, 55, clinical.Female)
	if err != nil || !doubtful.PerKgPlausible || doubtful.RatioPlausible || !doubtful.HasWarning(CollectionCompletenessDoubtful) {
		t.Errorf("a doubtful collection: %+v, %v", doubtful, err)
	}
}

func TestAlbuminToCreatinineKeepsTheUnitOfTheLaboratory(t *testing.T) {
	tests := []struct {
		creatinine float64
		unit       string
		want       float64
		wantUnit   string
	}{
		{100, "mg/dL", 30, "mg/g"},
		{10, "mmol/L", 3, "mg/mmol"},
	}
	for _, tt := range tests {
		r, err := AlbuminToCreatinine(clinical.NewMeasurement(30, "mg/L"), clinical.NewMeasurement(tt.creatinine, tt.unit))
		if err != nil || math.Abs(r.Value.Value-tt.want) > 1e-12 || r.Value.Unit != tt.wantUnit {
			t.Errorf("got %v, %v, want %g %s", r.Value, err, tt.want, tt.wantUnit)
		}
	}
}

// TestExcretionScalesWithTime: the same urine in half the time is twice the rate.
func TestExcretionScalesWithTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		albumin := clinical.NewMeasurement(rapid.Float64Range(1, 500).Draw(t, "albumin"), "mg/L")
		volume := rapid.Float64Range(100, 5000).Draw(t, "volume")
		hours := rapid.Float64Range(8, 48).Draw(t, "hours")
		full, err := AlbuminExcretion(collection(volume, "mL", hours, "h"), albumin)
		if err != nil {
			t.Fatal(err)
		}
		half, err := AlbuminExcretion(collection(volume, "mL", hours/2, "h"), albumin)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(half.Value.Value/full.Value.Value-2) > 1e-12 {
			t.Fatalf("%g and %g", full.Value.Value, half.Value.Value)
		}
	})
}
