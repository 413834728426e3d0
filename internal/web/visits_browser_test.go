package web

import (
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

// TestVisitsBrowser plans what the planner proposes, moves it and prints the day plan.
func TestVisitsBrowser(t *testing.T) {
	program := chromium(t)
	w := newWorld(t, func(d *Deps) { d.Demo = true })
	w.day("2026-07-20")
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "SYN-0006", "R-771")
	w.evaluate(id)
	other := w.refer("Quillon", "Okonedo", "1984-02-11", "male", "SYN-0007", "")
	w.evaluate(other)
	for i, day := range []string{"2026-07-18", "2026-07-21", "2026-07-21", "2026-07-29"} {
		w.give("cora", other, journey.PlanAppointment, &command.PlanAppointment{VisitPlan: command.VisitPlan{
			StartsAt: day + "T09:00:00+02:00", EndsAt: day + "T10:30:00+02:00", Place: "Main entrance, desk 2", With: []string{"clem", "Sister Example", "", ""}[i],
			Requirements: []string{[]string{"creatinine", "glucose-tolerance"}[i%2]}, Instructions: "Eat nothing from midnight on.",
		}})
	}
	s := newScreen(t, program, w.site.URL)
	s.signIn("cora")
	home := "/candidates/" + id + "/visits"
	s.open(home)
	s.check("visits-none")
	s.open(home + "?plan=1")
	s.check("visits-plan")
	if day := eval[string](s, `document.getElementById("visit-day").value`); !strings.HasPrefix(day, "2026-") {
		t.Errorf("the proposed day is %q", day)
	}
	if _, problem := s.send("visit-day"); !strings.Contains(problem, "Nothing was recorded") {
		t.Errorf("a visit without a place: %q", problem)
	}
	s.focuses("errors")
	s.check("visits-errors")
	for name, value := range map[string]string{"day": "2026-07-22", "from": "09:00", "to": "10:30", "place": "Main entrance, desk 2", "instructions": "Eat nothing from midnight on.\nBring your glasses."} {
		s.set("visit-"+name, value)
	}
	if notice, problem := s.send("visit-day"); notice == "" {
		t.Fatalf("the visit: %s", problem)
	}
	s.open("/candidates/" + other + "/visits")
	s.check("visits")
	s.narrow("visits")
	s.keep("visits")
	s.zoom("/candidates/" + other + "/visits")
	s.open(home + "?change=planned-1")
	s.check("visits-change")
	s.narrow("visits-change")
	s.open(home + "/days/2026-07-22")
	s.check("day-plan")
	s.narrow("day-plan")
	s.keep("day-plan")
	s.zoom(home + "/days/2026-07-22")
	s.colours("print", "light")
	s.size(720)
	if width := eval[int](s, `document.documentElement.scrollWidth`); width > 720 {
		t.Errorf("the day plan is %d wide on paper", width)
	}
	s.size(1280)
	s.colours("", "light")
	s.open("/")
	s.submit("v")
	if path := eval[string](s, `location.pathname`); path != "/visits" {
		t.Errorf("a key leads to %s", path)
	}
	s.check("all-visits")
	s.narrow("all-visits")
	s.keep("all-visits")
	s.zoom("/visits")
	s.open("/visits?day=2026-07-21")
	s.check("all-visits-day")
	for _, who := range []string{"clem", "adva"} {
		s.signIn(who)
		s.open(home)
		s.check("visits-" + who)
	}
}
