package protocol

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"cel.dev/cel-go/common/types"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// LocalSystem is the code system of results that have no confirmed LOINC code.
const LocalSystem = "https://candidacy.example/CodeSystem/observation"

// LOINCSystem is the code system of LOINC.
const LOINCSystem = "http://loinc.org"

// value is one thing that a flag rule may read.
type value struct {
	number float64
	// comparator makes the number a limit.
	comparator string
	finding    string
	answer     string
	word       string
	unit       string
	interval   *Interval
	equation   string
	inputs     []Input
	date       journey.Date
	warnings   []string
	derived    string
	// err says why there is no number although results are there.
	err error
	// reported is the result that the value is of, and evidence identifies what
	// a computed one stands on. Print is its fingerprint, once it was asked for.
	reported *charted
	evidence []string
	print    string
}

// fingerprint identifies the exact results behind the value.
func (v *value) fingerprint() string {
	if v.print == "" {
		if v.reported != nil {
			v.print = v.reported.alone()
		} else {
			v.print = fingerprint(v.evidence...)
		}
	}
	return v.print
}

// slot is what there is under one key: a code or the name of a computed value.
type slot struct {
	newest *charted
	value  *value
	// coded are the coded results of a code that value does not hold, because
	// it is of a newer one.
	coded []*value
}

// assessment is one evaluation under way.
type assessment struct {
	*history
	protocol *Protocol
	person   Person
	today    journey.Date
	slots    []slot
	// others has the keys that the protocol does not name.
	others  map[string]*slot
	derived []Derived
	// asked are the facts as they were found.
	asked []fact
}

// Assess evaluates every result on record: which requirements they can
// satisfy, what is computed from them, and in which band each value falls. It
// reads only results that are final, amended or corrected; what can't be
// computed is reported as undecided, with the reason.
func (p *Protocol) Assess(person Person, results []result.Result, today journey.Date) Report {
	return p.assess(person, historyOf(results), today)
}

func (p *Protocol) assess(person Person, h *history, today journey.Date) Report {
	a := p.begin(person, h, today)
	return Report{
		Findings: a.findings(), Flags: a.flags(), Derived: a.derived, Conditions: a.conditions(), BloodType: agreement(h.samples),
	}
}

// begin finds every value that rules may read.
func (p *Protocol) begin(person Person, h *history, today journey.Date) *assessment {
	a := &assessment{history: h, protocol: p, person: person, today: today, slots: make([]slot, len(p.slots))}
	a.reported()
	a.compute()
	a.bloodGroup()
	return a
}

func (a *assessment) findings() []journey.Finding {
	found := make([]journey.Finding, 0, len(a.protocol.Requirements))
	for i := range a.protocol.Requirements {
		if finding, ok := a.finding(&a.protocol.Requirements[i]); ok {
			found = append(found, finding)
		}
	}
	return orNil(found)
}

func (a *assessment) flags() []Flag {
	a.countFlags()
	rules := make([]*FlagRule, 0, len(a.protocol.Flags))
	for i := range a.protocol.Flags {
		if rule := &a.protocol.Flags[i]; a.concerns(rule) {
			rules = append(rules, rule)
		}
	}
	// Flags are large, so that there is room for these and no more.
	flags := make([]Flag, 0, len(rules))
	for _, rule := range rules {
		flags = append(flags, a.flag(rule))
	}
	return orNil(flags)
}

// orNil keeps what is empty as it is written in JSON, null.
func orNil[T any](list []T) []T {
	if len(list) == 0 {
		return nil
	}
	return list
}

// at is the slot of a key.
func (a *assessment) at(key string) *slot {
	if i, ok := a.protocol.slots[key]; ok {
		return &a.slots[i]
	}
	s := a.others[key]
	if s == nil {
		if a.others == nil {
			a.others = map[string]*slot{}
		}
		s = &slot{}
		a.others[key] = s
	}
	return s
}

// newest returns the newest usable result of any of the codes.
func (a *assessment) newest(codes ...string) (*charted, bool) {
	var newest *charted
	for _, code := range codes {
		if r := a.at(code).newest; r != nil && (newest == nil || newest.compare(r) < 0) {
			newest = r
		}
	}
	return newest, newest != nil
}

