package fhir

import (
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

var encounterType = resourceType{
	code:    r4.ResourceTypeEncounter,
	profile: usCore + "us-core-encounter",
	params: ofPatient("Encounter-subject",
		tokenParam("status", "Encounter-status", systemEncounterStatus),
		tokenParam("class", "Encounter-class", ""),
		tokenParam("type", "clinical-type", ""),
		dateParam("date", "clinical-date"),
		referenceParam("episode-of-care", "Encounter-episode-of-care", typeEpisodeOfCare),
		referenceParam("appointment", "Encounter-appointment", typeAppointment),
		referenceParam("based-on", "Encounter-based-on", typeServiceRequest),
		referenceParam("service-provider", "Encounter-service-provider", typeOrganization),
		referenceParam("diagnosis", "Encounter-diagnosis", typeCondition, typeProcedure),
	),
}

const (
	typeEncounter         = "Encounter"
	systemEncounterStatus = "http://hl7.org/fhir/encounter-status"
	systemActCode         = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
	systemEncounterType   = "https://candidacy.example/CodeSystem/encounter-type"
)

// stay publishes the stay in hospital once the donor went home. When that turns
// out not to be known, what was published is marked as an error.
func stay(s activities.Snapshot) ([]record.Resource, error) {
	id, home := stayID(s.Candidate), s.Stay.Days[protocol.AtDischarge]
	if !donated(s) {
		return nil, nil
	}
	status := r4.EncounterStatusFinished
	if home == "" {
		status = r4.EncounterStatusEnteredInError
		if !published(s, typeEncounter, id) {
			return nil, nil
		}
	}
	encounter := newEncounter(s, id, status, "IMP", "inpatient encounter")
	encounter.Type = []r4.CodeableConcept{concept(systemEncounterType, "donor-operation", "Stay for the donor operation", "Stay for the donor operation")}
	encounter.Period = &r4.Period{Start: optional(string(s.State.Operated)), End: optional(string(home))}
	if a, ok := operationAppointment(s); ok {
		encounter.Appointment = []r4.Reference{reference(typeAppointment, value(a.Id))}
	}
	if s.Operation.Record != nil {
		encounter.Diagnosis = []r4.EncounterDiagnosis{{Condition: reference(typeProcedure, procedureID(s.Candidate))}}
	}
	r, err := publishEncounter(encounter)
	return []record.Resource{r}, err
}

func stayID(candidate string) string { return resourceID(candidate, "stay") }

// stayed reports whether the complication arose in the stay that is published.
func stayed(s activities.Snapshot, c operation.Complication) bool {
	home, on := s.Stay.Days[protocol.AtDischarge], c.Date
	return donated(s) && home != "" && on != "" && !on.Before(s.State.Operated) && !home.Before(on)
}

// visits publishes the follow-up visits that took place.
func visits(s activities.Snapshot, requested []visitRequest) ([]record.Resource, error) {
	var list []record.Resource
	for _, v := range s.State.Visits {
		if v.Status != journey.VisitDone && v.Status != journey.VisitDoneLate {
			continue
		}
		encounter := newEncounter(s, resourceID(s.Candidate, "encounter-"+v.ID), r4.EncounterStatusFinished, "AMB", "ambulatory")
		title := s.Protocol.VisitTitle(v.ID)
		encounter.Type = []r4.CodeableConcept{concept(systemEncounterType, "follow-up-visit", "Follow-up visit of a kidney donor", title)}
		encounter.Period = &r4.Period{Start: optional(string(v.On)), End: optional(string(v.On))}
		encounter.Appointment = []r4.Reference{reference(typeAppointment, visitAppointmentID(s.Candidate, v.ID))}
		for _, request := range requested {
			if request.ID == visitRequestID(s.Candidate, v.ID) {
				encounter.BasedOn = []r4.Reference{reference(typeServiceRequest, request.ID)}
			}
		}
		r, err := publishEncounter(encounter)
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
}

func newEncounter(s activities.Snapshot, id string, status r4.EncounterStatus, class, display string) r4.Encounter {
	system, subject, programme := systemActCode, reference(typePatient, s.Candidate), theProgramme()
	return r4.Encounter{
		Id: &id, Status: status, Class: r4.Coding{System: &system, Code: &class, Display: &display}, Subject: &subject,
		EpisodeOfCare: []r4.Reference{reference(typeEpisodeOfCare, s.Candidate)}, ServiceProvider: &programme,
	}
}

func publishEncounter(e r4.Encounter) (record.Resource, error) {
	var x index
	x.code("status", systemEncounterStatus, e.Status.Code())
	x.token("class", systemActCode, value(e.Class.Code))
	x.concepts("type", e.Type...)
	x.period("date", e.Period)
	x.reference("episode-of-care", e.EpisodeOfCare...)
	x.reference("appointment", e.Appointment...)
	x.reference("based-on", e.BasedOn...)
	x.optionalReference("service-provider", e.ServiceProvider)
	for _, d := range e.Diagnosis {
		x.reference("diagnosis", d.Condition)
	}
	return publish(typeEncounter, value(e.Id), metaEncounter, e, x)
}

// published reports whether a resource was published before.
func published(s activities.Snapshot, typ, id string) bool {
	for _, p := range s.Previous {
		if p.Type == typ && p.ID == id {
			return true
		}
	}
	return false
}
