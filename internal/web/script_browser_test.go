package web

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"candidacy/internal/journey"
)

// press types one key, as a keyboard does, once the page shows what came before: nobody
// answers a page before it is painted, and until then the focus may still be where it was.
func (s *screen) press(key string) {
	s.t.Helper()
	if key != "Tab" {
		eval[chromedp.Void](s, `new Promise(r => requestAnimationFrame(() => setTimeout(r)))`)
	}
	code, text := key, key
	var number int64
	switch key {
	case "Tab":
		text, number = "", 9
	case "Enter":
		text, number = "\r", 13
	case "ArrowDown":
		text, number = "", 40
	case "Escape":
		text, number = "", 27
	case "Space":
		key, text, number = " ", " ", 32
	default:
		code, number = "", int64(strings.ToUpper(key)[0])
	}
	for _, kind := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeKeyDown, input.DispatchKeyEventTypeKeyUp} {
		call(s, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: kind, Key: key, Code: code, Text: text, WindowsVirtualKeyCode: number})
	}
}

// until waits for what the page does by itself, and no longer than the screen lives. A key or
// a click that leads to another page is waited for by submit: this asks the page that is
// there.
func (s *screen) until(what, script string) {
	s.t.Helper()
	if !eval[bool](s, `(async () => { for (let i = 0; i < 2400; i++) { if (`+script+`) return true; await new Promise(r => setTimeout(r, 25)); } return false; })()`) {
		s.t.Fatalf("%s does not come about: %s", what, s.text("main")[:min(400, len(s.text("main")))])
	}
}

// focuses waits for the focus, which a browser moves after it has shown a page.
func (s *screen) focuses(id string) {
	s.t.Helper()
	s.until("the focus on "+id, fmt.Sprintf("document.activeElement.id === %q", id))
}

// typed puts a value in as a person does, with its events.
func (s *screen) typed(id, value string) {
	s.t.Helper()
	s.set(id, value)
	eval[chromedp.Void](s, `(() => { const e = document.getElementById("`+id+`"); e.dispatchEvent(new Event("input", {bubbles: true})); e.dispatchEvent(new Event("change", {bubbles: true})); })()`)
}

func (s *screen) online(yes bool) {
	s.t.Helper()
	call(s, network.Enable, network.EnableParams{})
	call(s, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: !yes, DownloadThroughput: -1, UploadThroughput: -1})
}

// TestScript tries what the script adds to the pages.
func TestScript(t *testing.T) {
	program := chromium(t)
	w := newWorld(t, nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "SYN-0006", "R-771")
	w.screen(id)
	home := "/candidates/" + id
	s := newScreen(t, program, w.site.URL)
	// The policy holds here: nothing but the two files may run.
	s.signIn("cora")
	kept := func() string { return eval[string](s, `JSON.stringify(sessionStorage)`) }

	// Typed, and the page is left.
	s.open(home)
	s.typed("hold-note", "Travels until November.")
	s.open("/reports")
	s.open(home)
	s.until("the note", `document.querySelector(".kept")`)
	if got := eval[string](s, `document.getElementById("hold-note").value`); got != "Travels until November." {
		t.Errorf("the form holds %q", got)
	}
	if !eval[bool](s, `document.getElementById("hold-note").closest("details").open`) {
		t.Error("what was put back is out of sight")
	}
	s.check("script-put-back")
	s.narrow("script-put-back")

	// The connection is lost: nothing is sent and nothing is lost.
	s.online(false)
	eval[chromedp.Void](s, `document.getElementById("hold-note").form.requestSubmit()`)
	s.until("the refusal", `(document.querySelector(".unsent") || {}).textContent?.includes("no connection")`)
	s.online(true)
	s.until("the way back", `(document.querySelector(".unsent") || {}).textContent?.includes("is back")`)

	// The session has ended: sign in, and send what was typed.
	call(s, network.ClearBrowserCookies, cdp.Empty{})
	s.send("hold-note")
	if s.text("#password") != "" || !strings.Contains(s.text("main"), "put back when you have signed in") {
		t.Errorf("the sign-in page does not say that what was typed is kept: %s", s.text("main"))
	}
	s.set("username", "cora")
	s.set("password", password)
	s.send("username")
	s.until("the note", `document.querySelector(".kept")`)
	if got := s.text(".kept"); !strings.Contains(got, "It is not recorded") {
		t.Errorf("after the sign-in: %s", got)
	}
	if strings.Contains(kept(), password) {
		t.Error("a password is kept")
	}
	if notice, problem := s.send("hold-note"); notice == "" {
		t.Fatalf("the form: %s", problem)
	}
	if strings.Contains(kept(), "Travels") {
		t.Error("what was carried out is still kept")
	}
	c, err := w.store.Candidate(context.Background(), id)
	must(t, err)
	if c.State.Stage != journey.OnHold {
		t.Errorf("the candidate is in %s", c.State.Stage)
	}

	// Discarded, and gone at the end of the session.
	s.typed("resume-note", "Is back.")
	s.open(home)
	s.until("the note", `document.querySelector(".kept")`)
	eval[chromedp.Void](s, `document.querySelector(".kept button").click()`)
	if got := eval[string](s, `document.getElementById("resume-note").value`); got != "" || strings.Contains(kept(), "Is back") {
		t.Errorf("discarded, the form holds %q", got)
	}
	s.typed("resume-note", "Is back again.")
	s.signIn("clem")
	if strings.Contains(kept(), "Is back") {
		t.Error("what was typed outlives the session")
	}

	// Keys: help, find, off.
	s.open("/")
	s.press("?")
	s.until("the help", `document.querySelector("dialog[open]")`)
	s.check("script-help")
	// In one go: what closes leaves the focus in itself until the next frame.
	if eval[bool](s, `(() => {
		const help = document.querySelector("dialog[open]");
		help.close();
		document.activeElement.dispatchEvent(new KeyboardEvent("keydown", { key: "?", bubbles: true }));
		return !help.open;
	})()`) {
		t.Error("a key right after the help has closed does nothing")
	}
	s.press("Escape")
	s.until("the end of the help", `!document.querySelector("dialog[open]")`)
	s.press("/")
	s.focuses("filter-q")
	s.press("?") // a letter like any other in a field
	if eval[bool](s, `!!document.querySelector("dialog[open]")`) {
		t.Error("a key in a field does something")
	}
	// In one go, so that no key from before comes in between.
	if eval[bool](s, `(() => {
		document.activeElement.blur();
		localStorage.setItem("candidacy-keys", "off");
		document.body.dispatchEvent(new KeyboardEvent("keydown", { key: "?", bubbles: true }));
		return !!document.querySelector("dialog[open]");
	})()`) {
		t.Error("keys that are switched off do something")
	}
}
