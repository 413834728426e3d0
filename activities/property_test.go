package activities

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// laboratory are codes of requirements, with two values on either side of a
// threshold where there is one.
var laboratory = []struct {
	code, unit string
	values     []string
}{
	{"2160-0", "mg/dL", []string{"0.70", "1.60"}}, {"1558-6", "mg/dL", []string{"88", "112"}}, {"4548-4", "%", []string{"5.2", "6.6"}},
	{"718-7", "g/dL", []string{"13.9", "9.1"}}, {"6690-2", "10*3/uL", []string{"6.1"}}, {"777-3", "10*3/uL", []string{"240", "120"}},
	{"9318-7", "mg/g{creat}", []string{"6", "45"}}, {"8302-2", "cm", []string{"172"}}, {"29463-7", "kg", []string{"68", "95"}},
	{"56888-1", "", []string{"260385009", "10828004"}}, {"1518-0", "mg/dL", []string{"112", "160"}},
}

// world is one invented candidate whose record only this test writes.
type world struct {
	protocol *protocol.Protocol
	person   protocol.Person
	results  []result.Result
	state    journey.State
	today    journey.Date
	made     int
}

func (w *world) event(kind journey.Kind, role journey.Role) journey.Event {
	w.made++
	return journey.Event{Command: journey.Command{
		ID: strconv.Itoa(w.made), Candidate: "c", Kind: kind, Actor: "somebody", Role: role, Today: w.today,
	}, Seq: w.state.Seq + 1}
}

// change puts results on record and checks that every flag that changes by it
// has a recorded cause.
func (w *world) change(t *rapid.T, next []result.Result, changed ...result.Result) {
	after := w.protocol.Assess(w.person, next, w.today)
	c := commit{
		from: w.protocol, protocol: w.protocol, command: journey.Command{Kind: journey.RecordResults, Today: w.today}, state: w.state,
		former: w.results, results: next, changed: changed, report: after,
	}
	c.referral.Identity.BirthDate, c.referral.Identity.Sex, c.referral.Path = w.person.BirthDate, w.person.Sex, w.person.Path
	e := w.event(journey.RecordResults, journey.Coordinator)
	e.Assessment = after.Coded()
	was := w.state
	w.results, w.state = next, journey.Apply(w.protocol.Rules(), w.state, e)
	changes := c.bandChanges(w.state)
	for _, flag := range was.Flags {
		i := slices.IndexFunc(w.state.Flags, func(f journey.Flag) bool { return f.ID == flag.ID })
		if i >= 0 && w.state.Flags[i].Band == flag.Band {
			continue
		}
		recorded := slices.ContainsFunc(changes, func(c journey.BandChange) bool {
			return c.Flag == flag.ID && c.From == flag.Band && len(c.Causes) > 0
		})
		if !recorded {
			t.Fatalf("the flag %s (%s) went or changed and no cause is recorded: %+v", flag.ID, flag.Band, changes)
		}
	}
	for _, change := range changes {
		for _, cause := range change.Causes {
			if cause != journey.ByTime && !slices.ContainsFunc(changed, func(r result.Result) bool { return r.ID == cause }) {
				t.Fatalf("%s changed because of %s, which did not change", change.Flag, cause)
			}
		}
	}
	// A requirement that comes or goes has the facts or flags behind it recorded.
	for _, change := range planChanges(w.protocol.Rules(), w.protocol.Rules(), was, w.state, after) {
		if len(change.Causes) == 0 {
			t.Fatalf("the plan changed for %s without a cause", change.Requirement)
		}
	}
}

func (w *world) report(t *rapid.T) {
	kind := rapid.SampledFrom(laboratory).Draw(t, "what")
	status := rapid.SampledFrom([]result.Status{
		result.Final, result.Final, result.Final, result.Amended, result.Corrected, result.Preliminary, result.Registered, result.Cancelled, result.EnteredInError,
	}).Draw(t, "status")
	day := w.today.AddDays(-rapid.IntRange(0, 500).Draw(t, "age"))
	w.made++
	r := result.Result{
		ID: fmt.Sprintf("r%d", w.made), Version: 1, Status: status, Effective: string(day), CollectedOn: string(day),
		Identifier: result.Identifier{System: "lab", Value: strconv.Itoa(w.made)}, Code: result.Coding{Code: kind.code},
	}
	w.value(t, &r, kind.unit, kind.values)
	w.change(t, append(slices.Clone(w.results), r), r)
}

