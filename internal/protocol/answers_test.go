package protocol_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/clinical/units"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/result"
)

// TestAnswersAreRead holds what a form offers against what the rules read.
func TestAnswersAreRead(t *testing.T) {
	p := protocoltest.Brief()
	offered := map[string]int{}
	for _, o := range p.Observations {
		answers := o.Answers()
		if o.Coded != (len(answers) > 0) {
			t.Errorf("%s has %d answers", o.Code, len(answers))
		}
		offered[o.Code] = len(answers)
		for _, c := range answers {
			var faults command.Faults
			p.CheckResults(&faults, []command.Result{{Status: result.Final, Code: result.Coding{Code: o.Code}, Coded: &c}})
			if err := faults.Err(); err != nil || c.System != "http://snomed.info/sct" || c.Code == "" {
				t.Errorf("%s: %+v is questioned: %v", o.Code, c, err)
			}
		}
	}
	for code, want := range map[string]int{"882-1": 8, "iohexol-extravasation": 2, "56888-1": 3, "13955-0": 3, "2160-0": 0, "85354-9": 0} {
		if offered[code] != want {
			t.Errorf("%s has %d answers, want %d", code, offered[code], want)
		}
	}
	screen, _ := p.Observation("56888-1")
	var findings []string
	for _, c := range screen.Answers() {
		f := newChart().coded("56888-1", c.Code, c.Display, "2026-03-01").flag(t, "hiv-screen")
		if f.Value != strings.ToLower(c.Display) {
			t.Errorf("%s is read as %q: %s", c.Display, f.Value, f.Reason)
		}
		findings = append(findings, f.Value)
	}
	slices.Sort(findings)
	if want := slices.Sorted(slices.Values(protocol.Findings)); !slices.Equal(findings, want) {
		t.Errorf("the answers are read as %v, want %v", findings, want)
	}
	blood, _ := p.Observation("882-1")
	for _, c := range blood.Answers() {
		samples := protocol.BloodTypes([]result.Result{{ID: "r", Status: result.Final, Code: result.Coding{Code: "882-1"}, Value: result.Value{Coding: &c}, Effective: "2026-03-01", CollectedOn: "2026-03-01"}})
		if len(samples) != 1 || samples[0].Type != c.Display {
			t.Errorf("%s is read as %v", c.Display, samples)
		}
	}
	// A caller that changes what it got changes nothing for the next one.
	clear(blood.Answers())
	if blood.Answers()[0].Code == "" {
		t.Error("the answers are shared")
	}
}

// TestBandsForReaders: what a page draws is what the rules decide by.
func TestBandsForReaders(t *testing.T) {
	for _, rule := range protocoltest.Brief().Flags {
		for _, b := range rule.Bands {
			band, absolute := rule.BandOf(strings.TrimPrefix(b.When, "is "))
			if rule.Coded {
				if band != b.Band || absolute != b.Absolute || b.Holds(0) || b.Holds(1) {
					t.Errorf("%s, %s: %s, absolute %t", rule.ID, b.When, band, absolute)
				}
				continue
			}
			if band != journey.Meets {
				t.Errorf("%s takes a finding for %s", rule.ID, band)
			}
			low, at, high := b.Holds(b.Threshold()-0.01), b.Holds(b.Threshold()), b.Holds(b.Threshold()+0.01)
			less, equal := strings.HasPrefix(b.When, "<"), strings.Contains(b.When, "=")
			if low != less || at != equal || high == less {
				t.Errorf("%s, %s: below %t, at %t, above %t", rule.ID, b.When, low, at, high)
			}
		}
		if band, _ := rule.BandOf("negative"); rule.Coded && band != journey.Meets {
			t.Errorf("%s: a negative result is %s", rule.ID, band)
		}
		if band, _ := rule.BandOf(""); band != journey.Meets {
			t.Errorf("%s: no finding is %s", rule.ID, band)
		}
	}
}

// TestFactorsOfTheDefault holds the factors of the ranges against the
// conversions that formulas use.
func TestFactorsOfTheDefault(t *testing.T) {
	analytes := map[string]units.Analyte{
		"8302-2": units.Height, "29463-7": units.Weight, "2161-8": units.UrineCreatinine, "3167-4": units.UrineVolume,
		"9318-7": units.AlbuminCreatinineRatio, "14959-1": units.AlbuminCreatinineRatio, "14956-7": units.AlbuminExcretionRate,
		"14957-5": units.UrineAlbumin, "iohexol-concentration": units.PlasmaIohexol,
	}
	for _, o := range protocoltest.Brief().Observations {
		if len(o.Units) < 2 {
			continue
		}
		if len(o.Factors) != len(o.Units) {
			t.Errorf("%s has %d factors for %v", o.Code, len(o.Factors), o.Units)
			continue
		}
		analyte, ok := analytes[o.Code]
		if !ok {
			continue
		}
		for i, unit := range o.Units {
			plausible := (o.Low + o.High) / 2
			q, err := units.Convert(analyte, units.Quantity{Value: plausible, Unit: o.Units[0]}, unit)
			if err != nil || math.Abs(q.Value/(plausible*o.Factors[i])-1) > 1e-5 {
				t.Errorf("%s: %v %s is %v %s, %v, by a factor that is not %v", o.Title, plausible, o.Units[0], q.Value, unit, err, o.Factors[i])
			}
		}
	}
}

// TestRangesWithoutFactors hold in the first unit only.
func TestRangesWithoutFactors(t *testing.T) {
	p, err := protocol.Parse([]byte(strings.Replace(protocoltest.Brief().Source(), "units: [g/dL, g/L], factors: [1, 10]", "units: [g/dL, g/L]", 1)))
	if err != nil {
		t.Fatal(err)
	}
	for unit, questioned := range map[string]bool{"g/dL": true, "g/L": false} {
		var faults command.Faults
		p.CheckResults(&faults, []command.Result{{Status: result.Final, Code: result.Coding{Code: "718-7"}, Quantity: number("2.9", unit)}})
		if err := faults.Err(); (err != nil) != questioned {
			t.Errorf("2.9 %s is questioned with %v", unit, err)
		}
	}
}
