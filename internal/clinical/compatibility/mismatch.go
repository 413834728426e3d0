package compatibility

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"candidacy/internal/clinical"
)

// MismatchInput holds the HLA antigens of a donor candidate and an intended
// recipient.
type MismatchInput struct {
	Donor     Typing `json:"donor" jsonschema:"the HLA antigens of the donor candidate"`
	Recipient Typing `json:"recipient" jsonschema:"the HLA antigens of the recipient"`
}

// LocusMismatch counts the donor antigens of one locus that the recipient lacks.
type LocusMismatch struct {
	Locus Locus `json:"locus"`
	// Low and High are equal when the count is certain.
	Low  int `json:"low"`
	High int `json:"high"`
	// Absent are the donor antigens that no antigen given for the recipient can
	// be, Undecided those that are broad, or of which the recipient has the broad.
	Absent    []string `json:"absent,omitempty"`
	Undecided []string `json:"undecided,omitempty"`
}

// MismatchResult is the count of HLA mismatches. Its Answer is the count over A,
// B and DR, such as "3", or a range such as "3 to 4".
type MismatchResult struct {
	clinical.Conclusion
	Low  int `json:"low"`
	High int `json:"high"`
	// Loci are A, B and DR.
	Loci []LocusMismatch `json:"loci"`
	// Extra are those of C, DQ and DPB1 that are typed in both; they are not part
	// of the count.
	Extra []LocusMismatch `json:"extra,omitempty"`
}

// ComparedAsBroad is the warning that donor and recipient were both given the
// same broad antigen. It counts as shared, though its splits may differ.
const ComparedAsBroad clinical.WarningCode = "compared-as-broad"

// Mismatch counts at each of the loci A, B and DR the distinct donor antigens
// that the recipient lacks: at most two a locus and six in all. C, DQ and DPB1
// are counted apart when both are typed at them; DRB3/4/5, DQA1 and DPA1 are not
// counted.
//
// Antigens are compared as splits. What cannot be decided makes the count a
// range: a broad antigen against one of its splits (A9 may be A24 or not), an
// antigen against an associated one of it (A2 against A203), a second antigen
// that is not known, an untyped locus. A broad antigen given for both counts as
// shared, with the warning ComparedAsBroad.
//
// It returns a *clinical.Error for a person without antigens, a name that is not
// recognised, an allele where an antigen is expected, more than two antigens at a
// locus, and a NoFurther locus that is unknown or has no antigen.
//
// Source: common practice, no published source; names of the WHO (Marsh, Tissue
// Antigens 2010;75:291), from memory.
func Mismatch(in MismatchInput) (MismatchResult, error) {
	donor, err := in.Donor.parse("donor")
	if err != nil {
		return MismatchResult{}, err
	}
	recipient, err := in.Recipient.parse("recipient")
	if err != nil {
		return MismatchResult{}, err
	}
	r := MismatchResult{Conclusion: clinical.Conclusion{
		Question: "how many HLA antigens of the donor does the recipient lack",
		Rule:     "hla-mismatch-antigen-level",
		Source:   commonPractice + "; names: " + whoNames,
	}}
	donor.describe(&r.Conclusion, "donor")
	recipient.describe(&r.Conclusion, "recipient")
	warnPhysical(&r.Conclusion)
	warnNomenclature(&r.Conclusion)
	for _, locus := range []Locus{LocusA, LocusB, LocusDR} {
		m := r.compare(locus, clinical.Decides, donor, recipient)
		r.Loci = append(r.Loci, m)
		r.Low += m.Low
		r.High += m.High
	}
	for _, locus := range []Locus{LocusC, LocusDQ, LocusDPB1} {
		if len(donor.at(locus)) > 0 && len(recipient.at(locus)) > 0 {
			r.Extra = append(r.Extra, r.compare(locus, clinical.Neutral, donor, recipient))
		}
	}
	r.Answer = span(r.Low, r.High)
	return r, nil
}

