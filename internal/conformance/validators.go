// Package conformance puts published resources through validators that are
// independent of this project and of each other: google/fhir's jsonformat, and
// @medplum/core with fhir, fhirpath and ucum-lhc from npm. It is for tests.
package conformance

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// Fault is one line of a validator: the number of the resource's own line,
// counted from 1, and what is wrong with it.
type Fault struct {
	Line    int
	Message string
}

// Folder holds the validators, and resources with known faults. It is found from
// this file, so that any package can ask.
func Folder() string {
	_, file, _, _ := runtime.Caller(0)
	return filepath.Join(filepath.Dir(file), "..", "..", "testdata", "conformance")
}

// required reports whether a validator that is missing is an error.
func required() bool { return strings.Contains(os.Getenv("CANDIDACY_REQUIRE"), "validators") }

var google = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "candidacy-google-validator")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "google")
	cmd := exec.Command("go", "build", "-o", path, ".")
	cmd.Dir = filepath.Join(Folder(), "google")
	out, err := cmd.CombinedOutput()
	if err != nil {
		_, _ = os.Stderr.Write(out)
	}
	return path, err
})

// Google validates resources, one a line, and skips the test where the validator
// can't be built.
func Google(t testing.TB, ndjson []byte) []Fault {
	t.Helper()
	path, err := google()
	if err != nil {
		if required() {
			t.Fatal(err)
		}
		t.Skip("the Go validator can't be built here: ", err)
	}
	return validate(t, ndjson, path)
}

// Node validates resources, one a line, and skips the test where the packages are
// not installed. See validate.mjs for the options.
func Node(t testing.TB, ndjson []byte, options ...string) []Fault {
	t.Helper()
	return node(t, ndjson, "validate.mjs", options...)
}

// Invariants checks what must hold between the resources of a whole server, one a
// line, and computes again what was computed, how often by the id of the equation.
// Each message begins with the name of the invariant. See invariants.mjs.
func Invariants(t testing.TB, ndjson []byte) (faults []Fault, equations map[string]int) {
	t.Helper()
	faults = node(t, ndjson, "invariants.mjs", "--count")
	last := len(faults) - 1
	if last < 0 || faults[last].Line != 0 {
		t.Fatal("the invariants were not checked to the end")
	}
	if err := json.Unmarshal([]byte(faults[last].Message), &equations); err != nil {
		t.Fatal(err)
	}
	return faults[:last], equations
}

func node(t testing.TB, ndjson []byte, script string, options ...string) []Fault {
	t.Helper()
	return validate(t, ndjson, "node", append([]string{scriptPath(t, script)}, options...)...)
}

// scriptPath is where a script stands that needs the packages from npm. The test is
// skipped where they, or node, are not installed.
func scriptPath(t testing.TB, script string) string {
	t.Helper()
	folder := filepath.Join(Folder(), "node")
	missing := ""
	if _, err := exec.LookPath("node"); err != nil {
		missing = "node is not installed"
	} else if _, err := os.Stat(filepath.Join(folder, "node_modules")); err != nil {
		missing = "the npm packages are not installed: npm ci in testdata/conformance/node"
	}
	if missing != "" {
		if required() {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	return filepath.Join(folder, script)
}

// Script gives each of the values to a script, as one line of JSON, and returns what
// it prints. It skips the test where the packages are not installed.
func Script[T any](t testing.TB, script string, values []T, args ...string) []byte {
	t.Helper()
	var in, errs bytes.Buffer
	lines := json.NewEncoder(&in)
	for _, v := range values {
		if err := lines.Encode(v); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.CommandContext(t.Context(), "node", append([]string{scriptPath(t, script)}, args...)...)
	cmd.Stdin, cmd.Stderr = &in, &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v\n%s", script, err, errs.String())
	}
	return out
}

func validate(t testing.TB, ndjson []byte, name string, args ...string) []Fault {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), name, args...)
	cmd.Stdin = bytes.NewReader(ndjson)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil && len(out) == 0 {
		t.Fatalf("%s: %v\n%s", name, err, errs.String())
	}
	var faults []Fault
	for text := range strings.Lines(string(out)) {
		number, rest, _ := strings.Cut(strings.TrimSpace(text), "\t")
		n, err := strconv.Atoi(number)
		if err != nil {
			t.Fatalf("%s said %q", name, text)
		}
		_, message, _ := strings.Cut(rest, "\t")
		faults = append(faults, Fault{n, message})
	}
	return faults
}
