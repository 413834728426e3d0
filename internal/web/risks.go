package web

import (
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/risk"
)

// riskModel is one risk that somebody obtained outside.
type riskModel struct{ Outcome, Percent, Horizon, Model, Obtained, Entry string }

var riskWords = map[string]string{
	"kidney-failure": "Kidney failure", "gfr-below-45": "GFR below 45", "albuminuria": "Albuminuria", "hypertension": "High blood pressure",
	"diabetes": "Diabetes", "kidney-stones": "Kidney stones", "cardiovascular-event": "Cardiovascular event",
	"gestational-hypertension": "High blood pressure in a pregnancy", "perioperative-complication": "Complication of the operation", "death": "Death",
	command.OtherOutcome: "Another outcome",
}

var scenarioWords = map[string]string{"without-donation": "If the candidate does not donate", "after-donation": "If the candidate donates"}

// outcomeOf names the outcome of a risk with what it supposes.
func outcomeOf(b command.RecordRisk) string {
	outcome := known(riskWords, b.Outcome)
	if b.Outcome == command.OtherOutcome && b.OutcomeText != "" {
		outcome = b.OutcomeText
	}
	return outcome + ", " + lower(known(scenarioWords, b.Scenario))
}

// percentWord is the percentage with its digits as given, and its interval.
func percentWord(b command.RecordRisk) string {
	text := b.Percent.String() + " %"
	if i := b.Interval; i != nil {
		text += " (" + i.Low.String() + " to " + i.High.String() + " %"
		if i.CoveragePercent != "" {
			text += ", " + i.CoveragePercent.String() + " % interval"
		}
		text += ")"
	}
	return text
}

// risksOf are the risks on record for whoever reads what the care team writes.
func risksOf(sc scene, people map[string]string) ([]riskModel, error) {
	list, err := sc.viewer.reader().Risks(sc.entries)
	if err != nil {
		return nil, err
	}
	var models []riskModel
	for _, e := range list {
		if e.EnteredInError {
			continue
		}
		by := e.ObtainedBy
		if by == "" {
			by = e.By
		}
		models = append(models, riskModel{
			Outcome: outcomeOf(e.RecordRisk), Percent: percentWord(e.RecordRisk), Horizon: capital(e.Horizon()),
			Model: e.Model + ", version " + e.ModelVersion + ". " + e.Source, Obtained: dayWord(e.Date) + ", " + personWord(people, by),
			Entry: strconv.FormatInt(e.Seq, 10),
		})
	}
	return models, nil
}

// mostBasis is how many results the form offers as what a risk stands on.
const mostBasis = 24

func riskFields(s scene) []field {
	outcome := field{Name: "outcome", Label: "Outcome", Type: "select", Options: []option{{"", "Choose"}}}
	for _, o := range command.RiskOutcomes {
		outcome.Options = append(outcome.Options, option{o, riskWords[o]})
	}
	scenario := field{Name: "scenario", Label: "The risk is that", Type: "radio"}
	for _, o := range command.RiskScenarios {
		scenario.Options = append(scenario.Options, option{o, scenarioWords[o]})
	}
	fields := []field{
		outcome,
		{Name: "outcome_text", Label: "Another outcome, in words", Type: "text", Optional: true, Complete: "off"},
		scenario,
		{Name: "percent", Label: "Risk in percent", Type: "decimal", Hint: "Exactly as the tool says it: 0.9 for nine in a thousand."},
		{Name: "low", Label: "Interval from, in percent", Type: "decimal", Optional: true},
		{Name: "high", Label: "Interval to, in percent", Type: "decimal", Optional: true},
		{Name: "coverage", Label: "Probability of the interval, in percent", Type: "decimal", Optional: true, Hint: "Such as 95."},
		{Name: "horizon_years", Label: "Within how many years", Type: "decimal", Optional: true, Hint: "Leave it empty for the whole life."},
		{Name: "model", Label: "Model or tool", Type: "text", Complete: "off"},
		{Name: "model_version", Label: "Its version", Type: "text", Complete: "off", Hint: "Or the day on which it was looked at, where it has none."},
		{Name: "source", Label: "Where it comes from", Type: "text", Complete: "off", Hint: "The publication, or the institution whose tool it is."},
		{Name: "on", Label: "Obtained on", Type: "date", Value: string(s.today)},
	}
	if basis := riskBasis(s); len(basis.Options) > 0 {
		fields = append(fields, basis)
	}
	if list := s.risks(); len(list) > 0 {
		replaces := field{Name: "replaces", Label: "Corrects", Type: "select", Optional: true, Options: []option{{"", "Nothing, it is another risk"}}}
		for _, e := range list {
			replaces.Options = append(replaces.Options, option{strconv.FormatInt(e.Seq, 10), fmt.Sprintf("Entry %d: %s, %s", e.Seq, outcomeOf(e.RecordRisk), percentWord(e.RecordRisk))})
		}
		fields = append(fields, replaces,
			field{Name: "entered_in_error", Label: "There was no such risk; it was recorded by mistake", Type: "checkbox"},
			field{Name: "reason", Label: "Reason of the correction", Type: "textarea", Optional: true})
	}
	return append(fields, noteField())
}

