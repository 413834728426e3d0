package journey_test

import (
	"slices"
	"testing"
	"time"

	"candidacy/internal/journey"
)

// appoint gives a command about a visit on a day of the player's zone, which is UTC.
func (p *player) appoint(kind journey.Kind, day journey.Date, fill func(*journey.Command)) error {
	c := p.command(kind, journey.Coordinator, "coordinator")
	at := day.Start(time.UTC)
	c.On, c.Moment, c.Ends = day, journey.InstantOf(at.Add(9*time.Hour)), journey.InstantOf(at.Add(10*time.Hour))
	c.Requirements, c.Visit, c.Reasoned, c.Revision = []string{"creatinine", "acr"}, "planned-1", true, 1
	if fill != nil {
		fill(&c)
	}
	if err := journey.Check(p.rules, p.state, c); err != nil {
		return err
	}
	p.commit(c, nil, nil)
	return nil
}

// TestAppointments plans, moves, closes and calls off, and refuses what can't be.
func TestAppointments(t *testing.T) {
	p := newPlayer()
	refused := func(what string, err error) {
		t.Helper()
		if err == nil {
			t.Errorf("%s is accepted", what)
		}
	}
	accepted := func(what string, err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	day := p.today.AddDays(10)
	refused("a visit before the screening", p.appoint(journey.PlanAppointment, day, nil))
	p.to(journey.Evaluation)
	day = p.today.AddDays(10)
	for what, fill := range map[string]func(*journey.Command){
		"no day":                 func(c *journey.Command) { c.On = "" },
		"no start":               func(c *journey.Command) { c.Moment = "" },
		"no end":                 func(c *journey.Command) { c.Ends = "" },
		"an end at the start":    func(c *journey.Command) { c.Ends = c.Moment },
		"a day that has passed":  func(c *journey.Command) { c.On = p.today.AddDays(-1) },
		"a year too far":         func(c *journey.Command) { c.On = p.today.AddDays(731) },
		"nothing to do":          func(c *journey.Command) { c.Requirements = nil },
		"what does not apply":    func(c *journey.Command) { c.Requirements = []string{"albumin"} },
		"what nobody knows":      func(c *journey.Command) { c.Requirements = []string{"x"} },
		"the same thing twice":   func(c *journey.Command) { c.Requirements = []string{"acr", "acr"} },
		"a clinician's planning": func(c *journey.Command) { c.Role = journey.Clinician },
	} {
		refused(what, p.appoint(journey.PlanAppointment, day, fill))
	}
	accepted("a visit", p.appoint(journey.PlanAppointment, day, nil))
	accepted("another", p.appoint(journey.PlanAppointment, day.AddDays(-1), nil))
	if b := p.state.Booked(); len(b) != 2 || b[0].ID != "planned-2" || b[1].ID != "planned-1" || b[1].Revision != 1 {
		t.Fatalf("booked are %+v", b)
	}
	later := day.AddDays(3)
	refused("a visit that there is not", p.appoint(journey.MoveAppointment, later, func(c *journey.Command) { c.Visit = "planned-9" }))
	refused("a revision that nobody has seen", p.appoint(journey.MoveAppointment, later, func(c *journey.Command) { c.Revision = 2 }))
	accepted("a move", p.appoint(journey.MoveAppointment, later, nil))
	refused("a move of what was moved meanwhile", p.appoint(journey.MoveAppointment, day, nil))
	if a, _ := p.state.Appointment("planned-1"); a.On != later || a.Revision != 2 || a.Status != journey.AppointmentBooked {
		t.Fatalf("moved to %+v", a)
	}
	closing := func(outcome journey.Outcome, revision int) func(*journey.Command) {
		return func(c *journey.Command) { c.Outcome, c.Revision = outcome, revision }
	}
	refused("a visit that has not begun", p.appoint(journey.CloseAppointment, later, closing(journey.Attended, 2)))
	p.today = later.AddDays(1)
	refused("an outcome of something else", p.appoint(journey.CloseAppointment, later, closing(journey.Seen, 2)))
	accepted("nobody came", p.appoint(journey.CloseAppointment, later, closing(journey.NotAttended, 2)))
	accepted("somebody came after all", p.appoint(journey.CloseAppointment, later, closing(journey.Attended, 3)))
	refused("a move of what took place", p.appoint(journey.MoveAppointment, p.today, func(c *journey.Command) { c.Revision = 4 }))
	refused("a cancellation of what took place", p.appoint(journey.CancelAppointment, p.today, func(c *journey.Command) { c.Revision = 4 }))
	second := func(c *journey.Command) { c.Visit = "planned-2" }
	refused("a cancellation without a reason", p.appoint(journey.CancelAppointment, p.today, func(c *journey.Command) { second(c); c.Reasoned = false }))
	accepted("a cancellation", p.appoint(journey.CancelAppointment, p.today, second))
	p.must(journey.Hold, journey.Coordinator, "coordinator", nil)
	refused("a visit during a pause", p.appoint(journey.PlanAppointment, p.today.AddDays(3), nil))
	var is []journey.AppointmentStatus
	for _, a := range p.state.Appointments {
		is = append(is, a.Status)
	}
	if !slices.Equal(is, []journey.AppointmentStatus{journey.AppointmentFulfilled, journey.AppointmentCancelled}) {
		t.Errorf("the visits are %v", is)
	}
}

// TestExitsFreeAppointments: whatever ends a journey before the operation leaves the same
// visits, but for its own number; a pause leaves them standing.
func TestExitsFreeAppointments(t *testing.T) {
	var first string
	for _, kind := range []journey.Kind{journey.Withdraw, journey.Decline, journey.RecordDeath} {
		p := newPlayer()
		p.to(journey.Evaluation)
		for i := range 3 {
			if err := p.appoint(journey.PlanAppointment, p.today.AddDays(i), nil); err != nil {
				t.Fatal(err)
			}
		}
		p.today = p.today.AddDays(1)
		if err := p.appoint(journey.CloseAppointment, p.today, func(c *journey.Command) { c.Outcome = journey.Attended }); err != nil {
			t.Fatal(err)
		}
		role, actor := journey.Coordinator, "coordinator"
		if kind == journey.Decline {
			p.must(journey.Hold, role, actor, nil)
			if n := len(p.state.Booked()); n != 2 {
				t.Fatalf("a pause leaves %d visits", n)
			}
			p.must(journey.Resume, role, actor, nil)
			// The committee may not decline before it has heard what it has to.
			p.state.Stage = journey.Screening
		}
		p.must(kind, role, actor, func(c *journey.Command) { c.Reasoned, c.On = true, p.today })
		got := encode(p.state.Appointments)
		if first == "" {
			first = got
		}
		if got != first || len(p.state.Booked()) > 0 {
			t.Errorf("after %s the visits are %s, after another exit %s", kind, got, first)
		}
	}
}
