package api

import (
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/access"
	"candidacy/internal/audit"
	"candidacy/internal/record"
)

// quiet are the routes that tell of nobody: only they are kept out of the access
// log, so that a new one is logged. Those of clients record their changes by
// themselves.
var quiet = []string{"/openapi.yaml", "/protocol.schema.json", "/whoami", "/protocol", "/protocols", "/accounts"}

// logged wraps a route in the access log.
func (s *server) logged(r route, handle echo.HandlerFunc) echo.HandlerFunc {
	if slices.Contains(quiet, r.path) || strings.HasPrefix(r.path, "/clients") {
		return handle
	}
	interaction := record.AccessList
	switch {
	case r.method != http.MethodGet:
		interaction = record.AccessCommand
	case strings.Contains(r.path, "/:id"):
		interaction = record.AccessView
	}
	return audit.Requests(audit.Options{
		Log: s.Store, Unlogged: unlogged, ContentType: problemType,
		Who: func(c echo.Context) audit.Who {
			bearer := access.Asked(c)
			return audit.Who{Actor: bearer.Actor, Role: bearer.Role, Token: bearer.Token}
		},
		What: func(c echo.Context) (code, typ, id string, skip bool) {
			if strings.HasPrefix(r.path, "/candidates/:id") {
				typ, id = "Patient", c.Param("id")
			}
			return interaction, typ, id, false
		},
		Report: func(r *http.Request, err error) { LogFailure(r.Context(), s.Log, "", "", err) },
	})(handle)
}

// unlogged refuses what could not be put on record.
var unlogged = []byte(`{"type":"/problems/unavailable","title":"Not available now","status":503,` +
	`"detail":"it could not be recorded who asked, so nothing is answered; try again"}`)
