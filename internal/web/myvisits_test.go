package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	ics "candidacy/internal/calendar"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/recovery"
)

func myModels() []any {
	born := myModel{Page: "born", Title: myTitle, Words: myWords, Problem: myBadDate}
	p := protocol.Default()
	plan := myModel{Page: "own", Words: myWords}
	plan.plan("2028-02-28", recovery.Plan(p, "2028-02-28", recovery.Stay{}, nil, "2028-03-02"))
	plan.programme(p)
	visit := myVisit{ID: "planned-1", Day: "d", Times: "t", Place: "p", With: "w", What: []string{"w"}, Mind: []string{"m"}, Changed: "c", Calendar: "/"}
	return []any{
		born, plan, myModel{Page: "own", Before: true, Words: myWords},
		myModel{Page: "own", Before: true, Words: myWords, Programme: "p", Email: "a@site.example", Contacts: []myContact{{"t", "1", "h", "tel:1", false}}, Visits: []myVisit{visit, {}}, Off: []myVisit{visit}, Calendar: "/"},
		myModel{Page: "stop", Words: myWords, Problem: stopFailed, Written: "w", Key: "k"}, myModel{Page: "stopped", Words: myWords},
	}
}

// someVisit is a visit of the tests, in the words of the brief protocol.
func someVisit(day string) command.VisitPlan {
	return command.VisitPlan{
		StartsAt: day + "T09:00:00+02:00", EndsAt: day + "T10:30:00+02:00", Place: "Main entrance, desk 2", With: "clem",
		Instructions: "Bring your glasses.", Requirements: []string{"creatinine"},
	}
}

