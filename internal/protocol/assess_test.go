package protocol_test

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/result"
)

const today journey.Date = "2026-03-10"

// chart is everything on record of one invented candidate.
type chart struct {
	person  protocol.Person
	results []result.Result
	n       int
	// rules are those of the default when nil.
	rules *protocol.Protocol
}

// newChart is of a woman of 50 years on the days of the tests.
func newChart() *chart {
	return &chart{person: protocol.Person{BirthDate: "1976-01-15", Sex: "female"}}
}

func man(birth journey.Date) *chart {
	return &chart{person: protocol.Person{BirthDate: birth, Sex: "male"}}
}

func (c *chart) add(code, effective string, change func(*result.Result)) *chart {
	c.n++
	r := result.Result{
		ID: fmt.Sprintf("r-%03d", c.n), Version: 1, Status: result.Final, Effective: effective, CollectedOn: effective[:10],
		Identifier: result.Identifier{System: "lab", Value: fmt.Sprintf("v-%03d", c.n)}, Code: result.Coding{System: protocol.LOINCSystem, Code: code},
	}
	change(&r)
	c.results = append(c.results, r)
	return c
}

// settles expects a limit to be in one band.
func (c *chart) settles(t *testing.T, id string, band journey.Band, value string) {
	t.Helper()
	if f := c.flag(t, id); f.Band != band || f.Value != value || f.Reason != "" {
		t.Errorf("%s is %s %q (%s), want %s %q", id, f.Band, f.Value, f.Reason, band, value)
	}
}

// last is the result that was added last.
func (c *chart) last() *result.Result { return &c.results[len(c.results)-1] }

func number(value, unit string) *result.Quantity {
	comparator := value[:len(value)-len(strings.TrimLeft(value, "<>="))]
	return &result.Quantity{Comparator: comparator, Value: json.Number(value[len(comparator):]), Unit: unit}
}

func (c *chart) quantity(code, value, unit, effective string) *chart {
	return c.add(code, effective, func(r *result.Result) { r.Value.Quantity = number(value, unit) })
}

func (c *chart) coded(code, value, display, effective string) *chart {
	return c.add(code, effective, func(r *result.Result) {
		r.Value.Coding = &result.Coding{System: "http://snomed.info/sct", Code: value, Display: display}
	})
}

func (c *chart) pressure(code, effective string, systolic, diastolic int) *chart {
	return c.add(code, effective, func(r *result.Result) {
		for _, part := range []struct {
			code  string
			value int
		}{{"8480-6", systolic}, {"8462-4", diastolic}} {
			r.Components = append(r.Components, result.Component{
				Code: result.Coding{Code: part.code}, Value: result.Value{Quantity: number(strconv.Itoa(part.value), "mm[Hg]")},
			})
		}
	})
}

func (c *chart) size(height, weight string) *chart {
	return c.quantity("8302-2", height, "cm", "2026-03-01T08:00:00+01:00").quantity("29463-7", weight, "kg", "2026-03-01T08:01:00+01:00")
}

func (c *chart) assess() protocol.Report {
	return cmp.Or(c.rules, protocoltest.Brief()).Assess(c.person, c.results, today)
}

