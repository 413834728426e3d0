package calculation

import (
	"encoding/json"
	"errors"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/google/jsonschema-go/jsonschema"

	"candidacy/internal/clinical"
)

// Field is one input that can be given as text, for a command line.
type Field struct {
	// Path leads to the input through its objects.
	Path []string
	// Kind says in a word what the text is.
	Kind string
	// Description is that of the schema.
	Description string
	// Choices are the accepted words, if they are fixed.
	Choices []string
	// Required says that there is no result without it.
	Required bool
	// Repeated says that the input is a list, one text for each item.
	Repeated bool
	// Names are those of an object that is written as "name=value, name=value".
	Names []string

	check checker
	item  *jsonschema.Schema
}

// Flag is the name of the field in kebab-case, such as size-height.
func (f Field) Flag() string {
	parts := make([]string, len(f.Path))
	for i, name := range f.Path {
		parts[i] = words(name, "-")
	}
	return strings.Join(parts, "-")
}

// path is how errors name the field.
func (f Field) path() string { return strings.Join(f.Path, ".") }

// Fields lists the inputs of a calculation, those of nested objects one by one.
func (c Calculation) Fields() []Field {
	return fieldsOf(checker{root: c.Schema}, c.Schema, nil, true)
}

func fieldsOf(check checker, s *jsonschema.Schema, above []string, required bool) []Field {
	var fields []Field
	for _, name := range s.PropertyOrder {
		property := s.Properties[name]
		path := append(slices.Clone(above), name)
		needed := required && slices.Contains(s.Required, name)
		if property.Type == "object" {
			fields = append(fields, fieldsOf(check, property, path, needed)...)
			continue
		}
		f := Field{Path: path, Description: property.Description, Required: needed, check: check, item: property}
		if property.Type == "array" {
			f.Repeated, f.item = true, property.Items
		}
		f.Kind = kindOf(f.item)
		if f.Kind == kindPairs {
			f.Names = paths(fieldsOf(check, f.item, nil, true))
		}
		if f.item.Enum != nil {
			f.Choices = check.accepted(f.item)
		}
		fields = append(fields, f)
	}
	return fields
}

func paths(fields []Field) []string {
	names := make([]string, len(fields))
	for i, f := range fields {
		names[i] = f.path()
	}
	return names
}

// The kinds of text that are not read as they stand.
const (
	kindQuantity = "quantity"
	kindPairs    = "pairs"
	kindNumber   = "number"
	kindAnswer   = "yes|no"
	kindJSON     = "json"
)

func kindOf(s *jsonschema.Schema) string {
	switch {
	case s.Ref != "":
		return kindQuantity
	case s.Enum != nil:
		return "word"
	case s.Type == "object":
		for _, p := range s.Properties {
			if p.Type == "array" {
				return kindJSON
			}
		}
		return kindPairs
	case s.Type == "integer", s.Type == kindNumber:
		return kindNumber
	case s.Type == "boolean":
		return kindAnswer
	case s.Type == "array":
		return kindJSON
	}
	return "text"
}

// Set reads the texts of a field into the input. It returns a *clinical.Error
// when the input has the field already, when a field that is no list has more
// than one text, or when a text cannot be read. A quantity is "0.9 mg/dL", an
// object "time=120 min, concentration=127.4 ug/mL"; both may also be JSON.
func (in Input) Set(f Field, texts []string) error {
	parent, ok := in.value.(*object)
	if !ok {
		return f.check.wrongForm(f.check.root, in.value, "")
	}
	last := len(f.Path) - 1
	for i, name := range f.Path[:last] {
		existing, found := parent.find(name)
		if !found {
			existing = &object{}
			parent.add(name, existing)
		}
		if parent, ok = existing.(*object); !ok {
			return givenTwice(strings.Join(f.Path[:i+1], "."))
		}
	}
	if _, given := parent.find(f.Path[last]); given || (len(texts) > 1 && !f.Repeated) {
		return givenTwice(f.path())
	}
	if !f.Repeated {
		value, err := f.check.read(f.item, texts[0], f.path())
		if err != nil {
			return err
		}
		parent.add(f.Path[last], value)
		return nil
	}
	list := make([]any, len(texts))
	for i, text := range texts {
		var err error
		if list[i], err = f.check.read(f.item, text, at(f.path(), i)); err != nil {
			return err
		}
	}
	parent.add(f.Path[last], list)
	return nil
}

var numberText = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]+)?$`)

// read turns text into the value that JSON would hold.
func (c checker) read(s *jsonschema.Schema, text, path string) (any, error) {
	text = strings.TrimSpace(text)
	isJSON := strings.HasPrefix(text, "{") || strings.HasPrefix(text, "[")
	switch kind := kindOf(s); {
	case kind == kindJSON || isJSON && (kind == kindQuantity || kind == kindPairs):
		in, err := Parse([]byte(text))
		if err != nil {
			return nil, &clinical.Error{Code: NotJSON, Field: path, Message: "the text is not JSON", Accepted: c.accepted(s)}
		}
		return in.value, nil
	case kind == kindPairs:
		return c.readPairs(s, text, path)
	case kind == kindNumber:
		if !numberText.MatchString(text) {
			return nil, &clinical.Error{Code: WrongForm, Field: path, Message: "the text is not a number", Accepted: c.accepted(s)}
		}
		return json.Number(text), nil
	case kind == kindAnswer:
		if text == "yes" || text == "no" {
			return text == "yes", nil
		}
		return nil, &clinical.Error{Code: clinical.UnknownChoice, Field: path, Message: "the answer is not known", Accepted: []string{"yes", "no"}}
	}
	return text, nil
}

// readPairs reads an object written as "name=value, other.name=value".
func (c checker) readPairs(s *jsonschema.Schema, text, path string) (any, error) {
	in := Empty()
	fields := fieldsOf(c, s, nil, true)
	for i, pair := range strings.Split(text, ",") {
		name, value, ok := strings.Cut(pair, "=")
		name = strings.TrimSpace(name)
		at := slices.IndexFunc(fields, func(f Field) bool { return f.path() == name })
		if !ok || at < 0 {
			return nil, c.wrongPairs(fields, i, path)
		}
		if err := in.Set(fields[at], []string{value}); err != nil {
			return nil, below(path, err)
		}
	}
	return in.value, nil
}

func (c checker) wrongPairs(fields []Field, index int, path string) error {
	return &clinical.Error{
		Code: WrongForm, Field: path, Message: "pair number " + strconv.Itoa(index+1) + " is not a known name, = and a value",
		Accepted: []string{"name=value with the names " + strings.Join(paths(fields), ", ") + ", separated by commas", "a JSON object"},
	}
}

// below puts the path of an object before the field of an error in it.
func below(path string, err error) error {
	var e *clinical.Error
	if !errors.As(err, &e) {
		return err
	}
	inner := *e
	inner.Field = join(path, e.Field)
	return &inner
}
