// Package intake reads what laboratories send. Today that is a FHIR R4 Bundle
// of Observations for one candidate; what can't be understood is an error that
// names the place, and nothing of the message is stored.
package intake

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/command"
	"candidacy/internal/result"
)

// Message is the content of one bundle.
type Message struct {
	// Subject is the hospital's identifier of the candidate.
	Subject result.Identifier
	Results []command.Result
}

// maxEntries bounds a bundle, as one bundle is one command.
const maxEntries = 500

// Key makes a message its own idempotency key, so that one delivered twice
// counts once. The sender is part of it: two may pass on the same message, and
// neither has used a key of the other.
func Key(sender string, raw []byte) string {
	sum := sha256.Sum256(append([]byte(sender+"\n"), raw...))
	return "message-" + hex.EncodeToString(sum[:])
}

// ReadBundle reads a transaction, batch or collection Bundle whose entries are
// Observations of one subject. It returns a *command.Invalid that lists every
// fault with its path.
func ReadBundle(raw []byte) (Message, error) {
	var m Message
	var faults command.Faults
	var bundle struct {
		ResourceType string `json:"resourceType"`
		Type         string `json:"type"`
		modified
		Entry []struct {
			modified
			Resource json.RawMessage `json:"resource"`
			Request  struct {
				Method string `json:"method"`
			} `json:"request"`
		} `json:"entry"`
	}
	malformed := func(field, problem string, accepted ...string) (Message, error) {
		return Message{}, &command.Invalid{Malformed: true, Faults: []command.Fault{{Field: field, Problem: problem, Accepted: accepted}}}
	}
	if len(raw) > command.MaxBytes {
		return malformed("Bundle", fmt.Sprintf("larger than %d bytes", command.MaxBytes))
	}
	if err := json.Unmarshal(raw, &bundle); err != nil || !utf8.Valid(raw) {
		return malformed("Bundle", "not valid JSON")
	}
	if field, repeated := command.Repeated(raw); repeated {
		return malformed("Bundle."+field, "given twice")
	}
	if bundle.ResourceType != "Bundle" {
		return malformed("resourceType", "not a Bundle", "Bundle")
	}
	switch bundle.Type {
	case "transaction", "batch", "collection", "message":
	default:
		faults.Add("Bundle.type", "not accepted", "transaction", "batch", "collection", "message")
	}
	if bundle.is() {
		faults.Add("Bundle.modifierExtension", unknownMeaning)
	}
	switch n := len(bundle.Entry); {
	case n == 0:
		faults.Add("Bundle.entry", "missing")
	case n > maxEntries:
		faults.Add("Bundle.entry", fmt.Sprintf("more than %d entries", maxEntries))
		return m, faults.Err()
	}
	for i, entry := range bundle.Entry {
		path := fmt.Sprintf("Bundle.entry[%d].resource", i)
		if entry.is() {
			faults.Add(fmt.Sprintf("Bundle.entry[%d].modifierExtension", i), unknownMeaning)
		}
		switch entry.Request.Method {
		case "", "POST", "PUT":
		default:
			// Above all no DELETE, which would be stored as a result.
			faults.Add(fmt.Sprintf("Bundle.entry[%d].request.method", i), "not accepted", "POST", "PUT")
		}
		subject, r, ok := readObservation(&faults, path, entry.Resource)
		if !ok {
			continue
		}
		switch {
		case m.Subject == result.Identifier{}:
			m.Subject = subject
		case subject != m.Subject:
			faults.Add(path+".subject", "another subject than that of the first entry")
		}
		m.Results = append(m.Results, r)
	}
	return m, faults.Err()
}

// shape is what has to be looked at in the raw text: the structs of the FHIR
// library drop what they do not know and read a missing code as the first one.
type shape struct {
	ResourceType string          `json:"resourceType"`
	Status       string          `json:"status"`
	Contained    json.RawMessage `json:"contained"`
	modified
	Component []modified `json:"component"`
}

// modified tells whether what is read has another meaning than it seems.
type modified struct {
	ModifierExtension json.RawMessage `json:"modifierExtension"`
	ImplicitRules     string          `json:"implicitRules"`
}

func (m modified) is() bool { return m.ModifierExtension != nil || m.ImplicitRules != "" }

const unknownMeaning = "the meaning of the resource is modified in a way that is not known here"

