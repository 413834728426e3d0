package journey_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
)

// refused gives a command that has to be refused.
func (p *player) refused(t *testing.T, kind journey.Kind, role journey.Role, actor string, fill func(*journey.Command)) *journey.Refusal {
	t.Helper()
	c := p.command(kind, role, actor)
	if fill != nil {
		fill(&c)
	}
	was := encode(p.state)
	err := journey.Check(p.rules, p.state, c)
	var refusal *journey.Refusal
	if !errors.As(err, &refusal) {
		t.Fatalf("%s was accepted", kind)
	}
	if encode(p.state) != was {
		t.Fatalf("the refused %s changed the state", kind)
	}
	return refusal
}

func names(r *journey.Refusal, rule string) bool {
	return slices.ContainsFunc(r.Reasons, func(reason journey.Reason) bool { return reason.Rule == rule })
}

func (p *player) status(id string) journey.Status {
	r, _ := p.state.Find(id)
	return r.Status
}

func seats(c *journey.Command) { c.Seats = []string{"nephrologist", "surgeon"} }

// TestGuards drives each condition beyond stage and role to its refusal, and
// checks that the refusal names the field or the rule.
func TestGuards(t *testing.T) {
	day := func(p *player, n int) journey.Date { return p.today.AddDays(n) }
	for _, tt := range []struct {
		name  string
		stage journey.Stage
		kind  journey.Kind
		role  journey.Role
		actor string
		fill  func(*player, *journey.Command)
		// field or rule that the refusal names.
		field, rule string
	}{
		{"advocate without a name", journey.Screening, journey.AssignAdvocate, journey.Coordinator, "c", nil, "advocate", ""},
		{"another advocate without a reason", journey.Evaluation, journey.AssignAdvocate, journey.Coordinator, "c", func(_ *player, c *journey.Command) { c.Person = "other" }, "reason", ""},
		{"consent to nothing", journey.Screening, journey.RecordConsent, journey.Coordinator, "c", nil, "requirement", ""},
		{"a result is no consent", journey.Screening, journey.RecordConsent, journey.Coordinator, "c", func(_ *player, c *journey.Command) { c.Requirement = "creatinine" }, "requirement", ""},
		{"consent to donation before approval", journey.Screening, journey.RecordConsent, journey.Coordinator, "c", func(_ *player, c *journey.Command) {
			c.Requirement, c.Side = "consent-donation", journey.Left
		}, "", "not-due"},
		{"consent without a side", journey.Approved, journey.RecordConsent, journey.Coordinator, "c", func(_ *player, c *journey.Command) { c.Requirement = "consent-donation" }, "side", ""},
		{"consent to the other side", journey.Approved, journey.RecordConsent, journey.Coordinator, "c", func(_ *player, c *journey.Command) {
			c.Requirement, c.Side = "consent-donation", journey.Right
		}, "", "side-agrees"},
		{"evaluation without advocate and consent", journey.Screening, journey.BeginEvaluation, journey.Coordinator, "c", nil, "", "requirement-in-force"},
		{"signature of nothing", journey.Evaluation, journey.SignResults, journey.Clinician, "c", nil, "requirements", ""},
		{"signature without a verdict", journey.Evaluation, journey.SignResults, journey.Clinician, "c", func(_ *player, c *journey.Command) { c.Requirements = []string{"creatinine"} }, "verdict", ""},
		{"signature of a review", journey.Evaluation, journey.SignResults, journey.Clinician, "c", func(_ *player, c *journey.Command) {
			c.Requirements, c.Verdict = []string{"history"}, journey.VerdictMet
		}, "requirements", ""},
		{"signature by the wrong role", journey.Evaluation, journey.SignResults, journey.Coordinator, "c", func(_ *player, c *journey.Command) {
			c.Requirements, c.Verdict = []string{"creatinine"}, journey.VerdictMet
		}, "requirements", ""},
		{"signature without a result", journey.Evaluation, journey.SignResults, journey.Clinician, "c", func(_ *player, c *journey.Command) {
			c.Requirements, c.Verdict = []string{"creatinine"}, journey.VerdictMet
		}, "", "result-present"},
		{"signature of an expired result", journey.Committee, journey.SignResults, journey.Clinician, "c", func(p *player, c *journey.Command) {
			c.Requirements, c.Verdict, c.Today = []string{"creatinine"}, journey.VerdictMet, day(p, 101)
		}, "", "result-in-date"},
		{"not met without a reason", journey.Committee, journey.SignResults, journey.Clinician, "c", func(_ *player, c *journey.Command) {
			c.Requirements, c.Verdict = []string{"creatinine"}, journey.VerdictNotMet
		}, "reason", ""},
		{"review of a result", journey.Evaluation, journey.RecordReview, journey.Clinician, "c", func(_ *player, c *journey.Command) { c.Requirement = "creatinine" }, "requirement", ""},
		{"review by the wrong role", journey.Evaluation, journey.RecordReview, journey.Advocate, "advocate", func(_ *player, c *journey.Command) {
			c.Requirement, c.Position = "history", journey.Supports
		}, "requirement", ""},
		{"review by another advocate", journey.Evaluation, journey.RecordReview, journey.Advocate, "other", func(_ *player, c *journey.Command) {
			c.Requirement, c.Position = "advocate-final", journey.Supports
		}, "requirement", ""},
		{"review without a position", journey.Evaluation, journey.RecordReview, journey.Clinician, "c", func(_ *player, c *journey.Command) { c.Requirement = "history" }, "position", ""},
		{"concerns without findings", journey.Evaluation, journey.RecordReview, journey.Clinician, "c", func(_ *player, c *journey.Command) {
			c.Requirement, c.Position = "history", journey.Concerns
		}, "findings", ""},
		{"waiver of what may not be waived", journey.Evaluation, journey.WaiveRequirement, journey.Clinician, "c", func(p *player, c *journey.Command) {
			c.Requirement, c.Reasoned, c.On = "psychosocial", true, day(p, 10)
		}, "", "no-waiver"},
		{"waiver of nothing", journey.Evaluation, journey.WaiveRequirement, journey.Clinician, "c", nil, "requirement", ""},
		{"waiver without a reason", journey.Evaluation, journey.WaiveRequirement, journey.Clinician, "c", func(p *player, c *journey.Command) { c.Requirement, c.On = "acr", day(p, 10) }, "reason", ""},
		{"waiver that ends today", journey.Evaluation, journey.WaiveRequirement, journey.Clinician, "c", func(p *player, c *journey.Command) {
			c.Requirement, c.Reasoned, c.On = "acr", true, p.today
		}, "until", ""},
		{"presentation with open requirements", journey.Evaluation, journey.PresentToCommittee, journey.Coordinator, "c", nil, "", "requirement-in-force"},
		{"no decision", journey.Committee, journey.RecordDecision, journey.CommitteeRole, "c", func(_ *player, c *journey.Command) { seats(c) }, "outcome", ""},
		{"approval without a side", journey.Committee, journey.RecordDecision, journey.CommitteeRole, "c", func(_ *player, c *journey.Command) {
			seats(c)
			c.Outcome = journey.Approve
		}, "side", ""},
		{"approval without a quorum", journey.Committee, journey.RecordDecision, journey.CommitteeRole, "c", func(_ *player, c *journey.Command) {
			c.Outcome, c.Side, c.Seats = journey.Approve, journey.Left, []string{"surgeon"}
		}, "", "quorum"},
		{"deferral without a day", journey.Committee, journey.RecordDecision, journey.CommitteeRole, "c", func(_ *player, c *journey.Command) {
			seats(c)
			c.Outcome, c.Reasoned = journey.Defer, true
		}, "re_review_on", ""},
		{"deferral for too long", journey.Committee, journey.RecordDecision, journey.CommitteeRole, "c", func(p *player, c *journey.Command) {
			seats(c)
			c.Outcome, c.Reasoned, c.On = journey.Defer, true, day(p, 101)
		}, "re_review_on", ""},
		{"decline without a reason", journey.Committee, journey.RecordDecision, journey.CommitteeRole, "c", func(_ *player, c *journey.Command) {
			seats(c)
			c.Outcome = journey.DeclineCandidate
		}, "reason", ""},
		{"approval on an expired result", journey.Committee, journey.RecordDecision, journey.CommitteeRole, "c", func(p *player, c *journey.Command) {
			seats(c)
			c.Outcome, c.Side, c.Today = journey.Approve, journey.Left, day(p, 101)
		}, "", "requirement-in-force"},
		{"a date that is none", journey.Approved, journey.Schedule, journey.Coordinator, "c", nil, "date", ""},
		{"a date in the past", journey.Approved, journey.Schedule, journey.Coordinator, "c", func(p *player, c *journey.Command) { c.On = day(p, -1) }, "date", ""},
		{"a date within cooling-off", journey.Approved, journey.Schedule, journey.Coordinator, "c", func(p *player, c *journey.Command) { c.On = day(p, 4) }, "", "cooling-off"},
		{"a date after the approval", journey.Approved, journey.Schedule, journey.Coordinator, "c", func(p *player, c *journey.Command) { c.On = p.today.AddMonths(3).AddDays(1) }, "", "approval-in-force"},
		{"a cancellation without a reason", journey.Scheduled, journey.CancelOperation, journey.Coordinator, "c", nil, "reason", ""},
		{"the last check on another day", journey.Scheduled, journey.ConfirmLastCheck, journey.Clinician, "c", nil, "", "day-of-operation"},
		{"nothing to resolve", journey.Scheduled, journey.ResolveLastCheck, journey.Clinician, "c", func(_ *player, c *journey.Command) { c.Reasoned = true }, "", "last-check"},
		{"an operation without the last check", journey.Scheduled, journey.BeginOperation, journey.Clinician, "c", nil, "", "last-check"},
		{"an operation without an end", journey.Operation, journey.RecordOperation, journey.Clinician, "c", nil, "outcome", ""},
		{"a removal without a side", journey.Operation, journey.RecordOperation, journey.Clinician, "c", func(_ *player, c *journey.Command) { c.Outcome = journey.Removed }, "side", ""},
		{"recovery before its visit", journey.Recovery, journey.CompleteRecovery, journey.Coordinator, "c", nil, "", "visit-settled"},
		{"a visit that is none", journey.Recovery, journey.RecordVisit, journey.Coordinator, "c", nil, "visit", ""},
		{"a visit without an outcome", journey.Recovery, journey.RecordVisit, journey.Coordinator, "c", func(_ *player, c *journey.Command) { c.Visit = "week-1" }, "outcome", ""},
		{"a visit before its window", journey.Recovery, journey.RecordVisit, journey.Coordinator, "c", func(_ *player, c *journey.Command) {
			c.Visit, c.Outcome = "month-6", journey.Seen
		}, "", "visit-open"},
		{"a visit twice", journey.FollowUp, journey.RecordVisit, journey.Coordinator, "c", func(_ *player, c *journey.Command) {
			c.Visit, c.Outcome = "week-1", journey.Seen
		}, "", "visit-done"},
		{"closing before the last visit", journey.FollowUp, journey.Close, journey.Coordinator, "c", nil, "", "visit-settled"},
		{"a decline without its reason", journey.Referral, journey.Decline, journey.Coordinator, "c", nil, "reason", ""},
		{"no deadline has passed", journey.Referral, journey.Elapse, journey.System, "", func(p *player, c *journey.Command) { c.On = p.today }, "", "deadline"},
		{"no back entry to end", journey.Referral, journey.EndBackEntry, journey.System, "", nil, "", "back-entry"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := newPlayer().to(tt.stage)
			refusal := p.refused(t, tt.kind, tt.role, tt.actor, func(c *journey.Command) {
				if tt.fill != nil {
					tt.fill(p, c)
				}
			})
			if tt.field != "" && refusal.Field != tt.field {
				t.Errorf("refused %q with field %q, want %q", refusal.Error(), refusal.Field, tt.field)
			}
			if tt.rule != "" && !names(refusal, tt.rule) {
				t.Errorf("refused %q, want the rule %s", refusal.Error(), tt.rule)
			}
			if refusal.Error() == "" || strings.Contains(refusal.Error(), "%!") {
				t.Errorf("the message is %q", refusal.Error())
			}
		})
	}
}

