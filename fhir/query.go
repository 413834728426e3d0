package fhir

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/record"
)

const (
	defaultCount = 50
	maxCount     = 200
	// maxValues bounds what one search may ask of the database.
	maxValues = 200
	// maxKeys bounds the keys that one search sorts by, and maxIncludes what it
	// asks to be included.
	maxKeys     = 4
	maxIncludes = 40
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
	query     record.Query
	sort      []record.Sort
	includes  []inclusion
	count     int
	countOnly bool
	// total is empty, none, estimate or accurate.
	total  string
	shape  shape
	cursor cursor
	// used holds the parameters that took part, for the links.
	used []pair
	// byForm keeps the parameters, which were sent out of sight, out of the
	// links.
	byForm bool
}

// parser holds what reading the parameters needs from the request.
type parser struct {
	base   string
	now    time.Time
	strict bool
	grant  Grant
	values int
}

func (p *parser) parse(typ string, pairs []pair) (*search, error) {
	s := &search{query: record.Query{Type: typ}, count: defaultCount}
	within, err := p.within(typ, MaySearch)
	if err != nil {
		return nil, err
	}
	if len(within) > 0 {
		s.query.Any = append(s.query.Any, within)
	}
	for _, pair := range pairs {
		if err := p.apply(s, pair); err != nil {
			return nil, err
		}
	}
	if err := s.shape.check(); err != nil {
		return nil, err
	}
	if s.shape.summary == summaryText && len(s.includes) > 0 {
		return nil, badParameter("_summary", "invalid", "text can't be combined with _include and _revinclude")
	}
	s.query.Joint = datedCode(s.query)
	if p.values > maxValues {
		return nil, &failure{status: http.StatusBadRequest, code: "too-costly", diagnostics: "the search names too many values"}
	}
	return s, nil
}

// datedCode joins a code and the dates that a query asks for, where the index holds
// both together.
func datedCode(q record.Query) *record.Joint {
	if q.Type != typeObservation && q.Type != typeDiagnosticReport {
		return nil
	}
	code := slices.IndexFunc(q.Conditions, func(c record.Condition) bool {
		return c.Param == "code" && !c.Not && len(c.Any) == 1 && c.Any[0].Op == "="
	})
	date := slices.IndexFunc(q.Conditions, func(c record.Condition) bool {
		return c.Param == "date" && !c.Not && len(c.Any) > 0 && c.Any[0].Op == record.Within
	})
	if code < 0 || date < 0 {
		return nil
	}
	is, dates := q.Conditions[code].Any[0], q.Conditions[date]
	joint := record.Condition{Param: dates.Param + codeInfix + is.Value, Long: dates.Long + codeInfix + is.Value, Any: slices.Clone(dates.Any)}
	for i := range joint.Any {
		joint.Any[i].System, joint.Any[i].AnySystem = is.System, is.AnySystem
	}
	return &record.Joint{Condition: joint, Of: [2]int{code, date}}
}

// apply takes one parameter: one that says what is answered, or one that says
// what is looked for.
func (p *parser) apply(s *search, in pair) error {
	took := true
	var err error
	switch in.name {
	case "_count":
		return s.setCount(in.value)
	case "_cursor":
		return p.resume(s, in.value)
	case "_sort":
		took, err = p.sort(s, in)
	case "_total":
		err = oneOf(in, "none", "estimate", "accurate")
		s.total = in.value
	case "_summary":
		if s.countOnly = s.countOnly || in.value == summaryCount; in.value != summaryCount {
			_, err = p.shape(&s.shape, s.query.Type, in)
		}
	case "_contained":
		// Nothing that is stored is contained in anything.
		err = oneOf(in, "false")
	default:
		base, modifier, _ := strings.Cut(in.name, ":")
		switch base {
		case "_include", "_revinclude":
			err = p.include(s, in, base == "_revinclude", modifier)
		default:
			if took, err = p.shape(&s.shape, s.query.Type, in); !took && err == nil {
				took, err = p.narrow(&s.query, in)
			}
		}
	}
	if took && err == nil {
		s.used = append(s.used, in)
	}
	return err
}

