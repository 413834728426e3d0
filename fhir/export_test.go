package fhir

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/bulk"
	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/subscription"
)

// exporter is a server with exports, a clock that tests move, and clients that
// name themselves in a header.
type exporter struct {
	*echo.Echo
	t      testing.TB
	store  *record.Store
	runner *bulk.Runner
	mu     sync.Mutex
	now    time.Time
	grants map[string]Grant
}

func (x *exporter) clock() time.Time {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.now
}

func (x *exporter) pass(d time.Duration) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.now = x.now.Add(d)
}

// small makes many chunks and files of little.
var small = bulk.Sizes{Chunk: 1500, File: 6000}

func newExporter(t testing.TB) *exporter {
	x := &exporter{Echo: echo.New(), t: t, now: testNow, grants: map[string]Grant{}}
	dir := t.TempDir()
	store, err := record.Open(t.Context(), filepath.Join(dir, "records.db"), x.clock)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	if err := store.KeepProtocol(t.Context(), "2026.1", "digest", "source"); err != nil {
		t.Fatal(err)
	}
	x.store = store
	policy := bulk.DefaultPolicy
	policy.Sizes = small
	x.runner = &bulk.Runner{
		Store: store, Vault: bulk.Folder(filepath.Join(dir, "exports")), Plan: PlanExport, Policy: policy, Now: x.clock, Log: slog.New(slog.DiscardHandler),
	}
	Register(x.Group("/fhir"), store, Options{
		BaseURL: func(*http.Request) string { return testBase }, Now: x.clock, Exports: x.runner,
		Subscriptions: &Subscriptions{Store: store, Hosts: subscription.Hosts{"ehr.example", "127.0.0.1:9000"}},
		Sender:        func(r *http.Request) string { return r.Header.Get("Test-Client") },
		Grant: func(r *http.Request) Grant {
			if g, ok := x.grants[r.Header.Get("Test-Client")]; ok {
				return g
			}
			return Everything{}
		},
	})
	return x
}

// populated has five candidates in different stages.
func populated(t testing.TB) *exporter {
	x := newExporter(t)
	for i, stage := range []journey.Stage{journey.Evaluation, journey.OnHold, journey.FollowUp, journey.Withdrawn, journey.Declined} {
		s := own(testSnapshot(exportID(i)), fmt.Sprint(i))
		s.State.Stage = stage
		s.Referral.Identity.Identifier.Value = fmt.Sprintf("SYN-%d", i)
		commit(t, x.store, s, 1, mustPublish(t, s))
	}
	return x
}

func exportID(i int) string { return fmt.Sprintf("%d%s", i, candidateA[1:]) }

func (x *exporter) ask(method, target, body string, headers ...string) *httptest.ResponseRecorder {
	return ask(x, method, strings.TrimPrefix(target, "https://programme.example"), body, headers...)
}

var async = []string{"Prefer", "respond-async"}

// start kicks off an export that is accepted, and returns its address.
func (x *exporter) start(method, target, body string, headers ...string) string {
	x.t.Helper()
	w := x.ask(method, target, body, append(slices.Clone(headers), async...)...)
	if w.Code != 202 {
		x.t.Fatalf("%s %s: %d %s", method, target, w.Code, w.Body)
	}
	return w.Header().Get("Content-Location")
}

func (x *exporter) run() {
	x.t.Helper()
	if did, err := x.runner.Once(x.t.Context()); !did || err != nil {
		x.t.Fatalf("nothing was exported: %v", err)
	}
}

func (x *exporter) manifest(at string, headers ...string) manifest {
	x.t.Helper()
	w := x.ask("GET", at, "", headers...)
	var m manifest
	if err := json.Unmarshal(w.Body.Bytes(), &m); w.Code != 200 || err != nil || w.Header().Get("Content-Type") != "application/json" {
		x.t.Fatalf("%d %s %v %s", w.Code, w.Header(), err, w.Body)
	}
	return m
}

// lines reads every file of the output, checks that each line is a resource of the
// type and that there are as many as is said, and returns them by their name.
func (x *exporter) lines(m manifest, headers ...string) map[string]string {
	x.t.Helper()
	all := map[string]string{}
	for _, out := range m.Output {
		w := x.ask("GET", out.URL, "", headers...)
		if w.Code != 200 || w.Header().Get("Content-Type") != "application/fhir+ndjson" {
			x.t.Fatalf("%s: %d %s", out.URL, w.Code, w.Body)
		}
		var n int64
		lines := bufio.NewScanner(w.Body)
		for lines.Scan() {
			var r struct {
				ResourceType string `json:"resourceType"`
				ID           string `json:"id"`
			}
			if err := json.Unmarshal(lines.Bytes(), &r); err != nil || r.ResourceType != out.Type {
				x.t.Fatalf("%s: %v %s", out.URL, err, lines.Text())
			}
			name := r.ResourceType + "/" + r.ID
			if all[name] != "" {
				x.t.Errorf("%s is exported twice", name)
			}
			all[name] = lines.Text()
			n++
		}
		if err := lines.Err(); err != nil || n != out.Count || n == 0 {
			x.t.Errorf("%s holds %d resources, not %d: %v", out.URL, n, out.Count, err)
		}
	}
	return all
}

// export does the whole of it.
func (x *exporter) export(method, target, body string, headers ...string) map[string]string {
	x.t.Helper()
	at := x.start(method, target, body, headers...)
	x.run()
	return x.lines(x.manifest(at, headers...), headers...)
}