// TestAWaiverDoesNotProlongAResult: signing after a waiver must not give the
// result the waiver's end.
func TestAWaiverDoesNotProlongAResult(t *testing.T) {
	p := newPlayer().to(journey.Evaluation)
	collected := p.today
	p.record(p.results("first", collected))
	waive := func(until journey.Date) {
		p.must(journey.WaiveRequirement, journey.Clinician, "clinician", func(c *journey.Command) {
			c.Requirement, c.Reasoned, c.On = "creatinine", true, until
		})
	}
	waive(p.today.AddDays(1000))
	p.must(journey.SignResults, journey.Clinician, "clinician", func(c *journey.Command) {
		c.Requirements, c.Verdict = []string{"creatinine"}, journey.VerdictMet
	})
	if r, _ := p.state.Find("creatinine"); r.ValidUntil != collected.AddDays(100) {
		t.Errorf("a result of %s is valid until %s, want 100 days", collected, r.ValidUntil)
	}
	// And a waiver does not make an expired result fit for a signature.
	p.today = collected.AddDays(101)
	waive(p.today.AddDays(1000))
	if r := p.refused(t, journey.SignResults, journey.Clinician, "clinician", func(c *journey.Command) {
		c.Requirements, c.Verdict = []string{"creatinine"}, journey.VerdictMet
	}); !names(r, "result-in-date") {
		t.Errorf("refused with %v", r)
	}
}

