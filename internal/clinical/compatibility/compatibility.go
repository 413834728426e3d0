// Package compatibility compares a donor with a recipient: the ABO groups, the
// HLA antigens that the recipient lacks, and the donor's HLA antigens against
// the recipient's unacceptable ones (the virtual crossmatch).
//
// Every answer is a clinical.Conclusion with all that was weighed. Nothing here
// refuses a candidate: an incompatible pair has other ways, and people decide. A
// virtual crossmatch never replaces the physical one.
package compatibility

import (
	"slices"
	"strings"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Sources that several reasons name.
const (
	commonPractice = "common practice, no published source"
	optn145        = "OPTN policy 14.5 (from memory)"
	// The guidance names the factor; what follows from it here is common practice.
	transfusionGuidance = "OPTN guidance: transfusion lessens the reliability of a group (from memory); " + commonPractice
	whoNames            = "WHO nomenclature report (Marsh, Tissue Antigens 2010;75:291), broad and split antigens from memory"
)

// matches reports whether the text has the shape: d stands for a digit, every
// other character for itself.
func matches(text, shape string) bool {
	if len(text) != len(shape) {
		return false
	}
	for i, want := range []byte(shape) {
		digit := strings.IndexByte("0123456789", text[i]) >= 0
		if want == 'd' && !digit || want != 'd' && want != text[i] {
			return false
		}
	}
	return true
}

// PhysicalCrossmatchNeeded is the warning, present in every conclusion of this
// package, that none of them replaces the physical crossmatch.
const PhysicalCrossmatchNeeded clinical.WarningCode = "physical-crossmatch-needed"

func warnPhysical(c *clinical.Conclusion) {
	c.Warn(PhysicalCrossmatchNeeded, "this never replaces the physical crossmatch with a recent serum")
}

// durationOrZero returns a duration in a unit. Unlike Measurement.In it accepts
// zero.
func durationOrZero(field string, m clinical.Measurement, unit string) (float64, error) {
	if m.Value == 0 && slices.Contains(units.Accepted(units.Duration), m.Unit) {
		return m.Value, nil
	}
	return m.In(field, units.Duration, unit)
}

func missing(field, message string, accepted ...string) error {
	return &clinical.Error{Code: clinical.Missing, Field: field, Message: message, Accepted: accepted}
}

func unknownChoice(field, message string, accepted ...string) error {
	return &clinical.Error{Code: clinical.UnknownChoice, Field: field, Message: message, Accepted: accepted}
}
