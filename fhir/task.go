package fhir

import (
	"encoding/json"
	"fmt"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

const (
	typeTask         = "Task"
	systemTaskStatus = "http://hl7.org/fhir/task-status"
	systemOutput     = "https://candidacy.example/CodeSystem/requirement-output"
	systemPerformer  = "https://candidacy.example/CodeSystem/performer"
	// systemWork identifies what is asked for, for whoever carries it out.
	systemWork = "https://candidacy.example/NamingSystem/requirement"
	// Every task is an order.
	systemTaskIntent, taskIntent = "http://hl7.org/fhir/task-intent", "order"
)

var taskType = resourceType{
	code: r4.ResourceTypeTask,
	params: []param{
		patientParam("patient", "Task-patient"),
		patientParam("subject", "Task-subject"),
		tokenParam("status", "Task-status", systemTaskStatus),
		tokenParam("business-status", "Task-business-status", ""),
		tokenParam("code", "Task-code", ""),
		referenceParam("owner", "Task-owner", typePatient, typePractitionerRole),
		referenceParam("based-on", "Task-based-on", typeCarePlan),
		referenceParam("focus", "Task-focus", typeEpisodeOfCare),
		dateParam("period", "Task-period"),
		dateParam("authored-on", "Task-authored-on"),
		dateParam("modified", "Task-modified"),
		tokenParam("performer", "Task-performer", ""),
		constantParam("intent", "Task-intent", systemTaskIntent, taskIntent),
	},
}

// task is a Task as it is published. The library writes every kind of value of an
// output, whether or not there is one.
type task struct {
	ResourceTypeIs string               `json:"resourceType"`
	ID             string               `json:"id"`
	BasedOn        []r4.Reference       `json:"basedOn,omitempty"`
	Status         r4.TaskStatus        `json:"status"`
	StatusReason   *r4.CodeableConcept  `json:"statusReason,omitempty"`
	BusinessStatus *r4.CodeableConcept  `json:"businessStatus,omitempty"`
	Intent         string               `json:"intent"`
	Code           *r4.CodeableConcept  `json:"code,omitempty"`
	Description    string               `json:"description,omitempty"`
	Focus          *r4.Reference        `json:"focus,omitempty"`
	For            *r4.Reference        `json:"for,omitempty"`
	Execution      *r4.Period           `json:"executionPeriod,omitempty"`
	AuthoredOn     string               `json:"authoredOn,omitempty"`
	LastModified   string               `json:"lastModified,omitempty"`
	Requester      *r4.Reference        `json:"requester,omitempty"`
	PerformerType  []r4.CodeableConcept `json:"performerType,omitempty"`
	Owner          *r4.Reference        `json:"owner,omitempty"`
	Reason         *r4.Reference        `json:"reasonReference,omitempty"`
	Restriction    *taskRestriction     `json:"restriction,omitempty"`
	Output         []taskOutput         `json:"output,omitempty"`
}

type taskRestriction struct {
	Period *r4.Period `json:"period,omitempty"`
}

type taskOutput struct {
	Type           r4.CodeableConcept `json:"type"`
	ValueDate      *string            `json:"valueDate,omitempty"`
	ValueReference *r4.Reference      `json:"valueReference,omitempty"`
}

var outcomeWords = map[string]string{"not-met": "Not met", "waived": "Waived"}

// taskResource publishes the round as a Task.
func (w work) taskResource() (record.Resource, error) {
	code, requester := w.code(), theProgramme()
	patient, episode := reference(typePatient, w.s.Candidate), reference(typeEpisodeOfCare, w.s.Candidate)
	t := task{
		ID: w.round.id, Status: w.standing.task, Intent: taskIntent, Code: &code, Description: w.rule.Title,
		BasedOn: []r4.Reference{evaluationPlan(w.s.Candidate)}, Focus: &episode, For: &patient,
		AuthoredOn: string(w.round.authored), Requester: &requester, Owner: &w.owner,
	}
	if performer := w.performerType(); performer != nil {
		t.PerformerType = []r4.CodeableConcept{*performer}
	}
	if w.earlier != "" {
		t.Reason = &r4.Reference{Reference: &w.earlier}
	}
	if period := w.due.period(); period != nil {
		t.Restriction = &taskRestriction{period}
	}
	switch w.round.outcome {
	case "waived":
		reason := concept(systemOutcome, "waived", "Waived", "waived")
		t.StatusReason = &reason
	case "not-met":
		status := concept(systemOutcome, "not-met", "Not met", "not met")
		t.BusinessStatus = &status
	}
	if w.open && w.standing.phase == phaseDone {
		r := w.requirement
		if r.Collected != "" && r.SignedOn != "" && !r.SignedOn.Before(r.Collected) {
			t.Execution = &r4.Period{Start: optional(string(r.Collected)), End: optional(string(r.SignedOn))}
		}
		t.LastModified = string(r.SignedOn)
		if r.SignedOn != "" && r.SignedOn.Before(w.round.authored) {
			t.AuthoredOn = "" // it was done before it was first published: nobody knows since when
		}
		if r.Status == journey.Met && r.ValidUntil != "" {
			t.Output = append(t.Output, taskOutput{
				Type: concept(systemOutput, "valid-until", "Valid until", "Valid until"), ValueDate: optional(string(r.ValidUntil)),
			})
		}
	}
	for _, outcome := range w.round.outcomes {
		t.Output = append(t.Output, taskOutput{
			Type: concept(systemOutput, "evidence", "Evidence", "Evidence"), ValueReference: &r4.Reference{Reference: &outcome},
		})
	}
	return publishTask(t)
}

func publishTask(t task) (record.Resource, error) {
	t.ResourceTypeIs = typeTask
	if t.Code == nil || t.For == nil {
		return record.Resource{}, fmt.Errorf("%s/%s has no code or nobody whom it is for", typeTask, t.ID)
	}
	var x index
	x.code("status", systemTaskStatus, t.Status.Code())
	x.concepts("code", *t.Code)
	x.optionalConcept("business-status", t.BusinessStatus)
	x.optionalReference("owner", t.Owner)
	x.reference("based-on", t.BasedOn...)
	x.optionalReference("focus", t.Focus)
	x.period("period", t.Execution)
	x.date("authored-on", optional(t.AuthoredOn))
	x.date("modified", optional(t.LastModified))
	x.concepts("performer", t.PerformerType...)
	return publish(typeTask, t.ID, "", t, x)
}

func unmarshalTask(raw []byte) (task, error) {
	var t task
	err := json.Unmarshal(raw, &t)
	return t, err
}

// retireTask cancels the task of a requirement that is no more, as after a move to
// another protocol. One that is over stays as it ended.
func retireTask(s activities.Snapshot, p record.Resource) (record.Resource, error) {
	t, err := asPublished(s, p, unmarshalTask)
	if err != nil {
		return p, err
	}
	if t.Status != r4.TaskStatusCompleted && t.Status != r4.TaskStatusEnteredInError {
		t.Status, t.BusinessStatus, t.Restriction = r4.TaskStatusCancelled, nil, nil
	}
	retired, err := publishTask(t)
	retired.Memo = endedMemo(p)
	return retired, err
}
