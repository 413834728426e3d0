package journey_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"candidacy/internal/journey"
)

// smallRules have one requirement of each sort, so that random walks get far.
func smallRules() journey.Rules {
	return journey.Rules{
		Version: "test",
		Requirements: []journey.RequirementRule{
			{ID: "advocate-assigned", Gate: journey.ForEvaluation, Evidence: journey.ByAssignment, NoWaiver: true},
			{ID: "consent-evaluation", Gate: journey.ForEvaluation, Evidence: journey.ByConsent, ValidDays: 365, NoWaiver: true},
			{ID: "creatinine", Gate: journey.ForCommittee, Evidence: journey.ByResult, Signer: journey.Clinician, ValidDays: 100},
			{ID: "acr", Gate: journey.ForCommittee, Evidence: journey.ByResult, Signer: journey.Clinician, ValidDays: 365},
			{ID: "albumin", Gate: journey.ForCommittee, Evidence: journey.ByResult, Signer: journey.Clinician, ValidDays: 365, WhenFlagged: []string{"acr"}},
			{ID: "abo-first", Gate: journey.ForCommittee, Evidence: journey.ByResult, Signer: journey.Clinician, NoWaiver: true},
			{ID: "history", Gate: journey.ForCommittee, Evidence: journey.ByReview, Signer: journey.Clinician, ValidDays: 365},
			{ID: "psychosocial", Gate: journey.ForCommittee, Evidence: journey.ByReview, Signer: journey.Clinician, ValidDays: 365, NoWaiver: true, BeforeDecision: true},
			{ID: "advocate-final", Gate: journey.ForCommittee, Evidence: journey.ByReview, Signer: journey.Advocate, ValidDays: 183, NoWaiver: true, BeforeDecision: true, ByAdvocate: true},
			{ID: "abo-second", Gate: journey.ForScheduling, Evidence: journey.ByResult, Signer: journey.Clinician, NoWaiver: true},
			{ID: "consent-donation", Gate: journey.ForOperation, Evidence: journey.ByConsent, ValidDays: 30, NoWaiver: true, Sided: true},
			{ID: "hiv", Gate: journey.ForOperation, Evidence: journey.ByResult, Signer: journey.Clinician, ValidDays: 28, NoWaiver: true},
		},
		Visits: []journey.VisitRule{
			{ID: "week-1", AfterDays: 7, OpensBefore: 3, ClosesAfter: 7, InRecovery: true},
			{ID: "month-6", AfterMonths: 6, OpensBefore: 60, ClosesAfter: 60},
			{ID: "year-1", AfterMonths: 12, OpensBefore: 60, ClosesAfter: 60},
			{ID: "yearly", AfterMonths: 24, OpensBefore: 91, ClosesAfter: 91, RepeatsEvery: 12},
		},
		Ladder: []journey.LadderStep{{ID: "letter", Days: -60}, {ID: "call", Days: 0}, {ID: "doctor", Days: 30}, {ID: "after-the-window", Days: 61}},
		Lost:   journey.LostRule{Visits: 2, Contact: []journey.Outcome{journey.Reached, journey.ContactRefused}},
		Quorum: []string{"nephrologist", "surgeon"},
		Reports: []journey.ReportRule{
			{ID: "death", WithinYears: 2, WarnHours: []int{24, 48}, DueHours: 72, Death: true},
			{ID: "dialysis", WithinYears: 2, WarnHours: []int{24, 48}, DueHours: 72},
			{ID: "infection", WithinYears: 2, WarnHours: []int{24}, DueHours: 168},
			{ID: "stopped", WarnHours: []int{24, 48}, DueHours: 72, Operation: journey.StoppedNotRemoved},
			{ID: "not-implanted", WarnHours: []int{24, 48}, DueHours: 72, Fate: journey.FateNotImplanted},
			{ID: "adverse"},
		},
		Timers: journey.Timers{
			FirstReplyDays: 3, ScreeningDays: 14, EvaluationDays: 60, CommitteeDays: 14, HoldDays: 90,
			ApprovalMonths: 3, DeferralDays: 100, CoolingOffDays: 5, NewDateDays: 5,
		},
		Readiness: []int{28, 7, 1, 0},
	}
}

