package fhir

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/record"
	"candidacy/internal/result"
	"candidacy/internal/risk"
)

const (
	typeRiskAssessment = "RiskAssessment"
	systemRiskOutcome  = "https://candidacy.example/CodeSystem/risk-outcome"
	systemRiskModel    = "https://candidacy.example/CodeSystem/risk-model"
)

var riskAssessmentType = resourceType{
	code: r4.ResourceTypeRiskAssessment,
	params: ofPatient("RiskAssessment-subject",
		dateParam("date", "clinical-date"),
		tokenParam("method", "RiskAssessment-method", ""),
		numberParam("probability", "RiskAssessment-probability"),
	),
}

// riskOutcomes has the words of each outcome but the one that has its own.
var riskOutcomes = map[string]string{
	"kidney-failure": "Kidney failure", "gfr-below-45": "GFR below 45 mL/min/1.73 m2", "albuminuria": "Albuminuria", "hypertension": "Hypertension",
	"diabetes": "Diabetes", "kidney-stones": "Kidney stones", "cardiovascular-event": "Cardiovascular event",
	"gestational-hypertension": "Gestational hypertension", "perioperative-complication": "Perioperative complication", "death": "Death",
}

// riskAssessments publishes the risks that people obtained outside, as they were
// told: none is computed here. What stands on something that is told in confidence
// since points to it no more.
func riskAssessments(s activities.Snapshot) ([]record.Resource, error) {
	if len(s.Risks) == 0 {
		return nil, nil
	}
	var list []record.Resource
	kept := s.Protocol.ConfidentialResults(s.Results)
	for _, e := range s.Risks {
		r, err := riskAssessment(s, e, kept)
		if err != nil {
			return nil, fmt.Errorf("risk of entry %d: %w", e.Seq, err)
		}
		list = append(list, r)
	}
	return list, nil
}

func riskAssessment(s activities.Snapshot, e risk.Estimate, kept map[string]bool) (record.Resource, error) {
	words, ok := riskOutcomes[e.Outcome]
	if e.Outcome == command.OtherOutcome {
		words, ok = e.OutcomeText, true
	}
	if !ok {
		return record.Resource{}, fmt.Errorf("the outcome %q has no words", e.Outcome)
	}
	if !decimalShape.MatchString(e.Percent.String()) {
		return record.Resource{}, fmt.Errorf("the probability is not a decimal number")
	}
	status := r4.ObservationStatusFinal
	switch {
	case e.EnteredInError:
		status = r4.ObservationStatusEnteredInError
	case e.Seq != e.First:
		status = r4.ObservationStatusCorrected
	}
	id := resourceID(s.Candidate, "risk-"+strconv.FormatInt(e.First, 10))
	method := concept(systemRiskModel, e.Model, e.Model, e.Model+", version "+e.ModelVersion)
	method.Coding[0].Version = &e.ModelVersion
	code := concept("", "", "", "Risk obtained from outside this program")
	on := string(e.Date)
	percent, outcome := json.Number(e.Percent), concept(systemRiskOutcome, e.Outcome, words, words+", "+e.Supposes())
	said := concept("", "", "", percentText(e)+", "+e.Horizon()+", "+e.Supposes())
	rationale := "Probability in percent, as the source states it. Source: " + e.Source
	prediction := r4.RiskAssessmentPrediction{
		Outcome: &outcome, ProbabilityDecimal: &percent, QualitativeRisk: &said, Rationale: &rationale,
	}
	if !e.Lifetime { // without a time a risk is that of the rest of the life
		end := string(e.Date.AddMonths(12 * e.HorizonYears))
		prediction.WhenPeriod = &r4.Period{Start: &on, End: &end}
	}
	assessment := r4.RiskAssessment{
		Id: &id, Status: status, Method: &method, Code: &code, Subject: reference(typePatient, s.Candidate), OccurrenceDateTime: &on,
		Basis: basis(s, e, kept), Prediction: []r4.RiskAssessmentPrediction{prediction},
	}
	var x index
	x.date("date", assessment.OccurrenceDateTime)
	x.concepts("method", method)
	x.number("probability", prediction.ProbabilityDecimal)
	return publish(typeRiskAssessment, id, "", assessment, x)
}

// percentText is the probability with its unit and its interval: readers of the
// bare number take it for a fraction.
func percentText(e risk.Estimate) string {
	text := e.Percent.String() + " %"
	if i := e.Interval; i != nil {
		text += " (" + i.Low.String() + " to " + i.High.String() + " %"
		if i.CoveragePercent != "" {
			text += ", " + i.CoveragePercent.String() + " % interval"
		}
		text += ")"
	}
	return text
}

// basis points to the results that went into it, as far as they are published.
func basis(s activities.Snapshot, e risk.Estimate, kept map[string]bool) []r4.Reference {
	var list []r4.Reference
	for _, id := range e.Basis {
		if !kept[id] && slices.ContainsFunc(s.Results, func(r result.Result) bool { return r.ID == id }) {
			list = append(list, reference(typeObservation, id))
		}
	}
	return list
}
