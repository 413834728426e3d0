package population

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// operate records how the operation ended.
func (p *player) operate() {
	body := p.record()
	p.at = p.at.Add(5 * time.Hour)
	if p.chance(0.05) {
		p.complicate()
	}
	if !p.give(surgeon, journey.RecordOperation, body) {
		p.give(surgeon, journey.RecordOperation, &command.RecordOperation{Outcome: body.Outcome, Side: body.Side})
	}
}

// record is an operation as it may be dictated: in full, in part or in two words.
func (p *player) record() *command.RecordOperation {
	side := journey.Left
	if p.state.Decision != nil {
		side = p.state.Decision.Side
	}
	body := &command.RecordOperation{Outcome: journey.Removed, Side: side, Note: p.note()}
	if p.chance(0.2) {
		body.Outcome = journey.StoppedNotRemoved
	}
	removed := body.Outcome == journey.Removed
	if p.chance(0.15) {
		return body
	}
	begun := p.at
	at := func(minutes int) string { return begun.Add(time.Duration(minutes) * time.Minute).Format(time.RFC3339) }
	body.PlannedApproach = string(pick(p.dice, journey.Approaches...))
	body.Approach = body.PlannedApproach
	if p.chance(0.15) {
		if body.Approach = string(pick(p.dice, journey.Approaches...)); body.Approach != body.PlannedApproach {
			body.Conversion = &command.Conversion{Reason: pick(p.dice, command.ConversionReasons...), Note: p.note()}
		}
	}
	anaesthesia := removed || p.chance(0.7)
	body.Times = &command.OperationTimes{InTheatre: at(0), Incision: at(50), Closure: at(190), OutOfTheatre: at(215)}
	if anaesthesia {
		body.Times.Anaesthesia = at(15)
	} else {
		body.Times = &command.OperationTimes{InTheatre: at(0), OutOfTheatre: at(215)}
	}
	if !removed {
		body.Stop = &command.Stop{Anaesthesia: &anaesthesia, Reason: pick(p.dice, command.StopReasons...), At: at(120), Note: p.note()}
		return body
	}
	body.Times.ArteryClamped, body.Times.KidneyOut, body.Times.Flush, body.Times.HandOver = at(130), at(133), at(135), at(150)
	if p.chance(0.2) {
		body.Times.ArteryClamped, body.Times.Flush = "", ""
		seconds := 100 + p.dice.IntN(400)
		body.WarmIschaemiaSeconds = &seconds
	}
	body.ExtractionSite = pick(p.dice, command.ExtractionSites...)
	one, loss, units, yes := 1+p.dice.IntN(2), 20+p.dice.IntN(800), p.dice.IntN(3), true
	branching := p.chance(0.2)
	body.Found = &command.Anatomy{Arteries: &one, Veins: &one, Ureters: &one, EarlyBranching: &branching}
	body.ArteryControl = []string{pick(p.dice, command.VesselControls...)}
	body.VeinControl = []string{"stapler"}
	if p.chance(0.2) {
		body.VeinControl = []string{"suture", "metal-clip"}
	}
	body.BloodLossML, body.TransfusionUnits, body.CountsCorrect, body.SpecimenSent = &loss, &units, &yes, &branching
	body.Kidney = &command.KidneyState{
		Condition: pick(p.dice, command.KidneyGood, command.KidneyGood, command.KidneyRepaired), Flush: pick(p.dice, command.FlushQualities...), Bench: []string{"none"},
		Fate: pick(p.dice, journey.FateImplanted, journey.FateImplanted, journey.FateUnknown, journey.FateNotImplanted, journey.FateImplantedOther),
	}
	if p.chance(0.05) {
		body.Kidney.Condition, body.Kidney.Fate = command.KidneyDiscarded, journey.FateNotImplanted
	}
	if p.chance(0.05) {
		body.Side = pick(p.dice, journey.Left, journey.Right)
	}
	return body
}

