package compatibility

import (
	"encoding/json"
	"maps"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

// complete is a typing with nothing further at the loci of its antigens.
func complete(text string) Typing {
	t := partial(text)
	for _, locus := range Loci() {
		for _, a := range t.Antigens {
			if parsed, err := parseAntigen("", a); err == nil && parsed.locus == locus && !slices.Contains(t.NoFurther, locus) {
				t.NoFurther = append(t.NoFurther, locus)
			}
		}
	}
	return t
}

// partial is a typing without any statement about further antigens.
func partial(text string) Typing { return Typing{Antigens: strings.Fields(text)} }

// TestBroadAntigens holds the broad and associated antigens a second time.
func TestBroadAntigens(t *testing.T) {
	splits := map[string]string{
		"A9": "A23 A24", "A10": "A25 A26 A34 A66", "A19": "A29 A30 A31 A32 A33 A74", "A28": "A68 A69",
		"B5": "B51 B52", "B12": "B44 B45", "B14": "B64 B65", "B15": "B62 B63 B75 B76 B77", "B16": "B38 B39",
		"B17": "B57 B58", "B21": "B49 B50", "B22": "B54 B55 B56", "B40": "B60 B61", "B70": "B71 B72",
		"C3": "C9 C10", "DR2": "DR15 DR16", "DR3": "DR17 DR18", "DR5": "DR11 DR12", "DR6": "DR13 DR14",
		"DQ1": "DQ5 DQ6", "DQ3": "DQ7 DQ8 DQ9",
	}
	associated := map[string]string{
		"A203": "A2", "A210": "A2", "A2403": "A24 A9", "B703": "B7", "B2708": "B27", "B3901": "B39 B16", "B3902": "B39 B16",
		"B5102": "B51 B5", "B5103": "B51 B5", "DR103": "DR1", "DR1403": "DR14 DR6", "DR1404": "DR14 DR6",
	}
	broader := map[string]string{}
	for broad, list := range splits {
		for _, split := range strings.Fields(list) {
			broader[split] = broad
		}
	}
	for name, list := range associated {
		broader[name] = list
	}
	total := 0
	for _, locus := range Loci() {
		seen := map[string]bool{}
		for _, s := range specificities(locus) {
			total++
			a := newAntigen(locus, s.number)
			if seen[a.name] || strings.Join(a.broader, " ") != broader[a.name] || a.broad != (splits[a.name] != "") {
				t.Errorf("%s twice, or below %v instead of %q, or broad %t", a.name, a.broader, broader[a.name], a.broad)
			}
			seen[a.name] = true
		}
	}
	// 28 of A, 59 of B, 16 of C, 21 of DR, 3 of DRB3/4/5, 9 of DQ.
	if total != 28+59+16+21+3+9 {
		t.Errorf("%d antigens", total)
	}
}

func TestParseAntigen(t *testing.T) {
	for text, want := range map[string]string{
		"A2": "A2", " a2 ": "A2", "HLA-B44": "B44", "B44(12)": "B44", "A2403": "A2403", "Cw3": "C3", "C3": "C3", "CW9(w3)": "C9",
		"c10(3)": "C10", "C12": "C12", "DR4": "DR4", "DR17(3)": "DR17", "DR52": "DR52", "DQ7(3)": "DQ7", "DQA1*05": "DQA1*05",
		"dpb1*04:01": "DPB1*04:01", "DPA1*01:03": "DPA1*01:03", "DPB1*104:01": "DPB1*104:01", "DPB1*1000:01": "DPB1*1000:01", "DPB1*104": "DPB1*104",
		"DQA1*05:01": "DQA1*05:01", "Bw60": "B60", "Bw60(40)": "B60", "Bw60(w40)": "B60", "HLA-BW35": "B35",
	} {
		if got, err := parseAntigen("antigen", text); err != nil || got.name != want {
			t.Errorf("%q is %q, %v, want %q", text, got.name, err, want)
		}
	}
	for text, part := range map[string]string{
		"A": "no antigen", "A02": "without a zero", "A4": "no antigen", "A2()": "no antigen", "A2(9)": "no antigen", "A24(10)": "no antigen",
		"B4005": "no antigen", "C11": "no antigen", "DR": "no antigen", "DR04": "without a zero", "DR19": "no antigen", "DP4": "DPB1*04:01",
		"DPw1": "no antigen", "X1": "no antigen", "2": "no antigen", "DQ10": "no antigen",
		"Bw4": "public epitopes", "bw6": "public epitopes", "Bw99": "no antigen", "Aw19": "no antigen", "A*02:01": "give the antigen", "B*15": "give the antigen", "DRB1*04:01": "give the antigen", "DQB1*03": "give the antigen",
		"DPB1*": "two to four digits", "DPB1*4": "two to four digits", "DPB1*04:": "two to four digits", "DPB1*04:1": "two to four digits",
		"DPB1*04:01:01": "two to four digits", "DPB1*04:01N": "two to four digits", "DPB1*10000": "two to four digits",
		"DPB1*0401": "DPB1*04:01 (not DPB1*0401", "DQA1*0501": "colon", "DPA1*0103": "colon", "DPB1*004:01": "begins with zero", "DPB1*04:001": "begins with zero",
		"DPB1*0104:01": "begins with zero", "DPB1*004": "begins with zero", "DPB1*1301": "old spelling", "DPB1*1000": "put a colon",
	} {
		_, err := parseAntigen("antigen", text)
		wantError(t, err, clinical.UnknownChoice, "antigen")
		if err != nil && !strings.Contains(err.Error(), part) {
			t.Errorf("%q: the text %q lacks %q", text, err, part)
		}
	}
	_, err := parseAntigen("antigen", "  ")
	wantError(t, err, clinical.Missing, "antigen")
	_, err = parseAntigen("antigen", "MRN-4711")
	if err == nil || strings.Contains(err.Error(), "4711") {
		t.Errorf("the error %v repeats what was typed, or is missing", err)
	}
}

func TestTypingRefuses(t *testing.T) {
	with := func(text string, noFurther ...Locus) Typing {
		return Typing{Antigens: strings.Fields(text), NoFurther: noFurther}
	}
	tests := []struct {
		name   string
		typing Typing
		code   clinical.Code
		field  string
	}{
		{"nothing", Typing{}, clinical.Missing, "antigens"},
		{"unknown", with("A2 A99"), clinical.UnknownChoice, "antigen 2"},
		{"three", with("A1 A2 A3"), clinical.OutOfRange, "antigens of A"},
		{"three with one twice", with("A1 DQ2 DQ2 DQ7"), clinical.OutOfRange, "antigens of DQ"},
		{"three of DRB3/4/5", with("DR51 DR52 DR53"), clinical.OutOfRange, "antigens of DRB3/4/5"},
		{"unknown locus", with("A1", LocusA, "DRB1"), clinical.UnknownChoice, "locus 2 without further antigen"},
		{"untyped locus", with("A1", LocusB), clinical.Missing, "locus 1 without further antigen"},
	}
	good := complete("A1")
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Mismatch(MismatchInput{Donor: tt.typing, Recipient: good})
			wantError(t, err, tt.code, "donor "+tt.field)
			_, err = Mismatch(MismatchInput{Donor: good, Recipient: tt.typing})
			wantError(t, err, tt.code, "recipient "+tt.field)
			_, err = VirtualCrossmatch(CrossmatchInput{Donor: tt.typing}, DefaultCrossmatchRules())
			wantError(t, err, tt.code, "donor "+tt.field)
		})
	}
	if _, err := with("A1", LocusDRB345).parse("donor"); err != nil {
		t.Errorf("a donor without DRB3/4/5 is refused: %v", err)
	}
}

