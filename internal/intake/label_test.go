package intake_test

import (
	"testing"

	"candidacy/internal/result"
)

// TestLabels: of the labels of a result and of its report the closest holds; what is
// usual or less, and labels of other systems, are none.
func TestLabels(t *testing.T) {
	const confidentiality = "http://terminology.hl7.org/CodeSystem/v3-Confidentiality"
	meta := func(pairs ...string) object {
		var list []any
		for i := 0; i < len(pairs); i += 2 {
			list = append(list, object{"system": pairs[i], "code": pairs[i+1]})
		}
		return object{"security": list}
	}
	for _, tt := range []struct {
		result, report object
		want           result.Confidentiality
	}{
		{nil, nil, ""},
		{meta(confidentiality, "N"), nil, ""},
		{meta("http://terminology.hl7.org/CodeSystem/v3-ActCode", "R"), nil, ""},
		{meta(confidentiality, "R"), nil, result.Restricted},
		{meta(confidentiality, "R", confidentiality, "V"), nil, result.VeryRestricted},
		{nil, meta(confidentiality, "R"), result.Restricted},
		{meta(confidentiality, "V"), meta(confidentiality, "R"), result.VeryRestricted},
		{meta(confidentiality, "R"), meta(confidentiality, "V"), result.VeryRestricted},
	} {
		one := object{"id": "o"}
		if tt.result != nil {
			one["meta"] = tt.result
		}
		about := object{"identifier": object{"system": "urn:hospital", "value": "M-1"}}
		report := object{
			"resourceType": "DiagnosticReport", "status": "final", "identifier": []any{object{"system": "urn:lab", "value": "R-1"}}, "subject": about,
			"code": object{"text": "Blood"}, "result": []any{object{"reference": "#o"}}, "contained": []any{observation(one)},
		}
		if tt.report != nil {
			report["meta"] = tt.report
		}
		if got := read(t, bundle(nil, report)).Results[0].Confidentiality; got != tt.want {
			t.Errorf("%v of %v is read as %q", tt.result, tt.report, got)
		}
	}
}
