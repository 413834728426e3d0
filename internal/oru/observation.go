package oru

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"candidacy/internal/command"
	"candidacy/internal/hl7"
	"candidacy/internal/protocol"
	"candidacy/internal/reading"
	"candidacy/internal/result"
)

// statuses of an observation, HL7 table 0085. B and V are in the table, and a
// person has to say what becomes of them.
var statuses = map[string]result.Status{
	"F": result.Final, "C": result.Corrected, "A": result.Amended, "P": result.Preliminary, "X": result.Cancelled,
	"D": result.EnteredInError, "W": result.EnteredInError, "I": result.Registered, "O": result.Registered, "N": result.Registered,
	"R": result.Preliminary, "S": result.Preliminary, "U": result.Final, "B": "", "V": "",
}

// statusCodes lists the codes of HL7 table 0085.
var statusCodes = []string{"A", "B", "C", "D", "F", "I", "N", "O", "P", "R", "S", "U", "V", "W", "X"}

// wrongPatient is the status of a result that was reported of somebody else.
const wrongPatient = "W"

// reported is one result of an order on its way to the group.
type reported struct {
	result command.Result
	kind   kind
	place  string
	// unclear says that a person has to decide on it, or on a part of it.
	unclear bool
	wrong   bool
}

// observations adds the results of an order to the group. One that a person has
// to decide about is left out, so that the others can be taken without it.
func (w *walk) observations(g *reading.Group, q request) {
	var list []*reported
	panels := map[string]*reported{}
	seen := map[result.Identifier]*reported{}
	for _, o := range q.observations {
		obx, before := o.obx, w.unclear
		g.Documents = append(g.Documents, w.documents(obx)...)
		r, kind, ok := w.observation(q, o)
		unclear := w.unclear > before
		if !ok {
			continue
		}
		each := &reported{
			result: r, kind: kind, place: obx.at.String(), unclear: unclear,
			wrong: w.text(obx.Field(11).Component(1).First()) == wrongPatient,
		}
		// The parts of a panel are one result, each reading of them another.
		if q.panel != nil && slices.Contains(q.panel.Observation.Panel, r.Code.Code) {
			id := w.identity(q, q.first, obx, r.Effective)
			if panel := panels[id]; panel != nil {
				w.join(panel, each, obx)
				continue
			}
			each.panel(id, q.panel)
			panels[id] = each
		}
		if earlier := seen[each.result.Identifier]; earlier != nil {
			switch {
			// A text comes in one segment for each line.
			case kind == textual && earlier.kind == textual && earlier.result.Status == r.Status && !unclear:
				earlier.result.Text += "\n" + r.Text
				earlier.result.Note = strings.Trim(earlier.result.Note+"\n"+r.Note, "\n")
			case !unclear:
				w.fault(obx.field(4), hl7.DuplicateKeyIdentifier, "the same observation twice: the sub-id has to tell them apart")
			}
			continue
		}
		seen[each.result.Identifier] = each
		list = append(list, each)
	}
	for _, each := range list {
		if each.unclear {
			continue
		}
		if slices.ContainsFunc(g.Results, func(r command.Result) bool { return r.Identifier == each.result.Identifier }) {
			w.fault(q.obr.field(3), hl7.DuplicateKeyIdentifier, "another order of the message has the same number, code and observations")
			continue
		}
		if each.wrong {
			g.WrongPatient = append(g.WrongPatient, len(g.Results))
		}
		g.Results = append(g.Results, each.result)
		g.Places = append(g.Places, each.place)
	}
}

// panel makes the first part of a panel the panel.
func (p *reported) panel(id string, m *protocol.Meaning) {
	r := &p.result
	r.Components = components(*r)
	r.Identifier.Value, r.Code, r.Category = id, m.Code, m.Observation.Category
	r.Quantity, r.Coded, r.Text, r.ReferenceRange, r.Interpretation = nil, nil, "", nil, nil
	p.kind = none
}

// components is a part of a panel as its component, none without a value.
func components(r command.Result) []result.Component {
	if r.Quantity == nil {
		return nil
	}
	return []result.Component{{Code: r.Code, Value: result.Value{Quantity: r.Quantity}}}
}