// found pages through searches, a second way to the same resources.
func (x *exporter) found(searches ...string) map[string]string {
	x.t.Helper()
	all := map[string]string{}
	for _, target := range searches {
		for target != "" {
			var set struct {
				Link []struct {
					Relation string `json:"relation"`
					URL      string `json:"url"`
				} `json:"link"`
				Entry []struct {
					Resource json.RawMessage `json:"resource"`
				} `json:"entry"`
			}
			w := x.ask("GET", target, "")
			if err := json.Unmarshal(w.Body.Bytes(), &set); err != nil || w.Code != 200 {
				x.t.Fatalf("%s: %d %v %s", target, w.Code, err, w.Body)
			}
			for _, e := range set.Entry {
				var r struct {
					ResourceType string `json:"resourceType"`
					ID           string `json:"id"`
				}
				if err := json.Unmarshal(e.Resource, &r); err != nil {
					x.t.Fatal(err)
				}
				all[r.ResourceType+"/"+r.ID] = string(e.Resource)
			}
			target = ""
			for _, l := range set.Link {
				if l.Relation == "next" {
					target = l.URL
				}
			}
		}
	}
	return all
}

func everySearch() []string {
	var list []string
	for _, name := range typeOrder {
		if !neverExported[name] {
			list = append(list, "/fhir/"+name+"?_count=7")
		}
	}
	return list
}

func same(t testing.TB, got, want map[string]string) {
	t.Helper()
	if len(want) == 0 {
		t.Fatal("nothing is expected")
	}
	if !maps.Equal(got, want) {
		t.Errorf("%d resources, want %d:\n%v\n%v", len(got), len(want), slices.Sorted(maps.Keys(got)), slices.Sorted(maps.Keys(want)))
	}
}

func TestExportHoldsWhatSearchesFind(t *testing.T) {
	x := populated(t)
	w := x.ask("GET", "/fhir/$export", "", async...)
	at := w.Header().Get("Content-Location")
	id, ok := strings.CutPrefix(at, testBase+"/$export/")
	if w.Code != 202 || !ok || len(id) < 43 || !strings.Contains(w.Body.String(), `"severity":"information"`) {
		t.Fatalf("%d %s %s", w.Code, at, w.Body)
	}
	if w := x.ask("GET", at, ""); w.Code != 202 || w.Header().Get("Retry-After") != "2" || w.Header().Get("X-Progress") != "waiting" || w.Body.Len() > 0 {
		t.Errorf("%d %s %s", w.Code, w.Header(), w.Body)
	}
	x.run()
	m := x.manifest(at)
	if m.TransactionTime != "2026-03-02T09:30:00.123Z" || m.Request != testBase+"/$export" || !m.RequiresAccessToken ||
		m.Error == nil || len(m.Error) > 0 || m.Deleted == nil || len(m.Deleted) > 0 {
		t.Errorf("manifest: %+v", m)
	}
	if expires := x.ask("GET", at, "").Header().Get("Expires"); expires != "Tue, 03 Mar 2026 09:30:00 GMT" {
		t.Errorf("expires %s", expires)
	}
	same(t, x.lines(m), x.found(everySearch()...))
	// Observations take several files, each of one type.
	files := map[string]int{}
	for _, out := range m.Output {
		files[out.Type]++
	}
	if files[typeObservation] < 3 || files[typePatient] != 1 {
		t.Errorf("files: %v", files)
	}
}

func TestExportOfPatientsAndGroups(t *testing.T) {
	x := populated(t)
	programme := record.Resource{Type: typeServiceRequest, ID: "of-the-programme", Body: []byte(`{"resourceType":"ServiceRequest","id":"of-the-programme"}`)}
	if err := x.store.PublishProgramme(t.Context(), []record.Resource{programme}); err != nil {
		t.Fatal(err)
	}
	of := func(ids ...int) []string {
		var list []string
		for _, i := range ids {
			list = append(list, "/fhir/Patient?_id="+exportID(i))
			for _, name := range typeOrder {
				if name != typePatient && ofPatients(name) {
					param := "patient"
					if _, ok := types[name].find(param); !ok {
						param = "subject"
					}
					list = append(list, "/fhir/"+name+"?"+param+"="+exportID(i))
				}
			}
		}
		return list
	}
	same(t, x.export("GET", "/fhir/$export", ""), x.found(everySearch()...))
	same(t, x.export("GET", "/fhir/Patient/$export", ""), x.found(of(0, 1, 2, 3, 4)...))
	same(t, x.export("GET", "/fhir/Group/all/$export", ""), x.found(of(0, 1, 2, 3, 4)...))
	same(t, x.export("GET", "/fhir/Group/candidates/$export", ""), x.found(of(0, 1)...))
	same(t, x.export("POST", "/fhir/Group/after-operation/$export", ""), x.found(of(2)...))
	body := `{"resourceType":"Parameters","parameter":[{"name":"patient","valueReference":{"reference":"Patient/` + exportID(3) +
		`"}},{"name":"patient","valueReference":{"reference":"` + testBase + `/Patient/` + exportID(1) + `"}},{"name":"_outputFormat","valueString":"ndjson"}]}`
	same(t, x.export("POST", "/fhir/Patient/$export", body, "Content-Type", "application/fhir+json"), x.found(of(1, 3)...))
	same(t, x.export("POST", "/fhir/Group/candidates/$export", body, "Content-Type", "application/fhir+json", "Prefer", "handling=lenient"), x.found(of(1)...))
}

