package web

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// TestCoordinatorRoom goes through the coordinator's first screens with the keyboard, and
// has lists change under the reader.
func TestCoordinatorRoom(t *testing.T) {
	program := chromium(t)
	w := newWorld(t, func(d *Deps) { d.Demo = true })
	w.day("2026-07-20")
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "SYN-0006", "R-771")
	w.evaluate(id)
	w.day("2026-09-16")
	w.bundle(id, "c06-screening")
	cohort(w)
	s := newScreen(t, program, w.site.URL)
	s.signIn("cora")
	if path := eval[string](s, `location.pathname`); path != pathToday {
		t.Errorf("a coordinator begins at %s", path)
	}

	// With keys alone: to the first thing to do, and to its form.
	s.open("/")
	s.submit("t")
	if path := eval[string](s, `location.pathname`); path != pathToday {
		t.Errorf("a key leads to %s", path)
	}
	s.press("j")
	if at := eval[string](s, `document.activeElement.className`); at != "task" {
		t.Fatalf("the first thing has not the focus but %q", at)
	}
	to := eval[string](s, `document.activeElement.hash.slice(1)`)
	s.submit("\r")
	if path := eval[string](s, `location.pathname`); !strings.HasPrefix(path, "/candidates/") {
		t.Errorf("the first thing to do leads to %s", path)
	}
	if to == "" || !eval[bool](s, `!!document.getElementById("`+to+`")`) {
		t.Errorf("the page has no %q", to)
	}

	// The board: a column, a view, and a list that changes.
	s.open("/?sort=name")
	s.check("board-sorted")
	if sorted := eval[string](s, `document.querySelector("[aria-sort]").textContent`); !strings.Contains(sorted, "Candidate") {
		t.Errorf("sorted by %q", sorted)
	}
	first := s.text("#board tbody th a")
	s.open("/?sort=name&order=down")
	if last := s.text("#board tbody th a"); last <= first {
		t.Errorf("%q comes before %q", last, first)
	}
	s.set("view-name", "Everybody by name")
	s.send("view-name")
	if view := eval[string](s, `location.search`); !strings.HasPrefix(view, "?view=") || strings.Contains(view, "name") {
		t.Errorf("the view is at %q", view)
	}
	s.check("board-view")
	s.open("/?sort=name")
	w.refer("Aaltje", "Aabakken", "1990-01-01", "female", "SYN-0999", "")
	eval[chromedp.Void](s, `document.activeElement.blur(); document.dispatchEvent(new Event("candidacy:refresh"))`)
	s.until("the new line", `document.querySelector("#board").textContent.includes("Aabakken")`)
	// Somebody reads in the list: it waits.
	eval[chromedp.Void](s, `document.querySelector("#board tbody a").focus()`)
	w.refer("Aadi", "Aaberg", "1991-01-01", "male", "SYN-0998", "")
	eval[chromedp.Void](s, `document.dispatchEvent(new Event("candidacy:refresh"))`)
	s.until("the offer", `document.querySelector(".fresh")`)
	if strings.Contains(s.text("#board"), "Aaberg") {
		t.Error("the list moved under the focus")
	}
	s.check("board-fresh")
	eval[chromedp.Void](s, `document.querySelector(".fresh button").click()`)
	s.until("the change", `document.querySelector("#board").textContent.includes("Aaberg")`)

	// Notes, and the summary on paper.
	home := "/candidates/" + id
	s.open(home)
	s.set("note-kind", "call")
	s.set("note-text", "Prefers to be called after four.")
	if notice, problem := s.send("note-text"); !strings.Contains(notice, "kept") {
		t.Fatalf("the note: %q %q", notice, problem)
	}
	s.check("candidate-notes")
}