// changed is the default protocol with another text.
func changed(t *testing.T, change func(string) string) *protocol.Protocol {
	t.Helper()
	p, err := protocol.Parse([]byte(change(protocoltest.Brief().Source())))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (c *chart) flag(t *testing.T, id string) protocol.Flag {
	t.Helper()
	for _, f := range c.assess().Flags {
		if f.ID == id {
			return f
		}
	}
	t.Fatalf("there is no flag %s", id)
	return protocol.Flag{}
}

func (c *chart) noFlag(t *testing.T, id string) {
	t.Helper()
	for _, f := range c.assess().Flags {
		if f.ID == id {
			t.Errorf("there is a flag: %+v", f)
		}
	}
}

func (c *chart) finding(id string) (journey.Finding, bool) {
	for _, f := range c.assess().Findings {
		if f.Requirement == id {
			return f, true
		}
	}
	return journey.Finding{}, false
}

// decides checks band and unrounded value of a flag.
func (c *chart) decides(t *testing.T, id string, band journey.Band, value, tolerance float64) {
	t.Helper()
	f := c.flag(t, id)
	got, err := strconv.ParseFloat(f.Value, 64)
	if f.Band != band || err != nil || math.Abs(got-value) > tolerance {
		t.Errorf("%s is %s %q (%s), want %s %v", id, f.Band, f.Value, f.Reason, band, value)
	}
	if len(f.Inputs) == 0 || f.Evidence == "" || f.Date == "" {
		t.Errorf("%s does not say what it stands on: %+v", id, f)
	}
}

// undecided checks that a rule says why it can't decide, and shows no number.
func (c *chart) undecided(t *testing.T, id, reason string) {
	t.Helper()
	f := c.flag(t, id)
	if f.Band != journey.CannotDecide || !strings.Contains(f.Reason, reason) || f.Value != "" || f.Shown != "" {
		t.Errorf("%s is %s %q because %q, want it undecided because %q", id, f.Band, f.Value, f.Reason, reason)
	}
	if f.Coded().Band != journey.CannotDecide {
		t.Errorf("the process gets %+v", f.Coded())
	}
}

// TestBodyMassIndex: check values of calculations.md 17, made from the
// definition (Quetelet; WHO Technical Report 894).
func TestBodyMassIndex(t *testing.T) {
	newChart().size("170", "70").decides(t, "bmi", journey.Meets, 24.22145, 0.0001)
	newChart().size("182", "95.5").decides(t, "bmi", journey.Meets, 28.83106, 0.0001)
	newChart().size("165", "99.1").decides(t, "bmi", journey.Excludes, 36.4004, 0.001)
	newChart().size("155", "50.2").decides(t, "bmi", journey.Meets, 20.89490, 0.0001)
	newChart().size("180", "58").decides(t, "bmi", journey.Discussion, 17.90123, 0.0001)
	// A height that was taken after the weight is a height all the same.
	newChart().quantity("29463-7", "70", "kg", "2026-03-01").quantity("8302-2", "170", "cm", "2026-03-02").
		decides(t, "bmi", journey.Meets, 24.22145, 0.0001)
	newChart().size("170", "90").quantity("29463-7", "70", "kg", "2026-03-05").decides(t, "bmi", journey.Meets, 24.22145, 0.0001)
	newChart().size("170", ">250").undecided(t, "bmi", "weight: the result is a limit")
	newChart().size("<120", "70").undecided(t, "bmi", "height: the result is a limit")
	newChart().size("1.70", "70").undecided(t, "bmi", "")
	newChart().quantity("29463-7", "70", "kg", "2026-03-01").noFlag(t, "bmi")
	c := newChart().quantity("29463-7", "154", "[lb_av]", "2026-03-01").quantity("8302-2", "67", "[in_i]", "2026-03-01")
	c.decides(t, "bmi", journey.Meets, 24.119, 0.01)
}

// TestOfficePressure: check value of calculations.md 9 and 17, after ACC/AHA
// 2017 (two readings on two occasions, the mean of the sittings).
func TestOfficePressure(t *testing.T) {
	sitting := func(c *chart, day string, pairs ...[2]int) *chart {
		for i, p := range pairs {
			c.pressure("85354-9", fmt.Sprintf("%sT09:%02d:00+01:00", day, 5*i), p[0], p[1])
		}
		return c
	}
	c := sitting(sitting(newChart(), "2026-03-01", [2]int{128, 76}, [2]int{132, 78}), "2026-03-08", [2]int{126, 74}, [2]int{130, 76})
	c.decides(t, "office-systolic", journey.Meets, 129, 0.0001)
	c.decides(t, "office-diastolic", journey.Meets, 76, 0.0001)
	sitting(sitting(newChart(), "2026-03-01", [2]int{142, 91}, [2]int{138, 89}), "2026-03-08", [2]int{136, 90}, [2]int{140, 90}).
		decides(t, "office-systolic", journey.Discussion, 139, 0.0001)
	for _, part := range []string{"office-systolic", "office-diastolic"} {
		sitting(newChart(), "2026-03-01", [2]int{118, 76}, [2]int{120, 78}, [2]int{119, 77}).undecided(t, part, "two occasions")
	}
	sitting(sitting(newChart(), "2026-03-01", [2]int{118, 76}), "2026-03-08", [2]int{120, 78}).undecided(t, "office-systolic", "two occasions")
	// Readings of more than a year ago are no second occasion.
	sitting(sitting(newChart(), "2025-03-01", [2]int{118, 76}, [2]int{118, 76}), "2026-03-08", [2]int{120, 78}, [2]int{120, 78}).
		undecided(t, "office-systolic", "two occasions")
	c = sitting(sitting(newChart(), "2026-03-01", [2]int{118, 76}, [2]int{118, 76}), "2026-03-08", [2]int{118, 76}, [2]int{118, 76})
	c.last().Components = c.last().Components[:1]
	c.undecided(t, "office-diastolic", "lacks its component 8462-4")
	c = sitting(sitting(newChart(), "2026-03-01", [2]int{118, 76}, [2]int{118, 76}), "2026-03-08", [2]int{118, 76}, [2]int{76, 118})
	c.undecided(t, "office-systolic", "")
	newChart().noFlag(t, "office-systolic")
}

// monitor adds a day of ambulatory readings: 24 by day and 8 by night.
func monitor(c *chart, start time.Time, day, night [2]int, attempted string) *chart {
	for hour := range 24 {
		at := start.Add(time.Duration(hour) * time.Hour)
		pair, times := day, 2
		if h := at.Hour(); h >= 23 || h < 7 {
			pair, times = night, 1
		}
		for n := range times {
			c.pressure("ambulatory-reading", at.Add(time.Duration(30*n)*time.Minute).Format(time.RFC3339), pair[0], pair[1])
		}
	}
	if attempted != "" {
		c.quantity("ambulatory-attempted", attempted, "1", start.Format(time.RFC3339))
		c.last().EffectiveEnd = start.Add(24 * time.Hour).Format(time.RFC3339)
	}
	return c
}

// TestAmbulatoryPressure: the pairs 130/80 over 24 hours and 135/85 by day are
// those of the South African protocol 2011 after Amsterdam.
func TestAmbulatoryPressure(t *testing.T) {
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, protocoltest.Brief().Zone())
	c := monitor(newChart(), start, [2]int{124, 76}, [2]int{108, 62}, "43")
	c.decides(t, "ambulatory-day-systolic", journey.Meets, 124, 0.0001)
	c.decides(t, "ambulatory-day-diastolic", journey.Meets, 76, 0.0001)
	// The mean of all readings, not of day and night: (32*124 + 8*108) / 40.
	c.decides(t, "ambulatory-24h-systolic", journey.Meets, 120.8, 0.0001)
	c.decides(t, "ambulatory-24h-diastolic", journey.Meets, 73.2, 0.0001)
	if _, ok := c.finding("bp-ambulatory"); !ok {
		t.Error("the requirement is not found met")
	}
	monitor(newChart(), start, [2]int{136, 86}, [2]int{118, 70}, "43").decides(t, "ambulatory-day-systolic", journey.Excludes, 136, 0.0001)
	monitor(newChart(), start, [2]int{135, 84}, [2]int{108, 62}, "43").decides(t, "ambulatory-day-systolic", journey.Discussion, 135, 0.0001)
	monitor(newChart(), start, [2]int{124, 76}, [2]int{108, 62}, "").undecided(t, "ambulatory-day-systolic", "attempted")
	// ESH position paper (from memory): at least 70 % of the readings.
	monitor(newChart(), start, [2]int{124, 76}, [2]int{108, 62}, "60").undecided(t, "ambulatory-day-systolic", "")
	c = monitor(newChart(), start, [2]int{124, 76}, [2]int{108, 62}, "43")
	c.pressure("ambulatory-reading", "2026-03-02", 120, 70).undecided(t, "ambulatory-24h-systolic", "no time of day")
	// A second monitoring stands alone: the first says nothing of the candidate
	// now, neither with its readings nor with its count.
	first := monitor(newChart(), start.AddDate(0, -6, 0), [2]int{150, 95}, [2]int{140, 85}, "43")
	monitor(first, start, [2]int{124, 76}, [2]int{108, 62}, "43").decides(t, "ambulatory-day-systolic", journey.Meets, 124, 0.0001)
	first = monitor(newChart(), start.AddDate(0, -6, 0), [2]int{124, 76}, [2]int{108, 62}, "43")
	monitor(first, start, [2]int{124, 76}, [2]int{108, 62}, "").undecided(t, "ambulatory-day-systolic", "attempted")
}

