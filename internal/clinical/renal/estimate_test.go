package renal

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

func mgPerDL(v float64) clinical.Measurement { return clinical.NewMeasurement(v, "mg/dL") }
func mgPerL(v float64) clinical.Measurement  { return clinical.NewMeasurement(v, "mg/L") }

// estimates are the three equations with a creatinine and a cystatin C.
var estimates = map[string]func(cr, cys clinical.Measurement, s Subject) (Estimate, error){
	"creatinine": func(cr, _ clinical.Measurement, s Subject) (Estimate, error) { return CKDEPICreatinine2021(cr, s) },
	"cystatin C": func(_, cys clinical.Measurement, s Subject) (Estimate, error) { return CKDEPICystatinC2012(cys, s) },
	"both":       CKDEPICreatinineCystatinC2021,
}

func TestEstimateRefusesCreatinine(t *testing.T) {
	tests := []struct {
		name       string
		creatinine clinical.Measurement
		code       clinical.Code
	}{
		{"missing", clinical.Measurement{}, clinical.Missing},
		{"NaN", mgPerDL(math.NaN()), clinical.NotFinite},
		{"infinite", mgPerDL(math.Inf(1)), clinical.NotFinite},
		{"zero", mgPerDL(0), clinical.NotPositive},
		{"negative", mgPerDL(-0.9), clinical.NotPositive},
		{"too low", mgPerDL(0.19), clinical.OutOfRange},
		{"too high", mgPerDL(15.1), clinical.OutOfRange},
		{"umol/L typed as mg/dL", mgPerDL(88), clinical.ProbableUnitError},
		{"mg/dL typed as umol/L", clinical.NewMeasurement(1.1, "umol/L"), clinical.ProbableUnitError},
		{"unknown unit", clinical.NewMeasurement(0.09, "mmol/L"), clinical.UnknownUnit},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, name := range []string{"creatinine", "both"} {
				_, err := estimates[name](tt.creatinine, mgPerL(0.9), Subject{Age: 50, Sex: clinical.Male})
				wantError(t, err, tt.code, "serum creatinine")
			}
		})
	}
}

func TestEstimateRefusesCystatinC(t *testing.T) {
	tests := []struct {
		name     string
		cystatin clinical.Measurement
		code     clinical.Code
	}{
		{"missing", clinical.Measurement{}, clinical.Missing},
		{"NaN", mgPerL(math.NaN()), clinical.NotFinite},
		{"zero", mgPerL(0), clinical.NotPositive},
		{"negative", mgPerL(-1), clinical.NotPositive},
		{"too low", mgPerL(0.29), clinical.OutOfRange},
		{"too high", mgPerL(8.1), clinical.OutOfRange},
		{"unknown unit", mgPerDL(0.09), clinical.UnknownUnit},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, name := range []string{"cystatin C", "both"} {
				_, err := estimates[name](mgPerDL(0.9), tt.cystatin, Subject{Age: 50, Sex: clinical.Male})
				wantError(t, err, tt.code, "cystatin C")
			}
		})
	}
}

func TestEstimateRefusesSubject(t *testing.T) {
	tests := []struct {
		name    string
		subject Subject
		code    clinical.Code
		field   string
	}{
		{"child", Subject{Age: 17, Sex: clinical.Male}, clinical.NotValidAge, "age"},
		{"age missing", Subject{Sex: clinical.Male}, clinical.NotValidAge, "age"},
		{"age not plausible", Subject{Age: 121, Sex: clinical.Male}, clinical.NotValidAge, "age"},
		{"sex missing", Subject{Age: 50}, clinical.Missing, "sex"},
		{"sex other", Subject{Age: 50, Sex: "other"}, clinical.UnknownChoice, "sex"},
		{"pregnant", Subject{Age: 30, Sex: clinical.Female, Conditions: Conditions{Pregnancy: clinical.Yes}}, clinical.NotValidInPregnancy, "pregnancy"},
		{"answer not known", Subject{Age: 30, Sex: clinical.Female, Conditions: Conditions{Pregnancy: "true"}}, clinical.UnknownChoice, "pregnancy"},
		{"BMI not plausible", Subject{Age: 30, Sex: clinical.Male, Conditions: Conditions{BodyMassIndex: clinical.NewMeasurement(240, "kg/m2")}}, clinical.OutOfRange, "body mass index"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, estimate := range estimates {
				_, err := estimate(mgPerDL(0.9), mgPerL(0.9), tt.subject)
				wantError(t, err, tt.code, tt.field)
			}
		})
	}
}

