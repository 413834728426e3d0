package incoming_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"candidacy/fhir"
	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// TestOneObservationThroughFHIR goes through what a client does with one result.
// Status codes and headers: HL7 FHIR R4, RESTful API.
func TestOneObservationThroughFHIR(t *testing.T) {
	p, id := candidate(t), unique()
	w := ask(t, server, "POST", "/Observation", observation(p, id, nil))
	own := result.IDOf(result.Identifier{System: lab, Value: id})
	if w.Code != 201 || w.Header().Get("Location") != base+"/Observation/"+own+"/_history/1" || w.Header().Get("ETag") != `W/"1"` || w.Header().Get("Last-Modified") == "" {
		t.Fatalf("created with %d %v %s", w.Code, w.Header(), w.Body)
	}
	if !strings.Contains(w.Body.String(), `"value":0.90`) || !strings.Contains(w.Body.String(), `"Patient/`+p.id+`"`) {
		t.Errorf("the representation is %s", w.Body)
	}
	before := entries(t, p)
	// The same again is no second result, and no new version.
	if w = ask(t, server, "POST", "/Observation", observation(p, id, nil)); w.Code != 200 || w.Header().Get("ETag") != `W/"1"` {
		t.Errorf("the same again: %d %v", w.Code, w.Header())
	}
	if entries(t, p) != before {
		t.Error("the same again made an entry")
	}
	corrected := object{"status": "corrected", "issued": "2026-03-03T10:00:00+01:00", "valueQuantity": quantity("0.95"), "id": own}
	// An update names the version that it replaces.
	for _, tt := range []struct {
		match  string
		status int
		code   string
	}{{"", 428, "required"}, {`W/"7"`, 412, "conflict"}, {`W/"x"`, 412, "conflict"}, {"7", 412, "conflict"}} {
		w = ask(t, server, "PUT", "/Observation/"+own, observation(p, id, corrected), "If-Match", tt.match)
		if w.Code != tt.status || issues(t, w)[0].Code != tt.code {
			t.Errorf("If-Match %s: %d %s", tt.match, w.Code, w.Body)
		}
	}
	w = ask(t, server, "PUT", "/Observation/"+own, observation(p, id, corrected), "If-Match", `W/"1"`, "Prefer", "return=minimal")
	if w.Code != 200 || w.Header().Get("ETag") != `W/"2"` || w.Body.Len() != 0 || w.Header().Get("Location") != "" {
		t.Errorf("updated with %d %v %s", w.Code, w.Header(), w.Body)
	}
	if r := results(t, p)[id]; r.Status != result.Corrected || r.Version != 2 || r.Value.Quantity.Value != "0.95" {
		t.Errorf("the result is %+v", r)
	}
	// By its identifier an update needs to know no version.
	amended := object{"status": "amended", "issued": "2026-03-04T10:00:00+01:00"}
	where := "/Observation?identifier=" + lab + "%7C" + id
	w = ask(t, server, "PUT", where, observation(p, id, amended), "Prefer", "return=OperationOutcome")
	if w.Code != 200 || w.Header().Get("ETag") != `W/"3"` || issues(t, w)[0].Severity != "information" {
		t.Errorf("updated where: %d %s", w.Code, w.Body)
	}
	// And creates what is not there.
	other := unique()
	w = ask(t, server, "PUT", "/Observation?identifier="+lab+"%7C"+other, observation(p, other, nil))
	if w.Code != 201 {
		t.Errorf("created by an update: %d %s", w.Code, w.Body)
	}
	// A conditional create leaves alone what is there, whatever it says now.
	w = ask(t, server, "POST", "/Observation", observation(p, other, object{"valueQuantity": quantity("4.2"), "issued": "2026-03-05T10:00:00+01:00"}), "If-None-Exist", "identifier="+lab+"|"+other)
	if w.Code != 200 || results(t, p)[other].Version != 1 || w.Header().Get("ETag") != `W/"1"` {
		t.Errorf("created again: %d %s", w.Code, w.Body)
	}
	third := unique()
	if w = ask(t, server, "POST", "/Observation", observation(p, third, nil), "If-None-Exist", "identifier="+lab+"|"+third); w.Code != 201 {
		t.Errorf("created where none was: %d %s", w.Code, w.Body)
	}
	// An older report is kept beside the newer one.
	w = ask(t, server, "POST", "/Observation", observation(p, id, object{"issued": "2026-03-02T11:00:00+01:00", "valueQuantity": quantity("0.91")}), "Prefer", "return=OperationOutcome")
	if w.Code != 200 || !strings.Contains(issues(t, w)[0].Diagnostics, "newer report") || w.Header().Get("ETag") != `W/"3"` {
		t.Errorf("an older report: %d %s", w.Code, w.Body)
	}
	late, err := sys.Store.OutdatedReports(t.Context(), own)
	if err != nil || len(late) != 1 || late[0].Body.Value.Quantity.Value != "0.91" {
		t.Errorf("kept beside it are %+v, %v", late, err)
	}
	// What was published stays readable.
	w = httptest.NewRecorder()
	server.ServeHTTP(w, httptest.NewRequest("GET", "/fhir/Observation/"+own+"/_history/1", nil))
	if w.Code != 200 || !strings.Contains(w.Body.String(), `"value":0.90`) {
		t.Errorf("the first version is %d %s", w.Code, w.Body)
	}
}

