package fhir

import (
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

const (
	typeConsent         = "Consent"
	systemConsentState  = "http://hl7.org/fhir/consent-state-codes"
	systemConsentScope  = "http://terminology.hl7.org/CodeSystem/consentscope"
	consentCategory     = "59284-0" // LOINC: Patient Consent
	consentCategoryName = "Patient Consent"
)

var consentType = resourceType{
	code: r4.ResourceTypeConsent,
	params: []param{
		patientParam("patient", "clinical-patient"),
		tokenParam("status", "Consent-status", systemConsentState),
		tokenParam("scope", "Consent-scope", ""),
		tokenParam("category", "Consent-category", ""),
		dateParam("date", "clinical-date"),
		dateParam("period", "Consent-period"),
	},
}

// consents publishes the consents that are in force. One that has lapsed, was
// given up or belongs to a journey that ended early becomes inactive (retireConsent)
// and says nothing of why. A consent that was refused or waived is not published.
func consents(s activities.Snapshot) ([]record.Resource, error) {
	if endedEarly(s.State.Stage) {
		return nil, nil
	}
	var list []record.Resource
	for _, requirement := range s.State.Requirements {
		rule, ok := s.Protocol.Find(requirement.ID)
		if !ok || rule.Evidence != journey.ByConsent || requirement.Status != journey.Met ||
			ownToProgramme(s.Protocol, rule.ID) || s.Protocol.ConfidentialCondition(rule.ID) {
			continue
		}
		r, err := publishConsent(consent(s, rule, requirement))
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
}

// endedEarly reports whether a journey ended before the operation, in whatever way.
func endedEarly(stage journey.Stage) bool {
	return stage == journey.Declined || stage == journey.Withdrawn || stage == journey.Deceased
}

func consent(s activities.Snapshot, rule protocol.Requirement, requirement journey.Requirement) r4.Consent {
	id := resourceID(s.Candidate, "consent-"+rule.ID)
	patient, signed := reference(typePatient, s.Candidate), string(requirement.SignedOn)
	policy := concept(systemRequirement, rule.ID, rule.Title, rule.Title)
	scope := concept(systemConsentScope, "treatment", "Treatment", "")
	if rule.Privacy {
		scope = concept(systemConsentScope, "patient-privacy", "Privacy Consent", "")
	}
	c := r4.Consent{
		Id: &id, Status: r4.ConsentStateActive, Scope: scope,
		Category:     []r4.CodeableConcept{concept(systemLOINC, consentCategory, consentCategoryName, "")},
		Patient:      &patient,
		DateTime:     optional(signed),
		Performer:    []r4.Reference{patient},
		Organization: []r4.Reference{theProgramme()},
		PolicyRule:   &policy,
		Verification: []r4.ConsentVerification{{Verified: true, VerificationDate: optional(signed)}},
	}
	if p := s.Protocol; p.Canonical != "" {
		uri := p.Canonical + "|" + p.Version
		c.Policy = []r4.ConsentPolicy{{Uri: &uri}}
	}
	if requirement.ValidUntil != "" {
		until := string(requirement.ValidUntil)
		c.Provision = &r4.ConsentProvision{Period: &r4.Period{Start: optional(signed), End: &until}}
	}
	return c
}

func publishConsent(c r4.Consent) (record.Resource, error) {
	var x index
	x.code("status", systemConsentState, c.Status.Code())
	x.concepts("scope", c.Scope)
	x.concepts("category", c.Category...)
	x.date("date", c.DateTime)
	if c.Provision != nil {
		x.period("period", c.Provision.Period)
	}
	return publish(typeConsent, value(c.Id), "", c, x)
}

// retireConsent ends a consent that is not in force any more.
func retireConsent(s activities.Snapshot, p record.Resource) (record.Resource, error) {
	c, err := asPublished(s, p, r4.UnmarshalConsent)
	if err != nil {
		return p, err
	}
	c.Meta, c.Status = nil, r4.ConsentStateInactive
	return publishConsent(c)
}
