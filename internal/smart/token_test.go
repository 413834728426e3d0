package smart

import (
	"crypto"
	"crypto/hmac"
	"crypto/rsa"
	"crypto/sha512"
	"crypto/x509"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"candidacy/internal/record"
)

func openRaw(path string) (*sql.DB, error) {
	return sql.Open("sqlite", "file:"+path+"?_pragma=busy_timeout(10000)")
}

type got struct {
	Token   string `json:"access_token"`
	Type    string `json:"token_type"`
	Expires int    `json:"expires_in"`
	Scope   string `json:"scope"`
	Error   string `json:"error"`
	Text    string `json:"error_description"`
}

func decode(t *testing.T, body []byte) (g got) {
	t.Helper()
	if err := json.Unmarshal(body, &g); err != nil {
		t.Fatalf("%v: %s", err, body)
	}
	return g
}

func TestAToken(t *testing.T) {
	w := newWorld(t)
	for _, client := range []string{rsaClient, ecClient, urlClient} {
		answer := w.send(w.ask(client))
		g := decode(t, answer.Body.Bytes())
		if answer.Code != 200 || g.Type != "bearer" || g.Expires != 300 || g.Scope != "system/Observation.rs" || !strings.HasPrefix(g.Token, "cdy_") {
			t.Errorf("%d %s", answer.Code, answer.Body)
		}
		// RFC 6749, section 5.1.
		if h := answer.Header(); h.Get("Cache-Control") != "no-store" || h.Get("Pragma") != "no-cache" || !strings.HasPrefix(h.Get("Content-Type"), "application/json") {
			t.Errorf("headers: %v", h)
		}
		if strings.Contains(answer.Body.String(), "refresh") {
			t.Errorf("a refresh token: %s", answer.Body)
		}
		bearer, err := w.store.TokenBearer(t.Context(), g.Token)
		if err != nil || bearer.Actor != client || bearer.Scopes != g.Scope {
			t.Errorf("%+v, %v", bearer, err)
		}
		w.at = w.at.Add(300*time.Second - time.Microsecond)
		if _, err := w.store.TokenBearer(t.Context(), g.Token); err != nil {
			t.Errorf("just before its end: %v", err)
		}
		w.at = w.at.Add(time.Microsecond)
		if _, err := w.store.TokenBearer(t.Context(), g.Token); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("at its end: %v", err)
		}
	}
}

// A client that names no scope gets those it is registered for, and is told.
func TestNoScopeIsAllOfThem(t *testing.T) {
	w := newWorld(t)
	for client, want := range map[string]string{ecClient: "system/Patient.rs system/Observation.rs", labClient: "system/Observation.crus system/DiagnosticReport.cu"} {
		a := w.ask(client)
		a.form.Del("scope")
		if answer := w.send(a); answer.Code != 200 || decode(t, answer.Body.Bytes()).Scope != want {
			t.Errorf("%d %s", answer.Code, answer.Body)
		}
	}
}

func TestGoodRequests(t *testing.T) {
	w := newWorld(t)
	for name, change := range map[string]func(*ask){
		"typ left out":              func(a *ask) { delete(a.head, "typ") },
		"typ in small letters":      func(a *ask) { a.head["typ"] = "jwt" },
		"aud in a list":             func(a *ask) { a.claims["aud"] = []string{tokenURL} },
		"iat and nbf now":           func(a *ask) { a.claims["iat"], a.claims["nbf"] = w.at.Unix(), w.at.Unix() },
		"a clock that is ahead":     func(a *ask) { a.claims["iat"], a.claims["exp"] = w.at.Unix()+30, w.at.Unix()+330 },
		"a clock that is behind":    func(a *ask) { a.claims["exp"] = w.at.Unix() - 29 },
		"exp with a fraction":       func(a *ask) { a.claims["exp"] = float64(w.at.Unix()) + 100.5 },
		"other claims":              func(a *ask) { a.claims["name"] = map[string]any{"a": []int{1}} },
		"client_id said again":      func(a *ask) { a.form.Set("client_id", rsaClient) },
		"an empty client_secret":    func(a *ask) { a.form.Set("client_secret", "") },
		"an unknown parameter":      func(a *ask) { a.form.Set("resource", "x") },
		"content type with charset": func(a *ask) { a.header.Set("Content-Type", "application/x-www-form-urlencoded; charset=UTF-8") },
		"scopes of other kinds too": func(a *ask) { a.form.Set("scope", "openid launch/patient system/Patient.rs user/*.read") },
	} {
		a := w.ask(rsaClient)
		change(a)
		if answer := w.send(a); answer.Code != 200 {
			t.Errorf("%s: %d %s", name, answer.Code, answer.Body)
		}
	}
}

