package conformance

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
)

// Shapes tells resources apart by what a validator looks at. Hundreds of thousands
// of resources differ only in ids, in numbers of quantities, in times and in the
// digits of texts; one of each shape is enough to be validated. What is left out of
// a shape is looked at elsewhere: every way in which a time is written is kept, see
// Times, and References finds what points to nothing.
//
// A long list, such as the activities of a plan, is as many shapes as it has
// elements: those that were seen at the same place before are left out of the
// resource that is validated.
type Shapes struct {
	seen  map[string]bool
	times map[string]bool
}

// NewShapes returns a set with no shape.
func NewShapes() *Shapes { return &Shapes{seen: map[string]bool{}, times: map[string]bool{}} }

// Len counts the shapes of resources and of elements of long lists.
func (s *Shapes) Len() int { return len(s.seen) }

// Add returns the resource as it is to be validated, on one line, or nothing when
// one of its shape was added before.
func (s *Shapes) Add(resource []byte) ([]byte, error) {
	value, err := decode(resource)
	if err != nil {
		return nil, err
	}
	w := &walk{shapes: s}
	value = w.reduce(value, typeOf(value))
	shape := typeOf(value) + "\n" + shapeOf(value, "", s.times)
	if s.seen[shape] && !w.novel {
		return nil, nil
	}
	s.seen[shape] = true
	out := &bytes.Buffer{}
	encoder := json.NewEncoder(out)
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(value); err != nil {
		return nil, fmt.Errorf("write the resource: %w", err)
	}
	return bytes.TrimSpace(out.Bytes()), nil
}

// Shape returns the shape of a resource.
func Shape(resource []byte) (string, error) {
	value, err := decode(resource)
	if err != nil {
		return "", err
	}
	return typeOf(value) + "\n" + shapeOf(value, "", map[string]bool{}), nil
}

// Times are resources that hold every time as it was written in the resources that
// were added, so that a validator reads them all. Where a time is an instant and
// has to have a zone, its shape tells.
func (s *Shapes) Times() []byte {
	out := &bytes.Buffer{}
	for events := range slices.Chunk(slices.Sorted(maps.Keys(s.times)), 500) {
		list, _ := json.Marshal(events) // strings always encode
		fmt.Fprintf(out, `{"resourceType":"ServiceRequest","id":"times","status":"active","intent":"order","subject":{"reference":"Patient/p"},`+
			`"occurrenceTiming":{"event":%s}}`+"\n", list)
	}
	return out.Bytes()
}

func decode(resource []byte) (any, error) {
	decoder := json.NewDecoder(bytes.NewReader(resource))
	decoder.UseNumber()
	var value any
	if err := decoder.Decode(&value); err != nil {
		return nil, fmt.Errorf("read the resource: %w", err)
	}
	return value, nil
}

func typeOf(resource any) string {
	object, _ := resource.(map[string]any)
	name, _ := object["resourceType"].(string)
	return name
}

// long is how many elements a list has to have to be reduced.
const long = 12

// shortened is a long list that was reduced: its elements have shapes of their own.
type shortened []any

type walk struct {
	shapes *Shapes
	// novel says that a long list had an element of a new shape.
	novel bool
}

// reduce leaves out of long lists what was seen at the same place before, but for
// one element of each.
func (w *walk) reduce(value any, path string) any {
	switch value := value.(type) {
	case map[string]any:
		for key, inner := range value {
			value[key] = w.reduce(inner, path+"."+key)
		}
	case []any:
		if len(value) < long {
			for i := range value {
				value[i] = w.reduce(value[i], path)
			}
			return value
		}
		var kept shortened
		for _, element := range value {
			shape := path + "[]\n" + shapeOf(element, "", w.shapes.times)
			if !w.shapes.seen[shape] {
				w.shapes.seen[shape], w.novel = true, true
				kept = append(kept, element)
			}
		}
		if len(kept) == 0 {
			return shortened(value[:1])
		}
		return kept
	}
	return value
}

var (
	timeForm = regexp.MustCompile(`^\d{4}(-\d\d(-\d\d(T\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d))?)?)?$`)
	idForm   = regexp.MustCompile(`^[A-Za-z0-9.-]{1,64}$`)
	digits   = regexp.MustCompile(`\d+`)
	words    = regexp.MustCompile(`[\pL\pN]+`)
	tokens   = regexp.MustCompile(`<[^>]*>|[^<]+`)
)

// written are the members that hold free text.
var written = map[string]bool{
	"text": true, "display": true, "description": true, "detail": true, "summary": true, "title": true, "basis": true, "valueString": true,
	"rationale": true, "comment": true, "conclusion": true,
}

// shapeOf is the shape of a value under a key.
func shapeOf(value any, key string, times map[string]bool) string {
	switch value := value.(type) {
	case map[string]any:
		return shapeOfObject(value, times)
	case shortened:
		return "[...]"
	case []any:
		// Alike elements count as one, two or many.
		var order []string
		count := map[string]int{}
		for _, element := range value {
			shape := shapeOf(element, key, times)
			if count[shape]++; count[shape] == 1 {
				order = append(order, shape)
			}
		}
		var b strings.Builder
		for _, shape := range order {
			fmt.Fprintf(&b, "%s*%d,", shape, min(count[shape], 3))
		}
		return "[" + b.String() + "]"
	case string:
		return fmt.Sprintf("%q", shapeOfText(value, key, times))
	default:
		return fmt.Sprint(value)
	}
}

func shapeOfObject(object map[string]any, times map[string]bool) string {
	_, identifier := object["system"]
	number, quantity := object["value"].(json.Number)
	var b strings.Builder
	b.WriteString("{")
	for _, key := range slices.Sorted(maps.Keys(object)) {
		b.WriteString(key + ":")
		switch _, text := object[key].(string); {
		case key == "value" && quantity:
			b.WriteString(digits.ReplaceAllString(string(number), "0"))
		case key == "value" && text && identifier:
			b.WriteString("identified")
		default:
			b.WriteString(shapeOf(object[key], key, times))
		}
		b.WriteString(",")
	}
	return b.String() + "}"
}

func shapeOfText(text, key string, times map[string]bool) string {
	switch {
	case (key == "id" || key == "versionId") && idForm.MatchString(text):
		return key
	case key == "reference" && relative.MatchString(text):
		typ, _, _ := strings.Cut(text, "/")
		return fmt.Sprint(typ, strings.Contains(text, "/_history/"))
	case key == "div":
		return shapeOfNarrative(text)
	case written[key]:
		return digits.ReplaceAllString(text, "0")
	case timeForm.MatchString(text):
		times[text] = true
		return digits.ReplaceAllString(text, "0")
	default:
		return text
	}
}

// shapeOfNarrative is which tags and texts, less their words, follow each other.
func shapeOfNarrative(div string) string {
	pairs := map[string]bool{}
	last := ""
	for _, token := range tokens.FindAllString(div, -1) {
		if !strings.HasPrefix(token, "<") {
			token = words.ReplaceAllString(token, "w")
		}
		pairs[last+"|"+token] = true
		last = token
	}
	return strings.Join(slices.Sorted(maps.Keys(pairs)), " ")
}
