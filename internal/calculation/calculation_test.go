package calculation

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"flag"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/jsonschema-go/jsonschema"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

var update = flag.Bool("update", false, "write the golden files again")

// expected are the first value of each example, or the answer of its first
// conclusion, as given in the formula reference or computed from the equation
// printed there.
var expected = map[string]struct {
	value float64
	// tolerance is relative, 1e-6 when it is not given.
	tolerance float64
	unit      string
	shown     string
	answer    string
}{
	"bmi":                        {value: 24.22145, unit: "kg/m2", shown: "24.2"},
	"body-surface-area":          {value: 2.174240, unit: "m2", shown: "2.17"},
	"egfr-creatinine":            {value: 91.69148, unit: "mL/min/{1.73_m2}", shown: "92"},
	"egfr-cystatin-c":            {value: 112.8701, unit: "mL/min/{1.73_m2}", shown: "113"},
	"egfr-creatinine-cystatin-c": {value: 80.31688, unit: "mL/min/{1.73_m2}", shown: "80"},
	"gfr-plasma-slope-intercept": {value: 63.02852, unit: "mL/min/{1.73_m2}", shown: "63"},
	"gfr-plasma-two-compartment": {value: 79.16976, tolerance: 1e-3, unit: "mL/min/{1.73_m2}", shown: "79"},
	// 68.08284 mL/min for 1.802772 m2.
	"gfr-plasma-single-sample": {value: 65.334571, unit: "mL/min/{1.73_m2}", shown: "65"},
	"iohexol-dose":             {value: 3235, unit: "mg", shown: "3235"},
	"tracer-net-count-rate":    {value: 1413.667, unit: "/min/mL", shown: "1414"},
	// 2.6e8 in a second.
	"tracer-dose-from-standard":     {value: 1.56e10, unit: "/min", shown: "15600000000"},
	"gfr-after-donation-split":      {value: 65.52, unit: "mL/min/{1.73_m2}", shown: "66"},
	"gfr-method-agreement":          {answer: "agree"},
	"gfr-follow-up":                 {answer: "within-limits"},
	"creatinine-clearance":          {value: 122.1756, unit: "mL/min/{1.73_m2}", shown: "122"},
	"gfr-after-donation":            {value: 71.40, unit: "mL/min/{1.73_m2}", shown: "71"},
	"creatinine-after-donation":     {value: 1.241133, unit: "mg/dL", shown: "1.24"},
	"creatinine-excretion":          {value: 1635.652, unit: "mg/(24.h)", shown: "1636"},
	"expected-creatinine-excretion": {value: 792.2300, unit: "mg/(24.h)", shown: "792"},
	"albumin-excretion":             {value: 109.0909, unit: "mg/(24.h)", shown: "109.1"},
	"albumin-creatinine-ratio":      {value: 15, unit: "mg/g", shown: "15.0"},
	"office-pressure":               {value: 129, unit: "mm[Hg]", shown: "129", answer: "elevated"},
	"ambulatory-pressure":           {value: 122.285714, unit: "mm[Hg]", shown: "122", answer: "below-thresholds"},
	"pressure-pattern":              {answer: "white-coat"},
	"albumin-creatinine-category":   {answer: "A2"},
	"albumin-excretion-band":        {answer: "above-upper-limit"},
	"protein-excretion":             {value: 120, unit: "mg/(24.h)", shown: "120"},
	"protein-creatinine-ratio":      {value: 75, unit: "mg/g", shown: "75"},
	"protein-excretion-band":        {answer: "acceptable"},
	"haematuria":                    {answer: "persistent"},
	"fasting-glucose":               {answer: "prediabetes"},
	"glucose-tolerance":             {answer: "normal"},
	"hba1c-class":                   {answer: "diabetes"},
	"glycaemia-overall":             {answer: "diabetes-confirmed"},
	"hba1c-to-ngsp":                 {value: 6.543040, unit: "%", shown: "6.5"},
	"hba1c-to-ifcc":                 {value: 47.52951, unit: "mmol/mol", shown: "48"},
	"ldl-friedewald":                {value: 120, unit: "mg/dL", shown: "120"},
	"non-hdl-cholesterol":           {value: 150, unit: "mg/dL", shown: "150"},
	"abo-compatibility":             {answer: "compatible"},
	"hla-mismatch":                  {answer: "3"},
	"virtual-crossmatch":            {answer: "positive"},
	"kidney-volume":                 {value: 158.3886, unit: "mL", shown: "158"},
	"split-from-volumes":            {value: 52.5, unit: "%", shown: "52.5"},
	"split-from-scintigraphy":       {value: 51.3594, unit: "%", shown: "51.4"},
	"laterality":                    {answer: "donate-left"},
	"nsaid-check":                   {answer: "avoid"},
	"paracetamol-total":             {value: 4, unit: "g", shown: "4.0", answer: "at-cap"},
	"clavien-dindo":                 {answer: "IIIa"},
	"limits-after-operation":        {answer: "2025-02-21"},
	"convert-units":                 {value: 0.9047727, unit: "mg/dL", shown: "0.9048"},
}

