package web

import (
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

const mailRules = `
notices:
  - {of: screening-due, to: [coordinator], text: waits, source: test}
  - {of: visit-opens, to: [candidate], text: call, source: test}
notice_texts:
  - {id: waits, subject: Something waits, body: "{board}"}
  - {id: call, subject: We would like to hear from you, body: Please call.}
`

// mailWorld is the pages on a record without an engine: two candidates, each
// with one notice in each state.
func mailWorld(t *testing.T) (w *world, ids []string) {
	t.Helper()
	ctx := t.Context()
	w = &world{t: t, clock: &clock{at: time.Date(2026, 7, 20, 7, 0, 0, 0, time.UTC)}, log: &strings.Builder{}}
	var err error
	w.protocol, err = protocol.Parse([]byte(protocoltest.Brief().Source() + mailRules))
	must(t, err)
	w.store, err = record.Open(ctx, filepath.Join(t.TempDir(), "records.db"), w.clock.now)
	must(t, err)
	t.Cleanup(func() { must(t, w.store.Close()) })
	must(t, w.store.KeepProtocol(ctx, w.protocol.Version, w.protocol.Digest(), w.protocol.Source()))
	for _, a := range staff {
		_, err := w.store.AddAccount(ctx, a.id, a.id, a.name, a.role, password)
		must(t, err)
	}
	// The second is of a recipient whom a clinician and a coordinator care for.
	must(t, w.store.AddToRecipientTeam(ctx, "R-2", "cora"))
	for i, family := range []string{"Fjellgren", "Okonedo"} {
		id := fmt.Sprintf("0000000%d-0000-4000-8000-000000000000", i+1)
		ids = append(ids, id)
		for seq, kind := range []journey.Kind{journey.Refer, journey.Elapse} {
			command := fmt.Sprint("command-", seq)
			_, err := w.store.Append(ctx, id, command, func(tx *record.Tx) (record.Draft, error) {
				state, err := tx.State()
				if err != nil {
					return record.Draft{}, err
				}
				e := journey.Event{Seq: int64(seq) + 1, Command: journey.Command{ID: command, Candidate: id, Kind: kind, Actor: "cora", At: w.clock.now(), Today: "2026-07-20"}}
				d := record.Draft{Event: e, State: journey.Apply(w.protocol.Rules(), state, e)}
				if kind == journey.Refer {
					d.Refer = &record.Referral{Protocol: w.protocol.Version, Path: "direct", Recipient: fmt.Sprint("R-", i+1), Identity: record.Identity{
						Given: "Ottilie", Family: family, BirthDate: "1979-05-02", Sex: "female", Identifier: result.Identifier{System: "urn:oid:1.2.3", Value: id},
					}}
					return d, nil
				}
				for _, n := range []record.Notice{
					{Deadline: journey.ScreeningDue, Addressee: "coordinator", Text: "waits"}, {Deadline: journey.VisitOpens, Subject: "month-6", Addressee: "candidate", Text: "call"},
					{Deadline: journey.RequirementExpires.Soon(), Addressee: "coordinator", Text: "waits"}, {Deadline: journey.ApprovalLapses, Addressee: "clinician", Text: "waits"},
				} {
					n.Seq, n.Protocol, n.DueAt = e.Seq, w.protocol.Version, w.clock.now()
					d.Notices = append(d.Notices, n)
				}
				return d, nil
			})
			must(t, err)
		}
	}
	list, err := w.store.ClaimNotices(ctx, "x", w.clock.now(), 100)
	must(t, err)
	for _, n := range list {
		switch n.Deadline {
		case journey.ScreeningDue:
			must(t, w.store.SettleNotice(ctx, n.ID, record.NoticeFailed, "smtp-550", 1))
		case journey.VisitOpens:
			must(t, w.store.SettleNotice(ctx, n.ID, record.NoticeDropped, "no-permission", 0))
		case journey.ApprovalLapses:
			must(t, w.store.SettleNotice(ctx, n.ID, record.NoticeSent, "", 1))
		default:
			must(t, w.store.PostponeNotice(ctx, n.ID, "x", "unreachable", 3, w.clock.now().Add(time.Hour)))
		}
	}
	e := echo.New()
	must(t, Register(e, Deps{
		Store: w.store, Protocols: protocol.NewRegistry(w.store.Protocol, w.protocol), Current: w.protocol, Now: w.clock.now,
		Log: slog.New(slog.NewTextHandler(&locked{b: w.log}, nil)),
	}))
	w.site = httptest.NewServer(e)
	t.Cleanup(w.site.Close)
	return w, ids
}

// TestMessages: a coordinator sees for whom and why, but nothing of a donor to
// their own recipient; an administrator sees that mail flows and nobody.
func TestMessages(t *testing.T) {
	w, ids := mailWorld(t)
	cora, admi := w.as("cora"), w.as("admi")
	page := cora.get("/notices")
	page.has(t, "Fjellgren, Ottilie", `href="/candidates/`+ids[0]+`"`, "Screening is due to end", "Reminder: Results or reviews expire", "Visit opens: Six months",
		"The mail server answered 550, after 1 attempt", "The mail server can&#39;t be reached, after 3 attempts", "The candidate has not agreed to e-mail",
		"20 Jul 2026, 09:00", "Something waits", "Try them again")
	page.lacks(t, "Okonedo", ids[1], "@")
	cora.get("/").has(t, "2 messages are not getting through.", `href="/notices"`)
	w.as("clem").get("/").lacks(t, "not getting through")

	seen := admi.get("/notices")
	seen.has(t, "Something waits", "Coordinators", "The mail server answered 550", "Whom the messages are about is not shown to your role.")
	seen.lacks(t, "Fjellgren", "Okonedo", ids[0], ids[1], "Screening", "Visit", "Approval", "Try them again", "@")

	if got := cora.post("/notices", url.Values{"do": {"burn"}}); got.status != http.StatusUnprocessableEntity {
		t.Errorf("an unknown wish: %d", got.status)
	}
	if got := admi.post("/notices", url.Values{"do": {"set-aside"}}); got.status != http.StatusForbidden {
		t.Errorf("an administrator sets aside: %d", got.status)
	}
	if got := cora.post("/notices", url.Values{"do": {"set-aside"}}); got.header.Get("Location") != "/notices?done=set-aside" {
		t.Errorf("set aside: %d to %s", got.status, got.header.Get("Location"))
	}
	// Of what she may not see nothing changed.
	counts, err := w.store.CountNotices(t.Context())
	must(t, err)
	if counts[record.NoticeFailed] != 1 || counts[record.NoticeDropped] != 3 {
		t.Errorf("after setting aside: %v", counts)
	}
	cora.get("/").has(t, "1 message is not getting through.")
	cora.get("/notices").has(t, "Nothing has failed.", "Set aside, after 1 attempt")
	if strings.Contains(w.log.String(), "Fjellgren") {
		t.Error("the log names a candidate")
	}
}

// testContact records where a candidate may be written to, and looks at who is
// shown it.
func testContact(t *testing.T, w *world, id string) {
	cora := w.as("cora")
	path := "/candidates/" + id
	cora.get(path).has(t, `id="record-contact-details-email"`, "The candidate agrees to get them")
	bad := cora.post(path+"/record-contact-details", url.Values{"key": {"contact-0"}, "email": {"Ottilie at home"}, "email_permission": {"given"}})
	if bad.status != http.StatusUnprocessableEntity {
		t.Errorf("a bad address is answered %d", bad.status)
	}
	bad.has(t, "Not an e-mail address", `value="Ottilie at home"`, `href="#record-contact-details-email"`)
	got := cora.post(path+"/record-contact-details", url.Values{
		"key": {"contact-1"}, "email": {" ottilie@mail.example "}, "phone": {"+46 8 5550100"}, "email_permission": {"given"},
	})
	if got.header.Get("Location") != path+"?done=record-contact-details" {
		t.Fatalf("answered %d to %q: %s", got.status, got.header.Get("Location"), got.body)
	}
	cora.get(path+"?done=record-contact-details").has(t, "The contact details are recorded.",
		"ottilie@mail.example, may be written to by e-mail", "Contact details recorded", "The candidate may be written to by e-mail", "E-mail address and telephone")
	w.as("clem").get(path).has(t, "ottilie@mail.example", "46 8 5550100")
	w.as("audi").get(path).lacks(t, "mail.example", "5550100")
	cora.get("/").lacks(t, "mail.example")
	if strings.Contains(w.log.String(), "mail.example") {
		t.Error("the log holds an address")
	}
}

// TestBrowserMessages looks at the page of messages as both of its readers, at
// every width and in every colour, and uses it.
func TestBrowserMessages(t *testing.T) {
	program := chromium(t)
	w, _ := mailWorld(t)
	s := newScreen(t, program, w.site.URL)
	for _, username := range []string{"admi", "cora"} {
		s.signIn(username)
		s.open("/notices")
		s.check("messages-" + username)
		s.narrow("messages-" + username)
		s.zoom("/notices")
	}
	s.open("/")
	s.check("board-messages")
	s.open("/notices")
	_, err := chromedp.RunResponse(s.ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector("button[value=retry]").click()`))
	must(t, err)
	if text := s.text("main"); !strings.Contains(text, "Nothing has failed.") || !strings.Contains(text, "They are tried again") {
		t.Errorf("after trying again the page says %.200s", text)
	}
}
