package fhir

import (
	"fmt"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

var carePlanType = resourceType{
	code:    r4.ResourceTypeCarePlan,
	profile: "http://hl7.org/fhir/us/core/StructureDefinition/us-core-careplan",
	params: ofPatient("CarePlan-subject",
		tokenParam("category", "CarePlan-category", ""),
		tokenParam("status", "CarePlan-status", systemRequestStatus),
		dateParam("date", "clinical-date"),
	),
}

// planStatuses gives every exit the same status, as episodeStatuses does. The
// plan exists from the referral on, as a draft.
var planStatuses = map[journey.Stage]r4.RequestStatus{
	journey.Referral:   r4.RequestStatusDraft,
	journey.Screening:  r4.RequestStatusDraft,
	journey.Evaluation: r4.RequestStatusActive,
	journey.Committee:  r4.RequestStatusActive,
	journey.Approved:   r4.RequestStatusCompleted,
	journey.Scheduled:  r4.RequestStatusCompleted,
	journey.Operation:  r4.RequestStatusCompleted,
	journey.Recovery:   r4.RequestStatusCompleted,
	journey.FollowUp:   r4.RequestStatusCompleted,
	journey.Closed:     r4.RequestStatusCompleted,
	journey.Declined:   r4.RequestStatusRevoked,
	journey.Withdrawn:  r4.RequestStatusRevoked,
	journey.Deceased:   r4.RequestStatusRevoked,
	journey.OnHold:     r4.RequestStatusOnHold,
	journey.Deferred:   r4.RequestStatusOnHold,
}

var activityStatuses = map[journey.Status]r4.CarePlanActivityStatus{
	journey.NotDue:      r4.CarePlanActivityStatusNotStarted,
	journey.Due:         r4.CarePlanActivityStatusNotStarted,
	journey.Expired:     r4.CarePlanActivityStatusNotStarted,
	journey.Resulted:    r4.CarePlanActivityStatusInProgress,
	journey.NeedsReview: r4.CarePlanActivityStatusInProgress,
	journey.Met:         r4.CarePlanActivityStatusCompleted,
	journey.NotMet:      r4.CarePlanActivityStatusCompleted,
	journey.Waived:      r4.CarePlanActivityStatusCancelled,
}

// carePlan publishes the evaluation plan with one activity per requirement.
func carePlan(s activities.Snapshot) ([]record.Resource, error) {
	status, ok := planStatuses[s.State.Stage]
	if !ok {
		return nil, fmt.Errorf("the stage %q has no plan status", s.State.Stage)
	}
	start := string(s.Referral.On)
	id := resourceID(s.Candidate, "evaluation")
	title := s.Protocol.Title
	if title == "" {
		title = "Living kidney donor evaluation"
	}
	plan := r4.CarePlan{
		Id:       &id,
		Status:   status,
		Intent:   r4.CarePlanIntentPlan,
		Category: []r4.CodeableConcept{concept(systemPlanCategory, "assess-plan", "", "")},
		Title:    &title,
		Subject:  reference(typePatient, s.Candidate),
	}
	if start != "" {
		plan.Period = &r4.Period{Start: &start}
	}
	if p := s.Protocol; p.Canonical != "" {
		plan.InstantiatesCanonical = []string{p.Canonical + "|" + p.Version}
	}
	for _, requirement := range s.State.Requirements {
		// What applies because of something told in confidence would tell it.
		if requirement.Status == journey.NotApplicable || s.Protocol.ConfidentialCondition(requirement.ID) {
			continue
		}
		a, err := activity(s.Protocol, requirement, status)
		if err != nil {
			return nil, err
		}
		plan.Activity = append(plan.Activity, a)
	}
	plan.Text = planNarrative(plan)

	var x index
	x.concepts("category", plan.Category...)
	x.code("status", systemRequestStatus, status.Code())
	x.period("date", plan.Period)
	r, err := publish(typeCarePlan, id, metaCarePlan, plan, x)
	return []record.Resource{r}, err
}

// activity maps one requirement. A revoked plan stops whatever isn't over.
func activity(p *protocol.Protocol, r journey.Requirement, plan r4.RequestStatus) (r4.CarePlanActivity, error) {
	rule, ok := p.Find(r.ID)
	if !ok {
		rule.ID, rule.Title = r.ID, r.ID
	}
	status, ok := activityStatuses[r.Status]
	if !ok {
		return r4.CarePlanActivity{}, fmt.Errorf("the requirement status %q has no activity status", r.Status)
	}
	over := status == r4.CarePlanActivityStatusCompleted || status == r4.CarePlanActivityStatusCancelled
	if plan == r4.RequestStatusRevoked && !over {
		status = r4.CarePlanActivityStatusStopped
	}
	kind := r4.CarePlanActivityKindTask
	if rule.Evidence == journey.ByResult {
		kind = r4.CarePlanActivityKindServiceRequest
	}
	code := concept(systemRequirement, rule.ID, rule.Title, rule.Title)
	detail := r4.CarePlanActivityDetail{Kind: &kind, Code: &code, Status: status, Description: optional(rule.Domain)}
	a := r4.CarePlanActivity{Detail: &detail}
	switch r.Status {
	case journey.Waived:
		reason := concept("", "", "", "waived")
		detail.StatusReason = &reason
	case journey.NotMet:
		if !confidential(rule) && !p.ConfidentialRequirement(rule.ID) {
			a.OutcomeCodeableConcept = []r4.CodeableConcept{concept(systemOutcome, "not-met", "Not met", "not met")}
		}
	}
	return a, nil
}

// confidential reports whether what came of the requirement stays with the
// programme. What the independent advocate or the psychosocial evaluator said
// is not published, only that the review took place.
func confidential(rule protocol.Requirement) bool {
	return rule.ByAdvocate || rule.Domain == "advocate" || rule.Domain == "psychosocial"
}
