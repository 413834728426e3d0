package protocol_test

import (
	"crypto/sha256"
	_ "embed"
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// frozen is the text of a default protocol that stays as it is, so that reports
// made with it can be compared over time.
//
//go:embed testdata/rules.yaml
var frozen string

var update = flag.Bool("update", false, "write the digests of the reports anew")

// parsed reads a text that a test made.
func parsed(t testing.TB, text string) *protocol.Protocol {
	t.Helper()
	p, err := protocol.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// large makes of the frozen text a catalogue of 110 requirements, 80 flags and
// 25 conditions.
func large() string {
	var facts, requirements, flags, observations strings.Builder
	for i := range 60 {
		fmt.Fprintf(&observations, "  - {code: lab-%d, local: true, title: Analyte %d, category: laboratory, units: [mg/dL, mg/L], factors: [1, 10], low: 1, high: 500}\n", i, i)
	}
	for i := range 16 {
		fmt.Fprintf(&observations, "  - {code: screen-%d, local: true, title: Screen %d, category: laboratory, coded: true}\n", i, i)
		fmt.Fprintf(&observations, "  - {code: question-%d, local: true, title: Question %d, category: survey, coded: true, yes_no: true}\n", i, i)
		fmt.Fprintf(&facts, "  - {id: lab_%d, title: Analyte %d, of: lab-%d lab-%d, type: number, unit: mg/dL}\n", i, i, i, i+16)
		fmt.Fprintf(&facts, "  - {id: screen_%d, title: Screen %d, of: screen-%d, type: finding}\n", i, i, i)
		fmt.Fprintf(&facts, "  - {id: question_%d, title: Question %d, of: question-%d, type: answer}\n", i, i, i)
	}
	facts.WriteString("  - {id: age, title: Age, of: age, type: number, unit: a}\n  - {id: bmi, title: Body mass index, of: bmi, type: number, unit: kg/m2}\n")
	for i := range 84 {
		evidence := fmt.Sprintf("local: [[lab-%d], [lab-%d, lab-%d]]", i%60, (i+7)%60, (i+11)%60)
		if i%4 == 3 {
			evidence = fmt.Sprintf("local: [[screen-%d], [screen-%d]]", i%16, (i+1)%16)
		}
		fmt.Fprintf(&requirements, "  - {id: more-%d, title: More %d, domain: laboratory, gate: committee, evidence: result, signer: clinician, %s, valid_days: 365, source: invented", i, i, evidence)
		if i < 24 {
			fmt.Fprintf(&requirements, ", when: \"%s\"", condition(i))
		}
		requirements.WriteString("}\n")
	}
	for i := range 52 {
		rule := fmt.Sprintf(`of: lab-%d lab-%d, unit: mg/dL, decimals: 1, bands: [{band: excludes, when: ">= %d"}, {band: needs-discussion, when: ">= %d"}]`, i, (i+5)%60, 300+i, 150+i)
		if i%4 == 3 {
			rule = fmt.Sprintf(`of: screen-%d screen-%d, coded: true, bands: [{band: excludes, when: is positive, absolute: true}, {band: needs-discussion, when: is equivocal}]`, i%16, (i+1)%16)
		}
		fmt.Fprintf(&flags, "  - {id: more-%d, title: More %d, requirement: more-%d, source: invented, %s}\n", i, i, i, rule)
	}
	text := strings.Replace(frozen, "\nrequirements:\n", "\n"+facts.String()+"\nrequirements:\n"+requirements.String(), 1)
	text = strings.Replace(text, "\nflags:\n", "\nflags:\n"+flags.String(), 1)
	return strings.Replace(text, "\nobservations:\n", "\nobservations:\n"+observations.String(), 1)
}

// condition is one of many shapes of condition.
func condition(i int) string {
	n := i % 16
	switch i % 6 {
	case 0:
		return fmt.Sprintf("lab_%d >= 100.0 && lab_%d < 126 || lab_%d > 400 || question_%d", n, n, (n+1)%16, n)
	case 1:
		return fmt.Sprintf("age >= 50 && question_%d || bmi >= 30", n)
	case 2:
		return fmt.Sprintf("screen_%d == 'positive' || screen_%d in ['positive', 'equivocal']", n, (n+3)%16)
	case 3:
		return fmt.Sprintf("!question_%d && (screen_%d != 'negative' ? lab_%d < 90 : bmi < 25)", n, n, n)
	case 4:
		return fmt.Sprintf("[lab_%d, lab_%d].exists(x, x > 250.0) || int(lab_%d) / int(lab_%d - lab_%d) > 3", n, (n+2)%16, n, n, (n+1)%16)
	default:
		return fmt.Sprintf("question_%d || lab_%d > 3 || true", n, n)
	}
}

// invented makes a chart by chance, with whatever can be on record: days without
// a time, corrections, limits, texts, units that no rule has, and studies.
func invented(r *rand.Rand, p *protocol.Protocol) (protocol.Person, []result.Result) {
	pick := func(of ...string) string { return of[r.IntN(len(of))] }
	person := protocol.Person{BirthDate: journey.Date(fmt.Sprintf("%d-0%d-15", 1945+r.IntN(65), 1+r.IntN(9))), Sex: pick("female", "male", "male", "female", "")}
	c := &chart{person: person}
	often := 0.1 + 0.8*r.Float64()
	moment := func() string {
		at := time.Date(2025+r.IntN(2), time.Month(1+r.IntN(3)), 1+r.IntN(6), r.IntN(24), 30*r.IntN(2), 0, 0, p.Zone())
		switch r.IntN(12) {
		case 0:
			return at.Format(time.DateOnly)
		case 1:
			return at.UTC().Format(time.RFC3339)
		case 2:
			return at.Format("2006-01-02T15:04:05.000Z07:00")
		}
		return at.Format(time.RFC3339)
	}
	vary := func(x *result.Result) {
		x.Code.Display = pick("", "Shown")
		x.Status = result.Status(pick("final", "final", "final", "final", "final", "final", "amended", "corrected", "preliminary", "entered-in-error"))
		x.Version = 1 + r.IntN(3)
		x.Specimen = pick("", "s-1", "s-2", "s-3")
		if r.IntN(4) == 0 {
			x.Identifier.Value = pick("same", "same", "other")
		}
	}
	number := func(low, high float64) string {
		return pick("", "", "", "", "", "", "", "", "", "", "", "<", ">=") + fmt.Sprintf("%.*f", r.IntN(4), low+r.Float64()*(high-low))
	}
	systolic, glucose := 105+r.IntN(50), 70+r.IntN(70)
	for _, o := range p.Observations {
		for r.Float64() < often {
			at := moment()
			switch {
			case len(o.Panel) > 0:
				days := 1 + r.IntN(3)
				for range days * 2 {
					c.pressure(o.Code, moment(), systolic+r.IntN(12), 60+r.IntN(35))
				}
			case o.Coded && o.Code == "882-1":
				a := o.Answers()[r.IntN(3)]
				c.coded(o.Code, a.Code, pick(a.Display, a.Display, ""), at)
			case o.Coded:
				answers := o.Answers()
				c.coded(o.Code, pick(answers[0].Code, answers[0].Code, answers[1].Code, answers[len(answers)-1].Code, "unknown"), "", at)
			case strings.HasPrefix(o.Code, "1558") || strings.HasPrefix(o.Code, "4548"):
				c.quantity(o.Code, number(float64(glucose)/18, float64(glucose)), o.Units[0], at)
			default:
				i := r.IntN(len(o.Units))
				low, high := o.Low, o.High
				if len(o.Factors) > 0 {
					low, high = low*o.Factors[i], high*o.Factors[i]
				}
				c.quantity(o.Code, number(low, low+(high-low)*0.4), pick(o.Units[i], o.Units[i], o.Units[i], o.Units[i], o.Units[i], "mg/dL"), at)
			}
			vary(c.last())
			if r.IntN(40) == 0 {
				c.last().Value = result.Value{Text: pick("", "see report", "O pos")}
			}
		}
	}
	if r.IntN(2) == 0 {
		c.size(fmt.Sprint(150+r.IntN(45)), fmt.Sprint(50+r.IntN(50)))
	}
	if r.IntN(2) == 0 {
		scale := 0.7 + r.Float64()
		c.quantity("iohexol-dose", "3235", "mg", "2026-03-04T08:00:00+01:00")
		for _, s := range []struct {
			at    string
			value float64
		}{{"08:10", 300}, {"08:40", 210}, {"10:00", 127.4}, {"11:00", 91.2}, {"12:00", 65.3}} {
			c.quantity("iohexol-concentration", fmt.Sprintf("%.1f", s.value*scale*(1+0.01*r.Float64())), "ug/mL", "2026-03-04T"+s.at+":00+01:00")
		}
		if r.IntN(4) > 0 {
			c.coded("iohexol-extravasation", "373067005", "No", "2026-03-04T08:00:00+01:00")
		}
	}
	if r.IntN(2) == 0 {
		for _, x := range [][3]string{{"2161-8", number(60, 140), "mg/dL"}, {"3167-4", number(900, 2400), "mL"}, {"14957-5", number(2, 60), "mg/L"}} {
			c.quantity(x[0], x[1], x[2], "2026-03-05T07:00:00+01:00")
			c.last().EffectiveEnd = "2026-03-06T07:00:00+01:00"
		}
		c.quantity("2160-0", number(0.6, 1.3), "mg/dL", "2026-03-05T09:00:00+01:00")
	}
	if r.IntN(3) == 0 {
		for i := range 30 {
			c.pressure("ambulatory-reading", fmt.Sprintf("2026-03-0%dT%02d:00:00+01:00", 5+i/24, i%24), systolic-10+r.IntN(15), 60+r.IntN(20))
		}
		c.quantity("ambulatory-attempted", "40", "1", "2026-03-06T23:59:00+01:00")
	}
	r.Shuffle(len(c.results), func(i, j int) { c.results[i], c.results[j] = c.results[j], c.results[i] })
	return c.person, c.results
}

// TestReportsStayTheSame assesses charts made by chance and compares the reports,
// to the last letter, with those of earlier versions of the program: fingerprints
// of evidence are kept in records, and a faster assessment has to be the same
// assessment. A change that is meant to change reports writes the digests anew
// with -update.
func TestReportsStayTheSame(t *testing.T) {
	const file, block = "testdata/reports.sha256", 100
	two := strings.Replace(frozen, "plasma_clearance: slope-intercept", "plasma_clearance: two-compartment", 1)
	var digests strings.Builder
	for _, rules := range []struct {
		name, text string
		blocks     int
	}{{"frozen", frozen, 6}, {"two-compartment", two, 4}, {"large", large(), 10}} {
		p := parsed(t, rules.text)
		for b := range rules.blocks {
			sum := sha256.New()
			for i := range block {
				person, results := invented(rand.New(rand.NewPCG(uint64(b), uint64(i))), p)
				text, err := json.Marshal(p.Assess(person, results, today))
				if err != nil {
					t.Fatal(err)
				}
				sum.Write(text)
			}
			fmt.Fprintf(&digests, "%s %d %x\n", rules.name, b, sum.Sum(nil))
		}
	}
	if *update {
		if err := os.WriteFile(file, []byte(digests.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	kept, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := digests.String(), string(kept); got != want {
		for i, line := range strings.Split(got, "\n") {
			if rest := strings.Split(want, "\n"); i >= len(rest) || rest[i] != line {
				t.Errorf("the reports are others: %s", line)
			}
		}
	}
}
