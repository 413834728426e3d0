package protocol

import (
	"fmt"
	"slices"

	"candidacy/internal/clinical"
	"candidacy/internal/journey"
)

// Person is what formulas need to know of a candidate.
type Person struct {
	BirthDate journey.Date
	// Sex is the binary coefficient of the laboratory equations, "female" or
	// "male"; anything else makes sex-dependent equations undecidable.
	Sex string
	// Path is direct, paired or nondirected; RecipientKnown says that an
	// intended recipient is named.
	Path           string
	RecipientKnown bool
	// Planned is the planned day of the operation, if there is one.
	Planned journey.Date
}

// Input is one number that a computation used, with where it came from.
type Input struct {
	Name  string `json:"name"`
	Value string `json:"value"`
	Unit  string `json:"unit"`
	Date  string `json:"date,omitempty"`
	// Result is the id of the result on record, empty for a derived input.
	Result string `json:"result,omitempty"`
}

// Flag is what a rule says about a finding. It advises people; it decides
// nothing.
type Flag struct {
	ID          string       `json:"id"`
	Requirement string       `json:"requirement"`
	Title       string       `json:"title"`
	Band        journey.Band `json:"band"`
	Absolute    bool         `json:"absolute,omitempty"`
	// Value is the unrounded number that was compared; Shown is the number for
	// display. Both are empty when Band is CannotDecide.
	Value string `json:"value,omitempty"`
	Shown string `json:"shown,omitempty"`
	Unit  string `json:"unit"`
	// Threshold says in words what the bands are.
	Threshold string `json:"threshold"`
	// Clears says what would lift it, Differs where countries and sites differ.
	Clears   string  `json:"clears,omitempty"`
	Differs  string  `json:"differs,omitempty"`
	Source   string  `json:"source"`
	Equation string  `json:"equation,omitempty"`
	Inputs   []Input `json:"inputs"`
	// Date is the day the finding is of.
	Date     journey.Date `json:"date"`
	Warnings []string     `json:"warnings,omitempty"`
	// Near says that the value lies so close to a threshold that the shown
	// number falls on the other side, or that its interval reaches over it.
	Near bool `json:"near,omitempty"`
	// Interval is that of a measured value, where it is known.
	Interval *Interval `json:"interval,omitempty"`
	// Reason says why the rule cannot decide.
	Reason string `json:"reason,omitempty"`
	// Evidence identifies the exact results behind the flag.
	Evidence string `json:"evidence"`
	// Derived is the key of the derived value the flag stands on, if any.
	Derived string `json:"derived,omitempty"`
}

// Coded returns the part of the flag that the process knows.
func (f Flag) Coded() journey.Flag {
	return journey.Flag{ID: f.ID, Requirement: f.Requirement, Band: f.Band, Absolute: f.Absolute, Evidence: f.Evidence}
}

// Derived is a value that the product computed from results.
type Derived struct {
	// Key names the value within the candidate, such as "egfr-creatinine".
	Key   string `json:"key"`
	Title string `json:"title"`
	// LOINC is empty when no code is confirmed; Local then is the code of the
	// local code system.
	LOINC    string `json:"loinc,omitempty"`
	Local    string `json:"local,omitempty"`
	Category string `json:"category"`
	Value    string `json:"value"`
	Unit     string `json:"unit"`
	// Interval is that of a measured value, where it is known.
	Interval *Interval `json:"interval,omitempty"`
	Equation string    `json:"equation"`
	Source   string    `json:"source"`
	// Effective is the time of the decisive input, as received; EffectiveEnd
	// ends a period.
	Effective    string   `json:"effective"`
	EffectiveEnd string   `json:"effective_end,omitempty"`
	Inputs       []Input  `json:"inputs"`
	Warnings     []string `json:"warnings,omitempty"`
	// Components are the parts of a derived panel, such as a mean pressure.
	Components []DerivedComponent `json:"components,omitempty"`
}

// Interval is the interval, in the unit of the value, in which a measured
// quantity lies with the probability Coverage, given the uncertainties that the
// protocol states.
type Interval struct {
	Low      float64 `json:"low"`
	High     float64 `json:"high"`
	Coverage float64 `json:"coverage"`
	Method   string  `json:"method"`
}

// Text says the interval with a number of decimals, without its unit.
func (i Interval) Text(decimals int) string {
	return fmt.Sprintf("%s %% interval %s to %s",
		clinical.Display(100*i.Coverage, 0), clinical.Display(i.Low, decimals), clinical.Display(i.High, decimals))
}

// DerivedComponent is one part of a derived panel.
type DerivedComponent struct {
	LOINC string `json:"loinc"`
	Title string `json:"title"`
	Value string `json:"value"`
	Unit  string `json:"unit"`
}

// Report is what every result on record means together.
type Report struct {
	Findings   []journey.Finding
	Flags      []Flag
	Derived    []Derived
	Conditions []Condition
	BloodType  journey.Agreement
}

// Coded returns the part of the report that the process knows.
func (r Report) Coded() *journey.Assessment {
	a := &journey.Assessment{Findings: r.Findings, BloodType: r.BloodType}
	a.Flags = slices.Grow(a.Flags, len(r.Flags))
	for i := range r.Flags {
		a.Flags = append(a.Flags, r.Flags[i].Coded())
	}
	a.Conditions = slices.Grow(a.Conditions, len(r.Conditions))
	for _, c := range r.Conditions {
		a.Conditions = append(a.Conditions, journey.Condition{Requirement: c.Requirement, Holds: c.Holds})
	}
	return a
}