// TestMyVisits follows the own page of a candidate before the operation: what is planned,
// moved and called off, its calendar files, and the private way to stop.
func TestMyVisits(t *testing.T) {
	const mind = "Come well rested."
	source := strings.Replace(protocoltest.Brief().Source(), "    title: Serum creatinine with estimated GFR\n", "    title: Serum creatinine with estimated GFR\n    preparation: {text: "+mind+", source: invented}\n", 1)
	p, err := protocol.Parse([]byte(source))
	must(t, err)
	w := newWorldOf(t, p, nil)
	w.day("2026-07-20")
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0001", "R-771")
	cora, person := w.as("cora"), w.browser()
	wantStatus(t, "a link by a clinician", w.as("clem").form(id, journey.GiveDonorLink, "until", "2026-12-01"), 403)
	cora.get("/candidates/"+id).has(t, "No link is open")
	secret := w.link(cora, id, "2026-12-01")
	wantStatus(t, "no visit yet", person.born(secret, "2", "5", "1979"), 200).has(t, myVisitsTitle, myNone, stopTitle, "/stop")
	w.evaluate(id)
	w.give("cora", id, journey.PlanAppointment, &command.PlanAppointment{VisitPlan: someVisit("2026-07-29")})
	w.give("cora", id, journey.PlanAppointment, &command.PlanAppointment{VisitPlan: someVisit("2026-07-22")})
	w.give("cora", id, journey.PlanAppointment, &command.PlanAppointment{VisitPlan: someVisit("2026-07-31")})

	page := wantStatus(t, "the page", person.get("/my/"+secret), 200)
	page.has(t, "Wednesday, 22 July 2026", "09:00 to 10:30", "Main entrance, desk 2", "Clem", "Blood tests", "Bring your glasses.", mind, myAll, myFileNote, protocol.DefaultProgrammeName)
	if first, next := strings.Index(page.body, "22 July"), strings.Index(page.body, "29 July"); first > next {
		t.Error("the visits are not in order")
	}
	if n := strings.Count(page.body, mind); n != 3 {
		t.Errorf("what to mind stands %d times for 3 visits", n)
	}
	secrets := []string{"Fjellgren", "Ottilie", "WEB-0001", "R-771", "1979", "creatinine", "GFR", "invented", "Cora", id, "sign-out", `href="/"`}
	page.lacks(t, secrets...)
	cora.get("/candidates/"+id).has(t, "Link since 20 Jul 2026, good until 1 Dec 2026")
	cora.get("/candidates/"+id+"/visits").has(t, "Link since 20 Jul 2026, good until 1 Dec 2026", "give-donor-link-until", "/revoke-donor-link")
	w.as("adva").get("/candidates/"+id+"/visits").lacks(t, "give-donor-link")

	// The files are those that the coordinator has, to the last letter.
	for _, file := range []string{"/calendar.ics", "/visits/planned-2/calendar.ics"} {
		got := wantStatus(t, file, person.get("/my/"+secret+file), 200)
		if theirs := cora.get("/candidates/" + id + "/visits" + strings.TrimPrefix(file, "/visits")); theirs.body != got.body {
			t.Errorf("%s differs from the coordinator's:\n%s\n%s", file, got.body, theirs.body)
		}
		got.has(t, "BEGIN:VEVENT", "METHOD:PUBLISH", "SEQUENCE:0", "SUMMARY:Hospital appointment")
		got.lacks(t, append(secrets, mind, "Blood", "glasses", "Clem", secret)...)
		for name, want := range map[string]string{"Content-Type": "text/calendar; charset=utf-8", "Cache-Control": "no-store", "Content-Disposition": `attachment; filename="appointments.ics"`} {
			if value := got.header.Get(name); value != want {
				t.Errorf("%s of %s is %q", name, file, value)
			}
		}
	}
	wantStatus(t, "no such visit", person.get("/my/"+secret+"/visits/planned-9/calendar.ics"), 303)

	w.day("2026-07-21")
	wantStatus(t, "half an hour is over", person.get("/my/"+secret), 200).has(t, myAsk)
	wantStatus(t, "the files then", person.get("/my/"+secret+"/calendar.ics"), 303)
	// One is moved, one only gets another word, one is called off.
	move := someVisit("2026-07-23")
	move.Place = "Building B"
	w.give("cora", id, journey.MoveAppointment, &command.MoveAppointment{Appointment: "planned-2", Revision: 1, VisitPlan: move, Reason: "The doctor is ill."})
	reword := someVisit("2026-07-29")
	reword.Instructions = "Bring a jumper."
	w.give("cora", id, journey.MoveAppointment, &command.MoveAppointment{Appointment: "planned-1", Revision: 1, VisitPlan: reword})
	w.give("cora", id, journey.CancelAppointment, &command.CancelAppointment{Appointment: "planned-3", Revision: 1, Reason: "Done elsewhere."})
	page = wantStatus(t, "after the changes", person.born(secret, "2", "5", "1979"), 200)
	page.has(t, "Thursday, 23 July 2026", "We moved this visit on 21 July 2026. Before that it was on Wednesday, 22 July 2026, 09:00 to 10:30, at Main entrance, desk 2.",
		"We changed this visit on 21 July 2026.", "Bring a jumper.", myOff, "Friday, 31 July 2026", myFileOff)
	page.lacks(t, "The doctor is ill.", "Done elsewhere.", "Bring your glasses.\nBring")
	wantStatus(t, "the moved one", person.get("/my/"+secret+"/visits/planned-2/calendar.ics"), 200).has(t, "DTSTART:20260723T070000Z", "SEQUENCE:1", "METHOD:PUBLISH")
	wantStatus(t, "the one called off", person.get("/my/"+secret+"/visits/planned-3/calendar.ics"), 200).has(t, "METHOD:CANCEL", "STATUS:CANCELLED", "SEQUENCE:1")
	t.Run("as ical.js reads it", func(t *testing.T) {
		file := wantStatus(t, "the file of all", person.get("/my/"+secret+"/calendar.ics"), 200).body
		in, err := json.Marshal([]string{file})
		must(t, err)
		cmd := exec.Command("node", filepath.Join("..", "..", "testdata", "conformance", "node", "calendar.mjs"))
		cmd.Stdin = bytes.NewReader(in)
		out, err := cmd.Output()
		if err != nil {
			if strings.Contains(os.Getenv("CANDIDACY_REQUIRE"), "validators") {
				t.Fatal(err)
			}
			t.Skip("ical.js can't be run here: ", err)
		}
		var got struct {
			Method string
			Events []struct {
				UID, Summary, Location, Status, Starts string
				Sequence                               int
			}
		}
		must(t, json.Unmarshal(out, &got))
		var list []string
		for _, e := range got.Events {
			if e.Summary != appointmentSummary {
				t.Errorf("a calendar shows %q", e.Summary)
			}
			list = append(list, fmt.Sprintf("%s %s %s %d %s", e.UID, e.Starts, e.Status, e.Sequence, e.Location))
		}
		want := []string{
			ics.UID(id, "planned-1") + " 2026-07-29T07:00:00.000Z CONFIRMED 1 Main entrance, desk 2", ics.UID(id, "planned-2") + " 2026-07-23T07:00:00.000Z CONFIRMED 1 Building B",
			ics.UID(id, "planned-3") + " 2026-07-31T07:00:00.000Z CANCELLED 1 Main entrance, desk 2",
		}
		if got.Method != "PUBLISH" || !slices.Equal(list, want) {
			t.Errorf("%s %v, want %v", got.Method, list, want)
		}
	})
	// A pause changes nothing that is shown.
	w.give("cora", id, journey.Hold, &command.Plain{Note: "Waits for news."})
	person.get("/my/"+secret).has(t, "Thursday, 23 July 2026")
	w.give("cora", id, journey.Resume, &command.Plain{})
	// Another browser has to give the date itself, and a visit is of one link.
	w.browser().get("/my/"+secret).has(t, myAsk)

	// The private way to stop. It leaves no trace on the page.
	before := person.get("/my/" + secret)
	wantStatus(t, "the question", person.get("/my/"+secret+"/stop"), 200).has(t, stopTitle, stopOthers, myReturn)
	wantStatus(t, "too long", person.post("/my/"+secret+"/stop", url.Values{"key": {"k0"}, "words": {strings.Repeat("x", 5000)}}), 422).has(t, draftTooLarge)
	for range 2 {
		got := wantStatus(t, "passed on", person.post("/my/"+secret+"/stop", url.Values{"key": {"k1"}, "words": {"My cousin must not know."}}), 303)
		if at(got) != "/my/"+secret+"/stopped" {
			t.Errorf("it leads to %s", at(got))
		}
	}
	wantStatus(t, "what is read then", person.get("/my/"+secret+"/stopped"), 200).has(t, stoppedTitle)
	if after := person.get("/my/" + secret); after.body != before.body {
		t.Error("the page tells that somebody asked to stop")
	}
	cora = w.as("cora")
	cora.get("/candidates/"+id).has(t, "Said in private on 21 Jul 2026", "My cousin must not know.")
	w.as("clem").get("/candidates/"+id).lacks(t, "My cousin must not know.")
	entries, err := w.store.EntriesOf(context.Background(), id, journey.AskToStop)
	must(t, err)
	if len(entries) != 1 || entries[0].Role != journey.Self {
		t.Errorf("the wish is %d entries: %+v", len(entries), entries)
	}

	// Closing the page ends what the browser was let do.
	wantStatus(t, "close", person.post("/my/"+secret+"/close", nil), 303)
	person.get("/my/"+secret).has(t, myAsk)
	wantStatus(t, "the file then", person.get("/my/"+secret+"/calendar.ics"), 303)

	// What is over is not shown any more.
	w.day("2026-07-24")
	wantStatus(t, "later", person.born(secret, "2", "5", "1979"), 200).lacks(t, "23 July")

	// Whoever looked is in the access log.
	rows, err := w.store.Accesses(context.Background(), record.AccessQuery{Limit: 1})
	must(t, err)
	if len(rows) != 1 || rows[0].Actor != anOwner || !slices.Equal(rows[0].Candidates, []string{id}) {
		t.Errorf("the look is logged as %+v", rows)
	}
	if strings.Contains(w.log.String(), secret) {
		t.Error("the secret is in the log")
	}
}