func TestTransaction(t *testing.T) {
	p := candidate(t)
	a, b, c := unique(), unique(), unique()
	patient := object{
		"resourceType": "Patient", "identifier": []any{object{"system": hospital, "value": p.mrn}},
		"name": []any{object{"family": "Testwick Ode", "given": []any{"Bryn"}}}, "birthDate": "1981-05-06", "gender": "female",
	}
	subject := object{"subject": object{"reference": "urn:uuid:11111111-1111-4111-8111-111111111111"}}
	report := object{
		"resourceType": "DiagnosticReport", "status": "final", "identifier": []any{object{"system": lab + "/report", "value": "REP-" + a}},
		"category": []any{object{"coding": []any{object{"system": "http://terminology.hl7.org/CodeSystem/v2-0074", "code": "LAB"}}}},
		"code":     object{"coding": []any{object{"system": loinc, "code": "24323-8"}}, "text": "Panel"}, "subject": subject["subject"], "issued": "2026-03-02T10:00:00+01:00",
		"result": []any{object{"reference": "urn:uuid:22222222-2222-4222-8222-222222222222"}, object{"reference": "urn:uuid:33333333-3333-4333-8333-333333333333"}},
	}
	message := bundle("transaction",
		entry("POST Patient", patient, object{"fullUrl": "urn:uuid:11111111-1111-4111-8111-111111111111", "ifNoneExist": "identifier=" + hospital + "|" + p.mrn}),
		entry("POST DiagnosticReport", report, object{"fullUrl": "urn:uuid:44444444-4444-4444-8444-444444444444"}),
		entry("PUT Observation?identifier="+lab+"|"+a, observation(p, a, subject), object{"fullUrl": "urn:uuid:22222222-2222-4222-8222-222222222222"}),
		entry("POST Observation", observation(p, b, subject), object{"fullUrl": "urn:uuid:33333333-3333-4333-8333-333333333333", "ifNoneExist": "identifier=" + lab + "|" + b}),
	)
	w := ask(t, server, "POST", "", message)
	got := responses(t, w)
	if w.Code != 200 || got.Type != "transaction-response" || len(got.Entry) != 4 {
		t.Fatalf("answered %d %s", w.Code, w.Body)
	}
	for i, want := range []string{"200 OK Patient/" + p.id, "201 Created DiagnosticReport/", "201 Created Observation/", "201 Created Observation/"} {
		r := got.Entry[i].Response
		if !strings.HasPrefix(r.Status+" "+r.Location, want) || r.Etag == "" || r.LastModified == "" {
			t.Errorf("entry %d is answered %+v, want %s", i, r, want)
		}
	}
	// The report is published, and leads to its results.
	w = httptest.NewRecorder()
	server.ServeHTTP(w, httptest.NewRequest("GET", "/fhir/"+got.Entry[1].Response.Location, nil))
	if w.Code != 200 || strings.Count(w.Body.String(), `"Observation/`) != 2 {
		t.Errorf("the report is %d %s", w.Code, w.Body)
	}
	if n := entries(t, p); n != 3 {
		t.Errorf("%d entries, want 3: one message is one command", n)
	}
	// All or nothing.
	broken := bundle("transaction",
		entry("POST Observation", observation(p, c, nil), nil),
		entry("POST Observation", observation(p, unique(), object{"valueQuantity": object{"value": 90, "system": "http://unitsofmeasure.org", "code": "umol/L"}}), nil),
	)
	w = ask(t, server, "POST", "/", broken)
	if first := issues(t, w)[0]; w.Code != 422 || first.Expression[0] != "Bundle.entry[1].resource.valueQuantity.code" || first.Code != "code-invalid" {
		t.Errorf("a broken one is answered %d %s", w.Code, w.Body)
	}
	if _, there := results(t, p)[c]; there || entries(t, p) != 3 {
		t.Error("a part of a broken transaction was recorded")
	}
	// In a batch each stands alone, in the order of the request.
	broken["type"] = "batch"
	broken["entry"] = append(broken["entry"].([]any), entry("DELETE Observation/x", nil, nil), entry("POST Observation", observation(person{mrn: "nobody"}, unique(), nil), nil))
	w = ask(t, server, "POST", "", broken, "Prefer", "return=representation")
	got = responses(t, w)
	for i, want := range []string{"201 Created", "422 Unprocessable Entity", "422 Unprocessable Entity", "202 Accepted"} {
		if got.Entry[i].Response.Status != want {
			t.Errorf("entry %d of the batch is answered %+v", i, got.Entry[i].Response)
		}
	}
	if w.Code != 200 || got.Type != "batch-response" || !strings.Contains(string(got.Entry[0].Resource), `"value":0.90`) {
		t.Errorf("the batch is answered %d %s", w.Code, w.Body)
	}
	if got.Entry[1].Response.Outcome.Issue[0].Expression[0] != "Bundle.entry[1].resource.valueQuantity.code" {
		t.Errorf("the second is answered %+v", got.Entry[1].Response)
	}
	if _, there := results(t, p)[c]; !there {
		t.Error("the good one of a batch is not on record")
	}
}

