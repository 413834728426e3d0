package activities

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// Votes are what a decision from a meeting stands on, as it was when it was
// recorded: who was there, who had a conflict of interest, and how each voted.
type Votes struct {
	Meeting  string             `json:"meeting"`
	On       journey.Date       `json:"on"`
	Chair    string             `json:"chair"`
	Present  []meeting.Attendee `json:"present"`
	Conflict []string           `json:"conflict,omitempty"`
	Votes    []meeting.Vote     `json:"votes"`
	ClosedBy string             `json:"closed_by"`
}

// VotingRules are how the committee votes on a candidate of this protocol, whose
// recipient the team cares for.
func VotingRules(p *protocol.Protocol, team []string) meeting.Rules {
	v := p.Voting()
	return meeting.Rules{Members: v.Members, Quorum: v.Quorum, Seats: p.Rules().Quorum, Reached: v.Majority.Reached, TwoPeople: v.TwoPeople, Excluded: team}
}

// voted checks a decision against the meeting that it is recorded from. The seats
// are those of the meeting, whatever was sent.
func (c *commit) voted(body *command.RecordDecision) (*Votes, error) {
	if body.Meeting == "" {
		return nil, nil
	}
	m, err := c.tx.Meeting(body.Meeting)
	if errors.Is(err, record.ErrNotFound) {
		return nil, &journey.Refusal{Code: journey.Invalid, Field: "meeting", Message: "meeting: there is no such meeting"}
	}
	if err != nil {
		return nil, err
	}
	change := meeting.Change{
		Kind: meeting.Decided, Seen: body.Seen, Candidate: c.command.Candidate, Outcome: body.Outcome, Entry: c.event.Seq,
	}
	team, err := c.tx.RecipientTeam(c.referral.Recipient)
	if err != nil {
		return nil, err
	}
	rules := VotingRules(c.protocol, team)
	if err := meeting.Check(m, change, c.command.Actor, c.command.Role, rules); err != nil {
		return nil, err
	}
	item, _ := m.Item(c.command.Candidate)
	count := meeting.CountOf(m, item, rules)
	var reasons []journey.Reason
	for _, seat := range body.Seats {
		if !slices.Contains(count.Seats, seat) {
			reasons = append(reasons, journey.Reason{Rule: "quorum", Message: "no quorum: " + seat + " is not present"})
		}
	}
	if body.Outcome == journey.Approve && count.MustCondition && len(body.Conditions) == 0 {
		reasons = append(reasons, journey.Reason{Rule: "votes", Message: "the votes approve with conditions, and the decision has none"})
	}
	if len(reasons) > 0 {
		return nil, &journey.Refusal{Code: journey.Blocked, Message: string(c.command.Kind) + " is blocked", Reasons: reasons}
	}
	votes := &Votes{Meeting: m.ID, On: m.Plan.On, Chair: m.Plan.Chair, Present: item.Attended, Votes: count.Votes, ClosedBy: item.ClosedBy}
	for _, a := range item.Attended {
		if conflict, _ := item.Conflicted(a.Account); conflict {
			votes.Conflict = append(votes.Conflict, a.Account)
		}
	}
	c.meeting, c.decided = body.Meeting, change
	return votes, nil
}

// answer refuses an answer to what nobody asked.
func (c *commit) answer(body *command.AnswerQuestion) error {
	asked, err := c.tx.EntriesOf(journey.AskQuestion)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(asked, func(e record.Entry) bool { return e.Seq == body.Question }) {
		return &journey.Refusal{Code: journey.Invalid, Field: "question", Message: "question: no question stands in that entry"}
	}
	return nil
}

// ConditionTexts are what the conditions of approvals ask for, by requirement.
func ConditionTexts(entries []record.Entry) (map[string]string, error) {
	texts := map[string]string{}
	n := 0
	for _, e := range entries {
		if e.Kind != journey.RecordDecision {
			continue
		}
		var body command.RecordDecision
		if err := json.Unmarshal(e.Body, &body); err != nil {
			return nil, fmt.Errorf("the decision in entry %d is unreadable: %w", e.Seq, err)
		}
		for _, c := range body.Conditions {
			n++
			texts[journey.ImposedID(n)] = c.Text
		}
	}
	return texts, nil
}
