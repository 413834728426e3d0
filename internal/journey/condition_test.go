package journey_test

import (
	"testing"

	"candidacy/internal/journey"
)

// TestConditionalRequirements: a condition that is not known to fail makes a
// requirement stand, its answer lets it go or come, and what was signed stays.
func TestConditionalRequirements(t *testing.T) {
	rules := journey.Rules{Version: "1", Requirements: []journey.RequirementRule{
		{ID: "tolerance", Gate: journey.ForCommittee, Evidence: journey.ByResult, Signer: journey.Clinician, Conditional: true},
		{ID: "dietitian", Gate: journey.ForCommittee, Evidence: journey.ByReview, Signer: journey.Clinician, Conditional: true},
		{ID: "either", Gate: journey.ForCommittee, Evidence: journey.ByResult, Signer: journey.Clinician, Conditional: true, WhenFlagged: []string{"acr"}},
		{ID: "late", Gate: journey.ForOperation, Evidence: journey.ByReview, Signer: journey.Clinician, Conditional: true},
	}}
	conditions := func(holds journey.Holding) []journey.Condition {
		var list []journey.Condition
		for _, r := range rules.Requirements {
			list = append(list, journey.Condition{Requirement: r.ID, Holds: holds})
		}
		return list
	}
	event := func(seq int64, kind journey.Kind, a *journey.Assessment) journey.Event {
		return journey.Event{Command: journey.Command{Kind: kind, Candidate: "c", Today: "2026-03-02"}, Seq: seq, Assessment: a}
	}
	statuses := func(s journey.State) [4]journey.Status {
		var list [4]journey.Status
		for i, r := range rules.Requirements {
			state, _ := s.Find(r.ID)
			list[i] = state.Status
		}
		return list
	}
	want := func(s journey.State, what string, expected [4]journey.Status) {
		t.Helper()
		if got := statuses(s); got != expected {
			t.Errorf("%s: got %v, want %v", what, got, expected)
		}
	}
	const due, no, notDue, met = journey.Due, journey.NotApplicable, journey.NotDue, journey.Met
	s := journey.Begin(rules, event(1, journey.Refer, &journey.Assessment{}))
	want(s, "nothing known", [4]journey.Status{due, due, due, notDue})
	s = journey.Apply(rules, s, event(2, journey.RecordResults, &journey.Assessment{Conditions: conditions(journey.HoldsNo)}))
	want(s, "known not to apply", [4]journey.Status{no, no, no, no})
	if s.Applies("tolerance") || s.Holds("tolerance") != journey.HoldsNo || s.Holds("unknown") != journey.HoldsUnknown {
		t.Errorf("got %+v", s.Conditions)
	}
	flagged := &journey.Assessment{Conditions: conditions(journey.HoldsNo), Flags: []journey.Flag{{ID: "acr", Band: journey.Discussion}}}
	want(journey.Apply(rules, s, event(3, journey.RecordResults, flagged)), "by the flag", [4]journey.Status{no, no, due, no})
	s = journey.Apply(rules, s, event(3, journey.RecordResults, &journey.Assessment{Conditions: conditions(journey.HoldsYes)}))
	want(s, "known to apply", [4]journey.Status{due, due, due, notDue})
	review := event(4, journey.RecordReview, nil)
	review.Requirement, review.Position, review.Role = "dietitian", journey.Supports, journey.Clinician
	s = journey.Apply(rules, s, review)
	want(s, "reviewed", [4]journey.Status{due, met, due, notDue})
	s = journey.Apply(rules, s, event(5, journey.RecordResults, &journey.Assessment{Conditions: conditions(journey.HoldsNo)}))
	want(s, "what was signed stays", [4]journey.Status{no, met, no, no})
	s = journey.Apply(rules, s, event(6, journey.RecordResults, &journey.Assessment{Conditions: conditions(journey.HoldsUnknown)}))
	want(s, "no longer known", [4]journey.Status{due, met, due, notDue})
}
