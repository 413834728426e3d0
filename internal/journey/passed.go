package journey

import "slices"

// Passed returns an event for each day on which deadlines passed by the end of
// a day, and the state after them. Their ids and instants are for whoever
// records them: the state depends on neither.
func Passed(rules Rules, s State, until Date) ([]Event, State) {
	var events []Event
	for {
		all := Deadlines(rules, s)
		if len(all) == 0 || until.Before(all[0].On) {
			return events, s
		}
		day := all[0].On
		event := Event{
			Command: Command{Candidate: s.Candidate, Kind: Elapse, Actor: "timer", Role: System, Today: day, On: day},
			Seq:     s.Seq + 1, Fired: DueBy(rules, s, day),
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
	for _, reason := range missing(rules, s, ForOperation, s.Planned) {
		list = append(list, reason.Requirement)
	}
	return list
}
