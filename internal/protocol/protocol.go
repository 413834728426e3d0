// Package protocol holds a programme's rules as data: what each candidate
// needs and until when it is valid, where thresholds lie, and which deadlines
// stand. It evaluates results against them with the formulas of package
// clinical. It does no I/O and has no clock.
package protocol

import (
	"slices"
	"time"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/renal"
	"candidacy/internal/clinical/units"
	"candidacy/internal/journey"
)

// Protocol is one version of a programme's rules.
type Protocol struct {
	Version     string `yaml:"version" doc:"names this text for ever: a changed text needs another version"`
	Title       string `yaml:"title"`
	Description string `yaml:"description"`
	// Canonical is the URL of the protocol in FHIR instantiatesCanonical.
	Canonical string `yaml:"canonical"`
	// ApprovedBy and ApprovedOn say who answers for the text. A stored version
	// that candidates are moved to needs both.
	ApprovedBy    string       `yaml:"approved_by" doc:"who approved this version for the programme"`
	ApprovedOn    journey.Date `yaml:"approved_on" doc:"the day it was approved, YYYY-MM-DD"`
	EffectiveFrom journey.Date `yaml:"effective_from" doc:"the day from which it is meant to be used, YYYY-MM-DD"`

	TimeZone     string         `yaml:"time_zone" doc:"IANA name of the zone of all calendar days"`
	Statement    string         `yaml:"general_statement" doc:"what outsiders learn when a candidate does not go forward"`
	Requirements []Requirement  `yaml:"requirements"`
	Flags        []FlagRule     `yaml:"flags"`
	Methods      Methods        `yaml:"methods"`
	Visits       []Visit        `yaml:"visits"`
	Quorum       []Seat         `yaml:"quorum" doc:"seats that have to be taken at a decision"`
	Committee    *Committee     `yaml:"committee" doc:"how the selection committee votes"`
	Letters      []Letter       `yaml:"letters" doc:"texts of letters to candidates"`
	Reviews      []ReviewForm   `yaml:"reviews" doc:"what reviews say beside their position, finding by finding"`
	Timers       journey.Timers `yaml:"timers"`
	Observations []Observation  `yaml:"observations"`
	Facts        []Fact         `yaml:"facts"`
	// Disclosures and AdvocateDuties are confirmed one by one with the consent
	// or the review that they belong to.
	Disclosures    []Item      `yaml:"disclosures"`
	AdvocateDuties []Item      `yaml:"advocate_duties"`
	Reminders      []Reminder  `yaml:"reminders"`
	Recovery       []Milestone `yaml:"recovery"`
	// Complications are what may be recorded of an operation, ProcedureCodes how
	// the operation is coded outside.
	Complications  []Complication  `yaml:"complications"`
	ProcedureCodes []ProcedureCode `yaml:"procedure_codes"`
	// BeforeOperation is what leads from the plan of an operation to its beginning.
	BeforeOperation BeforeOperation `yaml:"before_operation"`
	// Contacts are whom a donor calls, and Medicines the limits of what they
	// may take.
	Contacts  []Contact  `yaml:"contacts" doc:"whom a donor calls; shown on the donor's own page"`
	Medicines *Medicines `yaml:"medicines" doc:"limits of paracetamol and of medicines that a donor avoids"`
	// Reportable are events that have to be reported within hours.
	Reportable []Reportable `yaml:"reportable"`
	// What follows from visits: contacts, who is lost, whether forms are complete,
	// and what is expected of the remaining kidney.
	Ladder        []LadderStep   `yaml:"ladder" doc:"contacts for each follow-up visit"`
	Lost          *Lost          `yaml:"lost"`
	Completeness  []Cohort       `yaml:"completeness" doc:"share of complete forms to reach, by day of donation, in order of time"`
	AfterDonation *AfterDonation `yaml:"after_donation"`

	// Notices say whom a deadline tells by e-mail, NoticeTexts in which words.
	Notices     []Notice     `yaml:"notices"`
	NoticeTexts []NoticeText `yaml:"notice_texts"`

	// Measures says how the programme's measures are told.
	Measures *Measures `yaml:"measures" doc:"how reports of the programme are told"`

	// Programme is what systems outside learn of the programme itself.
	Programme *Programme `yaml:"programme" doc:"the Organization that published resources point to"`
	// Questionnaires are what candidates are asked and answer by themselves.
	Questionnaires []Questionnaire `yaml:"questionnaires" doc:"what candidates are asked, by a link that a coordinator gives them"`

	// Laboratory says what laboratories mean by their codes, units and answers.
	Laboratory Laboratory `yaml:"laboratory" doc:"senders of HL7 v2 messages, and what their codes, units and answers mean"`

	source []byte
	digest string
	zone   *time.Location
	rules  journey.Rules
	// slots numbers the codes and computed values that rules name, and facts
	// the facts.
	slots, facts map[string]int
	// counts says that a rule counts the flags of the others.
	counts bool
	// conditions counts them, and asked the facts that they ask for.
	conditions, asked int
	// kept is what is confidential, and sensitive what is restricted.
	kept, sensitive Marked
}

