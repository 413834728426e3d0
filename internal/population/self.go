package population

import (
	"encoding/hex"
	"fmt"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

// self is the candidate, who speaks by a link of their own.
var self = account{string(journey.Self), journey.Self}

// askSelf gives the candidate a questionnaire, and mostly plays what comes of it.
func (p *player) askSelf() {
	if len(p.protocol.Questionnaires) == 0 || !p.state.Stage.BeforeOperation() {
		return
	}
	q := pick(p.dice, p.protocol.Questionnaires...)
	digest := make([]byte, 32)
	for i := range digest {
		digest[i] = byte(p.dice.IntN(256))
	}
	link := hex.EncodeToString(digest)
	if !p.give(coordinator, journey.GiveQuestionnaire, &command.GiveQuestionnaire{Questionnaire: q.ID, Digest: link, Until: p.today().AddDays(1 + p.dice.IntN(40))}) {
		return
	}
	p.wait(0, 3)
	if p.chance(0.3) && p.give(self, journey.AskToStop, &command.AskToStop{Link: link, Words: p.note()}) && p.chance(0.8) {
		p.give(pick(p.dice, coordinator, advocate), journey.SettleStopWish, &command.Reasoned{Reason: p.note()})
	}
	if p.chance(0.3) {
		p.give(coordinator, journey.RevokeQuestionnaire, &command.Plain{Note: p.note()})
	}
	// What is over or was revoked is refused; what was sent is sent once.
	if p.chance(0.85) {
		body := &command.AnswerQuestionnaire{Questionnaire: q.ID, Link: link, Answers: p.answers(q)}
		p.give(self, journey.AnswerQuestionnaire, body)
		if p.chance(0.2) {
			p.give(self, journey.AnswerQuestionnaire, body)
		}
	}
}

// answers fills in a questionnaire: everything that is asked for, and some of the
// rest.
func (p *player) answers(q protocol.Questionnaire) []command.Answer {
	given := map[string]string{}
	var list []command.Answer
	for _, each := range q.Questions() {
		if !q.Asked(each, given) || !each.Required && p.chance(0.5) {
			continue
		}
		answer := ""
		switch each.Type {
		case protocol.AskBoolean:
			answer = pick(p.dice, protocol.AnswerNo, protocol.AnswerNo, protocol.AnswerYes, protocol.AnswerUnknown)
		case protocol.AskChoice:
			answer = pick(p.dice, each.Choices...).Code
		case protocol.AskDate:
			answer = string(p.today().AddDays(-p.dice.IntN(4000)))
		case protocol.AskText:
			answer = p.note()
		default:
			low, high := p.protocol.Bounds(each)
			answer = fmt.Sprint(int(low) + p.dice.IntN(int(high-low)+1))
		}
		if answer == "" {
			continue
		}
		given[each.ID] = answer
		list = append(list, command.Answer{Question: each.ID, Answer: answer})
	}
	return list
}
