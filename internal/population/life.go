package population

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

// The gates that somebody passes on the way.
var (
	committeeGates = []journey.Gate{journey.ForEvaluation, journey.ForCommittee, journey.ForScheduling}
	allGates       = []journey.Gate{journey.ForEvaluation, journey.ForCommittee, journey.ForScheduling, journey.ForOperation}
)

// live plays the journey as far as the person goes.
func (p *player) live() {
	p.give(coordinator, journey.Refer, &p.who.referral)
	for _, part := range []struct {
		stage journey.Stage
		play  func()
	}{
		{journey.Referral, p.screen},
		{journey.Screening, p.evaluate},
		{journey.Evaluation, p.present},
		{journey.Committee, p.decide},
		{journey.Approved, p.schedule},
		{journey.Scheduled, p.prepare},
		{journey.Operation, p.operate},
		{journey.Recovery, p.recover},
		{journey.FollowUp, p.follow},
	} {
		if p.over() {
			break
		}
		p.meanwhile()
		if p.who.goes == part.stage || p.state.Stage != part.stage {
			p.leave()
			break
		}
		part.play()
	}
	if p.err == nil && p.state.Stage.Ended() && p.chance(0.3) {
		p.tooLate()
	}
}

// tooLate gives commands to a journey that has ended.
func (p *player) tooLate() {
	p.wait(1, 40)
	p.report(p.strange())
	p.give(coordinator, journey.Hold, &command.Plain{Note: p.note()})
	p.give(coordinator, journey.RecordContactDetails, &command.ContactDetails{Phone: "+1 202-555-0100 " + Reach, EmailPermission: command.PermissionRefused})
}

// leave ends the journey where it stands, or lets it stand.
func (p *player) leave() {
	if p.over() {
		return
	}
	if p.heard && p.state.Stage != journey.Referral && p.state.Stage != journey.Screening {
		p.review(true, committeeGates...)
		p.advise(true, committeeGates...)
	}
	if p.who.pauses && p.state.Stage.BeforeOperation() {
		p.give(pick(p.dice, coordinator, nephrologist, advocate), journey.Hold, &command.Plain{Note: p.note()})
	}
	p.wait(1, 60)
	switch p.who.leaves {
	case Withdraws:
		p.give(pick(p.dice, coordinator, nephrologist, advocate), journey.Withdraw, &command.Plain{Note: p.note()})
	case Dies:
		p.give(pick(p.dice, coordinator, nephrologist), journey.RecordDeath, &command.RecordDeath{DiedOn: p.today().AddDays(-p.dice.IntN(3)), Note: p.note()})
	case Declined:
		p.decline()
	default:
		if p.state.Stage != journey.Operation {
			p.wait(10, 200)
			p.meanwhile()
		}
	}
}

// decline declines as the stage allows it, with what the committee has to hear.
func (p *player) decline() {
	reason := &command.Reasoned{Reason: p.note()}
	switch p.state.Stage {
	case journey.Referral, journey.Screening:
		p.give(pick(p.dice, coordinator, nephrologist), journey.Decline, reason)
	case journey.Committee:
		p.give(committee, journey.RecordDecision, &command.RecordDecision{Outcome: journey.DeclineCandidate, Seats: p.seats(), Reason: p.note()})
	default:
		if !p.give(committee, journey.Decline, reason) && p.state.Stage != journey.OnHold {
			p.review(true, committeeGates...)
			p.advise(true, committeeGates...)
			p.give(committee, journey.Decline, reason)
		}
	}
}

func (p *player) screen() {
	p.wait(0, 6)
	p.give(coordinator, journey.BeginScreening, &command.BeginScreening{ContactConsent: !p.chance(0.03), DuplicateChecked: !p.chance(0.03)})
	if p.state.Stage == journey.Referral {
		p.give(coordinator, journey.BeginScreening, &command.BeginScreening{ContactConsent: true, DuplicateChecked: true})
	}
}