func span(low, high int) string {
	if low == high {
		return strconv.Itoa(low)
	}
	return fmt.Sprintf("%d to %d", low, high)
}

// compare counts one locus and records what was weighed.
func (r *MismatchResult) compare(locus Locus, weight clinical.Weight, donor, recipient typing) LocusMismatch {
	ours, theirs := distinct(donor.at(locus)), distinct(recipient.at(locus))
	m := LocusMismatch{Locus: locus}
	m.Low, m.High = countAbsent(ours, theirs)
	// An antigen of the recipient that is not known may be one that the donor
	// has; one of the donor that is not known may be foreign.
	m.Low = max(0, m.Low-recipient.unknown(locus))
	m.High = min(antigensPerLocus, m.High+donor.unknown(locus))
	for _, a := range ours {
		same := func(b antigen) bool { return a.name == b.name }
		related := func(b antigen) bool { return a.covers(b) || b.covers(a) }
		switch {
		case slices.ContainsFunc(theirs, same):
			if a.broad {
				r.Warn(ComparedAsBroad, "%s is broad and was given for both: it counts as shared, though its splits may differ", a.name)
			}
		case slices.ContainsFunc(theirs, related):
			m.Undecided = append(m.Undecided, a.name)
		default:
			m.Absent = append(m.Absent, a.name)
		}
	}
	text := fmt.Sprintf("%s: donor antigens absent in the recipient: %s", locus, span(m.Low, m.High))
	if len(m.Absent) > 0 {
		text += " (" + strings.Join(m.Absent, ", ") + ")"
	}
	if weight == clinical.Neutral {
		text += "; not part of the count over A, B and DR"
	}
	r.AddReason(weight, commonPractice, text)
	for _, name := range m.Undecided {
		r.AddReason(clinical.NotKnown, whoNames, fmt.Sprintf("%s: whether donor %s is an antigen of the recipient, because one is named more broadly than the other", locus, name))
	}
	r.addUnknown("donor", locus, donor)
	r.addUnknown("recipient", locus, recipient)
	return m
}

func (r *MismatchResult) addUnknown(person string, locus Locus, t typing) {
	switch {
	case t.unknown(locus) == 0:
	case len(t.at(locus)) == 0:
		r.AddReason(clinical.NotKnown, commonPractice, fmt.Sprintf("%s: the %s is not typed", locus, person))
	default:
		r.AddReason(clinical.NotKnown, commonPractice, fmt.Sprintf("%s: the second antigen of the %s; state it, or that there is no further one", locus, person))
	}
}

// countAbsent returns the lowest and the highest number of distinct donor
// antigens absent in the recipient, over everything that the names may stand
// for.
func countAbsent(donor, recipient []antigen) (low, high int) {
	known := slices.Clone(donor)
	for _, a := range recipient {
		if !slices.ContainsFunc(known, func(b antigen) bool { return a.name == b.name }) {
			known = append(known, a)
		}
	}
	low = len(donor)
	for _, meaning := range meanings(known) {
		resolve := func(list []antigen) []string {
			var out []string
			for _, a := range list {
				i := slices.IndexFunc(known, func(b antigen) bool { return a.name == b.name })
				out = append(out, meaning[i])
			}
			slices.Sort(out)
			return slices.Compact(out)
		}
		theirs := resolve(recipient)
		absent := slices.DeleteFunc(resolve(donor), func(name string) bool { return slices.Contains(theirs, name) })
		low, high = min(low, len(absent)), max(high, len(absent))
	}
	return low, high
}

// meanings lists every way in which the names can be meant: a name stands for
// any other that it covers, or for something that none of the others names. A
// name has one meaning, whoever has it.
func meanings(known []antigen) [][]string {
	all := [][]string{nil}
	for _, a := range known {
		var longer [][]string
		for _, begun := range all {
			for _, b := range known {
				if a.name == b.name || a.covers(b) {
					longer = append(longer, append(slices.Clone(begun), b.name))
				}
			}
		}
		all = longer
	}
	return all
}
