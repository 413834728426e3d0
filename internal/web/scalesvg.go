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

// bound is one condition of a rule as a number.
type bound struct {
	op       string
	at       float64
	band     journey.Band
	absolute bool
}

func (b bound) holds(v float64) bool {
	switch b.op {
	case "<":
		return v < b.at
	case "<=":
		return v <= b.at
	case ">":
		return v > b.at
	default:
		return v >= b.at
	}
}

// bounds reads the conditions of a rule such as "< 60". The protocol has
// checked them when it was loaded.
func bounds(rule protocol.FlagRule) []bound {
	var list []bound
	for _, band := range rule.Bands {
		op, operand, _ := strings.Cut(band.When, " ")
		at, err := strconv.ParseFloat(operand, 64)
		if err != nil {
			continue
		}
		list = append(list, bound{op, at, band.Band, band.Absolute})
	}
	return list
}

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
	fmt.Fprintf(&b, `<svg class="scale" viewBox="0 0 %d %d" role="img" aria-labelledby="%s-title %s-desc"><title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`,
		scaleWidth, scaleHeight, id, id, id, html.EscapeString(f.Title), id, html.EscapeString(scaleSentence(f)))
	switch limits := bounds(rule); {
	case rule.Coded:
		findings(&b, rule, f)
	case len(limits) > 0:
		numbers(&b, limits, f)
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // every text is escaped
}

func scaleSentence(f protocol.Flag) string {
	if f.Band == journey.CannotDecide {
		return fmt.Sprintf("No value can be placed: %s. Bands: %s.", f.Reason, sign.Replace(f.Threshold))
	}
	value := strings.TrimSpace(f.Shown + " " + unitWord(f.Unit))
	return fmt.Sprintf("The value %s is in the band %s. Bands: %s.", value, strings.ToLower(bandWord(f.Band)), sign.Replace(f.Threshold))
}

// numbers draws a linear scale over the thresholds and some room beside them.
func numbers(b *strings.Builder, limits []bound, f protocol.Flag) {
	var ticks []float64
	for _, l := range limits {
		ticks = append(ticks, l.at)
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
		segment(b, bandAt(limits, (edges[i]+edges[i+1])/2), x(edges[i]), x(edges[i+1]))
	}
	for _, t := range ticks {
		fmt.Fprintf(b, `<path class="rule" d="M%.1f 24V44"/><text class="tick-text" x="%.1f" y="58">%s</text>`,
			x(t), min(max(x(t), 12), scaleWidth-12), strconv.FormatFloat(t, 'g', -1, 64))
	}
	if placed {
		needle(b, x(value), f.Shown)
	}
}

func bandAt(limits []bound, v float64) journey.Band {
	for _, l := range limits {
		if l.holds(v) {
			return l.band
		}
	}
	return journey.Meets
}

// findings draws one box for each coded finding.
func findings(b *strings.Builder, rule protocol.FlagRule, f protocol.Flag) {
	all := []string{"negative", "equivocal", "positive"}
	width := float64(scaleWidth-2*scaleEdge) / float64(len(all))
	for i, finding := range all {
		band := journey.Meets
		for _, r := range rule.Bands {
			if _, operand, _ := strings.Cut(r.When, " "); operand == finding {
				band = r.Band
				break
			}
		}
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

// needle marks the value from above.
func needle(b *strings.Builder, x float64, text string) {
	fmt.Fprintf(b, `<path class="needle" d="M%.1f 27l-6-9h12Z"/><path class="needle-line" d="M%.1f 26V42"/>`, x, x)
	if text != "" {
		at := cmp.Or(min(max(x, 20), scaleWidth-20), x)
		fmt.Fprintf(b, `<text class="needle-text" x="%.1f" y="13">%s</text>`, at, html.EscapeString(text))
	}
}
