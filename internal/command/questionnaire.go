package command

import (
	"fmt"

	"candidacy/internal/journey"
)

// GiveQuestionnaire is the body of give-questionnaire: a link by which the
// candidate answers a questionnaire once.
type GiveQuestionnaire struct {
	// Questionnaire is one of the protocol's, and Digest the hexadecimal SHA-256 of
	// the link's secret, which stays with whoever made it.
	Questionnaire string `json:"questionnaire"`
	Digest        string `json:"digest"`
	// Until is the last day on which the link opens it.
	Until journey.Date `json:"until"`
}

// Check implements Body.
func (b *GiveQuestionnaire) Check(f *Faults) {
	f.id("questionnaire", b.Questionnaire)
	if !digestShape.MatchString(b.Digest) {
		f.Add("digest", "not a digest", "the SHA-256 of the secret in 64 hexadecimal digits")
	}
	f.date("until", b.Until, true)
}

// Code implements Body.
func (b *GiveQuestionnaire) Code(c *journey.Command) { c.On = codedDate(b.Until) }

// AnswerQuestionnaire is the body of answer-questionnaire, which a candidate gives
// by themselves.
type AnswerQuestionnaire struct {
	Questionnaire string `json:"questionnaire"`
	// Link is the digest of the link that is used up by it.
	Link    string   `json:"link"`
	Answers []Answer `json:"answers"`
}

// Answer is the answer to one question: yes, no or unknown, the code of a choice,
// a number in the question's unit, a day, or words.
type Answer struct {
	Question string `json:"question"`
	Answer   string `json:"answer"`
}

// mostAnswers bounds one questionnaire.
const mostAnswers = 200

// Check implements Body.
func (b *AnswerQuestionnaire) Check(f *Faults) {
	f.id("questionnaire", b.Questionnaire)
	if !digestShape.MatchString(b.Link) {
		f.Add("link", "not a digest", "the SHA-256 of the secret in 64 hexadecimal digits")
	}
	switch {
	case len(b.Answers) == 0:
		f.Add("answers", "missing")
	case len(b.Answers) > mostAnswers:
		f.Add("answers", fmt.Sprintf("more than %d", mostAnswers))
		return
	}
	seen := map[string]bool{}
	for i, a := range b.Answers {
		at := fmt.Sprintf("answers[%d]", i)
		f.id(at+".question", a.Question)
		f.text(at+".answer", a.Answer, true)
		if seen[a.Question] {
			f.Add(at+".question", "answered twice")
		}
		seen[a.Question] = true
	}
}

// Code implements Body. What was answered is for the assessment.
func (b *AnswerQuestionnaire) Code(*journey.Command) {}

// AskToStop is the body of ask-to-stop: the candidate tells the team, in private,
// that they want to stop.
type AskToStop struct {
	// Link is the digest of the link by which it was said.
	Link string `json:"link"`
	// Words are the candidate's own, if they wrote any.
	Words string `json:"words,omitempty"`
}

// longestWords bounds what somebody writes with their wish to stop, in bytes.
const longestWords = 4000

// Check implements Body.
func (b *AskToStop) Check(f *Faults) {
	if !digestShape.MatchString(b.Link) {
		f.Add("link", "not a digest", "the SHA-256 of the secret in 64 hexadecimal digits")
	}
	f.text("words", b.Words, false)
	if len(b.Words) > longestWords {
		f.Add("words", fmt.Sprintf("longer than %d bytes", longestWords))
	}
}

// Code implements Body.
func (b *AskToStop) Code(*journey.Command) {}
