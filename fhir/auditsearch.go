package fhir

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/audit"
	"candidacy/internal/record"
)

// AccessReader is what the server needs of the access log, from which audit
// events are made when they are read.
type AccessReader interface {
	Accesses(ctx context.Context, q record.AccessQuery) ([]record.Access, error)
	CountAccesses(ctx context.Context, q record.AccessQuery) (int, error)
}

var _ AccessReader = (*record.Store)(nil)

// auditParams are the search parameters of AuditEvent.
var auditParams = []param{
	patientParam("patient", "AuditEvent-patient"),
	dateParam("date", "AuditEvent-date"),
	referenceParam("agent", "AuditEvent-agent"),
	tokenParam("type", "AuditEvent-type", ""),
	tokenParam("subtype", "AuditEvent-subtype", ""),
	tokenParam("action", "AuditEvent-action", systemAuditAction),
	tokenParam("outcome", "AuditEvent-outcome", systemAuditOutcome),
}

// auditRoutes are the paths of AuditEvent. They are apart from those of the
// published types: nothing of it is stored as a resource, and it is part of no
// compartment, export or $everything.
func auditRoutes() []route {
	return []route{
		{method: http.MethodGet, path: "/AuditEvent/:id", code: interaction(r4.TypeRestfulInteractionRead), handler: (*server).readAuditEvent},
		{method: http.MethodGet, path: "/AuditEvent", code: interaction(r4.TypeRestfulInteractionSearchType), handler: (*server).searchAuditEvents},
		{method: http.MethodPost, path: "/AuditEvent/_search", code: interaction(r4.TypeRestfulInteractionSearchType), handler: (*server).searchAuditEvents},
	}
}

// registerAuditEvents mounts AuditEvent on the group.
func (s *server) registerAuditEvents(g *echo.Group) {
	for _, r := range auditRoutes() {
		handle := s.guard(func(c echo.Context) error { return r.handler(s, c) })
		for _, method := range r.methods() {
			g.Add(method, r.path, handle)
		}
	}
	// Other methods would meet the routes of the published types.
	for _, method := range []string{http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete} {
		for _, path := range []string{"/AuditEvent", "/AuditEvent/:id"} {
			g.Add(method, path, s.guard(func(echo.Context) error { return notAllowed("GET, HEAD") }))
		}
	}
	g.RouteNotFound("/AuditEvent/*", s.guard(func(echo.Context) error { return notFound() }))
}

func notAllowed(methods string) *failure {
	return &failure{status: http.StatusMethodNotAllowed, code: "not-supported", allow: methods, diagnostics: "this method is not supported here"}
}

// auditAllowed refuses a client that may not do this with audit events. A grant
// that is narrowed by a search is none here.
func (s *server) auditAllowed(r *http.Request, p Permission) error {
	if within, ok := s.grant(r).Allows(typeAuditEvent, p); !ok || len(within) > 0 {
		return &failure{
			status: http.StatusForbidden, code: "forbidden",
			diagnostics: "audit events are for auditors: the client needs the scope system/AuditEvent.rs",
		}
	}
	return nil
}

func (s *server) readAuditEvent(c echo.Context) error {
	r := c.Request()
	if c.Param("id") == "_search" {
		return notAllowed(http.MethodPost)
	}
	if err := s.auditAllowed(r, MayRead); err != nil {
		return err
	}
	if err := acceptable(r, c.QueryParam("_format")); err != nil {
		return err
	}
	seq, err := strconv.ParseInt(c.Param("id"), 10, 64)
	if err != nil || strconv.FormatInt(seq, 10) != c.Param("id") {
		return notFound()
	}
	rows, err := s.opts.AccessLog.Accesses(r.Context(), record.AccessQuery{Seqs: []int64{seq}, Limit: 1})
	if err != nil {
		return err
	}
	if len(rows) == 0 {
		return notFound()
	}
	audit.About(r.Context(), rows[0].Candidates...)
	body, err := encode(auditEvent(rows[0]))
	if err != nil {
		return fmt.Errorf("encode an audit event: %w", err)
	}
	return s.send(c, record.Published{Type: typeAuditEvent, Version: 1, UpdatedAt: rows[0].At, Body: body}, shape{})
}

