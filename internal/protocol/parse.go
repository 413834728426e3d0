package protocol

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // the programme's zone, wherever the program runs
	"unicode/utf8"

	"github.com/goccy/go-yaml"

	"candidacy/internal/clinical/body"
	"candidacy/internal/clinical/renal"
	"candidacy/internal/journey"
)

//go:embed default.yaml
var defaultSource []byte

// Default returns the embedded default protocol.
func Default() *Protocol {
	p, err := Parse(defaultSource)
	if err != nil {
		panic("the embedded protocol is invalid: " + err.Error())
	}
	return p
}

// Parse reads a protocol and checks it whole. Its error holds every mistake as a
// *Fault with the line and the rule: see Faults.
func Parse(source []byte) (*Protocol, error) {
	p := &Protocol{}
	decoder := yaml.NewDecoder(bytes.NewReader(source), yaml.Strict())
	if err := decoder.Decode(p); err != nil && !errors.Is(err, io.EOF) {
		return nil, malformed(err, source)
	}
	var rest any
	if err := decoder.Decode(&rest); !errors.Is(err, io.EOF) {
		return nil, malformed(errors.New("the file holds more than one document"), source)
	}
	p.source = slices.Clone(source)
	sum := sha256.Sum256(source)
	p.digest = hex.EncodeToString(sum[:])
	if err := p.check(); err != nil {
		return nil, err
	}
	p.rules = p.compile()
	p.prepare()
	p.confide()
	return p, nil
}

