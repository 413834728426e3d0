package renal

import (
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/optimize"
	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

// sampleTimes is a usual schedule with early and late samples, in min.
var sampleTimes = []float64{5, 15, 30, 60, 90, 120, 150, 180, 210, 240}

// exactly returns the samples of two exponentials at some times.
func exactly(f TwoCompartmentFit, times ...float64) []Sample {
	var list []Sample
	for _, t := range times {
		list = append(list, samples(t, f.Concentration(t))...)
	}
	return list
}

// The worked examples of two compartments, with the clearance of 3235 mg.
var workedCompartments = []struct {
	curve     TwoCompartmentFit
	clearance float64
}{
	{TwoCompartmentFit{A: 210, Alpha: 0.045, B: 190, Beta: 0.0055}, 82.50000},
	{TwoCompartmentFit{A: 260, Alpha: 0.055, B: 230, Beta: 0.0048}, 61.45057},
	{TwoCompartmentFit{A: 150, Alpha: 0.035, B: 160, Beta: 0.0062}, 107.5031},
}

func early() PlasmaStudy {
	in := study().PlasmaStudy
	in.Samples = exactly(workedCompartments[0].curve, sampleTimes...)
	in.Estimated = estimated(79)
	in.Uncertainty = nil
	return in
}

// TestTwoCompartmentsFindTheCurve: without noise the fit finds the curve that
// the samples were taken from.
func TestTwoCompartmentsFindTheCurve(t *testing.T) {
	near := func(got, want float64) bool { return math.Abs(got/want-1) < 1e-7 }
	for _, tt := range workedCompartments {
		fit, err := FitTwoCompartments(exactly(tt.curve, sampleTimes...))
		if err != nil {
			t.Fatal(err)
		}
		if !near(fit.A, tt.curve.A) || !near(fit.Alpha, tt.curve.Alpha) || !near(fit.B, tt.curve.B) || !near(fit.Beta, tt.curve.Beta) {
			t.Errorf("got %+v, want %+v", fit, tt.curve)
		}
		clearance, err := fit.Clearance(3235e3)
		if err != nil || math.Abs(float64(clearance)-tt.clearance) > 1e-4 {
			t.Errorf("got the clearance %g, %v, want %g", clearance, err, tt.clearance)
		}
	}
}

// drawCurve draws a plausible curve, and samples that scatter about it.
func drawCurve(t *rapid.T, scatter float64) (TwoCompartmentFit, []Sample) {
	curve := TwoCompartmentFit{
		A:     rapid.Float64Range(120, 300).Draw(t, "a"),
		Alpha: rapid.Float64Range(0.03, 0.06).Draw(t, "alpha"),
		B:     rapid.Float64Range(140, 260).Draw(t, "b"),
		Beta:  rapid.Float64Range(0.004, 0.008).Draw(t, "beta"),
	}
	var list []Sample
	for _, minutes := range sampleTimes {
		factor := 1 + rapid.Float64Range(-scatter, scatter).Draw(t, "scatter")
		list = append(list, samples(minutes, curve.Concentration(minutes)*factor)...)
	}
	return curve, list
}

// TestTwoCompartmentsAgreeWithGonum compares the fit with a general minimiser
// of the same weighted squares.
func TestTwoCompartmentsAgreeWithGonum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		curve, list := drawCurve(t, 0.02)
		fit, err := FitTwoCompartments(list)
		if err != nil {
			t.Fatal(err)
		}
		squares := func(p []float64) float64 {
			var sum float64
			for _, s := range list {
				minutes, c := s.Time.Value, s.Concentration.Value
				off := (math.Exp(p[0]-math.Exp(p[1])*minutes)+math.Exp(p[2]-math.Exp(p[3])*minutes))/c - 1
				sum += off * off
			}
			return sum
		}
		start := []float64{math.Log(curve.A), math.Log(curve.Alpha), math.Log(curve.B), math.Log(curve.Beta)}
		best, err := optimize.Minimize(optimize.Problem{Func: squares}, start, &optimize.Settings{
			Converger: &optimize.FunctionConverge{Absolute: 1e-16, Iterations: 500}, MajorIterations: 5000,
		}, &optimize.NelderMead{})
		if err != nil {
			t.Fatal(err)
		}
		ours := squares([]float64{math.Log(fit.A), math.Log(fit.Alpha), math.Log(fit.B), math.Log(fit.Beta)})
		if ours > best.F*(1+1e-6)+1e-12 {
			t.Fatalf("our squares are %g, those of gonum %g", ours, best.F)
		}
		area := math.Exp(best.X[0]-best.X[1]) + math.Exp(best.X[2]-best.X[3])
		if math.Abs(fit.Area()/area-1) > 2e-3 {
			t.Fatalf("our area is %g, that of gonum %g", fit.Area(), area)
		}
	})
}

