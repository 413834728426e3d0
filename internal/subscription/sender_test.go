package subscription

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"candidacy/internal/record"
)

// receiver is an endpoint that answers as it is told, and keeps what it got.
type receiver struct {
	*httptest.Server
	mu     sync.Mutex
	status int
	got    []string
}

func receive(t *testing.T) *receiver {
	r := &receiver{status: 200}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body, err := io.ReadAll(q.Body)
		r.mu.Lock()
		defer r.mu.Unlock()
		r.got = append(r.got, fmt.Sprintf("%s %s %s %q %d %v", q.Method, q.URL, q.Header.Get("Authorization"), body, q.ContentLength, err))
		if r.status >= 300 && r.status < 400 {
			w.Header().Set("Location", r.URL+"/elsewhere")
		}
		w.WriteHeader(r.status)
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) answer(status int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.status = status
}

func (r *receiver) took() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	got := r.got
	r.got = nil
	return got
}

// bench is a sender with a store of its own and a clock that the test moves.
type bench struct {
	*Sender
	t    *testing.T
	now  time.Time
	log  bytes.Buffer
	sub  record.Subscription
	seen int
}

func newBench(t *testing.T, endpoint string) *bench {
	b := &bench{t: t, now: time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC)}
	clock := func() time.Time { return b.now }
	store, err := record.Open(t.Context(), filepath.Join(t.TempDir(), "records.db"), clock)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	b.Sender = &Sender{
		Store: store, Client: NewClient(nil), Hosts: Hosts{strings.TrimPrefix(strings.TrimPrefix(endpoint, "http://"), "https://")}, Policy: DefaultPolicy, Now: clock,
		Jitter:  func() float64 { return 1 },
		Granted: func(context.Context, record.Subscription) (bool, error) { return true, nil },
		Log:     slog.New(slog.NewTextHandler(&b.log, nil)),
	}
	b.sub, err = store.AddSubscription(t.Context(), record.Subscription{
		Client: "ehr", Status: record.SubscriptionRequested, Query: record.Query{Type: "Observation"}, Contact: json.RawMessage("[]"),
		Endpoint: endpoint + "/hook?key=secret", Headers: []string{"Authorization: Bearer secret"},
	}, 5)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// publish makes something that there is to tell of.
func (b *bench) publish() {
	b.t.Helper()
	b.seen++
	id := fmt.Sprint("o-", b.seen)
	r := record.Resource{Type: "Observation", ID: id, Body: []byte(`{"resourceType":"Observation","id":"` + id + `"}`)}
	if err := b.Store.PublishProgramme(b.t.Context(), []record.Resource{r}); err != nil {
		b.t.Fatal(err)
	}
}

