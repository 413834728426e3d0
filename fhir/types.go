package fhir

import (
	"net/http"
	"slices"
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
	// unversioned is a type that is made when it is asked for, of which there are
	// no versions.
	unversioned bool
}

// param is one search parameter.
type param struct {
	name string
	kind r4.SearchParamType
	// definition is the last part of the canonical URL of the parameter.
	definition string
	// system is the one code system of the parameter's values, if it is fixed.
	system string
	// targets are the types that a reference may point to, as far as they are
	// published. One without targets holds canonical URLs.
	targets []string
	// parts are the names of the two parameters that a composite joins, or of those
	// that either finds.
	parts []string
	// always is the value that every resource of the type has.
	always string
	// use tells apart the parameters that aren't looked up in the index.
	use use
}

type use int

const (
	byIndex use = iota
	byPatient
	byID
	byUpdate
	byParts
	byEither
	byConstant
)

const canonicalParam = "http://hl7.org/fhir/SearchParameter/"

// commonParams apply to every type.
var commonParams = []param{
	{name: "_id", kind: r4.SearchParamTypeToken, definition: "Resource-id", use: byID},
	{name: "_lastUpdated", kind: r4.SearchParamTypeDate, definition: "Resource-lastUpdated", use: byUpdate},
	{name: "_profile", kind: r4.SearchParamTypeUri, definition: "Resource-profile"},
	{name: "_security", kind: r4.SearchParamTypeToken, definition: "Resource-security"},
	{name: "_tag", kind: r4.SearchParamTypeToken, definition: "Resource-tag"},
}

// patientParam is a reference to the candidate whose resource it is, which the
// store knows without the index.
func patientParam(name, definition string) param {
	return param{name: name, kind: r4.SearchParamTypeReference, definition: definition, targets: []string{typePatient}, use: byPatient}
}

// ofPatient begins the parameters of a type that has both patient and subject,
// the latter with the given definition.
func ofPatient(subject string, others ...param) []param {
	return append([]param{patientParam("patient", "clinical-patient"), patientParam("subject", subject)}, others...)
}

// tokenParam is looked up in what index.token, code and concepts add.
func tokenParam(name, definition, system string) param {
	return param{name: name, kind: r4.SearchParamTypeToken, definition: definition, system: system}
}

// dateParam is looked up in what index.date and period add.
func dateParam(name, definition string) param {
	return param{name: name, kind: r4.SearchParamTypeDate, definition: definition}
}

// stringParam is looked up in what index.text adds.
func stringParam(name, definition string) param {
	return param{name: name, kind: r4.SearchParamTypeString, definition: definition}
}

// referenceParam is looked up in what index.reference adds, or index.canonical
// where there are no targets.
func referenceParam(name, definition string, targets ...string) param {
	return param{name: name, kind: r4.SearchParamTypeReference, definition: definition, targets: targets}
}

// quantityParam is looked up in what index.quantity adds.
func quantityParam(name, definition string) param {
	return param{name: name, kind: r4.SearchParamTypeQuantity, definition: definition}
}

// numberParam is looked up in what index.number adds.
func numberParam(name, definition string) param {
	return param{name: name, kind: r4.SearchParamTypeNumber, definition: definition}
}

// uriParam is looked up in what index.uri adds.
func uriParam(name, definition string) param {
	return param{name: name, kind: r4.SearchParamTypeUri, definition: definition}
}

// compositeParam joins two parameters of the same type. Each of the elements
// behind them must occur at most once in a resource, since nothing is indexed
// that would keep their values together.
func compositeParam(name, definition, first, second string) param {
	return param{name: name, kind: r4.SearchParamTypeComposite, definition: definition, parts: []string{first, second}, use: byParts}
}

// eitherParam finds what one of the parameters of the same kind finds: those of an
// Observation and of its components.
func eitherParam(kind r4.SearchParamType, name string, parts ...string) param {
	return param{name: name, kind: kind, definition: "Observation-" + name, parts: parts, use: byEither}
}

// constantParam is a code that every resource of the type has, and that is
// therefore in no index.
func constantParam(name, definition, system, code string) param {
	return param{name: name, kind: r4.SearchParamTypeToken, definition: definition, system: system, always: code, use: byConstant}
}

// typeTable holds the types, in the order of the CapabilityStatement. The
// row of each stands beside what builds it.
var typeTable = []resourceType{
	patientType,
	episodeOfCareType,
	carePlanType,
	taskType,
	appointmentType,
	observationType,
	specimenType,
	diagnosticReportType,
	questionnaireType,
	questionnaireResponseType,
	detectedIssueType,
	flagType,
	riskAssessmentType,
	clinicalImpressionType,
	procedureType,
	conditionType,
	encounterType,
	medicationStatementType,
	adverseEventType,
	serviceRequestType,
	groupType,
	careTeamType,
	consentType,
	provenanceType,
	organizationType,
	practitionerRoleType,
	deviceType,
}

// types is that table by the name of the type, and typeOrder its order.
var types, typeOrder = func() (map[string]resourceType, []string) {
	byName := make(map[string]resourceType, len(typeTable))
	order := make([]string, len(typeTable))
	for i, t := range typeTable {
		name := t.code.Code()
		byName[name], order[i] = t, name
	}
	return byName, order
}()

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

// route is one interaction or operation with the path that it is served on.
type route struct {
	method string
	path   string
	// code is the interaction on a type, if it is one.
	code *r4.TypeRestfulInteraction
	// system is the interaction on the whole server, if it is one.
	system *r4.SystemRestfulInteraction
	// types are those that :type stands for; none is every published type.
	types []string
	// operation is named where the route is one.
	operation *namedOperation
	// declare adds to what is said of a type what else the route promises.
	declare func(*r4.CapabilityStatementRestResource)
	handler func(*server, echo.Context) error
}

// namedOperation is one that the CapabilityStatement lists.
type namedOperation struct {
	// name is without the dollar sign, definition the canonical URL.
	name, definition string
	// types are those it is listed with; none lists it with the whole server.
	types []string
}

// methods are those that the route answers.
func (r route) methods() []string {
	if r.method == http.MethodGet {
		return []string{http.MethodGet, http.MethodHead}
	}
	return []string{r.method}
}

// serves reports whether :type of the route stands for the type.
func (r route) serves(typ string) bool {
	t, ok := types[typ]
	if t.unversioned && r.code != nil && slices.Contains(ofVersions, *r.code) {
		return false
	}
	return ok && (r.types == nil || slices.Contains(r.types, typ))
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
			ok = r.serves(part)
		case ":id", ":vid":
			ok = validID(part)
		case ":job", ":file":
			ok = part != ""
		default:
			ok = part == pattern[i]
		}
		if !ok {
			return false
		}
	}
	return true
}

// ofVersions are the interactions that a type without versions does not have.
var ofVersions = []r4.TypeRestfulInteraction{
	r4.TypeRestfulInteractionVread, r4.TypeRestfulInteractionHistoryInstance, r4.TypeRestfulInteractionHistoryType,
}

func interaction(code r4.TypeRestfulInteraction) *r4.TypeRestfulInteraction { return &code }

// routes is the whole interface: the tables of the files that answer them.
// Anything else is 404, or 405 where the path exists.
func routes() []route {
	return slices.Concat(
		readRoutes(),
		searchRoutes(),
		historyRoutes(),
		everythingRoutes(),
		exportRoutes(),
		writeRoutes(),
	)
}
