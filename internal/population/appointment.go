package population

import (
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

// appoint plans a visit, and mostly plays what becomes of it.
func (p *player) appoint() {
	plan := p.plannedVisit()
	if !p.give(coordinator, journey.PlanAppointment, &command.PlanAppointment{VisitPlan: plan}) {
		return
	}
	a := p.state.Appointments[len(p.state.Appointments)-1]
	if p.chance(0.4) {
		p.wait(0, 3)
		body := &command.MoveAppointment{Appointment: a.ID, Revision: a.Revision, VisitPlan: p.plannedVisit(), Reason: p.note()}
		p.give(coordinator, journey.MoveAppointment, body)
		if p.chance(0.2) {
			body.Place = p.note()
			p.give(coordinator, journey.MoveAppointment, body) // as it was before
		}
	}
	if a, _ = p.state.Appointment(a.ID); a.Status != journey.AppointmentBooked || p.chance(0.3) {
		return
	}
	if p.chance(0.25) {
		p.give(coordinator, journey.CancelAppointment, &command.CancelAppointment{Appointment: a.ID, Revision: a.Revision, Reason: p.note()})
		return
	}
	if !p.chance(0.1) { // else it has not begun
		p.move(a.On.AddDays(p.dice.IntN(3)), 18)
	}
	if a, _ = p.state.Appointment(a.ID); a.Status != journey.AppointmentBooked {
		return // the time that passed has ended the journey
	}
	closing := &command.CloseAppointment{Appointment: a.ID, Revision: a.Revision, Outcome: pick(p.dice, journey.Attended, journey.Attended, journey.NotAttended), Note: p.note()}
	p.give(pick(p.dice, coordinator, nephrologist), journey.CloseAppointment, closing)
}

// plannedVisit is for one of one to three requirements, on a day from today.
func (p *player) plannedVisit() command.VisitPlan {
	day := p.today().AddDays(p.dice.IntN(30))
	at := day.Start(p.protocol.Zone()).Add(time.Duration(8+p.dice.IntN(8)) * time.Hour)
	plan := command.VisitPlan{
		StartsAt: at.Format(time.RFC3339), EndsAt: at.Add(time.Duration(1+p.dice.IntN(6)) * 30 * time.Minute).Format(time.RFC3339),
		Place: p.note(), With: pick(p.dice, "", p.note()), Instructions: pick(p.dice, "", p.note()),
	}
	for _, r := range p.state.Requirements {
		if r.Status != journey.NotApplicable && len(plan.Requirements) < 3 && p.chance(0.2) {
			plan.Requirements = append(plan.Requirements, r.ID)
		}
	}
	return plan
}