func TestExportTakesPartOfWhatThereIs(t *testing.T) {
	x := populated(t)
	for _, c := range []struct {
		query string
		found []string
	}{
		{"_type=Patient", []string{"Patient"}},
		{"_type=Patient,Condition&_type=Encounter,Patient,CarePlan", []string{"Patient", "Condition", "CarePlan"}},
		{"_type=Observation&_typeFilter=Observation%3Fcategory%3Dlaboratory", []string{"Observation?category=laboratory"}},
		{"_type=Observation,Patient&_typeFilter=Observation%3Fcode%3D2160-0%2C5196-1,Patient%3Fgender%3Dfemale%26family%3Do", []string{
			"Observation?code=2160-0,5196-1", "Patient?gender=female&family=o",
		}},
		// Filters of one type are alternatives, and no resource comes twice.
		{"_type=Observation&_typeFilter=Observation%3Fstatus%3Dfinal&_typeFilter=Observation%3Fcategory%3Dlaboratory", []string{
			"Observation?status=final", "Observation?category=laboratory",
		}},
		{"_type=Observation&_typeFilter=Observation%3Fpatient%3D" + exportID(0) + "%2C" + exportID(1), []string{"Observation?patient=" + exportID(0) + "," + exportID(1)}},
		{"_outputFormat=application%2Ffhir%2Bndjson&_type=CarePlan", []string{"CarePlan"}},
		{"_outputFormat=application/fhir+ndjson&_type=CarePlan", []string{"CarePlan"}},
		{"_outputFormat=application/ndjson&_type=CarePlan", []string{"CarePlan"}},
		{"_outputFormat=ndjson&_type=CarePlan", []string{"CarePlan"}},
	} {
		var searches []string
		for _, each := range c.found {
			searches = append(searches, "/fhir/"+each)
		}
		same(t, x.export("GET", "/fhir/$export?"+c.query, ""), x.found(searches...))
	}
	// A type that is not filtered goes whole.
	whole := x.found(everySearch()...)
	maps.DeleteFunc(whole, func(name, body string) bool {
		return strings.HasPrefix(name, "Observation/") && !strings.Contains(body, `"status":"preliminary"`)
	})
	same(t, x.export("GET", "/fhir/$export?_typeFilter=Observation%3Fstatus%3Dpreliminary", ""), whole)
}

func TestExportOfElements(t *testing.T) {
	x := populated(t)
	got := x.export("GET", "/fhir/$export?_type=Observation,Patient&_elements=id,Observation.code,gender", "")
	want := x.found("/fhir/Observation?_elements=code,gender", "/fhir/Patient?_elements=gender,id")
	same(t, got, want)
	for name, body := range got {
		if strings.Contains(body, "value") && strings.HasPrefix(name, "Observation") || strings.Contains(body, "birthDate") || !strings.Contains(body, "SUBSETTED") {
			t.Errorf("%s: %s", name, body)
		}
	}
}

func TestExportSince(t *testing.T) {
	x := populated(t)
	first := x.start("GET", "/fhir/$export", "")
	x.run()
	taken := x.manifest(first).TransactionTime
	x.pass(time.Hour)
	s := own(testSnapshot(exportID(1)), "1")
	s.State.Stage, s.State.Seq = journey.Evaluation, 10
	s.Referral.Identity.Identifier.Value = "SYN-1"
	s.Results[0].Status = "entered-in-error" // what is taken back is published, not deleted
	commit(t, x.store, s, 2, mustPublish(t, s))
	x.pass(time.Hour)
	changed := x.export("GET", "/fhir/$export?_since="+x.clock().Add(-time.Hour).Format("2006-01-02T15:04:05.000Z"), "")
	var searches []string
	for _, target := range everySearch() {
		searches = append(searches, target+"&_lastUpdated=ge"+x.clock().Add(-time.Hour).Format("2006-01-02T15:04:05.000Z"))
	}
	same(t, changed, x.found(searches...))
	if !strings.Contains(changed["Observation/"+s.Results[0].ID], "entered-in-error") {
		t.Errorf("not marked: %s", changed["Observation/"+s.Results[0].ID])
	}
	// Nothing falls between two exports: what carries the time of the first is in
	// the next.
	same(t, x.export("GET", "/fhir/$export?_since="+taken, ""), x.found(everySearch()...))
	at := x.start("GET", "/fhir/$export?_since="+strings.Replace(taken, "Z", "+00:00", 1)+"&_until="+x.clock().Add(-90*time.Minute).Format(time.RFC3339), "")
	x.run()
	untouched := x.found(everySearch()...)
	for name := range changed {
		delete(untouched, name)
	}
	same(t, x.lines(x.manifest(at)), untouched)
	empty := x.start("GET", "/fhir/$export?_since="+x.clock().Format(time.RFC3339), "")
	x.run()
	if m := x.manifest(empty); m.Output == nil || len(m.Output) != 0 || m.Deleted == nil {
		t.Errorf("manifest: %+v", m)
	}
}

func TestExportTellsOfDeletions(t *testing.T) {
	x := populated(t)
	publish := func(ids ...string) {
		t.Helper()
		for _, id := range ids {
			r := record.Resource{Type: typeServiceRequest, ID: id, Body: []byte(`{"resourceType":"ServiceRequest","id":"` + id + `"}`)}
			if err := x.store.PublishProgramme(t.Context(), []record.Resource{r}); err != nil {
				t.Fatal(err)
			}
		}
	}
	end := func(id string) {
		t.Helper()
		if err := x.store.DeleteProgramme(t.Context(), typeServiceRequest, id); err != nil {
			t.Fatal(err)
		}
	}
	publish("early", "ends", "returns", "stays")
	end("early")
	x.pass(time.Hour)
	since := x.clock().Format("2006-01-02T15:04:05.000Z")
	end("ends")
	end("returns")
	publish("returns")
	deleted := func(target string) string {
		t.Helper()
		at := x.start("GET", target, "")
		x.run()
		m := x.manifest(at)
		if len(m.Deleted) == 0 {
			return ""
		}
		if len(m.Deleted) != 1 || m.Deleted[0].Type != "Bundle" || m.Deleted[0].Count != 1 {
			t.Fatalf("%+v", m.Deleted)
		}
		return x.ask("GET", m.Deleted[0].URL, "").Body.String()
	}
	const want = `{"type":"transaction","entry":[{"request":{"method":"DELETE","url":"ServiceRequest/ends"}}],"resourceType":"Bundle"}` + "\n"
	if got := deleted("/fhir/$export?_since=" + since); got != want {
		t.Errorf("deleted: %s", got)
	}
	for _, target := range []string{
		"/fhir/$export", "/fhir/Patient/$export?_since=" + since, "/fhir/$export?_type=Patient&_since=" + since,
		"/fhir/$export?_since=" + since + "&_typeFilter=ServiceRequest%3Fstatus%3Dactive", "/fhir/$export?_since=2026-03-02T00:00:00Z&_until=2026-03-02T09:00:00Z",
	} {
		if got := deleted(target); got != "" {
			t.Errorf("%s: %s", target, got)
		}
	}
	if got := deleted("/fhir/$export?_since=2026-03-02T00:00:00Z"); strings.Count(got, "DELETE") != 2 {
		t.Errorf("deleted: %s", got)
	}
}

