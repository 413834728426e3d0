package signin_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"candidacy/internal/signin"
	"candidacy/internal/signin/issuer"
)

var now = time.Date(2026, 7, 20, 7, 0, 0, 0, time.UTC)

const redirect = "https://candidacy.example/sign-in/provider/back"

func provide(t *testing.T) (*issuer.Issuer, *signin.Provider) {
	t.Helper()
	i, err := issuer.New("candidacy", "a shared word", func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(i.Close)
	return i, provider(t, i, "a shared word")
}

func provider(t *testing.T, i *issuer.Issuer, secret string) *signin.Provider {
	t.Helper()
	p, err := signin.NewProvider(signin.ProviderOptions{
		Issuer: i.URL, ClientID: "candidacy", ClientSecret: secret, Redirect: redirect, Now: func() time.Time { return now },
	})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// goes follows the address to the provider and returns with what it came back.
func goes(t *testing.T, address string) url.Values {
	t.Helper()
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := client.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	back, err := res.Location()
	if err != nil || !strings.HasPrefix(back.String(), redirect) {
		t.Fatalf("%d, %v, %v", res.StatusCode, back, err)
	}
	return back.Query()
}

var maren = map[string]any{"sub": "u-1", "email": "Maren@Example.org", "email_verified": true}

func TestProviderLetsIn(t *testing.T) {
	i, p := provide(t)
	for name, c := range map[string]struct {
		change func(map[string]any)
		want   signin.Person
	}{
		"as it is":             {nil, signin.Person{Subject: "u-1", Email: "maren@example.org"}},
		"with two factors":     {func(c map[string]any) { c["amr"] = []string{"pwd", "mfa"} }, signin.Person{Subject: "u-1", Email: "maren@example.org", Strong: true}},
		"with one factor":      {func(c map[string]any) { c["amr"] = []string{"pwd"} }, signin.Person{Subject: "u-1", Email: "maren@example.org"}},
		"truth as a text":      {func(c map[string]any) { c["email_verified"] = "true" }, signin.Person{Subject: "u-1", Email: "maren@example.org"}},
		"an unverified e-mail": {func(c map[string]any) { c["email_verified"] = false }, signin.Person{Subject: "u-1"}},
		"no word of it":        {func(c map[string]any) { delete(c, "email_verified") }, signin.Person{Subject: "u-1"}},
		"us among several":     {func(c map[string]any) { c["aud"], c["azp"] = []string{"candidacy", "other"}, "candidacy" }, signin.Person{Subject: "u-1", Email: "maren@example.org"}},
	} {
		i.SignsIn(maren, c.change)
		address, flow, err := p.Begin(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		u, err := url.Parse(address)
		if err != nil {
			t.Fatal(err)
		}
		q := u.Query()
		if q.Get("code_challenge_method") != "S256" || q.Get("state") != flow.State || q.Get("nonce") != flow.Nonce || strings.Contains(address, flow.Verifier) || !strings.Contains(q.Get("scope"), "openid") {
			t.Errorf("%s: %s", name, address)
		}
		c.want.Issuer = i.URL
		got, err := p.Finish(t.Context(), flow, goes(t, address))
		if err != nil || got != c.want {
			t.Errorf("%s: %+v, %v, want %+v", name, got, err, c.want)
		}
	}
}

// TestProviderKeepsOut goes through what OpenID Connect Core 1.0, 3.1.3.7, RFC 7636 and
// RFC 9207 say is to be refused.
func TestProviderKeepsOut(t *testing.T) {
	i, p := provide(t)
	stranger, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	claim := func(name string, value any) func(map[string]any) {
		return func(c map[string]any) { c[name] = value }
	}
	for name, c := range map[string]struct {
		change func(map[string]any)
		flow   func(*signin.Flow)
		query  func(url.Values)
		key    *ecdsa.PrivateKey
		says   string
	}{
		"another nonce":           {change: claim("nonce", "x"), says: "nonce"},
		"no nonce":                {change: func(c map[string]any) { delete(c, "nonce") }, says: "nonce"},
		"a nonce of nothing":      {change: claim("nonce", ""), flow: func(f *signin.Flow) { f.Nonce = "" }, says: "nonce"},
		"another audience":        {change: claim("aud", "other"), says: "audience"},
		"another party":           {change: func(c map[string]any) { c["aud"], c["azp"] = []string{"candidacy", "other"}, "other" }, says: "party"},
		"several and no party":    {change: claim("aud", []string{"candidacy", "other"}), says: "party"},
		"another issuer":          {change: claim("iss", "https://other.example"), says: "not valid"},
		"expired":                 {change: claim("exp", now.Unix()-1), says: "expired"},
		"nobody":                  {change: claim("sub", ""), says: "nobody"},
		"a long subject":          {change: claim("sub", strings.Repeat("x", 256)), says: "nobody"},
		"claims of another form":  {change: claim("amr", "mfa"), says: "read"},
		"signed by a stranger":    {key: stranger, says: "not valid"},
		"another state":           {query: func(q url.Values) { q.Set("state", "x") }, says: "state"},
		"no state":                {query: func(q url.Values) { q.Del("state") }, says: "state"},
		"a state of nothing":      {query: func(q url.Values) { q.Del("state") }, flow: func(f *signin.Flow) { f.State = "" }, says: "state"},
		"another issuer answers":  {query: func(q url.Values) { q.Set("iss", "https://other.example") }, says: "another issuer"},
		"the issuer is left out":  {query: func(q url.Values) { q.Del("iss") }, says: "another issuer"},
		"a refusal":               {query: func(q url.Values) { q.Set("error", "access_denied") }, says: "refused"},
		"no code":                 {query: func(q url.Values) { q.Del("code") }, says: "no code"},
		"a code of somebody else": {query: func(q url.Values) { q.Set("code", "x") }, says: "did not take"},
		"another verifier":        {flow: func(f *signin.Flow) { f.Verifier = strings.Repeat("x", 43) }, says: "did not take"},
	} {
		i.SignsIn(maren, c.change)
		i.SignWith(c.key)
		address, flow, err := p.Begin(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		back := goes(t, address)
		if c.query != nil {
			c.query(back)
		}
		if c.flow != nil {
			c.flow(&flow)
		}
		got, err := p.Finish(t.Context(), flow, back)
		var rejected *signin.Rejected
		if !errors.As(err, &rejected) || !strings.Contains(rejected.Reason, c.says) || got != (signin.Person{}) {
			t.Errorf("%s: %+v, %v, want %q", name, got, err, c.says)
		}
	}
	i.SignWith(nil)

	// The same answer once more, and a secret that is not ours.
	i.SignsIn(maren, nil)
	address, flow, err := p.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	back := goes(t, address)
	if _, err := p.Finish(t.Context(), flow, back); err != nil {
		t.Fatal(err)
	}
	var rejected *signin.Rejected
	if _, err := p.Finish(t.Context(), flow, back); !errors.As(err, &rejected) {
		t.Errorf("the same answer once more: %v", err)
	}
	wrong := provider(t, i, "another word")
	if address, flow, err = wrong.Begin(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := wrong.Finish(t.Context(), flow, goes(t, address)); !errors.As(err, &rejected) {
		t.Errorf("a wrong client secret: %v", err)
	}
	// Nobody signed in there.
	i.SignsIn(nil, nil)
	if address, flow, err = p.Begin(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Finish(t.Context(), flow, goes(t, address)); !errors.As(err, &rejected) || !strings.Contains(rejected.Reason, "refused") {
		t.Errorf("somebody who was refused: %v", err)
	}
}

func TestProviderIsFoundLater(t *testing.T) {
	i, p := provide(t)
	i.Break(true)
	if _, _, err := p.Begin(t.Context()); err == nil {
		t.Error("a provider that does not answer is found")
	}
	i.Break(false)
	if _, _, err := p.Begin(t.Context()); err != nil {
		t.Errorf("later: %v", err)
	}
	if p.Name() != "127.0.0.1" {
		t.Errorf("it is called %s", p.Name())
	}
}

func TestProviderOptions(t *testing.T) {
	good := signin.ProviderOptions{Issuer: "https://id.example/realm", ClientID: "c", Redirect: redirect}
	for name, c := range map[string]struct {
		change func(*signin.ProviderOptions)
		says   string
	}{
		"as they are": {func(*signin.ProviderOptions) {}, ""}, "on this machine": {func(o *signin.ProviderOptions) { o.Issuer = "http://127.0.0.1:9000" }, ""},
		"no address": {func(o *signin.ProviderOptions) { o.Issuer = "id.example" }, "an address"}, "a query": {func(o *signin.ProviderOptions) { o.Issuer += "?x=1" }, "an address"},
		"a user": {func(o *signin.ProviderOptions) { o.Issuer = "https://u:p@id.example" }, "an address"}, "no https": {func(o *signin.ProviderOptions) { o.Issuer = "http://id.example" }, "https"},
		"no client": {func(o *signin.ProviderOptions) { o.ClientID = "" }, "client id"}, "no way back": {func(o *signin.ProviderOptions) { o.Redirect = "" }, "come back"},
	} {
		o := good
		c.change(&o)
		p, err := signin.NewProvider(o)
		if c.says == "" && (err != nil || p.Issuer() != o.Issuer) || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%s: %v, want %q", name, err, c.says)
		}
	}
}
