package demo

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
	"candidacy/internal/synthetic"
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
	died       ending = "died"
)

// endings place the candidates of the manifest over all stages.
var endings = map[string]ending{
	"c01": closed, "c02": followed, "c03": followed, "c04": followed,
	"c05": declined, "c06": presented, "c07": evaluated, "c08": presented,
	"c09": declined, "c10": evaluated, "c11": deferred, "c12": followed,
	"c13": followed, "c14": followed, "c15": followed, "c16": recovering,
	"c17": operated, "c18": scheduled, "c19": approved, "c20": withdrawn,
	"c21": held, "c22": screened, "c23": died, "c24": referred,
}

// scene is a part of a script.
type scene func(context.Context) error

// play runs the scenes up to the candidate's ending.
func (s *script) play(ctx context.Context) error {
	for _, part := range append(s.scenes(endings[s.person.ID]), s.rooms()...) {
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
	switch end {
	case screened:
		return parts
	case died:
		return append(parts, s.die)
	}
	parts = append(parts, s.evaluate)
	switch end {
	case evaluated:
		return append(parts, s.planVisits)
	case held:
		return append(parts, s.planVisits, s.hold)
	case withdrawn:
		return append(parts, s.review, s.withdraw)
	}
	parts = append(parts, s.review, s.present)
	switch end {
	case presented:
		return append(parts, s.hear)
	case declined, deferred:
		return append(parts, func(ctx context.Context) error { return s.decide(ctx, end) })
	}
	if end == approved {
		return append(parts, s.vote)
	}
	parts = append(parts, func(ctx context.Context) error { return s.decide(ctx, approved) })
	parts = append(parts, s.schedule)
	if end == scheduled {
		return append(parts, s.planVisits)
	}
	parts = append(parts, s.prepare, s.operate)
	if end == operated {
		return parts
	}
	parts = append(parts, s.afterOperation)
	if end == recovering {
		return parts
	}
	parts = append(parts, s.recover, s.happen)
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
	if err := s.receive(ctx, "screening"); err != nil {
		return err
	}
	chart, _, err := s.chart(ctx)
	if err != nil {
		return err
	}
	return s.report(ctx, slices.Concat(chart.Answer("identity-age", s.at.Add(-time.Hour)), chart.Answer("health-questionnaire", s.at.Add(-time.Hour))))
}

func (s *script) evaluate(ctx context.Context) error {
	s.on(s.issued("screening").AddDays(1), 9, 0)
	if err := s.consent(ctx, coordinator, journey.Coordinator, journey.ForEvaluation); err != nil {
		return err
	}
	s.on(s.issued("screening").AddDays(1), 9, 30)
	if err := s.give(ctx, coordinator, journey.Coordinator, journey.BeginEvaluation, &command.Plain{}); err != nil {
		return err
	}
	return s.receive(ctx, "evaluation")
}

// chart is what is on record of the candidate, to be gone on with.
func (s *script) chart(ctx context.Context) (*synthetic.Chart, journey.State, error) {
	c, err := s.store.Candidate(ctx, s.candidate)
	if err != nil {
		return nil, journey.State{}, err
	}
	results, err := s.store.Results(ctx, s.candidate)
	if err != nil {
		return nil, journey.State{}, err
	}
	return &synthetic.Chart{
		Protocol: s.dispatcher.Current, Key: fmt.Sprintf("%s-%d", s.person.ID, s.step), Results: results, Operation: c.State.Planned,
		Person: protocol.Person{BirthDate: s.person.BirthDate, Sex: s.person.Sex, Path: "direct", RecipientKnown: true, Planned: c.State.Planned},
	}, c.State, nil
}

// report records results that no bundle holds.
func (s *script) report(ctx context.Context, results []command.Result) error {
	if len(results) == 0 {
		return nil
	}
	return s.give(ctx, coordinator, journey.Coordinator, journey.RecordResults, &command.RecordResults{Results: results})
}

// open lists the requirements of an evidence that are not in force, on the
// planned day where there is one.
func (s *script) open(ctx context.Context, evidence journey.Evidence, signer journey.Role, gates ...journey.Gate) ([]protocol.Requirement, error) {
	_, state, err := s.chart(ctx)
	if err != nil {
		return nil, err
	}
	on := journey.DateOf(s.at, s.dispatcher.Current.Zone())
	if on.Before(state.Planned) {
		on = state.Planned
	}
	rules := s.dispatcher.Current.Rules()
	var list []protocol.Requirement
	for _, r := range s.dispatcher.Current.Requirements {
		has, _ := state.Find(r.ID)
		rule, _ := rules.Requirement(r.ID)
		inForce := has.InForce(on) && (state.Planned == "" || rule.RecentFor(has, on))
		if r.Evidence == evidence && r.Signer == signer && slices.Contains(gates, r.Gate) && !inForce && has.Status != journey.NotMet {
			list = append(list, r)
		}
	}
	return list, nil
}

// items are the checklists of requirements.
func (s *script) items(requirements []protocol.Requirement) []string {
	var ids []string
	for _, r := range requirements {
		for _, item := range s.dispatcher.Current.Items(r.ID) {
			ids = append(ids, item.ID)
		}
	}
	return ids
}

// structured answers what the protocol asks for of reviews, each with its first answer,
// which stands for what is unremarkable.
func (s *script) structured(reviews []string) []command.ReviewAnswer {
	var list []command.ReviewAnswer
	for _, id := range reviews {
		form, _ := s.dispatcher.Current.ReviewForm(id)
		for _, q := range form.Findings {
			switch answer := (command.ReviewAnswer{Requirement: id, Code: q.Code}); {
			case len(q.Choices) > 0:
				answer.Choice = q.Choices[0].Code
				list = append(list, answer)
			case q.Required:
				answer.Text = "The longer vein, and nothing that separates the kidneys."
				list = append(list, answer)
			}
		}
	}
	return list
}

func ids(requirements []protocol.Requirement) []string {
	var list []string
	for _, r := range requirements {
		list = append(list, r.ID)
	}
	return list
}

// consent records what is open of the gates, with everything told.
func (s *script) consent(ctx context.Context, actor string, role journey.Role, gates ...journey.Gate) error {
	open, err := s.open(ctx, journey.ByConsent, "", gates...)
	if err != nil || len(open) == 0 {
		return err
	}
	body := &command.RecordConsent{Requirements: ids(open), Disclosures: s.items(open)}
	if len(body.Disclosures) > 0 {
		body.TeachBack = body.Disclosures[:1]
	}
	if slices.ContainsFunc(open, func(r protocol.Requirement) bool { return r.Sided }) {
		body.Side = journey.Left
	}
	return s.give(ctx, actor, role, journey.RecordConsent, body)
}

// findings are what clinicians record of some of the reviews.
var findings = map[string]string{
	"medical-history":         "History as dictated; nothing that stands against donation.",
	"renal-angiogram":         "One artery and one vein on each side, no mass, no stone.",
	"psychosocial-evaluation": "Good understanding and support; plan for work and home is realistic.",
	"nephrology-review":       "Kidney function and risk discussed; the candidate weighed both.",
	"surgery-review":          "Fit for a laparoscopic operation; left side suggested, longer vein.",
}

// performers are the accounts of the demonstration that give the reviews.
var performers = map[protocol.Performer]string{
	"surgeon": surgeon, "radiology": surgeon, "anaesthetist": surgeon, "urologist": surgeon,
	"social-worker": psychologist, "psychologist": psychologist, "psychiatrist": psychologist, "dietitian": psychologist,
}

// notMet are results that the nephrologist does not accept.
var notMet = map[string][]string{"c05": {"body-size"}, "c09": {"gfr-measured"}}

// committeeGates are those that the committee wants passed, and the scheduling.
var committeeGates = []journey.Gate{journey.ForCommittee, journey.ForScheduling}

func (s *script) review(ctx context.Context) error {
	day := s.issued("evaluation")
	s.on(day.AddDays(1), 9, 0)
	chart, _, err := s.chart(ctx)
	if err != nil {
		return err
	}
	// What the bundle tells is newer, and counts.
	if err := s.report(ctx, chart.Fill(day.AddDays(-25).Start(s.dispatcher.Current.Zone()).Add(8*time.Hour), committeeGates...)); err != nil {
		return err
	}
	s.on(day.AddDays(1), 14, 0)
	if err := s.sign(ctx); err != nil {
		return err
	}
	if err := s.consent(ctx, coordinator, journey.Coordinator, committeeGates...); err != nil {
		return err
	}
	if err := s.estimate(ctx, day.AddDays(2)); err != nil {
		return err
	}
	return s.reviews(ctx, day.AddDays(3), committeeGates...)
}

// estimates are risks that the nephrologist obtained elsewhere, in percent: without
// a donation, and after one. The numbers are invented.
var estimates = map[string][2]json.Number{"c02": {"0.28", "0.61"}, "c06": {"0.9", "1.7"}, "c12": {"0.31", "0.66"}, "c18": {"0.4", "0.8"}}

// estimate records risks that were obtained outside.
func (s *script) estimate(ctx context.Context, day journey.Date) error {
	percents, ok := estimates[s.person.ID]
	if !ok {
		return nil
	}
	s.on(day, 16, 30)
	for i, scenario := range command.RiskScenarios {
		if err := s.give(ctx, nephrologist, journey.Clinician, journey.RecordRisk, &command.RecordRisk{
			Outcome: "kidney-failure", Scenario: scenario, Percent: percents[i], Lifetime: true,
			Model: "Invented estimator", ModelVersion: "0.0", Source: "made up for the demonstration, of no use for anybody", Date: day,
		}); err != nil {
			return err
		}
	}
	return nil
}

// reviews records those of the clinicians, each with its words or together with
// others of the same person.
func (s *script) reviews(ctx context.Context, from journey.Date, gates ...journey.Gate) error {
	open, err := s.open(ctx, journey.ByReview, journey.Clinician, gates...)
	if err != nil {
		return err
	}
	together := map[string][]string{}
	for i, r := range open {
		actor := cmp.Or(performers[r.Performer], nephrologist)
		if findings[r.ID] == "" {
			together[actor] = append(together[actor], r.ID)
			continue
		}
		s.on(from.AddDays(i/4), 15, i%60)
		if err := s.give(ctx, actor, journey.Clinician, journey.RecordReview, &command.RecordReview{
			Requirement: r.ID, Position: journey.Supports, Findings: findings[r.ID],
		}); err != nil {
			return err
		}
	}
	for _, actor := range []string{nephrologist, surgeon, psychologist} {
		if len(together[actor]) == 0 {
			continue
		}
		s.advance(s.at.Add(time.Hour))
		if err := s.give(ctx, actor, journey.Clinician, journey.RecordReview, &command.RecordReview{
			Requirements: together[actor], Position: journey.Supports, Findings: "Seen and examined; nothing that stands against donation.",
			Structured: s.structured(together[actor]),
		}); err != nil {
			return err
		}
	}
	return nil
}

// advise records what the advocate has to give.
func (s *script) advise(ctx context.Context, gates ...journey.Gate) error {
	open, err := s.open(ctx, journey.ByReview, journey.Advocate, gates...)
	if err != nil || len(open) == 0 {
		return err
	}
	return s.give(ctx, advocate, journey.Advocate, journey.RecordReview, &command.RecordReview{
		Requirements: ids(open), Position: journey.Supports, Duties: s.items(open),
		Findings: "The decision is the candidate's own; all disclosures are understood.",
	})
}

// sign signs every result that waits, in each role that signs.
func (s *script) sign(ctx context.Context) error {
	_, state, err := s.chart(ctx)
	if err != nil {
		return err
	}
	for _, signer := range []struct {
		actor string
		role  journey.Role
	}{{nephrologist, journey.Clinician}, {coordinator, journey.Coordinator}} {
		verdicts := map[journey.Verdict][]string{}
		for _, r := range s.dispatcher.Current.Requirements {
			has, _ := state.Find(r.ID)
			if r.Evidence != journey.ByResult || r.Signer != signer.role || has.Status != journey.Resulted && has.Status != journey.NeedsReview {
				continue
			}
			verdict := journey.VerdictMet
			if slices.Contains(notMet[s.person.ID], r.ID) {
				verdict = journey.VerdictNotMet
			}
			verdicts[verdict] = append(verdicts[verdict], r.ID)
		}
		for _, verdict := range []journey.Verdict{journey.VerdictMet, journey.VerdictNotMet} {
			if len(verdicts[verdict]) == 0 {
				continue
			}
			reason := "Seen and discussed; acceptable in the whole picture."
			if verdict == journey.VerdictNotMet {
				reason = "Outside what this programme accepts."
			}
			if err := s.give(ctx, signer.actor, signer.role, journey.SignResults, &command.SignResults{
				Requirements: verdicts[verdict], Verdict: verdict, Reason: reason,
			}); err != nil {
				return err
			}
		}
	}
	return nil
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
	if err := s.advise(ctx, committeeGates...); err != nil {
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
	if err := s.recordRecipient(ctx); err != nil {
		return err
	}
	return s.give(ctx, coordinator, journey.Coordinator, journey.Schedule, &command.Schedule{
		Date: s.operation(), Approach: "laparoscopic", Side: journey.Left,
		Team: []command.TeamMember{{Part: "surgeon", Account: surgeon}, {Part: "coordinator", Account: coordinator}},
	})
}

// recordRecipient records the group of the recipient, who has that of the
// candidate.
func (s *script) recordRecipient(ctx context.Context) error {
	group, _, err := s.bloodTypes()
	if err != nil {
		return err
	}
	group, _, _ = strings.Cut(group, " ")
	sample := func(days int) command.RecipientSample {
		day := s.at.AddDate(0, 0, -days)
		return command.RecipientSample{Group: group, Specimen: fmt.Sprintf("R-%s-%d", s.person.ID, days), Collected: day.Format(time.RFC3339)}
	}
	return s.give(ctx, coordinator, journey.Coordinator, journey.RecordRecipient, &command.RecordRecipient{
		Recipient: recipientOf(s.person.ID), Samples: []command.RecipientSample{sample(40), sample(12)},
	})
}

// confirm reads every line of a check back right.
func (s *script) confirm(ctx context.Context, kind journey.Kind, actors ...reader) error {
	first, second, err := s.bloodTypes()
	if err != nil {
		return err
	}
	group, _, _ := strings.Cut(first, " ")
	body := &command.LastCheck{
		BirthDate: s.person.BirthDate, Identifier: s.person.MRN, BloodTypeFirst: first, BloodTypeSecond: second, Side: journey.Left,
		Readings: map[string]string{},
	}
	right := map[protocol.Comparison]string{
		protocol.CompareBloodGroup: group, protocol.CompareRecipientGroup: group, protocol.CompareRecipient: recipientOf(s.person.ID),
		protocol.CompareCompatibility: "compatible", protocol.CompareSide: string(journey.Left), protocol.CompareArteries: "1",
		protocol.CompareInForce: "yes", protocol.CompareAnswer: "yes",
	}
	for _, line := range s.dispatcher.Current.CheckLines(kind) {
		if reading, ok := right[line.Compare]; ok && line.ID != string(protocol.CompareSide) {
			body.Readings[line.ID] = reading
		}
	}
	for _, actor := range actors {
		if err := s.give(ctx, actor.account, actor.role, kind, body); err != nil {
			return err
		}
	}
	return nil
}

// reader is somebody who reads a check back.
type reader struct {
	account string
	role    journey.Role
}

// prepare brings everything up to date before the operation.
func (s *script) prepare(ctx context.Context) error {
	if err := s.receive(ctx, "preoperative"); err != nil {
		return err
	}
	gates := []journey.Gate{journey.ForEvaluation, journey.ForCommittee, journey.ForScheduling, journey.ForOperation}
	eve := s.operation().AddDays(-1)
	s.on(eve, 12, 0)
	chart, _, err := s.chart(ctx)
	if err != nil {
		return err
	}
	if err := s.report(ctx, chart.Fill(s.at.Add(-3*time.Hour), gates...)); err != nil {
		return err
	}
	if err := s.sign(ctx); err != nil {
		return err
	}
	if err := s.reviews(ctx, eve, gates...); err != nil {
		return err
	}
	if err := s.advise(ctx, gates...); err != nil {
		return err
	}
	s.on(eve, 20, 0)
	if err := s.consent(ctx, surgeon, journey.Clinician, gates...); err != nil {
		return err
	}
	s.on(eve, 20, 30)
	return s.confirm(ctx, journey.ConfirmVerification, reader{coordinator, journey.Coordinator}, reader{surgeon, journey.Clinician})
}

func (s *script) operate(ctx context.Context) error {
	s.on(s.operation(), 7, 40)
	if err := s.confirm(ctx, journey.ConfirmLastCheck, reader{surgeon, journey.Clinician}, reader{nephrologist, journey.Clinician}); err != nil {
		return err
	}
	s.on(s.operation(), 8, 15)
	return s.give(ctx, surgeon, journey.Clinician, journey.BeginOperation, &command.Plain{})
}

func (s *script) afterOperation(ctx context.Context) error {
	s.on(s.operation(), 11, 50)
	return s.give(ctx, surgeon, journey.Clinician, journey.RecordOperation, s.operationRecord())
}

// goHome tells of the stay, of the medicines taken afterwards and of the first
// days at home.
func (s *script) goHome(ctx context.Context) error {
	s.on(s.operation().AddDays(1), 11, 0)
	if err := s.give(ctx, coordinator, journey.Coordinator, journey.RecordStay, &command.RecordStay{
		Walking: s.operation().AddDays(1), Eating: s.operation().AddDays(1), CatheterOut: s.operation().AddDays(1), Work: "desk",
	}); err != nil {
		return err
	}
	s.on(s.operation().AddDays(3), 10, 0)
	if err := s.give(ctx, coordinator, journey.Coordinator, journey.RecordMedicines, &command.RecordMedicines{Complete: "yes", Medicines: []command.Medicine{
		{
			Name: "Paracetamol 500 mg", ATC: "N02BE01", Dose: &command.Dose{Count: "2", TimesADay: "4"}, Since: s.operation(),
			Ingredients: []command.Ingredient{{Substance: command.SubstanceParacetamol, Strength: result.Quantity{Value: "500", Unit: "mg"}}},
		},
		{Name: "Macrogol", ATC: "A06AD15", AsNeeded: true, Since: s.operation().AddDays(1)},
	}}); err != nil {
		return err
	}
	s.on(s.operation().AddDays(5), 9, 0)
	return s.give(ctx, coordinator, journey.Coordinator, journey.RecordStay, &command.RecordStay{
		Discharged: s.operation().AddDays(2), LastOpioid: s.operation().AddDays(4),
	})
}

// recover ends recovery and keeps the visits whose day has come.
func (s *script) recover(ctx context.Context) error {
	if err := s.aftermath(ctx); err != nil {
		return err
	}
	if err := s.goHome(ctx); err != nil {
		return err
	}
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

// visit sees the donor, and answers the clinical form but for one of them.
func (s *script) visit(ctx context.Context, id string) error {
	chart, _, err := s.chart(ctx)
	if err != nil {
		return err
	}
	visits := s.dispatcher.Current.Visits
	if i := slices.IndexFunc(visits, func(v protocol.Visit) bool { return v.ID == id }); i >= 0 && s.person.ID != unanswered {
		if err := s.report(ctx, chart.Form(visits[i], s.at.Add(-10*time.Minute))); err != nil {
			return err
		}
	}
	return s.give(ctx, coordinator, journey.Coordinator, journey.RecordVisit, &command.RecordVisit{Visit: id, Outcome: journey.Seen})
}

// unanswered is the donor whose forms wait.
const unanswered = "c04"

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
