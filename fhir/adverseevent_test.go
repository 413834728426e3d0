package fhir

import (
	"bytes"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
)

// happened is a donor to whom two events happened: one that is published and one
// that tells of a recipient.
func happened(s activities.Snapshot) activities.Snapshot {
	s.Protocol = protocoltest.Brief()
	s.State.Operated = "2026-02-20"
	clock := func(event string) journey.Clock { return journey.Clock{Event: event, Aware: "2026-03-01T23:30:00Z"} }
	s.State.Reports = []journey.Report{
		{ID: "report-7", Clock: clock("dialysis"), Happened: "2026-03-01", By: "acc-1", KnownTo: "ward", Raised: "2026-03-02T08:00:00Z"},
		{ID: "report-8", Clock: clock("kidney-not-transplanted"), Happened: "2026-02-20", By: "acc-1", KnownTo: "ward", Raised: "2026-03-02T08:00:00Z"},
	}
	return s
}

func TestAdverseEvents(t *testing.T) {
	s := happened(testSnapshot(candidateA))
	list := mustPublish(t, s)
	r := find(t, list, typeAdverseEvent, candidateA+"-report-7")
	event := decode[r4.AdverseEvent](t, r)
	if *event.Date != "2026-03-01" || event.Actuality != r4.AdverseEventActualityActual || *event.Event.Coding[0].Code != "dialysis" {
		t.Errorf("published: %s", r.Body)
	}
	if *event.Detected != "2026-03-01T23:30:00Z" {
		t.Errorf("detected: %s", *event.Detected)
	}
	for _, r := range list {
		if bytes.Contains(r.Body, []byte("kidney-not-transplanted")) || bytes.Contains(r.Body, []byte("acc-1")) {
			t.Errorf("%s/%s tells of a recipient, or who recorded it: %s", r.Type, r.ID, r.Body)
		}
	}
	s.Previous = list
	s.State.Reports[0].RetractedBy = "acc-1"
	r = find(t, mustPublish(t, s), typeAdverseEvent, candidateA+"-report-7")
	if event = decode[r4.AdverseEvent](t, r); event.Date != nil || *event.Event.Text != enteredInError || strings.Contains(string(r.Body), "dialysis") {
		t.Errorf("retracted: %s", r.Body)
	}
}

// TestADonorsDeath is published, and that of a candidate is not: it would tell
// how the journey ended.
func TestADonorsDeath(t *testing.T) {
	s := testSnapshot(candidateA)
	s.Protocol = protocoltest.Brief()
	s.State.Died = "2026-03-01"
	patient := func() *string {
		return decode[r4.Patient](t, find(t, mustPublish(t, s), typePatient, candidateA)).DeceasedDateTime
	}
	if died := patient(); died != nil {
		t.Errorf("before an operation: %s", *died)
	}
	s.State.Operated = "2026-02-20"
	if died := patient(); died == nil || *died != "2026-03-01" {
		t.Errorf("after an operation: %v", died)
	}
}
