package fhir

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// worked has work of every kind: orders to others, consents with what was told, and
// a requirement that was done once and has to be done again.
func worked(candidate string) activities.Snapshot {
	s := testSnapshot(candidate)
	p := *s.Protocol
	p.Timers = journey.Timers{ScreeningDays: 14, EvaluationDays: 126}
	p.Requirements = []protocol.Requirement{
		{ID: "creatinine", Title: "Creatinine", Evidence: journey.ByResult, Gate: journey.ForCommittee, Performer: "laboratory", Signer: journey.Clinician, LOINC: [][]string{{"2160-0"}}, ValidDays: 10},
		{ID: "angiogram", Title: "CT angiogram", Evidence: journey.ByReview, Gate: journey.ForCommittee, Performer: "radiology", Signer: journey.Clinician},
		{ID: "echo", Title: "Echocardiogram", Evidence: journey.ByReview, Gate: journey.ForCommittee, Performer: "cardiologist", Signer: journey.Clinician},
		{ID: "consent-evaluation", Title: "Consent to be evaluated", Domain: "consent", Evidence: journey.ByConsent, Gate: journey.ForEvaluation, Performer: "candidate"},
		{ID: "consent-privacy", Title: "Choices on privacy", Domain: "consent", Evidence: journey.ByConsent, Gate: journey.ForEvaluation, Performer: "candidate", Privacy: true},
		{ID: "surgery-review", Title: "Surgeon's review", Evidence: journey.ByReview, Gate: journey.ForCommittee, Performer: "surgeon", Signer: journey.Clinician},
	}
	p.Disclosures = []protocol.Item{{ID: "told-voluntary", Title: "It is a free choice", Requirement: "consent-evaluation"}}
	s.Protocol = &p
	s.State.Requirements = []journey.Requirement{
		{ID: "creatinine", Status: journey.Expired, Evidence: "e1", Collected: "2026-02-03", ValidUntil: "2026-02-13", SignedBy: "signer-account", SignedOn: "2026-02-05"},
		{ID: "angiogram", Status: journey.Due},
		{ID: "echo", Status: journey.NotDue},
		{ID: "consent-evaluation", Status: journey.Met, Evidence: "c1", Collected: "2026-02-01", ValidUntil: "2027-02-01", SignedBy: "coordinator-account", SignedOn: "2026-02-01"},
		{ID: "consent-privacy", Status: journey.Met, Evidence: "c2", Collected: "2026-02-01", SignedBy: "coordinator-account", SignedOn: "2026-02-01"},
		{ID: "surgery-review", Status: journey.Met, Evidence: "v1", Collected: "2026-02-12", SignedBy: "signer-account", SignedOn: "2026-02-12"},
	}
	return by(s, journey.RecordReview, journey.Clinician)
}

// by says which command made the snapshot.
func by(s activities.Snapshot, kind journey.Kind, role journey.Role) activities.Snapshot {
	s.Entry = activities.Entry{Kind: kind, Role: role, At: testNow}
	s.Now = testNow
	return s
}

// wentHome is a donor who left the hospital with a complication.
func wentHome(candidate string) activities.Snapshot {
	s := recovering(candidate)
	record := *whole()
	record.Times = nil
	s.Operation = operation.Course{Record: &record, Seq: 30, Complications: []operation.Complication{complication(31, "ileus", "II")}}
	s.Operation.Complications[0].Date = "2028-02-29"
	return s
}

// closedWithout is somebody who goes no further.
func closedWithout(candidate string) activities.Snapshot {
	s := testSnapshot(candidate)
	s.State.Stage, s.State.Since = journey.Withdrawn, "2026-03-09"
	return s
}

