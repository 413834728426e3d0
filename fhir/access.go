package fhir

import (
	"context"
	"net/http"

	"candidacy/internal/record"
)

// Permission is what a client asks to do with resources of a type: one letter
// of a SMART scope of version 2.
// Source: HL7 SMART App Launch 2.2, scopes and launch context.
type Permission byte

// The permissions. Delete is never granted: nothing on record is deleted.
const (
	MayCreate Permission = 'c'
	MayRead   Permission = 'r'
	MayUpdate Permission = 'u'
	MaySearch Permission = 's'
)

// Grant is what the client of a request may do. It is asked for every resource
// type that a request touches, those of included resources too.
type Grant interface {
	// Allows reports whether the client may do this with resources of the type.
	// Where a scope is narrowed, within holds its search parameters as queries,
	// such as "category=http://…|laboratory": a resource is granted if it meets
	// any one of them whole. An empty list is every resource of the type.
	Allows(typ string, p Permission) (within []string, ok bool)
}

// Everything is the grant of a client whose token has no scopes.
type Everything struct{}

var _ Grant = Everything{}

// Allows implements Grant.
func (Everything) Allows(string, Permission) ([]string, bool) { return nil, true }

// grant is what the client of the request may do.
func (s *server) grant(r *http.Request) Grant {
	if s.opts.Grant == nil {
		return Everything{}
	}
	return s.opts.Grant(r)
}

// within turns what the client may do into queries: a resource of the type is
// granted if any of them selects it, or if there are none. What may not be done
// at all is a failure. A scope whose parameters can't be searched grants nothing.
func (p *parser) within(typ string, need ...Permission) ([]record.Query, error) {
	var narrowed []record.Query
	for i, permission := range need {
		list, ok := p.grant.Allows(typ, permission)
		if !ok {
			return nil, forbidden(typ)
		}
		if len(list) == 0 {
			continue
		}
		var queries []record.Query
		for _, text := range list {
			q, err := scopeQuery(typ, text, p)
			if err != nil {
				return nil, forbidden(typ)
			}
			queries = append(queries, q)
		}
		if i == 0 || narrowed == nil {
			narrowed = queries
			continue
		}
		// Both have to be met.
		for j := range narrowed {
			narrowed[j].Any = append(narrowed[j].Any, queries)
		}
	}
	return narrowed, nil
}

// scopeQuery reads the search parameters of one scope.
func scopeQuery(typ, text string, p *parser) (record.Query, error) {
	q := record.Query{Type: typ}
	pairs, err := parsePairs(text)
	if err != nil {
		return q, err
	}
	reader := &parser{base: p.base, now: p.now, strict: true, grant: Everything{}}
	for _, in := range pairs {
		if _, err := reader.narrow(&q, in); err != nil {
			return q, err
		}
	}
	return q, nil
}

// readable are the types for which the client has every permission, each with
// the queries that narrow it.
func (p *parser) readable(need ...Permission) (map[string][]record.Query, error) {
	of := map[string][]record.Query{}
	for _, typ := range typeOrder {
		if within, err := p.within(typ, need...); err == nil {
			of[typ] = within
		}
	}
	if len(of) == 0 {
		return nil, &failure{status: http.StatusForbidden, code: "forbidden", diagnostics: "the token's scopes do not allow this for any type"}
	}
	return of, nil
}

// inside refuses what lies outside of a narrowed grant.
func (s *server) inside(ctx context.Context, within []record.Query, typ, id string) error {
	if len(within) == 0 {
		return nil
	}
	n, err := s.store.Count(ctx, record.Query{Type: typ, IDs: []string{id}, Any: [][]record.Query{within}})
	if err == nil && n == 0 {
		return forbidden(typ)
	}
	return err
}
