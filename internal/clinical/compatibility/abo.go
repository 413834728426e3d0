package compatibility

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Group is an ABO group.
type Group string

// The ABO groups.
const (
	GroupO  Group = "O"
	GroupA  Group = "A"
	GroupB  Group = "B"
	GroupAB Group = "AB"
)

// Groups lists the ABO groups.
func Groups() []Group { return []Group{GroupO, GroupA, GroupB, GroupAB} }

// The antigens of the red cell that decide; the name of a group spells them.
const (
	antigenA = "A"
	antigenB = "B"
)

// antigens returns the antigens of a group.
func (g Group) antigens() []string {
	var list []string
	for _, antigen := range []string{antigenA, antigenB} {
		if strings.Contains(string(g), antigen) {
			list = append(list, antigen)
		}
	}
	return list
}

// foreignTo returns the antigens of the donor's group that the recipient lacks.
func (g Group) foreignTo(recipient Group) []string {
	return slices.DeleteFunc(g.antigens(), func(antigen string) bool {
		return slices.Contains(recipient.antigens(), antigen)
	})
}

// Subtype is the result of an A1 subtyping by lectin or genotype.
type Subtype string

// The results of a subtyping. The zero value counts as not tested.
const (
	SubtypeNotTested Subtype = "not-tested"
	SubtypeA1        Subtype = "A1"
	SubtypeNonA1     Subtype = "non-A1"
)

// Subtypes lists the results of a subtyping.
func Subtypes() []Subtype { return []Subtype{SubtypeNotTested, SubtypeA1, SubtypeNonA1} }

// BloodSample is one ABO result of one specimen.
type BloodSample struct {
	Group          Group           `json:"group" jsonschema:"ABO group of the sample: O, A, B or AB"`
	Subtype        Subtype         `json:"subtype,omitempty" jsonschema:"A1 subtyping of a sample of group A or AB: not-tested, A1 or non-A1"`
	Ref            string          `json:"ref" jsonschema:"identifier of the specimen; two results of one specimen count once"`
	Collected      string          `json:"collected" jsonschema:"time of collection as RFC 3339 with its offset, such as 2026-02-03T08:30:00Z or 2026-02-03T09:30:00+01:00"`
	PreTransfusion clinical.Answer `json:"preTransfusion,omitempty" jsonschema:"was the sample taken before any transfusion of red cells? yes or no"`
}

// ABOInput holds the ABO results of a donor candidate and an intended recipient.
type ABOInput struct {
	Donor      []BloodSample        `json:"donor" jsonschema:"the ABO results of the donor candidate, two or more from separate occasions"`
	Recipient  []BloodSample        `json:"recipient" jsonschema:"the ABO results of the recipient, two or more from separate occasions"`
	AntiATitre clinical.Measurement `json:"antiATitre,omitzero" jsonschema:"reciprocal of the recipient's anti-A titre, a whole number with the unit 1 (8 stands for 1:8); optional"`
}

// ABORules are the choices of a programme.
type ABORules struct {
	HighestAntiATitre int                  `json:"highestAntiATitre" jsonschema:"highest reciprocal anti-A titre, itself included, at which the protocol for non-A1 donors is open"`
	ShortestGap       clinical.Measurement `json:"shortestGap" jsonschema:"shortest time between two collections, itself included, that makes them separate occasions, in min, h or d; zero leaves only that the times differ"`
}

// DefaultABORules returns a highest anti-A titre of 8 (1:8) and a shortest gap of
// 1 h: common practice, no published source; policy sets no shortest gap. A
// programme sets its own, the titre with its method of titration.
func DefaultABORules() ABORules {
	return ABORules{HighestAntiATitre: 8, ShortestGap: clinical.NewMeasurement(1, units.Hour)}
}

// The answers of ABO.
const (
	// Compatible: the donor has no antigen that the recipient lacks.
	Compatible = "compatible"
	// Incompatible: the donor has an antigen that the recipient lacks.
	Incompatible = "incompatible"
	// Discordant: the results of one person differ. This is a hard stop until the
	// laboratory has resolved it.
	Discordant = "discordant"
	// NotDetermined: a person lacks two independent results, or has only samples
	// taken after a transfusion.
	NotDetermined = "not-determined"
)

// NonA1Route tells whether an incompatible pair may be open to a programme's
// protocol for kidneys of donors with the weak A antigen (A2, A2B).
type NonA1Route string

