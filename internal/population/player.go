package population

import (
	"cmp"
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
	"candidacy/internal/synthetic"
)

// player plays one journey. A fault of the system ends it: err is kept, and
// nothing more is given.
type player struct {
	*Programme
	ctx  context.Context
	dice *rand.Rand
	seed uint64
	who  traits
	// protocol is the version that the candidate is on.
	protocol *protocol.Protocol

	candidate string
	at        time.Time
	state     journey.State
	steps     []Step
	journey   Journey
	err       error
	// heard has everything that the committee has to hear on record before the
	// journey ends, however it ends.
	heard bool
	// last is why the last command was refused.
	last *refusal
	made int
	// truths are the unremarkable values of results that were reported otherwise.
	truths map[result.Identifier]command.Result
	// waiting are results that were reported and are not final yet.
	waiting []command.Result
}

// Play invents a person and plays their journey.
func (p *Programme) Play(ctx context.Context, seed uint64) (Journey, error) {
	return p.player(ctx, seed).play()
}

// End plays the journey of a seed up to a stage and ends it there, in one of the
// ways in which it may end. Up to then it is the same however it ends.
func (p *Programme) End(ctx context.Context, seed uint64, stage journey.Stage, exit Exit) (Journey, error) {
	one := p.player(ctx, seed)
	one.who.goes, one.who.leaves, one.who.pauses, one.heard = stage, exit, false, true
	one.who.halt()
	// By chance, a deadline would pass by itself before one exit and with another.
	one.who.timers = float64(seed % 2)
	return one.play()
}

func (p *Programme) player(ctx context.Context, seed uint64) *player {
	one := &player{
		Programme: p, ctx: ctx, dice: rand.New(rand.NewPCG(seed, 0x6a6f75726e6579)), seed: seed, truths: map[result.Identifier]command.Result{},
		journey: Journey{Seed: seed, Reached: map[string]int{}},
	}
	one.who = invent(one.dice, seed, p.Protocols)
	one.protocol, one.at = one.who.protocol, one.who.begins
	return one
}

func (p *player) play() (Journey, error) {
	p.live()
	p.journey.Candidate, p.journey.Protocol, p.journey.Steps, p.journey.State = p.candidate, p.protocol.Version, p.steps, p.state
	return p.journey, p.err
}

func (p *player) chance(share float64) bool { return p.dice.Float64() < share }

func (p *player) today() journey.Date { return journey.DateOf(p.at, p.protocol.Zone()) }

// over reports whether nothing more can be given.
func (p *player) over() bool { return p.err != nil || p.state.Stage.Ended() }

// wait moves the clock on by some days, to a time of the working day.
func (p *player) wait(least, most int) {
	day := p.today().AddDays(least + p.dice.IntN(most-least+1))
	p.move(day, 8+p.dice.IntN(9))
}

// move moves the clock to an hour of a day, and never back.
func (p *player) move(day journey.Date, hour int) {
	at := day.Start(p.protocol.Zone()).Add(time.Duration(hour)*time.Hour + time.Duration(p.dice.IntN(60))*time.Minute)
	p.at = p.at.Add(time.Minute)
	if at.After(p.at) {
		p.at = at
	}
}

// give gives a command and reports whether it was carried out.
func (p *player) give(by account, kind journey.Kind, body command.Body) bool {
	if p.err != nil {
		return false
	}
	p.at = p.at.Add(time.Minute)
	s := Step{
		At: p.at, Timers: p.chance(p.who.timers), Kind: kind, Actor: by.id, Role: by.role, Body: body,
	}
	if kind == journey.Refer {
		s.Protocol = p.protocol.Version
	}
	receipt, refused, err := p.Programme.give(p.ctx, p.candidate, fmt.Sprintf("%d/%d", p.seed, len(p.steps)), s)
	p.last = refused
	if refused != nil {
		s.Refused = refused.why
	} else if err == nil {
		p.candidate = receipt.Candidate
	}
	p.steps = append(p.steps, s)
	if err != nil {
		p.err = fmt.Errorf("step %d, %s: %w", len(p.steps)-1, kind, err)
		return false
	}
	if p.candidate != "" {
		known, err := p.Store.Resumable(p.ctx, p.candidate)
		if err != nil {
			p.err = err
			return false
		}
		p.journey.note(p.state, known.State)
		p.state = known.State
		p.protocol = p.version(known.Protocol)
	}
	return refused == nil
}

func (p *player) version(name string) *protocol.Protocol {
	i := slices.IndexFunc(p.Protocols, func(one *protocol.Protocol) bool { return one.Version == name })
	if i < 0 {
		return p.protocol
	}
	return p.Protocols[i]
}

