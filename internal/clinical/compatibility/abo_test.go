package compatibility

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/clinical"
)

const (
	firstDay  = "2026-02-03T08:30:00Z"
	secondDay = "2026-02-10T08:30:00Z"
	thirdDay  = "2026-02-17T08:30:00Z"
)

func blood(group Group, subtype Subtype, ref, collected string) BloodSample {
	return BloodSample{Group: group, Subtype: subtype, Ref: ref, Collected: collected, PreTransfusion: clinical.Yes}
}

// pair returns two independent samples that agree.
func pair(group Group, subtype Subtype) []BloodSample {
	return []BloodSample{blood(group, subtype, "S-1", firstDay), blood(group, subtype, "S-2", secondDay)}
}

func plain(group Group) []BloodSample { return pair(group, "") }

func titre(value float64) clinical.Measurement { return clinical.NewMeasurement(value, "1") }

func mustABO(t interface{ Fatal(...any) }, in ABOInput) ABOResult {
	r, err := ABO(in, DefaultABORules())
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestABOMatrix checks the matrix of calculations.md section 12, which the code
// does not hold: it compares sets of antigens.
func TestABOMatrix(t *testing.T) {
	matrix := map[Group]string{ // recipient: donors O, A, B, AB
		GroupO:  "yes no no no",
		GroupA:  "yes yes no no",
		GroupB:  "yes no yes no",
		GroupAB: "yes yes yes yes",
	}
	for recipient, row := range matrix {
		for i, cell := range strings.Fields(row) {
			donor := Groups()[i]
			want := map[string]string{"yes": Compatible, "no": Incompatible}[cell]
			r := mustABO(t, ABOInput{Donor: plain(donor), Recipient: plain(recipient)})
			if r.Answer != want || r.Donor.Group != donor || r.Recipient.Group != recipient {
				t.Errorf("donor %s to recipient %s is %s, want %s", donor, recipient, r.Answer, want)
			}
			wantComplete(t, r.Conclusion)
			wantReason(t, r.Conclusion, clinical.Neutral, "Rh and minor antigens are not considered")
			if !r.HasWarning(VerifyFromSource) || !r.HasWarning(PhysicalCrossmatchNeeded) || len(r.Warnings) != 2 {
				t.Errorf("got the warnings %v", r.Warnings)
			}
			if paired := strings.Contains(reasons(r.Conclusion, clinical.Neutral), "paired donation"); paired != (want == Incompatible) {
				t.Errorf("donor %s to recipient %s: paired donation is named: %t", donor, recipient, paired)
			}
		}
	}
	r := mustABO(t, ABOInput{Donor: plain(GroupAB), Recipient: plain(GroupO)})
	wantReason(t, r.Conclusion, clinical.Decides, "donor AB, recipient O: the recipient lacks antigen A and B")
}

// TestABOIsAPartialOrder: compatible is reflexive, antisymmetric and transitive,
// O gives to all, AB takes from all, and swapping A with B changes nothing.
func TestABOIsAPartialOrder(t *testing.T) {
	swap := map[Group]Group{GroupO: GroupO, GroupA: GroupB, GroupB: GroupA, GroupAB: GroupAB}
	// Taking each group's complement turns giving into taking.
	complement := map[Group]Group{GroupO: GroupAB, GroupA: GroupB, GroupB: GroupA, GroupAB: GroupO}
	rapid.Check(t, func(t *rapid.T) {
		group := rapid.SampledFrom(Groups())
		x, y, z := group.Draw(t, "x"), group.Draw(t, "y"), group.Draw(t, "z")
		gives := func(donor, recipient Group) bool {
			return mustABO(t, ABOInput{Donor: plain(donor), Recipient: plain(recipient)}).Answer == Compatible
		}
		switch {
		case !gives(x, x):
			t.Fatalf("%s does not give to itself", x)
		case gives(x, y) && gives(y, x) && x != y:
			t.Fatalf("%s and %s give to each other", x, y)
		case gives(x, y) && gives(y, z) && !gives(x, z):
			t.Fatalf("%s gives to %s, that to %s, but not the first to the last", x, y, z)
		case !gives(GroupO, x) || !gives(x, GroupAB):
			t.Fatalf("O does not give to %s, or that not to AB", x)
		case gives(x, y) != gives(swap[x], swap[y]):
			t.Fatalf("A and B are not alike in %s to %s", x, y)
		case gives(x, y) != gives(complement[y], complement[x]):
			t.Fatalf("%s to %s has no dual", x, y)
		}
	})
}

func TestABONeedsTwoIndependentResults(t *testing.T) {
	a := func(ref, collected string) BloodSample { return blood(GroupA, "", ref, collected) }
	tests := []struct {
		name    string
		samples []BloodSample
		want    string
		reason  string
	}{
		{"none", nil, NotDetermined, "no result; two from"},
		{"one", []BloodSample{a("S-1", firstDay)}, NotDetermined, "only one result"},
		{"same specimen", []BloodSample{a("S-1", firstDay), a("S-1", secondDay)}, NotDetermined, "no two results"},
		{"same specimen in other letters", []BloodSample{a("S-1", firstDay), a(" s-1 ", secondDay)}, NotDetermined, "no two results"},
		{"same time", []BloodSample{a("S-1", firstDay), a("S-2", firstDay)}, NotDetermined, "no two results"},
		{"one moment in two offsets", []BloodSample{a("S-1", "2026-02-03T08:30:00Z"), a("S-2", "2026-02-03T09:30:00+01:00")}, NotDetermined, "no two results"},
		{"same offset", []BloodSample{a("S-1", "2026-02-03T08:30:00-05:00"), a("S-2", "2026-02-03T09:30:00-05:00")}, Compatible, ""},
		{"other offset", []BloodSample{a("S-1", "2026-02-03T08:30:00Z"), a("S-2", "2026-02-03T08:30:00-01:00")}, Compatible, ""},
		{"other offset, later clock but earlier", []BloodSample{a("S-1", "2026-02-03T08:30:00Z"), a("S-2", "2026-02-03T09:00:00+01:30")}, Compatible, ""},
		{"just under an hour", []BloodSample{a("S-1", "2026-02-03T08:30:00Z"), a("S-2", "2026-02-03T09:29:59Z")}, NotDetermined, "no two results are of different specimens with different times of collection at least 60 min apart"},
		{"just under an hour by a fraction", []BloodSample{a("S-1", "2026-02-03T08:30:00.5Z"), a("S-2", "2026-02-03T09:30:00Z")}, NotDetermined, "no two results"},
		{"an hour backwards", []BloodSample{a("S-1", "2026-02-03T09:30:00Z"), a("S-2", "2026-02-03T08:30:00Z")}, Compatible, ""},
		{"across midnight", []BloodSample{a("S-1", "2026-02-28T23:30:00Z"), a("S-2", "2026-03-01T00:30:00Z")}, Compatible, ""},
		{"third is independent", []BloodSample{a("S-1", firstDay), a("S-1", secondDay), a("S-3", secondDay)}, Compatible, ""},
		{"two", []BloodSample{a("S-1", firstDay), a("S-2", secondDay)}, Compatible, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for person, in := range map[string]ABOInput{
				"donor": {Donor: tt.samples, Recipient: plain(GroupA)}, "recipient": {Donor: plain(GroupA), Recipient: tt.samples},
			} {
				r := mustABO(t, in)
				if r.Answer != tt.want {
					t.Errorf("%s: got %s, want %s", person, r.Answer, tt.want)
				}
				if tt.reason != "" {
					wantReason(t, r.Conclusion, clinical.NotKnown, person+": "+tt.reason)
				}
				reported := map[string]ReportedType{"donor": r.Donor, "recipient": r.Recipient}[person]
				if (reported.Group == "") != (tt.want == NotDetermined) {
					t.Errorf("%s: reported as %q", person, reported.Group)
				}
			}
		})
	}
}

