package fhir

import (
	"slices"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

var procedureType = resourceType{
	code:    r4.ResourceTypeProcedure,
	profile: usCore + "us-core-procedure",
	params: ofPatient("Procedure-subject",
		tokenParam("code", "clinical-code", ""),
		tokenParam("category", "Procedure-category", ""),
		tokenParam("status", "Procedure-status", systemEventStatus),
		dateParam("date", "clinical-date"),
		referenceParam("based-on", "Procedure-based-on", typeCarePlan),
		referenceParam("encounter", "clinical-encounter", typeEncounter),
		referenceParam("performer", "Procedure-performer", typeOrganization),
		referenceParam("reason-reference", "Procedure-reason-reference", typeCondition),
	),
}

// surgicalProcedure is SNOMED CT's category of an operation.
const surgicalProcedure = "387713003"

// Local code systems of the operation.
const (
	systemProcedure        = "https://candidacy.example/CodeSystem/procedure"
	systemOperationOutcome = "https://candidacy.example/CodeSystem/operation-outcome"
	systemVesselControl    = "https://candidacy.example/CodeSystem/vessel-control"
)

var operationOutcomes = map[journey.Outcome]struct {
	status  r4.EventStatus
	display string
}{
	journey.Removed:           {r4.EventStatusCompleted, "The kidney was removed"},
	journey.StoppedNotRemoved: {r4.EventStatusStopped, "Stopped, no kidney removed"},
}

var vesselControlNames = map[string]string{
	"stapler": "Stapler", "suture": "Suture", "metal-clip": "Metal clip", command.PolymerClip: "Polymer locking clip", "other": "Another method",
}

var sideCodes = map[journey.Side]string{journey.Left: "18639004", journey.Right: "9846003"}

// procedures publishes the donor's operation as it stands. What became of the
// kidney, why an operation was stopped, and every free text stay with the
// programme: they may tell of the recipient.
func procedures(s activities.Snapshot) ([]record.Resource, error) {
	o := s.Operation.Record
	if o == nil {
		return nil, nil
	}
	outcome, ok := operationOutcomes[o.Outcome]
	if !ok {
		return nil, errOutcome
	}
	id := procedureID(s.Candidate)
	code := concept(systemProcedure, "living-donor-nephrectomy", "Living donor nephrectomy", "Living donor nephrectomy")
	for _, c := range s.Protocol.ProcedureCodes {
		if slices.Contains(c.Approaches, o.Approach) {
			code.Coding = append(code.Coding, r4.Coding{System: optional(c.System), Code: optional(c.Code), Display: optional(c.Display)})
		}
	}
	ended := concept(systemOperationOutcome, string(o.Outcome), outcome.display, outcome.display)
	category := concept(systemSNOMED, surgicalProcedure, "Surgical procedure", "")
	p := r4.Procedure{
		Category: &category,
		Id:       &id, Status: outcome.status, Code: &code, Subject: reference(typePatient, s.Candidate), Outcome: &ended,
		UsedCode: append(usedCodes("artery", o.ArteryControl), usedCodes("vein", o.VeinControl)...),
	}
	p.BasedOn = []r4.Reference{evaluationPlan(s.Candidate)}
	p.Performer = []r4.ProcedurePerformer{{Actor: theProgramme()}}
	p.ReasonReference = []r4.Reference{reference(typeCondition, donorConditionID(s.Candidate))}
	if donated(s) && s.Stay.Days[protocol.AtDischarge] != "" {
		stay := reference(typeEncounter, stayID(s.Candidate))
		p.Encounter = &stay
	}
	if site, ok := sideCodes[o.Side]; ok {
		p.BodySite = []r4.CodeableConcept{*bodySite(site)}
	}
	p.PerformedPeriod = performed(o)
	if p.PerformedPeriod == nil {
		p.PerformedDateTime = optional(string(s.State.Operated))
	}
	for _, c := range s.Operation.Standing() {
		p.Complication = append(p.Complication, complicationCode(s.Protocol, c))
		p.ComplicationDetail = append(p.ComplicationDetail, reference(typeCondition, complicationID(s.Candidate, c)))
	}

	var x index
	x.concepts("code", code)
	x.code("status", systemEventStatus, p.Status.Code())
	x.period("date", p.PerformedPeriod)
	x.date("date", p.PerformedDateTime)
	x.concepts("category", category)
	x.reference("based-on", p.BasedOn...)
	x.optionalReference("encounter", p.Encounter)
	for _, performer := range p.Performer {
		x.reference("performer", performer.Actor)
	}
	x.reference("reason-reference", p.ReasonReference...)
	r, err := publish(typeProcedure, id, metaProcedure, p, x)
	return []record.Resource{r}, err
}

func procedureID(candidate string) string { return resourceID(candidate, "operation") }

// performed is from the incision, or what is known before it, to the closure, or
// what is known after it. Without a beginning it is no period.
func performed(o *command.RecordOperation) *r4.Period {
	if o.Times == nil {
		return nil
	}
	t := *o.Times
	first := func(texts ...string) *string {
		for _, text := range texts {
			if text != "" {
				return &text
			}
		}
		return nil
	}
	stopped := ""
	if o.Stop != nil {
		stopped = o.Stop.At
	}
	start := first(t.Incision, t.Anaesthesia, t.InTheatre)
	if start == nil {
		return nil
	}
	return &r4.Period{Start: start, End: first(t.Closure, stopped, t.OutOfTheatre)}
}

func usedCodes(vessel string, methods []string) []r4.CodeableConcept {
	var list []r4.CodeableConcept
	for _, method := range methods {
		list = append(list, concept(systemVesselControl, method, vesselControlNames[method], vesselControlNames[method]+" on the renal "+vessel))
	}
	return list
}