// auditSearch is a search for audit events as it is carried out.
type auditSearch struct {
	query     record.AccessQuery
	count     int
	countOnly bool
	// total asks for it to be counted.
	total  bool
	format string
	used   []pair
}

func (s *server) searchAuditEvents(c echo.Context) error {
	r := c.Request()
	if err := s.auditAllowed(r, MaySearch); err != nil {
		return err
	}
	pairs, err := sentPairs(c)
	if err != nil {
		return err
	}
	notePairs(r.Context(), pairs)
	p := parser{base: s.opts.BaseURL(r), now: s.opts.Now(), strict: strict(r.Header)}
	search, err := p.parseAudit(pairs)
	if err != nil {
		return err
	}
	if err := acceptable(r, search.format); err != nil {
		return err
	}
	audit.About(r.Context(), search.query.Candidates...)
	body, err := s.auditPage(r.Context(), p.base, search)
	if err != nil {
		return err
	}
	return write(c, http.StatusOK, body)
}

func (p parser) parseAudit(pairs []pair) (*auditSearch, error) {
	s := &auditSearch{count: defaultCount}
	for _, in := range pairs {
		if err := p.applyAudit(s, in); err != nil {
			return nil, err
		}
	}
	return s, nil
}

func (p parser) applyAudit(s *auditSearch, in pair) error {
	used := true
	switch in.name {
	case "_count":
		n, err := strconv.Atoi(in.value)
		if err != nil || n < 0 {
			return badParameter("_count", "invalid", "not a whole number of at least 0")
		}
		s.count, s.countOnly = min(n, maxCount), s.countOnly || n == 0
		return nil // written by page
	case "_cursor":
		seq, err := strconv.ParseInt(in.value, 10, 64)
		if err != nil || seq < 1 {
			return badParameter("_cursor", "invalid", "not a cursor of this server")
		}
		if s.query.OldestFirst {
			s.query.After = seq
		} else {
			s.query.Before = seq
		}
		return nil
	case "_format":
		s.format = in.value
	case "_sort":
		switch in.value {
		case "date", "_lastUpdated":
			// The cursor may have come before.
			s.query.OldestFirst = true
			s.query.After, s.query.Before = max(s.query.After, s.query.Before), 0
		case "-date", "-_lastUpdated":
		default:
			return badParameter("_sort", "not-supported", "audit events are sorted by date or -date")
		}
	case "_total":
		switch in.value {
		case "accurate", "estimate":
			s.total = true
		case "none":
		default:
			return badParameter("_total", "invalid", "none, estimate or accurate")
		}
	case "_summary":
		switch in.value {
		case "count":
			s.countOnly = true
		case "false":
		default:
			if p.strict {
				return badParameter("_summary", "not-supported", "only count and false are supported")
			}
			used = false
		}
	default:
		var err error
		if used, err = p.auditCondition(s, in); err != nil {
			return err
		}
	}
	if used {
		s.used = append(s.used, in)
	}
	return nil
}

// auditCondition takes up a parameter that selects, and reports whether it did.
func (p parser) auditCondition(s *auditSearch, in pair) (bool, error) {
	name, modifier, modified := strings.Cut(in.name, ":")
	known := slices.ContainsFunc(slices.Concat(commonParams, auditParams), func(k param) bool { return k.name == name })
	switch {
	case !known && (narrowing[name] || p.strict || name == "entity" || name == "entity-type"):
		return false, badParameter(in.name, "not-supported", "not supported here")
	case !known:
		return false, nil
	case modified && !(name == "agent" && modifier == "identifier") && !(name == "patient" && modifier == typePatient):
		return false, badParameter(in.name, "not-supported", "this modifier is not supported")
	}
	values, ok := alternatives(in.value)
	if !ok {
		return false, badParameter(in.name, "invalid", "a value is missing")
	}
	if len(values) > maxValues {
		return false, &failure{status: http.StatusBadRequest, code: "too-costly", diagnostics: "the search names too many values"}
	}
	return true, p.auditValues(&s.query, name, values)
}

