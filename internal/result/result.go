// Package result holds one clinical observation as it was reported: exact text
// of the number, unit, code, time and source. It does no computation and knows
// no rules; package protocol reads results to assess a candidate.
package result

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"time"
)

// Status is the FHIR R4 observation status.
type Status string

// The statuses. Only final, amended and corrected results are used by rules.
const (
	Registered     Status = "registered"
	Preliminary    Status = "preliminary"
	Final          Status = "final"
	Amended        Status = "amended"
	Corrected      Status = "corrected"
	Cancelled      Status = "cancelled"
	EnteredInError Status = "entered-in-error"
	Unknown        Status = "unknown"
)

// Statuses lists what a result's status may be.
var Statuses = []Status{Registered, Preliminary, Final, Amended, Corrected, Cancelled, EnteredInError, Unknown}

// Usable reports whether rules may run on a result of this status.
func (s Status) Usable() bool { return s == Final || s == Amended || s == Corrected }

// Coding is a code of a code system with the words that came with it.
type Coding struct {
	System  string `json:"system,omitempty"`
	Code    string `json:"code,omitempty"`
	Display string `json:"display,omitempty"`
}

// Quantity is a number with its UCUM unit. The number is kept as text: a
// result of 1.10 must not become 1.1.
type Quantity struct {
	Value      json.Number `json:"value"`
	Unit       string      `json:"unit"`
	Comparator string      `json:"comparator,omitempty"`
}

// Float returns the number for computing.
func (q Quantity) Float() (float64, error) {
	v, err := strconv.ParseFloat(q.Value.String(), 64)
	if err != nil {
		return 0, fmt.Errorf("value is not a decimal number")
	}
	return v, nil
}

// Value is exactly one of a quantity, a coding or a text.
type Value struct {
	Quantity *Quantity `json:"quantity,omitempty"`
	Coding   *Coding   `json:"coding,omitempty"`
	Text     string    `json:"text,omitempty"`
}

// Component is a part of a panel, such as the systolic pressure.
type Component struct {
	Code  Coding `json:"code"`
	Value Value  `json:"value"`
}

// Identifier is the source's own id of the result.
type Identifier struct {
	System string `json:"system"`
	Value  string `json:"value"`
}

// Result is one observation.
type Result struct {
	// ID is ours, and the id of the FHIR Observation.
	ID         string      `json:"id"`
	Identifier Identifier  `json:"identifier"`
	Status     Status      `json:"status"`
	Category   string      `json:"category"`
	Code       Coding      `json:"code"`
	Value      Value       `json:"value"`
	Components []Component `json:"components,omitempty"`
	// Effective is when the sample was taken or the measurement made, as
	// received (RFC 3339 or YYYY-MM-DD); EffectiveEnd ends a collection.
	Effective    string `json:"effective"`
	EffectiveEnd string `json:"effective_end,omitempty"`
	Issued       string `json:"issued,omitempty"`
	// CollectedOn is the calendar day of Effective in the programme's zone.
	CollectedOn string `json:"collected_on"`
	// Specimen is the accession of the specimen.
	Specimen string `json:"specimen,omitempty"`
	BodySite string `json:"body_site,omitempty"`
	Method   string `json:"method,omitempty"`
	// Version counts the reports of this result, corrections included.
	Version int `json:"version"`
}

// EffectiveAt returns the instant of Effective. A date without a time has no
// instant: it is an error, never midnight.
func (r Result) EffectiveAt() (time.Time, error) {
	t, err := time.Parse(time.RFC3339, r.Effective)
	if err != nil {
		return time.Time{}, fmt.Errorf("the time of %s is a date without a time of day", r.Code.Code)
	}
	return t, nil
}

// Component finds a component by its code.
func (r Result) Component(code string) (Component, bool) {
	i := slices.IndexFunc(r.Components, func(c Component) bool { return c.Code.Code == code })
	if i < 0 {
		return Component{}, false
	}
	return r.Components[i], true
}
