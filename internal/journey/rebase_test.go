package journey_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/journey"
)

// moved is the event of a move with everything that follows from it.
func moved(from, to journey.Rules, s journey.State, today journey.Date, a *journey.Assessment) journey.Event {
	e := journey.Event{
		Command: journey.Command{ID: "move", Candidate: s.Candidate, Kind: journey.MoveProtocol, Role: journey.Administrator, Version: to.Version, Today: today},
		Seq:     s.Seq + 1, Rules: &to, Assessment: a,
	}
	e.Fired = journey.DueBy(to, journey.Rebase(from, to, s, e), dayOf(today))
	return e
}

func TestMoveIsRefused(t *testing.T) {
	p := newPlayer()
	for version, code := range map[string]journey.RefusalCode{"": journey.Invalid, "test": journey.Conflict} {
		var refusal *journey.Refusal
		err := journey.Check(p.rules, p.state, journey.Command{Kind: journey.MoveProtocol, Role: journey.Administrator, Version: version})
		if !errors.As(err, &refusal) || refusal.Code != code || refusal.Field != "version" {
			t.Errorf("a move to %q is answered %v", version, err)
		}
	}
}

// TestMoveToTheSameRulesChangesNothing moves a candidate in each stage to a
// version that differs in nothing.
func TestMoveToTheSameRulesChangesNothing(t *testing.T) {
	for _, stage := range []journey.Stage{
		journey.Referral, journey.Screening, journey.Evaluation, journey.Committee, journey.Approved, journey.Scheduled,
		journey.Operation, journey.Recovery, journey.FollowUp,
	} {
		p := newPlayer().to(stage)
		var last *journey.Assessment
		for _, e := range p.events {
			if e.Assessment != nil {
				last = e.Assessment
			}
		}
		if last == nil {
			last = &journey.Assessment{BloodType: journey.Incomplete}
		}
		same := smallRules()
		same.Version = "same"
		after := journey.Apply(p.rules, p.state, moved(p.rules, same, p.state, p.today, last))
		want := p.state
		want.Seq++
		if encode(after) != encode(want) {
			t.Errorf("%s\n got %s\nwant %s", stage, encode(after), encode(want))
		}
	}
}

