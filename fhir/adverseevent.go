package fhir

import (
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/record"
)

var adverseEventType = resourceType{
	code: r4.ResourceTypeAdverseEvent,
	params: []param{
		patientParam("subject", "AdverseEvent-subject"),
		tokenParam("event", "AdverseEvent-event", ""),
		constantParam("actuality", "AdverseEvent-actuality", systemActuality, "actual"),
		dateParam("date", "AdverseEvent-date"),
	},
}

const systemActuality = "http://hl7.org/fhir/adverse-event-actuality"

// enteredInError stands in place of an event that was recorded by mistake:
// AdverseEvent has no status that could say so.
const enteredInError = "Entered in error"

// adverseEvents publishes what happened to a donor and has to be reported, where
// the protocol lets it be published. Whom it was reported to, and what became of
// the kidney, stays with the programme.
func adverseEvents(s activities.Snapshot) ([]record.Resource, error) {
	var list []record.Resource
	for _, r := range s.State.Reports {
		rule, ok := s.Protocol.Event(r.Event)
		if !ok || !rule.Publish {
			continue
		}
		id := resourceID(s.Candidate, r.ID)
		event := concept(systemReportable, rule.ID, rule.Title, rule.Title)
		resource := r4.AdverseEvent{
			Id: &id, Actuality: r4.AdverseEventActualityActual, Subject: reference(typePatient, s.Candidate), Event: &event,
			Date: optional(string(r.Happened)), Detected: optional(string(r.Aware)), RecordedDate: optional(string(r.Raised)),
		}
		if r.Retracted() {
			event = concept("", "", "", enteredInError)
			resource.Date, resource.Detected, resource.RecordedDate = nil, nil, nil
		}
		var x index
		x.concepts("event", event)
		x.date("date", resource.Date)
		published, err := publish(typeAdverseEvent, id, "", resource, x)
		if err != nil {
			return nil, err
		}
		list = append(list, published)
	}
	return list, nil
}
