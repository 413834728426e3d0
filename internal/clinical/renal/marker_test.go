package renal

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

func perMin(value float64) clinical.Measurement { return clinical.NewMeasurement(value, "/min/mL") }

func counted(marker Marker, gross, background, hours float64) CountInput {
	return CountInput{Marker: marker, Gross: perMin(gross), Background: perMin(background), After: clinical.NewMeasurement(hours, "h")}
}

// TestDecayFactors: the worked factors of calculations by hand.
func TestDecayFactors(t *testing.T) {
	for _, tt := range []struct {
		marker Marker
		hours  float64
		factor float64
	}{{TechnetiumDTPA, 3, 1.413667}, {TechnetiumDTPA, 4.5, 1.680818}, {ChromiumEDTA, 24, 1.025339}} {
		r, err := NetCountRate(counted(tt.marker, 1100, 100, tt.hours))
		if err != nil || math.Abs(r.Value.Value/1000-tt.factor) > 1e-6 || r.Value.Unit != "/min/mL" {
			t.Errorf("%+v: got %+v, %v", tt, r.Value, err)
		}
	}
	// After one half-life the count is doubled.
	for marker, hours := range map[Marker]float64{TechnetiumDTPA: 6.0067, ChromiumEDTA: 27.70 * 24} {
		r, err := NetCountRate(counted(marker, 600, 100, hours))
		if err != nil || math.Abs(r.Value.Value-1000) > 1e-9 {
			t.Errorf("%s: got %g, %v", marker, r.Value.Value, err)
		}
	}
}

// TestNothingToSubtract: no background, and a count at the reference time.
func TestNothingToSubtract(t *testing.T) {
	r, err := NetCountRate(counted(TechnetiumDTPA, 1000, 0, 0))
	if err != nil || r.Value.Value != 1000 {
		t.Errorf("got %+v, %v", r.Value, err)
	}
	if _, err := NetCountRate(counted(TechnetiumDTPA, 1100, 100, 60)); err != nil {
		t.Error(err)
	}
}

func TestNetCountRateRefuses(t *testing.T) {
	tests := []struct {
		name  string
		in    CountInput
		code  clinical.Code
		field string
	}{
		{"no marker", counted("", 1100, 100, 3), clinical.UnknownChoice, "marker"},
		{"iohexol", counted(Iohexol, 1100, 100, 3), clinical.UnknownChoice, "marker"},
		{"gross zero", counted(TechnetiumDTPA, 0, 100, 3), clinical.NotPositive, "gross count rate"},
		{"background NaN", counted(TechnetiumDTPA, 1100, math.NaN(), 3), clinical.NotFinite, "background count rate"},
		{"background only", counted(TechnetiumDTPA, 100, 100, 3), clinical.NotPositive, "gross count rate"},
		{"no time", CountInput{Marker: TechnetiumDTPA, Gross: perMin(1100), Background: perMin(100)}, clinical.Missing, "time of the count"},
		{"no background", CountInput{Marker: TechnetiumDTPA, Gross: perMin(1100), After: clinical.NewMeasurement(3, "h")}, clinical.Missing, "background count rate"},
		{"more than ten half-lives", counted(TechnetiumDTPA, 1100, 100, 60.1), clinical.OutOfRange, "time of the count"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := NetCountRate(tt.in)
			wantError(t, err, tt.code, tt.field)
		})
	}
}

