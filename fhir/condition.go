package fhir

import (
	"errors"
	"strconv"
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/clinical/perioperative"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

var conditionType = resourceType{
	code: r4.ResourceTypeCondition,
	params: ofPatient("Condition-subject",
		tokenParam("category", "Condition-category", ""),
		tokenParam("code", "clinical-code", ""),
		tokenParam("clinical-status", "Condition-clinical-status", systemClinicalStatus),
		tokenParam("verification-status", "Condition-verification-status", systemVerificationStatus),
		tokenParam("severity", "Condition-severity", ""),
		tokenParam("body-site", "Condition-body-site", ""),
		dateParam("onset-date", "Condition-onset-date"),
		dateParam("abatement-date", "Condition-abatement-date"),
		dateParam("recorded-date", "Condition-recorded-date"),
		referenceParam("encounter", "Condition-encounter", typeEncounter),
	),
}

const (
	systemComplication       = "https://candidacy.example/CodeSystem/complication"
	systemClavienDindo       = "https://candidacy.example/CodeSystem/clavien-dindo"
	systemConditionCategory  = "http://terminology.hl7.org/CodeSystem/condition-category"
	systemVerificationStatus = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
	systemClinicalStatus     = "http://terminology.hl7.org/CodeSystem/condition-clinical"
	systemHealthConcern      = "http://hl7.org/fhir/us/core/CodeSystem/condition-category"
	systemICD10CM            = "http://hl7.org/fhir/sid/icd-10-cm"
)

var errOutcome = errors.New("the operation has no outcome that can be published")

// conditions publishes each complication of the operation with its grade, those
// entered in error as such.
func conditions(s activities.Snapshot) ([]record.Resource, error) {
	var list []record.Resource
	for _, c := range s.Operation.Complications {
		id := complicationID(s.Candidate, c)
		code := complicationCode(s.Protocol, c)
		verification := concept(systemVerificationStatus, "confirmed", "Confirmed", "")
		if c.EnteredInError {
			verification = concept(systemVerificationStatus, "entered-in-error", "Entered in Error", "")
		}
		category := concept(systemConditionCategory, "encounter-diagnosis", "Encounter Diagnosis", "")
		severity := severityOf(c.Grade)
		onset := string(c.Date)
		recorded := c.At.UTC().Format(time.RFC3339)
		condition := r4.Condition{
			Id: &id, VerificationStatus: &verification, Category: []r4.CodeableConcept{category}, Severity: &severity, Code: &code,
			Subject: reference(typePatient, s.Candidate), OnsetDateTime: optional(onset), RecordedDate: optional(recorded),
		}
		if stayed(s, c) {
			encounter := reference(typeEncounter, stayID(s.Candidate))
			condition.Encounter = &encounter
		}
		r, err := publishCondition(condition, metaEncounterDiagnosis)
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
}

func publishCondition(c r4.Condition, meta string) (record.Resource, error) {
	var x index
	x.concepts("category", c.Category...)
	x.concepts("code", *c.Code)
	x.optionalConcept("clinical-status", c.ClinicalStatus)
	x.optionalConcept("verification-status", c.VerificationStatus)
	x.optionalConcept("severity", c.Severity)
	x.concepts("body-site", c.BodySite...)
	x.date("onset-date", c.OnsetDateTime)
	x.date("abatement-date", c.AbatementDateTime)
	x.date("recorded-date", c.RecordedDate)
	x.optionalReference("encounter", c.Encounter)
	return publish(typeCondition, value(c.Id), meta, c, x)
}

func donorConditionID(candidate string) string { return resourceID(candidate, "donor") }

// donorConditions publish that somebody is a candidate for donation, then a donor,
// and that a kidney is missing after it. The codes are from memory, but for SNOMED
// CT's of the donor.
func donorConditions(s activities.Snapshot) ([]record.Resource, error) {
	id, referred := donorConditionID(s.Candidate), string(s.Referral.On)
	clinical, verification := concept(systemClinicalStatus, "active", "Active", ""), concept(systemVerificationStatus, "confirmed", "Confirmed", "")
	marker := r4.Condition{
		Id: &id, ClinicalStatus: &clinical, VerificationStatus: &verification, Subject: reference(typePatient, s.Candidate),
		Category:      []r4.CodeableConcept{concept(systemHealthConcern, "health-concern", "Health Concern", "")},
		OnsetDateTime: optional(referred), RecordedDate: optional(referred),
	}
	code := concept(systemICD10CM, "Z00.5", "Encounter for examination of potential donor of organ and tissue", "Candidate for living kidney donation")
	isDonor := donated(s) && s.Operation.Record != nil
	if isDonor {
		code = concept(systemSNOMED, "105462002", "Donor of kidney for transplant", "Living kidney donor")
		code.Coding = append(code.Coding, r4.Coding{System: optional(systemICD10CM), Code: optional("Z52.4"), Display: optional("Kidney donor")})
		marker.OnsetDateTime = optional(string(s.State.Operated))
	} else if s.State.Stage.Ended() {
		over := concept(systemClinicalStatus, "inactive", "Inactive", "")
		marker.ClinicalStatus, marker.AbatementDateTime = &over, optional(string(s.State.Since))
	}
	marker.Code = &code
	r, err := publishCondition(marker, metaHealthConcern)
	if err != nil || !isDonor {
		return []record.Resource{r}, err
	}
	id, removed := resourceID(s.Candidate, "absent-kidney"), string(s.State.Operated)
	code = concept(systemICD10CM, "Z90.5", "Acquired absence of kidney", "Absence of the kidney that was donated")
	absence := r4.Condition{
		Id: &id, ClinicalStatus: &clinical, VerificationStatus: &verification, Subject: reference(typePatient, s.Candidate), Code: &code,
		Category:      []r4.CodeableConcept{concept(systemConditionCategory, "problem-list-item", "Problem List Item", "")},
		OnsetDateTime: optional(removed), RecordedDate: optional(removed),
	}
	if site, ok := sideCodes[s.Operation.Record.Side]; ok {
		absence.BodySite = []r4.CodeableConcept{*bodySite(site)}
	}
	second, err := publishCondition(absence, metaHealthConcern)
	return []record.Resource{r, second}, err
}

// complicationID stays when the entry of a complication is replaced.
func complicationID(candidate string, c operation.Complication) string {
	return resourceID(candidate, "complication-"+strconv.FormatInt(c.First, 10))
}

func complicationCode(p *protocol.Protocol, c operation.Complication) r4.CodeableConcept {
	title := p.ComplicationTitle(c.Complication)
	return concept(systemComplication, c.Complication, title, title)
}

// severityOf is the grade; one that is not decided has no code.
func severityOf(grade perioperative.ClavienDindo) r4.CodeableConcept {
	if grade.Answer == string(perioperative.GradeUnknown) {
		return concept("", "", "", "Clavien-Dindo not decided, at least "+string(grade.Lowest))
	}
	return concept(systemClavienDindo, grade.Answer, "Clavien-Dindo "+grade.Answer, "Clavien-Dindo "+grade.Answer)
}
