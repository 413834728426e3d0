package fhir

import (
	"cmp"
	"encoding/json"
	"fmt"
	"regexp"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/record"
	"candidacy/internal/result"
)

var observationType = resourceType{
	code: r4.ResourceTypeObservation,
	params: ofPatient("Observation-subject",
		tokenParam("identifier", "clinical-identifier", ""),
		tokenParam("category", "Observation-category", ""),
		tokenParam("code", "clinical-code", ""),
		tokenParam("combo-code", "Observation-combo-code", ""),
		tokenParam("status", "Observation-status", systemObservationStatus),
		dateParam("date", "clinical-date"),
		quantityParam("value-quantity", "Observation-value-quantity"),
		tokenParam("value-concept", "Observation-value-concept", ""),
		tokenParam("data-absent-reason", "Observation-data-absent-reason", ""),
		tokenParam("component-code", "Observation-component-code", ""),
		quantityParam("component-value-quantity", "Observation-component-value-quantity"),
		tokenParam("component-value-concept", "Observation-component-value-concept", ""),
		tokenParam("component-data-absent-reason", "Observation-component-data-absent-reason", ""),
		eitherParam(r4.SearchParamTypeQuantity, "combo-value-quantity", "value-quantity", "component-value-quantity"),
		eitherParam(r4.SearchParamTypeToken, "combo-value-concept", "value-concept", "component-value-concept"),
		eitherParam(r4.SearchParamTypeToken, "combo-data-absent-reason", "data-absent-reason", "component-data-absent-reason"),
		compositeParam("code-value-quantity", "Observation-code-value-quantity", "code", "value-quantity"),
		referenceParam("derived-from", "Observation-derived-from", typeObservation),
		referenceParam("has-member", "Observation-has-member", typeObservation),
		referenceParam("based-on", "Observation-based-on", typeServiceRequest),
		referenceParam("specimen", "Observation-specimen", typeSpecimen),
		referenceParam("performer", "Observation-performer", typeOrganization, typePatient),
		referenceParam("device", "Observation-device", typeDevice),
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
func (r reported) observations() ([]record.Resource, error) {
	list := make([]record.Resource, 0, len(r.results))
	for _, of := range r.results {
		memo := r.memo(&of)
		if was, ok := r.kept(typeObservation, of.ID, memo); ok {
			list = append(list, was)
			continue
		}
		o, err := r.observation(of)
		if err != nil {
			return nil, fmt.Errorf("result %s: %w", of.ID, err)
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

// observation is a result as it was reported. What the laboratory wrote beside it
// in free words is not published: it may name people.
func (r reported) observation(of result.Result) (r4.Observation, error) {
	status, ok := observationStatuses[of.Status]
	if !ok {
		return r4.Observation{}, fmt.Errorf("the status %q is not a FHIR status", of.Status)
	}
	o, err := newObservation(r.candidate, of.ID, status, resultCode(of.Code))
	if err != nil {
		return o, err
	}
	o.Category = categories(of.Category)
	if of.Identifier.Value != "" {
		o.Identifier = []r4.Identifier{{System: optional(of.Identifier.System), Value: &of.Identifier.Value}}
	}
	o.BasedOn = r.basedOn(of)
	if err := setEffective(&o, of.Effective, of.EffectiveEnd); err != nil {
		return o, err
	}
	o.Issued = instantOnly(of.Issued)
	o.Performer = performers(of.Performer)
	if of.BySelf() {
		o.Performer = []r4.Reference{reference(typePatient, r.candidate)}
	}
	for _, c := range of.Components {
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
	for _, member := range of.Members {
		if id, ok := r.ids[member]; ok {
			o.HasMember = append(o.HasMember, reference(typeObservation, id))
		}
	}
	v, err := observed(of.Value)
	if err != nil {
		return o, err
	}
	o.ValueQuantity, o.ValueCodeableConcept, o.ValueString = v.quantity, v.concept, v.text
	if v.empty() && len(o.Component) == 0 && len(o.HasMember) == 0 {
		o.DataAbsentReason = absent(status)
	}
	for _, code := range of.Interpretation {
		o.Interpretation = append(o.Interpretation, concept(systemInterpretation, code, "", ""))
	}
	if o.ReferenceRange, err = referenceRange(of.ReferenceRange); err != nil {
		return o, fmt.Errorf("reference range: %w", err)
	}
	if of.Specimen != "" {
		specimen := reference(typeSpecimen, r.specimenOf(&of))
		specimen.Display = &of.Specimen
		o.Specimen = &specimen
	}
	o.BodySite = bodySite(cmp.Or(of.BodySite, imagedSide(of)))
	if method := optional(of.Method); method != nil {
		o.Method = &r4.CodeableConcept{Text: method}
	}
	return o, nil
}

func referenceRange(of *result.ReferenceRange) ([]r4.ObservationReferenceRange, error) {
	if of == nil {
		return nil, nil
	}
	limits := r4.ObservationReferenceRange{Text: optional(of.Text)}
	var err error
	for _, limit := range []struct {
		from *result.Quantity
		to   **r4.Quantity
	}{{of.Low, &limits.Low}, {of.High, &limits.High}} {
		if limit.from == nil {
			continue
		}
		if *limit.to, err = quantity(limit.from.Value.String(), limit.from.Unit, ""); err != nil {
			return nil, err
		}
	}
	if limits.Low == nil && limits.High == nil && limits.Text == nil {
		return nil, nil
	}
	return []r4.ObservationReferenceRange{limits}, nil
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
	x.identifiers("identifier", o.Identifier...)
	x.concepts("category", o.Category...)
	x.concepts("code", o.Code)
	x.concepts("combo-code", o.Code)
	for i := range o.Component {
		c := &o.Component[i]
		x.concepts("combo-code", c.Code)
		x.concepts("component-code", c.Code)
		x.quantity("component-value-quantity", c.ValueQuantity)
		x.optionalConcept("component-value-concept", c.ValueCodeableConcept)
		x.optionalConcept("component-data-absent-reason", c.DataAbsentReason)
	}
	x.code("status", systemObservationStatus, o.Status.Code())
	x.period("date", o.EffectivePeriod)
	x.date("date", o.EffectiveDateTime)
	x.datedCode("code", "date")
	x.quantity("value-quantity", o.ValueQuantity)
	x.optionalConcept("value-concept", o.ValueCodeableConcept)
	x.optionalConcept("data-absent-reason", o.DataAbsentReason)
	x.reference("derived-from", o.DerivedFrom...)
	x.reference("has-member", o.HasMember...)
	x.reference("based-on", o.BasedOn...)
	x.optionalReference("specimen", o.Specimen)
	x.reference("performer", o.Performer...)
	x.optionalReference("device", o.Device)
	return publish(typeObservation, value(o.Id), observationMeta(o), o, x)
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

// absent says why there is no value: it may still come, was never made, or nobody
// knows.
func absent(status r4.ObservationStatus) *r4.CodeableConcept {
	code := "unknown"
	switch status {
	case r4.ObservationStatusRegistered, r4.ObservationStatusPreliminary:
		code = "temp-unknown"
	case r4.ObservationStatusCancelled:
		code = "not-performed"
	}
	c := concept(systemDataAbsent, code, "", "")
	return &c
}

// effective is a moment or a period, as FHIR writes it.
type effective struct {
	at     *string
	period *r4.Period
}

// effectiveOf keeps times as they were received, a date as a date.
func effectiveOf(from, to string) (effective, error) {
	for _, text := range []string{from, to} {
		if text == "" {
			continue
		}
		if err := checkDateTime(text); err != nil {
			return effective{}, fmt.Errorf("effective time: %w", err)
		}
	}
	if to != "" {
		return effective{period: &r4.Period{Start: optional(from), End: &to}}, nil
	}
	return effective{at: optional(from)}, nil
}

func setEffective(o *r4.Observation, from, to string) error {
	e, err := effectiveOf(from, to)
	o.EffectiveDateTime, o.EffectivePeriod = e.at, e.period
	return err
}

// instantOnly drops what is no instant: `issued` has no place for a bare date.
func instantOnly(text string) *string {
	if len(text) < len("2006-01-02T15:04:05Z") || checkDateTime(text) != nil {
		return nil
	}
	return &text
}

// imagedSide is the kidney that a finding of imaging is about, by the end of its
// local code: kidney-length-left. Where the report names a site, that stands.
func imagedSide(of result.Result) string {
	if of.Category != "imaging" || observationSystem(of.Code.System, of.Code.Code) != systemObservation {
		return ""
	}
	for _, side := range []string{"left", "right"} {
		if strings.HasSuffix(of.Code.Code, "-"+side) {
			return side + " kidney"
		}
	}
	return ""
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
