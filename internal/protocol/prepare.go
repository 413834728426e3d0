package protocol

import (
	"fmt"
	"slices"
	"strings"
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
		if r.condition != nil {
			p.conditions++
			p.asked += len(r.condition.inputs)
		}
		r.blood = slices.ContainsFunc(r.LOINC, func(set []string) bool { return slices.Contains(set, bloodTypeCode) })
	}
	for i := range p.Flags {
		rule := &p.Flags[i]
		rule.slots, rule.words = p.slotsOf(strings.Fields(rule.Of)), rule.threshold()
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
