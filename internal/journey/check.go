package journey

import (
	"fmt"
	"slices"
)

// permission says which roles may give a command in which stages.
type permission struct {
	roles  []Role
	stages []Stage
}

var (
	beforeOperation = []Stage{Referral, Screening, Evaluation, Committee, Approved, Scheduled, OnHold, Deferred}
	whileEvaluated  = []Stage{Screening, Evaluation, Committee, Approved, Scheduled, OnHold, Deferred}
	whilePlanned    = []Stage{Screening, Evaluation, Committee, Approved, Scheduled, Deferred}
	writers         = []Role{Coordinator, Clinician, Advocate, CommitteeRole}
)

// permissions is the whole table of who may do what when. A command that is
// not in it does not exist.
var permissions = map[Kind][]permission{
	BeginScreening:      {{[]Role{Coordinator}, []Stage{Referral}}},
	AssignAdvocate:      {{[]Role{Coordinator}, []Stage{Referral, Screening, Evaluation, Committee, OnHold, Deferred}}},
	RecordConsent:       {{[]Role{Coordinator, Clinician}, []Stage{Screening, Evaluation, Committee, Approved, Scheduled, Deferred}}},
	BeginEvaluation:     {{[]Role{Coordinator}, []Stage{Screening}}},
	RecordResults:       {{[]Role{Coordinator, Clinician, Laboratory}, append(slices.Clone(whileEvaluated), Operation, Recovery, FollowUp)}},
	SignResults:         {{[]Role{Coordinator, Clinician}, whileEvaluated}},
	RecordReview:        {{[]Role{Clinician, Advocate}, []Stage{Evaluation, Committee, Approved, Scheduled, Deferred}}},
	WaiveRequirement:    {{[]Role{Clinician}, []Stage{Evaluation, Committee, Approved, Scheduled, Deferred}}},
	PresentToCommittee:  {{[]Role{Coordinator}, []Stage{Evaluation}}},
	RecordDecision:      {{[]Role{CommitteeRole}, []Stage{Committee}}},
	Schedule:            {{[]Role{Coordinator}, []Stage{Approved, Scheduled}}},
	CancelOperation:     {{[]Role{Coordinator, Clinician, Advocate}, []Stage{Scheduled}}},
	RecordRecipient:     {{[]Role{Coordinator, Clinician}, whileEvaluated}},
	ConfirmVerification: {{[]Role{Coordinator, Clinician}, []Stage{Scheduled}}},
	ConfirmLastCheck:    {{[]Role{Clinician}, []Stage{Scheduled}}},
	ResolveLastCheck:    {{[]Role{Clinician}, []Stage{Scheduled}}},
	BeginOperation:      {{[]Role{Clinician}, []Stage{Scheduled}}},
	RecordOperation:     {{[]Role{Clinician}, []Stage{Operation}}},
	AmendOperation:      {{[]Role{Clinician}, []Stage{Recovery, FollowUp}}},
	RecordComplication:  {{[]Role{Clinician}, []Stage{Operation, Recovery, FollowUp}}},
	CompleteRecovery:    {{[]Role{Coordinator, Clinician}, []Stage{Recovery}}},
	RecordVisit:         {{[]Role{Coordinator, Clinician}, []Stage{Recovery, FollowUp}}},
	RecordContact:       {{[]Role{Coordinator, Clinician}, []Stage{Recovery, FollowUp}}},
	Close:               {{[]Role{Coordinator}, []Stage{FollowUp}}},
	Withdraw:            {{[]Role{Coordinator, Clinician, Advocate}, beforeOperation}},
	Hold:                {{[]Role{Coordinator, Clinician, Advocate}, []Stage{Referral, Screening, Evaluation, Committee, Approved, Scheduled}}},
	Resume:              {{[]Role{Coordinator}, []Stage{OnHold, Deferred}}},
	Decline: {
		{[]Role{Coordinator, Clinician}, []Stage{Referral, Screening}},
		// Before the committee the decision itself declines, with its quorum.
		{[]Role{CommitteeRole}, []Stage{Evaluation, Approved, Scheduled, OnHold, Deferred}},
	},
	RecordStay:           {{[]Role{Coordinator, Clinician}, []Stage{Recovery, FollowUp}}},
	RecordMedicines:      {{[]Role{Coordinator, Clinician}, append(slices.Clone(whileEvaluated), Operation, Recovery, FollowUp)}},
	RecordRisk:           {{[]Role{Coordinator, Clinician}, append(slices.Clone(whileEvaluated), Operation, Recovery, FollowUp)}},
	GiveDonorLink:        {{[]Role{Coordinator}, append(slices.Clone(beforeOperation), Recovery, FollowUp)}},
	RevokeDonorLink:      {{[]Role{Coordinator}, append(slices.Clone(beforeOperation), Operation, Recovery, FollowUp)}},
	GiveQuestionnaire:    {{[]Role{Coordinator}, beforeOperation}},
	RevokeQuestionnaire:  {{[]Role{Coordinator}, beforeOperation}},
	AnswerQuestionnaire:  {{[]Role{Self}, beforeOperation}},
	AskToStop:            {{[]Role{Self}, beforeOperation}},
	SettleStopWish:       {{[]Role{Coordinator, Advocate}, beforeOperation}},
	RecordContactDetails: {{[]Role{Coordinator}, append(slices.Clone(beforeOperation), Operation, Recovery, FollowUp)}},

	// What the committee asks, what it is told, and the candidate's own words.
	AskQuestion:    {{writers, whileEvaluated}},
	AnswerQuestion: {{writers, whileEvaluated}},
	RecordWords:    {{[]Role{Coordinator, Advocate}, whileEvaluated}},
	ConfirmDuties:  {{[]Role{Advocate}, beforeOperation}},

	// A pause plans nothing; what stands can be called off.
	PlanAppointment:   {{[]Role{Coordinator}, whilePlanned}},
	MoveAppointment:   {{[]Role{Coordinator}, whilePlanned}},
	CancelAppointment: {{[]Role{Coordinator}, append(slices.Clone(whileEvaluated), Operation, Recovery, FollowUp)}},
	CloseAppointment:  {{[]Role{Coordinator, Clinician}, append(slices.Clone(whileEvaluated), Operation, Recovery, FollowUp)}},

	// Which rules a candidate stands on is no clinical act, and the engine's
	// visits and timers follow them to the end.
	ReportEvent:   {{[]Role{Coordinator, Clinician}, []Stage{Operation, Recovery, FollowUp}}},
	CloseReport:   {{[]Role{Coordinator, Clinician}, []Stage{Operation, Recovery, FollowUp}}},
	RetractReport: {{[]Role{Coordinator, Clinician}, []Stage{Operation, Recovery, FollowUp}}},
	RecordDeath:   {{[]Role{Coordinator, Clinician}, beforeOperation}},
	MoveProtocol:  {{[]Role{Administrator}, append(slices.Clone(beforeOperation), Operation, Recovery, FollowUp)}},
	Elapse:        {{[]Role{System}, append(slices.Clone(beforeOperation), Operation, Recovery, FollowUp)}},
	EndBackEntry:  {{[]Role{System}, Stages}},
}

