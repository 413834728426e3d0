package renal

import (
	"errors"
	"fmt"
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
)

// QualityVerdict is what one quality check of a plasma clearance comes to.
type QualityVerdict string

// The verdicts of a quality check.
const (
	QualityPasses  QualityVerdict = "passes"
	QualityWarns   QualityVerdict = "warns"
	QualityRefuses QualityVerdict = "refuses"
	// QualityNotJudged: what the check reads is not there, or says nothing here.
	QualityNotJudged QualityVerdict = "not-judged"
)

// QualityCheck is one quality check with what it found, its limit and where the
// limit comes from.
type QualityCheck struct {
	ID      string         `json:"id"`
	Title   string         `json:"title"`
	Verdict QualityVerdict `json:"verdict"`
	Found   string         `json:"found"`
	Limit   string         `json:"limit"`
	Source  string         `json:"source"`
}

// EvaluatedSample is one sample beside the fitted curve. Minutes count from the
// middle of the injection; Concentration and Model are in the marker's unit of the
// fit (ug/mL of iohexol). Residual is the deviation that the method judges, as a
// fraction; it is zero for a sample that was not fitted.
type EvaluatedSample struct {
	Minutes       float64 `json:"minutes"`
	Concentration float64 `json:"concentration"`
	Fitted        bool    `json:"fitted"`
	Model         float64 `json:"model"`
	Residual      float64 `json:"residual"`
}

// PlasmaEvaluation is a plasma clearance as far as what is entered allows: the
// samples, the curve and the checks even where the method refuses a result. GFR is
// nil exactly when Err says why there is none.
type PlasmaEvaluation struct {
	Samples []EvaluatedSample  `json:"samples"`
	Slope   *SlopeFit          `json:"slope,omitempty"`
	Two     *TwoCompartmentFit `json:"two,omitempty"`
	// VolumeOfDistribution is in mL, zero when it is not known.
	VolumeOfDistribution float64        `json:"volumeOfDistribution,omitempty"`
	Checks               []QualityCheck `json:"checks"`
	GFR                  *MeasuredGFR   `json:"gfr,omitempty"`
	Err                  error          `json:"-"`
}

// Concentration returns the fitted concentration at a time in minutes, and false
// without a fit.
func (e PlasmaEvaluation) Concentration(minutes float64) (float64, bool) {
	switch {
	case e.Two != nil:
		return e.Two.Concentration(minutes), true
	case e.Slope != nil:
		return e.Slope.C0 * math.Exp(-e.Slope.K*minutes), true
	}
	return 0, false
}

// LateExponential returns the slow exponential at a time in minutes, and false
// without a fit: of slope and intercept it is the whole curve.
func (e PlasmaEvaluation) LateExponential(minutes float64) (float64, bool) {
	if e.Two != nil {
		return e.Two.B * math.Exp(-e.Two.Beta*minutes), true
	}
	return e.Concentration(minutes)
}

// The sources of the limits, as they stand beside them.
const (
	sourceArithmetic = "arithmetic"
	sourcePractice   = "common practice, no published source"
	sourceBNMS       = "BNMS guidance of 2018 (from memory)"
	sourceSchwartz   = "Schwartz, Kidney Int 2006, as cited by open-source code"
)