// TestRequirementStatuses: every state of a requirement has a status in each
// resource, in every stage, by the table of the mapping (fhir.md 1.1).
func TestRequirementStatuses(t *testing.T) {
	want := map[journey.Status]string{
		journey.NotDue: "draft draft not-started", journey.Due: "requested active not-started", journey.Expired: "requested active not-started",
		journey.Resulted: "in-progress active in-progress", journey.NeedsReview: "in-progress active in-progress",
		journey.Met: "completed completed completed", journey.NotMet: "completed completed completed",
		journey.Waived: "cancelled revoked cancelled", journey.NotApplicable: "cancelled revoked cancelled",
	}
	statuses := []journey.Status{
		journey.NotDue, journey.Due, journey.Resulted, journey.NeedsReview, journey.Met, journey.NotMet, journey.Expired, journey.Waived, journey.NotApplicable,
	}
	if len(requirementStatuses) != len(statuses) {
		t.Errorf("%d statuses are mapped, there are %d", len(requirementStatuses), len(statuses))
	}
	for _, stage := range journey.Stages {
		for _, status := range statuses {
			standing, err := standingIn(stage, status)
			if err != nil {
				t.Fatal(err)
			}
			got := standing.task.Code() + " " + standing.order.Code() + " " + standing.activity.Code()
			expected := want[status]
			open := !strings.HasPrefix(expected, "completed") && !strings.HasPrefix(expected, "cancelled")
			switch {
			case open && (stage == journey.OnHold || stage == journey.Deferred):
				expected = "on-hold on-hold on-hold"
			case open && slices.Contains([]journey.Stage{
				journey.Operation, journey.Recovery, journey.FollowUp, journey.Closed, journey.Declined, journey.Withdrawn, journey.Deceased,
			}, stage):
				expected = "cancelled revoked stopped"
			}
			if got != expected {
				t.Errorf("%s in %s is %s, want %s", status, stage, got, expected)
			}
		}
	}
	if _, err := standingIn(journey.Evaluation, "unheard-of"); err == nil {
		t.Error("a status that is none has one")
	}
}

func TestEveryRoleAndKindIsPublished(t *testing.T) {
	for kind := range agentTypes {
		if kind == journey.Elapse || kind == journey.EndBackEntry { // the program gives these
			continue
		}
		if !slices.ContainsFunc(append(slices.Clone(journey.Roles), journey.Self), func(role journey.Role) bool { return journey.MayGive(role, kind) }) {
			t.Errorf("nobody gives the command %s", kind)
		}
	}
	for _, kind := range append(append(journey.Kinds(), journey.OwnKinds()...), journey.Refer, journey.Elapse, journey.EndBackEntry) {
		if _, ok := agentTypes[kind]; !ok {
			t.Errorf("the command %s has no agent", kind)
		}
	}
	for _, performer := range ordered {
		if !slices.Contains(protocol.Performers, performer) {
			t.Errorf("there is no performer %s", performer)
		}
	}
}

// step is one state of a requirement, with the rounds that then stand.
type step struct {
	status    journey.Status
	evidence  string
	stage     journey.Stage
	performer protocol.Performer
	want      string
}