// TestRebase looks at each way in which a requirement is carried over.
func TestRebase(t *testing.T) {
	p := newPlayer().to(journey.Approved)
	collected := p.today
	today := p.today.AddDays(20)
	change := func(id string, fn func(*journey.RequirementRule)) journey.Rules {
		to := smallRules()
		to.Version = "next"
		for i := range to.Requirements {
			if to.Requirements[i].ID == id {
				fn(&to.Requirements[i])
			}
		}
		return to
	}
	for _, tt := range []struct {
		name, id string
		change   func(*journey.RequirementRule)
		assess   func(*journey.Assessment)
		want     journey.Status
		until    journey.Date
	}{
		{"as it was", "creatinine", func(*journey.RequirementRule) {}, nil, journey.Met, collected.AddDays(100)},
		{"a longer window", "creatinine", func(r *journey.RequirementRule) { r.ValidDays = 300 }, nil, journey.Met, collected.AddDays(300)},
		{"no window", "creatinine", func(r *journey.RequirementRule) { r.ValidDays = 0 }, nil, journey.Met, ""},
		{"a window that has passed", "creatinine", func(r *journey.RequirementRule) { r.ValidDays = 10 }, nil, journey.Expired, collected.AddDays(10)},
		{"a review whose window has passed", "history", func(r *journey.RequirementRule) { r.ValidDays = 10 }, nil, journey.Expired, collected.AddDays(10)},
		{"another signer", "creatinine", func(r *journey.RequirementRule) { r.Signer = journey.Coordinator }, nil, journey.Resulted, collected.AddDays(100)},
		{"another reviewer", "history", func(r *journey.RequirementRule) { r.Signer = journey.Advocate }, nil, journey.Due, ""},
		{"a review where results were", "creatinine", func(r *journey.RequirementRule) { r.Evidence = journey.ByReview }, nil, journey.Due, ""},
		{"results where a review was", "history", func(r *journey.RequirementRule) { r.Evidence = journey.ByResult }, nil, journey.Due, ""},
		{"a new flag on a review", "history", func(*journey.RequirementRule) {}, func(a *journey.Assessment) {
			a.Flags = append(a.Flags, journey.Flag{ID: "age", Requirement: "history", Band: journey.Discussion})
		}, journey.Due, ""},
		{"another id", "history", func(r *journey.RequirementRule) { r.ID = "medical-history" }, nil, "", ""},
		{"another id of the assignment", "advocate-assigned", func(r *journey.RequirementRule) { r.ID = "advocate" }, nil, "", ""},
		{"only by the advocate", "psychosocial", func(r *journey.RequirementRule) { r.ByAdvocate = true }, nil, journey.Due, ""},
		{"a consent with a side", "consent-evaluation", func(r *journey.RequirementRule) { r.Sided = true }, nil, journey.Due, ""},
		{"only while flagged, and signed", "acr", func(r *journey.RequirementRule) { r.WhenFlagged = []string{"hiv"} }, nil, journey.Met, collected.AddDays(365)},
		{"two signatures, where one is enough", "creatinine", func(r *journey.RequirementRule) { r.SecondSignature = true }, nil, journey.Met, collected.AddDays(100)},
		{"a line more to confirm", "consent-evaluation", func(r *journey.RequirementRule) { r.Items = []journey.Item{{ID: "costs"}} }, nil, journey.Due, ""},
		{"a new flag", "creatinine", func(*journey.RequirementRule) {}, func(a *journey.Assessment) { a.Flags[0].Band = journey.Discussion }, journey.NeedsReview, collected.AddDays(100)},
		{"other results", "creatinine", func(*journey.RequirementRule) {}, func(a *journey.Assessment) { a.Findings[0].Evidence = "other" }, journey.Resulted, collected.AddDays(100)},
		{"no result that it names", "creatinine", func(*journey.RequirementRule) {}, func(a *journey.Assessment) { a.Findings = a.Findings[1:] }, journey.Due, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			to := change(tt.id, tt.change)
			a := p.results("first", collected)
			if tt.assess != nil {
				tt.assess(a)
			}
			before := encode(p.state)
			after := journey.Rebase(p.rules, to, p.state, moved(p.rules, to, p.state, today, a))
			if encode(p.state) != before {
				t.Error("the state that was given is changed")
			}
			r, ok := after.Find(tt.id)
			if ok != (tt.want != "") || r.Status != tt.want || r.ValidUntil != tt.until {
				t.Errorf("got %+v, want %s until %s", r, tt.want, tt.until)
			}
			if after.Stage != journey.Approved || encode(after.Decision) != encode(p.state.Decision) {
				t.Errorf("the approval changed: %s %+v", after.Stage, after.Decision)
			}
			if r, ok := after.Find("advocate"); ok && r.Status != journey.Met {
				t.Errorf("the assignment of the advocate is lost: %+v", r)
			}
		})
	}
}

func TestRebaseOfVisits(t *testing.T) {
	p := newPlayer().to(journey.FollowUp)
	operated := p.state.Operated
	to := otherRules()
	to.Visits = append(to.Visits, journey.VisitRule{ID: "day-2", AfterDays: 2, ClosesAfter: 1})
	windows := func(s journey.State) (list []string) {
		for _, v := range s.Visits {
			list = append(list, fmt.Sprintf("%s %s %d-%d", v.ID, v.Status, operated.DaysUntil(v.Opens), operated.DaysUntil(v.Closes)))
		}
		return list
	}
	today := operated.AddMonths(6)
	_, p.state = journey.Passed(p.rules, p.state, dayOf(today))
	e := moved(p.rules, to, p.state, today, &journey.Assessment{BloodType: journey.Agree})
	after := journey.Apply(p.rules, p.state, e)
	year := operated.AddMonths(12)
	want := []string{
		"week-1 done 4-14", // settled; the window stays
		fmt.Sprintf("year-1 ahead %d-%d", operated.DaysUntil(year)-60, operated.DaysUntil(year)+20),
	}
	if got := windows(after); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if len(journey.DueBy(to, after, dayOf(today))) > 0 {
		t.Errorf("deadlines are left: %v", journey.DueBy(to, after, dayOf(today)))
	}
	for _, r := range after.Requirements {
		if before, ok := p.state.Find(r.ID); ok && r != before || !ok && r.Status != journey.NotApplicable {
			t.Errorf("after the operation a requirement changed: %+v", r)
		}
	}
}

// TestMoveFiresWhatHasPassed: a stage that is late by the new timers says so
// with the move, once.
func TestMoveFiresWhatHasPassed(t *testing.T) {
	p := newPlayer().to(journey.Evaluation)
	today := p.today.AddDays(40)
	to := otherRules()
	e := moved(p.rules, to, p.state, today, &journey.Assessment{BloodType: journey.Incomplete})
	late := journey.Deadline{Kind: journey.EvaluationDue, On: p.state.Since.AddDays(31)}
	if !slices.Equal(e.Fired, []journey.Deadline{late}) {
		t.Errorf("fired %+v", e.Fired)
	}
	after := journey.Apply(p.rules, p.state, e)
	if events, _ := journey.Passed(to, after, dayOf(today)); len(events) > 0 {
		t.Errorf("it passes again: %+v", events)
	}
}

