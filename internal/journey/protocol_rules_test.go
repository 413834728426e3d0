package journey_test

import (
	"errors"
	"slices"
	"testing"

	"candidacy/internal/journey"
)

// desk gives commands to one state under rules of its own.
type desk struct {
	t     *testing.T
	rules journey.Rules
	state journey.State
	today journey.Date
}

func newDesk(t *testing.T, stage journey.Stage, rules journey.Rules) *desk {
	t.Helper()
	d := &desk{t: t, rules: rules, today: "2026-03-02"}
	d.state = journey.Begin(rules, journey.Event{Command: journey.Command{Candidate: "c", Kind: journey.Refer, Today: d.today}, Seq: 1})
	d.state.Stage = stage
	return d
}

func (d *desk) command(kind journey.Kind, actor string, role journey.Role, fill func(*journey.Command)) journey.Command {
	c := journey.Command{ID: string(kind) + actor, Candidate: "c", Kind: kind, Actor: actor, Role: role, Today: d.today}
	if fill != nil {
		fill(&c)
	}
	return c
}

func (d *desk) give(kind journey.Kind, actor string, role journey.Role, fill func(*journey.Command)) {
	d.t.Helper()
	c := d.command(kind, actor, role, fill)
	if err := journey.Check(d.rules, d.state, c); err != nil {
		d.t.Fatalf("%s: %v", kind, err)
	}
	d.state = journey.Apply(d.rules, d.state, journey.Event{Command: c, Seq: d.state.Seq + 1})
}

// refused returns the rules that block a command.
func (d *desk) refused(kind journey.Kind, actor string, role journey.Role, fill func(*journey.Command)) []journey.Reason {
	d.t.Helper()
	err := journey.Check(d.rules, d.state, d.command(kind, actor, role, fill))
	var refusal *journey.Refusal
	if !errors.As(err, &refusal) {
		d.t.Fatalf("%s is accepted", kind)
	}
	return refusal.Reasons
}

// assess puts findings and flags on record.
func (d *desk) assess(a *journey.Assessment) {
	d.state = journey.Apply(d.rules, d.state, journey.Event{
		Command: journey.Command{Kind: journey.RecordResults, Today: d.today}, Seq: d.state.Seq + 1, Assessment: a,
	})
}

func (d *desk) wait(until journey.Date) []journey.Event {
	events, after := journey.Passed(d.rules, d.state, dayOf(until))
	d.state, d.today = after, until
	return events
}

func (d *desk) requirement(id string) journey.Requirement {
	d.t.Helper()
	r, ok := d.state.Find(id)
	if !ok {
		d.t.Fatalf("there is no requirement %s", id)
	}
	return r
}

var strict = journey.RequirementRule{
	ID: "gfr", Gate: journey.ForCommittee, Evidence: journey.ByResult, Signer: journey.Clinician, ValidDays: 100, SecondSignature: true,
}

func TestWaiversOfTwoPeople(t *testing.T) {
	d := newDesk(t, journey.Evaluation, journey.Rules{Requirements: []journey.RequirementRule{strict}})
	waive := func(until journey.Date) func(*journey.Command) {
		return func(c *journey.Command) { c.Requirement, c.On, c.Reasoned = "gfr", until, true }
	}
	d.give(journey.WaiveRequirement, "first", journey.Clinician, waive("2026-04-01"))
	if r := d.requirement("gfr"); r.InForce(d.today) || r.Awaiting == nil || r.Awaiting.By != "first" || !r.Awaiting.Waiver {
		t.Fatalf("one signature waives: %+v", r)
	}
	if reasons := d.refused(journey.WaiveRequirement, "first", journey.Clinician, waive("2026-04-01")); reasons[0].Rule != "two-people" {
		t.Errorf("the same person signs twice: %v", reasons)
	}
	// Another end is another waiver, and begins again.
	d.give(journey.WaiveRequirement, "second", journey.Clinician, waive("2026-05-01"))
	if r := d.requirement("gfr"); r.InForce(d.today) || r.Awaiting.By != "second" {
		t.Fatalf("two people waive until different days: %+v", r)
	}
	d.give(journey.WaiveRequirement, "first", journey.Clinician, waive("2026-05-01"))
	if r := d.requirement("gfr"); r.Status != journey.Waived || r.ValidUntil != "2026-05-01" || r.Awaiting != nil || !r.InForce(d.today) {
		t.Fatalf("two signatures do not waive: %+v", r)
	}
	d.wait("2026-05-02")
	if r := d.requirement("gfr"); r.Status != journey.Due {
		t.Errorf("the waiver has not ended: %+v", r)
	}
}

