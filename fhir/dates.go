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

// dateIntervals turns one search value with its prefix into ranges of first
// instants:
//
//	eq  begins within the value          ne  begins before or after it
//	lt, eb  begins before it             gt, sa  begins after it
//	le  begins before it ends            ge  begins no earlier than it
//	ap  begins within it, widened on both sides by a tenth of its distance
//	    from now
//
// Only the first instant of a resource's date is compared: a period or a day
// counts where it begins.
func dateIntervals(text string, now time.Time) ([]interval, error) {
	prefix := "eq"
	if len(text) > 2 && text[0] >= 'a' && text[0] <= 'z' {
		prefix, text = text[:2], text[2:]
	}
	// A plus sign that was not escaped in the URL arrives as a blank.
	s, err := parseDate(strings.Replace(text, " ", "+", 1))
	if err != nil {
		return nil, err
	}
	from, to := bound(s.from), bound(s.to)
	switch prefix {
	case "eq":
		return []interval{{from, to}}, nil
	case "ne":
		list := []interval{}
		if from != "" {
			list = append(list, interval{"", from})
		}
		if to != "" {
			list = append(list, interval{to, ""})
		}
		return list, nil
	case "lt", "eb":
		return before(from), nil
	case "gt", "sa":
		return after(to), nil
	case "le":
		if to == "" {
			return []interval{{}}, nil
		}
		return before(to), nil
	case "ge":
		return []interval{{from, ""}}, nil
	case "ap":
		margin := now.Sub(s.from).Abs() / 10
		return []interval{{bound(s.from.Add(-margin)), bound(s.to.Add(margin))}}, nil
	default:
		return nil, fmt.Errorf("%q is not a prefix of a date", prefix)
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

// dateConditions selects the resources whose one indexed instant lies in the
// union: it must miss every gap. A gap is two alternatives, so any union is a
// conjunction of conditions, however many values a search joins.
func dateConditions(param string, list []interval) []record.Condition {
	if len(list) == 0 {
		return []record.Condition{nothing(param)}
	}
	var conditions []record.Condition
	gap := func(from, to string) {
		c := record.Condition{Param: param}
		if from != "" {
			c.Any = append(c.Any, record.Match{Op: "<", Value: from})
		}
		if to != "" {
			c.Any = append(c.Any, record.Match{Op: ">=", Value: to})
		}
		if c.Any != nil {
			conditions = append(conditions, c)
		}
	}
	list = union(list)
	gap("", list[0].from)
	for i := 1; i < len(list); i++ {
		gap(list[i-1].to, list[i].from)
	}
	gap(list[len(list)-1].to, "")
	if conditions == nil { // every date, but there must be one
		conditions = []record.Condition{{Param: param, Any: []record.Match{{Op: ">=", Value: ""}}}}
	}
	return conditions
}

// nothing is a condition that no resource meets: no text sorts before the empty
// one.
func nothing(param string) record.Condition {
	return record.Condition{Param: param, Any: []record.Match{{Op: "<", Value: ""}}}
}
