package conformance

import (
	"fmt"
	"regexp"
	"strings"
)

// Known are the versions of the resources that references may point to, by type
// and id.
type Known map[string]map[string]bool

// Add adds a version of a resource.
func (k Known) Add(name, version string) {
	if k[name] == nil {
		k[name] = map[string]bool{}
	}
	k[name][version] = true
}

var relative = regexp.MustCompile(`^([A-Z][A-Za-z]+/[A-Za-z0-9.-]{1,64})(?:/_history/([A-Za-z0-9.-]{1,64}))?$`)

// Unresolved lists the references of a resource that point to no resource, or to no
// version of one. Logical references, which have no `reference`, and absolute ones
// point elsewhere.
func (k Known) Unresolved(resource []byte) ([]string, error) {
	value, err := decode(resource)
	if err != nil {
		return nil, err
	}
	var list []string
	each(value, func(reference string) {
		if strings.HasPrefix(reference, "#") || strings.Contains(reference, ":") {
			return
		}
		m := relative.FindStringSubmatch(reference)
		switch {
		case m == nil:
			list = append(list, fmt.Sprintf("%s is malformed", reference))
		case k[m[1]] == nil:
			list = append(list, fmt.Sprintf("%s does not resolve", reference))
		case m[2] != "" && !k[m[1]][m[2]]:
			list = append(list, fmt.Sprintf("%s is no version of it", reference))
		}
	})
	return list, nil
}

// each calls fn for every reference in a value.
func each(value any, fn func(string)) {
	switch value := value.(type) {
	case map[string]any:
		for key, inner := range value {
			if text, ok := inner.(string); ok && key == "reference" {
				fn(text)
				continue
			}
			each(inner, fn)
		}
	case []any:
		for _, inner := range value {
			each(inner, fn)
		}
	}
}
