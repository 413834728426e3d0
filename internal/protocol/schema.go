package protocol

import (
	"cmp"
	"reflect"
	"slices"
	"strings"

	"github.com/google/jsonschema-go/jsonschema"

	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/renal"
	"candidacy/internal/clinical/units"
	"candidacy/internal/hl7"
	"candidacy/internal/journey"
)

// Schema returns the JSON Schema (2020-12) of a protocol file, for editors. It
// is made from the structs that Parse fills, so it can't lag behind. What it
// accepts Parse may still refuse, with a reason: whether ids agree, whether an
// expression has its types.
func Schema() *jsonschema.Schema {
	s := schemaOf(reflect.TypeFor[Protocol]())
	s.Schema = "https://json-schema.org/draft/2020-12/schema"
	s.Title = "Programme protocol"
	s.Description = "What each candidate needs, where thresholds lie, and which deadlines stand."
	return s
}

// required lists the fields without which a part means nothing.
var required = map[reflect.Type][]string{
	reflect.TypeFor[Protocol](): {
		"version", "title", "time_zone", "general_statement", "methods", "timers", "quorum", "requirements", "flags", "visits", "observations",
	},
	reflect.TypeFor[Requirement]():   {"id", "title", "domain", "gate", "evidence", "source"},
	reflect.TypeFor[Item]():          {"id", "title", "requirement", "source"},
	reflect.TypeFor[Reminder]():      {"of", "days_before"},
	reflect.TypeFor[Notice]():        {"of", "to", "text", "source"},
	reflect.TypeFor[NoticeText]():    {"id", "subject", "body"},
	reflect.TypeFor[Milestone]():     {"id", "title", "for", "source"},
	reflect.TypeFor[AnchorDays]():    {"anchor"},
	reflect.TypeFor[Contact]():       {"id", "title", "phone"},
	reflect.TypeFor[Medicines]():     {"paracetamol_g", "paracetamol_low_weight_kg", "paracetamol_hours_apart", "aspirin_mg", "source"},
	reflect.TypeFor[Spacing]():       {"requirement", "days"},
	reflect.TypeFor[Preparation]():   {"text", "source"},
	reflect.TypeFor[Complication]():  {"id", "title", "source"},
	reflect.TypeFor[ProcedureCode](): {"id", "approaches", "system", "code", "display", "source"},
	reflect.TypeFor[FlagRule]():      {"id", "title", "requirement", "of", "bands", "source"},
	reflect.TypeFor[BandRule]():      {"band", "when"},
	reflect.TypeFor[Fact]():          {"id", "title", "of", "type"},
	reflect.TypeFor[Observation]():   {"code", "title"},
	reflect.TypeFor[Visit]():         {"id", "title", "source"},
	reflect.TypeFor[Seat]():          {"id", "title"},
	reflect.TypeFor[CheckLine]():     {"id", "title", "compare", "from", "source"},
	reflect.TypeFor[LadderStep]():    {"id", "title", "days", "channel", "source"},
	reflect.TypeFor[Lost]():          {"after_visits", "contact", "source"},
	reflect.TypeFor[Cohort]():        {"from", "clinical_percent", "laboratory_percent", "source"},
	reflect.TypeFor[Choice]():        {"code", "title"},
	reflect.TypeFor[AfterDonation](): {
		"low_gfr", "declining_gfr", "decline_per_year", "creatinine_ratio", "albumin_mg_per_g", "systolic", "diastolic", "haemoglobin_a1c",
		"source", "expected_low", "expected", "expected_high", "source_of_expected",
	},
	reflect.TypeFor[Measures]():            {"smallest_cell", "source"},
	reflect.TypeFor[Programme]():           {"name"},
	reflect.TypeFor[ProgrammeIdentifier](): {"system", "value"},
	reflect.TypeFor[Sender]():              {"id", "title", "application", "system", "authorities"},
	reflect.TypeFor[Authority]():           {"authority", "system"},
	reflect.TypeFor[CodeMapping]():         {"code"},
	reflect.TypeFor[UnitMapping]():         {"text", "to"},
	reflect.TypeFor[AnswerMapping]():       {"text", "to"},
	reflect.TypeFor[Committee]():           {"members", "quorum", "source"},
	reflect.TypeFor[Letter]():              {"id", "for", "title", "text"},
	reflect.TypeFor[Methods]():             {"body_surface_area", "plasma_clearance_correction"},
	reflect.TypeFor[PlasmaUncertainty]():   {"concentration_percent", "dose_percent", "time_minutes"},
	reflect.TypeFor[UrineUncertainty]():    {"concentration_percent", "volume_percent", "time_minutes"},
	reflect.TypeFor[Questionnaire]():       {"id", "title", "sections", "source"},
	reflect.TypeFor[Section]():             {"id", "title", "questions"},
	reflect.TypeFor[Question]():            {"id", "text", "type"},
	reflect.TypeFor[EnableWhen]():          {"question", "is"},
	reflect.TypeFor[ReviewForm]():          {"requirement", "findings", "source"},
	reflect.TypeFor[ReviewFinding]():       {"code", "title"},
	reflect.TypeFor[journey.Timers](): {
		"first_reply_days", "screening_days", "evaluation_days", "committee_days", "hold_days", "approval_months", "deferral_days", "cooling_off_days",
	},
}