// TestAreaAgreesWithIntegration compares the area with quadrature by Gauss and
// Legendre of the fitted curve, and an exact tail.
func TestAreaAgreesWithIntegration(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		curve, _ := drawCurve(t, 0)
		const end = 4000
		area := quad.Fixed(curve.Concentration, 0, end, 400, nil, 0)
		if math.Abs(curve.Area()/area-1) > 1e-6 {
			t.Fatalf("%g, by integration %g", curve.Area(), area)
		}
	})
}

// TestTwoCompartmentScales: dose and concentrations scaled together are the same
// GFR, and so are times scaled with the clearance.
func TestTwoCompartmentScales(t *testing.T) {
	base, err := TwoCompartment(early())
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		factor := rapid.Float64Range(0.2, 5).Draw(t, "factor")
		in := early()
		in.Dose.Value *= factor
		in.NominalDose.Value *= factor
		for i := range in.Samples {
			in.Samples[i].Concentration.Value *= factor
		}
		got, err := TwoCompartment(in)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(got.Normalised/base.Normalised)-1) > 1e-7 {
			t.Fatalf("%g and %g", base.Normalised, got.Normalised)
		}
	})
}

func TestTwoCompartmentWorkedExample(t *testing.T) {
	g, err := TwoCompartment(early())
	if err != nil {
		t.Fatal(err)
	}
	// calculations.md 3a, first row: 82.5 mL/min and 79.16976 for 1.73 m2.
	if math.Abs(float64(g.Absolute)-82.5) > 1e-4 || math.Abs(float64(g.Normalised)-79.16976) > 1e-4 {
		t.Errorf("got %g and %g", g.Absolute, g.Normalised)
	}
	// By hand: 3 235 000 / 400, and dose (A/alpha^2 + B/beta^2) / area^2.
	steady := 3235e3 * (210/(0.045*0.045) + 190/(0.0055*0.0055)) / (39212.121212 * 39212.121212)
	if math.Abs(g.CentralVolume-8087.5) > 1e-2 || math.Abs(g.VolumeOfDistribution/steady-1) > 1e-6 {
		t.Errorf("got the volumes %g and %g, want 8087.5 and %g", g.CentralVolume, g.VolumeOfDistribution, steady)
	}
	if g.Equation != "iohexol-two-compartment" || g.Interval != nil {
		t.Errorf("got %q and %v", g.Equation, g.Interval)
	}
	// A/alpha exp(-alpha 240) + B/beta exp(-beta 240) is 9228.4 of 39212.1.
	after := g.Steps[slices.IndexFunc(g.Steps, func(s clinical.Step) bool { return s.Text == "part of the area after the last sample" })]
	if math.Abs(after.Value.Value-23.5346) > 1e-3 {
		t.Errorf("%g %% of the area is after the last sample", after.Value.Value)
	}
	wantWarnings(t, g.Result, []clinical.WarningCode{AreaExtrapolated, UncertaintyNotStated})
}

// TestTwoCompartmentAgainstSlope: where there is a fast phase, the uncorrected
// slope method gives too much.
func TestTwoCompartmentAgainstSlope(t *testing.T) {
	in := early()
	two, err := TwoCompartment(in)
	if err != nil {
		t.Fatal(err)
	}
	one, err := SlopeIntercept(SlopeInterceptInput{PlasmaStudy: in})
	if err != nil {
		t.Fatal(err)
	}
	// calculations.md 3a: the slow phase alone gives 93.64474.
	if math.Abs(float64(one.Uncorrected)-93.64474) > 0.6 || one.Uncorrected <= two.Absolute {
		t.Errorf("slope %g, two compartments %g", one.Uncorrected, two.Absolute)
	}
}

