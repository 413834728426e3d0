package api

import (
	"context"
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/measures"
	"candidacy/internal/operation"
	"candidacy/internal/record"
)

// measured are the roles that see how the programme does: an advocate stands by
// single candidates.
var measured = []journey.Role{journey.Coordinator, journey.Clinician, journey.CommitteeRole, journey.Auditor}

// Measured lists the roles that see the programme's measures.
func Measured() []journey.Role { return slices.Clone(measured) }

// Period refuses days that are none. Either may be left out.
func Period(from, until journey.Date) error {
	var faults []command.Fault
	for _, day := range []struct {
		field string
		day   journey.Date
	}{{"from", from}, {"until", until}} {
		if _, err := journey.ParseDate(string(day.day)); day.day != "" && err != nil {
			faults = append(faults, command.Fault{Field: day.field, Problem: "not a calendar date", Accepted: []string{"YYYY-MM-DD"}})
		}
	}
	if len(faults) > 0 {
		return &command.Invalid{Faults: faults}
	}
	return nil
}

// ofLives are the kinds of entry that measures are made from.
var ofLives = append([]journey.Kind{
	journey.Refer, journey.BeginScreening, journey.BeginEvaluation, journey.PresentToCommittee, journey.RecordDecision, journey.Schedule,
	journey.CancelOperation, journey.ConfirmVerification, journey.ConfirmLastCheck, journey.Decline, journey.Withdraw, journey.RecordDeath,
	journey.RecordStay, journey.Elapse,
}, operation.Kinds...)

// Lives reads what measures are made from.
func Lives(ctx context.Context, store *record.Store, candidates []record.Candidate) ([]measures.Life, error) {
	lives := make([]measures.Life, len(candidates))
	for i, c := range candidates {
		life := measures.Life{Candidate: c.ID, State: c.State}
		entries, err := store.EntriesOf(ctx, c.ID, ofLives...)
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			event, err := e.Decode()
			if err != nil {
				return nil, err
			}
			life.Events = append(life.Events, event)
		}
		if life.Stay, err = activities.StayOf(entries); err != nil {
			return nil, err
		}
		if life.Operation, err = operation.Of(entries); err != nil {
			return nil, err
		}
		if life.Operation.Record != nil {
			if life.Results, err = store.Results(ctx, c.ID); err != nil {
				return nil, err
			}
		}
		lives[i] = life
	}
	return lives, nil
}

// programmeMeasures is the answer to GET /measures.
type programmeMeasures struct {
	From     journey.Date       `json:"from,omitempty"`
	Until    journey.Date       `json:"until,omitempty"`
	Measures []measures.Measure `json:"measures"`
}

// measures answers GET /measures.
func (s *server) measures(c echo.Context) error {
	answer := programmeMeasures{From: journey.Date(c.QueryParam("from")), Until: journey.Date(c.QueryParam("until"))}
	if err := Period(answer.From, answer.Until); err != nil {
		return err
	}
	ctx := c.Request().Context()
	list, err := s.everyone(ctx, s.sight(c))
	if err != nil {
		return err
	}
	lives, err := Lives(ctx, s.Store, list)
	if err != nil {
		return err
	}
	answer.Measures = measures.Of(lives, answer.From, answer.Until)
	return reply(c, http.StatusOK, answer)
}
