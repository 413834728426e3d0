package web

import (
	"cmp"
	"fmt"
	"html"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

const (
	scaleWidth  = 340
	scaleHeight = 66
	scaleEdge   = 4
)

// scale draws the bands of a rule to scale with the mark of the value, or, for
// a coded rule, a box for each finding. The same facts stand in text beside it.
func scale(rule protocol.FlagRule, f protocol.Flag) template.HTML {
	var b strings.Builder
	id := "scale-" + f.ID
	beginPicture(&b, "scale", id, scaleWidth, scaleHeight, f.Title, scaleSentence(f))
	switch {
	case rule.Coded:
		findings(&b, rule, f)
	case len(rule.Bands) > 0:
		numbers(&b, rule, f)
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // every text is escaped
}

func scaleSentence(f protocol.Flag) string {
	if f.Band == journey.CannotDecide {
		return fmt.Sprintf("No value can be placed: %s. Bands: %s.", f.Reason, sign.Replace(f.Threshold))
	}
	value := strings.TrimSpace(f.Shown + " " + unitWord(f.Unit))
	if f.Interval != nil {
		value += " (" + f.Interval.Text(0) + ")"
	}
	return fmt.Sprintf("The value %s is in the band %s. Bands: %s.", value, strings.ToLower(bandWord(f.Band)), sign.Replace(f.Threshold))
}

// numbers draws a linear scale over the thresholds and some room beside them.
func numbers(b *strings.Builder, rule protocol.FlagRule, f protocol.Flag) {
	var ticks []float64
	for _, band := range rule.Bands {
		ticks = append(ticks, band.Threshold())
	}
	slices.Sort(ticks)
	ticks = slices.Compact(ticks)
	low, high := ticks[0], ticks[len(ticks)-1]
	room := max((high-low)*0.45, math.Abs(high)*0.15, 0.1)
	low, high = low-room, high+room
	if ticks[0] >= 0 {
		low = max(low, 0)
	}
	value, err := strconv.ParseFloat(f.Value, 64)
	placed := err == nil && f.Band != journey.CannotDecide
	if placed { // a value a little outside widens the scale, a far one does not
		low, high = min(low, max(value, low-room/2)), max(high, min(value, high+room/2))
	}
	x := func(v float64) float64 {
		return scaleEdge + (min(max(v, low), high)-low)/(high-low)*(scaleWidth-2*scaleEdge)
	}
	edges := append([]float64{low}, append(slices.Clone(ticks), high)...)
	for i := range edges[1:] {
		band, _ := rule.BandAt((edges[i] + edges[i+1]) / 2)
		segment(b, band, x(edges[i]), x(edges[i+1]))
	}
	for _, t := range ticks {
		fmt.Fprintf(b, `<path class="rule" d="M%.1f 24V44"/><text class="tick-text" x="%.1f" y="58">%s</text>`,
			x(t), min(max(x(t), 12), scaleWidth-12), strconv.FormatFloat(t, 'g', -1, 64))
	}
	if placed {
		if f.Interval != nil {
			reach(b, x(f.Interval.Low), x(f.Interval.High))
		}
		needle(b, x(value), f.Shown)
	}
}

// findings draws one box for each coded finding.
func findings(b *strings.Builder, rule protocol.FlagRule, f protocol.Flag) {
	width := float64(scaleWidth-2*scaleEdge) / float64(len(protocol.Findings))
	for i, finding := range protocol.Findings {
		band, _ := rule.BandOf(finding)
		left := scaleEdge + float64(i)*width
		segment(b, band, left, left+width)
		fmt.Fprintf(b, `<text class="tick-text" x="%.1f" y="58">%s</text>`, left+width/2, finding)
		if finding == f.Value && f.Band != journey.CannotDecide {
			needle(b, left+width/2, "")
		}
	}
}

// segment draws one band with its shape inside, so that the picture is read
// without colour too.
func segment(b *strings.Builder, band journey.Band, from, to float64) {
	fmt.Fprintf(b, `<rect class="segment fill-%s" x="%.1f" y="26" width="%.1f" height="16"/>`, band, from, max(to-from, 0))
	if to-from > 14 {
		fmt.Fprintf(b, `<g class="glyph glyph-%s" transform="translate(%.1f 30) scale(.667)">%s</g>`,
			band, (from+to)/2-4, shapes[bandShapes[band]])
	}
}

// reach draws the interval of a measured value across the bands.
func reach(b *strings.Builder, from, to float64) {
	fmt.Fprintf(b, `<path class="reach" d="M%.1f 30V38M%.1f 34H%.1fM%.1f 30V38"/>`, from, from, to, to)
}

// needle marks the value from above.
func needle(b *strings.Builder, x float64, text string) {
	fmt.Fprintf(b, `<path class="needle" d="M%.1f 27l-6-9h12Z"/><path class="needle-line" d="M%.1f 26V42"/>`, x, x)
	if text != "" {
		at := cmp.Or(min(max(x, 20), scaleWidth-20), x)
		fmt.Fprintf(b, `<text class="needle-text" x="%.1f" y="13">%s</text>`, at, html.EscapeString(text))
	}
}