// amend amends the operation as it stands, rarely with another outcome.
func (p *player) amend() {
	entries, err := p.Store.EntriesOf(p.ctx, p.candidate, journey.RecordOperation, journey.AmendOperation)
	if err != nil || len(entries) == 0 {
		p.err = err
		return
	}
	body := &command.AmendOperation{Replaces: entries[len(entries)-1].Seq, Reason: p.note()}
	back := p.at
	p.at = p.state.Operated.Start(p.protocol.Zone()).Add(8 * time.Hour)
	body.Record = *p.record()
	p.at = back
	if !p.chance(0.15) {
		if body.Record.Outcome != p.state.Outcome {
			body.Record = command.RecordOperation{Outcome: p.state.Outcome, Side: body.Record.Side, Note: p.note()}
		}
	}
	if p.chance(0.05) {
		body.Replaces-- // somebody looked at an older one
	}
	p.give(pick(p.dice, clinicians...), journey.AmendOperation, body)
}

// complicate records a complication, replaces one or takes one back.
func (p *player) complicate() {
	if p.state.Operated == "" {
		return
	}
	answer := func() string { return pick(p.dice, "yes", "no", "no", "no", "") }
	on := max(p.state.Operated, p.today().AddDays(-p.dice.IntN(20)))
	body := &command.RecordComplication{
		Complication: command.OtherComplication, Date: on, Note: p.note(),
		Treatment: command.Treatment{
			OtherDrugs: answer(), Transfusion: answer(), ParenteralNutrition: answer(), Intervention: pick(p.dice, append(command.Interventions, "")...),
			IntensiveCare: answer(), OrganFailure: pick(p.dice, append(command.OrganFailures, "")...), Dialysis: answer(), Death: "no", DisabilityAtDischarge: answer(),
		},
	}
	if len(p.protocol.Complications) > 0 && p.chance(0.8) {
		body.Complication = pick(p.dice, p.protocol.Complications...).ID
	}
	if p.chance(0.2) {
		body.ReadmittedOn = p.today()
	}
	if p.chance(0.1) && body.Treatment.Intervention != "none" {
		body.ReoperatedOn = p.today()
	}
	if p.chance(0.35) {
		entries, err := p.Store.EntriesOf(p.ctx, p.candidate, journey.RecordComplication)
		if err != nil {
			p.err = err
			return
		}
		if len(entries) > 0 {
			body.Replaces, body.EnteredInError = pick(p.dice, entries...).Seq, p.chance(0.4)
		}
	}
	p.give(pick(p.dice, clinicians...), journey.RecordComplication, body)
}

// stay tells of the days after the operation.
func (p *player) stay() {
	operated := p.state.Operated
	p.wait(1, 2)
	p.give(coordinator, journey.RecordStay, &command.RecordStay{Walking: operated.AddDays(1), Eating: operated.AddDays(p.dice.IntN(2)), Work: pick(p.dice, "", "desk", "mixed", "heavy"), Note: p.note()})
	p.wait(1, 3)
	body := &command.RecordStay{CatheterOut: operated.AddDays(1), LastOpioid: p.today()}
	if p.chance(0.8) {
		body.Discharged = p.today()
	}
	if p.chance(0.3) {
		body.DrainOut = operated.AddDays(1)
	}
	p.give(pick(p.dice, coordinatorsToo...), journey.RecordStay, body)
	if p.chance(0.2) {
		p.give(coordinator, journey.RecordStay, &command.RecordStay{Walking: operated, Reason: pick(p.dice, p.note(), ""), Withdrawn: []string{pick(p.dice, "eating", "drain_out", "discharged")}})
	}
}

// medicines are products with the amounts that are added up.
var medicines = []command.Medicine{
	{Name: "Paracetamol 500 mg", ATC: "N02BE01", Dose: &command.Dose{Count: "2", TimesADay: "4"}, Ingredients: []command.Ingredient{
		{Substance: command.SubstanceParacetamol, Strength: result.Quantity{Value: "500", Unit: "mg"}},
	}},
	{Name: "Paracetamol 1 g <effervescent>", ATC: "N02BE01", AsNeeded: true, Dose: &command.Dose{Count: "0.5", TimesADay: "3"}, Ingredients: []command.Ingredient{
		{Substance: command.SubstanceParacetamol, Strength: result.Quantity{Value: "1", Unit: "g"}},
	}},
	{Name: "Ibuprofen & co", ATC: "M01AE01", AsNeeded: true},
	{Name: "Macrogol", ATC: "A06AD15"},
	{Name: "Aspirin 75", ATC: "B01AC06", Dose: &command.Dose{Count: "1", TimesADay: "1"}, Ingredients: []command.Ingredient{
		{Substance: command.SubstanceAspirin, Strength: result.Quantity{Value: "75", Unit: "mg"}},
	}},
	{Name: "Something herbal"},
	{Name: "Amlodipine 5 mg", ATC: "C08CA01", Dose: &command.Dose{Count: "1", TimesADay: "1"}},
}

