package fhir

import (
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
		referenceParam("agent", "Provenance-agent", typePractitionerRole, typeOrganization, typeDevice),
	},
}

// provenanceTargets are the types of what commands publish.
var provenanceTargets = []string{
	typePatient, typeEpisodeOfCare, typeCarePlan, typeAppointment, typeObservation, typeDetectedIssue, typeFlag, typeClinicalImpression,
	typeProcedure, typeCondition, typeEncounter, typeMedicationStatement, typeAdverseEvent, typeServiceRequest, "Task", typeDiagnosticReport,
	typeSpecimen, typeQuestionnaireResponse, typeRiskAssessment, typeCareTeam, typeConsent,
}

// provenances says who wrote the versions of resources that come with the entry,
// by role. Nothing comes of an entry that changed none. Of a command that ends or
// pauses a journey no role is told: who gave it would tell whether a candidate
// withdrew or was declined. What was told in confidence is no target, and not any
// more once the protocol says so.
func provenances(s activities.Snapshot, list []record.Resource) ([]record.Resource, error) {
	before := make(map[string]record.Resource, len(s.Previous))
	for _, p := range s.Previous {
		before[p.Type+"/"+p.ID] = p
	}
	kept := map[string]bool{}
	if s.Protocol.Confidential() {
		kept = confidentialResources(s)
	}
	var targets []r4.Reference
	created, hidden := true, false
	for _, r := range list {
		name := r.Type + "/" + r.ID
		was := before[name]
		version := r.VersionAfter(was)
		if version == was.Version {
			continue
		}
		if kept[name] {
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
	id, recorded := resourceID(s.Candidate, "entry-"+strconv.FormatInt(s.State.Seq, 10)), s.Entry.At
	if s.Entry.Kind == "" { // the software made something else of the same record
		id, recorded = resourceID(s.Candidate, "software-"+strconv.FormatInt(s.State.Seq, 10)), s.Now
	}
	r, err := publishProvenance(r4.Provenance{
		Id: &id, Target: targets, Recorded: recorded.UTC().Format(time.RFC3339Nano), Activity: &operation, Agent: agents(s.Entry),
	})
	return append(origins, r), err
}

func publishProvenance(p r4.Provenance) (record.Resource, error) {
	var x index
	x.reference("target", p.Target...)
	x.date("recorded", &p.Recorded)
	for _, a := range p.Agent {
		x.reference("agent", a.Who)
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

// unattributed are the commands of which no role is told.
var unattributed = map[journey.Kind]bool{
	journey.Withdraw: true, journey.Decline: true, journey.RecordDeath: true, journey.RecordDecision: true,
	journey.Hold: true, journey.Resume: true,
}

// agents are the author of the entry and the software, which worked out what
// follows from it.
func agents(e activities.Entry) []r4.ProvenanceAgent {
	programme := theProgramme()
	author := r4.ProvenanceAgent{Who: programme}
	kind := concept(systemAgentType, "author", "Author", "")
	title, known := staffTitle(e.Role)
	switch {
	case e.Role == journey.Laboratory:
		kind = concept(systemUSCoreAgent, "transmitter", "Transmitter", "")
		name := "Laboratory interface"
		author.Who = r4.Reference{Display: &name}
	case known && !unattributed[e.Kind]:
		author.Who = staffRole(e.Role)
		author.Who.Display = &title
	}
	author.Type, author.OnBehalfOf = &kind, &programme
	assembler := concept(systemAgentType, "assembler", "Assembler", "")
	if e.Kind == "" {
		return []r4.ProvenanceAgent{{Type: &assembler, Who: computer(), OnBehalfOf: &programme}}
	}
	return []r4.ProvenanceAgent{author, {Type: &assembler, Who: computer(), OnBehalfOf: &programme}}
}
