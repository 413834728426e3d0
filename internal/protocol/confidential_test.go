package protocol_test

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

func TestConfidentialDefault(t *testing.T) {
	p := protocol.Default()
	want := strings.Fields(`apol1-two-variants audit-c-total exclusion-capacity exclusion-coercion exclusion-payment
		exclusion-psychiatric exclusion-substance flags-for-discussion
		followup-low-mood followup-pregnancy followup-regret gad-7-total genetic-panel-result history-pregnancy-planned
		history-psychiatric-treatment history-psychosis-bipolar history-substance-disorder history-suicide-attempt
		infection-risk-30-days phq-9-total told-payment told-pressure`)
	if got := p.ConfidentialCodes(); !slices.Equal(got, want) {
		t.Errorf("confidential are %v, want %v", got, want)
	}
	var flags, facts, requirements, conditions []string
	for _, f := range p.Flags {
		if p.ConfidentialFlag(f.ID) {
			flags = append(flags, f.ID)
		}
	}
	for _, f := range p.Facts {
		if p.ConfidentialFact(f.ID) {
			facts = append(facts, f.ID)
		}
	}
	for _, r := range p.Requirements {
		if p.ConfidentialRequirement(r.ID) {
			requirements = append(requirements, r.ID)
		}
		if p.ConfidentialCondition(r.ID) {
			conditions = append(conditions, r.ID)
		}
	}
	for _, tt := range []struct {
		of        string
		got, want []string
	}{
		{"flags", flags, strings.Fields(`excl-capacity excl-coercion excl-payment told-pressure told-payment excl-psychiatric substance pregnancy-planned psychiatric-history
			psychiatric-treatment substance-history mood-score alcohol-score genetic-panel apol1 infection-risk several-findings`)},
		{"facts", facts, strings.Fields(`suicide_attempt psychosis_or_bipolar psychiatric_treatment mood_score`)},
		{"requirements", requirements, strings.Fields(`health-questionnaire genetic-panel infection-risk-interview exclusions-psychosocial mood-screen alcohol-drugs`)},
		{"conditions", conditions, []string{"psychiatric-consult"}},
	} {
		if !slices.Equal(tt.got, tt.want) {
			t.Errorf("confidential %s are %v, want %v", tt.of, tt.got, tt.want)
		}
	}
	if !p.Confidential() || (&protocol.Protocol{}).Confidential() {
		t.Error("whether anything is confidential is wrong")
	}
}

// TestConfidentialWhen: a flag that is left out by a confidential fact tells of it.
func TestConfidentialWhen(t *testing.T) {
	p := parsed(t, strings.Replace(protocol.Default().Source(), "of: history-gout\n    coded: true", "of: history-gout\n    coded: true\n    when: mood_score < 10", 1))
	if !p.ConfidentialFlag("gout") || protocol.Default().ConfidentialFlag("gout") {
		t.Error("the flag on gout is confidential only where it asks for the mood")
	}
}

