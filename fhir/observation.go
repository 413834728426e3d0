package fhir

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

var observationType = resourceType{
	code: r4.ResourceTypeObservation,
	params: ofPatient("Observation-subject",
		tokenParam("category", "Observation-category", ""),
		tokenParam("code", "clinical-code", ""),
		tokenParam("status", "Observation-status", systemObservationStatus),
		dateParam("date", "clinical-date"),
	),
}

// observationStatuses has an entry for every status, so that an unset one is an
// error and not the first code of the FHIR list.
var observationStatuses = map[result.Status]r4.ObservationStatus{
	result.Registered:     r4.ObservationStatusRegistered,
	result.Preliminary:    r4.ObservationStatusPreliminary,
	result.Final:          r4.ObservationStatusFinal,
	result.Amended:        r4.ObservationStatusAmended,
	result.Corrected:      r4.ObservationStatusCorrected,
	result.Cancelled:      r4.ObservationStatusCancelled,
	result.EnteredInError: r4.ObservationStatusEnteredInError,
	result.Unknown:        r4.ObservationStatusUnknown,
}

var comparators = map[string]r4.QuantityComparator{
	"<":  r4.QuantityComparatorLessThan,
	"<=": r4.QuantityComparatorLessOrEquals,
	">=": r4.QuantityComparatorGreaterOrEquals,
	">":  r4.QuantityComparatorGreaterThan,
}

// observations publishes every result on record, whatever its status, but those
// told in confidence.
func observations(s activities.Snapshot) ([]record.Resource, error) {
	var list []record.Resource
	for _, r := range s.Results {
		if s.Protocol.ConfidentialResult(r.Code, r.Components) {
			continue
		}
		o, err := observation(s.Candidate, r)
		if err != nil {
			return nil, fmt.Errorf("result %s: %w", r.ID, err)
		}
		published, err := publishObservation(o)
		if err != nil {
			return nil, err
		}
		list = append(list, published)
	}
	return list, nil
}

func observation(candidate string, r result.Result) (r4.Observation, error) {
	status, ok := observationStatuses[r.Status]
	if !ok {
		return r4.Observation{}, fmt.Errorf("the status %q is not a FHIR status", r.Status)
	}
	o, err := newObservation(candidate, r.ID, status, resultCode(r.Code))
	if err != nil {
		return o, err
	}
	o.Category = categories(r.Category)
	if r.Identifier.Value != "" {
		o.Identifier = []r4.Identifier{{System: optional(r.Identifier.System), Value: &r.Identifier.Value}}
	}
	if err := setEffective(&o, r.Effective, r.EffectiveEnd); err != nil {
		return o, err
	}
	o.Issued = instantOnly(r.Issued)
	for _, c := range r.Components {
		v, err := observed(c.Value)
		if err != nil {
			return o, fmt.Errorf("component %s: %w", c.Code.Code, err)
		}
		part := r4.ObservationComponent{
			Code: resultCode(c.Code), ValueQuantity: v.quantity, ValueCodeableConcept: v.concept, ValueString: v.text,
		}
		if v.empty() {
			part.DataAbsentReason = absent(status)
		}
		o.Component = append(o.Component, part)
	}
	v, err := observed(r.Value)
	if err != nil {
		return o, err
	}
	o.ValueQuantity, o.ValueCodeableConcept, o.ValueString = v.quantity, v.concept, v.text
	if v.empty() && len(o.Component) == 0 {
		o.DataAbsentReason = absent(status)
	}
	if r.Specimen != "" {
		kind := "Specimen"
		o.Specimen = &r4.Reference{Type: &kind, Identifier: &r4.Identifier{Value: &r.Specimen}, Display: &r.Specimen}
	}
	o.BodySite = bodySite(r.BodySite)
	if method := optional(r.Method); method != nil {
		o.Method = &r4.CodeableConcept{Text: method}
	}
	return o, nil
}

// newObservation starts every Observation of this package: the elements that
// FHIR demands are its arguments.
func newObservation(candidate, id string, status r4.ObservationStatus, code r4.CodeableConcept) (r4.Observation, error) {
	if len(code.Coding) == 0 && code.Text == nil {
		return r4.Observation{}, fmt.Errorf("the observation has no code")
	}
	subject := reference(typePatient, candidate)
	return r4.Observation{Id: &id, Status: status, Code: code, Subject: &subject}, nil
}

