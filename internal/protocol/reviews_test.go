package protocol_test

import (
	"errors"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/protocol"
)

// TestReviewForms holds the forms of the default protocol to what they are for, and
// refuses those that make no sense.
func TestReviewForms(t *testing.T) {
	p := protocol.Default()
	for _, id := range []string{"nephrology-review", "surgery-review", "vascular-anatomy-review", "side-proposal", "psychosocial-evaluation", "recovery-plan", "immunisation-review"} {
		form, ok := p.ReviewForm(id)
		if !ok || len(form.Findings) == 0 {
			t.Errorf("%s has no form", id)
		}
		if r, _ := p.Find(id); r.Domain == "psychosocial" {
			for _, q := range form.Findings {
				if !q.Confidential {
					t.Errorf("%s: %s is not confidential", id, q.Code)
				}
			}
		}
	}
	for name, replace := range map[string][2]string{
		"a requirement met by results": {"  - requirement: nephrology-review", "  - requirement: gfr-measured"},
		"a form twice":                 {"  - requirement: nephrology-review", "  - requirement: surgery-review"},
		"one answer":                   {"choices: [{code: none, title: None}, {code: present, title: Present}]", "choices: [{code: none, title: None}]"},
		"a code twice":                 {"{code: difficulty, title: Expected", "{code: approach, title: Expected"},
		"an answer twice":              {"{code: partly, title: In part}", "{code: secured, title: In part}"},
		"a code with a space":          {"{code: carer,", "{code: the carer,"},
	} {
		text := strings.Replace(p.Source(), replace[0], replace[1], 1)
		if text == p.Source() {
			t.Fatalf("%s: nothing to replace", name)
		}
		if _, err := protocol.Parse([]byte(text)); err == nil || !strings.Contains(err.Error(), "reviews.") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestCheckReview(t *testing.T) {
	p := protocol.Default()
	full := []command.ReviewAnswer{
		{Requirement: "side-proposal", Code: "proposed-side", Choice: "left"}, {Requirement: "side-proposal", Code: "side-reason", Text: "Longer vein."},
	}
	check := func(answers ...command.ReviewAnswer) string {
		err := p.CheckReview(&command.RecordReview{Requirement: "side-proposal", Structured: answers})
		var invalid *command.Invalid
		if err == nil {
			return ""
		}
		if !errors.As(err, &invalid) {
			t.Fatal(err)
		}
		return invalid.Faults[0].Field
	}
	for _, tt := range []struct {
		name, field string
		answers     []command.ReviewAnswer
	}{
		{"all", "", full}, {"none, as before", "", nil}, {"without a required one", "structured.side-proposal.side-reason", full[:1]},
		{"no such answer", "structured[0].choice", []command.ReviewAnswer{{Requirement: "side-proposal", Code: "proposed-side", Choice: "middle"}, full[1]}},
		{"words for a choice", "structured[0].choice", []command.ReviewAnswer{{Requirement: "side-proposal", Code: "proposed-side", Text: "left"}, full[1]}},
		{"a choice for words", "structured[1].choice", []command.ReviewAnswer{full[0], {Requirement: "side-proposal", Code: "side-reason", Choice: "left"}}},
		{"no such finding", "structured[2].code", append(full[:2:2], command.ReviewAnswer{Requirement: "side-proposal", Code: "colour", Text: "red"})},
		{"no form", "structured[0].requirement", []command.ReviewAnswer{{Requirement: "medical-history", Code: "x", Text: "y"}}},
	} {
		if got := check(tt.answers...); got != tt.field {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.field)
		}
	}
}
