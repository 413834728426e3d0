package conformance_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/conformance"
	"candidacy/internal/protocol"
)

var update = flag.Bool("update", false, "write local-codes.json")

// computed are the codes of computed values that have no LOINC code, with that of
// the resources in testdata.
var computed = []string{"gfr-plasma-clearance", "measured-gfr"}

// TestLocalCodes: what is published under a code of our own is known to have no
// confirmed LOINC code, one by one.
func TestLocalCodes(t *testing.T) {
	path := filepath.Join(conformance.Folder(), "node", "local-codes.json")
	var want struct {
		Comment string   `json:"comment"`
		System  string   `json:"system"`
		Codes   []string `json:"codes"`
	}
	want.Comment = "What is observed without a confirmed LOINC code. A code that has one is no local code: add to this list only what was looked for."
	want.System, want.Codes = protocol.LocalSystem, slices.Clone(computed)
	for _, o := range protocol.Default().Observations {
		if o.Local {
			want.Codes = append(want.Codes, o.Code)
		}
	}
	slices.Sort(want.Codes)
	text, err := json.MarshalIndent(want, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	text = append(text, '\n')
	if *update {
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	has, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(has, text) {
		t.Error("local-codes.json is not what the default protocol has: look for LOINC codes of what is new, then run with -update")
	}
}

func faults(t *testing.T, name string) []byte {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(conformance.Folder(), "faults", name))
	if err != nil {
		t.Fatal(err)
	}
	return bytes.TrimSpace(raw)
}

// known is a list of broken resources: which tools have to find the fault of a line.
type known struct {
	Faults []struct {
		Line   int
		Name   string
		Google bool
		Node   []string
	}
}

// TestTheValidatorsFindFaults proves that the validators do fail: valid resources
// pass, and each of the broken ones is found by the tools named beside it.
func TestTheValidatorsFindFaults(t *testing.T) {
	valid, broken := faults(t, "valid.ndjson"), faults(t, "broken.ndjson")
	passing := bytes.Count(valid, []byte("\n")) + 1
	var list known
	if err := json.Unmarshal(faults(t, "faults.json"), &list); err != nil {
		t.Fatal(err)
	}
	if len(list.Faults) < 35 {
		t.Fatalf("%d faults are listed, want at least 35", len(list.Faults))
	}
	both := slices.Concat(valid, []byte("\n"), broken)
	for _, tool := range []struct {
		name  string
		found []conformance.Fault
	}{{"google", conformance.Google(t, both)}, {"node", conformance.Node(t, both, "--references")}} {
		for _, f := range tool.found {
			if f.Line <= passing {
				t.Errorf("%s refuses the valid resource %d: %s", tool.name, f.Line, f.Message)
			}
		}
		for _, want := range list.Faults {
			parts := want.Node
			if tool.name == "google" {
				parts = nil
				if want.Google {
					parts = []string{""}
				}
			}
			for _, part := range parts {
				if !slices.ContainsFunc(tool.found, func(f conformance.Fault) bool {
					return f.Line == passing+want.Line && strings.HasPrefix(f.Message, part)
				}) {
					t.Errorf("%s %s does not find the broken resource %d: %s", tool.name, part, want.Line, want.Name)
				}
			}
		}
	}
}

// TestLOINCPresence: what was measured has a LOINC code, is known to have none, or
// came with a code of the laboratory's own.
func TestLOINCPresence(t *testing.T) {
	local := func(code, text string) string {
		return fmt.Sprintf(`{"coding":[{"system":%q,"code":%q}],"text":%q}`, protocol.LocalSystem, code, text)
	}
	const loinc = `{"coding":[{"system":"http://loinc.org","code":"2160-0"}]}`
	var lines []string
	var want []int
	for i, c := range []struct {
		code, component string
		faulty          bool
	}{
		{loinc, "", false},
		{local("gfr-plasma-clearance", "Measured GFR"), "", false},
		{local("house-gfr", "GFR by a code that nobody looked for"), "", true},
		{`{"coding":[{"system":"https://laboratory.example/codes","code":"GFR"}],"text":"GFR"}`, "", false},
		{`{"coding":[{"system":"https://laboratory.example/codes","code":"GFR"}]}`, "", true},
		{`{"text":"GFR"}`, "", true},
		{loinc, loinc, false},
		{loinc, `{"text":"mean"}`, true},
	} {
		line := fmt.Sprintf(`{"resourceType":"Observation","id":"o%d","status":"final","code":%s,"subject":{"display":"somebody"},`+
			`"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"exam"}]}]`, i, c.code)
		if c.component != "" {
			line += fmt.Sprintf(`,"component":[{"code":%s,"valueInteger":1}]`, c.component)
		}
		lines = append(lines, line+"}")
		if c.faulty {
			want = append(want, i+1)
		}
	}
	var got []int
	for _, f := range conformance.Node(t, []byte(strings.Join(lines, "\n"))) {
		if !strings.HasPrefix(f.Message, "loinc") {
			t.Errorf("%d: %s", f.Line, f.Message)
		}
		got = append(got, f.Line)
	}
	if !slices.Equal(got, want) {
		t.Errorf("faults in lines %v, want %v", got, want)
	}
}

// TestShapesLoseNoFault: a broken resource after any number of valid ones, its own
// valid form among them, has a shape of its own, or what it refers to is not there.
func TestShapesLoseNoFault(t *testing.T) {
	shapes, there := conformance.NewShapes(), conformance.Known{}
	for range 2 {
		for line := range bytes.Lines(faults(t, "valid.ndjson")) {
			if kept, err := shapes.Add(line); err != nil {
				t.Fatalf("%s: %v", kept, err)
			}
			var r struct{ ResourceType, ID string }
			if err := json.Unmarshal(line, &r); err != nil {
				t.Fatal(err)
			}
			there.Add(r.ResourceType+"/"+r.ID, "1")
		}
	}
	n := 0
	for line := range bytes.Lines(faults(t, "broken.ndjson")) {
		n++
		kept, err := shapes.Add(line)
		if err != nil {
			continue // no JSON passes for another
		}
		dangling, err := there.Unresolved(line)
		if err != nil {
			t.Fatal(err)
		}
		if kept == nil && len(dangling) == 0 {
			t.Errorf("the broken resource %d passes for a valid one", n)
		}
	}
}

// TestShapesReduceLists: what was seen in a long list is left out of the next one,
// and what is new in it is not.
func TestShapesReduceLists(t *testing.T) {
	plan := func(statuses ...string) []byte {
		var activities []string
		for i, status := range statuses {
			activities = append(activities, fmt.Sprintf(`{"detail":{"status":%q,"code":{"text":"activity %c"}}}`, status, 'a'+i%4))
		}
		return fmt.Appendf(nil, `{"resourceType":"CarePlan","id":"p","activity":[%s]}`, strings.Join(activities, ","))
	}
	many := slices.Repeat([]string{"completed"}, 20)
	shapes := conformance.NewShapes()
	for i, c := range []struct {
		plan []byte
		left int // activities of what is validated, -1 where nothing is
	}{
		{plan(many...), 4}, {plan(many...), -1}, {plan(append(many, "stopped")...), 1}, {plan(append(many, "stopped", "stopped")...), 1},
		{plan(append(many, "stopped", "stopped")...), -1}, {plan("on-hold", "on-hold"), 2},
	} {
		kept, err := shapes.Add(c.plan)
		if err != nil {
			t.Fatal(err)
		}
		if n := bytes.Count(kept, []byte("detail")); kept == nil && c.left != -1 || kept != nil && n != c.left {
			t.Errorf("%d: %d activities are left: %s", i, n, kept)
		}
	}
}

// TestVersionsResolve: a reference to a version wants that one where the set holds
// every version, with both of those who look.
func TestVersionsResolve(t *testing.T) {
	var lines []string
	for _, version := range []string{"1", "2"} {
		lines = append(lines, fmt.Sprintf(`{"resourceType":"Patient","id":"p","meta":{"versionId":%q},"identifier":[{"system":"urn:x","value":"1"}],"name":[{"family":"F"}],"gender":"other"}`, version))
	}
	for _, reference := range []string{"Patient/p/_history/2", "Patient/p/_history/3", "Patient/q"} {
		lines = append(lines, fmt.Sprintf(`{"resourceType":"Flag","id":"f","status":"active","code":{"text":"x"},"subject":{"reference":%q}}`, reference))
	}
	known := conformance.Known{}
	known.Add("Patient/p", "1")
	known.Add("Patient/p", "2")
	for option, want := range map[string][]int{"--references": {5}, "--versions": {4, 5}} {
		var got []int
		for _, f := range conformance.Node(t, []byte(strings.Join(lines, "\n")), option) {
			got = append(got, f.Line)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: faults in lines %v, want %v", option, got, want)
		}
	}
	for line, want := range map[int]int{2: 0, 3: 1, 4: 1} {
		if got, err := known.Unresolved([]byte(lines[line])); err != nil || len(got) != want {
			t.Errorf("%s: %v, %v", lines[line], got, err)
		}
	}
}
