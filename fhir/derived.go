package fhir

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// computedBy names what computed a value, so that it is never taken for one
// that a laboratory reported.
const computedBy = "Candidacy"

// derivedObservations publishes the values that the product computed.
func derivedObservations(s activities.Snapshot, of reported) ([]record.Resource, error) {
	var list []record.Resource
	for _, d := range s.Report.Derived {
		if s.Protocol.ConfidentialCode(d.Key) {
			continue
		}
		content, err := json.Marshal(d)
		if err != nil {
			return nil, fmt.Errorf("derived value %s: %w", d.Key, err)
		}
		memo := resultShape + " " + digestOf(string(content))
		if was, ok := of.kept(typeObservation, resourceID(s.Candidate, d.Key), memo); ok {
			list = append(list, was)
			continue
		}
		o, err := derivedObservation(s.Candidate, d)
		if err != nil {
			return nil, fmt.Errorf("derived value %s: %w", d.Key, err)
		}
		published, err := publishObservation(o)
		if err != nil {
			return nil, err
		}
		published.Memo = memo
		list = append(list, published)
	}
	return list, nil
}

func derivedObservation(candidate string, d protocol.Derived) (r4.Observation, error) {
	code := concept("", "", "", d.Title)
	switch {
	case d.LOINC != "":
		code = concept(systemLOINC, d.LOINC, "", d.Title)
	case d.Local != "":
		code = concept(systemObservation, d.Local, d.Title, d.Title)
	}
	o, err := newObservation(candidate, resourceID(candidate, d.Key), r4.ObservationStatusFinal, code)
	if err != nil {
		return o, err
	}
	o.Category = categories(d.Category)
	if err := setEffective(&o, d.Effective, d.EffectiveEnd); err != nil {
		return o, err
	}
	for _, c := range d.Components {
		q, err := quantity(c.Value, c.Unit, "")
		if err != nil {
			return o, fmt.Errorf("component %s: %w", c.LOINC, err)
		}
		o.Component = append(o.Component, r4.ObservationComponent{
			Code: concept(systemLOINC, c.LOINC, "", c.Title), ValueQuantity: q,
		})
	}
	used, err := inputsUsed(d.Inputs)
	if err != nil {
		return o, err
	}
	o.Component = append(o.Component, used...)
	switch {
	case decimalShape.MatchString(d.Value):
		if o.ValueQuantity, err = quantity(d.Value, d.Unit, ""); err != nil {
			return o, err
		}
	case d.Value != "":
		o.ValueString = &d.Value
	case len(d.Components) == 0:
		o.DataAbsentReason = absent(o.Status)
	}
	if method := optional(d.Equation); method != nil {
		o.Method = &r4.CodeableConcept{Text: method}
	}
	device := computer()
	o.Device, o.Performer = &device, []r4.Reference{theProgramme()}
	o.DerivedFrom = inputReferences(d.Inputs)
	for i, in := range distinctResults(d.Inputs) {
		// A pressure goes in as a whole, whichever part of it was listed first.
		o.DerivedFrom[i].Display = optional(strings.TrimSuffix(in.Name, " systolic"))
	}
	o.Note = derivedNotes(d)
	return o, nil
}

// distinctResults are the results among the inputs, each once.
func distinctResults(inputs []protocol.Input) []protocol.Input {
	var list []protocol.Input
	seen := make(map[string]bool, len(inputs))
	for _, in := range inputs {
		if in.Result != "" && !seen[in.Result] {
			seen[in.Result] = true
			list = append(list, in)
		}
	}
	return list
}

// inputReferences points to the results among the inputs, each once.
func inputReferences(inputs []protocol.Input) []r4.Reference {
	var list []r4.Reference
	for _, in := range distinctResults(inputs) {
		list = append(list, reference(typeObservation, in.Result))
	}
	return list
}

// inputsUsed are the inputs that are no results, such as the age on the day of
// the sample and the sex of the equation, as components: without them nobody can
// compute the value again.
func inputsUsed(inputs []protocol.Input) ([]r4.ObservationComponent, error) {
	var list []r4.ObservationComponent
	var seen []string
	for _, in := range inputs {
		if in.Result != "" || slices.Contains(seen, in.Name) {
			continue
		}
		seen = append(seen, in.Name)
		part := r4.ObservationComponent{Code: concept(systemInput, strings.ReplaceAll(in.Name, " ", "-"), in.Name, in.Name)}
		if decimalShape.MatchString(in.Value) {
			var err error
			if part.ValueQuantity, err = quantity(in.Value, in.Unit, ""); err != nil {
				return nil, fmt.Errorf("input %s: %w", in.Name, err)
			}
		} else {
			word := concept("", "", "", in.Value)
			part.ValueCodeableConcept = &word
		}
		list = append(list, part)
	}
	return list, nil
}

// derivedNotes say where the equation comes from and what went into it, age and
// sex included: those are no Observations to point to.
func derivedNotes(d protocol.Derived) []r4.Annotation {
	var notes []r4.Annotation
	add := func(text string) {
		if strings.TrimSpace(text) != "" {
			notes = append(notes, r4.Annotation{Text: text})
		}
	}
	if d.Source != "" {
		add("Source: " + d.Source)
	}
	var used []string
	for _, in := range d.Inputs {
		text := in.Name + " " + in.Value
		if in.Unit != "" {
			text += " " + in.Unit
		}
		if in.Date != "" {
			text += " (" + in.Date + ")"
		}
		used = append(used, text)
	}
	if len(used) > 0 {
		add("Computed from: " + strings.Join(used, "; "))
	}
	if d.Interval != nil {
		add(d.Interval.Text(1) + " " + d.Unit + ": " + d.Interval.Method)
	}
	for _, warning := range d.Warnings {
		add(warning)
	}
	return notes
}
