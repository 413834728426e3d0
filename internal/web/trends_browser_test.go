package web

import (
	"encoding/json"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// measure records numbers of one code, one for each day.
func (w *world) measure(id, code, unit string, values ...[2]string) {
	w.t.Helper()
	var body command.RecordResults
	for _, v := range values {
		r := command.Result{
			Identifier: result.Identifier{System: "urn:oid:1.2.36.146.595.217.0.9", Value: code + "/" + v[0]}, Status: result.Final, Category: "laboratory",
			Code: result.Coding{System: command.LOINC, Code: code}, Effective: v[0], Quantity: &result.Quantity{Unit: unit},
		}
		text := v[1]
		if strings.HasPrefix(text, "<") {
			r.Quantity.Comparator, text = "<", text[1:]
		}
		if strings.HasPrefix(text, "?") {
			r.Status, text = result.Preliminary, text[1:]
		}
		r.Quantity.Value = json.Number(text)
		body.Results = append(body.Results, r)
	}
	w.give("cora", id, journey.RecordResults, &body)
}

// courses is a candidate with results of many months.
func courses(w *world) string {
	w.day("2026-01-05")
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "SYN-0006", "R-771")
	w.evaluate(id)
	w.day("2026-09-16")
	w.bundle(id, "c06-screening")
	w.bundle(id, "c06-evaluation")
	w.measure(id, "2160-0", "mg/dL", [2]string{"2026-02-02", "0.71"}, [2]string{"2026-04-14", "0.78"}, [2]string{"2026-06-30", "0.94"}, [2]string{"2026-08-20", "?1.40"})
	w.measure(id, "2160-0", "mg/dL", [2]string{"2026-04-14", "0.80"}) // corrected
	w.measure(id, "4548-4", "%", [2]string{"2026-02-02", "5.4"}, [2]string{"2026-05-14", "5.8"}, [2]string{"2026-08-30", "6.1"})
	w.measure(id, "9318-7", "mg/g", [2]string{"2026-02-02", "<5"}, [2]string{"2026-05-14", "12"}, [2]string{"2026-07-30", "34"})
	w.measure(id, "29463-7", "kg", [2]string{"2026-02-02", "84"}, [2]string{"2026-05-14", "80.5"}, [2]string{"2026-08-30", "77"})
	return id
}

// TestResultsRoom looks at results over time with the keyboard, on paper and on a phone.
func TestResultsRoom(t *testing.T) {
	program := chromium(t)
	w := newWorld(t, func(d *Deps) { d.Demo = true })
	id := courses(w)
	home := "/candidates/" + id
	s := newScreen(t, program, w.site.URL)
	for _, who := range []string{"clem", "comm"} {
		s.signIn(who)
		s.open(home + "/results")
		s.check("results-" + who)
	}
	s.signIn("cora")
	s.open(home)
	s.check("candidate-courses")
	s.narrow("candidate-courses")
	s.open(home + "/results")
	s.check("results")
	s.narrow("results")
	s.keep("results")
	s.zoom(home + "/results")
	for _, has := range []string{"Rose from", "replaced by a correction", "preliminary", "Uncertainty not stated", "Fell from 84 to 77 kg in 7 months; before it 79.4"} {
		if !strings.Contains(s.text("main"), has) {
			t.Errorf("the page does not say %q", has)
		}
	}
	s.open(home + "/results?show=flagged")
	if at := eval[string](s, `document.querySelector(".shows a[aria-current]").textContent`); !strings.Contains(at, "With a flag") {
		t.Errorf("shown is %q", at)
	}
	s.check("results-flagged")
	// From the candidate's page to the course of one quantity by the keyboard.
	s.open(home)
	eval[bool](s, `(() => { const a = document.querySelector(".course-link"); a.focus(); return document.activeElement === a })()`)
	s.submit("\r")
	if at := eval[string](s, `location.pathname + location.search`); !strings.HasPrefix(at, home+"/results?of=") {
		t.Errorf("the link leads to %s", at)
	}
	s.check("results-one")
	s.open(home + "/results")
	s.colours("print", "light")
	s.size(720)
	if width := eval[int](s, `document.documentElement.scrollWidth`); width > 720 {
		t.Errorf("the results are %d wide on paper", width)
	}
	s.shot("results-print")
}

// TestDocumentsRoom looks at a candidate's documents, brings one in that is none, and
// narrows the history.
func TestDocumentsRoom(t *testing.T) {
	program := chromium(t)
	w := newWorld(t, func(d *Deps) { d.Demo = true })
	id := courses(w)
	home := "/candidates/" + id
	if got := w.as("cora").bring(home+"/documents", "%PDF-1.7 invented", map[string]string{"key": "k-1", "kind": "imaging", "title": "CT of both kidneys", "on": "2026-09-01"}); got.status != 303 {
		t.Fatalf("a document: %d", got.status)
	}
	s := newScreen(t, program, w.site.URL)
	for _, who := range []string{"adva", "audi", "clem"} {
		s.signIn(who)
		s.open(home + "/documents")
		s.check("documents-" + who)
	}
	s.signIn("cora")
	s.open(home + "/documents")
	s.check("documents")
	s.narrow("documents")
	s.keep("documents")
	s.zoom(home + "/documents")
	s.set("document-title", "A report")
	if _, problem := s.send("document-title"); !strings.Contains(problem, "choose a file") {
		t.Errorf("without a file: %q", problem)
	}
	s.focuses("errors")
	s.check("documents-errors")
	s.set("wrong-1-reason", "It is of another person.")
	if notice, problem := s.send("wrong-1-reason"); !strings.Contains(notice, "entered in error") {
		t.Errorf("entered in error: %q %q", notice, problem)
	}
	s.check("documents-wrong")

	// The menu of further pages, and a kind of entry, by keys alone.
	s.open(home)
	eval[bool](s, `(() => { const e = document.querySelector(".more summary"); e.focus(); return document.activeElement === e })()`)
	s.press("Enter")
	s.until("the menu", `document.querySelector(".more").open`)
	s.check("menu")
	s.shot("menu")
	s.open(home + "?kind=record-results#history")
	if n := eval[int](s, `[...document.querySelectorAll("#history ~ .timeline > li strong")].filter(e => e.textContent !== "Results recorded").length`); n > 0 {
		t.Errorf("%d entries are of another kind", n)
	}
	if at := s.text(".narrowed"); !strings.Contains(at, "Results recorded") {
		t.Errorf("narrowed to %q", at)
	}
	s.check("history-narrowed")
	if tall := eval[float64](s, `document.querySelector("header.top .top-in").getBoundingClientRect().height`); tall > 80 {
		t.Errorf("the header is %v high", tall)
	}
}
