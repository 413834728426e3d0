package protocol

import (
	"slices"

	"candidacy/internal/journey"
)

// Reportable is an event that has to be reported to an authority. Its hours count
// from the first awareness of anybody in the hospital.
type Reportable struct {
	ID    string `yaml:"id"`
	Title string `yaml:"title"`
	// WithinYears bounds the years after the operation.
	WithinYears int   `yaml:"within_years" doc:"reported only when it happens within so many years after the operation; 0 or nothing: always"`
	WarnHours   []int `yaml:"warn_hours" doc:"hours after the first awareness at which a warning is recorded"`
	// TargetHours is when it should be done, DueHours when it has to be.
	TargetHours int           `yaml:"target_hours" doc:"hours after the first awareness by which it should be reported; a warning is recorded then"`
	DueHours    int           `yaml:"due_hours" doc:"hours after the first awareness by which it has to be reported; 0 or nothing: no clock runs"`
	Death       bool          `yaml:"death" doc:"it is the donor's death: nothing else is owed after it"`
	Publish     bool          `yaml:"publish" doc:"published as an adverse event of the donor; never one that tells of a recipient"`
	StartedBy   *ReportableBy `yaml:"started_by" doc:"what starts the clock by itself; otherwise somebody records the event"`
	Source      string        `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
	Differs     string        `yaml:"differs" doc:"where countries or sites differ, so that the value is theirs to set"`
}

// ReportableBy is an end of the operation that is itself the event: its outcome,
// or what became of the kidney.
type ReportableBy struct {
	Operation journey.Outcome `yaml:"operation" doc:"stopped-not-removed"`
	Fate      journey.Fate    `yaml:"fate" doc:"not-implanted or implanted-other"`
}

// Event finds an event that has to be reported by its id.
func (p *Protocol) Event(id string) (Reportable, bool) {
	i := slices.IndexFunc(p.Reportable, func(r Reportable) bool { return r.ID == id })
	if i < 0 {
		return Reportable{}, false
	}
	return p.Reportable[i], true
}

// mostHours bounds a clock: ten weeks.
const mostHours = 1680

func (p *Protocol) checkReportable(fail func(string, ...any)) {
	ids := map[string]bool{}
	death := false
	for _, r := range p.Reportable {
		at := "reportable." + r.ID
		if !identifier.MatchString(r.ID) || ids[r.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		ids[r.ID] = true
		if r.Title == "" || r.Source == "" {
			fail("%s: title and source are needed", at)
		}
		if r.WithinYears < 0 || r.WithinYears > 100 {
			fail("%s.within_years: accepted: 0 to 100", at)
		}
		if r.DueHours < 0 || r.DueHours > mostHours {
			fail("%s.due_hours: accepted: 0 to %d", at, mostHours)
		}
		if slices.ContainsFunc(r.WarnHours, func(hours int) bool { return hours < 1 || hours >= r.DueHours }) {
			fail("%s.warn_hours: accepted: hours from 1 on and before due_hours", at)
		}
		if r.TargetHours != 0 && (r.TargetHours < 1 || r.TargetHours >= r.DueHours) {
			fail("%s.target_hours: accepted: hours from 1 on and before due_hours", at)
		}
		if r.Death && death {
			fail("%s.death: only one event is the donor's death", at)
		}
		death = death || r.Death
		by := r.StartedBy
		if by == nil {
			continue
		}
		switch {
		case (by.Operation == "") == (by.Fate == ""):
			fail("%s.started_by: needs either operation or fate", at)
		case by.Operation != "" && by.Operation != journey.StoppedNotRemoved:
			fail("%s.started_by.operation: accepted: %s", at, journey.StoppedNotRemoved)
		case by.Fate != "" && by.Fate != journey.FateNotImplanted && by.Fate != journey.FateImplantedOther:
			fail("%s.started_by.fate: accepted: %s, %s", at, journey.FateNotImplanted, journey.FateImplantedOther)
		case r.Death:
			fail("%s.started_by: a death is recorded by somebody", at)
		case by.Fate != "" && r.Publish:
			fail("%s.publish: what became of the kidney tells of a recipient and is not published", at)
		}
	}
}

// reports is what the process knows of the events.
func (p *Protocol) reports() []journey.ReportRule {
	var list []journey.ReportRule
	for _, r := range p.Reportable {
		rule := journey.ReportRule{
			ID: r.ID, WithinYears: r.WithinYears, WarnHours: slices.Clone(r.WarnHours), DueHours: r.DueHours, Death: r.Death,
		}
		if r.TargetHours > 0 && !slices.Contains(rule.WarnHours, r.TargetHours) {
			rule.WarnHours = append(rule.WarnHours, r.TargetHours)
		}
		if r.StartedBy != nil {
			rule.Operation, rule.Fate = r.StartedBy.Operation, r.StartedBy.Fate
		}
		list = append(list, rule)
	}
	return list
}
