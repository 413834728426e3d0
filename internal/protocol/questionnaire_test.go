package protocol_test

import (
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

func intake(t *testing.T) (*protocol.Protocol, protocol.Questionnaire) {
	t.Helper()
	p := protocol.Default()
	q, ok := p.Questionnaire("intake")
	if !ok {
		t.Fatal("the default has no questionnaire intake")
	}
	return p, q
}

// TestIntakeAnswersThePlan: whoever answers everything has answered in full what the
// plan calls the health questionnaire.
func TestIntakeAnswersThePlan(t *testing.T) {
	p, q := intake(t)
	rule, _ := p.Find("health-questionnaire")
	for _, code := range rule.Local[0] {
		i := slices.IndexFunc(q.Questions(), func(each protocol.Question) bool { return each.Code == code })
		if i < 0 {
			t.Errorf("nothing asks for %s", code)
			continue
		}
		if each := q.Questions()[i]; each.EnableWhen != nil || !each.Required {
			t.Errorf("%s is not put to everybody", each.ID)
		}
	}
	for _, id := range []string{"pushed", "pushed-how", "paid", "paid-how", "own-choice", "say-no", "suicide", "wants-child", "alcohol"} {
		if each, ok := q.Question(id); !ok || !p.ConfidentialQuestion(each) {
			t.Errorf("%s is not told in confidence", id)
		}
	}
	if stones, _ := q.Question("stones"); p.ConfidentialQuestion(stones) {
		t.Error("kidney stones are told in confidence")
	}
}

func TestQuestionnaireFaults(t *testing.T) {
	source := protocol.Default().Source()
	for _, tt := range []struct{ old, new, rule, message string }{
		{"{id: stones, text: Have you ever had kidney stones?,", `{id: stones, text: " ",`, "questionnaires.intake.sections.health.questions.stones.text", "missing"},
		{"code: history-kidney-stones, required: true}", "code: history-no-stones, required: true}", "questionnaires.intake.sections.health.questions.stones.code", "no observation"},
		{"code: history-kidney-stones, required: true}", "code: waist-circumference, required: true}", "questionnaires.intake.sections.health.questions.stones.code", "other answers"},
		{"code: history-gout, required: true}", "code: history-kidney-stones, required: true}", "questionnaires.intake.sections.health.questions.gout.code", "another question"},
		{"code: history-gout, required: true}", "code: history-gout, confidential: true}", "questionnaires.intake.sections.health.questions.gout.confidential", "says whether"},
		{"{id: gout, text", "{id: stones, text", "questionnaires.intake.sections.health.questions.stones", "not unique"},
		{`enable_when: {question: cancer, is: ["yes"]}}` + "\n          - {id: cancer-what", `enable_when: {question: cancer, is: [maybe]}}` + "\n          - {id: cancer-what", "questionnaires.intake.sections.health.questions.cancer-when.enable_when", "no answer to cancer"},
		{`enable_when: {question: cancer, is: ["yes"]}}` + "\n          - {id: cancer-what", `enable_when: {question: chest, is: ["yes"]}}` + "\n          - {id: cancer-what", "questionnaires.intake.sections.health.questions.cancer-when.enable_when", "earlier question"},
		{"unit: cm, low: 100, high: 230", "unit: cm, low: 230, high: 100", "questionnaires.intake.sections.health.questions.height.low", "bounds"},
		{"type: quantity, unit: cm,", "type: quantity,", "questionnaires.intake.sections.health.questions.height.unit", "a quantity has a unit"},
		{"What operations have you had?, type: text", "What operations have you had?, type: essay", "questionnaires.intake.sections.health.questions.surgery.type", "accepted: [boolean"},
		{"      - id: pressure\n        title: Blood pressure", "      - id: review\n        title: Blood pressure", "questionnaires.intake.sections.review", "is one of"},
		{"{code: friend, title: A friend or someone I know}", "{code: unknown, title: A friend or someone I know}", "questionnaires.intake.sections.why.questions.who-for.choices", "other than"},
	} {
		if !strings.Contains(source, tt.old) {
			t.Errorf("the default has no %q", tt.old)
			continue
		}
		_, err := protocol.Parse([]byte(strings.Replace(source, tt.old, tt.new, 1)))
		faults := protocol.Faults(err)
		if len(faults) != 1 || faults[0].Rule != tt.rule || !strings.Contains(faults[0].Message, tt.message) || faults[0].Line < 2 {
			t.Errorf("%q: got %v, want a fault of %s with %q", tt.new, err, tt.rule, tt.message)
		}
	}
}

func TestQuestionnaireDiff(t *testing.T) {
	source := protocol.Default().Source()
	other := parsed(t, strings.NewReplacer(
		"text: Have you ever had gout?", "text: Do you have gout?",
		"title: Your medicines", "title: What you take",
		"          - {id: surgery, text: What operations have you had?, type: text}\n", "",
	).Replace(source))
	var got []string
	for _, c := range protocol.Diff(protocol.Default(), other) {
		text := c.Part + " " + c.ID + " " + c.Kind
		for _, f := range c.Fields {
			text += " " + f.Field
		}
		got = append(got, text)
	}
	want := []string{
		"questionnaires intake/health changed order", "questionnaires intake/medicines changed title",
		"questions intake/gout changed text", "questions intake/surgery removed",
	}
	if !slices.Equal(got, want) {
		t.Errorf("the difference is\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestCheckAnswers(t *testing.T) {
	p, q := intake(t)
	const today = journey.Date("2026-03-02")
	full := func() map[string]string {
		answers := map[string]string{}
		for _, each := range q.Questions() {
			if !q.Asked(each, answers) || !each.Required {
				continue
			}
			switch each.Type {
			case protocol.AskBoolean:
				answers[each.ID] = protocol.AnswerNo
			case protocol.AskChoice:
				answers[each.ID] = each.Choices[0].Code
			default:
				answers[each.ID] = "0"
			}
		}
		return answers
	}
	body := func(answers map[string]string) *command.AnswerQuestionnaire {
		b := &command.AnswerQuestionnaire{Questionnaire: "intake", Link: strings.Repeat("a", 64)}
		for _, each := range q.Questions() {
			if answer, ok := answers[each.ID]; ok {
				b.Answers = append(b.Answers, command.Answer{Question: each.ID, Answer: answer})
			}
		}
		return b
	}
	for _, tt := range []struct {
		name   string
		change func(map[string]string)
		want   string
	}{
		{"all of it", func(map[string]string) {}, ""},
		{"something is not known", func(a map[string]string) { a["gout"] = "unknown" }, ""},
		{"something that has to be answered is not", func(a map[string]string) { delete(a, "gout") }, "gout: missing"},
		{"an answer that there is not", func(a map[string]string) { a["gout"] = "perhaps" }, "gout: not one of the answers"},
		{"a choice that there is not", func(a map[string]string) { a["who-for"] = "neighbour" }, "who-for: not one of the answers"},
		{"a day to come", func(a map[string]string) { a["cancer"], a["cancer-when"] = "yes", "2026-03-03" }, "cancer-when: in the future"},
		{"no day", func(a map[string]string) { a["cancer"], a["cancer-when"] = "yes", "2026-02-30" }, "cancer-when: not a calendar date"},
		{"an answer to what is not asked", func(a map[string]string) { a["cancer-when"] = "2020-01-01" }, "cancer-when is not asked"},
		{"half a cigarette", func(a map[string]string) { a["smokes"], a["cigarettes"] = "yes", "0.5" }, "cigarettes: not a whole number"},
		{"a number in words", func(a map[string]string) { a["height"] = "tall" }, "height: not a number"},
		{"a giant", func(a map[string]string) { a["height"] = "300" }, "height: not plausible"},
		{"what the observation says of its own code", func(a map[string]string) { a["pack-years"] = "201" }, "pack-years: not plausible"},
		{"a long story", func(a map[string]string) { a["why-give"] = strings.Repeat("é", protocol.LongestAnswer+1) }, "why-give: too long"},
	} {
		answers := full()
		tt.change(answers)
		var faults command.Faults
		p.CheckAnswers(&faults, body(answers), today)
		switch err := faults.Err(); {
		case err == nil && tt.want != "", err != nil && (tt.want == "" || !strings.Contains(err.Error(), tt.want)):
			t.Errorf("%s: %v, want %q", tt.name, err, tt.want)
		}
	}

	answers := full()
	answers["gout"], answers["stones"], answers["pack-years"], answers["why-give"] = "yes", "unknown", "12.5", "My sister is ill."
	const at = "2026-03-02T10:00:00+01:00"
	results := p.AnsweredResults(q, body(answers).Answers, "ref", at)
	var faults command.Faults
	p.CheckResults(&faults, results)
	if err := faults.Err(); err != nil {
		t.Errorf("the protocol refuses what it made: %v", err)
	}
	said := map[string]string{}
	for _, r := range results {
		if r.Effective != at || r.Identifier.System != result.CandidateSource || !r.Record("x", 1, p.Zone()).BySelf() || r.Status != result.Final {
			t.Errorf("%s is %+v", r.Code.Code, r)
		}
		switch {
		case r.Coded != nil:
			said[r.Code.Code] = r.Coded.Code
		case r.Quantity != nil:
			said[r.Code.Code] = r.Quantity.Value.String() + " " + r.Quantity.Unit
		}
	}
	// SNOMED CT: 373066001 is Yes, 373067005 is No.
	for code, want := range map[string]string{
		"history-gout": "373066001", "history-clot": "373067005", "history-pack-years": "12.5 1", "told-pressure": "373067005", "history-kidney-stones": "",
	} {
		if said[code] != want {
			t.Errorf("%s became %q, want %q", code, said[code], want)
		}
	}
}
