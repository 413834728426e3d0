// Package smart lets systems in by SMART Backend Services: it tells clients how to
// authorise, checks their signed assertions, and issues short tokens that are good
// for the scopes of their registration.
// Source: HL7 SMART App Launch 2.2, backend services and scopes.
package smart

import (
	"errors"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"candidacy/fhir"
	"candidacy/internal/record"
)

// Scope is what a client may do with resources of a type, such as
// system/Observation.rs?category=laboratory.
type Scope struct {
	// Type is a resource type, or * for all of them.
	Type string
	// Permissions are letters of cruds in that order.
	Permissions string
	// Query narrows the scope to the resources that a search by it would find;
	// empty for all of the type.
	Query string
	// text is how the scope was written.
	text string
}

// anyType stands for every type in a scope. What is explicit is not among them.
const anyType = "*"

// explicit are the types that a client is granted by name alone: an audit trail is
// for auditors, and not for whoever reads everything.
var explicit = []string{"AuditEvent"}

// errElsewhere says that a scope is well-formed, and of a kind that is not granted
// here: those of people's apps and of sign-in.
var errElsewhere = errors.New("only system scopes are granted")

const permissions = "cruds"

var (
	scopeShape = regexp.MustCompile(`^system/(\*|[A-Z][A-Za-z]{1,40})\.([a-z*]{1,5})(?:\?(.*))?$`)
	// scope-token of RFC 6749, section 3.3.
	tokenShape = regexp.MustCompile(`^[\x21\x23-\x5B\x5D-\x7E]+$`)
	v2Shape    = regexp.MustCompile(`^c?r?u?d?s?$`)
	paramShape = regexp.MustCompile(`^_?[A-Za-z][A-Za-z-]{0,40}(:[A-Za-z-]{1,40})?$`)
)

const longestScope = 1000

// ParseScope reads one scope of version 2 or 1. The error says what is wrong in
// words that may be shown; that of a scope which is none of ours is errElsewhere.
func ParseScope(text string) (Scope, error) {
	if !tokenShape.MatchString(text) || len(text) > longestScope {
		return Scope{}, errors.New("not a scope")
	}
	if !strings.HasPrefix(text, "system/") {
		return Scope{}, errElsewhere
	}
	parts := scopeShape.FindStringSubmatch(text)
	if parts == nil {
		return Scope{}, errors.New("not a system scope: write system/Type.cruds, with * or a resource type and at least one letter")
	}
	s := Scope{Type: parts[1], Query: parts[3], text: text}
	if s.Type != anyType && !fhir.IsResourceType(s.Type) {
		return Scope{}, fmt.Errorf("there is no resource type of this name in FHIR R4")
	}
	switch letters := parts[2]; {
	case letters == "read":
		s.Permissions = "rs"
	case letters == "write":
		s.Permissions = "cud"
	case letters == "*":
		s.Permissions = permissions
	case v2Shape.MatchString(letters):
		s.Permissions = letters
	default:
		return Scope{}, errors.New("the permissions of a scope are letters of cruds in that order, or read, write or *")
	}
	if !strings.Contains(text, "?") {
		return s, nil
	}
	return s, s.checkQuery(parts[2])
}

func (s Scope) checkQuery(letters string) error {
	switch {
	case s.Type == anyType && !fhir.NarrowsEveryType(s.Query):
		return errors.New("a scope for every type is narrowed by _security alone")
	case !v2Shape.MatchString(letters):
		return errors.New("a scope of version 1 can't be narrowed by search parameters")
	}
	for pair := range strings.SplitSeq(s.Query, "&") {
		name, value, ok := strings.Cut(pair, "=")
		if _, err := url.QueryUnescape(value); !ok || value == "" || err != nil || !paramShape.MatchString(name) {
			return errors.New("what narrows a scope is a search such as ?category=system|code")
		}
	}
	return nil
}

// String writes the scope in the form of version 2.
func (s Scope) String() string {
	text := "system/" + s.Type + "." + s.Permissions
	if s.Query != "" {
		text += "?" + s.Query
	}
	return text
}

// Scopes are what a token is good for.
type Scopes []Scope

// ParseScopes reads scopes that were checked before, as those that are stored. It
// leaves out what it can't read: a scope that nobody understands grants nothing.
func ParseScopes(text string) Scopes {
	var list Scopes
	for word := range strings.FieldsSeq(text) {
		if s, err := ParseScope(word); err == nil {
			list = append(list, s)
		}
	}
	return list
}

// String writes the scopes separated by blanks.
func (list Scopes) String() string {
	words := make([]string, len(list))
	for i, s := range list {
		words[i] = s.String()
	}
	return strings.Join(words, " ")
}

var _ fhir.Grant = Scopes(nil)

