package web

import (
	"cmp"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"candidacy/internal/demo"
	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/mover"
)

// stop is one page of the tour, in a state that is worth looking at.
type stop struct {
	// name is what the page is called here, and its picture.
	name string
	// route is its row of the route table, empty for what no route answers.
	route string
	path  string
	// then goes on from the page, where what is to be looked at answers a form.
	then func(*screen)
	// status is what the page answers, 200 where it is 0.
	status int
	// picture keeps the page, phone on a small screen too.
	picture, phone bool
}

// lane is what one person sees.
type lane struct {
	who   string
	with  *browser
	stops []stop
}

// notPages are the GET routes that answer with something else than a page, each with
// the reason why nothing is looked at.
var notPages = map[string]string{
	pathAsset:     "loaded by every page",
	pathDocument:  "a file that is handed out as it came",
	pathPicture:   "shown in the page of the second factor",
	pathBroughtIn: "a file that is handed out as it came", pathSentIn: "a file that is handed out as it came",
	pathCalendar: "a file to take along", pathCalendar1: "a file to take along",
	pathMyCalendar: "a file to take along", pathMyCalendar1: "a file to take along",
	pathMeasuresCSV:  "a file to take along",
	pathMeasuresXLSX: "a file to take along",
	pathProvider:     "leads away to the identity provider",
	pathBack:         "where the identity provider leads back to",
}

// mostSent is what a page may send on its first load with everything that it loads, in
// bytes as they are sent.
const mostSent = 150_000

// TestTour visits every page of the route table, full of the demonstration's data, and
// holds each to what all pages promise. A page that is in no stop fails it.
func TestTour(t *testing.T) {
	program := chromium(t)
	w := newProgramme(t)
	lanes := tour(t, w)
	visited := map[string]bool{}
	for _, l := range lanes {
		for _, each := range l.stops {
			visited[each.route] = true
		}
	}
	known := map[string]bool{"": true}
	for _, r := range (&server{}).routes() {
		known[r.path] = true
		if r.method == http.MethodGet && !visited[r.path] && notPages[r.path] == "" {
			t.Errorf("the tour does not visit %s", r.path)
		}
	}
	for path := range visited {
		if !known[path] {
			t.Errorf("there is no route %s", path)
		}
	}
	for path := range notPages {
		if !known[path] {
			t.Errorf("there is no route %s", path)
		}
	}
	s := newScreen(t, program, w.site.URL)
	g := newGuide(s)
	for _, l := range lanes {
		began := time.Now()
		call(s, network.ClearBrowserCookies, cdp.Empty{})
		if l.with != nil {
			s.carry(l.with, "/")
		}
		for _, each := range l.stops {
			g.visit(l, each)
		}
		t.Logf("%s: %d pages in %s", cmp.Or(l.who, "nobody"), len(l.stops), time.Since(began).Round(time.Millisecond))
	}
}

