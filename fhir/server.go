package fhir

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/audit"
	"candidacy/internal/record"
)

// Reader is what the server needs of the record store.
type Reader interface {
	Resource(ctx context.Context, typ, id string) (record.Published, error)
	ResourceVersion(ctx context.Context, typ, id string, version int64) (record.Published, error)
	Search(ctx context.Context, q record.Query) ([]record.Published, error)
	Count(ctx context.Context, q record.Query) (int, error)
}

var _ Reader = (*record.Store)(nil)

// Options are what the server can't know by itself.
type Options struct {
	// BaseURL returns the absolute URL of the FHIR endpoint, without a slash at
	// its end, as the client sees it. The default is /fhir on the host that the
	// request names; give a function wherever that header can't be trusted.
	BaseURL func(*http.Request) string
	// Now is the clock of approximate date search. The default is time.Now.
	Now func() time.Time
	// Report is told of internal errors, whose text no client sees, and of the
	// types of panics.
	Report func(*http.Request, error)
	// Grant returns what the client of a request may do; nil grants everything.
	Grant func(*http.Request) Grant
	// Version is the version of the software in the CapabilityStatement.
	Version string
}

type server struct {
	store Reader
	opts  Options
}

// Register mounts the read side of the FHIR REST interface on the group. Add
// the group's middleware, authentication above all, before calling it.
func Register(g *echo.Group, store Reader, opts Options) {
	if opts.BaseURL == nil {
		opts.BaseURL = defaultBase
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	s := &server{store: store, opts: opts}
	for _, r := range routes() {
		handle := s.guard(func(c echo.Context) error {
			if typ := c.Param("type"); typ != "" && !r.serves(typ) {
				return unserved(strings.TrimPrefix(strings.TrimPrefix(c.Request().URL.Path, strings.TrimSuffix(c.Path(), r.path)), "/"))
			}
			return r.handler(s, c)
		})
		for _, method := range r.methods() {
			g.Add(method, r.path, handle)
		}
	}
	g.RouteNotFound("", s.guard(func(echo.Context) error { return notFound() }))
	g.RouteNotFound("/*", s.guard(func(c echo.Context) error { return unserved(c.Param("*")) }))
}

func defaultBase(r *http.Request) string {
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	return scheme + "://" + r.Host + "/fhir"
}

// guard turns errors and panics into an OperationOutcome. Only failures made
// for the client carry their own text.
func (s *server) guard(handle echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) (err error) {
		defer func() {
			p := recover()
			if p == nil {
				return
			}
			if p == http.ErrAbortHandler { //nolint:errorlint // the recovered value itself: net/http's own way to drop a connection
				panic(p)
			}
			// What was panicked with may hold patient data; its type does not.
			err = s.fail(c, fmt.Errorf("panic of type %T", p))
		}()
		if err := handle(c); err != nil {
			return s.fail(c, err)
		}
		return nil
	}
}

func (s *server) fail(c echo.Context, err error) error {
	var f *failure
	if !errors.As(err, &f) {
		if s.opts.Report != nil {
			s.opts.Report(c.Request(), err)
		}
		f = &failure{status: http.StatusInternalServerError, code: "exception", diagnostics: "the server failed to answer"}
	}
	if c.Response().Committed {
		return nil
	}
	return writeFailure(c, f)
}

// unserved says whether the path, relative to the endpoint, can be asked for
// in another way or not at all.
func unserved(path string) *failure {
	var allow []string
	for _, r := range routes() {
		if r.matches(path) {
			allow = append(allow, r.methods()...)
		}
	}
	if allow == nil {
		return notFound()
	}
	return &failure{
		status: http.StatusMethodNotAllowed, code: "not-supported", allow: strings.Join(allow, ", "),
		diagnostics: "this method is not supported here",
	}
}

func readRoutes() []route {
	return []route{
		{method: http.MethodGet, path: "/metadata", handler: (*server).capabilities},
		{method: http.MethodGet, path: "/:type/:id", code: interaction(r4.TypeRestfulInteractionRead), handler: (*server).readCurrent},
		{method: http.MethodGet, path: "/:type/:id/_history/:vid", code: interaction(r4.TypeRestfulInteractionVread), handler: (*server).readVersion},
	}
}

func (s *server) readCurrent(c echo.Context) error {
	typ, id := c.Param("type"), c.Param("id")
	if !validID(id) {
		return unserved(typ + "/" + id)
	}
	if err := acceptable(c.Request(), c.QueryParam("_format")); err != nil {
		return err
	}
	p, err := s.store.Resource(c.Request().Context(), typ, id)
	return s.send(c, p, err)
}

func (s *server) readVersion(c echo.Context) error {
	typ, id, vid := c.Param("type"), c.Param("id"), c.Param("vid")
	if err := acceptable(c.Request(), c.QueryParam("_format")); err != nil {
		return err
	}
	version, err := strconv.ParseInt(vid, 10, 64)
	if err != nil || !validID(id) || strconv.FormatInt(version, 10) != vid {
		return notFound()
	}
	p, err := s.store.ResourceVersion(c.Request().Context(), typ, id, version)
	return s.send(c, p, err)
}

// send answers a read, or says that the client's copy is still current.
func (s *server) send(c echo.Context, p record.Published, err error) error {
	if errors.Is(err, record.ErrNotFound) {
		return notFound()
	}
	if err != nil {
		return err
	}
	audit.About(c.Request().Context(), p.Candidate)
	tag := `W/"` + strconv.FormatInt(p.Version, 10) + `"`
	h := c.Response().Header()
	h.Set("ETag", tag)
	h.Set(echo.HeaderLastModified, p.UpdatedAt.UTC().Format(http.TimeFormat))
	if unchanged(c.Request().Header, tag, p.UpdatedAt) {
		setCaching(h)
		return c.NoContent(http.StatusNotModified)
	}
	return write(c, http.StatusOK, p.Body)
}

// unchanged follows RFC 9110: If-None-Match, when present, decides alone.
func unchanged(h http.Header, tag string, updated time.Time) bool {
	if list := h.Values("If-None-Match"); len(list) > 0 {
		for _, candidate := range strings.Split(strings.Join(list, ","), ",") {
			candidate = strings.TrimSpace(candidate)
			if candidate == "*" || strings.TrimPrefix(candidate, "W/") == strings.TrimPrefix(tag, "W/") {
				return true
			}
		}
		return false
	}
	since, err := http.ParseTime(h.Get(echo.HeaderIfModifiedSince))
	// Last-Modified is in whole seconds, so that is what the client has.
	return err == nil && !updated.Truncate(time.Second).After(since)
}
