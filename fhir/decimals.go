package fhir

import (
	"errors"
	"fmt"
	"math/big"
	"strconv"
	"strings"

	"candidacy/internal/record"
)

// decimal is coefficient times ten to the exponent, which is that of the last
// digit as it was written: 1.10 is 110 and -2.
type decimal struct {
	coefficient *big.Int
	exponent    int
}

var errNumber = errors.New("not a decimal number")

// The digits and exponents that numbers may have: more is no measurement, and
// costs.
const (
	maxDigits   = 60
	maxExponent = 400
)

// parseDecimal reads a decimal of FHIR: no text is rounded.
func parseDecimal(text string) (decimal, error) {
	if !decimalShape.MatchString(text) {
		return decimal{}, errNumber
	}
	mantissa, exponent := text, 0
	if i := strings.IndexAny(text, "eE"); i >= 0 {
		e, err := strconv.Atoi(text[i+1:])
		if err != nil {
			return decimal{}, errNumber
		}
		mantissa, exponent = text[:i], e
	}
	whole, fraction, _ := strings.Cut(mantissa, ".")
	exponent -= len(fraction)
	if len(whole)+len(fraction) > maxDigits || exponent > maxExponent || exponent < -maxExponent {
		return decimal{}, errNumber
	}
	c, ok := new(big.Int).SetString(whole+fraction, 10)
	if !ok {
		return decimal{}, errNumber
	}
	return decimal{c, exponent}, nil
}

// The bounds of what is open: they sort before and after every number.
const (
	leastNumber = "0"
	mostNumber  = "9"
)

// text is the indexed form of a number, whose order as text is that of the
// numbers: a digit for its sign, four for its magnitude, and its digits. Those of
// a negative number are counted down from nine.
func (d decimal) text() string {
	digits := new(big.Int).Abs(d.coefficient).String()
	magnitude := len(digits) + d.exponent
	digits = strings.TrimRight(digits, "0")
	switch d.coefficient.Sign() {
	case 0:
		return "5"
	case 1:
		return fmt.Sprintf("6%04d%s", magnitude+5000, digits)
	}
	b := []byte(fmt.Sprintf("%04d%s", magnitude+5000, digits))
	for i := range b {
		b[i] = '0' + '9' - b[i]
	}
	return "4" + string(b) + "~" // a number of fewer digits comes after
}

// after sorts after the number and before every greater one.
func (d decimal) after() string { return d.text() + "+" }

// add moves a number by a multiple of a unit ten to the exponent.
func (d decimal) add(units int64, exponent int) decimal {
	e := min(d.exponent, exponent)
	scaled := func(c *big.Int, from int) *big.Int {
		return new(big.Int).Mul(c, new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(from-e)), nil))
	}
	return decimal{new(big.Int).Add(scaled(d.coefficient, d.exponent), scaled(big.NewInt(units), exponent)), e}
}

// scale is the number times n.
func (d decimal) times(n int64) decimal {
	return decimal{new(big.Int).Mul(d.coefficient, big.NewInt(n)), d.exponent}
}

// cutPrefix splits a search value into its prefix, eq if it has none, and the
// rest.
func cutPrefix(text string) (prefix, rest string) {
	if len(text) > 2 && text[0] >= 'a' && text[0] <= 'z' {
		return text[:2], text[2:]
	}
	return "eq", text
}

// numberBounds are the numbers that a search value selects. What is written
// means all that rounds to it, so 5.40 lies from 5.395 to before 5.405; the
// prefixes that compare take it exactly, and ap a tenth to both sides.
func numberBounds(text string) ([]record.Bounds, error) {
	prefix, text := cutPrefix(text)
	d, err := parseDecimal(text)
	if err != nil {
		return nil, err
	}
	from, to := d.add(-5, d.exponent-1).text(), d.add(5, d.exponent-1).text()
	switch prefix {
	case "eq":
		return []record.Bounds{{From: from, EndTo: to}}, nil
	case "ne":
		return []record.Bounds{{To: from}, {EndFrom: to}}, nil
	case "lt":
		return []record.Bounds{{To: d.text()}}, nil
	case "le":
		return []record.Bounds{{To: d.after()}}, nil
	case "gt":
		return []record.Bounds{{EndFrom: d.after()}}, nil
	case "ge":
		return []record.Bounds{{EndFrom: d.text()}}, nil
	case "sa":
		return []record.Bounds{{From: d.after()}}, nil
	case "eb":
		return []record.Bounds{{EndTo: d.text()}}, nil
	case "ap":
		low, high := d.times(9), d.times(11)
		low.exponent--
		high.exponent--
		if d.coefficient.Sign() < 0 {
			low, high = high, low
		}
		return []record.Bounds{{To: high.after(), EndFrom: low.text()}}, nil
	default:
		return nil, fmt.Errorf("%q is not a prefix of a number", prefix)
	}
}
