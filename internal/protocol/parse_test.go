package protocol_test

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
)

func TestTheDefaultIsWhole(t *testing.T) {
	p := protocol.Default()
	again, err := protocol.Parse([]byte(p.Source()))
	if err != nil || again.Digest() != p.Digest() || len(p.Digest()) != 64 {
		t.Fatalf("the text parses to %s, %v, want %s", again.Digest(), err, p.Digest())
	}
	if p.Zone().String() != p.TimeZone {
		t.Errorf("the zone is %s", p.Zone())
	}
	rules := p.Rules()
	if rules.Version != p.Version || len(rules.Requirements) != len(p.Requirements) || len(rules.Visits) != len(p.Visits) || len(rules.Quorum) != len(p.Quorum) {
		t.Errorf("the process gets %d requirements, %d visits, %d seats", len(rules.Requirements), len(rules.Visits), len(rules.Quorum))
	}
	for i, r := range rules.Requirements {
		if r.ID != p.Requirements[i].ID || r.Gate != p.Requirements[i].Gate || r.ValidDays != p.Requirements[i].ValidDays {
			t.Errorf("the process gets %+v of %+v", r, p.Requirements[i])
		}
	}
	// Codes that satisfy a requirement, or that a rule reads, are described.
	for _, r := range p.Requirements {
		for _, set := range append(r.LOINC, r.Local...) {
			for _, code := range set {
				if _, ok := p.Observation(code); !ok {
					t.Errorf("%s names the code %s, which is no observation", r.ID, code)
				}
			}
		}
	}
	if _, ok := p.Find("nothing"); ok {
		t.Error("a requirement that is none is found")
	}
}

