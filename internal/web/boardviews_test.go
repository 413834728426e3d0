package web

import (
	"net/url"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

// TestViews keeps, shares and removes views, each account its own.
func TestViews(t *testing.T) {
	w := newWorld(t, nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "SYN-0006", "R-771")
	w.screen(id)
	w.refer("Bastian", "Okonedo", "1990-11-12", "male", "SYN-0007", "")
	cora, clem := w.as("cora"), w.as("clem")
	kept := cora.post("/views", url.Values{"name": {"  In   screening "}, "stage": {"screening"}, "sort": {"name"}, "q": {"Fjellgren"}})
	to := kept.header.Get("Location")
	if !strings.HasPrefix(to, "/?view=") || strings.Contains(to, "Fjell") {
		t.Fatalf("kept: %d %s", kept.status, to)
	}
	page := cora.get(to)
	page.has(t, "In screening", "Fjellgren", `aria-current="true">In screening`)
	page.lacks(t, "Okonedo", "q=")
	clem.get(to).has(t, "Fjellgren")
	clem.get("/").lacks(t, "In screening")
	w.as("adil").get(to).lacks(t, "Fjellgren") // who stands by nobody
	for name, want := range map[string]string{"": "Give the view a name", strings.Repeat("x", 61): "up to 60 characters"} {
		if got := cora.post("/views", url.Values{"name": {name}, "stage": {"screening"}}); got.status != 422 || !strings.Contains(got.body, want) {
			t.Errorf("%q: %d", name, got.status)
		}
	}
	if got := cora.post("/views", url.Values{"name": {"All"}}); got.status != 422 {
		t.Errorf("a view of everybody: %d", got.status)
	}
	// The same name again is the same view.
	if again := cora.post("/views", url.Values{"name": {"In screening"}, "stage": {"referral"}}); again.header.Get("Location") != to {
		t.Errorf("the view moved to %s", again.header.Get("Location"))
	}
	cora.get(to).has(t, "Okonedo")
	view := strings.TrimPrefix(to, "/?view=")
	clem.post("/views", url.Values{"remove": {view}})
	if got := cora.get(to); got.status != 200 {
		t.Error("somebody else removed a view")
	}
	cora.post("/views", url.Values{"remove": {view}})
	if got := cora.get(to); got.status != 404 {
		t.Errorf("a removed view: %d", got.status)
	}
	// A name is found without its accents and case.
	w.refer("José", "Núñez-Ærø", "1990-11-12", "male", "SYN-0008", "")
	cora.post("/", url.Values{"q": {"jose NUNEZ"}}).has(t, "Núñez-Ærø")
	// Whoever was withdrawn leaves the list of those on the way at once.
	w.give("cora", id, journey.Withdraw, &command.Plain{})
	cora.get("/").lacks(t, "Fjellgren")
}