// tour brings the demonstration into states that it is not in by itself, and says which
// pages are looked at as whom.
func tour(t *testing.T, w *world) []lane {
	ctx := t.Context()
	id := w.numbered()
	coordinator, nephrologist, administrator := w.demonstrator("coordinator"), w.demonstrator("nephrologist"), w.demonstrator("administrator")
	committee, advocate, auditor, surgeon := w.demonstrator("committee"), w.demonstrator("advocate"), w.demonstrator("auditor"), w.demonstrator("surgeon")
	waiting, evaluated, donor, planned, recovering := "/candidates/"+id("06"), "/candidates/"+id("07"), "/candidates/"+id("02"), "/candidates/"+id("18"), "/candidates/"+id("16")
	my := secretOn(t, coordinator.form(id("16"), journey.GiveDonorLink, "until", "2026-12-20", "digest", "chosen by the browser"), "/my/")
	// A candidate of whose visits one was moved looks at the own page.
	visits, _, err := demo.Visitor()
	must(t, err)
	wantStatus(t, "a move", coordinator.post(evaluated+"/visits", url.Values{
		"key": {"tour-move"}, "do": {"move"}, "appointment": {"planned-3"}, "revision": {"1"}, "day": {"2026-12-02"}, "from": {"13:30"}, "to": {"14:30"},
		"place": {"Building B, second floor, room 12"}, "requirements": {"medical-history", "medicines-allergies", "physical-exam"},
	}), http.StatusSeeOther)
	visitor := w.browser()
	wantStatus(t, "the own page", visitor.post(visits, w.birthOf(id("07"))), http.StatusOK)
	// The candidate who is half-way through the questionnaire goes on to its end.
	path, _, err := demo.HalfWay()
	must(t, err)
	questions := strings.TrimPrefix(path, "/questions/")
	person := w.browser()
	wantStatus(t, "the date of birth", person.post(path, w.birthOf(id("22"))), http.StatusSeeOther)
	form, _ := w.protocol.Questionnaire("intake")
	for i := len(form.Sections) / 2; i < len(form.Sections); i++ {
		wantStatus(t, "the answers", person.fillIn(form, questions, i, "next", nil), http.StatusSeeOther)
	}
	// The file of a monitor waits to be recorded.
	monitors := evaluated + "/worksheets/ambulatory-pressure"
	monitor := regexp.MustCompile(regexp.QuoteMeta(monitors) + `\?file=[0-9a-f]+`).FindString(nephrologist.get(monitors).body)
	if monitor == "" {
		t.Fatal("no file of a monitor waits")
	}
	meetings, err := w.store.Meetings(ctx)
	must(t, err)
	slices.SortFunc(meetings, func(a, b meeting.Meeting) int { return strings.Compare(string(a.Plan.On), string(b.Plan.On)) })
	held, room := "/committee/"+meetings[0].ID, "/committee/"+meetings[len(meetings)-1].ID
	letters := "/candidates/" + id("19") + "/letters"
	sent := letterForm(coordinator.get(letters))
	sent.Set("channel", "post")
	letter := wantStatus(t, "the letter", coordinator.post(letters, sent), http.StatusSeeOther).header.Get("Location")
	peoplePage := regexp.MustCompile(`href="(/measures/people[^"]*)"`).FindStringSubmatch(coordinator.get("/measures").body)
	if peoplePage == nil {
		t.Fatal("the measures lead to nobody")
	}
	// Systems, versions and messages.
	wantStatus(t, "a client", administrator.post("/clients", url.Values{"key": {"7c2b6c6e-2a4f-4d6e-9a70-0a9f3ce2f0aa"}, "do": {"register"}, "name": {"Interface of the hospital"}, "role": {"reader"}, "scopes": {"system/*.rs"}, "jwks": {aKeySet(t)}}), http.StatusSeeOther)
	next := nextVersion(t, w.protocol)
	must(t, mover.Adopt(ctx, w.store, next))
	messages, err := w.store.Incomings(ctx, 100, "held")
	must(t, err)
	wantStatus(t, "an emergency", w.demonstrator("recipient-side").get("/emergency"), http.StatusOK)
	// Somebody with a second factor stands before its question.
	locked := secondFactor(t, w, w.demonstrator("psychologist"))
	beginning := w.demonstrator("surgeon")
	wantStatus(t, "a second factor", beginning.post(pathFactor, url.Values{"key": {"f"}, "do": {"begin"}}), http.StatusSeeOther)

	return []lane{
		{"", nil, []stop{
			{name: "sign-in", route: pathSignIn, path: "/sign-in", picture: true},
			{name: "my-birth", route: pathMy, path: "/my/" + my},
			{name: "my", path: "/my/" + my, picture: true, phone: true, then: func(s *screen) {
				for name, value := range w.birthOf(id("16")) {
					s.set(name, value[0])
				}
				s.send("born-day")
			}},
			{name: "questions-birth", route: pathQuestions, path: "/questions/" + questions},
			{name: "not-found", path: "/nowhere", status: 404},
		}},
		{"the candidate", person, []stop{
			{name: "questions-why", route: pathQuestion, path: "/questions/" + questions + "/why", phone: true},
			{name: "questions-health", route: pathQuestion, path: "/questions/" + questions + "/health", picture: true, phone: true},
			{name: "questions-review", route: pathQuestion, path: "/questions/" + questions + "/review", picture: true, phone: true},
			{name: "questions-stop", route: pathQuestion, path: "/questions/" + questions + "/stop"},
		}},
		{"the candidate before the operation", visitor, []stop{
			{name: "my-visits", route: pathMy, path: visits, picture: true, phone: true},
			{name: "my-stop", route: pathMyStop, path: visits + "/stop"},
			{name: "my-stopped", route: pathMyStopped, path: visits + "/stopped"},
		}},
		{"coordinator", coordinator, []stop{
			{name: "today", route: pathToday, path: "/today", picture: true, phone: true},
			{name: "board", route: pathBoard, path: "/", picture: true},
			{name: "board-all", route: pathBoard, path: "/?show=all&sort=name"},
			{name: "referral", route: pathNew, path: "/candidates/new", picture: true},
			{name: "candidate", route: pathCandidate, path: waiting, picture: true, phone: true},
			{name: "candidate-referred", route: pathCandidate, path: "/candidates/" + id("24")},
			{name: "candidate-scheduled", route: pathCandidate, path: planned},
			{name: "candidate-donor", route: pathCandidate, path: donor, picture: true},
			{name: "candidate-withdrawn", route: pathCandidate, path: "/candidates/" + id("20")},
			{name: "evaluation-summary", route: pathEvaluation, path: waiting + "/evaluation-summary", picture: true},
			{name: "recovery-plan", route: pathRecovery, path: recovering + "/recovery-plan", picture: true},
			{name: "check", route: pathCheck, path: planned + "/checks/confirm-verification", picture: true},
			{name: "visits", route: pathAllVisits, path: pathAllVisits, picture: true},
			{name: "candidate-visits", route: pathVisits, path: evaluated + "/visits", picture: true},
			{name: "day-plan", route: pathDayPlan, path: evaluated + "/visits/days/2026-11-26", picture: true},
			{name: "documents", route: pathDocuments, path: waiting + "/documents", picture: true},
			{name: "committee", route: pathCommittee, path: "/committee", picture: true},
			{name: "meeting", route: pathMeeting, path: room, picture: true},
			{name: "letters", route: pathLetters, path: letters, picture: true},
			{name: "letter", route: pathLetter, path: letter, picture: true},
			{name: "incoming", route: pathIncoming, path: "/incoming", picture: true},
			{name: "message", route: pathMessage, path: "/incoming/" + messages[0].ID, picture: true},
			{name: "follow-up", route: pathFollowUp, path: "/follow-up", picture: true},
			{name: "reports", route: pathReports, path: "/reports", picture: true},
			{name: "measures", route: pathMeasures, path: "/measures", picture: true},
			{name: "measures-people", route: pathMeasured, path: html.UnescapeString(peoplePage[1])},
			{name: "notices", route: pathNotices, path: "/notices"},
			{name: "emergency", route: pathEmergency, path: "/emergency"},
			{name: "account", route: pathAccount, path: "/account"},
		}},
		{"nephrologist", nephrologist, []stop{
			{name: "candidate-clinician", route: pathCandidate, path: evaluated},
			{name: "candidate-results", route: pathCandidate, path: evaluated + "?code=2160-0"},
			{name: "results", route: pathResults, path: evaluated + "/results", picture: true},
			{name: "plasma", route: pathPlasma, path: evaluated + "/worksheets/plasma-clearance", picture: true},
			{name: "ambulatory", route: pathAmbulatory, path: monitor, picture: true},
			{name: "ambulatory-files", route: pathAmbulatory, path: monitors},
			{name: "review", route: pathReview, path: evaluated + "/reviews/psychosocial-evaluation", picture: true},
			{name: "side", route: pathSide, path: waiting + "/side", picture: true},
		}},
		{"surgeon", surgeon, []stop{
			{name: "candidate-operated", route: pathCandidate, path: "/candidates/" + id("17")},
			{name: "last-check", route: pathCheck, path: planned + "/checks/confirm-last-check"},
		}},
		{"surgeon, who sets up a second factor", beginning, []stop{
			{name: "second-factor", route: pathFactor, path: pathFactor, picture: true},
		}},
		{"psychologist, at the door", locked, []stop{
			{name: "code", route: pathCode, path: pathCode},
		}},
		{"advocate", advocate, []stop{
			{name: "advocate", route: pathAdvocate, path: pathAdvocate, picture: true, phone: true},
			{name: "room", route: pathRoom, path: evaluated + "/advocate", picture: true},
			{name: "own-notes", route: pathOwnNotes, path: evaluated + "/advocate/notes"},
			{name: "withdrawal", route: pathWitness, path: evaluated + "/advocate/withdrawal", picture: true},
			{name: "statement", route: pathStatement, path: "/candidates/" + id("20") + "/statement"},
			{name: "board-advocate", route: pathBoard, path: "/"},
			{name: "candidate-advocate", route: pathCandidate, path: waiting},
		}},
		{"committee", committee, []stop{
			{name: "meeting-item", route: pathMeetingItem, path: room + "/candidates/" + id("06"), picture: true},
			{name: "meeting-decided", route: pathMeetingItem, path: held + "/candidates/" + id("19")},
			{name: "minutes", route: pathMinutes, path: held + "/minutes", picture: true},
			{name: "minutes-to-sign", route: pathMinutes, path: room + "/minutes"},
			{name: "committee-summary", route: pathSummary, path: waiting + "/committee"},
			{name: "candidate-committee", route: pathCandidate, path: waiting},
		}},
		{"auditor", auditor, []stop{
			{name: "audit", route: pathAudit, path: "/audit?show=looks&verify=yes", picture: true},
			{name: "candidate-auditor", route: pathCandidate, path: waiting},
		}},
		{"administrator", administrator, []stop{
			{name: "accounts", route: pathAccounts, path: "/accounts", picture: true},
			{name: "accounts-one", route: pathAccounts, path: "/accounts?account=acc-demo-surgeon"},
			{name: "protocols", route: pathProtocols, path: "/protocols", picture: true},
			{name: "protocols-move", route: pathProtocols, path: "/protocols?to=" + next.Version},
			{name: "clients", route: pathClients, path: "/clients", picture: true},
		}},
	}
}

