package web

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

// The picture of one quantity: its size and the room for the axes. It is narrow, so that
// its words can be read on a telephone too.
const (
	plotWidth, plotHeight = 440, 216
	plotLeft, plotRight   = 46, 10
	plotTop, plotBottom   = 12, 22
	markLine              = 14
	// timeAhead is how much of the width what lies ahead takes at most.
	timeAhead = .45
)

// timePlot maps days and numbers to places in a picture.
type timePlot struct {
	first, last journey.Date
	low, high   float64
	bottom      float64
}

func (p timePlot) x(d journey.Date) float64 {
	days := float64(max(p.first.DaysUntil(p.last), 1))
	at := min(max(float64(p.first.DaysUntil(d)), 0), days)
	return plotLeft + at/days*(plotWidth-plotLeft-plotRight)
}

func (p timePlot) y(v float64) float64 {
	return plotTop + (1-(min(max(v, p.low), p.high)-p.low)/(p.high-p.low))*(p.bottom-plotTop)
}

// drawnPoints are those that have a place in the picture.
func drawnPoints(t protocol.Trend) []protocol.TrendPoint {
	return slices.DeleteFunc(slices.Clone(t.Points), func(p protocol.TrendPoint) bool { return !p.Placed })
}

// valueRange is the range of numbers that shows the points with their uncertainty, and
// the thresholds that are not far from them.
func valueRange(t protocol.Trend, points []protocol.TrendPoint, intervals bool) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	see := func(v float64) { low, high = math.Min(low, v), math.Max(high, v) }
	for _, p := range points {
		see(p.Number)
		if p.Interval != nil && intervals {
			see(p.Interval.Low)
			see(p.Interval.High)
		}
	}
	least := low
	span := math.Max(high-low, math.Max(math.Abs(high)*.12, 1e-9))
	middle := (low + high) / 2
	for _, threshold := range t.Thresholds() {
		if math.Abs(threshold-middle) <= math.Max(2.5*span, math.Abs(middle)*.75) {
			see(threshold)
		}
	}
	room := math.Max((high-low)*.12, math.Max(math.Abs(high)*.04, 1e-9))
	low, high = low-room, high+room
	if least >= 0 {
		low = math.Max(low, 0)
	}
	return low, high
}

