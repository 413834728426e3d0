package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/labstack/echo/v4"
	"go.temporal.io/sdk/worker"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/engine"
	"candidacy/internal/incoming"
	"candidacy/internal/intake"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/result"
	"candidacy/workflows"
)

// quiet publishes nothing: what an EHR reads is tested elsewhere.
type quiet struct{}

func (quiet) Publish(activities.Snapshot) ([]record.Resource, error) { return nil, nil }

// clock is set by the tests.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) set(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = at
}

func (c *clock) add(d time.Duration) { c.set(c.now().Add(d)) }

// world is the pages on their real parts: an engine in memory, a worker and a
// record store in a file.
type world struct {
	t          *testing.T
	clock      *clock
	store      *record.Store
	dispatcher *dispatch.Dispatcher
	incoming   *incoming.Queue
	protocol   *protocol.Protocol
	site       *httptest.Server
	log        *strings.Builder
	keys       int
}

const password = "a long word for tests"

// staff are the accounts of every world: the username is the id too.
var staff = []struct {
	id, name string
	role     journey.Role
}{
	{"cora", "Cora Lindqvist", journey.Coordinator},
	{"clem", "Clement Oduya", journey.Clinician},
	{"cleo", "Cleo Marchetti", journey.Clinician},
	{"adva", "Adva Rosengren", journey.Advocate},
	{"adil", "Adil Brandt", journey.Advocate},
	{"comm", "Comfort Vanterpool", journey.CommitteeRole},
	{"audi", "Audie Nakamura", journey.Auditor},
	{"edna", "Edna Interface", journey.EHR},
	{"admi", "Admira Kovac", journey.Administrator},
}

func newWorld(t *testing.T, change func(*Deps)) *world {
	t.Helper()
	return newWorldOf(t, protocoltest.Brief(), change)
}

// newWorldOf is a world with a protocol of its own.
func newWorldOf(t *testing.T, p *protocol.Protocol, change func(*Deps)) *world {
	t.Helper()
	ctx := t.Context()
	w := &world{
		t: t, clock: &clock{at: time.Date(2026, 7, 20, 7, 0, 0, 0, time.UTC)},
		protocol: p, log: &strings.Builder{},
	}
	server, err := engine.Start(ctx, engine.Options{InMemory: true})
	must(t, err)
	t.Cleanup(func() { _ = server.Stop() })
	codec, err := engine.NewCodec(engine.NewKeyring())
	must(t, err)
	client, err := engine.Dial(ctx, engine.ClientOptions{HostPort: server.HostPort(), Codec: codec})
	must(t, err)
	t.Cleanup(client.Close)
	w.store, err = record.Open(ctx, filepath.Join(t.TempDir(), "records.db"), w.clock.now)
	must(t, err)
	t.Cleanup(func() { must(t, w.store.Close()) })
	must(t, w.store.KeepProtocol(ctx, w.protocol.Version, w.protocol.Digest(), w.protocol.Source()))
	registry := protocol.NewRegistry(w.store.Protocol, w.protocol)
	wk := engine.NewWorker(client, workflows.TaskQueue, worker.Options{})
	wk.RegisterWorkflow(workflows.Candidate)
	wk.RegisterActivity(&activities.Activities{Store: w.store, Protocols: registry, Publisher: quiet{}})
	must(t, wk.Start())
	t.Cleanup(wk.Stop)
	for _, a := range staff {
		_, err := w.store.AddAccount(ctx, a.id, a.id, a.name, a.role, password)
		must(t, err)
	}
	// The journeys run by the test's clock alone: the engine's own waits until
	// entry after the fact ends, and nobody ends it here.
	w.dispatcher = &dispatch.Dispatcher{
		Store: w.store, Client: client, Protocols: registry, Current: w.protocol, Now: w.clock.now, BackEntry: true,
	}
	w.incoming = incoming.New(w.store, w.dispatcher, w.clock.now, nil)
	w.incoming.Readers[intake.ContentType] = intake.Reader{}
	deps := Deps{
		Store: w.store, Incoming: w.incoming, Dispatcher: w.dispatcher, Protocols: registry, Current: w.protocol, Now: w.clock.now, Sealer: engine.NewKeyring(),
		Log: slog.New(slog.NewTextHandler(&locked{b: w.log}, nil)),
	}
	if change != nil {
		change(&deps)
	}
	e := echo.New()
	must(t, Register(e, deps))
	w.site = httptest.NewServer(e)
	t.Cleanup(w.site.Close)
	return w
}

type locked struct {
	mu sync.Mutex
	b  *strings.Builder
}

func (l *locked) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

