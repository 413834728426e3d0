package renal

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
)

func estimated(gfr float64) clinical.Measurement {
	return clinical.NewMeasurement(gfr, "mL/min/{1.73_m2}")
}

func samples(pairs ...float64) []Sample {
	var list []Sample
	for i := 0; i+1 < len(pairs); i += 2 {
		list = append(list, Sample{clinical.NewMeasurement(pairs[i], "min"), clinical.NewMeasurement(pairs[i+1], "ug/mL")})
	}
	return list
}

// study is a study without any warning; the tests change one thing in it.
func study() SlopeInterceptInput {
	return SlopeInterceptInput{PlasmaStudy: PlasmaStudy{
		Dose:                    clinical.NewMeasurement(3235, "mg"),
		NominalDose:             clinical.NewMeasurement(3235, "mg"),
		SyringeResidualMeasured: clinical.Yes,
		Extravasation:           clinical.No,
		Samples:                 samples(120, 127.4, 180, 91.2, 240, 65.3),
		Size:                    body.Size{Height: clinical.NewMeasurement(172, "cm"), Weight: clinical.NewMeasurement(68, "kg")},
		SurfaceArea:             body.DuBois,
		Estimated:               estimated(70),
		MarkerQuestions: MarkerQuestions{
			IodineAllergy: clinical.No, ThyroidDisease: clinical.No, Pregnancy: clinical.No, RecentContrast: clinical.No,
		},
		Uncertainty: &PlasmaUncertainty{
			Concentration: clinical.NewMeasurement(6, "%"), Dose: clinical.NewMeasurement(1, "%"), Time: clinical.NewMeasurement(1, "min"),
		},
	}, Correction: BrochnerMortensen1972}
}

