package recovery_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/clinical/perioperative"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/recovery"
)

// line finds a line of the default protocol's plan.
func line(t *testing.T, lines []recovery.Line, id string) recovery.Line {
	t.Helper()
	i := slices.IndexFunc(lines, func(l recovery.Line) bool { return l.ID == id })
	if i < 0 {
		t.Fatalf("the plan has no line %s", id)
	}
	return lines[i]
}

// shown is what a line says in one word list.
func shown(l recovery.Line) string {
	text := string(l.State)
	if l.From != "" {
		text += " " + string(l.From)
	}
	if l.Until != "" {
		text += " to " + string(l.Until)
	}
	for _, a := range l.WaitsFor {
		text += " waits:" + string(a)
	}
	if l.NotBefore != "" {
		text += " not before " + string(l.NotBefore)
	}
	if l.EndsWith != "" {
		text += " ends with:" + string(l.EndsWith)
	}
	if l.DoneOn != "" {
		text += " done " + string(l.DoneOn)
	}
	if l.Late {
		text += " late"
	}
	return text
}

func week1(on journey.Date) []journey.Visit {
	return []journey.Visit{{ID: "week-1", Status: journey.VisitDone, On: on}}
}

// TestPlan holds days that were worked out by hand with a calendar. 2028 is a
// leap year; in 2026 the clocks of Stockholm change in the night to 29 March and
// to 25 October.
func TestPlan(t *testing.T) {
	p := protocol.Default()
	tests := []struct {
		name            string
		operated, today journey.Date
		stays           []command.RecordStay
		visits          []journey.Visit
		want            map[string]string
	}{
		{
			"the day before a leap day, nothing on record", "2028-02-28", "2028-03-02", nil, nil,
			map[string]string{
				"catheter": "now 2028-02-29 to 2028-02-29 late", "walking": "now 2028-02-29 to 2028-02-29 late", "first-hours": "past 2028-02-28 to 2028-02-28",
				"home": "now 2028-03-01 to 2028-03-01 late", "long-stay": "now 2028-03-02 ends with:discharge",
				"lifting": "now 2028-02-28 to 2028-04-10", "no-soaking": "now 2028-02-28 to 2028-03-27",
				"driving": "waits waits:last-opioid waits:first-visit", "opioid": "now 2028-02-28 ends with:last-opioid",
				"shower": "waits waits:discharge", "call-72-hours": "waits waits:discharge", "no-nsaid": "now 2028-02-28",
				"desk-work": "ahead 2028-03-27", "heavy-work": "ahead 2028-04-24", "visit-week-1": "ahead 2028-03-06 to 2028-03-06",
				"no-pregnancy": "now 2028-02-28 to 2029-02-27", "yearly-check": "ahead 2029-02-27",
			},
		},
		{
			"home on the second day, the opioid later than the first visit", "2028-02-28", "2028-03-10",
			[]command.RecordStay{{CatheterOut: "2028-02-29", Walking: "2028-02-29", Eating: "2028-02-29"}, {Discharged: "2028-03-01", LastOpioid: "2028-03-04", Work: "desk"}, {LastOpioid: "2028-03-09"}},
			week1("2028-03-06"),
			map[string]string{
				"driving": "now 2028-03-10", "opioid": "past 2028-02-28 to 2028-03-09", "catheter": "done 2028-02-29 to 2028-02-29 done 2028-02-29",
				"call-72-hours": "past 2028-03-01 to 2028-03-04", "visit-week-1": "done 2028-03-06 to 2028-03-06 done 2028-03-06",
				"home": "done 2028-03-01 to 2028-03-01 done 2028-03-01", "rest": "past 2028-03-01 to 2028-03-08", "stairs": "now 2028-03-01",
				"letter": "past 2028-03-01 to 2028-03-01",
			},
		},
		{
			"the first visit later than the opioid, and across the change of clocks", "2026-03-27", "2026-04-02",
			[]command.RecordStay{{Discharged: "2026-03-29", LastOpioid: "2026-03-28"}}, week1("2026-04-03"),
			map[string]string{
				"driving": "ahead 2026-04-03", "call-72-hours": "past 2026-03-29 to 2026-04-01", "no-soaking": "now 2026-03-27 to 2026-04-24",
				"lifting": "now 2026-03-27 to 2026-05-08",
			},
		},
		{
			"only the opioid is known, in the night when clocks go back", "2026-10-23", "2026-10-25",
			[]command.RecordStay{{LastOpioid: "2026-10-24"}}, []journey.Visit{{ID: "week-1", Status: journey.VisitNotReached, On: "2026-10-25"}},
			map[string]string{"driving": "waits waits:first-visit not before 2026-10-25", "catheter": "now 2026-10-24 to 2026-10-24 late"},
		},
		{
			"a mistake is taken back", "2028-02-28", "2028-03-02",
			[]command.RecordStay{{Discharged: "2028-03-01"}, {Withdrawn: []string{"discharged"}, Reason: "Another patient."}}, nil,
			map[string]string{"shower": "waits waits:discharge"},
		},
		{
			"back at work", "2028-02-28", "2028-05-02",
			[]command.RecordStay{{Work: "heavy", WorkPartTime: "2028-04-12", WorkFull: "2028-05-01"}}, nil,
			map[string]string{"heavy-work-part": "done 2028-04-10 done 2028-04-12", "heavy-work": "done 2028-04-24 done 2028-05-01"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			lines := recovery.Plan(p, tt.operated, recovery.Of(tt.stays), tt.visits, tt.today)
			for id, want := range tt.want {
				if got := shown(line(t, lines, id)); got != want {
					t.Errorf("%s: got %q, want %q", id, got, want)
				}
			}
		})
	}
}

