package fhir

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/labstack/echo/v4"
)

var searchSeeds = []string{
	"patient=Patient/1&code=http://loinc.org|2160-0,|x", "date=ge2026-01&date=ne2026-02-03T10:00:00+01:00", "_lastUpdated=ap2026,lt2020",
	"_count=0&_summary=count", "_cursor=MTphYmM", "name=%C3%8B\\,x", "foo:bar.baz=1", "status=a|b|c", "=&&=x", "_id=%00", "code=\\",
	"value-quantity=gt5.4|http://unitsofmeasure.org|mg/dL", "value-quantity=ap-1e-3||%", "code-value-quantity=2160-0$ne1.10", "code:not=2160-0&category:missing=false",
	"subject:Patient.family:contains=o&patient._lastUpdated=ge2020", "derived-from.code=2160-0", "_has:Observation:derived-from:status=final",
	"_include=*&_include:iterate=Observation:patient&_revinclude=Provenance:target", "_sort=-date,code&_count=1", "_elements=code,status&_pretty=true", "_summary=true&_total=accurate",
	"based-on:identifier=|x&specimen=Specimen/1", "_tag=a|b&_security=|x&_profile=http://x", "family:exact=%25_&birthdate=sa1900", "date=9999&date=lt0001-01-01", "value-quantity=1e400",
}

// probe sends a query string to a path: whatever it is, the answer is JSON, and
// no panic reaches the client as an internal error.
func probe(t *testing.T, e *echo.Echo, path, query string) {
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.URL = &url.URL{Path: r.URL.Path, RawQuery: query}
	r.Header.Set("Accept", "application/fhir+json")
	w := httptest.NewRecorder()
	e.ServeHTTP(w, r)
	// A query may also ask for a format that there isn't, or go on with pages that
	// are not kept.
	if !slices.Contains([]int{200, 400, 406, 410}, w.Code) {
		t.Errorf("%s?%s: %d %s", path, query, w.Code, w.Body)
	}
	if !json.Valid(w.Body.Bytes()) {
		t.Errorf("%s?%s: not JSON: %s", path, query, w.Body)
	}
}

// FuzzSearch sends any query string to searches, histories and $everything.
func FuzzSearch(f *testing.F) {
	for _, query := range searchSeeds {
		f.Add(query)
	}
	e := testServer(seeded(f))
	f.Fuzz(func(t *testing.T, query string) {
		for _, name := range typeOrder {
			if name != typeAuditEvent { // which this server doesn't have
				probe(t, e, "/fhir/"+name, query)
			}
		}
		probe(t, e, "/fhir/Observation/_history", query)
		probe(t, e, "/fhir/_history", query)
		probe(t, e, "/fhir/Patient/"+candidateA+"/$everything", query)
	})
}

// FuzzParameters sends any body to $everything.
func FuzzParameters(f *testing.F) {
	for _, body := range []string{
		`{"resourceType":"Parameters","parameter":[{"name":"_type","valueString":"Observation"},{"name":"_count","valueInteger":5}]}`,
		`{"resourceType":"Parameters","parameter":[{"name":"start","valueDate":"2026-02"},{"name":"end","valueDate":"2026-02-03"}]}`,
		`{"resourceType":"Parameters"}`, `{"resourceType":"Parameters","parameter":[{"name":null}]}`, `[]`, ``, `{"parameter":[{"valueString":"\u0000"}]}`,
	} {
		f.Add(body)
	}
	e := testServer(seeded(f))
	f.Fuzz(func(t *testing.T, body string) {
		w := ask(e, "POST", "/fhir/Patient/"+candidateA+"/$everything", body, "Content-Type", "application/fhir+json")
		if !slices.Contains([]int{200, 400, 406, 413}, w.Code) || !json.Valid(w.Body.Bytes()) {
			t.Errorf("%s: %d %s", body, w.Code, w.Body)
		}
	})
}

// FuzzForm sends any form to a search, and reads all of its pages.
func FuzzForm(f *testing.F) {
	for _, query := range searchSeeds {
		f.Add(query)
	}
	e := testServer(seeded(f))
	f.Fuzz(func(t *testing.T, form string) {
		w := ask(e, "POST", "/fhir/Observation/_search", form+"&_count=7", "Content-Type", formType)
		for pages := 0; w.Code == 200; pages++ {
			var a answer
			if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil || pages > 10 {
				t.Fatalf("%s: %d pages, %v %s", form, pages, err, w.Body)
			}
			next := a.link("next")
			if next == "" {
				return
			}
			w = ask(e, "GET", next, "")
			if w.Code != 200 {
				t.Errorf("%s: the next page %s: %d %s", form, next, w.Code, w.Body)
			}
		}
		if !slices.Contains([]int{400, 406, 410, 413}, w.Code) || !strings.Contains(w.Body.String(), "OperationOutcome") {
			t.Errorf("%s: %d %s", form, w.Code, w.Body)
		}
	})
}
