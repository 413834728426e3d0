package journey

import "slices"

// Passed returns an event for each day, and each instant, at which deadlines
// passed by the moment, and the state after them. Their ids are for whoever records
// them, and the instants of those that passed at the start of a day: the state
// depends on neither.
func Passed(rules Rules, s State, by Moment) ([]Event, State) {
	var events []Event
	for {
		all := passed(rules, s, by)
		if len(all) == 0 {
			return events, s
		}
		at := all[0].moment()
		event := Event{
			Command: Command{Candidate: s.Candidate, Kind: Elapse, Actor: "timer", Role: System, At: at.At.Time(), Today: at.On, On: at.On},
			Seq:     s.Seq + 1, Fired: DueBy(rules, s, at),
		}
		if slices.ContainsFunc(event.Fired, func(d Deadline) bool { return d.Kind == Readiness }) {
			event.Outstanding = Outstanding(rules, s)
		}
		s = Apply(rules, s, event)
		events = append(events, event)
	}
}

// Outstanding lists the requirements that are not in force on the planned day of
// the operation, nil without one.
func Outstanding(rules Rules, s State) []string {
	if s.Planned == "" {
		return nil
	}
	var list []string
	rules = rules.With(s.Imposed)
	for _, reason := range missing(rules, s, ForOperation, s.Planned) {
		list = append(list, reason.Requirement)
	}
	return list
}
