package web

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	browserpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/mover"
	"candidacy/internal/result"
)

// chromium finds a browser, or skips the test where none is demanded.
func chromium(t *testing.T) string {
	t.Helper()
	for _, name := range []string{"/usr/bin/chromium", "chromium", "chromium-browser", "google-chrome", "chrome"} {
		if found, err := exec.LookPath(name); err == nil {
			return found
		}
	}
	if browserRequired() {
		t.Fatal("there is no browser")
	}
	t.Skip("there is no browser")
	return ""
}

// browserRequired reports whether nothing of the browser's tests may be missing.
func browserRequired() bool { return strings.Contains(os.Getenv("CANDIDACY_REQUIRE"), "browser") }

// axe reads axe-core, from the file that CANDIDACY_AXE names or from where npm
// installs it. Without it the pages are tested all the same, where it is not
// demanded.
func axe(t *testing.T) string {
	t.Helper()
	file := os.Getenv("CANDIDACY_AXE")
	if file == "" {
		file = filepath.Join("..", "..", "testdata", "conformance", "node", "node_modules", "axe-core", "axe.min.js")
	}
	text, err := os.ReadFile(file)
	switch {
	case err == nil:
	case browserRequired():
		t.Fatalf("axe-core is missing: run npm ci in testdata/conformance/node: %v", err)
	default:
		t.Logf("the pages are not checked with axe: %v", err)
	}
	return string(text)
}

// screen is one browser with one profile at one site.
type screen struct {
	t    *testing.T
	ctx  context.Context //nolint:containedctx // the browser lives in it
	site string
	axe  string
}

func newScreen(t *testing.T, program, site string) *screen {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(program), chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("headless", true), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.WindowSize(1280, 900), chromedp.WSURLReadTimeout(time.Minute),
	)
	allocator, stop := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(allocator)
	t.Cleanup(cancel)
	s := &screen{t: t, ctx: ctx, site: site, axe: axe(t)}
	_, err := chromedp.Run(ctx, chromedp.Evaluate[chromedp.Void]("1"))
	must(t, err)
	call(s, browserpage.SetBypassCSP, browserpage.SetBypassCSPParams{Enabled: true})
	s.size(1280)
	s.colours("", "light")
	return s
}

// call gives one command of the browser's protocol.
func call[P, R any](s *screen, command cdp.Command[P, R], params P) {
	s.t.Helper()
	_, err := chromedp.Call(s.ctx, command, params)
	must(s.t, err)
}

// eval asks the page.
func eval[T any](s *screen, script string) T {
	s.t.Helper()
	value, err := chromedp.Run(s.ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	if err != nil {
		s.t.Fatalf("%.120s: %v", script, err)
	}
	return value
}

// text is what an element says, empty when it is not there.
func (s *screen) text(selector string) string {
	s.t.Helper()
	return eval[string](s, fmt.Sprintf(`(document.querySelector(%q)||{}).innerText||""`, selector))
}

func (s *screen) colours(media, scheme string) {
	s.t.Helper()
	call(s, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: media, Features: []*emulation.MediaFeature{
		{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"},
	}})
}

func (s *screen) size(width int64) {
	s.t.Helper()
	call(s, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 900, DeviceScaleFactor: 1, Mobile: width < 500})
}

// open goes to a page and waits until it is there.
func (s *screen) open(path string) {
	s.t.Helper()
	must(s.t, chromedp.Do(s.ctx, chromedp.Navigate(s.site+path)))
	if s.text("footer") == "" {
		s.t.Fatalf("%s has no end", path)
	}
}

// set answers one question of a form by its id.
func (s *screen) set(id, value string) {
	s.t.Helper()
	if !eval[bool](s, fmt.Sprintf(`(() => {
		const e = document.getElementById(%q); if (!e) return false;
		for (let d = e.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
		if (e.type === "checkbox" || e.type === "radio") { e.checked = true; return true; }
		e.value = %q; return e.value === %q; })()`, id, value, value)) {
		s.t.Fatalf("there is no field %s that takes %q", id, value)
	}
}

// pick checks the boxes of a list that have one of the values.
func (s *screen) pick(kind journey.Kind, name string, values ...string) {
	s.t.Helper()
	for _, value := range values {
		if !eval[bool](s, fmt.Sprintf(`(() => {
			const e = document.querySelector("#%s input[name=%s][value=%s]"); if (!e) return false;
			for (let d = e.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
			e.checked = true; return true; })()`, kind, name, value)) {
			s.t.Fatalf("%s has no box %s", kind, value)
		}
	}
}

