package renal

import (
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// PlasmaUncertainty states how well the inputs of a plasma clearance are known.
// All are standard uncertainties (one standard deviation), and all have to be
// stated: the laboratory knows its own assay.
type PlasmaUncertainty struct {
	// Concentration is the coefficient of variation of one concentration.
	Concentration clinical.Measurement `json:"concentration" jsonschema:"coefficient of variation of one concentration, in %"`
	// Dose is the relative uncertainty of the dose, the calibration included: it
	// is common to all samples.
	Dose clinical.Measurement `json:"dose" jsonschema:"relative standard uncertainty of the dose and the calibration, in %"`
	// Time is the uncertainty of the time of one sample.
	Time clinical.Measurement `json:"time" jsonschema:"standard uncertainty of the time of one sample, in min"`
}

// UrineUncertainty states how well the inputs of a urinary clearance are known,
// as standard uncertainties (one standard deviation).
type UrineUncertainty struct {
	// Concentration is the coefficient of variation of a concentration in urine
	// and of one in serum.
	Concentration clinical.Measurement `json:"concentration" jsonschema:"coefficient of variation of a concentration in urine and of one in serum, in %"`
	// Volume is the relative uncertainty of the volume, urine that was lost
	// included.
	Volume clinical.Measurement `json:"volume" jsonschema:"relative standard uncertainty of the urine volume, in %"`
	// Time is the uncertainty of the duration of the collection.
	Time clinical.Measurement `json:"time" jsonschema:"standard uncertainty of the duration of the collection, in min"`
}

// Limits of an uncertainty, to catch slips such as a fraction for a percentage.
// Common practice, no published source.
const (
	lowestUncertaintyPercent, highestUncertaintyPercent = 0.2, 30
	lowestUncertaintyMinutes, highestUncertaintyMinutes = 0.01, 60
)

// The normal distribution holds 95 % within 1.960 standard deviations: JCGM
// 100:2008, table G.1.
const coverage, coverageFactor = 0.95, 1.960

// methodOfInterval names how an interval is found: the law of propagation of
// uncertainty for inputs that are not correlated, with each sensitivity
// evaluated by half the change of the result for the input plus and minus its
// standard uncertainty (JCGM 100:2008, 5.1.2 and note 2 to 5.1.3).
const methodOfInterval = "law of propagation of uncertainty, JCGM 100:2008, 5.1.2, sensitivities by finite differences; " +
	"day-to-day variation of GFR and the error of the method itself are not in it"

// relative returns a relative uncertainty as a fraction.
func relative(field string, m clinical.Measurement) (float64, error) {
	percent, err := m.Within(field, units.Proportion, lowestUncertaintyPercent, highestUncertaintyPercent, units.Percent)
	return percent / 100, err
}

func minutesOf(field string, m clinical.Measurement) (float64, error) {
	return m.Within(field, units.Duration, lowestUncertaintyMinutes, highestUncertaintyMinutes, units.Minute)
}

// source of uncertainty: one or more inputs of the same kind, each with its
// index in the vector of inputs and its standard uncertainty.
type uncertain struct {
	name   string
	inputs []int
	of     func(value float64) float64
}

// propagate returns the interval of f at x. It returns the error of f when an
// input changed by its standard uncertainty has no result.
func propagate(f func(x []float64) (float64, error), x []float64, sources []uncertain) (*clinical.Interval, error) {
	value, err := f(x)
	if err != nil {
		return nil, err
	}
	interval := &clinical.Interval{Coverage: coverage, CoverageFactor: coverageFactor, Method: methodOfInterval}
	var total float64
	for _, source := range sources {
		var sum float64
		for _, i := range source.inputs {
			u, at := source.of(x[i]), x[i]
			x[i] = at + u
			above, err := f(x)
			if err != nil {
				return nil, err
			}
			x[i] = at - u
			below, err := f(x)
			x[i] = at
			if err != nil {
				return nil, err
			}
			half := (above - below) / 2
			sum += half * half
		}
		interval.Contributions = append(interval.Contributions, clinical.Contribution{Name: source.name, StandardUncertainty: math.Sqrt(sum)})
		total += sum
	}
	interval.StandardUncertainty = math.Sqrt(total)
	if math.IsNaN(interval.StandardUncertainty) || math.IsInf(interval.StandardUncertainty, 0) {
		return nil, &clinical.Error{Code: clinical.NotFinite, Field: "uncertainty", Message: "the uncertainty of the result is not a finite number"}
	}
	// A GFR is not negative.
	interval.Low = math.Max(0, value-coverageFactor*interval.StandardUncertainty)
	interval.High = value + coverageFactor*interval.StandardUncertainty
	return interval, nil
}

func proportional(fraction float64) func(float64) float64 {
	return func(value float64) float64 { return fraction * value }
}

func constant(u float64) func(float64) float64 { return func(float64) float64 { return u } }

// The warnings about an interval.
const (
	// UncertaintyNotStated: no uncertainties were given, so there is no interval.
	UncertaintyNotStated clinical.WarningCode = "uncertainty-not-stated"
	// ScatterExceedsAssay: the samples scatter about the fitted curve by more
	// than the stated coefficient of variation, so the scatter was used.
	ScatterExceedsAssay clinical.WarningCode = "scatter-exceeds-assay"
	// IntervalNotComputed: with an input changed by its uncertainty there is no
	// result, so there is no interval.
	IntervalNotComputed clinical.WarningCode = "interval-not-computed"
)

// setInterval adds the interval, or the warning that there is none.
func setInterval(r *clinical.Result, interval *clinical.Interval, err error) {
	if err != nil {
		r.Warn(IntervalNotComputed, "the result is not robust: with an input changed by its uncertainty there is none, so the interval cannot be computed")
		return
	}
	r.Interval = interval
}

// Check returns a *clinical.Error for an uncertainty that is missing, in another
// unit, or outside 0.2 to 30 % or 0.01 to 60 min.
func (u PlasmaUncertainty) Check() error {
	_, _, _, err := u.values()
	return err
}

// values returns the relative uncertainties as fractions, and minutes.
func (u PlasmaUncertainty) values() (concentration, dose, minutes float64, err error) {
	if concentration, err = relative("uncertainty of the concentration", u.Concentration); err != nil {
		return 0, 0, 0, err
	}
	if dose, err = relative("uncertainty of the dose", u.Dose); err != nil {
		return 0, 0, 0, err
	}
	minutes, err = minutesOf("uncertainty of the time", u.Time)
	return concentration, dose, minutes, err
}

// Check returns a *clinical.Error for an uncertainty that is missing, in another
// unit, or outside 0.2 to 30 % or 0.01 to 60 min.
func (u UrineUncertainty) Check() error {
	_, _, _, err := u.values()
	return err
}

// values returns the relative uncertainties as fractions, and minutes.
func (u UrineUncertainty) values() (concentration, volume, minutes float64, err error) {
	if concentration, err = relative("uncertainty of the concentration", u.Concentration); err != nil {
		return 0, 0, 0, err
	}
	if volume, err = relative("uncertainty of the volume", u.Volume); err != nil {
		return 0, 0, 0, err
	}
	minutes, err = minutesOf("uncertainty of the time", u.Time)
	return concentration, volume, minutes, err
}

// interval finds the interval of a plasma clearance. Scatter is that of the
// samples about the fitted curve, as a fraction: where it is larger than the
// stated coefficient of variation, it is used instead. GFR computes the
// normalised clearance from an amount and points, without quality checks.
func (u PlasmaUncertainty) interval(r *clinical.Result, amount float64, points []point, scatter float64, gfr func(amount float64, points []point) (float64, error)) error {
	concentration, dose, minutes, err := u.values()
	if err != nil {
		return err
	}
	r.AddInput("uncertainty of the concentration", u.Concentration)
	r.AddInput("uncertainty of the dose", u.Dose)
	r.AddInput("uncertainty of the time", u.Time)
	if scatter > concentration {
		r.Warn(ScatterExceedsAssay, "the samples scatter by %s %% about the fitted curve, more than the stated coefficient of variation; the interval uses the scatter", clinical.Display(scatter*100, 1))
		concentration = scatter
	}
	n := len(points)
	x := []float64{amount}
	times, concentrations := make([]int, n), make([]int, n)
	for i, p := range points {
		times[i], concentrations[i] = 1+2*i, 2+2*i
		x = append(x, p.minutes, p.concentration)
	}
	changed := make([]point, n)
	interval, err := propagate(func(x []float64) (float64, error) {
		for i := range changed {
			changed[i] = point{x[1+2*i], x[2+2*i]}
		}
		return gfr(x[0], changed)
	}, x, []uncertain{
		{"concentration", concentrations, proportional(concentration)},
		{"dose", []int{0}, proportional(dose)},
		{"time", times, constant(minutes)},
	})
	setInterval(r, interval, err)
	return nil
}