// TestABOShortestGap: the gap is a rule of the programme, and with none of it
// different times are enough.
func TestABOShortestGap(t *testing.T) {
	tests := []struct {
		gap    clinical.Measurement
		second string
		want   string
	}{
		{clinical.NewMeasurement(0, "h"), "2026-02-03T08:30:01Z", Compatible},
		{clinical.NewMeasurement(0, "min"), "2026-02-03T08:30:00Z", NotDetermined},
		{clinical.NewMeasurement(20, "min"), "2026-02-03T08:50:00Z", Compatible},
		{clinical.NewMeasurement(20, "min"), "2026-02-03T08:49:59Z", NotDetermined},
		{clinical.NewMeasurement(1, "d"), "2026-02-04T08:30:00Z", Compatible},
		{clinical.NewMeasurement(1, "d"), "2026-02-04T08:29:59Z", NotDetermined},
	}
	for _, tt := range tests {
		samples := []BloodSample{blood(GroupA, SubtypeNonA1, "S-1", firstDay), blood(GroupA, SubtypeNonA1, "S-2", tt.second)}
		rules := DefaultABORules()
		rules.ShortestGap = tt.gap
		for _, in := range []ABOInput{{Donor: samples, Recipient: plain(GroupA)}, {Donor: plain(GroupA), Recipient: samples}} {
			r, err := ABO(in, rules)
			if err != nil || r.Answer != tt.want {
				t.Errorf("%v with %s: got %s, %v, want %s", tt.gap, tt.second, r.Answer, err, tt.want)
			}
		}
		// A second result of the subtype needs the same gap.
		r, err := ABO(ABOInput{Donor: append(samples, blood(GroupA, "", "S-3", thirdDay)), Recipient: plain(GroupA)}, rules)
		if err != nil || (r.Donor.Subtype == SubtypeNonA1) != (tt.want == Compatible) {
			t.Errorf("%v with %s: got the subtype %q, %v", tt.gap, tt.second, r.Donor.Subtype, err)
		}
	}
	if gap := DefaultABORules().ShortestGap; gap != clinical.NewMeasurement(1, "h") {
		t.Errorf("the gap is %v", gap)
	}
}