func TestTwoCompartmentRefuses(t *testing.T) {
	curve := workedCompartments[0].curve
	oneOff := func(index int, factor float64) func(*PlasmaStudy) {
		return func(in *PlasmaStudy) { in.Samples[index].Concentration.Value *= factor }
	}
	at := func(times ...float64) func(*PlasmaStudy) {
		return func(in *PlasmaStudy) { in.Samples = exactly(curve, times...) }
	}
	tests := []struct {
		name   string
		change func(*PlasmaStudy)
		code   clinical.Code
		field  string
	}{
		{"no samples", at(), clinical.TooFew, "samples"},
		{"one early", at(5, 120, 180, 240), clinical.TooFew, "samples"},
		{"second early too early", at(4.99, 60, 120, 180, 240), clinical.TooFew, "samples"},
		{"second early too late", at(5, 90.5, 120, 180, 240), clinical.TooFew, "samples"},
		{"two late", at(5, 30, 90, 120, 240), clinical.TooFew, "samples"},
		{"third late too early", at(5, 30, 90, 119.9, 180, 240), clinical.TooFew, "samples"},
		{"extravasation", func(in *PlasmaStudy) { in.Extravasation = clinical.Yes }, clinical.QualityRefused, "extravasation"},
		{"marker not known", func(in *PlasmaStudy) { in.Marker = "x" }, clinical.UnknownChoice, "marker"},
		{"late concentration rises", oneOff(8, 1.5), clinical.WrongOrder, "samples"},
		{"a sample off the curve", oneOff(3, 1.4), clinical.QualityRefused, "samples"},
		{"no fast phase", func(in *PlasmaStudy) {
			in.Samples = exactly(TwoCompartmentFit{A: 1e-9, Alpha: 1, B: 190, Beta: 0.0055}, sampleTimes...)
			for i := range 5 { // below the slow curve, and falling
				in.Samples[i].Concentration.Value *= 0.9
			}
		}, clinical.QualityRefused, "samples"},
		{"slow half-life too short", func(in *PlasmaStudy) {
			in.Samples = exactly(TwoCompartmentFit{A: 900, Alpha: 0.08, B: 400, Beta: 0.0175}, sampleTimes...)
		}, clinical.QualityRefused, "half-life"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := early()
			tt.change(&in)
			_, err := TwoCompartment(in)
			wantError(t, err, tt.code, tt.field)
		})
	}
}

// TestPhasesKeepTheirLimits: 5, 90 and 120 min count, and the fit uses the
// samples in between.
func TestPhasesKeepTheirLimits(t *testing.T) {
	curve := workedCompartments[0].curve
	fit, err := FitTwoCompartments(exactly(curve, 5, 90, 100, 120, 180, 240))
	if err != nil || fit.Samples != 6 || math.Abs(fit.A/curve.A-1) > 1e-6 {
		t.Errorf("got %+v, %v", fit, err)
	}
}

// TestPhasesThatCannotBeToldApart: a curve whose rates are 1.4 times apart is
// refused, and one of 1.6 times is not, whatever the start.
func TestPhasesThatCannotBeToldApart(t *testing.T) {
	for _, tt := range []struct {
		ratio float64
		ok    bool
	}{{1.4, false}, {1.49, false}, {1.51, true}, {1.6, true}} {
		curve := TwoCompartmentFit{A: 200, Alpha: 0.006 * tt.ratio, B: 200, Beta: 0.006}
		points, err := Iohexol.pointsOf(exactly(curve, sampleTimes...))
		if err != nil {
			t.Fatal(err)
		}
		_, err = refine(points, curve)
		if (err == nil) != tt.ok {
			t.Errorf("ratio %g: got %v", tt.ratio, err)
		}
		// The order of the phases at the start does not matter.
		swapped := TwoCompartmentFit{A: curve.B, Alpha: curve.Beta, B: curve.A, Beta: curve.Alpha}
		fit, err := refine(points, swapped)
		if (err == nil) != tt.ok || err == nil && fit.Alpha < fit.Beta {
			t.Errorf("ratio %g, swapped: got %+v, %v", tt.ratio, fit, err)
		}
	}
}

func TestScatterOfTwoCompartments(t *testing.T) {
	curve := workedCompartments[0].curve
	list := exactly(curve, sampleTimes...)
	list[4].Concentration.Value *= 1.03
	list[7].Concentration.Value *= 0.98
	fit, err := FitTwoCompartments(list)
	if err != nil {
		t.Fatal(err)
	}
	var squares, largest float64
	for _, s := range list {
		off := fit.Concentration(s.Time.Value)/s.Concentration.Value - 1
		squares += off * off
		largest = math.Max(largest, math.Abs(off))
	}
	if math.Abs(fit.Scatter-math.Sqrt(squares/6)) > 1e-12 || math.Abs(fit.LargestResidual-largest) > 1e-12 {
		t.Errorf("got %+v, want the scatter %g and the residual %g", fit, math.Sqrt(squares/6), largest)
	}
	four, err := FitTwoCompartments(exactly(curve, 10, 60, 120, 180, 240)[:5])
	if err != nil || four.Scatter > 1e-6 {
		t.Errorf("got %+v, %v", four, err)
	}
}

