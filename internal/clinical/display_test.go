package clinical_test

import (
	"math/big"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

// TestDisplayIsExact compares with rational arithmetic on the decimal number
// that stands for the value, halves included.
func TestDisplayIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-1000, 1000), rapid.Map(rapid.IntRange(-200_000, 200_000), func(i int) float64 {
			return float64(i) / 1000
		}), rapid.SampledFrom([]float64{9.5, 99.95, 999.5, -0.5, -0.05, 0.95, 1e21, 5e-324})).Draw(t, "value")
		decimals := rapid.IntRange(-1, 8).Draw(t, "decimals")
		exact, _ := new(big.Rat).SetString(strconv.FormatFloat(value, 'g', -1, 64))
		want := exact.FloatString(max(decimals, 0))
		if strings.Trim(want, "-0.") == "" {
			want = strings.TrimPrefix(want, "-")
		}
		got := clinical.Display(value, decimals)
		if got != want {
			t.Fatalf("Display(%v, %d) = %s, want %s", value, decimals, got, want)
		}
		if number, err := strconv.ParseFloat(want, 64); err == nil && clinical.Round(value, decimals) != number {
			t.Fatalf("Round(%v, %d) = %v, want %v", value, decimals, clinical.Round(value, decimals), number)
		}
	})
}

// BenchmarkDisplay shows a number with one decimal.
func BenchmarkDisplay(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		clinical.Display(63.02852, 1)
	}
}
