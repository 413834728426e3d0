// Package planner works out when to do what is left of an evaluation, so that
// the operation can take place as early as possible and nothing has expired by
// then.
//
// # The rules
//
// Time is counted in whole days. A task done on day d has its result on day
// d + LeadDays; a task that needs it starts on that day or later. The age of a
// result is counted from the day the task is done: it counts up to and
// including d + ValidityDays, and at a milestone only if it was done at most
// WindowDays before it. A committee task has to count on the day of the
// committee and, if AlsoAtOperation is set, on the day of the operation; an
// operation task on the day of the operation. An operation task that a
// committee task needs is treated as a committee task that also has to count
// at the operation. The operation is at least CoolingOffDays after the
// committee.
//
// A task whose result for the committee will be too old at the operation is
// done a second time. What is done for the committee waits for the results
// that count at the committee; what is done for the operation only waits for
// the results that count at the operation. Tasks that are to be kept apart are
// kept apart between the results that count at the same milestone; if they
// have no milestone in common, the committee task comes first.
//
// # The objective
//
// In this order: the earliest operation (not before the day asked for), the
// fewest repeats, the earliest committee, the fewest visits, every task as
// early as the visits allow. When a committee day is asked for, the committee
// comes first in that list. A visit is a day and a kind of visit.
//
// # The method
//
// The critical path method gives the earliest committee and operation. It
// alternates with marking the results that are too old by then, which only
// ever adds tasks and moves the days later, so it stops at the least solution.
//
// With both days fixed, a pass backwards gives the latest day of each task,
// last tasks first. A task for both milestones is done once exactly if its
// latest day before the committee is still young enough for the operation. No
// plan can do better: the latest day depends only on tasks that come later,
// for which as few as possible are repeated already, and fewer repeats only
// make latest days later. And all of them can be done once in one plan: every
// chain from such a task to the operation is one that its second time would
// have to start as well, and the second time has room, because no result may
// be younger than its chain is long (this is checked first). A task done once
// does not wait for the repeats of what it needs, so a committee later than
// the earliest can make the operation earlier; if the bound in which
// everything lasts is not reached, later committees are tried day by day.
// For the fewest repeats, the committee is tried on every day on which a
// result becomes too old or a task late enough to last.
//
// Tasks to be kept apart may go in either order, but not against what they
// need; a second time comes after what is done once, and the order is the same
// at both milestones. All orders are tried for up to six pairs that nothing
// else orders; beyond that, pairs are turned round one at a time for as long as
// that makes the plan better. If keeping apart leaves no day for a task that is done once, it is
// done twice. This is exact (Plan.Exact) if all orders were tried and, in each
// pair, both tasks count at the same milestones, neither expires and they have
// no results on record too close to each other. Otherwise the plan is possible,
// and nearly always the best.
//
// Visits are groups of tasks of one kind on one day, with free days as long as
// the network has a solution. Tasks join the first group that still has one,
// in order of their latest days. For tasks that do not depend on each other
// this is the greedy stabbing of intervals, which is optimal: a group opens
// only if the task lies wholly after the latest day of the first task of every
// group of its kind, so the first tasks are pairwise disjoint and each needs
// its own visit. With dependencies it is a heuristic, tried in several orders
// and improved by dissolving groups, and for up to twelve planned tasks with
// visits completed by a search with a limit. Plan.VisitsAtLeast is the number
// of disjoint intervals, which no plan with the same orders, days and repeats
// undercuts; never more visits are
// planned than there are tasks with visits to do.
//
// The package is pure: no clock, no input or output, and the same plan for any
// order of the tasks.
package planner

import (
	"candidacy/internal/journey"
)

// Gate is the milestone by which a task has to be done.
type Gate string

// The milestones, in order.
const (
	Committee Gate = "committee"
	Operation Gate = "operation"
)

// Gates lists the milestones in order.
func Gates() []Gate { return []Gate{Committee, Operation} }

// Request is what there is to plan.
type Request struct {
	Today          journey.Date `json:"today" jsonschema:"the day from which to plan, YYYY-MM-DD"`
	Operation      journey.Date `json:"operation,omitzero" jsonschema:"the day asked for the operation; without it the earliest is planned"`
	Committee      journey.Date `json:"committee,omitzero" jsonschema:"the day asked for the committee; without it the best day is chosen"`
	CommitteeHeld  journey.Date `json:"committeeHeld,omitzero" jsonschema:"the day on which the committee has met, if it has"`
	CoolingOffDays int          `json:"coolingOffDays,omitzero" jsonschema:"days between committee and operation, at least"`
	Tasks          []Task       `json:"tasks" jsonschema:"everything the protocol asks for, done or not"`
}

