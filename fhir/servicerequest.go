package fhir

import (
	"fmt"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

var serviceRequestType = resourceType{
	code: r4.ResourceTypeServiceRequest,
	params: ofPatient("ServiceRequest-subject",
		tokenParam("code", "clinical-code", ""),
		tokenParam("status", "ServiceRequest-status", systemRequestStatus),
		dateParam("occurrence", "ServiceRequest-occurrence"),
	),
}

// visitRequests publishes a request for each follow-up visit whose window has
// opened, with the items that are outstanding. It is completed once the visit took
// place, and revoked when it will not: how and why is the programme's.
func visitRequests(s activities.Snapshot) ([]record.Resource, error) {
	var list []record.Resource
	for _, v := range followup.Visits(s.Protocol, s.Protocol, s.State, s.Results, s.Today) {
		// What was requested of a visit that is not owed any more is revoked with
		// whatever else is no more; a visit that was ahead was never requested.
		if v.Status == journey.VisitAhead || v.Status == journey.VisitNotOwed {
			continue
		}
		status, err := visitStatus(s.State, v)
		if err != nil {
			return nil, err
		}
		id := resourceID(s.Candidate, "visit-"+v.ID)
		code := concept(systemVisit, v.RuleID(), v.Title, v.Title)
		start, end := string(v.Opens), string(v.Closes)
		request := r4.ServiceRequest{
			Id: &id, Status: status, Intent: r4.RequestIntentOrder, Code: &code, Subject: reference(typePatient, s.Candidate),
			OccurrencePeriod: &r4.Period{Start: &start, End: &end},
		}
		if status == r4.RequestStatusActive {
			request.OrderDetail = outstanding(s, v)
		}
		r, err := publishRequest(request)
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
}

func visitStatus(s journey.State, v followup.Visit) (r4.RequestStatus, error) {
	switch v.Status {
	case journey.VisitOpen:
		if s.Stage.Ended() || s.Died != "" {
			return r4.RequestStatusRevoked, nil
		}
		return r4.RequestStatusActive, nil
	case journey.VisitDone, journey.VisitDoneLate:
		return r4.RequestStatusCompleted, nil
	case journey.VisitNotReached, journey.VisitMissed:
		return r4.RequestStatusRevoked, nil
	default:
		return 0, fmt.Errorf("the visit status %q has no request status", v.Status)
	}
}

// outstanding lists the items without an answer. What is asked in confidence is
// not among them.
func outstanding(s activities.Snapshot, v followup.Visit) []r4.CodeableConcept {
	var list []r4.CodeableConcept
	for _, form := range v.Forms {
		for _, item := range form.Missing() {
			if !s.Protocol.ConfidentialCode(item.Code) {
				list = append(list, concept(observationSystem("", item.Code), item.Code, "", item.Title))
			}
		}
	}
	return list
}

func publishRequest(request r4.ServiceRequest) (record.Resource, error) {
	var x index
	x.concepts("code", *request.Code)
	x.code("status", systemRequestStatus, request.Status.Code())
	x.period("occurrence", request.OccurrencePeriod)
	return publish(typeServiceRequest, value(request.Id), "", request, x)
}

// retireRequest revokes the request of a visit that is no more, as after a move to
// another protocol.
func retireRequest(s activities.Snapshot, p record.Resource) (record.Resource, error) {
	request, err := asPublished(s, p, r4.UnmarshalServiceRequest)
	if err != nil {
		return p, err
	}
	request.Meta, request.Status, request.OrderDetail = nil, r4.RequestStatusRevoked, nil
	return publishRequest(request)
}
