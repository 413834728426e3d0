package protocol

import (
	"encoding/json"
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// TestLettersKeepReasonsOut fills each letter. The reason of a decision has no
// place in any, and a decline and a withdrawal take nothing but name and day.
func TestLettersKeepReasonsOut(t *testing.T) {
	p := Default()
	facts := LetterFacts{Name: "Ansel Quill", Date: "2 March 2026", Until: "2 September 2026", Side: "left", Conditions: []string{"Weigh less than 90 kg."}}
	for _, of := range LettersFor {
		letter, ok := p.Letter(of)
		if !ok {
			t.Errorf("there is no letter of %s", of)
			continue
		}
		text, err := letter.Fill(facts)
		if err != nil {
			t.Fatal(err)
		}
		told := of == LetterOfApproval || of == LetterOfDeferral
		if strings.Contains(text, facts.Until) != told || strings.Contains(text, "Weigh") != (of == LetterOfApproval) || !strings.Contains(text, "Ansel Quill") {
			t.Errorf("the letter of %s:\n%s", of, text)
		}
		if strings.Contains(text, "{{") || strings.Contains(text, "<no value>") || strings.Contains(text, "\n\n\n\n") {
			t.Errorf("the letter of %s has an open place:\n%s", of, text)
		}
		if index := ari(text); index > 8 {
			t.Errorf("the letter of %s has a readability index of %.1f", of, index)
		}
	}
}

// ari is the Automated Readability Index (Smith and Senter, AMRL-TR-66-220,
// 1967): 4.71 characters a word + 0.5 words a sentence - 21.43.
func ari(text string) float64 {
	var characters, words, sentences float64
	for _, word := range strings.Fields(text) {
		letters := strings.Trim(word, ".,:;-")
		if letters == "" {
			continue
		}
		words++
		characters += float64(len(letters))
		if strings.HasSuffix(word, ".") || strings.HasSuffix(word, ":") {
			sentences++
		}
	}
	return 4.71*characters/words + 0.5*words/max(sentences, 1) - 21.43
}

func TestReadabilityIndex(t *testing.T) {
	// By hand: 24 characters in 6 words and 1 sentence.
	if got := ari("The doctor sees you next week."); got < 0.40 || got > 0.42 {
		t.Errorf("index %f, want 0.41", got)
	}
}

func TestMajorities(t *testing.T) {
	for _, tt := range []struct {
		m         Majority
		votes, of int
		want      bool
	}{
		{MoreThanHalf, 2, 3, true}, {MoreThanHalf, 2, 4, false}, {MoreThanHalf, 0, 0, false}, {TwoThirds, 2, 3, true}, {TwoThirds, 3, 5, false},
		{TwoThirds, 0, 0, false}, {Unanimous, 3, 3, true}, {Unanimous, 2, 3, false}, {Unanimous, 0, 0, false},
	} {
		if got := tt.m.Reached(tt.votes, tt.of); got != tt.want {
			t.Errorf("%s with %d of %d: %v", tt.m, tt.votes, tt.of, got)
		}
	}
}

func TestCommitteeIsChecked(t *testing.T) {
	for _, tt := range []struct{ from, to, fault string }{
		{"members: [committee, clinician]", "members: [committee, advocate]", "committee.members"},
		{"members: [committee, clinician]", "members: []", "committee.members"},
		{"  quorum: 3\n  majority", "  quorum: 0\n  majority", "committee.quorum"},
		{"majority: more-than-half", "majority: most", "committee.majority"},
		{"  two_people: false\n  source: common practice", "  two_people: false", "committee.source"},
		{"We thank you for your time and for your care.", "{{.Until}}", "letters.decline.text"},
		{"We thank you for your time and for your care.", "{{.Reason}}", "letters.decline.text"},
		{"We thank you for your time and for your care.", "{{if .Name}}", "letters.decline.text"},
		{"for: withdrawal", "for: decline", "letters.withdrawal.for"},
		{"  - id: abo-first\n", "  - id: condition-1\n", "requirements.condition-1"},
	} {
		source := Default().Source()
		if !strings.Contains(source, tt.from) {
			t.Fatalf("the protocol has no %q", tt.from)
		}
		_, err := Parse([]byte(strings.Replace(source, tt.from, tt.to, 1)))
		if err == nil || !strings.Contains(err.Error(), tt.fault) {
			t.Errorf("%q in place of %q: %v", tt.to, tt.from, err)
		}
	}
}

func TestDiffOfCommittee(t *testing.T) {
	a := Default()
	b, err := Parse([]byte(strings.NewReplacer("majority: more-than-half", "majority: unanimous", "You have stopped", "You stopped").Replace(a.Source())))
	if err != nil {
		t.Fatal(err)
	}
	changes := Diff(a, b)
	if len(changes) != 2 || changes[0].Part != "committee" || changes[0].Fields[0] != (FieldChange{"majority", "more-than-half", "unanimous"}) || changes[1].Part != "letters" {
		t.Errorf("%+v", changes)
	}
}

// TestWithConditions adds requirements to a copy, and to no other candidate's.
func TestWithConditions(t *testing.T) {
	p := Default()
	n := len(p.Requirements)
	imposed := []journey.Imposed{{RequirementRule: journey.RequirementRule{ID: "condition-1", Gate: journey.ForOperation, Evidence: journey.ByReview, Signer: journey.Clinician, SecondSignature: true}}}
	q := p.WithConditions(imposed, map[string]string{"condition-1": "Weigh less than 90 kg"})
	if r, ok := q.Find("condition-1"); !ok || r.Title != "Weigh less than 90 kg" || r.Gate != journey.ForOperation {
		t.Errorf("%+v", r)
	}
	if rule, ok := q.Rules().Requirement("condition-1"); !ok || !rule.SecondSignature {
		t.Errorf("%+v", rule)
	}
	r, _ := p.WithConditions(imposed, nil).Find("condition-1")
	if _, ok := p.Find("condition-1"); ok || len(p.Requirements) != n || r.Title != "Condition 1 of the approval" {
		t.Errorf("the protocol itself was changed, or the title is %q", r.Title)
	}
}

// TestDisagreements: results of one kind on both sides of a threshold disagree;
// those that have expired, in a unit that the rule does not know, and on one side don't.
func TestDisagreements(t *testing.T) {
	p := Default()
	glucose := func(value, unit, on string) result.Result {
		return result.Result{
			ID: on, Status: result.Final, Code: result.Coding{Code: "1558-6"}, CollectedOn: on,
			Value: result.Value{Quantity: &result.Quantity{Value: json.Number(value), Unit: unit}},
		}
	}
	// From 126 mg/dL on (American Diabetes Association, classification tables).
	high, normal := glucose("130", "mg/dL", "2026-02-01"), glucose("92", "mg/dL", "2026-03-01")
	for name, tt := range map[string]struct {
		results []result.Result
		want    int
	}{
		"on both sides":    {[]result.Result{high, normal}, 2},
		"on one side":      {[]result.Result{normal, glucose("90", "mg/dL", "2026-02-01")}, 0},
		"long ago":         {[]result.Result{glucose("130", "mg/dL", "2020-02-01"), normal}, 0},
		"in another unit":  {[]result.Result{glucose("7.2", "mmol/L", "2026-02-01"), normal}, 0},
		"entered in error": {[]result.Result{{ID: "x", Status: result.EnteredInError, Code: high.Code, CollectedOn: high.CollectedOn, Value: high.Value}, normal}, 0},
	} {
		n := 0
		for _, d := range p.Disagreements(tt.results, "2026-03-02") {
			if d.Code == "1558-6" {
				n = len(d.Results)
			}
		}
		if n != tt.want {
			t.Errorf("%s: %d results disagree, want %d", name, n, tt.want)
		}
	}
}
