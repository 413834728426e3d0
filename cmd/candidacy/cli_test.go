package main

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/system"
	"candidacy/internal/walk"
)

func TestServeFromStartToStop(t *testing.T) {
	data := t.TempDir()
	s := hire(t, data)
	srv := start(t, "serve", data)
	for path, want := range map[string]int{"/healthz": 200, "/readyz": 200, "/fhir/metadata": 200, "/api/openapi.yaml": 200} {
		if a := mustAsk(t, "GET", srv.url+path, "", "", nil); a.status != want {
			t.Errorf("%s answers %d, want %d", path, a.status, want)
		}
	}
	// Without a token 401, with one of the wrong role 403; tokens issued while
	// the server runs are good at once.
	late := strings.TrimSpace(mustRun(t, "token", "issue", "--data", data, "--role", "ehr"))
	for _, c := range []struct {
		path, token string
		want        int
	}{
		{"/api/candidates", "", 401}, {"/fhir/Patient", "", 401}, {"/fhir/Patient", "nonsense", 401},
		{"/api/candidates", late, 403}, {"/fhir/Patient", late, 200}, {"/api/candidates", s.tokens[journey.Administrator], 403},
		{"/fhir/Patient", s.tokens[journey.Advocate], 403}, {"/fhir/Patient", s.tokens[journey.CommitteeRole], 403},
		{"/fhir/Patient", s.tokens[journey.Coordinator], 403}, {"/fhir/Patient", s.tokens[journey.Auditor], 403},
		{"/api/candidates", s.tokens[journey.Coordinator], 200}, {"/api/candidates", s.tokens[journey.Auditor], 200},
	} {
		if a := mustAsk(t, "GET", srv.url+c.path, c.token, "", nil); a.status != c.want {
			t.Errorf("%s answers %d, want %d", c.path, a.status, c.want)
		}
	}
	// A second process may not have the folder; the refusal names the holder.
	if out, err := run(t, "serve", "--data", data, "--listen", "127.0.0.1:0"); err == nil || !strings.Contains(err.Error(), fmt.Sprint(srv.cmd.Process.Pid)) {
		t.Errorf("a second server was answered %v\n%s", err, out)
	}
	srv.stop()
	if _, err := os.Stat(addressFile(data)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the address is still noted: %v", err)
	}
}

// TestDemo runs the demonstration as a user does, twice.
func TestDemo(t *testing.T) {
	data := t.TempDir()
	srv := start(t, "demo", data)
	if !strings.Contains(srv.said, "Synthetic") || !strings.Contains(srv.said, "24 of 24") || !strings.Contains(srv.said, data) {
		t.Errorf("the first start said\n%s", srv.said)
	}
	token := strings.TrimSpace(mustRun(t, "token", "issue", "--data", data, "--role", "coordinator"))
	stages := map[journey.Stage]int{}
	after := ""
	for {
		var page struct {
			Candidates []struct {
				ID    string
				Stage journey.Stage
			}
			Next string
		}
		mustAsk(t, "GET", srv.url+"/api/candidates?limit=10&after="+after, token, "", nil).decode(t, &page)
		for _, c := range page.Candidates {
			stages[c.Stage]++
		}
		if after = page.Next; after == "" {
			break
		}
	}
	total := 0
	for _, stage := range journey.Stages {
		total += stages[stage]
		if stages[stage] == 0 {
			t.Errorf("nobody is in stage %s", stage)
		}
	}
	if total < 24 {
		t.Errorf("%d candidates, want at least 24", total)
	}
	srv.stop()
	again := start(t, "demo", data)
	if strings.Contains(again.said, "Playing") {
		t.Errorf("the second start played again:\n%s", again.said)
	}
	again.stop()
	mustRun(t, "audit", "verify", "--data", data)
}

