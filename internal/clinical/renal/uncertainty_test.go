package renal

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"

	"candidacy/internal/clinical"
)

func TestPropagateIsExactForLinearResults(t *testing.T) {
	f := func(x []float64) (float64, error) { return 3*x[0] - 4*x[1] + 100, nil }
	got, err := propagate(f, []float64{10, 5}, []uncertain{{"a", []int{0}, constant(2)}, {"b", []int{1}, proportional(0.4)}})
	if err != nil {
		t.Fatal(err)
	}
	// Contributions 3 x 2 and 4 x 0.4 x 5; root of 36 + 64; 110 -+ 1.96 x 10.
	if math.Abs(got.StandardUncertainty-10) > 1e-12 || math.Abs(got.Low-90.4) > 1e-9 || math.Abs(got.High-129.6) > 1e-9 ||
		math.Abs(got.Contributions[0].StandardUncertainty-6) > 1e-12 || math.Abs(got.Contributions[1].StandardUncertainty-8) > 1e-12 {
		t.Errorf("got %+v", got)
	}
	if got.Coverage != 0.95 || got.Method == "" {
		t.Errorf("got %+v", got)
	}
	// 1.96 is where the normal distribution leaves 2.5 % on each side.
	if outside := math.Erfc(got.CoverageFactor / math.Sqrt2); math.Abs(outside-0.05) > 1e-5 {
		t.Errorf("%g lies outside", outside)
	}
}

// TestUrineIntervalByHand: for a quotient the relative uncertainties add up in
// squares, the textbook rule.
func TestUrineIntervalByHand(t *testing.T) {
	in := timedUrine()
	in.Uncertainty = &UrineUncertainty{
		Concentration: clinical.NewMeasurement(3, "%"), Volume: clinical.NewMeasurement(5, "%"), Time: clinical.NewMeasurement(28.8, "min"),
	}
	c, err := UrinaryCreatinineClearance(in)
	if err != nil {
		t.Fatal(err)
	}
	want := float64(c.Normalised) * math.Sqrt(2*0.03*0.03+0.05*0.05+0.02*0.02)
	if math.Abs(c.Interval.StandardUncertainty/want-1) > 1e-3 {
		t.Errorf("got %g, want %g", c.Interval.StandardUncertainty, want)
	}
	for i, relative := range []float64{0.03 * math.Sqrt2, 0.05, 0.02} {
		if got := c.Interval.Contributions[i]; math.Abs(got.StandardUncertainty/(relative*float64(c.Normalised))-1) > 1e-3 {
			t.Errorf("got %+v, want %g of the value", got, relative)
		}
	}
}

// TestIntervalOfTheSlopeByTheTextbook compares with the closed form: for two
// samples, Cl = D k / C0 with k and ln C0 linear in the logarithms.
func TestIntervalOfTheSlopeByTheTextbook(t *testing.T) {
	in := study()
	in.Correction = Ng2011
	in.Samples = samples(120, 127.4, 240, 65.3)
	in.Uncertainty = &PlasmaUncertainty{
		Concentration: clinical.NewMeasurement(1, "%"), Dose: clinical.NewMeasurement(0.5, "%"), Time: clinical.NewMeasurement(0.1, "min"),
	}
	g, err := SlopeIntercept(in)
	if err != nil {
		t.Fatal(err)
	}
	// ln Cl = ln D + ln k - ln C0; k = (y1 - y2)/120; ln C0 = y1 + 120 k.
	k := g.Fit.K
	dy1, dy2 := 1/(120*k)-2, -1/(120*k)+1
	uncorrected := math.Sqrt(0.01*0.01*(dy1*dy1+dy2*dy2) + 0.005*0.005 +
		// A time wrong by u moves ln C by k u.
		0.1*0.1*k*k*(dy1*dy1+dy2*dy2))
	// Ng: y = x / (1 + f x), so dy/y = dx/x / (1 + f x).
	x := float64(g.Uncorrected.normalise(1.802772))
	want := float64(g.Normalised) * uncorrected / (1 + 0.0012*x)
	if math.Abs(g.Interval.StandardUncertainty/want-1) > 2e-3 {
		t.Errorf("got %g, want %g", g.Interval.StandardUncertainty, want)
	}
}

