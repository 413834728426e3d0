package journey_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/journey"
)

// TestStays plays random commands from any stage: the stays by the few events that lead
// to a stage are those by all of them, or it is said that they don't tell.
func TestStays(t *testing.T) {
	told, untold := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		p := newPlayer()
		p.to(rapid.SampledFrom([]journey.Stage{journey.Referral, journey.Evaluation, journey.Approved, journey.Approved, journey.Scheduled, journey.Recovery}).Draw(t, "from"))
		for range rapid.IntRange(0, 40).Draw(t, "commands") {
			c, assessment, mismatches := p.draw(t)
			if journey.Check(p.rules, p.state, c) != nil {
				continue
			}
			before := p.state
			p.commit(c, assessment, mismatches)
			if s := p.state; s.Stage != before.Stage && !slices.Contains(journey.Moves, c.Kind) && s.Stage != journey.Evaluation && s.Stage != journey.Closed {
				t.Fatalf("%s leads from %s to %s and is not among the moves", c.Kind, before.Stage, s.Stage)
			}
		}
		moves := slices.DeleteFunc(slices.Clone(p.events), func(e journey.Event) bool { return !slices.Contains(journey.Moves, e.Kind) })
		want := journey.FoldStays(smallRules(), p.events)
		if last := want[len(want)-1]; last != (journey.Stay{Stage: p.state.Stage, Since: p.state.Since}) {
			t.Fatalf("the last stay is %+v, and the candidate stands in %s since %s", last, p.state.Stage, p.state.Since)
		}
		got, ok := journey.Stays(moves, p.state)
		if !ok {
			untold++
			return
		}
		told++
		if !slices.Equal(got, want) {
			t.Fatalf("got %+v\nwant %+v", got, want)
		}
	})
	if told < untold || untold == 0 {
		t.Errorf("%d told, %d not", told, untold)
	}
}

// TestStaysOfALife is worked out by hand.
func TestStaysOfALife(t *testing.T) {
	event := func(kind journey.Kind, day journey.Date, o journey.Outcome) journey.Event {
		return journey.Event{Command: journey.Command{Kind: kind, Today: day, Outcome: o}}
	}
	events := []journey.Event{
		event(journey.Refer, "2026-01-01", ""), event(journey.BeginScreening, "2026-01-03", ""), event(journey.Hold, "2026-01-10", ""),
		event(journey.Resume, "2026-02-01", ""), event(journey.BeginEvaluation, "2026-02-10", ""), event(journey.PresentToCommittee, "2026-05-01", ""),
		event(journey.RecordDecision, "2026-05-08", journey.Defer), event(journey.Resume, "2026-06-01", ""),
	}
	got, ok := journey.Stays(events, journey.State{Stage: journey.Evaluation, Since: "2026-06-01"})
	want := []journey.Stay{
		{Stage: journey.Referral, Since: "2026-01-01", Until: "2026-01-03"}, {Stage: journey.Screening, Since: "2026-01-03", Until: "2026-01-10"},
		{Stage: journey.OnHold, Since: "2026-01-10", Until: "2026-02-01"}, {Stage: journey.Screening, Since: "2026-02-01", Until: "2026-02-10"},
		{Stage: journey.Evaluation, Since: "2026-02-10", Until: "2026-05-01"}, {Stage: journey.Committee, Since: "2026-05-01", Until: "2026-05-08"},
		{Stage: journey.Deferred, Since: "2026-05-08", Until: "2026-06-01"}, {Stage: journey.Evaluation, Since: "2026-06-01"},
	}
	if !ok || !slices.Equal(got, want) {
		t.Errorf("%t %+v", ok, got)
	}
	// An approval that had ended: the committee is asked from the evaluation alone.
	again := append(events[:7:7], event(journey.PresentToCommittee, "2026-06-01", ""))
	if _, ok := journey.Stays(again, journey.State{Stage: journey.Committee, Since: "2026-06-01"}); ok {
		t.Error("a deferral leads to the committee")
	}
}
