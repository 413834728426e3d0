package fhir

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/record"
)

const testBase = "https://programme.example/fhir"

func testServer(store Reader) *echo.Echo {
	e := echo.New()
	Register(e.Group("/fhir"), store, Options{
		BaseURL: func(*http.Request) string { return testBase },
		Now:     func() time.Time { return testNow },
		Version: "1.0.0",
	})
	return e
}

// ask sends a request. Headers are name, value, name, value.
func ask(e http.Handler, method, target, body string, headers ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, target, strings.NewReader(body))
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Add(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	e.ServeHTTP(w, r)
	return w
}

type searchset struct {
	ResourceType string `json:"resourceType"`
	Total        int    `json:"total"`
	Link         []struct {
		Relation string `json:"relation"`
		URL      string `json:"url"`
	} `json:"link"`
	Entry []struct {
		FullURL  string `json:"fullUrl"`
		Resource struct {
			ResourceType string `json:"resourceType"`
			ID           string `json:"id"`
		} `json:"resource"`
	} `json:"entry"`
}

func (s searchset) link(relation string) string {
	for _, l := range s.Link {
		if l.Relation == relation {
			return l.URL
		}
	}
	return ""
}

func readSet(t testing.TB, w *httptest.ResponseRecorder) searchset {
	t.Helper()
	var s searchset
	if err := json.Unmarshal(w.Body.Bytes(), &s); err != nil || s.ResourceType != "Bundle" {
		t.Fatalf("not a Bundle: %v %s", err, w.Body)
	}
	return s
}

// seeded holds two candidates: A with everything, B with results only.
func seeded(t testing.TB) *record.Store {
	store := testStore(t)
	a := testSnapshot(candidateA)
	commit(t, store, a, 1, mustPublish(t, a))
	b := own(testSnapshot(candidateB), "b")
	b.Referral.Identity.Family, b.Referral.Identity.Given, b.Referral.Identity.Sex = "Marchetti", "Ivo", "male"
	b.Referral.Identity.BirthDate = "1974-12-01"
	b.State.Stage = "on-hold"
	commit(t, store, b, 1, mustPublish(t, b))
	return store
}