// kindOrder lists the commands as a journey meets them.
var kindOrder = []Kind{
	BeginScreening, AssignAdvocate, RecordConsent, BeginEvaluation, RecordResults,
	SignResults, ConfirmDuties, RecordReview, WaiveRequirement, RecordWords, AskQuestion, AnswerQuestion, PresentToCommittee, RecordDecision,
	RecordRecipient, Schedule, ConfirmVerification, ConfirmLastCheck, ResolveLastCheck, BeginOperation, RecordOperation,
	RecordStay, RecordMedicines, RecordRisk, GiveDonorLink, RevokeDonorLink,
	AmendOperation, RecordComplication, CompleteRecovery, RecordVisit, RecordContact, Close, CancelOperation, Hold, Resume, Decline, Withdraw,
	RecordContactDetails, MoveProtocol, ReportEvent, CloseReport, RetractReport, RecordDeath,
	GiveQuestionnaire, RevokeQuestionnaire, SettleStopWish,
	PlanAppointment, MoveAppointment, CancelAppointment, CloseAppointment,
}

// OwnKinds lists the commands that candidates give by themselves: no account and no
// token may.
func OwnKinds() []Kind { return []Kind{AnswerQuestionnaire, AskToStop} }

// Kinds lists the commands that people give to a candidate already referred.
func Kinds() []Kind { return slices.Clone(kindOrder) }

