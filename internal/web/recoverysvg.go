package web

import (
	"fmt"
	"html"
	"html/template"
	"slices"
	"strings"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/recovery"
)

// pictured are the topics whose lines are drawn; the table holds all of them.
var pictured = []protocol.Topic{"walking", "washing", "lifting", "driving", "activity", "work", "travel"}

// pictureDays is what the picture shows of the time after the operation: all but
// what is for a year or for life.
const pictureDays = 98

// recoveryPicture draws what the donor may and may not do from the operation on,
// one line each, with today. It says nothing that the table does not.
func recoveryPicture(operated, today journey.Date, lines []recovery.Line) template.HTML {
	const left, right, top, stride, days = 250, 965, 34, 24, pictureDays
	x := func(day journey.Date) int {
		n := min(max(operated.DaysUntil(day), 0), days)
		return left + n*(right-left)/days
	}
	drawn := slices.DeleteFunc(slices.Clone(lines), func(l recovery.Line) bool {
		return l.For != protocol.ForCandidate || !slices.Contains(pictured, l.Topic) || l.From != "" && operated.DaysUntil(l.From) >= days
	})
	height := top + stride*len(drawn) + 10
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="plan" viewBox="0 0 1000 %d" role="img" aria-labelledby="plan-title plan-desc"><title id="plan-title">Recovery by weeks</title><desc id="plan-desc">%s</desc>`,
		height, html.EscapeString(pictureWords(drawn)))
	for week := 0; week*7 <= days; week += 2 {
		at := left + week*7*(right-left)/days
		fmt.Fprintf(&b, `<path class="week" d="M%d %dV%d"/><text class="week-name" x="%d" y="14">%s</text>`, at, top-8, height-6, at, weekWord(week))
	}
	for i, l := range drawn {
		y := top + stride*i + stride/2
		fmt.Fprintf(&b, `<text class="line-name" x="0" y="%d">%s</text>`, y+4, html.EscapeString(brief(l)))
		switch {
		case l.State == recovery.Waits:
			from := left
			if l.NotBefore != "" {
				from = x(l.NotBefore)
			}
			fmt.Fprintf(&b, `<path class="span span-waits" d="M%d %dH%d"/><text class="span-name" x="%d" y="%d">%s</text>`,
				from, y+7, right, from+4, y+3, html.EscapeString("waits for: "+anchorList(l.WaitsFor)))
		case l.Until != "":
			fmt.Fprintf(&b, `<rect class="span span-%s" x="%d" y="%d" width="%d" height="10" rx="2"/>`, l.State, x(l.From), y-5, max(x(l.Until)-x(l.From), 4))
		default:
			fmt.Fprintf(&b, `<path class="span span-open span-%s" d="M%d %dH%d"/><circle class="span-start span-%s" cx="%d" cy="%d" r="5"/>`,
				l.State, x(l.From), y, right, l.State, x(l.From), y)
		}
	}
	if n := operated.DaysUntil(today); n >= 0 && n <= days {
		fmt.Fprintf(&b, `<path class="today" d="M%d 20V%d"/><text class="today-name" x="%d" y="28">Today</text>`, x(today), height-4, x(today)+4)
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // every text is escaped
}

func weekWord(week int) string {
	if week == 0 {
		return "Day 0"
	}
	return fmt.Sprintf("Week %d", week)
}

// brief is the beginning of a title, as far as it fits.
func brief(l recovery.Line) string {
	const longest = 38
	text, _, _ := strings.Cut(l.Title, ",")
	if r := []rune(text); len(r) > longest {
		text = strings.TrimSpace(string(r[:longest-1])) + "…"
	}
	return text
}

// pictureWords says in words what the picture shows.
func pictureWords(lines []recovery.Line) string {
	parts := make([]string, len(lines))
	for i, l := range lines {
		parts[i] = l.Title + ": " + lower(lineWhen(l))
	}
	return strings.Join(parts, ". ") + "."
}