// TestEstimatedGFR: check values of calculations.md 17, from CKD-EPI 2021
// (Inker, N Engl J Med 2021;385:1737).
func TestEstimatedGFR(t *testing.T) {
	at := "2026-03-02T08:00:00+01:00"
	man("1976-01-15").quantity("2160-0", "1.0", "mg/dL", at).decides(t, "egfr-creatinine", journey.Meets, 91.69148, 0.001)
	newChart().quantity("2160-0", "0.7", "mg/dL", at).decides(t, "egfr-creatinine", journey.Meets, 105.2976, 0.001)
	man("1996-01-15").quantity("2160-0", "1.15", "mg/dL", at).decides(t, "egfr-creatinine", journey.Discussion, 87.80348, 0.001)
	man("1981-01-15").quantity("14682-9", "80", "umol/L", at).decides(t, "egfr-creatinine", journey.Meets, 106.6563, 0.001)
	// The age is that of the day of the sample: a day before the birthday.
	man("1976-03-03").quantity("2160-0", "1.0", "mg/dL", at).decides(t, "egfr-creatinine", journey.Meets, 92.26351, 0.001)
	for _, sex := range []string{"other", "unknown", ""} {
		c := newChart().quantity("2160-0", "0.7", "mg/dL", at)
		c.person.Sex = sex
		c.undecided(t, "egfr-creatinine", "sex")
	}
	newChart().quantity("2160-0", "<0.2", "mg/dL", at).undecided(t, "egfr-creatinine", "limit")
	newChart().quantity("2160-0", "70", "mg/dL", at).undecided(t, "egfr-creatinine", "")
	newChart().quantity("2160-0", "0.7", "g/dL", at).undecided(t, "egfr-creatinine", "unit")
	c := man("2010-01-15").quantity("2160-0", "1.0", "mg/dL", at)
	c.undecided(t, "egfr-creatinine", "")
	if f := c.flag(t, "age"); f.Band != journey.Excludes || !f.Absolute {
		t.Errorf("16 years are %s, absolute %t", f.Band, f.Absolute)
	}
	// The newest counts, whichever its unit.
	newChart().quantity("2160-0", "2.0", "mg/dL", at).quantity("14682-9", "62", "umol/L", "2026-03-03T08:00:00+01:00").
		decides(t, "egfr-creatinine", journey.Meets, 105.2, 0.3)
	c = newChart()
	c.person.BirthDate = ""
	c.undecided(t, "age", "birth date")
}

// study adds a plasma clearance: minutes after the dose and ug/mL.
func study(c *chart, dose string, samples map[int]string) *chart {
	given := time.Date(2026, 3, 4, 8, 0, 0, 0, protocoltest.Brief().Zone())
	c.quantity("iohexol-dose", dose, "mg", given.Format(time.RFC3339))
	for minutes, value := range samples {
		c.quantity("iohexol-concentration", value, "ug/mL", given.Add(time.Duration(minutes)*time.Minute).Format(time.RFC3339))
	}
	return c.coded("iohexol-extravasation", "373067005", "No", given.Format(time.RFC3339))
}

