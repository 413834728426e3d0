package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// operated is the day on which donate operates.
const operated = "2026-10-02"

// donate takes an invented person to the end of the operation. What is given is done
// before it.
func (w *world) donate(number, recipient string, before ...func(id string)) string {
	w.t.Helper()
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", number, recipient)
	w.evaluate(id)
	w.day("2026-09-16")
	w.bundle(id, "c06-screening")
	w.bundle(id, "c06-evaluation")
	w.sign(id)
	w.review(id)
	w.give("clem", id, journey.WaiveRequirement, &command.WaiveRequirement{Requirement: "acr", Until: "2026-12-01", Reason: "Settled by the 24-hour collection."})
	w.approve(id)
	var screens []command.Result
	negative := answerTo(w.t, w.protocol, "56888-1", "Negative")
	for _, code := range []string{"56888-1", "5196-1", "13952-7", "16128-1"} {
		screens = append(screens, command.Result{
			Identifier: result.Identifier{System: "urn:test", Value: code}, Status: result.Final,
			Code: result.Coding{Code: code}, Coded: &negative, Effective: "2026-09-15",
		})
	}
	w.give("clem", id, journey.RecordResults, &command.RecordResults{Results: screens})
	w.sign(id)
	w.give("cora", id, journey.RecordConsent, &command.RecordConsent{Requirement: "consent-donation", Side: journey.Left})
	w.give("cora", id, journey.Schedule, &command.Schedule{Date: operated})
	for _, each := range before {
		each(id)
	}
	w.day(operated)
	results, err := w.store.Results(context.Background(), id)
	must(w.t, err)
	samples := protocol.BloodTypes(results)
	check := command.LastCheck{
		BirthDate: "1979-05-02", Identifier: number, BloodTypeFirst: samples[0].Type, BloodTypeSecond: samples[1].Type, Side: journey.Left,
	}
	for _, who := range []string{"clem", "cleo"} {
		again := check
		w.give(who, id, journey.ConfirmLastCheck, &again)
	}
	w.give("clem", id, journey.BeginOperation, &command.Plain{})
	w.give("clem", id, journey.RecordOperation, &command.RecordOperation{Outcome: journey.Removed, Side: journey.Left, Approach: "robotic"})
	return id
}

// form posts one of the forms of a candidate's page.
func (b *browser) form(id string, kind journey.Kind, answers ...string) answer {
	b.w.keys++
	values := url.Values{"key": {fmt.Sprintf("form-%d", b.w.keys)}}
	for i := 0; i < len(answers); i += 2 {
		values.Add(answers[i], answers[i+1])
	}
	return b.post("/candidates/"+id+"/"+string(kind), values)
}

func wantStatus(t *testing.T, what string, got answer, want int) answer {
	t.Helper()
	if got.status != want {
		_, shown, _ := strings.Cut(got.body, `role="alert"`)
		t.Fatalf("%s: %d, want %d: %.600s", what, got.status, want, shown)
	}
	return got
}

var linkOnPage = regexp.MustCompile(`/my/([A-Za-z0-9_-]{43})<`)

// link gives the donor a link as the coordinator does and returns its secret.
func (w *world) link(b *browser, id, until string) string {
	w.t.Helper()
	page := wantStatus(w.t, "the link", b.form(id, journey.GiveDonorLink, "until", until, "digest", "chosen by the browser"), http.StatusOK)
	found := linkOnPage.FindStringSubmatch(page.body)
	if found == nil {
		w.t.Fatalf("the page shows no link: %s", page.body)
	}
	return found[1]
}

// born opens the donor's own page with a date of birth.
func (b *browser) born(secret, day, month, year string) answer {
	return b.post("/my/"+secret, url.Values{"born-day": {day}, "born-month": {month}, "born-year": {year}})
}