// TestRounds: what was done, waived or stopped stays as it ended; what has to be
// done again is another resource.
func TestRounds(t *testing.T) {
	for name, steps := range map[string][]step{
		"done once": {
			{status: journey.NotDue, want: "r1 draft"}, {status: journey.Due, want: "r1 active"}, {status: journey.Resulted, evidence: "a", want: "r1 active"},
			{status: journey.Met, evidence: "a", want: "r1 completed"}, {status: journey.NotMet, evidence: "a", want: "r1 completed not-met"},
		},
		"done again when it has run out": {
			{status: journey.Met, evidence: "a", want: "r1 completed"}, {status: journey.Expired, evidence: "a", want: "r1 completed, r2 active of r1"},
			{status: journey.NeedsReview, evidence: "b", want: "r1 completed, r2 active of r1"},
			{status: journey.Met, evidence: "b", want: "r1 completed, r2 completed of r1"},
			{status: journey.Expired, evidence: "b", want: "r1 completed, r2 completed of r1, r3 active of r2"},
		},
		"a signature that fell": {
			{status: journey.Met, evidence: "a", want: "r1 completed"}, {status: journey.Resulted, evidence: "b", want: "r1 completed, r2 active of r1"},
		},
		"waived, and the waiver over": {
			{status: journey.Due, want: "r1 active"}, {status: journey.Waived, want: "r1 revoked waived"}, {status: journey.Waived, want: "r1 revoked waived"},
			{status: journey.Due, want: "r1 revoked waived, r2 active of r1"}, {status: journey.NotApplicable, want: "r1 revoked waived, r2 revoked of r1"},
		},
		"refused and waived": {
			{status: journey.NotMet, evidence: "a", want: "r1 completed not-met"}, {status: journey.Waived, evidence: "a", want: "r1 completed not-met, r2 revoked waived of r1"},
			{status: journey.NotApplicable, want: "r1 completed not-met, r2 revoked waived of r1"},
		},
		"comes and goes": {
			{status: journey.NotApplicable, want: ""}, {status: journey.Due, want: "r1 active"}, {status: journey.NotApplicable, want: "r1 revoked"},
			{status: journey.Due, want: "r1 revoked, r2 active of r1"}, {status: journey.Met, evidence: "a", want: "r1 revoked, r2 completed of r1"},
			{status: journey.NotApplicable, want: "r1 revoked, r2 completed of r1"},
		},
		"paused": {
			{status: journey.Due, want: "r1 active"}, {status: journey.Due, stage: journey.OnHold, want: "r1 on-hold"}, {status: journey.Due, want: "r1 active"},
		},
		"ended": {
			{status: journey.Met, evidence: "a", want: "r1 completed"}, {status: journey.Expired, evidence: "a", want: "r1 completed, r2 active of r1"},
			{status: journey.Expired, evidence: "a", stage: journey.Withdrawn, want: "r1 completed, r2 revoked of r1"},
		},
		"run out after the operation": {
			{status: journey.Met, evidence: "a", want: "r1 completed"}, {status: journey.Expired, evidence: "a", stage: journey.Recovery, want: "r1 completed"},
		},
		"others are asked": {
			{status: journey.Due, want: "r1 active"}, {status: journey.Due, performer: "surgeon", want: "r1 revoked, r2 requested of r1"},
			{status: journey.Met, evidence: "a", performer: "surgeon", want: "r1 revoked, r2 completed of r1"},
			{status: journey.Met, evidence: "a", want: "r1 revoked, r2 completed of r1"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			store := testStore(t)
			for n, step := range steps {
				s := testSnapshot(candidateA)
				p := *s.Protocol
				p.Requirements = []protocol.Requirement{{ID: "work", Title: "Work", Evidence: journey.ByReview, Performer: "laboratory", Signer: journey.Clinician}}
				if step.performer != "" {
					p.Requirements[0].Performer = step.performer
				}
				s.Protocol, s.Results, s.Report = &p, nil, protocol.Report{}
				s.State.Requirements = []journey.Requirement{{ID: "work", Status: step.status, Evidence: step.evidence}}
				if step.stage != "" {
					s.State.Stage = step.stage
				}
				s.State.Seq = int64(n + 1)
				give(t, store, s)
				if got := roundsOf(t, store); got != step.want {
					t.Errorf("after %d, %s: %s, want %s", n+1, step.status, got, step.want)
				}
			}
		})
	}
}

// roundsOf reads the rounds of the work from the store, with what came before each.
func roundsOf(t *testing.T, store *record.Store) string {
	t.Helper()
	names := func(id string) string { return strings.TrimSuffix(strings.TrimPrefix(id, candidateA+"-"), "-work") }
	var list []string
	for n := 1; ; n++ {
		id := fmt.Sprintf("%s-r%d-work", candidateA, n)
		p, err := store.Resource(t.Context(), typeServiceRequest, id)
		if err != nil {
			p, err = store.Resource(t.Context(), typeTask, id)
		}
		if err != nil {
			break
		}
		var r struct {
			Status          string
			StatusReason    struct{ Coding []struct{ Code string } }
			Note            []struct{ Text string }
			Replaces        []struct{ Reference string }
			ReasonReference struct{ Reference string }
		}
		// A ServiceRequest has a list of reasons, of which these have none.
		if err := json.Unmarshal(p.Body, &r); err != nil {
			t.Fatal(err)
		}
		line := names(id) + " " + r.Status
		plan, err := store.Resource(t.Context(), typeCarePlan, candidateA+"-evaluation")
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range decode[r4.CarePlan](t, record.Resource{Body: plan.Body}).Activity {
			if *a.Reference.Reference == p.Type+"/"+id && len(a.OutcomeCodeableConcept) > 0 {
				line += " " + *a.OutcomeCodeableConcept[0].Coding[0].Code
			}
		}
		if waived := len(r.Note) > 0 && r.Note[0].Text == "Waived" || len(r.StatusReason.Coding) > 0; waived != strings.HasSuffix(line, "waived") {
			t.Errorf("%s: the request says waived: %t", line, waived)
		}
		before := r.ReasonReference.Reference
		if len(r.Replaces) > 0 {
			before = r.Replaces[0].Reference
		}
		if _, id, ok := strings.Cut(before, "/"); ok {
			line += " of " + names(id)
		}
		list = append(list, line)
	}
	return strings.Join(list, ", ")
}

