package web

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// keys types into whatever has the focus, as a keyboard does.
func (s *screen) keys(text string) {
	s.t.Helper()
	must(s.t, chromedp.Do(s.ctx, chromedp.KeyEvent(text)))
}

// focus puts the focus on a control, from where the keyboard goes on.
func (s *screen) focus(id string) {
	s.t.Helper()
	if !eval[bool](s, `(() => { const e = document.getElementById("`+id+`"); if (!e) return false; e.focus(); if (e.select) e.select(); return document.activeElement === e; })()`) {
		s.t.Fatalf("%s takes no focus", id)
	}
}

// submit presses a key that leads to another page, such as Enter on a link or a button, and
// waits for that page.
func (s *screen) submit(key string) {
	s.t.Helper()
	_, err := chromedp.RunResponse(s.ctx, chromedp.KeyEvent(key))
	must(s.t, err)
}

// look checks a page in both colour schemes, at phone width, at 200 % and on paper.
func (s *screen) look(name, path string) {
	s.t.Helper()
	s.check(name)
	s.narrow(name)
	s.colours("print", "light")
	s.shot(name + "-print")
	s.colours("", "light")
	s.zoom(path)
}

// TestBrowserPlasma fills the worksheet in with the keyboard alone, leaves it, comes
// back and records it.
func TestBrowserPlasma(t *testing.T) {
	program := chromium(t)
	w := newWorld(t, nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0111", "")
	w.evaluate(id)
	w.day("2026-09-16")
	w.bundle(id, "c06-screening")
	path := "/candidates/" + id + "/worksheets/plasma-clearance"
	s := newScreen(t, program, w.site.URL)
	s.signIn("clem")
	s.open("/candidates/" + id)
	if !strings.Contains(s.text(".leaves"), "Plasma clearance") {
		t.Error("the candidate's page does not lead to the worksheet")
	}
	s.open(path)
	s.check("plasma-empty")
	for field, value := range map[string]string{"day": "2026-09-15", "began": "08:00", "extravasation": "no"} {
		s.set("plasma-"+field, value)
	}
	s.focus("plasma-drawn_ml")
	s.keys("5.04\t0.04")
	s.focus("plasma-height")
	s.keys("172\t")
	s.focus("plasma-weight")
	s.keys("68")
	s.focus("plasma-time-1")
	// Each row is time, concentration and unit, one press of the tab key apart.
	s.keys("30\t210\t\t" + "120\t127.4\t\t" + "180\t91.2\t\t" + "240")
	// While somebody types, the server computes.
	s.until("the message of the half-typed row", `document.getElementById("plasma-value-4-error").innerText.includes("clear the time")`)
	s.until("the curve", `document.querySelector("#plasma-live .plot-late")`)
	s.submit("\r")
	if shown := s.text("#plasma-live"); strings.Contains(shown, "interval") || !strings.Contains(shown, "Sample 4") && !strings.Contains(s.text("#plasma-value-4-error"), "clear the time") {
		t.Errorf("a half-typed row: %s", shown)
	}
	s.check("plasma-half")
	s.open("/candidates/" + id)
	s.open(path)
	s.focus("plasma-value-4")
	s.keys("65.3")
	s.until("the result", `document.getElementById("plasma-live").innerText.includes("63.0 mL/min/1.73 m²")`)
	s.submit("\r")
	if shown := s.text("#plasma-live"); !strings.Contains(shown, "63.0 mL/min/1.73 m²") || !strings.Contains(shown, "1 before 120 min") {
		t.Errorf("the worksheet says %s", shown)
	}
	s.look("plasma-full", path)
	s.focus("plasma-record")
	s.submit("\r")
	if notice := s.text(".notice"); !strings.Contains(notice, "recorded") {
		t.Errorf("the notice is %q; %s", notice, s.text(".errors"))
	}
	s.look("plasma-recorded", path)
	s.open("/candidates/" + id)
	if !strings.Contains(s.text("section:has(#results)"), "63.0 mL/min/1.73 m²") {
		t.Error("the candidate's page lacks the measured GFR")
	}
}
