package fhir

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"candidacy/activities"
	"candidacy/internal/conformance"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// methods of a protocol beside those of the default, with what they are published
// as.
type methods struct{ surface, clearance, correction, equation string }

func everyMethod() []methods {
	var list []methods
	for _, surface := range []string{"bsa-dubois-1916", "bsa-mosteller-1987", "bsa-haycock-1978"} {
		list = append(list, methods{surface, protocol.TwoCompartment, "", "iohexol-two-compartment"})
		for _, correction := range []string{"brochner-mortensen-1972", "brochner-mortensen-1972-absolute", "fleming-2007", "jodal-2009", "ng-2011"} {
			list = append(list, methods{surface, protocol.SlopeIntercept, correction, "iohexol-slope-intercept-" + correction})
		}
	}
	return list
}

// TestEveryMethodIsComputedAgain publishes values by each method that a protocol
// may choose, from results in each unit, and finds them again with formulas that
// share nothing with those of the program: see invariants.mjs.
func TestEveryMethodIsComputedAgain(t *testing.T) {
	var ndjson bytes.Buffer
	want := map[string]bool{
		"albumin-excretion-24h": true, "creatinine-clearance-timed-urine": true, "ckdepi-cr-2021": true, "bmi-quetelet-1972": true, "office-mean-acc-aha-2017": true,
	}
	programme, err := ProgrammeResources(nil, "")
	if err != nil {
		t.Fatal(err)
	}
	for n, m := range everyMethod() {
		want[m.equation] = true
		programme = append(programme, mustPublish(t, measuredBy(n, m))...)
	}
	known := map[string]bool{}
	for _, r := range programme {
		if name := r.Type + "/" + r.ID; !known[name] {
			known[name] = true
			_, _ = ndjson.Write(append(r.Body, '\n'))
		}
	}
	faults, equations := conformance.Invariants(t, ndjson.Bytes())
	for _, f := range faults {
		t.Errorf("line %d: %s", f.Line, f.Message)
	}
	for equation := range want {
		if equations[equation] < 3 {
			t.Errorf("%s was computed again %d times", equation, equations[equation])
		}
	}
}

