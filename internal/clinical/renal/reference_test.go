package renal

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
)

// referenceRow is one row of the values that R computed: see the README beside
// them.
type referenceRow struct {
	kind, name, quantity string
	inputs               map[string]string
	value                float64
}

func (r referenceRow) number(t *testing.T, name string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r.inputs[name], 64)
	if err != nil {
		t.Fatalf("%s %s: %v", r.kind, r.name, err)
	}
	return v
}

func (r referenceRow) numbers(t *testing.T, name string) []float64 {
	t.Helper()
	var list []float64
	for text := range strings.SplitSeq(r.inputs[name], "|") {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatalf("%s %s: %v", r.kind, r.name, err)
		}
		list = append(list, v)
	}
	return list
}

func (r referenceRow) points(t *testing.T) []point {
	t.Helper()
	times, concentrations := r.numbers(t, "t"), r.numbers(t, "c")
	var list []point
	for i := range times {
		list = append(list, point{times[i], concentrations[i]})
	}
	return list
}

func (r referenceRow) sex() clinical.Sex {
	if r.inputs["sex"] == "F" {
		return clinical.Female
	}
	return clinical.Male
}

func (r referenceRow) subject(t *testing.T) Subject {
	t.Helper()
	return Subject{Age: int(r.number(t, "age")), Sex: r.sex()}
}

func (r referenceRow) measurement(t *testing.T, name, unit string) clinical.Measurement {
	t.Helper()
	return clinical.NewMeasurement(r.number(t, name), unit)
}

func (r referenceRow) size(t *testing.T) body.Size {
	t.Helper()
	return body.Size{Height: r.measurement(t, "h", "cm"), Weight: r.measurement(t, "w", "kg")}
}

func readReference(t *testing.T, kind string) []referenceRow {
	t.Helper()
	f, err := os.Open("../../../testdata/conformance/r/reference.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	reader := csv.NewReader(f)
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var list []referenceRow
	for _, row := range rows[1:] {
		if row[0] != kind {
			continue
		}
		value, err := strconv.ParseFloat(row[4], 64)
		if err != nil {
			t.Fatal(err)
		}
		r := referenceRow{kind: row[0], name: row[1], quantity: row[3], inputs: map[string]string{}, value: value}
		for pair := range strings.SplitSeq(row[2], ";") {
			key, text, _ := strings.Cut(pair, "=")
			r.inputs[key] = text
		}
		list = append(list, r)
	}
	if len(list) == 0 {
		t.Fatalf("there are no reference values of %s", kind)
	}
	return list
}

func (r referenceRow) want(t *testing.T, got, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-r.value) <= tolerance*math.Max(math.Abs(r.value), 1e-9)) {
		t.Errorf("%s %s %s: got %.15g, R has %.15g", r.kind, r.name, r.quantity, got, r.value)
	}
}

// TestEstimatesAgreeWithR compares with the equations written as log-linear
// splines in R.
func TestEstimatesAgreeWithR(t *testing.T) {
	for _, r := range readReference(t, "ckdepi-cr-2021") {
		e, err := CKDEPICreatinine2021(r.measurement(t, "scr", "mg/dL"), r.subject(t))
		if err != nil {
			t.Fatal(err)
		}
		r.want(t, e.Value.Value, 1e-12)
	}
	for _, r := range readReference(t, "ckdepi-cys-2012") {
		e, err := CKDEPICystatinC2012(r.measurement(t, "cys", "mg/L"), r.subject(t))
		if err != nil {
			t.Fatal(err)
		}
		r.want(t, e.Value.Value, 1e-12)
	}
	for _, r := range readReference(t, "ckdepi-cr-cys-2021") {
		e, err := CKDEPICreatinineCystatinC2021(r.measurement(t, "scr", "mg/dL"), r.measurement(t, "cys", "mg/L"), r.subject(t))
		if err != nil {
			t.Fatal(err)
		}
		r.want(t, e.Value.Value, 1e-12)
	}
}

