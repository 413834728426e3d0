package activities

import (
	"slices"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// bandChanges says which flags the command raised, lowered or took away, and why:
// no flag goes without a recorded cause.
func (c *commit) bandChanges(next journey.State) []journey.BandChange {
	changes := protocol.BandChanges(c.state.Flags, next.Flags)
	if c.state.Stage == "" || len(changes) == 0 {
		return nil
	}
	person := Person(c.referral.Identity, c.referral.Path, c.referral.Recipient, c.state.Planned)
	before := Eligibility(c.from, person, c.former, c.state.Operated, c.command.Today)
	list := make([]journey.BandChange, len(changes))
	for i, change := range changes {
		list[i] = journey.BandChange{Flag: change.ID, From: change.From, To: change.To}
		if c.command.Kind == journey.MoveProtocol {
			list[i].Causes = []string{journey.ByProtocol}
			continue
		}
		list[i].Causes = causes(change.ID, before.Flags, c.report.Flags, c.changed)
	}
	return list
}

// causes are the changed results that a flag stood on before or stands on now,
// and all of them where it only follows from which are the newest.
func causes(flag string, before, after []protocol.Flag, changed []result.Result) []string {
	var ids, all []string
	for _, r := range changed {
		all = append(all, r.ID)
		stands := func(f protocol.Flag) bool {
			return f.ID == flag && slices.ContainsFunc(f.Inputs, func(in protocol.Input) bool { return in.Result == r.ID })
		}
		if slices.ContainsFunc(before, stands) || slices.ContainsFunc(after, stands) {
			ids = append(ids, r.ID)
		}
	}
	switch {
	case len(ids) > 0:
		return ids
	case len(all) > 0:
		return all
	default:
		return []string{journey.ByTime}
	}
}
