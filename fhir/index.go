package fhir

import (
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/record"
)

// index collects the search values of one resource.
type index []record.Index

// token adds a code. A second row with an empty value lets a search for
// `system|` find every code of a system.
func (x *index) token(param, system, code string) {
	if code == "" {
		return
	}
	*x = append(*x, record.Index{Param: param, System: system, Value: code})
	if system != "" {
		*x = append(*x, record.Index{Param: param, System: system})
	}
}

// code adds a value of an element whose system is fixed by its binding.
func (x *index) code(param, system, code string) {
	*x = append(*x, record.Index{Param: param, System: system, Value: code})
}

func (x *index) concepts(param string, concepts ...r4.CodeableConcept) {
	for _, c := range concepts {
		for _, coding := range c.Coding {
			x.token(param, value(coding.System), value(coding.Code))
		}
	}
}

// text adds a string, whole and by each of its further words, so that a search
// may begin at any of them.
func (x *index) text(param, s string) {
	words := strings.Fields(fold(s))
	for i := range words {
		*x = append(*x, record.Index{Param: param, Value: strings.Join(words[i:], " ")})
	}
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
		x.bounds(param, instantText(s.from), endText(s.to))
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
	x.bounds(param, start, end)
}

// bounds adds a row for each bound, of which only the first is a parameter that
// a client can name.
func (x *index) bounds(param, start, end string) {
	*x = append(*x, record.Index{Param: param, Value: start}, record.Index{Param: param + endSuffix, Value: end})
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