func TestPlasmaClearanceRefuses(t *testing.T) {
	tests := []struct {
		name   string
		change func(*SlopeInterceptInput)
		code   clinical.Code
		field  string
	}{
		{"no dose", func(in *SlopeInterceptInput) { in.Dose = clinical.Measurement{} }, clinical.Missing, "dose"},
		{"dose NaN", func(in *SlopeInterceptInput) { in.Dose.Quantity.Value = math.NaN() }, clinical.NotFinite, "dose"},
		{"dose zero", func(in *SlopeInterceptInput) { in.Dose.Quantity.Value = 0 }, clinical.NotPositive, "dose"},
		{"dose in g typed as mg", func(in *SlopeInterceptInput) { in.Dose.Quantity.Value = 3.235 }, clinical.OutOfRange, "dose"},
		{"dose in mL", func(in *SlopeInterceptInput) { in.Dose.Quantity.Unit = "mL" }, clinical.UnknownUnit, "dose"},
		{"nominal dose negative", func(in *SlopeInterceptInput) { in.NominalDose.Quantity.Value = -1 }, clinical.NotPositive, "nominal dose"},
		{"extravasation not answered", func(in *SlopeInterceptInput) { in.Extravasation = clinical.NotRecorded }, clinical.Missing, "extravasation"},
		{"extravasation", func(in *SlopeInterceptInput) { in.Extravasation = clinical.Yes }, clinical.QualityRefused, "extravasation"},
		{"answer not known", func(in *SlopeInterceptInput) { in.MarkerQuestions.Pregnancy = "maybe" }, clinical.UnknownChoice, "pregnancy"},
		{"no size", func(in *SlopeInterceptInput) { in.Size = body.Size{} }, clinical.Missing, "height"},
		{"surface formula not known", func(in *SlopeInterceptInput) { in.SurfaceArea = "x" }, clinical.UnknownChoice, "surface area formula"},
		{"correction not known", func(in *SlopeInterceptInput) { in.Correction = "x" }, clinical.UnknownChoice, "correction"},
		{"estimate negative", func(in *SlopeInterceptInput) { in.Estimated = estimated(-1) }, clinical.NotPositive, "estimated GFR"},
		{"estimate NaN", func(in *SlopeInterceptInput) { in.Estimated = estimated(math.NaN()) }, clinical.NotFinite, "estimated GFR"},
		{"no samples", func(in *SlopeInterceptInput) { in.Samples = nil }, clinical.TooFew, "samples"},
		{"one sample", func(in *SlopeInterceptInput) { in.Samples = samples(180, 91) }, clinical.TooFew, "samples"},
		{"one late sample", func(in *SlopeInterceptInput) { in.Samples = samples(60, 150, 119, 128, 240, 65) }, clinical.TooFew, "samples"},
		{"time negative", func(in *SlopeInterceptInput) { in.Samples = samples(-120, 127, 240, 65) }, clinical.NotPositive, "sample 1 time"},
		{"time out of limits", func(in *SlopeInterceptInput) { in.Samples = samples(120, 127, 2881, 65) }, clinical.OutOfRange, "sample 2 time"},
		{"concentration zero", func(in *SlopeInterceptInput) { in.Samples = samples(120, 127, 240, 0) }, clinical.NotPositive, "sample 2 concentration"},
		{"concentration NaN", func(in *SlopeInterceptInput) { in.Samples = samples(120, math.NaN(), 240, 65) }, clinical.NotFinite, "sample 1 concentration"},
		{"concentration out of limits", func(in *SlopeInterceptInput) { in.Samples = samples(120, 5001, 240, 65) }, clinical.OutOfRange, "sample 1 concentration"},
		{"times equal", func(in *SlopeInterceptInput) { in.Samples = samples(120, 127, 120, 65) }, clinical.WrongOrder, "sample 2 time"},
		{"times fall", func(in *SlopeInterceptInput) { in.Samples = samples(240, 65, 120, 127) }, clinical.WrongOrder, "sample 2 time"},
		{"concentrations rise", func(in *SlopeInterceptInput) { in.Samples = samples(120, 127, 180, 130, 240, 65) }, clinical.WrongOrder, "samples"},
		{"concentrations rise within 2 %", func(in *SlopeInterceptInput) { in.Samples = samples(120, 100, 240, 101) }, clinical.QualityRefused, "samples"},
		{"concentrations equal", func(in *SlopeInterceptInput) { in.Samples = samples(120, 100, 240, 100) }, clinical.QualityRefused, "samples"},
		// A middle sample that is wrong leaves the slope as it is: only the
		// residual of 18.7 % shows it.
		{"one sample off the line", func(in *SlopeInterceptInput) { in.Samples = samples(120, 127.4, 180, 118.0, 240, 65.3) }, clinical.QualityRefused, "samples"},
		{"half-life too short", func(in *SlopeInterceptInput) { in.Samples = samples(120, 400, 240, 40) }, clinical.QualityRefused, "half-life"},
		{"half-life too long", func(in *SlopeInterceptInput) { in.Samples = samples(120, 100, 240, 90) }, clinical.QualityRefused, "half-life"},
		{"clearance not plausible", func(in *SlopeInterceptInput) { in.Samples = samples(120, 20, 240, 9) }, clinical.OutOfRange, "uncorrected clearance"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := study()
			tt.change(&in)
			_, err := SlopeIntercept(in)
			wantError(t, err, tt.code, tt.field)
		})
	}
}

