package web

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/pressure"
	"candidacy/internal/monitoring"
)

// The picture of a monitoring: its size, and the pressures that it shows.
const (
	monitorWidth, monitorHeight = 720, 320
	monitorLow, monitorHigh     = 40.0, 200.0
)

// monitorPicture draws the readings over the time monitored, with the night shaded and
// the thresholds of the means by day and by night. The same facts stand beside it.
func monitorPicture(m monitored, zone *time.Location) template.HTML {
	first, last := m.span()
	if len(m.of) == 0 || !last.After(first) {
		return ""
	}
	start, end := first.In(zone).Truncate(time.Hour), last.In(zone)
	hours := math.Max(end.Sub(start).Hours(), 1)
	x := func(at time.Time) float64 {
		return curveLeft + math.Max(0, at.Sub(start).Hours())/hours*(monitorWidth-curveLeft-curveRight)
	}
	y := func(mmHg float64) float64 {
		mmHg = math.Min(math.Max(mmHg, monitorLow), monitorHigh)
		return curveTop + (monitorHigh-mmHg)/(monitorHigh-monitorLow)*(monitorHeight-curveTop-curveBottom)
	}
	var b strings.Builder
	beginPicture(&b, "trend plot", "monitor", monitorWidth, monitorHeight, "Blood pressure over the time monitored", monitorSentence(m))
	thresholds, err := pressure.DefaultTarget().Thresholds()
	bottom := float64(monitorHeight - curveBottom)
	for _, part := range periods(start, end, zone) {
		limit := thresholds.Day
		if part.period == pressure.NightTime {
			limit = thresholds.Night
			fmt.Fprintf(&b, `<rect class="plot-night" x="%.1f" y="%d" width="%.1f" height="%.1f"/><text class="tick-text trend-start" x="%.1f" y="%d">night</text>`,
				x(part.from), curveTop, x(part.to)-x(part.from), bottom-curveTop, x(part.from)+4, curveTop+12)
		}
		if err == nil {
			fmt.Fprintf(&b, `<path class="trend-limit" d="M%.1f %.1fH%.1fM%.1f %.1fH%.1f"/>`,
				x(part.from), y(limit.Systolic), x(part.to), x(part.from), y(limit.Diastolic), x(part.to))
		}
	}
	for v := monitorLow; v <= monitorHigh; v += 20 {
		fmt.Fprintf(&b, `<path class="trend-grid" d="M%d %.1fH%d"/><text class="tick-text trend-y" x="%d" y="%.1f">%g</text>`, curveLeft, y(v), monitorWidth-curveRight, curveLeft-5, y(v)+4, v)
	}
	for at := start; !at.After(end); at = at.Add(time.Hour) {
		if at.In(zone).Hour()%3 == 0 {
			fmt.Fprintf(&b, `<path class="trend-grid" d="M%.1f %.1fv5"/><text class="tick-text" x="%.1f" y="%.1f">%s</text>`,
				x(at), bottom, math.Min(math.Max(x(at), curveLeft+4), monitorWidth-curveRight-16), bottom+17, at.In(zone).Format("15:04"))
		}
	}
	order := slices.Clone(m.of)
	slices.SortStableFunc(order, func(a, b monitoring.Row) int { return a.At.Compare(b.At) })
	var upper, lower, points strings.Builder
	for i, row := range order {
		verb := "L"
		if i == 0 {
			verb = "M"
		}
		r := readingOf(row)
		fmt.Fprintf(&upper, "%s%.1f %.1f", verb, x(row.At), y(r.Systolic.Value))
		fmt.Fprintf(&lower, "%s%.1f %.1f", verb, x(row.At), y(r.Diastolic.Value))
		fmt.Fprintf(&points, `<circle class="trend-point" cx="%.1f" cy="%.1f" r="3"/><circle class="trend-point trend-early" cx="%.1f" cy="%.1f" r="3"/>`,
			x(row.At), y(r.Systolic.Value), x(row.At), y(r.Diastolic.Value))
	}
	fmt.Fprintf(&b, `<path class="plot-thin" d="%s"/><path class="plot-thin" d="%s"/>%s`, upper.String(), lower.String(), points.String())
	for _, row := range m.rows {
		if row.Kind == monitoring.Failed || row.Kind == monitoring.Reading && readingOf(row).Plausible() != nil {
			fmt.Fprintf(&b, `<path class="plot-out" d="M%.1f %.1fl6 6m0-6l-6 6"/>`, x(row.At)-3, bottom-9)
		}
	}
	fmt.Fprintf(&b, `<text class="tick-text trend-start" x="4" y="%d">mmHg</text></svg>`, monitorHeight-curveBottom+17)
	return template.HTML(b.String()) //nolint:gosec // every text is escaped or one of ours
}

type monitorPart struct {
	from, to time.Time
	period   pressure.Period
}

// periods parts a time into days and nights.
func periods(start, end time.Time, zone *time.Location) []monitorPart {
	var list []monitorPart
	for at := start; at.Before(end); at = at.Add(time.Hour) {
		period, err := pressure.PeriodOfHour(at.In(zone).Hour())
		if err != nil {
			continue
		}
		until := at.Add(time.Hour)
		if until.After(end) {
			until = end
		}
		if n := len(list); n > 0 && list[n-1].period == period {
			list[n-1].to = until
			continue
		}
		list = append(list, monitorPart{at, until, period})
	}
	return list
}

func monitorSentence(m monitored) string {
	text := plural(len(m.of), "reading") + " that count of " + fmt.Sprint(m.attempted) + " attempted."
	if m.err == nil {
		mean := func(of pressure.Mean) string {
			return clinical.Display(of.Systolic.Value.Value, 0) + "/" + clinical.Display(of.Diastolic.Value.Value, 0)
		}
		text += " Mean by day " + mean(m.out.Day) + ", by night " + mean(m.out.Night) + " mmHg."
	}
	return text + " Dashed lines are the thresholds of the means. The table has the means."
}