// TestIntervalsAgreeWithMonteCarlo compares the intervals with the propagation
// of distributions (JCGM 101:2008): 20 000 draws of normal errors.
func TestIntervalsAgreeWithMonteCarlo(t *testing.T) {
	u := &PlasmaUncertainty{
		Concentration: clinical.NewMeasurement(2, "%"), Dose: clinical.NewMeasurement(1, "%"), Time: clinical.NewMeasurement(1, "min"),
	}
	twoCompartments := early()
	twoCompartments.Uncertainty = u
	slope := study()
	slope.Uncertainty = u
	// So late that no draw falls before the 120 min from which samples count.
	slope.Samples = samples(140, 114, 190, 86.3, 240, 65.3)
	one := single()
	one.Uncertainty = u
	methods := []struct {
		name  string
		study PlasmaStudy
		// tolerance of the standard uncertainty: the fit of four parameters is
		// less linear in its inputs.
		tolerance float64
		compute   func(PlasmaStudy) (MeasuredGFR, error)
	}{
		{"slope-intercept", slope.PlasmaStudy, 0.03, func(s PlasmaStudy) (MeasuredGFR, error) {
			g, err := SlopeIntercept(SlopeInterceptInput{s, BrochnerMortensen1972})
			return g.MeasuredGFR, err
		}},
		{"two compartments", twoCompartments, 0.05, func(s PlasmaStudy) (MeasuredGFR, error) {
			g, err := TwoCompartment(s)
			return g.MeasuredGFR, err
		}},
		{"one sample", one.PlasmaStudy, 0.03, func(s PlasmaStudy) (MeasuredGFR, error) {
			in := one
			in.PlasmaStudy = s
			g, err := SingleSample(in)
			return g.MeasuredGFR, err
		}},
	}
	for _, tt := range methods {
		t.Run(tt.name, func(t *testing.T) {
			exact, err := tt.compute(tt.study)
			if err != nil {
				t.Fatal(err)
			}
			random := rand.New(rand.NewPCG(7, 11))
			var values []float64
			for range 20000 {
				s := tt.study
				s.Uncertainty = nil
				s.Dose.Value *= 1 + 0.01*random.NormFloat64()
				s.Samples = nil
				for _, each := range tt.study.Samples {
					each.Time.Value += random.NormFloat64()
					each.Concentration.Value *= 1 + 0.02*random.NormFloat64()
					s.Samples = append(s.Samples, each)
				}
				g, err := tt.compute(s)
				if err != nil {
					continue
				}
				values = append(values, float64(g.Normalised))
			}
			if len(values) < 19500 {
				t.Fatalf("only %d draws have a result", len(values))
			}
			mean, deviation := stat.MeanStdDev(values, nil)
			if math.Abs(exact.Interval.StandardUncertainty/deviation-1) > tt.tolerance {
				t.Errorf("got %g, by Monte Carlo %g", exact.Interval.StandardUncertainty, deviation)
			}
			if math.Abs(mean-exact.Value.Value) > deviation/10 {
				t.Errorf("the mean of the draws is %g, the value %g", mean, exact.Value.Value)
			}
		})
	}
}

