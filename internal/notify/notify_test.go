package notify_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"candidacy/internal/journey"
	"candidacy/internal/notify"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// world is a store with a few people, a mail server, and a clock.
type world struct {
	*testing.T
	store    *record.Store
	registry *protocol.Registry
	protocol *protocol.Protocol
	mail     *catcher
	logged   *bytes.Buffer

	mu  sync.Mutex
	at  time.Time
	seq map[string]int64
}

const notices = `
notices:
  - {of: screening-due, to: [coordinator, assigned-advocate], text: waits, source: test}
  - {of: report-due, to: [coordinator, clinician], text: person, source: test}
  - {of: visit-opens, to: [candidate], text: call, source: test}
  - {of: emergency-opened, to: [auditor, administrator, assigned-advocate, coordinator], text: opened, source: test}
notice_texts:
  - {id: waits, subject: Something waits, body: "Something waits: {board}"}
  - {id: person, subject: Somebody waits, body: "Somebody waits: {candidate}"}
  - {id: opened, subject: A record was opened, body: "A record was opened: {board}"}
  - {id: call, subject: We would like to hear from you, body: Please call us.}
`

func (w *world) now() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.at
}

func (w *world) advance(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.at = w.at.Add(d)
}

func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{T: t, at: time.Date(2026, 9, 14, 8, 0, 0, 0, time.UTC), seq: map[string]int64{}, logged: &bytes.Buffer{}, mail: newCatcher(t, nil)}
	var err error
	if w.protocol, err = protocol.Parse([]byte(protocoltest.Brief().Source() + notices)); err != nil {
		t.Fatal(err)
	}
	if w.store, err = record.Open(t.Context(), filepath.Join(t.TempDir(), "records.db"), w.now); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.must(w.store.Close()) })
	w.must(w.store.KeepProtocol(t.Context(), w.protocol.Version, w.protocol.Digest(), w.protocol.Source()))
	w.registry = protocol.NewRegistry(w.store.Protocol, w.protocol)
	for _, a := range []struct {
		id   string
		role journey.Role
	}{{"cora", journey.Coordinator}, {"cory", journey.Coordinator}, {"clem", journey.Clinician}, {"adva", journey.Advocate}, {"adil", journey.Advocate}} {
		_, err := w.store.AddAccount(t.Context(), a.id, a.id, a.id, a.role, "a long password")
		w.must(err)
		w.must(w.store.SetEmail(t.Context(), a.id, a.id+"@staff.example"))
	}
	return w
}

func (w *world) must(err error) {
	w.Helper()
	if err != nil {
		w.Fatal(err)
	}
}

// give appends an entry, with the notices of the deadlines that it fires.
func (w *world) give(candidate string, kind journey.Kind, change func(*record.Draft), fired ...journey.Deadline) {
	w.Helper()
	w.seq[candidate]++
	seq := w.seq[candidate]
	_, err := w.store.Append(w.Context(), candidate, fmt.Sprint("command-", seq), func(tx *record.Tx) (record.Draft, error) {
		state, err := tx.State()
		if err != nil {
			return record.Draft{}, err
		}
		e := journey.Event{Seq: seq, Fired: fired, Command: journey.Command{
			ID: fmt.Sprint("command-", seq), Candidate: candidate, Kind: kind, Actor: "cora", At: w.now(), Today: journey.DateOf(w.now(), time.UTC),
		}}
		d := record.Draft{Event: e, State: journey.Apply(w.protocol.Rules(), state, e)}
		if kind == journey.Refer {
			d.Refer = &record.Referral{Protocol: w.protocol.Version, Path: "direct", Recipient: "R-1", Identity: record.Identity{
				Given: "Quillon", Family: "Zephyrwick", BirthDate: "1981-03-14", Identifier: result.Identifier{System: "s", Value: candidate},
			}}
		}
		for _, f := range fired {
			for _, n := range w.protocol.Told(f) {
				for _, to := range n.To {
					d.Notices = append(d.Notices, record.Notice{
						Seq: seq, Deadline: f.Kind, Subject: f.Subject, Addressee: string(to), Protocol: w.protocol.Version, Text: n.Text, DueAt: w.now(),
					})
				}
			}
		}
		if change != nil {
			change(&d)
		}
		return d, nil
	})
	w.must(err)
}

