package fhir

import (
	"fmt"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

const (
	typeCareTeam         = "CareTeam"
	systemCareTeamStatus = "http://hl7.org/fhir/care-team-status"
	metaCareTeam         = `"profile":["` + usCore + `us-core-careteam"]`
)

var careTeamType = resourceType{
	code:    r4.ResourceTypeCareTeam,
	profile: usCore + "us-core-careteam",
	params: ofPatient("CareTeam-subject",
		tokenParam("status", "CareTeam-status", systemCareTeamStatus),
		tokenParam("category", "CareTeam-category", ""),
		dateParam("date", "clinical-date"),
		referenceParam("participant", "CareTeam-participant", typePractitionerRole),
	),
}

// careTeamStatuses gives every exit the same status, as episodeStatuses does.
var careTeamStatuses = map[journey.Stage]r4.CareTeamStatus{
	journey.Referral:   r4.CareTeamStatusProposed,
	journey.Screening:  r4.CareTeamStatusActive,
	journey.Evaluation: r4.CareTeamStatusActive,
	journey.Committee:  r4.CareTeamStatusActive,
	journey.Approved:   r4.CareTeamStatusActive,
	journey.Scheduled:  r4.CareTeamStatusActive,
	journey.Operation:  r4.CareTeamStatusActive,
	journey.Recovery:   r4.CareTeamStatusActive,
	journey.FollowUp:   r4.CareTeamStatusActive,
	journey.Closed:     r4.CareTeamStatusInactive,
	journey.Declined:   r4.CareTeamStatusInactive,
	journey.Withdrawn:  r4.CareTeamStatusInactive,
	journey.Deceased:   r4.CareTeamStatusInactive,
	journey.OnHold:     r4.CareTeamStatusSuspended,
	journey.Deferred:   r4.CareTeamStatusSuspended,
}

func careTeamID(candidate string) string { return resourceID(candidate, "team") }

// careTeam publishes who cares for the donor candidate, by role. The team of the
// recipient is another one, and never in it; the advocate is independent of both
// and takes part once one is assigned.
func careTeam(s activities.Snapshot) ([]record.Resource, error) {
	status, ok := careTeamStatuses[s.State.Stage]
	if !ok {
		return nil, fmt.Errorf("the stage %q has no care team status", s.State.Stage)
	}
	id, name, subject := careTeamID(s.Candidate), "Living donor team", reference(typePatient, s.Candidate)
	team := r4.CareTeam{
		Id: &id, Status: &status, Name: &name, Subject: &subject,
		// LOINC: longitudinal care-coordination focused care team.
		Category:             []r4.CodeableConcept{concept(systemLOINC, "LA28865-6", "Longitudinal care-coordination focused care team", "")},
		Period:               &r4.Period{Start: optional(string(s.Referral.On))},
		ManagingOrganization: []r4.Reference{theProgramme()},
	}
	if s.State.Stage.Ended() {
		team.Period.End = optional(string(s.State.Since))
	}
	if team.Period.Start == nil && team.Period.End == nil {
		team.Period = nil
	}
	var x index
	for _, each := range staff {
		if each.role == journey.Administrator || each.role == journey.Advocate && s.State.Advocate == "" {
			continue
		}
		member := staffRole(each.role)
		team.Participant = append(team.Participant, r4.CareTeamParticipant{
			Role:   []r4.CodeableConcept{concept(systemStaffRole, string(each.role), each.title, each.title)},
			Member: &member,
		})
		x.reference("participant", member)
	}
	x.code("status", systemCareTeamStatus, status.Code())
	x.concepts("category", team.Category...)
	x.period("date", team.Period)
	r, err := publish(typeCareTeam, id, metaCareTeam, team, x)
	return []record.Resource{r}, err
}