// TestWhenAWaiverEnds the requirement is where its results put it.
func TestWhenAWaiverEnds(t *testing.T) {
	for _, tt := range []struct {
		name, requirement string
		recorded          bool
		waived            int
		want              journey.Status
	}{
		{"nothing on record", "acr", false, 10, journey.Due},
		{"a result on record", "acr", true, 10, journey.Resulted},
		{"a result that expired meanwhile", "creatinine", true, 200, journey.Expired},
		{"never applied", "albumin", true, 10, journey.NotApplicable},
		{"a review", "history", true, 10, journey.Due},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := newPlayer().to(journey.Evaluation)
			if tt.recorded {
				p.record(p.results("first", p.today))
			}
			p.must(journey.WaiveRequirement, journey.Clinician, "clinician", func(c *journey.Command) {
				c.Requirement, c.Reasoned, c.On = tt.requirement, true, p.today.AddDays(tt.waived)
			})
			p.today = p.today.AddDays(tt.waived + 1)
			p.must(journey.Elapse, journey.System, "", func(c *journey.Command) { c.On = p.today })
			if got := p.status(tt.requirement); got != tt.want {
				t.Errorf("%s is %s, want %s", tt.requirement, got, tt.want)
			}
		})
	}
}

// TestAConsentToOneSideIsNoneToTheOther follows requirements 7.3: a change of
// the side after consent needs new consent.
func TestAConsentToOneSideIsNoneToTheOther(t *testing.T) {
	p := newPlayer().to(journey.Approved)
	p.today = p.state.Decision.Expires
	p.must(journey.RecordConsent, journey.Clinician, "surgeon", func(c *journey.Command) {
		c.Requirement, c.Side = "consent-donation", journey.Left
	})
	p.today = p.today.AddDays(1)
	p.must(journey.Elapse, journey.System, "", func(c *journey.Command) { c.On = p.today })
	if p.state.Stage != journey.Evaluation {
		t.Fatalf("the approval did not lapse: %s", p.state.Stage)
	}
	p.record(p.results("second", p.today))
	p.sign()
	p.must(journey.PresentToCommittee, journey.Coordinator, "coordinator", nil)
	p.must(journey.RecordDecision, journey.CommitteeRole, "committee", func(c *journey.Command) {
		seats(c)
		c.Outcome, c.Side = journey.Approve, journey.Right
	})
	if r, _ := p.state.Find("consent-donation"); r.InForce(p.today) {
		t.Errorf("the consent to the left side is in force for the right one: %+v", r)
	}
}