// allowed is a grant by type.
type allowed map[string]struct {
	may    string
	within []string
}

func (a allowed) Allows(typ string, p Permission) ([]string, bool) {
	g, ok := a[typ]
	return g.within, ok && strings.IndexByte(g.may, byte(p)) >= 0
}

func TestExportKeepsToTheGrant(t *testing.T) {
	x := populated(t)
	const laboratory = "category=http://terminology.hl7.org/CodeSystem/observation-category|laboratory"
	x.grants["narrow"] = allowed{
		"Patient": {"rs", nil}, "CarePlan": {"r", nil}, "EpisodeOfCare": {"s", nil}, "Group": {"s", nil},
		"Observation": {"rs", []string{laboratory, "status=preliminary"}},
	}
	narrow := []string{"Test-Client", "narrow"}
	granted := x.found("/fhir/Patient", "/fhir/Observation?category=laboratory", "/fhir/Observation?status=preliminary")
	same(t, x.export("GET", "/fhir/$export", "", narrow...), granted)
	// A filter narrows the grant further, and never widens it.
	same(t, x.export("GET", "/fhir/$export?_type=Observation&_typeFilter=Observation%3Fstatus%3Dfinal,Observation%3Fstatus%3Dpreliminary", "", narrow...),
		x.found("/fhir/Observation?category=laboratory&status=final", "/fhir/Observation?status=preliminary"))
	for target, says := range map[string]string{
		"/fhir/$export?_type=Patient,CarePlan": "not allow this for CarePlan",
		"/fhir/$export?_type=EpisodeOfCare":    "not allow this for EpisodeOfCare",
		"/fhir/Group/all/$export":              "not allow this for Group",
	} {
		if w := x.ask("GET", target, "", append(narrow, async...)...); w.Code != 403 || !strings.Contains(w.Body.String(), says) {
			t.Errorf("%s: %d %s", target, w.Code, w.Body)
		}
	}
	x.grants["nothing"] = allowed{}
	if w := x.ask("GET", "/fhir/$export", "", append(async, "Test-Client", "nothing")...); w.Code != 403 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	x.grants["unreadable"] = allowed{"Patient": {"rs", []string{"nonsense:of=1"}}}
	if w := x.ask("GET", "/fhir/$export", "", append(async, "Test-Client", "unreadable")...); w.Code != 403 {
		t.Errorf("%d %s", w.Code, w.Body)
	}

	// Only the client that asked has it, and for as long as it may read what is in it.
	at := x.start("GET", "/fhir/$export", "", narrow...)
	x.run()
	files := x.manifest(at, narrow...).Output
	for _, target := range []string{at, files[0].URL, files[0].URL + "x", at + "x"} {
		if w := x.ask("GET", target, ""); w.Code != 404 || !strings.Contains(w.Body.String(), "there is no such export") {
			t.Errorf("%s: %d %s", target, w.Code, w.Body)
		}
	}
	if w := x.ask("DELETE", at, ""); w.Code != 404 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	status := func(typ string) int {
		i := slices.IndexFunc(files, func(f manifestOutput) bool { return f.Type == typ })
		return x.ask("GET", files[i].URL, "", narrow...).Code
	}
	for _, c := range []struct {
		grant        allowed
		patient, obs int
	}{
		{allowed{"Patient": {"rs", nil}, "Observation": {"rs", nil}}, 200, 200},
		{allowed{"Patient": {"r", nil}, "Observation": {"rs", []string{laboratory, "status=preliminary"}}}, 403, 200},
		{allowed{"Patient": {"rs", []string{"gender=female"}}, "Observation": {"rs", []string{laboratory}}}, 403, 403},
		{allowed{}, 403, 403},
	} {
		x.grants["narrow"] = c.grant
		if p, o := status("Patient"), status("Observation"); p != c.patient || o != c.obs {
			t.Errorf("%v: %d and %d", c.grant, p, o)
		}
	}
}