// send submits the form that holds a field and returns when the next page is
// there. The notice says that it was accepted.
func (s *screen) send(id string) (notice, problem string) {
	s.t.Helper()
	submit := chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.getElementById(%q).form.requestSubmit()`, id))
	if _, err := chromedp.RunResponse(s.ctx, submit); err != nil {
		s.t.Fatalf("send %s: %v", id, err)
	}
	return s.text(".notice"), s.text(".errors")
}

// do fills in a form and expects it to be accepted.
func (s *screen) do(kind journey.Kind, answers ...string) {
	s.t.Helper()
	first := ""
	for i := 0; i < len(answers); i += 2 {
		s.set(string(kind)+"-"+answers[i], answers[i+1])
		first = string(kind) + "-" + answers[0]
	}
	if first == "" {
		first = string(kind) + "-note"
	}
	notice, problem := s.send(first)
	if notice == "" {
		s.t.Fatalf("%s: %s", kind, problem)
	}
}

func (s *screen) signIn(username string) {
	s.t.Helper()
	if s.text(".who") != "" {
		_, err := chromedp.RunResponse(s.ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector(".who").requestSubmit()`))
		must(s.t, err)
	}
	s.open("/sign-in")
	s.set("username", username)
	s.set("password", password)
	s.send("username")
	if s.text(".who span") == "" {
		s.t.Fatalf("%s is not signed in", username)
	}
}

// narrow checks that nothing runs over the edge of a small screen.
func (s *screen) narrow(name string) {
	s.t.Helper()
	s.size(360)
	over := eval[string](s, `(() => {
		if (document.documentElement.scrollWidth <= 360) return "";
		return [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > 361 && !e.closest(".unseen")).slice(0, 5)
			.map(e => e.tagName + "." + e.className.baseVal + " " + e.className + " " + Math.round(e.getBoundingClientRect().right)).join("; ") || "the page";
	})()`)
	if over != "" {
		s.t.Errorf("%s overflows at 360 px: %s", name, over)
	}
	s.shot(name + "-360")
	s.size(1280)
}

// targets checks that everything to press is at least 24 px in both directions
// or stands in a line of text.
func (s *screen) targets(name string) {
	s.t.Helper()
	small := eval[[]string](s, `[...document.querySelectorAll("a, button, input, select, textarea, summary")].filter(e => {
		const r = e.getBoundingClientRect(); if (!r.width || e.type === "hidden" || e.className === "skip") return false;
		if (getComputedStyle(e).display === "inline") return false;
		const box = e.closest("label") ? e.closest("label").getBoundingClientRect() : r;
		return Math.max(r.height, box.height) < 24 || Math.max(r.width, box.width) < 24;
	}).map(e => e.outerHTML.slice(0, 90))`)
	if len(small) > 0 {
		s.t.Errorf("%s has targets under 24 px: %s", name, strings.Join(small, " | "))
	}
}

// check runs axe, where it is at hand, on a state of a page that TestTour does not come
// to. What colours do to it is the tour's to see.
func (s *screen) check(name string) {
	s.t.Helper()
	s.targets(name)
	s.shot(name + "-1280")
	if s.axe == "" {
		return
	}
	eval[chromedp.Void](s, s.axe+"; 0")
	for _, v := range eval[[]string](s, `axe.run(document, {resultTypes: ["violations"]}).then(r => r.violations.map(v =>
		v.id + ": " + v.nodes.slice(0, 3).map(n => n.target.join(" ") + " " + n.failureSummary.slice(0, 200)).join(" | ")))`) {
		s.t.Errorf("%s: %s", name, v)
	}
}

// shot keeps a picture where CANDIDACY_SHOTS names a folder.
func (s *screen) shot(name string) {
	s.t.Helper()
	folder := os.Getenv("CANDIDACY_SHOTS")
	if folder == "" {
		return
	}
	picture, err := chromedp.Run(s.ctx, chromedp.FullScreenshot(100))
	must(s.t, err)
	must(s.t, os.MkdirAll(folder, 0o755))
	must(s.t, os.WriteFile(filepath.Join(folder, name+".png"), picture, 0o600))
}

