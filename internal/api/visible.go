package api

import (
	"context"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"candidacy/internal/access"
	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// sight decides which candidates one bearer may see. It asks once, when first
// needed, which recipients the bearer cares for.
type sight struct {
	store      *record.Store
	bearer     record.Bearer
	recipients map[string]bool
}

func (s *server) sight(c echo.Context) *sight {
	return &sight{store: s.Store, bearer: access.From(c)}
}

// sees hides a candidate from whoever cares for the intended recipient, and
// from advocates of others. Nobody is told that something is hidden.
func (v *sight) sees(ctx context.Context, c record.Candidate) (bool, error) {
	if v.bearer.Role == journey.Administrator {
		// They name a candidate by an id from a list of ids, and are told nothing.
		return true, nil
	}
	if v.bearer.Role == journey.Advocate && c.State.Advocate != v.bearer.Actor {
		return false, nil
	}
	if c.Recipient == "" {
		return true, nil
	}
	if v.recipients == nil {
		var err error
		if v.recipients, err = v.store.RecipientsOf(ctx, v.bearer.Actor); err != nil {
			return false, err
		}
	}
	return !v.recipients[c.Recipient], nil
}

// noCandidate is the one answer for a candidate that does not exist and for one
// that is hidden.
func noCandidate() error {
	return &journey.Refusal{Code: journey.NotFound, Message: "there is no such candidate"}
}

// find returns the candidate that the request names.
func (s *server) find(c echo.Context) (record.Candidate, error) {
	id := c.Param("id")
	if !isCandidate(id) {
		return record.Candidate{}, noCandidate()
	}
	ctx := c.Request().Context()
	found, err := s.Store.Candidate(ctx, id)
	return s.shownTo(c, found, err)
}

// shownTo passes on what was found, if whoever asks may see it.
func (s *server) shownTo(c echo.Context, found record.Candidate, err error) (record.Candidate, error) {
	if isNotFound(err) {
		return record.Candidate{}, noCandidate()
	}
	if err != nil {
		return record.Candidate{}, err
	}
	c.Set(candidateKey, found.ID)
	sees, err := s.sight(c).sees(c.Request().Context(), found)
	if err != nil {
		return record.Candidate{}, err
	}
	if !sees {
		return record.Candidate{}, noCandidate()
	}
	audit.About(c.Request().Context(), found.ID)
	return found, nil
}

// isCandidate accepts an id only as we write it: everything else is no id of
// ours, and may be a value that went astray.
func isCandidate(id string) bool {
	parsed, err := uuid.Parse(id)
	return err == nil && parsed.String() == id
}
