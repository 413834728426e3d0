package fhir

import (
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/labstack/echo/v4"

	"candidacy/internal/record"
)

// answer is a Bundle as a client reads it.
type answer struct {
	Type  string `json:"type"`
	Total *int   `json:"total"`
	Link  []struct {
		Relation, URL string
	} `json:"link"`
	Entry []struct {
		FullURL  string                     `json:"fullUrl"`
		Resource map[string]json.RawMessage `json:"resource"`
		Search   struct{ Mode string }      `json:"search"`
		Request  struct{ Method, URL string }
		Response struct{ Status, Etag, LastModified string }
	} `json:"entry"`
}

func (a answer) link(relation string) string {
	for _, l := range a.Link {
		if l.Relation == relation {
			return strings.TrimPrefix(l.URL, "https://programme.example")
		}
	}
	return ""
}

// names are type/id of the entries of a mode.
func (a answer) names(mode string) []string {
	var list []string
	for _, e := range a.Entry {
		if e.Search.Mode == mode {
			list = append(list, text(e.Resource["resourceType"])+"/"+text(e.Resource["id"]))
		}
	}
	return list
}

func text(raw json.RawMessage) string {
	var s string
	_ = json.Unmarshal(raw, &s) // anything else is no text
	return s
}

func get(t testing.TB, e *echo.Echo, target string, headers ...string) answer {
	t.Helper()
	w := ask(e, "GET", target, "", headers...)
	return bundleOf(t, target, w)
}

func bundleOf(t failing, target string, w *httptest.ResponseRecorder) answer {
	t.Helper()
	var a answer
	if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil || w.Code != 200 {
		t.Fatalf("%s: %d %v %.400s", target, w.Code, err, w.Body)
	}
	return a
}

// walk reads all pages.
func walk(t testing.TB, e *echo.Echo, target string, headers ...string) []string {
	t.Helper()
	var list []string
	for pages := 0; target != ""; pages++ {
		if pages > 1000 {
			t.Fatalf("%s does not end", target)
		}
		a := get(t, e, target, headers...)
		list = append(list, a.names("match")...)
		target = a.link("next")
	}
	return list
}

func TestChains(t *testing.T) {
	e := testServer(seeded(t))
	for target, want := range map[string]int{
		"/fhir/Observation?patient.identifier=SYN-0b0c3f0e":                                                      11,
		"/fhir/Observation?subject:Patient.family=marchetti":                                                     8,
		"/fhir/Observation?subject.family:exact=Marchetti&code=2160-0":                                           1,
		"/fhir/Observation?patient.birthdate=lt1980&status=final":                                                5,
		"/fhir/Observation?patient._id=" + candidateA:                                                            11,
		"/fhir/Observation?patient.gender=male,female":                                                           19,
		"/fhir/Observation?patient.family=nobody":                                                                0,
		"/fhir/Patient?_has:Observation:patient:code=2160-0":                                                     2,
		"/fhir/Patient?_has:DetectedIssue:patient:code=egfr":                                                     1,
		"/fhir/Patient?_has:Observation:subject:date=ge2027":                                                     0,
		"/fhir/Patient?_has:Observation:subject:code=2160-0&family=mar":                                          1,
		"/fhir/Patient?_has:DetectedIssue:patient:code=egfr&_has:Observation:patient:status=preliminary":         1,
		"/fhir/Observation?patient.identifier=" + url.QueryEscape("urn:oid:1.2.36.146.595.217.0.1|SYN-0b0c3f0e"): 11,
	} {
		if a := get(t, e, target, "Prefer", "handling=strict"); *a.Total != want || len(a.Entry) != want {
			t.Errorf("%s: %d of %d, want %d", target, len(a.Entry), *a.Total, want)
		}
	}
}

func TestIncludes(t *testing.T) {
	e := testServer(seeded(t))
	egfr, creatinine := "Observation/"+candidateA+"-egfr-creatinine", "Observation/a0000000-0000-4000-8000-000000000001"
	issue := "/fhir/DetectedIssue?patient=" + candidateA + "&code=egfr"
	for query, want := range map[string][]string{
		"&_include=DetectedIssue:patient":         {"Patient/" + candidateA},
		"&_include=DetectedIssue:patient:Patient": {"Patient/" + candidateA},
		"&_include=*":               {"Patient/" + candidateA, egfr, creatinine},
		"&_include=DetectedIssue:*": {"Patient/" + candidateA, egfr, creatinine},
		"&_include=DetectedIssue:implicated:Observation":                            {egfr, creatinine},
		"&_include=DetectedIssue:implicated&_include:iterate=Observation:patient":   {egfr, creatinine, "Patient/" + candidateA},
		"&_revinclude=Observation:patient":                                          nil,
		"&_include=DetectedIssue:patient&_revinclude:iterate=EpisodeOfCare:patient": {"Patient/" + candidateA, "EpisodeOfCare/" + candidateA},
	} {
		a := get(t, e, issue+query)
		if got := a.names("include"); !slices.Equal(got, want) || *a.Total != 1 || len(a.names("match")) != 1 {
			t.Errorf("%s: %v, want %v", query, got, want)
		}
		if self := a.link("self"); !strings.Contains(self, strings.SplitN(strings.Trim(query, "&"), "=", 2)[0][:8]) {
			t.Errorf("%s: self %s", query, self)
		}
	}
	a := get(t, e, "/fhir/Patient?_id="+candidateB+"&_revinclude=Observation:patient&_revinclude=CarePlan:subject")
	if got := a.names("include"); len(got) != 9 || *a.Total != 1 {
		t.Errorf("%d included", len(got))
	}
	a = get(t, e, "/fhir/Observation?_include=Observation:patient")
	if got := a.names("include"); !slices.Equal(got, []string{"Patient/" + candidateA, "Patient/" + candidateB}) {
		t.Errorf("included %v", got)
	}
}

