package demo

import (
	"context"
	"slices"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

// ending is where the demonstration leaves a candidate.
type ending string

const (
	referred   ending = "referred"
	screened   ending = "in screening"
	evaluated  ending = "in evaluation"
	presented  ending = "before the committee"
	approved   ending = "approved"
	scheduled  ending = "scheduled"
	operated   ending = "in the operation"
	recovering ending = "recovering"
	followed   ending = "in follow-up"
	closed     ending = "closed"
	declined   ending = "declined"
	deferred   ending = "deferred"
	withdrawn  ending = "withdrawn"
	held       ending = "on hold"
)

// endings place the candidates of the manifest over all stages.
var endings = map[string]ending{
	"c01": closed, "c02": followed, "c03": followed, "c04": followed,
	"c05": declined, "c06": presented, "c07": evaluated, "c08": presented,
	"c09": declined, "c10": evaluated, "c11": deferred, "c12": followed,
	"c13": followed, "c14": followed, "c15": followed, "c16": recovering,
	"c17": operated, "c18": scheduled, "c19": approved, "c20": withdrawn,
	"c21": held, "c22": screened, "c23": screened, "c24": referred,
}

// scene is a part of a script.
type scene func(context.Context) error

// play runs the scenes up to the candidate's ending.
func (s *script) play(ctx context.Context) error {
	for _, part := range s.scenes(endings[s.person.ID]) {
		if err := part(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (s *script) scenes(end ending) []scene {
	parts := []scene{s.refer}
	if end == referred {
		return parts
	}
	parts = append(parts, s.screen)
	if end == screened {
		return parts
	}
	parts = append(parts, s.evaluate)
	switch end {
	case evaluated:
		return parts
	case held:
		return append(parts, s.hold)
	case withdrawn:
		return append(parts, s.review, s.withdraw)
	}
	parts = append(parts, s.review, s.present)
	switch end {
	case presented:
		return parts
	case declined, deferred:
		return append(parts, func(ctx context.Context) error { return s.decide(ctx, end) })
	}
	parts = append(parts, func(ctx context.Context) error { return s.decide(ctx, approved) })
	if end == approved {
		return parts
	}
	parts = append(parts, s.schedule)
	if end == scheduled {
		return parts
	}
	parts = append(parts, s.prepare, s.operate)
	if end == operated {
		return parts
	}
	parts = append(parts, s.afterOperation)
	if end == recovering {
		return parts
	}
	parts = append(parts, s.recover)
	if end == closed {
		parts = append(parts, s.close)
	}
	return parts
}

func (s *script) refer(ctx context.Context) error {
	s.on(s.day(s.person.ReferralDate), 9, 20)
	return s.give(ctx, coordinator, journey.Coordinator, journey.Refer, &command.Referral{
		Given: s.person.Given, Family: s.person.Family, BirthDate: s.person.BirthDate, Sex: s.person.Sex,
		Identifier: s.identifier(), Path: "direct", Recipient: recipientOf(s.person.ID),
	})
}

func (s *script) screen(ctx context.Context) error {
	s.on(s.day(s.person.ReferralDate).AddDays(2), 10, 5)
	if err := s.give(ctx, coordinator, journey.Coordinator, journey.BeginScreening, &command.BeginScreening{ContactConsent: true, DuplicateChecked: true}); err != nil {
		return err
	}
	s.on(s.day(s.person.ReferralDate).AddDays(3), 11, 40)
	if err := s.give(ctx, coordinator, journey.Coordinator, journey.AssignAdvocate, &command.AssignAdvocate{Advocate: advocate}); err != nil {
		return err
	}
	if s.issued("screening") == "" || s.base.Before(s.issued("screening")) {
		return nil
	}
	return s.receive(ctx, "screening")
}

func (s *script) evaluate(ctx context.Context) error {
	s.on(s.issued("screening").AddDays(1), 9, 0)
	if err := s.give(ctx, coordinator, journey.Coordinator, journey.RecordConsent, &command.RecordConsent{Requirement: "consent-evaluation"}); err != nil {
		return err
	}
	s.on(s.issued("screening").AddDays(1), 9, 30)
	if err := s.give(ctx, coordinator, journey.Coordinator, journey.BeginEvaluation, &command.Plain{}); err != nil {
		return err
	}
	return s.receive(ctx, "evaluation")
}

// reviews are what clinicians record of each candidate.
var reviews = []struct {
	after       int
	actor       string
	requirement string
	findings    string
}{
	{3, nephrologist, "medical-history", "History and examination as dictated; nothing that stands against donation."},
	{6, surgeon, "renal-angiogram", "One artery and one vein on each side, no mass, no stone."},
	{8, psychologist, "psychosocial-evaluation", "Good understanding and support; plan for work and home is realistic."},
	{10, nephrologist, "nephrology-review", "Kidney function and risk discussed; the candidate weighed both."},
	{12, surgeon, "surgery-review", "Fit for a laparoscopic operation; left side suggested, longer vein."},
}

// signable are the requirements that results satisfy before the committee.
var signable = []string{
	"body-size", "bp-office", "abo-first", "abo-second", "blood-count", "glucose-fasting", "hba1c", "creatinine",
	"gfr-measured", "acr",
}

// conditional are those that only some candidates have.
var conditional = map[string][]string{"c07": {"bp-ambulatory"}, "c08": {"albumin-excretion"}, "c11": {"glucose-tolerance"}}

// notMet are results that the nephrologist does not accept.
var notMet = map[string][]string{"c05": {"body-size"}, "c09": {"gfr-measured"}}

func (s *script) review(ctx context.Context) error {
	day := s.issued("evaluation")
	s.on(day.AddDays(1), 14, 0)
	if err := s.sign(ctx, append(slices.Clone(signable), conditional[s.person.ID]...)); err != nil {
		return err
	}
	for _, r := range reviews {
		s.on(day.AddDays(r.after), 15, 10)
		if err := s.give(ctx, r.actor, journey.Clinician, journey.RecordReview, &command.RecordReview{
			Requirement: r.requirement, Position: journey.Supports, Findings: r.findings,
		}); err != nil {
			return err
		}
	}
	return nil
}

func (s *script) sign(ctx context.Context, requirements []string) error {
	refused := notMet[s.person.ID]
	met := slices.DeleteFunc(slices.Clone(requirements), func(id string) bool { return slices.Contains(refused, id) })
	if err := s.give(ctx, nephrologist, journey.Clinician, journey.SignResults, &command.SignResults{
		Requirements: met, Verdict: journey.VerdictMet, Reason: "Seen and discussed; acceptable in the whole picture.",
	}); err != nil {
		return err
	}
	if len(refused) == 0 {
		return nil
	}
	return s.give(ctx, nephrologist, journey.Clinician, journey.SignResults, &command.SignResults{
		Requirements: refused, Verdict: journey.VerdictNotMet, Reason: "Outside what this programme accepts.",
	})
}

// meeting is the day of the committee: late enough before an operation for the
// approval to be in force on its day.
func (s *script) meeting() journey.Date {
	day := s.issued("evaluation").AddDays(20)
	if operation := s.operation(); !s.base.AddDays(60).Before(operation) && day.Before(operation.AddDays(-165)) {
		day = operation.AddDays(-165)
	}
	if last := s.base.AddDays(-2); last.Before(day) {
		day = last
	}
	return day
}

func (s *script) operation() journey.Date { return s.day(s.person.OperationDate) }

func (s *script) present(ctx context.Context) error {
	s.on(s.meeting().AddDays(-4), 13, 0)
	if err := s.give(ctx, advocate, journey.Advocate, journey.RecordReview, &command.RecordReview{
		Requirement: "advocate-review-final", Position: journey.Supports, Findings: "The decision is the candidate's own; all disclosures are understood.",
	}); err != nil {
		return err
	}
	s.on(s.meeting().AddDays(-3), 16, 0)
	return s.give(ctx, coordinator, journey.Coordinator, journey.PresentToCommittee, &command.Plain{})
}

func (s *script) seats() []string {
	var seats []string
	for _, seat := range s.dispatcher.Current.Quorum {
		seats = append(seats, seat.ID)
	}
	return seats
}

func (s *script) decide(ctx context.Context, end ending) error {
	s.on(s.meeting(), 14, 30)
	decision := &command.RecordDecision{Outcome: journey.Approve, Side: journey.Left, Seats: s.seats()}
	switch end {
	case declined:
		decision = &command.RecordDecision{Outcome: journey.DeclineCandidate, Seats: s.seats(), Reason: "Outside the programme's criteria; findings go to the family doctor."}
	case deferred:
		decision = &command.RecordDecision{
			Outcome: journey.Defer, Seats: s.seats(), ReReviewOn: s.base.AddDays(75),
			Reason: "Tolerance test and dietitian's advice first.",
		}
	}
	return s.give(ctx, committee, journey.CommitteeRole, journey.RecordDecision, decision)
}

func (s *script) schedule(ctx context.Context) error {
	s.on(s.meeting().AddDays(5), 10, 0)
	return s.give(ctx, coordinator, journey.Coordinator, journey.Schedule, &command.Schedule{Date: s.operation()})
}

// prepare brings everything up to date before the operation.
func (s *script) prepare(ctx context.Context) error {
	if err := s.receive(ctx, "preoperative"); err != nil {
		return err
	}
	s.on(s.operation().AddDays(-8), 9, 0)
	if err := s.sign(ctx, []string{"body-size", "blood-count", "creatinine", "hiv-screen", "hbsag", "hbcab", "hcv-antibody"}); err != nil {
		return err
	}
	s.on(s.operation().AddDays(-7), 9, 0)
	return s.give(ctx, surgeon, journey.Clinician, journey.RecordConsent, &command.RecordConsent{Requirement: "consent-donation", Side: journey.Left})
}

func (s *script) operate(ctx context.Context) error {
	s.on(s.operation(), 7, 40)
	first, second, err := s.bloodTypes()
	if err != nil {
		return err
	}
	for _, actor := range []string{surgeon, nephrologist} {
		if err := s.give(ctx, actor, journey.Clinician, journey.ConfirmLastCheck, &command.LastCheck{
			BirthDate: s.person.BirthDate, Identifier: s.person.MRN,
			BloodTypeFirst: first, BloodTypeSecond: second, Side: journey.Left,
		}); err != nil {
			return err
		}
	}
	s.on(s.operation(), 8, 15)
	return s.give(ctx, surgeon, journey.Clinician, journey.BeginOperation, &command.Plain{})
}

func (s *script) afterOperation(ctx context.Context) error {
	s.on(s.operation(), 11, 50)
	return s.give(ctx, surgeon, journey.Clinician, journey.RecordOperation, &command.RecordOperation{
		Outcome: journey.Removed, Side: journey.Left, Approach: "laparoscopic", Note: "No complication.",
	})
}

// recover ends recovery and keeps the visits whose day has come.
func (s *script) recover(ctx context.Context) error {
	s.on(s.operation().AddDays(7), 10, 30)
	if err := s.visit(ctx, "week-1"); err != nil {
		return err
	}
	s.on(s.operation().AddDays(43), 10, 30)
	if err := s.give(ctx, coordinator, journey.Coordinator, journey.CompleteRecovery, &command.Plain{}); err != nil {
		return err
	}
	for _, v := range []struct {
		id     string
		months int
	}{{"month-6", 6}, {"year-1", 12}, {"year-2", 24}} {
		day := s.operation().AddMonths(v.months).AddDays(-2)
		if s.base.Before(day) {
			return nil
		}
		if v.id == "month-6" && s.issued("followup") != "" {
			if err := s.receive(ctx, "followup"); err != nil {
				return err
			}
		}
		s.on(day, 11, 0)
		if err := s.visit(ctx, v.id); err != nil {
			return err
		}
	}
	return nil
}

func (s *script) visit(ctx context.Context, id string) error {
	return s.give(ctx, coordinator, journey.Coordinator, journey.RecordVisit, &command.RecordVisit{Visit: id, Outcome: journey.Seen})
}

func (s *script) close(ctx context.Context) error {
	s.on(s.base, 9, 0)
	return s.give(ctx, coordinator, journey.Coordinator, journey.Close, &command.Plain{})
}

func (s *script) hold(ctx context.Context) error {
	s.on(s.issued("evaluation").AddDays(5), 10, 0)
	return s.give(ctx, coordinator, journey.Coordinator, journey.Hold, &command.Plain{Note: "Asked for a pause."})
}

func (s *script) withdraw(ctx context.Context) error {
	s.on(s.issued("evaluation").AddDays(30), 10, 0)
	return s.give(ctx, advocate, journey.Advocate, journey.Withdraw, &command.Plain{Note: "Kept between the candidate and the advocate."})
}
