package fhir

import (
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

const (
	typeDevice           = "Device"
	typePractitionerRole = "PractitionerRole"
	systemStaffRole      = "https://candidacy.example/CodeSystem/staff-role"
	systemOrganization   = "http://terminology.hl7.org/CodeSystem/organization-type"
	systemDeviceStatus   = "http://hl7.org/fhir/device-status"
)

var organizationType = resourceType{
	code: r4.ResourceTypeOrganization,
	params: []param{
		tokenParam("identifier", "Organization-identifier", ""),
		stringParam("name", "Organization-name"),
		tokenParam("active", "Organization-active", ""),
		tokenParam("type", "Organization-type", ""),
	},
}

var deviceType = resourceType{
	code: r4.ResourceTypeDevice,
	params: []param{
		stringParam("device-name", "Device-device-name"),
		tokenParam("status", "Device-status", systemDeviceStatus),
		referenceParam("organization", "Device-organization", typeOrganization),
	},
}

var practitionerRoleType = resourceType{
	code: r4.ResourceTypePractitionerRole,
	params: []param{
		tokenParam("role", "PractitionerRole-role", ""),
		tokenParam("active", "PractitionerRole-active", ""),
		referenceParam("organization", "PractitionerRole-organization", typeOrganization),
	},
}

// staff are the roles that people of the programme act in, in the order in which
// a candidate meets them. Who holds one is not published: an EHR that has to call
// somebody calls the programme.
var staff = []struct {
	role  journey.Role
	title string
}{
	{journey.Coordinator, "Living donor coordinator"},
	{journey.Clinician, "Clinician of the living donor team"},
	{journey.Advocate, "Independent living donor advocate"},
	{journey.CommitteeRole, "Selection committee"},
	{journey.Administrator, "Administrator of the programme's rules"},
}

func staffTitle(role journey.Role) (string, bool) {
	for _, s := range staff {
		if s.role == role {
			return s.title, true
		}
	}
	return "", false
}

const programmeID, softwareID = "programme", "candidacy"

func theProgramme() r4.Reference { return reference(typeOrganization, programmeID) }

func staffRole(role journey.Role) r4.Reference {
	return reference(typePractitionerRole, "role-"+string(role))
}

// computer is what computed a value, so that it is never taken for one that a
// laboratory reported.
func computer() r4.Reference {
	name := computedBy
	r := reference(typeDevice, softwareID)
	r.Display = &name
	return r
}

// ProgrammeResources are those that belong to no candidate and that the
// resources of all candidates point to: the programme as its protocol describes it,
// if it does, this software in the given version, and the roles of the staff.
func ProgrammeResources(of *protocol.Programme, version string) ([]record.Resource, error) {
	list := []record.Resource{}
	add := func(r record.Resource, err error) error {
		list = append(list, r)
		return err
	}
	if err := add(organization(of)); err != nil {
		return nil, err
	}
	if err := add(software(version)); err != nil {
		return nil, err
	}
	for _, s := range staff {
		if err := add(practitionerRole(s.role, s.title)); err != nil {
			return nil, err
		}
	}
	return list, nil
}

func organization(of *protocol.Programme) (record.Resource, error) {
	id, name, active := programmeID, protocol.DefaultProgrammeName, true
	kind := concept(systemOrganization, "dept", "Hospital Department", "")
	o := r4.Organization{Id: &id, Active: &active, Name: &name, Type: []r4.CodeableConcept{kind}}
	if of != nil {
		name = of.Name
		for _, i := range of.Identifiers {
			o.Identifier = append(o.Identifier, r4.Identifier{System: &i.System, Value: &i.Value})
		}
		for _, t := range []struct {
			system r4.ContactPointSystem
			value  string
		}{{r4.ContactPointSystemPhone, of.Phone}, {r4.ContactPointSystemEmail, of.Email}, {r4.ContactPointSystemUrl, of.URL}} {
			if t.value != "" {
				o.Telecom = append(o.Telecom, r4.ContactPoint{System: &t.system, Value: &t.value})
			}
		}
	}
	var x index
	x.identifiers("identifier", o.Identifier...)
	x.text("name", name)
	x.token("active", "", "true")
	x.concepts("type", kind)
	return publish(typeOrganization, id, "", o, x)
}

func software(version string) (record.Resource, error) {
	id, status, owner := softwareID, r4.FHIRDeviceStatusActive, theProgramme()
	kind := concept("", "", "", "Software that computes eligibility flags; it advises and decides nothing")
	device := r4.Device{
		Id: &id, Status: &status, Type: &kind, Owner: &owner,
		DeviceName: []r4.DeviceDeviceName{{Name: computedBy, Type: r4.DeviceNameTypeUserFriendlyName}},
	}
	if version != "" {
		device.Version = []r4.DeviceVersion{{Value: version}}
	}
	var x index
	x.text("device-name", computedBy)
	x.code("status", systemDeviceStatus, status.Code())
	x.reference("organization", owner)
	return publish(typeDevice, id, "", device, x)
}

func practitionerRole(role journey.Role, title string) (record.Resource, error) {
	id, active, owner := "role-"+string(role), true, theProgramme()
	code := concept(systemStaffRole, string(role), title, title)
	var x index
	x.concepts("role", code)
	x.token("active", "", "true")
	x.reference("organization", owner)
	return publish(typePractitionerRole, id, "", r4.PractitionerRole{
		Id: &id, Active: &active, Organization: &owner, Code: []r4.CodeableConcept{code},
	}, x)
}
