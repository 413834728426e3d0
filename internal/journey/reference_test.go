package journey_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/journey"
)

// reference is the process in small, written from requirements 9.1, 9.2 and 5.2:
// where a candidate stands, what is planned, who has read which check, and whether
// a mismatch waits. It knows no requirements, results or flags: those may only hold
// up what is legal by it, never allow what is not.
type reference struct {
	stage, resume journey.Stage
	planned       journey.Date
	// verified and checked are the readings of the two checks, on their day.
	verified, checked readings
	stopped           bool
	removed           bool
}

// readings are those who read every line of a check with nothing amiss.
type readings struct {
	by []string
	on journey.Date
}

func (r readings) complete() bool { return len(r.by) == 2 && r.by[0] != r.by[1] }

// add takes a reading: a first one of another day starts anew.
func (r readings) add(who string, on journey.Date) readings {
	if r.on != on || len(r.by) == 2 {
		return readings{[]string{who}, on}
	}
	return readings{append(slices.Clone(r.by), who), on}
}

const (
	team    = "coordinator clinician"
	anybody = "coordinator clinician advocate"
)

// before are the stages in which anaesthesia has not begun.
var before = []journey.Stage{
	journey.Referral, journey.Screening, journey.Evaluation, journey.Committee, journey.Approved, journey.Scheduled, journey.OnHold, journey.Deferred,
}

// after are those of the operation and what comes after it.
var after = []journey.Stage{journey.Operation, journey.Recovery, journey.FollowUp}

// places says who may give a command where.
var places = map[journey.Kind]struct {
	roles  string
	stages []journey.Stage
}{
	journey.BeginScreening:      {"coordinator", before[:1]},
	journey.BeginEvaluation:     {"coordinator", []journey.Stage{journey.Screening}},
	journey.PresentToCommittee:  {"coordinator", []journey.Stage{journey.Evaluation}},
	journey.RecordDecision:      {"committee", []journey.Stage{journey.Committee}},
	journey.RecordRecipient:     {team, before[1:]},
	journey.Schedule:            {"coordinator", []journey.Stage{journey.Approved, journey.Scheduled}},
	journey.CancelOperation:     {anybody, []journey.Stage{journey.Scheduled}},
	journey.ConfirmVerification: {team, []journey.Stage{journey.Scheduled}},
	journey.ConfirmLastCheck:    {"clinician", []journey.Stage{journey.Scheduled}},
	journey.ResolveLastCheck:    {"clinician", []journey.Stage{journey.Scheduled}},
	journey.BeginOperation:      {"clinician", []journey.Stage{journey.Scheduled}},
	journey.RecordOperation:     {"clinician", after[:1]},
	journey.AmendOperation:      {"clinician", after[1:]},
	journey.RecordComplication:  {"clinician", after},
	journey.CompleteRecovery:    {team, []journey.Stage{journey.Recovery}},
	journey.RecordVisit:         {team, after[1:]},
	journey.RecordContact:       {team, after[1:]},
	journey.Close:               {"coordinator", []journey.Stage{journey.FollowUp}},
	journey.Withdraw:            {anybody, before},
	journey.RecordDeath:         {team, before},
	journey.ReportEvent:         {team, after},
	journey.CloseReport:         {team, after},
	journey.RetractReport:       {team, after},
	journey.Hold:                {anybody, before[:6]},
	journey.Resume:              {"coordinator", []journey.Stage{journey.OnHold, journey.Deferred}},
}

// allows reports whether the reference lets a command through, as far as it knows
// the command.
func (r *reference) allows(c journey.Command) bool {
	if _, ok := places[c.Kind]; !ok {
		return true
	}
	if !r.places(c) {
		return false
	}
	switch c.Kind {
	case journey.ConfirmVerification:
		return !r.stopped && !c.Today.Before(r.planned.AddDays(-7)) && !r.planned.Before(c.Today) && !(r.verified.on == c.Today && slices.Contains(r.verified.by, c.Actor))
	case journey.ConfirmLastCheck:
		return !r.stopped && c.Today == r.planned && r.verified.complete() && !(r.checked.on == c.Today && slices.Contains(r.checked.by, c.Actor))
	case journey.ResolveLastCheck:
		return r.stopped
	case journey.BeginOperation:
		return !r.stopped && r.checked.complete() && r.checked.on == c.Today
	default:
		return true
	}
}

