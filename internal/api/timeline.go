package api

import (
	"bytes"
	"encoding/json"
	"slices"
	"time"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// moment is one entry of the record as the timeline shows it.
type moment struct {
	Seq        int64        `json:"seq"`
	Kind       journey.Kind `json:"kind"`
	Actor      string       `json:"actor"`
	Role       journey.Role `json:"role"`
	OccurredAt time.Time    `json:"occurred_at"`
	RecordedAt time.Time    `json:"recorded_at"`
	// Fired lists the deadlines that passed, Mismatches the lines of a last
	// check that did not agree.
	Fired      []journey.Deadline `json:"fired,omitempty"`
	Mismatches []string           `json:"mismatches,omitempty"`
	// Outstanding lists what a planned operation lacked on a day of readiness.
	Outstanding []string `json:"outstanding,omitempty"`
	// Body is what was given with the command, as far as the reader may see it.
	Body json.RawMessage `json:"body,omitempty"`
}

var identityMembers = []string{"birth_date", "identifier"}

func timeline(reader Reader, p *protocol.Protocol, entries []record.Entry) ([]moment, error) {
	list := make([]moment, len(entries))
	for i, e := range entries {
		event, err := e.Decode()
		if err != nil {
			return nil, err
		}
		list[i] = moment{
			Seq: e.Seq, Kind: e.Kind, Actor: e.Actor, Role: e.Role, OccurredAt: e.OccurredAt, RecordedAt: e.RecordedAt,
			Fired: event.Fired, Mismatches: event.Mismatches, Outstanding: event.Outstanding, Body: body(reader, p, e),
		}
	}
	return list, nil
}

// body returns what the reader may see of an entry's body, nil when that is
// nothing. A body that can't be taken apart is not shown.
func body(reader Reader, p *protocol.Protocol, e record.Entry) json.RawMessage {
	if !reader.ReadsCare() {
		return nil
	}
	var members map[string]json.RawMessage
	if json.Unmarshal(e.Body, &members) != nil {
		return nil
	}
	for _, member := range hidden(reader, p, e, members) {
		delete(members, member)
	}
	narrow := func(member string, to func(json.RawMessage) json.RawMessage) {
		if raw, ok := members[member]; ok {
			if raw = to(raw); raw == nil {
				delete(members, member)
			} else {
				members[member] = raw
			}
		}
	}
	narrow("basis", func(raw json.RawMessage) json.RawMessage { return basisFor(reader, p, raw) })
	if !reader.confidant() {
		switch e.Kind {
		case journey.RecordResults:
			narrow("results", func(raw json.RawMessage) json.RawMessage { return reader.reported(p, e.Actor, raw) })
		case journey.AnswerQuestionnaire:
			narrow("answers", func(raw json.RawMessage) json.RawMessage {
				return filtered(raw, func(list []activities.AnsweredQuestion) []activities.AnsweredQuestion {
					shown, _ := reader.Answers(p, list)
					return shown
				})
			})
		case journey.MoveProtocol:
			narrow("flags", func(raw json.RawMessage) json.RawMessage {
				return filtered(raw, func(list []protocol.FlagChange) []protocol.FlagChange { return reader.FlagChanges(p, p, list) })
			})
		}
	}
	if len(members) == 0 {
		return nil
	}
	raw, err := json.Marshal(members)
	if err != nil {
		return nil
	}
	return raw
}

// basisFor is what a decision stood on as the reader may see it, nil when it
// can't be taken apart.
func basisFor(reader Reader, p *protocol.Protocol, raw json.RawMessage) json.RawMessage {
	var members map[string]json.RawMessage
	if json.Unmarshal(raw, &members) != nil {
		return nil
	}
	changed := false
	narrow := func(member string, to func(json.RawMessage) json.RawMessage) bool {
		before, ok := members[member]
		if !ok {
			return true
		}
		after := to(before)
		changed = changed || !bytes.Equal(before, after)
		members[member] = after
		return after != nil
	}
	readable := narrow("requirements", func(raw json.RawMessage) json.RawMessage {
		return filtered(raw, func(list []activities.BasisRequirement) []activities.BasisRequirement {
			shown := slices.Clone(list)
			for i := range shown {
				shown[i], _ = reader.BasisRequirement(p, shown[i])
			}
			return shown
		})
	})
	if !reader.confidant() {
		readable = narrow("flags", func(raw json.RawMessage) json.RawMessage {
			return filtered(raw, func(list []protocol.Flag) []protocol.Flag { return reader.Flags(p, list) })
		}) && readable
		readable = narrow("derived", func(raw json.RawMessage) json.RawMessage {
			return filtered(raw, func(list []protocol.Derived) []protocol.Derived { return reader.Derived(p, list) })
		}) && readable
		readable = narrow("conditions", func(raw json.RawMessage) json.RawMessage {
			return filtered(raw, func(list []protocol.Condition) []protocol.Condition { return reader.Conditions(p, list) })
		}) && readable
	}
	if !readable {
		return nil
	}
	if !changed {
		return raw
	}
	shown, err := json.Marshal(members)
	if err != nil {
		return nil
	}
	return shown
}

// hidden lists the members of a body that are not for the reader.
func hidden(reader Reader, p *protocol.Protocol, e record.Entry, members map[string]json.RawMessage) []string {
	// What can't be read stays empty, which no protocol knows.
	var requirements []string
	if members["requirement"] != nil || members["requirements"] == nil {
		requirements = append(requirements, "")
		_ = json.Unmarshal(members["requirement"], &requirements[0])
	} else {
		_ = json.Unmarshal(members["requirements"], &requirements)
	}
	list := reader.Withheld(p, e.Kind, e.Actor, requirements...)
	switch {
	case e.Kind == journey.GiveDonorLink || e.Kind == journey.GiveQuestionnaire:
		list = append(list, "digest") // what a secret is recognised by is for nobody
	case e.Kind == journey.Refer:
		// Whoever reads this may not be allowed to know of the others.
		list = append(list, "distinct_from")
		if !reader.SeesRecipient() {
			list = append(list, "recipient", "distinct_reason")
		}
	case e.Kind == journey.ConfirmLastCheck && !slices.Contains(seeIdentity, reader.Role):
		list = append(list, identityMembers...)
	}
	return list
}
