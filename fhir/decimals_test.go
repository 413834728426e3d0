package fhir

import (
	"fmt"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

// The order of the indexed texts is that of the numbers, by the rational
// arithmetic of math/big.
func TestNumbersKeepTheirOrder(t *testing.T) {
	gen := rapid.Custom(func(t *rapid.T) string {
		text := fmt.Sprint(rapid.IntRange(-2000, 2000).Draw(t, "whole"))
		if rapid.Bool().Draw(t, "fraction") {
			text += "." + rapid.StringMatching(`[0-9]{1,4}`).Draw(t, "digits")
		}
		if rapid.Bool().Draw(t, "power") {
			text += fmt.Sprintf("e%d", rapid.IntRange(-5, 5).Draw(t, "exponent"))
		}
		return text
	})
	rapid.Check(t, func(t *rapid.T) {
		a, b := gen.Draw(t, "a"), gen.Draw(t, "b")
		x, errX := parseDecimal(a)
		y, errY := parseDecimal(b)
		if errX != nil || errY != nil {
			t.Fatal(errX, errY)
		}
		ra, _ := new(big.Rat).SetString(a)
		rb, _ := new(big.Rat).SetString(b)
		if got, want := compareText(x.text(), y.text()), ra.Cmp(rb); got != want {
			t.Fatalf("%s and %s compare %d as text, %d as numbers", a, b, got, want)
		}
		if x.after() <= x.text() || ra.Cmp(rb) < 0 && x.after() >= y.text() {
			t.Fatalf("%s does not lie between %s and %s", x.after(), x.text(), y.text())
		}
		for _, text := range []string{x.text(), x.after()} {
			if text <= leastNumber || text >= mostNumber {
				t.Fatalf("%s is out of bounds", text)
			}
		}
	})
}

func compareText(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	default:
		return 0
	}
}

func TestNumbersThatAreNone(t *testing.T) {
	for _, text := range []string{"", "x", "1.", ".5", "01", "1e", "NaN", "0x1", "1,5", "1e999999999999999999999", "1e500", "+1"} {
		if d, err := parseDecimal(text); err == nil {
			t.Errorf("%q was read as %v", text, d)
		}
	}
}
