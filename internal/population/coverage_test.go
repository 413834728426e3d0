package population_test

import (
	"maps"
	"slices"
	"testing"
)

// wanted is how often 1,000 journeys have to come by something, at least.
var wanted = map[string]int{}

// covers reports what too few of the journeys came by.
func (a *outcome) covers(t *testing.T, count int) {
	t.Helper()
	for _, what := range slices.Sorted(maps.Keys(wanted)) {
		// Few journeys scatter more.
		least := wanted[what] * count / 1000
		if count < 1000 {
			least /= 3
		}
		if n := a.reached[what]; n < least {
			t.Errorf("%s: %d times in %d journeys, want %d", what, n, count, least)
		}
	}
	for _, what := range slices.Sorted(maps.Keys(a.reached)) {
		t.Logf("%-50s %d", what, a.reached[what])
	}
}
