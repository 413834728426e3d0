package command

import (
	"slices"
	"time"

	"candidacy/internal/journey"
)

// ReportEvent is the body of report-event: something happened to a donor that has
// to be reported to an authority, counted from when somebody first knew.
type ReportEvent struct {
	// Event is one of the protocol's reportable events.
	Event      string       `json:"event"`
	HappenedOn journey.Date `json:"happened_on"`
	// AwareAt is when anybody in the hospital first knew, as RFC 3339 with an
	// offset.
	AwareAt string `json:"aware_at"`
	// KnownTo is who that was: an account, or one of Awares.
	KnownTo string `json:"known_to"`
	Note    string `json:"note,omitempty"`
}

// Awares are the parts of a hospital that may be the first to know, where it was
// nobody with an account.
var Awares = []string{"transplant-team", "ward", "emergency", "intensive-care", "operating-theatre", "clinic", "laboratory", "other-staff"}

// Check implements Body.
func (b *ReportEvent) Check(f *Faults) {
	f.id("event", b.Event)
	f.date("happened_on", b.HappenedOn, true)
	f.instant("aware_at", b.AwareAt)
	f.id("known_to", b.KnownTo)
	f.text("note", b.Note, false)
}

// Code implements Body.
func (b *ReportEvent) Code(c *journey.Command) {
	c.Event, c.On, c.Moment, c.Person = coded(b.Event), codedDate(b.HappenedOn), codedInstant(b.AwareAt), coded(b.KnownTo)
}

// Order refuses an event that somebody knew of before the day on which it
// happened, which only the programme's zone can tell.
func (b *ReportEvent) Order(f *Faults, zone *time.Location) {
	at := codedInstant(b.AwareAt)
	if at != "" && at.In(zone).On.Before(codedDate(b.HappenedOn)) {
		f.Add("aware_at", "before the day of the event", "a moment on or after "+string(codedDate(b.HappenedOn)))
	}
}

// Account returns the account that knew first, empty where it is a part of the
// hospital.
func (b *ReportEvent) Account() string {
	if slices.Contains(Awares, b.KnownTo) {
		return ""
	}
	return b.KnownTo
}

// CloseReport is the body of close-report, which stops a clock.
type CloseReport struct {
	Report string `json:"report"`
	// ReportedAt is when the authority was told, as RFC 3339 with an offset.
	ReportedAt string `json:"reported_at"`
	// Reference is the number that the authority gave.
	Reference string `json:"reference,omitempty"`
	Note      string `json:"note,omitempty"`
}

// Check implements Body.
func (b *CloseReport) Check(f *Faults) {
	f.id("report", b.Report)
	f.instant("reported_at", b.ReportedAt)
	if b.Reference != "" {
		f.id("reference", b.Reference)
	}
	f.text("note", b.Note, false)
}

// Code implements Body.
func (b *CloseReport) Code(c *journey.Command) {
	c.Report, c.Moment = coded(b.Report), codedInstant(b.ReportedAt)
}

// RetractReport is the body of retract-report: the event was recorded by mistake.
type RetractReport struct {
	Report string `json:"report"`
	Reason string `json:"reason"`
}

// Check implements Body.
func (b *RetractReport) Check(f *Faults) {
	f.id("report", b.Report)
	f.text("reason", b.Reason, true)
}

// Code implements Body.
func (b *RetractReport) Code(c *journey.Command) {
	c.Report, c.Reasoned = coded(b.Report), given(b.Reason)
}

// RecordDeath is the body of record-death, before an operation.
type RecordDeath struct {
	DiedOn journey.Date `json:"died_on"`
	Note   string       `json:"note,omitempty"`
}

// Check implements Body.
func (b *RecordDeath) Check(f *Faults) {
	f.date("died_on", b.DiedOn, true)
	f.text("note", b.Note, false)
}

// Code implements Body.
func (b *RecordDeath) Code(c *journey.Command) { c.On = codedDate(b.DiedOn) }

func (f *Faults) instant(field, value string) {
	const accepted = "a date and time with an offset, such as 2026-03-01T09:30:00+01:00"
	if value == "" {
		f.Add(field, "missing", accepted)
		return
	}
	if _, err := journey.ParseInstant(value); err != nil {
		f.Add(field, "not a moment", accepted)
	}
}

func codedInstant(value string) journey.Instant {
	at, err := journey.ParseInstant(value)
	if err != nil {
		return ""
	}
	return at
}
