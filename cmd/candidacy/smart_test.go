package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/json"
	"io"
	mathrand "math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
	"github.com/google/uuid"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// machine is a client with a key of its own.
type machine struct {
	id     string
	signer jose.Signer
}

// register makes a key and registers a client with it on the command line.
func register(t testing.TB, data string, args ...string) machine {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	set, err := json.Marshal(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: key.Public(), KeyID: "k1", Algorithm: "ES384", Use: "sig"}}})
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "jwks.json")
	if err := os.WriteFile(file, set, 0o600); err != nil {
		t.Fatal(err)
	}
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.ES384, Key: jose.JSONWebKey{Key: key, KeyID: "k1"}}, (&jose.SignerOptions{}).WithType("JWT"))
	if err != nil {
		t.Fatal(err)
	}
	id := mustRun(t, append([]string{"client", "add", "--data", data, "--name", "Interface", "--jwks", file}, args...)...)
	return machine{strings.TrimSpace(id), signer}
}

func (m machine) assertion(t testing.TB, audience string) string {
	t.Helper()
	text, err := jwt.Signed(m.signer).Claims(jwt.Claims{
		Issuer: m.id, Subject: m.id, Audience: jwt.Audience{audience}, ID: uuid.NewString(), Expiry: jwt.NewNumericDate(time.Now().Add(4 * time.Minute)),
	}).Serialize()
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// token exchanges an assertion, and returns the status with what was answered.
func exchangeToken(t testing.TB, server, assertion, scope string) (int, map[string]any) {
	t.Helper()
	res, err := http.PostForm(server+"/auth/token", url.Values{
		"grant_type": {"client_credentials"}, "scope": {scope}, "client_assertion": {assertion},
		"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"},
	})
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	var answer map[string]any
	if err := json.NewDecoder(res.Body).Decode(&answer); err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, answer
}

// TestSMARTBackendServices registers a client on the command line, and lets it work
// with a server that is killed meanwhile.
func TestSMARTBackendServices(t *testing.T) {
	data := t.TempDir()
	s := hire(t, data)
	m := register(t, data, "--scope", "system/Patient.rs system/Observation.rs")
	srv := start(t, "serve", data)
	assertion := m.assertion(t, srv.url+"/auth/token")
	status, answer := exchangeToken(t, srv.url, assertion, "system/*.rs")
	if status != 200 || answer["scope"] != "system/Patient.rs system/Observation.rs" {
		t.Fatalf("%d %v", status, answer)
	}
	token := answer["access_token"].(string)
	get := func(path, token string) answerOf {
		t.Helper()
		a, err := ask("GET", srv.url+path, token, "", nil)
		if err != nil {
			t.Fatal(err)
		}
		return answerOf{a.status, a.header.Get("WWW-Authenticate")}
	}
	for path, want := range map[string]answerOf{
		"/fhir/Patient": {200, ""}, "/fhir/CarePlan": {403, ""}, "/fhir/AuditEvent": {403, ""}, "/api/candidates": {403, ""}, "/fhir/Patient/none": {404, ""},
	} {
		if got := get(path, token); got != want {
			t.Errorf("%s: %v, want %v", path, got, want)
		}
	}
	if got := get("/fhir/Patient", "cdy_none"); got != (answerOf{401, "Bearer"}) {
		t.Errorf("a token that is none: %v", got)
	}
	// Tokens by hand: without scopes all but the audit trail, with scopes those.
	scoped := strings.TrimSpace(mustRun(t, "token", "issue", "--data", data, "--role", "ehr", "--scope", "system/AuditEvent.rs system/Patient.r"))
	for path, want := range map[string][3]int{ // by hand, with scopes, an auditor
		"/fhir/Patient": {200, 403, 403}, "/fhir/CarePlan": {200, 403, 403}, "/fhir/AuditEvent": {403, 200, 200},
	} {
		for i, token := range []string{s.tokens[journey.EHR], scoped, s.tokens[journey.Auditor]} {
			if got := get(path, token); got.status != want[i] {
				t.Errorf("%s with token %d: %d, want %d", path, i, got.status, want[i])
			}
		}
	}
	// An assertion is used up for good, whatever becomes of the process.
	replay := func() {
		t.Helper()
		if status, answer := exchangeToken(t, srv.url, assertion, "system/Patient.rs"); status != 401 || answer["error"] != "invalid_client" {
			t.Errorf("a replay: %d %v", status, answer)
		}
	}
	replay()
	srv.kill()
	at := strings.TrimPrefix(srv.url, "http://")
	srv = startAt(t, data, at)
	replay()
	if got := get("/fhir/Patient", token); got.status != 200 {
		t.Errorf("the token after the restart: %v", got)
	}
	// A client that is kept out gets no token from the moment on.
	mustRun(t, "client", "disable", m.id, "--data", data)
	if status, answer := exchangeToken(t, srv.url, m.assertion(t, srv.url+"/auth/token"), "system/Patient.rs"); status != 401 || answer["access_token"] != nil {
		t.Errorf("kept out: %d %v", status, answer)
	}
	mustRun(t, "client", "enable", m.id, "--data", data)
	if status, _ := exchangeToken(t, srv.url, m.assertion(t, srv.url+"/auth/token"), "system/Patient.rs"); status != 200 {
		t.Errorf("let in again: %d", status)
	}
	srv.stop()
	// What it did is on record.
	said := mustRun(t, "audit", "access", "--data", data, "--actor", m.id)
	for _, want := range []string{"Interface (" + m.id + ")", "search-type", "token", "403", "404", "127.0.0.1"} {
		if !strings.Contains(said, want) {
			t.Errorf("the list of what it did lacks %q:\n%s", want, said)
		}
	}
	if said := mustRun(t, "client", "show", m.id, "--data", data); !strings.Contains(said, "k1  ES384  EC P-384  thumbprint") || strings.Count(said, "change    ") != 3 || !strings.Contains(said, "by os-account") {
		t.Errorf("the client is shown as\n%s", said)
	}
	if said := mustRun(t, "client", "list", "--data", data); !strings.Contains(said, m.id+"\tenabled\treader\t") {
		t.Errorf("listed is\n%s", said)
	}
	if said := mustRun(t, "audit", "verify", "--data", data); !strings.Contains(said, "3 changes of clients") {
		t.Error(said)
	}
}

