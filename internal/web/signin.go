package web

import (
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/record"
	"candidacy/internal/signin"
)

// sessionLife covers a working day and no more. NIST SP 800-63B, 4.2.3 asks for 12
// hours at most; of the half hour without use that it names for its second level this
// makes an hour, since a long form is filled in without asking the server.
const (
	sessionLife = 10 * time.Hour
	sessionIdle = time.Hour
)

// cookieName uses the __Host- prefix where the browser accepts it: such a
// cookie can't be set from a sub-domain.
func (s *server) cookieName() string {
	if s.Secure {
		return "__Host-candidacy"
	}
	return "candidacy"
}

// stepCookie holds where signing in stands.
func (s *server) stepCookie() string { return s.cookieName() + "-step" }

func (s *server) setCookie(c echo.Context, name, value string, life time.Duration) {
	cookie := &http.Cookie{
		Name: name, Value: value, Path: "/", HttpOnly: true, Secure: s.Secure,
		SameSite: http.SameSiteLaxMode, MaxAge: int(life.Seconds()),
	}
	if value == "" {
		cookie.MaxAge = -1
	}
	c.SetCookie(cookie)
}

// signInModel is the model of the sign-in page.
type signInModel struct {
	Username string
	Next     string
	SignIns  []SignIn
	// Provider is the name of the identity provider, and ProviderLink leads there.
	Provider, ProviderLink string
}

// next accepts only the pages that a person can be sent back to, so that the
// sign-in page can't be made to lead elsewhere.
var next = regexp.MustCompile(`^/((candidates|incoming)/[a-z0-9-]{1,64}|[a-z]+(-[a-z]+)?)?$`)

// nowhere are pages that nobody is sent back to.
var nowhere = []string{pathSignIn, pathSignOut}

// leads reports whether a person can be sent to a page after the sign-in.
func leads(to string) bool { return next.MatchString(to) && !slices.Contains(nowhere, to) }

// unsent adds to the sign-in page's address that a form was not looked at.
func unsent(to string) string {
	if strings.Contains(to, "?") {
		return to + "&unsent=yes"
	}
	return to + "?unsent=yes"
}

// signInPath leads to the sign-in page and back.
func signInPath(from string) string {
	// A form was sent to this address; come back to the page that held it.
	if parts := strings.Split(from, "/"); len(parts) > 3 {
		from = strings.Join(parts[:3], "/")
	}
	if from == pathBoard || !leads(from) {
		return pathSignIn
	}
	return pathSignIn + "?next=" + url.QueryEscape(from)
}

func (s *server) signInPage(c echo.Context) error {
	if account, ok := signedIn(c); ok {
		return c.Redirect(http.StatusSeeOther, home(&account))
	}
	return s.showSignIn(c, http.StatusOK, "", c.QueryParam("next"), nil)
}

func (s *server) showSignIn(c echo.Context, status int, username, to string, problem *summary) error {
	model := signInModel{Username: username}
	if leads(to) {
		model.Next = to
	}
	if s.Provider != nil {
		model.Provider, model.ProviderLink = s.Provider.Name(), pathProvider
		if model.Next != "" {
			model.ProviderLink += "?next=" + url.QueryEscape(model.Next)
		}
	}
	if s.Demo {
		model.SignIns = s.SignIns
	}
	return s.render(c, status, "sign-in", page{Title: "Sign in", Errors: problem, Body: model})
}

func (s *server) signIn(c echo.Context) error {
	if err := c.Request().ParseForm(); err != nil {
		return s.formFault(err)
	}
	form := c.Request().PostForm
	username, password, to := strings.TrimSpace(form.Get("username")), form.Get("password"), form.Get("next")
	if username == "" || password == "" {
		return s.showSignIn(c, http.StatusUnprocessableEntity, username, to, &summary{
			Title: "You are not signed in", Items: []problem{{Text: "Enter your username and your password.", Field: "username"}},
		})
	}
	byName, byAddress := "name "+strings.ToLower(username), addressPrefix+s.address(c)
	if wait, ok := s.limiter.take(byName, byAddress); !ok {
		retryAfter(c, wait)
		return s.showSignIn(c, http.StatusTooManyRequests, username, to, &summary{
			Title: "Too many attempts to sign in",
			Items: []problem{{Text: fmt.Sprintf("Wait %s, then try again. Your account is not lost.", waitWord(wait)), Field: "username"}},
		})
	}
	account, ok, err := s.Store.CheckPassword(c.Request().Context(), username, password)
	if err != nil {
		return err
	}
	if !ok {
		return s.showSignIn(c, http.StatusForbidden, username, to, &summary{
			Title: "You are not signed in", Items: []problem{{Text: "The username or the password is wrong.", Field: "username"}},
		})
	}
	s.limiter.release(byName, byAddress)
	return s.enter(c, account, false, to)
}

// begin starts a session, in place of whatever session the browser had: a secret that
// was planted or seen before is worth nothing.
func (s *server) begin(c echo.Context, account record.Account, strong bool) error {
	if err := s.forget(c); err != nil {
		return err
	}
	secret, err := s.Store.BeginSession(c.Request().Context(), record.NewSession{
		Account: account.ID, Life: sessionLife, Idle: sessionIdle, Agent: signin.Browser(c.Request().UserAgent()), Strong: strong,
	})
	if err != nil {
		return err
	}
	s.setCookie(c, s.cookieName(), secret, sessionLife)
	return nil
}

// retryAfter tells a program how long to wait, and waitWord a person.
func retryAfter(c echo.Context, wait time.Duration) {
	c.Response().Header().Set("Retry-After", strconv.Itoa(int((wait+time.Second-1)/time.Second)))
}

func waitWord(wait time.Duration) string {
	return plural(int((wait+time.Minute-1)/time.Minute), "minute")
}

// forget ends whatever session the request's cookie stands for.
func (s *server) forget(c echo.Context) error {
	secret := s.secretOf(c)
	if secret == "" {
		return nil
	}
	return s.Store.EndSession(c.Request().Context(), secret)
}

func (s *server) signOut(c echo.Context) error {
	if err := s.forget(c); err != nil {
		return err
	}
	s.setCookie(c, s.cookieName(), "", 0)
	return c.Redirect(http.StatusSeeOther, pathSignIn)
}

// address names where a request comes from. A header that anybody can send is
// read only where the operator has said which proxy sets it. One household or
// ward has a whole IPv6 network of 64 bits, so that counts as one address.
func (s *server) address(c echo.Context) string {
	text := ""
	if s.echo.IPExtractor != nil {
		text = s.echo.IPExtractor(c.Request())
	} else if host, _, err := net.SplitHostPort(c.Request().RemoteAddr); err == nil {
		text = host
	}
	ip, err := netip.ParseAddr(text)
	if err != nil || ip.Unmap().Is4() {
		return text
	}
	prefix, err := ip.WithZone("").Prefix(64)
	if err != nil {
		return text
	}
	return prefix.String()
}

// formFault is the answer to a form that can't be read.
func (s *server) formFault(err error) error {
	var tooLarge *http.MaxBytesError
	if errors.As(err, &tooLarge) {
		return fmt.Errorf("%w: %w", &failure{Status: http.StatusRequestEntityTooLarge, Message: "The form is too large, so nothing was recorded."}, err)
	}
	return fmt.Errorf("%w: %w", &failure{Status: http.StatusBadRequest, Message: "The form could not be read."}, err)
}
