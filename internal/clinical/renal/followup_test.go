package renal

import (
	"math"
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
		{"at the low limit", []Visit{visit(180, 45, 1.4)}, FollowUpAsExpected, 0, []clinical.WarningCode{TrendNotKnown}},
		{"below it", []Visit{visit(180, 44.5, 1.4)}, FollowUpToReview, 0, []clinical.WarningCode{clinical.NearThresholdWarning, TrendNotKnown}},
		{"creatinine at the ratio", []Visit{visit(180, 64, 1.6)}, FollowUpAsExpected, 0, []clinical.WarningCode{TrendNotKnown}},
		{"creatinine above the ratio", []Visit{visit(180, 64, 1.61)}, FollowUpToReview, 0, []clinical.WarningCode{TrendNotKnown}},
		{"falling, but high", []Visit{visit(182, 72, 1.4), visit(182+year, 60, 1.4)}, FollowUpAsExpected, -12, nil},
		{"falling and low", []Visit{visit(182, 65.1, 1.4), visit(182+year, 59, 1.4)}, FollowUpToReview, -6.1, nil},
		{"shown as the limit", []Visit{visit(182, 65.6, 1.4), visit(182+year, 59.6, 1.4)}, FollowUpToReview, -6, []clinical.WarningCode{clinical.NearThresholdWarning}},
		{"low, falling by less", []Visit{visit(182, 62.96, 1.4), visit(182+year, 58, 1.4)}, FollowUpAsExpected, -4.96, nil},
		{"low, falling by more", []Visit{visit(182, 63.06, 1.4), visit(182+year, 58, 1.4)}, FollowUpToReview, -5.06, nil},
		{"too short for a trend", []Visit{visit(182, 63, 1.4), visit(182+364, 50, 1.4)}, FollowUpAsExpected, 0, []clinical.WarningCode{TrendNotKnown}},
		{"long enough for a trend", []Visit{visit(182, 63, 1.4), visit(182+365, 58, 1.4)}, FollowUpToReview, -5 * year / 365, nil},
		{"adapting", []Visit{visit(180, 70, 1.4), visit(180+year, 50, 1.4)}, FollowUpAsExpected, 0, []clinical.WarningCode{TrendNotKnown}},
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
