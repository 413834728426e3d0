package web

import (
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/record"
	"candidacy/internal/signin"
)

// accountModel is the model of everybody's own page.
type accountModel struct {
	Facts    []fact
	Password form
	Sessions []sessionRow
	// Others says that there are sessions beside this one, and Others ends them.
	Others *form
	// Factor says how the second factor stands.
	Factor string
	// Must says why nothing else can be done before.
	Must string
}

// sessionRow is one session as it is shown.
type sessionRow struct {
	ID, Agent, Started, Used, Ends string
	// This is the session that the page is shown in.
	This bool
	End  form
}

// The things that can be done on one's own page.
const (
	doOwnPassword = "own-password"
	doEndSession  = "end-session"
	doEndOthers   = "end-others"
)

var ownNotices = map[string]string{
	doOwnPassword: "Your password is changed. Your sessions elsewhere have ended.", doEndSession: "The session has ended.", doEndOthers: "Your other sessions have ended.",
}

func (s *server) sessionRow(n record.Session, current string) sessionRow {
	r := sessionRow{ID: n.ID, Agent: or(n.Agent, "Not known"), Started: s.clientTime(n.StartedAt), Used: s.clientTime(n.UsedAt), Ends: s.clientTime(n.ExpiresAt), This: n.ID == current}
	r.End = form{ID: doEndSession + "-" + n.ID, Action: pathAccount, Button: "End it", Key: newKey(), Fields: []field{hidden("do", doEndSession), hidden("session", n.ID)}}
	return r
}

func ownPasswordForm() form {
	f := form{ID: doOwnPassword, Action: pathAccount, Button: "Change the password", Key: newKey(), Fields: []field{
		hidden("do", doOwnPassword),
		{Name: "present", Label: "Present password", Type: "password", Complete: "current-password"},
		{Name: "password", Label: "New password", Type: "password", Complete: "new-password", Hint: "At least " + strconv.Itoa(signin.ShortestPassword) + " characters; several words that only you put together are good. It needs no signs or digits, and no change after some time."},
		{Name: "again", Label: "New password once more", Type: "password", Complete: "new-password"},
	}}
	f.fill(nil, nil)
	return f
}

// account shows everybody their own account.
func (s *server) account(c echo.Context) error {
	model, err := s.accountModel(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "account", page{Title: "Your account", Body: model, Notice: ownNotices[c.QueryParam("done")]})
}

func (s *server) accountModel(c echo.Context) (accountModel, error) {
	me, _ := signedIn(c)
	m := accountModel{
		Facts:    []fact{{"Name", me.Name}, {"Username", me.Username}, {"Role", capital(roleWord(me.Role))}, {"E-mail address", or(me.Email, "none on record")}},
		Password: ownPasswordForm(),
	}
	if me.MustChange {
		m.Must = "Somebody else knows the password that you signed in with. Change it before you go on."
	}
	list, err := s.Store.Sessions(c.Request().Context(), me.ID)
	if err != nil {
		return m, err
	}
	for _, n := range list {
		m.Sessions = append(m.Sessions, s.sessionRow(n, sessionOf(c).ID))
	}
	if m.Factor, err = s.factorWord(c, me); err != nil {
		return m, err
	}
	if len(list) > 1 {
		m.Others = &form{ID: doEndOthers, Action: pathAccount, Button: "End all but this one", Key: newKey(), Fields: []field{hidden("do", doEndOthers)}}
	}
	return m, nil
}

// changeAccount changes what is one's own.
func (s *server) changeAccount(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	me, _ := signedIn(c)
	ctx, values := record.As(c.Request().Context(), me.ID, me.Role), c.Request().PostForm
	do := values.Get("do")
	switch do {
	case doOwnPassword:
		return s.changeOwnPassword(c, me, values)
	case doEndSession:
		if err := s.Store.EndOwnSession(ctx, me.ID, values.Get("session")); err != nil {
			return err
		}
	case doEndOthers:
		if err := s.Store.EndOtherSessions(ctx, me.ID, s.secretOf(c)); err != nil {
			return err
		}
	default:
		return &failure{Status: http.StatusUnprocessableEntity, Message: "Say what is to be done: change the password, or end a session."}
	}
	return c.Redirect(http.StatusSeeOther, pathAccount+"?done="+do)
}

func (s *server) changeOwnPassword(c echo.Context, me record.Account, values url.Values) error {
	present, password := values.Get("present"), values.Get("password")
	var fault *badAnswer
	status := http.StatusUnprocessableEntity
	if err := signin.CheckPassword(password, me.Username, me.Name); err != nil {
		fault = &badAnswer{"password", "this is " + err.Error()}
	} else if password != values.Get("again") {
		fault = &badAnswer{"again", "this is not the same as above"}
	} else if password == present {
		fault = &badAnswer{"password", "this is the present password"}
	}
	if fault == nil {
		wait, right, err := s.provePassword(c, me, present)
		if err != nil {
			return err
		}
		switch {
		case wait > 0:
			status, fault = http.StatusTooManyRequests, &badAnswer{"present", "too many attempts; wait " + waitWord(wait)}
			retryAfter(c, wait)
		case !right:
			status, fault = http.StatusForbidden, &badAnswer{"present", "this is not your present password"}
		}
	}
	if fault != nil {
		model, err := s.accountModel(c)
		if err != nil {
			return err
		}
		problems := []problem{{Text: capital(fault.text) + ".", Field: fault.field}}
		model.Password.fill(nil, problems) // what was typed is not sent back
		return s.render(c, status, "account", page{Title: "Error: Your account", Body: model, Errors: model.Password.summary("The password is not changed", problems)})
	}
	ctx := record.As(c.Request().Context(), me.ID, me.Role)
	if err := s.Store.SetOwnPassword(ctx, me.ID, password); err != nil {
		return err
	}
	// All sessions ended with the change; this browser gets another.
	if err := s.begin(c, me, sessionOf(c).Strong); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, pathAccount+"?done="+doOwnPassword)
}

// provePassword asks somebody who is signed in for their password again. Attempts are
// limited as those to sign in are.
func (s *server) provePassword(c echo.Context, me record.Account, password string) (wait time.Duration, right bool, err error) {
	key := "password " + me.ID
	if wait, ok := s.limiter.take(key); !ok {
		return wait, false, nil
	}
	_, right, err = s.Store.CheckPassword(c.Request().Context(), me.Username, password)
	if right {
		s.limiter.release(key)
	}
	return 0, right, err
}

// secretOf is the secret of the session that a request came with.
func (s *server) secretOf(c echo.Context) string {
	cookie, err := c.Cookie(s.cookieName())
	if err != nil {
		return ""
	}
	return cookie.Value
}

// sessionOf is the session that guard found.
func sessionOf(c echo.Context) record.Session {
	n, _ := c.Get(sessionKey).(record.Session)
	return n
}