func (w *world) refer(candidate string, permission string) {
	w.Helper()
	w.give(candidate, journey.Refer, nil)
	w.give(candidate, journey.RecordContactDetails, func(d *record.Draft) {
		d.Contact = &record.Contact{Email: candidate + "@home.example", Phone: "+46 8 5550100", Permission: permission}
		d.State.Advocate = "adva"
	})
}

var (
	due    = journey.Deadline{Kind: journey.ScreeningDue}
	report = journey.Deadline{Kind: "report-due", Subject: "r-1"}
	visit  = journey.Deadline{Kind: journey.VisitOpens, Subject: "month-6"}
)

func (w *world) notifier() *notify.Notifier {
	policy := notify.DefaultPolicy
	policy.Attempts = 4
	return &notify.Notifier{
		Store: w.store, Protocols: w.registry, BaseURL: "https://candidacy.example", Domain: "staff.example", Policy: policy,
		Sender: &notify.SMTP{Address: w.mail.address, From: "candidacy@staff.example", TLS: notify.PlainText, Timeout: 5 * time.Second},
		Now:    w.now, Jitter: func() float64 { return 1 }, Log: slog.New(slog.NewTextHandler(w.logged, nil)),
	}
}

// once sends what is due and returns the notices by state.
func (w *world) once(n *notify.Notifier) map[record.NoticeState]int {
	w.Helper()
	_, err := n.Once(w.Context())
	w.must(err)
	counts, err := w.store.CountNotices(w.Context())
	w.must(err)
	return counts
}

func (w *world) recipients() string {
	var list []string
	for _, m := range w.mail.messages() {
		list = append(list, m.to...)
	}
	slices.Sort(list)
	return strings.Join(list, " ")
}

func TestNoticesReachThoseTheyAreFor(t *testing.T) {
	w := newWorld(t)
	w.refer("cand-a", "given")
	w.must(w.store.AddToRecipientTeam(t.Context(), "R-1", "cory")) // cares for the recipient
	w.give("cand-a", journey.Elapse, nil, due, visit)
	if counts := w.once(w.notifier()); counts[record.NoticeSent] != 3 || len(counts) != 1 {
		t.Fatalf("after sending: %v", counts)
	}
	if got, want := w.recipients(), "adva@staff.example cand-a@home.example cora@staff.example"; got != want {
		t.Errorf("sent to %s, want %s", got, want)
	}
	for _, m := range w.mail.messages() {
		if m.from != "candidacy@staff.example" || m.Header.Get("Auto-Submitted") != "auto-generated" || m.Header.Get("User-Agent")+m.Header.Get("X-Mailer") != "" {
			t.Errorf("from %s with %v", m.from, m.Header)
		}
		if !regexp.MustCompile(`^<[0-9a-f]{32}@staff\.example>$`).MatchString(m.Header.Get("Message-Id")) {
			t.Errorf("the Message-ID is %s", m.Header.Get("Message-Id"))
		}
		if date, err := m.Header.Date(); err != nil || !date.Equal(w.now()) {
			t.Errorf("dated %v, %v", date, err)
		}
		if len(m.to) != 1 || !strings.Contains(m.Header.Get("To"), m.to[0]) {
			t.Errorf("to %v with the header %s", m.to, m.Header.Get("To"))
		}
		wantBody := "Something waits: https://candidacy.example/"
		if m.to[0] == "cand-a@home.example" {
			wantBody = "Please call us."
		}
		if strings.TrimSpace(m.body) != wantBody {
			t.Errorf("to %s: %q", m.to[0], m.body)
		}
		if strings.Contains(fmt.Sprint(m.Header, m.body), "Zephyrwick") {
			t.Error("a message names the candidate")
		}
	}
	// Nothing is sent twice.
	w.once(w.notifier())
	if n := len(w.mail.messages()); n != 3 {
		t.Errorf("%d messages after another round, want 3", n)
	}
}

