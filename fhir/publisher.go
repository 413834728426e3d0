package fhir

import (
	"errors"
	"fmt"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/record"
)

// Publisher maps snapshots of candidates to resources. The same snapshot
// always gives the same bytes.
type Publisher struct{}

var _ activities.Publisher = Publisher{}

// Publish returns every resource of the candidate as it now stands, including
// the retired form of those that no longer have a reason to exist. Impressions
// of earlier decisions are not among them: they stay as they were published. It
// fails on a value that has no FHIR form rather than publish a guess.
func (Publisher) Publish(s activities.Snapshot) ([]record.Resource, error) {
	if !validID(s.Candidate) || len(s.Candidate) > 40 {
		return nil, errors.New("publish: the candidate's id can't be the root of FHIR ids")
	}
	if s.Protocol == nil {
		return nil, errors.New("publish: the snapshot has no protocol")
	}
	work, err := planOf(s)
	if err != nil {
		return nil, fmt.Errorf("publish: %w", err)
	}
	label := labelsOf(s, work)
	of := reportedOf(s, work, label)
	requested, err := visitRequests(s)
	if err != nil {
		return nil, fmt.Errorf("publish: %w", err)
	}
	list := make([]record.Resource, 0, len(s.Previous)+32)
	produced := make(map[named]bool, cap(list))
	for _, build := range []func(activities.Snapshot) ([]record.Resource, error){
		patient,
		func(activities.Snapshot) ([]record.Resource, error) { return work.published(requested) },
		careTeam,
		func(s activities.Snapshot) ([]record.Resource, error) { return appointments(s, work, requested) },
		func(activities.Snapshot) ([]record.Resource, error) { return of.published() },
		func(s activities.Snapshot) ([]record.Resource, error) { return questionnaireResponses(s, of) },
		func(s activities.Snapshot) ([]record.Resource, error) { return derivedObservations(s, of) },
		detectedIssues, riskAssessments, procedures, donorConditions, conditions,
		func(s activities.Snapshot) ([]record.Resource, error) { return recoveryPlan(s, requested) },
		stay,
		func(s activities.Snapshot) ([]record.Resource, error) { return visits(s, requested) },
		medicines, adverseEvents,
	} {
		resources, err := build(s)
		if err != nil {
			return nil, fmt.Errorf("publish: %w", err)
		}
		for i := range resources {
			name := named{resources[i].Type, resources[i].ID}
			if produced[name] {
				return nil, fmt.Errorf("publish: %s/%s is produced twice", name.typ, name.id)
			}
			produced[name] = true
		}
		list = append(list, resources...)
	}
	kept := confidentialResources(s)
	gone, err := retired(s, produced, kept)
	if err != nil {
		return nil, fmt.Errorf("publish: %w", err)
	}
	list = append(list, gone...)
	if err := label.put(list); err != nil { // before anything points to a version
		return nil, fmt.Errorf("publish: %w", err)
	}
	impressions, err := clinicalImpressions(s, list)
	if err != nil {
		return nil, fmt.Errorf("publish: %w", err)
	}
	if err := label.put(impressions); err != nil {
		return nil, fmt.Errorf("publish: %w", err)
	}
	list = append(list, impressions...)
	if s.Entry.Kind == "" {
		kept, err := asTheyStand(s, list)
		if err != nil {
			return nil, fmt.Errorf("publish: %w", err)
		}
		if err := label.put(kept); err != nil {
			return nil, fmt.Errorf("publish: %w", err)
		}
		list = append(list, kept...)
	}
	origins, err := provenances(s, work.previous, list, kept)
	if err != nil {
		return nil, fmt.Errorf("publish: %w", err)
	}
	list = append(list, origins...)
	if s.Moved && s.Protocol.Confidential() {
		// What the former protocol let be published must not be learned from the
		// versions before.
		for i := range list {
			list[i].Seal = true
		}
	}
	return list, nil
}

// named is the type and the id of a resource.
type named struct{ typ, id string }

