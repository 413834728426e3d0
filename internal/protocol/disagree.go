package protocol

import (
	"strings"

	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// Disagreement are results of one kind that a rule puts in different bands.
type Disagreement struct {
	Flag, Title string
	Code        string
	// Results are those that disagree, the oldest first, each with its band.
	Results []result.Result
	Bands   []journey.Band
}

// disagreeDays is how far back results are compared where they don't expire.
const disagreeDays = 365

// Disagreements finds usable results that are still valid on the day and that the
// same rule puts in different bands: whoever decides sees that the newest is not
// the whole story. Values that are computed of several results have flags of
// their own for that.
func (p *Protocol) Disagreements(results []result.Result, today journey.Date) []Disagreement {
	var list []Disagreement
	for i := range p.Flags {
		rule := &p.Flags[i]
		days := rule.validDays
		if days == 0 {
			days = disagreeDays
		}
		for _, code := range strings.Fields(rule.Of) {
			d := Disagreement{Flag: rule.ID, Title: rule.Title, Code: code}
			for _, r := range results {
				if r.Code.Code != code || !r.Status.Usable() || journey.Date(r.CollectedOn).AddDays(days).Before(today) {
					continue
				}
				if band, ok := rule.bandOf(r.Value); ok {
					d.Results, d.Bands = append(d.Results, r), append(d.Bands, band)
				}
			}
			for _, band := range d.Bands {
				if band != d.Bands[0] {
					list = append(list, d)
					break
				}
			}
		}
	}
	return list
}

// bandOf is the band of one reported value by itself. A number with a comparator,
// or in a unit that the rule does not know, has none.
func (rule *FlagRule) bandOf(v result.Value) (journey.Band, bool) {
	if rule.Coded {
		if v.Coding == nil || v.Coding.Code == "" {
			return "", false
		}
		for _, band := range rule.Bands {
			if band.finding == v.Coding.Code {
				return band.Band, true
			}
		}
		return journey.Meets, true
	}
	if v.Quantity == nil || v.Quantity.Comparator != "" {
		return "", false
	}
	value, err := v.Quantity.Value.Float64()
	factor, ok := rule.factors[v.Quantity.Unit]
	if err != nil || !ok {
		if err != nil || v.Quantity.Unit != rule.Unit {
			return "", false
		}
		factor = 1
	}
	for _, band := range rule.Bands {
		if band.Holds(value * factor) {
			return band.Band, true
		}
	}
	return journey.Meets, true
}
