// Package walk is one complete, invented journey as a list of commands with
// their times. Tests and benchmarks walk it, whole or in part; the program
// itself does not use it.
package walk

import (
	"encoding/json"
	"fmt"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// The invented people of the walk.
const (
	Coordinator  = "acc-coordinator"
	Nephrologist = "acc-nephrologist"
	Surgeon      = "acc-surgeon"
	Psychologist = "acc-psychologist"
	Advocate     = "acc-advocate"
	Committee    = "acc-committee"
)

// Recipient is the opaque reference of the walk's recipient.
const Recipient = "R-0001"

// Step is one command at its time.
type Step struct {
	At    time.Time
	Kind  journey.Kind
	Actor string
	Role  journey.Role
	Body  command.Body
}

// Walk builds steps for the candidate with a number, which makes identifiers
// unique, starting at an instant in the morning.
type Walk struct {
	Number int
	Start  time.Time
	steps  []Step
}

// New returns a walk with no step.
func New(number int, start time.Time) *Walk { return &Walk{Number: number, Start: start} }

// Steps returns what has been added.
func (w *Walk) Steps() []Step { return w.steps }

// At is an instant some days and hours after the start.
func (w *Walk) At(days, hours int) time.Time {
	return w.Start.AddDate(0, 0, days).Add(time.Duration(hours) * time.Hour)
}

// Add adds a step.
func (w *Walk) Add(at time.Time, kind journey.Kind, actor string, role journey.Role, body command.Body) *Walk {
	w.steps = append(w.steps, Step{At: at, Kind: kind, Actor: actor, Role: role, Body: body})
	return w
}

// MRN is the candidate's identifier.
func (w *Walk) MRN() string { return fmt.Sprintf("WALK-%06d", w.Number) }

// BirthDate is the candidate's birth date.
const BirthDate journey.Date = "1981-03-14"

// Names are distinctive, so that a test can look for them where they must not
// be.
const (
	Given  = "Quillon"
	Family = "Zephyrwick"
	// Secret is a free text that is given with several commands.
	Secret = "told in confidence by the candidate: pemberwhistle"
)

// Refer adds the referral.
func (w *Walk) Refer() *Walk {
	return w.Add(w.At(0, 0), journey.Refer, Coordinator, journey.Coordinator, &command.Referral{
		Given: Given, Family: Family, BirthDate: BirthDate, Sex: "female",
		Identifier: result.Identifier{System: "urn:oid:1.2.36.146.595.217.0.1", Value: w.MRN()},
		Path:       "direct", Recipient: Recipient,
	})
}

// Screen adds everything up to the beginning of the evaluation.
func (w *Walk) Screen() *Walk {
	c := journey.Coordinator
	return w.
		Add(w.At(1, 0), journey.BeginScreening, Coordinator, c, &command.BeginScreening{ContactConsent: true, DuplicateChecked: true}).
		Add(w.At(1, 1), journey.AssignAdvocate, Coordinator, c, &command.AssignAdvocate{Advocate: Advocate}).
		Add(w.At(2, 0), journey.RecordConsent, Coordinator, c, &command.RecordConsent{Requirement: "consent-evaluation", Note: Secret}).
		Add(w.At(3, 0), journey.BeginEvaluation, Coordinator, c, &command.Plain{})
}

// Evaluate adds results, signatures and reviews.
func (w *Walk) Evaluate() *Walk {
	w.Add(w.At(20, 0), journey.RecordResults, Coordinator, journey.Coordinator, w.EvaluationResults(18))
	w.Add(w.At(21, 0), journey.SignResults, Nephrologist, journey.Clinician, &command.SignResults{
		Requirements: []string{"body-size", "bp-office", "abo-first", "abo-second", "blood-count", "glucose-fasting", "hba1c", "creatinine", "gfr-measured", "acr"},
		Verdict:      journey.VerdictMet,
	})
	for i, r := range []struct{ actor, requirement string }{
		{Nephrologist, "medical-history"}, {Surgeon, "renal-angiogram"}, {Psychologist, "psychosocial-evaluation"},
		{Nephrologist, "nephrology-review"}, {Surgeon, "surgery-review"},
	} {
		w.Add(w.At(22+i, 0), journey.RecordReview, r.actor, journey.Clinician, &command.RecordReview{
			Requirement: r.requirement, Position: journey.Supports, Findings: Secret,
		})
	}
	return w.Add(w.At(28, 0), journey.RecordReview, Advocate, journey.Advocate, &command.RecordReview{
		Requirement: "advocate-review-final", Position: journey.Supports, Findings: Secret,
	})
}

// Present adds the presentation to the committee.
func (w *Walk) Present() *Walk {
	return w.Add(w.At(30, 0), journey.PresentToCommittee, Coordinator, journey.Coordinator, &command.Plain{})
}

// Seats are the quorum of the default protocol.
var Seats = []string{"nephrologist", "surgeon", "psychosocial-evaluator", "advocate"}

// Approve adds the committee's approval of the left side.
func (w *Walk) Approve() *Walk {
	return w.Add(w.At(35, 0), journey.RecordDecision, Committee, journey.CommitteeRole, &command.RecordDecision{
		Outcome: journey.Approve, Side: journey.Left, Seats: Seats, Reason: Secret,
	})
}

// OperationDay is the day of the operation, counted from the start.
const OperationDay = 60

// Schedule adds the date.
func (w *Walk) Schedule() *Walk {
	return w.Add(w.At(40, 0), journey.Schedule, Coordinator, journey.Coordinator, &command.Schedule{Date: w.Day(OperationDay)})
}

// Day is a calendar day counted from the start, in the start's own zone.
func (w *Walk) Day(days int) journey.Date {
	return journey.Date(w.At(days, 0).Format(time.DateOnly))
}

// Prepare adds infection tests and the consent to the operation.
func (w *Walk) Prepare() *Walk {
	return w.
		Add(w.At(OperationDay-9, 0), journey.RecordResults, Coordinator, journey.Coordinator, w.InfectionResults(OperationDay-10)).
		Add(w.At(OperationDay-8, 0), journey.SignResults, Nephrologist, journey.Clinician, &command.SignResults{
			Requirements: []string{"hiv-screen", "hbsag", "hbcab", "hcv-antibody"}, Verdict: journey.VerdictMet,
		}).
		Add(w.At(OperationDay-7, 0), journey.RecordConsent, Surgeon, journey.Clinician, &command.RecordConsent{
			Requirement: "consent-donation", Side: journey.Left, Note: Secret,
		})
}

// LastCheck is the last check before incision with everything read back right.
func (w *Walk) LastCheck() *command.LastCheck {
	return &command.LastCheck{
		BirthDate: BirthDate, Identifier: w.MRN(), BloodTypeFirst: "O positive", BloodTypeSecond: "O positive", Side: journey.Left,
	}
}

// Operate adds the last check by two people and the operation.
func (w *Walk) Operate() *Walk {
	return w.
		Add(w.At(OperationDay, 0), journey.ConfirmLastCheck, Surgeon, journey.Clinician, w.LastCheck()).
		Add(w.At(OperationDay, 0), journey.ConfirmLastCheck, Nephrologist, journey.Clinician, w.LastCheck()).
		Add(w.At(OperationDay, 1), journey.BeginOperation, Surgeon, journey.Clinician, &command.Plain{}).
		Add(w.At(OperationDay, 4), journey.RecordOperation, Surgeon, journey.Clinician, &command.RecordOperation{
			Outcome: journey.Removed, Side: journey.Left, Approach: "laparoscopic", Note: Secret,
		})
}

// Follow adds recovery, every visit and the closing.
func (w *Walk) Follow() *Walk {
	c := journey.Coordinator
	visit := func(days int, id string) {
		w.Add(w.At(OperationDay+days, 2), journey.RecordVisit, Coordinator, c, &command.RecordVisit{Visit: id, Outcome: journey.Seen, Note: Secret})
	}
	visit(7, "week-1")
	w.Add(w.At(OperationDay+43, 0), journey.CompleteRecovery, Coordinator, c, &command.Plain{})
	visit(182, "month-6")
	visit(365, "year-1")
	visit(731, "year-2")
	return w.Add(w.At(OperationDay+740, 0), journey.Close, Coordinator, c, &command.Plain{})
}

// Whole adds the journey from referral to closing.
func (w *Walk) Whole() *Walk {
	return w.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate().Follow()
}

// reading is one value of the walk's laboratory.
type reading struct{ code, value, unit string }

// EvaluationResults are the results of an evaluation, collected about a day.
func (w *Walk) EvaluationResults(day int) *command.RecordResults {
	body := &command.RecordResults{}
	at := w.At(day, 0)
	for _, r := range []reading{
		{"8302-2", "172", "cm"}, {"29463-7", "68.0", "kg"}, {"718-7", "13.9", "g/dL"}, {"6690-2", "6.1", "10*3/uL"},
		{"777-3", "240", "10*3/uL"}, {"1558-6", "88", "mg/dL"}, {"4548-4", "5.2", "%"}, {"2160-0", "0.70", "mg/dL"},
		{"9318-7", "6", "mg/g{creat}"},
	} {
		body.Results = append(body.Results, w.quantity(r, at))
	}
	for sitting := range 2 {
		for n := range 2 {
			body.Results = append(body.Results, w.Pressure(w.At(day-7*sitting, n), 118+n, 74+n))
		}
	}
	for sample := range 2 {
		body.Results = append(body.Results, w.BloodType(w.At(day-sample, 0), fmt.Sprintf("ACC-%d-%d", w.Number, sample), "O positive"))
	}
	return w.clearance(body, at)
}

// clearance adds a plasma clearance of about 95 mL/min/{1.73_m2}.
func (w *Walk) clearance(body *command.RecordResults, at time.Time) *command.RecordResults {
	body.Results = append(body.Results, w.quantity(reading{"iohexol-dose", "3235", "mg"}, at))
	for _, s := range []struct {
		minutes int
		value   string
	}{{120, "83.3"}, {180, "55.8"}, {240, "37.4"}} {
		body.Results = append(body.Results, w.quantity(reading{"iohexol-concentration", s.value, "ug/mL"}, at.Add(time.Duration(s.minutes)*time.Minute)))
	}
	body.Results = append(body.Results, w.coded("iohexol-extravasation", "373067005", "No", at))
	return body
}

// InfectionResults are the tests that must be recent at the operation.
func (w *Walk) InfectionResults(day int) *command.RecordResults {
	body := &command.RecordResults{}
	for _, code := range []string{"56888-1", "5196-1", "13952-7", "16128-1"} {
		body.Results = append(body.Results, w.coded(code, "260385009", "Negative", w.At(day, 0)))
	}
	return body
}

func (w *Walk) base(code string, at time.Time) command.Result {
	return command.Result{
		Identifier: result.Identifier{System: "https://lab.walk.example/result", Value: fmt.Sprintf("%d-%s-%s", w.Number, code, at.UTC().Format("20060102T1504"))},
		Status:     result.Final, Code: result.Coding{Code: code}, Effective: at.Format(time.RFC3339),
	}
}

func (w *Walk) quantity(r reading, at time.Time) command.Result {
	out := w.base(r.code, at)
	out.Quantity = &result.Quantity{Value: json.Number(r.value), Unit: r.unit}
	return out
}

func (w *Walk) coded(code, value, display string, at time.Time) command.Result {
	out := w.base(code, at)
	out.Coded = &result.Coding{System: "http://snomed.info/sct", Code: value, Display: display}
	return out
}

// Quantity is one number of the walk's laboratory.
func (w *Walk) Quantity(code, value, unit string, at time.Time) command.Result {
	return w.quantity(reading{code, value, unit}, at)
}

// Pressure is one office blood pressure.
func (w *Walk) Pressure(at time.Time, systolic, diastolic int) command.Result {
	out := w.base("85354-9", at)
	out.Category = "vital-signs"
	for _, part := range []struct {
		code  string
		value int
	}{{"8480-6", systolic}, {"8462-4", diastolic}} {
		out.Components = append(out.Components, result.Component{
			Code:  result.Coding{System: command.LOINC, Code: part.code},
			Value: result.Value{Quantity: &result.Quantity{Value: json.Number(fmt.Sprint(part.value)), Unit: "mm[Hg]"}},
		})
	}
	return out
}

// BloodType is one typed sample.
func (w *Walk) BloodType(at time.Time, specimen, group string) command.Result {
	out := w.coded("882-1", "", group, at)
	out.Coded.System = ""
	out.Specimen = specimen
	return out
}
