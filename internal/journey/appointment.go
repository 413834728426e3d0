package journey

import (
	"fmt"
	"slices"
)

// Appointment is a planned visit before the operation, for one or more of the
// candidate's requirements. Follow-up has visits of its own (Visit). Where it is, with
// whom and what the candidate has to mind stands in the entries.
type Appointment struct {
	// ID is numbered over the candidate's life.
	ID string `json:"id"`
	// On is the day of Starts in the programme's zone.
	On           Date              `json:"on"`
	Starts       Instant           `json:"starts"`
	Ends         Instant           `json:"ends"`
	Status       AppointmentStatus `json:"status"`
	Requirements []string          `json:"requirements"`
	// Revision is 1 when it is planned, and one more with each change.
	Revision int `json:"revision"`
}

// AppointmentStatus is what became of a planned visit, in the words of FHIR R4.
type AppointmentStatus string

// The states of a planned visit.
const (
	AppointmentBooked    AppointmentStatus = "booked"
	AppointmentFulfilled AppointmentStatus = "fulfilled"
	AppointmentNoShow    AppointmentStatus = "noshow"
	AppointmentCancelled AppointmentStatus = "cancelled"
)

const (
	// appointmentDays is how far ahead a visit may be planned; a year that was typed
	// wrongly lies beyond. Common practice, no source.
	appointmentDays = 730
	// mostAppointments bounds what the state carries.
	mostAppointments = 300
)

// AppointmentKinds lists the commands about planned visits.
func AppointmentKinds() []Kind {
	return []Kind{PlanAppointment, MoveAppointment, CancelAppointment, CloseAppointment}
}

// Appointment returns the planned visit with the id.
func (s State) Appointment(id string) (Appointment, bool) {
	i := s.appointment(id)
	if i < 0 {
		return Appointment{}, false
	}
	return s.Appointments[i], true
}

func (s State) appointment(id string) int {
	return slices.IndexFunc(s.Appointments, func(a Appointment) bool { return a.ID == id })
}

// Booked lists the planned visits that stand, in the order of time.
func (s State) Booked() []Appointment {
	list := slices.DeleteFunc(slices.Clone(s.Appointments), func(a Appointment) bool { return a.Status != AppointmentBooked })
	slices.SortStableFunc(list, Appointment.Compare)
	return list
}

// Compare puts what begins first before what begins later.
func (a Appointment) Compare(b Appointment) int {
	switch {
	case a.Starts.Before(b.Starts):
		return -1
	case b.Starts.Before(a.Starts):
		return 1
	default:
		return 0
	}
}

func checkPlanAppointment(rules Rules, s State, c Command) *Refusal {
	if len(s.Appointments) >= mostAppointments {
		return blocked(c.Kind, []Reason{{"appointments", "", fmt.Sprintf("%d visits have been planned already", mostAppointments)}})
	}
	return checkTimes(rules, s, c)
}

// checkTimes checks when a visit is, and what it is for. Whether its times are of one day
// is for the edge, which knows the zone.
func checkTimes(rules Rules, s State, c Command) *Refusal {
	latest := c.Today.AddDays(appointmentDays)
	switch {
	case c.On == "" || c.Moment == "" || c.Ends == "":
		return invalid("starts_at", "name the moments at which the visit starts and ends")
	case !c.Moment.Before(c.Ends):
		return invalid("ends_at", "a visit ends after it starts")
	case c.On.Before(c.Today) && !s.BackEntry:
		return invalid("starts_at", "the day of the visit has passed")
	case latest.Before(c.On):
		return invalid("starts_at", fmt.Sprintf("a visit is planned no later than %s", latest))
	case len(c.Requirements) == 0:
		return invalid("requirements", "name what is done: one requirement or more")
	}
	var accepted []string
	for _, rule := range rules.Requirements {
		if s.Applies(rule.ID) {
			accepted = append(accepted, rule.ID)
		}
	}
	for i, id := range c.Requirements {
		if !slices.Contains(accepted, id) || slices.Contains(c.Requirements[:i], id) {
			return invalid("requirements", "each is a requirement that applies to the candidate, named once", accepted...)
		}
	}
	return nil
}

// checkAppointment finds the visit, as whoever changes it has seen it.
func checkAppointment(s State, c Command, among ...AppointmentStatus) *Refusal {
	a, ok := s.Appointment(c.Visit)
	switch {
	case !ok:
		return &Refusal{Code: NotFound, Field: "appointment", Message: "appointment: there is no such planned visit"}
	case a.Revision != c.Revision:
		return &Refusal{Code: Conflict, Field: "revision", Message: "revision: the visit has been changed meanwhile; look at it again"}
	case !slices.Contains(among, a.Status):
		return blocked(c.Kind, []Reason{{"appointment-open", "", "the visit is " + string(a.Status)}})
	}
	return nil
}

func checkMoveAppointment(rules Rules, s State, c Command) *Refusal {
	if refusal := checkAppointment(s, c, AppointmentBooked); refusal != nil {
		return refusal
	}
	return checkTimes(rules, s, c)
}

func checkCancelAppointment(_ Rules, s State, c Command) *Refusal {
	if refusal := checkAppointment(s, c, AppointmentBooked); refusal != nil {
		return refusal
	}
	if !c.Reasoned {
		return invalid("reason", "a cancellation needs a reason")
	}
	return nil
}

// checkCloseAppointment also lets somebody correct what was said before.
func checkCloseAppointment(_ Rules, s State, c Command) *Refusal {
	if refusal := checkAppointment(s, c, AppointmentBooked, AppointmentFulfilled, AppointmentNoShow); refusal != nil {
		return refusal
	}
	if c.Outcome != Attended && c.Outcome != NotAttended {
		return invalid("outcome", "not what may become of a visit", string(Attended), string(NotAttended))
	}
	if a, _ := s.Appointment(c.Visit); InstantOf(c.At).Before(a.Starts) {
		return blocked(c.Kind, []Reason{{"appointment-begun", "", "the visit has not begun"}})
	}
	return nil
}

// appoint folds what is done about planned visits.
func (s *State) appoint(e Event) {
	if e.Kind == PlanAppointment {
		s.Appointments = append(s.Appointments, Appointment{
			ID: fmt.Sprintf("planned-%d", len(s.Appointments)+1), On: e.On, Starts: e.Moment, Ends: e.Ends,
			Status: AppointmentBooked, Requirements: slices.Clone(e.Requirements), Revision: 1,
		})
		return
	}
	i := s.appointment(e.Visit)
	if i < 0 {
		return
	}
	a := &s.Appointments[i]
	a.Revision++
	switch e.Kind {
	case MoveAppointment:
		a.On, a.Starts, a.Ends, a.Requirements = e.On, e.Moment, e.Ends, slices.Clone(e.Requirements)
	case CancelAppointment:
		a.Status = AppointmentCancelled
	case CloseAppointment:
		a.Status = AppointmentFulfilled
		if e.Outcome == NotAttended {
			a.Status = AppointmentNoShow
		}
	}
}

// freeAppointments cancels what is planned where the journey has ended, in whatever way.
func (s *State) freeAppointments() {
	if !s.Stage.Ended() && s.Died == "" {
		return
	}
	for i := range s.Appointments {
		if a := &s.Appointments[i]; a.Status == AppointmentBooked {
			a.Status = AppointmentCancelled
			a.Revision++
		}
	}
}
