package followup_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/renal"
	"candidacy/internal/clinical/units"
	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// man is 45 years old throughout 2026.
var man = protocol.Person{BirthDate: "1980-12-31", Sex: "male"}

func number(code, value, unit string, day journey.Date) result.Result {
	r := of(code, day)
	r.ID += value
	r.Value.Quantity = &result.Quantity{Value: json.Number(value), Unit: unit}
	return r
}

func creatinine(value string, day journey.Date) result.Result {
	return number("2160-0", value, "mg/dL", day)
}

func flagOf(t *testing.T, k followup.Kidney, id string) protocol.Flag {
	t.Helper()
	for _, f := range k.Flags {
		if f.ID == id {
			return f
		}
	}
	t.Fatalf("there is no flag %s in %+v", id, k.Flags)
	return protocol.Flag{}
}

// TestExpected uses the check values of reference/calculations.md, 13: a man of 45
// with 0.9 mg/dL has 107.335, of which 72.9881 is expected.
func TestExpected(t *testing.T) {
	k := followup.KidneyOf(present(), man, []result.Result{
		creatinine("0.9", "2026-01-10"), creatinine("1.5", "2026-01-15"), creatinine("1.241133", "2026-07-15"),
	}, "2026-01-15", "2026-08-01")
	if len(k.Before) != 1 || len(k.After) != 1 || k.Expected == nil {
		t.Fatalf("got %+v", k)
	}
	for name, pair := range map[string][2]float64{
		"before": {k.Before[0].GFR, 107.335}, "expected": {float64(k.Expected.GFR), 72.9881}, "after": {k.After[0].GFR, 72.9881},
		"low": {float64(k.Expected.Low), 107.335 * 0.65}, "high": {float64(k.Expected.High), 107.335 * 0.70},
	} {
		if math.Abs(pair[0]-pair[1]) > 0.001 {
			t.Errorf("%s: got %v, want %v", name, pair[0], pair[1])
		}
	}
	for _, id := range []string{"after-egfr", "after-egfr-fall", "after-creatinine-ratio"} {
		if f := flagOf(t, k, id); f.Band != journey.Meets || f.Source == "" || f.Threshold == "" || len(f.Inputs) == 0 {
			t.Errorf("got %+v", f)
		}
	}
	if f := flagOf(t, k, "after-creatinine-ratio"); f.Shown != "1.38" || f.Date != "2026-07-15" || f.Unit != "1" {
		t.Errorf("got %+v", f) // 1.241133 / 0.9 = 1.37904
	}
}

// TestKidneyFlags: each limit, at it and beside it.
func TestKidneyFlags(t *testing.T) {
	pressure := func(systolic, diastolic string, day journey.Date) result.Result {
		r := of("85354-9", day)
		r.ID += systolic
		for code, value := range map[string]string{"8480-6": systolic, "8462-4": diastolic} {
			r.Components = append(r.Components, result.Component{Code: result.Coding{Code: code}, Value: result.Value{Quantity: &result.Quantity{Value: json.Number(value), Unit: "mm[Hg]"}}})
		}
		return r
	}
	limited := func(sign, value string) result.Result {
		r := number("9318-7", value, "mg/g", "2026-07-01")
		r.Value.Quantity.Comparator = sign
		return r
	}
	before := creatinine("0.9", "2026-01-10")
	for _, tt := range []struct {
		name    string
		results []result.Result
		id      string
		band    journey.Band
		shown   string
	}{
		{"albumin at the limit", []result.Result{number("9318-7", "30", "mg/g", "2026-07-01")}, "after-albuminuria", journey.Discussion, "30"},
		{"albumin below it", []result.Result{number("9318-7", "29.9", "mg/g", "2026-07-01")}, "after-albuminuria", journey.Meets, "29.9"},
		{"albumin in the other unit", []result.Result{number("14959-1", "3.4", "mg/mmol", "2026-07-01")}, "after-albuminuria", journey.Discussion, "30.1"},
		{"albumin below what is measured", []result.Result{limited("<", "5")}, "after-albuminuria", journey.Meets, "<5"},
		{"albumin above what is measured", []result.Result{limited(">", "300")}, "after-albuminuria", journey.Discussion, ">300"},
		{"albumin that may be either", []result.Result{limited("<", "100")}, "after-albuminuria", journey.CannotDecide, ""},
		{"pressure at the limits", []result.Result{pressure("130", "79", "2026-07-01")}, "after-systolic", journey.Discussion, "130"},
		{"the mean of a day", []result.Result{pressure("131", "79", "2026-07-01"), pressure("128", "79", "2026-07-01")}, "after-systolic", journey.Meets, "129.5"},
		{"diastolic", []result.Result{pressure("120", "80", "2026-07-01")}, "after-diastolic", journey.Discussion, "80"},
		{"an older day does not count", []result.Result{pressure("150", "70", "2026-06-01"), pressure("120", "70", "2026-07-01")}, "after-systolic", journey.Meets, "120"},
		{"glycated haemoglobin", []result.Result{number("4548-4", "5.7", "%", "2026-07-01")}, "after-haemoglobin-a1c", journey.Discussion, "5.7"},
		{"creatinine in the first week", []result.Result{before, creatinine("2.5", "2026-01-22")}, "after-egfr", journey.CannotDecide, ""},
		{"creatinine after it", []result.Result{before, creatinine("2.5", "2026-01-23")}, "after-egfr", journey.Discussion, ""},
		{"no baseline", []result.Result{creatinine("1.2", "2026-07-01")}, "after-creatinine-ratio", journey.CannotDecide, ""},
		{"the baseline in the other unit", []result.Result{number("14682-9", "79.578", "umol/L", "2026-01-10"), creatinine("1.45", "2026-07-01")}, "after-creatinine-ratio", journey.Discussion, "1.61"},
		{"a ratio at the limit", []result.Result{creatinine("1.0", "2026-01-10"), creatinine("1.6", "2026-07-01")}, "after-creatinine-ratio", journey.Meets, "1.60"},
		{"low, and its trend unknown", []result.Result{before, creatinine("1.55", "2026-07-20")}, "after-egfr-fall", journey.CannotDecide, ""},
		{"a unit that is wrong", []result.Result{before, creatinine("88", "2026-07-20")}, "after-egfr", journey.CannotDecide, ""},
	} {
		k := followup.KidneyOf(present(), man, tt.results, "2026-01-15", "2026-12-01")
		f := flagOf(t, k, tt.id)
		if f.Band != tt.band || tt.shown != "" && f.Shown != tt.shown || (tt.band == journey.CannotDecide) != (f.Reason != "") {
			t.Errorf("%s: got %+v", tt.name, f)
		}
	}
	// Who has no limits has no flags, and who had no operation no course.
	if k := followup.KidneyOf(present(), man, []result.Result{before}, "", "2026-12-01"); len(k.Before)+len(k.Flags) > 0 {
		t.Errorf("got %+v", k)
	}
	// A result of another day than today's past is not read.
	if k := followup.KidneyOf(present(), man, []result.Result{before, creatinine("1.2", "2026-07-01")}, "2026-01-15", "2026-06-30"); len(k.After) != 0 {
		t.Errorf("got %+v", k.After)
	}
}