// each runs a test for every calculation.
func each(t *testing.T, test func(t *testing.T, c Calculation)) {
	t.Helper()
	for _, c := range All() {
		t.Run(c.ID, func(t *testing.T) { test(t, c) })
	}
}

func mustRun(t *testing.T, c Calculation, data []byte) Outcome {
	t.Helper()
	o, err := c.Run(data)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func TestEveryExampleGivesItsExpectedValue(t *testing.T) {
	each(t, func(t *testing.T, c Calculation) {
		want, ok := expected[c.ID]
		if !ok {
			t.Fatal("no expected value is known for this example")
		}
		o := mustRun(t, c, c.Example)
		if want.unit != "" {
			got := o.Values[0]
			if math.Abs(got.Result.Value.Value/want.value-1) > cmp.Or(want.tolerance, 1e-6) || got.Result.Value.Unit != want.unit || got.Shown != want.shown {
				t.Errorf("got %.8g %s shown as %s, want %g %s shown as %s", got.Result.Value.Value, got.Result.Value.Unit, got.Shown, want.value, want.unit, want.shown)
			}
		}
		if want.answer != "" && o.Conclusions[0].Answer != want.answer {
			t.Errorf("the answer is %q, want %q", o.Conclusions[0].Answer, want.answer)
		}
		if len(o.Values)+len(o.Conclusions) == 0 {
			t.Error("the outcome holds nothing")
		}
		for _, v := range o.Values {
			if v.Name == "" || v.Shown == "" || v.Result.Equation == "" || v.Result.Source == "" || len(v.Result.Inputs) == 0 {
				t.Errorf("a value lacks its provenance: %+v", v)
			}
		}
		for _, conclusion := range o.Conclusions {
			if conclusion.Question == "" || conclusion.Answer == "" || conclusion.Rule == "" || conclusion.Source == "" || len(conclusion.Reasons) == 0 {
				t.Errorf("a conclusion lacks its reasons or provenance: %+v", conclusion)
			}
		}
		text := strings.Join(o.Cautions, " ")
		if o.Calculation != c.ID || o.Title != c.Title || !strings.Contains(text, "people decide") || !strings.Contains(text, "Local policy") {
			t.Errorf("the frame of the outcome is %q, %q, %q", o.Calculation, o.Title, text)
		}
	})
}

func TestTheRegistryIsInOrder(t *testing.T) {
	kebab := regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
	topics := []Topic{Body, Kidney, Urine, Pressure, Glycaemia, Lipids, Compatibility, Laterality, Medicines, Perioperative, Units}
	seen, rank := map[string]bool{}, 0
	for _, c := range All() {
		if !kebab.MatchString(c.ID) || seen[c.ID] || c.Title == "" || c.Source == "" {
			t.Errorf("%q has no good id, or lacks a title or a source", c.ID)
		}
		seen[c.ID] = true
		for rank < len(topics) && topics[rank] != c.Topic {
			rank++
		}
		if rank == len(topics) {
			t.Fatalf("%s is not listed by topic", c.ID)
		}
		if found, ok := Find(c.ID); !ok || found.ID != c.ID {
			t.Errorf("%s is not found", c.ID)
		}
		if len(c.Example) == 0 || !json.Valid(c.Example) {
			t.Errorf("%s has no example", c.ID)
		}
	}
	for id := range expected {
		if !seen[id] {
			t.Errorf("%s is expected but not listed", id)
		}
	}
	if _, ok := Find("no-such-formula"); ok {
		t.Error("an unknown calculation is found")
	}
}

// resolve returns the schema as a general validator sees it, from its JSON.
func resolve(t testing.TB, c Calculation) *jsonschema.Resolved {
	t.Helper()
	text, err := json.Marshal(c.Schema)
	if err != nil {
		t.Fatal(err)
	}
	var s jsonschema.Schema
	if err := json.Unmarshal(text, &s); err != nil {
		t.Fatal(err)
	}
	resolved, err := s.Resolve(nil)
	if err != nil {
		t.Fatal(err)
	}
	return resolved
}

func TestEverySchemaAcceptsItsExampleAndIsClosed(t *testing.T) {
	each(t, func(t *testing.T, c Calculation) {
		var value any
		if err := json.Unmarshal(c.Example, &value); err != nil {
			t.Fatal(err)
		}
		resolved := resolve(t, c)
		if err := resolved.Validate(value); err != nil {
			t.Error(err)
		}
		value.(map[string]any)["noSuchField"] = 1
		if resolved.Validate(value) == nil {
			t.Error("the schema accepts an unknown field")
		}
		if c.Schema.Schema != "https://json-schema.org/draft/2020-12/schema" || c.Schema.Title != c.Title {
			t.Errorf("the schema is called %q in %q", c.Schema.Title, c.Schema.Schema)
		}
		described(t, c.Schema, "")
	})
}

// described checks that each field is explained and closed.
func described(t *testing.T, s *jsonschema.Schema, path string) {
	t.Helper()
	if s.Type == "object" && (s.AdditionalProperties == nil || s.AdditionalProperties.Not == nil) {
		t.Errorf("the object %q may have any field", path)
	}
	if s.Type == "" && s.Ref == "" || len(s.Types) > 0 {
		t.Errorf("%q has no single type", path)
	}
	for name, p := range s.Properties {
		if p.Description == "" || name != strings.ToLower(name[:1])+name[1:] {
			t.Errorf("%s has no description, or is not in camelCase", join(path, name))
		}
		described(t, p, join(path, name))
	}
	if s.Items != nil {
		described(t, s.Items, path+"[]")
	}
}

// TestEveryChoiceIsListed finds string types that stand for a choice but have no
// words in the schema.
func TestEveryChoiceIsListed(t *testing.T) {
	known := typeSchemas()
	var visit func(typ reflect.Type, path string)
	visit = func(typ reflect.Type, path string) {
		if known[typ] != nil {
			return
		}
		switch typ.Kind() {
		case reflect.Pointer, reflect.Slice:
			visit(typ.Elem(), path)
		case reflect.Struct:
			for _, f := range reflect.VisibleFields(typ) {
				visit(f.Type, path+"."+f.Name)
			}
		case reflect.String:
			if typ != reflect.TypeFor[string]() {
				t.Errorf("%s: the words of %s are not listed", path, typ)
			}
		}
	}
	for _, c := range All() {
		visit(c.shape, c.ID)
	}
}

// leaves are the places of an example: set returns the example with another
// value in the place, drop without it.
type leaf struct {
	path string
	with func(value any) []byte
}

// leavesOf lists the fields and items of an example, with the path that errors
// give them.
func leavesOf(t *testing.T, c Calculation) []leaf {
	t.Helper()
	var list []leaf
	var visit func(value any, path string, rebuild func(any) any)
	var root any
	if err := json.Unmarshal(c.Example, &root); err != nil {
		t.Fatal(err)
	}
	visit = func(value any, path string, rebuild func(any) any) {
		if path != "" {
			list = append(list, leaf{path, func(v any) []byte {
				text, err := json.Marshal(rebuild(v))
				if err != nil {
					t.Fatal(err)
				}
				return text
			}})
		}
		switch v := value.(type) {
		case map[string]any:
			for name, inner := range v {
				visit(inner, join(path, name), func(changed any) any {
					m := map[string]any{}
					for k, old := range v {
						m[k] = old
					}
					if m[name] = changed; changed == nil {
						delete(m, name)
					}
					return rebuild(m)
				})
			}
		case []any:
			for i, inner := range v {
				visit(inner, at(path, i), func(changed any) any {
					l := append([]any{}, v...)
					l[i] = changed
					return rebuild(l)
				})
			}
		}
	}
	visit(root, "", func(v any) any { return v })
	return list
}

// secret stands for anything that may have been typed into a wrong place.
const secret = "MRN-4711"

func wantError(t *testing.T, err error) *clinical.Error {
	t.Helper()
	var e *clinical.Error
	if !errors.As(err, &e) {
		t.Fatalf("got %v, want a clinical.Error", err)
	}
	if e.Code == "" || e.Field == "" || e.Message == "" {
		t.Errorf("the error is not complete: %#v", e)
	}
	if strings.Contains(e.Error(), secret) {
		t.Errorf("the error repeats what was typed: %v", e)
	}
	return e
}

// freeText are the fields that take any text.
var freeText = []string{"name"}

// TestErrorsNameTheirField spoils every field of every example in turn.
func TestErrorsNameTheirField(t *testing.T) {
	each(t, func(t *testing.T, c Calculation) {
		for _, l := range leavesOf(t, c) {
			if strings.HasSuffix(l.path, ".value") || strings.HasSuffix(l.path, ".unit") || strings.HasSuffix(l.path, ".date") || strings.HasSuffix(l.path, ".ref") {
				continue
			}
			for _, wrong := range []any{[]any{[]any{secret}}, map[string]any{secret: secret}, true, secret} {
				_, err := c.Run(l.with(wrong))
				if err == nil && wrong == any(secret) && slices.Contains(freeText, l.path[strings.LastIndex(l.path, ".")+1:]) {
					continue
				}
				if err == nil {
					t.Errorf("%s: %v is accepted", l.path, wrong)
					continue
				}
				e := wantError(t, err)
				if !strings.HasPrefix(e.Field, l.path) {
					t.Errorf("%s: the error is about %s: %v", l.path, e.Field, e)
				}
				if len(e.Accepted) == 0 {
					t.Errorf("%s: the error does not say what is accepted: %v", l.path, e)
				}
			}
		}
	})
}

// TestRefusalsOfFormulasNameTheirField gives each quantity of each example a
// unit that nothing is measured in.
func TestRefusalsOfFormulasNameTheirField(t *testing.T) {
	each(t, func(t *testing.T, c Calculation) {
		for _, f := range c.Fields() {
			if f.Kind != "quantity" || f.Repeated {
				continue
			}
			in, err := Parse(c.Example)
			if err != nil {
				t.Fatal(err)
			}
			if in.Set(f, []string{"1 " + secret}) != nil {
				continue // The example has the field: done below.
			}
			if _, err := c.RunInput(in); err == nil {
				t.Errorf("%s: any unit is accepted", f.path())
			} else if e := wantError(t, err); e.Field != f.path() && e.Code != clinical.Missing {
				// An optional object that has one field lacks another.
				t.Errorf("%s: the error is about %q", f.path(), e.Field)
			}
		}
		for _, l := range leavesOf(t, c) {
			_, err := c.Run(l.with("1 " + secret))
			var e *clinical.Error
			if !errors.As(err, &e) || e.Code != clinical.UnknownUnit {
				continue
			}
			if e := wantError(t, err); !strings.HasPrefix(l.path, e.Field) && c.ID != "convert-units" {
				t.Errorf("%s: the error is about %q", l.path, e.Field)
			}
		}
	})
}

func TestErrorsReadWell(t *testing.T) {
	good := `"age": 50, "sex": "male"`
	tests := []struct{ name, input, want string }{
		{"nothing", `{}`, `serumCreatinine: a value is required (serum creatinine in mg/dL or umol/L, by an assay traceable to IDMS); accepted: text of the form "number unit", an object with value, unit, date, ref`},
		{"no unit", `{"serumCreatinine": "1.0", ` + good + `}`, `serumCreatinine: the quantity cannot be read (serum creatinine in mg/dL or umol/L, by an assay traceable to IDMS); accepted: text of the form "number unit", an object with value, unit, date, ref`},
		{"comma", `{"serumCreatinine": "1,0 mg/dL", ` + good + `}`, `serumCreatinine: the quantity cannot be read; decimals follow a point (serum creatinine in mg/dL or umol/L, by an assay traceable to IDMS); accepted: text of the form "number unit", an object with value, unit, date, ref`},
		{"no value", `{"serumCreatinine": {"unit": "mg/dL"}, ` + good + `}`, `serumCreatinine.value: a value is required (the number as reported); accepted: a number, with a point before decimals`},
		{"wrong unit", `{"serumCreatinine": "1.0 mmol/L", ` + good + `}`, `serumCreatinine: the unit is missing or not accepted for serum creatinine; accepted: mg/dL, umol/L`},
		{"slip of unit", `{"serumCreatinine": "88 mg/dL", ` + good + `}`, `serumCreatinine: the value is given in mg/dL but is typical of umol/L; check the unit with the laboratory; accepted: mg/dL, umol/L`},
		{"unknown field", `{"serumCreatinine": "1 mg/dL", "` + secret + `": 1, ` + good + `}`, `input: field number 2 of this object has an unknown name; accepted: serumCreatinine, age, sex, conditions`},
		{"unknown word", `{"serumCreatinine": "1 mg/dL", "age": 50, "sex": "man"}`, `sex: the word is not one of those known; accepted: female, male`},
		{"twice", `{"serumCreatinine": "1 mg/dL", "age": 50, "sex": "male", "age": 51}`, `age: the field is given twice; accepted: each field once`},
		{"twice within", `{"serumCreatinine": {"value": 1, "unit": "mg/dL", "value": 2}, ` + good + `}`, `serumCreatinine.value: the field is given twice; accepted: each field once`},
		{"null", `{"serumCreatinine": null, ` + good + `}`, `serumCreatinine: null is no value; leave out a field that is not known; accepted: text of the form "number unit", an object with value, unit, date, ref`},
		{"part of a year", `{"serumCreatinine": "1 mg/dL", "age": 50.5, "sex": "male"}`, `age: the number is not whole; accepted: a whole number`},
		{"too young", `{"serumCreatinine": "1 mg/dL", "age": 17, "sex": "male"}`, `age: the equation holds for adults, by completed years at the date of the sample; accepted: 18 to 120 a`},
		{"pregnant", `{"serumCreatinine": "1 mg/dL", "age": 30, "sex": "female", "conditions": {"pregnancy": "yes"}}`, `conditions.pregnancy: estimating equations do not hold in pregnancy`},
		{"too large", `{"serumCreatinine": "1e999 mg/dL", ` + good + `}`, `serumCreatinine: the number is too large (serum creatinine in mg/dL or umol/L, by an assay traceable to IDMS); accepted: text of the form "number unit", an object with value, unit, date, ref`},
		{"trailing", `{"serumCreatinine": "1 mg/dL", ` + good + `} {}`, `input: something follows the JSON value; accepted: one JSON object`},
		{"not JSON", `{"serumCreatinine": 1 mg/dL}`, `input: the text is not JSON; accepted: one JSON object`},
		{"empty", ``, `input: the text is not JSON; accepted: one JSON object`},
		{"a list", `[]`, `input: the value has another form than this field; accepted: an object with serumCreatinine, age, sex, conditions`},
		{"deep", strings.Repeat("[", 40) + strings.Repeat("]", 40), `input: the input is nested too deeply; accepted: up to 32 levels`},
		{"huge", `"` + strings.Repeat("x", LargestInput) + `"`, `input: the input is too large; accepted: up to 1 MiB`},
	}
	c, _ := Find("egfr-creatinine")
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := c.Run([]byte(tt.input))
			if got := wantError(t, err).Error(); got != tt.want {
				t.Errorf("got  %s\nwant %s", got, tt.want)
			}
		})
	}
}

