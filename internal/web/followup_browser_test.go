package web

import (
	"testing"

	"github.com/chromedp/chromedp"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
)

// TestBrowserFollowUp looks at follow-up with a real browser: contrast, names and
// roles, a narrow screen, and twice the size.
func TestBrowserFollowUp(t *testing.T) {
	program := chromium(t)
	w := newWorldOf(t, protocoltest.FollowUp(), func(d *Deps) { d.Demo = true })
	id := halfYear(t, w)
	w.day("2027-04-20")
	w.give("cora", id, journey.RecordContact, &command.RecordContact{Visit: "month-6", Channel: "call", Outcome: journey.NoAnswer})
	s := newScreen(t, program, w.site.URL)
	s.open("/sign-in")
	s.signIn("cora")
	for name, path := range map[string]string{
		"follow-up":        "/follow-up?form=clinical&from=2015-01-01&visit=month-6&who=pending",
		"candidate-follow": "/candidates/" + id,
	} {
		s.open(path)
		eval[chromedp.Void](s, `document.querySelectorAll("#main details").forEach(d => d.open = true)`)
		s.check(name)
		s.narrow(name)
		s.zoom(path)
	}
}
