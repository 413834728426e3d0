package web

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/renal"
)

// The pictures of a plasma clearance: their size and the room for the axes.
const (
	curveWidth, curveHeight, residualHeight = 640, 300, 150
	curveLeft, curveRight                   = 48, 12
	curveTop, curveBottom                   = 14, 40
)

// timeAxis is the common axis of both pictures, in minutes.
type timeAxis struct{ last, step float64 }

func axisOf(e renal.PlasmaEvaluation) timeAxis {
	last := 240.0
	for _, s := range e.Samples {
		last = math.Max(last, s.Minutes)
	}
	step := 30.0
	for last/step > 10 {
		step *= 2
	}
	return timeAxis{last: math.Ceil(last*1.02/step) * step, step: step}
}

func (a timeAxis) x(minutes float64) float64 {
	return curveLeft + minutes/a.last*(curveWidth-curveLeft-curveRight)
}

func (a timeAxis) draw(b *strings.Builder, height float64) {
	for at := 0.0; at <= a.last; at += a.step {
		fmt.Fprintf(b, `<path class="trend-grid" d="M%.1f %dV%.1f"/><text class="tick-text" x="%.1f" y="%.1f">%g</text>`,
			a.x(at), curveTop, height-curveBottom, a.x(at), height-curveBottom+15, at)
	}
	fmt.Fprintf(b, `<text class="tick-text" x="%.1f" y="%.1f">minutes after the middle of the injection</text>`, a.x(a.last/2), height-6)
}