// medicate records what is taken.
func (p *player) medicate() {
	body := &command.RecordMedicines{Complete: pick(p.dice, "yes", "no"), Note: p.note(), Medicines: []command.Medicine{}}
	for _, m := range medicines {
		if !p.chance(0.3) {
			continue
		}
		if p.chance(0.5) {
			m.Since = p.today().AddDays(-p.dice.IntN(400))
		}
		body.Medicines = append(body.Medicines, m)
	}
	p.give(pick(p.dice, coordinatorsToo...), journey.RecordMedicines, body)
}

// estimate records a risk that a tool outside put, replaces one or takes one back.
func (p *player) estimate() {
	percent := pick(p.dice, "0.9", "12", "0.10", "55.5", "0", "100")
	body := &command.RecordRisk{
		Outcome: pick(p.dice, command.RiskOutcomes...), Scenario: pick(p.dice, command.RiskScenarios...), Percent: json.Number(percent),
		Model: pick(p.dice, "Invented estimator", "Tool <A> & B"), ModelVersion: "1.2", Source: "An invented institution", Date: p.today().AddDays(-p.dice.IntN(30)), Note: p.note(),
	}
	if body.Outcome == command.OtherOutcome {
		body.OutcomeText = "Another outcome"
	}
	if body.Lifetime = p.chance(0.4); !body.Lifetime {
		body.HorizonYears = 1 + p.dice.IntN(20)
	}
	if p.chance(0.4) {
		body.Interval = &command.RiskInterval{Low: "0", High: "100", CoveragePercent: pick[json.Number](p.dice, "95", "")}
	}
	if p.chance(0.2) {
		body.ObtainedBy = nephrologist.id
	}
	for _, r := range p.results() {
		if len(body.Basis) < 4 && p.chance(0.05) {
			body.Basis = append(body.Basis, r.ID)
		}
	}
	if p.chance(0.4) {
		entries, err := p.Store.EntriesOf(p.ctx, p.candidate, journey.RecordRisk)
		if err != nil {
			p.err = err
			return
		}
		if len(entries) > 0 {
			body.Replaces, body.EnteredInError, body.Reason = pick(p.dice, entries...).Seq, p.chance(0.4), p.note()
		}
	}
	p.give(pick(p.dice, coordinatorsToo...), journey.RecordRisk, body)
}

// link gives or revokes the link to the donor's own page.
func (p *player) link() {
	if p.chance(0.3) {
		p.give(coordinator, journey.RevokeDonorLink, &command.Plain{Note: p.note()})
		return
	}
	digest := make([]byte, 32)
	for i := range digest {
		digest[i] = byte(p.dice.IntN(256))
	}
	p.give(coordinator, journey.GiveDonorLink, &command.GiveDonorLink{Digest: hex.EncodeToString(digest), Until: p.today().AddDays(30 + p.dice.IntN(300))})
}

// happen records an event that has to be reported, and mostly what becomes of it.
func (p *player) happen() {
	if len(p.protocol.Reportable) == 0 || p.state.Operated == "" {
		return
	}
	event := pick(p.dice, p.protocol.Reportable...)
	if event.Death && p.chance(0.6) {
		return
	}
	aware := p.at.Add(-time.Duration(1+p.dice.IntN(60)) * time.Hour)
	p.give(pick(p.dice, coordinatorsToo...), journey.ReportEvent, &command.ReportEvent{
		Event: event.ID, HappenedOn: max(p.state.Operated, journey.DateOf(aware, p.protocol.Zone())), AwareAt: aware.Format(time.RFC3339),
		KnownTo: pick(p.dice, append(slices.Clone(command.Awares), nephrologist.id)...), Note: p.note(),
	})
	if p.chance(0.7) {
		p.answerReports()
	}
}

