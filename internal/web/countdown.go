package web

import (
	"fmt"
	"html"
	"html/template"
	"strings"

	"candidacy/internal/api"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

// countdownModel is the way back from a planned operation.
type countdownModel struct {
	Sentence string
	Picture  template.HTML
	Open     []countdownRow
	Ready    []string
}

// countdownRow is one requirement that is not ready for the planned day.
type countdownRow struct {
	Title, When, Why, Link string
	Standing               template.HTML
}

// countdown lists what a planned operation still lacks, nil without one.
func countdown(sc scene) *countdownModel {
	s := sc.candidate.State
	if s.Planned == "" || !s.Stage.BeforeOperation() {
		return nil
	}
	m := &countdownModel{}
	var bars []protocol.Countdown
	for _, line := range sc.protocol.Countdown(s, sc.today) {
		if line.Standing == protocol.CountdownReady {
			m.Ready = append(m.Ready, line.Title)
			continue
		}
		bars = append(bars, line)
		state, _ := s.Find(line.Requirement)
		seen, replaced := sc.viewer.reader().Requirement(sc.protocol, state)
		row := countdownRow{Title: line.Title, Standing: standingMark(line.Standing), Link: gateLink(sc.protocol, line.Requirement)}
		switch {
		case replaced:
			row.Why = api.ByClinicians
		case line.Lapses != "" && !sc.today.Before(line.Lapses):
			row.Why = "no longer counts since " + dayWord(line.Lapses)
		case line.Lapses != "":
			row.Why = "no longer counts from " + dayWord(line.Lapses)
		default:
			row.Why = lower(known(statusWords, seen.Status))
		}
		switch {
		case line.Until.Before(line.From) || line.Until.Before(sc.today):
			row.When = "the usual lead time is longer than what is left"
		case line.From == line.Until:
			row.When = "on " + dayWord(line.From)
		case line.From == sc.today:
			row.When = "by " + dayWord(line.Until)
		default:
			row.When = "from " + dayWord(line.From) + " to " + dayWord(line.Until)
		}
		m.Open = append(m.Open, row)
	}
	left, _ := leftWord(sc.today, s.Planned)
	m.Sentence = fmt.Sprintf("The operation is planned for %s, %s. %s ready for that day, %d not yet.", dayWord(s.Planned), left, capital(countIs(len(m.Ready))), len(m.Open))
	m.Picture = countdownSVG(sc.today, s.Planned, bars)
	return m
}

func countIs(n int) string {
	if n == 1 {
		return "1 requirement is"
	}
	return fmt.Sprintf("%d requirements are", n)
}

func gateLink(p *protocol.Protocol, id string) string {
	r, _ := p.Find(id)
	return "#gate-" + string(r.Gate)
}

// standingMark shows a standing as a shape and a word.
func standingMark(s protocol.CountdownStatus) template.HTML {
	switch s {
	case protocol.CountdownLate:
		return mark("band-excludes", "square", "Too late")
	case protocol.CountdownNow:
		return mark("band-needs-discussion", "triangle", "Do now")
	default:
		return mark("band-none", "ring", "Too early")
	}
}

// The geometry of the picture, in user units.
const (
	countdownWidth = 640
	countdownRowH  = 14
	countdownMost  = 24
)

// countdownSVG draws, from today to the planned day, when each requirement can be
// done. The table beside it says the same in words.
func countdownSVG(today, planned journey.Date, lines []protocol.Countdown) template.HTML {
	days := today.DaysUntil(planned)
	if days <= 0 || len(lines) == 0 {
		return ""
	}
	shown := lines[:min(len(lines), countdownMost)]
	height := 20 + len(shown)*countdownRowH
	x := func(d journey.Date) float64 {
		n := min(max(today.DaysUntil(d), 0), days)
		return float64(n) * countdownWidth / float64(days)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<figure class="countdown"><svg viewBox="-2 0 %d %d" role="img" aria-label="%s">`, countdownWidth+4, height,
		html.EscapeString(fmt.Sprintf("From today to %s: when each of %d open requirements can be done", dayWord(planned), len(lines))))
	for _, back := range []int{28, 14, 7, 1} {
		if back >= days {
			continue
		}
		at := x(planned.AddDays(-back))
		fmt.Fprintf(&b, `<line class="tick" x1="%.1f" x2="%.1f" y1="14" y2="%d"/><text class="tick-word" x="%.1f" y="10">%d d</text>`, at, at, height, at, back)
	}
	for i, line := range shown {
		y := 20 + i*countdownRowH
		from, until := x(line.From), x(line.Until)
		if line.Standing == protocol.CountdownLate {
			from, until = 0, countdownWidth
		}
		fmt.Fprintf(&b, `<rect class="bar-%s" x="%.1f" y="%d" width="%.1f" height="%d" rx="2"><title>%s</title></rect>`,
			line.Standing, from, y, max(until-from, 4), countdownRowH-5, html.EscapeString(line.Title))
	}
	b.WriteString(`</svg><figcaption class="small">Each bar is one open requirement, in the order of the table`)
	if len(lines) > len(shown) {
		fmt.Fprintf(&b, "; the first %d of %d", len(shown), len(lines))
	}
	b.WriteString(`. Marks: days before the operation.</figcaption></figure>`)
	return template.HTML(b.String()) //nolint:gosec // every part is escaped or a number
}
