package fhir

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// noteMark is in every free text that a laboratory may write.
const noteMark = "note-wallaby"

// reportedSnapshot has, beside the results of testSnapshot, what laboratories say
// beside a value, a panel, two blood types of two draws, and reports.
func reportedSnapshot(candidate string) activities.Snapshot {
	s := testSnapshot(candidate)
	blood := s.Results[0]
	lab := func(n, code, display, value, unit string) result.Result {
		r := blood
		r.ID = "a0000000-0000-4000-8000-0000000000" + n
		r.Identifier.Value = "NM-" + n
		r.Code = result.Coding{System: systemLOINC, Code: code, Display: display}
		r.Value = result.Value{}
		if value != "" {
			r.Value = number(value, unit, "")
		}
		return r
	}
	low, high := result.Quantity{Value: "12.0", Unit: "g/dL"}, result.Quantity{Value: "15.50", Unit: "g/dL"}
	count := &result.Report{
		Identifier: result.Identifier{System: "https://lab.northmere.example/report", Value: "R-1"},
		Code:       result.Coding{System: systemLOINC, Code: "58410-2", Display: "Blood count"}, Status: "final", Category: "LAB",
		Issued: "2026-02-04T09:00:00-05:00", Conclusion: noteMark,
	}
	haemoglobin := lab("11", "718-7", "Haemoglobin", "16.0", "g/dL")
	haemoglobin.ReferenceRange = &result.ReferenceRange{Low: &low, High: &high, Text: "12.0 - 15.50"}
	haemoglobin.Interpretation, haemoglobin.Performer, haemoglobin.Order = []string{"H"}, "Northmere laboratory", "ORD-7"
	haemoglobin.Note, haemoglobin.Report = noteMark, count
	haemoglobin.SpecimenType = &result.Coding{System: "http://terminology.hl7.org/CodeSystem/v2-0487", Code: "BLDV", Display: "Blood venous"}
	platelets := lab("12", "777-3", "Platelets", "250", "10*3/uL")
	platelets.ReferenceRange, platelets.Report = &result.ReferenceRange{Text: "150 to 400"}, count
	panel := lab("13", "58410-2", "Blood count", "", "")
	panel.Members, panel.Report = []result.Identifier{haemoglobin.Identifier, platelets.Identifier, {System: "x", Value: "elsewhere"}}, count
	first := lab("14", "882-1", "ABO and Rh group", "", "")
	first.Value = result.Value{Coding: &result.Coding{System: systemSNOMED, Code: "278147001", Display: "Blood group O"}}
	first.Specimen, first.Effective = "NMA-2", "2026-02-10T08:00:00Z"
	second := first
	second.ID, second.Identifier.Value, second.Specimen, second.Effective = "a0000000-0000-4000-8000-000000000015", "NM-15", "NMA-3", "2026-02-11T08:00:00Z"
	mistaken := lab("16", "2823-3", "Potassium", "4.1", "mmol/L")
	mistaken.Status, mistaken.Specimen, mistaken.Effective = result.EnteredInError, "NMA-4", "2026-02-12T08:00:00Z"
	s.Results = append(s.Results, haemoglobin, platelets, panel, first, second, mistaken)
	return s
}

func TestWhatALaboratoryReports(t *testing.T) {
	list := mustPublish(t, reportedSnapshot(candidateA))
	body := func(n string) string {
		return string(find(t, list, typeObservation, "a0000000-0000-4000-8000-0000000000"+n).Body)
	}
	for n, wants := range map[string][]string{
		"11": {
			`"basedOn":[{"type":"ServiceRequest","identifier":{"type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"PLAC","display":"Placer Identifier"}]},"value":"ORD-7"}}]`,
			`"interpretation":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation","code":"H"}]}]`,
			`"performer":[{"type":"Organization","display":"Northmere laboratory"}]`,
			`"referenceRange":[{"low":{"value":12.0,"unit":"g/dL","system":"http://unitsofmeasure.org","code":"g/dL"},"high":{"value":15.50,`, `"text":"12.0 - 15.50"`,
		},
		"12": {`"referenceRange":[{"text":"150 to 400"}]`},
		"13": {`"hasMember":[{"reference":"Observation/a0000000-0000-4000-8000-000000000011"},{"reference":"Observation/a0000000-0000-4000-8000-000000000012"}]`},
	} {
		for _, want := range wants {
			if !strings.Contains(body(n), want) {
				t.Errorf("%s lacks %s:\n%s", n, want, body(n))
			}
		}
	}
	if strings.Contains(body("13"), "dataAbsentReason") || strings.Contains(body("13"), "value") && strings.Contains(body("13"), `"valueQuantity"`) {
		t.Errorf("a panel says something of its own: %s", body("13"))
	}
	for _, r := range list {
		if bytes.Contains(r.Body, []byte(noteMark)) {
			t.Errorf("%s/%s holds what somebody wrote freely", r.Type, r.ID)
		}
	}
}