const loinc = "http://loinc.org"

// TestReportWithContainedResults: a single report brings its results along.
func TestReportWithContainedResults(t *testing.T) {
	p, a, b := candidate(t), unique(), unique()
	inside := func(id, value string) object {
		o := observation(p, value, object{"id": id, "subject": nil, "specimen": object{"reference": "#s"}})
		return o
	}
	report := object{
		"resourceType": "DiagnosticReport", "status": "preliminary", "identifier": []any{object{"system": lab + "/report", "value": "REP-" + a}},
		"code": object{"text": "Panel"}, "subject": object{"reference": "Patient/" + p.id}, "effectiveDateTime": "2026-03-02T08:00:00+01:00",
		"result":    []any{object{"reference": "#1"}, object{"reference": "#2"}},
		"contained": []any{inside("1", a), inside("2", b), object{"resourceType": "Specimen", "id": "s", "accessionIdentifier": object{"value": "ACC-7"}}},
	}
	w := ask(t, server, "POST", "/DiagnosticReport", report)
	if w.Code != 201 || !strings.Contains(w.Header().Get("Location"), "/DiagnosticReport/") {
		t.Fatalf("answered %d %s", w.Code, w.Body)
	}
	all := results(t, p)
	if all[a].Specimen != "ACC-7" || all[b].Report == nil || all[b].Report.Identifier.Value != "REP-"+a || all[b].Report.Status != "preliminary" {
		t.Errorf("the results are %+v", all)
	}
	// The report alone becomes a finding.
	report = object{
		"resourceType": "DiagnosticReport", "status": "final", "identifier": []any{object{"system": lab + "/report", "value": "CT-" + a}},
		"category": []any{object{"coding": []any{object{"system": "http://terminology.hl7.org/CodeSystem/v2-0074", "code": "RAD"}}}},
		"code":     object{"coding": []any{object{"system": loinc, "code": "79103-8"}}}, "subject": object{"reference": base + "/Patient/" + p.id},
		"effectiveDateTime": "2026-03-02", "conclusion": "One artery on each side.",
	}
	if w = ask(t, server, "PUT", "/DiagnosticReport?identifier="+lab+"/report%7CCT-"+a, report); w.Code != 201 {
		t.Fatalf("answered %d %s", w.Code, w.Body)
	}
	if r := results(t, p)["CT-"+a]; r.Value.Text != "One artery on each side." || r.Category != "imaging" {
		t.Errorf("the finding is %+v", r)
	}
}