// drawRules changes rules in any way.
func drawRules(t *rapid.T, from journey.Rules) journey.Rules {
	to := from
	to.Version = "drawn"
	to.Requirements, to.Visits = nil, slices.Clone(from.Visits)
	flip := func(name string) bool { return rapid.IntRange(0, 4).Draw(t, name) == 0 }
	for _, rule := range from.Requirements {
		if flip("drop") {
			continue
		}
		if flip("window") {
			rule.ValidDays = rapid.SampledFrom([]int{0, 5, 40, 1000}).Draw(t, "days")
		}
		if flip("kind") {
			rule.Evidence = rapid.SampledFrom([]journey.Evidence{journey.ByResult, journey.ByReview, journey.ByConsent, journey.ByAssignment}).Draw(t, "evidence kind")
		}
		if flip("signer") {
			rule.Signer = rapid.SampledFrom([]journey.Role{journey.Clinician, journey.Coordinator, journey.Advocate}).Draw(t, "role")
		}
		if flip("gate") {
			rule.Gate = rapid.SampledFrom([]journey.Gate{journey.ForEvaluation, journey.ForCommittee, journey.ForScheduling, journey.ForOperation}).Draw(t, "to gate")
		}
		rule.NoWaiver = rule.NoWaiver != flip("waiver")
		rule.Sided = rule.Sided != flip("sided")
		rule.ByAdvocate = rule.ByAdvocate != flip("by advocate")
		rule.Conditional = flip("conditional")
		rule.SecondSignature = rule.SecondSignature != flip("two signatures")
		if flip("line") {
			rule.Items = append(slices.Clone(rule.Items), journey.Item{ID: "new-line"})
		}
		if rule.Evidence == journey.ByResult && flip("flagged") {
			rule.WhenFlagged = []string{"acr"}
		}
		to.Requirements = append(to.Requirements, rule)
	}
	for i := range rapid.IntRange(0, 3).Draw(t, "new") {
		to.Requirements = append(to.Requirements, journey.RequirementRule{
			ID: fmt.Sprintf("new-%d", i), Gate: journey.ForCommittee, Signer: journey.Clinician, ValidDays: 30,
			Evidence: rapid.SampledFrom([]journey.Evidence{journey.ByResult, journey.ByReview, journey.ByConsent, journey.ByAssignment}).Draw(t, "new evidence"),
		})
	}
	return to
}

// TestRebaseSatisfiesNothingByItself: whatever the new rules are, a requirement
// is in force after a move only when the new rules would take what it stands on.
func TestRebaseSatisfiesNothingByItself(t *testing.T) {
	kept := 0
	rapid.Check(t, func(t *rapid.T) {
		p := newPlayer()
		for range rapid.IntRange(1, 60).Draw(t, "commands") {
			if c, assessment, mismatches := p.draw(t); journey.Check(p.rules, p.state, c) == nil {
				p.commit(c, assessment, mismatches)
			}
		}
		today := p.today.AddDays(rapid.IntRange(0, 60).Draw(t, "later"))
		_, s := journey.Passed(p.rules, p.state, dayOf(today))
		if s.Stage.Ended() {
			return
		}
		to := drawRules(t, p.rules)
		drawn := *p
		drawn.rules = to
		a := drawn.drawAssessment(t)
		for i, f := range a.Findings { // often the very results that were signed
			if r, _ := s.Find(f.Requirement); r.Evidence != "" && rapid.Bool().Draw(t, "same results") {
				a.Findings[i].Evidence, a.Findings[i].Collected = r.Evidence, r.Collected
			}
		}
		if rapid.Bool().Draw(t, "same flags") {
			a.Flags = slices.Clone(s.Flags)
		}
		if rapid.IntRange(0, 2).Draw(t, "flag on a review") == 0 {
			a.Flags = append(a.Flags, journey.Flag{ID: "age", Requirement: "history", Band: journey.Discussion})
		}
		for _, rule := range to.Requirements {
			if rule.Conditional {
				a.Conditions = append(a.Conditions, journey.Condition{
					Requirement: rule.ID, Holds: rapid.SampledFrom([]journey.Holding{journey.HoldsYes, journey.HoldsNo, journey.HoldsUnknown}).Draw(t, "holds"),
				})
			}
		}
		after := journey.Apply(p.rules, s, moved(p.rules, to, s, today, a))
		if left := journey.DueBy(to, after, dayOf(today)); len(left) > 0 {
			t.Fatalf("deadlines are left: %+v", left)
		}
		if len(after.Requirements) != len(to.Requirements) {
			t.Fatalf("%d requirements for %d rules", len(after.Requirements), len(to.Requirements))
		}
		for i, rule := range to.Requirements {
			if after.Requirements[i].ID != rule.ID {
				t.Fatalf("%s stands where %s belongs", after.Requirements[i].ID, rule.ID)
			}
			if s.Stage.BeforeOperation() && after.Stage == s.Stage && after.Requirements[i].InForce(today) {
				kept++
				checkKept(t, p.rules, rule, s, after, a, today)
			}
		}
	})
	if kept == 0 {
		t.Error("nothing was ever in force: the test proves nothing")
	}
}