// take follows a command that was accepted.
func (r *reference) take(c journey.Command, mismatches []string) {
	unplan := func() {
		r.planned, r.verified, r.checked = "", readings{}, readings{}
	}
	switch c.Kind {
	case journey.BeginScreening:
		r.stage = journey.Screening
	case journey.BeginEvaluation:
		r.stage = journey.Evaluation
	case journey.PresentToCommittee:
		r.stage = journey.Committee
	case journey.RecordDecision:
		r.stage = map[journey.Outcome]journey.Stage{
			journey.Approve: journey.Approved, journey.Defer: journey.Deferred, journey.DeclineCandidate: journey.Declined,
		}[c.Outcome]
	case journey.Schedule:
		unplan()
		r.stage, r.planned = journey.Scheduled, c.On
	case journey.CancelOperation:
		unplan()
		r.stage = journey.Approved
	case journey.RecordRecipient:
		r.verified, r.checked = readings{}, readings{}
	case journey.ConfirmVerification:
		if r.verified = r.verified.add(c.Actor, c.Today); len(mismatches) > 0 {
			r.stopped, r.verified = true, readings{}
		}
	case journey.ConfirmLastCheck:
		if r.checked = r.checked.add(c.Actor, c.Today); len(mismatches) > 0 {
			r.stopped, r.checked = true, readings{}
		}
	case journey.ResolveLastCheck:
		r.stopped, r.verified, r.checked = false, readings{}, readings{}
	case journey.BeginOperation:
		r.stage = journey.Operation
	case journey.RecordOperation:
		r.stage, r.removed = journey.Recovery, c.Outcome == journey.Removed
	case journey.AmendOperation:
		r.removed = c.Outcome == journey.Removed
	case journey.CompleteRecovery:
		if r.stage = journey.Closed; r.removed {
			r.stage = journey.FollowUp
		}
	case journey.Close:
		r.stage = journey.Closed
	case journey.Withdraw:
		r.stage = journey.Withdrawn
	case journey.Decline:
		r.stage = journey.Declined
	case journey.RecordDeath:
		r.stage = journey.Deceased
	case journey.Hold:
		r.resume = r.stage
		if r.stage == journey.Scheduled {
			unplan()
			r.resume = journey.Approved
		}
		r.stage = journey.OnHold
	case journey.Resume:
		if r.stage == journey.Deferred {
			r.stage = journey.Evaluation
		} else {
			r.stage = r.resume
		}
		r.resume = ""
	}
}

// TestAgainstTheReference walks random commands, legal and not, with the process
// and with the reference side by side: what the reference forbids is refused, what
// is accepted leads where the reference goes, and a refusal of what it allows has
// its reason in requirements, dates or fields, and not in the place.
func TestAgainstTheReference(t *testing.T) {
	reached := map[journey.Stage]int{}
	rapid.Check(t, func(t *rapid.T) {
		p := newPlayer()
		p.rules.VerificationDays, p.rules.RecipientTyped, p.rules.Readiness = 7, true, []int{7, 1, 0}
		r := &reference{stage: journey.Referral}
		for range rapid.IntRange(10, 120).Draw(t, "steps") {
			p.elapse()
			r.follow(p.state)
			c, a, mismatches := p.drawPlanned(t)
			if c.Kind == journey.Elapse || c.Kind == journey.MoveProtocol {
				continue // the rules of this walk stay as they are
			}
			p.elapse()
			r.follow(p.state)
			err := journey.Check(p.rules, p.state, c)
			var refusal *journey.Refusal
			switch {
			case err == nil && !r.allows(c):
				t.Fatalf("%s by %s is accepted in %+v", c.Kind, c.Role, *r)
			case errors.As(err, &refusal) && (refusal.Code == journey.NotAllowed || refusal.Code == journey.Forbidden) && c.Requirement == "" && len(c.Requirements) == 0 && r.places(c):
				t.Fatalf("%s by %s is refused in the stage %s: %v", c.Kind, c.Role, r.stage, err)
			case err != nil:
				continue
			}
			p.commit(c, a, mismatches)
			r.take(c, mismatches)
			r.follow(p.state)
			if p.state.Stage != r.stage || p.state.Planned != r.planned && r.stage == journey.Scheduled {
				t.Fatalf("after %s the candidate is in %s with the day %q, want %s with %q", c.Kind, p.state.Stage, p.state.Planned, r.stage, r.planned)
			}
			if stopped := p.state.Verification.Stopped || p.state.LastCheck.Stopped; stopped != r.stopped && r.stage == journey.Scheduled {
				t.Fatalf("after %s a mismatch waits: %t, want %t", c.Kind, stopped, r.stopped)
			}
			reached[r.stage]++
		}
	})
	// A walk that never gets anywhere would prove nothing.
	for _, stage := range []journey.Stage{journey.Scheduled, journey.OnHold, journey.Withdrawn, journey.Operation, journey.Recovery} {
		if reached[stage] == 0 {
			t.Errorf("no random walk reached %s", stage)
		}
	}
}

