package web

import (
	"fmt"
	"slices"
	"unicode"
	"unicode/utf8"

	"candidacy/internal/api"
	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// need is one thing that somebody could do now.
type need struct {
	Kind journey.Kind
	Text string
}

// standing is what the board and the candidate's page both say of a candidate.
type standing struct {
	// Needs is what waits for the viewer.
	Needs []need
	// Outstanding lists what is missing for the next step.
	Outstanding []string
	// Stuck lists why the journey does not move.
	Stuck []string
	// Expiring lists what is not valid any more on the planned day.
	Expiring []string
	// OverdueSince is the day a deadline of the stage passed.
	OverdueSince journey.Date
	// Clocks are events that are still to be reported.
	Clocks []clockModel
	// Assessed says that the worst band stands on something: that no result is on
	// record yet is not a good result.
	Assessed bool
}

// soonDays is how near a deadline is when it needs attention.
const soonDays = 7

func (s standing) attention(next *journey.Deadline, today journey.Date) bool {
	soon := next != nil && today.DaysUntil(lastDay(*next)) <= soonDays
	return len(s.Needs)+len(s.Stuck)+len(s.Expiring)+len(s.Clocks) > 0 || s.OverdueSince != "" || soon
}

// nextDeadline is the next deadline that people know. The timer may be set to a
// reminder of it.
func nextDeadline(p *protocol.Protocol, c record.Candidate) *journey.Deadline {
	if c.Next == nil {
		return nil
	}
	if _, reminds := c.Next.Kind.Announces(); reminds {
		return journey.NextReal(p.Rules(), c.State)
	}
	return &c.Next.Deadline
}

// standingOf looks at a candidate with the eyes of the viewer.
func standingOf(p *protocol.Protocol, v *viewer, c record.Candidate) standing {
	today := journey.DateOf(v.now, p.Zone())
	rules, state := p.Rules(), c.State
	s := standing{Assessed: assessed(rules, state), OverdueSince: overdueSince(rules, state, today)}
	for _, r := range missing(rules, state, nextGate(state), today) {
		text := titleOf(p, r.ID)
		r, replaced := v.reader().Requirement(p, r)
		if replaced {
			text += " (" + api.ByClinicians + ")"
		} else if r.Status != journey.Due {
			text += " (" + lower(known(statusWords, r.Status)) + ")"
		}
		s.Outstanding = append(s.Outstanding, text)
	}
	for _, visit := range state.Visits {
		if visit.Status == journey.VisitOpen {
			s.Outstanding = append(s.Outstanding, "Visit: "+visitTitle(p, visit.ID))
		}
	}
	if state.Planned != "" && state.Stage.BeforeOperation() {
		for _, rule := range rules.Requirements {
			switch r, _ := state.Find(rule.ID); {
			case !r.InForce(today):
			case !r.InForce(state.Planned):
				s.Expiring = append(s.Expiring, fmt.Sprintf("%s (valid until %s)", titleOf(p, r.ID), dayWord(r.ValidUntil)))
			case !rule.RecentFor(r, state.Planned):
				s.Expiring = append(s.Expiring, fmt.Sprintf("%s (repeat from %s on)", titleOf(p, r.ID), dayWord(state.Planned.AddDays(-rule.OperationDays))))
			}
		}
		if state.Decision != nil && state.Decision.Expires.Before(state.Planned) {
			s.Expiring = append(s.Expiring, fmt.Sprintf("Approval (valid until %s)", dayWord(state.Decision.Expires)))
		}
	}
	s.Stuck = stuck(p, v, state, s.OverdueSince, today)
	s.Clocks = clocks(p, v, state)
	if since, lost := state.Lost(rules); lost && !state.Stage.Ended() {
		s.Stuck = append(s.Stuck, "Lost to follow-up since: "+visitTitle(p, since.ID))
	}
	s.Needs = needs(p, v, c, today)
	return s
}

// assessed reports whether there is a result to speak of. The age alone, which
// is known from the referral, is not, unless it is itself flagged.
func assessed(rules journey.Rules, s journey.State) bool {
	return journey.Worst(s.Flags) != journey.Meets || slices.ContainsFunc(rules.Requirements, func(rule journey.RequirementRule) bool {
		r, _ := s.Find(rule.ID)
		return rule.Evidence == journey.ByResult && r.Evidence != ""
	})
}

// lower begins a text with a small letter, unless it begins with an abbreviation such as CT.
func lower(text string) string {
	first, n := utf8.DecodeRuneInString(text)
	if next, _ := utf8.DecodeRuneInString(text[n:]); n == 0 || unicode.IsUpper(next) || unicode.IsDigit(next) {
		return text
	}
	return string(unicode.ToLower(first)) + text[n:]
}

// nextGate is the gate that the candidate passes next, empty after incision.
func nextGate(s journey.State) journey.Gate {
	stage := s.Stage
	if stage == journey.OnHold {
		stage = s.Resume
	}
	switch stage {
	case journey.Referral, journey.Screening:
		return journey.ForEvaluation
	case journey.Evaluation, journey.Committee, journey.Deferred:
		return journey.ForCommittee
	case journey.Approved:
		return journey.ForScheduling
	case journey.Scheduled:
		return journey.ForOperation
	default:
		return ""
	}
}

var gateOrder = []journey.Gate{journey.ForEvaluation, journey.ForCommittee, journey.ForScheduling, journey.ForOperation}

// missing lists the requirements up to a gate that are not in force on a day.
func missing(rules journey.Rules, s journey.State, last journey.Gate, on journey.Date) []journey.Requirement {
	var list []journey.Requirement
	for _, rule := range rules.Requirements {
		if last == "" || slices.Index(gateOrder, rule.Gate) > slices.Index(gateOrder, last) {
			continue
		}
		if r, ok := s.Find(rule.ID); ok && !r.InForce(on) {
			if r.Status == journey.Met || r.Status == journey.Waived {
				r.Status = journey.Expired // its timer has not fired yet
			}
			list = append(list, r)
		}
	}
	return list
}

// stageDeadlines are the deadlines of a stage as a whole.
var stageDeadlines = []journey.DeadlineKind{
	journey.FirstReplyDue, journey.ScreeningDue, journey.EvaluationDue,
	journey.CommitteeDue, journey.HoldReviewDue, journey.DeferralReviewDue,
}

// overdueSince is the day on which the stage's deadline passed, whether or not
// its timer has fired. A notice silences a deadline of its very day only, so
// without notices the one of the stage stands: a former stay in the same stage
// doesn't count.
func overdueSince(rules journey.Rules, s journey.State, today journey.Date) journey.Date {
	if d := journey.StageDue(rules, s); d != nil && slices.Contains(stageDeadlines, d.Kind) && !today.Before(d.On) {
		return d.On
	}
	return ""
}

func stuck(p *protocol.Protocol, v *viewer, s journey.State, overdue, today journey.Date) []string {
	var list []string
	if s.Stage.Ended() {
		return nil
	}
	if overdue != "" {
		list = append(list, fmt.Sprintf("%s has been overdue for %s", stageWord(s.Stage), plural(overdue.DaysUntil(today)+1, "day")))
	}
	if s.LastCheck.Stopped || s.Verification.Stopped {
		list = append(list, "The last check found a mismatch")
	}
	if !s.Stage.BeforeOperation() {
		return list
	}
	if s.BloodType == journey.Disagree {
		list = append(list, "The blood-type samples disagree")
	}
	for _, flag := range s.Flags {
		if flag.Absolute && flag.Band == journey.Excludes {
			if rule, ok := flagRule(p, flag.ID); ok {
				if text := v.reader().Stop(p, flag.ID, rule.Title); !slices.Contains(list, text) {
					list = append(list, text)
				}
			}
		}
	}
	for _, r := range s.Requirements {
		seen, replaced := v.reader().Requirement(p, r)
		// That a confidential result waits for a signature keeps nobody stuck, and
		// it looks like one that is not met.
		if replaced && !v.reader().HidesFinding(p, r.ID) {
			list = append(list, titleOf(p, r.ID)+" "+api.ByClinicians)
		}
		if seen.Status == journey.NotMet {
			list = append(list, titleOf(p, r.ID)+" is not met")
		}
	}
	return list
}

// needs lists what the viewer's role could do now to move the candidate on.
func needs(p *protocol.Protocol, v *viewer, c record.Candidate, today journey.Date) []need {
	rules, s := p.Rules(), c.State
	allowed := journey.Allowed(s.Stage, v.Role)
	var list []need
	add := func(kind journey.Kind, format string, args ...any) {
		if slices.Contains(allowed, kind) {
			list = append(list, need{kind, fmt.Sprintf(format, args...)})
		}
	}
	possible := func(kind journey.Kind) bool {
		return journey.Check(rules, s, journey.Command{Kind: kind, Role: v.Role, Actor: v.ID, Today: today}) == nil
	}
	reportNeeds(p, v, s, add)
	switch v.Role {
	case journey.Coordinator:
		stopNeed(s, add)
		coordinatorNeeds(p, s, today, add, possible)
	case journey.Clinician:
		clinicianNeeds(p, v, s, today, add, possible)
	case journey.Advocate:
		stopNeed(s, add)
		for _, r := range p.Requirements {
			if r.Evidence == journey.ByReview && r.Signer == journey.Advocate && open(s, r.ID, today) {
				add(journey.RecordReview, "Give your review: %s", r.Title)
			}
		}
	case journey.CommitteeRole:
		if !slices.ContainsFunc(rules.Requirements, func(r journey.RequirementRule) bool {
			state, _ := s.Find(r.ID)
			return r.BeforeDecision && state.Position == ""
		}) {
			add(journey.RecordDecision, "Decide")
		}
	}
	return list
}

// open reports whether somebody still has to see to the requirement.
func open(s journey.State, id string, today journey.Date) bool {
	r, ok := s.Find(id)
	return ok && !r.InForce(today) && r.Status != journey.NotDue && r.Status != journey.NotMet
}

type adder = func(kind journey.Kind, format string, args ...any)

func coordinatorNeeds(p *protocol.Protocol, s journey.State, today journey.Date, add adder, possible func(journey.Kind) bool) {
	add(journey.BeginScreening, "Begin screening")
	if s.Advocate == "" {
		add(journey.AssignAdvocate, "Assign an advocate")
	}
	for _, r := range p.Requirements {
		if r.Evidence == journey.ByConsent && open(s, r.ID, today) {
			add(journey.RecordConsent, "Record: %s", r.Title)
		}
	}
	for _, kind := range []journey.Kind{journey.BeginEvaluation, journey.PresentToCommittee, journey.Close} {
		if possible(kind) {
			add(kind, "%s", actionOf(kind).Title)
		}
	}
	if s.Stage == journey.Approved && len(missing(p.Rules(), s, journey.ForScheduling, today)) == 0 {
		add(journey.Schedule, "Set the day of the operation")
	}
	verificationNeed(p, s, add, possible)
	switch {
	case s.Stage == journey.OnHold && overdueSince(p.Rules(), s, today) != "":
		add(journey.Resume, "Review the hold")
	case s.Stage == journey.OnHold: // an advocate may have paused it, and only a coordinator resumes
		add(journey.Resume, "Resume, or leave on hold")
	}
	if s.Stage == journey.Deferred && s.Decision != nil && !today.Before(s.Decision.Expires) {
		add(journey.Resume, "Re-review is due")
	}
	aftercare(p, s, add, possible)
}

func clinicianNeeds(p *protocol.Protocol, v *viewer, s journey.State, today journey.Date, add adder, possible func(journey.Kind) bool) {
	switch {
	case s.LastCheck.Stopped || s.Verification.Stopped:
		add(journey.ResolveLastCheck, "Resolve the mismatch of the last check")
	case s.Planned == today && possible(journey.ConfirmLastCheck):
		add(journey.ConfirmLastCheck, "Confirm the last check")
	}
	verificationNeed(p, s, add, possible)
	if possible(journey.BeginOperation) {
		add(journey.BeginOperation, "Begin the operation")
	}
	add(journey.RecordOperation, "Record the operation")
	unsigned := 0
	for _, r := range p.Requirements {
		state, _ := s.Find(r.ID)
		if r.Evidence == journey.ByResult && r.Signer == v.Role && (state.Status == journey.Resulted || state.Status == journey.NeedsReview) {
			unsigned++
		}
	}
	if unsigned > 0 {
		add(journey.SignResults, "Sign %s", plural(unsigned, "result"))
	}
	for _, r := range p.Requirements {
		if r.Evidence == journey.ByReview && r.Signer == v.Role && open(s, r.ID, today) {
			add(journey.RecordReview, "Review: %s", r.Title)
		}
	}
	aftercare(p, s, add, possible)
}

// verificationNeed asks for what the verification of a planned operation lacks.
func verificationNeed(p *protocol.Protocol, s journey.State, add adder, possible func(journey.Kind) bool) {
	rules := p.Rules()
	if s.Stage == journey.Scheduled && rules.RecipientTyped && !s.RecipientTyped {
		add(journey.RecordRecipient, "%s", actionOf(journey.RecordRecipient).Title)
	}
	if possible(journey.ConfirmVerification) && !s.Verification.Done() {
		add(journey.ConfirmVerification, "Verify the planned operation")
	}
}

func aftercare(p *protocol.Protocol, s journey.State, add adder, possible func(journey.Kind) bool) {
	for _, visit := range s.Visits {
		if visit.Status == journey.VisitOpen {
			add(journey.RecordVisit, "Record the visit: %s", visitTitle(p, visit.ID))
		}
		if visit.Status == journey.VisitMissed && visit.Reason == "" && s.Died == "" {
			add(journey.RecordVisit, "Say why the visit was missed: %s", visitTitle(p, visit.ID))
		}
		if due := followup.Due(p, visit); due != nil {
			add(journey.RecordContact, "%s: %s", due.Title, visitTitle(p, visit.ID))
		}
	}
	if possible(journey.CompleteRecovery) {
		add(journey.CompleteRecovery, "%s", actionOf(journey.CompleteRecovery).Title)
	}
}
