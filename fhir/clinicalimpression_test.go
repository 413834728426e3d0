package fhir

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// decided is the snapshot of the command that records a decision.
func decided(s activities.Snapshot, outcome journey.Outcome) activities.Snapshot {
	s.State.Stage = journey.Committee
	s.State = journey.Apply(journey.Rules{}, s.State, journey.Event{Seq: s.State.Seq + 1, Command: journey.Command{
		Candidate: s.Candidate, Kind: journey.RecordDecision, Role: journey.CommitteeRole, Outcome: outcome, Side: journey.Left,
		Actor: "committee-account", At: testNow, Today: s.Today, Reasoned: true,
	}})
	return s
}

// later is the snapshot of a command some days after it.
func later(s activities.Snapshot, today journey.Date) activities.Snapshot {
	s.State.Seq++
	s.Today = today
	return s
}

// give writes what the snapshot publishes, as the commit does: with what stands
// before it.
func give(t testing.TB, store *record.Store, s activities.Snapshot) {
	t.Helper()
	command := fmt.Sprintf("%s-%d", s.Candidate, s.State.Seq)
	_, err := store.Append(t.Context(), s.Candidate, command, func(tx *record.Tx) (record.Draft, error) {
		var err error
		if s.Previous, err = tx.Published(); err != nil {
			return record.Draft{}, err
		}
		s.Read = tx.Body
		d := record.Draft{CommandHash: "hash", State: s.State, Event: journey.Event{Seq: s.State.Seq, Command: journey.Command{
			ID: command, Candidate: s.Candidate, Kind: journey.RecordResults, Actor: "coordinator", Role: journey.Coordinator, At: testNow, Today: s.Today,
		}}}
		if d.Resources, err = (Publisher{}).Publish(s); err != nil {
			return d, err
		}
		if s.State.Seq == 1 {
			d.Refer = &s.Referral
		}
		return d, nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// impressions are those of the candidate among the resources.
func impressions(list []record.Resource) []record.Resource {
	return slices.DeleteFunc(slices.Clone(list), func(r record.Resource) bool { return r.Type != typeClinicalImpression })
}

func TestClinicalImpression(t *testing.T) {
	s := decided(testSnapshot(candidateA), journey.Approve)
	r := find(t, mustPublish(t, s), typeClinicalImpression, candidateA+"-decision-10")
	i := decode[r4.ClinicalImpression](t, r)
	if i.Status != r4.ClinicalImpressionStatusCompleted || *i.Subject.Reference != "Patient/"+candidateA || *i.EffectiveDateTime != "2026-03-02" ||
		*i.Date != "2026-03-02" || !slices.Equal(i.Protocol, []string{"https://candidacy.example/protocol/kidney|2026.1"}) ||
		*i.Assessor.Display != "Selection committee" || *i.Assessor.Reference != "PractitionerRole/role-committee" || i.StatusReason != nil ||
		*i.Summary != "The selection committee approved the candidate for living kidney donation." ||
		i.Note[0].Text != "Judged by: Living kidney donor evaluation, version 2026.1" {
		t.Errorf("impression: %s", r.Body)
	}
	var findings []string
	for _, f := range i.Finding {
		line := *f.ItemCodeableConcept.Coding[0].Code + ": " + *f.ItemCodeableConcept.Text
		if f.Basis != nil {
			line += " | " + *f.Basis
		}
		findings = append(findings, line)
	}
	want := []string{
		"approve: Approved",
		"egfr: outside programme threshold: egfr | value: 84 mL/min/{1.73_m2}; threshold: >= 90 meets, 60 to 89 needs discussion, < 60 excludes; " +
			"band: needs discussion; of: 2026-02-03; source: KDIGO 2017",
		"mean-pressure: within programme threshold: mean-pressure | value: 97 mm[Hg]; band: meets; of: 2026-02-05",
		"fasting-glucose: programme threshold not decided: fasting-glucose | threshold: < 100 mg/dL meets; band: cannot decide; " +
			"because: no usable result on record; of: 2026-02-03; source: site",
		"a-flag-whose-name-is-longer-than-ids-allow: outside programme threshold: a-flag-whose-name-is-longer-than-ids-allow | " +
			"value: 3 (unrounded 3); threshold: <= 2; band: excludes absolutely; of: 2026-02-09; source: site",
	}
	if !slices.Equal(findings, want) {
		t.Errorf("findings\n%s\nwant\n%s", strings.Join(findings, "\n"), strings.Join(want, "\n"))
	}
	// Seven results that stand and the three values that were computed. The
	// cancelled one is not evidence.
	if len(i.Investigation) != 2 || len(i.Investigation[0].Item) != 7 || len(i.Investigation[1].Item) != 3 ||
		*i.Investigation[0].Item[0].Reference != "Observation/a0000000-0000-4000-8000-000000000001/_history/1" ||
		*i.Investigation[1].Item[0].Reference != "Observation/"+candidateA+"-egfr-creatinine/_history/1" {
		t.Errorf("investigations: %s", r.Body)
	}
	if want := []record.Index{
		{Param: "status", System: systemEventStatus, Value: "completed"},
		{Param: "date", Value: "2026-03-02T00:00:00.000000Z", End: "2026-03-03T00:00:00.000000Z"},
	}; !slices.Equal(r.Index[:2], want) {
		t.Errorf("index %v, want %v", r.Index, want)
	}
	for _, mark := range []string{recipientMark, pathMark, "account", "objects", "left", "O'Brien", "SYN-"} {
		if bytes.Contains(r.Body, []byte(mark)) {
			t.Errorf("the impression holds %q", mark)
		}
	}
	deferred := decode[r4.ClinicalImpression](t, impressions(mustPublish(t, decided(testSnapshot(candidateA), journey.Defer)))[0])
	if *deferred.Summary != "The selection committee deferred its decision." || *deferred.Finding[0].ItemCodeableConcept.Coding[0].Code != "defer" {
		t.Errorf("deferred: %+v", deferred)
	}
	// A decline has none, and neither has any command but the decision.
	for name, none := range map[string]activities.Snapshot{
		"decline": decided(testSnapshot(candidateA), journey.DeclineCandidate), "the next command": later(s, "2026-03-03"), "no decision": testSnapshot(candidateA),
	} {
		if list := impressions(mustPublish(t, none)); len(list) > 0 {
			t.Errorf("%s: %s", name, list[0].Body)
		}
	}
	s.State.Decision.Outcome = "maybe"
	if _, err := (Publisher{}).Publish(s); err == nil {
		t.Error("an unknown outcome was published")
	}
}

// TestImpressionStaysAsTheCommitteeSawIt corrects the creatinine months after
// the decision, changes the flags and the protocol, and reads the impression
// and what it points to over HTTP.
func TestImpressionStaysAsTheCommitteeSawIt(t *testing.T) {
	store := testStore(t)
	e := testServer(store)
	get := func(path string) []byte {
		t.Helper()
		w := ask(e, http.MethodGet, "/fhir/"+path, "")
		if w.Code != http.StatusOK {
			t.Fatalf("%s was answered %d %s", path, w.Code, w.Body)
		}
		return w.Body.Bytes()
	}
	s := testSnapshot(candidateA)
	s.State.Seq = 1
	s.Results[0].Value = number("1.30", "mg/dL", "") // and corrected before the decision
	give(t, store, s)
	// The computed value moves with the decision itself, as when age enters it.
	s = testSnapshot(candidateA)
	s.State.Seq = 2
	s.Report.Derived[0].Value = "84.5"
	give(t, store, s)
	s.State.Seq, s.Report = 2, testReport()
	s = decided(s, journey.Approve)
	give(t, store, s)
	path := "ClinicalImpression/" + candidateA + "-decision-3"
	before := get(path)
	var i r4.ClinicalImpression
	if err := json.Unmarshal(before, &i); err != nil {
		t.Fatal(err)
	}

	s = later(s, "2026-09-14")
	s.Results[0].Value, s.Results[0].Status, s.Results[0].Version = number("1.90", "mg/dL", ""), result.Corrected, 3
	s.Report.Flags[0].Value, s.Report.Flags[0].Shown, s.Report.Flags[0].Band = "43.9", "44", journey.Excludes
	s.Report.Derived[0].Value = "43.9"
	s.State.Decision, s.State.Stage = nil, journey.Evaluation // the approval lapsed
	give(t, store, s)
	p := *s.Protocol
	s.Protocol, p.Version = &p, "2027.1"
	s = later(s, "2027-01-11")
	s.Report.Flags, s.Report.Derived = nil, nil
	give(t, store, s)

	if after := get(path); !bytes.Equal(before, after) {
		t.Errorf("the impression changed:\n%s\n%s", before, after)
	}
	if !bytes.Contains(before, []byte("value: 84 mL/min/{1.73_m2}; threshold: >= 90")) || !bytes.Contains(before, []byte("kidney|2026.1")) {
		t.Errorf("impression: %s", before)
	}
	var numbers []string
	for _, group := range i.Investigation {
		for _, item := range group.Item {
			var o r4.Observation
			if err := json.Unmarshal(get(*item.Reference), &o); err != nil {
				t.Fatal(err)
			}
			if strings.HasSuffix(*item.Reference, "/_history/1") {
				continue
			}
			numbers = append(numbers, *item.Reference+" "+o.ValueQuantity.Value.String())
		}
	}
	if want := []string{
		"Observation/a0000000-0000-4000-8000-000000000001/_history/2 1.10",
		"Observation/" + candidateA + "-egfr-creatinine/_history/3 84.4213",
	}; !slices.Equal(numbers, want) {
		t.Errorf("the evidence reads %v, want %v", numbers, want)
	}
	if now := get("Observation/a0000000-0000-4000-8000-000000000001"); !bytes.Contains(now, []byte(`"value":1.90`)) {
		t.Errorf("the creatinine of today: %s", now)
	}
	for query, n := range map[string]int{
		"patient=" + candidateA: 1, "subject=Patient/" + candidateA: 1, "status=completed": 1, "status=in-progress": 0, "date=2026-03-02": 1,
		"date=gt2026-03-03": 0, "patient=" + candidateA + "&date=ge2026-03-01&status=completed": 1, "patient=" + candidateB: 0,
	} {
		var b r4.Bundle
		if err := json.Unmarshal(get("ClinicalImpression?"+query), &b); err != nil || *b.Total != n {
			t.Errorf("%s finds %d, %v, want %d", query, *b.Total, err, n)
		}
	}
}

// TestEndedJourneysTellNoDecision: a reader can't tell from the impressions of
// an ended journey whether the committee had approved or deferred, and so who
// ended it; what it had before it stays.
func TestEndedJourneysTellNoDecision(t *testing.T) {
	store := testStore(t)
	s := testSnapshot(candidateA)
	s.State.Seq = 0
	s = decided(s, journey.Approve)
	give(t, store, s)
	id := candidateA + "-decision-1"
	first, err := store.ResourceVersion(t.Context(), typeClinicalImpression, id, 1)
	if err != nil {
		t.Fatal(err)
	}
	s.State.Stage = journey.Withdrawn
	for range 2 {
		s = later(s, "2026-04-01")
		give(t, store, s)
	}
	p, err := store.Resource(t.Context(), typeClinicalImpression, id)
	if err != nil || p.Version != 2 {
		t.Fatalf("version %d, %v", p.Version, err)
	}
	if bytes.Contains(bytes.ToLower(p.Body), []byte("approve")) || !bytes.Contains(p.Body, []byte(endedSummary)) {
		t.Errorf("the outcome is told: %s", p.Body)
	}
	var was, is r4.ClinicalImpression
	if err != nil || json.Unmarshal(first.Body, &was) != nil || json.Unmarshal(p.Body, &is) != nil {
		t.Fatal(err)
	}
	left, right := mustJSON(t, was.Finding[1:])+mustJSON(t, was.Investigation), mustJSON(t, is.Finding)+mustJSON(t, is.Investigation)
	if left != right {
		t.Errorf("the basis changed:\n%s\n%s", left, right)
	}
	// Nor is it to be learned from the version before.
	e := testServer(store)
	if w := ask(e, "GET", "/fhir/ClinicalImpression/"+id+"/_history/1", ""); w.Code != http.StatusGone || !strings.Contains(w.Body.String(), `"deleted"`) {
		t.Errorf("version 1: %d %s", w.Code, w.Body)
	}
	for _, target := range []string{"/fhir/ClinicalImpression/" + id + "/_history", "/fhir/ClinicalImpression/_history", "/fhir/_history?_count=200"} {
		if w := ask(e, "GET", target, ""); w.Code != 200 || strings.Contains(strings.ToLower(w.Body.String()), "approve") {
			t.Errorf("%s tells: %d %s", target, w.Code, w.Body)
		}
	}
}

func mustJSON(t *testing.T, v any) string {
	t.Helper()
	raw, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}