// near reports whether two paths are the same, one is part of the other, or both
// lie in one object: one of two fields may be what is missing.
func near(a, b string) bool {
	parent := func(path string) string { return path[:max(strings.LastIndex(path, "."), 0)] }
	return strings.HasPrefix(a, b) || strings.HasPrefix(b, a) || parent(b) != "" && parent(a) == parent(b)
}

// TestWhatIsMissingIsNamed leaves out every field of every example in turn.
func TestWhatIsMissingIsNamed(t *testing.T) {
	each(t, func(t *testing.T, c Calculation) {
		for _, l := range leavesOf(t, c) {
			if strings.HasSuffix(l.path, "]") {
				continue
			}
			if _, err := c.Run(l.with(nil)); err != nil && !near(wantError(t, err).Field, l.path) {
				t.Errorf("%s: the error is about something else: %v", l.path, err)
			}
		}
	})
}

func TestErrorsInAListNameTheItem(t *testing.T) {
	slope, _ := Find("gfr-plasma-slope-intercept")
	for replacement, field := range map[string]string{
		`"91.2 kg"`: "samples[1].concentration", `{"value": 91.2}`: "samples[1].concentration.unit", `"9000 ug/mL"`: "samples[1].concentration",
	} {
		text := strings.Replace(string(slope.Example), `"91.2 ug/mL"`, replacement, 1)
		if _, err := slope.Run([]byte(text)); wantError(t, err).Field != field {
			t.Errorf("%s: got %v, want the field %s", replacement, err, field)
		}
	}
	office, _ := Find("office-pressure")
	text := strings.Replace(string(office.Example), `"130 mm[Hg]"`, `"300 mm[Hg]"`, 1)
	if _, err := office.Run([]byte(text)); wantError(t, err).Field != "sittings[1].readings[1].systolic" {
		t.Errorf("got %v", err)
	}
}

