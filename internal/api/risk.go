package api

import (
	"time"

	"candidacy/internal/command"
	"candidacy/internal/record"
	"candidacy/internal/risk"
)

// riskView is a risk as it stands. Seq is what a correction replaces.
type riskView struct {
	command.RecordRisk
	Seq int64     `json:"seq"`
	By  string    `json:"by"`
	At  time.Time `json:"at"`
}

// Risks are those on record, none for who does not read what the care team
// writes.
func (r Reader) Risks(entries []record.Entry) ([]risk.Estimate, error) {
	if !r.ReadsCare() {
		return nil, nil
	}
	return risk.Of(entries)
}
