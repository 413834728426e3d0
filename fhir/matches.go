package fhir

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/record"
)

// The modifiers that are understood. Any other is refused: without it, a search
// would answer another question.
const (
	modifierNot        = "not"
	modifierMissing    = "missing"
	modifierExact      = "exact"
	modifierContains   = "contains"
	modifierIdentifier = "identifier"
	modifierBelow      = "below"
)

// modifies reports whether the parameter takes the modifier.
func (p param) modifies(modifier string) bool {
	if p.use == byPatient {
		return modifier == typePatient
	}
	if p.use != byIndex && p.use != byEither {
		return false
	}
	if modifier == modifierMissing {
		return true
	}
	switch p.kind {
	case r4.SearchParamTypeToken:
		return modifier == modifierNot
	case r4.SearchParamTypeString:
		return modifier == modifierExact || modifier == modifierContains
	case r4.SearchParamTypeUri:
		return modifier == modifierBelow
	case r4.SearchParamTypeReference:
		return modifier == modifierIdentifier || slices.Contains(p.targets, modifier)
	default:
		return false
	}
}

// match is what the values of a parameter select by the index. Its errors say
// what is accepted, and repeat no value.
func (p *parser) match(known param, modifier string, values []string) (record.Condition, error) {
	c := record.Condition{Param: known.name}
	if modifier == modifierMissing {
		if len(values) != 1 || values[0] != "true" && values[0] != "false" {
			return c, errors.New("use true or false")
		}
		c.Not, c.Any = values[0] == "true", []record.Match{{Op: ">=", Value: ""}}
		return c, nil
	}
	var read func(text string) ([]record.Match, error)
	switch known.kind {
	case r4.SearchParamTypeToken:
		c.Not, c.Selective = modifier == modifierNot, known.name == "identifier" && modifier == ""
		read = tokenMatch
	case r4.SearchParamTypeString:
		c.Selective = modifier == ""
		if modifier == modifierExact {
			c.Param += exactSuffix
		}
		read = func(text string) ([]record.Match, error) { return stringMatch(text, modifier) }
	case r4.SearchParamTypeDate:
		c.Long = known.name + longSuffix
		read = func(text string) ([]record.Match, error) {
			v, err := parseDateValue(text, p.now)
			return v.matches(), err
		}
	case r4.SearchParamTypeNumber:
		read = func(text string) ([]record.Match, error) {
			list, err := numberBounds(unescapeValue(text))
			return boundedBy(list, nil), err
		}
	case r4.SearchParamTypeQuantity:
		unit, err := sameUnit(values)
		if err != nil {
			return c, err
		}
		if unit != nil {
			c.Param += unitSuffix
		}
		read = quantityMatch
	case r4.SearchParamTypeUri:
		read = func(text string) ([]record.Match, error) {
			if modifier == modifierBelow {
				return []record.Match{{Op: "prefix", Value: unescapeValue(text)}}, nil
			}
			return []record.Match{{Op: "=", Value: unescapeValue(text)}}, nil
		}
	case r4.SearchParamTypeReference:
		if modifier == modifierIdentifier {
			c.Param += identifierSuffix
			read = tokenMatch
			break
		}
		c.Selective = true
		read = func(text string) ([]record.Match, error) { return p.referenceMatch(text, modifier, known.targets) }
	default:
		return c, errors.New("not supported here")
	}
	for _, v := range values {
		list, err := read(v)
		if err != nil {
			return c, err
		}
		c.Any = append(c.Any, list...)
	}
	return c, nil
}

// tokenMatch reads code, system|code, |code and system|.
func tokenMatch(text string) ([]record.Match, error) {
	parts := split(text, '|')
	if len(parts) == 1 {
		return []record.Match{{Op: "=", Value: unescapeValue(text), AnySystem: true}}, nil
	}
	system, code := unescapeValue(parts[0]), unescapeValue(strings.Join(parts[1:], "|"))
	switch {
	case system == "" && code == "":
		return nil, errors.New("not a token: use code, system|code, |code or system|")
	case code == "":
		return []record.Match{{Op: record.OfSystem, System: system}}, nil
	default:
		return []record.Match{{Op: "=", Value: code, System: system}}, nil
	}
}

func stringMatch(text, modifier string) ([]record.Match, error) {
	text = unescapeValue(text)
	if modifier == modifierExact {
		return []record.Match{{Op: "=", Value: text, AnySystem: true}}, nil
	}
	words := strings.Join(strings.Fields(fold(text)), " ")
	if words == "" {
		return nil, errors.New("a value is missing")
	}
	if modifier == modifierContains {
		return []record.Match{{Op: "contains", Value: words}}, nil
	}
	return []record.Match{{Op: "prefix", Value: words}}, nil
}

// sameUnit reports the unit of quantities as it is indexed; nil if they have
// none. Those with a unit are looked up elsewhere than those without.
func sameUnit(values []string) (*string, error) {
	var found *string
	for i, v := range values {
		_, unit, err := cutUnit(v)
		if err != nil {
			return nil, err
		}
		if i > 0 && (unit == nil) != (found == nil) {
			return nil, errors.New("give every value a unit, or none")
		}
		found = unit
	}
	return found, nil
}

// cutUnit splits number, number|system|code and number||code.
func cutUnit(text string) (number string, unit *string, err error) {
	parts := split(text, '|')
	switch {
	case len(parts) == 1:
		return unescapeValue(text), nil, nil
	case len(parts) == 3 && parts[2] != "":
		joined := unescapeValue(parts[1]) + "|" + unescapeValue(parts[2])
		return unescapeValue(parts[0]), &joined, nil
	default:
		return "", nil, errors.New("not a quantity: use number, number|system|code or number||code")
	}
}

func quantityMatch(text string) ([]record.Match, error) {
	number, unit, err := cutUnit(text)
	if err != nil {
		return nil, err
	}
	list, err := numberBounds(number)
	if err != nil {
		return nil, fmt.Errorf("%w: use number, number|system|code or number||code, with a prefix or without", err)
	}
	return boundedBy(list, unit), nil
}

var errReference = errors.New("not a reference: use an id, Type/id or an absolute URL")

// referenceMatch reads an id, Type/id, and the absolute URL of a resource here
// or elsewhere. Typ is the type that a modifier names.
func (p *parser) referenceMatch(text, typ string, targets []string) ([]record.Match, error) {
	text = unescapeValue(text)
	if strings.Contains(text, ":") { // a URL, a URN
		within, here := strings.CutPrefix(text, p.base+"/")
		if found, id, ok := local(within); here && ok && (typ == "" || typ == found) {
			return []record.Match{{Op: "=", Value: id, System: found}}, nil
		}
		return []record.Match{{Op: "=", Value: text}}, nil
	}
	if validID(text) && targets != nil {
		if typ == "" {
			return []record.Match{{Op: "=", Value: text, AnySystem: true}}, nil
		}
		return []record.Match{{Op: "=", Value: text, System: typ}}, nil
	}
	found, id, ok := local(text)
	if !ok || typ != "" && typ != found {
		return nil, errReference
	}
	return []record.Match{{Op: "=", Value: id, System: found}}, nil
}
