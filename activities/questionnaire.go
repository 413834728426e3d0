package activities

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// Answered is the body of the entry of a questionnaire that a candidate answered,
// in the words that they read: another protocol does not change what was asked.
type Answered struct {
	Questionnaire string             `json:"questionnaire"`
	Title         string             `json:"title"`
	Protocol      string             `json:"protocol"`
	Answers       []AnsweredQuestion `json:"answers"`
}

// AnsweredQuestion is one question with its answer.
type AnsweredQuestion struct {
	Section  string `json:"section"`
	Question string `json:"question"`
	Text     string `json:"text"`
	Answer   string `json:"answer"`
	// Words are the answer as it was chosen or written.
	Words string `json:"words"`
	// Code is the observation that the answer became a result of, if it did.
	Code         string `json:"code,omitempty"`
	Confidential bool   `json:"confidential,omitempty"`
}

// questionnaireLink gives a link to a questionnaire in place of any before it.
func (c *commit) questionnaireLink(body *command.GiveQuestionnaire) error {
	if _, known := c.protocol.Questionnaire(body.Questionnaire); !known {
		return &journey.Refusal{Code: journey.Invalid, Field: "questionnaire", Message: "questionnaire: there is no such questionnaire"}
	}
	taken, err := c.tx.QuestionnaireLinkTaken(body.Digest)
	if err != nil {
		return err
	}
	if taken {
		return &journey.Refusal{Code: journey.Conflict, Field: "digest", Message: "digest: a secret is used once; make another one"}
	}
	c.questionnaire = &record.QuestionnaireChange{
		Digest: body.Digest, Questionnaire: body.Questionnaire, ExpiresAt: body.Until.AddDays(1).Start(c.protocol.Zone()),
	}
	return nil
}

// errLinkOver refuses what is said by a link that is not open any more.
func errLinkOver(err error) error {
	if errors.Is(err, record.ErrNotFound) {
		return &journey.Refusal{Code: journey.NotAllowed, Message: "the link is not open"}
	}
	return err
}

// answers makes results of what a candidate answered, and keeps all of it with the
// words of the questions.
func (c *commit) answers(body *command.AnswerQuestionnaire) error {
	linked, err := c.tx.QuestionnaireLinked(body.Link)
	if err != nil {
		return errLinkOver(err)
	}
	if linked != body.Questionnaire {
		return &journey.Refusal{Code: journey.NotAllowed, Message: "the link is not open"}
	}
	// The candidate may have been moved to another protocol since it was sent.
	var faults command.Faults
	c.protocol.CheckAnswers(&faults, body, c.command.Today)
	if err := faults.Err(); err != nil {
		return &journey.Refusal{Code: journey.Invalid, Message: err.Error()}
	}
	q, _ := c.protocol.Questionnaire(body.Questionnaire)
	const told = 24 // digits of the digest that tell links apart and open none
	at := c.command.At.In(c.protocol.Zone()).Format(time.RFC3339)
	results := c.protocol.AnsweredResults(q, body.Answers, body.Link[:told], at)
	became := map[string]bool{}
	for _, r := range results {
		became[r.Code.Code] = true
	}
	if err := c.record(&command.RecordResults{Results: results}); err != nil {
		return err
	}
	given := map[string]string{}
	for _, a := range body.Answers {
		given[a.Question] = a.Answer
	}
	kept := Answered{Questionnaire: q.ID, Title: q.Title, Protocol: c.protocol.Version}
	for _, s := range q.Sections {
		for _, of := range s.Questions {
			answer, ok := given[of.ID]
			if !ok {
				continue
			}
			each := AnsweredQuestion{
				Section: s.Title, Question: of.ID, Text: of.Text, Answer: answer, Words: of.AnswerWords(answer),
				Confidential: c.protocol.ConfidentialQuestion(of),
			}
			if became[of.Code] {
				each.Code = of.Code
			}
			kept.Answers = append(kept.Answers, each)
		}
	}
	return c.keep(kept)
}

// StopWish is the body of the entry of a candidate's wish to stop.
type StopWish struct {
	Words string `json:"words,omitempty"`
}

func (c *commit) wishToStop(body *command.AskToStop) error {
	own, err := c.tx.OwnLinked(body.Link)
	if err != nil {
		return err
	}
	if !own {
		if _, err := c.tx.QuestionnaireLinked(body.Link); err != nil {
			return errLinkOver(err)
		}
	}
	return c.keep(StopWish{Words: body.Words})
}

// keep makes something the body of the entry.
func (c *commit) keep(body any) error {
	var err error
	if c.body, err = json.Marshal(body); err != nil {
		return fmt.Errorf("encode the entry: %w", err)
	}
	return nil
}
