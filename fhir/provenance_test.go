package fhir

import (
	"slices"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// consented is a candidate whose consent is in force.
func consented(candidate string) activities.Snapshot {
	s := testSnapshot(candidate)
	i := slices.IndexFunc(s.State.Requirements, func(r journey.Requirement) bool { return r.ID == "consent" })
	s.State.Requirements[i] = journey.Requirement{
		ID: "consent", Status: journey.Met, SignedBy: "signer-account", SignedOn: "2026-02-12", ValidUntil: "2027-02-12",
	}
	return s
}

func TestConsentIsInForceOnlyWhileItIs(t *testing.T) {
	s := consented(candidateA)
	id := candidateA + "-c1-consent"
	given := mustPublish(t, s)
	c := decode[r4.Consent](t, find(t, given, typeConsent, id))
	if c.Status != r4.ConsentStateActive || *c.DateTime != "2026-02-12" || *c.Scope.Coding[0].Code != "treatment" ||
		*c.Category[0].Coding[0].Code != "59284-0" || *c.Provision.Period.End != "2027-02-12" || c.PolicyRule == nil {
		t.Errorf("the consent is %+v", c)
	}
	for name, change := range map[string]func(*activities.Snapshot){
		"lapsed":    func(s *activities.Snapshot) { requirementOf(s, "consent").Status = journey.Expired },
		"given up":  func(s *activities.Snapshot) { requirementOf(s, "consent").Status = journey.Due },
		"withdrawn": func(s *activities.Snapshot) { s.State.Stage = journey.Withdrawn },
		"declined":  func(s *activities.Snapshot) { s.State.Stage = journey.Declined },
	} {
		after := later(consented(candidateA), "2026-03-03")
		after.Previous = given
		change(&after)
		if c := decode[r4.Consent](t, find(t, mustPublish(t, after), typeConsent, id)); c.Status != r4.ConsentStateInactive || *c.DateTime != "2026-02-12" {
			t.Errorf("%s: the consent is %+v", name, c)
		}
	}
	refused := testSnapshot(candidateA)
	requirementOf(&refused, "consent").Status = journey.Waived
	if list := ofType(mustPublish(t, refused), typeConsent); len(list) > 0 {
		t.Errorf("a waived consent is published: %s", list[0].Body)
	}
	s.Protocol.Requirements[slices.IndexFunc(s.Protocol.Requirements, func(r protocol.Requirement) bool { return r.ID == "consent" })].Privacy = true
	if c := decode[r4.Consent](t, find(t, mustPublish(t, s), typeConsent, id)); *c.Scope.Coding[0].Code != "patient-privacy" {
		t.Errorf("a consent about data has the scope %+v", c.Scope)
	}
}

func requirementOf(s *activities.Snapshot, id string) *journey.Requirement {
	return &s.State.Requirements[slices.IndexFunc(s.State.Requirements, func(r journey.Requirement) bool { return r.ID == id })]
}

func TestTeamIsByRole(t *testing.T) {
	s := testSnapshot(candidateA)
	roles := func(s activities.Snapshot) (list []string) {
		r := find(t, mustPublish(t, s), typeCareTeam, candidateA+"-team")
		if strings.Contains(string(r.Body), "advocate-account") || strings.Contains(string(r.Body), recipientMark) {
			t.Errorf("the team names somebody: %s", r.Body)
		}
		for _, p := range decode[r4.CareTeam](t, r).Participant {
			list = append(list, *p.Role[0].Coding[0].Code+" "+*p.Member.Reference)
		}
		return list
	}
	want := []string{"coordinator PractitionerRole/role-coordinator", "clinician PractitionerRole/role-clinician",
		"advocate PractitionerRole/role-advocate", "committee PractitionerRole/role-committee"}
	if got := roles(s); !slices.Equal(got, want) {
		t.Errorf("the team is %v", got)
	}
	s.State.Advocate = ""
	if got := roles(s); slices.Contains(got, want[2]) || len(got) != 3 {
		t.Errorf("without an advocate the team is %v", got)
	}
}

// TestEveryStageHasATeam: a stage that is forgotten would hold a candidate up.
func TestEveryStageHasATeam(t *testing.T) {
	for _, stage := range journey.Stages {
		if _, ok := careTeamStatuses[stage]; !ok {
			t.Errorf("the stage %s has no care team status", stage)
		}
	}
	for _, stage := range []journey.Stage{journey.Withdrawn, journey.Deceased} {
		if careTeamStatuses[stage] != careTeamStatuses[journey.Declined] {
			t.Errorf("%s and a decline have different teams", stage)
		}
	}
}

func TestProvenanceNamesVersionsAndRoles(t *testing.T) {
	s := testSnapshot(candidateA)
	first := mustPublish(t, s)
	p := decode[r4.Provenance](t, find(t, first, typeProvenance, candidateA+"-entry-9"))
	if len(p.Target) != len(first)-1 || *p.Activity.Coding[0].Code != "CREATE" {
		t.Errorf("the first entry has %d targets of %d resources, as %s", len(p.Target), len(first)-1, *p.Activity.Coding[0].Code)
	}
	for _, target := range p.Target {
		if !strings.HasSuffix(*target.Reference, "/_history/1") {
			t.Errorf("a first version is %s", *target.Reference)
		}
	}
	if len(p.Agent) != 2 || *p.Agent[0].Who.Reference != "PractitionerRole/role-clinician" || *p.Agent[1].Who.Reference != "Device/candidacy" ||
		p.Recorded != "2026-03-02T09:30:00.123Z" {
		t.Errorf("the agents are %+v, recorded %s", p.Agent, p.Recorded)
	}

	store := testStore(t)
	s.State.Seq = 1
	give(t, store, s)
	published := func() map[string]record.Published {
		list := map[string]record.Published{}
		if err := store.EachResource(t.Context(), func(p record.Published) error { list[p.Type+"/"+p.ID] = p; return nil }); err != nil {
			t.Fatal(err)
		}
		return list
	}
	before := published()
	changed := later(s, "2026-03-04")
	changed.Entry = activities.Entry{Kind: journey.RecordResults, Role: journey.Laboratory, At: testNow.AddDate(0, 0, 2)}
	changed.Results = slices.Clone(changed.Results)
	changed.Results[0].Value, changed.Results[0].Version = number("1.25", "mg/dL", ""), 2
	give(t, store, changed)
	after := published()
	next := decode[r4.Provenance](t, record.Resource{Body: after["Provenance/"+candidateA+"-entry-2"].Body})
	var want, got []string
	for name, r := range after {
		if r.Version != before[name].Version && r.Type != typeProvenance {
			want = append(want, name+"/_history/"+string(rune('0'+r.Version)))
		}
	}
	for _, target := range next.Target {
		got = append(got, *target.Reference)
	}
	slices.Sort(want)
	slices.Sort(got)
	if len(want) == 0 || !slices.Equal(got, want) {
		t.Errorf("the targets are %v, want the versions that were written: %v", got, want)
	}
	if agent := next.Agent[0]; *agent.Type.Coding[0].Code != "transmitter" || agent.Who.Reference != nil {
		t.Errorf("a laboratory's results come from %+v", agent)
	}
	give(t, store, later(changed, "2026-03-04"))
	if _, ok := published()["Provenance/"+candidateA+"-entry-3"]; ok {
		t.Error("an entry that changed nothing has a provenance")
	}
}
