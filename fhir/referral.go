package fhir

import (
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// patientReferral is SNOMED CT's code of a referral (from memory).
const patientReferral = "3457005"

func referralID(candidate string) string { return resourceID(candidate, "referral") }

// referral publishes how the candidate came: an order of the clinician who referred
// them, or else their own offer, whoever wrote it down. It says nothing of whom the
// kidney is for.
func (p *plan) referral() ([]record.Resource, error) {
	s, id := p.s, referralID(p.s.Candidate)
	was, known := p.previous.find(typeServiceRequest, id)
	role, before, _ := strings.Cut(was.Memo, "|")
	if !known {
		by, err := referredBy(s)
		if err != nil {
			return nil, err
		}
		role = string(by)
	}
	status := referralStatus(s.State, before)
	memo := role + "|" + status.Code()
	if kept, ok := p.kept(typeServiceRequest, id, memo); ok {
		return []record.Resource{kept}, nil
	}
	patient, code := reference(typePatient, s.Candidate), concept(systemSNOMED, patientReferral, "Patient referral", "Referral as a candidate for living kidney donation")
	request := r4.ServiceRequest{
		Id: &id, Status: status, Intent: r4.RequestIntentProposal, Code: &code, Subject: patient, AuthoredOn: optional(string(s.Referral.On)),
		Requester: &patient, Performer: []r4.Reference{theProgramme()},
		ReasonReference: []r4.Reference{reference(typeCondition, donorConditionID(s.Candidate))},
	}
	if journey.Role(role) == journey.Clinician {
		requester := staffRole(journey.Clinician)
		request.Intent, request.Requester = r4.RequestIntentOrder, &requester
	}
	r, err := publishRequest(request)
	r.Memo = memo
	return []record.Resource{r}, err
}

func referredBy(s activities.Snapshot) (journey.Role, error) {
	switch {
	case s.Entry.Kind == journey.Refer:
		return s.Entry.Role, nil
	case s.Referred != nil:
		return s.Referred()
	default:
		return journey.Coordinator, nil
	}
}

// referralStatus is completed once the evaluation has begun. A journey that ended
// before revokes it, whoever ended it; before is what it was then.
func referralStatus(s journey.State, before string) r4.RequestStatus {
	waiting := func(stage journey.Stage) bool { return stage == journey.Referral || stage == journey.Screening }
	switch {
	case waiting(s.Stage):
		return r4.RequestStatusActive
	case s.Stage == journey.OnHold && waiting(s.Resume):
		return r4.RequestStatusOnHold
	case endedEarly(s.Stage) && before != "" && before != r4.RequestStatusCompleted.Code():
		return r4.RequestStatusRevoked
	default:
		return r4.RequestStatusCompleted
	}
}