// answerReports closes the reports that are open, or takes them back.
func (p *player) answerReports() {
	for _, r := range p.state.OpenReports() {
		if p.over() {
			return
		}
		p.wait(0, 3)
		if p.chance(0.4) {
			p.give(coordinator, journey.RetractReport, &command.RetractReport{Report: r.ID, Reason: p.note()})
			continue
		}
		p.give(coordinator, journey.CloseReport, &command.CloseReport{
			Report: r.ID, ReportedAt: p.at.Format(time.RFC3339), Reference: pick(p.dice, "", fmt.Sprintf("REF-%d", p.seed)), Note: p.note(),
		})
	}
}

// recover is the time up to the end of recovery.
func (p *player) recover() {
	p.stay()
	for p.chance(0.3) {
		p.amend()
	}
	for p.chance(0.35) {
		p.complicate()
	}
	p.medicate()
	if p.chance(0.6) {
		p.link()
		if p.chance(0.2) {
			p.link()
		}
	}
	for _, v := range p.state.Visits {
		if v.InRecovery {
			p.visit(v.ID)
		}
	}
	p.meanwhile()
	p.answerReports()
	p.wait(20, 40)
	p.give(coordinator, journey.CompleteRecovery, &command.Plain{Note: p.note()})
}

// follow is the time of follow-up visits, each of which may go in any way.
func (p *player) follow() {
	until := p.state.Operated.AddDays(int(365 * p.who.years))
	for range 12 {
		i := slices.IndexFunc(p.state.Visits, func(v journey.Visit) bool { return !v.Settled() })
		if p.over() || i < 0 || until.Before(p.state.Visits[i].Target) {
			break
		}
		p.visit(p.state.Visits[i].ID)
		p.meanwhile()
	}
	if p.state.Died != "" || p.chance(0.5) {
		p.answerReports()
	}
	if !p.over() && p.chance(0.6) {
		p.give(coordinator, journey.Close, &command.Plain{Note: p.note()})
	}
}

// visit plays what leads to a visit and what becomes of it.
func (p *player) visit(id string) {
	find := func() journey.Visit {
		i := slices.IndexFunc(p.state.Visits, func(v journey.Visit) bool { return v.ID == id })
		if i < 0 {
			return journey.Visit{ID: id}
		}
		return p.state.Visits[i]
	}
	v := find()
	p.move(v.Opens, 9)
	for p.chance(0.35) && !p.over() {
		p.give(coordinator, journey.RecordContact, &command.RecordContact{
			Visit: id, Channel: pick(p.dice, journey.Channels...), Outcome: pick(p.dice, journey.ContactOutcomes...), Note: p.note(),
		})
		p.wait(1, 10)
	}
	day := v.Opens.AddDays(p.dice.IntN(max(1, v.Opens.DaysUntil(v.Closes))))
	late := p.chance(0.12)
	if late {
		day = v.Closes.AddDays(1 + p.dice.IntN(40))
	}
	p.move(day, 10)
	if p.over() || find().Status == journey.VisitNotOwed {
		return
	}
	if p.chance(0.8) {
		p.form(v)
	}
	switch dice := p.dice.IntN(100); {
	case dice < 72:
		p.give(coordinator, journey.RecordVisit, &command.RecordVisit{Visit: id, Outcome: journey.Seen, Note: p.note()})
	case dice < 84:
		p.give(coordinator, journey.RecordVisit, &command.RecordVisit{
			Visit: id, Outcome: journey.NotReached, ReasonCode: pick(p.dice, "", journey.ReasonMoved, journey.ReasonRefused, journey.ReasonNoAnswer, journey.ReasonAbroad), Note: p.note(),
		})
	case dice < 88:
		p.give(coordinator, journey.RecordVisit, &command.RecordVisit{
			Visit: id, Outcome: journey.NotReached, ReasonCode: journey.ReasonDied, On: max(p.state.Operated, p.today().AddDays(-p.dice.IntN(20))), Note: p.note(),
		})
	default: // nobody records anything
	}
}

// form answers the form of a visit, in full or in part.
func (p *player) form(v journey.Visit) {
	rule, _, ok := p.protocol.VisitRule(v.ID)
	if !ok {
		return
	}
	asked := protocol.Visit{}
	for _, item := range slices.Concat(rule.Clinical, rule.Laboratory, rule.Further) {
		if p.chance(p.who.thorough) {
			asked.Clinical = append(asked.Clinical, item)
		}
	}
	p.report(p.vary(p.chart().Form(asked, p.at.Add(-time.Hour))))
}