// asTheyStand are the resources that tell of a time that is over, and stay as they
// were published, with the search values that this version of the software gives
// them.
func asTheyStand(s activities.Snapshot, others []record.Resource) ([]record.Resource, error) {
	done := make(map[string]bool, len(others))
	for _, r := range others {
		done[r.Type+"/"+r.ID] = true
	}
	var list []record.Resource
	for _, was := range s.Previous {
		var r record.Resource
		var err error
		switch {
		case done[was.Type+"/"+was.ID]:
			continue
		case was.Type == typeClinicalImpression:
			r, err = again(s, was, r4.UnmarshalClinicalImpression, publishImpression)
		case was.Type == typeProvenance:
			r, err = again(s, was, r4.UnmarshalProvenance, publishProvenance)
		default:
			continue
		}
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
}

// again gives what is published its search values, and leaves the rest.
func again[T any](s activities.Snapshot, was record.Resource, unmarshal func([]byte) (T, error), publish func(T) (record.Resource, error)) (record.Resource, error) {
	var err error
	if was.Body == nil {
		if was.Body, err = s.Read(was.Type, was.ID); err != nil {
			return was, fmt.Errorf("read %s/%s: %w", was.Type, was.ID, err)
		}
	}
	resource, err := asPublished(s, was, unmarshal)
	if err != nil {
		return was, err
	}
	r, err := publish(resource)
	if before, _ := wasRestricted(s, was); err == nil && before {
		r, err = restricted(r)
	}
	r.Digest = was.Digest
	return r, err
}

// retired republishes computed values and flags that the report no longer
// holds as never having been valid. Their content then stays as it is, so the
// store makes no further version of them. What was told in confidence and is
// published from before the protocol said so keeps nothing but its id.
// Kept names what is confidential.
func retired(s activities.Snapshot, produced map[named]bool, kept map[string]bool) ([]record.Resource, error) {
	var list []record.Resource
	root := s.Candidate + "-"
	for _, p := range s.Previous {
		if produced[named{p.Type, p.ID}] {
			continue
		}
		if kept[p.Type+"/"+p.ID] {
			r, err := sealed(masked(s, p))
			if err != nil {
				return nil, err
			}
			list = append(list, r)
			continue
		}
		// Only computed resources carry the candidate's id as their root;
		// results keep their own ids and are never retired here.
		if !strings.HasPrefix(p.ID, root) {
			continue
		}
		var r record.Resource
		var err error
		switch p.Type {
		case typeObservation:
			r, err = retireObservation(s, p)
		case typeDetectedIssue:
			r, err = retireIssue(s, p)
		case typeFlag:
			r, err = retireFlag(s, p)
		case typeServiceRequest:
			if isOver(p) {
				continue
			}
			r, err = retireRequest(s, p)
		case typeTask:
			if isOver(p) {
				continue
			}
			r, err = retireTask(s, p)
		case typeDiagnosticReport:
			r, err = retireReport(s.Candidate, p.ID)
		case typeSpecimen:
			r, err = retireSpecimen(s.Candidate, p.ID)
		case typeQuestionnaireResponse:
			r, err = retireResponse(s.Candidate, p.ID)
		default:
			continue
		}
		if err != nil {
			return nil, err
		}
		if p.Type != typeDiagnosticReport && p.Type != typeSpecimen && p.Type != typeQuestionnaireResponse { // which tell nothing any more
			before, err := wasRestricted(s, p)
			if err != nil {
				return nil, err
			}
			if before {
				if r, err = restricted(r); err != nil {
					return nil, err
				}
			}
		}
		list = append(list, r)
	}
	return list, nil
}

// confidentialResources names what is not published, or not any more, because it
// was told in confidence.
func confidentialResources(s activities.Snapshot) map[string]bool {
	names := map[string]bool{}
	for id := range s.Protocol.ConfidentialResults(s.Results) {
		names[typeObservation+"/"+id] = true
	}
	for _, key := range s.Protocol.ConfidentialCodes() {
		names[typeObservation+"/"+resourceID(s.Candidate, key)] = true
	}
	for _, f := range s.Protocol.Flags {
		if s.Protocol.ConfidentialFlag(f.ID) {
			id := resourceID(s.Candidate, "flag-"+f.ID)
			names[typeDetectedIssue+"/"+id], names[typeFlag+"/"+id] = true, true
		}
	}
	for name := range confidentialWork(s) {
		names[name] = true
	}
	return names
}

// sealed takes the versions before out of every history: what a resource told
// must not be learned from them.
func sealed(r record.Resource, err error) (record.Resource, error) {
	r.Seal = true
	return r, err
}

// masked is the retired form of a resource that tells nothing.
func masked(s activities.Snapshot, p record.Resource) (record.Resource, error) {
	code := concept(systemDataAbsent, "masked", "", "")
	if p.Type == typeDetectedIssue {
		subject := reference(typePatient, s.Candidate)
		return publishIssue(r4.DetectedIssue{Id: &p.ID, Status: r4.ObservationStatusCancelled, Patient: &subject, Code: &code})
	}
	if p.Type == typeFlag {
		return publishFlag(r4.Flag{Id: &p.ID, Status: r4.FlagStatusInactive, Code: code, Subject: reference(typePatient, s.Candidate)})
	}
	o, err := newObservation(s.Candidate, p.ID, r4.ObservationStatusEnteredInError, code)
	if err != nil {
		return p, err
	}
	return publishObservation(o)
}

func retireObservation(s activities.Snapshot, p record.Resource) (record.Resource, error) {
	o, err := asPublished(s, p, r4.UnmarshalObservation)
	if err != nil {
		return p, err
	}
	o.Meta, o.Status = nil, r4.ObservationStatusEnteredInError
	return publishObservation(o)
}

func retireIssue(s activities.Snapshot, p record.Resource) (record.Resource, error) {
	issue, err := asPublished(s, p, r4.UnmarshalDetectedIssue)
	if err != nil {
		return p, err
	}
	issue.Meta, issue.Status = nil, r4.ObservationStatusCancelled
	return publishIssue(issue)
}

// asPublished reads a resource as it was published.
func asPublished[T any](s activities.Snapshot, p record.Resource, unmarshal func([]byte) (T, error)) (T, error) {
	var resource T
	var err error
	if p.Body == nil {
		p.Body, err = s.Read(p.Type, p.ID)
	}
	if err == nil {
		resource, err = unmarshal(p.Body)
	}
	if err != nil {
		return resource, fmt.Errorf("read %s/%s: %w", p.Type, p.ID, err)
	}
	return resource, nil
}