// TestDoseFromStandard: 52 000 /s in 1 mL, 1000 mL, 4.95 g over 0.99 g.
func TestDoseFromStandard(t *testing.T) {
	good := StandardInput{
		NetRate: clinical.NewMeasurement(52000, "/s/mL"), Dilution: clinical.NewMeasurement(1, "L"),
		Injected: clinical.NewMeasurement(4.95, "g"), InStandard: clinical.NewMeasurement(990, "mg"),
	}
	r, err := DoseFromStandard(good)
	if err != nil || math.Abs(r.Value.Value/60-2.6e8) > 1e-3 || r.Value.Unit != "/min" {
		t.Errorf("got %+v, %v", r.Value, err)
	}
	for field, change := range map[string]func(*StandardInput){
		"net count rate of the standard": func(in *StandardInput) { in.NetRate.Value = 0 },
		"dilution volume":                func(in *StandardInput) { in.Dilution = clinical.Measurement{} },
		"mass injected":                  func(in *StandardInput) { in.Injected.Value = -1 },
		"mass in the standard":           func(in *StandardInput) { in.InStandard.Value = math.Inf(1) },
		"dose":                           func(in *StandardInput) { in.NetRate.Value, in.Injected.Value = 1e300, 1e300 },
	} {
		in := good
		change(&in)
		_, err := DoseFromStandard(in)
		code := map[string]clinical.Code{"dilution volume": clinical.Missing, "mass in the standard": clinical.NotFinite, "dose": clinical.NotFinite}[field]
		if code == "" {
			code = clinical.NotPositive
		}
		wantError(t, err, code, field)
	}
}

// TestTracerIsTheSameCurve: counts of a tracer with the curve of an iohexol
// study give its clearance.
func TestTracerIsTheSameCurve(t *testing.T) {
	want, err := SlopeIntercept(study())
	if err != nil {
		t.Fatal(err)
	}
	in := study()
	in.Marker = TechnetiumDTPA
	in.Dose = clinical.NewMeasurement(3235e5, "/min")
	in.NominalDose = clinical.Measurement{}
	for i := range in.Samples {
		in.Samples[i].Concentration = perMin(in.Samples[i].Concentration.Value * 100)
	}
	got, err := SlopeIntercept(in)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(float64(got.Normalised-want.Normalised)) > 1e-9 || got.Equation != "99mTc-DTPA-slope-intercept-brochner-mortensen-1972" {
		t.Errorf("got %g by %s, want %g", got.Normalised, got.Equation, want.Normalised)
	}
	if got.Steps[0].Value.Unit != "/min/mL" {
		t.Errorf("got %+v", got.Steps[0])
	}
	in.Dose = clinical.NewMeasurement(3235, "mg")
	_, err = SlopeIntercept(in)
	wantError(t, err, clinical.UnknownUnit, "dose")
}

func TestLimitsOfTracers(t *testing.T) {
	for _, tt := range []struct {
		dose, plasma float64
		field        string
	}{
		{0.995e5, 100, "dose"}, {1e5, 100, ""}, {1e12, 100, ""}, {1.005e12, 100, "dose"},
		{1e8, 0.995, "sample 1 concentration"}, {1e8, 1, ""}, {1e8, 1e7, ""}, {1e8, 1.005e7, "sample 1 concentration"},
	} {
		_, err := ChromiumEDTA.amount("dose", clinical.NewMeasurement(tt.dose, "/min"))
		if err == nil {
			_, err = ChromiumEDTA.concentration("sample 1 concentration", perMin(tt.plasma))
		}
		if tt.field == "" && err != nil {
			t.Errorf("%+v: %v", tt, err)
		} else if tt.field != "" {
			wantError(t, err, clinical.OutOfRange, tt.field)
		}
	}
}

