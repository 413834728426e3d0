package demo_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/fhir"
	"candidacy/internal/conformance"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

const (
	lookedAt  = "0b0c3f0e-6f3e-4a56-9a51-3f6f3c1d7a01"
	neighbour = "1b0c3f0e-6f3e-4a56-9a51-3f6f3c1d7a02"
	aRequest  = "9b2f6f52-62a5-4d7c-a1f8-2a3d8f0c3f10"
)

// trail is a store with a row of every kind, an hour apart, and the FHIR endpoint
// over it.
func trail(t *testing.T) (rows []record.Access, ask func(path string) *httptest.ResponseRecorder) {
	t.Helper()
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	store, err := record.Open(t.Context(), t.TempDir()+"/records.db", func() time.Time { return at })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	client := record.Access{Actor: "client-1", Role: journey.EHR, Credential: "token-0123456789ab", Status: 200, Request: aRequest, Address: "192.0.2.7"}
	row := func(change func(*record.Access)) {
		a := client
		change(&a)
		if err := store.LogAccess(context.WithoutCancel(t.Context()), a); err != nil {
			t.Fatal(err)
		}
		at = at.Add(time.Hour)
	}
	for _, code := range []string{"read", "vread", "history-instance", "create", "update", "patch", "delete"} {
		row(func(a *record.Access) {
			a.Interaction, a.Type, a.ID, a.Candidates = code, "Observation", "a0000000-0000-4000-8000-000000000001", []string{lookedAt}
		})
	}
	for _, code := range []string{"search-type", "history-type"} {
		row(func(a *record.Access) {
			a.Interaction, a.Type, a.Parameters, a.Candidates = code, "Observation", []string{"patient", "code:in", "(unnamed)"}, []string{lookedAt, neighbour}
		})
	}
	for _, code := range []string{"search-system", "history-system", "transaction", "batch", ""} {
		row(func(a *record.Access) { a.Interaction = code })
	}
	row(func(a *record.Access) {
		a.Interaction, a.Type, a.ID, a.Candidates = "$everything", "Patient", lookedAt, []string{lookedAt}
	})
	row(func(a *record.Access) { a.Interaction, a.Everybody, a.Parameters = "$export", true, []string{"_since"} })
	person := func(code string, change func(*record.Access)) {
		row(func(a *record.Access) {
			*a = record.Access{Actor: "acc-1", Role: journey.Clinician, Interaction: code, Status: 200, Request: aRequest, Address: "2001:db8::7"}
			change(a)
		})
	}
	person(record.AccessView, func(a *record.Access) { a.Type, a.ID, a.Candidates = "Patient", neighbour, []string{neighbour} })
	person(record.AccessList, func(a *record.Access) { a.Everybody = true })
	person(record.AccessCommand, func(a *record.Access) { a.Type, a.ID, a.Status = "Patient", lookedAt, 409 })
	row(func(a *record.Access) { a.Interaction, a.Credential = record.AccessToken, "" })
	row(func(a *record.Access) {
		*a = record.Access{Interaction: "read", Type: "Patient", ID: lookedAt, Status: 401, Request: aRequest, Address: "gateway.example"}
	})
	row(func(a *record.Access) { a.Interaction, a.Type, a.Status = "search-type", "Patient", 500 })
	row(func(a *record.Access) { a.Interaction, a.Type, a.Status, a.Address = "read", "Patient", 403, "" })
	rows, err = store.Accesses(t.Context(), record.AccessQuery{Limit: 100, OldestFirst: true})
	if err != nil {
		t.Fatal(err)
	}
	e := echo.New()
	fhir.Register(e.Group("/fhir"), store, fhir.Options{
		BaseURL: func(*http.Request) string { return "https://candidacy.example/fhir" }, AccessLog: store, Now: func() time.Time { return at },
		Report: func(_ *http.Request, err error) { t.Error(err) },
	})
	return rows, func(path string) *httptest.ResponseRecorder {
		method, body := http.MethodGet, ""
		if name, form, ok := strings.Cut(path, "#"); ok {
			method, path, body = http.MethodPost, name+"/_search", form
		}
		r := httptest.NewRequest(method, "/fhir"+path, strings.NewReader(body))
		r.Header.Set("Prefer", "handling=strict")
		if method == http.MethodPost {
			r.Header.Set(echo.HeaderContentType, echo.MIMEApplicationForm)
		}
		w := httptest.NewRecorder()
		e.ServeHTTP(w, r)
		return w
	}
}

