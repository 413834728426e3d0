package intake

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/command"
	"candidacy/internal/reading"
	"candidacy/internal/result"
)

// faults collects what is wrong with one resource.
type faults struct{ issues []reading.Issue }

func (f *faults) add(place, code, problem string, accepted ...string) {
	f.issues = append(f.issues, issueOf(place, code, problem, accepted...))
}

// observation reads one Observation whose form has been checked. About is whom it
// is about when it doesn't say so itself, as where a report contains it.
func (x *reader) observation(from source, place string, raw json.RawMessage, about person) (draft, []reading.Issue) {
	d := draft{entry: from.entry, place: place}
	var f faults
	o, err := r4.UnmarshalObservation(unescape(raw))
	if err != nil {
		f.add(place, "structure", "not a valid Observation")
		return d, f.issues
	}
	if len(o.Focus) > 0 {
		f.add(place+".focus", "business-rule", "a result about something else than its subject is not accepted")
	}
	if o.Subject == nil && len(about.identifiers) > 0 {
		d.person = about
	} else {
		d.person = x.subject(from, place, o.Subject, &f.issues)
	}
	r := &d.result
	r.Confidentiality = labelOf(o.Meta)
	r.Status, r.Code = result.Status(o.Status.Code()), coding(o.Code, command.LOINC)
	if len(o.Identifier) > 0 {
		r.Identifier = identifier(o.Identifier[0])
	}
	if r.Identifier.System == "" || r.Identifier.Value == "" {
		f.add(place+".identifier", "required", "the laboratory's own system and value are needed")
	}
	if r.Code.Code == "" {
		f.add(place+".code", "required", "a coding is needed", "a LOINC code")
	}
	if len(o.Category) > 0 {
		r.Category = coding(o.Category[0], observationCategory).Code
	}
	r.Effective, r.EffectiveEnd = effective(&f, place, o)
	r.Issued = text(o.Issued)
	if r.Issued != "" && !isInstant(r.Issued) {
		f.add(place+".issued", "value", "not an instant", "RFC 3339 with a zone")
	}
	x.specimen(from, o.Specimen, r)
	if o.BodySite != nil {
		r.BodySite = coding(*o.BodySite, snomed).Code
	}
	if o.Method != nil {
		r.Method = text(o.Method.Text)
	}
	d.orders, r.Order = x.orders(from, o.BasedOn)
	x.members(&f, from, place, o.HasMember, r)
	readReported(&f, place, o, r)
	readValue(&f, place, o, r)
	return d, f.issues
}

// specimen reads the accession and the kind of the specimen, from the reference
// or from a Specimen of the message.
func (x *reader) specimen(from source, ref *r4.Reference, r *command.Result) {
	if ref == nil {
		return
	}
	r.Specimen = text(ref.Display)
	if id := ref.Identifier; id != nil && text(id.Value) != "" {
		r.Specimen = text(id.Value)
	}
	t := x.resolve(from, text(ref.Reference))
	var s r4.Specimen
	if !t.found || t.typ(x) != "Specimen" || json.Unmarshal(unescape(t.raw(x)), &s) != nil {
		return
	}
	switch {
	case s.AccessionIdentifier != nil && text(s.AccessionIdentifier.Value) != "":
		r.Specimen = text(s.AccessionIdentifier.Value)
	case len(s.Identifier) > 0 && text(s.Identifier[0].Value) != "":
		r.Specimen = text(s.Identifier[0].Value)
	}
	if s.Type != nil {
		if kind := coding(*s.Type, snomed); kind.Code != "" {
			r.SpecimenType = &kind
		}
	}
}

// members reads what a panel consists of, by the identifiers of its results.
func (x *reader) members(f *faults, from source, place string, list []r4.Reference, r *command.Result) {
	for i, ref := range list {
		at := fmt.Sprintf("%s.hasMember[%d]", place, i)
		id, ok := x.identifierOf(from, ref)
		if !ok {
			f.add(at, "not-found", "not a result of the message, and no identifier", "a reference to an Observation of the message", "an identifier with system and value")
			continue
		}
		r.Members = append(r.Members, id)
	}
}

// identifierOf is the identifier of a result that a reference leads to.
func (x *reader) identifierOf(from source, ref r4.Reference) (result.Identifier, bool) {
	if ref.Identifier != nil {
		if id := identifier(*ref.Identifier); id.System != "" && id.Value != "" {
			return id, true
		}
	}
	t := x.resolve(from, text(ref.Reference))
	if !t.found || t.typ(x) != "Observation" {
		return result.Identifier{}, false
	}
	var o struct {
		Identifier []r4.Identifier `json:"identifier"`
	}
	if json.Unmarshal(t.raw(x), &o) != nil || len(o.Identifier) == 0 {
		return result.Identifier{}, false
	}
	return identifier(o.Identifier[0]), true
}

// readReported reads what a laboratory says beside the value.
func readReported(f *faults, path string, o r4.Observation, r *command.Result) {
	if i := slices.IndexFunc(o.ReferenceRange, usual); i >= 0 {
		given, at := o.ReferenceRange[i], fmt.Sprintf("%s.referenceRange[%d]", path, i)
		limits := result.ReferenceRange{Text: text(given.Text)}
		if given.Low != nil {
			limits.Low = quantity(f, at+".low", *given.Low)
		}
		if given.High != nil {
			limits.High = quantity(f, at+".high", *given.High)
		}
		r.ReferenceRange = &limits
	}
	for _, c := range o.Interpretation {
		if code := coding(c, observationInterpretation); code.System == observationInterpretation {
			r.Interpretation = append(r.Interpretation, code.Code)
		}
	}
	var names []string
	for _, p := range o.Performer {
		if name := text(p.Display); name != "" {
			names = append(names, name)
		}
	}
	r.Performer = strings.Join(names, ", ")
	var notes []string
	for _, n := range o.Note {
		if t := strings.TrimSpace(n.Text); t != "" {
			notes = append(notes, t)
		}
	}
	r.Note = strings.Join(notes, "\n")
}