// all returns every usable result of the code, newest first.
func (a *assessment) all(code string) []*charted {
	var list []*charted
	for r := a.at(code).newest; r != nil; r = r.older {
		list = append(list, r)
	}
	return list
}

// finding reports the results that can satisfy a requirement, if they are
// complete. The oldest of a set decides how long it is valid.
func (a *assessment) finding(r *Requirement) (journey.Finding, bool) {
	f := journey.Finding{Requirement: r.ID}
	if r.Evidence != journey.ByResult {
		return f, false
	}
	if r.blood {
		return a.bloodFinding(r)
	}
	var best []int
	for _, set := range r.sets {
		collected, ok := a.complete(r, set)
		if ok && (best == nil || f.Collected.Before(collected)) {
			best, f.Collected = set, collected
		}
	}
	if best == nil {
		return f, false
	}
	f.Evidence = a.evidenceOf(best)
	return f, true
}

// complete returns the oldest day of the newest results of a set, if it has
// enough of them and nothing has been reported since that asks for new ones.
func (a *assessment) complete(r *Requirement, set []int) (collected journey.Date, ok bool) {
	for _, i := range set {
		newest := a.slots[i].newest
		if newest == nil || newest.days(r.Occasions) < r.Occasions {
			return "", false
		}
		if day := journey.Date(newest.CollectedOn); collected == "" || day.Before(collected) {
			collected = day
		}
	}
	return collected, !a.renewed(r, collected)
}

// renewed reports whether something was reported after the day that asks for a
// new result.
func (a *assessment) renewed(r *Requirement, collected journey.Date) bool {
	return slices.ContainsFunc(r.RenewedBy, func(id string) bool {
		f := a.fact(&a.protocol.Facts[a.protocol.facts[id]])
		return f.value != nil && f.value != types.False && collected.Before(f.input.Date)
	})
}

// evidenceOf is the fingerprint of all results of a set. Readings of a series
// belong together: a new one is new evidence.
func (a *assessment) evidenceOf(set []int) string {
	if len(set) == 1 {
		return a.slots[set[0]].newest.withOlder()
	}
	var room [16]string
	evidence := room[:0]
	for _, i := range set {
		evidence = a.slots[i].newest.appendEvidence(evidence)
	}
	return fingerprint(evidence...)
}

// samplesFor gives the first sample to the requirement of the first, and all to
// that of the second, if there is a second of another draw.
func (a *assessment) samplesFor(r *Requirement) []BloodSample {
	switch {
	case len(a.samples) == 0:
		return nil
	case r.Gate == journey.ForCommittee:
		return a.samples[:1]
	case independent(a.samples):
		return a.samples
	}
	return nil
}

func (a *assessment) bloodFinding(r *Requirement) (journey.Finding, bool) {
	f := journey.Finding{Requirement: r.ID}
	chosen := a.samplesFor(r)
	if len(chosen) == 0 {
		return f, false
	}
	var evidence []string
	for _, s := range chosen {
		evidence = append(evidence, s.Result)
		f.Collected = a.collected(s.Result)
	}
	f.Evidence = fingerprint(evidence...)
	return f, true
}

func (a *assessment) collected(evidence string) journey.Date {
	for _, r := range a.newestFirst {
		if r.evidence == evidence {
			return journey.Date(r.CollectedOn)
		}
	}
	return ""
}

// Findings of a coded result.
const (
	findingPositive  = "positive"
	findingNegative  = "negative"
	findingEquivocal = "equivocal"
)

// codedOperands are what a band of a coded rule may name.
var codedOperands = []string{
	findingPositive, findingEquivocal, findingNegative, string(clinical.Yes), string(clinical.No),
}

// codedFindings reads SNOMED CT qualifier values. The first three are the usual
// ones of a screen; the last two are from memory.
var codedFindings = map[string]string{
	"10828004": findingPositive, "260385009": findingNegative, "42425007": findingEquivocal,
	"260373001": findingPositive, "260415000": findingNegative,
}

