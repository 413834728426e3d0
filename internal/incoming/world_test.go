package incoming_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/fhir"
	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/incoming"
	"candidacy/internal/intake"
	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/result"
	"candidacy/internal/system"
)

// The world is one system for all tests of the package, with real commands. Its
// today is long past for the engine, so that timers wait.
var (
	sys    *system.System
	server *echo.Echo
	today  = time.Date(2026, time.March, 10, 12, 0, 0, 0, protocoltest.Brief().Zone())
	number atomic.Int64
)

const (
	hospital = "https://hospital.example/mrn"
	lab      = "https://lab.example/result"
	base     = "https://programme.example/fhir"
)

func TestMain(m *testing.M) { os.Exit(run(m)) }

func run(m *testing.M) int {
	dir, err := os.MkdirTemp("", "incoming")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	ctx := context.Background()
	if sys, err = system.Open(ctx, system.Options{DataDir: dir, Protocol: protocoltest.Brief(), Now: now}); err != nil {
		panic(err)
	}
	defer sys.Close()
	sys.Dispatcher.BackEntry = true
	for id, role := range map[string]journey.Role{"cora": journey.Coordinator, "cory": journey.Coordinator, "team": journey.Coordinator, "clem": journey.Clinician, "adva": journey.Advocate} {
		if _, err := sys.Store.AddAccount(ctx, id, id, "Person "+id, role, "correct horse battery staple"); err != nil {
			panic(err)
		}
	}
	server = serve(fhir.Everything{})
	return m.Run()
}

func now() time.Time { return today }

// serve is the FHIR endpoint for a client with a grant.
func serve(grant fhir.Grant) *echo.Echo {
	e := echo.New()
	fhir.Register(e.Group("/fhir"), sys.Store, fhir.Options{
		BaseURL: func(*http.Request) string { return base }, Now: now, Intake: sys.Incoming,
		Sender: func(*http.Request) string { return "lab-1" }, Grant: func(*http.Request) fhir.Grant { return grant },
	})
	return e
}

// person is a candidate of the tests.
type person struct{ id, mrn string }

// candidate refers somebody and screens them, so that results can be recorded.
func candidate(tb testing.TB) person {
	tb.Helper()
	return referred(tb, "", true)
}

func referred(tb testing.TB, recipient string, screened bool) person {
	tb.Helper()
	p := person{mrn: fmt.Sprintf("T-%04d", number.Add(1))}
	body := &command.Referral{
		Given: "Bryn Maria", Family: "Testwick-Ode", BirthDate: "1981-05-06", Sex: "female", Path: "nondirected",
		Identifier: result.Identifier{System: hospital, Value: p.mrn},
	}
	if recipient != "" {
		body.Path, body.Recipient = "direct", recipient
	}
	p.id = give(tb, "", journey.Refer, "cora", journey.Coordinator, body).Candidate
	if screened {
		give(tb, p.id, journey.BeginScreening, "cora", journey.Coordinator, &command.BeginScreening{ContactConsent: true, DuplicateChecked: true})
	}
	return p
}

func give(tb testing.TB, candidate string, kind journey.Kind, actor string, role journey.Role, body command.Body) dispatch.Receipt {
	tb.Helper()
	receipt, err := sys.Dispatcher.Submit(context.Background(), dispatch.Request{
		Candidate: candidate, Key: fmt.Sprintf("key-%d", number.Add(1)), Kind: kind, Actor: actor, Role: role, Body: body,
	})
	if err != nil {
		tb.Fatalf("%s: %v", kind, err)
	}
	return receipt
}

type object = map[string]any

// observation is a serum creatinine of somebody, whose members are replaced; a
// value of nil removes one.
func observation(p person, value string, members object) object {
	o := object{
		"resourceType": "Observation", "status": "final",
		"identifier":        []any{object{"system": lab, "value": value}},
		"category":          []any{object{"coding": []any{object{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "laboratory"}}}},
		"code":              object{"coding": []any{object{"system": command.LOINC, "code": "2160-0", "display": "Creatinine"}}},
		"subject":           object{"identifier": object{"system": hospital, "value": p.mrn}},
		"effectiveDateTime": "2026-03-02T08:00:00+01:00",
		"issued":            "2026-03-02T10:00:00+01:00",
		"valueQuantity":     quantity("0.90"),
	}
	maps.Copy(o, members)
	maps.DeleteFunc(o, func(_ string, v any) bool { return v == nil })
	return o
}

