package hl7_test

import (
	"bytes"
	"encoding/json"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/conformance"
	"candidacy/internal/hl7"
	messages "candidacy/testdata/hl7"
)

// node holds the independent library.
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
	var texts []string
	for _, name := range messages.Names() {
		texts = append(texts, string(messages.Message(name)))
	}
	const made = 1000
	generator := rapid.Custom(anyMessage)
	for seed := range made {
		texts = append(texts, generator.Example(seed).Encode())
	}
	out := conformance.Script(t, "hl7.mjs", texts)
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
