package body

import "testing"

// equations are the closed forms without their record.
var equations = []struct {
	name    string
	compute func() float64
}{
	{"bmi", func() float64 { return massIndex(172, 68) }},
	{"bsa-dubois", func() float64 { return DuBois.squareMetres(172, 68) }},
	{"bsa-mosteller", func() float64 { return Mosteller.squareMetres(172, 68) }},
	{"bsa-haycock", func() float64 { return Haycock.squareMetres(172, 68) }},
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

func BenchmarkMassIndex(b *testing.B) {
	in := size(172, "cm", 68, "kg")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := MassIndex(in); err != nil {
			b.Fatal(err)
		}
	}
}