func (p *player) evaluate() {
	p.wait(0, 5)
	p.give(coordinator, journey.AssignAdvocate, &command.AssignAdvocate{Advocate: pick(p.dice, advocate.id, advocate.id, advocate.id, secondAdvocate.id)})
	if p.chance(0.5) {
		chart := p.chart()
		var asked []command.Result
		for _, id := range []string{"identity-age", "health-questionnaire", "body-size"} {
			asked = append(asked, chart.Answer(id, p.at.Add(-time.Hour))...)
		}
		p.report(p.vary(asked))
	}
	if !p.chance(p.who.thorough) {
		p.give(coordinator, journey.BeginEvaluation, &command.Plain{Note: p.note()}) // too early
	}
	p.meanwhile()
	p.settle(3, journey.ForEvaluation)
	p.wait(0, 3)
	p.give(coordinator, journey.BeginEvaluation, &command.Plain{Note: p.note()})
}

func (p *player) present() {
	for range 3 {
		p.wait(5, 30)
		p.settle(4, committeeGates...)
		p.meanwhile()
		if p.over() || p.state.Stage != journey.Evaluation || p.give(coordinator, journey.PresentToCommittee, &command.Plain{Note: p.note()}) {
			return
		}
	}
}

func (p *player) seats() []string {
	var seats []string
	for _, seat := range p.protocol.Quorum {
		seats = append(seats, seat.ID)
	}
	return seats
}

func (p *player) decide() {
	p.inquire()
	p.wait(1, 12)
	if p.who.goes == journey.Deferred || p.chance(0.08) {
		p.give(committee, journey.RecordDecision, &command.RecordDecision{
			Outcome: journey.Defer, Seats: p.seats(), Reason: p.note(), ReReviewOn: p.today().AddDays(20 + p.dice.IntN(150)),
		})
		if p.over() || p.who.goes == journey.Deferred {
			p.leave()
			return
		}
		p.wait(20, 150)
		p.meanwhile()
		p.give(coordinator, journey.Resume, &command.Plain{Note: p.note()})
		p.present()
	}
	side := pick(p.dice, journey.Left, journey.Left, journey.Right)
	for range 3 {
		p.wait(1, 8)
		seats := p.seats()
		if p.chance(0.05) {
			seats = seats[:1]
		}
		if p.over() || p.state.Stage != journey.Committee ||
			p.give(committee, journey.RecordDecision, &command.RecordDecision{
				Outcome: journey.Approve, Side: side, Seats: seats, Reason: p.note(), Conditions: p.conditions(),
			}) {
			p.meetConditions()
			return
		}
		p.settle(4, committeeGates...)
	}
}

// inquire has some committees ask before they decide, and hear the candidate.
func (p *player) inquire() {
	switch p.seed % 6 {
	case 0:
		if p.give(committee, journey.AskQuestion, &command.AskQuestion{Question: "Who helps at home? " + p.note()}) {
			p.give(coordinator, journey.AnswerQuestion, &command.AnswerQuestion{Question: p.state.Seq, Answer: p.note()})
		}
	case 1:
		p.give(coordinator, journey.RecordWords, &command.RecordWords{Words: p.note(), Agreed: true})
	case 2:
		p.give(committee, journey.AnswerQuestion, &command.AnswerQuestion{Question: 1, Answer: "of no question"})
	case 3:
		p.duties()
	}
}

// duties has the advocate tick some of them, take one back, and be refused for one that
// there is not.
func (p *player) duties() {
	by := advocate
	if p.state.Advocate == secondAdvocate.id {
		by = secondAdvocate
	}
	if len(p.protocol.AdvocateDuties) < 2 {
		return
	}
	first, second := p.protocol.AdvocateDuties[0].ID, p.protocol.AdvocateDuties[1].ID
	p.give(by, journey.ConfirmDuties, &command.ConfirmDuties{Duties: []string{first, second}, Verdict: journey.VerdictMet, On: p.today().AddDays(-1)})
	p.give(by, journey.ConfirmDuties, &command.ConfirmDuties{Duties: []string{second}, Verdict: journey.VerdictNotMet, Reason: p.note()})
	p.give(by, journey.ConfirmDuties, &command.ConfirmDuties{Duties: []string{"no-duty"}, Verdict: journey.VerdictMet})
}

