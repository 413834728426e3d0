package journey

import "time"

// Command is the coded part of what somebody asks for. It carries no value, no
// name and no free text: those stay in the record store, staged under the same
// id, and never enter the engine's history.
type Command struct {
	// ID is the client's idempotency key and the Update id.
	ID        string    `json:"id"`
	Candidate string    `json:"candidate"`
	Kind      Kind      `json:"kind"`
	Actor     string    `json:"actor"`
	Role      Role      `json:"role"`
	At        time.Time `json:"at"`
	// Today is the calendar day of At in the programme's zone.
	Today Date `json:"today"`

	Requirement  string   `json:"requirement,omitempty"`
	Requirements []string `json:"requirements,omitempty"`
	// Seen is the evidence of each of Requirements as it was shown to whoever
	// signs, in the same order; empty when that is not known.
	Seen     []string `json:"seen,omitempty"`
	Verdict  Verdict  `json:"verdict,omitempty"`
	Position Position `json:"position,omitempty"`
	Outcome  Outcome  `json:"outcome,omitempty"`
	Side     Side     `json:"side,omitempty"`
	// Fate is what became of the kidney that was removed, once that is stated.
	Fate     Fate     `json:"fate,omitempty"`
	Approach Approach `json:"approach,omitempty"`
	// On is the date the command is about: planned operation, re-review, end of
	// a waiver, a complication, day of a visit or a contact, or the day whose deadlines Elapse
	// fires.
	On Date `json:"on,omitempty"`
	// Items are the disclosures or duties that were confirmed.
	Items []string `json:"items,omitempty"`
	// Person is the account that the command is about, such as an advocate.
	Person string `json:"person,omitempty"`
	// Seats are the quorum seats present at a decision.
	Seats []string `json:"seats,omitempty"`
	// Meeting is the meeting that a decision was voted on in, and Imposes the
	// conditions of an approval.
	Meeting string       `json:"meeting,omitempty"`
	Imposes []Imposition `json:"imposes,omitempty"`
	Visit   string       `json:"visit,omitempty"`
	// Event is the id of an event that has to be reported, Report that of a report,
	// and Moment is when somebody first knew of it, or when it was reported.
	Event  string  `json:"event,omitempty"`
	Report string  `json:"report,omitempty"`
	Moment Instant `json:"moment,omitempty"`
	// Ends is when a planned visit ends, which starts at Moment, and Revision the one
	// that whoever changes it has seen.
	Ends     Instant `json:"ends,omitempty"`
	Revision int     `json:"revision,omitempty"`
	// Channel is how the donor was contacted, and ReasonCode why a visit did not
	// take place.
	Channel    Channel     `json:"channel,omitempty"`
	ReasonCode VisitReason `json:"reason_code,omitempty"`
	// Version is the protocol version that a candidate is moved to.
	Version string `json:"version,omitempty"`
	// Reasoned says that a reason was given with the command.
	Reasoned bool `json:"reasoned,omitempty"`
	// BackEntry starts a journey whose timers wait until EndBackEntry.
	BackEntry bool `json:"back_entry,omitempty"`
}

// Named lists the requirements that the command is about.
func (c Command) Named() []string {
	if c.Requirement != "" {
		return []string{c.Requirement}
	}
	return c.Requirements
}

// Event is a command that was committed, with what the assessment of the facts
// on record made of it. The state of a candidate is the fold of its events.
type Event struct {
	Command
	Seq        int64       `json:"seq"`
	Assessment *Assessment `json:"assessment,omitempty"`
	// Rules are those that a move to another protocol version brings. They are
	// kept with it, so that the state follows from the events alone.
	Rules *Rules `json:"rules,omitempty"`
	// Fired lists the deadlines that passed, for Elapse and for a move.
	Fired []Deadline `json:"fired,omitempty"`
	// Outstanding lists what a planned operation lacks on a day of readiness.
	Outstanding []string `json:"outstanding,omitempty"`
	// Clocks are those that the command started.
	Clocks []Clock `json:"clocks,omitempty"`
	// Plan lists the requirements that came or went with the command.
	Plan []PlanChange `json:"plan,omitempty"`
	// Bands lists the flags that the command raised, lowered or took away.
	Bands []BandChange `json:"bands,omitempty"`
	// Mismatches names the lines of the last check that did not agree.
	Mismatches []string `json:"mismatches,omitempty"`
}

// Assessment is the coded outcome of evaluating every result on record.
type Assessment struct {
	Findings   []Finding   `json:"findings,omitempty"`
	Flags      []Flag      `json:"flags,omitempty"`
	Conditions []Condition `json:"conditions,omitempty"`
	BloodType  Agreement   `json:"blood_type"`
}

// PlanChange says that a requirement applies from now on, or no longer. Causes
// are the ids of the facts and flags behind it.
type PlanChange struct {
	Requirement string   `json:"requirement"`
	Applies     bool     `json:"applies"`
	Causes      []string `json:"causes,omitempty"`
}

// BandChange is a flag with both bands; one that is not there has none. Causes
// are the ids of the results that came, changed or went, or ByTime or ByProtocol.
type BandChange struct {
	Flag   string   `json:"flag"`
	From   Band     `json:"from,omitempty"`
	To     Band     `json:"to,omitempty"`
	Causes []string `json:"causes"`
}

// ByTime is the cause of a change that no result brought about: somebody has
// become older.
const ByTime = "time"

// Condition is the answer to whether a conditional requirement applies. The
// facts behind it are in the record store.
type Condition struct {
	Requirement string  `json:"requirement"`
	Holds       Holding `json:"holds"`
}

// Holding is what is known of a condition.
type Holding string

// The answers. HoldsUnknown means that a fact that decides is not on record: the
// requirement stands until it is known that it does not apply.
const (
	HoldsYes     Holding = "yes"
	HoldsNo      Holding = "no"
	HoldsUnknown Holding = "unknown"
)

// Finding says that results which can satisfy a requirement are on record.
type Finding struct {
	Requirement string `json:"requirement"`
	// Evidence identifies the exact results, so that a signature on other
	// results does not count.
	Evidence  string `json:"evidence"`
	Collected Date   `json:"collected"`
}

// Flag is the coded part of an eligibility flag. Value, threshold, rule and
// source are in the record store.
type Flag struct {
	ID          string `json:"id"`
	Requirement string `json:"requirement"`
	Band        Band   `json:"band"`
	// Absolute marks an exclusion that no review can lift.
	Absolute bool   `json:"absolute,omitempty"`
	Evidence string `json:"evidence"`
}
