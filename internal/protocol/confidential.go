package protocol

import (
	"maps"
	"slices"
	"strings"

	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// confidences says what is confidential because an observation that it reads is.
// It is worked out once; what is not in it is not confidential.
type confidences struct {
	codes, flags, facts, requirements, conditions map[string]bool
}

// Confidential reports whether anything of the protocol is told in confidence.
func (p *Protocol) Confidential() bool { return len(p.kept.codes) > 0 }

// ConfidentialCode reports whether a value is told in confidence: a reported one
// by its code, or a computed one by its key.
func (p *Protocol) ConfidentialCode(code string) bool { return p.kept.codes[code] }

// ConfidentialCodes lists the codes and keys of values told in confidence.
func (p *Protocol) ConfidentialCodes() []string { return slices.Sorted(maps.Keys(p.kept.codes)) }

// ConfidentialResult is ConfidentialCode of a result with its components.
func (p *Protocol) ConfidentialResult(code result.Coding, components []result.Component) bool {
	return p.ConfidentialCode(code.Code) ||
		slices.ContainsFunc(components, func(c result.Component) bool { return p.ConfidentialCode(c.Code.Code) })
}

// ConfidentialResults are the ids of the results that are told in confidence, and
// of the panels that have one of them as a member and would tell of it.
func (p *Protocol) ConfidentialResults(results []result.Result) map[string]bool {
	ids, told := map[string]bool{}, map[result.Identifier]bool{}
	for i := range results {
		if of := &results[i]; p.ConfidentialResult(of.Code, of.Components) {
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

// confide works out what follows from the observations that are confidential.
func (p *Protocol) confide() {
	k := confidences{map[string]bool{}, map[string]bool{}, map[string]bool{}, map[string]bool{}, map[string]bool{}}
	p.kept = k
	for _, o := range p.Observations {
		if o.Confidential {
			k.codes[o.Code] = true
		}
	}
	// A panel tells its parts.
	for _, o := range p.Observations {
		if slices.ContainsFunc(o.Panel, p.ConfidentialCode) {
			k.codes[o.Code] = true
		}
	}
	for key, sources := range derivedKeys {
		if slices.ContainsFunc(sources, p.ConfidentialCode) {
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
		p.confideFlags(k)
	}
	for _, r := range p.Requirements {
		if r.Evidence == journey.ByResult && slices.ContainsFunc(slices.Concat(r.LOINC, r.Local), func(set []string) bool {
			return slices.ContainsFunc(set, p.ConfidentialCode)
		}) {
			k.requirements[r.ID] = true
		}
		if slices.ContainsFunc(r.WhenFlagged, p.ConfidentialFlag) {
			k.conditions[r.ID] = true
		}
	}
	p.eachCondition(func(id string, c *condition) {
		if slices.ContainsFunc(c.facts, p.ConfidentialFact) {
			k.conditions[id] = true
		}
	})
}

// confideFlags works out which facts and flags read what is confidential. The
// count of flags tells of each of them, and may itself be read by others.
func (p *Protocol) confideFlags(k confidences) {
	for _, f := range p.Facts {
		if slices.ContainsFunc(strings.Fields(f.Of), p.ConfidentialCode) {
			k.facts[f.ID] = true
		}
	}
	for _, f := range p.Flags {
		if slices.ContainsFunc(strings.Fields(f.Of), p.ConfidentialCode) ||
			f.condition != nil && slices.ContainsFunc(f.condition.facts, p.ConfidentialFact) {
			k.flags[f.ID] = true
		}
	}
	if len(k.flags) > 0 {
		k.codes[flagsForDiscussion] = true
	}
}
