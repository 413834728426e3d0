package intake

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/reading"
)

// checker compares a resource, as it was written, with the R4 structures of the
// FHIR library: decoding into them drops what they don't know, takes STATUS for
// status, and reads a missing code as the first of its list.
type checker struct{ issues []reading.Issue }

// maxIssues bounds an answer.
const maxIssues = 50

func (c *checker) add(place, code, problem string, accepted ...string) {
	if len(c.issues) < maxIssues {
		c.issues = append(c.issues, issueOf(place, code, problem, accepted...))
	}
}

// structures are the types that are looked at in full.
var structures = map[string]reflect.Type{
	"Bundle": reflect.TypeFor[r4.Bundle](), "Observation": reflect.TypeFor[r4.Observation](), "DiagnosticReport": reflect.TypeFor[r4.DiagnosticReport](),
	"Patient": reflect.TypeFor[r4.Patient](), "ServiceRequest": reflect.TypeFor[r4.ServiceRequest](), "Specimen": reflect.TypeFor[r4.Specimen](),
}

// resource checks a resource and what it contains, and returns its type, empty
// when it is no resource at all.
func (c *checker) resource(place string, raw json.RawMessage, alone bool) string {
	var members map[string]json.RawMessage
	if bytes.Equal(bytes.TrimSpace(raw), []byte("null")) || json.Unmarshal(raw, &members) != nil {
		c.add(place, "structure", "not a resource")
		return ""
	}
	var typ string
	if json.Unmarshal(members["resourceType"], &typ) != nil || typ == "" {
		c.add(place, "structure", "resourceType: missing")
		return ""
	}
	if alone && strings.HasPrefix(place, typ) {
		place = typ
	}
	if t, known := structures[typ]; known {
		c.object(place, members, t, true)
	} else if members["implicitRules"] != nil || members["modifierExtension"] != nil {
		c.modified(place, members)
	}
	return typ
}

func (c *checker) modified(place string, members map[string]json.RawMessage) {
	if members["modifierExtension"] != nil {
		c.add(place+".modifierExtension", "extension", unknownMeaning)
	}
	if members["implicitRules"] != nil {
		c.add(place+".implicitRules", "not-supported", unknownMeaning)
	}
}

const unknownMeaning = "the meaning of the resource is modified in a way that is not known here"

// field is one element of a structure.
type field struct {
	typ      reflect.Type
	list     bool
	required bool
}

var fields sync.Map // of reflect.Type to map[string]field

func fieldsOf(t reflect.Type) map[string]field {
	if known, ok := fields.Load(t); ok {
		return known.(map[string]field)
	}
	all := map[string]field{}
	for i := range t.NumField() {
		name, options, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		if name == "" || name == "-" {
			continue
		}
		f := field{typ: t.Field(i).Type, required: options != "omitempty"}
		if f.typ.Kind() == reflect.Pointer {
			f.typ = f.typ.Elem()
		}
		if f.typ.Kind() == reflect.Slice && f.typ != rawType {
			f.typ, f.list = f.typ.Elem(), true
		}
		all[name] = f
	}
	fields.Store(t, all)
	return all
}

var (
	rawType    = reflect.TypeFor[json.RawMessage]()
	numberType = reflect.TypeFor[json.Number]()
)

// object checks the members of an object in their order.
func (c *checker) object(place string, members map[string]json.RawMessage, t reflect.Type, resource bool) {
	if len(members) == 0 {
		c.add(place, "structure", "an empty object")
		return
	}
	known := fieldsOf(t)
	c.modified(place, members)
	for _, name := range sortedNames(members) {
		raw := members[name]
		at := place + "." + name
		f, ok := known[name]
		switch {
		case name == "resourceType" && resource, name == "modifierExtension":
		case name == "contained" && resource:
			c.contained(at, raw)
		case !ok && strings.HasPrefix(name, "_") && known[name[1:]].typ != nil:
			// Extensions of a primitive: none of them changes what it means.
		case !ok && elementName.MatchString(name):
			c.add(at, "structure", "no such element")
		case !ok:
			// What is no name may be anything, and is not repeated.
			c.add(place, "structure", "an element that there is not")
		case f.list:
			c.list(at, raw, f.typ, members["_"+name] != nil)
		default:
			c.element(at, raw, f.typ)
		}
	}
	for _, name := range sortedNames(known) {
		if known[name].required && members[name] == nil && members["_"+name] == nil {
			c.add(place+"."+name, "required", "missing")
		}
	}
}

