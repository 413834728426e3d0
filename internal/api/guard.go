package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"

	"github.com/labstack/echo/v4"

	"candidacy/internal/audit"
	"candidacy/internal/dispatch"
)

const (
	problemType = "application/problem+json"
	// candidateKey and requestKey are where the guard finds, for the log, what
	// a request was about.
	candidateKey = "candidacy.candidate"
	requestKey   = "candidacy.request"
)

var errPanic = errors.New("a handler panicked")

// guard wraps every handler: it gives the request an id, keeps answers out of
// caches, and turns errors and panics into problems.
func (s *server) guard(handle echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) (err error) {
		h := c.Response().Header()
		h.Set(echo.HeaderCacheControl, "no-store")
		h.Set(echo.HeaderXContentTypeOptions, "nosniff")
		c.Set(requestKey, RequestID(c))
		defer func() {
			if fault := Panicked(recover()); fault != nil {
				err = s.fail(c, fault)
			}
		}()
		if err := handle(c); err != nil {
			return s.fail(c, err)
		}
		return nil
	}
}

// Panicked makes an error of what was recovered, nil when that is nothing. What
// was panicked with may hold anything, so only its type is kept. It passes on
// net/http's own way to drop a connection.
func Panicked(recovered any) error {
	if recovered == nil {
		return nil
	}
	if recovered == http.ErrAbortHandler { //nolint:errorlint // the recovered value itself
		panic(recovered)
	}
	return fmt.Errorf("panic of type %T: %w", recovered, errPanic)
}

// LogFailure logs that a request failed, without any text that could hold a
// value or a name.
func LogFailure(ctx context.Context, log *slog.Logger, request, candidate string, err error) {
	words, cause := describe(err)
	log.ErrorContext(ctx, "a request failed", "request", request, "candidate", candidate, "doing", words, "cause", cause)
}

// RequestID takes over the id that a middleware in front of us gave, when it is
// a UUID: anything else may be a value that went astray.
func RequestID(c echo.Context) string { return audit.RequestID(c) }

// fail answers an error. What is not meant for the client is logged, without
// any text that could hold a value or a name.
func (s *server) fail(c echo.Context, err error) error {
	var pending *dispatch.Pending
	if errors.As(err, &pending) {
		c.Response().Header().Set(echo.HeaderRetryAfter, "1")
		return reply(c, http.StatusAccepted, map[string]string{"candidate": pending.Candidate, "status": "pending"})
	}
	status, p := Problem(err)
	id, _ := c.Get(requestKey).(string)
	if status >= http.StatusInternalServerError {
		candidate, _ := c.Get(candidateKey).(string)
		LogFailure(c.Request().Context(), s.Log, id, candidate, err)
	}
	if c.Response().Committed {
		return nil
	}
	p.Instance = "urn:uuid:" + id
	body, err := json.Marshal(p)
	if err != nil {
		return err
	}
	return c.Blob(status, problemType, body)
}

// describe splits an error into our own fixed words and the type of what caused
// it. The cause's text is dropped: a driver or a decoder may quote a value.
func describe(err error) (words, cause string) {
	text, leaf := err.Error(), err
	for {
		next := errors.Unwrap(leaf)
		if joined, ok := leaf.(interface{ Unwrap() []error }); ok && len(joined.Unwrap()) > 0 {
			next = joined.Unwrap()[0]
			text = leadingText(text, leaf.Error(), next.Error())
		}
		if next == nil {
			break
		}
		leaf = next
	}
	switch {
	case errors.Is(err, context.Canceled):
		cause = "the client went away"
	case errors.Is(err, context.DeadlineExceeded):
		cause = "out of time"
	default:
		cause = fmt.Sprintf("%T", leaf)
	}
	if end := len(text) - len(leaf.Error()); end > 0 && text[end:] == leaf.Error() {
		return text[:end], cause
	}
	return "", cause
}

// leadingText cuts what a join adds after its first error.
func leadingText(text, joined, first string) string {
	if end := len(text) - len(joined); end >= 0 && text[end:] == joined {
		return text[:end] + first
	}
	return text
}

// reply sends a value as JSON.
func reply(c echo.Context, status int, value any) error {
	body, err := json.Marshal(value)
	if err != nil {
		return fmt.Errorf("encode the answer: %w", err)
	}
	return c.Blob(status, echo.MIMEApplicationJSON, body)
}