// EvaluateSlopeIntercept evaluates a study by the slope-intercept method, with
// every check that SlopeIntercept makes: where a check refuses, SlopeIntercept
// refuses; where one warns, its result has the warning.
func EvaluateSlopeIntercept(in SlopeInterceptInput) PlasmaEvaluation {
	var e PlasmaEvaluation
	g, err := SlopeIntercept(in)
	if e.Err = err; err == nil {
		e.GFR = &g.MeasuredGFR
	}
	v := evaluated{PlasmaStudy: in.PlasmaStudy, e: &e, gfr: e.GFR}
	late := v.points()
	for len(late) > 0 && late[0].minutes < firstLateMinutes {
		late = late[1:]
	}
	v.show(len(e.Samples) - len(late))
	switch n := len(late); {
	case n < fewestSamples:
		v.add("samples", "Number of late samples", QualityRefuses, count(n), "2 or more from 120 min on, better 3", sourcePractice)
	case n < fewestSamplesForResiduals:
		v.add("samples", "Number of late samples", QualityWarns, "2: an error in one of them can't be seen", "3 or more are better", sourcePractice)
	default:
		v.add("samples", "Number of late samples", QualityPasses, count(n), "3 or more from 120 min on", sourcePractice)
	}
	if early := len(e.Samples) - len(late); early > 0 {
		v.add("excluded", "Samples left out of the fit", QualityWarns, count(early)+" before 120 min", "the line goes through samples from 120 min on", sourceBNMS)
	}
	v.spacing(late)
	falls := v.falls(late)
	var fit SlopeFit
	fitted := false
	if len(late) >= fewestSamples && falls {
		fit, err = fitSlope(late)
		fitted = err == nil
		if !fitted {
			v.add("slope", "Terminal slope", QualityRefuses, "does not fall", "the concentration falls along a line of ln C on time", sourceArithmetic)
		}
	}
	if !fitted {
		v.answers()
		return e
	}
	e.Slope = &fit
	v.add("slope", "Terminal slope", QualityPasses, significant(fit.K)+" /min", "above 0", sourceArithmetic)
	for i := range e.Samples {
		s := &e.Samples[i]
		s.Model = fit.C0 * math.Exp(-fit.K*s.Minutes)
		if s.Fitted {
			s.Residual = s.Concentration/s.Model - 1
		}
	}
	v.correlation(fit)
	if fit.Samples >= fewestSamplesForResiduals {
		v.residual(fit.LargestResidual)
	} else {
		v.add("residual", "Largest residual", QualityNotJudged, "a line always meets two samples", "5 %, refused over 10 %", sourcePractice)
	}
	v.halfLife("Half-life", fit.HalfLife)
	if amount, ok := v.amount(); ok {
		e.VolumeOfDistribution = amount / fit.C0
		v.volume()
		v.volumeForSurface()
		v.correction(in.Correction, fit, amount)
	}
	v.answers()
	return e
}

// EvaluateTwoCompartment evaluates a study by two exponentials, as
// EvaluateSlopeIntercept does by the slope.
func EvaluateTwoCompartment(in PlasmaStudy) PlasmaEvaluation {
	var e PlasmaEvaluation
	g, err := TwoCompartment(in)
	if e.Err = err; err == nil {
		e.GFR = &g.MeasuredGFR
	}
	v := evaluated{PlasmaStudy: in, e: &e, gfr: e.GFR}
	all := v.points()
	points := fitted(all)
	v.show(len(all) - len(points))
	var early, late []point
	for _, p := range points {
		if p.minutes <= lastEarlyMinutes {
			early = append(early, p)
		}
		if p.minutes >= firstLateMinutes {
			late = append(late, p)
		}
	}
	v.counted("early", "Number of early samples", len(early), fewestEarly, fewestEarly+1, "2 or more from 5 to 90 min, better 3")
	v.counted("samples", "Number of late samples", len(late), fewestLate, fewestLate, "3 or more from 120 min on")
	if left := len(all) - len(points); left > 0 {
		v.add("excluded", "Samples left out of the fit", QualityWarns, count(left)+" before 5 min", "the marker is not yet mixed in the blood", sourceSchwartz)
	}
	v.spacing(late)
	if !v.falls(points) || len(early) < fewestEarly || len(late) < fewestLate {
		v.answers()
		return e
	}
	fit, err := fitTwoCompartments(points)
	if err != nil {
		v.add("slope", "Two exponentials", QualityRefuses, messageOf(err), "a fast and a slow phase that can be told apart", sourceSchwartz)
		v.answers()
		return e
	}
	e.Two = &fit
	v.add("slope", "Terminal slope", QualityPasses, significant(fit.Beta)+" /min", "above 0, the fast phase at 1.5 times it or more", sourcePractice)
	for i := range e.Samples {
		s := &e.Samples[i]
		s.Model = fit.Concentration(s.Minutes)
		if s.Fitted {
			s.Residual = s.Model/s.Concentration - 1
		}
	}
	v.residual(fit.LargestResidual)
	v.halfLife("Half-life of the slow phase", math.Ln2/fit.Beta)
	v.share("before", "Area before the first sample", fit.before(points[0].minutes), doubtfulBefore, refusedBefore, "20 %, refused over 35 %", sourcePractice)
	v.share("after", "Area after the last sample", fit.after(points[len(points)-1].minutes), largestExtrapolation, math.Inf(1), "20 %", "convention of pharmacokinetics (from memory)")
	if amount, ok := v.amount(); ok {
		area := fit.Area()
		e.VolumeOfDistribution = amount * (fit.A/(fit.Alpha*fit.Alpha) + fit.B/(fit.Beta*fit.Beta)) / (area * area)
		if weight, err := in.Size.Kilograms(); err == nil {
			central, verdict := amount/(fit.A+fit.B)/1000/weight, QualityPasses
			if central < lowestCentralPerKgL {
				verdict = QualityRefuses
			}
			v.add("central", "Central volume", verdict, clinical.DisplayBeside(central, lowestCentralPerKgL, 3)+" L/kg", "0.03 L/kg or more", sourcePractice)
		}
		v.volume()
	}
	v.normalisation("nothing is corrected: the early curve is measured")
	v.answers()
	return e
}

