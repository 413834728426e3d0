// Package perioperative grades the complications of an operation by
// Clavien-Dindo and tells when the limits after an operation end. It reads no
// clock: all dates come from the caller.
package perioperative

import (
	"fmt"
	"slices"

	"candidacy/internal/clinical"
)

// Grade is a grade of Clavien-Dindo.
type Grade string

// The grades, rising. GradeUnknown means that a fact which could raise the grade
// was not recorded.
const (
	GradeI       Grade = "I"
	GradeII      Grade = "II"
	GradeIIIa    Grade = "IIIa"
	GradeIIIb    Grade = "IIIb"
	GradeIVa     Grade = "IVa"
	GradeIVb     Grade = "IVb"
	GradeV       Grade = "V"
	GradeUnknown Grade = "cannot-tell"
)

// Grades lists the grades, rising.
func Grades() []Grade {
	return []Grade{GradeI, GradeII, GradeIIIa, GradeIIIb, GradeIVa, GradeIVb, GradeV}
}

func (g Grade) rank() int { return slices.Index(Grades(), g) }

// Intervention tells whether a complication was treated by surgery, endoscopy or
// radiology. Opening a wound at the bedside is none.
type Intervention string

// The interventions.
const (
	NoIntervention            Intervention = "none"
	WithoutGeneralAnaesthesia Intervention = "without-general-anaesthesia"
	WithGeneralAnaesthesia    Intervention = "with-general-anaesthesia"
	interventionNotRecorded   Intervention = ""
)

// Interventions lists the interventions.
func Interventions() []Intervention {
	return []Intervention{NoIntervention, WithoutGeneralAnaesthesia, WithGeneralAnaesthesia}
}

// OrganFailure tells how many organs failed in a life-threatening way.
type OrganFailure string

// The organ failures.
const (
	NoOrganFailure          OrganFailure = "none"
	SingleOrganFailure      OrganFailure = "single"
	MultipleOrganFailure    OrganFailure = "multiple"
	organFailureNotRecorded OrganFailure = ""
)

// OrganFailures lists the organ failures.
func OrganFailures() []OrganFailure {
	return []OrganFailure{NoOrganFailure, SingleOrganFailure, MultipleOrganFailure}
}

// Event is one deviation from the normal course after the operation, with how it
// was treated. A fact left empty was not recorded.
type Event struct {
	OtherDrugs            clinical.Answer `json:"otherDrugs,omitzero" jsonschema:"yes or no: drugs other than antiemetics, antipyretics, analgesics, diuretics and electrolytes"`
	Transfusion           clinical.Answer `json:"transfusion,omitzero" jsonschema:"yes or no: blood transfusion"`
	ParenteralNutrition   clinical.Answer `json:"parenteralNutrition,omitzero" jsonschema:"yes or no: total parenteral nutrition"`
	Intervention          Intervention    `json:"intervention,omitzero" jsonschema:"none, without-general-anaesthesia or with-general-anaesthesia"`
	IntensiveCare         clinical.Answer `json:"intensiveCare,omitzero" jsonschema:"yes or no: intermediate or intensive care"`
	OrganFailure          OrganFailure    `json:"organFailure,omitzero" jsonschema:"none, single or multiple; the kidney counts as one organ"`
	Dialysis              clinical.Answer `json:"dialysis,omitzero" jsonschema:"yes or no: dialysis, which counts as failure of one organ"`
	Death                 clinical.Answer `json:"death,omitzero" jsonschema:"yes or no"`
	DisabilityAtDischarge clinical.Answer `json:"disabilityAtDischarge,omitzero" jsonschema:"yes or no: the complication still disables at discharge"`
	Ref                   string          `json:"ref,omitzero" jsonschema:"reference of the record"`
}

// ClavienDindo is the grade of a course after an operation. Lowest is the
// highest grade that the recorded facts prove; where the answer is GradeUnknown
// the true grade is that one or a higher one. Disability is the suffix d of the
// events with the grade: yes, no, or empty when it was not recorded.
type ClavienDindo struct {
	clinical.Conclusion
	Lowest     Grade           `json:"lowest"`
	Disability clinical.Answer `json:"disability,omitzero"`
}

// The warnings of the grade.
const (
	// GradeMayBeHigher: a fact that could raise the grade was not recorded.
	GradeMayBeHigher clinical.WarningCode = "grade-may-be-higher"
	// DisabilityNotRecorded: whether the suffix d belongs to the grade was not
	// recorded.
	DisabilityNotRecorded clinical.WarningCode = "disability-not-recorded"
	// CareWithoutOrganFailure: intensive care is recorded and no organ failure,
	// so the event is not graded IV; observation alone is no grade IV.
	CareWithoutOrganFailure clinical.WarningCode = "intensive-care-without-organ-failure"
	// OrganFailureWithoutCare: an organ failure is recorded and intensive care
	// is not; grade IV means both, except for dialysis.
	OrganFailureWithoutCare clinical.WarningCode = "organ-failure-without-intensive-care"
)