// TestPlasmaClearance: cases A to D of calculations.md 3b and 17, corrected
// after Bröchner-Mortensen (Scand J Clin Lab Invest 1972;30:271).
func TestPlasmaClearance(t *testing.T) {
	a := map[int]string{120: "127.4", 180: "91.2", 240: "65.3"}
	study(man("1980-01-01").size("172", "68"), "3235", a).decides(t, "gfr-plasma-clearance", journey.Discussion, 63.02852, 0.001)
	study(newChart().size("160", "54"), "3235", map[int]string{120: "153.0", 150: "133.1", 180: "116.4", 240: "88.6"}).
		decides(t, "gfr-plasma-clearance", journey.Excludes, 56.91233, 0.001)
	two := study(man("1980-01-01").size("185", "92"), "3235", map[int]string{120: "98.0", 240: "44.0"})
	two.decides(t, "gfr-plasma-clearance", journey.Discussion, 70.80785, 0.001)
	if f := two.flag(t, "gfr-plasma-clearance"); len(f.Warnings) == 0 {
		t.Error("two samples are used without a warning")
	}
	// Case D: the slope is that of case A, and only the residual of 18.73 %
	// shows that a sample is wrong.
	study(man("1980-01-01").size("172", "68"), "3235", map[int]string{120: "127.4", 180: "118.0", 240: "65.3"}).
		undecided(t, "gfr-plasma-clearance", "%")

	base := func() *chart { return study(man("1980-01-01").size("172", "68"), "3235", a) }
	c := base()
	c.last().Value.Coding.Code = "373066001"
	c.undecided(t, "gfr-plasma-clearance", "extravasation")
	c = base()
	c.results = c.results[:len(c.results)-1]
	c.undecided(t, "gfr-plasma-clearance", "extravasation")
	study(man("1980-01-01"), "3235", a).undecided(t, "gfr-plasma-clearance", "height: no result near the day")
	study(man("1980-01-01").size("172", "68"), "3235", map[int]string{120: "127.4", 180: "91.2", 240: "<70"}).
		undecided(t, "gfr-plasma-clearance", "limit")
	study(man("1980-01-01").size("172", "68"), "3235", map[int]string{120: "127.4"}).undecided(t, "gfr-plasma-clearance", "")
	study(man("1980-01-01").size("172", "68"), "3235", nil).undecided(t, "gfr-plasma-clearance", "")
	// Samples before the dose and days after it are of another study.
	c = base().quantity("iohexol-concentration", "500", "ug/mL", "2026-03-03T09:00:00+01:00").
		quantity("iohexol-concentration", "1", "ug/mL", "2026-03-08T09:00:00+01:00")
	c.decides(t, "gfr-plasma-clearance", journey.Discussion, 63.02852, 0.001)
	c = base()
	i := slices.IndexFunc(c.results, func(r result.Result) bool { return r.Code.Code == "iohexol-dose" })
	c.results[i].Effective = "2026-03-04"
	c.undecided(t, "gfr-plasma-clearance", "without a time of day")
}

// collect adds a urine collection that ends on 4 March.
func collect(c *chart, code, value, unit, volume string, hours time.Duration) *chart {
	end := time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC)
	start := end.Add(-hours * time.Hour)
	c.quantity(code, value, unit, start.Format(time.RFC3339)).last().EffectiveEnd = end.Format(time.RFC3339)
	if volume != "" {
		c.quantity("3167-4", volume, "mL", start.Format(time.RFC3339)).last().EffectiveEnd = end.Format(time.RFC3339)
	}
	return c
}