func TestEstimateWarnings(t *testing.T) {
	man := func(c Conditions) Subject { return Subject{Age: 50, Sex: clinical.Male, Conditions: c} }
	bmi := func(v float64) Conditions { return Conditions{BodyMassIndex: clinical.NewMeasurement(v, "kg/m2")} }
	tests := []struct {
		name    string
		cr, cys float64
		subject Subject
		want    []clinical.WarningCode
	}{
		{"nothing", 1.0, 0.9, man(Conditions{}), nil},
		{"limit of creatinine", 1.5, 1.4, man(Conditions{}), nil},
		{"high creatinine", 1.51, 1.4, man(Conditions{}), []clinical.WarningCode{CreatinineHighForCandidate}},
		{"not steady", 1.0, 0.9, man(Conditions{UnsteadyCreatinine: clinical.Yes}), []clinical.WarningCode{CreatinineNotSteady}},
		{"steady", 1.0, 0.9, man(Conditions{UnsteadyCreatinine: clinical.No}), nil},
		{"muscle", 1.0, 0.9, man(Conditions{UnusualMuscleOrDiet: clinical.Yes}), []clinical.WarningCode{MuscleMassUnusual}},
		{"thin", 1.0, 0.9, man(bmi(18.4)), []clinical.WarningCode{MuscleMassUnusual}},
		{"not thin", 1.0, 0.9, man(bmi(18.5)), nil},
		{"obese", 1.0, 0.9, man(bmi(30)), []clinical.WarningCode{CystatinCUnreliable}},
		{"very obese", 1.0, 0.9, man(bmi(40)), []clinical.WarningCode{MuscleMassUnusual, CystatinCUnreliable}},
		{"steroids", 1.0, 0.9, man(Conditions{CystatinCAltered: clinical.Yes}), []clinical.WarningCode{CystatinCUnreliable}},
		{"pregnancy not asked", 0.7, 0.75, Subject{Age: 35, Sex: clinical.Female}, []clinical.WarningCode{PregnancyNotRecorded}},
		{"estimates disagree", 1.0, 1.2, man(Conditions{}), []clinical.WarningCode{EstimatesDisagree}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			e, err := CKDEPICreatinineCystatinC2021(mgPerDL(tt.cr), mgPerL(tt.cys), tt.subject)
			if err != nil {
				t.Fatal(err)
			}
			wantWarnings(t, e.Result, tt.want)
		})
	}
}

func TestEstimateRecordsItsInputs(t *testing.T) {
	creatinine := clinical.Measurement{Quantity: mgPerDL(1).Quantity, Date: "2026-02-03", Ref: "obs-1"}
	e, err := CKDEPICreatinine2021(creatinine, Subject{Age: 50, Sex: clinical.Male})
	if err != nil {
		t.Fatal(err)
	}
	if e.Equation != "ckdepi-cr-2021" || e.Value != e.GFR.Quantity() || e.Inputs[0].Measurement != creatinine {
		t.Errorf("got %+v", e)
	}
	if e.Inputs[1].Measurement.Quantity.Value != 50 || e.Inputs[2].Choice != "male" {
		t.Errorf("age and sex are not recorded: %+v", e.Inputs)
	}
}

func drawSubject(t *rapid.T) Subject {
	return Subject{Age: rapid.IntRange(18, 90).Draw(t, "age"), Sex: rapid.SampledFrom(clinical.Sexes()).Draw(t, "sex")}
}

// TestEstimateFalls: more of a marker, or more years, is a lower estimate.
func TestEstimateFalls(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSubject(t)
		cr := rapid.Float64Range(0.2, 14).Draw(t, "creatinine")
		cys := rapid.Float64Range(0.3, 7).Draw(t, "cystatin")
		more := rapid.Float64Range(1.001, 1.07).Draw(t, "more")
		older := s
		older.Age++
		for name, estimate := range estimates {
			base, err := estimate(mgPerDL(cr), mgPerL(cys), s)
			if err != nil {
				t.Fatal(err)
			}
			higher, err := estimate(mgPerDL(cr*more), mgPerL(cys*more), s)
			if err != nil {
				t.Fatal(err)
			}
			later, err := estimate(mgPerDL(cr), mgPerL(cys), older)
			if err != nil {
				t.Fatal(err)
			}
			if higher.GFR >= base.GFR || later.GFR >= base.GFR {
				t.Fatalf("%s: %g, with more marker %g, a year later %g", name, base.GFR, higher.GFR, later.GFR)
			}
		}
	})
}