// otherRules are a later version: other windows, a requirement less, two more,
// and another visit.
func otherRules() journey.Rules {
	r := smallRules()
	r.Version = "other"
	r.Requirements = slices.DeleteFunc(r.Requirements, func(rule journey.RequirementRule) bool { return rule.ID == "albumin" })
	for i := range r.Requirements {
		switch rule := &r.Requirements[i]; rule.ID {
		case "creatinine":
			rule.ValidDays = 50
		case "history":
			rule.ValidDays, rule.NoWaiver = 700, true
		case "hiv":
			rule.ValidDays = 14
		case "acr":
			rule.ValidDays = 0
		}
	}
	r.Requirements = append(r.Requirements,
		journey.RequirementRule{ID: "urine", Gate: journey.ForCommittee, Evidence: journey.ByResult, Signer: journey.Clinician, ValidDays: 90, WhenFlagged: []string{"acr"}},
		journey.RequirementRule{ID: "dental", Gate: journey.ForOperation, Evidence: journey.ByReview, Signer: journey.Clinician, ValidDays: 365, Conditional: true},
	)
	r.Visits[1] = journey.VisitRule{ID: "month-3", AfterMonths: 3, OpensBefore: 30, ClosesAfter: 30}
	r.Visits[2].ClosesAfter = 20
	r.Visits[3].RepeatsEvery, r.Visits[3].RepeatsUntil = 24, 4
	r.Ladder = []journey.LadderStep{{ID: "letter", Days: -14}, {ID: "doctor", Days: 20}}
	r.Timers.EvaluationDays, r.Timers.HoldDays, r.Timers.ApprovalMonths = 30, 120, 6
	return r
}

// player gives commands to one candidate and keeps what a model needs beside
// the state: the events, and the side of the last consent.
type player struct {
	rules   journey.Rules
	state   journey.State
	events  []journey.Event
	today   journey.Date
	n       int
	consent journey.Side
}

func newPlayer() *player {
	p := &player{rules: smallRules(), today: "2026-01-05"}
	p.must(journey.Refer, journey.Coordinator, "coordinator", nil)
	return p
}

type failer interface {
	Helper()
	Fatalf(string, ...any)
}

// encode is the whole of a value as text, to compare with.
func encode(v any) string {
	raw, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return string(raw)
}

func (p *player) command(kind journey.Kind, role journey.Role, actor string) journey.Command {
	p.n++
	return journey.Command{
		ID: fmt.Sprintf("c%d", p.n), Candidate: "cand", Kind: kind, Role: role, Actor: actor,
		Today: p.today, At: p.today.Start(time.UTC).Add(9*time.Hour + time.Duration(p.n)*time.Second),
	}
}

// commit carries out a command that Check let through.
func (p *player) commit(c journey.Command, assessment *journey.Assessment, mismatches []string) {
	e := journey.Event{Command: c, Seq: p.state.Seq + 1, Assessment: assessment, Mismatches: mismatches}
	e.Clocks = journey.Clocks(p.rules, p.state, c, time.UTC)
	switch c.Kind {
	case journey.Elapse:
		e.Fired = journey.DueBy(p.rules, p.state, c.Given())
	case journey.MoveProtocol:
		rules := smallRules()
		if c.Version == "other" {
			rules = otherRules()
		}
		e.Rules = &rules
		e.Fired = journey.DueBy(rules, journey.Rebase(p.rules, rules, p.state, e), c.Given())
	}
	p.state = journey.Apply(p.rules, p.state, e)
	p.rules = journey.RulesAfter(p.rules, e)
	p.events = append(p.events, e)
	if c.Kind == journey.RecordConsent && c.Requirement == "consent-donation" {
		p.consent = c.Side
	}
}

// must gives a command that has to be accepted.
func (p *player) must(kind journey.Kind, role journey.Role, actor string, fill func(*journey.Command)) {
	c := p.command(kind, role, actor)
	if fill != nil {
		fill(&c)
	}
	if err := journey.Check(p.rules, p.state, c); err != nil {
		panic(fmt.Sprintf("%s: %v", kind, err))
	}
	p.commit(c, nil, nil)
}

