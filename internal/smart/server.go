package smart

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/labstack/echo/v4"
	"golang.org/x/time/rate"

	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

const (
	// TokenPath is where tokens are asked for, below the public address.
	TokenPath = "/auth/token"
	// WellKnownPath is where clients find out how, below the FHIR base.
	WellKnownPath = "/.well-known/smart-configuration"

	// tokenLife is the longest that the standard recommends.
	// Source: SMART App Launch 2.2, backend services, "expires_in ... SHOULD NOT
	// exceed 300".
	tokenLife = 300 * time.Second

	assertionType = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
	maxForm       = 64 << 10
	// mostScopes bounds the scopes that one request may ask for.
	mostScopes = 200

	// A client needs a token every five minutes. Many processes may act for it, and
	// many clients may come from one address.
	addressBurst, clientBurst = 120, 60
	addressEvery, clientEvery = time.Second / 2, time.Second
)

// Store is what the server needs of the record store.
type Store interface {
	Client(ctx context.Context, id string) (record.Client, error)
	ExchangeAssertion(ctx context.Context, x record.Exchange) (string, error)
}

var _ Store = (*record.Store)(nil)

// Options are what the server can't know by itself.
type Options struct {
	Store Store
	Now   func() time.Time
	// Root returns the public address of the program without a slash at its end,
	// which begins the audience of assertions. It fails where that can't be known
	// for sure, with a text for whoever asks: then no token is issued.
	Root func(*http.Request) (string, error)
	// Report is told of faults of ours and of key sets that can't be read.
	Report func(error)
}

// Server is the token endpoint with its description.
type Server struct {
	store   Store
	now     func() time.Time
	root    func(*http.Request) (string, error)
	report  func(error)
	fetcher *fetcher
	limits  limits
}

// New makes a server.
func New(o Options) *Server {
	s := &Server{
		store: o.Store, now: o.Now, root: o.Root, report: o.Report, fetcher: newFetcher(o.Now),
		limits: limits{known: map[string]*rate.Limiter{}},
	}
	if s.report == nil {
		s.report = func(error) {}
	}
	return s
}

// oauthError is an answer of RFC 6749, section 5.2.
type oauthError struct {
	status int
	Code   string `json:"error"`
	Text   string `json:"error_description"`
}

func (e *oauthError) Error() string { return e.Text }

// refusal makes the answer of a code, whose status follows from it.
func refusal(code, text string) *oauthError {
	status := http.StatusBadRequest
	if code == "invalid_client" {
		status = http.StatusUnauthorized
	}
	return &oauthError{status, code, text}
}

// TokenURL is the address of the token endpoint, as clients see it.
func (s *Server) TokenURL(r *http.Request) (string, error) {
	root, err := s.root(r)
	if err != nil {
		return "", &oauthError{http.StatusServiceUnavailable, "temporarily_unavailable", err.Error()}
	}
	return root + TokenPath, nil
}

// Configuration answers how clients authorise. Scopes are examples of the forms
// that are understood: those of a client are in its registration.
func (s *Server) Configuration(c echo.Context) error {
	token, err := s.TokenURL(c.Request())
	if err != nil {
		return s.fail(c, err)
	}
	c.Response().Header().Set(echo.HeaderCacheControl, "public, max-age=300")
	return c.JSON(http.StatusOK, map[string]any{
		"token_endpoint":                                   token,
		"grant_types_supported":                            []string{"client_credentials"},
		"token_endpoint_auth_methods_supported":            []string{"private_key_jwt"},
		"token_endpoint_auth_signing_alg_values_supported": []string{string(algorithms[0]), string(algorithms[1])},
		"scopes_supported": []string{
			"system/*.rs", "system/*.cruds", "system/Patient.rs", "system/Observation.rs",
			"system/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|laboratory",
			"system/Observation.read", "system/AuditEvent.rs",
		},
		"capabilities": []string{"client-confidential-asymmetric", "permission-v2", "permission-v1"},
	})
}

// provenKey is where the client is kept that proved who it is, for the access log.
const provenKey = "candidacy.smart.client"

// Who is the client that proved who it is in a request for a token.
func Who(c echo.Context) audit.Who {
	id, ok := c.Get(provenKey).(string)
	if !ok {
		return audit.Who{}
	}
	return audit.Who{Actor: id, Role: journey.EHR}
}

