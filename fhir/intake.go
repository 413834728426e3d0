package fhir

import (
	"fmt"
	"slices"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// What candidates answer by themselves: the form with its sections, and the answers
// in the same order, with the candidate as author and source.

const (
	// askedForm begins the name of a form that candidates answer by themselves.
	askedForm = "questionnaire-"
	// helpSuffix ends the linkId of the text that explains a question.
	helpSuffix        = ".help"
	extensionItem     = "http://hl7.org/fhir/StructureDefinition/questionnaire-itemControl"
	extensionUnit     = "http://hl7.org/fhir/StructureDefinition/questionnaire-unit"
	systemItemControl = "http://hl7.org/fhir/questionnaire-item-control"
)

// askedForms are the questionnaires of a protocol as far as they may be published:
// without the questions whose answers are told in confidence, and without those that
// only such an answer opens.
func askedForms(p *protocol.Protocol) []form {
	var list []form
	for _, q := range p.Questionnaires {
		kept := map[string]bool{}
		open := q
		open.Sections = nil
		for _, s := range q.Sections {
			section := s
			section.Questions = nil
			for _, each := range s.Questions {
				if p.ConfidentialQuestion(each) || each.EnableWhen != nil && kept[each.EnableWhen.Question] {
					kept[each.ID] = true
					continue
				}
				section.Questions = append(section.Questions, each)
			}
			if len(section.Questions) > 0 {
				open.Sections = append(open.Sections, section)
			}
		}
		list = append(list, form{name: askedForm + q.ID, title: q.Title, asked: open})
	}
	return list
}

// place is where the answer of a code belongs in a form that candidates answer by
// themselves.
type place struct {
	form     form
	section  protocol.Section
	question protocol.Question
}

func placesOf(forms []form) map[string]place {
	places := map[string]place{}
	for _, f := range forms {
		for _, s := range f.asked.Sections {
			for _, q := range s.Questions {
				if q.Code != "" {
					places[q.Code] = place{f, s, q}
				}
			}
		}
	}
	return places
}

// sections are the items of such a form.
func (f form) sections(p *protocol.Protocol) []questionnaireItem {
	var list []questionnaireItem
	for _, s := range f.asked.Sections {
		group := questionnaireItem{LinkID: sectionLink(s), Text: s.Title, Type: "group"}
		if s.Intro != "" {
			group.Item = append(group.Item, questionnaireItem{LinkID: sectionLink(s) + ".intro", Text: s.Intro, Type: "display"})
		}
		for _, q := range s.Questions {
			group.Item = append(group.Item, asked(p, f.asked, q))
		}
		list = append(list, group)
	}
	return list
}

// sectionLink keeps the linkIds of sections apart from those of questions.
func sectionLink(s protocol.Section) string { return "section." + s.ID }

func asked(p *protocol.Protocol, of protocol.Questionnaire, q protocol.Question) questionnaireItem {
	item := questionnaireItem{LinkID: q.ID, Text: q.Text, Type: string(q.Type)}
	// Of yes and no and of choices "I do not know" is enough for whoever sends it, and
	// is no answer here.
	item.Required = q.Required && q.Type != protocol.AskBoolean && q.Type != protocol.AskChoice
	if o, known := p.Observation(q.Code); known && q.Code != "" {
		item.Code = []r4.Coding{observationCoding(o)}
	}
	switch q.Type {
	case protocol.AskChoice:
		for _, c := range q.Choices {
			system := protocol.AnswerSystem
			if o, known := p.Observation(q.Code); known && q.Code != "" {
				i := slices.IndexFunc(o.Answers(), func(a result.Coding) bool { return a.Code == c.Code })
				system = o.Answers()[i].System
			}
			code, title := c.Code, c.Title
			item.AnswerOption = append(item.AnswerOption, answerOption{r4.Coding{System: &system, Code: &code, Display: &title}})
		}
	case protocol.AskQuantity:
		unit, system := q.Unit, systemUCUM
		item.Extension = []itemExtension{{URL: extensionUnit, ValueCoding: &r4.Coding{System: &system, Code: &unit, Display: &unit}}}
	}
	if w := q.EnableWhen; w != nil {
		earlier, _ := of.Question(w.Question)
		for _, is := range w.Is {
			item.EnableWhen = append(item.EnableWhen, enableWhen(p, of, earlier, is))
		}
		if len(w.Is) > 1 {
			item.EnableBehavior = "any"
		}
	}
	if q.Help != "" {
		system, code := systemItemControl, "help"
		item.Item = append(item.Item, questionnaireItem{
			LinkID: q.ID + helpSuffix, Text: q.Help, Type: "display",
			Extension: []itemExtension{{URL: extensionItem, ValueCodeableConcept: &r4.CodeableConcept{Coding: []r4.Coding{{System: &system, Code: &code}}}}},
		})
	}
	return item
}

func enableWhen(p *protocol.Protocol, of protocol.Questionnaire, earlier protocol.Question, is string) itemEnableWhen {
	w := itemEnableWhen{Question: earlier.ID, Operator: "="}
	if earlier.Type == protocol.AskBoolean {
		yes := is == protocol.AnswerYes
		w.AnswerBoolean = &yes
		return w
	}
	for _, option := range asked(p, of, earlier).AnswerOption {
		if value(option.ValueCoding.Code) == is {
			w.AnswerCoding = &r4.Coding{System: option.ValueCoding.System, Code: option.ValueCoding.Code}
		}
	}
	return w
}

// answeredItems are the answers in the sections and in the order of their form.
func answeredItems(f form, answers []result.Result, void bool) ([]r4.QuestionnaireResponseItem, error) {
	var list []r4.QuestionnaireResponseItem
	for _, s := range f.asked.Sections {
		title := s.Title
		group := r4.QuestionnaireResponseItem{LinkId: sectionLink(s), Text: &title}
		for _, q := range s.Questions {
			i := slices.IndexFunc(answers, func(r result.Result) bool { return q.Code != "" && r.Code.Code == q.Code })
			if i < 0 || answers[i].Status == result.EnteredInError && !void {
				continue
			}
			item, err := responseItem(answers[i])
			if err != nil {
				return nil, fmt.Errorf("result %s: %w", answers[i].ID, err)
			}
			text := q.Text
			item.LinkId, item.Text = q.ID, &text
			for n := range item.Answer {
				if coding := item.Answer[n].ValueCoding; q.Type == protocol.AskBoolean && coding != nil {
					yes := value(coding.Code) == yesCode
					item.Answer[n] = r4.QuestionnaireResponseItemAnswer{ValueBoolean: &yes}
				}
			}
			group.Item = append(group.Item, item)
		}
		if len(group.Item) > 0 {
			list = append(list, group)
		}
	}
	return list, nil
}

// yesCode is Yes in SNOMED CT.
const yesCode = "373066001"

// bySelf makes a response the candidate's own.
func bySelf(s activities.Snapshot, response *r4.QuestionnaireResponse) {
	author, source := reference(typePatient, s.Candidate), reference(typePatient, s.Candidate)
	response.Author, response.Source = &author, &source
}