// conditions has some approvals depend on something.
func (p *player) conditions() []command.Condition {
	if p.seed%4 != 0 {
		return nil
	}
	list := []command.Condition{{Text: p.note(), Before: journey.ForScheduling, Due: p.today().AddDays(20), Signer: journey.Clinician}}
	if p.seed%8 == 0 {
		list = append(list, command.Condition{Text: p.note(), Before: journey.ForOperation, Due: p.today().AddDays(30), Signer: journey.Clinician})
	}
	return list
}

// meetConditions signs or waives what an approval depends on, some of it late.
func (p *player) meetConditions() {
	if len(p.state.Imposed) > 0 && p.seed%12 == 0 {
		p.wait(22, 40)
	}
	for _, imposed := range p.state.Imposed {
		if r, _ := p.state.Find(imposed.ID); p.over() || r.InForce(p.today()) {
			continue
		}
		if p.seed%16 == 0 {
			waiver := &command.WaiveRequirement{Requirement: imposed.ID, Until: p.today().AddDays(300), Reason: p.note()}
			p.give(nephrologist, journey.WaiveRequirement, waiver)
			p.give(surgeon, journey.WaiveRequirement, waiver)
			continue
		}
		p.give(nephrologist, journey.RecordReview, &command.RecordReview{Requirement: imposed.ID, Position: journey.Supports, Findings: p.note()})
	}
}

// typed records the recipient with a group that fits, or not.
func (p *player) typed() {
	group := "AB"
	for _, sample := range protocol.BloodTypes(p.results()) {
		if group, _, _ = strings.Cut(sample.Type, " "); p.chance(0.7) {
			break
		}
	}
	recipient := p.who.referral.Recipient
	if recipient == "" || p.who.referral.Path != "direct" && p.chance(0.3) {
		recipient = fmt.Sprintf("R-%s-%d-%d", RecipientMark, p.seed, len(p.steps))
	}
	body := &command.RecordRecipient{Recipient: recipient}
	if p.chance(0.04) {
		group, body.Incompatible, body.Reason = "O", true, p.note()
	}
	for n := range 2 + p.dice.IntN(2) {
		body.Samples = append(body.Samples, command.RecipientSample{
			Group: group, Specimen: fmt.Sprintf("%s-%d-%d", RecipientMark, p.seed, n), Collected: p.at.AddDate(0, 0, -3-n).Format(time.RFC3339),
		})
	}
	if p.chance(0.1) {
		body.AntiATitre = 8
	}
	p.give(pick(p.dice, coordinator, surgeon), journey.RecordRecipient, body)
}

func (p *player) schedule() {
	p.wait(1, 10)
	p.typed()
	p.settle(3, committeeGates...)
	for range 4 {
		if p.over() || p.state.Stage != journey.Approved {
			return
		}
		body := &command.Schedule{
			Date: p.today().AddDays(pick(p.dice, 3, 15, 15) + p.dice.IntN(50)), Approach: pick(p.dice, append([]journey.Approach{""}, journey.Approaches...)...), Note: p.note(),
		}
		if p.chance(0.5) && p.state.Decision != nil {
			body.Side = p.state.Decision.Side
		}
		if p.chance(0.6) {
			body.Team = []command.TeamMember{{Part: "surgeon", Account: surgeon.id}, {Part: "coordinator", Account: coordinator.id}}
		}
		p.give(coordinator, journey.Schedule, body)
		if p.state.Stage == journey.Scheduled && p.chance(0.15) {
			p.meanwhile()
			p.cancel()
		}
		if p.state.Stage == journey.Approved {
			p.wait(3, 12)
			p.settle(3, committeeGates...)
		}
	}
}

