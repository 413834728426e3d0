package command

import (
	"fmt"

	"candidacy/internal/journey"
)

// Condition is one condition of an approval: what is asked for, before which step
// and until when it is to be met, and which role signs that it is.
type Condition struct {
	Text   string       `json:"text"`
	Before journey.Gate `json:"before"`
	Due    journey.Date `json:"due"`
	Signer journey.Role `json:"signer"`
}

// What bounds the conditions of one approval.
const (
	mostConditions   = 12
	longestCondition = 500
)

func checkConditions(f *Faults, conditions []Condition) {
	if len(conditions) > mostConditions {
		f.Add("conditions", fmt.Sprintf("more than %d", mostConditions))
		return
	}
	for i, c := range conditions {
		at := fmt.Sprintf("conditions[%d].", i)
		f.text(at+"text", c.Text, true)
		if len(c.Text) > longestCondition {
			f.Add(at+"text", fmt.Sprintf("longer than %d bytes", longestCondition))
		}
		f.oneOf(at+"before", string(c.Before), true, journey.Words(journey.ImposedGates)...)
		f.date(at+"due", c.Due, true)
		f.oneOf(at+"signer", string(c.Signer), true, journey.Words(journey.ImposedSigners)...)
	}
}

// impositions are conditions without what they ask for.
func impositions(conditions []Condition) []journey.Imposition {
	var list []journey.Imposition
	for _, c := range conditions[:min(len(conditions), mostConditions)] {
		list = append(list, journey.Imposition{Gate: coded(c.Before), Due: codedDate(c.Due), Signer: coded(c.Signer)})
	}
	return list
}

// AskQuestion is the body of ask-question: something that the committee wants to
// know before it decides.
type AskQuestion struct {
	Question string `json:"question"`
}

// Check implements Body.
func (b *AskQuestion) Check(f *Faults) { f.text("question", b.Question, true) }

// Code implements Body.
func (b *AskQuestion) Code(*journey.Command) {}

// AnswerQuestion is the body of answer-question.
type AnswerQuestion struct {
	// Question is the number of the entry that asks.
	Question int64  `json:"question"`
	Answer   string `json:"answer"`
}

// Check implements Body.
func (b *AnswerQuestion) Check(f *Faults) {
	if b.Question < 1 {
		f.Add("question", "missing", "the number of the entry that asks")
	}
	f.text("answer", b.Answer, true)
}

// Code implements Body.
func (b *AnswerQuestion) Code(*journey.Command) {}

// RecordWords is the body of record-own-words: what the candidate wants the
// committee to hear, as they said it. Later words stand in the place of earlier
// ones.
type RecordWords struct {
	Words string `json:"words"`
	// Agreed says that the candidate agreed to these words being read by the
	// committee.
	Agreed bool `json:"agreed"`
}

// Check implements Body.
func (b *RecordWords) Check(f *Faults) {
	f.text("words", b.Words, true)
	if !b.Agreed {
		f.Add("agreed", "the candidate agrees to these words being read", "true")
	}
}

// Code implements Body.
func (b *RecordWords) Code(*journey.Command) {}
