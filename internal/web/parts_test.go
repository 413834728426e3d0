package web

import (
	"testing"
	"time"
)

func TestPartsAndSpans(t *testing.T) {
	systolic, diastolic := component{systolicCode, "Systolic", "121", "mmHg"}, component{diastolicCode, "Diastolic", "75", "mmHg"}
	other := diastolic
	other.Unit = "kPa"
	for _, c := range []struct {
		parts []component
		want  string
	}{
		{[]component{systolic, diastolic}, "121/75 mmHg"},
		{[]component{systolic, other}, "Systolic 121 mmHg, Diastolic 75 kPa"},
		{[]component{systolic}, "Systolic 121 mmHg"},
		{[]component{{"x", "Colour", "clear", ""}, diastolic}, "Colour clear, Diastolic 75 mmHg"},
	} {
		if got := partsWord(c.parts); got != c.want {
			t.Errorf("%v: %q, want %q", c.parts, got, c.want)
		}
	}
	for _, c := range []struct{ from, to, want string }{
		{"2026-08-31T08:47:00Z", "2026-08-31T12:49:00Z", "31 Aug 2026, 08:47 to 12:49"},
		{"2026-08-31T23:50:00Z", "2026-09-01T00:10:00Z", "31 Aug 2026, 23:50 to 1 Sep 2026, 00:10"},
		{"2026-08-31", "2026-09-02", "31 Aug 2026 to 2 Sep 2026"},
		{"2026-08-31", "2026-08-31", "31 Aug 2026 to 31 Aug 2026"},
		{"2026-08-31T08:47:00Z", "", "31 Aug 2026, 08:47"},
	} {
		if got := spanWord(c.from, c.to, time.UTC); got != c.want {
			t.Errorf("%s to %s: %q, want %q", c.from, c.to, got, c.want)
		}
	}
}
