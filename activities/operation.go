package activities

import (
	"errors"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/record"
)

// operate reads the operation as it stands once the command is carried out, and
// refuses what does not fit it. Before an operation there is nothing to read.
func (c *commit) operate() error {
	if c.state.Operated == "" {
		return nil
	}
	entries, err := c.tx.EntriesOf(operation.Kinds...)
	if err != nil {
		return err
	}
	if c.course, err = operation.Of(entries); err != nil {
		return err
	}
	if err := c.fits(); err != nil {
		return err
	}
	return c.course.Add(record.Entry{
		Seq: c.event.Seq, Kind: c.command.Kind, Actor: c.command.Actor, OccurredAt: c.command.At, Body: c.body,
	})
}

func (c *commit) fits() error {
	err := c.course.Refuse(c.decoded, c.state.Operated, c.command.Today, c.protocol.Zone())
	if body, ok := c.decoded.(*command.RecordComplication); ok && err == nil {
		var faults command.Faults
		c.protocol.CheckComplication(&faults, body.Complication)
		err = faults.Err()
	}
	var invalid *command.Invalid
	if errors.As(err, &invalid) {
		return &journey.Refusal{Code: journey.Invalid, Field: invalid.Faults[0].Field, Message: err.Error()}
	}
	return err
}
