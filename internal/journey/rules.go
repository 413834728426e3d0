package journey

// Rules is the part of a programme protocol that the process needs: ids, codes
// and windows. A candidate is pinned to the version it was made from.
type Rules struct {
	Version      string            `json:"version"`
	Requirements []RequirementRule `json:"requirements"`
	Visits       []VisitRule       `json:"visits"`
	Quorum       []string          `json:"quorum"`
	Timers       Timers            `json:"timers"`
	Reminders    []Reminder        `json:"reminders,omitempty"`
	// Readiness are the days before a planned operation on which the record says
	// what is still outstanding for it.
	Readiness []int `json:"readiness,omitempty"`
	// VerificationDays is how many days before the operation the pre-operative
	// verification may be from; 0 means that none is wanted.
	VerificationDays int `json:"verification_days,omitempty"`
	// RecipientTyped means that the checks compare with the recipient's blood
	// group, so that they need it on record.
	RecipientTyped bool `json:"recipient_typed,omitempty"`
	// ByMeeting means that a decision is recorded from a meeting that voted on it.
	ByMeeting bool         `json:"by_meeting,omitempty"`
	Reports   []ReportRule `json:"reports,omitempty"`
	Ladder    []LadderStep `json:"ladder,omitempty"`
	Lost      LostRule     `json:"lost,omitzero"`
}

// Gate is the step that a requirement must be met for.
type Gate string

// The gates, in the order in which a candidate passes them.
const (
	ForEvaluation Gate = "evaluation"
	ForCommittee  Gate = "committee"
	ForScheduling Gate = "scheduling"
	ForOperation  Gate = "operation"
)

// Evidence is what can satisfy a requirement.
type Evidence string

// The kinds of evidence.
const (
	ByResult     Evidence = "result"
	ByReview     Evidence = "review"
	ByConsent    Evidence = "consent"
	ByAssignment Evidence = "assignment"
)

// RequirementRule is one thing that must be known or done.
type RequirementRule struct {
	ID       string   `json:"id"`
	Gate     Gate     `json:"gate"`
	Evidence Evidence `json:"evidence"`
	Signer   Role     `json:"signer"`
	// ValidDays counts from the day of collection or signature; 0 means that
	// the evidence does not expire.
	ValidDays int `json:"valid_days,omitempty"`
	// NoWaiver marks a requirement that nobody may waive.
	NoWaiver bool `json:"no_waiver,omitempty"`
	// WhenFlagged makes the requirement apply only while one of the named flags
	// is in another band than Meets.
	WhenFlagged []string `json:"when_flagged,omitempty"`
	// Conditional makes the requirement apply unless its condition is known not
	// to hold. With WhenFlagged, either makes it apply.
	Conditional bool `json:"conditional,omitempty"`
	// BeforeDecision marks a review without which the committee decides nothing.
	BeforeDecision bool `json:"before_decision,omitempty"`
	// ByAdvocate marks a review that only the assigned independent living donor
	// advocate may give.
	ByAdvocate bool `json:"by_advocate,omitempty"`
	// Sided marks a consent that names the side, compared with the decision.
	Sided bool `json:"sided,omitempty"`
	// OperationDays is how many days before the planned operation the evidence
	// may be from; 0 means that the operation sets no window of its own.
	OperationDays int `json:"operation_days,omitempty"`
	// SecondSignature marks a requirement whose waiver, and whose acceptance
	// against an exclusion, counts only when another person signs too.
	SecondSignature bool `json:"second_signature,omitempty"`
	// Items are what has to be confirmed one by one with a consent or a review:
	// disclosures and the advocate's duties.
	Items []Item `json:"items,omitempty"`
}

// RecentFor reports whether evidence is from the days before an operation that
// the rule wants it from. What is waived or does not apply needs none.
func (rule RequirementRule) RecentFor(r Requirement, operation Date) bool {
	if rule.OperationDays == 0 || r.Status == NotApplicable || r.Status == Waived {
		return true
	}
	return r.Collected != "" && !r.Collected.AddDays(rule.OperationDays).Before(operation)
}

// Item is one line of a checklist. A conditional one is left out only while its
// condition is known not to hold; its answer has the id of the item.
type Item struct {
	ID          string `json:"id"`
	Conditional bool   `json:"conditional,omitempty"`
}

// Reminder announces a deadline some days before it.
type Reminder struct {
	Of   DeadlineKind `json:"of"`
	Days []int        `json:"days"`
}

// VisitRule is one follow-up visit, counted from the day of the operation.
type VisitRule struct {
	ID          string `json:"id"`
	AfterDays   int    `json:"after_days,omitempty"`
	AfterMonths int    `json:"after_months,omitempty"`
	OpensBefore int    `json:"opens_before_days"`
	ClosesAfter int    `json:"closes_after_days"`
	// InRecovery marks a visit that belongs to recovery, before follow-up.
	InRecovery bool `json:"in_recovery,omitempty"`
	// RepeatsEvery is after how many months the visit comes again, and
	// RepeatsUntil the years after the operation until which it does; 0 means for
	// life.
	RepeatsEvery int `json:"repeats_every_months,omitempty"`
	RepeatsUntil int `json:"repeats_until_years,omitempty"`
}

// Timers are the deadlines of the process in days, and the approval's life in
// months.
type Timers struct {
	FirstReplyDays int `json:"first_reply_days"`
	ScreeningDays  int `json:"screening_days"`
	EvaluationDays int `json:"evaluation_days"`
	CommitteeDays  int `json:"committee_days"`
	HoldDays       int `json:"hold_days"`
	ApprovalMonths int `json:"approval_months"`
	DeferralDays   int `json:"deferral_days"`
	CoolingOffDays int `json:"cooling_off_days"`
	// NewDateDays are the working days after a cancellation until a new day is
	// found or the candidate is put on hold; 0 means that nothing waits for it.
	NewDateDays int `json:"new_date_days,omitempty"`
}

// Requirement finds a rule by its id.
func (r Rules) Requirement(id string) (RequirementRule, bool) {
	for _, rule := range r.Requirements {
		if rule.ID == id {
			return rule, true
		}
	}
	return RequirementRule{}, false
}
