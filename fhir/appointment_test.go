package fhir

import (
	"bytes"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
)

// planned is a candidate with a day for the operation.
func planned(day journey.Date) activities.Snapshot {
	s := testSnapshot(candidateA)
	s.Protocol = protocoltest.Brief()
	s.State.Stage, s.State.Planned = journey.Scheduled, day
	return s
}

func operationOf(t *testing.T, list []record.Resource) r4.Appointment {
	t.Helper()
	return decode[r4.Appointment](t, find(t, list, typeAppointment, candidateA+"-appointment-operation"))
}

// TestOperationAppointment: the whole day in the zone of the programme, which has
// 23 hours on 29 March 2026 in Stockholm.
func TestOperationAppointment(t *testing.T) {
	a := operationOf(t, mustPublish(t, planned("2026-03-29")))
	if a.Status != r4.AppointmentStatusBooked || *a.Start != "2026-03-29T00:00:00+01:00" || *a.End != "2026-03-30T00:00:00+02:00" {
		t.Errorf("got %s from %s to %s", a.Status.Code(), *a.Start, *a.End)
	}
	s := planned("")
	s.State.Stage, s.State.Operated = journey.Recovery, "2026-03-29"
	if a := operationOf(t, mustPublish(t, s)); a.Status != r4.AppointmentStatusFulfilled {
		t.Errorf("after the operation it is %s", a.Status.Code())
	}
	s.State.Operated = ""
	for _, r := range mustPublish(t, s) {
		if r.Type == typeAppointment {
			t.Errorf("an operation that was never planned has an appointment: %s", r.Body)
		}
	}
}

// TestAPlanGivenUpTellsNoCause: cancelled, withdrawn, declined, on hold and lapsed
// publish the same.
func TestAPlanGivenUpTellsNoCause(t *testing.T) {
	before := mustPublish(t, planned("2026-04-02"))
	var first []byte
	for _, stage := range []journey.Stage{journey.Approved, journey.Withdrawn, journey.Declined, journey.OnHold, journey.Evaluation} {
		s := planned("")
		s.State.Stage, s.Previous = stage, before
		r := find(t, mustPublish(t, s), typeAppointment, candidateA+"-appointment-operation")
		if a := decode[r4.Appointment](t, r); a.Status != r4.AppointmentStatusCancelled || a.Start != nil || a.CancelationReason != nil || a.Comment != nil {
			t.Errorf("%s: %s", stage, r.Body)
		}
		if first == nil {
			first = r.Body
		}
		if !bytes.Equal(first, r.Body) {
			t.Errorf("%s differs:\n%s\n%s", stage, first, r.Body)
		}
	}
}

func TestVisitAppointments(t *testing.T) {
	s := planned("")
	s.State.Stage, s.State.Operated = journey.FollowUp, "2026-03-01"
	visit := func(id string, status journey.VisitStatus) journey.Visit {
		return journey.Visit{ID: id, Opens: "2026-08-01", Target: "2026-09-01", Closes: "2026-10-01", Status: status, On: "2026-09-03"}
	}
	s.State.Visits = []journey.Visit{
		visit("week-1", journey.VisitDone), visit("month-6", journey.VisitOpen), visit("year-1", journey.VisitMissed),
	}
	list := mustPublish(t, s)
	for id, want := range map[string]string{"week-1": "fulfilled", "month-6": "proposed", "year-1": "cancelled"} {
		a := decode[r4.Appointment](t, find(t, list, typeAppointment, candidateA+"-appointment-"+id))
		if a.Status.Code() != want {
			t.Errorf("%s is %s, want %s", id, a.Status.Code(), want)
		}
		if id == "month-6" && (len(a.RequestedPeriod) != 1 || *a.RequestedPeriod[0].Start != "2026-08-01" || *a.RequestedPeriod[0].End != "2026-10-01") {
			t.Errorf("the window is %+v", a.RequestedPeriod)
		}
	}
}