// TestTheSameTenTimesAtOnce: one version, one entry, one answer that says created.
func TestTheSameTenTimesAtOnce(t *testing.T) {
	p, id := candidate(t), unique()
	message := bundle("transaction", entry("POST Observation", observation(p, id, nil), nil))
	before := entries(t, p)
	var mu sync.Mutex
	seen := map[string]int{}
	var group sync.WaitGroup
	for range 10 {
		group.Go(func() {
			w := ask(t, server, "POST", "", message)
			mu.Lock()
			defer mu.Unlock()
			if w.Code != 200 {
				seen[fmt.Sprint(w.Code, w.Body)]++
				return
			}
			r := responses(t, w).Entry[0].Response
			seen[r.Status+" "+r.Etag]++
		})
	}
	group.Wait()
	if seen[`201 Created W/"1"`] != 1 || seen[`200 OK W/"1"`] != 9 {
		t.Errorf("answered %v", seen)
	}
	if n := entries(t, p) - before; n != 1 || results(t, p)[id].Version != 1 {
		t.Errorf("%d entries, version %d", n, results(t, p)[id].Version)
	}
}

// TestACorrectionChangesWhatFollows: a corrected value that crosses a threshold
// changes the flag and the requirement; the old version stays readable. A result
// that is taken back reopens the requirement.
// Threshold: the brief protocol's serum creatinine is held against the eGFR of
// 60 and 90 mL/min/1.73 m2 (KDIGO 2017).
func TestACorrectionChangesWhatFollows(t *testing.T) {
	p, id := candidate(t), unique()
	give(t, p.id, journey.AssignAdvocate, "cora", journey.Coordinator, &assignAdvocate)
	give(t, p.id, journey.RecordConsent, "cora", journey.Coordinator, &consent)
	give(t, p.id, journey.BeginEvaluation, "cora", journey.Coordinator, &plain)
	status := func() journey.Status {
		c, err := sys.Store.Candidate(t.Context(), p.id)
		if err != nil {
			t.Fatal(err)
		}
		r, _ := c.State.Find("creatinine")
		return r.Status
	}
	flag := func() string {
		w := httptest.NewRecorder()
		server.ServeHTTP(w, httptest.NewRequest("GET", "/fhir/DetectedIssue?patient="+p.id, nil))
		var set struct {
			Entry []struct {
				Resource struct {
					ID, Status, Severity string
					Meta                 struct{ VersionID string }
				}
			}
		}
		if err := json.Unmarshal(w.Body.Bytes(), &set); err != nil {
			t.Fatal(err)
		}
		for _, e := range set.Entry {
			if strings.HasSuffix(e.Resource.ID, "flag-egfr-creatinine") {
				return e.Resource.Status + " " + e.Resource.Severity
			}
		}
		return "none"
	}
	was := status()
	post := func(members object) {
		t.Helper()
		if w := ask(t, server, "POST", "/Observation", observation(p, id, members)); w.Code/100 != 2 {
			t.Fatalf("answered %d %s", w.Code, w.Body)
		}
	}
	post(nil)
	good := flag()
	if status() == was {
		t.Fatalf("the requirement stays %s", was)
	}
	post(object{"status": "corrected", "issued": "2026-03-03T10:00:00+01:00", "valueQuantity": quantity("2.40")})
	if bad := flag(); bad == good || !strings.Contains(bad, "high") {
		t.Errorf("the flag was %s and is %s", good, bad)
	}
	post(object{"status": "entered-in-error", "issued": "2026-03-04T10:00:00+01:00", "valueQuantity": nil})
	if got := status(); got != was {
		t.Errorf("the requirement is %s once the result is taken back, and was %s", got, was)
	}
	own := result.IDOf(result.Identifier{System: lab, Value: id})
	for version, want := range map[int]string{1: `"value":0.90`, 2: `"value":2.40`, 3: `"entered-in-error"`} {
		w := httptest.NewRecorder()
		server.ServeHTTP(w, httptest.NewRequest("GET", fmt.Sprintf("/fhir/Observation/%s/_history/%d", own, version), nil))
		if w.Code != 200 || !strings.Contains(w.Body.String(), want) {
			t.Errorf("version %d is %d %s", version, w.Code, w.Body)
		}
	}
}

