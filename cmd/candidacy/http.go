package main

import (
	"context"
	"log/slog"
	"net/http"
	"sync/atomic"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/fhir"
	"candidacy/internal/access"
	"candidacy/internal/api"
	"candidacy/internal/journey"
	"candidacy/internal/system"
	"candidacy/internal/web"
)

// gate answers health questions at once and everything else once it is open.
type gate struct{ handler atomic.Pointer[http.Handler] }

func (g *gate) open(h http.Handler) { g.handler.Store(&h) }

// ServeHTTP implements http.Handler.
func (g *gate) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if h := g.handler.Load(); h != nil {
		(*h).ServeHTTP(w, r)
		return
	}
	if r.URL.Path == "/healthz" {
		plain(w, http.StatusOK, "ok\n")
		return
	}
	w.Header().Set("Retry-After", "2")
	plain(w, http.StatusServiceUnavailable, "Candidacy is starting. Try again in a moment.\n")
}

func plain(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(text)) // the client is gone when this fails
}

// readers are the roles that may read the FHIR endpoint.
var readers = []journey.Role{journey.EHR, journey.Coordinator, journey.Clinician, journey.Auditor}

// unless leaves one path open: a CapabilityStatement is read before anybody
// can know how to authenticate.
func unless(path string, middleware echo.MiddlewareFunc) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		guarded := middleware(next)
		return func(c echo.Context) error {
			if c.Request().URL.Path == path {
				return next(c)
			}
			return guarded(c)
		}
	}
}

// readyTimeout bounds how long readiness may take to find out.
const readyTimeout = 5 * time.Second

// routes puts every way in on one server.
func routes(sys *system.System, s site, log *slog.Logger, signIns []web.SignIn) (http.Handler, error) {
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	// The sign-in limit counts by address: a forwarded one can be made up.
	e.IPExtractor = echo.ExtractIPDirect()
	e.GET("/healthz", func(c echo.Context) error { return c.String(http.StatusOK, "ok\n") })
	e.GET("/readyz", func(c echo.Context) error {
		ctx, cancel := context.WithTimeout(c.Request().Context(), readyTimeout)
		defer cancel()
		if err := sys.Ready(ctx); err != nil {
			log.Error("not ready", "error", err)
			return c.String(http.StatusServiceUnavailable, "not ready\n")
		}
		return c.String(http.StatusOK, "ready\n")
	})
	api.Register(e.Group("/api"), api.Deps{
		Store: sys.Store, Dispatcher: sys.Dispatcher, Protocols: sys.Protocols, Current: sys.Current, Now: time.Now, Log: log,
	})
	bearer := access.Bearer(sys.Store, readers, time.Now, fhir.WriteOutcome)
	fhir.Register(e.Group("/fhir", unless("/fhir/metadata", bearer)), sys.Store, fhir.Options{
		Now:    time.Now,
		Report: func(_ *http.Request, err error) { log.Error("fhir", "error", err) },
	})
	if err := web.Register(e, web.Deps{
		Store: sys.Store, Dispatcher: sys.Dispatcher, Protocols: sys.Protocols, Current: sys.Current,
		Now: time.Now, Log: log, Demo: signIns != nil, Secure: s.secure, SignIns: signIns,
	}); err != nil {
		return nil, err
	}
	return e, nil
}