// results are those on record.
func (p *player) results() []result.Result {
	if p.err != nil || p.candidate == "" {
		return nil
	}
	list, err := p.Store.Results(p.ctx, p.candidate)
	if err != nil {
		p.err = err
	}
	return list
}

// chart is what is on record, to be gone on with.
func (p *player) chart() *synthetic.Chart {
	r := p.who.referral
	return &synthetic.Chart{
		Protocol: p.protocol, Key: fmt.Sprintf("%d-%d", p.seed, len(p.steps)), Results: p.results(), Operation: p.state.Planned,
		Person: protocol.Person{BirthDate: r.BirthDate, Sex: r.Sex, Path: r.Path, RecipientKnown: r.Recipient != "", Planned: p.state.Planned},
	}
}

// open lists the requirements of an evidence and signer up to some gates that are
// not in force, on the planned day where there is one.
func (p *player) open(evidence journey.Evidence, signer journey.Role, gates ...journey.Gate) []protocol.Requirement {
	rules := p.protocol.Rules()
	on := max(p.today(), p.state.Planned)
	var list []protocol.Requirement
	for _, r := range p.protocol.Requirements {
		has, _ := p.state.Find(r.ID)
		rule, _ := rules.Requirement(r.ID)
		inForce := has.InForce(on) && (p.state.Planned == "" || rule.RecentFor(has, on))
		if r.Evidence == evidence && r.Signer == signer && slices.Contains(gates, r.Gate) && !inForce {
			list = append(list, r)
		}
	}
	return list
}

// note is a text that stays with the programme.
func (p *player) note() string {
	return pick(p.dice, "Told in confidence: ", "<b>Said & done</b> ", "“Frei”: ") + Secret
}

// report reports results in a few messages. Some are preliminary at first, some
// are reported twice.
func (p *player) report(list []command.Result) {
	if len(list) == 0 || p.over() {
		return
	}
	for i := range list {
		if p.told.ConfidentialResult(list[i].Code, list[i].Components) {
			list[i].Method, list[i].Specimen = Told, Told
		}
	}
	if p.chance(0.3) {
		p.dice.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
	}
	if p.chance(0.5) {
		list = p.reported(list)
	}
	messages := 1 + p.dice.IntN(2)
	for part := range slices.Chunk(list, min(400, (len(list)+messages-1)/messages)) {
		var sent []command.Result
		for _, r := range part {
			if !p.chance(p.who.thorough) && p.chance(0.3) {
				p.waiting = append(p.waiting, r)
				if p.chance(0.5) {
					continue // it comes late
				}
				if r.Status = pick(p.dice, result.Preliminary, result.Registered); r.Status == result.Registered {
					r.Quantity, r.Coded, r.Components = nil, nil, nil
				}
			}
			sent = append(sent, r)
		}
		if len(sent) == 0 {
			continue
		}
		body := &command.RecordResults{Results: sent}
		p.give(pick(p.dice, coordinatorsToo...), journey.RecordResults, body)
		if p.chance(0.03) {
			p.give(coordinator, journey.RecordResults, body) // the same once more
		}
	}
}

// late reports what was waited for, or that it never comes.
func (p *player) late() {
	if len(p.waiting) == 0 || p.over() {
		return
	}
	list := p.waiting
	p.waiting = nil
	for i := range list {
		if p.chance(0.1) {
			list[i].Status = result.Cancelled
		}
	}
	p.give(coordinator, journey.RecordResults, &command.RecordResults{Results: list})
}

// correct reports again, as corrected, what was out of the ordinary, so that the
// candidate can go on.
func (p *player) correct() {
	var list []command.Result
	for _, r := range p.results() {
		truth, ok := p.truths[r.Identifier]
		if !ok {
			continue
		}
		delete(p.truths, r.Identifier)
		truth.Status = pick(p.dice, result.Corrected, result.Amended)
		truth.Issued = p.at.Format(time.RFC3339)
		list = append(list, truth)
	}
	if len(list) > 0 && !p.over() {
		p.give(coordinator, journey.RecordResults, &command.RecordResults{Results: list})
	}
}