// evaluated collects the checks of one study.
type evaluated struct {
	PlasmaStudy
	e   *PlasmaEvaluation
	gfr *MeasuredGFR
}

func (v *evaluated) add(id, title string, verdict QualityVerdict, found, limit, source string) {
	v.e.Checks = append(v.e.Checks, QualityCheck{ID: id, Title: title, Verdict: verdict, Found: found, Limit: limit, Source: source})
}

func count(n int) string { return fmt.Sprint(n) }

func significant(value float64) string { return fmt.Sprintf("%.4g", value) }

func messageOf(err error) string {
	var fault *clinical.Error
	if errors.As(err, &fault) {
		return fault.Message
	}
	return err.Error()
}

// points reads the samples, none of them where one can't be read.
func (v *evaluated) points() []point {
	points, err := v.Marker.pointsOf(v.Samples)
	if err != nil {
		v.add("read", "Times and concentrations", QualityRefuses, messageOf(err), "times that increase, concentrations in their unit", sourceArithmetic)
		return nil
	}
	for _, p := range points {
		v.e.Samples = append(v.e.Samples, EvaluatedSample{Minutes: p.minutes, Concentration: p.concentration})
	}
	return points
}

// show marks the samples that are fitted: all but the first ones.
func (v *evaluated) show(left int) {
	for i := left; i < len(v.e.Samples); i++ {
		v.e.Samples[i].Fitted = true
	}
}

func (v *evaluated) counted(id, title string, n, fewest, better int, limit string) {
	verdict := QualityPasses
	switch {
	case n < fewest:
		verdict = QualityRefuses
	case n < better:
		verdict = QualityWarns
	}
	v.add(id, title, verdict, count(n), limit, sourceSchwartz)
}

func (v *evaluated) estimated() float64 {
	value := v.Estimated.Quantity.Value
	if !v.Estimated.Given() {
		return 0
	}
	return value
}

func (v *evaluated) spacing(late []point) {
	if len(late) < fewestSamples {
		return
	}
	first, last := late[0].minutes, late[len(late)-1].minutes
	verdict := QualityPasses
	if last-first < shortestSpanMinutes {
		verdict = QualityWarns
	}
	v.add("span", "Time from the first to the last late sample", verdict, clinical.DisplayBeside(last-first, shortestSpanMinutes, 0)+" min", "90 min or more", sourceBNMS)
	verdict = QualityPasses
	if estimate := v.estimated(); last > lastUsefulMinutes && (estimate == 0 || estimate >= normalGFR) {
		verdict = QualityWarns
	}
	v.add("last", "Last sample", verdict, clinical.DisplayBeside(last, lastUsefulMinutes, 0)+" min", "up to 300 min, unless the estimated GFR is under 60", sourceBNMS)
}

// falls reports whether the concentrations fall.
func (v *evaluated) falls(points []point) bool {
	if len(points) < fewestSamples {
		return false
	}
	for i := 1; i < len(points); i++ {
		if points[i].concentration > points[i-1].concentration*toleratedRise {
			v.add("falling", "Concentrations fall", QualityRefuses,
				"the sample at "+clinical.Display(points[i].minutes, 0)+" min lies above the one before it", "no rise of more than 2 %", sourceArithmetic)
			return false
		}
	}
	v.add("falling", "Concentrations fall", QualityPasses, "from sample to sample", "no rise of more than 2 %", sourceArithmetic)
	return true
}

