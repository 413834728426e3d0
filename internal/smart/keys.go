package smart

import (
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rsa"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/go-jose/go-jose/v4"
	"golang.org/x/sync/singleflight"
)

const (
	// RSA keys are within these bounds: shorter ones are broken (RFC 7518, section
	// 3.3), and much longer ones only cost time.
	fewestBits = 2048
	mostBits   = 8192
	// mostKeys and longestKeys bound a key set.
	mostKeys    = 50
	longestKeys = 128 << 10
	longestKid  = 200
)

// algorithms are those that an assertion may be signed with.
// Source: SMART App Launch 2.2, asymmetric client authentication.
var algorithms = []jose.SignatureAlgorithm{jose.RS384, jose.ES384}

// Key is one public key of a client.
type Key struct {
	ID        string
	Algorithm jose.SignatureAlgorithm
	// Thumbprint is that of RFC 7638 with SHA-256, in base64url.
	Thumbprint string
	public     crypto.PublicKey
}

// Kind says what kind of key it is in words.
func (k Key) Kind() string {
	if p, ok := k.public.(*rsa.PublicKey); ok {
		return "RSA " + strconv.Itoa(p.N.BitLen())
	}
	return "EC P-384"
}

// rawKey is what is looked at before a key is read.
type rawKey struct {
	Kty    string   `json:"kty"`
	Crv    string   `json:"crv"`
	Use    string   `json:"use"`
	Alg    string   `json:"alg"`
	Kid    string   `json:"kid"`
	KeyOps []string `json:"key_ops"`
	// Members that only a private or a symmetric key has.
	D json.RawMessage `json:"d"`
	K json.RawMessage `json:"k"`
}

// readKey reads one key of a set. A key that is of no use here is an error, whose
// text says why and holds nothing of the key.
func readKey(raw json.RawMessage) (Key, error) {
	var head rawKey
	if err := json.Unmarshal(raw, &head); err != nil {
		return Key{}, errors.New("not a JSON Web Key")
	}
	switch {
	case len(head.D) > 0 || len(head.K) > 0 || head.Kty == "oct":
		return Key{}, errPrivate
	case head.Kid == "" || len(head.Kid) > longestKid:
		return Key{}, fmt.Errorf("a key needs a kid of at most %d characters", longestKid)
	case head.Use != "" && head.Use != "sig":
		return Key{}, errors.New("the key is not for signatures")
	case len(head.KeyOps) > 0 && !slices.Contains(head.KeyOps, "verify"):
		return Key{}, errors.New("the key is not for verifying")
	}
	var parsed jose.JSONWebKey
	if err := parsed.UnmarshalJSON(raw); err != nil || !parsed.Valid() || !parsed.IsPublic() {
		return Key{}, errors.New("the key can't be read, or is of an unknown kind")
	}
	k := Key{ID: head.Kid, public: parsed.Key}
	switch public := parsed.Key.(type) {
	case *rsa.PublicKey:
		k.Algorithm = jose.RS384
		if bits := public.N.BitLen(); bits < fewestBits || bits > mostBits {
			return Key{}, fmt.Errorf("an RSA key needs %d to %d bits", fewestBits, mostBits)
		}
	case *ecdsa.PublicKey:
		k.Algorithm = jose.ES384
		if public.Curve != elliptic.P384() {
			return Key{}, errors.New("an EC key has to be on the curve P-384")
		}
	default:
		return Key{}, errors.New("only RSA keys and EC keys on the curve P-384 are used")
	}
	if head.Alg != "" && head.Alg != string(k.Algorithm) {
		return Key{}, fmt.Errorf("the key is for another algorithm; accepted: %s, %s", jose.RS384, jose.ES384)
	}
	sum, err := parsed.Thumbprint(crypto.SHA256)
	if err != nil {
		return Key{}, errors.New("the key can't be read")
	}
	k.Thumbprint = base64.RawURLEncoding.EncodeToString(sum)
	return k, nil
}

var errPrivate = errors.New("it holds a private or a symmetric key: register the public keys alone, and replace that key, which must count as known to others now")

// ParseKeys reads a JSON Web Key Set (RFC 7517) and returns the keys that can be
// used here. Those of other kinds are passed over, as RFC 7517 says; the error
// tells why where none is left. A set with a private key is an error.
func ParseKeys(raw []byte) ([]Key, error) {
	if len(raw) > longestKeys {
		return nil, fmt.Errorf("a key set has at most %d bytes", longestKeys)
	}
	var set struct {
		Keys []json.RawMessage `json:"keys"`
	}
	if err := json.Unmarshal(raw, &set); err != nil || set.Keys == nil {
		return nil, errors.New(`not a JSON Web Key Set: {"keys": [...]} is needed`)
	}
	if len(set.Keys) > mostKeys {
		return nil, fmt.Errorf("a key set has at most %d keys", mostKeys)
	}
	var list []Key
	var why error
	for _, each := range set.Keys {
		k, err := readKey(each)
		if errors.Is(err, errPrivate) {
			return nil, err
		}
		if err != nil {
			why = err
			continue
		}
		for _, other := range list {
			if other.ID == k.ID && other.Algorithm == k.Algorithm {
				return nil, errors.New("two keys of one kind have the same kid")
			}
		}
		list = append(list, k)
	}
	if len(list) > 0 {
		return list, nil
	}
	if why == nil {
		why = errors.New("the set is empty")
	}
	return nil, fmt.Errorf("no key in it can be used: %w", why)
}