// TestCreatinineClearance: the three rows of calculations.md 4. The second
// collection is refused by both checks of completeness (per kilogram, and Ix,
// CJASN 2011;6:184).
func TestCreatinineClearance(t *testing.T) {
	serum := "2026-03-03T12:00:00+01:00"
	row := func(c *chart, height, weight, urine, volume, creatinine string, hours time.Duration) *chart {
		return collect(c.size(height, weight).quantity("2160-0", creatinine, "mg/dL", serum), "2161-8", urine, "mg/dL", volume, hours)
	}
	first := func() *chart { return row(man("1986-01-15"), "172", "68", "110", "1500", "0.90", 24) }
	first().decides(t, "creatinine-clearance", journey.Meets, 122.1756, 0.001)
	second := newChart()
	second.person.BirthDate = "1964-01-15"
	row(second, "160", "54", "62", "2100", "0.75", 24).undecided(t, "creatinine-clearance", "")
	row(man("1976-01-15"), "185", "92", "95", "1650", "1.05", 23).decides(t, "creatinine-clearance", journey.Discussion, 86.59835, 0.001)

	// A spot urine afterwards is no collection, and does not hide this one.
	first().quantity("2161-8", "50", "mg/dL", "2026-03-06T08:00:00+01:00").decides(t, "creatinine-clearance", journey.Meets, 122.1756, 0.001)
	collect(man("1986-01-15").size("172", "68").quantity("2160-0", "0.90", "mg/dL", serum), "2161-8", "110", "mg/dL", "", 24).
		undecided(t, "creatinine-clearance", "no urine volume")
	collect(man("1986-01-15").size("172", "68"), "2161-8", "110", "mg/dL", "1500", 24).undecided(t, "creatinine-clearance", "no serum creatinine")
	collect(man("1986-01-15").quantity("2160-0", "0.90", "mg/dL", serum), "2161-8", "110", "mg/dL", "1500", 24).undecided(t, "creatinine-clearance", "height")
	collect(man("1986-01-15").size("172", "68").quantity("2160-0", "0.90", "mg/dL", "2026-02-20"), "2161-8", "110", "mg/dL", "1500", 24).
		undecided(t, "creatinine-clearance", "no serum creatinine")
	row(man("1986-01-15"), "172", "68", "110", "1500", "0.90", 3).undecided(t, "creatinine-clearance", "")
	row(man("1986-01-15"), "172", "68", "110", "<1500", "0.90", 24).undecided(t, "creatinine-clearance", "limit")
	c := man("1986-01-15").size("172", "68").quantity("2160-0", "0.90", "mg/dL", serum).quantity("2161-8", "110", "mg/dL", serum).quantity("3167-4", "1500", "mL", serum)
	c.undecided(t, "creatinine-clearance", "no end")

	// A weight of ten years ago says nothing of today's body surface; one taken
	// soon after the collection does.
	stale := func() *chart {
		old := man("1986-01-15").quantity("8302-2", "172", "cm", "2016-03-01").quantity("29463-7", "50", "kg", "2016-03-01")
		return collect(old.quantity("2160-0", "0.90", "mg/dL", serum), "2161-8", "110", "mg/dL", "1500", 24)
	}
	stale().undecided(t, "creatinine-clearance", "weight: no result near the day")
	stale().quantity("29463-7", "68", "kg", "2026-03-08").decides(t, "creatinine-clearance", journey.Meets, 122.1756, 0.001)
}

// TestAlbuminExcretion: rows of calculations.md 6; the bands are KDIGO 2017 as
// quoted by Renal Fellow Network 2018.
func TestAlbuminExcretion(t *testing.T) {
	collect(newChart(), "14957-5", "8.0", "mg/L", "1800", 24).decides(t, "albumin-excretion", journey.Meets, 14.40, 0.001)
	collect(newChart(), "14957-5", "25.0", "mg/L", "2000", 24).decides(t, "albumin-excretion", journey.Discussion, 50, 0.001)
	collect(newChart(), "14957-5", "40.0", "mg/L", "2500", 22).decides(t, "albumin-excretion", journey.Excludes, 109.0909, 0.001)
	reported := func(value, unit string) *chart {
		return newChart().quantity("14956-7", value, unit, "2026-03-01T08:00:00+01:00")
	}
	reported("22", "mg/(24.h)").decides(t, "albumin-excretion", journey.Meets, 22, 0.0001)
	// mg/d = ug/min x 1.44.
	reported("34.722", "ug/min").decides(t, "albumin-excretion", journey.Discussion, 50, 0.001)
	// A limit settles a band only where no threshold lies in what it leaves open.
	reported("<100", "mg/(24.h)").undecided(t, "albumin-excretion", "on both sides of a threshold")
	reported(">30", "mg/(24.h)").undecided(t, "albumin-excretion", "on both sides of a threshold")
	reported("<30", "mg/(24.h)").settles(t, "albumin-excretion", journey.Meets, "<30")
	reported("<=30", "mg/(24.h)").undecided(t, "albumin-excretion", "on both sides of a threshold")
	reported(">100", "mg/(24.h)").settles(t, "albumin-excretion", journey.Excludes, ">100")
	reported(">=100", "mg/(24.h)").undecided(t, "albumin-excretion", "on both sides of a threshold")
	reported("22", "mg/L").undecided(t, "albumin-excretion", "")
	// The newer of the two counts.
	collect(reported("22", "mg/(24.h)"), "14957-5", "25.0", "mg/L", "2000", 24).decides(t, "albumin-excretion", journey.Discussion, 50, 0.001)
	collect(newChart().quantity("14956-7", "22", "mg/(24.h)", "2026-03-09T08:00:00+01:00"), "14957-5", "25.0", "mg/L", "2000", 24).
		decides(t, "albumin-excretion", journey.Meets, 22, 0.001)
	// A spot sample is no excretion. It neither hides a collection nor goes by
	// for one beside the volume of another.
	spot := func(c *chart) *chart { return c.quantity("14957-5", "5", "mg/L", "2026-03-08T08:00:00+01:00") }
	spot(collect(newChart(), "14957-5", "25.0", "mg/L", "2000", 24)).decides(t, "albumin-excretion", journey.Discussion, 50, 0.001)
	spot(newChart()).noFlag(t, "albumin-excretion")
	c := spot(collect(newChart(), "2161-8", "110", "mg/dL", "1500", 24))
	if _, ok := c.finding("albumin-excretion"); ok {
		c.undecided(t, "albumin-excretion", "no urine volume of the same collection")
	}
}

