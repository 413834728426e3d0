package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/access"
	"candidacy/internal/audit"
	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

const (
	keyHeader = "Idempotency-Key"
	// patience is how long a command is waited for before the answer is that
	// it is still pending.
	patience = 20 * time.Second
)

func isNotFound(err error) bool { return errors.Is(err, record.ErrNotFound) }

// refer answers POST /candidates.
func (s *server) refer(c echo.Context) error {
	body, err := readCommand(c, journey.Refer)
	if err != nil {
		return err
	}
	if err := s.independent(c, body); err != nil {
		return err
	}
	receipt, err := s.submit(c, dispatch.Request{Kind: journey.Refer, Key: c.Request().Header.Get(keyHeader), Body: body})
	if err != nil {
		return err
	}
	audit.About(c.Request().Context(), receipt.Candidate)
	c.Response().Header().Set(echo.HeaderLocation, c.Path()+"/"+receipt.Candidate)
	return reply(c, http.StatusCreated, receipt)
}

// independent refuses a referral by somebody who cares for the recipient: they
// could not see the candidate afterwards, and should not choose the donor.
func (s *server) independent(c echo.Context, body command.Body) error {
	referral, ok := body.(*command.Referral)
	if !ok || referral.Recipient == "" {
		return nil
	}
	conflict, err := s.Store.OnRecipientTeam(c.Request().Context(), referral.Recipient, access.From(c).Actor)
	if err != nil {
		return err
	}
	if conflict {
		return &journey.Refusal{
			Code: journey.Forbidden, Field: "recipient", Message: "recipient: a member of the recipient's team may not refer a candidate for them",
		}
	}
	return nil
}

// command answers POST /candidates/{id}/commands/{kind}.
func (s *server) command(c echo.Context) error {
	kind := journey.Kind(c.Param("kind"))
	if !slices.Contains(journey.Kinds(), kind) {
		return &failure{
			status: http.StatusNotFound, detail: "there is no such command",
			errors: []FieldError{{Field: "kind", Detail: "no such command", Accepted: names(journey.Kinds())}},
		}
	}
	return s.give(c, kind, http.StatusOK)
}

// results answers POST /candidates/{id}/results.
func (s *server) results(c echo.Context) error {
	return s.give(c, journey.RecordResults, http.StatusCreated)
}

// give carries out a command on the candidate that the request names. The role
// comes first and the candidate second, so that a body is only looked at for
// somebody who could have sent it.
func (s *server) give(c echo.Context, kind journey.Kind, status int) error {
	if role := access.From(c).Role; !journey.MayGive(role, kind) {
		return &journey.Refusal{Code: journey.Forbidden, Message: fmt.Sprintf("the role %s may not give the command %s", role, kind)}
	}
	candidate, err := s.find(c)
	if err != nil {
		return err
	}
	body, err := readCommand(c, kind)
	if err != nil {
		return err
	}
	switch body := body.(type) {
	case *command.RecordResults:
		err = own(body, access.From(c).Actor)
	case *command.Withdrawal:
		err = unwitnessed(body)
	}
	if err != nil {
		return err
	}
	receipt, err := s.submit(c, dispatch.Request{
		Candidate: candidate.ID, Kind: kind, Key: c.Request().Header.Get(keyHeader), Body: body,
	})
	if err != nil {
		return s.refusedTo(c, candidate.ID, err)
	}
	return reply(c, status, receipt)
}

// own refuses what only the intake can say of results.
func own(results *command.RecordResults, actor string) error {
	var faults command.Faults
	if results.Message != "" {
		faults.Add("message", "only the intake names a message")
	}
	if results.Accepted != nil && results.Accepted.By != "" && results.Accepted.By != actor {
		faults.Add("accepted.by", "another person than you")
	}
	return faults.Err()
}

// unwitnessed refuses to take anybody's word for a witness.
func unwitnessed(body *command.Withdrawal) error {
	var faults command.Faults
	if body.Witness != "" {
		faults.Add("witness", "a witness confirms with their own sign-in, on the advocate's page")
	}
	return faults.Err()
}

// refusedTo keeps out of a refusal what is not for whoever is refused.
func (s *server) refusedTo(c echo.Context, candidate string, err error) error {
	var refusal *journey.Refusal
	if !errors.As(err, &refusal) || len(refusal.Reasons) == 0 {
		return err
	}
	ctx := c.Request().Context()
	found, failed := s.Store.Candidate(ctx, candidate)
	if failed != nil {
		return failed
	}
	p, failed := s.Protocols.Get(ctx, found.Protocol)
	if failed != nil {
		return failed
	}
	return readerOf(access.From(c)).Refusal(p.WithConditions(found.State.Imposed, nil), found.State, refusal)
}

func readCommand(c echo.Context, kind journey.Kind) (command.Body, error) {
	raw, err := readBody(c, echo.MIMEApplicationJSON)
	if err != nil {
		return nil, err
	}
	return command.Decode(kind, raw)
}

// submit hands the command over in the name of whoever the token speaks for.
func (s *server) submit(c echo.Context, r dispatch.Request) (dispatch.Receipt, error) {
	bearer := access.From(c)
	r.Actor, r.Role = bearer.Actor, bearer.Role
	ctx, cancel := context.WithTimeout(c.Request().Context(), patience)
	defer cancel()
	return s.Dispatcher.Submit(ctx, r)
}
