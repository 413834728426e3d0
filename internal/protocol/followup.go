package protocol

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"candidacy/internal/clinical/renal"
	"candidacy/internal/journey"
)

// LadderStep is one step of the ladder of contacts of a follow-up visit.
type LadderStep struct {
	ID      string          `yaml:"id"`
	Title   string          `yaml:"title"`
	Days    int             `yaml:"days" doc:"days from the target of the visit, negative before it; each step on a day of its own"`
	Channel journey.Channel `yaml:"channel"`
	Source  string          `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// Lost says when a donor counts as lost to follow-up.
type Lost struct {
	AfterVisits int               `yaml:"after_visits" doc:"visits in a row that went by without contact"`
	Contact     []journey.Outcome `yaml:"contact" doc:"what counts as contact"`
	Source      string            `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// Cohort holds the share of complete forms that the programme has to reach for
// donors of a time.
type Cohort struct {
	From              journey.Date `yaml:"from" doc:"first day of donation"`
	Until             journey.Date `yaml:"until" doc:"last day of donation; nothing: no end"`
	ClinicalPercent   float64      `yaml:"clinical_percent"`
	LaboratoryPercent float64      `yaml:"laboratory_percent"`
	Source            string       `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// Holds reports whether a donation is of the cohort.
func (c Cohort) Holds(donated journey.Date) bool {
	return !donated.Before(c.From) && (c.Until == "" || !c.Until.Before(donated))
}

// AfterDonation holds the limits for the remaining kidney, and what is expected
// of it.
type AfterDonation struct {
	LowGFR           float64 `yaml:"low_gfr" doc:"estimated GFR below which there is always a flag, in mL/min/{1.73_m2}"`
	DecliningGFR     float64 `yaml:"declining_gfr" doc:"estimated GFR below which a fall is a flag, in mL/min/{1.73_m2}"`
	DeclinePerYear   float64 `yaml:"decline_per_year" doc:"fall a year above which there is a flag, in mL/min/{1.73_m2}"`
	CreatinineRatio  float64 `yaml:"creatinine_ratio" doc:"creatinine over that before donation above which there is a flag"`
	AlbuminMgPerG    float64 `yaml:"albumin_mg_per_g" doc:"albumin-to-creatinine ratio from which there is a flag, in mg/g"`
	Systolic         float64 `yaml:"systolic" doc:"systolic pressure from which there is a flag, in mm[Hg]"`
	Diastolic        float64 `yaml:"diastolic" doc:"diastolic pressure from which there is a flag, in mm[Hg]"`
	HaemoglobinA1c   float64 `yaml:"haemoglobin_a1c" doc:"glycated haemoglobin from which there is a flag, in %"`
	Source           string  `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
	ExpectedLow      float64 `yaml:"expected_low" doc:"part of the GFR before donation that is expected to remain, low end"`
	Expected         float64 `yaml:"expected" doc:"part of the GFR before donation that is expected to remain"`
	ExpectedHigh     float64 `yaml:"expected_high" doc:"part of the GFR before donation that is expected to remain, high end"`
	SourceOfExpected string  `yaml:"source_of_expected" doc:"the publication, or that it is from memory or common practice"`
}

// Recovery is what is expected to remain, as the formula takes it.
func (a AfterDonation) Recovery() renal.Recovery {
	return renal.Recovery{Low: a.ExpectedLow, Expected: a.Expected, High: a.ExpectedHigh}
}

// Course are the limits of the course, as the formula takes them.
func (a AfterDonation) Course() renal.FollowUpRules {
	return renal.FollowUpRules{
		LowGFR: a.LowGFR, DecliningGFR: a.DecliningGFR, Decline: a.DeclinePerYear, CreatinineRatio: a.CreatinineRatio,
	}
}

// Choice is one answer of a coded observation that has answers of its own.
type Choice struct {
	Code  string `yaml:"code"`
	Title string `yaml:"title"`
}

// VisitRule finds the rule of a visit on record by its id, also of one that
// repeats another.
func (p *Protocol) VisitRule(id string) (rule Visit, months int, ok bool) {
	for _, v := range p.Visits {
		if v.ID == id && v.RepeatsEvery == 0 {
			return v, v.AfterMonths, true
		}
		if n, is := strings.CutPrefix(id, v.ID+"-m"); is && v.RepeatsEvery > 0 {
			if months, err := strconv.Atoi(n); err == nil {
				return v, months, true
			}
		}
	}
	return Visit{}, 0, false
}

// VisitTitle is what a visit on record is called.
func (p *Protocol) VisitTitle(id string) string {
	rule, months, ok := p.VisitRule(id)
	switch {
	case !ok:
		return id
	case rule.RepeatsEvery == 0:
		return rule.Title
	case months%12 == 0:
		return fmt.Sprintf("%s, year %d", rule.Title, months/12)
	default:
		return fmt.Sprintf("%s, month %d", rule.Title, months)
	}
}

// Step finds a step of the ladder by the subject of its deadline, with the visit
// that it is for.
func (p *Protocol) Step(subject string) (visit string, step LadderStep, ok bool) {
	visit, id, _ := strings.Cut(subject, "/")
	i := slices.IndexFunc(p.Ladder, func(s LadderStep) bool { return s.ID == id })
	if i < 0 {
		return visit, LadderStep{}, false
	}
	return visit, p.Ladder[i], true
}

// ItemTitle is what an item of a visit is called: the first of its observations.
func (p *Protocol) ItemTitle(item []string) string {
	if len(item) == 0 {
		return ""
	}
	if o, ok := p.Observation(item[0]); ok {
		return o.Title
	}
	return item[0]
}

// checkFollowUp checks what the visits ask for and what follows from them.
func (p *Protocol) checkFollowUp(fail func(string, ...any)) {
	for _, v := range p.Visits {
		p.checkVisitItems(fail, v)
	}
	ids := map[string]bool{}
	for i, step := range p.Ladder {
		at := "ladder." + step.ID
		if !identifier.MatchString(step.ID) || ids[step.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		ids[step.ID] = true
		if step.Days < -366 || step.Days > 366 || i > 0 && step.Days <= p.Ladder[i-1].Days {
			fail("%s.days: accepted: -366 to 366, each step later than the one before", at)
		}
		if !slices.Contains(journey.Channels, step.Channel) {
			fail("%s.channel: accepted: %v", at, journey.Channels)
		}
		if step.Title == "" || step.Source == "" {
			fail("%s: title and source are needed", at)
		}
	}
	if l := p.Lost; l != nil {
		if l.AfterVisits < 1 || l.AfterVisits > 20 {
			fail("lost.after_visits: accepted: 1 to 20")
		}
		if len(l.Contact) == 0 || slices.ContainsFunc(l.Contact, func(o journey.Outcome) bool { return !slices.Contains(journey.ContactOutcomes, o) }) {
			fail("lost.contact: accepted: %v", journey.ContactOutcomes)
		}
		if l.Source == "" {
			fail("lost.source: missing")
		}
	}
	p.checkCohorts(fail)
	if p.AfterDonation != nil {
		p.AfterDonation.check(fail)
	}
}

func (p *Protocol) checkVisitItems(fail func(string, ...any), v Visit) {
	at := "visits." + v.ID
	for _, set := range []struct {
		name  string
		items [][]string
	}{{"clinical", v.Clinical}, {"laboratory", v.Laboratory}, {"further", v.Further}} {
		for i, item := range set.items {
			if len(item) == 0 {
				fail("%s.%s[%d]: an item without an observation", at, set.name, i)
			}
			for _, code := range item {
				if _, ok := p.Observation(code); !ok {
					fail("%s.%s[%d]: there is no observation %q", at, set.name, i, code)
				}
			}
		}
	}
	if v.Reported && (v.RepeatsEvery > 0 || v.InRecovery || len(v.Clinical)+len(v.Laboratory) == 0) {
		fail("%s.reported: needs a visit of follow-up that is held once, with items", at)
	}
	if v.RepeatsEvery == 0 && v.RepeatsUntil == 0 {
		return
	}
	// A month has at least 28 days.
	if v.RepeatsEvery < 1 || v.RepeatsEvery > 120 || v.OpensBefore+v.ClosesAfter >= 28*v.RepeatsEvery {
		fail("%s.repeats_every_months: accepted: 1 to 120, and longer than the window", at)
	}
	if v.AfterMonths < 1 || v.InRecovery {
		fail("%s.repeats_every_months: needs after_months, and no visit of recovery", at)
	}
	if v.RepeatsUntil < 0 || v.RepeatsUntil > 120 || v.RepeatsUntil > 0 && 12*v.RepeatsUntil < v.AfterMonths {
		fail("%s.repeats_until_years: accepted: 0 for life, or years up to 120 that hold the first visit", at)
	}
}

func (p *Protocol) checkCohorts(fail func(string, ...any)) {
	for i, c := range p.Completeness {
		at := fmt.Sprintf("completeness[%d]", i)
		if _, err := journey.ParseDate(string(c.From)); err != nil {
			fail("%s.from: not a calendar date YYYY-MM-DD", at)
		}
		if _, err := journey.ParseDate(string(c.Until)); c.Until != "" && (err != nil || c.Until.Before(c.From)) {
			fail("%s.until: not a calendar date YYYY-MM-DD that is not before from", at)
		}
		if i > 0 && (p.Completeness[i-1].Until == "" || !p.Completeness[i-1].Until.Before(c.From)) {
			fail("%s.from: the cohort before it reaches into it", at)
		}
		for name, percent := range map[string]float64{"clinical_percent": c.ClinicalPercent, "laboratory_percent": c.LaboratoryPercent} {
			if !(percent > 0 && percent <= 100) {
				fail("%s.%s: accepted: above 0, up to 100", at, name)
			}
		}
		if c.Source == "" {
			fail("%s.source: missing", at)
		}
	}
}

func (a *AfterDonation) check(fail func(string, ...any)) {
	for _, limit := range []struct {
		name      string
		value     float64
		low, high float64
	}{
		// What is plausible at all; it catches slips only. Common practice.
		{"low_gfr", a.LowGFR, 5, 120}, {"declining_gfr", a.DecliningGFR, 5, 120}, {"decline_per_year", a.DeclinePerYear, 0.1, 60},
		{"creatinine_ratio", a.CreatinineRatio, 1, 5}, {"albumin_mg_per_g", a.AlbuminMgPerG, 1, 5000},
		{"systolic", a.Systolic, 90, 220}, {"diastolic", a.Diastolic, 50, 140}, {"haemoglobin_a1c", a.HaemoglobinA1c, 4, 15},
	} {
		if !(limit.value >= limit.low && limit.value <= limit.high) {
			fail("after_donation.%s: accepted: %g to %g", limit.name, limit.low, limit.high)
		}
	}
	if !(a.ExpectedLow > 0 && a.ExpectedLow <= a.Expected && a.Expected <= a.ExpectedHigh && a.ExpectedHigh <= 1) {
		fail("after_donation.expected: accepted: 0 < expected_low <= expected <= expected_high <= 1")
	}
	if a.Source == "" || a.SourceOfExpected == "" {
		fail("after_donation.source: source and source_of_expected are needed")
	}
}

// compileFollowUp adds what the process needs to know of follow-up.
func (p *Protocol) compileFollowUp(rules *journey.Rules) {
	for _, step := range p.Ladder {
		rules.Ladder = append(rules.Ladder, journey.LadderStep{ID: step.ID, Days: step.Days})
	}
	if p.Lost != nil {
		rules.Lost = journey.LostRule{Visits: p.Lost.AfterVisits, Contact: p.Lost.Contact}
	}
}