func mustMismatch(t interface{ Fatal(...any) }, donor, recipient Typing) MismatchResult {
	r, err := Mismatch(MismatchInput{donor, recipient})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// comparedAsBroad lists the antigens that the warnings of that code begin with.
func comparedAsBroad(r MismatchResult) string {
	var list []string
	for _, w := range r.Warnings {
		if w.Code == ComparedAsBroad {
			list = append(list, strings.Fields(w.Message)[0])
		}
	}
	return strings.Join(list, " ")
}

// TestMismatchWorkedExamples runs the table of calculations.md section 12.
func TestMismatchWorkedExamples(t *testing.T) {
	tests := []struct {
		donor, recipient string
		a, b, dr, total  int
		warned           string
	}{
		{"A1 A2 B7 B8 DR3 DR4", "A1 A3 B7 B44 DR4 DR15", 1, 1, 1, 3, "B7"},
		{"A2 A2 B7 B8 DR3 DR4", "A1 A3 B7 B8 DR3 DR4", 1, 0, 0, 1, "A2 B7 DR3"},
		{"A1 A2 B7 B8 DR3 DR4", "A1 A2 B7 B8 DR3 DR4", 0, 0, 0, 0, "A2 B7 DR3"},
		{"A1 A2 B7 B8 DR3 DR4", "A3 A11 B35 B44 DR1 DR7", 2, 2, 2, 6, ""},
	}
	for _, tt := range tests {
		r := mustMismatch(t, partial(tt.donor), partial(tt.recipient))
		wantComplete(t, r.Conclusion)
		want := []int{tt.a, tt.b, tt.dr}
		for i, m := range r.Loci {
			if m.Low != want[i] || m.High != want[i] || len(m.Absent) != want[i] || len(m.Undecided) != 0 {
				t.Errorf("%s to %s: got %+v, want %d", tt.donor, tt.recipient, m, want[i])
			}
		}
		if r.Low != tt.total || r.High != tt.total || r.Answer != span(tt.total, tt.total) || len(r.Extra) != 0 {
			t.Errorf("%s to %s: got %s, want %d", tt.donor, tt.recipient, r.Answer, tt.total)
		}
		if reasons(r.Conclusion, clinical.NotKnown) != "" {
			t.Errorf("something is not known: %v", r.Reasons)
		}
		if got := comparedAsBroad(r); got != tt.warned || !r.HasWarning(NomenclatureToConfirm) {
			t.Errorf("%s to %s: got the warnings for %s in %v, want %s", tt.donor, tt.recipient, got, r.Warnings, tt.warned)
		}
	}
	r := mustMismatch(t, partial("A1 A2 B7 B8 DR3 DR4"), partial("A1 A3 B7 B44 DR4 DR15"))
	want := "A: donor antigens absent in the recipient: 1 (A2)\nB: donor antigens absent in the recipient: 1 (B8)\nDR: donor antigens absent in the recipient: 1 (DR3)"
	if got := reasons(r.Conclusion, clinical.Decides); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestMismatchOfOneLocus(t *testing.T) {
	tests := []struct {
		name             string
		donor, recipient Typing
		low, high        int
		absent           string
		undecided        string
	}{
		{"broad donor against a split", partial("A9 A1"), partial("A24 A1"), 0, 1, "", "A9"},
		{"split donor against the broad", partial("A24 A1"), partial("A9 A1"), 0, 1, "", "A24"},
		{"split against another split", partial("A23 A1"), partial("A24 A1"), 1, 1, "A23", ""},
		{"broad against another broad", partial("A9 A1"), partial("A10 A1"), 1, 1, "A9", ""},
		{"broad against the same broad", partial("A9 A1"), partial("A9 A1"), 0, 0, "", ""},
		{"associated", partial("A2403 A1"), partial("A9 A1"), 0, 1, "", "A2403"},
		{"antigen against an associated one", partial("A2 A1"), partial("A203 A1"), 0, 1, "", "A2"},
		{"two splits against their broad", partial("A23 A24"), partial("A9 A1"), 1, 2, "", "A23 A24"},
		{"broad against both splits", partial("A9 A10"), partial("A23 A24"), 1, 2, "A10", "A9"},
		{"broad twice against both splits", partial("A9 A9"), partial("A23 A24"), 0, 2, "", "A9"},
		{"broad twice", partial("A9 A9"), partial("A1 A2"), 1, 2, "A9", ""},
		{"broad without further", complete("A9"), partial("A1 A2"), 1, 2, "A9", ""},
		{"broad without further against one split", complete("A9"), partial("A24 A1"), 0, 2, "", "A9"},
		{"splits against the broad twice", partial("A23 A24"), partial("A9 A9"), 0, 2, "", "A23 A24"},
		{"splits against the broad without further", partial("A23 A24"), complete("A9"), 0, 2, "", "A23 A24"},
		{"split twice against the broad twice", partial("A24 A24"), partial("A9 A9"), 0, 1, "", "A24"},
		{"broad twice in both", partial("A9 A9"), complete("A9"), 0, 1, "", "A9"},
		{"broad twice against it once", complete("A9"), partial("A9 A1"), 0, 1, "", "A9"},
		{"broad against it twice", partial("A9 A1"), complete("A9"), 1, 1, "A1", ""},
		{"associated against their antigen twice", partial("A203 A210"), complete("A2"), 0, 2, "", "A203 A210"},
		{"broad and its split, both foreign", partial("A9 A24"), partial("A1 A2"), 1, 2, "A9 A24", ""},
		{"broad and its split against the split", partial("A9 A24"), partial("A24 A1"), 0, 1, "", "A9"},
		{"homozygous by statement", complete("A2"), partial("A1 A3"), 1, 1, "A2", ""},
		{"homozygous twice", partial("A2 A2"), partial("A1 A3"), 1, 1, "A2", ""},
		{"homozygous and shared", complete("A2"), partial("A2 A3"), 0, 0, "", ""},
		{"second donor antigen unknown", partial("A2"), partial("A1 A3"), 1, 2, "A2", ""},
		{"second donor antigen unknown, first shared", partial("A1"), partial("A1 A3"), 0, 1, "", ""},
		{"second recipient antigen unknown", partial("A2 A3"), partial("A1"), 1, 2, "A2 A3", ""},
		{"second recipient antigen unknown, all shared", partial("A1 A1"), partial("A1"), 0, 0, "", ""},
		{"homozygous recipient", partial("A2 A3"), complete("A2"), 1, 1, "A3", ""},
		{"both second antigens unknown", partial("A2"), partial("A1"), 0, 2, "A2", ""},
		{"donor untyped", partial("B7"), partial("A1 A2"), 0, 2, "", ""},
		{"recipient untyped", partial("A1 A2"), partial("B7"), 0, 2, "A1 A2", ""},
		{"recipient untyped, donor homozygous", partial("A1 A1"), partial("B7"), 0, 1, "A1", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m := mustMismatch(t, tt.donor, tt.recipient).Loci[0]
			if m.Locus != LocusA || m.Low != tt.low || m.High != tt.high || strings.Join(m.Absent, " ") != tt.absent || strings.Join(m.Undecided, " ") != tt.undecided {
				t.Errorf("got %+v", m)
			}
		})
	}
}

func TestMismatchSaysWhatIsMissing(t *testing.T) {
	r := mustMismatch(t, partial("A9 A1 B7 C7 C8 DQ2 DQ8 DPB1*04:01 DPB1*02:01 DR52"), partial("A24 A1 B8 B8 C7 C9 DQ2 DQ5 DPB1*04 DPB1*01:01"))
	want := strings.Join([]string{
		"A: whether donor A9 is an antigen of the recipient, because one is named more broadly than the other",
		"B: the second antigen of the donor; state it, or that there is no further one",
		"DR: the donor is not typed",
		"DR: the recipient is not typed",
		"DPB1: whether donor DPB1*04:01 is an antigen of the recipient, because one is named more broadly than the other",
	}, "\n")
	if got := reasons(r.Conclusion, clinical.NotKnown); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if r.Low != 1 || r.High != 5 || r.Answer != "1 to 5" {
		t.Errorf("got %d, %d, %s", r.Low, r.High, r.Answer)
	}
	wantExtra := []LocusMismatch{
		{LocusC, 1, 1, []string{"C8"}, nil}, {LocusDQ, 1, 1, []string{"DQ8"}, nil},
		{LocusDPB1, 1, 2, []string{"DPB1*02:01"}, []string{"DPB1*04:01"}},
	}
	if !reflect.DeepEqual(r.Extra, wantExtra) {
		t.Errorf("got %+v", r.Extra)
	}
	wantReason(t, r.Conclusion, clinical.Neutral, "DQ: donor antigens absent in the recipient: 1 (DQ8); not part of the count over A, B and DR")

	single := mustMismatch(t, complete("C7"), complete("C8"))
	if len(single.Extra) != 1 || single.Extra[0].High != 1 {
		t.Errorf("got %+v", single.Extra)
	}
	for _, other := range []MismatchResult{mustMismatch(t, complete("C7"), complete("A1")), mustMismatch(t, complete("A1"), complete("C7"))} {
		if len(other.Extra) != 0 {
			t.Errorf("a locus typed in one only is counted: %+v", other.Extra)
		}
	}
	recorded := mustMismatch(t, Typing{Antigens: []string{"A11", "a2", "DR4"}, NoFurther: []Locus{LocusDRB345}}, complete("A1"))
	wantInputs := []clinical.Input{
		{Name: "donor A", Choice: "A2, A11"}, {Name: "donor DR", Choice: "DR4"}, {Name: "donor DRB3/4/5 further antigen", Choice: "none found"},
		{Name: "recipient A", Choice: "A1"}, {Name: "recipient A further antigen", Choice: "none found"},
	}
	if !reflect.DeepEqual(recorded.Inputs, wantInputs) {
		t.Errorf("got %+v", recorded.Inputs)
	}
}

// TestComparedAsBroad: a name that is counted as one antigen, though it may stand
// for another each time, is named in a warning.
func TestComparedAsBroad(t *testing.T) {
	tests := []struct {
		donor, recipient Typing
		want             string
	}{
		{partial("DR3 DR4"), partial("DR3 DR4"), "DR3 was given for both: it counts as shared, though its splits may differ"},
		{partial("DR14 DR4"), partial("DR14 DR1403"), "DR14 was given for both: it counts as shared, though its associated antigens may differ"},
		{partial("DPB1*04"), partial("DPB1*04"), "DPB1*04 was given for both: it counts as shared, though its alleles may differ"},
		{partial("C3"), partial("C3"), "C3 was given for both: it counts as shared, though its splits may differ"},
		{complete("A9"), complete("A9"), "A9 was given for both: it counts as shared, though its splits may differ"},
		{complete("A2"), partial("A1 A3"), "A2 is on both chromosomes of the donor: it counts once, though its associated antigens may differ"},
		{complete("A2"), partial("A2 A3"), "A2 was given for both: it counts as shared, though its associated antigens may differ"},
		{complete("A9"), partial("A1 A3"), ""},
		{partial("A2 A9"), partial("A1 A3"), ""},
		{partial("A203 A1"), complete("A2"), ""},
		{partial("A1 A1"), partial("A1 A3"), ""},
		{partial("DPB1*04:01"), partial("DPB1*04:01"), ""},
		{partial("DR3"), partial("DR17"), ""},
	}
	for _, tt := range tests {
		r := mustMismatch(t, tt.donor, tt.recipient)
		var got []string
		for _, w := range r.Warnings {
			if w.Code == ComparedAsBroad {
				got = append(got, w.Message)
			}
		}
		if strings.Join(got, "\n") != tt.want {
			t.Errorf("%v to %v: got %q, want %q", tt.donor, tt.recipient, got, tt.want)
		}
	}
}

// TestBroadOnBothChromosomes: the reasons say what is not known.
func TestBroadOnBothChromosomes(t *testing.T) {
	r := mustMismatch(t, complete("A9 B16 DPB1*04"), partial("A1 A2 B16 B7 DPB1*01:01 DPB1*02:01"))
	want := "A: whether the two A9 of the donor are the same or two different splits of it\n" +
		"B: whether the two B16 of the donor are the same or two different splits of it\n" +
		"DR: the donor is not typed\nDR: the recipient is not typed\n" +
		"DPB1: whether the two DPB1*04 of the donor are the same or two different alleles of it"
	if got := reasons(r.Conclusion, clinical.NotKnown); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	wantReason(t, r.Conclusion, clinical.Decides, "A: donor antigens absent in the recipient: 1 to 2 (A9)")
	if want := []LocusMismatch{{LocusDPB1, 1, 2, []string{"DPB1*04"}, nil}}; !reflect.DeepEqual(r.Extra, want) {
		t.Errorf("got %+v", r.Extra)
	}
	split := mustMismatch(t, complete("A24"), partial("A1 A2"))
	if got := reasons(split.Conclusion, clinical.NotKnown); strings.Contains(got, "the two") {
		t.Errorf("a split on both chromosomes is not known: %s", got)
	}
}

// family is some names of a locus with what each may truly be. A broad name has
// two meanings, marked x and y, that none of the names stands for.
type family struct {
	locus  Locus
	truths map[string]string
	// once are names that count once in a homozygous donor.
	once []string
}

// person is what is given for a person at a locus, and all that may be true.
type person struct {
	typing Typing
	names  []string
	truths [][2]string
}

// people lists everyone who may be typed at the locus with the names, also with
// one antigen whose second is not known.
func (f family) people() []person {
	names := slices.Sorted(maps.Keys(f.truths))
	// Anything, also two antigens that nobody names.
	anything := []string{"other 1", "other 2"}
	for _, name := range names {
		anything = append(anything, strings.Fields(f.truths[name])...)
	}
	slices.Sort(anything)
	anything = slices.Compact(anything)
	truths := func(a, b []string) [][2]string {
		var list [][2]string
		for _, x := range a {
			for _, y := range b {
				list = append(list, [2]string{x, y})
			}
		}
		return list
	}
	var list []person
	for i, a := range names {
		of := strings.Fields(f.truths[a])
		for _, b := range names[i:] {
			list = append(list, person{partial(a + " " + b), []string{a, b}, truths(of, strings.Fields(f.truths[b]))})
		}
		list = append(list,
			person{complete(a), []string{a, a}, truths(of, of)},
			person{partial(a), []string{a}, truths(of, anything)})
	}
	return list
}

// agreed reports whether a truth keeps to what Mismatch documents of names that
// count as one: a chromosome of the donor carries the same as one of the
// recipient with the same name, and a donor's antigens of once are the same.
func (f family) agreed(donor, recipient person, ours, theirs [2]string) bool {
	for _, name := range donor.names {
		if !slices.Contains(recipient.names, name) {
			continue
		}
		met := false
		for i, a := range donor.names {
			for j, b := range recipient.names {
				met = met || a == name && b == name && ours[i] == theirs[j]
			}
		}
		if !met {
			return false
		}
	}
	twice := len(donor.names) == 2 && donor.names[0] == donor.names[1] && slices.Contains(f.once, donor.names[0])
	return !twice || ours[0] == ours[1]
}

// TestMismatchRangeIsThatOfAllCompletions compares the range of every pair of
// persons with the lowest and highest count over all that may be true of them.
func TestMismatchRangeIsThatOfAllCompletions(t *testing.T) {
	families := []family{
		{LocusA, map[string]string{
			"A1": "A1", "A2": "A2 A203 A210", "A203": "A203", "A9": "A23 A24 A2403 A9x A9y", "A23": "A23", "A24": "A24 A2403", "A2403": "A2403",
		}, []string{"A2", "A24"}},
		{LocusB, map[string]string{
			"B8": "B8", "B16": "B38 B39 B3901 B3902 B16x B16y", "B38": "B38", "B39": "B39 B3901 B3902", "B3901": "B3901",
		}, []string{"B39"}},
		{LocusDPB1, map[string]string{
			"DPB1*01:01": "DPB1*01:01", "DPB1*04": "DPB1*04:01 DPB1*04:02 DPB1*04x DPB1*04y", "DPB1*04:01": "DPB1*04:01", "DPB1*04:02": "DPB1*04:02",
		}, nil},
	}
	for _, f := range families {
		for _, donor := range f.people() {
			for _, recipient := range f.people() {
				low, high := 2, 0
				for _, ours := range donor.truths {
					for _, theirs := range recipient.truths {
						if !f.agreed(donor, recipient, ours, theirs) {
							continue
						}
						absent := 0
						for i, a := range ours {
							if !slices.Contains(theirs[:], a) && !slices.Contains(ours[:i], a) {
								absent++
							}
						}
						low, high = min(low, absent), max(high, absent)
					}
				}
				r := mustMismatch(t, donor.typing, recipient.typing)
				i := slices.IndexFunc(slices.Concat(r.Loci, r.Extra), func(m LocusMismatch) bool { return m.Locus == f.locus })
				if m := slices.Concat(r.Loci, r.Extra)[i]; m.Low != low || m.High != high {
					t.Errorf("%v to %v: got %d to %d, the truth is %d to %d", donor.typing, recipient.typing, m.Low, m.High, low, high)
				}
			}
		}
	}
}

// everyName lists every antigen of the table and some names of alleles.
func everyName() []string {
	list := []string{"DQA1*05", "DQA1*05:01", "DQA1*01", "DPA1*01:03", "DPA1*01", "DPB1*04", "DPB1*04:01", "DPB1*04:02"}
	for _, locus := range Loci() {
		for _, s := range specificities(locus) {
			list = append(list, newAntigen(locus, s.number).name)
		}
	}
	return list
}

// drawTyping draws up to two antigens of some loci.
func drawTyping(t *rapid.T, label string) Typing {
	names := rapid.SliceOfN(rapid.SampledFrom(everyName()), 1, 14).Draw(t, label)
	var typed Typing
	perLocus := map[Locus]int{}
	for _, name := range names {
		a, err := parseAntigen("", name)
		if err != nil {
			t.Fatal(err)
		}
		if perLocus[a.locus]++; perLocus[a.locus] <= 2 {
			typed.Antigens = append(typed.Antigens, name)
		}
	}
	for _, locus := range Loci() {
		if perLocus[locus] > 0 && rapid.Bool().Draw(t, label+" complete") {
			typed.NoFurther = append(typed.NoFurther, locus)
		}
	}
	return typed
}

func TestMismatchProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		donor, recipient := drawTyping(t, "donor"), drawTyping(t, "recipient")
		r := mustMismatch(t, donor, recipient)
		low, high := 0, 0
		for _, m := range r.Loci {
			if m.Low < 0 || m.Low > m.High || m.High > 2 {
				t.Fatalf("%+v", m)
			}
			low, high = low+m.Low, high+m.High
		}
		if r.Low != low || r.High != high || high > 6 || len(r.Loci) != 3 {
			t.Fatalf("%d to %d, not %d to %d", r.Low, r.High, low, high)
		}
		shuffled := mustMismatch(t, permuted(t, donor), permuted(t, recipient))
		if !reflect.DeepEqual(r, shuffled) {
			t.Fatalf("the order changes %+v to %+v", r, shuffled)
		}
		self := mustMismatch(t, donor, donor)
		if self.Low != 0 {
			t.Fatalf("%d mismatches at least of a person with itself", self.Low)
		}
	})
}