// TestABOAfterTransfusion: results of samples taken after a transfusion, or that
// may be, are weighed unless two independent ones from before it decide.
func TestABOAfterTransfusion(t *testing.T) {
	samples := func(before ...clinical.Answer) []BloodSample {
		var list []BloodSample
		for i, answer := range before {
			s := blood(GroupA, "", []string{"S-1", "S-2", "S-3"}[i], []string{firstDay, secondDay, thirdDay}[i])
			s.PreTransfusion = answer
			list = append(list, s)
		}
		return list
	}
	const (
		remedy  = ": every sample was taken after transfusion, so the group may be that of the transfused cells; two results of samples from before transfusion are needed"
		opposes = ": the group rests on results of samples taken after transfusion (sample %)"
		unknown = ": whether the samples on which the group rests were taken before transfusion (sample %)"
	)
	tests := []struct {
		samples            []BloodSample
		want               string
		opposes, notKnown  string
		opposing, doubtful string
	}{
		{samples(clinical.Yes, clinical.Yes), Compatible, "", "", "", ""},
		{samples(clinical.Yes, clinical.Yes, clinical.No), Compatible, "", "", "", ""},
		{samples("", clinical.Yes, clinical.Yes), Compatible, "", "", "", ""},
		{samples(clinical.Yes, clinical.No), Compatible, opposes, "", "2", ""},
		{samples(clinical.No, clinical.Yes, clinical.No), Compatible, opposes, "", "1, 3", ""},
		{samples("", ""), Compatible, "", unknown, "", "1, 2"},
		{samples(clinical.No, ""), Compatible, opposes, unknown, "1", "2"},
		{samples(clinical.No, clinical.No), NotDetermined, "", remedy, "", ""},
		{samples(clinical.No), NotDetermined, "", remedy, "", ""},
	}
	for _, tt := range tests {
		for person, in := range map[string]ABOInput{
			"donor": {Donor: tt.samples, Recipient: plain(GroupA)}, "recipient": {Donor: plain(GroupA), Recipient: tt.samples},
		} {
			r := mustABO(t, in)
			if r.Answer != tt.want {
				t.Errorf("%s %v: got %s, want %s", person, tt.samples, r.Answer, tt.want)
			}
			for weight, want := range map[clinical.Weight][2]string{clinical.Opposes: {tt.opposes, tt.opposing}, clinical.NotKnown: {tt.notKnown, tt.doubtful}} {
				if want[0] == "" {
					if got := reasons(r.Conclusion, weight); got != "" {
						t.Errorf("%s %v: got %s", person, tt.samples, got)
					}
					continue
				}
				wantReason(t, r.Conclusion, weight, person+strings.ReplaceAll(want[0], "%", want[1]))
			}
		}
	}
	other := samples(clinical.No, clinical.No)
	other[1].Group = GroupO
	if r := mustABO(t, ABOInput{Donor: other, Recipient: plain(GroupAB)}); r.Answer != Discordant {
		t.Errorf("results that differ after transfusion are %s", r.Answer)
	}
}

