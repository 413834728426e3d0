// Package web serves the pages of Candidacy: the board, the referral form and
// the page of one candidate, rendered on the server from the record store. It
// decides nothing about the process. Every change goes through the dispatcher,
// and what a person may see is decided in visibility.go and, with the
// API, by api.Reader.
//
// Every page works without JavaScript, with a keyboard, without a mouse and on paper.
// What a script adds comes from two files of our own site, so that the Content Security
// Policy needs no exception.
package web

import (
	"context"
	"log/slog"
	"net/http"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/api"
	"candidacy/internal/dispatch"
	"candidacy/internal/incoming"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// Deps are what the pages stand on.
type Deps struct {
	Store      *record.Store
	Dispatcher *dispatch.Dispatcher
	// Incoming holds the messages that wait for a person.
	Incoming  *incoming.Queue
	Protocols *protocol.Registry
	// Current is the protocol that new candidates are pinned to.
	Current *protocol.Protocol
	Now     func() time.Time
	Log     *slog.Logger
	// Demo shows on every page that the data are invented, and the sign-ins on
	// the sign-in page.
	Demo bool
	// Secure sets the Secure attribute of cookies.
	Secure  bool
	SignIns []SignIn
	// Sealer keeps the secrets of second factors and the notes of advocates. Without it
	// nobody sets one up, and no note is kept.
	Sealer Sealer
	// Provider is the identity provider that people may sign in with; nil for none.
	Provider Provider
	// RequireSecondFactor lets nobody go on who has none.
	RequireSecondFactor bool
	// Background runs what the pages do beside requests until the program ends. Without
	// it lists are made when they are first asked for.
	Background func(func(context.Context))
}

// SignIn is one demonstration account. It is shown only in Demo.
type SignIn struct {
	Username string
	Role     journey.Role
	Password string
}

// server holds what the handlers share.
type server struct {
	Deps
	echo    *echo.Echo
	pages   pages
	assets  assets
	limiter *limiter
	origin  *http.CrossOriginProtection
	index   boardIndex
	numbers peopleIndex
}

// route is one page with the roles it is open to. A route without roles is
// open to nobody but where public says so: access is denied by default.
type route struct {
	method string
	path   string
	roles  []journey.Role
	public bool
	// own pages stay open to whoever has to change the password first, or to set up a
	// second factor.
	own     bool
	handler echo.HandlerFunc
	// most bounds what may be sent, maxForm where it is 0.
	most int64
}

// everyone lists every role that a person or a token can hold.
var everyone = journey.Roles

// readers lists the roles that may look at candidates at all.
var readers = []journey.Role{
	journey.Coordinator, journey.Clinician, journey.Advocate, journey.CommitteeRole, journey.Auditor,
}

// writers lists the roles that give commands.
var writers = []journey.Role{journey.Coordinator, journey.Clinician, journey.Advocate, journey.CommitteeRole}

// checkers lists the roles that read the lines of a check back.
var checkers = []journey.Role{journey.Coordinator, journey.Clinician}

const (
	pathBoard     = "/"
	pathSignIn    = "/sign-in"
	pathSignOut   = "/sign-out"
	pathNew       = "/candidates/new"
	pathCandidate = "/candidates/:id"
	pathCommand   = "/candidates/:id/:kind"
	pathRecovery  = "/candidates/:id/recovery-plan"
	pathAsset     = "/assets/:name"
	pathProtocols = "/protocols"
	pathNotices   = "/notices"
	pathClients   = "/clients"
	pathCheck     = "/candidates/:id/checks/:check"
	pathReports   = "/reports"
	pathFollowUp  = "/follow-up"
	pathIncoming  = "/incoming"
	pathMessage   = "/incoming/:message"
	pathDocument  = "/incoming/:message/documents/:part/:document"
)

func (s *server) routes() []route {
	coordinator, administrator := []journey.Role{journey.Coordinator}, []journey.Role{journey.Administrator}
	return slices.Concat(s.committeeRoutes(), s.accountRoutes(), s.advocateRoutes(), s.visitRoutes(), []route{
		{method: http.MethodGet, path: pathSignIn, public: true, handler: s.signInPage},
		{method: http.MethodPost, path: pathSignIn, public: true, handler: s.signIn},
		{method: http.MethodPost, path: pathSignOut, roles: everyone, own: true, handler: s.signOut},
		{method: http.MethodGet, path: pathAsset, public: true, handler: s.asset},
		{method: http.MethodGet, path: pathBoard, roles: readers, handler: s.board},
		{method: http.MethodPost, path: pathBoard, roles: readers, handler: s.search},
		{method: http.MethodPost, path: pathNotes, roles: noters, handler: s.addNote},
		{method: http.MethodGet, path: pathEvaluation, roles: noters, handler: s.evaluationSummary},
		{method: http.MethodPost, path: pathViews, roles: readers, handler: s.changeViews},
		{method: http.MethodGet, path: pathToday, roles: writers, handler: s.todayPage},
		{method: http.MethodGet, path: pathNew, roles: coordinator, handler: s.newReferral},
		{method: http.MethodPost, path: pathNew, roles: coordinator, handler: s.refer},
		{method: http.MethodGet, path: pathCandidate, roles: readers, handler: s.candidate},
		{method: http.MethodGet, path: pathResults, roles: readers, handler: s.resultsPage},
		{method: http.MethodGet, path: pathDocuments, roles: readers, handler: s.documentsPage},
		{method: http.MethodPost, path: pathDocuments, roles: noters, handler: s.changeDocuments, most: mostDocument + 64<<10},
		{method: http.MethodGet, path: pathBroughtIn, roles: noters, handler: s.broughtIn},
		{method: http.MethodGet, path: pathSentIn, roles: noters, handler: s.sentIn},
		{method: http.MethodGet, path: pathRecovery, roles: readers, handler: s.recoveryPlan},
		{method: http.MethodGet, path: pathMy, public: true, handler: s.myPage},
		{method: http.MethodPost, path: pathMy, public: true, handler: s.my},
		{method: http.MethodPost, path: pathMyClose, public: true, handler: s.closeMine},
		{method: http.MethodGet, path: pathMyStop, public: true, handler: s.myStopPage},
		{method: http.MethodPost, path: pathMyStop, public: true, handler: s.myStop},
		{method: http.MethodGet, path: pathMyStopped, public: true, handler: s.myStopped},
		{method: http.MethodGet, path: pathMyCalendar, public: true, handler: s.myCalendar},
		{method: http.MethodGet, path: pathMyCalendar1, public: true, handler: s.myCalendar},
		{method: http.MethodGet, path: pathQuestions, public: true, handler: s.questionsPage},
		{method: http.MethodPost, path: pathQuestions, public: true, handler: s.openQuestions},
		{method: http.MethodGet, path: pathQuestion, public: true, handler: s.question},
		{method: http.MethodPost, path: pathQuestion, public: true, handler: s.answer},
		{method: http.MethodPost, path: pathCommand, roles: writers, handler: s.command},
		{method: http.MethodGet, path: pathPlasma, roles: checkers, handler: s.plasmaPage},
		{method: http.MethodPost, path: pathPlasma, roles: checkers, handler: s.plasma},
		{method: http.MethodGet, path: pathReview, roles: readers, handler: s.reviewPage},
		{method: http.MethodPost, path: pathReview, roles: writers, handler: s.giveReview},
		{method: http.MethodGet, path: pathSide, roles: readers, handler: s.sidePage},
		{method: http.MethodPost, path: pathSide, roles: writers, handler: s.giveSide},
		{method: http.MethodGet, path: pathAmbulatory, roles: checkers, handler: s.ambulatoryPage},
		{method: http.MethodPost, path: pathAmbulatory, roles: checkers, handler: s.ambulatory, most: mostUpload},
		{method: http.MethodGet, path: pathCheck, roles: checkers, handler: s.checkPage},
		{method: http.MethodGet, path: pathReports, roles: readers, handler: s.reports},
		{method: http.MethodGet, path: pathFollowUp, roles: readers, handler: s.followUps},
		{method: http.MethodGet, path: pathMeasures, roles: measurers(), handler: s.measures},
		{method: http.MethodGet, path: pathMeasuresCSV, roles: measurers(), handler: s.measuresCSV},
		{method: http.MethodGet, path: pathMeasuresXLSX, roles: measurers(), handler: s.measuresXLSX},
		{method: http.MethodGet, path: pathMeasured, roles: api.Measured(), handler: s.measuredPage},
		{method: http.MethodGet, path: pathIncoming, roles: coordinator, handler: s.incoming},
		{method: http.MethodGet, path: pathMessage, roles: coordinator, handler: s.message},
		{method: http.MethodGet, path: pathDocument, roles: coordinator, handler: s.messageDocument},
		{method: http.MethodPost, path: pathMessage, roles: coordinator, handler: s.decideMessage},
		{method: http.MethodGet, path: pathProtocols, roles: administrator, handler: s.protocols},
		{method: http.MethodGet, path: pathClients, roles: administrator, handler: s.clients},
		{method: http.MethodPost, path: pathClients, roles: administrator, handler: s.changeClients},
		{method: http.MethodGet, path: pathNotices, roles: noticeReaders, handler: s.notices},
		{method: http.MethodPost, path: pathNotices, roles: coordinator, handler: s.changeNotices},
		{method: http.MethodPost, path: pathProtocols, roles: administrator, handler: s.move},
	})
}

// Register adds the pages to the server.
func Register(e *echo.Echo, d Deps) error {
	s := &server{
		Deps: d, echo: e, limiter: newLimiter(d.Now), origin: http.NewCrossOriginProtection(),
	}
	if s.Log == nil {
		s.Log = slog.New(slog.DiscardHandler)
	}
	var err error
	if s.assets, err = loadAssets(); err != nil {
		return err
	}
	if s.pages, err = loadPages(s.assets); err != nil {
		return err
	}
	paths := map[string][]string{}
	for _, r := range s.routes() {
		handler := s.logged(r, s.guard(r))
		e.Add(r.method, r.path, handler)
		paths[r.path] = append(paths[r.path], r.method)
		if r.method == http.MethodGet {
			e.Add(http.MethodHead, r.path, handler)
			paths[r.path] = append(paths[r.path], http.MethodHead)
		}
	}
	s.refuseOtherMethods(paths)
	if s.Background != nil {
		s.Background(s.prepare)
	}
	e.RouteNotFound("/*", s.guard(route{public: true, handler: func(echo.Context) error { return errNotFound }}))
	return nil
}

// refuseOtherMethods makes the answer to a wrong method a page like any other.
func (s *server) refuseOtherMethods(paths map[string][]string) {
	for path, methods := range paths {
		for _, method := range []string{
			http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete,
		} {
			if slices.Contains(methods, method) {
				continue
			}
			s.echo.Add(method, path, s.guard(route{public: true, handler: func(c echo.Context) error {
				for _, m := range methods {
					c.Response().Header().Add(echo.HeaderAllow, m)
				}
				return &failure{Status: http.StatusMethodNotAllowed}
			}}))
		}
	}
}