// TestNoMismatchWithOneself: a complete typing has no mismatch with itself, but
// for a broad antigen on both chromosomes, one of which may differ.
func TestNoMismatchWithOneself(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		typed := drawTyping(t, "typing")
		typed.NoFurther = nil
		typed = Typing{Antigens: append(typed.Antigens, rapid.SampledFrom([]string{"A1", "A2"}).Draw(t, "more"))}
		typed = completeAll(t, typed)
		for _, m := range append(mustMismatch(t, typed, typed).Loci, mustMismatch(t, typed, typed).Extra...) {
			p, _ := typed.parse("")
			want := 0
			if p.homozygous(m.Locus) && p.at(m.Locus)[0].broad {
				want = 1
			}
			if len(p.at(m.Locus)) > 0 && (m.High != want || m.Low != 0) {
				t.Fatalf("%+v", m)
			}
		}
	})
}

// completeAll drops surplus antigens and states that there is nothing further.
func completeAll(t *rapid.T, typed Typing) Typing {
	var out Typing
	perLocus := map[Locus]int{}
	for _, name := range typed.Antigens {
		a, err := parseAntigen("", name)
		if err != nil {
			t.Fatal(err)
		}
		if perLocus[a.locus]++; perLocus[a.locus] <= 2 {
			out.Antigens = append(out.Antigens, name)
		}
		if perLocus[a.locus] == 1 {
			out.NoFurther = append(out.NoFurther, a.locus)
		}
	}
	return out
}

