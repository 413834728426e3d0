package fhir

import (
	"slices"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/clinical/perioperative"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
)

const (
	toldMark  = "told-to-the-care-team"
	gradeText = "Clavien-Dindo "
)

func whole() *command.RecordOperation {
	yes, no, two, one := true, false, 2, 1
	return &command.RecordOperation{
		Outcome: journey.Removed, Side: journey.Left, Approach: "robotic", PlannedApproach: "laparoscopic",
		Conversion: &command.Conversion{Reason: command.PlanChanged, Note: toldMark}, ExtractionSite: "pfannenstiel",
		Times: &command.OperationTimes{
			InTheatre: "2026-05-04T07:50:00+02:00", Anaesthesia: "2026-05-04T08:05:00+02:00", Incision: "2026-05-04T08:40:00+02:00",
			ArteryClamped: "2026-05-04T10:31:00+02:00", KidneyOut: "2026-05-04T10:34:00+02:00", Flush: "2026-05-04T10:35:10+02:00",
			Closure: "2026-05-04T11:20:00+02:00", OutOfTheatre: "2026-05-04T11:45:00+02:00", HandOver: "2026-05-04T11:00:00+02:00",
		},
		Found:         &command.Anatomy{Arteries: &two, Veins: &one, Ureters: &one, EarlyBranching: &no},
		ArteryControl: []string{"stapler", "metal-clip"}, VeinControl: []string{"stapler"}, CountsCorrect: &yes, SpecimenSent: &no,
		Kidney: &command.KidneyState{Condition: command.KidneyGood, Fate: journey.FateImplantedOther}, Note: toldMark,
	}
}

func complication(first int64, id string, answer string) operation.Complication {
	return operation.Complication{
		RecordComplication: command.RecordComplication{Complication: id, Date: "2026-05-06", Note: toldMark},
		First:              first, Seq: first + 1, By: "signer-account", At: testNow, Grade: graded(answer),
	}
}

func graded(answer string) perioperative.ClavienDindo {
	g := perioperative.ClavienDindo{Lowest: perioperative.GradeII}
	g.Answer = answer
	return g
}

// operated is the snapshot after an operation with two complications.
func operated(s activities.Snapshot) activities.Snapshot {
	own := *protocoltest.Brief() // tests change it
	s.Protocol = &own
	s.State.Stage, s.State.Operated, s.State.Outcome = journey.Recovery, "2026-05-04", journey.Removed
	s.Operation = operation.Course{
		Record: whole(), Seq: 30, By: "signer-account", At: testNow,
		Complications: []operation.Complication{complication(31, "ileus", "II"), complication(33, "other", "cannot-tell")},
	}
	return s
}

func TestProcedure(t *testing.T) {
	s := operated(testSnapshot(candidateA))
	s.Protocol.ProcedureCodes = []protocol.ProcedureCode{
		{ID: "minimal", Approaches: []string{"laparoscopic", "robotic"}, System: "http://www.ama-assn.org/go/cpt", Code: "50547", Display: "Laparoscopic"},
		{ID: "open", Approaches: []string{"open"}, System: "http://www.ama-assn.org/go/cpt", Code: "50320", Display: "Open"},
	}
	p := decode[r4.Procedure](t, find(t, mustPublish(t, s), typeProcedure, candidateA+"-operation"))
	var codes []string
	for _, c := range p.Code.Coding {
		codes = append(codes, *c.Code)
	}
	if !slices.Equal(codes, []string{"living-donor-nephrectomy", "50547"}) {
		t.Errorf("the codes are %v", codes)
	}
	// The codes of the sides are those of fhir.md, from the HL7 guide it names.
	if p.Status != r4.EventStatusCompleted || *p.BodySite[0].Coding[0].Code != "18639004" || *p.Outcome.Coding[0].Code != "removed" {
		t.Errorf("got %+v", p)
	}
	if *p.PerformedPeriod.Start != "2026-05-04T08:40:00+02:00" || *p.PerformedPeriod.End != "2026-05-04T11:20:00+02:00" || p.PerformedDateTime != nil {
		t.Errorf("performed %+v", p.PerformedPeriod)
	}
	var used []string
	for _, c := range p.UsedCode {
		used = append(used, *c.Text)
	}
	if !slices.Equal(used, []string{"Stapler on the renal artery", "Metal clip on the renal artery", "Stapler on the renal vein"}) {
		t.Errorf("used %v", used)
	}
	if len(p.Complication) != 2 || *p.ComplicationDetail[0].Reference != "Condition/"+candidateA+"-complication-31" {
		t.Errorf("complications %+v", p.ComplicationDetail)
	}
}