func TestAcceptanceOfTwoPeople(t *testing.T) {
	d := newDesk(t, journey.Evaluation, journey.Rules{Requirements: []journey.RequirementRule{strict}})
	finding := []journey.Finding{{Requirement: "gfr", Evidence: "e1", Collected: "2026-03-01"}}
	flag := journey.Flag{ID: "gfr-flag", Requirement: "gfr", Band: journey.Excludes, Evidence: "e1"}
	d.assess(&journey.Assessment{Findings: finding, Flags: []journey.Flag{flag}})
	sign := func(c *journey.Command) {
		c.Requirements, c.Verdict, c.Reasoned = []string{"gfr"}, journey.VerdictMet, true
	}
	d.give(journey.SignResults, "first", journey.Clinician, sign)
	if r := d.requirement("gfr"); r.Status != journey.NeedsReview || r.Awaiting == nil {
		t.Fatalf("one signature accepts an exclusion: %+v", r)
	}
	if reasons := d.refused(journey.SignResults, "first", journey.Clinician, sign); reasons[0].Rule != "two-people" {
		t.Errorf("the same person signs twice: %v", reasons)
	}
	// Another result makes the first signature void.
	changed := slices.Clone(finding)
	changed[0].Evidence = "e2"
	d.assess(&journey.Assessment{Findings: changed, Flags: []journey.Flag{{ID: "gfr-flag", Requirement: "gfr", Band: journey.Excludes, Evidence: "e2"}}})
	d.give(journey.SignResults, "second", journey.Clinician, sign)
	if r := d.requirement("gfr"); r.Status != journey.NeedsReview {
		t.Fatalf("signatures under two results are added: %+v", r)
	}
	d.give(journey.SignResults, "first", journey.Clinician, sign)
	if r := d.requirement("gfr"); r.Status != journey.Met {
		t.Fatalf("two signatures do not accept: %+v", r)
	}
	// A matter for discussion needs one.
	other := newDesk(t, journey.Evaluation, journey.Rules{Requirements: []journey.RequirementRule{strict}})
	flag.Band = journey.Discussion
	other.assess(&journey.Assessment{Findings: finding, Flags: []journey.Flag{flag}})
	other.give(journey.SignResults, "first", journey.Clinician, sign)
	if r := other.requirement("gfr"); r.Status != journey.Met {
		t.Errorf("a matter for discussion waits for a second signature: %+v", r)
	}
	// Nobody accepts an absolute exclusion, however many sign.
	flag.Band, flag.Absolute = journey.Excludes, true
	other.assess(&journey.Assessment{Findings: finding, Flags: []journey.Flag{flag}})
	if reasons := other.refused(journey.SignResults, "second", journey.Clinician, sign); reasons[0].Rule != "absolute-exclusion" {
		t.Errorf("an absolute exclusion is accepted: %v", reasons)
	}
}

func TestLimitedAcceptance(t *testing.T) {
	rule := strict
	rule.SecondSignature = false
	d := newDesk(t, journey.Evaluation, journey.Rules{Requirements: []journey.RequirementRule{rule}})
	d.assess(&journey.Assessment{
		Findings: []journey.Finding{{Requirement: "gfr", Evidence: "e", Collected: "2026-03-01"}},
		Flags:    []journey.Flag{{ID: "f", Requirement: "gfr", Band: journey.Discussion, Evidence: "e"}},
	})
	sign := func(until journey.Date) func(*journey.Command) {
		return func(c *journey.Command) {
			c.Requirements, c.Verdict, c.Reasoned, c.On = []string{"gfr"}, journey.VerdictMet, true, until
		}
	}
	if err := journey.Check(d.rules, d.state, d.command(journey.SignResults, "a", journey.Clinician, sign(d.today))); err == nil {
		t.Error("an acceptance that ends today is taken")
	}
	d.give(journey.SignResults, "a", journey.Clinician, sign("2026-03-20"))
	if r := d.requirement("gfr"); r.ValidUntil != "2026-03-20" {
		t.Fatalf("accepted until %s", r.ValidUntil)
	}
	d.wait("2026-03-21")
	// The result itself is valid until 9 June and asks to be looked at again.
	if r := d.requirement("gfr"); r.Status != journey.NeedsReview || r.ValidUntil != "2026-06-09" {
		t.Errorf("after the acceptance: %+v", r)
	}
	d.give(journey.SignResults, "a", journey.Clinician, sign(""))
	d.wait("2026-06-10")
	if r := d.requirement("gfr"); r.Status != journey.Expired {
		t.Errorf("after the result: %+v", r)
	}
}

