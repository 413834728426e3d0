package journey

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Imposition is one condition of an approval as it is decided: until when it is
// to be met, before which step, and who signs that it is. What it asks for is
// free text and stays in the record.
type Imposition struct {
	Gate   Gate `json:"gate"`
	Due    Date `json:"due"`
	Signer Role `json:"signer"`
}

// Imposed is a condition of an approval as a requirement of the candidate. It is
// met by a review of its signer and waived by two people, like any requirement
// that a protocol has; it is no part of the protocol and goes with the approval.
type Imposed struct {
	RequirementRule
	Due Date `json:"due"`
	// Decision is the number of the entry that imposed it.
	Decision int64 `json:"decision"`
}

// What a condition may be before, and who may sign that it is met.
var (
	ImposedGates   = []Gate{ForScheduling, ForOperation}
	ImposedSigners = []Role{Clinician, Advocate}
)

// imposedPrefix begins the ids of conditions. Protocols have none of the kind.
const imposedPrefix = "condition-"

// IsImposed reports whether a requirement of that id is a condition of an approval.
func IsImposed(requirement string) bool {
	rest, ok := strings.CutPrefix(requirement, imposedPrefix)
	_, err := strconv.Atoi(rest)
	return ok && err == nil
}

// ImposedID is the requirement of a condition, by its number.
func ImposedID(number int) string { return imposedPrefix + strconv.Itoa(number) }

// ImposedNumber is the number of a condition among all that were ever imposed on
// the candidate, from 1; 0 for other requirements.
func ImposedNumber(requirement string) int {
	rest, _ := strings.CutPrefix(requirement, imposedPrefix)
	n, err := strconv.Atoi(rest)
	if err != nil {
		return 0
	}
	return n
}

// With adds the requirements that a decision imposed to those of the protocol.
func (r Rules) With(imposed []Imposed) Rules {
	if len(imposed) == 0 {
		return r
	}
	r.Requirements = slices.Clip(r.Requirements)
	for _, i := range imposed {
		if _, known := r.Requirement(i.ID); !known {
			r.Requirements = append(r.Requirements, i.RequirementRule)
		}
	}
	return r
}

// impose makes requirements of the conditions of an approval.
func (s *State) impose(e Event) {
	s.Imposed = slices.Clone(s.Imposed)
	for _, c := range e.Imposes {
		rule := RequirementRule{
			ID: ImposedID(len(s.Imposed) + 1), Gate: c.Gate, Evidence: ByReview, Signer: c.Signer,
			ByAdvocate: c.Signer == Advocate, SecondSignature: true,
		}
		s.Imposed = append(s.Imposed, Imposed{RequirementRule: rule, Due: c.Due, Decision: e.Seq})
		s.Requirements = append(s.Requirements, Requirement{ID: rule.ID, Status: Due})
	}
}

// release ends conditions with the approval that they were of. They stay in the
// list, so that another approval numbers on.
func (s *State) release() {
	for _, i := range s.Imposed {
		if at := s.index(i.ID); at >= 0 {
			s.Requirements[at] = Requirement{ID: i.ID, Status: NotApplicable}
		}
	}
}

// carryImposed takes conditions over to other rules, which know nothing of them.
func (s *State) carryImposed(before State) {
	for _, i := range s.Imposed {
		if r, ok := before.Find(i.ID); ok {
			s.Requirements = append(s.Requirements, r)
		}
	}
}

// conditionsDue are the days on which conditions count as overdue.
func conditionsDue(s State) []Deadline {
	var list []Deadline
	for _, i := range s.Imposed {
		on := i.Due.AddDays(1)
		d := Deadline{Kind: ConditionDue, Subject: i.ID, On: on}
		r, _ := s.Find(i.ID)
		if !r.InForce(on) && !slices.Contains(s.Notices, Notice{Deadline: d.Kind, Subject: d.Subject, On: d.On}) {
			list = append(list, d)
		}
	}
	return list
}

// checkImpositions refuses conditions that nobody could meet.
func checkImpositions(rules Rules, c Command) *Refusal {
	if len(c.Imposes) > 0 && c.Outcome != Approve {
		return invalid("conditions", "only an approval has conditions")
	}
	latest := c.Today.AddMonths(rules.Timers.ApprovalMonths)
	for n, i := range c.Imposes {
		at := fmt.Sprintf("conditions[%d].", n)
		switch {
		case !slices.Contains(ImposedGates, i.Gate):
			return invalid(at+"before", "not a step that waits for it", Words(ImposedGates)...)
		case !slices.Contains(ImposedSigners, i.Signer):
			return invalid(at+"signer", "not a role that signs it", Words(ImposedSigners)...)
		case !c.Today.Before(i.Due) || latest.Before(i.Due):
			return invalid(at+"due", fmt.Sprintf("due after today and no later than the approval lasts, %s", latest))
		}
	}
	return nil
}
