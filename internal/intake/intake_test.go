package intake_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/intake"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/reading"
	"candidacy/internal/result"
	"candidacy/testdata/bundles"
)

type object = map[string]any

// observation is a serum creatinine whose members are replaced; a value of nil
// removes one.
func observation(members object) object {
	o := object{
		"resourceType": "Observation", "status": "final",
		"identifier":        []any{object{"system": "urn:lab", "value": "1"}},
		"code":              object{"coding": []any{object{"system": command.LOINC, "code": "2160-0", "display": "Creatinine"}}},
		"subject":           object{"identifier": object{"system": "urn:hospital", "value": "M-1"}},
		"effectiveDateTime": "2026-03-02T08:00:00+01:00",
		"valueQuantity":     object{"value": json.Number("1.10"), "unit": "mg/dL", "system": "http://unitsofmeasure.org", "code": "mg/dL"},
	}
	maps.Copy(o, members)
	maps.DeleteFunc(o, func(_ string, v any) bool { return v == nil })
	return o
}

func bundle(members object, resources ...any) string {
	var entries []any
	for _, r := range resources {
		entries = append(entries, object{"resource": r})
	}
	b := object{"resourceType": "Bundle", "type": "transaction", "entry": entries}
	maps.Copy(b, members)
	maps.DeleteFunc(b, func(_ string, v any) bool { return v == nil })
	raw, err := json.Marshal(b)
	if err != nil {
		panic(err)
	}
	return string(raw)
}

