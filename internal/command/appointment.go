package command

import (
	"fmt"
	"regexp"
	"time"

	"candidacy/internal/journey"
)

// VisitPlan says when and where a visit is, and what for.
type VisitPlan struct {
	// StartsAt and EndsAt are RFC 3339 with an offset, on one day of the programme.
	StartsAt string `json:"starts_at"`
	EndsAt   string `json:"ends_at"`
	// On is that day. It is filled in; where it is given it has to agree.
	On journey.Date `json:"on,omitempty"`
	// Requirements are what is done.
	Requirements []string `json:"requirements"`
	// Place stands in the candidate's calendar.
	Place string `json:"place"`
	// With is who sees the candidate, as an account's id or in words.
	With string `json:"with,omitempty"`
	// Instructions are what the candidate has to mind before it, in plain words.
	Instructions string `json:"instructions,omitempty"`
}

func (b *VisitPlan) check(f *Faults) {
	f.instant("starts_at", b.StartsAt)
	f.instant("ends_at", b.EndsAt)
	f.date("on", b.On, false)
	if len(b.Requirements) == 0 {
		f.Add("requirements", "missing", "one requirement or more")
	}
	f.ids("requirements", b.Requirements)
	f.short("place", b.Place, true)
	f.short("with", b.With, false)
	f.text("instructions", b.Instructions, false)
}

func (f *Faults) short(field, value string, required bool) {
	const longest = 200
	f.text(field, value, required)
	if len(value) > longest {
		f.Add(field, fmt.Sprintf("longer than %d bytes", longest))
	}
}

func (b *VisitPlan) code(c *journey.Command) {
	c.On, c.Moment, c.Ends, c.Requirements = codedDate(b.On), codedInstant(b.StartsAt), codedInstant(b.EndsAt), codedAll(b.Requirements)
}

// place puts the visit on its day, which only the programme's zone can tell.
func (b *VisitPlan) place(f *Faults, zone *time.Location) {
	starts, ends := codedInstant(b.StartsAt), codedInstant(b.EndsAt)
	if starts == "" || ends == "" {
		return
	}
	day := starts.In(zone).On
	switch {
	case b.On != "" && b.On != day:
		f.Add("on", "not the day on which the visit starts in the programme's time zone", string(day))
	case ends.In(zone).On != day:
		f.Add("ends_at", "not on the day on which the visit starts", "a moment on "+string(day))
	}
	b.On = day
}

// PlaceVisit puts a visit that is planned or moved on its day.
func PlaceVisit(f *Faults, body Body, zone *time.Location) {
	switch body := body.(type) {
	case *PlanAppointment:
		body.place(f, zone)
	case *MoveAppointment:
		body.place(f, zone)
	}
}

// PlanAppointment is the body of plan-appointment.
type PlanAppointment struct{ VisitPlan }

// Check implements Body.
func (b *PlanAppointment) Check(f *Faults) { b.check(f) }

// Code implements Body.
func (b *PlanAppointment) Code(c *journey.Command) { b.code(c) }

// MoveAppointment is the body of move-appointment: the visit as it is to stand.
type MoveAppointment struct {
	// Appointment is the id of the visit, and Revision the one that the author saw.
	Appointment string `json:"appointment"`
	Revision    int    `json:"revision"`
	VisitPlan
	Reason string `json:"reason,omitempty"`
}

// Check implements Body.
func (b *MoveAppointment) Check(f *Faults) {
	f.visit(b.Appointment, b.Revision)
	b.check(f)
	f.text("reason", b.Reason, false)
}

func (f *Faults) visit(id string, revision int) {
	if codedAppointment(id) == "" {
		f.Add("appointment", "not a planned visit", "the id of one, such as planned-1")
	}
	if codedRevision(revision) == 0 {
		f.Add("revision", "not a revision", fmt.Sprintf("the revision of the visit as it was seen, from 1 to %d", mostRevisions))
	}
}

// mostRevisions keeps any other number, such as a year of birth, out of the process.
const mostRevisions = 999

// plannedVisit is the form of the id of a planned visit.
var plannedVisit = regexp.MustCompile(`^planned-[1-9][0-9]{0,2}$`)

func codedAppointment(id string) string {
	if !plannedVisit.MatchString(id) {
		return ""
	}
	return id
}

func codedRevision(n int) int {
	if n < 1 || n > mostRevisions {
		return 0
	}
	return n
}

// Code implements Body.
func (b *MoveAppointment) Code(c *journey.Command) {
	b.code(c)
	c.Visit, c.Revision, c.Reasoned = codedAppointment(b.Appointment), codedRevision(b.Revision), b.Reason != ""
}

// CancelAppointment is the body of cancel-appointment.
type CancelAppointment struct {
	Appointment string `json:"appointment"`
	Revision    int    `json:"revision"`
	Reason      string `json:"reason"`
}

// Check implements Body.
func (b *CancelAppointment) Check(f *Faults) {
	f.visit(b.Appointment, b.Revision)
	f.text("reason", b.Reason, true)
}

// Code implements Body.
func (b *CancelAppointment) Code(c *journey.Command) {
	c.Visit, c.Revision, c.Reasoned = codedAppointment(b.Appointment), codedRevision(b.Revision), b.Reason != ""
}

// CloseAppointment is the body of close-appointment: whether the candidate came.
type CloseAppointment struct {
	Appointment string          `json:"appointment"`
	Revision    int             `json:"revision"`
	Outcome     journey.Outcome `json:"outcome"`
	Note        string          `json:"note,omitempty"`
}

// Check implements Body.
func (b *CloseAppointment) Check(f *Faults) {
	f.visit(b.Appointment, b.Revision)
	f.oneOf("outcome", string(b.Outcome), true, string(journey.Attended), string(journey.NotAttended))
	f.text("note", b.Note, false)
}

// Code implements Body.
func (b *CloseAppointment) Code(c *journey.Command) {
	c.Visit, c.Revision, c.Outcome = codedAppointment(b.Appointment), codedRevision(b.Revision), coded(b.Outcome)
}