// join adds another part to a panel.
func (w *walk) join(panel, part *reported, obx line) {
	r := &panel.result
	panel.unclear = panel.unclear || part.unclear
	switch {
	case r.Status != part.result.Status:
		w.issue(reading.UnknownStatus, obx.field(11), hl7.TableValueNotFound, "another status than the other parts of the panel")
		panel.unclear = true
	case slices.ContainsFunc(r.Components, func(c result.Component) bool { return c.Code == part.result.Code }):
		w.fault(obx.field(4), hl7.DuplicateKeyIdentifier, "the same part of a panel twice: the sub-id has to tell readings apart")
	default:
		r.Components = append(r.Components, components(part.result)...)
		r.Note = strings.Trim(r.Note+"\n"+part.result.Note, "\n")
	}
}

// identity is the number of a result whose sender gives it none: that of the
// order, the code, the sub-id and the time of collection.
func (w *walk) identity(q request, code string, obx line, effective string) string {
	var sub []string
	for _, c := range obx.Field(4).Repetition(0) {
		sub = append(sub, w.text(c.First()))
	}
	return strings.Join([]string{q.filler, code, strings.Join(sub, "."), effective}, "/")
}

// kind tells apart what a value is.
type kind int

const (
	none kind = iota
	numeric
	codedValue
	textual
)

// value is what stands in OBX-5.
type value struct {
	kind       kind
	number     json.Number
	comparator string
	coded      []triplet
	text       string
	// written says that a number came as a string.
	written bool
}

// observation reads one OBX; not ok is one that is left out, or with faults.
func (w *walk) observation(q request, o *observation) (r command.Result, is kind, ok bool) {
	obx := o.obx
	given := w.coded(obx.Field(3).Repetition(0))
	if len(codes(given)) == 0 {
		w.fault(obx.field(3), hl7.RequiredFieldMissing, "missing")
		return r, none, false
	}
	letter := w.text(obx.Field(11).Component(1).First())
	status, known := statuses[letter]
	switch {
	case letter == "":
		w.fault(obx.field(11), hl7.RequiredFieldMissing, "missing")
	case !known:
		w.fault(obx.field(11), hl7.TableValueNotFound, "not a code of HL7 table 0085", statusCodes...)
	case status == "":
		w.issue(reading.UnknownStatus, obx.field(11), hl7.TableValueNotFound, "a status that a person has to decide about")
	}
	unit, unitKnown, unitGiven := w.unit(obx)
	m, mapped := w.protocol.MeaningOf(w.sender, codes(given), in(given, protocol.LOINCSystem), unit)
	switch {
	case mapped && m.Skip:
		return r, none, false
	case !mapped:
		w.issue(reading.UnmappedCode, obx.component(3, given[0].component), hl7.TableValueNotFound,
			"the protocol has no meaning for the code, or none in this unit")
		return r, none, false
	}
	if m.Code.Display == "" {
		m.Code.Display = given[0].display
	}
	r = command.Result{
		Status: status, Code: m.Code, Category: cmp.Or(m.Observation.Category, q.category),
		Specimen: q.specimen, SpecimenType: q.specimenType, Order: q.placer, Report: q.report, Note: w.notes(o.notes),
		Method:    w.words(obx.Field(17).Repetition(0)),
		Performer: cmp.Or(w.text(obx.Field(23).Component(1).First()), w.words(obx.Field(15).Repetition(0))),
		BodySite:  in(w.coded(obx.Field(20).Repetition(0)), "http://snomed.info/sct"),
	}
	start, end, at, err := w.collected(q, obx)
	switch {
	case errors.Is(err, errNoTime):
		w.issue(reading.NoTime, obx.field(14), hl7.RequiredFieldMissing, "no time of collection in OBX-14, OBR-7 or SPM-17")
	case err != nil:
		w.issue(reading.NoTime, at, hl7.DataType, err.Error())
	}
	r.Effective, r.EffectiveEnd = start, end
	r.Issued = w.issued(q, obx)
	r.Identifier = result.Identifier{
		System: w.sender.System,
		Value:  cmp.Or(w.text(obx.Field(21).Component(1).First()), w.identity(q, given[0].code, obx, start)),
	}
	// What was taken back or is still to come has no value to be read.
	if !status.Usable() && status != result.Preliminary {
		return r, none, true
	}
	v, ok := w.value(obx)
	if !ok {
		return r, none, true
	}
	w.put(&r, m, v, obx, unit, unitKnown, unitGiven)
	w.beside(&r, obx, unit, unitKnown)
	return r, v.kind, true
}