func TestTwoCompartmentWarnings(t *testing.T) {
	long := []float64{5, 15, 30, 60, 90, 120, 150, 180, 240, 300}
	tests := []struct {
		name   string
		change func(*PlasmaStudy)
		want   []clinical.WarningCode
	}{
		{"enough of the area", func(in *PlasmaStudy) { in.Samples = exactly(workedCompartments[0].curve, long...) }, nil},
		{"last sample late", func(in *PlasmaStudy) {
			in.Samples = exactly(workedCompartments[0].curve, 5, 15, 30, 60, 90, 120, 180, 240, 301)
		}, []clinical.WarningCode{LastSampleLate}},
		{"short span", func(in *PlasmaStudy) {
			in.Samples = exactly(workedCompartments[0].curve, 5, 15, 30, 60, 90, 120, 150, 209)
		}, []clinical.WarningCode{SampleSpanShort, AreaExtrapolated}},
		{"residual", func(in *PlasmaStudy) {
			in.Samples = exactly(workedCompartments[0].curve, long...)
			in.Samples[3].Concentration.Value *= 1.14
		}, []clinical.WarningCode{ResidualLarge}},
		{"slow half-life", func(in *PlasmaStudy) {
			in.Samples = exactly(TwoCompartmentFit{A: 260, Alpha: 0.055, B: 260, Beta: 0.0027}, long...)
			in.Estimated = estimated(32)
		}, []clinical.WarningCode{HalfLifeUnusual, AreaExtrapolated}},
		{"large volume", func(in *PlasmaStudy) {
			in.Samples = exactly(TwoCompartmentFit{A: 60, Alpha: 0.05, B: 110, Beta: 0.0055}, long...)
			in.Estimated = estimated(140)
		}, []clinical.WarningCode{VolumeUnusual}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := early()
			tt.change(&in)
			g, err := TwoCompartment(in)
			if err != nil {
				t.Fatal(err)
			}
			wantWarnings(t, g.Result, append(tt.want, UncertaintyNotStated))
		})
	}
}

func BenchmarkTwoCompartmentFit(b *testing.B) {
	curve := workedCompartments[0].curve
	list := exactly(curve, sampleTimes...)
	list[3].Concentration.Value *= 1.02
	points, err := Iohexol.pointsOf(list)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := fitTwoCompartments(points); err != nil {
			b.Fatal(err)
		}
	}
}

// TestStepsOfTwoCompartments: what is shown is in the unit beside it.
func TestStepsOfTwoCompartments(t *testing.T) {
	in := early()
	in.Samples[3].Concentration.Value *= 1.03
	g, err := TwoCompartment(in)
	if err != nil {
		t.Fatal(err)
	}
	area := g.Fit.Area()
	after := (g.Fit.A/g.Fit.Alpha*math.Exp(-g.Fit.Alpha*240) + g.Fit.B/g.Fit.Beta*math.Exp(-g.Fit.Beta*240)) / area
	// Of the worked curve 4.7876 % lie before 5 min: 940.26 and 937.06 of 39212.1.
	if share := workedCompartments[0].curve.before(5); math.Abs(share-0.047876) > 1e-6 {
		t.Errorf("a share of %g lies before 5 min", share)
	}
	want := map[string]float64{
		"part of the area before the first sample": 100 * g.Fit.before(5),
		"half-life of the slow phase":              math.Ln2 / g.Fit.Beta, "largest residual": 100 * g.Fit.LargestResidual,
		"part of the area after the last sample": 100 * after, "area under the curve, in concentration times minutes": area,
		"clearance": 3235e3 / area,
	}
	for _, s := range g.Steps {
		if expected, ok := want[s.Text]; ok && math.Abs(s.Value.Value/expected-1) > 1e-9 {
			t.Errorf("%s is %g, want %g", s.Text, s.Value.Value, expected)
		}
		delete(want, s.Text)
	}
	if len(want) > 0 {
		t.Errorf("no step says %v", want)
	}
	i := slices.IndexFunc(g.Warnings, func(w clinical.Warning) bool { return w.Code == AreaExtrapolated })
	if text := clinical.Display(100*after, 0) + " % of the area under the curve lies after the last sample"; g.Warnings[i].Message != text {
		t.Errorf("got %q, want %q", g.Warnings[i].Message, text)
	}
}

