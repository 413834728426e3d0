package fhir

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/conformance"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// unsearched are the parameters of R4 that find something in what is published and
// are not served, each with the reason. Composites aside, there are no others.
var unsearched = map[string]string{
	"CarePlan.activity-date":      "a plan has many dates: the range between two would be one of different activities",
	"Observation.value-string":    "an answer in free words may be of any length",
	"Patient.phonetic":            "how a name sounds depends on the language",
	"Organization.phonetic":       "how a name sounds depends on the language",
	"ServiceRequest.order-detail": "the code of the order says what is asked for, and Observations point to it",
	"Task.requester":              "the programme always",
}

// What is published is found by R4's own definitions of the parameters, in FHIRPath,
// and held against the index: each parameter that finds something is served, and its
// index has the same codes and references, and something where there is anything.
func TestIndexHoldsWhatTheStandardFinds(t *testing.T) {
	list := everyResource(t)
	bodies := make([]json.RawMessage, len(list))
	for i, r := range list {
		bodies[i] = r.Body
	}
	lines := bytes.Split(bytes.TrimSpace(conformance.Script(t, "searchable.mjs", bodies)), []byte("\n"))
	if len(lines) != len(list) {
		t.Fatalf("%d resources were looked at, of %d", len(lines), len(list))
	}
	seen := map[string]bool{}
	for i, r := range list {
		var found map[string][]string
		if err := json.Unmarshal(lines[i], &found); err != nil {
			t.Fatal(err)
		}
		for name, values := range found {
			p, served := types[r.Type].find(name)
			full := r.Type + "." + name
			if seen[full] = true; !served {
				if unsearched[full] == "" {
					t.Errorf("%s: %s/%s has %v, which nothing searches", full, r.Type, r.ID, values)
				}
				continue
			}
			if unsearched[full] != "" {
				t.Errorf("%s is served: take it off the list", full)
			}
			if fault := indexFault(r, p, values); fault != "" {
				t.Errorf("%s: %s/%s has %v, %s", full, r.Type, r.ID, values, fault)
			}
		}
		for _, p := range types[r.Type].params {
			if _, ok := found[p.name]; !ok && len(rowsOf(r, p)) > 0 {
				t.Errorf("%s.%s: %s has rows, and nothing that R4 would find", r.Type, p.name, r.ID)
			}
		}
	}
	for full := range unsearched {
		if !seen[full] {
			t.Errorf("%s finds nothing that is published: take it off the list", full)
		}
	}
	for _, must := range []string{"Observation.combo-value-quantity", "Consent.actor", "Provenance.agent-type", "Task.intent"} {
		if !seen[must] {
			t.Errorf("nothing was found by %s", must)
		}
	}
}

// inParts has an observation whose parts are a number, a code and nothing.
func inParts(candidate string) activities.Snapshot {
	s := testSnapshot(candidate)
	r := s.Results[0]
	r.ID, r.Identifier.Value = "a0000000-0000-4000-8000-000000000031", "NM-31"
	r.Code, r.Value = result.Coding{System: systemObservation, Code: "urine-sediment", Display: "Urine sediment"}, result.Value{}
	part := func(code string, v result.Value) result.Component {
		return result.Component{Code: result.Coding{System: systemLOINC, Code: code}, Value: v}
	}
	r.Components = []result.Component{
		part("13945-1", number("2", "/[HPF]", "")), part("20454-5", result.Value{Coding: &result.Coding{System: systemSNOMED, Code: "260385009"}}),
		part("5821-4", result.Value{}),
	}
	s.Results = append(s.Results, r)
	return s
}

// rowsOf writes the rows of a parameter as the script writes values.
func rowsOf(r record.Resource, p param) []string {
	rows := []string{}
	for _, x := range r.Index {
		switch {
		case x.Param == p.name+identifierSuffix:
			rows = append(rows, "#"+x.Value)
		case x.Param != p.name:
		case p.kind == r4.SearchParamTypeReference && x.System != "":
			rows = append(rows, x.System+"/"+x.Value)
		case p.kind == r4.SearchParamTypeToken:
			rows = append(rows, x.System+"|"+x.Value)
		default:
			rows = append(rows, x.Value)
		}
	}
	slices.Sort(rows)
	return slices.Compact(rows)
}