// badRequests are requests for a token of which none is issued, with the error of
// RFC 6749, section 5.2, and a part of its text.
var badRequests = []struct {
	name   string
	status int
	code   string
	text   string
	change func(*world, *ask)
}{
	// The request itself.
	{"JSON", 400, "invalid_request", "x-www-form-urlencoded", func(_ *world, a *ask) { a.header.Set("Content-Type", "application/json") }},
	{"no content type", 400, "invalid_request", "x-www-form-urlencoded", func(_ *world, a *ask) { a.header.Del("Content-Type") }},
	{"a content type that is none", 400, "invalid_request", "x-www-form-urlencoded", func(_ *world, a *ask) { a.header.Set("Content-Type", "form;;") }},
	{"multipart", 400, "invalid_request", "x-www-form-urlencoded", func(_ *world, a *ask) { a.header.Set("Content-Type", "multipart/form-data; boundary=x") }},
	{"parameters in the address", 400, "invalid_request", "in the body", func(_ *world, a *ask) { a.target += "?scope=system/*.rs" }},
	{"a body that is too long", 413, "invalid_request", "too long", func(_ *world, a *ask) { a.body = "grant_type=client_credentials&x=" + strings.Repeat("x", maxForm) }},
	{"an empty body", 400, "invalid_request", "grant_type", func(_ *world, a *ask) { a.form = nil; a.body = "&" }},
	{"broken escapes", 400, "invalid_request", "encoded", func(_ *world, a *ask) { a.body = "grant_type=%zz" }},
	{"a semicolon between", 400, "invalid_request", "encoded", func(_ *world, a *ask) { a.body = "grant_type=client_credentials;scope=x" }},
	{"no grant_type", 400, "invalid_request", "grant_type is missing", func(_ *world, a *ask) { a.form.Del("grant_type") }},
	{"an empty grant_type", 400, "invalid_request", "grant_type is missing", func(_ *world, a *ask) { a.form.Set("grant_type", "") }},
	{"two grant_types", 400, "invalid_request", "more than once", func(_ *world, a *ask) { a.form.Add("grant_type", "client_credentials") }},
	{"two scopes parameters", 400, "invalid_request", "more than once", func(_ *world, a *ask) { a.form.Add("scope", "system/*.rs") }},
	{"two assertions", 400, "invalid_request", "more than once", func(_ *world, a *ask) {
		a.form["client_assertion"] = []string{a.assertion(), a.assertion()}
	}},
	{"authorization_code", 400, "unsupported_grant_type", "client_credentials", func(_ *world, a *ask) { a.form.Set("grant_type", "authorization_code") }},
	{"refresh_token", 400, "unsupported_grant_type", "client_credentials", func(_ *world, a *ask) { a.form.Set("grant_type", "refresh_token") }},
	{"the jwt-bearer grant", 400, "unsupported_grant_type", "client_credentials", func(_ *world, a *ask) {
		a.form.Set("grant_type", "urn:ietf:params:oauth:grant-type:jwt-bearer")
	}},
	{"a password", 400, "unsupported_grant_type", "client_credentials", func(_ *world, a *ask) { a.form.Set("grant_type", "password") }},
	{"grant_type in capitals", 400, "unsupported_grant_type", "client_credentials", func(_ *world, a *ask) { a.form.Set("grant_type", "CLIENT_CREDENTIALS") }},
	{"Basic beside the assertion", 400, "invalid_request", "alone", func(_ *world, a *ask) { a.header.Set("Authorization", "Basic eDp5") }},
	{"a secret beside the assertion", 400, "invalid_request", "alone", func(_ *world, a *ask) { a.form.Set("client_secret", "x") }},
	{"Basic instead of the assertion", 401, "invalid_client", "private_key_jwt", func(_ *world, a *ask) {
		a.header.Set("Authorization", "Basic eDp5")
		a.form["client_assertion"] = []string{""}
	}},
	{"a secret instead of the assertion", 401, "invalid_client", "private_key_jwt", func(_ *world, a *ask) {
		a.form.Set("client_secret", "x")
		a.form["client_assertion"] = []string{""}
	}},
	{"no assertion", 401, "invalid_client", "private_key_jwt", func(_ *world, a *ask) { a.form["client_assertion"] = []string{""} }},
	{"no assertion type", 401, "invalid_client", "client_assertion_type", func(_ *world, a *ask) { a.form.Del("client_assertion_type") }},
	{"a SAML assertion", 401, "invalid_client", "client_assertion_type", func(_ *world, a *ask) {
		a.form.Set("client_assertion_type", "urn:ietf:params:oauth:client-assertion-type:saml2-bearer")
	}},
	{"client_id of another client", 401, "invalid_client", "client_id", func(_ *world, a *ask) { a.form.Set("client_id", ecClient) }},

	// The form of the assertion.
	{"an assertion that is none", 401, "invalid_client", "compact form", func(_ *world, a *ask) { a.form.Set("client_assertion", "assertion") }},
	{"two parts", 401, "invalid_client", "compact form", func(_ *world, a *ask) { a.form.Set("client_assertion", cut(a.assertion(), 2)) }},
	{"four parts", 401, "invalid_client", "compact form", func(_ *world, a *ask) { a.form.Set("client_assertion", a.assertion()+".e30") }},
	{"blanks in it", 401, "invalid_client", "", func(_ *world, a *ask) {
		a.form.Set("client_assertion", strings.Replace(a.assertion(), ".", " .", 1))
	}},
	{"no base64", 401, "invalid_client", "compact form", func(_ *world, a *ask) { a.form.Set("client_assertion", "!!."+a.assertion()) }},
	{"a very long one", 401, "invalid_client", "too long", func(_ *world, a *ask) { a.claims["x"] = strings.Repeat("x", longestAssertion) }},
	{"a header that is no object", 401, "invalid_client", "compact form", func(_ *world, a *ask) { a.form.Set("client_assertion", signRaw("[]", "{}", a.key)) }},
	{"claims that are no object", 401, "invalid_client", "claims", func(_ *world, a *ask) {
		a.form.Set("client_assertion", signRaw(`{"alg":"RS384","kid":"k1"}`, "[]", a.key))
	}},
	{"claims twice", 401, "invalid_client", "claims", func(w *world, a *ask) {
		a.form.Set("client_assertion", signRaw(`{"alg":"RS384","kid":"k1"}`, fmt.Sprintf(`{"iss":%q,"sub":%q,"aud":%q,"jti":"x","exp":1,"exp":%d}`, rsaClient, rsaClient, tokenURL, w.at.Unix()+60), a.key))
	}},
	{"JSON serialization", 401, "invalid_client", "compact form", func(_ *world, a *ask) {
		parts := strings.Split(a.assertion(), ".")
		a.form.Set("client_assertion", fmt.Sprintf(`{"protected":%q,"payload":%q,"signature":%q}`, parts[0], parts[1], parts[2]))
	}},

	// Its header.
	{"no algorithm", 401, "invalid_client", "", func(_ *world, a *ask) { delete(a.head, "alg") }},
	{"alg none without a signature", 401, "invalid_client", "RS384", func(_ *world, a *ask) {
		a.head["alg"] = "none"
		a.form.Set("client_assertion", cut(a.assertion(), 2)+".")
	}},
	{"alg none with a signature", 401, "invalid_client", "RS384", func(_ *world, a *ask) { a.head["alg"] = "none" }},
	{"alg nOnE", 401, "invalid_client", "RS384", func(_ *world, a *ask) { a.head["alg"] = "nOnE" }},
	{"HS384 with the public key as secret", 401, "invalid_client", "RS384", func(_ *world, a *ask) { a.form.Set("client_assertion", withHMAC(a, "HS384")) }},
	{"HS256", 401, "invalid_client", "RS384", func(_ *world, a *ask) { a.head["alg"] = "HS256" }},
	{"HS512", 401, "invalid_client", "RS384", func(_ *world, a *ask) { a.head["alg"] = "HS512" }},
	{"RS256", 401, "invalid_client", "RS384", func(_ *world, a *ask) { a.head["alg"] = "RS256" }},
	{"RS512", 401, "invalid_client", "RS384", func(_ *world, a *ask) { a.head["alg"] = "RS512" }},
	{"PS384", 401, "invalid_client", "RS384", func(_ *world, a *ask) { a.head["alg"] = "PS384" }},
	{"ES256", 401, "invalid_client", "RS384", func(_ *world, a *ask) { a.head["alg"] = "ES256" }},
	{"ES512", 401, "invalid_client", "RS384", func(_ *world, a *ask) { a.head["alg"] = "ES512" }},
	{"EdDSA", 401, "invalid_client", "RS384", func(_ *world, a *ask) { a.head["alg"] = "EdDSA" }},
	{"no kid", 401, "invalid_client", "kid", func(_ *world, a *ask) { delete(a.head, "kid") }},
	{"an empty kid", 401, "invalid_client", "kid", func(_ *world, a *ask) { a.head["kid"] = "" }},
	{"an unknown kid", 401, "invalid_client", "registered", func(_ *world, a *ask) { a.head["kid"] = "k9" }},
	{"a number as kid", 401, "invalid_client", "", func(_ *world, a *ask) { a.head["kid"] = 1 }},
	{"typ of an access token", 401, "invalid_client", "typ", func(_ *world, a *ask) { a.head["typ"] = "at+jwt" }},
	{"typ that is a number", 401, "invalid_client", "typ", func(_ *world, a *ask) { a.head["typ"] = 1 }},
	{"a critical header", 401, "invalid_client", "crit", func(_ *world, a *ask) { a.head["crit"], a.head["x"] = []string{"x"}, 1 }},
	{"b64", 401, "invalid_client", "b64", func(_ *world, a *ask) { a.head["b64"] = false }},
	{"jku elsewhere", 401, "invalid_client", "registered", func(_ *world, a *ask) { a.head["jku"] = "https://evil.example/jwks.json" }},
	{"a key in the header", 401, "invalid_client", "registered", func(_ *world, a *ask) {
		a.head["jwk"], a.key = jwk(strangerRSA().Public(), "k1"), strangerRSA()
	}},
	{"RS384 with an EC key's kid", 401, "invalid_client", "registered", func(_ *world, a *ask) {
		a.claims["iss"], a.claims["sub"], a.head["kid"] = ecClient, ecClient, "k2"
	}},
	{"ES384 with an RSA key's kid", 401, "invalid_client", "registered", func(_ *world, a *ask) { a.head["alg"], a.key = "ES384", ecKey() }},

	// Its signature.
	{"a stranger's key", 401, "invalid_client", "registered", func(_ *world, a *ask) { a.key = strangerRSA() }},
	{"a stranger's EC key", 401, "invalid_client", "registered", func(w *world, a *ask) { *a = *w.ask(ecClient); a.key = strangerEC() }},
	{"a short key under a known kid", 401, "invalid_client", "registered", func(_ *world, a *ask) { a.key = weakRSA() }},
	{"P-256 under a known kid", 401, "invalid_client", "", func(w *world, a *ask) { *a = *w.ask(ecClient); a.key = otherEC() }},
	{"no signature", 401, "invalid_client", "registered", func(_ *world, a *ask) { a.form.Set("client_assertion", cut(a.assertion(), 2)+".") }},
	{"a changed signature", 401, "invalid_client", "registered", func(_ *world, a *ask) {
		text := a.assertion()
		last := text[len(text)-10]
		a.form.Set("client_assertion", text[:len(text)-10]+string('A'+(last-'A'+1)%26)+text[len(text)-9:])
	}},
	{"changed claims", 401, "invalid_client", "registered", func(_ *world, a *ask) {
		parts := strings.Split(a.assertion(), ".")
		a.claims["jti"] = "another"
		a.form.Set("client_assertion", parts[0]+"."+strings.Split(a.assertion(), ".")[1]+"."+parts[2])
	}},
	{"a signature in DER", 401, "invalid_client", "", func(w *world, a *ask) {
		*a = *w.ask(ecClient)
		parts := strings.Split(a.assertion(), ".")
		sum := sha512.Sum384([]byte(parts[0] + "." + parts[1]))
		der, err := ecKey().Sign(nil, sum[:], crypto.SHA384)
		must(err)
		a.form.Set("client_assertion", parts[0]+"."+parts[1]+"."+b64(der))
	}},

	// Its claims.
	{"no iss", 401, "invalid_client", "iss and sub", func(_ *world, a *ask) { delete(a.claims, "iss") }},
	{"no sub", 401, "invalid_client", "iss and sub", func(_ *world, a *ask) { delete(a.claims, "sub") }},
	{"iss is not sub", 401, "invalid_client", "iss and sub", func(_ *world, a *ask) { a.claims["iss"] = ecClient }},
	{"an unknown client", 401, "invalid_client", "registered", func(_ *world, a *ask) { a.claims["iss"], a.claims["sub"] = "nobody", "nobody" }},
	{"a disabled client", 401, "invalid_client", "registered", func(_ *world, a *ask) {
		a.claims["iss"], a.claims["sub"] = goneClient, goneClient
	}},
	{"sub that is a number", 401, "invalid_client", "claims", func(_ *world, a *ask) { a.claims["sub"] = 7 }},
	{"no aud", 401, "invalid_client", "aud", func(_ *world, a *ask) { delete(a.claims, "aud") }},
	{"aud of another server", 401, "invalid_client", "aud", func(_ *world, a *ask) { a.claims["aud"] = "https://other.example/auth/token" }},
	{"aud is the FHIR base", 401, "invalid_client", "aud", func(_ *world, a *ask) { a.claims["aud"] = publicRoot + "/fhir" }},
	{"aud without TLS", 401, "invalid_client", "aud", func(_ *world, a *ask) { a.claims["aud"] = "http://candidacy.example" + TokenPath }},
	{"aud with a slash more", 401, "invalid_client", "aud", func(_ *world, a *ask) { a.claims["aud"] = tokenURL + "/" }},
	{"aud of two servers", 401, "invalid_client", "aud", func(_ *world, a *ask) { a.claims["aud"] = []string{tokenURL, "https://other.example"} }},
	{"an empty list as aud", 401, "invalid_client", "aud", func(_ *world, a *ask) { a.claims["aud"] = []string{} }},
	{"aud that is a number", 401, "invalid_client", "claims", func(_ *world, a *ask) { a.claims["aud"] = 1 }},
	{"no exp", 401, "invalid_client", "exp is missing", func(_ *world, a *ask) { delete(a.claims, "exp") }},
	{"exp as text", 401, "invalid_client", "claims", func(_ *world, a *ask) { a.claims["exp"] = "soon" }},
	{"exp beyond all numbers", 401, "invalid_client", "claims", func(_ *world, a *ask) { a.claims["exp"] = 1e300 }},
	{"expired", 401, "invalid_client", "expired", func(w *world, a *ask) { a.claims["exp"] = w.at.Unix() - 30 }},
	{"expired long ago", 401, "invalid_client", "expired", func(_ *world, a *ask) { a.claims["exp"] = 1 }},
	{"exp 6 minutes ahead", 401, "invalid_client", "5 minutes", func(w *world, a *ask) { a.claims["exp"] = w.at.Unix() + 360 }},
	{"exp a year ahead", 401, "invalid_client", "5 minutes", func(w *world, a *ask) { a.claims["exp"] = w.at.AddDate(1, 0, 0).Unix() }},
	{"exp in milliseconds", 401, "invalid_client", "5 minutes", func(w *world, a *ask) { a.claims["exp"] = w.at.UnixMilli() }},
	{"not good yet", 401, "invalid_client", "nbf", func(w *world, a *ask) { a.claims["nbf"] = w.at.Unix() + 60 }},
	{"made in the future", 401, "invalid_client", "iat", func(w *world, a *ask) { a.claims["iat"] = w.at.Unix() + 60 }},
	{"no jti", 401, "invalid_client", "jti is missing", func(_ *world, a *ask) { delete(a.claims, "jti") }},
	{"an empty jti", 401, "invalid_client", "jti is missing", func(_ *world, a *ask) { a.claims["jti"] = "" }},
	{"a jti that is a number", 401, "invalid_client", "claims", func(_ *world, a *ask) { a.claims["jti"] = 7 }},
	{"a very long jti", 401, "invalid_client", "jti is too long", func(_ *world, a *ask) { a.claims["jti"] = strings.Repeat("j", longestID+1) }},

	// What is asked for.
	{"blanks as scope", 400, "invalid_scope", "name what", func(_ *world, a *ask) { a.form.Set("scope", "  ") }},
	{"a scope of another type", 400, "invalid_scope", "registered for nothing", func(w *world, a *ask) {
		*a = *w.ask(ecClient)
		a.form.Set("scope", "system/CarePlan.rs")
	}},
	{"writing for a reader", 400, "invalid_scope", "registered for nothing", func(_ *world, a *ask) { a.form.Set("scope", "system/Observation.cu") }},
	{"v1 writing for a reader", 400, "invalid_scope", "registered for nothing", func(_ *world, a *ask) { a.form.Set("scope", "system/Observation.write") }},
	{"deleting", 400, "invalid_scope", "registered for nothing", func(_ *world, a *ask) { a.form.Set("scope", "system/Observation.d") }},
	{"the audit trail under *", 400, "invalid_scope", "registered for nothing", func(_ *world, a *ask) { a.form.Set("scope", "system/AuditEvent.rs") }},
	{"people's scopes alone", 400, "invalid_scope", "registered for nothing", func(_ *world, a *ask) { a.form.Set("scope", "openid patient/*.rs user/Patient.read") }},
	{"letters in another order", 400, "invalid_scope", "in that order", func(_ *world, a *ask) { a.form.Set("scope", "system/Observation.sr") }},
	{"an unknown letter", 400, "invalid_scope", "in that order", func(_ *world, a *ask) { a.form.Set("scope", "system/Observation.rx") }},
	{"no letters", 400, "invalid_scope", "not a system scope", func(_ *world, a *ask) { a.form.Set("scope", "system/Observation.") }},
	{"no such type", 400, "invalid_scope", "no resource type", func(_ *world, a *ask) { a.form.Set("scope", "system/Observations.rs") }},
	{"a narrowed star", 400, "invalid_scope", "every type", func(_ *world, a *ask) { a.form.Set("scope", "system/*.rs?patient=1") }},
	{"a search without a value", 400, "invalid_scope", "narrows", func(_ *world, a *ask) { a.form.Set("scope", "system/Observation.rs?category=") }},
	{"a scope with quotes", 400, "invalid_scope", "not a scope", func(_ *world, a *ask) { a.form.Set("scope", `system/Observation.rs"`) }},
	{"too many scopes", 400, "invalid_scope", "at most", func(_ *world, a *ask) { a.form.Set("scope", strings.Repeat("system/Patient.rs ", mostScopes+1)) }},
}