func quantity(value string) object {
	return object{"value": json.Number(value), "unit": "mg/dL", "system": "http://unitsofmeasure.org", "code": "mg/dL"}
}

// unique is an identifier of the laboratory that no other test uses.
func unique() string { return fmt.Sprintf("R-%05d", number.Add(1)) }

func text(tb testing.TB, v any) string {
	tb.Helper()
	if s, ok := v.(string); ok {
		return s
	}
	raw, err := json.Marshal(v)
	if err != nil {
		tb.Fatal(err)
	}
	return string(raw)
}

// entry is one entry of a Bundle; url is POST or PUT and an address.
func entry(url string, resource any, more object) object {
	method, address, _ := strings.Cut(url, " ")
	request := object{"method": method, "url": address}
	e := object{"request": request}
	if resource != nil {
		e["resource"] = resource
	}
	for name, v := range more {
		switch name {
		case "fullUrl":
			e[name] = v
		default:
			request[name] = v
		}
	}
	return e
}

func bundle(kind string, entries ...any) object {
	return object{"resourceType": "Bundle", "type": kind, "entry": entries}
}

// ask sends a request to the FHIR endpoint. Headers are name, value, name, value.
func ask(tb testing.TB, e http.Handler, method, path string, body any, headers ...string) *httptest.ResponseRecorder {
	tb.Helper()
	r := httptest.NewRequest(method, "/fhir"+path, strings.NewReader(text(tb, body)))
	r.Header.Set("Content-Type", "application/fhir+json")
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	e.ServeHTTP(w, r)
	return w
}

// issue is the first of an OperationOutcome.
type issue struct {
	Severity, Code, Diagnostics string
	Expression                  []string
}

func issues(tb testing.TB, w *httptest.ResponseRecorder) []issue {
	tb.Helper()
	var o struct {
		ResourceType string
		Issue        []issue
	}
	if err := json.Unmarshal(w.Body.Bytes(), &o); err != nil || o.ResourceType != "OperationOutcome" || len(o.Issue) == 0 {
		tb.Fatalf("%d is no OperationOutcome: %s", w.Code, w.Body)
	}
	return o.Issue
}

type response struct {
	ResourceType, Type string
	Entry              []struct {
		FullURL  string `json:"fullUrl"`
		Resource json.RawMessage
		Response struct {
			Status, Location, Etag, LastModified string
			Outcome                              struct{ Issue []issue }
		}
	}
}

func responses(tb testing.TB, w *httptest.ResponseRecorder) response {
	tb.Helper()
	var r response
	if err := json.Unmarshal(w.Body.Bytes(), &r); err != nil || r.ResourceType != "Bundle" {
		tb.Fatalf("%d is no Bundle: %s", w.Code, w.Body)
	}
	return r
}

// results are the present results of somebody by their identifier.
func results(tb testing.TB, p person) map[string]result.Result {
	tb.Helper()
	list, err := sys.Store.Results(context.Background(), p.id)
	if err != nil {
		tb.Fatal(err)
	}
	found := map[string]result.Result{}
	for _, r := range list {
		found[r.Identifier.Value] = r
	}
	return found
}

// entries counts what is on record of somebody.
func entries(tb testing.TB, p person) int {
	tb.Helper()
	list, err := sys.Store.Entries(context.Background(), p.id)
	if err != nil {
		tb.Fatal(err)
	}
	return len(list)
}

// take sends a message that has no sender waiting for it, and carries it out.
func take(tb testing.TB, channel incoming.Channel, control, sent string, body any) incoming.Outcome {
	tb.Helper()
	out, err := sys.Incoming.Take(context.Background(), incoming.Delivery{
		Channel: channel, Sender: "lab-1", ControlID: control, ContentType: intake.ContentType, Raw: []byte(text(tb, body)), MessageTime: sent,
	})
	if err != nil {
		tb.Fatal(err)
	}
	return out
}

// kinds are those of the issues of an outcome, in order.
func kinds(out incoming.Outcome) string {
	var b bytes.Buffer
	for i, each := range out.Issues {
		if i > 0 {
			b.WriteString(" ")
		}
		b.WriteString(string(each.Kind))
	}
	return b.String()
}

func kept(tb testing.TB, id string) record.Incoming {
	tb.Helper()
	m, err := sys.Store.Incoming(context.Background(), id)
	if err != nil {
		tb.Fatal(err)
	}
	return m
}