func ofType(list []record.Resource, typ string) (of []record.Resource) {
	for _, r := range list {
		if r.Type == typ {
			of = append(of, r)
		}
	}
	return of
}

func TestSpecimens(t *testing.T) {
	list := mustPublish(t, reportedSnapshot(candidateA))
	byAccession := map[string]r4.Specimen{}
	for _, r := range ofType(list, typeSpecimen) {
		s := decode[r4.Specimen](t, r)
		if _, twice := byAccession[*s.AccessionIdentifier.Value]; twice {
			t.Errorf("%s is published twice", *s.AccessionIdentifier.Value)
		}
		byAccession[*s.AccessionIdentifier.Value] = s
	}
	if len(byAccession) != 4 {
		t.Fatalf("%d specimens", len(byAccession))
	}
	// The two draws of a blood type are two specimens.
	one, two := byAccession["NMA-2"], byAccession["NMA-3"]
	if *one.Id == *two.Id || *one.Collection.CollectedDateTime != "2026-02-10T08:00:00Z" || *two.Collection.CollectedDateTime != "2026-02-11T08:00:00Z" {
		t.Errorf("the draws are %v and %v", one, two)
	}
	// One accession serves several results, and says its kind where one of them does.
	if kind := byAccession["NMA-1"].Type; kind == nil || *kind.Coding[0].Code != "BLDV" {
		t.Errorf("the kind is %v", kind)
	}
	if byAccession["NMA-4"].Status == nil || *byAccession["NMA-4"].Status != r4.SpecimenStatusEnteredInError || one.Status != nil {
		t.Error("a specimen of nothing but mistakes does not say so")
	}
	for id, accession := range map[string]string{"a0000000-0000-4000-8000-000000000014": "NMA-2", "a0000000-0000-4000-8000-000000000015": "NMA-3"} {
		o := decode[r4.Observation](t, find(t, list, typeObservation, id))
		if want := "Specimen/" + *byAccession[accession].Id; *o.Specimen.Reference != want {
			t.Errorf("%s is of %s, want %s", id, *o.Specimen.Reference, want)
		}
	}
}

func TestReports(t *testing.T) {
	s := reportedSnapshot(candidateA)
	list := mustPublish(t, s)
	named, in := 0, map[string]int{}
	for _, r := range ofType(list, typeDiagnosticReport) {
		report := decode[r4.DiagnosticReport](t, r)
		for _, of := range report.Result {
			in[*of.Reference]++
		}
		if report.Identifier == nil {
			continue
		}
		named++
		if *report.Identifier[0].Value != "R-1" || report.Status != r4.DiagnosticReportStatusFinal || *report.Code.Coding[0].Code != "58410-2" ||
			len(report.Result) != 3 || len(report.Specimen) != 1 || len(report.BasedOn) != 1 || len(report.Performer) != 1 ||
			*report.Issued != "2026-02-04T09:00:00-05:00" || *report.EffectiveDateTime != "2026-02-03T23:30:00-05:00" || r.Meta != metaReportLab {
			t.Errorf("the report is %s", r.Body)
		}
	}
	if named != 1 {
		t.Errorf("%d reports of the laboratory's own", named)
	}
	// Every result of a laboratory and of imaging is in one report; a pressure and
	// nothing else is in none.
	for _, of := range s.Results {
		want := 1
		if of.Category == "vital-signs" {
			want = 0
		}
		if in["Observation/"+of.ID] != want {
			t.Errorf("%s is in %d reports", of.ID, in["Observation/"+of.ID])
		}
	}
	imaging := decode[r4.DiagnosticReport](t, ofType(mustPublish(t, only(s, 6)), typeDiagnosticReport)[0])
	if len(imaging.Category) != 2 || *imaging.Category[0].Coding[0].Code != "RAD" || *imaging.Category[1].Coding[0].Code != "LP29684-5" || *imaging.Code.Coding[0].Code != "split-function" {
		t.Errorf("imaging is reported as %+v", imaging)
	}
}