// TestWhatStandsIsMadeAlike: what is left out because it stands would be made with
// the same bytes, whatever the command.
func TestWhatStandsIsMadeAlike(t *testing.T) {
	for name, s := range map[string]activities.Snapshot{
		"worked": worked(candidateA), "rich": rich(candidateA), "answered": answered(candidateA), "decided": decided(testSnapshot(candidateA), journey.Approve), "told": toldSnapshot(protocol.Default(), candidateA),
		"ended": closedWithout(candidateA), "home": wentHome(candidateA),
	} {
		first := mustPublish(t, s)
		s.Previous = slices.DeleteFunc(slices.Clone(first), func(r record.Resource) bool { return false })
		s.State.Seq++
		kept := 0
		again := mustPublish(t, s)
		for _, r := range again {
			if r.Kept {
				kept++
			}
		}
		if kept < 2 {
			t.Errorf("%s: %d resources are kept", name, kept)
		}
		// Without a command all are made again.
		s.Entry = activities.Entry{}
		made := mustPublish(t, s)
		for _, r := range made {
			if r.Kept || r.Type == typeProvenance {
				continue
			}
			was := find(t, first, r.Type, r.ID)
			if !bytes.Equal(was.Body, r.Body) || was.Memo != r.Memo || was.Meta != r.Meta {
				t.Errorf("%s: %s/%s is made differently:\n%s\n%s\n%s\n%s", name, r.Type, r.ID, was.Body, r.Body, was.Memo, r.Memo)
			}
		}
	}
}

func TestTasksAndOrders(t *testing.T) {
	list := mustPublish(t, worked(candidateA))
	request := decode[r4.ServiceRequest](t, find(t, list, typeServiceRequest, candidateA+"-r2-creatinine"))
	if request.Status != r4.RequestStatusActive || request.Intent != r4.RequestIntentOrder || *request.Category[0].Coding[0].Code != laboratoryProcedure ||
		*request.OrderDetail[0].Coding[0].Code != "2160-0" || *request.Replaces[0].Reference != "ServiceRequest/"+candidateA+"-r1-creatinine" ||
		*request.BasedOn[0].Reference != "CarePlan/"+candidateA+"-evaluation" || *request.OccurrencePeriod.End != "2026-06-07" ||
		*request.PerformerType.Coding[0].Code != "laboratory" || *request.AuthoredOn != "2026-03-02" || *request.Requester.Reference != "Organization/programme" {
		t.Errorf("the second order: %+v", request)
	}
	first := decode[r4.ServiceRequest](t, find(t, list, typeServiceRequest, candidateA+"-r1-creatinine"))
	if first.Status != r4.RequestStatusCompleted || first.Replaces != nil || first.OccurrencePeriod != nil {
		t.Errorf("the first order: %+v", first)
	}
	observation := string(find(t, list, typeObservation, "a0000000-0000-4000-8000-000000000001").Body)
	if !strings.Contains(observation, `"basedOn":[{"reference":"ServiceRequest/`+candidateA+`-r1-creatinine"}]`) {
		t.Errorf("the result answers another request: %s", observation)
	}
	for id, want := range map[string]string{
		"angiogram": imagingProcedure, "echo": "",
	} {
		r := decode[r4.ServiceRequest](t, find(t, list, typeServiceRequest, candidateA+"-r1-"+id))
		code := ""
		for _, c := range r.Category[0].Coding {
			code = *c.Code
		}
		if code != want {
			t.Errorf("%s has the category %q", id, code)
		}
	}
	review := decode[task](t, find(t, list, typeTask, candidateA+"-r1-surgery-review"))
	if review.Status != r4.TaskStatusCompleted || *review.Owner.Reference != "PractitionerRole/role-clinician" || *review.PerformerType[0].Coding[0].Code != "surgeon" ||
		*review.For.Reference != "Patient/"+candidateA || *review.Execution.End != "2026-02-12" || review.LastModified != "2026-02-12" || review.Restriction != nil {
		t.Errorf("the review: %+v", review)
	}
	consent := decode[task](t, find(t, list, typeTask, candidateA+"-r1-consent-evaluation"))
	if *consent.Owner.Reference != "Patient/"+candidateA || *consent.Output[0].ValueDate != "2027-02-01" || *consent.Output[1].ValueReference.Reference != "Consent/"+candidateA+"-c1-consent-evaluation" {
		t.Errorf("the consent's task: %+v", consent)
	}
	plan := decode[r4.CarePlan](t, find(t, list, typeCarePlan, candidateA+"-evaluation"))
	if *plan.Activity[0].OutcomeReference[0].Reference != "Observation/a0000000-0000-4000-8000-000000000001" || *plan.CareTeam[0].Reference != "CareTeam/"+candidateA+"-team" ||
		*plan.Author.Reference != "Organization/programme" || *plan.Created != "2026-03-02" || *plan.SupportingInfo[0].Reference != "EpisodeOfCare/"+candidateA {
		t.Errorf("the plan: %+v", plan)
	}
}