func (p parser) auditValues(q *record.AccessQuery, name string, values []string) error {
	switch name {
	case "_id":
		list := []int64{}
		for _, v := range values {
			if !validID(v) {
				return badParameter(name, "invalid", "not a FHIR id")
			}
			if seq, err := strconv.ParseInt(v, 10, 64); err == nil {
				list = append(list, seq)
			}
		}
		q.Seqs = meetLists(q.Seqs, list)
	case "patient":
		list := []string{}
		for _, v := range values {
			local := strings.TrimPrefix(unescapeValue(v), p.base+"/")
			if strings.Contains(local, "://") {
				continue // a patient of another server is nobody here
			}
			id := strings.TrimPrefix(local, typePatient+"/")
			if !validID(id) {
				return badParameter(name, "invalid", "not a reference to a patient: use an id, Patient/id or an absolute URL")
			}
			list = append(list, id)
		}
		q.Candidates = meetLists(q.Candidates, list)
	case "agent":
		list := []string{}
		for _, v := range values {
			m, ok := parseAuditToken(v)
			if !ok || m.code == "" {
				return badParameter(name, "invalid", "name who asked by the identifier that audit events show: value, or "+identifierOfActor+"|value")
			}
			if m.anySystem || m.system == identifierOfActor {
				list = append(list, m.code)
			}
		}
		q.Actors = meetLists(q.Actors, list)
	case "date", "_lastUpdated":
		spans := []record.Span{}
		for _, text := range values {
			v, err := parseDateValue(text, p.now)
			if err != nil {
				return badParameter(name, "invalid", err.Error())
			}
			spans = append(spans, v.spans()...)
		}
		q.Written = append(q.Written, spans)
	default:
		return auditTokens(q, name, values)
	}
	return nil
}

// meetLists is what both lists hold; a nil one is no restriction yet.
func meetLists[T comparable](before, list []T) []T {
	if before == nil {
		return list
	}
	kept := []T{}
	for _, v := range list {
		if slices.Contains(before, v) {
			kept = append(kept, v)
		}
	}
	return kept
}

// auditToken is a token to look for; an empty code is every code of its system.
type auditToken struct {
	system, code string
	anySystem    bool
}

func parseAuditToken(text string) (auditToken, bool) {
	system, code, ok := strings.Cut(unescapeValue(text), "|")
	if !ok {
		return auditToken{code: system, anySystem: true}, system != ""
	}
	return auditToken{system: system, code: code}, system != "" || code != ""
}

// auditTokens selects by what an interaction is, or by how it ended.
func auditTokens(q *record.AccessQuery, name string, values []string) error {
	interactions, statuses, operations := []string{}, [][2]int{}, false
	for _, v := range values {
		m, ok := parseAuditToken(v)
		if !ok {
			return badParameter(name, "invalid", "not a token: use code, system|code, |code or system|")
		}
		is := func(c r4.Coding) bool {
			return (m.anySystem || m.system == *c.System) && (m.code == *c.Code || m.code == "")
		}
		if name == "outcome" {
			for _, o := range outcomes {
				if is(coding(systemAuditOutcome, o.outcome.Code(), "")) {
					statuses = append(statuses, o.statuses)
				}
			}
			continue
		}
		matches := func(k auditKind) bool {
			switch name {
			case "action":
				return is(coding(systemAuditAction, k.action.Code(), ""))
			case "type":
				return is(k.typ)
			default:
				return slices.ContainsFunc(k.subtype, is)
			}
		}
		for _, code := range everyInteraction() {
			if matches(kindOfAccess(code)) {
				interactions = append(interactions, code)
			}
		}
		operations = operations || matches(kindOfAccess("$operation"))
	}
	if name == "outcome" {
		q.Statuses = meetLists(q.Statuses, statuses)
		return nil
	}
	if q.Interactions == nil {
		q.Interactions, q.Operations = interactions, operations
		return nil
	}
	q.Interactions, q.Operations = meetLists(q.Interactions, interactions), q.Operations && operations
	return nil
}

// everyInteraction lists the codes that rows have, operations apart. That of a
// path which means nothing is empty.
func everyInteraction() []string {
	list := []string{""}
	for _, each := range restful {
		list = append(list, each.code)
	}
	for _, each := range looks {
		list = append(list, each.code)
	}
	return list
}

