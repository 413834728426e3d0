package journey

import "slices"

// Begin returns the state of a candidate just referred.
func Begin(rules Rules, e Event) State {
	s := State{
		Candidate: e.Candidate, Stage: Referral, Since: e.Today, AsOf: e.Today, Seq: e.Seq,
		BackEntry: e.BackEntry, BloodType: Incomplete,
	}
	for _, rule := range rules.Requirements {
		status := Due
		switch {
		case len(rule.WhenFlagged) > 0 && !rule.Conditional:
			status = NotApplicable
		case rule.Gate == ForOperation:
			status = NotDue
		}
		s.Requirements = append(s.Requirements, Requirement{ID: rule.ID, Status: status})
	}
	if e.Assessment != nil {
		s.assess(rules, e)
	}
	return s
}

// Apply folds one event into the state. It never fails: Check has been passed
// and the event is on record.
func Apply(rules Rules, s State, e Event) State {
	switch e.Kind {
	case Refer:
		return Begin(rules, e)
	case MoveProtocol:
		return move(rules, s, e)
	}
	rules = rules.With(s.Imposed)
	s = s.clone()
	s.Seq = e.Seq
	if e.Kind != Elapse {
		s.AsOf = e.Today
	}
	if e.Assessment != nil {
		s.assess(rules, e)
	}
	switch e.Kind {
	case BeginScreening:
		s.enter(Screening, e.Today)
	case AssignAdvocate:
		s.assignAdvocate(rules, e)
	case RecordConsent:
		for _, id := range e.Named() {
			s.satisfy(rules, id, e, "")
		}
	case BeginEvaluation:
		s.enter(Evaluation, e.Today)
	case SignResults:
		s.sign(rules, e)
	case RecordReview:
		for _, id := range e.Named() {
			s.satisfy(rules, id, e, e.Position)
		}
	case ConfirmDuties:
		s.confirmDuties(e)
	case WaiveRequirement:
		s.waive(rules, e)
	case PresentToCommittee:
		s.enter(Committee, e.Today)
	case RecordDecision:
		s.decide(rules, e)
	case Schedule:
		s.unschedule()
		s.Planned, s.Approach = e.On, e.Approach
		s.Cancelled = ""
		if s.Stage != Scheduled {
			s.enter(Scheduled, e.Today)
		}
	case CancelOperation:
		s.unschedule()
		s.Cancelled = e.Today
		s.enter(Approved, e.Today)
	case RecordRecipient:
		s.RecipientTyped = true
		s.unconfirm()
	case ConfirmVerification:
		s.Verification = s.Verification.confirm(e)
	case ConfirmLastCheck:
		s.LastCheck = s.LastCheck.confirm(e)
	case ResolveLastCheck:
		// Both are made again: what did not agree may have passed the other.
		s.LastCheck, s.Verification = LastCheck{}, LastCheck{}
	case BeginOperation:
		s.enter(Operation, e.Today)
		s.Operated = e.Today
	case RecordOperation:
		s.operate(rules, e)
	case AmendOperation:
		s.reoperate(rules, e)
	case CompleteRecovery:
		if s.Outcome == Removed {
			s.enter(FollowUp, e.Today)
		} else {
			s.enter(Closed, e.Today)
		}
	case RecordVisit:
		s.visit(rules, e)
	case RecordContact:
		s.contact(rules, e)
	case Close:
		s.enter(Closed, e.Today)
	case Withdraw:
		s.forgetPlan()
		s.enter(Withdrawn, e.Today)
	case Decline:
		s.forgetPlan()
		s.enter(Declined, e.Today)
	case Hold:
		// That answers a cancellation.
		s.Cancelled = ""
		s.Resume = s.Stage
		if s.Stage == Scheduled {
			s.unschedule()
			s.Resume = Approved
		}
		s.enter(OnHold, e.Today)
	case Resume:
		to := s.Resume
		if s.Stage == Deferred {
			to = Evaluation
		}
		s.Resume = ""
		s.enter(to, e.Today)
	case Elapse:
		for _, d := range e.Fired {
			s.fire(rules, d)
		}
	case EndBackEntry:
		s.BackEntry = false
	case GiveDonorLink:
		s.DonorLink = e.On
	case RevokeDonorLink:
		s.DonorLink = ""
	case GiveQuestionnaire:
		s.Questionnaire = e.On
	case RevokeQuestionnaire, AnswerQuestionnaire:
		s.Questionnaire = ""
	case AskToStop:
		s.StopWished = e.Today
	case SettleStopWish:
		s.StopWished = ""
	case PlanAppointment, MoveAppointment, CancelAppointment, CloseAppointment:
		s.appoint(e)
	case CloseReport:
		s.closeReport(e)
	case RetractReport:
		s.retract(rules, e)
	case RecordDeath:
		s.forgetPlan()
		s.Died = e.On
		s.enter(Deceased, e.Today)
	}
	if !s.Stage.BeforeOperation() {
		s.Questionnaire, s.StopWished = "", ""
	}
	s.raise(e)
	s.conclude(e)
	s.freeAppointments()
	return s
}