type answerOf struct {
	status       int
	authenticate string
}

// startAt starts serve on an address that it had before.
func startAt(t testing.TB, data, address string) *server {
	t.Helper()
	return start(t, "serve", data, "--listen", address)
}

// TestEveryAnsweredRequestIsLogged kills the program with SIGKILL while clients
// read, and checks that every answer that one of them got, refusals too, has its
// row in the access log, and no row is there twice.
func TestEveryAnsweredRequestIsLogged(t *testing.T) {
	rounds := 6
	if testing.Short() {
		rounds = 2
	}
	data := t.TempDir()
	s := hire(t, data)
	chance := mathrand.New(mathrand.NewPCG(uint64(time.Now().UnixNano()), 2))
	var mu sync.Mutex
	answered := map[string]int{} // by request id
	for range rounds {
		srv := start(t, "serve", data)
		kill := sync.OnceFunc(srv.kill)
		target := int64(20 + chance.IntN(400))
		var n atomic.Int64
		var group sync.WaitGroup
		for client := range 8 {
			group.Go(func() {
				for i := 0; ; i++ {
					path := []string{"/fhir/Patient", "/fhir/Patient/" + uuid.NewString(), "/fhir/Observation?patient=" + uuid.NewString(), "/api/candidates", "/fhir/AuditEvent"}[(client+i)%5]
					token := s.tokens[[]journey.Role{journey.EHR, journey.Clinician, journey.Auditor, journey.EHR}[i%4]]
					if i%7 == 6 {
						token = "cdy_none"
					}
					id, status, ok := fetchLogged(srv.url+path, token)
					if !ok {
						return // the connection broke: that is no answer
					}
					mu.Lock()
					answered[id] = status
					mu.Unlock()
					if n.Add(1) >= target {
						kill()
						return
					}
				}
			})
		}
		group.Wait()
		kill()
	}
	store, err := record.Open(t.Context(), data+"/records.db", time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	verified, err := store.Verify(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	logged := map[string]int{}
	for after := int64(0); ; {
		rows, err := store.Accesses(t.Context(), record.AccessQuery{After: after, OldestFirst: true, Limit: 500})
		if err != nil {
			t.Fatal(err)
		}
		if len(rows) == 0 {
			break
		}
		for _, row := range rows {
			if _, twice := logged[row.Request]; twice {
				t.Errorf("row %d is of a request that has another", row.Seq)
			}
			logged[row.Request], after = row.Status, row.Seq
		}
	}
	if len(answered) < rounds*20 {
		t.Fatalf("only %d requests were answered", len(answered))
	}
	for id, status := range answered {
		if got, ok := logged[id]; !ok || got != status {
			t.Errorf("request %s was answered %d, and is logged %t as %d", id, status, ok, got)
		}
	}
	t.Logf("%d requests answered, %d rows", len(answered), verified.Accesses)
}

// fetchLogged reads one answer to its end.
func fetchLogged(address, token string) (id string, status int, ok bool) {
	r, err := http.NewRequestWithContext(context.Background(), http.MethodGet, address, nil)
	if err != nil {
		return "", 0, false
	}
	r.Header.Set("Authorization", "Bearer "+token)
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		return "", 0, false
	}
	defer res.Body.Close()
	// The header alone tells something: its row has to be there already.
	_, _ = io.Copy(io.Discard, res.Body)
	return res.Header.Get("X-Request-Id"), res.StatusCode, true
}

func TestClientCommandLines(t *testing.T) {
	data := t.TempDir()
	file := filepath.Join(t.TempDir(), "jwks.json")
	if err := os.WriteFile(file, []byte(`{"keys":[]}`), 0o600); err != nil {
		t.Fatal(err)
	}
	add := []string{"client", "add", "--name", "EHR", "--scope", "system/*.rs", "--jwks-url", "https://ehr.example/jwks.json"}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"client", "add"}, "--name:"},
		{[]string{"client", "add", "--name", "EHR"}, "--scope: at least one scope"},
		{[]string{"client", "add", "--name", "EHR", "--scope", "system/*.rs"}, "--jwks: a JSON Web Key Set"},
		{[]string{"client", "add", "--name", "EHR", "--scope", "system/*.rs", "--jwks", file}, "--jwks: no key in it can be used: the set is empty"},
		{[]string{"client", "add", "--name", "EHR", "--scope", "system/*.rs", "--jwks", file + "x"}, "--jwks: open"},
		{[]string{"client", "add", "--name", "EHR", "--scope", "system/*.rs", "--jwks-url", "http://ehr.example"}, "--jwks-url: an https address is needed"},
		{append(add, "--jwks", file), "--jwks: give the keys or the address"},
		{append(add, "--role", "surgeon"), "--role: no such role; accepted: reader, laboratory"},
		{append(add, "--scope", "system/Patient.cu"), "--scope: \"system/Patient.cu\": a reader"},
		{[]string{"client", "show", "none"}, "CLIENT_ID: no client has this id"},
		{[]string{"client", "disable", "none"}, "CLIENT_ID: no client has this id"},
		{[]string{"client", "enable", "none"}, "CLIENT_ID: no client has this id"},
		{[]string{"client", "scopes", "none", "--scope", "system/*.rs"}, "CLIENT_ID: no client has this id"},
		{[]string{"client", "keys", "none"}, "--jwks: a JSON Web Key Set"},
		{[]string{"client", "show"}, "accepts 1 arg"},
		{[]string{"token", "issue", "--role", "ehr", "--scope", "patient/*.rs"}, "--scope: \"patient/*.rs\": only system scopes"},
		{[]string{"token", "issue", "--role", "coordinator", "--scope", "system/*.rs"}, "--scope: only for the role ehr"},
		{[]string{"audit", "access"}, "--candidate or --actor"},
		{[]string{"audit", "access", "--candidate", "Mary"}, "--candidate: not the id"},
		{[]string{"audit", "access", "--actor", "x", "--since", "soon"}, "--since: a day"},
	} {
		out, err := run(t, append(c.args, "--data", data)...)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q\n%s", strings.Join(c.args, " "), err, c.want, out)
		}
	}
	id := strings.TrimSpace(mustRun(t, append(add, "--data", data)...))
	mustRun(t, "client", "scopes", id, "--data", data, "--role", "laboratory", "--scope", "system/Observation.crus")
	mustRun(t, "client", "keys", id, "--data", data, "--jwks-url", "https://ehr.example/other.json")
	said := mustRun(t, "client", "show", id, "--data", data)
	for _, want := range []string{"role      laboratory", "scope     system/Observation.crus", "keys at   https://ehr.example/other.json", "  scopes  by ", "  keys  by "} {
		if !strings.Contains(said, want) {
			t.Errorf("shown lacks %q:\n%s", want, said)
		}
	}
}
