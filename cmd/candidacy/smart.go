package main

import (
	"errors"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/fhir"
	"candidacy/internal/access"
	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/smart"
)

// publicRoot is the address that clients use. Without --public-url it is taken from
// the request where that asks for this machine itself, and known nowhere else: an
// assertion is good for one address, and a client could name any.
func publicRoot(public string) func(*http.Request) (string, error) {
	if public != "" {
		root := strings.TrimRight(public, "/")
		return func(*http.Request) (string, error) { return root, nil }
	}
	return func(r *http.Request) (string, error) {
		if !ofThisMachine(r.Host) {
			return "", errors.New("tokens are issued once --public-url says under which address clients reach the program")
		}
		return "http://" + r.Host, nil
	}
}

// ofThisMachine reports whether a host with its port is on loopback.
func ofThisMachine(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	ip, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// securityOf says in the CapabilityStatement where tokens are asked for, unless
// none are issued because the public address is not known.
func securityOf(public string) func(base string) *r4.CapabilityStatementRestSecurity {
	return func(base string) *r4.CapabilityStatementRestSecurity {
		root := strings.TrimSuffix(base, "/fhir")
		if u, err := url.Parse(root); public == "" && (err != nil || !ofThisMachine(u.Host)) {
			return fhir.SMARTSecurity("")
		}
		return fhir.SMARTSecurity(root + smart.TokenPath)
	}
}

// registerSMART mounts the token endpoint and its description. The latter belongs
// below the FHIR base; some clients look at the root as well.
func registerSMART(e *echo.Echo, auth *smart.Server, store *record.Store, log *slog.Logger) {
	logged := audit.Requests(audit.Options{
		Log: store, Who: smart.Who, Unlogged: smart.Unlogged, ContentType: echo.MIMEApplicationJSON,
		What:   func(echo.Context) (code, typ, id string, skip bool) { return record.AccessToken, "", "", false },
		Report: func(_ *http.Request, err error) { log.Error("token", "error", err) },
	})
	e.POST(smart.TokenPath, auth.Token, logged)
	for _, method := range []string{http.MethodGet, http.MethodHead, http.MethodPut, http.MethodPatch, http.MethodDelete} {
		e.Add(method, smart.TokenPath, auth.WrongMethod)
	}
	for _, path := range []string{"/fhir" + smart.WellKnownPath, smart.WellKnownPath} {
		e.GET(path, auth.Configuration, fhir.Middleware()...)
		e.HEAD(path, auth.Configuration, fhir.Middleware()...)
	}
}

// unlogged is the answer of the FHIR endpoint where it can't be put on record who
// asked.
var unlogged = []byte(`{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"transient",` +
	`"diagnostics":"it could not be recorded who asked, so nothing is answered; try again"}]}`)

// logFHIR puts every request to the FHIR endpoint in the access log, save for the
// CapabilityStatement, which is open to everybody and tells of nobody.
func logFHIR(store *record.Store, log *slog.Logger) echo.MiddlewareFunc {
	return audit.Requests(audit.Options{
		Log: store, Unlogged: unlogged, ContentType: "application/fhir+json; charset=utf-8",
		Who: func(c echo.Context) audit.Who {
			bearer := access.Asked(c)
			return audit.Who{Actor: bearer.Actor, Role: bearer.Role, Token: bearer.Token}
		},
		What: func(c echo.Context) (code, typ, id string, skip bool) {
			path := strings.TrimPrefix(c.Request().URL.Path, "/fhir")
			if path == "/metadata" {
				return "", "", "", true
			}
			code, typ, id = fhir.Interaction(c.Request().Method, path)
			return code, typ, id, false
		},
		Report: func(_ *http.Request, err error) { log.Error("fhir", "error", err) },
	})
}

// onlyAuditTrail keeps auditors to the audit trail whatever a handler forgets.
func onlyAuditTrail(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		path := c.Request().URL.Path
		if access.From(c).Role == journey.Auditor && path != "/fhir/AuditEvent" && !strings.HasPrefix(path, "/fhir/AuditEvent/") {
			return fhir.WriteOutcome(c, http.StatusForbidden, "forbidden", "an auditor reads AuditEvent here, and nothing else")
		}
		return next(c)
	}
}
