package fhir

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/audit"
	"candidacy/internal/bulk"
	"candidacy/internal/record"
)

// Reader is what the server needs of the record store.
type Reader interface {
	Resource(ctx context.Context, typ, id string) (record.Published, error)
	ResourceVersion(ctx context.Context, typ, id string, version int64) (record.Published, error)
	Search(ctx context.Context, q record.Query) ([]record.Published, error)
	Count(ctx context.Context, q record.Query) (int, error)
	CountCheaply(ctx context.Context, q record.Query) (int, bool, error)
	Order(ctx context.Context, q record.Query, keys []record.Sort, limit int) ([]string, error)
	KeepOrder(ctx context.Context, first []string, until time.Time) (string, error)
	CompleteOrder(ctx context.Context, name string, rest []string) error
	FirstOfOrder(ctx context.Context, name string) ([]string, error)
	OrderedPage(ctx context.Context, name string, offset, count int) (ids []string, total int, err error)
	References(ctx context.Context, typ, param string, ids []string) ([]record.Key, error)
	SearchAll(ctx context.Context, candidate string, queries []record.Query, after record.Key, limit int) ([]record.Published, error)
	CountAll(ctx context.Context, candidate string, queries []record.Query) (int, error)
	History(ctx context.Context, q record.HistoryQuery) ([]record.Version, error)
	CountHistory(ctx context.Context, q record.HistoryQuery, most int) (int, error)
	Members
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
	// Security is what the CapabilityStatement says of how clients show who they
	// are, for the base URL; nil says that bearer tokens are needed.
	Security func(base string) *r4.CapabilityStatementRestSecurity
	// AccessLog is what audit events are made from; nil serves none.
	AccessLog AccessReader
	// Intake takes in what clients write; nil takes nothing in. Sender says who
	// the client of a request is.
	Intake Intake
	Sender func(*http.Request) string
	// Exports carries out bulk exports; nil offers none.
	Exports *bulk.Runner
	// Subscriptions is what clients may subscribe with; nil offers nothing.
	Subscriptions *Subscriptions
	// Version is the version of the software in the CapabilityStatement.
	Version string
}

type server struct {
	store   Reader
	members Members
	opts    Options
	polls   polls
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
	s := &server{store: withGroups{Reader: store, members: store}, members: store, opts: opts}
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
	if opts.AccessLog != nil {
		s.registerAuditEvents(g)
	}
	if opts.Subscriptions != nil {
		s.registerSubscriptions(g)
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
	for _, r := range slices.Concat(routes(), subscriptionRoutes()) {
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
	return s.read(c, typ, id, func(ctx context.Context) (record.Published, error) { return s.store.Resource(ctx, typ, id) })
}

func (s *server) readVersion(c echo.Context) error {
	typ, id, vid := c.Param("type"), c.Param("id"), c.Param("vid")
	version, err := strconv.ParseInt(vid, 10, 64)
	if err != nil || !validID(id) || strconv.FormatInt(version, 10) != vid {
		return notFound()
	}
	return s.read(c, typ, id, func(ctx context.Context) (record.Published, error) {
		return s.store.ResourceVersion(ctx, typ, id, version)
	})
}

// read answers with one resource, if the client may read it.
func (s *server) read(c echo.Context, typ, id string, find func(context.Context) (record.Published, error)) error {
	r := c.Request()
	sh := shape{}
	if r.URL.RawQuery != "" {
		var err error
		if sh, err = s.shaped(r, typ); err != nil {
			return err
		}
	} else if err := acceptable(r, ""); err != nil {
		return err
	}
	within, err := s.parser(r).within(typ, MayRead)
	if err != nil {
		return err
	}
	found, err := find(r.Context())
	if err != nil {
		return missing(err)
	}
	if err := s.inside(r.Context(), within, typ, id); err != nil {
		return err
	}
	return s.send(c, found, sh)
}

// send answers with a resource, or says that the client's copy is still current.
func (s *server) send(c echo.Context, p record.Published, sh shape) error {
	audit.About(c.Request().Context(), p.Candidate)
	tag := etag(p.Version)
	h := c.Response().Header()
	h.Set("ETag", tag)
	h.Set(echo.HeaderLastModified, p.UpdatedAt.UTC().Format(http.TimeFormat))
	request := c.Request().Header
	if list := request.Values("If-Match"); len(list) > 0 && !names(list, tag) {
		return &failure{status: http.StatusPreconditionFailed, code: "conflict", diagnostics: "the resource has another version than If-Match names"}
	}
	if unchanged(request, tag, p.UpdatedAt) {
		setCaching(h)
		return c.NoContent(http.StatusNotModified)
	}
	body, err := sh.cut(p.Type, p.Body)
	if err != nil {
		return err
	}
	return write(c, http.StatusOK, sh.print(body))
}

// names reports whether a list of entity tags holds one.
func names(list []string, tag string) bool {
	for candidate := range strings.SplitSeq(strings.Join(list, ","), ",") {
		candidate = strings.TrimSpace(candidate)
		if candidate == "*" || strings.TrimPrefix(candidate, "W/") == strings.TrimPrefix(tag, "W/") {
			return true
		}
	}
	return false
}

// unchanged follows RFC 9110: If-None-Match, when present, decides alone.
func unchanged(h http.Header, tag string, updated time.Time) bool {
	if list := h.Values("If-None-Match"); len(list) > 0 {
		return names(list, tag)
	}
	since, err := http.ParseTime(h.Get(echo.HeaderIfModifiedSince))
	// Last-Modified is in whole seconds, so that is what the client has.
	return err == nil && !updated.Truncate(time.Second).After(since)
}
