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
	// be. Undecided are those that are broader or narrower than one of the
	// recipient, and a broad one that both have and the donor on both chromosomes.
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

// ComparedAsBroad is the warning that one name with splits, alleles or associated
// antigens below it was counted as one antigen, though each time it may stand for
// another of them: it was given for donor and recipient, or, with associated
// antigens, for both chromosomes of the donor.
const ComparedAsBroad clinical.WarningCode = "compared-as-broad"

// Mismatch counts at each of the loci A, B and DR the distinct donor antigens
// that the recipient lacks: at most two a locus and six in all. C, DQ and DPB1
// are counted apart when both are typed at them; DRB3/4/5, DQA1 and DPA1 are not
// counted.
//
// Antigens are compared as splits. What cannot be decided makes the count a
// range: a broad antigen against one of its splits (A9 may be A24 or not), an
// antigen against an associated one of it (A2 against A203), a second antigen
// that is not known, an untyped locus. A broad antigen on both chromosomes (given
// twice, or with its locus in NoFurther) stands for one split or two different
// ones, so A9 alone against A1 and A2 counts 1 to 2. One field of an allele is
// broad too. The splits of a broad antigen need not be those of the table.
//
// A name given for both persons counts as shared, and an antigen with associated
// ones on both chromosomes of the donor counts once, as published counts have it
// (DR3 against DR3, A2 homozygous); the warning ComparedAsBroad names them. Of a
// broad antigen on two chromosomes one is shared so, and the other may differ.
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
	twice := donor.homozygous(locus)
	m := LocusMismatch{Locus: locus}
	m.Low, m.High = countAbsent(
		// Published counts have an antigen that has associated ones once in a
		// homozygous donor, so there only a broad name may differ.
		donor.carried(locus, func(a antigen) bool { return a.broad }, "second of the donor"),
		recipient.carried(locus, func(a antigen) bool { return a.finer() != "" }, "second of the recipient"),
	)
	// An antigen of the recipient that is not known may be one that the donor
	// has; one of the donor that is not known may be foreign.
	m.Low = max(0, m.Low-recipient.unknown(locus))
	m.High = min(antigensPerLocus, m.High+donor.unknown(locus))
	var undecided []string
	for _, a := range ours {
		same := func(b antigen) bool { return a.name == b.name }
		related := func(b antigen) bool { return a.covers(b) || b.covers(a) }
		shared := slices.ContainsFunc(theirs, same)
		switch {
		case shared && a.finer() != "":
			r.Warn(ComparedAsBroad, "%s was given for both: it counts as shared, though its %s may differ", a.name, a.finer())
		case twice && a.variants && !a.broad:
			r.Warn(ComparedAsBroad, "%s is on both chromosomes of the donor: it counts once, though its %s may differ", a.name, a.finer())
		}
		switch {
		case shared && !(twice && a.broad):
		case shared:
			m.Undecided = append(m.Undecided, a.name)
		case slices.ContainsFunc(theirs, related):
			m.Undecided = append(m.Undecided, a.name)
			undecided = append(undecided, fmt.Sprintf("%s: whether donor %s is an antigen of the recipient, because one is named more broadly than the other", locus, a.name))
		default:
			m.Absent = append(m.Absent, a.name)
		}
		if twice && a.broad {
			undecided = append(undecided, fmt.Sprintf("%s: whether the two %s of the donor are the same or two different %s of it", locus, a.name, a.finer()))
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
	for _, text := range undecided {
		r.AddReason(clinical.NotKnown, whoNames, text)
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

// carried is what one chromosome carries: a name that may stand for something
// narrower. Own is what it stands for when that is nothing that another names;
// chromosomes with the same own carry the same.
type carried struct {
	antigen
	own string
}

// carried lists what the chromosomes of a person carry at a locus. A second
// chromosome with the name of the first is listed only where it may differ, and
// gets its own.
func (t typing) carried(locus Locus, second func(antigen) bool, own string) []carried {
	var list []carried
	for _, a := range distinct(t.at(locus)) {
		list = append(list, carried{a, a.name})
		if t.homozygous(locus) && second(a) {
			list = append(list, carried{a, own})
		}
	}
	return list
}

// countAbsent returns the lowest and the highest number of distinct donor
// antigens absent in the recipient, over everything that the names may stand
// for.
func countAbsent(donor, recipient []carried) (low, high int) {
	known := slices.Clone(donor)
	for _, c := range recipient {
		if c.among(known) < 0 {
			known = append(known, c)
		}
	}
	low = len(donor)
	for _, meaning := range meanings(known) {
		resolve := func(list []carried) []string {
			var out []string
			for _, c := range list {
				out = append(out, meaning[c.among(known)])
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

// among returns the index of what carries the same, negative if none does.
func (c carried) among(list []carried) int {
	return slices.IndexFunc(list, func(other carried) bool { return c.own == other.own })
}

// meanings lists every way in which the names can be meant: a name stands for
// any other that it covers, or for something that none of the others names; a
// second chromosome may also be the same as the first.
func meanings(known []carried) [][]string {
	all := [][]string{nil}
	for _, c := range known {
		var longer [][]string
		for _, begun := range all {
			for _, other := range known {
				if c.own == other.own || c.covers(other.antigen) || c.name == other.own {
					longer = append(longer, append(slices.Clone(begun), other.own))
				}
			}
		}
		all = longer
	}
	return all
}
