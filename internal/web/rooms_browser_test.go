package web

import (
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/protocol"
)

// TestRooms has each role do the main part of its work with the keyboard alone, on a
// desk and on a telephone, in the demonstration.
func TestRooms(t *testing.T) {
	program := chromium(t)
	w := newProgramme(t)
	id := w.numbered()
	s := newScreen(t, program, w.site.URL)
	for _, on := range []struct {
		name          string
		width         int64
		given, family string
		born, number  string
		// evaluated, presented and followed are candidates who stand there.
		evaluated, presented, followed string
	}{
		{"desk", 1280, "Ottilie", "Fjellgren", "1979-05-02", "SYN-0801", id("07"), id("06"), id("04")},
		{"telephone", 390, "Bastian", "Okonedo", "1990-11-12", "SYN-0802", id("10"), id("08"), id("04")},
	} {
		t.Run(on.name, func(t *testing.T) {
			s.t, w.t = t, t
			s.size(on.width)
			k := keyboard{s}
			t.Run("coordinator", func(t *testing.T) {
				s.t = t
				k.enters("coordinator")
				refer := func(number string) {
					k.enter(`nav a[href="/candidates/new"]`)
					k.write("refer-given", on.given)
					k.write("refer-family", on.family)
					k.write("refer-birth_date", on.born)
					k.choose("refer-sex", "Female")
					k.write("refer-identifier_value", number)
					k.pick("refer-path-0")
					k.write("refer-recipient", "R-"+number)
					k.submit("\r")
				}
				refer(on.number)
				if k.text(".notice") == "" {
					t.Fatalf("the referral: %s", k.text("main"))
				}
				// The same person once more, by another number.
				refer(on.number + "9")
				if told := k.text("main"); !strings.Contains(told, "may be the same person") {
					t.Fatalf("nobody is told of the same person: %s", told)
				}
				k.write("refer-distinct_reason", "Twins, both have called.")
				k.enter(`form:has(#refer-distinct_reason) button`)
				if k.text(".notice") == "" {
					t.Fatalf("the referral of another person: %s", k.text("main"))
				}
				k.unfold(string(journey.BeginScreening))
				k.tick(fieldOf(journey.BeginScreening, "contact_consent"))
				k.tick(fieldOf(journey.BeginScreening, "duplicate_checked"))
				k.done(fieldOf(journey.BeginScreening, "contact_consent"))
				k.unfold(string(journey.AssignAdvocate))
				k.choose(fieldOf(journey.AssignAdvocate, "advocate"), "Sunniva")
				k.done(fieldOf(journey.AssignAdvocate, "advocate"))
				k.unfold("note")
				k.choose("note-kind", "Telephone")
				k.write("note-text", "Prefers to be called after four.")
				k.done("note-text")
				k.enter(`nav a[href="/"]`)
				k.write("filter-q", on.family)
				k.submit("\r")
				if found := k.text("#board"); strings.Count(found, on.family) != 2 {
					t.Errorf("the board finds %s", found)
				}
			})
			t.Run("candidate", func(t *testing.T) {
				s.t = t
				secret := secretOn(t, w.demonstrator("coordinator").form(on.evaluated, journey.GiveQuestionnaire, "questionnaire", "intake", "until", "2026-12-05", "digest", "chosen by the browser"), "/questions/")
				k.open("/questions/" + secret)
				born := w.birthOf(on.evaluated)
				for _, part := range []string{"born-day", "born-month", "born-year"} {
					k.write(part, born.Get(part))
				}
				k.enter("main form button")
				form, _ := w.protocol.Questionnaire("intake")
				for range form.Sections {
					k.answers()
				}
				k.enter("main form button")
				if got := k.text("h1"); got != sentTitle {
					t.Fatalf("sending leads to %q: %s", got, k.text("main"))
				}
			})
			t.Run("clinician", func(t *testing.T) {
				s.t = t
				k.enters("psychologist")
				k.open("/candidates/" + on.evaluated + "/reviews/psychosocial-evaluation")
				k.fill("#review", "Understands the risks, and decides freely.")
				if notice := k.text(".notice"); !strings.Contains(notice, "recorded under your name") {
					t.Errorf("the review: %s %s", notice, k.text(".errors"))
				}
				if on.width < 1000 {
					return // a worksheet is there once
				}
				k.enters("nephrologist")
				k.open("/candidates/" + on.evaluated + "/worksheets/plasma-clearance")
				k.enter("#plasma-record")
				if notice := k.text(".notice"); !strings.Contains(notice, "recorded") {
					t.Errorf("the worksheet: %s %s", notice, k.text(".errors"))
				}
			})
			t.Run("committee", func(t *testing.T) {
				s.t = t
				room := nextRoom(t, w)
				item := room + "/candidates/" + on.presented
				for _, who := range []string{"nephrologist", "surgeon", "psychologist"} {
					b := w.demonstrator(who)
					b.sends(item, "declare", url.Values{"conflict": {"no"}}).went(t, "declare")
					b.sends(item, "vote", url.Values{"choice": {"approve"}}).went(t, "vote")
				}
				if on.width > 1000 {
					// The coordinator keeps who is there.
					k.enters("coordinator")
					k.open(room)
					k.unfold("attendance")
					k.done("attendance")
				}
				k.enters("committee")
				k.open(item)
				k.pick("declare-conflict-0")
				k.done("declare")
				k.pick("vote-choice-0")
				k.done("vote")
				k.unfold("close")
				k.done("close")
				k.pick("decide-outcome-0")
				k.pick("decide-side-0")
				k.write("decide-condition-0-text", "Weigh less than 90 kg.")
				k.choose("decide-condition-0-before", "Before a day")
				k.write("decide-condition-0-due", "2026-12-20")
				k.choose("decide-condition-0-signer", "Clinician")
				k.done("decide-outcome-0")
				if on.width > 1000 {
					return // the minutes are signed when both are decided
				}
				k.open(room)
				k.unfold("sign")
				k.write("sign-text", "The theatre list was discussed.")
				k.done("sign-text")
			})
			t.Run("administrator", func(t *testing.T) {
				s.t = t
				k.enters("administrator")
				k.enter(`nav a[href="/accounts"]`)
				k.write("add-username", "nora."+on.name)
				k.write("add-name", "Nora Bellweather")
				k.choose("add-role", "Clinician")
				k.enter("form:has(#add-username) button")
				first := k.text("#password")
				if len(first) != 26 {
					t.Fatalf("no first password: %s", k.text("main"))
				}
				k.enter(`nav a[href="/protocols"]`)
				if !strings.Contains(k.text("main"), w.protocol.Version) {
					t.Errorf("the versions: %s", k.text("main"))
				}
				// The colleague takes the account over, and sets up a second factor.
				k.enter(".who button")
				k.open("/sign-in")
				k.write("username", "nora."+on.name)
				k.write("password", first)
				k.submit("\r")
				k.write("own-password-present", first)
				k.write("own-password-password", "seven grey herons")
				k.write("own-password-again", "seven grey herons")
				k.submit("\r")
				k.open(pathFactor)
				k.enter("#begin button")
				k.write("confirm-code", app(t, w, strings.ReplaceAll(k.text("#secret"), "-", "")))
				k.submit("\r")
				if !strings.Contains(k.text("h1"), "ecovery codes") {
					t.Errorf("the second factor: %s", k.text("main"))
				}
			})
			t.Run("auditor", func(t *testing.T) {
				s.t = t
				k.enters("auditor")
				k.enter(`nav a[href="/audit"]`)
				k.write("trail-from", "2026-11-25")
				k.enter(`form:has(#trail-from) button`)
				if got := eval[string](s, `location.search`); !strings.Contains(got, "from=2026-11-25") {
					t.Errorf("the search leads to %s: %s", got, k.text("main"))
				}
				k.to("nav summary")
				k.press("Enter")
				k.enter(`nav a[href="/measures"]`)
				if !strings.Contains(k.text("main"), "Follow-up") && !strings.Contains(k.text("main"), "follow-up") {
					t.Error("the measures lack follow-up")
				}
			})
			t.Run("follow-up", func(t *testing.T) {
				s.t = t
				k.enters("coordinator")
				k.enter(`nav a[href="/follow-up"]`)
				k.open("/candidates/" + on.followed)
				k.unfold(string(journey.RecordContact))
				k.fill("#"+string(journey.RecordContact), "Feels well; the form comes by post.")
				if k.text(".notice") == "" {
					t.Errorf("the contact: %s", k.text(".errors"))
				}
			})
		})
	}
	s.t, w.t = t, t
	s.size(1280)
	t.Run("without script", func(t *testing.T) {
		s.t = t
		withoutScript(t, w, s, id)
	})
}