// results is an assessment in which everything is on record and meets.
func (p *player) results(tag string, collected journey.Date) *journey.Assessment {
	a := &journey.Assessment{BloodType: journey.Agree, Flags: []journey.Flag{
		{ID: "creatinine", Requirement: "creatinine", Band: journey.Meets, Evidence: tag},
		{ID: "acr", Requirement: "acr", Band: journey.Meets, Evidence: tag},
		{ID: "hiv", Requirement: "hiv", Band: journey.Meets, Evidence: tag},
	}}
	for _, rule := range p.rules.Requirements {
		if rule.Evidence == journey.ByResult && len(rule.WhenFlagged) == 0 {
			a.Findings = append(a.Findings, journey.Finding{Requirement: rule.ID, Evidence: tag + rule.ID, Collected: collected})
		}
	}
	return a
}

func (p *player) record(a *journey.Assessment) {
	c := p.command(journey.RecordResults, journey.Coordinator, "coordinator")
	if err := journey.Check(p.rules, p.state, c); err != nil {
		panic(err)
	}
	p.commit(c, a, nil)
}

// signable lists the requirements that a clinician can sign now.
func (p *player) signable() []string {
	var ids []string
	for _, rule := range p.rules.Requirements {
		r, _ := p.state.Find(rule.ID)
		if rule.Evidence == journey.ByResult && r.Evidence != "" && (r.Status == journey.Resulted || r.Status == journey.NeedsReview) {
			ids = append(ids, rule.ID)
		}
	}
	return ids
}

func (p *player) sign() {
	if ids := p.signable(); len(ids) > 0 {
		p.must(journey.SignResults, journey.Clinician, "clinician", func(c *journey.Command) {
			c.Requirements, c.Verdict, c.Reasoned = ids, journey.VerdictMet, true
		})
	}
}

func (p *player) review(id string, role journey.Role, actor string) {
	p.must(journey.RecordReview, role, actor, func(c *journey.Command) {
		c.Requirement, c.Position = id, journey.Supports
	})
}

// to plays the shortest way to a stage.
func (p *player) to(stage journey.Stage) *player {
	steps := []struct {
		reached journey.Stage
		play    func()
	}{
		{journey.Referral, func() {}},
		{journey.Screening, func() { p.must(journey.BeginScreening, journey.Coordinator, "coordinator", nil) }},
		{journey.Evaluation, func() {
			p.must(journey.AssignAdvocate, journey.Coordinator, "coordinator", func(c *journey.Command) { c.Person = "advocate" })
			p.must(journey.RecordConsent, journey.Coordinator, "coordinator", func(c *journey.Command) { c.Requirement = "consent-evaluation" })
			p.must(journey.BeginEvaluation, journey.Coordinator, "coordinator", nil)
		}},
		{journey.Committee, func() {
			p.record(p.results("first", p.today))
			p.sign()
			p.review("history", journey.Clinician, "clinician")
			p.review("psychosocial", journey.Clinician, "psychologist")
			p.review("advocate-final", journey.Advocate, "advocate")
			p.must(journey.PresentToCommittee, journey.Coordinator, "coordinator", nil)
		}},
		{journey.Approved, func() {
			p.must(journey.RecordDecision, journey.CommitteeRole, "committee", func(c *journey.Command) {
				c.Outcome, c.Side, c.Seats = journey.Approve, journey.Left, []string{"nephrologist", "surgeon"}
			})
		}},
		{journey.Scheduled, func() {
			p.must(journey.Schedule, journey.Coordinator, "coordinator", func(c *journey.Command) { c.On = p.today.AddDays(10) })
		}},
		{journey.Operation, func() {
			p.today = p.state.Planned
			p.must(journey.RecordConsent, journey.Clinician, "surgeon", func(c *journey.Command) {
				c.Requirement, c.Side = "consent-donation", journey.Left
			})
			p.must(journey.ConfirmLastCheck, journey.Clinician, "surgeon", nil)
			p.must(journey.ConfirmLastCheck, journey.Clinician, "clinician", nil)
			p.must(journey.BeginOperation, journey.Clinician, "surgeon", nil)
		}},
		{journey.Recovery, func() {
			p.must(journey.RecordOperation, journey.Clinician, "surgeon", func(c *journey.Command) {
				c.Outcome, c.Side = journey.Removed, journey.Left
			})
		}},
		{journey.FollowUp, func() {
			p.today = p.today.AddDays(7)
			p.must(journey.RecordVisit, journey.Coordinator, "coordinator", func(c *journey.Command) { c.Visit, c.Outcome = "week-1", journey.Seen })
			p.must(journey.CompleteRecovery, journey.Coordinator, "coordinator", nil)
		}},
	}
	for _, step := range steps {
		step.play()
		if step.reached == stage {
			return p
		}
	}
	panic("no way to " + stage)
}

