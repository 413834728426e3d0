package fhir

import (
	"slices"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// imposed is a snapshot after an approval with a condition.
func imposed(status journey.Status, stage journey.Stage) activities.Snapshot {
	s := by(testSnapshot(candidateA), journey.RecordReview, journey.Clinician)
	s.State.Stage = stage
	s.State.Imposed = []journey.Imposed{{
		RequirementRule: journey.RequirementRule{ID: "condition-1", Gate: journey.ForScheduling, Evidence: journey.ByReview, Signer: journey.Clinician, SecondSignature: true},
		Due:             "2026-12-01", Decision: 8,
	}}
	s.State.Requirements = append(slices.Clone(s.State.Requirements), journey.Requirement{ID: "condition-1", Status: status})
	s.Protocol = s.Protocol.WithConditions(s.State.Imposed, nil)
	return s
}

// TestConditionsArePublishedAsWork: a condition of an approval is a Task like the
// work on any requirement, without what it asks for; and after every exit it is
// cancelled alike.
func TestConditionsArePublishedAsWork(t *testing.T) {
	task := func(s activities.Snapshot) r4.Task {
		t.Helper()
		return decode[r4.Task](t, find(t, mustPublish(t, s), typeTask, candidateA+"-r1-condition-1"))
	}
	for status, want := range map[journey.Status]r4.TaskStatus{journey.Due: r4.TaskStatusRequested, journey.Met: r4.TaskStatusCompleted, journey.Waived: r4.TaskStatusCancelled} {
		got := task(imposed(status, journey.Approved))
		if got.Status != want || got.Description == nil || !strings.Contains(*got.Description, "Condition 1 of the approval") {
			t.Errorf("%s: %s, %v", status, got.Status, got.Description)
		}
	}
	var forms []string
	for _, stage := range []journey.Stage{journey.Withdrawn, journey.Declined, journey.Deceased} {
		resources := mustPublish(t, imposed(journey.Due, stage))
		if !slices.ContainsFunc(resources, func(r record.Resource) bool { return r.ID == candidateA+"-r1-condition-1" }) {
			continue
		}
		forms = append(forms, string(find(t, resources, typeTask, candidateA+"-r1-condition-1").Body))
	}
	if n := len(forms); n != 0 && n != 3 {
		t.Errorf("%d of the three exits tell of it", n)
	}
	for _, form := range forms {
		if form != forms[0] {
			t.Errorf("one exit is told from another:\n%s\n%s", forms[0], form)
		}
	}
}
