package api

import (
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
)

const fhirJSON = "application/fhir+json"

// readBody reads the body of a request in one of the accepted media types, up
// to the bound of a command.
func readBody(c echo.Context, accepted ...string) ([]byte, error) {
	r := c.Request()
	raw, err := io.ReadAll(http.MaxBytesReader(c.Response().Writer, r.Body, command.MaxBytes))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		return nil, &failure{
			status: http.StatusRequestEntityTooLarge, detail: fmt.Sprintf("the body is larger than %d bytes", command.MaxBytes),
			errors: []FieldError{{Field: "body", Detail: "too large"}},
		}
	case err != nil:
		return nil, &command.Invalid{Malformed: true, Faults: []command.Fault{{Field: "body", Problem: "it ended too early"}}}
	}
	given := r.Header.Get(echo.HeaderContentType)
	// Many commands need no body, and no body needs no type.
	if len(raw) == 0 && given == "" {
		return raw, nil
	}
	if encoding := r.Header.Get(echo.HeaderContentEncoding); encoding != "" && !strings.EqualFold(encoding, "identity") {
		return nil, unsupported("Content-Encoding", "a compressed body is not accepted", "identity")
	}
	kind, params, err := mime.ParseMediaType(given)
	if err != nil || !slices.Contains(accepted, kind) {
		return nil, unsupported("Content-Type", "not accepted", accepted...)
	}
	if charset := params["charset"]; charset != "" && !strings.EqualFold(charset, "utf-8") {
		return nil, unsupported("Content-Type", "the charset is not accepted", "utf-8")
	}
	return raw, nil
}

func unsupported(header, detail string, accepted ...string) error {
	return &failure{
		status: http.StatusUnsupportedMediaType, detail: header + ": " + detail,
		errors: []FieldError{{Field: header, Detail: detail, Accepted: accepted}},
	}
}
