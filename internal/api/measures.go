package api

import (
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/measures"
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
	people, err := People(ctx, s.Store, s.Protocols, list)
	if err != nil {
		return err
	}
	answer.Measures = measures.Of(people, answer.From, answer.Until)
	return reply(c, http.StatusOK, answer)
}
