package renal

import (
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// TwoCompartmentFit is the sum of a fast and a slow exponential: C(t) = A
// exp(-Alpha t) + B exp(-Beta t), with Alpha above Beta.
type TwoCompartmentFit struct {
	// Samples is the number of samples fitted.
	Samples int `json:"samples"`
	// A and B are in the unit of the concentrations, Alpha and Beta in 1/min.
	A     float64 `json:"a"`
	Alpha float64 `json:"alpha"`
	B     float64 `json:"b"`
	Beta  float64 `json:"beta"`
	// LargestResidual is the largest deviation of a measured concentration from
	// the fitted one, as a fraction of the measured one, by which it is
	// weighted.
	LargestResidual float64 `json:"largestResidual"`
	// Scatter is the standard deviation of the relative residuals, with four
	// degrees of freedom less than samples.
	Scatter float64 `json:"scatter"`
}

// Area is the area under the curve from zero to infinity, in the unit of the
// concentrations times minutes.
func (f TwoCompartmentFit) Area() float64 { return f.A/f.Alpha + f.B/f.Beta }

// Concentration is the fitted concentration at a time in minutes.
func (f TwoCompartmentFit) Concentration(minutes float64) float64 {
	return f.A*math.Exp(-f.Alpha*minutes) + f.B*math.Exp(-f.Beta*minutes)
}

// Clearance returns the clearance in mL/min of an amount of marker: amount over
// area. The amount has to be in the unit that the concentrations have in 1 mL.
// It returns a *clinical.Error when the amount or the clearance is not a finite
// positive number.
func (f TwoCompartmentFit) Clearance(amount float64) (AbsoluteGFR, error) {
	if err := checkPositive("dose", amount); err != nil {
		return 0, err
	}
	clearance := amount / f.Area()
	if err := checkPositive("clearance", clearance); err != nil {
		return 0, err
	}
	return AbsoluteGFR(clearance), nil
}

// The samples that a two-compartment fit needs.
const (
	// Times in min of early samples, and the numbers of early and late ones:
	// Schwartz, Kidney Int 2006, as cited by open-source code for iohexol GFR.
	firstEarlyMinutes, lastEarlyMinutes = 5, 90
	fewestEarly, fewestLate             = 2, 3
	parameters                          = 4
	// Rate constants closer than this cannot be told apart. Common practice, no
	// published source.
	fewestAlphaOverBeta = 1.5
	// More samples than these are no study. Common practice, no published source.
	mostSamples = 50
)

// FitTwoCompartments fits samples of iohexol by least squares of the relative
// residuals (weight 1/C^2), with all four parameters positive: a start by
// curve stripping, then the method of Levenberg and Marquardt on the logarithms
// of the parameters. It does the arithmetic; the quality of the fit is judged by
// TwoCompartment.
//
// It returns a *clinical.Error for a time outside 1 to 2880 min, a concentration
// outside 0.5 to 5000 ug/mL, times that do not increase, fewer than two samples
// from 5 to 90 min or three from 120 min on, a concentration more than 2 % above
// the one before it, early samples that do not lie above the slow curve, a
// fit that does not converge, and rate constants that cannot be told apart.
// Source: weights and area in open-source code for iohexol GFR after Schwartz,
// Kidney Int 2006.
func FitTwoCompartments(samples []Sample) (TwoCompartmentFit, error) {
	points, err := Iohexol.pointsOf(samples)
	if err != nil {
		return TwoCompartmentFit{}, err
	}
	return fitTwoCompartments(fitted(points))
}

func fitTwoCompartments(points []point) (TwoCompartmentFit, error) {
	early, late, err := phases(points)
	if err != nil {
		return TwoCompartmentFit{}, err
	}
	start, err := strip(early, late)
	if err != nil {
		return TwoCompartmentFit{}, err
	}
	return refine(points, start)
}

// fitted returns the points from 5 min on: before, the marker is not yet mixed
// in the blood.
func fitted(points []point) []point {
	for i, p := range points {
		if p.minutes >= firstEarlyMinutes {
			return points[i:]
		}
	}
	return nil
}

// phases returns the points from 5 to 90 min and those from 120 min on.
func phases(points []point) (early, late []point, err error) {
	for i, p := range points {
		if p.minutes >= firstEarlyMinutes && p.minutes <= lastEarlyMinutes {
			early = append(early, p)
		}
		if p.minutes >= firstLateMinutes {
			late = points[i:]
			break
		}
	}
	if len(early) < fewestEarly || len(late) < fewestLate {
		return nil, nil, &clinical.Error{
			Code: clinical.TooFew, Field: "samples", Message: "two compartments need early and late samples",
			Accepted: []string{"2 or more from 5 to 90 min, better 3", "3 or more from 120 min on"},
		}
	}
	return early, late, checkFalling(points)
}

// strip finds a start: the line of ln C through the late points, and the line of
// the logarithms of what lies above it early.
func strip(early, late []point) (TwoCompartmentFit, error) {
	slow, err := fitSlope(late)
	if err != nil {
		return TwoCompartmentFit{}, err
	}
	var above []point
	for _, p := range early {
		if rest := p.concentration - slow.C0*math.Exp(-slow.K*p.minutes); rest > 0 {
			above = append(above, point{p.minutes, rest})
		}
	}
	start := TwoCompartmentFit{B: slow.C0, Beta: slow.K}
	if len(above) >= fewestEarly {
		if fast, err := fitSlope(above); err == nil && fast.K > slow.K {
			start.A, start.Alpha = fast.C0, fast.K
			return start, nil
		}
	}
	return TwoCompartmentFit{}, &clinical.Error{
		Code: clinical.QualityRefused, Field: "samples",
		Message: "the early samples do not lie above the slow curve as a fast phase would; use the slope-intercept method",
	}
}

// When the method of Levenberg and Marquardt stops: a step so small that no
// parameter changes in its last digits, or too many of them.
const (
	negligibleStep = 1e-11
	mostSteps      = 200
	firstDamping   = 1e-3
	dampingFactor  = 10
)

// refine minimises the sum of squares of the relative residuals from a start,
// over the logarithms of the parameters, which keeps them positive.
func refine(points []point, start TwoCompartmentFit) (TwoCompartmentFit, error) {
	p := [parameters]float64{math.Log(start.A), math.Log(start.Alpha), math.Log(start.B), math.Log(start.Beta)}
	squares, gradient, normal := relativeResiduals(points, p)
	damping := firstDamping
	converged := false
	for range mostSteps {
		step, ok := solveDamped(normal, gradient, damping)
		if !ok {
			damping *= dampingFactor
			continue
		}
		next, largest := p, 0.0
		for i := range next {
			next[i] -= step[i]
			largest = math.Max(largest, math.Abs(step[i]))
		}
		nextSquares, nextGradient, nextNormal := relativeResiduals(points, next)
		if nextSquares <= squares {
			p, squares, gradient, normal = next, nextSquares, nextGradient, nextNormal
			damping /= dampingFactor
		} else {
			damping *= dampingFactor
		}
		if largest < negligibleStep {
			converged = true
			break
		}
	}
	fit := TwoCompartmentFit{
		Samples: len(points),
		A:       math.Exp(p[0]), Alpha: math.Exp(p[1]), B: math.Exp(p[2]), Beta: math.Exp(p[3]),
	}
	if fit.Beta > fit.Alpha {
		fit.A, fit.Alpha, fit.B, fit.Beta = fit.B, fit.Beta, fit.A, fit.Alpha
	}
	if area := fit.Area(); !converged || !(area > 0) || math.IsInf(area, 0) {
		return TwoCompartmentFit{}, &clinical.Error{
			Code: clinical.QualityRefused, Field: "samples", Message: "the fit of two exponentials does not converge",
		}
	}
	if fit.Alpha < fit.Beta*fewestAlphaOverBeta {
		return TwoCompartmentFit{}, &clinical.Error{
			Code: clinical.QualityRefused, Field: "samples", Message: "a fast and a slow phase cannot be told apart; use the slope-intercept method",
		}
	}
	for _, each := range points {
		fit.LargestResidual = math.Max(fit.LargestResidual, math.Abs(fit.Concentration(each.minutes)/each.concentration-1))
	}
	if free := len(points) - parameters; free > 0 {
		fit.Scatter = math.Sqrt(squares / float64(free))
	}
	return fit, nil
}

// relativeResiduals returns the sum of squares of the relative residuals, its
// half gradient, and the approximation of its half Hessian, by the logarithms
// of A, Alpha, B and Beta.
func relativeResiduals(points []point, p [parameters]float64) (squares float64, gradient [parameters]float64, normal [parameters][parameters]float64) {
	alpha, beta := math.Exp(p[1]), math.Exp(p[3])
	for _, each := range points {
		fast := math.Exp(p[0]-alpha*each.minutes) / each.concentration
		slow := math.Exp(p[2]-beta*each.minutes) / each.concentration
		residual := fast + slow - 1
		squares += residual * residual
		slope := [parameters]float64{fast, -alpha * each.minutes * fast, slow, -beta * each.minutes * slow}
		for i := range slope {
			gradient[i] += slope[i] * residual
			for j := range slope {
				normal[i][j] += slope[i] * slope[j]
			}
		}
	}
	return squares, gradient, normal
}

// solveDamped solves (normal + damping diag(normal)) x = gradient by the
// decomposition of Cholesky. It reports false when the matrix is not positive
// definite.
func solveDamped(normal [parameters][parameters]float64, gradient [parameters]float64, damping float64) (x [parameters]float64, ok bool) {
	var lower [parameters][parameters]float64
	for i := range parameters {
		normal[i][i] += damping * normal[i][i]
		for j := range i + 1 {
			sum := normal[i][j]
			for k := range j {
				sum -= lower[i][k] * lower[j][k]
			}
			if i != j {
				lower[i][j] = sum / lower[j][j]
				continue
			}
			if !(sum > 0) {
				return x, false
			}
			lower[i][i] = math.Sqrt(sum)
		}
	}
	for i := range parameters {
		sum := gradient[i]
		for k := range i {
			sum -= lower[i][k] * x[k]
		}
		x[i] = sum / lower[i][i]
	}
	for i := parameters - 1; i >= 0; i-- {
		sum := x[i]
		for k := i + 1; k < parameters; k++ {
			sum -= lower[k][i] * x[k]
		}
		x[i] = sum / lower[i][i]
	}
	return x, true
}

// TwoCompartmentGFR is a GFR measured by the area under two exponentials. Its
// Value is the BSA-normalised clearance.
type TwoCompartmentGFR struct {
	MeasuredGFR
	// CentralVolume is the dose over the concentration at time zero, and
	// VolumeOfDistribution that of the steady state, both in mL.
	CentralVolume        float64           `json:"centralVolume"`
	VolumeOfDistribution float64           `json:"volumeOfDistribution"`
	Fit                  TwoCompartmentFit `json:"fit"`
}

// The warnings of a two-compartment study.
const (
	// AreaExtrapolated: much of the area under the curve lies after the last
	// sample.
	AreaExtrapolated clinical.WarningCode = "area-extrapolated"
	// AreaBeforeSamples: much of the area lies before the first sample.
	AreaBeforeSamples clinical.WarningCode = "area-before-samples"
	// TwoEarlySamplesOnly: an error in one of them cannot be seen.
	TwoEarlySamplesOnly clinical.WarningCode = "two-early-samples-only"
)

// Limits of what the two exponentials may say beyond the samples.
const (
	// From memory: convention of pharmacokinetics.
	largestExtrapolation = 0.20
	// Common practice, no published source: what lies before the first sample is
	// found by the fast phase alone, which a late first sample does not settle.
	doubtfulBefore, refusedBefore = 0.20, 0.35
	// Less than about the plasma volume, in L/kg. Common practice, no published
	// source.
	lowestCentralPerKgL = 0.03
)

// before is the part of the area before a time in minutes, after that after it.
func (f TwoCompartmentFit) before(minutes float64) float64 { return 1 - f.after(minutes) }

func (f TwoCompartmentFit) after(minutes float64) float64 {
	return (f.A/f.Alpha*math.Exp(-f.Alpha*minutes) + f.B/f.Beta*math.Exp(-f.Beta*minutes)) / f.Area()
}

// checkExtrapolation refuses a fit whose fast phase the samples do not show.
func (f TwoCompartmentFit) checkExtrapolation(first point, amount, weightKg float64) error {
	if share := f.before(first.minutes); share > refusedBefore {
		return &clinical.Error{
			Code: clinical.QualityRefused, Field: "samples",
			Message: clinical.DisplayBeside(100*share, 100*refusedBefore, 0) + " % of the area under the curve lies before the first sample, which does not settle the fast phase; " +
				"sample earlier or use the slope-intercept method",
			Accepted: []string{"up to 35 %"},
		}
	}
	if litresPerKg := amount / (f.A + f.B) / 1000 / weightKg; litresPerKg < lowestCentralPerKgL {
		return &clinical.Error{
			Code: clinical.QualityRefused, Field: "central volume",
			Message:  "a central volume of " + clinical.DisplayBeside(litresPerKg, lowestCentralPerKgL, 3) + " L/kg is less than the plasma holds",
			Accepted: []string{"0.03 L/kg or more"},
		}
	}
	return nil
}

// TwoCompartment returns the measured GFR from early and late plasma
// concentrations of a marker: the dose over the area under two exponentials,
// normalised to 1.73 m2. Nothing is corrected, because the early curve is
// measured. The results are in mL/min/{1.73_m2} and in mL/min. With stated
// uncertainties there is an interval of 95 %.
//
// It refuses with a *clinical.Error: what FitTwoCompartments refuses; more than 50
// samples; extravasation, or no answer to it; a sample more than 10 % off the
// curve; more than 35 % of the area before the first sample; a central volume
// under 0.03 L/kg; a slow half-life under 40 or over 600 min; a dose of iohexol
// outside 100 to 20 000 mg. All other checks are warnings. A sample before 5 min
// is not fitted. Source: definition of clearance;
// weights and area in open-source code after Schwartz, Kidney Int 2006.
func TwoCompartment(in PlasmaStudy) (TwoCompartmentGFR, error) {
	study, err := in.check()
	if err != nil {
		return TwoCompartmentGFR{}, err
	}
	points := fitted(study.points)
	fit, err := fitTwoCompartments(points)
	if err != nil {
		return TwoCompartmentGFR{}, err
	}
	if err := checkResidual(fit.LargestResidual); err != nil {
		return TwoCompartmentGFR{}, err
	}
	if err := fit.checkExtrapolation(points[0], study.amount, study.weightKg); err != nil {
		return TwoCompartmentGFR{}, err
	}
	halfLife := math.Ln2 / fit.Beta
	if err := checkHalfLife(halfLife); err != nil {
		return TwoCompartmentGFR{}, err
	}
	absolute, err := fit.Clearance(study.amount)
	if err != nil {
		return TwoCompartmentGFR{}, err
	}
	normalised := absolute.normalise(study.surfaceM2())
	area := fit.Area()
	g := TwoCompartmentGFR{
		MeasuredGFR: newMeasuredGFR(absolute, normalised,
			string(in.Marker.orDefault())+"-two-compartment",
			"dose over the area under two exponentials; Schwartz, Kidney Int 2006 (fit as in open-source code that cites it)"),
		CentralVolume: study.amount / (fit.A + fit.B),
		// Mean residence time times clearance.
		VolumeOfDistribution: study.amount * (fit.A/(fit.Alpha*fit.Alpha) + fit.B/(fit.Beta*fit.Beta)) / (area * area),
		Fit:                  fit,
	}
	study.describe(&g.Result)
	before, after := fit.before(points[0].minutes), fit.after(points[len(points)-1].minutes)
	concentration := in.Marker.unitOfConcentration()
	g.AddStep("fast phase, concentration at time zero", fit.A, concentration)
	g.AddStep("fast phase, rate constant", fit.Alpha, units.PerMinute)
	g.AddStep("slow phase, concentration at time zero", fit.B, concentration)
	g.AddStep("slow phase, rate constant", fit.Beta, units.PerMinute)
	g.AddStep("half-life of the slow phase", halfLife, units.Minute)
	g.AddStep("largest residual", fit.LargestResidual*100, units.Percent)
	g.AddStep("area under the curve, in concentration times minutes", area, units.One)
	g.AddStep("part of the area before the first sample", before*100, units.Percent)
	g.AddStep("part of the area after the last sample", after*100, units.Percent)
	g.AddStep("central volume", g.CentralVolume, units.ML)
	g.AddStep("volume of distribution", g.VolumeOfDistribution, units.ML)
	study.addSurface(&g.Result)
	g.AddStep("clearance", float64(absolute), units.MLPerMin)
	g.AddStep("clearance, normalised", float64(normalised), units.MLPerMinPer173M2)

	early, late, err := phases(points)
	if err != nil {
		return TwoCompartmentGFR{}, err
	}
	if len(points) < len(study.points) {
		g.Warn(EarlySampleNotFitted, "%d sample(s) before %d min were not fitted", len(study.points)-len(points), firstEarlyMinutes)
	}
	if len(early) == fewestEarly {
		g.Warn(TwoEarlySamplesOnly, "only two early samples: an error in one of them cannot be seen")
	}
	study.warnAboutLateSamples(&g.Result, late)
	warnAboutResidual(&g.Result, fit.LargestResidual)
	warnAboutHalfLife(&g.Result, halfLife)
	if before > doubtfulBefore {
		g.Warn(AreaBeforeSamples, "%s %% of the area under the curve lies before the first sample", clinical.DisplayBeside(before*100, 100*doubtfulBefore, 0))
	}
	if after > largestExtrapolation {
		g.Warn(AreaExtrapolated, "%s %% of the area under the curve lies after the last sample", clinical.DisplayBeside(after*100, 100*largestExtrapolation, 0))
	}
	study.warnAboutVolume(&g.Result, g.VolumeOfDistribution)
	study.warn(&g.Result, normalised)
	err = study.interval(&g.Result, points, fit.Scatter, func(amount float64, points []point) (float64, error) {
		changed, err := refine(points, fit)
		if err != nil {
			return 0, err
		}
		clearance, err := changed.Clearance(amount)
		return float64(clearance.normalise(study.surfaceM2())), err
	})
	return g, err
}