func TestABODiscordantStops(t *testing.T) {
	two := []BloodSample{blood(GroupA, "", "S-1", firstDay), blood(GroupO, "", "S-2", secondDay)}
	sameTube := []BloodSample{blood(GroupA, "", "S-1", firstDay), blood(GroupO, "", "S-1", firstDay)}
	third := append(plain(GroupAB), blood(GroupA, "", "S-3", thirdDay))
	for _, samples := range [][]BloodSample{two, sameTube, third} {
		for _, in := range []ABOInput{
			{Donor: samples, Recipient: plain(GroupAB)}, {Donor: plain(GroupO), Recipient: samples},
			{Donor: samples}, {Donor: samples, Recipient: samples},
		} {
			r := mustABO(t, in)
			if r.Answer != Discordant || r.NonA1Route != RouteNotApplicable {
				t.Errorf("got %s for %v", r.Answer, in)
			}
			wantReason(t, r.Conclusion, clinical.Decides, "the results differ; stop")
		}
	}
	r := mustABO(t, ABOInput{Donor: two, Recipient: plain(GroupAB)})
	if r.Donor != (ReportedType{}) || r.Recipient.Group != GroupAB {
		t.Errorf("reported %v and %v", r.Donor, r.Recipient)
	}
}

func TestSubtypeReported(t *testing.T) {
	sample := func(subtype Subtype, ref, collected string, before clinical.Answer) BloodSample {
		s := blood(GroupA, subtype, ref, collected)
		s.PreTransfusion = before
		return s
	}
	tests := []struct {
		name    string
		samples []BloodSample
		want    Subtype
		weight  clinical.Weight
		reason  string
	}{
		{"two non-A1", pair(GroupA, SubtypeNonA1), SubtypeNonA1, clinical.Neutral, "donor: two independent pre-transfusion results agree on non-A1"},
		{"two A1", pair(GroupA, SubtypeA1), SubtypeA1, clinical.Neutral, "donor: the subtype is A1"},
		{"one A1", []BloodSample{blood(GroupA, SubtypeA1, "S-1", firstDay), blood(GroupA, SubtypeNotTested, "S-2", secondDay)}, SubtypeA1, clinical.Neutral, "the subtype is A1"},
		{"one non-A1", []BloodSample{blood(GroupA, SubtypeNonA1, "S-1", firstDay), blood(GroupA, SubtypeNotTested, "S-2", secondDay)}, "", clinical.NotKnown, "donor: a second non-A1 result from another occasion is missing, so group A is reported without subtype"},
		{"disagree", []BloodSample{blood(GroupA, SubtypeNonA1, "S-1", firstDay), blood(GroupA, SubtypeA1, "S-2", secondDay)}, "", clinical.Neutral, "donor: the subtype results disagree, so group A is reported without subtype"},
		{"a third disagrees", append(pair(GroupA, SubtypeNonA1), blood(GroupA, SubtypeA1, "S-3", thirdDay)), "", clinical.Neutral, "disagree"},
		{"two of one specimen", []BloodSample{blood(GroupA, SubtypeNonA1, "S-1", firstDay), blood(GroupA, SubtypeNonA1, "S-1", firstDay), blood(GroupA, "", "S-2", secondDay)}, "", clinical.NotKnown, "a second non-A1"},
		{"one after transfusion", []BloodSample{sample(SubtypeNonA1, "S-1", firstDay, clinical.Yes), sample(SubtypeNonA1, "S-2", secondDay, clinical.No)}, "", clinical.Neutral, "donor sample 2 was taken after transfusion, so its subtype is not used"},
		{"one not recorded", []BloodSample{sample(SubtypeNonA1, "S-1", firstDay, clinical.Yes), sample(SubtypeNonA1, "S-2", secondDay, "")}, "", clinical.NotKnown, "whether donor sample 2 was taken before transfusion"},
		{"A1 after transfusion does not count", append(pair(GroupA, SubtypeNonA1), sample(SubtypeA1, "S-3", thirdDay, clinical.No)), SubtypeNonA1, clinical.Neutral, "donor sample 3 was taken after transfusion"},
		{"A1 not recorded beside non-A1", append(pair(GroupA, SubtypeNonA1), sample(SubtypeA1, "S-3", thirdDay, "")), "", clinical.NotKnown, "donor: whether the A1 of a sample that may be pre-transfusion disagrees with non-A1, so group A is reported without subtype"},
		{"A1 not recorded first", append([]BloodSample{sample(SubtypeA1, "S-3", thirdDay, "")}, pair(GroupA, SubtypeNonA1)...), "", clinical.NotKnown, "whether donor sample 1 was taken before transfusion, so its subtype proves nothing"},
		{"A1 not recorded alone", []BloodSample{sample(SubtypeA1, "S-1", firstDay, ""), sample(SubtypeA1, "S-2", secondDay, "")}, "", clinical.NotKnown, "whether donor sample 2 was taken before transfusion"},
		{"A1 not recorded beside A1", append(pair(GroupA, SubtypeA1), sample(SubtypeA1, "S-3", thirdDay, "")), SubtypeA1, clinical.Neutral, "the subtype is A1"},
		{"non-A1 not recorded beside non-A1", append(pair(GroupA, SubtypeNonA1), sample(SubtypeNonA1, "S-3", thirdDay, "")), SubtypeNonA1, clinical.Neutral, "agree on non-A1"},
		{"not tested", plain(GroupA), "", clinical.Neutral, "agree on group A"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := mustABO(t, ABOInput{Donor: tt.samples, Recipient: plain(GroupA)})
			if r.Answer != Compatible || r.Donor != (ReportedType{GroupA, tt.want}) {
				t.Errorf("got %s, %v, want the subtype %q", r.Answer, r.Donor, tt.want)
			}
			wantReason(t, r.Conclusion, tt.weight, tt.reason)
		})
	}
	r := mustABO(t, ABOInput{Donor: []BloodSample{sample("", "S-1", firstDay, clinical.No), sample("", "S-2", secondDay, "")}, Recipient: plain(GroupA)})
	if len(r.Warnings) != 4 || !r.HasWarning(GroupAfterTransfusion) || !r.HasWarning(TransfusionNotRecorded) || strings.Contains(reasons(r.Conclusion, clinical.Neutral), "subtype") {
		t.Errorf("got the warnings %v and the reasons %v", r.Warnings, r.Reasons)
	}
	if want := "donor sample 1 was taken after transfusion"; !strings.HasPrefix(r.Warnings[0].Message, want) {
		t.Errorf("got %q, want %q", r.Warnings[0].Message, want)
	}
	if want := "donor sample 2: it is not recorded"; !strings.HasPrefix(r.Warnings[1].Message, want) {
		t.Errorf("got %q, want %q", r.Warnings[1].Message, want)
	}
}