// TestBrokenProtocols change the default in one place each. The message names
// the rule, or the line.
func TestBrokenProtocols(t *testing.T) {
	source := protocoltest.Brief().Source()
	replace := func(old, with string) func(string) string {
		return func(s string) string {
			if !strings.Contains(s, old) {
				t.Fatalf("the default does not hold %q", old)
			}
			return strings.Replace(s, old, with, 1)
		}
	}
	text := func(s string) func(string) string { return func(string) string { return s } }
	for _, tt := range []struct {
		name   string
		damage func(string) string
		want   string
	}{
		{"no YAML", text("version: [1\ntitle: x"), "line 2: read the protocol"},
		{"nothing", text(""), "version: missing"},
		{"a list", text("- a\n- b"), "read the protocol"},
		{"an unknown field", replace("time_zone:", "timezone:"), `unknown field "timezone"`},
		{"an unknown field deep down", replace("valid_days: 365", "valid_day: 365"), `unknown field "valid_day"`},
		{"a number that is none", replace("valid_days: 365", "valid_days: a year"), "valid_days: a year"},
		{"a key twice", replace("title: Living", "version: \"2\"\ntitle: Living"), `"version" already defined`},
		{"another protocol behind it", func(s string) string { return s + "\n---\n" + s }, "more than one document"},
		{"no version", replace(`version: "brief"`, `version: ""`), "version: missing"},
		{"no statement", replace("general_statement: >-\n  This person will not be going forward as a donor. We do not share reasons.", "general_statement:"), "general_statement: missing"},
		{"no zone", replace("time_zone: Europe/Stockholm", "time_zone:"), "time_zone"},
		{"a zone that is none", replace("Europe/Stockholm", "Europe/Atlantis"), `time_zone: "Europe/Atlantis"`},
		{"the machine's zone", replace("Europe/Stockholm", "Local"), `time_zone: "Local"`},
		{"an unknown surface", replace("bsa-dubois-1916", "bsa-guess"), "methods.body_surface_area"},
		{"an unknown correction", replace("brochner-mortensen-1972", "none"), "methods.plasma_clearance_correction"},
		{"an approval without end", replace("approval_months: 6", "approval_months: 0"), "timers.approval_months"},
		{"a timer backwards", replace("screening_days: 14", "screening_days: -1"), "timers.screening_days"},
		{"a cooling-off backwards", replace("cooling_off_days: 14", "cooling_off_days: -1"), "timers.cooling_off_days"},
		{"a timer without end", replace("hold_days: 183", "hold_days: 999999999"), "timers.hold_days"},
		{"no timer", replace("committee_days: 14", "# none"), "timers.committee_days"},
		{"a seat twice", replace("- {id: surgeon, title: Donor surgeon}", "- {id: nephrologist, title: Again}"), "quorum.nephrologist"},
		{"a seat without an id", replace("{id: surgeon,", "{id: '',"), "quorum.:"},
		{"a requirement twice", replace("- id: acr\n    title: Albumin-to-creatinine ratio\n    domain", "- id: creatinine\n    title: Again\n    domain"), "requirements.creatinine: the id is not unique"},
		{"a requirement with a sentence for an id", replace("- id: body-size", "- id: Body size"), "requirements.Body size"},
		{"a gate that is none", replace("gate: scheduling", "gate: someday"), "requirements.abo-second.gate"},
		{"evidence that is none", replace("evidence: assignment", "evidence: hearsay"), "requirements.advocate-assigned.evidence"},
		{"a signer that is none", replace("evidence: result\n    signer: clinician", "evidence: result\n    signer: machine"), "requirements.body-size.signer"},
		{"a timer as signer", replace("evidence: result\n    signer: clinician", "evidence: result\n    signer: system"), "requirements.body-size.signer"},
		{"a result without codes", replace(`    loinc: [["8302-2", "29463-7"]]`+"\n", ""), "requirements.body-size.loinc"},
		{"an empty set of codes", replace(`[["8302-2", "29463-7"]]`, `[[]]`), "requirements.body-size: a set of codes"},
		{"an empty code", replace(`[["8302-2", "29463-7"]]`, `[["8302-2", ""]]`), "requirements.body-size: a set of codes"},
		{"validity backwards", replace("valid_days: 183", "valid_days: -1"), "requirements.body-size.valid_days"},
		{"no source of a requirement", replace("    source: evaluation table reproduced in CJASN; window common practice\n", ""), "requirements.body-size: title and source"},
		{"a flag that is none", replace("when_flagged: [acr, acr-molar]", "when_flagged: [acr, acr-molal]"), `requirements.albumin-excretion.when_flagged: there is no flag "acr-molal"`},
		// It would never come to apply, and be taken for satisfied.
		{"a consent that depends on a flag", replace("evidence: consent\n    valid_days: 365", "evidence: consent\n    when_flagged: [acr]\n    valid_days: 365"), "requirements.consent-evaluation.when_flagged"},
		{"a flag rule with a broken condition", replace("of: bmi\n", "of: bmi\n    when: glucose > 1\n"), "flags.bmi.when"},
		{"a number whose newest counts", replace("of: bmi\n", "of: bmi\n    newest: true\n"), "flags.bmi.newest"},
		// Its position would be waited for without end.
		{"a result before the decision", replace("evidence: result\n    signer: clinician", "evidence: result\n    before_decision: true\n    signer: clinician"), "requirements.body-size.before_decision"},
		{"an advocate's review by somebody else", replace("signer: advocate", "signer: clinician"), "requirements.advocate-review-final.by_advocate"},
		{"a side of a review", replace("evidence: review\n    signer: clinician", "evidence: review\n    sided: true\n    signer: clinician"), "requirements.medical-history.sided"},
		{"privacy of a review", replace("evidence: review\n    signer: clinician", "evidence: review\n    privacy: true\n    signer: clinician"), "requirements.medical-history.privacy"},
		{"no advocate's review", replace("    before_decision: true\n    by_advocate: true\n", ""), "requirements: the advocate's review"},
		{"an advocate who can be waived", replace("    evidence: assignment\n    no_waiver: true", "    evidence: assignment"), "requirements: the assignment of an advocate"},
		{"a flag twice", replace("- id: office-diastolic\n", "- id: office-systolic\n"), "flags.office-systolic: the id is not unique"},
		{"a flag on nothing", replace("requirement: hba1c", "requirement: hba2c"), `flags.hba1c.requirement: there is no requirement "hba2c"`},
		{"a flag of nothing", replace("    of: bmi\n", ""), "flags.bmi.of: missing"},
		{"a flag of a value that is none", replace("of: bmi", "of: body-mass"), `flags.bmi.of: there is no value "body-mass"`},
		{"a flag without a unit", replace("    unit: kg/m2\n", ""), "flags.bmi.unit"},
		{"a flag with many decimals", replace("unit: kg/m2\n    decimals: 1", "unit: kg/m2\n    decimals: 100"), "flags.bmi.decimals"},
		{"a flag without bands", replace("    bands:\n      - {band: excludes, when: \">= 35\"}\n      - {band: needs-discussion, when: \">= 30\"}\n      - {band: needs-discussion, when: \"< 18.5\"}\n", ""), "flags.bmi.bands"},
		{"a band that is none", replace(`{band: excludes, when: ">= 35"}`, `{band: forbids, when: ">= 35"}`), "flags.bmi.bands[0]: band"},
		{"a band that meets", replace(`{band: excludes, when: ">= 35"}`, `{band: meets, when: ">= 35"}`), "flags.bmi.bands[0]: band"},
		{"a condition that is none", replace(`">= 35"`, `"35"`), "flags.bmi.bands[0]: when"},
		{"an operator that is none", replace(`">= 35"`, `"== 35"`), "flags.bmi.bands[0]: when"},
		{"a threshold that is none", replace(`">= 35"`, `">= many"`), "flags.bmi.bands[0]: when"},
		// No value is at least NaN: every one would meet.
		{"a threshold that is no number", replace(`">= 35"`, `">= NaN"`), "flags.bmi.bands[0]: when"},
		{"a threshold without end", replace(`">= 35"`, `">= +Inf"`), "flags.bmi.bands[0]: when"},
		{"a coded rule over a number", replace(`{band: excludes, when: "is positive", absolute: true}`, `{band: excludes, when: "> 1"}`), "flags.hiv-screen.bands[0]: when"},
		{"a coded rule over a doubt", replace(`{band: excludes, when: "is positive", absolute: true}`, `{band: excludes, when: "is doubtful"}`), "flags.hiv-screen.bands[0]: when"},
		{"no source of a flag", replace("    source: KDIGO 2017 chapter 12 (from memory)\n", ""), "flags.hbsag.source"},
		{"a visit twice", replace("- id: year-1\n", "- id: month-6\n"), "visits.month-6"},
		{"a visit at no time", replace("    after_months: 6\n", ""), "visits.month-6: needs either"},
		{"a visit at two times", replace("after_months: 6\n", "after_months: 6\n    after_days: 6\n"), "visits.month-6: needs either"},
		{"a window backwards", replace("opens_before_days: 3", "opens_before_days: -3"), "visits.week-1: the window"},
		{"an observation twice", replace(`{code: "29463-7", title: Body weight`, `{code: "8302-2", title: Body weight`), "observations.8302-2"},
		{"an observation of two kinds", replace(`title: ABO and Rh group, category: laboratory, coded: true`, `title: ABO and Rh group, category: laboratory, coded: true, units: [a]`), "observations.882-1: needs exactly one"},
		{"an observation of no kind", replace(`title: ABO and Rh group, category: laboratory, coded: true`, `title: ABO and Rh group, category: laboratory`), "observations.882-1: needs exactly one"},
		{"a factor too few", replace("factors: [1, 0.01, 0.393701]", "factors: [1, 0.01]"), "observations.8302-2.factors: 2 for 3 units"},
		{"factors of no unit", replace(`title: ABO and Rh group, category: laboratory, coded: true`, `title: ABO and Rh group, category: laboratory, coded: true, factors: [1]`), "observations.882-1.factors: 1 for 0 units"},
		{"a first factor that is not one", replace("factors: [1, 0.01, 0.393701]", "factors: [0.01, 1, 0.393701]"), "observations.8302-2.factors: that of the first unit"},
		{"a factor of nothing", replace("factors: [1, 0.01, 0.393701]", "factors: [1, 0, 0.393701]"), "observations.8302-2.factors: not a number above zero"},
		{"a factor that is none", replace("factors: [1, 0.01, 0.393701]", "factors: [1, .nan, .inf]"), "observations.8302-2.factors: not a number above zero"},
		{"a range backwards", replace("low: 120, high: 230", "low: 230, high: 120"), "observations.8302-2: low is above high"},
		{"a panel of nothing", replace(`panel: ["8480-6", "8462-4"]}`, `panel: ["8480-6", "0000-0"]}`), "observations.85354-9.panel"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p, err := protocol.Parse([]byte(tt.damage(source)))
			if err == nil {
				t.Fatalf("it was accepted as version %s", p.Version)
			}
			if !strings.Contains(err.Error(), tt.want) {
				t.Errorf("the message is\n%v\nwant %q in it", err, tt.want)
			}
		})
	}
}