func permuted(t *rapid.T, typed Typing) Typing {
	return Typing{Antigens: rapid.Permutation(typed.Antigens).Draw(t, "order"), NoFurther: rapid.Permutation(typed.NoFurther).Draw(t, "order of loci")}
}

// TestMoreKnowledgeNarrowsTheCount: naming a broad antigen by one of its splits,
// or stating a second antigen, never leaves the range. A name that both have, or
// that one has twice, is counted as the same antigen before it is split, so it is
// left out here (ComparedAsBroad warns about it).
func TestMoreKnowledgeNarrowsTheCount(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		donor, recipient := drawTyping(t, "donor"), drawTyping(t, "recipient")
		before := mustMismatch(t, donor, recipient)
		changed := &donor
		if rapid.Bool().Draw(t, "recipient changes") {
			changed = &recipient
		}
		i := rapid.IntRange(0, len(changed.Antigens)-1).Draw(t, "which")
		old, _ := parseAntigen("", changed.Antigens[i])
		occurrences := 0
		for _, name := range slices.Concat(donor.Antigens, recipient.Antigens) {
			if name == old.name {
				occurrences++
			}
		}
		var finer []string
		for _, name := range everyName() {
			if a, _ := parseAntigen("", name); old.covers(a) {
				finer = append(finer, name)
			}
		}
		p, _ := changed.parse("")
		switch {
		case occurrences == 1 && len(finer) > 0:
			changed.Antigens = slices.Clone(changed.Antigens)
			changed.Antigens[i] = rapid.SampledFrom(finer).Draw(t, "split")
		case p.unknown(old.locus) == 1:
			second := rapid.SampledFrom(everyName()).Filter(func(name string) bool {
				a, _ := parseAntigen("", name)
				return a.locus == old.locus
			}).Draw(t, "second")
			changed.Antigens = append(slices.Clone(changed.Antigens), second)
		default:
			changed.NoFurther = append(slices.Clone(changed.NoFurther), old.locus)
		}
		after := mustMismatch(t, donor, recipient)
		if after.Low < before.Low || after.High > before.High {
			t.Fatalf("%s became %s", before.Answer, after.Answer)
		}
	})
}