func read(t *testing.T, raw string) reading.Group {
	t.Helper()
	m, err := intake.One([]byte(raw))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// subject is the first identifier of the person.
func subject(g reading.Group) result.Identifier {
	if len(g.Identifiers) == 0 {
		return result.Identifier{}
	}
	return g.Identifiers[0].Subject()
}

func TestOneObservation(t *testing.T) {
	m := read(t, bundle(nil, observation(object{
		"category": []any{object{"coding": []any{object{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "laboratory"}}}},
		"issued":   "2026-03-02T10:00:00+01:00", "specimen": object{"display": "Blood", "identifier": object{"value": "ACC-1"}},
		"method": object{"text": "enzymatic"}, "bodySite": object{"coding": []any{object{"system": "http://snomed.info/sct", "code": "14975008"}}},
	})))
	if subject(m) != (result.Identifier{System: "urn:hospital", Value: "M-1"}) || len(m.Identifiers) != 1 || len(m.Results) != 1 {
		t.Fatalf("read is %+v", m)
	}
	r := m.Results[0]
	if r.Identifier != (result.Identifier{System: "urn:lab", Value: "1"}) || r.Status != result.Final || r.Category != "laboratory" ||
		r.Code != (result.Coding{System: command.LOINC, Code: "2160-0", Display: "Creatinine"}) || r.Effective != "2026-03-02T08:00:00+01:00" ||
		r.Issued != "2026-03-02T10:00:00+01:00" || r.Specimen != "ACC-1" || r.Method != "enzymatic" || r.BodySite != "14975008" {
		t.Errorf("read is %+v", r)
	}
	if err := command.Validate(&command.RecordResults{Results: m.Results}); err != nil {
		t.Errorf("what is read is refused as a command: %v", err)
	}
}

// TestWhatIsReportedBesideTheValue with R4's own element names.
func TestWhatIsReportedBesideTheValue(t *testing.T) {
	mgPerDL := func(text string) object {
		return object{"value": json.Number(text), "unit": "mg/dL", "system": "http://unitsofmeasure.org", "code": "mg/dL"}
	}
	r := read(t, bundle(nil, observation(object{
		"referenceRange": []any{
			object{"type": object{"coding": []any{object{"code": "therapeutic"}}}, "text": "on treatment"},
			object{"low": mgPerDL("0.50"), "high": mgPerDL("1.10"), "text": "0.50 - 1.10"},
		},
		"interpretation": []any{
			object{"coding": []any{object{"system": "urn:lab", "code": "+"}, object{"system": "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation", "code": "H"}}},
			object{"coding": []any{object{"system": "urn:lab", "code": "++"}}},
		},
		"performer": []any{object{"display": "Central laboratory"}, object{"reference": "urn:uuid:1"}},
		"basedOn":   []any{object{"identifier": object{"system": "urn:orders", "value": "ORD-7"}}},
		"note":      []any{object{"text": "slightly haemolysed"}},
	}))).Results[0]
	limits := r.ReferenceRange
	if limits == nil || limits.Low == nil || limits.High == nil || limits.Low.Value != "0.50" || limits.High.Value != "1.10" || limits.High.Unit != "mg/dL" || limits.Text != "0.50 - 1.10" {
		t.Errorf("the range is %+v", limits)
	}
	if !slices.Equal(r.Interpretation, []string{"H"}) || r.Performer != "Central laboratory" || r.Order != "ORD-7" || r.Note != "slightly haemolysed" {
		t.Errorf("read is %+v", r)
	}
	if err := command.Validate(&command.RecordResults{Results: []command.Result{r}}); err != nil {
		t.Errorf("what is read is refused as a command: %v", err)
	}
}

// TestNumbersStayAsTheyWereWritten: a result of 1.10 says more than one of 1.1.
func TestNumbersStayAsTheyWereWritten(t *testing.T) {
	for _, text := range []string{"1.10", "1.1", "0.70", "100", "1e2", "1.0E-2", "-0.50", "123456789012345678901234567890.10", "0.1000000000000000055511151231257827"} {
		raw := strings.Replace(bundle(nil, observation(nil)), `"value":1.10`, `"value":`+text, 1)
		if got := read(t, raw).Results[0].Quantity.Value.String(); got != text {
			t.Errorf("%s is read as %s", text, got)
		}
		// Also where signs of another member are escaped.
		raw = strings.Replace(raw, `"value":`+text, `"comparator":"\u003c","value":`+text, 1)
		if got := read(t, raw).Results[0].Quantity; got.Value.String() != text || got.Comparator != "<" {
			t.Errorf("%s is read as %+v", text, got)
		}
	}
}

// TestComparators in every way that JSON can write them.
func TestComparators(t *testing.T) {
	for escaped, want := range map[string]string{
		`<`: "<", `<=`: "<=", `>`: ">", `>=`: ">=", `\u003c`: "<", `\u003C`: "<", `\u003c=`: "<=", `\u003C\u003D`: "<=", `\u003e`: ">", `\u003E`: ">", `\u003e\u003d`: ">=",
	} {
		raw := strings.Replace(bundle(nil, observation(nil)), `"value":1.10`, `"comparator":"`+escaped+`","value":1.10`, 1)
		m, err := intake.One([]byte(raw))
		if err != nil {
			t.Errorf("%s: %v", escaped, err)
			continue
		}
		q := m.Results[0].Quantity
		if q.Comparator != want {
			t.Errorf("%s is read as %q", escaped, q.Comparator)
		}
		// It is a limit, and no rule takes it for the number.
		recorded := m.Results[0].Record("id", 1, protocoltest.Brief().Zone())
		for _, f := range protocoltest.Brief().Assess(protocol.Person{BirthDate: "1976-01-15", Sex: "female"}, []result.Result{recorded}, "2026-03-10").Flags {
			if f.ID == "egfr-creatinine" && f.Band != journey.CannotDecide {
				t.Errorf("%s 1.10 mg/dL is %s", want, f.Band)
			}
		}
	}
	// Elsewhere the same signs are only letters.
	raw := strings.Replace(bundle(nil, observation(object{"valueQuantity": nil, "valueString": "SIGN"})), "SIGN", `\u003c tag \u0026 \"x\"`, 1)
	if got := read(t, raw).Results[0].Text; got != `< tag & "x"` {
		t.Errorf("the text is read as %q", got)
	}
}

func TestValues(t *testing.T) {
	coding := func(system, code string) object {
		return object{"system": system, "code": code, "display": "of " + system}
	}
	m := read(t, bundle(nil,
		observation(object{"valueQuantity": nil, "valueInteger": 43}),
		observation(object{"valueQuantity": nil, "valueString": "see the letter"}),
		observation(object{"valueQuantity": nil, "valueCodeableConcept": object{"text": "A negative", "coding": []any{coding("http://snomed.info/sct", "278152006")}}}),
		observation(object{"valueQuantity": nil, "valueCodeableConcept": object{"coding": []any{coding(command.LOINC, "LA6576-8"), coding("http://snomed.info/sct", "10828004")}}}),
		observation(object{"valueQuantity": nil, "component": []any{
			object{"code": object{"coding": []any{coding(command.LOINC, "8480-6")}}, "valueQuantity": object{"value": 120, "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}},
			object{"code": object{"coding": []any{coding(command.LOINC, "8462-4")}}, "valueCodeableConcept": object{"coding": []any{coding("urn:x", "x")}}},
		}}),
		observation(object{"valueQuantity": nil, "status": "cancelled", "dataAbsentReason": object{"text": "not done"}}),
		observation(object{"effectiveDateTime": nil, "effectivePeriod": object{"start": "2026-03-01T08:00:00+01:00", "end": "2026-03-02T08:00:00+01:00"}}),
		observation(object{"effectiveDateTime": nil, "effectiveInstant": "2026-03-02T08:00:00.5Z", "specimen": object{"display": "Blood, tube 2", "identifier": object{"system": "x"}}}),
		observation(object{"code": object{"text": "Iohexol", "coding": []any{object{"system": command.LOINC}, coding("urn:local", "iohexol-dose"), coding("urn:other", "x")}}}),
		observation(object{"code": object{"coding": []any{coding("urn:local", "CREA"), coding(command.LOINC, "2160-0")}}}),
	))
	r := m.Results
	if r[0].Quantity.Value != "43" || r[0].Quantity.Unit != "1" {
		t.Errorf("an integer is read as %+v", r[0].Quantity)
	}
	if r[1].Text != "see the letter" {
		t.Errorf("a text is read as %q", r[1].Text)
	}
	// The laboratory's own words beside the code.
	if r[2].Coded.Code != "278152006" || r[2].Coded.Display != "A negative" {
		t.Errorf("a blood type is read as %+v", r[2].Coded)
	}
	// Of several codings of a finding the one that rules understand.
	if r[3].Coded.Code != "10828004" {
		t.Errorf("a screen is read as %+v", r[3].Coded)
	}
	if len(r[4].Components) != 2 || r[4].Components[0].Value.Quantity.Value != "120" || r[4].Components[1].Value.Coding.Code != "x" {
		t.Errorf("a panel is read as %+v", r[4].Components)
	}
	if r[5].Status != result.Cancelled {
		t.Errorf("a cancelled result is read as %+v", r[5])
	}
	if r[6].Effective != "2026-03-01T08:00:00+01:00" || r[6].EffectiveEnd != "2026-03-02T08:00:00+01:00" {
		t.Errorf("a collection is read from %s to %s", r[6].Effective, r[6].EffectiveEnd)
	}
	if r[7].Effective != "2026-03-02T08:00:00.5Z" || r[7].Specimen != "Blood, tube 2" {
		t.Errorf("an instant is read as %+v", r[7])
	}
	if r[8].Code.Code != "iohexol-dose" || r[9].Code.Code != "2160-0" {
		t.Errorf("codes are read as %+v and %+v", r[8].Code, r[9].Code)
	}
}

// TestBrokenBundles: the error names the path, and nothing is half read.
func TestBrokenBundles(t *testing.T) {
	const at = "Bundle.entry[1].resource"
	second := func(members object) string { return bundle(nil, observation(nil), observation(members)) }
	quantity := func(members object) string {
		q := object{"value": 1, "system": "http://unitsofmeasure.org", "code": "mg/dL"}
		maps.Copy(q, members)
		maps.DeleteFunc(q, func(_ string, v any) bool { return v == nil })
		return second(object{"valueQuantity": q})
	}
	component := func(members object) string {
		c := object{"code": object{"coding": []any{object{"code": "8480-6"}}}}
		maps.Copy(c, members)
		return second(object{"valueQuantity": nil, "component": []any{c}})
	}
	whole := bundle(nil, observation(nil))
	many := make([]any, 501)
	for i := range many {
		many[i] = observation(nil)
	}
	request := func(method string) string {
		return strings.Replace(whole, `{"resource":`, `{"request":{"method":"`+method+`","url":"Observation"},"resource":`, 1)
	}
	for _, tt := range []struct{ name, raw, path string }{
		{"nothing", "", "Bundle"},
		{"no JSON", "MSH|^~\\&|LAB", "Bundle"},
		{"cut", whole[:len(whole)-2], "Bundle"},
		{"text behind it", whole + "x", "Bundle"},
		{"too large", `{"x":"` + strings.Repeat("x", command.MaxBytes) + `"}`, "Bundle"},
		{"not UTF-8", strings.Replace(whole, "Creatinine", "Creatinin\xe9", 1), "Bundle"},
		{"a list", "[]", "Bundle"},
		{"a null", "null", "Bundle"},
		{"an observation", `{"resourceType":"Observation"}`, "Bundle"},
		{"no type of resource", `{"type":"transaction"}`, "Bundle"},
		{"a search result", bundle(object{"type": "searchset"}, observation(nil)), "Bundle.type"},
		{"no type", bundle(object{"type": nil}, observation(nil)), "Bundle.type"},
		{"no entries", bundle(object{"entry": nil}), "Bundle.entry"},
		{"empty entries", bundle(object{"entry": []any{}}), "Bundle.entry"},
		{"too many entries", bundle(nil, many...), "Bundle.entry"},
		{"implicit rules", bundle(object{"implicitRules": "urn:x"}, observation(nil)), "Bundle.implicitRules"},
		{"a modified entry", strings.Replace(whole, `{"resource":`, `{"modifierExtension":[{"url":"urn:x"}],"resource":`, 1), "Bundle.entry[0].modifierExtension"},
		{"a deletion", request("DELETE"), "Bundle.entry[0].request.method"},
		{"a reading", request("GET"), "Bundle.entry[0].request.method"},
		{"a member twice", strings.Replace(whole, `"status":"final"`, `"status":"preliminary","status":"final"`, 1), "Bundle.entry[0].resource.status"},
		{"a member twice in capitals", strings.Replace(whole, `"status":"final"`, `"Status":"preliminary","status":"final"`, 1), "Bundle.entry[0].resource.status"},
		{"an entry without a resource", strings.Replace(bundle(nil, observation(nil), nil), `{"resource":null}`, `{}`, 1), "Bundle.entry[1]"},
		{"an entry with a null", bundle(nil, observation(nil), nil), at},
		{"an entry that is a number", bundle(nil, observation(nil), 5), at},
		{"another resource", bundle(nil, observation(nil), object{"resourceType": "Medication"}), at},
		{"no kind of resource", second(object{"resourceType": nil}), at},
		{"something contained that is none", second(object{"contained": []any{"Specimen"}}), at + ".contained[0]"},
		{"an element that R4 does not have", second(object{"valueDecimal": 1.1}), at + ".valueDecimal"},
		{"an element in capitals", second(object{"Issued": "2026-03-02T08:00:00Z"}), at + ".Issued"},
		{"an empty object", second(object{"method": object{}}), at + ".method"},
		{"a list that is none", second(object{"category": object{"text": "laboratory"}}), at + ".category"},
		{"an empty list", second(object{"note": []any{}}), at + ".note"},
		{"a null in a list", second(object{"note": []any{nil}}), at + ".note[0]"},
		{"about something else", second(object{"focus": []any{object{"display": "a fetus"}}}), at + ".focus"},
		{"a value and why there is none", second(object{"dataAbsentReason": object{"text": "haemolysed"}}), at + ".dataAbsentReason"},
		{"an issue without a zone", second(object{"issued": "2026-03-02"}), at + ".issued"},
		{"two times", second(object{"effectiveInstant": "2026-03-02T08:00:00Z"}), at + ".effective"},
		{"a member that nobody knows", second(object{"valueQuantity": nil, "hasMember": []any{object{"reference": "Observation/9"}}}), at + ".hasMember[0]"},
		{"nothing contained", second(object{"contained": []any{}}), at + ".contained"},
		{"modified", second(object{"modifierExtension": []any{object{"url": "urn:not", "valueBoolean": true}}}), at + ".modifierExtension"},
		{"with implicit rules", second(object{"implicitRules": "urn:x"}), at + ".implicitRules"},
		{"a modified component", component(object{"modifierExtension": []any{object{"url": "urn:not"}}, "valueQuantity": object{"value": 1}}), at + ".component[0].modifierExtension"},
		// The library's structs would read a missing status as "registered".
		{"no status", second(object{"status": nil}), at + ".status"},
		{"an empty status", second(object{"status": ""}), at + ".status"},
		{"a status that is none", second(object{"status": "done"}), at + ".status"},
		{"a member of the wrong kind", second(object{"code": "2160-0"}), at + ".code"},
		{"no identifier", second(object{"identifier": nil}), at + ".identifier"},
		{"an identifier without a system", second(object{"identifier": []any{object{"value": "1"}}}), at + ".identifier"},
		{"an identifier without a value", second(object{"identifier": []any{object{"system": "urn:lab", "value": " "}}}), at + ".identifier[0].value"},
		{"no code", second(object{"code": object{"text": "Creatinine"}}), at + ".code"},
		{"an empty coding", second(object{"code": object{"coding": []any{object{"system": command.LOINC}}}}), at + ".code"},
		{"no subject", second(object{"subject": nil}), at + ".subject"},
		{"a subject by a reference to elsewhere", second(object{"subject": object{"reference": "https://ehr.example/fhir/Patient/1"}}), at + ".subject"},
		{"another subject by reference", second(object{"subject": object{"reference": "Patient/1"}}), at + ".subject"},
		{"a subject by name", second(object{"subject": object{"display": "Quillon Zephyrwick"}}), at + ".subject.identifier"},
		{"another subject", second(object{"subject": object{"identifier": object{"system": "urn:hospital", "value": "M-2"}}}), at + ".subject"},
		{"a subject of another system", second(object{"subject": object{"identifier": object{"system": "urn:other", "value": "M-1"}}}), at + ".subject"},
		{"no time", second(object{"effectiveDateTime": nil}), at + ".effective"},
		{"a time that repeats", second(object{"effectiveDateTime": nil, "effectiveTiming": object{"event": []any{"2026-03-02"}}}), at + ".effective"},
		{"no value", second(object{"valueQuantity": nil}), at + ".value"},
		{"no value, and why", second(object{"valueQuantity": nil, "dataAbsentReason": object{"text": "haemolysed"}}), at + ".value"},
		{"a yes", second(object{"valueQuantity": nil, "valueBoolean": true}), at + ".value"},
		{"a range", second(object{"valueQuantity": nil, "valueRange": object{"low": object{"value": 1}}}), at + ".value"},
		{"two values", second(object{"valueString": "or not"}), at + ".value"},
		{"a value and a yes", second(object{"valueBoolean": false}), at + ".value"},
		{"no number", quantity(object{"value": nil}), at + ".valueQuantity.value"},
		{"a number that is a text", quantity(object{"value": "1.1x"}), at + ".valueQuantity.value"},
		{"a unit in words", quantity(object{"code": nil, "unit": "mg/dL"}), at + ".valueQuantity.code"},
		{"a unit of no system", quantity(object{"system": nil}), at + ".valueQuantity.code"},
		{"a unit of another system", quantity(object{"system": "urn:units"}), at + ".valueQuantity.code"},
		{"a comparator that is none", quantity(object{"comparator": "~"}), at + ".valueQuantity.comparator"},
		{"a component without a value", component(nil), at + ".component[0].value"},
		{"a component in words", component(object{"valueString": "high"}), at + ".component[0].value"},
		{"a component without a unit", component(object{"valueQuantity": object{"value": 120}}), at + ".component[0].valueQuantity.code"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m, err := intake.One([]byte(tt.raw))
			var invalid *command.Invalid
			if !errors.As(err, &invalid) {
				t.Fatalf("read is %+v, %v", m, err)
			}
			if !slices.ContainsFunc(invalid.Faults, func(f command.Fault) bool { return f.Field == tt.path }) {
				t.Errorf("refused with %v, want the path %s", err, tt.path)
			}
			if strings.Contains(err.Error(), "Zephyrwick") {
				t.Errorf("the message names a person: %v", err)
			}
		})
	}
}

func TestEveryFaultAtOnce(t *testing.T) {
	_, err := intake.One([]byte(bundle(nil,
		observation(object{"identifier": nil, "effectiveDateTime": nil}), observation(object{"status": nil}), observation(object{"valueQuantity": nil}))))
	for _, path := range []string{"entry[0].resource.identifier", "entry[0].resource.effective", "entry[1].resource.status", "entry[2].resource.value"} {
		if err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("%s is not in %v", path, err)
		}
	}
}

// TestOneResultTwice is found where the bundle becomes a command.
func TestOneResultTwice(t *testing.T) {
	m := read(t, bundle(nil, observation(nil), observation(nil)))
	if err := command.Validate(&command.RecordResults{Results: m.Results}); err == nil || !strings.Contains(err.Error(), "results[1].identifier: the same result twice") {
		t.Errorf("one result twice is answered %v", err)
	}
}

// person is a candidate of the demonstration's manifest.
type person struct {
	ID, Sex, Story string
	BirthDate      journey.Date `json:"birthDate"`
	MRN            string       `json:"mrn"`
	Files          []struct {
		Kind, Name   string
		Observations int
	}
}

func manifest(t testing.TB) []person {
	t.Helper()
	raw, err := bundles.Files.ReadFile("manifest.json")
	if err != nil {
		t.Fatal(err)
	}
	var m struct{ Candidates []person }
	if err := json.Unmarshal(raw, &m); err != nil {
		t.Fatal(err)
	}
	return m.Candidates
}

// TestEveryBundleOfTheDemonstration is read whole, is accepted as a command and
// raises no question.
func TestEveryBundleOfTheDemonstration(t *testing.T) {
	listed := map[string]bool{"manifest.json": true}
	p := protocoltest.Brief()
	for _, c := range manifest(t) {
		for _, file := range c.Files {
			listed[file.Name] = true
			raw, err := bundles.Files.ReadFile(file.Name)
			if err != nil {
				t.Error(err)
				continue
			}
			m, err := intake.One(raw)
			if err != nil {
				t.Errorf("%s: %v", file.Name, err)
				continue
			}
			if subject(m).Value != c.MRN || len(m.Results) != file.Observations {
				t.Errorf("%s holds %d results of %s, want %d of %s", file.Name, len(m.Results), subject(m).Value, file.Observations, c.MRN)
			}
			var faults command.Faults
			body := &command.RecordResults{Results: m.Results}
			body.Check(&faults)
			p.CheckResults(&faults, m.Results)
			if err := faults.Err(); err != nil {
				t.Errorf("%s: %v", file.Name, err)
			}
		}
	}
	names, err := fs.Glob(bundles.Files, "*.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if !listed[name] {
			t.Errorf("%s is not in the manifest", name)
		}
	}
}

