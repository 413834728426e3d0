package fhir

import (
	"bytes"
	"slices"
	"strings"

	"candidacy/activities"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// Security labels. What the protocol marks as sensitive, and what its source labels
// so, is published as restricted, with whatever tells of it; so is the work of the
// advocate and of the psychosocial evaluation. Nothing is published as very
// restricted: what would be is not published at all.
const (
	systemConfidentiality = "http://terminology.hl7.org/CodeSystem/v3-Confidentiality"
	labelRestricted       = `"security":[{"system":"` + systemConfidentiality + `","code":"R","display":"restricted"}]`
)

// labels say which resources of a candidate are restricted.
type labels struct {
	marked protocol.Marked
	// results are the reported ones, by id.
	results map[string]bool
	// names are the computed values, the flags and the work, as Type/id.
	names map[string]bool
}

func labelsOf(s activities.Snapshot, work *plan) labels {
	l := labels{marked: s.Protocol.Sensitive(), names: map[string]bool{}}
	l.results = l.marked.Results(s.Results)
	for _, key := range l.marked.Codes() {
		l.names[typeObservation+"/"+resourceID(s.Candidate, key)] = true
	}
	for _, d := range s.Report.Derived {
		if l.reads(d.Inputs) {
			l.names[typeObservation+"/"+resourceID(s.Candidate, d.Key)] = true
		}
	}
	flag := func(id string) {
		id = resourceID(s.Candidate, "flag-"+id)
		l.names[typeDetectedIssue+"/"+id], l.names[typeFlag+"/"+id] = true, true
	}
	for _, f := range s.Protocol.Flags {
		if l.marked.Flag(f.ID) {
			flag(f.ID)
		}
	}
	for _, f := range s.Report.Flags {
		if l.reads(f.Inputs) {
			flag(f.ID)
		}
	}
	for requirement, rounds := range work.of {
		if !restrictedWork(s.Protocol, work.rules[requirement]) {
			continue
		}
		for _, r := range rounds {
			l.names[r.typ+"/"+r.id] = true
		}
	}
	return l
}

// reads reports whether a restricted result is among the inputs.
func (l labels) reads(inputs []protocol.Input) bool {
	return slices.ContainsFunc(inputs, func(in protocol.Input) bool { return in.Result != "" && l.results[in.Result] })
}

// holds reports whether one of the results is restricted.
func (l labels) holds(list []result.Result) bool {
	return slices.ContainsFunc(list, func(r result.Result) bool { return l.results[r.ID] })
}

// restrictedWork reports whether what came of a requirement, or that it applies, is
// told with a label.
func restrictedWork(p *protocol.Protocol, rule protocol.Requirement) bool {
	return confidential(rule) || p.Sensitive().Requirement(rule.ID) || p.Sensitive().Condition(rule.ID)
}

// put labels what is restricted among the resources.
func (l labels) put(list []record.Resource) error {
	for i, r := range list {
		if r.Kept || !l.restricts(r) {
			continue
		}
		var err error
		if list[i], err = restricted(r); err != nil {
			return err
		}
	}
	return nil
}

func (l labels) restricts(r record.Resource) bool {
	switch r.Type {
	case typeObservation:
		return l.results[r.ID] || l.names[r.Type+"/"+r.ID]
	case typeClinicalImpression: // by what it points to
		return slices.ContainsFunc(r.Index, func(x record.Index) bool {
			return x.Param == "investigation" && (l.results[x.Value] || l.names[typeObservation+"/"+x.Value]) ||
				x.Param == "finding-code" && x.System == systemFlag && l.marked.Flag(x.Value)
		})
	default:
		return l.names[r.Type+"/"+r.ID]
	}
}

// restricted labels a resource, once.
func restricted(r record.Resource) (record.Resource, error) {
	if strings.Contains(r.Meta, labelRestricted) {
		return r, nil
	}
	var x index
	if err := x.meta(labelRestricted); err != nil {
		return r, err
	}
	r.Index = append(r.Index, x...)
	if r.Meta != "" {
		r.Meta += ","
	}
	r.Meta, r.Digest = r.Meta+labelRestricted, ""
	return r.Digested(), nil
}

// wasRestricted reports whether a resource stands with the label: what it tells stays
// restricted when it is made again from what it was.
func wasRestricted(s activities.Snapshot, was record.Resource) (bool, error) {
	var err error
	if was.Body == nil {
		was.Body, err = s.Read(was.Type, was.ID)
	}
	return bytes.Contains(was.Body, []byte(labelRestricted)), err
}
