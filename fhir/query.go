package fhir

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"candidacy/internal/record"
)

const (
	defaultCount = 50
	maxCount     = 200
	// maxValues bounds what one search may ask of the database.
	maxValues = 200
	// maxRanges bounds the separate ranges of _lastUpdated that one search asks
	// for, and maxQueries the queries that it becomes.
	maxRanges  = 16
	maxQueries = 2 * maxValues
)

// pair is one parameter as it was sent, in its place.
type pair struct{ name, value string }

// parsePairs reads a query or a form, keeping the order of the parameters.
func parsePairs(raw string) ([]pair, error) {
	var list []pair
	for part := range strings.SplitSeq(raw, "&") {
		if part == "" {
			continue
		}
		name, v, _ := strings.Cut(part, "=")
		name, errName := url.QueryUnescape(name)
		v, errValue := url.QueryUnescape(v)
		if errName != nil || errValue != nil || !printable(name) || !printable(v) {
			return nil, &failure{status: http.StatusBadRequest, code: "invalid", diagnostics: "the search parameters are not correctly encoded"}
		}
		list = append(list, pair{name, v})
	}
	return list, nil
}

// printable keeps out what a database may not take as text.
func printable(s string) bool {
	return utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return r < 0x20 || r == 0x7F })
}

// search is a request as it is carried out.
type search struct {
	typ        string
	candidates []string
	ids        []string
	conditions []record.Condition
	// updated restricts _lastUpdated; nil is no restriction.
	updated   []interval
	restrict  bool
	count     int
	countOnly bool
	format    string
	after     string
	// used holds the parameters that took part, for the links.
	used []pair
	// byForm keeps the parameters, which were sent out of sight, out of the
	// links.
	byForm bool
	values int
}

// parser holds what reading the parameters needs from the request.
type parser struct {
	base   string
	now    time.Time
	strict bool
}

func (p parser) parse(typ string, pairs []pair) (*search, error) {
	s := &search{typ: typ, count: defaultCount}
	for _, pair := range pairs {
		if err := p.apply(s, pair); err != nil {
			return nil, err
		}
	}
	queries := max(1, len(s.candidates)) * max(1, len(s.updated))
	if s.values > maxValues || queries > maxQueries {
		return nil, &failure{status: http.StatusBadRequest, code: "too-costly", diagnostics: "the search names too many values"}
	}
	return s, nil
}

func (p parser) apply(s *search, in pair) error {
	switch in.name {
	case "_count":
		return s.setCount(in.value)
	case "_cursor":
		return p.resume(s, in.value)
	case "_summary":
		return p.summary(s, in)
	case "_format":
		s.format = in.value
		s.used = append(s.used, in)
		return nil
	}
	t := types[s.typ]
	root, modifier, _ := strings.Cut(in.name, ":")
	root, chain, chained := strings.Cut(root, ".")
	known, ok := t.find(root)
	switch {
	case ok && (chained || strings.Contains(modifier, ".") || chain != ""):
		return badParameter(in.name, "not-supported", "chains are not supported")
	case ok && !known.modifies(modifier) && in.name != root:
		return badParameter(in.name, "not-supported", "the modifier is not supported here")
	case !ok && (narrowing[root] || s.typ == typePatient && patientNarrowing[root]):
		return badParameter(in.name, "not-supported", "not supported here, and it can't be ignored")
	case !ok && p.strict:
		return badParameter(in.name, "not-supported", "not supported here")
	case !ok:
		return nil
	}
	values, ok := alternatives(in.value)
	if !ok {
		return badParameter(in.name, "invalid", "a value is missing")
	}
	s.values += len(values)
	if err := p.condition(s, known, modifier, in.name, values); err != nil {
		return err
	}
	s.used = append(s.used, in)
	return nil
}

func (s *search) setCount(text string) error {
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 {
		return badParameter("_count", "invalid", "not a whole number of at least 0")
	}
	s.count = min(n, maxCount)
	s.countOnly = s.countOnly || n == 0
	return nil
}

func (p parser) summary(s *search, in pair) error {
	switch in.value {
	case "count":
		s.countOnly = true
	case "false":
	default:
		// A server may send whole resources when asked for less.
		if p.strict {
			return badParameter("_summary", "not-supported", "only count and false are supported")
		}
		return nil
	}
	s.used = append(s.used, in)
	return nil
}