// cancel cancels the planned operation, or moves it.
func (p *player) cancel() {
	if p.chance(0.4) {
		p.give(coordinator, journey.Schedule, &command.Schedule{Date: p.state.Planned.AddDays(p.dice.IntN(10)), Note: p.note()})
		return
	}
	told := pick(p.dice, "in-person", "by-phone", "not-yet")
	body := &command.CancelOperation{Reason: p.note(), Cause: pick(p.dice, command.CancellationCauses...), Told: told, Counselling: p.chance(0.5)}
	if told != "not-yet" {
		body.ToldOn = p.today()
	}
	p.give(pick(p.dice, coordinator, surgeon, advocate), journey.CancelOperation, body)
}

func (p *player) prepare() {
	// What can't be ready by the day is given more time.
	for range 4 {
		if p.over() || p.state.Stage != journey.Scheduled {
			return
		}
		eve := p.state.Planned.AddDays(-1)
		p.move(eve, 9)
		p.settle(4, allGates...)
		if p.chance(0.3) {
			p.meanwhile()
		}
		if p.over() || p.state.Stage != journey.Scheduled {
			return
		}
		planned := p.state.Planned
		p.move(eve, 19)
		p.confirm(journey.ConfirmVerification, coordinator, surgeon)
		p.move(planned, 7)
		p.confirm(journey.ConfirmLastCheck, surgeon, nephrologist)
		if p.over() || p.give(surgeon, journey.BeginOperation, &command.Plain{Note: p.note()}) {
			return
		}
		p.give(coordinator, journey.Schedule, &command.Schedule{Date: p.today().AddDays(3 + p.dice.IntN(8)), Note: p.note()})
	}
}

// confirm lets two people read a check back, sometimes with a mistake that is
// resolved.
func (p *player) confirm(kind journey.Kind, first, second account) {
	for range 3 {
		wrong := p.chance(0.06)
		if p.over() || p.state.Stage != journey.Scheduled || !p.read(kind, first, wrong) {
			return
		}
		if !wrong && p.chance(0.05) {
			p.read(kind, first, false) // one person is not two
		}
		wrong = wrong || p.chance(0.03)
		p.read(kind, second, wrong)
		if !p.state.LastCheck.Stopped && !p.state.Verification.Stopped {
			return
		}
		p.give(pick(p.dice, clinicians...), journey.ResolveLastCheck, &command.Reasoned{Reason: p.note()})
	}
}

// read reads every line of a check back as it is on record, or one of them wrong.
func (p *player) read(kind journey.Kind, by account, wrong bool) bool {
	truth, err := p.truth()
	if err != nil {
		p.err = err
		return false
	}
	readings := map[string]string{}
	lines := p.protocol.CheckLines(kind)
	for _, l := range lines {
		if readings[l.ID], err = truth.Recorded(l.Compare); err != nil {
			p.err = err
			return false
		}
		if l.Compare == protocol.CompareInForce || l.Compare == protocol.CompareAnswer {
			readings[l.ID] = "yes"
		}
	}
	if wrong {
		l := pick(p.dice, lines...)
		readings[l.ID] = pick(p.dice, "left", "right", "AB", "2", "no", "1950-01-01", "AB negative")
	}
	body := &command.LastCheck{
		BirthDate:  journey.Date(readings[string(protocol.CompareBirthDate)]),
		Identifier: readings[string(protocol.CompareIdentifier)], BloodTypeFirst: readings[string(protocol.CompareBloodTypeFirst)],
		BloodTypeSecond: readings[string(protocol.CompareBloodTypeSecond)], Side: journey.Side(readings[string(protocol.CompareSide)]),
	}
	for _, own := range []protocol.Comparison{
		protocol.CompareBirthDate, protocol.CompareIdentifier, protocol.CompareBloodTypeFirst, protocol.CompareBloodTypeSecond, protocol.CompareSide,
	} {
		delete(readings, string(own))
	}
	body.Readings = readings
	return p.give(by, kind, body)
}

