// Package issuer is a small identity provider for tests: it publishes how it is
// reached, sends people back with a code, and exchanges the code for a signed ID token
// as OpenID Connect Core 1.0 and PKCE (RFC 7636) say. What it puts into a token can be
// made wrong in any way.
package issuer

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"sync"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
)

// Issuer is a provider that runs.
type Issuer struct {
	*httptest.Server
	ClientID, ClientSecret string
	Now                    func() time.Time

	mu sync.Mutex
	// person are the claims of whoever signs in next.
	person map[string]any
	change func(claims map[string]any)
	key    *ecdsa.PrivateKey
	signer *ecdsa.PrivateKey
	codes  map[string]url.Values
	// broken makes discovery fail.
	broken bool
}

// New starts a provider with one client.
func New(clientID, clientSecret string, now func() time.Time) (*Issuer, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	i := &Issuer{ClientID: clientID, ClientSecret: clientSecret, Now: now, key: key, signer: key, codes: map[string]url.Values{}}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", i.configuration)
	mux.HandleFunc("GET /keys", i.keys)
	mux.HandleFunc("GET /authorize", i.authorize)
	mux.HandleFunc("POST /token", i.token)
	i.Server = httptest.NewServer(mux)
	return i, nil
}

// SignsIn says who signs in next, and what is changed about the claims of their token.
func (i *Issuer) SignsIn(person map[string]any, change func(claims map[string]any)) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.person, i.change = person, change
}

// SignWith makes tokens be signed by another key than the published one; nil for that
// one again.
func (i *Issuer) SignWith(key *ecdsa.PrivateKey) {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.signer = key; key == nil {
		i.signer = i.key
	}
}

// Break makes discovery fail, or work again.
func (i *Issuer) Break(broken bool) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.broken = broken
}

func answer(w http.ResponseWriter, status int, body any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(body) // the client is gone when this fails
}

func (i *Issuer) configuration(w http.ResponseWriter, _ *http.Request) {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.broken {
		answer(w, http.StatusServiceUnavailable, map[string]any{})
		return
	}
	answer(w, http.StatusOK, map[string]any{
		"issuer": i.URL, "authorization_endpoint": i.URL + "/authorize", "token_endpoint": i.URL + "/token", "jwks_uri": i.URL + "/keys",
		"response_types_supported": []string{"code"}, "subject_types_supported": []string{"public"}, "id_token_signing_alg_values_supported": []string{"ES256"},
		"code_challenge_methods_supported": []string{"S256"}, "authorization_response_iss_parameter_supported": true,
	})
}

func (i *Issuer) keys(w http.ResponseWriter, _ *http.Request) {
	answer(w, http.StatusOK, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: i.key.Public(), KeyID: "k1", Algorithm: "ES256", Use: "sig"}}})
}

// authorize sends back at once: who signs in is settled beforehand.
func (i *Issuer) authorize(w http.ResponseWriter, r *http.Request) {
	i.mu.Lock()
	defer i.mu.Unlock()
	q := r.URL.Query()
	if q.Get("client_id") != i.ClientID || q.Get("response_type") != "code" || q.Get("code_challenge_method") != "S256" || q.Get("code_challenge") == "" {
		answer(w, http.StatusBadRequest, map[string]any{"error": "invalid_request"})
		return
	}
	back := url.Values{"state": {q.Get("state")}, "iss": {i.URL}}
	if i.person == nil {
		back.Set("error", "access_denied")
	} else {
		code := rand.Text()
		i.codes[code] = q
		back.Set("code", code)
	}
	http.Redirect(w, r, q.Get("redirect_uri")+"?"+back.Encode(), http.StatusFound)
}

func (i *Issuer) token(w http.ResponseWriter, r *http.Request) {
	i.mu.Lock()
	defer i.mu.Unlock()
	id, secret, _ := r.BasicAuth()
	if plain, err := url.QueryUnescape(secret); err == nil { // RFC 6749, 2.3.1
		secret = plain
	}
	if id == "" {
		id, secret = r.PostFormValue("client_id"), r.PostFormValue("client_secret")
	}
	asked, known := i.codes[r.PostFormValue("code")]
	delete(i.codes, r.PostFormValue("code")) // a code is good once
	sum := sha256.Sum256([]byte(r.PostFormValue("code_verifier")))
	switch {
	case id != i.ClientID || secret != i.ClientSecret:
		answer(w, http.StatusUnauthorized, map[string]any{"error": "invalid_client"})
		return
	case !known, r.PostFormValue("redirect_uri") != asked.Get("redirect_uri"), base64.RawURLEncoding.EncodeToString(sum[:]) != asked.Get("code_challenge"):
		answer(w, http.StatusBadRequest, map[string]any{"error": "invalid_grant"})
		return
	}
	now := i.Now()
	claims := map[string]any{
		"iss": i.URL, "aud": i.ClientID, "iat": now.Unix(), "exp": now.Add(5 * time.Minute).Unix(), "nonce": asked.Get("nonce"),
	}
	for name, value := range i.person {
		claims[name] = value
	}
	if i.change != nil {
		i.change(claims)
	}
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.ES256, Key: jose.JSONWebKey{Key: i.signer, KeyID: "k1"}}, nil)
	if err != nil {
		answer(w, http.StatusInternalServerError, map[string]any{"error": "server_error"})
		return
	}
	signed, err := jwt.Signed(signer).Claims(claims).Serialize()
	if err != nil {
		answer(w, http.StatusInternalServerError, map[string]any{"error": "server_error"})
		return
	}
	answer(w, http.StatusOK, map[string]any{"access_token": rand.Text(), "token_type": "Bearer", "expires_in": 300, "id_token": signed})
}
