package fhir

import (
	_ "embed" // the table below
	"encoding/json"
	"slices"
	"strings"
)

// definitionsJSON is what `node definitions.mjs elements` prints of the types in
// testdata/conformance/node; a test holds them together.
//
//go:embed definitions.json
var definitionsJSON []byte

// definition is what R4 says of a type.
type definition struct {
	// elements are the paths within the type, of nested elements only those that
	// belong to a summary or are mandatory.
	elements map[string]element
	// references are its search parameters that are references.
	references []string
}

type element struct{ summary, mandatory bool }

// definitions hold the types that are or may be published.
var definitions = readDefinitions(definitionsJSON)

func readDefinitions(raw []byte) map[string]definition {
	var table map[string]struct{ Elements, References string }
	if err := json.Unmarshal(raw, &table); err != nil {
		panic(err) // it is part of the program
	}
	all := make(map[string]definition, len(table))
	for typ, row := range table {
		d := definition{elements: map[string]element{}, references: strings.Fields(row.References)}
		for _, text := range strings.Fields(row.Elements) {
			path, marks, _ := strings.Cut(text, ":")
			d.elements[path] = element{strings.Contains(marks, "s"), strings.Contains(marks, "m")}
		}
		all[typ] = d
	}
	return all
}

// isReference reports whether R4 knows a search parameter of the name that is a
// reference: what it points to may be of one patient.
func (d definition) isReference(name string) bool { return slices.Contains(d.references, name) }

// find returns the element that a member of the JSON object belongs to: a choice
// is written with its type, and the extensions of a primitive behind a line.
func (d definition) find(prefix, member string) (path string, e element, ok bool) {
	member = strings.TrimPrefix(member, "_")
	if e, ok := d.elements[prefix+member]; ok {
		return prefix + member, e, true
	}
	for i := 1; i < len(member); i++ {
		if c := member[i]; c < 'A' || c > 'Z' {
			continue
		}
		path := prefix + member[:i] + "[x]"
		if e, ok := d.elements[path]; ok {
			return path, e, true
		}
	}
	return "", element{}, false
}
