package activities

import (
	"encoding/json"
	"fmt"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// notices are the messages that the fired deadlines of events ask for. They are
// written with the entries, so that neither is there without the other. A
// journey that is entered after the fact tells nobody what passed long ago, and
// one that has ended waits for nobody.
func notices(p *protocol.Protocol, before, after journey.State, events []journey.Event) []record.Notice {
	if before.BackEntry || after.Stage.Ended() {
		return nil
	}
	var list []record.Notice
	for _, e := range events {
		fired := e.Fired
		// What a candidate says by themselves waits for somebody from then on.
		switch e.Kind {
		case journey.AskToStop:
			fired = []journey.Deadline{{Kind: protocol.StopAsked, On: e.Today}}
		case journey.AnswerQuestionnaire:
			fired = []journey.Deadline{{Kind: protocol.QuestionnaireAnswered, On: e.Today}}
		}
		for _, d := range fired {
			for _, n := range p.Told(d) {
				for _, to := range n.To {
					list = append(list, notice(p, n, to, e, d))
				}
			}
		}
	}
	return list
}

func notice(p *protocol.Protocol, n protocol.Notice, to protocol.Addressee, e journey.Event, d journey.Deadline) record.Notice {
	made := record.Notice{
		Seq: e.Seq, Deadline: d.Kind, Addressee: string(to), Protocol: p.Version, Text: n.Text, DueAt: n.NotBefore(d.On, p.Zone()),
	}
	// Staff are told once that something waits, however much of a kind passed on
	// that day. What a candidate is told of may be settled before it is sent.
	if to == protocol.ToCandidate {
		made.Subject = d.Subject
	}
	return made
}

// contact takes the details to where the identity is. The entry says that there
// are some, and what the candidate said to being written to.
func (c *commit) contact(body *command.ContactDetails) error {
	c.details = &record.Contact{Email: body.Email, Phone: body.Phone, Permission: body.EmailPermission}
	var err error
	c.body, err = json.Marshal(ContactEntry{Email: body.Email != "", Phone: body.Phone != "", EmailPermission: body.EmailPermission})
	if err != nil {
		return fmt.Errorf("encode the contact details: %w", err)
	}
	return nil
}

// ContactEntry is the body of the entry of contact details.
type ContactEntry struct {
	Email           bool   `json:"email"`
	Phone           bool   `json:"phone"`
	EmailPermission string `json:"email_permission"`
}