// checkKept says why a requirement may be in force after a move.
func checkKept(t failer, from journey.Rules, rule journey.RequirementRule, before, after journey.State, a *journey.Assessment, today journey.Date) {
	t.Helper()
	is, _ := after.Find(rule.ID)
	was, _ := before.Find(rule.ID)
	old, known := from.Requirement(rule.ID)
	bad := func(why string) {
		t.Helper()
		t.Fatalf("%s: %s\nrule %+v\nwas %+v\nis %+v", rule.ID, why, rule, was, is)
	}
	switch is.Status {
	case journey.NotApplicable:
		flagged := slices.ContainsFunc(a.Flags, func(f journey.Flag) bool {
			return slices.Contains(rule.WhenFlagged, f.ID) && f.Band != journey.Meets
		})
		if len(rule.WhenFlagged) == 0 && !rule.Conditional || flagged || rule.Conditional && after.Holds(rule.ID) != journey.HoldsNo {
			bad("it applies")
		}
		return
	case journey.Waived:
		if rule.NoWaiver || was.Status != journey.Waived || was.ValidUntil != is.ValidUntil {
			bad("nobody waived it by these rules")
		}
	case journey.Met:
		if rule.ValidDays > 0 && is.Collected.AddDays(rule.ValidDays).Before(today) {
			bad("it is out of its window")
		}
		if is.SignedBy == "" && rule.Evidence != journey.ByAssignment || is.Position == journey.Objects {
			bad("nobody signed it")
		}
	default:
		bad("this status is never in force")
	}
	if rule.Evidence == journey.ByAssignment && !known {
		return // the advocate is assigned, under another id
	}
	if rule.Evidence == journey.ByAssignment && old.Evidence != rule.Evidence {
		return
	}
	if !known || old.Evidence != rule.Evidence {
		bad("it was met by another kind of evidence")
	}
	if is.Status == journey.Met && rule.Evidence != journey.ByConsent && rule.Evidence != journey.ByAssignment && rule.Signer != old.Signer {
		bad("another role signs it")
	}
	if is.Status == journey.Met && rule.ByAdvocate && rule.Evidence == journey.ByReview && is.SignedBy != after.Advocate {
		bad("the advocate did not give it")
	}
	if rule.SecondSignature && !old.SecondSignature && (is.Status == journey.Waived || rule.Evidence == journey.ByResult && journey.Worst(after.FlagsOf(rule.ID)) == journey.Excludes) {
		bad("one signature was enough")
	}
	if is.Status == journey.Waived {
		return
	}
	if is.Status == journey.Met && (rule.Evidence == journey.ByConsent || rule.Evidence == journey.ByReview) && is.Position != journey.Concerns && len(rule.Items) > len(old.Items) {
		bad("a line was not confirmed")
	}
	if rule.Evidence == journey.ByReview && journey.Worst(before.FlagsOf(rule.ID)) == journey.Meets && journey.Worst(after.FlagsOf(rule.ID)) != journey.Meets {
		bad("the reviewer has not seen the flag")
	}
	if rule.Evidence != journey.ByResult {
		return
	}
	if !slices.ContainsFunc(a.Findings, func(f journey.Finding) bool { return f.Requirement == rule.ID && f.Evidence == is.Evidence }) {
		bad("no such results are on record")
	}
	for _, f := range after.FlagsOf(rule.ID) {
		if f.Band != journey.Meets && !slices.Contains(before.FlagsOf(rule.ID), f) {
			bad("a flag was raised that nobody has seen")
		}
	}
}
