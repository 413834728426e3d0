package protocol

import (
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // the programme's zone, wherever the program runs

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

// Parse reads a protocol and checks it whole. The error of a malformed text
// names the line; that of a rule names the rule.
func Parse(source []byte) (*Protocol, error) {
	p := &Protocol{}
	if err := yaml.UnmarshalWithOptions(source, p, yaml.Strict()); err != nil {
		return nil, fmt.Errorf("read the protocol: %w", err)
	}
	p.source = source
	sum := sha256.Sum256(source)
	p.digest = hex.EncodeToString(sum[:])
	if err := p.check(); err != nil {
		return nil, err
	}
	p.rules = p.compile()
	return p, nil
}

var identifier = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// check reports every mistake at once.
func (p *Protocol) check() error {
	var errs []error
	fail := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if p.Version == "" {
		fail("version: missing")
	}
	zone, err := time.LoadLocation(p.TimeZone)
	if err != nil || p.TimeZone == "" {
		fail("time_zone: %q is not an IANA time zone", p.TimeZone)
	}
	p.zone = zone
	if !slices.Contains(body.SurfaceAreaFormulas(), body.SurfaceAreaFormula(p.Methods.BodySurfaceArea)) {
		fail("methods.body_surface_area: accepted: %v", body.SurfaceAreaFormulas())
	}
	if !slices.Contains(renal.Corrections(), renal.Correction(p.Methods.PlasmaCorrection)) {
		fail("methods.plasma_clearance_correction: accepted: %v", renal.Corrections())
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
	for _, r := range p.Requirements {
		at := "requirements." + r.ID
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
		for _, flag := range r.WhenFlagged {
			if !flags[flag] {
				fail("%s.when_flagged: there is no flag %q", at, flag)
			}
		}
		if r.Title == "" || r.Source == "" {
			fail("%s: title and source are needed", at)
		}
	}
	return errors.Join(errs...)
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
		if op != "is" || (operand != findingPositive && operand != findingEquivocal) {
			return errors.New(`when: accepted: "is positive", "is equivocal"`)
		}
		b.finding = operand
		return nil
	}
	if !slices.Contains([]string{"<", "<=", ">", ">="}, op) {
		return errors.New(`when: a comparison such as "< 60" is needed`)
	}
	threshold, err := strconv.ParseFloat(operand, 64)
	if err != nil {
		return errors.New("when: the threshold is not a number")
	}
	b.op, b.threshold = op, threshold
	return nil
}

// holds compares the unrounded value.
func (b BandRule) holds(v float64) bool {
	switch b.op {
	case "<":
		return v < b.threshold
	case "<=":
		return v <= b.threshold
	case ">":
		return v > b.threshold
	default:
		return v >= b.threshold
	}
}

// compile makes the part of the protocol that the process knows.
func (p *Protocol) compile() journey.Rules {
	rules := journey.Rules{Version: p.Version, Timers: p.Timers}
	for _, r := range p.Requirements {
		rules.Requirements = append(rules.Requirements, journey.RequirementRule{
			ID: r.ID, Gate: r.Gate, Evidence: r.Evidence, Signer: r.Signer, ValidDays: r.ValidDays,
			NoWaiver: r.NoWaiver, WhenFlagged: r.WhenFlagged, BeforeDecision: r.BeforeDecision,
			ByAdvocate: r.ByAdvocate, Sided: r.Sided,
		})
	}
	for _, v := range p.Visits {
		rules.Visits = append(rules.Visits, journey.VisitRule{
			ID: v.ID, AfterDays: v.AfterDays, AfterMonths: v.AfterMonths,
			OpensBefore: v.OpensBefore, ClosesAfter: v.ClosesAfter, InRecovery: v.InRecovery,
		})
	}
	for _, seat := range p.Quorum {
		rules.Quorum = append(rules.Quorum, seat.ID)
	}
	return rules
}