func TestMalformedExports(t *testing.T) {
	x := populated(t)
	lenient := []string{"Prefer", "handling=lenient"}
	post := []string{"Content-Type", "application/fhir+json"}
	params := func(list string) string { return `{"resourceType":"Parameters","parameter":[` + list + `]}` }
	many := make([]string, 250)
	for i := range many {
		many[i] = fmt.Sprint(i)
	}
	for _, c := range []struct {
		method, target, body string
		headers              []string
		status               int
		code, says           string
	}{
		{"GET", "/$export", "", []string{"Prefer", ""}, 400, "required", "Prefer: respond-async"},
		{"POST", "/Patient/$export", "", []string{"Prefer", "return=minimal"}, 400, "required", "Prefer: respond-async"},
		{"HEAD", "/$export", "", nil, 405, "", ""},
		{"PUT", "/$export", "", nil, 405, "not-supported", "method"},
		{"DELETE", "/Patient/$export", "", nil, 405, "not-supported", "method"},
		{"PATCH", "/$export/abc", "", nil, 405, "not-supported", "method"},
		{"PUT", "/$export/abc/Patient.1.ndjson", "", nil, 405, "not-supported", "method"},
		{"GET", "/$export", "", []string{"Accept", "application/fhir+xml"}, 406, "not-supported", "application/fhir+json"},
		{"GET", "/Group/nobody/$export", "", nil, 404, "not-found", ""},
		{"GET", "/Group/no%20body/$export", "", nil, 404, "not-found", ""},
		{"GET", "/Observation/$export", "", nil, 404, "not-found", ""},
		{"GET", "/Patient/" + exportID(0) + "/$export", "", nil, 404, "not-found", ""},
		{"GET", "/$export/guess", "", nil, 404, "not-found", "no such export"},
		{"GET", "/$export/guess/Patient.1.ndjson", "", nil, 404, "not-found", "no such export"},
		{"DELETE", "/$export/guess", "", nil, 404, "not-found", "no such export"},
		{"GET", "/$export?_outputFormat=application/fhir%2Bparquet", "", nil, 400, "not-supported", "export parameter _outputFormat: accepted: application/fhir+ndjson"},
		{"GET", "/$export?_outputFormat=", "", nil, 400, "not-supported", "_outputFormat"},
		{"GET", "/$export?_outputFormat=json", "", lenient, 400, "not-supported", "_outputFormat"},
		{"GET", "/$export?_since=yesterday", "", nil, 400, "invalid", "export parameter _since: accepted: an instant with its zone"},
		{"GET", "/$export?_since=2026-03-02", "", nil, 400, "invalid", "_since"},
		{"GET", "/$export?_since=2026-03-02T09:30:00", "", lenient, 400, "invalid", "_since"},
		{"GET", "/$export?_since=2026-02-30T09:30:00Z", "", nil, 400, "invalid", "_since"},
		{"GET", "/$export?_since=2026-03-02T25:30:00Z", "", nil, 400, "invalid", "_since"},
		{"GET", "/$export?_since=", "", nil, 400, "invalid", "_since"},
		{"GET", "/$export?_since=2026-03-02T09:30:00Z&_since=2026-03-02T09:30:00Z", "", nil, 400, "invalid", "given twice"},
		{"GET", "/$export?_until=soon", "", nil, 400, "invalid", "export parameter _until"},
		{"GET", "/$export?_type=", "", nil, 400, "not-supported", "export parameter _type"},
		{"GET", "/$export?_type=Recipient", "", nil, 400, "not-supported", "export parameter _type: accepted: Patient, EpisodeOfCare"},
		{"GET", "/$export?_type=Patient,AuditEvent", "", nil, 400, "not-supported", "_type"},
		{"GET", "/$export?_type=Group", "", nil, 400, "not-supported", "_type"},
		{"GET", "/$export?_type=patient", "", nil, 400, "not-supported", "_type"},
		{"GET", "/$export?_type=Recipient,AuditEvent", "", lenient, 400, "not-supported", "none of the types"},
		{"GET", "/$export?_typeFilter=Observation", "", nil, 400, "invalid", "export parameter _typeFilter: accepted: a type and a search"},
		{"GET", "/$export?_typeFilter=Observation%3F", "", nil, 400, "invalid", "_typeFilter"},
		{"GET", "/$export?_typeFilter=Observation%3Fcategory%3D", "", nil, 400, "invalid", "search parameter category"},
		{"GET", "/$export?_typeFilter=Observation%3Fnonsense%3D1", "", nil, 400, "not-supported", "search parameter nonsense"},
		{"GET", "/$export?_typeFilter=Observation%3Fdate%3Dlast", "", lenient, 400, "invalid", "search parameter date"},
		{"GET", "/$export?_typeFilter=Observation%3F_count%3D5", "", nil, 400, "not-supported", "search parameter _count"},
		{"GET", "/$export?_typeFilter=Observation%3F_sort%3Ddate", "", lenient, 400, "not-supported", "search parameter _sort"},
		{"GET", "/$export?_typeFilter=Observation%3F_include%3DObservation%3Asubject", "", nil, 400, "not-supported", "search parameter _include"},
		{"GET", "/$export?_typeFilter=Observation%3Fcode%3D" + strings.Join(many, "%2C"), "", nil, 400, "too-costly", "too many values"},
		{"GET", "/$export?_typeFilter=AuditEvent%3Fdate%3D2026", "", nil, 400, "not-supported", "_typeFilter"},
		{"GET", "/$export?_type=Patient&_typeFilter=Observation%3Fcode%3D1", "", nil, 400, "not-supported", "not exported"},
		{"GET", "/$export?_typeFilter=%25zz%3F", "", nil, 400, "invalid", "_typeFilter"},
		{"GET", "/$export?_type=%zz", "", nil, 400, "invalid", "not correctly encoded"},
		{"GET", "/$export?_elements=", "", nil, 400, "invalid", "export parameter _elements"},
		{"GET", "/$export?_elements=Recipient.status", "", nil, 400, "invalid", "export parameter _elements"},
		{"GET", "/$export?_elements=Observation.code.text", "", nil, 400, "invalid", "export parameter _elements"},
		{"GET", "/$export?includeAssociatedData=LatestProvenanceResources", "", nil, 400, "not-supported", "includeAssociatedData"},
		{"GET", "/$export?organizeOutputBy=Patient", "", nil, 400, "not-supported", "organizeOutputBy"},
		{"GET", "/$export?%3Cscript%3E=1", "", nil, 400, "not-supported", "export parameter (unnamed)"},
		{"GET", "/Patient/$export?patient=Patient/" + exportID(0), "", nil, 400, "not-supported", "export parameter patient"},
		{"GET", "/Patient/$export?patient=Patient/" + exportID(0), "", lenient, 400, "not-supported", "export parameter patient"},
		{"POST", "/$export", params(`{"name":"patient","valueReference":{"reference":"Patient/` + exportID(0) + `"}}`), post, 400, "not-supported", "patient"},
		{"POST", "/Patient/$export", params(`{"name":"patient","valueReference":{"reference":"Patient/stranger"}}`), post, 400, "not-supported", "1 of them not known here"},
		{"POST", "/Patient/$export", params(`{"name":"patient","valueReference":{"reference":"Patient/stranger"}}`), append(post, lenient...), 400, "not-found", "none of the patients"},
		{"POST", "/Group/candidates/$export", params(`{"name":"patient","valueReference":{"reference":"Patient/` + exportID(3) + `"}}`), post, 400, "not-supported", "not known here"},
		{"POST", "/Patient/$export", params(`{"name":"patient","valueReference":{"reference":"Observation/1"}}`), post, 400, "invalid", "accepted: a reference such as Patient/123"},
		{"POST", "/Patient/$export", params(`{"name":"patient","valueString":"Patient/1/2"}`), post, 400, "invalid", "accepted: a reference"},
		{"POST", "/Patient/$export", params(`{"name":"patient","valueReference":{}}`), post, 400, "structure", "Parameters.parameter[0]: a name and one value"},
		{"POST", "/$export", params(`{"name":"_since","valueString":7}`), post, 400, "invalid", "_since"},
		{"POST", "/$export", params(`{"name":"_since","valueInstant":"never"}`), post, 400, "invalid", "_since"},
		{"POST", "/$export", params(`{"name":"_type","valueInteger":1}`), post, 400, "not-supported", "_type"},
		{"POST", "/$export", params(`{"name":"_type"}`), post, 400, "structure", "a name and one value"},
		{"POST", "/$export", params(`{"name":"_type","valueString":"Patient","valueCode":"Patient"}`), post, 400, "structure", "a name and one value"},
		{"POST", "/$export", params(`{"valueString":"Patient"}`), post, 400, "structure", "Parameters.parameter[0]"},
		{"POST", "/$export", params(`{"name":"_elements","valueString":"Observation."}`), post, 400, "invalid", "_elements"},
		{"POST", "/$export", `{"resourceType":"Patient"}`, post, 400, "structure", "resourceType"},
		{"POST", "/$export", `{"resourceType":"Parameters"`, post, 400, "structure", "not a Parameters resource"},
		{"POST", "/$export", `[]`, post, 400, "structure", "not a Parameters resource"},
		{"POST", "/$export", params("") + "{}", post, 400, "structure", "not a Parameters resource"},
		{"POST", "/$export", params(`{"name":"_type","valueString":"\u0000"}`), post, 400, "value", "not a text"},
		{"POST", "/$export", "_type=Patient", []string{"Content-Type", "application/x-www-form-urlencoded"}, 415, "not-supported", "Parameters"},
		{"POST", "/$export", params(""), []string{"Content-Type", "application/fhir+xml"}, 415, "not-supported", "Parameters"},
		{"POST", "/$export", params(""), nil, 415, "not-supported", "Parameters"},
		{"POST", "/$export?_type=Patient", params(`{"name":"_type","valueString":"Patient"}`), post, 400, "invalid", "belong there"},
		{"POST", "/$export", params(`{"name":"_type","valueString":"` + strings.Repeat("x", 1<<20) + `"}`), post, 413, "too-long", "too large"},
	} {
		headers := slices.Clone(c.headers)
		if !slices.ContainsFunc(headers, func(h string) bool { return h == "" || h == "return=minimal" }) {
			headers = append(headers, async...)
		}
		w := x.ask(c.method, "/fhir"+c.target, c.body, headers...)
		text := w.Body.String()
		if w.Code != c.status || !strings.Contains(text, c.says) || c.code != "" && !strings.Contains(text, `"code":"`+c.code+`"`) {
			t.Errorf("%s %s %s: %d %s", c.method, c.target, c.body, w.Code, text)
		}
		if c.method != "HEAD" && !strings.Contains(text, `"OperationOutcome"`) {
			t.Errorf("%s %s: no OperationOutcome: %s", c.method, c.target, text)
		}
	}
	if list, err := x.store.Exports(t.Context(), 100); err != nil || len(list) > 0 {
		t.Errorf("%d exports were begun: %v", len(list), err)
	}
}

