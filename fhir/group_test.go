package fhir

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
)

type readGroup struct {
	ID       string `json:"id"`
	Type     string `json:"type"`
	Actual   bool   `json:"actual"`
	Quantity int    `json:"quantity"`
	Meta     struct {
		LastUpdated string `json:"lastUpdated"`
	} `json:"meta"`
	Member []struct {
		Entity struct {
			Reference string `json:"reference"`
		} `json:"entity"`
	} `json:"member"`
}

func (g readGroup) members() []string {
	list := []string{}
	for _, m := range g.Member {
		list = append(list, m.Entity.Reference)
	}
	return list
}

func memberNames(ids ...int) []string {
	list := []string{}
	for _, i := range ids {
		list = append(list, "Patient/"+exportID(i))
	}
	return list
}

func TestGroups(t *testing.T) {
	x := populated(t)
	for id, want := range map[string][]string{
		"all": memberNames(0, 1, 2, 3, 4), "candidates": memberNames(0, 1), "after-operation": memberNames(2),
	} {
		w := x.ask("GET", "/fhir/Group/"+id, "")
		var g readGroup
		if err := json.Unmarshal(w.Body.Bytes(), &g); w.Code != 200 || err != nil {
			t.Fatalf("%d %v %s", w.Code, err, w.Body)
		}
		if g.ID != id || g.Type != "person" || !g.Actual || g.Quantity != len(want) || !slices.Equal(g.members(), want) || g.Meta.LastUpdated != "2026-03-02T09:30:00.123Z" {
			t.Errorf("%s: %+v", id, g)
		}
		if w := x.ask("GET", "/fhir/Group/"+id, "", "If-None-Match", w.Header().Get("ETag")); w.Code != 304 {
			t.Errorf("%s: %d", id, w.Code)
		}
	}
	before := x.ask("GET", "/fhir/Group/candidates", "").Header()
	x.pass(time.Second)
	s := own(testSnapshot(exportID(0)), "0")
	s.State.Stage = journey.Declined
	commit(t, x.store, s, 2, nil)
	if w := x.ask("GET", "/fhir/Group/candidates", "", "If-Modified-Since", before.Get("Last-Modified")); w.Code != 200 || strings.Contains(w.Body.String(), exportID(0)) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	for target, status := range map[string]int{
		"/fhir/Group/nobody": 404, "/fhir/Group?member.name=x": 400, "/fhir/Group?member:Patient.name=x": 400,
		"/fhir/Patient?_has:Group:member:_id=all": 400, "/fhir/Patient?_revinclude=Group:member": 400,
		"/fhir/Group/all/_history/1": 404, "/fhir/Group/all/_history": 404, "/fhir/Group/_history": 404, "/fhir/Group?nonsense=1": 400,
		"/fhir/Group?patient=" + exportID(0): 400,
	} {
		if w := x.ask("GET", target, "", "Prefer", "handling=strict"); w.Code != status || !strings.Contains(w.Body.String(), "OperationOutcome") {
			t.Errorf("%s: %d %s", target, w.Code, w.Body)
		}
	}
	for query, want := range map[string]string{
		"": "after-operation all candidates", "_id=all,nobody": "all", "_id=nobody": "", "_count=2": "after-operation all",
		"identifier=candidates": "candidates", "identifier=" + systemGroup + "|": "after-operation all candidates", "identifier=urn:other|all": "",
		"code=" + systemCohort + "|all": "all", "code:not=all": "after-operation candidates", "type=person&actual=true": "after-operation all candidates",
		"type=animal": "", "actual=false": "", "member=Patient/" + exportID(2): "after-operation all", "member=" + exportID(3): "all",
		"member=" + testBase + "/Patient/" + exportID(1): "all candidates", "member:Patient=" + exportID(2) + "," + exportID(1): "after-operation all candidates",
		"member=stranger": "", "member:missing=true": "", "member:missing=false": "after-operation all candidates",
		"_lastUpdated=ge2026-03-02": "after-operation all candidates", "_lastUpdated=lt2026-03-02": "", "_lastUpdated=gt2026-03-02T09:30:00Z,lt2026": "after-operation all candidates",
	} {
		w := x.ask("GET", "/fhir/Group?"+query, "", "Prefer", "handling=strict")
		set := readSet(t, w)
		var got []string
		for _, e := range set.Entry {
			got = append(got, e.Resource.ID)
		}
		if strings.Join(got, " ") != want || query != "_count=2" && set.Total != len(got) {
			t.Errorf("%s: %v of %d, want %s", query, got, set.Total, want)
		}
	}
	if w := x.ask("POST", "/fhir/Group/_search", "_summary=count&member="+exportID(2), "Content-Type", "application/x-www-form-urlencoded"); readSet(t, w).Total != 2 {
		t.Errorf("%s", w.Body)
	}
	next := readSet(t, x.ask("GET", "/fhir/Group?_count=2", "")).link("next")
	if set := readSet(t, x.ask("GET", next, "")); len(set.Entry) != 1 || set.Entry[0].Resource.ID != "candidates" {
		t.Errorf("%s: %+v", next, set)
	}
}

// Whatever ends a journey before the operation, the person leaves the same groups.
func TestGroupsDoNotTellExitsApart(t *testing.T) {
	var first string
	for _, exit := range []journey.Stage{journey.Withdrawn, journey.Declined, journey.Deceased, journey.Closed} {
		x := newExporter(t)
		for i, stage := range []journey.Stage{exit, journey.Evaluation, journey.Recovery} {
			s := own(testSnapshot(exportID(i)), fmt.Sprint(i))
			s.State.Stage = stage
			s.Referral.Identity.Identifier.Value = fmt.Sprintf("SYN-%d", i)
			commit(t, x.store, s, 1, nil)
		}
		all := x.ask("GET", "/fhir/Group", "").Body.String() + x.ask("GET", "/fhir/Group?member="+exportID(0), "").Body.String()
		if first == "" {
			first = all
		}
		if all != first || !strings.Contains(all, exportID(0)) {
			t.Errorf("%s shows:\n%s\n%s", exit, all, first)
		}
	}
	named := map[journey.Stage]int{}
	for _, c := range cohorts {
		for _, s := range c.stages {
			named[s]++
		}
	}
	for _, s := range journey.Stages {
		if want := 1; s.Ended() == (named[s] == want) {
			t.Errorf("%s is in %d groups by its name", s, named[s])
		}
	}
}
