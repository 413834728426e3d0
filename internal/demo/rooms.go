package demo

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"candidacy/activities"
	"candidacy/internal/api"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/monitoring"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// What the rooms of the demonstration show beside the journeys: questionnaires, a
// worksheet that somebody is at, the file of a monitor, a meeting that decided, and a
// letter.

// Secrets of the links of the demonstration to a questionnaire. They are in the source,
// as its passwords are.
const (
	halfWaySecret  = "synthetic-link-to-a-questionnaire-half-way0"
	answeredSecret = "synthetic-link-to-a-questionnaire-answered0"
)

// HalfWay says where the candidate goes on who has filled in half of the questionnaire,
// and the date of birth that opens it.
func HalfWay() (path string, born journey.Date, err error) {
	m, err := readManifest()
	i := slices.IndexFunc(m.Candidates, func(p person) bool { return p.ID == halfWay })
	if err != nil || i < 0 {
		return "", "", err
	}
	return "/questions/" + halfWaySecret, m.Candidates[i].BirthDate, nil
}

// halfWay is that candidate.
const halfWay = "c22"

// intakeForm is the questionnaire of the default protocol.
const intakeForm = "intake"

// own are answers in the candidates' own words. All others are no, or the first choice.
var own = map[string]string{
	"why-give": "My cousin has been on dialysis for two years, and I have wanted to help since I heard of it.",
	"worries":  "How long I can't lift anything, since I work in a nursery.",
	"surgery":  "My appendix, as a child.",
	"height":   "171", "weight": "69",
}

// answers fill in the first sections of a questionnaire.
func answers(q protocol.Questionnaire, sections int) []command.Answer {
	given := map[string]string{}
	var list []command.Answer
	for _, section := range q.Sections[:min(sections, len(q.Sections))] {
		for _, each := range section.Questions {
			text := own[each.ID]
			switch {
			case text != "":
			case !each.Required && each.Type != protocol.AskChoice, !q.Asked(each, given):
				continue
			case each.Type == protocol.AskBoolean:
				text = protocol.AnswerNo
			case each.Type == protocol.AskChoice:
				text = each.Choices[0].Code
			default:
				text = "0"
			}
			given[each.ID] = text
			list = append(list, command.Answer{Question: each.ID, Answer: text})
		}
	}
	return list
}

// ask gives the candidate a link to the questionnaire.
func (s *script) ask(ctx context.Context, secret string, until journey.Date) (protocol.Questionnaire, error) {
	q, ok := s.dispatcher.Current.Questionnaire(intakeForm)
	if !ok {
		return q, fmt.Errorf("the protocol has no questionnaire %s", intakeForm)
	}
	return q, s.give(ctx, coordinator, journey.Coordinator, journey.GiveQuestionnaire, &command.GiveQuestionnaire{
		Questionnaire: intakeForm, Digest: record.QuestionnaireDigest(secret), Until: until,
	})
}

// answer has the candidate answer the whole of it.
func (s *script) answer(ctx context.Context) error {
	s.on(s.base.AddDays(-6), 9, 0)
	q, err := s.ask(ctx, answeredSecret, s.base.AddDays(8))
	if err != nil {
		return err
	}
	s.on(s.base.AddDays(-4), 20, 10)
	return s.give(ctx, s.candidate, journey.Self, journey.AnswerQuestionnaire, &command.AnswerQuestionnaire{
		Questionnaire: intakeForm, Link: record.QuestionnaireDigest(answeredSecret), Answers: answers(q, len(q.Sections)),
	})
}

// begin leaves the candidate in the middle of it.
func (s *script) begin(ctx context.Context) error {
	s.on(s.base.AddDays(-1), 13, 0)
	q, err := s.ask(ctx, halfWaySecret, s.base.AddDays(13))
	if err != nil {
		return err
	}
	_, revision, err := s.store.QuestionnaireDraft(ctx, halfWaySecret)
	if revision > 0 || err != nil {
		return err
	}
	type saved struct {
		Revision int64  `json:"revision"`
		Visit    string `json:"visit"`
	}
	draft := struct {
		Answers  map[string]string `json:"answers"`
		Sections map[string]saved  `json:"sections"`
	}{map[string]string{}, map[string]saved{}}
	half := len(q.Sections) / 2
	for _, a := range answers(q, half) {
		draft.Answers[a.Question] = a.Answer
	}
	for _, section := range q.Sections[:half] {
		draft.Sections[section.ID] = saved{Revision: 1}
	}
	text, err := json.Marshal(draft)
	if err != nil {
		return fmt.Errorf("encode what was filled in: %w", err)
	}
	return s.store.SaveQuestionnaireDraft(ctx, halfWaySecret, text, 0)
}

