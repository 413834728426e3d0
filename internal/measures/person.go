package measures

import (
	"slices"

	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/recovery"
	"candidacy/internal/result"
)

// Life is what is on record of one person.
type Life struct {
	Candidate string
	Events    []journey.Event
	// Stays are the stages that the person has been in.
	Stays     []journey.Stay
	Operation operation.Course
	Stay      recovery.Stay
	// Results are needed of those who were operated, to compare what was found
	// with imaging.
	Results []result.Result
	State   journey.State
	// Protocol is the person's own.
	Protocol *protocol.Protocol
}

// Person is what the measures keep of a life: days and codes, no name and no value.
type Person struct {
	id, protocol string
	stage        journey.Stage
	outcome      journey.Outcome
	// due is the day on which the stage counts as overdue, empty where it has none.
	due   journey.Date
	stays []journey.Stay
	// The days of the first of each step.
	referred, screened, evaluated, presented, decided, approved, scheduled, operated, discharged journey.Date
	// planned are operations that had a day, cancelled those given up.
	planned, cancelled int
	checked, mismatch  bool
	// lacking says that something was outstanding the day before the operation.
	eve, lacking bool
	expired      int
	// imaged says that vessels or ureters were both imaged and recorded, differs that
	// a number differs.
	imaged, differs bool
	operation       operation.Course
	events          []journey.Report
	// byCommittee says that the committee declined. against is the domain of what stood
	// against somebody who was declined, and shared is it without what is kept between
	// the clinicians.
	byCommittee     bool
	against, shared string
}

// Protocol is the version of the person's protocol.
func (p *Person) Protocol() string { return p.protocol }

// Referred is the day of the referral.
func (p *Person) Referred() journey.Date { return p.referred }

// ID is the candidate's.
func (p *Person) ID() string { return p.id }

// Read takes from a life what the measures are made from.
func Read(life Life) *Person {
	s := life.State
	p := &Person{
		id: life.Candidate, stage: s.Stage, outcome: s.Outcome, stays: life.Stays, operated: s.Operated, operation: life.Operation,
		discharged: life.Stay.Days[protocol.AtDischarge], events: s.Reports,
	}
	first := func(day *journey.Date, e journey.Event) {
		if *day == "" {
			*day = e.Today
		}
	}
	for _, e := range life.Events {
		switch e.Kind {
		case journey.Refer:
			first(&p.referred, e)
		case journey.BeginScreening:
			first(&p.screened, e)
		case journey.BeginEvaluation:
			first(&p.evaluated, e)
		case journey.PresentToCommittee:
			first(&p.presented, e)
		case journey.RecordDecision:
			first(&p.decided, e)
			if e.Outcome == journey.Approve {
				first(&p.approved, e)
			}
			p.byCommittee = e.Outcome == journey.DeclineCandidate
		case journey.Schedule:
			first(&p.scheduled, e)
			p.planned++
		case journey.CancelOperation:
			p.cancelled++
		case journey.ConfirmVerification, journey.ConfirmLastCheck:
			p.checked = true
			p.mismatch = p.mismatch || len(e.Mismatches) > 0
		case journey.Decline:
			p.byCommittee = e.Role == journey.CommitteeRole
		case journey.Elapse:
			p.elapse(e)
		}
	}
	if r := life.Operation.Record; r != nil {
		for _, line := range operation.Compare(*r, life.Results, p.operated) {
			p.imaged = p.imaged || line.Verdict == operation.Agrees || line.Verdict == operation.Differs
			p.differs = p.differs || line.Verdict == operation.Differs
		}
	}
	if life.Protocol != nil {
		p.judge(life.Protocol, s)
	}
	return p
}

func (p *Person) elapse(e journey.Event) {
	for _, d := range e.Fired {
		switch {
		case d.Kind == journey.RequirementExpires:
			p.expired++
		case d.Kind == journey.Readiness && d.Subject == "1":
			p.eve, p.lacking = true, len(e.Outstanding) > 0 // the last plan counts
		}
	}
}

// judge reads what depends on the protocol.
func (p *Person) judge(own *protocol.Protocol, s journey.State) {
	p.protocol = own.Version
	rules := own.Rules()
	if due := journey.StageDue(rules, s); due != nil {
		p.due = due.On
	}
	if s.Stage != journey.Declined {
		return
	}
	for _, r := range s.Requirements {
		rule, known := own.Find(r.ID)
		flagged := slices.ContainsFunc(s.Flags, func(f journey.Flag) bool { return f.Requirement == r.ID && f.Band == journey.Excludes })
		if !known || r.Status != journey.NotMet && !flagged {
			continue
		}
		p.against = oneOf(p.against, rule.Domain)
		if !own.ConfidentialRequirement(r.ID) && !own.ConfidentialCondition(r.ID) && !slices.Contains(guarded, rule.Domain) && !rule.ByAdvocate {
			p.shared = oneOf(p.shared, rule.Domain)
		}
	}
}

// guarded are the domains whose verdicts stay between the clinicians.
var guarded = []string{"psychosocial", "advocate"}

// SeveralDomains stands for more than one domain.
const SeveralDomains = "several"

func oneOf(had, domain string) string {
	if had == "" || had == domain {
		return domain
	}
	return SeveralDomains
}

// recorded reports whether the operation is on record with a kidney removed.
func (p *Person) recorded() bool {
	r := p.operation.Record
	return r != nil && r.Outcome == journey.Removed
}

// within reports whether a day is no more than so many days after the operation.
func (p *Person) within(day journey.Date, days int) bool {
	return day != "" && !p.operated.AddDays(days).Before(day)
}

func (p *Person) complicated(is func(operation.Complication) bool) bool {
	return slices.ContainsFunc(p.operation.Complications, func(c operation.Complication) bool { return !c.EnteredInError && is(c) })
}

// reports counts the events reported in time and late. An open one past its limit
// is late.
func (p *Person) reports() (in, late int, known bool) {
	for _, r := range p.events {
		switch inTime, is := r.InTime(""); {
		case r.Passed && r.Reported == "" && !r.Retracted():
			late++
		case !is:
		case inTime:
			in++
		default:
			late++
		}
	}
	return in, late, in+late > 0
}