func TestPlasmaClearanceWarnings(t *testing.T) {
	tests := []struct {
		name   string
		change func(*SlopeInterceptInput)
		want   []clinical.WarningCode
	}{
		{"nothing", func(*SlopeInterceptInput) {}, nil},
		{"early sample", func(in *SlopeInterceptInput) { in.Samples = samples(60, 200, 120, 127.4, 180, 91.2, 240, 65.3) }, []clinical.WarningCode{EarlySampleNotFitted}},
		{"two samples", func(in *SlopeInterceptInput) { in.Samples = samples(120, 127.4, 240, 65.3) }, []clinical.WarningCode{TwoSamplesOnly}},
		{"last sample late", func(in *SlopeInterceptInput) { in.Samples = samples(120, 127.4, 180, 91.2, 301, 46.5) }, []clinical.WarningCode{LastSampleLate}},
		{"last sample late at a lower estimate", func(in *SlopeInterceptInput) {
			in.Samples = samples(120, 127.4, 180, 91.2, 301, 46.5)
			in.Estimated = estimated(59)
		}, nil},
		{"short span", func(in *SlopeInterceptInput) { in.Samples = samples(120, 127.4, 160, 101.9, 209, 77.6) }, []clinical.WarningCode{SampleSpanShort}},
		{"low estimate", func(in *SlopeInterceptInput) { in.Estimated = estimated(29) }, []clinical.WarningCode{LateSampleNeeded, EstimateDisagrees}},
		{"residual", func(in *SlopeInterceptInput) { in.Samples = samples(120, 127.4, 180, 100.0, 240, 65.3) }, []clinical.WarningCode{CorrelationLow, ResidualLarge, ScatterExceedsAssay}},
		{"long half-life", func(in *SlopeInterceptInput) {
			in.Samples = samples(120, 150, 240, 109)
			in.Estimated = estimated(40)
		}, []clinical.WarningCode{TwoSamplesOnly, HalfLifeUnusual}},
		{"small volume", func(in *SlopeInterceptInput) {
			in.Samples = samples(120, 184, 240, 94.3)
			in.Estimated = estimated(45)
		}, []clinical.WarningCode{TwoSamplesOnly, VolumeUnusualForSurface}},
		{"very small volume", func(in *SlopeInterceptInput) {
			in.Samples = samples(120, 300, 240, 100)
			in.Size.Weight = clinical.NewMeasurement(90, "kg")
			in.Estimated = estimated(30)
		}, []clinical.WarningCode{TwoSamplesOnly, VolumeUnusual, VolumeUnusualForSurface}},
		{"syringe not measured", func(in *SlopeInterceptInput) { in.SyringeResidualMeasured = clinical.No }, []clinical.WarningCode{DoseUncertain}},
		{"syringe not recorded", func(in *SlopeInterceptInput) { in.SyringeResidualMeasured = clinical.NotRecorded }, []clinical.WarningCode{DoseUncertain}},
		{"dose not nominal", func(in *SlopeInterceptInput) { in.NominalDose = clinical.NewMeasurement(3600, "mg") }, []clinical.WarningCode{DoseNotNominal}},
		{"no nominal dose", func(in *SlopeInterceptInput) { in.NominalDose = clinical.Measurement{} }, nil},
		{"no estimate", func(in *SlopeInterceptInput) { in.Estimated = clinical.Measurement{} }, []clinical.WarningCode{EstimateNotCompared}},
		{"estimate disagrees", func(in *SlopeInterceptInput) { in.Estimated = estimated(82) }, []clinical.WarningCode{EstimateDisagrees}},
		{"estimate nearly disagrees", func(in *SlopeInterceptInput) { in.Estimated = estimated(81.9) }, nil},
		{"marker", func(in *SlopeInterceptInput) {
			in.MarkerQuestions.RecentContrast = clinical.Yes
			in.MarkerQuestions.Pregnancy = clinical.NotRecorded
		}, []clinical.WarningCode{MarkerQuestionNotRecorded, MarkerCaution}},
		{"large", func(in *SlopeInterceptInput) {
			in.Size = body.Size{Height: clinical.NewMeasurement(168, "cm"), Weight: clinical.NewMeasurement(110, "kg")}
			in.Estimated = estimated(55)
		}, []clinical.WarningCode{body.SurfaceAreaFormulasDiverge, VolumeUnusualForSurface}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := study()
			tt.change(&in)
			g, err := SlopeIntercept(in)
			if err != nil {
				t.Fatal(err)
			}
			wantWarnings(t, g.Result, tt.want)
		})
	}
}

func TestTwoSamplesHaveNoRSquared(t *testing.T) {
	f, err := FitSlope(samples(120, 98, 240, 44))
	if err != nil || f.RSquared != nil || f.LargestResidual > 1e-12 {
		t.Errorf("got %+v, %v", f, err)
	}
}

func TestEquationNamesTheCorrection(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range Corrections() {
		in := study()
		in.Correction = c
		g, err := SlopeIntercept(in)
		if err != nil {
			t.Fatal(err)
		}
		if g.Value != g.Normalised.Quantity() || math.Abs(float64(g.Absolute.normalise(1.802772)-g.Normalised)) > 1e-4 {
			t.Errorf("%s: the two forms %g and %g do not agree", c, g.Normalised, g.Absolute)
		}
		seen[g.Equation] = true
	}
	in := study()
	in.Correction = ""
	g, err := SlopeIntercept(in)
	if err != nil || g.Equation != "iohexol-slope-intercept-brochner-mortensen-1972" || len(seen) != len(Corrections()) {
		t.Errorf("got %q, %v, and %v", g.Equation, err, seen)
	}
}