func TestSortedPages(t *testing.T) {
	e := testServer(seeded(t))
	value := func(target, element string) []string {
		var list []string
		for target != "" {
			a := get(t, e, target)
			for _, entry := range a.Entry {
				list = append(list, text(entry.Resource[element]))
			}
			if *a.Total != 11 {
				t.Errorf("%s: total %d", target, *a.Total)
			}
			target = a.link("next")
		}
		return list
	}
	for _, count := range []int{1, 3, 5, 10, 11, 50} {
		target := fmt.Sprintf("/fhir/Observation?patient=%s&_sort=-status,_id&_count=%d", candidateA, count)
		got := value(target, "status")
		if len(got) != 11 || !slices.IsSortedFunc(got, func(a, b string) int { return strings.Compare(b, a) }) {
			t.Errorf("%d: %v", count, got)
		}
		ids := value(fmt.Sprintf("/fhir/Observation?patient=%s&_sort=-_id&_count=%d", candidateA, count), "id")
		if len(ids) != 11 || !slices.IsSortedFunc(ids, func(a, b string) int { return strings.Compare(b, a) }) {
			t.Errorf("%d: %v", count, ids)
		}
	}
}

func TestEverything(t *testing.T) {
	store := seeded(t)
	e := testServer(store)
	published := map[string]int{}
	if err := store.EachResource(t.Context(), func(p record.Published) error { published[p.Candidate]++; return nil }); err != nil {
		t.Fatal(err)
	}
	n := published[candidateA]
	target := "/fhir/Patient/" + candidateA + "/$everything"
	all := walk(t, e, target)
	if all[0] != "Patient/"+candidateA || len(all) != n {
		t.Errorf("%d: %v", len(all), all)
	}
	for _, count := range []int{1, 2, 7, n - 1, n} {
		if got := walk(t, e, fmt.Sprintf("%s?_count=%d", target, count)); !slices.Equal(got, all) {
			t.Errorf("in pages of %d: %v", count, got)
		}
	}
	for query, want := range map[string]int{
		"?_type=Observation":                                     11,
		"?_type=Observation,CarePlan":                            12,
		"?_type=Patient":                                         1,
		"?_since=2027-01-01T00:00:00Z":                           0,
		"?_since=2026-01-01T00:00:00Z":                           n,
		"?start=2026-02-09&end=2026-02-09&_type=Observation":     2,
		"?end=2026-02-03&_type=Observation":                      1,
		"?start=2027-01-01&_type=Patient,EpisodeOfCare,CarePlan": 3,
		"?_count=0":       n,
		"?_summary=count": n,
	} {
		if a := get(t, e, target+query); *a.Total != want {
			t.Errorf("%s: total %d, want %d", query, *a.Total, want)
		}
	}
	w := ask(e, "POST", target, `{"resourceType":"Parameters","parameter":[{"name":"_type","valueString":"Observation"},{"name":"_count","valueInteger":5}]}`, "Content-Type", "application/fhir+json")
	if a := bundleOf(t, target, w); *a.Total != 11 || len(a.Entry) != 5 {
		t.Errorf("by POST: %s", w.Body)
	}
	if w := ask(e, "POST", target, ""); w.Code != 200 {
		t.Errorf("by POST without a body: %d %s", w.Code, w.Body)
	}
	if a := get(t, e, "/fhir/Patient/"+candidateB+"/$everything?_count=200"); *a.Total != published[candidateB] {
		t.Errorf("B has %d", *a.Total)
	}
}

