package fhir

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// securityParam finds security labels, and is the one parameter of all types that
// narrows a scope: a client may be let in without what is restricted.
const securityParam = "_security"

// CheckNarrowing checks the search parameters that narrow a scope, such as
// category=system|code: each has to be one that the type is searched by here, in a
// form that is understood. A scope that is narrowed in a way which can't be
// enforced is not granted at all. An asterisk stands for every type.
func CheckNarrowing(typ, query string) error {
	if typ == "*" {
		typ = typePatient
	}
	if _, ok := types[typ]; !ok {
		return fmt.Errorf("resources of the type %s are not searched here", typ)
	}
	pairs, err := parsePairs(query)
	if err != nil {
		return err
	}
	for _, p := range pairs {
		if strings.HasPrefix(p.name, "_") && !narrowsEvery(p.name) {
			return errors.New("a scope is narrowed by the search parameters of the type, or by " + securityParam)
		}
	}
	_, err = scopeQuery(typ, query, &parser{now: time.Unix(0, 0)})
	return err
}

// NarrowsEveryType reports whether all the search parameters are those of every type
// that may narrow a scope.
func NarrowsEveryType(query string) bool {
	pairs, err := parsePairs(query)
	if err != nil {
		return false
	}
	for _, p := range pairs {
		if !narrowsEvery(p.name) {
			return false
		}
	}
	return true
}

func narrowsEvery(name string) bool {
	base, _, _ := strings.Cut(name, ":")
	return base == securityParam
}