// withoutScript sends the main form of each room from a browser that runs no script.
func withoutScript(t *testing.T, w *world, s *screen, id func(string) string) {
	call(s, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	enter := func(username string) {
		t.Helper()
		call(s, network.ClearBrowserCookies, cdp.Empty{})
		s.open("/sign-in")
		s.set("username", username)
		s.set("password", "synthetic-"+username)
		s.send("username")
	}
	// press sends a form by one of its buttons.
	press := func(button string) string {
		t.Helper()
		_, err := chromedp.RunResponse(s.ctx, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`(b => b.form.requestSubmit(b))(document.querySelector(%q))`, button)))
		must(t, err)
		return s.text("main")
	}
	says := func(what, text, want string) {
		t.Helper()
		if !strings.Contains(text, want) {
			t.Errorf("%s, without a script: %.400s", what, text)
		}
	}
	enter("coordinator")
	if s.text(".tasks") == "" {
		t.Error("today is empty without a script")
	}
	s.open("/candidates/new")
	for name, value := range map[string]string{"given": "Perpetua", "family": "Nilsdotter", "birth_date": "1985-01-17", "sex": "female", "identifier_value": "SYN-0803", "path-0": "yes", "recipient": "R-803"} {
		s.set("refer-"+name, value)
	}
	says("the referral", press(`form:has(#refer-given) button`), "recorded")
	s.set("note-kind", "call")
	s.set("note-text", "Called back.")
	says("the note", press(`form:has(#note-text) button`), "Called back.")
	s.open("/follow-up")
	says("follow-up", s.text("main"), "Follow-up")
	s.open("/?show=all")
	s.set("filter-q", "Nilsdotter")
	s.send("filter-q")
	says("the search", s.text("#board"), "Nilsdotter")
	s.open("/candidates/" + id("11") + "/letters")
	s.set("letter-channel-0", "yes")
	says("the letter", press(`#letter button:not(.second)`), "Dear")

	enter("nephrologist")
	worksheet := "/candidates/" + id("21") + "/worksheets/plasma-clearance"
	s.open(worksheet)
	for name, value := range studyA() {
		if name != "study" {
			s.set("plasma-"+name, value[0])
		}
	}
	says("the worksheet", press(`#plasma button[value=compute]`), "mL/min/1.73 m²")
	file := filepath.Join(t.TempDir(), "monitor.csv")
	must(t, os.WriteFile(file, []byte(aDay([2]int{128, 76}, [2]int{108, 62})), 0o600))
	s.open("/candidates/" + id("07") + "/worksheets/ambulatory-pressure")
	s.upload("ambulatory-csv", file)
	says("the file", press("#ambulatory-send"), "128.0 / 76.0 mmHg")
	s.open("/candidates/" + id("07") + "/reviews/surgery-review")
	eval[chromedp.Void](s, `document.querySelectorAll("#review input[type=radio]").forEach(e => { if (!document.querySelector('input[name="' + e.name + '"]:checked')) e.checked = true; });
		document.querySelectorAll("#review textarea").forEach(e => { e.value = "Fit for it."; })`)
	says("the review", press("#review form button"), "recorded under your name")

	enter("advocate")
	s.open("/candidates/" + id("07"))
	s.set("hold-note", "Wants time to think.")
	says("the pause", press("#hold form button"), "On hold")
	enter("committee")
	s.open(nextRoom(t, w))
	s.set("amend-text", "The next meeting is in spring.")
	says("the minutes", press("#amend form button"), "in spring")
	enter("auditor")
	s.open("/audit")
	s.set("trail-from", "2026-11-25")
	says("the trail", press("form:has(#trail-from) button"), "Verify")
	s.open("/measures")
	says("the measures", press("main form button"), "Measures")
	enter("administrator")
	s.open("/accounts")
	for name, value := range map[string]string{"username": "quill", "name": "Quill Anders", "role": "clinician"} {
		s.set("add-"+name, value)
	}
	says("the account", press("form:has(#add-username) button"), "password")

	// The candidate.
	path := "/questions/" + secretOn(t, w.demonstrator("coordinator").form(id("24"), journey.GiveQuestionnaire, "questionnaire", "intake", "until", "2026-12-05", "digest", "chosen by the browser"), "/questions/")
	s.open(path)
	for name, value := range w.birthOf(id("24")) {
		s.set(name, value[0])
	}
	s.send("born-day")
	eval[chromedp.Void](s, `document.querySelectorAll("#questions input[type=radio]").forEach(e => { e.checked = true; })`)
	before := eval[string](s, `location.pathname`)
	press("#questions button[value=next]")
	if after := eval[string](s, `location.pathname`); after == before || !strings.HasPrefix(after, path) {
		t.Errorf("the questionnaire stays at %s without a script: %s", after, s.text("main"))
	}
}

