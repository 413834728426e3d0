package followup

import (
	"slices"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

// Donor is one person with what is on record of their visits.
type Donor struct {
	ID      string
	Donated journey.Date
	Visits  []Visit
}

// On is the donor as of another day: what is late depends on it.
func (d Donor) On(today journey.Date) Donor {
	d.Visits = slices.Clone(d.Visits)
	for i := range d.Visits {
		d.Visits[i].Late = d.Visits[i].late(today)
	}
	return d
}

// Measure is how complete one form of one visit is among the donors of a cohort.
type Measure struct {
	Visit  string
	Title  string
	Cohort protocol.Cohort
	Set    Set
	// Threshold is the share in percent that is to be reached.
	Threshold float64
	// Closed counts the donors whose window has closed: the denominator. Who is
	// lost is among them.
	Closed int
	// Complete and Incomplete are the donors with and without every item.
	Complete, Incomplete []string
	// Pending are the donors whose window is still to close.
	Pending  []string
	Forecast Forecast
}

// Forecast says how the threshold can be reached.
type Forecast struct {
	// Possible says that it can be, with the windows that are known.
	Possible bool
	// Needed is how many more complete forms it takes, and By the day on which the
	// last of the windows closes that this counts; none is needed where the
	// threshold is met.
	Needed int
	By     journey.Date
}

// Percent is the share of complete forms, and whether there is one.
func (m Measure) Percent() (float64, bool) {
	if m.Closed == 0 {
		return 0, false
	}
	return 100 * float64(len(m.Complete)) / float64(m.Closed), true
}

// Met reports whether the share reaches the threshold, unrounded.
func (m Measure) Met() bool { return m.WouldMeet(len(m.Complete)) }

// WouldMeet reports whether so many complete forms reach the share.
func (m Measure) WouldMeet(complete int) bool {
	return m.Closed > 0 && complete >= needed(m.Threshold, m.Closed)
}

// needed is the smallest number of complete forms among so many that reaches a
// share.
func needed(percent float64, among int) int {
	n := int(percent * float64(among) / 100)
	for 100*float64(n) < percent*float64(among) {
		n++
	}
	return n
}

// Programme measures the reported visits of the protocol, by cohort and form. A
// donor counts once the window has closed, and only if every item of the form is
// there (OPTN policy 18.5.A, from memory). What nobody is in is left out.
func Programme(p *protocol.Protocol, donors []Donor, today journey.Date) []Measure {
	var list []Measure
	for _, rule := range p.Visits {
		if !rule.Reported {
			continue
		}
		for _, cohort := range p.Completeness {
			for _, set := range []Set{Clinical, Laboratory} {
				m := Measure{Visit: rule.ID, Title: rule.Title, Cohort: cohort, Set: set, Threshold: cohort.ClinicalPercent}
				if set == Laboratory {
					m.Threshold = cohort.LaboratoryPercent
				}
				if m.count(donors, today); m.Closed+len(m.Pending) > 0 {
					list = append(list, m)
				}
			}
		}
	}
	return list
}

// pending is a form whose window is still to close.
type pending struct {
	closes   journey.Date
	complete bool
}

func (m *Measure) count(donors []Donor, today journey.Date) {
	var open []pending
	for _, d := range donors {
		if !m.Cohort.Holds(d.Donated) {
			continue
		}
		for _, v := range d.Visits {
			form, ok := v.Form(m.Set)
			switch {
			case v.ID != m.Visit || !ok:
			case !v.Closes.Before(today):
				m.Pending = append(m.Pending, d.ID)
				open = append(open, pending{v.Closes, form.Complete()})
			case form.Complete():
				m.Closed++
				m.Complete = append(m.Complete, d.ID)
			default:
				m.Closed++
				m.Incomplete = append(m.Incomplete, d.ID)
			}
		}
	}
	m.Forecast = forecast(m.Threshold, m.Closed, len(m.Complete), open)
}

// forecast finds the earliest closing of a window with which the threshold can be
// reached, and how many of the forms still incomplete have to be completed by
// then. Each window that closes adds to the denominator too.
func forecast(percent float64, closed, complete int, open []pending) Forecast {
	if closed > 0 && complete >= needed(percent, closed) {
		return Forecast{Possible: true}
	}
	slices.SortFunc(open, func(a, b pending) int {
		if a.closes.Before(b.closes) {
			return -1
		}
		if b.closes.Before(a.closes) {
			return 1
		}
		return 0
	})
	incomplete := 0
	for i, form := range open {
		closed++
		if form.complete {
			complete++
		} else {
			incomplete++
		}
		// What closes on one day closes together.
		if i+1 < len(open) && open[i+1].closes == form.closes {
			continue
		}
		if missing := max(needed(percent, closed)-complete, 0); missing <= incomplete {
			return Forecast{Possible: true, Needed: missing, By: form.closes}
		}
	}
	return Forecast{}
}
