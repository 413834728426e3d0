package journey_test

import (
	"errors"
	"testing"

	"candidacy/internal/journey"
)

// TestDutiesDoneAtTheirTime: what the advocate ticked counts for their review as long as
// the review itself would be valid, and for nobody else's.
func TestDutiesDoneAtTheirTime(t *testing.T) {
	rules := journey.Rules{Version: "one", Requirements: []journey.RequirementRule{
		{ID: "assigned", Gate: journey.ForEvaluation, Evidence: journey.ByAssignment},
		{ID: "consent", Gate: journey.ForCommittee, Evidence: journey.ByConsent, Items: []journey.Item{{ID: "told"}}},
		{ID: "final", Gate: journey.ForCommittee, Evidence: journey.ByReview, Signer: journey.Advocate, ByAdvocate: true, ValidDays: 30, Items: []journey.Item{{ID: "explain"}, {ID: "free"}}},
	}}
	d := newDesk(t, journey.Referral, rules)
	assign := func(to string) {
		t.Helper()
		d.give(journey.AssignAdvocate, "cora", journey.Coordinator, func(c *journey.Command) { c.Person, c.Reasoned = to, true })
	}
	tick := func(on journey.Date, items ...string) func(*journey.Command) {
		return func(c *journey.Command) { c.Items, c.On, c.Verdict = items, on, journey.VerdictMet }
	}
	support := func(c *journey.Command) { c.Requirement, c.Position = "final", journey.Supports }
	refusal := func(actor string, fill func(*journey.Command)) *journey.Refusal {
		t.Helper()
		var r *journey.Refusal
		if err := journey.Check(d.rules, d.state, d.command(journey.ConfirmDuties, actor, journey.Advocate, fill)); !errors.As(err, &r) {
			t.Fatalf("accepted: %v", err)
		}
		return r
	}
	assign("adva")
	for _, tt := range []struct {
		name, actor string
		fill        func(*journey.Command)
		code        journey.RefusalCode
		field       string
	}{
		{"another advocate", "adil", tick("", "explain"), journey.Forbidden, ""},
		{"nothing", "adva", tick(""), journey.Invalid, "duties"},
		{"a disclosure", "adva", tick("", "told"), journey.Invalid, "duties"},
		{"what there is not", "adva", tick("", "explain", "none"), journey.Invalid, "duties"},
		{"a day ahead", "adva", tick("2026-03-03", "explain"), journey.Invalid, "on"},
		{"no verdict", "adva", func(c *journey.Command) { c.Items = []string{"explain"} }, journey.Invalid, "verdict"},
		{"taken back without a reason", "adva", func(c *journey.Command) { c.Items, c.Verdict = []string{"explain"}, journey.VerdictNotMet }, journey.Invalid, "reason"},
		{"nothing to take back", "adva", func(c *journey.Command) {
			c.Items, c.Verdict, c.Reasoned = []string{"explain"}, journey.VerdictNotMet, true
		}, journey.Blocked, ""},
	} {
		if r := refusal(tt.actor, tt.fill); r.Code != tt.code || r.Field != tt.field {
			t.Errorf("%s: %+v", tt.name, r)
		}
	}

	// One by one, the first before the evaluation.
	d.give(journey.ConfirmDuties, "adva", journey.Advocate, tick("2026-02-20", "explain"))
	d.state.Stage = journey.Evaluation
	if reasons := d.refused(journey.RecordReview, "adva", journey.Advocate, support); len(reasons) != 1 || reasons[0].Message != "free is not confirmed" {
		t.Errorf("with one of two: %v", reasons)
	}
	d.give(journey.ConfirmDuties, "adva", journey.Advocate, tick("", "free"))
	if got, _ := d.state.Duty("free"); got != (journey.Duty{ID: "free", By: "adva", On: d.today}) {
		t.Errorf("done as %+v", got)
	}
	kept := d.state
	d.give(journey.RecordReview, "adva", journey.Advocate, support)
	if r := d.requirement("final"); r.Status != journey.Met {
		t.Errorf("the review: %+v", r)
	}

	// Taken back, it is missing again; the review that stands is its author's to renew.
	d.state = kept
	d.give(journey.ConfirmDuties, "adva", journey.Advocate, func(c *journey.Command) {
		c.Items, c.Verdict, c.Reasoned = []string{"free"}, journey.VerdictNotMet, true
	})
	if reasons := d.refused(journey.RecordReview, "adva", journey.Advocate, support); reasons[0].Message != "free is not confirmed" {
		t.Errorf("after one is taken back: %v", reasons)
	}

	// The first counts for 30 days.
	d.state, d.today = kept, "2026-03-22"
	d.give(journey.RecordReview, "adva", journey.Advocate, support)
	d.state, d.today = kept, "2026-03-23"
	if reasons := d.refused(journey.RecordReview, "adva", journey.Advocate, support); len(reasons) != 1 || reasons[0].Message != "explain is not confirmed" {
		t.Errorf("after 31 days: %v", reasons)
	}

	// Another version of the rules keeps what it knows as a duty too.
	d.state, d.today = kept, "2026-03-02"
	to := journey.Rules{Version: "two", Requirements: []journey.RequirementRule{rules.Requirements[0],
		{ID: "final", Gate: journey.ForCommittee, Evidence: journey.ByReview, Signer: journey.Advocate, ByAdvocate: true, Items: []journey.Item{{ID: "free"}, {ID: "new"}}}}}
	moved := journey.Rebase(rules, to, d.state, journey.Event{Command: d.command(journey.MoveProtocol, "admi", journey.Administrator, nil)})
	if len(moved.Duties) != 1 || moved.Duties[0].ID != "free" || len(kept.Duties) != 2 {
		t.Errorf("after a move: %+v, before it %+v", moved.Duties, kept.Duties)
	}

	// Nobody does them for another.
	assign("adil")
	if len(d.state.Duties) != 0 {
		t.Errorf("another advocate has done %+v", d.state.Duties)
	}
}
