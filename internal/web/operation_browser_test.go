package web

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/walk"
)

// TestBrowserOperation records an operation, amends it and adds a complication
// through the pages, as the surgeon does, and looks at what others see.
func TestBrowserOperation(t *testing.T) {
	program := chromium(t)
	w := newWorld(t, func(d *Deps) { d.Demo = true })
	_, err := w.store.AddAccount(t.Context(), walk.Advocate, "walk-advocate", "Walk Advocate", journey.Advocate, password)
	must(t, err)
	begin := time.Date(2026, time.August, 3, 7, 0, 0, 0, w.protocol.Zone())
	steps := walk.New(1, begin).Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate().Steps()
	id, err := walk.NewPlayer(w.dispatcher).Play(t.Context(), "operated", steps[:len(steps)-1])
	must(t, err)
	w.clock.set(steps[len(steps)-1].At)
	day := string(journey.DateOf(w.clock.now(), w.protocol.Zone()))
	home := "/candidates/" + id

	s := newScreen(t, program, w.site.URL)
	s.open("/sign-in")
	s.signIn("clem")
	s.open(home)
	s.set("record-operation-outcome-0", "removed")
	s.check("operation-form")
	s.narrow("operation-form")
	if _, problem := s.send("record-operation-outcome-0"); !strings.Contains(problem, "Operated side") {
		t.Errorf("a removal without a side: %q", problem)
	}
	s.check("operation-errors")
	s.do(journey.RecordOperation, "outcome-0", "removed", "side-1", "right", "approach", "laparoscopic", "times.artery_clamped", day+"T10:31",
		"times.flush", day+"T10:35:10", "found.arteries", "2", "artery_control-3", "yes")
	section := s.text("section:has(#operation)")
	for _, want := range []string{"4 min 10 s", "polymer locking clip", "not the side that the committee decided", "Missing from the record", "planned approach"} {
		if !strings.Contains(section, want) {
			t.Errorf("the section does not say %q: %s", want, section)
		}
	}
	s.check("operation-recorded")
	s.set("amend-operation-planned_approach", "laparoscopic")
	s.do(journey.AmendOperation, "reason", "The plan was not written down.")
	s.do(journey.RecordComplication, "complication", "other", "on", day, "treatment.transfusion", "yes", "note", "Oozed from a port.")
	section = s.text("section:has(#operation)")
	if strings.Contains(section, "planned approach,") || !strings.Contains(section, "Planned approach") || !strings.Contains(section, "at least II") {
		t.Errorf("the section says %s", section)
	}
	s.check("operation-complication")
	s.narrow("operation-complication")
	s.colours("print", "light")
	if printed := s.text("section:has(#operation)"); !strings.Contains(printed, "polymer locking clip") || !strings.Contains(printed, "Oozed from a port.") {
		t.Errorf("on paper the section says %s", printed)
	}
	s.shot("operation-print")
	s.colours("", "light")
	for _, username := range []string{"cora", "audi"} {
		s.signIn(username)
		s.open(home)
		s.check("operation-" + username)
		if told := strings.Contains(s.text("section:has(#operation)"), "Oozed"); told != (username == "cora") {
			t.Errorf("%s reads the note: %t", username, told)
		}
	}

	// Two people amend the record at once: the second is told, and overwrites nothing.
	other := s.beside(t)
	other.signIn("cleo")
	other.open(home)
	s.signIn("clem")
	s.open(home)
	s.set("amend-operation-blood_loss_ml", "120")
	s.do(journey.AmendOperation, "reason", "It was weighed.")
	other.set("amend-operation-blood_loss_ml", "900")
	other.set("amend-operation-reason", "As I remember it.")
	if notice, problem := other.send("amend-operation-reason"); notice != "" || problem == "" {
		t.Errorf("the second is not told: %q %q", notice, problem)
	}
	if got := eval[string](other, `document.getElementById("amend-operation-reason").value`); got != "As I remember it." {
		t.Errorf("what the second typed is lost: %q", got)
	}
	s.open(home)
	if section := s.text("section:has(#operation)"); !regexp.MustCompile(`Blood loss in mL\s+120\b`).MatchString(section) {
		t.Errorf("the section says %s", section)
	}
}