// indexFault says what is wrong with the index of a resource, if anything is.
func indexFault(r record.Resource, p param, values []string) string {
	switch p.use {
	case byPatient:
		if bare, _, _ := strings.Cut(values[0], "/_history/"); len(values) > 1 || bare != "Patient/"+candidateA {
			return "and is not of the candidate"
		}
		return ""
	case byConstant:
		if !slices.Equal(values, []string{"|" + p.always}) {
			return "and should always have " + p.always
		}
		return ""
	case byEither:
		for _, part := range p.parts {
			of, _ := types[r.Type].find(part)
			if len(rowsOf(r, of)) > 0 {
				return ""
			}
		}
		return "and no part has a row"
	}
	rows := rowsOf(r, p)
	want := make([]string, 0, len(values))
	for _, v := range values {
		switch system, code, _ := strings.Cut(v, "|"); {
		case p.kind == r4.SearchParamTypeToken && system == "":
			v = p.system + "|" + code
		case p.kind == r4.SearchParamTypeReference && len(p.targets) == 0:
			want = append(want, system) // a definition is found without its version too
		case p.kind == r4.SearchParamTypeReference:
			v, _, _ = strings.Cut(v, "/_history/")
		case p.kind != r4.SearchParamTypeToken:
			if len(rows) == 0 {
				return "and no row"
			}
			return ""
		}
		want = append(want, v)
	}
	slices.Sort(want)
	if !slices.Equal(slices.Compact(want), rows) {
		return "and the rows " + strings.Join(rows, " ")
	}
	return ""
}

// The fixture has one pressure, 128 over 82, and the mean computed of it.
func TestSearchesOfPartsAndConstants(t *testing.T) {
	store := testStore(t)
	commit(t, store, testSnapshot(candidateA), 1, mustPublish(t, inParts(candidateA)))
	e := testServer(store)
	count := func(query string) int {
		var set searchset
		w := ask(e, "GET", "/fhir/"+query+"&_total=accurate&_count=200", "", "Prefer", "handling=strict")
		if err := json.Unmarshal(w.Body.Bytes(), &set); err != nil || w.Code != 200 || len(set.Entry) != set.Total {
			t.Fatalf("%s: %d %s", query, w.Code, w.Body)
		}
		return set.Total
	}
	of := func(query string, want int) {
		t.Helper()
		if got := count(query); got != want {
			t.Errorf("%s found %d, not %d", query, got, want)
		}
	}
	all := count("Observation?code:missing=false") // every one has a code
	own, parts := count("Observation?value-quantity:missing=false"), count("Observation?component-value-quantity:missing=false")
	both := count("Observation?value-quantity:missing=false&component-value-quantity:missing=false")
	of("Observation?combo-value-quantity:missing=false", own+parts-both)
	of("Observation?combo-value-quantity:missing=true", all-own-parts+both)
	of("Observation?code=85354-9&component-value-quantity=gt127", 2)
	of("Observation?code=85354-9&value-quantity=gt127", 0)
	of("Observation?code=85354-9&combo-value-quantity=128||mm[Hg]", 2)
	of("Observation?code=85354-9&combo-value-quantity=gt129", 0)
	of("Observation?component-code=20454-5&combo-value-concept=260385009", 1)
	of("Observation?component-data-absent-reason:missing=false", 1)

	tasks := count("Task?patient=" + candidateA)
	of("Task?intent=order", tasks)
	of("Task?intent=http://hl7.org/fhir/task-intent|order", tasks)
	of("Task?intent=plan,order", tasks)
	of("Task?intent=http://hl7.org/fhir/task-intent|", tasks)
	of("Task?intent=plan", 0)
	of("Task?intent=http://example.org|order", 0)
	of("Task?intent=|order", 0)
	if w := ask(e, "GET", "/fhir/Task?intent:not=order", ""); w.Code != 400 {
		t.Errorf("a modifier of a constant is answered with %d", w.Code)
	}
}