// sendFile sends a form with a file; without data none is chosen.
func (b *browser) sendFile(path, field, name, data string, values map[string]string) answer {
	b.w.t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	for name, value := range values {
		must(b.w.t, w.WriteField(name, value))
	}
	if data != "" {
		part, err := w.CreateFormFile(field, name)
		must(b.w.t, err)
		_, err = part.Write([]byte(data))
		must(b.w.t, err)
	}
	must(b.w.t, w.Close())
	r, err := http.NewRequest(http.MethodPost, b.w.site.URL+path, &body)
	must(b.w.t, err)
	r.Header.Set("Content-Type", w.FormDataContentType())
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return b.do(r, nil)
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// give carries a command out as one of the staff.
func (w *world) give(actor, candidate string, kind journey.Kind, body command.Body) dispatch.Receipt {
	w.t.Helper()
	receipt, err := w.try(actor, candidate, kind, body)
	if err != nil {
		w.t.Fatalf("%s: %v", kind, err)
	}
	return receipt
}

func (w *world) try(actor, candidate string, kind journey.Kind, body command.Body) (dispatch.Receipt, error) {
	var role journey.Role
	for _, a := range staff {
		if a.id == actor {
			role = a.role
		}
	}
	w.keys++
	return w.dispatcher.Submit(context.Background(), dispatch.Request{
		Candidate: candidate, Key: fmt.Sprintf("test-%d", w.keys), Kind: kind, Actor: actor, Role: role, Body: body,
	})
}

// day sets the clock to nine in the morning of a day in the programme's zone.
func (w *world) day(date string) {
	w.clock.set(journey.Date(date).Start(w.protocol.Zone()).Add(9 * time.Hour))
}

func (w *world) refer(given, family, birth, sex, number, recipient string) string {
	w.t.Helper()
	path := "direct"
	if recipient == "" {
		path = "nondirected"
	}
	return w.give("cora", "", journey.Refer, &command.Referral{
		Given: given, Family: family, BirthDate: journey.Date(birth), Sex: sex, Path: path, Recipient: recipient,
		Identifier: result.Identifier{System: "urn:oid:1.2.36.146.595.217.0.1", Value: number},
	}).Candidate
}

func (w *world) screen(id string) {
	w.t.Helper()
	w.give("cora", id, journey.BeginScreening, &command.BeginScreening{ContactConsent: true, DuplicateChecked: true})
}

func (w *world) evaluate(id string) {
	w.t.Helper()
	w.screen(id)
	w.give("cora", id, journey.AssignAdvocate, &command.AssignAdvocate{Advocate: "adva"})
	w.give("cora", id, journey.RecordConsent, &command.RecordConsent{Requirement: "consent-evaluation"})
	w.give("cora", id, journey.BeginEvaluation, &command.Plain{})
}

// bundle records the results of one of the synthetic bundles.
func (w *world) bundle(id, name string) {
	w.t.Helper()
	raw, err := os.ReadFile(filepath.Join("..", "..", "testdata", "bundles", name+".json"))
	must(w.t, err)
	message, err := intake.One(raw)
	must(w.t, err)
	w.give("cora", id, journey.RecordResults, &command.RecordResults{Results: message.Results})
}

// sign signs everything that has a result, with a reason.
func (w *world) sign(id string) {
	w.t.Helper()
	c, err := w.store.Candidate(context.Background(), id)
	must(w.t, err)
	var ids []string
	for _, r := range c.State.Requirements {
		rule, _ := w.protocol.Rules().Requirement(r.ID)
		if rule.Evidence == journey.ByResult && (r.Status == journey.Resulted || r.Status == journey.NeedsReview) {
			ids = append(ids, r.ID)
		}
	}
	w.give("clem", id, journey.SignResults, &command.SignResults{Requirements: ids, Verdict: journey.VerdictMet, Reason: "Discussed with nephrology and acceptable at this age."})
}

func (w *world) review(id string) {
	w.t.Helper()
	for _, r := range []string{"medical-history", "renal-angiogram", "psychosocial-evaluation", "nephrology-review", "surgery-review"} {
		body := &command.RecordReview{Requirement: r, Position: journey.Supports}
		if r == "psychosocial-evaluation" {
			body.Position, body.Findings = journey.Concerns, "Worries about time away from work."
		}
		w.give("clem", id, journey.RecordReview, body)
	}
	w.give("adva", id, journey.RecordReview, &command.RecordReview{Requirement: "advocate-review-final", Position: journey.Supports, Findings: "Acts freely and knows the risks."})
}

func (w *world) approve(id string) {
	w.t.Helper()
	w.give("cora", id, journey.PresentToCommittee, &command.Plain{})
	w.give("comm", id, journey.RecordDecision, &command.RecordDecision{
		Outcome: journey.Approve, Side: journey.Left, Seats: w.protocol.Rules().Quorum, Reason: "Agreed without dissent.",
	})
}

// browser is one person's signed-in client. It follows no redirect.
type browser struct {
	w    *world
	http *http.Client
}

func (w *world) browser() *browser {
	jar, err := cookiejar.New(nil)
	must(w.t, err)
	return &browser{w, &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

func (w *world) as(username string) *browser { return w.enter(username, password) }

func (w *world) enter(username, password string) *browser {
	w.t.Helper()
	b := w.browser()
	if got := b.post("/sign-in", url.Values{"username": {username}, "password": {password}}); got.status != http.StatusSeeOther {
		w.t.Fatalf("sign in as %s: %d", username, got.status)
	}
	return b
}

type answer struct {
	status int
	body   string
	header http.Header
}

func (b *browser) do(r *http.Request, err error) answer {
	b.w.t.Helper()
	must(b.w.t, err)
	res, err := b.http.Do(r)
	must(b.w.t, err)
	body, err := io.ReadAll(res.Body)
	must(b.w.t, errors.Join(err, res.Body.Close()))
	return answer{res.StatusCode, string(body), res.Header}
}

func (b *browser) get(path string) answer {
	b.w.t.Helper()
	return b.do(http.NewRequest(http.MethodGet, b.w.site.URL+path, nil))
}

func (b *browser) post(path string, form url.Values) answer {
	b.w.t.Helper()
	r, err := http.NewRequest(http.MethodPost, b.w.site.URL+path, strings.NewReader(form.Encode()))
	must(b.w.t, err)
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return b.do(r, nil)
}

func (a answer) has(t *testing.T, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if !strings.Contains(a.body, text) {
			t.Errorf("the page lacks %q", text)
		}
	}
}

func (a answer) lacks(t *testing.T, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if strings.Contains(a.body, text) {
			t.Errorf("the page shows %q", text)
		}
	}
}
