package fhir

import (
	"cmp"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

const (
	typeFlag           = "Flag"
	systemFlagCategory = "http://terminology.hl7.org/CodeSystem/flag-category"
)

var flagType = resourceType{
	code: r4.ResourceTypeFlag,
	params: ofPatient("Flag-subject",
		dateParam("date", "clinical-date"),
		referenceParam("author", "Flag-author", typeDevice),
	),
}

// bannerOf is what an EHR shows of an issue as long as nobody has done anything
// about it. It is active only then, and no longer than the journey.
func bannerOf(s activities.Snapshot, flag protocol.Flag, issue r4.DetectedIssue) r4.Flag {
	author := computer()
	banner := r4.Flag{
		Id: issue.Id, Status: r4.FlagStatusActive, Category: []r4.CodeableConcept{concept(systemFlagCategory, "clinical", "Clinical", "")},
		Code: *issue.Code, Subject: reference(typePatient, s.Candidate), Period: &r4.Period{Start: issue.IdentifiedDateTime}, Author: &author,
	}
	if over, on := settled(s, flag, issue); over {
		banner.Status = r4.FlagStatusInactive
		end := cmp.Or(string(on), string(s.Today))
		banner.Period.End = &end
	}
	return banner
}

// settled reports whether the banner is over, and since when. That a requirement
// of which nothing more is published was signed ends it, whatever the verdict.
func settled(s activities.Snapshot, flag protocol.Flag, issue r4.DetectedIssue) (bool, journey.Date) {
	if len(issue.Mitigation) > 0 {
		return true, journey.Date(value(issue.Mitigation[0].Date))
	}
	requirement, ok := s.State.Find(flag.Requirement)
	if ok && requirement.SignedBy != "" && ownToProgramme(s.Protocol, flag.Requirement) {
		return true, requirement.SignedOn
	}
	return s.State.Stage.Ended(), s.State.Since
}

func publishFlag(f r4.Flag) (record.Resource, error) {
	var x index
	x.period("date", f.Period)
	x.optionalReference("author", f.Author)
	return publish(typeFlag, value(f.Id), "", f, x)
}

// retireFlag ends a banner whose issue is no more. One that had ended stays as it
// was.
func retireFlag(s activities.Snapshot, p record.Resource) (record.Resource, error) {
	f, err := asPublished(s, p, r4.UnmarshalFlag)
	if err != nil {
		return p, err
	}
	f.Meta = nil
	if f.Status == r4.FlagStatusActive {
		end := string(s.Today)
		if f.Period == nil {
			f.Period = &r4.Period{}
		}
		f.Status, f.Period.End = r4.FlagStatusInactive, &end
	}
	return publishFlag(f)
}