func TestIohexolDose(t *testing.T) {
	mL := func(v float64) clinical.Measurement { return clinical.NewMeasurement(v, "mL") }
	for solution, content := range map[IohexolSolution]float64{
		Iohexol140: 302, Iohexol180: 388, Iohexol200: 431, Iohexol240: 518, Iohexol300: 647, Iohexol350: 755,
	} {
		r, err := IohexolDose(IohexolDoseInput{Solution: solution, Volume: mL(5)})
		if err != nil || math.Abs(r.Value.Value-5*content) > 1e-9 || r.Value.Unit != "mg" {
			t.Errorf("%s: got %+v, %v", solution, r.Value, err)
		}
	}
	// 5.06 mL of 300 mgI/mL are 3273.82 mg (example of the EKFC
	// recommendations).
	r, err := IohexolDose(IohexolDoseInput{Solution: Iohexol300, Volume: mL(5.06)})
	if err != nil || math.Abs(r.Value.Value-3273.82) > 1e-9 {
		t.Errorf("got %+v, %v", r.Value, err)
	}
	weighed := IohexolDoseInput{
		Solution: Iohexol300, FullSyringe: clinical.NewMeasurement(15.2, "g"), EmptySyringe: clinical.NewMeasurement(8500, "mg"), Density: clinical.NewMeasurement(1.34, "g/mL"),
	}
	r, err = IohexolDose(weighed)
	if err != nil || math.Abs(r.Value.Value-3235) > 1e-9 {
		t.Errorf("got %+v, %v", r.Value, err)
	}
	tests := []struct {
		name   string
		change func(*IohexolDoseInput)
		code   clinical.Code
		field  string
	}{
		{"solution", func(in *IohexolDoseInput) { in.Solution = "" }, clinical.UnknownChoice, "solution"},
		{"both ways", func(in *IohexolDoseInput) { in.Volume = mL(5) }, clinical.Missing, "volume"},
		{"neither way", func(in *IohexolDoseInput) { *in = IohexolDoseInput{Solution: Iohexol300} }, clinical.Missing, "volume"},
		{"no full syringe", func(in *IohexolDoseInput) { in.FullSyringe = clinical.Measurement{} }, clinical.Missing, "full syringe"},
		{"no empty syringe", func(in *IohexolDoseInput) { in.EmptySyringe = clinical.Measurement{} }, clinical.Missing, "empty syringe"},
		{"no density", func(in *IohexolDoseInput) { in.Density = clinical.Measurement{} }, clinical.Missing, "density"},
		{"nothing left the syringe", func(in *IohexolDoseInput) { in.EmptySyringe = in.FullSyringe }, clinical.WrongOrder, "full syringe"},
		{"lighter than water", func(in *IohexolDoseInput) { in.Density.Value = 0.995 }, clinical.OutOfRange, "density"},
		{"too dense", func(in *IohexolDoseInput) { in.Density.Value = 1.61 }, clinical.OutOfRange, "density"},
		{"too little", func(in *IohexolDoseInput) { in.FullSyringe.Value = 8.7 }, clinical.OutOfRange, "dose"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := weighed
			tt.change(&in)
			_, err := IohexolDose(in)
			wantError(t, err, tt.code, tt.field)
		})
	}
	for _, density := range []float64{1, 1.6} {
		in := weighed
		in.Density.Value = density
		if _, err := IohexolDose(in); err != nil {
			t.Error(err)
		}
	}
}

// TestCorrectionOfTheAbsoluteClearance: the published inputs of the EKFC
// recommendations (Ebert, Kidney Int 2024), computed in both orders.
func TestCorrectionOfTheAbsoluteClearance(t *testing.T) {
	const surface = 1.73 * 73.03775 / 64.20698
	for correction, want := range map[Correction]float64{BrochnerMortensen1972: 58.59361, BrochnerMortensen1972Absolute: 57.90301, Jodal2009: 58.53305} {
		_, normalised, err := Correct(correction, 73.03775, surface)
		if err != nil || math.Abs(float64(normalised)-want) > 1e-4 {
			t.Errorf("%s: got %g, %v, want %g", correction, normalised, err, want)
		}
	}
	absolute, _, err := Correct(BrochnerMortensen1972Absolute, 73.03775, surface)
	if err != nil || math.Abs(float64(absolute)-65.86676) > 1e-5 {
		t.Errorf("got %g, %v", absolute, err)
	}
	for _, tt := range []struct {
		correction Correction
		clearance  AbsoluteGFR
		surface    float64
		ok         bool
	}{
		{BrochnerMortensen1972, 200, 1.73, true}, {BrochnerMortensen1972, 200.5, 1.73, false},
		{BrochnerMortensen1972, 230, 2.0, true}, {BrochnerMortensen1972Absolute, 201, 2.0, false}, {Jodal2009, 201, 2.0, false},
		{BrochnerMortensen1972Absolute, 200, 2.0, true}, {BrochnerMortensen1972Absolute, 190, 1.5, false},
	} {
		_, _, err := Correct(tt.correction, tt.clearance, tt.surface)
		if (err == nil) != tt.ok {
			t.Errorf("%+v: got %v", tt, err)
		}
	}
}

