package command

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// RecordStay is the body of record-stay: what happened after the operation, as
// far as it is known. What is left out stays as it was.
type RecordStay struct {
	Eating      journey.Date `json:"eating,omitempty"`
	Walking     journey.Date `json:"walking,omitempty"`
	CatheterOut journey.Date `json:"catheter_out,omitempty"`
	DrainOut    journey.Date `json:"drain_out,omitempty"`
	Discharged  journey.Date `json:"discharged,omitempty"`
	// LastOpioid is the day of the last dose so far.
	LastOpioid journey.Date `json:"last_opioid,omitempty"`
	// Work is how heavy the donor's work is: desk, mixed or heavy.
	Work         string       `json:"work,omitempty"`
	WorkPartTime journey.Date `json:"work_part_time,omitempty"`
	WorkFull     journey.Date `json:"work_full,omitempty"`
	// Withdrawn names days that were recorded by mistake and are not known.
	Withdrawn []string `json:"withdrawn,omitempty"`
	// Reason is needed to change or withdraw what was recorded.
	Reason string `json:"reason,omitempty"`
	Note   string `json:"note,omitempty"`
}

// StayDay is one day of a stay by the name of its field.
type StayDay struct {
	Field string
	Day   journey.Date
}

// Days are the days of the body in the order in which a stay meets them, those
// that are not given too.
func (b *RecordStay) Days() []StayDay {
	return []StayDay{
		{"eating", b.Eating}, {"walking", b.Walking}, {"catheter_out", b.CatheterOut}, {"drain_out", b.DrainOut},
		{"discharged", b.Discharged}, {"last_opioid", b.LastOpioid}, {"work_part_time", b.WorkPartTime}, {"work_full", b.WorkFull},
	}
}

// Check implements Body.
func (b *RecordStay) Check(f *Faults) {
	var fields []string
	some := b.Work != "" || len(b.Withdrawn) > 0
	for _, day := range b.Days() {
		f.date(day.Field, day.Day, false)
		fields = append(fields, day.Field)
		some = some || day.Day != ""
	}
	f.oneOf("work", b.Work, false, "desk", "mixed", "heavy")
	if len(b.Withdrawn) > len(fields) {
		f.Add("withdrawn", fmt.Sprintf("more than %d", len(fields)))
		return
	}
	for i, field := range b.Withdrawn {
		at := fmt.Sprintf("withdrawn[%d]", i)
		f.oneOf(at, field, true, fields...)
		if slices.ContainsFunc(b.Days(), func(d StayDay) bool { return d.Field == field && d.Day != "" }) {
			f.Add(at, "withdrawn and given at once")
		}
	}
	if !some {
		f.Add("body", "nothing is recorded", append(fields, "work", "withdrawn")...)
	}
	f.text("reason", b.Reason, len(b.Withdrawn) > 0)
	f.text("note", b.Note, false)
}

// Code implements Body. The days stay in the record: no deadline hangs on them.
func (b *RecordStay) Code(c *journey.Command) { c.Reasoned = given(b.Reason) }

// RecordMedicines is the body of record-medicines: everything that is taken now.
type RecordMedicines struct {
	Medicines []Medicine `json:"medicines"`
	// Complete says whether it was asked for everything, medicines without
	// prescription too: yes or no.
	Complete string `json:"complete"`
	Note     string `json:"note,omitempty"`
}

// Medicine is one product that somebody takes.
type Medicine struct {
	Name string `json:"name"`
	// ATC is the complete code of the WHO's classification.
	ATC         string       `json:"atc,omitempty"`
	Ingredients []Ingredient `json:"ingredients,omitempty"`
	Dose        *Dose        `json:"dose,omitempty"`
	// AsNeeded medicines are not taken every day; their dose is the most a day.
	AsNeeded bool         `json:"as_needed,omitempty"`
	Since    journey.Date `json:"since,omitempty"`
}

// Ingredient is a substance whose amount matters, in one unit dose.
type Ingredient struct {
	Substance string          `json:"substance"`
	Strength  result.Quantity `json:"strength"`
}

// The substances whose amounts are added up.
const (
	SubstanceParacetamol = "paracetamol"
	SubstanceAspirin     = "aspirin"
)

// Dose is how much of a product is taken in a day.
type Dose struct {
	// Count is the number of unit doses, such as tablets, taken at once.
	Count json.Number `json:"count"`
	// TimesADay is a whole number.
	TimesADay json.Number `json:"times_a_day"`
}

// Bounds that catch slips of entry: common practice, no source.
const (
	mostMedicines = 60
	mostCount     = 100
	mostTimes     = 24
)

