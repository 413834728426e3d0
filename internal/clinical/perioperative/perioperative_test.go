package perioperative

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

func wantError(t *testing.T, err error, code clinical.Code, field string) {
	t.Helper()
	var e *clinical.Error
	if !errors.As(err, &e) || e.Code != code || e.Field != field {
		t.Errorf("got %v, want the code %s for %s", err, code, field)
	}
}

// minor is an event of which every fact is recorded and none raises the grade.
func minor() Event {
	return Event{
		OtherDrugs: clinical.No, Transfusion: clinical.No, ParenteralNutrition: clinical.No,
		Intervention: NoIntervention, IntensiveCare: clinical.No, OrganFailure: NoOrganFailure,
		Dialysis: clinical.No, Death: clinical.No, DisabilityAtDischarge: clinical.No,
	}
}

func with(change func(*Event)) Event {
	e := minor()
	change(&e)
	return e
}

// TestGradeClavienDindo follows the table of calculations.md, section 14.
func TestGradeClavienDindo(t *testing.T) {
	drugs := with(func(e *Event) { e.OtherDrugs = clinical.Yes })
	drain := with(func(e *Event) { e.Intervention = WithoutGeneralAnaesthesia })
	single := with(func(e *Event) { e.OrganFailure, e.IntensiveCare = SingleOrganFailure, clinical.Yes })
	tests := []struct {
		name     string
		events   []Event
		answer   string
		lowest   Grade
		warnings []clinical.WarningCode
	}{
		{"any deviation", []Event{minor()}, "I", GradeI, nil},
		{"other drugs", []Event{drugs}, "II", GradeII, nil},
		{"transfusion", []Event{with(func(e *Event) { e.Transfusion = clinical.Yes })}, "II", GradeII, nil},
		{"parenteral nutrition", []Event{with(func(e *Event) { e.ParenteralNutrition = clinical.Yes })}, "II", GradeII, nil},
		{"intervention", []Event{drain}, "IIIa", GradeIIIa, nil},
		{"with general anaesthesia", []Event{with(func(e *Event) { e.Intervention = WithGeneralAnaesthesia })}, "IIIb", GradeIIIb, nil},
		{"single organ", []Event{single}, "IVa", GradeIVa, nil},
		{"dialysis", []Event{with(func(e *Event) { e.Dialysis = clinical.Yes })}, "IVa", GradeIVa, nil},
		{"dialysis and several organs", []Event{with(func(e *Event) {
			e.Dialysis, e.OrganFailure, e.IntensiveCare = clinical.Yes, MultipleOrganFailure, clinical.Yes
		})}, "IVb", GradeIVb, nil},
		{"several organs", []Event{with(func(e *Event) { e.OrganFailure, e.IntensiveCare = MultipleOrganFailure, clinical.Yes })}, "IVb", GradeIVb, nil},
		{"death", []Event{with(func(e *Event) { e.Death = clinical.Yes })}, "V", GradeV, nil},
		{"death has no suffix", []Event{with(func(e *Event) { e.Death, e.DisabilityAtDischarge = clinical.Yes, clinical.Yes })}, "V", GradeV, nil},
		{"death needs no other fact", []Event{{Death: clinical.Yes}}, "V", GradeV, nil},
		{"the highest counts", []Event{drugs, drain, minor()}, "IIIa", GradeIIIa, nil},
		{"disability", []Event{with(func(e *Event) { e.Transfusion, e.DisabilityAtDischarge = clinical.Yes, clinical.Yes })}, "IId", GradeII, nil},
		{"disability from a lower event", []Event{drain, with(func(e *Event) { e.DisabilityAtDischarge = clinical.Yes })}, "IIIa", GradeIIIa, nil},
		{"disability of one of two alike", []Event{
			with(func(e *Event) { e.Transfusion, e.DisabilityAtDischarge = clinical.Yes, clinical.NotRecorded }),
			with(func(e *Event) { e.Transfusion, e.DisabilityAtDischarge = clinical.Yes, clinical.Yes }), drugs,
		}, "IId", GradeII, nil},
		{"disability not recorded", []Event{with(func(e *Event) { e.DisabilityAtDischarge = clinical.NotRecorded })}, "I", GradeI,
			[]clinical.WarningCode{DisabilityNotRecorded}},
		{"observation in intensive care", []Event{with(func(e *Event) { e.IntensiveCare = clinical.Yes })}, "I", GradeI,
			[]clinical.WarningCode{CareWithoutOrganFailure}},
		{"dialysis in intensive care", []Event{with(func(e *Event) { e.IntensiveCare, e.Dialysis = clinical.Yes, clinical.Yes })}, "IVa", GradeIVa, nil},
		{"organ failure on the ward", []Event{with(func(e *Event) { e.OrganFailure = SingleOrganFailure })}, "IVa", GradeIVa,
			[]clinical.WarningCode{OrganFailureWithoutCare}},
		{"several organs, care not recorded", []Event{with(func(e *Event) { e.OrganFailure, e.IntensiveCare = MultipleOrganFailure, clinical.NotRecorded })}, "IVb", GradeIVb,
			[]clinical.WarningCode{OrganFailureWithoutCare}},
		{"dialysis on the ward", []Event{with(func(e *Event) { e.OrganFailure, e.Dialysis = SingleOrganFailure, clinical.Yes })}, "IVa", GradeIVa, nil},
		{"nothing recorded", []Event{{}}, "cannot-tell", GradeI, []clinical.WarningCode{GradeMayBeHigher}},
		{"death not recorded", []Event{with(func(e *Event) {
			e.OrganFailure, e.IntensiveCare, e.Death = MultipleOrganFailure, clinical.Yes, clinical.NotRecorded
		})}, "cannot-tell", GradeIVb,
			[]clinical.WarningCode{GradeMayBeHigher}},
		{"organ failure not recorded", []Event{with(func(e *Event) { e.Dialysis, e.OrganFailure = clinical.Yes, organFailureNotRecorded })}, "cannot-tell", GradeIVa,
			[]clinical.WarningCode{GradeMayBeHigher}},
		{"anaesthesia not recorded", []Event{with(func(e *Event) { e.Intervention = interventionNotRecorded })}, "cannot-tell", GradeI,
			[]clinical.WarningCode{GradeMayBeHigher}},
		{"a missing fact of another event", []Event{drain, with(func(e *Event) { e.Dialysis = clinical.NotRecorded })}, "cannot-tell", GradeIIIa,
			[]clinical.WarningCode{GradeMayBeHigher}},
		{"a missing fact that cannot raise", []Event{drain, with(func(e *Event) { e.Transfusion = clinical.NotRecorded })}, "IIIa", GradeIIIa, nil},
		{"a missing fact of the same grade", []Event{with(func(e *Event) { e.OtherDrugs, e.Transfusion = clinical.Yes, clinical.NotRecorded })}, "II", GradeII, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := GradeClavienDindo(tt.events)
			if err != nil {
				t.Fatal(err)
			}
			if c.Answer != tt.answer || c.Lowest != tt.lowest {
				t.Errorf("got %s, at least %s, want %s, at least %s", c.Answer, c.Lowest, tt.answer, tt.lowest)
			}
			if len(c.Warnings) != len(tt.warnings) {
				t.Errorf("got the warnings %v, want %v", c.Warnings, tt.warnings)
			}
			for _, code := range tt.warnings {
				if !c.HasWarning(code) {
					t.Errorf("the warning %s is missing", code)
				}
			}
		})
	}
}