// TestAuditEventsConform puts an audit event of every kind of row through both
// validators.
func TestAuditEventsConform(t *testing.T) {
	rows, ask := trail(t)
	var ndjson bytes.Buffer
	for _, row := range rows {
		w := ask(fmt.Sprintf("/AuditEvent/%d", row.Seq))
		if w.Code != 200 || w.Header().Get("ETag") != `W/"1"` {
			t.Fatalf("%d %s", w.Code, w.Body)
		}
		ndjson.Write(w.Body.Bytes())
		ndjson.WriteByte('\n')
	}
	for _, f := range slices.Concat(conformance.Google(t, ndjson.Bytes()), conformance.Node(t, ndjson.Bytes())) {
		t.Errorf("%s: %s", rows[f.Line-1].Interaction, f.Message)
	}
}

// event is what the tests look at in an AuditEvent.
type event struct {
	ID       string `json:"id"`
	Type     struct{ System, Code string }
	Subtype  []struct{ System, Code string }
	Action   string
	Recorded string
	Outcome  string
	Agent    []struct {
		Who       struct{ Identifier struct{ Value string } }
		Name      string
		AltID     string `json:"altId"`
		Requestor bool
		Network   struct{ Address, Type string }
	}
	Entity []struct {
		What  struct{ Reference string }
		Role  struct{ Code string }
		Query string
	}
}

// What an audit event says of a row. Source: IHE Basic Audit Log Patterns, and the
// value sets of AuditEvent in R4.
func TestWhatAuditEventsSay(t *testing.T) {
	rows, ask := trail(t)
	actions := map[string]string{
		"read": "R", "vread": "R", "history-instance": "R", "create": "C", "update": "U", "patch": "U", "delete": "D", "view": "R",
	}
	for _, row := range rows {
		var e event
		w := ask(fmt.Sprintf("/AuditEvent/%d", row.Seq))
		if err := json.Unmarshal(w.Body.Bytes(), &e); err != nil {
			t.Fatal(err)
		}
		subtype := ""
		if len(e.Subtype) > 0 {
			subtype = e.Subtype[len(e.Subtype)-1].Code
		}
		wantType, wantSubtype := "rest", row.Interaction
		switch {
		case strings.HasPrefix(row.Interaction, "$"):
			wantSubtype = "operation"
		case row.Interaction == record.AccessToken:
			wantType = "110114"
		case slices.Contains([]string{record.AccessView, record.AccessList, record.AccessCommand}, row.Interaction):
			wantType = "110110"
		}
		wantAction := actions[row.Interaction]
		if wantAction == "" {
			wantAction = "E"
		}
		if e.Type.Code != wantType || subtype != wantSubtype || e.Action != wantAction {
			t.Errorf("%q: %s %s %s", row.Interaction, e.Type.Code, subtype, e.Action)
		}
		outcome := map[bool]string{true: "0", false: "4"}[row.Status < 400]
		if row.Status >= 500 {
			outcome = "8"
		}
		if e.Outcome != outcome || e.Recorded != row.At.UTC().Format("2006-01-02T15:04:05.000Z") {
			t.Errorf("%q: outcome %s at %s", row.Interaction, e.Outcome, e.Recorded)
		}
		agent := e.Agent[0]
		if !agent.Requestor || agent.Who.Identifier.Value != row.Actor || agent.AltID != row.Credential || agent.Network.Address != row.Address || (agent.Name == "") != (row.Actor != "") {
			t.Errorf("%q: agent %+v", row.Interaction, agent)
		}
		if kind := map[string]string{"192.0.2.7": "2", "2001:db8::7": "2", "gateway.example": "1", "": ""}[row.Address]; agent.Network.Type != kind {
			t.Errorf("%q: an address of kind %q", row.Address, agent.Network.Type)
		}
		var patients, things []string
		query := ""
		for _, x := range e.Entity {
			switch x.Role.Code {
			case "1":
				patients = append(patients, strings.TrimPrefix(x.What.Reference, "Patient/"))
			case "4":
				things = append(things, x.What.Reference)
			case "24":
				raw, err := base64.StdEncoding.DecodeString(x.Query)
				if err != nil {
					t.Error(err)
				}
				query = string(raw)
			}
		}
		want := row.Candidates
		if row.Everybody {
			want = []string{""} // a person without a reference: anybody
		}
		if !slices.Equal(patients, want) {
			t.Errorf("%q: patients %v, want %v", row.Interaction, patients, want)
		}
		if row.ID != "" && !slices.Contains(append(things, patientReferences(patients)...), row.Type+"/"+row.ID) {
			t.Errorf("%q: about %v, want %s/%s", row.Interaction, things, row.Type, row.ID)
		}
		if wantQuery := map[string]string{
			"search-type": row.Type + "?" + strings.Join(row.Parameters, "&"), "search-system": "?", "history-type": "Observation?patient&code:in&(unnamed)",
			"$everything": "Patient/$everything", "$export": "$export?_since",
		}[row.Interaction]; query != wantQuery {
			t.Errorf("%q: query %q, want %q", row.Interaction, query, wantQuery)
		}
	}
}

