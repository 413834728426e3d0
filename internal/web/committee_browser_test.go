package web

import (
	"fmt"
	"strings"
	"testing"

	browserpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

// reach presses Tab until the element with the id has the focus, as somebody
// without a mouse does.
func (s *screen) reach(id string) {
	s.t.Helper()
	for range 400 {
		if eval[bool](s, fmt.Sprintf(`document.activeElement && document.activeElement.id === %q`, id)) {
			return
		}
		s.press("Tab")
	}
	s.t.Fatalf("no key leads to %s", id)
}

// TestBrowserCommittee holds a meeting through the pages: plan, agenda,
// attendance, declarations, votes, decision with a condition, minutes and a
// letter, each under its own sign-in.
func TestBrowserCommittee(t *testing.T) {
	program := chromium(t)
	w := newWorldOf(t, lettered(t), func(d *Deps) { d.Demo = true })
	_, err := w.store.AddAccount(t.Context(), "una", "una", "Una Weatherby", journey.CommitteeRole, password)
	must(t, err)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0001", "R-771")
	other := w.refer("Bastian", "Okonedo", "1990-11-12", "male", "WEB-0002", "")
	w.day("2026-09-16")
	w.present(id)
	w.evaluate(other)
	w.give("comm", id, journey.AskQuestion, &command.AskQuestion{Question: "Who looks after the children in the first weeks?"})
	w.give("adva", id, journey.RecordWords, &command.RecordWords{Words: "I have thought about this for a year.\nMy brother did not ask me.", Agreed: true})

	s := newScreen(t, program, w.site.URL)
	s.signIn("cora")
	s.open("/committee")
	s.check("committee-empty")
	s.do("plan", "on", "2026-09-18", "time", "13:00", "place", "Room 4", "chair", "comm")
	room := eval[string](s, `location.pathname`)
	s.do("agenda", "order-"+id, "1")
	s.do("attendance", "who-comm", "there", "who-una", "there:psychosocial-evaluator", "who-clem", "there:nephrologist", "who-cleo", "there:surgeon", "who-adva", "there:advocate")
	item := room + "/candidates/" + id

	// The chair declares and votes with the keyboard alone.
	s.signIn("comm")
	s.open("/committee")
	s.open(item)
	s.reach("declare-conflict-0")
	s.press("Space")
	s.reach("declare-text")
	s.press("Tab")
	s.submit("\r")
	if s.text(".notice") == "" {
		t.Fatalf("the declaration: %s", s.text(".errors"))
	}
	s.reach("vote-choice-0")
	s.press("Space")
	s.press("ArrowDown")
	s.reach("vote-text")
	s.types("Weight first")
	s.press("Tab")
	s.submit("\r")
	if mine := s.text(".vote dl"); !strings.Contains(mine, "Approve with conditions; Weight first") {
		t.Fatalf("the vote is %q; %s", mine, s.text(".errors"))
	}
	for _, username := range []string{"una", "clem", "cleo"} {
		s.signIn(username)
		s.open(item)
		if strings.Contains(s.text("main"), "Weight first") {
			t.Errorf("%s reads the chair's vote before it is closed", username)
		}
		s.do("declare", "conflict-0", "yes")
		if username == "cleo" {
			s.do("vote", "choice-3", "decline", "text", "The anatomy is difficult.")
			continue
		}
		s.do("vote", "choice-0", "approve")
	}
	s.signIn("comm")
	s.open(item)
	s.check("committee-voting")
	s.confirm("close")
	s.check("committee-closed")
	s.do("decide", "outcome-0", "approve", "side-0", "left", "condition-0-text", "Weigh less than 90 kg.", "condition-0-before", "scheduling",
		"condition-0-due", "2026-10-20", "condition-0-signer", "clinician")
	s.check("committee-decided")
	s.colours("print", "light")
	if printed := s.text("main"); !strings.Contains(printed, "My brother did not ask me.") || strings.Contains(printed, "Record the decision") {
		t.Errorf("on paper the summary says %s", printed)
	}
	s.shot("committee-item-print")
	if n := s.sheets(); n < 1 || n > 2 {
		t.Errorf("the summary takes %d sheets", n)
	}
	s.colours("", "light")
	s.open("/candidates/" + id + "/committee")
	s.colours("print", "light")
	if n := s.sheets(); n != 1 {
		t.Errorf("the summary alone takes %d sheets", n)
	}
	s.colours("", "light")
	s.open(room)
	s.do("sign", "text", "The theatre list was discussed.")
	s.check("committee-minutes")
	s.narrow("committee-minutes")
	s.colours("print", "light")
	s.shot("committee-minutes-print")
	s.colours("", "light")

	s.signIn("cora")
	letters := "/candidates/" + id + "/letters"
	s.open(letters)
	s.set("letter-channel-0", "")
	if _, err := chromedp.RunResponse(s.ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector("#letter button:not(.second)").click()`)); err != nil {
		t.Fatal(err)
	}
	if letter := s.text(".letter"); !strings.Contains(letter, "Weigh less than 90 kg.") || !strings.Contains(letter, "Dear Ottilie Fjellgren") {
		t.Errorf("the letter says %q; the page %q", letter, s.text("main"))
	}
	s.colours("print", "light")
	s.shot("committee-letter-print")
}

// types types a text with one key after the other.
func (s *screen) types(text string) {
	s.t.Helper()
	for _, r := range text {
		s.press(string(r))
	}
}

// confirm sends a form that asks for nothing.
func (s *screen) confirm(id string) {
	s.t.Helper()
	if _, err := chromedp.RunResponse(s.ctx, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector("#%s form").requestSubmit()`, id))); err != nil {
		s.t.Fatalf("send %s: %v", id, err)
	}
	if s.text(".notice") == "" {
		s.t.Fatalf("%s: %s", id, s.text(".errors"))
	}
}

// sheets counts the sheets of A4 that the page prints on.
func (s *screen) sheets() int {
	s.t.Helper()
	printed, err := chromedp.Call(s.ctx, browserpage.PrintToPDF, browserpage.PrintToPDFParams{PaperWidth: 8.27, PaperHeight: 11.69})
	must(s.t, err)
	return strings.Count(string(printed.Data), "/Type /Page\n")
}