// CheckKeysURL checks where a client publishes its keys. Who registers a client
// answers for the address, so it may be on a private network; but keys that come
// without TLS are worth nothing, save from this machine itself.
func CheckKeysURL(text string) error {
	u, err := url.Parse(text)
	if err != nil || u.Host == "" || u.User != nil || u.Fragment != "" || len(text) > 500 {
		return errors.New("an https address such as https://client.example/jwks.json is needed")
	}
	if u.Scheme == "https" || u.Scheme == "http" && loopback(u.Hostname()) {
		return nil
	}
	return errors.New("an https address is needed; http is accepted for loopback alone")
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

const (
	// Fetched keys are kept as long as their server says, within bounds.
	keptShortest = time.Minute
	keptLongest  = time.Hour
	keptDefault  = 10 * time.Minute
	// againAfter is how soon keys may be fetched anew for an unknown kid: anybody
	// can name one.
	againAfter   = 10 * time.Second
	fetchTimeout = 5 * time.Second
	mostFetched  = 1000
)

// fetcher gets key sets by URL, and keeps them for a while.
type fetcher struct {
	client *http.Client
	now    func() time.Time
	flight singleflight.Group
	mu     sync.Mutex
	known  map[string]fetched
}

type fetched struct {
	keys []Key
	at   time.Time
	// until is when they are fetched again.
	until time.Time
}

func newFetcher(now func() time.Time) *fetcher {
	return &fetcher{
		now: now, known: map[string]fetched{},
		client: &http.Client{
			Timeout: fetchTimeout,
			Transport: &http.Transport{
				Proxy: http.ProxyFromEnvironment, MaxResponseHeaderBytes: 64 << 10, DisableKeepAlives: true,
				TLSHandshakeTimeout: fetchTimeout, ResponseHeaderTimeout: fetchTimeout,
			},
			// Where keys come from is registered, and not for others to say.
			CheckRedirect: func(*http.Request, []*http.Request) error { return errors.New("redirects are not followed") },
		},
	}
}

// keys returns the keys at the address. With again they are fetched even if those
// at hand are still good, unless that was done just now.
func (f *fetcher) keys(ctx context.Context, address string, again bool) ([]Key, error) {
	if keys, ok := f.atHand(address, again); ok {
		return keys, nil
	}
	// Whoever asks first fetches for all who ask meanwhile.
	got, err, _ := f.flight.Do(address, func() (any, error) {
		if keys, ok := f.atHand(address, again); ok {
			return keys, nil
		}
		return f.fetch(context.WithoutCancel(ctx), address)
	})
	if err != nil {
		return nil, err
	}
	return got.([]Key), nil
}

// atHand returns keys that were fetched before and are good enough.
func (f *fetcher) atHand(address string, again bool) ([]Key, bool) {
	now := f.now()
	f.mu.Lock()
	defer f.mu.Unlock()
	at, ok := f.known[address]
	age := now.Sub(at.at)
	return at.keys, ok && age >= 0 && now.Before(at.until) && (!again || age < againAfter)
}

func (f *fetcher) fetch(ctx context.Context, address string) ([]Key, error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, fmt.Errorf("ask for the keys: %w", err)
	}
	r.Header.Set("Accept", "application/jwk-set+json, application/json")
	res, err := f.client.Do(r)
	if err != nil {
		return nil, fmt.Errorf("ask for the keys: %w", err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("the keys' server answered %d", res.StatusCode)
	}
	raw, err := io.ReadAll(io.LimitReader(res.Body, longestKeys+1))
	if err != nil {
		return nil, fmt.Errorf("read the keys: %w", err)
	}
	list, err := ParseKeys(raw)
	if err != nil {
		return nil, fmt.Errorf("read the keys: %w", err)
	}
	now := f.now()
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.known) >= mostFetched {
		f.known = map[string]fetched{}
	}
	f.known[address] = fetched{keys: list, at: now, until: now.Add(kept(res.Header))}
	return list, nil
}

// kept is how long an answer may be kept: RFC 9111, as far as it says for how
// long, within our bounds.
func kept(h http.Header) time.Duration {
	keep := keptDefault
	for _, line := range h.Values("Cache-Control") {
		for directive := range strings.SplitSeq(line, ",") {
			name, value, _ := strings.Cut(strings.TrimSpace(directive), "=")
			switch strings.ToLower(name) {
			case "no-store", "no-cache":
				return keptShortest
			case "max-age":
				seconds, err := strconv.ParseInt(strings.Trim(value, `"`), 10, 32)
				if err != nil {
					return keptShortest
				}
				keep = time.Duration(seconds) * time.Second
				if age, err := strconv.ParseInt(h.Get("Age"), 10, 32); err == nil {
					keep -= time.Duration(age) * time.Second
				}
			}
		}
	}
	return min(max(keep, keptShortest), keptLongest)
}
