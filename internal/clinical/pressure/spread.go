package pressure

import (
	"math"

	"candidacy/internal/clinical"
)

// Plausible returns a *clinical.Error for a reading that no mean counts: outside 60 to
// 260 systolic or 30 to 160 diastolic in mm[Hg], or with a diastolic not below the
// systolic.
func (r Reading) Plausible() error {
	systolic, diastolic, err := r.values("reading")
	if err != nil {
		return err
	}
	return checkPair("reading", systolic, diastolic)
}

// Spread tells how readings scatter about their mean, in mm[Hg]. The standard error is
// that of readings that don't depend on each other; readings of one day do, so that
// the true one is larger.
type Spread struct {
	Readings        int     `json:"readings"`
	SystolicSD      float64 `json:"systolicSD"`
	DiastolicSD     float64 `json:"diastolicSD"`
	SystolicStdErr  float64 `json:"systolicStandardError"`
	DiastolicStdErr float64 `json:"diastolicStandardError"`
}

// SpreadOf returns the experimental standard deviation of the plausible readings of a
// period, or of all with an empty period, and of their mean (JCGM 100:2008, 4.2). It
// returns a *clinical.Error for a pressure that is missing or in another unit, and
// with the code TooFew for fewer than two readings.
func SpreadOf(readings []AmbulatoryReading, period Period) (Spread, error) {
	var systolic, diastolic []float64
	for i, r := range readings {
		s, d, err := r.values(fieldOf("reading", i))
		if err != nil {
			return Spread{}, err
		}
		if period != "" && r.Period != period || checkPair("reading", s, d) != nil {
			continue
		}
		systolic, diastolic = append(systolic, s), append(diastolic, d)
	}
	n := len(systolic)
	if n < 2 {
		return Spread{}, &clinical.Error{Code: clinical.TooFew, Field: "readings", Message: "fewer than two readings don't scatter", Accepted: []string{"2 or more"}}
	}
	spread := Spread{Readings: n, SystolicSD: deviation(systolic), DiastolicSD: deviation(diastolic)}
	root := math.Sqrt(float64(n))
	spread.SystolicStdErr, spread.DiastolicStdErr = spread.SystolicSD/root, spread.DiastolicSD/root
	return spread, nil
}

// deviation is the experimental standard deviation, with one degree of freedom less
// than values.
func deviation(values []float64) float64 {
	var mean, squares float64
	for _, v := range values {
		mean += v / float64(len(values))
	}
	for _, v := range values {
		squares += (v - mean) * (v - mean)
	}
	return math.Sqrt(squares / float64(len(values)-1))
}