// plasmaCurve draws the concentrations on a logarithmic axis with the fitted curve.
// The same facts stand in the table beside it.
func plasmaCurve(e renal.PlasmaEvaluation) template.HTML {
	if len(e.Samples) == 0 {
		return ""
	}
	low, high := math.Inf(1), 0.0
	see := func(c float64) { low, high = math.Min(low, c), math.Max(high, c) }
	for _, s := range e.Samples {
		see(s.Concentration)
	}
	axis := axisOf(e)
	if c, ok := e.LateExponential(0); ok {
		see(c)
		end, _ := e.Concentration(axis.last)
		see(end)
	}
	low, high = math.Log10(low)-0.05, math.Log10(high)+0.05
	if high-low < 0.4 {
		high = low + 0.4
	}
	y := func(c float64) float64 {
		return curveTop + (high-math.Log10(c))/(high-low)*(curveHeight-curveTop-curveBottom)
	}
	var b strings.Builder
	beginPicture(&b, "trend plot", "curve", curveWidth, curveHeight, "Concentration over time, on a logarithmic axis", curveSentence(e))
	for _, tick := range logTicks(low, high) {
		fmt.Fprintf(&b, `<path class="trend-grid" d="M%d %.1fH%d"/><text class="tick-text trend-y" x="%d" y="%.1f">%g</text>`,
			curveLeft, y(tick), curveWidth-curveRight, curveLeft-5, y(tick)+4, tick)
	}
	axis.draw(&b, curveHeight)
	fmt.Fprintf(&b, `<text class="tick-text trend-start" x="%d" y="%d">µg/mL</text>`, 4, curveTop+2)
	if e.Slope != nil || e.Two != nil {
		from, _ := e.LateExponential(0)
		to, _ := e.LateExponential(axis.last)
		// On this axis an exponential is a straight line.
		fmt.Fprintf(&b, `<path class="plot-late" d="M%.1f %.1fL%.1f %.1f"/>`, axis.x(0), y(from), axis.x(axis.last), y(math.Max(to, math.Pow(10, low))))
		first, last := fittedRange(e)
		var path strings.Builder
		const pieces = 120
		for i := range pieces + 1 {
			at := first + (last-first)*float64(i)/pieces
			c, _ := e.Concentration(at)
			verb := "L"
			if i == 0 {
				verb = "M"
			}
			fmt.Fprintf(&path, "%s%.1f %.1f", verb, axis.x(at), y(c))
		}
		fmt.Fprintf(&b, `<path class="trend-line" d="%s"/>`, path.String())
	}
	for _, s := range e.Samples {
		fmt.Fprintf(&b, `<circle class="%s" cx="%.1f" cy="%.1f" r="4.5"/>`, pointClass(s), axis.x(s.Minutes), y(s.Concentration))
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // every text is escaped or one of ours
}

func pointClass(s renal.EvaluatedSample) string {
	if s.Fitted {
		return "trend-point"
	}
	return "trend-point trend-early"
}

func fittedRange(e renal.PlasmaEvaluation) (first, last float64) {
	first, last = math.Inf(1), 0
	for _, s := range e.Samples {
		if s.Fitted {
			first, last = math.Min(first, s.Minutes), math.Max(last, s.Minutes)
		}
	}
	return first, last
}

// logTicks are 1, 2 and 5 of each power of ten between two logarithms.
func logTicks(low, high float64) []float64 {
	var ticks []float64
	for power := math.Floor(low); power <= high; power++ {
		for _, digit := range []float64{1, 2, 5} {
			tick := digit * math.Pow(10, power)
			if l := math.Log10(tick); l >= low && l <= high {
				ticks = append(ticks, tick)
			}
		}
	}
	return ticks
}

// plasmaResiduals draws how far each fitted sample is off the curve, with the limits
// of the checks.
func plasmaResiduals(e renal.PlasmaEvaluation) template.HTML {
	if e.Slope == nil && e.Two == nil {
		return ""
	}
	most := 12.0
	for _, s := range e.Samples {
		most = math.Max(most, math.Ceil(math.Abs(100*s.Residual)*1.15))
	}
	axis := axisOf(e)
	y := func(percent float64) float64 {
		return curveTop + (1-percent/most)/2*(residualHeight-curveTop-curveBottom)
	}
	var b strings.Builder
	beginPicture(&b, "trend plot", "residuals", curveWidth, residualHeight, "Residuals in percent", residualSentence(e))
	axis.draw(&b, residualHeight)
	for _, limit := range []float64{-10, -5, 5, 10} {
		class := "plot-doubt"
		if math.Abs(limit) == 10 {
			class = "trend-limit"
		}
		fmt.Fprintf(&b, `<path class="%s" d="M%d %.1fH%d"/><text class="tick-text trend-y" x="%d" y="%.1f">%+g %%</text>`,
			class, curveLeft, y(limit), curveWidth-curveRight, curveLeft-4, y(limit)+4, limit)
	}
	fmt.Fprintf(&b, `<path class="rule" d="M%d %.1fH%d"/>`, curveLeft, y(0), curveWidth-curveRight)
	for _, s := range e.Samples {
		if s.Fitted {
			fmt.Fprintf(&b, `<path class="plot-stem" d="M%.1f %.1fV%.1f"/><circle class="trend-point" cx="%.1f" cy="%.1f" r="4"/>`,
				axis.x(s.Minutes), y(0), y(100*s.Residual), axis.x(s.Minutes), y(100*s.Residual))
		}
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // every text is escaped or one of ours
}

func curveSentence(e renal.PlasmaEvaluation) string {
	fitted := 0
	for _, s := range e.Samples {
		if s.Fitted {
			fitted++
		}
	}
	text := plural(len(e.Samples), "sample") + ", " + fmt.Sprint(fitted) + " of them for the fit."
	switch {
	case e.Slope != nil:
		text += " One exponential with a half-life of " + clinical.Display(e.Slope.HalfLife, 0) + " min, which meets time zero at " + clinical.Display(e.Slope.C0, 1) + " µg/mL."
	case e.Two != nil:
		text += " Two exponentials, the slow one with a half-life of " + clinical.Display(math.Ln2/e.Two.Beta, 0) + " min."
	default:
		text += " No curve can be fitted yet."
	}
	return text + " The table has every value."
}

func residualSentence(e renal.PlasmaEvaluation) string {
	var parts []string
	for _, s := range e.Samples {
		if s.Fitted {
			parts = append(parts, fmt.Sprintf("%s %% at %s min", signed(100*s.Residual), clinical.Display(s.Minutes, 0)))
		}
	}
	return "Off the curve by " + strings.Join(parts, ", ") + ". Warned over 5 %, refused over 10 %."
}

func signed(value float64) string {
	text := clinical.Display(value, 2)
	if value > 0 {
		return "+" + text
	}
	return strings.Replace(text, "-", "−", 1)
}
