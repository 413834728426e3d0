package clinical_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/laterality"
	"candidacy/internal/clinical/pressure"
	"candidacy/internal/clinical/renal"
	"candidacy/internal/clinical/units"
	"candidacy/internal/clinical/urine"
)

// parameters are the inputs of one worked example, as name=value pairs.
type parameters map[string]string

func (p parameters) number(name string) float64 {
	v, err := strconv.ParseFloat(p[name], 64)
	if err != nil {
		panic(fmt.Sprintf("input %s: %v", name, err))
	}
	return v
}

func (p parameters) numbers(name string) []float64 {
	var list []float64
	for _, text := range strings.Split(p[name], "|") {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			panic(fmt.Sprintf("input %s: %v", name, err))
		}
		list = append(list, v)
	}
	return list
}

func (p parameters) measurement(name, unit string) clinical.Measurement {
	return clinical.NewMeasurement(p.number(name), unit)
}

func (p parameters) sex() clinical.Sex {
	if p["sex"] == "F" {
		return clinical.Female
	}
	return clinical.Male
}

// size takes an ordinary height where an example gives only a weight.
func (p parameters) size() body.Size {
	height := clinical.NewMeasurement(170, "cm")
	if p["h"] != "" {
		height = p.measurement("h", "cm")
	}
	return body.Size{Height: height, Weight: p.measurement("w", "kg")}
}

func (p parameters) subject() renal.Subject {
	return renal.Subject{
		Age: int(p.number("age")), Sex: p.sex(),
		Conditions: renal.Conditions{Pregnancy: clinical.No},
	}
}

func (p parameters) creatinine() clinical.Measurement {
	if p["scr_umol"] != "" {
		return p.measurement("scr_umol", "umol/L")
	}
	return p.measurement("scr", "mg/dL")
}

func (p parameters) samples() []renal.Sample {
	times, concentrations := p.numbers("t"), p.numbers("c")
	var samples []renal.Sample
	for i := range times {
		samples = append(samples, renal.Sample{
			Time:          clinical.NewMeasurement(times[i], "min"),
			Concentration: clinical.NewMeasurement(concentrations[i], "ug/mL"),
		})
	}
	return samples
}

func (p parameters) plasma(c renal.Correction) (renal.SlopeInterceptGFR, error) {
	return renal.SlopeIntercept(renal.SlopeInterceptInput{PlasmaStudy: renal.PlasmaStudy{
		Dose: p.measurement("D", "mg"), Extravasation: clinical.No,
		Samples: p.samples(), Size: p.size(),
	}, Correction: c})
}

func (p parameters) collection() urine.Collection {
	if p["T"] != "" {
		return urine.Collection{Volume: p.measurement("V", "mL"), Duration: p.measurement("T", "min")}
	}
	return urine.Collection{Volume: p.measurement("V", "mL"), Duration: p.measurement("h", "h")}
}

// urinary takes an ordinary man where an example gives no person: the absolute
// clearance does not depend on one.
func (p parameters) urinary() (renal.CreatinineClearance, error) {
	if p["w"] == "" {
		p["h"], p["w"], p["age"], p["sex"] = "180", "80", "40", "M"
	}
	return renal.UrinaryCreatinineClearance(renal.CreatinineClearanceInput{
		Collection: p.collection(), UrineCreatinine: p.measurement("U", "mg/dL"),
		SerumCreatinine: []clinical.Measurement{p.measurement("P", "mg/dL")},
		Size:            p.size(), Age: int(p.number("age")), Sex: p.sex(),
	})
}

func (p parameters) sittings() []pressure.Sitting {
	var sittings []pressure.Sitting
	for _, text := range strings.Split(p["sys"], " then ") {
		var s pressure.Sitting
		for _, systolic := range (parameters{"sys": text}).numbers("sys") {
			s.Readings = append(s.Readings, pressure.Reading{
				Systolic:  units.Quantity{Value: systolic, Unit: "mm[Hg]"},
				Diastolic: units.Quantity{Value: 75, Unit: "mm[Hg]"},
			})
		}
		sittings = append(sittings, s)
	}
	return sittings
}

