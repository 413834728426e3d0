package command_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"candidacy/internal/command"
	"candidacy/internal/result"
)

var reportedOn = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// report is one report of a result: of a status and a value, issued some hours
// after the first, in a message that was made then or later.
func report(status result.Status, value string, issued, sent int) result.Result {
	r := result.Result{Status: status, Value: result.Value{Quantity: &result.Quantity{Value: json.Number(value), Unit: "mg/dL"}}}
	if issued >= 0 {
		r.Issued = reportedOn.Add(time.Duration(issued) * time.Hour).Format(time.RFC3339)
	}
	if sent >= 0 {
		r.Reported = reportedOn.Add(time.Duration(sent) * time.Hour).Format(time.RFC3339)
	}
	return r
}

// receive is what a record does with reports as they come.
func receive(history []result.Result) result.Result {
	var known result.Result
	for i, next := range history {
		switch {
		case i == 0, command.PlaceOf(known, next) == command.Newer:
			known = next
		case command.PlaceOf(known, next) == command.Same && command.LaterReport(known, next):
			known.Reported = next.Reported
		}
	}
	return known
}

// TestReportsEndTheSameInAnyOrder: whatever the order of delivery and however
// often each comes, the same report stands at the end.
func TestReportsEndTheSameInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "reports")
		issued := rapid.Bool().Draw(t, "issued")
		var history []result.Result
		for i := range n {
			status := rapid.SampledFrom(result.Statuses).Draw(t, "status")
			value := rapid.SampledFrom([]string{"0.90", "0.9", "1.4"}).Draw(t, "value")
			if issued {
				history = append(history, report(status, value, i, i+rapid.IntRange(0, 1).Draw(t, "delay")))
			} else {
				history = append(history, report(status, value, -1, i))
			}
		}
		want := receive(history)
		again := slices.Concat(history, history)
		order := rapid.Permutation(again).Draw(t, "order")
		if got := receive(order); !command.SameContent(got, want) {
			t.Fatalf("ends in %+v, in order in %+v", got, want)
		}
	})
}

// TestPlaceOfAReport holds single moves against what interfaces of laboratories
// do: HL7 FHIR R4 observation-status names the statuses; a final result does not
// become preliminary, and what was an error does not come back by itself.
func TestPlaceOfAReport(t *testing.T) {
	for _, tt := range []struct {
		known, next result.Result
		want        command.Place
	}{
		{report("final", "1", 1, -1), report("final", "1", 1, -1), command.Same},
		{report("final", "1", 1, 1), report("final", "1", 1, 9), command.Same},
		{report("registered", "1", 1, -1), report("preliminary", "1", 2, -1), command.Newer},
		{report("preliminary", "1", 1, -1), report("final", "1", 2, -1), command.Newer},
		{report("preliminary", "1", 2, -1), report("final", "1", 1, -1), command.Newer},
		{report("final", "1", 1, -1), report("corrected", "2", 2, -1), command.Newer},
		{report("final", "1", 1, -1), report("amended", "2", 2, -1), command.Newer},
		{report("final", "1", 1, -1), report("cancelled", "1", 2, -1), command.Newer},
		{report("cancelled", "1", 1, -1), report("final", "1", 2, -1), command.Newer},
		{report("corrected", "2", 2, -1), report("corrected", "3", 3, -1), command.Newer},
		{report("final", "1", 1, -1), report("entered-in-error", "1", 2, -1), command.Newer},
		{report("final", "1", 2, -1), report("entered-in-error", "1", 1, -1), command.Newer},
		{report("corrected", "2", 2, -1), report("final", "1", 1, -1), command.Older},
		{report("final", "1", 2, -1), report("preliminary", "1", 1, -1), command.Older},
		{report("final", "1", 1, -1), report("preliminary", "1", 1, -1), command.Older},
		{report("entered-in-error", "1", 2, -1), report("final", "1", 1, -1), command.Older},
		{report("final", "1", 1, -1), report("preliminary", "2", 2, -1), command.Against},
		{report("final", "1", -1, -1), report("preliminary", "2", -1, -1), command.Against},
		{report("final", "1", 1, -1), report("registered", "2", 2, -1), command.Against},
		{report("entered-in-error", "1", 1, -1), report("final", "1", 2, -1), command.Against},
		{report("entered-in-error", "1", 1, -1), report("corrected", "1", 2, -1), command.Against},
		// The message's own time, where a report has none.
		{report("final", "1", -1, 2), report("final", "2", -1, 1), command.Older},
		{report("final", "1", -1, 1), report("final", "2", -1, 2), command.Newer},
		// One version sent twice, the second time with more.
		{report("final", "1", 1, 1), report("final", "2", 1, 2), command.Newer},
		// Nobody says when: what was corrected stands, and otherwise the last to come.
		{report("corrected", "1", -1, -1), report("final", "2", -1, -1), command.Older},
		{report("final", "1", -1, -1), report("final", "2", -1, -1), command.Newer},
	} {
		if got := command.PlaceOf(tt.known, tt.next); got != tt.want {
			t.Errorf("%s %s after %s %s is %d, want %d", tt.next.Status, tt.next.Issued, tt.known.Status, tt.known.Issued, got, tt.want)
		}
	}
	// What a person let in goes by its time alone.
	known := report("preliminary", "2", 2, -1)
	known.Accepted = true
	for issued, want := range map[int]command.Place{1: command.Older, 3: command.Newer} {
		if got := command.PlaceOf(known, report("final", "1", issued, -1)); got != want {
			t.Errorf("a final report of hour %d is %d, want %d", issued, got, want)
		}
	}
	if fmt.Sprint(command.LaterReport(report("final", "1", 1, 1), report("final", "1", 1, 2)), command.LaterReport(report("final", "1", 1, 2), report("final", "1", 1, 1))) != "true false" {
		t.Error("a later report of the same is not told")
	}
}
