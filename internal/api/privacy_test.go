package api

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
)

// TestWithheld is the whole table of private words by role.
func TestWithheld(t *testing.T) {
	p := protocoltest.Brief()
	roles := []journey.Role{journey.Coordinator, journey.Clinician, journey.Advocate, journey.CommitteeRole, journey.Auditor}
	for _, tt := range []struct {
		kind        journey.Kind
		requirement string
		member      string
		// hidden says, in the order of roles, from whom it is kept.
		hidden []bool
		// own says whether a coordinator who wrote it is kept from it too.
		own bool
	}{
		{journey.RecordDecision, "", "reason", []bool{true, false, false, false, true}, false},
		{journey.Decline, "", "reason", []bool{true, false, false, false, true}, false},
		{journey.CancelOperation, "", "reason", []bool{true, false, false, false, true}, false},
		{journey.CancelOperation, "", "cause", []bool{true, false, false, false, true}, false},
		{journey.RecordRecipient, "", "samples", []bool{false, false, true, true, true}, false},
		{journey.RecordRecipient, "", "recipient", []bool{false, true, true, true, true}, false},
		{journey.AssignAdvocate, "", "reason", []bool{true, false, false, false, true}, false},
		{journey.Withdraw, "", "note", []bool{false, true, false, true, true}, false},
		{journey.RecordReview, "psychosocial-evaluation", "findings", []bool{true, false, false, false, true}, false},
		{journey.RecordReview, "psychosocial-evaluation", "position", []bool{true, false, false, false, true}, false},
		{journey.RecordReview, "advocate-review-final", "position", []bool{true, false, false, false, true}, false},
		{journey.RecordReview, "no-such-requirement", "position", []bool{true, false, false, false, true}, false},
		{journey.RecordReview, "surgery-review", "findings", []bool{false, false, false, false, true}, false},
		{journey.RecordReview, "psychosocial-evaluation", "structured", []bool{true, false, false, false, true}, false},
		{journey.RecordReview, "surgery-review", "structured", []bool{false, false, false, false, true}, false},
		{journey.RecordReview, "surgery-review", "position", []bool{false, false, false, false, false}, false},
		{journey.Hold, "", "note", []bool{false, false, false, false, true}, false},
		{journey.ResolveLastCheck, "", "reason", []bool{false, false, false, false, true}, false},
		{journey.WaiveRequirement, "psychosocial-evaluation", "reason", []bool{false, false, false, false, true}, false},
	} {
		for i, role := range roles {
			got := slices.Contains(Reader{ID: "reader", Role: role}.Withheld(p, tt.kind, "writer", tt.requirement), tt.member)
			if got != tt.hidden[i] {
				t.Errorf("%s of %s %s is kept from the %s: %t, want %t", tt.member, tt.kind, tt.requirement, role, got, tt.hidden[i])
			}
		}
		own := slices.Contains(Reader{ID: "writer", Role: journey.Coordinator}.Withheld(p, tt.kind, "writer", tt.requirement), tt.member)
		if own != tt.own {
			t.Errorf("%s of %s is kept from its author: %t", tt.member, tt.kind, own)
		}
	}
}

func TestObjectionIsNotTold(t *testing.T) {
	p := protocoltest.Brief()
	objected := func(id string) journey.Requirement {
		return journey.Requirement{ID: id, Status: journey.NotMet, Position: journey.Objects, SignedBy: "writer"}
	}
	state := journey.State{Requirements: []journey.Requirement{objected("psychosocial-evaluation"), objected("surgery-review")}}
	refusal := &journey.Refusal{Reasons: []journey.Reason{
		{Rule: "requirement-in-force", Requirement: "psychosocial-evaluation", Message: "psychosocial-evaluation is not-met"},
		{Rule: "requirement-in-force", Requirement: "surgery-review", Message: "surgery-review is not-met"},
		{Rule: "cooling-off", Message: "too early"},
	}}
	for role, told := range map[journey.Role]bool{journey.Coordinator: false, journey.Auditor: false, journey.Clinician: true, journey.Advocate: true} {
		reader := Reader{ID: "reader", Role: role}
		shown := reader.Refusal(p, state, refusal).Reasons
		if strings.Contains(shown[0].Message, "not-met") != told || shown[1] != refusal.Reasons[1] || shown[2] != refusal.Reasons[2] {
			t.Errorf("the %s is told %v", role, shown)
		}
		seen, replaced := reader.Requirement(p, state.Requirements[0])
		if replaced == told || (seen.Position != "") != told || (seen.Status == journey.NotMet) != told {
			t.Errorf("the %s sees %+v", role, seen)
		}
		if seen, replaced = reader.Requirement(p, state.Requirements[1]); replaced || seen != state.Requirements[1] {
			t.Errorf("the %s sees %+v", role, seen)
		}
	}
	if refusal.Reasons[0].Message != "psychosocial-evaluation is not-met" {
		t.Error("the refusal itself was changed")
	}
}