// reported offers every reported value to the rules under its code.
func (a *assessment) reported() {
	values, inputs := make([]value, 0, len(a.newestFirst)), make([]Input, 0, len(a.newestFirst))
	for _, r := range a.newestFirst {
		at := a.at(r.Code.Code)
		if at.newest == nil {
			at.newest = r
		}
		known := at.value != nil
		if known && r.Value.Coding == nil {
			continue
		}
		v := value{date: journey.Date(r.CollectedOn), reported: r}
		var input Input
		switch {
		case r.Value.Quantity != nil:
			input = inputOf(r, "")
			v.unit, v.comparator = r.Value.Quantity.Unit, r.Value.Quantity.Comparator
			if v.number, v.err = r.Value.Quantity.Float(); v.err == nil && v.comparator != "" {
				v.err = errLimit
			}
		case r.Value.Coding != nil:
			finding, ok := codedFindings[r.Value.Coding.Code]
			answer := answers[r.Value.Coding.Code]
			if !ok && answer == "" {
				v.err = errNotCoded
			}
			v.finding, v.answer = finding, string(answer)
			input = Input{Name: r.Code.Display, Value: finding + v.answer, Date: r.Effective, Result: r.ID}
		case r.Value.Text != "":
			// The newest result stands, though no rule can read it: an older
			// number must not speak in its place.
			v.err = errText
		default:
			continue
		}
		if !errors.Is(v.err, errText) {
			n := len(inputs)
			inputs = append(inputs, input)
			v.inputs = inputs[n : n+1 : n+1]
		}
		if known && v.finding == "" {
			continue
		}
		values = append(values, v)
		reported := &values[len(values)-1]
		if known {
			at.coded = append(at.coded, reported)
			continue
		}
		at.value = reported
		a.ratio(r, reported)
	}
}

var (
	errNotCoded  = errors.New("the coded value is not one of positive, negative, equivocal, yes, no")
	errText      = errors.New("the result is a text and neither a number nor a code")
	errNotNumber = errors.New("the result has no number")
	errLimit     = errors.New("the result is a limit and not a number")
)

// ratio offers an albumin-to-creatinine ratio in the unit the laboratory used:
// KDIGO's limits in mg/g and in mg/mmol are not the same numbers.
func (a *assessment) ratio(r *charted, from *value) {
	if r.Code.Code != "9318-7" && r.Code.Code != "14959-1" || r.Value.Quantity == nil {
		return
	}
	key, unit := "acr-mg-per-g", units.MgPerG
	if strings.HasPrefix(r.Value.Quantity.Unit, units.MgPerMmol) {
		key, unit = "acr-mg-per-mmol", units.MgPerMmol
	}
	if a.at("acr-mg-per-g").value != nil || a.at("acr-mg-per-mmol").value != nil {
		return
	}
	v := *from
	if v.err == nil || errors.Is(v.err, errLimit) {
		q, err := units.Convert(units.AlbuminCreatinineRatio, units.Quantity{Value: v.number, Unit: v.unit}, unit)
		v.number, v.unit, v.err = q.Value, unit, cmp.Or(err, v.err)
	}
	a.at(key).value = &v
}

// exactly returns a number without a comparator: "<5" is not 5.
func exactly(q result.Quantity) (float64, error) {
	if q.Comparator != "" {
		return 0, errLimit
	}
	return q.Float()
}

func inputOf(r *charted, name string) Input {
	if name == "" {
		name = r.Code.Display
	}
	if name == "" {
		name = r.Code.Code
	}
	q := r.Value.Quantity
	return Input{Name: name, Value: q.Comparator + q.Value.String(), Unit: q.Unit, Date: r.Effective, Result: r.ID}
}

// measurement makes the input of a formula from a result.
func measurement(r *charted) (clinical.Measurement, error) {
	if r.Value.Quantity == nil {
		return clinical.Measurement{}, errNotNumber
	}
	number, err := exactly(*r.Value.Quantity)
	if err != nil {
		return clinical.Measurement{}, err
	}
	return clinical.Measurement{
		Quantity: units.Quantity{Value: number, Unit: r.Value.Quantity.Unit}, Date: r.Effective, Ref: r.ID,
	}, nil
}

