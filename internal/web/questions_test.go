package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

var questionnaireOnPage = regexp.MustCompile(`/questions/([A-Za-z0-9_-]{43})<`)

// questionnaire gives a candidate a link as the coordinator does and returns its
// secret.
func (w *world) questionnaire(b *browser, id, until string) string {
	w.t.Helper()
	page := wantStatus(w.t, "the link", b.form(id, journey.GiveQuestionnaire, "questionnaire", "intake", "until", until, "digest", "chosen by the browser"), http.StatusOK)
	found := questionnaireOnPage.FindStringSubmatch(page.body)
	if found == nil {
		w.t.Fatalf("the page shows no link: %s", page.body)
	}
	return found[1]
}

// bornQuestions opens a questionnaire with a date of birth.
func (b *browser) bornQuestions(secret, day, month, year string, more ...string) answer {
	form := url.Values{"born-day": {day}, "born-month": {month}, "born-year": {year}}
	for i := 0; i < len(more); i += 2 {
		form.Set(more[i], more[i+1])
	}
	return b.post("/questions/"+secret, form)
}

var revisionOnPage = regexp.MustCompile(`id="revision" name="revision" value="(\d+)"`)

// fillIn answers a section with no and the first choice, but for what is given.
func (b *browser) fillIn(q protocol.Questionnaire, secret string, at int, do string, answers map[string]string) answer {
	b.w.t.Helper()
	s := q.Sections[at]
	form := url.Values{"do": {do}}
	if found := revisionOnPage.FindStringSubmatch(b.get("/questions/" + secret + "/" + s.ID).body); found != nil {
		form.Set("revision", found[1])
	}
	for _, each := range s.Questions {
		text, given := answers[each.ID]
		switch {
		case given:
		case !each.Required || each.EnableWhen != nil:
			continue
		case each.Type == protocol.AskBoolean:
			text = protocol.AnswerNo
		case each.Type == protocol.AskChoice:
			text = each.Choices[0].Code
		default:
			text = "0"
		}
		form.Set("q-"+each.ID, text)
	}
	return b.post("/questions/"+secret+"/"+s.ID, form)
}

func at(a answer) string { return a.header.Get("Location") }