// TestPrivateWords reads private words through the API.
func TestPrivateWords(t *testing.T) {
	id, _ := fix.evaluated(t)
	fix.give(t, "coordinator", id, journey.AssignAdvocate, obj{"advocate": "acc-advocate", "reason": "words on the advocate"})
	fix.give(t, "clinician", id, journey.RecordReview, obj{"requirement": "psychosocial-evaluation", "position": "objects", "findings": "words on pressure"})
	fix.give(t, "clinician", id, journey.Withdraw, obj{"note": "words on stopping"})
	for as, want := range map[string][]bool{
		"coordinator":           {true, false, true, false}, // the author of the first
		"recipient-coordinator": {false, false, true, false},
		"clinician":             {true, true, false, true},
		"advocate":              {true, true, true, true},
		"committee":             {true, true, false, true},
		"auditor":               {false, false, false, false},
	} {
		answer := fix.do(t, call{method: "GET", path: "/api/candidates/" + id, as: as})
		if answer.Code != http.StatusOK {
			t.Fatalf("%s: got %d", as, answer.Code)
		}
		for i, words := range []string{"words on the advocate", "words on pressure", "words on stopping", "objects"} {
			if got := strings.Contains(answer.Body.String(), words); got != want[i] {
				t.Errorf("%s reads %q: %t, want %t", as, words, got, want[i])
			}
		}
		if got := strings.Contains(answer.Body.String(), `"not-met"`); got != want[3] {
			t.Errorf("%s can tell the objection from the status: %t", as, got)
		}
	}
}

// TestBasisTellsNoPosition: what a decision stood on holds the positions of
// reviewers, which are kept from the same readers there. Old entries stay
// readable.
func TestBasisTellsNoPosition(t *testing.T) {
	p := protocoltest.Brief()
	raw, err := json.Marshal(activities.Decision{Basis: activities.Basis{Protocol: p.Version, Requirements: []activities.BasisRequirement{
		{ID: "psychosocial-evaluation", Status: journey.NotMet, Position: journey.Objects, SignedBy: "writer"},
		{ID: "advocate-review-final", Status: journey.Met, Position: journey.Concerns, SignedBy: "advocate"},
		{ID: "surgery-review", Status: journey.Met, Position: journey.Supports, SignedBy: "writer"},
	}}})
	if err != nil {
		t.Fatal(err)
	}
	for role, told := range map[journey.Role]bool{
		journey.Coordinator: false, journey.Clinician: true, journey.Advocate: true, journey.CommitteeRole: true,
	} {
		shown := string(body(Reader{ID: "reader", Role: role}, p, record.Entry{Kind: journey.RecordDecision, Actor: "committee", Body: raw}))
		for _, word := range []string{`"objects"`, `"concerns"`, `"not-met"`} {
			if strings.Contains(shown, word) != told {
				t.Errorf("the %s is told %s: %t, want %t: %s", role, word, !told, told, shown)
			}
		}
		if !strings.Contains(shown, `"supports"`) || !strings.Contains(shown, `"protocol":"`+p.Version) {
			t.Errorf("the %s is not shown the rest: %s", role, shown)
		}
	}
	if shown := body(Reader{ID: "reader", Role: journey.Auditor}, p, record.Entry{Kind: journey.RecordDecision, Body: raw}); shown != nil {
		t.Errorf("the auditor is shown %s", shown)
	}
	for in, want := range map[string]string{
		`{"outcome":"approve","basis":{"protocol":"1","flags":[]}}`: `{"basis":{"protocol":"1","flags":[]},"outcome":"approve"}`,
		`{"outcome":"approve"}`:                              `{"outcome":"approve"}`,
		`{"outcome":"approve","basis":{"requirements":"x"}}`: `{"outcome":"approve"}`,
		`{"outcome":"approve","basis":7}`:                    `{"outcome":"approve"}`,
	} {
		if got := string(body(Reader{Role: journey.Coordinator}, p, record.Entry{Kind: journey.RecordDecision, Body: json.RawMessage(in)})); got != want {
			t.Errorf("%s is shown as %s, want %s", in, got, want)
		}
	}
}

// TestSigningWhatWasSeen signs a result that is corrected after it was read.
func TestSigningWhatWasSeen(t *testing.T) {
	id, _ := fix.evaluated(t)
	number := fix.unique("LV")
	record := func(status string, value float64) {
		t.Helper()
		r := creatinine(number)
		r["status"], r["quantity"] = status, obj{"value": value, "unit": "mg/dL"}
		fix.give(t, "clinician", id, journey.RecordResults, obj{"results": []any{r}})
	}
	seen := func() string {
		t.Helper()
		for _, each := range fix.read(t, "clinician", id)["requirements"].([]any) {
			if r := each.(obj); r["id"] == "creatinine" {
				return r["fingerprint"].(string)
			}
		}
		t.Fatal("there is no such requirement")
		return ""
	}
	sign := func(evidence string) call {
		return call{method: "POST", path: commandPath(id, journey.SignResults), as: "clinician", key: fix.unique("key"), body: encoded(t, obj{
			"requirements": []string{"creatinine"}, "verdict": "met", "reason": "Looked at it.", "evidence": obj{"creatinine": evidence},
		})}
	}
	record("final", 0.72)
	old := seen()
	record("corrected", 0.92)
	got := fix.must(t, http.StatusConflict, sign(old))
	if reason := got["reasons"].([]any)[0].(obj); reason["rule"] != "result-as-seen" || reason["requirement"] != "creatinine" {
		t.Errorf("the reason is %v", reason)
	}
	fix.must(t, http.StatusOK, sign(seen()))
}
