package activities

import (
	"encoding/json"
	"errors"
	"fmt"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/medication"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/recovery"
	"candidacy/internal/result"
	"candidacy/internal/risk"
)

// ofAftercare are the commands that tell of the stay, of medicines and of risks,
// and of what a candidate was told.
var ofAftercare = []journey.Kind{
	journey.RecordOperation, journey.RecordStay, journey.RecordMedicines, journey.RecordRisk, journey.RecordConsent,
}

// StayOf is the stay that a candidate's entries tell of.
func StayOf(entries []record.Entry) (recovery.Stay, error) {
	var stays []command.RecordStay
	approach := ""
	for _, e := range entries {
		switch e.Kind {
		case journey.RecordStay:
			var body command.RecordStay
			if err := decode(e, &body); err != nil {
				return recovery.Stay{}, err
			}
			stays = append(stays, body)
		case journey.RecordOperation:
			var body struct{ Approach string }
			if err := decode(e, &body); err != nil {
				return recovery.Stay{}, err
			}
			approach = body.Approach
		}
	}
	stay := recovery.Of(stays)
	stay.Approach = approach
	return stay, nil
}

// MedicinesOf are the medicines that a candidate's entries tell of.
func MedicinesOf(p *protocol.Protocol, entries []record.Entry) (medication.List, error) {
	var lists []medication.Recorded
	for _, e := range entries {
		if e.Kind != journey.RecordMedicines {
			continue
		}
		list := medication.Recorded{On: journey.DateOf(e.OccurredAt, p.Zone())}
		if err := decode(e, &list.RecordMedicines); err != nil {
			return medication.List{}, err
		}
		lists = append(lists, list)
	}
	return medication.Of(lists), nil
}

func decode(e record.Entry, into any) error {
	if err := json.Unmarshal(e.Body, into); err != nil {
		return fmt.Errorf("entry %d holds no readable body: %w", e.Seq, err)
	}
	return nil
}

// recorded are the entries of ofAftercare, with the one that is being written.
func (c *commit) recorded() ([]record.Entry, error) {
	entries, err := c.tx.EntriesOf(ofAftercare...)
	if err != nil {
		return nil, err
	}
	for _, kind := range ofAftercare {
		if c.command.Kind == kind {
			entries = append(entries, record.Entry{Kind: kind, Seq: c.event.Seq, Actor: c.command.Actor, OccurredAt: c.command.At, Body: c.body})
		}
	}
	return entries, nil
}

// aftercare adds to the snapshot what the entries of ofAftercare tell, after the
// command.
func (c *commit) aftercare(s *Snapshot) error {
	entries, err := c.recorded()
	if err != nil {
		return err
	}
	if s.Stay, err = StayOf(entries); err != nil {
		return err
	}
	if s.Medicines, err = MedicinesOf(c.protocol, entries); err != nil {
		return err
	}
	if s.Told, err = toldOf(c.protocol, entries); err != nil {
		return err
	}
	s.Risks, err = risk.Of(entries)
	return err
}

// toldOf are the disclosures that a candidate's entries tell of.
func toldOf(p *protocol.Protocol, entries []record.Entry) ([]Told, error) {
	var list []Told
	for _, e := range entries {
		if e.Kind != journey.RecordConsent {
			continue
		}
		var body command.RecordConsent
		if err := decode(e, &body); err != nil {
			return nil, err
		}
		if len(body.Disclosures) == 0 {
			continue
		}
		told := Told{Seq: e.Seq, On: journey.DateOf(e.OccurredAt, p.Zone()), Requirements: body.Requirements, Disclosures: body.Disclosures, TeachBack: body.TeachBack}
		if body.Requirement != "" {
			told.Requirements = []string{body.Requirement}
		}
		list = append(list, told)
	}
	return list, nil
}

// risk refuses a risk that does not fit what is on record.
func (c *commit) risk(body *command.RecordRisk) error {
	entries, err := c.tx.EntriesOf(journey.RecordRisk)
	if err != nil {
		return err
	}
	list, err := risk.Of(entries)
	if err != nil {
		return err
	}
	confidential := func(r result.Result) bool { return c.protocol.ConfidentialResult(r.Code, r.Components) }
	if refusal := risk.Refuse(list, body, c.results, confidential); refusal != nil {
		return refusal
	}
	if body.ObtainedBy == "" {
		return nil
	}
	if _, err := c.tx.Account(body.ObtainedBy); errors.Is(err, record.ErrNotFound) {
		return &journey.Refusal{Code: journey.Invalid, Field: "obtained_by", Message: "obtained_by: there is no such account"}
	} else if err != nil {
		return err
	}
	return nil
}

// stay refuses days of a stay that can't be.
func (c *commit) stay(body *command.RecordStay) error {
	entries, err := c.tx.EntriesOf(ofAftercare...)
	if err != nil {
		return err
	}
	before, err := StayOf(entries)
	if err != nil {
		return err
	}
	if refusal := recovery.Check(before, body, c.state.Operated, c.command.Today); refusal != nil {
		return refusal
	}
	return nil
}

// medicines refuses medicines that are taken since a day to come.
func (c *commit) medicines(body *command.RecordMedicines) error {
	for i, m := range body.Medicines {
		if field := fmt.Sprintf("medicines[%d].since", i); c.command.Today.Before(m.Since) {
			return &journey.Refusal{Code: journey.Invalid, Field: field, Message: field + ": not after today, " + string(c.command.Today)}
		}
	}
	return nil
}

// donorLink gives the link to the own page in place of any before it.
func (c *commit) donorLink(body *command.GiveDonorLink) error {
	taken, err := c.tx.LinkTaken(body.Digest)
	if err != nil {
		return err
	}
	if taken {
		return &journey.Refusal{Code: journey.Conflict, Field: "digest", Message: "digest: a secret is used once; make another one"}
	}
	c.link = &record.LinkChange{Digest: body.Digest, ExpiresAt: body.Until.AddDays(1).Start(c.protocol.Zone())}
	return nil
}
