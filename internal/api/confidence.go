package api

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// confidant reports whether the reader may read what a candidate told in
// confidence.
func (r Reader) confidant() bool {
	return slices.Contains(confidants, r.Role) || r.Emergency && r.ReadsCare()
}

// hidesFlag reports whether a flag is kept from the reader. One that the protocol
// does not know, as of a decision by an older version, is taken for confidential.
func (r Reader) hidesFlag(p *protocol.Protocol, id string) bool {
	return !r.confidant() && (p.ConfidentialFlag(id) || !hasFlag(p, id))
}

func hasFlag(p *protocol.Protocol, id string) bool {
	return slices.ContainsFunc(p.Flags, func(f protocol.FlagRule) bool { return f.ID == id })
}

// HidesFinding reports whether the reader may learn of a requirement that is met
// by results no more than whether it is in force.
func (r Reader) HidesFinding(p *protocol.Protocol, requirement string) bool {
	return !r.confidant() && p.ConfidentialRequirement(requirement)
}

// hidesVerdict is HidesFinding of any of the requirements that an entry is about,
// for whoever did not write it. One that the protocol does not know is hidden.
func (r Reader) hidesVerdict(p *protocol.Protocol, requirements []string, author string) bool {
	return !r.readsPrivate(author) && slices.ContainsFunc(requirements, func(id string) bool {
		_, known := p.Find(id)
		return !known || p.ConfidentialRequirement(id)
	})
}

// HidesCause reports whether the reader may not learn why a requirement applies.
func (r Reader) HidesCause(p *protocol.Protocol, requirement string) bool {
	_, required := p.Find(requirement)
	_, listed := p.Item(requirement)
	return !r.confidant() && (p.ConfidentialCondition(requirement) || !required && !listed)
}

// Flags are those that the reader may see. The others leave one mark with the
// gravest of their bands, so that nobody takes the rest for all.
func (r Reader) Flags(p *protocol.Protocol, flags []protocol.Flag) []protocol.Flag {
	var shown []protocol.Flag
	mark := protocol.Flag{ID: "by-clinicians", Title: capital(ByClinicians), Band: journey.Meets, Inputs: []protocol.Input{}}
	for _, f := range flags {
		if !r.hidesFlag(p, f.ID) {
			shown = append(shown, f)
		} else if f.Band.Graver(mark.Band) {
			mark.Band = f.Band
		}
	}
	if mark.Band != journey.Meets {
		shown = append(shown, mark)
	}
	return shown
}

func capital(text string) string { return strings.ToUpper(text[:1]) + text[1:] }

// Stop says for the reader which absolute exclusion a flag is, or only that there
// is one.
func (r Reader) Stop(p *protocol.Protocol, flag, title string) string {
	if r.hidesFlag(p, flag) {
		return "A finding " + ByClinicians
	}
	return title + " is an absolute exclusion"
}

// Derived are the computed values that the reader may see.
func (r Reader) Derived(p *protocol.Protocol, list []protocol.Derived) []protocol.Derived {
	return without(r, list, func(d protocol.Derived) bool { return p.ConfidentialCode(d.Key) })
}

// FlagChanges are the changes of flags that the reader may see, from one protocol
// to another.
func (r Reader) FlagChanges(from, to *protocol.Protocol, list []protocol.FlagChange) []protocol.FlagChange {
	return without(r, list, func(f protocol.FlagChange) bool {
		return from.ConfidentialFlag(f.ID) || to.ConfidentialFlag(f.ID) || !hasFlag(from, f.ID) && !hasFlag(to, f.ID)
	})
}

// Bands are the changes of flags by a command that the reader may see.
func (r Reader) Bands(p *protocol.Protocol, list []journey.BandChange) []journey.BandChange {
	return without(r, list, func(b journey.BandChange) bool { return r.hidesFlag(p, b.Flag) })
}

func without[T any](r Reader, list []T, hides func(T) bool) []T {
	if r.confidant() || !slices.ContainsFunc(list, hides) {
		return list
	}
	return slices.DeleteFunc(slices.Clone(list), hides)
}

// Conditions say why conditional requirements apply. Of those whose cause is kept
// from the reader, only the answer is left.
func (r Reader) Conditions(p *protocol.Protocol, list []protocol.Condition) []protocol.Condition {
	shown := slices.Clone(list)
	for i, c := range shown {
		if r.HidesCause(p, c.Requirement) {
			shown[i] = protocol.Condition{Requirement: c.Requirement, Holds: c.Holds}
		}
	}
	return shown
}

// Causes are the facts and flags that changed a plan, as far as the reader may
// know them. The last value says that there are others.
func (r Reader) Causes(p *protocol.Protocol, change journey.PlanChange) (shown []string, more bool) {
	for _, id := range change.Causes {
		known := id == journey.ByProtocol || hasFlag(p, id) ||
			slices.ContainsFunc(p.Facts, func(f protocol.Fact) bool { return f.ID == id })
		if !r.confidant() && (!known || p.ConfidentialFact(id) || p.ConfidentialFlag(id)) {
			more = true
			continue
		}
		shown = append(shown, id)
	}
	return shown, more
}

// Basis is what a decision stood on as the reader may see it, without its
// requirements: see BasisRequirement.
func (r Reader) Basis(p *protocol.Protocol, b activities.Basis) activities.Basis {
	b.Flags, b.Derived, b.Conditions = r.Flags(p, b.Flags), r.Derived(p, b.Derived), r.Conditions(p, b.Conditions)
	return b
}