// TestMyPageTellsNothing: whatever ended a link, everything behind it is answered letter by
// letter as a link that never was, in a browser that had it open and in any other.
func TestMyPageTellsNothing(t *testing.T) {
	w := newWorld(t, nil)
	w.day("2026-07-20")
	type page struct {
		secret string
		person *browser
	}
	open := func(number string) (string, page) {
		id := w.refer("Ottilie"+number, "Fjellgren", "1979-05-02", "female", "WEB-"+number, "")
		w.give("cora", id, journey.BeginScreening, &command.BeginScreening{ContactConsent: true, DuplicateChecked: true})
		w.give("cora", id, journey.PlanAppointment, &command.PlanAppointment{VisitPlan: someVisit("2026-07-22")})
		secret := w.link(w.as("cora"), id, "2026-12-01")
		of := page{secret, w.browser()}
		wantStatus(t, "open", of.person.born(secret, "2", "5", "1979"), 200).has(t, "Wednesday, 22 July 2026")
		return id, of
	}
	pages := map[string]page{"never given": {strings.Repeat("A", 43), w.browser()}}
	id, of := open("0001")
	w.give("cora", id, journey.Withdraw, &command.Plain{Note: "Does not want to."})
	pages["withdrawn"] = of
	id, of = open("0002")
	w.give("clem", id, journey.Decline, &command.Reasoned{Reason: "Anatomy."})
	pages["declined"] = of
	id, of = open("0003")
	w.give("cora", id, journey.RecordDeath, &command.RecordDeath{DiedOn: "2026-07-20"})
	pages["died"] = of
	id, of = open("0004")
	wantStatus(t, "revoke", w.as("cora").form(id, journey.RevokeDonorLink), 303)
	pages["revoked"] = of
	id, of = open("0005")
	w.link(w.as("cora"), id, "2026-12-01")
	pages["replaced"] = of
	id = w.refer("Ottilie0006", "Fjellgren", "1979-05-02", "female", "WEB-0006", "")
	of = page{w.link(w.as("cora"), id, "2026-07-21"), w.browser()}
	w.clock.set(journey.Date("2026-07-22").Start(w.protocol.Zone()).Add(-time.Minute))
	wantStatus(t, "the last minute", of.person.born(of.secret, "2", "5", "1979"), 200)
	w.clock.add(2 * time.Minute)
	pages["over"] = of

	right := url.Values{"born-day": {"2"}, "born-month": {"5"}, "born-year": {"1979"}}
	ask := func(b *browser, secret string) map[string]string {
		all := map[string]string{}
		for what, got := range map[string]answer{
			"the page": b.get("/my/" + secret), "the date": b.post("/my/"+secret, right), "the file": b.get("/my/" + secret + "/calendar.ics"),
			"one file": b.get("/my/" + secret + "/visits/planned-1/calendar.ics"), "the stop": b.get("/my/" + secret + "/stop"), "stopped": b.get("/my/" + secret + "/stopped"),
			"asking to stop": b.post("/my/"+secret+"/stop", url.Values{"key": {"k"}, "words": {"x"}}), "closing": b.post("/my/"+secret+"/close", nil),
		} {
			header := got.header.Clone()
			for _, name := range []string{"X-Request-Id", "Date", "Etag"} { // the last is made of the body, with the secret in it
				header.Del(name)
			}
			var lines []string
			for _, name := range slices.Sorted(maps.Keys(header)) {
				lines = append(lines, name+": "+strings.Join(header[name], " | "))
			}
			all[what] = strings.ReplaceAll(http.StatusText(got.status)+"\n"+strings.Join(lines, "\n")+"\n"+got.body, secret, "SECRET")
		}
		return all
	}
	never := ask(pages["never given"].person, pages["never given"].secret)
	if !strings.HasPrefix(never["the date"], "Forbidden\n") || !strings.Contains(never["the date"], myDenied) {
		t.Errorf("the date is answered %.200s", never["the date"])
	}
	for name, of := range pages {
		for which, b := range map[string]*browser{"the same browser": of.person, "another browser": w.browser()} {
			for what, got := range ask(b, of.secret) {
				if got != never[what] {
					t.Errorf("%s: %s in %s differs:\n%s\n---\n%s", name, what, which, got, never[what])
				}
			}
		}
	}
}

