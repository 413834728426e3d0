// Package access lets machines in: it reads the bearer token of a request,
// finds out who it speaks for and whether that role may be here. The JSON API
// and the FHIR endpoint share it, each with its own form of an error. It knows
// no route and no candidate: what somebody may see is decided behind it.
package access

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// Tokens looks up who a token speaks for. A token that is unknown or has
// expired is record.ErrNotFound. The record store is one, and Cache wraps one.
type Tokens interface {
	TokenBearer(ctx context.Context, token string) (record.Bearer, error)
}

var _ Tokens = (*record.Store)(nil)

// Fail answers a request that is not let in, in the form of the interface that
// was asked. The codes are those of the FHIR issue types: login, forbidden and
// exception. The message holds fixed words only.
type Fail = func(c echo.Context, status int, code, message string) error

// contextKey is where the bearer is kept in the request's context, and askedKey
// where it is kept even if it was refused.
const (
	contextKey = "candidacy.bearer"
	askedKey   = "candidacy.asked"
)

// longestToken bounds what is looked up; our own tokens are far shorter.
const longestToken = 512

// Bearer lets in the requests whose token speaks for one of the allowed roles.
// Without a token, or with one that is wrong or has expired, the answer is 401:
// it does not say which. A token of another role gets 403. Who a token speaks
// for is remembered as in Cache, by the clock now.
func Bearer(store Tokens, allowed []journey.Role, now func() time.Time, fail Fail) echo.MiddlewareFunc {
	tokens := Cache(store, now)
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			bearer, err := lookUp(c.Request(), tokens)
			if err == nil {
				c.Set(askedKey, bearer)
			}
			switch {
			case errors.Is(err, record.ErrNotFound):
				c.Response().Header().Set(echo.HeaderWWWAuthenticate, "Bearer")
				return fail(c, http.StatusUnauthorized, "login", "a valid bearer token is needed")
			case err != nil:
				// The error goes on, so that whoever logs requests sees it; the
				// client is answered here because it must not see the text.
				return errors.Join(fail(c, http.StatusInternalServerError, "exception", "the server failed to answer"), err)
			case !slices.Contains(allowed, bearer.Role):
				return fail(c, http.StatusForbidden, "forbidden", "the role of this token is not allowed here")
			}
			c.Set(contextKey, bearer)
			r := c.Request()
			c.SetRequest(r.WithContext(context.WithValue(r.Context(), bearerKey{}, bearer)))
			return next(c)
		}
	}
}

// From returns who the request speaks for. It is empty, and so allowed nothing,
// where Bearer did not let the request in.
func From(c echo.Context) record.Bearer {
	bearer, _ := c.Get(contextKey).(record.Bearer)
	return bearer
}

type bearerKey struct{}

// Of is From for whoever has the request alone.
func Of(r *http.Request) record.Bearer {
	bearer, _ := r.Context().Value(bearerKey{}).(record.Bearer)
	return bearer
}

// Asked returns whose token was shown, let in or not. It is for the log of who
// asked and decides nothing.
func Asked(c echo.Context) record.Bearer {
	bearer, _ := c.Get(askedKey).(record.Bearer)
	return bearer
}

func lookUp(r *http.Request, tokens Tokens) (record.Bearer, error) {
	token, ok := credentials(r.Header)
	if !ok {
		return record.Bearer{}, record.ErrNotFound
	}
	return tokens.TokenBearer(r.Context(), token)
}

// credentials reads the one Authorization header. Two of them could be read
// differently by something in front of us, so they count as none.
func credentials(h http.Header) (string, bool) {
	values := h.Values(echo.HeaderAuthorization)
	if len(values) != 1 {
		return "", false
	}
	scheme, token, ok := strings.Cut(values[0], " ")
	if !ok || !strings.EqualFold(scheme, "Bearer") {
		return "", false
	}
	token = strings.Trim(token, " ")
	if token == "" || len(token) > longestToken || strings.ContainsAny(token, " ,\t") {
		return "", false
	}
	return token, true
}
