package fhir

import (
	"strconv"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/record"
)

var patientType = resourceType{
	code:    r4.ResourceTypePatient,
	profile: "http://hl7.org/fhir/us/core/StructureDefinition/us-core-patient",
	params: []param{
		tokenParam("identifier", "Patient-identifier", ""),
		stringParam("family", "individual-family"),
		stringParam("given", "individual-given"),
		stringParam("name", "Patient-name"),
		dateParam("birthdate", "individual-birthdate"),
		tokenParam("gender", "individual-gender", systemGender),
		tokenParam("active", "Patient-active", ""),
		referenceParam("organization", "Patient-organization", typeOrganization),
		tokenParam("deceased", "Patient-deceased", ""),
		dateParam("death-date", "Patient-death-date"),
	},
}

// patient publishes who the candidate is, and nothing of how far they came.
func patient(s activities.Snapshot) ([]record.Resource, error) {
	who := s.Referral.Identity
	gender := genderOf(who.Sex)
	active := true // whatever becomes of the journey: the record of the person is in use
	programme := theProgramme()
	p := r4.Patient{
		Active:    &active,
		Id:        &s.Candidate,
		Gender:    &gender,
		BirthDate: optional(string(who.BirthDate)),

		ManagingOrganization: &programme,
	}
	if who.Identifier.Value != "" {
		kind := concept(systemIdentifierType, "MR", "Medical record number", "")
		p.Identifier = []r4.Identifier{{Type: &kind, System: optional(who.Identifier.System), Value: &who.Identifier.Value}}
	}
	// A donor's death is published. A candidate who died before the operation ends
	// in the same outward form as any other who goes no further.
	if s.State.Operated != "" {
		p.DeceasedDateTime = optional(string(s.State.Died))
	}
	name := r4.HumanName{Family: optional(who.Family)}
	if given := optional(who.Given); given != nil {
		name.Given = []string{*given}
	}
	if name.Family != nil || name.Given != nil {
		p.Name = []r4.HumanName{name}
	}

	var x index
	x.token("identifier", who.Identifier.System, who.Identifier.Value)
	x.text("family", who.Family)
	x.text("given", who.Given)
	x.text("name", who.Family)
	x.text("name", who.Given)
	x.date("birthdate", p.BirthDate)
	x.code("gender", systemGender, gender.Code())
	x.code("active", "", strconv.FormatBool(active))
	x.optionalReference("organization", p.ManagingOrganization)
	x.code("deceased", "", strconv.FormatBool(p.DeceasedDateTime != nil))
	x.date("death-date", p.DeceasedDateTime)
	r, err := publish(typePatient, s.Candidate, metaPatient, p, x)
	return []record.Resource{r}, err
}

// genderOf maps the recorded sex; anything that isn't a FHIR code is unknown.
func genderOf(sex string) r4.AdministrativeGender {
	switch sex {
	case "female":
		return r4.AdministrativeGenderFemale
	case "male":
		return r4.AdministrativeGenderMale
	case "other":
		return r4.AdministrativeGenderOther
	default:
		return r4.AdministrativeGenderUnknown
	}
}
