package web

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/mover"
	"candidacy/internal/protocol"
)

// nextVersion is a later version with a shorter timer and one review more.
func nextVersion(t testing.TB, from *protocol.Protocol) *protocol.Protocol {
	t.Helper()
	text := strings.NewReplacer(
		`version: "`+from.Version+`"`, "version: web-1\napproved_by: Committee <of> the tests\napproved_on: 2026-07-01", "hold_days: 183", "hold_days: 90",
		"\nrequirements:\n", `
requirements:
  - id: dental-review
    title: Review of the teeth
    domain: history
    gate: committee
    evidence: review
    signer: clinician
    source: invented for this test
`).Replace(from.Source())
	next, err := protocol.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return next
}

// testProtocols looks at what a move would do, moves everybody, and reads the
// entry on a candidate's page.
func testProtocols(t *testing.T, w *world, id string) {
	next := nextVersion(t, w.protocol)
	ctx := context.Background()
	must(t, mover.Adopt(ctx, w.store, next))

	b := w.as("admi")
	if got := b.get("/sign-in"); got.header.Get("Location") != pathProtocols {
		t.Errorf("an administrator who is signed in is sent to %q", got.header.Get("Location"))
	}
	b.get("/protocols").has(t, "web-1", next.Digest(), w.protocol.Digest(), "Committee &lt;of&gt; the tests, 1 Jul 2026", "new candidates get it")
	page := b.get("/protocols?to=web-1")
	page.has(t, "timers: hold_days", "requirements dental-review", "added", id, "Needed: Review of the teeth", "0 of ", `<progress id="done"`)
	page.lacks(t, "Fjellgren", "Okonedo", "WEB-0001")
	if got := b.get("/protocols?to=none"); got.status != http.StatusNotFound {
		t.Errorf("a version that is not stored: %d", got.status)
	}
	for _, tt := range []struct {
		form url.Values
		says string
	}{
		{url.Values{}, "missing"},
		{url.Values{"to": {"none"}, "confirm": {"yes"}}, "No such version is stored."},
		{url.Values{"to": {"web-1"}, "reason": {"kept words"}}, "Look at what changes, then confirm it."},
	} {
		got := b.post("/protocols", tt.form)
		if got.status != http.StatusUnprocessableEntity {
			t.Errorf("%v: %d", tt.form, got.status)
		}
		got.has(t, tt.says, tt.form.Get("reason"))
	}
	if c, err := w.store.Candidate(ctx, id); err != nil || c.Protocol != w.protocol.Version {
		t.Fatalf("moved too early: %s, %v", c.Protocol, err)
	}
	form := url.Values{"to": {"web-1"}, "reason": {"Dentists asked for it."}, "confirm": {"yes"}}
	for range 2 { // pressing the button again does nothing more
		got := b.post("/protocols", form)
		if got.status != http.StatusSeeOther || got.header.Get("Location") != "/protocols?moved=yes&to=web-1" {
			t.Fatalf("the move is answered %d %q\n%s", got.status, got.header.Get("Location"), got.body)
		}
	}
	page = b.get("/protocols?moved=yes&to=web-1")
	page.has(t, "on version web-1, 0 still to be moved", "Nobody is left to be moved")
	moves := 0
	entries, err := w.store.Entries(ctx, id)
	must(t, err)
	for _, e := range entries {
		if e.Kind == journey.MoveProtocol {
			moves++
			if e.Actor != "admi" || e.Role != journey.Administrator {
				t.Errorf("moved by %s as %s", e.Actor, e.Role)
			}
		}
	}
	if moves != 1 {
		t.Errorf("%d moves are on record, want 1", moves)
	}
	w.as("clem").get("/candidates/"+id).has(t, "Moved to another version of the protocol", w.protocol.Version+" to web-1",
		"Review of the teeth, because of the other version of the protocol", "Dentists asked for it.")
	w.as("audi").get("/candidates/"+id).lacks(t, "Dentists asked for it.")
}