// TestKidneyAgreesWithTheCourse: the flags on estimates and creatinine say together
// what renal.AfterDonationCourse says of the same visits.
func TestKidneyAgreesWithTheCourse(t *testing.T) {
	p := present()
	r := rand.New(rand.NewPCG(7, 11))
	answers := map[string]int{}
	for range 3000 {
		operated := journey.Date("2026-01-15")
		baseline := 0.7 + r.Float64()*0.5
		results := []result.Result{creatinine(fmt.Sprintf("%.3f", baseline), "2026-01-02")}
		in := renal.FollowUpInput{Baseline: clinical.NewMeasurement(mustFloat(fmt.Sprintf("%.3f", baseline)), units.MgPerDL)}
		day := operated
		for range 1 + r.IntN(5) {
			day = day.AddDays(1 + r.IntN(400))
			text := fmt.Sprintf("%.3f", baseline*(1.1+r.Float64()*0.7))
			results = append(results, creatinine(text, day))
			m := clinical.NewMeasurement(mustFloat(text), units.MgPerDL)
			e, err := renal.CKDEPICreatinine2021(m, renal.Subject{Age: day.WholeYears(man.BirthDate), Sex: clinical.Male})
			if err != nil {
				t.Fatal(err)
			}
			in.Visits = append(in.Visits, renal.Visit{Since: clinical.NewMeasurement(float64(operated.DaysUntil(day)), units.Day), GFR: clinical.NewMeasurement(e.Value.Value, units.MLPerMinPer173M2), Creatinine: m})
		}
		course, err := renal.AfterDonationCourse(in, p.AfterDonation.Course())
		if err != nil {
			t.Fatal(err)
		}
		k := followup.KidneyOf(p, man, results, operated, day)
		bands := map[journey.Band]int{}
		for _, f := range k.Flags {
			bands[f.Band]++
		}
		answers[course.Answer]++
		ok := map[string]bool{
			renal.FollowUpToReview:   bands[journey.Discussion] > 0,
			renal.FollowUpAsExpected: bands[journey.Meets] == 3,
			renal.FollowUpCannotTell: bands[journey.Discussion] == 0 && bands[journey.CannotDecide] == 1,
			renal.FollowUpTooEarly:   bands[journey.CannotDecide] == 3,
		}[course.Answer]
		if !ok {
			t.Fatalf("the course is %s, the flags are %+v", course.Answer, k.Flags)
		}
	}
	if len(answers) != 4 {
		t.Errorf("not every answer was met: %v", answers)
	}
}

func mustFloat(text string) float64 {
	v, err := json.Number(text).Float64()
	if err != nil {
		panic(err)
	}
	return v
}

// TestUnitOfTheFall: the unit travels with the value.
func TestUnitOfTheFall(t *testing.T) {
	k := followup.KidneyOf(present(), man, []result.Result{
		creatinine("0.9", "2026-01-10"), creatinine("1.4", "2026-08-01"), creatinine("1.75", "2027-08-10"),
	}, "2026-01-15", "2027-09-01")
	f := flagOf(t, k, "after-egfr-fall")
	if f.Band != journey.Discussion || f.Unit != "mL/min/{1.73_m2}/a" || !strings.Contains(f.Threshold, "> 5 mL/min/{1.73_m2}/a") {
		t.Errorf("got %+v", f)
	}
}
