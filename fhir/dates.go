package fhir

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"candidacy/internal/record"
)

// span is the half-open range of instants that a date of some precision means.
type span struct{ from, to time.Time }

var errDate = errors.New("not a FHIR date: use YYYY, YYYY-MM, YYYY-MM-DD or a date and time with a zone")

// dateForms are the forms of a date, no text being of two, with the lengths that
// they may have.
var dateForms = []struct {
	layout      string
	least, most int
	months      int
	length      time.Duration
}{
	{time.RFC3339, 19, math.MaxInt, 0, time.Second},
	{time.DateOnly, 10, 10, 0, 24 * time.Hour},
	{"2006", 4, 4, 12, 0},
	{"2006-01", 7, 7, 1, 0},
	{"2006-01-02T15:04", 15, 16, 0, time.Minute},
	{"2006-01-02T15:04Z07:00", 16, 22, 0, time.Minute},
	{"2006-01-02T15:04:05", 18, math.MaxInt, 0, time.Second},
}

// parseDate reads a date or dateTime of any precision. What has no zone is
// taken to be UTC.
func parseDate(text string) (span, error) {
	if strings.Contains(text, ",") { // the time package would take it for a decimal point
		return span{}, errDate
	}
	for _, form := range dateForms {
		if len(text) < form.least || len(text) > form.most {
			continue // to try costs as much as to read
		}
		t, err := time.Parse(form.layout, text)
		if err != nil {
			continue
		}
		length := form.length
		if length == time.Second {
			length = precision(text)
			t = t.Truncate(time.Microsecond)
		}
		s := span{t.UTC(), t.AddDate(0, form.months, 0).Add(length).UTC()}
		// The zone may carry a date out of the years that text can order.
		if y := s.from.Year(); y < 1 || y > 9999 {
			return span{}, errDate
		}
		return s, nil
	}
	return span{}, errDate
}

// precision is what the last digit of the seconds stands for. The index holds
// microseconds, so nothing is finer.
func precision(text string) time.Duration {
	length := time.Second
	_, fraction, _ := strings.Cut(text, ".")
	for _, r := range fraction {
		if r < '0' || r > '9' || length == time.Microsecond {
			break
		}
		length /= 10
	}
	return length
}

// checkDateTime accepts what a FHIR dateTime element may hold: with a time of
// day it needs seconds and a zone.
func checkDateTime(text string) error {
	if _, err := parseDate(text); err != nil {
		return err
	}
	if len(text) > len(time.DateOnly) {
		if _, err := time.Parse(time.RFC3339, text); err != nil {
			return fmt.Errorf("a time of day needs seconds and a zone")
		}
	}
	return nil
}

const indexLayout = "2006-01-02T15:04:05.000000Z"

// instantText is the indexed form of an instant: fixed digits in UTC, so that
// text order is time order.
func instantText(t time.Time) string { return t.UTC().Format(indexLayout) }

// bound leaves out a bound beyond the years that four digits can write, beyond
// which nothing is indexed.
func bound(t time.Time) string {
	if y := t.UTC().Year(); y < 0 || y > 9999 {
		return ""
	}
	return instantText(t)
}

// The bounds of what is open: they sort before and after every instant.
const (
	openStart = "0000-01-01T00:00:00.000000Z"
	openEnd   = "9999-12-31T24:00:00.000000Z"
)

// endText is the indexed form of the instant after the last that a date covers.
func endText(t time.Time) string {
	if text := bound(t); text != "" {
		return text
	}
	return openEnd
}

// dateValue is a search value: its prefix and the range that it means.
type dateValue struct {
	prefix     string
	from, to   string
	start, end time.Time
}

// parseDateValue reads a value with or without a prefix. A value of ap is
// widened on both sides by a tenth of its distance from now.
func parseDateValue(text string, now time.Time) (dateValue, error) {
	prefix, text := cutPrefix(text)
	// A plus sign that was not escaped in the URL arrives as a blank.
	s, err := parseDate(strings.Replace(text, " ", "+", 1))
	if err != nil {
		return dateValue{}, err
	}
	switch prefix {
	case "eq", "ne", "lt", "le", "gt", "ge", "sa", "eb":
	case "ap":
		margin := now.Sub(s.from).Abs() / 10
		s.from, s.to = s.from.Add(-margin), s.to.Add(margin)
	default:
		return dateValue{}, fmt.Errorf("%q is not a prefix of a date", prefix)
	}
	return dateValue{prefix, bound(s.from), bound(s.to), s.from, s.to}, nil
}