func readObservation(f *command.Faults, path string, raw json.RawMessage) (result.Identifier, command.Result, bool) {
	var none result.Identifier
	var s shape
	if len(raw) == 0 || json.Unmarshal(raw, &s) != nil {
		f.Add(path, "not a resource")
		return none, command.Result{}, false
	}
	switch {
	case s.ResourceType != "Observation":
		f.Add(path+".resourceType", "not accepted", "Observation")
		return none, command.Result{}, false
	case s.Contained != nil:
		f.Add(path+".contained", "contained resources are not accepted")
		return none, command.Result{}, false
	case s.is():
		f.Add(path+".modifierExtension", unknownMeaning)
		return none, command.Result{}, false
	case slices.ContainsFunc(s.Component, modified.is):
		i := slices.IndexFunc(s.Component, modified.is)
		f.Add(fmt.Sprintf("%s.component[%d].modifierExtension", path, i), unknownMeaning)
		return none, command.Result{}, false
	case s.Status == "":
		f.Add(path+".status", "missing")
		return none, command.Result{}, false
	}
	o, err := fhir.UnmarshalObservation(unescape(raw))
	if err != nil {
		f.Add(path, "not a valid Observation")
		return none, command.Result{}, false
	}
	subject := readSubject(f, path, o.Subject)
	r := command.Result{Status: result.Status(s.Status), Code: coding(o.Code, command.LOINC)}
	if len(o.Identifier) > 0 {
		r.Identifier = identifier(o.Identifier[0])
	}
	if r.Identifier.System == "" || r.Identifier.Value == "" {
		f.Add(path+".identifier", "the laboratory's own system and value are needed")
	}
	if r.Code.Code == "" {
		f.Add(path+".code", "a coding is needed", "a LOINC code")
	}
	if len(o.Category) > 0 {
		r.Category = coding(o.Category[0], observationCategory).Code
	}
	r.Effective, r.EffectiveEnd = effective(o)
	if r.Effective == "" {
		f.Add(path+".effective", "missing", "effectiveDateTime", "effectivePeriod")
	}
	r.Issued = text(o.Issued)
	if o.Specimen != nil {
		r.Specimen = text(o.Specimen.Display)
		if id := o.Specimen.Identifier; id != nil && text(id.Value) != "" {
			r.Specimen = text(id.Value)
		}
	}
	if o.BodySite != nil {
		r.BodySite = coding(*o.BodySite, snomed).Code
	}
	if o.Method != nil {
		r.Method = text(o.Method.Text)
	}
	readReported(f, path, o, &r)
	readValue(f, path, o, &r)
	return subject, r, true
}

// readReported reads what a laboratory says beside the value.
func readReported(f *command.Faults, path string, o fhir.Observation, r *command.Result) {
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
	for _, order := range o.BasedOn {
		if order.Identifier != nil && r.Order == "" {
			r.Order = text(order.Identifier.Value)
		}
	}
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
func usual(r fhir.ObservationReferenceRange) bool {
	return r.Type == nil || len(r.Type.Coding) == 0 || slices.ContainsFunc(r.Type.Coding, func(c fhir.Coding) bool { return text(c.Code) == "normal" })
}

func readSubject(f *command.Faults, path string, subject *fhir.Reference) result.Identifier {
	if subject == nil || subject.Identifier == nil || text(subject.Identifier.System) == "" || text(subject.Identifier.Value) == "" {
		// A name is never enough to find a person by.
		f.Add(path+".subject.identifier", "the hospital's identifier of the person is needed, with system and value")
		return result.Identifier{}
	}
	return identifier(*subject.Identifier)
}

func readValue(f *command.Faults, path string, o fhir.Observation, r *command.Result) {
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
	if values > 1 {
		f.Add(path+".value", "more than one")
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
	case len(o.Component) > 0:
	case o.DataAbsentReason != nil && !r.Status.Usable():
	default:
		f.Add(path+".value", "missing or of a kind that is not accepted", "valueQuantity", "valueCodeableConcept", "valueString", "valueInteger", "component")
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
			f.Add(at+".value", "missing or of a kind that is not accepted", "valueQuantity", "valueCodeableConcept")
		}
		r.Components = append(r.Components, part)
	}
}

// ucum is the only unit system that rules understand.
const ucum = "http://unitsofmeasure.org"

func quantity(f *command.Faults, path string, q fhir.Quantity) *result.Quantity {
	out := &result.Quantity{Unit: text(q.Code)}
	if q.Value == nil {
		f.Add(path+".value", "missing")
		return nil
	}
	out.Value = *q.Value
	if text(q.System) != ucum || out.Unit == "" {
		f.Add(path+".code", "a UCUM unit is needed, with its system", ucum)
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
func coding(c fhir.CodeableConcept, preferred string) result.Coding {
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

func effective(o fhir.Observation) (start, end string) {
	switch {
	case o.EffectiveDateTime != nil:
		return *o.EffectiveDateTime, ""
	case o.EffectiveInstant != nil:
		return *o.EffectiveInstant, ""
	case o.EffectivePeriod != nil:
		return text(o.EffectivePeriod.Start), text(o.EffectivePeriod.End)
	}
	return "", ""
}

func identifier(i fhir.Identifier) result.Identifier {
	return result.Identifier{System: text(i.System), Value: text(i.Value)}
}

func text(s *string) string {
	if s == nil {
		return ""
	}
	return strings.TrimSpace(*s)
}

// unescape writes a valid JSON text without escapes of comparison signs, which
// the FHIR library refuses in a comparator. Numbers stay as they were written.
func unescape(raw []byte) []byte {
	decoder := json.NewDecoder(bytes.NewReader(raw))
	decoder.UseNumber()
	var value any
	if decoder.Decode(&value) != nil {
		return raw
	}
	var plain bytes.Buffer
	encoder := json.NewEncoder(&plain)
	encoder.SetEscapeHTML(false)
	if encoder.Encode(value) != nil {
		return raw
	}
	return plain.Bytes()
}
