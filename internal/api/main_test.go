package api

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/routers"
	"github.com/labstack/echo/v4"
	"go.temporal.io/sdk/worker"

	"candidacy/activities"
	"candidacy/internal/dispatch"
	"candidacy/internal/engine"
	"candidacy/internal/incoming"
	"candidacy/internal/intake"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/workflows"
)

// today is the clock of every test: a week after the laboratory sent the
// evaluation of c01, so that its results are on time and none is of the future.
var today time.Time

func now() time.Time { return today }

// bundles is the folder of the laboratory files.
const bundles = "../../testdata/bundles"

// mrn is the system of the identifiers in the bundles.
const mrn = "urn:oid:1.2.36.146.595.217.0.1"

// fixture is the whole program but for its pages: engine, worker, store, API.
type fixture struct {
	store      *record.Store
	db         *sql.DB
	protocol   *protocol.Protocol
	dispatcher *dispatch.Dispatcher
	server     *echo.Echo
	deps       Deps
	log        *bytes.Buffer
	tokens     map[string]string
	made       int
	contract   routers.Router
	closers    []func() error
}

// fix is shared: starting an engine for each test would take most of the time.
// Tests therefore run one after the other.
var fix *fixture

func TestMain(m *testing.M) {
	flag.Parse()
	// The fuzz targets need none of it, and every fuzzing process comes by here.
	if fuzzing := flag.Lookup("test.fuzz"); fuzzing != nil && fuzzing.Value.String() != "" {
		os.Exit(m.Run())
	}
	os.Exit(run(m))
}

