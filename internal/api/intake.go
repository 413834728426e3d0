package api

import (
	"errors"
	"net/http"
	"regexp"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/access"
	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/intake"
	"candidacy/internal/journey"
)

// intake answers POST /intake: one laboratory message is one command.
func (s *server) intake(c echo.Context) error {
	raw, err := readBody(c, fhirJSON, echo.MIMEApplicationJSON)
	if err != nil {
		return err
	}
	message, err := intake.ReadBundle(raw)
	if err != nil {
		return err
	}
	found, err := s.Store.CandidateByIdentifier(c.Request().Context(), message.Subject)
	candidate, err := s.shownTo(c, found, err)
	if err != nil {
		return err
	}
	receipt, err := s.submit(c, dispatch.Request{
		Candidate: candidate.ID, Kind: journey.RecordResults, Key: messageKey(c, raw),
		Body: &command.RecordResults{Results: message.Results},
	})
	if err != nil {
		return inBundle(err)
	}
	return reply(c, http.StatusOK, receipt)
}

// messageKey is the sender's key, or the message itself when there is none.
func messageKey(c echo.Context, raw []byte) string {
	if key := c.Request().Header.Get(keyHeader); key != "" {
		return key
	}
	return intake.Key(access.From(c).Actor, raw)
}

// inBundle names the fields of a refused message as the sender wrote them. Each
// result was read from the entry of the same number.
func inBundle(err error) error {
	var faulty *command.Invalid
	if errors.As(err, &faulty) {
		moved := &command.Invalid{Malformed: faulty.Malformed}
		for _, fault := range faulty.Faults {
			fault.Field = bundlePath(fault.Field)
			moved.Faults = append(moved.Faults, fault)
		}
		return moved
	}
	var refusal *journey.Refusal
	if errors.As(err, &refusal) && refusal.Field != "" {
		moved := *refusal
		moved.Field = bundlePath(refusal.Field)
		moved.Message = strings.Replace(refusal.Message, refusal.Field, moved.Field, 1)
		return &moved
	}
	return err
}

var resultPath = regexp.MustCompile(`^results\[(\d+)\]\.?`)

// elements are the names that our own differ from.
var elements = strings.NewReplacer(
	"value.quantity.unit", "valueQuantity.code", "value.quantity", "valueQuantity",
	"quantity.unit", "valueQuantity.code", "quantity", "valueQuantity",
	"coded", "valueCodeableConcept", "components", "component", "effective_end", "effectivePeriod.end",
)

func bundlePath(field string) string {
	at := resultPath.FindStringSubmatch(field)
	if at == nil {
		if field == "results" {
			return "Bundle.entry"
		}
		return field
	}
	path := "Bundle.entry[" + at[1] + "].resource"
	if rest := strings.TrimPrefix(field, at[0]); rest != "" {
		path += "." + elements.Replace(rest)
	}
	return path
}