func TestConsents(t *testing.T) {
	store := testStore(t)
	s := worked(candidateA)
	s.State.Seq = 1
	give(t, store, s)
	read := func(id string) r4.Consent {
		t.Helper()
		p, err := store.Resource(t.Context(), typeConsent, candidateA+"-"+id)
		if err != nil {
			t.Fatal(err)
		}
		return decode[r4.Consent](t, record.Resource{Body: p.Body})
	}
	c := read("c1-consent-evaluation")
	if c.Status != r4.ConsentStateActive || *c.Scope.Coding[0].Code != "treatment" || *c.Category[0].Coding[0].Code != "59284-0" || *c.DateTime != "2026-02-01" ||
		*c.Policy[0].Uri != s.Protocol.Canonical || *c.Patient.Reference != "Patient/"+candidateA || len(c.Verification) != 1 || !c.Verification[0].Verified ||
		*c.Provision.Period.End != "2027-02-01" {
		t.Errorf("the consent: %+v", c)
	}
	if p := read("c1-consent-privacy"); *p.Scope.Coding[0].Code != "patient-privacy" || p.Verification != nil {
		t.Errorf("the choices: %+v", p)
	}
	// It runs out, and is given again.
	s.State.Requirements[3].Status = journey.Expired
	s = later(s, "2027-02-02")
	give(t, store, s)
	if old := read("c1-consent-evaluation"); old.Status != r4.ConsentStateInactive || *old.DateTime != "2026-02-01" {
		t.Errorf("after it ran out: %+v", old)
	}
	s.State.Requirements[3] = journey.Requirement{ID: "consent-evaluation", Status: journey.Met, Evidence: "c9", Collected: "2027-02-03", SignedOn: "2027-02-03", SignedBy: "x"}
	s = later(s, "2027-02-03")
	give(t, store, s)
	if old, now := read("c1-consent-evaluation"), read("c2-consent-evaluation"); old.Status != r4.ConsentStateInactive || now.Status != r4.ConsentStateActive || *now.DateTime != "2027-02-03" {
		t.Errorf("given again: %+v and %+v", old, now)
	}
	// Whoever ends the journey, none is in force any more, and all keep what they were.
	s.State.Stage = journey.Declined
	s = later(s, "2027-03-01")
	give(t, store, s)
	for _, id := range []string{"c1-consent-evaluation", "c2-consent-evaluation", "c1-consent-privacy"} {
		if c := read(id); c.Status != r4.ConsentStateInactive || c.DateTime == nil || c.Provision == nil {
			t.Errorf("%s after the end: %+v", id, c)
		}
	}
}

