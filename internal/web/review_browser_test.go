package web

import (
	"strings"
	"testing"
)

// TestBrowserSide compares the kidneys, chooses a side with its reason and signs it,
// with the keyboard alone; and gives a review with structured findings.
func TestBrowserSide(t *testing.T) {
	program := chromium(t)
	w := newWorldOf(t, reviewProtocol(t), nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0321", "")
	w.evaluate(id)
	w.day("2026-09-16")
	w.imaging(id, anatomy())
	path := "/candidates/" + id + "/side"
	s := newScreen(t, program, w.site.URL)
	s.signIn("clem")
	s.open(path)
	s.look("side", path)
	s.focus("review-finding-proposed-side-0")
	s.keys(" ")
	s.focus("review-position-0")
	s.keys(" ")
	s.submit("\r")
	if problem := s.text(".errors"); !strings.Contains(problem, "Reason of the choice") {
		t.Errorf("a side without a reason: %q", problem)
	}
	s.check("side-errors")
	s.focus("review-finding-side-reason")
	s.keys("Fewer arteries and the longer vein.")
	s.focus("review-position-0")
	s.submit("\r")
	if notice := s.text(".notice"); !strings.Contains(notice, "recorded under your name") {
		t.Errorf("the notice is %q; %s", notice, s.text(".errors"))
	}
	if said := s.text("main"); !strings.Contains(said, "Kidney proposed: Left") || !strings.Contains(said, "Fewer arteries") {
		t.Errorf("the page says %s", said)
	}
	s.look("side-signed", path)
	review := "/candidates/" + id + "/reviews/psychosocial-evaluation"
	s.open(review)
	s.look("review", review)
	s.focus("review-finding-motive-0")
	s.keys(" ")
	s.focus("review-position-0")
	s.keys(" ")
	s.submit("\r")
	if said := s.text("main"); !strings.Contains(said, "Motive: Free and informed") {
		t.Errorf("the review says %s", said)
	}
	s.signIn("cora")
	s.open(review)
	if said := s.text("main"); strings.Contains(said, "Free and informed") {
		t.Error("the coordinator reads what is told in confidence")
	}
	s.check("review-cora")
}
