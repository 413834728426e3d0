package api

import (
	"context"
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"candidacy/internal/access"
	"candidacy/internal/dispatch"
	"candidacy/internal/incoming"
	"candidacy/internal/intake"
	"candidacy/internal/journey"
	"candidacy/internal/reading"
	"candidacy/internal/record"
)

// taken is what became of a message that is not on record as a whole, or that
// its sender learns no more about.
type taken struct {
	Message  string         `json:"message"`
	State    incoming.State `json:"state"`
	Repeated bool           `json:"repeated,omitempty"`
	Parts    []takenPart    `json:"parts,omitempty"`
}

type takenPart struct {
	Place string         `json:"place,omitempty"`
	State incoming.State `json:"state"`
	// Errors is why a part was refused.
	Errors []FieldError `json:"errors,omitempty"`
}

// intake answers POST /intake. What is sent is kept whole before it is looked
// at; a message about nobody who is known is held for a person.
func (s *server) intake(c echo.Context) error {
	raw, err := readBody(c, fhirJSON, echo.MIMEApplicationJSON)
	if err != nil {
		return err
	}
	bearer := access.From(c)
	d := incoming.Delivery{
		Channel: incoming.API, Sender: bearer.Actor, ControlID: c.Request().Header.Get(keyHeader),
		ContentType: intake.ContentType, Raw: raw, Actor: bearer.Actor, Role: bearer.Role,
	}
	if bearer.Actor == record.IntakeActor {
		d.Channel = incoming.CLI
	}
	if len(d.ControlID) > maxKey {
		return &failure{status: http.StatusUnprocessableEntity, detail: keyHeader + ": longer than 200 characters", errors: []FieldError{{Field: keyHeader, Detail: "longer than 200 characters"}}}
	}
	out, err := s.Incoming.Take(c.Request().Context(), d)
	if err != nil {
		return err
	}
	return s.answerTaken(c, out)
}

// maxKey bounds an idempotency key.
const maxKey = 200

func (s *server) answerTaken(c echo.Context, out incoming.Outcome) error {
	separate := len(out.Parts) > 1
	switch out.State {
	case incoming.Applied:
		receipt, one, err := s.receipt(c.Request().Context(), out)
		if err != nil {
			return err
		}
		if one && slices.Contains(readers, access.From(c).Role) {
			return reply(c, http.StatusOK, receipt)
		}
		return reply(c, http.StatusOK, takenOf(out))
	case incoming.Refused:
		if !separate {
			return RefusedMessage(out.Issues)
		}
		return reply(c, http.StatusOK, takenOf(out))
	default:
		c.Response().Header().Set(echo.HeaderRetryAfter, "60")
		return reply(c, http.StatusAccepted, takenOf(out))
	}
}

// receipt is that of the one command that a message became, if it is one.
func (s *server) receipt(ctx context.Context, out incoming.Outcome) (dispatch.Receipt, bool, error) {
	r := dispatch.Receipt{Repeated: out.Repeated}
	for _, p := range out.Parts {
		if r.Candidate != "" && r.Candidate != p.Candidate {
			return r, false, nil
		}
		r.Candidate, r.Seq = p.Candidate, max(r.Seq, p.Seq)
	}
	known, err := s.Store.Resumable(ctx, r.Candidate)
	r.Stage = known.State.Stage
	return r, err == nil, err
}

// takenOf tells a sender what it may know: of what is held only that it is.
func takenOf(out incoming.Outcome) taken {
	t := taken{Message: out.ID, State: out.State, Repeated: out.Repeated}
	if len(out.Parts) < 2 {
		return t
	}
	for _, p := range out.Parts {
		part := takenPart{Place: shown(p.Place), State: p.State}
		if p.State == incoming.Refused {
			part.Errors = fieldErrors(p.Issues)
		}
		t.Parts = append(t.Parts, part)
	}
	return t
}

func fieldErrors(issues []reading.Issue) []FieldError {
	var list []FieldError
	for _, i := range issues {
		list = append(list, FieldError{Field: shown(i.Location), Detail: i.Problem, Accepted: i.Accepted})
	}
	return list
}

// conflicting are the issues of a message that a rule of the record stands
// against.
var conflicting = []reading.Kind{reading.StatusConflict, reading.OtherOwner, reading.ControlReused, reading.VersionConflict, reading.RuleRefused}

// RefusedMessage is the error of a message that was not taken.
func RefusedMessage(issues []reading.Issue) error {
	for _, i := range issues {
		if slices.Contains(conflicting, i.Kind) {
			return &journey.Refusal{Code: journey.Conflict, Field: i.Location, Message: i.Location + ": " + i.Problem, Accepted: i.Accepted}
		}
	}
	return intake.Invalid(issues)
}
