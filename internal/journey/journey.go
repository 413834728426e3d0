// Package journey holds the process rules of a donor candidate's way from
// referral to the end of follow-up: which command is allowed in which stage and
// to whom, what it changes, and which deadlines stand.
//
// Everything here is pure: no I/O, no clock, no time zone, no names, birth
// dates, values or free text. The workflow uses it to decide, and every commit
// to check and to keep the record's copy of the state, from which a lost run
// is started again: both therefore agree. What a result means is not
// decided here: package protocol assesses results and hands over bands.
package journey

// Stage is where a candidate stands.
type Stage string

// The stages of the journey, its exits and its pauses.
const (
	Referral   Stage = "referral"
	Screening  Stage = "screening"
	Evaluation Stage = "evaluation"
	Committee  Stage = "committee"
	Approved   Stage = "approved"
	Scheduled  Stage = "scheduled"
	Operation  Stage = "operation"
	Recovery   Stage = "recovery"
	FollowUp   Stage = "follow-up"
	Closed     Stage = "closed"
	Declined   Stage = "declined"
	Withdrawn  Stage = "withdrawn"
	OnHold     Stage = "on-hold"
	Deferred   Stage = "deferred"
	// Deceased ends the journey of a candidate who died before the operation.
	Deceased Stage = "deceased"
)

// Stages lists every stage in the order of the journey, exits and pauses last.
var Stages = []Stage{
	Referral, Screening, Evaluation, Committee, Approved, Scheduled, Operation,
	Recovery, FollowUp, Closed, Declined, Withdrawn, OnHold, Deferred, Deceased,
}

// Ended reports whether nothing more can happen in the stage.
func (s Stage) Ended() bool {
	return s == Closed || s == Declined || s == Withdrawn || s == Deceased
}

// BeforeOperation reports whether anaesthesia has not begun, so that the
// candidate may still withdraw and results still expire.
func (s Stage) BeforeOperation() bool {
	switch s {
	case Operation, Recovery, FollowUp, Closed:
		return false
	default:
		return !s.Ended()
	}
}

// Role is what a signed-in person or a token may act as.
type Role string

// The roles. System is the engine's own timers and is never given to anyone.
const (
	Coordinator   Role = "coordinator"
	Clinician     Role = "clinician"
	Advocate      Role = "advocate"
	CommitteeRole Role = "committee"
	Auditor       Role = "auditor"
	EHR           Role = "ehr"
	Administrator Role = "administrator"
	// Laboratory sends results, and does and reads nothing else.
	Laboratory Role = "laboratory"
	System     Role = "system"
	// Self is the candidate, who has no account: a link lets them speak for
	// themselves. It is never given to anyone else.
	Self Role = "candidate"
)

// Roles lists the roles that a person or a token can hold.
var Roles = []Role{Coordinator, Clinician, Advocate, CommitteeRole, Auditor, EHR, Administrator, Laboratory}

// Kind names a command.
type Kind string