// TestEstimateIsContinuousAtTheKnot compares the values on both sides of the
// concentration at which the exponent changes.
func TestEstimateIsContinuousAtTheKnot(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSubject(t)
		kappa := kappaMale
		if s.Sex == clinical.Female {
			kappa = kappaFemale
		}
		step := rapid.Float64Range(1e-12, 1e-9).Draw(t, "step")
		for name, estimate := range estimates {
			at := func(factor float64) float64 {
				e, err := estimate(mgPerDL(kappa*factor), mgPerL(kappaCystatin*factor), s)
				if err != nil {
					t.Fatal(err)
				}
				return float64(e.GFR)
			}
			below, knot, above := at(1-step), at(1), at(1+step)
			if math.Abs(below-knot) > 1e-6 || math.Abs(above-knot) > 1e-6 {
				t.Fatalf("%s: %g, %g, %g", name, below, knot, above)
			}
		}
	})
}

// TestCreatinineUnitDoesNotMatter enters the same creatinine in both units.
func TestCreatinineUnitDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSubject(t)
		cr := rapid.Float64Range(0.3, 14).Draw(t, "creatinine")
		conventional, err := CKDEPICreatinine2021(mgPerDL(cr), s)
		if err != nil {
			t.Fatal(err)
		}
		si, err := CKDEPICreatinine2021(clinical.NewMeasurement(cr*88.42, "umol/L"), s)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(conventional.GFR-si.GFR)) > 1e-9 {
			t.Fatalf("%g and %g", conventional.GFR, si.GFR)
		}
	})
}

func BenchmarkCKDEPICreatinine2021(b *testing.B) {
	creatinine, s := mgPerDL(1), Subject{Age: 50, Sex: clinical.Male}
	for b.Loop() {
		if _, err := CKDEPICreatinine2021(creatinine, s); err != nil {
			b.Fatal(err)
		}
	}
}

// TestElasticities: on each side of its knot an estimate is a power of the
// concentration with the published exponent (Inker, N Engl J Med 2021;385:1737,
// table 2, and 2012;367:20), and falls by the published factor a year.
func TestElasticities(t *testing.T) {
	female, male := Subject{Age: 50, Sex: clinical.Female}, Subject{Age: 50, Sex: clinical.Male}
	cr := func(x float64, s Subject) float64 { return float64(ckdepiCreatinine2021(x, s.Age, s.Sex)) }
	cys := func(x float64, s Subject) float64 { return float64(ckdepiCystatinC2012(x, s.Age, s.Sex)) }
	byCr := func(x float64, s Subject) float64 {
		return float64(ckdepiCreatinineCystatinC2021(x, 0.9, s.Age, s.Sex))
	}
	byCys := func(x float64, s Subject) float64 {
		return float64(ckdepiCreatinineCystatinC2021(0.9, x, s.Age, s.Sex))
	}
	tests := []struct {
		name         string
		estimate     func(float64, Subject) float64
		subject      Subject
		knot         float64
		below, above float64
		yearly       float64
	}{
		{"creatinine", cr, female, 0.7, -0.241, -1.200, 0.9938},
		{"creatinine", cr, male, 0.9, -0.302, -1.200, 0.9938},
		{"cystatin C", cys, female, 0.8, -0.499, -1.328, 0.996},
		{"cystatin C", cys, male, 0.8, -0.499, -1.328, 0.996},
		{"both by creatinine", byCr, female, 0.7, -0.219, -0.544, 0.9961},
		{"both by creatinine", byCr, male, 0.9, -0.144, -0.544, 0.9961},
		{"both by cystatin C", byCys, female, 0.8, -0.323, -0.778, 0.9961},
		{"both by cystatin C", byCys, male, 0.8, -0.323, -0.778, 0.9961},
	}
	for _, tt := range tests {
		slope := func(x float64) float64 {
			const h = 1e-5
			return (math.Log(tt.estimate(x*(1+h), tt.subject)) - math.Log(tt.estimate(x*(1-h), tt.subject))) / (2 * h)
		}
		if got := slope(tt.knot * 0.999); math.Abs(got-tt.below) > 1e-6 {
			t.Errorf("%s %s: below the knot the exponent is %g, want %g", tt.name, tt.subject.Sex, got, tt.below)
		}
		if got := slope(tt.knot * 1.001); math.Abs(got-tt.above) > 1e-6 {
			t.Errorf("%s %s: above the knot the exponent is %g, want %g", tt.name, tt.subject.Sex, got, tt.above)
		}
		older := tt.subject
		older.Age++
		if got := tt.estimate(1, older) / tt.estimate(1, tt.subject); math.Abs(got-tt.yearly) > 1e-12 {
			t.Errorf("%s %s: a year is a factor of %g, want %g", tt.name, tt.subject.Sex, got, tt.yearly)
		}
	}
	if got := cr(0.7, female) / cr(0.9, male); math.Abs(got-1.012) > 1e-12 {
		t.Errorf("creatinine at the knots: women over men %g", got)
	}
}