func (v *evaluated) correlation(fit SlopeFit) {
	const limit = "0.985 or more"
	const source = "BNMS correlation limit (from memory); whether of r or of r² is not settled, the stricter is used and only warns"
	if fit.RSquared == nil {
		v.add("correlation", "r² of ln C on time", QualityNotJudged, "a line always meets two samples", limit, source)
		return
	}
	verdict := QualityPasses
	if *fit.RSquared < lowestRSquared {
		verdict = QualityWarns
	}
	v.add("correlation", "r² of ln C on time", verdict, clinical.DisplayBeside(*fit.RSquared, lowestRSquared, 4), limit, source)
}

func (v *evaluated) residual(largest float64) {
	verdict, beside := QualityPasses, 100*doubtfulResidual
	switch {
	case largest > refusedResidual:
		verdict, beside = QualityRefuses, 100*refusedResidual
	case largest > doubtfulResidual:
		verdict = QualityWarns
	}
	found := clinical.DisplayBeside(100*largest, beside, 2) + " %"
	for _, s := range v.e.Samples {
		if s.Fitted && math.Abs(s.Residual) >= largest*(1-1e-9) {
			found += ", at " + clinical.Display(s.Minutes, 0) + " min"
			break
		}
	}
	v.add("residual", "Largest residual", verdict, found, "5 %, refused over 10 %", sourcePractice)
}

func (v *evaluated) halfLife(title string, minutes float64) {
	verdict := QualityPasses
	switch {
	case minutes < refusedShortHalfLife || minutes > refusedLongHalfLife:
		verdict = QualityRefuses
	case minutes < shortHalfLife || minutes > longHalfLife:
		verdict = QualityWarns
	}
	v.add("half-life", title, verdict, clinical.Display(minutes, 1)+" min", "50 to 250 min, refused outside 40 to 600 min", sourcePractice)
}

func (v *evaluated) share(id, title string, share, doubtful, refused float64, limit, source string) {
	verdict := QualityPasses
	switch {
	case share > refused:
		verdict = QualityRefuses
	case share > doubtful:
		verdict = QualityWarns
	}
	v.add(id, title, verdict, clinical.DisplayBeside(100*share, 100*doubtful, 0)+" % of the area", "up to "+limit, source)
}

func (v *evaluated) amount() (float64, bool) {
	amount, err := v.Marker.amount("dose", v.Dose)
	if err != nil {
		v.add("dose", "Dose", QualityRefuses, messageOf(err), "100 to 20 000 mg of iohexol", sourcePractice)
	}
	return amount, err == nil
}

func (v *evaluated) surface() (clinical.Result, bool) {
	r, err := body.SurfaceArea(v.SurfaceArea, v.Size)
	return r, err == nil
}

func (v *evaluated) volume() {
	weight, err := v.Size.Kilograms()
	if err != nil {
		return
	}
	perKg, verdict, beside := v.e.VolumeOfDistribution/1000/weight, QualityPasses, lowestVolumePerKgL
	if perKg > beside {
		beside = highestVolumePerKgL
	}
	if perKg < lowestVolumePerKgL || perKg > highestVolumePerKgL {
		verdict = QualityWarns
	}
	v.add("volume", "Volume of distribution for the weight", verdict, clinical.DisplayBeside(perKg, beside, 3)+" L/kg",
		"0.10 to 0.30 L/kg; if it is too high, think of marker beside the vein", sourcePractice)
}

func (v *evaluated) volumeForSurface() {
	area, ok := v.surface()
	if !ok {
		return
	}
	expected, verdict := bnmsVolumePerM2*area.Value.Value+bnmsVolumeOffset, QualityPasses
	off := v.e.VolumeOfDistribution/expected - 1
	if math.Abs(off) > largestVolumeDeviation {
		verdict = QualityWarns
	}
	v.add("volume-surface", "Volume of distribution for the body surface", verdict,
		clinical.Display(v.e.VolumeOfDistribution, 0)+" mL, "+clinical.DisplayBeside(100*math.Abs(off), 100*largestVolumeDeviation, 0)+" % from what is expected",
		"within 25 % of 8116.6 mL/m² times the surface less 28.2 mL", "BNMS (from memory, unverified; it only warns)")
}