// TestAMismatchIsOnlyResolvedByAPerson: neither another date nor a
// cancellation nor a hold puts it aside (requirements 5.2 and 7.3).
func TestAMismatchIsOnlyResolvedByAPerson(t *testing.T) {
	schedule := func(p *player) {
		p.must(journey.Schedule, journey.Coordinator, "coordinator", func(c *journey.Command) { c.On = p.today })
	}
	for name, detour := range map[string]func(*player){
		"the same date again": schedule,
		"cancelled and scheduled": func(p *player) {
			p.must(journey.CancelOperation, journey.Coordinator, "coordinator", func(c *journey.Command) { c.Reasoned = true })
			schedule(p)
		},
		"held and resumed": func(p *player) {
			p.must(journey.Hold, journey.Coordinator, "coordinator", nil)
			p.must(journey.Resume, journey.Coordinator, "coordinator", nil)
			schedule(p)
		},
	} {
		t.Run(name, func(t *testing.T) {
			p := newPlayer().to(journey.Scheduled)
			p.today = p.state.Planned
			p.commit(p.command(journey.ConfirmLastCheck, journey.Clinician, "surgeon"), nil, []string{"side"})
			detour(p)
			if r := p.refused(t, journey.ConfirmLastCheck, journey.Clinician, "clinician", nil); !names(r, "last-check-stopped") {
				t.Errorf("refused with %v", r)
			}
			p.must(journey.ResolveLastCheck, journey.Clinician, "surgeon", func(c *journey.Command) { c.Reasoned = true })
			p.must(journey.ConfirmLastCheck, journey.Clinician, "surgeon", nil)
			if r := p.refused(t, journey.ConfirmLastCheck, journey.Clinician, "surgeon", nil); !names(r, "two-people") {
				t.Errorf("refused with %v", r)
			}
			p.must(journey.ConfirmLastCheck, journey.Clinician, "clinician", nil)
			if r := p.refused(t, journey.ConfirmLastCheck, journey.Clinician, "psychologist", nil); !names(r, "last-check-complete") {
				t.Errorf("refused with %v", r)
			}
		})
	}
}