// words is what a person reads of a coded element.
func (w *walk) words(r hl7.Repetition) string {
	list := w.coded(r)
	if len(list) == 0 {
		return ""
	}
	return cmp.Or(list[0].display, list[0].code)
}

// issued is when this version of the result was released: when the status of the
// order changed (OBR-22), or it was analysed (OBX-19), or the message was made.
func (w *walk) issued(q request, obx line) string {
	if at, ok := w.instant(*q.obr, 22); ok {
		return at.String()
	}
	if at, ok := w.instant(obx, 19); ok {
		return at.String()
	}
	return w.sent
}

// unit is the UCUM code of OBX-6.
func (w *walk) unit(obx line) (unit string, known, given bool) {
	list := w.coded(obx.Field(6).Repetition(0))
	if code := in(list, "http://unitsofmeasure.org"); code != "" {
		return code, true, true
	}
	for _, t := range list {
		for _, text := range []string{t.code, t.display} {
			if unit, ok := w.protocol.UnitOf(w.sender, text); ok {
				return unit, true, true
			}
		}
	}
	return "", false, len(list) > 0
}

// put gives a result its value, of the kind that the protocol expects.
func (w *walk) put(r *command.Result, m protocol.Meaning, v value, obx line, unit string, unitKnown, unitGiven bool) {
	o, at := m.Observation, obx.component(5, 1)
	switch {
	case m.Known && len(o.Panel) > 0:
		w.issue(reading.UnreadableValue, at, hl7.DataType, "the parts of a panel are reported one by one")
	case m.Known && o.Coded:
		w.answer(r, o, v, at)
	case m.Known && v.kind != numeric:
		w.issue(reading.UnreadableValue, at, hl7.DataType, "not a number, which the protocol expects", "5.2", "<5")
	case v.kind == numeric && v.written && !m.Known && !unitGiven:
		r.Text = v.text // nothing says that it is a quantity
	case v.kind == numeric:
		if !unitGiven && len(o.Units) == 1 && plain(o.Units[0]) {
			unit, unitKnown = o.Units[0], true
		}
		if !unitKnown {
			problem := "the protocol has no UCUM code for the unit"
			if !unitGiven {
				problem = "a number without a unit"
			}
			w.issue(reading.UnmappedUnit, obx.component(6, 1), hl7.TableValueNotFound, problem)
			return
		}
		r.Quantity = &result.Quantity{Value: v.number, Unit: unit, Comparator: v.comparator}
	case v.kind == codedValue:
		c := coding(v.coded)
		r.Coded = &c
	default:
		r.Text = v.text
	}
}

// plain reports whether a unit is one that laboratories don't write: the number
// one, or a name in place of a unit. It is used only where it is the one unit of
// an observation.
func plain(unit string) bool { return unit == "1" || unit == "[pH]" || strings.HasPrefix(unit, "{") }

// answer finds what a coded observation was answered with.
func (w *walk) answer(r *command.Result, o protocol.Observation, v value, at hl7.Location) {
	var texts []string
	switch v.kind {
	case codedValue:
		for _, t := range v.coded {
			texts = append(texts, t.code, t.display)
		}
	default:
		texts = []string{v.text}
	}
	var found *result.Coding
	for _, text := range texts {
		answer, ok := w.protocol.AnswerOf(w.sender, o, text)
		switch {
		case !ok:
		case found == nil:
			found = &answer
		case found.Code != answer.Code:
			w.issue(reading.UnmappedAnswer, at, hl7.TableValueNotFound, "the code and the text are different answers")
			return
		}
	}
	if found == nil {
		w.issue(reading.UnmappedAnswer, at, hl7.TableValueNotFound, "the protocol has no answer of this name for the observation")
		return
	}
	// The laboratory's own words say what it meant.
	found.Display = cmp.Or(slices.Collect(backwards(texts))...)
	r.Coded = found
}

