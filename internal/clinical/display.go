package clinical

import (
	"math"
	"slices"
	"strconv"
)

// Display writes a value with a fixed number of decimals, halves rounded away
// from zero. It rounds the shortest decimal number that stands for the value,
// so that 1.005 with two decimals is 1.01, as a reader expects. A negative
// number of decimals counts as none.
func Display(value float64, decimals int) string {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return strconv.FormatFloat(value, 'f', -1, 64)
	}
	var buffer [64]byte
	return string(appendRounded(buffer[:0], value, max(decimals, 0)))
}

// appendRounded appends a finite number with a fixed number of decimals. It
// rounds the digits, not the number, which is seldom the decimal number that it
// stands for.
func appendRounded(text []byte, value float64, decimals int) []byte {
	text = append(text, '-')
	text = strconv.AppendFloat(text, math.Abs(value), 'f', -1, 64)
	point := slices.Index(text, '.')
	if point < 0 {
		point = len(text)
		text = append(text, '.')
	}
	for len(text) < point+1+decimals {
		text = append(text, '0')
	}
	end := point + 1 + decimals
	up := end < len(text) && text[end] >= '5'
	if text = text[:end]; decimals == 0 {
		text = text[:point]
	}
	for i := len(text) - 1; up && i > 0; i-- {
		switch text[i] {
		case '.':
		case '9':
			text[i] = '0'
		default:
			text[i]++
			up = false
		}
	}
	if up {
		// All digits were nines, and there is one more now.
		text = slices.Insert(text, 1, '1')
	}
	if value < 0 && slices.ContainsFunc(text, func(c byte) bool { return c >= '1' && c <= '9' }) {
		return text
	}
	return text[1:]
}

// Round returns the value that Display shows. It is for display only: compare
// thresholds with the unrounded value.
func Round(value float64, decimals int) float64 {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return value
	}
	var buffer [64]byte
	rounded, err := strconv.ParseFloat(string(appendRounded(buffer[:0], value, max(decimals, 0))), 64)
	if err != nil {
		return value
	}
	return rounded
}

// Bound says how a threshold is meant.
type Bound string

// The values of Bound. "Below x" is the complement of AtLeast x, and "at most
// x" that of MoreThan x.
const (
	AtLeast  Bound = ">="
	MoreThan Bound = ">"
)

// NearThreshold reports whether the value as displayed falls on another side of
// the threshold than the unrounded value does: 89.6 shown as 90 is not at least
// 90. Such a value needs the warning NearThresholdWarning beside it.
func NearThreshold(value float64, bound Bound, threshold float64, decimals int) bool {
	meets := func(v float64) bool {
		if bound == MoreThan {
			return v > threshold
		}
		return v >= threshold
	}
	return meets(value) != meets(Round(value, decimals))
}

// DisplayBeside writes a value with a number of decimals, and with more where it
// would else be shown on the other side of a threshold, or on it: 10.03 beside
// 10 is 10.03 and not 10.0.
func DisplayBeside(value, threshold float64, decimals int) string {
	for range mostDecimals {
		shown := Round(value, decimals)
		if (shown < threshold) == (value < threshold) && (shown > threshold) == (value > threshold) {
			break
		}
		decimals++
	}
	return Display(value, decimals)
}

// mostDecimals ends the search for a value that differs by rounding errors only.
const mostDecimals = 15

// NearThresholdWarning is the code of the warning for NearThreshold.
const NearThresholdWarning WarningCode = "near-threshold"
