package recovery

import (
	"slices"
	"strings"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

func given(text string) bool { return strings.TrimSpace(text) != "" }

// State is where a line of the plan stands on a day.
type State string

// The states. Past is said of what is over by the calendar: whether it was done
// is not on record, unlike what is Done.
const (
	Waits State = "waits"
	Ahead State = "ahead"
	Now   State = "now"
	Past  State = "past"
	Done  State = "done"
)

// Line is one dated line of a recovery plan.
type Line struct {
	ID    string         `json:"id"`
	Topic protocol.Topic `json:"topic,omitempty"`
	For   string         `json:"for"`
	Title string         `json:"title"`
	// Plain says it to the donor.
	Plain string `json:"plain,omitempty"`
	State State  `json:"state"`
	// From is empty while the line waits. Until is its last day; empty for what
	// is not limited, for life, or ends with something not on record.
	From  journey.Date `json:"from,omitempty"`
	Until journey.Date `json:"until,omitempty"`
	// DoneOn is the day that shows that it is done.
	DoneOn journey.Date `json:"done_on,omitempty"`
	// WaitsFor is what the beginning waits for, EndsWith what the end waits for.
	// NotBefore is the latest day that is known while the line waits.
	WaitsFor  []protocol.Anchor `json:"waits_for,omitempty"`
	NotBefore journey.Date      `json:"not_before,omitempty"`
	EndsWith  protocol.Anchor   `json:"ends_with,omitempty"`
	ForLife   bool              `json:"for_life,omitempty"`
	// Late says that its day has passed and that it is not on record as done.
	Late bool `json:"late,omitempty"`
	// Work is set while the line depends on a kind of work that is not known.
	Work     []protocol.WorkKind `json:"work,omitempty"`
	Approach []string            `json:"approach,omitempty"`
	ReviewIf string              `json:"review_if,omitempty"`
	Differs  string              `json:"differs,omitempty"`
	Source   string              `json:"source"`
}

// anchored returns the days of a stay with the operation and the first visit at
// which the donor was seen.
func (s Stay) anchored(operated journey.Date, visits []journey.Visit) map[protocol.Anchor]journey.Date {
	days := map[protocol.Anchor]journey.Date{protocol.AtOperation: operated}
	for anchor, day := range s.Days {
		days[anchor] = day
	}
	for _, v := range visits {
		seen := v.Status == journey.VisitDone || v.Status == journey.VisitDoneLate
		if first := days[protocol.AtFirstVisit]; seen && (first == "" || v.On.Before(first)) {
			days[protocol.AtFirstVisit] = v.On
		}
	}
	return days
}

// Plan dates every line of the protocol that applies, in the protocol's order.
func Plan(p *protocol.Protocol, operated journey.Date, stay Stay, visits []journey.Visit, today journey.Date) []Line {
	if operated == "" {
		return nil
	}
	days := stay.anchored(operated, visits)
	var lines []Line
	for _, m := range p.Recovery {
		if stay.Work != "" && len(m.Work) > 0 && !slices.Contains(m.Work, stay.Work) ||
			stay.Approach != "" && len(m.Approach) > 0 && !slices.Contains(m.Approach, stay.Approach) {
			continue
		}
		line := Line{
			ID: m.ID, Topic: m.Topic, For: m.For, Title: m.Title, Plain: m.Plain, ForLife: m.ForLife,
			ReviewIf: m.ReviewIf, Differs: m.Differs, Source: m.Source,
		}
		if stay.Work == "" {
			line.Work = m.Work
		}
		if stay.Approach == "" {
			line.Approach = m.Approach
		}
		// What ended before it would have begun never was: nobody who went home
		// on the second day has a long stay.
		if line.date(m, days, today); line.Until == "" || !line.Until.Before(line.From) {
			lines = append(lines, line)
		}
	}
	return lines
}

// date sets the days and the state of a line.
func (l *Line) date(m protocol.Milestone, days map[protocol.Anchor]journey.Date, today journey.Date) {
	from := m.From
	if from == "" {
		from = protocol.AtOperation
	}
	for _, after := range append([]protocol.AnchorDays{{Anchor: from, Days: m.FromDays}}, m.AlsoAfter...) {
		switch day := days[after.Anchor].AddDays(after.Days); {
		case day == "":
			if !slices.Contains(l.WaitsFor, after.Anchor) {
				l.WaitsFor = append(l.WaitsFor, after.Anchor)
			}
		case l.From.Before(day):
			l.From = day
		}
	}
	if len(l.WaitsFor) > 0 {
		l.NotBefore, l.From = l.From, ""
	}
	l.end(m, from, days)
	l.DoneOn = days[m.DoneBy]
	switch {
	case l.DoneOn != "":
		l.State = Done
	case len(l.WaitsFor) > 0:
		l.State = Waits
	case today.Before(l.From):
		l.State = Ahead
	case l.Until == "" || !l.Until.Before(today):
		l.State = Now
	case m.DoneBy != "" && m.For == protocol.ForTeam:
		// Nothing shows that it was done.
		l.State, l.Late = Now, true
	default:
		l.State = Past
	}
}

// end sets the last day. What is for the team and has no end is of one day.
func (l *Line) end(m protocol.Milestone, from protocol.Anchor, days map[protocol.Anchor]journey.Date) {
	switch {
	case m.Ends():
		until := m.Until
		if until == "" {
			until = from
		}
		l.Until = days[until].AddDays(m.UntilDays)
		if l.Until == "" && !slices.Contains(l.WaitsFor, until) {
			l.EndsWith = until
		}
	case m.For == protocol.ForTeam && !m.ForLife:
		l.Until = l.From
	}
}
