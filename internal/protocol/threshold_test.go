package protocol

import (
	"math"
	"slices"
	"testing"

	"candidacy/internal/journey"
)

// TestEveryThresholdOfTheDefault compares the unrounded value at each
// threshold and one unit in the last place on either side of it, where the
// number as shown is the threshold itself (calculations.md 0: compare the
// unrounded value; note when the displayed one falls on the other side).
func TestEveryThresholdOfTheDefault(t *testing.T) {
	const meets, talk, out, never = journey.Meets, journey.Discussion, journey.Excludes, "excludes absolutely"
	tests := []struct {
		id               string
		threshold        float64
		below, at, above journey.Band
	}{
		// OPTN policy 14.4.E as reproduced in CJASN; 18 to 25 and over 70 common practice.
		{"age", 18, never, talk, talk}, {"age", 26, talk, meets, meets}, {"age", 71, meets, talk, talk},
		// South African protocol 2011 after Amsterdam; KDIGO 2017 chapter 11 (from memory).
		{"bmi", 18.5, talk, meets, meets}, {"bmi", 30, meets, talk, talk}, {"bmi", 35, talk, out, out},
		// KDIGO 2017 chapter 10 (from memory); ACC/AHA 2017.
		{"office-systolic", 130, meets, talk, talk}, {"office-systolic", 140, talk, out, out},
		{"office-diastolic", 80, meets, talk, talk}, {"office-diastolic", 90, talk, out, out},
		// South African protocol 2011 after Amsterdam; stricter pair of the AHA summary.
		{"ambulatory-day-systolic", 130, meets, talk, talk}, {"ambulatory-day-systolic", 135, talk, talk, out},
		{"ambulatory-day-diastolic", 80, meets, talk, talk}, {"ambulatory-day-diastolic", 85, talk, talk, out},
		{"ambulatory-24h-systolic", 125, meets, talk, talk}, {"ambulatory-24h-systolic", 130, talk, talk, out},
		{"ambulatory-24h-diastolic", 75, meets, talk, talk}, {"ambulatory-24h-diastolic", 80, talk, talk, out},
		// KDIGO 2017 chapter 5 (Levey and Inker, JASN 2017;28:1062): 90 and more
		// acceptable, 60 to 89 individual, under 60 not.
		{"egfr-creatinine", 60, out, talk, talk}, {"egfr-creatinine", 90, talk, meets, meets},
		{"gfr-plasma-clearance", 60, out, talk, talk}, {"gfr-plasma-clearance", 90, talk, meets, meets},
		{"creatinine-clearance", 60, out, talk, talk}, {"creatinine-clearance", 90, talk, meets, meets},
		// KDIGO CKD albuminuria categories (from memory); 30 and 300 inclusive in
		// the middle (calculations.md 6).
		{"acr", 30, meets, talk, talk}, {"acr", 300, talk, talk, out},
		{"acr-molar", 3, meets, talk, talk}, {"acr-molar", 30, talk, talk, out},
		// Over 100 KDIGO 2017 as quoted by Renal Fellow Network 2018; the rest from memory.
		{"albumin-excretion", 30, meets, talk, talk}, {"albumin-excretion", 100, talk, talk, out},
		// American Diabetes Association classification tables, Diabetes Care.
		{"glucose-fasting", 100, meets, talk, talk}, {"glucose-fasting", 126, talk, out, out},
		{"glucose-tolerance", 140, meets, talk, talk}, {"glucose-tolerance", 200, talk, out, out},
		{"glucose-tolerance-molar", 7.8, meets, talk, talk}, {"glucose-tolerance-molar", 11.1, talk, out, out},
		{"glucose-fasting-molar", 5.6, meets, talk, talk}, {"glucose-fasting-molar", 7.0, talk, out, out},
		{"hba1c", 5.7, meets, talk, talk}, {"hba1c", 6.5, talk, out, out},
		// The same KDIGO bands for a GFR by another tracer.
		{"gfr-tracer", 60, out, talk, talk}, {"gfr-tracer", 90, talk, meets, meets},
		// More than 15 apart is a matter for discussion; common practice.
		{"clearance-difference", 15, meets, meets, talk},
		// Australian guideline 2010: 150 to 300 mg a day is looked into, over 300
		// usually excludes.
		{"urine-protein", 150, meets, talk, talk}, {"urine-protein", 300, talk, talk, out},
		// BTS 2018, 5.11 (from memory): over 50 mg/mmol, which is 442 mg/g by the
		// factor 8.84; 150 mg/g common practice.
		{"urine-protein-ratio", 150, meets, talk, talk}, {"urine-protein-ratio", 442, talk, talk, out},
		// KDIGO 2017 chapter 7 (from memory): 0 to 2 red cells, by the laboratory.
		{"red-cells", 1, meets, talk, talk},
		// PMC6791603; Nefrologia 2022: one or two medicines are considered, more
		// than two are not.
		{"pressure-medicines", 1, meets, talk, talk}, {"pressure-medicines", 2, talk, talk, out},
		// KDIGO 2017 chapter 8 (from memory): none, or any.
		{"stone-size", 0, meets, meets, talk},
		// BTS 2018, 5.10 (from memory): two or more.
		{"cardiac-risk-factors", 2, meets, talk, talk},
		// PHQ-9 of 10 brings a psychiatrist; AUDIT-C of 4 is the usual cut-off, not
		// in the reference. Common practice.
		{"mood-score", 10, meets, talk, talk}, {"alcohol-score", 4, meets, talk, talk},
		// One artery, two or three, more than three; common practice.
		{"veins-left", 1, meets, meets, talk}, {"veins-right", 1, meets, meets, talk}, {"ureters-left", 1, meets, meets, talk}, {"ureters-right", 1, meets, meets, talk},
		{"haemoglobin-men", 10, out, talk, talk}, {"haemoglobin-men", 13, talk, meets, meets}, {"several-findings", 3, meets, talk, talk},
		{"arteries-left", 1, meets, meets, talk}, {"arteries-left", 3, talk, talk, out},
		{"arteries-right", 1, meets, meets, talk}, {"arteries-right", 3, talk, talk, out},
		// BTS 2018, 5.5 (from memory): shares up to 10 points apart, 45 to 55 %.
		{"split-function", 45, talk, meets, meets}, {"split-function", 55, meets, meets, talk},
		// Common practice. The haemoglobin of women; men are looked into below 13.
		{"haemoglobin", 10, out, talk, talk}, {"haemoglobin", 12, talk, meets, meets},
		{"platelets", 100, out, talk, talk}, {"platelets", 150, talk, meets, meets}, {"platelets", 450, meets, meets, talk},
		{"inr", 1.2, meets, meets, talk}, {"inr", 1.5, talk, talk, out},
		// KDIGO 2017 chapter 12 (from memory): RNA positive, in any quantity.
		{"hcv-nat-quantity", 0, meets, meets, out},
	}
	p := Default()
	tried := map[string]int{}
	for _, tt := range tests {
		i := slices.IndexFunc(p.Flags, func(f FlagRule) bool { return f.ID == tt.id })
		if i < 0 {
			t.Errorf("there is no rule %s", tt.id)
			continue
		}
		rule := p.Flags[i]
		tried[tt.id]++
		for _, v := range []struct {
			number float64
			want   journey.Band
		}{
			{math.Nextafter(tt.threshold, math.Inf(-1)), tt.below}, {tt.threshold, tt.at}, {math.Nextafter(tt.threshold, math.Inf(1)), tt.above},
		} {
			f := judged(&rule, &value{number: v.number, unit: rule.Unit, date: "2026-03-02"})
			band, absolute := v.want, v.want == never
			if absolute {
				band = journey.Excludes
			}
			if f.Band != band || f.Absolute != absolute {
				t.Errorf("%s of %v is %s (absolute %t), want %s", tt.id, v.number, f.Band, f.Absolute, v.want)
			}
			// All three are shown as the threshold: near is what is elsewhere.
			if near := v.want != tt.at; f.Near != near || (len(f.Warnings) > 0) != near {
				t.Errorf("%s of %v, shown as %s: near is %t with %q, want %t", tt.id, v.number, f.Shown, f.Near, f.Warnings, near)
			}
			if f.Source == "" || f.Threshold == "" || f.Value == "" || f.Unit != rule.Unit {
				t.Errorf("%s does not say what it stands on: %+v", tt.id, f)
			}
		}
	}
	for _, rule := range p.Flags {
		if !rule.Coded && tried[rule.ID] != len(rule.Bands) {
			t.Errorf("%s has %d thresholds and %d were tried", rule.ID, len(rule.Bands), tried[rule.ID])
		}
	}
}

