package web

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// TestBrowserMeasures looks at the measures with a real browser: with the keyboard alone,
// on a narrow screen, twice the size, in the dark and on paper.
func TestBrowserMeasures(t *testing.T) {
	program := chromium(t)
	w := programme(t, 240)
	s := newScreen(t, program, w.site.URL)
	s.signIn("audi")
	s.open("/measures")
	s.check("measures")
	s.narrow("measures")
	s.keep("measures")
	s.zoom("/measures")
	// The cohort, by keys.
	s.open("/measures")
	eval[chromedp.Void](s, `document.querySelector(".filter button").focus()`)
	s.submit("\r")
	if at := eval[string](s, `location.search`); !strings.HasPrefix(at, "?from=") {
		t.Errorf("the form leads to %q", at)
	}
	s.open("/measures?from=2026-01-01&until=2026-12-31")
	s.check("measures-cohort")
	if text := s.text("main"); !strings.Contains(text, "Those referred from 2026-01-01 until 2026-12-31") {
		t.Error("the page does not say whom it counts")
	}
	s.open("/measures/people?measure=approved&who=are")
	s.check("measures-people")
	s.narrow("measures-people")
	s.zoom("/measures/people")
	s.colours("", "dark")
	s.open("/measures")
	s.check("measures-dark")
	s.colours("print", "light")
	s.size(720)
	s.open("/measures")
	if width := eval[int](s, `document.documentElement.scrollWidth`); width > 720 {
		t.Errorf("the page is %d wide on paper", width)
	}
	s.colours("", "light")
	s.size(1280)
	s.signIn("admi")
	s.open("/measures")
	s.check("measures-administrator")
}