// TestEmergenciesAreToldOf: each is told on the page that shows it to them, also of a
// journey that has ended or ends before the message goes, and nobody of the recipient's
// team is.
func TestEmergenciesAreToldOf(t *testing.T) {
	w := newWorld(t)
	for id, role := range map[string]journey.Role{"audi": journey.Auditor, "admi": journey.Administrator} {
		_, err := w.store.AddAccount(t.Context(), id, id, id, role, "a long password")
		w.must(err)
		w.must(w.store.SetEmail(t.Context(), id, id+"@staff.example"))
	}
	w.refer("cand-a", "given")
	w.must(w.store.AddToRecipientTeam(t.Context(), "R-1", "cory"))
	var list []record.Notice
	for _, n := range w.protocol.Told(journey.Deadline{Kind: protocol.EmergencyOpened}) {
		for _, to := range n.To {
			list = append(list, record.Notice{Deadline: protocol.EmergencyOpened, Addressee: string(to), Protocol: w.protocol.Version, Text: n.Text})
		}
	}
	open := func() {
		t.Helper()
		_, err := w.store.OpenInEmergency(t.Context(), record.Emergency{Candidate: "cand-a", Actor: "adil", Role: journey.Advocate, Reason: "Calls from the ward."}, time.Hour, list...)
		w.must(err)
	}
	open()
	w.give("cand-a", journey.Withdraw, nil)
	if counts := w.once(w.notifier()); counts[record.NoticeSent] != 4 || len(counts) != 1 {
		t.Fatalf("after sending: %v", counts)
	}
	want := map[string]string{
		"audi@staff.example": "/audit?show=emergencies", "admi@staff.example": "/accounts", "adva@staff.example": "/advocate", "cora@staff.example": "/",
	}
	for _, m := range w.mail.messages() {
		// An equals sign is =3D in quoted-printable: RFC 2045, 6.7.
		if got := strings.ReplaceAll(strings.TrimSpace(m.body), "=3D", "="); got != "A record was opened: https://candidacy.example"+want[m.to[0]] {
			t.Errorf("to %v: %q", m.to, got)
		}
		if strings.Contains(fmt.Sprint(m.Header, m.body), "Zephyrwick") || strings.Contains(m.body, "ward") || strings.Contains(m.body, "cand-a") {
			t.Errorf("a message tells whom or why: %q", m.body)
		}
	}
	open()
	w.once(w.notifier())
	if n := len(w.mail.messages()); n != 8 {
		t.Errorf("%d messages after another opening, want 8", n)
	}
}

// TestWhoGetsNone: no permission, an address missing, an end, a visit that is
// settled, and an account that is disabled.
func TestWhoGetsNone(t *testing.T) {
	for _, tt := range []struct {
		name    string
		prepare func(w *world)
		want    string // addressee state error
	}{
		{"refused", func(w *world) {
			w.refer("cand-a", "refused")
			w.give("cand-a", journey.Elapse, nil, visit)
		}, "candidate dropped no-permission"},
		{"never asked", func(w *world) {
			w.give("cand-a", journey.Refer, nil)
			w.give("cand-a", journey.Elapse, nil, visit)
		}, "candidate dropped no-permission"},
		{"withdrawn before it is sent", func(w *world) {
			w.refer("cand-a", "given")
			w.give("cand-a", journey.Elapse, nil, visit)
			w.give("cand-a", journey.Withdraw, nil)
		}, "candidate dropped journey-ended"},
		{"declined before it is sent", func(w *world) {
			w.refer("cand-a", "given")
			w.give("cand-a", journey.Elapse, nil, visit)
			w.give("cand-a", journey.Decline, nil)
		}, "candidate dropped journey-ended"},
		{"the visit is done", func(w *world) {
			w.refer("cand-a", "given")
			w.give("cand-a", journey.Elapse, func(d *record.Draft) {
				d.State.Visits = []journey.Visit{{ID: "month-6", Status: journey.VisitDone}}
			}, visit)
		}, "candidate dropped settled"},
		{"no staff with an address", func(w *world) {
			w.refer("cand-a", "given")
			w.must(w.store.SetEmail(w.Context(), "cora", ""))
			w.must(w.store.DisableAccount(w.Context(), "cory"))
			w.must(w.store.SetEmail(w.Context(), "clem", ""))
			w.give("cand-a", journey.Elapse, nil, report)
		}, "clinician failed no-address, coordinator failed no-address"},
		{"the advocate is on the recipient's team", func(w *world) {
			w.refer("cand-a", "given")
			w.must(w.store.AddToRecipientTeam(w.Context(), "R-1", "adva"))
			w.give("cand-a", journey.Elapse, nil, due)
		}, "assigned-advocate failed no-address, coordinator sent "},
		{"nobody is assigned", func(w *world) {
			w.give("cand-a", journey.Refer, nil)
			w.give("cand-a", journey.Elapse, nil, due)
		}, "assigned-advocate dropped no-advocate, coordinator sent "},
		{"it has waited too long", func(w *world) {
			w.refer("cand-a", "given")
			w.give("cand-a", journey.Elapse, nil, visit)
			w.advance(5*24*time.Hour + time.Second)
		}, "candidate dropped too-old"},
		{"a text that is gone", func(w *world) {
			w.refer("cand-a", "given")
			w.give("cand-a", journey.Elapse, func(d *record.Draft) {
				for i := range d.Notices {
					d.Notices[i].Text = "gone"
				}
			}, visit)
		}, "candidate failed no-text"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := newWorld(t)
			tt.prepare(w)
			w.once(w.notifier())
			list, err := w.store.Notices(t.Context(), "", 100)
			w.must(err)
			var got []string
			for _, n := range list {
				got = append(got, fmt.Sprintf("%s %s %s", n.Addressee, n.State, n.Error))
			}
			slices.Sort(got)
			if text := strings.Join(got, ", "); text != tt.want {
				t.Errorf("%s, want %s", text, tt.want)
			}
			for _, m := range w.mail.messages() {
				if m.to[0] == "cand-a@home.example" {
					t.Error("the candidate was written to")
				}
			}
		})
	}
}

