package renal

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
)

// single is a study with one sample: calculations by hand in the worked
// examples of Jacobsson.
func single() SingleSampleInput {
	in := SingleSampleInput{PlasmaStudy: study().PlasmaStudy, Volume: Granerus, Age: 40, Sex: clinical.Male}
	in.Samples = samples(240, 65.3)
	in.Uncertainty = nil
	return in
}

// TestSingleSampleWorkedExamples: the rows of the table of the equation, in
// mL/min.
func TestSingleSampleWorkedExamples(t *testing.T) {
	tests := []struct {
		amount, minutes, concentration, volume float64
		original, ekfc                         float64
	}{
		{3235000, 240, 65.3, 13778, 67.93541, 68.08284},
		{3235000, 240, 88.6, 11300, 51.53156, 51.63943},
		{3235000, 240, 44.0, 17762, 95.89159, 95.68916},
		{3273820, 390, 60.0, 16932, 47.67490, 47.75879},
	}
	for _, tt := range tests {
		for equation, want := range map[SingleSampleEquation]float64{Jacobsson1983: tt.original, JacobssonEKFC: tt.ekfc} {
			got, err := equation.solve(tt.amount, tt.volume, point{tt.minutes, tt.concentration})
			if err != nil || math.Abs(got-want) > 1e-5 {
				t.Errorf("%s: got %g, %v, want %g", equation, got, err, want)
			}
		}
	}
	if m := mixing(67.93541); math.Abs(m-0.9081188) > 1e-7 {
		t.Errorf("got the mixing %g", m)
	}
}

func TestExtracellularVolume(t *testing.T) {
	size := func(height, weight float64) body.Size {
		return body.Size{Height: clinical.NewMeasurement(height, "cm"), Weight: clinical.NewMeasurement(weight, "kg")}
	}
	tests := []struct {
		equation VolumeEquation
		sex      clinical.Sex
		age      int
		size     body.Size
		want     float64
	}{
		{Granerus, clinical.Male, 40, size(172, 68), 13778},
		{Granerus, clinical.Female, 62, size(160, 54), 11300},
		{Granerus, clinical.Male, 50, size(185, 92), 17762},
		{Granerus, clinical.Male, 50, size(168, 87), 16932},
		// By hand: 1000 (-2.6631 + 0.1393 68 + 0.0455 172 + 0.0125 40).
		{Faucon2022, clinical.Male, 40, size(172, 68), 15135.3},
		// By hand: 1000 (-3.3407 + 0.1393 54 + 0.0455 160 + 0.0125 62).
		{Faucon2022, clinical.Female, 62, size(160, 54), 12236.5},
	}
	for _, tt := range tests {
		in := single()
		in.Volume, in.Sex, in.Age, in.Size = tt.equation, tt.sex, tt.age, tt.size
		in.Samples = samples(240, 60)
		g, err := SingleSample(in)
		if err != nil || math.Abs(g.VolumeOfDistribution-tt.want) > 1e-6 {
			t.Errorf("%+v: got %g, %v", tt, g.VolumeOfDistribution, err)
		}
	}
}

func TestSingleSampleRefuses(t *testing.T) {
	tests := []struct {
		name   string
		change func(*SingleSampleInput)
		code   clinical.Code
		field  string
	}{
		{"no sample", func(in *SingleSampleInput) { in.Samples = nil }, clinical.TooFew, "samples"},
		{"two samples", func(in *SingleSampleInput) { in.Samples = samples(120, 127, 240, 65) }, clinical.TooFew, "samples"},
		{"too early", func(in *SingleSampleInput) { in.Samples = samples(119.9, 127) }, clinical.OutOfRange, "sample 1 time"},
		{"no volume", func(in *SingleSampleInput) { in.Volume = "" }, clinical.UnknownChoice, "volume equation"},
		{"equation not known", func(in *SingleSampleInput) { in.Equation = "x" }, clinical.UnknownChoice, "equation"},
		{"child", func(in *SingleSampleInput) { in.Age = 17 }, clinical.NotValidAge, "age"},
		{"no sex", func(in *SingleSampleInput) { in.Sex = "" }, clinical.Missing, "sex"},
		{"no size", func(in *SingleSampleInput) { in.Size = body.Size{} }, clinical.Missing, "height"},
		{"extravasation", func(in *SingleSampleInput) { in.Extravasation = clinical.Yes }, clinical.QualityRefused, "extravasation"},
		{"more marker than was given", func(in *SingleSampleInput) { in.Samples = samples(240, 400) }, clinical.QualityRefused, "sample 1 concentration"},
		{"hardly any marker", func(in *SingleSampleInput) { in.Samples = samples(240, 1) }, clinical.QualityRefused, "sample 1 concentration"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := single()
			tt.change(&in)
			_, err := SingleSample(in)
			wantError(t, err, tt.code, tt.field)
		})
	}
}

