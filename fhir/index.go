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

// date adds the first instant of a date of any precision. A date without a
// zone begins at midnight UTC: it has no instant of its own, and search values
// without a zone are read the same way.
func (x *index) date(param string, text *string) {
	if text == nil {
		return
	}
	if s, err := parseDate(*text); err == nil {
		*x = append(*x, record.Index{Param: param, Value: instantText(s.from)})
	}
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