func TestFitAndClearanceRefuse(t *testing.T) {
	// So steep that the intercept cannot be represented.
	_, err := FitSlope(samples(1000, 5000, 1001, 0.5))
	wantError(t, err, clinical.QualityRefused, "samples")
	fit, err := FitSlope(samples(120, 98, 240, 44))
	if err != nil {
		t.Fatal(err)
	}
	for _, dose := range []float64{math.NaN(), math.Inf(1), 0, -1} {
		if _, err := fit.Clearance(dose); err == nil {
			t.Errorf("a dose of %g is accepted", dose)
		}
	}
	if _, err := (SlopeFit{}).Clearance(3235e3); err == nil {
		t.Error("an empty fit has a clearance")
	}
	for _, clearance := range []AbsoluteGFR{AbsoluteGFR(math.NaN()), 0, -5, 200.1} {
		if _, _, err := Correct(Ng2011, clearance, 1.73); err == nil {
			t.Errorf("a clearance of %g is corrected", clearance)
		}
	}
}

// drawDecay draws samples that scatter by up to 3 % around an exponential.
func drawDecay(t *rapid.T) []Sample {
	c0 := rapid.Float64Range(200, 300).Draw(t, "c0")
	k := rapid.Float64Range(0.003, 0.009).Draw(t, "k")
	n := rapid.IntRange(3, 8).Draw(t, "n")
	var list []Sample
	for i := range n {
		minutes := 120 + float64(i)*25
		scatter := rapid.Float64Range(0.97, 1.03).Draw(t, "scatter")
		list = append(list, samples(minutes, c0*math.Exp(-k*minutes)*scatter)...)
	}
	return list
}

// TestFitAgreesWithGonum compares the fit with another implementation.
func TestFitAgreesWithGonum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := drawDecay(t)
		var minutes, logs []float64
		for _, s := range list {
			minutes = append(minutes, s.Time.Quantity.Value)
			logs = append(logs, math.Log(s.Concentration.Quantity.Value))
		}
		fit, err := FitSlope(list)
		if err != nil {
			t.Skip("the scatter made a concentration rise")
		}
		intercept, slope := stat.LinearRegression(minutes, logs, nil, false)
		r2 := stat.RSquared(minutes, logs, nil, intercept, slope)
		if math.Abs(fit.K+slope) > 1e-12 || math.Abs(math.Log(fit.C0)-intercept) > 1e-9 || math.Abs(*fit.RSquared-r2) > 1e-9 {
			t.Fatalf("%+v, but gonum has the slope %g, the intercept %g and r squared %g", fit, slope, intercept, r2)
		}
	})
}

// TestClearanceAgreesWithIntegration compares the clearance with the dose over
// the area under the same exponential, by trapezoids and an exact tail.
func TestClearanceAgreesWithIntegration(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c0 := rapid.Float64Range(150, 350).Draw(t, "c0")
		k := rapid.Float64Range(0.003, 0.012).Draw(t, "k")
		concentration := func(minutes float64) float64 { return c0 * math.Exp(-k*minutes) }
		fit, err := FitSlope(samples(120, concentration(120), 180, concentration(180), 240, concentration(240)))
		if err != nil {
			t.Fatal(err)
		}
		clearance, err := fit.Clearance(3235e3)
		if err != nil {
			t.Fatal(err)
		}
		const end, step = 600.0, 0.25
		area := concentration(end) / k
		for minutes := 0.0; minutes < end; minutes += step {
			area += (concentration(minutes) + concentration(minutes+step)) / 2 * step
		}
		if want := 3235 * 1000 / area; math.Abs(float64(clearance)/want-1) > 1e-5 {
			t.Fatalf("the clearance is %g, by integration %g", clearance, want)
		}
	})
}

