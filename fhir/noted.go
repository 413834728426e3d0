package fhir

import (
	"context"
	"net/http"
	"regexp"
	"strings"
	"sync"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/audit"
	"candidacy/internal/record"
)

// notePairs notes the names of a search's parameters for the access log.
func notePairs(ctx context.Context, pairs []pair) {
	list := make([]string, len(pairs))
	for i, p := range pairs {
		list[i] = p.name
	}
	audit.Parameters(ctx, list...)
}

// noteAnswer notes whom resources tell of. Whoever puts resources into an answer
// calls it.
func noteAnswer(ctx context.Context, resources []record.Published) {
	list := make([]string, 0, len(resources))
	for _, r := range resources {
		if len(list) == 0 || list[len(list)-1] != r.Candidate {
			list = append(list, r.Candidate)
		}
	}
	audit.About(ctx, list...)
}

// everyType holds the names of all R4 resource types: only they may stand in the
// access log, since anything else in their place may be a value that went astray.
var everyType = sync.OnceValue(func() map[string]bool {
	all := map[string]bool{}
	for t := r4.ResourceType(0); ; t++ {
		code := t.Code()
		if code == "<unknown>" {
			return all
		}
		all[code] = true
	}
})

var operationShape = regexp.MustCompile(`^\$[a-z][a-z-]{1,30}$`)

// Interaction names what a request asks for, by its method and its path below the
// FHIR base: a code of http://hl7.org/fhir/restful-interaction, the name of an
// operation with its dollar sign, or nothing where the path means nothing. The id
// is whatever stands in its place.
func Interaction(method, path string) (code, typ, id string) {
	parts := strings.Split(strings.Trim(path, "/"), "/")
	if parts[0] == "" {
		parts = nil
	}
	if len(parts) > 0 && everyType()[parts[0]] {
		typ, parts = parts[0], parts[1:]
		if len(parts) > 0 && parts[0] != "_search" && parts[0] != "_history" && !strings.HasPrefix(parts[0], "$") {
			id, parts = parts[0], parts[1:]
		}
	}
	level := "system"
	switch {
	case id != "":
		level = "instance"
	case typ != "":
		level = "type"
	}
	if len(parts) > 0 {
		return below(level, parts), typ, id
	}
	return onWhole(method, level), typ, id
}

// onWhole is what is asked of the base, a type or a resource itself.
func onWhole(method, level string) string {
	switch method {
	case http.MethodGet, http.MethodHead:
		switch level {
		case "instance":
			return "read"
		case "type":
			return "search-type"
		default:
			return "search-system"
		}
	case http.MethodPost:
		switch level {
		case "system":
			return "transaction"
		case "type":
			return "create"
		}
	case http.MethodPut:
		return "update"
	case http.MethodPatch:
		return "patch"
	case http.MethodDelete:
		return "delete"
	}
	return ""
}

// below is what is asked of something that stands below the base, a type or a
// resource.
func below(level string, parts []string) string {
	switch {
	case parts[0] == "_history" && len(parts) == 1:
		return "history-" + level
	case parts[0] == "_history" && len(parts) == 2 && level == "instance":
		return "vread"
	case parts[0] == "_search" && len(parts) == 1 && level != "instance":
		return "search-" + level
	case parts[0] == "metadata" && len(parts) == 1 && level == "system":
		return "capabilities"
	case operationShape.MatchString(parts[0]):
		return parts[0]
	default:
		return ""
	}
}

// IsResourceType reports whether R4 has a resource type of the name.
func IsResourceType(name string) bool { return everyType()[name] }