// measuredBy has one of everything that values are computed from.
func measuredBy(n int, m methods) activities.Snapshot {
	candidate := fmt.Sprintf("%08d-6f3e-4a56-9a51-3f6f3c1d7a01", n)
	p := *protocol.Default()
	p.Methods.BodySurfaceArea, p.Methods.PlasmaClearance, p.Methods.PlasmaCorrection = m.surface, m.clearance, m.correction
	s := testSnapshot(candidate)
	s.Protocol, s.Results, s.State.Requirements = &p, nil, nil
	if n%2 == 1 {
		s.Referral.Identity.Sex = "male"
	}
	begin := time.Date(2026, 2, 10, 8, 0, 0, 0, p.Zone())
	add := func(code string, after time.Duration, v result.Value) *result.Result {
		o, _ := p.Observation(code)
		system := systemLOINC
		if o.Local {
			system = systemObservation
		}
		at := begin.Add(after)
		s.Results = append(s.Results, result.Result{
			ID: fmt.Sprintf("%08d-0000-4000-8000-%012d", n, len(s.Results)), Version: 1, Status: result.Final, Category: o.Category,
			Identifier: result.Identifier{System: "https://lab.northmere.example/result", Value: fmt.Sprint(n, "-", len(s.Results))},
			Code:       result.Coding{System: system, Code: code, Display: o.Title}, Value: v,
			Effective: at.Format(time.RFC3339), CollectedOn: at.Format(time.DateOnly),
		})
		return &s.Results[len(s.Results)-1]
	}
	pick := func(values ...[2]string) result.Value { v := values[n%len(values)]; return number(v[0], v[1], "") }
	add("8302-2", 0, pick([2]string{"172.5", "cm"}, [2]string{"67.5", "[in_i]"}, [2]string{"1.71", "m"}))
	add("29463-7", 0, pick([2]string{"68.2", "kg"}, [2]string{"151", "[lb_av]"}))
	code := []string{"2160-0", "14682-9"}[n%2]
	add(code, time.Hour, pick([2]string{"0.83", "mg/dL"}, [2]string{"81", "umol/L"}))

	add("iohexol-dose", 2*time.Hour, number("3235", "mg", ""))
	add("iohexol-extravasation", 2*time.Hour, result.Value{Coding: &result.Coding{System: systemSNOMED, Code: "373067005", Display: "No"}})
	for i, minutes := range []int{5, 10, 15, 30, 60, 90, 120, 150, 180, 240} {
		// Two exponentials with a scatter of 1 %.
		c := (210*math.Exp(-0.045*float64(minutes)) + 190*math.Exp(-0.0055*float64(minutes))) * (1 + 0.01*float64((i*7+n)%3-1))
		add("iohexol-concentration", 2*time.Hour+time.Duration(minutes)*time.Minute, number(fmt.Sprintf("%.1f", c), []string{"ug/mL", "mg/L"}[n%2], ""))
	}
	collected := begin.Add(25 * time.Hour).Format(time.RFC3339)
	for _, part := range []struct {
		code string
		v    result.Value
	}{
		{"3167-4", pick([2]string{"1850", "mL"}, [2]string{"1.85", "L"})}, {"2161-8", pick([2]string{"74.1", "mg/dL"}, [2]string{"6.55", "mmol/L"})},
		{"14957-5", pick([2]string{"8.5", "mg/L"}, [2]string{"0.85", "mg/dL"}, [2]string{"8.5", "ug/mL"})},
	} {
		add(part.code, time.Hour, part.v).EffectiveEnd = collected
	}
	for i, reading := range []struct {
		day                 int
		systolic, diastolic string
	}{{0, "141", "92"}, {0, "128", "81"}, {0, "127", "80"}, {7, "126", "79"}, {7, "125", "78"}} {
		r := add("85354-9", time.Duration(reading.day)*24*time.Hour+time.Duration(i)*5*time.Minute, result.Value{})
		r.Components = []result.Component{
			{Code: result.Coding{System: systemLOINC, Code: "8480-6"}, Value: number(reading.systolic, "mm[Hg]", "")},
			{Code: result.Coding{System: systemLOINC, Code: "8462-4"}, Value: number(reading.diastolic, "mm[Hg]", "")},
		}
	}
	s.Report = p.Assess(activities.Person(s.Referral.Identity, "direct", "", ""), s.Results, s.Today)
	s.Report.Flags = nil
	return s
}

// TestNothingIsPublishedWithoutItsFormula: an equation that the invariants don't
// know is a fault there, so that a new computed value brings its formula.
func TestNothingIsPublishedWithoutItsFormula(t *testing.T) {
	s := measuredBy(0, everyMethod()[0])
	for i := range s.Report.Derived {
		s.Report.Derived[i].Equation = "by-guess"
	}
	var ndjson bytes.Buffer
	derived := 0
	for _, r := range mustPublish(t, s) {
		if r.Type == typeObservation || r.Type == typePatient || r.Type == typeSpecimen || r.Type == typeDiagnosticReport {
			_, _ = ndjson.Write(append(r.Body, '\n'))
		}
		if isDerived(r, s.Candidate) {
			derived++
		}
	}
	faults, _ := conformance.Invariants(t, ndjson.Bytes())
	found := 0
	for _, f := range faults {
		if strings.HasPrefix(f.Message, "computed: there is no formula here for by-guess") {
			found++
		}
	}
	if found != derived || derived < 5 {
		t.Errorf("%d of %d are found: %v", found, derived, faults)
	}
}

func isDerived(r record.Resource, candidate string) bool {
	return r.Type == typeObservation && strings.HasPrefix(r.ID, candidate)
}
