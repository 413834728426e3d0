// Package medicines checks medicines around a living donation: the paracetamol
// of all products in any 24 h, and whether a list of medicines holds a
// non-steroidal anti-inflammatory drug (NSAID), which a donor avoids for life.
//
// Medicines are recognised by their ATC code (the classification of the WHO).
// A medicine whose code does not tell is reported as not known, never as
// harmless. Names of products are not read and not repeated.
package medicines

import (
	"fmt"
	"slices"
	"strings"

	"candidacy/internal/clinical"
)

// fieldOf names one of several by its place, counted from one.
func fieldOf(name string, i int) string { return fmt.Sprintf("%s %d", name, i+1) }

// atcPattern is the form of a complete code: A stands for a capital letter, 9
// for a digit (from memory: WHO ATC index, fifth level).
const atcPattern = "A99AA99"

// checkATC returns an *Error unless code is a complete ATC code.
func checkATC(field, code string) error {
	if len(code) == len(atcPattern) && shapeOf(code) == atcPattern {
		return nil
	}
	return &clinical.Error{
		Code: clinical.UnknownChoice, Field: field, Message: "not a complete ATC code of the fifth level",
		Accepted: []string{"letter, two digits, two letters, two digits, in capitals"},
	}
}

// checkGroups returns an *Error unless every code is a complete ATC code or the
// beginning of one, down to the second level.
func checkGroups(field string, codes []string) error {
	for i, code := range codes {
		shape := shapeOf(code)
		if len(shape) < len("A99") || !strings.HasPrefix(atcPattern, shape) {
			return &clinical.Error{
				Code: clinical.UnknownChoice, Field: fieldOf(field, i), Message: "not an ATC code",
				Accepted: []string{"a complete ATC code, or a group of the second to fourth level"},
			}
		}
	}
	return nil
}

func shapeOf(code string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'A' && r <= 'Z':
			return 'A'
		case r >= '0' && r <= '9':
			return '9'
		}
		return '?'
	}, code)
}

// amountDecimals are those to which amounts in mg are compared, so that 1.001 g
// and two doses of 500.5 mg are the same although binary numbers hold neither.
// Nanograms have no meaning in a medicine; no published source.
const amountDecimals = 6

// amount returns an amount in mg for a comparison with another one.
func amount(mg float64) float64 { return clinical.Round(mg, amountDecimals) }

// inGroups reports whether a code is one of the groups or belongs to one.
func inGroups(code string, groups []string) bool {
	return slices.ContainsFunc(groups, func(g string) bool { return strings.HasPrefix(code, g) })
}