// attempted notes which client a request for a token names.
func (s *Server) attempted(ctx context.Context, client string) { audit.Resource(ctx, "Client", client) }

// answer is that of RFC 6749, section 5.1.
type answer struct {
	Token   string `json:"access_token"`
	Type    string `json:"token_type"`
	Expires int    `json:"expires_in"`
	Scope   string `json:"scope"`
}

// Token exchanges a signed assertion for a token.
func (s *Server) Token(c echo.Context) error {
	got, err := s.exchange(c)
	if err != nil {
		return s.fail(c, err)
	}
	return send(c, http.StatusOK, got)
}

func (s *Server) exchange(c echo.Context) (answer, error) {
	r := c.Request()
	if wait := s.limits.take("address "+c.RealIP(), s.now(), addressEvery, addressBurst); wait > 0 {
		return answer{}, s.slowDown(c, wait)
	}
	form, err := readForm(c)
	if err != nil {
		return answer{}, err
	}
	audience, err := s.TokenURL(r)
	if err != nil {
		return answer{}, err
	}
	a, err := s.prove(r.Context(), form["client_assertion"], audience)
	if err != nil {
		return answer{}, err
	}
	c.Set(provenKey, a.client.ID)
	if id, ok := form["client_id"]; ok && id != a.client.ID {
		return answer{}, refusal("invalid_client", "client_id is not the client of the assertion")
	}
	// Counted only now: nobody else can use up what a client has.
	if wait := s.limits.take("client "+a.client.ID, s.now(), clientEvery, clientBurst); wait > 0 {
		return answer{}, s.slowDown(c, wait)
	}
	scopes, refused := askedScopes(form, a.client)
	// The assertion is used up whatever comes of it: it was seen.
	token, err := s.store.ExchangeAssertion(r.Context(), record.Exchange{
		Client: a.client.ID, Assertion: a.id, Until: a.until, Scopes: scopes, Lifetime: tokenLife,
	})
	switch {
	case errors.Is(err, record.ErrReplayed):
		return answer{}, refusal("invalid_client", "client_assertion: jti: an assertion is good once, and this one was used before")
	case errors.Is(err, record.ErrNotFound):
		return answer{}, stranger
	case err != nil:
		return answer{}, err
	case refused != nil:
		return answer{}, refused
	}
	return answer{Token: token, Type: "bearer", Expires: int(tokenLife.Seconds()), Scope: scopes}, nil
}

// askedScopes is what the client gets of what it asks for; the error says why that
// is nothing.
func askedScopes(form map[string]string, client record.Client) (string, error) {
	asked, named := form["scope"]
	if !named {
		// RFC 6749, section 3.3, leaves a default to the server. Some clients can't
		// name scopes with an assertion; what they got is in the answer.
		asked = client.Scopes
	}
	switch {
	case strings.TrimSpace(asked) == "":
		return "", refusal("invalid_scope", "scope: name what is asked for, such as system/Observation.rs")
	case len(strings.Fields(asked)) > mostScopes:
		return "", refusal("invalid_scope", "scope: at most "+strconv.Itoa(mostScopes)+" scopes")
	}
	granted, err := Grants(asked, ParseScopes(client.Scopes))
	switch {
	case err != nil:
		return "", refusal("invalid_scope", "scope: "+err.Error())
	case granted == "":
		return "", refusal("invalid_scope", "scope: the client is registered for nothing of it")
	}
	return granted, nil
}