// correction shows the order of operations with its numbers.
func (v *evaluated) correction(c Correction, fit SlopeFit, amount float64) {
	area, ok := v.surface()
	if !ok {
		v.normalisation("")
		return
	}
	uncorrected, err := fit.Clearance(amount)
	if err != nil {
		return
	}
	c = c.orDefault()
	order := "normalised first, then corrected"
	if c == BrochnerMortensen1972Absolute || c == Jodal2009 {
		order = "corrected first, then normalised"
	}
	normalised := uncorrected.normalise(area.Value.Value)
	found := clinical.Display(float64(uncorrected), 1) + " mL/min, or " + clinical.Display(float64(normalised), 1) + " mL/min/1.73 m² before the correction"
	_, corrected, err := Correct(c, uncorrected, area.Value.Value)
	if err != nil {
		v.add("correction", "Correction for the early curve", QualityRefuses, found, "up to 200", c.source())
		return
	}
	v.add("correction", "Correction for the early curve", QualityPasses, found+"; "+clinical.Display(float64(corrected), 1)+" after it",
		string(c)+": "+order, c.source())
	v.normalisation(order)
}

// normalisation shows the body surface that the clearance is normalised with.
func (v *evaluated) normalisation(order string) {
	area, ok := v.surface()
	if !ok {
		v.add("surface", "Normalised to 1.73 m²", QualityRefuses, "the body surface is not known", "height and weight of the day of the study", sourceArithmetic)
		return
	}
	verdict := QualityPasses
	found := clinical.Display(area.Value.Value, 3) + " m²"
	if len(area.Warnings) > 0 {
		verdict = QualityWarns
		for _, w := range area.Warnings {
			found += "; " + w.Message
		}
	}
	v.add("surface", "Normalised to 1.73 m²", verdict, found, area.Equation+"; "+order, area.Source)
}

// answers checks what is asked and compared.
func (v *evaluated) answers() {
	const limit = "the operator answers, and the answer is no"
	switch v.Extravasation {
	case clinical.No:
		v.add("extravasation", "Marker beside the vein", QualityPasses, "no", limit, sourcePractice)
	case clinical.Yes:
		v.add("extravasation", "Marker beside the vein", QualityRefuses, "yes: the clearance would be falsely high", limit, sourcePractice)
	default:
		v.add("extravasation", "Marker beside the vein", QualityRefuses, "not answered", limit, sourcePractice)
	}
	if v.SyringeResidualMeasured == clinical.Yes {
		v.add("syringe", "Remainder in the syringe", QualityPasses, "measured and subtracted", "measured", sourcePractice)
	} else {
		v.add("syringe", "Remainder in the syringe", QualityWarns, "not recorded as measured", "measured", sourcePractice)
	}
	v.agreement()
	switch {
	case v.gfr == nil:
	case v.gfr.Interval != nil:
		i := v.gfr.Interval
		found := clinical.Display(i.Low, 1) + " to " + clinical.Display(i.High, 1) + " mL/min/1.73 m²"
		verdict := QualityPasses
		if v.gfr.HasWarning(ScatterExceedsAssay) {
			verdict, found = QualityWarns, found+"; the samples scatter more than the assay is stated to"
		}
		v.add("interval", "Interval of 95 %", verdict, found, "from the stated uncertainties of dose, times and concentrations", i.Method)
	case v.Uncertainty == nil:
		v.add("interval", "Interval of 95 %", QualityWarns, "none: the protocol states no uncertainties", "stated uncertainties", methodOfInterval)
	default:
		v.add("interval", "Interval of 95 %", QualityWarns, "none: the result does not hold with an input changed by its uncertainty", "stated uncertainties", methodOfInterval)
	}
}

func (v *evaluated) agreement() {
	const title, limit = "Agreement with the estimated GFR", "within 30 % of the measured one"
	switch estimate := v.estimated(); {
	case v.gfr == nil:
		v.add("agreement", title, QualityNotJudged, "there is no measured GFR yet", limit, sourcePractice)
	case estimate == 0:
		v.add("agreement", title, QualityWarns, "no estimate is on record", limit, sourcePractice)
	default:
		off, verdict := math.Abs(float64(v.gfr.Normalised)-estimate)/float64(v.gfr.Normalised), QualityPasses
		if off > largestEstimateDeviation {
			verdict = QualityWarns
		}
		v.add("agreement", title, verdict, "estimated "+clinical.Display(estimate, 1)+", "+clinical.DisplayBeside(100*off, 100*largestEstimateDeviation, 0)+" % apart", limit, sourcePractice)
	}
}