// letterForm reads the letter as the page proposes it.
func letterForm(page answer) url.Values {
	v := filledIn(page, "letter")
	if _, text, ok := strings.Cut(page.body, `name="text"`); ok {
		_, text, _ = strings.Cut(text, ">")
		text, _, _ = strings.Cut(text, "</textarea>")
		v.Set("text", text)
	}
	return v
}

// secondFactor sets one up, and signs in again as far as its question.
func secondFactor(t *testing.T, w *world, b *browser) *browser {
	t.Helper()
	b.post(pathFactor, url.Values{"key": {"f"}, "do": {"begin"}})
	found := shownSecret.FindStringSubmatch(b.get(pathFactor).body)
	if found == nil {
		t.Fatal("no secret of a second factor")
	}
	wantStatus(t, "the code", b.post(pathFactor, url.Values{"key": {"g"}, "do": {"confirm"}, "code": {app(t, w, strings.ReplaceAll(found[1], "-", ""))}}), http.StatusOK)
	return w.demonstrator("psychologist")
}

// carry gives the browser the cookies that somebody has for a path.
func (s *screen) carry(b *browser, path string) {
	s.t.Helper()
	at, err := url.Parse(s.site + path)
	must(s.t, err)
	for _, c := range b.http.Jar.Cookies(at) {
		call(s, network.SetCookie, network.SetCookieParams{Name: c.Name, Value: c.Value, URL: at.String(), Path: path, SameSite: network.CookieSameSiteStrict})
	}
}