// next is the command that leads on from where the candidate stands, or a
// random one.
func (p *player) draw(t *rapid.T) (journey.Command, *journey.Assessment, []string) {
	if rapid.IntRange(0, 9).Draw(t, "random") < 4 {
		return p.drawAny(t)
	}
	s := p.state
	guide := func(kind journey.Kind, role journey.Role, actor string, fill func(*journey.Command)) (journey.Command, *journey.Assessment, []string) {
		c := p.command(kind, role, actor)
		if fill != nil {
			fill(&c)
		}
		return c, nil, nil
	}
	unmet := func(id string) bool { r, _ := s.Find(id); return !r.InForce(p.today) }
	switch s.Stage {
	case journey.Referral:
		return guide(journey.BeginScreening, journey.Coordinator, "coordinator", nil)
	case journey.Screening:
		switch {
		case s.Advocate == "":
			return guide(journey.AssignAdvocate, journey.Coordinator, "coordinator", func(c *journey.Command) { c.Person = "advocate" })
		case unmet("consent-evaluation"):
			return guide(journey.RecordConsent, journey.Coordinator, "coordinator", func(c *journey.Command) { c.Requirement = "consent-evaluation" })
		}
		return guide(journey.BeginEvaluation, journey.Coordinator, "coordinator", nil)
	case journey.Evaluation, journey.Committee, journey.Approved, journey.Scheduled:
		if ids := p.signable(); len(ids) > 0 {
			return guide(journey.SignResults, journey.Clinician, "clinician", func(c *journey.Command) {
				c.Requirements, c.Verdict, c.Reasoned = ids, journey.VerdictMet, true
			})
		}
		for _, id := range []string{"creatinine", "acr", "abo-first", "abo-second", "hiv"} {
			if unmet(id) {
				c := p.command(journey.RecordResults, journey.Coordinator, "coordinator")
				return c, p.results(c.ID, p.today), nil
			}
		}
		for _, review := range []struct {
			id, actor string
			role      journey.Role
		}{{"history", "clinician", journey.Clinician}, {"psychosocial", "psychologist", journey.Clinician}, {"advocate-final", s.Advocate, journey.Advocate}} {
			if unmet(review.id) {
				return guide(journey.RecordReview, review.role, review.actor, func(c *journey.Command) {
					c.Requirement, c.Position = review.id, journey.Supports
				})
			}
		}
		if unmet("consent-evaluation") {
			return guide(journey.RecordConsent, journey.Coordinator, "coordinator", func(c *journey.Command) { c.Requirement = "consent-evaluation" })
		}
		if s.Stage != journey.Evaluation && s.Stage != journey.Committee && unmet("consent-donation") {
			return guide(journey.RecordConsent, journey.Clinician, "surgeon", func(c *journey.Command) {
				c.Requirement = "consent-donation"
				if s.Decision != nil {
					c.Side = s.Decision.Side
				}
			})
		}
		switch s.Stage {
		case journey.Evaluation:
			return guide(journey.PresentToCommittee, journey.Coordinator, "coordinator", nil)
		case journey.Committee:
			return guide(journey.RecordDecision, journey.CommitteeRole, "committee", func(c *journey.Command) {
				c.Reasoned = true
				if rapid.IntRange(0, 3).Draw(t, "defer") == 0 {
					c.Outcome, c.On, c.Seats = journey.Defer, p.today.AddDays(20), p.rules.Quorum
					return
				}
				c.Outcome, c.Side, c.Seats = journey.Approve, rapid.SampledFrom([]journey.Side{journey.Left, journey.Right}).Draw(t, "side"), p.rules.Quorum
			})
		case journey.Approved:
			return guide(journey.Schedule, journey.Coordinator, "coordinator", func(c *journey.Command) { c.On = p.today.AddDays(6) })
		}
		switch {
		case s.LastCheck.Stopped:
			return guide(journey.ResolveLastCheck, journey.Clinician, "surgeon", func(c *journey.Command) { c.Reasoned = true })
		case s.Planned.Before(p.today):
			return guide(journey.Schedule, journey.Coordinator, "coordinator", func(c *journey.Command) { c.On = p.today })
		case s.Planned != p.today:
			p.today = s.Planned
		}
		switch {
		case s.LastCheck.Complete(p.today):
			return guide(journey.BeginOperation, journey.Clinician, "surgeon", nil)
		case s.LastCheck.First == "surgeon":
			return guide(journey.ConfirmLastCheck, journey.Clinician, "clinician", nil)
		}
		return guide(journey.ConfirmLastCheck, journey.Clinician, "surgeon", nil)
	case journey.Operation:
		return guide(journey.RecordOperation, journey.Clinician, "surgeon", func(c *journey.Command) { c.Outcome, c.Side = journey.Removed, journey.Left })
	case journey.Recovery, journey.FollowUp:
		for _, v := range s.Visits {
			if !v.Settled() && (v.InRecovery || s.Stage == journey.FollowUp && !v.Repeats()) {
				if p.today.Before(v.Opens) {
					p.today = v.Opens
				}
				return guide(journey.RecordVisit, journey.Coordinator, "coordinator", func(c *journey.Command) { c.Visit, c.Outcome = v.ID, journey.Seen })
			}
		}
		if s.Stage == journey.Recovery {
			return guide(journey.CompleteRecovery, journey.Coordinator, "coordinator", nil)
		}
		return guide(journey.Close, journey.Coordinator, "coordinator", nil)
	case journey.OnHold, journey.Deferred:
		return guide(journey.Resume, journey.Coordinator, "coordinator", nil)
	}
	return p.drawAny(t)
}