func (s *server) auditPage(ctx context.Context, base string, search *auditSearch) ([]byte, error) {
	q := search.query
	total := -1
	if search.total || search.countOnly {
		whole := q
		whole.Before, whole.After = 0, 0
		var err error
		if total, err = s.opts.AccessLog.CountAccesses(ctx, whole); err != nil {
			return nil, err
		}
	}
	var rows []record.Access
	if !search.countOnly {
		q.Limit = search.count + 1
		var err error
		if rows, err = s.opts.AccessLog.Accesses(ctx, q); err != nil {
			return nil, err
		}
	}
	more := len(rows) > search.count
	if more {
		rows = rows[:search.count]
	}
	kind := r4.BundleTypeSearchset
	b := r4.Bundle{Type: kind, Link: []r4.BundleLink{{Relation: "self", Url: base + "/AuditEvent?" + search.parameters(q)}}}
	if total >= 0 {
		b.Total = &total
	}
	if more {
		next := q
		if last := rows[len(rows)-1].Seq; q.OldestFirst {
			next.After = last
		} else {
			next.Before = last
		}
		b.Link = append(b.Link, r4.BundleLink{Relation: "next", Url: base + "/AuditEvent?" + search.parameters(next)})
	}
	mode := r4.SearchEntryModeMatch
	for _, row := range rows {
		body, err := encode(auditEvent(row))
		if err != nil {
			return nil, fmt.Errorf("encode an audit event: %w", err)
		}
		full := base + "/AuditEvent/" + strconv.FormatInt(row.Seq, 10)
		b.Entry = append(b.Entry, r4.BundleEntry{FullUrl: &full, Resource: body, Search: &r4.BundleEntrySearch{Mode: &mode}})
	}
	return encode(b)
}

// parameters writes those that took part, with where the page begins.
func (s *auditSearch) parameters(q record.AccessQuery) string {
	var b strings.Builder
	for _, p := range s.used {
		b.WriteString(url.QueryEscape(p.name) + "=" + url.QueryEscape(p.value) + "&")
	}
	b.WriteString("_count=" + strconv.Itoa(s.count))
	if cursor := max(q.Before, q.After); cursor > 0 {
		b.WriteString("&_cursor=" + strconv.FormatInt(cursor, 10))
	}
	return b.String()
}

// auditCapability is the row of AuditEvent in the CapabilityStatement.
func auditCapability() r4.CapabilityStatementRestResource {
	versioning := r4.ResourceVersionPolicyNoVersion
	conditional := r4.ConditionalReadStatusFullSupport
	r := r4.CapabilityStatementRestResource{Type: r4.ResourceTypeAuditEvent, Versioning: &versioning, ConditionalRead: &conditional}
	seen := map[r4.TypeRestfulInteraction]bool{}
	for _, route := range auditRoutes() {
		if !seen[*route.code] {
			seen[*route.code] = true
			r.Interaction = append(r.Interaction, r4.CapabilityStatementRestResourceInteraction{Code: *route.code})
		}
	}
	for _, p := range slices.Concat(commonParams, auditParams) {
		definition := canonicalParam + p.definition
		r.SearchParam = append(r.SearchParam, r4.CapabilityStatementRestResourceSearchParam{Name: p.name, Definition: &definition, Type: p.kind})
	}
	return r
}

// SMARTSecurity says in the CapabilityStatement how clients get tokens at the
// address. Without one only tokens that were issued by hand are good.
func SMARTSecurity(token string) *r4.CapabilityStatementRestSecurity {
	if token == "" {
		return tokensOnly()
	}
	description := "SMART Backend Services (private_key_jwt with RS384 or ES384) for clients that the programme registered, and bearer tokens that it issued by hand."
	return &r4.CapabilityStatementRestSecurity{
		Service: []r4.CodeableConcept{
			concept("http://terminology.hl7.org/CodeSystem/restful-security-service", "SMART-on-FHIR", "", "OAuth2 with SMART Backend Services"),
			concept("", "", "", "Bearer token"),
		},
		Description: &description,
		Extension: []r4.Extension{{
			Url:       "http://fhir-registry.smarthealthit.org/StructureDefinition/oauth-uris",
			Extension: []r4.Extension{{Url: "token", ValueUri: &token}},
		}},
	}
}
