package command

import (
	"encoding/json"
	"fmt"
	"math/big"
	"regexp"
	"slices"
	"strings"

	"candidacy/internal/journey"
)

// RecordRisk is the body of record-risk: the risk of one outcome as a tool or a
// model outside this program put it, with where it comes from. It is kept and
// shown; no rule reads it, and none is computed here.
type RecordRisk struct {
	// Outcome is one of RiskOutcomes; OtherOutcome is named by OutcomeText.
	Outcome     string `json:"outcome"`
	OutcomeText string `json:"outcome_text,omitempty"`
	// Scenario is one of RiskScenarios.
	Scenario string `json:"scenario"`
	// Percent is the probability in percent, 0 to 100, with its digits as given.
	Percent  json.Number   `json:"percent"`
	Interval *RiskInterval `json:"interval,omitempty"`
	// HorizonYears is the time within which the outcome is meant to come, unless
	// it is the rest of the life.
	HorizonYears int  `json:"horizon_years,omitempty"`
	Lifetime     bool `json:"lifetime,omitempty"`
	// Model and ModelVersion name what computed it, and Source is the publication
	// or the institution whose tool it is.
	Model        string `json:"model"`
	ModelVersion string `json:"model_version"`
	Source       string `json:"source"`
	// ObtainedBy is the account of who obtained it, unless it is whoever records it.
	ObtainedBy string `json:"obtained_by,omitempty"`
	// Date is the day on which it was obtained.
	Date journey.Date `json:"on"`
	// Basis are the ids of the results that went into it, as far as they are on
	// record.
	Basis []string `json:"basis,omitempty"`
	// Replaces is the number of the entry that this one stands in place of;
	// EnteredInError says that there was no such estimate.
	Replaces       int64  `json:"replaces,omitempty"`
	EnteredInError bool   `json:"entered_in_error,omitempty"`
	Reason         string `json:"reason,omitempty"`
	Note           string `json:"note,omitempty"`
}

// RiskInterval is the interval that the model states around its percentage.
type RiskInterval struct {
	Low  json.Number `json:"low"`
	High json.Number `json:"high"`
	// CoveragePercent is the probability of the interval, such as 95.
	CoveragePercent json.Number `json:"coverage_percent,omitempty"`
}

// OtherOutcome is an outcome that RiskOutcomes does not have.
const OtherOutcome = "other"

// RiskOutcomes lists the outcomes of risks.
var RiskOutcomes = []string{
	"kidney-failure", "gfr-below-45", "albuminuria", "hypertension", "diabetes", "kidney-stones", "cardiovascular-event",
	"gestational-hypertension", "perioperative-complication", "death", OtherOutcome,
}

// RiskScenarios lists what a risk supposes: that the person does not donate, or
// does.
var RiskScenarios = []string{"without-donation", "after-donation"}

// mostYears bounds a horizon that is no lifetime.
const mostYears = 80

// percentShape leaves out signs, exponents and leading zeros, so that the text is
// what a person reads.
var percentShape = regexp.MustCompile(`^((0|[1-9][0-9]?)(\.[0-9]{1,10})?|100(\.0{1,10})?)$`)

// Check implements Body.
func (b *RecordRisk) Check(f *Faults) {
	f.oneOf("outcome", b.Outcome, true, RiskOutcomes...)
	f.line("outcome_text", b.OutcomeText, b.Outcome == OtherOutcome)
	if b.OutcomeText != "" && b.Outcome != OtherOutcome {
		f.Add("outcome_text", "only with the outcome other")
	}
	f.oneOf("scenario", b.Scenario, true, RiskScenarios...)
	percent := f.percent("percent", b.Percent, true)
	if i := b.Interval; i != nil {
		low, high := f.percent("interval.low", i.Low, true), f.percent("interval.high", i.High, true)
		f.percent("interval.coverage_percent", i.CoveragePercent, false)
		if percent != nil && low != nil && high != nil && (low.Cmp(percent) > 0 || percent.Cmp(high) > 0) {
			f.Add("interval", "does not hold percent")
		}
	}
	switch {
	case b.Lifetime && b.HorizonYears != 0:
		f.Add("horizon_years", "not together with lifetime")
	case !b.Lifetime && (b.HorizonYears < 1 || b.HorizonYears > mostYears):
		f.Add("horizon_years", "missing or outside the plausible range", fmt.Sprintf("1 to %d", mostYears), "lifetime")
	}
	f.line("model", b.Model, true)
	f.line("model_version", b.ModelVersion, true)
	f.line("source", b.Source, true)
	if b.ObtainedBy != "" {
		f.id("obtained_by", b.ObtainedBy)
	}
	f.date("on", b.Date, true)
	f.ids("basis", b.Basis)
	for i, id := range b.Basis {
		if slices.Contains(b.Basis[:i], id) {
			f.Add(fmt.Sprintf("basis[%d]", i), "listed twice")
		}
	}
	switch {
	case b.Replaces < 0:
		f.Add("replaces", "not the number of an entry")
	case b.Replaces > 0 && !given(b.Reason):
		f.Add("reason", "missing: a correction needs a reason")
	case b.Replaces == 0 && b.EnteredInError:
		f.Add("replaces", "missing: name the entry that was entered in error")
	}
	f.text("reason", b.Reason, false)
	f.text("note", b.Note, false)
}

// percent reads a percentage, nil when there is none.
func (f *Faults) percent(field string, value json.Number, required bool) *big.Rat {
	switch {
	case value == "":
		if required {
			f.Add(field, "missing", "a percentage such as 0.9")
		}
		return nil
	case !percentShape.MatchString(value.String()):
		f.Add(field, "not a percentage", "0 to 100 in decimal digits, such as 0.9")
		return nil
	}
	number, _ := new(big.Rat).SetString(value.String())
	return number
}

// line checks a text of one line that is shown as it is.
func (f *Faults) line(field, value string, required bool) {
	const longest = 300
	f.text(field, value, required)
	if strings.ContainsAny(value, "\r\n\t") {
		f.Add(field, "more than one line")
	}
	if len(value) > longest {
		f.Add(field, fmt.Sprintf("longer than %d bytes", longest))
	}
}

// Code implements Body.
func (b *RecordRisk) Code(c *journey.Command) {
	c.On, c.Reasoned = codedDate(b.Date), given(b.Reason)
}

// Horizon says in words within which time the outcome is meant to come.
func (b *RecordRisk) Horizon() string {
	switch {
	case b.Lifetime:
		return "lifetime"
	case b.HorizonYears == 1:
		return "1 year"
	default:
		return fmt.Sprintf("%d years", b.HorizonYears)
	}
}
