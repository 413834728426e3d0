package web

import (
	"fmt"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

// tab presses Tab until the script says that the element with the focus is the right one.
func (s *screen) tab(what, right string) {
	s.t.Helper()
	for range 400 {
		if eval[bool](s, `(e => !!(e && `+right+`))(document.activeElement)`) {
			return
		}
		s.press("Tab")
	}
	s.t.Fatalf("no key leads to %s", what)
}

// unfold opens the part of a page that holds a form, with the keyboard.
func (s *screen) unfold(form string) {
	s.t.Helper()
	s.tab("what holds "+form, fmt.Sprintf(`e.tagName === "SUMMARY" && e.parentElement === document.getElementById(%q).closest("details")`, form))
	s.press("Enter")
}

// follow goes where a link leads, with the keyboard.
func (s *screen) follow(path string) {
	s.t.Helper()
	s.tab("a link to "+path, fmt.Sprintf(`e.tagName === "A" && e.getAttribute("href") === %q`, path))
	s.submit("\r")
}

// push presses the button of a form, and expects it to be accepted.
func (s *screen) push(form string) {
	s.t.Helper()
	s.tab("the button of "+form, fmt.Sprintf(`e.tagName === "BUTTON" && !!e.closest("#" + %q)`, form))
	s.submit("\r")
	if problem := s.text(".errors"); problem != "" {
		s.t.Fatalf("%s: %s", form, problem)
	}
}

// TestBrowserAdvocate takes an advocate through their room with the keyboard alone, on a
// desk and on a telephone: a duty, a note, a pause, and a withdrawal before a witness.
func TestBrowserAdvocate(t *testing.T) {
	program := chromium(t)
	w := newWorldOf(t, dutyProtocol(t), func(d *Deps) { d.Demo = true })
	s := newScreen(t, program, w.site.URL)
	for _, width := range []int64{1280, 390} {
		desk := width == 1280
		id := w.refer([]string{"Ottilie", "Bastian"}[min(int(1280-width), 1)], "Fjellgren", "1979-05-02", "female", fmt.Sprintf("SYN-%d", width), "R-771")
		w.screen(id)
		w.give("cora", id, journey.AssignAdvocate, &command.AssignAdvocate{Advocate: "adva"})
		w.give("cora", id, journey.RecordConsent, &command.RecordConsent{Requirement: "consent-evaluation", Disclosures: []string{"told-free", "told-risk"}, TeachBack: []string{"told-free"}})
		w.give("cora", id, journey.BeginEvaluation, &command.Plain{})
		w.give("comm", id, journey.AskQuestion, &command.AskQuestion{Question: "Who looks after the children?"})
		w.give("clem", id, journey.RecordReview, &command.RecordReview{Requirement: "psychosocial-evaluation", Position: journey.Concerns, Findings: "x"})
		room := roomLink(id)
		look := func(name, path string) {
			t.Helper()
			if desk {
				s.look(name, path)
				s.open(path)
				s.keep(name)
				return
			}
			s.check(name + "-390")
			if over := eval[int](s, `document.documentElement.scrollWidth`); over > 390 {
				t.Errorf("%s is %d wide at 390", name, over)
			}
		}
		s.size(1280)
		if s.text(".who") != "" {
			s.signIn("adva")
			s.size(width)
			s.open("/advocate")
		} else {
			s.size(width)
			s.open("/sign-in")
			s.reach("username")
			s.keys("adva")
			s.reach("password")
			s.keys(password)
			s.submit("\r")
		}
		if at := eval[string](s, `location.pathname`); at != pathAdvocate {
			t.Fatalf("an advocate begins at %s", at)
		}
		look("advocate", pathAdvocate)
		s.follow(room)
		look("room", room)

		s.unfold("tick")
		s.reach("tick-duties-0")
		s.press("Space")
		s.push("tick")
		if said := s.text(".notice"); !strings.Contains(said, "duties are recorded") || len(candidateState(t, w, id).Duties) != 1 {
			t.Errorf("a duty: %q", said)
		}

		s.unfold("own-note")
		s.reach("own-note-contact")
		s.press("ArrowDown")
		s.reach("own-note-text")
		s.keys("Came alone and spoke freely.")
		s.push("own-note")
		if said := s.text(".notice"); !strings.Contains(said, "note is kept") {
			t.Errorf("a note: %q", said)
		}
		s.follow(room + "/notes")
		if said := s.text("main"); !strings.Contains(said, "Came alone and spoke freely.") || !strings.Contains(said, "Met in person") {
			t.Errorf("the notes say %s", said)
		}
		look("own-notes", room+"/notes")

		s.open(pathAdvocate)
		pause := "pause-" + short(id)
		s.unfold(pause)
		s.reach(pause + "-cause")
		s.press("ArrowDown")
		s.reach(pause + "-private")
		s.keys("Wants to sleep over it.")
		s.push(pause)
		if said := s.text(".notice"); !strings.Contains(said, "Everything is paused") || candidateState(t, w, id).Stage != journey.OnHold {
			t.Errorf("a pause: %q", said)
		}
		look("room-paused", room)
		w.give("cora", id, journey.Resume, &command.Plain{})

		s.open(room)
		s.follow(room + "/withdrawal")
		look("withdrawal", room+"/withdrawal")
		s.open(room + "/withdrawal")
		s.reach("withdrawal-said")
		s.press("Space")
		s.reach("withdrawal-witness")
		s.keys("cora")
		s.reach("withdrawal-password")
		s.keys("not the password")
		s.submit("\r")
		if problem := s.text(".errors"); !strings.Contains(problem, "password of the witness is wrong") {
			t.Errorf("a wrong password: %q", problem)
		}
		s.check("withdrawal-errors")
		s.reach("withdrawal-password")
		s.keys(password)
		s.push("withdrawal")
		if said := s.text(".notice"); said != doneEnded || candidateState(t, w, id).Stage != journey.Withdrawn {
			t.Errorf("a withdrawal: %q", said)
		}
		s.check("room-ended")
		s.follow("/candidates/" + id + "/statement")
		look("statement", "/candidates/"+id+"/statement")
		if desk {
			s.colours("print", "light")
			if n := s.sheets(); n != 1 {
				t.Errorf("the statement prints on %d sheets", n)
			}
			s.colours("", "light")
		}
	}
}