func TestAftercare(t *testing.T) {
	w := newWorld(t, nil)
	early := ""
	id := w.donate("WEB-0400", "R-771", func(id string) {
		early = w.link(w.as("cora"), id, "2026-12-01")
		wantStatus(t, "before the operation", w.browser().born(early, "2", "5", "1979"), 200).has(t, myVisitsTitle, stopTitle)
	})
	t.Run("the stay", func(t *testing.T) { testStay(t, w, id) })
	t.Run("medicines", func(t *testing.T) { testMedicines(t, w, id) })
	t.Run("risks", func(t *testing.T) { testRisks(t, w, id) })
	t.Run("the link from before the operation", func(t *testing.T) {
		donor := w.browser()
		wantStatus(t, "after it", donor.born(early, "2", "5", "1979"), 200).has(t, myPlanTitle, myEmergency)
		donor.get("/my/"+early).lacks(t, myVisitsTitle, myNone, stopTitle)
		for _, path := range []string{"/stop", "/stopped", "/calendar.ics"} {
			wantStatus(t, path, donor.get("/my/"+early+path), 303)
		}
		wantStatus(t, "asking to stop", donor.post("/my/"+early+"/stop", url.Values{"key": {"k"}}), 303)
		wantStatus(t, "revoke", w.as("cora").form(id, journey.RevokeDonorLink), 303)
	})
	t.Run("the donor's own page", func(t *testing.T) { testDonorPage(t, w, id) })
}

func testStay(t *testing.T, w *world, id string) {
	w.day("2026-10-05")
	cora := w.as("cora")
	wantStatus(t, "nothing entered", cora.form(id, journey.RecordStay), 422)
	wantStatus(t, "before the operation", cora.form(id, journey.RecordStay, "walking", "2026-10-01"), 422).
		has(t, `href="#record-stay-walking"`, "from the day of the operation, 2026-10-02, to today, 2026-10-05")
	wantStatus(t, "walking", cora.form(id, journey.RecordStay, "walking", "2026-10-03", "discharged", "2026-10-04", "note", "Well."), 303)
	wantStatus(t, "a change", cora.form(id, journey.RecordStay, "walking", "2026-10-04"), 422).has(t, `href="#record-stay-reason"`, "say why")
	wantStatus(t, "a change with its reason", cora.form(id, journey.RecordStay, "walking", "2026-10-04", "reason", "Read wrongly."), 303)
	page := cora.get("/candidates/" + id)
	page.has(t, `id="recovery"`, "Walks since", "4 Oct 2026", "Went home on", "Nights in hospital", "Not on record",
		"Waits for: last opioid and first visit", "No bath, pool or soaking", "2 Oct 2026 to 30 Oct 2026", "On record: 4 Oct 2026.",
		"Stay and recovery recorded", "Read wrongly.", `<svg class="plan"`)
	plan := cora.get("/candidates/" + id + "/recovery-plan")
	wantStatus(t, "the plan", plan, 200).has(t, "Whom to call", "1 202-555-0143", "WEB-0400", "Call within 72 hours of going home", "4 Oct 2026 to 7 Oct 2026")
	// A colleague who must not know the name gets the plan without it.
	audi := w.as("audi").get("/candidates/" + id + "/recovery-plan")
	wantStatus(t, "the plan for the auditor", audi, 200).lacks(t, "Fjellgren", "WEB-0400")
	// Whoever cares for the recipient sees neither page.
	must(t, w.store.AddToRecipientTeam(context.Background(), "R-771", "cleo"))
	cleo := w.as("cleo")
	wantStatus(t, "the plan for the recipient's team", cleo.get("/candidates/"+id+"/recovery-plan"), 404)
	wantStatus(t, "the stay by the recipient's team", cleo.form(id, journey.RecordStay, "eating", "2026-10-03"), 404)
}

