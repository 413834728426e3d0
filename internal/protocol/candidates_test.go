package protocol_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
	"candidacy/internal/synthetic"
)

// candidate is one file of testdata/candidates: an invented person, what is
// reported of them beside unremarkable results, and what follows by the
// published rule, worked out by hand.
type candidate struct {
	Story string `yaml:"story"`
	// Rules say which published rule gives which expectation.
	Rules []string     `yaml:"rules"`
	Today journey.Date `yaml:"today"`
	// Bare leaves out the unremarkable results.
	Bare      bool         `yaml:"bare"`
	BirthDate journey.Date `yaml:"birth_date"`
	Sex       string       `yaml:"sex"`
	Path      string       `yaml:"path"`
	Recipient bool         `yaml:"recipient"`
	Planned   journey.Date `yaml:"planned"`
	Results   []reported   `yaml:"results"`
	Expect    struct {
		// Conditional lists every conditional requirement that applies.
		Conditional []string `yaml:"conditional"`
		// Flags holds every flag that is in another band than meets.
		Flags map[string]string `yaml:"flags"`
		// Lacking are requirements that the results on record do not satisfy,
		// among those that the case is about.
		Lacking []string `yaml:"lacking"`
		// Having are requirements that they satisfy.
		Having []string `yaml:"having"`
	} `yaml:"expect"`
}

// reported is one result: a value with its unit, an answer (yes, no), a finding
// (negative, equivocal, positive), or a blood pressure such as 134/82.
type reported struct {
	Code     string        `yaml:"code"`
	Value    string        `yaml:"value"`
	Unit     string        `yaml:"unit"`
	Answer   string        `yaml:"answer"`
	Finding  string        `yaml:"finding"`
	Pressure string        `yaml:"pressure"`
	Type     string        `yaml:"type"`
	On       journey.Date  `yaml:"on"`
	Time     string        `yaml:"time"`
	End      string        `yaml:"end"`
	Status   result.Status `yaml:"status"`
	Specimen string        `yaml:"specimen"`
}

func (r reported) result(t *testing.T, p *protocol.Protocol, n int, today journey.Date) command.Result {
	t.Helper()
	o, ok := p.Observation(r.Code)
	if !ok {
		t.Fatalf("results[%d]: there is no observation %q", n, r.Code)
	}
	on, clock := r.On, r.Time
	if on == "" {
		on = today.AddDays(-1)
	}
	if clock == "" {
		clock = fmt.Sprintf("10:%02d", n)
	}
	at, err := time.ParseInLocation("2006-01-02 15:04", string(on)+" "+clock, p.Zone())
	if err != nil {
		t.Fatalf("results[%d]: %v", n, err)
	}
	out := command.Result{
		Identifier: result.Identifier{System: "case", Value: fmt.Sprint(n)}, Status: r.Status, Code: result.Coding{Code: r.Code},
		Effective: at.Format(time.RFC3339), Specimen: r.Specimen,
	}
	if r.Status == "" {
		out.Status = result.Final
	}
	if r.End != "" {
		end, err := time.ParseInLocation("2006-01-02 15:04", r.End, p.Zone())
		if err != nil {
			t.Fatalf("results[%d]: %v", n, err)
		}
		out.EffectiveEnd = end.Format(time.RFC3339)
	}
	pick := func(display string) {
		i := slices.IndexFunc(o.Answers(), func(c result.Coding) bool { return strings.EqualFold(c.Display, display) })
		if i < 0 {
			t.Fatalf("results[%d]: %s is not answered with %q", n, r.Code, display)
		}
		answer := o.Answers()[i]
		out.Coded = &answer
	}
	switch {
	case r.Answer != "":
		pick(r.Answer)
	case r.Finding != "":
		pick(r.Finding)
	case r.Type != "":
		pick(r.Type)
	case r.Pressure != "":
		for i, part := range strings.Split(r.Pressure, "/") {
			out.Components = append(out.Components, result.Component{
				Code:  result.Coding{System: protocol.LOINCSystem, Code: o.Panel[i]},
				Value: result.Value{Quantity: &result.Quantity{Value: json.Number(part), Unit: "mm[Hg]"}},
			})
		}
	default:
		out.Quantity = number(r.Value, r.Unit)
	}
	return out
}

