package fhir

import (
	"fmt"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

var episodeOfCareType = resourceType{
	code: r4.ResourceTypeEpisodeOfCare,
	params: []param{
		patientParam("patient", "clinical-patient"),
		tokenParam("status", "EpisodeOfCare-status", systemEpisodeStatus),
		dateParam("date", "clinical-date"),
	},
}

// episodeStatuses gives every exit the same status: a reader must not learn
// whether a person withdrew, was declined or died.
var episodeStatuses = map[journey.Stage]r4.EpisodeOfCareStatus{
	journey.Referral:   r4.EpisodeOfCareStatusPlanned,
	journey.Screening:  r4.EpisodeOfCareStatusPlanned,
	journey.Evaluation: r4.EpisodeOfCareStatusActive,
	journey.Committee:  r4.EpisodeOfCareStatusActive,
	journey.Approved:   r4.EpisodeOfCareStatusActive,
	journey.Scheduled:  r4.EpisodeOfCareStatusActive,
	journey.Operation:  r4.EpisodeOfCareStatusActive,
	journey.Recovery:   r4.EpisodeOfCareStatusActive,
	journey.FollowUp:   r4.EpisodeOfCareStatusActive,
	journey.Closed:     r4.EpisodeOfCareStatusFinished,
	journey.Declined:   r4.EpisodeOfCareStatusFinished,
	journey.Withdrawn:  r4.EpisodeOfCareStatusFinished,
	journey.Deceased:   r4.EpisodeOfCareStatusFinished,
	journey.OnHold:     r4.EpisodeOfCareStatusOnhold,
	journey.Deferred:   r4.EpisodeOfCareStatusOnhold,
}

// episodeOfCare publishes the donation attempt. It carries no statusHistory,
// which would show the way to an exit.
func episodeOfCare(s activities.Snapshot) ([]record.Resource, error) {
	status, ok := episodeStatuses[s.State.Stage]
	if !ok {
		return nil, fmt.Errorf("the stage %q has no episode status", s.State.Stage)
	}
	period := r4.Period{Start: optional(string(s.Referral.On))}
	if status == r4.EpisodeOfCareStatusFinished {
		period.End = optional(string(s.State.Since))
	}
	kind := concept(systemEpisodeType, "living-kidney-donation", "Living kidney donation", "Living kidney donation")
	episode := r4.EpisodeOfCare{
		Id:      &s.Candidate,
		Status:  status,
		Type:    []r4.CodeableConcept{kind},
		Patient: reference(typePatient, s.Candidate),
	}
	if period.Start != nil || period.End != nil {
		episode.Period = &period
	}

	var x index
	x.code("status", systemEpisodeStatus, status.Code())
	x.period("date", &period)
	r, err := publish(typeEpisodeOfCare, s.Candidate, "", episode, x)
	return []record.Resource{r}, err
}