// once sends what is due and reports whether anything was.
func (b *bench) once() bool {
	b.t.Helper()
	did, err := b.Once(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	return did
}

func (b *bench) is(status record.SubscriptionStatus, class string) {
	b.t.Helper()
	sub, err := b.Store.Subscription(b.t.Context(), b.sub.ID)
	if err != nil || sub.Status != status || sub.Error != class {
		b.t.Fatalf("status %s, error %q, %v; want %s, %q", sub.Status, sub.Error, err, status, class)
	}
}

func (b *bench) events() string {
	b.t.Helper()
	list, err := b.Store.SubscriptionEvents(b.t.Context(), "", 100)
	if err != nil {
		b.t.Fatal(err)
	}
	var states []string
	for _, e := range list {
		states = append(states, string(e.State))
	}
	slices.Sort(states)
	return strings.Join(states, " ")
}

const empty = `POST /hook?key=secret Bearer secret "" 0 <nil>`

func TestSubscriberIsToldAndNothingElse(t *testing.T) {
	r := receive(t)
	b := newBench(t, r.URL)
	if !b.once() || b.once() {
		t.Fatal("the endpoint was not tried, or twice")
	}
	b.is(record.SubscriptionActive, "")
	if got := r.took(); !slices.Equal(got, []string{empty}) {
		t.Errorf("got %q", got)
	}
	// What waits together is one request, which says no more than that there is
	// something.
	b.publish()
	b.publish()
	if !b.once() || b.once() {
		t.Fatal("it was not told, or twice")
	}
	if got := r.took(); !slices.Equal(got, []string{empty}) || b.events() != "sent sent" {
		t.Errorf("got %q, %s", got, b.events())
	}
	b.publish()
	b.once()
	if got := r.took(); !slices.Equal(got, []string{empty}) {
		t.Errorf("got %q", got)
	}
}

func TestSubscriberIsTriedAgainAndGivenUp(t *testing.T) {
	r := receive(t)
	b := newBench(t, r.URL)
	b.Policy.Attempts = 12
	b.once()
	b.publish()
	r.answer(503)
	var pauses []time.Duration
	for attempt := 1; ; attempt++ {
		if !b.once() {
			t.Fatal("nothing was tried")
		}
		if attempt == b.Policy.Attempts {
			break
		}
		b.is(record.SubscriptionError, "status-503")
		sub, err := b.Store.Subscription(t.Context(), b.sub.ID)
		if err != nil {
			t.Fatal(err)
		}
		pause := sub.DueAt.Sub(b.now)
		pauses = append(pauses, pause)
		b.now = b.now.Add(pause - time.Microsecond)
		if b.once() {
			t.Fatal("it was tried too soon")
		}
		b.now = b.now.Add(time.Microsecond)
	}
	s, m, h := time.Second, time.Minute, time.Hour
	want := []time.Duration{10 * s, 20 * s, 40 * s, 80 * s, 160 * s, 320 * s, 640 * s, 1280 * s, 2560 * s, 85*m + 20*s, 2 * h}
	if !slices.Equal(pauses, want) {
		t.Errorf("pauses %v, want %v", pauses, want)
	}
	b.is(record.SubscriptionOff, "status-503")
	b.publish()
	if b.once() || b.events() != "dropped" {
		t.Errorf("it goes on: %s", b.events())
	}
	if p := DefaultPolicy; p.pause(1, 0) != 5*s || p.pause(1, 1) != 10*s || p.pause(100, 0.5) != 90*m {
		t.Errorf("pauses %v %v %v", p.pause(1, 0), p.pause(1, 1), p.pause(100, 0.5))
	}
	// Its client asks again.
	r.answer(204)
	if _, err := b.Store.ChangeSubscription(t.Context(), b.sub.ID, func(sub *record.Subscription) error {
		sub.Status, sub.Failures, sub.Error, sub.DueAt = record.SubscriptionRequested, 0, "", b.now
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	b.once()
	b.is(record.SubscriptionActive, "")
}

func TestFailureIsOverOnceItIsReached(t *testing.T) {
	r := receive(t)
	r.answer(500)
	b := newBench(t, r.URL)
	b.once()
	b.is(record.SubscriptionError, "status-500")
	b.now = b.now.Add(time.Minute)
	b.publish()
	r.answer(200)
	b.once()
	b.is(record.SubscriptionActive, "")
	if sub, _ := b.Store.Subscription(t.Context(), b.sub.ID); sub.Failures != 0 || b.events() != "sent" {
		t.Errorf("%+v %s", sub, b.events())
	}
}

func TestWhatIsNoSuccess(t *testing.T) {
	r := receive(t)
	for status, class := range map[int]string{200: "", 202: "", 299: "", 302: "status-302", 307: "status-307", 400: "status-400", 401: "status-401", 410: "status-410", 429: "status-429"} {
		b := newBench(t, r.URL)
		r.answer(status)
		b.once()
		want := record.SubscriptionError
		if class == "" {
			want = record.SubscriptionActive
		}
		b.is(want, class)
		// A redirect is not followed, least of all with the secret.
		if got := r.took(); !slices.Equal(got, []string{empty}) {
			t.Errorf("%d: got %q", status, got)
		}
	}
}

// fails is a transport that fails in a way of its own.
type fails struct{ error }

func (f fails) RoundTrip(*http.Request) (*http.Response, error) { return nil, f.error }

type slow struct{}

func (slow) Timeout() bool   { return true }
func (slow) Temporary() bool { return true }
func (slow) Error() string   { return "dial tcp secret.example: i/o timeout" }

func TestFailuresAreToldInAWord(t *testing.T) {
	r := receive(t)
	for _, c := range []struct {
		change func(*bench)
		class  string
	}{
		{func(b *bench) { b.Client.Transport = fails{slow{}} }, Timeout},
		{func(b *bench) { b.Client.Transport = fails{errors.New("dial tcp secret.example: connection refused")} }, Unreachable},
		{func(b *bench) { b.Hosts = Hosts{"other.example"} }, Refused},
		{func(b *bench) {
			tls := httptest.NewTLSServer(http.NotFoundHandler())
			b.t.Cleanup(tls.Close)
			tls.Config.ErrorLog = nil
			b.Hosts = Hosts{strings.TrimPrefix(tls.URL, "https://")}
			b.moveTo(tls.URL)
		}, Untrusted},
		{func(b *bench) {
			// A name that comes to mean this machine.
			b.Client.Transport.(*http.Transport).DialContext = func(ctx context.Context, network, _ string) (net.Conn, error) {
				d := net.Dialer{Control: dialed(false)}
				return d.DialContext(ctx, network, strings.TrimPrefix(r.URL, "http://"))
			}
		}, Refused},
	} {
		b := newBench(t, r.URL)
		c.change(b)
		b.once()
		b.is(record.SubscriptionError, c.class)
		if got := r.took(); len(got) > 0 {
			t.Errorf("%s: got %q", c.class, got)
		}
		if strings.Contains(b.log.String(), "secret") {
			t.Errorf("the log holds %s", b.log.String())
		}
	}
}

func (b *bench) moveTo(endpoint string) {
	b.t.Helper()
	if _, err := b.Store.ChangeSubscription(b.t.Context(), b.sub.ID, func(sub *record.Subscription) error {
		sub.Endpoint = endpoint
		return nil
	}); err != nil {
		b.t.Fatal(err)
	}
}

func TestNothingGoesToAClientThatMayNot(t *testing.T) {
	r := receive(t)
	b := newBench(t, r.URL)
	b.once()
	r.took()
	b.publish()
	granted := false
	b.Granted = func(context.Context, record.Subscription) (bool, error) { return granted, nil }
	b.once()
	b.is(record.SubscriptionOff, NotGranted)
	if got := r.took(); len(got) > 0 || b.events() != "dropped" {
		t.Errorf("got %q, %s", got, b.events())
	}
	// Where that can't be found out, nothing is sent, and nothing is lost.
	b = newBench(t, r.URL)
	failed := errors.New("the store does not answer")
	b.Granted = func(context.Context, record.Subscription) (bool, error) { return false, failed }
	if _, err := b.Once(t.Context()); !errors.Is(err, failed) {
		t.Error(err)
	}
	b.is(record.SubscriptionRequested, "")
	b.Granted = func(context.Context, record.Subscription) (bool, error) { return true, nil }
	b.once()
	b.is(record.SubscriptionActive, "")
}

func TestSubscriptionEndsByItself(t *testing.T) {
	r := receive(t)
	b := newBench(t, r.URL)
	b.once()
	if _, err := b.Store.ChangeSubscription(t.Context(), b.sub.ID, func(sub *record.Subscription) error {
		sub.EndsAt = b.now.Add(time.Hour)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	r.took()
	b.now = b.now.Add(time.Hour)
	b.publish()
	if !b.once() || b.once() || len(r.took()) > 0 {
		t.Error("something was sent after the end")
	}
	b.is(record.SubscriptionOff, Ended)
}

// TestToldAtLeastOnce: a program that stops between the request and its note sends
// it again.
func TestToldAtLeastOnce(t *testing.T) {
	r := receive(t)
	b := newBench(t, r.URL)
	b.once()
	b.publish()
	r.took()
	ctx, cancel := context.WithCancel(t.Context())
	plain := b.Client.Transport
	b.Client.Transport = transport(func(q *http.Request) (*http.Response, error) {
		response, err := plain.RoundTrip(q)
		cancel()
		if err == nil {
			err = errors.Join(response.Body.Close(), ctx.Err())
		}
		return nil, err
	})
	if _, err := b.Once(ctx); !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	if got := r.took(); len(got) != 1 {
		t.Fatalf("got %q", got)
	}
	b.is(record.SubscriptionActive, "")
	b.Client.Transport = plain
	b.once()
	if got := r.took(); !slices.Equal(got, []string{empty}) || b.events() != "sent" {
		t.Errorf("got %q, %s", got, b.events())
	}
	// One that dies without a word leaves it for the time of its lease.
	b.publish()
	if _, _, err := b.Store.ClaimSubscription(t.Context(), "dead", b.now.Add(b.Policy.Lease)); err != nil {
		t.Fatal(err)
	}
	if b.once() {
		t.Error("it was taken from a process that may live")
	}
	b.now = b.now.Add(b.Policy.Lease)
	if !b.once() || len(r.took()) != 1 {
		t.Error("it was left with a dead process")
	}
}

type transport func(*http.Request) (*http.Response, error)

func (f transport) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

func TestOldEventsAreForgotten(t *testing.T) {
	r := receive(t)
	b := newBench(t, r.URL)
	b.once()
	b.publish()
	b.once()
	b.now = b.now.Add(b.Policy.Remember)
	b.once()
	if b.events() != "sent" {
		t.Errorf("events: %s", b.events())
	}
	b.now = b.now.Add(b.Policy.Forget)
	b.once()
	if b.events() != "" {
		t.Errorf("events: %s", b.events())
	}
}
