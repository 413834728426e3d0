package fhir

import (
	"strings"
	"testing"

	"candidacy/internal/result"
)

// TestReportCode: a report always has a code, a sender's own is never taken for one
// of ours or of LOINC, and a report of a service has a LOINC code, as US Core asks.
func TestReportCode(t *testing.T) {
	laboratory := result.Result{Category: "laboratory", Code: result.Coding{System: systemLOINC, Code: "2160-0", Display: "Creatinine"}}
	imaging := result.Result{Category: "imaging", Code: result.Coding{System: systemObservation, Code: "arteries-left", Display: "Arteries"}}
	report := func(code result.Coding, category string) *result.Report {
		return &result.Report{Code: code, Category: category}
	}
	for name, c := range map[string]struct {
		header *result.Report
		list   []result.Result
		want   string
	}{
		"its only result":           {nil, []result.Result{laboratory}, systemLOINC + "|2160-0 Creatinine"},
		"of a laboratory":           {nil, []result.Result{laboratory, laboratory}, systemLOINC + "|11502-2 Laboratory report"},
		"of imaging":                {report(result.Coding{}, "RAD"), []result.Result{imaging, imaging}, systemLOINC + "|18748-4 Imaging report"},
		"of another service":        {report(result.Coding{}, "PAT"), []result.Result{laboratory, laboratory}, "Diagnostic report"},
		"a LOINC code":              {report(result.Coding{System: systemLOINC, Code: "24323-8", Display: "Panel"}, "LAB"), []result.Result{laboratory}, systemLOINC + "|24323-8 Panel"},
		"a LOINC code without name": {report(result.Coding{Code: "24323-8", Display: "Panel"}, "LAB"), []result.Result{laboratory}, systemLOINC + "|24323-8 Panel"},
		"the sender's own code":     {report(result.Coding{Code: "CHEM", Display: "Chemistry"}, "LAB"), []result.Result{laboratory}, "|CHEM " + systemLOINC + "|11502-2 Chemistry"},
		"the code of a system":      {report(result.Coding{System: "urn:x", Code: "CHEM"}, "PAT"), []result.Result{laboratory}, "urn:x|CHEM CHEM"},
	} {
		code := reported{}.reportCode(c.header, c.list)
		var parts []string
		for _, coding := range code.Coding {
			parts = append(parts, value(coding.System)+"|"+value(coding.Code))
		}
		if got := strings.Join(append(parts, value(code.Text)), " "); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}
