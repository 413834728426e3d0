package protocol_test

import (
	"math"
	"slices"
	"strconv"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

func nothing(string) bool { return false }

// over makes the trends of a chart for somebody who sees everything.
func (c *chart) over(p *protocol.Protocol) map[string]protocol.Trend {
	trends := map[string]protocol.Trend{}
	for _, t := range p.Trends(protocol.Course{Person: c.person, Results: c.results, Shown: c.results, Today: today, HidesFlag: nothing, HidesCode: nothing}) {
		trends[t.Key] = t
	}
	return trends
}

// TestTrendsAreWhatWasKnown compares each computed point with the assessment of that day
// from the results of that day and before.
func TestTrendsAreWhatWasKnown(t *testing.T) {
	c := newChart()
	for i, day := range []string{"2025-09-01", "2025-11-03", "2026-01-20", "2026-03-02"} {
		c.quantity("2160-0", []string{"0.70", "0.82", "1.10", "0.95"}[i], "mg/dL", day)
		c.quantity("8302-2", "168", "cm", day).quantity("29463-7", strconv.Itoa(70+i), "kg", day)
	}
	p := protocol.Default()
	trends := c.over(p)
	for _, key := range []string{"egfr-creatinine", "bmi"} {
		course := trends[key]
		if len(course.Points) != 4 || !course.Computed {
			t.Fatalf("%s has %d points", key, len(course.Points))
		}
		for _, point := range course.Points {
			then := slices.DeleteFunc(slices.Clone(c.results), func(r result.Result) bool { return r.CollectedOn > string(point.Day) })
			report := p.Assess(c.person, then, point.Day)
			i := slices.IndexFunc(report.Derived, func(d protocol.Derived) bool { return d.Key == key })
			want, err := strconv.ParseFloat(report.Derived[i].Value, 64)
			if err != nil || point.Number != want {
				t.Errorf("%s on %s is %v, the assessment says %v", key, point.Day, point.Number, want)
			}
			f := slices.IndexFunc(report.Flags, func(f protocol.Flag) bool { return f.ID == key })
			if report.Flags[f].Band != point.Band {
				t.Errorf("%s on %s is %s, the assessment says %s", key, point.Day, point.Band, report.Flags[f].Band)
			}
		}
	}
	// |e-m| <= 0.3 m, with the definition of P30, holds at both ends and not beyond.
	for _, point := range trends["egfr-creatinine"].Points {
		for _, m := range []float64{point.Interval.Low, point.Interval.High} {
			if off := math.Abs(point.Number-m) / m; math.Abs(off-.3) > 1e-12 {
				t.Errorf("the end %v of %v is off by %v", m, point.Number, off)
			}
		}
	}
	if course := trends["2160-0"]; course.Computed || len(course.Points) != 4 || course.Points[0].Interval != nil || course.Requirement != "creatinine" {
		t.Errorf("creatinine as reported: %+v", course)
	}
}

// TestTrendsKnowNoLaterDay has a result late in the evening that is of the day before, and
// comes after one of the next day that says no time.
func TestTrendsKnowNoLaterDay(t *testing.T) {
	c := newChart().quantity("2160-0", "1.10", "mg/dL", "2026-01-20")
	c.add("2160-0", "2026-01-20T04:00:00Z", func(r *result.Result) {
		r.Value.Quantity, r.CollectedOn = number("0.70", "mg/dL"), "2026-01-19"
	})
	p := protocol.Default()
	course := c.over(p)["egfr-creatinine"]
	alone := p.Assess(c.person, c.results[1:], "2026-01-19")
	i := slices.IndexFunc(alone.Derived, func(d protocol.Derived) bool { return d.Key == "egfr-creatinine" })
	if want, _ := strconv.ParseFloat(alone.Derived[i].Value, 64); course.Points[0].Day != "2026-01-19" || course.Points[0].Number != want {
		t.Errorf("%+v, want %v", course.Points[0], want)
	}
}

// TestTrendsEndAtTheOperation: what comes after it is judged by no rule of the evaluation,
// joined with nothing before it, and in the first week not used at all.
func TestTrendsEndAtTheOperation(t *testing.T) {
	c := newChart().quantity("2160-0", "0.70", "mg/dL", "2025-09-01").quantity("2160-0", "1.30", "mg/dL", "2025-12-03").quantity("2160-0", "1.10", "mg/dL", "2026-02-20")
	p := protocol.Default()
	for _, trend := range p.Trends(protocol.Course{Person: c.person, Results: c.results, Shown: c.results, Today: today, Operated: "2025-12-01", HidesFlag: nothing, HidesCode: nothing}) {
		if trend.Key != "egfr-creatinine" {
			continue
		}
		before, week, after := trend.Points[0], trend.Points[1], trend.Points[2]
		if before.After || before.Band == "" || !week.After || week.Left == "" || after.Left != "" || after.Band != "" || before.Series() == after.Series() {
			t.Errorf("%+v", trend.Points)
		}
		return
	}
	t.Error("no estimate")
}

// TestTrendsKeepUnitsApart reports one quantity in two units, by two methods, as a limit,
// and so that no rule reads it.
func TestTrendsKeepUnitsApart(t *testing.T) {
	c := newChart()
	c.quantity("9318-7", "20", "mg/g", "2025-06-01").quantity("9318-7", "4", "mg/mmol", "2025-09-01").quantity("9318-7", "31", "mg/g", "2026-01-01")
	c.add("4548-4", "2025-06-01", func(r *result.Result) { r.Value.Quantity, r.Method = number("5.4", "%"), "HPLC" })
	c.add("4548-4", "2025-09-01", func(r *result.Result) { r.Value.Quantity, r.Method = number("5.9", "%"), "immunoassay" })
	c.add("4548-4", "2025-10-01", func(r *result.Result) { r.Value.Quantity, r.Status = number("7.9", "%"), result.Preliminary })
	c.add("4548-4", "2025-11-01", func(r *result.Result) {
		r.Value.Quantity = number("5.0", "%")
		r.Value.Quantity.Comparator = "<"
	})
	trends := c.over(protocol.Default())
	a1c := trends["4548-4"]
	if len(a1c.Points) != 4 || a1c.Points[0].Series() == a1c.Points[1].Series() || a1c.Points[2].Left != "preliminary" || a1c.Points[2].Band != "" {
		t.Fatalf("%+v", a1c.Points)
	}
	for i, band := range []journey.Band{journey.Meets, journey.Discussion, "", journey.Meets} {
		if a1c.Points[i].Band != band {
			t.Errorf("point %d is %q, want %q", i, a1c.Points[i].Band, band)
		}
	}
	if got := a1c.Thresholds(); !slices.Equal(got, []float64{5.7, 6.5}) {
		t.Errorf("thresholds %v", got)
	}
	// In each of its units the ratio is under a name of its own, with the rule for it.
	mass, molar := trends["acr-mg-per-g"], trends["acr-mg-per-mmol"]
	if len(mass.Points) != 2 || len(molar.Points) != 1 || mass.Unit == molar.Unit || mass.Points[1].Band != journey.Discussion || molar.Points[0].Band != journey.Discussion {
		t.Errorf("%+v\n%+v", mass.Points, molar.Points)
	}
	if _, twice := trends["9318-7"]; twice {
		t.Error("the ratio is there twice")
	}
}

// TestTrendsKeepWhatIsHidden leaves out what somebody may not see.
func TestTrendsKeepWhatIsHidden(t *testing.T) {
	c := newChart().quantity("2160-0", "0.70", "mg/dL", "2025-09-01").quantity("2160-0", "1.10", "mg/dL", "2026-01-20")
	p := protocol.Default()
	hides := func(hidden string) func(string) bool { return func(s string) bool { return s == hidden } }
	find := func(list []protocol.Trend, key string) (protocol.Trend, bool) {
		i := slices.IndexFunc(list, func(t protocol.Trend) bool { return t.Key == key })
		if i < 0 {
			return protocol.Trend{}, false
		}
		return list[i], true
	}
	of := protocol.Course{Person: c.person, Results: c.results, Shown: c.results, Today: today, HidesFlag: hides("egfr-creatinine"), HidesCode: nothing}
	if course, ok := find(p.Trends(of), "egfr-creatinine"); !ok || len(course.Rules) > 0 || course.Points[0].Band != "" {
		t.Errorf("without its rule: %+v", course)
	}
	of.HidesFlag, of.HidesCode = nothing, hides("egfr-creatinine")
	if _, ok := find(p.Trends(of), "egfr-creatinine"); ok {
		t.Error("a hidden value is shown")
	}
	of.HidesCode, of.Shown = nothing, nil
	if _, ok := find(p.Trends(of), "2160-0"); ok {
		t.Error("results that are not shown are")
	}
}
