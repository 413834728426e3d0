package journey

import (
	"errors"
	"slices"
	"strings"
	"testing"
)

// TestVerification: two people verify a plan within the days before it; another
// day, another recipient or another blood type voids it, a test of the last days
// does not.
func TestVerification(t *testing.T) {
	rules := Rules{VerificationDays: 7, RecipientTyped: true, Readiness: []int{7, 1}}
	s := State{Stage: Scheduled, Planned: "2028-03-01", AsOf: "2028-02-20", RecipientTyped: true, BloodType: Agree}
	give := func(s State, kind Kind, actor string, today Date, mismatches ...string) (State, error) {
		c := Command{Kind: kind, Actor: actor, Role: Clinician, Today: today, On: "2028-03-02", Reasoned: true}
		if err := Check(rules, s, c); err != nil {
			return s, err
		}
		return Apply(rules, s, Event{Command: c, Seq: s.Seq + 1, Mismatches: mismatches}), nil
	}
	must := func(s State, err error) State {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	refused := func(rule string, err error) {
		t.Helper()
		var refusal *Refusal
		if !errors.As(err, &refusal) || len(refusal.Reasons) == 0 || refusal.Reasons[0].Rule != rule {
			t.Errorf("got %v, want a refusal by %s", err, rule)
		}
	}
	_, err := give(s, ConfirmVerification, "a", "2028-02-22")
	refused("verification-window", err)
	untyped := s
	untyped.RecipientTyped = false
	_, err = give(untyped, ConfirmVerification, "a", "2028-02-23")
	refused("recipient-typed", err)
	one := must(give(s, ConfirmVerification, "a", "2028-02-23"))
	_, err = give(one, ConfirmVerification, "a", "2028-02-23")
	refused("two-people", err)
	two := must(give(one, ConfirmVerification, "b", "2028-02-23"))
	if !two.Verification.Done() {
		t.Fatalf("after two readings: %+v", two.Verification)
	}
	// A second reading of another day is a first one.
	if other := must(give(one, ConfirmVerification, "b", "2028-02-24")); other.Verification.Done() {
		t.Error("readings of two days make one verification")
	}
	_, err = give(one, ConfirmLastCheck, "a", "2028-03-01")
	refused("verification", err)
	must(give(two, ConfirmLastCheck, "a", "2028-03-01"))

	stopped := must(give(one, ConfirmVerification, "b", "2028-02-23", "side"))
	_, err = give(stopped, ConfirmVerification, "b", "2028-02-23")
	refused("last-check-stopped", err)
	_, err = give(stopped, ConfirmLastCheck, "b", "2028-03-01")
	refused("last-check-stopped", err)
	if moved := Apply(rules, stopped, Event{Command: Command{Kind: Schedule, Today: "2028-02-23", On: "2028-03-02"}}); !moved.Verification.Stopped {
		t.Error("another day resolves a mismatch")
	}
	if solved := must(give(stopped, ResolveLastCheck, "c", "2028-02-23")); solved.Verification != (LastCheck{}) {
		t.Errorf("after the resolution: %+v", solved.Verification)
	}
	for name, e := range map[string]Event{
		"another day":        {Command: Command{Kind: Schedule, Today: "2028-02-24", On: "2028-03-02"}},
		"another recipient":  {Command: Command{Kind: RecordRecipient, Today: "2028-02-24"}},
		"another blood type": {Command: Command{Kind: RecordResults, Today: "2028-02-24"}, Assessment: &Assessment{BloodType: Disagree}},
		"a withdrawal":       {Command: Command{Kind: Withdraw, Today: "2028-02-24"}},
	} {
		if after := Apply(rules, two, e); after.Verification.Done() {
			t.Errorf("%s leaves the verification standing", name)
		}
	}
	tests := rules
	tests.Requirements = []RequirementRule{{ID: "hiv", Gate: ForOperation, Evidence: ByResult}, {ID: "images", Gate: ForCommittee, Evidence: ByResult}}
	two.Requirements = []Requirement{{ID: "hiv", Status: Due}, {ID: "images", Status: Met, Evidence: "x"}}
	found := func(images string) Event {
		return Event{Command: Command{Kind: RecordResults, Today: "2028-02-24"}, Assessment: &Assessment{BloodType: Agree, Findings: []Finding{
			{Requirement: "hiv", Evidence: "y", Collected: "2028-02-24"}, {Requirement: "images", Evidence: images, Collected: "2028-01-01"},
		}}}
	}
	if after := Apply(tests, two, found("x")); !after.Verification.Done() {
		t.Error("a test of the last days voids the verification")
	}
	if after := Apply(tests, two, found("z")); after.Verification.Done() {
		t.Error("another image report leaves the verification standing")
	}
}

// TestReadiness: what a plan lacks is recorded on the days before it, by the
// calendar of the plan that stands.
func TestReadiness(t *testing.T) {
	rules := Rules{
		Readiness: []int{28, 7, 1, 0}, Timers: Timers{NewDateDays: 5},
		Requirements: []RequirementRule{{ID: "hiv", Gate: ForOperation, Evidence: ByResult}},
	}
	s := State{Stage: Scheduled, Planned: "2028-03-01", AsOf: "2028-02-10", Requirements: []Requirement{{ID: "hiv", Status: Due}}}
	days := func(events []Event) []string {
		var list []string
		for _, e := range events {
			for _, d := range e.Fired {
				list = append(list, string(e.Today)+" "+d.Subject+" "+strings.Join(e.Outstanding, ","))
			}
		}
		return list
	}
	events, after := Passed(rules, s, Moment{On: "2028-03-05"})
	if got, want := days(events), []string{"2028-02-23 7 hiv", "2028-02-29 1 hiv", "2028-03-01 0 hiv"}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if again, _ := Passed(rules, after, Moment{On: "2028-03-05"}); len(again) != 0 {
		t.Errorf("they fire again: %v", again)
	}
	moved := Apply(rules, s, Event{Command: Command{Kind: Schedule, Today: "2028-02-25", On: "2028-03-20"}})
	events, _ = Passed(rules, moved, Moment{On: "2028-03-21"})
	if got, want := days(events), []string{"2028-03-13 7 hiv", "2028-03-19 1 hiv", "2028-03-20 0 hiv"}; !slices.Equal(got, want) {
		t.Errorf("after a move: %v, want %v", got, want)
	}
	// Cancelled on Friday 25 February: five working days end on Friday 3 March.
	cancelled := Apply(rules, s, Event{Command: Command{Kind: CancelOperation, Today: "2028-02-25"}})
	events, _ = Passed(rules, cancelled, Moment{On: "2028-03-10"})
	if len(events) != 1 || events[0].Fired[0] != (Deadline{Kind: NewDateDue, On: "2028-03-04"}) {
		t.Errorf("after a cancellation: %+v", events)
	}
	// Nobody waits for another day of an approval that has lapsed, nor after a hold.
	cancelled.Decision = &Decision{Outcome: Approve, Expires: "2028-02-27"}
	lapsed := Apply(rules, cancelled, Event{Command: Command{Kind: Elapse, Today: "2028-02-28"}, Fired: []Deadline{{Kind: ApprovalLapses, On: "2028-02-28"}}})
	held := Apply(rules, cancelled, Event{Command: Command{Kind: Hold, Today: "2028-02-28"}})
	for name, s := range map[string]State{
		"approved again": Apply(rules, lapsed, Event{Command: Command{Kind: RecordDecision, Today: "2028-04-01", Outcome: Approve}}),
		"resumed":        Apply(rules, held, Event{Command: Command{Kind: Resume, Today: "2028-04-01"}}),
	} {
		for _, d := range Deadlines(rules, s) {
			if s.Stage != Approved || d.Kind == NewDateDue {
				t.Errorf("%s: in %s with %+v", name, s.Stage, d)
			}
		}
	}
}
