package web

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"candidacy/internal/clinical"
	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

// The picture of the trend: its size and the room for the axes.
const (
	trendWidth, trendHeight = 640, 260
	trendLeft, trendRight   = 40, 12
	trendTop, trendBottom   = 14, 34
)

// trend draws the estimated GFR over time, with what was before the operation,
// what is expected after it, and the limits of the programme. The same facts stand
// in the table beside it.
func trend(p *protocol.Protocol, k followup.Kidney, operated journey.Date) template.HTML {
	first, last := operated, operated.AddMonths(12)
	highest := 100.0
	drawn := 0
	for _, list := range [][]followup.Point{k.Before, k.After} {
		for _, point := range list {
			if point.Err == nil {
				first, last, highest, drawn = min(first, point.On), max(last, point.On), max(highest, point.GFR), drawn+1
			}
		}
	}
	if drawn == 0 {
		return ""
	}
	highest = math.Ceil(highest/20) * 20
	days := float64(max(first.DaysUntil(last), 1))
	x := func(d journey.Date) float64 {
		return trendLeft + float64(first.DaysUntil(d))/days*(trendWidth-trendLeft-trendRight)
	}
	y := func(gfr float64) float64 {
		return trendTop + (1-gfr/highest)*(trendHeight-trendTop-trendBottom)
	}
	var b strings.Builder
	beginPicture(&b, "trend", "trend", trendWidth, trendHeight, "Estimated GFR over time", trendSentence(k, operated))
	right := float64(trendWidth - trendRight)
	if e := k.Expected; e != nil {
		top, bottom := y(float64(e.High)), y(float64(e.Low))
		fmt.Fprintf(&b, `<rect class="trend-band" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`, x(operated), top, right-x(operated), bottom-top)
		before := k.Before[len(k.Before)-1].GFR
		fmt.Fprintf(&b, `<path class="trend-before" d="M%d %.1fH%.1f"/>`, trendLeft, y(before), x(operated))
	}
	for v := 0.0; v <= highest; v += 20 {
		fmt.Fprintf(&b, `<path class="trend-grid" d="M%d %.1fH%.1f"/><text class="tick-text trend-y" x="%d" y="%.1f">%g</text>`, trendLeft, y(v), right, trendLeft-5, y(v)+4, v)
	}
	if rules := p.AfterDonation; rules != nil {
		for _, limit := range []float64{rules.LowGFR, rules.DecliningGFR} {
			fmt.Fprintf(&b, `<path class="trend-limit" d="M%.1f %.1fH%.1f"/><text class="tick-text trend-label" x="%.1f" y="%.1f">limit %g</text>`,
				x(operated), y(limit), right, right-2, y(limit)-3, limit)
		}
	}
	fmt.Fprintf(&b, `<path class="rule" d="M%.1f %dV%d"/><text class="tick-text" x="%.1f" y="%d">operation</text>`,
		x(operated), trendTop, trendHeight-trendBottom, min(max(x(operated), trendLeft+28), right-28), trendHeight-6)
	calendar(&b, first, last, x, trendHeight-trendBottom)
	line(&b, k.Before, x, y)
	line(&b, k.After, x, y)
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // every text is escaped or one of ours
}

// line draws the estimates of one side of the operation. One of the first week is
// a hollow mark and on no line: it is not in steady state.
func line(b *strings.Builder, points []followup.Point, x func(journey.Date) float64, y func(float64) float64) {
	var path strings.Builder
	for _, p := range points {
		if p.Err != nil {
			continue
		}
		class := "trend-point"
		if p.Early {
			class += " trend-early"
		} else {
			command := "L"
			if path.Len() == 0 {
				command = "M"
			}
			fmt.Fprintf(&path, "%s%.1f %.1f", command, x(p.On), y(p.GFR))
		}
		fmt.Fprintf(b, `<circle class="%s" cx="%.1f" cy="%.1f" r="4"/>`, class, x(p.On), y(p.GFR))
	}
	if path.Len() > 0 {
		fmt.Fprintf(b, `<path class="trend-line" d="%s"/>`, path.String())
	}
}

// trendSentence says what the picture shows.
func trendSentence(k followup.Kidney, operated journey.Date) string {
	var parts []string
	newest := func(list []followup.Point, word string) {
		for i := len(list) - 1; i >= 0; i-- {
			if list[i].Err == nil {
				parts = append(parts, fmt.Sprintf("%s %s on %s", word, clinical.Display(list[i].GFR, 0), dayWord(list[i].On)))
				return
			}
		}
	}
	newest(k.Before, "before the operation")
	newest(k.After, "newest")
	if e := k.Expected; e != nil {
		parts = append(parts, fmt.Sprintf("expected %s to %s", clinical.Display(float64(e.Low), 0), clinical.Display(float64(e.High), 0)))
	}
	return "In mL/min/1.73 m², operation on " + dayWord(operated) + ": " + strings.Join(parts, ", ") + ". The table has every value."
}
