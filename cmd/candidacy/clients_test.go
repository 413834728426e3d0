package main

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// nodeTools is where the packages from npm are, and whether they are installed.
func nodeTools(t *testing.T, packages ...string) string {
	t.Helper()
	dir, err := filepath.Abs("../../testdata/conformance/node")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range packages {
		if _, err := os.Stat(filepath.Join(dir, "node_modules", name)); err != nil {
			const message = "packages from npm are not installed: npm ci in testdata/conformance/node"
			if strings.Contains(os.Getenv("CANDIDACY_REQUIRE"), "validators") {
				t.Fatal(message)
			}
			t.Skip(message)
		}
	}
	return dir
}

// TestClientsFromNPM lets a general FHIR client, the SMART client of the standard's
// authors, and a client that authorises by itself work with the program as it is
// shipped, over the demonstration: testdata/conformance/node/clients.mjs.
func TestClientsFromNPM(t *testing.T) {
	tools := nodeTools(t, "fhir-kit-client", "fhirclient", "jose", "@medplum/core")
	script := filepath.Join(tools, "clients.mjs")
	keys, data := t.TempDir(), t.TempDir()
	if out, err := exec.CommandContext(t.Context(), "node", script, "keys", keys).CombinedOutput(); err != nil {
		t.Fatalf("make keys: %v\n%s", err, out)
	}
	srv := start(t, "demo", data)
	defer srv.stop()
	// One client publishes its keys, the others gave them when they were registered.
	published := httptest.NewServer(http.FileServer(http.Dir(keys)))
	defer published.Close()
	const vitalSignsOnly = "system/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|vital-signs system/Patient.r"
	ids := map[string]string{}
	for name, args := range map[string][]string{
		"reader":     {"--scope", "system/*.rs"},
		"published":  {"--scope", "system/*.rs", "--jwks-url", published.URL + "/published.jwks.json"},
		"laboratory": {"--scope", "system/Observation.crus", "--role", "laboratory"},
		"auditor":    {"--scope", "system/AuditEvent.rs"},
		"narrow":     {"--scope", vitalSignsOnly},
	} {
		if name != "published" {
			args = append(args, "--jwks", filepath.Join(keys, name+".jwks.json"))
		}
		ids[name] = strings.TrimSpace(mustRun(t, append([]string{"client", "add", "--data", data, "--name", "Client " + name}, args...)...))
	}
	raw, err := json.Marshal(ids)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(keys, "clients.json"), raw, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), "node", script, "run", srv.url+"/fhir", keys).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	source, err := os.ReadFile(script)
	if err != nil {
		t.Fatal(err)
	}
	// Every step that is written was taken, and none twice.
	if done, written := strings.Count("\n"+string(out), "\nok "), strings.Count(string(source), "step('"); done != written {
		t.Errorf("%d of %d steps were taken:\n%s", done, written, out)
	}
	// What they did is one unbroken chain.
	if said := mustRun(t, "audit", "verify", "--data", data); !strings.Contains(said, "every chain holds") {
		t.Error(said)
	}
}