// TestAlbuminToCreatinine classifies in the unit of the laboratory: KDIGO's 3
// and 30 mg/mmol are not 30 and 300 mg/g.
func TestAlbuminToCreatinine(t *testing.T) {
	at := "2026-03-02T08:00:00+01:00"
	for _, unit := range []string{"mg/g", "mg/g{creat}"} {
		newChart().quantity("9318-7", "29.9", unit, at).decides(t, "acr", journey.Meets, 29.9, 0.0001)
		newChart().quantity("14959-1", "300", unit, at).decides(t, "acr", journey.Discussion, 300, 0.0001)
	}
	for _, unit := range []string{"mg/mmol", "mg/mmol{creat}"} {
		// 3.2 mg/mmol are 28 mg/g: flagged in its own unit, and only there.
		c := newChart().quantity("9318-7", "3.2", unit, at)
		c.decides(t, "acr-molar", journey.Discussion, 3.2, 0.0001)
		c.noFlag(t, "acr")
	}
	newChart().quantity("9318-7", "<5", "mg/g{creat}", at).settles(t, "acr", journey.Meets, "<5")
	newChart().quantity("9318-7", "<40", "mg/g{creat}", at).undecided(t, "acr", "limit")
	newChart().quantity("9318-7", "5", "mg/L", at).undecided(t, "acr", "")
	// One ratio counts, the newest, whichever its unit.
	c := newChart().quantity("9318-7", "400", "mg/g", at).quantity("14959-1", "1.0", "mg/mmol", "2026-03-09T08:00:00+01:00")
	c.decides(t, "acr-molar", journey.Meets, 1, 0.0001)
	c.noFlag(t, "acr")
}

// TestScreens: the qualifier values are SNOMED CT's; what they lead to is
// KDIGO 2017 chapter 12 and OPTN policy 14.4.E (both from memory).
func TestScreens(t *testing.T) {
	at := "2026-03-02T08:00:00+01:00"
	for _, tt := range []struct {
		id, code, value string
		want            journey.Band
		absolute        bool
	}{
		{"hiv-screen", "56888-1", "260385009", journey.Meets, false}, {"hiv-screen", "48345-3", "10828004", journey.Excludes, true},
		{"hiv-screen", "56888-1", "42425007", journey.Discussion, false},
		{"hbsag", "5196-1", "10828004", journey.Excludes, false}, {"hbsag", "5195-3", "260415000", journey.Meets, false},
		{"hbcab", "13952-7", "10828004", journey.Discussion, false}, {"hcv-antibody", "16128-1", "260373001", journey.Discussion, false},
		{"hcv-antibody", "13955-0", "260385009", journey.Meets, false},
	} {
		f := newChart().coded(tt.code, tt.value, "", at).flag(t, tt.id)
		if f.Band != tt.want || f.Absolute != tt.absolute {
			t.Errorf("%s with %s is %s, absolute %t, want %s", tt.id, tt.value, f.Band, f.Absolute, tt.want)
		}
	}
	newChart().coded("56888-1", "123456789", "?", at).undecided(t, "hiv-screen", "positive, negative, equivocal")
	newChart().quantity("56888-1", "12.3", "{S_CO_ratio}", at).undecided(t, "hiv-screen", "not a coded finding")
	newChart().add("56888-1", at, func(r *result.Result) { r.Value.Text = "Positive" }).undecided(t, "hiv-screen", "text")
	// The graver counts, in any order: a later negative, even of the same test,
	// is no proof against a positive. Only a correction takes it away.
	for _, codes := range [][2]string{{"56888-1", "48345-3"}, {"48345-3", "56888-1"}} {
		c := newChart().coded(codes[0], "260385009", "", at).coded(codes[1], "10828004", "", at)
		if f := c.flag(t, "hiv-screen"); f.Band != journey.Excludes {
			t.Errorf("negative %s and positive %s are %s", codes[0], codes[1], f.Band)
		}
		c.coded(codes[0], "260385009", "", "2026-03-09T08:00:00+01:00")
		c.coded(codes[1], "260385009", "", "2026-03-10T08:00:00+01:00")
		if f := c.flag(t, "hiv-screen"); f.Band != journey.Excludes || !f.Absolute {
			t.Errorf("a newer negative makes %s", f.Band)
		}
		for i := range c.results {
			if c.results[i].Value.Coding.Code == "10828004" {
				c.results[i].Status = result.EnteredInError
			}
		}
		if f := c.flag(t, "hiv-screen"); f.Band != journey.Meets {
			t.Errorf("after the correction it is %s", f.Band)
		}
	}
}

// TestOnlyFinalResultsCount: preliminary, cancelled and mistaken results are
// read by no rule, and satisfy nothing.
func TestOnlyFinalResultsCount(t *testing.T) {
	for _, status := range result.Statuses {
		c := newChart().quantity("1558-6", "112", "mg/dL", "2026-03-02T08:00:00+01:00")
		c.last().Status = status
		_, found := c.finding("glucose-fasting")
		usable := status == result.Final || status == result.Amended || status == result.Corrected
		if found != usable {
			t.Errorf("%s satisfies the requirement: %t", status, found)
		}
		if usable {
			c.decides(t, "glucose-fasting", journey.Discussion, 112, 0)
			continue
		}
		c.noFlag(t, "glucose-fasting")
		// Nor does it hide an earlier one that is final.
		c.quantity("1558-6", "90", "mg/dL", "2026-03-01T08:00:00+01:00").decides(t, "glucose-fasting", journey.Meets, 90, 0)
		c.coded("882-1", "", "O positive", "2026-03-01T08:00:00+01:00").last().Status = status
		if got := c.assess().BloodType; got != journey.Incomplete {
			t.Errorf("a blood type that is %s makes it %s", status, got)
		}
	}
}