func run(m *testing.M) (code int) {
	dir, err := os.MkdirTemp("", "candidacy-api-*")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	if today, err = weekAfter("c01-evaluation.json"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	fix = &fixture{log: &bytes.Buffer{}, tokens: map[string]string{}}
	defer func() {
		if err := errors.Join(fix.close(), os.RemoveAll(dir)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}()
	if err := fix.start(dir); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return m.Run()
}

// weekAfter reads when a laboratory file was sent.
func weekAfter(name string) (time.Time, error) {
	raw, err := os.ReadFile(filepath.Join(bundles, name))
	if err != nil {
		return time.Time{}, err
	}
	var sent struct{ Timestamp time.Time }
	err = json.Unmarshal(raw, &sent)
	return sent.Timestamp.AddDate(0, 0, 7), err
}

// day is a calendar day so many days from today.
func day(after int) string { return today.AddDate(0, 0, after).Format(time.DateOnly) }

// nothing publishes nothing: what an EHR reads is tested elsewhere.
type nothing struct{}

func (nothing) Publish(activities.Snapshot) ([]record.Resource, error) { return nil, nil }

func (f *fixture) start(dir string) error {
	ctx := context.Background()
	server, err := engine.Start(ctx, engine.Options{InMemory: true})
	if err != nil {
		return err
	}
	f.closers = append(f.closers, server.Stop)
	codec, err := engine.NewCodec(engine.NewKeyring())
	if err != nil {
		return err
	}
	client, err := engine.Dial(ctx, engine.ClientOptions{HostPort: server.HostPort(), Codec: codec})
	if err != nil {
		return err
	}
	f.closers = append(f.closers, func() error { client.Close(); return nil })

	path := filepath.Join(dir, "records.db")
	if f.store, err = record.Open(ctx, path, now); err != nil {
		return err
	}
	f.closers = append(f.closers, f.store.Close)
	if f.db, err = sql.Open("sqlite", "file:"+path+"?_pragma=query_only(1)"); err != nil {
		return err
	}
	f.closers = append(f.closers, f.db.Close)

	f.protocol = protocoltest.Brief()
	if err := f.store.KeepProtocol(ctx, f.protocol.Version, f.protocol.Digest(), f.protocol.Source()); err != nil {
		return err
	}
	protocols := protocol.NewRegistry(f.store.Protocol, f.protocol)
	w := engine.NewWorker(client, workflows.TaskQueue, worker.Options{})
	w.RegisterWorkflow(workflows.Candidate)
	w.RegisterActivity(&activities.Activities{Store: f.store, Protocols: protocols, Publisher: nothing{}})
	if err := w.Start(); err != nil {
		return err
	}
	f.closers = append(f.closers, func() error { w.Stop(); return nil })

	f.dispatcher = &dispatch.Dispatcher{
		Store: f.store, Client: client, Protocols: protocols, Current: f.protocol, Now: now,
		// The tests' today is long past for the engine: its timers must wait.
		BackEntry: true,
	}
	queue := incoming.New(f.store, f.dispatcher, now, nil)
	queue.Readers[intake.ContentType] = intake.Reader{}
	f.deps = Deps{
		Store: f.store, Dispatcher: f.dispatcher, Incoming: queue, Protocols: protocols, Current: f.protocol, Now: now,
		Log: slog.New(slog.NewTextHandler(f.log, nil)),
	}
	f.server = serve(f.deps)
	if f.contract, err = readContract(ctx); err != nil {
		return err
	}
	return f.people(ctx)
}

func serve(d Deps) *echo.Echo {
	e := echo.New()
	Register(e.Group("/api"), d)
	return e
}

// people makes an account and a token for each role, and a second advocate.
func (f *fixture) people(ctx context.Context) error {
	for id, role := range map[string]journey.Role{
		"coordinator": journey.Coordinator, "clinician": journey.Clinician, "advocate": journey.Advocate,
		"other-advocate": journey.Advocate, "committee": journey.CommitteeRole, "auditor": journey.Auditor,
		"ehr": journey.EHR, "administrator": journey.Administrator, "recipient-coordinator": journey.Coordinator,
		"laboratory": journey.Laboratory, "recipient-clinician": journey.Clinician, "recipient-advocate": journey.Advocate,
	} {
		if _, err := f.store.AddAccount(ctx, "acc-"+id, id, "Person of "+id, role, "correct horse battery staple"); err != nil {
			return err
		}
		token, err := f.store.IssueToken(ctx, role, "acc-"+id, 24*time.Hour)
		if err != nil {
			return err
		}
		f.tokens[id] = token
	}
	return nil
}

func (f *fixture) close() error {
	var errs []error
	for i := len(f.closers) - 1; i >= 0; i-- {
		errs = append(errs, f.closers[i]())
	}
	return errors.Join(errs...)
}

// call is one request. Empty parts take what a good client sends.
type call struct {
	method, path string
	as           string
	key          string
	contentType  string
	body         string
	header       http.Header
}

// do sends a request, and holds the answer against openapi.yaml.
func (f *fixture) do(t testing.TB, r call) *httptest.ResponseRecorder {
	t.Helper()
	answer := send(f.server, f.request(r))
	f.conforms(t, f.request(r), answer)
	return answer
}

func send(e *echo.Echo, r *http.Request) *httptest.ResponseRecorder {
	answer := httptest.NewRecorder()
	e.ServeHTTP(answer, r)
	return answer
}

func (f *fixture) request(r call) *http.Request {
	request := httptest.NewRequest(r.method, r.path, strings.NewReader(r.body))
	if r.as != "" {
		request.Header.Set(echo.HeaderAuthorization, "Bearer "+f.tokens[r.as])
	}
	if r.key != "" {
		request.Header.Set(keyHeader, r.key)
	}
	switch {
	case r.contentType != "":
		request.Header.Set(echo.HeaderContentType, r.contentType)
	case r.body != "":
		request.Header.Set(echo.HeaderContentType, echo.MIMEApplicationJSON)
	}
	for name, values := range r.header {
		request.Header[name] = values
	}
	return request
}

// unique numbers what must not repeat within the run: keys and identifiers.
func (f *fixture) unique(prefix string) string {
	f.made++
	return fmt.Sprintf("%s-%d", prefix, f.made)
}

// must sends a request and fails the test unless it is answered with the status.
func (f *fixture) must(t testing.TB, status int, r call) map[string]any {
	t.Helper()
	answer := f.do(t, r)
	if answer.Code != status {
		t.Fatalf("%s %s: got %d, want %d: %s", r.method, r.path, answer.Code, status, answer.Body)
	}
	return object(t, answer.Body.Bytes())
}

func object(t testing.TB, raw []byte) map[string]any {
	t.Helper()
	var value map[string]any
	if err := json.Unmarshal(raw, &value); err != nil {
		t.Fatalf("not a JSON object: %v: %s", err, raw)
	}
	return value
}

func encoded(t testing.TB, value any) string {
	t.Helper()
	raw, err := json.Marshal(value)
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}

// referral is a body of refer. Family and identifier are made up and new.
func (f *fixture) referral(identifier, recipient string) map[string]any {
	return map[string]any{
		"given": "Alvira", "family": "Testford", "birth_date": "1981-03-14", "sex": "female", "path": "direct",
		"identifier": map[string]any{"system": mrn, "value": identifier}, "recipient": recipient,
	}
}

// refer makes a candidate and returns its id.
func (f *fixture) refer(t testing.TB, identifier, recipient string) string {
	t.Helper()
	receipt := f.must(t, http.StatusCreated, call{
		method: "POST", path: "/api/candidates", as: "coordinator", key: f.unique("key"), body: encoded(t, f.referral(identifier, recipient)),
	})
	return receipt["candidate"].(string)
}

// give sends a command that must be accepted.
func (f *fixture) give(t testing.TB, as, candidate string, kind journey.Kind, body any) map[string]any {
	t.Helper()
	return f.must(t, http.StatusOK, call{
		method: "POST", path: commandPath(candidate, kind), as: as, key: f.unique("key"), body: encoded(t, body),
	})
}

func commandPath(candidate string, kind journey.Kind) string {
	return "/api/candidates/" + candidate + "/commands/" + string(kind)
}

// read returns what somebody sees of a candidate.
func (f *fixture) read(t testing.TB, as, candidate string) map[string]any {
	t.Helper()
	return f.must(t, http.StatusOK, call{method: "GET", path: "/api/candidates/" + candidate, as: as})
}

type obj = map[string]any

// screened refers a candidate, begins screening and assigns the advocate.
func (f *fixture) screened(t testing.TB) (candidate, identifier string) {
	t.Helper()
	identifier = f.unique("SYN-X")
	candidate = f.refer(t, identifier, f.unique("R"))
	f.give(t, "coordinator", candidate, journey.BeginScreening, obj{"contact_consent": true, "duplicate_checked": true})
	f.give(t, "coordinator", candidate, journey.AssignAdvocate, obj{"advocate": "acc-advocate"})
	return candidate, identifier
}

// evaluated brings a candidate to the evaluation.
func (f *fixture) evaluated(t testing.TB) (candidate, identifier string) {
	t.Helper()
	candidate, identifier = f.screened(t)
	f.give(t, "coordinator", candidate, journey.RecordConsent, obj{"requirement": "consent-evaluation"})
	f.give(t, "coordinator", candidate, journey.BeginEvaluation, obj{})
	return candidate, identifier
}

// rows counts what is on record and what waits.
func (f *fixture) rows(t testing.TB) (entries, staged int) {
	t.Helper()
	err := f.db.QueryRowContext(t.Context(), "SELECT (SELECT COUNT(*) FROM entry), (SELECT COUNT(*) FROM staged)").Scan(&entries, &staged)
	if err != nil {
		t.Fatal(err)
	}
	return entries, staged
}

// bundle reads a laboratory file. Another subject and other result ids make it
// somebody else's.
func bundle(t testing.TB, name, subject string) string {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(bundles, name))
	if err != nil {
		t.Fatal(err)
	}
	text := string(raw)
	if subject != "" {
		text = strings.ReplaceAll(text, `"SYN-0001"`, `"`+subject+`"`)
		text = strings.ReplaceAll(text, "LV0001-", "LV-"+subject+"-")
	}
	return text
}
