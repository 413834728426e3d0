package fhir

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"testing"
)

// FuzzSearch sends any query string: the answer is 200 or 400, always JSON, and
// no panic reaches the client as an internal error.
func FuzzSearch(f *testing.F) {
	for _, query := range []string{
		"patient=Patient/1&code=http://loinc.org|2160-0,|x", "date=ge2026-01&date=ne2026-02-03T10:00:00+01:00", "_lastUpdated=ap2026,lt2020",
		"_count=0&_summary=count", "_cursor=MTphYmM", "name=%C3%8B\\,x", "foo:bar.baz=1", "status=a|b|c", "=&&=x", "_id=%00", "code=\\",
	} {
		f.Add(query)
	}
	e := testServer(seeded(f))
	f.Fuzz(func(t *testing.T, query string) {
		for _, name := range typeOrder {
			r := httptest.NewRequest(http.MethodGet, "/fhir/"+name, nil)
			r.URL = &url.URL{Path: r.URL.Path, RawQuery: query}
			r.Header.Set("Accept", "application/fhir+json")
			w := httptest.NewRecorder()
			e.ServeHTTP(w, r)
			// A query may also ask for a format that there isn't.
			if w.Code != 200 && w.Code != 400 && w.Code != 406 {
				t.Errorf("%s?%s: %d %s", name, query, w.Code, w.Body)
			}
			if !json.Valid(w.Body.Bytes()) {
				t.Errorf("%s?%s: not JSON: %s", name, query, w.Body)
			}
		}
	})
}
