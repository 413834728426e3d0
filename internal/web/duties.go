package web

import (
	"net/url"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

// pauseWords say why a candidate is paused.
var pauseWords = map[string]string{
	"wants-time": "The candidate wants time", "not-understood": "Something is not understood", "pressure": "Pressure from somebody",
	"gain": "Something was offered for the kidney", "health": "Worry about the candidate's health", "rights": "A right or a duty was passed over", "other": "Something else",
}

// ownDuties are the lines of the checklists of the viewer's reviews that apply to the
// candidate.
func ownDuties(sc scene) []protocol.Item {
	var list []protocol.Item
	for _, r := range reviews(sc) {
		if state, ok := sc.candidate.State.Find(r.ID); !ok || state.Status == journey.NotApplicable || !r.ByAdvocate {
			continue
		}
		for _, item := range sc.protocol.Items(r.ID) {
			if item.When == "" || sc.candidate.State.Holds(item.ID) != journey.HoldsNo {
				list = append(list, item)
			}
		}
	}
	return list
}

// dutyDone reports whether a duty counts now.
func dutyDone(sc scene, item protocol.Item) bool {
	return journey.DutyDone(sc.protocol.Rules(), sc.candidate.State, item.Requirement, item.ID, sc.today)
}

// dutiesAction is the form by which the advocate ticks what they have done.
var dutiesAction = action{
	Title: "Tick duties that are done", Button: "Record as done", Done: "The duties are recorded.",
	Hint: "Tick a duty when you have done it. Your review then counts it; nothing stands in the way of a concern or an objection.",
	Fields: func(s scene) []field {
		f := field{Name: "duties", Label: "Duties done", Type: "checkboxes"}
		for _, item := range ownDuties(s) {
			if !dutyDone(s, item) {
				f.Options = append(f.Options, option{item.ID, item.Title})
			}
		}
		return []field{f, {Name: "on", Label: "Day on which it was done", Type: "date", Value: string(s.today)}}
	},
	Empty: func(s scene) string {
		for _, item := range ownDuties(s) {
			if !dutyDone(s, item) {
				return ""
			}
		}
		return "No duty is open."
	},
	Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
		verdict := journey.VerdictMet
		if v.Get("verdict") == string(journey.VerdictNotMet) {
			verdict = journey.VerdictNotMet
		}
		return &command.ConfirmDuties{Duties: v["duties"], Verdict: verdict, On: journey.Date(v.Get("on")), Reason: v.Get("reason")}, nil
	},
}

// dutiesField asks for the duties of a review. Those that were ticked at their time are
// ticked here, with their day.
func dutiesField(s scene, duties []option) field {
	f := field{Name: "duties", Label: "Duties done", Type: "checkboxes", Optional: true}
	for _, o := range duties {
		if item, ok := s.protocol.Item(o.Value); ok && dutyDone(s, item) {
			d, _ := s.candidate.State.Duty(item.ID)
			o.Label += " (done " + dayWord(d.On) + ")"
			f.Checked = append(f.Checked, item.ID)
		}
		f.Options = append(f.Options, o)
	}
	return f
}
