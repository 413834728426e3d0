package demo_test

import (
	"bytes"
	"slices"
	"testing"
	"time"

	"candidacy/activities"
	"candidacy/fhir"
	"candidacy/internal/clinical/perioperative"
	"candidacy/internal/command"
	"candidacy/internal/conformance"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// TestRareOperationsConform puts through the validators what the demonstration
// does not play: an operation that was stopped, with and without times, a
// complication that was none, and a grade that is not decided.
func TestRareOperationsConform(t *testing.T) {
	graded := func(event perioperative.Event) perioperative.ClavienDindo {
		grade, err := perioperative.GradeClavienDindo([]perioperative.Event{event})
		if err != nil {
			t.Fatal(err)
		}
		return grade
	}
	at := time.Date(2026, 5, 6, 12, 0, 0, 0, time.UTC)
	complication := func(first int64, void bool) operation.Complication {
		return operation.Complication{
			RecordComplication: command.RecordComplication{Complication: "ileus", Date: "2026-05-05", EnteredInError: void},
			First:              first, Seq: first, At: at, Grade: graded(perioperative.Event{}),
		}
	}
	var ndjson bytes.Buffer
	var names []string
	add := func(list []record.Resource, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range list {
			names = append(names, r.Type+"/"+r.ID)
			ndjson.Write(r.Body)
			ndjson.WriteByte('\n')
		}
	}
	add(fhir.ProgrammeResources(nil, ""))
	for i, course := range []operation.Course{
		{Record: &command.RecordOperation{Outcome: journey.StoppedNotRemoved}},
		{
			Record: &command.RecordOperation{
				Outcome: journey.StoppedNotRemoved, Side: journey.Right, Approach: "open", VeinControl: []string{"other"},
				Times: &command.OperationTimes{Incision: "2026-05-04T08:40:00.5+02:00"},
			},
			Complications: []operation.Complication{complication(4, true), complication(5, false)},
		},
		{Complications: []operation.Complication{complication(6, false)}},
	} {
		id := []string{"0b0c3f0e-6f3e-4a56-9a51-3f6f3c1d7a01", "0b0c3f0e-6f3e-4a56-9a51-3f6f3c1d7a02", "0b0c3f0e-6f3e-4a56-9a51-3f6f3c1d7a03"}[i]
		add(fhir.Publisher{}.Publish(activities.Snapshot{
			Candidate: id, Protocol: protocol.Default(), Today: "2026-05-06", Operation: course,
			Referral: record.Referral{On: "2026-01-05", Identity: record.Identity{
				Given: "A", Family: "B", BirthDate: "1980-01-01", Sex: "female", Identifier: result.Identifier{System: "urn:oid:1.2.3", Value: id},
			}},
			State: journey.State{Candidate: id, Stage: journey.Recovery, Since: "2026-05-04", Operated: "2026-05-04"},
		}))
	}
	for _, f := range slices.Concat(conformance.Google(t, ndjson.Bytes()), conformance.Node(t, ndjson.Bytes(), "--references")) {
		t.Errorf("%s: %s", names[f.Line-1], f.Message)
	}
}