// unsay takes some results back.
func (p *player) unsay() {
	results := p.results()
	if len(results) == 0 || p.over() {
		return
	}
	var list []command.Result
	for range 1 + p.dice.IntN(3) {
		r := results[p.dice.IntN(len(results))]
		again := command.Result{
			Identifier: r.Identifier, Status: pick(p.dice, result.EnteredInError, result.EnteredInError, result.Cancelled, result.Corrected),
			Category: r.Category, Code: r.Code, Effective: r.Effective, EffectiveEnd: r.EffectiveEnd, Issued: p.at.Format(time.RFC3339),
			Quantity: r.Value.Quantity, Coded: r.Value.Coding, Text: r.Value.Text, Components: r.Components,
			Specimen: r.Specimen, BodySite: r.BodySite, Method: r.Method,
		}
		if p.chance(0.3) && !again.Status.Usable() {
			again.Quantity, again.Coded, again.Text, again.Components = nil, nil, "", nil
		}
		if !slices.ContainsFunc(list, func(other command.Result) bool { return other.Identifier == again.Identifier }) {
			list = append(list, again)
		}
	}
	p.give(coordinator, journey.RecordResults, &command.RecordResults{Results: list})
}

// sign signs what waits for a signature. Firm is for who wants to go on: whatever
// may be accepted is.
func (p *player) sign(firm bool) {
	for _, by := range []account{nephrologist, coordinator} {
		verdicts := map[journey.Verdict][]string{}
		for _, r := range p.protocol.Requirements {
			has, _ := p.state.Find(r.ID)
			waits := has.Status == journey.Resulted || has.Status == journey.NeedsReview || firm && has.Status == journey.NotMet
			if r.Evidence != journey.ByResult || r.Signer != by.role || !waits || !firm && !p.chance(p.who.thorough) {
				continue
			}
			verdict := journey.VerdictMet
			excluded := slices.ContainsFunc(p.state.FlagsOf(r.ID), func(f journey.Flag) bool { return f.Absolute && f.Band == journey.Excludes })
			if excluded || !firm && has.Status == journey.NeedsReview && p.chance(0.15) {
				verdict = journey.VerdictNotMet
			}
			verdicts[verdict] = append(verdicts[verdict], r.ID)
		}
		for _, verdict := range []journey.Verdict{journey.VerdictMet, journey.VerdictNotMet} {
			for ids := range slices.Chunk(verdicts[verdict], 100) {
				p.signAs(by, verdict, ids)
			}
		}
	}
}

func (p *player) signAs(by account, verdict journey.Verdict, ids []string) {
	body := &command.SignResults{Requirements: ids, Verdict: verdict, Reason: p.note()}
	if p.chance(0.1) {
		body.Until = p.today().AddDays(100 + p.dice.IntN(200))
	}
	if p.chance(0.3) {
		body.Evidence = map[string]string{}
		for _, id := range ids {
			has, _ := p.state.Find(id)
			body.Evidence[id] = has.Evidence
		}
	}
	if !p.give(by, journey.SignResults, body) || verdict != journey.VerdictMet {
		return
	}
	if by.role == journey.Clinician {
		p.countersign(ids, body.Until)
	}
}

// countersign gives the second signature where one is wanted, mostly.
func (p *player) countersign(ids []string, until journey.Date) {
	var second []string
	for _, id := range ids {
		if has, _ := p.state.Find(id); has.Awaiting != nil && !has.Awaiting.Waiver {
			second = append(second, id)
		}
	}
	if len(second) > 0 && p.chance(0.9) {
		p.give(surgeon, journey.SignResults, &command.SignResults{Requirements: second, Verdict: journey.VerdictMet, Reason: p.note(), Until: until})
	}
}

// performers are who gives a review, by who performs it.
var performers = map[protocol.Performer]account{
	"surgeon": surgeon, "radiology": surgeon, "anaesthetist": surgeon, "urologist": surgeon,
	"social-worker": psychologist, "psychologist": psychologist, "psychiatrist": psychologist, "dietitian": psychologist,
}

// review gives the reviews of the clinicians that are open.
func (p *player) review(firm bool, gates ...journey.Gate) {
	together := map[account][]string{}
	for _, r := range p.open(journey.ByReview, journey.Clinician, gates...) {
		if !firm && !p.chance(p.who.thorough) {
			continue
		}
		by := cmp.Or(performers[r.Performer], nephrologist)
		if !firm && p.chance(0.02) {
			p.give(by, journey.RecordReview, &command.RecordReview{
				Requirement: r.ID, Position: pick(p.dice, journey.Concerns, journey.Objects, journey.Supports), Findings: p.note(),
			})
			continue
		}
		together[by] = append(together[by], r.ID)
	}
	for _, by := range clinicians {
		if len(together[by]) > 0 {
			p.give(by, journey.RecordReview, &command.RecordReview{Requirements: together[by], Position: journey.Supports, Findings: p.note(), Duties: p.items(together[by])})
		}
	}
}

// items are the checklists of requirements.
func (p *player) items(requirements []string) []string {
	var list []string
	for _, id := range requirements {
		for _, item := range p.protocol.Items(id) {
			list = append(list, item.ID)
		}
	}
	return list
}