// trendPicture draws one quantity over time: the bands of its rules as zones with their
// words, every value, its uncertainty where there is a source for one, and the days that
// matter. The table beside it has the same.
func trendPicture(t protocol.Trend, marks []timeMark, sentence string) template.HTML {
	points := drawnPoints(t)
	if len(points) == 0 {
		return ""
	}
	plot := timePlot{first: points[0].Day, last: points[len(points)-1].Day, bottom: plotHeight - plotBottom}
	plot.low, plot.high = valueRange(t, points, true)
	span := plot.first.DaysUntil(plot.last)
	if span < 14 {
		plot.first = plot.first.AddDays(-14)
		span = plot.first.DaysUntil(plot.last)
	}
	plot.last = plot.last.AddDays(max(span/16, 3))
	farthest := plot.last
	for _, m := range marks {
		if m.Day.Before(plot.first) {
			plot.first = m.Day
		}
		farthest = max(farthest, m.Day)
	}
	// What lies far ahead stands at the edge, so that the values keep their room.
	if ahead := int(float64(plot.first.DaysUntil(plot.last)) * timeAhead / (1 - timeAhead)); plot.last.DaysUntil(farthest) > max(ahead, 60) {
		plot.last = plot.last.AddDays(max(ahead, 60))
	} else {
		plot.last = farthest
	}
	height := plotHeight + markLine*len(marks)
	id := anchor(t.Key)
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="trend course" viewBox="0 0 %d %d" role="img" aria-labelledby="%s-title %s-desc"><title id="%s-title">%s over time</title><desc id="%s-desc">%s The table has every value.</desc>`,
		plotWidth, height, id, id, id, html.EscapeString(t.Title), id, html.EscapeString(sentence))
	zones(&b, t, plot, marks)
	calendar(&b, plot.first, plot.last, plot.x, plot.bottom)
	for i, m := range marks {
		timeMarkAt(&b, plot, m, plotHeight+6+markLine*i)
	}
	for _, path := range seriesPaths(points, plot.x, plot.y) {
		fmt.Fprintf(&b, `<path class="trend-line" d="%s"/>`, path)
	}
	for _, p := range points {
		x, y := plot.x(p.Day), plot.y(p.Number)
		if i := p.Interval; i != nil && p.Left == "" {
			top, bottom := plot.y(i.High), plot.y(i.Low)
			fmt.Fprintf(&b, `<path class="course-doubt" d="M%.1f %.1fh8m-4 0V%.1fm-4 0h8"/>`, x-4, top, bottom)
		}
		markPoint(&b, p, x, y, 4)
	}
	if list := changing(t); len(list) > 0 {
		now := list[len(list)-1]
		x, y := plot.x(now.Day), plot.y(now.Number)
		class := "course-now"
		if x += 8; x > plotWidth-plotRight-40 {
			x, class = x-16, "course-now trend-y"
		}
		fmt.Fprintf(&b, `<text class="%s" x="%.1f" y="%.1f">%s</text>`, class, x, min(max(y+4, plotTop+12), plot.bottom-3), html.EscapeString(t.Display(now.Number)))
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // every text is escaped or one of ours
}

// zones shades the bands between the thresholds, each with its shape and word.
func zones(b *strings.Builder, t protocol.Trend, plot timePlot, marks []timeMark) {
	right := float64(plotWidth - plotRight)
	// What lies ahead has room for the words; after the operation no rule holds.
	end, ahead := right, len(marks) > 0
	for _, m := range marks {
		if m.Word == operationWord {
			end, ahead = plot.x(m.Day), false
		}
	}
	edges := []float64{plot.low}
	for _, threshold := range t.Thresholds() {
		if threshold > plot.low && threshold < plot.high {
			edges = append(edges, threshold)
		}
	}
	edges = append(edges, plot.high)
	if len(t.Rules) > 0 {
		for i := range edges[1:] {
			top, bottom := plot.y(edges[i+1]), plot.y(edges[i])
			band := t.BandAt((edges[i] + edges[i+1]) / 2)
			fmt.Fprintf(b, `<rect class="segment fill-%s" x="%d" y="%.1f" width="%.1f" height="%.1f"/>`, band, plotLeft, top, end-plotLeft, bottom-top)
			if bottom-top < 13 {
				continue // the rule beside the picture says it
			}
			word := bandWord(band)
			x, at := float64(plotLeft+5), (top+bottom)/2
			if ahead {
				x = end - 22 - 6*float64(len(word))
			}
			fmt.Fprintf(b, `<g class="glyph glyph-%s" transform="translate(%.1f %.1f) scale(.667)">%s</g><text class="course-word" x="%.1f" y="%.1f">%s</text>`,
				band, x, at-4, shapes[bandShapes[band]], x+12, at+4, word)
		}
	}
	var taken []float64
	tick := func(v float64, class string, right float64) {
		y := plot.y(v)
		if slices.ContainsFunc(taken, func(other float64) bool { return math.Abs(other-y) < 14 }) {
			return
		}
		taken = append(taken, y)
		fmt.Fprintf(b, `<path class="%s" d="M%d %.1fH%.1f"/><text class="tick-text trend-y" x="%d" y="%.1f">%s</text>`, class, plotLeft, y, right, plotLeft-5, y+4, tickWord(v))
	}
	for _, threshold := range edges[1 : len(edges)-1] {
		tick(threshold, "course-threshold", end)
	}
	for _, v := range niceTicks(plot.low, plot.high) {
		tick(v, "trend-grid", right)
	}
}

// tickWord is a round number without digits that say nothing.
func tickWord(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

// niceTicks are about four round numbers between two.
func niceTicks(low, high float64) []float64 {
	step := math.Pow(10, math.Floor(math.Log10((high-low)/2)))
	for _, times := range []float64{1, 2, 5, 10} {
		if (high-low)/(step*times) <= 5 {
			step *= times
			break
		}
	}
	var ticks []float64
	for n := math.Ceil(low / step); n*step <= high; n++ {
		v, _ := strconv.ParseFloat(strconv.FormatFloat(n*step, 'g', 10, 64), 64)
		ticks = append(ticks, v)
	}
	return ticks
}

// seriesPaths are a line for each series: values of other methods or units are on none
// with these, and neither are limits and what no rule reads.
func seriesPaths(points []protocol.TrendPoint, x func(journey.Date) float64, y func(float64) float64) []string {
	var names []string
	lines := map[string][]string{}
	for _, p := range points {
		if p.Left != "" || p.Comparator != "" {
			continue
		}
		if lines[p.Series()] == nil {
			names = append(names, p.Series())
		}
		lines[p.Series()] = append(lines[p.Series()], fmt.Sprintf("%.1f %.1f", x(p.Day), y(p.Number)))
	}
	var paths []string
	for _, name := range names {
		if len(lines[name]) > 1 {
			paths = append(paths, "M"+strings.Join(lines[name], "L"))
		}
	}
	return paths
}

// markPoint draws a value: a limit as a triangle that points to where it may lie, and what no
// rule reads as a hollow mark.
func markPoint(b *strings.Builder, p protocol.TrendPoint, x, y, r float64) {
	class := "trend-point"
	if p.Left != "" {
		class += " trend-early"
	}
	switch {
	case strings.HasPrefix(p.Comparator, "<"):
		fmt.Fprintf(b, `<path class="%s" d="M%.1f %.1fh10l-5 9Z"/>`, class, x-5, y-4)
	case p.Comparator != "":
		fmt.Fprintf(b, `<path class="%s" d="M%.1f %.1fh10l-5-9Z"/>`, class, x-5, y+4)
	default:
		fmt.Fprintf(b, `<circle class="%s" cx="%.1f" cy="%.1f" r="%g"/>`, class, x, y, r)
	}
}

// timeMarkAt draws a day that matters, or says at the edge that it lies beyond.
func timeMarkAt(b *strings.Builder, plot timePlot, m timeMark, y int) {
	text, x := m.Word+" "+dayWord(m.Day), plot.x(m.Day)
	if plot.last.Before(m.Day) {
		text += " →"
	} else {
		class := "rule"
		if m.lapses {
			class = "trend-before"
		}
		fmt.Fprintf(b, `<path class="%s" d="M%.1f %dV%d"/>`, class, x, plotTop, y-11)
	}
	half := float64(len(text)) * 3.1
	fmt.Fprintf(b, `<text class="tick-text" x="%.1f" y="%d">%s</text>`, min(max(x, plotLeft+half), plotWidth-4-half), y, html.EscapeString(text))
}

// calendar marks the beginnings of months or years below an axis, as far apart as can be
// read.
func calendar(b *strings.Builder, first, last journey.Date, x func(journey.Date) float64, y float64) {
	from, errA := time.Parse(time.DateOnly, string(first))
	to, errB := time.Parse(time.DateOnly, string(last))
	if errA != nil || errB != nil {
		return
	}
	months := (to.Year()-from.Year())*12 + int(to.Month()) - int(from.Month())
	every := 1
	for _, step := range []int{1, 2, 3, 6, 12, 24, 36, 60, 120, 240} {
		if every = step; months/step <= 6 {
			break
		}
	}
	left := math.Inf(-1)
	for month := time.Date(from.Year(), time.January, 1, 0, 0, 0, 0, time.UTC); !month.After(to); month = month.AddDate(0, every, 0) {
		if month.Before(from) {
			continue
		}
		text := month.Format("Jan 2006")
		if every >= 12 {
			text = month.Format("2006")
		}
		at := x(journey.Date(month.Format(time.DateOnly)))
		fmt.Fprintf(b, `<path class="trend-grid" d="M%.1f %.1fv5"/>`, at, y)
		if half := float64(len(text)) * 3.5; at-half > left && at-half > 0 && at+half < x(last)+8 {
			fmt.Fprintf(b, `<text class="tick-text" x="%.1f" y="%.1f">%s</text>`, at, y+15, text)
			left = at + half + 8
		}
	}
}

// The small picture in a line of a table.
const (
	sparkWidth, sparkHeight = 88, 24
	sparkMost               = 24
)

// sparkline draws the newest values of a quantity with its thresholds, without words: the
// value stands beside it, and the page that it leads to says everything.
func sparkline(t protocol.Trend) template.HTML {
	points := drawnPoints(t)
	points = points[max(0, len(points)-sparkMost):]
	if len(points) < 2 {
		return ""
	}
	low, high := valueRange(t, points, false)
	first, last := points[0].Day, points[len(points)-1].Day
	x := func(d journey.Date) float64 {
		return 4 + float64(first.DaysUntil(d))/float64(max(first.DaysUntil(last), 1))*(sparkWidth-8)
	}
	y := func(v float64) float64 { return 3 + (1-(v-low)/(high-low))*(sparkHeight-6) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="spark" viewBox="0 0 %d %d" aria-hidden="true" focusable="false">`, sparkWidth, sparkHeight)
	for _, threshold := range t.Thresholds() {
		if threshold > low && threshold < high {
			fmt.Fprintf(&b, `<path class="course-threshold" d="M0 %.1fH%d"/>`, y(threshold), sparkWidth)
		}
	}
	for _, path := range seriesPaths(points, x, y) {
		fmt.Fprintf(&b, `<path class="trend-line" d="%s"/>`, path)
	}
	now := points[len(points)-1]
	markPoint(&b, now, x(now.Day), y(now.Number), 2.5)
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // numbers and our own words only
}