// riskBasis offers the newest measurements, but nothing told in confidence: what
// a risk stands on is published with it.
func riskBasis(s scene) field {
	f := field{Name: "basis", Label: "Results that went into it", Type: "checkboxes", Optional: true}
	var seen []string
	for _, m := range slices.Backward(s.results) {
		o, ok := s.protocol.Observation(m.Code.Code)
		measured := m.Value.Quantity != nil || len(m.Components) > 0
		if !ok || !measured || !m.Status.Usable() || slices.Contains(seen, m.Code.Code) || s.protocol.ConfidentialResult(m.Code, m.Components) {
			continue
		}
		if seen = append(seen, m.Code.Code); len(seen) > mostBasis {
			break
		}
		f.Options = append(f.Options, option{m.ID, o.Title + ", " + dayWord(journey.Date(m.CollectedOn))})
	}
	return f
}

// risks are those that a correction may be about. What can't be read is left out:
// the page itself says so.
func (s scene) risks() []risk.Estimate {
	list, err := risk.Of(s.entries)
	if err != nil {
		return nil
	}
	return slices.DeleteFunc(list, func(e risk.Estimate) bool { return e.EnteredInError })
}

func riskBody(_ scene, v url.Values, _ string) (command.Body, []problem) {
	var problems []problem
	number := func(name string) json.Number {
		text := strings.TrimSpace(v.Get(name))
		if text != "" && !plainNumber(text) {
			problems = append(problems, problem{Text: "Not a decimal number: such as 0.9.", Field: name})
			return ""
		}
		return json.Number(text)
	}
	b := &command.RecordRisk{
		Outcome: v.Get("outcome"), OutcomeText: strings.TrimSpace(v.Get("outcome_text")), Scenario: v.Get("scenario"), Percent: number("percent"),
		Model: strings.TrimSpace(v.Get("model")), ModelVersion: strings.TrimSpace(v.Get("model_version")), Source: strings.TrimSpace(v.Get("source")),
		Date: journey.Date(v.Get("on")), Basis: v["basis"], EnteredInError: v.Has("entered_in_error"), Reason: v.Get("reason"), Note: v.Get("note"),
	}
	if low, high, coverage := number("low"), number("high"), number("coverage"); low != "" || high != "" || coverage != "" {
		b.Interval = &command.RiskInterval{Low: low, High: high, CoveragePercent: coverage}
	}
	if years := strings.TrimSpace(v.Get("horizon_years")); years == "" {
		b.Lifetime = true
	} else if n, err := strconv.Atoi(years); err == nil {
		b.HorizonYears = n
	} else {
		problems = append(problems, problem{Text: "Not a whole number of years.", Field: "horizon_years"})
	}
	if text := v.Get("replaces"); text != "" {
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			problems = append(problems, problem{Text: "Choose one of the list.", Field: "replaces"})
		}
		b.Replaces = n
	}
	return b, problems
}

// riskField is the field of the form that a fault of a risk is shown at.
func riskField(path string) string {
	switch path {
	case "interval.low":
		return "low"
	case "interval.high", "interval":
		return "high"
	case "interval.coverage_percent":
		return "coverage"
	}
	name, _, _ := strings.Cut(path, "[")
	return name
}

// risk adds to an entry what it tells of a risk.
func (m *entryModel) risk(e record.Entry, add func(label, value string), words func(label, member, text string)) {
	var body command.RecordRisk
	read(e, &body)
	words("Risk", "percent", outcomeOf(body)+": "+percentWord(body)+", "+body.Horizon())
	words("Model", "model", body.Model+", version "+body.ModelVersion)
	if body.Replaces > 0 {
		add("Corrects", "entry "+strconv.FormatInt(body.Replaces, 10))
	}
	if body.EnteredInError {
		add("Status", "Entered in error")
	}
	words("Reason", "reason", body.Reason)
	words("Note", "note", body.Note)
}