var (
	atcCode    = regexp.MustCompile(`^[A-Z][0-9]{2}[A-Z]{2}[0-9]{2}$`)
	doseNumber = regexp.MustCompile(`^[0-9]{1,7}(\.[0-9]{1,6})?$`)
)

// Check implements Body.
func (b *RecordMedicines) Check(f *Faults) {
	if len(b.Medicines) > mostMedicines {
		f.Add("medicines", fmt.Sprintf("more than %d", mostMedicines))
		return
	}
	for i, m := range b.Medicines {
		at := fmt.Sprintf("medicines[%d]", i)
		m.check(f, at)
		if slices.ContainsFunc(b.Medicines[:i], func(other Medicine) bool { return other.Key() == m.Key() && m.Name != "" }) {
			f.Add(at+".name", "listed twice")
		}
	}
	f.oneOf("complete", b.Complete, true, "yes", "no")
	f.text("note", b.Note, false)
}

func (m Medicine) check(f *Faults, at string) {
	f.name(at+".name", m.Name)
	if m.ATC != "" && !atcCode.MatchString(m.ATC) {
		f.Add(at+".atc", "not a complete ATC code", "a letter, two digits, two letters, two digits, in capitals")
	}
	f.date(at+".since", m.Since, false)
	const mostIngredients = 2
	if len(m.Ingredients) > mostIngredients {
		f.Add(at+".ingredients", fmt.Sprintf("more than %d", mostIngredients))
		return
	}
	for i, in := range m.Ingredients {
		of := fmt.Sprintf("%s.ingredients[%d]", at, i)
		f.oneOf(of+".substance", in.Substance, true, SubstanceParacetamol, SubstanceAspirin)
		if slices.ContainsFunc(m.Ingredients[:i], func(other Ingredient) bool { return other.Substance == in.Substance }) {
			f.Add(of+".substance", "listed twice")
		}
		f.number(of+".strength.value", in.Strength.Value)
		f.oneOf(of+".strength.unit", in.Strength.Unit, true, "mg", "g")
		if in.Strength.Comparator != "" {
			f.Add(of+".strength.comparator", "not accepted here")
		}
	}
	if m.Dose == nil {
		if len(m.Ingredients) > 0 {
			f.Add(at+".dose", "missing: without it the amount of a day can't be added up")
		}
		return
	}
	f.number(at+".dose.count", m.Dose.Count)
	if v, err := m.Dose.Count.Float64(); err == nil && v > mostCount {
		f.Add(at+".dose.count", "outside the plausible range", fmt.Sprintf("up to %d", mostCount))
	}
	if n, err := strconv.Atoi(m.Dose.TimesADay.String()); err != nil || n < 1 || n > mostTimes {
		f.Add(at+".dose.times_a_day", "not a whole number in the plausible range", fmt.Sprintf("1 to %d", mostTimes))
	}
}

// number checks a required decimal number above zero.
func (f *Faults) number(field string, value json.Number) {
	v, err := value.Float64()
	switch {
	case value == "":
		f.Add(field, "missing")
	case err != nil || !doseNumber.MatchString(value.String()):
		f.Add(field, "not a decimal number", "such as 500 or 0.5")
	case v <= 0:
		f.Add(field, "not above zero")
	}
}

// Code implements Body.
func (b *RecordMedicines) Code(*journey.Command) {}

// GiveDonorLink is the body of give-donor-link. The link's secret never comes
// here: only what it is recognised by.
type GiveDonorLink struct {
	// Digest is the SHA-256 of the secret, in hexadecimal digits.
	Digest string `json:"digest"`
	// Until is the last day of the link.
	Until journey.Date `json:"until"`
}

var digestShape = regexp.MustCompile(`^[0-9a-f]{64}$`)

// Check implements Body.
func (b *GiveDonorLink) Check(f *Faults) {
	if !digestShape.MatchString(b.Digest) {
		f.Add("digest", "not a digest", "64 hexadecimal digits in small letters: the SHA-256 of a secret of 256 random bits")
	}
	f.date("until", b.Until, true)
}

// Code implements Body.
func (b *GiveDonorLink) Code(c *journey.Command) { c.On = codedDate(b.Until) }

// Key tells medicines of a list apart.
func (m Medicine) Key() string {
	strength := ""
	for _, in := range m.Ingredients {
		strength += "\x00" + in.Substance + "\x00" + in.Strength.Value.String() + "\x00" + in.Strength.Unit
	}
	return strings.ToLower(strings.Join(strings.Fields(m.Name), " ")) + "\x00" + m.ATC + strength
}
