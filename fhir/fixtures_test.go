package fhir

import (
	"context"
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

const (
	candidateA = "0b0c3f0e-6f3e-4a56-9a51-3f6f3c1d7a01"
	candidateB = "1b0c3f0e-6f3e-4a56-9a51-3f6f3c1d7a02"
	// The recipient and the words of a withdrawal must never come out.
	recipientMark = "RCPT-QUOKKA-4471"
	pathMark      = "pathway-wombat"
)

var testNow = time.Date(2026, 3, 2, 9, 30, 0, 123456000, time.UTC)

func testProtocol() *protocol.Protocol {
	return &protocol.Protocol{
		Version: "2026.1", Title: "Living kidney donor evaluation", Canonical: "https://candidacy.example/protocol/kidney",
		Requirements: []protocol.Requirement{
			{ID: "kidney-function", Title: "Kidney function", Domain: "renal", Evidence: journey.ByResult, Gate: journey.ForCommittee},
			{ID: "blood-pressure", Title: "Blood pressure < 140/90 & stable", Domain: "renal", Evidence: journey.ByResult, Gate: journey.ForCommittee},
			{ID: "glucose", Title: "Fasting glucose", Domain: "metabolic", Evidence: journey.ByResult, Gate: journey.ForCommittee},
			{ID: "imaging", Title: "CT angiogram", Domain: "imaging", Evidence: journey.ByResult, Gate: journey.ForCommittee},
			{ID: "consent", Title: "Consent to evaluation", Domain: "consent", Evidence: journey.ByConsent, Gate: journey.ForEvaluation},
			{ID: "advocate-review", Title: "Advocate review", Domain: "advocacy", Evidence: journey.ByReview, Gate: journey.ForCommittee, ByAdvocate: true},
			{ID: "dental", Title: "Dental review", Domain: "dental", Evidence: journey.ByReview, Gate: journey.ForScheduling},
			{ID: "ogtt", Title: "Glucose tolerance", Domain: "metabolic", Evidence: journey.ByResult},
			{ID: "crossmatch", Title: "Final crossmatch", Domain: "immunology", Evidence: journey.ByResult, Gate: journey.ForOperation},
		},
	}
}

func number(text, unit, comparator string) result.Value {
	return result.Value{Quantity: &result.Quantity{Value: json.Number(text), Unit: unit, Comparator: comparator}}
}

func testResults() []result.Result {
	id := func(v string) result.Identifier {
		return result.Identifier{System: "https://lab.northmere.example/result", Value: v}
	}
	loinc := func(code, display string) result.Coding {
		return result.Coding{System: systemLOINC, Code: code, Display: display}
	}
	return []result.Result{
		{
			ID: "a0000000-0000-4000-8000-000000000001", Identifier: id("NM-1"), Status: result.Final, Category: "laboratory",
			Code: loinc("2160-0", "Creatinine"), Value: number("1.10", "mg/dL", ""),
			Effective: "2026-02-03T23:30:00-05:00", Issued: "2026-02-04T08:00:00-05:00", CollectedOn: "2026-02-03",
			Specimen: "NMA-1", Method: "IDMS traceable",
		},
		{
			ID: "a0000000-0000-4000-8000-000000000002", Identifier: id("NM-2"), Status: result.Corrected, Category: "laboratory",
			Code: loinc("14959-1", "Albumin/creatinine"), Value: number("5", "mg/g{creat}", "<"),
			Effective: "2026-02-03", Issued: "2026-02-04", CollectedOn: "2026-02-03",
		},
		{
			ID: "a0000000-0000-4000-8000-000000000003", Identifier: id("NM-3"), Status: result.Final, Category: "vital-signs",
			Code: loinc("85354-9", "Blood pressure"), Effective: "2026-02-05T09:00:00Z", CollectedOn: "2026-02-05",
			Components: []result.Component{
				{Code: loinc("8480-6", "Systolic"), Value: number("128", "mm[Hg]", "")},
				{Code: loinc("8462-4", "Diastolic"), Value: number("82", "mm[Hg]", "")},
			},
		},
		{
			ID: "a0000000-0000-4000-8000-000000000004", Identifier: id("NM-4"), Status: result.Final, Category: "laboratory",
			Code:      loinc("5196-1", "HBsAg"),
			Value:     result.Value{Coding: &result.Coding{System: systemSNOMED, Code: "260385009", Display: "Negative"}},
			Effective: "2026-02-06T10:00:00.250Z", CollectedOn: "2026-02-06",
		},
		{
			ID: "a0000000-0000-4000-8000-000000000005", Identifier: id("NM-5"), Status: result.Cancelled, Category: "laboratory",
			Code: loinc("2823-3", "Potassium"), Effective: "2026-02-06", CollectedOn: "2026-02-06",
		},
		{
			ID: "a0000000-0000-4000-8000-000000000006", Identifier: id("NM-6"), Status: result.Final, Category: "laboratory",
			Code: loinc("3167-4", "Urine volume 24 h"), Value: number("1850.0", "mL", ""),
			Effective: "2026-02-07T07:00:00+01:00", EffectiveEnd: "2026-02-08T07:00:00+01:00", CollectedOn: "2026-02-07",
		},
		{
			ID: "a0000000-0000-4000-8000-000000000007", Identifier: id("NM-7"), Status: result.Final, Category: "imaging",
			Code: result.Coding{Code: "split-function", Display: "Split renal function"}, Value: number("52", "%", ""),
			Effective: "2026-02-09", CollectedOn: "2026-02-09", BodySite: "9846003",
		},
		{
			ID: "a0000000-0000-4000-8000-000000000008", Identifier: id("NM-8"), Status: result.Preliminary, Category: "imaging",
			Code:      result.Coding{System: systemObservation, Code: "ct-angiogram", Display: "CT angiogram"},
			Value:     result.Value{Text: `One artery & one vein each side; calibre < 6 mm. Typed: \u003cok\u003e`},
			Effective: "2026-02-09T15:00:00Z", CollectedOn: "2026-02-09",
		},
	}
}

func testReport() protocol.Report {
	creatinine := protocol.Input{Name: "creatinine", Value: "1.10", Unit: "mg/dL", Date: "2026-02-03", Result: "a0000000-0000-4000-8000-000000000001"}
	return protocol.Report{
		Flags: []protocol.Flag{
			{
				ID: "egfr", Requirement: "kidney-function", Title: "Estimated GFR", Band: journey.Discussion,
				Value: "84.4213", Shown: "84", Unit: "mL/min/{1.73_m2}", Threshold: ">= 90 meets, 60 to 89 needs discussion, < 60 excludes",
				Source: "KDIGO 2017", Inputs: []protocol.Input{creatinine}, Date: "2026-02-03", Evidence: "e1", Derived: "egfr-creatinine",
			},
			{
				ID: "mean-pressure", Requirement: "blood-pressure", Title: "Mean pressure", Band: journey.Meets, Value: "97", Shown: "97",
				Unit: "mm[Hg]", Date: "2026-02-05", Evidence: "e2",
			},
			{
				ID: "fasting-glucose", Requirement: "glucose", Title: "Fasting glucose", Band: journey.CannotDecide,
				Threshold: "< 100 mg/dL meets", Source: "site", Reason: "no usable result on record", Date: "2026-02-03", Evidence: "e3",
			},
			{
				ID: "a-flag-whose-name-is-longer-than-ids-allow", Requirement: "imaging", Title: "Anatomy", Band: journey.Excludes, Absolute: true,
				Value: "3", Shown: "3", Threshold: "<= 2", Source: "site", Date: "2026-02-09", Evidence: "e4", Near: true,
				Inputs: []protocol.Input{{Name: "arteries", Value: "3", Result: "a0000000-0000-4000-8000-000000000008"}},
			},
		},
		Derived: []protocol.Derived{
			{
				Key: "egfr-creatinine", Title: "eGFR from creatinine", LOINC: "98979-8", Category: "laboratory",
				Value: "84.4213", Unit: "mL/min/{1.73_m2}", Equation: "CKD-EPI 2021 creatinine", Source: "Inker 2021",
				Effective: "2026-02-03T23:30:00-05:00",
				Inputs:    []protocol.Input{creatinine, creatinine, {Name: "age", Value: "44", Unit: "a"}, {Name: "sex", Value: "female"}},
				Warnings:  []string{"creatinine near the limit of the assay"},
			},
			{
				Key: "pressure-mean", Title: "Mean blood pressure", LOINC: "85354-9", Category: "vital-signs",
				Equation: "arithmetic mean", Source: "site", Effective: "2026-02-05T09:00:00Z",
				Inputs: []protocol.Input{{Name: "pressure", Value: "128/82", Unit: "mm[Hg]", Result: "a0000000-0000-4000-8000-000000000003"}},
				Components: []protocol.DerivedComponent{
					{LOINC: "8480-6", Title: "Systolic", Value: "128", Unit: "mm[Hg]"},
					{LOINC: "8462-4", Title: "Diastolic", Value: "82", Unit: "mm[Hg]"},
				},
			},
			{
				Key: "measured-gfr-by-plasma-clearance-indexed", Title: "Measured GFR", Local: "measured-gfr", Category: "laboratory",
				Value: "88.0", Unit: "mL/min/{1.73_m2}", Equation: "slope-intercept", Source: "site",
				Effective: "2026-02-07T07:00:00+01:00", EffectiveEnd: "2026-02-07T11:00:00+01:00",
			},
		},
	}
}

func testSnapshot(candidate string) activities.Snapshot {
	return activities.Snapshot{
		Candidate: candidate,
		Referral: record.Referral{
			Identity: record.Identity{
				Given: "Zoë Maria", Family: "O'Brien & Søn", BirthDate: "1981-06-30", Sex: "female",
				Identifier: result.Identifier{System: "urn:oid:1.2.36.146.595.217.0.1", Value: "SYN-" + candidate[:8]},
			},
			Protocol: "2026.1", Path: pathMark, Recipient: recipientMark, On: "2026-03-02",
		},
		Protocol: testProtocol(),
		Entry:    activities.Entry{Kind: journey.SignResults, Role: journey.Clinician, At: testNow},
		State: journey.State{
			Candidate: candidate, Stage: journey.Evaluation, Since: "2026-02-01", Seq: 9, Advocate: "advocate-account",
			Requirements: []journey.Requirement{
				{ID: "kidney-function", Status: journey.Met, Evidence: "e1", SignedBy: "signer-account", SignedOn: "2026-02-10"},
				{ID: "blood-pressure", Status: journey.NotMet, Evidence: "e2", SignedBy: "signer-account"},
				{ID: "glucose", Status: journey.NeedsReview, Evidence: "e3"},
				{ID: "imaging", Status: journey.Expired, Evidence: "e4"},
				{ID: "consent", Status: journey.Resulted},
				{ID: "advocate-review", Status: journey.NotMet, Position: journey.Objects, SignedBy: "advocate-account"},
				{ID: "dental", Status: journey.Waived, SignedBy: "signer-account"},
				{ID: "ogtt", Status: journey.NotApplicable},
				{ID: "crossmatch", Status: journey.NotDue},
			},
		},
		Results: testResults(),
		Report:  testReport(),
		Today:   "2026-03-02",
		Now:     testNow,
	}
}

// own gives the results of a second candidate ids of their own.
func own(s activities.Snapshot, digit string) activities.Snapshot {
	rename := func(id string) string { return digit + id[1:] }
	for i := range s.Results {
		s.Results[i].ID = rename(s.Results[i].ID)
		s.Results[i].Identifier.Value += "-" + digit
	}
	s.Report.Flags, s.Report.Derived = nil, nil
	return s
}

func mustPublish(t testing.TB, s activities.Snapshot) []record.Resource {
	t.Helper()
	list, err := Publisher{}.Publish(s)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func openStore(t testing.TB, dir string) *record.Store {
	t.Helper()
	store, err := record.Open(context.Background(), filepath.Join(dir, "records.db"), func() time.Time { return testNow })
	if err != nil {
		t.Fatal(err)
	}
	if err := store.KeepProtocol(context.Background(), "2026.1", "digest", "source"); err != nil {
		t.Fatal(err)
	}
	return store
}

func testStore(t testing.TB) *record.Store {
	store := openStore(t, t.TempDir())
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	return store
}

// commit writes resources as the seq-th command of the candidate.
func commit(t testing.TB, store *record.Store, s activities.Snapshot, seq int64, resources []record.Resource) {
	t.Helper()
	command := s.Candidate + "-" + time.Duration(seq).String()
	_, err := store.Append(context.Background(), s.Candidate, command, func(*record.Tx) (record.Draft, error) {
		d := record.Draft{
			Event: journey.Event{Seq: seq, Command: journey.Command{
				ID: command, Candidate: s.Candidate, Kind: journey.Refer, Actor: "coordinator", Role: journey.Coordinator, At: testNow, Today: s.Today,
			}},
			CommandHash: "hash", State: s.State, Resources: resources,
		}
		if seq == 1 {
			d.Refer = &s.Referral
		}
		return d, nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