// TestEveryMistakeAtOnce: a site repairs its protocol in one go.
func TestEveryMistakeAtOnce(t *testing.T) {
	broken := strings.NewReplacer("Europe/Stockholm", "Nowhere", "of: bmi", "of: nothing", "approval_months: 6", "approval_months: 0").Replace(protocoltest.Brief().Source())
	_, err := protocol.Parse([]byte(broken))
	for _, want := range []string{"time_zone", "flags.bmi.of", "timers.approval_months"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s is not in %v", want, err)
		}
	}
	_, again := protocol.Parse([]byte(broken))
	if err == nil || again == nil || again.Error() != err.Error() {
		t.Errorf("the second time it says %v", again)
	}
}

func TestTheTextIsKept(t *testing.T) {
	source := []byte(protocoltest.Brief().Source())
	p, err := protocol.Parse(source)
	if err != nil {
		t.Fatal(err)
	}
	clear(source)
	if p.Source() != protocoltest.Brief().Source() {
		t.Error("the protocol's text changes with the caller's buffer")
	}
}

func TestRegistry(t *testing.T) {
	other := strings.Replace(protocoltest.Brief().Source(), `version: "brief"`, `version: "2027.1"`, 1)
	loads := 0
	var mu sync.Mutex
	r := protocol.NewRegistry(func(_ context.Context, version string) (string, error) {
		mu.Lock()
		defer mu.Unlock()
		loads++
		switch version {
		case "2027.1", "2028.1":
			return other, nil
		case "broken":
			return "version: broken", nil
		}
		return "", errors.New("no such version")
	}, protocoltest.Brief())
	if p, err := r.Get(t.Context(), "brief"); err != nil || p.Version != "brief" || loads != 0 {
		t.Errorf("a known one is %v, %v after %d loads", p, err, loads)
	}
	var wait sync.WaitGroup
	for range 8 {
		wait.Go(func() {
			if p, err := r.Get(t.Context(), "2027.1"); err != nil || p.Version != "2027.1" {
				t.Errorf("a stored one is %v, %v", p, err)
			}
		})
	}
	wait.Wait()
	before := loads
	if _, err := r.Get(t.Context(), "2027.1"); err != nil || loads != before {
		t.Errorf("it was loaded again: %v", err)
	}
	for version, want := range map[string]string{
		"0": "no such version", "broken": "load protocol broken", "2028.1": "the text is that of version 2027.1",
	} {
		if _, err := r.Get(t.Context(), version); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s is answered %v, want %q", version, err, want)
		}
	}
}

