package activities

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// Move is the body of the entry of a move to another protocol version: what was
// given, where from, and the flags whose band it changed.
type Move struct {
	command.MoveProtocol
	From   string                `json:"from"`
	Digest string                `json:"digest"`
	Flags  []protocol.FlagChange `json:"flags,omitempty"`
}

// pinnedElsewhere says that the record has the candidate on another protocol
// version than the workflow, which is behind.
type pinnedElsewhere struct{ version string }

// Error implements error.
func (p *pinnedElsewhere) Error() string {
	return "the candidate is on record with protocol version " + p.version
}

// target loads the protocol that a move leads to, nil for any other command. It
// is read before the transaction: a stored text never changes.
func (a *Activities) target(ctx context.Context, c journey.Command) (*protocol.Protocol, error) {
	if c.Kind != journey.MoveProtocol {
		return nil, nil
	}
	p, err := a.Protocols.Get(ctx, c.Version)
	if errors.Is(err, record.ErrNotFound) {
		return nil, &journey.Refusal{Code: journey.Invalid, Field: "version", Message: "version: no such protocol version is stored"}
	}
	if err == nil && p.ApprovedBy == "" {
		return nil, &journey.Refusal{Code: journey.Invalid, Field: "version", Message: "version: nobody approved this version of the protocol"}
	}
	return p, err
}

// move completes the event and the entry of a move. The report is by the new
// protocol already.
func (c *commit) move(body *command.MoveProtocol) error {
	c.event = Moved(c.from, c.protocol, c.state, c.event, c.report)
	var err error
	c.body, err = json.Marshal(Move{
		MoveProtocol: *body, From: c.from.Version, Digest: c.protocol.Digest(),
		Flags: protocol.BandChanges(c.state.Flags, c.event.Assessment.Flags),
	})
	if err != nil {
		return fmt.Errorf("encode the move: %w", err)
	}
	return nil
}

// Moved is the event of a move with everything that follows from it: the report
// is by the protocol that it leads to. A preview asks it as well, so that it
// shows what will happen.
func Moved(from, to *protocol.Protocol, state journey.State, e journey.Event, report protocol.Report) journey.Event {
	rules := to.Rules()
	e.Rules, e.Assessment = &rules, report.Coded()
	after := journey.Rebase(from.Rules(), rules, state, e)
	e.Fired = journey.DueBy(rules, after, e.Given())
	return e
}