// TestBrowser takes one candidate from the referral to the decision through the
// pages, as each role in turn.
func TestBrowser(t *testing.T) {
	program := chromium(t)
	w := newWorld(t, func(d *Deps) { d.Demo = true })
	// Every visitor comes from one address here, so the attempts are of the
	// test's own making and far fewer than the limit.
	s := newScreen(t, program, w.site.URL)
	s.open("/sign-in")
	s.signIn("cora")
	s.open("/candidates/new")
	if _, problem := s.send("refer-given"); !strings.Contains(problem, "Nothing was recorded") {
		t.Errorf("an empty referral: %q", problem)
	}
	s.focuses("errors")
	s.check("referral-errors")
	for id, value := range map[string]string{
		"given": "Ottilie", "family": "Fjellgren", "birth_date": "1979-05-02", "sex": "female",
		"identifier_system": "urn:oid:1.2.36.146.595.217.0.1", "identifier_value": "SYN-0006", "path-0": "direct", "recipient": "R-771",
	} {
		s.set("refer-"+id, value)
	}
	if notice, problem := s.send("refer-given"); notice == "" {
		t.Fatalf("the referral: %s", problem)
	}
	address, err := chromedp.Run(s.ctx, chromedp.Location())
	must(t, err)
	at, err := url.Parse(address)
	must(t, err)
	home := at.Path
	id := strings.TrimPrefix(home, "/candidates/")
	s.check("candidate-referral")

	s.do(journey.BeginScreening, "contact_consent", "yes", "duplicate_checked", "yes")
	s.do(journey.AssignAdvocate, "advocate", "adva")
	s.pick(journey.RecordConsent, "requirements", "consent-evaluation")
	s.do(journey.RecordConsent, "note", "Read the leaflet twice.")
	s.do(journey.BeginEvaluation)

	// The laboratory reports; one more result is typed.
	w.day("2026-09-16")
	w.bundle(id, "c06-screening")
	w.bundle(id, "c06-evaluation")
	s.signIn("clem")
	for _, code := range []string{"85354-9", "882-1"} { // a panel, and coded answers
		s.open(home + "?code=" + code)
		s.check("results-" + code)
	}
	s.open(home + "?code=4548-4#record-results")
	s.check("results-4548-4")
	s.do(journey.RecordResults, "value", "5.8", "unit", "%", "date", "2026-09-15", "time", "07:50")
	if results := s.text("section:has(#results)"); !strings.Contains(results, "5.8 %") {
		t.Errorf("the typed result is not on the page: %s", results)
	}
	// The fact adds a requirement, with the cause on the page and in the history.
	if needs := s.text("section:has(#requirements)"); !strings.Contains(needs, "applies: Fasting plasma glucose 94 mg/dL; Glycated haemoglobin 5.8 %") {
		t.Errorf("the page does not say why a tolerance test is needed: %s", needs)
	}
	eval[chromedp.Void](s, `for (const d of document.querySelectorAll("section:has(#history) .timeline details")) d.open = true`)
	if history := s.text("section:has(#history)"); !strings.Contains(history, "Glucose two hours after 75 g by mouth, because of Fasting plasma glucose; Glycated haemoglobin") {
		t.Errorf("the history does not say why the plan changed: %s", history)
	}
	s.check("candidate-evaluation")
	s.open(home + "?code=1518-0#record-results")
	s.do(journey.RecordResults, "value", "126", "unit", "mg/dL", "date", "2026-09-15", "time", "10:20")

	// Every result, flagged ones with a reason.
	eval[chromedp.Void](s, `document.querySelectorAll("#sign-results input[type=checkbox]").forEach(e => e.checked = true)`)
	s.do(journey.SignResults, "verdict-0", "met", "reason", "Discussed: acceptable at this age and without other risk.")
	for _, r := range []string{"medical-history", "renal-angiogram", "psychosocial-evaluation", "nephrology-review", "surgery-review"} {
		s.pick(journey.RecordReview, "requirements", r)
		s.do(journey.RecordReview, "position-0", "supports", "findings", "Nothing that speaks against going on.")
	}
	s.signIn("adva")
	s.open(home)
	s.pick(journey.RecordReview, "requirements", "advocate-review-final")
	s.do(journey.RecordReview, "position-0", "supports", "findings", "Acts freely.")
	s.check("candidate-advocate")
	s.signIn("cora")
	s.open(home)
	s.do(journey.PresentToCommittee)
	s.signIn("comm")
	s.open(home)
	s.check("candidate-committee")
	s.set("record-decision-outcome-0", "approve")
	if _, problem := s.send("record-decision-outcome-0"); !strings.Contains(problem, "Side") {
		t.Errorf("an approval without a side: %q", problem)
	}
	s.check("candidate-errors")
	s.do(journey.RecordDecision, "outcome-0", "approve", "side-0", "left", "seats-0", "yes", "seats-1", "yes", "seats-2", "yes", "seats-3", "yes")
	if stage := s.text(".lead strong"); stage != "Approved" {
		t.Fatalf("the candidate is in the stage %s", stage)
	}
	s.check("candidate-approved")
	s.basis()

	_, held := cohort(w)
	w.give("cora", id, journey.Schedule, &command.Schedule{Date: "2027-02-12"})
	s.signIn("cora")
	s.open("/candidates/" + held)
	s.check("candidate-held")
	s.open("/")
	s.set("filter-q", "fjell")
	s.send("filter-q")
	if board := s.text(".board"); !strings.Contains(board, "Fjellgren") || strings.Contains(board, "Okonedo") {
		t.Errorf("the search finds %s", board)
	}
	s.check("board-found")
	s.set("filter-q", "nobody")
	s.send("filter-q")
	s.check("board-nothing")
	s.signIn("adil") // who stands by nobody
	s.open("/")
	s.check("board-adil")
	s.administer(w)
	s.signIn("edna") // a role that has no pages
	s.check("not-your-place")
}

