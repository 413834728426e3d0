package demo

import (
	"context"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

// incident is something that has to be reported of one donor, by days before the
// day of the demonstration.
type incident struct {
	event string
	days  int
	// closedAfter is how many hours after the first awareness it was reported; 0
	// means that its clock still runs.
	closedAfter int
	note        string
}

var incidents = map[string]incident{
	"c13": {"donor-infection", 30, 20, "Positive blood culture in a febrile illness; the recipient's hospital was told by phone."},
	"c14": {"serious-adverse-event", 20, 0, "Readmitted after a fall at home; the analysis is under way."},
	"c15": {"donor-infection", 1, 0, "Culture of the urine from the clinic."},
}

// happen records the incident of the candidate, if there is one.
func (s *script) happen(ctx context.Context) error {
	i, ok := incidents[s.person.ID]
	if _, reportable := s.dispatcher.Current.Event(i.event); !ok || !reportable {
		return nil
	}
	s.on(s.base.AddDays(-i.days), 15, 20)
	aware := s.at
	s.on(s.base.AddDays(-i.days), 16, 5)
	if err := s.give(ctx, coordinator, journey.Coordinator, journey.ReportEvent, &command.ReportEvent{
		Event: i.event, HappenedOn: journey.DateOf(aware, s.dispatcher.Current.Zone()), AwareAt: aware.Format(time.RFC3339), KnownTo: "clinic", Note: i.note,
	}); err != nil || i.closedAfter == 0 {
		return err
	}
	s.advance(aware.Add(time.Duration(i.closedAfter) * time.Hour))
	state, err := s.store.Candidate(ctx, s.candidate)
	if err != nil {
		return err
	}
	return s.give(ctx, nephrologist, journey.Clinician, journey.CloseReport, &command.CloseReport{
		Report: state.State.Reports[0].ID, ReportedAt: s.at.Format(time.RFC3339), Reference: "DEMO-0113",
	})
}

// die ends the journey of a candidate in screening.
func (s *script) die(ctx context.Context) error {
	s.on(s.base.AddDays(-1), 11, 0)
	return s.give(ctx, coordinator, journey.Coordinator, journey.RecordDeath, &command.RecordDeath{
		DiedOn: s.base.AddDays(-3), Note: "The family called.",
	})
}