// MayGive reports whether the role may ever give the command.
func MayGive(role Role, kind Kind) bool {
	if kind == Refer {
		return role == Coordinator
	}
	return slices.ContainsFunc(permissions[kind], func(p permission) bool {
		return slices.Contains(p.roles, role)
	})
}

// Allowed lists the commands that the role may give in the stage. Whether a
// rule still blocks one is for Check to say.
func Allowed(stage Stage, role Role) []Kind {
	var kinds []Kind
	for _, kind := range kindOrder {
		if permitted(kind, stage, role) {
			kinds = append(kinds, kind)
		}
	}
	return kinds
}

func permitted(kind Kind, stage Stage, role Role) bool {
	return slices.ContainsFunc(permissions[kind], func(p permission) bool {
		return slices.Contains(p.roles, role) && slices.Contains(p.stages, stage)
	})
}

// Check decides whether the command may be carried out on the state. It
// returns nil or a *Refusal and changes nothing.
func Check(rules Rules, s State, c Command) error {
	if refusal := check(rules, s, c); refusal != nil {
		return refusal
	}
	return nil
}

func check(rules Rules, s State, c Command) *Refusal {
	rules = rules.With(s.Imposed)
	if c.Kind == Refer {
		switch {
		case c.Role != Coordinator:
			return forbidden(c)
		case s.Stage != "":
			return &Refusal{Code: Conflict, Message: "this candidate has already been referred"}
		}
		return nil
	}
	if s.Stage == "" {
		return &Refusal{Code: NotFound, Message: "there is no such candidate"}
	}
	if !MayGive(c.Role, c.Kind) {
		return forbidden(c)
	}
	if s.Stage.Ended() {
		// How it ended is for few to know.
		return &Refusal{Code: NotAllowed, Message: "the journey has ended"}
	}
	if !permitted(c.Kind, s.Stage, c.Role) {
		return &Refusal{
			Code:    NotAllowed,
			Message: fmt.Sprintf("%s is not allowed for the role %s in stage %s", c.Kind, c.Role, s.Stage),
			Allowed: Allowed(s.Stage, c.Role),
		}
	}
	if guard, ok := guards[c.Kind]; ok {
		return guard(rules, s, c)
	}
	return nil
}

func forbidden(c Command) *Refusal {
	return &Refusal{Code: Forbidden, Message: fmt.Sprintf("the role %s may not give the command %s", c.Role, c.Kind)}
}

