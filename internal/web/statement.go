package web

import (
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
)

const pathStatement = "/candidates/:id/statement"

// stating are those who may tell outsiders that somebody goes no further.
var stating = []journey.Role{journey.Coordinator, journey.Clinician, journey.Advocate}

func statementLink(candidate string) string { return "/candidates/" + candidate + "/statement" }

// stated reports whether the general statement goes out: of whoever will not be a donor,
// whatever the reason.
func stated(s journey.State) bool {
	return slices.Contains([]journey.Stage{journey.Withdrawn, journey.Declined, journey.Deceased}, s.Stage)
}

// statementModel is all that outsiders are told, for paper. Nothing in it depends on how
// a journey ended, or when.
type statementModel struct {
	Name, Programme, Home, When string
	Paragraphs                  []string
}

// statement shows the general statement about a candidate who goes no further.
func (s *server) statement(c echo.Context) error {
	account, _ := signedIn(c)
	v, ctx := s.viewer(account), c.Request().Context()
	found, err := s.find(ctx, v, c.Param("id"))
	if err != nil {
		return err
	}
	p, err := s.Protocols.Get(ctx, found.Protocol)
	if err != nil {
		return err
	}
	m := statementModel{Home: "/candidates/" + found.ID}
	if stated(found.State) {
		m.Name, m.When = found.Identity.Given+" "+found.Identity.Family, longDay(s.today(p.Zone()))
		m.Paragraphs = paragraphs(p.Statement)
		if p.Programme != nil {
			m.Programme = p.Programme.Name
		}
	}
	return s.render(c, http.StatusOK, "statement", page{Title: "Statement", Body: m})
}