// TestClearanceScales: dose and concentrations scaled together are the same GFR.
func TestClearanceScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		factor := rapid.Float64Range(0.1, 5).Draw(t, "factor")
		in := study()
		in.Correction = rapid.SampledFrom(Corrections()).Draw(t, "correction")
		base, err := SlopeIntercept(in)
		if err != nil {
			t.Fatal(err)
		}
		scaled := in
		scaled.Dose = clinical.NewMeasurement(3235*factor, "mg")
		scaled.Samples = samples(120, 127.4*factor, 180, 91.2*factor, 240, 65.3*factor)
		got, err := SlopeIntercept(scaled)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(got.Normalised-base.Normalised)) > 1e-9 {
			t.Fatalf("%g and %g", base.Normalised, got.Normalised)
		}
	})
}

// TestCorrectionsLower: the early curve left out always makes the clearance too
// high.
func TestCorrectionsLower(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(Corrections()).Draw(t, "correction")
		surface := rapid.Float64Range(1.3, 2.5).Draw(t, "surface")
		clearance := AbsoluteGFR(rapid.Float64Range(10, 130).Draw(t, "clearance"))
		absolute, normalised, err := Correct(c, clearance, surface)
		if err != nil {
			t.Fatal(err)
		}
		if absolute >= clearance || normalised >= clearance.normalise(surface) {
			t.Fatalf("%s raises %g to %g", c, clearance, absolute)
		}
	})
}

func BenchmarkSlopeIntercept(b *testing.B) {
	in := study()
	for b.Loop() {
		if _, err := SlopeIntercept(in); err != nil {
			b.Fatal(err)
		}
	}
}

// decay is a study of exact concentrations with a half-life in min and a volume
// of distribution in mL, two samples 120 min apart.
func decay(halfLife, volumeML float64) SlopeInterceptInput {
	in := study()
	k, c0 := math.Ln2/halfLife, 3235e3/volumeML
	in.Samples = samples(120, c0*math.Exp(-k*120), 240, c0*math.Exp(-k*240))
	in.Estimated = clinical.Measurement{}
	return in
}

