package fhir

import (
	"bytes"
	"slices"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/journey"
)

// TestPlannedAppointments: booked with a start and an end, as R4 demands (app-3), in the
// offset of the day; called off without a cause; nothing of it in free words.
func TestPlannedAppointments(t *testing.T) {
	s := planned("")
	s.State.Stage = journey.Evaluation
	// Clocks in Stockholm go forward on 29 March 2026.
	s.State.Appointments = []journey.Appointment{
		{ID: "planned-1", On: "2026-03-27", Starts: "2026-03-27T08:00:00Z", Ends: "2026-03-27T09:30:00Z", Status: journey.AppointmentBooked, Requirements: []string{"creatinine-first", "advocate-final"}, Revision: 1},
		{ID: "planned-2", On: "2026-03-30", Starts: "2026-03-30T07:00:00Z", Ends: "2026-03-30T08:00:00Z", Status: journey.AppointmentCancelled, Revision: 2},
		{ID: "planned-3", On: "2026-03-30", Starts: "2026-03-30T07:00:00Z", Ends: "2026-03-30T08:00:00Z", Status: journey.AppointmentNoShow, Revision: 2},
	}
	list := mustPublish(t, s)
	of := func(id string) r4.Appointment {
		return decode[r4.Appointment](t, find(t, list, typeAppointment, candidateA+"-appointment-"+id))
	}
	a := of("planned-1")
	if a.Status != r4.AppointmentStatusBooked || *a.Start != "2026-03-27T09:00:00+01:00" || *a.End != "2026-03-27T10:30:00+01:00" || *a.MinutesDuration != 90 {
		t.Errorf("got %s from %s to %s, %d minutes", a.Status.Code(), *a.Start, *a.End, *a.MinutesDuration)
	}
	for _, b := range a.BasedOn {
		if r := find(t, list, typeServiceRequest, (*b.Reference)[len("ServiceRequest/"):]); bytes.Contains(r.Body, []byte("advocate")) {
			t.Errorf("it is based on %s", r.Body)
		}
	}
	if a := of("planned-2"); a.Status != r4.AppointmentStatusCancelled || *a.Start != "2026-03-30T09:00:00+02:00" || a.CancelationReason != nil || a.Comment != nil {
		t.Errorf("called off: %+v", a)
	}
	if a := of("planned-3"); a.Status != r4.AppointmentStatusNoshow {
		t.Errorf("nobody came: %s", a.Status.Code())
	}
	// However the journey ends, what stood is cancelled alike.
	var first []byte
	for _, stage := range []journey.Stage{journey.Withdrawn, journey.Declined, journey.Deceased} {
		after := s
		after.State.Appointments = slices.Clone(s.State.Appointments)
		after.State.Appointments[0].Status, after.State.Stage, after.Previous = journey.AppointmentCancelled, stage, list
		r := find(t, mustPublish(t, after), typeAppointment, candidateA+"-appointment-planned-1")
		if first == nil {
			first = r.Body
		}
		if !bytes.Equal(first, r.Body) {
			t.Errorf("%s differs:\n%s\n%s", stage, first, r.Body)
		}
	}
}