// drawAny makes any command by anybody, sensible or not.
func (p *player) drawAny(t *rapid.T) (journey.Command, *journey.Assessment, []string) {
	if rapid.IntRange(0, 2).Draw(t, "wait") == 0 {
		p.today = p.today.AddDays(rapid.IntRange(0, 70).Draw(t, "days"))
	}
	kinds := append(everyKind(), journey.RecordResults, journey.Elapse, journey.Elapse, journey.Hold, journey.ConfirmLastCheck, journey.WaiveRequirement)
	kind := rapid.SampledFrom(kinds).Draw(t, "kind")
	roles := append(slices.Clone(journey.Roles), journey.System)
	roles = slices.DeleteFunc(roles, func(r journey.Role) bool { return !journey.MayGive(r, kind) })
	if len(roles) == 0 || rapid.IntRange(0, 9).Draw(t, "wrong role") == 0 {
		roles = journey.Roles
	}
	c := p.command(kind, rapid.SampledFrom(roles).Draw(t, "role"), rapid.SampledFrom([]string{"surgeon", "clinician", "advocate", "other-advocate", "nurse"}).Draw(t, "actor"))
	var ids []string
	for _, rule := range p.rules.Requirements {
		ids = append(ids, rule.ID)
	}
	ids = append(ids, "unknown", "")
	c.Requirement = rapid.SampledFrom(ids).Draw(t, "requirement")
	c.Requirements = rapid.SliceOfN(rapid.SampledFrom(ids), 0, 3).Draw(t, "requirements")
	c.Verdict = rapid.SampledFrom([]journey.Verdict{journey.VerdictMet, journey.VerdictNotMet, ""}).Draw(t, "verdict")
	c.Position = rapid.SampledFrom([]journey.Position{journey.Supports, journey.Concerns, journey.Objects, ""}).Draw(t, "position")
	c.Outcome = rapid.SampledFrom([]journey.Outcome{
		journey.Approve, journey.Defer, journey.DeclineCandidate, journey.Removed, journey.StoppedNotRemoved, journey.Seen, journey.NotReached, "",
		journey.Reached, journey.NoAnswer, journey.ContactRefused, journey.Attended, journey.NotAttended,
	}).Draw(t, "outcome")
	c.Channel = rapid.SampledFrom([]journey.Channel{"letter", "call", ""}).Draw(t, "channel")
	c.ReasonCode = rapid.SampledFrom([]journey.VisitReason{"", "", journey.ReasonMoved, journey.ReasonRefused, journey.ReasonDied, "other"}).Draw(t, "reason code")
	c.Side = rapid.SampledFrom([]journey.Side{journey.Left, journey.Right, ""}).Draw(t, "side")
	c.Person = rapid.SampledFrom([]string{"advocate", "other-advocate", ""}).Draw(t, "person")
	c.Visit = rapid.SampledFrom([]string{"week-1", "month-6", "year-1", "yearly-m24", "planned-1", "planned-2", "unknown"}).Draw(t, "visit")
	c.Revision = rapid.IntRange(0, 3).Draw(t, "revision")
	c.Event = rapid.SampledFrom([]string{"death", "dialysis", "infection", "adverse", "unknown"}).Draw(t, "event")
	c.Fate = rapid.SampledFrom([]journey.Fate{journey.FateImplanted, journey.FateNotImplanted, ""}).Draw(t, "fate")
	for _, r := range p.state.Reports {
		c.Report = r.ID
	}
	c.Moment = journey.InstantOf(c.At.Add(-time.Duration(rapid.IntRange(-1, 100).Draw(t, "hours ago")) * time.Hour))
	c.Ends = c.Moment.AddHours(rapid.IntRange(0, 3).Draw(t, "hours long"))
	c.Reasoned = rapid.Bool().Draw(t, "reasoned")
	if rapid.Bool().Draw(t, "quorum") {
		c.Seats = p.rules.Quorum
	}
	if rapid.IntRange(0, 5).Draw(t, "dated") > 0 {
		c.On = p.today.AddDays(rapid.IntRange(-10, 120).Draw(t, "on"))
	}
	if kind == journey.Elapse {
		c.On = p.today
	}
	var a *journey.Assessment
	switch kind {
	case journey.RecordResults:
		a = p.drawAssessment(t)
	case journey.MoveProtocol:
		c.Version = rapid.SampledFrom([]string{"test", "other", "other", ""}).Draw(t, "version")
		to := *p
		if to.rules = smallRules(); c.Version == "other" {
			to.rules = otherRules()
		}
		a = to.drawAssessment(t)
	}
	var mismatches []string
	if kind == journey.ConfirmLastCheck && rapid.IntRange(0, 3).Draw(t, "mismatch") == 0 {
		mismatches = []string{"side"}
	}
	return c, a, mismatches
}