func TestChecklists(t *testing.T) {
	rules := journey.Rules{Requirements: []journey.RequirementRule{
		{ID: "consent", Gate: journey.ForCommittee, Evidence: journey.ByConsent, Items: []journey.Item{{ID: "told-risk"}, {ID: "told-paired", Conditional: true}}},
		{ID: "privacy", Gate: journey.ForCommittee, Evidence: journey.ByConsent},
		{ID: "final", Gate: journey.ForCommittee, Evidence: journey.ByReview, Signer: journey.Advocate, ByAdvocate: true, Items: []journey.Item{{ID: "duty"}}},
	}}
	d := newDesk(t, journey.Evaluation, rules)
	d.state.Advocate = "adva"
	consent := func(items ...string) func(*journey.Command) {
		return func(c *journey.Command) { c.Requirements, c.Items = []string{"consent", "privacy"}, items }
	}
	reasons := d.refused(journey.RecordConsent, "cora", journey.Coordinator, consent("told-risk"))
	if len(reasons) != 1 || reasons[0].Rule != "item-confirmed" || reasons[0].Message != "told-paired is not confirmed" {
		t.Errorf("what is not known not to apply is left out: %v", reasons)
	}
	d.state.Conditions = []journey.Condition{{Requirement: "told-paired", Holds: journey.HoldsNo}}
	d.give(journey.RecordConsent, "cora", journey.Coordinator, consent("told-risk"))
	if a, b := d.requirement("consent"), d.requirement("privacy"); a.Status != journey.Met || b.Status != journey.Met {
		t.Errorf("two consents at once: %+v %+v", a, b)
	}
	review := func(position journey.Position, items ...string) func(*journey.Command) {
		return func(c *journey.Command) {
			c.Requirement, c.Position, c.Items, c.Reasoned = "final", position, items, true
		}
	}
	if reasons := d.refused(journey.RecordReview, "adva", journey.Advocate, review(journey.Supports)); reasons[0].Rule != "item-confirmed" {
		t.Errorf("support without the duties: %v", reasons)
	}
	// Nothing stands in the way of an objection.
	d.give(journey.RecordReview, "adva", journey.Advocate, review(journey.Objects))
	if r := d.requirement("final"); r.Status != journey.NotMet {
		t.Errorf("the objection: %+v", r)
	}
	d.give(journey.RecordReview, "adva", journey.Advocate, review(journey.Supports, "duty"))
	if err := journey.Check(d.rules, d.state, d.command(journey.RecordConsent, "cora", journey.Coordinator, nil)); err == nil {
		t.Error("a consent to nothing is taken")
	}
}

// TestWindowBeforeTheOperation: evidence that is in force is not enough when the
// operation wants it younger.
func TestWindowBeforeTheOperation(t *testing.T) {
	rule := journey.RequirementRule{ID: "screen", OperationDays: 28}
	for _, tt := range []struct {
		has  journey.Requirement
		on   journey.Date
		want bool
	}{
		{journey.Requirement{Status: journey.Met, Collected: "2026-03-01"}, "2026-03-29", true},
		{journey.Requirement{Status: journey.Met, Collected: "2026-03-01"}, "2026-03-30", false},
		{journey.Requirement{Status: journey.Met}, "2026-03-01", false},
		{journey.Requirement{Status: journey.Waived, ValidUntil: "2026-06-01"}, "2026-03-30", true},
		{journey.Requirement{Status: journey.NotApplicable}, "2026-03-30", true},
	} {
		if got := rule.RecentFor(tt.has, tt.on); got != tt.want {
			t.Errorf("%+v on %s: %v", tt.has, tt.on, got)
		}
	}
	if !(journey.RequirementRule{}).RecentFor(journey.Requirement{}, "2026-03-30") {
		t.Error("a rule without a window wants one")
	}
	rule.Gate, rule.Evidence, rule.Signer = journey.ForOperation, journey.ByResult, journey.Clinician
	d := newDesk(t, journey.Scheduled, journey.Rules{Requirements: []journey.RequirementRule{rule}})
	d.state.Planned = d.today
	d.assess(&journey.Assessment{Findings: []journey.Finding{{Requirement: "screen", Evidence: "e", Collected: "2026-02-01"}}})
	d.give(journey.SignResults, "a", journey.Clinician, func(c *journey.Command) { c.Requirements, c.Verdict = []string{"screen"}, journey.VerdictMet })
	old := func(reasons []journey.Reason) bool {
		return slices.ContainsFunc(reasons, func(r journey.Reason) bool { return r.Rule == "operation-window" })
	}
	if !old(d.refused(journey.BeginOperation, "s", journey.Clinician, nil)) {
		t.Error("a result of 29 days is enough for the operation")
	}
	d.assess(&journey.Assessment{Findings: []journey.Finding{{Requirement: "screen", Evidence: "f", Collected: "2026-02-02"}}})
	d.give(journey.SignResults, "a", journey.Clinician, func(c *journey.Command) { c.Requirements, c.Verdict = []string{"screen"}, journey.VerdictMet })
	if old(d.refused(journey.BeginOperation, "s", journey.Clinician, nil)) {
		t.Error("a result of 28 days is too old for the operation")
	}
}

