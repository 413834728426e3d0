package fhir

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

var clinicalImpressionType = resourceType{
	code: r4.ResourceTypeClinicalImpression,
	params: ofPatient("ClinicalImpression-subject",
		tokenParam("status", "ClinicalImpression-status", systemEventStatus),
		dateParam("date", "clinical-date"),
		tokenParam("finding-code", "ClinicalImpression-finding-code", ""),
		referenceParam("investigation", "ClinicalImpression-investigation", typeObservation),
		referenceParam("assessor", "ClinicalImpression-assessor", typePractitionerRole),
	),
}

// decisionWords has an entry for each outcome that is published. A decline has
// none: outside it looks like a withdrawal.
var decisionWords = map[journey.Outcome]struct{ display, summary string }{
	journey.Approve: {"Approved", "The selection committee approved the candidate for living kidney donation."},
	journey.Defer:   {"Deferred", "The selection committee deferred its decision."},
}

// endedSummary stands in every impression of a journey that ended early,
// whoever ended it and whatever the committee had said before.
const endedSummary = "The evaluation has ended; not proceeding."

// assessorName says who judged without naming anyone.
const assessorName = "Selection committee"

// clinicalImpressions publishes the decision that the command made, with what it
// stood on. Later commands leave it as it is, whatever becomes of the results,
// the flags or the protocol, unless the protocol says since that some of it was told
// in confidence, and until the journey ends early: then the outcome is
// taken out, since an approval would tell that the candidate withdrew and a
// deferral that they were declined. Standing is what else is published with the
// command.
func clinicalImpressions(s activities.Snapshot, standing []record.Resource) ([]record.Resource, error) {
	if s.State.Stage == journey.Declined || s.State.Stage == journey.Withdrawn || s.State.Stage == journey.Deceased {
		return endedImpressions(s)
	}
	earlier, err := discreetImpressions(s)
	if err != nil {
		return nil, err
	}
	d := s.State.Decision
	if d == nil || d.Seq != s.State.Seq || s.Entry.Kind == "" {
		return earlier, nil
	}
	words, ok := decisionWords[d.Outcome]
	if !ok {
		return nil, fmt.Errorf("the outcome %q has no impression", d.Outcome)
	}
	id := resourceID(s.Candidate, "decision-"+strconv.FormatInt(d.Seq, 10))
	code := concept("", "", "", "Review by the selection committee")
	description := "Decision of the selection committee on a living kidney donor candidate"
	assessor, committee := staffRole(journey.CommitteeRole), assessorName
	assessor.Display = &committee
	on := string(d.On)
	impression := r4.ClinicalImpression{
		Id:                &id,
		Status:            r4.ClinicalImpressionStatusCompleted,
		Code:              &code,
		Description:       &description,
		Subject:           reference(typePatient, s.Candidate),
		EffectiveDateTime: optional(on),
		Date:              optional(on),
		Assessor:          &assessor,
		Summary:           &words.summary,
		Note:              protocolNote(s.Protocol),
	}
	if p := s.Protocol; p.Canonical != "" {
		impression.Protocol = []string{p.Canonical + "|" + p.Version}
	}
	if impression.Investigation, err = investigations(s, standing); err != nil {
		return nil, err
	}
	decided := concept(systemDecision, string(d.Outcome), words.display, words.display)
	impression.Finding = []r4.ClinicalImpressionFinding{{ItemCodeableConcept: &decided}}
	for _, flag := range s.Report.Flags {
		if s.Protocol.ConfidentialFlag(flag.ID) {
			continue
		}
		finding, err := flagFinding(flag)
		if err != nil {
			return nil, fmt.Errorf("flag %s: %w", flag.ID, err)
		}
		impression.Finding = append(impression.Finding, finding)
	}
	r, err := publishImpression(impression)
	if err != nil {
		return nil, err
	}
	// A command that is given again finds its own impression published.
	earlier = slices.DeleteFunc(earlier, func(e record.Resource) bool { return e.ID == r.ID })
	return append(earlier, r), nil
}

