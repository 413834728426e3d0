package protocol

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

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
	number   float64
	finding  string
	answer   string
	word     string
	unit     string
	interval *Interval
	equation string
	inputs   []Input
	date     journey.Date
	evidence []string
	warnings []string
	derived  string
	// err says why there is no number although results are there.
	err error
}

// assessment is one evaluation under way.
type assessment struct {
	protocol *Protocol
	person   Person
	today    journey.Date
	usable   []result.Result
	values   map[string]value
	// coded are the coded results of a code that values does not hold, because
	// a newer one is there.
	coded   map[string][]value
	derived []Derived
}

// Assess evaluates every result on record: which requirements they can
// satisfy, what is computed from them, and in which band each value falls. It
// reads only results that are final, amended or corrected; what can't be
// computed is reported as undecided, with the reason.
func (p *Protocol) Assess(person Person, results []result.Result, today journey.Date) Report {
	a := &assessment{protocol: p, person: person, today: today, values: map[string]value{}, coded: map[string][]value{}}
	for _, r := range results {
		if r.Status.Usable() {
			a.usable = append(a.usable, r)
		}
	}
	// Newest first; the ids settle what the time does not.
	slices.SortFunc(a.usable, func(x, y result.Result) int {
		return cmp.Or(
			cmp.Compare(sortTime(y), sortTime(x)), cmp.Compare(y.Identifier.Value, x.Identifier.Value),
			cmp.Compare(y.Identifier.System, x.Identifier.System), cmp.Compare(evidenceOf(y), evidenceOf(x)),
		)
	})
	a.reported()
	a.compute()
	samples := BloodTypes(results)
	a.bloodGroup(samples)
	report := Report{Derived: a.derived, Conditions: a.conditions(), BloodType: agreement(samples)}
	for _, requirement := range p.Requirements {
		if finding, ok := a.finding(requirement, samples); ok {
			report.Findings = append(report.Findings, finding)
		}
	}
	for _, rule := range p.Flags {
		if flag, ok := a.flag(rule); ok {
			report.Flags = append(report.Flags, flag)
		}
	}
	return report
}

func sortTime(r result.Result) string {
	if at, err := r.EffectiveAt(); err == nil {
		return at.UTC().Format("2006-01-02T15:04:05Z")
	}
	return r.Effective
}

// evidenceOf identifies one version of one result.
func evidenceOf(r result.Result) string { return r.ID + "@" + strconv.Itoa(r.Version) }

// fingerprint identifies a set of results, in any order.
func fingerprint(evidence []string) string {
	sorted := slices.Clone(evidence)
	slices.Sort(sorted)
	sum := sha256.Sum256([]byte(strings.Join(slices.Compact(sorted), "\n")))
	return hex.EncodeToString(sum[:8])
}

// newest returns the newest usable result of any of the codes.
func (a *assessment) newest(codes ...string) (result.Result, bool) {
	for _, r := range a.usable {
		if slices.Contains(codes, r.Code.Code) {
			return r, true
		}
	}
	return result.Result{}, false
}

// all returns every usable result of the code, newest first.
func (a *assessment) all(code string) []result.Result {
	var list []result.Result
	for _, r := range a.usable {
		if r.Code.Code == code {
			list = append(list, r)
		}
	}
	return list
}

// finding reports the results that can satisfy a requirement, if they are
// complete. The oldest of a set decides how long it is valid.
func (a *assessment) finding(r Requirement, samples []BloodSample) (journey.Finding, bool) {
	if r.Evidence != journey.ByResult {
		return journey.Finding{}, false
	}
	if slices.ContainsFunc(r.LOINC, func(set []string) bool { return slices.Contains(set, bloodTypeCode) }) {
		return a.bloodFinding(r, samples)
	}
	best, found := journey.Finding{}, false
	for _, set := range append(slices.Clone(r.LOINC), r.Local...) {
		f, ok := a.complete(r, set)
		if ok && (!found || best.Collected.Before(f.Collected)) {
			best, found = f, true
		}
	}
	return best, found
}

func (a *assessment) complete(r Requirement, set []string) (journey.Finding, bool) {
	f := journey.Finding{Requirement: r.ID}
	var evidence []string
	for _, code := range set {
		newest, ok := a.newest(code)
		if !ok {
			return f, false
		}
		if day := journey.Date(newest.CollectedOn); f.Collected == "" || day.Before(f.Collected) {
			f.Collected = day
		}
		// Readings of a series belong together: a new one is new evidence.
		days := map[string]bool{}
		for _, each := range a.all(code) {
			evidence = append(evidence, evidenceOf(each))
			days[each.CollectedOn] = true
		}
		if len(days) < r.Occasions {
			return f, false
		}
	}
	if a.renewed(r, f.Collected) {
		return f, false
	}
	f.Evidence = fingerprint(evidence)
	return f, true
}

