package api

import (
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// ProblemDocument is the body of every error, as in RFC 9457.
type ProblemDocument struct {
	// Type is stable: clients may tell problems apart by it.
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
	// Instance is the id of the request. It never holds the path, which names
	// a candidate.
	Instance string `json:"instance,omitempty"`
	// Errors lists each field that is missing or wrong.
	Errors []FieldError `json:"errors,omitempty"`
	// Allowed lists the commands that the role may give now. It is there, and
	// may be empty, when the stage does not allow a command.
	Allowed []journey.Kind `json:"allowed,omitzero"`
	// Reasons lists each rule of the process that is not satisfied.
	Reasons []journey.Reason `json:"reasons,omitempty"`
}

// FieldError is one field that is missing or wrong.
type FieldError struct {
	Field  string `json:"field"`
	Detail string `json:"detail"`
	// Accepted says what the field takes.
	Accepted []string `json:"accepted,omitempty"`
}

// kind is the fixed part of a problem.
type kind struct {
	status      int
	name, title string
}

var (
	malformed   = kind{http.StatusBadRequest, "malformed", "The request could not be read"}
	invalid     = kind{http.StatusUnprocessableEntity, "invalid", "Something is missing or wrong"}
	forbidden   = kind{http.StatusForbidden, "forbidden", "Not allowed for this role"}
	wrongStage  = kind{http.StatusConflict, "stage-not-allowed", "Not allowed in this stage"}
	blocked     = kind{http.StatusConflict, "blocked", "A rule of the process is not satisfied"}
	conflict    = kind{http.StatusConflict, "conflict", "In conflict with what is on record"}
	notFound    = kind{http.StatusNotFound, "not-found", "Not found"}
	underWay    = kind{http.StatusAccepted, "pending", "Still being carried out"}
	internal    = kind{http.StatusInternalServerError, "internal", "The server failed to answer"}
	ofTransport = []kind{
		malformed, invalid, forbidden, notFound, internal,
		{http.StatusUnauthorized, "unauthorized", "Not signed in"},
		{http.StatusMethodNotAllowed, "method-not-allowed", "Method not accepted"},
		{http.StatusRequestEntityTooLarge, "too-large", "The body is too large"},
		{http.StatusUnsupportedMediaType, "unsupported-media-type", "The form of the body is not accepted"},
	}
	ofRefusal = map[journey.RefusalCode]kind{
		journey.Invalid: invalid, journey.Forbidden: forbidden, journey.NotAllowed: wrongStage,
		journey.Blocked: blocked, journey.Conflict: conflict, journey.NotFound: notFound,
	}
)

func (k kind) problem(detail string) ProblemDocument {
	return ProblemDocument{Type: "/problems/" + k.name, Title: k.title, Status: k.status, Detail: detail}
}

// failure is an error of HTTP itself.
type failure struct {
	status int
	detail string
	errors []FieldError
}

// Error says what is wrong in fixed words.
func (f *failure) Error() string { return f.detail }

// Problem says how an error is told to whoever caused it, here and on pages.
// An error that is not meant for them becomes a problem without any detail of
// it; logging that error is left to the caller.
func Problem(err error) (int, ProblemDocument) {
	p := problemOf(err)
	return p.Status, p
}

func problemOf(err error) ProblemDocument {
	var (
		faulty  *command.Invalid
		refusal *journey.Refusal
		pending *dispatch.Pending
		ours    *failure
		echoed  *echo.HTTPError
	)
	switch {
	case errors.As(err, &faulty):
		return ofFaults(faulty)
	case errors.As(err, &refusal):
		return refused(refusal)
	case errors.As(err, &pending):
		return underWay.problem(pending.Error())
	case errors.As(err, &ours):
		p := ofStatus(ours.status).problem(ours.detail)
		p.Errors = ours.errors
		return p
	case errors.As(err, &echoed):
		k := ofStatus(echoed.Code)
		return k.problem(k.title)
	case errors.Is(err, record.ErrNotFound):
		return notFound.problem("there is no such thing on record")
	default:
		return internal.problem("nothing that you sent is known to be wrong; tell the operator the request id")
	}
}

func ofStatus(status int) kind {
	for _, k := range ofTransport {
		if k.status == status {
			return k
		}
	}
	return internal
}

func ofFaults(faulty *command.Invalid) ProblemDocument {
	k := invalid
	if faulty.Malformed {
		k = malformed
	}
	var list []FieldError
	for _, fault := range faulty.Faults {
		list = append(list, FieldError{Field: shown(fault.Field), Detail: fault.Problem, Accepted: fault.Accepted})
	}
	detail := fmt.Sprintf("%d fields are missing or wrong", len(list))
	if len(list) == 1 {
		detail = list[0].Field + ": " + list[0].Detail
	}
	p := k.problem(detail)
	p.Errors = list
	return p
}

func refused(r *journey.Refusal) ProblemDocument {
	k, ok := ofRefusal[r.Code]
	if !ok {
		k = conflict
	}
	p := k.problem(r.Message)
	p.Reasons = r.Reasons
	if r.Code == journey.NotAllowed {
		p.Allowed = append([]journey.Kind{}, r.Allowed...)
	}
	if r.Field != "" {
		p.Errors = []FieldError{{
			Field: shown(r.Field), Detail: strings.TrimPrefix(r.Message, r.Field+": "), Accepted: r.Accepted,
		}}
	}
	return p
}

var fieldShape = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_.\[\]-]{0,99}$`)

// shown is a field's name as an answer may repeat it. What doesn't look like a
// name may be a value that went astray, and isn't repeated.
func shown(field string) string {
	if fieldShape.MatchString(field) {
		return field
	}
	return "(unnamed)"
}