func quantity(value float64, unit string) units.Quantity {
	return units.Quantity{Value: value, Unit: unit}
}

func surface(formula body.SurfaceAreaFormula) func(parameters) (units.Quantity, error) {
	return func(p parameters) (units.Quantity, error) {
		r, err := body.SurfaceArea(formula, p.size())
		return r.Value, err
	}
}

// corrected corrects a value that is already normalised.
func corrected(c renal.Correction) func(parameters) (units.Quantity, error) {
	return func(p parameters) (units.Quantity, error) {
		_, normalised, err := renal.Correct(c, renal.AbsoluteGFR(p.number("x")), 1.73)
		return normalised.Quantity(), err
	}
}

func plasma(c renal.Correction, pick func(renal.SlopeInterceptGFR) units.Quantity) func(parameters) (units.Quantity, error) {
	return func(p parameters) (units.Quantity, error) {
		g, err := p.plasma(c)
		if err != nil {
			return units.Quantity{}, err
		}
		return pick(g), nil
	}
}

func fit(pick func(renal.SlopeFit) units.Quantity) func(parameters) (units.Quantity, error) {
	return func(p parameters) (units.Quantity, error) {
		f, err := renal.FitSlope(p.samples())
		if err != nil {
			return units.Quantity{}, err
		}
		return pick(f), nil
	}
}

func single(equation renal.SingleSampleEquation) func(parameters) (units.Quantity, error) {
	return func(p parameters) (units.Quantity, error) {
		g, err := equation.Clearance(p.number("Q"), p.number("V"), p.number("t"), p.number("C"))
		return g.Quantity(), err
	}
}

func value(g renal.SlopeInterceptGFR) units.Quantity { return g.Value }

func urinary(pick func(renal.CreatinineClearance) units.Quantity) func(parameters) (units.Quantity, error) {
	return func(p parameters) (units.Quantity, error) {
		c, err := p.urinary()
		if err != nil {
			return units.Quantity{}, err
		}
		return pick(c), nil
	}
}

func convert(analyte units.Analyte, name, from, to string) func(parameters) (units.Quantity, error) {
	return func(p parameters) (units.Quantity, error) {
		return units.Convert(analyte, quantity(p.number(name), from), to)
	}
}

func donation(pick func(renal.AfterDonation) units.Quantity) func(parameters) (units.Quantity, error) {
	return func(p parameters) (units.Quantity, error) {
		a, err := renal.ExpectedGFRAfterDonation(p.measurement("pre", units.MLPerMinPer173M2), renal.DefaultRecovery())
		if err != nil {
			return units.Quantity{}, err
		}
		return pick(a), nil
	}
}

func step(r clinical.Result, text string) units.Quantity {
	for _, s := range r.Steps {
		if s.Text == text {
			return s.Value
		}
	}
	return units.Quantity{}
}

