package calculation

import (
	"reflect"
	"slices"

	"github.com/google/jsonschema-go/jsonschema"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/compatibility"
	"candidacy/internal/clinical/laterality"
	"candidacy/internal/clinical/perioperative"
	"candidacy/internal/clinical/pressure"
	"candidacy/internal/clinical/renal"
	"candidacy/internal/clinical/units"
)

// dialect is the JSON Schema dialect of every schema.
const dialect = "https://json-schema.org/draft/2020-12/schema"

// The definitions that schemas refer to, and how quantities are written as text.
const (
	measurementDef  = "measurement"
	quantityDef     = "quantity"
	defs            = "#/$defs/"
	quantityPattern = `^-?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)? +[^ ]+$`
)

// schemaOf infers the schema of an input struct from its tags. Quantities and
// choices get their own schemas; both are decided by the Go type.
func schemaOf[In any](title string) *jsonschema.Schema {
	root, err := jsonschema.For[In](&jsonschema.ForOptions{TypeSchemas: typeSchemas()})
	if err != nil {
		// Only a type that JSON cannot hold, or a malformed tag, fails.
		panic(err)
	}
	used := map[string]bool{}
	tidy(root, used)
	root.Schema, root.Title = dialect, title
	for name, def := range definitions() {
		if used[defs+name] {
			if root.Defs == nil {
				root.Defs = map[string]*jsonschema.Schema{}
			}
			root.Defs[name] = def
		}
	}
	return root
}

// tidy removes null, which is not the same as a field that was left out, and
// notes the definitions in use.
func tidy(s *jsonschema.Schema, used map[string]bool) {
	if s == nil {
		return
	}
	used[s.Ref] = true
	if rest := slices.DeleteFunc(s.Types, func(t string) bool { return t == "null" }); len(rest) == 1 {
		s.Type, s.Types = rest[0], nil
	} else if len(rest) == 0 {
		s.Types = nil
	}
	for _, p := range s.Properties {
		tidy(p, used)
	}
	tidy(s.Items, used)
}

func typeSchemas() map[reflect.Type]*jsonschema.Schema {
	return map[reflect.Type]*jsonschema.Schema{
		reflect.TypeFor[clinical.Measurement]():       {Ref: defs + measurementDef},
		reflect.TypeFor[units.Quantity]():             {Ref: defs + quantityDef},
		reflect.TypeFor[clinical.Answer]():            choice([]clinical.Answer{clinical.Yes, clinical.No}),
		reflect.TypeFor[clinical.Sex]():               choice(clinical.Sexes()),
		reflect.TypeFor[units.Analyte]():              choice(units.Analytes()),
		reflect.TypeFor[body.SurfaceAreaFormula]():    choice(body.SurfaceAreaFormulas()),
		reflect.TypeFor[renal.Correction]():           choice(renal.Corrections()),
		reflect.TypeFor[renal.Marker]():               choice(renal.Markers()),
		reflect.TypeFor[renal.IohexolSolution]():      choice(renal.IohexolSolutions()),
		reflect.TypeFor[renal.SingleSampleEquation](): choice(renal.SingleSampleEquations()),
		reflect.TypeFor[renal.VolumeEquation]():       choice(renal.VolumeEquations()),
		reflect.TypeFor[renal.MethodKind]():           choice(renal.MethodKinds()),
		reflect.TypeFor[compatibility.Group]():        choice(compatibility.Groups()),
		reflect.TypeFor[compatibility.Subtype]():      choice(compatibility.Subtypes()),
		reflect.TypeFor[compatibility.Locus]():        choice(compatibility.Loci()),
		reflect.TypeFor[laterality.CystClass]():       choice(laterality.CystClasses()),
		reflect.TypeFor[laterality.SplitMethod]():     choice(laterality.SplitMethods()),
		reflect.TypeFor[laterality.SplitRule]():       choice(laterality.SplitRules()),
		reflect.TypeFor[perioperative.Intervention](): choice(perioperative.Interventions()),
		reflect.TypeFor[perioperative.OrganFailure](): choice(perioperative.OrganFailures()),
		reflect.TypeFor[pressure.Target]():            choice(pressure.Targets()),
		reflect.TypeFor[pressure.Period]():            choice([]pressure.Period{pressure.DayTime, pressure.NightTime}),
	}
}

func choice[T ~string](list []T) *jsonschema.Schema {
	s := &jsonschema.Schema{Type: "string"}
	for _, v := range list {
		s.Enum = append(s.Enum, string(v))
	}
	return s
}

// definitions are the two forms of a quantity, each an object or a short text.
func definitions() map[string]*jsonschema.Schema {
	quantity := func(more ...string) *jsonschema.Schema {
		object := &jsonschema.Schema{
			Type: "object",
			Properties: map[string]*jsonschema.Schema{
				"value": {Type: "number", Description: "the number as reported"},
				"unit":  {Type: "string", Description: "its UCUM code"},
			},
			PropertyOrder:        []string{"value", "unit"},
			Required:             []string{"value", "unit"},
			AdditionalProperties: &jsonschema.Schema{Not: &jsonschema.Schema{}},
		}
		for _, name := range more {
			object.Properties[name] = &jsonschema.Schema{Type: "string"}
			object.PropertyOrder = append(object.PropertyOrder, name)
		}
		text := &jsonschema.Schema{
			Type: "string", Pattern: quantityPattern,
			Description: `the number, a space and the UCUM unit, such as "0.9 mg/dL"`,
		}
		return &jsonschema.Schema{OneOf: []*jsonschema.Schema{object, text}}
	}
	measurement := quantity("date", "ref")
	object := measurement.OneOf[0]
	object.Properties["date"].Description = "the date of collection, of any precision"
	object.Properties["ref"].Description = "the id of the observation"
	return map[string]*jsonschema.Schema{measurementDef: measurement, quantityDef: quantity()}
}