// TestCreatinineAfterDonationAgreesWithR compares with R's root finder.
func TestCreatinineAfterDonationAgreesWithR(t *testing.T) {
	for _, r := range readReference(t, "creatinine-after-donation") {
		fraction := r.number(t, "fraction")
		c, err := ExpectedCreatinineAfterDonation(r.measurement(t, "scr", "mg/dL"), r.subject(t), Recovery{Low: fraction, Expected: fraction, High: fraction})
		if err != nil {
			t.Fatal(err)
		}
		r.want(t, c.Value.Value, 1e-9)
	}
}

func TestBodyAgreesWithR(t *testing.T) {
	formulas := map[string]body.SurfaceAreaFormula{"bsa_dubois": body.DuBois, "bsa_mosteller": body.Mosteller, "bsa_haycock": body.Haycock}
	for _, r := range readReference(t, "body") {
		got, err := body.MassIndex(r.size(t))
		if r.quantity != "bmi" {
			got, err = body.SurfaceArea(formulas[r.quantity], r.size(t))
		}
		if err != nil {
			t.Fatal(err)
		}
		r.want(t, got.Value.Value, 1e-12)
	}
}

// TestSlopeAgreesWithR compares with lm, and the uncertainty of the clearance
// with the delta method on R's covariance matrix.
func TestSlopeAgreesWithR(t *testing.T) {
	for _, r := range readReference(t, "slope-intercept") {
		fit, err := fitSlope(r.points(t))
		if err != nil {
			t.Fatal(err)
		}
		clearance, err := fit.Clearance(1000 * r.number(t, "D"))
		if err != nil {
			t.Fatal(err)
		}
		switch r.quantity {
		case "slope":
			r.want(t, -fit.K, 1e-10)
		case "intercept":
			r.want(t, math.Log(fit.C0), 1e-10)
		case "clearance":
			r.want(t, float64(clearance), 1e-10)
		case "r_squared":
			r.want(t, *fit.RSquared, 1e-10)
		case "residual_sd":
			r.want(t, fit.Scatter, 1e-7)
		case "clearance_se":
			if fit.Scatter > 0.05 {
				continue // the uncertainty is no longer linear in so large an error
			}
			r.want(t, slopeUncertainty(t, r.points(t), 1000*r.number(t, "D"), fit.Scatter), 0.02)
		}
	}
}

// slopeUncertainty is that of the uncorrected clearance by the concentrations
// alone.
func slopeUncertainty(t *testing.T, points []point, amount, variation float64) float64 {
	t.Helper()
	x, inputs := make([]float64, len(points)), make([]int, len(points))
	for i, p := range points {
		x[i], inputs[i] = p.concentration, i
	}
	changed := slices.Clone(points)
	interval, err := propagate(func(x []float64) (float64, error) {
		for i := range changed {
			changed[i].concentration = x[i]
		}
		fit, err := fitSlope(changed)
		if err != nil {
			return 0, err
		}
		clearance, err := fit.Clearance(amount)
		return float64(clearance), err
	}, x, []uncertain{{"concentration", inputs, proportional(variation)}})
	if err != nil {
		t.Fatal(err)
	}
	return interval.StandardUncertainty
}

// TestLineAgreesWithNIST fits the data set Norris of the Statistical Reference
// Datasets of NIST, whose certified values R reproduces.
func TestLineAgreesWithNIST(t *testing.T) {
	for _, r := range readReference(t, "line") {
		x, y := r.numbers(t, "x"), r.numbers(t, "y")
		// An exponential whose logarithm is the line, scaled so that it falls.
		const scale = -1e-2
		points := make([]point, len(x))
		for i := range x {
			points[i] = point{x[i], math.Exp(scale * y[i])}
		}
		fit, err := fitSlope(points)
		if err != nil {
			t.Fatal(err)
		}
		switch r.quantity {
		case "slope":
			r.want(t, slopeOf(x, y), 1e-10)
			r.want(t, -fit.K/scale, 1e-10)
		case "intercept":
			r.want(t, math.Log(fit.C0)/scale, 1e-8)
		case "residual_sd":
			r.want(t, fit.Scatter/-scale, 1e-8)
		case "r_squared":
			r.want(t, *fit.RSquared, 1e-10)
		}
	}
}