// Results are those that the reader may see: what is confidential is left out,
// unless the reader reported it as it now stands. What a laboratory wrote in free
// words is for the care team.
func (r Reader) Results(p *protocol.Protocol, list []result.Result, entries []record.Entry) []result.Result {
	if r.confidant() {
		return list
	}
	if !r.ReadsCare() {
		list = withoutWords(list)
	}
	kept := p.ConfidentialResults(list)
	if len(kept) == 0 {
		return list
	}
	var own []command.Result
	for _, e := range entries {
		if e.Kind != journey.RecordResults || !r.readsPrivate(e.Actor) {
			continue
		}
		var body command.RecordResults
		if json.Unmarshal(e.Body, &body) == nil {
			own = append(own, body.Results...)
		}
	}
	return slices.DeleteFunc(slices.Clone(list), func(of result.Result) bool {
		return kept[of.ID] && !slices.ContainsFunc(own, func(reported command.Result) bool {
			return reported.Identifier == of.Identifier && command.SameContent(of, reported.Record(of.ID, of.Version, p.Zone()))
		})
	})
}

// withoutWords are results without the notes and conclusions of laboratories.
func withoutWords(list []result.Result) []result.Result {
	list = slices.Clone(list)
	for i := range list {
		list[i].Note = ""
		if report := list[i].Report; report != nil && report.Conclusion != "" {
			plain := *report
			plain.Conclusion = ""
			list[i].Report = &plain
		}
	}
	return list
}

// Reported are the results of an entry that the reader may see, and whether
// there are others.
func (r Reader) Reported(p *protocol.Protocol, author string, list []command.Result) (shown []command.Result, more bool) {
	if r.readsPrivate(author) {
		return list, false
	}
	shown = slices.DeleteFunc(slices.Clone(list), func(of command.Result) bool { return p.ConfidentialResult(of.Code, of.Components) })
	return shown, len(shown) < len(list)
}

// Answers are those of a candidate's own that the reader may see, and whether there
// are others.
func (r Reader) Answers(p *protocol.Protocol, list []activities.AnsweredQuestion) (shown []activities.AnsweredQuestion, more bool) {
	shown = without(r, list, func(a activities.AnsweredQuestion) bool { return a.Confidential || p.ConfidentialCode(a.Code) })
	return shown, len(shown) < len(list)
}

// MayReadStopWish reports whether the reader may read what a candidate wrote who
// asked to stop, and what came of the talk.
func (r Reader) MayReadStopWish() bool { return slices.Contains(withdrawalKeepers, r.Role) }

// reported is Reported of the results as an entry keeps them, nil when they
// can't be taken apart.
func (r Reader) reported(p *protocol.Protocol, author string, raw json.RawMessage) json.RawMessage {
	return filtered(raw, func(list []command.Result) []command.Result {
		shown, _ := r.Reported(p, author, list)
		return shown
	})
}

// filtered is a list in JSON after a filter: the same text when that changes
// nothing, nil when it can't be taken apart.
func filtered[T any](raw json.RawMessage, filter func([]T) []T) json.RawMessage {
	var list []T
	if json.Unmarshal(raw, &list) != nil {
		return nil
	}
	shown := filter(list)
	if len(shown) == len(list) && reflect.DeepEqual(shown, list) || len(list) == 0 {
		return raw
	}
	encoded, err := json.Marshal(orEmpty(shown))
	if err != nil {
		return nil
	}
	return encoded
}

// Trends are the quantities on record that the reader may see, over time, and what they
// were before they were corrected.
func (r Reader) Trends(p *protocol.Protocol, person protocol.Person, results []result.Result, entries []record.Entry, operated, today journey.Date) []protocol.Trend {
	shown := r.Results(p, results, entries)
	return p.Trends(protocol.Course{
		Person: person, Results: results, Shown: shown, Replaced: r.replaced(p, shown, entries), Operated: operated, Today: today,
		HidesFlag: func(id string) bool { return r.hidesFlag(p, id) },
		HidesCode: func(code string) bool { return !r.confidant() && p.ConfidentialCode(code) && !reports(shown, code) },
	})
}

// reports says whether a result of the code is among those that may be seen: somebody
// sees what they reported in confidence themselves.
func reports(list []result.Result, code string) bool {
	return slices.ContainsFunc(list, func(of result.Result) bool { return of.Code.Code == code })
}

// replaced are the results of the entries that stand otherwise now.
func (r Reader) replaced(p *protocol.Protocol, now []result.Result, entries []record.Entry) []result.Result {
	standing := make(map[result.Identifier]result.Result, len(now))
	corrected := false
	for _, of := range now {
		standing[of.Identifier] = of
		corrected = corrected || of.Version > 1
	}
	if !corrected {
		return nil
	}
	var list []result.Result
	versions := map[result.Identifier]int{}
	for _, e := range entries {
		var body command.RecordResults
		if e.Kind != journey.RecordResults || json.Unmarshal(e.Body, &body) != nil {
			continue
		}
		shown, _ := r.Reported(p, e.Actor, body.Results)
		for _, reported := range shown {
			of, ok := standing[reported.Identifier]
			if versions[reported.Identifier]++; !ok || of.Version < 2 {
				continue
			}
			before := reported.Record(of.ID, versions[reported.Identifier], p.Zone())
			if !reflect.DeepEqual(before.Value, of.Value) || !reflect.DeepEqual(before.Components, of.Components) || before.CollectedOn != of.CollectedOn {
				list = append(list, before)
			}
		}
	}
	return list
}
