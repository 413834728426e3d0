package journey

import (
	"fmt"
	"time"
)

// Instant is a moment to the second, written as RFC 3339 in UTC, so that all have
// one width and compare as text. The empty Instant means "no moment".
type Instant string

// instantForm is the one form of an Instant.
const instantForm = "2006-01-02T15:04:05Z"

// ParseInstant reads RFC 3339 with an offset and drops fractions of a second. A
// time without an offset is refused: it would be another moment elsewhere.
func ParseInstant(text string) (Instant, error) {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return "", fmt.Errorf("not a moment: use RFC 3339 with an offset, such as 2026-03-01T09:30:00+01:00")
	}
	if year := t.UTC().Year(); year < 1 || year > 9999 {
		return "", fmt.Errorf("not a moment of the years 1 to 9999")
	}
	return InstantOf(t), nil
}

// InstantOf is the second in which a time lies.
func InstantOf(t time.Time) Instant { return Instant(t.UTC().Format(instantForm)) }

// Time returns the instant as a time in UTC, zero for none.
func (i Instant) Time() time.Time {
	t, err := time.Parse(instantForm, string(i))
	if err != nil {
		return time.Time{}
	}
	return t
}

// AddHours moves the instant by hours as a clock counts them, also across a
// change of the wall clock. The empty Instant stays empty.
func (i Instant) AddHours(hours int) Instant {
	t, err := time.Parse(instantForm, string(i))
	if err != nil {
		return ""
	}
	return InstantOf(t.Add(time.Duration(hours) * time.Hour))
}

// Before reports whether i is earlier than other.
func (i Instant) Before(other Instant) bool { return i < other }

// In returns the moment that an instant is in a time zone.
func (i Instant) In(zone *time.Location) Moment { return Moment{DateOf(i.Time(), zone), i} }

// Moment is an instant with the calendar day on which it lies, which only the
// programme's time zone can tell: with both, package journey needs no zone to
// know what has passed. Without an instant it is the start of the day.
type Moment struct {
	On Date    `json:"on"`
	At Instant `json:"at,omitempty"`
}

// Given is when a command is given.
func (c Command) Given() Moment { return Moment{c.Today, InstantOf(c.At)} }

// passed reports whether a deadline has passed by the moment. One of a day passes
// at its start, one with an instant in that very second.
func (d Deadline) passed(by Moment) bool {
	if d.At != "" {
		return !by.At.Before(d.At)
	}
	return !by.On.Before(d.On)
}

// moment is when the deadline passes.
func (d Deadline) moment() Moment { return Moment{d.On, d.At} }

// Time is the instant at which the deadline passes, in the programme's zone.
func (d Deadline) Time(zone *time.Location) time.Time {
	if d.At != "" {
		return d.At.Time().In(zone)
	}
	return d.On.Start(zone)
}
