package fhir

import (
	"bytes"
	"encoding/json"
	"slices"
	"strconv"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// answered has answers of two days, a correction and a mistake among them, and two
// consents with what was told.
func answered(candidate string) activities.Snapshot {
	s := testSnapshot(candidate)
	s.Protocol = protocol.Default()
	s.Report.Flags, s.Report.Derived, s.State.Requirements = nil, nil, nil
	yes := result.Value{Coding: &result.Coding{System: systemSNOMED, Code: "373066001", Display: "Yes"}}
	add := func(code, day string, status result.Status, v result.Value) {
		o, _ := s.Protocol.Observation(code)
		s.Results = append(s.Results, result.Result{
			ID: "d0000000-0000-4000-8000-0000000000" + string(rune('1'+len(s.Results)/10)) + string(rune('0'+len(s.Results)%10)), Version: 1, Status: status,
			Identifier: result.Identifier{System: "https://clinic.example/form", Value: code + day}, Category: o.Category,
			Code: result.Coding{System: protocol.LocalSystem, Code: code, Display: o.Title}, Value: v, Effective: day, CollectedOn: day,
		})
	}
	add("history-gout", "2026-02-10", result.Final, yes)
	add("history-clot", "2026-02-10", result.Corrected, yes)
	add("history-pack-years", "2026-02-10", result.Final, number("12.5", "1", ""))
	add("history-kidney-stones", "2026-02-10", result.EnteredInError, yes)
	add("history-suicide-attempt", "2026-02-10", result.Final, yes) // told in confidence
	add("history-gout", "2026-02-11", result.EnteredInError, yes)
	add("followup-alive", "2026-02-10", result.Final, yes)
	s.Told = []activities.Told{
		{Seq: 3, On: "2026-01-20", Requirements: []string{"consent-evaluation"}, Disclosures: []string{"told-voluntary"}},
		{Seq: 5, On: "2026-01-21", Requirements: []string{"consent-evaluation", "consent-donation"}, Disclosures: []string{"told-voluntary", "told-advocate", "unknown"}, TeachBack: []string{"told-advocate"}},
	}
	return s
}

func TestAnswersAreResponses(t *testing.T) {
	s := answered(candidateA)
	list := ofType(mustPublish(t, s), typeQuestionnaireResponse)
	var got []string
	for _, r := range list {
		q := decode[r4.QuestionnaireResponse](t, r)
		var items []string
		for _, item := range q.Item {
			items = append(items, item.LinkId)
		}
		got = append(got, *q.Authored+" "+q.Status.Code()+" "+strings.Join(items, " "))
		name := strings.TrimPrefix(*q.Questionnaire, s.Protocol.Canonical+"/")
		if _, version, _ := strings.Cut(name, "|"); version != s.Protocol.Version || r.Meta != metaQuestionnaireResponse || *q.Subject.Reference != "Patient/"+candidateA {
			t.Errorf("%s answers %s", r.ID, *q.Questionnaire)
		}
	}
	want := []string{
		"2026-02-10 amended history-gout history-clot history-pack-years",
		"2026-02-11 entered-in-error history-gout",
		"2026-02-10 completed followup-alive",
		"2026-01-21 completed told-voluntary told-advocate",
	}
	if !slices.Equal(got, want) {
		t.Errorf("responses:\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	for _, want := range []string{
		`{"linkId":"history-gout","text":"Gout","answer":[{"valueCoding":{"system":"http://snomed.info/sct","code":"373066001","display":"Yes"}}]}`,
		`"answer":[{"valueQuantity":{"value":12.5,"unit":"1","system":"http://unitsofmeasure.org","code":"1"}}]`,
	} {
		if !bytes.Contains(list[0].Body, []byte(want)) {
			t.Errorf("%s lacks %s", list[0].Body, want)
		}
	}
	if !bytes.Contains(list[3].Body, []byte(`"answer":[{"valueBoolean":true,"item":[{"linkId":"told-advocate.teach-back","answer":[{"valueBoolean":true}]}]}]`)) {
		t.Errorf("what was given back is not said: %s", list[3].Body)
	}
}

// TestFormsHoldTheirAnswers: every answer is to a question of the form that it
// names, by its linkId and among its choices.
func TestFormsHoldTheirAnswers(t *testing.T) {
	s := answered(candidateA)
	forms, err := Questionnaires(s.Protocol)
	if err != nil {
		t.Fatal(err)
	}
	type question struct {
		LinkID       string
		Type         string
		AnswerOption []struct{ ValueCoding result.Coding }
		Item         []struct{ LinkID string }
	}
	byURL := map[string]map[string]question{}
	words := toldWords(s.Protocol)
	for _, r := range forms {
		var q struct {
			ResourceType, ID, URL, Version, Name, Status string
			Item                                         []question
		}
		if err := json.Unmarshal(r.Body, &q); err != nil {
			t.Fatal(err)
		}
		if q.ResourceType != typeQuestionnaire || q.ID != r.ID || !validID(q.ID) || q.Status != "active" || len(q.Item) == 0 || byURL[q.URL+"|"+q.Version] != nil {
			t.Errorf("%s is %+v", r.ID, q)
		}
		byURL[q.URL+"|"+q.Version] = map[string]question{}
		for _, item := range q.Item {
			if _, twice := byURL[q.URL+"|"+q.Version][item.LinkID]; twice {
				t.Errorf("%s is asked twice", item.LinkID)
			}
			byURL[q.URL+"|"+q.Version][item.LinkID] = item
		}
		if in := tells(s, words, r); len(in) > 0 {
			t.Errorf("%s tells %v", r.ID, in)
		}
	}
	n := 0
	for _, r := range ofType(mustPublish(t, s), typeQuestionnaireResponse) {
		q := decode[r4.QuestionnaireResponse](t, r)
		for _, item := range q.Item {
			of, ok := byURL[*q.Questionnaire][item.LinkId]
			if !ok {
				t.Errorf("%s is no question of %s", item.LinkId, *q.Questionnaire)
			}
			for _, a := range item.Answer {
				n++
				if a.ValueCoding != nil && !slices.ContainsFunc(of.AnswerOption, func(o struct{ ValueCoding result.Coding }) bool { return o.ValueCoding.Code == *a.ValueCoding.Code }) {
					t.Errorf("%s is no answer to %s", *a.ValueCoding.Code, item.LinkId)
				}
				for _, inner := range a.Item {
					if len(of.Item) != 1 || of.Item[0].LinkID != inner.LinkId {
						t.Errorf("%s is no question below %s", inner.LinkId, item.LinkId)
					}
				}
			}
		}
	}
	if n < 6 {
		t.Errorf("%d answers", n)
	}
	again, err := Questionnaires(s.Protocol)
	if err != nil || !slices.EqualFunc(forms, again, func(a, b record.Resource) bool { return a.ID == b.ID && bytes.Equal(a.Body, b.Body) }) {
		t.Error("the forms differ from one time to the next")
	}
}

// TestResponsesAreTakenBack: answers that are told in confidence since leave
// nothing.
func TestResponsesAreTakenBack(t *testing.T) {
	s := answered(candidateA)
	s.Protocol = openProtocol(t)
	s.Previous = mustPublish(t, s)
	if !slices.ContainsFunc(ofType(s.Previous, typeQuestionnaireResponse), func(r record.Resource) bool { return bytes.Contains(r.Body, []byte("suicide")) }) {
		t.Fatal("nothing was told before")
	}
	s.Protocol = protocol.Default()
	kept := slices.IndexFunc(s.Results, func(r result.Result) bool { return r.Code.Code == "history-suicide-attempt" })
	s.Results = s.Results[kept : kept+1]
	s.Told = nil
	list := ofType(mustPublish(t, s), typeQuestionnaireResponse)
	if len(list) != 4 {
		t.Errorf("%d responses", len(list))
	}
	for _, r := range list {
		q := decode[r4.QuestionnaireResponse](t, r)
		if q.Status != r4.QuestionnaireResponseStatusEnteredInError || q.Item != nil || q.Questionnaire != nil || q.Authored != nil {
			t.Errorf("%s is left as %s", r.ID, r.Body)
		}
	}
}

// TestSelfAnswered: what a candidate answered by themselves names them as author and
// source, keeps the order and the sections of its form, and tells nothing in
// confidence. What the form opens by an answer, it says by enableWhen.
func TestSelfAnswered(t *testing.T) {
	s := answered(candidateA)
	p := s.Protocol
	q, _ := p.Questionnaire("intake")
	const at = "2026-02-12T09:30:00+01:00"
	s.Results, s.Told = nil, nil
	for _, r := range p.AnsweredResults(q, []command.Answer{
		{Question: "stones", Answer: "no"}, {Question: "gout", Answer: "yes"}, {Question: "pack-years", Answer: "12.5"},
		{Question: "pushed", Answer: "yes"}, {Question: "suicide", Answer: "yes"}, {Question: "why-give", Answer: "My sister is ill."},
	}, "ref", at) {
		s.Results = append(s.Results, r.Record(result.IDOf(r.Identifier), 1, p.Zone()))
	}
	published := mustPublish(t, s)
	list := ofType(published, typeQuestionnaireResponse)
	if len(list) != 1 {
		t.Fatalf("%d responses", len(list))
	}
	response := decode[r4.QuestionnaireResponse](t, list[0])
	patient := "Patient/" + candidateA
	if *response.Author.Reference != patient || *response.Source.Reference != patient || *response.Authored != at ||
		*response.Questionnaire != p.Canonical+"/questionnaire-intake|"+p.Version || response.Status != r4.QuestionnaireResponseStatusCompleted {
		t.Errorf("the response is %s", list[0].Body)
	}
	var got []string
	for _, group := range response.Item {
		for _, item := range group.Item {
			a := item.Answer[0]
			text := group.LinkId + "/" + item.LinkId
			switch {
			case a.ValueBoolean != nil:
				text += " " + strconv.FormatBool(*a.ValueBoolean)
			case a.ValueQuantity != nil:
				text += " " + a.ValueQuantity.Value.String() + " " + *a.ValueQuantity.Code
			}
			got = append(got, text)
		}
	}
	want := []string{"section.health/stones false", "section.health/gout true", "section.smoking/pack-years 12.5 1"}
	if !slices.Equal(got, want) {
		t.Errorf("the answers are %v, want %v", got, want)
	}
	for _, r := range published {
		if bytes.Contains(r.Body, []byte("told-pressure")) || bytes.Contains(r.Body, []byte("suicide")) || bytes.Contains(r.Body, []byte("sister is ill")) {
			t.Errorf("%s/%s tells what is kept: %s", r.Type, r.ID, r.Body)
		}
	}
	for _, r := range ofType(published, typeObservation) {
		if o := decode[r4.Observation](t, r); o.DerivedFrom == nil && (len(o.Performer) != 1 || *o.Performer[0].Reference != patient) {
			t.Errorf("%s is performed by %v", r.ID, o.Performer)
		}
	}

	forms, err := Questionnaires(p)
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(forms, func(r record.Resource) bool { return r.ID == formID("questionnaire-intake", p.Version) })
	body := string(forms[i].Body)
	for _, want := range []string{
		`{"linkId":"gout","code":[{"system":"` + systemObservation + `","code":"history-gout"}],"text":"Have you ever had gout?","type":"boolean"`,
		`"enableWhen":[{"question":"cancer","operator":"=","answerBoolean":true}]`,
		`{"linkId":"section.health","text":"Your health","type":"group"`,
		`{"linkId":"gout.help","text":"Gout makes a joint red and very sore.","type":"display"`,
		`"answerOption":[{"valueCoding":{"system":"` + protocol.AnswerSystem + `","code":"family","display":"Someone in my family"}}`,
		`"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/questionnaire-unit","valueCoding":{"system":"http://unitsofmeasure.org","code":"cm"`,
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the form lacks %s", want)
		}
	}
	for _, kept := range []string{"pushed", "suicide", "wants-child", "own-choice", "How often do you drink"} {
		if strings.Contains(body, kept) {
			t.Errorf("the form asks %s in public", kept)
		}
	}
}
