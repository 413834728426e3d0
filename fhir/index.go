package fhir

import (
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"time"
	"unicode"

	"golang.org/x/text/unicode/norm"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/record"
)

// index collects the search values of one resource. What a builder adds under
// the name of a parameter is what a search by that parameter finds.
type index []record.Index

// The rows beside those of a parameter have its name with one of these, which no
// client can send: a colon begins a modifier.
const (
	// exactSuffix holds strings as they were written.
	exactSuffix = ":exact"
	// unitSuffix holds quantities by their unit, in the column of the system.
	unitSuffix = ":unit"
	// longSuffix holds, once more, dates that cover more than longDate.
	longSuffix = ":long"
	// identifierSuffix holds the identifiers of references.
	identifierSuffix = ":identifier"
	// codeInfix, with a code behind it, holds the dates of the resources that have
	// the code, in the column of the system that of the code.
	codeInfix = ":code="
)

// longDate is a little more than a day and the second at its end.
const longDate = 48 * time.Hour

// furtherWord marks, in the column of the system, the rows of a string that
// begin at a later word.
const furtherWord = "word"

// token adds a code, if there is one.
func (x *index) token(param, system, code string) {
	if code != "" {
		x.code(param, system, code)
	}
}

// code adds a value of an element whose system is fixed by its binding.
func (x *index) code(param, system, code string) {
	*x = append(*x, record.Index{Param: param, System: system, Value: code})
}

// concepts adds every coding of the concepts.
func (x *index) concepts(param string, concepts ...r4.CodeableConcept) {
	for _, c := range concepts {
		for _, coding := range c.Coding {
			x.token(param, value(coding.System), value(coding.Code))
		}
	}
}

// optionalConcept is concepts for an element that may be absent.
func (x *index) optionalConcept(param string, c *r4.CodeableConcept) {
	if c != nil {
		x.concepts(param, *c)
	}
}

// identifiers adds business identifiers.
func (x *index) identifiers(param string, list ...r4.Identifier) {
	for _, i := range list {
		x.token(param, value(i.System), value(i.Value))
	}
}

// text adds a string, whole and by each of its further words, so that a search
// may begin at any of them.
func (x *index) text(param, s string) {
	words := strings.Fields(fold(s))
	for i := range words {
		row := record.Index{Param: param, Value: strings.Join(words[i:], " ")}
		if i > 0 {
			row.System = furtherWord
		}
		*x = append(*x, row)
	}
	if len(words) > 0 {
		*x = append(*x, record.Index{Param: param + exactSuffix, Value: s})
	}
}

// uri adds a URL or another URI, which is compared letter by letter.
func (x *index) uri(param, uri string) {
	if uri != "" {
		*x = append(*x, record.Index{Param: param, Value: uri})
	}
}

// canonical adds references to definitions by their URL, with or without a
// version: they are found by both.
func (x *index) canonical(param string, urls ...string) {
	for _, u := range urls {
		x.uri(param, u)
		if bare, _, versioned := strings.Cut(u, "|"); versioned {
			x.uri(param, bare)
		}
	}
}

// reference adds references: to a resource here by its type and id, whatever
// version it names, to anything else by its URL, and by an identifier, if there
// is one.
func (x *index) reference(param string, list ...r4.Reference) {
	for _, r := range list {
		if r.Reference != nil {
			if typ, id, ok := local(*r.Reference); ok {
				*x = append(*x, record.Index{Param: param, System: typ, Value: id})
			} else {
				x.uri(param, *r.Reference)
			}
		}
		if r.Identifier != nil {
			x.identifiers(param+identifierSuffix, *r.Identifier)
		}
	}
}

// optionalReference is reference for an element that may be absent.
func (x *index) optionalReference(param string, r *r4.Reference) {
	if r != nil {
		x.reference(param, *r)
	}
}

// local splits a reference to a resource here: Type/id or Type/id/_history/1.
func local(text string) (typ, id string, ok bool) {
	text, version, versioned := strings.Cut(text, "/_history/")
	typ, id, ok = strings.Cut(text, "/")
	ok = ok && validType(typ) && validID(id) && (!versioned || validID(version))
	return typ, id, ok
}

// date adds a date of any precision, which covers its whole day, second or
// whatever its last part stands for. A date without a zone begins at midnight
// UTC: it has no instant of its own, and search values without a zone are read
// the same way.
func (x *index) date(param string, text *string) {
	if text == nil {
		return
	}
	if s, err := parseDate(*text); err == nil {
		x.span(param, instantText(s.from), endText(s.to))
	}
}