// TestConfidentialDerived marks what computed values are computed from.
func TestConfidentialDerived(t *testing.T) {
	for mark, want := range map[string]string{
		"29463-7": "29463-7 bmi clearance-difference creatinine-clearance gfr-plasma-clearance",
		"2160-0":  "2160-0 clearance-difference creatinine-clearance egfr-creatinine",
		"8480-6": "8480-6 85354-9 ambulatory-24h-diastolic ambulatory-24h-mean ambulatory-24h-systolic ambulatory-day-diastolic ambulatory-day-mean " +
			"ambulatory-day-systolic ambulatory-night-diastolic ambulatory-night-mean ambulatory-night-systolic ambulatory-reading " +
			"office-diastolic office-mean office-systolic",
	} {
		text := strings.Replace(protocol.Default().Source(), `{code: "`+mark+`",`, `{code: "`+mark+`", confidential: true,`, 1)
		p, err := protocol.Parse([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		before := protocol.Default().ConfidentialCodes()
		got := slices.DeleteFunc(p.ConfidentialCodes(), func(code string) bool { return slices.Contains(before, code) })
		if list := strings.Fields(want); !slices.Equal(got, slices.Sorted(slices.Values(list))) {
			t.Errorf("with %s in confidence: %v, want %v", mark, got, list)
		}
		changes := protocol.Diff(protocol.Default(), p)
		if len(changes) != 1 || changes[0].ID != mark || changes[0].Fields[0] != (protocol.FieldChange{Field: "confidential", From: "false", To: "true"}) {
			t.Errorf("the difference is %+v", changes)
		}
	}
}

// TestConfidentialInputs marks one kind of result after the other and looks at
// charts made by chance: nothing that names such a result among its inputs may
// pass for ordinary.
func TestConfidentialInputs(t *testing.T) {
	marked := 0
	for _, o := range parsed(t, frozen).Observations {
		p := parsed(t, strings.NewReplacer(
			`{code: "`+o.Code+`",`, `{code: "`+o.Code+`", confidential: true,`, `{code: `+o.Code+`,`, `{code: `+o.Code+`, confidential: true,`,
		).Replace(frozen))
		if !p.ConfidentialCode(o.Code) {
			t.Fatalf("%s was not marked", o.Code)
		}
		for i := range 40 {
			person, results := invented(rand.New(rand.NewPCG(9, uint64(i))), p)
			secret := map[string]bool{}
			for _, r := range results {
				secret[r.ID] = p.ConfidentialResult(r.Code, r.Components)
			}
			stands := func(inputs []protocol.Input) bool {
				return slices.ContainsFunc(inputs, func(in protocol.Input) bool { return secret[in.Result] })
			}
			report := p.Assess(person, results, today)
			for _, d := range report.Derived {
				if stands(d.Inputs) {
					marked++
					if !p.ConfidentialCode(d.Key) {
						t.Fatalf("with %s in confidence, %s tells of it", o.Code, d.Key)
					}
				}
			}
			for _, f := range report.Flags {
				if stands(f.Inputs) && !p.ConfidentialFlag(f.ID) {
					t.Fatalf("with %s in confidence, the flag %s tells of it", o.Code, f.ID)
				}
				if f.Derived != "" && p.ConfidentialCode(f.Derived) && !p.ConfidentialFlag(f.ID) {
					t.Fatalf("with %s in confidence, the flag %s tells of %s", o.Code, f.ID, f.Derived)
				}
			}
		}
	}
	if marked == 0 {
		t.Error("no computed value stood on what was marked")
	}
}

// TestPanelsOfWhatIsTold: a panel that has a confidential member is confidential
// itself, whatever its code.
func TestPanelsOfWhatIsTold(t *testing.T) {
	p := protocol.Default()
	id := func(v string) result.Identifier { return result.Identifier{System: "lab", Value: v} }
	list := []result.Result{
		{ID: "panel", Identifier: id("1"), Code: result.Coding{Code: "x"}, Members: []result.Identifier{id("2"), id("3")}},
		{ID: "open", Identifier: id("2"), Code: result.Coding{Code: "718-7"}},
		{ID: "told", Identifier: id("3"), Code: result.Coding{Code: "apol1-two-variants"}},
		{ID: "other", Identifier: id("4"), Code: result.Coding{Code: "y"}, Members: []result.Identifier{id("2")}},
	}
	if got := p.ConfidentialResults(list); len(got) != 2 || !got["panel"] || !got["told"] {
		t.Errorf("confidential are %v", got)
	}
	if got := p.ConfidentialResults(list[1:2]); len(got) != 0 {
		t.Errorf("confidential are %v", got)
	}
}

// TestVeryRestrictedResults: what its source wants kept very close is taken only where
// it is told in confidence, and then published nowhere.
func TestVeryRestrictedResults(t *testing.T) {
	p := protocol.Default()
	for code, want := range map[string]bool{"genetic-panel-result": true, "56888-1": false, "a-code-that-nobody-knows": false} {
		r := command.Result{
			Status: result.Final, Code: result.Coding{Code: code}, Coded: &result.Coding{Code: "260385009"}, Confidentiality: result.VeryRestricted,
			Identifier: result.Identifier{System: "urn:lab", Value: "1"},
		}
		var f command.Faults
		p.CheckResults(&f, []command.Result{r})
		if err := f.Err(); (err == nil) != want {
			t.Errorf("%s: %v", code, err)
		}
		recorded := r.Record("id", 1, p.Zone())
		if recorded.Confidentiality != result.VeryRestricted || !p.ConfidentialResults([]result.Result{recorded})["id"] {
			t.Errorf("%s may be published", code)
		}
	}
}
