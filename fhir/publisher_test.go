package fhir

import (
	"bytes"
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// idShape is the form of an id by the definition of the type id in R4.
var idShape = regexp.MustCompile(`^[A-Za-z0-9\-\.]{1,64}$`)

func TestValidID(t *testing.T) {
	for _, id := range []string{"", "a", "A-9.z", "a b", "ä", "a_b", "a/b", strings.Repeat("x", 64), strings.Repeat("x", 65), "\n", "-", "a\x00"} {
		if validID(id) != idShape.MatchString(id) {
			t.Errorf("%q is an id: %t", id, validID(id))
		}
	}
}

func find(t testing.TB, list []record.Resource, typ, id string) record.Resource {
	t.Helper()
	for _, r := range list {
		if r.Type == typ && r.ID == id {
			return r
		}
	}
	t.Fatalf("%s/%s is not published", typ, id)
	return record.Resource{}
}

func decode[T any](t testing.TB, r record.Resource) T {
	t.Helper()
	var v T
	if err := json.Unmarshal(r.Body, &v); err != nil {
		t.Fatalf("%s/%s: %v", r.Type, r.ID, err)
	}
	return v
}

func TestPublishIsDeterministicAndWellFormed(t *testing.T) {
	list := mustPublish(t, decided(testSnapshot(candidateA), journey.Approve))
	again := mustPublish(t, decided(testSnapshot(candidateA), journey.Approve))
	if len(list) != 3+8+3+3+2+1+1+7+2+8+2 {
		t.Errorf("%d resources", len(list))
	}
	for i, r := range list {
		if !bytes.Equal(r.Body, again[i].Body) || !slices.Equal(r.Index, again[i].Index) || r.Meta != again[i].Meta {
			t.Errorf("%s/%s differs from one run to the next", r.Type, r.ID)
		}
		if !idShape.MatchString(r.ID) {
			t.Errorf("%s is not a FHIR id", r.ID)
		}
		if !bytes.HasPrefix(r.Body, []byte(`{"`)) || !json.Valid(r.Body) || bytes.Contains(r.Body, []byte(`"meta"`)) {
			t.Errorf("%s/%s can't be stored: %s", r.Type, r.ID, r.Body)
		}
		if regexp.MustCompile(`:(null|""|\[\]|\{\})`).Match(r.Body) {
			t.Errorf("%s/%s has an empty element: %s", r.Type, r.ID, r.Body)
		}
		if !bytes.Contains(r.Body, []byte(`"resourceType":"`+r.Type+`"`)) || !bytes.Contains(r.Body, []byte(`"id":"`+r.ID+`"`)) {
			t.Errorf("%s/%s says it is something else", r.Type, r.ID)
		}
	}
}

// rich is testSnapshot with something of every kind that is made of results.
func rich(candidate string) activities.Snapshot {
	s := reportedSnapshot(candidate)
	s.Risks = risky(candidate).Risks
	s.Protocol.Observations = []protocol.Observation{{Code: "history-gout", Local: true, Title: "Gout", Category: "survey", Coded: true, YesNo: true}}
	s.Protocol.Disclosures = []protocol.Item{{ID: "told-voluntary", Title: "Donation is a free choice", Requirement: "consent"}}
	s.Told = []activities.Told{{Seq: 3, On: "2026-01-20", Requirements: []string{"consent"}, Disclosures: []string{"told-voluntary"}}}
	answer := s.Results[3]
	answer.ID, answer.Identifier.Value, answer.Category = "a0000000-0000-4000-8000-000000000020", "NM-20", "survey"
	answer.Code, answer.Report, answer.Specimen = result.Coding{System: protocol.LocalSystem, Code: "history-gout", Display: "Gout"}, nil, ""
	answer.Value = result.Value{Coding: &result.Coding{System: systemSNOMED, Code: "373067005", Display: "No"}}
	s.Results = append(s.Results, answer)
	return s
}

func TestRichHasEveryKind(t *testing.T) {
	list := mustPublish(t, rich(candidateA))
	for _, typ := range []string{
		typeObservation, typeSpecimen, typeDiagnosticReport, typeQuestionnaireResponse, typeDetectedIssue, typeFlag, typeRiskAssessment,
	} {
		if len(ofType(list, typ)) == 0 {
			t.Errorf("there is no %s", typ)
		}
	}
}

func TestNothingOfTheRecipientOrOfPeopleComesOut(t *testing.T) {
	for _, r := range mustPublish(t, decided(rich(candidateA), journey.Defer)) {
		text := string(r.Body) + r.Meta
		for _, x := range r.Index {
			text += x.System + x.Value
		}
		for _, mark := range []string{recipientMark, pathMark, "advocate-account", "signer-account", "committee-account", "objects"} {
			if strings.Contains(text, mark) {
				t.Errorf("%s/%s holds %q", r.Type, r.ID, mark)
			}
		}
	}
}

func TestPatient(t *testing.T) {
	r := find(t, mustPublish(t, testSnapshot(candidateA)), typePatient, candidateA)
	want := `{"id":"` + candidateA + `","identifier":[{"type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"MR",` +
		`"display":"Medical record number"}]},"system":"urn:oid:1.2.36.146.595.217.0.1","value":"SYN-0b0c3f0e"}],"active":true,` +
		`"name":[{"family":"O'Brien & Søn","given":["Zoë Maria"]}],"gender":"female","birthDate":"1981-06-30","managingOrganization":{"reference":"Organization/programme"},"resourceType":"Patient"}`
	if string(r.Body) != want {
		t.Errorf("got  %s\nwant %s", r.Body, want)
	}
	for sex, code := range map[string]string{"male": "male", "other": "other", "unknown": "unknown", "": "unknown", "F": "unknown"} {
		if got := genderOf(sex).Code(); got != code {
			t.Errorf("sex %q became %s", sex, got)
		}
	}
	for _, word := range []string{"zoe maria", "maria"} {
		if !slices.ContainsFunc(r.Index, func(x record.Index) bool { return x.Param == "given" && x.Value == word }) {
			t.Errorf("no search value %q", word)
		}
	}
}

func TestCarePlan(t *testing.T) {
	r := find(t, mustPublish(t, testSnapshot(candidateA)), typeCarePlan, candidateA+"-evaluation")
	plan := decode[r4.CarePlan](t, r)
	if plan.Status != r4.RequestStatusActive || plan.Intent != r4.CarePlanIntentPlan || *plan.Period.Start != "2026-03-02" ||
		plan.InstantiatesCanonical[0] != "https://candidacy.example/protocol/kidney|2026.1" || *plan.Category[0].Coding[0].Code != "assess-plan" {
		t.Errorf("plan: %s", r.Body)
	}
	var got []string
	for _, a := range activitiesOf(t, mustPublish(t, testSnapshot(candidateA)), r) {
		got = append(got, strings.TrimSpace(a.code+" "+a.typ+" "+a.status+" "+a.outcome))
	}
	want := []string{
		"kidney-function ServiceRequest completed", "blood-pressure ServiceRequest completed not-met", "glucose ServiceRequest active",
		"imaging ServiceRequest active", "consent Task in-progress", "advocate-review Task completed", "dental Task cancelled waived",
		"crossmatch ServiceRequest draft",
	}
	if !slices.Equal(got, want) {
		t.Errorf("activities:\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if !strings.Contains(plan.Text.Div, `<div xmlns="http://www.w3.org/1999/xhtml">`) || !strings.Contains(plan.Text.Div, "Blood pressure &lt; 140/90 &amp; stable: completed, not met") {
		t.Errorf("narrative: %s", plan.Text.Div)
	}
}

// planned is an activity of a plan with what it points to.
type plannedActivity struct{ typ, id, code, status, outcome string }

func activitiesOf(t testing.TB, list []record.Resource, plan record.Resource) []plannedActivity {
	t.Helper()
	var of []plannedActivity
	for _, a := range decode[r4.CarePlan](t, plan).Activity {
		if a.Detail != nil || a.Reference == nil {
			t.Fatalf("an activity of %s has no reference, or details", plan.ID)
		}
		typ, id, _ := strings.Cut(*a.Reference.Reference, "/")
		target := decode[struct {
			Status string
			Code   struct{ Coding []struct{ Code string } }
		}](t, find(t, list, typ, id))
		one := plannedActivity{typ: typ, id: id, status: target.Status, code: target.Code.Coding[0].Code}
		for _, outcome := range a.OutcomeCodeableConcept {
			one.outcome += *outcome.Coding[0].Code
		}
		of = append(of, one)
	}
	return of
}

// A reader can't tell from the plan whether the advocate or the psychosocial
// evaluator objected.
func TestObjectionsStayWithTheProgramme(t *testing.T) {
	for _, c := range []struct {
		domain     string
		byAdvocate bool
		published  bool
	}{
		{"psychosocial", false, false},
		{"advocate", false, false},
		{"renal", true, false},
		{"renal", false, true},
	} {
		plan := func(status journey.Status) (plan, work []byte) {
			s := testSnapshot(candidateA)
			s.Protocol.Requirements = []protocol.Requirement{
				{ID: "review", Title: "Review", Domain: c.domain, Evidence: journey.ByReview, ByAdvocate: c.byAdvocate},
			}
			s.State.Requirements = []journey.Requirement{{ID: "review", Status: status, Position: journey.Objects}}
			list := mustPublish(t, s)
			return find(t, list, typeCarePlan, candidateA+"-evaluation").Body, find(t, list, typeTask, candidateA+"-r1-review").Body
		}
		objected, work := plan(journey.NotMet)
		var p r4.CarePlan
		if err := json.Unmarshal(objected, &p); err != nil {
			t.Fatal(err)
		}
		if got := p.Activity[0].OutcomeCodeableConcept != nil; got != c.published {
			t.Errorf("%s, advocate %t: published %t", c.domain, c.byAdvocate, got)
		}
		if got := strings.Contains(p.Text.Div, "not met"); got != c.published {
			t.Errorf("%s, advocate %t: in the narrative %t: %s", c.domain, c.byAdvocate, got, p.Text.Div)
		}
		met, metWork := plan(journey.Met)
		if same := bytes.Equal(objected, met); same == c.published {
			t.Errorf("%s, advocate %t: met and not met look the same: %t", c.domain, c.byAdvocate, same)
		}
		if same := bytes.Equal(work, metWork); same == c.published {
			t.Errorf("%s, advocate %t: the tasks look the same: %t: %s", c.domain, c.byAdvocate, same, work)
		}
	}
}

func TestStageStatuses(t *testing.T) {
	for _, stage := range journey.Stages {
		s := testSnapshot(candidateA)
		s.State.Stage = stage
		list := mustPublish(t, s)
		plan := decode[r4.CarePlan](t, find(t, list, typeCarePlan, candidateA+"-evaluation"))
		episode := decode[r4.EpisodeOfCare](t, find(t, list, typeEpisodeOfCare, candidateA))
		want := map[journey.Stage]string{
			journey.Referral: "planned draft", journey.Screening: "planned draft", journey.Evaluation: "active active", journey.Committee: "active active",
			journey.Approved: "active completed", journey.Scheduled: "active completed", journey.Operation: "active completed",
			journey.Recovery: "active completed", journey.FollowUp: "active completed", journey.Closed: "finished completed",
			journey.Declined: "finished revoked", journey.Withdrawn: "finished revoked", journey.OnHold: "onhold on-hold", journey.Deferred: "onhold on-hold", journey.Deceased: "finished revoked",
		}[stage]
		if got := episode.Status.Code() + " " + plan.Status.Code(); got != want {
			t.Errorf("%s: got %s, want %s", stage, got, want)
		}
	}
}

func TestCareBeginsWithTheReferral(t *testing.T) {
	s := testSnapshot(candidateA)
	s.Referral.On = "2026-01-05"
	s.Today = "2026-09-09"
	list := mustPublish(t, s)
	if got := *decode[r4.EpisodeOfCare](t, find(t, list, typeEpisodeOfCare, candidateA)).Period.Start; got != "2026-01-05" {
		t.Errorf("the episode starts on %s", got)
	}
	if got := *decode[r4.CarePlan](t, find(t, list, typeCarePlan, candidateA+"-evaluation")).Period.Start; got != "2026-01-05" {
		t.Errorf("the plan starts on %s", got)
	}
}

// ended returns what is published after the command that ends the journey, which
// the committee had seen before if it had said something.
func ended(t *testing.T, candidate string, before journey.Outcome, kind journey.Kind, role journey.Role, outcome journey.Outcome) []record.Resource {
	t.Helper()
	s := rich(candidate)
	if before != "" {
		s = decided(s, before)
	}
	s.Previous = mustPublish(t, s)
	s.State.Stage = journey.Committee
	s.State.Resume = ""
	s.Today = "2026-03-09"
	s.State = journey.Apply(journey.Rules{}, s.State, journey.Event{Seq: s.State.Seq + 1, Command: journey.Command{
		Candidate: candidate, Kind: kind, Role: role, Outcome: outcome, At: testNow.AddDate(0, 0, 7), Today: s.Today, Reasoned: true,
	}})
	return mustPublish(t, s)
}

func TestExitsLookTheSame(t *testing.T) {
	// An approval before the one and a deferral before the other don't tell them
	// apart either.
	exitsLookTheSame(t, "", "")
	for _, w := range []journey.Outcome{journey.Approve, journey.Defer} {
		for _, d := range []journey.Outcome{journey.Approve, journey.Defer} {
			exitsLookTheSame(t, w, d)
		}
	}
}

func exitsLookTheSame(t *testing.T, beforeWithdrawal, beforeDecline journey.Outcome) {
	t.Helper()
	withdrawn := ended(t, candidateA, beforeWithdrawal, journey.Withdraw, journey.Advocate, "")
	if n := len(impressions(withdrawn)); (n == 1) != (beforeWithdrawal != "") {
		t.Errorf("%d impressions after %q and a withdrawal", n, beforeWithdrawal)
	}
	for name, declined := range map[string][]record.Resource{
		"declined":              ended(t, candidateB, beforeDecline, journey.Decline, journey.CommitteeRole, ""),
		"died":                  ended(t, candidateB, beforeDecline, journey.RecordDeath, journey.Clinician, ""),
		"declined by committee": ended(t, candidateB, beforeDecline, journey.RecordDecision, journey.CommitteeRole, journey.DeclineCandidate),
	} {
		if len(withdrawn) != len(declined) {
			t.Fatalf("%s: %d resources, withdrawn %d", name, len(declined), len(withdrawn))
		}
		for i, a := range withdrawn {
			b := declined[i]
			neutral := func(s string) string {
				s = strings.ReplaceAll(s, candidateB, candidateA)
				return strings.ReplaceAll(s, candidateB[:8], candidateA[:8])
			}
			var left, right map[string]json.RawMessage
			if json.Unmarshal(a.Body, &left) != nil || json.Unmarshal([]byte(neutral(string(b.Body))), &right) != nil {
				t.Fatal("a resource is not JSON")
			}
			for field := range left {
				if !bytes.Equal(left[field], right[field]) {
					t.Errorf("%s: %s.%s differs: %s and %s", name, a.Type, field, left[field], right[field])
				}
			}
			if len(left) != len(right) || a.Type != b.Type || a.ID != neutral(b.ID) || a.Meta != b.Meta || len(a.Index) != len(b.Index) {
				t.Errorf("%s: %s/%s and %s/%s differ", name, a.Type, a.ID, b.Type, b.ID)
				continue
			}
			for j := range a.Index {
				if x := b.Index[j]; a.Index[j] != (record.Index{Param: x.Param, System: x.System, Value: neutral(x.Value), End: x.End}) {
					t.Errorf("%s: the search values of %s differ: %v and %v", name, a.Type, a.Index[j], x)
				}
			}
		}
	}
	plan := find(t, withdrawn, typeCarePlan, candidateA+"-evaluation")
	for _, a := range activitiesOf(t, withdrawn, plan) {
		if !slices.Contains([]string{"completed", "cancelled", "revoked"}, a.status) {
			t.Errorf("an activity of a revoked plan is %s", a.status)
		}
	}
	if episode := find(t, withdrawn, typeEpisodeOfCare, candidateA); bytes.Contains(episode.Body, []byte("statusHistory")) {
		t.Errorf("the episode tells its history: %s", episode.Body)
	}
}

func TestObservations(t *testing.T) {
	s := testSnapshot(candidateA)
	list := mustPublish(t, s)
	for id, wants := range map[string][]string{
		"a0000000-0000-4000-8000-000000000001": {
			`"valueQuantity":{"value":1.10,"unit":"mg/dL","system":"http://unitsofmeasure.org","code":"mg/dL"}`, `"effectiveDateTime":"2026-02-03T23:30:00-05:00"`,
			`"issued":"2026-02-04T08:00:00-05:00"`, `"specimen":{"reference":"Specimen/` + candidateA + `-specimen-f321be0f57d1dd5d","display":"NMA-1"}`, `"status":"final"`,
			`"identifier":[{"system":"https://lab.northmere.example/result","value":"NM-1"}]`, `"subject":{"reference":"Patient/` + candidateA + `"}`,
		},
		"a0000000-0000-4000-8000-000000000002": {`"comparator":"<"`, `"effectiveDateTime":"2026-02-03"`, `"status":"corrected"`},
		"a0000000-0000-4000-8000-000000000003": {`"component":[{"code":`, `"valueQuantity":{"value":128,`},
		"a0000000-0000-4000-8000-000000000004": {`"valueCodeableConcept":{"coding":[{"system":"http://snomed.info/sct","code":"260385009","display":"Negative"}],"text":"Negative"}`},
		"a0000000-0000-4000-8000-000000000005": {`"dataAbsentReason":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/data-absent-reason","code":"not-performed"}]}`, `"status":"cancelled"`},
		"a0000000-0000-4000-8000-000000000006": {`"value":1850.0,`, `"effectivePeriod":{"start":"2026-02-07T07:00:00+01:00","end":"2026-02-08T07:00:00+01:00"}`},
		"a0000000-0000-4000-8000-000000000007": {`"system":"https://candidacy.example/CodeSystem/observation","code":"split-function"`, `"code":"9846003"`},
		"a0000000-0000-4000-8000-000000000008": {`"valueString":"One artery & one vein each side; calibre < 6 mm. Typed: \\u003cok\\u003e"`},
		candidateA + "-egfr-creatinine": {
			`"derivedFrom":[{"reference":"Observation/a0000000-0000-4000-8000-000000000001","display":"creatinine"}]`, `"method":{"text":"CKD-EPI 2021 creatinine"}`,
			`"note":[{"text":"Source: Inker 2021"},{"text":"Computed from: creatinine 1.10 mg/dL (2026-02-03); creatinine 1.10 mg/dL (2026-02-03); age 44 a; sex female"},`,
			`"status":"final"`, `"value":84.4213,`,
			`"component":[{"code":{"coding":[{"system":"https://candidacy.example/CodeSystem/calculation-input","code":"age","display":"age"}],"text":"age"},"valueQuantity":{"value":44,"unit":"a",` +
				`"system":"http://unitsofmeasure.org","code":"a"}},{"code":{"coding":[{"system":"https://candidacy.example/CodeSystem/calculation-input","code":"sex","display":"sex"}],"text":"sex"},"valueCodeableConcept":{"text":"female"}}]`,
		},
		candidateA + "-pressure-mean": {`"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"8480-6"}]`},
	} {
		body := string(find(t, list, typeObservation, id).Body)
		for _, want := range wants {
			if !strings.Contains(body, want) {
				t.Errorf("Observation/%s lacks %s:\n%s", id, want, body)
			}
		}
		if strings.Contains(body, `"issued":"2026-02-04"`) {
			t.Errorf("a date was published as an instant: %s", body)
		}
	}
	// What is published can be read back, comparators included.
	for _, r := range list {
		if r.Type != typeObservation {
			continue
		}
		o, err := r4.UnmarshalObservation(r.Body)
		if err != nil {
			t.Fatal(err)
		}
		if body, err := encode(o); err != nil || !bytes.Equal(body, r.Body) {
			t.Errorf("%s does not survive the way there and back: %v\n%s\n%s", r.ID, err, r.Body, body)
		}
	}
}

func TestDetectedIssues(t *testing.T) {
	list := mustPublish(t, testSnapshot(candidateA))
	egfr := decode[r4.DetectedIssue](t, find(t, list, typeDetectedIssue, candidateA+"-flag-egfr"))
	if egfr.Status != r4.ObservationStatusFinal || *egfr.Severity != r4.DetectedIssueSeverityModerate || *egfr.Code.Text != "outside programme threshold: egfr" ||
		*egfr.IdentifiedDateTime != "2026-02-03" || len(egfr.Implicated) != 2 ||
		*egfr.Implicated[0].Reference != "Observation/"+candidateA+"-egfr-creatinine" || !strings.Contains(*egfr.Detail, "value: 84 mL/min/{1.73_m2}; threshold: >= 90") {
		t.Errorf("egfr: %+v %s", egfr, *egfr.Detail)
	}
	glucose := decode[r4.DetectedIssue](t, find(t, list, typeDetectedIssue, candidateA+"-flag-fasting-glucose"))
	if glucose.Status != r4.ObservationStatusPreliminary || *glucose.Severity != r4.DetectedIssueSeverityLow || strings.Contains(*glucose.Code.Text, "outside") {
		t.Errorf("glucose: %+v", glucose)
	}
	long := decode[r4.DetectedIssue](t, find(t, list, typeDetectedIssue, resourceID(candidateA, "flag-a-flag-whose-name-is-longer-than-ids-allow")))
	if *long.Severity != r4.DetectedIssueSeverityHigh || !strings.Contains(*long.Detail, "(unrounded 3)") {
		t.Errorf("anatomy: %+v", long)
	}
	for _, r := range list {
		if strings.Contains(r.ID, "mean-pressure") {
			t.Error("a flag that meets the threshold was published")
		}
	}
}

func TestResourceID(t *testing.T) {
	long := resourceID(candidateA, "egfr-creatinine-and-cystatin-c-2021")
	other := resourceID(candidateA, "egfr-creatinine-and-cystatin-c-2012")
	odd := resourceID(candidateA, "blood_type")
	for _, id := range []string{long, other, odd} {
		if !validID(id) || !strings.HasPrefix(id, candidateA+"-") {
			t.Errorf("%s is not an id of the candidate", id)
		}
	}
	if long == other || odd == resourceID(candidateA, "blood-type") {
		t.Error("different keys share an id")
	}
	if got := resourceID(candidateA, "bmi"); got != candidateA+"-bmi" {
		t.Errorf("a short key was changed: %s", got)
	}
}

func TestRetirement(t *testing.T) {
	store := testStore(t)
	s := testSnapshot(candidateA)
	commit(t, store, s, 1, mustPublish(t, s))
	published := func() []record.Resource {
		var list []record.Resource
		if err := store.EachResource(t.Context(), func(p record.Published) error {
			list = append(list, record.Resource{Type: p.Type, ID: p.ID, Body: p.Body})
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		return list
	}
	s.Report.Flags, s.Report.Derived = nil, s.Report.Derived[1:]
	for seq := int64(2); seq <= 3; seq++ { // the second time changes nothing
		s.Previous = published()
		commit(t, store, s, seq, mustPublish(t, s))
		for typ, want := range map[string]string{
			"Observation/" + candidateA + "-egfr-creatinine": `"status":"entered-in-error"`,
			"DetectedIssue/" + candidateA + "-flag-egfr":     `"status":"cancelled"`,
		} {
			name, id, _ := strings.Cut(typ, "/")
			p, err := store.Resource(t.Context(), name, id)
			if err != nil {
				t.Fatal(err)
			}
			if p.Version != 2 || !bytes.Contains(p.Body, []byte(want)) || bytes.Count(p.Body, []byte(`"meta"`)) != 1 {
				t.Errorf("after %d: version %d of %s", seq, p.Version, p.Body)
			}
		}
	}
	kept, err := store.Resource(t.Context(), typeObservation, candidateA+"-pressure-mean")
	if err != nil || kept.Version != 1 {
		t.Errorf("a value that still stands has version %d: %v", kept.Version, err)
	}
	n, err := store.Count(t.Context(), record.Query{Type: typeObservation, Conditions: []record.Condition{
		{Param: "status", Any: []record.Match{{Op: "=", Value: "entered-in-error", AnySystem: true}}},
	}})
	if err != nil || n != 1 {
		t.Errorf("%d observations are found as entered in error: %v", n, err)
	}
}

func TestNoStatusDefaultsToTheFirstCode(t *testing.T) {
	for name, change := range map[string]func(*activities.Snapshot){
		"stage":              func(s *activities.Snapshot) { s.State.Stage = "" },
		"requirement status": func(s *activities.Snapshot) { s.State.Requirements[0].Status = "" },
		"result status":      func(s *activities.Snapshot) { s.Results[0].Status = "" },
		"comparator":         func(s *activities.Snapshot) { s.Results[1].Value.Quantity.Comparator = "~" },
		"number":             func(s *activities.Snapshot) { s.Results[0].Value.Quantity.Value = "" },
		"time":               func(s *activities.Snapshot) { s.Results[0].Effective = "yesterday" },
		"code":               func(s *activities.Snapshot) { s.Results[0].Code = result.Coding{} },
		"band":               func(s *activities.Snapshot) { s.Report.Flags[0].Band = "" },
		"candidate":          func(s *activities.Snapshot) { s.Candidate = "no id" },
		"protocol":           func(s *activities.Snapshot) { s.Protocol = nil },
		"result id":          func(s *activities.Snapshot) { s.Results[0].ID = "" },
		"result twice":       func(s *activities.Snapshot) { s.Results[1].ID = s.Results[0].ID },
		"component":          func(s *activities.Snapshot) { s.Report.Derived[1].Components[0].Value = "high" },
	} {
		s := testSnapshot(candidateA)
		change(&s)
		if _, err := (Publisher{}).Publish(s); err == nil {
			t.Errorf("an unset or wrong %s was published", name)
		}
	}
	// Every status there is has a mapping of its own name.
	for _, status := range result.Statuses {
		if got, ok := observationStatuses[status]; !ok || got.Code() != string(status) {
			t.Errorf("%s became %s", status, got.Code())
		}
	}
	for _, stage := range journey.Stages {
		_, episode := episodeStatuses[stage]
		if _, plan := planStatuses[stage]; !episode || !plan {
			t.Errorf("stage %s has no status", stage)
		}
	}
}

func TestUnescape(t *testing.T) {
	for in, want := range map[string]string{
		`"\u003c5 \u0026 \u003E"`: `"<5 & >"`,
		`"\\u003c"`:               `"\\u003c"`,
		`"\\\u003c"`:              `"\\<"`,
		`"\u00e9\n\""`:            `"\u00e9\n\""`,
		`"\u003"`:                 `"\u003"`,
		`\`:                       `\`,
	} {
		if got := string(Unescape([]byte(in))); got != want {
			t.Errorf("%s became %s, want %s", in, got, want)
		}
	}
}

func FuzzUnescape(f *testing.F) {
	f.Add(`<a href="x">&\u003c\\u003e`)
	f.Fuzz(func(t *testing.T, text string) {
		raw, err := json.Marshal(text)
		if err != nil {
			t.Skip()
		}
		var before, after string
		if err := json.Unmarshal(raw, &before); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(Unescape(raw), &after); err != nil || before != after {
			t.Errorf("%q became %q: %v", before, after, err)
		}
	})
}