// TestProvenance resolves every target to the version that the command made.
func TestProvenance(t *testing.T) {
	store := testStore(t)
	s := by(worked(candidateA), journey.Refer, journey.Coordinator)
	s.State.Seq = 1
	give(t, store, s)
	s.State.Requirements[1] = journey.Requirement{ID: "angiogram", Status: journey.Met, Evidence: "v2", Collected: "2026-03-03", SignedBy: "signer-account", SignedOn: "2026-03-03"}
	s = by(later(s, "2026-03-03"), journey.RecordReview, journey.Clinician)
	give(t, store, s)
	read := func(seq int) r4.Provenance {
		t.Helper()
		p, err := store.Resource(t.Context(), typeProvenance, fmt.Sprintf("%s-entry-%d", candidateA, seq))
		if err != nil {
			t.Fatal(err)
		}
		return decode[r4.Provenance](t, record.Resource{Body: p.Body})
	}
	for seq, want := range map[int]string{1: "CREATE enterer PractitionerRole/role-coordinator, assembler Device/candidacy", 2: "UPDATE author PractitionerRole/role-clinician, assembler Device/candidacy"} {
		p := read(seq)
		got := *p.Activity.Coding[0].Code
		for _, a := range p.Agent {
			got += " " + *a.Type.Coding[0].Code + " " + *a.Who.Reference + ","
			if *a.OnBehalfOf.Reference != "Organization/programme" {
				t.Errorf("%d: on behalf of %s", seq, *a.OnBehalfOf.Reference)
			}
		}
		if got = strings.TrimSuffix(got, ","); got != want {
			t.Errorf("%d: %s", seq, got)
		}
		for _, target := range p.Target {
			parts := strings.Split(*target.Reference, "/")
			if len(parts) != 4 || parts[2] != "_history" {
				t.Fatalf("the target %s has no version", *target.Reference)
			}
			if _, err := store.ResourceVersion(t.Context(), parts[0], parts[1], int64(parts[3][0]-'0')); err != nil {
				t.Errorf("%s: %v", *target.Reference, err)
			}
		}
	}
	second := read(2)
	for _, name := range []string{"ServiceRequest/" + candidateA + "-r1-angiogram/_history/2", "CarePlan/" + candidateA + "-evaluation/_history/2"} {
		if !slices.ContainsFunc(second.Target, func(r r4.Reference) bool { return *r.Reference == name }) {
			t.Errorf("%s is no target of %+v", name, second.Target)
		}
	}
	if len(second.Target) != 2 {
		t.Errorf("the second command changed %d resources", len(second.Target))
	}
	// What changes nothing has no provenance.
	s = by(later(s, "2026-03-03"), journey.RecordContactDetails, journey.Coordinator)
	give(t, store, s)
	if _, err := store.Resource(t.Context(), typeProvenance, candidateA+"-entry-3"); err == nil {
		t.Error("a command that changed nothing has a provenance")
	}
}

// TestExitsNameNobody: who ended, paused or put off something is not told.
func TestExitsNameNobody(t *testing.T) {
	for kind, stage := range map[journey.Kind]journey.Stage{
		journey.Withdraw: journey.Withdrawn, journey.Decline: journey.Declined, journey.RecordDeath: journey.Deceased, journey.RecordDecision: journey.Declined,
		journey.Hold: journey.OnHold, journey.CancelOperation: journey.Approved,
	} {
		s := by(testSnapshot(candidateA), kind, journey.Advocate)
		s.State.Stage = stage
		p := decode[r4.Provenance](t, find(t, mustPublish(t, s), typeProvenance, candidateA+"-entry-9"))
		if len(p.Agent) != 2 || *p.Agent[0].Who.Reference != "Organization/programme" || p.Reason != nil {
			t.Errorf("%s: %+v", kind, p.Agent)
		}
	}
	s := by(testSnapshot(candidateA), journey.RecordResults, journey.Laboratory)
	p := decode[r4.Provenance](t, find(t, mustPublish(t, s), typeProvenance, candidateA+"-entry-9"))
	if len(p.Agent) != 2 || *p.Agent[0].Type.Coding[0].Code != "transmitter" || p.Agent[0].Who.Reference != nil {
		t.Errorf("a laboratory's results: %+v", p.Agent)
	}
}

