package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// TestEmergencyIsToldByMail: opening a candidate puts a message for everybody whom the
// protocol names in the outbox, with nothing in it about whom or why.
func TestEmergencyIsToldByMail(t *testing.T) {
	p := protocol.Default()
	w := newWorld(t, func(d *Deps) {
		must(t, d.Store.KeepProtocol(t.Context(), p.Version, p.Digest(), p.Source()))
		d.Current = p
	})
	w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0001", "R-771")
	open := url.Values{"number": {"WEB-0001"}, "born": {"1979-05-02"}, "reason": {"Calls from the ward at night, the advocate is abroad."}}
	if got := w.as("adil").post("/emergency", open); got.status != http.StatusSeeOther {
		t.Fatalf("opened: %d", got.status)
	}
	list, err := w.store.Notices(t.Context(), record.NoticeQueued, 10)
	must(t, err)
	var to []string
	for _, n := range list {
		to = append(to, n.Addressee)
		if n.Deadline != protocol.EmergencyOpened || n.Protocol != p.Version {
			t.Errorf("%+v", n)
		}
		if text, ok := p.NoticeText(n.Text); !ok || strings.Contains(text.Subject+text.Body, "Fjellgren") {
			t.Errorf("the text is %q", n.Text)
		}
	}
	slices.Sort(to)
	if want := []string{"administrator", "assigned-advocate", "auditor", "coordinator"}; !slices.Equal(to, want) {
		t.Errorf("told are %v, want %v", to, want)
	}
	for _, n := range list {
		must(t, w.store.SettleNotice(t.Context(), n.ID, record.NoticeFailed, "no-address", 1))
	}
	w.as("cora").get("/notices").has(t, "A record was opened in an emergency", "Auditors")
}

func TestEmergency(t *testing.T) {
	w := newWorld(t, nil)
	ctx := context.Background()
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0001", "R-771")
	w.evaluate(id)
	const finding, reason = "Feels pressed by an uncle", "Calls from the ward at night, the advocate is abroad."
	w.give("clem", id, journey.RecordReview, &command.RecordReview{Requirement: "psychosocial-evaluation", Position: journey.Concerns, Findings: finding})
	path := "/candidates/" + id
	open := url.Values{"number": {"WEB-0001"}, "born": {"1979-05-02"}, "reason": {reason}}
	with := func(name, value string) url.Values {
		other := url.Values{}
		for n, v := range open {
			other[n] = v
		}
		other.Set(name, value)
		return other
	}

	// An advocate of others, with what may be wrong first. Nothing is opened by it.
	adil := w.as("adil")
	for _, c := range []struct{ name, value, says string }{
		{"number", "", "Enter the number"}, {"number", "WEB-0009", "No candidate whom you could open"}, {"born", "1979-05-03", "No candidate whom you could open"},
		{"born", "May", "year-month-day"}, {"reason", "because", "15 to 2000"}, {"reason", strings.Repeat("x", 2001), "15 to 2000"},
	} {
		if got := adil.post("/emergency", with(c.name, c.value)); got.status != http.StatusUnprocessableEntity || !strings.Contains(got.body, c.says) {
			t.Errorf("%s %.20q: %d", c.name, c.value, got.status)
		}
	}
	if got := adil.get(path); got.status != http.StatusNotFound {
		t.Errorf("before: %d", got.status)
	}
	if got := adil.post("/emergency", open); got.header.Get("Location") != path+"?done=opened" {
		t.Fatalf("opened: %d to %q", got.status, got.header.Get("Location"))
	}
	adil.get(path+"?done=opened").has(t, "The candidate is open to you", "Open to you in an emergency until", "Fjellgren", finding, reason)
	adil.get("/").lacks(t, "Fjellgren") // their list is of those whom they stand by

	// A coordinator reads what was told in confidence, for as long as it is open.
	cora := w.as("cora")
	cora.get(path).lacks(t, finding, "Open to you in an emergency")
	cora.get("/").has(t, "Opened in an emergency in the last seven days", "Adil Brandt, advocate")
	if got := cora.post("/emergency", open); got.status != http.StatusSeeOther {
		t.Fatalf("a coordinator: %d", got.status)
	}
	cora.get(path).has(t, finding, "Open to you in an emergency", "Adil Brandt, advocate", reason)

	// Who looked, and whom everybody is told of. Reasons are for the care team.
	w.as("clem").get(path).has(t, "Opened in an emergency", reason, "Cora Lindqvist, coordinator")
	w.as("audi").get(path).lacks(t, reason, finding)
	w.as("audi").get("/audit?show=emergencies").has(t, "Opened in an emergency", "Adil Brandt, advocate", strings.ToUpper(short(id)))
	w.as("audi").get("/audit?show=emergencies").lacks(t, reason)
	admin := w.as("admi").get("/accounts")
	admin.has(t, "Opened in an emergency in the last seven days", "Adil Brandt, advocate")
	admin.lacks(t, id, "Fjellgren", reason)
	rows, err := w.store.Accesses(ctx, record.AccessQuery{Interactions: []string{record.AccessEmergency}, Limit: 10})
	must(t, err)
	if len(rows) != 2 || rows[1].Actor != "adil" || rows[1].ID != id || len(rows[1].Candidates) != 1 || rows[1].Candidates[0] != id {
		t.Errorf("%+v", rows)
	}

	// Whoever cares for the recipient opens nothing, and is answered as if there were
	// nobody; what they opened before closes at once.
	for _, username := range []string{"adil", "cora"} {
		must(t, w.store.AddToRecipientTeam(ctx, "R-771", username))
		b := w.as(username)
		nobody := b.post("/emergency", with("number", "WEB-0009"))
		got := b.post("/emergency", open)
		if got.status != nobody.status || got.status != http.StatusUnprocessableEntity || strings.ReplaceAll(blank(got.body), "WEB-0001", "WEB-0009") != blank(nobody.body) {
			t.Errorf("the recipient's team as %s: %d", username, got.status)
		}
		if got := b.get(path); got.status != http.StatusNotFound {
			t.Errorf("the recipient's team as %s reads: %d", username, got.status)
		}
		b.get("/").lacks(t, "Fjellgren", "Opened in an emergency")
		must(t, w.store.RemoveFromRecipientTeam(ctx, "R-771", username))
	}

	// It closes by the clock, and with another role.
	adil, cora = w.as("adil"), w.as("cora")
	w.clock.add(emergencyLife - time.Second)
	if got := adil.get(path); got.status != http.StatusOK {
		t.Errorf("just before the end: %d", got.status)
	}
	cora.get(path).has(t, finding)
	w.clock.add(time.Second)
	if got := adil.get(path); got.status != http.StatusNotFound {
		t.Errorf("afterwards: %d", got.status)
	}
	cora.get(path).lacks(t, finding, "Open to you")
	cora.get(path).has(t, "Opened in an emergency", reason)

	// Guessing numbers is limited.
	for range attemptLimit {
		adil.post("/emergency", with("number", "WEB-0009"))
	}
	if got := adil.post("/emergency", open); got.status != http.StatusTooManyRequests {
		t.Errorf("after many guesses: %d", got.status)
	}
	w.clock.add(newsLife)
	w.as("cora").get("/").lacks(t, "Opened in an emergency")
	v, err := w.store.Verify(ctx)
	if err != nil || v.Emergencies != 2 {
		t.Errorf("%+v, %v", v, err)
	}
}

// blank leaves out what is made anew each time.
func blank(page string) string {
	before, rest, _ := strings.Cut(page, `name="key" value="`)
	_, after, _ := strings.Cut(rest, `"`)
	return before + after
}