const dindo2004 = "Dindo, Ann Surg 2004"

// fact is one fact of an event: the grade it proves, if any, and the highest it
// might prove if it was not recorded.
type fact struct {
	text     string
	proves   Grade
	upTo     Grade
	recorded bool
}

// GradeClavienDindo returns the highest Clavien-Dindo grade of the events of one
// course, such as IIIa, with the suffix d when the complication still disables
// at discharge. An event by itself is grade I; other drugs, transfusion or
// parenteral nutrition make it II, an intervention IIIa or, with general
// anaesthesia, IIIb, failure of one organ or dialysis IVa, of several IVb, and
// death V.
//
// The answer is GradeUnknown when a fact is not recorded that could give a higher
// grade than the recorded ones. It returns a *clinical.Error when there is no
// event, because a course without complication has no grade, and for an unknown
// choice. Source: Dindo, Ann Surg 2004, as reproduced in later tables.
func GradeClavienDindo(events []Event) (ClavienDindo, error) {
	if len(events) == 0 {
		return ClavienDindo{}, &clinical.Error{Code: clinical.Missing, Field: "events", Message: "at least one event is required; a course without complication has no grade"}
	}
	facts := make([][]fact, len(events))
	lowest, highest := GradeI, GradeI
	for i, e := range events {
		if err := e.check(fmt.Sprintf("event %d", i+1)); err != nil {
			return ClavienDindo{}, err
		}
		facts[i] = e.facts()
		for _, f := range facts[i] {
			if f.recorded && f.proves.rank() > lowest.rank() {
				lowest = f.proves
			}
			if f.upTo.rank() > highest.rank() {
				highest = f.upTo
			}
		}
	}
	c := ClavienDindo{
		Conclusion: clinical.Conclusion{
			Question: "which Clavien-Dindo grade does the course after the operation have",
			Rule:     "clavien-dindo-2004", Source: dindo2004,
		},
		Lowest: lowest,
	}
	// A grade that may yet be higher decides nothing.
	weight := clinical.Decides
	if highest.rank() > lowest.rank() {
		weight = clinical.Supports
	}
	for i, e := range events {
		c.addEvent(i, e, facts[i], weight)
	}
	c.finish(events, facts, highest)
	return c, nil
}

func (e Event) answers() []struct {
	name   string
	answer clinical.Answer
} {
	return []struct {
		name   string
		answer clinical.Answer
	}{
		{"death", e.Death}, {"dialysis", e.Dialysis}, {"intensive care", e.IntensiveCare},
		{"parenteral nutrition", e.ParenteralNutrition}, {"transfusion", e.Transfusion}, {"other drugs", e.OtherDrugs},
		{"disability at discharge", e.DisabilityAtDischarge},
	}
}

func (e Event) check(field string) error {
	for _, a := range e.answers() {
		if err := clinical.CheckAnswer(field+" "+a.name, a.answer); err != nil {
			return err
		}
	}
	if err := clinical.CheckChoice(field+" organ failure", e.OrganFailure, append(OrganFailures(), organFailureNotRecorded)); err != nil {
		return err
	}
	return clinical.CheckChoice(field+" intervention", e.Intervention, append(Interventions(), interventionNotRecorded))
}

// facts lists what grades an event, the highest grade first.
func (e Event) facts() []fact {
	list := []fact{answered("death", e.Death, GradeV)}
	organs := fact{text: "organ failure: " + string(e.OrganFailure), recorded: true}
	switch e.OrganFailure {
	case organFailureNotRecorded:
		organs = fact{text: "organ failure", upTo: GradeIVb}
	case SingleOrganFailure:
		organs.proves = GradeIVa
	case MultipleOrganFailure:
		organs.proves = GradeIVb
	}
	intervention := fact{text: "intervention: " + string(e.Intervention), recorded: true}
	switch e.Intervention {
	case interventionNotRecorded:
		intervention = fact{text: "intervention", upTo: GradeIIIb}
	case WithoutGeneralAnaesthesia:
		intervention.proves = GradeIIIa
	case WithGeneralAnaesthesia:
		intervention.proves = GradeIIIb
	}
	return append(list, organs, answered("dialysis", e.Dialysis, GradeIVa), intervention,
		answered("parenteral nutrition", e.ParenteralNutrition, GradeII),
		answered("transfusion", e.Transfusion, GradeII),
		answered("drugs outside the list of grade I", e.OtherDrugs, GradeII))
}

