package fhir

import (
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/record"
)

// refused is a request that is not answered as asked: with which status, which
// code, and which expression names what is at fault.
type refused struct {
	method, target string
	status         int
	code           string
	expression     string
	body           string
	headers        []string
}

const (
	strictly = "handling=strict"
	formType = "application/x-www-form-urlencoded"
)

// refusals are malformed, and what isn't served. The statuses and codes are those
// of http.html and search.html of R4, and of RFC 9110.
func refusals() []refused {
	const obs, person = "/fhir/Observation", "/fhir/Patient"
	one := obs + "/a0000000-0000-4000-8000-000000000001"
	everything := person + "/" + candidateA + "/$everything"
	escaped := url.QueryEscape
	hard := []string{"Prefer", strictly}
	form := []string{"Content-Type", formType}
	fhirJSON := []string{"Content-Type", "application/fhir+json"}
	many := strings.Repeat("a,", 300) + "a"
	bad := func(target, code, name string) refused {
		return refused{method: "GET", target: target, status: 400, code: code, expression: "http." + name}
	}
	return []refused{
		// Values that are none.
		bad(obs+"?date=2026-02-31", "invalid", "date"), bad(obs+"?date=26", "invalid", "date"), bad(obs+"?date=zz2026", "invalid", "date"),
		bad(obs+"?date=2026-02-03T25:00Z", "invalid", "date"), bad(obs+"?date=2026-01,", "invalid", "date"), bad(obs+"?_lastUpdated=yesterday", "invalid", "_lastUpdated"),
		bad(obs+"?code=", "invalid", "code"), bad(obs+"?code=a,,b", "invalid", "code"), bad(obs+"?code="+escaped("|"), "invalid", "code"),
		bad(obs+"?_id="+escaped("a/b"), "invalid", "_id"), bad(obs+"?_id="+strings.Repeat("a", 65), "invalid", "_id"),
		bad(obs+"?patient="+escaped("Group/1"), "invalid", "patient"), bad(obs+"?patient="+escaped("Patient/a b"), "invalid", "patient"),
		bad(obs+"?patient=", "invalid", "patient"), bad(obs+"?patient="+escaped(testBase+"/Observation/1"), "invalid", "patient"),
		bad(person+"?birthdate=1981-06-30T", "invalid", "birthdate"), bad(person+"?family="+escaped(" "), "invalid", "family"),
		bad(obs+"?value-quantity=much", "invalid", "value-quantity"), bad(obs+"?value-quantity="+escaped("1|mg/dL"), "invalid", "value-quantity"),
		bad(obs+"?value-quantity="+escaped("1|http://unitsofmeasure.org|"), "invalid", "value-quantity"), bad(obs+"?value-quantity=xx1", "invalid", "value-quantity"),
		bad(obs+"?value-quantity=1e9999", "invalid", "value-quantity"), bad(obs+"?value-quantity="+escaped("1,2||mg"), "invalid", "value-quantity"),
		bad(obs+"?code-value-quantity=2160-0", "invalid", "code-value-quantity"), bad(obs+"?code-value-quantity="+escaped("2160-0$1$2"), "invalid", "code-value-quantity"),
		bad(obs+"?code-value-quantity="+escaped("2160-0$much"), "invalid", "code-value-quantity"),
		bad(obs+"?code-value-quantity="+escaped("2160-0$1,2160-0$2"), "not-supported", "code-value-quantity"),
		bad(obs+"?derived-from="+escaped("a b"), "invalid", "derived-from"), bad(obs+"?derived-from="+escaped("Observation/a/b"), "invalid", "derived-from"),
		bad(obs+"?_profile=", "invalid", "_profile"),

		// Modifiers, chains and links that there are not.
		bad(obs+"?code:text=creatinine", "not-supported", "code:text"), bad(obs+"?code:in=http", "not-supported", "code:in"),
		bad(obs+"?code:below=1", "not-supported", "code:below"), bad(obs+"?code:missing=perhaps", "invalid", "code:missing"),
		bad(obs+"?date:exact=2026", "not-supported", "date:exact"), bad(obs+"?date:end=2026", "not-supported", "date:end"), bad(obs+"?date:long=2026", "not-supported", "date:long"),
		bad(person+"?family:sounds=x", "not-supported", "family:sounds"), bad(person+"?family:text=x", "not-supported", "family:text"),
		bad(obs+"?patient:Group=1", "not-supported", "patient:Group"), bad(obs+"?patient:missing=true", "not-supported", "patient:missing"),
		bad(obs+"?patient:identifier=x", "not-supported", "patient:identifier"), bad(obs+"?_id:not=x", "not-supported", "_id:not"),
		bad(obs+"?patient.family.given=x", "not-supported", "patient.family.given"), bad(obs+"?patient.shoe=x", "not-supported", "patient.shoe"),
		bad(obs+"?code.display=x", "invalid", "code.display"), bad(obs+"?patient:Group.name=x", "invalid", "patient:Group.name"),
		bad(obs+"?patient.birthdate=x", "invalid", "patient.birthdate"), bad(obs+"?patient.family:sounds=x", "not-supported", "patient.family:sounds"),
		bad(obs+"?patient.code=x", "not-supported", "patient.code"), bad(obs+"?practitioner.name=x", "not-supported", "practitioner.name"),
		bad(person+"?_has:Observation:patient=x", "not-supported", "_has:Observation:patient"), bad(person+"?_has:Observation:code:code=x", "not-supported", "_has:Observation:code:code"),
		bad(person+"?_has:Nonsense:patient:code=x", "not-supported", "_has:Nonsense:patient:code"), bad(person+"?_has:Observation:patient:shoe=x", "not-supported", "_has:Observation:patient:shoe"),
		bad(person+"?_has:Observation:patient:_has:Task:focus:code=x", "not-supported", "_has:Observation:patient:_has:Task:focus:code"),
		bad(person+"?_has:Observation:patient:date=x", "invalid", "_has:Observation:patient:date"),

		// What narrows by a person is never left out, however lenient the client.
		bad("/fhir/DetectedIssue?subject="+candidateA, "not-supported", "subject"), bad(person+"?patient="+candidateA, "not-supported", "patient"),
		bad(person+"?phone=5550100", "not-supported", "phone"), bad(person+"?address-city=x", "not-supported", "address-city"), bad(person+"?link=x", "not-supported", "link"),
		bad(obs+"?encounter=1", "not-supported", "encounter"), bad(obs+"?focus=Patient/1", "not-supported", "focus"), bad("/fhir/CarePlan?goal=1", "not-supported", "goal"),
		bad(obs+"?_filter=code", "not-supported", "_filter"), bad(obs+"?_list=1", "not-supported", "_list"), bad(obs+"?_query=all", "not-supported", "_query"),
		bad(obs+"?_content=x", "not-supported", "_content"), bad(obs+"?_text=x", "not-supported", "_text"), bad(obs+"?_contained=true", "invalid", "_contained"),

		// What a strict client wants refused.
		{method: "GET", target: obs + "?foo=1", status: 400, code: "not-supported", expression: "http.foo", headers: hard},
		{method: "GET", target: obs + "?_sort=shoe", status: 400, code: "not-supported", expression: "http._sort", headers: hard},
		{method: "GET", target: obs + "?_elements=shoe", status: 400, code: "invalid", expression: "http._elements", headers: hard},
		{method: "GET", target: one + "?foo=1", status: 400, code: "not-supported", expression: "http.foo", headers: hard},
		{method: "GET", target: one + "/_history?foo=1", status: 400, code: "not-supported", expression: "http.foo", headers: hard},
		{method: "GET", target: everything + "?foo=1", status: 400, code: "not-supported", expression: "http.foo", headers: hard},

		// What is answered, and how.
		bad(obs+"?_count=-1", "invalid", "_count"), bad(obs+"?_count=many", "invalid", "_count"), bad(obs+"?_count=", "invalid", "_count"),
		bad(obs+"?_sort=patient", "not-supported", "_sort"), bad(obs+"?_sort=", "not-supported", "_sort"), bad(obs+"?_sort=-", "not-supported", "_sort"),
		bad(obs+"?_sort=code,date,status,category,_id", "too-costly", "_sort"),
		bad(obs+"?_summary=some", "invalid", "_summary"), bad(obs+"?_total=roughly", "invalid", "_total"), bad(obs+"?_pretty=very", "invalid", "_pretty"),
		bad(obs+"?_elements=a%20b", "invalid", "_elements"), bad(obs+"?_elements=code&_summary=true", "invalid", "_elements"),
		bad(obs+"?_summary=text&_include=Observation:patient", "invalid", "_summary"), bad(one+"?_summary=count", "not-supported", "_summary"),
		bad("/fhir/metadata?_summary=true", "not-supported", "_summary"),
		bad(obs+"?_include=Observation:code", "not-supported", "_include"), bad(obs+"?_include=Nonsense:patient", "not-supported", "_include"),
		bad(obs+"?_include=Observation:patient:Group", "not-supported", "_include"), bad(obs+"?_include=", "not-supported", "_include"),
		bad(obs+"?_include=Observation:patient:Patient:x", "not-supported", "_include"), bad(obs+"?_include:twice=Observation:patient", "not-supported", "_include:twice"),
		bad(person+"?_revinclude=Observation:shoe", "not-supported", "_revinclude"),
		bad(obs+"?_cursor=zzz", "invalid", "_cursor"), bad(obs+"?_cursor="+encodeCursor("1:"), "invalid", "_cursor"), bad(obs+"?_cursor="+encodeCursor("1:x:y"), "invalid", "_cursor"),
		bad(obs+"?_cursor="+encodeCursor("2:Patient/x?name=y"), "invalid", "_cursor"), bad(obs+"?_cursor="+encodeCursor("9:x"), "invalid", "_cursor"),
		{method: "GET", target: obs + "?_cursor=" + encodeCursor("1:"+strings.Repeat("a", 26)+":50"), status: 410, code: "not-found", expression: "http._cursor"},
		{method: "GET", target: obs + "?code=" + many, status: 400, code: "too-costly"}, {method: "GET", target: obs + "?code=%zz", status: 400, code: "invalid"},
		{method: "GET", target: obs + "?code=%ff", status: 400, code: "invalid"}, {method: "GET", target: obs + "?code=a%00b", status: 400, code: "invalid"},

		// Histories.
		bad(one+"/_history?_since=2026", "invalid", "_since"), bad(one+"/_history?_since=soon", "invalid", "_since"), bad(obs+"/_history?_at=ge2026", "invalid", "_at"),
		bad(obs+"/_history?_at=x", "invalid", "_at"), bad("/fhir/_history?_count=x", "invalid", "_count"), bad("/fhir/_history?_cursor=x", "invalid", "_cursor"),
		bad(one+"/_history?_cursor="+encodeCursor("2026/Observation/x/1"), "invalid", "_cursor"), bad(one+"/_history?_summary=x", "invalid", "_summary"),
		{method: "GET", target: obs + "/nobody/_history", status: 404, code: "not-found"}, {method: "GET", target: one + "/_history/9", status: 404, code: "not-found"},
		{method: "GET", target: one + "/_history/0", status: 404, code: "not-found"}, {method: "GET", target: one + "/_history/-1", status: 404, code: "not-found"},
		{method: "GET", target: one + "/_history/1/x", status: 404, code: "not-found"}, {method: "GET", target: "/fhir/Nonsense/_history", status: 404, code: "not-found"},

		// Everything of a patient.
		bad(everything+"?start=x", "invalid", "start"), bad(everything+"?end=2026-13", "invalid", "end"), bad(everything+"?start=2026-02-01&end=2026-01-01", "invalid", "end"),
		bad(everything+"?_type=Nonsense", "not-supported", "_type"), bad(everything+"?_type=AuditEvent", "not-supported", "_type"), bad(everything+"?_type=", "not-supported", "_type"),
		bad(everything+"?_since=x", "invalid", "_since"), bad(everything+"?_count=x", "invalid", "_count"), bad(everything+"?_cursor=x", "invalid", "_cursor"),
		{method: "GET", target: person + "/nobody/$everything", status: 404, code: "not-found"}, {method: "GET", target: obs + "/x/$everything", status: 404, code: "not-found"},
		{method: "POST", target: everything, status: 415, code: "not-supported", body: "start=2026", headers: form},
		{method: "POST", target: everything, status: 400, code: "structure", expression: "Parameters", body: `{"resourceType":"Patient"}`, headers: fhirJSON},
		{method: "POST", target: everything, status: 400, code: "structure", expression: "Parameters", body: `{`, headers: fhirJSON},
		{method: "POST", target: everything, status: 400, code: "structure", expression: "Parameters.parameter[0]", body: `{"resourceType":"Parameters","parameter":[{"name":"start"}]}`, headers: fhirJSON},
		{method: "POST", target: everything, status: 400, code: "structure", expression: "Parameters.parameter[0]", body: `{"resourceType":"Parameters","parameter":[{"name":"start","valuePeriod":{}}]}`, headers: fhirJSON},
		{method: "POST", target: everything, status: 400, code: "invalid", expression: "http.start", body: `{"resourceType":"Parameters","parameter":[{"name":"start","valueDate":"x"}]}`, headers: fhirJSON},

		// Ways in.
		{method: "GET", target: "/fhir/Nonsense", status: 404, code: "not-found"}, {method: "GET", target: "/fhir/Nonsense/1", status: 404, code: "not-found"},
		{method: "GET", target: "/fhir/patient", status: 404, code: "not-found"}, {method: "GET", target: person + "/nobody", status: 404, code: "not-found"},
		{method: "GET", target: person + "/a%20b", status: 404, code: "not-found"}, {method: "GET", target: "/fhir/x/y/z", status: 404, code: "not-found"},
		{method: "PUT", target: person + "/" + candidateA, status: 405, code: "not-supported", body: "{}", headers: fhirJSON},
		{method: "DELETE", target: person + "/" + candidateA, status: 405, code: "not-supported"}, {method: "PATCH", target: one, status: 405, code: "not-supported"},
		{method: "POST", target: person, status: 405, code: "not-supported", body: "{}", headers: fhirJSON}, {method: "PUT", target: person, status: 405, code: "not-supported"},
		{method: "DELETE", target: one + "/_history/1", status: 405, code: "not-supported"}, {method: "POST", target: "/fhir/metadata", status: 405, code: "not-supported"},
		{method: "GET", target: person + "/_search", status: 405, code: "not-supported"}, {method: "POST", target: one + "/_history", status: 405, code: "not-supported"},
		{method: "DELETE", target: everything, status: 405, code: "not-supported"},
		{method: "POST", target: person + "/_search", status: 415, code: "not-supported", body: `{}`, headers: fhirJSON}, {method: "POST", target: person + "/_search", status: 415, code: "not-supported"},
		{method: "POST", target: obs + "/_search", status: 413, code: "too-long", body: "code=" + strings.Repeat("a", maxForm), headers: form},
		{method: "POST", target: obs + "/_search", status: 400, code: "invalid", body: "code=%zz", headers: form},
		{method: "POST", target: obs + "/_search", status: 400, code: "invalid", expression: "http.date", body: "date=x", headers: form},
		{method: "GET", target: one, status: 406, code: "not-supported", headers: []string{"Accept", "application/fhir+xml"}},
		{method: "GET", target: one, status: 406, code: "not-supported", headers: []string{"Accept", "text/html"}},
		{method: "GET", target: one, status: 406, code: "not-supported", headers: []string{"Accept", "application/fhir+json; fhirVersion=3.0"}},
		{method: "GET", target: one + "?_format=xml", status: 406, code: "not-supported"}, {method: "GET", target: obs + "?_format=ttl", status: 406, code: "not-supported"},
		{method: "GET", target: one + "/_history?_format=xml", status: 406, code: "not-supported"}, {method: "GET", target: everything + "?_format=xml", status: 406, code: "not-supported"},
		{method: "GET", target: "/fhir/metadata", status: 406, code: "not-supported", headers: []string{"Accept", "application/fhir+xml"}},
		{method: "GET", target: one, status: 412, code: "conflict", headers: []string{"If-Match", `W/"7"`}},
	}
}

