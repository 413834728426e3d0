package protocol

import (
	"fmt"
	"slices"
	"strings"

	"candidacy/internal/journey"
)

// prepare works out once what every assessment needs: the slots of the values
// that rules read, and the words that say what the bands are.
func (p *Protocol) prepare() {
	p.slots, p.facts = map[string]int{}, map[string]int{}
	for _, o := range p.Observations {
		p.slot(o.Code)
	}
	for i := range p.Requirements {
		r := &p.Requirements[i]
		for _, set := range slices.Concat(r.LOINC, r.Local) {
			r.sets = append(r.sets, p.slotsOf(set))
		}
		r.blood = slices.ContainsFunc(r.LOINC, func(set []string) bool { return slices.Contains(set, bloodTypeCode) })
	}
	p.eachCondition(func(_ string, c *condition) {
		p.conditions++
		p.asked += len(c.inputs)
	})
	for i := range p.Flags {
		rule := &p.Flags[i]
		rule.slots, rule.words = p.slotsOf(strings.Fields(rule.Of)), rule.threshold()
		rule.factors = p.factorsTo(rule)
		if r, ok := p.Find(rule.Requirement); ok && r.Evidence == journey.ByResult {
			rule.validDays = r.ValidDays
		}
		p.counts = p.counts || slices.Contains(strings.Fields(rule.Of), flagsForDiscussion)
	}
	for i := range p.Facts {
		f := &p.Facts[i]
		f.slots = p.slotsOf(strings.Fields(f.Of))
		p.facts[f.ID] = i
	}
}

// slot is where an assessment keeps what there is under a key: a code of a
// result or the name of a computed value.
func (p *Protocol) slot(key string) int {
	i, ok := p.slots[key]
	if !ok {
		i = len(p.slots)
		p.slots[key] = i
	}
	return i
}

func (p *Protocol) slotsOf(keys []string) []int {
	slots := make([]int, len(keys))
	for i, key := range keys {
		slots[i] = p.slot(key)
	}
	return slots
}

// factorsTo finds by what to multiply a number that is reported in another unit
// of an observation, to have it in the unit of the rule.
func (p *Protocol) factorsTo(rule *FlagRule) map[string]float64 {
	factors := map[string]float64{}
	for _, code := range strings.Fields(rule.Of) {
		o, ok := p.Observation(code)
		to := slices.Index(o.Units, rule.Unit)
		if !ok || to < 0 || len(o.Factors) != len(o.Units) {
			continue
		}
		for i, unit := range o.Units {
			factors[unit] = o.Factors[to] / o.Factors[i]
		}
	}
	return factors
}

// threshold says in words what the bands are.
func (rule *FlagRule) threshold() string {
	parts := make([]string, len(rule.Bands))
	for i, band := range rule.Bands {
		words := strings.ReplaceAll(string(band.Band), "-", " ")
		if band.Absolute {
			words += " absolutely"
		}
		unit := rule.Unit
		if unit != "" {
			unit = " " + unit
		}
		parts[i] = fmt.Sprintf("%s when %s%s", words, band.When, unit)
	}
	return strings.Join(parts, "; ")
}