// Fold replays events from the beginning, with the rules of the referral.
func Fold(rules Rules, events []Event) State {
	var s State
	for _, e := range events {
		s = Apply(rules, s, e)
		rules = RulesAfter(rules, e)
	}
	return s
}

func (s *State) enter(stage Stage, on Date) { s.Stage, s.Since = stage, on }

// unschedule gives up the date. A mismatch stays until somebody resolves it:
// another date is no resolution.
func (s *State) unschedule() {
	s.Planned, s.Approach = "", ""
	s.unconfirm()
}

// unconfirm voids what two people confirmed, but for a mismatch.
func (s *State) unconfirm() {
	if !s.LastCheck.Stopped {
		s.LastCheck = LastCheck{}
	}
	if !s.Verification.Stopped {
		s.Verification = LastCheck{}
	}
}

// forgetPlan leaves nothing of a plan behind where the journey ends.
func (s *State) forgetPlan() {
	s.Planned, s.Approach, s.Cancelled = "", "", ""
	s.LastCheck, s.Verification = LastCheck{}, LastCheck{}
}

// assess takes over what the results on record say. A requirement whose
// evidence or flags changed loses its signature: a signature stands on exact
// results. The flags tell of results that the requirement itself doesn't name,
// such as the weight behind a clearance.
func (s *State) assess(rules Rules, e Event) {
	a := e.Assessment
	before := State{Flags: s.Flags}
	// verified says that something changed which the verification compared: not a
	// test that belongs to the last days.
	changed := s.BloodType != a.BloodType
	verified := !changed
	worse := false
	s.Flags, s.Conditions, s.BloodType = slices.Clone(a.Flags), slices.Clone(a.Conditions), a.BloodType
	for _, rule := range rules.Requirements {
		if rule.Evidence != ByResult {
			s.adjust(rule)
			continue
		}
		r := &s.Requirements[s.index(rule.ID)]
		i := slices.IndexFunc(a.Findings, func(f Finding) bool { return f.Requirement == rule.ID })
		if i < 0 {
			if r.Evidence != "" {
				changed, verified = true, verified && rule.Gate == ForOperation
			}
			switch {
			case r.Status == Waived:
			case !s.applies(&rule):
				*r = Requirement{ID: rule.ID, Status: NotApplicable}
			case r.Evidence != "" || r.Status == NotApplicable:
				*r = Requirement{ID: rule.ID, Status: s.unmet(rule)}
			}
			continue
		}
		finding := a.Findings[i]
		signed := r.Status == Met || r.Status == NotMet || r.Status == Waived
		if !s.applies(&rule) && !(signed && finding.Evidence == r.Evidence) {
			// Results that nobody asked for are no task.
			changed = changed || r.Evidence != ""
			*r = Requirement{ID: rule.ID, Status: NotApplicable}
			continue
		}
		if finding.Evidence == r.Evidence && slices.Equal(before.FlagsOf(rule.ID), s.FlagsOf(rule.ID)) {
			continue
		}
		changed, verified = true, verified && rule.Gate == ForOperation
		worse = worse || (rule.Gate != ForOperation && graver(s.FlagsOf(rule.ID), before.FlagsOf(rule.ID)))
		*r = s.resulted(rule, finding.Evidence, finding.Collected, e.Today)
	}
	// What two people confirmed no longer stands on the same results.
	if changed && !s.LastCheck.Stopped {
		s.LastCheck = LastCheck{}
	}
	if !verified && !s.Verification.Stopped {
		s.Verification = LastCheck{}
	}
	// The committee approved other facts than these.
	if worse || slices.ContainsFunc(s.Flags, func(f Flag) bool { return f.Absolute && f.Band == Excludes }) {
		s.lapse(e.Today)
	}
}

// graver reports whether flags call for discussion or exclude, and did not do
// so as gravely before.
func graver(now, before []Flag) bool {
	worst := Worst(now)
	return (worst == Discussion || worst == Excludes) && worst != Worst(before) && Worst(append(slices.Clone(before), now...)) == worst
}

// lapse ends an approval: the candidate goes back to the evaluation.
func (s *State) lapse(on Date) {
	if s.Decision == nil || s.Decision.Outcome != Approve || !s.Stage.BeforeOperation() {
		return
	}
	s.Decision, s.Cancelled = nil, ""
	s.release()
	s.unschedule()
	switch s.Stage {
	case Approved, Scheduled:
		s.enter(Evaluation, on)
	case OnHold:
		s.Resume = Evaluation
	}
}

