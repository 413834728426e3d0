package fhir

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

const (
	typeProvenance      = "Provenance"
	systemDataOperation = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
	systemAgentType     = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
	systemUSCoreAgent   = "http://hl7.org/fhir/us/core/CodeSystem/us-core-provenance-participant-type"
	metaProvenance      = `"profile":["` + usCore + `us-core-provenance"]`
)

var provenanceType = resourceType{
	code:    r4.ResourceTypeProvenance,
	profile: usCore + "us-core-provenance",
	params: []param{
		patientParam("patient", "Provenance-patient"),
		referenceParam("target", "Provenance-target", provenanceTargets...),
		dateParam("recorded", "Provenance-recorded"),
		dateParam("when", "Provenance-when"),
		referenceParam("agent", "Provenance-agent", typePractitionerRole, typeOrganization, typeDevice, typePatient),
		tokenParam("agent-type", "Provenance-agent-type", ""),
	},
}

// provenanceTargets are the types of what commands publish.
var provenanceTargets = []string{
	typePatient, typeEpisodeOfCare, typeCarePlan, typeAppointment, typeObservation, typeDetectedIssue, typeFlag, typeClinicalImpression,
	typeProcedure, typeCondition, typeEncounter, typeMedicationStatement, typeAdverseEvent, typeServiceRequest, typeTask, typeDiagnosticReport,
	typeSpecimen, typeQuestionnaireResponse, typeRiskAssessment, typeCareTeam, typeConsent,
}

// provenances says who wrote the versions of resources that come with the entry,
// by role. Nothing comes of an entry that changed none. What was told in confidence,
// which kept names, is no target, and not any more once the protocol says so.
func provenances(s activities.Snapshot, before previous, list []record.Resource, kept map[string]bool) ([]record.Resource, error) {
	var targets []r4.Reference
	created, hidden := true, false
	for i := range list {
		r := &list[i]
		if r.Kept {
			continue
		}
		was, _ := before.find(r.Type, r.ID)
		version := r.VersionAfter(was)
		if version == was.Version {
			continue
		}
		if kept[r.Type+"/"+r.ID] {
			hidden = true
			continue
		}
		created = created && version == 1
		targets = append(targets, reference(r.Type, r.ID+"/_history/"+strconv.FormatInt(version, 10)))
	}
	var origins []record.Resource
	if hidden {
		var err error
		if origins, err = discreetProvenances(s, kept); err != nil {
			return nil, err
		}
	}
	if len(targets) == 0 {
		return origins, nil
	}
	operation := concept(systemDataOperation, "UPDATE", "revise", "")
	if created {
		operation = concept(systemDataOperation, "CREATE", "create", "")
	}
	id := resourceID(s.Candidate, "entry-"+strconv.FormatInt(s.State.Seq, 10))
	if s.Entry.Kind == "" { // the software made something else of the same record
		id = resourceID(s.Candidate, "software-"+strconv.FormatInt(s.State.Seq, 10))
	}
	p := r4.Provenance{Id: &id, Target: targets, Recorded: s.Now.UTC().Format("2006-01-02T15:04:05.000Z"), Activity: &operation}
	if !s.Entry.At.IsZero() {
		p.OccurredDateTime = optional(s.Entry.At.UTC().Format(time.RFC3339))
	}
	var err error
	if p.Agent, err = agents(s.Candidate, s.Entry); err != nil {
		return nil, err
	}
	r, err := publishProvenance(p)
	return append(origins, r), err
}

func publishProvenance(p r4.Provenance) (record.Resource, error) {
	var x index
	x.reference("target", p.Target...)
	x.date("recorded", &p.Recorded)
	x.date("when", p.OccurredDateTime)
	for _, a := range p.Agent {
		x.reference("agent", a.Who)
		x.optionalConcept("agent-type", a.Type)
	}
	return publish(typeProvenance, value(p.Id), metaProvenance, p, x)
}