// answers goes through one part of the questionnaire: no to what is asked, and on.
func (k keyboard) answers() {
	k.t.Helper()
	for range mostTabs {
		switch at := eval[string](k.screen, `(e => e.matches("button[value=next]") ? "button" : e.type === "radio" && e.closest("form") && !document.querySelector('input[name="' + e.name + '"]:checked') ? "press" :
			/^(numeric|decimal)$/.test(e.inputMode) && e.name.startsWith("q-") && !e.value && e.checkVisibility() && !e.closest(".ask")?.textContent.includes("may leave") ? "number" : "")(document.activeElement)`); at {
		case "button":
			k.submit("\r")
			return
		case "press":
			k.press("Space")
			if eval[string](k.screen, `document.activeElement.value`) == protocol.AnswerYes {
				k.press("ArrowDown") // from yes to no
			}
		case "number":
			k.press("0")
		}
		k.press("Tab")
	}
	k.t.Fatalf("the part has no way on: %s", k.text("main"))
}

// nextRoom is the meeting of the demonstration that is to come.
func nextRoom(t *testing.T, w *world) string {
	t.Helper()
	list, err := w.store.Meetings(t.Context())
	must(t, err)
	last := slices.MaxFunc(list, func(a, b meeting.Meeting) int { return strings.Compare(string(a.Plan.On), string(b.Plan.On)) })
	return "/committee/" + last.ID
}
