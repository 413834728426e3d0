package protocol_test

import (
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// conditional is the default protocol with facts, a question and a tolerance
// test that applies by a condition.
func conditional(t *testing.T, expression string) *protocol.Protocol {
	t.Helper()
	return changed(t, func(text string) string {
		text = strings.Replace(text, "\nrequirements:\n", `
  - {id: hba1c, title: Glycated haemoglobin, of: 4548-4, type: number, unit: "%"}
  - {id: first_degree_diabetes, title: Diabetes in a first-degree relative, of: fact-first-degree-diabetes, type: answer}
  - {id: hiv, title: HIV screen, of: 56888-1 48345-3, type: finding}

requirements:
  - id: tolerance-test
    title: Oral glucose tolerance test
    domain: laboratory
    gate: committee
    evidence: result
    signer: clinician
    loinc: [["1518-0"], ["14995-5"]]
    valid_days: 365
    when: "`+expression+`"
    source: KDIGO 2017 living donor guideline, chapter 11 (from memory)
`, 1)
		return strings.Replace(text, "\nobservations:\n", `
observations:
  - {code: fact-first-degree-diabetes, local: true, title: Diabetes in a first-degree relative, category: survey, coded: true, yes_no: true}
`, 1)
	})
}

const toleranceTest = "fasting_glucose >= 100 && fasting_glucose < 126 || hba1c >= 5.7 && hba1c < 6.5 || first_degree_diabetes"

const day = "2026-03-04T08:00:00+01:00"

func TestConditions(t *testing.T) {
	p := conditional(t, toleranceTest)
	tests := []struct {
		name    string
		add     func(*chart)
		want    journey.Holding
		missing string
	}{
		{"nothing on record", func(*chart) {}, journey.HoldsUnknown, "Fasting plasma glucose, Diabetes in a first-degree relative, Glycated haemoglobin"},
		{"one reason is enough", func(c *chart) { c.quantity("1558-6", "110", "mg/dL", day) }, journey.HoldsYes, "Diabetes in a first-degree relative, Glycated haemoglobin"},
		{"just below", func(c *chart) { c.quantity("1558-6", "99.9", "mg/dL", day) }, journey.HoldsUnknown, "Diabetes in a first-degree relative, Glycated haemoglobin"},
		{"all known and no", func(c *chart) {
			c.quantity("1558-6", "92", "mg/dL", day).quantity("4548-4", "5.2", "%", day).coded("fact-first-degree-diabetes", "373067005", "No", day)
		}, journey.HoldsNo, ""},
		{"by the answer", func(c *chart) { c.coded("fact-first-degree-diabetes", "373066001", "Yes", day) }, journey.HoldsYes, "Fasting plasma glucose, Glycated haemoglobin"},
		// 6.1 mmol/L is 109.9 mg/dL.
		{"converted", func(c *chart) { c.quantity("14771-0", "6.1", "mmol/L", day) }, journey.HoldsYes, "Diabetes in a first-degree relative, Glycated haemoglobin"},
		{"a limit is no number", func(c *chart) { c.quantity("1558-6", "<110", "mg/dL", day) }, journey.HoldsUnknown, "Fasting plasma glucose, Diabetes in a first-degree relative, Glycated haemoglobin"},
		{"the newest counts", func(c *chart) {
			c.quantity("1558-6", "110", "mg/dL", "2026-02-04T08:00:00+01:00").quantity("14771-0", "5.0", "mmol/L", day)
		}, journey.HoldsUnknown, "Diabetes in a first-degree relative, Glycated haemoglobin"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := newChart()
			c.rules = p
			tt.add(c)
			report := c.assess()
			// The default has a condition of its own behind this one.
			if len(report.Conditions) != 2 {
				t.Fatalf("got %+v", report.Conditions)
			}
			got := report.Conditions[0]
			if got.Requirement != "tolerance-test" || got.Holds != tt.want || strings.Join(got.Missing(), ", ") != tt.missing || got.Expression != toleranceTest {
				t.Errorf("got %+v, missing %v", got, got.Missing())
			}
			if coded := report.Coded().Conditions; len(coded) != 2 || coded[0].Holds != tt.want {
				t.Errorf("got %+v", coded)
			}
		})
	}
}

