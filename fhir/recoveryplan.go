package fhir

import (
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/recovery"
)

// systemRecovery is the local code system of the lines of a recovery plan.
const systemRecovery = "https://candidacy.example/CodeSystem/recovery"

var lineStatuses = map[recovery.State]r4.CarePlanActivityStatus{
	recovery.Waits: r4.CarePlanActivityStatusNotStarted,
	recovery.Ahead: r4.CarePlanActivityStatusScheduled,
	recovery.Now:   r4.CarePlanActivityStatusInProgress,
	recovery.Past:  r4.CarePlanActivityStatusCompleted,
	recovery.Done:  r4.CarePlanActivityStatusCompleted,
}

// donated reports whether a kidney was removed, so that there is a recovery.
func donated(s activities.Snapshot) bool {
	return s.State.Operated != "" && s.State.Outcome == journey.Removed
}

func recoveryPlanID(candidate string) string { return resourceID(candidate, "recovery") }

// hasRecoveryPlan reports whether a recovery plan is published.
func hasRecoveryPlan(s activities.Snapshot) bool { return donated(s) && len(s.Protocol.Recovery) > 0 }

// recoveryPlan publishes the plan after the operation, and the visits that were
// asked for. What a line waits for is said in words: a day that is not known has
// no date.
func recoveryPlan(s activities.Snapshot, visits []visitRequest) ([]record.Resource, error) {
	if !hasRecoveryPlan(s) {
		return nil, nil
	}
	status := r4.RequestStatusActive
	if s.State.Stage.Ended() {
		status = r4.RequestStatusCompleted
	}
	const title = "Recovery after living kidney donation"
	plan := newCarePlan(s, recoveryPlanID(s.Candidate), title, status, s.State.Operated)
	if s.Operation.Record != nil {
		plan.SupportingInfo = append(plan.SupportingInfo, reference(typeProcedure, procedureID(s.Candidate)))
	}
	var lines []planLine
	for _, line := range recovery.Plan(s.Protocol, s.State.Operated, s.Stay, s.State.Visits, s.Today) {
		code := concept(systemRecovery, line.ID, line.Title, line.Title)
		detail := r4.CarePlanActivityDetail{Code: &code, Status: lineStatuses[line.State], Description: optional(line.Source)}
		var waits []string
		for _, anchor := range line.WaitsFor {
			waits = append(waits, string(anchor))
		}
		if len(waits) > 0 {
			text := "waits for " + strings.Join(waits, " and ")
			detail.ScheduledString = &text
		} else if line.From != "" {
			detail.ScheduledPeriod = &r4.Period{Start: optional(string(line.From)), End: optional(string(line.Until))}
		}
		if status == r4.RequestStatusCompleted && detail.Status != r4.CarePlanActivityStatusCompleted && !line.ForLife {
			detail.Status = r4.CarePlanActivityStatusUnknown
		}
		plan.Activity = append(plan.Activity, r4.CarePlanActivity{Detail: &detail})
		lines = append(lines, planLine{text: line.Title, status: detail.Status.Code()})
	}
	for _, v := range visits {
		visit := reference(v.Type, v.ID)
		plan.Activity, lines = append(plan.Activity, r4.CarePlanActivity{Reference: &visit}), append(lines, v.line)
	}
	plan.Text = planNarrative(title, status.Code(), lines)
	r, err := publishCarePlan(plan)
	return []record.Resource{r}, err
}
