package signin

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
)

// ProviderOptions say which identity provider people sign in with, by OpenID Connect
// Core 1.0: the code flow with PKCE (RFC 7636), a state and a nonce.
type ProviderOptions struct {
	// Issuer is the provider's own name, below which it publishes how it is reached.
	Issuer       string
	ClientID     string
	ClientSecret string
	// Redirect is the address that the provider sends people back to.
	Redirect string
	// Name is how people know the provider.
	Name string
	Now  func() time.Time
	// Client reaches the provider; nil for one of our own.
	Client *http.Client
}

// Provider is an identity provider.
type Provider struct {
	options ProviderOptions
	client  *http.Client

	mu    sync.Mutex
	found *discovered
}

// discovered is what the provider says of itself.
type discovered struct {
	oauth    oauth2.Config
	verifier *oidc.IDTokenVerifier
	// saysIssuer is whether it names itself when it sends people back (RFC 9207).
	saysIssuer bool
}

// Flow is what has to be the same when somebody comes back. It is kept on the server.
type Flow struct {
	State    string `json:"state"`
	Nonce    string `json:"nonce"`
	Verifier string `json:"verifier"`
	// To is where the person wanted to go.
	To string `json:"to,omitempty"`
}

// Person is who somebody is at the provider.
type Person struct {
	Issuer  string
	Subject string
	// Email is one that the provider has verified, in small letters; empty otherwise.
	Email string
	// Strong says that the provider asked for more than one factor.
	Strong bool
}

// Rejected says why somebody who came back was not let in. Its text holds nothing that
// was sent.
type Rejected struct{ Reason string }

// Error implements error.
func (r *Rejected) Error() string { return "sign-in by the identity provider: " + r.Reason }

// algorithms are the signatures that are accepted: those of a key pair. A provider that
// knew none of them would have to share a secret with every program.
var algorithms = []string{oidc.RS256, oidc.RS384, oidc.RS512, oidc.PS256, oidc.PS384, oidc.PS512, oidc.ES256, oidc.ES384, oidc.ES512, oidc.EdDSA}

// providerTimeout bounds each request to the provider.
const providerTimeout = 10 * time.Second

// NewProvider checks the options. The provider itself is asked when it is first needed,
// so that this program starts without it.
func NewProvider(o ProviderOptions) (*Provider, error) {
	u, err := url.Parse(o.Issuer)
	switch {
	case err != nil || u.Host == "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil:
		return nil, errors.New("the issuer is an address such as https://id.example")
	case u.Scheme != "https" && (u.Scheme != "http" || !loopback(u.Hostname())):
		return nil, errors.New("the issuer is reached by https, save on this machine itself")
	case o.ClientID == "":
		return nil, errors.New("the client id is missing")
	case o.Redirect == "":
		return nil, errors.New("the address to come back to is not known")
	}
	p := &Provider{options: o, client: o.Client}
	if p.client == nil {
		p.client = &http.Client{Timeout: providerTimeout}
	}
	return p, nil
}

func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// Name is how people know the provider.
func (p *Provider) Name() string {
	if p.options.Name != "" {
		return p.options.Name
	}
	u, err := url.Parse(p.options.Issuer)
	if err != nil {
		return p.options.Issuer
	}
	if host, _, err := net.SplitHostPort(u.Host); err == nil {
		return host
	}
	return u.Host
}

// Issuer is the provider's own name.
func (p *Provider) Issuer() string { return p.options.Issuer }

// discover asks the provider how it is reached, until it has once answered.
func (p *Provider) discover(ctx context.Context) (*discovered, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.found != nil {
		return p.found, nil
	}
	// The keys are asked for again later, when this request is long over.
	found, err := oidc.NewProvider(oidc.ClientContext(context.WithoutCancel(ctx), p.client), p.options.Issuer)
	if err != nil {
		return nil, fmt.Errorf("ask the identity provider how it is reached: %w", err)
	}
	var more struct {
		SaysIssuer bool `json:"authorization_response_iss_parameter_supported"`
	}
	if err := found.Claims(&more); err != nil {
		return nil, fmt.Errorf("read what the identity provider says of itself: %w", err)
	}
	p.found = &discovered{
		oauth: oauth2.Config{
			ClientID: p.options.ClientID, ClientSecret: p.options.ClientSecret, RedirectURL: p.options.Redirect,
			Endpoint: found.Endpoint(), Scopes: []string{oidc.ScopeOpenID, "email"},
		},
		verifier:   found.Verifier(&oidc.Config{ClientID: p.options.ClientID, Now: p.options.Now, SupportedSigningAlgs: algorithms}),
		saysIssuer: more.SaysIssuer,
	}
	return p.found, nil
}

