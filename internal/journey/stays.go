package journey

import "slices"

// Stay is a time that a candidate spent in one stage, from one day to another. Until
// is empty while it lasts; that of a stage in which nothing more happens never ends.
type Stay struct {
	Stage Stage `json:"stage"`
	Since Date  `json:"since"`
	Until Date  `json:"until,omitempty"`
}

// Moves are the kinds of entry that lead to another stage by what they are. New results
// can end an approval as well, and the report of a death a journey.
var Moves = []Kind{
	Refer, BeginScreening, BeginEvaluation, PresentToCommittee, RecordDecision, Schedule, CancelOperation, BeginOperation,
	RecordOperation, AmendOperation, CompleteRecovery, Close, Withdraw, Decline, Hold, Resume, Elapse, MoveProtocol, RecordDeath,
}

// FoldStays are the stays of a candidate by all of their events.
func FoldStays(rules Rules, events []Event) []Stay {
	var list []Stay
	var s State
	for _, e := range events {
		s = Apply(rules, s, e)
		rules = RulesAfter(rules, e)
		list = entered(list, s.Stage, s.Since)
	}
	return list
}

// entered adds a stay, if the stage or its day is another than that of the last.
func entered(list []Stay, stage Stage, since Date) []Stay {
	if n := len(list); n > 0 {
		if last := &list[n-1]; last.Stage == stage && last.Since == since {
			return list
		} else {
			last.Until = since
		}
	}
	return append(list, Stay{Stage: stage, Since: since})
}

// Stays are those of FoldStays by the events in Moves alone, which are few and need no
// rules. They end in the stage where the candidate stands now. ok is false where these
// events don't tell: then all of them have to be folded.
func Stays(events []Event, now State) (list []Stay, ok bool) {
	var stage, resume Stage
	var outcome Outcome
	enter := func(to Stage, on Date) { stage, list = to, entered(list, to, on) }
	for _, e := range events {
		if e.Kind != Refer && !slices.ContainsFunc(permissions[e.Kind], func(p permission) bool { return slices.Contains(p.stages, stage) }) {
			return nil, false // the approval had ended meanwhile
		}
		approved := stage == Approved || stage == Scheduled
		switch e.Kind {
		case Refer:
			enter(Referral, e.Today)
		case BeginScreening:
			enter(Screening, e.Today)
		case BeginEvaluation:
			enter(Evaluation, e.Today)
		case PresentToCommittee:
			enter(Committee, e.Today)
		case RecordDecision:
			enter(decided(e.Outcome), e.Today)
		case Schedule:
			if stage != Scheduled {
				enter(Scheduled, e.Today)
			}
		case CancelOperation:
			enter(Approved, e.Today)
		case BeginOperation:
			enter(Operation, e.Today)
		case RecordOperation:
			outcome = e.Outcome
			enter(Recovery, e.Today)
		case AmendOperation:
			outcome = e.Outcome
		case CompleteRecovery:
			if outcome == Removed {
				enter(FollowUp, e.Today)
			} else {
				enter(Closed, e.Today)
			}
		case Close:
			enter(Closed, e.Today)
		case Withdraw, Decline, RecordDeath:
			if approved {
				return nil, false // or they had gone back to the evaluation before
			}
			enter(exits[e.Kind], e.Today)
		case Hold:
			if approved {
				return nil, false
			}
			resume = stage
			enter(OnHold, e.Today)
		case Resume:
			if stage == Deferred {
				resume = Evaluation
			}
			enter(resume, e.Today)
		case Elapse, MoveProtocol:
			for _, d := range e.Fired {
				if d.Kind == ApprovalLapses {
					enter(Evaluation, d.On)
				}
			}
		}
	}
	n := len(list)
	return list, n > 0 && list[n-1] == Stay{Stage: now.Stage, Since: now.Since}
}

var exits = map[Kind]Stage{Withdraw: Withdrawn, Decline: Declined, RecordDeath: Deceased}

// decided is the stage that a decision leads to.
func decided(o Outcome) Stage {
	switch o {
	case Approve:
		return Approved
	case Defer:
		return Deferred
	default:
		return Declined
	}
}
