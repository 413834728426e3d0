package synthetic_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/synthetic"
)

var gates = []journey.Gate{journey.ForEvaluation, journey.ForCommittee, journey.ForScheduling, journey.ForOperation}

// TestEveryRequirementCanBeFilled brings invented people of both sexes and all
// ages through both protocols: nothing that applies is left without a result, no
// result is questioned, and nothing is flagged but the age.
func TestEveryRequirementCanBeFilled(t *testing.T) {
	for _, p := range []*protocol.Protocol{protocol.Default(), protocoltest.Brief()} {
		at := time.Date(2026, 3, 2, 9, 0, 0, 0, p.Zone())
		for _, sex := range []string{"female", "male", "other"} {
			for _, birth := range []journey.Date{"2001-05-04", "1981-03-14", "1974-01-15", "1961-07-30"} {
				for _, path := range []string{"direct", "paired", "nondirected"} {
					c := &synthetic.Chart{
						Protocol: p, Key: "test", Person: protocol.Person{BirthDate: birth, Sex: sex, Path: path, RecipientKnown: path != "nondirected"},
					}
					results := c.Fill(at, gates...)
					var faults command.Faults
					p.CheckResults(&faults, results)
					if err := faults.Err(); err != nil {
						t.Fatalf("%s %s: %v", sex, birth, err)
					}
					report := p.Assess(c.Person, c.Results, "2026-03-02")
					for _, r := range c.Applying(report) {
						if r.Evidence == journey.ByResult && !slices.ContainsFunc(report.Findings, func(f journey.Finding) bool { return f.Requirement == r.ID }) {
							t.Errorf("%s, %s born %s, %s: no result for %s", p.Version, sex, birth, path, r.ID)
						}
					}
					for _, f := range report.Flags {
						if f.Band != journey.Meets && f.ID != "age" && !(sex == "other" && f.Band == journey.CannotDecide && strings.Contains(f.ID, "gfr")) {
							t.Errorf("%s, %s born %s: %s is %s: %s %s", p.Version, sex, birth, f.ID, f.Band, f.Shown, f.Reason)
						}
					}
					if again := c.Fill(at, gates...); len(again) != 0 {
						t.Errorf("%s: filled twice: %v", p.Version, again[0].Code)
					}
				}
			}
		}
	}
}