// guards hold what a command needs beyond its stage and role.
var guards = map[Kind]func(Rules, State, Command) *Refusal{
	AssignAdvocate: func(_ Rules, s State, c Command) *Refusal {
		switch {
		case c.Person == "":
			return invalid("advocate", "name the account of the independent living donor advocate")
		case s.Advocate != "" && s.Advocate != c.Person && !c.Reasoned:
			return invalid("reason", "a change of advocate needs a reason")
		}
		return nil
	},
	RecordConsent:   checkConsent,
	BeginEvaluation: checkGate(ForEvaluation),
	SignResults:     checkSignature,
	RecordReview:    checkReview,
	ConfirmDuties:   checkDuties,
	WaiveRequirement: func(rules Rules, s State, c Command) *Refusal {
		rule, refusal := find(rules, "requirement", c.Requirement, "")
		switch {
		case refusal != nil:
			return refusal
		case rule.NoWaiver:
			return blocked(c.Kind, []Reason{{"no-waiver", rule.ID, rule.ID + " can't be waived"}})
		case !c.Reasoned:
			return invalid("reason", "a waiver needs a reason")
		case !c.Today.Before(c.On):
			return invalid("until", "a waiver ends on a day after today")
		}
		if r, _ := s.Find(rule.ID); rule.SecondSignature && signedFirst(r, c, true) {
			return blocked(c.Kind, []Reason{{"two-people", rule.ID, "the second signature is another person's"}})
		}
		return nil
	},
	PresentToCommittee: checkPresent,
	RecordDecision:     checkDecision,
	Schedule:           checkSchedule,
	CancelOperation: func(_ Rules, _ State, c Command) *Refusal {
		if !c.Reasoned {
			return invalid("reason", "a cancellation needs a reason")
		}
		return nil
	},
	ConfirmVerification: checkVerification,
	ConfirmLastCheck:    checkLastCheck,
	ResolveLastCheck: func(_ Rules, s State, c Command) *Refusal {
		switch {
		case !s.LastCheck.Stopped && !s.Verification.Stopped:
			return blocked(c.Kind, []Reason{{"last-check", "", "no mismatch is waiting to be resolved"}})
		case !c.Reasoned:
			return invalid("reason", "say how the mismatch was resolved")
		}
		return nil
	},
	BeginOperation:     checkOperation,
	RecordOperation:    checkRecord,
	AmendOperation:     checkAmendment,
	RecordComplication: checkComplication,
	CompleteRecovery: func(_ Rules, s State, c Command) *Refusal {
		return unsettled(s, c.Kind, true)
	},
	RecordVisit:   checkVisit,
	RecordContact: checkContact,
	Close: func(_ Rules, s State, c Command) *Refusal {
		return unsettled(s, c.Kind, false)
	},
	Decline: func(rules Rules, s State, c Command) *Refusal {
		if !c.Reasoned {
			return invalid("reason", "a decline needs a reason; it is kept private")
		}
		if c.Role != CommitteeRole {
			return nil
		}
		if reasons := unheard(rules, s, c.Today); len(reasons) > 0 {
			return blocked(c.Kind, reasons)
		}
		return nil
	},
	RecordRisk: func(_ Rules, _ State, c Command) *Refusal {
		if c.On == "" || c.Today.Before(c.On) {
			return invalid("on", "name the day on which it was obtained, no later than today")
		}
		return nil
	},
	MoveProtocol:    checkMove,
	GiveDonorLink:   checkDonorLink,
	RevokeDonorLink: checkRevocation,

	GiveQuestionnaire:   checkQuestionnaire,
	RevokeQuestionnaire: checkOpenQuestionnaire,
	AnswerQuestionnaire: checkOpenQuestionnaire,
	AskToStop:           checkAskToStop,
	SettleStopWish: func(_ Rules, s State, c Command) *Refusal {
		switch {
		case s.StopWished == "":
			return blocked(c.Kind, []Reason{{"stop-wish", "", "the candidate has not asked to stop"}})
		case !c.Reasoned:
			return invalid("reason", "say what came of the talk with the candidate; it is kept private")
		}
		return nil
	},
	PlanAppointment:   checkPlanAppointment,
	MoveAppointment:   checkMoveAppointment,
	CancelAppointment: checkCancelAppointment,
	CloseAppointment:  checkCloseAppointment,

	ReportEvent:   checkReportEvent,
	CloseReport:   checkCloseReport,
	RetractReport: checkRetractReport,
	RecordDeath: func(_ Rules, s State, c Command) *Refusal {
		if c.On == "" || c.Today.Before(c.On) {
			return invalid("died_on", "name the day of the death, no later than today")
		}
		return nil
	},
	Elapse: func(rules Rules, s State, c Command) *Refusal {
		if len(DueBy(rules, s, c.Given())) == 0 {
			return blocked(c.Kind, []Reason{{"deadline", "", "no deadline has passed"}})
		}
		return nil
	},
	EndBackEntry: func(_ Rules, s State, c Command) *Refusal {
		if !s.BackEntry {
			return blocked(c.Kind, []Reason{{"back-entry", "", "this journey runs by the clock already"}})
		}
		return nil
	},
}

func validSide(side Side) bool { return side == Left || side == Right }

// find returns the rule of a requirement, and refuses one of other evidence.
func find(rules Rules, field, id string, evidence Evidence) (RequirementRule, *Refusal) {
	rule, ok := rules.Requirement(id)
	if ok && (evidence == "" || rule.Evidence == evidence) {
		return rule, nil
	}
	var accepted []string
	for _, r := range rules.Requirements {
		if evidence == "" || r.Evidence == evidence {
			accepted = append(accepted, r.ID)
		}
	}
	return rule, invalid(field, "no such requirement for this command", accepted...)
}

// gates returns the gates up to and including the last.
func gates(last Gate) []Gate {
	all := []Gate{ForEvaluation, ForCommittee, ForScheduling, ForOperation}
	return all[:slices.Index(all, last)+1]
}