// guide watches what the browser asks for and says while it shows a page.
type guide struct {
	*screen
	mu       sync.Mutex
	asked    []*network.EventRequestWillBeSent
	received float64
	packed   map[string]bool
	said     []string
	// followed are the links that were tried, by who and by shape.
	followed map[string]int
	// been are the routes that were looked at in both widths and colour schemes.
	been map[string]bool
}

func newGuide(s *screen) *guide {
	g := &guide{screen: s, followed: map[string]int{}, been: map[string]bool{}, packed: map[string]bool{}}
	must(s.t, chromedp.Listen(s.ctx, func(event any) {
		g.mu.Lock()
		defer g.mu.Unlock()
		switch e := event.(type) {
		case *network.EventRequestWillBeSent:
			g.asked = append(g.asked, e)
		case *network.EventResponseReceived:
			for name, value := range e.Response.Headers {
				if strings.EqualFold(name, "content-encoding") && fmt.Sprint(value) == "gzip" {
					g.packed[e.Response.URL] = true
				}
			}
		case *network.EventLoadingFinished:
			g.received += e.EncodedDataLength
		case *log.EventEntryAdded:
			if e.Entry.Level == log.EntryLevelError || e.Entry.Source == log.EntrySourceSecurity {
				g.said = append(g.said, e.Entry.Text)
			}
		case *runtime.EventExceptionThrown:
			g.said = append(g.said, e.ExceptionDetails.Text)
		case *runtime.EventConsoleAPICalled:
			if e.Type == runtime.ConsoleAPICalledTypeError || e.Type == runtime.ConsoleAPICalledTypeWarning {
				g.said = append(g.said, fmt.Sprint("console ", e.Type))
			}
		}
	}))
	call(s, network.Enable, network.EnableParams{})
	// Every page is the first that this browser sees.
	call(s, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: true})
	call(s, log.Enable, cdp.Empty{})
	return g
}