// TestTwoCompartmentsAgreeWithR compares with nls, and the area with quadrature
// in R.
func TestTwoCompartmentsAgreeWithR(t *testing.T) {
	for _, r := range readReference(t, "two-compartment") {
		fit, err := fitTwoCompartments(r.points(t))
		if err != nil {
			t.Fatalf("%s: %v", r.name, err)
		}
		clearance, err := fit.Clearance(1000 * r.number(t, "D"))
		if err != nil {
			t.Fatal(err)
		}
		switch r.quantity {
		case "A":
			r.want(t, fit.A, 1e-7)
		case "alpha":
			r.want(t, fit.Alpha, 1e-7)
		case "B":
			r.want(t, fit.B, 1e-7)
		case "beta":
			r.want(t, fit.Beta, 1e-7)
		case "auc", "auc_integrated":
			r.want(t, fit.Area(), 1e-7)
		case "clearance":
			r.want(t, float64(clearance), 1e-7)
		case "weighted_rss":
			r.want(t, fit.Scatter*fit.Scatter*float64(fit.Samples-4), 1e-7)
		}
	}
}

// TestTwoCompartmentsFitIndometh fits the measured concentrations of R's data
// set Indometh (Kwan, 1976), six people, from a start that is well off.
func TestTwoCompartmentsFitIndometh(t *testing.T) {
	fits := map[string]TwoCompartmentFit{}
	rows := slices.DeleteFunc(readReference(t, "indometh"), func(r referenceRow) bool { return r.inputs["weights"] == "none" })
	for _, r := range rows {
		fit := fits[r.name]
		switch r.quantity {
		case "A":
			fit.A = r.value
		case "alpha":
			fit.Alpha = r.value
		case "B":
			fit.B = r.value
		case "beta":
			fit.Beta = r.value
		}
		fits[r.name] = fit
	}
	for _, r := range rows {
		near := fits[r.name]
		fit, err := refine(r.points(t), TwoCompartmentFit{A: near.A * 1.3, Alpha: near.Alpha * 0.8, B: near.B * 0.7, Beta: near.Beta * 1.2})
		if err != nil {
			t.Fatalf("%s: %v", r.name, err)
		}
		switch r.quantity {
		case "A":
			r.want(t, fit.A, 1e-6)
		case "alpha":
			r.want(t, fit.Alpha, 1e-6)
		case "B":
			r.want(t, fit.B, 1e-6)
		case "beta":
			r.want(t, fit.Beta, 1e-6)
		case "auc", "auc_integrated":
			r.want(t, fit.Area(), 1e-6)
		}
	}
}

// TestSingleSampleAgreesWithR compares with R's root finder.
func TestSingleSampleAgreesWithR(t *testing.T) {
	volumes := map[string]VolumeEquation{"granerus": Granerus, "faucon": Faucon2022}
	for _, r := range readReference(t, "single-sample") {
		in := single()
		in.Volume = volumes[r.inputs["volume"]]
		in.Age, in.Sex, in.Size = int(r.number(t, "age")), r.sex(), r.size(t)
		in.Dose = r.measurement(t, "Q", "ug")
		in.NominalDose = clinical.Measurement{}
		in.Samples = samples(r.number(t, "t"), r.number(t, "ct"))
		if strings.HasSuffix(r.quantity, "1983") {
			in.Equation = Jacobsson1983
		}
		g, err := SingleSample(in)
		if err != nil {
			t.Fatalf("%s: %v", r.name, err)
		}
		switch r.quantity {
		case "volume":
			r.want(t, g.VolumeOfDistribution, 1e-12)
		case "m_1983":
			r.want(t, mixing(float64(g.Absolute)), 1e-9)
		default:
			r.want(t, float64(g.Absolute), 1e-9)
		}
	}
}
