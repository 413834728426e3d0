package web

import (
	"net/http"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
)

const pathEvaluation = "/candidates/:id/evaluation-summary"

// evaluationModel is what a colleague who takes a donor over reads on paper.
type evaluationModel struct {
	Name, Home, Date, Protocol, Digest string
	Stage                              journey.Stage
	Facts, Decision                    []fact
	Blood                              string
	Flags, Calm                        []flagModel
	Derived, Results                   []valueModel
	Gates                              []gateModel
	Medicines                          *medicinesModel
}

// evaluationSummary shows a candidate's evaluation as a document. It may leave the
// programme, so it never holds what was told in confidence, anybody's private words or
// anything of a recipient, whoever prints it: it is made with the eyes of a coordinator.
func (s *server) evaluationSummary(c echo.Context) error {
	account, _ := signedIn(c)
	ctx, v := c.Request().Context(), s.viewer(account)
	found, err := s.find(ctx, v, c.Param("id"))
	if err != nil {
		return err
	}
	eyes := *v
	// What an emergency opens is for whoever opened it, and for no paper.
	eyes.Role, eyes.open = journey.Coordinator, time.Time{}
	full, err := s.candidateModel(ctx, &eyes, found, "", nil)
	if err != nil {
		return err
	}
	p, err := s.Protocols.Get(ctx, found.Protocol)
	if err != nil {
		return err
	}
	m := evaluationModel{
		Name: full.Name, Home: "/candidates/" + found.ID, Date: dayWord(s.today(p.Zone())), Protocol: full.Protocol, Digest: p.Digest(),
		Stage: full.Stage, Decision: full.Decision, Blood: full.Blood, Flags: full.Flags, Calm: full.Calm, Derived: full.Derived,
		Gates: full.Gates, Medicines: full.Medicines,
	}
	m.Facts = slices.DeleteFunc(full.Facts, func(f fact) bool { return f.Label == "Recipient" || f.Label == "Advocate" || f.Label == "Donation" })
	// Of each kind of result the newest, which the list has first.
	for _, r := range append(slices.Clone(full.Reported), full.Older...) {
		if !slices.ContainsFunc(m.Results, func(seen valueModel) bool { return seen.Title == r.Title }) {
			m.Results = append(m.Results, r)
		}
	}
	return s.render(c, http.StatusOK, "evaluation", page{Title: "Evaluation summary: " + m.Name, Body: m})
}
