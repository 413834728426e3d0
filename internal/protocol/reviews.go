package protocol

import (
	"fmt"
	"slices"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

// ReviewForm is what a review says beside its position and its text, finding by
// finding.
type ReviewForm struct {
	// Requirement is the review.
	Requirement string          `yaml:"requirement"`
	Findings    []ReviewFinding `yaml:"findings"`
	Source      string          `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// ReviewFinding is one question of a review. Without choices it is answered in words.
type ReviewFinding struct {
	Code     string   `yaml:"code"`
	Title    string   `yaml:"title"`
	Choices  []Choice `yaml:"choices" doc:"the answers; without any, it is answered in words"`
	Required bool     `yaml:"required" doc:"a review with structured findings has to answer it"`
	// Confidential findings are read by clinicians, the advocate and the committee.
	// None is published, confidential or not.
	Confidential bool `yaml:"confidential" doc:"only clinicians, the advocate, the committee and whoever recorded it read it"`
}

// ReviewForm returns the form of a review, if it has one.
func (p *Protocol) ReviewForm(requirement string) (ReviewForm, bool) {
	i := slices.IndexFunc(p.Reviews, func(f ReviewForm) bool { return f.Requirement == requirement })
	if i < 0 {
		return ReviewForm{}, false
	}
	return p.Reviews[i], true
}

// Finding returns a question of the form by its code.
func (f ReviewForm) Finding(code string) (ReviewFinding, bool) {
	i := slices.IndexFunc(f.Findings, func(q ReviewFinding) bool { return q.Code == code })
	if i < 0 {
		return ReviewFinding{}, false
	}
	return f.Findings[i], true
}

// Confidential reports whether the form has a finding that is told in confidence.
func (f ReviewForm) Confidential() bool {
	return slices.ContainsFunc(f.Findings, func(q ReviewFinding) bool { return q.Confidential })
}

// Word is what an answer says, in the words of the protocol.
func (q ReviewFinding) Word(a command.ReviewAnswer) string {
	if a.Choice == "" {
		return a.Text
	}
	for _, c := range q.Choices {
		if c.Code == a.Choice {
			return c.Title
		}
	}
	return a.Choice
}

// CheckReview returns what is wrong with the structured findings of a review, as a
// *command.Invalid: a requirement or a finding without a question in the protocol, an
// answer that is none of its choices, and a required finding that is missing. A review
// without any is accepted as before there were forms.
func (p *Protocol) CheckReview(body *command.RecordReview) error {
	var faults command.Faults
	answered := map[string][]string{}
	for i, a := range body.Structured {
		at := fmt.Sprintf("structured[%d]", i)
		form, ok := p.ReviewForm(a.Requirement)
		if !ok {
			faults.Add(at+".requirement", "the protocol asks for no structured findings of it")
			continue
		}
		q, ok := form.Finding(a.Code)
		if !ok {
			faults.Add(at+".code", "the protocol has no such finding of this review")
			continue
		}
		answered[a.Requirement] = append(answered[a.Requirement], a.Code)
		switch known := slices.ContainsFunc(q.Choices, func(c Choice) bool { return c.Code == a.Choice }); {
		case len(q.Choices) == 0 && a.Choice != "":
			faults.Add(at+".choice", "this finding is answered in words", "text")
		case len(q.Choices) > 0 && !known:
			var codes []string
			for _, c := range q.Choices {
				codes = append(codes, c.Code)
			}
			faults.Add(at+".choice", "not one of the answers", codes...)
		}
	}
	for _, form := range p.Reviews {
		codes, ok := answered[form.Requirement]
		if !ok {
			continue
		}
		for _, q := range form.Findings {
			if q.Required && !slices.Contains(codes, q.Code) {
				faults.Add("structured."+form.Requirement+"."+q.Code, "missing")
			}
		}
	}
	return faults.Err()
}

func (p *Protocol) checkReviews(fail func(string, ...any)) {
	seen := map[string]bool{}
	for _, form := range p.Reviews {
		at := "reviews." + form.Requirement
		r, ok := p.Find(form.Requirement)
		if !ok || r.Evidence != journey.ByReview || seen[form.Requirement] {
			fail("%s: not a requirement that is met by a review, or given twice", at)
		}
		seen[form.Requirement] = true
		if len(form.Findings) == 0 || form.Source == "" {
			fail("%s: findings and a source are needed", at)
		}
		codes := map[string]bool{}
		for _, q := range form.Findings {
			if !identifier.MatchString(q.Code) || codes[q.Code] || q.Title == "" {
				fail("%s.%s: a code of a-z, 0-9 and hyphens of its own and a title are needed", at, q.Code)
			}
			codes[q.Code] = true
			if len(q.Choices) == 1 {
				fail("%s.%s.choices: one answer is no choice", at, q.Code)
			}
			choices := map[string]bool{}
			for _, c := range q.Choices {
				if !identifier.MatchString(c.Code) || choices[c.Code] || c.Title == "" {
					fail("%s.%s.choices.%s: a code of its own and a title are needed", at, q.Code, c.Code)
				}
				choices[c.Code] = true
			}
		}
	}
}
