package fhir

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// sample is a value that each kind of parameter takes.
func sample(p r4.SearchParamType, name string) string {
	switch {
	case p == r4.SearchParamTypeDate || p == r4.SearchParamTypeNumber || p == r4.SearchParamTypeQuantity:
		return "2026"
	case p == r4.SearchParamTypeComposite:
		return "a$2026"
	case name == "_id":
		return candidateA
	case name == "questionnaire" || name == "instantiates-canonical":
		return "https://candidacy.example/q"
	default:
		return "a"
	}
}

// everyResource holds some of every type, and a value of every parameter.
func everyResource(t testing.TB) []record.Resource {
	var list []record.Resource
	died := operated(testSnapshot(candidateA))
	died.State.Died = "2026-06-01"
	for _, s := range []activities.Snapshot{
		died,
		operated(decided(testSnapshot(candidateA), journey.Approve)), planned("2026-04-02"), reportedSnapshot(candidateA), risky(candidateA), answered(candidateA),
		recovering(candidateA), consented(candidateA), inParts(candidateA),
		happened(decided(testSnapshot(candidateA), journey.Approve)), followed(), worked(candidateA), wentHome(candidateA), closedWithout(candidateA),
	} {
		list = append(list, mustPublish(t, s)...)
	}
	approved := *protocol.Default()
	approved.EffectiveFrom = "2026-01-01"
	forms, err := Questionnaires(&approved)
	if err != nil {
		t.Fatal(err)
	}
	programme, err := ProgrammeResources(&protocol.Programme{
		Name: "Donor programme of an invented hospital", Identifiers: []protocol.ProgrammeIdentifier{{System: "urn:oid:1.2.3", Value: "P-1"}},
		Phone: "+46 8 555 0100", Email: "donors@hospital.example", URL: "https://hospital.example/donors",
	}, "1.2.3")
	if err != nil {
		t.Fatal(err)
	}
	return slices.Concat(list, forms, programme)
}

// wholeStore holds every one of them, whoever they are of, as one candidate's.
func wholeStore(t testing.TB) *record.Store {
	store := testStore(t)
	seen := map[string]bool{}
	commit(t, store, testSnapshot(candidateA), 1, slices.DeleteFunc(everyResource(t), func(r record.Resource) bool {
		again := seen[r.Type+"/"+r.ID]
		seen[r.Type+"/"+r.ID] = true
		return again
	}))
	return store
}

// first is the id of some resource of the type.
func first(e http.Handler, typ string) string {
	var set searchset
	if err := json.Unmarshal(ask(e, "GET", "/fhir/"+typ+"?_count=1", "").Body.Bytes(), &set); err != nil || len(set.Entry) == 0 {
		return "none"
	}
	return set.Entry[0].Resource.ID
}

func TestCapabilityStatementAgreesWithTheServer(t *testing.T) {
	e := testServer(wholeStore(t))
	var statement r4.CapabilityStatement
	if err := json.Unmarshal(ask(e, "GET", "/fhir/metadata", "").Body.Bytes(), &statement); err != nil {
		t.Fatal(err)
	}
	rest := statement.Rest[0]
	if statement.Status != r4.PublicationStatusActive || statement.FhirVersion != r4.FHIRVersion4_0_1 ||
		statement.Kind != r4.CapabilityStatementKindInstance || rest.Mode != r4.RestfulCapabilityModeServer || *statement.Implementation.Url != testBase {
		t.Errorf("statement: %+v", statement)
	}
	if s := rest.Security; s == nil || len(s.Service) != 1 || *s.Service[0].Text != "Bearer token" || *s.Description != "Bearer tokens only, issued by the programme." {
		t.Errorf("security: %+v", rest.Security)
	}
	if len(rest.Resource) != len(types) {
		t.Errorf("%d types are listed, %d served", len(rest.Resource), len(types))
	}
	every := map[string]bool{}
	for _, row := range types {
		for _, p := range row.params {
			every[p.name] = true
		}
	}
	for _, r := range rest.Resource {
		name := r.Type.Code()
		var params []string
		for _, p := range r.SearchParam {
			params = append(params, p.Name)
			w := ask(e, "GET", "/fhir/"+name+"?"+p.Name+"="+sample(p.Type, p.Name), "", "Prefer", "handling=strict")
			if w.Code != 200 {
				t.Errorf("%s lists %s, but: %s", name, p.Name, w.Body)
			}
			if !strings.HasPrefix(*p.Definition, canonicalParam) {
				t.Errorf("%s.%s is defined by %s", name, p.Name, *p.Definition)
			}
		}
		for p := range every {
			if !slices.Contains(params, p) && ask(e, "GET", "/fhir/"+name+"?"+p+"=2026", "", "Prefer", "handling=strict").Code != 400 {
				t.Errorf("%s does not list %s, but takes it", name, p)
			}
		}
		if slices.Contains([]string{typeObservation, typeDiagnosticReport}, name) && (r.UpdateCreate == nil || *r.UpdateCreate) {
			t.Errorf("%s does not say that ids are given here alone", name)
		}
		// What is listed works, and nothing else does.
		form := []string{"Content-Type", "application/x-www-form-urlencoded"}
		works := map[r4.TypeRestfulInteraction]bool{
			r4.TypeRestfulInteractionRead:            ask(e, "GET", "/fhir/"+name+"/x", "").Code == 404,
			r4.TypeRestfulInteractionVread:           !types[name].unversioned && ask(e, "GET", "/fhir/"+name+"/x/_history/1", "").Code == 404,
			r4.TypeRestfulInteractionSearchType:      ask(e, "GET", "/fhir/"+name, "").Code == 200 && ask(e, "POST", "/fhir/"+name+"/_search", "", form...).Code == 200,
			r4.TypeRestfulInteractionCreate:          ask(e, "POST", "/fhir/"+name, "{}").Code != 405, // nothing is taken in here
			r4.TypeRestfulInteractionUpdate:          ask(e, "PUT", "/fhir/"+name+"/x", "{}").Code != 405,
			r4.TypeRestfulInteractionPatch:           ask(e, "PATCH", "/fhir/"+name+"/x", "{}").Code < 400,
			r4.TypeRestfulInteractionDelete:          ask(e, "DELETE", "/fhir/"+name+"/x", "").Code < 400,
			r4.TypeRestfulInteractionHistoryType:     ask(e, "GET", "/fhir/"+name+"/_history", "").Code < 400,
			r4.TypeRestfulInteractionHistoryInstance: ask(e, "GET", "/fhir/"+name+"/x/_history", "").Code == 404 && ask(e, "GET", "/fhir/"+name+"/"+first(e, name)+"/_history", "").Code < 400,
		}
		listed := map[r4.TypeRestfulInteraction]bool{}
		for _, i := range r.Interaction {
			listed[i.Code] = true
		}
		for code, ok := range works {
			if listed[code] != ok {
				t.Errorf("%s %s: listed %t, works %t", name, code.Code(), listed[code], ok)
			}
		}
	}
}