// TestCandidates works every case of testdata/candidates with the default
// protocol.
func TestCandidates(t *testing.T) {
	files, err := filepath.Glob("../../testdata/candidates/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 60 {
		t.Errorf("%d cases, want 60 at least", len(files))
	}
	p := protocol.Default()
	met := map[string]bool{}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".yaml"), func(t *testing.T) {
			raw, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			var c candidate
			if err := yaml.UnmarshalWithOptions(raw, &c, yaml.Strict()); err != nil {
				t.Fatal(err)
			}
			if c.Story == "" || len(c.Rules) == 0 {
				t.Error("a case names its story and the published rules")
			}
			chart := c.chart(t, p)
			report := p.Assess(chart.Person, chart.Results, c.Today)
			var conditional []string
			for _, r := range chart.Applying(report) {
				if r.When != "" || len(r.WhenFlagged) > 0 {
					conditional = append(conditional, r.ID)
					met[r.ID] = true
				}
			}
			if testing.Verbose() {
				for _, f := range report.Flags {
					if f.Band != journey.Meets {
						t.Logf("%s %s %s %s %s", f.ID, f.Band, f.Shown, f.Unit, f.Reason)
					}
				}
			}
			same(t, "conditional requirements", conditional, c.Expect.Conditional)
			var flags, want []string
			for _, f := range report.Flags {
				if f.Band != journey.Meets {
					text := f.ID + " " + string(f.Band)
					if f.Absolute {
						text += " absolutely"
					}
					flags = append(flags, text)
				}
			}
			for id, band := range c.Expect.Flags {
				want = append(want, id+" "+band)
			}
			same(t, "flags", flags, want)
			has := func(id string) bool {
				if _, ok := p.Find(id); !ok {
					t.Errorf("there is no requirement %s", id)
				}
				return slices.ContainsFunc(report.Findings, func(f journey.Finding) bool { return f.Requirement == id })
			}
			for _, id := range c.Expect.Lacking {
				if has(id) {
					t.Errorf("%s is satisfied", id)
				}
			}
			for _, id := range c.Expect.Having {
				if !has(id) {
					t.Errorf("%s is not satisfied", id)
				}
			}
		})
	}
	for _, r := range p.Requirements {
		if (r.When != "" || len(r.WhenFlagged) > 0) && !met[r.ID] {
			t.Errorf("no case brings about %s", r.ID)
		}
	}
}

// chart puts the case's own results on record and, unless it is bare,
// unremarkable ones for everything that is needed from everybody; those are
// older, so that the case's own count.
func (c candidate) chart(t *testing.T, p *protocol.Protocol) *synthetic.Chart {
	t.Helper()
	chart := &synthetic.Chart{
		Protocol: p, Key: "case",
		Person: protocol.Person{BirthDate: c.BirthDate, Sex: c.Sex, Path: c.Path, RecipientKnown: c.Recipient, Planned: c.Planned},
	}
	if !c.Bare {
		at := c.Today.AddDays(-14).Start(p.Zone()).Add(8 * time.Hour)
		for _, r := range p.Requirements {
			if r.Evidence == journey.ByResult && r.When == "" && len(r.WhenFlagged) == 0 {
				chart.Answer(r.ID, at)
			}
		}
	}
	var own []command.Result
	for n, r := range c.Results {
		own = append(own, r.result(t, p, n, c.Today))
	}
	var faults command.Faults
	p.CheckResults(&faults, own)
	if err := faults.Err(); err != nil {
		t.Fatal(err)
	}
	chart.Add(own...)
	return chart
}

func same(t *testing.T, what string, got, want []string) {
	t.Helper()
	slices.Sort(got)
	slices.Sort(want)
	for _, id := range got {
		if !slices.Contains(want, id) {
			t.Errorf("%s: %s, which the case does not expect", what, id)
		}
	}
	for _, id := range want {
		if !slices.Contains(got, id) {
			t.Errorf("%s: %s is expected and not there", what, id)
		}
	}
}
