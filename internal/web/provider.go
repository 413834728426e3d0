package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/api"
	"candidacy/internal/command"
	"candidacy/internal/record"
	"candidacy/internal/signin"
)

// Provider is the identity provider that people may sign in with.
type Provider interface {
	Name() string
	Issuer() string
	Begin(ctx context.Context) (address string, flow signin.Flow, err error)
	Finish(ctx context.Context, flow signin.Flow, query url.Values) (signin.Person, error)
}

// ProviderRedirect is the path that the provider sends people back to.
const ProviderRedirect = pathBack

// stepProvider is the kind of the step while somebody is at the provider, and
// providerLife how long they may take there.
const (
	stepProvider = "provider"
	providerLife = 15 * time.Minute
)

// toProvider sends somebody to the identity provider.
func (s *server) toProvider(c echo.Context) error {
	if s.Provider == nil {
		return errNotFound
	}
	// Each way there keeps a row until it is over.
	if wait, ok := s.limiter.take(addressPrefix + "provider " + s.address(c)); !ok {
		retryAfter(c, wait)
		return s.showSignIn(c, http.StatusTooManyRequests, "", c.QueryParam("next"), notSignedIn("Too many attempts; wait "+waitWord(wait)+"."))
	}
	ctx := c.Request().Context()
	address, flow, err := s.Provider.Begin(ctx)
	if err != nil {
		api.LogFailure(ctx, s.Log, "", "", err)
		return s.showSignIn(c, http.StatusBadGateway, "", c.QueryParam("next"), notSignedIn(s.Provider.Name()+" does not answer now. Try again in a moment, or sign in with a password."))
	}
	if to := c.QueryParam("next"); leads(to) {
		flow.To = to
	}
	data, err := json.Marshal(flow)
	if err != nil {
		return fmt.Errorf("keep the way to the identity provider: %w", err)
	}
	secret, err := s.Store.BeginStep(ctx, record.SignInStep{Kind: stepProvider, Data: string(data)}, providerLife)
	if err != nil {
		return err
	}
	s.setCookie(c, s.stepCookie(), secret, providerLife)
	return c.Redirect(http.StatusSeeOther, address)
}

func notSignedIn(text string) *summary {
	return &summary{Title: "You are not signed in", Items: []problem{{Text: text, Field: "username"}}}
}

// fromProvider lets in whoever comes back from the identity provider and is linked to
// an account here. Nobody gets an account by it.
func (s *server) fromProvider(c echo.Context) error {
	if s.Provider == nil {
		return errNotFound
	}
	ctx := c.Request().Context()
	again := func(status int, text string) error { return s.showSignIn(c, status, "", "", notSignedIn(text)) }
	secret, _, err := s.stepOf(c, stepProvider)
	var step record.SignInStep
	if err == nil {
		step, err = s.Store.TakeStep(ctx, stepProvider, secret) // what comes back is looked at once
	}
	if errors.Is(err, record.ErrNotFound) {
		return again(http.StatusForbidden, "This took too long, or was begun in another browser. Begin again.")
	}
	if err != nil {
		return err
	}
	s.setCookie(c, s.stepCookie(), "", 0)
	var flow signin.Flow
	if err := json.Unmarshal([]byte(step.Data), &flow); err != nil {
		return fmt.Errorf("read the way to the identity provider: %w", err)
	}
	person, err := s.Provider.Finish(ctx, flow, c.QueryParams())
	if err != nil {
		api.LogFailure(ctx, s.Log, "", "", err)
		var rejected *signin.Rejected
		if errors.As(err, &rejected) {
			return again(http.StatusForbidden, "The answer of "+s.Provider.Name()+" was not accepted. Begin again; if it happens again, tell an administrator.")
		}
		return again(http.StatusBadGateway, s.Provider.Name()+" does not answer now. Try again in a moment, or sign in with a password.")
	}
	account, err := s.Store.AccountLinkedTo(ctx, person.Issuer, person.Subject, person.Email)
	if errors.Is(err, record.ErrNotFound) {
		return again(http.StatusForbidden, s.Provider.Name()+" knows you, but no account here is linked to you. An administrator of the programme can link one.")
	}
	if err != nil {
		return err
	}
	return s.enter(c, account, person.Strong, flow.To)
}

// linkForms link an account to a person at the identity provider.
func (s *server) linkForms(a record.Account) []titledForm {
	if s.Provider == nil {
		return nil
	}
	with := func(do, title, button, hint string, grave bool, fields ...field) titledForm {
		f := form{ID: do, Action: pathAccounts, Button: button, Hint: hint, Key: newKey(), Grave: grave, Fields: append([]field{hidden("do", do), hidden("account", a.ID)}, fields...)}
		f.fill(nil, nil)
		return titledForm{title, f}
	}
	if a.Link != (record.Link{}) {
		who := "subject " + a.Link.Subject
		if a.Link.Email != "" {
			who = a.Link.Email
		}
		hint := "Linked to " + who + " at " + a.Link.Issuer + "."
		if a.Link.Subject == "" {
			hint += " Not used yet: the first sign-in keeps the provider's own name for the person, and the address alone is worth nothing afterwards."
		}
		return []titledForm{with(doUnlink, "Sign-in with "+s.Provider.Name(), "Remove the link", hint, true)}
	}
	return []titledForm{with(doLink, "Sign-in with "+s.Provider.Name(), "Link the account", "Say who the person is there. The link lets them in without their password here.", false,
		field{Name: "link_email", Label: "E-mail address at the provider", Type: "email", Optional: true, Hint: "One that the provider vouches for."},
		field{Name: "link_subject", Label: "Subject at the provider", Type: "text", Optional: true, Hint: "Or the name that never changes (the claim sub), as the provider's administrators know it."},
	)}
}

// linkOf reads whom an account is to be linked to.
func (s *server) linkOf(values url.Values) (record.Link, error) {
	if s.Provider == nil {
		return record.Link{}, errNotFound
	}
	link := record.Link{Issuer: s.Provider.Issuer(), Subject: strings.TrimSpace(values.Get("link_subject")), Email: strings.ToLower(strings.TrimSpace(values.Get("link_email")))}
	switch {
	case link.Subject == "" && link.Email == "":
		return link, &badAnswer{"link_email", "enter the address, or the subject"}
	case link.Subject != "" && link.Email != "":
		return link, &badAnswer{"link_subject", "enter one of the two: the address is good only while no subject is known"}
	case link.Email != "" && (!command.IsEmail(link.Email) || len(link.Email) > longestEmail):
		return link, &badAnswer{"link_email", "enter an address alone, such as name@example.org"}
	case len(link.Subject) > 255: // OpenID Connect Core 1.0, 2
		return link, &badAnswer{"link_subject", "enter at most 255 characters"}
	}
	return link, nil
}
