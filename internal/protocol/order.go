package protocol

import (
	"errors"
	"slices"
	"strings"

	"candidacy/internal/journey"
	"candidacy/internal/planner"
)

// Order computes when to do what is left of a candidate's evaluation, so that
// the operation can take place as early as possible, on the day that is planned
// for it if there is one, and nothing has expired by then: see package planner.
// The error is a *planner.Error, or says that the operation has begun.
func (p *Protocol) Order(state journey.State, today journey.Date) (planner.Plan, error) {
	if !state.Stage.BeforeOperation() {
		return planner.Plan{}, errors.New("there is nothing to plan: the journey is not before an operation")
	}
	request := planner.Request{Today: today, CoolingOffDays: p.Timers.CoolingOffDays}
	if !state.Planned.Before(today) {
		request.Operation = state.Planned
	}
	if d := state.Decision; d != nil && d.Outcome == journey.Approve {
		request.CommitteeHeld = d.On
	}
	open := func(id string) bool {
		r, ok := state.Find(id)
		return ok && r.Status != journey.NotApplicable && r.Status != journey.Waived
	}
	for _, r := range p.Requirements {
		if open(r.ID) {
			has, _ := state.Find(r.ID)
			request.Tasks = append(request.Tasks, r.tasks(open, doneOn(r, has))...)
		}
	}
	return planner.Compute(request)
}

// doneOn is the day from which what is on record counts, empty when nothing is.
func doneOn(r Requirement, has journey.Requirement) journey.Date {
	switch has.Status {
	case journey.Met, journey.Resulted, journey.NeedsReview, journey.Expired:
		if r.Evidence == journey.ByResult {
			return has.Collected
		}
		return has.SignedOn
	}
	return ""
}

// atOperation ends the id of a task that does a requirement a second time,
// because the operation wants a younger result than the committee.
const atOperation = "@operation"

// Planned returns the requirement behind a task of an order, and whether the
// task is its second time, for the operation.
func Planned(task string) (requirement string, forOperation bool) {
	return strings.CutSuffix(task, atOperation)
}

func (r Requirement) tasks(open func(string) bool, done journey.Date) []planner.Task {
	t := r.task(open, done)
	if r.OperationDays == 0 || t.Gate == planner.Operation {
		return []planner.Task{t}
	}
	t.AlsoAtOperation = false
	again := planner.Task{
		ID: r.ID + atOperation, LeadDays: r.LeadDays, Visit: r.Visit, Gate: planner.Operation,
		ValidityDays: r.ValidDays, WindowDays: r.OperationDays, DoneOn: done,
	}
	return []planner.Task{t, again}
}

func (r Requirement) task(open func(string) bool, done journey.Date) planner.Task {
	t := planner.Task{
		ID: r.ID, LeadDays: r.LeadDays, Visit: r.Visit, Gate: planner.Committee, ValidityDays: r.ValidDays, DoneOn: done,
		Needs: slices.DeleteFunc(slices.Clone(r.Needs), func(id string) bool { return !open(id) }),
	}
	// What a committee saw has to hold on the day of the operation too.
	t.AlsoAtOperation = r.ValidDays > 0
	if r.Gate == journey.ForScheduling || r.Gate == journey.ForOperation {
		t.Gate, t.AlsoAtOperation = planner.Operation, false
	}
	if r.OperationDays > 0 && t.Gate == planner.Operation {
		t.WindowDays = r.OperationDays
	}
	for _, each := range r.Apart {
		if open(each.Requirement) {
			t.Apart = append(t.Apart, planner.Spacing{Task: each.Requirement, Days: each.Days})
		}
	}
	return t
}

// anyDay is a day to try an order on; the outcome does not depend on it.
const anyDay journey.Date = "2026-01-05"

// checkOrder finds requirements that wait for each other, and windows that
// nothing can meet.
func (p *Protocol) checkOrder(fail func(string, ...any)) {
	request := planner.Request{Today: anyDay, CoolingOffDays: p.Timers.CoolingOffDays}
	all := func(string) bool { return true }
	for _, r := range p.Requirements {
		request.Tasks = append(request.Tasks, r.tasks(all, "")...)
	}
	_, err := planner.Compute(request)
	var mistake *planner.Error
	if errors.As(err, &mistake) {
		fail("requirements.%s: no order is possible: %w", mistake.Task, err)
	} else if err != nil {
		fail("requirements: no order is possible: %w", err)
	}
}
