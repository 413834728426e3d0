package protocol

import (
	"cmp"
	"slices"

	"candidacy/internal/journey"
)

// Countdown says what each requirement still needs before a planned operation.
type Countdown struct {
	Requirement string          `json:"requirement"`
	Title       string          `json:"title"`
	Standing    CountdownStatus `json:"standing"`
	// Lapses is the first day on which what is on record no longer counts, where
	// that is on the planned day or before.
	Lapses journey.Date `json:"lapses,omitempty"`
	// From is the first day from which new evidence counts on the planned day, and
	// Until the last on which its result still comes in time.
	From  journey.Date `json:"from,omitempty"`
	Until journey.Date `json:"until,omitempty"`
}

// CountdownStatus is where a requirement stands before a planned operation.
type CountdownStatus string

// The standings, the most urgent first. CountdownLate means that a result by
// the usual lead time would come after the planned day, CountdownLater that it is
// too early to do it.
const (
	CountdownLate  CountdownStatus = "late"
	CountdownNow   CountdownStatus = "now"
	CountdownLater CountdownStatus = "later"
	CountdownReady CountdownStatus = "ready"
)

var countdownOrder = []CountdownStatus{CountdownLate, CountdownNow, CountdownLater, CountdownReady}

// Countdown works backwards from the planned operation, for every requirement
// that applies: what is in force on that day, and of the rest when to do it so
// that it neither lapses before the day nor comes after it. It is nil without a
// planned day. Lead times are those of the protocol.
func (p *Protocol) Countdown(s journey.State, today journey.Date) []Countdown {
	if s.Planned == "" {
		return nil
	}
	rules := p.Rules()
	var list []Countdown
	for i := range p.Requirements {
		r := &p.Requirements[i]
		state, ok := s.Find(r.ID)
		if !ok || state.Status == journey.NotApplicable || r.Evidence == journey.ByAssignment {
			continue
		}
		rule, _ := rules.Requirement(r.ID)
		line := Countdown{Requirement: r.ID, Title: r.Title, Standing: CountdownReady}
		if !state.InForce(s.Planned) || !rule.RecentFor(state, s.Planned) {
			line.Lapses = lapses(rule, state, s.Planned)
			line.From, line.Until = today, s.Planned.AddDays(-r.LeadDays)
			for _, days := range []int{rule.ValidDays, rule.OperationDays} {
				if first := s.Planned.AddDays(-days); days > 0 && line.From.Before(first) {
					line.From = first
				}
			}
			switch {
			case line.Until.Before(line.From) || line.Until.Before(today):
				line.Standing = CountdownLate
			case today.Before(line.From):
				line.Standing = CountdownLater
			default:
				line.Standing = CountdownNow
			}
		}
		list = append(list, line)
	}
	slices.SortStableFunc(list, func(a, b Countdown) int {
		return cmp.Or(
			cmp.Compare(slices.Index(countdownOrder, a.Standing), slices.Index(countdownOrder, b.Standing)),
			cmp.Compare(a.Until, b.Until), cmp.Compare(a.From, b.From),
		)
	})
	return list
}

// lapses is the first day on which evidence no longer counts for an operation,
// nothing where there is none.
func lapses(rule journey.RequirementRule, state journey.Requirement, planned journey.Date) journey.Date {
	if state.Status != journey.Met && state.Status != journey.Waived {
		return ""
	}
	var first journey.Date
	earlier := func(d journey.Date) {
		if !planned.Before(d) && (first == "" || d.Before(first)) {
			first = d
		}
	}
	if state.ValidUntil != "" {
		earlier(state.ValidUntil.AddDays(1))
	}
	if rule.OperationDays > 0 && state.Collected != "" && state.Status == journey.Met {
		earlier(state.Collected.AddDays(rule.OperationDays + 1))
	}
	return first
}
