package activities

import (
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/medication"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/recovery"
	"candidacy/internal/result"
	"candidacy/internal/risk"
)

// Snapshot is everything about one candidate after a command, for publishing.
type Snapshot struct {
	Candidate string
	Referral  record.Referral
	Protocol  *protocol.Protocol
	// Moved says that the command put the candidate on this protocol.
	Moved   bool
	State   journey.State
	Results []result.Result
	Report  protocol.Report
	// Operation is what is on record of the operation, empty before it.
	Operation operation.Course
	// Entry is what the command was, and whose. Without a kind there was none: the
	// software publishes what it makes of the record.
	Entry Entry
	// Now is when the resources are published.
	Now time.Time
	// Today is the calendar day of the command.
	Today journey.Date
	// Referred tells in which role the candidate was referred. It is asked where
	// nothing of the referral is published yet.
	Referred func() (journey.Role, error)
	// Stay is what happened after the operation, and Medicines what is on record
	// of those taken.
	Stay      recovery.Stay
	Medicines medication.List
	// Told are the disclosures that were confirmed with consents, the oldest first.
	Told []Told
	// Risks are those that somebody obtained outside.
	Risks []risk.Estimate
	// Previous is what stands of the resources published so far, but for those
	// that are published once.
	Previous []record.Resource
	// Read returns the body of one of them as it was published.
	Read func(typ, id string) ([]byte, error)
}

// Entry is the kind of a command, the role that it was given in, and when.
type Entry struct {
	Kind journey.Kind
	Role journey.Role
	At   time.Time
}

// Told is what a candidate was told with one consent or several. Of what is in
// TeachBack they gave back the meaning in their own words.
type Told struct {
	Seq          int64
	On           journey.Date
	Requirements []string
	Disclosures  []string
	TeachBack    []string
}

// Publisher turns a snapshot into the resources that an EHR may read.
type Publisher interface {
	Publish(Snapshot) ([]record.Resource, error)
}
