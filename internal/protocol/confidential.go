package protocol

import (
	"maps"
	"slices"
	"strings"

	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// Marked says what follows from the observations that the protocol marks in one way:
// what reads one of them, directly or through others, tells of it. It is worked out
// once; what is not in it does not.
type Marked struct {
	codes, flags, facts, requirements, conditions map[string]bool
	// label is what a source writes on a result of this kind.
	label result.Confidentiality
}

// Any reports whether anything is marked.
func (m Marked) Any() bool { return len(m.codes) > 0 }

// Code reports whether a value is marked: a reported one by its code, or a computed
// one by its key.
func (m Marked) Code(code string) bool { return m.codes[code] }

// Codes lists the codes and keys of the values that are marked.
func (m Marked) Codes() []string { return slices.Sorted(maps.Keys(m.codes)) }

// Flag reports whether a flag rule reads a marked value.
func (m Marked) Flag(id string) bool { return m.flags[id] }

// Requirement reports whether a requirement is met by results of which one is
// marked, so that its status would tell of it.
func (m Marked) Requirement(id string) bool { return m.requirements[id] }

// Condition reports whether a marked value decides that a requirement, a disclosure
// or a duty applies.
func (m Marked) Condition(id string) bool { return m.conditions[id] }

// result is Code of a result with its components.
func (m Marked) result(code result.Coding, components []result.Component) bool {
	return m.codes[code.Code] || slices.ContainsFunc(components, func(c result.Component) bool { return m.codes[c.Code.Code] })
}

// Results are the ids of the results that are marked, by the protocol or by their
// source, and of the panels that have one of them as a member and would tell of it.
func (m Marked) Results(results []result.Result) map[string]bool {
	ids, told := map[string]bool{}, map[result.Identifier]bool{}
	for i := range results {
		if of := &results[i]; m.label != "" && of.Confidentiality == m.label || m.result(of.Code, of.Components) {
			ids[of.ID], told[of.Identifier] = true, true
		}
	}
	if len(told) == 0 {
		return ids
	}
	for i := range results {
		of := &results[i]
		if slices.ContainsFunc(of.Members, func(m result.Identifier) bool { return told[m] }) {
			ids[of.ID] = true
		}
	}
	return ids
}

// Sensitive is what the protocol marks as sensitive: it is published with the
// security label of what is restricted.
func (p *Protocol) Sensitive() Marked { return p.sensitive }

// Confidential reports whether anything of the protocol is told in confidence.
func (p *Protocol) Confidential() bool { return p.kept.Any() }

// ConfidentialCode reports whether a value is told in confidence: a reported one
// by its code, or a computed one by its key.
func (p *Protocol) ConfidentialCode(code string) bool { return p.kept.Code(code) }

// ConfidentialCodes lists the codes and keys of values told in confidence.
func (p *Protocol) ConfidentialCodes() []string { return p.kept.Codes() }

// ConfidentialResult is ConfidentialCode of a result with its components.
func (p *Protocol) ConfidentialResult(code result.Coding, components []result.Component) bool {
	return p.kept.result(code, components)
}

// ConfidentialResults are the ids of the results that are told in confidence, and
// of the panels that have one of them as a member and would tell of it.
func (p *Protocol) ConfidentialResults(results []result.Result) map[string]bool {
	return p.kept.Results(results)
}

// ConfidentialFlag reports whether a flag rule reads a confidential value.
func (p *Protocol) ConfidentialFlag(id string) bool { return p.kept.flags[id] }

// ConfidentialFact reports whether a fact is one.
func (p *Protocol) ConfidentialFact(id string) bool { return p.kept.facts[id] }

// ConfidentialRequirement reports whether a requirement is met by results of
// which one is confidential, so that its status would tell of it.
func (p *Protocol) ConfidentialRequirement(id string) bool { return p.kept.requirements[id] }

// ConfidentialCondition reports whether a confidential value decides that a
// requirement, a disclosure or a duty applies.
func (p *Protocol) ConfidentialCondition(id string) bool { return p.kept.conditions[id] }

// confide works out what follows from the observations that are confidential or
// sensitive.
func (p *Protocol) confide() {
	p.kept = p.follow(result.VeryRestricted, func(o Observation) bool { return o.Confidential })
	p.sensitive = p.follow(result.Restricted, func(o Observation) bool { return o.Sensitive })
}

// follow works out what tells of the observations that are marked.
func (p *Protocol) follow(label result.Confidentiality, marked func(Observation) bool) Marked {
	k := Marked{
		codes: map[string]bool{}, flags: map[string]bool{}, facts: map[string]bool{}, requirements: map[string]bool{}, conditions: map[string]bool{},
		label: label,
	}
	for _, o := range p.Observations {
		if marked(o) {
			k.codes[o.Code] = true
		}
	}
	// A panel tells its parts.
	for _, o := range p.Observations {
		if slices.ContainsFunc(o.Panel, k.Code) {
			k.codes[o.Code] = true
		}
	}
	for key, sources := range derivedKeys {
		if slices.ContainsFunc(sources, k.Code) {
			k.codes[key] = true
		}
	}
	for panel, part := range readerPanels {
		if k.codes[part] {
			k.codes[panel] = true
		}
	}
	for before := -1; before != len(k.codes)+len(k.facts)+len(k.flags); {
		before = len(k.codes) + len(k.facts) + len(k.flags)
		p.followFlags(k)
	}
	for _, r := range p.Requirements {
		if r.Evidence == journey.ByResult && slices.ContainsFunc(slices.Concat(r.LOINC, r.Local), func(set []string) bool {
			return slices.ContainsFunc(set, k.Code)
		}) {
			k.requirements[r.ID] = true
		}
		if slices.ContainsFunc(r.WhenFlagged, k.Flag) {
			k.conditions[r.ID] = true
		}
	}
	p.eachCondition(func(id string, c *condition) {
		if slices.ContainsFunc(c.facts, k.fact) {
			k.conditions[id] = true
		}
	})
	return k
}

func (m Marked) fact(id string) bool { return m.facts[id] }

// followFlags works out which facts and flags read what is marked. The
// count of flags tells of each of them, and may itself be read by others.
func (p *Protocol) followFlags(k Marked) {
	for _, f := range p.Facts {
		if slices.ContainsFunc(strings.Fields(f.Of), k.Code) {
			k.facts[f.ID] = true
		}
	}
	for _, f := range p.Flags {
		if slices.ContainsFunc(strings.Fields(f.Of), k.Code) ||
			f.condition != nil && slices.ContainsFunc(f.condition.facts, k.fact) {
			k.flags[f.ID] = true
		}
	}
	if len(k.flags) > 0 {
		k.codes[flagsForDiscussion] = true
	}
}
