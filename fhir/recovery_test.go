package fhir

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/medication"
	"candidacy/internal/protocol"
	"candidacy/internal/recovery"
	"candidacy/internal/result"
)

// recovering is somebody who went home two days after the operation.
func recovering(candidate string) activities.Snapshot {
	s := testSnapshot(candidate)
	s.Protocol.Recovery = []protocol.Milestone{
		{ID: "lifting", Title: "Lift <= 4 kg", For: protocol.ForCandidate, UntilDays: 42, Source: "site"},
		{ID: "driving", Title: "Drives again", For: protocol.ForCandidate, From: protocol.AtLastOpioid, FromDays: 1,
			AlsoAfter: []protocol.AnchorDays{{Anchor: protocol.AtFirstVisit}}, Source: "site"},
		{ID: "catheter", Title: "Catheter out", For: protocol.ForTeam, FromDays: 1, DoneBy: protocol.AtCatheterOut, Source: "site"},
		{ID: "desk-work", Title: "Desk work", For: protocol.ForCandidate, FromDays: 28, Source: "site"},
	}
	s.State.Stage, s.State.Operated, s.State.Outcome = journey.Recovery, "2028-02-28", journey.Removed
	s.Today = "2028-03-02"
	s.Stay = recovery.Of([]command.RecordStay{{CatheterOut: "2028-02-29", Discharged: "2028-03-01", LastOpioid: "2028-03-01"}})
	tablet := command.Medicine{
		Name: "Paracetamol 500 mg", ATC: "N02BE01", Dose: &command.Dose{Count: "2", TimesADay: "4"}, AsNeeded: true, Since: "2028-02-28",
		Ingredients: []command.Ingredient{{Substance: "paracetamol", Strength: result.Quantity{Value: "500", Unit: "mg"}}},
	}
	s.Medicines = medication.Of([]medication.Recorded{
		{On: "2028-02-29", RecordMedicines: command.RecordMedicines{Complete: "yes", Medicines: []command.Medicine{tablet, {Name: "Drops"}}}},
		{On: "2028-03-02", RecordMedicines: command.RecordMedicines{Complete: "yes", Medicines: []command.Medicine{tablet}}},
	})
	return s
}

func TestRecoveryPlan(t *testing.T) {
	s := recovering(candidateA)
	list := mustPublish(t, s)
	raw := find(t, list, typeCarePlan, candidateA+"-recovery")
	plan := decode[r4.CarePlan](t, raw)
	if plan.Status != r4.RequestStatusActive || *plan.Period.Start != "2028-02-28" || *plan.Category[0].Coding[0].Code != "assess-plan" || plan.Text == nil {
		t.Errorf("the plan is %s", raw.Body)
	}
	want := []string{
		"lifting in-progress 2028-02-28/2028-04-10", "driving not-started waits for first-visit",
		"catheter completed 2028-02-29/2028-02-29", "desk-work scheduled 2028-03-27/",
	}
	for i, a := range plan.Activity {
		got := *a.Detail.Code.Coding[0].Code + " " + a.Detail.Status.Code() + " "
		if p := a.Detail.ScheduledPeriod; p != nil {
			got += value(p.Start) + "/" + value(p.End)
		} else {
			got += value(a.Detail.ScheduledString)
		}
		if got != want[i] {
			t.Errorf("got %q, want %q", got, want[i])
		}
	}
	s.State.Stage = journey.Closed
	if plan := decode[r4.CarePlan](t, find(t, mustPublish(t, s), typeCarePlan, candidateA+"-recovery")); plan.Status != r4.RequestStatusCompleted {
		t.Errorf("after the end the plan is %s", plan.Status.Code())
	}
	// Nobody recovers from an operation that removed nothing.
	s.State.Outcome = journey.StoppedNotRemoved
	for _, r := range mustPublish(t, s) {
		if r.Type == typeEncounter || r.ID == candidateA+"-recovery" {
			t.Errorf("%s/%s is published", r.Type, r.ID)
		}
	}
}

func TestStay(t *testing.T) {
	s := recovering(candidateA)
	list := mustPublish(t, s)
	e := decode[r4.Encounter](t, find(t, list, typeEncounter, candidateA+"-stay"))
	if e.Status != r4.EncounterStatusFinished || *e.Class.Code != "IMP" || *e.Period.Start != "2028-02-28" || *e.Period.End != "2028-03-01" ||
		*e.Subject.Reference != "Patient/"+candidateA || *e.EpisodeOfCare[0].Reference != "EpisodeOfCare/"+candidateA {
		t.Errorf("the stay is %+v", e)
	}
	// Before going home there is none, and a mistake is marked as one.
	s.Stay = recovery.Of(nil)
	for _, r := range mustPublish(t, s) {
		if r.Type == typeEncounter {
			t.Error("a stay that is not over is published")
		}
	}
	s.Previous = list
	if e := decode[r4.Encounter](t, find(t, mustPublish(t, s), typeEncounter, candidateA+"-stay")); e.Status != r4.EncounterStatusEnteredInError || e.Period.End != nil {
		t.Errorf("the mistake is %+v", e)
	}
}

func TestMedicines(t *testing.T) {
	s := recovering(candidateA)
	statuses := map[string]string{}
	for _, r := range mustPublish(t, s) {
		if r.Type != typeMedicationStatement {
			continue
		}
		var m struct {
			Status     string
			Medication r4.CodeableConcept `json:"medicationCodeableConcept"`
			Dosage     []r4.Dosage
		}
		if err := json.Unmarshal(r.Body, &m); err != nil {
			t.Fatal(err)
		}
		statuses[*m.Medication.Text] = m.Status
		if bytes.Contains(r.Body, []byte("medicationReference")) || !strings.HasPrefix(r.ID, candidateA+"-medicine-") {
			t.Errorf("the statement is %s", r.Body)
		}
		if m.Status == "active" && (*m.Medication.Coding[0].Code != "N02BE01" || !*m.Dosage[0].AsNeededBoolean ||
			*m.Dosage[0].Text != "as needed, at most 2 at once, 4 times a day; paracetamol 500 mg in each") {
			t.Errorf("the statement is %s", r.Body)
		}
	}
	if len(statuses) != 2 || statuses["Paracetamol 500 mg"] != "active" || statuses["Drops"] != "stopped" {
		t.Errorf("got %v", statuses)
	}
}
