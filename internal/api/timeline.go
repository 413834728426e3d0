package api

import (
	"encoding/json"
	"slices"
	"time"

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
	// Body is what was given with the command, as far as the reader may see it.
	Body json.RawMessage `json:"body,omitempty"`
}

var (
	seeBodies = []journey.Role{journey.Coordinator, journey.Clinician, journey.Advocate, journey.CommitteeRole}
	// seeFindings may read what the psychosocial evaluator and the advocate
	// wrote: a candidate must be able to speak freely to both.
	seeFindings     = []journey.Role{journey.Clinician, journey.Advocate, journey.CommitteeRole}
	guardedDomains  = []string{"psychosocial", "advocate"}
	identityMembers = []string{"birth_date", "identifier"}
)

func timeline(role journey.Role, p *protocol.Protocol, entries []record.Entry) ([]moment, error) {
	list := make([]moment, len(entries))
	for i, e := range entries {
		event, err := e.Decode()
		if err != nil {
			return nil, err
		}
		list[i] = moment{
			Seq: e.Seq, Kind: e.Kind, Actor: e.Actor, Role: e.Role, OccurredAt: e.OccurredAt, RecordedAt: e.RecordedAt,
			Fired: event.Fired, Mismatches: event.Mismatches, Body: body(role, p, e),
		}
	}
	return list, nil
}

// body returns what the role may see of an entry's body, nil when that is
// nothing. A body that can't be taken apart is not shown.
func body(role journey.Role, p *protocol.Protocol, e record.Entry) json.RawMessage {
	if !slices.Contains(seeBodies, role) {
		return nil
	}
	var members map[string]json.RawMessage
	if json.Unmarshal(e.Body, &members) != nil {
		return nil
	}
	for _, member := range hidden(role, p, e.Kind, members) {
		delete(members, member)
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

// hidden lists the members of a body that are not for the role.
func hidden(role journey.Role, p *protocol.Protocol, kind journey.Kind, members map[string]json.RawMessage) []string {
	switch {
	case kind == journey.Refer && !slices.Contains(seeRecipient, role):
		return []string{"recipient"}
	case kind == journey.ConfirmLastCheck && !slices.Contains(seeIdentity, role):
		return identityMembers
	case kind == journey.RecordReview && !slices.Contains(seeFindings, role) && guarded(p, members["requirement"]):
		return []string{"findings"}
	}
	return nil
}

// guarded reports whether a review is the psychosocial evaluator's or the
// advocate's. One that the protocol does not know is taken for guarded.
func guarded(p *protocol.Protocol, requirement json.RawMessage) bool {
	var id string
	if json.Unmarshal(requirement, &id) != nil {
		return true
	}
	rule, known := p.Find(id)
	return !known || rule.ByAdvocate || slices.Contains(guardedDomains, rule.Domain)
}
