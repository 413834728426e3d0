package fhir

import (
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// resourceType is one row of the table from which routes are answered, search
// parameters are read and the CapabilityStatement is written.
type resourceType struct {
	code    r4.ResourceType
	profile string
	params  []param
}

// param is one search parameter.
type param struct {
	name string
	kind r4.SearchParamType
	// definition is the last part of the canonical URL of the parameter.
	definition string
	// system is the one code system of the parameter's values, if it is fixed.
	system string
	// use tells apart the parameters that aren't looked up in the index.
	use use
}

type use int

const (
	byIndex use = iota
	byPatient
	byID
	byUpdate
)

const canonicalParam = "http://hl7.org/fhir/SearchParameter/"

// commonParams apply to every type.
var commonParams = []param{
	{name: "_id", kind: r4.SearchParamTypeToken, definition: "Resource-id", use: byID},
	{name: "_lastUpdated", kind: r4.SearchParamTypeDate, definition: "Resource-lastUpdated", use: byUpdate},
}

func patientParam(name, definition string) param {
	return param{name: name, kind: r4.SearchParamTypeReference, definition: definition, use: byPatient}
}

func tokenParam(name, definition, system string) param {
	return param{name: name, kind: r4.SearchParamTypeToken, definition: definition, system: system}
}

func dateParam(name, definition string) param {
	return param{name: name, kind: r4.SearchParamTypeDate, definition: definition}
}

func stringParam(name, definition string) param {
	return param{name: name, kind: r4.SearchParamTypeString, definition: definition}
}

// types is that table, by the name of the type.
var types = map[string]resourceType{
	typePatient: {
		code:    r4.ResourceTypePatient,
		profile: "http://hl7.org/fhir/us/core/StructureDefinition/us-core-patient",
		params: []param{
			tokenParam("identifier", "Patient-identifier", ""),
			stringParam("family", "individual-family"),
			stringParam("given", "individual-given"),
			stringParam("name", "Patient-name"),
			dateParam("birthdate", "individual-birthdate"),
			tokenParam("gender", "individual-gender", systemGender),
		},
	},
	typeEpisodeOfCare: {
		code: r4.ResourceTypeEpisodeOfCare,
		params: []param{
			patientParam("patient", "clinical-patient"),
			tokenParam("status", "EpisodeOfCare-status", systemEpisodeStatus),
			dateParam("date", "clinical-date"),
		},
	},
	typeCarePlan: {
		code:    r4.ResourceTypeCarePlan,
		profile: "http://hl7.org/fhir/us/core/StructureDefinition/us-core-careplan",
		params: []param{
			patientParam("patient", "clinical-patient"),
			patientParam("subject", "CarePlan-subject"),
			tokenParam("category", "CarePlan-category", ""),
			tokenParam("status", "CarePlan-status", systemRequestStatus),
			dateParam("date", "clinical-date"),
		},
	},
	typeAppointment: {
		code: r4.ResourceTypeAppointment,
		params: []param{
			patientParam("patient", "Appointment-patient"),
			tokenParam("status", "Appointment-status", systemAppointmentStatus),
			dateParam("date", "Appointment-date"),
		},
	},
	typeObservation: {
		code: r4.ResourceTypeObservation,
		params: []param{
			patientParam("patient", "clinical-patient"),
			patientParam("subject", "Observation-subject"),
			tokenParam("category", "Observation-category", ""),
			tokenParam("code", "clinical-code", ""),
			tokenParam("status", "Observation-status", systemObservationStatus),
			dateParam("date", "clinical-date"),
		},
	},
	typeDetectedIssue: {
		code: r4.ResourceTypeDetectedIssue,
		params: []param{
			patientParam("patient", "clinical-patient"),
			tokenParam("code", "DetectedIssue-code", ""),
			dateParam("identified", "DetectedIssue-identified"),
		},
	},
	typeServiceRequest: {
		code: r4.ResourceTypeServiceRequest,
		params: []param{
			patientParam("patient", "clinical-patient"),
			patientParam("subject", "ServiceRequest-subject"),
			tokenParam("code", "clinical-code", ""),
			tokenParam("status", "ServiceRequest-status", systemRequestStatus),
			dateParam("occurrence", "ServiceRequest-occurrence"),
		},
	},
	typeClinicalImpression: {
		code: r4.ResourceTypeClinicalImpression,
		params: []param{
			patientParam("patient", "clinical-patient"),
			patientParam("subject", "ClinicalImpression-subject"),
			tokenParam("status", "ClinicalImpression-status", systemEventStatus),
			dateParam("date", "clinical-date"),
		},
	},
}

func (t resourceType) find(name string) (param, bool) {
	for _, list := range [][]param{commonParams, t.params} {
		for _, p := range list {
			if p.name == name {
				return p, true
			}
		}
	}
	return param{}, false
}

// narrowing holds parameters that restrict a search to certain patients or in a
// way that can't be seen from outside. Ignoring one would widen the answer to
// other patients, so a search that can't honour it is refused even when the
// client asked for leniency.
var narrowing = map[string]bool{
	"patient": true, "subject": true,
	"_has": true, "_filter": true, "_list": true, "_query": true, "_content": true, "_text": true,
}

// patientNarrowing holds the parameters of R4 that describe a person: on
// Patient itself, each of them narrows by patient.
var patientNarrowing = map[string]bool{
	"active": true, "address": true, "address-city": true, "address-country": true, "address-postalcode": true,
	"address-state": true, "address-use": true, "birthdate": true, "death-date": true, "deceased": true,
	"email": true, "family": true, "gender": true, "general-practitioner": true, "given": true,
	"identifier": true, "language": true, "link": true, "name": true, "organization": true, "phone": true,
	"phonetic": true, "telecom": true,
}

// identifying holds the parameters whose values tell who a person is.
var identifying = map[string]bool{"identifier": true, "family": true, "given": true, "name": true, "birthdate": true}

// route is one interaction with the path that it is served on.
type route struct {
	method string
	path   string
	// code is the interaction on a type, if it is one.
	code    *r4.TypeRestfulInteraction
	handler func(*server, echo.Context) error
}

// methods are those that the route answers.
func (r route) methods() []string {
	if r.method == http.MethodGet {
		return []string{http.MethodGet, http.MethodHead}
	}
	return []string{r.method}
}

// matches reports whether the path, without a slash at its start, is one of the
// route's.
func (r route) matches(path string) bool {
	parts, pattern := strings.Split(path, "/"), strings.Split(strings.TrimPrefix(r.path, "/"), "/")
	if len(parts) != len(pattern) {
		return false
	}
	for i, part := range parts {
		var ok bool
		switch pattern[i] {
		case ":type":
			_, ok = types[part]
		case ":id", ":vid":
			ok = validID(part)
		default:
			ok = part == pattern[i]
		}
		if !ok {
			return false
		}
	}
	return true
}

func interaction(code r4.TypeRestfulInteraction) *r4.TypeRestfulInteraction { return &code }

// routes is the whole interface. Anything else is 404, or 405 where the path
// exists.
func routes() []route {
	return []route{
		{http.MethodGet, "/metadata", nil, (*server).capabilities},
		{http.MethodGet, "/:type/:id", interaction(r4.TypeRestfulInteractionRead), (*server).readCurrent},
		{http.MethodGet, "/:type/:id/_history/:vid", interaction(r4.TypeRestfulInteractionVread), (*server).readVersion},
		{http.MethodGet, "/:type", interaction(r4.TypeRestfulInteractionSearchType), (*server).searchByURL},
		{http.MethodPost, "/:type/_search", interaction(r4.TypeRestfulInteractionSearchType), (*server).searchByForm},
	}
}
