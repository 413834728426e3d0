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

// doneDuty is a duty that was done, at its time or with a review.
type doneDuty struct {
	journey.Duty
	// over says that it was done too long ago to count.
	over bool
}

// dutiesDone are those that the candidate's present advocate has done: ticked at their
// time, or confirmed with a review that stands.
func dutiesDone(sc scene) map[string]doneDuty {
	done := map[string]doneDuty{}
	state := sc.candidate.State
	for _, item := range ownDuties(sc) {
		if d, ok := state.Duty(item.ID); ok {
			done[item.ID] = doneDuty{d, !dutyDone(sc, item)}
		}
	}
	for _, e := range sc.entries {
		if e.Kind != journey.RecordReview || e.Actor != state.Advocate {
			continue
		}
		var body command.RecordReview
		read(e, &body)
		on := journey.DateOf(e.OccurredAt, sc.protocol.Zone())
		for _, id := range body.Duties {
			item, ok := sc.protocol.Item(id)
			if before, known := done[id]; !ok || known && on.Before(before.On) {
				continue
			}
			review, _ := state.Find(item.Requirement)
			done[id] = doneDuty{journey.Duty{ID: id, By: e.Actor, On: on}, !review.InForce(sc.today) || review.SignedBy != e.Actor}
		}
	}
	return done
}

// dutiesAction is the form by which the advocate ticks what they have done.
var dutiesAction = action{
	Title: "Tick duties that are done", Button: "Record as done", Done: "The duties are recorded.",
	Hint: "Tick a duty when you have done it. Your review then counts it; nothing stands in the way of a concern or an objection.",
	Fields: func(s scene) []field {
		f := field{Name: "duties", Label: "Duties done", Type: "checkboxes"}
		done := dutiesDone(s)
		for _, item := range ownDuties(s) {
			if d, ok := done[item.ID]; !ok || d.over {
				f.Options = append(f.Options, option{item.ID, item.Title})
			}
		}
		return []field{f, {Name: "on", Label: "Day on which it was done", Type: "date", Value: string(s.today)}}
	},
	Empty: func(s scene) string {
		done := dutiesDone(s)
		for _, item := range ownDuties(s) {
			if d, ok := done[item.ID]; !ok || d.over {
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