// TestGradeListsEverything checks the reasons of one course.
func TestGradeListsEverything(t *testing.T) {
	e := with(func(e *Event) {
		e.Intervention, e.Transfusion, e.ParenteralNutrition = WithGeneralAnaesthesia, clinical.Yes, clinical.NotRecorded
	})
	e.Ref = "record-1"
	c, err := GradeClavienDindo([]Event{e})
	if err != nil {
		t.Fatal(err)
	}
	want := []clinical.Weight{
		clinical.Neutral,                                      // the deviation itself
		clinical.Neutral,                                      // death
		clinical.Neutral,                                      // organ failure
		clinical.Neutral,                                      // dialysis
		clinical.Decides,                                      // intervention
		clinical.NotKnown, clinical.Neutral, clinical.Neutral, // grade II
		clinical.Neutral, // intensive care
		clinical.Neutral, // disability
	}
	var got []clinical.Weight
	for _, r := range c.Reasons {
		if r.Text == "" || r.Source == "" {
			t.Errorf("the reason %+v says nothing", r)
		}
		got = append(got, r.Weight)
	}
	if !slices.Equal(got, want) {
		t.Errorf("got the weights %v, want %v", got, want)
	}
	if c.Reasons[4].Text != "event 1: intervention: with-general-anaesthesia, grade IIIb" {
		t.Errorf("got %q", c.Reasons[4].Text)
	}
	if c.Inputs[0].Measurement.Ref != "record-1" || len(c.Inputs) != 9 {
		t.Errorf("got the inputs %v", c.Inputs)
	}
	if c.Rule != "clavien-dindo-2004" || !strings.Contains(c.Source, "2004") || c.Question == "" {
		t.Errorf("got %+v", c.Conclusion)
	}
}

