package journey

import (
	"fmt"
	"time"
)

// Date is a calendar day in the programme's time zone, written YYYY-MM-DD.
// The empty Date means "no day". A date-only value stays date-only: turning it
// into an instant needs the zone, which only the edges of the program know.
type Date string

// ParseDate reads YYYY-MM-DD and refuses days that do not exist.
func ParseDate(text string) (Date, error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil || t.Format(time.DateOnly) != text {
		return "", fmt.Errorf("not a calendar date: use YYYY-MM-DD")
	}
	return Date(text), nil
}

// DateOf returns the calendar day of an instant in the zone.
func DateOf(at time.Time, zone *time.Location) Date {
	return Date(at.In(zone).Format(time.DateOnly))
}

// Start returns the first instant of the day in the zone. Where clocks change
// at midnight that is not always 00:00: a deadline must not pass on the day
// before, nor an hour late.
func (d Date) Start(zone *time.Location) time.Time {
	t, err := time.ParseInLocation(time.DateOnly, string(d), zone)
	if err != nil {
		return time.Time{}
	}
	since, until := t.ZoneBounds()
	if DateOf(t, zone).Before(d) && !until.IsZero() {
		// There is no midnight on that day: it begins with the change.
		return until.In(zone)
	}
	if !since.IsZero() {
		// There may be two midnights: the day begins with the first.
		_, before := since.Add(-1).In(zone).Zone()
		_, after := t.Zone()
		if first := t.Add(time.Duration(after-before) * time.Second); first.Before(since) && DateOf(first, zone) == d {
			return first
		}
	}
	return t
}

// AddDays moves the date by whole days. The empty Date stays empty.
func (d Date) AddDays(days int) Date { return d.add(0, days) }

// AddMonths moves the date by calendar months and clamps to the last day of
// the month, so that 31 August plus six months is 28 or 29 February.
func (d Date) AddMonths(months int) Date {
	moved := d.add(months, 0)
	if moved == "" {
		return ""
	}
	first, _ := time.Parse("2006-01", string(d[:7]))
	want := first.AddDate(0, months, 0)
	if string(moved[:7]) == want.Format("2006-01") {
		return moved
	}
	return Date(want.AddDate(0, 1, -1).Format(time.DateOnly))
}

func (d Date) add(months, days int) Date {
	t, err := time.Parse(time.DateOnly, string(d))
	if err != nil {
		return ""
	}
	return Date(t.AddDate(0, months, days).Format(time.DateOnly))
}

// Before reports whether d is an earlier day than other.
func (d Date) Before(other Date) bool { return d < other }

// DaysUntil counts the days from d to other, negative when other is earlier.
func (d Date) DaysUntil(other Date) int {
	a, errA := time.Parse(time.DateOnly, string(d))
	b, errB := time.Parse(time.DateOnly, string(other))
	if errA != nil || errB != nil {
		return 0
	}
	return int(b.Sub(a).Hours() / 24)
}

// WholeYears counts completed years from a birth date to d.
func (d Date) WholeYears(birth Date) int {
	a, errA := time.Parse(time.DateOnly, string(birth))
	b, errB := time.Parse(time.DateOnly, string(d))
	if errA != nil || errB != nil {
		return -1
	}
	years := b.Year() - a.Year()
	if b.Month() < a.Month() || (b.Month() == a.Month() && b.Day() < a.Day()) {
		years--
	}
	return years
}
