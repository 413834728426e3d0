package api

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/base64"
	"net/http"
	"strings"
	"testing"
)

// aKeySet makes a key set (RFC 7517) with one EC key.
func aKeySet(t *testing.T) string {
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
	return `{"keys":[{"kty":"EC","crv":"P-384","kid":"k1","alg":"ES384","use":"sig","x":"` + x + `","y":"` + y + `"}]}`
}

// TestClients registers a client, changes it in every way and reads back who did.
func TestClients(t *testing.T) {
	admin := func(method, path, body string) (int, map[string]any) {
		t.Helper()
		answer := fix.do(t, call{method: method, path: path, as: "administrator", body: body})
		return answer.Code, object(t, answer.Body.Bytes())
	}
	code, made := admin("POST", "/api/clients", `{"name":" Interface of the hospital ","scopes":"system/*.rs  system/AuditEvent.rs","jwks_url":"https://ehr.example/jwks.json"}`)
	if code != http.StatusCreated || made["name"] != "Interface of the hospital" || made["role"] != "reader" || made["scopes"] != "system/*.rs system/AuditEvent.rs" || made["enabled"] != true {
		t.Fatalf("%d %v", code, made)
	}
	path := "/api/clients/" + made["client_id"].(string)
	keys := aKeySet(t)
	for _, step := range []struct {
		path, body, member string
		want               any
	}{
		{"/disable", "", "enabled", false},
		{"/disable", "", "enabled", false}, // again changes nothing
		{"/enable", "", "enabled", true},
		{"/scopes", `{"scopes":"system/Observation.cu","role":"laboratory"}`, "role", "laboratory"},
		{"/scopes", `{"scopes":"system/Observation.crus"}`, "scopes", "system/Observation.crus"},
		{"/keys", `{"jwks":` + keys + `}`, "jwks_url", nil},
	} {
		if code, got := admin("POST", path+step.path, step.body); code != http.StatusOK || got[step.member] != step.want {
			t.Errorf("%s %s: %d %v", step.path, step.body, code, got)
		}
	}
	code, got := admin("GET", path, "")
	var kinds []string
	for _, change := range got["changes"].([]any) {
		c := change.(map[string]any)
		kinds = append(kinds, c["change"].(string))
		if c["by"] == "" || c["role"] != "administrator" {
			t.Errorf("a change is %v", c)
		}
	}
	if code != http.StatusOK || strings.Join(kinds, " ") != "register disable enable scopes scopes keys" {
		t.Errorf("%d %v", code, kinds)
	}
	key := got["keys"].([]any)[0].(map[string]any)
	if key["kid"] != "k1" || key["alg"] != "ES384" || key["kind"] != "EC P-384" || len(key["thumbprint"].(string)) != 43 {
		t.Errorf("the key is %v", key)
	}
	if _, list := admin("GET", "/api/clients", ""); len(list["clients"].([]any)) != 1 {
		t.Errorf("listed are %v", list)
	}
	// What is wrong is named, and nothing is changed.
	for _, bad := range []struct{ path, body, field, want string }{
		{"/api/clients", `{}`, "name", "needed"},
		{"/api/clients", `{"name":"x","scopes":"system/Patient.rs"}`, "jwks", "needed"},
		{"/api/clients", `{"name":"x","scopes":"patient/*.rs","jwks_url":"https://a.example"}`, "scopes", "only system scopes"},
		{"/api/clients", `{"name":"x","scopes":"system/Patient.rs","role":"surgeon","jwks_url":"https://a.example"}`, "role", "accepted: reader, laboratory"},
		{"/api/clients", `{"name":"x","scopes":"system/Patient.rs","jwks_url":"http://a.example"}`, "jwks_url", "https"},
		{"/api/clients", `{"name":"x","scopes":"system/Patient.rs","jwks_url":"https://a.example","jwks":` + keys + `}`, "jwks", "not both"},
		{"/api/clients", `{"name":"x","scopes":"system/Patient.rs","jwks":{"keys":[]}}`, "jwks", "empty"},
		{path + "/scopes", `{"scopes":"system/Patient.rs","jwks_url":"https://a.example"}`, "jwks_url", "no place"},
		{path + "/scopes", `{"scopes":"system/Patient.rs","name":"x"}`, "name", "no place"},
		{path + "/scopes", `{"scopes":""}`, "scopes", "at least one"},
		{path + "/scopes", `{"role":"reader","scopes":"system/Observation.c"}`, "scopes", "reading and searching"},
		{path + "/keys", `{"scopes":"system/Patient.rs"}`, "scopes", "no place"},
		{path + "/keys", `{}`, "jwks", "needed"},
	} {
		code, got := admin("POST", bad.path, bad.body)
		errs, _ := got["errors"].([]any)
		if code != http.StatusUnprocessableEntity || len(errs) != 1 {
			t.Errorf("%s: %d %v", bad.body, code, got)
			continue
		}
		if first := errs[0].(map[string]any); first["field"] != bad.field || !strings.Contains(first["detail"].(string), bad.want) {
			t.Errorf("%s: %v", bad.body, first)
		}
	}
	if _, after := admin("GET", path, ""); after["scopes"] != "system/Observation.crus" || len(after["changes"].([]any)) != 6 {
		t.Errorf("something was changed: %v", after)
	}
}