func patientReferences(ids []string) []string {
	list := make([]string, len(ids))
	for i, id := range ids {
		list[i] = "Patient/" + id
	}
	return list
}

// TestSearchForAuditEvents compares each search with a plain filter over the rows.
func TestSearchForAuditEvents(t *testing.T) {
	rows, ask := trail(t)
	about := func(id string) func(record.Access) bool {
		return func(a record.Access) bool { return slices.Contains(a.Candidates, id) }
	}
	interaction := func(codes ...string) func(record.Access) bool {
		return func(a record.Access) bool { return slices.Contains(codes, a.Interaction) }
	}
	status := func(from, to int) func(record.Access) bool {
		return func(a record.Access) bool { return a.Status >= from && a.Status < to }
	}
	after := func(text string) func(record.Access) bool {
		at, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		return func(a record.Access) bool { return !a.At.Before(at) }
	}
	and := func(all ...func(record.Access) bool) func(record.Access) bool {
		return func(a record.Access) bool {
			return !slices.ContainsFunc(all, func(f func(record.Access) bool) bool { return !f(a) })
		}
	}
	const actor = "https://candidacy.example/identifier/actor"
	for query, keep := range map[string]func(record.Access) bool{
		"":                             func(record.Access) bool { return true },
		"patient=" + lookedAt:          about(lookedAt),
		"patient=Patient/" + neighbour: about(neighbour),
		"patient:Patient=" + neighbour: about(neighbour),
		"patient=https://candidacy.example/fhir/Patient/" + lookedAt: about(lookedAt),
		"patient=https://elsewhere.example/Patient/" + lookedAt:      func(record.Access) bool { return false },
		"patient=" + lookedAt + "," + neighbour:                      func(a record.Access) bool { return about(lookedAt)(a) || about(neighbour)(a) },
		"patient=" + lookedAt + "&patient=" + neighbour:              func(record.Access) bool { return false },
		"agent=client-1":                                     func(a record.Access) bool { return a.Actor == "client-1" },
		"agent:identifier=" + actor + "%7Cacc-1":             func(a record.Access) bool { return a.Actor == "acc-1" },
		"agent:identifier=https://elsewhere.example%7Cacc-1": func(record.Access) bool { return false },
		"agent=acc-1,client-1":                               func(a record.Access) bool { return a.Actor != "" },
		"action=R":                                           interaction("read", "vread", "history-instance", "view"),
		"action=C,U,D":                                       interaction("create", "update", "patch", "delete"),
		"action=http://hl7.org/fhir/audit-event-action%7CD":  interaction("delete"),
		"action=X":                                           func(record.Access) bool { return false },
		"subtype=read":                                       interaction("read"),
		"subtype=operation":                                  interaction("$everything", "$export"),
		"subtype=http://hl7.org/fhir/restful-interaction%7Cvread": interaction("vread"),
		"subtype=https://candidacy.example/CodeSystem/look%7C":    interaction("view", "list", "command", "token", "sign-in"),
		"type=110114": interaction("token", "sign-in"),
		"type=http://dicom.nema.org/resources/ontology/DCM%7C110110": interaction("view", "list", "command"),
		"type=rest&action=R":          interaction("read", "vread", "history-instance"),
		"outcome=0":                   status(0, 400),
		"outcome=4,8":                 status(400, 600),
		"outcome=8&action=E":          and(status(500, 600)),
		"outcome=12":                  func(record.Access) bool { return false },
		"date=ge2026-03-02T20:00:00Z": after("2026-03-02T20:00:00Z"),
		"date=2026-03-02":             func(a record.Access) bool { return a.At.Day() == 2 },
		"date=lt2026-03-02T09:00:00Z": func(a record.Access) bool { return a.Seq == 1 },
		"date=ge2026-03-02T10:00:00Z&date=lt2026-03-02T12:00:00Z":    func(a record.Access) bool { return a.Seq == 3 || a.Seq == 4 },
		"_lastUpdated=gt2026-03-03":                                  func(record.Access) bool { return false },
		"_id=3,7,99,nobody":                                          func(a record.Access) bool { return a.Seq == 3 || a.Seq == 7 },
		"_id=3&patient=" + neighbour:                                 func(record.Access) bool { return false },
		"patient=" + lookedAt + "&action=R&outcome=0&agent=client-1": and(about(lookedAt), interaction("read", "vread", "history-instance")),
	} {
		var want []string
		for _, row := range rows {
			if keep(row) {
				want = append([]string{fmt.Sprint(row.Seq)}, want...)
			}
		}
		for form, path := range map[string]string{"GET": "/AuditEvent?" + query, "POST": "/AuditEvent#" + query} {
			if got := pages(t, ask, path+"&_count=4"); !slices.Equal(got, want) {
				t.Errorf("%s %s: %v, want %v", form, query, got, want)
			}
		}
		slices.Reverse(want)
		if got := pages(t, ask, "/AuditEvent?"+query+"&_sort=date&_count=3"); !slices.Equal(got, want) {
			t.Errorf("%s, sorted: %v, want %v", query, got, want)
		}
		var counted struct{ Total int }
		if err := json.Unmarshal(ask("/AuditEvent?"+query+"&_summary=count").Body.Bytes(), &counted); err != nil || counted.Total != len(want) {
			t.Errorf("%s: counted %d, %v, want %d", query, counted.Total, err, len(want))
		}
	}
	for _, bad := range []string{
		"patient=Observation/1", "patient=", "patient:Observation=1", "agent=", "agent:missing=true", "action:not=R", "date=yesterday", "date=xx2026", "_id=a_b",
		"_count=many", "_cursor=x", "_cursor=0", "_sort=agent", "_total=all", "_summary=text", "entity=Observation/1", "eye=blue", "outcome=%7C", "_include=AuditEvent:patient", "subtype:in=x",
	} {
		if w := ask("/AuditEvent?" + bad); w.Code != 400 || !strings.Contains(w.Body.String(), "OperationOutcome") {
			t.Errorf("%s: %d %s", bad, w.Code, w.Body)
		}
	}
}