// TestOnlyACertainGradeIsDecided: each grade that is told has a reason that
// decides, and where it may be higher none does.
func TestOnlyACertainGradeIsDecided(t *testing.T) {
	open := with(func(e *Event) { e.Transfusion, e.Dialysis = clinical.Yes, clinical.NotRecorded })
	for _, tt := range []struct {
		events  []Event
		decides []string
		last    string
	}{
		{[]Event{minor()}, []string{"event 1: a deviation from the normal course, grade I"}, "disability at discharge from an event of this grade: no"},
		{[]Event{with(func(e *Event) { e.Transfusion = clinical.Yes }), minor()}, []string{"event 1: transfusion: yes, grade II"}, "disability at discharge from an event of this grade: no"},
		{[]Event{open}, nil, "the grade is at least II and may be up to IVa"},
		{[]Event{{}}, nil, "the grade is at least I and may be up to V"},
	} {
		c, err := GradeClavienDindo(tt.events)
		if err != nil {
			t.Fatal(err)
		}
		var decides []string
		supports := 0
		for _, r := range c.Reasons {
			switch r.Weight {
			case clinical.Decides:
				decides = append(decides, r.Text)
			case clinical.Supports:
				supports++
			}
		}
		if !slices.Equal(decides, tt.decides) || (supports > 0) != (tt.decides == nil) {
			t.Errorf("%s is decided by %q with %d reasons for it, want %q", c.Answer, decides, supports, tt.decides)
		}
		if last := c.Reasons[len(c.Reasons)-1].Text; last != tt.last {
			t.Errorf("the last reason is %q, want %q", last, tt.last)
		}
	}
	if _, err := GradeClavienDindo([]Event{with(func(e *Event) { e.Intervention = "laser" })}); err == nil || strings.Contains(err.Error(), ", ;") || !strings.HasSuffix(err.Error(), "accepted: none, without-general-anaesthesia, with-general-anaesthesia") {
		t.Errorf("got %v", err)
	}
}

func TestGradeClavienDindoRefuses(t *testing.T) {
	tests := []struct {
		name   string
		events []Event
		code   clinical.Code
		field  string
	}{
		{"no event", nil, clinical.Missing, "events"},
		{"unknown answer", []Event{minor(), with(func(e *Event) { e.Death = "maybe" })}, clinical.UnknownChoice, "event 2 death"},
		{"unknown suffix", []Event{with(func(e *Event) { e.DisabilityAtDischarge = "d" })}, clinical.UnknownChoice, "event 1 disability at discharge"},
		{"unknown intervention", []Event{with(func(e *Event) { e.Intervention = "laser" })}, clinical.UnknownChoice, "event 1 intervention"},
		{"unknown organ failure", []Event{with(func(e *Event) { e.OrganFailure = "2" })}, clinical.UnknownChoice, "event 1 organ failure"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := GradeClavienDindo(tt.events)
			wantError(t, err, tt.code, tt.field)
			for _, typed := range []string{"maybe", "laser"} {
				if strings.Contains(err.Error(), typed) {
					t.Errorf("the error repeats what was typed: %v", err)
				}
			}
		})
	}
}