// days is the age of a serum.
func days(value float64) clinical.Measurement { return clinical.NewMeasurement(value, "d") }

func crossmatch(donor Typing, unacceptable string) CrossmatchInput {
	return CrossmatchInput{Donor: donor, Unacceptable: strings.Fields(unacceptable), SerumAge: days(30)}
}

func mustCrossmatch(t interface{ Fatal(...any) }, in CrossmatchInput) CrossmatchResult {
	r, err := VirtualCrossmatch(in, DefaultCrossmatchRules())
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestVirtualCrossmatch(t *testing.T) {
	const worked = "A2 B7 DR4 DQ8" // calculations.md section 12
	tests := []struct {
		name         string
		donor        Typing
		unacceptable string
		answer       string
		hits         string
		findings     string
	}{
		{"worked: hit", complete(worked), "B7 DQ2", Positive, "B7", "present not-present"},
		{"worked: none", complete(worked), "DQ2", Negative, "", "not-present"},
		{"worked: no DQ", complete("A2 B7 DR4"), "DQ2", Indeterminate, "", "locus-untyped"},
		{"second not stated", partial(worked), "DQ2", Indeterminate, "", "second-antigen-unknown"},
		{"second given", partial("DQ8 DQ5"), "DQ2", Negative, "", "not-present"},
		{"hit although the second is unknown", partial(worked), "B7 DQ2", Positive, "B7", "present second-antigen-unknown"},
		{"unacceptable broad, donor split", complete("A24"), "A9", Positive, "A9", "present"},
		{"unacceptable broad, donor associated with its split", complete("A2403"), "A9", Positive, "A9", "present"},
		{"unacceptable split, donor broad", complete("A9"), "A24", Indeterminate, "", "may-be-present"},
		{"unacceptable associated, donor broad", complete("A9"), "A2403", Indeterminate, "", "may-be-present"},
		{"other split", complete("A23"), "A24", Negative, "", "not-present"},
		{"same broad", complete("A9"), "A9", Positive, "A9", "present"},
		{"broad and split", complete("A9 A24"), "A24", Positive, "A24", "present"},
		{"associated", complete("A203"), "A2", Positive, "A2", "present"},
		{"DQ split", complete("DQ3"), "DQ7", Indeterminate, "", "may-be-present"},
		{"DR52", complete("DR17 DR52"), "DR52", Positive, "DR52", "present"},
		{"no DRB3/4/5 stated", Typing{Antigens: []string{"DR1"}, NoFurther: []Locus{LocusDRB345}}, "DR52", Negative, "", "not-present"},
		{"DRB3/4/5 not typed", complete("DR17"), "DR52", Indeterminate, "", "locus-untyped"},
		{"allele group covers its alleles", complete("DPB1*04:01"), "DPB1*04", Positive, "DPB1*04", "present"},
		{"allele, donor by group", complete("DPB1*04"), "DPB1*04:01", Indeterminate, "", "may-be-present"},
		{"other allele", complete("DPB1*04:02"), "DPB1*04:01", Negative, "", "not-present"},
		{"other group", complete("DQA1*01"), "DQA1*05", Negative, "", "not-present"},
		{"DPB1 in the donor only", complete("A2 DPB1*04:01"), "A1", Negative, "", "not-present"},
		{"old name", complete("B60"), "Bw60", Positive, "B60", "present"},
		{"hits in order", complete("B7 A11 A2"), "B7 A11 a2 A2", Positive, "A2 A11 B7", "present present present"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := mustCrossmatch(t, crossmatch(tt.donor, tt.unacceptable))
			var findings []string
			for _, f := range r.Findings {
				findings = append(findings, string(f.Finding))
			}
			if r.Answer != tt.answer || strings.Join(r.Hits, " ") != tt.hits || strings.Join(findings, " ") != tt.findings {
				t.Errorf("got %s, %v, %v", r.Answer, r.Hits, findings)
			}
			wantComplete(t, r.Conclusion)
			want := []clinical.WarningCode{PhysicalCrossmatchNeeded, NomenclatureToConfirm}
			if strings.Contains(tt.unacceptable, "DPB1") {
				want = append(want, AllelesAsWritten)
			}
			var got []clinical.WarningCode
			for _, w := range r.Warnings {
				got = append(got, w.Code)
			}
			if !slices.Equal(got, want) {
				t.Errorf("got the warnings %v, want %v", got, want)
			}
			// One reason for each unacceptable antigen, one for the serum.
			if len(r.Reasons) != len(r.Findings)+1 {
				t.Errorf("got the reasons %v", r.Reasons)
			}
		})
	}
}

