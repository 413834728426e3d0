package fhir

import (
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

var carePlanType = resourceType{
	code:    r4.ResourceTypeCarePlan,
	profile: usCore + "us-core-careplan",
	params: ofPatient("CarePlan-subject",
		tokenParam("category", "CarePlan-category", ""),
		tokenParam("status", "CarePlan-status", systemRequestStatus),
		tokenParam("intent", "CarePlan-intent", systemRequestIntent),
		dateParam("date", "clinical-date"),
		referenceParam("activity-reference", "CarePlan-activity-reference", typeServiceRequest, typeTask),
		tokenParam("activity-code", "CarePlan-activity-code", ""),
		referenceParam("care-team", "CarePlan-care-team", typeCareTeam),
		referenceParam("condition", "CarePlan-condition", typeCondition),
		referenceParam("instantiates-canonical", "CarePlan-instantiates-canonical"),
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

// evaluationPlan is the plan of the evaluation.
func evaluationPlan(candidate string) r4.Reference {
	return reference(typeCarePlan, resourceID(candidate, "evaluation"))
}

// carePlan publishes the evaluation plan with one activity for each time that a
// requirement is worked on.
func (p *plan) carePlan() ([]record.Resource, error) {
	s, status := p.s, planStatuses[p.stage]
	id := resourceID(s.Candidate, "evaluation")
	title := s.Protocol.Title
	if title == "" {
		title = "Living kidney donor evaluation"
	}
	plan := newCarePlan(s, id, title, status, s.Referral.On)
	var key strings.Builder
	var lines []planLine
	for _, requirement := range p.order {
		for i, r := range p.of[requirement] {
			line := planLine{text: r.title, status: r.activity}
			if i < len(p.of[requirement])-1 {
				line.text += ", before"
			}
			a := r4.CarePlanActivity{Reference: &r4.Reference{Reference: optional(r.typ + "/" + r.id)}}
			// What came of restricted work is told by its own resources, which bear a
			// label: the plan is for everybody.
			if r.outcome == "not-met" && restrictedWork(s.Protocol, p.rules[requirement]) {
				r.outcome = ""
			}
			if r.outcome != "" {
				line.outcome = strings.ToLower(outcomeWords[r.outcome])
				a.OutcomeCodeableConcept = []r4.CodeableConcept{concept(systemOutcome, r.outcome, outcomeWords[r.outcome], line.outcome)}
			}
			for _, outcome := range r.outcomes {
				a.OutcomeReference = append(a.OutcomeReference, r4.Reference{Reference: &outcome})
			}
			plan.Activity, lines = append(plan.Activity, a), append(lines, line)
			key.WriteString(r.typ + r.id + line.text + line.status + r.outcome + strings.Join(r.outcomes, " ") + "\n")
		}
	}
	memo := digestOf(p.protocol, status.Code(), title, string(s.Referral.On), key.String())
	if kept, ok := p.kept(typeCarePlan, id, memo); ok {
		return []record.Resource{kept}, nil
	}
	plan.Text = planNarrative(title, status.Code(), lines)
	r, err := publishCarePlan(plan)
	r.Memo = memo
	return []record.Resource{r}, err
}

// newCarePlan is a plan with what both have.
func newCarePlan(s activities.Snapshot, id, title string, status r4.RequestStatus, start journey.Date) r4.CarePlan {
	author := theProgramme()
	plan := r4.CarePlan{
		Id: &id, Status: status, Intent: r4.CarePlanIntentPlan, Title: &title, Subject: reference(typePatient, s.Candidate),
		Category: []r4.CodeableConcept{concept(systemPlanCategory, "assess-plan", "", "")},
		Created:  optional(string(start)), Author: &author, CareTeam: []r4.Reference{reference(typeCareTeam, careTeamID(s.Candidate))},
		Addresses:      []r4.Reference{reference(typeCondition, donorConditionID(s.Candidate))},
		SupportingInfo: []r4.Reference{reference(typeEpisodeOfCare, s.Candidate)},
	}
	if start != "" {
		plan.Period = &r4.Period{Start: optional(string(start))}
	}
	if p := s.Protocol; p.Canonical != "" {
		plan.InstantiatesCanonical = []string{p.Canonical + "|" + p.Version}
	}
	return plan
}

func publishCarePlan(plan r4.CarePlan) (record.Resource, error) {
	var x index
	x.concepts("category", plan.Category...)
	x.code("status", systemRequestStatus, plan.Status.Code())
	x.code("intent", systemRequestIntent, plan.Intent.Code())
	x.period("date", plan.Period)
	for _, a := range plan.Activity {
		x.optionalReference("activity-reference", a.Reference)
		if a.Detail != nil {
			if a.Detail.Code != nil {
				x.concepts("activity-code", *a.Detail.Code)
			}
		}
	}
	x.reference("care-team", plan.CareTeam...)
	x.reference("condition", plan.Addresses...)
	x.canonical("instantiates-canonical", plan.InstantiatesCanonical...)
	return publish(typeCarePlan, value(plan.Id), metaCarePlan, plan, x)
}

// confidential reports whether what came of the requirement stays with the
// programme. What the independent advocate or the psychosocial evaluator said
// is not published, only that the review took place.
func confidential(rule protocol.Requirement) bool {
	return rule.ByAdvocate || rule.Domain == "advocate" || rule.Domain == "psychosocial"
}