func TestReferral(t *testing.T) {
	s := by(testSnapshot(candidateA), journey.Refer, journey.Coordinator)
	s.State.Stage = journey.Referral
	list := mustPublish(t, s)
	own := decode[r4.ServiceRequest](t, find(t, list, typeServiceRequest, candidateA+"-referral"))
	if own.Intent != r4.RequestIntentProposal || own.Status != r4.RequestStatusActive || *own.Requester.Reference != "Patient/"+candidateA {
		t.Errorf("their own offer: %+v", own)
	}
	if episode := decode[r4.EpisodeOfCare](t, find(t, list, typeEpisodeOfCare, candidateA)); *episode.ReferralRequest[0].Reference != "ServiceRequest/"+candidateA+"-referral" ||
		*episode.Team[0].Reference != "CareTeam/"+candidateA+"-team" || *episode.ManagingOrganization.Reference != "Organization/programme" ||
		*episode.Diagnosis[0].Condition.Reference != "Condition/"+candidateA+"-donor" {
		t.Errorf("the episode: %+v", episode)
	}
	s.Entry.Role = journey.Clinician
	list = mustPublish(t, s)
	if r := decode[r4.ServiceRequest](t, find(t, list, typeServiceRequest, candidateA+"-referral")); r.Intent != r4.RequestIntentOrder || *r.Requester.Reference != "PractitionerRole/role-clinician" {
		t.Errorf("a clinician's: %+v", r)
	}
	// It stays an order, and an end before the evaluation revokes it, whoever ended it.
	for _, stage := range []journey.Stage{journey.Withdrawn, journey.Declined, journey.Deceased} {
		for began, want := range map[journey.Stage]r4.RequestStatus{journey.Referral: r4.RequestStatusRevoked, journey.Evaluation: r4.RequestStatusCompleted} {
			s := s
			s.State.Stage = began
			s.Previous = mustPublish(t, s)
			s.State.Stage, s.Entry.Kind = stage, journey.Decline
			r := decode[r4.ServiceRequest](t, find(t, mustPublish(t, s), typeServiceRequest, candidateA+"-referral"))
			if r.Status != want || r.Intent != r4.RequestIntentOrder {
				t.Errorf("%s after %s: %s %s", stage, began, r.Intent.Code(), r.Status.Code())
			}
		}
	}
	// A candidate from before there were referrals.
	s.Entry = activities.Entry{}
	s.Referred = func() (journey.Role, error) { return journey.Clinician, nil }
	if r := decode[r4.ServiceRequest](t, find(t, mustPublish(t, s), typeServiceRequest, candidateA+"-referral")); r.Intent != r4.RequestIntentOrder {
		t.Errorf("from the record: %+v", r)
	}
}

func TestStatusHistory(t *testing.T) {
	store := testStore(t)
	s := testSnapshot(candidateA)
	for i, step := range []struct {
		stage journey.Stage
		since journey.Date
		want  string
	}{
		{journey.Referral, "2026-03-02", "planned 2026-03-02"}, {journey.Screening, "2026-03-03", "planned 2026-03-02"},
		{journey.Evaluation, "2026-03-05", "planned 2026-03-02 2026-03-05, active 2026-03-05"},
		{journey.Committee, "2026-04-05", "planned 2026-03-02 2026-03-05, active 2026-03-05"},
		{journey.OnHold, "2026-05-01", "planned 2026-03-02 2026-03-05, active 2026-03-05 2026-05-01, onhold 2026-05-01"},
		{journey.Withdrawn, "2026-05-02", ""},
	} {
		s.State.Stage, s.State.Since, s.State.Seq = step.stage, step.since, int64(i+1)
		give(t, store, s)
		p, err := store.Resource(t.Context(), typeEpisodeOfCare, candidateA)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, h := range decode[r4.EpisodeOfCare](t, record.Resource{Body: p.Body}).StatusHistory {
			got = append(got, strings.TrimSpace(h.Status.Code()+" "+value(h.Period.Start)+" "+value(h.Period.End)))
		}
		if strings.Join(got, ", ") != step.want {
			t.Errorf("%s: %v, want %s", step.stage, got, step.want)
		}
	}
}

func TestDonorConditions(t *testing.T) {
	codes := func(s activities.Snapshot) []string {
		var list []string
		for _, r := range mustPublish(t, s) {
			if r.Type != typeCondition || strings.Contains(r.ID, "complication") {
				continue
			}
			c := decode[r4.Condition](t, r)
			line := *c.ClinicalStatus.Coding[0].Code
			for _, coding := range c.Code.Coding {
				line += " " + *coding.Code
			}
			list = append(list, line)
		}
		return list
	}
	if got := codes(testSnapshot(candidateA)); !slices.Equal(got, []string{"active Z00.5"}) {
		t.Errorf("a candidate: %v", got)
	}
	if got := codes(closedWithout(candidateA)); !slices.Equal(got, []string{"inactive Z00.5"}) {
		t.Errorf("who goes no further: %v", got)
	}
	if got := codes(wentHome(candidateA)); !slices.Equal(got, []string{"active 105462002 Z52.4", "active Z90.5"}) {
		t.Errorf("a donor: %v", got)
	}
}

