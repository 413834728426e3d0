package smart

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha512"
	"encoding/base64"
	"encoding/json"
	"math/big"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

const (
	publicRoot = "https://candidacy.example"
	tokenURL   = publicRoot + TokenPath
	// The clients of the tests.
	rsaClient  = "4be1f7a0-8a4f-4e0e-9a0a-6c8b4f2f9d11"
	ecClient   = "4be1f7a0-8a4f-4e0e-9a0a-6c8b4f2f9d22"
	urlClient  = "4be1f7a0-8a4f-4e0e-9a0a-6c8b4f2f9d33"
	goneClient = "4be1f7a0-8a4f-4e0e-9a0a-6c8b4f2f9d44"
	labClient  = "4be1f7a0-8a4f-4e0e-9a0a-6c8b4f2f9d55"
)

func must(err error) {
	if err != nil {
		panic(err)
	}
}

func newRSA(bits int) func() *rsa.PrivateKey {
	return sync.OnceValue(func() *rsa.PrivateKey {
		k, err := rsa.GenerateKey(rand.Reader, bits)
		must(err)
		return k
	})
}

func newEC(curve elliptic.Curve) func() *ecdsa.PrivateKey {
	return sync.OnceValue(func() *ecdsa.PrivateKey {
		k, err := ecdsa.GenerateKey(curve, rand.Reader)
		must(err)
		return k
	})
}

var (
	rsaKey, strangerRSA, weakRSA = newRSA(2048), newRSA(2048), newRSA(1024)
	ecKey, strangerEC, otherEC   = newEC(elliptic.P384()), newEC(elliptic.P384()), newEC(elliptic.P256())
)

func b64(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

// jwk writes a public key as RFC 7518, section 6, has it.
func jwk(public crypto.PublicKey, kid string, more ...string) map[string]any {
	m := map[string]any{"kid": kid}
	switch k := public.(type) {
	case *rsa.PublicKey:
		m["kty"], m["n"], m["e"] = "RSA", b64(k.N.Bytes()), b64(big.NewInt(int64(k.E)).Bytes())
	case *ecdsa.PublicKey:
		size := (k.Curve.Params().BitSize + 7) / 8
		point, err := k.Bytes() // 4, x, y
		must(err)
		m["kty"], m["crv"], m["x"], m["y"] = "EC", k.Curve.Params().Name, b64(point[1:1+size]), b64(point[1+size:])
	}
	for i := 0; i+1 < len(more); i += 2 {
		m[more[i]] = more[i+1]
	}
	return m
}

func jwks(keys ...map[string]any) []byte {
	raw, err := json.Marshal(map[string]any{"keys": keys})
	must(err)
	return raw
}

// sign makes a token in compact form by the definitions of RFC 7515 and RFC 7518,
// sections 3.3 and 3.4, with nothing but the standard library.
func sign(header, claims any, key crypto.PrivateKey) string {
	h, err := json.Marshal(header)
	must(err)
	c, err := json.Marshal(claims)
	must(err)
	return signRaw(string(h), string(c), key)
}

func signRaw(header, claims string, key crypto.PrivateKey) string {
	input := b64([]byte(header)) + "." + b64([]byte(claims))
	sum := sha512.Sum384([]byte(input))
	var signature []byte
	switch k := key.(type) {
	case *rsa.PrivateKey:
		var err error
		signature, err = rsa.SignPKCS1v15(rand.Reader, k, crypto.SHA384, sum[:])
		must(err)
	case *ecdsa.PrivateKey:
		size := (k.Curve.Params().BitSize + 7) / 8
		r, s, err := ecdsa.Sign(rand.Reader, k, sum[:])
		must(err)
		signature = append(r.FillBytes(make([]byte, size)), s.FillBytes(make([]byte, size))...)
	}
	return input + "." + b64(signature)
}

// world is the token endpoint over a record store in a file.
type world struct {
	t     *testing.T
	path  string
	at    time.Time
	store *record.Store
	echo  *echo.Echo
	// keys is where a client publishes its keys.
	keys *keyHost
	jti  int
}

func (w *world) now() time.Time { return w.at }

func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{t: t, path: filepath.Join(t.TempDir(), "records.db"), at: time.Date(2026, 3, 2, 8, 30, 0, 0, time.UTC)}
	w.keys = newKeyHost(t)
	w.keys.set(jwks(jwk(rsaKey().Public(), "k1"), jwk(ecKey().Public(), "k2")))
	w.restart()
	for _, c := range []record.Client{
		{ID: rsaClient, Name: "Reader with an RSA key", Scopes: "system/*.rs", Keys: jwks(jwk(rsaKey().Public(), "k1"))},
		{ID: ecClient, Name: "Reader with an EC key", Scopes: "system/Patient.rs system/Observation.rs", Keys: jwks(jwk(ecKey().Public(), "k2", "use", "sig", "alg", "ES384"))},
		{ID: urlClient, Name: "Reader with keys elsewhere", Scopes: "system/*.rs", KeysURL: w.keys.URL + "/jwks.json"},
		{ID: goneClient, Name: "Disabled", Scopes: "system/*.rs", Keys: jwks(jwk(rsaKey().Public(), "k1")), Disabled: true},
		{ID: labClient, Name: "Laboratory", Role: record.ClientLaboratory, Scopes: "system/Observation.crus system/DiagnosticReport.cu", Keys: jwks(jwk(rsaKey().Public(), "k1"))},
	} {
		if err := Check(&c); err != nil {
			t.Fatal(err)
		}
		if err := w.store.AddClient(t.Context(), c, "acc-1", journey.Administrator); err != nil {
			t.Fatal(err)
		}
	}
	return w
}