// missing lists the requirements up to a gate that are not in force on a day.
func missing(rules Rules, s State, last Gate, on Date) []Reason {
	var reasons []Reason
	for _, rule := range rules.Requirements {
		if !slices.Contains(gates(last), rule.Gate) {
			continue
		}
		r, _ := s.Find(rule.ID)
		if r.InForce(on) {
			if last == ForOperation && !rule.RecentFor(r, on) {
				reasons = append(reasons, Reason{"operation-window", rule.ID, fmt.Sprintf("%s is of %s, more than %d days before the operation", rule.ID, r.Collected, rule.OperationDays)})
			}
			continue
		}
		status := string(r.Status)
		if (r.Status == Met || r.Status == Waived) && r.ValidUntil.Before(on) {
			status = fmt.Sprintf("valid only until %s", r.ValidUntil)
		}
		reasons = append(reasons, Reason{"requirement-in-force", rule.ID, rule.ID + " is " + status})
	}
	return reasons
}

// unreviewed lists the flags that nobody has signed and the exclusions that
// nobody can.
func unreviewed(s State) []Reason {
	var reasons []Reason
	for _, flag := range s.Flags {
		if flag.Band == Meets {
			continue
		}
		r, _ := s.Find(flag.Requirement)
		switch {
		case flag.Absolute && flag.Band == Excludes:
			reasons = append(reasons, Reason{"absolute-exclusion", flag.Requirement, flag.ID + " is an absolute exclusion"})
		case r.Status != Met && r.Status != Waived && r.Status != NotMet:
			reasons = append(reasons, Reason{"flag-reviewed", flag.Requirement, flag.ID + " is flagged and not reviewed"})
		}
	}
	return reasons
}

func checkGate(gate Gate) func(Rules, State, Command) *Refusal {
	return func(rules Rules, s State, c Command) *Refusal {
		if reasons := missing(rules, s, gate, c.Today); len(reasons) > 0 {
			return blocked(c.Kind, reasons)
		}
		return nil
	}
}

func checkConsent(rules Rules, s State, c Command) *Refusal {
	return each(c, func(id string) *Refusal { return checkOneConsent(rules, s, c, id) })
}

// each checks a command for every requirement that it names.
func each(c Command, check func(id string) *Refusal) *Refusal {
	if len(c.Named()) == 0 {
		return invalid("requirement", "name the requirement")
	}
	var blocks []Reason
	for _, id := range c.Named() {
		switch refusal := check(id); {
		case refusal != nil && refusal.Code == Blocked:
			blocks = append(blocks, refusal.Reasons...)
		case refusal != nil:
			return refusal
		}
	}
	if len(blocks) > 0 {
		return blocked(c.Kind, blocks)
	}
	return nil
}

// unconfirmed lists the lines of a checklist that were not confirmed.
func unconfirmed(rule RequirementRule, s State, c Command) []Reason {
	var reasons []Reason
	for _, item := range rule.Items {
		if slices.Contains(c.Items, item.ID) || item.Conditional && s.Holds(item.ID) == HoldsNo || s.dutyDone(rule, item.ID, c.Today) {
			continue
		}
		reasons = append(reasons, Reason{"item-confirmed", rule.ID, item.ID + " is not confirmed"})
	}
	return reasons
}

// signedFirst reports whether the person gave the first of two signatures.
func signedFirst(r Requirement, c Command, waiver bool) bool {
	first := r.Awaiting
	return first != nil && first.By == c.Actor && first.Waiver == waiver && first.Until == c.On
}

func checkOneConsent(rules Rules, s State, c Command, id string) *Refusal {
	rule, refusal := find(rules, "requirement", id, ByConsent)
	if refusal != nil {
		return refusal
	}
	if r, _ := s.Find(rule.ID); r.Status == NotDue {
		return blocked(c.Kind, []Reason{{"not-due", rule.ID, rule.ID + " is given after the committee's approval"}})
	}
	if rule.Sided {
		switch {
		case !validSide(c.Side):
			return invalid("side", "this consent names a side", string(Left), string(Right))
		case s.Decision == nil || s.Decision.Side != c.Side:
			return blocked(c.Kind, []Reason{{"side-agrees", rule.ID, "the side differs from the committee's decision"}})
		}
	}
	if reasons := unconfirmed(rule, s, c); len(reasons) > 0 {
		return blocked(c.Kind, reasons)
	}
	return nil
}

