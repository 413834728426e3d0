package fhir

import (
	"bytes"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/protocol"
	"candidacy/internal/risk"
)

// risky has a risk, one that was corrected and one that was a mistake.
func risky(candidate string) activities.Snapshot {
	s := testSnapshot(candidate)
	plain := command.RecordRisk{
		Outcome: "kidney-failure", Scenario: "without-donation", Percent: "0.90", Interval: &command.RiskInterval{Low: "0.4", High: "1.60", CoveragePercent: "95"},
		HorizonYears: 15, Model: "Invented projection", ModelVersion: "2.1", Source: "An invented tool", Date: "2026-02-20",
		Basis: []string{s.Results[0].ID, "gone"}, Note: noteMark, Reason: noteMark, ObtainedBy: "signer-account",
	}
	lifelong := plain
	lifelong.Outcome, lifelong.OutcomeText, lifelong.HorizonYears, lifelong.Lifetime, lifelong.Interval = command.OtherOutcome, "Dialysis abroad", 0, true, nil
	lifelong.Scenario = "after-donation"
	mistake := plain
	mistake.EnteredInError, mistake.Replaces = true, 31
	s.Risks = []risk.Estimate{
		{RecordRisk: plain, First: 30, Seq: 30, By: "signer-account"}, {RecordRisk: lifelong, First: 31, Seq: 33, By: "signer-account"},
		{RecordRisk: mistake, First: 32, Seq: 34, By: "signer-account"},
	}
	return s
}

func TestRiskAssessments(t *testing.T) {
	s := risky(candidateA)
	list := mustPublish(t, s)
	r := find(t, list, typeRiskAssessment, candidateA+"-risk-30")
	for _, want := range []string{
		`"status":"final"`, `"method":{"coding":[{"system":"https://candidacy.example/CodeSystem/risk-model","version":"2.1","code":"Invented projection","display":"Invented projection"}],"text":"Invented projection, version 2.1"}`,
		`"occurrenceDateTime":"2026-02-20"`, `"basis":[{"reference":"Observation/` + s.Results[0].ID + `"}]`, `"probabilityDecimal":0.90,`,
		`"qualitativeRisk":{"text":"0.90 % (0.4 to 1.60 %, 95 % interval), 15 years, without donation"}`,
		`"whenPeriod":{"start":"2026-02-20","end":"2041-02-20"}`, `"rationale":"Probability in percent, as the source states it. Source: An invented tool"`,
		`"outcome":{"coding":[{"system":"https://candidacy.example/CodeSystem/risk-outcome","code":"kidney-failure","display":"Kidney failure"}],"text":"Kidney failure, without donation"}`,
	} {
		if !strings.Contains(string(r.Body), want) {
			t.Errorf("%s lacks %s", r.Body, want)
		}
	}
	corrected := decode[r4.RiskAssessment](t, find(t, list, typeRiskAssessment, candidateA+"-risk-31"))
	if p := corrected.Prediction[0]; corrected.Status != r4.ObservationStatusCorrected || p.WhenPeriod != nil || *p.Outcome.Text != "Dialysis abroad, after donation" ||
		*p.QualitativeRisk.Text != "0.90 %, lifetime, after donation" {
		t.Errorf("the corrected one is %+v", corrected)
	}
	if mistake := decode[r4.RiskAssessment](t, find(t, list, typeRiskAssessment, candidateA+"-risk-32")); mistake.Status != r4.ObservationStatusEnteredInError {
		t.Errorf("the mistake is %s", mistake.Status.Code())
	}
	for _, r := range list {
		if bytes.Contains(r.Body, []byte("signer-account")) || bytes.Contains(r.Body, []byte(noteMark)) {
			t.Errorf("%s/%s tells who or what in free words: %s", r.Type, r.ID, r.Body)
		}
	}
	for name, change := range map[string]func(*risk.Estimate){
		"outcome": func(e *risk.Estimate) { e.Outcome = "luck" }, "percent": func(e *risk.Estimate) { e.Percent = "much" },
	} {
		s := risky(candidateA)
		change(&s.Risks[0])
		if _, err := (Publisher{}).Publish(s); err == nil {
			t.Errorf("a wrong %s was published", name)
		}
	}
	// Every outcome has its words.
	for _, outcome := range command.RiskOutcomes {
		if outcome != command.OtherOutcome && riskOutcomes[outcome] == "" {
			t.Errorf("%s has no words", outcome)
		}
	}
}

// TestRisksPointToNothingTold leaves out a result that is told in confidence
// since.
func TestRisksPointToNothingTold(t *testing.T) {
	s := risky(candidateA)
	s.Protocol = protocol.Default()
	s.Report.Flags, s.Report.Derived, s.State.Requirements = nil, nil, nil
	s.Results[0].Code.Code = "apol1-two-variants"
	r := find(t, mustPublish(t, s), typeRiskAssessment, candidateA+"-risk-30")
	if strings.Contains(string(r.Body), s.Results[0].ID) || strings.Contains(string(r.Body), "basis") {
		t.Errorf("it points to what is confidential: %s", r.Body)
	}
}