// Allows implements fhir.Grant.
func (list Scopes) Allows(typ string, p fhir.Permission) (within []string, ok bool) {
	if p == 'd' {
		return nil, false
	}
	for _, s := range list {
		if s.Type != typ && (s.Type != anyType || slices.Contains(explicit, typ)) || !strings.ContainsRune(s.Permissions, rune(p)) {
			continue
		}
		if s.Query == "" {
			return nil, true
		}
		if !slices.Contains(within, s.Query) {
			within = append(within, s.Query)
		}
	}
	return within, len(within) > 0
}

// grantable leaves out deletion, which nobody is granted: nothing on record is
// deleted.
func grantable(letters string) string { return strings.ReplaceAll(letters, "d", "") }

// common is what both lists of letters hold.
func common(a, b string) string {
	return strings.Map(func(r rune) rune {
		if strings.ContainsRune(b, r) {
			return r
		}
		return -1
	}, a)
}

// meet is what both scopes grant, if they have anything in common.
func meet(a, b Scope) (Scope, bool) {
	s := Scope{Type: a.Type, Permissions: grantable(common(a.Permissions, b.Permissions))}
	switch {
	case s.Permissions == "":
		return s, false
	case a.Type == b.Type, b.Type == anyType && !slices.Contains(explicit, a.Type):
	case a.Type == anyType && !slices.Contains(explicit, b.Type):
		s.Type = b.Type
	default:
		return s, false
	}
	// Both searches have to find a resource.
	var pairs []string
	for _, query := range []string{a.Query, b.Query} {
		if query == "" {
			continue
		}
		for pair := range strings.SplitSeq(query, "&") {
			if !slices.Contains(pairs, pair) {
				pairs = append(pairs, pair)
			}
		}
	}
	s.Query = strings.Join(pairs, "&")
	return s, true
}

// Grants is what a client that asks for scopes gets of those it is registered for.
// What is granted as it was asked for keeps its wording, so that a client which
// compares finds it; the rest is written in the form of version 2. A word that is
// no scope at all is an error.
func Grants(asked string, registered Scopes) (string, error) {
	var words []string
	for word := range strings.FieldsSeq(asked) {
		a, err := ParseScope(word)
		if errors.Is(err, errElsewhere) {
			continue
		}
		if err != nil {
			return "", err
		}
		for _, r := range registered {
			s, ok := meet(a, r)
			if !ok {
				continue
			}
			text := s.String()
			if s.Type == a.Type && s.Permissions == a.Permissions && s.Query == a.Query {
				text = a.text
			}
			if !slices.Contains(words, text) {
				words = append(words, text)
			}
		}
	}
	return strings.Join(words, " "), nil
}

// CheckScopes reads the scopes that a client of the role is registered for. Each
// has to be something that can be granted.
func CheckScopes(text string, role record.ClientRole) (Scopes, error) {
	var list Scopes
	for word := range strings.FieldsSeq(text) {
		s, err := ParseScope(word)
		if err == nil {
			err = s.check(role)
		}
		if err != nil {
			return nil, fmt.Errorf("%q: %w", word, err)
		}
		list = append(list, s)
	}
	if len(list) == 0 {
		return nil, errors.New("at least one scope is needed, such as system/*.rs")
	}
	return list, nil
}

func (s Scope) check(role record.ClientRole) error {
	letters := grantable(s.Permissions)
	switch {
	case letters == "":
		return errors.New("nobody is granted to delete")
	case role != record.ClientLaboratory && strings.ContainsAny(letters, "cu") && s.Type != "Subscription": // its own, which writes no record
		return fmt.Errorf("a %s is granted reading and searching alone (r and s); a %s may create and update", record.ClientReader, record.ClientLaboratory)
	case s.Query != "":
		return fhir.CheckNarrowing(s.Type, s.Query)
	}
	return nil
}

// wholeRead is the grant of a token of the role ehr that was issued by hand and
// without scopes: it reads everything but the audit trail, and writes nothing.
type wholeRead struct{}

// Allows implements fhir.Grant.
func (wholeRead) Allows(typ string, p fhir.Permission) ([]string, bool) {
	return nil, (p == fhir.MayRead || p == fhir.MaySearch) && !slices.Contains(explicit, typ)
}

// resultWrite is the grant of a token of the role laboratory that was issued by
// hand: it brings results, and reads nothing.
type resultWrite struct{}

// Allows implements fhir.Grant.
func (resultWrite) Allows(typ string, p fhir.Permission) ([]string, bool) {
	return nil, (p == fhir.MayCreate || p == fhir.MayUpdate) && (typ == "Observation" || typ == "DiagnosticReport")
}

// auditRead is the grant of an auditor: the audit trail alone.
type auditRead struct{}

// Allows implements fhir.Grant.
func (auditRead) Allows(typ string, p fhir.Permission) ([]string, bool) {
	return nil, (p == fhir.MayRead || p == fhir.MaySearch) && slices.Contains(explicit, typ)
}

// nothing is the grant of whoever was not let in.
type nothing struct{}

// Allows implements fhir.Grant.
func (nothing) Allows(string, fhir.Permission) ([]string, bool) { return nil, false }