// TestTheStoriesOfTheDemonstration: what the rules make of each candidate's
// screening and evaluation is what the manifest tells. The sources of the
// thresholds are those of the default protocol.
func TestTheStoriesOfTheDemonstration(t *testing.T) {
	type expected struct {
		blood journey.Agreement
		// flags that are in another band than "meets"; all others meet.
		flags map[string]journey.Band
		// values as they are shown, of whatever band.
		shown map[string]string
	}
	stories := map[string]expected{
		"c05": {flags: map[string]journey.Band{"bmi": journey.Excludes}, shown: map[string]string{"bmi": "36.4"}},
		"c06": {flags: map[string]journey.Band{"egfr-creatinine": journey.Discussion, "gfr-plasma-clearance": journey.Discussion}},
		"c07": {flags: map[string]journey.Band{"office-systolic": journey.Discussion, "office-diastolic": journey.Discussion}},
		"c08": {flags: map[string]journey.Band{"acr": journey.Discussion}, shown: map[string]string{"acr": "45", "albumin-excretion": "22"}},
		// The estimate is only for discussion: it is the measurement that excludes.
		"c09": {flags: map[string]journey.Band{"egfr-creatinine": journey.Discussion, "gfr-plasma-clearance": journey.Excludes}},
		"c10": {blood: journey.Disagree},
		"c11": {
			flags: map[string]journey.Band{"glucose-fasting": journey.Discussion, "glucose-tolerance": journey.Discussion},
			shown: map[string]string{"glucose-fasting": "112", "glucose-tolerance": "151"},
		},
	}
	p := protocoltest.Brief()
	for _, c := range manifest(t) {
		want, told := stories[c.ID]
		if !told && !strings.HasPrefix(c.Story, "healthy") {
			t.Errorf("%s is told to be %q and not tested", c.ID, c.Story)
		}
		if want.blood == "" {
			want.blood = journey.Agree
		}
		var all []result.Result
		for _, file := range c.Files {
			if file.Kind != "screening" && file.Kind != "evaluation" {
				continue
			}
			raw, err := bundles.Files.ReadFile(file.Name)
			if err != nil {
				t.Fatal(err)
			}
			for _, r := range read(t, string(raw)).Results {
				all = append(all, r.Record(r.Identifier.Value, 1, p.Zone()))
			}
		}
		// The day after the last result.
		var last journey.Date
		for _, r := range all {
			last = max(last, journey.Date(r.CollectedOn))
		}
		report := p.Assess(protocol.Person{BirthDate: c.BirthDate, Sex: c.Sex}, all, last.AddDays(1))
		if report.BloodType != want.blood {
			t.Errorf("%s, %s: the blood types are %s, want %s", c.ID, c.Story, report.BloodType, want.blood)
		}
		seen := map[string]bool{}
		for _, f := range report.Flags {
			band, flagged := want.flags[f.ID]
			if !flagged {
				band = journey.Meets
			}
			if f.Band != band {
				t.Errorf("%s, %s: %s is %s %s %s, want %s", c.ID, c.Story, f.ID, f.Band, f.Shown, f.Reason, band)
			}
			if shown, ok := want.shown[f.ID]; ok && f.Shown != shown {
				t.Errorf("%s, %s: %s is shown as %s, want %s", c.ID, c.Story, f.ID, f.Shown, shown)
			}
			seen[f.ID] = true
		}
		for id := range want.flags {
			if !seen[id] {
				t.Errorf("%s, %s: there is no flag %s", c.ID, c.Story, id)
			}
		}
		// Everybody's evaluation is complete: one of the two ways of measuring.
		if !seen["gfr-plasma-clearance"] && !seen["creatinine-clearance"] {
			t.Errorf("%s, %s: no measured GFR", c.ID, c.Story)
		}
	}
}