// TestIntake takes the same bundle in without a server, with one, and again.
func TestIntake(t *testing.T) {
	data := t.TempDir()
	s := hire(t, data)
	srv := start(t, "serve", data)
	raw, err := os.ReadFile("../../testdata/bundles/c01-screening.json")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "bundle.json")
	if err := os.WriteFile(file, raw, 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := run(t, "intake", file, "--data", data); err == nil {
		t.Errorf("results of an unknown person were taken in: %s", out)
	} else if strings.Contains(err.Error(), "SYN-0001") {
		t.Errorf("the error repeats an identifier: %v", err)
	}
	a := mustAsk(t, "POST", srv.url+"/api/candidates", s.tokens[journey.Coordinator], "refer", map[string]any{
		"given": "Alvira", "family": "Testford", "birth_date": "1981-03-14", "sex": "female", "path": "nondirected",
		"identifier": map[string]string{"system": "urn:oid:1.2.36.146.595.217.0.1", "value": "SYN-0001"},
	})
	if a.status != 201 {
		t.Fatalf("the referral was answered %d %s", a.status, a.body)
	}
	var receipt struct{ Candidate string }
	a.decode(t, &receipt)
	if out, err := run(t, "intake", file, "--data", data); err == nil {
		t.Errorf("results were taken in before screening: %s", out)
	}
	path := srv.url + "/api/candidates/" + receipt.Candidate + "/commands/begin-screening"
	if a := mustAsk(t, "POST", path, s.tokens[journey.Coordinator], "screen", map[string]bool{"contact_consent": true, "duplicate_checked": true}); a.status != 200 {
		t.Fatalf("screening was answered %d %s", a.status, a.body)
	}
	if out := mustRun(t, "intake", file, "--data", data); !strings.Contains(out, "recorded as entry 3") {
		t.Errorf("intake through the server said %q", out)
	}
	srv.stop()
	if out := mustRun(t, "intake", file, "--data", data); !strings.Contains(out, "on record already") {
		t.Errorf("intake of the same file without a server said %q", out)
	}
	broken := filepath.Join(t.TempDir(), "broken.json")
	if err := os.WriteFile(broken, []byte(strings.Replace(string(raw), `"code":"cm"`, `"code":"inch"`, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := run(t, "intake", broken, "--data", data); err == nil || !strings.Contains(err.Error(), "accepted: cm") {
		t.Errorf("a wrong unit was answered %v %s", err, out)
	}
}

// TestAuditNamesTheBadEntry changes one entry behind the program's back.
func TestAuditNamesTheBadEntry(t *testing.T) {
	data := t.TempDir()
	sys, err := system.Open(t.Context(), system.Options{DataDir: data, Protocol: protocoltest.Brief()})
	if err != nil {
		t.Fatal(err)
	}
	employ(t, sys.Store)
	begin := time.Date(2025, time.March, 3, 9, 0, 0, 0, protocoltest.Brief().Zone())
	candidate := play(t, walk.NewPlayer(sys.Dispatcher), "A", walk.New(1, begin).Refer().Screen().Steps())
	if err := sys.Close(); err != nil {
		t.Fatal(err)
	}
	if out := mustRun(t, "audit", "verify", "--data", data); !strings.Contains(out, "1 candidates, 5 entries") {
		t.Errorf("verify said %q", out)
	}
	db, err := sql.Open("sqlite", system.RecordsPath(data))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	// The store itself refuses a change.
	change := "UPDATE entry SET actor = 'somebody-else' WHERE seq = 3"
	if _, err := db.Exec(change); err == nil {
		t.Error("an entry could be changed")
	}
	for _, statement := range []string{"DROP TRIGGER entry_no_update", change} {
		if _, err := db.Exec(statement); err != nil {
			t.Fatal(err)
		}
	}
	_, err = run(t, "audit", "verify", "--data", data)
	if err == nil || !strings.Contains(err.Error(), candidate) || !strings.Contains(err.Error(), "entry 3") {
		t.Errorf("verify said %v, want entry 3 of the candidate", err)
	}
}

func TestBackup(t *testing.T) {
	data := t.TempDir()
	hire(t, data)
	copied := filepath.Join(t.TempDir(), "copy", "records.db")
	if err := os.MkdirAll(filepath.Dir(copied), 0o700); err != nil {
		t.Fatal(err)
	}
	mustRun(t, "backup", copied, "--data", data)
	mustRun(t, "audit", "verify", "--data", filepath.Dir(copied))
}

func TestBadCommandLines(t *testing.T) {
	data := t.TempDir()
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"token", "issue", "--data", data, "--role", "surgeon"}, "accepted: coordinator"},
		{[]string{"token", "issue", "--data", data, "--role", "ehr", "--account", "nobody"}, "--account"},
		{[]string{"token", "issue", "--data", data, "--role", "ehr", "--days", "0"}, "--days"},
		{[]string{"account", "add", "--data", data, "--username", " ", "--role", "clinician"}, "--username"},
		{[]string{"account", "recipient-team", "--data", data, "--username", "nobody", "--recipient", "R-1"}, "--username"},
		{[]string{"serve", "--data", data, "--no-worker"}, "--no-worker"},
		{[]string{"serve", "--data", data, "--protocol", filepath.Join(data, "none.yaml")}, "protocol"},
		{[]string{"serve", "--data", data, "--listen", "127.0.0.1:0", "--public-url", "candidacy"}, "--public-url"},
		{[]string{"serve", "--data", data, "--listen", "127.0.0.1:0", "--trusted-proxy", "everybody"}, "--trusted-proxy"},
		{[]string{"serve", "--data", data, "--listen", "127.0.0.1:0", "--oidc-client-id", "x"}, "--oidc-issuer: missing"},
		{[]string{"serve", "--data", data, "--listen", "127.0.0.1:0", "--oidc-issuer", "https://id.example"}, "--public-url is needed"},
		{[]string{"serve", "--data", data, "--listen", "127.0.0.1:0", "--public-url", "https://c.example", "--oidc-issuer", "http://id.example", "--oidc-client-id", "x"}, "by https"},
		{[]string{"serve", "--data", data, "--listen", "127.0.0.1:0", "--public-url", "https://c.example", "--oidc-issuer", "https://id.example", "--oidc-client-secret-file", filepath.Join(data, "none")}, "--oidc-client-secret-file"},
		{[]string{"worker", "--data", data}, "--temporal-address"},
		{[]string{"intake", filepath.Join(data, "none.json"), "--data", data}, "bundle"},
	} {
		out, err := run(t, c.args...)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q\n%s", strings.Join(c.args, " "), err, c.want, out)
		}
	}
}