// discreetImpressions republishes the impressions of earlier decisions that name
// something told in confidence, without it. All others stay as they are.
func discreetImpressions(s activities.Snapshot) ([]record.Resource, error) {
	if !s.Protocol.Confidential() {
		return nil, nil
	}
	var list []record.Resource
	for _, p := range s.Previous {
		if p.Type != typeClinicalImpression {
			continue
		}
		impression, err := asPublished(s, p, r4.UnmarshalClinicalImpression)
		if err != nil {
			return nil, err
		}
		if !discreet(s, &impression) {
			continue
		}
		impression.Meta = nil
		r, err := sealed(publishImpression(impression))
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
}

// discreet takes out of an impression what was told in confidence, and reports
// whether there was any.
func discreet(s activities.Snapshot, i *r4.ClinicalImpression) bool {
	if !s.Protocol.Confidential() {
		return false
	}
	before := len(i.Finding)
	i.Finding = slices.DeleteFunc(i.Finding, func(f r4.ClinicalImpressionFinding) bool {
		return f.ItemCodeableConcept != nil && slices.ContainsFunc(f.ItemCodeableConcept.Coding, func(c r4.Coding) bool {
			return value(c.System) == systemFlag && s.Protocol.ConfidentialFlag(value(c.Code))
		})
	})
	found := len(i.Finding) < before
	kept := confidentialResources(s)
	for n := range i.Investigation {
		items := len(i.Investigation[n].Item)
		i.Investigation[n].Item = slices.DeleteFunc(i.Investigation[n].Item, func(r r4.Reference) bool {
			name, _, _ := strings.Cut(value(r.Reference), "/_history/")
			return kept[name]
		})
		found = found || len(i.Investigation[n].Item) < items
	}
	i.Investigation = slices.DeleteFunc(i.Investigation, func(v r4.ClinicalImpressionInvestigation) bool { return len(v.Item) == 0 })
	return found
}

func publishImpression(i r4.ClinicalImpression) (record.Resource, error) {
	var x index
	x.code("status", systemEventStatus, i.Status.Code())
	x.date("date", i.Date)
	for _, f := range i.Finding {
		if f.ItemCodeableConcept != nil {
			x.concepts("finding-code", *f.ItemCodeableConcept)
		}
	}
	for _, v := range i.Investigation {
		x.reference("investigation", v.Item...)
	}
	x.optionalReference("assessor", i.Assessor)
	return publish(typeClinicalImpression, value(i.Id), "", i, x)
}

// endedImpressions republishes every impression without its outcome. A second
// time changes nothing.
func endedImpressions(s activities.Snapshot) ([]record.Resource, error) {
	var list []record.Resource
	for _, p := range s.Previous {
		if p.Type != typeClinicalImpression {
			continue
		}
		impression, err := asPublished(s, p, r4.UnmarshalClinicalImpression)
		if err != nil {
			return nil, err
		}
		discreet(s, &impression)
		summary := endedSummary
		impression.Meta, impression.Summary = nil, &summary
		impression.Finding = slices.DeleteFunc(impression.Finding, func(f r4.ClinicalImpressionFinding) bool {
			return f.ItemCodeableConcept != nil && slices.ContainsFunc(f.ItemCodeableConcept.Coding, func(c r4.Coding) bool {
				return value(c.System) == systemDecision
			})
		})
		r, err := sealed(publishImpression(impression))
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
}

// investigations point to the versions of the Observations that stand with this
// command, reported and computed: a correction makes another version.
func investigations(s activities.Snapshot, standing []record.Resource) ([]r4.ClinicalImpressionInvestigation, error) {
	before := map[string]record.Resource{}
	for _, p := range s.Previous {
		if p.Type == typeObservation {
			before[p.ID] = p
		}
	}
	var reported, computed []r4.Reference
	for _, r := range standing {
		if r.Type != typeObservation {
			continue
		}
		o, err := asPublished(s, r, func(raw []byte) (o struct{ Status string }, err error) {
			err = json.Unmarshal(raw, &o)
			return o, err
		})
		if err != nil {
			return nil, err
		}
		if o.Status == "entered-in-error" || o.Status == "cancelled" {
			continue
		}
		version := reference(typeObservation, r.ID+"/_history/"+strconv.FormatInt(r.VersionAfter(before[r.ID]), 10))
		if strings.HasPrefix(r.ID, s.Candidate+"-") {
			computed = append(computed, version)
		} else {
			reported = append(reported, version)
		}
	}
	var list []r4.ClinicalImpressionInvestigation
	for _, group := range []struct {
		name  string
		items []r4.Reference
	}{{"Results on record", reported}, {"Values computed from them", computed}} {
		if len(group.items) > 0 {
			list = append(list, r4.ClinicalImpressionInvestigation{Code: concept("", "", "", group.name), Item: group.items})
		}
	}
	return list, nil
}

var bandNames = map[journey.Band]string{
	journey.Meets:        "meets",
	journey.Discussion:   "needs discussion",
	journey.Excludes:     "excludes",
	journey.CannotDecide: "cannot decide",
}

// flagFinding is a flag as it was, those that meet their threshold included.
func flagFinding(flag protocol.Flag) (r4.ClinicalImpressionFinding, error) {
	band, ok := bandNames[flag.Band]
	if !ok {
		return r4.ClinicalImpressionFinding{}, fmt.Errorf("the band %q has no name", flag.Band)
	}
	if flag.Absolute && flag.Band == journey.Excludes {
		band += " absolutely"
	}
	text := issueText(flag)
	if flag.Band == journey.Meets {
		text = "within programme threshold: " + flag.ID
	}
	item := concept(systemFlag, flag.ID, flag.Title, text)
	var parts []string
	for _, part := range []struct{ label, text string }{
		{"value: ", flagValue(flag)}, {"threshold: ", flag.Threshold}, {"band: ", band},
		{"because: ", flag.Reason}, {"of: ", string(flag.Date)}, {"source: ", flag.Source},
	} {
		if strings.TrimSpace(part.text) != "" {
			parts = append(parts, part.label+part.text)
		}
	}
	basis := strings.Join(parts, "; ")
	return r4.ClinicalImpressionFinding{ItemCodeableConcept: &item, Basis: &basis}, nil
}

// protocolNote names the text of the protocol that the flags came from.
func protocolNote(p *protocol.Protocol) []r4.Annotation {
	text := "Judged by: " + strings.TrimPrefix(p.Title+", version "+p.Version, ", ")
	if p.Digest() != "" {
		text += "; SHA-256 of its text: " + p.Digest()
	}
	return []r4.Annotation{{Text: text}}
}