// usual reports whether a reference range is that of healthy people, and not the
// one of a treatment or a hormonal phase.
func usual(r r4.ObservationReferenceRange) bool {
	return r.Type == nil || len(r.Type.Coding) == 0 || slices.ContainsFunc(r.Type.Coding, func(c r4.Coding) bool { return text(c.Code) == "normal" })
}

func readValue(f *faults, path string, o r4.Observation, r *command.Result) {
	values := 0
	for _, given := range []bool{
		o.ValueQuantity != nil, o.ValueCodeableConcept != nil, o.ValueString != nil, o.ValueBoolean != nil,
		o.ValueInteger != nil, o.ValueRange != nil, o.ValueRatio != nil, o.ValueSampledData != nil,
		o.ValueTime != nil, o.ValueDateTime != nil, o.ValuePeriod != nil,
	} {
		if given {
			values++
		}
	}
	switch {
	case values > 1:
		f.add(path+".value", "structure", "more than one")
		return
	case values > 0 && o.DataAbsentReason != nil:
		f.add(path+".dataAbsentReason", "invariant", "beside a value (obs-6)")
		return
	}
	switch {
	case o.ValueQuantity != nil:
		r.Quantity = quantity(f, path+".valueQuantity", *o.ValueQuantity)
	case o.ValueCodeableConcept != nil:
		c := coding(*o.ValueCodeableConcept, snomed)
		// The laboratory's own words say what it meant by the code.
		if t := text(o.ValueCodeableConcept.Text); t != "" {
			c.Display = t
		}
		r.Coded = &c
	case o.ValueString != nil:
		r.Text = *o.ValueString
	case o.ValueInteger != nil:
		r.Quantity = &result.Quantity{Value: json.Number(fmt.Sprint(*o.ValueInteger)), Unit: "1"}
	case len(o.Component) > 0 && values == 0, len(r.Members) > 0 && values == 0:
	case values == 0 && !r.Status.Usable():
	case values == 0:
		f.add(path+".value", "required", "missing", "valueQuantity", "valueCodeableConcept", "valueString", "valueInteger", "component", "hasMember")
	default:
		f.add(path+".value", "not-supported", "of a kind that is not accepted", "valueQuantity", "valueCodeableConcept", "valueString", "valueInteger", "component")
	}
	for i, c := range o.Component {
		at := fmt.Sprintf("%s.component[%d]", path, i)
		part := result.Component{Code: coding(c.Code, command.LOINC)}
		switch {
		case c.ValueQuantity != nil:
			part.Value.Quantity = quantity(f, at+".valueQuantity", *c.ValueQuantity)
		case c.ValueCodeableConcept != nil:
			coded := coding(*c.ValueCodeableConcept, snomed)
			part.Value.Coding = &coded
		default:
			f.add(at+".value", "required", "missing or of a kind that is not accepted", "valueQuantity", "valueCodeableConcept")
		}
		r.Components = append(r.Components, part)
	}
}

// ucum is the only unit system that rules understand.
const ucum = "http://unitsofmeasure.org"

func quantity(f *faults, path string, q r4.Quantity) *result.Quantity {
	out := &result.Quantity{Unit: text(q.Code)}
	if q.Value == nil {
		f.add(path+".value", "required", "missing")
		return nil
	}
	out.Value = *q.Value
	if text(q.System) != ucum || out.Unit == "" {
		f.add(path+".code", "code-invalid", "a UCUM unit is needed, with its system", ucum)
	}
	if q.Comparator != nil {
		out.Comparator = q.Comparator.Code()
	}
	return out
}

// The code systems that rules understand, beside LOINC.
const (
	snomed              = "http://snomed.info/sct"
	observationCategory = "http://terminology.hl7.org/CodeSystem/observation-category"

	observationInterpretation = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
)

// coding takes the coding of the preferred system among several of one concept,
// or else the first.
func coding(c r4.CodeableConcept, preferred string) result.Coding {
	var out result.Coding
	for _, each := range c.Coding {
		if text(each.Code) == "" {
			continue
		}
		if out.Code == "" || text(each.System) == preferred {
			out = result.Coding{System: text(each.System), Code: text(each.Code), Display: text(each.Display)}
		}
		if out.System == preferred {
			break
		}
	}
	if out.Display == "" {
		out.Display = text(c.Text)
	}
	return out
}

func effective(f *faults, place string, o r4.Observation) (start, end string) {
	given := 0
	for _, each := range []bool{o.EffectiveDateTime != nil, o.EffectiveInstant != nil, o.EffectivePeriod != nil, o.EffectiveTiming != nil} {
		if each {
			given++
		}
	}
	switch {
	case given > 1:
		f.add(place+".effective", "structure", "more than one")
	case o.EffectiveDateTime != nil:
		return text(o.EffectiveDateTime), ""
	case o.EffectiveInstant != nil:
		return text(o.EffectiveInstant), ""
	case o.EffectivePeriod != nil && text(o.EffectivePeriod.Start) != "":
		return text(o.EffectivePeriod.Start), text(o.EffectivePeriod.End)
	default:
		f.add(place+".effective", "required", "missing", "effectiveDateTime", "effectivePeriod")
	}
	return "", ""
}