// TestShownOnTheOtherSide is the reference's own example, and one that is not
// near although it is close.
func TestShownOnTheOtherSide(t *testing.T) {
	rule := Default().Flags[slices.IndexFunc(Default().Flags, func(f FlagRule) bool { return f.ID == "egfr-creatinine" })]
	for number, want := range map[float64]struct {
		shown string
		band  journey.Band
		near  bool
	}{
		89.6: {"90", journey.Discussion, true}, 89.4: {"89", journey.Discussion, false}, 90.4: {"90", journey.Meets, false},
		59.5: {"60", journey.Excludes, true}, 59.49: {"59", journey.Excludes, false},
	} {
		f := judged(&rule, &value{number: number, unit: rule.Unit})
		if f.Shown != want.shown || f.Band != want.band || f.Near != want.near {
			t.Errorf("%v is shown as %s, %s, near %t, want %+v", number, f.Shown, f.Band, f.Near, want)
		}
	}
	if f := judged(&rule, &value{number: 95, unit: "mL/min"}); f.Band != journey.CannotDecide || f.Reason == "" || f.Value != "" {
		t.Errorf("a clearance that is not normalised is %s: %s", f.Band, f.Reason)
	}
}

// TestCodedRules never take a number or an unknown code for a negative result.
func TestCodedRules(t *testing.T) {
	rule := FlagRule{ID: "hiv", Coded: true, Bands: []BandRule{{Band: journey.Excludes, When: "is positive", Absolute: true, finding: findingPositive}}}
	for finding, want := range map[string]journey.Band{
		findingPositive: journey.Excludes, findingNegative: journey.Meets, findingEquivocal: journey.Meets, "": journey.CannotDecide,
	} {
		if f := judged(&rule, &value{finding: finding}); f.Band != want {
			t.Errorf("the finding %q is %s, want %s", finding, f.Band, want)
		}
	}
	number := FlagRule{ID: "x", Bands: []BandRule{{Band: journey.Excludes, When: "> 5", op: ">", threshold: 5}}}
	if f := judged(&number, &value{finding: findingPositive}); f.Band != journey.CannotDecide {
		t.Errorf("a finding under a rule of numbers is %s", f.Band)
	}
}

// judged is the flag of one value.
func judged(rule *FlagRule, v *value) Flag { return rule.flag(v, rule.judge(v, v.date)) }