func checkSignature(rules Rules, s State, c Command) *Refusal {
	if len(c.Requirements) == 0 {
		return invalid("requirements", "name at least one requirement")
	}
	if c.Verdict != VerdictMet && c.Verdict != VerdictNotMet {
		return invalid("verdict", "not a verdict", string(VerdictMet), string(VerdictNotMet))
	}
	if c.On != "" && !c.Today.Before(c.On) {
		return invalid("until", "an acceptance ends on a day after today")
	}
	var reasons []Reason
	for i, id := range c.Requirements {
		rule, refusal := find(rules, "requirements", id, ByResult)
		if refusal != nil {
			return refusal
		}
		if rule.Signer != c.Role {
			return &Refusal{Code: Forbidden, Field: "requirements", Message: fmt.Sprintf("%s is signed by the role %s", id, rule.Signer)}
		}
		r, _ := s.Find(id)
		flags := s.FlagsOf(id)
		switch {
		case len(c.Seen) > 0 && (i >= len(c.Seen) || c.Seen[i] != r.Evidence):
			reasons = append(reasons, Reason{"result-as-seen", id, id + " has changed since it was shown; look at it again"})
		case r.Evidence == "":
			reasons = append(reasons, Reason{"result-present", id, id + " has no final result"})
		case rule.ValidDays > 0 && validUntil(rule, r.Collected).Before(c.Today):
			reasons = append(reasons, Reason{"result-in-date", id, id + " has expired"})
		case c.Verdict == VerdictMet && slices.ContainsFunc(flags, func(f Flag) bool { return f.Absolute && f.Band == Excludes }):
			reasons = append(reasons, Reason{"absolute-exclusion", id, id + " stands on an absolute exclusion"})
		case c.Verdict == VerdictMet && rule.SecondSignature && Worst(flags) == Excludes && signedFirst(r, c, false):
			reasons = append(reasons, Reason{"two-people", id, "the second signature under " + id + " is another person's"})
		case c.Verdict == VerdictMet && Worst(flags) != Meets && !c.Reasoned:
			return invalid("reason", id+" is flagged: accepting it needs a reason")
		case c.Verdict == VerdictNotMet && !c.Reasoned:
			return invalid("reason", "say why "+id+" is not met")
		}
	}
	if len(reasons) > 0 {
		return blocked(c.Kind, reasons)
	}
	return nil
}

func checkReview(rules Rules, s State, c Command) *Refusal {
	return each(c, func(id string) *Refusal { return checkOneReview(rules, s, c, id) })
}

func checkOneReview(rules Rules, s State, c Command, id string) *Refusal {
	rule, refusal := find(rules, "requirement", id, ByReview)
	if refusal != nil {
		return refusal
	}
	if rule.Signer != c.Role {
		return &Refusal{Code: Forbidden, Field: "requirement", Message: fmt.Sprintf("%s is given by the role %s", rule.ID, rule.Signer)}
	}
	if rule.ByAdvocate && s.Advocate != c.Actor {
		return &Refusal{Code: Forbidden, Field: "requirement", Message: rule.ID + " is given by the candidate's own advocate"}
	}
	switch c.Position {
	case Supports:
		// Nothing may stand in the way of an objection.
		if reasons := unconfirmed(rule, s, c); len(reasons) > 0 {
			return blocked(c.Kind, reasons)
		}
	case Concerns, Objects:
		if !c.Reasoned {
			return invalid("findings", "concerns and objections need their reasons")
		}
	default:
		return invalid("position", "not a position", string(Supports), string(Concerns), string(Objects))
	}
	return nil
}

// checkPresent lets a packet go to the committee once each requirement has
// been decided one way or the other; only approval needs all of them in force.
func checkPresent(rules Rules, s State, c Command) *Refusal {
	var reasons []Reason
	for _, reason := range missing(rules, s, ForCommittee, c.Today) {
		if r, _ := s.Find(reason.Requirement); r.Status != NotMet {
			reasons = append(reasons, reason)
		}
	}
	if len(reasons) > 0 {
		return blocked(c.Kind, reasons)
	}
	return nil
}

// unheard lists the reviews without which the committee decides nothing and
// that are not recorded, or too old to speak of the candidate now.
func unheard(rules Rules, s State, on Date) []Reason {
	var reasons []Reason
	for _, rule := range rules.Requirements {
		r, _ := s.Find(rule.ID)
		if rule.BeforeDecision && (r.Position == "" || r.Status != NotMet && !r.InForce(on)) {
			reasons = append(reasons, Reason{"review-before-decision", rule.ID, rule.ID + " is not recorded or not in force"})
		}
	}
	return reasons
}