var elementName = regexp.MustCompile(`^_?[A-Za-z][A-Za-z0-9]{0,39}$`)

func sortedNames[V any](m map[string]V) []string {
	names := make([]string, 0, len(m))
	for name := range m {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

func (c *checker) contained(place string, raw json.RawMessage) {
	var list []json.RawMessage
	if json.Unmarshal(raw, &list) != nil || len(list) == 0 {
		c.add(place, "structure", "not a list of resources")
		return
	}
	for i, each := range list {
		c.resource(fmt.Sprintf("%s[%d]", place, i), each, false)
	}
}

func (c *checker) list(place string, raw json.RawMessage, t reflect.Type, extended bool) {
	var list []json.RawMessage
	if bytes.Equal(raw, []byte("null")) || json.Unmarshal(raw, &list) != nil {
		c.add(place, "structure", "not a list")
		return
	}
	if len(list) == 0 {
		c.add(place, "structure", "an empty list")
	}
	for i, each := range list {
		if extended && bytes.Equal(each, []byte("null")) {
			continue
		}
		c.element(fmt.Sprintf("%s[%d]", place, i), each, t)
	}
}

// coded is an enumeration of the FHIR library.
type coded interface{ Code() string }

func (c *checker) element(place string, raw json.RawMessage, t reflect.Type) {
	raw = bytes.TrimSpace(raw)
	wrong := func(accepted string) { c.add(place, "structure", "not of the type that is expected here", accepted) }
	switch {
	case bytes.Equal(raw, []byte("null")):
		c.add(place, "structure", "a null")
	case t == rawType: // a resource, which is looked at where it is read
	case t == numberType:
		if raw[0] != '-' && (raw[0] < '0' || raw[0] > '9') {
			wrong("a number")
		}
	case t.Implements(reflect.TypeFor[coded]()):
		c.code(place, raw, t)
	case t.Kind() == reflect.Struct:
		var members map[string]json.RawMessage
		if json.Unmarshal(raw, &members) != nil {
			wrong("an object")
			return
		}
		c.object(place, members, t, false)
	case t.Kind() == reflect.String:
		var s string
		if json.Unmarshal(raw, &s) != nil {
			wrong("a text")
		} else if strings.TrimSpace(s) == "" {
			c.add(place, "structure", "an empty text")
		}
	case t.Kind() == reflect.Bool:
		if !bytes.Equal(raw, []byte("true")) && !bytes.Equal(raw, []byte("false")) {
			wrong("true or false")
		}
	case t.Kind() == reflect.Int:
		if json.Unmarshal(raw, reflect.New(t).Interface()) != nil {
			wrong("a whole number")
		}
	}
}

// code checks a code of a required binding.
func (c *checker) code(place string, raw json.RawMessage, t reflect.Type) {
	var s string
	if json.Unmarshal(raw, &s) != nil {
		c.add(place, "structure", "not of the type that is expected here", "a code")
		return
	}
	codes := codesOf(t)
	if !slices.Contains(codes, s) {
		if len(codes) > 20 {
			codes = nil
		}
		c.add(place, "code-invalid", "not a code of this element", codes...)
	}
}

// codesOf lists the codes of an enumeration, which the library numbers from 0.
func codesOf(t reflect.Type) []string {
	var codes []string
	for i := int64(0); ; i++ {
		v := reflect.New(t).Elem()
		v.SetInt(i)
		code := v.Interface().(coded).Code()
		if code == "<unknown>" {
			return codes
		}
		codes = append(codes, code)
	}
}
