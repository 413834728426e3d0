package pressure

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// TestThresholds reads the table of calculations 9 a second time.
func TestThresholds(t *testing.T) {
	tests := map[Target]Thresholds{
		"120/80":  {Office: Pair{120, 80}, Day: Pair{120, 80}, Night: Pair{100, 65}, Whole: Pair{115, 75}},
		"130/80":  {Office: Pair{130, 80}, Day: Pair{130, 80}, Night: Pair{110, 65}, Whole: Pair{125, 75}},
		"140/90":  {Office: Pair{140, 90}, Day: Pair{135, 85}, Night: Pair{120, 70}, Whole: Pair{130, 80}},
		"160/100": {Office: Pair{160, 100}, Day: Pair{145, 90}, Night: Pair{140, 85}, Whole: Pair{145, 90}},
	}
	for _, target := range Targets() {
		got, err := target.Thresholds()
		if err != nil || got != tests[target] {
			t.Errorf("%s: got %v, %v, want %v", target, got, err, tests[target])
		}
	}
	if len(Targets()) != len(tests) || DefaultTarget() != "130/80" {
		t.Errorf("the targets are %v, by default %s", Targets(), DefaultTarget())
	}
	for _, target := range []Target{"", "135/85"} {
		_, err := target.Thresholds()
		wantError(t, err, clinical.UnknownChoice, "target")
		_, err = AmbulatoryMeansFor(target, monitor(20, reading(120, 75), 7, reading(100, 60)), 27)
		wantError(t, err, clinical.UnknownChoice, "target")
	}
}

// TestAmbulatoryFindingDependsOnTheTarget: 134/84 by day and 119/69 by night are
// too high for an office target of 130/80, not for 140/90.
func TestAmbulatoryFindingDependsOnTheTarget(t *testing.T) {
	list := monitor(20, reading(134, 84), 20, reading(119, 69))
	for target, want := range map[Target]AmbulatoryFinding{Target120: Hypertensive, Target130: Hypertensive, Target140: BelowThresholds, Target160: BelowThresholds} {
		a, err := AmbulatoryMeansFor(target, list, 40)
		if err != nil || a.Finding != want {
			t.Errorf("%s: got %s, %v, want %s", target, a.Finding, err, want)
		}
	}
	a, err := AmbulatoryMeansFor(Target140, monitor(20, reading(130, 80), 7, reading(120, 65)), 27)
	if err != nil || a.Finding != NightOnly {
		t.Errorf("got %s, %v", a.Finding, err)
	}
}

func TestAmbulatoryWarnsNearThresholds(t *testing.T) {
	list := monitor(20, reading(129.6, 60), 20, reading(116.6, 50))
	a, err := AmbulatoryMeans(list, 40)
	if err != nil || !a.Day.Systolic.HasWarning(clinical.NearThresholdWarning) || a.Day.Diastolic.HasWarning(clinical.NearThresholdWarning) {
		t.Errorf("got %v, %v", a.Day, err)
	}
	// A fall of 10.03 % is shown as 10.0 and is more than 10.
	if !a.Dipper || !a.Night.Systolic.HasWarning(clinical.NearThresholdWarning) {
		t.Errorf("the fall of %g has the warnings %v", a.Dip, a.Night.Systolic.Warnings)
	}
	// A fall of 10.06 % is shown as 10.1.
	a, err = AmbulatoryMeans(monitor(20, reading(129.6, 60), 20, reading(116.56, 50)), 40)
	if err != nil || !a.Dipper || a.Night.Systolic.HasWarning(clinical.NearThresholdWarning) {
		t.Errorf("the fall of %g has the warnings %v, %v", a.Dip, a.Night.Systolic.Warnings, err)
	}
}

