package fhir

import (
	"strconv"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

const (
	typeConsent         = "Consent"
	systemConsentScope  = "http://terminology.hl7.org/CodeSystem/consentscope"
	systemConsentStatus = "http://hl7.org/fhir/consent-state-codes"
	systemActReason     = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
	// systemParticipationType has the parts that somebody takes.
	systemParticipationType = "http://terminology.hl7.org/CodeSystem/v3-ParticipationType"
	// patientConsent is the LOINC code of a consent of a patient.
	patientConsent = "59284-0"
)

var consentType = resourceType{
	code: r4.ResourceTypeConsent,
	params: []param{
		patientParam("patient", "clinical-patient"),
		tokenParam("status", "Consent-status", systemConsentStatus),
		tokenParam("scope", "Consent-scope", systemConsentScope),
		tokenParam("category", "Consent-category", ""),
		dateParam("date", "clinical-date"),
		dateParam("period", "Consent-period"),
		referenceParam("consentor", "Consent-consentor", typePatient),
		referenceParam("organization", "Consent-organization", typeOrganization),
		referenceParam("actor", "Consent-actor", typeOrganization),
		tokenParam("purpose", "Consent-purpose", ""),
	},
}

func consentID(candidate, requirement string, number int) string {
	return resourceID(candidate, "c"+strconv.Itoa(number)+"-"+requirement)
}

// consents publishes each consent that was given. One that has run out, was given
// anew, or is no more wanted is inactive; so is each once the journey has ended
// early, whoever ended it.
func (p *plan) consents() ([]record.Resource, error) {
	var list []record.Resource
	made := map[string]bool{}
	early := endedEarly(p.stage)
	for _, requirement := range p.order {
		rule := p.rules[requirement]
		if rule.Evidence != journey.ByConsent || !p.told(rule) {
			continue
		}
		state, _ := p.s.State.Find(requirement)
		for _, r := range p.of[requirement] {
			if r.phase != phaseDone {
				continue
			}
			id := consentID(p.s.Candidate, requirement, r.number)
			c := given{id: id, requirement: requirement, title: rule.Title, privacy: rule.Privacy, active: r.number == len(p.of[requirement]) && !early}
			if was, ok := p.previous.find(typeConsent, id); ok && !(c.active && state.Status == journey.Met) {
				c.remember(was.Memo)
			} else {
				c.on, c.until, c.listed = state.SignedOn, state.ValidUntil, len(p.s.Protocol.Items(requirement)) > 0
			}
			resource, err := c.resource(p.s)
			if err != nil {
				return nil, err
			}
			made[id] = true
			list = append(list, resource)
		}
	}
	former, err := p.formerConsents(made)
	return append(list, former...), err
}

// formerConsents are those of requirements that are no more. Of one whose condition
// was told in confidence, as the protocol says now, only the id stays.
func (p *plan) formerConsents(made map[string]bool) ([]record.Resource, error) {
	var list []record.Resource
	told := confidentialWork(p.s)
	for _, was := range p.s.Previous {
		if was.Type != typeConsent || made[was.ID] {
			continue
		}
		c := given{id: was.ID}
		c.remember(was.Memo)
		if told[typeConsent+"/"+was.ID] || was.Memo == maskedMemo {
			c.masked = true
		}
		r, err := c.resource(p.s)
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

// given is one consent.
type given struct {
	// requirement is its id in the protocol, with its title.
	id, requirement, title string
	on, until              journey.Date
	// privacy says that it is about data and findings, and listed that what the
	// candidate was told was confirmed line by line.
	privacy, listed, active bool
	// masked leaves nothing but the id.
	masked bool
}

func (c given) memo() string {
	word := func(yes bool, word string) string {
		if yes {
			return word
		}
		return ""
	}
	return strings.Join([]string{string(c.on), string(c.until), word(c.listed, "listed"), word(c.privacy, "privacy"), c.requirement, c.title}, "|")
}

func (c *given) remember(memo string) {
	if parts := strings.SplitN(memo, "|", 6); len(parts) == 6 {
		c.on, c.until, c.listed, c.privacy = journey.Date(parts[0]), journey.Date(parts[1]), parts[2] != "", parts[3] != ""
		c.requirement, c.title = parts[4], parts[5]
	}
}

// actor is the programme: it carries out what is consented to, and receives the
// data that a choice on privacy is about.
func (c given) actor() r4.ConsentProvisionActor {
	role := concept(systemParticipationType, "PRF", "performer", "")
	if c.privacy {
		role = concept(systemParticipationType, "PRCP", "primary information recipient", "")
	}
	return r4.ConsentProvisionActor{Role: role, Reference: theProgramme()}
}

func (c given) resource(s activities.Snapshot) (record.Resource, error) {
	status := r4.ConsentStateInactive
	if c.active {
		status = r4.ConsentStateActive
	}
	scope := concept(systemConsentScope, "treatment", "Treatment", "")
	if c.privacy {
		scope = concept(systemConsentScope, "patient-privacy", "Privacy Consent", "")
	}
	rule := concept(systemRequirement, c.requirement, c.title, c.title)
	patient := reference(typePatient, s.Candidate)
	consent := r4.Consent{
		Id: &c.id, Status: status, Scope: scope, PolicyRule: &rule,
		Category: []r4.CodeableConcept{concept(systemLOINC, patientConsent, "Patient Consent", "")},
		Patient:  &patient, DateTime: optional(string(c.on)), Performer: []r4.Reference{patient},
		Organization: []r4.Reference{theProgramme()},
	}
	if c.masked {
		consent.Status, consent.DateTime, c.on, c.listed = r4.ConsentStateEnteredInError, nil, "", false
		code := concept(systemDataAbsent, "masked", "", "")
		consent.Category, consent.PolicyRule = []r4.CodeableConcept{code}, &code
	}
	if s.Protocol.Canonical != "" {
		consent.Policy = []r4.ConsentPolicy{{Uri: &s.Protocol.Canonical}}
	}
	if c.listed {
		consent.Verification = []r4.ConsentVerification{{Verified: true, VerifiedWith: &patient, VerificationDate: optional(string(c.on))}}
	}
	if c.on != "" {
		consent.Provision = &r4.ConsentProvision{
			Period: &r4.Period{Start: optional(string(c.on)), End: optional(string(c.until))},
			Actor:  []r4.ConsentProvisionActor{c.actor()},
		}
		if !c.privacy { // what choices on privacy are made for is in the choices
			consent.Provision.Purpose = []r4.Coding{{System: optional(systemActReason), Code: optional("TREAT"), Display: optional("treatment")}}
		}
	}
	var x index
	x.code("status", systemConsentStatus, consent.Status.Code())
	x.concepts("scope", consent.Scope)
	x.concepts("category", consent.Category...)
	x.date("date", consent.DateTime)
	if consent.Provision != nil {
		x.period("period", consent.Provision.Period)
		for _, a := range consent.Provision.Actor {
			x.reference("actor", a.Reference)
		}
		for _, purpose := range consent.Provision.Purpose {
			x.token("purpose", value(purpose.System), value(purpose.Code))
		}
	}
	x.reference("consentor", consent.Performer...)
	x.reference("organization", consent.Organization...)
	r, err := publish(typeConsent, c.id, "", consent, x)
	r.Memo = c.memo()
	if c.masked {
		r.Memo, r.Seal = maskedMemo, true
	}
	return r, err
}