func TestLenientExportSaysWhatItLeftOut(t *testing.T) {
	x := populated(t)
	target := "/fhir/$export?_type=Patient,Recipient&organizeOutputBy=x&_typeFilter=Patient%3Ffoo%3D1%26gender%3Dfemale&_typeFilter=CarePlan%3Fstatus%3Dx"
	w := x.ask("GET", target, "", append([]string{"Prefer", "handling=lenient"}, async...)...)
	if w.Code != 202 || strings.Count(w.Body.String(), `"warning"`) != 4 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	at := w.Header().Get("Content-Location")
	x.run()
	m := x.manifest(at)
	same(t, x.lines(m), x.found("/fhir/Patient?gender=female"))
	if len(m.Error) != 1 || m.Error[0].Type != "OperationOutcome" || m.Error[0].Count != 4 {
		t.Fatalf("%+v", m.Error)
	}
	notes := x.ask("GET", m.Error[0].URL, "")
	for i, line := range strings.Split(strings.TrimSpace(notes.Body.String()), "\n") {
		if !json.Valid([]byte(line)) || !strings.Contains(line, `"severity":"warning"`) || i > 3 {
			t.Errorf("note: %s", line)
		}
	}
	if m.Request != testBase+strings.TrimPrefix(target, "/fhir") {
		t.Errorf("request: %s", m.Request)
	}
}

// meddling is a vault that does something else at each chunk.
type meddling struct {
	bulk.Vault
	each func(claim string) error
}

type meddlingPart struct {
	bulk.Part
	claim string
	each  func(claim string) error
}

func (m meddling) Create(ctx context.Context, claim string, file int) (bulk.Part, error) {
	p, err := m.Vault.Create(ctx, claim, file)
	return meddlingPart{p, claim, m.each}, err
}

func (p meddlingPart) Append(ctx context.Context, position int, chunk []byte) error {
	if err := p.each(p.claim); err != nil {
		return err
	}
	return p.Part.Append(ctx, position, chunk)
}

func TestWritesDuringAnExportDoNotChangeIt(t *testing.T) {
	x := populated(t)
	before := x.found(everySearch()...)
	seq := int64(1)
	x.runner.Vault = meddling{x.runner.Vault, func(string) error {
		seq++
		x.pass(time.Millisecond)
		s := own(testSnapshot(exportID(4)), "4")
		s.State.Seq = seq
		s.State.Stage = []journey.Stage{journey.Evaluation, journey.OnHold}[seq%2]
		s.Results = append(s.Results, s.Results[0])
		s.Results[len(s.Results)-1].ID = fmt.Sprintf("f0000000-0000-4000-8000-%012d", seq)
		s.Referral.Identity.Identifier.Value = "SYN-4"
		commit(t, x.store, s, seq, mustPublish(t, s))
		return nil
	}}
	at := x.start("GET", "/fhir/$export", "")
	x.run()
	if seq < 10 {
		t.Fatalf("only %d writes", seq)
	}
	same(t, x.lines(x.manifest(at)), before)
	if after := x.found(everySearch()...); maps.Equal(before, after) {
		t.Error("nothing was written")
	}
}