// pages follows the links of a search to its end, and returns the ids.
func pages(t *testing.T, ask func(string) *httptest.ResponseRecorder, path string) (ids []string) {
	t.Helper()
	for range 50 {
		w := ask(path)
		var b struct {
			Type  string
			Link  []struct{ Relation, URL string }
			Entry []struct {
				FullURL  string `json:"fullUrl"`
				Resource event
				Search   struct{ Mode string }
			}
		}
		if err := json.Unmarshal(w.Body.Bytes(), &b); err != nil || w.Code != 200 || b.Type != "searchset" {
			t.Fatalf("%s: %d %s", path, w.Code, w.Body)
		}
		for _, e := range b.Entry {
			if e.FullURL != "https://candidacy.example/fhir/AuditEvent/"+e.Resource.ID || e.Search.Mode != "match" {
				t.Errorf("%s: an entry is %s, %s", path, e.FullURL, e.Search.Mode)
			}
			ids = append(ids, e.Resource.ID)
		}
		i := slices.IndexFunc(b.Link, func(l struct{ Relation, URL string }) bool { return l.Relation == "next" })
		if i < 0 {
			return ids
		}
		path = strings.TrimPrefix(b.Link[i].URL, "https://candidacy.example/fhir")
	}
	t.Fatalf("%s does not end", path)
	return nil
}
