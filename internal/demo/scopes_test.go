package demo_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"github.com/labstack/echo/v4"

	"candidacy/fhir"
	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/smart"
)

const scopesHeader = "X-Scopes"

// scoped serves the demonstration through FHIR to a client whose scopes are in a
// header, with the access log in front, as the program does.
func scoped(t *testing.T) (*record.Store, *echo.Echo) {
	t.Helper()
	store := loaded(t).Store
	e := echo.New()
	log := audit.Requests(audit.Options{
		Log: store, ContentType: "application/fhir+json",
		Who: func(c echo.Context) audit.Who {
			return audit.Who{Actor: "client-of-the-test", Role: journey.EHR}
		},
		What: func(c echo.Context) (code, typ, id string, skip bool) {
			code, typ, id = fhir.Interaction(c.Request().Method, strings.TrimPrefix(c.Request().URL.Path, "/fhir"))
			return code, typ, id, false
		},
		Report: func(_ *http.Request, err error) { t.Error(err) },
	})
	fhir.Register(e.Group("/fhir", log), store, fhir.Options{
		BaseURL: func(*http.Request) string { return "https://candidacy.example/fhir" }, AccessLog: store,
		Report: func(_ *http.Request, err error) { t.Error(err) },
		Grant: func(r *http.Request) fhir.Grant {
			return smart.GrantOf(record.Bearer{Role: journey.EHR, Scopes: r.Header.Get(scopesHeader)})
		},
	})
	return store, e
}

func askScoped(e *echo.Echo, method, path, scopes string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, "/fhir"+path, nil)
	if method == http.MethodPost {
		r.Header.Set(echo.HeaderContentType, echo.MIMEApplicationForm)
	}
	r.Header.Set(scopesHeader, scopes)
	w := httptest.NewRecorder()
	e.ServeHTTP(w, r)
	return w
}

// lastAccess is the newest row of the access log.
func lastAccess(t *testing.T, store *record.Store) record.Access {
	t.Helper()
	rows, err := store.Accesses(t.Context(), record.AccessQuery{Limit: 1})
	if err != nil || len(rows) == 0 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	return rows[0]
}