func testMedicines(t *testing.T, w *world, id string) {
	cora := w.as("cora")
	wantStatus(t, "completeness not said", cora.form(id, journey.RecordMedicines, "name", "Alvedon"), 422).has(t, `href="#record-medicines-complete-0"`)
	wantStatus(t, "a dose without a name", cora.form(id, journey.RecordMedicines, "count", "2", "complete", "yes"), 422).has(t, `href="#record-medicines-name"`)
	wantStatus(t, "no number", cora.form(id, journey.RecordMedicines, "name", "Alvedon", "paracetamol", "500 mg", "complete", "yes"), 422).
		has(t, `href="#record-medicines-paracetamol"`)
	wantStatus(t, "no code", cora.form(id, journey.RecordMedicines, "name", "Alvedon", "atc", "N02", "complete", "yes"), 422).has(t, `href="#record-medicines-atc"`)
	wantStatus(t, "tomorrow", cora.form(id, journey.RecordMedicines, "name", "Alvedon", "since", "2026-10-06", "complete", "yes"), 422).
		has(t, `href="#record-medicines-since"`)
	wantStatus(t, "too much", cora.form(id, journey.RecordMedicines, "name", "Alvedon 500 mg", "atc", "N02BE01", "paracetamol", "500", "count", "2", "times", "5", "complete", "yes"), 303)
	page := cora.get("/candidates/" + id)
	page.has(t, "Paracetamol: 5 g in 24 hours by this list, above the most of 4 g", "Alvedon 500 mg (N02BE01)", "confirmed as complete", "liver disease was not recorded")
	keep := regexp.MustCompile(`name="keep" value="([0-9a-f]{16})" checked`).FindStringSubmatch(page.body)
	if keep == nil {
		t.Fatal("the medicine can't be kept on the list")
	}
	wantStatus(t, "another", cora.form(id, journey.RecordMedicines, "keep", keep[1], "name", "Ipren", "atc", "m01ae01", "as_needed", "yes", "complete", "yes"), 303)
	cora.get("/candidates/"+id).has(t, "Ipren: an anti-inflammatory medicine; this donor avoids it for life", "Alvedon 500 mg")
	wantStatus(t, "a list that changed", cora.form(id, journey.RecordMedicines, "keep", "0123456789abcdef", "complete", "yes"), 422).has(t, "has changed since")
	// Its names are the care team's words.
	w.as("audi").get("/candidates/"+id).lacks(t, "Ipren", "Alvedon", `id="medicines"`)
	w.as("adva").get("/candidates/"+id).has(t, "Ipren")
	wantStatus(t, "an end", cora.form(id, journey.RecordMedicines, "complete", "yes"), 303)
	cora.get("/candidates/"+id).has(t, "No medicine is taken by the list of 5 Oct 2026", "2 taken before")
}

