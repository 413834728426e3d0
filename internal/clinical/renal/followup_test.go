package renal

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

func visit(days, gfr, creatinine float64) Visit {
	v := Visit{Since: clinical.NewMeasurement(days, "d"), GFR: estimated(gfr)}
	if creatinine > 0 {
		v.Creatinine = mgPerDL(creatinine)
	}
	return v
}

func TestAfterDonationCourse(t *testing.T) {
	year := 365.25
	tests := []struct {
		name   string
		visits []Visit
		answer string
		change float64 // zero: not known
		warns  []clinical.WarningCode
	}{
		{"first day", []Visit{visit(0.5, 40, 1.5)}, FollowUpTooEarly, 0, nil},
		{"first week", []Visit{visit(7, 40, 1.5)}, FollowUpTooEarly, 0, nil},
		{"after the first week", []Visit{visit(7.05, 64, 1.4)}, FollowUpAsExpected, 0, []clinical.WarningCode{TrendNotKnown}},
		{"at the low limit", []Visit{visit(180, 45, 1.4)}, FollowUpCannotTell, 0, []clinical.WarningCode{TrendNotKnown}},
		{"below it", []Visit{visit(180, 44.5, 1.4)}, FollowUpToReview, 0, []clinical.WarningCode{clinical.NearThresholdWarning, TrendNotKnown}},
		{"creatinine at the ratio", []Visit{visit(180, 64, 1.6)}, FollowUpAsExpected, 0, []clinical.WarningCode{TrendNotKnown}},
		{"creatinine above the ratio", []Visit{visit(180, 64, 1.61)}, FollowUpToReview, 0, []clinical.WarningCode{TrendNotKnown}},
		{"falling, but high", []Visit{visit(182, 72, 1.4), visit(182+year, 60, 1.4)}, FollowUpAsExpected, -12, nil},
		{"falling and low", []Visit{visit(182, 65.1, 1.4), visit(182+year, 59, 1.4)}, FollowUpToReview, -6.1, nil},
		{"shown as the limit", []Visit{visit(182, 65.6, 1.4), visit(182+year, 59.6, 1.4)}, FollowUpToReview, -6, []clinical.WarningCode{clinical.NearThresholdWarning}},
		{"low, falling by less", []Visit{visit(182, 62.96, 1.4), visit(182+year, 58, 1.4)}, FollowUpAsExpected, -4.96, nil},
		{"low, falling by more", []Visit{visit(182, 63.06, 1.4), visit(182+year, 58, 1.4)}, FollowUpToReview, -5.06, nil},
		{"too short for a trend", []Visit{visit(182, 63, 1.4), visit(182+364, 58.1, 1.4)}, FollowUpCannotTell, 0, []clinical.WarningCode{TrendNotKnown}},
		{"long enough for a trend", []Visit{visit(182, 63, 1.4), visit(182+365, 58, 1.4)}, FollowUpToReview, -5 * year / 365, nil},
		{"adapting", []Visit{visit(180, 70, 1.4), visit(180+year, 50, 1.4)}, FollowUpCannotTell, 0, []clinical.WarningCode{TrendNotKnown}},
		{"no creatinine", []Visit{visit(180, 64, 0)}, FollowUpAsExpected, 0, []clinical.WarningCode{TrendNotKnown, CreatinineNotCompared}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f, err := AfterDonationCourse(FollowUpInput{Visits: tt.visits, Baseline: mgPerDL(1)}, DefaultFollowUpRules())
			if err != nil {
				t.Fatal(err)
			}
			if f.Answer != tt.answer || (f.ChangePerYear == nil) != (tt.change == 0) || f.ChangePerYear != nil && math.Abs(*f.ChangePerYear-tt.change) > 1e-9 {
				t.Errorf("got %s, %+v", f.Answer, f)
			}
			wantWarnings(t, clinical.Result{Warnings: f.Warnings}, tt.warns)
		})
	}
	f, err := AfterDonationCourse(FollowUpInput{Visits: []Visit{visit(180, 64, 1.4)}}, DefaultFollowUpRules())
	if err != nil || !f.HasWarning(CreatinineNotCompared) {
		t.Errorf("got %+v, %v", f, err)
	}
}

func TestAfterDonationCourseRefuses(t *testing.T) {
	good := DefaultFollowUpRules()
	tests := []struct {
		name  string
		in    FollowUpInput
		rules FollowUpRules
		code  clinical.Code
		field string
	}{
		{"no visit", FollowUpInput{}, good, clinical.TooFew, "visits"},
		{"no time", FollowUpInput{Visits: []Visit{{GFR: estimated(60)}}}, good, clinical.Missing, "visit 1 time"},
		{"a century", FollowUpInput{Visits: []Visit{visit(36526, 60, 0)}}, good, clinical.OutOfRange, "visit 1 time"},
		{"no GFR", FollowUpInput{Visits: []Visit{{Since: clinical.NewMeasurement(180, "d")}}}, good, clinical.Missing, "visit 1 GFR"},
		{"same day", FollowUpInput{Visits: []Visit{visit(180, 60, 0), visit(180, 60, 0)}}, good, clinical.WrongOrder, "visit 2 time"},
		{"creatinine", FollowUpInput{Visits: []Visit{visit(180, 60, 90)}}, good, clinical.ProbableUnitError, "visit 1 creatinine"},
		{"baseline", FollowUpInput{Visits: []Visit{visit(180, 60, 0)}, Baseline: mgPerDL(90)}, good, clinical.ProbableUnitError, "baseline creatinine"},
		{"low GFR", FollowUpInput{Visits: []Visit{visit(180, 60, 0)}}, FollowUpRules{0, 60, 5, 1.6}, clinical.NotPositive, "low GFR"},
		{"declining GFR", FollowUpInput{Visits: []Visit{visit(180, 60, 0)}}, FollowUpRules{45, 0, 5, 1.6}, clinical.NotPositive, "declining GFR"},
		{"decline", FollowUpInput{Visits: []Visit{visit(180, 60, 0)}}, FollowUpRules{45, 60, -5, 1.6}, clinical.NotPositive, "decline"},
		{"ratio", FollowUpInput{Visits: []Visit{visit(180, 60, 0)}}, FollowUpRules{45, 60, 5, math.NaN()}, clinical.NotFinite, "creatinine ratio"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := AfterDonationCourse(tt.in, tt.rules)
			wantError(t, err, tt.code, tt.field)
		})
	}
	if _, err := AfterDonationCourse(FollowUpInput{Visits: []Visit{visit(36525, 60, 0)}}, good); err != nil {
		t.Error(err)
	}
}