func TestReportedNumbers(t *testing.T) {
	at := "2026-03-02T08:00:00+01:00"
	// American Diabetes Association tables: each in the laboratory's own unit.
	newChart().quantity("1558-6", "126", "mg/dL", at).decides(t, "glucose-fasting", journey.Excludes, 126, 0)
	newChart().quantity("14771-0", "5.6", "mmol/L", at).decides(t, "glucose-fasting-molar", journey.Discussion, 5.6, 0)
	newChart().quantity("4548-4", "5.69", "%", at).decides(t, "hba1c", journey.Meets, 5.69, 0)
	if f := newChart().quantity("4548-4", "5.69", "%", at).flag(t, "hba1c"); !f.Near || f.Shown != "5.7" {
		t.Errorf("5.69 is shown as %s, near %t", f.Shown, f.Near)
	}
	newChart().quantity("1558-6", "5.6", "mmol/L", at).undecided(t, "glucose-fasting", "accepted: mg/dL")
	newChart().quantity("1558-6", "<126", "mg/dL", at).undecided(t, "glucose-fasting", "limit")
	newChart().quantity("1558-6", ">=126", "mg/dL", at).settles(t, "glucose-fasting", journey.Excludes, ">=126")
	newChart().quantity("1558-6", "1e999", "mg/dL", at).undecided(t, "glucose-fasting", "")
	newChart().coded("1558-6", "10828004", "Positive", at).undecided(t, "glucose-fasting", "not a number")
	// The newest result is a text: the older number does not speak for it.
	newChart().quantity("1558-6", "90", "mg/dL", "2026-03-01").add("1558-6", at, func(r *result.Result) { r.Value.Text = "haemolysed" }).
		undecided(t, "glucose-fasting", "text")
	if f := newChart().quantity("1558-6", "1.10e2", "mg/dL", at).flag(t, "glucose-fasting"); f.Inputs[0].Value != "1.10e2" {
		t.Errorf("the input is shown as %q", f.Inputs[0].Value)
	}
}

func TestFindings(t *testing.T) {
	c := newChart().quantity("718-7", "13.9", "g/dL", "2026-03-01").quantity("6690-2", "6.1", "10*3/uL", "2026-03-02")
	if _, ok := c.finding("blood-count"); ok {
		t.Error("two of three are complete")
	}
	c.quantity("777-3", "240", "10*3/uL", "2026-03-03")
	f, ok := c.finding("blood-count")
	if !ok || f.Collected != "2026-03-01" {
		t.Errorf("found %+v, %t: the oldest decides how long it is valid", f, ok)
	}
	// A correction is other evidence, in whatever place it is listed.
	for i := range c.results {
		corrected := *c
		corrected.results = slices.Clone(c.results)
		corrected.results[i].Version = 2
		if g, _ := corrected.finding("blood-count"); g.Evidence == f.Evidence {
			t.Errorf("a corrected %s is the same evidence", c.results[i].Code.Code)
		}
	}
	// Of alternatives the newer counts.
	c = newChart().quantity("2160-0", "0.7", "mg/dL", "2026-01-01").quantity("14682-9", "62", "umol/L", "2026-02-01")
	if f, _ := c.finding("creatinine"); f.Collected != "2026-02-01" {
		t.Errorf("of alternatives %+v counts", f)
	}
	a := c.flag(t, "egfr-creatinine").Evidence
	c.results[1].Version++
	if b := c.flag(t, "egfr-creatinine").Evidence; a == b {
		t.Error("a corrected result is the same evidence of its flag")
	}
	if coded := c.assess().Coded(); len(coded.Findings) == 0 || len(coded.Flags) != len(c.assess().Flags) || coded.BloodType != journey.Incomplete {
		t.Errorf("the process gets %+v", coded)
	}
}

// TestDerivedValues are what pages and the record system see.
func TestDerivedValues(t *testing.T) {
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, protocoltest.Brief().Zone())
	c := monitor(newChart().size("170", "70"), start, [2]int{124, 76}, [2]int{108, 62}, "43")
	derived := map[string]protocol.Derived{}
	for _, d := range c.assess().Derived {
		if _, twice := derived[d.Key]; twice {
			t.Errorf("%s is derived twice", d.Key)
		}
		derived[d.Key] = d
		if d.Equation == "" || d.Source == "" || d.Effective == "" || len(d.Inputs) == 0 {
			t.Errorf("%s does not say what it stands on: %+v", d.Key, d)
		}
	}
	if d := derived["ambulatory-24h-mean"]; len(d.Components) != 2 || d.Components[0].Value != "120.8" || d.Components[1].Value != "73.2" || d.Value != "" {
		t.Errorf("the mean is %+v", d)
	}
	if d := derived["bmi"]; !strings.HasPrefix(d.Value, "24.2214") || d.Unit != "kg/m2" {
		t.Errorf("the index is %+v", d)
	}
	if f := c.flag(t, "ambulatory-24h-systolic"); f.Derived != "ambulatory-24h-mean" {
		t.Errorf("the flag stands on %q", f.Derived)
	}
	// What can't be computed is not shown to readers as a value.
	for _, d := range newChart().quantity("2160-0", "<0.2", "mg/dL", "2026-03-02").assess().Derived {
		t.Errorf("derived from a limit: %+v", d)
	}
}