// places reports whether the reference knows the command in this place.
func (r *reference) places(c journey.Command) bool {
	place, ok := places[c.Kind]
	return ok && slices.Contains(place.stages, r.stage) && slices.Contains(strings.Fields(place.roles), string(c.Role))
}

// follow takes over what comes from outside the reference: an approval that lapsed
// or fell with a result, checks that a result voided, and a death whose report is
// closed.
func (r *reference) follow(s journey.State) {
	fell := s.Decision == nil && s.Stage == journey.Evaluation && (r.stage == journey.Approved || r.stage == journey.Scheduled)
	if fell {
		r.stage, r.planned, r.verified, r.checked = journey.Evaluation, "", readings{}, readings{}
	}
	if r.stage == journey.OnHold && s.Stage == journey.OnHold && s.Resume == journey.Evaluation && r.resume == journey.Approved {
		r.resume = journey.Evaluation
	}
	if s.Died != "" && s.Stage == journey.Closed && len(s.OpenReports()) == 0 && slices.Contains(after, r.stage) {
		r.stage = journey.Closed
	}
	if !s.Verification.Stopped && s.Verification.First == "" {
		r.verified = readings{}
	}
	if !s.LastCheck.Stopped && s.LastCheck.First == "" {
		r.checked = readings{}
	}
}

// elapse lets every deadline of the day pass.
func (p *player) elapse() {
	events, after := journey.Passed(p.rules, p.state, journey.Moment{On: p.today})
	p.events, p.state = append(p.events, events...), after
}

// drawPlanned is draw with what a verified plan needs beside it.
func (p *player) drawPlanned(t *rapid.T) (journey.Command, *journey.Assessment, []string) {
	s := p.state
	if s.Stage == journey.Scheduled && rapid.IntRange(0, 3).Draw(t, "plan") > 0 {
		mismatched := func() []string {
			if rapid.IntRange(0, 9).Draw(t, "mismatch") == 0 {
				return []string{"side"}
			}
			return nil
		}
		who := rapid.SampledFrom([]string{"surgeon", "clinician"}).Draw(t, "who")
		switch {
		case !s.RecipientTyped:
			return p.command(journey.RecordRecipient, journey.Clinician, who), nil, nil
		case s.Verification.Stopped || s.LastCheck.Stopped:
			c := p.command(journey.ResolveLastCheck, journey.Clinician, who)
			c.Reasoned = rapid.Bool().Draw(t, "reasoned")
			return c, nil, nil
		case !s.Verification.Done():
			return p.command(journey.ConfirmVerification, journey.Clinician, who), nil, mismatched()
		case s.Planned == p.today && !s.LastCheck.Complete(p.today):
			return p.command(journey.ConfirmLastCheck, journey.Clinician, who), nil, mismatched()
		}
	}
	return p.draw(t)
}