func TestFilesCanBeFetchedInParts(t *testing.T) {
	x := populated(t)
	at := x.start("GET", "/fhir/$export", "")
	x.run()
	m := x.manifest(at)
	i := slices.IndexFunc(m.Output, func(o manifestOutput) bool { return o.Type == typeObservation })
	url := m.Output[i].URL
	plain := x.ask("GET", url, "")
	packed := x.ask("GET", url, "", "Accept-Encoding", "br;q=1.0, gzip;q=0.8")
	if packed.Header().Get("Content-Encoding") != "gzip" || plain.Header().Get("Content-Encoding") != "" || plain.Header().Get("ETag") == packed.Header().Get("ETag") {
		t.Fatalf("%v\n%v", plain.Header(), packed.Header())
	}
	unzip, err := gzip.NewReader(bytes.NewReader(packed.Body.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if unpacked, err := io.ReadAll(unzip); err != nil || !bytes.Equal(unpacked, plain.Body.Bytes()) {
		t.Errorf("the two forms differ: %v", err)
	}
	if packed.Body.Len() >= plain.Body.Len() {
		t.Errorf("%d bytes packed, %d plain", packed.Body.Len(), plain.Body.Len())
	}
	for _, form := range []struct {
		whole   *httptest.ResponseRecorder
		headers []string
	}{{plain, nil}, {packed, []string{"Accept-Encoding", "gzip"}}} {
		whole, tag := form.whole.Body.Bytes(), form.whole.Header().Get("ETag")
		// Wherever the connection breaks, the rest makes it whole.
		for cut := 0; cut < len(whole); cut += 1 + len(whole)/37 {
			w := x.ask("GET", url, "", append(form.headers, "Range", fmt.Sprintf("bytes=%d-", cut), "If-Range", tag)...)
			if w.Code != 206 || !bytes.Equal(append(slices.Clone(whole[:cut]), w.Body.Bytes()...), whole) {
				t.Errorf("from %d: %d, %d bytes", cut, w.Code, w.Body.Len())
			}
			if want := fmt.Sprintf("bytes %d-%d/%d", cut, len(whole)-1, len(whole)); w.Header().Get("Content-Range") != want {
				t.Errorf("%s, want %s", w.Header().Get("Content-Range"), want)
			}
		}
		for _, c := range []struct {
			headers []string
			status  int
			body    []byte
		}{
			{[]string{"Range", "bytes=10-19"}, 206, whole[10:20]},
			{[]string{"Range", "bytes=-5"}, 206, whole[len(whole)-5:]},
			{[]string{"Range", "bytes=1490-1510"}, 206, whole[1490:1511]},
			{[]string{"Range", "bytes=10-", "If-Range", `"of another file"`}, 200, whole},
			{[]string{"Range", fmt.Sprintf("bytes=%d-", len(whole))}, 416, nil},
			{[]string{"If-None-Match", tag}, 304, []byte{}},
		} {
			if len(whole) < 1600 && c.status == 206 && c.headers[1] == "bytes=1490-1510" {
				continue
			}
			w := x.ask("GET", url, "", append(slices.Clone(c.headers), form.headers...)...)
			if w.Code != c.status || c.body != nil && !bytes.Equal(w.Body.Bytes(), c.body) {
				t.Errorf("%v: %d, %d bytes", c.headers, w.Code, w.Body.Len())
			}
		}
	}
	if w := x.ask("HEAD", url, ""); w.Code != 200 || w.Header().Get("Content-Length") != fmt.Sprint(plain.Body.Len()) || w.Body.Len() > 0 {
		t.Errorf("%d %v", w.Code, w.Header())
	}
	for accept, want := range map[string]string{"gzip;q=0": "", "identity": "", "x-gzip": "", "*": "", "deflate, GZIP": "gzip", "gzip; q=0.5": "gzip", "gzip;q=x": ""} {
		if got := x.ask("HEAD", url, "", "Accept-Encoding", accept).Header().Get("Content-Encoding"); got != want {
			t.Errorf("%s: %q", accept, got)
		}
	}
}

func (x *exporter) claims() []string {
	x.t.Helper()
	list, err := x.runner.Vault.Claims(x.t.Context())
	if err != nil {
		x.t.Fatal(err)
	}
	return list
}

func TestExportsAreCancelled(t *testing.T) {
	x := populated(t)
	gone := func(at string) {
		t.Helper()
		for _, method := range []string{"GET", "DELETE"} {
			if method == "DELETE" && strings.HasSuffix(at, ".ndjson") {
				continue
			}
			if w := x.ask(method, at, ""); w.Code != 404 || !strings.Contains(w.Body.String(), "OperationOutcome") {
				t.Errorf("%s: %d %s", method, w.Code, w.Body)
			}
		}
	}
	waiting := x.start("GET", "/fhir/$export", "")
	if w := x.ask("DELETE", waiting, ""); w.Code != 202 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	gone(waiting)
	if did, err := x.runner.Once(t.Context()); did || err != nil {
		t.Errorf("a cancelled export was carried out: %v", err)
	}
	done := x.start("GET", "/fhir/$export", "")
	x.run()
	file := x.manifest(done).Output[0].URL
	if w := x.ask("DELETE", done, ""); w.Code != 202 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	gone(done)
	gone(file)
	// One that is cancelled while it is written.
	vault := x.runner.Vault
	underway := x.start("GET", "/fhir/$export", "")
	x.runner.Policy.Beat = 0
	cancel := sync.OnceFunc(func() {
		if w := x.ask("DELETE", underway, ""); w.Code != 202 {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	})
	x.runner.Vault = meddling{vault, func(string) error { cancel(); return nil }}
	x.run()
	gone(underway)
	if list := x.claims(); len(list) > 0 {
		t.Errorf("files are left: %v", list)
	}
}

func TestExportsExpire(t *testing.T) {
	x := populated(t)
	at := x.start("GET", "/fhir/$export", "")
	x.run()
	file := x.manifest(at).Output[0].URL
	x.pass(bulk.DefaultPolicy.Keep - time.Second)
	if w := x.ask("GET", file, ""); w.Code != 200 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if _, err := x.runner.Once(t.Context()); err != nil || len(x.claims()) != 1 {
		t.Errorf("%v %v", x.claims(), err)
	}
	x.pass(time.Second)
	for _, target := range []string{at, file} {
		if w := x.ask("GET", target, ""); w.Code != 404 {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	}
	x.pass(bulk.DefaultPolicy.Sweep)
	if _, err := x.runner.Once(t.Context()); err != nil || len(x.claims()) != 0 {
		t.Errorf("%v %v", x.claims(), err)
	}
	if list, err := x.store.Exports(t.Context(), 10); err != nil || len(list) != 1 || list[0].State != record.ExportExpired {
		t.Errorf("%v %v", list, err)
	}
}

func TestClientsAreSlowedDown(t *testing.T) {
	x := populated(t)
	at := x.start("GET", "/fhir/$export", "")
	other := x.start("GET", "/fhir/$export", "")
	poll := func(at string, status int, after string) {
		t.Helper()
		if w := x.ask("GET", at, ""); w.Code != status || w.Header().Get("Retry-After") != after {
			t.Errorf("%d %v %s", w.Code, w.Header(), w.Body)
		}
	}
	poll(at, 202, "2")
	poll(at, 429, "2")
	poll(other, 202, "2")
	x.pass(999 * time.Millisecond)
	poll(at, 429, "2")
	x.pass(time.Second)
	poll(at, 202, "2")
	x.pass(time.Minute)
	poll(at, 202, "10")
	for range 2 {
		x.start("GET", "/fhir/$export", "")
	}
	w := x.ask("GET", "/fhir/$export", "", async...)
	if w.Code != 429 || w.Header().Get("Retry-After") == "" || !strings.Contains(w.Body.String(), `"throttled"`) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	x.start("GET", "/fhir/$export", "", "Test-Client", "another")
	x.run()
	x.start("GET", "/fhir/$export", "")
}

func TestExportGoesOnAfterTheProcessDied(t *testing.T) {
	x := populated(t)
	at := x.start("GET", "/fhir/$export", "")
	// A process that dies says nothing more: its claim and its files stay.
	vault := x.runner.Vault
	claimed, err := x.store.ClaimExport(t.Context(), "of-the-dead", x.clock().Add(x.runner.Policy.Lease))
	if err != nil || claimed.State != record.ExportRunning {
		t.Fatal(claimed, err)
	}
	part, err := vault.Create(t.Context(), "of-the-dead", 0)
	if err != nil || part.Append(t.Context(), 0, []byte("half")) != nil || part.Close() != nil {
		t.Fatal(err)
	}
	if did, err := x.runner.Once(t.Context()); did || err != nil {
		t.Fatalf("it was taken from a process that may live: %v", err)
	}
	if w := x.ask("GET", at, ""); w.Code != 202 || w.Header().Get("X-Progress") != "0 resources" {
		t.Errorf("%d %v", w.Code, w.Header())
	}
	x.pass(x.runner.Policy.Lease)
	x.run()
	same(t, x.lines(x.manifest(at)), x.found(everySearch()...))
	// The dead process, had it only slept, can neither finish nor spoil it.
	claimed.Claim = "of-the-dead"
	if err := x.store.FinishExport(t.Context(), claimed, nil); !errors.Is(err, record.ErrNotFound) {
		t.Error(err)
	}
	x.pass(x.runner.Policy.Sweep)
	if _, err := x.runner.Once(t.Context()); err != nil || slices.Contains(x.claims(), "of-the-dead") || len(x.claims()) != 1 {
		t.Errorf("%v %v", x.claims(), err)
	}
}

func TestExportThatKeepsFailing(t *testing.T) {
	x := populated(t)
	at := x.start("GET", "/fhir/$export", "")
	vault := x.runner.Vault
	x.runner.Vault = meddling{vault, func(string) error { return errors.New("the disk is full") }}
	for range x.runner.Policy.Attempts {
		if w := x.ask("GET", at, ""); w.Code != 202 {
			t.Errorf("%d %s", w.Code, w.Body)
		}
		if did, err := x.runner.Once(t.Context()); !did || err == nil || !strings.Contains(err.Error(), "the disk is full") {
			t.Fatalf("%t %v", did, err)
		}
		if len(x.claims()) > 0 {
			t.Errorf("files are left: %v", x.claims())
		}
		x.pass(time.Minute)
	}
	if did, err := x.runner.Once(t.Context()); !did || err != nil {
		t.Fatal(err)
	}
	if w := x.ask("GET", at, ""); w.Code != 500 || !strings.Contains(w.Body.String(), `"exception"`) || strings.Contains(w.Body.String(), "disk") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := x.ask("DELETE", at, ""); w.Code != 202 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := x.ask("GET", at, ""); w.Code != 404 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	// A program that stops in good order has not failed.
	at = x.start("GET", "/fhir/$export", "")
	ctx, cancel := context.WithCancel(t.Context())
	x.runner.Vault = meddling{vault, func(string) error { cancel(); return nil }}
	if _, err := x.runner.Once(ctx); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if list, err := x.store.Exports(t.Context(), 1); err != nil || list[0].Attempts != 0 {
		t.Errorf("%+v %v", list, err)
	}
	x.runner.Vault = vault
	x.run()
	same(t, x.lines(x.manifest(at)), x.found(everySearch()...))
}