// discreetProvenances republishes earlier ones without what is told in confidence.
// One of which nothing is left points to the candidate alone.
func discreetProvenances(s activities.Snapshot, kept map[string]bool) ([]record.Resource, error) {
	var list []record.Resource
	for _, was := range s.Previous {
		if was.Type != typeProvenance {
			continue
		}
		p, err := asPublished(s, was, r4.UnmarshalProvenance)
		if err != nil {
			return nil, err
		}
		before := len(p.Target)
		p.Target = slices.DeleteFunc(p.Target, func(r r4.Reference) bool {
			name, _, _ := strings.Cut(value(r.Reference), "/_history/")
			return kept[name]
		})
		if len(p.Target) == before {
			continue
		}
		if len(p.Target) == 0 {
			p.Target = []r4.Reference{reference(typePatient, s.Candidate)}
		}
		p.Meta = nil
		r, err := publishProvenance(p)
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
}

// agentTypes say what whoever gives a command is to what it writes. Of a command
// without one no role is told: it would tell who ended, paused or put off something.
var agentTypes = map[journey.Kind]string{
	journey.Refer:                "enterer",
	journey.BeginScreening:       "enterer",
	journey.AssignAdvocate:       "enterer",
	journey.RecordConsent:        "enterer",
	journey.BeginEvaluation:      "enterer",
	journey.RecordResults:        "enterer",
	journey.SignResults:          "verifier",
	journey.RecordReview:         "author",
	journey.WaiveRequirement:     "author",
	journey.PresentToCommittee:   "enterer",
	journey.RecordDecision:       "",
	journey.Schedule:             "enterer",
	journey.CancelOperation:      "",
	journey.RecordRecipient:      "",
	journey.ConfirmVerification:  "verifier",
	journey.ConfirmLastCheck:     "verifier",
	journey.ResolveLastCheck:     "author",
	journey.BeginOperation:       "author",
	journey.RecordOperation:      "author",
	journey.AmendOperation:       "author",
	journey.RecordComplication:   "author",
	journey.CompleteRecovery:     "enterer",
	journey.RecordVisit:          "enterer",
	journey.RecordContact:        "enterer",
	journey.Close:                "enterer",
	journey.Withdraw:             "",
	journey.Hold:                 "",
	journey.Resume:               "",
	journey.Decline:              "",
	journey.MoveProtocol:         "enterer",
	journey.RecordStay:           "enterer",
	journey.RecordMedicines:      "enterer",
	journey.RecordRisk:           "enterer",
	journey.GiveDonorLink:        "enterer",
	journey.RevokeDonorLink:      "enterer",
	journey.ReportEvent:          "enterer",
	journey.CloseReport:          "enterer",
	journey.RetractReport:        "enterer",
	journey.RecordDeath:          "",
	journey.RecordContactDetails: "enterer",
	journey.AskQuestion:          "enterer",
	journey.AnswerQuestion:       "enterer",
	journey.RecordWords:          "enterer",
	journey.ConfirmDuties:        "enterer",
	journey.GiveQuestionnaire:    "enterer",
	journey.RevokeQuestionnaire:  "enterer",
	journey.AnswerQuestionnaire:  "author",
	journey.AskToStop:            "",
	journey.SettleStopWish:       "",
	journey.PlanAppointment:      "enterer",
	journey.MoveAppointment:      "enterer",
	journey.CancelAppointment:    "enterer",
	journey.CloseAppointment:     "enterer",
	journey.Elapse:               "",
	journey.EndBackEntry:         "",
}

var agentTitles = map[string]string{"author": "Author", "enterer": "Enterer", "verifier": "Verifier", "assembler": "Assembler"}

// agents are whoever gave the command, and the software, which worked out what
// follows from it.
func agents(candidate string, e activities.Entry) ([]r4.ProvenanceAgent, error) {
	programme := theProgramme()
	agent := func(code string, who r4.Reference) r4.ProvenanceAgent {
		kind := concept(systemAgentType, code, agentTitles[code], "")
		return r4.ProvenanceAgent{Type: &kind, Who: who, OnBehalfOf: &programme}
	}
	assembler := agent("assembler", computer())
	if e.Kind == "" {
		return []r4.ProvenanceAgent{assembler}, nil
	}
	code, ok := agentTypes[e.Kind]
	if !ok {
		return nil, fmt.Errorf("the command %q has no agent", e.Kind)
	}
	title, known := staffTitle(e.Role)
	switch {
	case e.Role == journey.Laboratory:
		kind, name := concept(systemUSCoreAgent, "transmitter", "Transmitter", ""), "Laboratory interface"
		return []r4.ProvenanceAgent{{Type: &kind, Who: r4.Reference{Display: &name}, OnBehalfOf: &programme}, assembler}, nil
	case e.Role == journey.Self && code != "":
		return []r4.ProvenanceAgent{agent(code, reference(typePatient, candidate)), assembler}, nil
	case code == "" || !known:
		return []r4.ProvenanceAgent{agent("author", programme), assembler}, nil
	}
	who := staffRole(e.Role)
	who.Display = &title
	return []r4.ProvenanceAgent{agent(code, who), assembler}, nil
}