// only keeps one result.
func only(s activities.Snapshot, n int) activities.Snapshot {
	s.Results = s.Results[n : n+1]
	s.Report.Flags, s.Report.Derived = nil, nil
	return s
}

func TestReportStatuses(t *testing.T) {
	for want, c := range map[r4.DiagnosticReportStatus][]struct {
		told    result.ReportStatus
		results []result.Status
	}{
		r4.DiagnosticReportStatusFinal:          {{"", []result.Status{result.Final, result.Final}}, {"final", []result.Status{result.Final, result.Cancelled}}},
		r4.DiagnosticReportStatusPartial:        {{"", []result.Status{result.Final, result.Preliminary}}, {"partial", []result.Status{result.Final}}, {"appended", []result.Status{result.Preliminary, result.Final}}},
		r4.DiagnosticReportStatusPreliminary:    {{"", []result.Status{result.Registered, result.Preliminary}}},
		r4.DiagnosticReportStatusRegistered:     {{"", []result.Status{result.Registered}}},
		r4.DiagnosticReportStatusCorrected:      {{"final", []result.Status{result.Final, result.Corrected}}, {"corrected", []result.Status{result.Final}}, {"", []result.Status{result.Final, result.EnteredInError}}},
		r4.DiagnosticReportStatusAmended:        {{"final", []result.Status{result.Final, result.Amended}}},
		r4.DiagnosticReportStatusAppended:       {{"appended", []result.Status{result.Final, result.Corrected}}},
		r4.DiagnosticReportStatusCancelled:      {{"final", []result.Status{result.Cancelled, result.EnteredInError}}},
		r4.DiagnosticReportStatusEnteredInError: {{"final", []result.Status{result.EnteredInError}}, {"entered-in-error", []result.Status{result.Final}}},
		r4.DiagnosticReportStatusUnknown:        {{"", []result.Status{result.Unknown, result.Final}}},
	} {
		for _, each := range c {
			var list []result.Result
			var header *result.Report
			for _, status := range each.results {
				list = append(list, result.Result{Status: status})
			}
			if each.told != "" {
				header = &result.Report{Status: each.told}
			}
			if got, err := reportStatus(header, list); err != nil || got != want {
				t.Errorf("told %q with %v: %s, want %s: %v", each.told, each.results, got.Code(), want.Code(), err)
			}
		}
	}
	if _, err := reportStatus(&result.Report{Status: "done"}, []result.Result{{Status: result.Final}}); err == nil {
		t.Error("an unknown status was published")
	}
	for _, status := range result.ReportStatuses {
		if got, ok := reportStatuses[status]; !ok || got.Code() != string(status) {
			t.Errorf("%s became %s", status, got.Code())
		}
	}
}

// TestReportsFollowTheirResults moves a result to another time: its former
// report has nothing left.
func TestReportsFollowTheirResults(t *testing.T) {
	s := only(reportedSnapshot(candidateA), 0)
	s.Previous = mustPublish(t, s)
	was := ofType(s.Previous, typeDiagnosticReport)[0].ID
	s.Results = slices.Clone(s.Results)
	s.Results[0].Effective, s.Results[0].Specimen, s.Results[0].Version = "2026-02-03T22:30:00-05:00", "NMA-9", 2
	list := mustPublish(t, s)
	gone := decode[r4.DiagnosticReport](t, find(t, list, typeDiagnosticReport, was))
	if gone.Status != r4.DiagnosticReportStatusEnteredInError || gone.Result != nil || gone.Code.Coding != nil {
		t.Errorf("the former report is %+v", gone)
	}
	if specimens := ofType(list, typeSpecimen); len(specimens) != 2 || !bytes.Contains(specimens[1].Body, []byte("entered-in-error")) || bytes.Contains(specimens[1].Body, []byte("NMA")) {
		t.Errorf("the specimens are %v", specimens)
	}
	s.Previous = list
	for i, r := range mustPublish(t, s) {
		if !r.Kept && !bytes.Equal(r.Body, list[i].Body) {
			t.Errorf("%s/%s is published again", r.Type, r.ID)
		}
	}
}