// words are codes as the enumeration of a schema.
func words[T ~string](list []T) []any {
	out := make([]any, len(list))
	for i, word := range list {
		out[i] = word
	}
	return out
}

// choices lists the words of a type.
func choices(t reflect.Type) []any {
	switch t {
	case reflect.TypeFor[journey.Gate]():
		return []any{journey.ForEvaluation, journey.ForCommittee, journey.ForScheduling, journey.ForOperation}
	case reflect.TypeFor[journey.Evidence]():
		return []any{journey.ByResult, journey.ByReview, journey.ByConsent, journey.ByAssignment}
	case reflect.TypeFor[journey.Band]():
		return []any{journey.Discussion, journey.Excludes}
	case reflect.TypeFor[journey.Role]():
		return words(journey.Roles)
	case reflect.TypeFor[Majority]():
		return words(Majorities)
	case reflect.TypeFor[LetterFor]():
		return words(LettersFor)
	case reflect.TypeFor[QuestionType]():
		return words(QuestionTypes)
	case reflect.TypeFor[FactType]():
		return words(FactTypes)
	case reflect.TypeFor[WorkKind]():
		return words(WorkKinds)
	case reflect.TypeFor[Topic]():
		return words(Topics)
	case reflect.TypeFor[Anchor]():
		return words(anchorWords())
	case reflect.TypeFor[Performer]():
		return words(Performers)
	case reflect.TypeFor[Comparison]():
		return words(added)
	case reflect.TypeFor[journey.Channel]():
		return words(journey.Channels)
	case reflect.TypeFor[journey.Outcome]():
		return words(journey.ContactOutcomes)
	case reflect.TypeFor[journey.DeadlineKind]():
		return words(journey.Remindable)
	case reflect.TypeFor[Occasion]():
		return words(Occasions)
	case reflect.TypeFor[Addressee]():
		return words(Addressees)
	case reflect.TypeFor[units.Analyte]():
		return words(slices.Sorted(slices.Values(units.Analytes())))
	}
	return nil
}

// named are the choices of fields whose Go type does not tell them, by YAML name.
func named(name string) []any {
	switch name {
	case "body_surface_area":
		return words(body.SurfaceAreaFormulas())
	case "operation":
		return []any{journey.StoppedNotRemoved}
	case "fate":
		return []any{journey.FateNotImplanted, journey.FateImplantedOther}
	case "charset":
		return words(hl7.Charsets())
	case "processing":
		return words(processingIDs)
	case "plasma_clearance":
		return []any{SlopeIntercept, TwoCompartment}
	case "plasma_clearance_correction":
		return words(renal.Corrections())
	}
	return nil
}

func schemaOf(t reflect.Type) *jsonschema.Schema {
	switch t.Kind() {
	case reflect.Pointer:
		return schemaOf(t.Elem())
	case reflect.Slice:
		return &jsonschema.Schema{Type: "array", Items: schemaOf(t.Elem())}
	case reflect.Bool:
		return &jsonschema.Schema{Type: "boolean"}
	case reflect.Int:
		return &jsonschema.Schema{Type: "integer"}
	case reflect.Float64:
		return &jsonschema.Schema{Type: "number"}
	case reflect.String:
		return &jsonschema.Schema{Type: "string", Enum: choices(t)}
	}
	s := &jsonschema.Schema{
		Type: "object", Properties: map[string]*jsonschema.Schema{}, Required: required[t],
		AdditionalProperties: &jsonschema.Schema{Not: &jsonschema.Schema{}},
	}
	for i := range t.NumField() {
		field := t.Field(i)
		name := fieldName(field)
		if name == "" {
			continue
		}
		property := schemaOf(field.Type)
		if words := named(name); words != nil {
			property.Enum = words
		}
		property.Description = field.Tag.Get("doc")
		s.Properties[name] = property
		s.PropertyOrder = append(s.PropertyOrder, name)
	}
	return s
}

// fieldName is how a field is called in the file, empty for one that is not in
// it.
func fieldName(field reflect.StructField) string {
	if !field.IsExported() {
		return ""
	}
	name, _, _ := strings.Cut(cmp.Or(field.Tag.Get("yaml"), field.Tag.Get("json")), ",")
	return name
}