// FuzzReadBundle: any text ends as a message or as an error that lists its
// faults. What is read has a subject and numbers that are in the text.
func FuzzReadBundle(f *testing.F) {
	f.Add(bundle(nil, observation(nil)))
	f.Add(bundle(nil, observation(object{"valueQuantity": nil, "component": []any{object{"code": object{"coding": []any{object{"code": "8480-6"}}}, "valueString": "x"}}})))
	f.Add(bundle(nil, observation(object{"status": nil}), nil, 5, "x", []any{}))
	f.Add(`{"resourceType":"Bundle","type":"batch","entry":[null,{"resource":{"resourceType":"Observation","status":"final","identifier":[null],"code":null}}]}`)
	for _, c := range manifest(f)[:3] {
		raw, err := bundles.Files.ReadFile(c.Files[0].Name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(raw))
	}
	p := protocoltest.Brief()
	f.Fuzz(func(t *testing.T, raw string) {
		m, err := intake.One([]byte(raw))
		if err != nil {
			var invalid *command.Invalid
			if !errors.As(err, &invalid) || len(invalid.Faults) == 0 {
				t.Fatalf("answered %v", err)
			}
			return
		}
		if subject(m).Value == "" || len(m.Results) == 0 || len(m.Places) != len(m.Results) {
			t.Fatalf("read is %+v", m)
		}
		for _, r := range m.Results {
			if r.Quantity != nil && !strings.Contains(raw, r.Quantity.Value.String()) {
				t.Fatalf("the number %s is not in the text", r.Quantity.Value)
			}
		}
		// Whatever it is, as a command it is checked without a panic.
		if err := command.Validate(&command.RecordResults{Results: m.Results}); err == nil {
			for i, r := range m.Results {
				p.Assess(protocol.Person{}, []result.Result{r.Record(fmt.Sprint(i), 1, p.Zone())}, "2026-03-10")
			}
		}
	})
}