// formulas maps the name of a worked example to what computes it.
var formulas = map[string]func(parameters) (units.Quantity, error){
	"bmi": func(p parameters) (units.Quantity, error) {
		r, err := body.MassIndex(p.size())
		return r.Value, err
	},
	"bsa_dubois":    surface(body.DuBois),
	"bsa_mosteller": surface(body.Mosteller),
	"bsa_haycock":   surface(body.Haycock),
	"egfrcr_2021": func(p parameters) (units.Quantity, error) {
		e, err := renal.CKDEPICreatinine2021(p.creatinine(), p.subject())
		return e.Value, err
	},
	"egfrcys_2012": func(p parameters) (units.Quantity, error) {
		e, err := renal.CKDEPICystatinC2012(p.measurement("cys", "mg/L"), p.subject())
		return e.Value, err
	},
	"egfrcrcys_2021": func(p parameters) (units.Quantity, error) {
		e, err := renal.CKDEPICreatinineCystatinC2021(p.creatinine(), p.measurement("cys", "mg/L"), p.subject())
		return e.Value, err
	},
	"scr_mgdl": convert(units.SerumCreatinine, "umol", "umol/L", "mg/dL"),
	"slope_c0": fit(func(f renal.SlopeFit) units.Quantity { return quantity(f.C0, "ug/mL") }),
	"slope_k":  fit(func(f renal.SlopeFit) units.Quantity { return quantity(f.K, "/min") }),
	"slope_r2": fit(func(f renal.SlopeFit) units.Quantity { return quantity(*f.RSquared, "1") }),
	"slope_cl1": func(p parameters) (units.Quantity, error) {
		f, err := renal.FitSlope(p.samples())
		if err != nil {
			return units.Quantity{}, err
		}
		g, err := f.Clearance(1000 * p.number("D"))
		return g.Quantity(), err
	},
	"slope_half_life":    fit(func(f renal.SlopeFit) units.Quantity { return quantity(f.HalfLife, "min") }),
	"slope_max_residual": fit(func(f renal.SlopeFit) units.Quantity { return quantity(f.LargestResidual*100, "%") }),
	"slope_volume": plasma("", func(g renal.SlopeInterceptGFR) units.Quantity {
		return quantity(g.VolumeOfDistribution, "mL")
	}),
	"slope_cl1_norm": plasma("", func(g renal.SlopeInterceptGFR) units.Quantity {
		return step(g.Result, "uncorrected clearance, normalised")
	}),
	"slope_bm_norm":  plasma("", value),
	"slope_jbm_norm": plasma(renal.Jodal2009, value),
	"slope_ng_norm":  plasma(renal.Ng2011, value),
	"bm":             corrected(renal.BrochnerMortensen1972),
	"fleming":        corrected(renal.Fleming2007),
	"ng":             corrected(renal.Ng2011),
	"jbm_abs": func(p parameters) (units.Quantity, error) {
		absolute, _, err := renal.Correct(renal.Jodal2009, renal.AbsoluteGFR(p.number("cl1")), p.number("bsa"))
		return absolute.Quantity(), err
	},
	"jbm_norm": func(p parameters) (units.Quantity, error) {
		_, normalised, err := renal.Correct(renal.Jodal2009, renal.AbsoluteGFR(p.number("cl1")), p.number("bsa"))
		return normalised.Quantity(), err
	},
	"two_comp_cl": func(p parameters) (units.Quantity, error) {
		f := renal.TwoCompartmentFit{A: p.number("A"), Alpha: p.number("al"), B: p.number("B"), Beta: p.number("be")}
		g, err := f.Clearance(1000 * p.number("D"))
		return g.Quantity(), err
	},
	"jacobsson_1983": single(renal.Jacobsson1983),
	"jacobsson_ekfc": single(renal.JacobssonEKFC),
	"glucose_si":     convert(units.Glucose, "mgdl", "mg/dL", "mmol/L"),
	"hba1c_ifcc":     convert(units.HbA1c, "ngsp", "%", "mmol/mol"),
	"hba1c_ngsp":     convert(units.HbA1c, "ifcc", "mmol/mol", "%"),
	"chol_si":        convert(units.Cholesterol, "mgdl", "mg/dL", "mmol/L"),
	"tg_si":          convert(units.Triglyceride, "mgdl", "mg/dL", "mmol/L"),
	"crcl":           urinary(func(c renal.CreatinineClearance) units.Quantity { return c.Absolute.Quantity() }),
	"crcl_norm":      urinary(func(c renal.CreatinineClearance) units.Quantity { return c.Value }),
	"creatinine_excretion": urinary(func(c renal.CreatinineClearance) units.Quantity {
		return c.Completeness.Value
	}),
	"creatinine_per_kg": urinary(func(c renal.CreatinineClearance) units.Quantity {
		return quantity(c.Completeness.PerKg, "mg/kg/(24.h)")
	}),
	"creatinine_ratio": urinary(func(c renal.CreatinineClearance) units.Quantity {
		return quantity(c.Completeness.Ratio, "1")
	}),
	"ecer_ix": func(p parameters) (units.Quantity, error) {
		r, err := urine.ExpectedCreatinineExcretion(p.size(), int(p.number("age")), p.sex())
		return r.Value, err
	},
	"aer": func(p parameters) (units.Quantity, error) {
		r, err := urine.AlbuminExcretion(p.collection(), p.measurement("alb", "mg/L"))
		return r.Value, err
	},
	"aer_per_min": func(p parameters) (units.Quantity, error) {
		r, err := urine.AlbuminExcretion(p.collection(), p.measurement("alb", "mg/L"))
		return step(r, "albumin excretion a minute"), err
	},
	"acr_si":           convert(units.AlbuminCreatinineRatio, "mgg", "mg/g", "mg/mmol"),
	"acr_conventional": convert(units.AlbuminCreatinineRatio, "mgmmol", "mg/mmol", "mg/g"),
	"ellipsoid": func(p parameters) (units.Quantity, error) {
		r, err := laterality.EllipsoidVolume(laterality.Axes{
			Length: p.measurement("L", "cm"), Width: p.measurement("W", "cm"), Thickness: p.measurement("T", "cm"),
		})
		return r.Value, err
	},
	"split_volume_left": func(p parameters) (units.Quantity, error) {
		s, err := laterality.SplitFromVolumes(p.measurement("l", "mL"), p.measurement("r", "mL"))
		return s.Value, err
	},
	"split_gm_left": func(p parameters) (units.Quantity, error) {
		s, err := laterality.SplitFromScintigraphy(laterality.Counts{
			LeftAnterior: p.number("la"), LeftPosterior: p.number("lp"), RightAnterior: p.number("ra"), RightPosterior: p.number("rp"),
		})
		return s.Value, err
	},
	"bp_mean": func(p parameters) (units.Quantity, error) {
		o, err := pressure.OfficeMean(p.sittings())
		return o.Systolic.Value, err
	},
	"post_gfr":      donation(func(a renal.AfterDonation) units.Quantity { return a.Value }),
	"post_gfr_low":  donation(func(a renal.AfterDonation) units.Quantity { return a.Low.Quantity() }),
	"post_gfr_high": donation(func(a renal.AfterDonation) units.Quantity { return a.High.Quantity() }),
	"post_scr": func(p parameters) (units.Quantity, error) {
		c, err := renal.ExpectedCreatinineAfterDonation(p.creatinine(), p.subject(), renal.DefaultRecovery())
		return c.Value, err
	},
}