// mandatory are the elements that US Core 6.1.0 demands (hl7.org/fhir/us/core/STU6.1,
// the tables of each profile), by path.
var mandatory = map[string][]string{
	"us-core-careplan":                           {"text.status", "text.div", "status", "intent", "category", "subject"},
	"us-core-careteam":                           {"subject", "participant.role", "participant.member"},
	"us-core-servicerequest":                     {"status", "intent", "code", "subject"},
	"us-core-procedure":                          {"status", "code", "subject"},
	"us-core-encounter":                          {"status", "class", "type", "subject"},
	"us-core-provenance":                         {"target", "recorded", "agent.who"},
	"us-core-organization":                       {"active", "name"},
	"us-core-condition-problems-health-concerns": {"category", "code", "subject"},
	"us-core-condition-encounter-diagnosis":      {"category", "code", "subject"},
	"us-core-patient":                            {"identifier.system", "identifier.value", "name", "gender"},
	"us-core-observation-lab":                    {"status", "category", "code", "subject"},
	"us-core-observation-clinical-result":        {"status", "category", "code", "subject"},
	"us-core-vital-signs":                        {"status", "category", "code", "subject"},
	"us-core-blood-pressure":                     {"status", "category", "code", "subject", "component.code"},
	"us-core-body-height":                        {"status", "category", "code", "subject"},
	"us-core-body-weight":                        {"status", "category", "code", "subject"},
	"us-core-bmi":                                {"status", "category", "code", "subject"},
	"us-core-diagnosticreport-lab":               {"status", "category", "code", "subject"},
	"us-core-diagnosticreport-note":              {"status", "category", "code", "subject"},
	"us-core-questionnaireresponse":              {"questionnaire", "status", "subject", "authored"},
	"us-core-specimen":                           {"type"},
}

// TestProfilesHaveWhatTheyDemand reads every resource that declares a profile.
func TestProfilesHaveWhatTheyDemand(t *testing.T) {
	declared := map[string]int{}
	for _, r := range everyResource(t) {
		var meta struct{ Profile []string }
		if err := json.Unmarshal([]byte("{"+r.Meta+"}"), &meta); err != nil {
			t.Fatal(err)
		}
		var body any
		if err := json.Unmarshal(r.Body, &body); err != nil {
			t.Fatal(err)
		}
		for _, url := range meta.Profile {
			name, ok := strings.CutPrefix(url, usCore)
			paths, known := mandatory[name]
			if !ok || !known {
				t.Errorf("%s/%s declares %s, which nothing checks", r.Type, r.ID, url)
			}
			declared[name]++
			for _, path := range paths {
				if !hasEach(body, strings.Split(path, ".")) {
					t.Errorf("%s/%s declares %s and has no %s", r.Type, r.ID, name, path)
				}
			}
		}
	}
	for _, name := range []string{
		"us-core-careplan", "us-core-careteam", "us-core-servicerequest", "us-core-procedure", "us-core-encounter", "us-core-provenance",
		"us-core-condition-problems-health-concerns", "us-core-condition-encounter-diagnosis",
	} {
		if declared[name] == 0 {
			t.Errorf("nothing declares %s: %v", name, slices.Sorted(maps.Keys(declared)))
		}
	}
}

// hasEach reports whether every element on the path is there, in each of a list.
func hasEach(v any, path []string) bool {
	if list, ok := v.([]any); ok {
		return len(list) > 0 && !slices.ContainsFunc(list, func(each any) bool { return !hasEach(each, path) })
	}
	if len(path) == 0 {
		return v != nil && v != ""
	}
	object, ok := v.(map[string]any)
	return ok && hasEach(object[path[0]], path[1:])
}

// TestMappingIsRaised: a change of how the work on requirements is published needs
// another mapping, so that what stands is made again. Write the new digest with it.
func TestMappingIsRaised(t *testing.T) {
	h := sha256.New()
	for _, s := range []activities.Snapshot{worked(candidateA), testSnapshot(candidateA), closedWithout(candidateA)} {
		for _, r := range mustPublish(t, s) {
			if r.Type == typeTask || r.Type == typeServiceRequest || r.ID == candidateA+"-evaluation" {
				h.Write(r.Body)
				h.Write([]byte(r.Meta))
			}
		}
	}
	got := hex.EncodeToString(h.Sum(nil)) + "\n"
	path := filepath.Join("testdata", "work.sha256")
	want, err := os.ReadFile(path)
	if err != nil || string(want) != got {
		t.Errorf("%s holds %q, now %q: %v", path, want, got, err)
	}
}
