package journey

import "slices"

// State is everything the process needs to know of one candidate. It is a
// plain value: the workflow carries it, Continue-As-New hands it on, and the
// record store keeps a copy for lists.
type State struct {
	Candidate string `json:"candidate"`
	Stage     Stage  `json:"stage"`
	// Resume is the stage to return to from OnHold.
	Resume Stage `json:"resume,omitempty"`
	Since  Date  `json:"since"`
	// AsOf is the day of the last entry.
	AsOf         Date          `json:"as_of,omitempty"`
	Seq          int64         `json:"seq"`
	BackEntry    bool          `json:"back_entry,omitempty"`
	Requirements []Requirement `json:"requirements"`
	Flags        []Flag        `json:"flags,omitempty"`
	Conditions   []Condition   `json:"conditions,omitempty"`
	// Imposed are the conditions of approvals, each with its requirement.
	Imposed   []Imposed `json:"imposed,omitempty"`
	BloodType Agreement `json:"blood_type"`
	Advocate  string    `json:"advocate,omitempty"`
	// Duties are those that the advocate has done one by one.
	Duties   []Duty    `json:"duties,omitempty"`
	Decision *Decision `json:"decision,omitempty"`
	// Planned is the planned day of incision.
	Planned   Date      `json:"planned,omitempty"`
	LastCheck LastCheck `json:"last_check"`
	// Verification is the pre-operative verification of the planned operation.
	Verification LastCheck `json:"verification,omitzero"`
	// Approach is the planned surgical approach.
	Approach Approach `json:"approach,omitempty"`
	// Cancelled is the day on which the last planned operation was cancelled,
	// until there is another plan, or a pause, or the approval has lapsed.
	Cancelled Date `json:"cancelled,omitempty"`
	// RecipientTyped says that the recipient's blood group is on record.
	RecipientTyped bool `json:"recipient_typed,omitempty"`
	// Operated is the day of the operation, the anchor of follow-up.
	Operated Date     `json:"operated,omitempty"`
	Outcome  Outcome  `json:"outcome,omitempty"`
	Visits   []Visit  `json:"visits,omitempty"`
	Notices  []Notice `json:"notices,omitempty"`
	// Appointments are the visits that were planned before the operation.
	Appointments []Appointment `json:"appointments,omitempty"`
	// DonorLink is the last day of the link to the own page, empty when
	// none was given or it was revoked.
	DonorLink Date `json:"donor_link,omitempty"`
	// Questionnaire is the last day of the link to a questionnaire, empty when none
	// is open.
	Questionnaire Date `json:"questionnaire,omitempty"`
	// StopWished is the day on which the candidate said in private that they want to
	// stop, until somebody has talked with them.
	StopWished Date `json:"stop_wished,omitempty"`
	// Reports are the events that have to be reported, and Died is the day of
	// death.
	Reports []Report `json:"reports,omitempty"`
	Died    Date     `json:"died,omitempty"`
}

// Requirement is the state of one requirement.
type Requirement struct {
	ID     string `json:"id"`
	Status Status `json:"status"`
	// Evidence identifies what the status stands on.
	Evidence   string   `json:"evidence,omitempty"`
	Collected  Date     `json:"collected,omitempty"`
	ValidUntil Date     `json:"valid_until,omitempty"`
	SignedBy   string   `json:"signed_by,omitempty"`
	SignedOn   Date     `json:"signed_on,omitempty"`
	Position   Position `json:"position,omitempty"`
	// Awaiting is a signature that counts once another person signs the same.
	Awaiting *Countersignature `json:"awaiting,omitempty"`
}

// Countersignature is a first signature where the protocol wants two.
type Countersignature struct {
	By string `json:"by"`
	On Date   `json:"on"`
	// Until is the end of a waiver, or of an acceptance that has one.
	Until  Date `json:"until,omitempty"`
	Waiver bool `json:"waiver,omitempty"`
}

// InForce reports whether the requirement is satisfied on the day: an expired
// result never is, whether or not its timer has fired yet.
func (r Requirement) InForce(on Date) bool {
	switch r.Status {
	case NotApplicable:
		return true
	case Met, Waived:
		return r.ValidUntil == "" || !r.ValidUntil.Before(on)
	default:
		return false
	}
}

// Decision is what the committee decided.
type Decision struct {
	Outcome Outcome `json:"outcome"`
	Side    Side    `json:"side,omitempty"`
	On      Date    `json:"on"`
	// Expires is the last day of an approval, or the day of re-review of a
	// deferral.
	Expires Date  `json:"expires,omitempty"`
	Seq     int64 `json:"seq"`
}

// LastCheck is a check by two different people, each of whom reads every line
// back: identity, both blood types and the side, and what the protocol adds.
type LastCheck struct {
	First  string `json:"first,omitempty"`
	Second string `json:"second,omitempty"`
	On     Date   `json:"on,omitempty"`
	// Stopped holds everything until a named person resolves the mismatch.
	Stopped bool `json:"stopped,omitempty"`
}

