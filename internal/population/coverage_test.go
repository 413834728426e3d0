package population_test

import (
	"maps"
	"slices"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// wanted is how often 1,000 journeys have to come by something, at least: about a
// third of what they do.
func wanted() map[string]int {
	list := map[string]int{
		"stage screening": 900, "stage evaluation": 800, "stage committee": 600, "stage approved": 500, "stage scheduled": 400, "stage operation": 250,
		"stage recovery": 250, "stage follow-up": 200, "stage closed": 80, "stage declined": 40, "stage withdrawn": 40, "stage deceased": 40,
		"stage on-hold": 150, "stage deferred": 60,
		"requirement awaiting a second signature": 10, "check stopped": 80, "death of a donor": 40,
		"operation removed": 150, "operation stopped-not-removed": 30,
	}
	// Whoever adds a command, or a state, has the journeys come by it.
	for _, kind := range append(append(journey.Kinds(), journey.OwnKinds()...), journey.Refer) {
		list["command "+string(kind)] = 10
	}
	list["command "+string(journey.RevokeDonorLink)], list["command "+string(journey.RevokeQuestionnaire)] = 4, 4
	for _, status := range []journey.Status{
		journey.NotDue, journey.Due, journey.Resulted, journey.NeedsReview, journey.Met, journey.NotMet, journey.Expired, journey.Waived, journey.NotApplicable,
	} {
		list["requirement "+string(status)] = 50
	}
	for _, status := range []journey.VisitStatus{
		journey.VisitAhead, journey.VisitOpen, journey.VisitDone, journey.VisitDoneLate, journey.VisitNotReached, journey.VisitMissed, journey.VisitNotOwed,
	} {
		list["visit "+string(status)] = 15
	}
	for _, band := range []journey.Band{journey.Meets, journey.Discussion, journey.Excludes, journey.CannotDecide} {
		list["flag "+string(band)] = 80
	}
	for _, deadline := range []journey.DeadlineKind{
		journey.RequirementExpires, journey.FirstReplyDue, journey.ScreeningDue, journey.EvaluationDue, journey.CommitteeDue, journey.HoldReviewDue,
		journey.DeferralReviewDue, journey.ApprovalLapses, journey.ConditionDue, journey.NewDateDue, journey.Readiness, journey.VisitOpens, journey.VisitCloses,
		journey.ReportDue, journey.ReportDue.Soon(), journey.ContactDue,
	} {
		list["deadline "+string(deadline)] = 2
	}
	// How a journey ends before the operation, from each stage, is for the test of
	// exits.
	list["from recovery to closed"], list["from follow-up to closed"] = 10, 20
	for _, event := range protocol.Default().Reportable {
		list["event "+event.ID] = 2
	}
	for _, status := range result.Statuses {
		list["Observation "+string(status)] = 20
	}
	for _, status := range result.ReportStatuses {
		list["DiagnosticReport "+string(status)] = 3
	}
	for _, status := range []string{"active", "inactive"} {
		list["Consent "+status], list["Flag "+status] = 10, 10
	}
	// Types without a status of their own, and those that everybody has.
	for _, typ := range []string{"CareTeam", "CarePlan", "EpisodeOfCare", "Patient", "Provenance", "RiskAssessment", "Specimen", "QuestionnaireResponse", "AdverseEvent"} {
		list["published "+typ] = 100
	}
	for _, typ := range []string{"Appointment", "ClinicalImpression", "Condition", "DetectedIssue", "Encounter", "MedicationStatement", "Procedure", "ServiceRequest"} {
		list["published "+typ] = 60
	}
	return list
}

// covers reports what too few of the journeys came by.
func (a *outcome) covers(t *testing.T, count int) {
	t.Helper()
	for what, least := range wanted() {
		least = least * count / 1000
		if count < 1000 {
			least /= 3 // few journeys scatter more
		}
		if n := a.reached[what]; n < least {
			t.Errorf("%s: %d times in %d journeys, want %d", what, n, count, least)
		}
	}
	for _, what := range slices.Sorted(maps.Keys(a.reached)) {
		t.Logf("%-50s %d", what, a.reached[what])
	}
}
