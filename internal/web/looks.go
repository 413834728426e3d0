package web

import (
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/api"
	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// untold are the pages that tell of nobody: only they are kept out of the access
// log, so that a new one is logged. Clients and accounts record their changes by
// themselves.
var untold = []string{pathSignIn, pathSignOut, pathAsset, pathClients, pathAccounts, pathAccount, pathFactor, pathPicture, pathCode, pathProvider, pathBack}

// signsIn are where signing in succeeds or fails, which is logged.
var signsIn = []string{http.MethodPost + " " + pathSignIn, http.MethodPost + " " + pathCode, http.MethodGet + " " + pathBack}

// tellsNothing reports whether a route is kept out of the access log.
func (r route) tellsNothing() bool {
	return slices.Contains(untold, r.path) && !r.signsIn()
}

func (r route) signsIn() bool { return slices.Contains(signsIn, r.method+" "+r.path) }

// unlogged is shown where it could not be put on record who asked.
const unlogged = `<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>Not available now</title></head>` +
	`<body><h1>Not available now</h1><p>It could not be recorded who asked, so nothing is shown. Try again in a moment.</p></body></html>`

// anOwner is who asks for their own page, before the operation or after it: they have no
// account.
const anOwner = string(journey.Self)

// ownPage reports whether a route is behind the link to an own page.
func (r route) ownPage() bool { return r.path == pathMy || strings.HasPrefix(r.path, pathMy+"/") }

// logged wraps a page in the access log.
func (s *server) logged(r route, handle echo.HandlerFunc) echo.HandlerFunc {
	if r.tellsNothing() {
		return handle
	}
	interaction := record.AccessList
	switch {
	case r.signsIn():
		interaction = record.AccessSignIn
	case r.path == pathMy, r.ownPage() && r.method == http.MethodGet:
		interaction = record.AccessView
	case r.method == http.MethodPost && r.path != pathBoard:
		interaction = record.AccessCommand
	case strings.Contains(r.path, "/:id"):
		interaction = record.AccessView
	}
	return audit.Requests(audit.Options{
		Log: s.Store, Unlogged: []byte(unlogged), ContentType: echo.MIMETextHTMLCharsetUTF8,
		Who: func(c echo.Context) audit.Who {
			account, ok := signedIn(c)
			if !ok && r.ownPage() {
				return audit.Who{Actor: anOwner}
			}
			return audit.Who{Actor: account.ID, Role: account.Role}
		},
		What: func(c echo.Context) (code, typ, id string, skip bool) {
			if strings.HasPrefix(r.path, pathCandidate) {
				typ, id = "Patient", c.Param("id")
			}
			return interaction, typ, id, false
		},
		Report: func(r *http.Request, err error) { api.LogFailure(r.Context(), s.Log, "", "", err) },
	})(handle)
}