// TestQualityLimits looks just beside each limit.
func TestQualityLimits(t *testing.T) {
	const surface = 1.8027719 // Du Bois, 172 cm and 68 kg
	expected := 8116.6*surface - 28.2
	middle := func(factor float64) SlopeInterceptInput {
		in := study()
		in.Samples[1].Concentration.Value = math.Sqrt(127.4*65.3) * factor
		return in
	}
	span := func(last float64) SlopeInterceptInput {
		in := study()
		in.Samples = samples(120, 127.4, 160, 101.9, last, 127.4*math.Exp(-0.005569498*(last-120)))
		return in
	}
	late := func(estimate float64) SlopeInterceptInput {
		in := study()
		in.Samples = samples(120, 127.4, 180, 91.2, 301, 46.5)
		in.Estimated = estimated(estimate)
		return in
	}
	low := func(estimate float64) SlopeInterceptInput {
		in := study()
		in.Estimated = estimated(estimate)
		return in
	}
	planned := func(factor float64) SlopeInterceptInput {
		in := study()
		in.NominalDose.Value = 3235 / factor
		return in
	}
	// A middle sample that is off by a factor f leaves residuals of f^(-1/3) - 1
	// at the ends and f^(2/3) - 1 in the middle.
	off := func(residual float64) float64 { return math.Pow(1+residual, 1.5) }
	tests := []struct {
		name    string
		in      SlopeInterceptInput
		warning clinical.WarningCode // that is expected, or QualityRefused
		there   bool
	}{
		{"half-life 39.8", decay(39.8, 30000), refusedForQuality, true}, {"half-life 40.2", decay(40.2, 9000), refusedForQuality, false},
		{"half-life 599", decay(599, 13000), refusedForQuality, false}, {"half-life 601", decay(601, 13000), refusedForQuality, true},
		{"half-life 49.8", decay(49.8, 9000), HalfLifeUnusual, true}, {"half-life 50.2", decay(50.2, 9000), HalfLifeUnusual, false},
		{"half-life 249", decay(249, 13000), HalfLifeUnusual, false}, {"half-life 251", decay(251, 13000), HalfLifeUnusual, true},
		{"volume 0.0998 L/kg", decay(120, 68*99.8), VolumeUnusual, true}, {"volume 0.1002 L/kg", decay(120, 68*100.2), VolumeUnusual, false},
		{"volume 0.299 L/kg", decay(150, 68*299), VolumeUnusual, false}, {"volume 0.301 L/kg", decay(150, 68*301), VolumeUnusual, true},
		{"volume 25 % above", decay(120, expected*1.25*(1-5e-6)), VolumeUnusualForSurface, false},
		{"volume more than 25 % above", decay(120, expected*1.25*(1+5e-6)), VolumeUnusualForSurface, true},
		{"volume 25 % below", decay(120, expected*0.75*(1+5e-6)), VolumeUnusualForSurface, false},
		{"volume more than 25 % below", decay(120, expected*0.75*(1-5e-6)), VolumeUnusualForSurface, true},
		{"residual 9.97 %", middle(off(0.0997)), refusedForQuality, false}, {"residual 10.03 %", middle(off(0.1003)), refusedForQuality, true},
		{"residual 4.98 %", middle(off(0.0498)), ResidualLarge, false}, {"residual 5.02 %", middle(off(0.0502)), ResidualLarge, true},
		{"span 89.9 min", span(209.9), SampleSpanShort, true}, {"span 90 min", span(210), SampleSpanShort, false},
		{"late at 60", late(60), LastSampleLate, true}, {"late at 59.9", late(59.9), LastSampleLate, false},
		{"estimate 30", low(30), LateSampleNeeded, false}, {"estimate 29.9", low(29.9), LateSampleNeeded, true},
		{"dose 9.97 % above", planned(1.0997), DoseNotNominal, false}, {"dose 10.03 % above", planned(1.1003), DoseNotNominal, true},
		{"dose 9.97 % below", planned(0.9003), DoseNotNominal, false}, {"dose 10.03 % below", planned(0.8997), DoseNotNominal, true},
	}
	for _, tt := range tests {
		g, err := SlopeIntercept(tt.in)
		if tt.warning == refusedForQuality {
			if refused := err != nil; refused != tt.there {
				t.Errorf("%s: got %v", tt.name, err)
			} else if refused {
				var e *clinical.Error
				if !errors.As(err, &e) || e.Code != clinical.QualityRefused {
					t.Errorf("%s: got %v", tt.name, err)
				}
			}
			continue
		}
		if err != nil || g.HasWarning(tt.warning) != tt.there {
			t.Errorf("%s: got %v, %v", tt.name, g.Warnings, err)
		}
	}
}

const refusedForQuality clinical.WarningCode = ""

// TestCorrelationLimit looks for the middle sample at which r squared is 0.985.
func TestCorrelationLimit(t *testing.T) {
	for _, tt := range []struct {
		r2   float64
		want bool
	}{{0.9851, false}, {0.9849, true}} {
		low, high := 1.0, 1.2
		for range 100 {
			factor := (low + high) / 2
			fit, err := FitSlope(samples(120, 127.4, 180, math.Sqrt(127.4*65.3)*factor, 240, 65.3))
			if err != nil {
				t.Fatal(err)
			}
			if *fit.RSquared > tt.r2 {
				low = factor
			} else {
				high = factor
			}
		}
		in := study()
		in.Samples[1].Concentration.Value = math.Sqrt(127.4*65.3) * low
		g, err := SlopeIntercept(in)
		if err != nil || g.HasWarning(CorrelationLow) != tt.want {
			t.Errorf("r squared %g: got %v, %v", tt.r2, g.Warnings, err)
		}
	}
}

// TestWhatIsShownOfTheFit: percentages and litres in words and steps.
func TestWhatIsShownOfTheFit(t *testing.T) {
	in := study()
	in.Samples[1].Concentration.Value = math.Sqrt(127.4*65.3) * 1.13
	in.Size.Weight = clinical.NewMeasurement(160, "kg")
	g, err := SlopeIntercept(in)
	if err != nil {
		t.Fatal(err)
	}
	residual, litres := clinical.Display(100*g.Fit.LargestResidual, 1), clinical.Display(g.VolumeOfDistribution/1000/160, 2)
	for code, want := range map[clinical.WarningCode]string{
		ResidualLarge: "a sample is " + residual + " % off", VolumeUnusual: "the volume of distribution is " + litres + " L/kg",
	} {
		i := slices.IndexFunc(g.Warnings, func(w clinical.Warning) bool { return w.Code == code })
		if i < 0 || !strings.HasPrefix(g.Warnings[i].Message, want) {
			t.Errorf("got %v, want %q", g.Warnings, want)
		}
	}
	i := slices.IndexFunc(g.Steps, func(s clinical.Step) bool { return s.Text == "largest residual" })
	if got := g.Steps[i].Value.Value; math.Abs(got-100*g.Fit.LargestResidual) > 1e-12 {
		t.Errorf("the step says %g", got)
	}
	in.Samples[1].Concentration.Value *= 1.1
	if _, err = SlopeIntercept(in); err == nil || !strings.Contains(err.Error(), "a sample is 15.6 %") {
		t.Errorf("got %v", err)
	}
}