func TestHistory(t *testing.T) {
	store := testStore(t)
	s := testSnapshot(candidateA)
	some := func() []record.Resource {
		return slices.DeleteFunc(mustPublish(t, s), func(r record.Resource) bool {
			return !slices.Contains([]string{typePatient, typeObservation, typeCarePlan}, r.Type)
		})
	}
	commit(t, store, s, 1, some())
	s.Referral.Identity.Family = "Marchetti"
	commit(t, store, s, 2, some())
	if err := store.PublishProgramme(t.Context(), []record.Resource{{Type: typeObservation, ID: "gone", Body: []byte(`{"resourceType":"Observation","id":"gone"}`)}}); err != nil {
		t.Fatal(err)
	}
	if err := store.DeleteProgramme(t.Context(), typeObservation, "gone"); err != nil {
		t.Fatal(err)
	}
	e := testServer(store)
	a := get(t, e, "/fhir/Patient/"+candidateA+"/_history")
	if a.Type != "history" || *a.Total != 2 || len(a.Entry) != 2 {
		t.Fatalf("%+v", a)
	}
	first, last := a.Entry[1], a.Entry[0]
	if last.Request.Method != "PUT" || last.Request.URL != "Patient/"+candidateA || last.Response.Status != "200 OK" || last.Response.Etag != `W/"2"` ||
		first.Response.Status != "201 Created" || first.Response.Etag != `W/"1"` || first.Response.LastModified != "2026-03-02T09:30:00.123Z" {
		t.Errorf("%+v\n%+v", last, first)
	}
	a = get(t, e, "/fhir/Observation/gone/_history")
	if *a.Total != 2 || a.Entry[0].Request.Method != "DELETE" || a.Entry[0].Resource != nil || a.Entry[0].Response.Status != "204 No Content" {
		t.Errorf("%+v", a)
	}
	for target, code := range map[string]int{
		"/fhir/Observation/gone": 410, "/fhir/Observation/gone/_history/2": 410, "/fhir/Observation/gone/_history/1": 200, "/fhir/Observation/gone/_history/3": 404,
	} {
		if w := ask(e, "GET", target, ""); w.Code != code {
			t.Errorf("%s: %d %s", target, w.Code, w.Body)
		}
	}
	count := func(target string) (n int) {
		for target != "" {
			a := get(t, e, target)
			n += len(a.Entry)
			target = a.link("next")
		}
		return n
	}
	for target, want := range map[string]int{
		"/fhir/Observation/_history":                               13,
		"/fhir/Observation/_history?_count=2":                      13,
		"/fhir/_history?_count=3":                                  16,
		"/fhir/_history":                                           16,
		"/fhir/_history?_since=2027-01-01T00:00:00Z":               0,
		"/fhir/_history?_at=2026-03-02":                            16,
		"/fhir/_history?_at=2026-03-01":                            0,
		"/fhir/Patient/" + candidateA + "/_history?_at=2026-03-05": 1,
		"/fhir/Patient/" + candidateA + "/_history?_count=1":       2,
		"/fhir/Patient/_history?_summary=true":                     2,
	} {
		if got := count(target); got != want {
			t.Errorf("%s: %d, want %d", target, got, want)
		}
	}
}

func TestSummariesAndElements(t *testing.T) {
	e := testServer(seeded(t))
	members := func(r map[string]json.RawMessage) string {
		var list []string
		for name := range r {
			list = append(list, name)
		}
		slices.Sort(list)
		return strings.Join(list, " ")
	}
	plan := "/fhir/CarePlan?_id=" + candidateA + "-evaluation"
	for query, want := range map[string]string{
		"":                                       "activity addresses author careTeam category created id instantiatesCanonical intent meta period resourceType status subject supportingInfo text title",
		"&_summary=false":                        "activity addresses author careTeam category created id instantiatesCanonical intent meta period resourceType status subject supportingInfo text title",
		"&_summary=true":                         "addresses author category created id instantiatesCanonical intent meta period resourceType status subject title",
		"&_summary=text":                         "id intent meta resourceType status subject text",
		"&_summary=data":                         "activity addresses author careTeam category created id instantiatesCanonical intent meta period resourceType status subject supportingInfo title",
		"&_elements=title":                       "id intent meta resourceType status subject title",
		"&_elements=title,period&_elements=text": "id intent meta period resourceType status subject text title",
	} {
		a := get(t, e, plan+query, "Prefer", "handling=strict")
		if got := members(a.Entry[0].Resource); got != want {
			t.Errorf("%s:\ngot  %s\nwant %s", query, got, want)
		}
		cut := query != "" && query != "&_summary=false"
		if tagged := strings.Contains(string(a.Entry[0].Resource["meta"]), "SUBSETTED"); tagged != cut {
			t.Errorf("%s: meta %s", query, a.Entry[0].Resource["meta"])
		}
	}
	pressure := "/fhir/Observation/a0000000-0000-4000-8000-000000000003"
	var whole, short struct {
		Component []map[string]json.RawMessage
		ID        string
	}
	for target, into := range map[string]any{pressure: &whole, pressure + "?_summary=true": &short} {
		w := ask(e, "GET", target, "")
		if err := json.Unmarshal(w.Body.Bytes(), into); err != nil || w.Code != 200 {
			t.Fatal(w.Code, err)
		}
	}
	if len(short.Component) != 2 || members(short.Component[0]) != "code valueQuantity" || short.ID == "" {
		t.Errorf("%+v", short)
	}
	if w := ask(e, "GET", pressure+"?_pretty=true", ""); !strings.Contains(w.Body.String(), "\n  \"") {
		t.Errorf("not indented: %s", w.Body)
	}
}

// failing is a test or a property.
type failing interface {
	Helper()
	Fatalf(format string, args ...any)
}
