package demo_test

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"candidacy/internal/record"
)

// The two validators are independent of this project and of each other:
// google/fhir's jsonformat, and @medplum/core with fhir, fhirpath and ucum-lhc
// from npm. What each of them catches is listed beside the faults.
const conformance = "../../testdata/conformance"

var googleValidator = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "candidacy-google-validator")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "google")
	cmd := exec.Command("go", "build", "-o", path, ".")
	cmd.Dir = filepath.Join(conformance, "google")
	out, err := cmd.CombinedOutput()
	if err != nil {
		_, _ = os.Stderr.Write(out)
	}
	return path, err
})

func required() bool { return strings.Contains(os.Getenv("CANDIDACY_REQUIRE"), "validators") }

// fault is one line of a validator.
type fault struct {
	line    int
	message string
}

func validate(t *testing.T, ndjson []byte, name string, args ...string) []fault {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), name, args...)
	cmd.Stdin = bytes.NewReader(ndjson)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil && len(out) == 0 {
		t.Fatalf("%s: %v\n%s", name, err, errs.String())
	}
	var faults []fault
	for text := range strings.Lines(string(out)) {
		number, rest, _ := strings.Cut(strings.TrimSpace(text), "\t")
		n, err := strconv.Atoi(number)
		if err != nil {
			t.Fatalf("%s said %q", name, text)
		}
		_, message, _ := strings.Cut(rest, "\t")
		faults = append(faults, fault{n, message})
	}
	return faults
}

func withGoogle(t *testing.T, ndjson []byte) []fault {
	t.Helper()
	path, err := googleValidator()
	if err != nil {
		if required() {
			t.Fatal(err)
		}
		t.Skip("the Go validator can't be built here: ", err)
	}
	return validate(t, ndjson, path)
}

func withNode(t *testing.T, ndjson []byte) []fault {
	t.Helper()
	if _, err := os.Stat(filepath.Join(conformance, "node", "node_modules")); err != nil {
		if required() {
			t.Fatal("the npm validators are not installed: npm ci in testdata/conformance/node")
		}
		t.Skip("the npm validators are not installed: npm ci in testdata/conformance/node")
	}
	return validate(t, ndjson, "node", filepath.Join(conformance, "node", "validate.mjs"), "--references")
}

// TestEveryPublishedResourceConforms puts every resource of the demonstration
// through both validators.
func TestEveryPublishedResourceConforms(t *testing.T) {
	sys := loaded(t)
	var ndjson bytes.Buffer
	types := map[string]int{}
	var names []string
	if err := sys.Store.EachResource(t.Context(), func(p record.Published) error {
		types[p.Type]++
		names = append(names, p.Type+"/"+p.ID)
		ndjson.Write(p.Body)
		ndjson.WriteByte('\n')
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	for _, typ := range []string{"Patient", "EpisodeOfCare", "CarePlan", "Observation", "DetectedIssue", "ClinicalImpression", "Procedure", "Condition", "Encounter", "MedicationStatement", "ServiceRequest"} {
		if types[typ] == 0 {
			t.Errorf("the demonstration publishes no %s", typ)
		}
	}
	t.Logf("resources: %v", types)
	for tool, check := range map[string]func(*testing.T, []byte) []fault{"google": withGoogle, "node": withNode} {
		t.Run(tool, func(t *testing.T) {
			for _, f := range check(t, ndjson.Bytes()) {
				t.Errorf("%s: %s", names[f.line-1], f.message)
			}
		})
	}
}

// TestImpressionsPointToVersions resolves what decisions stood on, version by
// version.
func TestImpressionsPointToVersions(t *testing.T) {
	sys := loaded(t)
	impressions, references := 0, 0
	if err := sys.Store.EachResource(t.Context(), func(p record.Published) error {
		if p.Type != "ClinicalImpression" {
			return nil
		}
		impressions++
		var i struct {
			Investigation []struct{ Item []struct{ Reference string } }
		}
		if err := json.Unmarshal(p.Body, &i); err != nil {
			return err
		}
		for _, group := range i.Investigation {
			for _, item := range group.Item {
				references++
				id, version, _ := strings.Cut(strings.TrimPrefix(item.Reference, "Observation/"), "/_history/")
				n, err := strconv.ParseInt(version, 10, 64)
				if err != nil {
					return err
				}
				if _, err := sys.Store.ResourceVersion(t.Context(), "Observation", id, n); err != nil {
					t.Errorf("%s of %s: %v", item.Reference, p.ID, err)
				}
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if references < 20*impressions || impressions == 0 {
		t.Errorf("%d references in %d impressions", references, impressions)
	}
}

// TestTheValidatorsFindFaults proves that the validators do fail: valid
// resources pass, and each of the broken ones is found by the tools named
// beside it.
func TestTheValidatorsFindFaults(t *testing.T) {
	read := func(name string) []byte {
		raw, err := os.ReadFile(filepath.Join(conformance, "faults", name))
		if err != nil {
			t.Fatal(err)
		}
		return raw
	}
	valid, broken := read("valid.ndjson"), read("broken.ndjson")
	passing := bytes.Count(bytes.TrimSpace(valid), []byte("\n")) + 1
	var list struct {
		Faults []struct {
			Line   int
			Name   string
			Google bool
			Node   []string
		}
	}
	if err := json.Unmarshal(read("faults.json"), &list); err != nil {
		t.Fatal(err)
	}
	if len(list.Faults) < 35 {
		t.Fatalf("%d faults are listed, want at least 35", len(list.Faults))
	}
	both := slices.Concat(bytes.TrimSpace(valid), []byte("\n"), broken)
	t.Run("google", func(t *testing.T) {
		found := withGoogle(t, both)
		for _, f := range found {
			if f.line <= passing {
				t.Errorf("valid resource %d is refused: %s", f.line, f.message)
			}
		}
		for _, want := range list.Faults {
			if want.Google && !slices.ContainsFunc(found, func(f fault) bool { return f.line == passing+want.Line }) {
				t.Errorf("broken resource %d is not found: %s", want.Line, want.Name)
			}
		}
	})
	t.Run("node", func(t *testing.T) {
		found := withNode(t, both)
		for _, f := range found {
			if f.line <= passing {
				t.Errorf("valid resource %d is refused: %s", f.line, f.message)
			}
		}
		for _, want := range list.Faults {
			for _, tool := range want.Node {
				if !slices.ContainsFunc(found, func(f fault) bool {
					return f.line == passing+want.Line && strings.HasPrefix(f.message, tool)
				}) {
					t.Errorf("broken resource %d is not found by %s: %s", want.Line, tool, want.Name)
				}
			}
		}
	})
}