// TestWorkedExamples runs every row of the worked examples. The source column
// names the equation; "calc" means that the expected value was computed from the
// printed equation and is not a published output.
func TestWorkedExamples(t *testing.T) {
	for _, file := range []string{"check-values.csv", "worked-examples.csv"} {
		for i, row := range readRows(t, file) {
			name, inputs, unit, source := row[0], row[1], row[2], row[5]
			t.Run(fmt.Sprintf("%s/%d/%s", file, i+2, name), func(t *testing.T) {
				if source == "" {
					t.Fatal("the row names no source")
				}
				formula, ok := formulas[name]
				if !ok {
					t.Fatalf("no formula is called %q", name)
				}
				p := parameters{}
				for _, pair := range strings.Split(inputs, ";") {
					key, text, _ := strings.Cut(pair, "=")
					p[key] = text
				}
				got, err := formula(p)
				if err != nil {
					t.Fatal(err)
				}
				expected, tolerance := parse(t, row[3]), parse(t, row[4])
				if math.Abs(got.Value-expected) > tolerance {
					t.Errorf("%s: got %.8g, want %g within %g (%s)", inputs, got.Value, expected, tolerance, source)
				}
				if got.Unit != unit && !(got.Unit == "mg/(24.h)" && unit == "mg/d") {
					t.Errorf("%s: got the unit %q, want %q", inputs, got.Unit, unit)
				}
			})
		}
	}
}

func readRows(t *testing.T, file string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "worked-examples", file))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func parse(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
