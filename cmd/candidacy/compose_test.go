package main

import (
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestComposeFile checks docker-compose.yml against the Compose specification
// with the specification's own library, and the commands in it against ours.
func TestComposeFile(t *testing.T) {
	file, err := filepath.Abs("../../docker-compose.yml")
	if err != nil {
		t.Fatal(err)
	}
	check := exec.CommandContext(t.Context(), "go", "run", ".", file)
	check.Dir = "../../testdata/conformance/compose"
	check.Env = append(os.Environ(), "RECORDS_PASSWORD=x", "ENGINE_PASSWORD=x", "CANDIDACY_PAYLOAD_KEYS=x", "PUBLIC_URL=https://candidacy.example")
	var errs strings.Builder
	check.Stderr = &errs
	out, err := check.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, errs.String())
	}
	var services map[string][]string
	if err := json.Unmarshal(out, &services); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"web", "worker", "records", "temporal"} {
		if _, ok := services[name]; !ok {
			t.Errorf("there is no service %s", name)
		}
	}
	for _, name := range []string{"web", "worker"} {
		found, args, err := program(io.Discard, io.Discard).Find(services[name])
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if err := found.ParseFlags(args); err != nil {
			t.Errorf("%s runs %s: %v", name, strings.Join(services[name], " "), err)
		}
	}
}
