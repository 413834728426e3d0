package protocol

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// Questionnaire is what a candidate is asked, and answers by themselves. Whoever
// was given a link to it answers it as the protocol had it when it is sent.
type Questionnaire struct {
	ID       string    `yaml:"id"`
	Title    string    `yaml:"title" doc:"in plain words, as the candidate reads it"`
	Intro    string    `yaml:"intro" doc:"what it is for and who reads it, in plain words"`
	Sections []Section `yaml:"sections"`
	Source   string    `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// Section is one page of a questionnaire.
type Section struct {
	ID        string     `yaml:"id"`
	Title     string     `yaml:"title"`
	Intro     string     `yaml:"intro" doc:"one or two plain sentences before the questions"`
	Questions []Question `yaml:"questions"`
}

// Question is one question in plain words.
type Question struct {
	ID   string       `yaml:"id"`
	Text string       `yaml:"text" doc:"in short plain sentences for a reading age of about 12"`
	Help string       `yaml:"help" doc:"what is meant, in plain words"`
	Type QuestionType `yaml:"type"`
	// Code is the observation that an answer becomes a result of. Answers without
	// one stay in the record as they were given.
	Code string `yaml:"code" doc:"the observation that an answer becomes a result of; nothing: it is kept as it was given"`
	// Unit is that of a quantity, Low and High bound what is plausible of a number
	// that has no observation.
	Unit string  `yaml:"unit" doc:"UCUM unit of a quantity"`
	Low  float64 `yaml:"low"`
	High float64 `yaml:"high"`
	// Choices are the answers of a choice. With a code they are answers of the
	// observation, said in plain words.
	Choices  []Choice `yaml:"choices"`
	Required bool     `yaml:"required" doc:"it is sent only with an answer; of boolean and choice, not to know is one"`
	// Confidential marks an answer that becomes no result. Of others the
	// observation says whether it is told in confidence.
	Confidential bool        `yaml:"confidential" doc:"told in confidence; of a question with a code the observation says so"`
	EnableWhen   *EnableWhen `yaml:"enable_when" doc:"it is asked only after one of these answers to an earlier question"`
}

// EnableWhen names the answers to an earlier question that open another.
type EnableWhen struct {
	Question string   `yaml:"question"`
	Is       []string `yaml:"is" doc:"yes or no, or codes of choices; one of them is enough"`
}

// QuestionType is what kind of answer a question takes.
type QuestionType string

// The types, named as those of a FHIR Questionnaire item are.
const (
	AskBoolean  QuestionType = "boolean"
	AskChoice   QuestionType = "choice"
	AskDate     QuestionType = "date"
	AskInteger  QuestionType = "integer"
	AskQuantity QuestionType = "quantity"
	AskText     QuestionType = "text"
)

// QuestionTypes lists them.
var QuestionTypes = []QuestionType{AskBoolean, AskChoice, AskDate, AskInteger, AskQuantity, AskText}

// The answers to a question of yes and no, and that somebody does not know, which
// leaves the fact unknown.
const (
	AnswerYes     = "yes"
	AnswerNo      = "no"
	AnswerUnknown = "unknown"
)

// LongestAnswer bounds an answer in free text, in characters.
const LongestAnswer = 2000

// Questionnaire returns a questionnaire by its id.
func (p *Protocol) Questionnaire(id string) (Questionnaire, bool) {
	i := slices.IndexFunc(p.Questionnaires, func(q Questionnaire) bool { return q.ID == id })
	if i < 0 {
		return Questionnaire{}, false
	}
	return p.Questionnaires[i], true
}

// Questions lists all of them in the order in which they are asked.
func (q Questionnaire) Questions() []Question {
	var list []Question
	for _, s := range q.Sections {
		list = append(list, s.Questions...)
	}
	return list
}

// Question returns a question by its id.
func (q Questionnaire) Question(id string) (Question, bool) {
	for _, s := range q.Sections {
		if i := slices.IndexFunc(s.Questions, func(each Question) bool { return each.ID == id }); i >= 0 {
			return s.Questions[i], true
		}
	}
	return Question{}, false
}

// Asked reports whether a question is asked after what was answered so far, by
// the ids of the questions. An answer that nobody asked for counts for nothing.
func (q Questionnaire) Asked(of Question, answers map[string]string) bool {
	for of.EnableWhen != nil {
		if !slices.Contains(of.EnableWhen.Is, answers[of.EnableWhen.Question]) {
			return false
		}
		earlier, known := q.Question(of.EnableWhen.Question)
		if !known {
			return false
		}
		of = earlier
	}
	return true
}

// ConfidentialQuestion reports whether an answer is told in confidence.
func (p *Protocol) ConfidentialQuestion(q Question) bool {
	return q.Confidential || q.Code != "" && p.ConfidentialCode(q.Code)
}

// AnswerFault is what is wrong with an answer.
type AnswerFault string

// The faults of an answer.
const (
	FaultMissing     AnswerFault = "missing"
	FaultChoice      AnswerFault = "not one of the answers"
	FaultNumber      AnswerFault = "not a number"
	FaultWhole       AnswerFault = "not a whole number"
	FaultImplausible AnswerFault = "not plausible"
	FaultDate        AnswerFault = "not a calendar date"
	FaultFuture      AnswerFault = "in the future"
	FaultLong        AnswerFault = "too long"
	FaultControl     AnswerFault = "holds a control character"
)

var (
	wholeAnswer   = regexp.MustCompile(`^(0|[1-9][0-9]{0,8})$`)
	decimalAnswer = regexp.MustCompile(`^(0|[1-9][0-9]{0,8})(\.[0-9]{1,6})?$`)
)

// CheckAnswer tells what is wrong with an answer by itself, empty for nothing. An
// empty answer is wrong only of a question that has to be answered.
func (p *Protocol) CheckAnswer(q Question, answer string, today journey.Date) AnswerFault {
	if strings.TrimSpace(answer) == "" {
		if q.Required {
			return FaultMissing
		}
		return ""
	}
	switch q.Type {
	case AskBoolean:
		if answer != AnswerYes && answer != AnswerNo && answer != AnswerUnknown {
			return FaultChoice
		}
	case AskChoice:
		if answer != AnswerUnknown && !slices.ContainsFunc(q.Choices, func(c Choice) bool { return c.Code == answer }) {
			return FaultChoice
		}
	case AskDate:
		day, err := journey.ParseDate(answer)
		const earliest = "1900-01-01"
		if err != nil || day.Before(earliest) {
			return FaultDate
		}
		if today.Before(day) {
			return FaultFuture
		}
	case AskInteger, AskQuantity:
		return p.checkNumber(q, answer)
	case AskText:
		if utf8.RuneCountInString(answer) > LongestAnswer {
			return FaultLong
		}
		if strings.ContainsFunc(answer, func(r rune) bool { return r < ' ' && r != '\n' && r != '\r' && r != '\t' || r == 0x7f }) {
			return FaultControl
		}
	}
	return ""
}

func (p *Protocol) checkNumber(q Question, answer string) AnswerFault {
	if q.Type == AskInteger && !wholeAnswer.MatchString(answer) {
		return FaultWhole
	}
	if !decimalAnswer.MatchString(answer) {
		return FaultNumber
	}
	number, err := strconv.ParseFloat(answer, 64)
	if err != nil {
		return FaultNumber
	}
	low, high := p.Bounds(q)
	if number < low || number > high {
		return FaultImplausible
	}
	return ""
}

// Bounds are what is plausible of a number, in the question's unit.
func (p *Protocol) Bounds(q Question) (low, high float64) {
	if o, known := p.Observation(q.Code); known && q.Code != "" {
		if low, high, ok := o.plausible(q.unit()); ok {
			return low, high
		}
	}
	return q.Low, q.High
}

// unit is the UCUM unit of a number: 1 of a count.
func (q Question) unit() string {
	if q.Unit == "" {
		return "1"
	}
	return q.Unit
}

// CheckAnswers checks what is sent: every answer belongs to a question that was
// asked, and every question that has to be answered is.
func (p *Protocol) CheckAnswers(f *command.Faults, body *command.AnswerQuestionnaire, today journey.Date) {
	q, known := p.Questionnaire(body.Questionnaire)
	if !known {
		accepted := make([]string, len(p.Questionnaires))
		for i, each := range p.Questionnaires {
			accepted[i] = each.ID
		}
		f.Add("questionnaire", "there is no such questionnaire", accepted...)
		return
	}
	given := map[string]string{}
	at := map[string]string{}
	for i, a := range body.Answers {
		given[a.Question] = a.Answer
		at[a.Question] = fmt.Sprintf("answers[%d]", i)
		if _, ok := q.Question(a.Question); !ok {
			f.Add(at[a.Question]+".question", "there is no such question")
		}
	}
	for _, each := range q.Questions() {
		answer, ok := given[each.ID]
		asked := q.Asked(each, given)
		switch {
		case ok && !asked:
			f.Add(at[each.ID]+".question", each.ID+" is not asked after these answers")
		case asked:
			if fault := p.CheckAnswer(each, answer, today); fault != "" {
				field := "answers"
				if ok {
					field = at[each.ID] + ".answer"
				}
				f.Add(field, each.ID+": "+string(fault))
			}
		}
	}
}

// AnsweredResults are the results that answers become, as the candidate reported
// them at a time (RFC 3339). The reference tells one round of answers from others.
// What somebody does not know becomes none.
func (p *Protocol) AnsweredResults(q Questionnaire, answers []command.Answer, reference, at string) []command.Result {
	var list []command.Result
	for _, a := range answers {
		of, known := q.Question(a.Question)
		o, observed := p.Observation(of.Code)
		if !known || !observed || of.Code == "" || a.Answer == AnswerUnknown || strings.TrimSpace(a.Answer) == "" {
			continue
		}
		r := command.Result{
			Identifier: result.Identifier{System: result.CandidateSource, Value: reference + "/" + of.ID}, Status: result.Final,
			Category: o.Category, Code: result.Coding{Code: o.Code}, Effective: at,
		}
		switch of.Type {
		case AskBoolean:
			r.Coded = codedAnswer(yesAnswers, map[string]string{AnswerYes: "Yes", AnswerNo: "No"}[a.Answer])
		case AskChoice:
			i := slices.IndexFunc(o.Answers(), func(c result.Coding) bool { return c.Code == a.Answer })
			if i < 0 {
				continue
			}
			r.Coded = &o.Answers()[i]
		default:
			r.Quantity = &result.Quantity{Value: json.Number(a.Answer), Unit: of.unit()}
		}
		list = append(list, r)
	}
	p.Complete(list)
	return list
}

func codedAnswer(list []result.Coding, display string) *result.Coding {
	i := slices.IndexFunc(list, func(c result.Coding) bool { return c.Display == display })
	answer := list[i]
	return &answer
}

// AnswerWords says an answer in the words that the candidate chose it by.
func (q Question) AnswerWords(answer string) string {
	switch {
	case answer == AnswerUnknown && (q.Type == AskBoolean || q.Type == AskChoice):
		return "I do not know"
	case q.Type == AskBoolean && answer == AnswerYes:
		return "Yes"
	case q.Type == AskBoolean && answer == AnswerNo:
		return "No"
	case q.Type == AskChoice:
		for _, c := range q.Choices {
			if c.Code == answer {
				return c.Title
			}
		}
		return answer
	case q.Type == AskQuantity:
		return answer + " " + q.Unit
	default:
		return answer
	}
}

// mostQuestions bounds a questionnaire: nobody answers more at once.
const mostQuestions = 150

func (p *Protocol) checkQuestionnaires(fail func(string, ...any)) {
	ids := map[string]bool{}
	for _, q := range p.Questionnaires {
		at := "questionnaires." + q.ID
		if !identifier.MatchString(q.ID) || ids[q.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		ids[q.ID] = true
		if strings.TrimSpace(q.Title) == "" || q.Source == "" {
			fail("%s: title and source are needed", at)
		}
		if len(q.Questions()) == 0 || len(q.Questions()) > mostQuestions {
			fail("%s.sections: accepted: 1 to %d questions", at, mostQuestions)
		}
		sections := map[string]bool{}
		asked := map[string]Question{}
		coded := map[string]bool{}
		for _, s := range q.Sections {
			in := at + ".sections." + s.ID
			if !identifier.MatchString(s.ID) || sections[s.ID] || slices.Contains(reservedSections, s.ID) {
				fail("%s: the id of a section is not unique, is one of %v, or is not a word of a-z, 0-9 and hyphens", in, reservedSections)
			}
			sections[s.ID] = true
			if strings.TrimSpace(s.Title) == "" || len(s.Questions) == 0 {
				fail("%s: a section has a title and questions", in)
			}
			for _, each := range s.Questions {
				of := in + ".questions." + each.ID
				if _, twice := asked[each.ID]; twice || !identifier.MatchString(each.ID) {
					fail("%s: the id is not unique in its questionnaire or not a word of a-z, 0-9 and hyphens", of)
				}
				p.checkQuestion(fail, of, each, asked)
				if each.Code != "" && coded[each.Code] {
					fail("%s.code: another question becomes a result of %q", of, each.Code)
				}
				coded[each.Code] = true
				asked[each.ID] = each
			}
		}
	}
}

// reservedSections are pages of a questionnaire that are no sections.
var reservedSections = []string{"review", "stop", "later", "sent"}

func (p *Protocol) checkQuestion(fail func(string, ...any), at string, q Question, earlier map[string]Question) {
	if strings.TrimSpace(q.Text) == "" {
		fail("%s.text: missing", at)
	}
	if !slices.Contains(QuestionTypes, q.Type) {
		fail("%s.type: accepted: %v", at, QuestionTypes)
		return
	}
	number := q.Type == AskInteger || q.Type == AskQuantity
	switch {
	case (q.Type == AskQuantity) != (q.Unit != ""):
		fail("%s.unit: a quantity has a unit, and nothing else does", at)
	case (q.Type == AskChoice) != (len(q.Choices) > 0):
		fail("%s.choices: a choice has them, and nothing else does", at)
	case number && q.Code == "" && q.High <= q.Low, !number && (q.Low != 0 || q.High != 0), number && q.Code != "" && (q.Low != 0 || q.High != 0):
		fail("%s.low: a number without a code has bounds, and nothing else does", at)
	}
	codes := map[string]bool{}
	for _, c := range q.Choices {
		if !identifier.MatchString(c.Code) && q.Code == "" || c.Code == AnswerUnknown || codes[c.Code] || strings.TrimSpace(c.Title) == "" {
			fail("%s.choices: each needs a code of its own, other than %q, and a title", at, AnswerUnknown)
		}
		codes[c.Code] = true
	}
	if q.Code != "" {
		p.checkQuestionCode(fail, at, q)
	}
	if w := q.EnableWhen; w != nil {
		before, ok := earlier[w.Question]
		if !ok || before.Type != AskBoolean && before.Type != AskChoice {
			fail("%s.enable_when: needs an earlier question of yes and no, or a choice", at)
			return
		}
		for _, answer := range w.Is {
			if before.AnswerWords(answer) == answer || answer == AnswerUnknown {
				fail("%s.enable_when: %q is no answer to %s", at, answer, w.Question)
			}
		}
		if len(w.Is) == 0 {
			fail("%s.enable_when: names no answer", at)
		}
	}
}

func (p *Protocol) checkQuestionCode(fail func(string, ...any), at string, q Question) {
	o, known := p.Observation(q.Code)
	if !known {
		fail("%s.code: there is no observation %q", at, q.Code)
		return
	}
	fits := false
	switch q.Type {
	case AskBoolean:
		fits = o.YesNo
	case AskChoice:
		fits = o.Coded && !slices.ContainsFunc(q.Choices, func(c Choice) bool {
			return !slices.ContainsFunc(o.Answers(), func(a result.Coding) bool { return a.Code == c.Code })
		})
	case AskInteger, AskQuantity:
		fits = slices.Contains(o.Units, q.unit())
	}
	if !fits {
		fail("%s.code: %q takes other answers than the question", at, q.Code)
	}
	if q.Confidential && !o.Confidential {
		fail("%s.confidential: the observation %q says whether it is told in confidence", at, q.Code)
	}
}
