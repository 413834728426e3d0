package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync/atomic"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/fhir"
	"candidacy/internal/access"
	"candidacy/internal/api"
	"candidacy/internal/bulk"
	"candidacy/internal/journey"
	"candidacy/internal/smart"
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

// readers are the roles that may use the FHIR endpoint: systems, laboratories,
// which are granted to bring results alone, and auditors, who are granted the
// audit trail. People read through the API and the pages, which know who may see
// whom.
var readers = []journey.Role{journey.EHR, journey.Laboratory, journey.Auditor}

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
func routes(sys *system.System, s site, log *slog.Logger, signIns []web.SignIn, exports *bulk.Runner) (http.Handler, error) {
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	var err error
	if e.IPExtractor, err = addresses(s.trustedProxy); err != nil {
		return nil, err
	}
	base, err := publicBase(s.publicURL)
	if err != nil {
		return nil, err
	}
	provider, err := s.signIn.provider(s.publicURL)
	if err != nil {
		return nil, err
	}
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
		Store: sys.Store, Dispatcher: sys.Dispatcher, Incoming: sys.Incoming, Protocols: sys.Protocols, Current: sys.Current, Now: time.Now, Log: log,
	})
	auth := smart.New(smart.Options{
		Store: sys.Store, Now: time.Now, Root: publicRoot(s.publicURL),
		Report: func(err error) { log.Error("token", "error", err) },
	})
	registerSMART(e, auth, sys.Store, log)
	bearer := access.Bearer(sys.Store, readers, time.Now, fhir.WriteOutcome)
	inFront := append(fhir.Middleware(), logFHIR(sys.Store, log), unless("/fhir/metadata", bearer), onlyAuditTrail)
	fhir.Register(e.Group("/fhir", inFront...), sys.Store, fhir.Options{
		Now: time.Now, BaseURL: base,
		Report:    func(_ *http.Request, err error) { log.Error("fhir", "error", err) },
		Grant:     func(r *http.Request) fhir.Grant { return smart.GrantOf(access.Of(r)) },
		AccessLog: sys.Store, Security: securityOf(s.publicURL),
		Intake: sys.Incoming, Sender: func(r *http.Request) string { return access.Of(r).Actor }, Exports: exports,
		Subscriptions: &fhir.Subscriptions{Store: sys.Store, Hosts: s.hosts},
	})
	if err := web.Register(e, web.Deps{
		Store: sys.Store, Dispatcher: sys.Dispatcher, Incoming: sys.Incoming, Protocols: sys.Protocols, Current: sys.Current,
		Now: time.Now, Log: log, Demo: signIns != nil, Secure: s.secure || strings.HasPrefix(s.publicURL, "https:"), SignIns: signIns,
		Sealer: sys.Keys, Provider: provider, RequireSecondFactor: s.signIn.requireFactor, Background: s.background,
	}); err != nil {
		return nil, err
	}
	return e, nil
}

// addresses says where a request comes from. A forwarded address can be made
// up by anybody, so it counts only when a proxy that is named passes it on.
func addresses(proxy string) (echo.IPExtractor, error) {
	if proxy == "" {
		return echo.ExtractIPDirect(), nil
	}
	_, trusted, err := net.ParseCIDR(proxy)
	if err != nil {
		return nil, fmt.Errorf("--trusted-proxy: %w", err)
	}
	return echo.ExtractIPFromXFFHeader(
		echo.TrustLoopback(false), echo.TrustLinkLocal(false), echo.TrustPrivateNet(false), echo.TrustIPRange(trusted),
	), nil
}

// publicBase is the address of the FHIR endpoint as clients see it. Without one
// it is taken from the request, which is right only without a proxy.
func publicBase(public string) (func(*http.Request) string, error) {
	if public == "" {
		return nil, nil
	}
	u, err := url.Parse(public)
	if err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https") || u.RawQuery != "" {
		return nil, errors.New("--public-url: an address such as https://candidacy.example is needed")
	}
	base := strings.TrimRight(public, "/") + "/fhir"
	return func(*http.Request) string { return base }, nil
}