func testDonorPage(t *testing.T, w *world, id string) {
	cora, donor := w.as("cora"), w.browser()
	wantStatus(t, "a link by a clinician", w.as("clem").form(id, journey.GiveDonorLink, "until", "2026-12-01"), 403)
	wantStatus(t, "a link until yesterday", cora.form(id, journey.GiveDonorLink, "until", "2026-10-04"), 422).has(t, `href="#give-donor-link-until"`)
	wantStatus(t, "a link for ever", cora.form(id, journey.GiveDonorLink, "until", "2036-10-04"), 422)
	wantStatus(t, "nothing to revoke", cora.form(id, journey.RevokeDonorLink), 409)
	first := w.link(cora, id, "2026-12-01")
	secret := w.link(cora, id, "2026-12-01")
	nowhere := strings.Repeat("A", 43)
	neutral := func(a answer, secret string) string { return strings.ReplaceAll(a.body, secret, "") }

	// Nobody learns from the page whether there is such a link.
	asked := wantStatus(t, "the question", donor.get("/my/"+secret), 200)
	if neutral(asked, secret) != neutral(donor.get("/my/"+nowhere), nowhere) {
		t.Error("the question tells a link from none")
	}
	wantStatus(t, "no date", donor.born(secret, "2", "May", "1979"), 422).has(t, myBadDate)
	wantStatus(t, "no day of the calendar", donor.born(secret, "31", "2", "1979"), 422)
	wantStatus(t, "half a year", donor.born(secret, "2", "5", "79"), 422).has(t, myBadDate)
	wrong := wantStatus(t, "a wrong date", donor.born(secret, "3", "5", "1979"), 403)
	for what, other := range map[string]string{"no link": nowhere, "the link before": first, "no secret at all": "a-short-word"} {
		got := wantStatus(t, what, donor.born(other, "3", "5", "1979"), 403)
		if neutral(got, other) != neutral(wrong, secret) {
			t.Errorf("%s is told from a wrong date", what)
		}
	}
	wantStatus(t, "the link before, with the right date", donor.born(first, "2", "5", "1979"), 403)

	page := wantStatus(t, "the plan", donor.born(secret, "2", "5", "1979"), 200)
	page.has(t, myEmergency, "your chest hurts", myWarning, "Call &#43;1 202-555-0143", `href="tel:&#43;12025550143"`, `href="tel:112"`,
		"Do not lift more than 4 kg.", "Until 13 November 2026.", myWaiting, "the day of your last strong painkiller and the day of your first visit",
		"From 30 October 2026.", "Do not take ibuprofen.", "Your operation was on 2 October 2026.")
	// No name, no number, no result, no recipient, no word of the team, no way to
	// the pages of the staff.
	page.lacks(t, "Fjellgren", "Ottilie", "WEB-0400", "R-771", "1979", "Catheter", "common practice", "mg/dL", "mmol", "Ipren", "Cora", `href="/"`, "sign-out", id)
	for name, want := range map[string]string{
		"Cache-Control": "no-store", "Referrer-Policy": "no-referrer", "Content-Security-Policy": policy,
	} {
		if got := page.header.Get(name); got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
	// A colleague at the same browser sees the donor's page as the donor does.
	cora.born(secret, "2", "5", "1979").lacks(t, "Cora", "sign-out")

	// Five wrong dates close a link for a while, one that is none as well.
	for _, each := range []string{secret, nowhere + "B"} {
		for range attemptLimit {
			wantStatus(t, "a wrong date", donor.born(each, "1", "1", "1980"), 403)
		}
		got := wantStatus(t, "one more", donor.born(each, "2", "5", "1979"), 429)
		if got.header.Get("Retry-After") == "" {
			t.Error("the donor is not told how long to wait")
		}
	}
	w.clock.add(attemptWindow)
	wantStatus(t, "after the wait", donor.born(secret, "2", "5", "1979"), 200)

	// The secret is nowhere but with the donor.
	entries, err := w.store.Entries(context.Background(), id)
	must(t, err)
	kept, err := json.Marshal(entries)
	must(t, err)
	if strings.Contains(string(kept), secret) || strings.Contains(w.log.String(), secret) {
		t.Error("the secret is in the record or in the log")
	}
	cora = w.as("cora")
	history := cora.get("/candidates/" + id)
	history.has(t, "Link to the own page given", "Link since 5 Oct 2026, good until 1 Dec 2026", `id="revoke-donor-link"`)
	history.lacks(t, secret)

	wantStatus(t, "revoke", cora.form(id, journey.RevokeDonorLink, "note", "Lost."), 303)
	wantStatus(t, "a revoked link", donor.born(secret, "2", "5", "1979"), 403)
	// The last day counts to its end, in the programme's zone.
	secret = w.link(cora, id, "2026-10-08")
	end := journey.Date("2026-10-09").Start(w.protocol.Zone())
	w.clock.set(end.Add(-time.Second))
	wantStatus(t, "the last second", donor.born(secret, "2", "5", "1979"), 200)
	w.clock.set(end)
	wantStatus(t, "the day after", donor.born(secret, "2", "5", "1979"), 403)

	// The first visit sets the day for driving.
	w.day("2026-10-09")
	cora = w.as("cora")
	secret = w.link(cora, id, "2027-10-20")
	w.give("cora", id, journey.RecordVisit, &command.RecordVisit{Visit: "week-1", Outcome: journey.Seen})
	w.give("cora", id, journey.RecordStay, &command.RecordStay{LastOpioid: "2026-10-09"})
	wantStatus(t, "the plan", donor.born(secret, "2", "5", "1979"), 200).has(t, "You can drive a day after", "From 10 October 2026.")

	// A journey that has ended shows nothing any more.
	w.give("cora", id, journey.CompleteRecovery, &command.Plain{})
	w.day("2028-12-01")
	w.give("cora", id, journey.RecordVisit, &command.RecordVisit{Visit: "month-6", Outcome: journey.Seen})
	w.give("cora", id, journey.RecordVisit, &command.RecordVisit{Visit: "year-1", Outcome: journey.Seen})
	w.give("cora", id, journey.RecordVisit, &command.RecordVisit{Visit: "year-2", Outcome: journey.Seen})
	cora = w.as("cora")
	secret = w.link(cora, id, "2028-12-31")
	wantStatus(t, "before the end", donor.born(secret, "2", "5", "1979"), 200)
	w.give("cora", id, journey.Close, &command.Plain{})
	wantStatus(t, "after the end", donor.born(secret, "2", "5", "1979"), 403)
}

// readingIndex is the index that package recovery's test describes. The marks end a
// sentence.
func readingIndex(texts []string, marks string) float64 {
	var characters, words, sentences float64
	for _, text := range texts {
		for _, word := range strings.Fields(text) {
			characters, words = characters+float64(len(strings.Trim(word, ".,:?"))), words+1
			if strings.ContainsAny(word[len(word)-1:], marks) {
				sentences++
			}
		}
		if !strings.ContainsAny(text[len(text)-1:], marks) {
			sentences++
		}
	}
	return 4.71*characters/words + 0.5*words/sentences - 21.43
}

// TestMyWords holds everything that the donor's page says beside the plan to a
// reading age of about 12, by the index that package recovery's test describes.
func TestMyWords(t *testing.T) {
	texts := []string{
		myTitle, myPlanTitle, myAsk, myShow, myDenied, myBadDate, fmt.Sprintf(myTooMany, "15 minutes"), myCare, myEmergency, myWarning, myWhom, myNoNumber, myForLife, myClose, myFoot,
		myVisitsTitle, myNone, myClock, myWhere, myWith, myWhat, myMind, fmt.Sprintf(myMoved, "2 May", "4 May", "the desk"), fmt.Sprintf(myChanged, "2 May"), myOff, myOffText, myAll, myFile, myFileOff,
		myFileNote, myStopHint, myReturn, myOtherWork,
	}
	for _, words := range myWork {
		texts = append(texts, words)
	}
	for _, words := range myAnchors {
		texts = append(texts, fmt.Sprintf(myWaits, words))
	}
	for _, c := range protocol.Default().Contacts {
		texts = append(texts, c.Title+", "+c.Hours)
	}
	if index := readingIndex(texts, ".?"); index > 7 {
		t.Errorf("the index is %.1f, above 7", index)
	}
}

// TestBrowserAftercare looks at the plan on a wide screen and on paper, and at
// the donor's page on a telephone.
func TestBrowserAftercare(t *testing.T) {
	program := chromium(t)
	w := newWorld(t, func(d *Deps) { d.Demo = true })
	id := w.donate("WEB-0401", "")
	w.day("2026-10-05")
	w.give("cora", id, journey.RecordStay, &command.RecordStay{Walking: "2026-10-03", Discharged: "2026-10-04"})
	s := newScreen(t, program, w.site.URL)
	s.signIn("cora")
	home := "/candidates/" + id
	s.open(home)
	s.do(journey.RecordStay, "catheter_out", "2026-10-03", "work-0", "desk")
	s.do(journey.RecordRisk, "outcome", "kidney-failure", "scenario-1", "after-donation", "percent", "0.90", "low", "0.4", "high", "1.6", "coverage", "95",
		"horizon_years", "15", "model", "Invented projection", "model_version", "2.1", "source", "An invented tool")
	s.do(journey.RecordMedicines, "name", "Ipren", "atc", "M01AE01", "complete-0", "yes")
	if warned := s.text("section:has(#medicines) .alert"); !strings.Contains(warned, "this donor avoids it for life") {
		t.Errorf("no warning of the medicine: %q", warned)
	}
	s.check("candidate-recovery")
	s.narrow("candidate-recovery")
	s.open(home + "/recovery-plan")
	s.check("recovery-plan")
	s.narrow("recovery-plan")
	if drawn := eval[int](s, `document.querySelectorAll(".plan .span").length`); drawn < 4 {
		t.Errorf("the picture has %d lines", drawn)
	}
	s.colours("print", "light")
	s.shot("recovery-plan-print")
	if shown := eval[string](s, `getComputedStyle(document.querySelector(".back")).display`); shown != "none" {
		t.Error("the way back is printed")
	}
	s.colours("", "light")

	s.open(home)
	s.set("give-donor-link-until", "2026-12-01")
	s.send("give-donor-link-until")
	link := s.text("#link")
	s.check("donor-link")
	_, secret, ok := strings.Cut(link, "/my/")
	if !ok {
		t.Fatalf("the link is %q", link)
	}
	s.size(360)
	s.open("/my/" + secret)
	s.check("my-question")
	s.narrow("my-question")
	fill := func(day string) string {
		s.set("born-day", day)
		s.set("born-month", "5")
		s.set("born-year", "1979")
		_, problem := s.send("born-day")
		return problem
	}
	if problem := fill("3"); problem != myDenied {
		t.Errorf("a wrong date is answered %q", problem)
	}
	s.focuses("errors")
	s.check("my-wrong")
	if problem := fill("2"); problem != "" {
		t.Fatalf("the right date is answered %q", problem)
	}
	s.check("my-plan")
	s.narrow("my-plan")
	s.size(360)
	if tall := eval[bool](s, `[...document.querySelectorAll(".my-call a")].every(a => a.getBoundingClientRect().height >= 44)`); !tall {
		t.Error("a telephone number is too small to press")
	}
	// On paper the numbers and the signs of danger are there, in black.
	s.colours("print", "light")
	if shown := s.text("main"); !strings.Contains(shown, "112") || !strings.Contains(shown, "Do not lift more than 4 kg") {
		t.Errorf("the printout lacks the plan: %s", shown)
	}
	if colour := eval[string](s, `getComputedStyle(document.body).color`); colour != "rgb(0, 0, 0)" {
		t.Errorf("the printout is in %s", colour)
	}
	s.shot("my-print")
	s.colours("", "light")
}
