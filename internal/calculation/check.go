package calculation

import (
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"github.com/google/jsonschema-go/jsonschema"

	"candidacy/internal/clinical"
)

// checker compares an input with a schema made by schemaOf. It accepts what the
// schema accepts, but its errors name the path and never repeat a value, which
// those of a general validator do.
type checker struct{ root *jsonschema.Schema }

// check returns the value for encoding/json, with the short text of a quantity
// written out as an object. The path is empty for the whole input.
func (c checker) check(s *jsonschema.Schema, value any, path string) (any, error) {
	if def, ok := c.quantity(s); ok {
		if text, isText := value.(string); isText {
			return c.readQuantity(s, text, path)
		}
		if o, isObject := value.(*object); isObject {
			if unit, given := o.find("unit"); given && unit == "" {
				return nil, &clinical.Error{Code: clinical.UnknownUnit, Field: join(path, "unit"), Message: "the unit is empty", Accepted: c.accepted(s)}
			}
			return c.checkObject(def, o, path)
		}
		return nil, c.wrongForm(s, value, path)
	}
	switch s.Type {
	case "object":
		if o, ok := value.(*object); ok {
			return c.checkObject(s, o, path)
		}
	case "array":
		if list, ok := value.([]any); ok {
			checked := make([]any, len(list))
			for i, item := range list {
				var err error
				if checked[i], err = c.check(s.Items, item, at(path, i)); err != nil {
					return nil, err
				}
			}
			return checked, nil
		}
	case "string":
		if text, ok := value.(string); ok {
			if s.Enum != nil && !slices.Contains(s.Enum, any(text)) {
				return nil, &clinical.Error{Code: clinical.UnknownChoice, Field: orWhole(path), Message: "the word is not one of those known", Accepted: c.accepted(s)}
			}
			return text, nil
		}
	case "number", "integer":
		if number, ok := value.(json.Number); ok {
			return c.checkNumber(s, number, path)
		}
	case "boolean":
		if answer, ok := value.(bool); ok {
			return answer, nil
		}
	}
	return nil, c.wrongForm(s, value, path)
}

func (c checker) wrongForm(s *jsonschema.Schema, value any, path string) error {
	message := "the value has another form than this field"
	if value == nil {
		message = "null is no value; leave out a field that is not known"
	}
	return &clinical.Error{Code: WrongForm, Field: orWhole(path), Message: message, Accepted: c.accepted(s)}
}

func (c checker) checkObject(s *jsonschema.Schema, o *object, path string) (any, error) {
	checked := make(map[string]any, len(o.members))
	for i, m := range o.members {
		property, known := s.Properties[m.name]
		if !known {
			return nil, &clinical.Error{
				Code: UnknownField, Field: orWhole(path), Accepted: slices.Clone(s.PropertyOrder),
				Message: fmt.Sprintf("field number %d of this object has an unknown name", i+1),
			}
		}
		if _, twice := checked[m.name]; twice {
			return nil, givenTwice(join(path, m.name))
		}
		value, err := c.check(property, m.value, join(path, m.name))
		if err != nil {
			return nil, err
		}
		checked[m.name] = value
	}
	for _, name := range s.Required {
		if _, given := checked[name]; !given {
			property := s.Properties[name]
			return nil, &clinical.Error{Code: clinical.Missing, Field: join(path, name), Message: explained("a value is required", property), Accepted: c.accepted(property)}
		}
	}
	return checked, nil
}

// explained adds to a message what the field is.
func explained(message string, s *jsonschema.Schema) string {
	if s.Description == "" {
		return message
	}
	return message + " (" + s.Description + ")"
}

func givenTwice(path string) error {
	return &clinical.Error{Code: DuplicateField, Field: path, Message: "the field is given twice", Accepted: []string{"each field once"}}
}

