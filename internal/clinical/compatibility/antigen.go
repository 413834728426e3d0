package compatibility

import (
	"fmt"
	"slices"
	"strings"

	"candidacy/internal/clinical"
)

// Locus is an HLA locus, or the group DRB3/4/5 of which a chromosome carries one
// or none.
type Locus string

// The loci. Antigens of DRB1 are those of DR, antigens of DQB1 those of DQ.
const (
	LocusA      Locus = "A"
	LocusB      Locus = "B"
	LocusC      Locus = "C"
	LocusDR     Locus = "DR"
	LocusDRB345 Locus = "DRB3/4/5"
	LocusDQA1   Locus = "DQA1"
	LocusDQ     Locus = "DQ"
	LocusDPA1   Locus = "DPA1"
	LocusDPB1   Locus = "DPB1"
)

// Loci lists the loci in the order in which they are reported.
func Loci() []Locus {
	return []Locus{LocusA, LocusB, LocusC, LocusDR, LocusDRB345, LocusDQA1, LocusDQ, LocusDPA1, LocusDPB1}
}

// allelic lists the loci whose products have no serological names here; they are
// named by one or two fields of the allele.
func allelic() []Locus { return []Locus{LocusDQA1, LocusDPA1, LocusDPB1} }

// serological lists the antigens of a locus as the WHO writes them: 24(9) is the
// split 24 of the broad antigen 9; a # marks an associated antigen, a variant of
// the one in brackets that is no split of it.
//
// FROM MEMORY of the WHO nomenclature report (Marsh, Tissue Antigens 2010;75:291):
// confirm against the current release before use. B4005 is left out because its
// parent is not certain, and the public epitopes Bw4 and Bw6 because they cut
// across the antigens. C12 and C14 to C18 are no WHO antigens: laboratories write
// the allele group so, and without them many typings would be incomplete.
func serological(locus Locus) string {
	switch locus {
	case LocusA:
		return "1 2 203(2)# 210(2)# 3 9 10 11 19 23(9) 24(9) 2403(24)# 25(10) 26(10) 28 29(19) 30(19) 31(19) 32(19) 33(19) 34(10) 36 43 66(10) 68(28) 69(28) 74(19) 80"
	case LocusB:
		return "5 7 703(7)# 8 12 13 14 15 16 17 18 21 22 27 2708(27)# 35 37 38(16) 39(16) 3901(39)# 3902(39)# 40 41 42 44(12) 45(12) 46 47 48 49(21) 50(21) 51(5) 5102(51)# 5103(51)# 52(5) 53 54(22) 55(22) 56(22) 57(17) 58(17) 59 60(40) 61(40) 62(15) 63(15) 64(14) 65(14) 67 70 71(70) 72(70) 73 75(15) 76(15) 77(15) 78 81 82"
	case LocusC:
		return "1 2 3 4 5 6 7 8 9(3) 10(3) 12 14 15 16 17 18"
	case LocusDR:
		return "1 103(1)# 2 3 4 5 6 7 8 9 10 11(5) 12(5) 13(6) 14(6) 1403(14)# 1404(14)# 15(2) 16(2) 17(3) 18(3)"
	case LocusDRB345:
		return "51 52 53"
	case LocusDQ:
		return "1 2 3 4 5(1) 6(1) 7(3) 8(3) 9(3)"
	}
	return ""
}

// specificity is one entry of serological.
type specificity struct {
	number, parent string
	associated     bool
}

func specificities(locus Locus) []specificity {
	var list []specificity
	for _, entry := range strings.Fields(serological(locus)) {
		entry, associated := strings.CutSuffix(entry, "#")
		number, parent, _ := strings.Cut(strings.TrimSuffix(entry, ")"), "(")
		list = append(list, specificity{number, parent, associated})
	}
	return list
}

// antigen is a name that was recognised. Broader lists the names that cover it.
// Broad tells that the name has splits, or is one field of an allele, Variants
// that it has associated antigens.
type antigen struct {
	locus    Locus
	name     string
	broader  []string
	broad    bool
	variants bool
}

// finer says in words what the name may stand for, empty if only for itself.
func (a antigen) finer() string {
	switch {
	case a.broad && slices.Contains(allelic(), a.locus):
		return "alleles"
	case a.broad:
		return "splits"
	case a.variants:
		return "associated antigens"
	}
	return ""
}

// covers reports whether the name stands for a group to which the other belongs.
func (a antigen) covers(other antigen) bool { return slices.Contains(other.broader, a.name) }

