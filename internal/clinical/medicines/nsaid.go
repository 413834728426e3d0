package medicines

import (
	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Medicine is one entry of a list of medicines. DailyDose is used for aspirin
// only; of a combination it is the dose of aspirin.
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
// or groups of them. A medicine is put to the first list it belongs to, in the
// order Allowed, LowDoseAspirin, Aspirin, NotNSAID, NSAID, Topical, MayContain.
type NSAIDRules struct {
	Allowed        []string `json:"allowed,omitzero" jsonschema:"codes that the programme's protocol allows in spite of their group"`
	LowDoseAspirin []string `json:"lowDoseAspirin" jsonschema:"codes of aspirin in low dose against clotting"`
	Aspirin        []string `json:"aspirin" jsonschema:"codes of aspirin against pain, judged by its dose"`
	NotNSAID       []string `json:"notNSAID" jsonschema:"codes inside the groups of NSAID that do not act as one"`
	NSAID          []string `json:"nsaid" jsonschema:"codes and groups of NSAID for the whole body"`
	Topical        []string `json:"topical" jsonschema:"codes and groups of NSAID for local use"`
	MayContain     []string `json:"mayContain" jsonschema:"codes of combinations that may or may not hold an NSAID"`
	HighestAspirin float64  `json:"highestAspirinMg" jsonschema:"dose of aspirin in mg a day above which it counts as an NSAID"`
}

// DefaultNSAIDRules returns the rules of the project: group M01A, and aspirin
// above 100 mg a day (common practice, no published source). All other codes are
// from memory of the WHO ATC index and need the review of a pharmacist:
//   - NotNSAID: glucosamine, its polysulfate, diacerein, chondroitin, avocado and
//     soya oil;
//   - NSAID outside M01A: M01B; codeine, oxycodone and hydrocodone with
//     ibuprofen, tramadol with dexketoprofen or celecoxib, sumatriptan with
//     naproxen, amlodipine with celecoxib;
//   - Aspirin: N02BA01 and its combinations, those with an opioid included;
//   - Topical: M02AA on the skin, S01BC in the eye, flurbiprofen in the throat,
//     diclofenac of group D11AX;
//   - MayContain: combinations whose code does not name every substance.
func DefaultNSAIDRules() NSAIDRules {
	return NSAIDRules{
		LowDoseAspirin: []string{"B01AC06", "B01AC56"},
		Aspirin:        []string{"N02BA01", "N02BA51", "N02BA71", "N02AJ02", "N02AJ07", "N02AJ18"},
		NotNSAID:       []string{"M01AX05", "M01AX12", "M01AX21", "M01AX25", "M01AX26"},
		NSAID:          []string{"M01A", "M01B", "N02AJ08", "N02AJ14", "N02AJ16", "N02AJ19", "N02AJ23", "N02CC51", "C08CA51"},
		Topical:        []string{"M02AA", "S01BC", "R02AX01", "D11AX18"},
		MayContain:     []string{"N02BE51", "N02BE71", "N02AA59", "N02AJ03", "N02AJ09", "N02AJ15", "R05X"},
		HighestAspirin: 100,
	}
}

func (r NSAIDRules) check() error {
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
	// NoneFound: every medicine of a complete list is known and none is to be
	// avoided.
	NoneFound = "none-found"
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
// the order of the list.
type NSAIDCheck struct {
	clinical.Conclusion
	Findings []Finding `json:"findings"`
}

// The warnings about NSAID.
const (
	// TopicalCaution: the list holds an NSAID for local use.
	TopicalCaution clinical.WarningCode = "topical-nsaid"
	// AllowedCaution: a medicine was passed by an exception of the protocol.
	AllowedCaution clinical.WarningCode = "allowed-by-protocol"
)

const (
	practice = "common practice, no published source"
	whoATC   = "WHO ATC index, from memory"
)

// FindNSAID tells whether a list of medicines holds an NSAID, which donors avoid
// for life, by ATC code; every medicine is listed with its reason by its place
// in the list. The answer is Avoid, NoneFound or CannotTell. A medicine without
// a code, a combination that may hold one, aspirin without a dose and a list not
// confirmed as complete each give CannotTell unless another medicine gives Avoid.
// Aspirin counts by its dose a day; in the codes of low dose it passes without a
// dose.
//
// It returns a *clinical.Error for a code that is not a complete ATC code, an
// aspirin dose that is not a positive number or outside 10 to 10 000 mg, an
// unknown answer, and rules that are not valid. Source: common practice, no
// published source; codes see DefaultNSAIDRules.
func FindNSAID(in NSAIDInput, rules NSAIDRules) (NSAIDCheck, error) {
	if err := rules.check(); err != nil {
		return NSAIDCheck{}, err
	}
	if err := clinical.CheckAnswer("list complete", in.ListComplete); err != nil {
		return NSAIDCheck{}, err
	}
	c := NSAIDCheck{Conclusion: clinical.Conclusion{
		Question: "does the list of medicines hold an NSAID, to be avoided for life after donation",
		Answer:   NoneFound,
		Rule:     "nsaid-by-atc", Source: practice,
	}}
	list := make([]classified, len(in.Medicines))
	for i, m := range in.Medicines {
		var err error
		if list[i], err = rules.classify(fieldOf("medicine", i), m); err != nil {
			return NSAIDCheck{}, err
		}
	}
	c.setAnswer(in, list)
	for i, m := range in.Medicines {
		name := fieldOf("medicine", i)
		c.Inputs = append(c.Inputs, clinical.Input{Name: name, Choice: m.ATC, Measurement: clinical.Measurement{Ref: m.Ref}})
		// The dose of another medicine was not read.
		if aspirin := list[i].class == AspirinAboveLimit || list[i].class == LowDoseAspirin; aspirin && m.DailyDose.Given() {
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

func (c *NSAIDCheck) setAnswer(in NSAIDInput, list []classified) {
	if in.ListComplete != clinical.Yes {
		c.Answer = CannotTell
	}
	for _, m := range list {
		if m.class == ClassNotKnown {
			c.Answer = CannotTell
		}
	}
	for _, m := range list {
		if m.class == SystemicNSAID || m.class == AspirinAboveLimit {
			c.Answer = Avoid
		}
	}
}

func (c *NSAIDCheck) addMedicine(name string, m classified) {
	weight := clinical.Neutral
	switch m.class {
	case SystemicNSAID, AspirinAboveLimit:
		weight = clinical.Decides
	case ClassNotKnown:
		weight = clinical.NotKnown
	case TopicalNSAID:
		if c.Answer == NoneFound {
			weight = clinical.Opposes
		}
		c.Warn(TopicalCaution, "%s is an NSAID for local use; some of it reaches the kidneys, let the team decide", name)
	case AllowedByProtocol:
		c.Warn(AllowedCaution, "%s passes by an exception of the programme's protocol", name)
	}
	c.AddReason(weight, m.source, name+": "+m.text)
}

type classified struct {
	class  NSAIDClass
	text   string
	source string
}

func (r NSAIDRules) classify(field string, m Medicine) (classified, error) {
	if m.ATC == "" {
		return classified{ClassNotKnown, "no ATC code was recorded, so it is not known what it is", whoATC}, nil
	}
	if err := checkATC(field+" ATC code", m.ATC); err != nil {
		return classified{}, err
	}
	low := inGroups(m.ATC, r.LowDoseAspirin)
	switch {
	case inGroups(m.ATC, r.Allowed):
		return classified{AllowedByProtocol, "allowed by the programme's protocol", "protocol of the programme"}, nil
	case low || inGroups(m.ATC, r.Aspirin):
		return r.classifyAspirin(field, m, low)
	case inGroups(m.ATC, r.NotNSAID):
		return classified{NotNSAID, "in a group of NSAID by its code, but does not act as one", whoATC}, nil
	case inGroups(m.ATC, r.NSAID):
		return classified{SystemicNSAID, "NSAID; donors avoid it for life", practice}, nil
	case inGroups(m.ATC, r.Topical):
		return classified{TopicalNSAID, "NSAID for local use; caution", whoATC}, nil
	case inGroups(m.ATC, r.MayContain):
		return classified{ClassNotKnown, "the code does not tell whether this combination holds an NSAID; read its contents", whoATC}, nil
	}
	return classified{NotNSAID, "no NSAID by its code", whoATC}, nil
}

func (r NSAIDRules) classifyAspirin(field string, m Medicine, low bool) (classified, error) {
	limit := clinical.Display(r.HighestAspirin, 0) + " mg a day"
	if !m.DailyDose.Given() {
		if low {
			return classified{LowDoseAspirin, "aspirin with a code of low dose; its dose was not recorded", practice}, nil
		}
		return classified{ClassNotKnown, "aspirin of which the dose a day was not recorded; above " + limit + " donors avoid it", practice}, nil
	}
	dose, err := m.DailyDose.Within(field+" daily dose", units.MedicineDose, lowestAspirinMg, highestAspirinMg, units.Mg)
	if err != nil {
		return classified{}, err
	}
	if dose > r.HighestAspirin {
		return classified{AspirinAboveLimit, "aspirin above " + limit + "; donors avoid it for life", practice}, nil
	}
	return classified{LowDoseAspirin, "aspirin up to " + limit, practice}, nil
}
