package journey_test

import (
	"slices"
	"strings"
	"testing"

	"candidacy/internal/journey"
)

// approveWith plays the way to an approval with conditions.
func approveWith(imposes ...journey.Imposition) *player {
	p := newPlayer().to(journey.Committee)
	p.decideWith(imposes...)
	return p
}

func (p *player) decideWith(imposes ...journey.Imposition) {
	p.must(journey.RecordDecision, journey.CommitteeRole, "committee", func(c *journey.Command) {
		seats(c)
		c.Outcome, c.Side, c.Imposes = journey.Approve, journey.Left, imposes
	})
}

func schedule(p *player) func(*journey.Command) {
	return func(c *journey.Command) { c.On = p.today.AddDays(10) }
}

// TestConditionsStopWhatTheyComeBefore: a condition before the day is set stops
// the planning, one before the operation stops the operation, each until its
// signer reviews it.
func TestConditionsStopWhatTheyComeBefore(t *testing.T) {
	p := approveWith(
		journey.Imposition{Gate: journey.ForScheduling, Due: "2026-01-25", Signer: journey.Clinician},
		journey.Imposition{Gate: journey.ForOperation, Due: "2026-01-30", Signer: journey.Advocate},
	)
	if p.status("condition-1") != journey.Due || p.status("condition-2") != journey.Due {
		t.Fatalf("%+v", p.state.Requirements)
	}
	blocks := func(r *journey.Refusal) string {
		var list []string
		for _, reason := range r.Reasons {
			list = append(list, reason.Requirement)
		}
		return strings.Join(list, " ")
	}
	if got := blocks(p.refused(t, journey.Schedule, journey.Coordinator, "coordinator", schedule(p))); got != "condition-1" {
		t.Errorf("planning waits for %q", got)
	}
	review := func(id string) func(*journey.Command) {
		return func(c *journey.Command) { c.Requirement, c.Position = id, journey.Supports }
	}
	if r := p.refused(t, journey.RecordReview, journey.Advocate, "advocate", review("condition-1")); r.Code != journey.Forbidden {
		t.Errorf("the advocate signs what a clinician has to: %v", r)
	}
	if r := p.refused(t, journey.RecordReview, journey.Advocate, "another", review("condition-2")); r.Code != journey.Forbidden {
		t.Errorf("another advocate signs: %v", r)
	}
	p.must(journey.RecordReview, journey.Clinician, "clinician", review("condition-1"))
	p.must(journey.Schedule, journey.Coordinator, "coordinator", schedule(p))
	if !slices.Contains(journey.Outstanding(p.rules, p.state), "condition-2") {
		t.Error("the operation does not wait for the second condition")
	}
	p.today = p.state.Planned
	p.must(journey.RecordConsent, journey.Clinician, "surgeon", func(c *journey.Command) { c.Requirement, c.Side = "consent-donation", journey.Left })
	p.must(journey.ConfirmLastCheck, journey.Clinician, "surgeon", nil)
	p.must(journey.ConfirmLastCheck, journey.Clinician, "clinician", nil)
	if got := blocks(p.refused(t, journey.BeginOperation, journey.Clinician, "surgeon", nil)); got != "condition-2" {
		t.Errorf("the operation waits for %q", got)
	}
	p.must(journey.RecordReview, journey.Advocate, "advocate", review("condition-2"))
	p.must(journey.BeginOperation, journey.Clinician, "surgeon", nil)
	if encode(journey.Fold(smallRules(), p.events)) != encode(p.state) {
		t.Error("the fold of the events is another state")
	}
}

// TestConditionIsWaivedByTwo: one person's waiver counts for nothing, the same
// person's second neither.
func TestConditionIsWaivedByTwo(t *testing.T) {
	p := approveWith(journey.Imposition{Gate: journey.ForScheduling, Due: "2026-01-25", Signer: journey.Clinician})
	waiver := func(c *journey.Command) {
		c.Requirement, c.Reasoned, c.On = "condition-1", true, p.today.AddDays(30)
	}
	p.must(journey.WaiveRequirement, journey.Clinician, "one", waiver)
	if p.status("condition-1") == journey.Waived {
		t.Fatal("one person waived it")
	}
	if r := p.refused(t, journey.WaiveRequirement, journey.Clinician, "one", waiver); !names(r, "two-people") {
		t.Errorf("%v", r)
	}
	p.must(journey.WaiveRequirement, journey.Clinician, "two", waiver)
	if p.status("condition-1") != journey.Waived {
		t.Fatal("two people did not waive it")
	}
	p.must(journey.Schedule, journey.Coordinator, "coordinator", schedule(p))
}