func publishObservation(o r4.Observation) (record.Resource, error) {
	var x index
	x.concepts("category", o.Category...)
	x.concepts("code", o.Code)
	x.code("status", systemObservationStatus, o.Status.Code())
	x.period("date", o.EffectivePeriod)
	x.date("date", o.EffectiveDateTime)
	return publish(typeObservation, value(o.Id), "", o, x)
}

func resultCode(c result.Coding) r4.CodeableConcept {
	text := c.Display
	if text == "" {
		text = c.Code
	}
	return concept(observationSystem(c.System, c.Code), c.Code, c.Display, text)
}

// observedValue is a value[x]: at most one of its members is set.
type observedValue struct {
	quantity *r4.Quantity
	concept  *r4.CodeableConcept
	text     *string
}

func (v observedValue) empty() bool { return v.quantity == nil && v.concept == nil && v.text == nil }

func observed(v result.Value) (observedValue, error) {
	switch {
	case v.Quantity != nil:
		q, err := quantity(v.Quantity.Value.String(), v.Quantity.Unit, v.Quantity.Comparator)
		return observedValue{quantity: q}, err
	case v.Coding != nil:
		text := v.Coding.Display
		if text == "" {
			text = v.Coding.Code
		}
		c := concept(v.Coding.System, v.Coding.Code, v.Coding.Display, text)
		if len(c.Coding) == 0 && c.Text == nil {
			return observedValue{}, nil
		}
		return observedValue{concept: &c}, nil
	default:
		return observedValue{text: optional(v.Text)}, nil
	}
}

var decimalShape = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]+)?$`)

// quantity keeps the number's text: 1.10 is not 1.1. An empty number would be
// written as 0, so it is refused.
func quantity(number, unit, comparator string) (*r4.Quantity, error) {
	if !decimalShape.MatchString(number) {
		return nil, fmt.Errorf("the value is not a decimal number")
	}
	n := json.Number(number)
	q := &r4.Quantity{Value: &n}
	if u := optional(unit); u != nil {
		system := systemUCUM
		q.Unit, q.System, q.Code = u, &system, u
	}
	if comparator != "" {
		c, ok := comparators[comparator]
		if !ok {
			return nil, fmt.Errorf("the comparator %q is not a FHIR comparator", comparator)
		}
		q.Comparator = &c
	}
	return q, nil
}

// absent says why there is no value: it may still come, or nobody knows.
func absent(status r4.ObservationStatus) *r4.CodeableConcept {
	code := "unknown"
	if status == r4.ObservationStatusRegistered || status == r4.ObservationStatusPreliminary {
		code = "temp-unknown"
	}
	c := concept(systemDataAbsent, code, "", "")
	return &c
}

// setEffective keeps times as they were received, a date as a date.
func setEffective(o *r4.Observation, from, to string) error {
	for _, text := range []string{from, to} {
		if text == "" {
			continue
		}
		if err := checkDateTime(text); err != nil {
			return fmt.Errorf("effective time: %w", err)
		}
	}
	if to != "" {
		o.EffectivePeriod = &r4.Period{Start: optional(from), End: &to}
	} else {
		o.EffectiveDateTime = optional(from)
	}
	return nil
}

// instantOnly drops what is no instant: `issued` has no place for a bare date.
func instantOnly(text string) *string {
	if len(text) < len("2006-01-02T15:04:05Z") || checkDateTime(text) != nil {
		return nil
	}
	return &text
}

var kidneys = map[string]string{
	"18639004": "18639004", "left kidney": "18639004",
	"9846003": "9846003", "right kidney": "9846003",
}

var kidneyNames = map[string]string{"18639004": "Left kidney", "9846003": "Right kidney"}

func bodySite(site string) *r4.CodeableConcept {
	if optional(site) == nil {
		return nil
	}
	c := concept("", "", "", site)
	if code, ok := kidneys[strings.ToLower(site)]; ok {
		c = concept(systemSNOMED, code, kidneyNames[code], kidneyNames[code])
	}
	return &c
}
