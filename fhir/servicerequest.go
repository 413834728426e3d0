package fhir

import (
	"fmt"
	"slices"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

var serviceRequestType = resourceType{
	code:    r4.ResourceTypeServiceRequest,
	profile: usCore + "us-core-servicerequest",
	params: ofPatient("ServiceRequest-subject",
		tokenParam("identifier", "clinical-identifier", ""),
		tokenParam("status", "ServiceRequest-status", systemRequestStatus),
		tokenParam("code", "clinical-code", ""),
		tokenParam("category", "ServiceRequest-category", ""),
		tokenParam("intent", "ServiceRequest-intent", systemRequestIntent),
		dateParam("authored", "ServiceRequest-authored"),
		dateParam("occurrence", "ServiceRequest-occurrence"),
		referenceParam("based-on", "ServiceRequest-based-on", typeCarePlan),
		referenceParam("replaces", "ServiceRequest-replaces", typeServiceRequest),
		referenceParam("requester", "ServiceRequest-requester", typeOrganization, typePatient, typePractitionerRole),
		referenceParam("performer", "ServiceRequest-performer", typeOrganization),
		tokenParam("performer-type", "ServiceRequest-performer-type", ""),
	),
}

const systemRequestIntent = "http://hl7.org/fhir/request-intent"

// Kinds of orders, by SNOMED CT as US Core names them.
const (
	laboratoryProcedure = "108252007"
	imagingProcedure    = "363679005"
)

// orderCategory is the kind of order by who performs it, nothing where it has no
// code.
func orderCategory(performer protocol.Performer, evidence journey.Evidence) []r4.CodeableConcept {
	switch {
	case performer == "radiology":
		return []r4.CodeableConcept{concept(systemSNOMED, imagingProcedure, "Imaging", "Imaging")}
	case performer == "laboratory" || performer == "hla-laboratory":
		return []r4.CodeableConcept{concept(systemSNOMED, laboratoryProcedure, "Laboratory procedure", "Laboratory")}
	case evidence == journey.ByReview:
		return []r4.CodeableConcept{concept("", "", "", "Consultation")}
	default:
		return nil
	}
}

// orderResource publishes the round as a ServiceRequest.
func (w work) orderResource() (record.Resource, error) {
	code, requester := w.code(), theProgramme()
	placer := concept(systemIdentifierType, "PLAC", "Placer Identifier", "")
	request := r4.ServiceRequest{
		Id: &w.round.id, Status: w.standing.order, Intent: r4.RequestIntentOrder, Code: &code, Subject: reference(typePatient, w.s.Candidate),
		Identifier: []r4.Identifier{{Type: &placer, System: optional(systemWork), Value: &w.round.id}},
		BasedOn:    []r4.Reference{evaluationPlan(w.s.Candidate)}, Category: orderCategory(w.rule.Performer, w.rule.Evidence),
		OrderDetail: w.orderDetail(), OccurrencePeriod: w.due.period(), AuthoredOn: optional(string(w.round.authored)), Requester: &requester,
		PerformerType: w.performerType(),
	}
	if w.earlier != "" {
		before := r4.Reference{Reference: &w.earlier}
		if typ, _, _ := strings.Cut(w.earlier, "/"); typ == typeServiceRequest {
			request.Replaces = []r4.Reference{before}
		}
	}
	if w.round.outcome == "waived" {
		request.Note = []r4.Annotation{{Text: "Waived"}}
	}
	return publishRequest(request)
}

// orderDetail are the observations that the first way of answering asks for.
func (w work) orderDetail() []r4.CodeableConcept {
	sets := slices.Concat(w.rule.LOINC, w.rule.Local)
	if len(sets) == 0 {
		return nil
	}
	var list []r4.CodeableConcept
	for _, code := range sets[0] {
		if w.s.Protocol.ConfidentialCode(code) {
			continue
		}
		title := code
		if o, ok := w.s.Protocol.Observation(code); ok && o.Title != "" {
			title = o.Title
		}
		list = append(list, concept(observationSystem("", code), code, "", title))
	}
	return list
}

// visitRequests publishes a request for each follow-up visit whose window has
// opened, with the items that are outstanding. It is completed once the visit took
// place, and revoked when it will not: how and why is the programme's.
func visitRequests(s activities.Snapshot) ([]visitRequest, error) {
	var list []visitRequest
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
		id := visitRequestID(s.Candidate, v.ID)
		code := concept(systemVisit, v.RuleID(), v.Title, v.Title)
		start, end, requester := string(v.Opens), string(v.Closes), theProgramme()
		request := r4.ServiceRequest{
			Id: &id, Status: status, Intent: r4.RequestIntentOrder, Code: &code, Subject: reference(typePatient, s.Candidate),
			OccurrencePeriod: &r4.Period{Start: &start, End: &end}, AuthoredOn: optional(start), Requester: &requester,
		}
		if hasRecoveryPlan(s) {
			request.BasedOn = []r4.Reference{reference(typeCarePlan, recoveryPlanID(s.Candidate))}
		}
		if status == r4.RequestStatusActive {
			request.OrderDetail = outstanding(s, v)
		}
		r, err := publishRequest(request)
		if err != nil {
			return nil, err
		}
		list = append(list, visitRequest{r, planLine{text: v.Title, status: status.Code()}})
	}
	return list, nil
}

func visitRequestID(candidate, visit string) string { return resourceID(candidate, "visit-"+visit) }

// visitRequest is the request of a visit, with what the plan says of it.
type visitRequest struct {
	record.Resource
	line planLine
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
	x.identifiers("identifier", request.Identifier...)
	x.concepts("category", request.Category...)
	x.code("intent", systemRequestIntent, request.Intent.Code())
	x.date("authored", request.AuthoredOn)
	x.reference("based-on", request.BasedOn...)
	x.reference("replaces", request.Replaces...)
	x.optionalReference("requester", request.Requester)
	x.reference("performer", request.Performer...)
	x.optionalConcept("performer-type", request.PerformerType)
	return publish(typeServiceRequest, value(request.Id), metaServiceRequest, request, x)
}

func unmarshalRequest(raw []byte) (r4.ServiceRequest, error) {
	request, err := r4.UnmarshalServiceRequest(raw)
	request.Meta = nil
	return request, err
}

// retireRequest revokes the request of a visit or of a requirement that is no more,
// as after a move to another protocol. What is over stays as it ended.
func retireRequest(s activities.Snapshot, p record.Resource) (record.Resource, error) {
	request, err := asPublished(s, p, unmarshalRequest)
	if err != nil {
		return p, err
	}
	if request.Status != r4.RequestStatusCompleted {
		request.Status, request.OrderDetail = r4.RequestStatusRevoked, nil
	}
	retired, err := publishRequest(request)
	retired.Memo = endedMemo(p)
	return retired, err
}
