package web

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// What the team sees of a candidate's questionnaire, and what it does about it.

// questionnaireDays is what the form offers as the life of a link. Common practice.
const questionnaireDays = 14

// questionnaireActions are the forms about a link to a questionnaire, and about a
// wish to stop.
func questionnaireActions() map[journey.Kind]action {
	return map[journey.Kind]action{
		journey.GiveQuestionnaire: {
			Title: "Give the candidate a questionnaire", Button: "Make the link", Done: "The link is made.",
			Hint: "The link is shown once. The candidate opens it with the date of birth, fills it in on a telephone or a computer, and sends it once. A link from before stops, and what was filled in by it is lost.",
			Fields: func(s scene) []field {
				var options []option
				for _, q := range s.protocol.Questionnaires {
					options = append(options, option{q.ID, q.Title})
				}
				first := ""
				if len(options) > 0 {
					first = options[0].Value
				}
				return []field{
					{Name: "questionnaire", Label: "Questionnaire", Type: "select", Options: options, Value: first},
					{Name: "until", Label: "Last day of the link", Type: "date", Value: string(s.today.AddDays(questionnaireDays))},
				}
			},
			Empty: func(s scene) string {
				if len(s.protocol.Questionnaires) == 0 {
					return "The protocol of this candidate has no questionnaire."
				}
				return ""
			},
			Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
				return &command.GiveQuestionnaire{Questionnaire: v.Get("questionnaire"), Digest: v.Get("digest"), Until: journey.Date(v.Get("until"))}, nil
			},
		},
		journey.RevokeQuestionnaire: {
			Title: "Revoke the link to the questionnaire", Button: "Revoke the link", Done: "The link is revoked.",
			Hint:   "What was filled in by it and not sent is lost.",
			Fields: noteOnly, Body: plainBody,
			Empty: func(s scene) string {
				if s.candidate.State.Questionnaire == "" {
					return "No link is open."
				}
				return ""
			},
		},
		journey.SettleStopWish: {
			Title: "Record the talk about stopping", Button: "Record", Done: "The talk is recorded.",
			Hint:   "The candidate said in private that they want to stop. Talk with them alone first. If they stop, record the withdrawal instead.",
			Fields: fixed(reasonField("What came of it", "Read by coordinators and the advocate alone.")), Body: reasonedBody,
			Empty: func(s scene) string {
				if s.candidate.State.StopWished == "" {
					return "The candidate has not asked to stop."
				}
				return ""
			},
		},
	}
}

// stopNeed asks for the talk with a candidate who wants to stop.
func stopNeed(s journey.State, add adder) {
	if s.StopWished != "" {
		add(journey.SettleStopWish, "Talk in private: asked to stop on %s", dayWord(s.StopWished))
	}
}

// selfModel is what a candidate said by themselves.
type selfModel struct {
	// Until is the last day of the link that is open, Over that it is past.
	Until string
	Over  bool
	// Stop says when they asked to stop, Words what they wrote with it.
	Stop, Words string
	Rounds      []selfRound
}

// selfRound is one questionnaire that was sent.
type selfRound struct {
	Title, When string
	Sections    []selfSection
	// Kept says that there are answers that are not for the viewer.
	Kept    bool
	Changes []fact
}

type selfSection struct {
	Title string
	Rows  []selfAnswer
}

// selfAnswer is one answer with how far it is verified.
type selfAnswer struct {
	Text, Answer, Status, Link string
	Verified                   bool
}

// selfOf gathers it from the record, the newest questionnaire first.
func selfOf(sc scene, entries []record.Entry, events []journey.Event) *selfModel {
	m := &selfModel{}
	state, reader := sc.candidate.State, sc.viewer.reader()
	if state.Questionnaire != "" {
		m.Until, m.Over = dayWord(state.Questionnaire), state.Questionnaire.Before(sc.today)
	}
	for i, e := range slices.Backward(entries) {
		switch e.Kind {
		case journey.AskToStop:
			if state.StopWished == "" || m.Stop != "" || !reader.MayReadStopWish() {
				continue
			}
			var body activities.StopWish
			read(e, &body)
			m.Stop, m.Words = dayWord(events[i].Today), body.Words
		case journey.AnswerQuestionnaire:
			m.Rounds = append(m.Rounds, roundOf(sc, e, events[i]))
		}
	}
	if m.Until == "" && m.Stop == "" && len(m.Rounds) == 0 {
		return nil
	}
	return m
}

func roundOf(sc scene, e record.Entry, event journey.Event) selfRound {
	var body activities.Answered
	read(e, &body)
	shown, kept := sc.viewer.reader().Answers(sc.protocol, body.Answers)
	round := selfRound{Title: body.Title, When: e.OccurredAt.In(sc.protocol.Zone()).Format("2 Jan 2006, 15:04"), Kept: kept}
	if !sc.viewer.reader().ReadsCare() {
		shown, round.Kept = nil, true
	}
	for _, a := range shown {
		n := len(round.Sections)
		if n == 0 || round.Sections[n-1].Title != a.Section {
			round.Sections = append(round.Sections, selfSection{Title: a.Section})
			n++
		}
		row := selfAnswer{Text: a.Text, Answer: a.Words}
		if day := dayWord(journey.Date(a.Answer)); len(a.Answer) == len("2006-01-02") && strings.Count(a.Answer, "-") == 2 && day != "" {
			row.Answer = day
		}
		if a.Code != "" {
			row.Status, row.Verified = verification(sc, a.Code)
			if journey.MayGive(sc.viewer.Role, journey.RecordResults) {
				row.Link = "?" + url.Values{"code": {a.Code}}.Encode() + "#" + string(journey.RecordResults)
			}
		}
		round.Sections[n-1].Rows = append(round.Sections[n-1].Rows, row)
	}
	var changes entryModel
	changes.changes(sc, event)
	round.Changes = changes.Details
	return round
}

// verification says whether somebody of the staff has since reported what a
// candidate said.
func verification(sc scene, code string) (status string, verified bool) {
	var newest *result.Result
	for i := range sc.results {
		if r := &sc.results[i]; r.Code.Code == code && r.Status.Usable() && (newest == nil || moment(*newest) <= moment(*r)) {
			newest = r
		}
	}
	if newest == nil || newest.BySelf() {
		return "Not verified by staff", false
	}
	return fmt.Sprintf("Staff recorded on %s: %s", dayWord(journey.Date(newest.CollectedOn)), valueWord(newest.Value)), true
}
