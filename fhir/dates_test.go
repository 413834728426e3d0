package fhir

import (
	"slices"
	"testing"
	"time"
)

func TestDatePrefixes(t *testing.T) {
	now := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	text := func(s string) string { return s + "T00:00:00.000000Z" }
	from, to := text("2026-02-01"), text("2026-03-01")
	for in, want := range map[string][]interval{
		"2026-02":   {{from, to}},
		"eq2026-02": {{from, to}},
		"ne2026-02": {{"", from}, {to, ""}},
		"lt2026-02": {{"", from}},
		"eb2026-02": {{"", from}},
		"gt2026-02": {{to, ""}},
		"sa2026-02": {{to, ""}},
		"le2026-02": {{"", to}},
		"ge2026-02": {{from, ""}},
		// 29 days before now: widened by 2.9 days.
		"ap2026-02":                     {{"2026-01-29T02:24:00.000000Z", "2026-03-03T21:36:00.000000Z"}},
		"2026":                          {{text("2026-01-01"), text("2027-01-01")}},
		"2026-02-28":                    {{text("2026-02-28"), text("2026-03-01")}},
		"2026-02-01T10:20Z":             {{"2026-02-01T10:20:00.000000Z", "2026-02-01T10:21:00.000000Z"}},
		"2026-02-01T10:20":              {{"2026-02-01T10:20:00.000000Z", "2026-02-01T10:21:00.000000Z"}},
		"2026-02-01T10:20:30 02:00":     {{"2026-02-01T08:20:30.000000Z", "2026-02-01T08:20:31.000000Z"}},
		"2026-02-01T10:20:30.25Z":       {{"2026-02-01T10:20:30.250000Z", "2026-02-01T10:20:30.260000Z"}},
		"2026-02-01T10:20:30.12345678Z": {{"2026-02-01T10:20:30.123456Z", "2026-02-01T10:20:30.123457Z"}},
		"9999":                          {{text("9999-01-01"), ""}},
		"gt9999":                        nil,
		"le9999":                        {{"", ""}},
	} {
		got, err := dateIntervals(in, now)
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("%s: %v %v, want %v", in, got, err, want)
		}
	}
	for _, in := range []string{
		"", "eq", "26", "2026-13", "2026-02-30", "2026-2-1", "zz2026", "2026-02-01T10", "2026-02-01T10:20:30,5Z", "2026-02-01T25:00Z",
		"0000", "0001-01-01T00:00:00+05:00", "9999-12-31T23:59:59-05:00", "eqeq2026",
	} {
		if got, err := dateIntervals(in, now); err == nil {
			t.Errorf("%q was read as %v", in, got)
		}
	}
}

func TestIntervals(t *testing.T) {
	joined := union([]interval{{"5", "7"}, {"1", "2"}, {"2", "3"}, {"6", "9"}, {"", "0"}})
	if want := []interval{{"", "0"}, {"1", "3"}, {"5", "9"}}; !slices.Equal(joined, want) {
		t.Errorf("union %v", joined)
	}
	if got := union([]interval{{"3", ""}, {"", "4"}}); !slices.Equal(got, []interval{{"", ""}}) {
		t.Errorf("union of everything %v", got)
	}
	both := intersect([]interval{{"", "3"}, {"5", ""}}, []interval{{"2", "6"}, {"8", "9"}})
	if want := []interval{{"2", "3"}, {"5", "6"}, {"8", "9"}}; !slices.Equal(both, want) {
		t.Errorf("intersection %v", both)
	}
	if got := intersect([]interval{{"", "3"}}, []interval{{"3", ""}}); got != nil {
		t.Errorf("empty intersection %v", got)
	}
}

func TestElementDates(t *testing.T) {
	for _, ok := range []string{"2026", "2026-02", "2026-02-03", "2026-02-03T10:00:00Z", "2026-02-03T10:00:00.5+01:00"} {
		if err := checkDateTime(ok); err != nil {
			t.Errorf("%s: %v", ok, err)
		}
	}
	for _, bad := range []string{"2026-02-03T10:00Z", "2026-02-03T10:00:00", "2026-02-03 10:00:00Z", "2026-02-29", "03/02/2026"} {
		if err := checkDateTime(bad); err == nil {
			t.Errorf("%s was accepted", bad)
		}
	}
}