// FuzzParse: whatever a file holds, reading it ends with a protocol or with an
// error that names its lines. A protocol that is accepted can be used.
func FuzzParse(f *testing.F) {
	f.Add(protocoltest.Brief().Source())
	f.Add("version: [1")
	f.Add("a: &a [*a]")
	f.Add("? {x: y}\n: z")
	f.Add("requirements:\n  - id: x\n    loinc: [[1]]\nflags: [{bands: [{when: '< 1'}]}]")
	f.Add("timers: {first_reply_days: 1e3}")
	f.Add("facts: [{id: a, type: number}]\nrequirements: [[], 1, {id: b, when: {}}, {id: c, when: 'a.b.c('}]")
	for _, at := range []int{100, 1500, 4000, 9000, 15000} {
		source := protocoltest.Brief().Source()
		f.Add(source[:at] + "\n- x: [" + source[at:])
		f.Add(source[:at] + "when: a.b.c(" + source[at:])
	}
	f.Fuzz(func(t *testing.T, source string) {
		p, err := protocol.Parse([]byte(source))
		if err != nil {
			faults := protocol.Faults(err)
			if len(faults) == 0 {
				t.Fatalf("an error without a fault: %v", err)
			}
			for _, f := range faults {
				if f.Line < 1 || f.Message == "" {
					t.Fatalf("a fault without line or message: %+v", f)
				}
			}
			return
		}
		p.Assess(protocol.Person{BirthDate: "1981-03-14", Sex: "female"}, nil, "2026-03-02")
		journey.Begin(p.Rules(), journey.Event{Command: journey.Command{Kind: journey.Refer, Today: "2026-03-02"}})
	})
}

// TestFaultsNameTheirLine: each mistake is told with the line that it stands in,
// all at once.
func TestFaultsNameTheirLine(t *testing.T) {
	source := protocoltest.Brief().Source()
	lineOf := func(text, mark string) int {
		i := strings.Index(text, mark)
		if i < 0 {
			t.Fatalf("the text lacks %q", mark)
		}
		return 1 + strings.Count(text[:i], "\n")
	}
	broken := strings.NewReplacer(
		"hold_days: 183", "hold_days: 0",
		`{band: excludes, when: ">= 35"}`, `{band: forbids, when: ">= 35"}`,
		"fasting_glucose >= 100", "fasting_glucos >= 100",
		"opens_before_days: 3\n", "opens_before_days: -3\n",
		`{code: "29463-7", title`, `{code: "8302-2", title`,
	).Replace(source)
	_, err := protocol.Parse([]byte(broken))
	got := map[string]int{}
	for _, f := range protocol.Faults(err) {
		got[f.Rule] = f.Line
	}
	for rule, mark := range map[string]string{
		"timers.hold_days":                    "hold_days: 0",
		"flags.bmi.bands[0]":                  "{band: forbids",
		"visits.week-1":                       "id: week-1",
		"observations.8302-2":                 `{code: "8302-2", title: Body weight`,
		"requirements.glucose-tolerance.when": "fasting_glucos >= 100",
	} {
		want := lineOf(broken, mark)
		if rule == "requirements.glucose-tolerance.when" {
			want-- // the key stands in the line before the folded text
		}
		if got[rule] != want {
			t.Errorf("%s: line %d, want %d", rule, got[rule], want)
		}
	}
}
