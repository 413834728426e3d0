package fhir

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"candidacy/internal/record"
)

// span is the half-open range of instants that a date of some precision means.
type span struct{ from, to time.Time }

var errDate = errors.New("not a FHIR date: use YYYY, YYYY-MM, YYYY-MM-DD or a date and time with a zone")

// parseDate reads a date or dateTime of any precision. What has no zone is
// taken to be UTC.
func parseDate(text string) (span, error) {
	if strings.Contains(text, ",") { // the time package would take it for a decimal point
		return span{}, errDate
	}
	for _, form := range []struct {
		layout string
		months int
		length time.Duration
	}{
		{"2006", 12, 0},
		{"2006-01", 1, 0},
		{time.DateOnly, 0, 24 * time.Hour},
		{"2006-01-02T15:04", 0, time.Minute},
		{"2006-01-02T15:04Z07:00", 0, time.Minute},
		{"2006-01-02T15:04:05", 0, time.Second},
		{time.RFC3339, 0, time.Second},
	} {
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

// interval is a half-open range of indexed instants. The empty text is no bound.
type interval struct{ from, to string }

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

// endSuffix makes the name of the index rows that hold the ends of dates from
// the name of the parameter. No client can ask for them: a colon begins a
// modifier.
const endSuffix = ":end"

// endText is the indexed form of the instant after the last that a date covers.
func endText(t time.Time) string {
	if text := bound(t); text != "" {
		return text
	}
	return openEnd
}

// dateValue is a search value: its prefix and the range that it means.
type dateValue struct {
	prefix   string
	from, to string
}

// parseDateValue reads a value with or without a prefix. A value of ap is
// widened on both sides by a tenth of its distance from now.
func parseDateValue(text string, now time.Time) (dateValue, error) {
	prefix := "eq"
	if len(text) > 2 && text[0] >= 'a' && text[0] <= 'z' {
		prefix, text = text[:2], text[2:]
	}
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
	return dateValue{prefix, bound(s.from), bound(s.to)}, nil
}

// intervals are the instants that the value selects, for a date that is an
// instant itself: it lies within the value, before it or after it.
func (v dateValue) intervals() []interval {
	switch v.prefix {
	case "ne":
		return append(before(v.from), after(v.to)...)
	case "lt", "eb":
		return before(v.from)
	case "gt", "sa":
		return after(v.to)
	case "le":
		return []interval{{"", v.to}}
	case "ge":
		return []interval{{v.from, ""}}
	default: // eq, ap
		return []interval{{v.from, v.to}}
	}
}

// before and after are empty where the bound lies beyond all dates.
func before(bound string) []interval {
	if bound == "" {
		return nil
	}
	return []interval{{"", bound}}
}

func after(bound string) []interval {
	if bound == "" {
		return nil
	}
	return []interval{{bound, ""}}
}

// union sorts intervals and joins those that touch.
func union(list []interval) []interval {
	list = slices.Clone(list)
	slices.SortFunc(list, func(a, b interval) int { return strings.Compare(a.from, b.from) })
	var joined []interval
	for _, next := range list {
		last := len(joined) - 1
		switch {
		case last < 0 || joined[last].to != "" && joined[last].to < next.from:
			joined = append(joined, next)
		case joined[last].to != "" && (next.to == "" || next.to > joined[last].to):
			joined[last].to = next.to
		}
	}
	return joined
}

// intersect keeps what lies in both unions.
func intersect(a, b []interval) []interval {
	var both []interval
	for _, x := range a {
		for _, y := range b {
			z := interval{max(x.from, y.from), x.to}
			if x.to == "" || y.to != "" && y.to < x.to {
				z.to = y.to
			}
			if z.to == "" || z.from < z.to {
				both = append(both, z)
			}
		}
	}
	return union(both)
}

// box is a set of dates that cover more than an instant: those that start at or
// after startFrom and before startTo, and that end after endFrom and at or
// before endTo, where an end is the instant after the last. The empty text is no
// bound. Search values become boxes, since the store compares each bound of a
// date by itself.
type box struct{ startFrom, startTo, endFrom, endTo string }

// boxes are the dates that the value selects, as R4 has it:
//
//	eq  lies within the value            ne  does not
//	lt  reaches below it                 gt  reaches above it
//	le  lt or eq                         ge  gt or eq
//	eb  ends before it begins            sa  begins after it ends
//	ap  overlaps it
//
// No date is in two of them.
func (v dateValue) boxes() []box {
	within := box{startFrom: v.from, endTo: v.to}
	var below, above []box
	if v.from != "" {
		below = []box{{startTo: v.from}}
	}
	if v.to != "" {
		above = []box{{endFrom: v.to}}
	}
	switch v.prefix {
	case "ne":
		return join(below, above)
	case "lt":
		return below
	case "le":
		return join(below, []box{within})
	case "gt":
		return above
	case "ge":
		return join(above, []box{within})
	case "eb":
		if v.from == "" {
			return nil
		}
		return []box{{endTo: v.from}}
	case "sa":
		if v.to == "" {
			return nil
		}
		return []box{{startFrom: v.to}}
	case "ap":
		return []box{{startTo: v.to, endFrom: v.from}}
	default: // eq
		return []box{within}
	}
}

// tight draws in what no date can meet, since each ends after it starts. It
// reports whether anything is left.
func (b box) tight() (box, bool) {
	b.startTo = lower(b.startTo, b.endTo)
	b.endFrom = max(b.endFrom, b.startFrom)
	empty := b.startTo != "" && b.startFrom >= b.startTo || b.endTo != "" && b.endFrom >= b.endTo
	return b, !empty
}

// lower is the lower of two upper bounds.
func lower(a, b string) string {
	if a == "" || b != "" && b < a {
		return b
	}
	return a
}

// and is what lies in both boxes.
func (b box) and(c box) (box, bool) {
	return box{
		max(b.startFrom, c.startFrom), lower(b.startTo, c.startTo), max(b.endFrom, c.endFrom), lower(b.endTo, c.endTo),
	}.tight()
}

// without is b less c, in boxes that do not overlap.
func (b box) without(c box) []box {
	if _, ok := b.and(c); !ok {
		return []box{b}
	}
	var list []box
	cut := func(outside box) {
		if part, ok := b.and(outside); ok {
			list = append(list, part)
		}
	}
	if c.startFrom != "" {
		cut(box{startTo: c.startFrom})
		b.startFrom = max(b.startFrom, c.startFrom)
	}
	if c.startTo != "" {
		cut(box{startFrom: c.startTo})
		b.startTo = lower(b.startTo, c.startTo)
	}
	if c.endFrom != "" {
		cut(box{endTo: c.endFrom})
		b.endFrom = max(b.endFrom, c.endFrom)
	}
	if c.endTo != "" {
		cut(box{endFrom: c.endTo})
	}
	return list
}

// join adds to boxes that do not overlap what they lack of others.
func join(list, others []box) []box {
	list = slices.Clone(list)
	for _, b := range others {
		b, ok := b.tight()
		if !ok {
			continue
		}
		rest := []box{b}
		for _, have := range list {
			var left []box
			for _, part := range rest {
				left = append(left, part.without(have)...)
			}
			rest = left
		}
		list = append(list, rest...)
	}
	return list
}

// meet keeps what lies in both lists, in neither of which boxes overlap.
func meet(a, b []box) []box {
	var both []box
	for _, x := range a {
		for _, y := range b {
			if z, ok := x.and(y); ok {
				both = append(both, z)
			}
		}
	}
	return both
}

// conditions select the resources whose date lies in the box. A bound on the one
// side that follows from the same bound on the other is left out.
func (b box) conditions(param string) []record.Condition {
	var list []record.Condition
	add := func(param, op, value string) {
		list = append(list, record.Condition{Param: param, Any: []record.Match{{Op: op, Value: value}}})
	}
	if b.startFrom != "" {
		add(param, ">=", b.startFrom)
	}
	if b.startTo != "" && b.startTo != b.endTo {
		add(param, "<", b.startTo)
	}
	if b.endFrom != "" && b.endFrom != b.startFrom {
		add(param+endSuffix, ">", b.endFrom)
	}
	if b.endTo != "" {
		add(param+endSuffix, "<=", b.endTo)
	}
	if list == nil { // every date, but there must be one
		add(param, ">=", "")
	}
	return list
}