// oneOf accepts only the values.
func oneOf(in pair, values ...string) error {
	if slices.Contains(values, in.value) {
		return nil
	}
	return badParameter(in.name, "invalid", "use "+strings.Join(values, ", "))
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

// sort reads the keys. A client that didn't ask to be strict gets the order of
// ids where a key is not known, which the self link then shows.
func (p *parser) sort(s *search, in pair) (bool, error) {
	var keys []record.Sort
	for name := range strings.SplitSeq(in.value, ",") {
		bare, descending := strings.CutPrefix(name, "-")
		key := record.Sort{Descending: descending}
		known, ok := types[s.query.Type].find(bare)
		switch {
		case ok && known.use == byID:
			key.ID = true
		case ok && known.use == byUpdate:
			key.Updated = true
		case ok && known.sorts():
			key.Param = known.name
			if known.kind == r4.SearchParamTypeString {
				key.But = furtherWord
			}
		case p.strict || ok || bare == "":
			return false, badParameter("_sort", "not-supported", "nothing sorts by "+shown(bare))
		default:
			return false, nil
		}
		keys = append(keys, key)
	}
	if len(keys) > maxKeys {
		return false, badParameter("_sort", "too-costly", fmt.Sprintf("at most %d keys", maxKeys))
	}
	s.sort = keys
	return true, nil
}

// sorts reports whether the values of a parameter have an order that means
// something.
func (p param) sorts() bool {
	return p.use == byIndex && slices.Contains([]r4.SearchParamType{
		r4.SearchParamTypeToken, r4.SearchParamTypeDate, r4.SearchParamTypeString, r4.SearchParamTypeNumber,
		r4.SearchParamTypeQuantity, r4.SearchParamTypeUri,
	}, p.kind)
}

// narrow adds to a query what one parameter asks for, and reports whether it
// did: a parameter that is not known may be left out by a lenient client, unless
// the answer would then hold what the client meant to exclude.
func (p *parser) narrow(q *record.Query, in pair) (took bool, err error) {
	if source, ok := strings.CutPrefix(in.name, "_has:"); ok {
		return true, p.reverse(q, in, source)
	}
	head, chain, chained := strings.Cut(in.name, ".")
	root, modifier, modified := strings.Cut(head, ":")
	t := types[q.Type]
	known, ok := t.find(root)
	switch {
	case ok && chained:
		return true, p.chain(q, in, known, modifier, chain)
	case ok && modified && !known.modifies(modifier):
		return false, badParameter(in.name, "not-supported", "the modifier is not supported here")
	case !ok && (chained || narrowing[root] || q.Type == typePatient && patientNarrowing[root] || definitions[q.Type].isReference(root)):
		return false, badParameter(in.name, "not-supported", "not supported here, and it can't be ignored")
	case !ok && p.strict:
		return false, badParameter(in.name, "not-supported", "not supported here")
	case !ok:
		return false, nil
	}
	values, ok := alternatives(in.value)
	if !ok {
		return false, badParameter(in.name, "invalid", "a value is missing")
	}
	p.values += len(values)
	return true, p.condition(q, known, modifier, in.name, values)
}

// condition adds what a parameter asks for. Name is the parameter with its
// modifier, as it was sent.
func (p *parser) condition(q *record.Query, known param, modifier, name string, values []string) error {
	switch known.use {
	case byPatient:
		return p.patients(q, known, values)
	case byUpdate:
		return p.updates(q, known, values)
	case byID:
		for _, id := range values {
			if !validID(id) {
				return badParameter(known.name, "invalid", "not a FHIR id")
			}
		}
		q.IDs = narrow(q.IDs, values)
		return nil
	case byParts:
		return p.composite(q, known, values)
	case byEither:
		return p.either(q, known, modifier, name, values)
	case byConstant:
		return p.constant(q, known, values)
	}
	c, err := p.match(known, modifier, values)
	if err != nil {
		return badParameter(name, "invalid", err.Error())
	}
	if known.kind == r4.SearchParamTypeDate && modifier == "" {
		for i, other := range q.Conditions {
			if other.Param == c.Param && !other.Not && len(other.Any) > 0 && other.Any[0].Op == record.Within {
				if dates, ok := both(other.Any, c.Any); ok {
					q.Conditions[i].Any = dates
					return nil
				}
			}
		}
	}
	q.Conditions = known.place(q.Conditions, c)
	return nil
}

// place puts a condition where few resources meet it before those that many
// meet: the store goes by the first.
func (p param) place(list []record.Condition, c record.Condition) []record.Condition {
	specific := p.kind == r4.SearchParamTypeReference || p.kind == r4.SearchParamTypeToken && p.system == "" && p.name != "category"
	if specific {
		return slices.Insert(list, 0, c)
	}
	return append(list, c)
}

// updates restricts _lastUpdated.
func (p *parser) updates(q *record.Query, known param, values []string) error {
	spans := []record.Span{}
	for _, text := range values {
		v, err := parseDateValue(text, p.now)
		if err != nil {
			return badParameter(known.name, "invalid", err.Error())
		}
		spans = append(spans, v.spans()...)
	}
	q.Updated = append(q.Updated, spans)
	return nil
}

// composite asks for both parts of each value. With several values it would have
// to keep the parts of each together, which it can't.
func (p *parser) composite(q *record.Query, known param, values []string) error {
	if len(values) > 1 {
		return badParameter(known.name, "not-supported", "only one value is supported")
	}
	parts := split(values[0], '$')
	if len(parts) != len(known.parts) {
		return badParameter(known.name, "invalid", "not two values joined by a dollar sign: use "+strings.Join(known.parts, "$"))
	}
	for i, name := range known.parts {
		part, ok := types[q.Type].find(name)
		if !ok {
			return fmt.Errorf("%s.%s has a part that is no parameter", q.Type, known.name)
		}
		c, err := p.match(part, "", parts[i:i+1])
		if err != nil {
			return badParameter(known.name, "invalid", err.Error())
		}
		q.Conditions = part.place(q.Conditions, c)
	}
	return nil
}

// either asks for what any of the parts finds, or that none of them does.
func (p *parser) either(q *record.Query, known param, modifier, name string, values []string) error {
	var alternatives []record.Query
	var none []record.Condition
	for _, part := range known.parts {
		of, ok := types[q.Type].find(part)
		if !ok {
			return fmt.Errorf("%s.%s has a part that is no parameter", q.Type, known.name)
		}
		c, err := p.match(of, modifier, values)
		if err != nil {
			return badParameter(name, "invalid", err.Error())
		}
		none = append(none, c)
		alternatives = append(alternatives, record.Query{Type: q.Type, Conditions: []record.Condition{c}})
	}
	if none[0].Not {
		q.Conditions = append(q.Conditions, none...)
	} else {
		q.Any = append(q.Any, alternatives)
	}
	return nil
}

// constant leaves everything where one of the values is what all resources have,
// and nothing where none is.
func (p *parser) constant(q *record.Query, known param, values []string) error {
	for _, text := range values {
		list, err := tokenMatch(text)
		if err != nil {
			return badParameter(known.name, "invalid", err.Error())
		}
		for _, m := range list {
			if (m.AnySystem || m.System == known.system) && (m.Op == record.OfSystem || m.Value == known.always) {
				return nil
			}
		}
	}
	q.IDs = []string{}
	return nil
}

// patients accepts an id, Patient/id and the absolute URL of a patient here. A
// patient of another server is nobody here.
func (p *parser) patients(q *record.Query, known param, values []string) error {
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
	q.Candidates = narrow(q.Candidates, ids)
	return nil
}

// chain asks that what a reference points to meets a condition of its own. One
// step is taken; where the reference may point to several types, those that have
// the parameter count.
func (p *parser) chain(q *record.Query, in pair, known param, typ, chain string) error {
	if known.targets == nil || known.kind != r4.SearchParamTypeReference {
		return badParameter(in.name, "invalid", "only a parameter that is a reference has others behind a dot")
	}
	if strings.Contains(chain, ".") || strings.HasPrefix(chain, "_has:") {
		return badParameter(in.name, "not-supported", "only one step of a chain is supported")
	}
	if typ != "" && !slices.Contains(known.targets, typ) {
		return badParameter(in.name, "invalid", "the parameter does not point to that type")
	}
	name, _, _ := strings.Cut(chain, ":")
	var alternatives []record.Query
	for _, target := range known.targets {
		t, published := types[target]
		if _, has := t.find(name); !has || !published || typ != "" && typ != target {
			continue
		}
		inner, err := p.linked(target, in, pair{chain, in.value})
		if err != nil {
			return err
		}
		c := record.Condition{Param: known.name, To: &inner}
		if known.use == byPatient {
			c.Param = ""
		}
		alternatives = append(alternatives, record.Query{Type: q.Type, Conditions: []record.Condition{c}})
	}
	switch len(alternatives) {
	case 0:
		return badParameter(in.name, "not-supported", "what it points to has no such parameter")
	case 1:
		q.Conditions = append(q.Conditions, alternatives[0].Conditions...)
	default:
		q.Any = append(q.Any, alternatives)
	}
	return nil
}

// reverse asks that something points to the resource that meets a condition of
// its own: _has:Type:reference:parameter.
func (p *parser) reverse(q *record.Query, in pair, source string) error {
	parts := strings.Split(source, ":")
	if len(parts) != 3 || strings.Contains(parts[2], ".") {
		return badParameter(in.name, "not-supported", "use _has:Type:reference:parameter, without modifiers and chains")
	}
	t, published := types[parts[0]]
	known, has := t.find(parts[1])
	if !published || !has || parts[0] == typeGroup || known.kind != r4.SearchParamTypeReference || !slices.Contains(known.targets, q.Type) {
		return badParameter(in.name, "not-supported", "there is no such reference to this type")
	}
	if _, has := t.find(parts[2]); !has {
		return badParameter(in.name, "not-supported", "what points here has no such parameter")
	}
	inner, err := p.linked(parts[0], in, pair{parts[2], in.value})
	if err != nil {
		return err
	}
	c := record.Condition{Param: known.name, From: &inner}
	if known.use == byPatient {
		c.Param = ""
	}
	q.Conditions = append(q.Conditions, c)
	return nil
}

// linked is the query for the resources at the other end of a link, as far as
// the client may search them.
func (p *parser) linked(typ string, in, condition pair) (record.Query, error) {
	q := record.Query{Type: typ}
	within, err := p.within(typ, MaySearch)
	if err != nil {
		return q, err
	}
	if len(within) > 0 {
		q.Any = append(q.Any, within)
	}
	if _, err := p.narrow(&q, condition); err != nil {
		var f *failure
		if errors.As(err, &f) && f.param != "" {
			return q, badParameter(in.name, f.code, f.diagnostics)
		}
		return q, err
	}
	return q, nil
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