// TestExtrapolationKeepsItsLimit: a fifth of the area after the last sample is
// still accepted.
func TestExtrapolationKeepsItsLimit(t *testing.T) {
	curve := workedCompartments[0].curve
	share := func(last float64) float64 {
		return (curve.A/curve.Alpha*math.Exp(-curve.Alpha*last) + curve.B/curve.Beta*math.Exp(-curve.Beta*last)) / curve.Area()
	}
	for _, tt := range []struct {
		share float64
		warns bool
	}{{0.1995, false}, {0.2005, true}} {
		last, late := 200.0, 400.0
		for range 100 {
			if middle := (last + late) / 2; share(middle) > tt.share {
				last = middle
			} else {
				late = middle
			}
		}
		in := early()
		in.Samples = exactly(curve, 5, 15, 30, 60, 90, 120, 150, 180, last)
		g, err := TwoCompartment(in)
		if err != nil || g.HasWarning(AreaExtrapolated) != tt.warns {
			t.Errorf("%g after %g min: got %v, %v", tt.share, last, g.Warnings, err)
		}
	}
}

// TestFastPhaseThatTheSamplesDoNotShow: a first sample at 60 min leaves the fast
// phase open. The curves are of a clearance of 92.5 and 77.9 mL/min; fitted
// freely they give 1 and 59.
func TestFastPhaseThatTheSamplesDoNotShow(t *testing.T) {
	for name, list := range map[string][]Sample{
		"absurd":       samples(60, 130.28, 90, 105.43, 120, 89.27, 180, 64.06, 240, 45.94),
		"only too low": samples(60, 171.42, 90, 134.95, 120, 110.06, 180, 75.8, 240, 50.94),
	} {
		in := early()
		in.Samples = list
		_, err := TwoCompartment(in)
		wantError(t, err, clinical.QualityRefused, "samples")
		if err == nil || !strings.Contains(err.Error(), "before the first sample") {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

// TestLimitsOfTheFastPhase looks just beside the limits of the area before the
// first sample and of the central volume.
func TestLimitsOfTheFastPhase(t *testing.T) {
	fit := workedCompartments[0].curve
	at := func(share float64) float64 {
		low, high := 0.0, 200.0
		for range 100 {
			if middle := (low + high) / 2; fit.before(middle) < share {
				low = middle
			} else {
				high = middle
			}
		}
		return low
	}
	for share, ok := range map[float64]bool{0.3498: true, 0.3502: false} {
		if err := fit.checkExtrapolation(point{minutes: at(share)}, 3235e3, 68); (err == nil) != ok {
			t.Errorf("a share of %g: got %v", share, err)
		}
	}
	for litresPerKg, ok := range map[float64]bool{0.0302: true, 0.0298: false} {
		err := fit.checkExtrapolation(point{minutes: 5}, litresPerKg*68*1000*(fit.A+fit.B), 68)
		if (err == nil) != ok || err != nil && !strings.Contains(err.Error(), "a central volume of 0.0298 L/kg") && !strings.Contains(err.Error(), "a central volume of 0.030 L/kg") {
			t.Errorf("%g L/kg: got %v", litresPerKg, err)
		}
	}
	for share, warns := range map[float64]bool{0.1995: false, 0.2005: true} {
		first := at(share)
		in := early()
		in.Samples = exactly(fit, first, first+20, first+40, 120, 150, 180, 240, 300)
		g, err := TwoCompartment(in)
		if err != nil || g.HasWarning(AreaBeforeSamples) != warns {
			t.Errorf("a share of %g: got %v, %v", share, g.Warnings, err)
		}
	}
}

// TestTextsOfTheFastPhase: numbers are shown as they are, with more digits beside
// a limit.
func TestTextsOfTheFastPhase(t *testing.T) {
	fit := workedCompartments[0].curve
	at := func(share float64) float64 {
		low, high := 0.0, 500.0
		for range 100 {
			if middle := (low + high) / 2; fit.before(middle) < share {
				low = middle
			} else {
				high = middle
			}
		}
		return low
	}
	for share, want := range map[float64]string{0.3502: "35.02 % of the area", 0.4: "40 % of the area"} {
		if err := fit.checkExtrapolation(point{minutes: at(share)}, 3235e3, 68); err == nil || !strings.Contains(err.Error(), "samples: "+want) {
			t.Errorf("a share of %g: got %v", share, err)
		}
	}
	for litresPerKg, want := range map[float64]string{0.02: "a central volume of 0.020 L/kg", 0.02996: "a central volume of 0.02996 L/kg"} {
		err := fit.checkExtrapolation(point{minutes: 5}, litresPerKg*68*1000*(fit.A+fit.B), 68)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%g L/kg: got %v", litresPerKg, err)
		}
	}
	for share, want := range map[float64]string{0.2005: "20.1 % of the area under the curve lies before", 0.25: "25 % of the area under the curve lies before"} {
		first := at(share)
		in := early()
		in.Samples = exactly(fit, first, first+20, first+30, 120, 150, 180, 240, 300)
		g, err := TwoCompartment(in)
		i := slices.IndexFunc(g.Warnings, func(w clinical.Warning) bool { return w.Code == AreaBeforeSamples })
		if err != nil || i < 0 || !strings.HasPrefix(g.Warnings[i].Message, want) {
			t.Errorf("a share of %g: got %v, %v", share, g.Warnings, err)
		}
	}
	// A share of 0.2005 lies after the last sample.
	last := 100.0
	for late := 400.0; late-last > 1e-9; {
		if middle := (last + late) / 2; fit.after(middle) > 0.2005 {
			last = middle
		} else {
			late = middle
		}
	}
	in := early()
	in.Samples = exactly(fit, 5, 15, 30, 60, 90, 120, 150, 180, last)
	g, err := TwoCompartment(in)
	i := slices.IndexFunc(g.Warnings, func(w clinical.Warning) bool { return w.Code == AreaExtrapolated })
	if err != nil || i < 0 || !strings.HasPrefix(g.Warnings[i].Message, "20.1 % of the area") {
		t.Errorf("got %v, %v", g.Warnings, err)
	}
}

func TestSamplesOfTwoCompartments(t *testing.T) {
	curve := workedCompartments[0].curve
	in := early()
	in.Samples = exactly(curve, 5, 60, 120, 180, 240, 300)
	g, err := TwoCompartment(in)
	if err != nil || !g.HasWarning(TwoEarlySamplesOnly) {
		t.Errorf("got %v, %v", g.Warnings, err)
	}
	// What is drawn before 5 min is not yet mixed, and left out.
	in.Samples = append(samples(4.9, 900), exactly(curve, 5, 30, 60, 120, 180, 240, 300)...)
	g, err = TwoCompartment(in)
	if err != nil || !g.HasWarning(EarlySampleNotFitted) || g.HasWarning(TwoEarlySamplesOnly) || g.Fit.Samples != 7 || math.Abs(float64(g.Absolute)-82.5) > 1e-4 {
		t.Errorf("got %+v, %v", g, err)
	}
	// A concentration that rises is refused early too.
	in.Samples = samples(10, 255, 20, 261, 60, 150.7, 120, 99.15, 180, 70.66, 240, 50.76)
	_, err = TwoCompartment(in)
	wantError(t, err, clinical.WrongOrder, "samples")
	times := make([]float64, 51)
	for i := range times {
		times[i] = 10 + 5*float64(i)
	}
	in.Samples = exactly(curve, times...)
	_, err = TwoCompartment(in)
	wantError(t, err, clinical.OutOfRange, "samples")
	in.Samples = exactly(curve, times[:50]...)
	if _, err := TwoCompartment(in); err != nil {
		t.Error(err)
	}
}

// TestResultWithoutInterval: a study that has a result keeps it when the
// uncertainties stated do not lead to an interval.
func TestResultWithoutInterval(t *testing.T) {
	u := &PlasmaUncertainty{Concentration: clinical.NewMeasurement(2, "%"), Dose: clinical.NewMeasurement(2, "%"), Time: clinical.NewMeasurement(1, "min")}
	two := early()
	two.Uncertainty = u
	two.Samples = samples(10, 317.25, 30, 258.37, 60, 189.59, 120, 103.62, 180, 61.68, 240, 38.01)
	g, err := TwoCompartment(two)
	if err != nil || g.Interval != nil || !g.HasWarning(IntervalNotComputed) {
		t.Errorf("got %v, %v, %v", g.Interval, g.Warnings, err)
	}
	one := study()
	one.Uncertainty = u
	one.Samples = samples(120, 47.637, 180, 26.940, 240, 15.235)
	h, err := SlopeIntercept(one)
	if err != nil || h.Interval != nil || !h.HasWarning(IntervalNotComputed) {
		t.Errorf("got %v, %v, %v", h.Interval, h.Warnings, err)
	}
}