func TestRequests(t *testing.T) {
	e := testServer(seeded(t))
	escaped := url.QueryEscape
	const obs = "/fhir/Observation"
	for _, c := range []struct {
		method, target string
		status         int
		// total is the number of matches, or -1 where the answer is no Bundle.
		total int
		// says is a text that the answer holds.
		says    string
		headers []string
	}{
		// Reads.
		{"GET", "/fhir/Patient/" + candidateA, 200, -1, `"gender":"female"`, nil},
		{"HEAD", "/fhir/Patient/" + candidateA, 200, -1, "", nil},
		{"GET", "/fhir/CarePlan/" + candidateA + "-evaluation", 200, -1, `"instantiatesCanonical"`, nil},
		{"GET", "/fhir/Patient/" + candidateA + "/_history/1", 200, -1, `"versionId":"1"`, nil},
		{"GET", "/fhir/Patient/" + candidateA + "?_format=json", 200, -1, `"Patient"`, []string{"Accept", "application/xml"}},
		{"GET", "/fhir/Patient/" + candidateA, 200, -1, "", []string{"Accept", "text/html, application/xml;q=0.9, */*;q=0.8"}},
		{"GET", "/fhir/Patient/" + candidateA, 200, -1, "", []string{"Accept", "application/fhir+json; fhirVersion=4.0"}},
		{"GET", "/fhir/metadata", 200, -1, `"fhirVersion":"4.0.1"`, nil},
		{"GET", "/fhir/Patient/" + candidateA + "/_history/2", 404, -1, "not-found", nil},
		{"GET", "/fhir/Patient/" + candidateA + "/_history/01", 404, -1, "not-found", nil},
		{"GET", "/fhir/Patient/" + candidateA + "/_history/x", 404, -1, "not-found", nil},
		{"GET", "/fhir/Patient/nobody/_history", 404, -1, "not-found", nil},
		{"GET", "/fhir/Patient/nobody", 404, -1, "not-found", nil},
		{"GET", "/fhir/Patient/no%20body", 404, -1, "not-found", nil},
		{"GET", "/fhir/Immunization/1", 404, -1, "not-found", nil},
		{"GET", "/fhir/Immunization", 404, -1, "not-found", nil},
		{"GET", "/fhir", 404, -1, "not-found", nil},
		{"GET", "/fhir/a/b/c/d", 404, -1, "not-found", nil},
		{"GET", "/fhir/Patient/" + candidateA, 406, -1, "not-supported", []string{"Accept", "application/fhir+xml"}},
		{"GET", "/fhir/Patient/" + candidateA, 406, -1, "not-supported", []string{"Accept", "application/json;q=0"}},
		{"GET", "/fhir/Patient/" + candidateA, 406, -1, "not-supported", []string{"Accept", "application/fhir+json; fhirVersion=5.0"}},
		{"GET", "/fhir/Patient/" + candidateA + "?_format=xml", 406, -1, "not-supported", nil},
		{"GET", "/fhir/metadata?_format=xml", 406, -1, "not-supported", nil},

		// Other methods.
		{"POST", "/fhir/Patient", 405, -1, "not-supported", nil},
		{"PUT", "/fhir/Patient/" + candidateA, 405, -1, "not-supported", nil},
		{"DELETE", "/fhir/Patient/" + candidateA, 405, -1, "not-supported", nil},
		{"PATCH", "/fhir/Patient/" + candidateA + "/_history/1", 405, -1, "not-supported", nil},
		{"GET", "/fhir/Patient/_search", 405, -1, "not-supported", nil},
		{"POST", "/fhir/metadata", 405, -1, "not-supported", nil},
		{"BREW", "/fhir/Patient", 405, -1, "not-supported", nil},
		{"DELETE", "/fhir/Immunization/1", 404, -1, "not-found", nil},

		// Patients.
		{"GET", obs, 200, 19, "", nil},
		{"GET", obs + "?patient=" + candidateA, 200, 11, "", nil},
		{"GET", obs + "?patient=Patient/" + candidateA, 200, 11, "", nil},
		{"GET", obs + "?subject=" + escaped(testBase+"/Patient/"+candidateA), 200, 11, "", nil},
		{"GET", obs + "?patient=" + candidateA + "," + candidateB, 200, 19, "", nil},
		{"GET", obs + "?patient=" + candidateA + "," + candidateA, 200, 11, "", nil},
		{"GET", obs + "?patient=" + candidateA + "," + candidateB + "&_lastUpdated=ne2026-01-01", 200, 19, "", nil},
		{"GET", obs + "?patient=" + candidateA + "&subject=" + candidateB, 200, 0, "", nil},
		{"GET", obs + "?patient=" + escaped("https://elsewhere.example/fhir/Patient/"+candidateA), 200, 0, "", nil},
		{"GET", obs + "?patient=nobody", 200, 0, "", nil},
		{"GET", obs + "?patient=", 400, -1, "search parameter patient", nil},
		{"GET", obs + "?patient=Group/1", 400, -1, "search parameter patient", nil},
		{"GET", obs + "?patient=" + escaped(testBase+"/"+candidateA), 400, -1, "search parameter patient", nil},
		{"GET", obs + "?patient.name=zoe", 200, 11, "", nil},
		{"GET", obs + "?subject:Patient=" + candidateA, 200, 11, "", nil},
		{"GET", obs + "?subject:Group=" + candidateA, 400, -1, "search parameter subject:Group", nil},
		{"GET", "/fhir/DetectedIssue?subject=" + candidateA, 400, -1, "search parameter subject", nil},
		{"GET", "/fhir/Patient?patient=" + candidateA, 400, -1, "search parameter patient", nil},
		{"GET", "/fhir/Patient?phone=5550100", 400, -1, "search parameter phone", nil},
		{"GET", obs + "?_has:Group:member:_id=1", 400, -1, "search parameter _has:Group:member:_id", nil},

		// Tokens.
		{"GET", obs + "?code=2160-0", 200, 2, "", nil},
		{"GET", obs + "?code=" + escaped("http://loinc.org|2160-0"), 200, 2, "", nil},
		{"GET", obs + "?code=" + escaped("http://loinc.org|"), 200, 14, "", nil},
		{"GET", obs + "?code=" + escaped("|2160-0"), 200, 0, "", nil},
		{"GET", obs + "?code=" + escaped("http://snomed.info/sct|2160-0"), 200, 0, "", nil},
		{"GET", obs + "?code=2160-0," + escaped("http://loinc.org|2823-3"), 200, 4, "", nil},
		{"GET", obs + "?code=" + escaped(`2160\,0`), 200, 0, "", nil},
		{"GET", obs + "?code=2160-0,", 400, -1, "search parameter code", nil},
		{"GET", obs + "?code=" + escaped("|"), 400, -1, "search parameter code", nil},
		{"GET", obs + "?code:not=2160-0", 200, 17, "", nil},
		{"GET", obs + "?code:text=creatinine", 400, -1, "search parameter code:text", nil},
		{"GET", obs + "?code:missing=true", 200, 0, "", nil},
		{"GET", obs + "?category:missing=false", 200, 19, "", nil},
		{"GET", obs + "?code:missing=maybe", 400, -1, "search parameter code:missing", nil},
		{"GET", obs + "?status=final&category=laboratory&patient=" + candidateA, 200, 5, "", nil},
		{"GET", obs + "?status=" + escaped("http://hl7.org/fhir/observation-status|cancelled"), 200, 2, "", nil},
		{"GET", obs + "?status=" + escaped("http://hl7.org/fhir/observation-status|"), 200, 19, "", nil},
		{"GET", obs + "?category=" + escaped(systemObservationCategory+"|vital-signs"), 200, 3, "", nil},
		{"GET", "/fhir/CarePlan?category=assess-plan&status=active", 200, 1, "", nil},
		{"GET", "/fhir/EpisodeOfCare?status=onhold", 200, 1, "", nil},
		{"GET", "/fhir/DetectedIssue?code=egfr", 200, 1, "", nil},

		// People.
		{"GET", "/fhir/Patient?identifier=" + escaped("urn:oid:1.2.36.146.595.217.0.1|SYN-0b0c3f0e"), 200, 1, "", nil},
		{"GET", "/fhir/Patient?identifier=SYN-0b0c3f0e", 200, 1, "", nil},
		{"GET", "/fhir/Patient?identifier=" + escaped("urn:other|SYN-0b0c3f0e"), 200, 0, "", nil},
		{"GET", "/fhir/Patient?family=MAR", 200, 1, "Marchetti", nil},
		{"GET", "/fhir/Patient?given=zoe", 200, 1, "", nil},
		{"GET", "/fhir/Patient?given=ZO%C3%8B&given=maria", 200, 1, "", nil},
		{"GET", "/fhir/Patient?name=ma", 200, 2, "", nil},
		{"GET", "/fhir/Patient?name=rchetti", 200, 0, "", nil},
		{"GET", "/fhir/Patient?family:exact=Marchetti", 200, 1, "", nil},
		{"GET", "/fhir/Patient?family:exact=marchetti", 200, 0, "", nil},
		{"GET", "/fhir/Patient?family:contains=CHET", 200, 1, "", nil},
		{"GET", "/fhir/Patient?family:contains=%25", 200, 0, "", nil},
		{"GET", "/fhir/Patient?birthdate=1981", 200, 1, "", nil},
		{"GET", "/fhir/Patient?birthdate=lt1980-01-01&gender=male", 200, 1, "", nil},
		{"GET", "/fhir/Patient?_id=" + candidateA + "," + candidateB, 200, 2, "", nil},
		{"GET", "/fhir/Patient?_id=" + candidateA + "&_id=" + candidateB, 200, 0, "", nil},
		{"GET", "/fhir/Patient?_id=not%20an%20id", 400, -1, "search parameter _id", nil},

		// Dates.
		{"GET", obs + "?date=2026-02-03&patient=" + candidateA, 200, 1, "", nil},
		{"GET", obs + "?date=2026-02-04&patient=" + candidateA, 200, 2, "", nil},
		{"GET", obs + "?date=2026-02-03T23:30:00-05:00&patient=" + candidateA, 200, 2, "", nil},
		{"GET", obs + "?date=ge2026-02-07T07:00:00+01:00&date=lt2026-02-08&patient=" + candidateA, 200, 2, "", nil},
		{"GET", obs + "?date=ge2026-02-06&date=lt2026-02-08&patient=" + candidateA, 200, 4, "", nil},
		{"GET", obs + "?date=2026-02-03,2026-02-06,2026-02-09&patient=" + candidateA, 200, 5, "", nil},
		{"GET", obs + "?date=lt2026-02-04,gt2026-02-08&patient=" + candidateA, 200, 3, "", nil},
		{"GET", obs + "?date=ne2026-02&patient=" + candidateA, 200, 0, "", nil},
		{"GET", obs + "?date=2026-02-31", 400, -1, "search parameter date", nil},
		{"GET", obs + "?date=xx2026-02", 400, -1, "search parameter date", nil},
		{"GET", obs + "?date=tomorrow", 400, -1, "search parameter date", nil},
		{"GET", obs + "?date:end=2026", 400, -1, "search parameter date:end", nil},
		{"GET", obs + "?date=" + strings.Repeat("ne2026-02-03T10:00:00Z,", 60) + "2026", 200, 19, "", nil},
		{"GET", obs + "?_lastUpdated=" + days(17), 200, 19, "", nil},
		{"GET", "/fhir/EpisodeOfCare?date=ge2027&status=active", 200, 1, "", nil},
		{"GET", "/fhir/EpisodeOfCare?date=2026", 200, 0, "", nil},
		{"GET", "/fhir/CarePlan?date=sa2026-03-01", 200, 2, "", nil},
		{"GET", "/fhir/CarePlan?date=eb2030", 200, 0, "", nil},
		{"GET", "/fhir/DetectedIssue?identified=gt2026-02-03T12:00:00Z", 200, 3, "", nil},
		{"GET", obs + "?date:missing=true", 200, 0, "", nil},
		{"GET", "/fhir/DetectedIssue?identified=2026-02-03", 200, 2, "", nil},
		{"GET", obs + "?_lastUpdated=2026-03-02", 200, 19, "", nil},
		{"GET", obs + "?_lastUpdated=ne2026-03-02", 200, 0, "", nil},
		{"GET", obs + "?_lastUpdated=ne2026-01-01", 200, 19, "", nil},
		{"GET", obs + "?_lastUpdated=2026-03-02T09:30:00.123Z", 200, 19, "", nil},
		{"GET", obs + "?_lastUpdated=gt2026-03-02T09:30:00.123Z", 200, 0, "", nil},
		{"GET", obs + "?_lastUpdated=gt2026-03&_lastUpdated=lt2026-03", 200, 0, "", nil},
		{"GET", obs + "?_lastUpdated=now", 400, -1, "search parameter _lastUpdated", nil},

		// Results and forms of answer.
		{"GET", obs + "?_count=0", 200, 19, "", nil},
		{"GET", obs + "?_summary=count&code=2160-0", 200, 2, "", nil},
		{"GET", obs + "?_summary=text&code=2160-0", 200, 2, "", nil},
		{"GET", obs + "?_summary=some", 400, -1, "search parameter _summary", nil},
		{"GET", obs + "?_count=-1", 400, -1, "search parameter _count", nil},
		{"GET", obs + "?_count=many", 400, -1, "search parameter _count", nil},
		{"GET", obs + "?_cursor=zzz", 400, -1, "search parameter _cursor", nil},
		{"GET", obs + "?_format=" + escaped("application/fhir+json"), 200, 19, "", nil},
		{"GET", obs + "?_format=application/fhir+json", 200, 19, "", nil},
		{"GET", obs + "?_format=ttl", 406, -1, "not-supported", nil},
		{"GET", obs + "?code=%zz", 400, -1, "invalid", nil},
		{"GET", obs + "?code=%ff", 400, -1, "invalid", nil},
		{"GET", obs + "?code=a%00b", 400, -1, "invalid", nil},
		{"GET", obs + "?code=" + strings.Repeat("a,", 300) + "a", 400, -1, "too-costly", nil},
		{"GET", obs + "?foo=1", 200, 19, "", nil},
		{"GET", obs + "?foo=1", 200, 19, "", []string{"Prefer", "return=minimal, handling=lenient"}},
		{"GET", obs + "?foo=1", 400, -1, "search parameter foo", []string{"Prefer", "return=minimal; handling=strict"}},
		{"GET", obs + "?Jane%20Roe%3F=1", 400, -1, "search parameter (unnamed)", []string{"Prefer", "handling=strict"}},
	} {
		w := ask(e, c.method, c.target, "", c.headers...)
		name := c.method + " " + c.target
		if w.Code != c.status {
			t.Errorf("%s: status %d, want %d: %.300s", name, w.Code, c.status, w.Body)
			continue
		}
		if got := w.Header().Get("Content-Type"); got != contentType {
			t.Errorf("%s: content type %q", name, got)
		}
		if got := w.Header(); got.Get("Cache-Control") != "private, no-cache" || !slices.Equal(got.Values("Vary"), []string{"Authorization, Accept"}) {
			t.Errorf("%s: caching %q, varies by %q", name, got.Get("Cache-Control"), got.Values("Vary"))
		}
		if c.method != "HEAD" && !json.Valid(w.Body.Bytes()) {
			t.Errorf("%s: not JSON: %s", name, w.Body)
		}
		if !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%s: no %q in %s", name, c.says, w.Body)
		}
		if c.status >= 400 && !strings.Contains(w.Body.String(), `"resourceType":"OperationOutcome"`) {
			t.Errorf("%s: no OperationOutcome: %s", name, w.Body)
		}
		if c.status == 405 && w.Header().Get("Allow") == "" {
			t.Errorf("%s: no Allow", name)
		}
		if c.total >= 0 {
			if set := readSet(t, w); set.Total != c.total {
				t.Errorf("%s: total %d, want %d", name, set.Total, c.total)
			}
		}
		if strings.Contains(w.Body.String(), recipientMark) || strings.Contains(w.Body.String(), pathMark) {
			t.Errorf("%s: the recipient is in the answer", name)
		}
	}
}