// visit goes to a page and holds it to everything.
func (g *guide) visit(l lane, at stop) {
	g.t.Helper()
	g.mu.Lock()
	g.asked, g.received, g.said = nil, 0, nil
	g.mu.Unlock()
	if l.with != nil && (strings.HasPrefix(at.path, "/questions/") || strings.HasPrefix(at.path, "/my/")) {
		g.carry(l.with, strings.Join(strings.Split(at.path, "/")[:3], "/"))
	}
	answered, err := chromedp.RunResponse(g.ctx, chromedp.Navigate(g.site+at.path))
	must(g.t, err)
	if want := int64(cmp.Or(at.status, http.StatusOK)); answered.Status != want {
		g.t.Errorf("%s at %s answers %d, want %d", at.name, at.path, answered.Status, want)
		return
	}
	g.loaded(at)
	if at.then != nil {
		at.then(g.screen)
	}
	g.pictures(at)
	g.keyboard(at.name)
	// What is folded up is looked at as well.
	eval[chromedp.Void](g.screen, `document.querySelectorAll("details").forEach(d => d.open = true)`)
	g.focusable(at.name)
	g.targets(at.name)
	if g.axe != "" {
		eval[chromedp.Void](g.screen, g.axe+"; 0")
	}
	// A page that was there before in another state is not looked at in every
	// combination again.
	again := at.route != "" && g.been[at.route]
	g.been[at.route] = true
	g.accessible(at.name+", 1280 px", false)
	g.colours("", "dark")
	if !again {
		g.accessible(at.name+", 1280 px, dark", true)
	}
	g.fits(at.name, 640, "at 200 %")
	g.fits(at.name, 320, "at 400 %")
	g.fits(at.name, 390, "on a phone")
	g.accessible(at.name+", 390 px, dark", true)
	g.colours("", "light")
	if !again {
		g.accessible(at.name+", 390 px", false)
	}
	g.prints(at.name)
	g.follow(l, at)
}

