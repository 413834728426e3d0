package journey_test

import (
	"reflect"
	"testing"

	"candidacy/internal/journey"
)

func ended(outcome journey.Outcome, reasoned bool) func(*journey.Command) {
	return func(c *journey.Command) {
		c.Outcome, c.Reasoned = outcome, reasoned
		if outcome == journey.Removed {
			c.Side = journey.Left
		}
	}
}

func TestOperationIsRefused(t *testing.T) {
	for _, tt := range []struct {
		name  string
		stage journey.Stage
		kind  journey.Kind
		fill  func(*player, *journey.Command)
		field string
	}{
		{"a fate that is none", journey.Operation, journey.RecordOperation, func(_ *player, c *journey.Command) {
			c.Outcome, c.Side, c.Fate = journey.Removed, journey.Left, "lost"
		}, "kidney.fate"},
		{"a fate of nothing", journey.Operation, journey.RecordOperation, func(_ *player, c *journey.Command) {
			c.Outcome, c.Fate = journey.StoppedNotRemoved, journey.FateImplanted
		}, "kidney.fate"},
		{"an amendment without a reason", journey.Recovery, journey.AmendOperation, func(_ *player, c *journey.Command) {
			c.Outcome, c.Side = journey.Removed, journey.Left
		}, "reason"},
		{"an amendment without an outcome", journey.FollowUp, journey.AmendOperation, func(_ *player, c *journey.Command) { c.Reasoned = true }, "outcome"},
		{"a complication without a day", journey.Operation, journey.RecordComplication, nil, "on"},
		{"a complication before the operation", journey.Recovery, journey.RecordComplication, func(p *player, c *journey.Command) { c.On = p.state.Operated.AddDays(-1) }, "on"},
		{"a complication to come", journey.Recovery, journey.RecordComplication, func(p *player, c *journey.Command) { c.On = p.today.AddDays(1) }, "on"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := newPlayer().to(tt.stage)
			r := p.refused(t, tt.kind, journey.Clinician, "surgeon", func(c *journey.Command) {
				if tt.fill != nil {
					tt.fill(p, c)
				}
			})
			if r.Field != tt.field || r.Code != journey.Invalid {
				t.Errorf("refused with %+v, want %s", r, tt.field)
			}
		})
	}
}

// TestEveryFateIsKnown: the coded part takes each and no other.
func TestEveryFateIsKnown(t *testing.T) {
	for _, fate := range journey.Fates {
		p := newPlayer().to(journey.Operation)
		p.must(journey.RecordOperation, journey.Clinician, "surgeon", func(c *journey.Command) {
			c.Outcome, c.Side, c.Fate = journey.Removed, journey.Right, fate
		})
		// Follow-up is owed by removal, whatever became of the kidney (OPTN
		// policies 14 and 18, from memory).
		if len(p.state.Visits) == 0 {
			t.Errorf("a kidney that was %s owes no follow-up", fate)
		}
	}
}

// TestAnAmendedOutcomeMovesFollowUp: a donor recorded as none by mistake gets
// the visits of a donor, and visits that took place stay in either case.
func TestAnAmendedOutcomeMovesFollowUp(t *testing.T) {
	p := newPlayer().to(journey.Operation)
	p.must(journey.RecordOperation, journey.Clinician, "surgeon", ended(journey.StoppedNotRemoved, false))
	if len(p.state.Visits) != 0 {
		t.Fatal("a stopped operation owes visits")
	}
	p.must(journey.AmendOperation, journey.Clinician, "surgeon", ended(journey.Removed, true))
	owed := len(p.state.Visits)
	if owed == 0 || p.state.Outcome != journey.Removed || p.state.Stage != journey.Recovery {
		t.Fatalf("after the amendment: %+v", p.state)
	}
	before := p.state.Visits
	p.must(journey.AmendOperation, journey.Clinician, "surgeon", ended(journey.Removed, true))
	for i, v := range p.state.Visits {
		if !reflect.DeepEqual(v, before[i]) {
			t.Errorf("%s changed with an amendment of something else", v.ID)
		}
	}
	p.today = p.today.AddDays(7)
	p.must(journey.RecordVisit, journey.Coordinator, "coordinator", func(c *journey.Command) { c.Visit, c.Outcome = "week-1", journey.Seen })
	p.must(journey.AmendOperation, journey.Clinician, "surgeon", ended(journey.StoppedNotRemoved, true))
	if len(p.state.Visits) != 1 || p.state.Visits[0].ID != "week-1" || p.state.Outcome != journey.StoppedNotRemoved {
		t.Errorf("after taking the removal back: %+v", p.state.Visits)
	}
	p.must(journey.AmendOperation, journey.Clinician, "surgeon", ended(journey.Removed, true))
	if len(p.state.Visits) != owed || p.state.Visits[0].Status != journey.VisitDone {
		t.Errorf("after all: %+v", p.state.Visits)
	}
}

// TestAComplicationChangesNothing of where a candidate stands.
func TestAComplicationChangesNothing(t *testing.T) {
	for _, stage := range []journey.Stage{journey.Operation, journey.Recovery, journey.FollowUp} {
		p := newPlayer().to(stage)
		before := p.state
		p.must(journey.RecordComplication, journey.Clinician, "surgeon", func(c *journey.Command) { c.On = p.state.Operated })
		if p.state.Stage != before.Stage || len(p.state.Visits) != len(before.Visits) || p.state.Outcome != before.Outcome {
			t.Errorf("in %s: %+v", stage, p.state)
		}
	}
}