// The values of NonA1Route.
const (
	// RouteNotApplicable: the rule for non-A1 donors does not concern this pair.
	RouteNotApplicable NonA1Route = "not-applicable"
	// RouteNotDetermined: the subtype or the titre is missing.
	RouteNotDetermined NonA1Route = "not-determined"
	// RouteTitreTooHigh: the titre is above the limit of the programme.
	RouteTitreTooHigh NonA1Route = "titre-too-high"
	// RoutePossible: may be possible by a protocol of the programme. The pair
	// stays incompatible.
	RoutePossible NonA1Route = "non-a1-to-o-or-b-possible"
)

// ReportedType is what may be reported of one person. Group is empty until two
// independent results agree. Subtype is empty unless it may be reported.
type ReportedType struct {
	Group   Group   `json:"group,omitempty"`
	Subtype Subtype `json:"subtype,omitempty"`
}

// ABOResult is the comparison of two groups.
type ABOResult struct {
	clinical.Conclusion
	Donor      ReportedType `json:"donor"`
	Recipient  ReportedType `json:"recipient"`
	NonA1Route NonA1Route   `json:"nonA1Route"`
}

// The warnings of ABO.
const (
	// VerifyFromSource: two people verify both types from the source documents.
	// It is always present.
	VerifyFromSource clinical.WarningCode = "verify-from-source"
	// GroupAfterTransfusion: a sample was taken after a transfusion.
	GroupAfterTransfusion clinical.WarningCode = "group-after-transfusion"
	// TransfusionNotRecorded: it is not recorded whether a sample was taken
	// before transfusion.
	TransfusionNotRecorded clinical.WarningCode = "transfusion-not-recorded"
	// ProtocolOnly: the non-A1 route is open only by a protocol of the programme.
	ProtocolOnly clinical.WarningCode = "protocol-only"
)

// UnreadableTime is the code of the error for a time of collection that is not
// written as asked, or that the calendar does not have.
const UnreadableTime clinical.Code = "unreadable-time"

// ABO compares the group of a donor with that of a recipient. They are
// compatible when every antigen of the donor's red cells is one of the
// recipient's. Rh and minor antigens are not considered.
//
// The answer is Discordant when two results of one person differ, else
// NotDetermined unless each person has two results of different specimens
// collected on separate occasions, that is, at different times with the shortest
// gap of the programme between them, else Compatible or Incompatible. It is
// NotDetermined as well when every sample of a person is known to be taken after
// a transfusion. Short of that, samples taken after one, or of which this is not
// recorded, get a reason unless two independent ones were taken before.
//
// A subtype is read from pre-transfusion samples only, and non-A1 is reported
// only by two independent concordant results; an A1 of a sample of which this is
// not recorded prevents it. When antigen A of a non-A1 donor is all that is
// foreign (A2 to O, A2 to B, A2B to B; not A2B to O or A, where B is foreign), the
// pair stays Incompatible, and NonA1Route tells whether a protocol of the
// programme may be open at the recorded anti-A titre.
//
// It returns a *clinical.Error for a sample without group, specimen or time, an
// unknown word, a subtype of a group without antigen A, a time that is not RFC
// 3339 or not in the calendar, a titre that is not a positive whole number with
// the unit 1, a limit under 1, and a shortest gap that is missing, negative, not
// finite or of an unknown unit.
//
// Source: antigens of the ABO system; two results and subtype by OPTN policy
// 14.5 and 3.3 (from memory); the non-A1 route is common practice, no published
// source.
func ABO(in ABOInput, rules ABORules) (ABOResult, error) {
	if err := in.check(rules); err != nil {
		return ABOResult{}, err
	}
	gap, err := durationOrZero("shortest gap between occasions", rules.ShortestGap, units.Minute)
	if err != nil {
		return ABOResult{}, err
	}
	r := ABOResult{
		Conclusion: clinical.Conclusion{
			Question: "is the ABO group of the donor compatible with that of the recipient",
			Rule:     "abo-antigen-subset",
			Source:   "antigens A and B of the red cell; " + optn145,
		},
		NonA1Route: RouteNotApplicable,
	}
	r.describe("donor", in.Donor)
	r.describe("recipient", in.Recipient)
	if in.AntiATitre.Given() {
		r.AddInput("recipient anti-A titre", in.AntiATitre)
	}
	warnPhysical(&r.Conclusion)
	r.Warn(VerifyFromSource, "two qualified people verify both types independently from the source documents before anything rests on them")

	var donorState, recipientState string
	r.Donor, donorState = r.determine("donor", in.Donor, gap)
	r.Recipient, recipientState = r.determine("recipient", in.Recipient, gap)
	switch states := []string{donorState, recipientState}; {
	case slices.Contains(states, Discordant):
		r.Answer = Discordant
	case slices.Contains(states, NotDetermined):
		r.Answer = NotDetermined
	default:
		r.compare(in, rules)
	}
	if weighed := r.NonA1Route == RoutePossible || r.NonA1Route == RouteTitreTooHigh; in.AntiATitre.Given() && !weighed {
		r.AddReason(clinical.Neutral, commonPractice, "the anti-A titre of the recipient was not weighed: it counts only where antigen A of a donor reported as non-A1 is all that is foreign")
	}
	r.AddReason(clinical.Neutral, commonPractice, "Rh and minor antigens are not considered")
	return r, nil
}

