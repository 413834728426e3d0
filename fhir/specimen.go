package fhir

import (
	"fmt"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/record"
	"candidacy/internal/result"
)

const (
	typeSpecimen         = "Specimen"
	systemSpecimenStatus = "http://hl7.org/fhir/specimen-status"
)

var specimenType = resourceType{
	code: r4.ResourceTypeSpecimen,
	params: []param{
		patientParam("patient", "Specimen-patient"),
		patientParam("subject", "Specimen-subject"),
		tokenParam("identifier", "Specimen-identifier", ""),
		tokenParam("accession", "Specimen-accession", ""),
		tokenParam("type", "Specimen-type", ""),
		tokenParam("status", "Specimen-status", systemSpecimenStatus),
		dateParam("collected", "Specimen-collected"),
	},
}

// specimenOf is the id of the specimen that a result names. An accession is the
// number of one source: two laboratories may use the same.
func (r reported) specimenOf(of *result.Result) string {
	return r.id("specimen", of.Identifier.System, strings.ToLower(of.Specimen))
}

// specimens publishes each specimen that results name, once. Its collection is
// that of the first of them on record, and its type the first that is known.
func (r reported) specimens() ([]record.Resource, error) {
	var order []string
	parts := map[string][]result.Result{}
	for _, of := range r.results {
		if of.Specimen == "" {
			continue
		}
		id := r.specimenOf(&of)
		if parts[id] == nil {
			order = append(order, id)
		}
		parts[id] = append(parts[id], of)
	}
	list := make([]record.Resource, 0, len(order))
	for _, id := range order {
		memo := r.memoOf(parts[id])
		if was, ok := r.kept(typeSpecimen, id, memo); ok {
			list = append(list, was)
			continue
		}
		published, err := r.specimen(id, parts[id])
		if err != nil {
			return nil, fmt.Errorf("specimen of result %s: %w", parts[id][0].ID, err)
		}
		published.Memo = memo
		list = append(list, published)
	}
	return list, nil
}

func (r reported) specimen(id string, of []result.Result) (record.Resource, error) {
	subject, accession := reference(typePatient, r.candidate), of[0].Specimen
	s := r4.Specimen{
		Id: &id, Subject: &subject, Identifier: []r4.Identifier{{Value: &accession}}, AccessionIdentifier: &r4.Identifier{Value: &accession},
	}
	if allOf(of, result.EnteredInError) {
		status := r4.SpecimenStatusEnteredInError
		s.Status = &status
	}
	for _, each := range of {
		if each.SpecimenType != nil {
			kind := concept(each.SpecimenType.System, each.SpecimenType.Code, each.SpecimenType.Display, each.SpecimenType.Display)
			s.Type = &kind
			break
		}
	}
	collected, err := effectiveOf(of[0].Effective, of[0].EffectiveEnd)
	if err != nil {
		return record.Resource{}, err
	}
	s.Collection = &r4.SpecimenCollection{CollectedDateTime: collected.at, CollectedPeriod: collected.period}
	return publishSpecimen(s)
}

func publishSpecimen(s r4.Specimen) (record.Resource, error) {
	var x index
	x.identifiers("identifier", s.Identifier...)
	if s.AccessionIdentifier != nil {
		x.identifiers("accession", *s.AccessionIdentifier)
	}
	if s.Type != nil {
		x.concepts("type", *s.Type)
	}
	if s.Status != nil {
		x.code("status", systemSpecimenStatus, s.Status.Code())
	}
	if s.Collection != nil {
		x.date("collected", s.Collection.CollectedDateTime)
		x.period("collected", s.Collection.CollectedPeriod)
	}
	return publish(typeSpecimen, value(s.Id), "", s, x)
}

// retireSpecimen says that there is no such specimen any more, as retireReport.
func retireSpecimen(candidate, id string) (record.Resource, error) {
	subject, status := reference(typePatient, candidate), r4.SpecimenStatusEnteredInError
	return publishSpecimen(r4.Specimen{Id: &id, Status: &status, Subject: &subject})
}

func allOf(list []result.Result, statuses ...result.Status) bool {
	for _, r := range list {
		is := false
		for _, s := range statuses {
			is = is || r.Status == s
		}
		if !is {
			return false
		}
	}
	return true
}