// meanwhile is what happens beside the way: anything, or nothing.
func (p *player) meanwhile() {
	for p.chance(0.35) && !p.over() {
		p.wait(0, 4)
		pick(p.dice, p.aside()...)()
	}
}

// aside are things that may happen at any time.
func (p *player) aside() []func() {
	list := []func(){
		p.unsay, p.unsay, p.late, p.medicate, p.medicate, p.estimate, p.estimate, p.reach, p.reassign, p.forbidden, p.moveProtocol, p.pause,
		func() { p.report(p.strange()) },
		func() { p.sign(false) },
		func() { p.waive(allGates...) },
		func() {
			if p.state.Stage != journey.Referral {
				p.report(p.vary(p.chart().Fill(p.at.Add(-2*time.Hour), pick(p.dice, allGates...))))
			}
		},
	}
	if p.state.Operated == "" {
		list = append(list, p.typed, p.outdated, p.askSelf, p.appoint, p.appoint)
	} else {
		list = append(list, p.complicate, p.happen, p.happen, p.happen, p.link)
	}
	return list
}

// pause holds the journey for some time.
func (p *player) pause() {
	if !p.give(pick(p.dice, coordinator, nephrologist, advocate), journey.Hold, &command.Plain{Note: p.note()}) {
		return
	}
	p.wait(2, pick(p.dice, 60, 60, 200))
	p.report(p.strange())
	p.wait(2, 120)
	p.give(coordinator, journey.Resume, &command.Plain{Note: p.note()})
}

// reach records where the candidate may be written to.
func (p *player) reach() {
	p.give(coordinator, journey.RecordContactDetails, &command.ContactDetails{
		Email: fmt.Sprintf("somebody-%d@%s.example", p.seed, Reach), Phone: pick(p.dice, "", "+1 202-555-0123 "+Reach),
		EmailPermission: pick(p.dice, command.PermissionGiven, command.PermissionRefused),
	})
}

// reassign changes the advocate, or tries to.
func (p *player) reassign() {
	p.give(coordinator, journey.AssignAdvocate, &command.AssignAdvocate{
		Advocate: pick(p.dice, advocate.id, secondAdvocate.id, surgeon.id, "acc-nobody"), Reason: pick(p.dice, "", p.note()),
	})
}

// forbidden gives a command that most roles may not give.
func (p *player) forbidden() {
	kind := pick(p.dice, journey.Kinds()...)
	if slices.Contains([]journey.Kind{journey.Withdraw, journey.Decline, journey.RecordDeath, journey.Close}, kind) {
		return // it might be carried out
	}
	body, _ := command.New(kind)
	p.give(pick(p.dice, committee, administrator, recipientSide, advocate), kind, body)
}

// moveProtocol moves the candidate to another version.
func (p *player) moveProtocol() {
	p.give(administrator, journey.MoveProtocol, &command.MoveProtocol{Version: pick(p.dice, p.Protocols...).Version, Reason: p.note()})
}

// outdated delivers a result once more as it was before, out of order.
func (p *player) outdated() {
	results := p.results()
	if len(results) == 0 {
		return
	}
	r := pick(p.dice, results...)
	p.give(coordinator, journey.RecordResults, &command.RecordResults{Results: []command.Result{{
		Identifier: r.Identifier, Status: "final", Category: r.Category, Code: r.Code, Effective: r.Effective, EffectiveEnd: r.EffectiveEnd,
		Issued:   p.at.AddDate(-1, 0, 0).Format(time.RFC3339),
		Quantity: r.Value.Quantity, Coded: r.Value.Coding, Text: r.Value.Text, Components: r.Components, Specimen: r.Specimen, Method: r.Method,
	}}})
}