// FuzzRequests: whatever an HTTP request says, and in whatever form of message, it
// is read the same twice, with places for every result and words for every fault.
func FuzzRequests(f *testing.F) {
	one, err := json.Marshal(observation(nil))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(string(one), "POST", "Observation", "", "")
	f.Add(string(one), "PUT", "Observation?identifier=urn:lab%7C1", `W/"1"`, "")
	f.Add(string(one), "PUT", "Observation/x", "", "identifier=urn:lab|1")
	f.Add(bundle(object{"type": "batch"}, observation(nil), observation(nil)), "POST", "", "", "")
	f.Add(`{"resourceType":"DiagnosticReport","status":"final","contained":[{"resourceType":"Observation","id":"1"}],"result":[{"reference":"#1"}]}`, "POST", "DiagnosticReport", "", "")
	f.Fuzz(func(t *testing.T, raw, method, path, match, absent string) {
		in := reading.Input{Raw: []byte(raw), Request: intake.Request{Method: method, Path: path, IfMatch: match, IfNoneExist: absent}.Encode()}
		m, err := intake.Reader{}.Read(in)
		again, errAgain := intake.Reader{}.Read(in)
		if fmt.Sprint(err) != fmt.Sprint(errAgain) || len(m.Groups) != len(again.Groups) {
			t.Fatal("it is read in two ways")
		}
		var u *reading.Unreadable
		if err != nil && (!errors.As(err, &u) || len(u.Issues) == 0) {
			t.Fatalf("answered %v", err)
		}
		for _, g := range m.Groups {
			if len(g.Places) != len(g.Results) {
				t.Fatalf("%d places of %d results", len(g.Places), len(g.Results))
			}
			for _, i := range g.Issues {
				if i.Problem == "" || i.Code == "" || i.Location == "" {
					t.Fatalf("an issue without words: %+v", i)
				}
			}
		}
	})
}