// TestBrowserMyVisits goes through the own page before the operation on a telephone, with
// the keyboard alone.
func TestBrowserMyVisits(t *testing.T) {
	program := chromium(t)
	w := newWorld(t, func(d *Deps) { d.Demo = true })
	w.day("2026-07-20")
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "SYN-0701", "")
	w.evaluate(id)
	for _, day := range []string{"2026-07-22", "2026-07-29", "2026-07-31"} {
		w.give("cora", id, journey.PlanAppointment, &command.PlanAppointment{VisitPlan: someVisit(day)})
	}
	w.give("cora", id, journey.MoveAppointment, &command.MoveAppointment{Appointment: "planned-2", Revision: 1, VisitPlan: someVisit("2026-07-30")})
	w.give("cora", id, journey.CancelAppointment, &command.CancelAppointment{Appointment: "planned-3", Revision: 1, Reason: "Not needed."})
	s := newScreen(t, program, w.site.URL)
	s.signIn("cora")
	s.open("/candidates/" + id + "/visits")
	s.check("visits-own-page")
	k := keyboard{s}
	k.unfold("give-donor-link-until")
	k.write("give-donor-link-until", "2026-12-01")
	k.submit("\r")
	_, secret, ok := strings.Cut(s.text("#link"), "/my/")
	if !ok {
		t.Fatalf("no link: %s", s.text("main"))
	}
	s.open("/candidates/" + id + "/visits")
	if shown := s.text("section[aria-labelledby=own-page]"); !strings.Contains(shown, "good until 1 Dec 2026") {
		t.Errorf("the page of visits says %q", shown)
	}

	s.size(360)
	s.open("/my/" + secret)
	k.write("born-day", "2")
	k.write("born-month", "5")
	k.write("born-year", "1979")
	k.submit("\r")
	if got := s.text("h1"); got != myVisitsTitle {
		t.Fatalf("the date leads to %q: %s", got, s.text("main"))
	}
	s.check("my-visits")
	s.narrow("my-visits")
	s.size(360)
	s.colours("", "dark")
	s.check("my-visits-dark")
	s.colours("print", "light")
	if shown := s.text("main"); !strings.Contains(shown, "Wednesday, 22 July 2026") || strings.Contains(shown, stopTitle) || strings.Contains(shown, myAll) || strings.Contains(shown, myClose) {
		t.Errorf("on paper stands %s", shown)
	}
	s.shot("my-visits-print")
	s.colours("", "light")
	if tall := eval[bool](s, `[...document.querySelectorAll("main a, main button")].every(a => a.getBoundingClientRect().height >= 44)`); !tall {
		t.Error("something is too small to press")
	}
	for _, file := range []string{"/visits/planned-1/calendar.ics", "/visits/planned-2/calendar.ics", "/calendar.ics", "/visits/planned-3/calendar.ics"} {
		k.to(`a[href="/my/` + secret + file + `"]`)
	}
	k.enter(`a[href$="/stop"]`)
	s.check("my-stop")
	s.narrow("my-stop")
	s.size(360)
	k.write("words", "Please call me in the evening.")
	k.enter("main form button")
	if got := s.text("h1"); got != stoppedTitle {
		t.Fatalf("the wish leads to %q", got)
	}
	s.check("my-stopped")
	k.enter("main p a")
	if got := s.text("h1"); got != myVisitsTitle {
		t.Fatalf("the way back leads to %q", got)
	}
	k.enter(`form[action$="/close"] button`)
	if got := s.text("h1"); got != myTitle || eval[int](s, `document.querySelectorAll("#born-day").length`) != 1 {
		t.Fatalf("closing leads to %q", got)
	}
	s.open("/my/" + secret)
	if eval[int](s, `document.querySelectorAll("#born-day").length`) != 1 {
		t.Error("the page is open after it was closed")
	}
}
