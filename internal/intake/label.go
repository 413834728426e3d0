package intake

import (
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/result"
)

// confidentialitySystem has the security labels that say how closely something is to
// be kept.
const confidentialitySystem = "http://terminology.hl7.org/CodeSystem/v3-Confidentiality"

// labelOf is the closest of the labels that a resource bears, as far as it asks for
// more than usual.
func labelOf(m *r4.Meta) result.Confidentiality {
	var label result.Confidentiality
	if m == nil {
		return label
	}
	for _, c := range m.Security {
		if text(c.System) == confidentialitySystem {
			label = closer(label, result.Confidentiality(text(c.Code)))
		}
	}
	return label
}

// closer is the one of two labels that asks for more.
func closer(a, b result.Confidentiality) result.Confidentiality {
	for _, label := range []result.Confidentiality{result.VeryRestricted, result.Restricted} {
		if a == label || b == label {
			return label
		}
	}
	return ""
}