// loaded judges what it took to show the page.
func (g *guide) loaded(at stop) {
	g.t.Helper()
	g.mu.Lock()
	defer g.mu.Unlock()
	if at.status == 0 {
		for _, text := range g.said {
			g.t.Errorf("%s: the console says %s", at.name, text)
		}
	}
	if g.received > mostSent || g.received < 5_000 {
		g.t.Errorf("%s sends %.0f bytes, at most %d", at.name, g.received, mostSent)
	}
	for _, asked := range g.asked {
		if text := asked.Type == network.ResourceTypeScript || asked.Type == network.ResourceTypeStylesheet; text && !g.packed[asked.Request.URL] {
			g.t.Errorf("%s: %s is not packed", at.name, asked.Request.URL)
		}
		if asked.RedirectResponse != nil {
			g.t.Errorf("%s: %s leads elsewhere", at.name, asked.Request.URL)
		}
		if asked.Type == network.ResourceTypeDocument {
			continue
		}
		// Everything else is named in the page, so that all of it is asked for at once.
		if asked.Initiator.Type != network.InitiatorTypeParser || asked.Initiator.URL != asked.DocumentURL {
			if asked.Type == network.ResourceTypeOther && strings.HasSuffix(asked.Request.URL, ".svg") {
				continue // the browser's own request for the icon
			}
			g.t.Errorf("%s waits for %s, which %s asks for (%s)", at.name, asked.Request.URL, asked.Initiator.URL, asked.Initiator.Type)
		}
	}
}

// accessible runs axe, wholly or for what the colours change.
func (g *guide) accessible(name string, colours bool) {
	g.t.Helper()
	if g.axe == "" {
		return
	}
	only := ""
	if colours {
		only = `, runOnly: {type: "rule", values: ["color-contrast", "link-in-text-block"]}`
	}
	for _, v := range eval[[]string](g.screen, `axe.run(document, {resultTypes: ["violations"]`+only+`}).then(r => r.violations.map(v =>
		v.id + ": " + v.nodes.slice(0, 3).map(n => n.target.join(" ") + " " + n.failureSummary.slice(0, 200)).join(" | ")))`) {
		g.t.Errorf("%s: %s", name, v)
	}
}

// fits checks that nothing runs over the edge.
func (g *guide) fits(name string, width int64, where string) {
	g.t.Helper()
	g.size(width)
	if over := eval[string](g.screen, overflow); over != "" {
		g.t.Errorf("%s is too wide %s (%d px): %s", name, where, width, over)
	}
}

// overflow names what reaches over the edge of the page, outside of what scrolls by
// itself.
const overflow = `(() => {
	const width = document.documentElement.clientWidth;
	if (document.documentElement.scrollWidth <= width) return "";
	return [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > width + 1).slice(0, 4)
		.map(e => e.tagName + "." + (e.className.baseVal ?? e.className) + " " + Math.round(e.getBoundingClientRect().right)).join("; ") || "the page";
})()`

// paperWidth is what is left of A4 in CSS pixels with margins of a centimetre.
const paperWidth = 718

// prints looks at the page as it goes to paper.
func (g *guide) prints(name string) {
	g.t.Helper()
	g.colours("print", "light")
	g.fits(name, paperWidth, "on A4")
	for _, fault := range eval[[]string](g.screen, `(() => {
		const faults = [], shown = e => e.checkVisibility() && e.getClientRects().length;
		const tell = (what, list) => { if (list.length) faults.push(what + ": " + list.slice(0, 4).map(e => e.outerHTML.replace(/\s+/g, " ").slice(0, 90)).join(" | ")); };
		const all = [...document.querySelectorAll("body *")].filter(shown);
		tell("printed, and of no use on paper", all.filter(e => e.matches("nav, button, .skip, dialog, [role=search]")));
		tell("a form to fill in", all.filter(e => e.matches("form") && !e.closest("[data-paper]")));
		tell("cut off", all.filter(e => { const s = getComputedStyle(e); return !e.closest(".unseen, svg, thead") && e.clientWidth > 1 &&
			(!/visible|clip/.test(s.overflowX) && e.scrollWidth > e.clientWidth + 1 || !/visible|clip/.test(s.overflowY) && e.scrollHeight > e.clientHeight + 1) && !/^(INPUT|SELECT|TEXTAREA)$/.test(e.tagName); }));
		tell("a table without a head on each sheet", all.filter(e => e.matches("table") && e.tHead && e.rows.length > 2 && getComputedStyle(e.tHead).display !== "table-header-group"));
		return faults;
	})()`) {
		g.t.Errorf("%s, on paper: %s", name, fault)
	}
	g.colours("", "light")
	g.size(1280)
}