// days are as many separate days.
func days(n int) string {
	var list []string
	for i := range n {
		list = append(list, testNow.AddDate(0, 0, 2*i).Format(time.DateOnly))
	}
	return strings.Join(list, ",")
}

func TestAllowNamesWhatIsServed(t *testing.T) {
	e := testServer(seeded(t))
	for target, want := range map[string]string{
		"/fhir/Patient": "GET, HEAD", "/fhir/Patient/1": "GET, HEAD", "/fhir/Patient/_search": "POST", "/fhir/metadata": "GET, HEAD",
	} {
		if got := ask(e, "DELETE", target, "").Header().Get("Allow"); got != want {
			t.Errorf("%s: Allow %q, want %q", target, got, want)
		}
	}
}

func TestSearchByForm(t *testing.T) {
	e := testServer(seeded(t))
	form := []string{"Content-Type", "application/x-www-form-urlencoded; charset=utf-8"}
	w := ask(e, "POST", "/fhir/Observation/_search?status=final", "patient="+candidateA+"&code=2160-0", form...)
	set := readSet(t, w)
	if w.Code != 200 || set.Total != 1 || set.link("self") != testBase+"/Observation?status=final&patient="+candidateA+"&code=2160-0&_count=50" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if set.Entry[0].FullURL != testBase+"/Observation/a0000000-0000-4000-8000-000000000001" {
		t.Errorf("fullUrl %s", set.Entry[0].FullURL)
	}
	for name, c := range map[string]struct {
		status  int
		body    string
		headers []string
	}{
		"json":      {415, `{"patient":"1"}`, []string{"Content-Type", "application/json"}},
		"no type":   {415, "patient=1", nil},
		"too large": {413, "code=" + strings.Repeat("a", maxForm), form},
		"bad":       {400, "code=%zz", form},
		"xml":       {406, "code=1", append(slices.Clone(form), "Accept", "text/xml")},
	} {
		if w := ask(e, "POST", "/fhir/Observation/_search", c.body, c.headers...); w.Code != c.status || !strings.Contains(w.Body.String(), "OperationOutcome") {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
	}
	if w := ask(e, "POST", "/fhir/Immunization/_search", "", form...); w.Code != 404 {
		t.Errorf("unknown type: %d", w.Code)
	}
}

func TestPagesOfASearchByFormNameNobody(t *testing.T) {
	store := testStore(t)
	var want []string
	for i := range 7 {
		s := own(testSnapshot(fmt.Sprintf("5%07d-6f3e-4a56-9a51-3f6f3c1d7a01", i)), "c")
		s.Results = nil
		s.Referral.Identity.Identifier.Value = s.Candidate
		if i == 3 {
			s.Referral.Identity.Family = "Marchetti"
		} else {
			want = append(want, s.Candidate)
		}
		commit(t, store, s, 1, mustPublish(t, s))
	}
	e := testServer(store)
	form := "name=o%27brien&birthdate=1981-06-30&gender=female&identifier=urn:oid:1.2.36.146.595.217.0.1%7C&_count=2"
	w := ask(e, "POST", "/fhir/Patient/_search?_format=json", form, "Content-Type", "application/x-www-form-urlencoded")
	if got := readSet(t, w).link("self"); got != testBase+"/Patient?_format=json&gender=female&_count=2" {
		t.Errorf("self %s", got)
	}
	var got []string
	for pages := 1; ; pages++ {
		set := readSet(t, w)
		if set.Total != len(want) {
			t.Errorf("page %d: total %d", pages, set.Total)
		}
		for _, entry := range set.Entry {
			got = append(got, entry.Resource.ID)
		}
		for _, l := range set.Link {
			for _, word := range []string{"brien", "1981", "urn", "name", "birth", "identifier"} {
				if strings.Contains(strings.ToLower(l.URL), word) {
					t.Errorf("the %s link of page %d holds %q: %s", l.Relation, pages, word, l.URL)
				}
			}
		}
		next := set.link("next")
		if next == "" {
			break
		}
		if !strings.HasPrefix(next, testBase+"/Patient?_cursor=") || strings.Contains(next, "&") {
			t.Errorf("next %s", next)
		}
		w = ask(e, "GET", strings.TrimPrefix(next, "https://programme.example"), "", "Prefer", "handling=strict")
		if self := readSet(t, w).link("self"); self != next {
			t.Errorf("asked for %s, got %s", next, self)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}

	for name, c := range map[string]struct{ typ, cursor string }{
		"of another type":    {"Patient", "2:Observation/x?code=1"},
		"with a cursor":      {"Patient", "2:Patient/x?_cursor=MTp4"},
		"without an id":      {"Patient", "2:Patient/?name=x"},
		"wrongly encoded":    {"Patient", "2:Patient/x?name=%zz"},
		"of another version": {"Patient", "3:Patient/x?name=x"},
	} {
		if w := ask(e, "GET", "/fhir/"+c.typ+"?_cursor="+encodeCursor(c.cursor), ""); w.Code != 400 || !strings.Contains(w.Body.String(), "search parameter _cursor") {
			t.Errorf("a cursor %s: %d %s", name, w.Code, w.Body)
		}
	}
}

func TestSelfLinkHoldsOnlyWhatTookPart(t *testing.T) {
	e := testServer(seeded(t))
	w := ask(e, "GET", "/fhir/Observation?_sort=-date&code=http://loinc.org|2160-0&foo=bar&_count=500&_summary=text", "")
	if got, want := readSet(t, w).link("self"), testBase+"/Observation?_sort=-date&code=http%3A%2F%2Floinc.org%7C2160-0&_summary=text&_count=200"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestConditionalRead(t *testing.T) {
	store := testStore(t)
	s := testSnapshot(candidateA)
	commit(t, store, s, 1, mustPublish(t, s))
	s.State.Stage = "committee"
	s.Referral.Identity.Family = "Marchetti"
	commit(t, store, s, 2, mustPublish(t, s))
	e := testServer(store)
	target := "/fhir/Patient/" + candidateA
	w := ask(e, "GET", target, "")
	if w.Header().Get("ETag") != `W/"2"` || w.Header().Get("Last-Modified") != "Mon, 02 Mar 2026 09:30:00 GMT" {
		t.Errorf("headers %v", w.Header())
	}
	for _, c := range []struct {
		status  int
		headers []string
	}{
		{304, []string{"If-None-Match", `W/"2"`}},
		{304, []string{"If-None-Match", `"2"`}},
		{304, []string{"If-None-Match", `W/"1", W/"2"`}},
		{304, []string{"If-None-Match", `*`}},
		{200, []string{"If-None-Match", `W/"1"`}},
		{200, []string{"If-None-Match", `W/"1"`, "If-Modified-Since", "Tue, 03 Mar 2026 00:00:00 GMT"}},
		{304, []string{"If-Modified-Since", "Mon, 02 Mar 2026 09:30:00 GMT"}},
		{200, []string{"If-Modified-Since", "Mon, 02 Mar 2026 09:29:59 GMT"}},
		{200, []string{"If-Modified-Since", "yesterday"}},
	} {
		w := ask(e, "GET", target, "", c.headers...)
		if w.Code != c.status {
			t.Errorf("%v: %d", c.headers, w.Code)
		}
		if w.Header().Get("Cache-Control") != "private, no-cache" || w.Header().Get("Vary") != "Authorization, Accept" {
			t.Errorf("%v: headers %v", c.headers, w.Header())
		}
		if w.Code == 304 && (w.Body.Len() > 0 || w.Header().Get("ETag") != `W/"2"`) {
			t.Errorf("%v: body %q, ETag %q", c.headers, w.Body, w.Header().Get("ETag"))
		}
	}
	old := ask(e, "GET", target+"/_history/1", "")
	if old.Code != 200 || old.Header().Get("ETag") != `W/"1"` || !strings.Contains(old.Body.String(), "O'Brien & Søn") {
		t.Errorf("version 1: %d %s", old.Code, old.Body)
	}
}

func TestPagingWhileRowsAreInserted(t *testing.T) {
	store := testStore(t)
	insert := func(prefix string, n int) []string {
		var ids []string
		for i := range n {
			s := own(testSnapshot(fmt.Sprintf("%s%07d-6f3e-4a56-9a51-3f6f3c1d7a01", prefix, i)), "c")
			s.Results = nil
			s.Referral.Identity.Identifier.Value = s.Candidate
			commit(t, store, s, 1, mustPublish(t, s))
			ids = append(ids, s.Candidate)
		}
		return ids
	}
	want := insert("5", 7)
	e := testServer(store)
	target := "/fhir/Patient?gender=female&_count=3"
	var got []string
	for round := 0; target != ""; round++ {
		w := ask(e, "GET", target, "")
		set := readSet(t, w)
		if set.Total != 7+2*round {
			t.Errorf("page %d: total %d", round, set.Total)
		}
		for _, entry := range set.Entry {
			got = append(got, entry.Resource.ID)
		}
		if round < 2 { // one row before the cursor and one after everything
			insert(fmt.Sprint(round), 1)
			want = append(want, insert(fmt.Sprint(round+6), 1)...)
		}
		target = strings.TrimPrefix(set.link("next"), "https://programme.example")
	}
	if !slices.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
}

func TestPagesOfSeveralPatientsKeepTheOrder(t *testing.T) {
	e := testServer(seeded(t))
	target := "/fhir/Observation?patient=" + candidateB + "," + candidateA + "&_lastUpdated=ne2026-01-01&_count=4"
	var got []string
	for target != "" {
		set := readSet(t, ask(e, "GET", target, ""))
		if set.Total != 19 {
			t.Errorf("total %d", set.Total)
		}
		for _, entry := range set.Entry {
			got = append(got, entry.Resource.ID)
		}
		target = strings.TrimPrefix(set.link("next"), "https://programme.example")
	}
	if len(got) != 19 || !slices.IsSorted(got) || len(slices.Compact(slices.Clone(got))) != 19 {
		t.Errorf("got %v", got)
	}
}

// broken fails in the way it is told to.
type broken struct {
	Reader
	panics bool
}

func (b broken) Resource(context.Context, string, string) (record.Published, error) {
	if b.panics {
		panic("secret of the database")
	}
	return record.Published{}, errors.New("secret of the database")
}

func TestInternalErrorsStayInternal(t *testing.T) {
	for _, panics := range []bool{false, true} {
		var reported error
		e := echo.New()
		Register(e.Group("/fhir"), broken{panics: panics}, Options{Report: func(_ *http.Request, err error) { reported = err }})
		w := ask(e, "GET", "/fhir/Patient/1", "")
		if w.Code != 500 || !strings.Contains(w.Body.String(), `"code":"exception"`) || strings.Contains(w.Body.String(), "secret") {
			t.Errorf("%d %s", w.Code, w.Body)
		}
		want := "secret of the database"
		if panics { // with what, nobody is told
			want = "panic of type string"
		}
		if reported == nil || reported.Error() != want {
			t.Errorf("reported %v", reported)
		}
	}
}

func TestWriteOutcome(t *testing.T) {
	e := echo.New()
	e.GET("/", func(c echo.Context) error { return WriteOutcome(c, 401, "login", "sign in <first>") })
	w := ask(e, "GET", "/", "")
	want := `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"login","diagnostics":"sign in <first>"}]}`
	if w.Code != 401 || w.Body.String() != want || w.Header().Get("Content-Type") != contentType {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestDefaultBase(t *testing.T) {
	e := echo.New()
	Register(e.Group("/fhir"), seeded(t), Options{})
	w := ask(e, "GET", "/fhir/Patient?_count=0", "")
	if got := readSet(t, w).link("self"); got != "http://example.com/fhir/Patient?_count=0" {
		t.Error(got)
	}
}