// advise gives what the candidate's advocate owes.
func (p *player) advise(firm bool, gates ...journey.Gate) {
	var ids []string
	for _, r := range p.open(journey.ByReview, journey.Advocate, gates...) {
		ids = append(ids, r.ID)
	}
	if len(ids) == 0 || p.over() {
		return
	}
	by := advocate
	if p.state.Advocate == secondAdvocate.id {
		by = secondAdvocate
	}
	if !firm && p.chance(0.06) {
		p.give(by, journey.RecordReview, &command.RecordReview{
			Requirement: ids[0], Position: pick(p.dice, journey.Concerns, journey.Objects), Findings: p.note(),
		})
		return
	}
	p.give(by, journey.RecordReview, &command.RecordReview{Requirements: ids, Position: journey.Supports, Findings: p.note(), Duties: p.items(ids)})
}

// consent records the consents that are open.
func (p *player) consent(firm bool, gates ...journey.Gate) {
	for _, by := range []account{coordinator, surgeon} {
		var ids []string
		body := &command.RecordConsent{Note: p.note()}
		for _, r := range p.open(journey.ByConsent, "", gates...) {
			// Consents that name the side are given to the surgeon.
			if r.Sided != (by == surgeon) {
				continue
			}
			if has, _ := p.state.Find(r.ID); has.Status == journey.NotDue || !firm && !p.chance(p.who.thorough) {
				continue
			}
			ids = append(ids, r.ID)
			if r.Sided && p.state.Decision != nil {
				body.Side = p.state.Decision.Side
			}
		}
		if len(ids) == 0 || p.over() {
			continue
		}
		body.Requirements, body.Disclosures = ids, p.items(ids)
		if n := len(body.Disclosures); n > 0 {
			body.TeachBack = body.Disclosures[:p.dice.IntN(n)]
		}
		p.give(by, journey.RecordConsent, body)
	}
}

// waive waives one or two of what is open, with a second person where one is
// wanted.
func (p *player) waive(gates ...journey.Gate) {
	for _, r := range slices.Concat(p.open(journey.ByResult, journey.Clinician, gates...), p.open(journey.ByReview, journey.Clinician, gates...)) {
		if r.NoWaiver || !p.chance(0.05) || p.over() {
			continue
		}
		body := &command.WaiveRequirement{Requirement: r.ID, Until: p.today().AddDays(30 + p.dice.IntN(300)), Reason: p.note()}
		p.give(nephrologist, journey.WaiveRequirement, body)
		if has, _ := p.state.Find(r.ID); has.Awaiting != nil {
			p.give(pick(p.dice, surgeon, surgeon, nephrologist), journey.WaiveRequirement, body)
		}
	}
}

// settle brings what is owed up to some gates into force, as far as it goes.
func (p *player) settle(rounds int, gates ...journey.Gate) {
	for round := range rounds {
		if p.over() {
			return
		}
		firm := round > 0
		if round > 1 {
			p.correct()
		}
		list := p.chart().Fill(p.at.Add(-time.Duration(3+p.dice.IntN(60))*time.Hour), gates...)
		if !firm {
			list = p.vary(list)
		}
		p.report(list)
		p.late()
		if !firm && p.chance(0.3) {
			p.waive(gates...)
		}
		p.sign(firm)
		p.review(firm, gates...)
		p.consent(firm, gates...)
		p.advise(firm, gates...)
		if p.settled(gates...) {
			return
		}
		if !firm && p.state.Planned == "" {
			p.wait(0, 9)
			p.meanwhile()
		}
	}
}

func (p *player) settled(gates ...journey.Gate) bool {
	for _, evidence := range []journey.Evidence{journey.ByResult, journey.ByReview, journey.ByConsent} {
		for _, signer := range []journey.Role{journey.Clinician, journey.Coordinator, journey.Advocate, ""} {
			if len(p.open(evidence, signer, gates...)) > 0 {
				return false
			}
		}
	}
	return true
}

// truth is what a check compares with.
func (p *player) truth() (activities.CheckRecord, error) {
	entries, err := p.Store.EntriesOf(p.ctx, p.candidate, journey.RecordRecipient)
	if err != nil {
		return activities.CheckRecord{}, err
	}
	recipient, err := activities.RecipientOf(entries)
	if err != nil {
		return activities.CheckRecord{}, err
	}
	r := p.who.referral
	return activities.CheckRecord{
		Protocol: p.protocol, State: p.state, Results: p.results(), Recipient: recipient,
		Identity: record.Identity{Given: r.Given, Family: r.Family, BirthDate: r.BirthDate, Sex: r.Sex, Identifier: r.Identifier},
	}, nil
}
