package journey_test

import (
	"testing"
	"time"
	_ "time/tzdata" // the zones of the tests, wherever they run

	"pgregory.net/rapid"

	"candidacy/internal/journey"
)

func TestParseDate(t *testing.T) {
	for _, good := range []string{"2026-02-28", "2024-02-29", "2000-02-29", "1900-01-01", "9999-12-31"} {
		if d, err := journey.ParseDate(good); err != nil || d != journey.Date(good) {
			t.Errorf("ParseDate(%q) = %q, %v", good, d, err)
		}
	}
	for _, bad := range []string{
		"", "2026-02-29", "1900-02-29", "2026-13-01", "2026-00-10", "2026-04-31", "2026-4-3", "26-04-03",
		"2026/04/03", "2026-04-03T00:00:00Z", " 2026-04-03", "2026-04-03 ", "today", "٢٠٢٦-٠٤-٠٣",
	} {
		if d, err := journey.ParseDate(bad); err == nil || d != "" {
			t.Errorf("ParseDate(%q) = %q, want an error", bad, d)
		}
	}
}

func TestDateArithmetic(t *testing.T) {
	for _, tt := range []struct {
		from   journey.Date
		months int
		want   journey.Date
	}{
		// The last day of a month stays the last day: clamped, never spilled over.
		{"2026-08-31", 6, "2027-02-28"},
		{"2027-08-31", 6, "2028-02-29"},
		{"2026-01-31", 1, "2026-02-28"},
		{"2026-03-31", -1, "2026-02-28"},
		{"2024-02-29", 12, "2025-02-28"},
		{"2024-02-29", 48, "2028-02-29"},
		{"2026-12-31", 2, "2027-02-28"},
		{"2026-05-30", 0, "2026-05-30"},
		{"2026-11-25", 6, "2027-05-25"},
		{"", 6, ""},
		{"not a date", 6, ""},
	} {
		if got := tt.from.AddMonths(tt.months); got != tt.want {
			t.Errorf("%q plus %d months is %q, want %q", tt.from, tt.months, got, tt.want)
		}
	}
	for _, tt := range []struct {
		from journey.Date
		days int
		want journey.Date
	}{
		{"2026-02-28", 1, "2026-03-01"}, {"2024-02-28", 1, "2024-02-29"}, {"2026-01-01", -1, "2025-12-31"},
		{"2026-03-28", 2, "2026-03-30"}, {"", 3, ""}, {"nonsense", 3, ""},
	} {
		if got := tt.from.AddDays(tt.days); got != tt.want {
			t.Errorf("%q plus %d days is %q, want %q", tt.from, tt.days, got, tt.want)
		}
	}
	for _, tt := range []struct {
		birth, on journey.Date
		want      int
	}{
		{"1981-03-14", "2026-03-13", 44}, {"1981-03-14", "2026-03-14", 45},
		// Born on a leap day: a year older on 1 March of other years.
		{"2004-02-29", "2022-02-28", 17}, {"2004-02-29", "2022-03-01", 18}, {"2004-02-29", "2024-02-29", 20},
		{"2026-01-01", "2026-01-01", 0}, {"2026-01-02", "2026-01-01", -1},
		{"", "2026-01-01", -1}, {"1981-03-14", "", -1},
	} {
		if got := tt.on.WholeYears(tt.birth); got != tt.want {
			t.Errorf("born %q, on %q: %d years, want %d", tt.birth, tt.on, got, tt.want)
		}
	}
	if got := journey.Date("2026-03-01").DaysUntil("2026-04-01"); got != 31 {
		// A change of the clock lies between: days are counted, not hours.
		t.Errorf("March 2026 has %d days", got)
	}
	if got := journey.Date("2026-03-01").DaysUntil("2026-02-27"); got != -2 {
		t.Errorf("backwards %d days, want -2", got)
	}
	if got := journey.Date("").DaysUntil("2026-02-27"); got != 0 {
		t.Errorf("from no day %d days, want 0", got)
	}
}

func drawDate(t *rapid.T, label string) journey.Date {
	first := time.Date(1950, 1, 1, 0, 0, 0, 0, time.UTC)
	return journey.Date(first.AddDate(0, 0, rapid.IntRange(0, 40_000).Draw(t, label)).Format(time.DateOnly))
}

func TestDateAgainstTheTimePackage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawDate(t, "day")
		n := rapid.IntRange(-5000, 5000).Draw(t, "days")
		at, err := time.Parse(time.DateOnly, string(d))
		if err != nil {
			t.Fatal(err)
		}
		moved := d.AddDays(n)
		if want := journey.Date(at.AddDate(0, 0, n).Format(time.DateOnly)); moved != want {
			t.Fatalf("%s plus %d days is %s, want %s", d, n, moved, want)
		}
		if got := d.DaysUntil(moved); got != n {
			t.Fatalf("from %s to %s are %d days, want %d", d, moved, got, n)
		}
		if d.Before(moved) != (n > 0) {
			t.Fatalf("%s before %s is %t", d, moved, d.Before(moved))
		}
		months := rapid.IntRange(-240, 240).Draw(t, "months")
		later, _ := time.Parse(time.DateOnly, string(d.AddMonths(months)))
		if got := (later.Year()-at.Year())*12 + int(later.Month()-at.Month()); got != months {
			t.Fatalf("%s plus %d months is %s, %d months later", d, months, later.Format(time.DateOnly), got)
		}
		if later.Day() != at.Day() && later.AddDate(0, 0, 1).Day() != 1 {
			t.Fatalf("%s plus %d months is %s: neither the same day nor the month's last", d, months, later.Format(time.DateOnly))
		}
	})
}

// TestStartIsTheFirstInstantOfTheDay includes zones whose clocks change at
// midnight: there a day may begin at 01:00, or have two midnights. A deadline
// that fires an hour early fires on the wrong day.
func TestStartIsTheFirstInstantOfTheDay(t *testing.T) {
	for _, name := range []string{
		"UTC", "Europe/Stockholm", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe", "Pacific/Chatham",
		"America/Santiago", "America/Havana", "America/Asuncion", "Asia/Beirut", "Africa/Cairo", "America/Sao_Paulo",
	} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		for d := journey.Date("2000-01-01"); d.Before("2031-01-01"); d = d.AddDays(1) {
			start := d.Start(zone)
			if got := journey.DateOf(start, zone); got != d {
				t.Fatalf("%s: %s starts at %s, which is of %s", name, d, start, got)
			}
			if got := journey.DateOf(start.Add(-time.Nanosecond), zone); !got.Before(d) {
				t.Fatalf("%s: an instant before the start of %s, %s, is of %s", name, d, start, got)
			}
		}
	}
	if at := journey.Date("").Start(time.UTC); !at.IsZero() {
		t.Errorf("no day starts at %s", at)
	}
}