// adjust lets a conditional requirement that no result meets come or go with its
// condition. What was signed or waived stays.
func (s *State) adjust(rule RequirementRule) {
	if !rule.Conditional && len(rule.WhenFlagged) == 0 {
		return
	}
	r := &s.Requirements[s.index(rule.ID)]
	switch applies := s.applies(&rule); {
	case applies && r.Status == NotApplicable:
		*r = Requirement{ID: rule.ID, Status: s.unmet(rule)}
	case !applies && (r.Status == Due || r.Status == NotDue):
		*r = Requirement{ID: rule.ID, Status: NotApplicable}
	}
}

// applies reports whether the requirement applies: always, or while one of its
// flags is raised, or unless its condition is known not to hold. A flag on its
// own results makes it apply too, since somebody has to sign.
func (s *State) applies(rule *RequirementRule) bool {
	if len(rule.WhenFlagged) == 0 && !rule.Conditional {
		return true
	}
	return rule.Conditional && s.Holds(rule.ID) != HoldsNo || s.flagged(rule)
}

// flagged reports whether a flag is raised that the requirement answers.
func (s *State) flagged(rule *RequirementRule) bool {
	for i := range s.Flags {
		if f := &s.Flags[i]; f.Band != Meets && (f.Requirement == rule.ID || slices.Contains(rule.WhenFlagged, f.ID)) {
			return true
		}
	}
	return false
}

// Applying lists the requirements that apply to somebody with these results.
func Applying(rules Rules, a *Assessment) []string {
	s := State{Flags: a.Flags, Conditions: a.Conditions}
	ids := make([]string, 0, len(rules.Requirements))
	for i := range rules.Requirements {
		if rule := &rules.Requirements[i]; s.applies(rule) {
			ids = append(ids, rule.ID)
		}
	}
	return ids
}

// Holds returns what is known of the condition of a requirement.
func (s *State) Holds(requirement string) Holding {
	for _, c := range s.Conditions {
		if c.Requirement == requirement {
			return c.Holds
		}
	}
	return HoldsUnknown
}

// resulted is the state of a requirement whose results nobody has signed.
func (s *State) resulted(rule RequirementRule, evidence string, collected, today Date) Requirement {
	r := Requirement{
		ID: rule.ID, Status: Resulted, Evidence: evidence,
		Collected: collected, ValidUntil: validUntil(rule, collected),
	}
	if Worst(s.FlagsOf(rule.ID)) != Meets {
		r.Status = NeedsReview
	}
	if r.ValidUntil != "" && r.ValidUntil.Before(today) {
		r.Status = Expired
	}
	return r
}

func validUntil(rule RequirementRule, from Date) Date {
	if rule.ValidDays == 0 {
		return ""
	}
	return from.AddDays(rule.ValidDays)
}

// unmet is the state of a requirement without evidence.
func (s *State) unmet(rule RequirementRule) Status {
	if !s.applies(&rule) {
		return NotApplicable
	}
	if rule.Gate == ForOperation && s.Stage != Approved && s.Stage != Scheduled {
		return NotDue
	}
	return Due
}

// satisfy records a consent, a review or an assignment.
func (s *State) satisfy(rules Rules, id string, e Event, position Position) {
	rule, ok := rules.Requirement(id)
	i := s.index(id)
	if !ok || i < 0 {
		return
	}
	status := Met
	if position == Objects {
		status = NotMet
	}
	s.Requirements[i] = Requirement{
		ID: id, Status: status, Evidence: e.ID, Collected: e.Today, ValidUntil: validUntil(rule, e.Today),
		SignedBy: e.Actor, SignedOn: e.Today, Position: position,
	}
}

// assignAdvocate also reopens a review that another advocate gave.
func (s *State) assignAdvocate(rules Rules, e Event) {
	changed := s.Advocate != "" && s.Advocate != e.Person
	s.Advocate = e.Person
	if changed {
		s.Duties = nil // nobody does them for another
	}
	for _, rule := range rules.Requirements {
		switch {
		case rule.Evidence == ByAssignment:
			s.satisfy(rules, rule.ID, e, "")
		case rule.ByAdvocate && changed && s.Applies(rule.ID):
			s.Requirements[s.index(rule.ID)] = Requirement{ID: rule.ID, Status: Due}
		}
	}
}

