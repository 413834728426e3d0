package pressure

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

func reading(systolic, diastolic float64) Reading {
	return Reading{Systolic: mmHg(systolic), Diastolic: mmHg(diastolic)}
}

func sitting(readings ...Reading) Sitting { return Sitting{Readings: readings} }

func wantError(t *testing.T, err error, code clinical.Code, field string) {
	t.Helper()
	var e *clinical.Error
	if !errors.As(err, &e) || e.Code != code || e.Field != field {
		t.Errorf("got %v, want the code %s for %s", err, code, field)
	}
}

// TestClassify follows the table of the ACC/AHA guideline of 2017 at each limit.
func TestClassify(t *testing.T) {
	tests := []struct {
		systolic, diastolic float64
		want                Class
	}{
		{119, 79, Normal},
		{119.99, 79.99, Normal},
		{120, 79, Elevated},
		{129.9, 79.9, Elevated},
		{130, 79, Stage1},
		{139.9, 89.9, Stage1},
		{110, 80, Stage1},
		{125, 85, Stage1},
		{140, 70, Stage2},
		{119, 90, Stage2},
		{135, 95, Stage2},
		{180, 110, Stage2},
	}
	for _, tt := range tests {
		got, err := Classify(tt.systolic, tt.diastolic)
		if err != nil || got != tt.want {
			t.Errorf("%g/%g is %s (%v), want %s", tt.systolic, tt.diastolic, got, err, tt.want)
		}
	}
}

func TestClassifyRefuses(t *testing.T) {
	for _, tt := range [][2]float64{{59, 40}, {261, 90}, {120, 29}, {200, 161}, {80, 80}, {70, 90}, {math.NaN(), 80}, {120, math.NaN()}, {math.Inf(1), 80}} {
		if class, err := Classify(tt[0], tt[1]); err == nil || class != Unclassified {
			t.Errorf("%g/%g is classified as %s", tt[0], tt[1], class)
		}
	}
}

func TestOfficeMean(t *testing.T) {
	tests := []struct {
		name      string
		sittings  []Sitting
		systolic  float64
		diastolic float64
		class     Class
		warnings  []clinical.WarningCode
	}{
		{"elevated", []Sitting{sitting(reading(128, 76), reading(132, 78)), sitting(reading(126, 74), reading(130, 76))}, 129, 76, Elevated, nil},
		{"low elevated", []Sitting{sitting(reading(118, 70), reading(122, 70)), sitting(reading(120, 70), reading(124, 70))}, 121, 70, Elevated, nil},
		{"stage 1", []Sitting{sitting(reading(142, 70), reading(138, 70)), sitting(reading(136, 70), reading(140, 70))}, 139, 70, Stage1, nil},
		{"the diastolic decides", []Sitting{sitting(reading(110, 90), reading(110, 92)), sitting(reading(110, 90), reading(110, 92))}, 110, 91, Stage2, nil},
		{"the first of three is discarded", []Sitting{
			sitting(reading(160, 95), reading(118, 70), reading(120, 72)), sitting(reading(118, 70), reading(118, 70)),
		}, 118.5, 70.5, Normal, []clinical.WarningCode{FirstReadingDiscarded}},
		{"sittings count equally", []Sitting{
			sitting(reading(150, 70), reading(110, 70), reading(110, 70), reading(110, 70)), sitting(reading(120, 70), reading(120, 70)),
		}, 115, 70, Normal, []clinical.WarningCode{FirstReadingDiscarded}},
		{"one occasion", []Sitting{sitting(reading(118, 70), reading(122, 72))}, 120, 71, Unclassified, []clinical.WarningCode{TooFewOccasions}},
		{"one reading on the second", []Sitting{sitting(reading(118, 70), reading(122, 72)), sitting(reading(120, 71))}, 120, 71, Unclassified, []clinical.WarningCode{TooFewOccasions}},
		{"near a threshold", []Sitting{sitting(reading(129, 70), reading(130, 70)), sitting(reading(130, 70), reading(130, 70))}, 129.75, 70, Elevated, []clinical.WarningCode{clinical.NearThresholdWarning}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			office, err := OfficeMean(tt.sittings)
			if err != nil {
				t.Fatal(err)
			}
			if office.Systolic.Value != mmHg(tt.systolic) || office.Diastolic.Value != mmHg(tt.diastolic) || office.Class != tt.class {
				t.Errorf("got %v/%v %s, want %g/%g %s", office.Systolic.Value, office.Diastolic.Value, office.Class, tt.systolic, tt.diastolic, tt.class)
			}
			if len(office.Systolic.Warnings) != len(tt.warnings) {
				t.Errorf("got the warnings %v, want %v", office.Systolic.Warnings, tt.warnings)
			}
			for _, code := range tt.warnings {
				if !office.Systolic.HasWarning(code) {
					t.Errorf("the warning %s is missing", code)
				}
			}
		})
	}
}