// restart opens the store and the endpoint anew, as another process would.
func (w *world) restart() *Server {
	w.t.Helper()
	store, err := record.Open(w.t.Context(), w.path, w.now)
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() {
		if err := store.Close(); err != nil {
			w.t.Error(err)
		}
	})
	w.store, w.echo = store, echo.New()
	s := New(Options{
		Store: store, Now: w.now, Root: func(*http.Request) (string, error) { return publicRoot, nil },
		Report: func(err error) { w.t.Logf("reported: %v", err) },
	})
	s.fetcher.client.Transport.(*http.Transport).TLSClientConfig = w.keys.Client().Transport.(*http.Transport).TLSClientConfig
	w.echo.POST(TokenPath, s.Token)
	w.echo.GET(TokenPath, s.WrongMethod)
	w.echo.GET(WellKnownPath, s.Configuration)
	return s
}

// ask is a request for a token as a client makes it; the tests change parts of it.
type ask struct {
	method, target string
	header         http.Header
	// head and claims are those of the assertion, signed by key unless it is given.
	head, claims map[string]any
	key          crypto.PrivateKey
	form         url.Values
	body         string
	address      string
}

func (w *world) ask(client string) *ask {
	w.jti++
	a := &ask{
		method: http.MethodPost, target: TokenPath, address: "192.0.2.7:4000",
		header: http.Header{"Content-Type": {"application/x-www-form-urlencoded"}},
		head:   map[string]any{"alg": "RS384", "kid": "k1", "typ": "JWT"}, key: rsaKey(),
		claims: map[string]any{
			"iss": client, "sub": client, "aud": tokenURL, "jti": "jti-" + string(rune('a'+w.jti%26)) + "-" + b64(big.NewInt(int64(w.jti)).Bytes()),
			"exp": w.at.Add(4 * time.Minute).Unix(),
		},
		form: url.Values{
			"grant_type": {"client_credentials"}, "client_assertion_type": {assertionType}, "scope": {"system/Observation.rs"},
		},
	}
	if client == ecClient {
		a.head["alg"], a.head["kid"], a.key = "ES384", "k2", ecKey()
	}
	return a
}

func (a *ask) assertion() string { return sign(a.head, a.claims, a.key) }

func (w *world) send(a *ask) *httptest.ResponseRecorder {
	if a.form != nil && !a.form.Has("client_assertion") {
		a.form.Set("client_assertion", a.assertion())
	}
	if a.body == "" {
		a.body = a.form.Encode()
	}
	r := httptest.NewRequest(a.method, a.target, strings.NewReader(a.body))
	r.Header, r.RemoteAddr = a.header, a.address
	answer := httptest.NewRecorder()
	w.echo.ServeHTTP(answer, r)
	return answer
}

// issued counts the tokens on record.
func (w *world) issued() int {
	w.t.Helper()
	rows, err := openRaw(w.path)
	must(err)
	defer rows.Close()
	var n int
	must(rows.QueryRow("SELECT COUNT(*) FROM token").Scan(&n))
	return n
}

// keyHost publishes a key set over TLS and counts how often it is asked for.
type keyHost struct {
	*httptest.Server
	mu     sync.Mutex
	body   []byte
	header http.Header
	status int
	asked  int
}

func newKeyHost(t *testing.T) *keyHost {
	h := &keyHost{status: http.StatusOK, header: http.Header{}}
	h.Server = httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.asked++
		for name, values := range h.header {
			w.Header()[name] = values
		}
		w.WriteHeader(h.status)
		_, _ = w.Write(h.body) // the client is gone when this fails
	}))
	t.Cleanup(h.Close)
	return h
}

func (h *keyHost) set(body []byte, header ...string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.body, h.status, h.header = body, http.StatusOK, http.Header{}
	for i := 0; i+1 < len(header); i += 2 {
		h.header.Set(header[i], header[i+1])
	}
}

func (h *keyHost) count() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.asked
}
