package journey_test

import (
	"testing"
	"time"

	"candidacy/internal/journey"
)

func TestParseInstant(t *testing.T) {
	for text, want := range map[string]journey.Instant{
		"2026-03-01T09:30:00+01:00":     "2026-03-01T08:30:00Z",
		"2026-03-01T09:30:00Z":          "2026-03-01T09:30:00Z",
		"2026-03-01T00:15:00.999+05:45": "2026-02-28T18:30:00Z", // fractions are dropped
		"2024-02-29T23:59:59-11:00":     "2024-03-01T10:59:59Z",
	} {
		if got, err := journey.ParseInstant(text); err != nil || got != want || journey.InstantOf(got.Time()) != got {
			t.Errorf("%s: got %s, %v, want %s", text, got, err, want)
		}
	}
	for _, text := range []string{
		"", "2026-03-01", "2026-03-01T09:30:00", "2026-03-01 09:30:00Z", "2026-02-30T09:30:00Z", "2026-03-01T24:00:00Z",
		"2026-03-01T09:30Z", "0000-12-31T00:00:00Z", "9999-12-31T23:59:59-01:00", "now", "2026-03-01T09:30:00+1:00",
	} {
		if got, err := journey.ParseInstant(text); err == nil || got != "" {
			t.Errorf("%q is read as %s", text, got)
		}
	}
	if at := journey.Instant("").AddHours(24); at != "" {
		t.Errorf("no moment plus a day is %s", at)
	}
}

// TestHoursAcrossClockChanges: 24 and 72 hours are counted by the clock on the
// wall of nobody. The values are those of GNU date 9.1 with the system's zones,
// for days on which clocks change in spring and autumn, by half an hour, and at
// midnight, and for a leap day.
func TestHoursAcrossClockChanges(t *testing.T) {
	for _, tt := range []struct {
		zone, from string
		hours      int
		want       journey.Instant
		day        journey.Date
	}{
		{"Europe/Stockholm", "2026-03-28T20:00:00+01:00", 24, "2026-03-29T19:00:00Z", "2026-03-29"},
		{"Europe/Stockholm", "2026-03-28T20:00:00+01:00", 72, "2026-03-31T19:00:00Z", "2026-03-31"},
		{"Europe/Stockholm", "2026-10-24T23:30:00+02:00", 24, "2026-10-25T21:30:00Z", "2026-10-25"},
		{"Europe/Stockholm", "2026-10-24T23:30:00+02:00", 72, "2026-10-27T21:30:00Z", "2026-10-27"},
		{"Europe/Stockholm", "2028-02-27T22:00:00+01:00", 72, "2028-03-01T21:00:00Z", "2028-03-01"},
		{"America/New_York", "2026-03-07T20:00:00-05:00", 72, "2026-03-11T01:00:00Z", "2026-03-10"},
		{"America/New_York", "2026-10-31T12:15:00-04:00", 24, "2026-11-01T16:15:00Z", "2026-11-01"},
		{"Australia/Lord_Howe", "2026-04-04T12:00:00+11:00", 24, "2026-04-05T01:00:00Z", "2026-04-05"},
		{"Australia/Lord_Howe", "2026-10-24T23:30:00+11:00", 72, "2026-10-27T12:30:00Z", "2026-10-27"},
		{"Asia/Kathmandu", "2028-02-27T22:00:00+05:45", 72, "2028-03-01T16:15:00Z", "2028-03-01"},
		{"America/Santiago", "2026-09-05T12:00:00-04:00", 24, "2026-09-06T16:00:00Z", "2026-09-06"},
		{"America/Santiago", "2026-10-24T23:30:00-03:00", 24, "2026-10-26T02:30:00Z", "2026-10-25"},
	} {
		zone, err := time.LoadLocation(tt.zone)
		if err != nil {
			t.Fatal(err)
		}
		from, err := journey.ParseInstant(tt.from)
		if err != nil {
			t.Fatal(err)
		}
		if got := from.AddHours(tt.hours).In(zone); got != (journey.Moment{On: tt.day, At: tt.want}) {
			t.Errorf("%s %s plus %d hours: got %+v, want %s on %s", tt.zone, tt.from, tt.hours, got, tt.want, tt.day)
		}
	}
}
