package fhir

import "net/http"

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