// compare answers for two groups that are determined.
func (r *ABOResult) compare(in ABOInput, rules ABORules) {
	foreign := r.Donor.Group.foreignTo(r.Recipient.Group)
	pair := fmt.Sprintf("donor %s, recipient %s: ", r.Donor.Group, r.Recipient.Group)
	if len(foreign) == 0 {
		r.Answer = Compatible
		r.AddReason(clinical.Decides, commonPractice, pair+"the donor has no antigen that the recipient lacks")
		return
	}
	r.Answer = Incompatible
	r.AddReason(clinical.Decides, commonPractice, pair+"the recipient lacks antigen "+strings.Join(foreign, " and "))
	r.weighNonA1(foreign, in.AntiATitre, rules.HighestAntiATitre)
	r.AddReason(clinical.Neutral, "KDIGO 2017 living donor guideline, chapter 3 (from memory)",
		"incompatibility by itself is no reason to refuse a candidate; paired donation and other ways are offered")
}

// weighNonA1 decides about the protocol for non-A1 donors in a pair that is
// incompatible.
func (r *ABOResult) weighNonA1(foreign []string, titre clinical.Measurement, limit int) {
	if !slices.Equal(foreign, []string{antigenA}) {
		if r.Donor.Subtype == SubtypeNonA1 {
			r.AddReason(clinical.Supports, commonPractice, "the donor is non-A1, but antigen B is foreign to the recipient as well")
		}
		return
	}
	switch r.Donor.Subtype {
	case SubtypeA1:
		r.AddReason(clinical.Supports, commonPractice, "the donor is A1, so the protocol for non-A1 donors does not apply")
		return
	case SubtypeNonA1:
	default:
		r.NonA1Route = RouteNotDetermined
		r.AddReason(clinical.NotKnown, optn145, "whether the donor is non-A1: that needs two concordant non-A1 results of separate pre-transfusion samples, and no A1 beside them")
		return
	}
	switch {
	case !titre.Given():
		r.NonA1Route = RouteNotDetermined
		r.AddReason(clinical.NotKnown, commonPractice, "the anti-A titre of the recipient was not recorded")
	case titre.Value > float64(limit):
		r.NonA1Route = RouteTitreTooHigh
		r.AddReason(clinical.Supports, commonPractice, fmt.Sprintf("the donor is non-A1, but the anti-A titre is above the programme's limit of 1:%d", limit))
	default:
		r.NonA1Route = RoutePossible
		r.AddReason(clinical.Opposes, commonPractice, fmt.Sprintf("the donor is non-A1 and the anti-A titre is within the programme's limit of 1:%d: may be possible by programme protocol", limit))
		r.Warn(ProtocolOnly, "the pair stays incompatible; a non-A1 kidney may be possible only by a written protocol of the programme, with the titre checked again")
	}
}

// determine tells what may be reported of a person, and whether the results are
// Discordant, NotDetermined or, with an empty state, determined. The gap is the
// shortest one between occasions in minutes.
func (r *ABOResult) determine(person string, samples []BloodSample, gap float64) (ReportedType, string) {
	if len(samples) == 0 {
		r.AddReason(clinical.NotKnown, optn145, person+": no result; two from separate occasions are needed")
		return ReportedType{}, NotDetermined
	}
	reported := ReportedType{Group: samples[0].Group}
	switch {
	case slices.ContainsFunc(samples, func(s BloodSample) bool { return s.Group != reported.Group }):
		r.AddReason(clinical.Decides, optn145, person+": the results differ; stop, and resolve by the written protocol of the laboratory before going on")
		return ReportedType{}, Discordant
	case !slices.ContainsFunc(samples, func(s BloodSample) bool { return s.PreTransfusion != clinical.No }):
		r.AddReason(clinical.NotKnown, transfusionGuidance, person+": every sample was taken after transfusion, so the group may be that of the transfused cells; two results of samples from before transfusion are needed, or the written protocol of the laboratory")
		return ReportedType{}, NotDetermined
	case len(samples) == 1:
		r.AddReason(clinical.NotKnown, optn145, person+": only one result; a second of another specimen from another occasion is needed")
		return ReportedType{}, NotDetermined
	case !independent(samples, gap):
		r.AddReason(clinical.NotKnown, optn145, fmt.Sprintf("%s: no two results are of different specimens with different times of collection at least %g min apart, the programme's limit; one from another occasion is needed", person, gap))
		return ReportedType{}, NotDetermined
	}
	r.AddReason(clinical.Neutral, optn145, fmt.Sprintf("%s: %d results, two of them independent, agree on group %s", person, len(samples), reported.Group))
	r.weighTransfusion(person, samples, gap)
	reported.Subtype = r.subtype(person, reported.Group, samples, gap)
	return reported, ""
}

