package protocol

import (
	"slices"

	"candidacy/internal/journey"
)

// BandChanges lists the flags that come, go or change their band.
func BandChanges(before, after []journey.Flag) []FlagChange {
	band := func(flags []journey.Flag, id string) journey.Band {
		for _, f := range flags {
			if f.ID == id {
				return f.Band
			}
		}
		return ""
	}
	var changes []FlagChange
	for _, f := range slices.Concat(after, before) {
		change := FlagChange{ID: f.ID, From: band(before, f.ID), To: band(after, f.ID)}
		if change.From != change.To && !slices.Contains(changes, change) {
			changes = append(changes, change)
		}
	}
	return changes
}