// period adds what lies from the first instant of the start to the last of the
// end. A side that is missing is open.
func (x *index) period(param string, p *r4.Period) {
	if p == nil || p.Start == nil && p.End == nil {
		return
	}
	start, end := openStart, openEnd
	if p.Start != nil {
		s, err := parseDate(*p.Start)
		if err != nil {
			return
		}
		start = instantText(s.from)
		if p.End != nil {
			end = endText(s.to) // for a period whose end lies before its start
		}
	}
	if p.End != nil {
		s, err := parseDate(*p.End)
		if err != nil {
			return
		}
		if last := endText(s.to); p.Start == nil || last > end {
			end = last
		}
	}
	x.span(param, start, end)
}

// span adds what a date covers. A long one has a row among the long ones too, so
// that short ones can be looked for near their ends.
func (x *index) span(param, from, to string) {
	x.bounds(param, "", from, to)
	if start, err := time.Parse(indexLayout, from); err != nil || to > instantText(start.Add(longDate)) {
		x.bounds(param+longSuffix, "", from, to)
	}
}

// datedCode adds the dates once more for each code, so that a search for both goes
// by both at once. It comes after everything that is added under either name.
func (x *index) datedCode(code, date string) {
	for _, c := range *x {
		if c.Param != code {
			continue
		}
		for _, d := range *x {
			if d.Param == date || d.Param == date+longSuffix {
				x.bounds(d.Param+codeInfix+c.Value, c.System, d.Value, d.End)
			}
		}
	}
}

// number adds a decimal number.
func (x *index) number(param string, n *json.Number) {
	if n == nil {
		return
	}
	if d, err := parseDecimal(n.String()); err == nil {
		x.bounds(param, "", d.text(), d.after())
	}
}

// quantity adds a quantity as it is written. Whatever equals it in other units
// may follow: a search that names a unit finds each, one that names none only
// the number that is written.
func (x *index) quantity(param string, q *r4.Quantity, equal ...r4.Quantity) {
	if q == nil {
		return
	}
	from, to, ok := extent(*q)
	if !ok {
		return
	}
	x.bounds(param, "", from, to)
	for i, each := range append([]r4.Quantity{*q}, equal...) {
		if i > 0 {
			if from, to, ok = extent(each); !ok {
				continue
			}
		}
		for _, unit := range unitsOf(each) {
			x.bounds(param+unitSuffix, unit, from, to)
		}
	}
}

// meta adds the profiles, tags and security labels among the members of a meta
// element.
func (x *index) meta(members string) error {
	if members == "" {
		return nil
	}
	known, ok := metas.Load(members)
	if !ok {
		rows, err := metaRows(members)
		if err != nil {
			return fmt.Errorf("the meta element: %w", err)
		}
		known, _ = metas.LoadOrStore(members, rows)
	}
	*x = append(*x, known.(index)...)
	return nil
}

// metas are the search values of meta elements by their members, of which each type
// has one or a few.
var metas sync.Map

func metaRows(members string) (index, error) {
	var m r4.Meta
	if err := json.Unmarshal([]byte("{"+members+"}"), &m); err != nil {
		return nil, err
	}
	var x index
	x.canonical("_profile", m.Profile...)
	for _, label := range m.Security {
		x.token("_security", value(label.System), value(label.Code))
	}
	for _, tag := range m.Tag {
		x.token("_tag", value(tag.System), value(tag.Code))
	}
	return x, nil
}

// extent is what a quantity with its comparator covers.
func extent(q r4.Quantity) (from, to string, ok bool) {
	if q.Value == nil {
		return "", "", false
	}
	d, err := parseDecimal(q.Value.String())
	if err != nil {
		return "", "", false
	}
	from, to = d.text(), d.after()
	if q.Comparator != nil {
		switch *q.Comparator {
		case r4.QuantityComparatorLessThan:
			from, to = leastNumber, d.text()
		case r4.QuantityComparatorLessOrEquals:
			from = leastNumber
		case r4.QuantityComparatorGreaterOrEquals:
			to = mostNumber
		case r4.QuantityComparatorGreaterThan:
			from, to = d.after(), mostNumber
		}
	}
	return from, to, true
}

// unitsOf are the names by which a search may ask for the unit of a quantity:
// system|code, and |unit for the code or the printed unit without a system.
func unitsOf(q r4.Quantity) []string {
	var list []string
	if q.Code != nil {
		list = append(list, value(q.System)+"|"+*q.Code)
		if q.System != nil {
			list = append(list, "|"+*q.Code)
		}
	}
	if q.Unit != nil && value(q.Code) != *q.Unit {
		list = append(list, "|"+*q.Unit)
	}
	return list
}

// bounds adds what lies from one text to before another.
func (x *index) bounds(param, system, from, to string) {
	*x = append(*x, record.Index{Param: param, System: system, Value: from, End: to})
}

// fold lower-cases and drops accents, as string search does on both sides.
func fold(s string) string {
	var b strings.Builder
	for _, r := range norm.NFKD.String(strings.ToLower(s)) {
		if !unicode.Is(unicode.Mn, r) {
			b.WriteRune(r)
		}
	}
	return b.String()
}

func value(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}