func TestNonA1Route(t *testing.T) {
	tests := []struct {
		name             string
		donor, recipient []BloodSample
		titre            clinical.Measurement
		answer           string
		want             NonA1Route
		weight           clinical.Weight
		reason           string
	}{
		{"A2 to O", pair(GroupA, SubtypeNonA1), plain(GroupO), titre(8), Incompatible, RoutePossible, clinical.Opposes, "may be possible by programme protocol"},
		{"A2 to B", pair(GroupA, SubtypeNonA1), plain(GroupB), titre(8), Incompatible, RoutePossible, clinical.Opposes, "within the programme's limit of 1:8"},
		{"A2B to B", pair(GroupAB, SubtypeNonA1), plain(GroupB), titre(1), Incompatible, RoutePossible, clinical.Opposes, "may be possible"},
		{"A2B to O", pair(GroupAB, SubtypeNonA1), plain(GroupO), titre(1), Incompatible, RouteNotApplicable, clinical.Supports, "antigen B is foreign to the recipient as well"},
		{"A2B to A", pair(GroupAB, SubtypeNonA1), plain(GroupA), titre(1), Incompatible, RouteNotApplicable, clinical.Supports, "antigen B is foreign"},
		{"A2 to A", pair(GroupA, SubtypeNonA1), plain(GroupA), titre(1), Compatible, RouteNotApplicable, clinical.Decides, "no antigen that the recipient lacks"},
		{"A2 to AB", pair(GroupA, SubtypeNonA1), plain(GroupAB), titre(1), Compatible, RouteNotApplicable, clinical.Decides, "no antigen that the recipient lacks"},
		{"B to O", plain(GroupB), plain(GroupO), titre(1), Incompatible, RouteNotApplicable, clinical.Decides, "lacks antigen B"},
		{"titre too high", pair(GroupA, SubtypeNonA1), plain(GroupO), titre(9), Incompatible, RouteTitreTooHigh, clinical.Supports, "above the programme's limit of 1:8"},
		{"no titre", pair(GroupA, SubtypeNonA1), plain(GroupO), clinical.Measurement{}, Incompatible, RouteNotDetermined, clinical.NotKnown, "titre of the recipient was not recorded"},
		{"A1", pair(GroupA, SubtypeA1), plain(GroupO), titre(1), Incompatible, RouteNotApplicable, clinical.Supports, "the donor is A1"},
		{"A1 not recorded beside non-A1", append(pair(GroupA, SubtypeNonA1), BloodSample{Group: GroupA, Subtype: SubtypeA1, Ref: "S-3", Collected: thirdDay}), plain(GroupO), titre(1), Incompatible, RouteNotDetermined, clinical.NotKnown, "whether the donor is non-A1"},
		{"not subtyped", plain(GroupA), plain(GroupO), titre(1), Incompatible, RouteNotDetermined, clinical.NotKnown, "whether the donor is non-A1"},
		{"one recipient result", pair(GroupA, SubtypeNonA1), plain(GroupO)[1:], titre(1), NotDetermined, RouteNotApplicable, clinical.NotKnown, "recipient: only one"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := mustABO(t, ABOInput{Donor: tt.donor, Recipient: tt.recipient, AntiATitre: tt.titre})
			if r.Answer != tt.answer || r.NonA1Route != tt.want {
				t.Errorf("got %s, %s, want %s, %s", r.Answer, r.NonA1Route, tt.answer, tt.want)
			}
			if r.HasWarning(ProtocolOnly) != (tt.want == RoutePossible) {
				t.Errorf("got the warnings %v", r.Warnings)
			}
			wantReason(t, r.Conclusion, tt.weight, tt.reason)
			recorded := slices.ContainsFunc(r.Inputs, func(i clinical.Input) bool {
				return i.Name == "recipient anti-A titre" && i.Measurement == tt.titre
			})
			if recorded != tt.titre.Given() {
				t.Errorf("the titre is recorded: %t", recorded)
			}
			// A titre that was given is in a reason, weighed or not.
			weighed := tt.want == RoutePossible || tt.want == RouteTitreTooHigh
			if set := strings.Contains(reasons(r.Conclusion, clinical.Neutral), "titre of the recipient was not weighed"); set != (tt.titre.Given() && !weighed) {
				t.Errorf("the titre is set aside: %t", set)
			}
		})
	}
	strict, err := ABO(ABOInput{Donor: pair(GroupA, SubtypeNonA1), Recipient: plain(GroupO), AntiATitre: titre(2)}, ABORules{HighestAntiATitre: 1, ShortestGap: DefaultABORules().ShortestGap})
	if err != nil || strict.NonA1Route != RouteTitreTooHigh {
		t.Errorf("a titre of 2 at a limit of 1: %s, %v", strict.NonA1Route, err)
	}
}