func TestScatterReplacesTheStatedVariation(t *testing.T) {
	in := study()
	in.Samples = samples(120, 127.4, 180, 95, 240, 65.3)
	in.Uncertainty = &PlasmaUncertainty{
		Concentration: clinical.NewMeasurement(1, "%"), Dose: clinical.NewMeasurement(1, "%"), Time: clinical.NewMeasurement(1, "min"),
	}
	seen, err := SlopeIntercept(in)
	if err != nil {
		t.Fatal(err)
	}
	if text := "the samples scatter by " + clinical.Display(seen.Fit.Scatter*100, 1) + " % about"; !strings.HasPrefix(seen.Warnings[len(seen.Warnings)-1].Message, text) {
		t.Errorf("got %q, want %q", seen.Warnings[len(seen.Warnings)-1].Message, text)
	}
	// By hand: the middle sample is ln(95/91.209) above the line of the others;
	// residuals of -1/3, 2/3, -1/3 of it with one degree of freedom.
	d := math.Log(95 / math.Sqrt(127.4*65.3))
	if want := d * math.Sqrt(2./3); math.Abs(seen.Fit.Scatter-want) > 1e-12 || !seen.HasWarning(ScatterExceedsAssay) {
		t.Errorf("got the scatter %g, want %g, and %v", seen.Fit.Scatter, want, seen.Warnings)
	}
	in.Uncertainty.Concentration = clinical.NewMeasurement(seen.Fit.Scatter*100, "%")
	stated, err := SlopeIntercept(in)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(stated.Interval.StandardUncertainty-seen.Interval.StandardUncertainty) > 1e-9 {
		t.Errorf("got %g and %g", stated.Interval.StandardUncertainty, seen.Interval.StandardUncertainty)
	}
}

func TestUncertaintyLimits(t *testing.T) {
	tests := []struct {
		field  string
		change func(*PlasmaUncertainty, *UrineUncertainty, clinical.Measurement)
		unit   string
		low    float64
		high   float64
	}{
		{"uncertainty of the concentration", func(p *PlasmaUncertainty, u *UrineUncertainty, m clinical.Measurement) {
			p.Concentration, u.Concentration = m, m
		}, "%", 0.2, 30},
		{"uncertainty of the time", func(p *PlasmaUncertainty, u *UrineUncertainty, m clinical.Measurement) { p.Time, u.Time = m, m }, "min", 0.01, 60},
		{"uncertainty of the dose", func(p *PlasmaUncertainty, _ *UrineUncertainty, m clinical.Measurement) { p.Dose = m }, "%", 0.2, 30},
		{"uncertainty of the volume", func(_ *PlasmaUncertainty, u *UrineUncertainty, m clinical.Measurement) { u.Volume = m }, "%", 0.2, 30},
	}
	for _, tt := range tests {
		for _, value := range []float64{tt.low * 0.995, tt.low, tt.high, tt.high * 1.005} {
			plasma := &PlasmaUncertainty{Concentration: clinical.NewMeasurement(2, "%"), Dose: clinical.NewMeasurement(1, "%"), Time: clinical.NewMeasurement(1, "min")}
			urine := &UrineUncertainty{Concentration: clinical.NewMeasurement(2, "%"), Volume: clinical.NewMeasurement(1, "%"), Time: clinical.NewMeasurement(1, "min")}
			tt.change(plasma, urine, clinical.NewMeasurement(value, tt.unit))
			// Times change by up to an hour here, so the samples are far apart.
			slope, timed := study(), timedUrine()
			slope.Samples = samples(120, 160, 420, 40, 720, 10)
			slope.Estimated = estimated(45)
			slope.Uncertainty, timed.Uncertainty = plasma, urine
			_, first := SlopeIntercept(slope)
			_, second := UrinaryCreatinineClearance(timed)
			for _, err := range []error{first, second} {
				if value < tt.low || value > tt.high {
					if err != nil {
						wantError(t, err, clinical.OutOfRange, tt.field)
					}
				} else if err != nil {
					t.Errorf("%s of %g: %v", tt.field, value, err)
				}
			}
			if outside := value < tt.low || value > tt.high; outside && first == nil && second == nil {
				t.Errorf("%s of %g is accepted", tt.field, value)
			}
		}
	}
}

func TestSpans(t *testing.T) {
	i := clinical.Interval{Low: 85, High: 95}
	for threshold, want := range map[float64]bool{84.9: false, 85: false, 85.1: true, 90: true, 95: true, 95.1: false} {
		if i.Spans(threshold) != want {
			t.Errorf("%g: want %v", threshold, want)
		}
	}
}