// Requirement is one thing that must be known or done.
type Requirement struct {
	ID       string           `yaml:"id"`
	Title    string           `yaml:"title"`
	Domain   string           `yaml:"domain"`
	Gate     journey.Gate     `yaml:"gate"`
	Evidence journey.Evidence `yaml:"evidence"`
	Signer   journey.Role     `yaml:"signer"`
	// LOINC lists codes of results that satisfy the requirement, each entry
	// being one alternative set: every code of the set is needed.
	LOINC [][]string `yaml:"loinc" doc:"sets of codes that satisfy it; every code of one set is needed"`
	// Local lists codes of the local code system, in the same way.
	Local       [][]string `yaml:"local"`
	ValidDays   int        `yaml:"valid_days" doc:"days from collection or signature until it expires; 0 or nothing: it does not"`
	NoWaiver    bool       `yaml:"no_waiver" doc:"nobody may waive it"`
	WhenFlagged []string   `yaml:"when_flagged" doc:"applies only while one of these flags is raised"`
	// When is a condition over facts, in CEL: the requirement applies while it
	// is true, and also while it is not known whether it is.
	When           string `yaml:"when" doc:"condition over facts in CEL, such as age >= 50 && smoker; it applies while true, and while not known"`
	BeforeDecision bool   `yaml:"before_decision" doc:"the committee decides nothing without it"`
	ByAdvocate     bool   `yaml:"by_advocate" doc:"only the assigned advocate may give it"`
	Sided          bool   `yaml:"sided" doc:"a consent that names the side"`
	Privacy        bool   `yaml:"privacy" doc:"a consent about data and findings, not about treatment"`
	// Performer is who does it; Signer is the role that answers for it.
	Performer Performer `yaml:"performer"`
	// OperationDays, Occasions and RenewedBy say when evidence is not enough,
	// though it has not expired.
	OperationDays   int      `yaml:"operation_days" doc:"the evidence is also from within so many days before the planned operation"`
	Occasions       int      `yaml:"occasions" doc:"results of so many different days are needed"`
	RenewedBy       []string `yaml:"renewed_by" doc:"facts whose newer report asks for a new result"`
	SecondSignature bool     `yaml:"second_signature" doc:"a waiver, and an acceptance against an exclusion, needs a second person"`
	Source          string   `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
	// Differs says where countries and sites differ: the value is theirs to set.
	Differs string `yaml:"differs" doc:"where countries or sites differ, so that the value is theirs to set"`

	// How it is arranged: days from doing it to its result, the kind of visit
	// that tasks of one day share, what has to be known first, and what it is
	// kept apart from.
	LeadDays int       `yaml:"lead_days" doc:"days from doing it to its result; common practice of the site"`
	Visit    string    `yaml:"visit" doc:"kind of visit: tasks of one kind on one day share one; nothing: it needs no visit"`
	Needs    []string  `yaml:"needs" doc:"requirements whose results are needed before this one"`
	Apart    []Spacing `yaml:"apart" doc:"requirements that are not done on the same days"`
	// Preparation is what the candidate minds before a visit for it.
	Preparation Preparation `yaml:"preparation"`

	condition *condition
	// sets has the slots of LOINC and Local; blood says that it is a blood type.
	sets  [][]int
	blood bool
}

// Performer is who performs a requirement. It gives no permission: roles do.
type Performer string

// Performers lists who may be named.
var Performers = []Performer{
	"candidate", "coordinator", "nurse", "laboratory", "hla-laboratory", "radiology", "nephrologist", "surgeon",
	"anaesthetist", "cardiologist", "infectious-disease", "geneticist", "haematologist", "oncologist", "urologist",
	"social-worker", "psychologist", "psychiatrist", "dietitian", "primary-care", "finance", "advocate", "ward",
	"committee", "external",
}

// Item is one line of a checklist that goes with a consent or a review.
type Item struct {
	ID          string `yaml:"id"`
	Title       string `yaml:"title"`
	Requirement string `yaml:"requirement"`
	// When is a condition over facts, as that of a requirement.
	When    string `yaml:"when"`
	Source  string `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
	Differs string `yaml:"differs" doc:"where countries or sites differ"`

	condition *condition
}