var identifier = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// check reports every mistake at once.
func (p *Protocol) check() error {
	var errs []error
	lines := newLocator(p.source)
	fail := func(format string, args ...any) {
		errs = append(errs, lines.located(fmt.Errorf(format, args...).Error()))
	}
	if p.Version == "" {
		fail("version: missing")
	}
	if p.Statement == "" {
		fail("general_statement: missing")
	}
	zone, err := time.LoadLocation(p.TimeZone)
	// "Local" would make days depend on the machine.
	if err != nil || p.TimeZone == "" || p.TimeZone == "Local" {
		fail("time_zone: %q is not an IANA time zone", p.TimeZone)
	}
	p.zone = zone
	if !slices.Contains(body.SurfaceAreaFormulas(), body.SurfaceAreaFormula(p.Methods.BodySurfaceArea)) {
		fail("methods.body_surface_area: accepted: %v", body.SurfaceAreaFormulas())
	}
	if !slices.Contains(renal.Corrections(), renal.Correction(p.Methods.PlasmaCorrection)) {
		fail("methods.plasma_clearance_correction: accepted: %v", renal.Corrections())
	}
	// Texts from before the choice have none.
	if m := p.Methods.PlasmaClearance; m != "" && m != SlopeIntercept && m != TwoCompartment {
		fail("methods.plasma_clearance: accepted: %v", []string{SlopeIntercept, TwoCompartment})
	}
	if u := p.Methods.PlasmaUncertainty; u != nil {
		if err := u.clinical().Check(); err != nil {
			fail("methods.plasma_uncertainty: %w", err)
		}
	}
	if u := p.Methods.UrineUncertainty; u != nil {
		if err := u.clinical().Check(); err != nil {
			fail("methods.urine_uncertainty: %w", err)
		}
	}
	p.checkTimers(fail)
	known := p.checkObservations(fail)
	p.checkFollowUp(fail)
	p.checkMeasures(fail)
	for key := range derivedKeys {
		known[key] = true
	}
	env, err := p.checkFacts(fail, known)
	if err != nil {
		fail("facts: %w", err)
	}
	flags := map[string]bool{}
	for i := range p.Flags {
		f := &p.Flags[i]
		at := "flags." + f.ID
		if !identifier.MatchString(f.ID) || flags[f.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		flags[f.ID] = true
		if _, ok := p.Find(f.Requirement); !ok {
			fail("%s.requirement: there is no requirement %q", at, f.Requirement)
		}
		if f.Source == "" {
			fail("%s.source: missing", at)
		}
		keys := strings.Fields(f.Of)
		if len(keys) == 0 {
			fail("%s.of: missing", at)
		}
		for _, key := range keys {
			if !known[key] {
				fail("%s.of: there is no value %q; name a computed value or the code of an observation", at, key)
			}
		}
		if !f.Coded && f.Unit == "" {
			fail("%s.unit: missing", at)
		}
		if f.Decimals < 0 || f.Decimals > 6 {
			fail("%s.decimals: accepted: 0 to 6", at)
		}
		if f.When != "" && env != nil {
			if f.condition, err = compileCondition(env, p.Facts, f.When); err != nil {
				fail("%s.when: %w", at, err)
			}
		}
		if f.Newest && !f.Coded {
			fail("%s.newest: only of coded findings does the gravest count otherwise", at)
		}
		if len(f.Bands) == 0 {
			fail("%s.bands: missing", at)
		}
		for n := range f.Bands {
			if err := f.Bands[n].compile(f.Coded); err != nil {
				fail("%s.bands[%d]: %w", at, n, err)
			}
		}
	}
	seen := map[string]bool{}
	for i, r := range p.Requirements {
		at := "requirements." + r.ID
		if r.When != "" && env != nil {
			if p.Requirements[i].condition, err = compileCondition(env, p.Facts, r.When); err != nil {
				fail("%s.when: %w", at, err)
			}
		}
		if !identifier.MatchString(r.ID) || seen[r.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		seen[r.ID] = true
		if !slices.Contains([]journey.Gate{journey.ForEvaluation, journey.ForCommittee, journey.ForScheduling, journey.ForOperation}, r.Gate) {
			fail("%s.gate: accepted: evaluation, committee, scheduling, operation", at)
		}
		switch r.Evidence {
		case journey.ByResult:
			if len(r.LOINC)+len(r.Local) == 0 {
				fail("%s.loinc: a requirement met by results names their codes", at)
			}
		case journey.ByReview, journey.ByConsent, journey.ByAssignment:
		default:
			fail("%s.evidence: accepted: result, review, consent, assignment", at)
		}
		if (r.Evidence == journey.ByResult || r.Evidence == journey.ByReview) && !slices.Contains(journey.Roles, r.Signer) {
			fail("%s.signer: accepted: %v", at, journey.Roles)
		}
		p.checkRequirement(fail, at, r)
		p.checkRepetition(fail, at, r)
		for _, flag := range r.WhenFlagged {
			if !flags[flag] {
				fail("%s.when_flagged: there is no flag %q", at, flag)
			}
		}
		if r.Title == "" || r.Source == "" {
			fail("%s: title and source are needed", at)
		}
	}
	p.checkItems(fail, env, seen)
	p.checkReviews(fail)
	p.checkRecovery(fail)
	p.checkOperation(fail)
	p.checkNotices(fail)
	p.checkBeforeOperation(fail)
	p.checkReportable(fail)
	p.checkLaboratory(fail)
	p.checkCommittee(fail)
	p.checkProgramme(fail)
	p.checkQuestionnaires(fail)
	// Nobody is approved without an advocate, whatever else a site changes.
	if !slices.ContainsFunc(p.Requirements, func(r Requirement) bool {
		return r.Evidence == journey.ByAssignment && r.Gate == journey.ForEvaluation && r.NoWaiver
	}) {
		fail("requirements: the assignment of an advocate, for the evaluation and without waiver, is missing")
	}
	if !slices.ContainsFunc(p.Requirements, func(r Requirement) bool {
		return r.ByAdvocate && r.BeforeDecision && r.Gate == journey.ForCommittee && r.NoWaiver
	}) {
		fail("requirements: the advocate's review before the decision, for the committee and without waiver, is missing")
	}
	if len(errs) == 0 {
		p.checkOrder(fail)
	}
	return errors.Join(errs...)
}

// derivedKeys name the values that are computed from results, each with the codes
// of the results it is computed from.
var derivedKeys = map[string][]string{
	"age": nil, "age-at-operation": nil, "path": nil, "sex": nil, "recipient-known": nil,
	"abo-group": {bloodTypeCode}, "bmi": sizeCodes,
	"office-systolic": officeCodes, "office-diastolic": officeCodes,
	"ambulatory-day-systolic": ambulatoryCodes, "ambulatory-day-diastolic": ambulatoryCodes,
	"ambulatory-night-systolic": ambulatoryCodes, "ambulatory-night-diastolic": ambulatoryCodes,
	"ambulatory-24h-systolic": ambulatoryCodes, "ambulatory-24h-diastolic": ambulatoryCodes,
	"egfr-creatinine":      creatinineCodes,
	"gfr-plasma-clearance": append([]string{"iohexol-dose", "iohexol-concentration", extravasationCode}, sizeCodes...),
	"creatinine-clearance": clearanceCodes,
	"clearance-difference": clearanceCodes,
	"acr-mg-per-g":         {"9318-7", "14959-1"}, "acr-mg-per-mmol": {"9318-7", "14959-1"},
	"albumin-excretion":  {"14956-7", "14957-5", "3167-4"},
	"haematuria-samples": {"13945-1"},
	// It counts flags, whatever they are computed from: see confide.
	flagsForDiscussion: nil,
}

var (
	sizeCodes       = []string{"8302-2", "29463-7"}
	officeCodes     = []string{"85354-9", "8480-6", "8462-4"}
	ambulatoryCodes = []string{"ambulatory-reading", "ambulatory-attempted", "8480-6", "8462-4"}
	creatinineCodes = []string{"2160-0", "14682-9"}
	clearanceCodes  = slices.Concat([]string{"2161-8", "3167-4"}, creatinineCodes, sizeCodes)
)

// readerPanels are the computed panels that readers get in place of their parts.
var readerPanels = map[string]string{
	"office-mean": "office-systolic", "ambulatory-day-mean": "ambulatory-day-systolic",
	"ambulatory-night-mean": "ambulatory-night-systolic", "ambulatory-24h-mean": "ambulatory-24h-systolic",
}

// checkRequirement refuses combinations that the process could never satisfy,
// or that it would take for satisfied.
func (p *Protocol) checkRequirement(fail func(string, ...any), at string, r Requirement) {
	for _, set := range append(slices.Clone(r.LOINC), r.Local...) {
		if len(set) == 0 || slices.Contains(set, "") {
			fail("%s: a set of codes without a code", at)
		}
	}
	if r.LeadDays < 0 || r.LeadDays > 365 {
		fail("%s.lead_days: accepted: 0 to 365", at)
	}
	for _, id := range r.Needs {
		if _, ok := p.Find(id); !ok || id == r.ID {
			fail("%s.needs: there is no other requirement %q", at, id)
		}
	}
	for _, each := range r.Apart {
		if _, ok := p.Find(each.Requirement); !ok || each.Requirement == r.ID || each.Days < 1 || each.Days > 365 {
			fail("%s.apart: needs another requirement and 1 to 365 days", at)
		}
	}
	if prepare := r.Preparation; prepare != (Preparation{}) {
		if n := utf8.RuneCountInString(prepare.Text); strings.TrimSpace(prepare.Text) == "" || n > mostPreparation {
			fail("%s.preparation.text: accepted: 1 to %d characters", at, mostPreparation)
		}
		if prepare.Source == "" {
			fail("%s.preparation.source: missing", at)
		}
	}
	if r.ValidDays < 0 {
		fail("%s.valid_days: must not be negative", at)
	}
	if len(r.WhenFlagged) > 0 && (r.Evidence != journey.ByResult && r.Evidence != journey.ByReview || r.BeforeDecision) {
		fail("%s.when_flagged: only results, and reviews other than before the decision, can depend on flags", at)
	}
	if r.When != "" && (r.Evidence == journey.ByAssignment || r.BeforeDecision) {
		fail("%s.when: the assignment of an advocate, and a review before the decision, always apply", at)
	}
	if r.BeforeDecision && r.Evidence != journey.ByReview {
		fail("%s.before_decision: only a review is given before a decision", at)
	}
	if r.ByAdvocate && (r.Evidence != journey.ByReview || r.Signer != journey.Advocate) {
		fail("%s.by_advocate: needs the evidence review and the signer advocate", at)
	}
	if r.Sided && r.Evidence != journey.ByConsent {
		fail("%s.sided: only a consent names a side", at)
	}
	if r.Privacy && r.Evidence != journey.ByConsent {
		fail("%s.privacy: only a consent is about data", at)
	}
}

// checkTimers also looks at the visits and the quorum.
func (p *Protocol) checkTimers(fail func(string, ...any)) {
	t := p.Timers
	for _, timer := range []struct {
		name  string
		value int
	}{
		{"first_reply_days", t.FirstReplyDays}, {"screening_days", t.ScreeningDays},
		{"evaluation_days", t.EvaluationDays}, {"committee_days", t.CommitteeDays}, {"hold_days", t.HoldDays},
		{"approval_months", t.ApprovalMonths}, {"deferral_days", t.DeferralDays},
	} {
		// The upper limit, ten years of days, keeps dates within the calendar.
		if timer.value <= 0 || timer.value > 3660 {
			fail("timers.%s: accepted: 1 to 3660", timer.name)
		}
	}
	if t.NewDateDays < 0 || t.NewDateDays > 3660 {
		fail("timers.new_date_days: accepted: 0 to 3660")
	}
	if t.CoolingOffDays < 0 || t.CoolingOffDays > 3660 {
		fail("timers.cooling_off_days: accepted: 0 to 3660")
	}
	visits := map[string]bool{}
	for _, v := range p.Visits {
		at := "visits." + v.ID
		if !identifier.MatchString(v.ID) || visits[v.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		visits[v.ID] = true
		if v.AfterDays < 0 || v.AfterMonths < 0 || (v.AfterDays > 0) == (v.AfterMonths > 0) {
			fail("%s: needs either after_days or after_months", at)
		}
		if v.OpensBefore < 0 || v.ClosesAfter < 0 {
			fail("%s: the window opens before the visit and closes after it", at)
		}
	}
	seats := map[string]bool{}
	if len(p.Quorum) == 0 {
		fail("quorum: missing")
	}
	for _, seat := range p.Quorum {
		if !identifier.MatchString(seat.ID) || seats[seat.ID] {
			fail("quorum.%s: the id is not unique or not a word of a-z, 0-9 and hyphens", seat.ID)
		}
		seats[seat.ID] = true
	}
}

// checkObservations returns the codes that are known.
func (p *Protocol) checkObservations(fail func(string, ...any)) map[string]bool {
	known := map[string]bool{}
	for _, o := range p.Observations {
		at := "observations." + o.Code
		if o.Code == "" || known[o.Code] {
			fail("%s: the code is missing or not unique", at)
		}
		known[o.Code] = true
		kinds := 0
		for _, is := range []bool{o.Coded, len(o.Units) > 0, len(o.Panel) > 0} {
			if is {
				kinds++
			}
		}
		if kinds != 1 {
			fail("%s: needs exactly one of units, coded, panel", at)
		}
		if o.YesNo && !o.Coded {
			fail("%s.yes_no: only a coded observation is a question of yes and no", at)
		}
		o.checkChoices(fail, at)
		if len(o.Factors) > 0 {
			o.checkFactors(fail, at)
		}
		if o.Low > o.High {
			fail("%s: low is above high", at)
		}
		for _, part := range o.Panel {
			if found, ok := p.Observation(part); !ok || len(found.Units) == 0 {
				fail("%s.panel: %q is not an observation with units", at, part)
			}
		}
	}
	return known
}

func (o Observation) checkChoices(fail func(string, ...any), at string) {
	seen := map[string]bool{}
	for _, c := range o.Choices {
		if !identifier.MatchString(c.Code) || seen[c.Code] || c.Title == "" {
			fail("%s.choices: each has a title and a code of its own, a word of a-z, 0-9 and hyphens", at)
		}
		seen[c.Code] = true
	}
	if len(o.Choices) > 0 && (!o.Coded || o.YesNo || len(o.Choices) < 2) {
		fail("%s.choices: only a coded observation that is no question of yes and no has two or more of its own", at)
	}
}

func (o Observation) checkFactors(fail func(string, ...any), at string) {
	if len(o.Factors) != len(o.Units) {
		fail("%s.factors: %d for %d units; needs one for each", at, len(o.Factors), len(o.Units))
		return
	}
	if o.Factors[0] != 1 {
		fail("%s.factors: that of the first unit is 1", at)
	}
	for _, factor := range o.Factors {
		if !(factor > 0) || math.IsInf(factor, 0) {
			fail("%s.factors: not a number above zero", at)
		}
	}
}

// compile reads the condition of a band.
func (b *BandRule) compile(coded bool) error {
	switch b.Band {
	case journey.Discussion, journey.Excludes:
	default:
		return fmt.Errorf("band: accepted: %s, %s", journey.Discussion, journey.Excludes)
	}
	op, operand, _ := strings.Cut(b.When, " ")
	if coded {
		if op != "is" || !slices.Contains(codedOperands, operand) {
			return fmt.Errorf("when: accepted: is %s", strings.Join(codedOperands, ", is "))
		}
		b.finding = operand
		return nil
	}
	if !slices.Contains([]string{"<", "<=", ">", ">="}, op) {
		return errors.New(`when: a comparison such as "< 60" is needed`)
	}
	threshold, err := strconv.ParseFloat(operand, 64)
	if err != nil || math.IsNaN(threshold) || math.IsInf(threshold, 0) {
		return errors.New("when: the threshold is not a number")
	}
	b.op, b.threshold = op, threshold
	return nil
}

// Threshold is the number that the condition compares with. A band of a coded
// rule has none.
func (b BandRule) Threshold() float64 { return b.threshold }

// Holds compares the unrounded value. The condition of a coded rule holds for
// no number.
func (b BandRule) Holds(v float64) bool {
	switch b.op {
	case "<":
		return v < b.threshold
	case "<=":
		return v <= b.threshold
	case ">":
		return v > b.threshold
	case ">=":
		return v >= b.threshold
	default:
		return false
	}
}

// compile makes the part of the protocol that the process knows.
func (p *Protocol) compile() journey.Rules {
	rules := journey.Rules{Version: p.Version, Timers: p.Timers, Reports: p.reports()}
	for _, r := range p.Requirements {
		rules.Requirements = append(rules.Requirements, journey.RequirementRule{
			ID: r.ID, Gate: r.Gate, Evidence: r.Evidence, Signer: r.Signer, ValidDays: r.ValidDays,
			NoWaiver: r.NoWaiver, WhenFlagged: r.WhenFlagged, Conditional: r.When != "", BeforeDecision: r.BeforeDecision,
			ByAdvocate: r.ByAdvocate, Sided: r.Sided, OperationDays: r.OperationDays, SecondSignature: r.SecondSignature,
			Items: p.items(r.ID),
		})
	}
	b := p.BeforeOperation
	rules.ByMeeting = p.Voting().ByMeeting
	rules.Readiness, rules.VerificationDays, rules.RecipientTyped = b.ReadinessDays, b.VerificationDays, b.recipientTyped()
	for _, r := range p.Reminders {
		rules.Reminders = append(rules.Reminders, journey.Reminder{Of: r.Of, Days: r.DaysBefore})
	}
	for _, v := range p.Visits {
		rules.Visits = append(rules.Visits, journey.VisitRule{
			ID: v.ID, AfterDays: v.AfterDays, AfterMonths: v.AfterMonths,
			OpensBefore: v.OpensBefore, ClosesAfter: v.ClosesAfter, InRecovery: v.InRecovery,
			RepeatsEvery: v.RepeatsEvery, RepeatsUntil: v.RepeatsUntil,
		})
	}
	p.compileFollowUp(&rules)
	for _, seat := range p.Quorum {
		rules.Quorum = append(rules.Quorum, seat.ID)
	}
	return rules
}