// TestRefusals: each is answered with an OperationOutcome that says what is
// wrong, and leaves nothing behind.
func TestRefusals(t *testing.T) {
	store := seeded(t)
	before := everyVersion(t, store)
	e := testServer(store)
	list := refusals()
	if len(list) < 80 {
		t.Errorf("only %d requests", len(list))
	}
	seen := map[string]bool{}
	for _, c := range list {
		name := c.method + " " + c.target + " " + c.body + strings.Join(c.headers, " ")
		if seen[name] {
			t.Errorf("%s is there twice", name)
		}
		seen[name] = true
		w := ask(e, c.method, c.target, c.body, c.headers...)
		var o struct {
			ResourceType string `json:"resourceType"`
			Issue        []struct {
				Severity, Code, Diagnostics string
				Expression                  []string
			}
		}
		if err := json.Unmarshal(w.Body.Bytes(), &o); err != nil || o.ResourceType != "OperationOutcome" || len(o.Issue) != 1 {
			t.Errorf("%s: %d, no OperationOutcome: %v %.300s", name, w.Code, err, w.Body)
			continue
		}
		i := o.Issue[0]
		var expression []string
		if c.expression != "" {
			expression = []string{c.expression}
		}
		if w.Code != c.status || i.Code != c.code || i.Severity != "error" || i.Diagnostics == "" || !slices.Equal(i.Expression, expression) {
			t.Errorf("%s:\ngot  %d %s %v: %s\nwant %d %s %v", name, w.Code, i.Code, i.Expression, i.Diagnostics, c.status, c.code, expression)
		}
		if w.Header().Get("Content-Type") != contentType || w.Code == http.StatusMethodNotAllowed && w.Header().Get("Allow") == "" {
			t.Errorf("%s: headers %v", name, w.Header())
		}
	}
	if after := everyVersion(t, store); after != before {
		t.Errorf("%d versions before, %d after", before, after)
	}
}

func everyVersion(t *testing.T, store *record.Store) int {
	t.Helper()
	of := map[string][]record.Query{}
	for _, typ := range typeOrder {
		of[typ] = nil
	}
	n, err := store.CountHistory(t.Context(), record.HistoryQuery{Of: of}, 0)
	if err != nil {
		t.Fatal(err)
	}
	return n
}