func TestLimitsOfEntry(t *testing.T) {
	for _, tt := range []struct {
		dose, minutes, concentration float64
		field                        string
	}{
		{99.6, 180, 60, "dose"}, {100, 180, 60, ""}, {20000, 180, 60, ""}, {20100, 180, 60, "dose"},
		{3235, 0.996, 60, "time"}, {3235, 1, 60, ""}, {3235, 2880, 60, ""}, {3235, 2890, 60, "time"},
		{3235, 180, 0.498, "concentration"}, {3235, 180, 0.5, ""}, {3235, 180, 5000, ""}, {3235, 180, 5010, "concentration"},
	} {
		_, err := Iohexol.amount("dose", clinical.NewMeasurement(tt.dose, "mg"))
		if err == nil {
			_, err = Iohexol.pointsOf(samples(tt.minutes, tt.concentration))
		}
		var e *clinical.Error
		if errors.As(err, &e); (e != nil) != (tt.field != "") || e != nil && (e.Code != clinical.OutOfRange || !strings.HasSuffix(e.Field, tt.field)) {
			t.Errorf("%+v: got %v", tt, err)
		}
	}
}

// TestTextsBesideALimit: what is refused or warned about is shown with as many
// digits as it takes to see why.
func TestTextsBesideALimit(t *testing.T) {
	middle := func(residual float64) SlopeInterceptInput {
		in := study()
		in.Samples[1].Concentration.Value = math.Sqrt(127.4*65.3) * math.Pow(1+residual, 1.5)
		return in
	}
	for _, tt := range []struct {
		in   SlopeInterceptInput
		want string
	}{
		{middle(0.1003), "a sample is 10.03 % off the fitted curve"}, {middle(0.15), "a sample is 15.0 % off the fitted curve"},
		{decay(30, 9000), "a half-life of 30 min is not plausible"}, {decay(39.7, 9000), "a half-life of 39.7 min is not plausible"},
		{decay(700, 13000), "a half-life of 700 min is not plausible"}, {decay(600.4, 13000), "a half-life of 600.4 min is not plausible"},
	} {
		if _, err := SlopeIntercept(tt.in); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("got %v, want %q", err, tt.want)
		}
	}
	for residual, want := range map[float64]string{0.0502: "a sample is 5.02 % off", 0.07: "a sample is 7.0 % off"} {
		g, err := SlopeIntercept(middle(residual))
		i := slices.IndexFunc(g.Warnings, func(w clinical.Warning) bool { return w.Code == ResidualLarge })
		if err != nil || i < 0 || !strings.HasPrefix(g.Warnings[i].Message, want) {
			t.Errorf("got %v, %v, want %q", g.Warnings, err, want)
		}
	}
	for litresPerKg, want := range map[float64]string{0.3002: "is 0.3002 L/kg", 0.35: "is 0.35 L/kg", 0.0998: "is 0.0998 L/kg"} {
		g, err := SlopeIntercept(decay(120, litresPerKg*68*1000))
		if litresPerKg > 0.3 {
			g, err = SlopeIntercept(decay(200, litresPerKg*68*1000))
		}
		i := slices.IndexFunc(g.Warnings, func(w clinical.Warning) bool { return w.Code == VolumeUnusual })
		if err != nil || i < 0 || !strings.Contains(g.Warnings[i].Message, want) {
			t.Errorf("got %v, %v, want %q", g.Warnings, err, want)
		}
	}
}
