package web

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strings"
)

// beginPicture opens a drawing that says what it shows: its title and its description
// are read out in its place. The id tells it from others on the page.
func beginPicture(b *strings.Builder, class, id string, width, height int, title, description string) {
	fmt.Fprintf(b, `<svg class="%s" viewBox="0 0 %d %d" role="img" aria-labelledby="%s-title %s-desc"><title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`,
		class, width, height, id, id, id, html.EscapeString(title), id, html.EscapeString(description))
}

// chart is a drawing of one measure: a line of bars, or of boxes, for each row, with a
// common axis from nothing. The same numbers stand in the table beside it.
type chart struct {
	ID, Title, Description string
	// Most is the end of the axis, and Unit what is written behind its last number.
	Most float64
	Unit string
	Rows []chartRow
}

// chartRow is one row, with its label and its number above it.
type chartRow struct {
	Label, Value string
	// Bars lie end to end.
	Bars []chartBar
	// Box is of a row of times.
	Box *chartBox
	// Target is a mark across the row, where there is one.
	Target float64
	// Bound says that the bar may be longer, or shorter: its end is drawn open.
	Bound bool
}

// chartBar is one bar with its class of the style sheet.
type chartBar struct {
	Size  float64
	Class string
}

// chartBox is how times lie. What is not known lies beyond the edge.
type chartBox struct{ Lower, Median, Upper, Ninetieth float64 }

// The size of charts: narrow, so that their text stays legible on a phone.
const (
	chartWidth            = 420
	chartLeft, chartRight = 2, 14
	chartRowHeight        = 38
	chartBarHeight        = 13
	chartFoot             = 24
)

func (c chart) svg() template.HTML {
	if len(c.Rows) == 0 || c.Most <= 0 {
		return ""
	}
	step := niceStep(c.Most / 5)
	most := math.Ceil(c.Most/step-1e-9) * step
	x := func(v float64) float64 {
		return chartLeft + math.Min(v, most)/most*(chartWidth-chartLeft-chartRight)
	}
	height := len(c.Rows)*chartRowHeight + chartFoot
	var b strings.Builder
	beginPicture(&b, "chart", "chart-"+c.ID, chartWidth, height, c.Title, c.Description)
	foot := height - chartFoot + 2
	for v := 0.0; v <= most+step/2; v += step {
		anchor := "middle"
		text := fmt.Sprintf("%g", math.Round(v*1e6)/1e6)
		switch {
		case v == 0:
			anchor = "start"
		case v+step > most+step/2:
			anchor, text = "end", strings.TrimSpace(text+" "+c.Unit)
		}
		at := x(v)
		if anchor == "end" {
			at = chartWidth - 2
		}
		fmt.Fprintf(&b, `<path class="trend-grid" d="M%.1f 0V%d"/><text class="tick-text chart-%s" x="%.1f" y="%d">%s</text>`, x(v), foot, anchor, at, foot+14, html.EscapeString(text))
	}
	for i, row := range c.Rows {
		row.draw(&b, float64(i*chartRowHeight), x, most)
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // every text is escaped or one of ours
}

func (row chartRow) draw(b *strings.Builder, top float64, x func(float64) float64, most float64) {
	fmt.Fprintf(b, `<text class="chart-label" x="%d" y="%.1f">%s</text><text class="chart-value" x="%d" y="%.1f">%s</text>`,
		chartLeft, top+14, html.EscapeString(row.Label), chartWidth-2, top+14, html.EscapeString(row.Value))
	y := top + 19
	at := 0.0
	for _, bar := range row.Bars {
		if bar.Size > 0 {
			fmt.Fprintf(b, `<rect class="%s" x="%.1f" y="%.1f" width="%.1f" height="%d"/>`, bar.Class, x(at), y, math.Max(x(at+bar.Size)-x(at), .5), chartBarHeight)
			at += bar.Size
		}
	}
	if row.Bound {
		fmt.Fprintf(b, `<path class="chart-open" d="M%.1f %.1fH%.1f"/>`, x(at)+2, y+chartBarHeight/2., math.Min(x(at)+26, x(most)))
	}
	if box := row.Box; box != nil {
		middle := y + chartBarHeight/2.
		edge := func(v float64) float64 {
			if math.IsInf(v, 1) {
				return x(most) + 8 // beyond the edge
			}
			return x(v)
		}
		fmt.Fprintf(b, `<path class="chart-range" d="M%.1f %.1fH%.1f"/>`, edge(box.Lower), middle, edge(box.Ninetieth))
		if !math.IsInf(box.Ninetieth, 1) {
			fmt.Fprintf(b, `<path class="chart-range" d="M%.1f %.1fV%.1f"/>`, x(box.Ninetieth), y+2, y+chartBarHeight-2)
		}
		if !math.IsInf(box.Lower, 1) {
			fmt.Fprintf(b, `<rect class="chart-half" x="%.1f" y="%.1f" width="%.1f" height="%d"/>`, x(box.Lower), y, math.Max(edge(box.Upper)-x(box.Lower), 1), chartBarHeight)
		}
		if !math.IsInf(box.Median, 1) {
			fmt.Fprintf(b, `<path class="chart-median" d="M%.1f %.1fv%d"/>`, x(box.Median), y-1, chartBarHeight+2)
		}
	}
	if row.Target > 0 {
		fmt.Fprintf(b, `<path class="chart-target" d="M%.1f %.1fv%d"/>`, x(row.Target), y-3, chartBarHeight+6)
	}
}

// niceStep is 1, 2 or 5 times a power of ten that is no less.
func niceStep(least float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(least)))
	for _, digit := range []float64{1, 2, 5} {
		if digit*power >= least*(1-1e-9) {
			return digit * power
		}
	}
	return 10 * power
}
