package api

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"candidacy/internal/journey"
)

// TestRisksAreForTheCareTeam records a risk, corrects it and reads it as everybody.
func TestRisksAreForTheCareTeam(t *testing.T) {
	id, _ := fix.screened(t)
	body := func(more obj) obj {
		b := obj{
			"outcome": "kidney-failure", "scenario": "without-donation", "percent": json.Number("0.90"), "horizon_years": 15,
			"model": "Wobblecroft projection", "model_version": "2.1", "source": "Invented tool of a programme", "on": "2020-02-29",
		}
		for name, value := range more {
			b[name] = value
		}
		return b
	}
	fix.give(t, "clinician", id, journey.RecordRisk, body(nil))
	read := func(as string) (risks []struct {
		Seq     int64
		Percent json.Number
		By      string
	}, text string) {
		answer := fix.do(t, call{method: "GET", path: "/api/candidates/" + id, as: as})
		var seen struct {
			Risks json.RawMessage
		}
		if err := json.Unmarshal(answer.Body.Bytes(), &seen); err != nil {
			t.Fatal(err)
		}
		if seen.Risks != nil {
			if err := json.Unmarshal(seen.Risks, &risks); err != nil {
				t.Fatal(err)
			}
		}
		return risks, answer.Body.String()
	}
	first, _ := read("coordinator")
	if len(first) != 1 || first[0].Percent != "0.90" || first[0].By == "" {
		t.Fatalf("on record is %+v", first)
	}
	fix.give(t, "coordinator", id, journey.RecordRisk, body(obj{"percent": json.Number("0.8"), "replaces": first[0].Seq, "reason": "mistyped"}))
	for as, may := range map[string]bool{"coordinator": true, "clinician": true, "advocate": true, "auditor": false} {
		risks, text := read(as)
		if (len(risks) == 1 && risks[0].Percent == "0.8") != may || strings.Contains(text, "Wobblecroft") != may {
			t.Errorf("%s reads %+v", as, risks)
		}
	}
	for name, c := range map[string]struct {
		with   obj
		status int
		field  string
	}{
		"an estimate that was replaced": {obj{"replaces": first[0].Seq, "reason": "again"}, http.StatusConflict, "replaces"},
		"no such result":                {obj{"basis": []string{"nothing"}}, http.StatusUnprocessableEntity, "basis[0]"},
		"no such account":               {obj{"obtained_by": "nobody"}, http.StatusUnprocessableEntity, "obtained_by"},
		"tomorrow":                      {obj{"on": "2199-01-01"}, http.StatusUnprocessableEntity, "on"},
	} {
		raw, err := json.Marshal(body(c.with))
		if err != nil {
			t.Fatal(err)
		}
		answer := fix.do(t, call{method: "POST", path: commandPath(id, journey.RecordRisk), as: "clinician", key: fix.unique("key"), body: string(raw)})
		if answer.Code != c.status || !strings.Contains(answer.Body.String(), c.field) {
			t.Errorf("%s: %d %s", name, answer.Code, answer.Body)
		}
	}
	fix.must(t, http.StatusForbidden, call{method: "POST", path: commandPath(id, journey.RecordRisk), as: "advocate", key: fix.unique("key"), body: `{}`})
}