func TestPattern(t *testing.T) {
	tests := []struct {
		name        string
		office, day Reading
		treated     clinical.Answer
		target      Target
		answer      string
		near        bool
	}{
		{"normal", reading(129, 79), reading(129, 79), clinical.No, Target130, NormalPattern, false},
		{"shown on the threshold", reading(129.6, 79), reading(129, 79), clinical.No, Target130, NormalPattern, true},
		{"shown on the diastolic threshold", reading(129, 79), reading(129, 79.6), clinical.No, Target130, NormalPattern, true},
		{"white coat by the systolic", reading(130, 70), reading(129, 79), clinical.No, Target130, WhiteCoat, false},
		{"white coat by the diastolic", reading(120, 80), reading(129, 79), clinical.No, Target130, WhiteCoat, false},
		{"masked by the systolic", reading(129, 79), reading(130, 70), clinical.No, Target130, Masked, false},
		{"masked by the diastolic", reading(129, 79), reading(120, 80), clinical.No, Target130, Masked, false},
		{"sustained", reading(130, 80), reading(130, 80), clinical.No, Target130, Sustained, false},
		{"a higher target", reading(139, 89), reading(134, 84), clinical.No, Target140, NormalPattern, false},
		{"masked with a higher target", reading(139, 89), reading(135, 84), clinical.No, Target140, Masked, false},
		{"treated and high in the office", reading(140, 90), reading(120, 70), clinical.Yes, Target130, TreatedNoPattern, false},
		{"treated and high by day", reading(120, 70), reading(140, 90), clinical.Yes, Target130, TreatedNoPattern, false},
		{"treated and normal", reading(120, 70), reading(120, 70), clinical.Yes, Target130, TreatedNoPattern, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := Pattern(PatternInput{Office: tt.office, Day: tt.day, Treated: tt.treated}, tt.target)
			if err != nil {
				t.Fatal(err)
			}
			if c.Answer != tt.answer || c.HasWarning(clinical.NearThresholdWarning) != tt.near {
				t.Errorf("got %s with %v, want %s", c.Answer, c.Warnings, tt.answer)
			}
			weights := map[clinical.Answer][]clinical.Weight{
				clinical.No:  {clinical.Decides, clinical.Decides},
				clinical.Yes: {clinical.Neutral, clinical.Neutral, clinical.Decides},
			}[tt.treated]
			if len(c.Reasons) != len(weights) || len(c.Inputs) != 6 || c.Rule == "" || c.Source == "" || c.Question == "" {
				t.Fatalf("incomplete: %+v", c)
			}
			for i, r := range c.Reasons {
				if r.Weight != weights[i] || r.Source == "" {
					t.Errorf("reason %d is %+v, want the weight %s", i, r, weights[i])
				}
				if tt.treated == clinical.Yes && (strings.Contains(r.Text, WhiteCoat) || strings.Contains(r.Text, Masked)) {
					t.Errorf("a pattern is named under treatment: %q", r.Text)
				}
			}
		})
	}
	c, err := Pattern(PatternInput{Office: reading(130, 70), Day: reading(120, 70), Treated: clinical.No}, Target130)
	if err != nil || c.Reasons[0].Text != "the office mean reaches 130/80 mm[Hg]" || c.Reasons[1].Text != "the day mean is below 130/80 mm[Hg]" {
		t.Errorf("got %v, %v", c.Reasons, err)
	}
}

func TestPatternRefuses(t *testing.T) {
	good := PatternInput{Office: reading(120, 70), Day: reading(120, 70), Treated: clinical.No}
	with := func(change func(*PatternInput)) PatternInput {
		in := good
		change(&in)
		return in
	}
	tests := []struct {
		name   string
		in     PatternInput
		target Target
		code   clinical.Code
		field  string
	}{
		{"no target", good, "", clinical.UnknownChoice, "target"},
		{"treatment not answered", with(func(in *PatternInput) { in.Treated = "" }), Target130, clinical.Missing, "treated"},
		{"unknown answer", with(func(in *PatternInput) { in.Treated = "soon" }), Target130, clinical.UnknownChoice, "treated"},
		{"no office mean", with(func(in *PatternInput) { in.Office = Reading{} }), Target130, clinical.Missing, "office mean systolic"},
		{"no day mean", with(func(in *PatternInput) { in.Day = Reading{Systolic: mmHg(120)} }), Target130, clinical.Missing, "day mean diastolic"},
		{"other unit", with(func(in *PatternInput) { in.Day.Systolic = units.Quantity{Value: 16, Unit: "kPa"} }), Target130, clinical.UnknownUnit, "day mean systolic"},
		{"NaN", with(func(in *PatternInput) { in.Day = reading(math.NaN(), 70) }), Target130, clinical.NotFinite, "day mean systolic"},
		{"swapped", with(func(in *PatternInput) { in.Office = reading(70, 120) }), Target130, clinical.OutOfRange, "office mean diastolic"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Pattern(tt.in, tt.target)
			wantError(t, err, tt.code, tt.field)
		})
	}
}

