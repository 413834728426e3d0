package web

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/base64"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// aKeySet makes a key set (RFC 7517) with one EC key.
func aKeySet(t testing.TB) string {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	point, err := key.PublicKey.Bytes() // 4, x, y
	if err != nil {
		t.Fatal(err)
	}
	x, y := base64.RawURLEncoding.EncodeToString(point[1:49]), base64.RawURLEncoding.EncodeToString(point[49:])
	return `{"keys":[{"kty":"EC","crv":"P-384","kid":"of-the-hospital","x":"` + x + `","y":"` + y + `"}]}`
}

func TestClientsPage(t *testing.T) {
	w := newDoor(t, false)
	_, err := w.store.AddAccount(t.Context(), "admi", "admi", "Admira Kovac", journey.Administrator, password)
	must(t, err)
	_, err = w.store.AddAccount(t.Context(), "audi", "audi", "Audie Nakamura", journey.Auditor, password)
	must(t, err)
	b := w.as("admi")
	b.get("/clients").has(t, "No system is registered.", "Register a system")
	register := url.Values{
		"do": {"register"}, "key": {"7c2b6c6e-2a4f-4d6e-9a70-0a9f3ce2f0aa"}, "name": {"Interface <of> the hospital"}, "role": {"reader"},
		"scopes": {"system/*.rs"}, "jwks": {aKeySet(t)},
	}
	for field, bad := range map[string]string{"name": "", "scopes": "system/Patient.cu", "jwks": `{"keys":[]}`, "jwks_url": "http://ehr.example/jwks", "role": "surgeon"} {
		wrong := url.Values{}
		for name, value := range register {
			wrong[name] = value
		}
		wrong.Set(field, bad)
		if field == "jwks_url" {
			wrong.Del("jwks")
		}
		got := b.post("/clients", wrong)
		if got.status != http.StatusUnprocessableEntity {
			t.Errorf("%s %q: %d", field, bad, got.status)
		}
		got.has(t, "Nothing was registered", `href="#register-`+field+`"`)
		if field != "name" {
			got.has(t, "Interface &lt;of&gt; the hospital") // what was entered is kept
		}
	}
	var to string
	for range 2 { // the button pressed twice registers one
		got := b.post("/clients", register)
		if to = got.header.Get("Location"); got.status != http.StatusSeeOther || !strings.HasPrefix(to, "/clients?client=") {
			t.Fatalf("%d %s\n%s", got.status, to, got.body)
		}
	}
	list, err := w.store.Clients(t.Context())
	if err != nil || len(list) != 1 {
		t.Fatalf("%d clients, %v", len(list), err)
	}
	id := list[0].ID
	b.get(to).has(t, "The system is registered", id, "Interface &lt;of&gt; the hospital", "of-the-hospital", "EC P-384", "system/*.rs", "Registered", "Admira Kovac, "+roleWord(journey.Administrator))
	b.get("/clients").has(t, id, "Enabled", "Reader")
	for _, step := range []struct {
		form url.Values
		says []string
	}{
		{url.Values{"do": {"disable"}}, []string{"Disabled", "is kept out", "Let it in again"}},
		{url.Values{"do": {"enable"}}, []string{"Enabled", "may ask for tokens again", "Keep it out"}},
		{url.Values{"do": {"scopes"}, "role": {"laboratory"}, "scopes": {"system/Observation.crus"}}, []string{"Laboratory", "system/Observation.crus", "Scopes replaced"}},
		{url.Values{"do": {"keys"}, "jwks_url": {"https://ehr.example/jwks.json"}}, []string{"https://ehr.example/jwks.json", "Keys replaced"}},
	} {
		step.form.Set("client", id)
		got := b.post("/clients", step.form)
		if got.status != http.StatusSeeOther {
			t.Fatalf("%v: %d\n%s", step.form, got.status, got.body)
		}
		b.get(got.header.Get("Location")).has(t, step.says...)
	}
	for _, bad := range []url.Values{
		{"do": {"scopes"}, "role": {"reader"}, "scopes": {"system/Observation.c"}}, {"do": {"keys"}}, {"do": {"keys"}, "jwks": {"x"}}, {"do": {"delete"}}, {},
	} {
		bad.Set("client", id)
		if got := b.post("/clients", bad); got.status != http.StatusUnprocessableEntity {
			t.Errorf("%v: %d", bad, got.status)
		}
	}
	if got := b.post("/clients", url.Values{"do": {"disable"}, "client": {"none"}}); got.status != http.StatusNotFound {
		t.Errorf("a client that is none: %d", got.status)
	}
	changes, err := w.store.ClientChanges(t.Context(), record.ChangesQuery{Of: id})
	if err != nil || len(changes) != 5 {
		t.Errorf("%d changes, %v", len(changes), err)
	}
	for _, change := range changes {
		if change.Actor != "admi" || change.Role != journey.Administrator {
			t.Errorf("a change is %+v", change)
		}
	}
	w.as("audi").get("/audit?show=systems").has(t, "<div>Registered</div>", "<div>Keys replaced</div>", "System "+id, "Admira Kovac")
	before, err := w.store.Verify(t.Context())
	if err != nil {
		t.Error(err)
	}
	_, err = w.store.ChangeClient(t.Context(), id, record.ClientDisabled, "admi", journey.Administrator, func(c *record.Client) error { c.Disabled = true; return nil })
	must(t, err)
	if after, err := w.store.Verify(t.Context()); err != nil || after.Digest == before.Digest {
		t.Errorf("the digest does not cover what was done to a system: %v", err)
	}
}
