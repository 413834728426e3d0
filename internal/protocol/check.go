package protocol

import (
	"fmt"
	"slices"
	"strconv"

	"candidacy/internal/command"
	"candidacy/internal/result"
)

// CheckResults questions reported results that the protocol knows: a unit that
// is not accepted, a value outside what is plausible, a part that is missing, a
// number that nothing can compute with.
// It never converts. A code that the protocol does not know is stored as
// reported and read by no rule.
func (p *Protocol) CheckResults(f *command.Faults, results []command.Result) {
	for i, r := range results {
		at := fmt.Sprintf("results[%d]", i)
		if r.Confidentiality == result.VeryRestricted && !p.ConfidentialResult(r.Code, r.Components) {
			// It would be published, against the word of its source.
			f.Add(at+".confidentiality", "the protocol does not keep this observation in confidence, as its source asks (V)", string(result.Restricted), "none")
		}
		o, known := p.Observation(r.Code.Code)
		if !known || !r.Status.Usable() {
			continue
		}
		switch {
		case o.Coded && r.Coded == nil:
			f.Add(at+".coded", o.Title+" is reported as a coded value")
		case len(o.Choices) > 0:
			o.checkChoice(f, at+".coded", *r.Coded)
		case len(o.Panel) > 0:
			p.checkPanel(f, at, o, r.Components)
		case len(o.Units) > 0 && r.Quantity == nil:
			f.Add(at+".quantity", o.Title+" is reported as a number with a unit", o.Units...)
		case len(o.Units) > 0:
			o.check(f, at+".quantity", *r.Quantity)
		}
	}
}

// checkChoice refuses an answer that the observation does not have.
func (o Observation) checkChoice(f *command.Faults, at string, given result.Coding) {
	var accepted []string
	for _, c := range o.Answers() {
		if c.Code == given.Code && (given.System == "" || given.System == c.System) {
			return
		}
		accepted = append(accepted, c.Code)
	}
	f.Add(at, "not an answer of "+o.Title, accepted...)
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
	number, err := q.Float()
	if err != nil {
		f.Add(at+".value", "not a number that can be computed with")
		return
	}
	if q.Unit == "" {
		return // the command's own check names it
	}
	if !slices.Contains(o.Units, q.Unit) {
		f.Add(at+".unit", "not a unit of "+o.Title, o.Units...)
		return
	}
	if number <= 0 && o.Low > 0 {
		f.Add(at+".value", "must be greater than zero")
		return
	}
	low, high, known := o.plausible(q.Unit)
	if known && q.Comparator == "" && (number < low || number > high) {
		f.Add(at+".value", "not plausible for "+o.Title+" in "+q.Unit+"; is the unit right?", fmt.Sprintf("%g to %g %s", low, high, q.Unit))
	}
}

// plausible is the range in one of the units. It is not known in a further unit
// that has no factor.
func (o Observation) plausible(unit string) (low, high float64, known bool) {
	i := slices.Index(o.Units, unit)
	switch {
	case i == 0:
		return o.Low, o.High, true
	case i > 0 && i < len(o.Factors):
		return rounded(o.Low * o.Factors[i]), rounded(o.High * o.Factors[i]), true
	default:
		return 0, 0, false
	}
}

// rounded leaves six digits, so that a limit is what the message says it is:
// 0.1 mg/L is 0.01 mg/dL and not 0.010000000000000002.
func rounded(v float64) float64 {
	short, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 6, 64), 64) // out of range it is infinite
	return short
}