func TestCrossmatchReasons(t *testing.T) {
	positive := mustCrossmatch(t, crossmatch(complete("A24 A9 B7 C7 DR1 DR4 DR53"), "A9 A2403 B8 DQ2 DR52"))
	if positive.Answer != Positive {
		t.Fatal(positive.Answer)
	}
	wantReason(t, positive.Conclusion, clinical.Decides, "unacceptable A9: the donor has A9 and A24")
	wantReason(t, positive.Conclusion, clinical.Supports, "unacceptable A2403: the donor has A9 and A24, which may be A2403")
	wantReason(t, positive.Conclusion, clinical.Opposes, "unacceptable B8: the donor does not have it")
	wantReason(t, positive.Conclusion, clinical.NotKnown, "unacceptable DQ2: the donor is not typed at this locus")
	wantReason(t, positive.Conclusion, clinical.Neutral, "not older than the programme's limit of 90 d")
	if want := []string{"A9", "A24"}; !slices.Equal(positive.Findings[0].Donor, want) {
		t.Errorf("got %v", positive.Findings[0])
	}

	undecided := mustCrossmatch(t, crossmatch(partial("A9 B7 B8"), "A24 A1 B13"))
	wantReason(t, undecided.Conclusion, clinical.Decides, "unacceptable A24: the donor has A9, which may be A24")
	wantReason(t, undecided.Conclusion, clinical.NotKnown, "unacceptable A1: the second antigen of the donor at this locus")
	wantReason(t, undecided.Conclusion, clinical.Opposes, "unacceptable B13: the donor does not have it")

	negative := mustCrossmatch(t, crossmatch(partial("B7 B8"), "B13"))
	wantReason(t, negative.Conclusion, clinical.Decides, "unacceptable B13: the donor does not have it")
	wantReason(t, negative.Conclusion, clinical.Decides, "not older than")
	wantInputs := []clinical.Input{{Name: "donor B", Choice: "B7, B8"}, {Name: "unacceptable antigen", Choice: "B13"}, {Name: "serum age", Measurement: days(30)}}
	if !reflect.DeepEqual(negative.Inputs, wantInputs) {
		t.Errorf("got %+v", negative.Inputs)
	}
}