// The commands. Each is one Workflow Update and one entry in the record.
const (
	Refer              Kind = "refer"
	BeginScreening     Kind = "begin-screening"
	AssignAdvocate     Kind = "assign-advocate"
	RecordConsent      Kind = "record-consent"
	BeginEvaluation    Kind = "begin-evaluation"
	RecordResults      Kind = "record-results"
	SignResults        Kind = "sign-results"
	RecordReview       Kind = "record-review"
	WaiveRequirement   Kind = "waive-requirement"
	PresentToCommittee Kind = "present-to-committee"
	RecordDecision     Kind = "record-decision"
	Schedule           Kind = "schedule-operation"
	CancelOperation    Kind = "cancel-operation"
	// RecordRecipient records the blood group of the intended recipient, under an
	// opaque reference.
	RecordRecipient     Kind = "record-recipient"
	ConfirmVerification Kind = "confirm-verification"
	ConfirmLastCheck    Kind = "confirm-last-check"
	ResolveLastCheck    Kind = "resolve-last-check"
	BeginOperation      Kind = "begin-operation"
	RecordOperation     Kind = "record-operation"
	AmendOperation      Kind = "amend-operation"
	RecordComplication  Kind = "record-complication"
	CompleteRecovery    Kind = "complete-recovery"
	RecordVisit         Kind = "record-visit"
	RecordContact       Kind = "record-contact"
	Close               Kind = "close"
	Withdraw            Kind = "withdraw"
	Hold                Kind = "hold"
	Resume              Kind = "resume"
	Decline             Kind = "decline"
	MoveProtocol        Kind = "move-protocol"
	RecordStay          Kind = "record-stay"
	RecordMedicines     Kind = "record-medicines"
	// RecordRisk records the risk of an outcome as somebody obtained it outside.
	RecordRisk Kind = "record-risk"
	// GiveDonorLink gives the candidate a link to their own page in place of any before
	// it, and RevokeDonorLink takes it back. It shows the visits that are planned before
	// the operation, and what to mind after it.
	GiveDonorLink   Kind = "give-donor-link"
	RevokeDonorLink Kind = "revoke-donor-link"
	// ReportEvent records an event that has to be reported and starts its clock;
	// CloseReport stops it and RetractReport takes back a mistake.
	ReportEvent   Kind = "report-event"
	CloseReport   Kind = "close-report"
	RetractReport Kind = "retract-report"
	// RecordDeath ends the journey of a candidate who dies before the operation.
	RecordDeath Kind = "record-death"
	// RecordContactDetails says where the candidate may be written to. It changes
	// nothing of the process.
	RecordContactDetails Kind = "record-contact-details"
	// GiveQuestionnaire gives the candidate a link to a questionnaire in place of any
	// before it, and RevokeQuestionnaire takes it back.
	GiveQuestionnaire   Kind = "give-questionnaire"
	RevokeQuestionnaire Kind = "revoke-questionnaire"
	// SettleStopWish records what came of the talk with a candidate who said that
	// they want to stop. Whether they stop is another command.
	SettleStopWish Kind = "settle-stop-wish"

	// AnswerQuestionnaire and AskToStop are the candidate's own, by a link.
	AnswerQuestionnaire Kind = "answer-questionnaire"
	AskToStop           Kind = "ask-to-stop"

	// AskQuestion and AnswerQuestion are what the committee wants to know before it
	// decides, and RecordWords is what the candidate wants it to hear. They change
	// nothing of the process.
	AskQuestion    Kind = "ask-question"
	AnswerQuestion Kind = "answer-question"
	RecordWords    Kind = "record-own-words"

	// ConfirmDuties says which of the advocate's duties were done, on the day that they
	// were, or takes that back. The review that they belong to is another command.
	ConfirmDuties Kind = "confirm-duties"

	// PlanAppointment plans a visit before the operation; the others move it, call it
	// off, or say whether the candidate came.
	PlanAppointment   Kind = "plan-appointment"
	MoveAppointment   Kind = "move-appointment"
	CancelAppointment Kind = "cancel-appointment"
	CloseAppointment  Kind = "close-appointment"

	// Elapse is the firing of a deadline; only the workflow's timer gives it.
	Elapse Kind = "elapse"
	// EndBackEntry ends the entry of a journey that began before the programme
	// used this software, and lets its timers run by the clock.
	EndBackEntry Kind = "end-back-entry"
)

// Side is the side of a kidney, coded once and compared everywhere.
type Side string

// The two sides.
const (
	Left  Side = "left"
	Right Side = "right"
)

// Band is where a rule puts a finding.
type Band string

// The bands. CannotDecide is used when a rule's input is missing or unusable: it
// is never read as Meets.
const (
	Meets        Band = "meets"
	Discussion   Band = "needs-discussion"
	Excludes     Band = "excludes"
	CannotDecide Band = "cannot-decide"
)

// Status is the state of one requirement.
type Status string

// The states of a requirement.
const (
	NotDue        Status = "not-due"
	Due           Status = "due"
	Resulted      Status = "resulted"
	NeedsReview   Status = "needs-review"
	Met           Status = "met"
	NotMet        Status = "not-met"
	Expired       Status = "expired"
	Waived        Status = "waived"
	NotApplicable Status = "not-applicable"
)

// Position is what a reviewer or the independent living donor advocate says.
type Position string

// The positions of a review.
const (
	Supports Position = "supports"
	Concerns Position = "concerns"
	Objects  Position = "objects"
)

// Verdict is a clinician's signature on a result.
type Verdict string

// The verdicts.
const (
	VerdictMet    Verdict = "met"
	VerdictNotMet Verdict = "not-met"
)

// Outcome says how a decision, an operation or a visit ended.
type Outcome string

// The outcomes.
const (
	Approve           Outcome = "approve"
	Defer             Outcome = "defer"
	DeclineCandidate  Outcome = "decline"
	Removed           Outcome = "removed"
	StoppedNotRemoved Outcome = "stopped-not-removed"
	Seen              Outcome = "seen"
	NotReached        Outcome = "not-reached"

	// What came of an attempt to reach a donor.
	Reached              Outcome = "reached"
	NoAnswer             Outcome = "no-answer"
	WrongAddress         Outcome = "wrong-address"
	ContactRefused       Outcome = "refused"
	ContactMoved         Outcome = "moved"
	FamilyDoctorAnswered Outcome = "family-doctor-answered"

	// What became of a planned visit.
	Attended    Outcome = "attended"
	NotAttended Outcome = "not-attended"
)

// Fate is what became of a kidney that was removed. It says nothing of whom it
// was for.
type Fate string

// The fates of a kidney.
const (
	FateImplanted      Fate = "implanted"
	FateImplantedOther Fate = "implanted-other"
	FateNotImplanted   Fate = "not-implanted"
	FateUnknown        Fate = "unknown"
)

// Fates lists what may become of a kidney.
var Fates = []Fate{FateImplanted, FateImplantedOther, FateNotImplanted, FateUnknown}

// Agreement says whether the blood-type samples agree.
type Agreement string

// The states of blood-type agreement.
const (
	Incomplete Agreement = "incomplete"
	Agree      Agreement = "agree"
	Disagree   Agreement = "disagree"
)