func (s *State) sign(rules Rules, e Event) {
	for _, id := range e.Requirements {
		i := s.index(id)
		if i < 0 {
			continue
		}
		r := &s.Requirements[i]
		rule, _ := rules.Requirement(id)
		if e.Verdict == VerdictMet && rule.SecondSignature && Worst(s.FlagsOf(id)) == Excludes && !r.countersigned(e, false) {
			continue
		}
		r.Status, r.SignedBy, r.SignedOn, r.Awaiting = Met, e.Actor, e.Today, nil
		// The results decide how long they are valid, not a waiver before them,
		// unless they were accepted for a shorter time.
		r.ValidUntil = validUntil(rule, r.Collected)
		if e.On != "" && (r.ValidUntil == "" || e.On.Before(r.ValidUntil)) {
			r.ValidUntil = e.On
		}
		if e.Verdict == VerdictNotMet {
			r.Status = NotMet
		}
	}
}

func (s *State) waive(rules Rules, e Event) {
	i := s.index(e.Requirement)
	if i < 0 {
		return
	}
	r := &s.Requirements[i]
	if rule, _ := rules.Requirement(r.ID); rule.SecondSignature && !r.countersigned(e, true) {
		return
	}
	r.Status, r.ValidUntil, r.SignedBy, r.SignedOn, r.Awaiting = Waived, e.On, e.Actor, e.Today, nil
}

// countersigned reports whether the event is the second signature under the
// same thing. If not, it is kept as the first.
func (r *Requirement) countersigned(e Event, waiver bool) bool {
	if first := r.Awaiting; first != nil && first.By != e.Actor && first.Waiver == waiver && first.Until == e.On {
		return true
	}
	r.Awaiting = &Countersignature{By: e.Actor, On: e.Today, Until: e.On, Waiver: waiver}
	return false
}

func (s *State) decide(rules Rules, e Event) {
	s.Decision = &Decision{Outcome: e.Outcome, Side: e.Side, On: e.Today, Seq: e.Seq}
	s.release()
	switch e.Outcome {
	case Approve:
		s.Decision.Expires = e.Today.AddMonths(rules.Timers.ApprovalMonths)
		s.enter(Approved, e.Today)
		for i, r := range s.Requirements {
			if r.Status == NotDue {
				s.Requirements[i].Status = Due
			}
			// A consent that names a side was given to an earlier decision.
			if rule, _ := rules.Requirement(r.ID); rule.Sided {
				s.Requirements[i] = Requirement{ID: r.ID, Status: Due}
			}
		}
		s.impose(e)
	case Defer:
		s.Decision.Expires = e.On
		s.enter(Deferred, e.Today)
	default:
		s.enter(Declined, e.Today)
	}
}

// operate ends the operation. Follow-up is owed whenever a kidney was removed,
// whether or not it was implanted.
func (s *State) operate(rules Rules, e Event) {
	s.Outcome = e.Outcome
	s.enter(Recovery, e.Today)
	if e.Outcome != Removed {
		return
	}
	s.oweVisits(rules, e.Today)
}

// visitOf is a visit that is still ahead, with its window.
func visitOf(rule VisitRule, operated Date) Visit {
	target := operated.AddDays(rule.AfterDays)
	if rule.AfterMonths > 0 {
		target = operated.AddMonths(rule.AfterMonths)
	}
	return Visit{
		ID: rule.ID, Opens: target.AddDays(-rule.OpensBefore), Target: target,
		Closes: target.AddDays(rule.ClosesAfter), Status: VisitAhead, InRecovery: rule.InRecovery,
	}
}

func (s *State) fire(rules Rules, d Deadline) {
	if s.AsOf.Before(d.On) {
		s.AsOf = d.On
	}
	switch d.Kind {
	case RequirementExpires:
		if i := s.index(d.Subject); i >= 0 {
			r := &s.Requirements[i]
			rule, _ := rules.Requirement(r.ID)
			switch end := validUntil(rule, r.Collected); {
			case rule.Evidence == ByResult && r.Evidence != "" && (r.Status == Waived || end == "" || !end.Before(d.On)):
				// A waiver or an acceptance has ended. The results that it
				// covered are still on record.
				*r = s.resulted(rule, r.Evidence, r.Collected, d.On)
			case r.Status != Waived:
				r.Status = Expired
			default:
				*r = Requirement{ID: r.ID, Status: s.unmet(rule)}
			}
		}
	case ApprovalLapses:
		s.lapse(d.On)
	case VisitOpens, VisitCloses:
		for i := range s.Visits {
			if s.Visits[i].ID == d.Subject {
				s.Visits[i].Status = VisitOpen
				if d.Kind == VisitCloses {
					s.Visits[i].Status = VisitMissed
					if s.Visits[i].Refused != "" {
						s.Visits[i].Reason = ReasonRefused
					}
				}
			}
		}
		s.extend(rules, d.On)
	case ReportDue, ReportDue.Soon():
		s.warned(d)
	case ContactDue:
		s.climb(rules, d)
		return // the visit itself keeps it
	}
	if d.Kind.looks() {
		return
	}
	s.Notices = append(s.Notices, Notice{Deadline: d.Kind, Subject: d.Subject, On: d.On})
}