func checkDecision(rules Rules, s State, c Command) *Refusal {
	switch c.Outcome {
	case Approve:
		if !validSide(c.Side) {
			return invalid("side", "an approval names the side", string(Left), string(Right))
		}
	case Defer:
		if latest := c.Today.AddDays(rules.Timers.DeferralDays); !c.Today.Before(c.On) || latest.Before(c.On) {
			return invalid("re_review_on", fmt.Sprintf("a deferral names its re-review, after today and no later than %s", latest))
		}
	case DeclineCandidate:
	default:
		return invalid("outcome", "not a decision", string(Approve), string(Defer), string(DeclineCandidate))
	}
	if c.Outcome != Approve && !c.Reasoned {
		return invalid("reason", "this decision needs a reason; it is kept private")
	}
	if refusal := checkImpositions(rules, c); refusal != nil {
		return refusal
	}
	var reasons []Reason
	if rules.ByMeeting && c.Meeting == "" && !s.BackEntry {
		reasons = append(reasons, Reason{"meeting", "", "the decision is recorded from the meeting that voted on it"})
	}
	for _, seat := range rules.Quorum {
		if !slices.Contains(c.Seats, seat) {
			reasons = append(reasons, Reason{"quorum", "", "no quorum: " + seat + " is not present"})
		}
	}
	reasons = append(reasons, unheard(rules, s, c.Today)...)
	if c.Outcome == Approve {
		for _, reason := range missing(rules, s, ForCommittee, c.Today) {
			if !slices.ContainsFunc(reasons, func(r Reason) bool { return r.Requirement == reason.Requirement }) {
				reasons = append(reasons, reason)
			}
		}
		reasons = append(reasons, unreviewed(s)...)
	}
	if len(reasons) > 0 {
		return blocked(c.Kind, reasons)
	}
	return nil
}

func bloodType(s State) []Reason {
	switch s.BloodType {
	case Agree:
		return nil
	case Disagree:
		return []Reason{{"blood-type-agrees", "", "the blood-type samples disagree"}}
	default:
		return []Reason{{"blood-type-twice", "", "two blood-type samples drawn at different times are needed"}}
	}
}

func checkSchedule(rules Rules, s State, c Command) *Refusal {
	switch {
	case c.On == "":
		return invalid("date", "name the planned day of the operation")
	case c.On.Before(c.Today):
		return invalid("date", "the planned day is in the past")
	case c.Approach != "" && !slices.Contains(Approaches, c.Approach):
		return invalid("approach", "not an approach", Words(Approaches)...)
	}
	reasons := bloodType(s)
	if c.Side != "" && (s.Decision == nil || c.Side != s.Decision.Side) {
		reasons = append(reasons, Reason{"side-agrees", "", "the side that is booked differs from the committee's decision"})
	}
	if s.Decision == nil || s.Decision.Expires.Before(c.On) {
		reasons = append(reasons, Reason{"approval-in-force", "", "the approval lapses before that day"})
	}
	if earliest := coolingOffEnds(rules, s); c.On.Before(earliest) {
		reasons = append(reasons, Reason{"cooling-off", "", fmt.Sprintf("the cooling-off period ends on %s", earliest)})
	}
	reasons = append(reasons, missing(rules, s, ForScheduling, c.Today)...)
	reasons = append(reasons, unreviewed(s)...)
	if len(reasons) > 0 {
		return blocked(c.Kind, reasons)
	}
	return nil
}

// coolingOffEnds counts from the later of the reviews that inform the
// candidate: the advocate's and the other reviews needed before a decision.
func coolingOffEnds(rules Rules, s State) Date {
	var last Date
	for _, rule := range rules.Requirements {
		if r, _ := s.Find(rule.ID); rule.BeforeDecision && last.Before(r.SignedOn) {
			last = r.SignedOn
		}
	}
	return last.AddDays(rules.Timers.CoolingOffDays)
}