func drawEvent(t *rapid.T, label string) Event {
	answer := func(name string) clinical.Answer {
		return rapid.SampledFrom([]clinical.Answer{clinical.NotRecorded, clinical.Yes, clinical.No}).Draw(t, label+name)
	}
	return Event{
		OtherDrugs: answer("drugs"), Transfusion: answer("transfusion"), ParenteralNutrition: answer("nutrition"),
		Intervention:  rapid.SampledFrom(append(Interventions(), "")).Draw(t, label+"intervention"),
		IntensiveCare: answer("care"),
		OrganFailure:  rapid.SampledFrom(append(OrganFailures(), "")).Draw(t, label+"organs"),
		Dialysis:      answer("dialysis"), Death: answer("death"), DisabilityAtDischarge: answer("disability"),
	}
}

// TestGradeDoesNotDependOnOrderAndDoesNotFall turns the events round and leaves
// one out.
func TestGradeDoesNotDependOnOrderAndDoesNotFall(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawEvent(t, "a "), drawEvent(t, "b ")
		one, err := GradeClavienDindo([]Event{a})
		if err != nil {
			t.Fatal(err)
		}
		two, err := GradeClavienDindo([]Event{a, b})
		if err != nil {
			t.Fatal(err)
		}
		turned, err := GradeClavienDindo([]Event{b, a})
		if err != nil {
			t.Fatal(err)
		}
		if two.Answer != turned.Answer || two.Lowest != turned.Lowest || two.Disability != turned.Disability {
			t.Fatalf("%s in one order, %s in the other", two.Answer, turned.Answer)
		}
		if two.Lowest.rank() < one.Lowest.rank() {
			t.Fatalf("%s became %s by another event", one.Lowest, two.Lowest)
		}
		if one.Lowest.rank() < 0 || one.Answer == "" {
			t.Fatalf("no grade: %+v", one)
		}
	})
}

// TestLimitsAfterOperation holds the worked dates of calculations.md, section 14.
func TestLimitsAfterOperation(t *testing.T) {
	tests := []struct {
		operation string
		weeks     int
		want      string
	}{
		{"2025-01-10", 6, "2025-02-21"},
		{"2025-01-10", 4, "2025-02-07"},
		{"2025-01-10", 8, "2025-03-07"},
		{"2024-02-22", 1, "2024-02-29"},
		{"2023-02-22", 1, "2023-03-01"},
		{"2024-12-30", 1, "2025-01-06"},
		{"2025-03-28", 1, "2025-04-04"},
		{"1950-01-01", 104, "1951-12-30"},
		{"2199-12-31", 1, "2200-01-07"},
	}
	for _, tt := range tests {
		got, err := LimitsAfterOperation(tt.operation, []Limit{{Name: "limit", Weeks: tt.weeks, Source: "programme"}})
		if err != nil {
			t.Errorf("%s: %v", tt.operation, err)
			continue
		}
		want := LimitEnd{Limit{"limit", tt.weeks, "programme"}, tt.want}
		if len(got.Ends) != 1 || got.Ends[0] != want || got.OperationDate != tt.operation {
			t.Errorf("%s and %d weeks is %+v, want %s", tt.operation, tt.weeks, got, tt.want)
		}
	}
}

