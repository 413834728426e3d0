package dispatch

import (
	"context"
	"errors"

	"candidacy/internal/command"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// reportable checks what only the edge can: that whoever knew first has an account,
// so that no name reaches the process, and that nobody knew before the event.
func (d *Dispatcher) reportable(ctx context.Context, p *protocol.Protocol, body command.Body) error {
	report, ok := body.(*command.ReportEvent)
	if !ok {
		return nil
	}
	var faults command.Faults
	report.Order(&faults, p.Zone())
	if id := report.Account(); id != "" {
		switch _, err := d.Store.Account(ctx, id); {
		case errors.Is(err, record.ErrNotFound):
			faults.Add("known_to", "there is no such account", append([]string{"the id of an account"}, command.Awares...)...)
		case err != nil:
			return err
		}
	}
	return faults.Err()
}