// keyboard goes from the top of the page to the first thing to do in its content.
func (g *guide) keyboard(name string) {
	g.t.Helper()
	// A page that came with something wrong begins there.
	if eval[bool](g.screen, `document.activeElement !== document.body`) {
		return
	}
	g.press("Tab")
	if !eval[bool](g.screen, `document.activeElement.matches(".skip") && document.activeElement.getBoundingClientRect().top >= 0`) {
		g.t.Errorf("%s: the first press of Tab leads to %s", name, eval[string](g.screen, `document.activeElement.outerHTML.slice(0, 90)`))
		return
	}
	g.press("Enter")
	g.press("Tab")
	if fault := eval[string](g.screen, `(() => {
		const first = [...document.querySelectorAll("#main :is(a[href], button, input:not([type=hidden]), select, textarea, summary)")].find(e => e.checkVisibility() && !e.disabled);
		const now = document.activeElement;
		if (!first || now === first || first.type === "radio" && first.name === now.name) return "";
		return "leads to " + now.outerHTML.slice(0, 90) + " and not to " + first.outerHTML.slice(0, 90);
	})()`); fault != "" {
		g.t.Errorf("%s: the way to the content %s", name, fault)
	}
	if order := eval[int](g.screen, `document.querySelectorAll("[tabindex]:not([tabindex='-1'], [tabindex='0'])").length`); order > 0 {
		g.t.Errorf("%s: %d elements have an order of their own", name, order)
	}
}

// focusable puts the focus on each control and looks whether one can see it.
func (g *guide) focusable(name string) {
	g.t.Helper()
	for _, fault := range eval[[]string](g.screen, `(() => {
		const faults = [];
		for (const e of document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary")) {
			if (!e.checkVisibility() || e.disabled || e.tabIndex < 0) continue;
			e.focus({focusVisible: true});
			const said = e.outerHTML.replace(/\s+/g, " ").slice(0, 90), s = getComputedStyle(e), r = e.getBoundingClientRect();
			if (document.activeElement !== e) { faults.push("takes no focus: " + said); continue; }
			if (s.outlineStyle === "none" || parseFloat(s.outlineWidth) < 2) faults.push("the focus is not seen on " + said);
			if (r.bottom <= 0 || r.top >= innerHeight) faults.push("the focus is out of sight on " + said);
		}
		document.activeElement.blur(); scrollTo(0, 0);
		return faults.slice(0, 5);
	})()`) {
		g.t.Errorf("%s: %s", name, fault)
	}
}

// shape is a link without what is different each time.
var shape = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f-]{27}|=[^&]*|/\d+`)

// follow tries the links of a page: each leads to a page, at once.
func (g *guide) follow(l lane, at stop) {
	g.t.Helper()
	b := l.with
	if b == nil {
		b = &browser{w: &world{t: g.t}, http: &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
	}
	links := eval[[]string](g.screen, `[...new Set([...document.querySelectorAll("a[href]")].filter(a => a.origin === location.origin).map(a => a.pathname + a.search))]`)
	for _, link := range links {
		key := l.who + " " + shape.ReplaceAllString(link, "")
		if g.followed[key]++; g.followed[key] > 2 {
			continue
		}
		req, err := http.NewRequest(http.MethodGet, g.site+link, nil)
		must(g.t, err)
		// A link to a questionnaire leads on to where its candidate had come.
		if got := b.do(req, nil); got.status != http.StatusOK && at.status == 0 && !strings.HasPrefix(link, "/questions/") {
			g.t.Errorf("%s links to %s, which answers %d %s", at.name, link, got.status, got.header.Get("Location"))
		}
	}
}

// pictures keeps what is to be seen first on a screen, and on a phone.
func (g *guide) pictures(at stop) {
	g.t.Helper()
	if at.picture {
		g.keep(at.name)
	}
	if at.phone && *keepScreens {
		g.size(390)
		g.keep(at.name + "-phone")
		g.size(1280)
	}
}
