package protocol

import (
	"fmt"
	"slices"

	"candidacy/internal/command"
	"candidacy/internal/result"
)

// CheckResults questions reported results that the protocol knows: a unit that
// is not accepted, a value outside what is plausible, a part that is missing.
// It never converts. A code that the protocol does not know is stored as
// reported and read by no rule.
func (p *Protocol) CheckResults(f *command.Faults, results []command.Result) {
	for i, r := range results {
		at := fmt.Sprintf("results[%d]", i)
		o, known := p.Observation(r.Code.Code)
		if !known || !r.Status.Usable() {
			continue
		}
		switch {
		case o.Coded && r.Coded == nil:
			f.Add(at+".coded", o.Title+" is reported as a coded value")
		case len(o.Panel) > 0:
			p.checkPanel(f, at, o, r.Components)
		case len(o.Units) > 0 && r.Quantity == nil:
			f.Add(at+".quantity", o.Title+" is reported as a number with a unit", o.Units...)
		case len(o.Units) > 0:
			o.check(f, at+".quantity", *r.Quantity)
		}
	}
}

func (p *Protocol) checkPanel(f *command.Faults, at string, panel Observation, components []result.Component) {
	for _, code := range panel.Panel {
		part, _ := p.Observation(code)
		i := slices.IndexFunc(components, func(c result.Component) bool { return c.Code.Code == code })
		if i < 0 || components[i].Value.Quantity == nil {
			f.Add(at+".components", part.Title+" is missing", code)
			continue
		}
		part.check(f, fmt.Sprintf("%s.components[%d].value.quantity", at, i), *components[i].Value.Quantity)
	}
}

func (o Observation) check(f *command.Faults, at string, q result.Quantity) {
	if q.Unit == "" {
		return
	}
	if !slices.Contains(o.Units, q.Unit) {
		f.Add(at+".unit", "not a unit of "+o.Title, o.Units...)
		return
	}
	number, err := q.Float()
	if err != nil {
		return
	}
	if number <= 0 && o.Low > 0 {
		f.Add(at+".value", "must be greater than zero")
		return
	}
	// The range is in the first unit; other units are checked by the formulas.
	if q.Unit == o.Units[0] && q.Comparator == "" && (number < o.Low || number > o.High) {
		f.Add(at+".value", "not plausible for "+o.Title+" in "+q.Unit+"; is the unit right?", fmt.Sprintf("%g to %g %s", o.Low, o.High, q.Unit))
	}
}