func answered(text string, answer clinical.Answer, grade Grade) fact {
	switch answer {
	case clinical.Yes:
		return fact{text: text + ": yes", proves: grade, recorded: true}
	case clinical.No:
		return fact{text: text + ": no", recorded: true}
	}
	return fact{text: text, upTo: grade}
}

// proven is the grade that the recorded facts of one event prove.
func proven(facts []fact) Grade {
	best := GradeI
	for _, f := range facts {
		if f.recorded && f.proves.rank() > best.rank() {
			best = f.proves
		}
	}
	return best
}

// addEvent lists the facts of one event. Those that prove the grade have the
// weight given.
func (c *ClavienDindo) addEvent(i int, e Event, facts []fact, weight clinical.Weight) {
	name := fmt.Sprintf("event %d", i+1)
	c.Inputs = append(c.Inputs, clinical.Input{Name: name, Measurement: clinical.Measurement{Ref: e.Ref}})
	for _, a := range e.answers() {
		c.AddChoice(name+" "+a.name, string(a.answer))
	}
	c.AddChoice(name+" organ failure", string(e.OrganFailure))
	c.AddChoice(name+" intervention", string(e.Intervention))

	if c.Lowest == GradeI {
		c.AddReason(weight, dindo2004, name+": a deviation from the normal course, grade I")
	} else {
		c.AddReason(clinical.Neutral, dindo2004, name+": a deviation from the normal course, grade I; a higher grade counts")
	}
	for _, f := range facts {
		switch {
		case !f.recorded:
			c.AddReason(clinical.NotKnown, dindo2004, name+": "+f.text+" was not recorded; it could mean up to grade "+string(f.upTo))
		case f.proves == "":
			c.AddReason(clinical.Neutral, dindo2004, name+": "+f.text)
		case f.proves == c.Lowest:
			c.AddReason(weight, dindo2004, name+": "+f.text+", grade "+string(f.proves))
		default:
			c.AddReason(clinical.Neutral, dindo2004, name+": "+f.text+", grade "+string(f.proves)+"; a higher grade counts")
		}
	}
	c.addCare(name, e)
}

// addCare weighs intensive care, which belongs to grade IV but gives no grade of
// its own.
func (c *ClavienDindo) addCare(name string, e Event) {
	failure := e.OrganFailure == SingleOrganFailure || e.OrganFailure == MultipleOrganFailure
	switch e.IntensiveCare {
	case clinical.NotRecorded:
		c.AddReason(clinical.NotKnown, dindo2004, name+": intensive care was not recorded")
	default:
		c.AddReason(clinical.Neutral, dindo2004, name+": intensive care: "+string(e.IntensiveCare)+"; without organ failure it gives no grade")
	}
	if e.IntensiveCare == clinical.Yes && e.OrganFailure == NoOrganFailure && e.Dialysis != clinical.Yes {
		c.Warn(CareWithoutOrganFailure, "%s: intensive care without organ failure is not graded IV here; let a clinician confirm", name)
	}
	if e.IntensiveCare != clinical.Yes && failure && e.Dialysis != clinical.Yes {
		c.Warn(OrganFailureWithoutCare, "%s: an organ failure is recorded and intensive care is not; let a clinician confirm grade IV", name)
	}
}

// finish sets the answer with its suffix. The suffix belongs to the events that
// have the grade, and to no death.
func (c *ClavienDindo) finish(events []Event, facts [][]fact, highest Grade) {
	c.Answer = string(c.Lowest)
	if highest.rank() > c.Lowest.rank() {
		c.Answer = string(GradeUnknown)
		c.AddReason(clinical.NotKnown, dindo2004, fmt.Sprintf("the grade is at least %s and may be up to %s", c.Lowest, highest))
		c.Warn(GradeMayBeHigher, "the recorded facts prove grade %s; facts that were not recorded could mean up to grade %s", c.Lowest, highest)
		return
	}
	if c.Lowest == GradeV {
		return
	}
	c.Disability = clinical.No
	for i, e := range events {
		if proven(facts[i]) != c.Lowest {
			continue
		}
		switch {
		case e.DisabilityAtDischarge == clinical.Yes:
			c.Disability = clinical.Yes
		case e.DisabilityAtDischarge == clinical.NotRecorded && c.Disability == clinical.No:
			c.Disability = clinical.NotRecorded
		}
	}
	const text = "disability at discharge from an event of this grade"
	switch c.Disability {
	case clinical.Yes:
		c.Answer += "d"
		c.AddReason(clinical.Decides, dindo2004, text+": yes, suffix d")
	case clinical.No:
		c.AddReason(clinical.Neutral, dindo2004, text+": no")
	default:
		c.AddReason(clinical.NotKnown, dindo2004, text+" was not recorded; the suffix d is open")
		c.Warn(DisabilityNotRecorded, "whether the complication disables at discharge was not recorded; the suffix d is open")
	}
}