func TestABORefuses(t *testing.T) {
	in := func(change func(*BloodSample)) ABOInput {
		samples := plain(GroupA)
		change(&samples[1])
		return ABOInput{Donor: plain(GroupA), Recipient: samples}
	}
	time := func(text string) ABOInput { return in(func(s *BloodSample) { s.Collected = text }) }
	titred := func(m clinical.Measurement) ABOInput {
		return ABOInput{Donor: plain(GroupA), Recipient: plain(GroupA), AntiATitre: m}
	}
	tests := []struct {
		name  string
		in    ABOInput
		code  clinical.Code
		field string
	}{
		{"no group", in(func(s *BloodSample) { s.Group = "" }), clinical.Missing, "recipient sample 2 group"},
		{"unknown group", in(func(s *BloodSample) { s.Group = "BA" }), clinical.UnknownChoice, "recipient sample 2 group"},
		{"unknown subtype", in(func(s *BloodSample) { s.Subtype = "A2" }), clinical.UnknownChoice, "recipient sample 2 subtype"},
		{"subtype of B", in(func(s *BloodSample) { s.Group, s.Subtype = GroupB, SubtypeNonA1 }), clinical.UnknownChoice, "recipient sample 2 subtype"},
		{"subtype of O", in(func(s *BloodSample) { s.Group, s.Subtype = GroupO, SubtypeA1 }), clinical.UnknownChoice, "recipient sample 2 subtype"},
		{"no specimen", in(func(s *BloodSample) { s.Ref = " " }), clinical.Missing, "recipient sample 2 specimen"},
		{"no time", time(""), clinical.Missing, "recipient sample 2 time of collection"},
		{"date only", time("2026-02-03"), UnreadableTime, "recipient sample 2 time of collection"},
		{"no offset", time("2026-02-03T08:30:00"), UnreadableTime, "recipient sample 2 time of collection"},
		{"no seconds", time("2026-02-03T08:30Z"), UnreadableTime, "recipient sample 2 time of collection"},
		{"no such day", time("2026-02-30T08:30:00Z"), UnreadableTime, "recipient sample 2 time of collection"},
		{"no such month", time("2026-13-03T08:30:00Z"), UnreadableTime, "recipient sample 2 time of collection"},
		{"no such hour", time("2026-02-03T25:30:00Z"), UnreadableTime, "recipient sample 2 time of collection"},
		{"space", time("2026-02-03 08:30:00Z"), UnreadableTime, "recipient sample 2 time of collection"},
		{"letters", time("2026-02-03T08:3o:00Z"), UnreadableTime, "recipient sample 2 time of collection"},
		{"unknown answer", in(func(s *BloodSample) { s.PreTransfusion = "maybe" }), clinical.UnknownChoice, "recipient sample 2 taken before transfusion"},
		{"donor first", ABOInput{Donor: []BloodSample{{}}}, clinical.Missing, "donor sample 1 group"},
		{"titre unit", titred(clinical.NewMeasurement(8, "mg/dL")), clinical.UnknownUnit, "recipient anti-A titre"},
		{"titre without unit", titred(clinical.NewMeasurement(8, "")), clinical.UnknownUnit, "recipient anti-A titre"},
		{"titre zero", titred(titre(0)), clinical.NotPositive, "recipient anti-A titre"},
		{"titre negative", titred(titre(-8)), clinical.NotPositive, "recipient anti-A titre"},
		{"titre NaN", titred(titre(math.NaN())), clinical.NotFinite, "recipient anti-A titre"},
		{"titre infinite", titred(titre(math.Inf(1))), clinical.NotFinite, "recipient anti-A titre"},
		{"titre minus infinite", titred(titre(math.Inf(-1))), clinical.NotFinite, "recipient anti-A titre"},
		{"titre not whole", titred(titre(0.5)), clinical.OutOfRange, "recipient anti-A titre"},
		{"titre not whole above one", titred(titre(8.5)), clinical.OutOfRange, "recipient anti-A titre"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := ABO(tt.in, DefaultABORules())
			wantError(t, err, tt.code, tt.field)
		})
	}
	for _, limit := range []int{0, -1} {
		_, err := ABO(titred(titre(8)), ABORules{HighestAntiATitre: limit, ShortestGap: DefaultABORules().ShortestGap})
		wantError(t, err, clinical.NotPositive, "highest anti-A titre")
	}
	for gap, code := range map[clinical.Measurement]clinical.Code{
		{}: clinical.Missing, clinical.NewMeasurement(-1, "h"): clinical.NotPositive, clinical.NewMeasurement(math.Inf(1), "h"): clinical.NotFinite,
		clinical.NewMeasurement(math.NaN(), "h"): clinical.NotFinite, clinical.NewMeasurement(1, "mo"): clinical.UnknownUnit, clinical.NewMeasurement(0, "mo"): clinical.UnknownUnit,
	} {
		_, err := ABO(titred(titre(8)), ABORules{HighestAntiATitre: 8, ShortestGap: gap})
		wantError(t, err, code, "shortest gap between occasions")
	}
}