func TestPeriodByDiary(t *testing.T) {
	tests := []struct {
		at, wake, sleep string
		want            Period
	}{
		{"06:29", "06:30", "22:15", NightTime},
		{"06:30", "06:30", "22:15", DayTime},
		{"22:14", "06:30", "22:15", DayTime},
		{"22:15", "06:30", "22:15", NightTime},
		{"00:00", "06:30", "22:15", NightTime},
		{"23:59", "06:30", "22:15", NightTime},
		{"23:59", "08:00", "00:45", DayTime},
		{"00:44", "08:00", "00:45", DayTime},
		{"00:45", "08:00", "00:45", NightTime},
		{"07:59", "08:00", "00:45", NightTime},
		{"08:00", "08:00", "00:45", DayTime},
		{"12:00", "00:00", "23:59", DayTime},
		{"09:59", "10:00", "22:00", NightTime},
		{"10:01", "10:00", "22:00", DayTime},
	}
	for _, tt := range tests {
		got, err := PeriodByDiary(tt.at, Diary{tt.wake, tt.sleep})
		if err != nil || got != tt.want {
			t.Errorf("%s with waking at %s and sleep at %s is %s, %v, want %s", tt.at, tt.wake, tt.sleep, got, err, tt.want)
		}
	}
	for _, text := range []string{"7:00", "07:0", "24:00", "12:60", "12.30", "ab:cd", "12:3a", "+7:00", "-1:00", "007:00", "07:000", " 7:00"} {
		_, err := PeriodByDiary(text, Diary{"07:00", "23:00"})
		wantError(t, err, clinical.OutOfRange, "time of the reading")
		if err != nil && strings.Contains(err.Error(), text) {
			t.Errorf("%v repeats what was typed", err)
		}
	}
	_, err := PeriodByDiary("", Diary{"07:00", "23:00"})
	wantError(t, err, clinical.Missing, "time of the reading")
	_, err = PeriodByDiary("12:00", Diary{Sleep: "23:00"})
	wantError(t, err, clinical.Missing, "time of waking")
	_, err = PeriodByDiary("12:00", Diary{Wake: "07:00", Sleep: "11 pm"})
	wantError(t, err, clinical.OutOfRange, "time of sleep")
	_, err = PeriodByDiary("12:00", Diary{"07:00", "07:00"})
	wantError(t, err, clinical.WrongOrder, "time of sleep")
}

// TestDiaryAgreesWithTheFixedHours: a diary of 07:00 and 23:00 gives the periods
// of PeriodOfHour.
func TestDiaryAgreesWithTheFixedHours(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hour, minute := rapid.IntRange(0, 23).Draw(t, "hour"), rapid.IntRange(0, 59).Draw(t, "minute")
		two := func(n int) string { return string([]byte{byte('0' + n/10), byte('0' + n%10)}) }
		byDiary, err := PeriodByDiary(two(hour)+":"+two(minute), Diary{"07:00", "23:00"})
		if err != nil {
			t.Fatal(err)
		}
		if byHour, err := PeriodOfHour(hour); err != nil || byHour != byDiary {
			t.Fatalf("%d:%d is %s and %s, %v", hour, minute, byDiary, byHour, err)
		}
	})
}

// TestLimitsOfReadings has both sides of each limit of a reading.
func TestLimitsOfReadings(t *testing.T) {
	for _, ok := range [][2]float64{{60, 30}, {260, 90}, {200, 160}, {80, 79.9}} {
		if _, err := Classify(ok[0], ok[1]); err != nil {
			t.Errorf("%v: %v", ok, err)
		}
	}
	for _, bad := range [][2]float64{{59.9, 40}, {260.1, 90}, {120, 29.9}, {200, 160.1}, {80, 80}} {
		if _, err := Classify(bad[0], bad[1]); err == nil {
			t.Errorf("%v is classified", bad)
		}
	}
}

// TestValidReadingsAreCountedExactly: 140 of 200 is 70 %, 139 of 199 is less.
func TestValidReadingsAreCountedExactly(t *testing.T) {
	if _, err := AmbulatoryMeans(monitor(100, reading(120, 75), 40, reading(100, 60)), 200); err != nil {
		t.Error(err)
	}
	_, err := AmbulatoryMeans(monitor(100, reading(120, 75), 39, reading(100, 60)), 199)
	wantError(t, err, clinical.TooFew, "readings")
}
