package fhir

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// secretMark is in every value that was told in confidence, as far as a value has
// words.
const secretMark = "told-numbat"

// toldSnapshot has every confidential result of the protocol positive, and
// everything that follows from them.
func toldSnapshot(p *protocol.Protocol, candidate string) activities.Snapshot {
	s := testSnapshot(candidate)
	s.Protocol = p
	for i, o := range protocol.Default().Observations {
		if !o.Confidential {
			continue
		}
		r := result.Result{
			ID: fmt.Sprintf("c%s-0000-4000-8000-%012d", candidate[:7], i), Version: 1, Status: result.Final, Category: o.Category,
			Code:      result.Coding{System: protocol.LocalSystem, Code: o.Code, Display: o.Title},
			Effective: "2026-02-20", CollectedOn: "2026-02-20", Method: secretMark, Specimen: secretMark,
		}
		r.Value = positive(o)
		s.Results = append(s.Results, r)
	}
	s.Report = p.Assess(protocol.Person{BirthDate: "1981-06-30", Sex: "female", Path: "direct"}, s.Results, s.Today)
	s.State.Requirements = nil
	for i, r := range p.Requirements {
		status := []journey.Status{journey.NotMet, journey.NeedsReview, journey.Met}[i%3]
		s.State.Requirements = append(s.State.Requirements, journey.Requirement{ID: r.ID, Status: status})
	}
	return s
}

// positive is the value of an observation that tells most.
func positive(o protocol.Observation) result.Value {
	switch answers := o.Answers(); {
	case o.YesNo:
		return result.Value{Coding: &answers[1]}
	case o.Coded:
		return result.Value{Coding: &answers[slices.IndexFunc(answers, func(c result.Coding) bool { return c.Display == "Positive" })]}
	default:
		return number(fmt.Sprint(o.High), o.Units[0], "")
	}
}

// toldWords are what would tell, but for what names a requirement as well.
func toldWords(p *protocol.Protocol) []string {
	list := []string{secretMark}
	add := func(words ...string) {
		for _, word := range words {
			if !slices.ContainsFunc(p.Requirements, func(r protocol.Requirement) bool {
				return strings.Contains(r.ID, strings.Trim(word, `"`)) || strings.Contains(r.Title, word)
			}) {
				list = append(list, word)
			}
		}
	}
	for _, o := range p.Observations {
		if o.Confidential {
			add(o.Code, o.Title)
		}
	}
	for _, f := range p.Flags {
		if p.ConfidentialFlag(f.ID) {
			add(`"`+f.ID+`"`, f.Title, "threshold: "+f.ID)
		}
	}
	for _, f := range p.Facts {
		if p.ConfidentialFact(f.ID) {
			add(f.ID, f.Title)
		}
	}
	return list
}

// tells returns which of the words, and which ids of the results, a resource
// holds beside its own id.
func tells(s activities.Snapshot, words []string, r record.Resource) (in []string) {
	body := strings.Replace(string(r.Body), `"id":"`+r.ID+`"`, "", 1)
	for _, word := range words {
		if strings.Contains(body, word) {
			in = append(in, word)
		}
	}
	for _, of := range s.Results {
		if s.Protocol.ConfidentialResult(of.Code, of.Components) && strings.Contains(body, of.ID) {
			in = append(in, of.ID)
		}
	}
	for _, x := range r.Index {
		if slices.Contains(words, x.Value) || slices.Contains(words, `"`+x.Value+`"`) {
			in = append(in, x.Param+" "+x.Value)
		}
	}
	return in
}

func TestNothingToldInConfidenceIsPublished(t *testing.T) {
	p := protocol.Default()
	words := toldWords(p)
	if len(words) < 40 {
		t.Fatalf("only %d words would tell", len(words))
	}
	s := decided(toldSnapshot(p, candidateA), journey.Approve)
	list := mustPublish(t, s)
	if len(impressions(list)) != 1 {
		t.Fatal("there is no impression")
	}
	for _, r := range list {
		if in := tells(s, words, r); len(in) > 0 || strings.Contains(r.ID, "flag-excl-coercion") {
			t.Errorf("%s/%s tells %v", r.Type, r.ID, in)
		}
		if r.Type == typeObservation && s.Protocol.ConfidentialCode(r.ID) {
			t.Errorf("%s is published", r.ID)
		}
	}
	plan := find(t, list, typeCarePlan, candidateA+"-evaluation")
	if bytes.Contains(plan.Body, []byte("psychiatric-consult")) || bytes.Contains(plan.Body, []byte("Psychiatrist")) {
		t.Error("the plan tells that a psychiatrist is needed")
	}
	for _, r := range p.Requirements {
		if !p.ConfidentialRequirement(r.ID) {
			continue
		}
		for _, a := range activitiesOf(t, list, plan) {
			if a.code == r.ID && a.outcome != "" && a.outcome != "waived" {
				t.Errorf("the plan tells what came of %s", r.ID)
			}
		}
	}
	// What is ordinary is published as ever.
	if ordinary := mustPublish(t, testSnapshot(candidateA)); len(ordinary) == 0 || !slices.ContainsFunc(list, func(r record.Resource) bool {
		return r.Type == typeObservation && bytes.Contains(r.Body, []byte("2160-0"))
	}) {
		t.Error("ordinary results are not published")
	}
}