// readForm reads the request (RFC 6749, section 4.4.2, with RFC 7523, section 2.2).
func readForm(c echo.Context) (map[string]string, error) {
	r := c.Request()
	media, _, err := mime.ParseMediaType(r.Header.Get(echo.HeaderContentType))
	if err != nil || media != echo.MIMEApplicationForm {
		return nil, refusal("invalid_request", "send the parameters as "+echo.MIMEApplicationForm)
	}
	if r.URL.RawQuery != "" {
		return nil, refusal("invalid_request", "the parameters belong in the body and not in the address")
	}
	body, err := io.ReadAll(http.MaxBytesReader(c.Response(), r.Body, maxForm))
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return nil, &oauthError{http.StatusRequestEntityTooLarge, "invalid_request", "the body is too long"}
	}
	if err != nil {
		return nil, refusal("invalid_request", "the body can't be read")
	}
	values, err := url.ParseQuery(string(body))
	if err != nil {
		return nil, refusal("invalid_request", "the parameters are not correctly encoded")
	}
	form := map[string]string{}
	for name, list := range values {
		if len(list) > 1 {
			return nil, refusal("invalid_request", "a parameter is sent more than once")
		}
		// A parameter without a value counts as left out (RFC 6749, section 3.2).
		if list[0] != "" {
			form[name] = list[0]
		}
	}
	_, secret := form["client_secret"]
	_, asserted := form["client_assertion"]
	switch {
	case form["grant_type"] == "":
		return nil, refusal("invalid_request", "grant_type is missing: client_credentials")
	case form["grant_type"] != "client_credentials":
		return nil, refusal("unsupported_grant_type", "grant_type has to be client_credentials")
	case (r.Header.Get(echo.HeaderAuthorization) != "" || secret) && asserted:
		return nil, refusal("invalid_request", "authenticate by client_assertion alone")
	case r.Header.Get(echo.HeaderAuthorization) != "":
		c.Response().Header().Set(echo.HeaderWWWAuthenticate, `Basic realm="not supported, use private_key_jwt"`)
		return nil, refusal("invalid_client", "authenticate by client_assertion (private_key_jwt)")
	case secret || !asserted:
		return nil, refusal("invalid_client", "authenticate by client_assertion (private_key_jwt)")
	case form["client_assertion_type"] != assertionType:
		return nil, refusal("invalid_client", "client_assertion_type has to be "+assertionType)
	}
	return form, nil
}

func (s *Server) slowDown(c echo.Context, wait time.Duration) error {
	seconds := int((wait + time.Second - 1) / time.Second)
	c.Response().Header().Set(echo.HeaderRetryAfter, strconv.Itoa(seconds))
	return &oauthError{http.StatusTooManyRequests, "temporarily_unavailable", "too many requests for tokens; use a token until it expires"}
}

// fail answers an error. What is not meant for the client is reported without
// being told.
func (s *Server) fail(c echo.Context, err error) error {
	var e *oauthError
	if !errors.As(err, &e) {
		s.report(err)
		e = &oauthError{http.StatusInternalServerError, "server_error", "the server failed to answer"}
	}
	return send(c, e.status, e)
}

func send(c echo.Context, status int, value any) error {
	body, err := json.Marshal(value)
	if err != nil {
		return err
	}
	h := c.Response().Header()
	h.Set(echo.HeaderCacheControl, "no-store")
	h.Set("Pragma", "no-cache")
	h.Set(echo.HeaderXContentTypeOptions, "nosniff")
	return c.Blob(status, echo.MIMEApplicationJSON, body)
}

// WrongMethod answers what is asked of the token endpoint otherwise than by POST.
func (s *Server) WrongMethod(c echo.Context) error {
	c.Response().Header().Set(echo.HeaderAllow, http.MethodPost)
	return s.fail(c, &oauthError{http.StatusMethodNotAllowed, "invalid_request", "a token is asked for by POST"})
}

// Unlogged is the answer where it can't be put on record who asked.
var Unlogged = []byte(`{"error":"temporarily_unavailable","error_description":"it could not be recorded who asked, so nothing is answered; try again"}`)

// mostLimits bounds the memory that addresses take.
const mostLimits = 20_000

// limits keeps requests by key within a rate.
type limits struct {
	mu    sync.Mutex
	known map[string]*rate.Limiter
}

// take counts one request, and returns how long to wait where there are too many.
func (l *limits) take(key string, now time.Time, every time.Duration, burst int) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	limit, ok := l.known[key]
	if !ok {
		l.makeRoom(now)
		limit = rate.NewLimiter(rate.Every(every), burst)
		l.known[key] = limit
	}
	reserved := limit.ReserveN(now, 1)
	wait := reserved.DelayFrom(now)
	if wait > 0 {
		reserved.CancelAt(now)
	}
	return wait
}

// makeRoom forgets those who have not asked for long, and when that is not enough
// everybody.
func (l *limits) makeRoom(now time.Time) {
	if len(l.known) < mostLimits {
		return
	}
	for key, limit := range l.known {
		if limit.TokensAt(now) >= float64(limit.Burst()) {
			delete(l.known, key)
		}
	}
	if len(l.known) >= mostLimits {
		clear(l.known)
	}
}