// TestScopesOfEveryTypeAndInteraction asks for one resource of every published type
// in every way with every kind of scope. What each interaction needs: SMART App
// Launch 2.2, r for read, vread and history, s for search. Each answer has its row
// in the access log, with whom it told of.
func TestScopesOfEveryTypeAndInteraction(t *testing.T) {
	store, e := scoped(t)
	first := map[string]record.Published{}
	if err := store.EachResource(t.Context(), func(p record.Published) error {
		if _, ok := first[p.Type]; !ok && (p.Candidate != "" || p.Type == "Questionnaire" || p.Type == "Organization" || p.Type == "Device") {
			first[p.Type] = p
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	interactions := []struct {
		code, method string
		path         func(record.Published) string
		needs        string
	}{
		{"read", "GET", func(p record.Published) string { return "/" + p.Type + "/" + p.ID }, "r"},
		{"read", "HEAD", func(p record.Published) string { return "/" + p.Type + "/" + p.ID }, "r"},
		{"vread", "GET", func(p record.Published) string { return fmt.Sprintf("/%s/%s/_history/%d", p.Type, p.ID, p.Version) }, "r"},
		{"history-instance", "GET", func(p record.Published) string { return "/" + p.Type + "/" + p.ID + "/_history" }, "r"},
		{"history-type", "GET", func(p record.Published) string { return "/" + p.Type + "/_history?_count=1" }, "r"},
		{"search-type", "GET", func(p record.Published) string { return "/" + p.Type + "?_id=" + p.ID }, "s"},
		{"search-type", "POST", func(p record.Published) string { return "/" + p.Type + "/_search?_id=" + p.ID }, "s"},
	}
	scopes := []struct{ scope, letters string }{
		{"system/TYPE.r", "r"}, {"system/TYPE.s", "s"}, {"system/TYPE.rs", "rs"}, {"system/TYPE.read", "rs"}, {"system/TYPE.cruds", "rs"},
		{"system/TYPE.*", "rs"}, {"system/TYPE.cud", ""}, {"system/TYPE.write", ""}, {"system/Basic.rs", ""}, {"system/Basic.rs system/TYPE.s", "s"},
		{"system/*.r", "r"}, {"system/*.s", "s"}, {"system/*.rs", "rs"}, {"system/*.read", "rs"}, {"system/*.*", "rs"}, {"system/*.cu", ""},
	}
	var statement struct {
		Rest []struct {
			Resource []struct {
				Type        string
				Interaction []struct{ Code string }
			}
		}
	}
	if err := json.Unmarshal(askScoped(e, "GET", "/metadata", "").Body.Bytes(), &statement); err != nil {
		t.Fatal(err)
	}
	cells := 0
	for _, declared := range statement.Rest[0].Resource {
		p, ok := first[declared.Type]
		if !ok {
			continue // not in the demonstration, or made otherwise: AuditEvent, Group
		}
		for _, i := range interactions {
			if !slices.ContainsFunc(declared.Interaction, func(d struct{ Code string }) bool { return d.Code == i.code }) {
				t.Errorf("%s does not declare %s", p.Type, i.code)
			}
			for _, s := range scopes {
				scope := strings.ReplaceAll(s.scope, "TYPE", p.Type)
				w := askScoped(e, i.method, i.path(p), scope)
				want := http.StatusForbidden
				if strings.Contains(s.letters, i.needs) {
					want = http.StatusOK
				}
				cells++
				if w.Code != want {
					t.Errorf("%s %s with %s: %d, want %d: %s", i.method, i.path(p), scope, w.Code, want, w.Body)
					continue
				}
				if body := w.Body.String(); want == http.StatusForbidden && i.method != "HEAD" && (!strings.Contains(body, `"OperationOutcome"`) || strings.Contains(body, p.ID)) {
					t.Errorf("%s with %s is refused with %s", i.path(p), scope, body)
				}
				row := lastAccess(t, store)
				if row.Interaction != i.code || row.Type != p.Type || row.Status != want || row.Actor != "client-of-the-test" || row.Request != w.Header().Get(echo.HeaderXRequestID) {
					t.Errorf("%s %s is logged as %+v", i.method, i.path(p), row)
				}
				told := slices.Contains(row.Candidates, p.Candidate)
				if want == http.StatusOK && p.Candidate != "" && i.code != "history-type" && !told {
					t.Errorf("%s told of %s, and is logged as %+v", i.path(p), p.Candidate, row)
				}
				if want == http.StatusForbidden && len(row.Candidates) > 0 {
					t.Errorf("a refusal told of somebody: %+v", row)
				}
			}
		}
	}
	t.Logf("%d types, %d requests", len(first), cells)
	if len(first) < 15 || cells < 15*len(interactions)*len(scopes) {
		t.Errorf("only %d types and %d requests were tried", len(first), cells)
	}
	if _, err := store.Verify(t.Context()); err != nil {
		t.Error(err)
	}
}

type searchset struct {
	Entry []struct {
		Resource struct {
			ResourceType string `json:"resourceType"`
			Category     []struct{ Coding []struct{ Code string } }
		}
		Search struct{ Mode string }
	}
}

func typesIn(t *testing.T, w *httptest.ResponseRecorder) map[string]int {
	t.Helper()
	var found searchset
	if err := json.Unmarshal(w.Body.Bytes(), &found); err != nil || w.Code != http.StatusOK {
		t.Fatalf("%d %v: %s", w.Code, err, w.Body)
	}
	types := map[string]int{}
	for _, e := range found.Entry {
		types[e.Resource.ResourceType]++
	}
	return types
}

// What comes along with an answer is granted like what was asked for.
func TestScopesOfWhatComesAlong(t *testing.T) {
	store, e := scoped(t)
	candidate := ""
	if err := store.EachResource(t.Context(), func(p record.Published) error {
		if p.Type == "RiskAssessment" || candidate == "" && p.Type == "CarePlan" {
			candidate = p.Candidate
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	include := "/CarePlan?patient=" + candidate + "&_include=CarePlan:patient&_revinclude=Observation:based-on"
	if types := typesIn(t, askScoped(e, "GET", include, "system/CarePlan.rs")); types["CarePlan"] == 0 || len(types) != 1 {
		t.Errorf("included are %v", types)
	}
	if types := typesIn(t, askScoped(e, "GET", include, "system/CarePlan.rs system/Patient.r")); types["Patient"] != 1 {
		t.Errorf("included are %v", types)
	}
	everything := "/Patient/" + candidate + "/$everything?_count=200"
	for scopes, want := range map[string][]string{
		"system/Patient.rs": {"Patient"}, "system/Patient.rs system/EpisodeOfCare.rs system/Observation.r": {"EpisodeOfCare", "Patient"},
	} {
		types := typesIn(t, askScoped(e, "GET", everything, scopes))
		var got []string
		for typ := range types {
			got = append(got, typ)
		}
		slices.Sort(got)
		if !slices.Equal(got, want) {
			t.Errorf("everything with %s is %v", scopes, types)
		}
	}
	all := typesIn(t, askScoped(e, "GET", everything, "system/*.rs"))
	if len(all) < 8 || all["AuditEvent"] > 0 {
		t.Errorf("everything is %v", all)
	}
	if row := lastAccess(t, store); row.Interaction != "$everything" || row.ID != candidate || !slices.Contains(row.Candidates, candidate) {
		t.Errorf("logged as %+v", row)
	}
	if w := askScoped(e, "GET", everything, "system/Patient.r"); w.Code != http.StatusForbidden {
		t.Errorf("everything without searching: %d", w.Code)
	}
	// A scope that is narrowed shows what lies within, and nothing else.
	narrowed := "system/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|vital-signs"
	var found searchset
	w := askScoped(e, "GET", "/Observation?_count=200", narrowed)
	if err := json.Unmarshal(w.Body.Bytes(), &found); err != nil || len(found.Entry) == 0 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	for _, each := range found.Entry {
		if each.Resource.Category[0].Coding[0].Code != "vital-signs" {
			t.Errorf("outside of the scope: %+v", each.Resource)
		}
	}
}

// The audit trail is for those who are granted it by name.
func TestScopesOfTheAuditTrail(t *testing.T) {
	store, e := scoped(t)
	askScoped(e, "GET", "/Patient?name=Quokka&gender=female", "system/*.rs")
	row := lastAccess(t, store)
	read := fmt.Sprintf("/AuditEvent/%d", row.Seq)
	for scopes, want := range map[string][2]int{ // read, search
		"system/AuditEvent.rs": {200, 200}, "system/AuditEvent.r": {200, 403}, "system/AuditEvent.s": {403, 200}, "system/AuditEvent.read": {200, 200},
		"system/*.rs": {403, 403}, "system/*.*": {403, 403}, "": {403, 403}, "system/Patient.rs": {403, 403}, "system/AuditEvent.cud": {403, 403},
	} {
		for i, path := range []string{read, "/AuditEvent?_id=" + fmt.Sprint(row.Seq)} {
			w := askScoped(e, "GET", path, scopes)
			if w.Code != want[i] {
				t.Errorf("%s with %q: %d, want %d", path, scopes, w.Code, want[i])
			}
			if strings.Contains(w.Body.String(), "Quokka") {
				t.Errorf("the trail holds a value: %s", w.Body)
			}
		}
	}
	for _, c := range []struct {
		method, path string
		status       int
		allow        string
	}{
		{"PUT", read, 405, "GET, HEAD"}, {"DELETE", read, 405, "GET, HEAD"}, {"POST", "/AuditEvent", 405, "GET, HEAD"}, {"GET", "/AuditEvent/_search", 405, "POST"},
		{"GET", "/AuditEvent/0", 404, ""}, {"GET", "/AuditEvent/nobody", 404, ""}, {"GET", "/AuditEvent/007", 404, ""}, {"GET", read + "/_history", 404, ""},
	} {
		if w := askScoped(e, c.method, c.path, "system/AuditEvent.rs"); w.Code != c.status || w.Header().Get("Allow") != c.allow {
			t.Errorf("%s %s: %d %q", c.method, c.path, w.Code, w.Header().Get("Allow"))
		}
	}
}