// TestOnlyWhatChangedIsMadeAgain: what is made of results is kept as long as none
// of them has another version and they answer the same requests.
func TestOnlyWhatChangedIsMadeAgain(t *testing.T) {
	made := func(s activities.Snapshot) map[string]bool {
		names := map[string]bool{}
		for _, r := range mustPublish(t, s) {
			if !r.Kept && slices.Contains([]string{typeObservation, typeSpecimen, typeDiagnosticReport, typeQuestionnaireResponse}, r.Type) && !isDerived(r, s.Candidate) {
				names[r.Type+"/"+r.ID] = true
			}
		}
		return names
	}
	s := rich(candidateA)
	if n := len(made(s)); n < 20 {
		t.Fatalf("%d are made at first", n)
	}
	s.Previous = mustPublish(t, s)
	if names := made(s); len(names) != 0 {
		t.Errorf("nothing changed, and %v are made again", names)
	}
	next := s
	next.Results = slices.Clone(s.Results)
	i := slices.IndexFunc(next.Results, func(r result.Result) bool { return r.Code.Code == "777-3" })
	next.Results[i].Version, next.Results[i].Value = 2, number("251", "10*3/uL", "")
	names := made(next)
	id := next.Results[i].ID
	if len(names) != 3 || !names["Observation/"+id] {
		t.Errorf("a count was corrected, and %v are made again", names)
	}
	for name := range names {
		if name != "Observation/"+id && !strings.Contains(name, "-report-") && !strings.Contains(name, "-specimen-") {
			t.Errorf("%s is made again", name)
		}
	}
	// An answer is in its response.
	next = s
	next.Results = slices.Clone(s.Results)
	i = slices.IndexFunc(next.Results, func(r result.Result) bool { return r.Code.Code == "history-gout" })
	next.Results[i].Version, next.Results[i].Status = 2, result.Corrected
	if names := made(next); len(names) != 2 || !names["Observation/"+next.Results[i].ID] {
		t.Errorf("an answer was corrected, and %v are made again", names)
	}
	// A decision reads all, and a move may seal all.
	for name, change := range map[string]func(*activities.Snapshot){
		"decision": func(s *activities.Snapshot) { *s = decided(*s, journey.Approve) }, "move": func(s *activities.Snapshot) { s.Moved = true },
		"no command": func(s *activities.Snapshot) { s.Entry = activities.Entry{} },
	} {
		next := s
		change(&next)
		if n := len(made(next)); n < 20 {
			t.Errorf("%s: only %d are made again", name, n)
		}
	}
}

func TestReportTimes(t *testing.T) {
	for _, c := range []struct {
		times [][2]string
		at    string
		from  string
		to    string
	}{
		{[][2]string{{"2026-02-03T08:00:00Z", ""}, {"2026-02-03T09:00:00+01:00", ""}}, "2026-02-03T08:00:00Z", "", ""},
		{[][2]string{{"2026-02-03T09:00:00+01:00", ""}, {"2026-02-03T07:00:00Z", ""}}, "", "2026-02-03T07:00:00Z", "2026-02-03T09:00:00+01:00"},
		{[][2]string{{"2026-02-03", ""}, {"2026-02-04", ""}}, "", "2026-02-03", "2026-02-04"},
		{[][2]string{{"2026-02-03T08:00:00Z", "2026-02-04T08:00:00Z"}, {"2026-02-03", ""}}, "", "2026-02-03T08:00:00Z", "2026-02-04T08:00:00Z"},
	} {
		var list []result.Result
		for _, each := range c.times {
			list = append(list, result.Result{Effective: each[0], EffectiveEnd: each[1]})
		}
		var report r4.DiagnosticReport
		if err := setCollected(&report, list); err != nil {
			t.Fatal(err)
		}
		got := [3]string{value(report.EffectiveDateTime)}
		if p := report.EffectivePeriod; p != nil {
			got[1], got[2] = value(p.Start), value(p.End)
		}
		if got != [3]string{c.at, c.from, c.to} {
			t.Errorf("%v became %v", c.times, got)
		}
	}
}