// Task is one requirement of the programme's protocol.
type Task struct {
	ID              string       `json:"id" jsonschema:"the requirement"`
	LeadDays        int          `json:"leadDays,omitzero" jsonschema:"days from doing it to its result"`
	Visit           string       `json:"visit,omitzero" jsonschema:"the kind of visit; tasks of one kind on one day share a visit; empty if it needs none"`
	Needs           []string     `json:"needs,omitzero" jsonschema:"the tasks whose results are needed before this one starts"`
	Gate            Gate         `json:"gate" jsonschema:"committee or operation"`
	AlsoAtOperation bool         `json:"alsoAtOperation,omitzero" jsonschema:"whether a committee task has to be valid on the day of the operation too"`
	ValidityDays    int          `json:"validityDays,omitzero" jsonschema:"days for which the result is valid, counted from the day it is done; 0 if it does not expire"`
	WindowDays      int          `json:"windowDays,omitzero" jsonschema:"days before each of its milestones within which it has to be done; 0 for no window"`
	NotBefore       journey.Date `json:"notBefore,omitzero" jsonschema:"the first day on which it can be done"`
	DoneOn          journey.Date `json:"doneOn,omitzero" jsonschema:"the day on which the result on record was done; the latest one"`
	Apart           []Spacing    `json:"apart,omitzero" jsonschema:"tasks from which it has to be kept apart"`
}

// Spacing keeps a task apart from another one, in either order.
type Spacing struct {
	Task string `json:"task" jsonschema:"the other task"`
	Days int    `json:"days" jsonschema:"days between the two, at least; 1 for separate days"`
}

// Plan is what to do and when. Every list is in a fixed order.
type Plan struct {
	// Feasible says whether the days asked for are possible. If not, the plan
	// is for the next days that are, and the answers name the chain.
	Feasible          bool         `json:"feasible"`
	Committee         journey.Date `json:"committee"`
	Operation         journey.Date `json:"operation"`
	EarliestCommittee journey.Date `json:"earliestCommittee"`
	EarliestOperation journey.Date `json:"earliestOperation"`
	// CommitteeAnswer and OperationAnswer are nil when no day was asked for.
	CommitteeAnswer *Answer `json:"committeeAnswer,omitzero"`
	OperationAnswer *Answer `json:"operationAnswer,omitzero"`
	// Chain is what determines the planned operation, from the first step.
	// It is empty when only the day asked for does.
	Chain []Step `json:"chain,omitzero"`

	First  []Start    `json:"first"`  // what can start today, least slack first
	Visits []Visit    `json:"visits"` // by day and kind
	Tasks  []TaskPlan `json:"tasks"`  // by id

	Repeats       int  `json:"repeats"`
	VisitDays     int  `json:"visitDays"`     // days with at least one visit
	VisitsAtLeast int  `json:"visitsAtLeast"` // if exact, no plan with these days and repeats has fewer visits
	Exact         bool `json:"exact"`         // whether operation, repeats and committee are certainly the best ones
}

// Answer says whether a day asked for is possible.
type Answer struct {
	Asked    journey.Date `json:"asked"`
	Feasible bool         `json:"feasible"`
	Next     journey.Date `json:"next"`           // the first possible day on or after it
	Chain    []Step       `json:"chain,omitzero"` // what prevents it
}

// Step is one link of a chain. Task is empty for a milestone.
type Step struct {
	Task string       `json:"task,omitzero"`
	From journey.Date `json:"from"`
	To   journey.Date `json:"to"`
	Text string       `json:"text"`
}

// Start is a task that can start today.
type Start struct {
	Task      string       `json:"task"`
	On        journey.Date `json:"on"`     // the planned day
	Latest    journey.Date `json:"latest"` // the last day that keeps the plan's dates and repeats
	SlackDays int          `json:"slackDays"`
	Text      string       `json:"text"`
}

// Visit is one visit of a kind on a day. Tasks are in an order in which they
// can be done.
type Visit struct {
	On    journey.Date `json:"on"`
	Kind  string       `json:"kind"`
	Tasks []string     `json:"tasks"`
}

// State is what the plan says about a task.
type State string

// The states of a task in a plan.
const (
	OnRecord State = "onRecord" // nothing to do: the result on record counts
	Settled  State = "settled"  // nothing to do: the committee has met
	Planned  State = "planned"  // to be done once
	Repeated State = "repeated" // to be done, and at least one time is a repeat
)

// TaskPlan is the plan for one task.
type TaskPlan struct {
	ID    string `json:"id"`
	State State  `json:"state"`
	// ValidUntil is the last day on which the result on record is not too
	// old; empty without a record or if it does not expire.
	ValidUntil journey.Date `json:"validUntil,omitzero"`
	Do         []Doing      `json:"do,omitzero"` // at most two, in order
	Reason     string       `json:"reason"`
}

// Doing is one time that a task is to be done.
type Doing struct {
	On         journey.Date `json:"on"`
	Result     journey.Date `json:"result"`
	ValidUntil journey.Date `json:"validUntil,omitzero"` // empty if it does not expire
	Earliest   journey.Date `json:"earliest"`
	Latest     journey.Date `json:"latest"`
	SlackDays  int          `json:"slackDays"` // from earliest to latest; 0 is critical
	For        []Gate       `json:"for"`       // the milestones at which its result counts
	Repeat     bool         `json:"repeat,omitzero"`
	Reason     string       `json:"reason"`
}

// Compute plans the request. An error is always an *Error: the request itself
// is wrong, or no day at all is possible.
func Compute(request Request) (Plan, error) {
	m, err := prepare(request)
	if err != nil {
		return Plan{}, err
	}
	earliestCommittee, earliestOperation, best, err := m.solve()
	if err != nil {
		return Plan{}, err
	}
	return m.describe(earliestCommittee, earliestOperation, best), nil
}