// TestConditions leaves out what is for other work or another operation, once
// that is known.
func TestConditions(t *testing.T) {
	p := protocol.Default()
	ids := func(stay recovery.Stay) []string {
		var list []string
		for _, l := range recovery.Plan(p, "2028-02-28", stay, nil, "2028-02-28") {
			if l.Topic == "work" && l.For == protocol.ForCandidate || l.ID == "lifting-open" {
				list = append(list, l.ID)
				if known := stay.Work != ""; known != (len(l.Work) == 0) && l.Topic == "work" {
					t.Errorf("%s says %v of the kind of work", l.ID, l.Work)
				}
			}
		}
		return list
	}
	if got := len(ids(recovery.Stay{})); got != 7 {
		t.Errorf("%d lines while nothing is known, want 7", got)
	}
	if got := ids(recovery.Stay{Work: "mixed", Approach: "robotic"}); !slices.Equal(got, []string{"mixed-work-part", "mixed-work"}) {
		t.Errorf("got %v", got)
	}
	if got := ids(recovery.Stay{Work: "desk", Approach: "open"}); !slices.Equal(got, []string{"lifting-open", "desk-work-part", "desk-work"}) {
		t.Errorf("got %v", got)
	}
	// Nobody who went home on the second day has a long stay.
	for _, l := range recovery.Plan(p, "2028-02-28", recovery.Of([]command.RecordStay{{Discharged: "2028-03-01"}}), nil, "2028-03-09") {
		if l.ID == "long-stay" {
			t.Error("a short stay is called long")
		}
	}
	if recovery.Plan(p, "", recovery.Stay{}, nil, "2028-02-28") != nil {
		t.Error("a plan without an operation")
	}
}