func TestExpectedGFRFromSplit(t *testing.T) {
	percent := func(v float64) clinical.Measurement { return clinical.NewMeasurement(v, "%") }
	r, err := ExpectedGFRFromSplit(estimated(105), percent(48), DefaultCompensation())
	if err != nil || math.Abs(r.Value.Value-65.52) > 1e-9 {
		t.Errorf("got %+v, %v", r.Value, err)
	}
	for _, tt := range []struct {
		gfr, percent float64
		compensation Compensation
		code         clinical.Code
		field        string
	}{
		{4.9, 48, 1.3, clinical.OutOfRange, "GFR before donation"},
		{105, 0, 1.3, clinical.NotPositive, "part of the remaining kidney"},
		{105, 9.95, 1.3, clinical.OutOfRange, "part of the remaining kidney"},
		{105, 90.5, 1, clinical.OutOfRange, "part of the remaining kidney"},
		{105, 80, 1.3, clinical.OutOfRange, "compensation"},
		{105, 50.1, 2, clinical.OutOfRange, "compensation"},
		{105, 48, 0.995, clinical.OutOfRange, "compensation"},
		{105, 48, 2.01, clinical.OutOfRange, "compensation"},
		{105, 48, Compensation(math.NaN()), clinical.OutOfRange, "compensation"},
	} {
		_, err := ExpectedGFRFromSplit(estimated(tt.gfr), percent(tt.percent), tt.compensation)
		wantError(t, err, tt.code, tt.field)
	}
	for part, compensation := range map[float64]Compensation{10: 1, 90: 1, 50: 2} {
		if _, err := ExpectedGFRFromSplit(estimated(5), percent(part), compensation); err != nil {
			t.Error(err)
		}
	}
}

// TestTracersScale: what is counted has no influence, only its ratio.
func TestTracersScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gross := rapid.Float64Range(200, 1e5).Draw(t, "gross")
		background := rapid.Float64Range(1, 100).Draw(t, "background")
		hours := rapid.Float64Range(0.1, 30).Draw(t, "hours")
		first, err := NetCountRate(counted(TechnetiumDTPA, gross, background, hours))
		if err != nil {
			t.Fatal(err)
		}
		second, err := NetCountRate(counted(TechnetiumDTPA, 2*gross, 2*background, hours))
		if err != nil {
			t.Fatal(err)
		}
		later, err := NetCountRate(counted(TechnetiumDTPA, gross, background, hours*1.1))
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(second.Value.Value/first.Value.Value-2) > 1e-9 || later.Value.Value <= first.Value.Value {
			t.Fatalf("%g, %g, %g", first.Value.Value, second.Value.Value, later.Value.Value)
		}
	})
}

// TestCorrectionsByTheTable: the worked values of each correction for x, and for
// Jodal2009 those of a clearance and a surface in mL/min.
func TestCorrectionsByTheTable(t *testing.T) {
	for _, tt := range []struct{ x, bm, fleming, ng float64 }{
		{60, 55.06188, 54.44646, 55.97015}, {100, 86.89780, 85.47009, 89.28571}, {120, 101.3542, 99.66777, 104.8951}, {150, 121.2117, 119.5219, 127.1186},
	} {
		for correction, want := range map[Correction]float64{BrochnerMortensen1972: tt.bm, BrochnerMortensen1972Absolute: tt.bm, Fleming2007: tt.fleming, Ng2011: tt.ng} {
			if got := correction.apply(tt.x, 1.9); math.Abs(got-want) > 1e-4 {
				t.Errorf("%s of %g: got %g, want %g", correction, tt.x, got, want)
			}
		}
	}
	for _, tt := range []struct{ clearance, surface, want float64 }{{100, 1.73, 86.43608}, {120, 1.90, 102.8537}, {80, 1.55, 69.88038}} {
		if got := Jodal2009.apply(tt.clearance, tt.surface); math.Abs(got-tt.want) > 1e-4 {
			t.Errorf("jodal of %g: got %g, want %g", tt.clearance, got, tt.want)
		}
	}
}