// TestSingleSampleLimits: a clearance from 1 to 200 mL/min is solved, one beside
// it is not.
func TestSingleSampleLimits(t *testing.T) {
	for _, equation := range SingleSampleEquations() {
		for _, tt := range []struct {
			clearance float64
			ok        bool
		}{{0.995, false}, {1.0001, true}, {199.9, true}, {200.5, false}} {
			// The concentration that has the clearance: the right-hand side grows
			// with the logarithm of the concentration.
			low, high := 1e-6, 300.0
			for range 200 {
				middle := math.Sqrt(low * high)
				if equation.clearance(tt.clearance, 3235000, 13778, point{240, middle}) > tt.clearance {
					low = middle
				} else {
					high = middle
				}
			}
			got, err := equation.solve(3235000, 13778, point{240, low})
			if (err == nil) != tt.ok || err == nil && math.Abs(got-tt.clearance) > 1e-6 {
				t.Errorf("%s %g: got %g, %v", equation, tt.clearance, got, err)
			}
		}
	}
}

func TestSingleSampleWarnings(t *testing.T) {
	base, err := SingleSample(single())
	if err != nil {
		t.Fatal(err)
	}
	if base.Equation != "iohexol-jacobsson-ekfc-2024" || math.Abs(float64(base.Absolute)-68.08284) > 1e-4 {
		t.Errorf("got %q and %g", base.Equation, base.Absolute)
	}
	value := float64(base.Normalised)
	always := []clinical.WarningCode{SingleSampleFallback}
	tests := []struct {
		name   string
		change func(*SingleSampleInput)
		want   []clinical.WarningCode
	}{
		{"nothing", func(*SingleSampleInput) {}, always},
		{"near a limit", func(in *SingleSampleInput) { in.DecisionLimits = []float64{60, value + 9.99, 90} }, append(always, NearDecisionLimit, NearDecisionLimit)},
		{"not near a limit", func(in *SingleSampleInput) { in.DecisionLimits = []float64{value + 10.01, value - 10.01} }, always},
		{"late", func(in *SingleSampleInput) {
			in.Samples = samples(301, 49)
			in.Estimated = estimated(66)
		}, append(always, SampleTimeUnusual)},
		{"at 300 min", func(in *SingleSampleInput) {
			in.Samples = samples(300, 49)
			in.Estimated = estimated(66)
		}, always},
		{"at 120 min", func(in *SingleSampleInput) { in.Samples = samples(120, 115) }, always},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := single()
			tt.change(&in)
			g, err := SingleSample(in)
			if err != nil {
				t.Fatal(err)
			}
			wantWarnings(t, g.Result, append(tt.want[:len(tt.want):len(tt.want)], UncertaintyNotStated))
		})
	}
}

// TestSingleSampleFalls: more marker left is a lower clearance, and so is a
// later time for the same concentration.
func TestSingleSampleFalls(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		equation := rapid.SampledFrom(SingleSampleEquations()).Draw(t, "equation")
		minutes := rapid.Float64Range(120, 300).Draw(t, "minutes")
		c := rapid.Float64Range(40, 100).Draw(t, "concentration")
		volume := rapid.Float64Range(10000, 18000).Draw(t, "volume")
		at := func(minutes, c float64) float64 {
			got, err := equation.solve(3235000, volume, point{minutes, c})
			if err != nil {
				t.Skip(err)
			}
			return got
		}
		base := at(minutes, c)
		if at(minutes, c*1.01) >= base || at(minutes*1.01, c) >= base {
			t.Fatalf("%g does not fall", base)
		}
		if back := equation.clearance(base, 3235000, volume, point{minutes, c}); math.Abs(back/base-1) > 1e-9 {
			t.Fatalf("%g does not solve the equation: %g", base, back)
		}
	})
}

func BenchmarkSingleSampleSolve(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := JacobssonEKFC.solve(3235000, 13778, point{240, 65.3}); err != nil {
			b.Fatal(err)
		}
	}
}
