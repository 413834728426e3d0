package web

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/api"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// policy is the Content Security Policy of every page. Nothing comes from
// elsewhere and nothing is inline, so it has no exception.
const policy = "default-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'"

// maxForm bounds what a form may send.
const maxForm = 1 << 20

// accountKey and sessionKey are where guard leaves the signed-in account and its
// session in the context.
const (
	accountKey = "web.account"
	sessionKey = "web.session"
)

// guard puts the same protection before every handler: headers, the origin of
// the request, who is signed in, and whether the page is open to them.
func (s *server) guard(r route) echo.HandlerFunc {
	return func(c echo.Context) (err error) {
		header := c.Response().Header()
		header.Set("Content-Security-Policy", policy)
		header.Set("X-Content-Type-Options", "nosniff")
		header.Set("Referrer-Policy", "no-referrer")
		header.Set("Cross-Origin-Opener-Policy", "same-origin")
		header.Set("Cache-Control", "no-store")
		api.RequestID(c)
		defer func() {
			if fault := api.Panicked(recover()); fault != nil {
				err = s.fail(c, fault)
			}
		}()
		if err := s.admit(c, r); err != nil {
			return s.fail(c, err)
		}
		if c.Response().Committed {
			return nil
		}
		s.acknowledge(c)
		if err := r.handler(c); err != nil {
			return s.fail(c, err)
		}
		return nil
	}
}

// admit lets a request through, answers it with a redirect to the sign-in page,
// or returns why not.
func (s *server) admit(c echo.Context, r route) error {
	req := c.Request()
	if err := s.origin.Check(req); err != nil {
		return &failure{Status: http.StatusForbidden, Message: "This form was sent from another site, so it was not accepted."}
	}
	req.Body = http.MaxBytesReader(c.Response(), req.Body, cmp.Or(r.most, maxForm))
	account, session, signedIn, err := s.current(req.Context(), c)
	if err != nil {
		return err
	}
	if signedIn {
		c.Set(accountKey, account)
		c.Set(sessionKey, session)
	}
	switch {
	case r.public:
		return nil
	case !signedIn:
		to := signInPath(req.URL.Path)
		switch {
		case req.Header.Get(headerHTMX) != "":
			// A part of a page has no place for the sign-in page.
			c.Response().Header().Set(echo.HeaderLocation, to)
			return &failure{Status: http.StatusUnauthorized, Title: "You are signed out", Message: "Sign in again to go on."}
		case req.Method == http.MethodPost:
			to = unsent(to)
		}
		return c.Redirect(http.StatusSeeOther, to)
	case slices.Contains(r.roles, account.Role):
		if to := s.before(account, session); to != "" && !r.own {
			return c.Redirect(http.StatusSeeOther, to)
		}
		return nil
	case account.Role == journey.Administrator:
		return &failure{Status: http.StatusForbidden, Title: "This is not your place", Message: "Your account has the role " + roleWord(account.Role) +
			", which looks after the programme's rules and not after candidates. Your page is the one of the protocols."}
	case !slices.Contains(readers, account.Role):
		return &failure{Status: http.StatusForbidden, Title: "This is not your place", Message: "Your account has the role " + roleWord(account.Role) +
			". These pages are for people who look after candidates. Use the command line or the interface that your role is meant for, or sign out and use another account."}
	default:
		return &failure{Status: http.StatusForbidden, Message: "The role " + roleWord(account.Role) + " may not do this."}
	}
}

// before is the page that an account has to deal with before any other, if there is
// one.
func (s *server) before(a record.Account, n record.Session) string {
	switch {
	case a.MustChange && !n.Strong:
		return pathAccount
	case s.RequireSecondFactor && !a.SecondFactor && !n.Strong:
		return pathFactor
	default:
		return ""
	}
}

// usedEvery is how often the use of a session is noted: a row that is written for each
// request would cost more than the request.
const usedEvery = time.Minute

// current finds the account of the request's cookie, with the session.
func (s *server) current(ctx context.Context, c echo.Context) (record.Account, record.Session, bool, error) {
	secret := s.secretOf(c)
	if secret == "" {
		return record.Account{}, record.Session{}, false, nil
	}
	account, session, err := s.Store.SessionOf(ctx, secret)
	if errors.Is(err, record.ErrNotFound) {
		return record.Account{}, record.Session{}, false, nil
	}
	if err == nil && byPerson(c.Request()) && s.Now().Sub(session.UsedAt) >= usedEvery {
		err = s.Store.TouchSession(ctx, secret, sessionIdle)
	}
	return account, session, err == nil, err
}

// byPerson reports whether somebody is there: what a page that is left open asks for
// by itself does not keep its session alive. A form that is sent does, as by a script
// that keeps a draft of what is typed.
func byPerson(r *http.Request) bool {
	mode := r.Header.Get("Sec-Fetch-Mode")
	return mode == "" || mode == "navigate" || r.Method == http.MethodPost
}

// signedIn returns the account that guard found.
func signedIn(c echo.Context) (record.Account, bool) {
	account, ok := c.Get(accountKey).(record.Account)
	return account, ok
}
