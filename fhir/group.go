package fhir

import (
	"context"
	"net/http"
	"slices"
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

const typeGroup = "Group"

var groupType = resourceType{
	code:        r4.ResourceTypeGroup,
	unversioned: true,
	params: []param{
		tokenParam("identifier", "Group-identifier", ""),
		tokenParam("code", "Group-code", ""),
		tokenParam("type", "Group-type", systemGroupType),
		tokenParam("actual", "Group-actual", ""),
		referenceParam("member", "Group-member", typePatient),
	},
}

const (
	systemGroupType = "http://hl7.org/fhir/group-type"
	systemCohort    = "https://candidacy.example/CodeSystem/cohort"
	systemGroup     = "https://candidacy.example/NamingSystem/group"
)

// cohort is a group of the programme's people. Its members follow from how far
// each has come at the time of the question, and are stored nowhere. However a
// journey ends, its person leaves the same groups in the same moment.
type cohort struct {
	id, name string
	// stages are those of its members; nil is every stage.
	stages []journey.Stage
}

var cohorts = []cohort{
	{"after-operation", "People after the operation, until their follow-up ends", []journey.Stage{journey.Recovery, journey.FollowUp}},
	{"all", "Everybody who was referred to the programme", nil},
	{"candidates", "People on their way to an operation", []journey.Stage{
		journey.Referral, journey.Screening, journey.Evaluation, journey.Committee, journey.Approved, journey.Scheduled, journey.Operation,
		journey.OnHold, journey.Deferred,
	}},
}

func cohortNamed(id string) (cohort, bool) {
	i := slices.IndexFunc(cohorts, func(c cohort) bool { return c.id == id })
	if i < 0 {
		return cohort{}, false
	}
	return cohorts[i], true
}

// index holds what a search finds a cohort by, but for its members.
func (c cohort) index() index {
	var x index
	x.token("identifier", systemGroup, c.id)
	x.token("code", systemCohort, c.id)
	x.code("type", systemGroupType, r4.GroupTypePerson.Code())
	x.code("actual", "", "true")
	return x
}

// resource is the cohort with its members.
func (c cohort) resource(members []string, updated time.Time) (record.Published, error) {
	active, quantity := true, len(members)
	code := concept(systemCohort, c.id, c.name, "")
	g := r4.Group{
		Id: &c.id, Identifier: []r4.Identifier{{System: optional(systemGroup), Value: &c.id}}, Active: &active,
		Type: r4.GroupTypePerson, Actual: true, Code: &code, Name: &c.name, Quantity: &quantity,
	}
	if !updated.IsZero() {
		g.Meta = &r4.Meta{LastUpdated: optional(updated.UTC().Format("2006-01-02T15:04:05.000Z"))}
	}
	for _, id := range members {
		g.Member = append(g.Member, r4.GroupMember{Entity: reference(typePatient, id)})
	}
	body, err := encode(g)
	// The version changes whenever anything might have: it is only for ETags.
	return record.Published{Type: typeGroup, ID: c.id, Version: updated.UnixMicro(), UpdatedAt: updated, Body: body}, err
}

// Members is what Groups asks of the store.
type Members interface {
	// Cohort lists the candidates in one of the stages, nil being all, in id order,
	// or those of them that are among the ids, if these are not nil. It also tells
	// when anything about any candidate last changed.
	Cohort(ctx context.Context, stages []journey.Stage, ids []string) ([]string, time.Time, error)
}

// withGroups adds the cohorts to what is stored.
type withGroups struct {
	Reader
	members Members
}

func (g withGroups) read(ctx context.Context, c cohort) (record.Published, error) {
	members, updated, err := g.members.Cohort(ctx, c.stages, nil)
	if err != nil {
		return record.Published{}, err
	}
	audit.Everybody(ctx)
	return c.resource(members, updated)
}

// Resource implements Reader.
func (g withGroups) Resource(ctx context.Context, typ, id string) (record.Published, error) {
	if typ != typeGroup {
		return g.Reader.Resource(ctx, typ, id)
	}
	c, ok := cohortNamed(id)
	if !ok {
		return record.Published{}, record.ErrNotFound
	}
	audit.Group(ctx, c.id)
	return g.read(ctx, c)
}

// Search implements Reader.
func (g withGroups) Search(ctx context.Context, q record.Query) ([]record.Published, error) {
	if q.Type != typeGroup {
		return g.Reader.Search(ctx, q)
	}
	found, err := g.find(ctx, q)
	if err != nil {
		return nil, err
	}
	var list []record.Published
	for _, c := range found {
		if c.id <= q.After || len(list) == q.Limit {
			continue
		}
		p, err := g.read(ctx, c)
		if err != nil {
			return nil, err
		}
		list = append(list, p)
	}
	return list, nil
}

// Count implements Reader.
func (g withGroups) Count(ctx context.Context, q record.Query) (int, error) {
	if q.Type != typeGroup {
		return g.Reader.Count(ctx, q)
	}
	found, err := g.find(ctx, q)
	return len(found), err
}

// CountCheaply implements Reader.
func (g withGroups) CountCheaply(ctx context.Context, q record.Query) (int, bool, error) {
	if q.Type != typeGroup {
		return g.Reader.CountCheaply(ctx, q)
	}
	n, err := g.Count(ctx, q)
	return n, true, err
}

// Order implements Reader. There are so few that they come in the order of their
// ids, which their codes and identifiers are too.
func (g withGroups) Order(ctx context.Context, q record.Query, keys []record.Sort, limit int) ([]string, error) {
	if q.Type != typeGroup {
		return g.Reader.Order(ctx, q, keys, limit)
	}
	found, err := g.find(ctx, q)
	if err != nil {
		return nil, err
	}
	var ids []string
	for _, c := range found {
		ids = append(ids, c.id)
	}
	if len(keys) > 0 && keys[0].Descending && (keys[0].ID || keys[0].Param == "code" || keys[0].Param == "identifier") {
		slices.Reverse(ids)
	}
	return ids[:min(limit, len(ids))], nil
}

// References implements Reader.
func (g withGroups) References(ctx context.Context, typ, param string, ids []string) ([]record.Key, error) {
	if typ != typeGroup {
		return g.Reader.References(ctx, typ, param, ids)
	}
	var keys []record.Key
	for _, id := range ids {
		c, ok := cohortNamed(id)
		if !ok {
			continue
		}
		members, _, err := g.members.Cohort(ctx, c.stages, nil)
		if err != nil {
			return nil, err
		}
		for _, m := range members {
			keys = append(keys, record.Key{Type: typePatient, ID: m})
		}
	}
	return keys, nil
}

// find selects cohorts, in id order.
func (g withGroups) find(ctx context.Context, q record.Query) ([]cohort, error) {
	var found []cohort
	for _, c := range cohorts {
		ok, err := g.meets(ctx, c, q)
		if err != nil {
			return nil, err
		}
		if ok {
			found = append(found, c)
		}
	}
	return found, nil
}

func (g withGroups) meets(ctx context.Context, c cohort, q record.Query) (bool, error) {
	if q.IDs != nil && !slices.Contains(q.IDs, c.id) || q.Candidates != nil {
		return false, nil
	}
	if len(q.Updated) > 0 {
		_, updated, err := g.members.Cohort(ctx, c.stages, []string{})
		if err != nil {
			return false, err
		}
		at := instantText(updated)
		for _, spans := range q.Updated {
			if !slices.ContainsFunc(spans, func(s record.Span) bool { return at >= s.From && (s.To == "" || at < s.To) }) {
				return false, nil
			}
		}
	}
	for _, condition := range q.Conditions {
		ok, err := g.holds(ctx, c, condition)
		if err != nil || ok == condition.Not {
			return false, err
		}
	}
	for _, alternatives := range q.Any {
		met := false
		for _, alternative := range alternatives {
			ok, err := g.meets(ctx, c, alternative)
			if err != nil {
				return false, err
			}
			met = met || ok
		}
		if !met {
			return false, nil
		}
	}
	return true, nil
}

// holds reports whether the cohort has a value that the condition names.
func (g withGroups) holds(ctx context.Context, c cohort, condition record.Condition) (bool, error) {
	if condition.To != nil || condition.From != nil {
		return false, errNotOfGroups
	}
	if condition.Param == "member" {
		ids := []string{}
		for _, m := range condition.Any {
			switch {
			case m.Op == ">=" && m.Value == "": // any member at all
				ids = nil
			case m.Op != "=":
				return false, errNotOfGroups
			case ids != nil && (m.AnySystem || m.System == typePatient):
				ids = append(ids, m.Value)
			}
		}
		members, _, err := g.members.Cohort(ctx, c.stages, ids)
		return len(members) > 0, err
	}
	for _, m := range condition.Any {
		for _, x := range c.index() {
			if x.Param != condition.Param || !m.AnySystem && (m.Op == "=" || m.Op == record.OfSystem) && x.System != m.System {
				continue
			}
			if ok, err := compares(x.Value, m); ok || err != nil {
				return ok, err
			}
		}
	}
	return false, nil
}

// errNotOfGroups is for what only the index of stored resources could answer.
var errNotOfGroups = &failure{status: http.StatusBadRequest, code: "not-supported", diagnostics: "groups can't be searched in this way"}

func compares(text string, m record.Match) (bool, error) {
	switch m.Op {
	case record.OfSystem: // which was compared
		return true, nil
	case "=":
		return text == m.Value, nil
	case "<":
		return text < m.Value, nil
	case "<=":
		return text <= m.Value, nil
	case ">":
		return text > m.Value, nil
	case ">=":
		return text >= m.Value, nil
	default:
		return false, errNotOfGroups
	}
}