func TestEveryVesselControlHasAName(t *testing.T) {
	for _, method := range command.VesselControls {
		if vesselControlNames[method] == "" {
			t.Errorf("%s has no name", method)
		}
	}
}

func TestProcedureOfLittle(t *testing.T) {
	s := operated(testSnapshot(candidateA))
	s.Operation = operation.Course{Record: &command.RecordOperation{Outcome: journey.StoppedNotRemoved}}
	p := decode[r4.Procedure](t, find(t, mustPublish(t, s), typeProcedure, candidateA+"-operation"))
	if p.Status != r4.EventStatusStopped || p.PerformedPeriod != nil || *p.PerformedDateTime != "2026-05-04" || p.BodySite != nil || p.StatusReason != nil {
		t.Errorf("got %+v", p)
	}
	s.Operation.Record.Times = &command.OperationTimes{InTheatre: "2026-05-04T07:50:00+02:00"}
	s.Operation.Record.Stop = &command.Stop{At: "2026-05-04T08:30:00+02:00", Reason: "recipient"}
	p = decode[r4.Procedure](t, find(t, mustPublish(t, s), typeProcedure, candidateA+"-operation"))
	if *p.PerformedPeriod.Start != "2026-05-04T07:50:00+02:00" || *p.PerformedPeriod.End != "2026-05-04T08:30:00+02:00" {
		t.Errorf("performed %+v", p.PerformedPeriod)
	}
	s.Operation.Record.Outcome = ""
	if _, err := (Publisher{}).Publish(s); err == nil {
		t.Error("an operation without an outcome was published")
	}
	s.Operation = operation.Course{}
	for _, r := range mustPublish(t, s) {
		if r.Type == typeProcedure || r.Type == typeCondition && r.ID != donorConditionID(candidateA) {
			t.Errorf("%s/%s tells of an operation that is not on record", r.Type, r.ID)
		}
	}
}

func TestComplications(t *testing.T) {
	s := operated(testSnapshot(candidateA))
	s.Protocol.Complications = []protocol.Complication{{ID: "ileus", Title: "Ileus"}}
	list := mustPublish(t, s)
	c := decode[r4.Condition](t, find(t, list, typeCondition, candidateA+"-complication-31"))
	if *c.Code.Coding[0].Code != "ileus" || *c.Code.Text != "Ileus" || *c.Severity.Coding[0].Code != "II" || *c.Severity.Text != gradeText+"II" ||
		*c.OnsetDateTime != "2026-05-06" || *c.VerificationStatus.Coding[0].Code != "confirmed" || c.ClinicalStatus != nil {
		t.Errorf("got %+v", c)
	}
	c = decode[r4.Condition](t, find(t, list, typeCondition, candidateA+"-complication-33"))
	if len(c.Severity.Coding) != 0 || *c.Severity.Text != gradeText+"not decided, at least II" || *c.Code.Text != "Another complication" {
		t.Errorf("got %+v", c)
	}
	s.Operation.Complications[0].EnteredInError = true
	list = mustPublish(t, s)
	c = decode[r4.Condition](t, find(t, list, typeCondition, candidateA+"-complication-31"))
	if *c.VerificationStatus.Coding[0].Code != "entered-in-error" {
		t.Errorf("got %+v", c)
	}
	if p := decode[r4.Procedure](t, find(t, list, typeProcedure, candidateA+"-operation")); len(p.Complication) != 1 {
		t.Errorf("the operation still names %d complications", len(p.Complication))
	}
}

// TestTheOperationTellsNothingOfTheRecipient: neither what became of the kidney
// nor why an operation was stopped, nor a word that anybody wrote.
func TestTheOperationTellsNothingOfTheRecipient(t *testing.T) {
	s := operated(testSnapshot(candidateA))
	stop := s
	stop.Operation.Record = &command.RecordOperation{
		Outcome: journey.StoppedNotRemoved, Stop: &command.Stop{Reason: "recipient", Note: toldMark, At: "2026-05-04T08:30:00+02:00"},
	}
	for _, r := range append(mustPublish(t, s), mustPublish(t, stop)...) {
		for _, mark := range []string{recipientMark, toldMark, "signer-account", "implanted", "recipient", "hand"} {
			if (r.Type == typeProcedure || r.Type == typeCondition) && strings.Contains(string(r.Body), mark) {
				t.Errorf("%s/%s holds %q", r.Type, r.ID, mark)
			}
		}
	}
}
