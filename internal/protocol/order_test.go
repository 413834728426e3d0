package protocol_test

import (
	"slices"
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/planner"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
)

func referred(p *protocol.Protocol) journey.State {
	return journey.Begin(p.Rules(), journey.Event{Command: journey.Command{Kind: journey.Refer, Today: "2026-03-02"}, Assessment: &journey.Assessment{}})
}

// TestOrderOfTheDefault plans a candidate who was just referred: dependencies
// hold, the two blood types are of different days, and everything of the last 28
// days is near the operation.
func TestOrderOfTheDefault(t *testing.T) {
	p := protocoltest.Brief()
	plan, err := p.Order(referred(p), "2026-03-02")
	if err != nil {
		t.Fatal(err)
	}
	if !plan.Feasible || plan.Repeats != 0 || len(plan.First) == 0 {
		t.Errorf("got %+v", plan)
	}
	done := map[string]planner.Doing{}
	for _, task := range plan.Tasks {
		for _, doing := range task.Do {
			done[task.ID] = doing
		}
	}
	for _, r := range p.Requirements {
		if _, planned := done[r.ID]; !planned {
			continue // it does not apply
		}
		for _, need := range r.Needs {
			if done[r.ID].On.Before(done[need].Result) {
				t.Errorf("%s on %s does not wait for %s, whose result is of %s", r.ID, done[r.ID].On, need, done[need].Result)
			}
		}
		if r.ValidDays > 0 && r.Gate == journey.ForOperation && done[r.ID].On.AddDays(r.ValidDays).Before(plan.Operation) {
			t.Errorf("%s of %s has expired on the day of the operation, %s", r.ID, done[r.ID].On, plan.Operation)
		}
	}
	if done["abo-first"].On == done["abo-second"].On {
		t.Error("both blood types are of one day")
	}
	if plan.Operation.Before(plan.Committee.AddDays(p.Timers.CoolingOffDays)) {
		t.Errorf("the operation on %s does not leave the days to think after %s", plan.Operation, plan.Committee)
	}
	var visits int
	for _, v := range plan.Visits {
		visits += len(v.Tasks)
	}
	if len(plan.Visits) >= visits {
		t.Errorf("%d visits for %d tasks: nothing is shared", len(plan.Visits), visits)
	}
}

// TestOrderRepeatsWhatExpires: with a planned day, a result that lapses before
// it is done again, and says why.
func TestOrderRepeatsWhatExpires(t *testing.T) {
	p := protocoltest.Brief()
	state := referred(p)
	for i := range state.Requirements {
		r := &state.Requirements[i]
		if rule, _ := p.Find(r.ID); rule.Gate == journey.ForCommittee && r.Status == journey.Due {
			r.Status, r.Collected, r.SignedOn = journey.Met, "2026-02-20", "2026-02-20"
		}
	}
	state.Stage, state.Planned = journey.Scheduled, "2026-11-02"
	state.Decision = &journey.Decision{Outcome: journey.Approve, On: "2026-03-01"}
	plan, err := p.Order(state, "2026-03-02")
	if err != nil {
		t.Fatal(err)
	}
	var repeated []string
	for _, task := range plan.Tasks {
		if task.State == planner.Repeated {
			repeated = append(repeated, task.ID)
			if !strings.Contains(task.Reason, "2026") {
				t.Errorf("%s: the reason names no day: %s", task.ID, task.Reason)
			}
		}
	}
	// Six months end before November, a year does not.
	for id, want := range map[string]bool{"creatinine": true, "blood-count": true, "body-size": true, "gfr-measured": false, "acr": false} {
		if slices.Contains(repeated, id) != want {
			t.Errorf("%s is repeated: %t; all that is: %v", id, !want, repeated)
		}
	}
	if plan.Operation != "2026-11-02" || !plan.Feasible {
		t.Errorf("got %+v", plan)
	}
	state.Stage = journey.FollowUp
	if _, err := p.Order(state, "2026-03-02"); err == nil {
		t.Error("an order is computed after the operation")
	}
}

// TestOrderLeavesOutWhatDoesNotApply: what does not apply or was waived is not
// planned, and nothing waits for it.
func TestOrderLeavesOutWhatDoesNotApply(t *testing.T) {
	p := protocoltest.Brief()
	state := referred(p)
	for i := range state.Requirements {
		switch r := &state.Requirements[i]; r.ID {
		case "glucose-tolerance":
			r.Status = journey.NotApplicable
		case "renal-angiogram":
			r.Status = journey.Waived
		}
	}
	plan, err := p.Order(state, "2026-03-02")
	if err != nil {
		t.Fatal(err)
	}
	for _, task := range plan.Tasks {
		if task.ID == "glucose-tolerance" || task.ID == "renal-angiogram" {
			t.Errorf("%s is planned", task.ID)
		}
	}
}

// TestOrdersThatCannotBe are found when the protocol is read.
func TestOrdersThatCannotBe(t *testing.T) {
	source := protocoltest.Brief().Source()
	for change, want := range map[[2]string]string{
		{"needs: [creatinine, body-size]", "needs: [renal-angiogram]"}:                                "no order is possible",
		{"needs: [creatinine, body-size]", "needs: [creatinin]"}:                                      `requirements.gfr-measured.needs: there is no other requirement "creatinin"`,
		{"apart: [{requirement: abo-first, days: 1}]", "apart: [{requirement: abo-second, days: 1}]"}: "requirements.abo-second.apart",
		{"apart: [{requirement: abo-first, days: 1}]", "apart: [{requirement: abo-first, days: 0}]"}:  "requirements.abo-second.apart",
		{"lead_days: 7", "lead_days: 366"}:                                                            "requirements.renal-angiogram.lead_days",
	} {
		if !strings.Contains(source, change[0]) {
			t.Fatalf("the default lacks %q", change[0])
		}
		_, err := protocol.Parse([]byte(strings.Replace(source, change[0], change[1], 1)))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %q", change[1], err, want)
		}
	}
}

// TestPreparations: what is to be minded comes once, in the order of the work, and a text
// without a source, or none, is refused. What is measured fasting says so: the ADA's
// Standards of Care define it as no intake of calories for 8 hours at least.
func TestPreparations(t *testing.T) {
	p := protocol.Default()
	texts := func(ids ...string) []string {
		var list []string
		for _, each := range p.Preparations(ids) {
			list = append(list, each.Text)
		}
		return list
	}
	fasting := texts("glucose-fasting")
	if len(fasting) != 1 || !strings.Contains(fasting[0], "nothing but water for 8 hours") {
		t.Fatalf("fasting glucose: %q", fasting)
	}
	if got := texts("ecg", "no-such", "bp-office", "lipids", "glucose-fasting"); len(got) != 2 || got[0] != texts("bp-office")[0] || got[1] != fasting[0] {
		t.Errorf("several: %q", got)
	}
	source := protocoltest.Brief().Source()
	const at = "    lead_days: 7\n"
	for text, field := range map[string]string{
		"{source: s}":                "text",
		`{text: " ", source: s}`:     "text",
		"{text: Bring your glasses}": "source",
		"{text: " + strings.Repeat("é", 401) + ", source: s}": "text",
		"{text: " + strings.Repeat("é", 400) + ", source: s}": "",
	} {
		_, err := protocol.Parse([]byte(strings.Replace(source, at, at+"    preparation: "+text+"\n", 1)))
		if field == "" && err != nil || field != "" && (err == nil || !strings.Contains(err.Error(), "requirements.renal-angiogram.preparation."+field)) {
			t.Errorf("%.40s: %v", text, err)
		}
	}
}
