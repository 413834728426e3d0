package web

import (
	"slices"

	"candidacy/internal/journey"
)

// visits lists the visits that can still be recorded: those whose window has
// opened, and the next one, since a death is known when it is known.
func visits(s scene) []journey.Visit {
	var list []journey.Visit
	for _, v := range s.candidate.State.Visits {
		if !v.Seen() && !s.today.Before(v.Opens) {
			list = append(list, v)
		}
	}
	if next, ok := nextAhead(s); ok {
		list = append(list, next)
	}
	return list
}

// nextAhead is the first visit that is not settled, if its window is still to open.
func nextAhead(s scene) (journey.Visit, bool) {
	all := s.candidate.State.Visits
	i := slices.IndexFunc(all, func(v journey.Visit) bool { return !v.Settled() })
	if i < 0 || !s.today.Before(all[i].Opens) {
		return journey.Visit{}, false
	}
	return all[i], true
}

func visitFields(s scene) []field {
	f := field{Name: "visit", Label: "Visit", Type: "select"}
	for _, v := range visits(s) {
		label := visitTitle(s.protocol, v.ID)
		if s.today.Before(v.Opens) {
			label += " (from " + dayWord(v.Opens) + "; before that only a death)"
		}
		f.Options = append(f.Options, option{v.ID, label})
		if f.Value == "" && !v.Settled() {
			f.Value = v.ID
		}
	}
	reason := field{Name: "reason_code", Label: "Why it did not take place", Hint: "A window that has closed asks for a reason.", Type: "select", Optional: true, Options: []option{{"", "Choose"}}}
	for _, r := range journey.VisitReasons {
		reason.Options = append(reason.Options, option{string(r), known(visitReasonWords, r)})
	}
	return []field{
		f,
		{Name: "outcome", Label: "Outcome", Type: "radio", Options: []option{
			{string(journey.Seen), "Seen"}, {string(journey.NotReached), "Not reached"},
		}},
		{Name: "on", Label: "Day of the visit", Hint: "Today, if it is left empty. The window is judged by this day. For a death, its day.", Type: "date", Optional: true},
		reason,
		noteField(),
	}
}

// contactable lists the visits for which a donor may be contacted.
func contactable(s scene) []journey.Visit {
	next, ahead := nextAhead(s)
	var list []journey.Visit
	for _, v := range s.candidate.State.Visits {
		if !v.Seen() && (v.Status != journey.VisitAhead || ahead && v.ID == next.ID) {
			list = append(list, v)
		}
	}
	return list
}

func contactFields(s scene) []field {
	f := field{Name: "visit", Label: "For the visit", Type: "select"}
	for _, v := range contactable(s) {
		f.Options = append(f.Options, option{v.ID, visitTitle(s.protocol, v.ID)})
		if f.Value == "" && !v.Settled() {
			f.Value = v.ID
		}
	}
	channel := field{Name: "channel", Label: "How", Type: "select", Options: []option{{"", "Choose"}}}
	for _, c := range journey.Channels {
		channel.Options = append(channel.Options, option{string(c), known(channelWords, c)})
	}
	outcome := field{Name: "outcome", Label: "What came of it", Type: "radio"}
	for _, o := range journey.ContactOutcomes {
		outcome.Options = append(outcome.Options, option{string(o), known(contactWords, o)})
	}
	return []field{
		f, channel, outcome,
		{Name: "on", Label: "Day", Hint: "Today, if it is left empty.", Type: "date", Optional: true},
		noteField(),
	}
}
