// Package api is the JSON API: other systems and scripts read candidates and
// give commands through it. It holds no rule of the process and none of the
// protocol; it hands bodies to package dispatch, reads the projections, and
// decides only who may see what. Every error is a problem of RFC 9457, and
// openapi.yaml beside this file describes all of it.
package api

import (
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/access"
	"candidacy/internal/dispatch"
	"candidacy/internal/incoming"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// Deps are what the API stands on.
type Deps struct {
	Store      *record.Store
	Dispatcher *dispatch.Dispatcher
	// Incoming takes in messages of laboratories.
	Incoming  *incoming.Queue
	Protocols *protocol.Registry
	// Current is the protocol that new candidates are pinned to.
	Current *protocol.Protocol
	// Now is the clock.
	Now func() time.Time
	// Log receives faults of the system. Nil discards them.
	Log *slog.Logger
}

type server struct{ Deps }

// readers are the roles that may read candidates. The EHR reads FHIR, and an
// administrator looks after accounts, not people.
var readers = []journey.Role{
	journey.Coordinator, journey.Clinician, journey.Advocate, journey.CommitteeRole, journey.Auditor,
}

// administrators move candidates by their ids, and read nothing of them.
var administrators = []journey.Role{journey.Administrator}

type route struct {
	method, path string
	// roles may use the route; nil opens it to everybody.
	roles  []journey.Role
	handle func(*server, echo.Context) error
}

// routes is the whole API.
var routes = []route{
	{http.MethodGet, "/openapi.yaml", nil, (*server).document},
	{http.MethodGet, "/protocol.schema.json", nil, (*server).protocolSchema},
	{http.MethodGet, "/whoami", readers, (*server).whoami},
	{http.MethodGet, "/protocol", readers, (*server).protocol},
	{http.MethodGet, "/protocols", administrators, (*server).protocols},
	{http.MethodGet, "/protocol/move", administrators, (*server).movePreview},
	{http.MethodGet, "/clients", administrators, (*server).clients},
	{http.MethodPost, "/clients", administrators, (*server).registerClient},
	{http.MethodGet, "/clients/:id", administrators, (*server).client},
	{http.MethodPost, "/clients/:id/scopes", administrators, (*server).rescopeClient},
	{http.MethodPost, "/clients/:id/keys", administrators, (*server).rekeyClient},
	{http.MethodPost, "/clients/:id/disable", administrators, (*server).disableClient},
	{http.MethodPost, "/clients/:id/enable", administrators, (*server).enableClient},
	{http.MethodGet, "/accounts", []journey.Role{journey.Coordinator, journey.Administrator}, (*server).accounts},
	{http.MethodGet, "/candidates", readers, (*server).candidates},
	{http.MethodPost, "/candidates", givers(journey.Refer), (*server).refer},
	{http.MethodGet, "/candidates/:id", readers, (*server).candidate},
	{http.MethodGet, "/candidates/:id/follow-up", readers, (*server).followUpOf},
	{http.MethodGet, "/follow-up", readers, (*server).followUps},
	{http.MethodGet, "/measures", measured, (*server).measures},
	{http.MethodPost, "/candidates/:id/commands/:kind", slices.Concat(readers, administrators), (*server).command},
	{http.MethodPost, "/candidates/:id/results", people(givers(journey.RecordResults)), (*server).results},
	{http.MethodGet, "/meetings", careTeam, (*server).meetings},
	{http.MethodPost, "/meetings", planners, (*server).planMeeting},
	{http.MethodGet, "/meetings/:id", careTeam, (*server).meeting},
	{http.MethodPost, "/meetings/:id/changes", careTeam, (*server).changeMeeting},
	{http.MethodGet, "/reports", readers, (*server).reports},
	{http.MethodPost, "/intake", givers(journey.RecordResults), (*server).intake},
	{http.MethodGet, "/incoming", deciders, (*server).messages},
	{http.MethodGet, "/incoming/:id", deciders, (*server).message},
	{http.MethodPost, "/incoming/:id/decisions", deciders, (*server).decide},
	{http.MethodGet, "/candidates/:id/identifiers", deciders, (*server).identifiers},
	{http.MethodPost, "/candidates/:id/identifiers", deciders, (*server).addIdentifier},
}

// givers lists the roles that may ever give the command.
func givers(kind journey.Kind) []journey.Role {
	var roles []journey.Role
	for _, role := range journey.Roles {
		if journey.MayGive(role, kind) {
			roles = append(roles, role)
		}
	}
	return roles
}

// people are those of the roles who may read candidates.
func people(roles []journey.Role) []journey.Role {
	return slices.DeleteFunc(roles, func(r journey.Role) bool { return !slices.Contains(readers, r) })
}

// Register mounts the API on the group, with its own authentication.
func Register(g *echo.Group, d Deps) {
	if d.Log == nil {
		d.Log = slog.New(slog.DiscardHandler)
	}
	s := &server{d}
	tokens := access.Cache(d.Store, d.Now)
	methods := map[string][]string{}
	for _, r := range routes {
		handle := func(c echo.Context) error { return r.handle(s, c) }
		if r.roles != nil {
			handle = access.Bearer(tokens, r.roles, d.Now, refuse)(handle)
		}
		guarded := s.logged(r, s.guard(handle))
		add := func(method string) {
			g.Add(method, r.path, guarded)
			methods[r.path] = append(methods[r.path], method)
		}
		add(r.method)
		if r.method == http.MethodGet {
			add(http.MethodHead)
		}
	}
	for _, allowed := range methods {
		slices.Sort(allowed)
	}
	elsewhere := s.guard(func(c echo.Context) error { return unrouted(c, methods) })
	g.RouteNotFound("", elsewhere)
	g.RouteNotFound("/*", elsewhere)
}

// unrouted answers what no route takes: an address that does not exist, or a
// method that an address does not accept. The router by itself does not tell
// the two apart below a group.
func unrouted(c echo.Context, methods map[string][]string) error {
	for path, allowed := range methods {
		if matches(path, "/"+c.Param("*")) {
			list := strings.Join(allowed, ", ")
			c.Response().Header().Set(echo.HeaderAllow, list)
			return &failure{status: http.StatusMethodNotAllowed, detail: "this method is not accepted here; accepted: " + list}
		}
	}
	return &failure{status: http.StatusNotFound, detail: "there is nothing at this address"}
}

// matches reports whether an address is one of the route.
func matches(route, address string) bool {
	want, got := strings.Split(route, "/"), strings.Split(address, "/")
	return slices.EqualFunc(want, got, func(w, g string) bool {
		return w == g || (strings.HasPrefix(w, ":") && g != "")
	})
}

// refuse turns what package access refuses into the errors of this package.
func refuse(c echo.Context, status int, _, message string) error {
	if status >= http.StatusInternalServerError {
		return nil // the error that comes with it is answered and logged
	}
	return &failure{status: status, detail: message}
}
