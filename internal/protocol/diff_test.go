package protocol_test

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/google/jsonschema-go/jsonschema"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
)

// TestSchemaFitsTheDefault validates the default protocol with another reader
// and a validator, and refuses what an editor has to underline.
func TestSchemaFitsTheDefault(t *testing.T) {
	resolved, err := protocol.Schema().Resolve(nil)
	if err != nil {
		t.Fatal(err)
	}
	validate := func(source string) error {
		text, err := yaml.YAMLToJSON([]byte(source))
		if err != nil {
			t.Fatal(err)
		}
		var value any
		if err := json.Unmarshal(text, &value); err != nil {
			t.Fatal(err)
		}
		return resolved.Validate(value)
	}
	source := protocoltest.Brief().Source()
	if err := validate(source); err != nil {
		t.Fatal(err)
	}
	for from, to := range map[string]string{
		"gate: scheduling":                "gate: someday",
		"evidence: assignment":            "evidence: hearsay",
		"type: number":                    "type: numeral",
		"bsa-dubois-1916":                 "bsa-guess",
		"hold_days: 183":                  "hold_days: long",
		"no_waiver: true":                 "no_waivers: true",
		"    title: Body mass index\n":    "",
		`{band: excludes, when: ">= 35"}`: `{band: excludes}`,
	} {
		if !strings.Contains(source, from) {
			t.Fatalf("the default lacks %q", from)
		}
		if err := validate(strings.Replace(source, from, to, 1)); err == nil {
			t.Errorf("%q is accepted", to)
		}
	}
	data, err := json.Marshal(protocol.Schema())
	if err != nil {
		t.Fatal(err)
	}
	var again jsonschema.Schema
	if err := json.Unmarshal(data, &again); err != nil || again.Title == "" {
		t.Errorf("the schema is no JSON Schema: %v", err)
	}
}

func TestDiff(t *testing.T) {
	from := protocoltest.Brief()
	if got := protocol.Diff(from, protocoltest.Brief()); len(got) != 0 {
		t.Errorf("a protocol differs from itself: %+v", got)
	}
	to := changed(t, func(text string) string {
		return strings.NewReplacer(
			`version: "brief"`, `version: "2027.1"`, "hold_days: 183", "hold_days: 90", "plasma_clearance: slope-intercept", "plasma_clearance: two-compartment",
			`{band: excludes, when: ">= 35"}`, `{band: excludes, when: ">= 32"}`, "concentration_percent: 3\n    dose", "concentration_percent: 4\n    dose",
			"- {id: surgeon, title: Donor surgeon}", "- {id: second-surgeon, title: Donor surgeon}",
			"fasting_glucose >= 100", "fasting_glucose >= 110",
		).Replace(text)
	})
	want := []protocol.Change{
		{Part: "methods", Kind: protocol.Changed, Fields: []protocol.FieldChange{
			{Field: "plasma_clearance", From: "slope-intercept", To: "two-compartment"}, {Field: "plasma_uncertainty.concentration_percent", From: "3", To: "4"},
		}},
		{Part: "timers", Kind: protocol.Changed, Fields: []protocol.FieldChange{{Field: "hold_days", From: "183", To: "90"}}},
		{Part: "quorum", ID: "second-surgeon", Kind: protocol.Added},
		{Part: "quorum", ID: "surgeon", Kind: protocol.Removed},
		{Part: "requirements", ID: "glucose-tolerance", Kind: protocol.Changed, Fields: []protocol.FieldChange{{
			Field: "when",
			From:  "fasting_glucose >= 100 && fasting_glucose < 126 || glycated_haemoglobin >= 5.7 && glycated_haemoglobin < 6.5",
			To:    "fasting_glucose >= 110 && fasting_glucose < 126 || glycated_haemoglobin >= 5.7 && glycated_haemoglobin < 6.5",
		}}},
		{Part: "flags", ID: "bmi", Kind: protocol.Changed, Fields: []protocol.FieldChange{{
			Field: "bands",
			From:  "excludes when >= 35; needs-discussion when >= 30; needs-discussion when < 18.5",
			To:    "excludes when >= 32; needs-discussion when >= 30; needs-discussion when < 18.5",
		}}},
	}
	if got := protocol.Diff(from, to); !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v", got)
	}

	// A woman of 33 kg/m2 with a fasting glucose of 104 mg/dL and a normal HbA1c.
	c := newChart().size("170", "95.4").quantity("1558-6", "104", "mg/dL", day).quantity("4548-4", "5.2", "%", day)
	effect := protocol.EffectOn(from, to, c.person, c.results, today)
	if !slices.Equal(effect.Lost, []string{"glucose-tolerance"}) || len(effect.Gained) != 0 ||
		!slices.Equal(effect.Flags, []protocol.FlagChange{{ID: "bmi", From: journey.Discussion, To: journey.Excludes}}) || effect.None() {
		t.Errorf("got %+v", effect)
	}
	if back := protocol.EffectOn(to, from, c.person, c.results, today); !slices.Equal(back.Gained, []string{"glucose-tolerance"}) {
		t.Errorf("got %+v", back)
	}
	if same := protocol.EffectOn(from, protocoltest.Brief(), c.person, c.results, today); !same.None() {
		t.Errorf("got %+v", same)
	}
}