func TestQuestionnaire(t *testing.T) {
	w := newWorldOf(t, protocol.Default(), nil)
	w.day("2026-03-02")
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0600", "R-771")
	q, _ := w.protocol.Questionnaire("intake")
	cora, person := w.as("cora"), w.browser()

	wantStatus(t, "a link by a clinician", w.as("clem").form(id, journey.GiveQuestionnaire, "questionnaire", "intake", "until", "2026-03-20"), 403)
	wantStatus(t, "a link until today", cora.form(id, journey.GiveQuestionnaire, "questionnaire", "intake", "until", "2026-03-02"), 422).has(t, `href="#give-questionnaire-until"`)
	wantStatus(t, "a link for years", cora.form(id, journey.GiveQuestionnaire, "questionnaire", "intake", "until", "2027-03-02"), 422)
	wantStatus(t, "another questionnaire", cora.form(id, journey.GiveQuestionnaire, "questionnaire", "other", "until", "2026-03-20"), 422)
	wantStatus(t, "nothing to revoke", cora.form(id, journey.RevokeQuestionnaire), 409)
	former := w.questionnaire(cora, id, "2026-03-20")
	secret := w.questionnaire(cora, id, "2026-03-20")
	nowhere := strings.Repeat("A", 43)
	base := "/questions/" + secret
	cora.get("/candidates/"+id).has(t, "Link to a questionnaire given", "A link to a questionnaire is open until 20 Mar 2026")

	t.Run("nobody learns whether there is a link", func(t *testing.T) {
		neutral := func(a answer, secret string) string { return strings.ReplaceAll(a.body, secret, "") }
		asked := wantStatus(t, "the question", person.get(base), 200)
		wrong := wantStatus(t, "a wrong date", person.bornQuestions(secret, "3", "5", "1979"), 403)
		into := wantStatus(t, "a page without the date", person.post(base+"/health", url.Values{"q-gout": {"yes"}}), 422)
		for what, other := range map[string]string{"no link": nowhere, "the link before": former, "a short word": "word"} {
			if neutral(person.get("/questions/"+other), other) != neutral(asked, secret) {
				t.Errorf("%s is told from a link by the question", what)
			}
			if neutral(person.bornQuestions(other, "3", "5", "1979"), other) != neutral(wrong, secret) {
				t.Errorf("%s is told from a wrong date", what)
			}
			if neutral(person.post("/questions/"+other+"/health", url.Values{"q-gout": {"yes"}}), other) != neutral(into, secret) {
				t.Errorf("%s is told by a page of it", what)
			}
		}
		wantStatus(t, "the link before, with the right date", person.bornQuestions(former, "2", "5", "1979"), 403)
		wantStatus(t, "no date", person.bornQuestions(secret, "2", "May", "1979"), 422).has(t, myBadDate)
	})

	opened := wantStatus(t, "the right date", person.bornQuestions(secret, "2", "5", "1979"), 303)
	if at(opened) != base+"/why" {
		t.Errorf("it opens %s", at(opened))
	}
	if cookie := opened.header.Get("Set-Cookie"); !strings.Contains(cookie, "HttpOnly") || !strings.Contains(cookie, "SameSite=Strict") || !strings.Contains(cookie, "Path="+base) {
		t.Errorf("the cookie is %q", cookie)
	}
	first := wantStatus(t, "the first part", person.get(base+"/why"), 200)
	first.has(t, "Part 1 of "+fmt.Sprint(len(q.Sections)), "Who do you want to help?", "You may leave this out.")
	first.lacks(t, "Fjellgren", "WEB-0600", "R-771", "Cora", "sign-out", id)
	if got := first.header.Get("Cache-Control"); got != "no-store" {
		t.Errorf("Cache-Control is %q", got)
	}

	t.Run("what is wrong is saved and said", func(t *testing.T) {
		got := wantStatus(t, "an empty part", person.post(base+"/health", url.Values{"q-gout": {"yes"}, "q-height": {"300"}, "q-cancer": {"yes"}, "q-cancer-when": {"2031-01-01"}, "do": {"next"}}), 422)
		got.has(t, "Have you ever had kidney stones? "+faultMissing, `href="#question-stones-0"`, "Write a number from 100 to 230.", faultFuture)
		person.get(base+"/health").has(t, `name="q-gout" value="yes" checked`, `name="q-height" value="300"`, `value="2031-01-01"`)
		wantStatus(t, "a choice that there is not", person.post(base+"/health", url.Values{"q-gout": {"perhaps"}, "do": {"next"}}), 422).has(t, "Have you ever had gout? "+faultChoice)
		wantStatus(t, "too much", person.post(base+"/why", url.Values{"q-why-give": {strings.Repeat("x", longestDraft+1)}}), 422).has(t, draftTooLarge)
		wantStatus(t, "far too much", person.post(base+"/why", url.Values{"q-why-give": {strings.Repeat("x", maxForm)}}), 413)
		r, err := http.NewRequest(http.MethodPost, w.site.URL+base+"/why", strings.NewReader("q-why-give=x"))
		must(t, err)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "cross-site")
		wantStatus(t, "from another site", person.do(r, nil), 403)
	})

	t.Run("back and forth", func(t *testing.T) {
		if got := wantStatus(t, "next", person.fillIn(q, secret, 0, "next", map[string]string{"why-give": "My sister\nis <ill>."}), 303); at(got) != base+"/health" {
			t.Errorf("next leads to %s", at(got))
		}
		if got := wantStatus(t, "back", person.fillIn(q, secret, 1, "back", nil), 303); at(got) != base+"/why" {
			t.Errorf("back leads to %s", at(got))
		}
		person.get(base+"/why").has(t, "My sister\nis &lt;ill&gt;.</textarea>", `name="q-who-for" value="family" checked`)
		if got := wantStatus(t, "later", person.fillIn(q, secret, 1, "later", nil), 303); at(got) != base+"/later" {
			t.Errorf("later leads to %s", at(got))
		}
		person.get(base+"/later").has(t, "It works until 20 March 2026.")
		wantStatus(t, "save", person.fillIn(q, secret, 1, "save", nil), 200).has(t, `role="status">Saved at 09:00.`)
		r, err := http.NewRequest(http.MethodPost, w.site.URL+base+"/travel", strings.NewReader("q-malaria=yes&do=save"))
		must(t, err)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("HX-Request", "true")
		got := wantStatus(t, "a script saves", person.do(r, nil), 200)
		got.has(t, "Saved at", `hx-swap-oob="true"`)
		got.lacks(t, "<html")
		wantStatus(t, "too early", person.post(base+"/review", url.Values{}), 422).has(t, reviewNotYet)
	})

	t.Run("two browsers", func(t *testing.T) {
		tablet := w.browser()
		wantStatus(t, "the same link", tablet.bornQuestions(secret, "2", "5", "1979"), 303)
		seen := revisionOnPage.FindStringSubmatch(tablet.get(base + "/pressure").body)[1]
		wantStatus(t, "on the telephone", person.fillIn(q, secret, 2, "next", map[string]string{"pressure-pills": "yes"}), 303)
		form := url.Values{"q-pressure-pills": {"no"}, "q-pressure-high": {"no"}, "do": {"next"}, "revision": {seen}}
		got := wantStatus(t, "on the tablet", tablet.post(base+"/pressure", form), 409)
		got.has(t, "another phone or computer", "There it says: Yes.", `name="q-pressure-pills" value="no" checked`)
		form.Set("revision", revisionOnPage.FindStringSubmatch(got.body)[1])
		wantStatus(t, "once more", tablet.post(base+"/pressure", form), 303)
	})

	t.Run("the visit ends", func(t *testing.T) {
		w.clock.add(visitLifetime)
		cora = w.as("cora")
		lost := wantStatus(t, "after half a day", person.post(base+"/family", url.Values{"q-family-cysts": {"yes"}, "do": {"next"}}), 422)
		lost.has(t, askAgain, `<input type="hidden" name="q-family-cysts" value="yes">`, `<input type="hidden" name="page" value="family">`)
		wantStatus(t, "the date once more", person.bornQuestions(secret, "2", "5", "1979", "page", "family", "q-family-cysts", "yes", "do", "next"), 422)
		person.get(base+"/family").has(t, `name="q-family-cysts" value="yes" checked`)
	})

	t.Run("what is filled in is sealed", func(t *testing.T) {
		draft, _, err := w.store.QuestionnaireDraft(context.Background(), secret)
		must(t, err)
		if !bytes.Contains(draft, []byte("My sister")) {
			t.Errorf("the draft is %s", draft)
		}
		entries, err := w.store.Entries(context.Background(), id)
		must(t, err)
		kept, err := json.Marshal(entries)
		must(t, err)
		if strings.Contains(string(kept), secret) || strings.Contains(string(kept), "My sister") || strings.Contains(w.log.String(), secret) {
			t.Error("the secret or an answer is in the record or in the log")
		}
		cora.get("/candidates/"+id).lacks(t, "My sister", secret)
	})

	t.Run("asking to stop", func(t *testing.T) {
		if got := wantStatus(t, "from a part", person.fillIn(q, secret, 3, "stop", nil), 303); at(got) != base+"/stop" {
			t.Errorf("it leads to %s", at(got))
		}
		page := wantStatus(t, "the page", person.get(base+"/stop"), 200)
		page.has(t, stopTitle, stopText)
		wantStatus(t, "too much", person.post(base+"/stop", url.Values{"key": {"k0"}, "words": {strings.Repeat("x", 5000)}}), 422).has(t, draftTooLarge)
		for range 2 { // sent twice, done once
			wantStatus(t, "it is passed on", person.post(base+"/stop", url.Values{"key": {"k1"}, "words": {"My brother must not know."}}), 303)
		}
		cora.get("/candidates/"+id).has(t, "Said in private on 2 Mar 2026", "My brother must not know.", "Talk in private: asked to stop on 2 Mar 2026", `id="settle-stop-wish"`)
		w.as("clem").get("/candidates/"+id).lacks(t, "My brother must not know.", "Said in private on")
		w.as("audi").get("/candidates/"+id).lacks(t, "My brother must not know.")
		entries, err := w.store.Entries(context.Background(), id)
		must(t, err)
		n := 0
		for _, e := range entries {
			if e.Kind == journey.AskToStop {
				n++
				if e.Role != journey.Self || strings.Contains(string(e.Event), "brother") {
					t.Errorf("the entry is %+v", e)
				}
			}
		}
		if n != 1 {
			t.Errorf("%d entries", n)
		}
		wantStatus(t, "settled without words", cora.form(id, journey.SettleStopWish), 422)
		wantStatus(t, "settled", cora.form(id, journey.SettleStopWish, "reason", "We talked; goes on."), 303)
		cora.get("/candidates/"+id).lacks(t, "Said in private on 2 Mar 2026", `id="settle-stop-wish"`)
		w.as("clem").get("/candidates/"+id).lacks(t, "We talked; goes on.")
	})

	t.Run("sending", func(t *testing.T) {
		answers := map[string]string{"stones": "unknown", "gout": "yes", "cancer": "yes", "cancer-when": "2011-04-01", "pushed": "yes", "pushed-how": "My uncle rings each day.", "pack-years": "12,5", "height": "172", "why-give": "My sister is ill."}
		for i := range q.Sections {
			wantStatus(t, q.Sections[i].ID, person.fillIn(q, secret, i, "next", answers), 303)
		}
		// What a changed answer closes stays behind.
		answers["cancer"] = "no"
		wantStatus(t, "another answer", person.fillIn(q, secret, 1, "next", answers), 303)
		review := wantStatus(t, "the overview", person.get(base+"/review"), 200)
		review.has(t, reviewSend, "My uncle rings each day.", "172 cm")
		review.lacks(t, reviewOpen, "1 April 2011")
		if got := wantStatus(t, "send", person.post(base+"/review", url.Values{}), 303); at(got) != base {
			t.Errorf("it leads to %s", at(got))
		}
		person.get(base).has(t, sentTitle)
		wantStatus(t, "send again", person.post(base+"/review", url.Values{}), 303)
		wantStatus(t, "fill in again", person.post(base+"/why", url.Values{"q-why-give": {"x"}}), 303)
		wantStatus(t, "open again", w.browser().bornQuestions(secret, "2", "5", "1979"), 403).has(t, askDenied)
		if draft, _, err := w.store.QuestionnaireDraft(context.Background(), secret); err != nil || draft != nil {
			t.Errorf("the draft is left: %s %v", draft, err)
		}

		page := cora.get("/candidates/" + id)
		page.has(t, "Questionnaire answered by the candidate", "the candidate, entry", "Have you ever had gout?", "Not verified by staff", `code=history-gout#record-results`,
			"Some answers were given in confidence", "No longer needed", "told by the candidate, not verified by staff", "My sister")
		page.lacks(t, "My uncle rings each day.", "Does anyone push you")
		w.as("clem").get("/candidates/"+id).has(t, "My uncle rings each day.", "The candidate says that somebody pushes them")
		w.as("audi").get("/candidates/"+id).lacks(t, "My uncle rings each day.", "My sister")

		// A nurse asks, and says otherwise: that counts from then on.
		w.clock.add(10 * time.Minute)
		no := answerTo(t, w.protocol, "history-gout", "No")
		w.give("cora", id, journey.BeginScreening, &command.BeginScreening{ContactConsent: true, DuplicateChecked: true})
		w.give("cora", id, journey.RecordResults, &command.RecordResults{Results: []command.Result{{
			Identifier: result.Identifier{System: "urn:test", Value: "nurse-1"}, Status: result.Final, Code: result.Coding{Code: "history-gout"}, Coded: &no, Effective: w.clock.now().Format(time.RFC3339),
		}}})
		cora.get("/candidates/"+id).has(t, "Staff recorded on 2 Mar 2026: No")
	})

	t.Run("links that are over", func(t *testing.T) {
		later := w.questionnaire(cora, id, "2026-03-10")
		wantStatus(t, "the date", person.bornQuestions(later, "2", "5", "1979"), 303)
		end := journey.Date("2026-03-11").Start(w.protocol.Zone())
		w.clock.set(end.Add(-time.Second))
		wantStatus(t, "the last second", person.bornQuestions(later, "2", "5", "1979"), 303)
		w.clock.set(end)
		wantStatus(t, "the day after", person.bornQuestions(later, "2", "5", "1979"), 403)
		wantStatus(t, "in a browser that was open", person.post("/questions/"+later+"/why", url.Values{"q-why-give": {"x"}}), 422)
		cora = w.as("cora")
		cora.get("/candidates/"+id).has(t, "was good until 10 Mar 2026, and nothing was sent by it")

		revoked := w.questionnaire(cora, id, "2026-03-20")
		wantStatus(t, "the date", person.bornQuestions(revoked, "2", "5", "1979"), 303)
		wantStatus(t, "revoke", cora.form(id, journey.RevokeQuestionnaire, "note", "Lost."), 303)
		wantStatus(t, "revoked", person.post("/questions/"+revoked+"/why", url.Values{"q-why-give": {"x"}}), 422)

		ended := w.questionnaire(cora, id, "2026-03-20")
		for range attemptLimit {
			wantStatus(t, "a wrong date", person.bornQuestions(ended, "1", "1", "1980"), 403)
		}
		if got := wantStatus(t, "one more", person.bornQuestions(ended, "2", "5", "1979"), 429); got.header.Get("Retry-After") == "" {
			t.Error("nobody is told how long to wait")
		}
		w.clock.add(attemptWindow)
		wantStatus(t, "after the wait", person.bornQuestions(ended, "2", "5", "1979"), 303)
		w.give("cora", id, journey.Withdraw, &command.Plain{})
		wantStatus(t, "after the end", person.bornQuestions(ended, "2", "5", "1979"), 403)
		wantStatus(t, "in a browser that was open", person.get("/questions/"+ended+"/why"), 200).has(t, askBorn)
	})
}

