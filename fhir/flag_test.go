package fhir

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// TestIssuesSayWhoFoundThem holds every element that a reader needs to judge one.
func TestIssuesSayWhoFoundThem(t *testing.T) {
	s := testSnapshot(candidateA)
	s.Protocol.Requirements[0].Signer = journey.Clinician
	list := mustPublish(t, s)
	issue := decode[r4.DetectedIssue](t, find(t, list, typeDetectedIssue, candidateA+"-flag-egfr"))
	if *issue.Author.Reference != "Device/candidacy" || *issue.Author.Display != computedBy || *issue.Reference != "https://candidacy.example/protocol/kidney|2026.1#egfr" {
		t.Errorf("the author is %+v, the rule %s", issue.Author, *issue.Reference)
	}
	if len(issue.Evidence) != 1 || len(issue.Evidence[0].Detail) != 1 || *issue.Evidence[0].Detail[0].Reference != "Observation/a0000000-0000-4000-8000-000000000001" {
		t.Errorf("the evidence is %+v", issue.Evidence)
	}
	if len(issue.Mitigation) != 1 || *issue.Mitigation[0].Action.Coding[0].Code != "accepted" || *issue.Mitigation[0].Date != "2026-02-10" || *issue.Mitigation[0].Author.Reference != "PractitionerRole/role-clinician" {
		t.Errorf("the mitigation is %+v", issue.Mitigation)
	}
	for _, r := range list {
		if r.Type == typeDetectedIssue && bytes.Contains(r.Body, []byte("signer-account")) {
			t.Errorf("%s names who signed", r.ID)
		}
	}
}

// TestBannersEndWithTheirReason goes through what may happen to a flag.
func TestBannersEndWithTheirReason(t *testing.T) {
	requirement := func(s *activities.Snapshot, id string) *journey.Requirement {
		return &s.State.Requirements[slices.IndexFunc(s.State.Requirements, func(r journey.Requirement) bool { return r.ID == id })]
	}
	const id = candidateA + "-flag-egfr"
	for name, c := range map[string]struct {
		change     func(*activities.Snapshot)
		mitigation string
		end        string
	}{
		"nobody has looked": {func(s *activities.Snapshot) {
			*requirement(s, "kidney-function") = journey.Requirement{ID: "kidney-function", Status: journey.NeedsReview}
		}, "", ""},
		"accepted":  {func(*activities.Snapshot) {}, "accepted", "2026-02-10"},
		"waived":    {func(s *activities.Snapshot) { requirement(s, "kidney-function").Status = journey.Waived }, "waived", "2026-02-10"},
		"confirmed": {func(s *activities.Snapshot) { requirement(s, "kidney-function").Status = journey.NotMet }, "", ""},
		"confirmed and ended": {func(s *activities.Snapshot) {
			requirement(s, "kidney-function").Status, s.State.Stage = journey.NotMet, journey.Declined
		}, "", "2026-02-01"},
		"the programme's own, accepted": {func(s *activities.Snapshot) { s.Protocol.Requirements[0].Domain = "psychosocial" }, "", "2026-02-10"},
		"the programme's own, confirmed": {func(s *activities.Snapshot) {
			s.Protocol.Requirements[0].Domain = "psychosocial"
			requirement(s, "kidney-function").Status = journey.NotMet
		}, "", "2026-02-10"},
	} {
		s := testSnapshot(candidateA)
		c.change(&s)
		list := mustPublish(t, s)
		issue := decode[r4.DetectedIssue](t, find(t, list, typeDetectedIssue, id))
		got := ""
		if len(issue.Mitigation) > 0 {
			got = *issue.Mitigation[0].Action.Coding[0].Code
		}
		if got != c.mitigation {
			t.Errorf("%s: the mitigation is %q", name, got)
		}
		banner := decode[r4.Flag](t, find(t, list, typeFlag, id))
		status := r4.FlagStatusActive
		if c.end != "" {
			status = r4.FlagStatusInactive
		}
		if banner.Status != status || value(banner.Period.End) != c.end || *banner.Period.Start != "2026-02-03" || *banner.Code.Coding[0].Code != "egfr" ||
			*banner.Category[0].Coding[0].Code != "clinical" || *banner.Subject.Reference != "Patient/"+candidateA {
			t.Errorf("%s: the banner is %+v from %s to %q", name, banner.Status, *banner.Period.Start, value(banner.Period.End))
		}
		// What could not be decided is no alert.
		if slices.ContainsFunc(list, func(r record.Resource) bool { return r.Type == typeFlag && strings.Contains(r.ID, "fasting-glucose") }) {
			t.Errorf("%s: there is a banner of what can't be decided", name)
		}
	}
}

// TestBannersOfFormerIssues ends a banner on the day on which its issue went, and
// lets it be.
func TestBannersOfFormerIssues(t *testing.T) {
	s := testSnapshot(candidateA)
	s.State.Requirements[0] = journey.Requirement{ID: "kidney-function", Status: journey.NeedsReview}
	s.Previous = mustPublish(t, s)
	s.Report.Flags, s.Today = s.Report.Flags[1:], "2026-03-04"
	for _, today := range []journey.Date{"2026-03-04", "2026-03-05"} {
		s.Today = today
		list := mustPublish(t, s)
		banner := decode[r4.Flag](t, find(t, list, typeFlag, candidateA+"-flag-egfr"))
		if banner.Status != r4.FlagStatusInactive || value(banner.Period.End) != "2026-03-04" || *banner.Period.Start != "2026-02-03" {
			t.Errorf("on %s the banner is %+v", today, banner)
		}
		s.Previous = list
	}
}