// Reminder announces deadlines of one kind.
type Reminder struct {
	Of         journey.DeadlineKind `yaml:"of"`
	DaysBefore []int                `yaml:"days_before"`
	Source     string               `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// Spacing keeps two requirements apart by a number of days, in either order.
type Spacing struct {
	Requirement string `yaml:"requirement"`
	Days        int    `yaml:"days"`
}

// Preparation is what a candidate minds before a visit, in their own language and in plain
// words: it is printed on the day plan, which names no examination.
type Preparation struct {
	Text   string `yaml:"text"`
	Source string `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// mostPreparation bounds a text of preparation, in characters.
const mostPreparation = 400

// Preparations are the texts of some requirements, each once, in the order of these.
func (p *Protocol) Preparations(requirements []string) []Preparation {
	var list []Preparation
	for _, id := range requirements {
		r, _ := p.Find(id)
		if r.Preparation.Text != "" && !slices.ContainsFunc(list, func(known Preparation) bool { return known.Text == r.Preparation.Text }) {
			list = append(list, r.Preparation)
		}
	}
	return list
}

// FlagRule puts a computed value in a band.
type FlagRule struct {
	ID          string `yaml:"id"`
	Title       string `yaml:"title"`
	Requirement string `yaml:"requirement"`
	// Of is the key of the value that the rule reads: a derived value or the
	// code of a reported one. Several, apart by blanks, are alternatives.
	Of   string `yaml:"of"`
	Unit string `yaml:"unit"`
	// Coded marks a rule over a coded result such as positive or negative.
	Coded bool `yaml:"coded"`
	// Decimals is how the value is shown; it is compared unrounded.
	Decimals int `yaml:"decimals" doc:"how the value is shown; it is compared unrounded"`
	// When is a condition over facts: the rule is left out only while it is known
	// not to hold.
	When string `yaml:"when" doc:"condition over facts in CEL; the rule is left out only while it is known not to hold"`
	// Newest lets a later finding lift an earlier one.
	Newest bool `yaml:"newest" doc:"of coded findings the newest counts; otherwise the gravest on record does"`
	// Bands are tried from the top; the first whose condition holds applies.
	// A value that none takes is in the band "meets".
	Bands  []BandRule `yaml:"bands"`
	Source string     `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
	// Clears says what would lift it, Differs where countries and sites differ.
	Clears  string `yaml:"clears" doc:"what would lift it"`
	Differs string `yaml:"differs" doc:"where countries or sites differ, so that the value is theirs to set"`

	condition *condition
	// validDays are those of the requirement that its results are for.
	validDays int
	// slots are those of the values it reads; words say what the bands are, and
	// factors convert other units of its observations to its own.
	slots   []int
	words   string
	factors map[string]float64
}

// BandRule is one band with the condition for it, such as "< 60" or
// "is positive".
type BandRule struct {
	Band     journey.Band `yaml:"band"`
	When     string       `yaml:"when"`
	Absolute bool         `yaml:"absolute" doc:"no review can lift it"`

	op        string
	threshold float64
	finding   string
}

// Observation says how one kind of result is reported.
type Observation struct {
	Code     string   `yaml:"code"`
	Local    bool     `yaml:"local"`
	Title    string   `yaml:"title"`
	Category string   `yaml:"category"`
	Units    []string `yaml:"units"`
	// Factors has one for each unit: a value in the first unit times the factor
	// is the value in that unit. Without them the plausible range holds in the
	// first unit only.
	Factors []float64 `yaml:"factors"`
	// Low and High bound what is plausible, in the first unit.
	Low   float64 `yaml:"low"`
	High  float64 `yaml:"high"`
	Coded bool    `yaml:"coded"`
	// YesNo marks a coded observation that is a question of yes and no.
	YesNo bool `yaml:"yes_no" doc:"a question of yes and no"`
	// Choices are the answers of a coded observation that has its own.
	Choices []Choice `yaml:"choices" doc:"answers of its own, in place of negative, positive and equivocal"`
	Panel   []string `yaml:"panel"`
	// Confidential marks what is told in confidence: clinicians, the advocate and
	// the committee read it, and it is never published.
	Confidential bool `yaml:"confidential" doc:"told in confidence: only clinicians, the advocate, the committee and whoever recorded it read it, and it is never published"`
	// Sensitive marks what is published with a security label, so that a system can
	// be let in without it.
	Sensitive bool `yaml:"sensitive" doc:"published with the security label R (restricted), as what reads it"`
}

// Methods are the named choices between published methods.
type Methods struct {
	BodySurfaceArea string `yaml:"body_surface_area"`
	// PlasmaClearance is SlopeIntercept, the default, or TwoCompartment.
	PlasmaClearance  string `yaml:"plasma_clearance"`
	PlasmaCorrection string `yaml:"plasma_clearance_correction"`
	// PlasmaUncertainty and UrineUncertainty state how well the inputs of a
	// measured GFR are known. Without them it has no interval.
	PlasmaUncertainty *PlasmaUncertainty `yaml:"plasma_uncertainty"`
	UrineUncertainty  *UrineUncertainty  `yaml:"urine_uncertainty"`
}

// The methods of a plasma clearance.
const (
	SlopeIntercept = "slope-intercept"
	TwoCompartment = "two-compartment"
)

// PlasmaUncertainty holds standard uncertainties: of one concentration and of
// the dose in %, of the time of one sample in min.
type PlasmaUncertainty struct {
	ConcentrationPercent float64 `yaml:"concentration_percent"`
	DosePercent          float64 `yaml:"dose_percent"`
	TimeMinutes          float64 `yaml:"time_minutes"`
}

// UrineUncertainty holds standard uncertainties: of one concentration and of
// the volume in %, of the duration in min.
type UrineUncertainty struct {
	ConcentrationPercent float64 `yaml:"concentration_percent"`
	VolumePercent        float64 `yaml:"volume_percent"`
	TimeMinutes          float64 `yaml:"time_minutes"`
}

func (u *PlasmaUncertainty) clinical() *renal.PlasmaUncertainty {
	if u == nil {
		return nil
	}
	return &renal.PlasmaUncertainty{
		Concentration: clinical.NewMeasurement(u.ConcentrationPercent, units.Percent),
		Dose:          clinical.NewMeasurement(u.DosePercent, units.Percent),
		Time:          clinical.NewMeasurement(u.TimeMinutes, units.Minute),
	}
}

func (u *UrineUncertainty) clinical() *renal.UrineUncertainty {
	if u == nil {
		return nil
	}
	return &renal.UrineUncertainty{
		Concentration: clinical.NewMeasurement(u.ConcentrationPercent, units.Percent),
		Volume:        clinical.NewMeasurement(u.VolumePercent, units.Percent),
		Time:          clinical.NewMeasurement(u.TimeMinutes, units.Minute),
	}
}

// Visit is one follow-up visit.
type Visit struct {
	ID          string `yaml:"id"`
	Title       string `yaml:"title"`
	AfterDays   int    `yaml:"after_days"`
	AfterMonths int    `yaml:"after_months"`
	OpensBefore int    `yaml:"opens_before_days"`
	ClosesAfter int    `yaml:"closes_after_days"`
	InRecovery  bool   `yaml:"in_recovery"`
	// RepeatsEvery makes it a row of visits.
	RepeatsEvery int `yaml:"repeats_every_months" doc:"the visit comes again after so many months, once the one before is settled"`
	RepeatsUntil int `yaml:"repeats_until_years" doc:"years after the operation until which it comes again; 0 or nothing: for life"`
	// Clinical, Laboratory and Further are what is asked for, each entry one item
	// with the observations that answer it.
	Clinical   [][]string `yaml:"clinical" doc:"items of the clinical form, each a list of observations of which one answers it"`
	Laboratory [][]string `yaml:"laboratory" doc:"items of the laboratory form, in the same way"`
	Further    [][]string `yaml:"further" doc:"items that are asked for and counted in no form"`
	Reported   bool       `yaml:"reported" doc:"its forms count in the completeness of the programme"`
	Source     string     `yaml:"source" doc:"the publication, or that it is from memory or common practice"`
}

// Seat is a seat of the selection committee that a quorum needs.
type Seat struct {
	ID    string `yaml:"id"`
	Title string `yaml:"title"`
}

// Rules returns the part that the process needs.
func (p *Protocol) Rules() journey.Rules { return p.rules }

// Zone returns the programme's time zone, UTC for a protocol that no text was
// read for.
func (p *Protocol) Zone() *time.Location {
	if p.zone == nil {
		return time.UTC
	}
	return p.zone
}

// Source returns the text the protocol was read from.
func (p *Protocol) Source() string { return string(p.source) }

// Digest is the SHA-256 of the text.
func (p *Protocol) Digest() string { return p.digest }

// Find returns a requirement by its id.
func (p *Protocol) Find(id string) (Requirement, bool) {
	for i := range p.Requirements { // lists of everybody ask this often
		if p.Requirements[i].ID == id {
			return p.Requirements[i], true
		}
	}
	return Requirement{}, false
}

// Observation returns how a result of the code is reported.
func (p *Protocol) Observation(code string) (Observation, bool) {
	for _, o := range p.Observations {
		if o.Code == code {
			return o, true
		}
	}
	return Observation{}, false
}