// basis opens what the decision stood on, and checks that it fits on the screen
// and on paper of 7.5 inches, where it stays a table.
func (s *screen) basis() {
	s.t.Helper()
	eval[chromedp.Void](s, `document.querySelector(".basis").open = true; 0`)
	s.check("candidate-basis")
	s.narrow("candidate-basis")
	s.colours("print", "light")
	s.size(720)
	eval[chromedp.Void](s, `document.querySelector(".basis").open = false; 0`)
	s.shot("candidate-basis-print")
	if width := eval[int](s, `document.documentElement.scrollWidth`); width > 720 {
		s.t.Errorf("what the decision stood on is %d wide in print", width)
	}
	if shown := eval[string](s, `(e => getComputedStyle(e).display + " " + (e.getBoundingClientRect().height > 0))(document.querySelector(".basis td"))`); shown != "table-cell true" {
		s.t.Errorf("what the decision stood on prints as %s", shown)
	}
	s.size(1280)
	s.colours("", "light")
}

// administer moves everybody to another version of the protocol.
func (s *screen) administer(w *world) {
	s.t.Helper()
	next := nextVersion(s.t, w.protocol)
	must(s.t, mover.Adopt(context.Background(), w.store, next))
	s.signIn("admi")
	s.open("/protocols?to=" + next.Version)
	eval[chromedp.Void](s, `document.querySelectorAll("details").forEach(d => d.open = true)`)
	if _, problem := s.send("move-reason"); !strings.Contains(problem, "look at what changes, then confirm it") {
		s.t.Errorf("a move that is not confirmed: %q", problem)
	}
	s.check("protocols-errors")
	s.set("move-confirm", "yes")
	if notice, problem := s.send("move-confirm"); !strings.Contains(notice, "0 still to be moved") {
		s.t.Errorf("the move: %q %q", notice, problem)
	}
	s.check("protocols-moved")

	s.open("/clients")
	s.set("register-name", "Interface of the hospital")
	s.set("register-scopes", "system/Patient.cu")
	if _, problem := s.send("register-name"); !strings.Contains(problem, "reading and searching alone") {
		s.t.Errorf("a reader that would write: %q", problem)
	}
	s.check("clients-errors")
	s.set("register-scopes", "system/*.rs")
	s.set("register-jwks", aKeySet(s.t))
	if notice, problem := s.send("register-name"); !strings.Contains(notice, "registered") {
		s.t.Errorf("the registration: %q %q", notice, problem)
	}
	s.check("clients-registered")
}

// zoom checks a page at 200 % of a screen 1280 wide, which is 640 wide.
func (s *screen) zoom(path string) {
	s.t.Helper()
	s.open(path)
	s.size(640)
	if width := eval[int](s, `document.documentElement.scrollWidth`); width > 640 {
		s.t.Errorf("%s is %d wide at 200 %%", path, width)
	}
	s.size(1280)
}

// cohort adds invented people in other stages: one withdrew, one is on hold.
func cohort(w *world) (gone, held string) {
	w.t.Helper()
	w.day("2026-09-16")
	w.refer("Bastian", "Okonedo", "1990-11-12", "male", "SYN-0101", "")
	late := w.refer("Henrike", "Vasquez-Lund", "1968-02-29", "female", "SYN-0102", "R-802")
	w.screen(late)
	w.day("2026-10-01")
	heavy := w.refer("Anselm", "Brightwater", "1975-08-30", "male", "SYN-0103", "R-803")
	w.evaluate(heavy)
	two := w.refer("Perpetua", "Nilsdotter", "1985-01-17", "female", "SYN-0104", "")
	w.evaluate(two)
	gone = w.refer("Cornelius", "Abernathy", "1959-12-05", "male", "SYN-0105", "R-805")
	w.give("cora", gone, journey.Withdraw, &command.Plain{})
	held = w.refer("Ingeborg", "Castellane", "1981-06-21", "female", "SYN-0106", "R-806")
	w.screen(held)
	w.give("cora", held, journey.Hold, &command.Plain{Note: "Travels until November."})
	w.day("2026-11-02")
	w.bundle(heavy, "c05-screening")
	w.bundle(heavy, "c05-evaluation")
	w.give("clem", two, journey.RecordResults, &command.RecordResults{Results: []command.Result{{
		Identifier: result.Identifier{System: "urn:test", Value: "1"}, Status: result.Final,
		Code: result.Coding{Code: "2160-0"}, Quantity: &result.Quantity{Value: "0.84", Unit: "mg/dL"}, Effective: "2026-10-28",
	}}})
	w.refer("Thaddeus", "Moberg", "1994-03-09", "male", "SYN-0107", "R-807")
	return gone, held
}