func (p *player) drawAssessment(t *rapid.T) *journey.Assessment {
	a := &journey.Assessment{BloodType: rapid.SampledFrom([]journey.Agreement{journey.Agree, journey.Agree, journey.Disagree, journey.Incomplete}).Draw(t, "blood type")}
	evidence := rapid.SampledFrom([]string{"x", "y", "z"})
	for _, rule := range p.rules.Requirements {
		if rule.Evidence != journey.ByResult || rapid.IntRange(0, 3).Draw(t, "on record") == 0 {
			continue
		}
		a.Findings = append(a.Findings, journey.Finding{
			Requirement: rule.ID, Evidence: evidence.Draw(t, "evidence"), Collected: p.today.AddDays(-rapid.IntRange(0, 120).Draw(t, "age")),
		})
		if rule.ID == "creatinine" || rule.ID == "acr" || rule.ID == "hiv" {
			f := journey.Flag{
				ID: rule.ID, Requirement: rule.ID, Evidence: evidence.Draw(t, "flag evidence"),
				Band: rapid.SampledFrom([]journey.Band{journey.Meets, journey.Discussion, journey.Excludes, journey.CannotDecide}).Draw(t, "band"),
			}
			f.Absolute = f.Band == journey.Excludes && rule.ID == "hiv"
			a.Flags = append(a.Flags, f)
		}
	}
	return a
}

