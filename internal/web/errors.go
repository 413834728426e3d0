package web

import (
	"errors"
	"net/http"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"candidacy/internal/api"
)

// failure is an error that a person may read in full.
type failure struct {
	Status  int
	Title   string
	Message string
}

// Error implements error.
func (f *failure) Error() string { return http.StatusText(f.Status) + ": " + f.Message }

// errNotFound hides whether a page does not exist or is not for the reader.
var errNotFound = &failure{Status: http.StatusNotFound}

// errorPage is the model of an error page.
type errorPage struct {
	Status  int
	Message string
	Request string
}

// fail answers with an error page. What went wrong inside stays in the log,
// under the id that the page shows.
func (s *server) fail(c echo.Context, err error) error {
	id := c.Response().Header().Get(echo.HeaderXRequestID)
	var known *failure
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &known):
	case errors.As(err, &tooLarge):
		known = &failure{Status: http.StatusRequestEntityTooLarge, Message: "The form is too large."}
	default:
		api.LogFailure(c.Request().Context(), s.Log, id, candidateOf(c), err)
		known = &failure{Status: http.StatusInternalServerError}
	}
	title, message := known.Title, known.Message
	switch known.Status {
	case http.StatusNotFound:
		title = or(title, "Page not found")
		message = or(message, "There is no such page, or it is not open to you.")
	case http.StatusForbidden:
		title = or(title, "Not allowed")
	case http.StatusUnprocessableEntity, http.StatusBadRequest:
		title = or(title, "What was entered can't be used")
	case http.StatusRequestEntityTooLarge:
		title = or(title, "Too large")
	case http.StatusConflict:
		title = or(title, "Changed meanwhile")
	case http.StatusTooManyRequests:
		title = or(title, "Too many attempts")
	case http.StatusMethodNotAllowed:
		title = or(title, "Not possible here")
		message = or(message, "This address does not take this kind of request.")
	case http.StatusInternalServerError:
		title = or(title, "Something went wrong")
		message = or(message, "Nothing was lost that was confirmed to you. Try again; if it happens again, report the number below.")
	default:
		title = or(title, http.StatusText(known.Status))
	}
	if c.Response().Committed {
		return nil
	}
	return s.render(c, known.Status, "error", page{
		Title: title, Body: errorPage{Status: known.Status, Message: message, Request: id},
	})
}

// candidateOf is the candidate that a request names, for the log. Anything but an
// id may be a value that went astray.
func candidateOf(c echo.Context) string {
	if id, err := uuid.Parse(c.Param("id")); err == nil {
		return id.String()
	}
	return ""
}

func or(text, otherwise string) string {
	if text != "" {
		return text
	}
	return otherwise
}
