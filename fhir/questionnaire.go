package fhir

import (
	"context"
	"slices"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

const (
	typeQuestionnaire       = "Questionnaire"
	systemPublicationStatus = "http://hl7.org/fhir/publication-status"
	systemResourceTypes     = "http://hl7.org/fhir/resource-types"
	// teachBack ends the linkId of the question whether the candidate gave back
	// the meaning of what they were told.
	teachBack = ".teach-back"
)

var questionnaireType = resourceType{
	code: r4.ResourceTypeQuestionnaire,
	params: []param{
		uriParam("url", "Questionnaire-url"),
		tokenParam("version", "Questionnaire-version", ""),
		stringParam("name", "Questionnaire-name"),
		stringParam("title", "Questionnaire-title"),
		dateParam("date", "Questionnaire-date"),
		tokenParam("code", "Questionnaire-code", ""),
		constantParam("subject-type", "Questionnaire-subject-type", systemResourceTypes, typePatient),
		tokenParam("status", "Questionnaire-status", systemPublicationStatus),
	},
}

// form is one questionnaire of a protocol: questions that candidates and donors
// answer, or what is confirmed with a consent.
type form struct {
	// name is its part of the URL, and of ids.
	name, title string
	questions   []protocol.Observation
	items       []protocol.Item
	// asked is set for what candidates answer by themselves.
	asked protocol.Questionnaire
}

// The names of the forms of questions. Those of disclosures end in their consent.
const (
	healthForm      = "health-questionnaire"
	followUpForm    = "follow-up-form"
	disclosuresForm = "disclosures-"
)

// url is the canonical URL of a form, empty where the protocol has none.
func (f form) url(p *protocol.Protocol) string {
	if p.Canonical == "" {
		return ""
	}
	return p.Canonical + "/" + f.name
}

// formsOf are the forms of a protocol, without what is told in confidence.
func formsOf(p *protocol.Protocol) []form {
	health, later := form{name: healthForm, title: "Health questionnaire"}, form{name: followUpForm, title: "Follow-up form"}
	atVisits := visitCodes(p)
	for _, o := range p.Observations {
		switch {
		case o.Category != "survey" && o.Category != "social-history" || p.ConfidentialCode(o.Code):
		case atVisits[o.Code]:
			later.questions = append(later.questions, o)
		default:
			health.questions = append(health.questions, o)
		}
	}
	list := append([]form{health, later}, askedForms(p)...)
	for _, r := range p.Requirements {
		if ownToProgramme(p, r.ID) || p.ConfidentialCondition(r.ID) {
			continue
		}
		told := form{name: disclosuresForm + r.ID, title: "Disclosures: " + r.Title}
		for _, item := range p.Disclosures {
			if item.Requirement == r.ID && !p.ConfidentialCondition(item.ID) {
				told.items = append(told.items, item)
			}
		}
		list = append(list, told)
	}
	return slices.DeleteFunc(list, func(f form) bool { return len(f.questions)+len(f.items)+len(f.asked.Sections) == 0 })
}

// visitCodes are what follow-up visits ask of a donor.
func visitCodes(p *protocol.Protocol) map[string]bool {
	codes := map[string]bool{}
	for _, v := range p.Visits {
		for _, items := range [][][]string{v.Clinical, v.Laboratory, v.Further} {
			for _, item := range items {
				for _, code := range item {
					codes[code] = true
				}
			}
		}
	}
	return codes
}

// The library writes every kind of value of an answer to choose, whether or not
// there is one, so that questionnaires are written by structs of their own.
type (
	questionnaire struct {
		ID             string              `json:"id"`
		URL            string              `json:"url,omitempty"`
		Version        string              `json:"version"`
		Name           string              `json:"name"`
		Title          string              `json:"title"`
		Status         string              `json:"status"`
		SubjectType    []string            `json:"subjectType"`
		Date           string              `json:"date,omitempty"`
		ApprovalDate   string              `json:"approvalDate,omitempty"`
		Item           []questionnaireItem `json:"item"`
		ResourceTypeIs string              `json:"resourceType"`
	}
	questionnaireItem struct {
		LinkID       string              `json:"linkId"`
		Code         []r4.Coding         `json:"code,omitempty"`
		Text         string              `json:"text"`
		Type         string              `json:"type"`
		Required     bool                `json:"required,omitempty"`
		AnswerOption []answerOption      `json:"answerOption,omitempty"`
		Item         []questionnaireItem `json:"item,omitempty"`

		Extension      []itemExtension  `json:"extension,omitempty"`
		EnableWhen     []itemEnableWhen `json:"enableWhen,omitempty"`
		EnableBehavior string           `json:"enableBehavior,omitempty"`
	}
	itemExtension struct {
		URL                  string              `json:"url"`
		ValueCoding          *r4.Coding          `json:"valueCoding,omitempty"`
		ValueCodeableConcept *r4.CodeableConcept `json:"valueCodeableConcept,omitempty"`
	}
	itemEnableWhen struct {
		Question      string     `json:"question"`
		Operator      string     `json:"operator"`
		AnswerBoolean *bool      `json:"answerBoolean,omitempty"`
		AnswerCoding  *r4.Coding `json:"answerCoding,omitempty"`
	}
	answerOption struct {
		ValueCoding r4.Coding `json:"valueCoding"`
	}
)

// Questionnaires are the forms of a protocol version. They belong to the programme
// and to no candidate. A protocol without a URL of its own can't publish any.
func Questionnaires(p *protocol.Protocol) ([]record.Resource, error) {
	if p.Canonical == "" {
		return nil, nil
	}
	var list []record.Resource
	for _, f := range formsOf(p) {
		q := questionnaire{
			ID: formID(f.name, p.Version), URL: f.url(p), Version: p.Version, Name: nameOf(f.name), Title: f.title, Status: "active", SubjectType: []string{typePatient},
			Date: string(p.EffectiveFrom), ApprovalDate: string(p.ApprovedOn), ResourceTypeIs: typeQuestionnaire,
		}
		for _, o := range f.questions {
			q.Item = append(q.Item, question(o))
		}
		for _, item := range f.items {
			q.Item = append(q.Item, questionnaireItem{LinkID: item.ID, Text: item.Title, Type: "boolean", Item: []questionnaireItem{
				{LinkID: item.ID + teachBack, Text: "Given back in own words", Type: "boolean"},
			}})
		}
		q.Item = append(q.Item, f.sections(p)...)
		var x index
		x.uri("url", q.URL)
		x.token("version", "", q.Version)
		x.text("name", q.Name)
		x.text("title", q.Title)
		x.date("date", optional(q.Date))
		for _, item := range q.Item {
			for _, code := range item.Code {
				x.token("code", value(code.System), value(code.Code))
			}
		}
		x.code("status", systemPublicationStatus, q.Status)
		published, err := publish(typeQuestionnaire, q.ID, "", q, x)
		if err != nil {
			return nil, err
		}
		list = append(list, published)
	}
	return list, nil
}

// formID is the id of the questionnaire of one version.
func formID(name, version string) string { return partID("form", name, version) }

// HasQuestionnaires reports whether the forms of a protocol version are published
// and found by their names, which they were not always.
func HasQuestionnaires(ctx context.Context, store *record.Store, version string) (bool, error) {
	n, err := store.Count(ctx, record.Query{
		Type: typeQuestionnaire, IDs: []string{formID(healthForm, version)},
		Conditions: []record.Condition{{Param: "name", Any: []record.Match{{Op: ">=", Value: ""}}}},
	})
	return n > 0, err
}

// nameOf makes a name for programs, as FHIR wants it: Health_questionnaire.
func nameOf(name string) string {
	b := []byte(name)
	for i, c := range b {
		if c == '-' || c == '.' {
			b[i] = '_'
		}
	}
	b[0] -= 'a' - 'A'
	return string(b)
}

func question(o protocol.Observation) questionnaireItem {
	item := questionnaireItem{LinkID: o.Code, Text: o.Title, Type: "string"}
	item.Code = []r4.Coding{observationCoding(o)}
	switch {
	case o.Coded:
		item.Type = "choice"
		for _, answer := range o.Answers() {
			item.AnswerOption = append(item.AnswerOption, answerOption{codingOf(answer)})
		}
	case len(o.Units) > 0:
		item.Type = "quantity"
	}
	return item
}

func observationCoding(o protocol.Observation) r4.Coding {
	system := systemLOINC
	if o.Local {
		system = systemObservation
	}
	return r4.Coding{System: &system, Code: &o.Code}
}

func codingOf(c result.Coding) r4.Coding {
	return r4.Coding{System: optional(c.System), Code: optional(c.Code), Display: optional(c.Display)}
}
