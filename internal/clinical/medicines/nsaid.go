package medicines

import (
	"slices"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Medicine is one entry of a list of medicines. DailyDose is used for aspirin
// only; of a combination it is the dose of aspirin, and of a compound such as
// carbasalate calcium the dose of the compound, which is a little more.
type Medicine struct {
	ATC       string               `json:"atc,omitzero" jsonschema:"complete ATC code; empty when the medicine has none recorded"`
	DailyDose clinical.Measurement `json:"dailyDose,omitzero" jsonschema:"of aspirin: dose a day in mg or g"`
	Ref       string               `json:"ref,omitzero" jsonschema:"reference of the record"`
}

// NSAIDInput is a list of medicines. ListComplete tells whether it was confirmed
// with the donor that the list is complete, those bought without a prescription
// included.
type NSAIDInput struct {
	Medicines    []Medicine      `json:"medicines,omitzero" jsonschema:"all medicines, in any order"`
	ListComplete clinical.Answer `json:"listComplete,omitzero" jsonschema:"yes or no: the list is confirmed as complete, medicines without prescription included"`
}

// NSAIDRules are the choices of a programme. Every list holds complete ATC codes
// or beginnings of them. A medicine is put to the first list it belongs to, in the
// order Allowed, LowDoseAspirin, Aspirin, NotNSAID, NSAID, Topical, MayContain.
type NSAIDRules struct {
	Allowed        []string `json:"allowed,omitzero" jsonschema:"codes that the programme's protocol allows in spite of their group"`
	LowDoseAspirin []string `json:"lowDoseAspirin" jsonschema:"codes of aspirin in low dose against clotting"`
	Aspirin        []string `json:"aspirin" jsonschema:"codes of aspirin against pain, judged by its dose"`
	NotNSAID       []string `json:"notNSAID" jsonschema:"codes inside the groups of the lists that follow that hold no NSAID"`
	NSAID          []string `json:"nsaid" jsonschema:"codes and groups of NSAID for the whole body"`
	Topical        []string `json:"topical" jsonschema:"codes and groups of NSAID for local use"`
	MayContain     []string `json:"mayContain" jsonschema:"codes and groups that may or may not hold an NSAID"`
	HighestAspirin float64  `json:"highestAspirinMg" jsonschema:"dose in mg a day of all aspirin together above which it counts as an NSAID"`
}

// DefaultNSAIDRules returns the rules of the project: group M01A, and aspirin
// above 100 mg a day (common practice, no published source). All other codes are
// from memory of the WHO ATC index and need the review of a pharmacist. Where a
// code is in doubt it is in MayContain, so that the answer is not none-found:
//   - LowDoseAspirin: aspirin and carbasalate against clotting, aspirin with
//     esomeprazole, and the statins with aspirin of C10BX;
//   - Aspirin: aspirin and carbasalate of N02BA, their combinations, and those
//     with an opioid;
//   - NotNSAID: glucosamine, its polysulfate, diacerein, chondroitin, avocado and
//     soya oil; opioids with paracetamol; atorvastatin or rosuvastatin with
//     amlodipine;
//   - NSAID outside M01A: M01B; salsalate, diflunisal, glafenine, floctafenine;
//     celecoxib of L01XX; indometacin and ibuprofen of C01EB; codeine, oxycodone
//     and hydrocodone with ibuprofen, tramadol with dexketoprofen or celecoxib,
//     sumatriptan with naproxen, amlodipine with celecoxib;
//   - Topical: on the skin, in the eye, ear, mouth, throat and vagina;
//   - MayContain: the other salicylates, all pyrazolones (metamizole among them),
//     indobufen, aloxiprin, triflusal, combinations against clotting, the rest of
//     C10BX, beta blockers with other substances, and the groups of combinations
//     of combinationGroups.
func DefaultNSAIDRules() NSAIDRules {
	return NSAIDRules{
		LowDoseAspirin: []string{"B01AC06", "B01AC08", "B01AC56", "C10BX01", "C10BX02", "C10BX04", "C10BX05", "C10BX06", "C10BX08", "C10BX12"},
		Aspirin:        []string{"N02BA01", "N02BA15", "N02BA51", "N02BA65", "N02BA71", "N02AJ02", "N02AJ07", "N02AJ18"},
		NotNSAID: []string{
			"M01AX05", "M01AX12", "M01AX21", "M01AX25", "M01AX26",
			"N02AJ01", "N02AJ06", "N02AJ13", "N02AJ17", "N02AJ22", "C10BX03", "C10BX09",
		},
		NSAID: []string{
			"M01A", "M01B", "N02AJ08", "N02AJ14", "N02AJ16", "N02AJ19", "N02AJ23", "N02BA06", "N02BA11", "N02BG03", "N02BG04",
			"N02CC51", "C01EB03", "C01EB16", "C08CA51", "L01XX33",
		},
		Topical: []string{"M02AA", "M02AC", "S01BC", "S01CC", "S02DA03", "S02DA30", "A01AD02", "G02CC", "R02AX01", "R02AX02", "R02AX03", "D11AX18"},
		MayContain: append(combinationGroups(),
			"N02BA", "N02BB", "N02BE5", "N02BE7", "N02AJ", "N02CC5", "B01AC10", "B01AC15", "B01AC18", "B01AC30", "C07FX", "C10BX"),
		HighestAspirin: 100,
	}
}

// combinationGroups are the groups of combinations whose codes do not name every
// substance, so that each may hold an NSAID, paracetamol or both: against spasms
// (A03D, A03E), muscle relaxants (M03B), remedies against colds (R01BA5, R05X),
// antihistamines (R06A), opioids (N02A) and ergotamine (N02CA). From memory of
// the WHO ATC index; needs the review of a pharmacist.
func combinationGroups() []string {
	return []string{
		"A03D", "A03E", "M03BA5", "M03BA7", "M03BB5", "M03BB7", "M03BC5", "M03BX5", "R01BA5", "R05X", "R06AA5", "R06AB5",
		"N02AA51", "N02AA58", "N02AA59", "N02AA7", "N02AB5", "N02AB7", "N02AC5", "N02AC7", "N02AD5", "N02AX5", "N02CA5", "N02CA7",
	}
}

// Check returns an *Error unless the rules can be used.
func (r NSAIDRules) Check() error {
	for _, list := range []struct {
		name  string
		codes []string
	}{
		{"allowed codes", r.Allowed}, {"low-dose aspirin codes", r.LowDoseAspirin}, {"aspirin codes", r.Aspirin},
		{"not-NSAID codes", r.NotNSAID}, {"NSAID codes", r.NSAID}, {"topical codes", r.Topical}, {"may-contain codes", r.MayContain},
	} {
		if err := checkGroups(list.name, list.codes); err != nil {
			return err
		}
	}
	if len(r.NSAID) == 0 {
		return &clinical.Error{Code: clinical.Missing, Field: "NSAID codes", Message: "without a group of NSAID nothing can be found"}
	}
	return clinical.CheckRange("highest aspirin", r.HighestAspirin, lowestAspirinMg, highestAspirinMg, units.Mg)
}

// Plausible doses of aspirin in mg a day; they only catch slips of entry. Common
// practice, no published source.
const lowestAspirinMg, highestAspirinMg = 10, 10000

// NSAIDClass is what a medicine is to a donor.
type NSAIDClass string

// The classes of a medicine.
const (
	// SystemicNSAID acts on the whole body; donors avoid it.
	SystemicNSAID NSAIDClass = "nsaid"
	// AspirinAboveLimit is aspirin above the low dose; donors avoid it.
	AspirinAboveLimit NSAIDClass = "aspirin-above-limit"
	// LowDoseAspirin is aspirin up to the limit.
	LowDoseAspirin NSAIDClass = "low-dose-aspirin"
	// AllowedByProtocol was allowed by the programme in spite of its group.
	AllowedByProtocol NSAIDClass = "allowed-by-protocol"
	// TopicalNSAID is for local use; some of it reaches the whole body.
	TopicalNSAID NSAIDClass = "topical-nsaid"
	// NotNSAID is recognised as no NSAID by its code.
	NotNSAID NSAIDClass = "not-nsaid"
	// ClassNotKnown means that the record does not tell.
	ClassNotKnown NSAIDClass = "not-known"
)

// The answers to whether a list of medicines holds an NSAID.
const (
	// Avoid: at least one medicine is to be avoided for life after donation.
	Avoid = "avoid"
	// NoneFound: every medicine of a complete list is known and none is an NSAID.
	NoneFound = "none-found"
	// TopicalOnly: as NoneFound, but with at least one NSAID for local use.
	TopicalOnly = "topical-only"
	// CannotTell: a fact that decides was not recorded.
	CannotTell = "cannot-tell"
)

// Finding is the class of one medicine; Medicine is its place in the list,
// counted from one.
type Finding struct {
	Medicine int        `json:"medicine"`
	Class    NSAIDClass `json:"class"`
}

// NSAIDCheck is the outcome of FindNSAID, with one finding for each medicine in
// the order of the list. Aspirin is the dose a day of all aspirin together, in
// mg; it is nil when there is none or a dose is missing.
type NSAIDCheck struct {
	clinical.Conclusion
	Findings []Finding        `json:"findings"`
	Aspirin  *clinical.Result `json:"aspirin,omitempty"`
}

// The warnings about NSAID.
const (
	// TopicalCaution: the list holds an NSAID for local use.
	TopicalCaution clinical.WarningCode = "topical-nsaid"
	// AllowedCaution: a medicine was passed by an exception of the protocol.
	AllowedCaution clinical.WarningCode = "allowed-by-protocol"
	// AspirinDoseNotRecorded: aspirin passes by its code of low dose, without a
	// dose.
	AspirinDoseNotRecorded clinical.WarningCode = "aspirin-dose-not-recorded"
)

const (
	practice = "common practice, no published source"
	whoATC   = "WHO ATC index, from memory"
)

// FindNSAID tells whether a list of medicines holds an NSAID, which donors avoid
// for life, by ATC code; every medicine is listed with its reason by its place
// in the list. The answer is Avoid, TopicalOnly, NoneFound or CannotTell. A
// medicine without a code, one that may hold an NSAID, aspirin without a dose and
// a list not confirmed as complete each give CannotTell unless another medicine
// gives Avoid. Aspirin counts by the dose a day of all entries together; a single
// one with a code of low dose passes without a dose, with a warning.
//
// It returns a *clinical.Error for a code that is not a complete ATC code, an
// aspirin dose that is not a positive number or outside 10 to 10 000 mg, an
// unknown answer, and rules that are not valid. Source: common practice, no
// published source; codes see DefaultNSAIDRules.
func FindNSAID(in NSAIDInput, rules NSAIDRules) (NSAIDCheck, error) {
	if err := rules.Check(); err != nil {
		return NSAIDCheck{}, err
	}
	if err := clinical.CheckAnswer("list complete", in.ListComplete); err != nil {
		return NSAIDCheck{}, err
	}
	c := NSAIDCheck{Conclusion: clinical.Conclusion{
		Question: "does the list of medicines hold an NSAID, to be avoided for life after donation",
		Rule:     "nsaid-by-atc", Source: practice,
	}}
	list := make([]classified, len(in.Medicines))
	for i, m := range in.Medicines {
		var err error
		if list[i], err = rules.classify(fieldOf("medicine", i), m); err != nil {
			return NSAIDCheck{}, err
		}
	}
	c.judgeAspirin(in, list, rules)
	c.Answer = answerOf(in, list)
	for i, m := range in.Medicines {
		name := fieldOf("medicine", i)
		c.Inputs = append(c.Inputs, clinical.Input{Name: name, Choice: m.ATC, Measurement: clinical.Measurement{Ref: m.Ref}})
		// The dose of another medicine was not read.
		if list[i].dose > 0 {
			c.AddInput(name+" daily dose", m.DailyDose)
		}
		c.Findings = append(c.Findings, Finding{Medicine: i + 1, Class: list[i].class})
		c.addMedicine(name, list[i])
	}
	c.AddChoice("list complete", string(in.ListComplete))
	switch in.ListComplete {
	case clinical.Yes:
		c.AddReason(clinical.Neutral, practice, "the list is confirmed as complete")
	case clinical.No:
		c.AddReason(clinical.NotKnown, practice, "the list is not complete")
	default:
		c.AddReason(clinical.NotKnown, practice, "whether the list is complete was not recorded; ask for medicines bought without a prescription")
	}
	return c, nil
}

func answerOf(in NSAIDInput, list []classified) string {
	has := func(classes ...NSAIDClass) bool {
		return slices.ContainsFunc(list, func(m classified) bool { return slices.Contains(classes, m.class) })
	}
	switch {
	case has(SystemicNSAID, AspirinAboveLimit):
		return Avoid
	case in.ListComplete != clinical.Yes || has(ClassNotKnown):
		return CannotTell
	case has(TopicalNSAID):
		return TopicalOnly
	}
	return NoneFound
}

func (c *NSAIDCheck) addMedicine(name string, m classified) {
	weight := clinical.Neutral
	switch m.class {
	case SystemicNSAID, AspirinAboveLimit:
		weight = clinical.Decides
	case ClassNotKnown:
		weight = clinical.NotKnown
	case LowDoseAspirin:
		if m.dose == 0 {
			weight = clinical.NotKnown
			c.Warn(AspirinDoseNotRecorded, "the dose of aspirin of %s was not recorded; it passes by its code of low dose", name)
		}
	case TopicalNSAID:
		if c.Answer == TopicalOnly {
			weight = clinical.Decides
		}
		c.Warn(TopicalCaution, "%s is an NSAID for local use; some of it reaches the kidneys, let the team decide", name)
	case AllowedByProtocol:
		c.Warn(AllowedCaution, "%s passes by an exception of the programme's protocol", name)
	}
	c.AddReason(weight, m.source, name+": "+m.text)
}

// classified is what a medicine is. Aspirin gets its class from judgeAspirin;
// its dose is in mg a day, zero when it was not recorded.
type classified struct {
	class  NSAIDClass
	text   string
	source string

	aspirin, low bool
	dose         float64
}

func (r NSAIDRules) classify(field string, m Medicine) (classified, error) {
	if m.ATC == "" {
		return classified{class: ClassNotKnown, text: "no ATC code was recorded, so it is not known what it is", source: whoATC}, nil
	}
	if err := checkATC(field+" ATC code", m.ATC); err != nil {
		return classified{}, err
	}
	low := inGroups(m.ATC, r.LowDoseAspirin)
	switch {
	case inGroups(m.ATC, r.Allowed):
		return classified{class: AllowedByProtocol, text: "allowed by the programme's protocol", source: "protocol of the programme"}, nil
	case low || inGroups(m.ATC, r.Aspirin):
		c := classified{source: practice, aspirin: true, low: low}
		if !m.DailyDose.Given() {
			return c, nil
		}
		var err error
		c.dose, err = m.DailyDose.Within(field+" daily dose", units.MedicineDose, lowestAspirinMg, highestAspirinMg, units.Mg)
		return c, err
	case inGroups(m.ATC, r.NotNSAID):
		return classified{class: NotNSAID, text: "in a group with NSAID by its code, but holds none", source: whoATC}, nil
	case inGroups(m.ATC, r.NSAID):
		return classified{class: SystemicNSAID, text: "NSAID; donors avoid it for life", source: practice}, nil
	case inGroups(m.ATC, r.Topical):
		return classified{class: TopicalNSAID, text: "NSAID for local use; caution", source: whoATC}, nil
	case inGroups(m.ATC, r.MayContain):
		return classified{class: ClassNotKnown, text: "the code does not tell whether it holds an NSAID or acts as one; read its contents, ask a pharmacist", source: whoATC}, nil
	}
	return classified{class: NotNSAID, text: "no NSAID by its code", source: whoATC}, nil
}

// aspirinDecimals of a dose in mg, as shown.
const aspirinDecimals = 0

// judgeAspirin adds up the aspirin of all entries and gives each its class.
func (c *NSAIDCheck) judgeAspirin(in NSAIDInput, list []classified, rules NSAIDRules) {
	total := clinical.Result{Equation: "aspirin-daily-sum", Source: practice}
	var sum float64
	entries, dosed := 0, 0
	for i, m := range list {
		if !m.aspirin {
			continue
		}
		entries++
		if m.dose > 0 {
			dosed++
			sum += m.dose
			total.AddInput(fieldOf("medicine", i)+" daily dose", in.Medicines[i].DailyDose)
		}
	}
	sum = amount(sum)
	if dosed > 0 && dosed == entries {
		total.Value = units.Quantity{Value: sum, Unit: units.Mg}
		c.Aspirin = &total
	}
	limit := clinical.Display(rules.HighestAspirin, aspirinDecimals) + " mg a day"
	name := "aspirin"
	if dosed > 1 {
		name = "aspirin, with the other aspirin " + clinical.Display(sum, aspirinDecimals) + " mg a day,"
	}
	above := sum > amount(rules.HighestAspirin)
	if clinical.NearThreshold(sum, clinical.MoreThan, rules.HighestAspirin, aspirinDecimals) {
		c.Warn(clinical.NearThresholdWarning, "the aspirin a day is shown on another side of the limit than it lies")
	}
	for i := range list {
		m := &list[i]
		switch {
		case !m.aspirin:
		case m.dose == 0 && m.low && entries == 1:
			m.class, m.text = LowDoseAspirin, "aspirin with a code of low dose; its dose was not recorded"
		case m.dose == 0:
			m.class, m.text = ClassNotKnown, "aspirin of which the dose a day was not recorded; above "+limit+" donors avoid it"
		case above:
			m.class, m.text = AspirinAboveLimit, name+" above "+limit+"; donors avoid it for life"
		default:
			m.class, m.text = LowDoseAspirin, name+" up to "+limit
		}
	}
}
