package measures

import (
	"cmp"
	"slices"
)

// Time is how many days something took, or has taken so far where it is not over.
type Time struct {
	Days int
	Open bool
}

// Curve is the share of those who are still waiting, by days: the estimate of Kaplan and
// Meier, J Am Stat Assoc 1958;53:457. Those whose time is not over count for as long as
// they have waited.
type Curve struct {
	days  []int
	share []float64
}

// CurveOf estimates it from times.
func CurveOf(times []Time) Curve {
	sorted := slices.SortedFunc(slices.Values(times), func(a, b Time) int { return cmp.Compare(a.Days, b.Days) })
	var c Curve
	share := 1.0
	for i := 0; i < len(sorted); {
		ended, at := 0, i
		for ; i < len(sorted) && sorted[i].Days == sorted[at].Days; i++ {
			if !sorted[i].Open {
				ended++
			}
		}
		if ended > 0 {
			waiting := len(sorted) - at
			share *= float64(waiting-ended) / float64(waiting)
			c.days, c.share = append(c.days, sorted[at].Days), append(c.share, share)
		}
	}
	return c
}

// After is the share of those still waiting after so many days.
func (c Curve) After(days int) float64 {
	i, found := slices.BinarySearch(c.days, days)
	if found {
		i++
	}
	if i == 0 {
		return 1
	}
	return c.share[i-1]
}

// Quantile is the days within which it is over for a share p of all, and whether so many
// are known to have come to an end. Where the curve lies at 1-p for a while it is the
// middle of that while, so that it is definition 2 of Hyndman and Fan where nobody is
// still waiting.
func (c Curve) Quantile(p float64) (float64, bool) {
	const rounding = 1e-9
	for i, share := range c.share {
		switch {
		case share > 1-p+rounding:
		case share >= 1-p-rounding && i+1 < len(c.days):
			return float64(c.days[i]+c.days[i+1]) / 2, true
		default:
			return float64(c.days[i]), true
		}
	}
	return 0, false
}
