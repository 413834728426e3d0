package walk

import "time"

// Days that tests expect are worked out here from the policy in words, with none
// of the code under test.

// Plus is a day some months and then some days after another. Months keep the day
// or end with the last of the month.
func Plus(day string, months, days int) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		panic(err)
	}
	y, m, d := t.Date()
	last := time.Date(y, m+time.Month(months)+1, 0, 12, 0, 0, 0, time.UTC).Day()
	return time.Date(y, m+time.Month(months), min(d, last)+days, 12, 0, 0, 0, time.UTC).Format(time.DateOnly)
}

// Midnight is the first moment of a day, found by looking at a clock every five
// minutes: clocks change by no less.
func Midnight(day string, zone *time.Location) time.Time {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		panic(err)
	}
	for t = t.Add(-16 * time.Hour); t.In(zone).Format(time.DateOnly) != day; t = t.Add(5 * time.Minute) {
	}
	return t
}
