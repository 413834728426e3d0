package protocol_test

import (
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// TestBrokenFollowUp changes the default in one place each.
func TestBrokenFollowUp(t *testing.T) {
	source := protocol.Default().Source()
	for _, tt := range []struct{ name, old, with, want string }{
		{"an item of nothing", "      - [followup-alive]\n", "      - []\n", "visits.month-6.clinical[0]: an item without"},
		{"an item that is none", "      - [followup-hernia]\n", "      - [hernia]\n", `visits.month-6.further[4]: there is no observation "hernia"`},
		{"a computed item", "      - [followup-hernia]\n", "      - [bmi]\n", `there is no observation "bmi"`},
		{"a row that is reported", "    repeats_until_years: 0\n", "    reported: true\n", "visits.yearly.reported"},
		{"a row that never comes", "    repeats_every_months: 12\n", "    repeats_every_months: -1\n", "visits.yearly.repeats_every_months"},
		{"a row with windows that overlap", "    repeats_every_months: 12\n", "    repeats_every_months: 6\n", "longer than the window"},
		{"an end without a row", "    repeats_every_months: 12\n    repeats_until_years: 0\n", "    repeats_until_years: 9\n", "visits.yearly.repeats_every_months"},
		{"a row by days", "    after_months: 36\n", "    after_days: 36\n", "needs after_months"},
		{"a row that ends before it begins", "repeats_until_years: 0", "repeats_until_years: 2", "visits.yearly.repeats_until_years"},
		{"a step twice", "{id: second-reminder", "{id: first-reminder", "ladder.first-reminder: the id"},
		{"steps on one day", "days: -30", "days: -60", "ladder.second-reminder.days"},
		{"an unknown way", "channel: message", "channel: pigeon", "ladder.second-reminder.channel"},
		{"nobody lost", "after_visits: 2", "after_visits: 0", "lost.after_visits"},
		{"a contact that is none", "[reached, refused,", "[seen, refused,", "lost.contact"},
		{"no share", "clinical_percent: 80", "clinical_percent: 0", "completeness[2].clinical_percent"},
		{"too large a share", "laboratory_percent: 70", "laboratory_percent: 700", "completeness[2].laboratory_percent"},
		{"cohorts that overlap", `from: "2015-01-01"`, `from: "2014-12-31"`, "completeness[2].from: the cohort before"},
		{"a day that is none", `until: "2014-12-31"`, `until: "2014-12-32"`, "completeness[1].until"},
		{"a limit that is none", "low_gfr: 45", "low_gfr: 0", "after_donation.low_gfr"},
		{"fractions out of order", "expected_low: 0.65", "expected_low: 0.69", "after_donation.expected"},
		{"one answer", "      - {code: working, title: Works for income}\n", "      - {code: donation, title: Works}\n", "observations.followup-working.choices"},
	} {
		if !strings.Contains(source, tt.old) {
			t.Fatalf("%s: the default lacks %q", tt.name, tt.old)
		}
		_, err := protocol.Parse([]byte(strings.Replace(source, tt.old, tt.with, 1)))
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v, want %q", tt.name, err, tt.want)
		}
		for _, f := range protocol.Faults(err) {
			if f.Line < 2 {
				t.Errorf("%s: the fault %v has no line", tt.name, f)
			}
		}
	}
}

// TestDiffOfFollowUp tells what changed in the parts of follow-up.
func TestDiffOfFollowUp(t *testing.T) {
	from := protocol.Default()
	to, err := protocol.Parse([]byte(strings.NewReplacer(
		`version: "`+from.Version+`"`, `version: "ours"`, "after_visits: 2", "after_visits: 3", "days: -30", "days: -28",
		"clinical_percent: 80", "clinical_percent: 85", "low_gfr: 45", "low_gfr: 40", "repeats_until_years: 0", "repeats_until_years: 20",
	).Replace(from.Source())))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, c := range protocol.Diff(from, to) {
		for _, f := range c.Fields {
			got = append(got, c.Part+" "+c.ID+" "+f.Field+" "+f.From+">"+f.To)
		}
	}
	want := []string{
		"visits yearly repeats_until_years 0>20", "ladder second-reminder days -30>-28", "lost  after_visits 2>3",
		"completeness 2015-01-01 clinical_percent 80>85", "after_donation  low_gfr 45>40",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

// TestVisitsOfTheDefault: repeated visits are found by their ids.
func TestVisitsOfTheDefault(t *testing.T) {
	p := protocol.Default()
	for id, want := range map[string]string{
		"month-6": "Six months", "yearly-m36": "Yearly visit, year 3", "yearly-m600": "Yearly visit, year 50",
		"yearly-m37": "Yearly visit, month 37", "yearly": "yearly", "yearly-mx": "yearly-mx", "other": "other",
	} {
		if got := p.VisitTitle(id); got != want {
			t.Errorf("%s: got %q, want %q", id, got, want)
		}
	}
	if visit, step, ok := p.Step("year-1/call"); !ok || visit != "year-1" || step.Days != 0 || step.Channel != "call" {
		t.Errorf("got %s, %+v", visit, step)
	}
	rules := p.Rules()
	if len(rules.Ladder) != 6 || rules.Ladder[0].Days != -60 || rules.Lost.Visits != 2 || rules.Visits[4].RepeatsEvery != 12 {
		t.Errorf("the process gets %+v, %+v", rules.Ladder, rules.Lost)
	}
	cohort := p.Completeness[0]
	for day, want := range map[journey.Date]bool{"2013-01-31": false, "2013-02-01": true, "2013-12-31": true, "2014-01-01": false} {
		if cohort.Holds(day) != want {
			t.Errorf("%s: %t", day, !want)
		}
	}
}

// TestChoices: an observation with answers of its own takes no others.
func TestChoices(t *testing.T) {
	p := protocol.Default()
	o, _ := p.Observation("followup-working")
	if a := o.Answers(); len(a) != 9 || a[0].Code != "working" || a[0].System != protocol.AnswerSystem {
		t.Fatalf("got %+v", o.Answers())
	}
	check := func(answer result.Coding) error {
		var f command.Faults
		p.CheckResults(&f, []command.Result{{Status: result.Final, Code: result.Coding{Code: "followup-working"}, Coded: &answer}})
		return f.Err()
	}
	if err := check(o.Answers()[2]); err != nil {
		t.Error(err)
	}
	for _, wrong := range []result.Coding{{Code: "lazy"}, {System: "http://snomed.info/sct", Code: "working"}} {
		if err := check(wrong); err == nil || !strings.Contains(err.Error(), "results[0].coded") {
			t.Errorf("%+v: got %v", wrong, err)
		}
	}
}
