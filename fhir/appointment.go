package fhir

import (
	"slices"
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

var appointmentType = resourceType{
	code: r4.ResourceTypeAppointment,
	params: []param{
		patientParam("patient", "Appointment-patient"),
		tokenParam("status", "Appointment-status", systemAppointmentStatus),
		tokenParam("part-status", "Appointment-part-status", systemParticipation),
		tokenParam("service-type", "Appointment-service-type", ""),
		dateParam("date", "Appointment-date"),
		referenceParam("actor", "Appointment-actor", typePatient, typePractitionerRole),
		referenceParam("based-on", "Appointment-based-on", typeServiceRequest),
		referenceParam("reason-reference", "Appointment-reason-reference", typeCondition),
		referenceParam("supporting-info", "Appointment-supporting-info", typeEpisodeOfCare),
	},
}

const (
	systemParticipation = "http://hl7.org/fhir/participationstatus"
	systemServiceType   = "https://candidacy.example/CodeSystem/appointment-type"
)

// appointments publishes the planned operation and the follow-up visits. One
// that is given up is cancelled, by whatever cause and without it: a reader must
// not learn whether the candidate, the programme or a result was behind it.
func appointments(s activities.Snapshot, requested []visitRequest) ([]record.Resource, error) {
	var list []record.Resource
	add := func(a r4.Appointment) error {
		var x index
		x.code("status", systemAppointmentStatus, a.Status.Code())
		x.date("date", a.Start)
		x.concepts("service-type", a.ServiceType...)
		for _, p := range a.Participant {
			x.optionalReference("actor", p.Actor)
			x.code("part-status", systemParticipation, p.Status.Code())
		}
		x.reference("based-on", a.BasedOn...)
		x.reference("reason-reference", a.ReasonReference...)
		x.reference("supporting-info", a.SupportingInformation...)
		r, err := publish(typeAppointment, value(a.Id), "", a, x)
		list = append(list, r)
		return err
	}
	if a, ok := operationAppointment(s); ok {
		if err := add(a); err != nil {
			return nil, err
		}
	}
	for _, v := range s.State.Visits {
		if err := add(visitAppointment(s, v, requested)); err != nil {
			return nil, err
		}
	}
	return list, nil
}

func newAppointment(s activities.Snapshot, id, kind, title string) r4.Appointment {
	who := reference(typePatient, s.Candidate)
	return r4.Appointment{
		Id: &id, Status: r4.AppointmentStatusProposed, Description: optional(title),
		ServiceType:           []r4.CodeableConcept{concept(systemServiceType, kind, "", title)},
		ReasonReference:       []r4.Reference{reference(typeCondition, donorConditionID(s.Candidate))},
		SupportingInformation: []r4.Reference{reference(typeEpisodeOfCare, s.Candidate)},
		Participant:           []r4.AppointmentParticipant{{Actor: &who, Status: r4.ParticipationStatusNeedsAction}},
	}
}

// takes makes the appointment one of the whole day: the hour is not known here,
// and a booked appointment needs a beginning and an end.
func takes(a *r4.Appointment, status r4.AppointmentStatus, day journey.Date, zone *time.Location) {
	start := day.Start(zone).Format(time.RFC3339)
	end := day.AddDays(1).Start(zone).Format(time.RFC3339)
	a.Status, a.Start, a.End = status, &start, &end
	a.Participant[0].Status = r4.ParticipationStatusAccepted
}

// operationAppointment reports false while no operation was ever planned.
func operationAppointment(s activities.Snapshot) (r4.Appointment, bool) {
	a := newAppointment(s, resourceID(s.Candidate, "appointment-operation"), "donor-operation", "Donor operation, the whole day")
	known := func(r record.Resource) bool { return r.Type == typeAppointment && r.ID == value(a.Id) }
	switch {
	case s.State.Operated != "":
		takes(&a, r4.AppointmentStatusFulfilled, s.State.Operated, s.Protocol.Zone())
	case s.State.Planned != "":
		takes(&a, r4.AppointmentStatusBooked, s.State.Planned, s.Protocol.Zone())
	case slices.ContainsFunc(s.Previous, known):
		a.Status = r4.AppointmentStatusCancelled
		a.Participant[0].Status = r4.ParticipationStatusDeclined
	default:
		return a, false
	}
	return a, true
}

func visitAppointmentID(candidate, visit string) string {
	return resourceID(candidate, "appointment-"+visit)
}

func visitAppointment(s activities.Snapshot, v journey.Visit, requested []visitRequest) r4.Appointment {
	a := newAppointment(s, visitAppointmentID(s.Candidate, v.ID), "follow-up-visit", s.Protocol.VisitTitle(v.ID))
	for _, request := range requested {
		if request.ID == visitRequestID(s.Candidate, v.ID) {
			a.BasedOn = []r4.Reference{reference(typeServiceRequest, request.ID)}
		}
	}
	switch v.Status {
	case journey.VisitDone, journey.VisitDoneLate:
		takes(&a, r4.AppointmentStatusFulfilled, v.On, s.Protocol.Zone())
	case journey.VisitNotReached, journey.VisitMissed:
		a.Status = r4.AppointmentStatusCancelled
	default:
		a.RequestedPeriod = []r4.Period{{Start: optional(string(v.Opens)), End: optional(string(v.Closes))}}
	}
	return a
}
