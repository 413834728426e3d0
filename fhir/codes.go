package fhir

import (
	"regexp"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// The types of resource that are published.
const (
	typePatient            = "Patient"
	typeEpisodeOfCare      = "EpisodeOfCare"
	typeAppointment        = "Appointment"
	typeCarePlan           = "CarePlan"
	typeObservation        = "Observation"
	typeDetectedIssue      = "DetectedIssue"
	typeClinicalImpression = "ClinicalImpression"
	typeProcedure          = "Procedure"
	typeCondition          = "Condition"
	typeAdverseEvent       = "AdverseEvent"
	typeServiceRequest     = "ServiceRequest"
	typeOrganization       = "Organization"
)

// Code systems of others.
const (
	systemLOINC               = "http://loinc.org"
	systemSNOMED              = "http://snomed.info/sct"
	systemUCUM                = "http://unitsofmeasure.org"
	systemIdentifierType      = "http://terminology.hl7.org/CodeSystem/v2-0203"
	systemObservationCategory = "http://terminology.hl7.org/CodeSystem/observation-category"
	systemInterpretation      = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
	systemDataAbsent          = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
	systemPlanCategory        = "http://hl7.org/fhir/us/core/CodeSystem/careplan-category"
	systemGender              = "http://hl7.org/fhir/administrative-gender"
	systemRequestStatus       = "http://hl7.org/fhir/request-status"
	systemObservationStatus   = "http://hl7.org/fhir/observation-status"
	systemAppointmentStatus   = "http://hl7.org/fhir/appointmentstatus"
	systemEpisodeStatus       = "http://hl7.org/fhir/episode-of-care-status"
	systemEventStatus         = "http://hl7.org/fhir/event-status"
)

// Local code systems, for what has no confirmed code elsewhere.
const (
	systemObservation = "https://candidacy.example/CodeSystem/observation"
	systemRequirement = "https://candidacy.example/CodeSystem/requirement"
	systemOutcome     = "https://candidacy.example/CodeSystem/requirement-outcome"
	systemFlag        = "https://candidacy.example/CodeSystem/flag"
	systemEpisodeType = "https://candidacy.example/CodeSystem/episode-type"
	systemVisit       = "https://candidacy.example/CodeSystem/follow-up-visit"
	systemDecision    = "https://candidacy.example/CodeSystem/committee-decision"
	systemInput       = "https://candidacy.example/CodeSystem/calculation-input"
	systemMitigation  = "https://candidacy.example/CodeSystem/issue-mitigation"
	systemReportable  = "https://candidacy.example/CodeSystem/reportable-event"
)

// A profile is declared only where a test checks its mandatory elements.
const (
	metaPatient            = `"profile":["` + usCore + `us-core-patient"]`
	metaCarePlan           = `"profile":["` + usCore + `us-core-careplan"]`
	metaServiceRequest     = `"profile":["` + usCore + `us-core-servicerequest"]`
	metaProcedure          = `"profile":["` + usCore + `us-core-procedure"]`
	metaEncounter          = `"profile":["` + usCore + `us-core-encounter"]`
	metaHealthConcern      = `"profile":["` + usCore + `us-core-condition-problems-health-concerns"]`
	metaEncounterDiagnosis = `"profile":["` + usCore + `us-core-condition-encounter-diagnosis"]`
)

var loincShape = regexp.MustCompile(`^[0-9]{1,7}-[0-9]$`)

// optional is the string for an element that must be absent rather than empty.
func optional(s string) *string {
	if strings.TrimSpace(s) == "" {
		return nil
	}
	return &s
}

// concept builds a CodeableConcept; without a code it holds only the text.
func concept(system, code, display, text string) r4.CodeableConcept {
	c := r4.CodeableConcept{Text: optional(text)}
	if code != "" {
		c.Coding = []r4.Coding{{System: optional(system), Code: &code, Display: optional(display)}}
	}
	return c
}

func reference(typ, id string) r4.Reference {
	target := typ + "/" + id
	return r4.Reference{Reference: &target}
}

// observationSystem is the system of an observation's code. Codes that arrived
// without a system are LOINC when they look like it, and local otherwise.
func observationSystem(system, code string) string {
	switch {
	case system != "":
		return system
	case loincShape.MatchString(code):
		return systemLOINC
	default:
		return systemObservation
	}
}

func categories(code string) []r4.CodeableConcept {
	if code == "" {
		return nil
	}
	return []r4.CodeableConcept{concept(systemObservationCategory, code, "", "")}
}