// TestSlopeAgreesWithGonum compares with another implementation.
func TestSlopeAgreesWithGonum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 8).Draw(t, "n")
		var x, y []float64
		for i := range n {
			x = append(x, float64(i)+rapid.Float64Range(0, 0.9).Draw(t, "x"))
			y = append(y, rapid.Float64Range(40, 90).Draw(t, "y"))
		}
		if _, want := stat.LinearRegression(x, y, nil, false); math.Abs(slopeOf(x, y)-want) > 1e-9 {
			t.Fatalf("got %g, want %g", slopeOf(x, y), want)
		}
	})
}

// TestNewFallIsNotHidden: old steady visits do not hide a fall since the last
// one, and a fall within half a year is one.
func TestNewFallIsNotHidden(t *testing.T) {
	tests := []struct {
		name   string
		visits []Visit
		answer string
		change float64
	}{
		{"after five steady years", []Visit{visit(183, 75, 0), visit(365, 75, 0), visit(731, 75, 0), visit(1096, 75, 0), visit(1461, 75, 0), visit(1826, 48, 0)}, FollowUpToReview, -27},
		{"within half a year", []Visit{visit(183, 70, 0), visit(365, 50, 0)}, FollowUpToReview, -20},
		{"by 4.9 within half a year", []Visit{visit(183, 60, 0), visit(365, 55.1, 0)}, FollowUpCannotTell, -4.9},
		{"by 5.1 within half a year", []Visit{visit(183, 60, 0), visit(365, 54.9, 0)}, FollowUpToReview, -5.1},
		// 9.8 in two years are 4.9 a year.
		{"over two years", []Visit{visit(183, 60, 0), visit(183+730.5, 50.2, 0)}, FollowUpAsExpected, -4.9},
		{"but high", []Visit{visit(183, 95, 0), visit(365, 60, 0)}, FollowUpAsExpected, -35},
	}
	for _, tt := range tests {
		f, err := AfterDonationCourse(FollowUpInput{Visits: tt.visits}, DefaultFollowUpRules())
		if err != nil || f.Answer != tt.answer || f.ChangeSinceLast == nil || math.Abs(*f.ChangeSinceLast-tt.change) > 1e-9 {
			t.Errorf("%s: got %s, %v, %v", tt.name, f.Answer, f.Reasons, err)
		}
	}
	f, err := AfterDonationCourse(FollowUpInput{Visits: []Visit{visit(183, 65.04, 1.604), visit(365+183, 59.996, 1.604)}, Baseline: mgPerDL(1)}, DefaultFollowUpRules())
	if err != nil {
		t.Fatal(err)
	}
	var texts []string
	for _, r := range f.Reasons {
		texts = append(texts, r.Text)
	}
	for _, want := range []string{
		"estimated GFR of 59.996 changing by -5.05 a year over all visits: under 60 and falling by more than 5",
		"estimated GFR of 59.996 changing by -5.04 a year since the visit before: under 60 and falling by more than 5",
		"creatinine over the baseline is 1.604: above 1.6",
	} {
		if !slices.Contains(texts, want) {
			t.Errorf("got %q, want %q", texts, want)
		}
	}
	f, err = AfterDonationCourse(FollowUpInput{Visits: []Visit{visit(183, 66.4, 1.4), visit(365+183, 58.4, 1.4)}, Baseline: mgPerDL(1)}, DefaultFollowUpRules())
	if err != nil {
		t.Fatal(err)
	}
	texts = nil
	for _, r := range f.Reasons {
		texts = append(texts, r.Text)
	}
	for _, want := range []string{
		"estimated GFR of 58: not below 45", "creatinine over the baseline is 1.40: not above 1.6",
		"estimated GFR of 58 changing by -8.0 a year since the visit before: under 60 and falling by more than 5",
	} {
		if !slices.Contains(texts, want) {
			t.Errorf("got %q, want %q", texts, want)
		}
	}
	many := make([]Visit, 201)
	for i := range many {
		many[i] = visit(float64(200+30*i), 64, 0)
	}
	_, err = AfterDonationCourse(FollowUpInput{Visits: many}, DefaultFollowUpRules())
	wantError(t, err, clinical.OutOfRange, "visits")
	if _, err := AfterDonationCourse(FollowUpInput{Visits: many[:200]}, DefaultFollowUpRules()); err != nil {
		t.Error(err)
	}
}