func TestABOErrorsRepeatNothingTyped(t *testing.T) {
	const secret = "MRN-4711"
	for _, s := range []BloodSample{
		{Group: secret}, {Group: GroupA, Subtype: secret}, {Group: GroupA, Ref: secret, Collected: secret},
		{Group: GroupA, Ref: secret}, {Group: GroupA, Ref: secret, Collected: firstDay, PreTransfusion: secret},
	} {
		_, err := ABO(ABOInput{Donor: []BloodSample{s}}, DefaultABORules())
		if err == nil || strings.Contains(err.Error(), secret) {
			t.Errorf("the error %v repeats what was typed, or is missing", err)
		}
	}
}

// TestABOOrderOfSamples: the order of the samples does not change what is
// reported or answered.
func TestABOOrderOfSamples(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sample := rapid.Custom(func(t *rapid.T) BloodSample {
			return BloodSample{
				Group: rapid.SampledFrom([]Group{GroupA, GroupA, GroupA, GroupAB}).Draw(t, "group"), Subtype: rapid.SampledFrom(Subtypes()).Draw(t, "subtype"),
				Ref: rapid.SampledFrom([]string{"S-1", "S-2", "S-3"}).Draw(t, "ref"), Collected: rapid.SampledFrom([]string{firstDay, secondDay, thirdDay}).Draw(t, "collected"),
				PreTransfusion: rapid.SampledFrom([]clinical.Answer{clinical.Yes, clinical.Yes, clinical.No, ""}).Draw(t, "before"),
			}
		})
		donor := rapid.SliceOfN(sample, 0, 4).Draw(t, "donor")
		shuffled := rapid.Permutation(donor).Draw(t, "shuffled")
		recipient := plain(rapid.SampledFrom(Groups()).Draw(t, "recipient"))
		one := mustABO(t, ABOInput{Donor: donor, Recipient: recipient, AntiATitre: titre(4)})
		other := mustABO(t, ABOInput{Donor: shuffled, Recipient: recipient, AntiATitre: titre(4)})
		if one.Answer != other.Answer || one.Donor != other.Donor || one.NonA1Route != other.NonA1Route {
			t.Fatalf("%s %v %s and %s %v %s", one.Answer, one.Donor, one.NonA1Route, other.Answer, other.Donor, other.NonA1Route)
		}
		if one.Donor.Group != "" && len(donor) < 2 {
			t.Fatal("a group is reported from fewer than two samples")
		}
	})
}

func TestABOInputAsJSON(t *testing.T) {
	const text = `{"donor":[{"group":"A","subtype":"non-A1","ref":"S-1","collected":"2026-02-03T08:30:00Z","preTransfusion":"yes"},
		{"group":"A","subtype":"non-A1","ref":"S-2","collected":"2026-02-10T08:30:00Z","preTransfusion":"yes"}],
		"recipient":[{"group":"O","ref":"R-1","collected":"2026-02-03T08:30:00Z","preTransfusion":"yes"},
		{"group":"O","ref":"R-2","collected":"2026-02-10T08:30:00Z","preTransfusion":"yes"}],
		"antiATitre":{"value":4,"unit":"1","date":"2026-02-10","ref":"T-1"}}`
	var in ABOInput
	if err := json.Unmarshal([]byte(text), &in); err != nil {
		t.Fatal(err)
	}
	r := mustABO(t, in)
	if r.NonA1Route != RoutePossible || r.Donor != (ReportedType{GroupA, SubtypeNonA1}) {
		t.Errorf("got %+v", r)
	}
	if first := r.Inputs[0]; first != (clinical.Input{Name: "donor sample 1 group", Choice: "A"}) {
		t.Errorf("got %+v", first)
	}
}
