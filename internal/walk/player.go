package walk

import (
	"context"
	"fmt"
	"time"

	"candidacy/internal/dispatch"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// Player gives a walk's commands through a dispatcher, each at its own time.
type Player struct {
	Dispatcher dispatch.Dispatcher
	Now        time.Time
}

// NewPlayer returns a player whose journeys stand still until they are let go.
func NewPlayer(d *dispatch.Dispatcher) *Player {
	p := &Player{Dispatcher: *d}
	p.Dispatcher.BackEntry = true
	p.Dispatcher.Now = func() time.Time { return p.Now }
	return p
}

// Give gives one step.
func (p *Player) Give(ctx context.Context, candidate, key string, step Step) (dispatch.Receipt, error) {
	p.Now = step.At
	return p.Dispatcher.Submit(ctx, dispatch.Request{
		Candidate: candidate, Key: key, Kind: step.Kind, Actor: step.Actor, Role: step.Role, Body: step.Body,
	})
}

// Play gives every step and returns the candidate.
func (p *Player) Play(ctx context.Context, name string, steps []Step) (string, error) {
	candidate := ""
	for i, step := range steps {
		receipt, err := p.Give(ctx, candidate, fmt.Sprintf("%s/%d", name, i), step)
		if err != nil {
			return candidate, fmt.Errorf("%s, %s: %w", name, step.Kind, err)
		}
		candidate = receipt.Candidate
	}
	return candidate, nil
}

// Employ adds the account of the walk's advocate.
func Employ(ctx context.Context, store *record.Store) error {
	_, err := store.AddAccount(ctx, Advocate, "walk-advocate", "Walk Advocate", journey.Advocate, "a password for a test")
	return err
}
