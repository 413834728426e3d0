package fhir

import (
	"encoding/json"
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

// sensitiveMark is in every result that is sensitive.
const sensitiveMark = "sensitive-bilby"

// sensitiveSnapshot has every sensitive result of the default protocol positive, and
// everything that follows from them.
func sensitiveSnapshot(candidate string) activities.Snapshot {
	p, s := protocol.Default(), testSnapshot(candidate)
	s.Protocol = p
	for i, o := range p.Observations {
		if !o.Sensitive {
			continue
		}
		r := result.Result{
			ID: fmt.Sprintf("d%s-0000-4000-8000-%012d", candidate[:7], i), Version: 1, Status: result.Final, Category: o.Category,
			Code: result.Coding{System: protocol.LocalSystem, Code: o.Code, Display: o.Title}, Identifier: result.Identifier{System: "urn:s", Value: fmt.Sprint(i)},
			Effective: "2026-02-20", CollectedOn: "2026-02-20", Method: sensitiveMark,
		}
		r.Value = positive(o)
		s.Results = append(s.Results, r)
	}
	s.Report = p.Assess(protocol.Person{BirthDate: "1981-06-30", Sex: "female", Path: "direct"}, s.Results, s.Today)
	s.State.Requirements = nil
	for _, r := range p.Requirements {
		s.State.Requirements = append(s.State.Requirements, journey.Requirement{ID: r.ID, Status: journey.NotMet})
	}
	return s
}

func isRestricted(r record.Resource) bool { return strings.Contains(r.Meta, labelRestricted) }

// What tells of something sensitive bears the label, and can be searched by it; the
// rest does not.
func TestSensitiveResourcesBearALabel(t *testing.T) {
	s := decided(sensitiveSnapshot(candidateA), journey.Approve)
	p, list := s.Protocol, mustPublish(t, s)
	words := []string{sensitiveMark}
	for _, f := range p.Flags {
		if p.Sensitive().Flag(f.ID) {
			words = append(words, `"`+f.ID+`"`, "threshold: "+f.ID)
		}
	}
	if len(words) < 10 {
		t.Fatalf("only %d words would tell", len(words))
	}
	seen := map[string]bool{}
	for _, r := range list {
		label := isRestricted(r)
		if indexed := slices.ContainsFunc(r.Index, func(x record.Index) bool {
			return x.Param == "_security" && x.System == systemConfidentiality && x.Value == "R"
		}); indexed != label {
			t.Errorf("%s/%s: label %t, indexed %t", r.Type, r.ID, label, indexed)
		}
		if strings.Contains(r.Meta, `"code":"V"`) {
			t.Errorf("%s/%s is very restricted, and published", r.Type, r.ID)
		}
		if !json.Valid([]byte("{" + r.Meta + "}")) {
			t.Errorf("%s/%s: the meta element is %s", r.Type, r.ID, r.Meta)
		}
		if label {
			seen[r.Type] = true
			continue
		}
		for _, word := range words {
			if strings.Contains(string(r.Body), word) {
				t.Errorf("%s/%s has no label, and tells %s", r.Type, r.ID, word)
			}
		}
	}
	for _, typ := range []string{typeObservation, typeDetectedIssue, typeFlag, typeTask, typeServiceRequest, typeDiagnosticReport, typeQuestionnaireResponse, typeClinicalImpression} {
		if !seen[typ] {
			t.Errorf("no %s is restricted", typ)
		}
	}
	for _, typ := range []string{typePatient, typeCarePlan, typeEpisodeOfCare, typeProvenance} {
		if seen[typ] {
			t.Errorf("a %s is restricted", typ)
		}
	}
	plain := find(t, list, typeObservation, "a0000000-0000-4000-8000-000000000001")
	if isRestricted(plain) {
		t.Error("creatinine is restricted")
	}
	// The plan tells that the work is done, and not what came of it.
	plan := find(t, list, typeCarePlan, candidateA+"-evaluation")
	for _, a := range activitiesOf(t, list, plan) {
		rule, _ := p.Find(a.code)
		if told := a.outcome == "not-met"; told == (restrictedWork(p, rule) || p.ConfidentialRequirement(rule.ID)) {
			t.Errorf("the plan tells what came of %s: %t", a.code, told)
		}
	}
}

// A label of the source holds for the result, and for what is computed of it.
func TestTheLabelOfTheSourceStays(t *testing.T) {
	s := testSnapshot(candidateA)
	s.Protocol, s.Results = protocol.Default(), slices.Clone(s.Results)
	s.Results[0].Confidentiality = result.Restricted
	list := mustPublish(t, s)
	creatinine := s.Results[0].ID
	if !isRestricted(find(t, list, typeObservation, creatinine)) {
		t.Error("the result has no label")
	}
	n := 0
	for _, d := range s.Report.Derived {
		reads := slices.ContainsFunc(d.Inputs, func(in protocol.Input) bool { return in.Result == creatinine })
		if label := isRestricted(find(t, list, typeObservation, resourceID(candidateA, d.Key))); label != reads {
			t.Errorf("%s reads it: %t, and is restricted: %t", d.Key, reads, label)
		}
		if reads {
			n++
		}
	}
	if n == 0 {
		t.Error("nothing is computed of it")
	}
	// Made again of itself, as when the software changes, it stays as it is.
	s.Previous = nil
	before := map[string]record.Resource{}
	for _, r := range list {
		r.Version = 1
		before[r.Type+"/"+r.ID] = r
		s.Previous = append(s.Previous, r)
	}
	s.Entry.Kind = ""
	for _, r := range mustPublish(t, s) {
		if was, ok := before[r.Type+"/"+r.ID]; ok && (isRestricted(was) != isRestricted(r) || r.VersionAfter(was) != 1) {
			t.Errorf("%s/%s became version %d, restricted %t", r.Type, r.ID, r.VersionAfter(was), isRestricted(r))
		}
	}
}

// A client that is let in without what is restricted gets none of it, by any way.
func TestAClientWithoutTheRestricted(t *testing.T) {
	store := testStore(t)
	s := decided(sensitiveSnapshot(candidateA), journey.Approve)
	list := mustPublish(t, s)
	commit(t, store, s, 1, list)
	const usual = "_security:not=" + systemConfidentiality + "|R"
	if err := CheckNarrowing("*", usual); err != nil || !NarrowsEveryType(usual) || NarrowsEveryType(usual+"&code=x") {
		t.Fatalf("the scope can't be granted: %v", err)
	}
	e, whole := grantedServer(store, scopes{"*": {"rs", []string{usual}}}), testServer(store)
	restrictedID := map[string]string{}
	for _, r := range list {
		target := "/fhir/" + r.Type + "/" + r.ID
		want := 200
		if isRestricted(r) {
			restrictedID[r.Type], want = r.ID, 403
		}
		for _, path := range []string{target, target + "/_history/1"} {
			if w := ask(e, "GET", path, ""); w.Code != want {
				t.Errorf("%s is answered with %d, not %d", path, w.Code, want)
			}
		}
	}
	targets := []string{
		"/fhir/Patient/" + candidateA + "/$everything?_count=200", "/fhir/Patient?_revinclude=*", "/fhir/CarePlan?_include=*", "/fhir/_history?_count=200",
		"/fhir/Observation?_count=200", "/fhir/Observation/_history?_count=200", "/fhir/Provenance?_include=Provenance:target&_count=200",
		"/fhir/Observation?_security=R", "/fhir/DetectedIssue?_include=DetectedIssue:implicated&_count=200",
	}
	for typ, id := range restrictedID {
		targets = append(targets, "/fhir/"+typ+"?_id="+id, "/fhir/"+typ+"/"+id+"/_history")
	}
	for _, target := range targets {
		w := ask(e, "GET", target, "")
		if strings.Contains(w.Body.String(), sensitiveMark) || strings.Contains(w.Body.String(), `"code":"R"`) {
			t.Errorf("%s tells of something restricted", target)
		}
	}
	if w := ask(whole, "GET", "/fhir/Observation?_security="+systemConfidentiality+"|R&_summary=count", ""); strings.Contains(w.Body.String(), `"total":0`) {
		t.Error("nothing is found by its label")
	}
	if w := ask(whole, "GET", "/fhir/Observation/"+restrictedID[typeObservation], ""); !strings.Contains(w.Body.String(), labelRestricted) {
		t.Errorf("the label is not sent: %s", w.Body)
	}
	if n := strings.Count(ask(e, "GET", "/fhir/Patient/"+candidateA+"/$everything?_count=200", "").Body.String(), `"fullUrl"`); n < 20 {
		t.Errorf("only %d resources are left", n)
	}
}