// TestLimits compares the default protocol with the formula of the project, and
// both with the worked dates of calculations.md, section 14.
func TestLimits(t *testing.T) {
	limits, err := perioperative.LimitsAfterOperation("2025-01-10", perioperative.DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	lines := recovery.Plan(protocol.Default(), "2025-01-10", recovery.Stay{}, nil, "2025-01-10")
	want := map[string]struct {
		line, day string
	}{
		perioperative.Lifting: {"lifting", "2025-02-21"}, perioperative.Soaking: {"no-soaking", "2025-02-07"},
		perioperative.DeskWork: {"desk-work", "2025-02-07"}, perioperative.HeavyWorkEarliest: {"heavy-work-part", "2025-02-21"},
		perioperative.HeavyWork: {"heavy-work", "2025-03-07"},
	}
	for _, limit := range limits.Ends {
		w := want[limit.Name]
		l := line(t, lines, w.line)
		day := l.Until
		if day == "" {
			day = l.From
		}
		if limit.Ends != w.day || string(day) != w.day {
			t.Errorf("%s: the formula says %s, the plan %s, the worked example %s", limit.Name, limit.Ends, day, w.day)
		}
	}
}

func TestCheck(t *testing.T) {
	const operated, today = "2028-02-28", "2028-03-10"
	before := recovery.Of([]command.RecordStay{{Walking: "2028-02-29", Discharged: "2028-03-02", LastOpioid: "2028-03-04", Work: "desk"}})
	for _, tt := range []struct {
		name  string
		body  command.RecordStay
		field string
	}{
		{"new", command.RecordStay{CatheterOut: "2028-02-29"}, ""},
		{"on the day of the operation", command.RecordStay{CatheterOut: operated}, ""},
		{"before the operation", command.RecordStay{CatheterOut: "2028-02-27"}, "catheter_out"},
		{"tomorrow", command.RecordStay{CatheterOut: "2028-03-11"}, "catheter_out"},
		{"the same again", command.RecordStay{Walking: "2028-02-29", Work: "desk"}, ""},
		{"changed without a reason", command.RecordStay{Walking: "2028-03-01"}, "reason"},
		{"changed with blanks for a reason", command.RecordStay{Walking: "2028-03-01", Reason: " \n"}, "reason"},
		{"changed with a reason", command.RecordStay{Walking: "2028-03-01", Reason: "Misread."}, ""},
		{"other work without a reason", command.RecordStay{Work: "heavy"}, "reason"},
		{"a further dose", command.RecordStay{LastOpioid: "2028-03-06"}, ""},
		{"an earlier last dose", command.RecordStay{LastOpioid: "2028-03-03"}, "reason"},
		{"work before going home", command.RecordStay{WorkPartTime: "2028-03-01"}, "work_part_time"},
		{"home after work", command.RecordStay{WorkFull: "2028-03-09", Discharged: "2028-03-10", Reason: "x"}, "work_full"},
		{"in full before part-time", command.RecordStay{WorkPartTime: "2028-03-09", WorkFull: "2028-03-08"}, "work_full"},
		{"what is not there is taken back", command.RecordStay{Withdrawn: []string{"eating"}, Reason: "x"}, "withdrawn[0]"},
		{"what is there is taken back", command.RecordStay{Withdrawn: []string{"discharged"}, WorkFull: "2028-03-01", Reason: "x"}, ""},
	} {
		refusal := recovery.Check(before, &tt.body, operated, today)
		switch {
		case tt.field == "" && refusal != nil:
			t.Errorf("%s: %v", tt.name, refusal)
		case tt.field != "" && (refusal == nil || refusal.Field != tt.field || refusal.Code != journey.Invalid):
			t.Errorf("%s: got %v, want a refusal of %s", tt.name, refusal, tt.field)
		}
	}
	// A stay before work makes the field that was sent the wrong one.
	working := recovery.Of([]command.RecordStay{{WorkFull: "2028-03-08"}})
	if r := recovery.Check(working, &command.RecordStay{Discharged: "2028-03-09"}, operated, today); r == nil || r.Field != "discharged" {
		t.Errorf("got %v", r)
	}
}

// readability is the Automated Readability Index: Smith and Senter, AMRL-TR-66-220
// (1967). It is about the school grade; grade 7 is an age of 12 to 13.
func readability(texts ...string) float64 {
	var characters, words, sentences float64
	for _, text := range texts {
		ended := true
		for _, word := range strings.Fields(text) {
			n := 0
			for _, r := range word {
				if r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' {
					n++
				}
			}
			if n == 0 {
				continue
			}
			characters, words = characters+float64(n), words+1
			if ended = strings.ContainsAny(word[len(word)-1:], ".!?"); ended {
				sentences++
			}
		}
		if !ended {
			sentences++
		}
	}
	return 4.71*characters/words + 0.5*words/sentences - 21.43
}

func TestPlainWords(t *testing.T) {
	// A sentence counted by hand: 24 letters, 6 words, 1 sentence.
	if got, want := fmt.Sprintf("%.2f", readability("The doctor sees you next week.")), "0.41"; got != want {
		t.Fatalf("the index of the example is %s, want %s", got, want)
	}
	var all []string
	for _, m := range protocol.Default().Recovery {
		if m.For != protocol.ForCandidate {
			if m.Plain != "" {
				t.Errorf("%s is for the team and in plain words", m.ID)
			}
			continue
		}
		if m.Plain == "" || m.Topic == "" {
			t.Errorf("%s has no plain words or no topic", m.ID)
			continue
		}
		all = append(all, m.Plain)
		if got := readability(m.Plain); got > 9 {
			t.Errorf("%s: the index is %.1f, above 9: %s", m.ID, got, m.Plain)
		}
	}
	if got := readability(all...); got > 7 {
		t.Errorf("the index of all lines is %.1f, above 7", got)
	} else {
		t.Logf("%d lines, index %.1f", len(all), got)
	}
}

// TestPlainQuestions holds what candidates are asked to the same index.
func TestPlainQuestions(t *testing.T) {
	for _, q := range protocol.Default().Questionnaires {
		all := []string{q.Title, q.Intro}
		for _, s := range q.Sections {
			all = append(all, s.Title, s.Intro)
			for _, each := range s.Questions {
				all = append(all, each.Text, each.Help)
				if got := readability(each.Text, each.Help); got > 9 {
					t.Errorf("%s: the index is %.1f, above 9: %s %s", each.ID, got, each.Text, each.Help)
				}
			}
		}
		if got := readability(all...); got > 7 {
			t.Errorf("%s: the index of all of it is %.1f, above 7", q.ID, got)
		} else {
			t.Logf("%s: index %.1f", q.ID, got)
		}
	}
}