// TestConditionDueAndLapse: the day of a condition passes and is noticed once; with
// the approval its conditions go, and those of another number on.
func TestConditionDueAndLapse(t *testing.T) {
	p := approveWith(journey.Imposition{Gate: journey.ForScheduling, Due: "2026-01-25", Signer: journey.Clinician})
	fired := p.wait("2026-01-27")
	if !slices.Contains(fired, journey.Deadline{Kind: journey.ConditionDue, Subject: "condition-1", On: "2026-01-26"}) {
		t.Errorf("%v", fired)
	}
	for _, d := range journey.Deadlines(p.rules, p.state) {
		if d.Kind == journey.ConditionDue {
			t.Errorf("it passes again: %v", d)
		}
	}
	p.wait(p.state.Decision.Expires.AddDays(1))
	if p.state.Decision != nil || p.state.Stage != journey.Evaluation || p.status("condition-1") != journey.NotApplicable {
		t.Fatalf("the approval did not lapse with its condition: %+v", p.state)
	}
	// The results have expired meanwhile.
	p.record(p.results("again", p.today))
	p.sign()
	p.review("history", journey.Clinician, "clinician")
	p.review("psychosocial", journey.Clinician, "psychologist")
	p.review("advocate-final", journey.Advocate, "advocate")
	p.must(journey.PresentToCommittee, journey.Coordinator, "coordinator", nil)
	p.decideWith(journey.Imposition{Gate: journey.ForOperation, Due: p.today.AddDays(5), Signer: journey.Clinician})
	if p.status("condition-1") != journey.NotApplicable || p.status("condition-2") != journey.Due {
		t.Errorf("%+v", p.state.Requirements)
	}
	// A move to another version of the protocol knows nothing of conditions, and
	// leaves them.
	p.must(journey.MoveProtocol, journey.Administrator, "admin", func(c *journey.Command) { c.Version = "other" })
	if p.status("condition-1") != journey.NotApplicable || p.status("condition-2") != journey.Due {
		t.Errorf("after the move: %+v", p.state.Requirements)
	}
}

func TestConditionsAreChecked(t *testing.T) {
	good := journey.Imposition{Gate: journey.ForScheduling, Due: "2026-01-25", Signer: journey.Clinician}
	for field, change := range map[string]func(*journey.Imposition, *journey.Command){
		"conditions[0].before": func(i *journey.Imposition, _ *journey.Command) { i.Gate = journey.ForCommittee },
		"conditions[0].signer": func(i *journey.Imposition, _ *journey.Command) { i.Signer = journey.Coordinator },
		"conditions[0].due":    func(i *journey.Imposition, _ *journey.Command) { i.Due = "2026-01-05" },
		"conditions": func(_ *journey.Imposition, c *journey.Command) {
			c.Outcome, c.On, c.Reasoned = journey.Defer, "2026-02-01", true
		},
	} {
		p := newPlayer().to(journey.Committee)
		r := p.refused(t, journey.RecordDecision, journey.CommitteeRole, "committee", func(c *journey.Command) {
			seats(c)
			c.Outcome, c.Side = journey.Approve, journey.Left
			i := good
			change(&i, c)
			c.Imposes = []journey.Imposition{i}
		})
		if r.Field != field {
			t.Errorf("%s: %v", field, r)
		}
	}
}

// TestDecisionByMeeting: where the protocol wants it, no decision is taken outside
// a meeting, but for a journey that is entered after the fact.
func TestDecisionByMeeting(t *testing.T) {
	p := newPlayer().to(journey.Committee)
	p.rules.ByMeeting = true
	decision := func(meeting string) func(*journey.Command) {
		return func(c *journey.Command) {
			seats(c)
			c.Outcome, c.Side, c.Meeting = journey.Approve, journey.Left, meeting
		}
	}
	if r := p.refused(t, journey.RecordDecision, journey.CommitteeRole, "committee", decision("")); !names(r, "meeting") {
		t.Errorf("%v", r)
	}
	before := p.state
	p.must(journey.RecordDecision, journey.CommitteeRole, "committee", decision("m-1"))
	p.state = before
	p.state.BackEntry = true
	p.must(journey.RecordDecision, journey.CommitteeRole, "committee", decision(""))
}