// backwards goes through texts from the last: a text says more than its code.
func backwards(list []string) func(yield func(string) bool) {
	return func(yield func(string) bool) {
		for _, text := range slices.Backward(list) {
			if !yield(text) {
				return
			}
		}
	}
}

// beside adds what the laboratory reports beside the value.
func (w *walk) beside(r *command.Result, obx line, unit string, unitKnown bool) {
	for _, each := range obx.Field(8) {
		code := w.text(each.Component(1).First())
		if slices.Contains(result.Interpretations, code) && !slices.Contains(r.Interpretation, code) {
			r.Interpretation = append(r.Interpretation, code)
		}
	}
	text := w.text(obx.Field(7).Component(1).First())
	if text == "" {
		return
	}
	limits := &result.ReferenceRange{Text: text}
	if low, high, ok := span(text); ok && unitKnown && r.Quantity != nil {
		limits.Low = &result.Quantity{Value: low, Unit: unit}
		limits.High = &result.Quantity{Value: high, Unit: unit}
	}
	r.ReferenceRange = limits
}

var ranges = regexp.MustCompile(`^(\d+(?:\.\d+)?)\s*-\s*(\d+(?:\.\d+)?)$`)

// span reads a range of two numbers.
func span(text string) (low, high json.Number, ok bool) {
	parts := ranges.FindStringSubmatch(text)
	if parts == nil {
		return "", "", false
	}
	low, lowOK := decimal(parts[1])
	high, highOK := decimal(parts[2])
	return low, high, lowOK && highOK
}

// numbers is the form of NM (chapter 2A): a sign, digits, a decimal point.
var numbers = regexp.MustCompile(`^([+-]?)(\d*)(?:\.(\d*))?$`)

// decimal reads an NM value. Its digits stay as they came, zeros at the end
// included; zeros before the number and a plus sign mean nothing.
func decimal(text string) (json.Number, bool) {
	parts := numbers.FindStringSubmatch(text)
	if parts == nil || parts[2]+parts[3] == "" {
		return "", false
	}
	whole := cmp.Or(strings.TrimLeft(parts[2], "0"), "0")
	if parts[1] == "-" {
		whole = "-" + whole
	}
	if parts[3] != "" {
		whole += "." + parts[3]
	}
	return json.Number(whole), true
}

// comparators before a number.
var comparators = []string{"<=", ">=", "<", ">"}

// limited reads a number with or without a comparator, such as <5.
func limited(text string) (comparator string, number json.Number, ok bool) {
	for _, c := range comparators {
		if rest, found := strings.CutPrefix(text, c); found {
			comparator, text = c, strings.TrimSpace(rest)
			break
		}
	}
	number, ok = decimal(text)
	return comparator, number, ok
}

// unsupported are the other value types of HL7 table 0125.
var unsupported = []string{
	"AD", "CK", "CN", "CP", "CX", "DR", "ED", "EI", "HD", "MA", "MO", "NA", "PN", "RP", "TN", "XAD", "XCN", "XON", "XPN", "XTN",
}

// supported are those that are read.
var supported = []string{"NM", "SN", "CE", "CWE", "CNE", "CF", "ID", "IS", "ST", "TX", "FT", "DT", "TM", "DTM", "TS"}