// flagsForDiscussion is the key of how many flags call for discussion: several
// mild findings are a finding.
const flagsForDiscussion = "flags-for-discussion"

func (a *assessment) countFlags() {
	if !a.protocol.counts {
		return
	}
	v := &value{unit: units.One, date: a.today, equation: "count"}
	for i := range a.protocol.Flags {
		rule := &a.protocol.Flags[i]
		if !a.concerns(rule) {
			continue
		}
		if _, is := a.decisive(rule); is.band == journey.Discussion {
			v.number++
			v.evidence = append(v.evidence, "flag "+rule.ID)
			v.inputs = append(v.inputs, Input{Name: rule.Title, Value: string(journey.Discussion)})
		}
	}
	if v.number > 0 {
		a.at(flagsForDiscussion).value = v
	}
}

// concerns reports whether there is a value that the rule may read. There is no
// flag where nothing is on record.
func (a *assessment) concerns(rule *FlagRule) bool {
	if rule.condition != nil && a.known().answer(rule.condition).holds == journey.HoldsNo {
		return false
	}
	return slices.ContainsFunc(rule.slots, func(i int) bool { return a.slots[i].value != nil })
}

// flag puts a value in its band.
// Of alternatives the newest counts, and of several of one day the gravest. Of
// coded findings the gravest on record counts: a later negative of another test
// is no proof against an earlier positive. Only a correction takes it away. Of
// answers of yes and no, and where the rule says so, the newest counts.
func (a *assessment) flag(rule *FlagRule) Flag {
	v, is := a.decisive(rule)
	return rule.flag(v, is)
}

// decisive is the value that decides a rule which concerns somebody.
func (a *assessment) decisive(rule *FlagRule) (*value, verdict) {
	var worst *value
	var is verdict
	consider := func(v *value) {
		other := rule.judge(v, a.today)
		graver := other.band.Graver(is.band)
		if worst == nil || rule.Coded && graver || !rule.Coded && (worst.date.Before(v.date) || worst.date == v.date && graver) {
			worst, is = v, other
		}
	}
	for _, i := range rule.slots {
		if v := a.slots[i].value; v != nil {
			consider(v)
		}
		if rule.Coded && !rule.Newest {
			for _, v := range a.slots[i].coded {
				consider(v)
			}
		}
	}
	return worst, is
}

// verdict is the band of a value, with the reason why it can't be decided.
type verdict struct {
	band     journey.Band
	absolute bool
	reason   string
	// number is the value in the unit of the rule.
	number float64
}

// judge puts one value in its band. What is older than the requirement's results
// may be is never said to meet it.
func (rule *FlagRule) judge(v *value, today journey.Date) verdict {
	is := rule.place(v)
	if is.band == journey.Meets && rule.validDays > 0 && v.date.AddDays(rule.validDays).Before(today) {
		return verdict{band: journey.CannotDecide, reason: fmt.Sprintf("the result is of %s, older than %d days", v.date, rule.validDays)}
	}
	return is
}

// place finds the band of a value, whatever its age.
func (rule *FlagRule) place(v *value) (is verdict) {
	is.band = journey.CannotDecide
	limit := v.comparator != "" && errors.Is(v.err, errLimit)
	factor := rule.factors[v.unit]
	if v.unit == rule.Unit {
		factor = 1
	}
	switch {
	case v.err != nil && (rule.Coded || !limit):
		is.reason = v.err.Error()
	case rule.Coded && v.coded() == "":
		is.reason = "the result is not a coded finding"
	case !rule.Coded && v.coded()+v.word != "":
		is.reason = "the result is a coded finding and not a number"
	case rule.Coded:
		is.band, is.absolute = rule.BandOf(v.coded())
	case factor == 0:
		is.reason = fmt.Sprintf("the unit %s is not the rule's; accepted: %s", v.unit, rule.Unit)
	case limit:
		is.number = v.number * factor
		var settled bool
		if is.band, is.absolute, settled = rule.bandBeyond(v.comparator, is.number); !settled {
			is = verdict{band: journey.CannotDecide, reason: v.err.Error() + ", on both sides of a threshold"}
		}
	default:
		is.number = v.number * factor
		is.band, is.absolute = rule.BandAt(is.number)
	}
	return is
}

