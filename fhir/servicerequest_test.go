package fhir

import (
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// followed is a snapshot in the middle of follow-up: one visit done, one missed,
// one open and one ahead.
func followed() activities.Snapshot {
	s := testSnapshot(candidateA)
	p := *s.Protocol
	p.Observations = []protocol.Observation{
		{Code: "2160-0", Title: "Serum creatinine", Units: []string{"mg/dL"}}, {Code: "9318-7", Title: "Albumin-to-creatinine ratio", Units: []string{"mg/g"}},
		{Code: "followup-pain", Local: true, Title: "Pain", Coded: true, YesNo: true},
	}
	rule := protocol.Visit{Laboratory: [][]string{{"2160-0"}, {"9318-7", "14959-1"}}, Further: [][]string{{"followup-pain"}}}
	for _, id := range []string{"week-1", "month-6", "year-1", "year-2"} {
		rule.ID, rule.Title = id, "Visit "+id
		p.Visits = append(p.Visits, rule)
	}
	s.Protocol = &p
	s.State.Stage, s.State.Operated, s.State.Outcome = journey.FollowUp, "2025-02-10", journey.Removed
	s.Today = "2026-03-02"
	s.State.Visits = []journey.Visit{
		{ID: "week-1", Opens: "2025-02-14", Target: "2025-02-17", Closes: "2025-02-24", Status: journey.VisitDone, On: "2025-02-17"},
		{ID: "month-6", Opens: "2025-06-11", Target: "2025-08-10", Closes: "2025-10-09", Status: journey.VisitMissed, Reason: journey.ReasonRefused},
		{ID: "year-1", Opens: "2025-12-12", Target: "2026-02-10", Closes: "2026-04-11", Status: journey.VisitOpen, Contacts: []journey.Contact{{On: "2026-02-10", Channel: "call", Outcome: journey.NoAnswer}}},
		{ID: "year-2", Opens: "2026-12-12", Target: "2027-02-10", Closes: "2027-04-11", Status: journey.VisitAhead},
	}
	return s
}

// TestServiceRequest: what an open visit still asks for goes out, and nothing of
// how a donor was contacted or why a visit did not take place.
func TestServiceRequest(t *testing.T) {
	list := mustPublish(t, followed())
	for id, want := range map[string]r4.RequestStatus{
		"week-1": r4.RequestStatusCompleted, "month-6": r4.RequestStatusRevoked, "year-1": r4.RequestStatusActive,
	} {
		r := find(t, list, typeServiceRequest, candidateA+"-visit-"+id)
		if request := decode[r4.ServiceRequest](t, r); request.Status != want || request.Intent != r4.RequestIntentOrder {
			t.Errorf("%s: got %s", id, r.Body)
		}
		for _, word := range []string{"refused", "no-answer", "call", "2026-02-10", "late"} {
			if strings.Contains(string(r.Body), word) {
				t.Errorf("%s tells %q: %s", id, word, r.Body)
			}
		}
	}
	for _, r := range list {
		if r.Type == typeServiceRequest && strings.Contains(r.ID, "year-2") {
			t.Errorf("%s is published before its window", r.ID)
		}
	}
	open := decode[r4.ServiceRequest](t, find(t, list, typeServiceRequest, candidateA+"-visit-year-1"))
	if *open.OccurrencePeriod.Start != "2025-12-12" || *open.OccurrencePeriod.End != "2026-04-11" || *open.Subject.Reference != "Patient/"+candidateA {
		t.Errorf("got %+v", open)
	}
	// The creatinine of 3 February is in the window; the ratio of that day too.
	if got := codesOf(open.OrderDetail); got != systemObservation+"|followup-pain" {
		t.Errorf("outstanding: %s", got)
	}
	s := followed()
	s.Results = nil
	open = decode[r4.ServiceRequest](t, find(t, mustPublish(t, s), typeServiceRequest, candidateA+"-visit-year-1"))
	if got := codesOf(open.OrderDetail); got != systemLOINC+"|2160-0 "+systemLOINC+"|9318-7 "+systemObservation+"|followup-pain" {
		t.Errorf("outstanding: %s", got)
	}
}

func codesOf(list []r4.CodeableConcept) string {
	var out []string
	for _, c := range list {
		out = append(out, *c.Coding[0].System+"|"+*c.Coding[0].Code)
	}
	return strings.Join(out, " ")
}

// TestEndedRequests: a death, an end and a move leave no request standing.
func TestEndedRequests(t *testing.T) {
	for name, change := range map[string]func(*activities.Snapshot){
		"a death": func(s *activities.Snapshot) { s.State.Died = "2026-02-20" },
		"a death that ends the visits": func(s *activities.Snapshot) {
			s.State.Died = "2026-02-20"
			s.State.Visits[2].Status, s.State.Visits[3].Status = journey.VisitNotOwed, journey.VisitNotOwed
			s.Previous = []record.Resource{find(t, mustPublish(t, followed()), typeServiceRequest, candidateA+"-visit-year-1")}
		},
		"an end": func(s *activities.Snapshot) { s.State.Stage = journey.Closed },
		"a move": func(s *activities.Snapshot) {
			s.State.Visits = s.State.Visits[:2]
			s.Previous = []record.Resource{find(t, mustPublish(t, followed()), typeServiceRequest, candidateA+"-visit-year-1")}
		},
	} {
		s := followed()
		change(&s)
		r := find(t, mustPublish(t, s), typeServiceRequest, candidateA+"-visit-year-1")
		if request := decode[r4.ServiceRequest](t, r); request.Status != r4.RequestStatusRevoked || len(request.OrderDetail) > 0 {
			t.Errorf("%s: got %s", name, r.Body)
		}
		for _, r := range mustPublish(t, s) {
			if r.Type == typeServiceRequest && strings.Contains(r.ID, "year-2") {
				t.Errorf("%s: %s was never requested and is published", name, r.ID)
			}
		}
	}
	s := followed()
	s.State.Visits[0].Status = "unknown"
	if _, err := (Publisher{}).Publish(s); err == nil {
		t.Error("a visit without a status was published")
	}
}

// TestConfidentialItems: that something is asked in confidence is not published.
func TestConfidentialItems(t *testing.T) {
	p := protocol.Default()
	s := followed()
	s.Protocol = p
	s.Results = []result.Result{}
	s.State.Requirements, s.Report = nil, protocol.Report{}
	open := decode[r4.ServiceRequest](t, find(t, mustPublish(t, s), typeServiceRequest, candidateA+"-visit-year-1"))
	got := codesOf(open.OrderDetail)
	if !strings.Contains(got, "followup-hernia") || strings.Contains(got, "mood") || strings.Contains(got, "pregnancy") || strings.Contains(got, "regret") {
		t.Errorf("got %s", got)
	}
}