// TestProfilesAreKept reads again what each declared profile of US Core 6.1.0
// demands beyond R4, by the text of its definition (from memory, but for blood
// pressure, which a validator holds as well).
func TestProfilesAreKept(t *testing.T) {
	seen := map[string]bool{}
	for _, r := range slices.Concat(mustPublish(t, reportedSnapshot(candidateA)), mustPublish(t, measured(candidateB))) {
		if r.Type != typeObservation && r.Type != typeDiagnosticReport || r.Meta == "" {
			continue
		}
		profile := strings.TrimSuffix(strings.TrimPrefix(r.Meta, `"profile":["`), `"]`)
		seen[profile] = true
		var o struct {
			Status   string
			Category []struct{ Coding []result.Coding }
			Code     struct {
				Coding []result.Coding
				Text   string
			}
			Subject           struct{ Reference string }
			EffectiveDateTime string
			EffectivePeriod   any
			ValueQuantity     *struct{ System, Code string }
			Component         []struct {
				Code          struct{ Coding []result.Coding }
				ValueQuantity struct{ System, Code string }
			}
		}
		if err := json.Unmarshal(r.Body, &o); err != nil {
			t.Fatal(err)
		}
		lacks := func(what string) { t.Errorf("%s/%s lacks %s of %s: %s", r.Type, r.ID, what, profile, r.Body) }
		in := func(code string) bool {
			for _, c := range o.Category {
				for _, coding := range c.Coding {
					if coding.Code == code {
						return true
					}
				}
			}
			return false
		}
		if o.Status == "" || o.Code.Text == "" && len(o.Code.Coding) == 0 || !strings.HasPrefix(o.Subject.Reference, "Patient/") {
			lacks("status, code or subject")
		}
		vital := map[string]struct {
			code  string
			units []string
		}{
			profileBodyHeight: {"8302-2", []string{"cm", "[in_i]"}}, profileBodyWeight: {"29463-7", []string{"kg", "g", "[lb_av]"}}, profileBMI: {"39156-5", []string{"kg/m2"}},
		}
		dated := o.EffectiveDateTime != "" || o.EffectivePeriod != nil
		switch profile {
		case profileLab:
			if !in("laboratory") {
				lacks("the category laboratory")
			}
		case profileClinicalResult:
			if len(o.Category) == 0 {
				lacks("a category")
			}
		case profileVitalSigns, profileBloodPressure, profileBodyHeight, profileBodyWeight, profileBMI:
			if !in("vital-signs") || !dated {
				lacks("the category vital-signs or a time")
			}
			if sign, ok := vital[profile]; ok && (o.Code.Coding[0].Code != sign.code || o.ValueQuantity == nil ||
				o.ValueQuantity.System != systemUCUM || !slices.Contains(sign.units, o.ValueQuantity.Code)) {
				lacks("its code or unit")
			}
			if profile == profileBloodPressure && (o.Code.Coding[0].Code != "85354-9" || len(o.Component) != 2 ||
				o.Component[0].Code.Coding[0].Code != "8480-6" || o.Component[1].Code.Coding[0].Code != "8462-4" ||
				o.Component[0].ValueQuantity.Code != "mm[Hg]" || o.Component[1].ValueQuantity.Code != "mm[Hg]") {
				lacks("its parts")
			}
		case profileReportLab:
			if !in("LAB") || !dated {
				lacks("the category LAB or a time")
			}
		case profileReportNote:
			if !in("LP29684-5") || !dated {
				lacks("the category radiology or a time")
			}
		default:
			t.Errorf("%s is declared and not looked at", profile)
		}
	}
	for _, profile := range []string{profileLab, profileClinicalResult, profileVitalSigns, profileBloodPressure, profileBodyHeight, profileBodyWeight, profileBMI, profileReportLab, profileReportNote} {
		if !seen[profile] {
			t.Errorf("nothing declares %s", profile)
		}
	}
}

