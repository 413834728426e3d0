package api

import (
	"context"
	"encoding/json"
	"slices"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/measures"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// ofLives are the kinds of entry that measures are made from.
var ofLives = slices.Concat(journey.Moves, operation.Kinds, []journey.Kind{journey.ConfirmVerification, journey.ConfirmLastCheck, journey.RecordStay})

// People reads what measures are made from.
func People(ctx context.Context, store *record.Store, protocols *protocol.Registry, candidates []record.Candidate) ([]*measures.Person, error) {
	people := make([]*measures.Person, len(candidates))
	for i, c := range candidates {
		var err error
		if people[i], err = PersonOf(ctx, store, protocols, c); err != nil {
			return nil, err
		}
	}
	return people, nil
}

// PersonOf reads what measures are made from of one candidate.
func PersonOf(ctx context.Context, store *record.Store, protocols *protocol.Registry, c record.Candidate) (*measures.Person, error) {
	entries, err := store.EntriesOf(ctx, c.ID, ofLives...)
	if err != nil {
		return nil, err
	}
	return personOf(ctx, store, protocols, c, entries)
}

// personOf makes a person of their entries of the kinds of ofLives.
func personOf(ctx context.Context, store *record.Store, protocols *protocol.Registry, c record.Candidate, entries []record.Entry) (*measures.Person, error) {
	p, err := protocols.Get(ctx, c.Protocol)
	if err != nil {
		return nil, err
	}
	life := measures.Life{Candidate: c.ID, State: c.State, Protocol: p}
	var moves []journey.Event
	for _, e := range entries {
		event, err := e.Decode()
		if err != nil {
			return nil, err
		}
		life.Events = append(life.Events, event)
		if slices.Contains(journey.Moves, event.Kind) {
			moves = append(moves, event)
		}
	}
	if life.Stay, err = activities.StayOf(entries); err != nil {
		return nil, err
	}
	if life.Operation, err = operation.Of(entries); err != nil {
		return nil, err
	}
	if life.Operation.Record != nil {
		if life.Results, err = store.Results(ctx, c.ID); err != nil {
			return nil, err
		}
	}
	stays, told := journey.Stays(moves, c.State)
	if !told {
		if stays, err = foldStays(ctx, store, protocols, c); err != nil {
			return nil, err
		}
	}
	life.Stays = stays
	return measures.Read(life), nil
}

// foldStays reads everything that is on record of a candidate.
func foldStays(ctx context.Context, store *record.Store, protocols *protocol.Registry, c record.Candidate) ([]journey.Stay, error) {
	entries, err := store.Entries(ctx, c.ID)
	if err != nil {
		return nil, err
	}
	first, moved := c.Protocol, false
	events := make([]journey.Event, len(entries))
	for i, e := range entries {
		if events[i], err = e.Decode(); err != nil {
			return nil, err
		}
		if e.Kind == journey.MoveProtocol && !moved {
			var body activities.Move
			if err := json.Unmarshal(e.Body, &body); err != nil {
				return nil, err
			}
			first, moved = body.From, true
		}
	}
	p, err := protocols.Get(ctx, first)
	if err != nil {
		return nil, err
	}
	return journey.FoldStays(p.Rules(), events), nil
}