// renewed reports whether something was reported after the day that asks for a
// new result.
func (a *assessment) renewed(r Requirement, collected journey.Date) bool {
	for _, id := range r.RenewedBy {
		i := slices.IndexFunc(a.protocol.Facts, func(f Fact) bool { return f.ID == id })
		f := a.fact(a.protocol.Facts[i])
		if f.value != nil && f.value != false && collected.Before(f.input.Date) {
			return true
		}
	}
	return false
}

// bloodFinding gives the first sample to the requirement of the first, and the
// next sample of another draw to that of the second.
func (a *assessment) bloodFinding(r Requirement, samples []BloodSample) (journey.Finding, bool) {
	f := journey.Finding{Requirement: r.ID}
	if len(samples) == 0 {
		return f, false
	}
	chosen := samples[:1]
	if r.Gate != journey.ForCommittee {
		if !independent(samples) {
			return f, false
		}
		chosen = samples
	}
	var evidence []string
	for _, s := range chosen {
		evidence = append(evidence, s.Result)
		f.Collected = a.collected(s.Result)
	}
	f.Evidence = fingerprint(evidence)
	return f, true
}

func (a *assessment) collected(evidence string) journey.Date {
	for _, r := range a.usable {
		if evidenceOf(r) == evidence {
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
	for _, r := range a.usable {
		code := r.Code.Code
		_, known := a.values[code]
		if known && r.Value.Coding == nil {
			continue
		}
		v := value{date: journey.Date(r.CollectedOn), evidence: []string{evidenceOf(r)}}
		switch {
		case r.Value.Quantity != nil:
			v.inputs = []Input{inputOf(r, "")}
			v.unit = r.Value.Quantity.Unit
			v.number, v.err = exactly(*r.Value.Quantity)
		case r.Value.Coding != nil:
			finding, ok := codedFindings[r.Value.Coding.Code]
			answer := answers[r.Value.Coding.Code]
			if !ok && answer == "" {
				v.err = errors.New("the coded value is not one of positive, negative, equivocal, yes, no")
			}
			v.finding, v.answer = finding, string(answer)
			v.inputs = []Input{{Name: r.Code.Display, Value: finding + v.answer, Date: r.Effective, Result: r.ID}}
		case r.Value.Text != "":
			// The newest result stands, though no rule can read it: an older
			// number must not speak in its place.
			v.err = errors.New("the result is a text and neither a number nor a code")
		default:
			continue
		}
		if known {
			if v.finding != "" {
				a.coded[code] = append(a.coded[code], v)
			}
			continue
		}
		a.values[code] = v
		a.ratio(r, v)
	}
}

// ratio offers an albumin-to-creatinine ratio in the unit the laboratory used:
// KDIGO's limits in mg/g and in mg/mmol are not the same numbers.
func (a *assessment) ratio(r result.Result, v value) {
	if r.Code.Code != "9318-7" && r.Code.Code != "14959-1" || r.Value.Quantity == nil {
		return
	}
	key, unit := "acr-mg-per-g", units.MgPerG
	if strings.HasPrefix(r.Value.Quantity.Unit, units.MgPerMmol) {
		key, unit = "acr-mg-per-mmol", units.MgPerMmol
	}
	if _, known := a.values["acr-mg-per-g"]; known {
		return
	}
	if _, known := a.values["acr-mg-per-mmol"]; known {
		return
	}
	if v.err == nil {
		q, err := units.Convert(units.AlbuminCreatinineRatio, units.Quantity{Value: v.number, Unit: v.unit}, unit)
		v.number, v.unit, v.err = q.Value, unit, err
	}
	a.values[key] = v
}

// exactly returns a number without a comparator: "<5" is not 5.
func exactly(q result.Quantity) (float64, error) {
	if q.Comparator != "" {
		return 0, errors.New("the result is a limit and not a number")
	}
	return q.Float()
}

func inputOf(r result.Result, name string) Input {
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
func measurement(r result.Result) (clinical.Measurement, error) {
	if r.Value.Quantity == nil {
		return clinical.Measurement{}, errors.New("the result has no number")
	}
	number, err := exactly(*r.Value.Quantity)
	if err != nil {
		return clinical.Measurement{}, err
	}
	return clinical.Measurement{
		Quantity: units.Quantity{Value: number, Unit: r.Value.Quantity.Unit}, Date: r.Effective, Ref: r.ID,
	}, nil
}

// flag puts a value in its band. There is no flag where nothing is on record.
// Of alternatives the newest counts, and of several of one day the gravest. Of
// coded findings the gravest on record counts: a later negative of another test
// is no proof against an earlier positive. Only a correction takes it away. Of
// answers of yes and no the newest counts.
func (a *assessment) flag(rule FlagRule) (Flag, bool) {
	var worst Flag
	found := false
	for _, v := range a.candidates(rule) {
		f := rule.flag(v)
		graver := journey.Worst([]journey.Flag{worst.Coded(), f.Coded()}) != worst.Band
		if !found || rule.Coded && graver || !rule.Coded && (worst.Date.Before(f.Date) || worst.Date == f.Date && graver) {
			worst, found = f, true
		}
	}
	return worst, found
}

// candidates are the values that a rule may read.
func (a *assessment) candidates(rule FlagRule) []value {
	var values []value
	for _, key := range strings.Fields(rule.Of) {
		if v, ok := a.values[key]; ok {
			values = append(values, v)
		}
		if rule.Coded {
			values = append(values, a.coded[key]...)
		}
	}
	return values
}

// flag puts one value in its band.
func (rule FlagRule) flag(v value) Flag {
	f := Flag{
		ID: rule.ID, Requirement: rule.Requirement, Title: rule.Title, Band: journey.Meets, Unit: rule.Unit,
		Threshold: rule.threshold(), Source: rule.Source, Equation: v.equation, Inputs: v.inputs, Date: v.date,
		Warnings: v.warnings, Evidence: fingerprint(v.evidence), Derived: v.derived, Differs: rule.Differs,
	}
	switch {
	case v.err != nil:
		f.Band, f.Reason = journey.CannotDecide, v.err.Error()
	case rule.Coded && v.finding+v.answer == "":
		f.Band, f.Reason = journey.CannotDecide, "the result is not a coded finding"
	case !rule.Coded && v.finding+v.answer+v.word != "":
		f.Band, f.Reason = journey.CannotDecide, "the result is a coded finding and not a number"
	case rule.Coded:
		f.Value, f.Shown, f.Unit = v.finding+v.answer, v.finding+v.answer, ""
		f.Band, f.Absolute = rule.BandOf(v.finding + v.answer)
	case v.unit != rule.Unit:
		f.Band = journey.CannotDecide
		f.Reason = fmt.Sprintf("the unit %s is not the rule's; accepted: %s", v.unit, rule.Unit)
	default:
		f.Value = strconv.FormatFloat(v.number, 'g', -1, 64)
		f.Shown = clinical.Display(v.number, rule.Decimals)
		rule.place(&f, v)
	}
	if f.Band != journey.Meets {
		f.Clears = rule.Clears
	}
	return f
}

// place finds the band of the unrounded value, and notes when the number as
// shown, or an end of the interval, would fall in another.
func (rule FlagRule) place(f *Flag, v value) {
	f.Band, f.Absolute = rule.BandAt(v.number)
	note := func(text string) {
		f.Near = true
		f.Warnings = append(slices.Clone(f.Warnings), text)
	}
	if shown, _ := rule.BandAt(clinical.Round(v.number, rule.Decimals)); shown != f.Band {
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
func (rule FlagRule) BandAt(number float64) (band journey.Band, absolute bool) {
	return rule.first(func(b BandRule) bool { return b.Holds(number) })
}

// BandOf returns the band of a coded finding, and whether it excludes
// absolutely.
func (rule FlagRule) BandOf(finding string) (band journey.Band, absolute bool) {
	return rule.first(func(b BandRule) bool { return b.finding != "" && b.finding == finding })
}

func (rule FlagRule) first(applies func(BandRule) bool) (journey.Band, bool) {
	if i := slices.IndexFunc(rule.Bands, applies); i >= 0 {
		return rule.Bands[i].Band, rule.Bands[i].Absolute
	}
	return journey.Meets, false
}

// threshold says in words what the bands are.
func (rule FlagRule) threshold() string {
	parts := make([]string, len(rule.Bands))
	for i, band := range rule.Bands {
		words := strings.ReplaceAll(string(band.Band), "-", " ")
		if band.Absolute {
			words += " absolutely"
		}
		unit := rule.Unit
		if unit != "" {
			unit = " " + unit
		}
		parts[i] = fmt.Sprintf("%s when %s%s", words, band.When, unit)
	}
	return strings.Join(parts, "; ")
}
