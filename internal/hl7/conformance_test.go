package hl7_test

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/hl7"
	messages "candidacy/testdata/hl7"
)

// node holds the independent library.
const node = "../../testdata/conformance/node"

// split is a segment as both sides write it, each empty part as one empty text.
type split struct {
	Name   string         `json:"name"`
	Fields [][][][]string `json:"fields"`
}

func splits(m *hl7.Message) []split {
	var list []split
	for _, s := range m.Segments {
		each := split{Name: s.Name, Fields: [][][][]string{}}
		fields := s.Fields
		if s.Name == "MSH" {
			fields = fields[2:]
		}
		for _, f := range fields {
			var repetitions [][][]string
			for _, r := range orOne(f) {
				var components [][]string
				for _, c := range orOne(r) {
					components = append(components, orOne(c))
				}
				repetitions = append(repetitions, components)
			}
			each.Fields = append(each.Fields, repetitions)
		}
		list = append(list, each)
	}
	return list
}

func orOne[T any](list []T) []T {
	if len(list) == 0 {
		return make([]T, 1)
	}
	return list
}

// TestAnotherParserAgrees splits the synthetic messages, and messages made by
// chance in any delimiters, with the library of another project.
func TestAnotherParserAgrees(t *testing.T) {
	missing := ""
	if _, err := exec.LookPath("node"); err != nil {
		missing = "node is not installed"
	} else if _, err := os.Stat(filepath.Join(node, "node_modules")); err != nil {
		missing = "the npm packages are not installed: npm ci in testdata/conformance/node"
	}
	if missing != "" {
		if strings.Contains(os.Getenv("CANDIDACY_REQUIRE"), "validators") {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	var texts []string
	for _, name := range messages.Names() {
		texts = append(texts, string(messages.Message(name)))
	}
	const made = 1000
	generator := rapid.Custom(anyMessage)
	for seed := range made {
		texts = append(texts, generator.Example(seed).Encode())
	}
	var in, errs bytes.Buffer
	lines := json.NewEncoder(&in)
	for _, text := range texts {
		if err := lines.Encode(text); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.CommandContext(t.Context(), "node", filepath.Join(node, "hl7.mjs"))
	cmd.Stdin, cmd.Stderr = &in, &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, errs.String())
	}
	answers := json.NewDecoder(bytes.NewReader(out))
	for _, text := range texts {
		var theirs []split
		if err := answers.Decode(&theirs); err != nil {
			t.Fatal(err)
		}
		m, err := hl7.Parse([]byte(text), "UNICODE UTF-8")
		if err != nil {
			t.Fatal(err)
		}
		a, errA := json.Marshal(splits(m))
		b, errB := json.Marshal(theirs)
		if errA != nil || errB != nil || !bytes.Equal(a, b) {
			t.Errorf("%q:\n%s\nthe other library has\n%s", text, a, b)
		}
	}
	if answers.More() {
		t.Error("there are more answers than messages")
	}
}