// bandBeyond is the band of every number that a limit such as "<5" leaves
// possible, if it is one band.
func (rule *FlagRule) bandBeyond(comparator string, limit float64) (band journey.Band, absolute, settled bool) {
	possible := func(number float64) bool {
		switch comparator {
		case "<":
			return number < limit
		case "<=":
			return number <= limit
		case ">":
			return number > limit
		default:
			return number >= limit
		}
	}
	// The band only changes at a threshold.
	numbers := []float64{limit}
	for _, b := range rule.Bands {
		numbers = append(numbers, b.threshold)
	}
	for _, number := range numbers {
		for _, near := range []float64{math.Nextafter(number, math.Inf(-1)), number, math.Nextafter(number, math.Inf(1))} {
			if !possible(near) {
				continue
			}
			at, is := rule.BandAt(near)
			if settled && (at != band || is != absolute) {
				return "", false, false
			}
			band, absolute, settled = at, is, true
		}
	}
	return band, absolute, settled
}

// coded is a finding or an answer of yes and no.
func (v *value) coded() string { return v.finding + v.answer }

// flag says in full how a value was judged.
func (rule *FlagRule) flag(v *value, is verdict) Flag {
	f := Flag{
		ID: rule.ID, Requirement: rule.Requirement, Title: rule.Title, Band: is.band, Absolute: is.absolute, Unit: rule.Unit,
		Threshold: rule.words, Source: rule.Source, Equation: v.equation, Inputs: v.inputs, Date: v.date,
		Warnings: v.warnings, Evidence: v.fingerprint(), Derived: v.derived, Reason: is.reason, Differs: rule.Differs,
	}
	if f.Band != journey.Meets {
		f.Clears = rule.Clears
	}
	switch {
	case is.reason != "":
	case rule.Coded:
		f.Value, f.Shown, f.Unit = v.coded(), v.coded(), ""
	default:
		f.Value = v.comparator + strconv.FormatFloat(is.number, 'g', -1, 64)
		if f.Shown = clinical.Display(is.number, rule.Decimals); v.comparator != "" {
			f.Shown = v.comparator + " " + f.Shown
			break
		}
		rule.near(&f, v, is.number)
	}
	return f
}

// near notes when the number as shown, or an end of the interval, would fall in
// another band than the unrounded value.
func (rule *FlagRule) near(f *Flag, v *value, number float64) {
	note := func(text string) {
		f.Near = true
		f.Warnings = append(slices.Clone(f.Warnings), text)
	}
	// What is shown is the rounded number; where it is none, it is the number.
	rounded, err := strconv.ParseFloat(f.Shown, 64)
	if err != nil {
		rounded = number
	}
	if shown, _ := rule.BandAt(rounded); shown != f.Band {
		note("the number as shown falls on the other side of the threshold; the unrounded value counts")
	}
	if f.Interval = v.interval; v.interval == nil {
		return
	}
	low, _ := rule.BandAt(v.interval.Low)
	high, _ := rule.BandAt(v.interval.High)
	if low != f.Band || high != f.Band {
		note("the " + v.interval.Text(rule.Decimals) + " reaches over a threshold, so the measurement alone does not settle the band")
	}
}

// BandAt returns the band of a number as it is, and whether it excludes
// absolutely.
func (rule *FlagRule) BandAt(number float64) (band journey.Band, absolute bool) {
	return rule.first(func(b *BandRule) bool { return b.Holds(number) })
}

// BandOf returns the band of a coded finding, and whether it excludes
// absolutely.
func (rule *FlagRule) BandOf(finding string) (band journey.Band, absolute bool) {
	return rule.first(func(b *BandRule) bool { return b.finding != "" && b.finding == finding })
}

func (rule *FlagRule) first(applies func(*BandRule) bool) (journey.Band, bool) {
	for i := range rule.Bands {
		if b := &rule.Bands[i]; applies(b) {
			return b.Band, b.Absolute
		}
	}
	return journey.Meets, false
}