func TestOfficeMeanRefuses(t *testing.T) {
	good := sitting(reading(120, 70), reading(122, 72))
	with := func(r Reading) []Sitting { return []Sitting{good, sitting(reading(120, 70), r)} }
	tests := []struct {
		name     string
		sittings []Sitting
		code     clinical.Code
		field    string
	}{
		{"nothing", nil, clinical.Missing, "sittings"},
		{"empty sitting", []Sitting{good, {}}, clinical.Missing, "sitting 2"},
		{"no diastolic", with(Reading{Systolic: mmHg(120)}), clinical.Missing, "sitting 2 reading 2 diastolic"},
		{"NaN", with(reading(math.NaN(), 70)), clinical.NotFinite, "sitting 2 reading 2 systolic"},
		{"zero", with(reading(120, 0)), clinical.NotPositive, "sitting 2 reading 2 diastolic"},
		{"negative", with(reading(-120, 70)), clinical.NotPositive, "sitting 2 reading 2 systolic"},
		{"other unit", with(Reading{Systolic: units.Quantity{Value: 16, Unit: "kPa"}, Diastolic: mmHg(70)}), clinical.UnknownUnit, "sitting 2 reading 2 systolic"},
		{"not UCUM", with(Reading{Systolic: units.Quantity{Value: 120, Unit: "mmHg"}, Diastolic: mmHg(70)}), clinical.UnknownUnit, "sitting 2 reading 2 systolic"},
		{"too low", with(reading(59, 40)), clinical.OutOfRange, "sitting 2 reading 2 systolic"},
		{"too high", with(reading(261, 90)), clinical.OutOfRange, "sitting 2 reading 2 systolic"},
		{"diastolic too high", with(reading(220, 161)), clinical.OutOfRange, "sitting 2 reading 2 diastolic"},
		{"swapped", with(reading(70, 120)), clinical.OutOfRange, "sitting 2 reading 2 diastolic"},
		{"a bad reading that would be discarded", []Sitting{good, sitting(reading(300, 80), reading(120, 70), reading(120, 70))}, clinical.OutOfRange, "sitting 2 reading 1 systolic"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := OfficeMean(tt.sittings)
			wantError(t, err, tt.code, tt.field)
		})
	}
}

// TestHigherReadingsAreNoLowerClass raises every reading by the same amount.
func TestHigherReadingsAreNoLowerClass(t *testing.T) {
	rank := map[Class]int{Normal: 0, Elevated: 1, Stage1: 2, Stage2: 3}
	rapid.Check(t, func(t *rapid.T) {
		diastolic := rapid.Float64Range(40, 100).Draw(t, "diastolic")
		systolic := diastolic + rapid.Float64Range(5, 80).Draw(t, "difference")
		if systolic < 60 {
			systolic = 60
		}
		rise := rapid.Float64Range(0, 50).Draw(t, "rise")
		low, err := Classify(systolic, diastolic)
		if err != nil {
			t.Fatal(err)
		}
		high, err := Classify(systolic+rise, diastolic+rise)
		if err != nil {
			t.Fatal(err)
		}
		if rank[high] < rank[low] {
			t.Fatalf("%g/%g is %s, %g higher is %s", systolic, diastolic, low, rise, high)
		}
	})
}

// monitor returns readings that are all alike by day and all alike by night.
func monitor(nDay int, day Reading, nNight int, night Reading) []AmbulatoryReading {
	var list []AmbulatoryReading
	for range nDay {
		list = append(list, AmbulatoryReading{day, DayTime})
	}
	for range nNight {
		list = append(list, AmbulatoryReading{night, NightTime})
	}
	return list
}

func TestAmbulatoryMeans(t *testing.T) {
	tests := []struct {
		name    string
		day     Reading
		night   Reading
		dip     float64
		dipper  bool
		finding AmbulatoryFinding
	}{
		{"below", reading(120, 75), reading(104, 60), 40.0 / 3, true, BelowThresholds},
		{"day systolic", reading(130, 75), reading(105, 60), 250.0 / 13, true, Hypertensive},
		{"day diastolic", reading(120, 80), reading(100, 60), 50.0 / 3, true, Hypertensive},
		{"24 h only", reading(129, 70), reading(117, 60), 1200.0 / 129, false, Hypertensive},
		{"night only", reading(120, 74), reading(110, 60), 25.0 / 3, false, NightOnly},
		{"night diastolic only", reading(120, 74), reading(100, 65), 50.0 / 3, true, NightOnly},
		{"exactly 10 %", reading(130, 70), reading(117, 60), 10, false, Hypertensive},
		{"higher at night", reading(110, 70), reading(121, 62), -10, false, NightOnly},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a, err := AmbulatoryMeans(monitor(20, tt.day, 10, tt.night), 30)
			if err != nil {
				t.Fatal(err)
			}
			whole := (2*tt.day.Systolic.Value + tt.night.Systolic.Value) / 3
			if a.Day.Systolic.Value != tt.day.Systolic || a.Night.Diastolic.Value != tt.night.Diastolic || math.Abs(a.Whole.Systolic.Value.Value-whole) > 1e-9 {
				t.Errorf("the means are %v, %v, %v", a.Day.Systolic.Value, a.Night.Diastolic.Value, a.Whole.Systolic.Value)
			}
			if math.Abs(a.Dip-tt.dip) > 1e-9 || a.Dipper != tt.dipper || a.Finding != tt.finding {
				t.Errorf("got %g, %t, %s, want %g, %t, %s", a.Dip, a.Dipper, a.Finding, tt.dip, tt.dipper, tt.finding)
			}
		})
	}
}