func refuse(code int) func(string, string) error {
	return func(step, to string) error {
		if step == "rcpt" {
			return &smtp.SMTPError{Code: code, Message: "not for <" + to + "> today"}
		}
		return nil
	}
}

// TestPausesGrow: a server that can't take mail now is asked again after 1, 2 and
// 4 minutes, and then no more.
func TestPausesGrow(t *testing.T) {
	w := newWorld(t)
	w.refer("cand-a", "given")
	w.give("cand-a", journey.Elapse, nil, visit)
	asked := 0
	w.mail.set(func(c *catcher) {
		c.fails = func(step, to string) error {
			if step == "rcpt" {
				asked++
			}
			return refuse(451)(step, to)
		}
	})
	n := w.notifier()
	for i, minutes := range []int{1, 2, 4} {
		if counts := w.once(n); counts[record.NoticeQueued] != 1 || asked != i+1 {
			t.Fatalf("attempt %d: %v, asked %d times", i+1, counts, asked)
		}
		w.advance(time.Duration(minutes)*time.Minute - time.Second)
		if w.once(n); asked != i+1 {
			t.Fatalf("asked again a second before %d minutes are over", minutes)
		}
		w.advance(time.Second)
	}
	if counts := w.once(n); counts[record.NoticeFailed] != 1 || asked != 4 {
		t.Errorf("after the last attempt: %v, asked %d times", counts, asked)
	}
	list, err := w.store.Notices(t.Context(), record.NoticeFailed, 10)
	w.must(err)
	if len(list) != 1 || list[0].Error != "smtp-451" || list[0].Attempts != 4 {
		t.Errorf("what failed is %+v", list)
	}
	if strings.Contains(w.logged.String(), "@home.example") {
		t.Errorf("the log holds an address: %s", w.logged)
	}
	// Somebody asks for it again once the server is repaired.
	w.mail.set(func(c *catcher) { c.fails = nil })
	_, err = w.store.RetryNotices(t.Context(), []string{list[0].ID})
	w.must(err)
	if counts := w.once(n); counts[record.NoticeSent] != 1 || w.recipients() != "cand-a@home.example" {
		t.Errorf("after the repair: %v, sent to %s", counts, w.recipients())
	}
}

// TestJitterIsBounded: half of a pause is left to chance, and no pause is longer
// than the longest.
func TestJitterIsBounded(t *testing.T) {
	w := newWorld(t)
	w.refer("cand-a", "given")
	w.give("cand-a", journey.Elapse, nil, visit)
	w.mail.set(func(c *catcher) { c.fails = refuse(421) })
	n := w.notifier()
	n.Policy = notify.DefaultPolicy
	n.Jitter = func() float64 { return 0 }
	var total time.Duration
	for range n.Policy.Attempts {
		w.once(n)
		list, err := w.store.Notices(t.Context(), record.NoticeQueued, 10)
		w.must(err)
		if len(list) == 0 {
			break
		}
		pause := list[0].DueAt.Sub(w.now())
		if pause < 30*time.Second || pause > 2*time.Hour {
			t.Fatalf("a pause of %s", pause)
		}
		total += pause
		w.advance(pause)
	}
	// Without chance 255 minutes of doubling and 27 times 4 hours, halved.
	if want := (255*time.Minute + 27*4*time.Hour) / 2; total != want {
		t.Errorf("tried for %s, want %s", total, want)
	}
}