// open is the default protocol from before anything was confidential.
func openProtocol(t *testing.T) *protocol.Protocol {
	t.Helper()
	text := strings.NewReplacer(", confidential: true", "", `version: "`+protocol.Default().Version+`"`, `version: "before"`).Replace(protocol.Default().Source())
	p, err := protocol.Parse([]byte(text))
	if err != nil || p.Confidential() {
		t.Fatalf("confidential %t: %v", p.Confidential(), err)
	}
	return p
}

func TestWhatWasPublishedBeforeIsMasked(t *testing.T) {
	words := toldWords(protocol.Default())
	store := testStore(t)
	before := toldSnapshot(openProtocol(t), candidateA)
	before.State.Seq = 1
	give(t, store, before)
	before = decided(before, journey.Approve)
	give(t, store, before)
	read := func() map[string]record.Published {
		resources := map[string]record.Published{}
		if err := store.EachResource(t.Context(), func(p record.Published) error {
			resources[p.Type+"/"+p.ID] = p
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		return resources
	}
	if told := read(); !bytes.Contains(told["DetectedIssue/"+candidateA+"-flag-excl-coercion"].Body, []byte("coercion")) {
		t.Fatal("nothing was told before")
	}
	s := toldSnapshot(protocol.Default(), candidateA)
	s.State.Decision, s.State.Stage, s.State.Seq = before.State.Decision, before.State.Stage, before.State.Seq
	s = later(s, "2026-03-05")
	s.Moved = true
	give(t, store, s)
	after := read()
	masked := 0
	for name, r := range after {
		if in := tells(s, words, record.Resource{Type: r.Type, ID: r.ID, Body: r.Body}); len(in) > 0 {
			t.Errorf("%s tells %v: %s", name, in, r.Body)
		}
		if bytes.Contains(r.Body, []byte(`"masked"`)) {
			masked++
			if !bytes.Contains(r.Body, []byte(`"status":"entered-in-error"`)) && !bytes.Contains(r.Body, []byte(`"status":"cancelled"`)) && !bytes.Contains(r.Body, []byte(`"status":"inactive"`)) {
				t.Errorf("%s is not retired: %s", name, r.Body)
			}
		}
	}
	told := map[string][]record.Query{}
	for _, typ := range typeOrder {
		told[typ] = nil
	}
	versions, err := store.History(t.Context(), record.HistoryQuery{Of: told, Limit: 10_000})
	if err != nil || len(versions) < len(after) {
		t.Fatalf("%d versions, %v", len(versions), err)
	}
	for _, v := range versions {
		if in := tells(s, words, record.Resource{Type: v.Type, ID: v.ID, Body: v.Body}); len(in) > 0 {
			t.Errorf("version %d of %s/%s tells %v", v.Version, v.Type, v.ID, in)
		}
	}
	// All but the count of flags, which is no resource.
	if want := len(protocol.Default().ConfidentialCodes()) - 1 + toldFlags(protocol.Default()); masked < want-2 {
		t.Errorf("%d resources are masked, want %d", masked, want)
	}
	impression := after["ClinicalImpression/"+candidateA+"-decision-2"]
	if impression.Version != 2 || !bytes.Contains(impression.Body, []byte(`"Approved"`)) || !bytes.Contains(impression.Body, []byte("_history")) {
		t.Errorf("the impression of before is version %d: %s", impression.Version, impression.Body)
	}
	give(t, store, later(s, "2026-03-06"))
	for name, r := range read() {
		if r.Version != after[name].Version {
			t.Errorf("%s is published again: %s", name, r.Body)
		}
	}
}

// TestToldExitsLookTheSame: what was told in confidence, and published before,
// does not tell a withdrawal from a decline.
func TestToldExitsLookTheSame(t *testing.T) {
	p, was := protocol.Default(), openProtocol(t)
	words := toldWords(p)
	end := func(kind journey.Kind, role journey.Role, outcome journey.Outcome) []record.Resource {
		s := decided(toldSnapshot(was, candidateA), outcome)
		previous := mustPublish(t, s)
		s.Protocol, s.Previous = p, previous
		s.Report = p.Assess(protocol.Person{BirthDate: "1981-06-30", Sex: "female", Path: "direct"}, s.Results, s.Today)
		s.State.Stage, s.Today = journey.Committee, "2026-03-09"
		s.State = journey.Apply(journey.Rules{}, s.State, journey.Event{Seq: s.State.Seq + 1, Command: journey.Command{
			Candidate: candidateA, Kind: kind, Role: role, At: testNow.AddDate(0, 0, 7), Today: s.Today, Reasoned: true,
		}})
		list := mustPublish(t, s)
		for _, r := range list {
			if in := tells(s, words, r); len(in) > 0 {
				t.Errorf("after %s %s/%s tells %v", kind, r.Type, r.ID, in)
			}
		}
		return list
	}
	withdrawn := end(journey.Withdraw, journey.Advocate, journey.Approve)
	declined := end(journey.Decline, journey.CommitteeRole, journey.Defer)
	if len(withdrawn) != len(declined) {
		t.Fatalf("%d and %d resources", len(withdrawn), len(declined))
	}
	for i, a := range withdrawn {
		if b := declined[i]; a.Type != b.Type || a.ID != b.ID || !bytes.Equal(a.Body, b.Body) || !slices.Equal(a.Index, b.Index) {
			t.Errorf("%s/%s and %s/%s differ:\n%s\n%s", a.Type, a.ID, b.Type, b.ID, a.Body, b.Body)
		}
	}
}

func toldFlags(p *protocol.Protocol) int {
	n := 0
	for _, f := range p.Flags {
		if p.ConfidentialFlag(f.ID) {
			n++
		}
	}
	return n
}