// weighTransfusion records what speaks against a group because of transfusion.
func (r *ABOResult) weighTransfusion(person string, samples []BloodSample, gap float64) {
	var before []BloodSample
	var after, unknown []string
	for i, s := range samples {
		switch s.PreTransfusion {
		case clinical.Yes:
			before = append(before, s)
		case clinical.No:
			after = append(after, strconv.Itoa(i+1))
		default:
			unknown = append(unknown, strconv.Itoa(i+1))
		}
	}
	if independent(before, gap) {
		return
	}
	if len(after) > 0 {
		r.AddReason(clinical.Opposes, transfusionGuidance, fmt.Sprintf("%s: the group rests on results of samples taken after transfusion (sample %s), which may be those of the transfused cells", person, strings.Join(after, ", ")))
	}
	if len(unknown) > 0 {
		r.AddReason(clinical.NotKnown, transfusionGuidance, fmt.Sprintf("%s: whether the samples on which the group rests were taken before transfusion (sample %s)", person, strings.Join(unknown, ", ")))
	}
}

// subtype returns the subtype that may be reported, empty if none.
func (r *ABOResult) subtype(person string, group Group, samples []BloodSample, gap float64) Subtype {
	var a1, nonA1 []BloodSample
	var doubt bool
	for i, s := range samples {
		switch {
		case !s.subtyped():
		case s.PreTransfusion == clinical.No:
			r.AddReason(clinical.Neutral, optn145, fmt.Sprintf("%s sample %d was taken after transfusion, so its subtype is not used", person, i+1))
		case s.PreTransfusion == clinical.NotRecorded:
			// It may have been taken before, and then it disagrees with non-A1.
			doubt = doubt || s.Subtype == SubtypeA1
			r.AddReason(clinical.NotKnown, optn145, fmt.Sprintf("whether %s sample %d was taken before transfusion, so its subtype proves nothing", person, i+1))
		case s.Subtype == SubtypeA1:
			a1 = append(a1, s)
		default:
			nonA1 = append(nonA1, s)
		}
	}
	switch {
	case len(a1) > 0 && len(nonA1) > 0:
		r.AddReason(clinical.Neutral, optn145, fmt.Sprintf("%s: the subtype results disagree, so group %s is reported without subtype", person, group))
	case doubt && len(nonA1) > 0:
		r.AddReason(clinical.NotKnown, optn145, fmt.Sprintf("%s: whether the A1 of a sample that may be pre-transfusion disagrees with non-A1, so group %s is reported without subtype", person, group))
	case independent(nonA1, gap):
		r.AddReason(clinical.Neutral, optn145, person+": two independent pre-transfusion results agree on non-A1")
		return SubtypeNonA1
	case len(nonA1) > 0:
		r.AddReason(clinical.NotKnown, optn145, fmt.Sprintf("%s: a second non-A1 result from another occasion is missing, so group %s is reported without subtype", person, group))
	case len(a1) > 0:
		r.AddReason(clinical.Neutral, optn145, person+": the subtype is A1")
		return SubtypeA1
	}
	return ""
}

// independent reports whether two of the samples are of different specimens and
// of occasions with at least the gap, in minutes, between them.
func independent(samples []BloodSample, gap float64) bool {
	for i, a := range samples {
		for _, b := range samples[:i] {
			if a.independentOf(b, gap) {
				return true
			}
		}
	}
	return false
}