// TestInvariants plays random commands, sensible and not, and checks after each
// one what must hold whatever happens.
func TestInvariants(t *testing.T) {
	stages := map[journey.Stage]int{}
	rapid.Check(t, func(t *rapid.T) {
		p := newPlayer()
		for range rapid.IntRange(1, 80).Draw(t, "commands") {
			c, assessment, mismatches := p.draw(t)
			before, was := p.state, encode(p.state)
			err := journey.Check(p.rules, before, c)
			if encode(p.state) != was {
				t.Fatalf("checking %s changed the state", c.Kind)
			}
			checkWithdrawal(t, p)
			if err != nil {
				continue
			}
			checkAccepted(t, p, before, c)
			p.commit(c, assessment, mismatches)
			if encode(before) != was {
				t.Fatalf("%s changed the state it was applied to", c.Kind)
			}
			checkState(t, p, before, c)
			stages[p.state.Stage]++
		}
	})
	// A walk that never gets anywhere would prove nothing.
	for _, stage := range journey.Stages {
		if stages[stage] == 0 {
			t.Errorf("no random walk reached %s", stage)
		}
	}
}

// checkWithdrawal: a candidate may stop at any time before anaesthesia
// (requirements 4.6), whoever of the team is told.
func checkWithdrawal(t failer, p *player) {
	t.Helper()
	if !p.state.Stage.BeforeOperation() {
		return
	}
	for _, role := range []journey.Role{journey.Coordinator, journey.Clinician, journey.Advocate} {
		if err := journey.Check(p.rules, p.state, p.command(journey.Withdraw, role, "anybody")); err != nil {
			t.Fatalf("withdrawal in %s by %s: %v", p.state.Stage, role, err)
		}
	}
}

// checkAccepted checks what must have held for a command to be accepted.
func checkAccepted(t failer, p *player, s journey.State, c journey.Command) {
	t.Helper()
	inForce := func(id string) {
		t.Helper()
		if r, _ := s.Find(id); !r.InForce(c.Today) || r.Position == journey.Objects {
			t.Fatalf("%s in %s was accepted though %s is %+v on %s", c.Kind, s.Stage, id, r, c.Today)
		}
	}
	switch {
	case c.Kind == journey.RecordDecision && c.Outcome == journey.Approve:
		if s.Advocate == "" {
			t.Fatalf("approved without an advocate")
		}
		inForce("advocate-final")
		inForce("psychosocial")
		for _, f := range s.Flags {
			if f.Absolute && f.Band == journey.Excludes {
				t.Fatalf("approved with an absolute exclusion")
			}
		}
	case c.Kind == journey.Schedule:
		if s.BloodType != journey.Agree {
			t.Fatalf("scheduled though the blood types are %s", s.BloodType)
		}
		inForce("abo-first")
		inForce("abo-second")
	case c.Kind == journey.BeginOperation:
		if s.BloodType != journey.Agree || s.LastCheck.First == s.LastCheck.Second || s.LastCheck.On != c.Today || s.LastCheck.Stopped {
			t.Fatalf("the operation began on blood types that are %s and the last check %+v", s.BloodType, s.LastCheck)
		}
		for _, rule := range p.rules.Requirements {
			inForce(rule.ID)
		}
		if p.consent != s.Decision.Side {
			t.Fatalf("the consent is for the %s side and the decision for the %s", p.consent, s.Decision.Side)
		}
	case c.Kind == journey.ConfirmLastCheck && s.LastCheck.Stopped:
		t.Fatalf("confirmed while a mismatch waits")
	}
}

