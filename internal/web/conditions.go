package web

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/record"
)

// mostConditionFields is how many conditions a form asks for; the interface takes
// more.
const mostConditionFields = 4

var beforeWords = map[journey.Gate]string{
	journey.ForScheduling: "Before a day for the operation is set", journey.ForOperation: "Before the operation",
}

// conditionFields ask for the conditions of an approval.
func conditionFields() []field {
	var list []field
	before, signer := []option{{"", "Choose"}}, []option{{"", "Choose"}}
	for _, gate := range journey.ImposedGates {
		before = append(before, option{string(gate), beforeWords[gate]})
	}
	for _, role := range journey.ImposedSigners {
		signer = append(signer, option{string(role), capital(roleWord(role))})
	}
	for n := range mostConditionFields {
		name, number := conditionName(n), strconv.Itoa(n+1)
		hint := ""
		if n == 0 {
			hint = "Only with an approval. Each becomes a requirement of the candidate and stops what it comes before until it is met, or two people waive it."
		}
		list = append(list,
			field{Name: name + "text", Label: "Condition " + number, Type: "textarea", Optional: true, Hint: hint},
			field{Name: name + "before", Label: "Condition " + number + ": met before", Type: "select", Optional: true, Options: before},
			field{Name: name + "due", Label: "Condition " + number + ": due", Type: "date", Optional: true},
			field{Name: name + "signer", Label: "Condition " + number + ": signed by", Type: "select", Optional: true, Options: signer},
		)
	}
	return list
}

func conditionName(n int) string { return fmt.Sprintf("condition-%d-", n) }

// conditionsIn reads the conditions of a form. One that is left empty is none.
func conditionsIn(v url.Values) []command.Condition {
	var list []command.Condition
	for n := range mostConditionFields {
		at := conditionName(n)
		c := command.Condition{
			Text: strings.TrimSpace(v.Get(at + "text")), Before: journey.Gate(v.Get(at + "before")),
			Due: journey.Date(v.Get(at + "due")), Signer: journey.Role(v.Get(at + "signer")),
		}
		if c != (command.Condition{}) {
			list = append(list, c)
		}
	}
	return list
}

// conditionField is the field of the form that a fault of a decision is about.
func conditionField(path string) string {
	n := indexIn(path, "conditions")
	_, member, found := cutLast(path, ".")
	if n < 0 || !found {
		return path
	}
	return conditionName(n) + member
}

// conditionText is a condition in one sentence.
func conditionText(c command.Condition) string {
	return fmt.Sprintf("%s (%s, by %s, signed by the %s)", strings.TrimSuffix(c.Text, "."), lower(known(beforeWords, c.Before)), dayWord(c.Due), roleWord(c.Signer))
}

var choiceWords = map[meeting.Choice]string{
	meeting.Approve: "Approve", meeting.WithConditions: "Approve with conditions", meeting.Defer: "Defer", meeting.Decline: "Decline",
}

// votesWord says what the votes came to, without names.
func votesWord(v *activities.Votes) string {
	if v == nil {
		return ""
	}
	var parts []string
	for _, choice := range meeting.Choices {
		n := 0
		for _, vote := range v.Votes {
			if vote.Choice == choice {
				n++
			}
		}
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, lower(choiceWords[choice])))
		}
	}
	if n := len(v.Conflict); n > 0 {
		parts = append(parts, plural(n, "person")+" with a conflict of interest")
	}
	return strings.Join(parts, ", ")
}

var askAction = action{
	Title: "Ask a question for the committee", Button: "Ask", Done: "The question is recorded.",
	Hint:   "Read by the care team. It stands in the candidate's summary until somebody answers it.",
	Fields: fixed(field{Name: "question", Label: "Question", Type: "textarea"}),
	Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
		return &command.AskQuestion{Question: v.Get("question")}, nil
	},
}

var answerAction = action{
	Title: "Answer a question", Button: "Answer", Done: "The answer is recorded.", Hint: "Read by the care team.",
	Fields: func(s scene) []field {
		f := field{Name: "question", Label: "Question", Type: "select"}
		for _, q := range questionsOf(s.entries) {
			if len(q.Answers) == 0 {
				f.Options = append(f.Options, option{strconv.FormatInt(q.Seq, 10), q.Text})
			}
		}
		return []field{f, {Name: "answer", Label: "Answer", Type: "textarea"}}
	},
	Empty: func(s scene) string {
		if slices.ContainsFunc(questionsOf(s.entries), func(q question) bool { return len(q.Answers) == 0 }) {
			return ""
		}
		return "No question is open."
	},
	Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
		n, err := strconv.ParseInt(v.Get("question"), 10, 64)
		if err != nil {
			return nil, []problem{{Text: "Choose the question.", Field: "question"}}
		}
		return &command.AnswerQuestion{Question: n, Answer: v.Get("answer")}, nil
	},
}

var wordsAction = action{
	Title: "Record the candidate's own words", Button: "Record the words", Done: "The candidate's words are recorded.",
	Hint: "What the candidate wants the committee to hear, as they said it. Read by clinicians, the advocate, the committee and whoever recorded it, and published nowhere. Later words stand in place of earlier ones.",
	Fields: fixed(
		field{Name: "words", Label: "In their own words", Type: "textarea"},
		field{Name: "agreed", Label: "The candidate agrees to the committee reading this", Type: "checkbox"},
	),
	Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
		return &command.RecordWords{Words: v.Get("words"), Agreed: v.Has("agreed")}, nil
	},
}

// question is something that the committee wants to know, with its answers.
type question struct {
	Seq     int64
	By      string
	Text    string
	When    string
	Answers []answerModel
}

type answerModel struct{ By, Text, When string }

// questionsOf are the questions on record, the oldest first.
func questionsOf(entries []record.Entry) []question {
	var list []question
	for _, e := range entries {
		switch e.Kind {
		case journey.AskQuestion:
			var body command.AskQuestion
			read(e, &body)
			list = append(list, question{Seq: e.Seq, By: e.Actor, Text: body.Question, When: e.OccurredAt.Format("2006-01-02")})
		case journey.AnswerQuestion:
			var body command.AnswerQuestion
			read(e, &body)
			for i := range list {
				if list[i].Seq == body.Question {
					list[i].Answers = append(list[i].Answers, answerModel{e.Actor, body.Answer, e.OccurredAt.Format("2006-01-02")})
				}
			}
		}
	}
	return list
}

// ownWords are the candidate's own words as they stand.
func ownWords(entries []record.Entry) (record.Entry, command.RecordWords) {
	var last record.Entry
	var body command.RecordWords
	for _, e := range entries {
		if e.Kind == journey.RecordWords {
			last, body = e, command.RecordWords{}
			read(e, &body)
		}
	}
	return last, body
}

// committeeWords adds what the committee was told and asked to an entry.
func committeeWords(e record.Entry, words func(label, member, text string)) {
	switch e.Kind {
	case journey.AskQuestion:
		var body command.AskQuestion
		read(e, &body)
		words("Question", "question", body.Question)
	case journey.AnswerQuestion:
		var body command.AnswerQuestion
		read(e, &body)
		words("To the question in entry", "question", strconv.FormatInt(body.Question, 10))
		words("Answer", "answer", body.Answer)
	default:
		var body command.RecordWords
		read(e, &body)
		words("In their own words", "words", body.Words)
	}
}