// TestASignatureStandsOnExactResults: whatever changes the evidence or its
// band takes the signature away.
func TestASignatureStandsOnExactResults(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(*journey.Assessment)
		want   journey.Status
	}{
		{"nothing changed", func(*journey.Assessment) {}, journey.Met},
		{"a corrected result", func(a *journey.Assessment) { a.Findings[0].Evidence = "corrected" }, journey.Resulted},
		// The band of a clearance can change with the height, which is of
		// another requirement.
		{"the same result in another band", func(a *journey.Assessment) { a.Flags[0].Band = journey.Discussion }, journey.NeedsReview},
		{"a flag on other results", func(a *journey.Assessment) { a.Flags[0].Evidence = "height corrected" }, journey.Resulted},
		{"a flag that went away", func(a *journey.Assessment) { a.Flags = a.Flags[1:] }, journey.Resulted},
		{"the result withdrawn", func(a *journey.Assessment) { a.Findings = a.Findings[1:] }, journey.Due},
		{"a result out of date", func(a *journey.Assessment) {
			a.Findings[0].Evidence, a.Findings[0].Collected = "old", a.Findings[0].Collected.AddDays(-101)
		}, journey.Expired},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := newPlayer().to(journey.Approved)
			a := p.results("first", "2026-01-05")
			tt.change(a)
			p.record(a)
			if got := p.status("creatinine"); got != tt.want {
				t.Errorf("creatinine is %s, want %s", got, tt.want)
			}
			// A band that calls for discussion is news to the committee.
			if tt.want == journey.NeedsReview {
				if p.state.Stage != journey.Evaluation || p.state.Decision != nil {
					t.Errorf("the approval stands in stage %s", p.state.Stage)
				}
				return
			}
			if tt.want != journey.Met {
				if r := p.refused(t, journey.Schedule, journey.Coordinator, "c", func(c *journey.Command) { c.On = p.today.AddDays(10) }); !names(r, "requirement-in-force") {
					t.Errorf("refused with %v", r)
				}
			}
		})
	}
}

// TestARequirementThatDependsOnAFlag comes and goes with it.
func TestARequirementThatDependsOnAFlag(t *testing.T) {
	p := newPlayer().to(journey.Evaluation)
	p.record(p.results("first", p.today))
	if got := p.status("albumin"); got != journey.NotApplicable {
		t.Fatalf("without a flag it is %s", got)
	}
	for _, band := range []journey.Band{journey.Discussion, journey.Excludes, journey.CannotDecide} {
		a := p.results(string(band), p.today)
		a.Flags[1].Band = band
		p.record(a)
		if got := p.status("albumin"); got != journey.Due {
			t.Errorf("with a flag in the band %s it is %s, want due", band, got)
		}
	}
	p.record(p.results("normal", p.today))
	if got := p.status("albumin"); got != journey.NotApplicable {
		t.Errorf("after a normal result it is %s", got)
	}
}