// spans are the instants that the value selects, for a date that is an instant
// itself: it lies within the value, before it or after it.
func (v dateValue) spans() []record.Span {
	var list []record.Span
	before, after := record.Span{To: v.from}, record.Span{From: v.to}
	add := func(s record.Span, bound string) {
		if bound != "" { // beyond all dates there is nothing
			list = append(list, s)
		}
	}
	switch v.prefix {
	case "ne":
		add(before, v.from)
		add(after, v.to)
	case "lt", "eb":
		add(before, v.from)
	case "gt", "sa":
		add(after, v.to)
	case "le":
		list = append(list, record.Span{To: v.to})
	case "ge":
		list = append(list, record.Span{From: v.from})
	default: // eq, ap
		list = append(list, record.Span{From: v.from, To: v.to})
	}
	return list
}

// matches select the dates that cover more than an instant, as R4 has it:
//
//	eq  lies within the value            ne  does not
//	lt  reaches below it                 gt  reaches above it
//	le  lt or eq                         ge  gt or eq
//	eb  ends before it begins            sa  begins after it ends
//	ap  overlaps it
func (v dateValue) matches() []record.Match {
	within := record.Bounds{From: v.from, EndTo: v.to}
	var below, above, whole []record.Bounds
	if v.from != "" {
		below = []record.Bounds{{To: v.from}}
	}
	if v.to != "" {
		above = []record.Bounds{{EndFrom: v.to}}
	}
	switch v.prefix {
	case "ne":
		whole = append(below, above...)
	case "lt":
		whole = below
	case "le":
		whole = append(below, within)
	case "gt":
		whole = above
	case "ge":
		whole = append(above, within)
	case "eb":
		if v.from != "" {
			whole = []record.Bounds{{EndTo: v.from}}
		}
	case "sa":
		if v.to != "" {
			whole = []record.Bounds{{From: v.to}}
		}
	case "ap":
		whole = []record.Bounds{{To: v.to, EndFrom: v.from}}
	default: // eq
		whole = []record.Bounds{within}
	}
	list := make([]record.Match, len(whole))
	for i, b := range whole {
		list[i] = dateWithin(b)
	}
	return list
}

// dateWithin selects the dates within bounds. Where only the end of a date is
// bounded from below, the start of a short one is too, which the index goes by.
func dateWithin(b record.Bounds) record.Match {
	b.To = lower(b.To, b.EndTo)
	m := record.Match{Op: record.Within, Bounds: b, AnySystem: true}
	if end, err := time.Parse(indexLayout, b.EndFrom); err == nil {
		m.ShortFrom = instantText(end.Add(-longDate))
	}
	return m
}

// lower is the lower of two upper bounds.
func lower(a, b string) string {
	if a == "" || b != "" && b < a {
		return b
	}
	return a
}

// both selects the dates that meet one of each list. A resource has one date
// under a parameter, so that its start and its end can be looked for together.
// It reports false where that would make too many alternatives.
func both(a, b []record.Match) ([]record.Match, bool) {
	var list []record.Match
	for _, x := range a {
		for _, y := range b {
			m := dateWithin(record.Bounds{
				From: max(x.Bounds.From, y.Bounds.From), To: lower(x.Bounds.To, y.Bounds.To),
				EndFrom: max(x.Bounds.EndFrom, y.Bounds.EndFrom), EndTo: lower(x.Bounds.EndTo, y.Bounds.EndTo),
			})
			if m.Bounds.To == "" || m.Bounds.From < m.Bounds.To {
				list = append(list, m)
			}
		}
	}
	return list, len(list) <= maxDates
}

// maxDates bounds the alternatives of a date.
const maxDates = 16

// boundedBy makes a match of each of the bounds, of rows of the system if one is
// given.
func boundedBy(list []record.Bounds, system *string) []record.Match {
	matches := make([]record.Match, len(list))
	for i, b := range list {
		matches[i] = record.Match{Op: record.Within, Bounds: b, AnySystem: system == nil, System: value(system)}
	}
	return matches
}