// checkState checks what holds in every state.
func checkState(t failer, p *player, before journey.State, c journey.Command) {
	t.Helper()
	s := p.state
	if folded := journey.Fold(smallRules(), p.events); encode(folded) != encode(s) {
		t.Fatalf("the state after %s is not the fold of the events\n%s\n%s", c.Kind, encode(s), encode(folded))
	}
	if before.Stage.Ended() && s.Stage != before.Stage {
		t.Fatalf("%s led from %s, which is final, to %s", c.Kind, before.Stage, s.Stage)
	}
	for _, r := range s.Requirements {
		if r.Status != journey.NotApplicable && r.ValidUntil != "" && r.ValidUntil.Before(c.Today) && r.InForce(c.Today) {
			t.Fatalf("%+v is in force on %s", r, c.Today)
		}
		rule, _ := p.rules.Requirement(r.ID)
		if s.Operated == "" && r.Status == journey.Met && rule.ValidDays > 0 && (r.ValidUntil == "" || r.Collected.AddDays(rule.ValidDays).Before(r.ValidUntil)) {
			t.Fatalf("%+v is valid for longer than the %d days of its rule", r, rule.ValidDays)
		}
	}
	seen := map[journey.Notice]bool{}
	for _, n := range s.Notices {
		if seen[n] {
			t.Fatalf("%+v fired twice", n)
		}
		seen[n] = true
	}
	checkFollowUp(t, p)
	if c.Kind == journey.Elapse || c.Kind == journey.MoveProtocol {
		if left := journey.DueBy(p.rules, s, c.Given()); len(left) > 0 {
			t.Fatalf("after the deadlines up to %s fired with %s, %+v are left", c.Today, c.Kind, left)
		}
	}
	checkReports(t, p)
	if before.LastCheck.Stopped && !s.LastCheck.Stopped && c.Kind != journey.ResolveLastCheck && !s.Stage.Ended() {
		t.Fatalf("%s put aside a mismatch that nobody resolved", c.Kind)
	}
	if (s.Stage.Ended() || s.Died != "") && len(s.Booked()) > 0 {
		t.Fatalf("after %s, in %s, %+v are left", c.Kind, s.Stage, s.Booked())
	}
	if s.Planned != "" && s.Stage.BeforeOperation() && s.Stage != journey.Scheduled {
		t.Fatalf("a planned date is left in %s", s.Stage)
	}
}

// TestElapseOfSeveralDaysIsDayByDay lets a random stretch pass at once, as
// after an outage, and day by day: the candidate stands in the same place.
func TestElapseOfSeveralDaysIsDayByDay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := newPlayer()
		for range rapid.IntRange(1, 60).Draw(t, "commands") {
			c, assessment, mismatches := p.draw(t)
			if journey.Check(p.rules, p.state, c) == nil {
				p.commit(c, assessment, mismatches)
			}
		}
		last := p.today.AddDays(rapid.IntRange(1, 500).Draw(t, "days"))
		elapse := func(s journey.State, day journey.Date) journey.State {
			c := journey.Command{Kind: journey.Elapse, Role: journey.System, At: day.Start(time.UTC), Today: day, On: day}
			if journey.Check(p.rules, s, c) != nil {
				return s
			}
			return journey.Apply(p.rules, s, journey.Event{Command: c, Seq: s.Seq, Fired: journey.DueBy(p.rules, s, c.Given())})
		}
		daily := p.state
		for day := p.today.AddDays(1); !last.Before(day); day = day.AddDays(1) {
			daily = elapse(daily, day)
		}
		if atOnce := elapse(p.state, last); encode(atOnce) != encode(daily) {
			t.Fatalf("at once\n%s\nday by day\n%s", encode(atOnce), encode(daily))
		}
	})
}

// dayOf is the start of a day.
func dayOf(day journey.Date) journey.Moment {
	return journey.Moment{On: day, At: journey.InstantOf(day.Start(time.UTC))}
}

// checkReports: nothing but its report is owed to a donor who died, no journey
// ends with an event that nobody reported, and no clock passes twice.
func checkReports(t failer, p *player) {
	t.Helper()
	s := p.state
	if s.Stage == journey.Closed && len(s.OpenReports()) > 0 {
		t.Fatalf("the journey is closed and %+v is not reported", s.OpenReports())
	}
	for _, v := range s.Visits {
		if s.Died != "" && !v.Settled() || s.Died == "" && v.Status == journey.VisitNotOwed {
			t.Fatalf("%s is %s and the day of death %q", v.ID, v.Status, s.Died)
		}
	}
	ids := map[string]bool{}
	for _, r := range s.Reports {
		if ids[r.ID] {
			t.Fatalf("two reports have the id %s", r.ID)
		}
		ids[r.ID] = true
	}
	fired := map[string]bool{}
	for _, e := range p.events {
		for _, d := range e.Fired {
			name := fmt.Sprint(d.Kind, d.Subject, d.At)
			if d.At != "" && fired[name] {
				t.Fatalf("%s passed twice", name)
			}
			fired[name] = true
			if d.At != "" && journey.InstantOf(e.At).Before(d.At) {
				t.Fatalf("%s passed already at %s", name, e.At)
			}
		}
	}
}