// measure leaves the nephrologist at a worksheet whose samples are all typed in. It is
// case A of the worked examples (testdata/worked-examples).
func (s *script) measure(ctx context.Context) error {
	if _, err := s.store.WorksheetDraft(ctx, s.candidate, nephrologist, "plasma-clearance"); !errors.Is(err, record.ErrNotFound) {
		return err
	}
	form := url.Values{
		"study": {"demo"}, "day": {string(s.base.AddDays(-1))}, "began": {"08:00"}, "dose_by": {"volume"}, "solution": {"300 mgI/mL"}, "drawn_ml": {"5.04"}, "left_ml": {"0.04"},
		"extravasation": {"no"}, "height": {"172"}, "weight": {"68"},
		"time-1": {"120"}, "value-1": {"127.4"}, "unit-1": {"ug/mL"}, "time-2": {"180"}, "value-2": {"91.2"}, "unit-2": {"ug/mL"},
		"time-3": {"240"}, "value-3": {"65.3"}, "unit-3": {"ug/mL"},
	}
	return s.store.KeepWorksheet(ctx, record.WorksheetDraft{Candidate: s.candidate, Account: nephrologist, Worksheet: "plasma-clearance", Body: form.Encode()})
}

// bringIn leaves the nephrologist with the file of a monitor that nobody has recorded yet:
// a day and a night, one attempt of which failed.
func (s *script) bringIn(ctx context.Context) error {
	known, err := s.store.SourceFiles(ctx, s.candidate, monitoring.FileKind)
	if len(known) > 0 || err != nil {
		return err
	}
	var file strings.Builder
	file.WriteString("No;Date;Time;Systolic;Diastolic\n")
	at := s.base.AddDays(-3).Start(s.dispatcher.Current.Zone()).Add(8 * time.Hour)
	for n := range 49 {
		systolic, diastolic := 121, 74
		if at.Hour() >= 23 || at.Hour() < 7 {
			systolic, diastolic = 106, 62
		}
		systolic, diastolic = systolic+n*7%13-6, diastolic+n*5%9-4
		if n == 30 {
			systolic, diastolic = 0, 0
		}
		fmt.Fprintf(&file, "%d;%s;%d;%d\n", n+1, at.Format("02.01.2006;15:04"), systolic, diastolic)
		at = at.Add(30 * time.Minute)
	}
	_, err = s.store.KeepSourceFile(ctx, record.SourceFile{Candidate: s.candidate, Kind: monitoring.FileKind, Data: []byte(file.String()), ReceivedBy: nephrologist})
	return err
}

// heldMeeting is the id of the invented meeting that has decided.
var heldMeeting = uuid.MustParse("9d1c7a52-7b1e-4a0d-8c3f-2f60b1a7c984").String()

