package smart

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"

	"candidacy/internal/record"
)

const (
	// longestAhead is how far ahead an assertion may expire.
	// Source: SMART App Launch 2.2, "no more than five minutes in the future".
	longestAhead = 5 * time.Minute
	// skew is how far the client's clock may be off.
	skew = 30 * time.Second
	// longestAssertion and longestID bound what is looked at.
	longestAssertion = 16 << 10
	longestID        = 500
)

// assertion is one that was proven to come from a registered client.
type assertion struct {
	client record.Client
	id     string
	// until is when it would be refused for its age.
	until time.Time
}

// stranger is the one answer to whatever is not proven to come from a client: it
// does not tell which clients there are.
var stranger = refusal("invalid_client", "the assertion is not that of a client which is registered and enabled, signed by one of its keys")

// prove finds out which client an assertion comes from, and that it is good for
// the audience. Its error is an *oauthError unless something of ours failed.
func (s *Server) prove(ctx context.Context, text, audience string) (assertion, error) {
	if len(text) > longestAssertion {
		return assertion{}, refusal("invalid_client", "client_assertion: too long")
	}
	token, err := jwt.ParseSigned(text, algorithms)
	var wrong *jose.ErrUnexpectedSignatureAlgorithm
	switch {
	case errors.As(err, &wrong):
		return assertion{}, refusal("invalid_client", "client_assertion: alg has to be RS384 or ES384")
	case err != nil:
		return assertion{}, refusal("invalid_client", "client_assertion: not a JSON Web Token in compact form, signed with RS384 or ES384")
	}
	header := token.Headers[0]
	if err := checkHeader(header); err != nil {
		return assertion{}, err
	}
	var named jwt.Claims
	if err := token.UnsafeClaimsWithoutVerification(&named); err != nil {
		return assertion{}, refusal("invalid_client", "client_assertion: the claims can't be read")
	}
	if named.Subject == "" || named.Issuer != named.Subject {
		return assertion{}, refusal("invalid_client", "client_assertion: iss and sub both have to be the client id")
	}
	client, err := s.store.Client(ctx, named.Subject)
	if errors.Is(err, record.ErrNotFound) {
		return assertion{}, stranger
	}
	if err != nil {
		return assertion{}, err
	}
	s.attempted(ctx, client.ID)
	if client.Disabled {
		return assertion{}, stranger
	}
	// The address of the keys is registered, and a client can't name another.
	if jku, ok := header.ExtraHeaders["jku"]; ok && jku != client.KeysURL {
		return assertion{}, stranger
	}
	key, err := s.key(ctx, client, header)
	if err != nil {
		return assertion{}, err
	}
	var claims jwt.Claims
	if err := token.Claims(key.public, &claims); err != nil {
		return assertion{}, stranger
	}
	a := assertion{client: client, id: claims.ID}
	a.until, err = s.checkClaims(claims, audience)
	return a, err
}

func checkHeader(h jose.Header) error {
	if h.KeyID == "" {
		return refusal("invalid_client", "client_assertion: the header needs a kid")
	}
	if typ, ok := h.ExtraHeaders[jose.HeaderType]; ok {
		if text, ok := typ.(string); !ok || !strings.EqualFold(text, "JWT") {
			return refusal("invalid_client", "client_assertion: typ has to be JWT")
		}
	}
	for _, name := range []jose.HeaderKey{"crit", "b64", "zip"} {
		if _, ok := h.ExtraHeaders[name]; ok {
			return refusal("invalid_client", "client_assertion: the header parameter "+string(name)+" is not supported")
		}
	}
	return nil
}

// key finds the registered key that the header names. Where the client publishes
// its keys, an unknown name has them fetched once more.
func (s *Server) key(ctx context.Context, client record.Client, h jose.Header) (Key, error) {
	if client.KeysURL == "" {
		list, err := ParseKeys(client.Keys)
		if err != nil {
			return Key{}, fmt.Errorf("read the registered keys: %w", err)
		}
		if k, ok := find(list, h); ok {
			return k, nil
		}
		return Key{}, stranger
	}
	for _, again := range []bool{false, true} {
		list, err := s.fetcher.keys(ctx, client.KeysURL, again)
		if err != nil {
			s.report(fmt.Errorf("keys of client %s: %w", client.ID, err))
			return Key{}, refusal("invalid_client", "the keys of the client can't be read from its registered address")
		}
		if k, ok := find(list, h); ok {
			return k, nil
		}
	}
	return Key{}, stranger
}

func find(list []Key, h jose.Header) (Key, bool) {
	for _, k := range list {
		if k.ID == h.KeyID && string(k.Algorithm) == h.Algorithm {
			return k, true
		}
	}
	return Key{}, false
}

// checkClaims checks what a proven client says, and returns until when it is good.
func (s *Server) checkClaims(c jwt.Claims, audience string) (until time.Time, err error) {
	now := s.now()
	bad := func(text string) (time.Time, error) {
		return time.Time{}, refusal("invalid_client", "client_assertion: "+text)
	}
	switch {
	case len(c.Audience) != 1 || c.Audience[0] != audience:
		return bad("aud has to be the address of the token endpoint, " + audience)
	case c.ID == "":
		return bad("jti is missing")
	case len(c.ID) > longestID:
		return bad("jti is too long")
	case c.Expiry == nil:
		return bad("exp is missing")
	}
	expires := c.Expiry.Time()
	switch {
	case !now.Before(expires.Add(skew)):
		return bad("exp: the assertion has expired")
	case expires.After(now.Add(longestAhead + skew)):
		return bad("exp may be at most 5 minutes ahead")
	case c.NotBefore != nil && c.NotBefore.Time().After(now.Add(skew)):
		return bad("nbf: the assertion is not good yet")
	case c.IssuedAt != nil && c.IssuedAt.Time().After(now.Add(skew)):
		return bad("iat is in the future")
	}
	return expires.Add(skew), nil
}