// TestQuestionWords holds what the pages say to the reading age of the donor's page.
func TestQuestionWords(t *testing.T) {
	texts := []string{
		askTitle, askAgain, askDenied, askFix, askElsewhere, reviewTitle, reviewNotYet, reviewFailed, laterTitle, fmt.Sprintf(laterText, "20 March 2026"), sentTitle,
		stopTitle, stoppedTitle, stopFailed, faultMissing, faultChoice, faultNumber, faultWhole, fmt.Sprintf(faultRange, "1", "9"), faultDate, faultFuture,
		fmt.Sprintf(faultLong, protocol.LongestAnswer), faultControl, draftTooLarge,
	}
	for _, text := range questionWords {
		texts = append(texts, text)
	}
	if index := readingIndex(texts, ".?:"); index > 7 {
		t.Errorf("the index is %.1f, above 7", index)
	}
}

// TestBrowserQuestions fills in the questionnaire on a telephone with the keyboard
// alone, saves while typing, leaves and goes on, and sends it; then the team looks.
func TestBrowserQuestions(t *testing.T) {
	program := chromium(t)
	w := newWorldOf(t, protocol.Default(), func(d *Deps) { d.Demo = true })
	w.day("2026-03-02")
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0601", "")
	q, _ := w.protocol.Questionnaire("intake")
	s := newScreen(t, program, w.site.URL)
	s.signIn("cora")
	s.open("/candidates/" + id)
	s.set("give-questionnaire-until", "2026-03-20")
	s.send("give-questionnaire-until")
	s.check("questionnaire-link")
	_, secret, ok := strings.Cut(s.text("#link"), "/questions/")
	if !ok {
		t.Fatal("the page shows no link")
	}
	base := "/questions/" + secret
	s.size(360)
	s.open(base)
	s.check("questions-born")
	s.narrow("questions-born")
	press := func(keys string) {
		t.Helper()
		must(t, chromedp.Do(s.ctx, chromedp.KeyEvent(keys)))
	}
	focus := func(selector string) {
		t.Helper()
		for range 400 {
			if eval[bool](s, `document.activeElement.matches(`+strconv.Quote(selector)+`)`) {
				return
			}
			press(kb.Tab)
		}
		t.Fatalf("the keyboard does not reach %s", selector)
	}
	path := func() string { return eval[string](s, `location.pathname`) }
	// leave presses and waits until another page has come.
	leave := func(keys string) {
		t.Helper()
		_, err := chromedp.RunResponse(s.ctx, chromedp.KeyEvent(keys))
		must(t, err)
	}
	focus("#born-day")
	press("2" + kb.Tab + "5" + kb.Tab + "1979")
	leave(kb.Enter)
	if got := path(); got != base+"/why" {
		t.Fatalf("the date leads to %s", got)
	}
	s.check("questions-why")
	s.narrow("questions-why")
	s.zoom(base + "/why")
	s.size(360)
	s.open(base + "/why")
	// What is typed is saved without a button.
	focus("#question-why-give")
	press("My sister is ill.")
	s.until("the saving", `document.getElementById("saved").textContent.startsWith("Saved at")`)
	if draft, _, err := w.store.QuestionnaireDraft(context.Background(), secret); err != nil || !bytes.Contains(draft, []byte("My sister is ill.")) {
		t.Errorf("what was typed is not saved: %s %v", draft, err)
	}
	// An empty part is refused, and the focus is on what is wrong.
	focus("button[value=next]")
	leave(kb.Enter)
	s.focuses("errors")
	s.check("questions-errors")
	for i, section := range q.Sections {
		if got := path(); got != base+"/"+section.ID {
			t.Fatalf("part %d is at %s", i+1, got)
		}
		for _, each := range section.Questions {
			if each.EnableWhen != nil || !each.Required {
				continue
			}
			switch each.Type {
			case protocol.AskBoolean:
				focus("#question-" + each.ID + "-0") // into the group, then to No
				press(kb.ArrowDown)
				if each.ID == "cancer" {
					press(kb.ArrowUp)
				}
			case protocol.AskChoice:
				focus("#question-" + each.ID + "-0")
				press(" ")
			default:
				focus("#question-" + each.ID)
				press("0")
			}
		}
		if section.ID == "health" {
			shown := func() bool { return eval[bool](s, `document.getElementById("question-cancer-when").checkVisibility()`) }
			if !shown() || eval[bool](s, `document.getElementById("question-cigarettes")?.checkVisibility() ?? false`) {
				t.Error("what an answer opens is not shown")
			}
			if tall := eval[bool](s, `[...document.querySelectorAll(".ask-options .choice, button")].every(e => e.getBoundingClientRect().height >= 44)`); !tall {
				t.Error("an answer is too small to press")
			}
			s.check("questions-health")
			s.colours("", "dark")
			s.check("questions-health-dark")
			s.colours("", "light")
		}
		focus("button[value=next]")
		leave(kb.Enter)
	}
	if got := path(); got != base+"/review" {
		t.Fatalf("the last part leads to %s", got)
	}
	s.check("questions-review")
	s.narrow("questions-review")
	s.colours("print", "light")
	if shown := s.text("main"); !strings.Contains(shown, "Have you ever had gout?") || strings.Contains(shown, reviewSend) {
		t.Error("the printout lacks the answers, or has the button")
	}
	s.shot("questions-print")
	s.colours("", "light")
	s.size(360)
	s.open(base + "/stop")
	s.check("questions-stop")
	s.narrow("questions-stop")
	s.size(360)
	focus("#words")
	press("Please call me.")
	focus("form button")
	leave(kb.Enter)
	s.check("questions-stopped")
	s.open(base + "/review")
	focus("form button")
	leave(kb.Enter)
	if got := s.text("h1"); got != sentTitle {
		t.Fatalf("sending leads to %q", got)
	}
	s.check("questions-sent")

	s.size(1280)
	s.open("/candidates/" + id)
	eval[chromedp.Void](s, `document.querySelectorAll("#self ~ details").forEach(d => d.open = true)`)
	if shown := s.text("section[aria-labelledby=self]"); !strings.Contains(shown, "Please call me.") || !strings.Contains(shown, "Not verified by staff") {
		t.Errorf("the team sees %s", shown)
	}
	s.check("candidate-self")
	s.narrow("candidate-self")
}