func TestSerumAge(t *testing.T) {
	measured := clinical.NewMeasurement
	tests := []struct {
		age    clinical.Measurement
		answer string
		near   bool
		weight clinical.Weight
		reason string
	}{
		{days(0), Negative, false, clinical.Decides, "not older than the programme's limit of 90 d"},
		{measured(0, "h"), Negative, false, clinical.Decides, "not older"},
		{days(0.5), Negative, false, clinical.Decides, "not older"},
		{days(1), Negative, false, clinical.Decides, "not older"},
		{days(90), Negative, false, clinical.Decides, "not older"},
		{measured(2160, "h"), Negative, false, clinical.Decides, "not older"},
		{days(90.04), Indeterminate, true, clinical.Decides, "older than the programme's limit of 90 d; antibodies"},
		{days(90.4), Indeterminate, true, clinical.Decides, "older than"},
		{days(90.5), Indeterminate, false, clinical.Decides, "older than"},
		{days(91), Indeterminate, false, clinical.Decides, "older than"},
		{clinical.Measurement{}, Indeterminate, false, clinical.NotKnown, "the age of the recipient serum was not recorded"},
	}
	for _, tt := range tests {
		in := crossmatch(complete("A2 B7"), "B8")
		in.SerumAge = tt.age
		r := mustCrossmatch(t, in)
		if r.Answer != tt.answer || r.HasWarning(clinical.NearThresholdWarning) != tt.near {
			t.Errorf("%v: got %s with %v", tt.age, r.Answer, r.Warnings)
		}
		wantReason(t, r.Conclusion, tt.weight, tt.reason)
		in.Unacceptable = []string{"B7"}
		if r := mustCrossmatch(t, in); r.Answer != Positive {
			t.Errorf("%v: a hit is %s", tt.age, r.Answer)
		}
	}
	in := crossmatch(complete("A2"), "A3")
	in.SerumAge = days(90.4)
	r := mustCrossmatch(t, in)
	if last := r.Warnings[len(r.Warnings)-1].Message; !strings.Contains(last, "shown as 90 d") {
		t.Errorf("got %q", last)
	}
	in.SerumAge = days(15)
	strict, err := VirtualCrossmatch(in, CrossmatchRules{LongestSerumAge: days(14)})
	if err != nil || strict.Answer != Indeterminate {
		t.Errorf("a serum of 15 d at a limit of 14 d: %s, %v", strict.Answer, err)
	}
}