// vote takes the candidate through a meeting, to an approval with conditions.
func (s *script) vote(ctx context.Context) error {
	s.on(s.base, 9, 0)
	known, err := s.store.Meeting(ctx, heldMeeting)
	if err != nil && !errors.Is(err, record.ErrNotFound) {
		return err
	}
	rules := activities.VotingRules(s.dispatcher.Current, nil)
	type step struct {
		by   string
		role journey.Role
		meeting.Change
	}
	of := func(by string, role journey.Role, kind meeting.Kind) step {
		return step{by, role, meeting.Change{Kind: kind, Candidate: s.candidate}}
	}
	steps := []step{
		{coordinator, journey.Coordinator, meeting.Change{Kind: meeting.Planned, Plan: &meeting.Plan{On: s.base, Place: "Invented seminar room", Chair: committee}}},
		{coordinator, journey.Coordinator, meeting.Change{Kind: meeting.Agenda, Agenda: []string{s.candidate}}},
		{coordinator, journey.Coordinator, meeting.Change{Kind: meeting.Attended, Attended: slices.Clone(attended)}},
	}
	voters := []step{
		of(committee, journey.CommitteeRole, meeting.Voted), of(nephrologist, journey.Clinician, meeting.Voted),
		of(surgeon, journey.Clinician, meeting.Voted), of(psychologist, journey.Clinician, meeting.Voted),
	}
	for _, v := range voters {
		steps = append(steps, of(v.by, v.role, meeting.Declared))
	}
	for i, v := range voters {
		v.Choice, v.Text = meeting.WithConditions, "Blood pressure at home first."
		if i == 1 {
			v.Choice, v.Text = meeting.Approve, ""
		}
		steps = append(steps, v)
	}
	steps = append(steps, of(committee, journey.CommitteeRole, meeting.Closed))
	for n, next := range steps {
		if int64(n) < known.Seq { // it was done before the program stopped
			continue
		}
		if item, ok := known.Item(s.candidate); ok && next.Kind == meeting.Closed {
			next.Seen = item.Seq
		}
		if known, err = api.ChangeMeeting(ctx, s.store, rules, heldMeeting, next.by, next.role, next.Change); err != nil {
			return fmt.Errorf("hold the meeting, %s: %w", next.Kind, err)
		}
	}
	item, _ := known.Item(s.candidate)
	seen := item.Seq
	if item.Entry > 0 { // the decision is recorded under the key that it had
		seen--
	}
	if err := s.give(ctx, committee, journey.CommitteeRole, journey.RecordDecision, &command.RecordDecision{
		Outcome: journey.Approve, Side: journey.Left, Seats: meeting.CountOf(known, item, rules).Seats, Meeting: heldMeeting, Seen: seen,
		Conditions: []command.Condition{{
			Text: "Two weeks of blood pressure at home, below the threshold of the protocol.", Before: journey.ForScheduling, Due: s.base.AddDays(28), Signer: journey.Clinician,
		}},
	}); err != nil {
		return err
	}
	return s.minute(ctx)
}

// minute has the chair sign the minutes of the meeting that decided.
func (s *script) minute(ctx context.Context) error {
	known, err := s.store.Meeting(ctx, heldMeeting)
	if known.Minutes != nil || err != nil {
		return err
	}
	sign := meeting.Change{Kind: meeting.Signed, Text: "The committee meets again in the same room.", Seen: known.Seq}
	if _, err := api.ChangeMeeting(ctx, s.store, meeting.Rules{}, heldMeeting, committee, journey.CommitteeRole, sign); err != nil {
		return fmt.Errorf("sign the minutes: %w", err)
	}
	return nil
}

// write keeps the letter that told the candidate of the decision.
func (s *script) write(ctx context.Context, of protocol.LetterFor) error {
	letter, ok := s.dispatcher.Current.Letter(of)
	known, err := s.store.Letters(ctx, s.candidate)
	if !ok || err != nil || len(known) > 0 {
		return err
	}
	text, err := letter.Fill(protocol.LetterFacts{Name: s.person.Given + " " + s.person.Family, Date: s.base.Start(s.dispatcher.Current.Zone()).Format("2 January 2006")})
	if err != nil {
		return fmt.Errorf("fill in the letter %s: %w", letter.ID, err)
	}
	_, err = s.store.KeepLetter(ctx, record.Letter{
		Candidate: s.candidate, By: coordinator, Role: journey.Coordinator, Kind: string(of), Template: letter.ID, Protocol: s.dispatcher.Current.Version,
		Title: letter.Title, Text: text, On: s.base, Channel: "post", After: s.seq,
	}, 0)
	return err
}

// rooms are the further scenes of some of the candidates.
func (s *script) rooms() []scene {
	switch s.person.ID {
	case "c07":
		return []scene{s.measure, s.bringIn}
	case "c10":
		return []scene{s.answer}
	case halfWay:
		return []scene{s.begin}
	case "c09":
		return []scene{func(ctx context.Context) error { return s.write(ctx, protocol.LetterOfDecline) }}
	}
	return nil
}
