package system_test

import (
	"encoding/json"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/result"
	"candidacy/internal/system"
	"candidacy/internal/walk"
)

// TestBirthdayAddsARequirement: by a condition over the age, a review is needed
// from the birthday on. The next command notices it, records the cause, and the
// workflow and the record agree.
func TestBirthdayAddsARequirement(t *testing.T) {
	text := strings.NewReplacer(
		"\nfacts:\n", "\nfacts:\n  - {id: age, title: Age, of: age, type: number, unit: a}\n",
		"\nrequirements:\n", `
requirements:
  - id: colon-screen
    title: Screening of the colon
    domain: cancer
    gate: committee
    evidence: review
    signer: clinician
    when: age >= 44
    source: invented for this test
`).Replace(protocoltest.Brief().Source())
	p, err := protocol.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	sys, err := system.Open(t.Context(), system.Options{DataDir: t.TempDir(), Protocol: p})
	if err != nil {
		t.Fatal(err)
	}
	defer closed(t, sys)
	employ(t, sys)
	// The candidate turns 44 on 14 March, eleven days after the referral.
	w := walk.New(1, begin).Refer().Screen()
	w.Add(w.At(10, 0), journey.RecordReview, walk.Nephrologist, journey.Clinician, &command.RecordReview{
		Requirement: "medical-history", Position: journey.Supports, Findings: "As dictated.",
	})
	w.Add(w.At(12, 0), journey.RecordReview, walk.Surgeon, journey.Clinician, &command.RecordReview{
		Requirement: "surgery-review", Position: journey.Supports, Findings: "As dictated.",
	})
	w.Add(w.At(13, 0), journey.RecordReview, walk.Nephrologist, journey.Clinician, &command.RecordReview{
		Requirement: "colon-screen", Position: journey.Supports, Findings: "As dictated.",
	})
	id := play(t, walk.NewPlayer(sys.Dispatcher), "birthday", w.Steps())
	events, err := sys.Store.Events(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	var changes []journey.PlanChange
	for _, e := range events {
		if e.Kind != journey.Refer {
			changes = append(changes, e.Plan...)
		}
		if len(e.Plan) > 0 && e.Requirement != "surgery-review" {
			t.Errorf("the plan changed with %s %s", e.Kind, e.Requirement)
		}
	}
	if want := []journey.PlanChange{{Requirement: "colon-screen", Applies: true, Causes: []string{"age"}}}; !reflect.DeepEqual(changes, want) {
		t.Errorf("got %+v, want %+v", changes, want)
	}
	c, err := sys.Store.Candidate(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	folded := journey.Fold(p.Rules(), events)
	if !reflect.DeepEqual(c.State, folded) {
		t.Errorf("the record's state is not the fold of its events:\n%+v\n%+v", c.State, folded)
	}
	if r, _ := c.State.Find("colon-screen"); r.Status != journey.Met {
		t.Errorf("got %+v", r)
	}
}

// TestDecisionKeepsWhatItStoodOn: the entry of a decision holds the protocol, the
// flags and the values of that day, whatever is reported afterwards.
func TestDecisionKeepsWhatItStoodOn(t *testing.T) {
	sys := open(t, t.TempDir())
	defer closed(t, sys)
	employ(t, sys)
	w := walk.New(1, begin).Refer().Screen().Evaluate().Present().Approve()
	id := play(t, walk.NewPlayer(sys.Dispatcher), "decided", w.Steps())
	basis := func() activities.Basis {
		entries, err := sys.Store.Entries(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		i := slices.IndexFunc(entries, func(e record.Entry) bool { return e.Kind == journey.RecordDecision })
		var body activities.Decision
		if err := json.Unmarshal(entries[i].Body, &body); err != nil {
			t.Fatal(err)
		}
		if body.Outcome != journey.Approve || len(body.Seats) == 0 {
			t.Errorf("what was given is not in the entry: %+v", body)
		}
		return body.Basis
	}
	before := basis()
	p := protocoltest.Brief()
	value := func(b activities.Basis, flag string) string {
		i := slices.IndexFunc(b.Flags, func(f protocol.Flag) bool { return f.ID == flag })
		if i < 0 {
			t.Fatalf("the basis has no flag %s", flag)
		}
		return b.Flags[i].Shown + " " + string(b.Flags[i].Band)
	}
	if before.Protocol != p.Version || before.Digest != p.Digest() || value(before, "glucose-fasting") != "88 meets" ||
		!slices.ContainsFunc(before.Derived, func(d protocol.Derived) bool { return d.Key == "gfr-plasma-clearance" && d.Interval != nil }) ||
		len(before.Conditions) != 1 || before.Conditions[0].Holds != journey.HoldsNo {
		t.Errorf("got %+v", before)
	}
	want := map[string]activities.BasisRequirement{
		"creatinine":       {Status: journey.Met, Collected: w.Day(18), SignedBy: walk.Nephrologist, SignedOn: w.Day(21)},
		"surgery-review":   {Status: journey.Met, Collected: w.Day(26), SignedBy: walk.Surgeon, SignedOn: w.Day(26), Position: journey.Supports},
		"consent-donation": {Status: journey.NotDue},
	}
	if before.Title != p.Title || len(before.Requirements) != len(p.Requirements) {
		t.Errorf("title %q, %d requirements", before.Title, len(before.Requirements))
	}
	for _, got := range before.Requirements {
		expected, asked := want[got.ID]
		rule, _ := p.Find(got.ID)
		if expected.ID, expected.Title = got.ID, rule.Title; rule.ValidDays > 0 && expected.Collected != "" {
			expected.ValidUntil = expected.Collected.AddDays(rule.ValidDays)
		}
		if asked && got != expected {
			t.Errorf("%s was %+v, want %+v", got.ID, got, expected)
		}
	}
	impression := func() record.Published {
		t.Helper()
		var list []record.Published
		if err := sys.Store.EachResource(t.Context(), func(p record.Published) error {
			if p.Type == "ClinicalImpression" {
				list = append(list, p)
			}
			return nil
		}); err != nil || len(list) != 1 {
			t.Fatalf("%d impressions, %v", len(list), err)
		}
		return list[0]
	}
	published := impression()
	for _, text := range []string{"value: 88 mg/dL", "The selection committee approved", p.Canonical + "|" + p.Version, p.Digest()} {
		if !strings.Contains(string(published.Body), text) {
			t.Errorf("the impression lacks %q: %s", text, published.Body)
		}
	}
	for _, text := range []string{walk.Secret, walk.Recipient, walk.Family, walk.Nephrologist, "supports", "acc-"} {
		if strings.Contains(string(published.Body), text) {
			t.Errorf("the impression holds %q", text)
		}
	}
	// A new glucose of 130 mg/dL ends the approval, and the creatinine is
	// corrected; the basis stays as it was.
	at := begin.AddDate(0, 3, 0)
	corrected := w.EvaluationResults(18).Results
	corrected = corrected[slices.IndexFunc(corrected, func(r command.Result) bool { return r.Code.Code == "2160-0" }):][:1]
	corrected[0].Status, corrected[0].Issued, corrected[0].Quantity.Value = result.Corrected, at.Format(time.RFC3339), "1.30"
	if _, err := walk.NewPlayer(sys.Dispatcher).Give(t.Context(), id, "later", walk.Step{
		At: at, Kind: journey.RecordResults, Actor: walk.Coordinator, Role: journey.Coordinator,
		Body: &command.RecordResults{Results: append(corrected, command.Result{
			Identifier: result.Identifier{System: "urn:test", Value: "later"}, Status: result.Final,
			Code:     result.Coding{System: protocol.LOINCSystem, Code: "1558-6", Display: "Fasting glucose"},
			Quantity: &result.Quantity{Value: "130", Unit: "mg/dL"}, Effective: at.AddDate(0, 0, -1).Format(time.RFC3339),
		})},
	}); err != nil {
		t.Fatal(err)
	}
	if after := basis(); !reflect.DeepEqual(before, after) {
		t.Errorf("the basis changed:\n%+v\n%+v", before, after)
	}
	if after := impression(); after.Version != 1 || string(after.Body) != string(published.Body) {
		t.Errorf("the impression changed:\n%s\n%s", published.Body, after.Body)
	}
	// What it points to still says what the committee saw, and is not what stands.
	old, superseded := 0, 0
	for _, match := range regexp.MustCompile(`Observation/([A-Za-z0-9.-]+)/_history/(\d+)`).FindAllStringSubmatch(string(published.Body), -1) {
		version, err := strconv.ParseInt(match[2], 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		seen, err := sys.Store.ResourceVersion(t.Context(), "Observation", match[1], version)
		if err != nil {
			t.Fatalf("%s: %v", match[0], err)
		}
		now, err := sys.Store.Resource(t.Context(), "Observation", match[1])
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(seen.Body), `"code":"2160-0"`) && strings.Contains(string(seen.Body), `"value":0.70`) {
			old++
		}
		if now.Version > version {
			superseded++
		}
	}
	if old != 1 || superseded < 2 { // the creatinine, and the GFR estimated from it
		t.Errorf("%d creatinines as they were, %d values that have changed since", old, superseded)
	}
}
