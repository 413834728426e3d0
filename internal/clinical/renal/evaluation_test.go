package renal

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
)

// checkOf are the checks that say the same as a warning.
var checkOf = map[clinical.WarningCode]string{
	TwoSamplesOnly: "samples", EarlySampleNotFitted: "excluded", LastSampleLate: "last", SampleSpanShort: "span", CorrelationLow: "correlation",
	ResidualLarge: "residual", HalfLifeUnusual: "half-life", VolumeUnusual: "volume", VolumeUnusualForSurface: "volume-surface",
	DoseUncertain: "syringe", EstimateDisagrees: "agreement", EstimateNotCompared: "agreement", body.SurfaceAreaFormulasDiverge: "surface",
	AreaExtrapolated: "after", AreaBeforeSamples: "before", TwoEarlySamplesOnly: "early", ScatterExceedsAssay: "interval", IntervalNotComputed: "interval",
	UncertaintyNotStated: "interval",
}

// agrees holds an evaluation to the method itself: a check refuses exactly where
// there is no result, and warns exactly where the result has the warning.
func agrees(t interface{ Errorf(string, ...any) }, e PlasmaEvaluation) {
	refuses := slices.ContainsFunc(e.Checks, func(c QualityCheck) bool { return c.Verdict == QualityRefuses })
	if refuses != (e.Err != nil) || (e.GFR == nil) != (e.Err != nil) {
		t.Errorf("a check refuses: %t, the method says %v", refuses, e.Err)
	}
	for _, c := range e.Checks {
		if c.Title == "" || c.Found == "" || c.Limit == "" || c.Source == "" {
			t.Errorf("the check %+v says too little", c)
		}
	}
	if e.GFR == nil {
		return
	}
	warned := map[string]bool{}
	for _, w := range e.GFR.Warnings {
		if id, ok := checkOf[w.Code]; ok {
			warned[id] = true
		}
	}
	for _, c := range e.Checks {
		if (c.Verdict == QualityWarns) != warned[c.ID] {
			t.Errorf("%s is %s; the result warns: %t", c.ID, c.Verdict, warned[c.ID])
		}
		delete(warned, c.ID)
	}
	for id := range warned {
		t.Errorf("no check tells of the warning for %s", id)
	}
}

func drawStudy(t *rapid.T) SlopeInterceptInput {
	in := study()
	in.Samples = nil
	clearance := rapid.Float64Range(0.0005, 0.02).Draw(t, "k")
	at := 0.0
	for range rapid.IntRange(0, 8).Draw(t, "samples") {
		at += rapid.Float64Range(2, 90).Draw(t, "later")
		noise := rapid.Float64Range(0.9, 1.12).Draw(t, "noise")
		value := (150*math.Exp(-0.04*at) + 230*math.Exp(-clearance*at)) * noise
		in.Samples = append(in.Samples, samples(at, value)...)
	}
	in.Dose.Quantity.Value = rapid.Float64Range(1500, 8000).Draw(t, "dose")
	in.Size.Weight.Quantity.Value = rapid.Float64Range(40, 140).Draw(t, "weight")
	in.Extravasation = rapid.SampledFrom([]clinical.Answer{clinical.No, clinical.No, clinical.No, clinical.Yes, clinical.NotRecorded}).Draw(t, "beside")
	in.SyringeResidualMeasured = rapid.SampledFrom([]clinical.Answer{clinical.Yes, clinical.NotRecorded}).Draw(t, "syringe")
	in.Correction = rapid.SampledFrom(Corrections()).Draw(t, "correction")
	if rapid.Bool().Draw(t, "without an estimate") {
		in.Estimated = clinical.Measurement{}
	}
	if rapid.Bool().Draw(t, "without uncertainty") {
		in.Uncertainty = nil
	}
	return in
}

// TestEvaluationAgrees compares the checks with the methods over many studies.
func TestEvaluationAgrees(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := drawStudy(t)
		agrees(t, EvaluateSlopeIntercept(in))
		agrees(t, EvaluateTwoCompartment(in.PlasmaStudy))
	})
}

// TestEvaluationShowsRefused shows the curve of a study that is refused. The
// numbers are those of testdata/worked-examples/check-values.csv, slope_max_residual.
func TestEvaluationShowsRefused(t *testing.T) {
	in := study()
	in.Samples = samples(30, 210, 120, 127.4, 180, 118.0, 240, 65.3)
	e := EvaluateSlopeIntercept(in)
	agrees(t, e)
	if e.GFR != nil || e.Slope == nil || len(e.Samples) != 4 || e.Samples[0].Fitted || !e.Samples[1].Fitted {
		t.Fatalf("got %+v", e)
	}
	if r := e.Samples[2].Residual; math.Abs(100*r-18.73) > 0.01 {
		t.Errorf("the residual of the middle sample is %g", r)
	}
	if r2 := *e.Slope.RSquared; math.Abs(r2-0.834753) > 1e-6 {
		t.Errorf("r squared is %g", r2)
	}
	if c, ok := e.Concentration(0); !ok || math.Abs(c-270.8357) > 1e-4 {
		t.Errorf("C0 is %g", c)
	}
}

// TestEvaluationWithoutSize shows the curve before height, weight and dose are known.
func TestEvaluationWithoutSize(t *testing.T) {
	in := study()
	in.Size, in.Dose, in.Extravasation = body.Size{}, clinical.Measurement{}, clinical.NotRecorded
	e := EvaluateSlopeIntercept(in)
	agrees(t, e)
	if e.Slope == nil || math.Abs(e.Slope.HalfLife-124.454) > 0.001 { // worked example A
		t.Errorf("got %+v", e.Slope)
	}
	for _, pairs := range [][]float64{nil, {120, 100}, {120, 100, 110, 90}, {120, 100, 180, 130}} {
		in.Samples = samples(pairs...)
		agrees(t, EvaluateSlopeIntercept(in))
		agrees(t, EvaluateTwoCompartment(in.PlasmaStudy))
	}
}