// measured has each vital sign, in units of the profiles and in others.
func measured(candidate string) activities.Snapshot {
	s := own(testSnapshot(candidate), "b")
	for i, v := range []struct{ code, value, unit string }{
		{"8302-2", "172", "cm"}, {"8302-2", "1.72", "m"}, {"29463-7", "68", "kg"}, {"39156-5", "23.0", "kg/m2"}, {"waist-circumference", "80", "cm"},
	} {
		r := s.Results[2]
		r.ID = s.Results[2].ID[:35] + string(rune('A'+i))
		r.Identifier.Value = r.ID
		r.Components, r.Value, r.Code = nil, number(v.value, v.unit, ""), result.Coding{Code: v.code, Display: v.code}
		s.Results = append(s.Results, r)
	}
	half := s.Results[2]
	half.ID, half.Identifier.Value, half.Components = s.Results[2].ID[:35]+"Z", "half", half.Components[:1]
	s.Results = append(s.Results, half)
	return s
}

func TestImagedSide(t *testing.T) {
	s := only(testSnapshot(candidateA), 7)
	for code, want := range map[string]string{"kidney-length-left": "18639004", "arteries-right": "9846003", "ct-angiogram": "", "leftover": ""} {
		s.Results[0].Code = result.Coding{System: systemObservation, Code: code, Display: code}
		site := decode[r4.Observation](t, ofType(mustPublish(t, s), typeObservation)[0]).BodySite
		got := ""
		if site != nil {
			got = *site.Coding[0].Code
		}
		if got != want {
			t.Errorf("%s is of %q", code, got)
		}
	}
	s.Results[0].Code.Code, s.Results[0].BodySite = "arteries-right", "18639004"
	if site := decode[r4.Observation](t, ofType(mustPublish(t, s), typeObservation)[0]).BodySite; *site.Coding[0].Code != "18639004" {
		t.Error("the site of the report does not stand")
	}
	s.Results[0].Category, s.Results[0].BodySite = "exam", ""
	if site := decode[r4.Observation](t, ofType(mustPublish(t, s), typeObservation)[0]).BodySite; site != nil {
		t.Error("what is not imaged has a side")
	}
}

// TestPanelsAndReportsKeepWhatWasTold: the code of a report and that of a panel
// would tell of the one result among theirs that is not published.
func TestPanelsAndReportsKeepWhatWasTold(t *testing.T) {
	s := reportedSnapshot(candidateA)
	s.Protocol = protocol.Default()
	s.Report.Flags, s.Report.Derived, s.State.Requirements = nil, nil, nil
	for i := range s.Results {
		if r := &s.Results[i]; r.Report != nil {
			report := *r.Report
			report.Code.Display = secretMark
			r.Report = &report
			if len(r.Members) > 0 {
				r.Code.Display = secretMark
			}
		}
	}
	open := mustPublish(t, s)
	if !slices.ContainsFunc(open, func(r record.Resource) bool {
		return r.Type == typeDiagnosticReport && bytes.Contains(r.Body, []byte(secretMark))
	}) {
		t.Fatal("the report has no code of its own")
	}
	s.Results = slices.Clone(s.Results)
	told := slices.IndexFunc(s.Results, func(r result.Result) bool { return r.Code.Code == "777-3" })
	s.Results[told].Code = result.Coding{System: systemObservation, Code: "apol1-two-variants"}
	n := 0
	s.Previous = open
	for _, r := range mustPublish(t, s) {
		if bytes.Contains(r.Body, []byte(secretMark)) || r.ID != s.Results[told].ID && bytes.Contains(r.Body, []byte(s.Results[told].ID)) {
			t.Errorf("%s/%s tells: %s", r.Type, r.ID, r.Body)
		}
		if r.Type == typeDiagnosticReport && bytes.Contains(r.Body, []byte(`"value":"R-1"`)) {
			n++
			if report := decode[r4.DiagnosticReport](t, r); len(report.Result) != 1 {
				t.Errorf("the report holds %d results", len(report.Result))
			}
		}
	}
	if n != 1 {
		t.Errorf("%d reports are left", n)
	}
	// What was published of them before is masked.
	for _, n := range []string{"12", "13"} {
		r := find(t, mustPublish(t, s), typeObservation, "a0000000-0000-4000-8000-0000000000"+n)
		if !bytes.Contains(r.Body, []byte(`"masked"`)) || !bytes.Contains(r.Body, []byte(`"entered-in-error"`)) {
			t.Errorf("%s is left as %s", n, r.Body)
		}
	}
}
