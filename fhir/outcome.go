package fhir

import (
	"errors"
	"net/http"
	"regexp"

	"github.com/labstack/echo/v4"

	"candidacy/internal/record"
)

// contentType is the media type of every body that is sent.
const contentType = "application/fhir+json; charset=utf-8"

type outcome struct {
	ResourceType string         `json:"resourceType"`
	Issue        []outcomeIssue `json:"issue"`
}

type outcomeIssue struct {
	Severity    string   `json:"severity"`
	Code        string   `json:"code"`
	Diagnostics string   `json:"diagnostics,omitempty"`
	Expression  []string `json:"expression,omitempty"`
}

// WriteOutcome answers with an OperationOutcome of one error. Code is a code of
// the FHIR issue-type value set, such as login or forbidden. Diagnostics must
// hold no patient data and nothing internal.
func WriteOutcome(c echo.Context, status int, code, diagnostics string) error {
	return writeFailure(c, &failure{status: status, code: code, diagnostics: diagnostics})
}

// failure is a request that can't be answered with what was asked for.
type failure struct {
	status      int
	code        string
	diagnostics string
	// param is the parameter at fault, expression the element.
	param, expression string
	allow             string
	// issues replace the one issue that the rest describes.
	issues []outcomeIssue
}

func (f *failure) Error() string { return f.diagnostics }

func writeFailure(c echo.Context, f *failure) error {
	issue := outcomeIssue{Severity: "error", Code: f.code, Diagnostics: f.diagnostics}
	switch {
	case f.param != "":
		issue.Expression = []string{"http." + f.param}
		issue.Diagnostics = "search parameter " + f.param + ": " + f.diagnostics
	case f.expression != "":
		issue.Expression = []string{f.expression}
	}
	issues := f.issues
	if len(issues) == 0 {
		issues = []outcomeIssue{issue}
	}
	body, err := encode(outcome{ResourceType: "OperationOutcome", Issue: issues})
	if err != nil {
		return err
	}
	if f.allow != "" {
		c.Response().Header().Set(echo.HeaderAllow, f.allow)
	}
	return write(c, f.status, body)
}

func write(c echo.Context, status int, body []byte) error {
	h := c.Response().Header()
	h.Set(echo.HeaderContentType, contentType)
	h.Set(echo.HeaderXContentTypeOptions, "nosniff")
	setCaching(h)
	c.Response().WriteHeader(status)
	_, err := c.Response().Write(body)
	return err
}

// setCaching keeps answers, which may name people, out of shared caches. A
// client may keep its own copy, but asks each time whether it still holds.
func setCaching(h http.Header) {
	h.Set(echo.HeaderCacheControl, "private, no-cache")
	h.Add(echo.HeaderVary, "Authorization, Accept")
}

func notFound() *failure {
	return &failure{status: http.StatusNotFound, code: "not-found", diagnostics: "there is no such resource"}
}

func badParameter(name, code, diagnostics string) *failure {
	return &failure{status: http.StatusBadRequest, code: code, diagnostics: diagnostics, param: shown(name)}
}

// gone answers for what there was and is not any more.
func gone() *failure {
	return &failure{status: http.StatusGone, code: "deleted", diagnostics: "it was deleted, or is not served any more"}
}

// missing is the answer for what the store doesn't have.
func missing(err error) error {
	switch {
	case errors.Is(err, record.ErrNotFound):
		return notFound()
	case errors.Is(err, record.ErrDeleted):
		return gone()
	default:
		return err
	}
}

func forbidden(typ string) *failure {
	return &failure{status: http.StatusForbidden, code: "forbidden", diagnostics: "the token's scopes do not allow this for " + typ}
}

var elementShape = regexp.MustCompile(`^[a-z][A-Za-z0-9]{0,63}$`)

var nameShape = regexp.MustCompile(`^_?[A-Za-z][A-Za-z-]{0,40}([:.][A-Za-z_][A-Za-z_-]{0,40}){0,6}$`)

// shown is a parameter's name as an answer may repeat it. What doesn't look like
// a name may be a value that went astray, and isn't repeated.
func shown(name string) string {
	if nameShape.MatchString(name) {
		return name
	}
	return "(unnamed)"
}