func TestEveryTypeHasItsPlace(t *testing.T) {
	if len(typeOrder) != len(types) {
		t.Errorf("%d types in order, %d in the table", len(typeOrder), len(types))
	}
	for _, name := range typeOrder {
		if types[name].code.Code() != name {
			t.Errorf("%s is listed as %s", name, types[name].code.Code())
		}
	}
}

// Every parameter that is searched by its index has values in the index of what
// is published, and nothing is indexed that can't be searched.
func TestIndexAgreesWithTheParameters(t *testing.T) {
	found := map[string]bool{}
	for _, r := range everyResource(t) {
		dates := map[string]int{}
		for _, x := range r.Index {
			if p, ok := types[r.Type].find(x.Param); ok && p.kind == r4.SearchParamTypeDate {
				if dates[x.Param]++; dates[x.Param] > 1 { // a search for its start and its end would mix them up
					t.Errorf("%s/%s has two dates under %s", r.Type, r.ID, x.Param)
				}
			}
			name, suffix, _ := strings.Cut(x.Param, ":")
			p, ok := types[r.Type].find(name)
			if !ok || p.use != byIndex {
				t.Errorf("%s.%s is indexed for nothing", r.Type, x.Param)
			}
			if p.system != "" && p.system != x.System {
				t.Errorf("%s.%s is indexed under %s", r.Type, x.Param, x.System)
			}
			suffix, _, _ = strings.Cut(suffix, "=") // behind it is a code
			if suffix != "" && !slices.Contains(suffixes[p.kind], ":"+suffix) {
				t.Errorf("%s has a row of another kind: %s", r.Type, x.Param)
			}
			if covers := slices.Contains(covering, p.kind); covers != (x.End != "") {
				t.Errorf("%s.%s ends at %q", r.Type, x.Param, x.End)
			}
			if p.kind == r4.SearchParamTypeReference && x.System != "" && suffix == "" && !slices.Contains(p.targets, x.System) {
				t.Errorf("%s.%s points to a %s", r.Type, x.Param, x.System)
			}
			found[r.Type+"."+name] = true
		}
	}
	for _, x := range cohorts[0].index() {
		found[typeGroup+"."+x.Param] = true
	}
	found[typeGroup+".member"] = true // asked of the store itself
	for name, row := range types {
		for _, p := range row.params {
			if p.use == byIndex && !found[name+"."+p.name] {
				t.Errorf("%s.%s is never indexed", name, p.name)
			}
		}
	}
}

// What the index holds beside the value itself, and what covers a range.
var (
	suffixes = map[r4.SearchParamType][]string{
		r4.SearchParamTypeString: {exactSuffix}, r4.SearchParamTypeReference: {identifierSuffix}, r4.SearchParamTypeQuantity: {unitSuffix},
		r4.SearchParamTypeDate: {longSuffix, ":code", longSuffix + ":code"},
	}
	covering = []r4.SearchParamType{r4.SearchParamTypeDate, r4.SearchParamTypeNumber, r4.SearchParamTypeQuantity}
)