// prefixes lists how an antigen of a locus may begin, the prefix of its name in
// results last. The w of Cw is dropped in results, since C12 to C18 have none;
// that of Bw60 and others is the mark that antigens of B bore until they were
// accepted.
func prefixes(locus Locus) []string {
	switch locus {
	case LocusB:
		return []string{"BW", "B"}
	case LocusC:
		return []string{"CW", "C"}
	case LocusDRB345:
		return []string{"DR"}
	}
	return []string{string(locus)}
}

// newAntigen returns the serological antigen of a number known at the locus.
func newAntigen(locus Locus, number string) antigen {
	names, known := prefixes(locus), specificities(locus)
	prefix := names[len(names)-1]
	a := antigen{locus: locus, name: prefix + number}
	a.broad = slices.ContainsFunc(known, func(s specificity) bool { return s.parent == number && !s.associated })
	a.variants = slices.ContainsFunc(known, func(s specificity) bool { return s.parent == number && s.associated })
	for number != "" {
		i := slices.IndexFunc(known, func(s specificity) bool { return s.number == number })
		number = known[i].parent
		if number != "" {
			a.broader = append(a.broader, prefix+number)
		}
	}
	return a
}

// parseAntigen recognises an antigen in any case, with or without HLA- before
// and the broad antigen in brackets behind. Alleles other than those of allelic
// are refused: the antigen of an allele does not follow from its name (B*15 has
// alleles of several antigens), and a leading zero belongs to an allele.
func parseAntigen(field, text string) (antigen, error) {
	name := strings.TrimPrefix(strings.ToUpper(strings.TrimSpace(text)), "HLA-")
	switch {
	case name == "":
		return antigen{}, missing(field, "an antigen is required", acceptedAntigens()...)
	case name == "BW4" || name == "BW6":
		return antigen{}, unknownChoice(field, "public epitopes are not compared; give the antigens that carry it", acceptedAntigens()...)
	case strings.Contains(name, "*"):
		return parseAllele(field, name)
	}
	for _, locus := range Loci() {
		for _, prefix := range prefixes(locus) {
			number, ok := strings.CutPrefix(name, prefix)
			if !ok {
				continue
			}
			number = strings.ReplaceAll(number, "(W", "(")
			for _, s := range specificities(locus) {
				if number == s.number || s.parent != "" && number == s.number+"("+s.parent+")" {
					return newAntigen(locus, s.number), nil
				}
			}
		}
	}
	return antigen{}, unknownChoice(field, "this is no antigen of the WHO list", acceptedAntigens()...)
}

func parseAllele(field, name string) (antigen, error) {
	prefix, fields, _ := strings.Cut(name, "*")
	if !slices.Contains(allelic(), Locus(prefix)) {
		return antigen{}, unknownChoice(field, "alleles are not compared; give the antigen that the laboratory reports for it", acceptedAntigens()...)
	}
	first, second, two := strings.Cut(fields, ":")
	if !alleleField(first) || two && !alleleField(second) {
		return antigen{}, unknownChoice(field, "an allele is named by one or two fields of two to four digits, of which only a field of two begins with zero; put a colon between the fields", acceptedAntigens()...)
	}
	// Before 2010 names had no colon: DPB1*1301 meant DPB1*13:01, and would match
	// nothing as a first field.
	if !two && matches(first, "dddd") {
		return antigen{}, unknownChoice(field, "four digits alone may be an allele in its old spelling; put a colon between the fields", acceptedAntigens()...)
	}
	a := antigen{locus: Locus(prefix), name: name, broad: !two}
	if two {
		a.broader = []string{prefix + "*" + first}
	}
	return a, nil
}

// alleleField reports whether the text is a field of an allele. Fields have two
// digits or, without a zero in front, as many as their number needs.
func alleleField(text string) bool {
	if strings.HasPrefix(text, "0") {
		return matches(text, "dd")
	}
	return slices.ContainsFunc([]string{"dd", "ddd", "dddd"}, func(shape string) bool { return matches(text, shape) })
}

func acceptedAntigens() []string {
	return []string{"antigens such as A2, B44, C7 or Cw7, DR4, DR52, DQ8, without a zero in front", "for DQA1, DPA1 and DPB1 names such as DQA1*05 or DPB1*04:01 (not DPB1*0401 or DPB1*004:01)"}
}