// cut keeps so many parts of a token.
func cut(token string, parts int) string {
	return strings.Join(strings.Split(token, ".")[:parts], ".")
}

// withHMAC signs with the public key as a secret, which is no secret: the old
// attack on verifiers that let the token choose.
func withHMAC(a *ask, alg string) string {
	a.head["alg"] = alg
	input := cut(a.assertion(), 2)
	public, err := x509.MarshalPKIXPublicKey(a.key.(*rsa.PrivateKey).Public())
	must(err)
	mac := hmac.New(sha512.New384, public)
	mac.Write([]byte(input))
	return input + "." + b64(mac.Sum(nil))
}

func TestBadRequestsForATokenGetNone(t *testing.T) {
	if len(badRequests) < 60 {
		t.Fatalf("only %d bad requests", len(badRequests))
	}
	w := newWorld(t)
	for i, c := range badRequests {
		t.Run(strings.ReplaceAll(c.name, " ", "-"), func(t *testing.T) {
			a := w.ask(rsaClient)
			c.change(w, a)
			a.address = fmt.Sprintf("192.0.2.%d:4000", i) // each from elsewhere, so that none is one too many
			answer := w.send(a)
			g := decode(t, answer.Body.Bytes())
			if answer.Code != c.status || g.Error != c.code || !strings.Contains(g.Text, c.text) || g.Text == "" {
				t.Errorf("%d %s, want %d %s with %q", answer.Code, answer.Body, c.status, c.code, c.text)
			}
			if g.Token != "" || w.issued() != 0 {
				t.Errorf("a token was issued")
			}
			if answer.Header().Get("Cache-Control") != "no-store" {
				t.Errorf("headers: %v", answer.Header())
			}
			// RFC 6749, section 5.2: characters of the description.
			if strings.ContainsAny(g.Text, `"\`) || strings.ContainsFunc(g.Text, func(r rune) bool { return r < 0x20 || r > 0x7E }) {
				t.Errorf("the description holds characters that it may not: %q", g.Text)
			}
		})
	}
}

func TestOtherMethodsGetNoToken(t *testing.T) {
	w := newWorld(t)
	a := w.ask(rsaClient)
	a.method = http.MethodGet
	answer := w.send(a)
	if answer.Code != 405 || answer.Header().Get("Allow") != "POST" || decode(t, answer.Body.Bytes()).Error != "invalid_request" {
		t.Errorf("%d %v %s", answer.Code, answer.Header(), answer.Body)
	}
}

// An assertion is good once: again, after a restart, from another process, and
// after a request that got nothing.
func TestAReplayGetsNothing(t *testing.T) {
	w := newWorld(t)
	a := w.ask(rsaClient)
	text := a.assertion()
	send := func(scope string) int {
		t.Helper()
		again := w.ask(rsaClient)
		again.form.Set("client_assertion", text)
		again.form.Set("scope", scope)
		answer := w.send(again)
		if g := decode(t, answer.Body.Bytes()); answer.Code == 401 && (g.Error != "invalid_client" || !strings.Contains(g.Text, "used before")) {
			t.Errorf("a replay: %s", answer.Body)
		}
		return answer.Code
	}
	if code := send("system/Observation.rs"); code != 200 {
		t.Fatalf("the first time: %d", code)
	}
	if code := send("system/Patient.rs"); code != 401 {
		t.Errorf("the second time: %d", code)
	}
	w.restart()
	if code := send("system/Observation.rs"); code != 401 {
		t.Errorf("after a restart: %d", code)
	}
	w.at = w.at.Add(4*time.Minute + skew - time.Second)
	if code := send("system/Observation.rs"); code != 401 {
		t.Errorf("at the end of its life: %d", code)
	}
	if n := w.issued(); n != 1 {
		t.Errorf("%d tokens were issued", n)
	}
	refused := w.ask(rsaClient)
	refused.form.Set("scope", "system/Observation.cu")
	refused.form.Set("client_assertion", refused.assertion())
	if answer := w.send(refused); answer.Code != 400 {
		t.Fatalf("%d %s", answer.Code, answer.Body)
	}
	text = refused.form.Get("client_assertion")
	if code := send("system/Observation.rs"); code != 401 {
		t.Errorf("after a refusal: %d", code)
	}
}

func TestTooManyRequestsForTokens(t *testing.T) {
	w := newWorld(t)
	var last int
	for range addressBurst + 1 {
		a := w.ask(rsaClient)
		a.body = "grant_type=password"
		answer := w.send(a)
		if last = answer.Code; last == 429 && (answer.Header().Get("Retry-After") == "" || decode(t, answer.Body.Bytes()).Error != "temporarily_unavailable") {
			t.Errorf("%v %s", answer.Header(), answer.Body)
		}
	}
	if last != 429 {
		t.Errorf("request %d from one address: %d", addressBurst+1, last)
	}
	// Others are not kept waiting.
	a := w.ask(rsaClient)
	a.address = "192.0.2.8:4000"
	if answer := w.send(a); answer.Code != 200 {
		t.Errorf("another address: %d %s", answer.Code, answer.Body)
	}
	w.at = w.at.Add(addressEvery)
	if answer := w.send(w.ask(rsaClient)); answer.Code != 200 {
		t.Errorf("a little later: %d %s", answer.Code, answer.Body)
	}
	// A client has a rate of its own, which only itself uses up.
	for i := range 2 * clientBurst {
		a := w.ask(ecClient)
		a.address, a.key = fmt.Sprintf("198.51.100.%d:1", i), strangerEC()
		if answer := w.send(a); answer.Code != 401 {
			t.Fatalf("a stranger: %d", answer.Code)
		}
	}
	for i := range clientBurst + 1 {
		a := w.ask(ecClient)
		a.address = fmt.Sprintf("203.0.113.%d:1", i)
		last = w.send(a).Code
		if want := map[bool]int{true: 200, false: 429}[i < clientBurst]; last != want {
			t.Fatalf("request %d of the client: %d", i+1, last)
		}
	}
}

func TestConfiguration(t *testing.T) {
	w := newWorld(t)
	a := w.ask(rsaClient)
	a.method, a.target = http.MethodGet, WellKnownPath
	answer := w.send(a)
	var c struct {
		Token        string   `json:"token_endpoint"`
		Grants       []string `json:"grant_types_supported"`
		Methods      []string `json:"token_endpoint_auth_methods_supported"`
		Algorithms   []string `json:"token_endpoint_auth_signing_alg_values_supported"`
		Scopes       []string `json:"scopes_supported"`
		Capabilities []string `json:"capabilities"`
	}
	if err := json.Unmarshal(answer.Body.Bytes(), &c); err != nil || answer.Code != 200 || !strings.HasPrefix(answer.Header().Get("Content-Type"), "application/json") {
		t.Fatalf("%d %v", answer.Code, err)
	}
	// SMART App Launch 2.2, the example of backend services.
	want := fmt.Sprintf("%s %v %v %v %v", tokenURL, []string{"client_credentials"}, []string{"private_key_jwt"}, []string{"RS384", "ES384"}, []string{"client-confidential-asymmetric", "permission-v2", "permission-v1"})
	if got := fmt.Sprintf("%s %v %v %v %v", c.Token, c.Grants, c.Methods, c.Algorithms, c.Capabilities); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	for _, scope := range c.Scopes {
		if s, err := ParseScope(scope); err != nil {
			t.Errorf("%s: %v", scope, err)
		} else if err := s.check(record.ClientLaboratory); err != nil {
			t.Errorf("%s: %v", scope, err)
		}
	}
}

// Where nobody said under which address clients reach the program, an assertion
// could be meant for anywhere.
func TestNoTokenWithoutAPublicAddress(t *testing.T) {
	w := newWorld(t)
	s := New(Options{Store: w.store, Now: w.now, Root: func(*http.Request) (string, error) { return "", errors.New("--public-url is needed") }})
	w.echo.POST("/elsewhere", s.Token)
	a := w.ask(rsaClient)
	a.target = "/elsewhere"
	answer := w.send(a)
	if answer.Code != 503 || !strings.Contains(answer.Body.String(), "--public-url") || w.issued() != 0 {
		t.Errorf("%d %s", answer.Code, answer.Body)
	}
}

// A fault of ours is reported and not told.
func TestFaultsAreNotTold(t *testing.T) {
	w := newWorld(t)
	var reported error
	s := New(Options{
		Store: w.store, Now: w.now, Root: func(*http.Request) (string, error) { return publicRoot, nil }, Report: func(err error) { reported = err },
	})
	w.echo.POST("/faulty", s.Token)
	raw, err := openRaw(w.path)
	must(err)
	defer raw.Close()
	_, err = raw.Exec("DROP TABLE assertion")
	must(err)
	a := w.ask(rsaClient)
	a.target = "/faulty"
	answer := w.send(a)
	if answer.Code != 500 || decode(t, answer.Body.Bytes()).Error != "server_error" || strings.Contains(answer.Body.String(), "assertion") || reported == nil {
		t.Errorf("%d %s, reported %v", answer.Code, answer.Body, reported)
	}
}
