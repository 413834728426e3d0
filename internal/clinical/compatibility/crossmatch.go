package compatibility

import (
	"fmt"
	"slices"
	"strings"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// CrossmatchInput holds the HLA antigens of a donor candidate and the
// unacceptable antigens of an intended recipient.
type CrossmatchInput struct {
	Donor Typing `json:"donor" jsonschema:"the HLA antigens of the donor candidate"`
	// Unacceptable are the antigens to which the recipient has antibodies that
	// the laboratory calls unacceptable.
	Unacceptable []string `json:"unacceptable,omitempty" jsonschema:"the unacceptable antigens of the recipient, named as in a typing"`
	// NoUnacceptable tells an empty list from one that was not recorded.
	NoUnacceptable clinical.Answer      `json:"noUnacceptable,omitempty" jsonschema:"yes when the laboratory reported that the recipient has no unacceptable antigen"`
	SerumAge       clinical.Measurement `json:"serumAge,omitzero" jsonschema:"age of the recipient serum that was tested, in d, h or min; zero is accepted"`
}

// CrossmatchRules are the choices of a programme.
type CrossmatchRules struct {
	LongestSerumAge clinical.Measurement `json:"longestSerumAge" jsonschema:"longest age of the serum, itself included, in d, h or min"`
}

// DefaultCrossmatchRules returns a longest age of the serum of 90 d: common
// practice, no published source.
func DefaultCrossmatchRules() CrossmatchRules {
	return CrossmatchRules{LongestSerumAge: clinical.NewMeasurement(90, units.Day)}
}

// The answers of VirtualCrossmatch.
const (
	// Positive: the donor has an unacceptable antigen.
	Positive = "positive"
	// Negative: the donor has none, and everything needed to say so is known.
	Negative = "negative"
	// Indeterminate: neither can be said.
	Indeterminate = "indeterminate"
)

// Finding tells what is known about one unacceptable antigen.
type Finding string

// The values of Finding.
const (
	// Present: the donor has the antigen, or a split of it.
	Present Finding = "present"
	// MayBePresent: the donor has the broad antigen of which it is a split.
	MayBePresent Finding = "may-be-present"
	// LocusUntyped: the donor is not typed at the locus.
	LocusUntyped Finding = "locus-untyped"
	// SecondUnknown: the second antigen of the donor at the locus is not known.
	SecondUnknown Finding = "second-antigen-unknown"
	// NotPresent: the donor is typed at the locus and does not have it.
	NotPresent Finding = "not-present"
)

// UnacceptableFinding is one unacceptable antigen with the donor antigens that
// are, or may be, that antigen.
type UnacceptableFinding struct {
	Antigen string   `json:"antigen"`
	Finding Finding  `json:"finding"`
	Donor   []string `json:"donor,omitempty"`
}

// CrossmatchResult is a virtual crossmatch. Hits are the unacceptable antigens
// that the donor has, Findings all of them.
type CrossmatchResult struct {
	clinical.Conclusion
	Hits     []string              `json:"hits,omitempty"`
	Findings []UnacceptableFinding `json:"findings,omitempty"`
}

// AllelesAsWritten is the warning that unacceptable antigens of DPB1 were
// compared as written.
const AllelesAsWritten clinical.WarningCode = "alleles-as-written"

// VirtualCrossmatch compares the antigens of a donor at all loci with the
// unacceptable antigens of a recipient.
//
// An unacceptable broad antigen is present when the donor has any split of it. An
// unacceptable split of which the donor has only the broad may be present. An
// associated antigen counts here as a split of its antigen. The answer is
// Positive with any antigen present, whatever else is missing. It is Negative
// when none is present or may be, the donor is fully typed, and the serum is not
// older than the programme's limit; otherwise Indeterminate. Fully typed means
// here: at every locus at which an unacceptable antigen lies, with both antigens
// or the statement that there is no further one. A locus without unacceptable
// antigens cannot change the answer.
//
// Names of DPB1 are compared as written. One may stand for a P group, the alleles
// that antibodies do not tell apart; AllelesAsWritten warns about it.
//
// Antibodies to a pair of chains (DQA1 with DQB1, DPA1 with DPB1) or to single
// alleles of an antigen cannot be expressed; a laboratory names the antigens.
//
// It returns a *clinical.Error for a donor typing that Mismatch would refuse, an
// unacceptable antigen that is not recognised, a list beside the statement that
// there is none, and an age or limit that is negative, not finite or of an
// unknown unit. A missing age or list is no error: the answer is not Negative.
//
// Source: common practice, no published source; names of the WHO (Marsh, Tissue
// Antigens 2010;75:291), from memory.
func VirtualCrossmatch(in CrossmatchInput, rules CrossmatchRules) (CrossmatchResult, error) {
	donor, err := in.Donor.parse("donor")
	if err != nil {
		return CrossmatchResult{}, err
	}
	unacceptable, err := in.unacceptable()
	if err != nil {
		return CrossmatchResult{}, err
	}
	serum, err := newSerum(in.SerumAge, rules)
	if err != nil {
		return CrossmatchResult{}, err
	}
	r := CrossmatchResult{Conclusion: clinical.Conclusion{
		Question: "does the donor have an antigen that is unacceptable to the recipient",
		Answer:   Negative,
		Rule:     "virtual-crossmatch-antigen-level",
		Source:   commonPractice + "; names: " + whoNames,
	}}
	donor.describe(&r.Conclusion, "donor")
	for _, a := range unacceptable {
		r.AddChoice("unacceptable antigen", a.name)
	}
	r.AddChoice("recipient has no unacceptable antigen", string(in.NoUnacceptable))
	if serum.known {
		r.AddInput("serum age", in.SerumAge)
	}
	warnPhysical(&r.Conclusion)
	warnNomenclature(&r.Conclusion)
	if slices.ContainsFunc(unacceptable, func(a antigen) bool { return a.locus == LocusDPB1 }) {
		r.Warn(AllelesAsWritten, "names of DPB1 are compared as written, and each may stand for one P group of alleles that antibodies do not tell apart; the laboratory decides which donor alleles an unacceptable name includes")
	}

	listed := len(unacceptable) > 0 || in.NoUnacceptable == clinical.Yes
	if !listed || !serum.known || serum.old() {
		r.Answer = Indeterminate
	}
	for _, a := range unacceptable {
		f := find(a, donor)
		r.Findings = append(r.Findings, f)
		if f.Finding == Present {
			r.Hits = append(r.Hits, f.Antigen)
		} else if f.Finding != NotPresent {
			r.Answer = Indeterminate
		}
	}
	if len(r.Hits) > 0 {
		r.Answer = Positive
	}
	r.explain(in.NoUnacceptable)
	serum.explain(&r)
	return r, nil
}

func (in CrossmatchInput) unacceptable() ([]antigen, error) {
	if err := clinical.CheckAnswer("recipient has no unacceptable antigen", in.NoUnacceptable); err != nil {
		return nil, err
	}
	list, err := parseAntigens("unacceptable", in.Unacceptable)
	if err != nil {
		return nil, err
	}
	if len(list) > 0 && in.NoUnacceptable == clinical.Yes {
		return nil, unknownChoice("recipient has no unacceptable antigen", "unacceptable antigens are listed, so the answer cannot be yes", string(clinical.No), "empty when not recorded")
	}
	return distinct(list), nil
}

// find looks for one unacceptable antigen in the donor.
func find(unacceptable antigen, donor typing) UnacceptableFinding {
	var present, possible []antigen
	typed := distinct(donor.at(unacceptable.locus))
	for _, d := range typed {
		switch {
		case d.name == unacceptable.name || unacceptable.covers(d):
			present = append(present, d)
		case d.covers(unacceptable):
			possible = append(possible, d)
		}
	}
	f := UnacceptableFinding{Antigen: unacceptable.name, Finding: NotPresent}
	switch {
	case len(present) > 0:
		f.Finding, f.Donor = Present, names(present)
	case len(possible) > 0:
		f.Finding, f.Donor = MayBePresent, names(possible)
	case donor.unknown(unacceptable.locus) == 0:
	case len(typed) == 0:
		f.Finding = LocusUntyped
	default:
		f.Finding = SecondUnknown
	}
	return f
}

// weight returns Decides when the reason points to the answer given, and another
// weight when something outweighed it.
func (r *CrossmatchResult) weight(pointsTo string, otherwise clinical.Weight) clinical.Weight {
	if r.Answer == pointsTo {
		return clinical.Decides
	}
	return otherwise
}

// explain records what was found, with what it did to the answer.
func (r *CrossmatchResult) explain(noUnacceptable clinical.Answer) {
	for _, f := range r.Findings {
		text, have := "unacceptable "+f.Antigen+": ", strings.Join(f.Donor, " and ")
		switch f.Finding {
		case Present:
			r.AddReason(clinical.Decides, whoNames, text+"the donor has "+have)
		case MayBePresent:
			r.AddReason(r.weight(Indeterminate, clinical.Supports), whoNames, text+"the donor has "+have+", which may be "+f.Antigen)
		case LocusUntyped:
			r.AddReason(clinical.NotKnown, commonPractice, text+"the donor is not typed at this locus")
		case SecondUnknown:
			r.AddReason(clinical.NotKnown, commonPractice, text+"the second antigen of the donor at this locus; state it, or that there is no further one")
		case NotPresent:
			r.AddReason(r.weight(Negative, clinical.Opposes), commonPractice, text+"the donor does not have it")
		}
	}
	switch {
	case len(r.Findings) > 0:
	case noUnacceptable == clinical.Yes:
		r.AddReason(r.weight(Negative, clinical.Opposes), commonPractice, "the laboratory reported that the recipient has no unacceptable antigen")
	default:
		r.AddReason(clinical.NotKnown, commonPractice, "the unacceptable antigens of the recipient; list them, or state that there is none")
	}
}

// serum is the age of the recipient serum in days beside the programme's limit.
type serum struct {
	days, limit float64
	known       bool
}

func newSerum(age clinical.Measurement, rules CrossmatchRules) (serum, error) {
	limit, err := rules.LongestSerumAge.In("longest serum age", units.Duration, units.Day)
	if err != nil || !age.Given() {
		return serum{}, err
	}
	// A serum of today has the age zero.
	days, err := durationOrZero("serum age", age, units.Day)
	return serum{days: days, limit: limit, known: true}, err
}

func (s serum) old() bool { return s.days > s.limit }

func (s serum) explain(r *CrossmatchResult) {
	switch {
	case !s.known:
		r.AddReason(clinical.NotKnown, commonPractice, "the age of the recipient serum was not recorded")
		return
	case s.old():
		r.AddReason(r.weight(Indeterminate, clinical.Neutral), commonPractice, fmt.Sprintf("the recipient serum is older than the programme's limit of %g d; antibodies may have formed since", s.limit))
	default:
		r.AddReason(r.weight(Negative, clinical.Neutral), commonPractice, fmt.Sprintf("the recipient serum is not older than the programme's limit of %g d", s.limit))
	}
	if clinical.NearThreshold(s.days, clinical.MoreThan, s.limit, 0) {
		r.Warn(clinical.NearThresholdWarning, "the age of the serum is shown as %s d, which lies on the other side of the limit of %g d than the age itself", clinical.Display(s.days, 0), s.limit)
	}
}
