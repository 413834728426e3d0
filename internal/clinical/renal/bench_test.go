package renal

import (
	"testing"

	"candidacy/internal/clinical"
)

// equations are the closed forms without their record.
var equations = []struct {
	name    string
	compute func() float64
}{
	{"ckdepi-cr-2021", func() float64 { return float64(ckdepiCreatinine2021(0.85, 62, clinical.Female)) }},
	{"ckdepi-cys-2012", func() float64 { return float64(ckdepiCystatinC2012(0.95, 62, clinical.Female)) }},
	{"ckdepi-cr-cys-2021", func() float64 { return float64(ckdepiCreatinineCystatinC2021(0.85, 0.95, 62, clinical.Female)) }},
	{"creatinine-after-donation", func() float64 { return creatinineAt(58, 62, clinical.Female) }},
	{"brochner-mortensen", func() float64 { return BrochnerMortensen1972.apply(70, 1.8) }},
	{"jodal", func() float64 { return Jodal2009.apply(70, 1.8) }},
	{"timed-clearance", func() float64 { return timedClearance(110, 1500, 0.9, 1440) }},
	{"two-compartment-area", func() float64 { return workedCompartments[0].curve.Area() }},
	{"jacobsson", func() float64 {
		clearance, _ := JacobssonEKFC.Clearance(3235000, 13778, 240, 65.3)
		return float64(clearance)
	}},
}

// TestEquationsDoNotAllocate: a re-assessment of a whole programme computes them
// again and again.
func TestEquationsDoNotAllocate(t *testing.T) {
	for _, e := range equations {
		if n := testing.AllocsPerRun(100, func() { e.compute() }); n != 0 {
			t.Errorf("%s allocates %g times", e.name, n)
		}
	}
}

func BenchmarkEquation(b *testing.B) {
	for _, e := range equations {
		b.Run(e.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				e.compute()
			}
		})
	}
}

func BenchmarkSlopeFit(b *testing.B) {
	points, err := Iohexol.pointsOf(samples(120, 127.4, 180, 91.2, 240, 65.3))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := fitSlope(points); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkTwoCompartment is a whole study with its record and its interval: 43
// fits.
func BenchmarkTwoCompartment(b *testing.B) {
	in := early()
	in.Uncertainty = study().Uncertainty
	b.ReportAllocs()
	for b.Loop() {
		if _, err := TwoCompartment(in); err != nil {
			b.Fatal(err)
		}
	}
}
