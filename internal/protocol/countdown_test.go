package protocol_test

import (
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/testdata/protocols"
)

// TestCountdown works days out by hand, backwards from an operation on 1 March
// 2028, the day after a leap day.
func TestCountdown(t *testing.T) {
	source := strings.Replace(protocols.Brief, "  - id: hiv-screen\n", "  - id: hiv-screen\n    operation_days: 28\n", 1)
	p, err := protocol.Parse([]byte(source))
	if err != nil {
		t.Fatal(err)
	}
	rule, _ := p.Rules().Requirement("hiv-screen")
	state := func(r journey.Requirement, planned journey.Date) journey.State {
		r.ID = "hiv-screen"
		return journey.State{Stage: journey.Scheduled, Planned: planned, Requirements: []journey.Requirement{r}}
	}
	met := func(day journey.Date) journey.Requirement {
		return journey.Requirement{Status: journey.Met, Collected: day, ValidUntil: day.AddDays(rule.ValidDays)}
	}
	const planned journey.Date = "2028-03-01"
	for _, tt := range []struct {
		name  string
		on    journey.Requirement
		today journey.Date
		want  protocol.Countdown
	}{
		{"nothing, far ahead", journey.Requirement{Status: journey.Due}, "2028-01-01", protocol.Countdown{Standing: protocol.CountdownLater, From: "2028-02-02", Until: "2028-02-27"}},
		{"nothing, in its window", journey.Requirement{Status: journey.Due}, "2028-02-10", protocol.Countdown{Standing: protocol.CountdownNow, From: "2028-02-10", Until: "2028-02-27"}},
		{"nothing, on the last day", journey.Requirement{Status: journey.Due}, "2028-02-27", protocol.Countdown{Standing: protocol.CountdownNow, From: "2028-02-27", Until: "2028-02-27"}},
		{"nothing, a day late", journey.Requirement{Status: journey.Due}, "2028-02-28", protocol.Countdown{Standing: protocol.CountdownLate, From: "2028-02-28", Until: "2028-02-27"}},
		{"of the first day of its window", met("2028-02-02"), "2028-02-10", protocol.Countdown{Standing: protocol.CountdownReady}},
		{"of the day before", met("2028-02-01"), "2028-02-10", protocol.Countdown{Standing: protocol.CountdownNow, Lapses: "2028-03-01", From: "2028-02-10", Until: "2028-02-27"}},
		{"waived beyond the day", journey.Requirement{Status: journey.Waived, ValidUntil: "2028-03-01"}, "2028-02-10", protocol.Countdown{Standing: protocol.CountdownReady}},
		{"waived to the day before", journey.Requirement{Status: journey.Waived, ValidUntil: "2028-02-29"}, "2028-02-10", protocol.Countdown{Standing: protocol.CountdownNow, Lapses: "2028-03-01", From: "2028-02-10", Until: "2028-02-27"}},
	} {
		got := p.Countdown(state(tt.on, planned), tt.today)
		if len(got) != 1 {
			t.Fatalf("%s: %d lines", tt.name, len(got))
		}
		got[0].Requirement, got[0].Title = "", ""
		if got[0] != tt.want {
			t.Errorf("%s: got %+v, want %+v", tt.name, got[0], tt.want)
		}
	}
	// A later day asks for later evidence.
	if got := p.Countdown(state(met("2028-02-02"), "2028-03-02"), "2028-02-10")[0]; got.Standing == protocol.CountdownReady {
		t.Errorf("after a move by a day: %+v", got)
	}
	if got := p.Countdown(state(met("2028-02-02"), ""), "2028-02-10"); got != nil {
		t.Errorf("without a plan: %+v", got)
	}
}

func TestBeforeOperationIsChecked(t *testing.T) {
	for text, want := range map[string]string{
		"  readiness_days: [7, 7]\n  source: s":                                                                        "readiness_days: 7 is not accepted",
		"  readiness_days: [-1]\n  source: s":                                                                          "readiness_days: -1 is not accepted",
		"  verification_days: 400\n  source: s":                                                                        "verification_days: accepted: 0 to 365",
		"  verification_days: 7":                                                                                       "source: missing",
		"  verification: [{id: a, title: t, compare: answer, from: f, source: s}]":                                     "lines without verification_days",
		"  last_check: [{id: side, title: t, compare: side, from: f, source: s}]":                                      "the id is not unique",
		"  last_check: [{id: a, title: t, compare: birth-date, from: f, source: s}]":                                   "compare: accepted:",
		"  last_check: [{id: a, title: t, compare: answer, source: s}]":                                                "title, from and source are needed",
		"  last_check: [{id: Not a word, title: t, compare: answer, from: f, source: s}]":                              "not a word of a-z",
		"  verification_days: 7\n  source: s\n  verification: [{id: a, title: t, compare: magic, from: f, source: s}]": "accepted:",
	} {
		_, err := protocol.Parse([]byte(protocols.Brief + "\nbefore_operation:\n" + text + "\n"))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %q", text, err, want)
		}
	}
}
