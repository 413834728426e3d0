package protocol

import (
	"regexp"
	"slices"
	"strings"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/medicines"
	"candidacy/internal/result"
)

// Milestone is one line of the recovery plan. Its days are counted from what
// really happened: a day that depends on something not on record yet has none.
type Milestone struct {
	ID    string `yaml:"id"`
	Title string `yaml:"title"`
	// For is candidate or team. Without an end, what is for the candidate holds
	// from its day on, and what is for the team is of its one day.
	For   string `yaml:"for"`
	Topic Topic  `yaml:"topic" doc:"what the line is about; lines of one topic are shown together"`
	// Plain says the same to the donor.
	Plain string `yaml:"plain" doc:"the same for the donor, in short sentences for a reading age of about 12"`
	// From is what FromDays are counted from, the operation where there is none.
	From      Anchor       `yaml:"from" doc:"what from_days are counted from; nothing: the day of the operation"`
	FromDays  int          `yaml:"from_days"`
	AlsoAfter []AnchorDays `yaml:"also_after" doc:"further days before which the line does not begin: the latest counts"`
	// Until is what UntilDays are counted from, From where there is none.
	Until Anchor `yaml:"until" doc:"what until_days are counted from; nothing: the same as from"`
	// UntilDays ends what holds for a time. With Until it may be 0.
	UntilDays int  `yaml:"until_days"`
	ForLife   bool `yaml:"for_life"`
	// DoneBy is what shows that the line is done.
	DoneBy   Anchor     `yaml:"done_by" doc:"what on record shows that it is done"`
	Work     []WorkKind `yaml:"work" doc:"only for these kinds of work; while the kind is not known, for all"`
	Approach []string   `yaml:"approach" doc:"only after operations of these approaches; while it is not known, after all"`
	ReviewIf string     `yaml:"review_if" doc:"what calls for a clinician's look"`
	Differs  string     `yaml:"differs" doc:"where countries or sites differ"`
	Source   string     `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// Whom a milestone is for.
const (
	ForCandidate = "candidate"
	ForTeam      = "team"
)

// Ends reports whether the milestone holds for a time and ends.
func (m Milestone) Ends() bool { return m.UntilDays > 0 || m.Until != "" }

// Anchor is something that happened on a day from which days are counted.
type Anchor string

// The anchors. FirstVisit is the first visit at which the donor was seen.
const (
	AtOperation   Anchor = "operation"
	AtDischarge   Anchor = "discharge"
	AtLastOpioid  Anchor = "last-opioid"
	AtFirstVisit  Anchor = "first-visit"
	AtCatheterOut Anchor = "catheter-out"
	AtDrainOut    Anchor = "drain-out"
	AtWalking     Anchor = "walking"
	AtEating      Anchor = "eating"
	AtWorkPart    Anchor = "work-part-time"
	AtWorkFull    Anchor = "work-full"
)

// Anchors lists them as a stay meets them.
var Anchors = []Anchor{
	AtOperation, AtEating, AtWalking, AtCatheterOut, AtDrainOut, AtDischarge, AtLastOpioid, AtFirstVisit, AtWorkPart, AtWorkFull,
}

func anchorWords() []string {
	list := make([]string, len(Anchors))
	for i, a := range Anchors {
		list[i] = string(a)
	}
	return list
}

// AnchorDays is a number of days after an anchor.
type AnchorDays struct {
	Anchor Anchor `yaml:"anchor"`
	Days   int    `yaml:"days"`
}

// Topic is what a line of the recovery plan is about.
type Topic string

// The topics that the pages treat on their own.
const (
	WarningSigns   Topic = "warning-signs"
	EmergencySigns Topic = "emergency-signs"
)

// Topics lists what lines may be about, in the order in which they are shown.
var Topics = []string{
	string(EmergencySigns), string(WarningSigns), "pain", "medicines", "fluids-and-diet", "bowels", "catheter", "walking", "clots", "wound",
	"washing", "rest", "lifting", "stairs", "activity", "driving", "work", "travel", "family", "discharge", "checks", "after-care",
}

// WorkKind is how heavy somebody's work is.
type WorkKind string

// WorkKinds lists how heavy work may be, and Approaches how a kidney is removed.
var (
	WorkKinds  = []WorkKind{"desk", "mixed", "heavy"}
	Approaches = []string{"laparoscopic", "hand-assisted", "robotic", "mini-open", "open"}
)

// Contact is somebody whom a donor calls.
type Contact struct {
	ID    string `yaml:"id"`
	Title string `yaml:"title" doc:"who answers, in words that a donor knows"`
	Phone string `yaml:"phone" doc:"as it is dialled"`
	Hours string `yaml:"hours" doc:"when somebody answers"`
	// Urgent contacts stand beside the signs of danger.
	Urgent bool `yaml:"urgent" doc:"for what cannot wait"`
}

// Medicines are the limits of what a donor takes.
type Medicines struct {
	ParacetamolG    float64  `yaml:"paracetamol_g" doc:"highest amount of paracetamol in g in any 24 h, all products together"`
	ParacetamolLowG float64  `yaml:"paracetamol_low_g" doc:"the same for a low weight or liver disease; nothing: such a person gets no answer"`
	LowWeightKg     float64  `yaml:"paracetamol_low_weight_kg" doc:"weight in kg below which the lower amount holds"`
	HoursApart      int      `yaml:"paracetamol_hours_apart" doc:"hours between two doses of paracetamol"`
	AspirinMg       float64  `yaml:"aspirin_mg" doc:"dose of aspirin in mg a day above which a donor avoids it"`
	AllowedNSAID    []string `yaml:"allowed" doc:"ATC codes that the programme allows in spite of their group"`
	LiverDisease    string   `yaml:"liver_disease" doc:"code of the observation that tells of liver disease"`
	Weight          string   `yaml:"weight" doc:"code of the observation of the body weight"`
	Source          string   `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

const minutesAnHour = 60

// Paracetamol are the rules of paracetamol, with the project's codes.
func (m Medicines) Paracetamol() medicines.ParacetamolRules {
	rules := medicines.DefaultParacetamolRules()
	rules.Cap, rules.LowerCap, rules.LowWeight, rules.ShortestMinutes = m.ParacetamolG, m.ParacetamolLowG, m.LowWeightKg, m.HoursApart*minutesAnHour
	return rules
}

// NSAID are the rules of anti-inflammatory medicines, with the project's codes.
func (m Medicines) NSAID() medicines.NSAIDRules {
	rules := medicines.DefaultNSAIDRules()
	rules.HighestAspirin, rules.Allowed = m.AspirinMg, m.AllowedNSAID
	return rules
}

func (p *Protocol) medicines() Medicines {
	if p.Medicines == nil {
		return Medicines{}
	}
	return *p.Medicines
}

// MedicineRules are the protocol's limits of medicines, those of the project
// where a text from before it had its own names none: such a text names no lower
// amount of paracetamol, so nobody gets one.
func (p *Protocol) MedicineRules() Medicines {
	if p.Medicines != nil {
		return *p.Medicines
	}
	paracetamol, nsaid := medicines.DefaultParacetamolRules(), medicines.DefaultNSAIDRules()
	return Medicines{
		ParacetamolG: paracetamol.Cap, LowWeightKg: paracetamol.LowWeight, HoursApart: paracetamol.ShortestMinutes / minutesAnHour,
		AspirinMg: nsaid.HighestAspirin, Weight: sizeCodes[1], Source: "common practice, no published source",
	}
}

// mostDays keeps dates within the calendar: ten years.
const mostDays = 3660

func (p *Protocol) checkMilestones(fail func(string, ...any)) {
	ids := map[string]bool{}
	for _, m := range p.Recovery {
		at := "recovery." + m.ID
		if !identifier.MatchString(m.ID) || ids[m.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		ids[m.ID] = true
		if m.For != ForCandidate && m.For != ForTeam {
			fail("%s.for: accepted: %s, %s", at, ForCandidate, ForTeam)
		}
		if m.Title == "" || m.Source == "" {
			fail("%s: title and source are needed", at)
		}
		// Texts from before topics have none.
		if m.Topic != "" && !slices.Contains(Topics, string(m.Topic)) {
			fail("%s.topic: accepted: %v", at, Topics)
		}
		checkAnchors(fail, at, m)
		for _, work := range m.Work {
			if !slices.Contains(WorkKinds, work) {
				fail("%s.work: accepted: %v", at, WorkKinds)
			}
		}
		for _, approach := range m.Approach {
			if !slices.Contains(Approaches, approach) {
				fail("%s.approach: accepted: %v", at, Approaches)
			}
		}
	}
}

func checkAnchors(fail func(string, ...any), at string, m Milestone) {
	for _, each := range []struct {
		field  string
		anchor Anchor
	}{{"from", m.From}, {"until", m.Until}, {"done_by", m.DoneBy}} {
		if each.anchor != "" && !slices.Contains(Anchors, each.anchor) {
			fail("%s.%s: accepted: %v", at, each.field, Anchors)
		}
	}
	for _, also := range m.AlsoAfter {
		if !slices.Contains(Anchors, also.Anchor) || also.Days < 0 || also.Days > mostDays {
			fail("%s.also_after: needs an anchor of %v and 0 to %d days", at, Anchors, mostDays)
		}
	}
	sameAnchor := m.Until == "" || m.Until == m.From
	if m.FromDays < 0 || m.FromDays > mostDays || m.UntilDays < 0 || m.UntilDays > mostDays ||
		m.UntilDays != 0 && sameAnchor && m.UntilDays < m.FromDays {
		fail("%s: needs from_days and, if it ends, an until_days not before it", at)
	}
	if m.ForLife && m.Ends() {
		fail("%s.for_life: what is for life has no until_days and no until", at)
	}
	if len(m.AlsoAfter) > 0 && m.Ends() {
		// It might end before it begins.
		fail("%s.also_after: what begins after several days has no end of its own", at)
	}
}

// phone is a number as people write and dial it.
var phone = regexp.MustCompile(`^\+?[0-9][0-9 ()-]{1,28}[0-9]$`)

func (p *Protocol) checkContacts(fail func(string, ...any)) {
	ids := map[string]bool{}
	for _, c := range p.Contacts {
		at := "contacts." + c.ID
		if !identifier.MatchString(c.ID) || ids[c.ID] {
			fail("%s: the id is not unique or not a word of a-z, 0-9 and hyphens", at)
		}
		ids[c.ID] = true
		if strings.TrimSpace(c.Title) == "" {
			fail("%s.title: missing", at)
		}
		if !phone.MatchString(c.Phone) {
			fail("%s.phone: accepted: a number of 3 to 31 digits, blanks, hyphens and brackets, with or without + in front", at)
		}
	}
}

func (p *Protocol) checkMedicines(fail func(string, ...any)) {
	m := p.Medicines
	if m == nil {
		return
	}
	if err := m.Paracetamol().Check(); err != nil {
		fail("medicines: %w", err)
	}
	if err := m.NSAID().Check(); err != nil {
		fail("medicines: %w", err)
	}
	if m.Source == "" {
		fail("medicines.source: missing")
	}
	if o, _ := p.Observation(m.LiverDisease); m.LiverDisease != "" && !o.YesNo {
		fail("medicines.liver_disease: needs the code of an observation of yes and no")
	}
	if o, _ := p.Observation(m.Weight); m.Weight != "" && len(o.Units) == 0 {
		fail("medicines.weight: needs the code of an observation with units")
	}
}

// TakenBy is what of somebody's results decides how much paracetamol they may
// take: the newest weight, and whether they have liver disease. What is not on
// record, or can't be read, is not given.
func (p *Protocol) TakenBy(results []result.Result) (weight clinical.Measurement, liver clinical.Answer) {
	rules := p.MedicineRules()
	newest := func(code string) *charted {
		for _, r := range historyOf(results).newestFirst {
			if code != "" && r.Code.Code == code {
				return r
			}
		}
		return nil
	}
	if r := newest(rules.Weight); r != nil {
		if m, err := measurement(r); err == nil {
			weight = m
		}
	}
	if r := newest(rules.LiverDisease); r != nil && r.Value.Coding != nil {
		liver = answers[r.Value.Coding.Code]
	}
	return weight, liver
}