// texts returns what has to be given for a field to say what the value says.
func texts(value any) []string {
	switch v := value.(type) {
	case []any:
		var list []string
		for _, item := range v {
			list = append(list, texts(item)...)
		}
		return list
	case string:
		return []string{v}
	}
	text, _ := json.Marshal(value)
	return []string{string(text)}
}

// TestFieldsAndJSONAgree gives every example as JSON and field by field.
func TestFieldsAndJSONAgree(t *testing.T) {
	each(t, func(t *testing.T, c Calculation) {
		var example any
		if err := json.Unmarshal(c.Example, &example); err != nil {
			t.Fatal(err)
		}
		in, flags := Empty(), map[string]bool{}
		for _, f := range c.Fields() {
			if flags[f.Flag()] {
				t.Errorf("two fields are called %s", f.Flag())
			}
			flags[f.Flag()] = true
			value := example
			for _, name := range f.Path {
				inner, _ := value.(map[string]any)
				value = inner[name]
			}
			if value == nil {
				if f.Required {
					t.Errorf("the required %s is not in the example", f.Flag())
				}
				continue
			}
			if err := in.Set(f, texts(value)); err != nil {
				t.Fatal(err)
			}
		}
		byField, err := c.RunInput(in)
		if err != nil {
			t.Fatal(err)
		}
		if got, want := marshal(t, byField), marshal(t, mustRun(t, c, c.Example)); !bytes.Equal(got, want) {
			t.Errorf("field by field: %s\nas JSON:        %s", got, want)
		}
	})
}