// checkVerification lets two people verify what the operation stands on, in the
// days before it. After a day of its own it may be made anew.
func checkVerification(rules Rules, s State, c Command) *Refusal {
	var reasons []Reason
	switch first := s.Planned.AddDays(-rules.VerificationDays); {
	case rules.VerificationDays == 0:
		reasons = append(reasons, Reason{"verification-wanted", "", "the protocol wants no verification before the day of the operation"})
	case s.Verification.Stopped || s.LastCheck.Stopped:
		reasons = append(reasons, stopped)
	case c.Today.Before(first):
		reasons = append(reasons, Reason{"verification-window", "", fmt.Sprintf("the verification is made from %s on", first)})
	case s.Planned.Before(c.Today):
		reasons = append(reasons, Reason{"day-of-operation", "", fmt.Sprintf("the planned day, %s, has passed", s.Planned)})
	case s.Verification.Complete(c.Today):
		reasons = append(reasons, Reason{"verification-complete", "", "two people have verified it today"})
	case s.Verification.On == c.Today && s.Verification.First == c.Actor:
		reasons = append(reasons, twoPeople)
	}
	reasons = append(reasons, untyped(rules, s)...)
	if len(reasons) > 0 {
		return blocked(c.Kind, reasons)
	}
	return nil
}

var (
	stopped   = Reason{"last-check-stopped", "", "a mismatch is waiting for a named person to resolve it"}
	twoPeople = Reason{"two-people", "", "the second confirmation is another person's"}
)

// untyped refuses a check that can't compare with the recipient's blood group.
func untyped(rules Rules, s State) []Reason {
	if !rules.RecipientTyped || s.RecipientTyped {
		return nil
	}
	return []Reason{{"recipient-typed", "", "the blood group of the intended recipient is not on record"}}
}

// unverified lists what the pre-operative verification lacks.
func unverified(rules Rules, s State) []Reason {
	if rules.VerificationDays == 0 {
		return nil
	}
	switch v := s.Verification; {
	case v.Stopped:
		return []Reason{stopped}
	case !v.Done():
		return []Reason{{"verification", "", "two different people verify the plan before the day of the operation"}}
	case v.On.AddDays(rules.VerificationDays).Before(s.Planned):
		return []Reason{{"verification", "", fmt.Sprintf("the verification is of %s, more than %d days before the operation", v.On, rules.VerificationDays)}}
	}
	return nil
}

func checkLastCheck(rules Rules, s State, c Command) *Refusal {
	var reasons []Reason
	switch {
	case s.LastCheck.Stopped:
		reasons = append(reasons, stopped)
	case s.Planned != c.Today:
		reasons = append(reasons, Reason{"day-of-operation", "", fmt.Sprintf("the last check is made on the planned day, %s", s.Planned)})
	case s.LastCheck.On == c.Today && s.LastCheck.First == c.Actor:
		reasons = append(reasons, twoPeople)
	case s.LastCheck.Complete(c.Today):
		reasons = append(reasons, Reason{"last-check-complete", "", "two people have confirmed the last check"})
	}
	if !s.LastCheck.Stopped {
		reasons = append(reasons, unverified(rules, s)...)
	}
	reasons = append(reasons, untyped(rules, s)...)
	if len(reasons) > 0 {
		return blocked(c.Kind, reasons)
	}
	return nil
}

func checkOperation(rules Rules, s State, c Command) *Refusal {
	reasons := bloodType(s)
	if !s.LastCheck.Complete(c.Today) {
		reasons = append(reasons, Reason{"last-check", "", "two different people confirm the last check on the day of the operation"})
	}
	if s.Decision == nil || s.Decision.Outcome != Approve || s.Decision.Expires.Before(c.Today) {
		reasons = append(reasons, Reason{"approval-in-force", "", "no approval is in force"})
	}
	reasons = append(reasons, missing(rules, s, ForOperation, c.Today)...)
	reasons = append(reasons, unreviewed(s)...)
	if len(reasons) > 0 {
		return blocked(c.Kind, reasons)
	}
	return nil
}

// unsettled refuses while a visit of the stage is still to come. What repeats
// itself has no end to wait for, and a donor who died has no visit to come.
func unsettled(s State, kind Kind, recoveryOnly bool) *Refusal {
	var reasons []Reason
	if !recoveryOnly || s.Outcome == StoppedNotRemoved {
		// The journey ends with it.
		reasons = unreported(s)
	}
	for _, v := range s.Visits {
		if !v.Settled() && !v.Repeats() && (v.InRecovery || !recoveryOnly) {
			reasons = append(reasons, Reason{"visit-settled", "", fmt.Sprintf("%s is %s", v.ID, v.Status)})
		}
	}
	if len(reasons) > 0 {
		return blocked(kind, reasons)
	}
	return nil
}