// TestAbsoluteExclusions: nobody signs one away, and nobody is approved with it.
func TestAbsoluteExclusions(t *testing.T) {
	p := newPlayer().to(journey.Committee)
	a := p.results("second", p.today)
	a.Flags[2].Band, a.Flags[2].Absolute = journey.Excludes, true
	p.record(a)
	if r := p.refused(t, journey.SignResults, journey.Clinician, "clinician", func(c *journey.Command) {
		c.Requirements, c.Verdict, c.Reasoned = []string{"hiv"}, journey.VerdictMet, true
	}); !names(r, "absolute-exclusion") {
		t.Errorf("refused with %v", r)
	}
	p.must(journey.SignResults, journey.Clinician, "clinician", func(c *journey.Command) {
		c.Requirements, c.Verdict, c.Reasoned = []string{"hiv"}, journey.VerdictNotMet, true
	})
	if r := p.refused(t, journey.RecordDecision, journey.CommitteeRole, "committee", func(c *journey.Command) {
		seats(c)
		c.Outcome, c.Side = journey.Approve, journey.Left
	}); !names(r, "absolute-exclusion") {
		t.Errorf("refused with %v", r)
	}
}

// TestAStageEnteredAgainHasADeadlineOfItsOwn, also on the very day of the
// notice of the one before.
func TestAStageEnteredAgainHasADeadlineOfItsOwn(t *testing.T) {
	p := newPlayer().to(journey.Evaluation)
	p.today = p.state.Since.AddDays(p.rules.Timers.EvaluationDays + 1)
	p.must(journey.Elapse, journey.System, "", func(c *journey.Command) { c.On = p.today })
	p.must(journey.Hold, journey.Coordinator, "coordinator", nil)
	p.must(journey.Resume, journey.Coordinator, "coordinator", nil)
	want := journey.Deadline{Kind: journey.EvaluationDue, On: p.today.AddDays(p.rules.Timers.EvaluationDays + 1)}
	if all := journey.Deadlines(p.rules, p.state); !slices.Contains(all, want) {
		t.Errorf("%+v is not among %+v", want, all)
	}
}

// TestWhatComesDueInAnOutage: the opening of a window brings about its closing,
// and both are listed at once, in their order.
func TestWhatComesDueInAnOutage(t *testing.T) {
	p := newPlayer().to(journey.Recovery)
	due := journey.DueBy(p.rules, p.state, dayOf(p.state.Operated.AddDays(30)))
	want := []journey.Deadline{
		{Kind: journey.VisitOpens, Subject: "week-1", On: p.state.Operated.AddDays(4)},
		{Kind: journey.VisitCloses, Subject: "week-1", On: p.state.Operated.AddDays(15)},
	}
	if !slices.Equal(due, want) {
		t.Errorf("due are %+v, want %+v", due, want)
	}
	if p.state.Visits[0].Status != journey.VisitAhead {
		t.Error("looking at what is due changed the state")
	}
	next := journey.NextDue(p.rules, p.state, time.UTC)
	if next == nil || next.Deadline != want[0] || !next.At.Equal(want[0].On.Start(time.UTC)) {
		t.Errorf("next is %+v", next)
	}
	if next := journey.NextDue(p.rules, journey.State{Stage: journey.Closed}, time.UTC); next != nil {
		t.Errorf("after the end %+v is due", next)
	}
}

// TestTheFirstReplyCountsWorkingDays (requirements 9.3: three working days).
func TestTheFirstReplyCountsWorkingDays(t *testing.T) {
	for since, want := range map[journey.Date]journey.Date{
		"2026-01-05": "2026-01-09", // Monday: due by Thursday.
		"2026-01-08": "2026-01-14", // Thursday: Friday, Monday, Tuesday.
		"2026-01-10": "2026-01-15", // Saturday: Monday to Wednesday.
	} {
		s := journey.State{Stage: journey.Referral, Since: since}
		all := journey.Deadlines(smallRules(), s)
		if len(all) != 1 || all[0].On != want {
			t.Errorf("referred on %s: %+v, want %s", since, all, want)
		}
	}
}