func marshal(t testing.TB, o Outcome) []byte {
	t.Helper()
	text, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func field(t *testing.T, c Calculation, flag string) Field {
	t.Helper()
	for _, f := range c.Fields() {
		if f.Flag() == flag {
			return f
		}
	}
	t.Fatalf("%s has no field %s", c.ID, flag)
	return Field{}
}

func TestPairs(t *testing.T) {
	c, _ := Find("gfr-plasma-slope-intercept")
	samples := field(t, c, "samples")
	in := Empty()
	if err := in.Set(samples, []string{"time=120 min, concentration=127.4 ug/mL", `{"time": "180 min", "concentration": {"value": 91.2, "unit": "ug/mL"}}`, " concentration = 65.3 ug/mL,time=4 h"}); err != nil {
		t.Fatal(err)
	}
	for flag, text := range map[string]string{"dose": "3235 mg", "size-height": "172 cm", "size-weight": "68 kg", "extravasation": "no", "syringe-residual-measured": "yes"} {
		if err := in.Set(field(t, c, flag), []string{text}); err != nil {
			t.Fatal(err)
		}
	}
	o, err := c.RunInput(in)
	if err != nil {
		t.Fatal(err)
	}
	if o.Values[0].Shown != "63" {
		t.Errorf("shown is %s", o.Values[0].Shown)
	}
	tests := []struct {
		text, field string
		code        clinical.Code
	}{
		{"time=120 min, concentration", "samples[0]", WrongForm},
		{"", "samples[0]", WrongForm},
		{secret + "=1", "samples[0]", WrongForm},
		{"time=120 min,time=130 min", "samples[0].time", DuplicateField},
		{"{" + secret, "samples[0]", NotJSON},
	}
	for _, tt := range tests {
		e := wantError(t, Empty().Set(samples, []string{tt.text}))
		if e.Field != tt.field || e.Code != tt.code || len(e.Accepted) == 0 {
			t.Errorf("%q: got %v", tt.text, e)
		}
	}
}

func TestOneFieldComesFromOnePlace(t *testing.T) {
	c, _ := Find("gfr-plasma-slope-intercept")
	height, samples := field(t, c, "size-height"), field(t, c, "samples")
	for input, path := range map[string]string{
		`{"size": {"height": "170 cm"}}`: "size.height",
		`{"size": 3}`:                    "size",
		`[]`:                             whole,
	} {
		in, err := Parse([]byte(input))
		if err != nil {
			t.Fatal(err)
		}
		if e := wantError(t, in.Set(height, []string{"172 cm"})); e.Field != path {
			t.Errorf("%s: got %v", input, e)
		}
	}
	in, _ := Parse([]byte(`{"size": {"weight": "68 kg"}, "samples": []}`))
	if err := in.Set(height, []string{"172 cm"}); err != nil {
		t.Errorf("another field of the same object is refused: %v", err)
	}
	if e := wantError(t, in.Set(samples, []string{"time=1 h,concentration=3 mg/L"})); e.Field != "samples" {
		t.Errorf("got %v", e)
	}
	if e := wantError(t, Empty().Set(height, []string{"172 cm", "173 cm"})); e.Code != DuplicateField {
		t.Errorf("got %v", e)
	}
	egfr, _ := Find("egfr-creatinine")
	if e := wantError(t, Empty().Set(field(t, egfr, "age"), []string{secret})); e.Field != "age" || e.Code != WrongForm {
		t.Errorf("got %v", e)
	}
}

func TestFlagsOfOtherKinds(t *testing.T) {
	c, _ := Find("laterality")
	preferLeft := field(t, c, "rules-prefer-left")
	in := Empty()
	if err := in.Set(preferLeft, []string{"yes"}); err != nil {
		t.Fatal(err)
	}
	if rules, _ := in.value.(*object).find("rules"); rules.(*object).members[0].value != true {
		t.Errorf("yes is read as %v", rules)
	}
	if e := wantError(t, Empty().Set(preferLeft, []string{secret})); e.Code != clinical.UnknownChoice || e.Field != "rules.preferLeft" {
		t.Errorf("got %v", e)
	}
	office, _ := Find("office-pressure")
	if e := wantError(t, Empty().Set(field(t, office, "sittings"), []string{secret})); e.Code != NotJSON || e.Field != "sittings[0]" {
		t.Errorf("got %v", e)
	}
	slope, _ := Find("gfr-plasma-single-sample")
	limits := field(t, slope, "decision-limits")
	for _, text := range []string{"0x10", "1_000", "NaN", "Inf", "+1", "01", ".5", "1e", ""} {
		if e := wantError(t, Empty().Set(limits, []string{text})); e.Code != WrongForm || e.Field != "decisionLimits[0]" {
			t.Errorf("%q: got %v", text, e)
		}
	}
	if err := Empty().Set(limits, []string{"60", "-1.5e+3"}); err != nil {
		t.Error(err)
	}
}

func TestDerivations(t *testing.T) {
	for _, id := range []string{"egfr-creatinine", "gfr-plasma-slope-intercept", "office-pressure"} {
		t.Run(id, func(t *testing.T) {
			c, _ := Find(id)
			var got bytes.Buffer
			if err := Derivation(&got, mustRun(t, c, c.Example)); err != nil {
				t.Fatal(err)
			}
			file := filepath.Join("testdata", id+".txt")
			if *update {
				if err := os.WriteFile(file, got.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got.String() != string(want) {
				t.Errorf("got\n%s\nwant\n%s", got.String(), want)
			}
		})
	}
}

func TestEveryDerivationFitsThePage(t *testing.T) {
	each(t, func(t *testing.T, c Calculation) {
		var got bytes.Buffer
		if err := Derivation(&got, mustRun(t, c, c.Example)); err != nil {
			t.Fatal(err)
		}
		for _, line := range strings.Split(got.String(), "\n") {
			if len([]rune(line)) > 100 || line != strings.TrimRight(line, " ") {
				t.Errorf("too wide, or spaces at the end: %q", line)
			}
		}
		for _, needed := range []string{"Inputs", "Source", "Cautions", "people decide"} {
			if !strings.Contains(got.String(), needed) {
				t.Errorf("the derivation lacks %q", needed)
			}
		}
	})
}

func TestADerivationCannotSteerATerminal(t *testing.T) {
	c, _ := Find("egfr-creatinine")
	o := mustRun(t, c, []byte(`{"serumCreatinine": {"value": 1, "unit": "mg/dL", "date": "\u001b[2J2026", "ref": "a\nb\u0000"}, "age": 50, "sex": "male"}`))
	var got bytes.Buffer
	if err := Derivation(&got, o); err != nil {
		t.Fatal(err)
	}
	if strings.ContainsAny(got.String(), "\x1b\x00") || !strings.Contains(got.String(), "[2J2026, ab") {
		t.Errorf("got\n%q", got.String())
	}
}

func TestSignificant(t *testing.T) {
	for _, tt := range []struct {
		value  float64
		digits int
		want   string
	}{
		{91.691478, 7, "91.69148"}, {3235, 4, "3235"}, {12345678, 4, "12350000"}, {0.00001234567, 4, "0.00001235"}, {0.1 + 0.2, 7, "0.3"},
	} {
		if got := significant(tt.value, tt.digits); got != tt.want {
			t.Errorf("significant(%g, %d) = %s, want %s", tt.value, tt.digits, got, tt.want)
		}
	}
}

func TestAnOverflowIsRefused(t *testing.T) {
	type nothing struct{}
	for _, r := range []clinical.Result{
		{Value: units.Quantity{Value: math.Inf(1), Unit: "1"}},
		{Steps: []clinical.Step{{Value: units.Quantity{Value: math.NaN(), Unit: "1"}}}},
	} {
		c := define(Calculation{ID: "overflow"}, func(nothing) (Outcome, error) { return values(nil, number("ratio", r, 1)) })
		if _, err := c.Run([]byte(`{}`)); wantError(t, err).Code != clinical.NotFinite {
			t.Errorf("got %v", err)
		}
	}
	c := define(Calculation{ID: "silent"}, func(nothing) (Outcome, error) { return Outcome{}, errors.New(secret) })
	if _, err := c.Run([]byte(`{}`)); wantError(t, err).Code != NotComputed {
		t.Errorf("got %v", err)
	}
}

func hasTwice(value any) bool {
	switch v := value.(type) {
	case []any:
		return slices.ContainsFunc(v, hasTwice)
	case *object:
		seen := map[string]bool{}
		for _, m := range v.members {
			if seen[m.name] || hasTwice(m.value) {
				return true
			}
			seen[m.name] = true
		}
	}
	return false
}

// FuzzRun gives any bytes to every calculation. Nothing panics, every error has
// a code and a field, and what is accepted here is what the schema accepts.
func FuzzRun(f *testing.F) {
	all := All()
	resolved := make([]*jsonschema.Resolved, len(all))
	for i, c := range all {
		f.Add(i, []byte(c.Example))
		resolved[i] = resolve(f, c)
	}
	f.Add(1, []byte(`{"height": {"value": 1e400, "unit": "cm"}, "weight": null}`))
	f.Add(2, []byte(`[{"a": {"a": [[]]}}]`))
	f.Fuzz(func(t *testing.T, which int, data []byte) {
		which = int(uint(which) % uint(len(all)))
		c := all[which]
		outcome, err := c.Run(data)
		in, parseErr := Parse(data)
		if parseErr != nil {
			if wantError(t, err).Field != whole {
				t.Errorf("got %v", err)
			}
			return
		}
		_, formErr := checker{root: c.Schema}.check(c.Schema, in.value, "")
		var value any
		// A general validator does not see a field that is given twice.
		if json.Unmarshal(data, &value) == nil && !hasTwice(in.value) {
			if schemaErr := resolved[which].Validate(value); (schemaErr == nil) != (formErr == nil) {
				t.Errorf("the schema says %v, the check %v", schemaErr, formErr)
			}
		}
		if err != nil {
			wantError(t, err)
			return
		}
		marshal(t, outcome)
		if err := Derivation(&bytes.Buffer{}, outcome); err != nil {
			t.Error(err)
		}
	})
}

// TestBothSexesAreShown: without a recorded sex an estimate is computed with the
// coefficients of each, and nothing is assumed.
func TestBothSexesAreShown(t *testing.T) {
	c, _ := Find("egfr-creatinine")
	o := mustRun(t, c, []byte(`{"serumCreatinine": "1.0 mg/dL", "age": 50}`))
	if len(o.Values) != 2 || o.Values[0].Name != "estimated GFR with the coefficients for female" || o.Values[1].Shown != "92" || o.Values[0].Shown == o.Values[1].Shown {
		t.Errorf("got %+v", o.Values)
	}
}
