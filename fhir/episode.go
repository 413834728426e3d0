package fhir

import (
	"fmt"
	"strings"

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
		tokenParam("type", "clinical-type", ""),
		dateParam("date", "clinical-date"),
		referenceParam("organization", "EpisodeOfCare-organization", typeOrganization),
		referenceParam("incoming-referral", "EpisodeOfCare-incoming-referral", typeServiceRequest),
		referenceParam("condition", "EpisodeOfCare-condition", typeCondition),
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

func episodeStatus(stage journey.Stage) (r4.EpisodeOfCareStatus, error) {
	status, ok := episodeStatuses[stage]
	if !ok {
		return status, fmt.Errorf("the stage %q has no episode status", stage)
	}
	return status, nil
}

// episodePeriod is from the referral to the end of the journey.
func episodePeriod(s activities.Snapshot, status r4.EpisodeOfCareStatus) *r4.Period {
	period := r4.Period{Start: optional(string(s.Referral.On))}
	if status == r4.EpisodeOfCareStatusFinished {
		period.End = optional(string(s.State.Since))
	}
	if period.Start == nil && period.End == nil {
		return nil
	}
	return &period
}

// episodeOfCare publishes the donation attempt. Once a journey ended early it has no
// history of its statuses, which would show the way to the exit.
func (p *plan) episodeOfCare() ([]record.Resource, error) {
	s := p.s
	status, err := episodeStatus(s.State.Stage)
	if err != nil {
		return nil, err
	}
	kind, programme := concept(systemEpisodeType, "living-kidney-donation", "Living kidney donation", "Living kidney donation"), theProgramme()
	episode := r4.EpisodeOfCare{
		Id: &s.Candidate, Status: status, Type: []r4.CodeableConcept{kind}, Patient: reference(typePatient, s.Candidate),
		ManagingOrganization: &programme, Period: episodePeriod(s, status),
		Diagnosis:       []r4.EpisodeOfCareDiagnosis{{Condition: reference(typeCondition, donorConditionID(s.Candidate))}},
		ReferralRequest: []r4.Reference{reference(typeServiceRequest, referralID(s.Candidate))},
		Team:            []r4.Reference{reference(typeCareTeam, careTeamID(s.Candidate))},
	}
	memo := ""
	if !endedEarly(s.State.Stage) {
		memo = p.statusHistory(status)
		if episode.StatusHistory, err = readStatusHistory(memo); err != nil {
			return nil, err
		}
	}

	var x index
	x.code("status", systemEpisodeStatus, status.Code())
	x.concepts("type", kind)
	x.period("date", episode.Period)
	x.optionalReference("organization", episode.ManagingOrganization)
	x.reference("incoming-referral", episode.ReferralRequest...)
	for _, d := range episode.Diagnosis {
		x.reference("condition", d.Condition)
	}
	r, err := publish(typeEpisodeOfCare, s.Candidate, "", episode, x)
	r.Memo = memo
	return []record.Resource{r}, err
}

// statusHistory adds the status to those that were remembered, each with the day
// on which it began.
func (p *plan) statusHistory(status r4.EpisodeOfCareStatus) string {
	was, _ := p.previous.find(typeEpisodeOfCare, p.s.Candidate)
	memo := was.Memo
	began := p.s.State.Since
	if memo == "" && status == r4.EpisodeOfCareStatusPlanned && p.s.Referral.On != "" {
		began = p.s.Referral.On
	}
	entry := status.Code() + " " + string(began)
	switch last := memo[strings.LastIndex(memo, ",")+1:]; {
	case memo == "":
		return entry
	case strings.HasPrefix(last, status.Code()+" "):
		return memo
	default:
		return memo + "," + entry
	}
}

func readStatusHistory(memo string) ([]r4.EpisodeOfCareStatusHistory, error) {
	var list []r4.EpisodeOfCareStatusHistory
	for entry := range strings.SplitSeq(memo, ",") {
		code, began, _ := strings.Cut(entry, " ")
		if began == "" {
			continue
		}
		var status r4.EpisodeOfCareStatus
		if err := status.UnmarshalJSON([]byte(`"` + code + `"`)); err != nil {
			return nil, fmt.Errorf("the remembered status %q of the episode is none", code)
		}
		if n := len(list); n > 0 {
			list[n-1].Period.End = &began
		}
		list = append(list, r4.EpisodeOfCareStatusHistory{Status: status, Period: r4.Period{Start: &began}})
	}
	return list, nil
}