// TestOrderDoesNotMatter: results arrive in any order, and two sources may
// use one number.
func TestOrderDoesNotMatter(t *testing.T) {
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, protocoltest.Brief().Zone())
	c := study(monitor(newChart().size("170", "70"), start, [2]int{124, 76}, [2]int{108, 62}, "43"), "3235", map[int]string{120: "127.4", 180: "91.2", 240: "65.3"})
	collect(c, "2161-8", "80", "mg/dL", "1500", 24)
	for i, value := range []string{"90", "112", "130"} {
		c.quantity("1558-6", value, "mg/dL", "2026-03-02T08:00:00+01:00").last().Identifier = result.Identifier{System: fmt.Sprintf("lab-%d", i), Value: "same"}
		c.coded("882-1", "", []string{"O positive", "O positive", "A positive"}[i], "2026-03-02T08:00:00+01:00").last().Specimen = strconv.Itoa(i)
		c.quantity("2160-0", "0.7"+strconv.Itoa(i), "mg/dL", "2026-03-03").last().Identifier = result.Identifier{System: fmt.Sprintf("lab-%d", i), Value: "same"}
		c.pressure("85354-9", fmt.Sprintf("2026-03-0%dT08:00:00+01:00", i+1), 118, 74).pressure("85354-9", fmt.Sprintf("2026-03-0%dT08:00:00+01:00", i+1), 130, 80)
	}
	want, err := json.Marshal(c.assess())
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		shuffled := *c
		shuffled.results = rapid.Permutation(c.results).Draw(t, "order")
		got, err := json.Marshal(shuffled.assess())
		if err != nil {
			t.Fatal(err)
		}
		if string(got) != string(want) {
			t.Fatalf("in another order\n%s\nwant\n%s", got, want)
		}
	})
}

// TestIntervalOfMeasuredGFR: the interval of a measured GFR travels with it, and
// a value whose interval reaches over a threshold is near, although no rounding
// moves it. What was drawn from case A is 63.03, with more marker left 61.4.
func TestIntervalOfMeasuredGFR(t *testing.T) {
	far := study(man("1980-01-01").size("172", "68"), "3235", map[int]string{120: "110", 180: "71.5", 240: "46.5"}).flag(t, "gfr-plasma-clearance")
	near := study(man("1980-01-01").size("172", "68"), "3235", map[int]string{120: "129.8", 180: "93.9", 240: "67.9"}).flag(t, "gfr-plasma-clearance")
	if far.Near || far.Interval == nil || far.Interval.Low <= 60 || far.Interval.High >= 90 || far.Interval.Coverage != 0.95 {
		t.Errorf("got %+v, interval %+v", far, far.Interval)
	}
	if !near.Near || near.Band != journey.Discussion || near.Interval == nil || !(near.Interval.Low < 60) ||
		!strings.Contains(strings.Join(near.Warnings, "\n"), "reaches over a threshold") {
		t.Errorf("got %+v, interval %+v", near, near.Interval)
	}
	c := study(man("1980-01-01").size("172", "68"), "3235", map[int]string{120: "127.4", 180: "91.2", 240: "65.3"})
	c.rules = changed(t, func(text string) string {
		from, to := strings.Index(text, "  plasma_uncertainty:"), strings.Index(text, "timers:")
		return text[:from] + text[to:]
	})
	if f := c.flag(t, "gfr-plasma-clearance"); f.Interval != nil || f.Near {
		t.Errorf("got %+v without uncertainties", f)
	}
}

// TestTwoCompartments: a protocol that asks for two compartments gets dose over
// area: the first worked example of the method, 79.16976.
func TestTwoCompartments(t *testing.T) {
	two := changed(t, func(text string) string {
		return strings.Replace(text, "plasma_clearance: slope-intercept", "plasma_clearance: two-compartment", 1)
	})
	samples := map[int]string{}
	for _, minutes := range []int{5, 15, 30, 60, 90, 120, 150, 180, 210, 240} {
		at := float64(minutes)
		samples[minutes] = strconv.FormatFloat(210*math.Exp(-0.045*at)+190*math.Exp(-0.0055*at), 'f', 6, 64)
	}
	c := study(man("1980-01-01").size("172", "68"), "3235", samples)
	c.rules = two
	c.decides(t, "gfr-plasma-clearance", journey.Discussion, 79.16976, 0.001)
	if f := c.flag(t, "gfr-plasma-clearance"); f.Equation != "iohexol-two-compartment" || f.Interval == nil {
		t.Errorf("got %+v", f)
	}
	c = study(man("1980-01-01").size("172", "68"), "3235", map[int]string{120: "127.4", 180: "91.2", 240: "65.3"})
	c.rules = two
	c.undecided(t, "gfr-plasma-clearance", "early and late samples")
}