func (c checker) checkNumber(s *jsonschema.Schema, number json.Number, path string) (any, error) {
	value, err := number.Float64()
	if err != nil {
		return nil, &clinical.Error{Code: clinical.NotFinite, Field: orWhole(path), Message: "the number is too large", Accepted: c.accepted(s)}
	}
	if s.Type == "number" {
		return value, nil
	}
	// Integers beyond this are not exact in every JSON reader.
	const largest = 1 << 53
	if value != math.Trunc(value) || math.Abs(value) > largest {
		return nil, &clinical.Error{Code: WrongForm, Field: orWhole(path), Message: "the number is not whole", Accepted: c.accepted(s)}
	}
	return int64(value), nil
}

// quantity reports whether the schema is that of a quantity, and returns that of
// its form as an object.
func (c checker) quantity(s *jsonschema.Schema) (*jsonschema.Schema, bool) {
	name, isRef := strings.CutPrefix(s.Ref, defs)
	if !isRef {
		return nil, false
	}
	return c.root.Defs[name].OneOf[0], true
}

// accepted says in words what a schema accepts.
func (c checker) accepted(s *jsonschema.Schema) []string {
	if def, ok := c.quantity(s); ok {
		return []string{`text of the form "number unit"`, "an object with " + strings.Join(def.PropertyOrder, ", ")}
	}
	switch {
	case s.Enum != nil:
		words := make([]string, len(s.Enum))
		for i, word := range s.Enum {
			words[i] = fmt.Sprint(word)
		}
		return words
	case s.Type == "object":
		return []string{"an object with " + strings.Join(s.PropertyOrder, ", ")}
	case s.Type == "array":
		return []string{"a list, each item: " + strings.Join(c.accepted(s.Items), ", or ")}
	case s.Type == "integer":
		return []string{"a whole number"}
	case s.Type == "number":
		return []string{"a number, with a point before decimals"}
	case s.Type == "boolean":
		return []string{"true", "false"}
	}
	return []string{"text"}
}

var quantityText = regexp.MustCompile(quantityPattern)

// readQuantity reads the short text of a quantity.
func (c checker) readQuantity(s *jsonschema.Schema, text, path string) (any, error) {
	refused := func(code clinical.Code, message string) (any, error) {
		return nil, &clinical.Error{Code: code, Field: orWhole(path), Message: explained(message, s), Accepted: c.accepted(s)}
	}
	if !quantityText.MatchString(text) {
		if strings.Contains(text, ",") {
			return refused(WrongForm, "the quantity cannot be read; decimals follow a point")
		}
		return refused(WrongForm, "the quantity cannot be read")
	}
	number, unit, _ := strings.Cut(text, " ")
	value, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return refused(clinical.NotFinite, "the number is too large")
	}
	return map[string]any{"value": value, "unit": strings.TrimLeft(unit, " ")}, nil
}

// visit walks the inputs of a checked value, the optional ones that were left
// out included, until see returns false. Spoken is the path as formulas say it:
// samples[1].time is "sample 2 time".
func (c checker) visit(s *jsonschema.Schema, value any, path, spoken string, see func(path, spoken string) bool) bool {
	if path != "" && !see(path, spoken) {
		return false
	}
	switch s.Type {
	case "object":
		fields, _ := value.(map[string]any)
		for _, name := range s.PropertyOrder {
			if !c.visit(s.Properties[name], fields[name], join(path, name), strings.TrimSpace(spoken+" "+words(name, " ")), see) {
				return false
			}
		}
	case "array":
		list, _ := value.([]any)
		for i, item := range list {
			if !c.visit(s.Items, item, at(path, i), fmt.Sprintf("%s %d", strings.TrimSuffix(spoken, "s"), i+1), see) {
				return false
			}
		}
	}
	return true
}

func orWhole(path string) string {
	if path == "" {
		return whole
	}
	return path
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

func at(path string, index int) string { return fmt.Sprintf("%s[%d]", path, index) }

// words writes a camelCase name as lower-case words: cystatinCAltered becomes
// cystatin, c and altered.
func words(name, between string) string {
	runes := []rune(name)
	var b strings.Builder
	for i, r := range runes {
		if unicode.IsUpper(r) && i > 0 && (!unicode.IsUpper(runes[i-1]) || i+1 < len(runes) && unicode.IsLower(runes[i+1])) {
			b.WriteString(between)
		}
		b.WriteRune(unicode.ToLower(r))
	}
	return b.String()
}
