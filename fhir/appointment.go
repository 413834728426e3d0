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

// appointments publishes the planned operation, the visits before it and those of follow-up. One
// that is given up is cancelled, by whatever cause and without it: a reader must
// not learn whether the candidate, the programme or a result was behind it.
func appointments(s activities.Snapshot, work *plan, requested []visitRequest) ([]record.Resource, error) {
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
	for _, planned := range s.State.Appointments {
		if err := add(plannedAppointment(s, work, planned)); err != nil {
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

// appointmentStatuses is what a planned visit is in R4.
var appointmentStatuses = map[journey.AppointmentStatus]r4.AppointmentStatus{
	journey.AppointmentBooked: r4.AppointmentStatusBooked, journey.AppointmentFulfilled: r4.AppointmentStatusFulfilled,
	journey.AppointmentNoShow: r4.AppointmentStatusNoshow, journey.AppointmentCancelled: r4.AppointmentStatusCancelled,
}

// participations is what the candidate did about it.
var participations = map[journey.AppointmentStatus]r4.ParticipationStatus{
	journey.AppointmentBooked: r4.ParticipationStatusAccepted, journey.AppointmentFulfilled: r4.ParticipationStatusAccepted,
	journey.AppointmentNoShow: r4.ParticipationStatusAccepted, journey.AppointmentCancelled: r4.ParticipationStatusDeclined,
}

// plannedAppointment is a visit before the operation. Where it is, with whom and what the
// candidate has to mind are free words and stay in the record. One that was called off
// keeps its times and tells no cause: the programme, the candidate or the end of the
// journey. What it is based on are the orders alone: the work of the advocate and the
// psychosocial team is told of by status only.
func plannedAppointment(s activities.Snapshot, work *plan, a journey.Appointment) r4.Appointment {
	made := newAppointment(s, resourceID(s.Candidate, "appointment-"+a.ID), "evaluation-visit", "Visit for the evaluation of a donor")
	zone := s.Protocol.Zone()
	start, end := a.Starts.Time().In(zone), a.Ends.Time().In(zone)
	from, to, minutes := start.Format(time.RFC3339), end.Format(time.RFC3339), int(end.Sub(start)/time.Minute)
	made.Start, made.End, made.MinutesDuration = &from, &to, &minutes
	made.Status, made.Participant[0].Status = appointmentStatuses[a.Status], participations[a.Status]
	for _, id := range a.Requirements {
		if r, ok := work.roundOn(id, a.On); ok && r.typ == typeServiceRequest {
			made.BasedOn = append(made.BasedOn, reference(r.typ, r.id))
		}
	}
	return made
}

// roundOn is the round of a requirement that a day belongs to: the last that had begun by
// then, or the first.
func (p *plan) roundOn(requirement string, day journey.Date) (round, bool) {
	rounds := p.of[requirement]
	if len(rounds) == 0 {
		return round{}, false
	}
	on := rounds[0]
	for _, r := range rounds[1:] {
		if !day.Before(r.authored) {
			on = r
		}
	}
	return on, true
}