func TestFailuresOfTheServer(t *testing.T) {
	for _, tt := range []struct {
		name  string
		set   func(*catcher)
		state record.NoticeState
		class string
	}{
		{"mailbox unknown", func(c *catcher) { c.fails = refuse(550) }, record.NoticeFailed, "smtp-550"},
		{"mailbox full", func(c *catcher) { c.fails = refuse(452) }, record.NoticeQueued, "smtp-452"},
		{"a sign-in is wanted", func(c *catcher) { c.fails = refuse(530) }, record.NoticeQueued, "smtp-530"},
		{"the sender is refused", func(c *catcher) {
			c.fails = func(step, _ string) error {
				if step == "mail" {
					return &smtp.SMTPError{Code: 553, Message: "no"}
				}
				return nil
			}
		}, record.NoticeFailed, "smtp-553"},
		{"the text is refused", func(c *catcher) {
			c.fails = func(step, _ string) error {
				if step == "data" {
					return &smtp.SMTPError{Code: 554, Message: "no"}
				}
				return nil
			}
		}, record.NoticeFailed, "smtp-554"},
		{"the line breaks in the middle", func(c *catcher) { c.dropping = true }, record.NoticeQueued, "connection-lost"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := newWorld(t)
			w.refer("cand-a", "given")
			w.give("cand-a", journey.Elapse, nil, visit)
			w.mail.set(tt.set)
			w.once(w.notifier())
			list, err := w.store.Notices(t.Context(), "", 10)
			w.must(err)
			if len(list) != 1 || list[0].State != tt.state || list[0].Error != tt.class || list[0].Attempts != 1 {
				t.Errorf("the notice is %+v, want %s with %s", list, tt.state, tt.class)
			}
			if n := len(w.mail.messages()); n != 0 {
				t.Errorf("%d messages were taken", n)
			}
			// It succeeds as soon as the server does, unless it has failed for good.
			w.mail.set(func(c *catcher) { c.fails, c.dropping = nil, false })
			w.advance(time.Hour)
			w.once(w.notifier())
			if got := len(w.mail.messages()) == 1; got != (tt.state == record.NoticeQueued) {
				t.Errorf("after the repair it was sent: %t", got)
			}
		})
	}
}

func TestNoServer(t *testing.T) {
	w := newWorld(t)
	w.refer("cand-a", "given")
	w.give("cand-a", journey.Elapse, nil, visit)
	n := w.notifier()
	n.Sender = &notify.SMTP{Address: "127.0.0.1:1", From: "candidacy@staff.example", TLS: notify.PlainText, Timeout: time.Second}
	w.once(n)
	list, err := w.store.Notices(t.Context(), record.NoticeQueued, 10)
	w.must(err)
	if len(list) != 1 || list[0].Error != "unreachable" {
		t.Errorf("the notice is %+v", list)
	}
}

// TestTheTakenIsRecognisable: the server takes a message and the line breaks
// before it says so. The message comes again, with the same Message-ID.
func TestTheTakenIsRecognisable(t *testing.T) {
	w := newWorld(t)
	w.refer("cand-a", "given")
	w.give("cand-a", journey.Elapse, nil, visit)
	w.mail.set(func(c *catcher) { c.droppingAfter = true })
	w.once(w.notifier())
	w.mail.set(func(c *catcher) { c.droppingAfter = false })
	w.advance(time.Hour)
	if counts := w.once(w.notifier()); counts[record.NoticeSent] != 1 {
		t.Fatalf("after the second: %v", counts)
	}
	got := w.mail.messages()
	if len(got) != 2 || got[0].Header.Get("Message-Id") == "" || got[0].Header.Get("Message-Id") != got[1].Header.Get("Message-Id") {
		t.Errorf("taken: %+v", got)
	}
}

