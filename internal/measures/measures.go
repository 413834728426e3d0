// Package measures says how a programme does: how long the steps take, how many
// candidates go on, what became of operations, and what was reported in time.
// Every measure has its definition, and leads to the people behind each of its
// numbers. It does no I/O and has no clock.
package measures

import (
	"slices"

	"candidacy/internal/journey"
)

// Group is what a measure is about.
type Group string

// The groups, in the order in which a journey meets them.
const (
	Flow       Group = "flow"
	Waiting    Group = "waiting"
	Planning   Group = "planning"
	Operations Group = "operations"
	Reports    Group = "reports"
)

// Groups lists them.
var Groups = []Group{Flow, Waiting, Planning, Operations, Reports}

// Measure is one measure of a period.
type Measure struct {
	ID    string `json:"id"`
	Group Group  `json:"group"`
	Title string `json:"title"`
	// Denominator and Numerator say who is counted; of a measure of time, whose
	// days are taken and what they are between.
	Denominator string `json:"denominator"`
	Numerator   string `json:"numerator"`
	// Dated says which day puts somebody into a period.
	Dated string `json:"dated"`
	// Of are those who are counted, and Are those of them of whom it is true.
	Of  []string `json:"of"`
	Are []string `json:"are,omitempty"`
	// Spread is of a measure of time or size, nil where nobody is counted.
	Spread *Spread `json:"spread,omitempty"`
	Unit   string  `json:"unit,omitempty"`
}

// Share reports whether the measure is a share and not a time or a size.
func (m Measure) Share() bool { return m.Unit == "" }

// Percent is the share, and whether there is one.
func (m Measure) Percent() (float64, bool) {
	if len(m.Of) == 0 || !m.Share() {
		return 0, false
	}
	return 100 * float64(len(m.Are)) / float64(len(m.Of)), true
}

// Spread is how the values of a measure lie.
type Spread struct {
	Median float64 `json:"median"`
	// Lower and Upper are the quartiles, Ninetieth the 90th percentile.
	Lower     float64 `json:"lower"`
	Upper     float64 `json:"upper"`
	Ninetieth float64 `json:"ninetieth"`
	// Values are in the order of Of.
	Values []float64 `json:"values"`
}

// spreadOf is nil without values.
func spreadOf(values []float64) *Spread {
	if len(values) == 0 {
		return nil
	}
	sorted := slices.Sorted(slices.Values(values))
	return &Spread{
		Median: quantile(sorted, .5), Lower: quantile(sorted, .25), Upper: quantile(sorted, .75), Ninetieth: quantile(sorted, .9), Values: values,
	}
}

// quantile is definition 7 of Hyndman and Fan, American Statistician 1996;50:361:
// linear between the order statistics.
func quantile(sorted []float64, p float64) float64 {
	at := p * float64(len(sorted)-1)
	below := int(at)
	if below+1 == len(sorted) {
		return sorted[below]
	}
	return sorted[below] + (at-float64(below))*(sorted[below+1]-sorted[below])
}

// Of measures people in a period, both days included; an empty day is no bound.
// Somebody is in the period of a measure by the day that the measure names, so
// that one person may be in the period of one and not in that of another.
func Of(people []*Person, from, until journey.Date) []Measure {
	in := func(day journey.Date) bool {
		return day != "" && !day.Before(from) && (until == "" || !until.Before(day))
	}
	var list []Measure
	for _, d := range definitions {
		m := d.Measure
		m.Of = []string{}
		var values []float64
		for _, p := range people {
			if !in(d.day(p)) {
				continue
			}
			switch {
			case d.value != nil:
				if value, ok := d.value(p); ok {
					m.Of, values = append(m.Of, p.id), append(values, value)
				}
			case d.of(p):
				m.Of = append(m.Of, p.id)
				if d.is(p) {
					m.Are = append(m.Are, p.id)
				}
			}
		}
		m.Spread = spreadOf(values)
		list = append(list, m)
	}
	return list
}
