package workflows_test

import (
	"slices"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/walk"
)

// TestContactsByTimer: each step of the ladder is fired by its own timer on its
// own day, once; a visit that took place and a refusal stop those to come.
func TestContactsByTimer(t *testing.T) {
	b := newBenchOn(t, protocoltest.FollowUp())
	w := b.walk
	w.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate()
	c := journey.Coordinator
	operation := w.Day(walk.OperationDay)
	after := func(days int) time.Time { return w.At(walk.OperationDay+days, 2) }
	month, year := operation.DaysUntil(operation.AddMonths(6)), operation.DaysUntil(operation.AddMonths(12))
	w.Add(after(7), journey.RecordVisit, walk.Coordinator, c, &command.RecordVisit{Visit: "week-1", Outcome: journey.Seen})
	w.Add(after(8), journey.CompleteRecovery, walk.Coordinator, c, &command.Plain{})
	w.Add(after(month+5), journey.RecordVisit, walk.Coordinator, c, &command.RecordVisit{Visit: "month-6", Outcome: journey.Seen})
	w.Add(after(year-20), journey.RecordContact, walk.Coordinator, c, &command.RecordContact{Visit: "year-1", Channel: "call", Outcome: journey.ContactRefused, Note: walk.Secret})
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, time.Duration(walk.OperationDay+900)*24*time.Hour)
	state := b.run()
	b.accepted()

	var got []journey.Deadline
	events, err := b.store.Events(t.Context(), b.candidate)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range events {
		for _, d := range e.Fired {
			if d.Kind == journey.ContactDue {
				if e.Today != d.On {
					t.Errorf("%+v fired on %s", d, e.Today)
				}
				got = append(got, d)
			}
		}
	}
	due := func(subject string, months, days int) journey.Deadline {
		return journey.Deadline{Kind: journey.ContactDue, Subject: subject, On: operation.AddMonths(months).AddDays(days)}
	}
	want := []journey.Deadline{
		due("month-6/reminder", 6, -60), due("month-6/call", 6, 0), due("year-1/reminder", 12, -60), due("year-2/reminder", 24, -60),
	}
	if !slices.Equal(got, want) {
		t.Errorf("fired\n%v, want\n%v", got, want)
	}
	last := state.Visits[len(state.Visits)-1]
	if last.ID != "yearly-m36" || last.Status != journey.VisitAhead {
		t.Errorf("the last visit is %+v", last)
	}
}