// only grants some letters for some types.
type only map[string]string

func (o only) Allows(typ string, p fhir.Permission) ([]string, bool) {
	letters, scope, _ := strings.Cut(o[typ], "?")
	if !strings.ContainsRune(letters, rune(p)) {
		return nil, false
	}
	if scope == "" {
		return nil, true
	}
	return []string{scope}, true
}

func TestGrantsOfWriters(t *testing.T) {
	p := candidate(t)
	vital := "category=http://terminology.hl7.org/CodeSystem/observation-category|vital-signs"
	laboratory := "category=http://terminology.hl7.org/CodeSystem/observation-category|laboratory"
	for _, tt := range []struct {
		name   string
		grant  only
		method string
		path   string
		status int
		body   bool
	}{
		{"nothing", only{}, "POST", "/Observation", 403, true},
		{"reading alone", only{"Observation": "rs"}, "POST", "/Observation", 403, true},
		{"creating alone", only{"Observation": "c"}, "POST", "/Observation", 201, false},
		{"creating and reading", only{"Observation": "cr"}, "POST", "/Observation", 201, true},
		{"creating reports", only{"DiagnosticReport": "c"}, "POST", "/Observation", 403, true},
		{"a conditional update", only{"Observation": "u"}, "PUT", "/Observation?identifier=", 403, true},
		{"a conditional update", only{"Observation": "cu"}, "PUT", "/Observation?identifier=", 201, false},
		{"another category", only{"Observation": "c?" + vital}, "POST", "/Observation", 403, true},
		{"its category", only{"Observation": "c?" + laboratory}, "POST", "/Observation", 201, false},
		{"a scope that can't be asked", only{"Observation": "c?code=2160-0"}, "POST", "/Observation", 403, true},
	} {
		id := unique()
		if strings.HasSuffix(tt.path, "=") {
			tt.path += lab + "%7C" + id
		}
		e := serve(tt.grant)
		w := ask(t, e, tt.method, tt.path, observation(p, id, nil))
		if w.Code != tt.status || (w.Body.Len() > 0) != tt.body {
			t.Errorf("%s: %d %s", tt.name, w.Code, w.Body)
		}
		if _, there := results(t, p)[id]; there != (tt.status == 201) {
			t.Errorf("%s: on record %t", tt.name, there)
		}
		w = ask(t, e, "POST", "", bundle("batch", entry("POST Observation", observation(p, unique(), nil), nil)))
		if refused := w.Code == http.StatusForbidden; refused != (tt.status == 403) && tt.method == "POST" {
			t.Errorf("%s, a batch: %d %s", tt.name, w.Code, w.Body)
		}
	}
}