// dying hands a message over and then stops, as a process that is killed: the
// context ends before anything is noted.
type dying struct {
	notify.Sender
	kill context.CancelFunc
}

func (d dying) Send(ctx context.Context, m notify.Message) error {
	err := d.Sender.Send(ctx, m)
	d.kill()
	return errors.Join(err, ctx.Err())
}

// TestKilledBetween the server's answer and the note of it: nobody else sends it
// while the lease lasts, and after that it is sent again under its Message-ID.
func TestKilledBetween(t *testing.T) {
	w := newWorld(t)
	w.refer("cand-a", "given")
	w.give("cand-a", journey.Elapse, nil, visit)
	ctx, kill := context.WithCancel(t.Context())
	n := w.notifier()
	n.Sender = dying{n.Sender, kill}
	if _, err := n.Once(ctx); err == nil {
		t.Fatal("it went on after it was killed")
	}
	// It let go of what it had claimed; a real kill would not, so claim it anew.
	if claimed, err := w.store.ClaimNotices(t.Context(), "dead", w.now().Add(10*time.Minute), 10); err != nil || len(claimed) != 1 {
		t.Fatalf("claimed %v, %v", claimed, err)
	}
	w.once(w.notifier())
	if n := len(w.mail.messages()); n != 1 {
		t.Fatalf("%d messages while the lease lasts, want 1", n)
	}
	w.advance(10 * time.Minute)
	if counts := w.once(w.notifier()); counts[record.NoticeSent] != 1 {
		t.Errorf("after the lease: %v", counts)
	}
	got := w.mail.messages()
	if len(got) != 2 || got[0].Header.Get("Message-Id") != got[1].Header.Get("Message-Id") {
		t.Errorf("%d messages, want the same twice", len(got))
	}
}

// quitting is told to stop while it hands a message over.
type quitting struct {
	notify.Sender
	quit chan struct{}
}

func (q quitting) Send(ctx context.Context, m notify.Message) error {
	close(q.quit)
	return q.Sender.Send(ctx, m)
}

// TestQuitFinishesTheMessage that is under way, notes it, and begins no other.
func TestQuitFinishesTheMessage(t *testing.T) {
	w := newWorld(t)
	for _, id := range []string{"cand-a", "cand-b"} {
		w.refer(id, "given")
		w.give(id, journey.Elapse, nil, visit)
	}
	n, quit := w.notifier(), make(chan struct{})
	n.Sender, n.Quit = quitting{n.Sender, quit}, quit
	n.Run(t.Context(), nil)
	if sent := len(w.mail.messages()); sent != 1 {
		t.Fatalf("%d messages, want the one under way", sent)
	}
	// Nothing is sent twice by whoever comes next.
	if counts := w.once(w.notifier()); counts[record.NoticeSent] != 2 || len(w.mail.messages()) != 2 {
		t.Errorf("%v, %d messages", counts, len(w.mail.messages()))
	}
	if w.logged.Len() > 0 {
		t.Errorf("logged %s", w.logged)
	}
}

// TestOneOfSeveralFails: the others are not written to again.
func TestOneOfSeveralFails(t *testing.T) {
	w := newWorld(t)
	w.refer("cand-a", "given")
	w.give("cand-a", journey.Elapse, nil, due)
	w.mail.set(func(c *catcher) {
		c.fails = func(step, to string) error {
			if to == "cora@staff.example" {
				return refuse(451)(step, to)
			}
			return nil
		}
	})
	if counts := w.once(w.notifier()); counts[record.NoticeQueued] != 1 || w.recipients() != "adva@staff.example cory@staff.example" {
		t.Fatalf("first: %v, %s", counts, w.recipients())
	}
	w.mail.set(func(c *catcher) { c.fails = nil })
	w.advance(time.Hour)
	if counts := w.once(w.notifier()); counts[record.NoticeSent] != 2 || w.recipients() != "adva@staff.example cora@staff.example cory@staff.example" {
		t.Errorf("then: %v, %s", counts, w.recipients())
	}
}

