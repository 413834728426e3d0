package system_test

import (
	"reflect"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/system"
	"candidacy/internal/walk"
)

// TestBirthdayAddsARequirement: by a condition over the age, a review is needed
// from the birthday on. The next command notices it, records the cause, and the
// workflow and the record agree.
func TestBirthdayAddsARequirement(t *testing.T) {
	text := strings.NewReplacer(
		"\nfacts:\n", "\nfacts:\n  - {id: age, title: Age, of: age, type: number, unit: a}\n",
		"\nrequirements:\n", `
requirements:
  - id: colon-screen
    title: Screening of the colon
    domain: cancer
    gate: committee
    evidence: review
    signer: clinician
    when: age >= 44
    source: invented for this test
`).Replace(protocol.Default().Source())
	p, err := protocol.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	sys, err := system.Open(t.Context(), system.Options{DataDir: t.TempDir(), Protocol: p})
	if err != nil {
		t.Fatal(err)
	}
	defer closed(t, sys)
	employ(t, sys)
	// The candidate turns 44 on 14 March, eleven days after the referral.
	w := walk.New(1, begin).Refer().Screen()
	w.Add(w.At(10, 0), journey.RecordReview, walk.Nephrologist, journey.Clinician, &command.RecordReview{
		Requirement: "medical-history", Position: journey.Supports, Findings: "As dictated.",
	})
	w.Add(w.At(12, 0), journey.RecordReview, walk.Surgeon, journey.Clinician, &command.RecordReview{
		Requirement: "surgery-review", Position: journey.Supports, Findings: "As dictated.",
	})
	w.Add(w.At(13, 0), journey.RecordReview, walk.Nephrologist, journey.Clinician, &command.RecordReview{
		Requirement: "colon-screen", Position: journey.Supports, Findings: "As dictated.",
	})
	id := play(t, walk.NewPlayer(sys.Dispatcher), "birthday", w.Steps())
	events, err := sys.Store.Events(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	var changes []journey.PlanChange
	for _, e := range events {
		if e.Kind != journey.Refer {
			changes = append(changes, e.Plan...)
		}
		if len(e.Plan) > 0 && e.Requirement != "surgery-review" {
			t.Errorf("the plan changed with %s %s", e.Kind, e.Requirement)
		}
	}
	if want := []journey.PlanChange{{Requirement: "colon-screen", Applies: true, Causes: []string{"age"}}}; !reflect.DeepEqual(changes, want) {
		t.Errorf("got %+v, want %+v", changes, want)
	}
	c, err := sys.Store.Candidate(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	folded := journey.Fold(p.Rules(), events)
	if !reflect.DeepEqual(c.State, folded) {
		t.Errorf("the record's state is not the fold of its events:\n%+v\n%+v", c.State, folded)
	}
	if r, _ := c.State.Find("colon-screen"); r.Status != journey.Met {
		t.Errorf("got %+v", r)
	}
}