func (w *world) value(t *rapid.T, r *result.Result, unit string, values []string) {
	value := rapid.SampledFrom(values).Draw(t, "value")
	if unit == "" {
		r.Value = result.Value{Coding: &result.Coding{System: "http://snomed.info/sct", Code: value}}
	} else {
		r.Value = result.Value{Quantity: &result.Quantity{Value: json.Number(value), Unit: unit}}
	}
}

// correct changes a result or takes it away.
func (w *world) correct(t *rapid.T) {
	if len(w.results) == 0 {
		return
	}
	i := rapid.IntRange(0, len(w.results)-1).Draw(t, "which")
	next := slices.Clone(w.results)
	r := &next[i]
	r.Version++
	r.Status = rapid.SampledFrom([]result.Status{result.Corrected, result.Amended, result.EnteredInError, result.Cancelled}).Draw(t, "to")
	for _, kind := range laboratory {
		if kind.code == r.Code.Code {
			w.value(t, r, kind.unit, kind.values)
		}
	}
	w.change(t, next, *r)
}

func (w *world) sign(t *rapid.T) {
	rules := w.protocol.Rules()
	for _, r := range w.state.Requirements {
		rule, _ := rules.Requirement(r.ID)
		e := w.event(journey.SignResults, rule.Signer)
		e.Requirements, e.Verdict, e.Reasoned = []string{r.ID}, journey.VerdictMet, true
		if rule.Evidence == journey.ByResult && rapid.Bool().Draw(t, "sign "+r.ID) && journey.Check(rules, w.state, e.Command) == nil {
			w.state = journey.Apply(rules, w.state, e)
		}
	}
}

func (w *world) wait(t *rapid.T) {
	w.today = w.today.AddDays(rapid.IntRange(1, 250).Draw(t, "days"))
	_, w.state = journey.Passed(w.protocol.Rules(), w.state, journey.Moment{On: w.today})
}

// check finds the results behind every requirement that is in force, without
// the assessment: all of one set, each usable, none too old.
func (w *world) check(t *rapid.T) {
	for _, r := range w.protocol.Requirements {
		has, ok := w.state.Find(r.ID)
		if r.Evidence != journey.ByResult || !ok || has.Status != journey.Met || !has.InForce(w.today) {
			continue
		}
		satisfied := func(set []string) bool {
			for _, code := range set {
				if !slices.ContainsFunc(w.results, func(x result.Result) bool {
					usable := x.Status == result.Final || x.Status == result.Amended || x.Status == result.Corrected
					young := r.ValidDays == 0 || !journey.Date(x.CollectedOn).AddDays(r.ValidDays).Before(w.today)
					return x.Code.Code == code && usable && young
				}) {
					return false
				}
			}
			return true
		}
		if !slices.ContainsFunc(slices.Concat(r.LOINC, r.Local), satisfied) {
			t.Fatalf("on %s %s is in force without usable results of its window: %+v", w.today, r.ID, has)
		}
	}
}

// TestNothingStandsOnUnusableResults: no requirement is ever satisfied by a
// result that has expired, was corrected away or is preliminary; and no flag
// goes, and no requirement comes or goes, without a recorded cause.
func TestNothingStandsOnUnusableResults(t *testing.T) {
	p := protocol.Default()
	rapid.Check(t, func(t *rapid.T) {
		w := &world{
			protocol: p, today: "2026-01-05",
			person: protocol.Person{BirthDate: "1981-03-14", Sex: "female", Path: "direct", RecipientKnown: true},
		}
		e := w.event(journey.Refer, journey.Coordinator)
		e.Assessment = p.Assess(w.person, nil, w.today).Coded()
		w.state = journey.Begin(p.Rules(), e)
		w.state.Stage = journey.Evaluation
		for range rapid.IntRange(1, 25).Draw(t, "steps") {
			switch rapid.IntRange(0, 5).Draw(t, "step") {
			case 0, 1:
				w.report(t)
			case 2:
				w.correct(t)
			case 3, 4:
				w.sign(t)
			default:
				w.wait(t)
			}
			w.check(t)
		}
	})
}