// TestTheSameIsSaidOnce: what waits together and would say the same to one
// person is one message; what waits later is another.
func TestTheSameIsSaidOnce(t *testing.T) {
	w := newWorld(t)
	for i := range 5 {
		id := fmt.Sprintf("cand-%d", i)
		w.refer(id, "given")
		w.give(id, journey.Elapse, nil, due, report)
	}
	if counts := w.once(w.notifier()); counts[record.NoticeSent] != 20 {
		t.Fatalf("sent %v", counts)
	}
	said := map[string]int{}
	for _, m := range w.mail.messages() {
		said[m.to[0]+" "+m.Header.Get("Subject")]++
	}
	want := map[string]int{
		"cora@staff.example Something waits": 1, "cory@staff.example Something waits": 1, "adva@staff.example Something waits": 1,
		// These lead to five different pages.
		"cora@staff.example Somebody waits": 5, "cory@staff.example Somebody waits": 5, "clem@staff.example Somebody waits": 5,
	}
	if fmt.Sprint(said) != fmt.Sprint(want) {
		t.Errorf("said %v, want %v", said, want)
	}
	w.give("cand-0", journey.Elapse, nil, due)
	before := len(w.mail.messages())
	w.once(w.notifier())
	if n := len(w.mail.messages()) - before; n != 3 {
		t.Errorf("a later notice is %d messages, want 3", n)
	}
}

// TestTwoProcessesSend: each message is sent by one of them.
func TestTwoProcessesSend(t *testing.T) {
	w := newWorld(t)
	const candidates = 20
	for i := range candidates {
		id := fmt.Sprintf("cand-%d", i)
		w.refer(id, "given")
		w.give(id, journey.Elapse, nil, visit)
	}
	var wait sync.WaitGroup
	for range 3 {
		n := w.notifier()
		n.Policy.Batch = 3
		wait.Go(func() {
			for {
				if done, err := n.Once(t.Context()); err != nil || done == 0 {
					if err != nil {
						t.Error(err)
					}
					return
				}
			}
		})
	}
	wait.Wait()
	seen := map[string]bool{}
	for _, m := range w.mail.messages() {
		if id := m.Header.Get("Message-Id"); seen[id] {
			t.Errorf("%s was sent twice", id)
		} else {
			seen[id] = true
		}
	}
	if len(seen) != candidates {
		t.Errorf("%d messages, want %d", len(seen), candidates)
	}
}

// slow lets time pass with each message.
type slow struct {
	notify.Sender
	w *world
}

func (s slow) Send(ctx context.Context, m notify.Message) error {
	s.w.advance(5 * time.Minute)
	return s.Sender.Send(ctx, m)
}

// TestNothingBeginsAtTheEndOfALease: what does not fit is left to the next.
func TestNothingBeginsAtTheEndOfALease(t *testing.T) {
	w := newWorld(t)
	for i := range 3 {
		id := fmt.Sprintf("cand-%d", i)
		w.refer(id, "given")
		w.give(id, journey.Elapse, nil, visit)
	}
	n := w.notifier()
	n.Sender = slow{n.Sender, w}
	// The lease of 10 minutes ends at 8 for this: two messages begin, at 0 and 5.
	if counts := w.once(n); counts[record.NoticeSent] != 2 || counts[record.NoticeQueued] != 1 {
		t.Fatalf("first round: %v", counts)
	}
	if counts := w.once(n); counts[record.NoticeSent] != 3 {
		t.Errorf("second round: %v", counts)
	}
	if len(w.mail.messages()) != 3 {
		t.Errorf("%d messages, want 3", len(w.mail.messages()))
	}
}

// TestRun sends when it is told to, and stops.
func TestRun(t *testing.T) {
	w := newWorld(t)
	w.refer("cand-a", "given")
	w.give("cand-a", journey.Elapse, nil, visit)
	ctx, stop := context.WithCancel(t.Context())
	tick, done := make(chan time.Time), make(chan struct{})
	go func() {
		defer close(done)
		w.notifier().Run(ctx, tick)
	}()
	tick <- w.now() // taken only once the first round is over
	if n := len(w.mail.messages()); n != 1 {
		t.Errorf("%d messages at the start, want 1", n)
	}
	w.refer("cand-b", "given")
	w.give("cand-b", journey.Elapse, nil, visit)
	tick <- w.now()
	tick <- w.now()
	if n := len(w.mail.messages()); n != 2 {
		t.Errorf("%d messages after a tick, want 2", n)
	}
	stop()
	<-done
	if w.logged.Len() > 0 {
		t.Errorf("logged %s", w.logged)
	}
}
