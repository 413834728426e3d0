package web

import (
	"fmt"
	"slices"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

// visitWarnings says, for each planned visit, what speaks against its time: another at the
// same time, what it waits for, days that the protocol wants between two requirements, a
// result that comes or expires too early for the planned operation. They stop nothing.
func visitWarnings(p *protocol.Protocol, s journey.State, booked []journey.Appointment) map[string][]string {
	all := map[string][]string{}
	for _, a := range booked {
		warn := func(format string, args ...any) {
			if text := fmt.Sprintf(format, args...); !slices.Contains(all[a.ID], text) {
				all[a.ID] = append(all[a.ID], text)
			}
		}
		for _, b := range booked {
			if a.ID != b.ID && a.Starts.Before(b.Ends) && b.Starts.Before(a.Ends) {
				warn("Another visit is at the same time: %s, %s", weekdayWord(b.On), timesWord(b, p))
			}
		}
		for _, id := range a.Requirements {
			r, ok := p.Find(id)
			if !ok {
				continue
			}
			if !s.Applies(id) {
				warn("%s does not apply any more", r.Title)
			}
			for _, needed := range r.Needs {
				has, ok := s.Find(needed)
				rule, known := p.Find(needed)
				if !ok || !known || has.Status == journey.NotApplicable || has.InForce(a.On) || resulted(has, a.On) {
					continue
				}
				if !slices.ContainsFunc(booked, func(b journey.Appointment) bool {
					return slices.Contains(b.Requirements, needed) && !a.On.Before(b.On.AddDays(rule.LeadDays))
				}) {
					warn("%s comes first, and its result will not be there by then", rule.Title)
				}
			}
			for _, other := range p.Requirements {
				if days := apart(r, other); days > 0 && s.Applies(other.ID) {
					for _, day := range daysOf(s, booked, other.ID) {
						if n := day.DaysUntil(a.On); n < days && n > -days {
							warn("%s and %s are done at least %s apart", r.Title, other.Title, plural(days, "day"))
						}
					}
				}
			}
			if s.Planned == "" {
				continue
			}
			switch planned := dayWord(s.Planned); {
			case s.Planned.Before(a.On):
				warn("It is after the planned operation on %s", planned)
			case s.Planned.Before(a.On.AddDays(r.LeadDays)):
				warn("%s usually takes %s, and the operation is planned for %s", r.Title, plural(r.LeadDays, "day"), planned)
			case r.ValidDays > 0 && a.On.AddDays(r.ValidDays).Before(s.Planned):
				warn("%s will have expired by the planned operation on %s: it is valid for %s", r.Title, planned, plural(r.ValidDays, "day"))
			case r.OperationDays > 0 && a.On.AddDays(r.OperationDays).Before(s.Planned):
				warn("%s will be too old for the planned operation on %s: at most %s before it", r.Title, planned, plural(r.OperationDays, "day"))
			}
		}
	}
	return all
}

// resulted reports whether the result of a requirement is on record and not signed yet: it
// is there for what needs it, and the signature may come meanwhile.
func resulted(r journey.Requirement, on journey.Date) bool {
	return (r.Status == journey.Resulted || r.Status == journey.NeedsReview) && !(r.ValidUntil != "" && r.ValidUntil.Before(on))
}

// apart is how many days two requirements are kept apart, whichever of them says so.
func apart(a, b protocol.Requirement) int {
	days := 0
	for _, each := range a.Apart {
		if each.Requirement == b.ID {
			days = max(days, each.Days)
		}
	}
	for _, each := range b.Apart {
		if each.Requirement == a.ID {
			days = max(days, each.Days)
		}
	}
	return days
}

// daysOf are the days on which a requirement is done: as it is on record, and as planned.
func daysOf(s journey.State, booked []journey.Appointment, id string) []journey.Date {
	var days []journey.Date
	if r, ok := s.Find(id); ok && r.Collected != "" {
		days = append(days, r.Collected)
	}
	for _, b := range booked {
		if slices.Contains(b.Requirements, id) {
			days = append(days, b.On)
		}
	}
	return days
}