// value reads OBX-5; not ok is one that can't be used, with an issue or a fault
// that says why.
func (w *walk) value(obx line) (value, bool) {
	at := obx.component(5, 1)
	kind := w.text(obx.Field(2).Component(1).First())
	switch {
	case kind == "" && obx.Field(5) != nil:
		w.fault(obx.field(2), hl7.RequiredFieldMissing, "missing", supported...)
		return value{}, false
	case slices.Contains(unsupported, kind):
		w.issue(reading.NotSupported, obx.field(2), hl7.TableValueNotFound, "a type of value that is not read", supported...)
		return value{}, false
	case kind != "" && !slices.Contains(supported, kind):
		w.fault(obx.field(2), hl7.TableValueNotFound, "not a code of HL7 table 0125", supported...)
		return value{}, false
	}
	field := obx.Field(5)
	if w.truncated(field) {
		w.issue(reading.UnreadableValue, at, hl7.DataType, "a value that was cut off")
		return value{}, false
	}
	if kind == "TX" || kind == "FT" || kind == "ST" {
		return w.string(field, kind, at)
	}
	if len(field) > 1 {
		w.issue(reading.UnreadableValue, at, hl7.DataType, "several values in one observation")
		return value{}, false
	}
	only := field.Repetition(0)
	text := w.text(only.Component(1).First())
	if text == "" && kind != "SN" && len(w.coded(only)) == 0 {
		w.issue(reading.UnreadableValue, at, hl7.RequiredFieldMissing, "no value")
		return value{}, false
	}
	switch kind {
	case "NM":
		comparator, number, ok := limited(text)
		if !ok {
			w.issue(reading.UnreadableValue, at, hl7.DataType, "not a number", "5.2", "<5")
			return value{}, false
		}
		return value{kind: numeric, number: number, comparator: comparator, text: text}, true
	case "SN":
		return w.structured(only, at)
	case "CE", "CWE", "CNE", "CF":
		return value{kind: codedValue, coded: w.coded(only)}, true
	case "ID", "IS":
		return value{kind: codedValue, coded: []triplet{{code: text, component: 1}}}, true
	case "TM":
		clock, ok := timeOfDay(text)
		if !ok {
			w.fault(at, hl7.DataType, "not a time of day", "HHMM[SS]")
		}
		return value{kind: textual, text: clock}, ok
	}
	moment, err := hl7.ParseTime(text, w.sender.Zone())
	switch {
	case errors.Is(err, hl7.ErrAmbiguous):
		w.issue(reading.UnreadableValue, at, hl7.DataType, err.Error())
	case err != nil:
		w.fault(at, hl7.DataType, "not a date or time", timeForm)
	}
	return value{kind: textual, text: moment.String()}, err == nil
}

func (w *walk) truncated(f hl7.Field) bool {
	for _, r := range f {
		for _, c := range r {
			if slices.ContainsFunc(c, w.message.Delimiters.Truncated) {
				return true
			}
		}
	}
	return false
}

// string reads a text, a line for each repetition. A number, with or without a
// comparator, is one also where it comes as a string, as "<5" has to.
func (w *walk) string(field hl7.Field, kind string, at hl7.Location) (value, bool) {
	var lines []string
	for _, each := range field {
		lines = append(lines, w.text(each.Component(1).First()))
	}
	text := strings.TrimSpace(strings.Join(lines, "\n"))
	if text == "" {
		w.issue(reading.UnreadableValue, at, hl7.RequiredFieldMissing, "no value")
		return value{}, false
	}
	if kind == "ST" {
		if comparator, number, ok := limited(text); ok {
			return value{kind: numeric, number: number, comparator: comparator, text: text, written: true}, true
		}
	}
	return value{kind: textual, text: text}, true
}

// structured reads SN: comparator, number, separator, number. A range, a ratio or
// a number with a sign after it, such as 2+, is a text.
func (w *walk) structured(r hl7.Repetition, at hl7.Location) (value, bool) {
	part := func(n int) string { return w.text(r.Component(n).First()) }
	comparator, first, separator, second := part(1), part(2), part(3), part(4)
	number, ok := decimal(first)
	switch {
	case !ok:
		w.issue(reading.UnreadableValue, at, hl7.DataType, "a structured number without its first number")
		return value{}, false
	case separator == "" && second == "":
		if comparator == "=" {
			comparator = ""
		}
		if comparator != "" && !slices.Contains(comparators, comparator) {
			w.issue(reading.UnreadableValue, at, hl7.DataType, "a comparison that is not read", comparators...)
			return value{}, false
		}
		return value{kind: numeric, number: number, comparator: comparator, text: comparator + first}, true
	}
	return value{kind: textual, text: comparator + first + separator + second}, true
}

var clocks = regexp.MustCompile(`^([01]\d|2[0-3])([0-5]\d)(?:([0-5]\d)(?:\.\d{1,4})?)?(?:[+-]\d{4})?$`)

// timeOfDay reads TM.
func timeOfDay(text string) (string, bool) {
	parts := clocks.FindStringSubmatch(text)
	if parts == nil {
		return "", false
	}
	return fmt.Sprintf("%s:%s:%s", parts[1], parts[2], cmp.Or(parts[3], "00")), true
}