// Begin returns where somebody goes to sign in, and what to keep until they are back.
func (p *Provider) Begin(ctx context.Context) (address string, flow Flow, err error) {
	d, err := p.discover(ctx)
	if err != nil {
		return "", flow, err
	}
	flow = Flow{State: rand.Text(), Nonce: rand.Text(), Verifier: oauth2.GenerateVerifier()}
	return d.oauth.AuthCodeURL(flow.State, oidc.Nonce(flow.Nonce), oauth2.S256ChallengeOption(flow.Verifier)), flow, nil
}

// claims are those of an ID token that are read beside the registered ones.
type claims struct {
	Email         string   `json:"email"`
	EmailVerified any      `json:"email_verified"`
	Party         string   `json:"azp"`
	Methods       []string `json:"amr"`
}

// Finish finds out who came back. What is wrong with it is a *Rejected.
func (p *Provider) Finish(ctx context.Context, flow Flow, query url.Values) (Person, error) {
	d, err := p.discover(ctx)
	if err != nil {
		return Person{}, err
	}
	iss := query.Get("iss")
	switch {
	case flow.State == "" || subtle.ConstantTimeCompare([]byte(query.Get("state")), []byte(flow.State)) != 1:
		return Person{}, &Rejected{"the state is not the one that it began with"}
	case iss != p.options.Issuer && (iss != "" || d.saysIssuer):
		return Person{}, &Rejected{"another issuer answered"}
	case query.Get("error") != "":
		return Person{}, &Rejected{"the provider refused"}
	case query.Get("code") == "":
		return Person{}, &Rejected{"there is no code"}
	}
	ctx = oidc.ClientContext(ctx, p.client)
	token, err := d.oauth.Exchange(ctx, query.Get("code"), oauth2.VerifierOption(flow.Verifier))
	if err != nil {
		var answered *oauth2.RetrieveError
		if errors.As(err, &answered) { // its text holds what was answered
			return Person{}, &Rejected{"the provider did not take the code"}
		}
		return Person{}, fmt.Errorf("exchange the code: %w", err)
	}
	raw, ok := token.Extra("id_token").(string)
	if !ok {
		return Person{}, &Rejected{"there is no ID token"}
	}
	id, err := d.verifier.Verify(ctx, raw)
	if err != nil {
		return Person{}, &Rejected{verdict(err)}
	}
	return p.person(flow, id)
}

// verdict says what is wrong with a token without repeating any of it.
func verdict(err error) string {
	var expired *oidc.TokenExpiredError
	if errors.As(err, &expired) {
		return "the ID token has expired"
	}
	return "the ID token is not valid: its signature, issuer or audience is wrong"
}

// longestSubject is what OpenID Connect Core 1.0, 2 allows.
const longestSubject = 255

// person reads a token whose signature, issuer, audience and time are in order.
func (p *Provider) person(flow Flow, id *oidc.IDToken) (Person, error) {
	var c claims
	if err := id.Claims(&c); err != nil {
		return Person{}, &Rejected{"the ID token can't be read"}
	}
	switch {
	case flow.Nonce == "" || subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(flow.Nonce)) != 1:
		return Person{}, &Rejected{"the nonce is not the one that it began with"}
	// OpenID Connect Core 1.0, 3.1.3.7 (4 and 5): of several audiences, we are the party.
	case c.Party != "" && c.Party != p.options.ClientID, c.Party == "" && len(id.Audience) > 1:
		return Person{}, &Rejected{"the ID token is for another party"}
	case id.Subject == "" || len(id.Subject) > longestSubject:
		return Person{}, &Rejected{"the ID token names nobody"}
	}
	person := Person{Issuer: id.Issuer, Subject: id.Subject, Strong: slices.Contains(c.Methods, "mfa")} // RFC 8176, 2
	// Some providers write the truth as a text.
	if c.EmailVerified == true || c.EmailVerified == "true" {
		person.Email = strings.ToLower(strings.TrimSpace(c.Email))
	}
	return person, nil
}