// instants are the times at which something was published.
var instants = regexp.MustCompile(`\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d+Z`)

// TestWithdrawalAndDeclineLookTheSame compares every outward form of the two:
// resources over HTTP, field by field, but for who it is and when.
func TestWithdrawalAndDeclineLookTheSame(t *testing.T) {
	data := t.TempDir()
	s := hire(t, data)
	srv := start(t, "serve", data)
	outward := map[journey.Kind]string{}
	for i, exit := range []journey.Kind{journey.Withdraw, journey.Decline} {
		w := walk.New(1, time.Now()).Refer()
		step := w.Steps()[0]
		var receipt struct{ Candidate string }
		body, err := json.Marshal(step.Body)
		if err != nil {
			t.Fatal(err)
		}
		body = []byte(strings.ReplaceAll(string(body), "WALK-000001", fmt.Sprintf("WALK-%06d", i)))
		mustAsk(t, "POST", srv.url+"/api/candidates", s.tokens[journey.Coordinator], fmt.Sprintf("refer-%d", i), body).decode(t, &receipt)
		path := srv.url + "/api/candidates/" + receipt.Candidate + "/commands/" + string(exit)
		private := map[string]string{"reason": walk.Secret}
		if exit == journey.Withdraw {
			private = map[string]string{"note": walk.Secret}
		}
		if a := mustAsk(t, "POST", path, s.tokens[journey.Coordinator], fmt.Sprintf("exit-%d", i), private); a.status != 200 {
			t.Fatalf("%s was answered %d %s", exit, a.status, a.body)
		}
		var all strings.Builder
		for _, typ := range []string{"Patient", "EpisodeOfCare", "CarePlan", "Observation", "DetectedIssue", "ClinicalImpression", "Procedure", "Condition", "ServiceRequest"} {
			a := mustAsk(t, "GET", srv.url+"/fhir/"+typ+"?_count=500&patient="+receipt.Candidate, s.tokens[journey.EHR], "", nil)
			if typ == "Patient" {
				a = mustAsk(t, "GET", srv.url+"/fhir/Patient/"+receipt.Candidate, s.tokens[journey.EHR], "", nil)
			}
			if strings.Contains(string(a.body), walk.Secret) || strings.Contains(string(a.body), walk.Recipient) {
				t.Errorf("%s tells more than it may after %s", typ, exit)
			}
			if a.status != 200 || strings.Contains(string(a.body), `"relation":"next"`) {
				t.Fatalf("not all of %s: %d %s", typ, a.status, a.body)
			}
			all.Write(a.body)
			all.WriteByte('\n')
		}
		text := strings.ReplaceAll(all.String(), receipt.Candidate, "CANDIDATE")
		text = strings.ReplaceAll(text, fmt.Sprintf("WALK-%06d", i), "IDENTIFIER")
		outward[exit] = instants.ReplaceAllString(text, "INSTANT")
	}
	srv.stop()
	if outward[journey.Withdraw] != outward[journey.Decline] {
		t.Errorf("withdrawn\n%s\ndeclined\n%s", outward[journey.Withdraw], outward[journey.Decline])
	}
}
