// Package calculation makes every formula of internal/clinical computable from
// JSON: a registry with a JSON Schema for each input, strict reading, one shape
// of outcome, and a derivation that a person can read. It adds no arithmetic of
// its own and keeps nothing.
package calculation

import (
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/google/jsonschema-go/jsonschema"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Topic groups calculations.
type Topic string

// The topics, in the order in which calculations are listed.
const (
	Body          Topic = "body"
	Kidney        Topic = "kidney function"
	Urine         Topic = "urine"
	Pressure      Topic = "pressure"
	Glycaemia     Topic = "glycaemia"
	Lipids        Topic = "lipids"
	Compatibility Topic = "compatibility"
	Laterality    Topic = "laterality"
	Medicines     Topic = "medicines"
	Perioperative Topic = "perioperative"
	Units         Topic = "units"
)

// All returns every calculation, by topic. What it returns is shared: callers
// must not change a schema or an example.
func All() []Calculation { return slices.Clone(registry()) }

// registry is made once, because schemas are inferred by reflection.
var registry = sync.OnceValue(func() []Calculation {
	return slices.Concat(
		bodyCalculations(), kidneyCalculations(), urineCalculations(), pressureCalculations(), glycaemiaCalculations(),
		lipidCalculations(), compatibilityCalculations(), lateralityCalculations(), medicineCalculations(),
		perioperativeCalculations(), unitCalculations(),
	)
})

// Find returns the calculation of that id.
func Find(id string) (Calculation, bool) {
	all := registry()
	i := slices.IndexFunc(all, func(c Calculation) bool { return c.ID == id })
	if i < 0 {
		return Calculation{}, false
	}
	return all[i], true
}

// Calculation is one formula with the shape of its input.
type Calculation struct {
	// ID is kebab-case and does not change.
	ID    string `json:"id"`
	Title string `json:"title"`
	Topic Topic  `json:"topic"`
	// Source is the publication; that of a result names the variant chosen.
	Source string `json:"source"`
	// Schema is the JSON Schema (2020-12) of the input.
	Schema *jsonschema.Schema `json:"schema"`
	// Example is a complete invented input.
	Example json.RawMessage `json:"example"`

	// names maps the words of a formula's error to the path of the input that
	// they mean, where the words do not follow from the path. The sign # stands
	// for the number of an item.
	names map[string]string
	// shape is the type that the input is decoded into.
	shape reflect.Type
	// compute takes a pointer to a value of the shape.
	compute func(in any) (Outcome, error)
}

// Outcome is what a calculation returns. A number is a Value, a coded answer a
// Conclusion; a calculation may have several of both.
type Outcome struct {
	Calculation string                `json:"calculation"`
	Title       string                `json:"title"`
	Values      []Value               `json:"values,omitempty"`
	Conclusions []clinical.Conclusion `json:"conclusions,omitempty"`
	Cautions    []string              `json:"cautions"`
}

// Value is a named result. Shown is the value as it is displayed, rounded;
// compare thresholds with the unrounded one in Result.
type Value struct {
	Name   string          `json:"name"`
	Shown  string          `json:"shown"`
	Result clinical.Result `json:"result"`
}

// cautions belong to every outcome.
func cautions() []string {
	return []string{
		"This software advises; people decide. No outcome by itself accepts or declines a candidate.",
		"Local policy and the judgement of licensed practitioners prevail over what is shown here.",
	}
}

// The codes of an error that is about the form of the input, beside those of
// package clinical.
const (
	// NotJSON means that the input is not one JSON value of a bounded size.
	NotJSON clinical.Code = "not-json"
	// WrongForm means that a value has another JSON type than its field.
	WrongForm clinical.Code = "wrong-form"
	// UnknownField means that an object has a field that its schema lacks.
	UnknownField clinical.Code = "unknown-field"
	// DuplicateField means that a field was given twice.
	DuplicateField clinical.Code = "duplicate-field"
	// NotComputed means that a formula failed in a way that it does not explain.
	NotComputed clinical.Code = "not-computed"
)

// define completes a calculation with the schema of In and what computes it.
func define[In any](c Calculation, compute func(In) (Outcome, error)) Calculation {
	c.shape = reflect.TypeFor[In]()
	c.Schema = schemaOf[In](c.Title)
	c.compute = func(in any) (Outcome, error) { return compute(*in.(*In)) }
	return c
}

// decode returns a pointer to a value of the shape.
func (c Calculation) decode(checked any) (any, error) {
	data, err := json.Marshal(checked)
	if err != nil {
		return nil, &clinical.Error{Code: NotJSON, Field: whole, Message: "the input could not be read"}
	}
	in := reflect.New(c.shape).Interface()
	if err := json.Unmarshal(data, in); err != nil {
		// The schema decided what is accepted: this is a slip of ours.
		return nil, &clinical.Error{Code: NotComputed, Field: whole, Message: "the input fits its schema but could not be read"}
	}
	return in, nil
}

// Run computes from JSON. It returns a *clinical.Error when the input is not
// one JSON object, does not fit the schema, or is refused by the formula. The
// Field of an error is the path of the input, such as samples[1].time, or where
// a formula refuses several inputs together, its words for them. No error
// repeats what was typed.
func (c Calculation) Run(data []byte) (Outcome, error) {
	input, err := Parse(data)
	if err != nil {
		return Outcome{}, err
	}
	return c.RunInput(input)
}

// RunInput computes from an input that was read with Parse.
func (c Calculation) RunInput(input Input) (Outcome, error) {
	checked, err := checker{root: c.Schema}.check(c.Schema, input.value, "")
	if err != nil {
		return Outcome{}, err
	}
	in, err := c.decode(checked)
	if err != nil {
		return Outcome{}, err
	}
	outcome, err := c.compute(in)
	if err == nil {
		err = outcome.checkFinite()
	}
	if err != nil {
		return Outcome{}, c.explain(err, checked)
	}
	outcome.Calculation, outcome.Title = c.ID, c.Title
	outcome.Cautions = append(cautions(), outcome.Cautions...)
	return outcome, nil
}

// checkFinite refuses what JSON cannot hold: a value that overflowed.
func (o Outcome) checkFinite() error {
	finite := func(q units.Quantity) bool { return !math.IsNaN(q.Value) && !math.IsInf(q.Value, 0) }
	for _, v := range o.Values {
		ok := finite(v.Result.Value)
		if i := v.Result.Interval; i != nil {
			ok = ok && finite(units.Quantity{Value: i.High - i.Low})
		}
		for _, s := range v.Result.Steps {
			ok = ok && finite(s.Value)
		}
		if !ok {
			return &clinical.Error{Code: clinical.NotFinite, Field: v.Name, Message: "the result is not a finite number; check the inputs"}
		}
	}
	return nil
}

// explain returns the error with the path of the input that it is about.
func (c Calculation) explain(err error, checked any) error {
	var e *clinical.Error
	if !errors.As(err, &e) {
		return &clinical.Error{Code: NotComputed, Field: whole, Message: "the formula returned no result"}
	}
	named := *e
	named.Field = c.pathOf(e.Field, checked)
	return &named
}

var digits = regexp.MustCompile(`[0-9]+`)

// pathOf finds the input that a formula means by its words: "sample 2 time" is
// samples[1].time, and "height" is size.height.
func (c Calculation) pathOf(field string, checked any) string {
	var numbers []string
	general := digits.ReplaceAllStringFunc(field, func(n string) string {
		numbers = append(numbers, n)
		return "#"
	})
	if path, ok := c.names[general]; ok {
		for _, n := range numbers {
			ordinal, _ := strconv.Atoi(n)
			path = strings.Replace(path, "#", strconv.Itoa(ordinal-1), 1)
		}
		return path
	}
	found, words := field, strings.ToLower(field)
	(checker{root: c.Schema}).visit(c.Schema, checked, "", "", func(path, spoken string) bool {
		if spoken == words || strings.HasSuffix(spoken, " "+words) {
			found = path
			return false
		}
		return true
	})
	return found
}

// number is a value that is shown with a fixed number of decimals.
func number(name string, r clinical.Result, decimals int) Value {
	return Value{Name: name, Shown: clinical.Display(r.Value.Value, decimals), Result: r}
}

// values is the outcome of a formula that returns one number, or an error.
func values(err error, list ...Value) (Outcome, error) {
	if err != nil {
		return Outcome{}, err
	}
	return Outcome{Values: list}, nil
}

// conclusions is the outcome of a formula that returns coded answers, or an
// error.
func conclusions(err error, list ...clinical.Conclusion) (Outcome, error) {
	if err != nil {
		return Outcome{}, err
	}
	return Outcome{Conclusions: list}, nil
}