func TestNoUnacceptableAntigens(t *testing.T) {
	in := crossmatch(complete("A2"), "")
	r := mustCrossmatch(t, in)
	if r.Answer != Indeterminate {
		t.Errorf("an empty list is %s", r.Answer)
	}
	wantReason(t, r.Conclusion, clinical.NotKnown, "the unacceptable antigens of the recipient")
	in.NoUnacceptable = clinical.No
	if r := mustCrossmatch(t, in); r.Answer != Indeterminate {
		t.Errorf("an empty list with the answer no is %s", r.Answer)
	}
	in.NoUnacceptable = clinical.Yes
	r = mustCrossmatch(t, in)
	if r.Answer != Negative || len(r.Findings) != 0 {
		t.Errorf("none is %s", r.Answer)
	}
	wantComplete(t, r.Conclusion)
	wantReason(t, r.Conclusion, clinical.Decides, "the laboratory reported that the recipient has no unacceptable antigen")
	in.SerumAge = days(91)
	r = mustCrossmatch(t, in)
	if r.Answer != Indeterminate {
		t.Errorf("none in an old serum is %s", r.Answer)
	}
	wantReason(t, r.Conclusion, clinical.Opposes, "the laboratory reported")
}

func TestCrossmatchRefuses(t *testing.T) {
	good := complete("A2 B7")
	tests := []struct {
		name  string
		in    CrossmatchInput
		code  clinical.Code
		field string
	}{
		{"unknown antigen", crossmatch(good, "B7 A99"), clinical.UnknownChoice, "unacceptable antigen 2"},
		{"allele", crossmatch(good, "B*07:02"), clinical.UnknownChoice, "unacceptable antigen 1"},
		{"listed although none", CrossmatchInput{Donor: good, Unacceptable: []string{"A1"}, NoUnacceptable: clinical.Yes}, clinical.UnknownChoice, "recipient has no unacceptable antigen"},
		{"unknown answer", CrossmatchInput{Donor: good, NoUnacceptable: "maybe"}, clinical.UnknownChoice, "recipient has no unacceptable antigen"},
		{"negative age", CrossmatchInput{Donor: good, SerumAge: days(-1)}, clinical.NotPositive, "serum age"},
		{"NaN age", CrossmatchInput{Donor: good, SerumAge: days(math.NaN())}, clinical.NotFinite, "serum age"},
		{"infinite age", CrossmatchInput{Donor: good, SerumAge: days(math.Inf(1))}, clinical.NotFinite, "serum age"},
		{"unit", CrossmatchInput{Donor: good, SerumAge: clinical.NewMeasurement(0, "mo")}, clinical.UnknownUnit, "serum age"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := VirtualCrossmatch(tt.in, DefaultCrossmatchRules())
			wantError(t, err, tt.code, tt.field)
		})
	}
	for _, tt := range []struct {
		limit clinical.Measurement
		code  clinical.Code
	}{
		{clinical.Measurement{}, clinical.Missing}, {days(0), clinical.NotPositive}, {days(math.NaN()), clinical.NotFinite},
		{clinical.NewMeasurement(3, "mo"), clinical.UnknownUnit},
	} {
		_, err := VirtualCrossmatch(crossmatch(good, "A1"), CrossmatchRules{LongestSerumAge: tt.limit})
		wantError(t, err, tt.code, "longest serum age")
	}
}

func TestCrossmatchProperties(t *testing.T) {
	name := rapid.SampledFrom(everyName())
	rapid.Check(t, func(t *rapid.T) {
		donor := drawTyping(t, "donor")
		list := rapid.SliceOfN(name, 1, 6).Draw(t, "unacceptable")
		run := func(donor Typing, list []string) CrossmatchResult {
			return mustCrossmatch(t, CrossmatchInput{Donor: donor, Unacceptable: list, SerumAge: days(rapid.SampledFrom([]float64{30, 30, 100}).Draw(t, "age"))})
		}
		r := mustCrossmatch(t, CrossmatchInput{Donor: donor, Unacceptable: list, SerumAge: days(30)})
		if (r.Answer == Positive) != (len(r.Hits) > 0) {
			t.Fatalf("%s with %v", r.Answer, r.Hits)
		}
		shuffled := mustCrossmatch(t, CrossmatchInput{Donor: permuted(t, donor), Unacceptable: rapid.Permutation(list).Draw(t, "order"), SerumAge: days(30)})
		if !reflect.DeepEqual(r, shuffled) {
			t.Fatalf("the order changes %+v to %+v", r, shuffled)
		}
		more := run(donor, append(slices.Clone(list), name.Draw(t, "another")))
		if r.Answer == Positive && more.Answer != Positive || more.Answer == Negative && r.Answer != Negative {
			t.Fatalf("one more unacceptable antigen turns %s into %s", r.Answer, more.Answer)
		}
		added, _ := parseAntigen("", name.Draw(t, "added to the donor"))
		p, _ := donor.parse("")
		if len(p.at(added.locus)) == 2 {
			return
		}
		richer := donor
		richer.Antigens = append(slices.Clone(donor.Antigens), added.name)
		found := run(richer, list)
		for _, hit := range r.Hits {
			if !slices.Contains(found.Hits, hit) {
				t.Fatalf("one more donor antigen loses the hit %s", hit)
			}
		}
		if !slices.Contains(list, added.name) {
			return
		}
		if found.Answer != Positive {
			t.Fatalf("a donor with the unacceptable %s is %s", added.name, found.Answer)
		}
	})
}

func TestHLAInputAsJSON(t *testing.T) {
	const text = `{"donor":{"antigens":["A2","B7","DR4","DQ8"],"noFurther":["DQ"]},"unacceptable":["DQ2"],"serumAge":{"value":12,"unit":"d","date":"2026-02-03","ref":"serum-1"}}`
	var in CrossmatchInput
	if err := json.Unmarshal([]byte(text), &in); err != nil {
		t.Fatal(err)
	}
	if r := mustCrossmatch(t, in); r.Answer != Negative {
		t.Errorf("got %+v", r)
	}
}
