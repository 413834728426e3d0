package api

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/recovery"
)

// TestMedicinesAreForTheCareTeam records a list and reads it as everybody.
func TestMedicinesAreForTheCareTeam(t *testing.T) {
	id, _ := fix.screened(t)
	fix.give(t, "coordinator", id, journey.RecordMedicines, obj{"complete": "yes", "medicines": []obj{
		{"name": "Quillonal", "atc": "M01AE01", "as_needed": true, "since": "2020-02-29"},
		{"name": "Alvedon", "atc": "N02BE01", "dose": obj{"count": 2, "times_a_day": 5}, "ingredients": []obj{{"substance": "paracetamol", "strength": obj{"value": 500, "unit": "mg"}}}},
	}})
	fix.must(t, http.StatusUnprocessableEntity, call{
		method: "POST", path: commandPath(id, journey.RecordMedicines), as: "coordinator", key: fix.unique("key"),
		body: `{"complete":"yes","medicines":[{"name":"A","since":"2199-01-01"}]}`,
	})
	for as, may := range map[string]bool{"coordinator": true, "clinician": true, "advocate": true, "auditor": false} {
		answer := fix.do(t, call{method: "GET", path: "/api/candidates/" + id, as: as})
		if got := strings.Contains(answer.Body.String(), "Quillonal"); got != may {
			t.Errorf("%s reads the medicine: %t, want %t", as, got, may)
		}
		var seen struct {
			Medicines *struct {
				Current []obj
				Notes   []struct{ Code, Text string }
			}
		}
		if err := json.Unmarshal(answer.Body.Bytes(), &seen); err != nil {
			t.Fatal(err)
		}
		if (seen.Medicines != nil) != may || may && len(seen.Medicines.Current) != 2 {
			t.Errorf("%s reads %+v", as, seen.Medicines)
		}
		if may && (seen.Medicines.Notes[0].Code != "paracetamol-above-cap" || !strings.Contains(seen.Medicines.Notes[1].Text, "to be stopped before the operation")) {
			t.Errorf("the notes are %+v", seen.Medicines.Notes)
		}
	}
	// Before the operation there is no stay, and no link to revoke but one that was given.
	for _, c := range []struct {
		kind journey.Kind
		body string
		want int
	}{
		{journey.RecordStay, `{"walking":"2026-01-01"}`, http.StatusConflict},
		{journey.RevokeDonorLink, `{}`, http.StatusConflict},
		{journey.GiveDonorLink, `{"digest":"` + strings.Repeat("0", 64) + `","until":"2024-12-31"}`, http.StatusOK},
		{journey.RevokeDonorLink, `{}`, http.StatusOK},
	} {
		fix.must(t, c.want, call{method: "POST", path: commandPath(id, c.kind), as: "coordinator", key: fix.unique("key"), body: c.body})
	}
}

// TestRecoveryIsDocumented holds the whole plan of the default protocol, in every
// state, against the document.
func TestRecoveryIsDocumented(t *testing.T) {
	doc, err := loadDocument(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	p := protocol.Default()
	for _, stay := range []recovery.Stay{{}, recovery.Of([]command.RecordStay{{Walking: "2028-02-29", Discharged: "2028-03-01", LastOpioid: "2028-03-01", Work: "desk"}})} {
		for _, line := range recovery.Plan(p, "2028-02-28", stay, nil, "2028-03-10") {
			conforms(t, doc.Components.Schemas["RecoveryLine"].Value.VisitJSON, line)
		}
	}
	for _, m := range p.Recovery {
		conforms(t, doc.Components.Schemas["ProtocolMilestone"].Value.VisitJSON, milestoneOf(m))
	}
}

func conforms[O any](t *testing.T, check func(any, ...O) error, value any) {
	t.Helper()
	raw, err := json.Marshal(value)
	if err != nil {
		t.Fatal(err)
	}
	var decoded any
	if err := json.Unmarshal(raw, &decoded); err != nil {
		t.Fatal(err)
	}
	if err := check(decoded); err != nil {
		t.Errorf("%s: %v", raw, err)
	}
}

// TestDigestIsShownToNobody: not even what a secret is recognised by leaves the
// record.
func TestDigestIsShownToNobody(t *testing.T) {
	digest := strings.Repeat("ab", 32)
	e := record.Entry{Kind: journey.GiveDonorLink, Actor: "cora", Body: json.RawMessage(`{"digest":"` + digest + `","until":"2028-06-01"}`), Event: json.RawMessage(`{}`)}
	for _, role := range journey.Roles {
		list, err := timeline(Reader{ID: "cora", Role: role}, protocol.Default(), []record.Entry{e})
		if err != nil || strings.Contains(string(list[0].Body), digest) {
			t.Errorf("%s reads %s, %v", role, list[0].Body, err)
		}
	}
}