// parseAntigens recognises antigens and puts them in a fixed order, so that the
// order in which they were given changes nothing.
func parseAntigens(field string, list []string) ([]antigen, error) {
	var found []antigen
	for i, text := range list {
		a, err := parseAntigen(fmt.Sprintf("%s antigen %d", field, i+1), text)
		if err != nil {
			return nil, err
		}
		found = append(found, a)
	}
	slices.SortFunc(found, func(a, b antigen) int {
		if a.locus != b.locus {
			return slices.Index(Loci(), a.locus) - slices.Index(Loci(), b.locus)
		}
		// Shorter first puts A2 before A11.
		if len(a.name) != len(b.name) {
			return len(a.name) - len(b.name)
		}
		return strings.Compare(a.name, b.name)
	})
	return found, nil
}

// Typing holds the HLA antigens of one person, in any order.
//
// Names are the WHO's serological ones; alleles are accepted only for DQA1, DPA1
// and DPB1, which have no such names, and are compared as written, where one
// field covers every name of two fields that begins with it. One antigen alone at
// a locus means that the second is not known, unless it is given twice or its
// locus is among NoFurther. A locus without antigens is untyped.
type Typing struct {
	Antigens  []string `json:"antigens" jsonschema:"the antigens, such as A2, B44, Cw7, DR4, DR52, DQ8, DQA1*05, DPB1*04:01; a homozygous antigen may be given twice"`
	NoFurther []Locus  `json:"noFurther,omitempty" jsonschema:"the loci in which the laboratory found no further antigen (homozygous; DRB3/4/5 also when it found one or none): A, B, C, DR, DRB3/4/5, DQA1, DQ, DPA1 or DPB1"`
}

// antigensPerLocus: a person has two chromosomes.
const antigensPerLocus = 2

// typing is a Typing that was recognised.
type typing struct {
	antigens  []antigen
	noFurther []Locus
}

func (t Typing) parse(person string) (typing, error) {
	if len(t.Antigens) == 0 {
		return typing{}, missing(person+" antigens", "at least one antigen is required", acceptedAntigens()...)
	}
	antigens, err := parseAntigens(person, t.Antigens)
	if err != nil {
		return typing{}, err
	}
	parsed := typing{antigens, t.NoFurther}
	for _, locus := range Loci() {
		if len(parsed.at(locus)) > antigensPerLocus {
			return typing{}, &clinical.Error{
				Code: clinical.OutOfRange, Field: person + " antigens of " + string(locus),
				Message: "a person has at most two antigens at a locus", Accepted: []string{"one or two antigens"},
			}
		}
	}
	for i, locus := range t.NoFurther {
		field := fmt.Sprintf("%s locus %d without further antigen", person, i+1)
		if !slices.Contains(Loci(), locus) {
			return typing{}, unknownChoice(field, "the locus is not known", clinical.Words(Loci())...)
		}
		if len(parsed.at(locus)) == 0 && locus != LocusDRB345 {
			return typing{}, missing(field, "an antigen of this locus is required; only DRB3/4/5 may have none", acceptedAntigens()...)
		}
	}
	return parsed, nil
}

// at returns the antigens given for a locus.
func (t typing) at(locus Locus) []antigen {
	var list []antigen
	for _, a := range t.antigens {
		if a.locus == locus {
			list = append(list, a)
		}
	}
	return list
}

// unknown returns how many antigens of a locus may exist beside those given.
func (t typing) unknown(locus Locus) int {
	if slices.Contains(t.noFurther, locus) {
		return 0
	}
	return antigensPerLocus - len(t.at(locus))
}

// homozygous reports whether both chromosomes carry the one name of a locus.
func (t typing) homozygous(locus Locus) bool {
	return t.unknown(locus) == 0 && len(distinct(t.at(locus))) == 1
}

// describe records a typing, locus by locus.
func (t typing) describe(c *clinical.Conclusion, person string) {
	for _, locus := range Loci() {
		c.AddChoice(person+" "+string(locus), strings.Join(names(t.at(locus)), ", "))
		if slices.Contains(t.noFurther, locus) {
			c.AddChoice(person+" "+string(locus)+" further antigen", "none found")
		}
	}
}

func names(list []antigen) []string {
	var out []string
	for _, a := range list {
		out = append(out, a.name)
	}
	return out
}

// distinct drops repeated antigens of a sorted list.
func distinct(list []antigen) []antigen {
	return slices.CompactFunc(slices.Clone(list), func(a, b antigen) bool { return a.name == b.name })
}

// NomenclatureToConfirm is the warning, always present, that the table of broad
// and split antigens was not compared with the current release.
const NomenclatureToConfirm clinical.WarningCode = "nomenclature-to-confirm"

func warnNomenclature(c *clinical.Conclusion) {
	c.Warn(NomenclatureToConfirm, "the table of broad and split antigens is from memory of the WHO report of 2010; confirm it against the current release before use")
}