func TestAmbulatoryReadingsOutsideTheLimitsDoNotCount(t *testing.T) {
	list := monitor(20, reading(120, 75), 7, reading(100, 60))
	list = append(list, AmbulatoryReading{reading(280, 75), DayTime}, AmbulatoryReading{reading(80, 90), NightTime})
	a, err := AmbulatoryMeans(list, 30)
	if err != nil {
		t.Fatal(err)
	}
	if want := (Counts{Attempted: 30, Valid: 27, Day: 20, Night: 7}); a.Counts != want {
		t.Errorf("got %+v, want %+v", a.Counts, want)
	}
	if a.Day.Systolic.Value != mmHg(120) || !a.Whole.Systolic.HasWarning(ReadingsLeftOut) || len(a.Day.Systolic.Inputs) != 20 {
		t.Errorf("got %+v", a.Day.Systolic)
	}
}

func TestAmbulatoryMeansRefuses(t *testing.T) {
	good := monitor(20, reading(120, 75), 7, reading(100, 60))
	tests := []struct {
		name      string
		readings  []AmbulatoryReading
		attempted int
		code      clinical.Code
		field     string
	}{
		{"nothing", nil, 0, clinical.OutOfRange, "attempted readings"},
		{"no readings", nil, 30, clinical.TooFew, "readings"},
		{"fewer attempts than readings", good, 26, clinical.OutOfRange, "attempted readings"},
		{"too few by day", monitor(19, reading(120, 75), 10, reading(100, 60)), 30, clinical.TooFew, "readings"},
		{"too few by night", monitor(25, reading(120, 75), 6, reading(100, 60)), 32, clinical.TooFew, "readings"},
		{"too few valid", good, 39, clinical.TooFew, "readings"},
		{"no period", append(monitor(20, reading(120, 75), 7, reading(100, 60)), AmbulatoryReading{Reading: reading(120, 70)}), 30, clinical.UnknownChoice, "reading 28 period"},
		{"NaN", append(monitor(20, reading(120, 75), 7, reading(100, 60)), AmbulatoryReading{reading(math.NaN(), 70), DayTime}), 30, clinical.NotFinite, "reading 28 systolic"},
		{"other unit", append(monitor(20, reading(120, 75), 7, reading(100, 60)), AmbulatoryReading{Reading{Systolic: mmHg(120), Diastolic: units.Quantity{Value: 9, Unit: "kPa"}}, DayTime}), 30, clinical.UnknownUnit, "reading 28 diastolic"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := AmbulatoryMeans(tt.readings, tt.attempted)
			wantError(t, err, tt.code, tt.field)
		})
	}
	_, err := AmbulatoryMeans(good, 39)
	if err == nil || !strings.Contains(err.Error(), "27 of 39 readings are valid, 20 by day and 7 by night") {
		t.Errorf("the text %v does not name the counts", err)
	}
	if _, err := AmbulatoryMeans(good, 38); err != nil {
		t.Errorf("27 of 38 readings (71 %%) are refused: %v", err)
	}
}

func TestPeriodOfHour(t *testing.T) {
	for hour, want := range map[int]Period{0: NightTime, 6: NightTime, 7: DayTime, 22: DayTime, 23: NightTime} {
		if got, err := PeriodOfHour(hour); err != nil || got != want {
			t.Errorf("hour %d is %s, %v, want %s", hour, got, err, want)
		}
	}
	for _, hour := range []int{-1, 24} {
		_, err := PeriodOfHour(hour)
		wantError(t, err, clinical.OutOfRange, "hour")
	}
}

// TestSittingsOfOneDayAreOneOccasion: what is recorded of one day is one
// occasion, whatever the time; without days each sitting is one.
func TestSittingsOfOneDayAreOneOccasion(t *testing.T) {
	sitting := func(day string) Sitting {
		r := Reading{Systolic: mmHg(118), Diastolic: mmHg(72), Date: day}
		return Sitting{Readings: []Reading{r, r}}
	}
	for _, tt := range []struct {
		days []string
		want Class
	}{
		{[]string{"2026-01-01", "2026-01-01"}, Unclassified}, {[]string{"2026-01-01T08:00:00Z", "2026-01-01T15:00:00Z"}, Unclassified},
		{[]string{"2026-01-01", "2026-01-02"}, Normal}, {[]string{"", ""}, Normal}, {[]string{"2026-01", "2026-01"}, Unclassified},
	} {
		o, err := OfficeMean([]Sitting{sitting(tt.days[0]), sitting(tt.days[1])})
		if err != nil || o.Class != tt.want {
			t.Errorf("%v: got %s, %v", tt.days, o.Class, err)
		}
	}
}
