package fhir

import (
	"fmt"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

var detectedIssueType = resourceType{
	code: r4.ResourceTypeDetectedIssue,
	params: []param{
		patientParam("patient", "clinical-patient"),
		tokenParam("code", "DetectedIssue-code", ""),
		dateParam("identified", "DetectedIssue-identified"),
		referenceParam("author", "DetectedIssue-author", typeDevice),
		referenceParam("implicated", "DetectedIssue-implicated", typeObservation),
	},
}

var severities = map[journey.Band]r4.DetectedIssueSeverity{
	journey.Excludes:     r4.DetectedIssueSeverityHigh,
	journey.Discussion:   r4.DetectedIssueSeverityModerate,
	journey.CannotDecide: r4.DetectedIssueSeverityLow,
}

// detectedIssues publishes the flags that ask for attention, and a banner for each
// that an EHR has to show. A flag advises people; it never says that somebody is
// ineligible.
func detectedIssues(s activities.Snapshot) ([]record.Resource, error) {
	var issues, banners []record.Resource
	for _, flag := range s.Report.Flags {
		if flag.Band == journey.Meets || s.Protocol.ConfidentialFlag(flag.ID) {
			continue
		}
		issue, err := detectedIssue(s, flag)
		if err != nil {
			return nil, fmt.Errorf("flag %s: %w", flag.ID, err)
		}
		published, err := publishIssue(issue)
		if err != nil {
			return nil, err
		}
		issues = append(issues, published)
		if flag.Band == journey.CannotDecide {
			continue // that something is lacking is no alert
		}
		banner, err := publishFlag(bannerOf(s, flag, issue))
		if err != nil {
			return nil, err
		}
		banners = append(banners, banner)
	}
	return append(issues, banners...), nil
}

func detectedIssue(s activities.Snapshot, flag protocol.Flag) (r4.DetectedIssue, error) {
	severity, ok := severities[flag.Band]
	if !ok {
		return r4.DetectedIssue{}, fmt.Errorf("the band %q has no severity", flag.Band)
	}
	id := resourceID(s.Candidate, "flag-"+flag.ID)
	subject := reference(typePatient, s.Candidate)
	code := concept(systemFlag, flag.ID, flag.Title, issueText(flag))
	author := computer()
	issue := r4.DetectedIssue{
		Id:                 &id,
		Status:             issueStatus(s.State, flag),
		Code:               &code,
		Severity:           &severity,
		Patient:            &subject,
		IdentifiedDateTime: optional(string(flag.Date)),
		Author:             &author,
		Implicated:         implicated(s, flag),
		Detail:             optional(issueDetail(flag)),
		Mitigation:         mitigations(s, flag),
	}
	if inputs := inputReferences(flag.Inputs); len(inputs) > 0 {
		issue.Evidence = []r4.DetectedIssueEvidence{{Detail: inputs}}
	}
	if p := s.Protocol; p.Canonical != "" {
		rule := p.Canonical + "|" + p.Version + "#" + flag.ID
		issue.Reference = &rule
	}
	return issue, nil
}

// mitigations say what a person did about the finding: accepted the results that
// it stands on, or waived what they are for. A signature that they are not enough
// confirms it. Where it is the programme's own what came of a requirement, only a
// waiver is said.
func mitigations(s activities.Snapshot, flag protocol.Flag) []r4.DetectedIssueMitigation {
	requirement, ok := s.State.Find(flag.Requirement)
	if !ok || requirement.SignedBy == "" {
		return nil
	}
	action := concept(systemMitigation, "accepted", "Accepted", "accepted by a clinician")
	switch {
	case requirement.Status == journey.Waived:
		action = concept(systemMitigation, "waived", "Waived", "the requirement was waived")
	case requirement.Status != journey.Met || ownToProgramme(s.Protocol, flag.Requirement):
		return nil
	}
	mitigation := r4.DetectedIssueMitigation{Action: action, Date: optional(string(requirement.SignedOn))}
	// Who it was is not published, but in which role.
	rule, _ := s.Protocol.Find(flag.Requirement)
	if _, published := staffTitle(rule.Signer); published {
		signer := staffRole(rule.Signer)
		mitigation.Author = &signer
	}
	return []r4.DetectedIssueMitigation{mitigation}
}

// ownToProgramme reports whether what came of a requirement is not published.
func ownToProgramme(p *protocol.Protocol, id string) bool {
	rule, ok := p.Find(id)
	return ok && confidential(rule) || p.ConfidentialRequirement(id)
}

func publishIssue(issue r4.DetectedIssue) (record.Resource, error) {
	var x index
	x.concepts("code", *issue.Code)
	x.date("identified", issue.IdentifiedDateTime)
	x.optionalReference("author", issue.Author)
	x.reference("implicated", issue.Implicated...)
	return publish(typeDetectedIssue, value(issue.Id), "", issue, x)
}

// issueStatus is final once somebody signed the very results that the flag
// stands on; new results take the signature away.
func issueStatus(s journey.State, flag protocol.Flag) r4.ObservationStatus {
	requirement, ok := s.Find(flag.Requirement)
	// A waiver is signed too, but says nothing about the finding.
	if ok && requirement.SignedBy != "" && requirement.Status != journey.Waived {
		return r4.ObservationStatusFinal
	}
	return r4.ObservationStatusPreliminary
}

// issueText never claims a threshold was passed when the rule couldn't decide.
func issueText(flag protocol.Flag) string {
	if flag.Band == journey.CannotDecide {
		return "programme threshold not decided: " + flag.ID
	}
	return "outside programme threshold: " + flag.ID
}

func issueDetail(flag protocol.Flag) string {
	var parts []string
	add := func(label, text string) {
		if strings.TrimSpace(text) != "" {
			parts = append(parts, label+text)
		}
	}
	add("", flag.Title)
	add("value: ", flagValue(flag))
	add("cannot decide: ", flag.Reason)
	add("threshold: ", flag.Threshold)
	add("source: ", flag.Source)
	return strings.Join(parts, "; ")
}

// flagValue is the value that was compared, empty where there was none.
func flagValue(flag protocol.Flag) string {
	if flag.Shown == "" {
		return ""
	}
	shown := strings.TrimSpace(flag.Shown + " " + flag.Unit)
	// Without it, a reader would see a number on the other side.
	if flag.Near && flag.Value != "" {
		shown += " (unrounded " + flag.Value + ")"
	}
	if flag.Interval != nil {
		shown += ", " + flag.Interval.Text(1)
	}
	return shown
}

// implicated points to the computed value, if that is published, and to the
// results.
func implicated(s activities.Snapshot, flag protocol.Flag) []r4.Reference {
	var list []r4.Reference
	for _, d := range s.Report.Derived {
		if flag.Derived != "" && d.Key == flag.Derived {
			list = append(list, reference(typeObservation, resourceID(s.Candidate, d.Key)))
		}
	}
	return append(list, inputReferences(flag.Inputs)...)
}
