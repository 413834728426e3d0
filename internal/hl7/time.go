package hl7

import (
	"errors"
	"time"
)

// Precision is how much of a time was sent.
type Precision int

// The precisions.
const (
	Year Precision = iota + 1
	Month
	Day
	Hour
	Minute
	Second
	Fraction
)

// Time is a value of the types DT, DTM and TS.
type Time struct {
	// At is the earliest instant that it may mean.
	At        time.Time
	Precision Precision
}

var (
	errTime = errors.New("not a time")
	// ErrAmbiguous is of a local time that the change of clocks makes twice, or
	// not at all, in a value without a zone.
	ErrAmbiguous = errors.New("a time in the hour of the change of clocks, without a zone")
)

// layouts by the number of digits.
var layouts = map[int]struct {
	layout    string
	precision Precision
}{
	4: {"2006", Year}, 6: {"200601", Month}, 8: {"20060102", Day}, 10: {"2006010215", Hour},
	12: {"200601021504", Minute}, 14: {"20060102150405", Second},
}

// ParseTime reads YYYY[MM[DD[HH[MM[SS[.S[S[S[S]]]]]]]]][+/-ZZZZ]. A value without
// a zone is of the zone of the sender.
func ParseTime(text string, zone *time.Location) (Time, error) {
	digits := 0
	for digits < len(text) && text[digits] >= '0' && text[digits] <= '9' {
		digits++
	}
	known, ok := layouts[digits]
	if !ok {
		return Time{}, errTime
	}
	layout, value, rest := known.layout, text[:digits], text[digits:]
	out := Time{Precision: known.precision}
	if len(rest) > 0 && rest[0] == '.' && known.precision == Second {
		end := 1
		for end < len(rest) && end <= 4 && rest[end] >= '0' && rest[end] <= '9' {
			end++
		}
		if end == 1 {
			return Time{}, errTime
		}
		layout, value, rest = layout+".0000"[:end], value+rest[:end], rest[end:]
		out.Precision = Fraction
	}
	if rest == "" {
		at, err := time.ParseInLocation(layout, value, zone)
		if err != nil {
			return Time{}, errTime
		}
		out.At = at
		if out.Precision >= Hour && unclear(at, layout, value) {
			return Time{}, ErrAmbiguous
		}
		return out, nil
	}
	if len(rest) != 5 || out.Precision < Hour {
		// A zone after a day would be of no use: the day is the sender's.
		if len(rest) == 5 {
			return ParseTime(text[:digits], zone)
		}
		return Time{}, errTime
	}
	at, err := time.Parse(layout+"-0700", value+rest)
	if err != nil {
		return Time{}, errTime
	}
	if _, offset := at.Zone(); offset > 14*3600 || offset < -12*3600 {
		return Time{}, errTime
	}
	out.At = at
	return out, nil
}

// unclear reports whether a local time happens twice or not at all.
func unclear(at time.Time, layout, value string) bool {
	if at.Format(layout) != value {
		return true
	}
	// Clocks change by at most a few hours, in steps of half an hour.
	const wall = "20060102150405"
	for _, shift := range []time.Duration{30 * time.Minute, time.Hour, 2 * time.Hour} {
		if at.Add(shift).Format(wall) == at.Format(wall) || at.Add(-shift).Format(wall) == at.Format(wall) {
			return true
		}
	}
	return false
}

// String renders the value with the precision that it came with, as FHIR does:
// YYYY-MM-DD, or RFC 3339 from the minute on. Seconds that were not sent are
// zero. A value of an hour is a day: FHIR has no hours without minutes.
func (t Time) String() string {
	switch t.Precision {
	case Year:
		return t.At.Format("2006")
	case Month:
		return t.At.Format("2006-01")
	case Day, Hour:
		return t.At.Format(time.DateOnly)
	case Fraction:
		return t.At.Format("2006-01-02T15:04:05.999999999Z07:00")
	}
	return t.At.Format("2006-01-02T15:04:05Z07:00")
}