// TestVisits covers what may become of a visit.
func TestVisits(t *testing.T) {
	record := func(p *player, id string, outcome journey.Outcome) {
		p.must(journey.RecordVisit, journey.Coordinator, "coordinator", func(c *journey.Command) { c.Visit, c.Outcome = id, outcome })
	}
	p := newPlayer().to(journey.FollowUp)
	month := p.state.Visits[1]
	p.today = month.Opens
	record(p, "month-6", journey.NotReached)
	p.today = month.Closes
	record(p, "month-6", journey.Seen)
	if v := p.state.Visits[1]; v.Status != journey.VisitDone || v.On != month.Closes {
		t.Errorf("on the last day of its window: %+v", v)
	}
	year := p.state.Visits[2]
	p.today = year.Closes.AddDays(1)
	p.must(journey.Elapse, journey.System, "", func(c *journey.Command) { c.On = p.today })
	if v := p.state.Visits[2]; v.Status != journey.VisitMissed {
		t.Errorf("after its window: %+v", v)
	}
	if r := p.refused(t, journey.RecordVisit, journey.Coordinator, "c", func(c *journey.Command) {
		c.Visit, c.Outcome = "year-1", journey.NotReached
	}); !names(r, "visit-missed") {
		t.Errorf("refused with %v", r)
	}
	record(p, "year-1", journey.Seen)
	if v := p.state.Visits[2]; v.Status != journey.VisitDoneLate {
		t.Errorf("seen after all: %+v", v)
	}
	p.must(journey.Close, journey.Coordinator, "coordinator", nil)
	if p.state.Stage != journey.Closed {
		t.Errorf("closed is %s", p.state.Stage)
	}
}

// TestAnOperationStoppedOwesNoFollowUp: follow-up is owed by removal
// (requirements 9.2), and recovery from a stopped operation ends the journey.
func TestAnOperationStoppedOwesNoFollowUp(t *testing.T) {
	p := newPlayer().to(journey.Operation)
	p.must(journey.RecordOperation, journey.Clinician, "surgeon", func(c *journey.Command) { c.Outcome = journey.StoppedNotRemoved })
	if len(p.state.Visits) > 0 {
		t.Errorf("visits are planned: %+v", p.state.Visits)
	}
	// The protocol wants it reported, and no journey ends before that.
	p.must(journey.CloseReport, journey.Coordinator, "coordinator", func(c *journey.Command) {
		c.Report, c.Moment = p.state.Reports[0].ID, journey.InstantOf(c.At)
	})
	p.must(journey.CompleteRecovery, journey.Coordinator, "coordinator", nil)
	if p.state.Stage != journey.Closed {
		t.Errorf("after recovery: %s", p.state.Stage)
	}
}

// TestAnotherAdvocateReviewsAnew: the review is of the candidate's own advocate.
func TestAnotherAdvocateReviewsAnew(t *testing.T) {
	p := newPlayer().to(journey.Committee)
	p.must(journey.AssignAdvocate, journey.Coordinator, "coordinator", func(c *journey.Command) { c.Person, c.Reasoned = "other", true })
	if got := p.status("advocate-final"); got != journey.Due {
		t.Errorf("the review of the former advocate is %s", got)
	}
	if r := p.refused(t, journey.RecordDecision, journey.CommitteeRole, "committee", func(c *journey.Command) {
		seats(c)
		c.Outcome, c.Side = journey.Approve, journey.Left
	}); !names(r, "review-before-decision") {
		t.Errorf("refused with %v", r)
	}
}

func TestBackEntryEnds(t *testing.T) {
	rules := smallRules()
	s := journey.Apply(rules, journey.State{}, journey.Event{Seq: 1, Command: journey.Command{Kind: journey.Refer, Today: "2026-01-05", BackEntry: true}})
	if !s.BackEntry {
		t.Fatal("the back entry is lost")
	}
	c := journey.Command{Kind: journey.EndBackEntry, Role: journey.System}
	if err := journey.Check(rules, s, c); err != nil {
		t.Fatal(err)
	}
	if s = journey.Apply(rules, s, journey.Event{Command: c, Seq: 2}); s.BackEntry {
		t.Error("it did not end")
	}
}

func TestWorst(t *testing.T) {
	bands := []journey.Band{journey.Meets, journey.CannotDecide, journey.Discussion, journey.Excludes}
	for i, a := range bands {
		for j, b := range bands {
			if got, want := journey.Worst([]journey.Flag{{Band: a}, {Band: b}}), bands[max(i, j)]; got != want {
				t.Errorf("of %s and %s the worse is %s, want %s", a, b, got, want)
			}
		}
	}
	if got := journey.Worst(nil); got != journey.Meets {
		t.Errorf("of none it is %s", got)
	}
}
