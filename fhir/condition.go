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
		tokenParam("verification-status", "Condition-verification-status", systemVerificationStatus),
		dateParam("onset-date", "Condition-onset-date"),
		dateParam("recorded-date", "Condition-recorded-date"),
		tokenParam("severity", "Condition-severity", ""),
	),
}

const (
	systemComplication       = "https://candidacy.example/CodeSystem/complication"
	systemClavienDindo       = "https://candidacy.example/CodeSystem/clavien-dindo"
	systemConditionCategory  = "http://terminology.hl7.org/CodeSystem/condition-category"
	systemVerificationStatus = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
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
		var x index
		x.concepts("category", category)
		x.concepts("code", code)
		x.concepts("verification-status", verification)
		x.date("onset-date", condition.OnsetDateTime)
		x.date("recorded-date", condition.RecordedDate)
		x.concepts("severity", severity)
		r, err := publish(typeCondition, id, "", condition, x)
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
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
