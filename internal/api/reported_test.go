package api

import (
	"encoding/json"
	"strings"
	"testing"

	"candidacy/internal/journey"
)

// TestWhatALaboratoryWroteIsForTheCareTeam reads a note, a conclusion and a panel
// as everybody.
func TestWhatALaboratoryWroteIsForTheCareTeam(t *testing.T) {
	id, _ := fix.screened(t)
	identify := func(n string) obj { return obj{"system": "urn:lab:reported", "value": id + n} }
	report := obj{"identifier": identify("-report"), "status": "final", "category": "LAB", "conclusion": "wrote-conclusion"}
	fix.give(t, "coordinator", id, journey.RecordResults, obj{"results": []obj{
		{
			"identifier": identify("-1"), "status": "final", "category": "laboratory", "code": obj{"code": "2160-0", "display": "Creatinine"},
			"quantity": obj{"value": json.Number("0.80"), "unit": "mg/dL"}, "effective": "2020-02-28T08:00:00Z",
			"reference_range": obj{"low": obj{"value": json.Number("0.50"), "unit": "mg/dL"}, "high": obj{"value": json.Number("1.10"), "unit": "mg/dL"}},
			"interpretation":  []string{"N"}, "performer": "Invented laboratory", "order": "ORD-9", "note": "wrote-note", "report": report,
			"specimen": "S-9", "specimen_type": obj{"system": "http://terminology.hl7.org/CodeSystem/v2-0487", "code": "SER"},
		},
		{
			"identifier": identify("-2"), "status": "final", "category": "laboratory", "code": obj{"code": "24323-8", "display": "Metabolic panel"},
			"members": []obj{identify("-1")}, "effective": "2020-02-28T08:00:00Z", "report": report,
		},
	}})
	for as, may := range map[string]bool{"coordinator": true, "clinician": true, "advocate": true, "auditor": false} {
		text := fix.do(t, call{method: "GET", path: "/api/candidates/" + id, as: as}).Body.String()
		for _, words := range []string{"wrote-note", "wrote-conclusion"} {
			if strings.Contains(text, words) != may {
				t.Errorf("%s reads %s: %t, want %t", as, words, !may, may)
			}
		}
		for _, words := range []string{`"reference_range":{"low":{"value":0.50,`, `"interpretation":["N"]`, "Invented laboratory", "ORD-9", `"members":[`} {
			if !strings.Contains(text, words) {
				t.Errorf("%s does not read %s", as, words)
			}
		}
	}
}