// TestLimitsOfTheEstimates: at a limit there is a result, just beside it none.
func TestLimitsOfTheEstimates(t *testing.T) {
	man := Subject{Age: 50, Sex: clinical.Male}
	check := func(what string, value float64, ok bool, err error) {
		t.Helper()
		if (err == nil) != ok {
			t.Errorf("%s of %g: got %v", what, value, err)
		}
	}
	for value, ok := range map[float64]bool{0.1995: false, 0.2: true, 15: true, 15.1: false} {
		_, err := CKDEPICreatinine2021(mgPerDL(value), man)
		check("a creatinine", value, ok, err)
	}
	for value, ok := range map[float64]bool{0.2985: false, 0.3: true, 8: true, 8.05: false} {
		_, err := CKDEPICystatinC2012(clinical.NewMeasurement(value, "mg/L"), man)
		check("a cystatin C", value, ok, err)
	}
	for value, ok := range map[float64]bool{9.95: false, 10: true, 100: true, 100.5: false} {
		man := man
		man.Conditions.BodyMassIndex = clinical.NewMeasurement(value, "kg/m2")
		_, err := CKDEPICreatinine2021(mgPerDL(1), man)
		check("a body mass index", value, ok, err)
	}
}

// TestEstimatesDisagreeByMoreThan15: cystatin C at which the two estimates are
// 14.95 and 15.05 apart.
func TestEstimatesDisagreeByMoreThan15(t *testing.T) {
	for difference, want := range map[float64]bool{14.95: false, 15.05: true} {
		man := Subject{Age: 50, Sex: clinical.Male}
		low, high := 0.8, 3.0
		for range 100 {
			if middle := (low + high) / 2; float64(ckdepiCreatinine2021(1, 50, clinical.Male)-ckdepiCystatinC2012(middle, 50, clinical.Male)) < difference {
				low = middle
			} else {
				high = middle
			}
		}
		e, err := CKDEPICreatinineCystatinC2021(mgPerDL(1), clinical.NewMeasurement(low, "mg/L"), man)
		if err != nil || e.HasWarning(EstimatesDisagree) != want {
			t.Errorf("%g apart: got %v, %v", difference, e.Warnings, err)
		}
	}
}

func TestForEachSex(t *testing.T) {
	estimate := func(s Subject) (Estimate, error) { return CKDEPICreatinine2021(mgPerDL(1), s) }
	both, err := Subject{Age: 50}.ForEachSex(estimate)
	if err != nil || len(both) != 2 || both[0].GFR != ckdepiCreatinine2021(1, 50, clinical.Female) || both[1].GFR != ckdepiCreatinine2021(1, 50, clinical.Male) ||
		!both[0].HasWarning(SexNotRecorded) || !both[1].HasWarning(SexNotRecorded) {
		t.Errorf("got %+v, %v", both, err)
	}
	one, err := Subject{Age: 50, Sex: clinical.Male}.ForEachSex(estimate)
	if err != nil || len(one) != 1 || one[0].GFR != both[1].GFR || one[0].HasWarning(SexNotRecorded) {
		t.Errorf("got %+v, %v", one, err)
	}
	if _, err := (Subject{Age: 50, Sex: "other"}).ForEachSex(estimate); err == nil {
		t.Error("an unknown word is accepted")
	}
	_, err = Subject{Age: 17}.ForEachSex(estimate)
	wantError(t, err, clinical.NotValidAge, "age")
}