// TestConditionsAreTypeChecked: a slip in an expression is found at load, with
// what is wrong.
func TestConditionsAreTypeChecked(t *testing.T) {
	text := conditional(t, toleranceTest).Source()
	for expression, want := range map[string]string{
		"glucose >= 100":            "undeclared reference to 'glucose'",
		"fasting_glucose":           "must be true or false; it is double",
		"first_degree_diabetes > 1": "no matching overload",
		"hiv == true":               "no matching overload",
		"fasting_glucose >=":        "Syntax error",
		"true":                      "asks for no fact",
		"[1,2,3,4,5,6,7,8].all(a, [1,2,3,4,5,6,7,8].all(b, [1,2,3,4,5,6,7,8].all(c, hba1c > a+b+c)))": "costs too much",
		"hiv.matches('(')": "invalid matches argument",
		strings.Repeat("hba1c > 1 || ", 60) + "hba1c > 1": "longer than 500",
	} {
		_, err := protocol.Parse([]byte(strings.Replace(text, `when: "`+toleranceTest+`"`, `when: "`+expression+`"`, 1)))
		if err == nil || !strings.Contains(err.Error(), "requirements.tolerance-test.when") || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40s: got %v, want %q", expression, err, want)
		}
	}
}

func TestFactsAreChecked(t *testing.T) {
	text := conditional(t, toleranceTest).Source()
	for change, want := range map[[2]string]string{
		{"id: hba1c,", "id: HbA1c,"}:                                        "facts.HbA1c: the id",
		{"id: hba1c,", "id: fasting_glucose,"}:                              "facts.fasting_glucose: the id is not unique",
		{"of: 4548-4, type", "of: 9999-9, type"}:                            `there is no value "9999-9"`,
		{"type: answer", "type: maybe"}:                                     "facts.first_degree_diabetes.type: accepted",
		{`of: 4548-4, type: number, unit: "%"`, "of: 4548-4, type: number"}: "facts.hba1c.unit: a number has a unit",
		{"type: finding}", "type: finding, unit: mg/dL}"}:                   "facts.hiv.unit: only a number",
		{"analyte: glucose", "analyte: cholesterol-ish"}:                    "facts.fasting_glucose.unit: not a unit of the analyte",
		{"title: HIV screen, of: 56888-1", "of: 56888-1"}:                   "facts.hiv.title: missing",
		{"category: survey, coded: true", "category: survey, units: [mg]"}:  "yes_no: only a coded observation",
	} {
		if !strings.Contains(text, change[0]) {
			t.Fatalf("the protocol lacks %q", change[0])
		}
		_, err := protocol.Parse([]byte(strings.Replace(text, change[0], change[1], 1)))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %q", change[1], err, want)
		}
	}
}

// TestMoreFactsNeverOverturnAnAnswer: what the facts on record settle, a further
// fact does not unsettle; only a correction can.
func TestMoreFactsNeverOverturnAnAnswer(t *testing.T) {
	p := conditional(t, "(fasting_glucose >= 100 || hba1c >= 5.7) && !(hiv == 'positive') || first_degree_diabetes")
	rapid.Check(t, func(t *rapid.T) {
		add := []func(*chart){
			func(c *chart) {
				c.quantity("1558-6", strconv.Itoa(rapid.IntRange(80, 130).Draw(t, "glucose")), "mg/dL", day)
			},
			func(c *chart) {
				c.quantity("4548-4", rapid.SampledFrom([]string{"5.2", "5.7", "6.6"}).Draw(t, "hba1c"), "%", day)
			},
			func(c *chart) {
				code := rapid.SampledFrom([]string{"10828004", "260385009", "42425007"}).Draw(t, "hiv")
				c.coded("56888-1", code, "", day)
			},
			func(c *chart) {
				c.coded("fact-first-degree-diabetes", rapid.SampledFrom([]string{"373066001", "373067005"}).Draw(t, "answer"), "", day)
			},
		}
		c := newChart()
		c.rules = p
		before := journey.HoldsUnknown
		for _, i := range rapid.Permutation([]int{0, 1, 2, 3}).Draw(t, "order") {
			add[i](c)
			now := c.assess().Conditions[0].Holds
			if before != journey.HoldsUnknown && now != before {
				t.Fatalf("a further fact turns %s into %s", before, now)
			}
			before = now
		}
		if before == journey.HoldsUnknown {
			t.Fatal("all facts are on record, and the answer is unknown")
		}
	})
}

// TestWithdrawnFactsAreUnknown: what is preliminary, entered in error or
// cancelled answers no condition.
func TestWithdrawnFactsAreUnknown(t *testing.T) {
	for _, status := range []result.Status{result.Preliminary, result.Registered, result.EnteredInError, result.Cancelled} {
		c := newChart().quantity("1558-6", "110", "mg/dL", day)
		c.rules = conditional(t, toleranceTest)
		c.last().Status = status
		if got := c.assess().Conditions[0]; got.Holds != journey.HoldsUnknown || len(got.Missing()) != 3 {
			t.Errorf("%s: got %+v", status, got)
		}
	}
}