func (s BloodSample) independentOf(other BloodSample, gap float64) bool {
	otherSpecimen := !strings.EqualFold(strings.TrimSpace(s.Ref), strings.TrimSpace(other.Ref))
	between := s.time().Sub(other.time()).Abs().Minutes()
	return otherSpecimen && between > 0 && between >= gap
}

// time returns the instant of collection. It was checked before.
func (s BloodSample) time() time.Time {
	t, _ := time.Parse(time.RFC3339, s.Collected)
	return t
}

func (s BloodSample) subtyped() bool {
	return s.Subtype == SubtypeA1 || s.Subtype == SubtypeNonA1
}

func (in ABOInput) check(rules ABORules) error {
	for i, s := range in.Donor {
		if err := s.check(fmt.Sprintf("donor sample %d", i+1)); err != nil {
			return err
		}
	}
	for i, s := range in.Recipient {
		if err := s.check(fmt.Sprintf("recipient sample %d", i+1)); err != nil {
			return err
		}
	}
	if rules.HighestAntiATitre <= 0 {
		return &clinical.Error{
			Code: clinical.NotPositive, Field: "highest anti-A titre",
			Message: "the limit of the programme must be greater than zero", Accepted: []string{"a reciprocal titre such as 8 for 1:8"},
		}
	}
	return checkTitre("recipient anti-A titre", in.AntiATitre)
}

func (s BloodSample) check(field string) error {
	switch {
	case s.Group == "":
		return missing(field+" group", "the ABO group is required", clinical.Words(Groups())...)
	case !slices.Contains(Groups(), s.Group):
		return unknownChoice(field+" group", "the ABO group is not known", clinical.Words(Groups())...)
	case s.Subtype != "" && !slices.Contains(Subtypes(), s.Subtype):
		return unknownChoice(field+" subtype", "the subtype is not known", clinical.Words(Subtypes())...)
	case s.subtyped() && !slices.Contains(s.Group.antigens(), antigenA):
		return unknownChoice(field+" subtype", "only samples of group A or AB have a subtype", string(SubtypeNotTested))
	case strings.TrimSpace(s.Ref) == "":
		return missing(field+" specimen", "the identifier of the specimen is required, because one specimen counts once")
	case s.Collected == "":
		return missing(field+" time of collection", "the time is required, because one occasion counts once", "a time such as 2026-02-03T08:30:00Z")
	}
	if _, err := time.Parse(time.RFC3339, s.Collected); err != nil {
		return &clinical.Error{
			Code: UnreadableTime, Field: field + " time of collection",
			Message: "the time is not RFC 3339 or not in the calendar", Accepted: []string{"a time such as 2026-02-03T08:30:00Z or 2026-02-03T08:30:00+01:00"},
		}
	}
	return clinical.CheckAnswer(field+" taken before transfusion", s.PreTransfusion)
}

func checkTitre(field string, titre clinical.Measurement) error {
	accepted := []string{"a whole number with the unit 1, such as 8 for 1:8"}
	switch value := titre.Value; {
	case !titre.Given():
		return nil
	case titre.Unit != units.One:
		return &clinical.Error{Code: clinical.UnknownUnit, Field: field, Message: "the unit of a reciprocal titre is 1", Accepted: accepted}
	case math.IsNaN(value) || math.IsInf(value, 0):
		return &clinical.Error{Code: clinical.NotFinite, Field: field, Message: "the titre is not a finite number", Accepted: accepted}
	case value <= 0:
		return &clinical.Error{Code: clinical.NotPositive, Field: field, Message: "the titre must be greater than zero", Accepted: accepted}
	case value != math.Trunc(value):
		return &clinical.Error{Code: clinical.OutOfRange, Field: field, Message: "the titre is the reciprocal of a dilution", Accepted: accepted}
	}
	return nil
}

func (r *ABOResult) describe(person string, samples []BloodSample) {
	for i, s := range samples {
		name := fmt.Sprintf("%s sample %d ", person, i+1)
		r.AddChoice(name+"group", string(s.Group))
		r.AddChoice(name+"subtype", string(s.Subtype))
		r.AddChoice(name+"specimen", s.Ref)
		r.AddChoice(name+"time of collection", s.Collected)
		r.AddChoice(name+"taken before transfusion", string(s.PreTransfusion))
		switch s.PreTransfusion {
		case clinical.No:
			r.Warn(GroupAfterTransfusion, "%s was taken after transfusion, so its group may be that of the transfused cells", strings.TrimSpace(name))
		case clinical.NotRecorded:
			r.Warn(TransfusionNotRecorded, "%s: it is not recorded whether it was taken before transfusion", strings.TrimSpace(name))
		}
	}
}