func TestDefaultLimits(t *testing.T) {
	got, err := LimitsAfterOperation("2025-01-10", DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{
		Lifting: "2025-02-21", Soaking: "2025-02-07", DeskWork: "2025-02-07",
		HeavyWorkEarliest: "2025-02-21", HeavyWork: "2025-03-07",
	}
	if len(got.Ends) != len(want) {
		t.Fatalf("got %+v", got.Ends)
	}
	for _, end := range got.Ends {
		if end.Ends != want[end.Name] || end.Source == "" {
			t.Errorf("%s ends on %s, want %s", end.Name, end.Ends, want[end.Name])
		}
	}
	text, err := json.Marshal(got.Ends[0])
	if err != nil || string(text) != `{"name":"lifting","weeks":6,"source":"common practice, no published source","ends":"2025-02-21"}` {
		t.Errorf("got %s, %v", text, err)
	}
}

func TestLimitsAfterOperationRefuses(t *testing.T) {
	one := []Limit{{Name: Lifting, Weeks: 6}}
	tests := []struct {
		name   string
		date   string
		limits []Limit
		code   clinical.Code
		field  string
	}{
		{"no date", "", one, clinical.Missing, "operation date"},
		{"month only", "2025-01", one, clinical.OutOfRange, "operation date"},
		{"with a time", "2025-01-10T08:00:00Z", one, clinical.OutOfRange, "operation date"},
		{"other separator", "2025/01/10", one, clinical.OutOfRange, "operation date"},
		{"one digit", "2025-1-010", one, clinical.OutOfRange, "operation date"},
		{"words", "ten-of-jan", one, clinical.OutOfRange, "operation date"},
		{"no such month", "2025-13-10", one, clinical.OutOfRange, "operation date"},
		{"word for month", "2025-xx-10", one, clinical.OutOfRange, "operation date"},
		{"word for day", "2025-01-xx", one, clinical.OutOfRange, "operation date"},
		{"no such day", "2025-02-29", one, clinical.OutOfRange, "operation date"},
		{"signs", "2025-+1-10", one, clinical.OutOfRange, "operation date"},
		{"too early", "1949-12-31", one, clinical.OutOfRange, "operation date"},
		{"too late", "2200-01-01", one, clinical.OutOfRange, "operation date"},
		{"no limit", "2025-01-10", nil, clinical.Missing, "limits"},
		{"no name", "2025-01-10", []Limit{{Weeks: 6}}, clinical.Missing, "limit 1 name"},
		{"blank name", "2025-01-10", []Limit{{Name: " \t", Weeks: 6}}, clinical.Missing, "limit 1 name"},
		{"no weeks", "2025-01-10", []Limit{{Name: Lifting, Weeks: 6}, {Name: Soaking}}, clinical.NotPositive, "limit 2 weeks"},
		{"negative", "2025-01-10", []Limit{{Name: Lifting, Weeks: -1}}, clinical.NotPositive, "limit 1 weeks"},
		{"too many", "2025-01-10", []Limit{{Name: Lifting, Weeks: 105}}, clinical.OutOfRange, "limit 1 weeks"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := LimitsAfterOperation(tt.date, tt.limits)
			wantError(t, err, tt.code, tt.field)
		})
	}
}

// dayNumber counts days by the calendar's own rules, independent of package
// time: days of whole years, of whole months, and of the month.
func dayNumber(year, month, day int) int {
	leap := func(y int) bool { return y%4 == 0 && (y%100 != 0 || y%400 == 0) }
	n := day
	for y := 1950; y < year; y++ {
		n += 365
		if leap(y) {
			n++
		}
	}
	lengths := []int{31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}
	for m := 1; m < month; m++ {
		n += lengths[m-1]
		if m == 2 && leap(year) {
			n++
		}
	}
	return n
}

// TestLimitsCountDays compares the dates with a count of days.
func TestLimitsCountDays(t *testing.T) {
	number := func(t *rapid.T, text string) int {
		date, err := parseDate("date", text)
		if err != nil {
			t.Fatal(err)
		}
		return dayNumber(date.Year(), int(date.Month()), date.Day())
	}
	rapid.Check(t, func(t *rapid.T) {
		start := "20" + rapid.StringMatching(`[0-9]{2}-(0[1-9]|1[0-2])-(0[1-9]|1[0-9]|2[0-8])`).Draw(t, "date")
		weeks := rapid.IntRange(1, 104).Draw(t, "weeks")
		got, err := LimitsAfterOperation(start, []Limit{{Name: "limit", Weeks: weeks}})
		if err != nil {
			t.Fatal(err)
		}
		if days := number(t, got.Ends[0].Ends) - number(t, start); days != 7*weeks {
			t.Fatalf("%s is %d days after %s, want %d weeks", got.Ends[0].Ends, days, start, weeks)
		}
	})
}