// condition adds what a parameter asks for. Name is the parameter with its
// modifier, as it was sent.
func (p parser) condition(s *search, known param, modifier, name string, values []string) error {
	switch known.use {
	case byPatient:
		return p.patients(s, known, values)
	case byUpdate:
		return p.updates(s, known, values)
	case byID:
		for _, id := range values {
			if !validID(id) {
				return badParameter(known.name, "invalid", "not a FHIR id")
			}
		}
		s.ids = narrow(s.ids, values)
		return nil
	case byParts:
		return p.composite(s, known, values)
	}
	c, err := p.match(known, modifier, values)
	if err != nil {
		return badParameter(name, "invalid", err.Error())
	}
	s.conditions = append(s.conditions, c)
	return nil
}

// updates restricts _lastUpdated.
func (p parser) updates(s *search, known param, values []string) error {
	var list []interval
	for _, text := range values {
		v, err := parseDateValue(text, p.now)
		if err != nil {
			return badParameter(known.name, "invalid", err.Error())
		}
		list = append(list, v.intervals()...)
	}
	if list = union(list); s.restrict {
		list = intersect(s.updated, list)
	}
	if len(list) > maxRanges {
		return badParameter(known.name, "too-costly", "too many separate ranges")
	}
	s.updated, s.restrict = list, true
	return nil
}

// composite asks for both parts of each value. With several values it would have
// to keep the parts of each together, which it can't.
func (p parser) composite(s *search, known param, values []string) error {
	if len(values) > 1 {
		return badParameter(known.name, "not-supported", "only one value is supported")
	}
	parts := split(values[0], '$')
	if len(parts) != len(known.parts) {
		return badParameter(known.name, "invalid", "not two values joined by a dollar sign: use "+strings.Join(known.parts, "$"))
	}
	for i, name := range known.parts {
		part, ok := types[s.typ].find(name)
		if !ok {
			return fmt.Errorf("%s.%s has a part that is no parameter", s.typ, known.name)
		}
		c, err := p.match(part, "", parts[i:i+1])
		if err != nil {
			return badParameter(known.name, "invalid", err.Error())
		}
		s.conditions = append(s.conditions, c)
	}
	return nil
}

// patients accepts an id, Patient/id and the absolute URL of a patient here. A
// patient of another server is nobody here.
func (p parser) patients(s *search, known param, values []string) error {
	ids := []string{}
	for _, v := range values {
		v = unescapeValue(v)
		local := v
		if strings.Contains(v, "://") {
			var here bool
			if local, here = strings.CutPrefix(v, p.base+"/"); !here {
				continue
			}
		}
		id, typed := strings.CutPrefix(local, "Patient/")
		if !validID(id) || !typed && local != v {
			return badParameter(known.name, "invalid", "not a reference to a patient: use an id, Patient/id or an absolute URL")
		}
		ids = append(ids, id)
	}
	s.candidates = narrow(s.candidates, ids)
	return nil
}

// narrow keeps what both lists hold, each value once; a nil list is no
// restriction yet.
func narrow(list, values []string) []string {
	kept := []string{}
	for _, v := range values {
		if (list == nil || slices.Contains(list, v)) && !slices.Contains(kept, v) {
			kept = append(kept, v)
		}
	}
	return kept
}

// alternatives splits at commas that aren't escaped. No alternative may be
// empty.
func alternatives(text string) ([]string, bool) {
	list := split(text, ',')
	return list, !slices.ContainsFunc(list, func(s string) bool { return strings.TrimSpace(s) == "" })
}

// split cuts at a separator that isn't escaped.
func split(text string, separator byte) []string {
	var list []string
	start := 0
	for i := 0; i < len(text); i++ {
		switch text[i] {
		case separator:
			list = append(list, text[start:i])
			start = i + 1
		case '\\':
			i++
		}
	}
	return append(list, text[start:])
}

// unescapeValue takes away the backslash before \ , | and $.
func unescapeValue(text string) string {
	if !strings.Contains(text, `\`) {
		return text
	}
	var b strings.Builder
	for i := 0; i < len(text); i++ {
		if text[i] == '\\' && i+1 < len(text) && strings.IndexByte(`\,|$`, text[i+1]) >= 0 {
			i++
		}
		b.WriteByte(text[i])
	}
	return b.String()
}
