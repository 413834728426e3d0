package fhir

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// reported are the results that may be published, with what they point to.
// Everything that is made of results is made of these, so that nothing told in
// confidence enters by another door.
type reported struct {
	candidate string
	results   []result.Result
	labels    labels
	// requests are the requests of the plan that a result answers, by its id.
	requests map[string][]r4.Reference
	// ids are those of the results by their source's identifier, for panels.
	ids map[result.Identifier]string
	// discreet are the reports that hold something told in confidence, by their
	// source's identifier: their code may tell of it.
	discreet map[result.Identifier]bool
	// known are the ids of specimens and reports made so far, by what tells them
	// apart.
	known map[[4]string]string
	// previous is what stands, by type and id; remade says that all of it is made
	// again.
	previous previous
	remade   bool
}

// resultShape is written into what is remembered of each resource that is made of
// results. A change of how they are built needs another one: what was remembered
// under the former is made again.
const resultShape = "2"

// kept is what stands already as it would be made. A version of a result never
// changes, so that it is enough to remember which versions something was made of.
func (r reported) kept(typ, id, memo string) (record.Resource, bool) {
	was, ok := r.previous.find(typ, id)
	was.Kept = true
	return was, ok && !r.remade && was.Memo == memo
}

// memo tells what is made of one result apart, with what it points to.
func (r reported) memo(of *result.Result) string {
	text := resultShape + " " + strconv.Itoa(of.Version)
	requests, members := r.requests[of.ID], of.Members
	if len(requests) == 0 && len(members) == 0 {
		return text
	}
	parts := make([]string, 0, len(requests)+len(members))
	for _, request := range requests {
		parts = append(parts, value(request.Reference))
	}
	for _, member := range members {
		parts = append(parts, r.ids[member])
	}
	return text + " " + digestOf(parts...)
}

// memoOf tells what is made of several results apart. What else goes in comes
// first.
func (r reported) memoOf(list []result.Result, more ...string) string {
	parts := append(make([]string, 0, len(more)+2*len(list)), more...)
	for i := range list {
		parts = append(parts, list[i].ID, r.memo(&list[i]))
	}
	return resultShape + " " + digestOf(parts...)
}

func reportedOf(s activities.Snapshot, work *plan, label labels) reported {
	kept := s.Protocol.ConfidentialResults(s.Results)
	// A decision points to what stands with it, which it reads.
	decided := s.State.Decision != nil && s.State.Decision.Seq == s.State.Seq
	r := reported{
		labels: label, candidate: s.Candidate, known: map[[4]string]string{}, results: make([]result.Result, 0, len(s.Results)), requests: work.requestsByResult(),
		previous: work.previous, remade: decided || s.Moved || s.Entry.Kind == "",
	}
	panels := false
	for _, of := range s.Results {
		switch {
		case !kept[of.ID]:
			r.results = append(r.results, of)
			panels = panels || len(of.Members) > 0
		case of.Report != nil:
			if r.discreet == nil {
				r.discreet = map[result.Identifier]bool{}
			}
			r.discreet[of.Report.Identifier] = true
		}
	}
	if panels {
		r.ids = make(map[result.Identifier]string, len(r.results))
		for _, of := range r.results {
			r.ids[of.Identifier] = of.ID
		}
	}
	return r
}

// published is what was reported: Observations, their Specimens and the
// DiagnosticReports that hold them.
func (r reported) published() ([]record.Resource, error) {
	list, err := r.observations()
	if err != nil {
		return nil, err
	}
	specimens, err := r.specimens()
	if err != nil {
		return nil, err
	}
	reports, err := r.reports()
	if err != nil {
		return nil, err
	}
	return slices.Concat(list, specimens, reports), nil
}

// basedOn are the requests that the result answers: those of the plan, and the
// order of whoever asked the laboratory, by its number.
func (r reported) basedOn(of result.Result) []r4.Reference {
	list := r.requests[of.ID]
	if of.Order == "" {
		return list
	}
	return append(slices.Clip(list), orderReference(of.Order))
}

func orderReference(number string) r4.Reference {
	kind := typeServiceRequest
	placer := concept(systemIdentifierType, "PLAC", "Placer Identifier", "")
	return r4.Reference{Type: &kind, Identifier: &r4.Identifier{Type: &placer, Value: &number}}
}

// performers names the laboratory, which has no resource here.
func performers(name string) []r4.Reference {
	if optional(name) == nil {
		return nil
	}
	kind := typeOrganization
	return []r4.Reference{{Type: &kind, Display: &name}}
}

// id is partID, made once for all results that have the thing in common.
func (r reported) id(kind string, parts ...string) string {
	key := [4]string{kind}
	copy(key[1:], parts)
	id, ok := r.known[key]
	if !ok {
		id = partID(r.candidate, kind, parts...)
		r.known[key] = id
	}
	return id
}

// partID makes the id of something that results of the candidate have in common,
// from what tells it apart.
func partID(candidate, kind string, parts ...string) string {
	h := sha256.New()
	for _, part := range parts {
		_, _ = fmt.Fprintf(h, "%d:%s", len(part), part) // a hash takes everything
	}
	return resourceID(candidate, kind+"-"+hex.EncodeToString(h.Sum(nil)[:8]))
}