func TestReminders(t *testing.T) {
	rules := journey.Rules{
		Requirements: []journey.RequirementRule{
			{ID: "creatinine", Gate: journey.ForCommittee, Evidence: journey.ByResult, Signer: journey.Clinician, ValidDays: 60},
			{ID: "screen", Gate: journey.ForCommittee, Evidence: journey.ByResult, Signer: journey.Clinician, ValidDays: 20},
		},
		Reminders: []journey.Reminder{{Of: journey.RequirementExpires, Days: []int{30, 14}}},
	}
	d := newDesk(t, journey.Approved, rules) // a stage without a deadline of its own
	d.assess(&journey.Assessment{Findings: []journey.Finding{
		{Requirement: "creatinine", Evidence: "a", Collected: "2026-03-02"}, {Requirement: "screen", Evidence: "b", Collected: "2026-03-02"},
	}})
	type fired struct {
		on      journey.Date
		kind    journey.DeadlineKind
		subject string
	}
	var got []fired
	for _, e := range d.wait("2026-06-01") {
		for _, f := range e.Fired {
			got = append(got, fired{e.On, f.Kind, f.Subject})
		}
	}
	soon := journey.RequirementExpires.Soon()
	want := []fired{
		{"2026-03-09", soon, "screen"}, // 14 days before 23 March; 30 days before was in the past
		{"2026-03-23", journey.RequirementExpires, "screen"},
		{"2026-04-02", soon, "creatinine"},
		{"2026-04-18", soon, "creatinine"},
		{"2026-05-02", journey.RequirementExpires, "creatinine"},
	}
	if !slices.Equal(got, want) {
		t.Errorf("fired %v\nwant %v", got, want)
	}
	if of, ok := soon.Announces(); !ok || of != journey.RequirementExpires {
		t.Errorf("%s announces %s, %v", soon, of, ok)
	}
	if _, ok := journey.RequirementExpires.Announces(); ok {
		t.Error("an expiry is taken for a reminder")
	}
	if len(journey.Deadlines(rules, d.state)) != 0 || len(d.state.Notices) != 2 {
		t.Errorf("after all: %v, %v", journey.Deadlines(rules, d.state), d.state.Notices)
	}
}

// TestResultsNobodyAskedFor: results of a requirement that does not apply are no
// task, unless they are flagged.
func TestResultsNobodyAskedFor(t *testing.T) {
	rules := journey.Rules{Requirements: []journey.RequirementRule{
		{ID: "tolerance", Gate: journey.ForCommittee, Evidence: journey.ByResult, Signer: journey.Clinician, Conditional: true},
	}}
	d := newDesk(t, journey.Evaluation, rules)
	a := &journey.Assessment{
		Findings:   []journey.Finding{{Requirement: "tolerance", Evidence: "e", Collected: "2026-03-01"}},
		Conditions: []journey.Condition{{Requirement: "tolerance", Holds: journey.HoldsNo}},
	}
	d.assess(a)
	if r := d.requirement("tolerance"); r.Status != journey.NotApplicable {
		t.Errorf("an unasked result: %+v", r)
	}
	a.Flags = []journey.Flag{{ID: "f", Requirement: "tolerance", Band: journey.Discussion, Evidence: "e"}}
	d.assess(a)
	if r := d.requirement("tolerance"); r.Status != journey.NeedsReview {
		t.Errorf("an unasked result that is flagged: %+v", r)
	}
	d.give(journey.SignResults, "a", journey.Clinician, func(c *journey.Command) {
		c.Requirements, c.Verdict, c.Reasoned = []string{"tolerance"}, journey.VerdictMet, true
	})
	d.assess(a)
	if r := d.requirement("tolerance"); r.Status != journey.Met {
		t.Errorf("the signature is lost: %+v", r)
	}
	if got := journey.Applying(rules, &journey.Assessment{Conditions: a.Conditions}); len(got) != 0 {
		t.Errorf("%v applies", got)
	}
}
