package fhir

import (
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

var encounterType = resourceType{
	code: r4.ResourceTypeEncounter,
	params: ofPatient("Encounter-subject",
		tokenParam("status", "Encounter-status", systemEncounterStatus),
		tokenParam("class", "Encounter-class", ""),
		tokenParam("type", "clinical-type", ""),
		dateParam("date", "clinical-date"),
		referenceParam("episode-of-care", "Encounter-episode-of-care", typeEpisodeOfCare),
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
	id, home := resourceID(s.Candidate, "stay"), s.Stay.Days[protocol.AtDischarge]
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
	system, code, display := systemActCode, "IMP", "inpatient encounter"
	subject := reference(typePatient, s.Candidate)
	encounter := r4.Encounter{
		Id: &id, Status: status, Class: r4.Coding{System: &system, Code: &code, Display: &display}, Subject: &subject,
		Type:          []r4.CodeableConcept{concept(systemEncounterType, "donor-operation", "Stay for the donor operation", "Stay for the donor operation")},
		EpisodeOfCare: []r4.Reference{reference(typeEpisodeOfCare, s.Candidate)},
		Period:        &r4.Period{Start: optional(string(s.State.Operated)), End: optional(string(home))},
	}

	var x index
	x.code("status", systemEncounterStatus, status.Code())
	x.token("class", systemActCode, code)
	x.concepts("type", encounter.Type...)
	x.period("date", encounter.Period)
	x.reference("episode-of-care", encounter.EpisodeOfCare...)
	r, err := publish(typeEncounter, id, "", encounter, x)
	return []record.Resource{r}, err
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