// Complete reports whether two people confirmed every line on the day.
func (c LastCheck) Complete(on Date) bool { return c.Done() && c.On == on }

// Done reports whether two people confirmed every line.
func (c LastCheck) Done() bool { return c.First != "" && c.Second != "" && !c.Stopped }

// confirm adds what one person read back. Who has found a line that does not
// agree stops the check.
func (c LastCheck) confirm(e Event) LastCheck {
	switch {
	case len(e.Mismatches) > 0:
		return LastCheck{On: e.Today, Stopped: true}
	case c.On != e.Today || c.First == "":
		return LastCheck{First: e.Actor, On: e.Today}
	default:
		c.Second = e.Actor
		return c
	}
}

// Visit is one follow-up visit with its window.
type Visit struct {
	ID     string      `json:"id"`
	Opens  Date        `json:"opens"`
	Target Date        `json:"target"`
	Closes Date        `json:"closes"`
	Status VisitStatus `json:"status"`
	On     Date        `json:"on,omitempty"`
	// InRecovery marks a visit that recovery waits for.
	InRecovery bool `json:"in_recovery,omitempty"`
	// Rule is the rule of a visit that repeats another, and Months how long after
	// the operation it is.
	Rule   string `json:"rule,omitempty"`
	Months int    `json:"months,omitempty"`
	// Ladder is the last day whose contact step has passed or was passed over.
	Ladder Date `json:"ladder,omitempty"`
	// Contacts are the attempts to reach the donor for it, and Refused is the day
	// on which they refused it.
	Contacts []Contact `json:"contacts,omitempty"`
	Refused  Date      `json:"refused,omitempty"`
	// Reason says why it did not take place.
	Reason VisitReason `json:"reason,omitempty"`
}

// Approach is how the kidney is reached.
type Approach string

// Approaches lists the surgical approaches.
var Approaches = []Approach{"laparoscopic", "hand-assisted", "robotic", "mini-open", "open"}

// VisitStatus is the state of a follow-up visit.
type VisitStatus string

// The states of a visit.
const (
	VisitAhead      VisitStatus = "ahead"
	VisitOpen       VisitStatus = "open"
	VisitDone       VisitStatus = "done"
	VisitDoneLate   VisitStatus = "done-late"
	VisitNotReached VisitStatus = "not-reached"
	VisitMissed     VisitStatus = "missed"
	// VisitNotOwed is a visit that the donor's death has ended.
	VisitNotOwed VisitStatus = "not-owed"
)

// Settled reports whether the visit needs nothing more.
func (v Visit) Settled() bool {
	return v.Status != VisitAhead && v.Status != VisitOpen
}

// Notice is a deadline that passed, kept so that it fires once.
type Notice struct {
	Deadline DeadlineKind `json:"deadline"`
	Subject  string       `json:"subject,omitempty"`
	On       Date         `json:"on"`
}

// Find returns the requirement with the id.
func (s State) Find(id string) (Requirement, bool) {
	i := s.index(id)
	if i < 0 {
		return Requirement{}, false
	}
	return s.Requirements[i], true
}

func (s State) index(id string) int {
	// Lists ask for this again and again: nothing is copied.
	for i := range s.Requirements {
		if s.Requirements[i].ID == id {
			return i
		}
	}
	return -1
}

// Applies reports whether the requirement applies to the candidate.
func (s State) Applies(id string) bool {
	r, ok := s.Find(id)
	return ok && r.Status != NotApplicable
}

// FlagsOf returns the flags that stand on a requirement's results.
func (s State) FlagsOf(requirement string) []Flag {
	var flags []Flag
	for _, flag := range s.Flags {
		if flag.Requirement == requirement {
			flags = append(flags, flag)
		}
	}
	return flags
}

// Worst returns the gravest band among the flags, Meets when there are none.
func Worst(flags []Flag) Band {
	worst := Meets
	for _, flag := range flags {
		if flag.Band.Graver(worst) {
			worst = flag.Band
		}
	}
	return worst
}

// Graver reports whether a band weighs more than another.
func (b Band) Graver(than Band) bool { return b.gravity() > than.gravity() }

func (b Band) gravity() int {
	switch b {
	case CannotDecide:
		return 1
	case Discussion:
		return 2
	case Excludes:
		return 3
	}
	return 0
}

// clone copies the slices that Apply changes, so that State is a value.
func (s State) clone() State {
	s.Requirements = slices.Clone(s.Requirements)
	s.Flags = slices.Clone(s.Flags)
	s.Duties = slices.Clone(s.Duties)
	s.Visits = slices.Clone(s.Visits)
	s.Notices = slices.Clone(s.Notices)
	s.Appointments = slices.Clone(s.Appointments)
	s.Reports = slices.Clone(s.Reports)
	return s
}
