package fhir

import (
	"errors"
	"fmt"
	"time"
)

// CheckNarrowing checks the search parameters that narrow a scope, such as
// category=system|code: each has to be one that the type is searched by here, in a
// form that is understood. A scope that is narrowed in a way which can't be
// enforced is not granted at all.
func CheckNarrowing(typ, query string) error {
	if _, ok := types[typ]; !ok {
		return fmt.Errorf("resources of the type %s are not searched here", typ)
	}
	pairs, err := parsePairs(query)
	if err != nil {
		return err
	}
	for _, p := range pairs {
		if len(p.name) > 0 && p.name[0] == '_' {
			return errors.New("a scope is narrowed by the search parameters of the type alone")
		}
	}
	_, err = scopeQuery(typ, query, &parser{now: time.Unix(0, 0)})
	return err
}
